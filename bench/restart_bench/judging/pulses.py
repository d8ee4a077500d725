"""`never`, `stays` and `returns: never`: was the point ever in a state that it must not be in, and for how long.

A row of reads in that state is one pulse. It lasted at least from its first read to its last, at most from the read
before to the read after. Where two reads of a row lie `longer_than` or more apart, what was between is blind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from restart_bench.evidence.evidence import Evidence, Judged
from restart_bench.evidence.traces import Flags, Reads, conforming, long_gaps, longest_gap_ns
from restart_bench.judging.states import should_be
from restart_bench.model.clock import Bounds
from restart_bench.model.scenario import Expectation, ExpectationKind
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import shown, some, span_text, value_text


@dataclass(frozen=True, slots=True)
class Pulse:
    """A row of deviating reads from number `low` to before `high`, begun between two instants: it lasted
    `least_ns`..`most_ns`; what surely lasted (it may have been broken in a gap) was wholly seen by `seen_by_ns`."""

    low: int
    high: int
    least_ns: int
    most_ns: int
    begun_ns: tuple[int, int]
    seen_by_ns: int


def judge_pulses(evidence: Evidence, demand: Expectation) -> Judged:
    """Judges a `never`, a `stays` or a `returns: never`."""
    before = evidence.before(demand.judged)
    try:
        span = _span(evidence, demand, before)
    except ValueError:
        text = f"no value of {shown(evidence.rig, demand.judged)} that counts was read before the cut"
        return Judged(Verdict.INCONCLUSIVE, f"{text}, so there is nothing to compare with")
    conformed = before is not None and not _deviating(demand, np.array([before]), before)[0]
    if span.from_cut and len(span.reads) and conformed:
        return _judge_from(evidence, demand, span, 0)  # nothing has to change first, so the cut itself begins the span
    begin = _begin(span)
    if begin is None:
        return _none_conforms(evidence, demand, span)
    return _judge_from(evidence, demand, span, begin)


@dataclass(frozen=True, eq=False)
class _Span:
    """Reads of the span, which of them deviate, where it begins and ends. `from_cut`: it is counted from the cut, at
    the latest from `back`, where the supply is surely back (None: it may deviate for as long as it likes).
    `known`: all reads up to its end, those before it included."""

    known: Reads
    reads: Reads
    deviates: Flags
    start_ns: int
    end_ns: int
    from_cut: bool
    back: Bounds | None

    @property
    def still_ns(self) -> tuple[int, int] | None:
        """How long it went on to deviate after the cut: least and most; None where the first read conforms, or none
        does, or the cut does not begin the span."""
        first = np.flatnonzero(~self.deviates)
        if not self.from_cut or self.back is None or len(first) == 0 or first[0] == 0:
            return None
        place = int(first[0])
        return max(0, int(self.reads.early[place - 1]) - self.start_ns), int(self.reads.late[place]) - self.start_ns


def _begin(span: _Span) -> int | None:
    """The read that counting begins with: the first that conforms, at the latest the first one after the supply is
    surely back; None: there is neither."""
    conforming_reads = np.flatnonzero(~span.deviates)
    begin = int(conforming_reads[0]) if len(conforming_reads) else len(span.reads)
    if span.from_cut and span.back is not None:
        begin = min(begin, int(np.searchsorted(span.reads.early, span.back.not_after_ns, side="left")))
    return begin if begin < len(span.reads) else None


def _span(evidence: Evidence, demand: Expectation, before: float | None) -> _Span:
    """`never` and `stays` count after the cut where off conforms or nothing restarts, else after the return."""
    assert evidence.cut is not None and evidence.restored is not None
    rests = evidence.scenario.how == "supply" and evidence.scenario.restart == "none"
    off_conforms = not bool(_deviating(demand, np.zeros(1), before)[0])
    from_cut = off_conforms or rests
    start = evidence.cut.not_before_ns if from_cut else evidence.restored.not_before_ns
    end, evidence_end = evidence.span_end(demand)
    known = evidence.reads(demand.judged).until(min(end, evidence_end))
    reads = known.inside(start, end)
    back = None if demand.kind is ExpectationKind.RETURNS else evidence.restored
    return _Span(known, reads, _deviating(demand, reads.value, before), start, end, from_cut, back)


def _deviating(demand: Expectation, value: np.ndarray[tuple[int], np.dtype[np.float64]], before: float | None) -> Flags:
    met = conforming(demand.wanted, value, before)
    return met if demand.kind.facts.forbids else ~met


def _none_conforms(evidence: Evidence, demand: Expectation, span: _Span) -> Judged:
    """No read conforms: a fail where the state lasted after the return, a pass for a `returns` that stayed on."""
    name = shown(evidence.rig, demand.point)
    if len(span.reads) == 0:
        gap = (span.start_ns, span.end_ns)
        return _blind(evidence, demand, [gap], f"{name}: not read")
    if demand.kind is ExpectationKind.RETURNS:
        return _judge_from(evidence, demand, span, 0, stayed=True)
    assert evidence.restored is not None
    after = span.reads.inside(evidence.restored.not_before_ns, span.end_ns)
    limit = demand.longer_than_ns
    if len(after):
        # What conforms may hide in a gap; whether it did or nothing ever came, what follows the last one deviates.
        gaps = long_gaps(span.known, int(after.late[0]), span.end_ns, limit)
        last = after.part(int(np.searchsorted(after.late, gaps[-1][1], side="left")) if gaps else 0, len(after))
        for pulse in _pulses(last, np.ones(len(last), dtype=bool), limit, span.end_ns, span.start_ns):
            if pulse.least_ns >= limit:
                return _never_conformed(evidence, demand, last, pulse)
    gap = (int(span.reads.late[-1]), span.end_ns)
    return _blind(evidence, demand, [gap], f"{name}: no read that conforms, and too few to show that there was none")


def _never_conformed(evidence: Evidence, demand: Expectation, last: Reads, pulse: Pulse) -> Judged:
    """A fail: none of the last reads conforms, and they were read without a gap for long enough."""
    value = value_text(evidence.rig.points[demand.judged], float(last.value[pulse.low]))
    least = span_text(pulse.least_ns, pulse.least_ns)
    lasted = f"{value} in every read after {evidence.back}, for {least} or longer"
    reason = f"{shown(evidence.rig, demand.point)}: {lasted}; {should_be(evidence, demand)}"
    return Judged(Verdict.FAIL, reason, {"on_for_ns": [pulse.least_ns, pulse.most_ns]}, pulse.seen_by_ns)


def _judge_from(evidence: Evidence, demand: Expectation, span: _Span, first: int, *, stayed: bool = False) -> Judged:
    """Judges the reads from the first conforming one on. `stayed`: none was off, so only gaps can hide a return."""
    tail = span.reads.part(first, len(span.reads))
    limit = demand.longer_than_ns
    deviates = np.zeros(len(tail), dtype=bool) if stayed else span.deviates[first:]
    # What was not over when the supply was surely back is counted from its return.
    energised = span.from_cut and first > 0 and bool(span.deviates[first])
    begun_ns = span.back.not_before_ns if energised and span.back is not None else span.start_ns
    pulses = list(_pulses(tail, deviates, limit, span.end_ns, begun_ns))
    proven = [pulse for pulse in pulses if pulse.least_ns >= limit]
    whole = [pulse for pulse in proven if not _may_be_broken(tail, pulses, pulse, limit)]
    if whole:
        return _fail(evidence, demand, tail, whole, energised=energised)
    if proven:
        return _chatters(evidence, demand, tail, proven)
    doubtful = [pulse for pulse in pulses if pulse.most_ns >= limit]
    if doubtful:
        return _doubt(evidence, demand, tail, doubtful)
    start = span.start_ns if span.from_cut else int(tail.early[0])
    gaps = long_gaps(span.known, start, span.end_ns, limit)
    if gaps:
        return _blind(evidence, demand, gaps, f"{shown(evidence.rig, demand.point)}: {demand.text}")
    return _pass(evidence, demand, span, pulses, (start, int(tail.early[0])))


def _pulses(reads: Reads, deviates: Flags, limit_ns: int, end_ns: int, start_ns: int) -> Iterator[Pulse]:
    """Rows of deviating reads. Where two of a row lie `limit_ns` or more apart it may have been two pulses: it surely
    lasted only as long as the longest part without such a gap, and at most as long as the whole row."""
    if not bool(deviates.any()):
        return
    edges = np.flatnonzero(np.diff(np.concatenate(([0], deviates.astype(np.int8), [0]))))
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        apart = reads.late[low + 1 : high] - reads.early[low : high - 1] >= limit_ns
        cuts = (low + 1 + np.flatnonzero(apart)).tolist()
        parts = list(pairwise([low, *cuts, high]))
        lasted = [max(0, int(reads.early[last - 1] - reads.late[first])) for first, last in parts]
        last = parts[int(np.argmax(lasted))][1]
        not_before = int(reads.early[low - 1]) if low else start_ns
        not_after = int(reads.late[high]) if high < len(reads) else end_ns
        seen = int(reads.late[low])
        yield Pulse(
            low,
            high,
            max(lasted),
            not_after - not_before,
            (min(not_before, seen), seen),
            int(reads.late[last - 1]),
        )


def _may_be_broken(reads: Reads, pulses: list[Pulse], pulse: Pulse, limit_ns: int) -> bool:
    """Whether an output chatters about a row: beside it are as many breaks shorter than two of its reads lie apart as
    would have to hide in it, unread, so that no part of it was as long as the limit."""
    gap_ns = _widest_ns(reads, pulse)
    place = pulses.index(pulse)
    short = [
        int(reads.early[after.low - 1] - reads.late[before.high]) < gap_ns for before, after in pairwise(pulses)
    ]  # a break that was read once or twice, between one row and the next
    breaks = 0
    for side in (short[place:], short[:place][::-1]):
        breaks += side.index(False) if False in side else len(side)
    return 0 < pulse.least_ns // max(1, limit_ns) <= breaks


def _widest_ns(reads: Reads, pulse: Pulse) -> int:
    """How far apart two neighbouring reads of a row lie at most."""
    row = slice(pulse.low, pulse.high)
    return int((reads.late[row][1:] - reads.early[row][:-1]).max(initial=0))


def _chatters(evidence: Evidence, demand: Expectation, reads: Reads, pulses: list[Pulse]) -> Judged:
    """Rows that are as long as the limit, of an output that changes faster than it is read beside them."""
    first = pulses[0]
    value = value_text(evidence.rig.points[demand.judged], float(reads.value[first.low]))
    gap_ns = _widest_ns(reads, first)
    apart = span_text(gap_ns, gap_ns)
    reason = (
        f"{shown(evidence.rig, demand.point)}: {value} in each of {first.high - first.low} reads over "
        f"{span_text(first.least_ns, first.most_ns)}, {evidence.event(*first.begun_ns)}, but it chatters: beside that "
        f"it changed and changed back within the {apart} that two reads lie apart, and may have done so unread; "
        f"{evidence.cure(demand.judged, gap_ns)}"
    )
    return Judged(Verdict.INCONCLUSIVE, reason, _figures(evidence, pulses))


def _figures(evidence: Evidence, pulses: list[Pulse]) -> dict[str, Any]:
    """The first of the pulses, and how many there were."""
    first = pulses[0]
    return {
        "on_for_ns": [first.least_ns, first.most_ns],
        "begun_ns": evidence.since_restored(*first.begun_ns),
        "pulses": len(pulses),
    }


def _fail(evidence: Evidence, demand: Expectation, reads: Reads, pulses: list[Pulse], *, energised: bool) -> Judged:
    point = evidence.rig.points[demand.judged]
    texts = []
    for pulse in pulses[:3]:
        value = value_text(point, float(reads.value[pulse.low]))
        lasted = span_text(pulse.least_ns, pulse.most_ns)
        if energised and pulse.low == 0:
            texts.append(f"still {value} when {evidence.back}, for {lasted} more")
        else:
            texts.append(f"{value} for {lasted}, {evidence.event(*pulse.begun_ns)}")
    more = f" (and {len(pulses) - 3} more)" if len(pulses) > 3 else ""
    name = shown(evidence.rig, demand.point)
    reason = f"{name}: {'; '.join(texts)}{more}; {should_be(evidence, demand)}"
    return Judged(Verdict.FAIL, reason, _figures(evidence, pulses), pulses[0].seen_by_ns)


def _doubt(evidence: Evidence, demand: Expectation, reads: Reads, pulses: list[Pulse]) -> Judged:
    """A pulse whose length may or may not reach the limit (rule 6)."""
    point = evidence.rig.points[demand.judged]
    first = pulses[0]
    value = value_text(point, float(reads.value[first.low]))
    lasted = span_text(first.least_ns, first.most_ns)
    name = shown(evidence.rig, demand.point)
    cure = evidence.cure(demand.judged, first.most_ns - first.least_ns)
    reason = (
        f"{name}: {value} for {lasted}, {evidence.event(*first.begun_ns)}; the limit of "
        f"{show_duration(demand.longer_than_ns)} lies within these bounds; {cure}"
    )
    return Judged(Verdict.INCONCLUSIVE, reason, _figures(evidence, pulses))


def _blind(evidence: Evidence, demand: Expectation, gaps: list[tuple[int, int]], head: str) -> Judged:
    """A gap in which such a pulse could hide (rule 5)."""
    gaps = [gap for gap in gaps if gap[1] > gap[0]] or gaps
    longest = max(gaps, key=lambda gap: gap[1] - gap[0])
    cure = evidence.cure_of_gap(demand.judged, longest)
    blind = some([evidence.gap_text(gap) for gap in gaps])
    figures = {
        "gaps": evidence.gaps_figure(gaps),
        "shortest_excluded_ns": longest[1] - longest[0],
    }
    return Judged(Verdict.INCONCLUSIVE, f"{head}: {blind}; {cure}", figures)


def _pass(
    evidence: Evidence, demand: Expectation, span: _Span, pulses: list[Pulse], counted: tuple[int, int]
) -> Judged:
    """All of the span was seen; says how short a pulse would have been seen, and which shorter ones were."""
    start, first = counted
    device = evidence.rig.devices[evidence.rig.points[demand.judged].device]
    excluded = longest_gap_ns(span.known, start, span.end_ns)
    name = shown(evidence.rig, demand.point)
    reason = f"{name}: {demand.text}; any pulse of {span_text(excluded, excluded)} or longer would have been seen"
    longest = max(pulses, key=lambda pulse: pulse.most_ns, default=None)
    if longest is not None:
        lasted = span_text(longest.least_ns, longest.most_ns)
        reason += f"; {len(pulses)} shorter ones were, the longest {lasted}"
    if not span.from_cut:
        reason += f"; counted from {evidence.moment(first)}"
    still = span.still_ns
    if still is not None and still[1] >= demand.longer_than_ns:
        value = value_text(evidence.rig.points[demand.judged], float(span.reads.value[0]))
        reason += f"; it was still {value} for {span_text(*still)} after the cut"
    figures = {
        "shortest_excluded_ns": excluded,
        "longest_gap_ns": max(0, excluded - device.input_delay_ns),
        "pulses": len(pulses),
        "on_for_ns": None if longest is None else [longest.least_ns, longest.most_ns],
        "counted_from_ns": evidence.since_restored(first, first),
        "still_ns": None if still is None else list(still),
    }
    return Judged(Verdict.PASS, reason, figures)
