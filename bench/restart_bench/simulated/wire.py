"""A Modbus TCP server that keeps to the specification: pymodbus' own server with a context and a connection of ours.

pymodbus 3.16 decodes and encodes the messages. What it leaves open is done here: requests that arrive together are
answered one after the other, a wrong protocol identifier is dropped in silence, and exceptions 01, 02, 03 are the
ones that the MODBUS Application Protocol Specification V1.1b3 asks for.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from functools import cache
from typing import Any, Protocol

from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException
from pymodbus.pdu import ExceptionResponse
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from restart_bench.model.rig import BIT_TABLES, SIMULATED_PRODUCT, SIMULATED_VENDOR, Table

HEADER = 7
LONGEST_AFTER_HEADER = 253  # PDU; MODBUS Application Protocol V1.1b3, 4.1
DIRECT_UNITS = (0, 255)  # a directly connected server; Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2.5

TABLE_OF: dict[int, Table] = {
    1: "coil", 2: "discrete_input", 3: "holding_register", 4: "input_register", 5: "coil", 6: "holding_register",
    15: "coil", 16: "holding_register", 22: "holding_register", 23: "holding_register",
}  # fmt: skip
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
COIL_VALUES = (b"\xff\x00", b"\x00\x00")

logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


class WireDevice(Protocol):
    """What the server asks of a device."""

    unit: int

    @property
    def busy(self) -> bool:
        """True while everything that is well formed draws exception 06."""

    def exists(self, table: Table, address: int, count: int) -> bool: ...

    def unanswered(self, table: Table, address: int, count: int) -> bool:
        """True if a request that touches these addresses gets no reply."""

    def refused(self, table: Table, address: int, count: int) -> int | None:
        """Code of the exception that a request to these addresses draws, None where it is served."""

    def read(self, table: Table, address: int, count: int) -> list[int]: ...

    def write(self, table: Table, address: int, values: list[int]) -> None: ...


HeedWrite = Callable[[Table, int, list[int]], None]
"""Told of every well-formed request to write, whether it is then carried out or not: table, address, values."""


def malformed(pdu: bytes) -> int | None:
    """Exception code that a request's structure draws by itself, or None: 01 unknown function, 03 wrong quantity,
    byte count, length or coil value. V1.1b3, 6.1 to 6.17 and 7."""
    function = pdu[0]
    if function not in TABLE_OF:
        return ILLEGAL_FUNCTION
    return None if _well_formed(function, pdu) else ILLEGAL_VALUE


def _well_formed(function: int, pdu: bytes) -> bool:
    quantity = int.from_bytes(pdu[3:5], "big")
    match function:
        case 1 | 2:
            return len(pdu) == 5 and 1 <= quantity <= 2000
        case 3 | 4:
            return len(pdu) == 5 and 1 <= quantity <= 125
        case 5:
            return len(pdu) == 5 and pdu[3:5] in COIL_VALUES
        case 6:
            return len(pdu) == 5
        case 15:
            return 1 <= quantity <= 1968 and _carries(pdu, 5, (quantity + 7) // 8)
        case 16:
            return 1 <= quantity <= 123 and _carries(pdu, 5, 2 * quantity)
        case 22:
            return len(pdu) == 7
        case _:
            to_write = int.from_bytes(pdu[7:9], "big")
            return 1 <= quantity <= 125 and 1 <= to_write <= 121 and _carries(pdu, 9, 2 * to_write)


def _carries(pdu: bytes, at: int, count: int) -> bool:
    """True if a byte count of `count` stands at this place and as many bytes follow."""
    return len(pdu) == at + 1 + count and pdu[at] == count


def spans(pdu: bytes) -> list[tuple[Table, int, int]]:
    """Tables, addresses and counts that a well-formed request touches."""
    function, address, second = pdu[0], int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    table = TABLE_OF[function]
    if function in (5, 6, 22):
        return [(table, address, 1)]
    if function == 23:
        return [(table, int.from_bytes(pdu[5:7], "big"), int.from_bytes(pdu[7:9], "big")), (table, address, second)]
    return [(table, address, second)]


def write_asked(pdu: bytes) -> tuple[Table, int, list[int]] | None:
    """Table, address and bits or registers that a well-formed request wants written (of a mask write the AND mask
    and the OR mask), None where it only reads."""
    function, address = pdu[0], int.from_bytes(pdu[1:3], "big")
    match function:
        case 5:
            return "coil", address, [int(pdu[3:5] == COIL_VALUES[0])]
        case 15:
            count = int.from_bytes(pdu[3:5], "big")
            return "coil", address, [pdu[6 + place // 8] >> place % 8 & 1 for place in range(count)]
        case 6 | 22:
            return "holding_register", address, _registers(pdu[3:])
        case 16:
            return "holding_register", address, _registers(pdu[6:])
        case 23:
            return "holding_register", int.from_bytes(pdu[5:7], "big"), _registers(pdu[10:])
    return None


IDENTIFY, MEI_IDENTIFICATION = 0x2B, 0x0E  # V1.1b3, 6.21
_BASIC_AND_SINGLE = 0x81  # conformity: basic identification, as a stream and object by object


def identification(pdu: bytes, revision: str) -> bytes | int:
    """The answer to a request for the device's identification, or the code of the exception that it draws."""
    objects = [text.encode("ascii", "replace") for text in (SIMULATED_VENDOR, SIMULATED_PRODUCT, revision)]
    if len(pdu) < 2 or pdu[1] != MEI_IDENTIFICATION:
        return ILLEGAL_FUNCTION
    if len(pdu) != 4 or not 1 <= pdu[2] <= 4:
        return ILLEGAL_VALUE
    code, first = pdu[2], pdu[3]
    if code == 4 and first >= len(objects):
        return ILLEGAL_ADDRESS
    numbers = [first] if code == 4 else range(first if first < len(objects) else 0, len(objects))
    told = b"".join(bytes((number, len(objects[number]))) + objects[number] for number in numbers)
    return bytes((IDENTIFY, MEI_IDENTIFICATION, code, _BASIC_AND_SINGLE, 0, 0, len(numbers))) + told


