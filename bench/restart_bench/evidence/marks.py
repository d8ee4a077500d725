"""The named instants of a cycle, each with bounds, and the two questions that the runner asks while it waits.

The bounds of `ready` hold although the controller may have been ready before the first read that counts: its lower
bound is the last sign against it, not the read before.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from restart_bench.evidence.reachability import Reachability
from restart_bench.evidence.restarted_again import began_anew
from restart_bench.evidence.restarts import LateRestart, late_restart, went_on_over
from restart_bench.evidence.supply_off import longest, losses_of, return_read
from restart_bench.evidence.traces import (
    Course,
    Flags,
    Instants,
    Reads,
    Trace,
    TraceBuilder,
    conforming,
    long_gaps,
    pace_ns,
)
from restart_bench.model.clock import BLIND_NS, FAR_NS, Bounds
from restart_bench.model.journal import CycleRecords, Mark, Switching
from restart_bench.model.rig import Rig, Wanted
from restart_bench.model.samples import DeviceSamples, SampleKind
from restart_bench.model.scenario import MARKS as MARK_ORDER
from restart_bench.model.scenario import Scenario

ANYTHING = Wanted()
"""Met by every value: a point that only has to be read."""


UNSEEN_POLLS = 3
"""So many polls long a point has to be blind, beside its lag, so that it may have changed and changed back in between:
one of them at least was left out."""
_OF_THE_STACK = ("refused", "accepted", "answered", "good")
MOST_RESTARTS = 20
"""So many restarts within one watch are followed; a controller that goes on restarting is watched no longer."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a cycle has come: its marks so far. `begins`: from here alive, ready and settled count: the return, or
    a restart that showed after it (`late`). `watch_end_ns`: when the watch ends, as far as is known. `ready_by_ns`:
    until then the controller has time to get ready, None where it is."""

    marks: dict[str, Bounds]
    begins: Bounds | None = None
    late: LateRestart | None = None
    watch_end_ns: int | None = None
    ready_by_ns: int | None = None


def progress_of(rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples]) -> Progress:
    """How far the cycle has come."""
    builder = TraceBuilder(rig, samples)
    return progress_from(rig, scenario, records, Reachability.with_controller(rig, builder), builder)


def traces_of(
    rig: Rig, records: CycleRecords, samples: Mapping[str, DeviceSamples], points: Collection[str] | None = None
) -> dict[str, Trace]:
    """Traces of all points of the rig (or of `points` only) by name, with what counts in this cycle."""
    builder = TraceBuilder(rig, samples)
    _follow(rig, records, Reachability.with_controller(rig, builder), builder)
    return {name: builder.trace(name) for name in rig.points if points is None or name in points}


def progress_from(
    rig: Rig, scenario: Scenario, records: CycleRecords, contact: Reachability | None, builder: TraceBuilder
) -> Progress:
    """The same from what is already taken apart. From here on the builder's reads count as this cycle's do."""
    found: dict[str, Bounds] = {}
    cut, restored, late = _follow(rig, records, contact, builder)
    progress = Progress(found)
    if cut is not None:
        found["cut"] = cut
        dark = _dark(rig, scenario.how == "mode", contact, builder, (cut, restored))
        if dark is not None:
            found["dark"] = dark
    if restored is not None:
        found["restored"] = restored
        counting = _Counting(rig, scenario, contact, builder, cut)
        progress = counting.progress(restored, late)
        found |= progress.marks
    if records.ended is not None:
        found["end"] = Bounds(records.ended.at_ns, records.ended.at_ns)
    return replace(progress, marks={name: found[name] for name in MARK_ORDER if name in found})


def _follow(
    rig: Rig, records: CycleRecords, contact: Reachability | None, builder: TraceBuilder
) -> tuple[Bounds | None, Bounds | None, LateRestart | None]:
    """Loss, return and a late restart; lets the builder count what counts beside them (rule 3)."""
    cut, restored = cut_of(rig, records), restored_of(rig, records)
    if cut is None:
        return cut, restored, None
    command = switching_of(records, "cut")
    if command is not None and command.what == "mode":
        end = FAR_NS if restored is None else ready_deadline(rig, restored).not_after_ns
        anew = () if restored is None else (restored.not_before_ns,)
        builder.follow(Course(cut.not_before_ns, anew, (cut.not_before_ns, end)))
        return cut, restored, None
    cut, restored = as_the_rail_shows(rig, builder, records, (cut, restored))
    cut = _as_answered_on(rig, contact, cut, restored)
    if restored is None:
        builder.follow(Course(cut.not_before_ns))
        return cut, restored, None
    builder.follow(Course(cut.not_before_ns, (restored.not_before_ns,)))
    late = late_restart(rig, builder, contact, cut, restored)
    if late is not None:
        builder.follow(Course(cut.not_before_ns, (restored.not_before_ns, late.bounds.not_after_ns)))
    return cut, restored, late


@dataclass(frozen=True, eq=False)
class _Counting:
    """Counts the marks that come after the return."""

    rig: Rig
    scenario: Scenario
    contact: Reachability | None
    builder: TraceBuilder
    cut: Bounds | None

    def progress(self, restored: Bounds, late: LateRestart | None) -> Progress:
        """From the return, or from the last restart that comes after it and before the end of the watch: what had come
        before it is no evidence of what comes after."""
        begins, marks = restored, self.marks(restored)
        if late is not None:
            earlier = self.marks(restored, until_ns=late.bounds.not_after_ns)
            if late.bounds.not_before_ns <= self._watch_end(earlier, restored):
                late = replace(late, was_ready="ready" in earlier)
                begins, marks = late.bounds, self._after(late, marks)
            else:
                late = None
        for _ in range(MOST_RESTARTS):
            again = self._lost_again(marks, begins)
            if again is None:
                break
            ready = marks.get("ready")
            was_ready = ready is not None and ready.not_before_ns <= again.bounds.not_after_ns
            late, begins = replace(again, was_ready=was_ready), again.bounds
            self.builder.count_anew(begins.not_after_ns)
            marks = self._after(late, marks)
        by_ns = None if self._in_time(marks, begins) else ready_deadline(self.rig, begins).not_after_ns
        return Progress(marks, begins, late, self._watch_end(marks, begins), by_ns)

    def _after(self, late: LateRestart, earlier: Mapping[str, Bounds]) -> dict[str, Bounds]:
        """The marks that count from a restart, with those that count from what came before it."""
        marks = self.marks(late.bounds, late=True)
        if late.answering:
            by_ns = late.bounds.not_after_ns
            marks |= {name: one for name, one in earlier.items() if name in _OF_THE_STACK and one.not_after_ns <= by_ns}
        return marks if late.proven else _reaching_back(marks, earlier)

    def _lost_again(self, marks: Mapping[str, Bounds], begins: Bounds) -> LateRestart | None:
        """The controller is lost, or restarts as a counter shows, once more before the end of the watch: the last time
        that it does."""
        if self.contact is None:
            return None
        end_ns = self._watch_end(marks, begins)
        losses = self.contact.lost_again(begins.not_after_ns, end_ns)
        lost = next((one for one in losses if not self._went_on_over(one.bounds)), None)
        told = None if lost is None else LateRestart(lost.bounds, lost.anew)
        anew = self._began_anew(begins, end_ns)
        if anew is None or (told is not None and told.bounds.not_before_ns > anew.not_after_ns):
            return told
        if told is not None and told.bounds.not_after_ns >= anew.not_before_ns:
            return replace(told, proven=True)
        within = anew.not_after_ns <= end_ns  # else it may have come when the watch was over
        return LateRestart(anew, proven=within, answering=True)

    def _went_on_over(self, lost: Bounds) -> bool:
        return self.cut is not None and bool(went_on_over(self.rig, self.builder, self.cut, lost))

    def _began_anew(self, begins: Bounds, end_ns: int) -> Bounds | None:
        """In a mode cut a counter may begin anew with the program, and restart proofs don't apply."""
        if self.cut is None or self.scenario.how == "mode":
            return None
        return began_anew(self.rig, self.builder, self.cut, begins, end_ns)

    def marks(self, begins: Bounds, until_ns: int = FAR_NS, *, late: bool = False) -> dict[str, Bounds]:
        """The marks that count from an instant (of a `late` restart, or of the return), as far as they came before
        another one."""
        found: dict[str, Bounds] = {}
        if self.contact is not None:
            contact = self.contact
            since = contact.last_reply_ns(begins.not_after_ns) if late else self._old_replies_end(contact, begins)
            found |= _answers(contact, begins, since)
        from_ns = begins.not_after_ns if late else begins.not_before_ns
        span = (self.cut, begins, from_ns)
        found |= _running(self.rig, self.scenario, self.builder, span, found.get("good"), until_ns)
        found = {name: _after_it(mark, begins) for name, mark in found.items()}
        return {name: mark for name, mark in found.items() if mark.not_after_ns <= until_ns or name == "settled"}

    def _old_replies_end(self, contact: Reachability, begins: Bounds) -> int:
        """Up to when replies may still be of the life before the cut: where its connection was lost, the last one on
        it, though the supply may have been back by then (it can come back by itself before the controller dies)."""
        fate = contact.fate(self.cut, begins) if self.cut is not None else None
        if fate is None or not fate.lost or fate.dark is None:
            return begins.not_before_ns
        return max(begins.not_before_ns, contact.last_reply_ns(fate.dark.not_after_ns))

    def _watch_end(self, marks: Mapping[str, Bounds], begins: Bounds) -> int:
        """No sooner than the longest window that counts from the return."""
        from_return = begins.not_after_ns + self.scenario.watch_restored_ns
        return max(self._watch_from(marks, begins) + self.scenario.watch_ns, from_return)

    def _in_time(self, marks: Mapping[str, Bounds], begins: Bounds) -> bool:
        ready = marks.get("ready")
        return ready is not None and ready.not_after_ns <= ready_deadline(self.rig, begins).not_after_ns

    def _watch_from(self, marks: Mapping[str, Bounds], begins: Bounds) -> int:
        """`ready`, or the end of its time."""
        begun = marks["ready"] if self._in_time(marks, begins) else ready_deadline(self.rig, begins)
        return begun.not_after_ns


