"""All that the devices of a simulated rig share: who is wired to whom, what was written, and what plays each role."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from restart_bench.model.clock import NS_PER_MS, NS_PER_S, now_ns
from restart_bench.model.program import Input, Memory, Program
from restart_bench.model.rig import Point, Rig, Value, Wanted
from restart_bench.model.units import time_unit_ns
from restart_bench.plc.interpreter import Interpreter, conditions_read, driven, names_read
from restart_bench.simulated.faults import FaultPlayer, Playing
from restart_bench.simulated.roles import Role, breaking, meeting, role_of, supply_value
from restart_bench.simulated.truth import Truth

UPTIME_AT_START_NS = 3600 * NS_PER_S  # the rig has been running for an hour when the simulation starts
WRAPS = {"bool": 2, "int16": 2**15, "int32": 2**31, "uint32": 2**32}


@dataclass
class Facts:
    """What the controller is doing, for all who play a part of it."""

    running: bool = True
    scans: int = 0
    powered_up_ns: int = field(default_factory=lambda: now_ns() - UPTIME_AT_START_NS)
    power_ups: int = 1
    outputs: dict[str, Value] = field(default_factory=dict)  # at the terminals; what is missing is off
    of_restart: Playing = field(default_factory=Playing)  # faults that play since the last loss of power


class Wiring:
    """Shared state of one simulated rig. Whoever changes anything takes the time before, changes, and calls
    `settle`, all without waiting: so no client can see half a change."""

    def __init__(self, rig: Rig, program: Program, faults: FaultPlayer, truth: Truth) -> None:
        self.rig = rig
        self.program = at_rig(program, rig)
        self.machine = Interpreter(self.program, _written_memory(self.program, rig))
        self.faults = faults
        self.truth = truth
        self.facts = Facts(of_restart=faults.now)
        self.inputs = {one.name: one for one in self.program.inputs}
        self.roles = {name: role_of(rig, self.machine.names, self.inputs, name) for name in rig.points}
        self.written = {name: self._at_rest(name) for name, role in self.roles.items() if role.kind == "written"}
        self.pinned: dict[str, Value] = {}  # values set from outside the simulation, whatever the roles say
        self.rail: Callable[[], float] = lambda: 1.0
        self._watched: list[tuple[str, str, Callable[[], Any]]] = []

    def watch(self, what: str, name: str, value: Callable[[], Any]) -> None:
        """From now on the truth log tells every change of this value."""
        self._watched.append((what, name, value))

    def settle(self, before_ns: int) -> None:
        """Something was changed since `before_ns`: write what became of it into the truth log."""
        for what, name, value in self._watched:
            self.truth.note(what, name, value(), before_ns)

    def write(self, name: str, value: Value) -> None:
        """A client writes a command point."""
        before = now_ns()
        self.written[name] = value
        self.settle(before)

    def in_run(self) -> bool:
        """True unless the mode point says otherwise."""
        mode = self.rig.mode
        return mode is None or mode.point is None or self.written.get(mode.point, mode.run) == mode.run

    def input_value(self, name: str) -> Value:
        """What an input of the program is."""
        if name in self.pinned:
            return self.pinned[name]
        if name in self.written:
            return self.written[name]
        role = self.roles.get(name, Role("input"))
        return self.inputs[name].rest if role.kind == "input" else self.played(self.rig.points[name])

    def played(self, point: Point) -> Value:
        """What a point says by its role, before anything that a device makes of it."""
        role = self.roles[point.name]
        if point.name in self.pinned:
            return self.pinned[point.name]
        match role.kind:
            case "written":
                return self.written[point.name]
            case "terminal" | "program":
                return self.facts.outputs.get(role.of or point.name, False)
            case "sense" | "pulse":
                return self._worked(role.of)
            case "input":
                return self.inputs[point.name].rest
            case "alive":
                return self.facts.scans % WRAPS.get(point.type, 2**16) * point.scale
            case "uptime":
                return self._uptime(point)
            case "restarts":
                return self.facts.power_ups
            case "program id":
                return self._program_id()
            case "nothing":
                return False
        return self._played_for(point, role)

    def _played_for(self, point: Point, role: Role) -> Value:
        wanted = role.wanted
        assert wanted is not None
        if role.kind == "supply":
            nominal = self.rig.supply.nominal_volts if self.rig.supply is not None else None
            return supply_value(point, wanted, self.rail(), nominal)
        if role.kind == "identity":
            return self._identity(wanted)
        holds = {"running": self.facts.running, "out of run": not self.facts.running, "steady": True}[role.kind]
        return meeting(wanted) if holds else breaking(wanted)

    def _worked(self, name: str) -> Value:
        """State of a command point, wherever it is held."""
        return self.written[name] if name in self.written else self.facts.outputs.get(name, False)

    def _uptime(self, point: Point) -> Value:
        """Since the last power-up, counted in what the register holds: the point's unit times its scale. Without a
        unit of time milliseconds (32 bits), else whole seconds."""
        by_type = NS_PER_MS if point.type.endswith("32") else NS_PER_S
        unit = time_unit_ns(point.unit)
        count_ns = by_type if unit is None else round(unit * abs(point.scale)) or by_type
        wraps = self.faults.now.one("uptime-wraps")
        if wraps is None:
            since_ns, begins = self.facts.powered_up_ns, 0
        else:
            since_ns, begins = self.faults.begun_ns, round(wraps["to"] / point.scale)
        return (begins + (now_ns() - since_ns) // count_ns) % WRAPS.get(point.type, 2**16) * point.scale

    def _program_id(self) -> Value:
        older = self.facts.of_restart.one("older-program")
        if older is None:
            return self.program.digest
        other: Value = older["value"] if older["value"] is not None else self.program.digest ^ 0x5555
        return other

    def _identity(self, wanted: Wanted) -> Value:
        other = self.facts.of_restart.one("other-device")
        if other is None:
            return meeting(wanted)
        said: Value = other["value"] if other["value"] is not None else breaking(wanted)
        return said

    def _at_rest(self, name: str) -> Value:
        if self.rig.mode is not None and self.rig.mode.point == name:
            return self.rig.mode.run
        point = self.rig.points[name]
        if point.idle is not None:
            return point.idle
        return self.inputs[name].rest if name in self.inputs else False


def at_rig(program: Program, rig: Rig) -> Program:
    """The program with all that only the rig tells: a point that it reads and nobody in it drives is an input, and
    memory that the bench writes has its idle value first."""
    known = {one.name for one in program.inputs} | set(program.memory) | {driven(rung) for rung in program.rungs}
    read = {name for rung in program.rungs for one in conditions_read(rung) for name in names_read(one)}
    inputs = list(program.inputs)
    memory = dict(program.memory)
    for point in rig.points.values():
        if point.name in known:
            continue
        if _is_memory(point, rig):
            zero: Value = False if point.is_boolean else 0
            memory[point.name] = Memory(point.name, initial=zero if point.idle is None else point.idle)
        elif point.name in read:
            inputs.append(Input(point.name, "command" if point.writable else "sensor", point.idle or False))
    return dataclasses.replace(program, inputs=tuple(inputs), memory=memory)


def _written_memory(program: Program, rig: Rig) -> list[str]:
    given = {one.name for one in program.inputs}
    return [one.name for one in rig.points.values() if _is_memory(one, rig) and one.name not in given]


def _is_memory(point: Point, rig: Rig) -> bool:
    """A writable controller point is memory, but for the mode switch."""
    is_mode = rig.mode is not None and rig.mode.point == point.name
    return point.writable and not rig.is_independent(point.name) and not is_mode
