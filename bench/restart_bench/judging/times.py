"""Ready in time, limits on marks, and gaps between first starts."""

from __future__ import annotations

from typing import Any

import numpy as np

from restart_bench.evidence.evidence import Evidence, Judged
from restart_bench.evidence.marks import ANYTHING, ready_conditions, ready_deadline, standstill
from restart_bench.evidence.reachability import FAILURES
from restart_bench.evidence.traces import Instants, Reads, conforming, long_gaps
from restart_bench.judging.proofs import Proofs, powered_since
from restart_bench.judging.states import first_on, window_verdict
from restart_bench.model.clock import BLIND_NS, Bounds
from restart_bench.model.samples import SampleKind
from restart_bench.model.scenario import Gap, MarkLimit
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.ways import way_of
from restart_bench.model.wording import shown, some, span_text, value_text

UNREADY_PAUSE_NS = 500_000_000
"""Longest pause between signs that the controller is not ready, beside `steady`: within it that is taken to last."""


def only_its_word(evidence: Evidence) -> str:
    """Why a controller is not blamed: whose word alone it is that the supply was back."""
    word = way_of(evidence.rig, evidence.scenario).word_of
    return f"nothing but {word} says that the supply was back (`proof_of_cut` with a value would)"


def _not_to_be_told(evidence: Evidence, proofs: Proofs) -> str:
    """Why nobody can say whether it was in time: by whose word alone the supply was back, or how wide it is read."""
    if proofs.back:
        return "the supply was read to be back, but not so finely when the controller was: read it more often (`poll:`)"
    return only_its_word(evidence)


def judge_ready(evidence: Evidence, proofs: Proofs) -> Judged:
    """Not ready in time: a fail where the supply is proven back at the controller, else inconclusive."""
    assert evidence.restored is not None
    ready, within = evidence.marks.get("ready"), evidence.rig.ready.within_ns
    if ready is not None:
        low, high = _since(ready, evidence.restored)
        figures: dict[str, Any] = {"delay_ns": [low, high]}
        verdict, why = window_verdict(low, high, 0, within)
        came = f"ready {span_text(low, high)} after {evidence.back}"
        if verdict is Verdict.PASS:
            return Judged(verdict, came, figures)
        if verdict is Verdict.INCONCLUSIVE and evidence.ready_in_time is not None:
            return Judged(verdict, f"{came}: {why}", figures)
        if verdict is Verdict.FAIL and evidence.late is not None and evidence.late.proven:
            return Judged(verdict, f"{came}: {why}", figures, ready.not_after_ns)
        late = _late(evidence, proofs, within)
        return Judged(
            late.verdict, f"{came}, later than {show_duration(within)}; {late.reason}", figures, late.proven_ns
        )
    deadline = ready_deadline(evidence.rig, evidence.restored).not_after_ns
    late = _late(evidence, proofs, within)
    text = f"not ready within {show_duration(within)} after {evidence.back}: {_why_not(evidence, deadline)}"
    return Judged(late.verdict, f"{text}; {late.reason}", {}, late.proven_ns)


def _since(bounds: Bounds, start: Bounds) -> tuple[int, int]:
    low, high = bounds.since(start)
    return max(0, low), high


def _late(evidence: Evidence, proofs: Proofs, limit_ns: int) -> Judged:
    """Whether it was seen, without a long pause, that the controller was not ready all the time that it had, counted
    from when its supply was proven to be back, and beyond."""
    assert evidence.restored is not None and evidence.begins is not None
    start = evidence.begins.not_after_ns
    silent = _only_silence(evidence)
    if silent and evidence.late is not None and evidence.late.was_ready:
        return Judged(Verdict.INCONCLUSIVE, f"but it may have been before, and {silent}")
    since = powered_since(evidence, proofs)
    if since is None or _might_be_in_time(evidence, since + limit_ns):
        return Judged(Verdict.INCONCLUSIVE, _not_to_be_told(evidence, proofs))
    deadline_ns = max(start, since) + limit_ns
    said = _said_not(evidence)
    signs = np.sort(_signs_against(evidence, said, start, by_silence=not silent))
    beyond = int(np.searchsorted(signs, deadline_ns, side="left"))
    edges = np.concatenate(([start], signs[: beyond + 1]))
    if beyond == len(signs) or _may_have_been_ready(evidence, edges, said):
        unseen = f"but the controller {silent}" if silent else "but the bench did not see all through that it was not"
        return Judged(Verdict.INCONCLUSIVE, unseen)
    back = "run mode was commanded" if evidence.scenario.how == "mode" else "its supply was back"
    return Judged(Verdict.FAIL, back, {}, deadline_ns)