def _after_it(mark: Bounds, begins: Bounds) -> Bounds:
    """A mark comes no sooner than what it counts from: what was read between that one's bounds may have come before."""
    return Bounds(mark.not_before_ns, max(mark.not_after_ns, begins.not_after_ns))


def _reaching_back(counted: dict[str, Bounds], earlier: Mapping[str, Bounds]) -> dict[str, Bounds]:
    """Where only silence tells of a restart there may have been none: then a mark came when it would have without."""
    found = dict(counted)
    for name in (*_OF_THE_STACK, "alive", "ready"):
        if name in counted and name in earlier:
            found[name] = Bounds(
                min(earlier[name].not_before_ns, counted[name].not_before_ns), counted[name].not_after_ns
            )
    return found


def as_marks(found: Mapping[str, Bounds]) -> tuple[Mark, ...]:
    """The marks as the journal keeps them."""
    return tuple(Mark(name, bounds) for name, bounds in found.items())


def switching_of(records: CycleRecords, purpose: str) -> Switching | None:
    """The command with this purpose: `cut` or `restore`."""
    return next((one for one in records.switchings if one.purpose == purpose), None)


def cut_of(rig: Rig, records: CycleRecords) -> Bounds | None:
    """Bounds of the loss: of the command, widened by the relay's longest delay of opening and its bounce."""
    return _commanded(rig, records, "cut", 0 if rig.supply is None else rig.supply.opening_ns)


