"""The programmable supply of a simulated rig: it speaks SCPI over TCP and can stand between on and off.

Only what SCPI-1999 and IEEE 488.2 name for an output and its voltage: OUTP, OUTP?, VOLT, VOLT?, INST:NSEL, SYST:ERR?,
*IDN?. Anything else goes into the error queue as -113 (undefined header, SCPI-1999 volume 2, 21.8.5).
"""

from __future__ import annotations

import asyncio
import math
from collections import deque

from restart_bench.simulated.port import HOST, free_port
from restart_bench.simulated.relay import Relay

IDENTITY = "restart-bench,simulated supply,0,1"
NO_ERROR, UNDEFINED, NO_NUMBER = '0,"No error"', '-113,"Undefined header"', '-104,"Data type error"'


class ScpiPort:
    """Serves one supply. `full_volts` is the voltage that `Relay.level` counts as 1."""

    def __init__(self, supply: Relay, full_volts: float) -> None:
        self._supply = supply
        self._full_volts = full_volts
        self._volts = full_volts
        self._errors: deque[str] = deque(maxlen=20)
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.StreamWriter] = set()

    async def open(self, number: int = 0) -> int:
        """Take this port (0: a free one) and answer on it. Raises OSError where it can't be had."""
        number = number or free_port()
        self._server = await asyncio.start_server(self._serve, HOST, number)
        return number

    def close(self) -> None:
        """Let go of everything."""
        if self._server is not None:
            self._server.close()
        for client in self._clients:
            client.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients.add(writer)
        try:
            while line := await reader.readline():
                answer = self.told(line.decode("ascii", "replace").strip())
                if answer:
                    writer.write(answer.encode("ascii") + b"\n")
                    await writer.drain()
        except (ConnectionError, ValueError, asyncio.CancelledError):  # ValueError: a line without end
            pass
        finally:
            self._clients.discard(writer)
            writer.close()

    def told(self, line: str) -> str:
        """One line from a client: carried out; the answer to a question, "" to a command."""
        header, _, value = line.upper().partition(" ")
        match header:
            case "*IDN?":
                return IDENTITY
            case "SYST:ERR?":
                return self._errors.popleft() if self._errors else NO_ERROR
            case "OUTP?":
                return str(int(self._supply.coil))
            case "VOLT?":
                return f"{self._volts:g}"
            case "OUTP" if value in ("ON", "1", "OFF", "0"):
                self._supply.command(value in ("ON", "1"))
            case "VOLT":
                self._set(value)
            case "INST:NSEL" if value:
                pass
            case _:
                self._errors.append(UNDEFINED)
        return ""

    def _set(self, value: str) -> None:
        try:
            volts = float(value)
        except ValueError:
            volts = math.nan
        if not math.isfinite(volts):
            self._errors.append(NO_NUMBER)
            return
        self._volts = volts
        self._supply.go_to(self._volts / self._full_volts)
