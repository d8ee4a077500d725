"""Program files: checked against their rig and made into a `Program`."""

from __future__ import annotations

import zlib
from collections import Counter as Tally
from collections.abc import Iterator
from dataclasses import dataclass, field

from restart_bench.files.cures import closest
from restart_bench.files.faults import Fault
from restart_bench.files.key_cards import read_keys
from restart_bench.files.tree import Block, ReadFile, Scalar, TreeList
from restart_bench.files.validation import KeyPath, Ledger, keys_of, tree_at, validated
from restart_bench.model.fault_catalogue import FAULTS, unknown_fault
from restart_bench.model.program import (
    Bistable,
    Boot,
    Coil,
    Counter,
    Edge,
    Expr,
    InjectedFault,
    Input,
    Memory,
    Program,
    Reset,
    RideThrough,
    Rung,
    Set,
    Timer,
)
from restart_bench.model.rig import Rig, Value
from restart_bench.model.units import UnitRefused
from restart_bench.plc.conditions import compared_names, names_in, parse_condition, plain_names
from restart_bench.plc.interpreter import FIRST_SCAN, driven_how
from restart_bench.suite.names import Names, value_for
from restart_bench.suite.program_schema import (
    BistableIn,
    CoilIn,
    CounterIn,
    FallingIn,
    FaultIn,
    ProgramIn,
    ResetIn,
    RisingIn,
    RungIn,
    SetIn,
    TimerIn,
)

DRIVING = ("coil", "timer", "counter", "rising", "falling", "bistable", "set", "reset")
"""Keys of a rung that name what it drives; a bistable's `set` and `reset` are conditions, so its name comes before."""
NEVER: Expr = ("const", False)


@dataclass(slots=True)
class ProgramRead:
    """What was read of a program file: the program (None where nothing can be made of it), faults and warnings."""

    program: Program | None
    faults: list[Fault]
    warnings: list[Fault] = field(default_factory=list)


def read_program(read: ReadFile, rig: Rig | None, broken: frozenset[str] = frozenset()) -> ProgramRead:
    """The program of a file that was read, on a rig. Never raises for what stands in it."""
    if read.tree is None:
        return ProgramRead(None, list(read.faults))
    ledger, program = Ledger(read.tree), None
    model = validated(read.tree, ProgramIn, ledger, {"program": "program"})
    if model is not None:
        names = Names.of(rig, broken) if rig is not None else None
        program = _Reading(model, rig, names, ledger).program(read)
    return ProgramRead(program, read.faults + ledger.faults, ledger.warnings)


def program_checksum(content: bytes) -> int:
    """Checksum of a program file, 0..65535, the same for every kind of line end: the low half of its CRC-32."""
    return zlib.crc32(content.replace(b"\r\n", b"\n")) & 0xFFFF


