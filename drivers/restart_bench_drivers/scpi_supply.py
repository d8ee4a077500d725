"""A programmable supply that speaks SCPI: over a plain TCP socket, or through a VISA library for USB.

Only commands of SCPI-1999 and IEEE 488.2 are used: OUTP, OUTP?, VOLT, VOLT?, INST:NSEL, SYST:ERR?, *IDN?.
"""

from __future__ import annotations

import math
import socket
import time
from typing import Any, Protocol

from restart_bench_drivers.interface import Key, SupplyCard, SupplyError
from restart_bench_drivers.tcp import AskedTwice, ConnectionLost, connected, dropped

NS_PER_S = 1_000_000_000
OLD_ERRORS = 50  # more than an error queue holds: what stood in it before is not ours
SET_WITHIN = 0.01  # of the voltage: a supply rounds to its own steps
NO_VALUE = 9.9e37  # SCPI-1999 writes 9.91E37 where there is no number, 9.9E37 for infinity
LONGEST_ANSWER = 1024  # bytes; IEEE 488.2 allows *IDN? 72 characters, SCPI-1999 an error 255
STATES = {"1": True, "ON": True, "0": False, "OFF": False}

CARD = SupplyCard(
    name="scpi-supply",
    summary="a programmable DC supply that speaks SCPI, over TCP or USB; can also go to a voltage",
    load="restart_bench_drivers.scpi_supply:ScpiSupply",
    keys=(
        Key("host", "host", "IP address of the supply, for SCPI over TCP", example="192.0.2.40"),
        Key("port", "whole number", "TCP port", default=5025, least=1, most=65535),
        Key(
            "resource",
            "text",
            "VISA resource instead of `host`, for USB: USB0::0x1234::0x5678::SERIAL::INSTR",
            example="USB0::0x1234::0x5678::SERIAL::INSTR",
        ),
        Key("visa", "text", "VISA library for `resource`, where it is not the one installed: '@py'", example="@py"),
        Key("channel", "whole number", "output, where the supply has several (INST:NSEL)"),
        Key(
            "volts",
            "number",
            "full voltage, which `on` sets; otherwise `nominal`, without both the voltage is left alone",
            example=24,
        ),
        Key(
            "identity",
            "text",
            "text that its answer to *IDN? must hold, so that no other supply is switched",
            example="SN1234",
        ),
        Key("error_queue", "yes or no", "ask SYST:ERR? after each command", default="yes"),
        Key("answer_within", "duration", "longest time for connecting and for each answer", default="1 s"),
    ),
    example="supply: {driver: scpi-supply, host: 192.0.2.40, identity: SN1234, nominal: 24 V}",
    has_contact=False,
    has_levels=True,
    simulated_as="programmable supply",
    address_keys=("host", "port", "resource", "channel"),
    install='pip install "restart-bench[scpi]"',
)


class Instrument(Protocol):
    """Lines out, lines in. `ready` opens it where needed and raises SupplyError; the others raise ConnectionLost."""

    name: str

    def ready(self) -> None: ...
    def send(self, line: str) -> None: ...
    def ask(self, line: str) -> str: ...
    def close(self) -> None: ...


