"""The simulated devices keep to Modbus.

Sources: MODBUS Application Protocol Specification V1.1b3 (APP) and MODBUS Messaging on TCP/IP Implementation Guide
V1.0b (TCPG), section and page named beside each check. Second and third opinions: pyModbusTCP, and libmodbus through
Debian's `mbpoll`.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.server import ModbusTcpServer
from pyModbusTCP.client import ModbusClient

from drawn import examples
from raw_modbus import RawClient
from restart_bench.model.program import Program
from restart_bench.model.rig import Device, Point, Rig
from restart_bench.simulated.handle import Simulation
from restart_bench.simulated.tables import registers_of, value_of
from tools import program

UNIT = 17
COILS, REGISTERS = 2100, 200


def specimen() -> Rig:
    """A device with memory up to known addresses, and inputs where the specification's examples have them."""
    inputs = {f"in_{address}": Point(f"in_{address}", "specimen", "discrete_input", address) for address in range(300)}
    points = [
        Point("last_coil", "specimen", "coil", COILS - 1, writable=True, idle=False),
        Point("last_register", "specimen", "holding_register", REGISTERS - 1, type="uint16", writable=True),
        Point("ninth", "specimen", "input_register", 8, type="uint16"),
        Point("hundredth", "specimen", "input_register", 99, type="uint16"),
        Point("lamp", "controller", "coil", 0),
    ]
    return Rig(
        name="specimen",
        loads="harmless",
        devices={
            "controller": Device("controller", "192.0.2.10", powered_by_supply=True),
            "specimen": Device("specimen", "192.0.2.20", unit=UNIT),
        },
        points={**inputs, **{point.name: point for point in points}},
    )


@pytest.fixture(scope="module")
def simulation() -> Iterator[Simulation]:
    """One simulation for all tests of this file."""
    with Simulation(specimen(), Program("nothing"), truth=None) as running:
        bits = dict(enumerate("00110101110110111010 11".replace(" ", ""), start=196))
        running.send({"command": "set", "values": {f"in_{place}": bit == "1" for place, bit in bits.items()}})
        running.send({"command": "set", "values": {"ninth": 10}})
        yield running


@pytest.fixture
def client(simulation: Simulation) -> Iterator[RawClient]:
    """A fresh connection to the specimen."""
    with RawClient(simulation.ports["specimen"], unit=UNIT) as connected:
        yield connected


# ---------------------------------------------------------------- that it is simulated

SAYS = b"restart-bench", b"simulated rig"


def test_every_device_says_on_the_wire_that_it_is_simulated(simulation: Simulation) -> None:
    """APP 6.21: the basic identification names who made it and what it is, for any client that asks."""
    for name, unit in (("controller", 1), ("specimen", UNIT)):
        with RawClient(simulation.ports[name], unit=unit) as client:
            answer = client.ask("2B 0E 01 00")
            assert answer.startswith(bytes.fromhex("2B 0E 01 81 00 00 03 00 0D") + SAYS[0] + b"\x01\x0d" + SAYS[1])
            assert client.ask("2B 0E 04 01") == bytes.fromhex("2B 0E 04 81 00 00 01 01 0D") + SAYS[1]


@pytest.mark.parametrize(
    ("asked", "answer"),
    [
        ("2B 0D 01 00", "AB 01"),
        ("2B 0E 05 00", "AB 03"),
        ("2B 0E 04 07", "AB 02"),
        ("2B 0E 01", "AB 03"),
        ("2B", "AB 01"),
    ],
)
def test_a_wrong_request_for_the_identification_draws_its_exception(client: RawClient, asked: str, answer: str) -> None:
    """APP 6.21 and its state diagram: another MEI type 01, no such object 02, no such code or length 03."""
    assert client.asked(asked) == answer


# ---------------------------------------------------------------- worked examples of the specification


def test_coils_20_to_38_read_as_the_specification_prints_them(client: RawClient) -> None:
    """APP 6.1, p.12: CD 6B 05, padding bits zero. The 19 coils are written first with function 0F."""
    assert client.asked("0F 00 13 00 13 03 CD 6B 05") == "0F 00 13 00 13"
    assert client.asked("01 00 13 00 13") == "01 03 CD 6B 05"


