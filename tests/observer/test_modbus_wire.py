"""Modbus TCP on the wire: requests, replies and the planning of reads, against the examples of the specification.

APP = MODBUS Application Protocol Specification V1.1b3, TCPG = MODBUS Messaging on TCP/IP Implementation Guide V1.0b.
"""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.model.rig import Device, Point, PointType, Table
from restart_bench.observer.modbus import (
    MALFORMED,
    BrokenStream,
    Frame,
    FrameReader,
    Request,
    decode_register,
    encode_register,
    layout_for,
    plan_requests,
    plan_writes,
    read_answer,
    write_answer,
    write_name,
    write_pdu,
)

DEVICE = Device("controller", "192.0.2.10")


def bits(table: Table, first: int, count: int) -> tuple[Point, ...]:
    return tuple(Point(f"b{place}", "controller", table, place) for place in range(first, first + count))


def register(address: int, kind: PointType = "uint16", table: Table = "holding_register", **more: object) -> Point:
    return Point(f"r{address}", "controller", table, address, type=kind, **more)  # type: ignore[arg-type]


def as_bits(text: str) -> tuple[int, ...]:
    return tuple(int(digit) for digit in text.replace(" ", ""))


# ---------------------------------------------------------------- the specification's own examples


@pytest.mark.parametrize(
    ("table", "address", "count", "pdu"),
    [
        ("coil", 0x13, 0x13, "01 00 13 00 13"),  # APP 6.1, coils 20-38
        ("discrete_input", 0xC4, 0x16, "02 00 C4 00 16"),  # APP 6.2, inputs 197-218
        ("holding_register", 0x6B, 3, "03 00 6B 00 03"),  # APP 6.3, registers 108-110
        ("input_register", 8, 1, "04 00 08 00 01"),  # APP 6.4, input register 9
    ],
)
def test_reads_are_encoded_as_in_the_specification(table: Table, address: int, count: int, pdu: str) -> None:
    """APP 6.1 to 6.4: function, start address (0-based) and quantity, big-endian."""
    assert Request(table, address, count, ()).pdu == bytes.fromhex(pdu)


@pytest.mark.parametrize(
    ("table", "first", "count", "answer", "expected"),
    [
        ("coil", 19, 19, "01 03 CD 6B 05", "1011 0011 1101 0110 101"),  # APP 6.1
        ("discrete_input", 196, 22, "02 03 AC DB 35", "0011 0101 1101 1011 1010 11"),  # APP 6.2
    ],
)
def test_bits_come_lowest_item_first(table: Table, first: int, count: int, answer: str, expected: str) -> None:
    """APP 6.1 and 6.2: the lowest item is the lowest bit of the first byte; bits written out by hand."""
    (request,) = plan_requests(DEVICE, bits(table, first, count))
    assert read_answer(request, bytes.fromhex(answer)) == (0, as_bits(expected))


def test_registers_come_most_significant_byte_first() -> None:
    """APP 6.3: 02 2B 00 00 00 64 is 555, 0, 100; APP 6.4: 00 0A is 10."""
    (three,) = plan_requests(DEVICE, [register(address) for address in (107, 108, 109)])
    assert read_answer(three, bytes.fromhex("03 06 02 2B 00 00 00 64")) == (0, (555.0, 0.0, 100.0))
    (one,) = plan_requests(DEVICE, [register(8, table="input_register")])
    assert read_answer(one, bytes.fromhex("04 02 00 0A")) == (0, (10.0,))


def test_an_exception_reply_is_told_by_its_code() -> None:
    """APP 7: 81 02 answers function 01 for an address that does not exist."""
    (request,) = plan_requests(DEVICE, bits("coil", 0x4A1, 1))
    assert request.pdu == bytes.fromhex("01 04 A1 00 01")
    assert read_answer(request, bytes.fromhex("81 02")) == (2, ())


@pytest.mark.parametrize(
    ("point", "value", "pdu"),
    [
        (Point("coil", "controller", "coil", 0xAC), True, "05 00 AC FF 00"),  # APP 6.5, coil 173 on
        (Point("coil", "controller", "coil", 0xAC), False, "05 00 AC 00 00"),  # APP 6.5: 0000 is off
        (register(1), 3, "06 00 01 00 03"),  # APP 6.6, register 2 = 3
        (register(1, "uint32"), 0x000A0102, "10 00 01 00 02 04 00 0A 01 02"),  # APP 6.12, registers 2-3
    ],
)
def test_writes_are_encoded_as_in_the_specification(point: Point, value: int, pdu: str) -> None:
    """APP 6.5, 6.6 and 6.12, each confirmed by its echo (of 6.12 without the values)."""
    asked = bytes.fromhex(pdu)
    assert write_pdu(point, value) == asked
    assert write_answer(asked, asked[:5]) == 0
    assert write_answer(asked, bytes([asked[0] | 0x80, 3])) == 3