def _may_have_been_ready(evidence: Evidence, signs: Instants, said: Instants) -> bool:
    """Whether it may have been ready between two signs against that: for longer than the bench may be blind; as long
    as it has to be, where its sign of life moved and then stood, and nothing it said from then on (`said`: when) was
    that it was not."""
    steady_ns, apart = evidence.rig.ready.steady_ns, np.diff(signs)
    alive = evidence.rig.ready.alive
    if bool((apart > UNREADY_PAUSE_NS + steady_ns).any()):
        return True
    if alive is None or "alive" not in evidence.marks:
        return False
    begin, end = int(signs[0]), int(signs[-1])
    reads = evidence.trace(alive).seen.inside(begin, end)
    moved = reads.early[1:][reads.value[1:] != reads.value[:-1]]
    ran = np.searchsorted(moved, signs[1:]) > np.searchsorted(moved, signs[:-1])
    last = max(said[said <= end].tolist(), default=begin)
    return bool((apart[ran & (signs[1:] > last)] > steady_ns).any())


def _said_not(evidence: Evidence) -> Instants:
    """When a read that counts said that a condition of `ready` was not met, or the controller answered an exception."""
    conditions = [(evidence.reads(name), wanted) for name, wanted in ready_conditions(evidence.rig)]
    found = [reads.early[~conforming(wanted, reads.value)] for reads, wanted in conditions if wanted is not ANYTHING]
    contact = evidence.contact
    if contact is not None:
        found.append(contact.sent[contact.of_kind((SampleKind.EXCEPTION,))])
    return np.concatenate(found) if found else np.empty(0, dtype=np.int64)


def _only_silence(evidence: Evidence) -> str:
    """What is said of a controller that only fell silent after the return: that may be the network's; "" otherwise."""
    late = evidence.late
    if late is None or late.proven:
        return ""
    return f"fell silent {evidence.moment(late.bounds.not_after_ns)}, as in a restart or where the network is lost"


def _might_be_in_time(evidence: Evidence, deadline_ns: int) -> bool:
    """True where the controller may have been ready by then: not later than asked if its supply came late."""
    ready = evidence.marks.get("ready")
    return ready is not None and ready.not_before_ns <= deadline_ns


def _signs_against(evidence: Evidence, said: Instants, start_ns: int, *, by_silence: bool) -> Instants:
    """Instants at which something showed that the controller was not ready: that it `said` so, no answer (`by_silence`:
    unless only that tells of a restart), a sign of life that stood still."""
    found = [said]
    contact = evidence.contact
    if contact is not None:
        kinds = [kind for kind in FAILURES if by_silence or kind is not SampleKind.SILENT]
        found.append(contact.sent[contact.of_kind(tuple(kinds))])
    alive = evidence.rig.ready.alive
    if alive is not None and alive in evidence.rig.points and evidence.restored is not None:
        found.append(standstill(evidence.trace(alive), evidence.cut, evidence.begins or evidence.restored))
    instants = np.concatenate(found)
    chosen: Instants = instants[instants >= start_ns]
    return chosen


def _why_not(evidence: Evidence, deadline_ns: int) -> str:
    """What the last reads before the deadline said."""
    assert evidence.restored is not None
    start = evidence.restored.not_before_ns
    if evidence.rig.controller is not None and "answered" not in evidence.marks:
        refused = "refused" in evidence.marks and "accepted" not in evidence.marks
        return f"{evidence.rig.controller.name} {'refused every connection' if refused else 'did not answer'}"
    values = []
    for name, _ in ready_conditions(evidence.rig):
        reads = evidence.reads(name).inside(start, deadline_ns)
        value = value_text(evidence.rig.points[name], float(reads.value[-1])) if len(reads) else "nothing that counts"
        values.append(f"{shown(evidence.rig, name)} read {value}")
    alive = evidence.rig.ready.alive
    if alive is not None and "alive" not in evidence.marks:
        values.append(f"{shown(evidence.rig, alive)} did not move")
    return some(values)


# ---------------------------------------------------------------- marks


def judge_mark(evidence: Evidence, one: MarkLimit, proofs: Proofs) -> Judged:
    """A limit on a mark, counted from the restored supply."""
    assert evidence.restored is not None
    bounds = evidence.marks.get(one.mark)
    limit = one.window.not_after_ns
    if bounds is not None:
        low, high = bounds.since(evidence.restored)
        if one.mark not in ("cut", "dark"):
            low = max(0, low)
        figures = {"delay_ns": [low, high]}
        came = f"{one.mark} {span_text(low, high)} after {evidence.back}"
        verdict, why = window_verdict(low, high, one.window.not_before_ns, limit)
        if verdict is Verdict.FAIL:
            since = powered_since(evidence, proofs)
            if limit is not None and low > limit and (since is None or bounds.not_before_ns <= since + limit):
                return Judged(Verdict.INCONCLUSIVE, f"{came}: {why}; {_not_to_be_told(evidence, proofs)}", figures)
            return Judged(verdict, f"{came}: {why}", figures, bounds.not_after_ns)
        if verdict is Verdict.PASS or one.mark != "ready" or limit is None:
            return Judged(verdict, f"{came}: {why}" if why else came, figures)
        late = _late(evidence, proofs, limit)
        if late.verdict is Verdict.FAIL:
            return Judged(
                late.verdict, f"{came}: not seen ready within {show_duration(limit)}", figures, late.proven_ns
            )
        return Judged(verdict, f"{came}: {why}; {late.reason}", figures)
    if one.mark == "ready" and limit is not None:
        late = _late(evidence, proofs, limit)
        deadline = evidence.restored.not_after_ns + limit
        text = f"not ready within {show_duration(limit)}: {_why_not(evidence, deadline)}; {late.reason}"
        return Judged(late.verdict, text, {}, late.proven_ns)
    return _mark_missing(evidence, one, proofs)


