"""Was there a cut at all, and did the controller restart: proofs of the cut, and of the supply's return.

A proof that could not be read is neither held nor broken. A supply proof only counts where it was also seen the other
way round, before the cut or after the return: a dead channel proves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from restart_bench.evidence.evidence import Evidence, Judged, Problem
from restart_bench.evidence.marks import as_the_rail_was_read, cut_of, mode_proofs, restored_of, switching_of
from restart_bench.evidence.reachability import REPLIES
from restart_bench.evidence.restarts import (
    CounterMoved,
    GoneOn,
    counted_through,
    moved_since,
    older_than_the_cut,
    unit_ns,
    went_on_over,
    wrapped_on,
)
from restart_bench.evidence.supply_off import (
    SLACK_NS,
    OffSpan,
    OffTime,
    asked_off_time,
    longest,
    losses_of,
    narrowest,
    off_time,
)
from restart_bench.evidence.traces import Flags, Reads, conforming, longest_gap_ns
from restart_bench.model.clock import BLIND_NS, Bounds
from restart_bench.model.journal import CONTRADICTORY, LEFT_OUT, Switching
from restart_bench.model.rig import Point, Proof
from restart_bench.model.samples import SampleKind
from restart_bench.model.scenario import ExpectationKind, Search
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import about, listed, shown, some, span_text, value_text, wanted_text

_TOO_SHORT_NS = 100_000_000
"""In so short a time no supply comes back, starts a controller that says so, and goes again."""


class ProofState(Enum):
    """What became of a proof."""

    HELD = "held"
    CONTRADICTED = "contradicted"
    UNREAD = "not read"


@dataclass(frozen=True, slots=True)
class SupplySeen:
    """What one supply proof says: of the cut (`state`), when it fell and rose, whether the supply is back (None: not
    read after the return) and by when it was read so, and a second dip. `overdue`: it was read off when it was due
    back for long, and not before that, so it came back late or dipped a second time."""

    proof: Proof
    state: ProofState
    text: str
    fell: Bounds | None = None
    rose: Bounds | None = None
    back: bool | None = None
    back_ns: int | None = None
    again: Bounds | None = None
    overdue: Bounds | None = None


@dataclass(frozen=True, slots=True)
class RestartSeen:
    """What one restart proof says."""

    state: ProofState
    text: str
    shown_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Proofs:
    """All proofs of one cycle. `supply` and `restarts` in file order."""

    supply: tuple[SupplySeen, ...] = ()
    restarts: tuple[RestartSeen, ...] = ()

    @property
    def back(self) -> bool:
        """True where the supply was read to be back."""
        return any(one.back is True for one in self.supply)


def proofs_of(evidence: Evidence) -> Proofs:
    """Everything that the proofs of this rig say about a cut of the supply."""
    proofs = evidence.rig.proof_of_cut
    return Proofs(
        tuple(_supply(evidence, proof) for proof in proofs if proof.of_supply),
        tuple(_restart(evidence, proof) for proof in proofs if not proof.of_supply),
    )


# ---------------------------------------------------------------- the supply


def _supply(evidence: Evidence, proof: Proof) -> SupplySeen:
    assert evidence.cut is not None and evidence.restored is not None
    assert proof.point is not None and proof.wanted is not None
    cut, restored = evidence.cut, evidence.restored
    reads = evidence.reads(proof.point).until(evidence.end_ns)
    off = conforming(proof.wanted, reads.value)
    losses = losses_of(reads, off, cut, _last_off_ns(evidence))
    span = longest(losses)
    again = _lost_later(evidence, reads, off) if span is None else _second_dip(evidence, reads, off, losses, span)
    back, back_ns = _is_back(reads, off, restored)
    state, text = _state_of(evidence, proof, reads, off, back)
    fell, rose = (None, None) if span is None else (span.fell, span.rose)
    overdue = _overdue(evidence, reads, off) if span is None and again is None and back is True else None
    return SupplySeen(
        proof, state, text, fell if state is ProofState.HELD else None, rose, back, back_ns, again, overdue
    )


def _last_off_ns(evidence: Evidence) -> int:
    """Until when the supply may be read off for this cut: the latest bound of its return, by command, or as it was
    surely seen later than that."""
    told = (cut_of(evidence.rig, evidence.records), restored_of(evidence.rig, evidence.records))
    assert told[0] is not None and told[1] is not None
    _, read = as_the_rail_was_read(evidence.rig, evidence.builder, evidence.records, (told[0], told[1]))
    assert read is not None
    return read.not_after_ns if read.not_before_ns > told[1].not_after_ns else told[1].not_after_ns


def _state_of(evidence: Evidence, proof: Proof, reads: Reads, off: Flags, back: bool | None) -> tuple[ProofState, str]:
    """Whether the proof held, and what it said."""
    assert evidence.cut is not None and proof.point is not None and proof.wanted is not None
    cut, name = evidence.cut, shown(evidence.rig, proof.point)
    wanted = wanted_text(evidence.rig.points[proof.point], proof.wanted)
    in_cut = (reads.late > cut.not_before_ns) & (reads.late <= _last_off_ns(evidence))
    if not bool((off & in_cut).any()):
        return _not_seen_off(evidence, proof.point, wanted)
    previous = reads.last_until(cut.not_before_ns)
    if previous is not None and off[previous]:
        return ProofState.UNREAD, f"{name} read {wanted} before the cut already, so it proves nothing"
    if back is True or bool((~off & (reads.late <= cut.not_before_ns)).any()):
        return ProofState.HELD, f"{name} read {wanted}"
    return ProofState.UNREAD, f"{name} never read anything but {wanted}, so it proves nothing"


def _not_seen_off(evidence: Evidence, name: str, wanted: str) -> tuple[ProofState, str]:
    """No read was off: contradicted, if the reads leave no gap for the off time."""
    assert evidence.cut is not None and evidence.restored is not None
    cut, restored, point = evidence.cut, evidence.restored, evidence.rig.points[name]
    reads = evidence.reads(name)
    least_off, _ = off_time(cut, restored)
    inside = reads.inside(cut.not_before_ns, restored.not_after_ns)
    gap = longest_gap_ns(reads, cut.not_before_ns, restored.not_after_ns)
    label = shown(evidence.rig, name)
    if len(inside) == 0 or gap >= least_off:
        text = f"{label} was not read while it could have shown {wanted} (longest gap {span_text(gap, gap)})"
        return ProofState.UNREAD, text
    if _to_a_level(evidence):
        value = value_text(point, float(inside.value.min()))
        deeper = "a deeper dip or another limit of the proof would tell"
        return ProofState.UNREAD, f"{label} read {value} at the lowest, never {wanted}: {deeper}"
    value = value_text(point, float(inside.value[-1]))
    text = f"{label} read {value} all through the cut, no gap was longer than {span_text(gap, gap)}"
    return ProofState.CONTRADICTED, text


def _to_a_level(evidence: Evidence) -> bool:
    """True where the supply was lowered, not cut: a proof may rightly not see that."""
    command = switching_of(evidence.records, "cut")
    return command is not None and command.to == "level"


def _is_back(reads: Reads, off: Flags, restored: Bounds) -> tuple[bool | None, int | None]:
    """Is the supply back, and by when was it read so; None: not read after its return."""
    later = np.flatnonzero(reads.early >= restored.not_before_ns)
    on = later[~off[later]]
    if len(on):
        return True, int(reads.late[on[0]])
    return (False if len(later) and reads.early[later[-1]] >= restored.not_after_ns else None), None


def _second_dip(
    evidence: Evidence, reads: Reads, off: Flags, losses: Sequence[OffSpan], span: OffSpan
) -> Bounds | None:
    """Another loss: before the one of the cut, or after the return. What bounces while the contact moves is none."""
    assert evidence.cut is not None and evidence.restored is not None
    bounce_ns = evidence.rig.supply.bounce_ns if evidence.rig.supply is not None else 0
    opened = max(evidence.cut.not_after_ns, losses[0].fell.not_after_ns + bounce_ns)
    if span is not losses[0] and span.fell.not_before_ns > opened:
        return span.fell
    if span.rose is None:
        return None
    closed = max(evidence.restored.not_after_ns, span.rose.not_after_ns + bounce_ns)
    fallen = np.flatnonzero(off & (reads.early >= closed))
    if len(fallen) == 0:
        return None
    place = int(fallen[0])
    return Bounds(min(int(reads.early[place - 1]), int(reads.late[place])), int(reads.late[place]))


def _lost_later(evidence: Evidence, reads: Reads, off: Flags) -> Bounds | None:
    """A loss after the return, where the one of the cut was not read: off after a read of on."""
    later = np.flatnonzero(reads.early >= _last_off_ns(evidence))
    fallen = later[1:][off[later[1:]] & ~off[later[:-1]]]
    if len(fallen) == 0:
        return None
    place = int(fallen[0])
    return Bounds(min(int(reads.early[place - 1]), int(reads.late[place])), int(reads.late[place]))


def _overdue(evidence: Evidence, reads: Reads, off: Flags) -> Bounds | None:
    """The first off read after the return of a supply whose loss was not read, if that was off for too long to have
    been the one asked: between its return, as commanded, and that read."""
    assert evidence.cut is not None and evidence.restored is not None
    cut, restore = (switching_of(evidence.records, purpose) for purpose in ("cut", "restore"))
    assert cut is not None and restore is not None
    longest_ns = asked_off_time(evidence.rig, evidence.records, cut, restore).allowed[1]
    due_ns = max(_last_off_ns(evidence), evidence.cut.not_after_ns + longest_ns)
    places = np.flatnonzero(off & (reads.early > due_ns))
    if len(places) == 0:
        return None
    return Bounds(evidence.restored.not_before_ns, int(reads.late[int(places[0])]))


# ---------------------------------------------------------------- the restart


def _restart(evidence: Evidence, proof: Proof) -> RestartSeen:
    """What a restart proof says. Where the controller was lost after the return, what had spoken against a restart
    before that says nothing of it."""
    if proof.kind == "contact lost":
        return contact_seen(evidence)
    seen, late = _since_the_cut(evidence, proof), evidence.late
    if late is None or seen.state is ProofState.HELD:
        return seen
    after = _since_the_loss(evidence, proof, late.bounds)
    if after is not None and after.state is ProofState.HELD:
        return after
    lost = evidence.moment(late.bounds.not_after_ns)
    return RestartSeen(ProofState.UNREAD, f"{seen.text}, but the controller was lost {lost}")


def _since_the_loss(evidence: Evidence, proof: Proof, lost: Bounds) -> RestartSeen | None:
    """The value after a late loss against the last one before it; None where there are not both."""
    assert proof.point is not None
    before = evidence.builder.trace(proof.point).seen.before(lost.not_after_ns)
    reads = evidence.reads(proof.point).inside(lost.not_after_ns, evidence.end_ns)
    if len(before) == 0 or len(reads) == 0:
        return None
    found = moved_since(evidence.rig, evidence.builder, evidence.fate, (proof, before, reads), lost)
    return _told(evidence, proof, (before, reads), found)


def _before_the_cut(evidence: Evidence, proof: Proof) -> Reads:
    """What a counter read before the cut, among what counts."""
    assert evidence.cut is not None and proof.point is not None
    return evidence.reads(proof.point).before(evidence.cut.not_before_ns)


def _since_the_cut(evidence: Evidence, proof: Proof) -> RestartSeen:
    """The value after the return against the one before the cut."""
    assert evidence.cut is not None and evidence.restored is not None and proof.point is not None
    name, before = shown(evidence.rig, proof.point), _before_the_cut(evidence, proof)
    reads = evidence.reads(proof.point).inside(evidence.restored.not_before_ns, evidence.end_ns)
    if len(before) == 0 or len(reads) == 0:
        when = "before the cut" if len(before) == 0 else f"after {evidence.back}"
        return RestartSeen(ProofState.UNREAD, f"{name} was not read {when}")
    found = moved_since(evidence.rig, evidence.builder, evidence.fate, (proof, before, reads), evidence.cut)
    return _told(evidence, proof, (before, reads), found)


def _told(evidence: Evidence, proof: Proof, values_read: tuple[Reads, Reads], found: CounterMoved) -> RestartSeen:
    """What a counter says of a restart, in words."""
    assert proof.point is not None
    before, reads = values_read
    name, point = shown(evidence.rig, proof.point), evidence.rig.points[proof.point]
    proves, moved = np.flatnonzero(found.proves), np.flatnonzero(found.moved)
    place = int((proves if len(proves) else moved)[0]) if len(moved) else 0
    values = _values(point, before, reads, place)
    word = "fell" if proof.kind == "falls" else "rose"
    if len(proves):
        return RestartSeen(ProofState.HELD, f"{name} {word} ({values})", int(reads.late[place]))
    if len(moved):
        state = ProofState.CONTRADICTED if found.went_on else ProofState.UNREAD
        return RestartSeen(state, f"{name} {word} ({values}), {found.why}", int(reads.late[place]))
    if proof.kind == "falls" and float(before.value[-1]) == 0.0:
        return RestartSeen(
            ProofState.UNREAD, f"{name} was {value_text(point, 0.0)} before the cut, from which nothing falls"
        )
    return RestartSeen(ProofState.CONTRADICTED, f"{name} did not {proof.kind[:-1]} ({values})", int(reads.late[place]))


def contact_seen(evidence: Evidence) -> RestartSeen:
    """Whether the controller fell silent, as its link says."""
    fate = evidence.fate
    on = _went_on(evidence) if fate.lost is True and not fate.late else None
    if on is GoneOn.FITS:
        alive = shown(evidence.rig, evidence.rig.ready.alive or "")
        text = f"the controller lost its connection, but {alive} went on counting, as where the network is lost"
        return RestartSeen(ProofState.UNREAD, text)
    if fate.lost is True and not fate.late and (stayed := _stayed_on(evidence)):
        text = (
            f"the controller lost its connection, but {listed(stayed)} stayed on all through the cut, at inputs with a "
            "supply of their own, as where only the network is lost"
        )
        return RestartSeen(ProofState.UNREAD, text)
    if fate.lost is True and not fate.late and (wrapped := _wrapped_on(evidence)):
        name = shown(evidence.rig, wrapped)
        text = (
            f"the controller lost its connection, but {name} reads what it would had it wrapped and counted on, as "
            "where the network is lost"
        )
        return RestartSeen(ProofState.UNREAD, text)
    if fate.lost is True and not fate.late and (older := _older_than_the_cut(evidence)):
        text = (
            f"the controller lost its connection, but {shown(evidence.rig, older)} reads longer than the time since "
            "the cut, as where only the network is lost, or where its unit is another one"
        )
        return RestartSeen(ProofState.UNREAD, text)
    if fate.late and fate.dark is not None and evidence.late is None and (name := _on_over(evidence, fate.dark)):
        when = evidence.moment(fate.dark.not_after_ns)
        text = f"the controller's connection ended {when}, but {name} went on counting"
        return RestartSeen(ProofState.CONTRADICTED, text, fate.shown_ns)
    if fate.closed and fate.lost is None:
        when = f" {evidence.moment(fate.dark.not_after_ns)}" if fate.dark is not None else ""
        text = f"the controller closed its connection in good order{when}, as nobody does who loses its supply"
        return RestartSeen(ProofState.UNREAD, text)
    if fate.alone:
        text = "the controller's connection ended with one request that stayed silent, as where a reply is lost"
        return RestartSeen(ProofState.UNREAD, text)
    if fate.lost is True:
        when = f" {evidence.moment(fate.dark.not_after_ns)}" if fate.late and fate.dark is not None else ""
        alive = shown(evidence.rig, evidence.rig.ready.alive or "")
        nothing = f" ({alive} could read anything by then, and tells nothing of it)" if on is GoneOn.ANYWHERE else ""
        return RestartSeen(ProofState.HELD, f"the controller lost its connection{when}{nothing}", fate.shown_ns)
    if fate.late and fate.dark is not None:
        when = evidence.moment(fate.dark.not_after_ns)
        return RestartSeen(
            ProofState.UNREAD, f"the controller fell silent {when}, a restart or a lost network look like that"
        )
    if fate.lost is False:
        text = "the controller answered after the return on the connection from before the cut"
        return RestartSeen(ProofState.CONTRADICTED, text, fate.shown_ns)
    return RestartSeen(ProofState.UNREAD, "the controller was not read before the cut or not after it")


def _on_over(evidence: Evidence, lost: Bounds) -> str:
    """The counter that went on over a loss of contact, as people know it; "" where none did."""
    assert evidence.cut is not None
    name = went_on_over(evidence.rig, evidence.builder, evidence.cut, lost)
    return shown(evidence.rig, name) if name else ""


def _stayed_on(evidence: Evidence) -> list[str]:
    """The outputs at independent inputs that had been on, where all of them, two or more, read on in every read from
    the cut until the controller answered again: without its supply none would. Where a proof reads the supply that one
    has the word; an output that shall stay on says nothing."""
    assert evidence.cut is not None and evidence.restored is not None
    rig, cut, restored = evidence.rig, evidence.cut, evidence.restored
    if rig.reads_supply:
        return []
    shall = {one.point for one in evidence.scenario.after if one.kind is ExpectationKind.STAYS and one.wanted.equals}
    good, stayed = evidence.marks.get("good"), []
    until_ns = restored.not_after_ns if good is None else max(restored.not_after_ns, good.not_before_ns)
    least_off_ns, _ = off_time(cut, restored)
    for point in rig.outputs():
        name = rig.judged_point(point.name)
        if not rig.is_independent(name) or not rig.points[name].is_boolean or point.name in shall:
            continue
        if not evidence.before(name):
            continue
        reads = evidence.reads(name)
        inside = reads.inside(cut.not_before_ns, until_ns)
        behind = reads.late[reads.late > until_ns]
        if not len(inside) or not len(behind) or 2 * int(behind[0] - inside.early[-1]) > least_off_ns:
            return []  # not read about the end of the cut: off and on again may lie there
        if not bool(inside.value.all()) or longest_gap_ns(reads, cut.not_before_ns, until_ns) >= least_off_ns:
            return []
        stayed.append(point.shown)
    return stayed if len(stayed) > 1 else []


def _went_on(evidence: Evidence) -> GoneOn | None:
    """Whether the sign of life counted on through the cut, and was not lost once more after it; None: not known."""
    assert evidence.cut is not None and evidence.restored is not None
    if evidence.late is not None:
        return GoneOn.STRAYS
    return counted_through(evidence.rig, evidence.builder, evidence.cut, evidence.restored)


def _wrapped_on(evidence: Evidence) -> str | None:
    """The uptime that may have counted on over a wrap, behind a link that only fell silent, or where nothing reads the
    supply; None: there is none, or the sign of life did not."""
    assert evidence.cut is not None and evidence.restored is not None
    anew = evidence.fate.anew_ns is not None and evidence.rig.reads_supply  # else a network card may have begun anew
    if anew or _went_on(evidence) is GoneOn.STRAYS:
        return None
    return wrapped_on(evidence.rig, evidence.builder, evidence.cut, evidence.restored)


def _older_than_the_cut(evidence: Evidence) -> str | None:
    """The uptime that began before the cut, where nothing reads the supply; None: there is none."""
    assert evidence.cut is not None and evidence.restored is not None
    if evidence.rig.reads_supply:
        return None
    return older_than_the_cut(evidence.rig, evidence.builder, evidence.cut, evidence.restored)


def powered_since(evidence: Evidence, proofs: Proofs) -> int | None:
    """The instant by which the supply is proven back at the controller: by the first read of a supply proof that says
    so, or the first answer of the controller's own stack after the return, or its refusal, unless it refused before
    that as well; None: nothing proves it. In a mode cut it was never gone."""
    assert evidence.cut is not None and evidence.restored is not None
    since_ns = evidence.restored.not_after_ns
    if evidence.scenario.how == "mode":
        return since_ns
    shown = [one.back_ns for one in proofs.supply if one.back_ns is not None]
    contact = evidence.contact
    if contact is not None:
        refused = contact.of_kind((SampleKind.REFUSED,))
        off = (contact.sent > evidence.cut.not_after_ns) & (contact.received < evidence.restored.not_before_ns)
        spoke = contact.of_kind((*REPLIES, SampleKind.ACCEPTED)) | (refused & ~(refused & off).any())
        shown += contact.received[spoke & (contact.sent >= since_ns)][:1].tolist()
    return max(since_ns, min(shown)) if shown else None


# ---------------------------------------------------------------- judged


def proof_problems(evidence: Evidence, proofs: Proofs) -> list[Problem]:
    """Cut not proven, proof contradicted, supply not back, second dip (rule 8)."""
    assert evidence.cut is not None and evidence.restored is not None
    if evidence.scenario.how == "mode":
        return [*_mode_problems(evidence), *_off_time_problems(evidence, proofs)]
    found: list[Problem] = []
    at_ns = evidence.cut.not_before_ns
    broken = [one.text for one in proofs.supply if one.state is ProofState.CONTRADICTED]
    if broken:
        text = f"the supply was not cut: {some(broken)}; {_cure_of_contact(evidence)}"
        found.append(Problem("contradicted", text, at_ns, void=True, ends_run=True))
    elif not _proven(evidence, proofs):
        needed = [one.text for one in proofs.supply]
        if evidence.scenario.restart != "none":
            needed += [one.text for one in proofs.restarts]
        said = some(needed) or "the rig file names no `proof_of_cut` that speaks of the supply"
        text = f"the cut is not proven: {said}; {_cure_of_proof(evidence, proofs)}"
        kind = LEFT_OUT if _not_read_in_a_search(evidence, proofs) else "unproven"
        found.append(Problem(kind, text, at_ns, void=True))
    if not broken:
        found += _off_time_problems(evidence, proofs)
    return [*found, *_return_problems(evidence, proofs)]


def off_times(evidence: Evidence, proofs: Proofs) -> Iterator[tuple[str, tuple[int, int]]]:
    """The true off time, shortest and longest, and who says so: every proof that saw it, within what the commands
    leave; the commands alone where none did."""
    cut, restored = cut_of(evidence.rig, evidence.records), restored_of(evidence.rig, evidence.records)
    assert cut is not None and restored is not None and evidence.cut is not None
    if _by_hand(evidence):  # whose controller may have answered on
        cut = Bounds(cut.not_before_ns, max(cut.not_after_ns, evidence.cut.not_after_ns))
    commanded = off_time(cut, restored)
    seen = [one for one in proofs.supply if one.fell is not None and one.rose is not None]
    for one in seen:
        assert one.fell is not None and one.rose is not None
        yield shown(evidence.rig, one.proof.point or ""), narrowest(commanded, off_time(one.fell, one.rose))
    if not seen:
        yield "the commands", commanded


def _off_time_problems(evidence: Evidence, proofs: Proofs) -> list[Problem]:
    """An off time that is not the one asked: what the controller did then says nothing about that. Where it is
    surely another one, a person has to look."""
    cut, restore = (switching_of(evidence.records, purpose) for purpose in ("cut", "restore"))
    assert cut is not None and restore is not None and evidence.cut is not None
    asked = asked_off_time(evidence.rig, evidence.records, cut, restore)
    kind, at_ns = "dip" if asked.dip else "off time", evidence.cut.not_before_ns
    late = ""
    for by, seen in off_times(evidence, proofs):
        surely = asked.clearly_less(seen) or asked.clearly_more(seen)
        if surely or (asked.dip and asked.maybe_more(seen)):
            if _is_as_commanded(evidence, seen) and evidence.scenario.search is not None:
                late = late or _beyond_the_search(evidence, evidence.scenario.search, (cut, restore), by, seen)
                continue
            text = _off_time_text(evidence, proofs, asked, by, seen, restore)
            return [Problem(kind, text, at_ns, void=True, ends_run=surely)]
    early = _came_early(evidence, proofs, restore, asked) if evidence.scenario.how == "supply" else ""
    if early:
        return [Problem(kind, early, at_ns, void=True, ends_run=True)]
    if evidence.answered_on and not any(one.fell is not None for one in proofs.supply):
        unknown = "so how long it was off is not known; switch first, then answer"
        return [Problem(kind, f"the controller {evidence.answered_on}, {unknown}", at_ns, void=True)]
    return [Problem(LEFT_OUT, late, at_ns, void=True)] if late else []


def _is_as_commanded(evidence: Evidence, seen: tuple[int, int]) -> bool:
    """Whether an off time, as a proof has it, is one that the commands and the relay's data leave."""
    cut, restored = cut_of(evidence.rig, evidence.records), restored_of(evidence.rig, evidence.records)
    assert cut is not None and restored is not None
    least_ns, most_ns = off_time(cut, restored)
    return least_ns <= seen[0] and seen[1] <= most_ns


