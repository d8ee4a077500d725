"""Which verdicts the rules allow for a world, from its truth alone: no module of the judge is known here.

Each demand yields what forbids a pass (it was broken, or was not to be seen), what forbids a fail (it was kept), and
what excuses a shrug: a named limit of the instruments. Where the truth lies at a limit, nothing is forbidden.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from deliveries import GOOD
from drawing import Life, World
from histories import FAR, MS, S, Span, Steps, joined, spans_where
from readings import (
    Reading,
    Readings,
    Ready,
    Spans,
    last_exception,
    rail_point,
    read_back_early,
    restored_bounds,
    spans_of,
)

from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import Expectation, Gap, MarkLimit
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR
SECOND = S


@dataclass
class Allowed:
    """Why no pass, why no fail, why a shrug is excused."""

    point: str
    expectation: str
    no_pass: list[str] = field(default_factory=list)
    no_fail: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    settled: bool = False

    @property
    def verdicts(self) -> set[Verdict]:
        """The verdicts that nothing forbids."""
        found = set()
        if not self.no_pass:
            found.add(PASS)
        if not self.no_fail:
            found.add(FAIL)
        if self.doubts or not (self.no_pass or self.no_fail) or not found:
            found.add(INCONCLUSIVE)
        return found

    def told(self) -> str:
        parts = [f"no pass: {'; '.join(self.no_pass)}"] if self.no_pass else []
        parts += [f"no fail: {'; '.join(self.no_fail)}"] if self.no_fail else []
        parts += [f"shrug excused: {'; '.join(self.doubts)}"] if self.doubts else []
        return " | ".join(parts) or "at a limit"


@dataclass
class Invalid:
    """A reason for an error. `sure`: it must be found; else it may. `at`: its earliest instant; `void`: nothing of the
    cycle stands."""

    kind: str
    why: str
    sure: bool
    at: int
    void: bool


class Oracle:
    """Everything that is allowed for one world."""

    def __init__(self, world: World, readings: Readings) -> None:
        self.world, self.readings = world, readings
        self.low, self.high, self.latest = restored_bounds(world, readings)
        self.ready, self.spans = spans_of(world, readings)
        self.early = read_back_early(world, readings)
        self.back = world.returned if self.early else max(world.returned, self.low)  # the true return
        since = self.ready.true if self.ready.true is not None else self.high
        self.glitches = readings.contact_losses(since, world.end)

    # ------------------------------------------------------------ common

    @property
    def unread_return(self) -> bool:
        """Whether the supply came back by itself, or later than its data sheet says, and nothing read it: then nothing
        that counts from its return can be held against the truth."""
        by_itself = self.world.lost < self.world.returned < self.world.back[0] and not self.early
        rail = rail_point(self.world)
        read_late = False
        if rail is not None:
            reads = self.readings.all_good(rail)
            late = reads.value[reads.early > self.high]  # off, and on at last
            read_late = bool((late == 0).any()) and bool(late[-1] > 0)
        return by_itself or (self.world.returned > self.high and not read_late) or self._bounced_unread(rail)

    def _bounced_unread(self, rail: str | None) -> bool:
        """Whether the contact opened once more as it closed, longer than its data say, and nothing read it off."""
        openings = self.world.rail.spans([0.0], self.world.lost, self.world.returned)
        if rail is None or len(openings) < 2 or "bounc" not in self.world.theme:
            return False
        reads = self.readings.all_good(rail)
        return not bool(((reads.value == 0) & (reads.early > openings[-1][0])).any())

    def _last_sign(self, seen: int) -> int:
        """The last sign that the controller did not run. A restart that shows by silence alone may be none."""
        got = self.world.got["controller"]
        anew = np.isin(got.kind, (3, 4))
        stacks = [
            at for at, name in zip(self.world.phases.times, self.world.phases.names, strict=True) if name == "dark"
        ]
        ends = [life.end for life in self.world.lives] + [at for at in stacks if at > self.world.returned]
        for end in ends:
            lost = max(end, self.low)
            if end > self.back and end < seen and not bool((anew & (got.received > lost)).any()):
                return self.low
        return max(self.low, self.readings.signs_against(min(seen, self._answered_again())))

    def _answered_again(self) -> int:
        """When a controller on a disturbed link first gave values in its last life: what is unanswered after that may
        have been lost."""
        wire, got = self.world.wires["controller"], self.world.got["controller"]
        if not (wire.lost_one_in or wire.exception_one_in or wire.outages):
            return FAR
        since = max([self.low, *(life.end for life in self.world.lives if life.end < FAR)])
        good = got.received[(got.kind == 0) & (got.sent >= since)]
        return int(good[0]) if len(good) else FAR

    def sure(self, name: str) -> Reading:
        return self.readings.sure(name, self.ready.life)

    def before(self, name: str) -> float | None:
        """The last good value before the cut."""
        reads = self.sure(name)
        known = reads.value[reads.late <= self.world.cut[0]]
        return float(known[-1]) if len(known) else None

    def conforming(self, wanted: Wanted, name: str) -> set[float] | None:
        """Which of the values that the point ever has conform; None: nothing to compare with."""
        before = self.before(name)
        if before is None and (wanted.as_before or wanted.change is not None):
            return None
        return {value for value in self.world.truth[name].values if wanted.met_by(value, before)}

    def span_end(self, one: Expectation) -> tuple[int, int]:
        """End of an expectation's span, at the earliest and at the latest."""
        low, high = self.spans.end
        if one.until == "command":
            stop = self.world.press_at if self.world.press_at is not None else self.world.end
            return max(low, stop), max(high, stop)
        return low, high

    def _common_doubts(self, one: Allowed, name: str) -> None:
        if self.spans.in_time is None:
            one.doubts.append("whether ready came in time is not to be told")
        if len(self.glitches):
            one.doubts.append("contact with the controller was lost in the watch")
        stood = rail_point(self.world) is None and self.ready.true is None and self._stood_before_steady()
        if self.ready.seen is None and (self._ran_unread() or stood):
            one.doubts.append("whether it had been ready before it hung is not to be told")
        if self.latest - self.high > 500 * MS:
            one.doubts.append("when the supply came back was read late")
        if not self.powered() or (None in (self.ready.true, self.ready.seen) and self.world.pace > 100 * MS):
            one.doubts.append("nothing tells whether the controller had power")

    def _cleared_out_of_run_mode(self, longer_than: int) -> bool:
        """Whether the output without terminal read on through the command back and went off before its program was
        read to run, or before it had then been on for as long as the demand asks: memory drives no output."""
        runs = self.world.truth["running"].spans([1.0], self.world.back[0], self.world.end)
        gone = [end for start, end in self.world.truth["valve"].spans([1.0], self.world.cut[0], self.world.end)
                if start <= self.world.back[1] < end]  # fmt: skip
        return bool(gone) and (not runs or gone[0] < runs[0][0] + longer_than + 30 * MS)

    def powered(self, within: int = 0) -> bool:
        """Whether anything but the relay says that the controller had its supply back in time to be blamed."""
        if self.world.mode or (self.spans.in_time and not within):
            return True
        rail = rail_point(self.world)
        shown = FAR
        if rail is not None:
            reads = self.readings.all_good(rail)
            on = reads.late[(reads.early >= self.high) & (reads.value > 0)]
            if len(on) == 0 or not within or on[0] < self.high + 50 * MS:
                return len(on) > 0
            shown = int(on[0])  # late: up to then nothing but the relay, or the controller itself, had told
        got = self.world.got["controller"]
        off = (got.sent > self.world.cut[1]) & (got.received < self.world.back[0])
        refused = () if bool((off & (got.kind == 3)).any()) else (3,)  # what refuses without supply has another one
        spoke = np.isin(got.kind, (0, 1, *refused, 5, 6)) & (got.sent >= self.high)
        if not bool(spoke.any()) and shown == FAR:
            return False
        first = min(shown, int(got.received[spoke][0]) if bool(spoke.any()) else FAR)
        if first > self.spans.end[1]:
            return False  # it spoke when the watch was over
        true, seen = self.ready.true, self.ready.seen
        due = first + (within or self.world.rig.ready.within_ns)
        if true is None or seen is None:  # the time that it has counts from when its supply is proven to be back
            return due < self.spans.end[1] - 100 * MS and (true is None or true - 50 * MS > due)
        sign = self._last_sign(seen)
        earlier = [life.start for life in self.world.lives if life is not self.ready.life and life.start > self.back]
        since = min(true, sign, *earlier)  # a life that a later restart ended may be the one that was watched
        return since - 50 * MS > due

    # ------------------------------------------------------------ expectations

    def expectation(self, one: Expectation) -> Allowed:
        allowed = Allowed(one.point, one.text)
        if one.phase == "during":
            self._during(one, allowed)
            return allowed
        self._common_doubts(allowed, one.judged)
        if self.world.mode and one.point == "valve" and self._cleared_out_of_run_mode(one.longer_than_ns or 0):
            allowed.doubts.append("it went off while the controller was told to run and did not yet: memory, cleared")
        if one.kind != "is":
            self._pulses(one, allowed)
        elif one.window is None:
            self._settled(one, allowed)
        else:
            self._windowed(one, allowed)
        self._image(one, allowed)
        self._old_before(one, allowed)
        return allowed

    def _old_before(self, one: Expectation, allowed: Allowed) -> None:
        """What was last read longer ago than may be blind is no value from before the cut."""
        if not one.wanted.as_before and one.wanted.change is None:
            return
        reads = self.sure(one.judged)
        known = reads.early[reads.late <= self.world.cut[0]]
        cut = max(self.world.cut[0], self.world.lost) if self.world.lost < FAR else self.world.cut[0]
        age = cut - int(known[-1]) if len(known) else FAR
        if cut - self.world.cut[0] > 50 * MS:
            allowed.doubts.append("the loss was read late, so what was read before it may be as old as that")
        if age > one.blind_ns - MS:
            allowed.doubts.append(f"last read {age / MS:.0f} ms before the cut")
        if self._hardly_alive_before(one.judged):
            allowed.doubts.append("its sign of life had hardly moved before the cut (rule 3)")
        if self._not_alive_again_by_the_cut(one):
            allowed.doubts.append("its reads on the connection of after an outage do not count yet (rule 3)")
        unread = self.readings.possible(one.judged)
        if self.world.cut[0] - max(unread.late[unread.late <= cut], default=0) > one.blind_ns + MS:
            allowed.no_pass.append("what it was at the cut is not known")
            allowed.no_fail.append("what it was at the cut is not known")

    def _hardly_alive_before(self, name: str) -> bool:
        """Rule 3: reads count from the second change of the sign of life on, and a slow one may not have shown two."""
        if self.world.rig.points[name].device != "controller" or not self.world.rig.ready.alive:
            return False
        signs = self.readings.all_good("heartbeat")
        return int(np.count_nonzero(np.diff(signs.value[signs.late <= self.world.cut[0]]))) < 3

    def _not_alive_again_by_the_cut(self, one: Expectation) -> bool:
        """Rule 3: on a new connection reads count from the second change of the sign of life on. The one that an outage
        or lost replies before the cut had led to may not have shown two by then; the last read before it is older than
        may be."""
        device = self.world.rig.points[one.judged].device
        wire, cut = self.world.wires[device], self.world.cut[0]
        if device != "controller" or not self.world.rig.ready.alive:
            return False
        two_changes = 2 * (self.world.pace + wire.poll) + wire.answer_within
        got = self.world.got[device]
        good = (got.kind == GOOD) & (got.received <= cut)
        earlier = got.received[good & (got.connection != got.connection[good][-1])] if bool(good.any()) else ()
        gaps = list(wire.outages)
        if len(earlier):  # lost replies end a connection as well
            gaps.append((int(earlier[-1]), int(got.sent[good & (got.sent > earlier[-1])][0])))
        return any(low < cut < high + two_changes and cut - low > one.blind_ns - wire.poll - MS for low, high in gaps)

    def _image(self, one: Expectation, allowed: Allowed) -> None:
        if self.world.disagrees == one.point:
            allowed.doubts.append("image and terminal disagree: the channel may be dead")
        low, high = self.world.cut[0], self.world.back[1]
        if one.kind == "is" and high - low > 900 * MS and self.world.truth[one.judged].kinds(low, high) == {1.0}:
            allowed.doubts.append("on all through the dark: its input may be stuck")

    def _settled(self, one: Expectation, allowed: Allowed) -> None:
        world, name = self.world, one.judged
        good = self.conforming(one.wanted, name)
        if good is None:
            allowed.doubts.append("no value from before the cut")
            allowed.no_pass.append("nothing to compare with")
            allowed.no_fail.append("nothing to compare with")
            return
        end = self.span_end(one)
        possible, certain = (self.spans.start[0], end[1]), (self.spans.start[1], end[0])
        truth = world.truth[name]
        broken = spans_where(truth, good, *possible)
        reads = self.sure(name)
        deviating = self._first(reads.within(*certain), good, False)
        if not broken:
            allowed.no_fail.append("it conformed in all of the span")
        if deviating is not None:
            allowed.no_pass.append(f"it was read to deviate at {told(deviating)}")
        for low, high in broken:
            if min(high, certain[1]) - max(low, certain[0]) > one.blind_ns:
                allowed.no_pass.append(f"it deviated {span_told((low, high))}")
        if len(self.readings.possible(name).within(*possible).early) < 2 and possible[1] > possible[0]:
            allowed.no_pass.append("one read or none that may count in the span")
        gap = reads.longest_gap(possible[0], min(possible[1], world.end))
        if gap > one.blind_ns or possible[1] > world.end:
            allowed.doubts.append(f"not read for {gap / MS:.0f} ms of the span")
        inside = reads.within(*certain)
        if len(inside.early) < 4 or 2 * (inside.late[-1] - inside.early[0]) < possible[1] - possible[0] + 60 * MS:
            allowed.doubts.append("few reads in the span, or at one end of it")
        if broken and deviating is None:
            allowed.doubts.append("what deviated was not surely read")
        covered = self._covered(name, *certain)
        if covered > one.blind_ns + 5 * MS:
            allowed.no_pass.append(f"blind for {covered / MS:.0f} ms")

    def _covered(self, name: str, low: int, high: int) -> int:
        """The longest time without any good reply in a span: no reader of the rules can know more."""
        return self.readings.possible(name).longest_gap(low, high) if high > low else 0

    def _may_have_dropped(self, name: str) -> bool:
        """Whether reads leave a gap about cut and return as long as the supply was off: what was on before may have
        gone off with the supply and come on with it."""
        off = (self.back if self.back < FAR else self.low) - self.world.lost
        reads = self.sure(name)
        shown = reads.late[reads.early >= self.high]
        until = int(shown[0]) if len(shown) else self.world.end
        return reads.longest_gap(self.world.cut[0], until) > off - 40 * MS

    def _unread_while_on(self, name: str) -> bool:
        """Whether what was on before the cut was not read for long before its first read of off after the return: off
        and on again may lie in there, and then its first change was another one."""
        if not self.world.rig.is_independent(name) or not world_on_at(self.world, name):
            return False
        reads = self.sure(name)
        off = reads.early[(reads.late > self.high) & (reads.value == 0)]
        until = int(off[0]) if len(off) else self.world.end
        return reads.longest_gap(self.world.cut[0], until) > self._polls(name, 2.5)

    def _polls(self, name: str, number: float) -> int:
        """How long reads so many polls apart leave a point unseen, its lag included."""
        device = self.world.rig.devices[self.world.rig.points[name].device]
        return int(number * device.poll_ns) + device.image_lag_ns + device.input_delay_ns

    def _first(self, reads: Reading, good: set[float], conforms: bool) -> int | None:
        met = np.isin(reads.value, list(good))
        places = np.flatnonzero(met if conforms else ~met)
        return int(reads.looked[places[0]]) if len(places) else None

    # ------------------------------------------------------------ within, between

    def _start(self, one: Expectation) -> tuple[int, int, int] | None:
        """True start and its bounds; None: nothing to count from."""
        if one.start == "restored":
            if self.world.returned > self.high and rail_point(self.world) is None:
                return None  # it came back later than it was to, or never, and nothing reads it
            return self.back, min(self.low, self.back), self.latest
        if one.start == "ready":
            if self.ready.true is None or self.ready.seen is None:
                return None
            sign = self._last_sign(self.ready.seen)
            return self.ready.true, min(sign, self.ready.true), self.ready.seen
        event = self._first_on(self.world.rig.judged_point(one.start))
        if event is None or event[1] - event[0] >= FAR or event[1] > self.spans.end[0]:
            return None
        return event[2], event[0], event[1]

    def _first_on(self, name: str) -> tuple[int, int, int] | None:
        """Bounds and truth of the first change to on after the return; None: there is none, or it was on throughout.
        Bounds wider than anything where reads can't tell."""
        truth = self.world.truth[name]
        spans = truth.spans([1.0], self.world.cut[0], self.world.end)
        later = [span for span in spans if span[1] > self.back]
        if later and later[0][0] == self.world.cut[0]:  # on since before the cut
            later = later[1:]
        if not later:
            return None
        begin, end = max(later[0][0], self.back), later[0][1]
        reads = self.sure(name)
        if world_on_at(self.world, name) and reads.gap_around(begin) < self._polls(name, 3.5):
            gone = max(
                (low for low, high in truth.spans([0.0], self.world.cut[0], begin) if high == begin), default=FAR
            )
            off = (reads.looked >= gone) & (reads.looked < begin) & (reads.value == 0)
            if gone < FAR and not bool(off.any()):
                return -FAR, FAR, begin  # off for so short a time that it fell between two polls
        shown = reads.late[(reads.early >= begin) & (reads.looked < end) & (reads.value == 1)]
        if len(shown) == 0:
            return -FAR, FAR, begin
        before = reads.early[reads.late <= begin]
        low = max(self.low, int(before[-1])) if len(before) else self.low
        return min(low, begin), int(shown[0]), begin

    def _never_on(self, name: str) -> bool:
        """Whether a terminal was off all the time from the loss to the end of the cycle."""
        return not self.world.truth[name].spans([1.0], self.world.cut[0], self.world.end)

    def _windowed(self, one: Expectation, allowed: Allowed) -> None:
        assert one.window is not None
        world, name = self.world, one.judged
        start = self._start(one)
        if start is None:
            allowed.doubts.append(f"nothing surely to count from ({one.start})")
            if one.start not in ("restored", "ready") and self._never_on(self.world.rig.judged_point(one.start)):
                allowed.no_pass.append(f"{one.start} did not come on")
                allowed.no_fail.append(f"{one.start} did not come on")
            if one.start == "ready" and self.ready.true is None:
                allowed.no_pass.append("the controller was never ready")
            return
        origin, low, high = start
        event = None if one.start in ("restored", "ready") else world.rig.judged_point(one.start)
        off_before = event is not None and self._first(self.sure(event).within(world.cut[0], origin), {0.0}, True)
        if event is not None and world_on_at(world, event) and off_before is None:
            allowed.doubts.append(f"that {one.start} was off was not read, so it did not come on")
        if event is not None and self._unread_while_on(event):
            allowed.doubts.append(f"that {one.start} did not go off and come on again was not read")
        if event is not None and world_on_at(world, event) and self._may_have_dropped(event):
            allowed.doubts.append(f"that {one.start} did not come with the return was not read")
        good = self.conforming(one.wanted, name)
        assert good is not None
        end = self.span_end(one)
        truth = world.truth[name]
        spans = truth.spans(good, world.cut[0] - 100 * MS, end[1])
        reads = self.sure(name)
        gap = reads.longest_gap(low, min(end[1], world.end))
        inside = reads.within(high, end[0])
        if gap > one.blind_ns or end[1] > world.end or len(inside.early) < 3:
            allowed.doubts.append(f"not read for {gap / MS:.0f} ms")
        elif gap > one.window.not_after_ns // 2 or 2 * gap > (end[0] - high) // 2:  # type: ignore[operator]
            allowed.doubts.append(f"not read for {gap / MS:.0f} ms of a short span")
        if len(self.readings.possible(name).within(low, end[1]).early) == 0:
            allowed.no_pass.append("it was not read in the span")
        base = next((span for span in spans if span[0] <= world.cut[0] and span[1] > low), None)
        candidates = [span for span in spans if span[1] > origin and span is not base]
        if base is not None and base[1] >= end[1]:
            if one.window.not_before_ns == 0:
                allowed.no_fail.append("it conformed all through")
                if one.window.not_after_ns is not None and one.window.not_after_ns < high - low:
                    allowed.doubts.append(f"what it is counted from is known to {(high - low) / MS:.0f} ms")
            else:
                allowed.no_pass.append("it outlived the cut, so there is no change")
                allowed.doubts.append("there is no change to hold against the limit")
            if not world.rig.is_independent(name):
                allowed.doubts.append("an own read from before the cut is not set against those after it")
                allowed.doubts += ["first seen late"] if one.window.not_after_ns is not None else []
            return
        if base is not None and base[1] >= (inside.early[-1] if len(inside.early) else end[0]):
            allowed.doubts.append("it may have outlived the watch, or all that was read of it")
            return
        if base is not None and world.restarted and not world.rig.is_independent(name):
            allowed.doubts.append("whether it outlived the restart, the controller's own reads can't tell")
            return
        if base is not None and self._may_have_dropped(name):
            allowed.doubts.append("that it outlived the cut without a break was not read")
        if base is not None and low - 2 * MS <= base[1] <= high + 2 * gap_at(reads, base[1]):
            allowed.doubts.append("it changed at the very return")
            return
        if not candidates:
            self._never_came(one, allowed, (origin, high), good, end, reads)
            return
        begin, until = max(candidates[0][0], origin), candidates[0][1]
        lasting = reads.within(begin, end[0])
        if len(lasting.early) < 3 or 15 * (lasting.late[-1] - lasting.early[0]) < end[1] - begin:
            allowed.doubts.append("few reads since it came, at one end of the span (rule 7)")
        delay = begin - origin
        limit_low, limit_high = one.window.not_before_ns, one.window.not_after_ns
        assert limit_high is not None
        width = gap_at(reads, begin) + (high - low)
        after = spans_where(truth, good, begin, end[1])
        relapse = self._first(
            reads.within(begin, end[0]).only(reads.within(begin, end[0]).looked >= until), good, False
        )
        shown = self._first(reads.within(max(begin, high), until), good, True)
        if after:
            allowed.doubts.append(f"relapse {span_told(after[0])}")
            if relapse is not None and shown is not None:
                allowed.doubts.clear()
                self._common_doubts(allowed, name)
                if self._left_by_no_power(name, good, begin, origin) and len(candidates) > 1:
                    allowed.doubts.append("off is what no power leaves behind, and may be no change")
                    again, later = candidates[1][0] - origin, spans_where(truth, good, candidates[1][0], end[1])
                    read = self._first(reads.within(candidates[1][0], end[0]), good, False)
                    lasting = any(min(to, end[0]) - since > one.blind_ns for since, to in later)
                    if not limit_low <= again <= limit_high or read is not None or lasting:
                        allowed.no_pass.append(f"it did not last: {told(relapse)}, and did not come again in time")
                    elif not later and one.start == "restored" and not self._may_be_read_on(name, good, begin):
                        allowed.no_fail.append(f"it came again in time: {told(candidates[1][0])}")
                elif not self._came_when_it_came_again(base, candidates, good, reads, (low, origin, limit_high)):
                    allowed.no_pass.append(f"it came {told(begin)} and did not last: {told(relapse)}")
                if gap > one.blind_ns:
                    allowed.doubts.append("blind gaps")
                if base is not None or begin <= high + gap_at(reads, high):
                    allowed.doubts.append("it conformed at the return")
            return
        if delay > limit_high:
            allowed.no_pass.append(f"it came {delay / MS:.2f} ms after {one.start}, {limit_high / MS:.2f} allowed")
        elif delay < limit_low:
            allowed.no_pass.append(f"it came {delay / MS:.2f} ms after {one.start}, before {limit_low / MS:.2f}")
        elif not candidates[0][0] < low or limit_low == 0:
            allowed.no_fail.append(f"it came {delay / MS:.2f} ms after {one.start} and lasted")
        if abs(delay - limit_high) <= width or (limit_low and abs(delay - limit_low) <= width):
            allowed.doubts.append(f"the limit lies within the bounds ({width / MS:.1f} ms)")
        if limit_low and begin <= high:
            allowed.doubts.append("it came at the very return")
        if begin + gap_at(reads, begin) > end[0]:
            allowed.doubts.append("it came when the watch may have been over")
        if base is not None and base[1] > low:
            missing = self._first(reads.within(max(low, base[1]), begin), good, False)
            if missing is None:
                allowed.doubts.append("that it was away before was not surely read")
                allowed.no_fail.clear() if limit_low else allowed.no_pass.clear()

    def _came_when_it_came_again(
        self, base: Span | None, candidates: list[Span], good: set[float], reads: Reading, counted: tuple[int, int, int]
    ) -> bool:
        """Whether it was so from before, or that it was away went unread before it first came: then what came in time
        is what came again."""
        low, origin, limit = counted
        if len(candidates) < 2 or candidates[1][0] - origin > limit:
            return False
        if base is None or base[1] <= low:
            return candidates[0][0] < low  # it was so before what it is counted from, and came after that
        return self._first(reads.within(base[1], candidates[0][0]), good, False) is None

    def _left_by_no_power(self, name: str, good: set[float], begin: int, origin: int) -> bool:
        """Whether what conforms at the start is off, as a loss of the supply leaves it. In a restarted controller's own
        reads it looks so wherever none that counts was on before."""
        own = self.world.restarted and not self.world.rig.is_independent(name)
        unread = own and self._first(self.sure(name).within(self.low, begin), good, False) is None
        return 0.0 in good and (begin <= origin or unread)

    def _may_be_read_on(self, name: str, good: set[float], begin: int) -> bool:
        """Whether a restarted controller's own read of its last life, before it conformed, may count by rule 3 although
        it is not among those that surely do: then off was a change."""
        life = self.ready.life
        if life is None or not self.world.restarted or self.world.rig.is_independent(name):
            return False
        possible = self.readings.possible(name).within(max(self.low, life.start), begin)
        return self._first(possible, good, False) is not None

    def _never_came(
        self, one: Expectation, allowed: Allowed, start: Span, good: set[float], end: Span, reads: Reading
    ) -> None:
        assert one.window is not None and one.window.not_after_ns is not None
        allowed.no_pass.append("it never came")
        deadline = start[1] + one.window.not_after_ns
        late = self._first(reads.within(deadline, min(end[0], self.world.end)), good, False)
        if late is None:
            allowed.doubts.append("not read between the limit and the end of the watch")

    # ------------------------------------------------------------ never, stays, returns

    def _pulses(self, one: Expectation, allowed: Allowed) -> None:
        world, name = self.world, one.judged
        good = self.conforming(one.wanted, name)
        if one.kind == "never" and good is not None:
            good = set(world.truth[name].values) - good
        if one.kind == "returns":
            good = {0.0}
        if good is None:
            allowed.doubts.append("no value from before the cut")
            allowed.no_pass.append("nothing to compare with")
            allowed.no_fail.append("nothing to compare with")
            return
        off_conforms = self._off_conforms(one)
        rides = world.scenario.restart == "none" and not world.mode
        whole = world.rattles and name == "horn" and world.truth[name].times[-1] < self.span_end(one)[0] - 50 * MS
        if whole and self._breaks_hide(self.sure(name), good, one.longer_than_ns):
            allowed.no_fail.append("none was as long, and as many breaks were read as would hide")
        spans = [b - a for a, b in pairwise((*world.truth[name].times[1:], world.end))]
        if len(spans) > 1 and min(spans) < 100 * MS:
            allowed.doubts.append("it chatters")
        if off_conforms or rides:
            self._pulses_from_cut(one, allowed, good)
        else:
            self._pulses_from_return(one, allowed, good)

    def _breaks_hide(self, reads: Reading, good: set[float], limit: int) -> bool:
        """Whether in each row of deviating reads that lasts as long as a limit as many breaks may hide as part it into
        shorter ones, going by those beside it that were shorter than two of its reads lie apart. Read by read."""
        rows: list[list[int]] = []
        for place, value in enumerate(reads.value):
            if place == 0 or (value in good) != (reads.value[place - 1] in good):
                rows.append([])
            rows[-1].append(place)
        lasts = [int(reads.early[row[-1]] - reads.late[row[0]]) for row in rows]
        for number, row in enumerate(rows):
            if reads.value[row[0]] in good or lasts[number] < limit:
                continue
            apart = max(int(reads.late[b] - reads.early[a]) for a, b in pairwise(row))
            breaks = 0
            for way in (-1, 1):
                at = number + way
                while 0 < at < len(rows) - 1 and lasts[at] < apart:
                    breaks, at = breaks + 1, at + 2 * way
            if breaks < lasts[number] // limit:
                return False
        return True

    def _off_conforms(self, one: Expectation) -> bool:
        if one.kind == "returns":
            return True
        met = one.wanted.met_by(0.0, self.before(one.judged))
        return met != (one.kind == "never")

    def _pulses_from_cut(self, one: Expectation, allowed: Allowed, good: set[float]) -> None:
        world, name, limit = self.world, one.judged, one.longer_than_ns
        end = self.span_end(one)
        reads = self.sure(name)
        deviating = spans_where(world.truth[name], good, world.cut[0], min(end[1], world.end))
        gap = reads.longest_gap(world.cut[0], min(end[1], world.end))
        self._pulse_doubts(allowed, name, gap, limit, (max(world.cut[1], world.lost), end[0]), end[1])
        remainder = deviating[0] if deviating and deviating[0][0] <= world.lost else None
        at_cut = remainder is not None and world.truth[name].at(world.cut[0]) not in good
        others = [span for span in deviating if not (at_cut and span is remainder)]
        worst = 0
        if at_cut and remainder is not None and one.kind != "returns":
            energised = (self.latest, min(remainder[1], end[0]))
            if energised[1] - energised[0] >= limit:
                allowed.no_pass.append(f"it was on through the return until {told(remainder[1])}")
            worst = max(worst, remainder[1] - self.back)
            since = (
                self.low if self.latest > self.high else self.back
            )  # a rail read late may be as old, or the relay slow
            self._near(allowed, remainder[1] - self.back, limit, 2 * min(gap, limit) + self.latest - since)
        for low, high in others:
            free = not at_cut or one.kind == "returns" or low >= self.latest
            if at_cut and remainder is not None and not free:
                free = self._first(reads.within(remainder[1], low), good, True) is not None
            if at_cut and one.kind == "returns" and remainder is not None:
                free = self._first(reads.within(remainder[1], low), good, True) is not None
            length = min(high, end[0]) - low
            if length >= limit and free:
                allowed.no_pass.append(f"it deviated {span_told((low, high))}")
            elif length >= limit:
                allowed.doubts.append("what came between was not surely read")
        for low, high in joined(others, min(gap, limit)):
            worst = max(worst, high - low)
            self._near(allowed, high - low, limit, 2 * min(gap, limit))
            self._near(allowed, min(high, end[0]) - low, limit, 2 * min(gap, limit))
        if at_cut and remainder is not None and others and others[0][0] - remainder[1] <= gap and one.kind == "returns":
            worst = max(worst, limit)
            allowed.doubts.append("it was hardly off")
        if at_cut and remainder is not None and others and others[0][0] - remainder[1] <= min(gap, limit):
            worst = max(worst, others[0][1] - self.back)  # what lies between could not be read
        if worst < limit:
            allowed.no_fail.append("no deviation was as long as that")

    def _near(self, allowed: Allowed, length: int, limit: int, width: int) -> None:
        if abs(length - limit) <= width:
            allowed.doubts.append(
                f"{length / MS:.1f} ms and the limit of {limit / MS:.0f} ms lie within {width / MS:.1f} ms"
            )

    def _pulse_doubts(self, allowed: Allowed, name: str, gap: int, limit: int, span: Span, last: int) -> None:
        if gap >= limit or last > self.world.end:
            allowed.doubts.append(f"not read for {gap / MS:.0f} ms, so such a pulse could hide")
        covered = self._covered(name, *span)
        if covered >= limit + MS:
            allowed.no_pass.append(f"no reply for {covered / MS:.0f} ms: such a pulse could hide")

    def _pulses_from_return(self, one: Expectation, allowed: Allowed, good: set[float]) -> None:
        world, name, limit = self.world, one.judged, one.longer_than_ns
        end = self.span_end(one)
        reads = self.sure(name)
        until = min(end[1], world.end)
        truth = world.truth[name]
        first = next((low for low, _ in truth.spans(good, self.low, until)), None)
        shown = self._first(reads.within(self.latest, end[0]), good, True)
        if first is None:
            gap = reads.longest_gap(self.low, until)  # from the earliest return on something could have conformed
            if end[0] - self.latest >= limit:
                allowed.no_pass.append("it never conformed")
            self._near(allowed, end[0] - self.latest, limit, 2 * gap + self.latest - self.back + 50 * MS)
            unread = gap >= limit and not self._seen_at_last(reads, limit, end)
            if unread or last_read(reads) < end[0] - 2 * gap or end[1] > world.end:
                allowed.doubts.append(f"not read for {gap / MS:.0f} ms")
            return
        showing = reads.early[(reads.looked >= first) & np.isin(reads.value, list(good))]
        begun = min(first, int(showing[0])) if len(showing) else first  # the read under way as it came begins the span
        gap = reads.longest_gap(begun, until)
        self._pulse_doubts(allowed, name, gap, limit, (max(first, shown or FAR), end[0]), end[1])
        deviating = spans_where(truth, good, first, until)
        worst = 0
        for low, high in deviating:
            length = min(high, end[0]) - low
            seen = self._first(reads.within(self.latest, low), good, True)
            if length >= limit and seen is not None:
                allowed.no_pass.append(f"it deviated {span_told((low, high))}")
            elif length >= limit:
                allowed.doubts.append("that it had conformed was not surely read")
        for low, high in joined(deviating, min(gap, limit)):
            worst = max(worst, high - low)
            self._near(allowed, high - low, limit, 2 * min(gap, limit))
            self._near(allowed, min(high, end[0]) - low, limit, 2 * min(gap, limit))
        if shown is None:
            allowed.doubts.append("that it conformed was not surely read")
        elif worst < limit:
            allowed.no_fail.append("no deviation was as long as that")

    def _seen_at_last(self, reads: Reading, limit: int, end: Span) -> bool:
        """Whether the end of a span was read without a gap for longer than a limit: what deviates in all of that does
        so for too long, whether it had conformed in a gap before it or never did."""
        mine = reads.only((reads.late > self.latest) & (reads.early < end[1]))
        if len(mine.early) == 0 or end[1] - mine.early[-1] >= limit - MS:
            return False
        apart = np.flatnonzero(mine.late[1:] - mine.early[:-1] >= limit - MS)
        since = int(mine.late[apart[-1] + 1]) if len(apart) else int(mine.late[0])
        lasting = mine.early[mine.late <= end[0]]
        return len(lasting) > 0 and int(lasting[-1]) - since > limit + MS

    # ------------------------------------------------------------ during

    def _during(self, one: Expectation, allowed: Allowed) -> None:
        world, name = self.world, one.judged
        good = self.conforming(one.wanted, name)
        assert good is not None
        truth = world.truth[name]
        spans = truth.spans(good, world.cut[0], world.back[1])
        reads = self.sure(name)
        gone = min(max(world.cut[1], world.lost), world.back[0])  # it is dark once its supply is gone, not the command
        start = gone + 2 * world.rig.devices["controller"].answer_within_ns + 80 * MS
        seen = reads.within(start, world.back[0])
        if len(seen.early) < 3 or reads.longest_gap(world.cut[1], world.back[0]) > min(one.blind_ns, 50 * MS):
            allowed.doubts.append("hardly read during the cut")
        if start > world.back[0] - 50 * MS or not world.restarted:
            allowed.doubts.append("from when the controller was dark is not to be told")
        if self.early:
            allowed.doubts.append("the supply was back before its command")
        if world.mode and one.point == "valve":  # it has no terminal: out of run mode it is the controller's memory
            on = bool(one.wanted.met_by(True, None))
            (allowed.no_pass if on else allowed.no_fail).append("nobody but the controller says on, out of run mode")
            allowed.doubts.append("out of run mode the controller tells of its memory")
        if not spans:
            allowed.no_pass.append("it never came true")
        elif spans == [(world.cut[0], world.back[1])]:
            allowed.no_fail.append("it was so all through")
        elif spans[-1][1] < world.back[0] and len(reads.within(spans[-1][1], world.back[0]).early) and not self.early:
            allowed.no_pass.append(f"it did not last: {told(spans[-1][1])}")
        elif spans[-1][1] >= world.back[0] and spans[-1][0] < world.back[0]:
            if len(reads.within(spans[-1][0], world.back[0]).early) == 0:
                allowed.doubts.append("it came true shortly before the end")
            elif len(reads.within(max(start, spans[-1][0]), world.back[0]).early):
                allowed.no_fail.append("it came true and lasted")
        last = self._first(seen, good, True)
        if spans and last is None:
            allowed.doubts.append("that it came true was not surely read")

    # ------------------------------------------------------------ gaps

    def gap(self, one: Gap) -> Allowed:
        allowed = Allowed(one.then, one.text)
        self._common_doubts(allowed, one.then_judged)
        first, then = self._first_on(one.first_judged), self._first_on(one.then_judged)
        end = min(self.spans.end[0], self.world.end)
        first = None if first is not None and first[2] > self.spans.end[1] else first
        then = None if then is not None and then[2] > self.spans.end[1] else then
        if any(event is not None and (event[1] - event[0] >= FAR or event[1] > end) for event in (first, then)):
            allowed.doubts.append("one of them was not surely seen to come on")
            return allowed
        if first is None or then is None:
            allowed.no_pass.append("one of them did not come on")
            allowed.doubts.append("there is no gap to measure")
            return allowed
        apart = then[2] - first[2]
        width = (first[1] - first[0]) + (then[1] - then[0])
        if apart < 0:
            allowed.no_pass.append(f"{one.then} came first, by {-apart / MS:.1f} ms")
        low = one.at_least_ns if one.at_least_ns is not None else 0
        if apart < low or (one.at_most_ns is not None and apart > one.at_most_ns):
            allowed.no_pass.append(f"the gap was {apart / MS:.1f} ms")
        elif apart >= 0:
            allowed.no_fail.append(f"the gap was {apart / MS:.1f} ms")
        if abs(apart - low) <= width or (one.at_most_ns is not None and abs(apart - one.at_most_ns) <= width):
            allowed.doubts.append(f"the limit lies within the bounds ({width / MS:.1f} ms)")
        for judged in (one.first_judged, one.then_judged):
            if self._unread_while_on(judged):
                allowed.doubts.append(f"that {judged} did not go off and come on again was not read")
            if world_on_at(self.world, judged) and self._may_have_dropped(judged):
                allowed.doubts.append(f"that {judged} did not come with the return was not read")
        for judged, event in ((one.first_judged, first), (one.then_judged, then)):
            off = self.sure(judged).within(self.world.cut[0], event[2])
            if world_on_at(self.world, judged) and self._first(off, {0.0}, True) is None:
                allowed.doubts.append(f"that {judged} was off was not read, so it did not come on")
                if self._blinked(judged, event[2]):
                    allowed.no_pass.clear()  # nobody can tell that from on all along: what counts came later
            if self.sure(judged).longest_gap(self.low, event[2]) > SECOND - 50 * MS:
                allowed.doubts.append(f"{judged} was not read for a second, in which it may have come on before")
        for event in (first, then):
            if event[2] <= self.latest:
                allowed.doubts.append("it was on at the very return")
        return allowed

    def _blinked(self, name: str, came: int) -> bool:
        """Whether it was off for less than a poll before it came on."""
        off = self.world.truth[name].spans([0.0], self.world.cut[0], came)
        return bool(off) and came - off[-1][0] < self.world.rig.devices[self.world.rig.points[name].device].poll_ns

    # ------------------------------------------------------------ ready, marks, restart

    def ready_in_time(self, within: int, name: str) -> Allowed:
        allowed = Allowed("", name)
        true, seen = self.ready.true, self.ready.seen
        late = true is None or true - self.back > within
        if late and self._stood_before_steady():
            allowed.doubts.append("it stood still when it had hardly been ready")
        elif late:
            allowed.no_pass.append(
                "never ready" if true is None else f"ready {(true - self.back) / MS:.1f} ms after it"
            )
        elif self._stood_soon():
            allowed.doubts.append("it stood still again before it was surely ready")
        elif self._out_of_reach(within, self.world.rig.ready.steady_ns):
            allowed.doubts.append("a controller out of reach looks like one that does not run")
        else:
            allowed.no_fail.append("ready in time")
        if true is not None and seen is None:
            allowed.doubts.append("that it was ready was not surely read")
        elif true is not None and seen is not None:
            sign = self._last_sign(seen)
            width = seen - min(sign, true) + self.latest - self.low
            if abs(true - self.back - within) <= width:
                allowed.doubts.append(f"the limit lies within the bounds ({width / MS:.1f} ms)")
        if late and self.world.image:
            allowed.doubts.append("an image that lags shows late that it stands")
        if late and self.world.pace > 100 * MS:
            allowed.doubts.append("a slow sign of life shows late that it stands")
        if late:
            self._late_doubts(allowed, within)
            if true is None and len(self.glitches):
                allowed.doubts.append("contact was lost in the watch")
        elif len(self.glitches):
            allowed.doubts.append("contact was lost in the watch")
        return allowed

    def _stood_soon(self) -> bool:
        """Whether the program stopped so soon that nobody could see the condition hold for `steady`."""
        life = self.ready.life
        spare = self.world.rig.ready.steady_ns + 200 * MS
        return (
            life is not None
            and life.stands < FAR
            and self.ready.true is not None
            and life.stands < self.ready.true + spare
        )

    def _stood_before_steady(self) -> bool:
        """Whether the program stopped while the condition held, before it had held for `steady`: that it stands shows
        only after clearly more than its pace."""
        life = self.ready.life
        if life is None or life.stands >= FAR or not self.world.rig.ready.when:
            return False
        running = self.world.truth[self.world.rig.ready.when[0][0]].spans([1.0], life.start, life.stands)
        return bool(running) and running[-1][1] == life.stands and life.stands > self.back

    def _out_of_reach(self, within: int, steady: int = 0) -> bool:
        """Whether the network was out about the end of the time, or before a condition met just then had held for
        `steady`: nobody can tell that from a dead controller."""
        end = self.latest + within
        return any(low < end + steady and end < high + 150 * MS for low, high in self.world.wires["controller"].outages)

    def _stands_too_near_the_end(self, within: int) -> bool:
        """Whether nothing but a sign of life that stands tells that it was not ready, and the cycle ended before that
        had stood, after the limit, for clearly longer than its pace is known to be (rule 3)."""
        life, rig = self.ready.life, self.world.rig
        if rig.ready.alive is None or self.ready.true is not None or (life is not None and life.stands >= FAR):
            return False
        wire, device = self.world.wires["controller"], rig.devices["controller"]
        lost = device.answer_within_ns if wire.lost_one_in or wire.missed_one_in else 0
        lost += wire.latency[1] + device.poll_ns // 2
        return self.latest + within + 2 * (self.world.pace + 2 * device.poll_ns + lost) > self.world.end

    def _ran_unread(self) -> bool:
        """Whether it gave values for as long as it has to be ready until its program hung, with a sign of life that
        moved: reads of before its second change tell nothing."""
        life, got, poll = self.ready.life, self.world.got["controller"], self.world.rig.devices["controller"].poll_ns
        if self.world.rig.ready.alive is None or life is None or life.stands >= FAR:
            return False
        since = max([self.low, *(one.end for one in self.world.lives if one.end < FAR)])
        good = got.received[(got.kind == GOOD) & (got.sent >= since)]
        due = life.stands + 2 * self.world.pace + 3 * poll
        return len(good) > 0 and due - int(good[0]) > self.world.rig.ready.steady_ns

    def _late_doubts(self, allowed: Allowed, within: int) -> None:
        if self._stands_too_near_the_end(within):
            allowed.doubts.append("the cycle ended before its sign of life had stood for long enough after the limit")
        if not self.powered(within):
            allowed.doubts.append("nothing but the relay says that the supply was back")
        if self._ran_unread():
            allowed.doubts.append("it ran for a while and hung, and what was read before that does not count (rule 3)")
        device = self.world.wires["controller"]
        if any(low < self.world.cut[0] for low, _ in (*device.outages, *device.stalls)):
            allowed.doubts.append("the pace of its sign of life is not known")
        for low, high in (*device.outages, *device.stalls):
            if high > self.low and low < self.latest + within + 500 * MS:
                allowed.doubts.append("the controller was not asked, or not reached, all the time")
        if len(self.world.lives) > 1 and any(
            life is not self.ready.life and life.start < self.latest + within and life.end > self.back
            for life in self.world.lives
        ):
            allowed.doubts.append("it ran for a while in an earlier life")

    def mark(self, one: MarkLimit) -> Allowed:
        if one.mark == "ready":
            assert one.window.not_after_ns is not None
            return self.ready_in_time(one.window.not_after_ns, one.text)
        allowed = Allowed("", one.text)
        at = self._mark_truth(one.mark)
        limit = one.window.not_after_ns
        assert limit is not None
        if one.mark == "alive" and at is not None and self._hardly_alive():
            allowed.doubts.append("it stood still before a second change could be read")
            return allowed
        if self._out_of_reach(limit):
            allowed.doubts.append("a controller out of reach looks like one that does not answer")
        elif at is None or at - self.back > limit:
            allowed.no_pass.append(
                "it did not come" if at is None else f"it came {(at - self.back) / MS:.1f} ms after it"
            )
        else:
            allowed.no_fail.append("it came in time")
        seen = self._mark_seen(one.mark, at)
        lost = at is not None and len(self.readings.contact_losses(at, self.world.end))  # then it may count anew
        if max(seen, self.latest) - self.low > limit or len(self.glitches) or lost:  # none comes before the return
            allowed.doubts.append("that it came in time was not surely read")
        return allowed

    def _mark_seen(self, mark: str, at: int | None) -> int:
        """By when a reply surely showed that a mark had come."""
        if at is None or self.ready.life is None:
            return FAR
        if mark == "alive":
            return min(self.readings.counting_from(self.ready.life).values(), default=FAR)
        got = self.world.got["controller"]
        shown = got.received[np.isin(got.kind, (0, 1) if mark == "answered" else (0,)) & (got.looked >= at)]
        return int(shown[0]) if len(shown) else FAR

    def _beats(self, life: Life) -> int:
        """How often its sign of life changed after the return, at most: with its first value too, which may not be that
        of the image shown before."""
        begun, last = max(life.start, 0), min(life.end, life.stands)
        before, after = (max(0, at - begun) // self.world.pace for at in (self.back, last))
        return after - before + (life.start >= self.back)

    def _hardly_alive(self) -> bool:
        """Whether the last life ended before two changes of its sign of life had surely been read."""
        life, world = self.ready.life, self.world
        if life is None:
            return False
        lasted = min(life.end, life.stands) - max(life.start, self.back)
        return lasted < 3 * world.pace + 3 * world.rig.devices["controller"].poll_ns

    def _mark_truth(self, mark: str) -> int | None:
        """From when the controller truly answered (or gave values, or lived) after the return, in its last life."""
        world = self.world
        if world.returned >= FAR:
            return None
        wanted = {"answered": ("busy", "run", "stale", "zeros", "frozen"), "good": ("run", "stale", "zeros", "frozen")}
        life = self.ready.life
        if mark == "alive":
            if life is None or self._beats(life) < 2:
                return None
            return max(life.start, self.back, last_exception(world, life))
        times = [*world.phases.times, FAR]
        last = world.phases.at(world.end)[1] if life is None else world.phases.at(min(life.end, world.end) - MS)[1]
        for place, (name, stack) in enumerate(zip(world.phases.names, world.phases.stacks, strict=True)):
            if name in wanted[mark] and stack == last and times[place + 1] > self.back:
                answered = 0 if mark == "answered" or life is None else last_exception(world, life)
                return max(times[place], self.back, answered)
        return None

    def restart(self) -> Allowed:
        world = self.world
        allowed = Allowed("", f"restart: {world.scenario.restart}")
        wanted = world.scenario.restart
        if wanted == "either":
            allowed.no_fail.append("either is right")
            return allowed
        if self._lost_by_the_network():
            allowed.doubts.append("the network was lost about the cut, which looks like a restart to its link")
        elif world.restarted == (wanted == "required"):
            allowed.no_fail.append("it restarted" if world.restarted else "it did not restart")
        else:
            allowed.no_pass.append("it restarted" if world.restarted else "it did not restart")
        allowed.doubts += self.restart_doubts()
        if world.restarted and self.ready.seen is None:
            allowed.doubts.append("its program was not surely seen to run again")
        return allowed

    def may_have_run_again(self) -> bool:
        """Whether any read that may count shows a program that ran after the return."""
        alive = self.world.rig.ready.alive
        if alive is None:
            return True
        reads = self.readings.possible(alive)
        return bool((reads.early >= (self.world.returned - 100 * MS if self.early else self.world.back[0])).any())

    def _lost_by_the_network(self) -> bool:
        """Whether the network was out about the cut, or lost the replies of the connection in use, so that a controller
        that rides through loses contact as well."""
        world = self.world
        wire, got = world.wires["controller"], world.got["controller"]
        heard = (got.connection == self.readings.first_connection) & np.isin(got.kind, (0, 1, 5))
        again = got.received[heard & (got.sent >= self.latest)]
        until = int(again[0]) if len(again) else FAR  # up to then the connection had not shown that it outlived the cut
        lost = any(low < max(self.high, until) and high > world.cut[0] for low, high in wire.outages)
        if wire.lost_one_in:  # two replies in a row were: then another connection is tried
            mine = got.connection == self.readings.first_connection
            lost |= not bool((mine & np.isin(got.kind, (0, 1, 5)) & (got.received > self.latest)).any())
        return not world.restarted and lost

    def restart_doubts(self) -> list[str]:
        world, found = self.world, []
        got = world.got["controller"]
        after = (got.sent >= self.low) & np.isin(got.kind, (0, 1, 5))
        if not bool(after.any()):
            found.append("the controller was not heard after the return")
        if len(world.lives) > 1 and world.lives[0].end > self.back and not bool(np.isin(got.kind, (3, 4)).any()):
            found.append("it only fell silent, which may be the network")
        wire = world.wires["controller"]
        if wire.outages or wire.stalls or wire.lost_one_in or wire.exception_one_in or world.theme == "network":
            found.append("its link was disturbed")
        if wire.ends and (not self._a_counter_tells(wire.ends[0][0]) or world.scenario.restart == "required"):
            found.append("its connection was closed, and no counter tells whether it restarted then")
        if self.may_look_like_the_network():
            found.append("what was on stayed on, or a byte counted on, as where only the network is lost")
        if any(proof.kind == "falls" for proof in world.rig.proof_of_cut):
            reads = self.sure("uptime")
            later = reads.only(reads.early >= self.low)
            if len(later.early) < 3:
                found.append("uptime was hardly read after the return")
            if len(later.early) and (np.diff(reads.value) < 0).any() and not world.restarted:
                found.append("uptime wrapped")
            told = self.readings.all_good("uptime")
            if world.restarted and (np.diff(told.value[told.looked < world.lives[0].end]) < 0).any():
                found.append("uptime wrapped before it restarted")
            if self._restarted_as_it_was_to_wrap():
                found.append("uptime reads as if it had wrapped and counted on")
            before = self.before("uptime")
            if world.restarted and before is not None and len(later.early) and later.value.max() >= before:
                found.append("uptime did not fall")
        return found

    def _a_counter_tells(self, ended: int) -> bool:
        """Whether a counter that had counted for long must tell that nothing restarted as a connection ended."""
        world = self.world
        uptime = any(proof.kind == "falls" for proof in world.rig.proof_of_cut) and world.uptime0 < 300
        alive = world.rig.ready.alive is not None and world.beats == (0, 65536) and not world.restarted
        signs = self.readings.all_good("heartbeat")
        counted = signs.value[signs.late < ended]
        alive &= len(counted) > 0 and counted[-1] > 2 * (world.end - ended) / world.pace  # else it may have begun anew
        wire = world.wires["controller"]
        clean = not (wire.outages or wire.stalls or wire.lost_one_in or wire.exception_one_in or wire.missed_one_in)
        return clean and (uptime or alive) and ended > 1000 * MS and world.end > ended + 600 * MS

    def _restarted_as_it_was_to_wrap(self) -> bool:
        """Whether it restarted just when its uptime was full, and neither a sign of life tells nor, where something
        reads the supply, a stack that refused: else that may be a network card's."""
        world, got = self.world, self.world.got["controller"]
        beats = world.rig.ready.alive is not None and world.pace < 100 * MS
        told = beats or (rail_point(world) is not None and bool(np.isin(got.kind, (3, 4)).any()))
        full = int((655.36 - world.uptime0) * S)
        born = [at for at, stack in zip(world.phases.times, world.phases.stacks, strict=True) if stack > 0]
        return not told and world.restarted and any(abs(at - full) < 80 * MS for at in born[:1])

    # ------------------------------------------------------------ vouchers

    def program(self) -> Iterator[Allowed]:
        for name in self.world.rig.program:
            allowed = Allowed(name, "same program as before")
            values = self.world.truth[name].kinds(self.world.cut[0], self.world.end)
            reads = self.sure(name)
            after = reads.only(reads.early >= self.low)
            if len(values) == 1:
                allowed.no_fail.append("the program is the same")
            elif self._first(after, {self.world.truth[name].at(self.world.cut[0])}, False) is not None:
                allowed.no_pass.append("another program was read")
            else:
                allowed.doubts.append("the other program was not surely read")
            everything = self.readings.all_good(name)
            if not bool((everything.early >= self.low).any()):
                allowed.no_pass.append("it was not read after the return")
            if len(after.early) < 3 or self.before(name) is None:
                allowed.doubts.append("it was hardly read")
            if self._hardly_alive_before(name):
                allowed.doubts.append("its sign of life had hardly moved before the cut (rule 3)")
            if len(self.glitches):
                allowed.doubts.append("contact was lost in the watch")
            yield allowed

    # ------------------------------------------------------------ validity

    def invalid(self) -> list[Invalid]:
        """Everything that makes the cycle no test, surely or perhaps."""
        found = [*self._conditions(), *self._pulse(), *self._stuck()]
        if not self.world.mode:
            found += self._supply()
        else:
            found += self._mode_proof()
        return self._of_an_old_io(found) if self.world.age else found

    def _of_an_old_io(self, found: list[Invalid]) -> list[Invalid]:
        """An I/O that answers from an old copy is told by its check pulse: what was asked 10 ms (an output's own time)
        and more after the write was confirmed, and answers with what was before it. Whatever else such answers look
        like may be found beside it."""
        world, cut = self.world, self.world.cut[0]
        assert world.rig.check_pulse is not None
        reads = self.readings.all_good(world.rig.check_pulse.read)
        sure = False
        for write in world.writes[:2]:
            done, value = write.received_ns - world.origin, float(write.value)
            told = reads.only((reads.late > write.sent_ns - world.origin) & (reads.value == value))
            came = int(told.late[0]) if len(told.late) else FAR
            stale = (reads.early > done + 12 * MS) & (reads.late < came) & (reads.value != value)
            sure |= bool(stale.any()) and came < done + SECOND
        may = ("unproven", "off time", "not back", "second dip", "early", "contradicted", "before", "stuck")
        return [
            Invalid("check pulse", f"the I/O answers from a copy {world.age / MS:.0f} ms old", sure, 0, sure),
            *(replace(one, sure=False) for one in found),
            *(Invalid(kind, "so an old I/O may look", False, cut, True) for kind in may),
        ]

    def _conditions(self) -> Iterator[Invalid]:
        rig, world = self.world.rig, self.world
        for kind, pairs, void in (
            ("identity", rig.identify, True), ("check channel", rig.check_channels, True),
            ("only_while", rig.only_while, False),
        ):  # fmt: skip
            for name, wanted in pairs:
                truth = world.truth[name]
                wrong = [at for at, value in zip(truth.times, truth.values, strict=True) if not wanted.met_by(value)]
                reads = self.sure(name)
                bad = [
                    int(one) for one, value in zip(reads.early, reads.value, strict=True) if not wanted.met_by(value)
                ]
                if bad:
                    yield Invalid(kind, f"{name} was read wrong", True, bad[0], void)
                elif wrong and wrong[0] < world.end:
                    yield Invalid(kind, f"{name} was wrong, not surely read", False, wrong[0], void)
                if kind == "only_while":
                    gap = reads.longest_gap(0, world.end)
                    if gap > SECOND - 50 * MS:
                        yield Invalid(
                            kind, f"{name} was not read for {gap / MS:.0f} ms", gap > SECOND + 50 * MS, 0, False
                        )
                if kind == "identity" and self.before(name) is None:
                    yield Invalid(kind, f"{name} was not read before the cut", True, 0, True)
                if kind == "check channel" and len(reads.only(reads.early >= self.low).early) < 2:
                    yield Invalid(kind, f"{name} was not read after the return", False, 0, True)

    def _pulse(self) -> Iterator[Invalid]:
        world = self.world
        if world.rig.check_pulse is None:
            return
        begin, end = world.writes[0].sent_ns - world.origin, world.writes[1].received_ns - world.origin
        reads = self.sure(world.rig.check_pulse.read)
        seen = self._first(reads.within(begin, end + SECOND), {1.0}, True)
        if "pulse" in world.spoilt:
            yield Invalid("check pulse", "it never reached its input", True, begin, False)
        elif seen is None or reads.gap_around(begin) > 25 * MS or not len(reads.only(reads.late < begin).early):
            yield Invalid("check pulse", "it fell between two reads", False, begin, False)

    def _stuck(self) -> Iterator[Invalid]:
        if "stuck perhaps" in self.world.spoilt:
            yield Invalid("stuck", "a command point stays where it is put", False, self.world.cut[0], True)
        if "stuck" in self.world.spoilt:
            reads = self.sure("start_button")
            pressed = self.world.press_at if self.world.press_at is not None else FAR  # on by command from there
            hours = reads.only((reads.early > 91 * MS + 700 * MS) & (reads.late < pressed) & (reads.value == 1))
            yield Invalid("stuck", "start_button is stuck", len(hours.early) > 30, 60 * MS, True)

    def _supply(self) -> Iterator[Invalid]:
        world = self.world
        rail = rail_point(world)
        supply = world.rig.supply
        assert supply is not None
        asked, data = world.asked, self._data()
        dip = asked <= (supply.limits.dips_up_to_ns or 0)
        commanded = (world.back[0] - world.cut[1], world.back[1] - world.cut[0])
        yield from self._off_time("the commands", commanded, asked, data, dip)
        truly = (world.returned if world.returned < FAR else world.end) - world.lost
        yield from self._proof(rail, truly)
        if rail is None:
            if abs(truly - asked) > asked * 0.05:
                yield Invalid(
                    "dip", "the off time is another one, and nothing reads the supply", False, world.cut[0], True
                )
            up = self._link_up_early()
            if up is not None:
                shown = not self._restarted_as_it_was_to_wrap()
                for one in self._off_time("the link that was up again", (0, up - world.cut[0]), asked, data, dip):
                    yield replace(one, sure=one.sure and shown)
            return
        reads = self.readings.all_good(rail)
        width = reads.gap_around(world.lost) + reads.gap_around(min(world.returned, world.end)) + world.delay
        if world.rail.values != (1.0,) and world.returned < FAR:
            yield from self._off_time("the rail", (truly - width, truly + width), asked, data, dip)
        if world.returned >= FAR and bool(((reads.early > self.high) & (reads.value == 0)).any()):
            yield Invalid("not back", "the rail stayed off", True, self.low, False)
        due = reads.value[reads.early > self.high]
        if world.returned < FAR and len(due) and not bool((due > 0).any()):
            yield Invalid("not back", "it came late, and the rail was last read off", False, self.low, False)
        early = world.back[0] - world.returned
        if early > 0 and world.returned > world.lost:
            why = f"the rail was back {early / MS:.1f} ms before the command"
            yield Invalid("early", why, self.early, world.cut[0], True)
        dips = [span for span in world.rail.spans([0.0], self.high, world.end) if span[0] > world.returned]
        for low, high in dips:
            fell = reads.only(
                (reads.looked > low) & (reads.looked < high + world.delay + world.cache) & (reads.value == 0)
            )
            rose = reads.only((reads.early > self.high) & (reads.late < low) & (reads.value > 0))
            shown = reads.late[(reads.looked - world.delay - world.cache >= world.returned) & (reads.value > 0)]
            closed = max(self.high, int(shown[0]) if len(shown) else FAR)
            sure = len(rose.early) > 0 and bool((fell.early > closed + supply.bounce_ns).any())
            yield Invalid("second dip", f"the rail was off {span_told((low, high))}", sure, low - width, False)
            if not len(rose.early):  # its first return went by unread, so it reads as one long loss
                yield Invalid(
                    "off time", "by the rail it was off to the end of a second dip", False, world.cut[0], True
                )
        if any(begin < self.high + width for begin in world.rail.times if begin > world.returned):
            yield Invalid("second dip", "bounce", False, self.low, False)
        for low, _ in world.rail.spans([0.0], world.lost, world.end)[1:]:  # for longer than the data sheet says, or not
            yield Invalid("second dip", f"bounce at {told(low)}", False, self.low, False)

    def _data(self) -> int:
        supply = self.world.rig.supply
        assert supply is not None
        return supply.opening_ns + supply.closing_ns + 2 * supply.bounce_ns

    def _link_up_early(self) -> int | None:
        """When a stack that began anew (it refused or reset) and is not lost later had taken up a connection before the
        command back on which it answered after it: no controller without power does."""
        world, got = self.world, self.world.got["controller"]
        anew = got.received[np.isin(got.kind, (3, 4)) & (got.received > world.cut[0])]
        if not (world.restarted and world.lost < world.returned < world.back[0] and len(anew)):
            return None
        ahead = got.kind[got.received < world.cut[0]]
        if len(ahead) == 0 or ahead[-1] != 0 or len(self.readings.contact_losses(self.low, world.end)):
            return None  # what was lost before the cut, or once more in the watch, may look like another restart
        spoke, replied = np.isin(got.kind, (0, 1, 5, 6)), np.isin(got.kind, (0, 1, 5))
        after = got.connection[replied & (got.sent > world.back[1] + MS)]
        early = spoke & (got.sent > anew[0] + MS) & (got.received < world.back[0] - MS)
        taken_up = got.received[early & np.isin(got.connection, after)]
        return int(taken_up[0]) if len(taken_up) and len(world.lives) == 2 and world.lives[1].end >= FAR else None

    def _off_time(self, by: str, off: Span, asked: int, data: int, dip: bool) -> Iterator[Invalid]:
        """Off for clearly less or longer than asked: by more than the relay's data and 10 % and 100 ms, a dip by a
        factor of two."""
        cut = self.world.cut[0]
        if dip:
            longest, shortest, spare = 2 * asked, asked // 2, data + 25 * MS
        else:
            allowance = max(asked // 10, 100 * MS)
            longest, shortest, spare = asked + allowance, asked - allowance, data
        sure = off[0] > longest + spare or off[1] < shortest - spare
        maybe = off[1] > longest - 5 * MS or off[0] < shortest + spare
        if sure or maybe:
            why = f"by {by} it was off for {off[0] / MS:.0f}..{off[1] / MS:.0f} ms, {asked / MS:.0f} asked"
            yield Invalid("off time", why, sure, cut, True)

    def _proof(self, rail: str | None, truly: int) -> Iterator[Invalid]:
        """No needed proof of the cut held, or one is contradicted."""
        world, scenario = self.world, self.world.scenario
        held, perhaps = False, False
        if rail is not None:
            reads = self.readings.all_good(rail)
            off = (
                (reads.looked - world.delay - world.cache >= world.lost)
                & (reads.value == 0)
                & (reads.late <= world.back[0])
            )
            on_before = bool(((reads.late < world.cut[0]) & (reads.value > 0)).any())
            held = bool(off.any()) and on_before
            perhaps = (
                bool(((reads.value == 0) & (reads.early < self.latest)).any())
                or reads.longest_gap(world.cut[0], self.high) > 5 * MS
            )
        if scenario.restart != "none" and world.restarted:
            link = any(proof.kind == "contact lost" for proof in world.rig.proof_of_cut)
            clean = not self.restart_doubts()
            held |= (
                clean
                and self.ready.seen is not None
                and (link or any(p.kind == "falls" for p in world.rig.proof_of_cut))
            )
            perhaps = True
        lost = False
        if scenario.restart != "none" and not world.restarted:
            got = world.got["controller"]
            lost = bool((np.isin(got.kind, (2, 4)) & (got.received > world.cut[0])).any())
            perhaps |= lost
        if rail is not None and not world.rail.spans([0.0], 0, world.end):
            # Read on all through it contradicts a cut; unread the link has the word, and any one proof will do.
            off = world.back[0] - world.cut[1]
            unread = self.readings.all_good(rail).longest_gap(world.cut[0], self.high) > off - 40 * MS
            perhaps = lost and unread
        if self.network_told():
            perhaps = False
        if not held or self.may_look_like_the_network():
            yield Invalid("unproven", "no proof of the cut held", not (held or perhaps), world.cut[0], True)

    def network_told(self) -> bool:
        """Whether what was read must tell a network part that dropped from a controller that lost its supply: its
        outputs, which had been on, were read on all through (about the end of the cut too, where off and on again may
        lie in half of an off time), or its sign of life was where it would be."""
        world, (low, _), (_, high) = self.world, self.world.cut, self.world.back
        if world.theme != "network":
            return False
        again = next(
            at
            for at, name in zip(world.phases.times, world.phases.names, strict=True)
            if at > high and name not in ("dark", "refused", "silent")
        )
        off = world.back[0] - world.cut[1] - self._data()
        stays = {one.point for one in world.scenario.after if one.kind == "stays"}
        about = (self.high, again, again - world.rig.devices["controller"].poll_ns)  # known to within a poll
        on = [
            world.truth[name].kinds(low - 300 * MS, again + 300 * MS) == {1.0}
            and self.readings.all_good(name).longest_gap(low, again + 300 * MS) < off - 10 * MS
            and 2 * max(gap_at(self.readings.all_good(name), at) for at in about) < off - 20 * MS
            for name in ("lamp_terminal", "fan_terminal")
        ]
        if all(on) and not stays & {"lamp", "fan"}:
            return True
        wire = world.wires["controller"]
        disturbed = wire.outages or wire.stalls or wire.lost_one_in or wire.exception_one_in or wire.missed_one_in
        signs = self.readings.all_good("heartbeat")
        seen = bool((signs.late[signs.early > again] < world.end - 50 * MS).any())
        long = world.back[0] - world.cut[1] > 500 * MS and 256 * world.pace > 4000 * MS
        whole = world.beats[1] > 256 or world.pace >= 20 * MS
        return world.rig.ready.alive is not None and not disturbed and seen and long and whole

    def may_look_like_the_network(self) -> bool:
        """Whether a real cut may look like a lost network where nothing reads the supply: its sign of life is by chance
        where it would be, or, where nothing but the link proves it, no output went off while the controller was dark,
        or a byte that counts may be where it would be."""
        world = self.world
        kinds = {proof.kind for proof in world.rig.proof_of_cut}
        if world.mode or "value" in kinds:
            return False
        if kinds != {"contact lost"}:
            return self._beats_as_if_on()
        on = [world.truth[name].kinds(world.cut[0], self.back) == {1.0} for name in ("lamp_terminal", "fan_terminal")]
        return all(on) or world.beats[1] == 256 or self._beats_as_if_on()

    def _beats_as_if_on(self) -> bool:
        """Whether the sign of life, which began anew, by chance reads about what it would had it counted on."""
        world, signs = self.world, self.readings.all_good("heartbeat")
        before, after = signs.only(signs.late < world.cut[0]), signs.only(signs.early > self.back)
        if not (len(before.early) and len(after.early)):
            return False
        return any(
            (steps * world.step - int(value - before.value[-1])) % world.beats[1] == 0
            for at, value in zip(after.early.tolist(), after.value.tolist(), strict=True)
            if at < after.early[0] + SECOND
            for steps in self._steps_by((at - int(before.late[-1])) / world.pace)
        )

    def _steps_by(self, on: float) -> range:
        """About so many steps, by a pace that was seen for a while and a pause that nobody saw."""
        return range(int(on / 2), int(1.25 * on + 100 * MS / self.world.pace + 3))

    def _mode_proof(self) -> Iterator[Invalid]:
        world = self.world
        reads = self.sure(world.rig.ready.when[0][0] if world.rig.ready.when else "running")
        seen = self._first(reads.within(world.cut[0], world.back[1]), {0.0}, True)
        named = (world.rig.mode is not None and bool(world.rig.mode.proof)) or bool(world.rig.ready.when)
        if seen is None or not named:
            yield Invalid("unproven", "leaving run mode was not read", False, world.cut[0], True)


def world_on_at(world: World, name: str) -> bool:
    """Whether a terminal was on when the supply was cut."""
    return world.truth[name].at(world.cut[0]) == 1.0


def gap_at(reads: Reading, instant: int) -> int:
    return min(reads.gap_around(instant), FAR)


def last_read(reads: Reading) -> int:
    return int(reads.late[-1]) if len(reads.late) else 0


def told(instant: int) -> str:
    return f"{instant / MS:.1f} ms"


def span_told(span: Span) -> str:
    return f"{span[0] / MS:.1f}..{span[1] / MS:.1f} ms"


__all__ = ["Allowed", "Invalid", "Oracle", "Ready", "Spans", "Steps", "pairwise"]
