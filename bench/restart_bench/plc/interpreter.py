"""How a controller goes through its program: one pure interpreter for the simulated rig and for the predictor.

`Interpreter(program)` holds no state; a `State` is a plain immutable value that can be compared, hashed and kept in
sets. Every function takes a state and gives a new one. Nothing here knows a clock: elapsed time is handed in, in
nanoseconds. The rules stand in the README, "How a scan goes"; blocks, edges and coils behave as IEC 61131-3 says.

    machine = Interpreter(program)
    state = machine.first_power_up()
    state = machine.scan(state, {"start_button": True}, elapsed_ns=10_000_000)
    machine.output(state, "fan")                    # what the terminal gets
    state = machine.restart(machine.scan(state, inputs, 10_000_000, stop_after=3))   # power lost after three rungs
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from restart_bench.model.program import Bistable, Coil, Counter, Edge, Expr, Memory, Program, Reset, Rung, Set, Timer
from restart_bench.plc import blocks
from restart_bench.plc.blocks import ConditionTest, Run, Slots, SlotValue

FIRST_SCAN = "first_scan"


@dataclass(frozen=True, slots=True)
class State:
    """All that a controller knows at one instant.

    values: the live memory, block by block (see `Interpreter`); saved: what its retained part would be after a loss
    now; outputs: what stands at the output terminals, one per name, all off while the program does not run;
    first_scan: True until one scan has been completed.
    """

    values: tuple[Any, ...]
    saved: tuple[Any, ...]
    outputs: tuple[bool, ...]
    first_scan: bool


class Interpreter:
    """One program, made ready to run.

    names: every name that holds something and is no input (memory, coils, timers, counters, edges, bistables).
    `also` adds names that the program itself does not mention (a set-point that is only written from outside).
    Raises ValueError for a rung or condition of an unknown kind.
    """

    def __init__(self, program: Program, also: Iterable[str] = ()) -> None:
        self.program = program
        self.inputs = {one.name: one.rest for one in program.inputs}
        self._input_slot = {name: 1 + number for number, name in enumerate(self.inputs)}
        self._blocks = {
            rung.name: rung for rung in program.rungs if isinstance(rung, Timer | Counter | Edge | Bistable)
        }
        self._slot: dict[str, int] = {}
        self._initial: list[Any] = []
        self._retained: list[int] = []
        self._base = 1 + len(self.inputs)  # slot 0 is first_scan, then the inputs, then the memory
        for name in held_names(program, also):
            self._add(name, program.memory.get(name, Memory(name)))
        self.names = tuple(self._slot)
        self._number_of = {name: number for number, name in enumerate(self.names)}
        self._first = tuple(self._slot[name] for name in self.names)
        self._plain = tuple(self._slot[rung.target] for rung in program.rungs if isinstance(rung, Coil))
        self._runs = tuple(self._rung(rung) for rung in program.rungs)

    # ------------------------------------------------------------ power and mode

    def first_power_up(self) -> State:
        """A controller that has never run: everything has its initial value, and the start pass is done."""
        nothing = State(tuple(self._initial), self._kept(self._initial), self._all_off(), True)
        return self._start_pass(nothing)

    def restart(self, state: State, *, cold: bool = False) -> State:
        """After a loss of supply: warm by default, `cold` if the retained memory was lost as well.

        IEC 61131-3: retained variables keep their last saved value at a warm restart and take their initial value
        at a cold one; all others take their initial value at both.
        """
        values = list(self._initial)
        if not cold:
            for place, value in zip(self._retained, state.saved, strict=True):
                values[place - self._base] = value
        return self._start_pass(State(tuple(values), self._kept(values), self._all_off(), True))

    def leave_run(self, state: State) -> State:
        """Run mode is left: outputs off, memory and instance data stay; the start pass clears plain coils."""
        return self._start_pass(replace(state, outputs=self._all_off()))

    def enter_run(self, state: State) -> State:
        """Run mode is entered again: the next scan is a first scan; timers have stood still."""
        return replace(state, first_scan=True, outputs=self._all_off())

    # ------------------------------------------------------------ one scan

    def scan(
        self, state: State, inputs: Mapping[str, SlotValue], elapsed_ns: int, *, stop_after: int | None = None
    ) -> State:
        """One scan. `elapsed_ns` is the time since the scan before; it does not count in a first scan.

        Inputs that `inputs` does not name are at rest. `stop_after=k` interrupts the scan after k whole rungs: the
        supply was lost there, and only `restart` makes sense afterwards. Raises KeyError for an unknown input.
        """
        slots = self._loaded(state, inputs)
        elapsed = 0 if state.first_scan else elapsed_ns
        rungs = self._runs if stop_after is None else self._runs[:stop_after]
        for run in rungs:
            run(slots, elapsed)
        values = tuple(slots[self._base :])
        if stop_after is None:
            return State(values, self._kept(values), self._outputs_of(slots), False)
        return State(
            values,
            saved=self._kept(values) if self.program.saved == "at once" else state.saved,
            outputs=self._outputs_of(slots) if self.program.outputs == "at once" and rungs else state.outputs,
            first_scan=state.first_scan,
        )

    def write(self, state: State, name: str, value: SlotValue) -> State:
        """Something outside the program writes a bit, a value or a counter's count, between two scans."""
        values = list(state.values)
        values[self._value_slot(name) - self._base] = value
        saved = self._kept(values) if self.program.saved == "at once" else state.saved
        return replace(state, values=tuple(values), saved=saved)

    def write_saved(self, state: State, name: str, value: SlotValue) -> State:
        """The retained copy of one name is damaged: the live value stays as it is. Raises ValueError if the name
        is not retained."""
        place = self._value_slot(name)
        if place not in self._retained:
            raise ValueError(f"{name} is not retained, so there is no saved value to change")
        saved = list(state.saved)
        saved[self._retained.index(place)] = value
        return replace(state, saved=tuple(saved))

    # ------------------------------------------------------------ reading a state

    def value(self, state: State, name: str) -> SlotValue:
        """A bit, a value, or the output of a block."""
        held: SlotValue = state.values[self._slot[name] - self._base]
        return held

    def number(self, state: State, name: str) -> SlotValue:
        """What a register shows: a counter's count, a timer's elapsed nanoseconds, else the value itself."""
        held: SlotValue = state.values[self._value_slot(name) - self._base]
        return held

    def saved_number(self, state: State, name: str) -> SlotValue:
        """What `number` would be after a warm restart now, before the start pass."""
        place = self._value_slot(name)
        if place not in self._retained:
            initial: SlotValue = self._initial[place - self._base]
            return initial
        held: SlotValue = state.saved[self._retained.index(place)]
        return held

    def output(self, state: State, name: str) -> bool:
        """What stands at the terminal of an output."""
        return state.outputs[self._number_of[name]]

    def outputs(self, state: State) -> dict[str, bool]:
        """The same for every name."""
        return dict(zip(self.names, state.outputs, strict=True))

    def is_retained(self, name: str) -> bool:
        """True if the name's data outlive a warm restart."""
        return self._slot[name] in self._retained

    def is_timer(self, name: str) -> bool:
        """True if `number` tells a time."""
        return isinstance(self._blocks.get(name), Timer)

    # ------------------------------------------------------------ layout

    def _add(self, name: str, memory: Memory) -> None:
        """Give a name its slots: value or block output first, then what the block remembers."""
        block = self._blocks.get(name)
        match block:
            case Timer():
                initial: list[Any] = [False, 0, False]  # output, elapsed, input of the scan before
            case Counter():
                initial = [False, int(memory.initial), False]  # output, count, count input of the scan before
            case Edge():
                initial = [False, False]  # output, edge memory
            case Bistable():
                initial = [bool(memory.initial)]
            case _:
                initial = [memory.initial]
        self._slot[name] = self._base + len(self._initial)
        if memory.retained:
            self._retained += range(self._slot[name], self._slot[name] + len(initial))
        self._initial += initial

    def _value_slot(self, name: str) -> int:
        """Slot of what a register shows and of what a comparison reads."""
        return self._slot[name] + (1 if isinstance(self._blocks.get(name), Timer | Counter) else 0)

    def _loaded(self, state: State, inputs: Mapping[str, SlotValue]) -> Slots:
        given = dict(self.inputs)
        for name, value in inputs.items():
            if name not in given:
                raise KeyError(f"{name} is not an input of this program")
            given[name] = value
        return [state.first_scan, *given.values(), *state.values]

    def _kept(self, values: Iterable[Any]) -> tuple[Any, ...]:
        whole = tuple(values)
        return tuple(whole[place - self._base] for place in self._retained)

    def _outputs_of(self, slots: Slots) -> tuple[bool, ...]:
        return tuple(bool(slots[place]) for place in self._first)

    def _all_off(self) -> tuple[bool, ...]:
        return (False,) * len(self.names)

    def _start_pass(self, state: State) -> State:
        if self.program.start_pass == "none":
            return state
        values = list(state.values)
        for place in self._plain:
            values[place - self._base] = False
        saved = self._kept(values) if self.program.saved == "at once" else state.saved
        return replace(state, values=tuple(values), saved=saved)

    # ------------------------------------------------------------ rungs and conditions

    def _rung(self, rung: Rung) -> Run:
        match rung:
            case Coil():
                return blocks.coil(self._slot[rung.target], self._test(rung.when))
            case Set():
                return blocks.latch(self._slot[rung.target], self._test(rung.when), True)
            case Reset():
                return blocks.latch(self._slot[rung.target], self._test(rung.when), False)
            case Timer():
                return blocks.TIMERS[rung.kind](self._slot[rung.name], self._test(rung.when), rung.preset_ns)
            case Counter():
                reset = self._test(rung.reset if rung.reset is not None else ("const", False))
                return blocks.COUNTERS[rung.kind](self._slot[rung.name], self._test(rung.when), reset, rung.preset)
            case Edge():
                return blocks.edge(self._slot[rung.name], self._test(rung.when), rising=rung.kind == "rising")
            case Bistable():
                return blocks.BISTABLES[rung.kind](self._slot[rung.name], self._test(rung.set), self._test(rung.reset))
        raise ValueError(f"no rung of this kind is known: {rung!r}")

    def _test(self, condition: Expr) -> ConditionTest:
        """A condition as a function of the slots."""
        word, *parts = condition
        if word == "const":
            return blocks.constant(parts[0])
        if word == "name":
            return blocks.read(self._place(parts[0], whole=False))
        if word == "not":
            return blocks.negation(self._test(parts[0]))
        if word in blocks.LOGIC:
            return blocks.LOGIC[word](self._test(parts[0]), self._test(parts[1]))
        if word in blocks.COMPARE:
            return blocks.comparison(blocks.COMPARE[word], self._number(parts[0]), self._number(parts[1]))
        raise ValueError(f"no condition of this kind is known: {condition!r}")

    def _number(self, side: Any) -> ConditionTest:
        """One side of a comparison: a name (a counter is its count) or a constant."""
        if isinstance(side, tuple):
            word, what = side
            return blocks.read(self._place(what, whole=True)) if word == "name" else blocks.constant(what)
        if isinstance(side, str):
            return blocks.read(self._place(side, whole=True))
        return blocks.constant(side)

    def _place(self, name: str, *, whole: bool) -> int:
        if name == FIRST_SCAN:
            return 0
        if name in self._input_slot:
            return self._input_slot[name]
        return self._value_slot(name) if whole else self._slot[name]