def test_padding_bits_are_zero_even_if_the_next_coil_is_on(client: RawClient) -> None:
    """APP 6.1: the last byte is padded with zeros."""
    client.asked("0F 00 13 00 18 03 FF FF FF")

    assert client.asked("01 00 13 00 13") == "01 03 FF FF 07"


def test_discrete_inputs_197_to_218_read_as_the_specification_prints_them(client: RawClient) -> None:
    """APP 6.2, p.13."""
    assert client.asked("02 00 C4 00 16") == "02 03 AC DB 35"


def test_holding_registers_108_to_110_read_as_the_specification_prints_them(client: RawClient) -> None:
    """APP 6.3, p.15: 555, 0, 100. Written first with function 10."""
    client.asked("10 00 6B 00 03 06 02 2B 00 00 00 64")

    assert client.asked("03 00 6B 00 03") == "03 06 02 2B 00 00 00 64"


def test_input_register_9_reads_as_the_specification_prints_it(client: RawClient) -> None:
    """APP 6.4, p.16: 10."""
    assert client.asked("04 00 08 00 01") == "04 02 00 0A"


def test_a_single_coil_is_written_and_echoed(client: RawClient) -> None:
    """APP 6.5, p.18: coil 173 on."""
    assert client.asked("05 00 AC FF 00") == "05 00 AC FF 00"
    assert client.asked("01 00 AC 00 01") == "01 01 01"
    assert client.asked("05 00 AC 00 00") == "05 00 AC 00 00"
    assert client.asked("01 00 AC 00 01") == "01 01 00"


def test_a_single_register_is_written_and_echoed(client: RawClient) -> None:
    """APP 6.6, p.19: register 2 = 3."""
    assert client.asked("06 00 01 00 03") == "06 00 01 00 03"
    assert client.asked("03 00 01 00 01") == "03 02 00 03"


def test_several_coils_are_written_lowest_number_first(client: RawClient) -> None:
    """APP 6.11, p.29: coils 20-29 = CD 01, that is 1011 0011 10."""
    assert client.asked("0F 00 13 00 0A 02 CD 01") == "0F 00 13 00 0A"
    seen = "".join(client.asked(f"01 00 {address:02X} 00 01")[-1] for address in range(19, 29))
    assert seen == "1011001110"


def test_several_registers_are_written(client: RawClient) -> None:
    """APP 6.12, p.30: registers 2-3 = 10, 258."""
    assert client.asked("10 00 01 00 02 04 00 0A 01 02") == "10 00 01 00 02"
    assert client.asked("03 00 01 00 02") == "03 04 00 0A 01 02"


def test_a_mask_write_sets_and_clears_bits(client: RawClient) -> None:
    """APP 6.16: 12 AND F2, OR 25 gives 17 (hexadecimal)."""
    client.asked("06 00 04 00 12")

    assert client.asked("16 00 04 00 F2 00 25") == "16 00 04 00 F2 00 25"
    assert client.asked("03 00 04 00 01") == "03 02 00 17"


def test_the_exception_example_of_the_specification(simulation: Simulation) -> None:
    """APP 7, p.47: a coil that does not exist (04A1), on a device that ends before it."""
    with RawClient(simulation.ports["controller"]) as client:
        assert client.asked("01 04 A1 00 01") == "81 02"


def test_transaction_and_unit_identifier_come_back(client: RawClient) -> None:
    """TCPG 4.4.1.2, worked example: read "register 5" of unit FF, transaction 1501."""
    client.send("15 01 00 00 00 06 FF 06 00 04 12 34")
    client.receive()

    client.send("15 01 00 00 00 06 FF 03 00 04 00 01")

    assert client.receive().hex(" ").upper() == "15 01 00 00 00 05 FF 03 02 12 34"


# ---------------------------------------------------------------- limits: APP 6.1 to 6.12, 6.17


