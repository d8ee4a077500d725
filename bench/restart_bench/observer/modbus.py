"""Modbus TCP on the wire: which requests read a set of points, how they are written down, what replies say.

Sources: MODBUS Application Protocol Specification V1.1b3 (APP) for the function codes and limits, MODBUS Messaging
on TCP/IP Implementation Guide V1.0b (TCPG) for the header. How a 32-bit value is spread over two registers is not
defined there, so every point says it (`words`). Nothing here knows of sockets or of the clock.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from restart_bench.model.rig import BIT_TABLES, Device, Point, PointType, Table, Value
from restart_bench.model.samples import SampleLayout

READ_FUNCTION: dict[Table, int] = {
    "coil": 0x01,
    "discrete_input": 0x02,
    "holding_register": 0x03,
    "input_register": 0x04,
}
WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS = 0x05, 0x06, 0x10
ERROR_BIT = 0x80  # APP 4.1: exception function code = request code + 80 hex
MALFORMED = 255
"""Exception number of a sample whose reply makes no sense (no Modbus exception code has this number)."""

_MBAP = struct.Struct(">HHHB")  # transaction, protocol (0), length (unit id included), unit (TCPG 3.1.3)
_HEADER = _MBAP.size
_LONGEST_PDU = 253  # APP 4.1
_TABLES: tuple[Table, ...] = ("coil", "discrete_input", "input_register", "holding_register")
_REGISTER_FORMAT: dict[PointType, str] = {
    "bool": ">H",
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
}


class BrokenStream(ValueError):
    """What came is no Modbus TCP: where the next frame begins can't be known any more."""


# ---------------------------------------------------------------- points and values


def _words(raw: bytes, point: Point) -> bytes:
    """The bytes of a point with its most significant word first (and back: the exchange is its own reverse)."""
    return raw[2:] + raw[:2] if len(raw) == 4 and point.words == "little" else raw


def decode_register(point: Point, raw: bytes) -> float:
    """Value of a register point, scaled, from its 2 or 4 bytes as they came. NaN (blind) stays NaN."""
    value: float = struct.unpack(_REGISTER_FORMAT[point.type], _words(raw, point))[0]
    return float(value) if point.scale == 1.0 else value * point.scale


def encode_register(point: Point, value: Value) -> bytes:
    """The 2 or 4 bytes that stand for `value`. Raises ValueError where the type can't hold it."""
    raw = float(value) / point.scale
    if not math.isfinite(raw):
        raise ValueError(f"{point.name}: {value} can't be written")
    form = _REGISTER_FORMAT[point.type]
    try:
        packed = struct.pack(form, raw) if point.type == "float32" else struct.pack(form, round(raw))
    except (struct.error, OverflowError):
        raise ValueError(f"{point.name}: {value} does not fit into {point.type} (scale {point.scale:g})") from None
    return _words(packed, point)


# ---------------------------------------------------------------- requests


@dataclass(frozen=True, slots=True)
class Request:
    """One read of `count` neighbouring items. `points` lie wholly inside, in the order of their addresses."""

    table: Table
    address: int
    count: int
    points: tuple[Point, ...]
    _bits: tuple[int, ...] = field(init=False, repr=False, default=())
    _form: struct.Struct | None = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        if self.table in BIT_TABLES:
            object.__setattr__(self, "_bits", tuple(point.address - self.address for point in self.points))
        else:
            object.__setattr__(self, "_form", _one_form(self.points, self.count))

    @property
    def name(self) -> str:
        """What people read: "read coils 0..2"."""
        return f"read {_items(self.table, self.address, self.count)}"

    @property
    def pdu(self) -> bytes:
        """The request as APP 6.1 to 6.4 write it."""
        return struct.pack(">BHH", READ_FUNCTION[self.table], self.address, self.count)

    @property
    def answer_bytes(self) -> int:
        """Bytes of data that an answer to it holds."""
        return (self.count + 7) // 8 if self.table in BIT_TABLES else 2 * self.count

    def decode(self, data: bytes) -> tuple[float, ...]:
        """Values of `points` in their order, from the data bytes of a good answer: 0 or 1, or a scaled number."""
        if self._bits:
            packed = int.from_bytes(data, "little")  # APP 6.1: lowest item in the lowest bit of the first byte
            return tuple([packed >> place & 1 for place in self._bits])
        if self._form is not None:
            return self._form.unpack(data)
        return tuple(decode_register(point, self._raw(point, data)) for point in self.points)

    def _raw(self, point: Point, data: bytes) -> bytes:
        start = 2 * (point.address - self.address)
        return data[start : start + 2 * point.width]


def _one_form(points: Sequence[Point], count: int) -> struct.Struct | None:
    """A format that unpacks all registers of a read at once, where nothing overlaps, is scaled or turned round."""
    plain = all(point.scale == 1.0 and (point.words == "big" or point.width == 1) for point in points)
    if not points or not plain or sum(point.width for point in points) != count:
        return None
    return struct.Struct(">" + "".join(_REGISTER_FORMAT[point.type][1] for point in points))


def _items(table: Table, address: int, count: int) -> str:
    words = table.replace("_", " ")
    return f"{words} {address}" if count == 1 else f"{words}s {address}..{address + count - 1}"


def plan_requests(device: Device, points: Iterable[Point]) -> tuple[Request, ...]:
    """The reads that fetch all points of this device (others are left out), tables in a fixed order.

    Only neighbouring or overlapping points of one table share a read: an address that nobody named may not exist,
    and would turn the whole answer into exception 02. 32-bit values are never split. `max_bits` and `max_registers`
    are kept; raises ValueError where a 32-bit point can't be read within them.
    """
    mine = [point for point in points if point.device == device.name]
    planned: list[Request] = []
    for table in _TABLES:
        limit = device.max_bits if table in BIT_TABLES else device.max_registers
        in_table = sorted((point for point in mine if point.table == table), key=lambda p: (p.address, p.width))
        planned += [_request(table, run) for run in _runs(in_table, limit)]
    return tuple(planned)


