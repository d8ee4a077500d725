"""What of a controller's state a proof has to tell apart: one bit for each fact, laid out by name.

Bits, edges and bistables are exact. A timer is its output and its input of the scan before; when it runs out is left
open. A counter is exact while it counts up to 15, above that it is known by the numbers it is compared with; so is
every other number.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from restart_bench.model.program import Bistable, Coil, Counter, Edge, Expr, Input, Memory, Program, Timer
from restart_bench.plc.blocks import COUNT_MAX, COUNT_MIN
from restart_bench.plc.conditions import comparisons_in
from restart_bench.plc.interpreter import conditions_read, driven, held_names

Slot = tuple[str, Any]
"""A name and which of its bits: "value", "before" (input of the scan before), or a threshold of a number."""

VALUE = "value"
BEFORE = "before"
EXACT_RANGE = 16  # a counter up to a preset of 15 is told apart number by number


class Layout:
    """The bits of a program. slots: those of its memory; initial: what they are at first; retained, plain: those that
    outlive a loss of supply, and those that the start pass clears; input_slots: bits of each input, in its order;
    rest: what they are at rest; outside: slots of memory that no rung drives, so that only somebody outside writes
    them; thresholds: for each number the values from which it is told apart, ascending."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self.blocks = {rung.name: rung for rung in program.rungs if isinstance(rung, Timer | Counter | Edge | Bistable)}
        self.inputs: dict[str, Input] = {one.name: one for one in program.inputs}
        self._driven = {driven(rung) for rung in program.rungs}
        self._wanted: dict[str, set[int]] = {}
        self._related: set[str] = set()  # names that are compared with one another
        for sign, left, right in _comparisons(program):
            if isinstance(left, str) and isinstance(right, str):
                self._related |= {left, right}
            elif isinstance(left, str):
                self._want(left, sign, right)
            elif isinstance(right, str):
                self._want(right, MIRRORED[sign], left)
        self.thresholds: dict[str, tuple[int, ...]] = {}
        self.slots: list[Slot] = []
        self.initial: dict[Slot, bool] = {}
        self.retained: set[Slot] = set()
        self.outside: set[Slot] = set()
        self.plain = {(rung.target, VALUE) for rung in program.rungs if isinstance(rung, Coil)}
        for name in held_names(program):
            self._add(name, program.memory.get(name, Memory(name)))
        self.input_slots: dict[str, tuple[Slot, ...]] = {}
        self.rest: dict[Slot, bool] = {}
        for one in program.inputs:
            self._add_input(one)

    def is_number(self, name: str) -> bool:
        """True for an input or memory that holds a number and is no counter."""
        if name in self.inputs:
            return not isinstance(self.inputs[name].rest, bool)
        if name in self._driven:
            return False
        return name in self._wanted or not isinstance(self.program.memory.get(name, Memory(name)).initial, bool)

    def sensors(self) -> tuple[str, ...]:
        """Inputs that no person works."""
        return tuple(one.name for one in self.inputs.values() if one.role != "command")

    def chains(self) -> Iterator[tuple[Slot, Slot]]:
        """Pairs of bits of one number, of which the first follows from the second."""
        for name, keys in self.thresholds.items():
            for lower, upper in pairwise(keys):
                yield (name, lower), (name, upper)

    # ------------------------------------------------------------ numbers

    def _want(self, name: str, sign: str, number: float) -> None:
        wanted = self._wanted.setdefault(name, set())
        if sign in ("=", "<>", "<", ">="):
            wanted.add(self.key(name, number, strictly=False))
        if sign in ("=", "<>", "<=", ">"):
            wanted.add(self.key(name, number, strictly=True))

    def key(self, name: str, number: float, *, strictly: bool) -> int:
        """The threshold of `>= number`, or, strictly, of `> number`, in halves: odd ones are above a whole number."""
        if self.is_whole(name):
            return 2 * (int(number) + strictly)
        return 2 * int(number) + strictly

    def is_whole(self, name: str) -> bool:
        """True where a number can't lie between two whole ones."""
        if name in self.inputs:
            return isinstance(self.inputs[name].rest, int)
        return name in self.blocks or isinstance(self.program.memory.get(name, Memory(name)).initial, int)

    def counted_out(self, name: str) -> tuple[int, int]:
        """The counts of a counter from which on, downwards and upwards, it makes no difference how far it has counted.
        Raises KeyError for what is no counter."""
        block = self.blocks[name]
        if not isinstance(block, Counter):
            raise KeyError(name)
        if name in self._related:
            return COUNT_MIN, COUNT_MAX
        initial = int(self.program.memory.get(name, Memory(name)).initial)
        low, high = self.range_of(block, initial, self._counts_of(block))
        return (COUNT_MIN, high) if block.kind == "CTU" else (low, COUNT_MAX)

    @property
    def compares_counts(self) -> bool:
        """True where a count is compared with another number that changes: which is larger is left open."""
        return any(isinstance(self.blocks.get(name), Counter) for name in self._related)

    def reaches(self, number: float, key: int) -> bool:
        """True if a number is at or above a threshold."""
        return number > key // 2 if key % 2 else number >= key // 2

    # ------------------------------------------------------------ memory

    def _add(self, name: str, memory: Memory) -> None:
        mine: dict[Slot, bool] = {}
        block = self.blocks.get(name)
        if isinstance(block, Counter):
            self.thresholds[name] = self._counter_thresholds(block, int(memory.initial))
            mine = {(name, VALUE): False, (name, BEFORE): False}
            mine |= {(name, key): self.reaches(int(memory.initial), key) for key in self.thresholds[name]}
        elif isinstance(block, Timer | Edge):
            mine = {(name, VALUE): False, (name, BEFORE): False}
        elif self.is_number(name):
            self.thresholds[name] = tuple(sorted(self._wanted.get(name, ())))
            mine = {(name, key): self.reaches(float(memory.initial), key) for key in self.thresholds[name]}
        else:
            mine = {(name, VALUE): bool(memory.initial)}
        self.slots += mine
        self.initial |= mine
        if memory.retained:
            self.retained |= mine.keys()
        if name not in self._driven:
            self.outside |= mine.keys()

    def _counter_thresholds(self, block: Counter, initial: int) -> tuple[int, ...]:
        wanted = self._counts_of(block)
        low, high = self.range_of(block, initial, wanted)
        if high - low <= EXACT_RANGE:
            wanted = set(range(low + 1, high + 1))
        return tuple(2 * number for number in sorted(wanted))

    def _counts_of(self, block: Counter) -> set[int]:
        """The counts from which something is another, its output or a comparison."""
        return {block.preset if block.kind == "CTU" else 1, *(key // 2 for key in self._wanted.get(block.name, ()))}

    def range_of(self, block: Counter, initial: int, wanted: set[int]) -> tuple[int, int]:
        """Lowest and highest count that make a difference."""
        if block.kind == "CTU":
            return min(0, initial), max(wanted)
        return min(wanted) - 1, max(block.preset, initial, *wanted)

    # ------------------------------------------------------------ inputs

    def _add_input(self, one: Input) -> None:
        if isinstance(one.rest, bool):
            slots: dict[Slot, bool] = {(one.name, VALUE): one.rest}
        else:
            self.thresholds[one.name] = tuple(sorted(self._wanted.get(one.name, ())))
            slots = {(one.name, key): self.reaches(one.rest, key) for key in self.thresholds[one.name]}
        self.input_slots[one.name] = tuple(slots)
        self.rest |= slots


def _comparisons(program: Program) -> Iterator[tuple[str, Any, Any]]:
    """The sign and both sides of every comparison."""
    for rung in program.rungs:
        for condition in conditions_read(rung):
            yield from ((expr[0], *sides_of(expr)) for expr in comparisons_in(condition))


MIRRORED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "=", "<>": "<>"}


def sides_of(expr: Expr) -> tuple[Any, Any]:
    """Both sides of a comparison: a name (text) or a number."""
    left, right = (side[1] if isinstance(side, tuple) else side for side in expr[1:3])
    return left, right