def _beyond_the_search(
    evidence: Evidence, search: Search, commands: tuple[Switching, Switching], by: str, seen: tuple[int, int]
) -> str:
    """What a search demands it demands of the cuts that it searches: that this one may have been longer; "" where not.
    Any other cut counts at its true off time, whatever was asked."""
    longest = asked_off_time(evidence.rig, evidence.records, *commands, search.longest_ns)
    if not (longest.clearly_more(seen) or (longest.dip and longest.maybe_more(seen))):
        return ""
    return (
        f"the supply may have been off for {about(seen[1])}, by {by}, which is longer than is searched "
        f"({show_duration(search.longest_ns)}): the relay or this computer was late"
    )


def _not_read_in_a_search(evidence: Evidence, proofs: Proofs) -> bool:
    """Whether nothing but a late read is behind a cut that is not proven: each proof read on before it, and then not
    in time. A search makes another cut instead."""
    if evidence.scenario.search is None or _to_a_level(evidence):
        return False
    return bool(proofs.supply) and all(
        one.state is ProofState.UNREAD and _was_on(evidence, one.proof) for one in proofs.supply
    )


def _came_early(evidence: Evidence, proofs: Proofs, restore: Switching, asked: OffTime) -> str:
    """That the controller had power before the command back, as its uptime or its link shows; "" where neither does."""
    return (
        _rose_early(evidence, proofs, restore)
        or _restarted_early(evidence, proofs, restore)
        or _answered_early(evidence, proofs, restore, asked)
    )


