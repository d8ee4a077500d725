"""The cycles of a run as timing diagrams: which are drawn, and what stands in them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from restart_bench.evidence.long_cycles import samples_to_draw
from restart_bench.evidence.marks import traces_of
from restart_bench.judging.summary import by_case
from restart_bench.model.journal import CycleJudged, CycleRecords
from restart_bench.model.rig import Rig, always_moving
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.verdicts import Verdict
from restart_bench.model.ways import Way, way_named
from restart_bench.report.record.data import CaseDiagram, DrawnCycle, DrawnLane, DrawnMark
from restart_bench.report.record.pieces import drawn_lanes, shifted, supply_pieces, trace_pieces

if TYPE_CHECKING:
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.suite.loader import Suite

MOST_CYCLES_IN_CASE = 200
MOST_CYCLES = 600
"""Cycles drawn in all; cases share them, each at least five."""


def diagrams_of(run: ArchivedRun, suite: Suite, cycles: Sequence[CycleJudged]) -> Iterator[CaseDiagram]:
    """One diagram for each case that has cycles, read from the samples.

    Raises ArchiveError where a file is damaged.
    """
    groups = by_case(cycles)
    most = min(MOST_CYCLES_IN_CASE, max(5, MOST_CYCLES // max(1, len(groups))))
    moving = always_moving(suite.rig)
    by_name = {scenario.name: scenario for scenario in suite.scenarios}
    for (scenario, case), mine in groups.items():
        if scenario not in by_name:
            continue
        lanes = drawn_lanes(suite.rig, by_name[scenario], moving)
        drawn = tuple(_drawn(run, suite.rig, lanes, cycle) for cycle in chosen_cycles(mine, most))
        way = way_named(suite.rig, suite.scenarios, scenario, case)
        zero = _zero_text(mine, way)
        yield CaseDiagram(scenario, case, zero, lanes, drawn, len(mine), way.lost, way.back)


def chosen_cycles(cycles: Sequence[CycleJudged], most: int) -> list[CycleJudged]:
    """At most so many cycles, in order: first those that did not pass, then passed ones evenly spread."""
    if len(cycles) <= most:
        return list(cycles)
    notable = [cycle for cycle in cycles if cycle.verdict is not Verdict.PASS][:most]
    passed = [cycle for cycle in cycles if cycle.verdict is Verdict.PASS]
    room = min(most - len(notable), len(passed))
    spread = [passed[index * len(passed) // room] for index in range(room)]
    return sorted([*notable, *spread], key=lambda cycle: cycle.cycle)


def _zero_text(cycles: Sequence[CycleJudged], way: Way) -> str:
    if all(cycle.mark("restored") is not None for cycle in cycles):
        return f"the earliest instant at which {way.can_be_back}"
    if any(cycle.mark("restored") is not None for cycle in cycles):
        return f"the earliest instant at which {way.can_be_back} (in cycles without a return: lost)"
    if any(cycle.mark("cut") is not None for cycle in cycles):
        return f"the earliest instant at which {way.can_be_lost}"
    return "the beginning of the cycle (there was no cut)"


def _drawn(run: ArchivedRun, rig: Rig, lanes: Sequence[DrawnLane], judged: CycleJudged) -> DrawnCycle:
    records = run.cycle_records[judged.cycle]
    samples = samples_to_draw(run.sources(judged.cycle))
    marks = {mark.name: mark.bounds for mark in judged.marks}
    start_ns = records.started.at_ns
    end_ns = records.ended.at_ns if records.ended is not None else _newest(samples, start_ns)
    zero = judged.mark("restored") or judged.mark("cut")
    zero_ns = zero.not_before_ns if zero is not None else start_ns
    traces = traces_of(rig, records, samples, {lane.point for lane in lanes})
    pieces, left_out = [], 0
    for lane in lanes:
        if lane.role == "supply":
            whole = supply_pieces(marks, start_ns, end_ns)
        else:
            device = rig.devices[rig.points[lane.point].device]
            whole = trace_pieces(traces[lane.point], device, start_ns, end_ns)
        kept, missing = shifted(whole, zero_ns)
        pieces.append(kept)
        left_out += missing
    return DrawnCycle(
        cycle=judged.cycle,
        number=records.started.number,
        verdict=judged.verdict,
        reason=judged.reason,
        marks=(
            *(
                DrawnMark(name, bounds.not_before_ns - zero_ns, bounds.not_after_ns - zero_ns)
                for name, bounds in marks.items()
            ),
            *checking(records, zero_ns, end_ns),
        ),
        pieces=tuple(pieces),
        left_out=left_out,
    )


CHECKING = "function check"


def checking(records: CycleRecords, zero_ns: int, end_ns: int) -> Iterator[DrawnMark]:
    """From the first step of the function check to the end: what moves there was commanded, and is no restart."""
    begun = [step.started_ns for step in records.steps if step.phase == CHECKING]
    if begun:
        yield DrawnMark(CHECKING, min(begun) - zero_ns, max(end_ns, *begun) - zero_ns)


def _newest(samples: Mapping[str, DeviceSamples], start_ns: int) -> int:
    ends = [int(one.records["received_ns"].max()) for one in samples.values() if len(one.records)]
    return max(ends, default=start_ns)
