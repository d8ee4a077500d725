"""What is worth knowing of a cycle but judges nothing: a supply that moved later or earlier than declared, a controller
that fell silent again. What coincides is reported as coinciding (rule 12)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from restart_bench.evidence.evidence import Evidence
from restart_bench.evidence.marks import as_the_rail_was_read, cut_of, restored_of, switching_of
from restart_bench.evidence.reachability import FAILURES
from restart_bench.evidence.restarts import unit_ns
from restart_bench.evidence.traces import Reads, conforming
from restart_bench.model.clock import FAR_NS, NS_PER_S, Bounds
from restart_bench.model.journal import OutputSeen
from restart_bench.model.ways import BY_HAND, way_named
from restart_bench.model.wording import at_most, listed, rate_text, shown, span_text, value_text

_STEADY_NS = NS_PER_S // 2


def supply_notes(evidence: Evidence) -> Iterator[str]:
    """A loss or a return that a supply proof saw surely later than command and data sheet say, or a return before its
    command."""
    supply, records = evidence.rig.supply, evidence.records
    if evidence.answered_on:
        yield f"the controller {evidence.answered_on}, so all times are as wide as that; switch first, then answer"
    if supply is None or evidence.scenario.how != "supply":
        return
    if unread := supply_unread(evidence):
        yield f"{listed(unread)} gave no value from the cut on, so nothing read the supply: look at the address"
    way = way_named(evidence.rig, [evidence.scenario], evidence.scenario.name, records.started.case)
    cut, restored = cut_of(evidence.rig, records), restored_of(evidence.rig, records)
    if cut is None:
        return
    read = as_the_rail_was_read(evidence.rig, evidence.builder, records, (cut, restored))
    moves = (
        ("cut", way.fell, cut, read[0], supply.opening_ns),
        ("restore", "came back", restored, read[1], supply.closing_ns),
    )
    for purpose, word, declared, seen, delay in moves:
        command = switching_of(records, purpose)
        if command is None or seen is None or declared is None or seen == declared:
            continue
        if seen.not_after_ns < command.before_ns:
            early = span_text(command.before_ns - seen.not_after_ns, command.after_ns - seen.not_before_ns)
            yield (
                f"{way.what} {word} by itself {early} {way.before}; what was seen is counted from; look for a "
                f"second feed{'' if way is BY_HAND else ', and at a time-out of the relay'}"
            )
            continue
        if seen.not_before_ns <= declared.not_after_ns:
            continue  # that it moved later is one way to read it, not what was seen
        late = span_text(seen.not_before_ns - command.after_ns, seen.not_after_ns - command.before_ns)
        said = "" if way is BY_HAND else f", the rig file says {at_most(delay + supply.bounce_ns)} at most"
        yield (
            f"by what was read {way.what} {word} {late} {way.after}{said}: it moved late ({way.look}), or the I/O "
            "answers from an old copy; so all times count from anywhere between the two"
        )
    yield from _bounced_long(evidence, restored)


def supply_unread(evidence: Evidence) -> list[str]:
    """The proofs that are to read the supply, where none of them gave a value from the cut to the end of the watch."""
    if evidence.cut is None or evidence.restored is None or evidence.scenario.how != "supply":
        return []
    names = evidence.rig.supply_points
    start, end = evidence.cut.not_before_ns, evidence.watch_end_ns
    read = any(len(evidence.reads(name).inside(start, end)) for name in names)
    return [] if read else [shown(evidence.rig, name) for name in names]


def _bounced_long(evidence: Evidence, restored: Bounds | None) -> Iterator[str]:
    """A contact that was read to open again after it had closed, later than its data sheet says."""
    supply = evidence.rig.supply
    if supply is None or restored is None or evidence.restored is None:
        return
    for proof in evidence.rig.proof_of_cut:
        if not proof.of_supply or proof.point is None or proof.wanted is None:
            continue
        reads = evidence.reads(proof.point).inside(restored.not_before_ns, evidence.settled_ns)
        off = conforming(proof.wanted, reads.value)
        again = np.flatnonzero(off[1:] & ~off[:-1]) + 1
        if len(again) and reads.early[again[-1]] > restored.not_after_ns:
            after = span_text(
                int(reads.early[again[-1]]) - restored.not_after_ns, int(reads.late[again[-1]]) - restored.not_before_ns
            )
            yield (
                f"{shown(evidence.rig, proof.point)} was read off again after it had read on, last {after} after the "
                f"supply was back by its command: its contact bounces longer than the rig file says "
                f"({at_most(supply.bounce_ns)}), or is worn; all times from the return are as wide as that"
            )


def restarted_late(evidence: Evidence) -> Iterator[str]:
    """The controller had answered after the return, and was lost later."""
    late, controller = evidence.late, evidence.rig.controller
    if late is None:
        return
    name = controller.name if controller is not None else "the controller"
    when = evidence.event(late.bounds.not_before_ns, late.bounds.not_after_ns)
    from_there = "ready, the settled state and the watch count from there"
    if evidence.fate.lost is True and not evidence.fate.late:
        word = "restarted" if late.proven else "fell silent"
        why = "a second loss of its supply, a second restart or a lost network look like that"
        yield f"{name} {word} again {when}, after it had answered: {why}; {from_there}"
        return
    word = "restarted" if late.proven else "fell silent, as in a restart,"
    yield f"{name} rode through the return and {word} {when}; {from_there}"


def restarted_often(evidence: Evidence) -> Iterator[str]:
    """A counter of starts rose by more than the one restart of the cut."""
    for proof in evidence.rig.proof_of_cut:
        if proof.kind != "rises" or proof.point is None or evidence.restored is None:
            continue
        before = evidence.before(proof.point)
        seen = evidence.trace(proof.point).seen.inside(evidence.restored.not_before_ns, evidence.end_ns)
        if before is None or len(seen) == 0 or (rose := float(seen.value[-1]) - before) < 2:
            continue
        yield (
            f"{shown(evidence.rig, proof.point)} rose by {rose:g} from the cut to the end of the cycle: if it counts "
            f"starts, the controller restarted {rose:g} times; all marks count from the last restart that was seen"
        )


def wrong_rates(evidence: Evidence) -> Iterator[str]:
    """A time that did not rise a second a second before the cut: how long ago it began tells no restart from a wrap
    then. Taken from change to change, as one in whole seconds jumps."""
    if evidence.cut is None or evidence.scenario.how != "supply":
        return
    told = [proof.point for proof in evidence.rig.proof_of_cut if proof.kind == "falls" and proof.point is not None]
    for name in told:
        point = evidence.rig.points[name]
        reads, unit = evidence.trace(point.name).seen.until(evidence.cut.not_before_ns), unit_ns(point)
        moved = np.flatnonzero(reads.value[1:] != reads.value[:-1]) + 1
        if unit is None or len(moved) < 2 or bool((reads.value[1:] < reads.value[:-1]).any()):
            continue
        first, last = int(moved[0]), int(moved[-1])
        rose_s = float(reads.value[last] - reads.value[first]) * unit / NS_PER_S
        if text := rate_text(point, rose_s, (int(reads.early[last]) - int(reads.early[first])) / NS_PER_S):
            yield text


def contradicted_before(evidence: Evidence, outputs: Mapping[str, OutputSeen]) -> Iterator[str]:
    """An output whose image and terminal said the contrary of each other, steadily, right before the cut."""
    if evidence.cut is None:
        return
    span = evidence.cut.not_before_ns - _STEADY_NS, evidence.cut.not_before_ns
    for one in outputs.values():
        point = evidence.rig.points[one.point]
        if one.judged == one.point or not point.is_boolean:
            continue
        said, was = (_steady(evidence.reads(name), *span) for name in (one.point, one.judged))
        if said is not None and was is not None and said != was:
            said_word, was_word = value_text(point, said), value_text(point, was)
            yield (
                f"{point.shown}: before the cut the controller says {said_word} and its terminal was {was_word}; the "
                "terminal is judged; look at the addresses of both, at the output card and the wiring"
            )


def _steady(reads: Reads, begin_ns: int, end_ns: int) -> float | None:
    """The one value that was read all through a span; None where there was another, or no read in it. Rows that tell
    nothing new may have been left out."""
    inside, before = reads.inside(begin_ns, end_ns).value, reads.value_until(begin_ns)
    values = {before, *inside.tolist()}
    return before if len(inside) and len(values) == 1 else None


def silent_again(evidence: Evidence) -> Iterator[str]:
    """The controller had answered after the return, and then did not for a while, within the watch."""
    contact, good = evidence.contact, evidence.marks.get("good")
    if contact is None or good is None or evidence.restored is None or evidence.scenario.how == "mode":
        return
    end = min(evidence.watch_end_ns, evidence.end_ns)
    failed = contact.of_kind(FAILURES) & (contact.sent > good.not_after_ns) & (contact.received <= end)
    lost = np.flatnonzero(failed & contact.connects)
    if len(lost):
        name = evidence.rig.controller.name if evidence.rig.controller is not None else "the controller"
        when = evidence.moment(int(contact.sent[np.flatnonzero(failed)[0]]))
        yield (
            f"{name} fell silent again {when}, after it had answered: a second loss of its supply, a second restart or "
            "a lost network look like that"
        )


def stood_still(evidence: Evidence) -> Iterator[str]:
    """The controller was ready, and then its sign of life stood still to the end of the watch while it answered on."""
    controller, alive, ready = evidence.rig.controller, evidence.rig.ready.alive, evidence.marks.get("ready")
    if controller is None or alive is None or ready is None:
        return
    moving = evidence.builder.running(controller.name)
    since = max((one.until_ns for one in moving or ()), default=FAR_NS)
    end = min(evidence.watch_end_ns, evidence.end_ns)
    if not ready.not_after_ns <= since < end or len(evidence.trace(alive).seen.inside(since, end)) < 2:
        return
    yield (
        f"{shown(evidence.rig, alive)} stood still from {evidence.moment(since)} to the end of the watch though "
        f"{controller.name} answered: a program that hangs looks like that; what was read at terminals is judged on"
    )