@pytest.mark.parametrize(
    ("allowed", "refused"),
    [
        ("01 00 00 07 D0", "01 00 00 07 D1"),
        ("02 00 00 01 2C", "02 00 00 07 D1"),
        ("03 00 00 00 7D", "03 00 00 00 7E"),
        ("04 00 00 00 64", "04 00 00 00 7E"),
        ("0F 00 00 07 B0 F6" + " 00" * 246, "0F 00 00 07 B1 F7" + " 00" * 247),
        ("10 00 00 00 7B F6" + " 00" * 246, "10 00 00 00 7C F6" + " 00" * 246),
        ("17 00 00 00 01 00 00 00 79 F2" + " 00" * 242, "17 00 00 00 7E 00 00 00 01 02 00 00"),
    ],
    ids=["coils", "inputs", "registers", "input registers", "write coils", "write registers", "read and write"],
)
def test_the_largest_quantity_is_served_and_one_more_draws_exception_03(
    client: RawClient, allowed: str, refused: str
) -> None:
    """1-2000 bits and 1-125 registers read, 1-1968 bits and 1-123 registers written (121 with function 17)."""
    function = int(allowed[:2], 16)
    assert client.asked(refused) == f"{function | 0x80:02X} 03"
    assert client.ask(allowed)[0] == function


@pytest.mark.parametrize("function", ["01", "02", "03", "04"])
def test_a_quantity_of_nothing_draws_exception_03(client: RawClient, function: str) -> None:
    """APP 6.1 to 6.4: at least one."""
    assert client.asked(f"{function} 00 00 00 00") == f"8{function[1]} 03"


def test_a_device_with_100_registers_serves_96_to_99_and_refuses_96_to_100(client: RawClient) -> None:
    """APP p.48: start 96 count 4 works, start 96 count 5 draws exception 02."""
    assert client.ask("04 00 60 00 04")[0] == 4
    assert client.asked("04 00 60 00 05") == "84 02"


def test_addresses_do_not_wrap_round_at_the_end_of_a_table(client: RawClient) -> None:
    """APP 4.4: addresses are 0 to 65535."""
    assert client.asked("03 FF FF 00 02") == "83 02"


@pytest.mark.parametrize("value", ["00 01", "01 00", "FF FF", "FF 01", "12 34"])
def test_a_single_coil_takes_only_ff00_and_0000(client: RawClient, value: str) -> None:
    """APP 6.5: any other value is illegal and leaves the coil unchanged."""
    for now in ("FF 00", "00 00"):
        client.asked(f"05 00 05 {now}")
        before = client.asked("01 00 05 00 01")

        assert client.asked(f"05 00 05 {value}") == "85 03"
        assert client.asked("01 00 05 00 01") == before


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("0F 00 00 00 0A 01 CD", "8F 03"),
        ("0F 00 00 00 0A 02 CD", "8F 03"),
        ("10 00 00 00 02 02 00 01", "90 03"),
        ("10 00 00 00 01 02 00 01 00", "90 03"),
        ("03 00 00 00", "83 03"),
        ("17 00 00 00 01 00 00 00 01 04 00 01", "97 03"),
    ],
)
def test_a_byte_count_or_length_that_does_not_fit_draws_exception_03(
    client: RawClient, request_: str, answer: str
) -> None:
    """APP 7: exception 03 is about the structure of the request."""
    assert client.asked(request_) == answer


@pytest.mark.parametrize("function", ["00", "07", "08", "0B", "11", "14", "18", "2B", "64", "7F"])
def test_a_function_that_is_not_offered_draws_exception_01(client: RawClient, function: str) -> None:
    """APP 7 and Figure 9: the exception's function code is the request's plus 80."""
    assert client.asked(f"{function} 00 00 00 01") == f"{int(function, 16) | 0x80:02X} 01"


def test_nothing_is_written_if_what_should_be_read_does_not_exist(client: RawClient) -> None:
    """APP 6.17: both spans are checked before anything is done."""
    client.asked("06 00 0E 00 00")

    assert client.asked("17 FF 00 00 01 00 0E 00 01 02 00 FF") == "97 02"
    assert client.asked("03 00 0E 00 01") == "03 02 00 00"


# ---------------------------------------------------------------- the header: TCPG 3.1.3, 4.2, 4.4