class ScpiSupply(AskedTwice):
    """A programmable supply. Raises SupplyError where it does not do as told; `retries` counts requests made twice."""

    def __init__(
        self,
        *,
        host: str | None = None,
        port: int = 5025,
        resource: str | None = None,
        visa: str | None = None,
        channel: int | None = None,
        volts: float | None = None,
        identity: str | None = None,
        error_queue: bool = True,
        answer_within: int = 1_000_000_000,
    ) -> None:
        if (host is None) == (resource is None):
            raise SupplyError("supply driver scpi-supply: give either `host:` (TCP) or `resource:` (VISA, for USB)")
        within_s = answer_within / NS_PER_S
        self._link: Instrument = (
            _TcpLink(host, port, within_s) if host is not None else _VisaLink(str(resource), visa or "", within_s)
        )
        self._channel, self._error_queue = channel, error_queue
        # Given by the file, the full voltage comes back even after a killed run left the supply in a dip.
        self._full_volts, self._at_full = volts, volts is None
        try:
            self._greet(identity)
        except BaseException:
            self._link.close()
            raise

    def on(self) -> None:
        """Switch the output on, at its full voltage."""
        if not self._at_full and self._full_volts is not None:
            self._set(self._full_volts)
            self._at_full = True
        self._output(True)

    def off(self) -> None:
        """Switch the output off."""
        self._output(False)

    def is_on(self) -> bool:
        """The state of the output as the supply says it."""
        return self._state(self._exchange("OUTP?"))

    def level(self, volts: float) -> None:
        """Set the output to this voltage, read back as set; `on` brings the full voltage back."""
        if self._full_volts is None:  # what it is set to now may be the dip of a killed run
            raise SupplyError(
                f"{self._name} is not set to a level: its full voltage is not known: write `volts:` or `nominal:`"
            )
        self._at_full = False
        self._set(volts)

    def close(self) -> None:
        """Close the connection; the output stays as it is."""
        self._closed = True
        self._link.close()

    def _greet(self, identity: str | None) -> None:
        came = self._exchange("*IDN?")
        if not came:
            raise SupplyError(f"{self._name} does not say what it is; check the address, and that it speaks SCPI")
        if identity is not None and identity not in came:
            raise SupplyError(
                f"{self._name} says that it is {came!r}, which does not hold `identity: {identity}`: this is "
                f"another supply; check the address"
            )
        for _ in range(OLD_ERRORS if self._error_queue else 0):
            if _is_no_error(self._exchange("SYST:ERR?")):
                return

    def _set(self, volts: float) -> None:
        if not _is_voltage(volts):
            raise SupplyError(f"{self._name} was not told to go to {volts} V: that is no voltage")
        setting = self._number("VOLT?", self._exchange("VOLT?", command=f"VOLT {volts:.6g}"))
        if not _is_voltage(setting):
            raise SupplyError(f"{self._name} says that it is set to {setting}, which is no voltage; look at its front")
        if abs(setting - volts) > max(abs(volts) * SET_WITHIN, 0.01):
            raise SupplyError(
                f"{self._name} was told to go to {volts:g} V, but reads back {setting:g} V: check its range and its "
                f"voltage limit"
            )

    def _output(self, supply_on: bool) -> None:
        word = "ON" if supply_on else "OFF"
        if self._state(self._exchange("OUTP?", command=f"OUTP {word}")) != supply_on:
            raise SupplyError(
                f"{self._name} was told OUTP {word}, but says the opposite: check for a tripped protection, a local "
                f"lock at its front, and `channel:`"
            )

    def _exchange(self, question: str, command: str = "") -> str:
        """Tell (if there is a command), ask, and return the answer: over one connection, so that a command that was
        lost with it is told again."""
        return self._asked(lambda: self._exchange_once(question, command))

    def _exchange_once(self, question: str, command: str) -> str:
        self._link.ready()
        if self._channel is not None:  # anew each time: somebody may have turned to another output at the front
            self._link.send(f"INST:NSEL {self._channel}")
        if command:
            self._link.send(command)
            if self._error_queue and not _is_no_error(error := self._link.ask("SYST:ERR?").strip()):
                raise SupplyError(
                    f"{self._name} refuses {command!r} with the error {error}: check its range, its limits and a "
                    f"local lock at its front"
                )
        return self._link.ask(question).strip()

    def _state(self, answer: str) -> bool:
        if answer.upper() not in STATES:
            raise SupplyError(f"{self._name} answers {answer!r} to OUTP?, neither 0 nor 1; check that it speaks SCPI")
        return STATES[answer.upper()]

    def _number(self, question: str, answer: str) -> float:
        try:
            return float(answer)
        except ValueError as fault:
            raise SupplyError(
                f"{self._name} answers {answer!r} to {question}, no number; check that it speaks SCPI"
            ) from fault

    @property
    def _name(self) -> str:
        return f"programmable supply at {self._link.name}"


def _is_voltage(volts: float) -> bool:
    """False for infinities, for what is no number, and for what SCPI-1999 writes in their place."""
    return math.isfinite(volts) and abs(volts) < NO_VALUE


def _is_no_error(answer: str) -> bool:
    """True for what SYST:ERR? says of an empty queue: `0,"No error"`, with or without a sign."""
    return answer.partition(",")[0].strip().lstrip("+") == "0"


def _no_answer(where: str, what: str) -> SupplyError:
    return SupplyError(f"what programmable supply at {where} says {what}; check that this port speaks SCPI")


