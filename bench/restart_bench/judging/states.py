"""`is`: in the settled state, within a time, or during the cut.

A deviation is one read that counts and surely lies within the span; what lies between two reads is blind, and blind
gaps up to `blind:` (a second) are tolerated and listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from restart_bench.evidence.evidence import Evidence, Judged
from restart_bench.evidence.long_cycles import LISTED_NS
from restart_bench.evidence.marks import switching_of, unseen_ns
from restart_bench.evidence.restarts import LateRestart
from restart_bench.evidence.supply_off import off_time
from restart_bench.evidence.traces import Flags, Reads, conforming, long_gaps
from restart_bench.model.clock import BLIND_NS, Bounds
from restart_bench.model.scenario import Expectation
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import counted, should_text, shown, some, span_text, value_text, wanted_text

COVERED = 20
"""The part of a span that its first and last read have to embrace: one in so many."""


def judge_state(evidence: Evidence, demand: Expectation) -> Judged:
    """Judges an `is` of `during` or `after`; the cut and the return must have been commanded."""
    if demand.phase == "during":
        return _during(evidence, demand)
    return _settled(evidence, demand) if demand.window is None else _windowed(evidence, demand)


# ---------------------------------------------------------------- settled


def _settled(evidence: Evidence, demand: Expectation) -> Judged:
    """Unbroken from `ready` + `settle` to the end of the span."""
    start = evidence.settled_ns
    end, evidence_end = evidence.span_end(demand)
    known = evidence.reads(demand.judged).until(min(end, evidence_end))
    reads = known.inside(start, end)
    met = _met(evidence, demand, reads)
    if met is None:
        return _no_before(evidence, demand)
    broken = np.flatnonzero(~met)
    if len(broken):
        return _deviation(evidence, demand, reads, int(broken[0]), reads.number(met))
    gaps = long_gaps(known, start, end, demand.blind_ns + 1)
    if gaps or len(reads) == 0:
        return _blind(evidence, demand, gaps or [(start, end)])
    if not _covered(reads, start, end):
        return _too_few(evidence, demand, reads, start, end)
    return Judged(Verdict.PASS, _kept(evidence, demand, reads), _listed(evidence, known, start, end))


def _covered(reads: Reads, start: int, end: int, slack_ns: int = 0) -> bool:
    """Whether the first and the last read surely lie a twentieth of a span or more apart: what `blind:` tolerates may
    not be nearly all of a short span, and a single read never covers one."""
    seen = max(0, int(reads.early[-1] - reads.late[0])) if len(reads) else 0
    return COVERED * seen + slack_ns >= end - start


def _too_few(evidence: Evidence, demand: Expectation, reads: Reads, start: int, end: int) -> Judged:
    """One lucky read is not proof (rule 7), nor are a few at one end of the span."""
    gaps = long_gaps(reads, start, end, (end - start) // COVERED)
    longest = max(gaps, key=lambda gap: gap[1] - gap[0], default=(start, end))
    name = shown(evidence.rig, demand.point)
    too_few = f"{name}: {counted(reads.number(), 'read')} that {'counts' if reads.number() == 1 else 'count'}"
    reason = f"{too_few}, too few to show that it lasted: {evidence.gap_text(longest)}"
    figures = {"gaps": evidence.gaps_figure(gaps), "reads": reads.number()}
    return Judged(Verdict.INCONCLUSIVE, f"{reason}; {evidence.cure_of_gap(demand.judged, longest)}", figures)


def _met(evidence: Evidence, demand: Expectation, reads: Reads) -> Flags | None:
    """Which reads conform; None where there is no value before the cut to compare with."""
    try:
        return conforming(demand.wanted, reads.value, evidence.before(demand.judged))
    except ValueError:
        return None


def _no_before(evidence: Evidence, demand: Expectation) -> Judged:
    name = shown(evidence.rig, demand.point)
    reason = f"{name}: no value that counts was read before the cut, so there is nothing to compare with"
    return Judged(Verdict.INCONCLUSIVE, reason)


def should_be(evidence: Evidence, demand: Expectation) -> str:
    """What is demanded, in words behind a comma."""
    return should_text(evidence.rig.points[demand.judged], demand, evidence.before(demand.judged))


def _deviation(evidence: Evidence, demand: Expectation, reads: Reads, place: int, conforming_reads: int) -> Judged:
    """One read that counts and does not conform, wholly within the span."""
    name, point = shown(evidence.rig, demand.point), evidence.rig.points[demand.judged]
    value = value_text(point, float(reads.value[place]))
    when = evidence.moment(int(reads.late[place]))
    deviating = reads.number() - conforming_reads
    flaps = ", not unbroken" if conforming_reads else ""
    of = f"in {deviating} of {reads.number()} reads{flaps}"
    figures = {
        "found": float(reads.value[place]),
        "found_ns": evidence.since_restored(int(reads.early[place]), int(reads.late[place])),
        "deviating_reads": deviating,
        "reads": reads.number(),
    }
    reason = f"{name}: {value} at {when} ({of}), {should_be(evidence, demand)}"
    return Judged(Verdict.FAIL, reason, figures, int(reads.late[place]))


def _blind(evidence: Evidence, demand: Expectation, gaps: list[tuple[int, int]]) -> Judged:
    longest = max(gaps, key=lambda gap: gap[1] - gap[0])
    blind = some([evidence.gap_text(gap) for gap in gaps])
    reason = f"{shown(evidence.rig, demand.point)}: {blind}; {evidence.cure_of_gap(demand.judged, longest)}"
    return Judged(Verdict.INCONCLUSIVE, reason, {"gaps": evidence.gaps_figure(gaps)})


def _kept(evidence: Evidence, demand: Expectation, reads: Reads) -> str:
    name, point = shown(evidence.rig, demand.point), evidence.rig.points[demand.judged]
    return f"{name}: {value_text(point, float(reads.value[0]))} in all {reads.number()} reads of the span"


def _listed(evidence: Evidence, reads: Reads, start: int, end: int) -> dict[str, Any]:
    return {"gaps": evidence.gaps_figure(long_gaps(reads, start, end, LISTED_NS))}


# ---------------------------------------------------------------- within and between


@dataclass(frozen=True, eq=False)
class _Onset:
    """From when the point conforms: between two instants, seen by read number `place`."""

    bounds: Bounds
    place: int


def _windowed(evidence: Evidence, demand: Expectation) -> Judged:
    """From its first change to conforming on unbroken, and that change within the window (rules 6 and 7)."""
    start = _start_of(evidence, demand)
    if start is None:
        reason = f"{shown(evidence.rig, demand.start)} was not seen to come on after {evidence.back}"
        return Judged(Verdict.INCONCLUSIVE, f"{reason}, so there is nothing to count from")
    end, evidence_end = evidence.span_end(demand)
    known = evidence.reads(demand.judged).until(min(end, evidence_end))
    reads = known.inside(start.not_before_ns, end)
    met = _met(evidence, demand, reads)
    if met is None:
        return _no_before(evidence, demand)
    after = int(np.searchsorted(reads.early, start.not_after_ns, side="left"))
    if after == len(reads):
        return _blind(evidence, demand, [(start.not_after_ns, end)])
    told = (known, reads, met)
    judged = _from_first(evidence, demand, (start, end), told, after)
    late = _late_for(evidence, demand)
    if late is None or judged.verdict is not Verdict.FAIL or (judged.proven_ns or 0) < late.bounds.not_before_ns:
        return judged
    again = max(after, int(np.searchsorted(reads.early, late.bounds.not_after_ns, side="left")))
    if again == len(reads):
        return judged
    other = _from_first(evidence, demand, (start, end), told, again)
    if late.proven or other.verdict is Verdict.FAIL:
        return other
    reason = f"{judged.reason}; the controller fell silent meanwhile, and after a restart that would be no relapse"
    return Judged(Verdict.INCONCLUSIVE, reason)


def _late_for(evidence: Evidence, demand: Expectation) -> LateRestart | None:
    """The restart after the return, where it leaves behind what is asked for: off, as a controller's own reads say it.
    What they said before it is no evidence of the state after it (rule 3)."""
    own = not evidence.rig.is_independent(demand.judged)
    off = own and bool(conforming(demand.wanted, np.zeros(1), evidence.before(demand.judged))[0])
    return evidence.late if off else None


def _from_first(
    evidence: Evidence, demand: Expectation, span: tuple[Bounds, int], told: tuple[Reads, Reads, Flags], first: int
) -> Judged:
    """The same, where read number `first` is the first one that surely lies in the window, or after a restart in it."""
    _, reads, met = told
    carried = _carried_over(evidence, demand, int(reads.early[first])) if met[first] else True
    judged = _from_onset(evidence, demand, span, told, first, began=carried is False)
    if carried is not None:
        return judged
    other = _from_onset(evidence, demand, span, told, first, began=True)
    if other.verdict is judged.verdict:
        return judged
    reason = f"{shown(evidence.rig, demand.point)} was so in the first read after {evidence.back}: whether it had come"
    return Judged(Verdict.INCONCLUSIVE, f"{reason} to it then or was so before can't be told; {other.reason}")


def _from_onset(
    evidence: Evidence,
    demand: Expectation,
    span: tuple[Bounds, int],
    told: tuple[Reads, Reads, Flags],
    after: int,
    *,
    began: bool,
) -> Judged:
    """The same, going by whether what conforms in read number `after`, the first one that surely lies in the window,
    `began` there."""
    (start, end), (known, reads, met) = span, told
    missed = after + np.flatnonzero(~met[after:])
    onset = _onset(reads, met, start, (after, unseen_ns(evidence.rig, demand.judged)), missed[:0] if began else missed)
    if onset is None:
        return _never_came(evidence, demand, (start, end), reads, missed)
    relapses = missed[missed > onset.place]
    if len(relapses):
        judged = _deviation(evidence, demand, reads, int(relapses[0]), reads.number(met))
        came = evidence.event(onset.bounds.not_before_ns, onset.bounds.not_after_ns)
        text = f"{judged.reason}; it had come {came} and did not last"
        return Judged(Verdict.FAIL, text, judged.figures, judged.proven_ns)
    return _in_time(evidence, demand, (start, end), known, onset)


def _carried_over(evidence: Evidence, demand: Expectation, first_ns: int) -> bool | None:
    """True where the first read that surely lies in the window conforms without having come to: off is what no power
    leaves behind (not in a controller that rode through, nor where it went off after the return), and what was so
    before the cut may have outlived it without a break. None: not to be told."""
    assert evidence.cut is not None and evidence.restored is not None
    cut, back, before = evidence.cut, evidence.restored, evidence.before(demand.judged)
    known = evidence.reads(demand.judged)
    reads = known.part(0, int(np.searchsorted(known.early, first_ns, side="left")) + 1)
    others = np.flatnonzero(~conforming(demand.wanted, reads.value, before))
    last = int(others[-1]) if len(others) else -1  # the last read that did not conform
    late = _late_for(evidence, demand)
    if (
        late is not None
        and late.bounds.not_after_ns <= first_ns
        and (last < 0 or reads.early[last] <= late.bounds.not_before_ns)
    ):
        return True if late.proven else None
    own = not evidence.rig.is_independent(demand.judged)
    rode_through = evidence.scenario.how == "supply" and evidence.rode_through
    if bool(conforming(demand.wanted, np.zeros(1), before)[0]) and not (own and rode_through):
        if last < 0 or reads.late[last + 1] <= back.not_before_ns or (own and reads.late[last] <= cut.not_before_ns):
            return True
        return False if reads.early[last] >= back.not_after_ns else None
    if before is None or last >= (reads.last_until(cut.not_before_ns) or 0):
        return False
    outlived = evidence.outlived(demand.judged)
    return None if outlived and _may_have_dropped(evidence, reads, first_ns) else outlived


def _may_have_dropped(evidence: Evidence, reads: Reads, until_ns: int) -> bool:
    """True where a gap between the cut and an instant is as long as the supply was off: what was on before it may have
    gone off with the supply and come on with it."""
    assert evidence.cut is not None and evidence.restored is not None
    least_off_ns, _ = off_time(evidence.cut, evidence.restored)
    return bool(long_gaps(reads, evidence.cut.not_before_ns, until_ns, least_off_ns))


def _start_of(evidence: Evidence, demand: Expectation) -> Bounds | None:
    """The mark or event that a window counts from."""
    assert evidence.restored is not None
    if demand.start == "restored":
        return evidence.restored
    if demand.start == "ready":
        return evidence.marks.get("ready")
    return first_on(evidence, evidence.rig.judged_point(demand.start))


def first_on(evidence: Evidence, judged: str) -> Bounds | None:
    """First change to on after the restored supply; None where it was not seen, or the point was on all along. Where it
    may have gone off with the supply and come on with it unseen, it lies anywhere from there to the next one."""
    assert evidence.restored is not None and evidence.cut is not None
    reads = evidence.reads(judged).until(evidence.watch_end_ns)
    # A read that is under way at the earliest bound of the return may show what came with it.
    low = int(np.searchsorted(reads.late, evidence.restored.not_before_ns, side="right"))
    if low == len(reads):
        return None
    floor, on = evidence.restored.not_before_ns, reads.value[low:] == 1.0
    came = Bounds(min(floor, int(reads.late[low])), int(reads.late[low]))
    outlived = evidence.outlived(judged)
    was_on = low > 0 and reads.value[low - 1] == 1.0 and outlived is not False
    if on[0] and not was_on:
        return came
    unseen = bool(on[0]) and (outlived is None or _may_have_dropped(evidence, reads, int(reads.early[low])))
    rises = np.flatnonzero(on[1:] & ~on[:-1])
    if len(rises) == 0:
        return None
    place = low + int(rises[0])
    # An earlier first change may hide where nothing was read for longer than a second, and in what is less while it
    # was on as before: it may have gone off and come on again there.
    independent = evidence.rig.is_independent(judged)
    since = floor if independent else int(reads.late[low])
    hiding = long_gaps(reads, since, int(reads.early[place]), BLIND_NS + 1)
    if on[0]:
        stayed_ns = int(reads.early[low + int(np.argmin(on))])
        unread = long_gaps(reads, evidence.cut.not_before_ns, stayed_ns, unseen_ns(evidence.rig, judged))
        hiding += [gap for gap in unread if gap[1] > since]
    not_before = min(gap[0] for gap in hiding) if hiding else int(reads.early[place])
    return Bounds(came.not_before_ns if unseen else max(floor, not_before), int(reads.late[place + 1]))


def _onset(
    reads: Reads, met: Flags, start: Bounds, first: tuple[int, int], missed: np.ndarray[Any, np.dtype[np.intp]]
) -> _Onset | None:
    """The first change to conforming after the first of the reads that missed; where none did, from when it has
    conformed. Where it did so before the `first` read that surely lies in the window, but was not read for so long
    in between that it may have gone and come again, and the window begins there as well, it may have come in that."""
    after, unseen = first
    if len(missed):
        later = np.flatnonzero(met[int(missed[0]) :])
        if len(later) == 0:
            return None
        place = int(missed[0]) + int(later[0])
    else:
        others = np.flatnonzero(~met[:after])
        place = int(others[-1]) + 1 if len(others) else 0
    late = int(reads.late[place])
    early = int(reads.early[place - 1]) if place else start.not_before_ns
    hiding = long_gaps(reads, late, int(reads.early[after]), unseen)
    late = hiding[-1][1] if hiding else late
    return _Onset(Bounds(min(early, late), late), place)


def _never_came(
    evidence: Evidence,
    demand: Expectation,
    span: tuple[Bounds, int],
    reads: Reads,
    missed: np.ndarray[Any, np.dtype[np.intp]],
) -> Judged:
    """No read after the first deviating one conforms: a fail where it was seen to deviate after the limit."""
    assert demand.window is not None
    start, end = span
    name, point = shown(evidence.rig, demand.point), evidence.rig.points[demand.judged]
    limit = demand.window.not_after_ns
    value = value_text(point, float(reads.value[int(missed[-1])]))
    deadline = None if limit is None else start.not_after_ns + limit
    late = missed if deadline is None else missed[reads.early[missed] >= deadline]
    if len(late) and (deadline is not None or reads.early[-1] >= end - demand.blind_ns):
        by = "" if limit is None else f" within {show_duration(limit)}"
        place = int(late[0])
        when = evidence.moment(int(reads.late[place]))
        reason = f"{name}: still {value} at {when}, {should_be(evidence, demand)}{by}"
        figures = {
            "found": float(reads.value[place]),
            "found_ns": evidence.since_restored(int(reads.early[place]), int(reads.late[place])),
        }
        return Judged(Verdict.FAIL, reason, figures, int(reads.late[place]))
    gap = (int(reads.early[-1]), max(end if deadline is None else deadline, int(reads.late[-1])))
    return _blind(evidence, demand, [gap])


def _in_time(evidence: Evidence, demand: Expectation, span: tuple[Bounds, int], reads: Reads, onset: _Onset) -> Judged:
    """Whether the onset lies in the window: surely, surely not, or not to be told (rule 6)."""
    start, end = span
    assert demand.window is not None
    low, high = onset.bounds.since(start)
    low = max(0, low)
    name = shown(evidence.rig, demand.point)
    since = {"restored": evidence.back, "ready": "ready"}.get(
        demand.start, f"{shown(evidence.rig, demand.start)} came on"
    )
    came = (
        f"{name}: {wanted_text(evidence.rig.points[demand.judged], demand.wanted)} {span_text(low, high)} after {since}"
    )
    figures: dict[str, Any] = {"onset_ns": [low, high]}
    if demand.start == "restored":
        figures["delay_ns"] = [low, high]
    verdict, why = window_verdict(low, high, demand.window.not_before_ns, demand.window.not_after_ns)
    if verdict is Verdict.FAIL:
        return Judged(verdict, f"{came}: {why}", figures, onset.bounds.not_after_ns)
    if verdict is Verdict.INCONCLUSIVE:
        return Judged(verdict, f"{came}: {why}; {evidence.cure(demand.judged, high - low)}", figures)
    gaps = long_gaps(reads, onset.bounds.not_after_ns, end, demand.blind_ns + 1)
    if demand.window.not_before_ns > 0:
        gaps += long_gaps(reads, start.not_after_ns, onset.bounds.not_before_ns, demand.blind_ns + 1)
    if gaps:
        blind = _blind(evidence, demand, gaps)
        return Judged(blind.verdict, blind.reason, {**figures, **blind.figures})
    later = reads.inside(onset.bounds.not_before_ns, end)
    if not _covered(later, onset.bounds.not_after_ns, end, _few_polls(evidence, demand)):
        few = _too_few(evidence, demand, later, onset.bounds.not_after_ns, end)
        return Judged(few.verdict, few.reason, {**figures, **few.figures})
    listed = _listed(evidence, reads, onset.bounds.not_after_ns, end)
    return Judged(Verdict.PASS, f"{came}, unbroken to the end of the span", {**figures, **listed})


def _few_polls(evidence: Evidence, demand: Expectation) -> int:
    """So long a span may pass without a read that lies wholly in it."""
    return 4 * evidence.rig.devices[evidence.rig.points[demand.judged].device].poll_ns


def window_verdict(low_ns: int, high_ns: int, not_before_ns: int, not_after_ns: int | None) -> tuple[Verdict, str]:
    """Rule 6: surely met if the latest end meets a limit, surely broken if the earliest end breaks it."""
    if not_after_ns is not None and low_ns > not_after_ns:
        return Verdict.FAIL, f"later than {show_duration(not_after_ns)}"
    if high_ns < not_before_ns:
        return Verdict.FAIL, f"earlier than {show_duration(not_before_ns)}"
    if not_after_ns is not None and high_ns > not_after_ns:
        return Verdict.INCONCLUSIVE, f"the limit of {show_duration(not_after_ns)} lies within these bounds"
    if low_ns < not_before_ns:
        return Verdict.INCONCLUSIVE, f"the limit of {show_duration(not_before_ns)} lies within these bounds"
    return Verdict.PASS, ""


# ---------------------------------------------------------------- during the cut


def _during(evidence: Evidence, demand: Expectation) -> Judged:
    """Has to come true between `dark` and the command back, and then to last to that command. What comes or goes where
    the supply was back before its command is neither a pass nor a fail of the time in the dark."""
    assert evidence.restored is not None
    judged = _during_until(evidence, demand, evidence.restored.not_before_ns)
    command = switching_of(evidence.records, "restore")
    if command is None or evidence.restored.not_after_ns >= command.before_ns:
        return judged
    later = _during_until(evidence, demand, command.before_ns)
    if later.verdict is judged.verdict:
        return judged
    reason = f"{judged.reason}; but the supply was back before its command, and up to that: {later.reason}"
    return Judged(Verdict.INCONCLUSIVE, reason, judged.figures)


def _during_until(evidence: Evidence, demand: Expectation, end: int) -> Judged:
    """The same up to an instant."""
    assert evidence.cut is not None
    dark = evidence.marks.get("dark", evidence.cut).not_after_ns
    start = dark if dark < end else evidence.cut.not_after_ns
    known = evidence.reads(demand.judged).until(end)
    reads = known.inside(start, end)
    met = _met(evidence, demand, reads)
    if met is None:
        return _no_before(evidence, demand)
    if len(reads) == 0:
        return _blind(evidence, demand, [(start, max(start, end))])
    missed, held = np.flatnonzero(~met), np.flatnonzero(met)
    name, point = shown(evidence.rig, demand.point), evidence.rig.points[demand.judged]
    if len(held) == 0:
        # A gap of more than a few polls could hide that it came true.
        poll = evidence.rig.devices[point.device].poll_ns
        gaps = long_gaps(known, start, end, max(LISTED_NS, 4 * poll))
        if gaps:
            return _blind(evidence, demand, gaps)
        value = value_text(point, float(reads.value[-1]))
        reason = f"{name}: {value} all through the cut, {should_be(evidence, demand)} before {evidence.back}"
        return Judged(Verdict.FAIL, reason, {}, int(reads.late[-1]))
    relapses = missed[missed > held[0]]
    if len(relapses):
        return _deviation(evidence, demand, reads, int(relapses[0]), reads.number(met))
    onset = int(reads.late[held[0]])
    gaps = long_gaps(known, onset, end, demand.blind_ns + 1)
    if gaps:
        return _blind(evidence, demand, gaps)
    place = int(held[0])
    later = reads.part(place, len(reads))
    if not _covered(later, onset, end, _few_polls(evidence, demand)):
        return _too_few(evidence, demand, later, onset, end)
    early = int(reads.early[place - 1]) if place else evidence.cut.not_before_ns
    low, high = early - evidence.cut.not_after_ns, int(reads.late[place]) - evidence.cut.not_before_ns
    reason = f"{name}: {value_text(point, float(reads.value[place]))} {span_text(max(0, low), high)} after the cut"
    return Judged(Verdict.PASS, f"{reason}, to the command back", {"since_cut_ns": [max(0, low), high]})