def restored_of(rig: Rig, records: CycleRecords) -> Bounds | None:
    """Bounds of the return: of the command, widened by the longest delay of closing and the bounce."""
    return _commanded(rig, records, "restore", 0 if rig.supply is None else rig.supply.closing_ns)


def _commanded(rig: Rig, records: CycleRecords, purpose: str, moves_ns: int) -> Bounds | None:
    command = switching_of(records, purpose)
    if command is None:
        return None
    late_ns = moves_ns + rig.supply.bounce_ns if rig.supply is not None and command.what == "supply" else 0
    return Bounds(command.before_ns, command.after_ns + late_ns)


def _as_answered_on(rig: Rig, contact: Reachability | None, cut: Bounds, restored: Bounds | None) -> Bounds:
    """The loss, where a person switched: one may say that it is off and only then turn the switch. The controller had
    power, or what its supply holds up, for as long as it answered, so it was lost by when that fell silent."""
    if rig.supply is None or not rig.supply.by_hand or contact is None or restored is None:
        return cut
    dark = contact.fate(cut, restored).dark
    if dark is None or dark.not_before_ns <= cut.not_after_ns:
        return cut
    return Bounds(cut.not_before_ns, min(dark.not_after_ns, restored.not_before_ns))


def as_the_rail_shows(
    rig: Rig, builder: TraceBuilder, records: CycleRecords, told: tuple[Bounds, Bounds | None]
) -> tuple[Bounds, Bounds | None]:
    """Loss and return, as `told` by command and data sheet, as a supply proof saw them where that contradicts these.
    What came earlier was a supply that came back by itself. What was read later is a relay slower than its data sheet,
    a supply that is held up for a while, or an I/O that answers from an old copy: so it came at any time from the
    command to the first read of it. Bounds that turn out to be wrong must not be counted from."""
    cut, restored = as_the_rail_was_read(rig, builder, records, told)
    late = [
        Bounds(min(one.not_before_ns, was.not_before_ns), one.not_after_ns)
        if one is not None and was is not None and one.not_after_ns > was.not_after_ns
        else one
        for one, was in zip((cut, restored), told, strict=True)
    ]
    assert late[0] is not None
    return late[0], late[1]


