"""Restarts that a counter shows after the one of the cut, whether or not the link fell silent."""

from __future__ import annotations

import numpy as np

from restart_bench.evidence.restarts import counted_since, pace_of, takes_great_steps, unit_ns
from restart_bench.evidence.traces import STILL_NS, Reads, TraceBuilder
from restart_bench.model.clock import BLIND_NS, FAR_NS, Bounds
from restart_bench.model.rig import Point, Rig


def began_anew(rig: Rig, builder: TraceBuilder, cut: Bounds, after: Bounds, until_ns: int) -> Bounds | None:
    """The last restart that a counter shows between a restart (or the return) and an instant, whether or not the link
    fell silent: an uptime or the sign of life that had counted since and began anew, a count of starts that had risen
    for the one before it and rose once more."""
    found = []
    for name, rises in _counters(rig):
        point, trace = rig.points[name], builder.trace(name)
        if rises:
            base, reads = trace.seen.before(after.not_before_ns), trace.seen.inside(after.not_before_ns, FAR_NS)
            places = _rose_again(base, reads)
        else:
            reads = trace.reads.inside(after.not_after_ns, FAR_NS)
            places = _fell_again(rig, builder, point, reads, cut)
            if not places and name != rig.ready.alive:  # what does not count yet tells all the same where it is new
                reads = trace.seen.inside(after.not_after_ns, FAR_NS)
                places = [at for at in _fell_again(rig, builder, point, reads, cut) if _is_new(point, reads, at, after)]
        found += [Bounds(int(reads.early[at - 1]), int(reads.late[at])) for at in places]
    found = [one for one in found if one.not_before_ns > after.not_after_ns and one.not_before_ns <= until_ns]
    if not found:
        return None
    last = max(found, key=lambda one: one.not_before_ns)
    return Bounds(last.not_before_ns, min(one.not_after_ns for one in found if one.not_after_ns > last.not_before_ns))


def _counters(rig: Rig) -> list[tuple[str, bool]]:
    """Points that show a restart, and whether they rise at one."""
    found = {one.point: one.kind == "rises" for one in rig.proof_of_cut if one.point is not None and not one.of_supply}
    if rig.ready.alive is not None and rig.ready.alive in rig.points:
        found.setdefault(rig.ready.alive, False)
    return list(found.items())


def _rose_again(base: Reads, reads: Reads) -> list[int]:
    """Reads by which a count of starts had risen, and then rose once more and stayed so."""
    if len(base) == 0 or len(reads) < 3:
        return []
    value = reads.value
    again = (value[:-2] > base.value[0]) & (value[1:-1] > value[:-2]) & (value[2:] >= value[1:-1])
    places: list[int] = (np.flatnonzero(again) + 1).tolist()
    return places


def _fell_again(rig: Rig, builder: TraceBuilder, point: Point, reads: Reads, cut: Bounds) -> list[int]:
    """Reads by which a counter began anew: it fell, the next read says so too, and neither going round nor a torn word
    nor a sign of life that went on explains it."""
    if len(reads) < 3:
        return []
    value, known = reads.value, builder.trace(point.name).reads.until(cut.not_before_ns)
    places = 1 + np.flatnonzero((value[1:-1] < value[:-2]) & (value[2:] < value[:-2]))
    return [
        at
        for at in places.tolist()
        if _is_anew(builder, rig, point, (known, reads), at) and not _beat_on(rig, builder, cut, reads, at)
    ]


def _is_new(point: Point, reads: Reads, at: int, after: Bounds) -> bool:
    """Whether an uptime had counted since a restart when it fell: no old image reads so."""
    unit, last = unit_ns(point), at - 1
    return unit is not None and bool(reads.value[last] * unit <= reads.late[last] - after.not_before_ns)


def _is_anew(builder: TraceBuilder, rig: Rig, point: Point, told: tuple[Reads, Reads], at: int) -> bool:
    """Whether a fall is no wrap: an uptime with its unit reads no more than the time since the read before, and less
    than had it counted on; any other counter had counted beyond that value before the cut, without going round there,
    or went round elsewhere."""
    known, reads = told
    unit = unit_ns(point) if point.name != rig.ready.alive else None
    if unit is not None and (one := counted_since(point, reads.part(at - 1, at), reads.part(at, at + 1))) is not None:
        since_ns = reads.late[at] - reads.early[at - 1]
        on = one.counted[0] - one.step <= one.most[0]
        return bool(reads.value[at] * unit <= since_ns + one.step and not on)
    pace, before = pace_of(point, known), float(reads.value[at - 1])
    if pace is None or not (pace.wrapped or known.value.max() > before) or takes_great_steps(point, known):
        return False
    missing, elapsed = pace.missing(reads, at - 1, at)
    fell_ns = -missing if pace.wrapped else (before - float(reads.value[at])) / pace.rate
    return fell_ns > (builder.still_ns(point.name) or STILL_NS) + elapsed


def _beat_on(rig: Rig, builder: TraceBuilder, cut: Bounds, reads: Reads, at: int) -> bool:
    """Whether the sign of life went on without a pause over the fall of a counter: of another one, or its own, where a
    word of it was torn for a moment."""
    alive = rig.ready.alive
    if alive is None or alive not in rig.points:
        return False
    still, seen = builder.still_ns(alive), builder.trace(alive).seen
    pace, last = pace_of(rig.points[alive], seen.until(cut.not_before_ns)), seen.last_until(int(reads.early[at - 1]))
    if still is None or pace is None or last is None:
        return False
    first = int(np.searchsorted(seen.late, int(reads.late[at]) + 5 * still // 2, side="left"))
    since = int(np.searchsorted(seen.late, seen.late[last] - BLIND_NS, side="left"))
    return first < len(seen) and any(pace.went_on(seen, one, first, still) for one in range(since, last + 1))
