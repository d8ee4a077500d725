"""What a controller can go through before it is cut, as one transition system over the bits of its state."""

from __future__ import annotations

from dataclasses import dataclass

from restart_bench.predict.circuit import FALSE, TRUE, Circuit
from restart_bench.predict.layout import VALUE, Layout, Slot
from restart_bench.predict.symbolic import Bits, Scanner
from restart_bench.scan import FIRST_SCAN

FIRST: Slot = (FIRST_SCAN, VALUE)
AFTER: Slot = ("after the cut", VALUE)
"""The bit that tells states before the cut from those after it."""

SUPPLY, MODE, COLD = "supply", "mode", "cold"


@dataclass(slots=True)
class System:
    """bits: a literal for each bit of a state; next: what it becomes; initial: the one state it begins with."""

    circuit: Circuit
    bits: Bits
    next: Bits
    initial: dict[Slot, bool]


@dataclass(slots=True)
class Move:
    """One step before the cut that matters, with what was chosen in it.

    inputs: what a scan reads; written: the state with what somebody outside wrote just before; cut, mode: the step
    is a loss of supply, a mode change; done: after which rungs the loss fell, as in `Scanner.saved`.
    """

    inputs: Bits
    written: Bits
    cut: int
    mode: int
    done: list[tuple[int, int]]
    after: Bits


def move(scanner: Scanner, state: Bits, *, halted: int = FALSE, goes: int = FALSE, restart: str = SUPPLY) -> Move:
    """Any scan, any loss of supply within it, any mode change, from a state with its bit `FIRST`.

    Where `halted` holds there are only scans, with commands at rest and nothing written from outside. `goes` demands
    a restart of the kind `restart`.
    """
    circuit = scanner.circuit
    memory = {slot: literal for slot, literal in state.items() if slot in scanner.layout.initial}
    written, inputs = scanner.written(memory), scanner.fresh_inputs()
    if halted != FALSE:
        written = {slot: circuit.choose(halted, memory[slot], literal) for slot, literal in written.items()}
        inputs |= _commands_at_rest(scanner, inputs, halted)
    scanned = scanner.scan(written, state[FIRST], inputs)
    cut, mode = _kinds(circuit, halted, goes, restart)
    kept, done = scanner.saved(memory, scanned)
    lost, left = scanner.restarted(kept), scanner.passed(written)
    after = {
        slot: circuit.choose(cut, lost[slot], circuit.choose(mode, left[slot], literal))
        for slot, literal in scanned.after.items()
    }
    after[FIRST] = circuit.or_(cut, mode)
    return Move(inputs, written, cut, mode, done, after)


def _kinds(circuit: Circuit, halted: int, goes: int, restart: str) -> tuple[int, int]:
    """Whether a step is a loss of supply, and whether it is a mode change; never both."""
    cut, mode = circuit.and_(-halted, circuit.fresh()), circuit.and_(-halted, circuit.fresh())
    if restart == SUPPLY:
        cut = circuit.or_(goes, cut)
        return cut, circuit.and_(mode, -cut)
    mode = circuit.or_(goes, mode)
    return circuit.and_(cut, -mode), mode


def _commands_at_rest(scanner: Scanner, inputs: Bits, when: int) -> Bits:
    rest = scanner.constant(scanner.layout.rest)
    slots = [slot for name in scanner.layout.commands() for slot in scanner.layout.input_slots[name]]
    return {slot: scanner.circuit.choose(when, rest[slot], inputs[slot]) for slot in slots}


def initial_state(scanner: Scanner) -> Bits:
    """A controller that has never run."""
    return scanner.restarted(None) | {FIRST: TRUE}


def _known(bits: Bits) -> dict[Slot, bool]:
    return {slot: literal == TRUE for slot, literal in bits.items()}


def before_the_cut(layout: Layout) -> System:
    """Every state that presses, sensors, writes from outside and earlier cuts of both kinds can bring about."""
    circuit = Circuit()
    scanner = Scanner(circuit, layout)
    bits = scanner.fresh_state() | {FIRST: circuit.fresh()}
    return System(circuit, bits, move(scanner, bits).after, _known(initial_state(scanner)))


def with_free_sensors(layout: Layout, restart: str) -> System:
    """The same, and then what sensors can do after the cut, while nobody works a command."""
    circuit = Circuit()
    scanner = Scanner(circuit, layout)
    bits = scanner.fresh_state() | {FIRST: circuit.fresh()}
    initial = _known(initial_state(scanner))
    if restart == COLD:
        inputs = scanner.fresh_inputs(layout.sensors())
        scanned = scanner.scan({slot: bits[slot] for slot in layout.slots}, bits[FIRST], inputs)
        return System(circuit, bits, scanned.after | {FIRST: FALSE}, initial)
    after = circuit.fresh()
    goes = circuit.and_(-after, circuit.fresh())
    moved = move(scanner, bits, halted=after, goes=goes, restart=restart)
    return System(
        circuit, bits | {AFTER: after}, moved.after | {AFTER: circuit.or_(after, goes)}, initial | {AFTER: False}
    )