def as_the_rail_was_read(
    rig: Rig, builder: TraceBuilder, records: CycleRecords, told: tuple[Bounds, Bounds | None]
) -> tuple[Bounds, Bounds | None]:
    """The same as if what was read were no older than the devices' data say. Where a proof agrees with command and data
    sheet, and a check pulse shows how old its device's answers are, it narrows the return, unless the supply was only
    lowered: back above the limit of a proof is not back at its full voltage."""
    cut, restored = told
    declared, command, rises = restored, switching_of(records, "cut"), []
    for proof in rig.proof_of_cut:
        if proof.point is None or proof.wanted is None or not proof.of_supply:
            continue
        older_ns = _older_ns(rig, builder, records, proof.point)
        reads = builder.trace(proof.point).reads
        reads = replace(reads, early=reads.early - older_ns)
        off = conforming(proof.wanted, reads.value)
        unseen = unseen_ns(rig, proof.point) + older_ns
        bounce_ns = 0 if rig.supply is None else rig.supply.bounce_ns
        back = None if restored is None else _later_than(reads, ~off, restored, older_ns, unseen)
        back = None if back is None else Bounds(back.not_before_ns, back.not_after_ns + bounce_ns)
        gone = _later_than(reads, off, cut, older_ns)
        if gone is not None and (restored is None or gone.not_after_ns <= (back or restored).not_after_ns):
            cut = gone
        restored = _by_itself(reads, off, cut, restored) or back or restored
        if declared is not None and command is not None and command.to != "level" and _age_is_shown(rig, proof.point):
            rises.append(return_read(reads, off, declared, bounce_ns))
    agrees = restored == declared and cut == told[0]  # a loss that was read late may be as old a read as the rise then
    return cut, _narrowed(declared, rises) if agrees else restored


def _narrowed(declared: Bounds | None, rises: Sequence[Bounds | None]) -> Bounds | None:
    """The return within what command and data sheet leave, as far as all proofs that read it rise agree."""
    read = [one for one in rises if one is not None]
    if declared is None or not read:
        return declared
    low = max(declared.not_before_ns, min(one.not_before_ns for one in read))
    return Bounds(low, min(declared.not_after_ns, max(one.not_after_ns for one in read)))


def _age_is_shown(rig: Rig, name: str) -> bool:
    """Whether a check pulse shows how old the answers of a point's device are."""
    pulse = rig.check_pulse
    return pulse is not None and rig.points[pulse.read].device == rig.points[name].device


def _older_ns(rig: Rig, builder: TraceBuilder, records: CycleRecords, name: str) -> int:
    """By how much an answer of a point's device may be older than its data say, as its check pulse showed it: all
    the time from the write to the first read that told of it may be age. 0 where it has none."""
    pulse = rig.check_pulse
    if pulse is None or not _age_is_shown(rig, name):
        return 0
    trace, oldest_ns = builder.trace(pulse.read), 0
    for write in (one for one in records.writes if one.point == pulse.write and one.purpose == "check pulse"):
        told = trace.reads.late[(trace.reads.value == float(write.value)) & (trace.reads.late > write.sent_ns)]
        oldest_ns = max(oldest_ns, int(told[0]) - write.sent_ns) if len(told) else oldest_ns
    return max(0, oldest_ns - trace.lag_ns)


def unseen_ns(rig: Rig, name: str) -> int:
    """For how long a point has to be blind so that a change and its way back may lie in between."""
    device = rig.devices[rig.points[name].device]
    return UNSEEN_POLLS * device.poll_ns + device.image_lag_ns + device.input_delay_ns