def _rose_early(evidence: Evidence, proofs: Proofs, restore: Switching) -> str:
    """Where a supply proof read on again surely before the command back, by however little: something else gave it. A
    person may switch before he answers."""
    for one in () if _by_hand(evidence) else proofs.supply:
        if one.rose is not None and one.rose.not_after_ns < restore.before_ns:
            early = span_text(restore.before_ns - one.rose.not_after_ns, restore.after_ns - one.rose.not_before_ns)
            return (
                f"the supply came back by itself: {shown(evidence.rig, one.proof.point or '')} read on again {early} "
                "before the command back; look for a second feed, and at a time-out of the relay"
            )
    return ""


def _read_off_until(evidence: Evidence, proofs: Proofs, until_ns: int) -> bool:
    """Whether a supply proof read off without a pause from its fall to an instant: nobody restarted before that."""
    for one in proofs.supply:
        if one.fell is None or one.proof.point is None or one.proof.wanted is None:
            continue
        reads = evidence.reads(one.proof.point)
        inside = reads.inside(one.fell.not_after_ns, until_ns)
        gap_ns = longest_gap_ns(reads, one.fell.not_after_ns, until_ns)
        if bool(conforming(one.proof.wanted, inside.value).all()) and 0 < gap_ns < _TOO_SHORT_NS:
            return True
    return False


