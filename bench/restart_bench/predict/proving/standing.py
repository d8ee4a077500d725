"""Whether everything comes to a stand once the inputs do: shown for one piece of the program after the other.

Rungs that depend on each other in a circle are a knot. Where all that a knot reads stands still, at each place of the
scan at which it is read, the knot has to come to a stand from whatever state; then what reads the knot does too, and so
on. A timer that reads nothing of its own comes to a stand once its input has, for time goes on. What is left comes to a
stand bit by bit: a bit that, whatever the others do, either never rises or never falls moves once at most. This holds
at the ends of scans alone: what several rungs drive may be reset and set again in every scan, and be read in between.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from restart_bench.model.program import Program, Timer
from restart_bench.plc.interpreter import driven
from restart_bench.predict.proving.circuit import FALSE, Circuit
from restart_bench.predict.proving.cone import cone_of, reads_of
from restart_bench.predict.proving.layout import BEFORE, VALUE, Slot
from restart_bench.predict.proving.parts import Part
from restart_bench.predict.proving.patience import go_on
from restart_bench.predict.proving.solver import FAST, new_solver
from restart_bench.predict.proving.symbolic import Bits, Scanned, Scanner

LENGTHS = (1, 2, 3, 4, 6, 8, 12, 16)
MOST_WITH_TIMERS = 4  # timers in one knot


def stands(part: Part, solver: str = FAST) -> bool:
    """True if everything surely comes to a stand; False if that was not shown."""
    writers = Counter(driven(rung) for rung in part.program.rungs)
    left = dict.fromkeys(writers)  # what may still move, if only within a scan
    ended: frozenset[str] = frozenset()  # what comes to be the same at the end of every scan
    turns: _Turns | None = None
    while not ended.issuperset(left):
        still = [knot for knot in _free_knots(part.program, left) if _comes_to_a_stand(part, knot, solver)]
        if not still:
            turns = turns or _Turns(part, solver)
            found = turns.standing(frozenset(left) - ended)
            if not found:
                return False
            ended |= found
            # with one rung a name is at any place what it was at the last end of a scan, or will be at the next one
            still = [frozenset(name for name in found if writers[name] == 1)]
        gone = frozenset().union(*still)
        left = {name: None for name in left if name not in gone}
    return True


def _free_knots(program: Program, left: Iterable[str]) -> list[frozenset[str]]:
    """Names that depend on each other, each in one knot, where a knot reads nothing else that may still move."""
    names = set(left)
    reads: dict[str, set[str]] = {name: set() for name in names}
    for rung in program.rungs:
        if driven(rung) in names:
            reads[driven(rung)] |= reads_of(rung) & names
    cones = {name: _reached(reads, name) for name in names}
    knots = dict.fromkeys(frozenset({name, *(one for one in cones[name] if name in cones[one])}) for name in left)
    return [knot for knot in knots if all(cones[name] <= knot for name in knot)]


def _reached(reads: dict[str, set[str]], name: str) -> set[str]:
    reached: set[str] = set()
    waiting = [name]
    while waiting:
        for one in reads[waiting.pop()] - reached:
            reached.add(one)
            waiting.append(one)
    return reached


def timers_in_a_row(program: Program) -> int:
    """The longest chain of timers of which each waits for the one before; those of one knot count as one."""
    timers = {rung.name for rung in program.rungs if isinstance(rung, Timer)}
    cones = {name: cone_of(program, [name]) for name in timers}
    above = {name: {one for one in timers & cones[name] if name not in cones[one]} for name in timers}
    depths: dict[str, int] = {}
    for name in sorted(timers, key=lambda one: len(above[one])):
        depths[name] = 1 + max((depths[one] for one in above[name]), default=0)
    return max(depths.values(), default=0)


def _comes_to_a_stand(part: Part, knot: frozenset[str], solver: str) -> bool:
    rungs = [rung for rung in part.program.rungs if driven(rung) in knot]
    timers = sum(isinstance(rung, Timer) for rung in rungs)
    if len(rungs) == 1 and timers and driven(rungs[0]) not in reads_of(rungs[0]):
        return True
    if timers > MOST_WITH_TIMERS:
        return False
    path = _Path(part, knot)
    search = new_solver(name=solver)
    loaded = 0
    for scans in LENGTHS:
        go_on()
        moving = path.moving(scans)
        search.append_formula(path.circuit.clauses[loaded:])
        loaded = len(path.circuit.clauses)
        if moving == FALSE or not search.solve(assumptions=[*path.demands, moving]):
            search.delete()
            return True
    search.delete()
    return False


class _Path:
    """Scans of one knot from any state of it, while all that it reads stands still."""

    def __init__(self, part: Part, knot: frozenset[str]) -> None:
        self.part, self.knot = part, knot
        self.circuit = Circuit()
        self.scanner = Scanner(self.circuit, part.layout)
        self.slots = [slot for slot in part.layout.slots if slot[0] in knot]
        self.demands: list[int] = []
        self._inputs = self.scanner.fresh_inputs()
        self._still: dict[tuple[int, Slot], int] = {}
        fresh = self.scanner.fresh_state()
        self._states: list[Bits] = [{slot: fresh[slot] for slot in self.slots}]
        self._scans: list[Scanned] = []

    def moving(self, scans: int) -> int:
        """True where something still moves, or waits for a timer, after so many scans that each changed something."""
        while len(self._scans) <= scans:
            self._scan()
        return self.circuit.some([self._moved(scans), *self._scans[scans].pending])

    def _scan(self) -> None:
        scanned = self.scanner.scan_knot(self._states[-1], self._inputs, self.knot, self._still)
        self._scans.append(scanned)
        self._states.append({slot: scanned.after[slot] for slot in self.slots})
        if scanned.pending:
            moved = self._moved(len(self._scans) - 1)
            self.demands.append(self.circuit.or_(moved, -self.circuit.some(scanned.pending)))

    def _moved(self, number: int) -> int:
        one, other = self._states[number], self._states[number + 1]
        return self.circuit.differ((one[slot], other[slot]) for slot in self.slots)


class _Turns:
    """Two stretches of scans from any two states, with the same inputs: in one a bit goes off, in the other on.

    Where that can't be, the bit moves once at most. What is known to stand still is the same in both stretches.
    """

    def __init__(self, part: Part, solver: str) -> None:
        self._circuit = circuit = Circuit()
        scanner = Scanner(circuit, part.layout)
        inputs = scanner.fresh_inputs()
        self._slots = part.layout.slots
        self._timers = {rung.name for rung in part.program.rungs if isinstance(rung, Timer)}
        stretches = []
        for _ in range(2):
            states = [scanner.fresh_state()]
            for _ in range(2):
                states.append(scanner.scan(states[-1], FALSE, inputs, as_before=True).after)
            stretches.append(states)
        self._stays = {slot: self._same(slot, stretches) for slot in self._slots}
        (_, one, then), (_, other, after) = stretches
        self._turns = {slot: circuit.every([one[slot], -then[slot], -other[slot], after[slot]]) for slot in self._slots}
        self._solver: Any = new_solver(circuit.clauses, name=solver)

    def _same(self, slot: Slot, stretches: list[list[Bits]]) -> int:
        """True where a bit is the same at all times."""
        first, *others = [state[slot] for states in stretches for state in states]
        return -self._circuit.differ((first, other) for other in others)

    def standing(self, moving: frozenset[str]) -> frozenset[str]:
        """The names, among those that may still move, that surely come to a stand."""
        still = {slot for slot in self._slots if slot[0] not in moving}
        before = -1
        while len(still) > before:
            before = len(still)
            for slot in self._slots:
                if slot not in still and self._stands(slot, still):
                    still.add(slot)
        return frozenset(name for name in moving if all(slot in still for slot in self._slots if slot[0] == name))

    def _stands(self, slot: Slot, still: set[Slot]) -> bool:
        go_on()
        name, bit = slot
        if name in self._timers and bit == VALUE and (name, BEFORE) in still:
            return True
        return not self._solver.solve(assumptions=[*(self._stays[one] for one in still), self._turns[slot]])