def _by_itself(reads: Reads, off: Flags, cut: Bounds, restored: Bounds | None) -> Bounds | None:
    """The return, if it surely came before it was commanded."""
    span = None if restored is None else longest(losses_of(reads, off, cut, restored.not_after_ns))
    if span is None or span.rose is None or restored is None:
        return None
    return span.rose if span.rose.not_after_ns < restored.not_before_ns else None


def _later_than(
    reads: Reads, met: Flags, declared: Bounds, older_ns: int = 0, unseen_ns: int = FAR_NS
) -> Bounds | None:
    """The first change to a state after the earliest bound of a command, if it came later than declared: surely, or if
    what was read is not as old as it may be (`older_ns`, which its earliest instants hold). Where nothing was read for
    `unseen_ns` an earlier one may hide, which did not last: then not before that."""
    asked = reads.early + older_ns
    low = int(np.searchsorted(asked, declared.not_before_ns, side="left"))
    changed = np.flatnonzero(met[low:])
    if len(changed) == 0 or int(changed[0]) == 0:
        return None
    place = low + int(changed[0])
    if int(asked[place - 1]) <= declared.not_after_ns:
        return None
    not_before = int(reads.early[place - 1])
    if not_before <= declared.not_after_ns:
        return Bounds(declared.not_before_ns, int(reads.late[place]))
    hiding = long_gaps(reads, declared.not_before_ns, not_before, unseen_ns)
    return Bounds(hiding[0][0] if hiding else not_before, int(reads.late[place]))


def ready_deadline(rig: Rig, restored: Bounds) -> Bounds:
    """The end of the time that the controller has to get ready."""
    return restored.later_by(rig.ready.within_ns)


def _dark(
    rig: Rig, mode: bool, contact: Reachability | None, builder: TraceBuilder, span: tuple[Bounds, Bounds | None]
) -> Bounds | None:
    """When the controller fell silent (mode cut: left run mode, as its proof shows)."""
    cut, restored = span
    if mode:
        return _left_run(rig, builder, cut, restored)
    if contact is None:
        return None
    return contact.fate(cut, restored if restored is not None else Bounds(FAR_NS, FAR_NS)).dark


def _left_run(rig: Rig, builder: TraceBuilder, cut: Bounds, restored: Bounds | None) -> Bounds | None:
    end = FAR_NS if restored is None else restored.not_after_ns
    found: list[Bounds] = []
    for name, wanted, met in mode_proofs(rig):
        reads = builder.trace(name).reads.inside(cut.not_before_ns, end)
        shown = np.flatnonzero(conforming(wanted, reads.value) == met)
        if len(shown):
            place = int(shown[0])
            not_before = int(reads.early[place - 1]) if place else cut.not_before_ns
            found.append(Bounds(not_before, int(reads.late[place])))
    return min(found, key=lambda bounds: bounds.not_after_ns, default=None)


def mode_proofs(rig: Rig) -> list[tuple[str, Wanted, bool]]:
    """What proves that run mode was left: a point, its condition, and whether that must be met or missed."""
    if rig.mode is not None and rig.mode.proof:
        return [(name, wanted, True) for name, wanted in rig.mode.proof]
    return [(name, wanted, False) for name, wanted in rig.ready.when]


def run_mode_shown_ns(rig: Rig, builder: TraceBuilder, restored: Bounds) -> int:
    """From when on all proofs of the mode read that the program runs again; FAR_NS where one of them never did."""
    shown = [restored.not_after_ns]
    for name, wanted, met in mode_proofs(rig):
        reads = builder.trace(name).reads.inside(restored.not_before_ns, FAR_NS)
        runs = np.flatnonzero(conforming(wanted, reads.value) != met)
        shown.append(int(reads.late[runs[0]]) if len(runs) else FAR_NS)
    return max(shown)


def _answers(contact: Reachability, begins: Bounds, since_ns: int) -> dict[str, Bounds]:
    """Refused, accepted, answered, good: each the first of its kind after the return (or a late restart), among what
    was received after an instant."""
    after = begins.not_before_ns
    refused, accepted = SampleKind.REFUSED, SampleKind.ACCEPTED
    answer = (SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.LATE)
    no_answer = (SampleKind.REFUSED, SampleKind.SILENT, SampleKind.RESET)
    found = {
        "refused": contact.first((refused,), after, (), connects=True, received_after_ns=since_ns),
        "accepted": contact.first((accepted,), after, (refused,), connects=True, received_after_ns=since_ns),
        "answered": contact.first(answer, after, no_answer, received_after_ns=since_ns),
        "good": contact.first(
            (SampleKind.GOOD,), after, (*no_answer, SampleKind.EXCEPTION), received_after_ns=since_ns
        ),
    }
    return {name: bounds for name, bounds in found.items() if bounds is not None}