class _Reading:
    """One program file on its way to a `Program`."""

    def __init__(self, model: ProgramIn, rig: Rig | None, names: Names | None, ledger: Ledger) -> None:
        self.model = model
        self.rig = rig
        self.names = names
        self.ledger = ledger

    def program(self, read: ReadFile) -> Program:
        """The program; faults go to the ledger."""
        model = self.model
        inputs = tuple(
            Input(name, told.role, told.rest if told.has("rest") else self._zero(name))
            for name, told in model.inputs.items()
        )
        memory = {
            name: Memory(name, told.retained, told.initial if told.has("initial") else self._zero(name))
            for name, told in model.memory.items()
        }
        rungs = [
            (path, rung)
            for path, told in self.ledger.entries(("rungs",), model.rungs)
            for rung in self._rung(path, told)
        ]
        self._check_inputs(inputs)
        self._check_drives(rungs)
        self._check_memory([rung for _, rung in rungs], memory)
        self._check_names(rungs)
        told = model.rides_through
        rides = RideThrough(told) if isinstance(told, int) else RideThrough(told.middle, told.spread)
        if rides.spread_ns > rides.middle_ns:
            self.ledger.fault(("rides_through", "spread"), "is more than the middle", "write a smaller spread")
        return Program(
            name=model.program,
            scan_ns=model.scan,
            boot=Boot(model.boot.dark, model.boot.refusing, model.boot.silent, model.boot.busy, model.boot.answering),
            rides_through=rides,
            start_pass=model.start_pass,
            outputs=model.outputs,
            saved=model.saved,
            inputs=inputs,
            memory=memory,
            rungs=tuple(rung for _, rung in rungs),
            faults=tuple(self._faults()),
            digest=program_checksum(read.content),
            path=str(read.path),
        )

    def _zero(self, name: str) -> bool | int:
        """off, or 0 for a point that holds a number."""
        point = self.rig.points.get(name) if self.rig is not None else None
        return False if point is None or point.is_boolean else 0

    # ------------------------------------------------------------ rungs

    def _rung(self, path: KeyPath, told: RungIn) -> Iterator[Rung]:
        """The rung of an entry; none, with a fault, where a condition can't be read."""
        line = self.ledger.line(path)
        if isinstance(told, BistableIn):
            first, second = self._when(path, told, "set"), self._when(path, told, "reset")
            if first is not None and second is not None:
                yield Bistable(told.bistable, told.kind, first, second, line)
            return
        when = self._when(path, told, "when")
        if isinstance(told, CounterIn):
            reset = self._counter_reset(path, told)
            if when is not None and reset is not None:
                yield Counter(told.counter, told.kind, told.preset, when, None if reset == NEVER else reset, line)
            return
        if when is None:
            return
        if isinstance(told, CoilIn):
            yield Coil(told.coil, when, line)
        elif isinstance(told, SetIn):
            yield Set(told.set, when, line)
        elif isinstance(told, ResetIn):
            yield Reset(told.reset, when, line)
        elif isinstance(told, TimerIn):
            yield Timer(told.timer, told.kind, told.preset, when, line)
        elif isinstance(told, RisingIn):
            yield Edge(told.rising, "rising", when, line)
        elif isinstance(told, FallingIn):
            yield Edge(told.falling, "falling", when, line)

    def _when(self, path: KeyPath, told: RungIn, key: str) -> Expr | None:
        return self._condition((*path, key), getattr(told, key))

    def _condition(self, path: KeyPath, text: str) -> Expr | None:
        try:
            return parse_condition(text)
        except UnitRefused as refused:
            self.ledger.fault(path, refused.what, refused.cure)
            return None

    def _counter_reset(self, path: KeyPath, told: CounterIn) -> Expr | None:
        """`clear:` of a CTU, `load:` of a CTD; the constant FALSE where there is none."""
        own, other = ("clear", "load") if told.kind == "CTU" else ("load", "clear")
        if getattr(told, other) is not None:
            self.ledger.fault((*path, other), f"is no input of a {told.kind}", f"write {own}:")
            return None
        text = getattr(told, own)
        return NEVER if text is None else self._condition((*path, own), text)

    # ------------------------------------------------------------ checks

    def _check_inputs(self, inputs: tuple[Input, ...]) -> None:
        for one in inputs:
            path: KeyPath = ("inputs", one.name)
            if one.name in self.model.memory:
                self.ledger.fault(("memory", one.name), "is an input", "delete it here or there")
            point = self.rig.points.get(one.name) if self.rig is not None else None
            if point is None:
                continue
            rest: Value | None = one.rest
            if self.model.inputs[one.name].has("rest"):
                rest = value_for((*path, "rest"), one.rest, point, self.ledger)
            if point.idle is not None and rest is not None and point.idle != rest:
                idle = ("on" if point.idle else "off") if isinstance(point.idle, bool) else f"{point.idle:g}"
                text = f"differs from the point's idle in the rig, which is {idle}"
                self.ledger.fault((*path, "rest"), text, f"write rest: {idle}, or correct idle:")

    def _check_drives(self, rungs: list[tuple[KeyPath, Rung]]) -> None:
        """One name is driven by one plain coil, or one block, or by set and reset."""
        driven: dict[str, tuple[str, int]] = {}
        for path, rung in rungs:
            name, how = driven_how(rung)
            place = (*path, _key_of(rung))
            if name == FIRST_SCAN or name in self.model.inputs:
                what = "first_scan is the controller's own" if name == FIRST_SCAN else f"{name} is an input"
                self.ledger.fault(place, f"{what} and can't be driven", "drive another name")
                continue
            if not self._may_be_driven(place, name, rung):
                continue
            before, line = driven.setdefault(name, (how, rung.line))
            if line == rung.line and before == how:
                continue
            if before != how:
                text = f"{name} is driven by {before} on line {line} and by {how} here"
                self.ledger.fault(place, text, "drive it by a plain coil or by set and reset, not by both")
            elif how != "set and reset":
                text = f"{name} is driven twice (first on line {line})"
                self.ledger.fault(place, text, "join the two conditions with OR, or use two names")

    def _may_be_driven(self, path: KeyPath, name: str, rung: Rung) -> bool:
        """A point that a program drives lies on the controller; a register shows a counter's count, nothing else."""
        point = self.rig.points.get(name) if self.rig is not None else None
        if self.rig is None or point is None or self._is_broken(name):
            return True
        if self.rig.is_independent(name):
            self.ledger.fault(path, f"{name} is a point of {point.device}, not of the controller", "drive another name")
            return False
        if not point.is_boolean and not isinstance(rung, Counter):
            cure = "name a coil, or another name (a register shows the count of a counter)"
            self.ledger.fault(path, f"{name} holds a number and can't be driven off and on", cure)
            return False
        return True

    def _check_names(self, rungs: list[tuple[KeyPath, Rung]]) -> None:
        """Every name that is read is written by something, and is used as what it is."""
        known = {driven_how(rung)[0] for _, rung in rungs} | self._names_in_file() | {FIRST_SCAN}
        numbers = self._number_names([rung for _, rung in rungs])
        counters = {rung.name for _, rung in rungs if isinstance(rung, Counter)}
        timers = {rung.name for _, rung in rungs if isinstance(rung, Timer)}
        for path, rung in rungs:
            for key, condition in _conditions_of(rung):
                place = (*path, key)
                for name in dict.fromkeys(names_in(condition)):
                    if name not in known and not self._is_memory_of_rig(name):
                        near = closest(name, known)
                        cure = f"did you mean {near}?" if near else "declare it under inputs: or memory:, or drive it"
                        self.ledger.fault(place, f"nothing ever writes {name}", cure)
                for name in dict.fromkeys(compared_names(condition)):
                    if name in numbers | counters or self._is_broken(name):
                        continue
                    if name in known or self._is_memory_of_rig(name):
                        text = f"{name} is off or on and can't be compared"
                        cure = f"give it a number under memory:, like {name}: {{initial: 0}}"
                        self.ledger.fault(place, text, "take its output alone" if name in timers else cure)
                for name in dict.fromkeys(plain_names(condition)):
                    if name in numbers:
                        self.ledger.fault(
                            place, f"{name} is a number, not a condition", f"compare it, like {name} >= 1"
                        )

    def _names_in_file(self) -> set[str]:
        """Every name that the file drives or declares, also where the entry itself is faulty: what is read of it is
        no second fault."""
        names: set[str] = set()
        for table in ("inputs", "memory"):
            block = tree_at(self.ledger.tree, (table,))
            names |= {str(name).lower() for name in block} if isinstance(block, Block) else set()
        rungs = tree_at(self.ledger.tree, ("rungs",))
        for rung in rungs if isinstance(rungs, TreeList) else ():
            entries = rung.items() if isinstance(rung, Block) else ()
            drives = next((key for key in DRIVING if isinstance(rung, Block) and key in rung), "")
            names |= {value.text.lower() for key, value in entries if key == drives and isinstance(value, Scalar)}
        return names

    def _check_memory(self, rungs: list[Rung], memory: dict[str, Memory]) -> None:
        """Blocks start as their kind does; points hold what their type can."""
        blocks = {rung.name: rung for rung in rungs if isinstance(rung, Timer | Edge | Bistable | Counter)}
        for name, one in memory.items():
            path: KeyPath = ("memory", name)
            if not self.model.memory[name].has("initial"):
                continue
            if isinstance(blocks.get(name), Timer | Edge):
                self.ledger.fault((*path, "initial"), "a timer or an edge has no initial value", "delete initial:")
            elif isinstance(one.initial, float) and name in blocks:
                self.ledger.fault((*path, "initial"), "a counter counts whole numbers", "write a whole number")
            point = self.rig.points.get(name) if self.rig is not None else None
            if point is not None and name not in blocks:
                value_for((*path, "initial"), one.initial, point, self.ledger)

    def _number_names(self, rungs: list[Rung]) -> set[str]:
        """Names that hold numbers: memory with a number as initial value, registers that no rung drives."""
        driven = Tally(driven_how(rung)[0] for rung in rungs)
        is_faulty = self.ledger.is_faulty
        told = {
            name
            for name, one in self.model.memory.items()
            if one.has("initial") and not isinstance(one.initial, bool) and not is_faulty(("memory", name))
        }
        told |= {
            name
            for name, one in self.model.inputs.items()
            if not isinstance(one.rest, bool) and not is_faulty(("inputs", name))
        }
        points = self.rig.points.values() if self.rig is not None else ()
        registers = {point.name for point in points if not point.is_boolean}
        return {name for name in told | registers if name not in driven}

    def _is_memory_of_rig(self, name: str) -> bool:
        """True for a writable point of the controller: whatever writes Modbus writes it."""
        if self.rig is None or self.names is None:
            return True
        if name in self.names.broken:
            return True
        point = self.rig.points.get(name)
        return point is not None and point.writable and not self.rig.is_independent(name)

    # ------------------------------------------------------------ faults on order

    def _faults(self) -> Iterator[InjectedFault]:
        known = set(self.rig.points if self.rig is not None else ()) | set(self.model.memory) | set(self.model.inputs)
        known |= {
            str(getattr(told, key))
            for told in self.model.rungs
            for key in ("coil", "set", "reset")
            if hasattr(told, key)
        }
        for path, told in self.ledger.entries(("faults",), self.model.faults):
            unknown = unknown_fault(told.fault)
            if unknown is not None:
                self.ledger.also((*path, "fault"), unknown.what, unknown.cure)
                continue
            card = FAULTS[told.fault]
            settings = read_keys(path, told.model_extra or {}, card.all_keys, keys_of(FaultIn), self.ledger)
            points = [one.name for one in card.keys if one.kind == "point"]
            for key in points:
                name = settings.get(key)
                if isinstance(name, str) and name not in known and not self._is_broken(name):
                    near = closest(name, known)
                    cure = f"did you mean {near}?" if near else "name a point of the rig or of the program"
                    self.ledger.fault((*path, key), f"{name} is no point of the rig or the program", cure)
            yield InjectedFault(told.fault, settings, self.ledger.line(path))

    def _is_broken(self, name: str) -> bool:
        return self.names is None or name in self.names.broken


def _key_of(rung: Rung) -> str:
    """The key of the entry that names what is driven."""
    return rung.kind if isinstance(rung, Edge) else type(rung).__name__.lower()


def _conditions_of(rung: Rung) -> Iterator[tuple[str, Expr]]:
    """The conditions of a rung with the keys under which they stand."""
    if isinstance(rung, Bistable):
        yield "set", rung.set
        yield "reset", rung.reset
        return
    yield "when", rung.when
    if isinstance(rung, Counter) and rung.reset is not None:
        yield ("clear" if rung.kind == "CTU" else "load"), rung.reset
