"""A relay that is a Modbus coil: on the network (Modbus TCP) or on a serial line (Modbus RTU).

Each write is answered by the relay and then read back as a coil. What is read back is what the relay
was told, not its contact: that is seen on the rail.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from restart_bench_drivers.contacts import Relay, coil_for, supply_for
from restart_bench_drivers.interface import Key, SupplyCard, SupplyError
from restart_bench_drivers.serial_port import opened
from restart_bench_drivers.tcp import AskedTwice, ConnectionLost, connected, dropped

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient
    from pymodbus.pdu import ModbusPDU

T = TypeVar("T")
NS_PER_S = 1_000_000_000

CARD = SupplyCard(
    name="modbus-coil",
    summary="a relay that is a Modbus coil, over TCP or on a serial line (RTU)",
    load="restart_bench_drivers.modbus_coil:ModbusCoil",
    keys=(
        Key("host", "host", "IP address of the relay, for Modbus TCP", example="192.0.2.30"),
        Key("port", "whole number", "TCP port", default=502, least=1, most=65535),
        Key("serial", "text", "serial port instead of `host`, for Modbus RTU: COM3 or /dev/ttyUSB0", example="COM3"),
        Key("baud", "whole number", "bits per second on the serial line", default=19200, least=1),
        Key("parity", "choice", "parity on the serial line", default="even", choices=("even", "odd", "none")),
        Key("stop_bits", "whole number", "stop bits on the serial line: 1 or 2", default=1, least=1, most=2),
        Key("unit", "whole number", "unit identifier (on a serial line: the server's address)", default=1, most=255),
        Key("coil", "address", "address of the coil, counted from 0 (address 0 = item 1)", required=True),
        Key("answer_within", "duration", "longest time for connecting and for each answer", default="500 ms"),
    ),
    example="supply: {driver: modbus-coil, host: 192.0.2.30, coil: 0, contact: normally-open,\n"
    "         operate: 10 ms, release: 5 ms, bounce: 5 ms}",
    address_keys=("host", "port", "serial", "unit", "coil"),
    install='pip install "restart-bench[serial]"',
)

# Exception codes that have a cure of their own: MODBUS Application Protocol V1.1b3, section 7.
CURE_OF_EXCEPTION = {
    1: "the device does not offer single coils; check in its manual how its outputs are reached",
    2: "it has no coil at this address; check `coil:` (addresses count from 0: item 1 is address 0) and `unit:`",
    4: "the device could not carry it out; check its own supply and its fault lamp",
    6: "the device is busy; check whether another master is talking to it",
    10: "the gateway found no path; check `unit:`",
    11: "the unit behind the gateway does not answer; check `unit:`, its wiring and its supply",
}


class ModbusCoil(AskedTwice, Relay):
    """A relay's coil. Raises SupplyError where it does not do as told; `retries` counts requests made twice."""

    def __init__(
        self,
        *,
        coil: int,
        contact: str,
        host: str | None = None,
        port: int = 502,
        serial: str | None = None,
        baud: int = 19200,
        parity: str = "even",
        stop_bits: int = 1,
        unit: int = 1,
        answer_within: int = 500_000_000,
    ) -> None:
        if (host is None) == (serial is None):
            raise SupplyError("supply driver modbus-coil: give either `host:` (Modbus TCP) or `serial:` (Modbus RTU)")
        if not (0 <= coil <= 65535 and 0 <= unit <= 255):
            raise SupplyError(f"supply driver modbus-coil: coil {coil}, unit {unit}: coils are 0..65535, units 0..255")
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # it prints frames to standard error
        self._coil, self._unit, self._contact = coil, unit, contact
        self._within_s = answer_within / NS_PER_S
        self._line: _TcpLine | _SerialLine = (
            _TcpLine(host, port, self._within_s)
            if host is not None
            else _SerialLine(str(serial), baud, parity, stop_bits, self._within_s)
        )
        self.is_on()

    def is_on(self) -> bool:
        """What the coil, read just now, means for the supply."""
        return supply_for(self._asked(self._read), self._contact)

    def close(self) -> None:
        """Close the connection; the coil stays as it is."""
        self._closed = True
        self._line.close()

    def _command(self, *, supply_on: bool) -> None:
        coil = coil_for(supply_on, self._contact)
        self._asked(lambda: self._write(coil))
        give_up = time.monotonic() + self._within_s
        while (seen := self._asked(self._read)) != coil:
            # Some relays take over a written coil only in their next own cycle.
            if time.monotonic() >= give_up:
                raise SupplyError(
                    f"{self._name} was told to go {_word(coil)} and acknowledged it, but reads back {_word(seen)}: "
                    f"check for a second master, a hand switch or a time-out of the relay itself"
                )

    def _write(self, coil: bool) -> None:
        self._reply(lambda client: client.write_coil(self._coil, coil, device_id=self._unit))

    def _read(self) -> bool:
        reply = self._reply(lambda client: client.read_coils(self._coil, count=1, device_id=self._unit))
        return bool(reply.bits[0])

    def _reply(self, request: Callable[[Any], ModbusPDU]) -> ModbusPDU:
        """One request and its reply; the connection is closed after every error, for pymodbus leaves it open."""
        from pymodbus.exceptions import ModbusException

        try:
            reply = request(self._line.client())
        except (ModbusException, OSError) as silence:
            self._line.close()
            raise ConnectionLost(self._line.silence(self._within_s, self._unit)) from silence
        except BaseException:
            self._line.close()  # a reply that is still under way must not be taken for that of the next request
            raise
        if reply.isError():
            code = getattr(reply, "exception_code", 0)
            cure = CURE_OF_EXCEPTION.get(code, "look the code up in its manual")
            raise SupplyError(f"{self._name} answers with exception {code}: {cure}")
        return reply

    @property
    def _name(self) -> str:
        return f"supply relay at {self._line.name}, unit {self._unit}, coil {self._coil} (item {self._coil + 1})"


