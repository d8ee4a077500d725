"""One scan, one cut and one restart as gates: the same rules as the interpreter's, for all states at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from restart_bench.model.program import Bistable, Coil, Counter, Edge, Expr, Reset, Rung, Set, Timer
from restart_bench.plc.blocks import COMPARE
from restart_bench.plc.conditions import COMPARISONS
from restart_bench.plc.interpreter import FIRST_SCAN, driven
from restart_bench.predict.changes import FIRST, INITIAL, ORDER, PASS, RETAINED, Change
from restart_bench.predict.proving.circuit import FALSE, TRUE, Circuit
from restart_bench.predict.proving.layout import BEFORE, MIRRORED, VALUE, Layout, Slot, sides_of

Bits = dict[Slot, int]
"""A literal for each bit of a state, or of the inputs."""


@dataclass(slots=True)
class Scanned:
    """A scan that was gone through.

    before: the bits it began with; after: those it ended with; writes: each write, as number of the rung, bit and
    literal; pending: where one of these holds, some timer is running.
    """

    before: Bits
    after: Bits
    writes: list[tuple[int, Slot, int]] = field(default_factory=list)
    pending: list[int] = field(default_factory=list)


class Scanner:
    """Goes through the rungs of a program, writing gates.

    flips: a literal for each of some changes of the program; where it holds, the gates are those of the changed one.
    Changes of the order are right one at a time only, and not for timers and counters.
    """

    def __init__(self, circuit: Circuit, layout: Layout, changes: Iterable[Change] = ()) -> None:
        self.circuit = circuit
        self.layout = layout
        self.flips = {change: circuit.fresh() for change in changes}
        own = {change.name for change in self.flips if change.kind == RETAINED}
        self._may_be_kept = [slot for slot in layout.slots if slot in layout.retained or slot[0] in own]
        self.relations: dict[tuple[str, str], tuple[int, int]] = {}
        self._slots_of: dict[str, list[Slot]] = {}
        for slot in layout.slots:
            self._slots_of.setdefault(slot[0], []).append(slot)
        self._counted = {rung.name for rung in layout.program.rungs if isinstance(rung, Counter)}
        self._now: Bits = {}
        self._first = FALSE
        self._rung = 0
        self._done = Scanned({}, {})

    # ------------------------------------------------------------ states

    def constant(self, bits: Mapping[Slot, bool]) -> Bits:
        """Known bits."""
        return {slot: TRUE if value else FALSE for slot, value in bits.items()}

    def fresh_state(self) -> Bits:
        """Any state that keeps the order of thresholds."""
        return self._ordered({slot: self.circuit.fresh() for slot in self.layout.slots})

    def fresh_inputs(self, names: tuple[str, ...] | None = None) -> Bits:
        """Any inputs; those not named are at rest."""
        bits = self.constant(self.layout.rest)
        for name in self.layout.inputs if names is None else names:
            bits |= {slot: self.circuit.fresh() for slot in self.layout.input_slots[name]}
        return self._ordered(bits)

    def written(self, state: Bits) -> Bits:
        """The state after somebody outside may have written what no rung drives."""
        if not self.layout.outside:
            return state
        return self._ordered(state | {slot: self.circuit.fresh() for slot in self.layout.outside})

    def _ordered(self, bits: Bits) -> Bits:
        for lower, upper in self.layout.chains():
            if lower in bits and bits[lower] not in (TRUE, FALSE):
                self.circuit.clauses.append([bits[lower], -bits[upper]])
        return bits

    # ------------------------------------------------------------ cuts

    def saved(self, old: Bits, scanned: Scanned) -> tuple[Bits, list[tuple[int, int]]]:
        """What a loss of supply somewhere in a scan leaves of the retained bits.

        `old` is what the last completed scan saved. With it come, for each rung that matters, its number and a
        literal: the loss fell after that rung.
        """
        if self.layout.program.saved == "at scan end":
            return {slot: old[slot] for slot in self._may_be_kept}, []
        kept = {slot: scanned.before[slot] for slot in self._may_be_kept}
        done: list[tuple[int, int]] = []
        for number, slot, value in scanned.writes:
            if slot not in kept or kept[slot] == value:
                continue
            if not done or done[-1][0] != number:
                done.append((number, self.circuit.fresh()))
                if len(done) > 1:
                    self.circuit.clauses.append([done[-2][1], -done[-1][1]])
            kept[slot] = self.circuit.choose(done[-1][1], value, kept[slot])
        return kept, done

    def restarted(self, kept: Bits | None) -> Bits:
        """The state before the first scan after a loss of supply; nothing was kept at a cold restart."""
        state = self.constant(self.layout.initial) | {
            change_slot: self._flipped(self.layout.initial[change_slot], change)
            for change in self.flips
            if change.kind == INITIAL and (change_slot := (change.name, VALUE)) in self.layout.initial
        }
        for slot, value in (kept or {}).items():
            is_kept = self._flipped(slot in self.layout.retained, Change(RETAINED, slot[0]))
            state[slot] = self.circuit.choose(is_kept, value, state[slot])
        return self.passed(state)

    def _flipped(self, holds: bool, change: Change) -> int:
        """True if something holds, or, where it is changed, if it doesn't."""
        return self.circuit.xor(TRUE if holds else FALSE, self.flips.get(change, FALSE))

    def passed(self, state: Bits) -> Bits:
        """The state after the start pass, if the program has one."""
        passes = self._flipped(self.layout.program.start_pass != "none", Change(PASS))
        if passes == FALSE:
            return state
        return state | {slot: self.circuit.choose(passes, FALSE, state[slot]) for slot in self.layout.plain}

    # ------------------------------------------------------------ one scan

    def scan(self, state: Bits, first: int, inputs: Bits, *, as_before: bool = False) -> Scanned:
        """All rungs in their order. `first`: it is the first scan; as_before: nothing outside has changed since the
        last one."""
        self.relations = self.relations if as_before else {}
        self._now = {**state, **inputs}
        self._first = first
        self._done = Scanned(dict(state), {})
        for number, rung in enumerate(self.layout.program.rungs):
            self._rung = number
            if self.flips:
                self._go_changed(number)
            else:
                self._go(rung)
        self._done.after = {slot: self._now[slot] for slot in state}
        return self._done

    def _go_changed(self, place: int) -> None:
        """What is done at one place of the scan: by its rung, or by a neighbour with which it has changed places."""
        now, done = self._now, self._written_by(place)
        for first, instead in ((place, place + 1), (place - 1, place - 1)):
            flip = self.flips.get(Change(ORDER, rungs=(first, first + 1)))
            if flip is not None:
                other = self._written_by(instead)
                done = {
                    slot: self.circuit.choose(flip, other.get(slot, now[slot]), done.get(slot, now[slot]))
                    for slot in dict.fromkeys((*done, *other))
                }
        for slot, value in done.items():
            self._write(slot, value)

    def _written_by(self, number: int) -> Bits:
        """What a rung writes, with what stands now before it; nothing is written."""
        now, writes, first = self._now, self._done.writes, self._first
        self._now, self._done.writes = dict(now), []
        self._first = self.circuit.and_(first, -self.flips.get(Change(FIRST, rungs=(number,)), FALSE))
        self._go(self.layout.program.rungs[number])
        written = {slot: value for _, slot, value in self._done.writes}
        self._now, self._done.writes, self._first = now, writes, first
        return written

    def scan_knot(self, state: Bits, inputs: Bits, knot: frozenset[str], still: dict[tuple[int, Slot], int]) -> Scanned:
        """The rungs that drive the names of a knot; what others write is the same in every scan, at each place of it.

        `still` holds what they write, by rung and bit, and is added to.
        """
        rungs = self.layout.program.rungs
        others = {name: slots for name, slots in self._slots_of.items() if name not in knot}
        last = {driven(rung): number for number, rung in enumerate(rungs)}
        kept = [(last.get(name, -1), slot) for name, slots in others.items() for slot in slots]
        self._now = {slot: self._kept(still, number, slot) for number, slot in kept} | state | inputs
        self._first = FALSE
        self._done = Scanned(dict(self._now), {})
        for number, rung in enumerate(rungs):
            self._rung = number
            name = driven(rung)
            if name in knot:
                self._go(rung)
            else:
                self._now |= {slot: self._kept(still, number, slot) for slot in others[name]}
        self._done.after = dict(self._now)
        return self._done

    def _kept(self, still: dict[tuple[int, Slot], int], number: int, slot: Slot) -> int:
        if (number, slot) not in still:
            still[number, slot] = self.circuit.fresh()
        return still[number, slot]

    def _go(self, rung: Rung) -> None:
        circuit = self.circuit
        match rung:
            case Coil():
                self._write((rung.target, VALUE), self._test(rung.when))
            case Set():
                self._write((rung.target, VALUE), circuit.or_(self._now[rung.target, VALUE], self._test(rung.when)))
            case Reset():
                self._write((rung.target, VALUE), circuit.and_(self._now[rung.target, VALUE], -self._test(rung.when)))
            case Timer():
                self._time(rung, self._test(rung.when))
            case Counter():
                self._count(rung)
            case Edge():
                now = self._test(rung.when) if rung.kind == "rising" else -self._test(rung.when)
                before = self._now[rung.name, BEFORE]
                self._write((rung.name, VALUE), circuit.and_(now, -before))
                self._write((rung.name, BEFORE), now)
            case Bistable():
                self._hold(rung)

    def _write(self, slot: Slot, value: int) -> None:
        self._now[slot] = value
        self._done.writes.append((self._rung, slot, value))

    def _hold(self, rung: Bistable) -> None:
        held, set_, reset = self._now[rung.name, VALUE], self._test(rung.set), self._test(rung.reset)
        if rung.kind == "SR":
            value = self.circuit.or_(set_, self.circuit.and_(-reset, held))
        else:
            value = self.circuit.and_(-reset, self.circuit.or_(set_, held))
        self._write((rung.name, VALUE), value)

    # ------------------------------------------------------------ timers

    def _time(self, rung: Timer, now: int) -> None:
        """When a timer runs out is open; in the first scan no time has passed."""
        on, before = self._now[rung.name, VALUE], self._now[rung.name, BEFORE]
        kinds = {"TON": self._on_delay, "TOF": self._off_delay, "TP": self._pulse}
        self._write((rung.name, VALUE), kinds[rung.kind](on, before, now, rung.preset_ns > 0))
        self._write((rung.name, BEFORE), now)

    def _on_delay(self, on: int, before: int, now: int, lasts: bool) -> int:
        if not lasts:
            return now
        running = self.circuit.every([now, before, -on])
        over = self._runs_out(running)
        return self.circuit.or_(self.circuit.every([now, before, on]), over)

    def _off_delay(self, on: int, before: int, now: int, lasts: bool) -> int:
        if not lasts:
            return now
        running = self.circuit.every([-now, on, -before])
        waiting = self.circuit.every([-now, on, before])
        over = self._runs_out(running)
        return self.circuit.some([now, waiting, self.circuit.and_(running, -over)])

    def _pulse(self, on: int, before: int, now: int, lasts: bool) -> int:
        over = self._runs_out(on)
        begins = self.circuit.every([-on, now, -before])
        return self.circuit.or_(self.circuit.and_(on, -over), begins if lasts else FALSE)

    def _runs_out(self, running: int) -> int:
        """A running timer may be over in this scan, unless it is the first."""
        if running == FALSE:
            return FALSE
        self._done.pending.append(running)
        return self.circuit.every([running, -self._first, self.circuit.fresh()])

    # ------------------------------------------------------------ counters

    def _count(self, rung: Counter) -> None:
        now, before = self._test(rung.when), self._now[rung.name, BEFORE]
        again = self._test(rung.reset) if rung.reset is not None else FALSE
        rise = self.circuit.and_(now, -before)
        keys = self.layout.thresholds[rung.name]
        old = [self._now[rung.name, key] for key in keys]
        step = self._one_more if rung.kind == "CTU" else self._one_less
        start = 0 if rung.kind == "CTU" else rung.preset
        for number, key in enumerate(keys):
            stepped = self.circuit.choose(rise, step(rung, keys, old, number), old[number])
            begun = TRUE if self.layout.reaches(start, key) else FALSE
            self._write((rung.name, key), self.circuit.choose(again, begun, stepped))
        level = self._level(rung.name, rung.preset if rung.kind == "CTU" else 1, strictly=False)
        self._write((rung.name, VALUE), level if rung.kind == "CTU" else -level)
        self._write((rung.name, BEFORE), now)

    def _one_more(self, rung: Counter, keys: tuple[int, ...], old: list[int], number: int) -> int:
        if number == 0:
            below, near = TRUE, keys[0] == 2 * (min(0, self._initial_count(rung)) + 1)
        else:
            below, near = old[number - 1], keys[number] - keys[number - 1] == 2
        reached = below if near else self.circuit.and_(below, self.circuit.fresh())
        return self.circuit.or_(old[number], reached)

    def _one_less(self, rung: Counter, keys: tuple[int, ...], old: list[int], number: int) -> int:
        if number + 1 == len(keys):
            above, near = FALSE, keys[-1] == 2 * max(rung.preset, self._initial_count(rung))
        else:
            above, near = old[number + 1], keys[number + 1] - keys[number] == 2
        left = above if near else self.circuit.or_(above, self.circuit.fresh())
        return self.circuit.and_(old[number], left)

    def _initial_count(self, rung: Counter) -> int:
        memory = self.layout.program.memory.get(rung.name)
        return int(memory.initial) if memory is not None else 0

    # ------------------------------------------------------------ conditions

    def _test(self, expr: Expr) -> int:
        word, *parts = expr
        if word == "const":
            return TRUE if parts[0] else FALSE
        if word == "name":
            return self._read(parts[0])
        if word == "not":
            return -self._test(parts[0])
        if word in COMPARISONS:
            return self._compare(expr)
        joined: dict[str, Callable[[int, int], int]] = {
            "and": self.circuit.and_,
            "or": self.circuit.or_,
            "xor": self.circuit.xor,
        }
        return joined[word](self._test(parts[0]), self._test(parts[1]))

    def _read(self, name: str) -> int:
        if name == FIRST_SCAN:
            return self._first
        return self._now[name, VALUE]

    def _compare(self, expr: Expr) -> int:
        """A number is known by its thresholds; two numbers that both can change are left open."""
        sign = expr[0]
        left, right = sides_of(expr)
        if isinstance(left, str) and isinstance(right, str):
            return self._relation(sign, left, right)
        if not isinstance(left, str) and not isinstance(right, str):
            return TRUE if COMPARE[sign](left, right) else FALSE
        name, number = (left, right) if isinstance(left, str) else (right, left)
        sign = sign if isinstance(left, str) else MIRRORED[sign]
        at_least = self._level(name, number, strictly=False)
        above = self._level(name, number, strictly=True)
        answers = {
            ">=": at_least,
            "<": -at_least,
            ">": above,
            "<=": -above,
            "=": self.circuit.and_(at_least, -above),
            "<>": -self.circuit.and_(at_least, -above),
        }
        return answers[sign]

    def _relation(self, sign: str, left: str, right: str) -> int:
        """Two numbers: left open, and once for all scans of `relations` if both only change from outside."""
        if {left, right} & self._counted:
            return self.circuit.fresh()
        if (left, right) not in self.relations:
            above, same = self.circuit.fresh(), self.circuit.fresh()
            self.circuit.clauses.append([-above, -same])
            self.relations |= {(left, right): (above, same), (right, left): (self.circuit.every([-above, -same]), same)}
        above, same = self.relations[left, right]
        signs = {">": above, "<=": -above, "=": same, "<>": -same}
        signs |= {">=": self.circuit.or_(above, same), "<": -self.circuit.or_(above, same)}
        return signs[sign]

    def _level(self, name: str, number: float, *, strictly: bool) -> int:
        key = self.layout.key(name, number, strictly=strictly)
        if (name, key) in self._now:
            return self._now[name, key]
        if name not in self.layout.thresholds:  # a bit counts as 0 or 1
            return TRUE if key <= 0 else self._read(name) if key <= 2 else FALSE
        keys = self.layout.thresholds.get(name, ())
        return TRUE if not keys or key <= keys[0] else FALSE
