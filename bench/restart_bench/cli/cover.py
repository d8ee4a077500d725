"""`check`: which predicted outcomes no scenario of a suite plays."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from restart_bench.model.rig import Rig
from restart_bench.model.wording import counted, hanging, restart_word, value_word
from restart_bench.suite.loader import Suite

if TYPE_CHECKING:
    from restart_bench.model.program import Program
    from restart_bench.predict.cover import LeftOut
    from restart_bench.predict.engine import Answer

PATIENCE_S = 3.0
_INDENT = 26
_GIVEN = {"rest": "inputs at rest", "held": "a command held", "sensors free": "sensors as they may be"}
_RESTARTS = {"supply": "power", "mode": "mode"}


def cover_lines(suite: Suite, width: int, patience_s: float = PATIENCE_S) -> list[str]:
    """What the program model may do that no scenario plays; nothing where there is no program, or no solver."""
    if suite.program is None:
        return []
    from restart_bench.predict.explaining import IN_VAIN, in_vain
    from restart_bench.predict.proving.patience import within
    from restart_bench.predict.proving.solver import SolverMissing
    from restart_bench.report.explaining import Clock

    try:
        with within(Clock.of(patience_s)):
            answers = _answers(suite.rig, suite.program)
    except SolverMissing:
        return []
    except IN_VAIN as problem:
        return hanging("Predicted outcomes that no scenario plays:", in_vain(problem, f"{patience_s:g} s"), width, 4)
    return list(_lines(suite, suite.program, answers, width)) if answers else []


def _answers(rig: Rig, program: Program) -> tuple[Answer, ...]:
    """What the program can do after the restarts that this rig knows; `predict` proves it all once more."""
    from restart_bench.predict.engine import predict
    from restart_bench.predict.plays import outputs_on
    from restart_bench.predict.proving.parts import HELD, MODE, REST, SENSORS, SUPPLY, WARM

    drives = outputs_on(rig, program)
    restarts = [(SUPPLY, WARM)] * (rig.supply is not None) + [(MODE, WARM)] * (rig.mode is not None)
    if not drives or not restarts:
        return ()
    return predict(
        program,
        [point.name for point in rig.outputs() if point.name in drives],
        restarts=restarts,
        environments=(REST, SENSORS, HELD),
        rechecked=False,
    )


def _lines(suite: Suite, program: Program, answers: Sequence[Answer], width: int) -> Iterator[str]:
    from restart_bench.predict.cover import left_out
    from restart_bench.predict.plays import plays_of
    from restart_bench.predict.scripts import random_cuts_needed

    plays = plays_of(suite.rig, program, suite.scenarios)
    found = left_out(answers, plays.values())
    at_any_time = [one for one in found if not one.between_rungs]
    by_chance = [one for one in found if one.between_rungs]
    if at_any_time:
        yield "What the program model may do and no scenario plays (not tried, no fault)"
        yield from _grouped(suite.rig, at_any_time, width)
        told = "`restart-bench predict` says why; with --write FOLDER it writes scenarios for what a rig can play"
        yield from hanging("", told, width, 2)
    elif not by_chance:
        yield "Every outcome that the program model predicts is played by some scenario"
    if by_chance:
        cuts = counted(random_cuts_needed(program), "cut")
        yield "Only if the cut falls between two certain rungs, which no scenario can time"
        told = f"{cuts} at random, within two scans from a press, meet each of these once with 95 %"
        yield from hanging("", told, width, 2)
        yield from _grouped(suite.rig, by_chance, width)


def _grouped(rig: Rig, found: Sequence[LeftOut], width: int) -> Iterator[str]:
    groups: dict[tuple[str, str], list[str]] = {}
    for one in found:
        point, restart, inputs, end = one.outcome
        told = end
        if one.was_on is not None and end != "pulses":
            told = f"{restart_word(one.was_on, ends_on=end == 'on')} ({value_word(one.was_on)} before)"
        groups.setdefault((restart, inputs), []).append(f"{rig.points[point].shown} {told}")
    for (restart, inputs), outcomes in groups.items():
        head = f"  {_RESTARTS[restart]}, {_GIVEN[inputs]}"
        yield from hanging(head, "; ".join(outcomes), width, _INDENT + 8)