@cache
def _revision() -> str:
    from importlib.metadata import version  # a tenth of what a rig takes to start, and few are asked for it

    return version("restart-bench")


def _registers(data: bytes) -> list[int]:
    return [int.from_bytes(data[place : place + 2], "big") for place in range(0, len(data), 2)]


class Context:
    """The data behind a server, in the shape that pymodbus asks for."""

    def __init__(self, device: WireDevice) -> None:
        self.device = device
        self._echo: list[int] = []

    def device_ids(self) -> list[int]:
        """Unit identifiers that are answered."""
        return [self.device.unit, *DIRECT_UNITS]

    async def async_getValues(  # noqa: N802 - the library's name
        self, device_id: int, func_code: int, address: int, count: int = 1
    ) -> list[int] | list[bool] | ExcCodes:
        """Bits or registers, or the exception that is due."""
        if func_code in (5, 6):
            return self._echo  # a write is echoed as it was asked for, whatever the point made of it
        refusal = self._refusal(device_id, func_code, address, count)
        if refusal is not None:
            return refusal
        table = TABLE_OF[func_code]
        found = self.device.read(table, address, count)
        return [bool(bit) for bit in found] if table in BIT_TABLES else found

    async def async_setValues(  # noqa: N802 - the library's name
        self, device_id: int, func_code: int, address: int, values: list[int] | list[bool]
    ) -> ExcCodes | None:
        """Write, or the exception that is due."""
        refusal = self._refusal(device_id, func_code, address, len(values))
        if refusal is not None:
            return refusal
        self._echo = [int(value) for value in values]
        self.device.write(TABLE_OF[func_code], address, self._echo)
        return None

    def _refusal(self, unit: int, function: int, address: int, count: int) -> ExcCodes | None:
        if unit not in self.device_ids():
            raise NoSuchIdException(f"no unit {unit} here")
        if not self.device.exists(TABLE_OF[function], address, count):
            return ExcCodes.ILLEGAL_ADDRESS
        return ExcCodes.DEVICE_BUSY if self.device.busy else None


