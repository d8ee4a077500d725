"""What every output of a program does after the restarts of a run, and why, within the time that is given."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from restart_bench.model.program import Program
from restart_bench.predict.engine import ProofBroken, predict
from restart_bench.predict.proving.parts import REST, WARM
from restart_bench.predict.proving.patience import TimeIsUp, given_up_once
from restart_bench.predict.proving.solver import INSTALL, SolverMissing
from restart_bench.predict.why import explain, lines_named

IN_VAIN = (SolverMissing, ProofBroken, TimeIsUp, RecursionError)
"""What keeps a prediction from its end without a fault in anybody's file."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why one output does what it does. restarts: those after which this is said of it; lines: those of the program's
    file that it names."""

    point: str
    label: str
    restarts: tuple[str, ...]
    because: str
    lines: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """The reasons of one program. restarts: what was asked about; missing: what could not be worked out, and what
    helps ("" where all was)."""

    edition: str
    restarts: tuple[str, ...]
    reasons: tuple[Reason, ...] = ()
    missing: str = ""


def explained(
    program: Program, labels: Mapping[str, str], restarts: Sequence[str], over: Callable[[], bool], budget: str
) -> Explanation:
    """Why each output that `labels` names does what it does after each restart ("supply", "mode"), inputs at rest.

    over: true once the time is up; budget: that time, as it is told. What could not be worked out is said in `missing`.
    """
    found: dict[tuple[str, str], list[str]] = {}
    missing = ""
    try:
        with given_up_once(over):
            answers = predict(program, labels, restarts=[(restart, WARM) for restart in restarts])
            for answer in answers:
                if answer.inputs == REST:
                    because = explain(program, answer, answers, labels[answer.point]).because
                    found.setdefault((answer.point, because), []).append(answer.restart)
    except IN_VAIN as problem:
        missing = in_vain(problem, labels, {point for point, _ in found}, budget)
    reasons = (
        Reason(point, labels[point], tuple(said_of), because, lines_named(because, program))
        for (point, because), said_of in found.items()
    )
    return Explanation(program.name, tuple(restarts), tuple(reasons), missing)


def in_vain(problem: Exception, labels: Mapping[str, str], done: set[str], budget: str) -> str:
    """Why something was not worked out, and what helps."""
    if isinstance(problem, SolverMissing):
        return f"not worked out: needs python-sat, which is not installed; {INSTALL}"
    left = [label for point, label in labels.items() if point not in done]
    of = f" for {', '.join(left)}" if done and left else ""
    if isinstance(problem, TimeIsUp):
        return f"not worked out{of} within {budget}; `restart-bench predict` takes the time that it needs"
    return f"not worked out{of}: {problem or type(problem).__name__}"