def driven(rung: Rung) -> str:
    """The name that a rung writes."""
    return rung.target if isinstance(rung, Coil | Set | Reset) else rung.name


def held_names(program: Program, also: Iterable[str] = ()) -> Iterator[str]:
    """All that holds something and is no input, in the order in which it is first met, then what is in `also`."""
    met = [*program.memory]
    for rung in program.rungs:
        met.append(driven(rung))
        met += [name for condition in conditions_read(rung) for name in names_read(condition)]
    given = {FIRST_SCAN, *(one.name for one in program.inputs)}
    return (name for name in dict.fromkeys([*met, *also]) if name not in given)


def conditions_read(rung: Rung) -> tuple[Expr, ...]:
    """The conditions that a rung reads, in the order in which it reads them."""
    if isinstance(rung, Bistable):
        return (rung.set, rung.reset)
    if isinstance(rung, Counter) and rung.reset is not None:
        return (rung.when, rung.reset)
    return (rung.when,)


def names_read(part: Any) -> Iterator[str]:
    """Names that a condition, or a part of one, reads; one that stands twice comes twice."""
    if isinstance(part, str):
        yield part
    elif isinstance(part, tuple) and part[0] != "const":
        for inner in part[1:]:
            yield from names_read(inner)


def driven_how(rung: Rung) -> tuple[str, str]:
    """The name that a rung drives, and how."""
    if isinstance(rung, Coil):
        return rung.target, "a plain coil"
    if isinstance(rung, Set | Reset):
        return rung.target, "set and reset"
    kinds = {Timer: "a timer", Counter: "a counter", Edge: "an edge", Bistable: "a bistable"}
    return rung.name, kinds[type(rung)]