def test_the_header_is_that_of_the_messaging_guide() -> None:
    """TCPG 4.4.1.2: reading register 5 of unit FF under transaction 1501 hex."""
    frame = Frame(0xFF, bytes.fromhex("03 00 04 00 01"))
    assert frame.numbered(0x1501) == bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01")


# ---------------------------------------------------------------- replies that make no sense


@pytest.mark.parametrize("answer", ["03 02 00 01", "01 02 00 00", "01 01", "81", "81 02 00", "01 01 00 00"])
def test_a_reply_that_makes_no_sense_is_no_value(answer: str) -> None:
    """Wrong function, wrong byte count or wrong length: an answer, but not one to read values from."""
    (request,) = plan_requests(DEVICE, bits("coil", 0, 3))
    assert read_answer(request, bytes.fromhex(answer)) == (MALFORMED, ())


def test_a_write_whose_echo_differs_is_not_confirmed() -> None:
    """APP 6.5: the normal response is an echo of the request."""
    asked = bytes.fromhex("05 00 AC FF 00")
    assert write_answer(asked, bytes.fromhex("05 00 AC 00 00")) == MALFORMED


@pytest.mark.parametrize("header", ["00 01 00 01 00 06 01", "00 01 00 00 00 01 01", "00 01 00 00 00 FF 01"])
def test_a_stream_that_is_no_modbus_is_given_up(header: str) -> None:
    """TCPG 3.1.3 and APP 4.1: protocol 0 and at most 254 bytes behind the length; else no frame can be found again."""
    with pytest.raises(BrokenStream):
        FrameReader().feed(bytes.fromhex(header))


@given(
    st.lists(st.tuples(st.integers(0, 0xFFFF), st.binary(min_size=1, max_size=253)), max_size=6),
    st.lists(st.integers(1, 40), max_size=60),
)
def test_replies_are_the_same_however_the_stream_was_torn(replies: list[tuple[int, bytes]], cuts: list[int]) -> None:
    """TCP keeps bytes, not messages: every division of the same bytes gives the same replies."""
    stream = b"".join(struct.pack(">HHHB", number, 0, len(pdu) + 1, 1) + pdu for number, pdu in replies)
    reader, heard = FrameReader(), []
    for cut in cuts:
        heard += reader.feed(stream[:cut])
        stream = stream[cut:]
    heard += reader.feed(stream)
    assert heard == replies


# ---------------------------------------------------------------- values


@pytest.mark.parametrize(
    ("kind", "words", "raw", "value"),
    [
        ("int16", "big", "FF FE", -2),
        ("uint16", "big", "FF FE", 65534),
        ("int32", "big", "FF FF FF FE", -2),
        ("uint32", "big", "00 01 00 02", 65538),
        ("uint32", "little", "00 02 00 01", 65538),
        ("float32", "big", "41 68 00 00", 14.5),  # IEEE 754: 1.8125 times 2 to the power 3, worked by hand
        ("float32", "little", "00 00 41 68", 14.5),
    ],
)
def test_words_and_types_are_read_as_declared(kind: PointType, words: str, raw: str, value: float) -> None:
    """Word order is no part of the Modbus specification, so the point declares it."""
    point = register(0, kind, words=words)
    assert decode_register(point, bytes.fromhex(raw)) == value
    assert encode_register(point, value) == bytes.fromhex(raw)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["int16", "uint16", "int32", "uint32", "float32"]),
            st.sampled_from(["big", "little"]),
            st.sampled_from([1.0, 0.1]),
            st.integers(0, 2),
        ),
        min_size=1,
        max_size=8,
    ),
    st.data(),
)
def test_a_read_gives_what_each_of_its_points_gives_alone(
    made: list[tuple[PointType, str, float, int]], data: st.DataObject
) -> None:
    """However a read is decoded as a whole (neighbours, overlaps, scales, word orders), each value is that of the
    point's own bytes."""
    points, address = [], 0
    for place, (kind, words, scale, back) in enumerate(made):
        address = max(0, address - back) if back == 2 else address  # some overlap what stands before them
        point = Point(f"r{place}", "controller", "holding_register", address, kind, words, scale)  # type: ignore[arg-type]
        points.append(point)
        address += point.width
    (request,) = plan_requests(DEVICE, points)
    raw = data.draw(st.binary(min_size=2 * request.count, max_size=2 * request.count))
    exception, values = read_answer(request, bytes([3, len(raw)]) + raw)
    alone = [decode_register(p, raw[2 * (p.address - request.address) :][: 2 * p.width]) for p in request.points]
    assert exception == 0
    assert [repr(float(value)) for value in values] == [repr(value) for value in alone]