def _answered_early(evidence: Evidence, proofs: Proofs, restore: Switching, asked: OffTime) -> str:
    """Where a network stack that had begun anew since the cut took up a connection before the command back and answered
    on it after that: what restarted had power all through the return. One that rode through is none of that."""
    contact, restarted = evidence.contact, any(one.state is ProofState.HELD for one in proofs.restarts)
    if contact is None or evidence.cut is None or evidence.late is not None or not restarted:
        return ""
    answered = contact.answered_through(evidence.fate, restore.before_ns, restore.after_ns)
    if answered is None or not asked.clearly_less((0, answered.not_after_ns - evidence.cut.not_before_ns)):
        return ""
    early = span_text(restore.before_ns - answered.not_after_ns, restore.after_ns - answered.not_before_ns)
    return (
        "the supply came back by itself: the controller had refused or reset its connection, and one that it took up "
        f"{early} before the command back lasted through that; look for a second feed, and at a time-out of the relay"
    )


def _restarted_early(evidence: Evidence, proofs: Proofs, restore: Switching) -> str:
    """Where an uptime that was read before the command back, or counts from long before it, shows that the controller
    had restarted by then: it had power, so the off time is not the one asked."""
    assert evidence.cut is not None
    if evidence.late is not None:
        return ""
    was_off_until = _read_off_until(evidence, proofs, restore.before_ns)  # then a dying controller read so
    for proof in evidence.rig.proof_of_cut:
        if proof.kind != "falls" or proof.point is None:
            continue
        point, before = evidence.rig.points[proof.point], _before_the_cut(evidence, proof)
        seen = evidence.trace(proof.point).seen
        if len(before) == 0:
            continue
        unit = unit_ns(point) or 0
        spans = ((evidence.cut.not_after_ns, restore.before_ns), (restore.after_ns, evidence.end_ns))
        for low, high in spans[1:] if was_off_until else spans:
            reads = seen.inside(low, high)
            found = moved_since(evidence.rig, evidence.builder, evidence.fate, (proof, before, reads), evidence.cut)
            latest_start = reads.late - np.nan_to_num(reads.value) * unit
            had_restarted = (reads.late <= restore.before_ns) | (latest_start < restore.before_ns - unit - SLACK_NS)
            early = np.flatnonzero(found.proves & had_restarted)
            if len(early):
                was_off = any(one.state is ProofState.HELD for one in proofs.supply)
                what = "" if was_off else ", or was never gone and the controller restarted by itself (a watchdog)"
                contact = "" if was_off else ", and at its contact"
                return (
                    f"the supply came back by itself{what}: {shown(evidence.rig, proof.point)} fell "
                    f"({_values(point, before, reads, int(early[0]))}), so the controller had restarted before the "
                    f"command back; look for a second feed, {'and ' if was_off else ''}at a time-out of the "
                    f"relay{contact}"
                )
    return ""