def _runs(points: Sequence[Point], limit: int) -> list[list[Point]]:
    runs: list[list[Point]] = []
    start = end = -1
    for point in points:
        after = point.address + point.width
        if point.width > limit:
            raise ValueError(f"{point.name}: {point.type} takes 2 registers, max_registers of {point.device} is 1")
        if runs and point.address <= end and max(end, after) - start <= limit:
            runs[-1].append(point)
            end = max(end, after)
        else:
            runs.append([point])
            start, end = point.address, after
    return runs


def _request(table: Table, run: Sequence[Point]) -> Request:
    end = max(point.address + point.width for point in run)
    return Request(table, run[0].address, end - run[0].address, tuple(run))


def plan_writes(device: Device, points: Iterable[Point]) -> tuple[Point, ...]:
    """The points of this device that the bench may write, in file order.

    Raises ValueError for a point of a table that can't be written.
    """
    writable = tuple(point for point in points if point.device == device.name and point.writable)
    for point in writable:
        if point.table not in ("coil", "holding_register"):
            raise ValueError(f"{point.name}: a {point.table.replace('_', ' ')} can't be written; use a coil")
    return writable


def write_name(point: Point) -> str:
    """What people read: "write coil 0"."""
    return f"write {_items(point.table, point.address, point.width)}"


def write_pdu(point: Point, value: Value) -> bytes:
    """The request that writes `value` (APP 6.5, 6.6, 6.12). Raises ValueError where the type can't hold it."""
    if point.table == "coil":
        return struct.pack(">BHH", WRITE_COIL, point.address, 0xFF00 if value else 0x0000)
    raw = encode_register(point, value)
    if len(raw) == 2:
        return struct.pack(">BH", WRITE_REGISTER, point.address) + raw
    return struct.pack(">BHHB", WRITE_REGISTERS, point.address, len(raw) // 2, len(raw)) + raw


def layout_for(device: Device, points: Sequence[Point]) -> SampleLayout:
    """How samples of this device are laid down. Points stand in the order in which the planned reads fetch them,
    so that the values of one read are neighbours; writes follow the reads among the requests."""
    reads = plan_requests(device, points)
    names = [request.name for request in reads] + [write_name(point) for point in plan_writes(device, points)]
    columns: list[tuple[str, Literal["b", "d"]]] = []
    for request in reads:
        columns += [(point.name, "b" if point.table in BIT_TABLES else "d") for point in request.points]
    return SampleLayout(device.name, tuple(names), tuple(columns))


# ---------------------------------------------------------------- frames


class Frame:
    """A request that is encoded once; for each sending only its transaction id is put before the `rest`."""

    __slots__ = ("rest",)

    def __init__(self, unit: int, pdu: bytes) -> None:
        self.rest = _MBAP.pack(0, 0, len(pdu) + 1, unit)[2:] + pdu

    def numbered(self, transaction: int) -> bytes:
        """The bytes to send under this transaction id (0..65535)."""
        return transaction.to_bytes(2, "big") + self.rest


class FrameReader:
    """Cuts what arrives on one connection into replies, however it was torn on the way."""

    __slots__ = ("_rest",)

    def __init__(self) -> None:
        self._rest = b""

    @property
    def torn(self) -> bool:
        """True while the rest of a reply is awaited."""
        return bool(self._rest)

    def feed(self, data: bytes) -> list[tuple[int, bytes]]:
        """Replies completed by `data` as (transaction id, PDU). Raises BrokenStream where a header makes no sense."""
        data = self._rest + data if self._rest else data
        replies: list[tuple[int, bytes]] = []
        start = 0
        while len(data) - start >= _HEADER:
            transaction, protocol, length, _unit = _MBAP.unpack_from(data, start)
            if protocol != 0 or not 2 <= length <= _LONGEST_PDU + 1:
                raise BrokenStream(f"header {data[start : start + _HEADER].hex(' ')} is no Modbus TCP")
            end = start + _HEADER - 1 + length
            if len(data) < end:
                break
            replies.append((transaction, data[start + _HEADER : end]))
            start = end
        self._rest = data[start:]
        return replies


def exception_of(function: int, pdu: bytes) -> int | None:
    """Exception code where the reply to `function` is an exception (MALFORMED where it is neither, or where the code
    is 0, which is no code: APP 7), None else."""
    if pdu[0] == function:
        return None
    if pdu[0] == function | ERROR_BIT and len(pdu) == 2:
        return pdu[1] or MALFORMED
    return MALFORMED


def read_answer(request: Request, pdu: bytes) -> tuple[int, tuple[float, ...]]:
    """(0, values) of a good answer to `request`, (exception code or MALFORMED, ()) of any other reply."""
    exception = exception_of(READ_FUNCTION[request.table], pdu)
    if exception is not None:
        return exception, ()
    if len(pdu) != 2 + request.answer_bytes or pdu[1] != request.answer_bytes:
        return MALFORMED, ()
    return 0, request.decode(pdu[2:])


def write_answer(sent_pdu: bytes, pdu: bytes) -> int:
    """0 where the reply confirms the write (its echo, APP 6.5, 6.6, 6.12), else the exception code or MALFORMED."""
    exception = exception_of(sent_pdu[0], pdu)
    if exception is not None:
        return exception
    return 0 if pdu == sent_pdu[:5] else MALFORMED
