"""A path that a person can play: what is pressed and for how long, where the cut falls, and what came of it.

`play` goes through it with the exact interpreter, scan by scan; stretches in which nothing but time moves are taken
in one go, which gives the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count, islice
from typing import Any

from restart_bench.model.program import Counter, Timer
from restart_bench.plc.blocks import SlotValue
from restart_bench.plc.interpreter import Interpreter, State
from restart_bench.predict.proving import parts
from restart_bench.predict.proving.parts import Part
from restart_bench.predict.proving.patience import go_on

PRESS_NS = 200_000_000  # a press that a person can do, and the bench's own
MOST_SCANS = 5_000  # until everything comes again
MOST_ENDS = 24  # ways to end a hold that are gone into
RESTLESS_SCANS = 300  # after which inputs that are held are not waited for any longer

Held = tuple[tuple[str, SlotValue], ...]
"""Inputs that are not at rest, by name."""


@dataclass(frozen=True, slots=True)
class Hold:
    """Inputs held for so many scans, or, for 0, until nothing moves any more (and at least as long as a press).
    writes: what somebody outside writes into memory before."""

    inputs: Held = ()
    writes: Held = ()
    scans: int = 0


@dataclass(frozen=True, slots=True)
class Cut:
    """A restart. rungs: how many rungs of the scan were done as the supply was lost, counted in the whole program;
    inputs: what that scan read."""

    restart: str
    start: str = parts.WARM
    rungs: int = 0
    inputs: Held = ()
    writes: Held = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """steps: what is done before; cut: the restart that it is about; after: inputs held afterwards, one after the
    other (each for a scan, or longer while nothing but timers moves), the last for good."""

    steps: tuple[Hold | Cut, ...]
    cut: Cut
    after: tuple[Held, ...] = ((),)

    @property
    def presses(self) -> int:
        """How often an input is moved away from rest."""
        holds = [step.inputs for step in self.steps if isinstance(step, Hold)] + [*self.after]
        return sum(len(set(now) - set(before)) for before, now in zip([(), *holds], holds, strict=False))


@dataclass(frozen=True, slots=True)
class Seen:
    """What one output did after the cut. settles: None where it never does; repeats: it was watched until everything
    stood still or came again, so that `settles` holds for good; pulse_scans: in how many scans it was on in the longest
    pulse; last_change_ns: from the start of the program to the scan in which it last changed."""

    begins: bool
    first: bool
    settles: bool | None
    repeats: bool
    pulse_scans: int
    last_change_ns: int = 0

    @property
    def pulses(self) -> bool:
        """True if it came on and went off again."""
        return self.pulse_scans > 0

    def shows(self) -> Iterator[str]:
        """The claims that this is an example of."""
        yield parts.BEGINS_ON if self.begins else parts.BEGINS_OFF
        yield parts.FIRST_ON if self.first else parts.FIRST_OFF
        if self.repeats:
            yield (
                parts.NEVER_SETTLES if self.settles is None else parts.SETTLES_ON if self.settles else parts.SETTLES_OFF
            )
        if self.pulses:
            yield parts.PULSES


@dataclass(frozen=True, slots=True)
class Played:
    """A trace and what each output of its part did. by_hand: a person can do it; before: what was on at the terminals
    as the cut came."""

    trace: Trace
    seen: Mapping[str, Seen]
    by_hand: bool = True
    before: frozenset[str] = frozenset()


@dataclass(slots=True)
class _Watched:
    """One output while it is watched."""

    begins: bool
    first: bool | None = None
    on: bool = False
    lit_scans: int = 0
    pulse_scans: int = 0
    last_change_ns: int = 0
    shown: set[bool] = field(default_factory=set)

    def show(self, values: Sequence[bool], scans: int, time_ns: int) -> None:
        """What stands at the terminal during a scan and after it, in order; the same for as many scans as that."""
        told, counted = scans if len(set(values)) == 1 else 1, False
        for on in values:
            if on != self.on:
                self.last_change_ns = time_ns
                self.pulse_scans = max(self.pulse_scans, self.lit_scans)
                self.lit_scans, counted = 0, False
            self.on = on
            if on and not counted:
                self.lit_scans, counted = self.lit_scans + told, True
        self.shown |= set(values)
        self.first = self.on if self.first is None else self.first


class Player:
    """Plays traces on one part of a program."""

    def __init__(self, part: Part) -> None:
        self.part = part
        self.machine = Interpreter(part.program)
        self._scan_ns = part.program.scan_ns
        self._ended_before: dict[tuple[State, Held, Held], tuple[tuple[State, int], ...]] = {}
        self._quieted: dict[tuple[State, Held], tuple[State | None, int]] = {}
        self._watched: dict[tuple[State, tuple[Held, ...]], dict[str, Seen]] = {}
        self._presets = {rung.name: rung.preset_ns for rung in part.program.rungs if isinstance(rung, Timer)}
        self._elapsed = {self._place(name): preset for name, preset in self._presets.items()}
        # counts that are compared with one another come again late, or never
        self._most_scans = RESTLESS_SCANS if part.layout.compares_counts else MOST_SCANS
        counters = [rung.name for rung in part.program.rungs if isinstance(rung, Counter)]
        self._counted_out = {self._place(name): part.layout.counted_out(name) for name in counters}

    def play(self, trace: Trace, start: State | None = None) -> Played | None:
        """What came of a trace, from the first power-up or another state; None where inputs held until nothing moves
        never come to that."""
        state = self._gone(trace, start)
        return None if state is None else self._ended(state, trace)

    def left_by(self, trace: Trace, start: State | None = None) -> State | None:
        """The state that a trace leaves behind, with inputs at rest again; None where something goes on moving."""
        state = self._gone(trace, start)
        if state is None:
            return None
        state = self._cut(state, trace.cut)
        for held in (*trace.after, ()):
            rested = self._held(state, Hold(held))
            if rested is None:
                return None
            state = rested
        return state

    def _gone(self, trace: Trace, start: State | None) -> State | None:
        """The state right before the cut."""
        state: State | None = self.machine.first_power_up() if start is None else start
        for step in trace.steps:
            if state is None:
                break
            go_on()
            state = self._cut(state, step) if isinstance(step, Cut) else self._held(state, step)
        return state

    def plays(self, steps: Sequence[Hold | Cut], cut: Cut, after: tuple[Held, ...]) -> Iterator[Played]:
        """What comes of such steps, with each press held as long as a person holds it: until nothing moves; or, where
        that never is, or something waits, for a press's time and as many scans more as make a difference."""
        states: dict[State, tuple[Hold | Cut, ...]] = {self.machine.first_power_up(): ()}
        for step in steps:
            ends: dict[State, tuple[Hold | Cut, ...]] = {}
            for state, before in states.items():
                if isinstance(step, Cut):
                    ends.setdefault(self._cut(state, step), (*before, step))
                    continue
                for end, scans in self._ends(state, step):
                    ends.setdefault(end, (*before, replace(step, scans=scans)))
            states = dict(islice(ends.items(), MOST_ENDS))
        for state, before in states.items():
            yield self._ended(state, Trace(before, cut, after))

    def _ended(self, state: State, trace: Trace) -> Played:
        """The cut of a trace, and what comes after it."""
        go_on()
        before = frozenset(name for name, on in self.machine.outputs(state).items() if on)
        state = self._cut(state, trace.cut)
        by_hand = all(
            step.scans == 0 or step.scans * self._scan_ns >= PRESS_NS for step in trace.steps if isinstance(step, Hold)
        )
        if (state, trace.after) not in self._watched:
            self._watched[state, trace.after] = self._watch(state, trace.after)
        return Played(trace, self._watched[state, trace.after], by_hand, before)

    # ------------------------------------------------------------ before

    def lasting_ns(self, trace: Trace) -> list[int]:
        """How long each hold of a trace lasts; 0 for cuts."""
        state = self.machine.first_power_up()
        lasting: list[int] = []
        for step in trace.steps:
            if isinstance(step, Cut):
                state = self._cut(state, step)
                lasting.append(0)
                continue
            begun = self._written(state, step.writes)
            _, passed = self._quiet(begun, step.inputs) if not step.scans else (None, step.scans)
            lasting.append(max(PRESS_NS, passed * self._scan_ns))
            state = self._held(state, step) or begun
        return lasting

    def _written(self, state: State, writes: Held) -> State:
        for name, value in writes:
            state = self.machine.write(state, name, value)
        return state

    def _held(self, state: State, step: Hold) -> State | None:
        """The state at the end of a hold."""
        state = self._written(state, step.writes)
        if not step.scans:
            return self._quiet(state, step.inputs)[0]
        for _ in range(step.scans):
            state = self.machine.scan(state, dict(step.inputs), self._scan_ns)
        return state

    def _quiet(self, state: State, held: Held) -> tuple[State | None, int]:
        """The state in which nothing moves any more, None if that never is; and how many scans that takes."""
        if (state, held) not in self._quieted:
            self._quieted[state, held] = self._gone_quiet(state, dict(held))
        return self._quieted[state, held]

    def _gone_quiet(self, state: State, inputs: Mapping[str, SlotValue]) -> tuple[State | None, int]:
        seen: set[State] = set()
        passed = 0
        while state not in seen and len(seen) < RESTLESS_SCANS:
            seen.add(state)
            now, scans = self._go(state, inputs)
            if now == state:
                return now, passed
            state = now
            passed += scans
        return None, passed

    def _ends(self, state: State, step: Hold) -> tuple[tuple[State, int], ...]:
        """States at which a hold may end, with its scans."""
        key = (state, step.inputs, step.writes)
        if key not in self._ended_before:
            self._ended_before[key] = tuple(self._ends_of(state, step))
        return self._ended_before[key]

    def _ends_of(self, state: State, step: Hold) -> Iterator[tuple[State, int]]:
        state, inputs = self._written(state, step.writes), dict(step.inputs)
        least = -(-PRESS_NS // self._scan_ns)
        quiet, passed = self._quiet(state, step.inputs)
        if quiet is not None:
            yield quiet, 0
            if passed <= least:
                return
        for _ in range(least):
            state = self.machine.scan(state, inputs, self._scan_ns)
        passed, moved, ends = least, True, 0
        seen: set[State] = set()
        while state not in seen and ends < MOST_ENDS and len(seen) < RESTLESS_SCANS:
            seen.add(state)
            if moved and state != quiet:
                ends += 1
                yield state, passed
            now, scans = self._go(state, inputs)
            moved = any(place not in self._elapsed for place in _differing(state, now))
            state, passed = now, passed + scans

    def _cut(self, state: State, cut: Cut) -> State:
        state = self._written(state, cut.writes)
        if cut.restart == parts.MODE:
            state = self.machine.enter_run(self.machine.leave_run(state))
            return self.machine.restart(state, cold=True) if cut.start == parts.COLD else state
        done = sum(number < cut.rungs for number in self.part.numbers)
        state = self.machine.scan(state, dict(cut.inputs), self._scan_ns, stop_after=done) if cut.rungs else state
        return self.machine.restart(state, cold=cut.start == parts.COLD)

    def _go(self, state: State, inputs: Mapping[str, SlotValue]) -> tuple[State, int]:
        """One scan, or as many as change nothing but the time of timers, and how many they were."""
        now = self.machine.scan(state, inputs, self._scan_ns)
        differing = _differing(state, now)
        if not differing or state.first_scan or any(place not in self._elapsed for place in differing):
            return now, 1
        left = min(self._elapsed[place] - int(now.values[place]) for place in differing)
        scans = max(0, -(-left // self._scan_ns) - 1)
        if scans == 0:
            return now, 1
        return self.machine.scan(now, inputs, scans * self._scan_ns), 1 + scans

    def _place(self, block: str) -> int:
        """Where a timer's elapsed time, or a counter's count, stands in a state."""
        state = self.machine.first_power_up()
        values: tuple[Any, ...] = self.machine.write(state, block, self.machine.number(state, block) - 1).values
        return next(place for place, pair in enumerate(zip(state.values, values, strict=True)) if pair[0] != pair[1])

    def _told_apart(self, state: State) -> State:
        """The state as far as it matters for what comes: a counter that counts on and on would never come again."""
        if not self._counted_out:
            return state
        values = list(state.values)
        for place, (low, high) in self._counted_out.items():
            values[place] = min(high, max(low, values[place]))
        return replace(state, values=tuple(values), saved=())

    # ------------------------------------------------------------ after

    def _watch(self, state: State, after: tuple[Held, ...]) -> dict[str, Seen]:
        value = self.machine.value
        watched = {output: _Watched(bool(value(state, output))) for output in self.part.outputs}
        time_ns = 0
        for held in after[:-1]:
            state, time_ns = self._pass(state, dict(held), watched, time_ns)
        inputs = dict(after[-1])
        seen: dict[State, int] = {}
        for number in count():
            here = self._told_apart(state)
            if here in seen or number > self._most_scans:
                break
            seen[here] = number
            state, time_ns = self._pass(state, inputs, watched, time_ns)
        begins = seen.get(here)
        for one in watched.values():
            one.shown.clear()
        if begins is not None:
            again = state
            while True:
                again, time_ns = self._pass(again, inputs, watched, time_ns)
                if self._told_apart(again) == here:
                    break
        return {output: _told(one, begins is not None) for output, one in watched.items()}

    def _pass(
        self, state: State, inputs: Mapping[str, SlotValue], watched: dict[str, _Watched], time_ns: int
    ) -> tuple[State, int]:
        """One scan (or a stretch of waiting), with a look at every output during it and after it."""
        now, scans = self._go(state, inputs)
        during = self._during(state, inputs)
        for output, one in watched.items():
            one.show((*during.get(output, ()), bool(self.machine.value(now, output))), scans, time_ns)
        return now, time_ns + scans * self._scan_ns

    def _during(self, state: State, inputs: Mapping[str, SlotValue]) -> dict[str, list[bool]]:
        """What outputs that are written at once show between the rungs of a scan."""
        if self.part.program.outputs != "at once":
            return {}
        shown: dict[str, list[bool]] = {}
        for output in self.part.outputs:
            stops = [0] if self.part.shows_before(output) else []
            stops += [place + 1 for place in self.part.writers[output]]
            for stop in stops:
                partial = self.machine.scan(state, inputs, self._scan_ns, stop_after=stop)
                shown.setdefault(output, []).append(bool(self.machine.value(partial, output)))
        return shown


def _differing(state: State, other: State) -> list[int]:
    """Places of the memory in which two states differ."""
    return [place for place, pair in enumerate(zip(state.values, other.values, strict=True)) if pair[0] != pair[1]]


def _told(one: _Watched, repeats: bool) -> Seen:
    settles = next(iter(one.shown)) if repeats and len(one.shown) == 1 else None
    return Seen(one.begins, bool(one.first), settles, repeats, one.pulse_scans, one.last_change_ns)