class Connection(ServerRequestHandler):
    """One client. Frames are taken apart here; a frame that is well formed goes the library's way."""

    server: Server

    def __init__(self, server: Server) -> None:
        super().__init__(server, None, None, None)  # type: ignore[no-untyped-call]
        self._inbox = b""
        self._frames: deque[bytes] = deque()
        self._serving = False
        self.held = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has connected."""
        super().connection_made(transport)
        self.server.clients.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """A client has gone."""
        self.server.clients.discard(self)
        super().connection_lost(exc)

    def hold(self) -> None:
        """The device has lost its power: read nothing more, answer nothing more, and do not close."""
        self.held = True
        self._frames.clear()
        if isinstance(self.transport, asyncio.Transport) and not self.transport.is_closing():
            self.transport.pause_reading()

    def data_received(self, data: bytes) -> None:
        """Bytes from the client: whole frames are answered in order, one at a time."""
        self._inbox += data
        while len(self._inbox) >= HEADER:
            length = int.from_bytes(self._inbox[4:6], "big")
            if not 2 <= length <= LONGEST_AFTER_HEADER + 1:
                self.close()  # no way to find the next frame
                return
            if len(self._inbox) < HEADER - 1 + length:
                break
            frame, self._inbox = self._inbox[: HEADER - 1 + length], self._inbox[HEADER - 1 + length :]
            if frame[2:4] == b"\x00\x00":
                self._frames.append(frame)
        if self._frames and not self._serving:
            self._serving = True
            self.server.tasks.start(self._serve())  # answered in place, contacts came some ms late in one run of twenty

    async def _serve(self) -> None:
        try:
            while self._frames and not self.held:
                await self._answer(self._frames.popleft())
        finally:
            self._serving = False

    async def _answer(self, frame: bytes) -> None:
        pdu = frame[HEADER:]
        device = self.server.context.device
        if pdu[0] == IDENTIFY and not device.busy and frame[6] in self.server.context.device_ids():
            self._identify(frame)
            return
        refusal = malformed(pdu)
        if refusal is not None:
            self._refuse(frame, refusal)
            return
        asked = write_asked(pdu)
        if asked is not None and self.server.heed_write is not None:
            self.server.heed_write(*asked)
        if any(device.unanswered(*span) for span in spans(pdu)):
            return
        codes = [code for span in spans(pdu) if (code := device.refused(*span)) is not None]
        if codes:
            self._refuse(frame, codes[0])
            return
        if pdu[0] == 23 and not all(device.exists(*span) for span in spans(pdu)):
            # the library would write before it finds that it can't read
            self._refuse(frame, ILLEGAL_ADDRESS)
            return
        _, self.last_pdu = self.framer.handleFrame(frame, 0, 0)
        await self.handle_request()  # type: ignore[no-untyped-call]

    def _identify(self, frame: bytes) -> None:
        answer = identification(frame[HEADER:], _revision())
        if isinstance(answer, int):
            self._refuse(frame, answer)
        elif isinstance(self.transport, asyncio.Transport) and not self.transport.is_closing():
            self.transport.write(frame[:4] + (len(answer) + 1).to_bytes(2, "big") + frame[6:HEADER] + answer)

    def _refuse(self, frame: bytes, exception: int) -> None:
        answer = ExceptionResponse(frame[HEADER], exception, frame[6], int.from_bytes(frame[0:2], "big"))
        self.server_send(answer, None)  # type: ignore[no-untyped-call]


class Tasks:
    """Tasks that are kept alive until they have ended."""

    def __init__(self) -> None:
        self._running: set[asyncio.Task[Any]] = set()

    def start(self, coroutine: Any) -> asyncio.Task[Any]:
        """Run it in the background."""
        task = asyncio.get_running_loop().create_task(coroutine)
        self._running.add(task)
        task.add_done_callback(self._running.discard)
        return task


class Server(ModbusTcpServer):
    """pymodbus' server with our context and connections. It never listens itself: see `port`."""

    context: Context  # type: ignore[assignment]

    def __init__(self, device: WireDevice) -> None:
        unused = SimDevice(id=1, simdata=[SimData(0, values=0, datatype=DataType.REGISTERS)])
        super().__init__(unused, address=("127.0.0.1", 0))
        if not hasattr(self, "context"):
            raise RuntimeError("this edition of pymodbus has no `server.context`; install pymodbus>=3.16,<3.17")
        self.context = Context(device)
        self.clients: set[Connection] = set()
        self.heed_write: HeedWrite | None = None
        self.tasks = Tasks()

    def callback_new_connection(self) -> Connection:
        """A connection of ours in place of the library's."""
        return Connection(self)
