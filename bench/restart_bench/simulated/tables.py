"""Points in the four tables of a Modbus device: which addresses exist, and how a value stands in registers.

A table reaches from address 0 to the last point in it, without holes; what lies between the points is memory that
nobody uses (a client may write and read it). Nothing here waits or sends.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

from restart_bench.model.rig import BIT_TABLES, WHOLE_RANGES, Point, Table, Value
from restart_bench.simulated.faults import Playing

_PACKED = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def level_number(point: Point, value: bool) -> float:
    """The number that a register with levels shows for off or on: clearly below, though hardly ever 0, clearly
    above."""
    assert point.levels is not None
    off_below, on_above = point.levels.off_below, point.levels.on_above
    half = (on_above - off_below) / 2
    if value:
        return on_above + half
    return off_below / 4 if off_below > 0 else off_below - half


def between_levels(point: Point) -> float:
    """A number between the levels of a register: neither off nor on."""
    assert point.levels is not None
    return (point.levels.off_below + point.levels.on_above) / 2


def registers_of(point: Point, value: Value) -> tuple[int, ...]:
    """A value as registers, high byte first; 32-bit values in the point's word order. Integers are kept in range."""
    number: Value = level_number(point, value) if point.levels is not None and isinstance(value, bool) else value
    if point.type == "bool":
        return (int(bool(number)),)
    raw = float(number) / point.scale
    if point.type == "float32":
        packed = struct.pack(">f", raw)
    else:
        low, high = WHOLE_RANGES[point.type]
        packed = struct.pack(_PACKED[point.type], min(high, max(low, round(raw))))
    words = struct.unpack(f">{len(packed) // 2}H", packed)
    return words if point.words == "big" else words[::-1]


def value_of(point: Point, registers: Iterable[int]) -> Value:
    """The value that registers say, scaled; a register with levels stays a number."""
    words = tuple(registers)
    if point.type == "bool":
        return bool(words[0])
    if point.words == "little":
        words = words[::-1]
    (raw,) = struct.unpack(_PACKED[point.type], struct.pack(f">{len(words)}H", *words))
    number: Value = raw if point.scale == 1.0 else raw * point.scale
    return number


class OfTables:
    """A device that answers from its four tables, as `wire.WireDevice` asks, with the faults that play for it."""

    def lay_out(self, points: Iterable[Point]) -> None:
        """Puts these points into the tables."""
        self._in: dict[Table, list[Point]] = {}
        self._unused: dict[tuple[Table, int], int] = {}
        for point in sorted(points, key=lambda one: one.address):
            self._in.setdefault(point.table, []).append(point)
        self._size = {table: max(one.address + one.width for one in points) for table, points in self._in.items()}

    def value(self, point: Point) -> Value:
        """The value of a point."""
        raise NotImplementedError

    def work(self, point: Point, value: Value) -> None:
        """Takes what a client writes to a point."""
        raise NotImplementedError

    def playing(self) -> Playing:
        """The faults that concern what it answers: none, unless a device says otherwise."""
        return Playing()

    def exists(self, table: Table, address: int, count: int) -> bool:
        """True if all of these addresses do."""
        return count >= 1 and address >= 0 and address + count <= self._size.get(table, 0)

    def touched(self, table: Table, address: int, count: int) -> list[Point]:
        """The points that lie in these addresses, also those that only reach into them."""
        end = address + count
        return [one for one in self._in.get(table, ()) if one.address < end and one.address + one.width > address]

    def read(self, table: Table, address: int, count: int) -> list[int]:
        """Bits (0, 1) or registers."""
        if self._unused:
            found = [self._unused.get((table, place), 0) for place in range(address, address + count)]
        else:
            found = [0] * count
        for point in self.touched(table, address, count):
            for offset, word in enumerate(self._words(point), start=point.address - address):
                if 0 <= offset < count:
                    found[offset] = word
        return found

    def write(self, table: Table, address: int, values: Iterable[int]) -> None:
        """Bits or registers from a client, point by point in order of address. One register of a 32-bit value may
        be written alone: the other keeps what it says."""
        given = dict(enumerate((int(value) for value in values), start=address))
        for point in self.touched(table, address, len(given)):
            words = [given.pop(point.address + place, word) for place, word in enumerate(self._words(point))]
            self.work(point, bool(words[0]) if table in BIT_TABLES else value_of(point, words))
        for place, word in given.items():
            self._unused[table, place] = word

    def unanswered(self, table: Table, address: int, count: int) -> bool:
        """True if a request that touches these addresses gets no reply."""
        playing, touched = self.playing(), self.touched(table, address, count)
        return any(playing.at_point("point-unanswered", point.name) is not None for point in touched)

    def refused(self, table: Table, address: int, count: int) -> int | None:
        """Code of the exception that a request to these addresses draws; None where none of them is refused."""
        playing, touched = self.playing(), self.touched(table, address, count)
        found = (playing.at_point("point-refused", point.name) for point in touched)
        return next((int(one["code"]) for one in found if one is not None), None)

    def _words(self, point: Point) -> tuple[int, ...]:
        value = self.value(point)
        return (int(bool(value)),) if point.table in BIT_TABLES else registers_of(point, value)