def test_a_request_with_another_protocol_identifier_is_dropped_in_silence(client: RawClient) -> None:
    """TCPG 4.4.2.2. The next request on the connection is answered."""
    client.send("00 07 00 01 00 06 11 03 00 00 00 01")
    with pytest.raises(TimeoutError):
        client.receive(within_s=0.15)

    client.send("00 08 00 00 00 06 11 03 00 00 00 01")
    assert client.receive()[:2] == b"\x00\x08"


def test_requests_that_arrive_together_are_answered_one_after_the_other(client: RawClient) -> None:
    """TCPG 4.4: a server may be asked several things at a time; pymodbus' own server drops all but one."""
    client.send("".join(f"00 {number:02X} 00 00 00 06 11 04 00 08 00 01" for number in range(1, 17)))

    assert [client.receive()[1] for _ in range(16)] == list(range(1, 17))


def test_a_request_that_arrives_byte_by_byte_is_answered_once_it_is_whole(client: RawClient) -> None:
    """TCP is a stream: segments have no meaning."""
    for byte in bytes.fromhex("00 09 00 00 00 06 11 04 00 08 00 01"):
        client.send(bytes([byte]))

    assert client.receive().hex(" ").upper() == "00 09 00 00 00 05 11 04 02 00 0A"


def test_a_length_that_can_not_be_closes_the_connection(client: RawClient) -> None:
    """APP 4.1: an ADU has at most 260 bytes. Where the next one begins is then unknown."""
    client.send("00 09 00 00 FF FF 11 04 00 08 00 01")

    with pytest.raises(ConnectionError):
        client.receive()


@pytest.mark.parametrize("unit", [0, UNIT, 255])
def test_its_own_unit_identifier_and_those_of_a_direct_connection_are_answered(client: RawClient, unit: int) -> None:
    """TCPG 4.4.2.5: FF is recommended for a directly connected server, 0 accepted."""
    assert client.asked("04 00 08 00 01", unit=unit) == "04 02 00 0A"


def test_another_unit_identifier_draws_exception_0b(client: RawClient) -> None:
    """APP 7: gateway target device failed to respond."""
    assert client.asked("04 00 08 00 01", unit=UNIT + 1) == "84 0B"


def test_a_client_does_not_disturb_another(simulation: Simulation) -> None:
    """TCPG 4.2.1: several connections at a time."""
    with (
        RawClient(simulation.ports["specimen"], unit=UNIT) as one,
        RawClient(simulation.ports["specimen"], unit=UNIT) as other,
    ):
        one.send("00 01 00 00")
        assert other.asked("04 00 08 00 01") == "04 02 00 0A"
        one.send("00 06 11 04 00 08 00 01")
        assert one.receive()[-2:] == b"\x00\x0a"


# ---------------------------------------------------------------- values in registers


@given(value=st.integers(-(2**31), 2**31 - 1), words=st.sampled_from(["big", "little"]))
def test_a_32_bit_integer_comes_back_from_its_registers_in_either_word_order(value: int, words: str) -> None:
    """The order of the two words is device specific (APP defines 16 bits only); bytes are high first (APP 4.2)."""
    point = Point("x", "d", "input_register", 0, type="int32", words=words)  # type: ignore[arg-type]
    registers = registers_of(point, value)

    high_first = registers if words == "big" else registers[::-1]
    assert struct.pack(">HH", *high_first) == value.to_bytes(4, "big", signed=True)
    assert value_of(point, registers) == value


@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float_comes_back_from_its_registers(value: float) -> None:
    """IEEE 754 single precision."""
    point = Point("x", "d", "holding_register", 0, type="float32")

    assert value_of(point, registers_of(point, value)) == value


@given(value=st.integers(-(10**6), 10**6), kind=st.sampled_from(["int16", "uint16", "uint32"]))
def test_a_number_that_does_not_fit_stops_at_the_end_of_its_range(value: int, kind: str) -> None:
    """A register never shows what wrapped round."""
    point = Point("x", "d", "input_register", 0, type=kind)  # type: ignore[arg-type]
    low, high = {"int16": (-(2**15), 2**15 - 1), "uint16": (0, 2**16 - 1), "uint32": (0, 2**32 - 1)}[kind]

    assert value_of(point, registers_of(point, value)) == min(high, max(low, value))