def _values(point: Point, before: Reads, reads: Reads, place: int) -> str:
    return f"{value_text(point, float(before.value[-1]))} before, {value_text(point, float(reads.value[place]))} after"


def _off_time_text(
    evidence: Evidence, proofs: Proofs, asked: OffTime, by: str, seen: tuple[int, int], restore: Switching
) -> str:
    """What is wrong with an off time, and what to look at."""
    what = "the controller was out of run mode" if evidence.scenario.how == "mode" else "the supply was off"
    for one in proofs.supply:
        if one.rose is not None and one.rose.not_after_ns < restore.before_ns and asked.clearly_less(seen):
            early = span_text(restore.before_ns - one.rose.not_after_ns, restore.after_ns - one.rose.not_before_ns)
            name = shown(evidence.rig, one.proof.point or "")
            return (
                f"the supply came back by itself: {name} read on again {early} before the command back, after "
                f"{span_text(*seen)} of {show_duration(asked.asked[0])}; look for a second feed, and at a time-out of "
                "the relay"
            )
    if asked.dip and not asked.clearly_less(seen):
        return (
            f"the asked dip of {show_duration(asked.asked[0])} is not proven: {what.replace('was', 'may have been')} "
            f"for {about(seen[1])}, by {by}; the relay or this computer was late: end other programs, and see how fast "
            "the relay answers"
        )
    return (
        f"{what} for {span_text(*seen)}, by {by}; asked were {show_duration(asked.asked[0])}; look at the relay and "
        "its data sheet, at what holds the supply up, and at what kept this computer busy"
    )