def _running(
    rig: Rig,
    scenario: Scenario,
    builder: TraceBuilder,
    span: tuple[Bounds | None, Bounds, int],
    good: Bounds | None,
    until_ns: int,
) -> dict[str, Bounds]:
    """Alive, ready, settled, from reads sent from the last instant of the span on: the read by which a loss is
    known to have come later is none of the life after it."""
    found: dict[str, Bounds] = {}
    cut, begins, from_ns = span
    after = begins.not_before_ns
    floor = good.not_before_ns if good is not None else after
    alive = rig.ready.alive
    moving: list[Held] | None = None
    if alive is not None and alive in rig.points:
        trace = builder.trace(alive)
        moving = _moving(rig, builder, (after, from_ns), until_ns)
        if moving:
            first = moving[0].since.not_after_ns
            still = standstill(trace, cut, begins)
            still = still[still < first]
            floor = max(floor, int(still.max()) if len(still) else floor)
            found["alive"] = Bounds(min(floor, first), first)
    traces = {name: builder.trace(name) for name, _ in ready_conditions(rig)}
    ready = ready_since(rig, traces, from_ns, moving)
    if ready is not None and ready.not_before_ns == from_ns:
        ready = Bounds(after, ready.not_after_ns)
    if ready is not None:
        found["ready"] = _after_it(
            Bounds(min(max(floor, ready.not_before_ns), ready.not_after_ns), ready.not_after_ns), begins
        )
    deadline = ready_deadline(rig, begins)
    in_time = "ready" in found and found["ready"].not_after_ns <= deadline.not_after_ns
    found["settled"] = (found["ready"] if in_time else deadline).later_by(scenario.settle_ns)
    return found


def _moving(rig: Rig, builder: TraceBuilder, begins: tuple[int, int], until_ns: int) -> list[Held]:
    """Spans in which the sign of life moves, from the return on; the second change shows it."""
    alive = rig.ready.alive
    controller = rig.controller
    assert alive is not None
    running = builder.running(rig.points[alive].device if controller is None else controller.name) or ()
    after, from_ns = begins
    reads = builder.trace(alive).reads
    found = []
    for span in sorted(running, key=lambda span: span.from_ns):
        last = reads.last_until(min(span.until_ns, until_ns))
        shows_it = span.until_ns > from_ns  # a lagging image shows for a while what was before
        if shows_it and from_ns <= span.from_ns < until_ns and last is not None:
            end = FAR_NS if span.until_ns >= FAR_NS and until_ns >= FAR_NS else int(reads.late[last])
            found.append(Held(Bounds(min(after, span.shown_ns), span.shown_ns), max(end, span.shown_ns)))
    return found


def standstill(trace: Trace, cut: Bounds | None, restored: Bounds) -> Instants:
    """Instants after the return at which the sign of life surely stood still, from reads that do not count yet.

    It moves at a pace known from before the cut; a value that has stood for twice the longest time between two of
    its changes shows that the program did not run when that time began; one that it came to by a change, once the
    next one was due. Nothing is known without such a pace.
    """
    nothing = np.empty(0, dtype=np.int64)
    if cut is None:
        return nothing
    usual = trace.reads.until(cut.not_before_ns)
    usually = pace_ns(usual.early, usual.late, usual.value)
    if usually is None:
        return nothing
    pace = 2 * usually
    shown_ns = trace.sent_ns - trace.lag_ns
    early_rows = ~trace.counts & ~np.isnan(trace.value) & (shown_ns >= restored.not_before_ns)
    sent, value = shown_ns[early_rows], trace.value[early_rows]
    if len(sent) == 0:
        return nothing
    # A bit that is the same on both sides of a gap may have moved in it, there and back.
    beat = np.concatenate(([False], value[1:] != value[:-1]))
    begins = np.flatnonzero(np.concatenate(([True], sent[1:] - sent[:-1] > usually)) | beat)
    lasted = np.diff(np.concatenate((begins, [len(sent)])))
    due = np.repeat(sent[begins] + np.where(beat[begins], usually, 0), lasted)
    stood: Instants = sent - pace
    return stood[stood >= due]