# ---------------------------------------------------------------- other clients


@pytest.fixture
def other_client(simulation: Simulation) -> Iterator[ModbusClient]:
    """pyModbusTCP: a client library that shares no code with pymodbus."""
    connected = ModbusClient(host="127.0.0.1", port=simulation.ports["specimen"], unit_id=UNIT, timeout=5.0)
    assert connected.open()
    yield connected
    connected.close()


@examples(12)
@given(bits=st.lists(st.booleans(), min_size=1, max_size=200), address=st.integers(0, 1000))
def test_pymodbustcp_reads_back_the_coils_that_it_wrote(simulation: Simulation, bits: list[bool], address: int) -> None:
    """Second client library."""
    connected = ModbusClient(host="127.0.0.1", port=simulation.ports["specimen"], unit_id=UNIT, timeout=5.0)
    assert connected.open()
    try:
        assert connected.write_multiple_coils(address, bits)
        assert connected.read_coils(address, len(bits)) == bits
    finally:
        connected.close()


def test_pymodbustcp_reads_and_writes_registers_and_sees_exceptions(other_client: ModbusClient) -> None:
    """Second client library: functions 03, 04, 06, 10, 17 and exceptions 02, 03."""
    assert other_client.write_multiple_registers(3, [1, 2, 65535])
    assert other_client.write_single_register(4, 7)
    assert other_client.read_holding_registers(3, 3) == [1, 7, 65535]
    assert other_client.write_read_multiple_registers(10, [5, 6], 10, 2) == [5, 6]
    assert other_client.read_input_registers(8, 1) == [10]
    assert other_client.read_holding_registers(REGISTERS, 1) is None
    assert other_client.last_except == 2


def mbpoll(port: int, *arguments: str) -> str:
    """Debian's command-line client on libmodbus."""
    command = [program("mbpoll"), "-m", "tcp", "-p", str(port), "-a", str(UNIT), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_mbpoll_reads_inputs_and_writes_coils(simulation: Simulation) -> None:
    """libmodbus as third client. Its references count from 1: reference 197 is address 196."""
    port = simulation.ports["specimen"]
    read = mbpoll(port, "-t", "1", "-r", "197", "-c", "8", "-1", "127.0.0.1")
    assert [line.split()[-1] for line in read.splitlines() if line.startswith("[")] == list("00110101")

    assert "Written 3 references" in mbpoll(port, "-t", "0", "-r", "501", "127.0.0.1", "1", "0", "1")
    read = mbpoll(port, "-t", "0", "-r", "501", "-c", "3", "-1", "127.0.0.1")
    assert [line.split()[-1] for line in read.splitlines() if line.startswith("[")] == ["1", "0", "1"]


def test_mbpoll_reads_registers(simulation: Simulation) -> None:
    """libmodbus as third client."""
    read = mbpoll(simulation.ports["specimen"], "-t", "3", "-r", "9", "-c", "1", "-1", "127.0.0.1")

    assert [line.split()[-1] for line in read.splitlines() if line.startswith("[")] == ["10"]


# ---------------------------------------------------------------- what we lean on


def test_pymodbus_servers_still_ask_their_context_attribute() -> None:
    """The simulated devices set `server.context`; an edition of pymodbus without it must fail here first."""
    import asyncio

    from restart_bench.simulated.wire import Server

    asked: list[tuple[int, int, int, int]] = []

    class Device:
        unit, busy = 1, False

        def exists(self, table: str, address: int, count: int) -> bool:
            return True

        def unanswered(self, table: str, address: int, count: int) -> bool:
            return False

        def refused(self, table: str, address: int, count: int) -> int | None:
            return None

        def read(self, table: str, address: int, count: int) -> list[int]:
            return [1] * count

        def write(self, table: str, address: int, values: list[int]) -> None: ...

    async def values() -> list[int] | list[bool]:
        server = Server(Device())
        assert isinstance(server, ModbusTcpServer)
        asked.append((1, 1, 0, 3))
        return await server.async_getValues(*asked[-1])

    assert asyncio.run(values()) == [True, True, True]