def _cure_of_proof(evidence: Evidence, proofs: Proofs) -> str:
    """What to look at where nothing shows that there was a cut."""
    contradicted = any(one.state is ProofState.CONTRADICTED for one in proofs.restarts)
    if contradicted and evidence.scenario.restart != "none":
        if _by_hand(evidence):
            return f"{_WAS_IT_OFF}; look also for what else may feed the controller"
        return (
            "look at the relay, its contact, and what else may feed the controller; it may also have ridden through on "
            "what its supply holds up (a proof that reads the supply would tell)"
        )
    if proofs.supply:
        return "see why its proofs could not be read (a supply of their own, cable)"
    first = _WAS_IT_OFF if _by_hand(evidence) else "look at the relay and at the controller"
    return f"{first}; a proof that reads the supply (`proof_of_cut`) would tell"


_WAS_IT_OFF = "was the switch really off when its question was answered with yes?"


def _by_hand(evidence: Evidence) -> bool:
    """Whether a person switches the supply: then there is no relay to look at."""
    return evidence.rig.supply is not None and evidence.rig.supply.by_hand


def _cure_of_contact(evidence: Evidence) -> str:
    return _WAS_IT_OFF if _by_hand(evidence) else "look at the relay, its contact and the wiring"


def _proven(evidence: Evidence, proofs: Proofs) -> bool:
    """`required` and `either`: any one proof; `none`: a supply proof."""
    if any(one.state is ProofState.HELD for one in proofs.supply):
        return True
    return evidence.scenario.restart != "none" and any(one.state is ProofState.HELD for one in proofs.restarts)


