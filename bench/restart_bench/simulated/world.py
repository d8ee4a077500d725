"""One simulated rig: controller, independent I/O and relay module, each on a port of its own, in one event loop."""

from __future__ import annotations

import random
from collections.abc import Collection, Mapping
from functools import partial
from typing import Any

from restart_bench.model.clock import now_ns
from restart_bench.model.fault_catalogue import FAULTS, prepared
from restart_bench.model.program import InjectedFault
from restart_bench.model.rig import RigSupply, Table, Value, Wanted
from restart_bench.simulated.controller import Controller
from restart_bench.simulated.faults import FaultPlayer
from restart_bench.simulated.independent import Independent
from restart_bench.simulated.port import Port, PortTaken
from restart_bench.simulated.relay import Rail, Relay
from restart_bench.simulated.roles import breaking
from restart_bench.simulated.scpi import ScpiPort
from restart_bench.simulated.setup import SimulationSetup, full_volts, is_programmable
from restart_bench.simulated.timing import Alarms
from restart_bench.simulated.truth import Truth
from restart_bench.simulated.wiring import Wiring

SUPPLY = "supply"
_LAST_PORT = 65535


class World:
    """Everything that is simulated. Built inside a running event loop.

    Raises ValueError for a rig without a controller, and for a fault that can't be played.
    """

    def __init__(self, setup: SimulationSetup) -> None:
        rig = setup.rig
        if rig.controller is None:
            raise ValueError(f"rig {rig.name} has no device with `powered_by: supply`, so there is nothing to cut")
        draws = random.Random(setup.seed)
        self._faults = FaultPlayer((*setup.program.faults, *setup.faults), draws)
        self._truth = Truth(setup.truth)
        self._wiring = Wiring(rig, setup.program, self._faults, self._truth)
        for fault in (*setup.program.faults, *setup.faults):
            self._check(fault)
        self._relay = Relay(rig.supply or RigSupply("modbus-coil"), self._faults, draws, self._supply_changed)
        self._rail = Rail(self._relay, self._faults, self._supply_changed)
        self._wiring.rail = lambda: self._rail.fraction
        self._wiring.watch("supply", SUPPLY, lambda: self._relay.fraction > 0)
        self._controller = Controller(rig.controller, self._wiring, draws)
        self._independents = [Independent(device, self._wiring) for device in rig.independents]
        self._relay_port = self._supply_port(rig.supply)
        self._first_port = setup.first_port
        self._letting_go = Alarms()
        self._springing: set[str] = set()  # what is pressed briefly, and not held meanwhile
        self._controller.port.heed_writes(partial(self._write_asked, rig.controller.name))
        for independent in self._independents:
            independent.port.heed_writes(partial(self._write_asked, independent.device.name))

    def _supply_port(self, supply: RigSupply | None) -> Port | ScpiPort:
        """A relay module, or a programmable supply where the rig has one."""
        if supply is not None and is_programmable(supply):
            return ScpiPort(self._relay, full_volts(supply))
        port = Port(self._relay)
        port.heed_writes(partial(self._write_asked, SUPPLY))
        return port

    async def open(self) -> dict[str, int]:
        """Open all ports and start the program; device name to port, controller first, the relay last as `supply`."""
        ports: dict[str, int] = {}
        servers: dict[str, Port | ScpiPort] = {self._controller.device.name: self._controller.port}
        servers |= {independent.device.name: independent.port for independent in self._independents}
        for name, server in {**servers, SUPPLY: self._relay_port}.items():
            ports[name] = await self._opened(name, server, len(ports))
        self._wiring.settle(now_ns())
        self._controller.start()
        return ports

    async def _opened(self, name: str, server: Port | ScpiPort, place: int) -> int:
        if not self._first_port:
            return await server.open()
        number = self._first_port + place
        if number > _LAST_PORT:
            raise PortTaken(f"{name} would get port {number}, and {_LAST_PORT} is the last one")
        try:
            return await server.open(number)
        except OSError as problem:
            raise PortTaken(f"port {number}, for {name}, can't be opened: {problem.strerror or problem}") from problem

    def close(self) -> None:
        """Close all ports and the truth log."""
        self._letting_go.cancel()
        self._controller.stop()
        for independent in self._independents:
            independent.stop()
        self._relay.stop()
        self._rail.stop()
        self._relay_port.close()
        self._truth.close()

    def obey(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """One command from the parent; what it asked for. Raises ValueError for one that is not known.

        {"command": "set", "values": {"hopper_full": true}}: points and inputs, whatever drives them;
        {"command": "free", "names": ["hopper_full"]}: driven again as the rig says;
        {"command": "level", "fraction": 0.4}: voltage behind the relay's contact, as a fraction of nominal;
        {"command": "work", "name": "start_button", "value": true}: somebody holds a button, lets go, turns a switch;
        {"command": "press", "name": "start_button", "for_ns": 300000000}: out of rest, and back after that time;
        {"command": "mode", "run": false}: the mode switch;
        {"command": "supply", "on": false}: the supply, whatever switches it;
        {"command": "fault", "name": "pulse", "settings": {...}}: one more ordered fault;
        {"command": "forget"}: no ordered fault plays any more, but for the program's own;
        {"command": "look"}: what is so now (see `seen`);
        {"command": "flush"}: the truth log is complete up to now.
        """
        before = now_ns()
        match command.get("command"):
            case "set":
                self._set(command["values"])
            case "free":
                for name in command["names"]:
                    self._wiring.pinned.pop(name, None)
            case "work":
                self._springing.discard(command["name"])
                self._work(command["name"], bool(command["value"]))
            case "press":
                self._press(command["name"], int(command["for_ns"]))
            case "mode":
                self._turn_mode(run=bool(command["run"]))
            case "supply":
                self._relay.switch(bool(command["on"]))
            case "look":
                return self.seen()
            case "forget":
                self._faults.forget_ordered()
            case "level":
                self._relay.set_level(float(command["fraction"]))
            case "fault":
                fault = InjectedFault(command["name"], command.get("settings", {}))
                self._check(prepared(fault))
                self._faults.order(fault)
                if self._faults.cut == 0:
                    self._wiring.facts.of_restart = self._faults.now
            case "flush":
                pass
            case other:
                raise ValueError(f"{other!r} is no command of the simulated rig")
        self._wiring.settle(before)
        self._truth.flush()
        return {}

    @property
    def controls(self) -> list[str]:
        """What somebody at the rig can work: command points and inputs that are off or on, without the mode switch."""
        rig, wiring = self._wiring.rig, self._wiring
        mode = rig.mode.point if rig.mode is not None else None
        points = [
            name for name, point in rig.points.items()
            if point.is_boolean and name != mode and (name in wiring.written or self._is_command_bit(name))
        ]  # fmt: skip
        inputs = [name for name, one in wiring.inputs.items() if isinstance(one.rest, bool) and name not in points]
        return points + [name for name in inputs if name not in rig.points or wiring.roles[name].kind == "input"]

    def seen(self) -> dict[str, Any]:
        """What is so now: the rail as a fraction, whether the supply was told to be on, the stage of the controller,
        its mode switch, how many cuts were begun, the value of every point and control (of an output that of its
        terminal), the ordered faults, why one had no effect, and the buttons that are pressed briefly."""
        wiring = self._wiring
        points = {name: wiring.played(point) for name, point in wiring.rig.points.items()}
        return {
            "rail": self._rail.fraction,
            "supply": self._relay.told_on,
            "stage": self._controller.stage,
            "run": wiring.in_run(),
            "cut": self._faults.cut,
            "values": points | {name: wiring.input_value(name) for name in wiring.inputs},
            "faults": [[fault.name, fault.settings] for fault in self._faults.ordered],
            "idle_faults": self._faults.idle,
            "springing": sorted(self._springing),
        }

    def _press(self, name: str, for_ns: int) -> None:
        rest = self._rest(name)
        self._work(name, not rest)
        self._springing.add(name)
        self._letting_go.after(for_ns, lambda: self._let_go(name, rest))

    def _let_go(self, name: str, rest: bool) -> None:
        if name not in self._springing:
            return
        before = now_ns()
        self._springing.discard(name)
        self._work(name, rest)
        self._wiring.settle(before)

    def _work(self, name: str, value: bool) -> None:
        if self._is_command_bit(name):
            self._controller.work(self._wiring.rig.points[name], value)
        else:
            self._set({name: value})

    def _is_command_bit(self, name: str) -> bool:
        """True for a bit in the controller that a client writes in place of a button."""
        point = self._wiring.rig.points.get(name)
        return point is not None and point.writable and self._wiring.roles[name].kind == "program"

    def _rest(self, name: str) -> bool:
        points = self._wiring.rig.points
        if name in points and points[name].writable:
            return bool(points[name].at_rest)
        if name in self._wiring.inputs:
            return bool(self._wiring.inputs[name].rest)
        raise ValueError(f"{name} is neither a command point of the rig nor an input of the program")

    def _turn_mode(self, *, run: bool) -> None:
        mode = self._wiring.rig.mode
        if mode is None or mode.point is None:
            raise ValueError("this rig has no mode switch")
        self._set({mode.point: mode.run if run else breaking(Wanted(equals=mode.run))})

    def _check(self, fault: InjectedFault) -> None:
        """Raises ValueError for a fault at a point that it can't concern."""
        known: dict[str, Collection[str]] = {
            "rig": self._wiring.roles,
            "program": self._wiring.machine.names,
            "inputs": self._wiring.inputs,
        }
        for key in FAULTS[fault.name].keys:
            name = fault.settings.get(key.name)
            if key.kind == "point" and name is not None and name not in known[key.among]:
                among = {"rig": "point of the rig", "program": "name of the program", "inputs": "input of the program"}
                raise ValueError(f"fault {fault.name}: {name} is no {among[key.among]}; {key.help}")

    def _set(self, values: Mapping[str, Value]) -> None:
        for name, value in values.items():
            if name in self._wiring.written:
                self._wiring.written[name] = value
            elif name in self._wiring.roles or name in self._wiring.inputs:
                self._wiring.pinned[name] = value
            else:
                raise ValueError(f"{name} is neither a point of the rig nor an input of the program")

    def _write_asked(self, device: str, table: Table, address: int, values: list[int]) -> None:
        """A client asks to write: the truth log tells each request, by the names of the points it touches."""
        before = now_ns()
        points = self._wiring.rig.points.values()
        touched = [
            point.name
            for point in points
            if (point.device, point.table) == (device, table)
            and point.address < address + len(values)
            and address < point.address + point.width
        ]
        if device == SUPPLY and (table, address) == self._relay.place:
            touched = [SUPPLY]
        for name in touched or [f"{device} {table} {address}"]:
            self._truth.tell("write", name, values, before)

    def _supply_changed(self, before_ns: int) -> None:
        self._rail.follow()
        self._wiring.settle(before_ns)
        self._controller.feed(self._rail.feeds)
        for independent in self._independents:
            independent.supply_changed(self._rail.feeds)
