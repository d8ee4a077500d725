"""A relay board on a serial port that takes a row of bytes for on and another for off.

The bytes, and what the board answers, are those of the board's data sheet: no board is known by name.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from restart_bench_drivers.contacts import Relay, coil_for, supply_for
from restart_bench_drivers.interface import Key, SupplyCard, SupplyError
from restart_bench_drivers.serial_port import opened

if TYPE_CHECKING:
    from serial import Serial

NS_PER_S = 1_000_000_000

CARD = SupplyCard(
    name="serial-board",
    summary="a relay board on a serial or USB serial port, told by bytes of its data sheet",
    load="restart_bench_drivers.serial_board:SerialBoard",
    keys=(
        Key("port", "text", "serial port: COM3 or /dev/ttyUSB0", required=True, example="/dev/ttyUSB0"),
        Key("baud", "whole number", "bits per second", default=9600, least=1),
        Key("parity", "choice", "parity", default="none", choices=("none", "even", "odd")),
        Key("stop_bits", "whole number", "stop bits: 1 or 2", default=1, least=1, most=2),
        Key("on_bytes", "bytes", "what energises the relay: 3C 05 01 38", required=True),
        Key("off_bytes", "bytes", "what releases the relay: 3C 05 00 39", required=True),
        Key("on_reply", "bytes", "what the board answers to `on_bytes`, if it does"),
        Key("off_reply", "bytes", "what the board answers to `off_bytes`, if it does"),
        Key("ask_bytes", "bytes", "what asks for the relay's state, if the board can tell"),
        Key("says_on", "bytes", "the answer to `ask_bytes` while the relay is energised"),
        Key("says_off", "bytes", "the answer to `ask_bytes` while the relay is released"),
        Key("answer_within", "duration", "longest time for an answer", default="500 ms"),
    ),
    example="supply: {driver: serial-board, port: /dev/ttyUSB0, on_bytes: 3C 05 01 38, off_bytes: 3C 05 00 39,\n"
    "         contact: normally-closed, operate: 10 ms, release: 10 ms, bounce: 5 ms}",
    # Opening a port moves its control lines DTR and RTS; boards whose processor hangs on them start anew.
    quiet_open=False,
    reads_back=False,
    reads_back_with="ask_bytes",
    address_keys=("port", "on_bytes"),
    install='pip install "restart-bench[serial]"',
)


class SerialBoard(Relay):
    """A board told by bytes. Raises SupplyError where the port or the board does not do as told."""

    def __init__(
        self,
        *,
        contact: str,
        port: str,
        on_bytes: bytes,
        off_bytes: bytes,
        baud: int = 9600,
        parity: str = "none",
        stop_bits: int = 1,
        on_reply: bytes | None = None,
        off_reply: bytes | None = None,
        ask_bytes: bytes | None = None,
        says_on: bytes | None = None,
        says_off: bytes | None = None,
        answer_within: int = 500_000_000,
    ) -> None:
        if on_bytes == off_bytes:
            raise SupplyError("supply driver serial-board: `on_bytes:` and `off_bytes:` are the same")
        if (ask_bytes is None) != (says_on is None) or (ask_bytes is None) != (says_off is None):
            raise SupplyError("supply driver serial-board: `ask_bytes:`, `says_on:` and `says_off:` go together")
        within_s = answer_within / NS_PER_S
        self._port, self._contact = port, contact
        self._open = partial(
            opened, "relay board", port, baud=baud, parity=parity, stop_bits=stop_bits, within_s=within_s
        )
        self._bytes = {True: on_bytes, False: off_bytes}
        self._reply = {True: on_reply, False: off_reply}
        self._ask, self._says = ask_bytes, {True: says_on, False: says_off}
        self._closed = False
        self._serial: Serial | None = None
        self._opened()

    def is_on(self) -> bool | None:
        """What the board says of its relay; None where it can't be asked."""
        if self._ask is None:
            return None
        answers = {reply: state for state, reply in self._says.items() if reply is not None}
        came = self._exchange(self._ask, max(len(reply) for reply in answers))
        if came not in answers:
            raise SupplyError(
                f"{self._name} answers {_hex(came)} when asked for its state; check `says_on:` and `says_off:` "
                f"against its data sheet, and `baud:` and `parity:`"
            )
        return supply_for(answers[came], self._contact)

    def close(self) -> None:
        """Close the port; the relay stays as it is."""
        self._closed = True
        self._let_go()

    def _command(self, *, supply_on: bool) -> None:
        coil = coil_for(supply_on, self._contact)
        wanted = self._reply[coil]
        came = self._exchange(self._bytes[coil], 0 if wanted is None else len(wanted))
        if wanted is not None and came != wanted:
            raise SupplyError(
                f"{self._name} was sent {_hex(self._bytes[coil])} and should answer {_hex(wanted)}, but "
                f"{_hex(came)} came; check its own supply, `baud:`, `parity:` and the bytes in its data sheet"
            )
        if (seen := self.is_on()) is not None and seen != supply_on:
            raise SupplyError(
                f"{self._name} was sent {_hex(self._bytes[coil])}, but says that its relay is "
                f"{'released' if coil else 'energised'}: check the bytes in its data sheet, and its own supply"
            )

    def _exchange(self, sent: bytes, length: int) -> bytes:
        """Send, and return what comes of `length` bytes in time. The port is closed after every error."""
        try:
            port = self._opened()
            port.reset_input_buffer()
            port.write(sent)
            port.flush()
            return port.read(length)
        except SupplyError:
            raise
        except Exception as lost:  # pyserial also lets through what the platform raises
            self._let_go()
            raise SupplyError(f"{self._name}: the port failed ({lost}); check the cable and the USB plug") from lost

    def _opened(self) -> Serial:
        if self._closed:
            raise SupplyError(f"{self._name} has been closed; open the supply again")
        if self._serial is None:
            self._serial = self._open()
        return self._serial

    def _let_go(self) -> None:
        if self._serial is not None:
            self._serial.close()
        self._serial = None

    @property
    def _name(self) -> str:
        return f"relay board on serial port {self._port}"


def _hex(data: bytes) -> str:
    return data.hex(" ").upper() if data else "nothing"