def _return_problems(evidence: Evidence, proofs: Proofs) -> list[Problem]:
    assert evidence.restored is not None
    found: list[Problem] = []
    restore = switching_of(evidence.records, "restore")
    look = "look at the switch" if _by_hand(evidence) else "look at the relay"
    for one in proofs.supply:
        assert one.proof.point is not None and restore is not None
        name = shown(evidence.rig, one.proof.point)
        if one.back is False and (one.state is ProofState.HELD or _was_on(evidence, one.proof)):
            last_ns = int(evidence.reads(one.proof.point).until(evidence.end_ns).late[-1])
            silent = evidence.end_ns - last_ns > BLIND_NS
            said = f"was off when last read, {evidence.moment(last_ns)}" if silent else "still says that it is off"
            text = f"the supply {'was not seen to' if silent else 'did not'} return: {name} {said}; {look}"
            found.append(Problem("not back", text, evidence.restored.not_before_ns))
        if one.again is not None:
            when = evidence.event(one.again.not_before_ns, one.again.not_after_ns)
            text = f"the supply dipped a second time: {name} says so {when}"
            amid = one.again.not_after_ns <= restore.before_ns  # so it came back before it was commanded
            found.append(Problem("second dip", text, one.again.not_before_ns, void=amid, ends_run=amid))
        if one.overdue is not None:
            when = evidence.moment(one.overdue.not_after_ns)
            text = f"the supply came back late, or dipped a second time: {name}, not read at its return, was off {when}"
            found.append(Problem("second dip", text, one.overdue.not_before_ns))
    return found


def _was_on(evidence: Evidence, proof: Proof) -> bool:
    """Whether the last read before the cut said that the supply was on."""
    assert evidence.cut is not None and proof.point is not None and proof.wanted is not None
    before = evidence.reads(proof.point).value_until(evidence.cut.not_before_ns)
    return before is not None and not bool(conforming(proof.wanted, np.array([before]))[0])


