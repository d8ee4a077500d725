"""Independent I/O: it sees terminals and wires, and holds the command points that the bench writes."""

from __future__ import annotations

from functools import partial

from restart_bench.model.clock import now_ns
from restart_bench.model.rig import Device, Point, Value
from restart_bench.simulated.faults import Playing
from restart_bench.simulated.port import Port
from restart_bench.simulated.tables import OfTables, between_levels
from restart_bench.simulated.timing import Alarms
from restart_bench.simulated.wiring import Wiring


class Independent(OfTables):
    """One device on a supply of its own (unless `independent-on-cut-supply` plays)."""

    busy = False

    def __init__(self, device: Device, wiring: Wiring) -> None:
        self.device = device
        self.unit = device.unit
        self._wiring = wiring
        self._points = tuple(one for one in wiring.rig.points.values() if one.device == device.name)
        self.lay_out(self._points)
        self._booting = Alarms()
        self._powered = True
        self._fed = True
        self._releasing = Alarms()
        self._released = {point.name: 0 for point in self._points}  # up to which cut nothing feeds it any more
        self.port = Port(self)
        for point in self._points:
            kind = wiring.roles[point.name].kind
            what = {"written": "command", "supply": "rail"}.get(kind, "terminal")
            if kind not in ("alive", "uptime"):
                wiring.watch(what, point.name, partial(self.value, point))

    def playing(self) -> Playing:
        """See `OfTables`."""
        return self._wiring.faults.now

    def value(self, point: Point) -> Value:
        """What the device reads at a point."""
        faults, role = self._wiring.faults.now, self._wiring.roles[point.name]
        if point.levels is not None and faults.at_point("channel-between-levels", point.name) is not None:
            return between_levels(point)
        wire_is_off = any(fault["point"] in (point.name, role.of) for fault in faults.all("wire-off"))
        if wire_is_off and role.kind != "written":
            return False
        energised = any(fault["point"] in (point.name, role.of) for fault in faults.all("output-energised"))
        if energised and self._released[point.name] < self._wiring.faults.cut:
            return True
        return self._wiring.played(point)

    def supply_changed(self, feeds: bool) -> None:
        """The supply that is cut has changed: matters only if this device is on it."""
        back, self._fed = feeds and not self._fed, feeds
        for fault in self._wiring.faults.now.all("output-energised") if back else ():
            self._releasing.after(fault["by"], partial(self._release, fault["point"], self._wiring.faults.cut))
        on_it = self._wiring.faults.now.one("independent-on-cut-supply")
        if feeds and not self._powered:
            self._booting.after(on_it["boots_in"] if on_it is not None else 0, self._come_back)
        elif not feeds and on_it is not None and self._powered:
            self._booting.cancel()
            self._go_dark()

    def stop(self) -> None:
        """Let go of the port."""
        self._booting.cancel()
        self._releasing.cancel()
        self.port.close()

    def _release(self, name: str, cut: int) -> None:
        before = now_ns()
        for point in self._points:
            if name in (point.name, self._wiring.roles[point.name].of):
                self._released[point.name] = cut
        self._wiring.settle(before)

    def _go_dark(self) -> None:
        before = now_ns()
        self._powered = False
        self.port.dark()
        for point in self._points:
            if point.name in self._wiring.written:
                self._wiring.written[point.name] = False
        self._wiring.settle(before)

    def _come_back(self) -> None:
        self._powered = True
        self.port.answer()

    def work(self, point: Point, value: Value) -> None:
        """A client writes a command point."""
        if self._wiring.roles[point.name].kind != "written":
            return
        stuck = self._wiring.faults.now.at_point("command-stuck", point.name)
        if stuck is not None and self._wiring.written[point.name] != point.idle and value == point.idle:
            return
        self._wiring.write(point.name, value)
