"""What every output of a program does after the restarts of a run, and why, within the time that is given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from restart_bench.model.program import Program
from restart_bench.predict.engine import ProofBroken, predict
from restart_bench.predict.proving.parts import REST, WARM
from restart_bench.predict.proving.patience import Patience, TimeIsUp, within
from restart_bench.predict.proving.solver import INSTALL, SolverMissing

if TYPE_CHECKING:
    from restart_bench.predict.why import Why

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
    """The reasons of one program. restarts: what was asked about; missing: why there are none, and what helps ("" where
    there are)."""

    edition: str
    restarts: tuple[str, ...]
    reasons: tuple[Reason, ...] = ()
    missing: str = ""


def explained(
    program: Program, labels: Mapping[str, str], restarts: Sequence[str], patience: Patience, budget: str
) -> Explanation:
    """Why each output that `labels` names does what it does after each restart ("supply", "mode"), inputs at rest.

    budget: the time that `patience` gives, as it is told. A line of why for which it was too short says that not
    everything was tried out; where nothing could be predicted in it, `missing` says so.
    """
    from restart_bench.predict.why import explain, lines_named

    found: dict[tuple[str, str], list[str]] = {}
    missing = ""
    try:
        with within(patience):
            answers = predict(program, labels, restarts=[(restart, WARM) for restart in restarts])
        at_rest = [answer for answer in answers if answer.inputs == REST]
        whys: dict[tuple[str, str, str, str], Why] = {}
        for _ in range(2):  # what one answer leaves of its time is for those that needed more
            waiting = [one for one in at_rest if one.key not in whys or not whys[one.key].searched]
            for left, answer in zip(range(len(waiting), 0, -1), waiting, strict=True):
                if answer.key in whys and patience.over():
                    break
                with within(patience.share(left)):
                    whys[answer.key] = explain(program, answer, answers, labels[answer.point])
        for answer in at_rest:
            found.setdefault((answer.point, whys[answer.key].because), []).append(answer.restart)
    except IN_VAIN as problem:
        missing = in_vain(problem, budget)
    reasons = (
        Reason(point, labels[point], tuple(said_of), because, lines_named(because, program))
        for (point, because), said_of in found.items()
    )
    return Explanation(program.name, tuple(restarts), tuple(reasons), missing)


def in_vain(problem: Exception, budget: str) -> str:
    """Why nothing was worked out, and what helps."""
    if isinstance(problem, SolverMissing):
        return f"not worked out: needs python-sat, which is not installed; {INSTALL}"
    if isinstance(problem, TimeIsUp):
        return f"not worked out within {budget}; `restart-bench predict` takes the time that it needs"
    return f"not worked out: {problem or type(problem).__name__}"
