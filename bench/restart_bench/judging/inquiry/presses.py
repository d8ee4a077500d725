"""Which presses bring each output on and off: every press and every pair of presses played once, and what came of it.

A press is trusted to bring an output into a state only where it did so whatever had been pressed before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from restart_bench.evidence.marks import traces_of
from restart_bench.model.journal import CycleRecords, StepDone
from restart_bench.model.rig import Rig
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Press, Scenario

Presses = tuple[str, ...]
States = Mapping[str, bool]


@dataclass(frozen=True, slots=True)
class PressSeen:
    """One press: the outputs when its time was over (those that were read), and those that were otherwise meanwhile."""

    point: str
    after: States
    passing: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Start:
    """A state to cut from: what is pressed for it, and the outputs that are on or off by it each time."""

    presses: Presses
    states: States


@dataclass(frozen=True, slots=True)
class Search:
    """What to cut from, and what no press and no pair of presses brought about, as (output, state)."""

    starts: tuple[Start, ...]
    missing: tuple[tuple[str, bool], ...]
    passing: frozenset[str] = frozenset()  # were on or off for a while only, never at the end of a press's time


def press_order(points: Sequence[str]) -> Presses:
    """The shortest row of presses in which every point follows every point, itself included, once."""
    row: list[str] = []
    for number, point in enumerate(points):
        row.append(point)
        for later in points[number + 1 :]:
            row += [point, later]
    return (*row, *row[:1])


def presses_seen(
    rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples]
) -> tuple[PressSeen, ...]:
    """What each press of a cycle that only presses and waits came to, from reads alone."""
    judged = {point.name: rig.judged_point(point.name) for point in rig.outputs()}
    traces = traces_of(rig, records, samples, set(judged.values()))
    seen = []
    for press, done, until_ns in _presses(scenario, records):
        after: dict[str, bool] = {}
        passing = set()
        for name, by in judged.items():
            reads = traces[by].reads.inside(done.started_ns, until_ns)
            if len(reads):
                after[name] = bool(reads.value[-1])
                passing |= {name} if bool((reads.value != reads.value[-1]).any()) else set()
        seen.append(PressSeen(press, after, frozenset(passing)))
    return tuple(seen)


def _presses(scenario: Scenario, records: CycleRecords) -> Iterator[tuple[str, StepDone, int]]:
    """Each press that was done, and when the wait behind it ended."""
    for done, waited in zip(records.steps, records.steps[1:], strict=False):
        action = scenario.before[done.index].action
        if done.phase == "before" and isinstance(action, Press) and done.reached:
            yield action.point, done, waited.ended_ns


def again_order(points: Sequence[str], starts: Sequence[Start]) -> Presses:
    """Every pair that would be relied on, once more behind every press: in the first row it was played only once."""
    pairs = [one.presses for one in starts if len(one.presses) == 2]
    return tuple(point for pair in pairs for first in points for point in (first, *pair))


def search(outputs: Sequence[str], rows: Sequence[Sequence[PressSeen]], *, pairs_at_least: int = 1) -> Search:
    """The fewest presses, single ones before pairs, that bring every output on and off. Of pairs those count that were
    played so many times."""
    goals = [(output, state) for output in outputs for state in (True, False)]
    starts: list[Start] = []
    for length in (1, 2):
        candidates = _candidates(rows, length, 1 if length == 1 else pairs_at_least)
        while best := _best(candidates, goals):
            reached = best.states.items()
            kept = best.states if length == 1 else {name: state for name, state in reached if (name, state) in goals}
            starts.append(Start(best.presses, kept))
            goals = [goal for goal in goals if goal not in reached]
    passing = {name for row in rows for one in row for name in one.passing}
    return Search(tuple(starts), tuple(goals), frozenset(passing & {name for name, _ in goals}))


def _candidates(rows: Sequence[Sequence[PressSeen]], length: int, at_least: int) -> list[Start]:
    """Every row of so many presses, with what came of it each time that it was played."""
    came: dict[Presses, list[States]] = {}
    for row in rows:
        for end in range(length, len(row) + 1):
            part = row[end - length : end]
            came.setdefault(tuple(one.point for one in part), []).append(part[-1].after)
    return [Start(presses, _alike(states)) for presses, states in came.items() if len(states) >= at_least]


def _alike(states: Sequence[States]) -> States:
    """What was the same in all of them."""
    first, *others = states
    return {name: state for name, state in first.items() if all(one.get(name) == state for one in others)}


def _best(candidates: Iterable[Start], goals: Sequence[tuple[str, bool]]) -> Start | None:
    """The one that reaches most of the goals; None where none reaches any."""
    reaching = [(sum(goal in one.states.items() for goal in goals), one) for one in candidates]
    most = max((number for number, _ in reaching), default=0)
    return next((one for number, one in reaching if number == most), None) if most else None