def _mode_problems(evidence: Evidence) -> list[Problem]:
    """Leaving run mode is proven by any one of the mode's proofs. A switch that a person did not turn is that cycle's
    error alone, as a supply that he did not switch."""
    assert evidence.cut is not None and evidence.restored is not None
    cut, restored = evidence.cut, evidence.restored
    least_off, _ = off_time(cut, restored)
    said: list[str] = []
    contradicted = False
    for name, wanted, met in mode_proofs(evidence.rig):
        reads = evidence.reads(name).inside(cut.not_before_ns, restored.not_after_ns)
        if bool((conforming(wanted, reads.value) == met).any()):
            return []
        gap = longest_gap_ns(evidence.reads(name), cut.not_before_ns, restored.not_after_ns)
        seen_through = len(reads) > 0 and gap < least_off
        contradicted |= seen_through
        value = value_text(evidence.rig.points[name], float(reads.value[-1])) if len(reads) else "nothing that counts"
        said.append(f"{shown(evidence.rig, name)} read {value}")
    text = f"leaving run mode is not proven: {some(said) or 'the rig names no proof of it'}"
    by_hand = evidence.rig.mode is not None and evidence.rig.mode.by_hand
    if by_hand:
        text += f"; {_cure_of_mode(evidence)}"
    return [Problem("unproven", text, cut.not_before_ns, void=True, ends_run=contradicted and not by_hand)]


def _cure_of_mode(evidence: Evidence) -> str:
    """What to ask a person who said that the mode switch was turned."""
    fell = [one.text for one in proofs_of(evidence).restarts if one.state is ProofState.HELD]
    if fell:
        return f"was the main switch taken in place of the mode switch? ({some(fell)})"
    return "was the mode switch really turned when its question was answered with yes?"


def _ran_again(evidence: Evidence) -> bool:
    """Whether the program was seen to run after the return: one that only fell silent, or answers with an old image for
    good, was not seen to restart. Without a sign of life any value tells."""
    assert evidence.restored is not None
    contact, controller = evidence.contact, evidence.rig.controller
    if contact is None or controller is None:
        return False
    begins = evidence.begins if evidence.fate.late and evidence.begins is not None else evidence.restored
    running = evidence.builder.running(controller.name)
    if running is not None:
        return any(begins.not_before_ns <= one.from_ns < one.until_ns for one in running)
    return bool((contact.of_kind((SampleKind.GOOD,)) & (contact.sent >= begins.not_before_ns)).any())


def _may_not_have_reached(evidence: Evidence, proofs: Proofs) -> str:
    """The doubt that a cut of a second or more, which a proof of the supply saw, reached the controller: it answered
    all through it and did not restart, as where another pole of the contact is welded. "" where there is none."""
    off = [off_time(one.fell, one.rose)[0] for one in proofs.supply if one.fell is not None and one.rose is not None]
    if not off or max(off) < BLIND_NS or evidence.fate.lost is not False or evidence.fate.late:
        return ""
    return (
        "the controller may never have lost its supply (a welded pole of the contact, a second feed): it did not "
        f"restart and answered on through {about(max(off))} without it; read its own supply at its terminals"
    )


def judge_restart(evidence: Evidence, proofs: Proofs) -> Judged | None:
    """`restart:` required, none or either, against the restart proofs; without any of them, against the link."""
    seen = [one for one in proofs.restarts if one.state is not ProofState.UNREAD]
    if not seen and evidence.rig.controller is not None:
        seen = [contact_seen(evidence)]
    elif not seen:
        return None
    held = [one for one in seen if one.state is ProofState.HELD]
    kept = [one for one in seen if one.state is ProofState.CONTRADICTED]
    restarted = True if held and not kept else False if kept and not held else None
    said = some([one.text for one in (*held, *kept)]) or seen[0].text
    if restarted and not _proven(evidence, proofs) and seen[0] not in proofs.restarts:
        restarted, said = None, some([one.text for one in proofs.restarts]) or said
    if restarted and not _ran_again(evidence):
        restarted, said = None, f"{said}, and its program was not seen to run again after {evidence.back}"
    figures = {"restarted": restarted} | ({CONTRADICTORY: True} if held and kept else {})
    wanted = evidence.scenario.restart
    if wanted == "either":
        word = {True: "it restarted", False: "it rode through", None: "not shown whether it restarted"}[restarted]
        return Judged(Verdict.PASS, f"{word}: {said}", figures)
    if restarted is None:
        held = held if kept else []
        why = "its proofs contradict one another" if held else "nothing shows whether it restarted"
        return Judged(Verdict.INCONCLUSIVE, f"{why}: {said}", figures)
    unreached = "" if restarted else _may_not_have_reached(evidence, proofs)
    if unreached and wanted == "required":
        return Judged(Verdict.INCONCLUSIVE, f"{unreached}: {said}", figures)
    proven = max(one.shown_ns or 0 for one in (held or kept)) or None
    word = "the controller restarted" if restarted else "the controller did not restart"
    verdict = Verdict.PASS if restarted is (wanted == "required") else Verdict.FAIL
    return Judged(verdict, f"{word}: {said}", figures, proven)