def _mark_missing(evidence: Evidence, one: MarkLimit, proofs: Proofs) -> Judged:
    """A mark that never came: a fail where the bench went on asking past the limit and the supply was back."""
    assert evidence.restored is not None
    limit = one.window.not_after_ns
    text = f"{one.mark} was not seen after {evidence.back}"
    contact = evidence.contact
    if limit is None or contact is None or one.mark in ("refused", "accepted", "dark", "cut"):
        return Judged(Verdict.INCONCLUSIVE, text)
    silent = _only_silence(evidence)
    if silent:
        return Judged(Verdict.INCONCLUSIVE, f"{text} again; the controller {silent}")
    start, since = evidence.restored.not_after_ns, powered_since(evidence, proofs)
    deadline = max(start, since or 0) + limit
    asked = Reads(contact.sent, contact.received, np.zeros(len(contact)))
    if long_gaps(asked, start, deadline, BLIND_NS + 1) or deadline > evidence.end_ns:
        return Judged(Verdict.INCONCLUSIVE, f"{text}, and the bench did not ask all through that time")
    if since is None:
        return Judged(Verdict.INCONCLUSIVE, f"{text}; {only_its_word(evidence)}")
    return Judged(Verdict.FAIL, f"{text} within {show_duration(limit)}", {}, deadline)


# ---------------------------------------------------------------- gaps


def judge_gap(evidence: Evidence, one: Gap) -> Judged:
    """Between the first changes to on of two points after the restored supply, in that order whatever the limits."""
    first, then = first_on(evidence, one.first_judged), first_on(evidence, one.then_judged)
    if first is None or then is None:
        return _gap_missing(evidence, one, first, then)
    low, high = then.since(first)
    first_named, then_named = shown(evidence.rig, one.first), shown(evidence.rig, one.then)
    order = f"{then_named} came on {span_text(low, high)} after {first_named}"
    verdict, why = window_verdict(low, high, one.at_least_ns or 0, one.at_most_ns)
    if high < 0:
        order = f"{then_named} came on {span_text(-high, -low)} before {first_named}"
        why = "the order is the other way round"
    elif verdict is Verdict.INCONCLUSIVE and low < 0 and not one.at_least_ns:
        why = "which of them came first can't be told"
    figures = {"gap_ns": [low, high]}
    proven = max(first.not_after_ns, then.not_after_ns)
    return Judged(verdict, f"{order}: {why}" if why else order, figures, proven if verdict is Verdict.FAIL else None)


def _gap_missing(evidence: Evidence, one: Gap, first: Bounds | None, then: Bounds | None) -> Judged:
    """One of the two did not come on: a fail where it was seen to stay off past the limit."""
    rig = evidence.rig
    if first is None and then is None:
        text = f"neither {shown(rig, one.first)} nor {shown(rig, one.then)} was seen to come on"
        return Judged(Verdict.INCONCLUSIVE, f"{text}, so there is no gap to measure")
    if first is None:
        assert then is not None
        text = f"{shown(rig, one.then)} came on while {shown(rig, one.first)} had not"
        if _seen_off(evidence, one.first_judged, then.not_after_ns):
            return Judged(Verdict.FAIL, text, {}, then.not_after_ns)
        return Judged(Verdict.INCONCLUSIVE, f"{shown(rig, one.first)} was not seen to come on; nothing to count from")
    text = f"{shown(rig, one.then)} did not come on after {shown(rig, one.first)}"
    if one.at_most_ns is not None:
        limit = first.not_after_ns + one.at_most_ns
        if limit <= min(evidence.watch_end_ns, evidence.end_ns) and _seen_off(evidence, one.then_judged, limit):
            return Judged(Verdict.FAIL, f"{text} within {show_duration(one.at_most_ns)}", {}, limit)
    return Judged(Verdict.INCONCLUSIVE, f"{text} in the watch, so there is no gap to measure")


def _seen_off(evidence: Evidence, judged: str, until_ns: int) -> bool:
    """True where every read from the return to an instant was off, without a blind gap of more than a second, and
    the point was still off after it."""
    assert evidence.restored is not None
    start = evidence.restored.not_after_ns
    reads = evidence.reads(judged)
    inside = reads.inside(start, until_ns)
    after = int(np.searchsorted(reads.early, until_ns, side="left"))
    still = after < len(reads) and reads.value[after] == 0.0
    return bool((inside.value == 0.0).all()) and still and not long_gaps(reads, start, until_ns, BLIND_NS + 1)