class _TcpLink:
    """Lines over a plain TCP socket; closed after every error, so that no late answer is taken for a fresh one."""

    def __init__(self, host: str, port: int, within_s: float) -> None:
        self._host, self._port, self._within_s = host, port, within_s
        self._socket: socket.socket | None = None
        self.name = f"{host}:{port}"

    def ready(self) -> None:
        if self._socket is not None and dropped(self._socket):
            self.close()  # closed by the supply while idle: nothing was under way
        if self._socket is None:
            self._socket = connected("programmable supply", self._host, self._port, self._within_s)

    def send(self, line: str) -> None:
        try:
            self._open().sendall(line.encode("ascii") + b"\n")
        except OSError as lost:
            self.close()
            raise ConnectionLost(f"the connection broke ({lost}); check its own supply and the cable") from lost

    def ask(self, line: str) -> str:
        self.send(line)
        try:
            came = self._one_line()
        except OSError as silence:
            self.close()
            raise ConnectionLost(
                f"no answer to {line} within {self._within_s * 1000:.0f} ms, twice ({silence}); check that this port "
                f"speaks SCPI, and whether another program holds the supply"
            ) from silence
        except BaseException:
            self.close()
            raise
        return came.decode("ascii", "replace")

    def _one_line(self) -> bytes:
        """One answer, all of it within the time for an answer. Raises OSError, or SupplyError for what is none."""
        until = time.monotonic() + self._within_s
        came = b""
        while not came.endswith(b"\n"):
            left = until - time.monotonic()
            if left <= 0:
                raise TimeoutError("timed out")
            self._open().settimeout(left)
            piece = self._open().recv(4096)
            if not piece:
                raise ConnectionResetError("closed by the supply")
            came += piece
            if len(came) > LONGEST_ANSWER:
                raise _no_answer(self.name, "is longer than any answer")
        self._open().settimeout(self._within_s)
        if came.count(b"\n") > 1:
            raise _no_answer(self.name, "is more than one line")
        return came

    def _open(self) -> socket.socket:
        if self._socket is None:
            raise ConnectionLost("the connection was lost before; check its own supply and the cable")
        return self._socket

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket = None


class _VisaLink:
    """Lines through a VISA library."""

    def __init__(self, resource: str, library: str, within_s: float) -> None:
        import pyvisa

        self._resource, self._library, self._within_s = resource, library, within_s
        self._faults = (pyvisa.errors.Error, OSError)
        self._opened: Any = None
        self.name = resource

    def ready(self) -> None:
        import pyvisa

        if self._opened is not None:
            return
        try:
            manager = pyvisa.ResourceManager(self._library)
        except (ValueError, OSError) as none:
            raise SupplyError(
                f"no VISA library can be used ({none}): install the one of the supply's maker, or "
                f"`pip install pyvisa-py pyusb` and write `visa: '@py'`"
            ) from none
        try:
            self._opened = manager.open_resource(
                self._resource, read_termination="\n", write_termination="\n", timeout=round(self._within_s * 1000)
            )
        except (*self._faults, ValueError, KeyError) as fault:
            raise SupplyError(
                f"programmable supply {self._resource} can't be opened ({fault}): check the name "
                f"(`pyvisa-shell` lists them with `list`), the USB cable, and that no other program holds it"
            ) from fault

    def send(self, line: str) -> None:
        try:
            self._open().write(line)
        except self._faults as lost:
            self.close()
            raise ConnectionLost(f"could not be told {line} ({lost}); check the USB cable and its supply") from lost

    def ask(self, line: str) -> str:
        try:
            came = str(self._open().query(line))
            if len(came) > LONGEST_ANSWER:
                raise _no_answer(self.name, "is longer than any answer")
            return came
        except self._faults as silence:
            self.close()
            raise ConnectionLost(
                f"no answer to {line} within {self._within_s * 1000:.0f} ms, twice ({silence}); check the USB cable "
                f"and that the supply speaks SCPI"
            ) from silence
        except BaseException:
            self.close()
            raise

    def _open(self) -> Any:
        if self._opened is None:
            raise ConnectionLost("the connection was lost before; check the USB cable and its supply")
        return self._opened

    def close(self) -> None:
        if self._opened is not None:
            self._opened.close()
        self._opened = None