class _TcpLine:
    """A connection of its own making: pymodbus would not say why it could not connect."""

    def __init__(self, host: str, port: int, within_s: float) -> None:
        from pymodbus.client import ModbusTcpClient

        self._host, self._port, self._within_s = host, port, within_s
        self._client: ModbusTcpClient = ModbusTcpClient(host, port=port, timeout=within_s, retries=0)
        self.name = f"{host}:{port}"

    def client(self) -> ModbusTcpClient:
        """The client, connected. Raises SupplyError with what to check."""
        if self._client.socket is not None and dropped(self._client.socket):
            self.close()  # closed by the relay while idle: nothing was under way
        if self._client.socket is None:
            self._client.socket = connected("supply relay", self._host, self._port, self._within_s)
        return self._client

    def silence(self, within_s: float, unit: int) -> str:
        """What to check when the connection stands and no answer comes."""
        return (
            f"connected, but no answer within {within_s * 1000:.0f} ms, twice: check `unit: {unit}`, and whether "
            f"another master holds the relay; if it is only slow, raise `answer_within:`"
        )

    def close(self) -> None:
        self._client.close()  # type: ignore[no-untyped-call]


class _SerialLine:
    """A serial line of its own opening, for the same reason."""

    def __init__(self, port: str, baud: int, parity: str, stop_bits: int, within_s: float) -> None:
        import serial  # noqa: F401  (pymodbus looks for it in sys.modules)
        from pymodbus.client import ModbusSerialClient

        self._port, self._baud, self._parity, self._stop_bits = port, baud, parity, stop_bits
        self._within_s = within_s
        self._client: ModbusSerialClient = ModbusSerialClient(port, baudrate=baud, timeout=within_s, retries=0)
        self.name = f"serial port {port}"

    def client(self) -> ModbusSerialClient:
        """The client, its port open. Raises SupplyError with what to check."""
        if self._client.socket is None:
            self._client.socket = opened(
                "supply relay",
                self._port,
                baud=self._baud,
                parity=self._parity,
                stop_bits=self._stop_bits,
                within_s=self._within_s,
                between_bytes_s=self._client.inter_byte_timeout,
            )
        return self._client

    def silence(self, within_s: float, unit: int) -> str:
        """What to check when the port is open and no answer comes."""
        settings = f"{self._baud} baud, parity {self._parity}, {self._stop_bits} stop bits"
        return (
            f"the port is open, but no answer within {within_s * 1000:.0f} ms, twice: check `unit: {unit}`, "
            f"`baud:`, `parity:` and `stop_bits:` (now {settings}), the two wires being swapped, and the relay's supply"
        )

    def close(self) -> None:
        self._client.close()  # type: ignore[no-untyped-call]


def _word(state: bool) -> str:
    return "on" if state else "off"