def ready_conditions(rig: Rig) -> list[tuple[str, Wanted]]:
    """What makes the controller count as running. Without `when` it is enough that `alive` moves, without either
    that any point of the controller can be read."""
    if rig.ready.when:
        return list(rig.ready.when)
    if rig.ready.alive is not None and rig.ready.alive in rig.points:
        return [(rig.ready.alive, ANYTHING)]
    controller = rig.controller
    readable = [name for name, point in rig.points.items() if controller is None or point.device == controller.name]
    return [(name, ANYTHING) for name in readable[:1]]


def ready_since(rig: Rig, traces: Mapping[str, Trace], from_ns: int, moving: list[Held] | None = None) -> Bounds | None:
    """First instant after `from_ns` from which all conditions of `ready` held for `steady`; None: not yet.

    Only reads that count are looked at (rule 3), and only those sent after `from_ns`; `moving` are the spans in which
    the sign of life is known to move, where that is more than the reads' own counting says.
    """
    held: list[Held] | None = moving
    for name, wanted in ready_conditions(rig):
        trace = traces.get(name)
        if trace is None:
            return None
        spans = held_spans(trace.reads.inside(from_ns, FAR_NS), wanted, from_ns)
        held = spans if held is None else held_together(held, spans)
    for span in held or []:
        if span.until_ns - span.since.not_after_ns >= rig.ready.steady_ns:
            return span.since
    return None


def condition_held(traces: Mapping[str, Trace], conditions: Sequence[tuple[str, Wanted]], from_ns: int) -> Held | None:
    """From when after `from_ns`, and at least until when, all conditions have held unbroken up to the newest reads.

    None where one does not hold now, or was not read for longer than a second. Names are those of the judged points.
    """
    held: list[Held] = []
    for name, wanted in conditions:
        trace = traces.get(name)
        if trace is None or len(trace.received_ns) == 0:
            return None
        reads = trace.reads.inside(from_ns, FAR_NS)
        spans = held_spans(reads, wanted, from_ns)
        if not spans or spans[-1].until_ns != int(reads.early[-1]):
            return None
        if int(trace.received_ns[-1]) - spans[-1].until_ns > BLIND_NS:
            return None
        held.append(spans[-1])
    if not held:
        return None
    since = [one.since for one in held]
    together = Bounds(max(one.not_before_ns for one in since), max(one.not_after_ns for one in since))
    return Held(together, min(one.until_ns for one in held))


class Held:
    """A condition held from `since` at least until `until_ns`."""

    __slots__ = ("since", "until_ns")

    def __init__(self, since: Bounds, until_ns: int) -> None:
        self.since = since
        self.until_ns = until_ns


def held_spans(reads: Reads, wanted: Wanted, from_ns: int) -> list[Held]:
    """Spans in which every read met the condition and no two were further apart than a second. What held on both sides
    of such a gap may have held since before it."""
    if len(reads) == 0:
        return []
    met: Flags = np.ones(len(reads), dtype=bool) if wanted is ANYTHING else conforming(wanted, reads.value)
    broken = (reads.late[1:] - reads.early[:-1] > BLIND_NS) | (met[1:] != met[:-1])
    edges = [0, *(np.flatnonzero(broken) + 1).tolist(), len(reads)]
    spans: list[Held] = []
    for low, high in pairwise(edges):
        if bool(met[low]):
            not_before = from_ns if low == 0 else int(reads.early[low - 1])
            if low and bool(met[low - 1]):
                not_before = spans[-1].since.not_before_ns
            since = Bounds(min(not_before, int(reads.late[low])), int(reads.late[low]))
            spans.append(Held(since, int(reads.early[high - 1])))
    return spans


def held_together(first: list[Held], second: list[Held]) -> list[Held]:
    """Spans in which both held, in order."""
    found: list[Held] = []
    place = 0
    for span in first:
        while place < len(second) and second[place].until_ns < span.since.not_after_ns:
            place += 1
        for other in second[place:]:
            since = Bounds(
                max(span.since.not_before_ns, other.since.not_before_ns),
                max(span.since.not_after_ns, other.since.not_after_ns),
            )
            if other.since.not_after_ns > span.until_ns:
                break
            found.append(Held(since, min(span.until_ns, other.until_ns)))
    return found
