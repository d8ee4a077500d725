"""What a cycle is judged from, in memory that does not grow with its length: a long one is condensed first.

Condensed samples give the same judgement as all of them as long as nothing is counted from inside a stretch that was
told shorter. So whatever can be counted from is gathered here: what the journal tells, the marks, and every such
instant later by the times that scenario and rig name.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations_with_replacement
from typing import Any

import numpy as np

from restart_bench.evidence.marks import UNSEEN_POLLS, Progress, progress_of, traces_of
from restart_bench.evidence.traces import changes_of
from restart_bench.model.clock import BLIND_NS
from restart_bench.model.condensing import Instants, Keep, SampleSource, changes_in
from restart_bench.model.journal import CycleRecords
from restart_bench.model.rig import Rig
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Scenario

WHOLE = 1 << 18
"""Up to so many samples of a device are judged as they are: some ten megabytes."""
LISTED_NS = 50_000_000
"""Blind gaps that a pass tolerates are listed from this length on."""


def samples_to_judge(
    rig: Rig,
    scenario: Scenario,
    records: CycleRecords,
    sources: Mapping[str, SampleSource],
    whole: int = WHOLE,
    margin_ns: int | None = None,
) -> dict[str, DeviceSamples]:
    """Samples that give the same judgement as all of them: all of them, unless there are more than `whole`."""
    if all(source.count <= whole for source in sources.values()):
        return {name: source.whole() for name, source in sources.items()}
    keep = Keep(_shortest_gap(rig, scenario), _told(records))
    if margin_ns is not None:
        keep = dataclasses.replace(keep, margin_ns=margin_ns)
    first = {name: source.condensed(keep) for name, source in sources.items()}
    progress = progress_of(rig, scenario, records, first)
    keep = _with(
        keep,
        [
            _compared(rig, first, keep.gap_ns),
            _counted_from(rig, scenario, records, first, progress),
            _seen_through(rig, scenario, progress, keep.margin_ns),
        ],
    )
    return {name: source.condensed(keep) for name, source in sources.items()}


def samples_to_draw(sources: Mapping[str, SampleSource], gap_ns: int = LISTED_NS) -> dict[str, DeviceSamples]:
    """Samples that show every change and every gap of this length, however long the cycle was."""
    return {
        name: source.whole() if source.count <= WHOLE else source.condensed(Keep(gap_ns))
        for name, source in sources.items()
    }


def _with(keep: Keep, more: Iterable[Instants]) -> Keep:
    return dataclasses.replace(keep, instants=np.unique(np.concatenate((keep.instants, *more))))


def _shortest_gap(rig: Rig, scenario: Scenario) -> int:
    """The shortest gap between reads that can matter to a judgement."""
    limits = [limit for one in (*scenario.during, *scenario.after) for limit in (one.longer_than_ns, one.blind_ns)]
    starts = {one.start for one in scenario.after if one.start in rig.points}
    started = {rig.judged_point(name) for name in starts} | {
        name for gap in scenario.gaps for name in (gap.first_judged, gap.then_judged)
    }
    limits += [UNSEEN_POLLS * rig.devices[rig.points[name].device].poll_ns for name in started]
    return max(1, min([LISTED_NS, BLIND_NS, *limits]))


def _told(records: CycleRecords) -> Instants:
    """Every instant that the journal tells."""
    return np.unique(np.array([*_times_in(records)], np.int64))


def _times_in(value: Any) -> Iterator[int]:
    """All numbers whose name says that they are nanoseconds, in values within values."""
    if isinstance(value, tuple):
        for item in value:
            yield from _times_in(item)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            inner = getattr(value, field.name)
            if field.name.endswith("_ns") and isinstance(inner, int):
                yield inner
            else:
                yield from _times_in(inner)


def _compared(rig: Rig, samples: Mapping[str, DeviceSamples], gap_ns: int) -> Instants:
    """When an output or its terminal changed, or could not be read: they are compared with one another, across
    devices."""
    pairs = [(point.name, rig.judged_point(point.name)) for point in rig.outputs()]
    names = {f"p:{name}" for pair in pairs if pair[0] != pair[1] for name in pair}
    return np.concatenate([changes_in(one.records, gap_ns, names) for one in samples.values()])


def _counted_from(
    rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples], progress: Progress
) -> Instants:
    """What the journal tells, the marks and what else a cycle's course is counted from, changes that a window counts
    from; and all of these later by what the scenario and the rig name."""
    instants = [*_told(records).tolist(), *_times_in((progress, *progress.marks.values()))]
    instants += _changes_counted_from(rig, scenario, records, samples)
    lengths = {one for one in _times_in((scenario, rig.ready, rig.supply)) if one > 0}
    sums = {0, *lengths, *(one + other for one, other in combinations_with_replacement(sorted(lengths), 2))}
    return np.unique(np.add.outer(np.array(instants, np.int64), np.array(sorted(sums), np.int64)))


def _seen_through(rig: Rig, scenario: Scenario, progress: Progress, step_ns: int) -> Instants:
    """The time in which a mark has to come. Where one does not, every single read may be a sign that it had not come
    yet, so all of that time stays as it was read."""
    if progress.begins is None:
        return np.empty(0, np.int64)
    restored = progress.marks.get("restored", progress.begins)
    spoke = [mark.not_after_ns for name, mark in progress.marks.items() if name in ("refused", "accepted", "answered")]
    limits = [one.window.not_after_ns or 0 for one in scenario.times]
    end_ns = max([progress.begins.not_after_ns, *spoke]) + max([rig.ready.within_ns, *limits])
    return np.arange(restored.not_before_ns, end_ns + step_ns, step_ns, dtype=np.int64)


def _changes_counted_from(
    rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples]
) -> list[int]:
    """Changes of the points that windows begin with."""
    named = {rig.judged_point(one.start) for one in scenario.after if one.start in rig.points}
    traces = traces_of(rig, records, samples, named)
    return [*_times_in(tuple(change.bounds for trace in traces.values() for change in changes_of(trace)))]
