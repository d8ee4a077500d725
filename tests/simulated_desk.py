"""What a person at a simulated rig can do, over the wire: read a point, press a button, switch the supply."""

from __future__ import annotations

import struct
import time
from types import TracebackType

from raw_modbus import RawClient, wait_until
from restart_bench.rig import BIT_TABLES, REGISTERS_OF, Value
from restart_bench.simulation import Simulation
from restart_bench_drivers.simulated.tables import value_of

READ = {"coil": 1, "discrete_input": 2, "holding_register": 3, "input_register": 4}
SILENCE = (TimeoutError, ConnectionError)


class Desk:
    """One connection to each device, opened anew after each failure. `read` gives None for silence or an exception."""

    def __init__(self, simulation: Simulation) -> None:
        self.simulation = simulation
        self.rig = simulation.rig
        self._clients: dict[str, RawClient] = {}

    def __enter__(self) -> Desk:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        for client in self._clients.values():
            client.socket.close()

    def read(self, name: str, *, within_s: float = 0.05) -> Value | None:
        """The value of a point now."""
        point = self.rig.points[name]
        count = 1 if point.table in BIT_TABLES else REGISTERS_OF[point.type]
        answer = self._ask(point.device, struct.pack(">BHH", READ[point.table], point.address, count), within_s)
        if answer is None or answer[0] & 0x80:
            return None
        if point.table in BIT_TABLES:
            return bool(answer[2] & 1)
        return value_of(point, struct.unpack(f">{count}H", answer[2:]))

    def number(self, name: str) -> float:
        """What a register reads. Silence is no number: it fails the test."""
        value = self.read(name, within_s=5.0)
        assert value is not None, f"{name} was not answered"
        return value

    def write(self, name: str, value: bool) -> None:
        """Write a coil."""
        point = self.rig.points[name]
        self._write_coil(point.device, point.address, value)

    def press(self, name: str, for_s: float = 0.05) -> None:
        """Out of idle, wait, back to idle, wait: longer than two scans each, or the program would miss it."""
        idle = bool(self.rig.points[name].idle)
        for value in (not idle, idle):
            self.write(name, value)
            time.sleep(for_s)

    def supply(self, on: bool) -> None:
        """Switch the supply through its relay."""
        supply = self.rig.supply
        assert supply is not None
        self._write_coil("supply", supply.settings["coil"], on == (supply.contact == "normally-open"))

    def relay_coil(self) -> bool:
        """What the relay module says of its coil."""
        answer = self._ask("supply", b"\x01\x00\x00\x00\x01", 5.0)
        assert answer is not None
        return bool(answer[2] & 1)

    def cut(self, off_s: float = 0.06) -> None:
        """Off, wait, on."""
        self.supply(False)
        time.sleep(off_s)
        self.supply(True)

    def until(self, name: str, value: Value | None, *, within_s: float = 5.0) -> None:
        """Wait until a point reads this."""
        wait_until(lambda: self.read(name) == value, f"{name} reads {value}", within_s=within_s)

    def stays(self, name: str, value: Value | None, *, for_s: float = 0.15) -> bool:
        """True if a point reads this all the while."""
        end = time.monotonic() + for_s
        while time.monotonic() < end:
            if self.read(name) != value:
                return False
            time.sleep(0.003)
        return True

    def changes(self, name: str, *, for_s: float) -> list[Value | None]:
        """The values that a point went through, without repeats."""
        seen: list[Value | None] = []
        end = time.monotonic() + for_s
        while time.monotonic() < end:
            value = self.read(name)
            if not seen or seen[-1] != value:
                seen.append(value)
            time.sleep(0.002)
        return seen

    def running(self) -> None:
        """Wait until the program runs."""
        self.until("running", True)

    def started(self) -> None:
        """Press start and wait until everything is on."""
        self.press("start_button")
        for output in ("auger", "burner", "fan"):
            self.until(f"{output}_terminal", True)

    def _ask(self, device: str, pdu: bytes, within_s: float) -> bytes | None:
        try:
            if device not in self._clients:
                self._clients[device] = RawClient(self.simulation.ports[device], within_s=within_s)
            unit = 1 if device == "supply" else self.rig.devices[device].unit
            return self._clients[device].ask(pdu, unit=unit, within_s=within_s)
        except SILENCE:
            client = self._clients.pop(device, None)
            if client is not None:
                client.socket.close()
            return None

    def _write_coil(self, device: str, address: int, value: bool) -> None:
        pdu = struct.pack(">BHH", 5, address, 0xFF00 if value else 0)
        assert self._ask(device, pdu, 5.0) == pdu