def test_a_scale_is_applied_on_reading_and_taken_off_on_writing() -> None:
    """145 with a scale of 0.1 is 14.5."""
    point = register(0, scale=0.1)
    assert decode_register(point, b"\x00\x91") == pytest.approx(14.5)
    assert encode_register(point, 14.5) == b"\x00\x91"


def test_nan_stays_nan() -> None:
    """A sensor that has no value yet sends NaN; in a sample that is "not read"."""
    assert math.isnan(decode_register(register(0, "float32"), b"\x7f\xc0\x00\x00"))


@pytest.mark.parametrize(("kind", "value"), [("uint16", -1), ("uint16", 65536), ("int16", 40000), ("float32", 1e39)])
def test_a_value_that_does_not_fit_is_refused(kind: PointType, value: float) -> None:
    """Nothing is ever written that the person did not ask for."""
    with pytest.raises(ValueError, match="does not fit"):
        encode_register(register(0, kind), value)


# ---------------------------------------------------------------- planning


def test_only_neighbours_of_one_table_share_a_read() -> None:
    """An address that nobody named may not exist, and would cost the whole answer."""
    points = [*bits("coil", 0, 3), *bits("coil", 4, 2), register(0), register(1), register(3)]
    assert [request.name for request in plan_requests(DEVICE, points)] == [
        "read coils 0..2",
        "read coils 4..5",
        "read holding registers 0..1",
        "read holding register 3",
    ]


def test_a_32_bit_value_is_never_split() -> None:
    """Its two halves would be of different scans."""
    device = Device("controller", "192.0.2.10", max_registers=3)
    points = [register(0, "uint32"), register(2, "uint32"), register(4)]
    assert [request.name for request in plan_requests(device, points)] == [
        "read holding registers 0..1",
        "read holding registers 2..4",
    ]


def test_a_32_bit_value_on_a_device_that_gives_single_registers_is_refused() -> None:
    """It can't be read in one piece there."""
    device = Device("controller", "192.0.2.10", max_registers=1)
    with pytest.raises(ValueError, match="takes 2 registers"):
        plan_requests(device, [register(0, "float32")])


@given(
    st.lists(
        st.builds(
            Point,
            name=st.uuids().map(str),
            device=st.sampled_from(["controller", "independent"]),
            table=st.sampled_from(["coil", "discrete_input", "holding_register", "input_register"]),
            address=st.integers(0, 40),
            type=st.sampled_from(["uint16", "int32", "float32"]),
        ),
        max_size=40,
    ),
    st.integers(1, 16),
    st.integers(2, 16),
)
def test_every_point_is_read_once_within_the_limits(points: list[Point], max_bits: int, max_registers: int) -> None:
    """Each point of the device lies wholly in one read, no unnamed address is asked for, no limit is passed."""
    device = Device("controller", "192.0.2.10", max_bits=max_bits, max_registers=max_registers)
    requests = plan_requests(device, points)
    assert sorted(p.name for request in requests for p in request.points) == sorted(
        point.name for point in points if point.device == "controller"
    )
    for request in requests:
        assert request.count <= (max_bits if "coil" in request.name or "discrete" in request.name else max_registers)
        asked = set(range(request.address, request.address + request.count))
        assert asked == {p.address + item for p in request.points for item in range(p.width)}


def test_samples_lie_in_the_order_of_the_reads() -> None:
    """One column a point, neighbours where one read fetches them; the writes are numbered behind the reads."""
    points = [register(5), Point("start_button", "controller", "coil", 1, writable=True), *bits("coil", 0, 1)]
    layout = layout_for(DEVICE, points)
    assert layout.points == (("b0", "b"), ("start_button", "b"), ("r5", "d"))
    assert layout.requests == ("read coils 0..1", "read holding register 5", "write coil 1")


def test_what_only_reads_can_not_be_marked_writable() -> None:
    """APP 4.3: discrete inputs and input registers are read-only."""
    with pytest.raises(ValueError, match="discrete input can't be written"):
        plan_writes(DEVICE, [Point("sense", "controller", "discrete_input", 0, writable=True)])


def test_a_32_bit_write_names_both_registers() -> None:
    """People see which registers were written."""
    assert write_name(register(5, "float32")) == "write holding registers 5..6"
