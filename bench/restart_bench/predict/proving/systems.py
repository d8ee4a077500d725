"""What a controller can go through before it is cut, as one transition system over the bits of its state."""

from __future__ import annotations

from dataclasses import dataclass

from restart_bench.plc.interpreter import FIRST_SCAN
from restart_bench.predict.proving.circuit import FALSE, TRUE, Circuit
from restart_bench.predict.proving.layout import VALUE, Layout, Slot
from restart_bench.predict.proving.symbolic import Bits, Scanner

FIRST: Slot = (FIRST_SCAN, VALUE)
AFTER: Slot = ("after the cut", VALUE)
"""The bit that tells states before the cut from those after it."""
ARMED: Slot = ("armed", VALUE)
DARK: Slot = ("pressed while dark", VALUE)

SUPPLY, MODE, COLD = "supply", "mode", "cold"


def pressed_slot(name: str) -> Slot:
    """The bit that says whether a command is pressed after the cut."""
    return name, "pressed"


@dataclass(slots=True)
class System:
    """bits: a literal for each bit of a state; next: what it becomes; initial: the state it begins with, where bits
    that are not named may be either."""

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


def move(
    scanner: Scanner,
    state: Bits,
    *,
    halted: int = FALSE,
    later: Bits | None = None,
    goes: int = FALSE,
    kind: str = SUPPLY,
) -> Move:
    """Any scan, any loss of supply within it, any mode change, from a state with its bit `FIRST`.

    Where `halted` holds there are only scans, with the inputs `later` and nothing written from outside. `goes` demands
    a restart of some kind.
    """
    circuit = scanner.circuit
    memory = {slot: literal for slot, literal in state.items() if slot in scanner.layout.initial}
    written, inputs = scanner.written(memory), scanner.fresh_inputs()
    if later is not None:
        written = {slot: circuit.choose(halted, memory[slot], literal) for slot, literal in written.items()}
        inputs = {slot: circuit.choose(halted, later[slot], literal) for slot, literal in inputs.items()}
    scanned = scanner.scan(written, state[FIRST], inputs)
    cut, mode = _kinds(circuit, halted, goes, kind)
    kept, done = scanner.saved(memory, scanned)
    lost, left = scanner.restarted(kept), scanner.passed(written)
    after = {
        slot: circuit.choose(cut, lost[slot], circuit.choose(mode, left[slot], literal))
        for slot, literal in scanned.after.items()
    }
    after[FIRST] = circuit.or_(cut, mode)
    return Move(inputs, written, cut, mode, done, after)


def _kinds(circuit: Circuit, halted: int, goes: int, kind: str) -> tuple[int, int]:
    """Whether a step is a loss of supply, and whether it is a mode change; never both."""
    cut, mode = circuit.and_(-halted, circuit.fresh()), circuit.and_(-halted, circuit.fresh())
    if kind == SUPPLY:
        cut = circuit.or_(goes, cut)
        return cut, circuit.and_(mode, -cut)
    mode = circuit.or_(goes, mode)
    return circuit.and_(cut, -mode), mode


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


def around_the_cut(layout: Layout, restart: str, *, sensors: bool, commands: tuple[str, ...]) -> System:
    """The same, then one cut, and then nothing but scans: with `sensors` free, or some of the `commands` pressed.

    Which commands are pressed (`pressed_slot`), and whether they were at rest before the cut (`DARK`), are bits that
    never change and may begin as they like. The last scan before the cut was a whole one, and it and the one in which
    the supply is lost saw these commands so (`ARMED`).
    """
    circuit = Circuit()
    scanner = Scanner(circuit, layout)
    bits = scanner.fresh_state() | {FIRST: circuit.fresh()}
    initial = _known(initial_state(scanner))
    lasting = {pressed_slot(name): circuit.fresh() for name in commands}
    later = _inputs_later(scanner, lasting, sensors)
    if commands:
        lasting |= {DARK: circuit.fresh()}
    if restart == COLD:
        scanned = scanner.scan({slot: bits[slot] for slot in layout.slots}, bits[FIRST], later)
        return System(circuit, bits | lasting, scanned.after | {FIRST: FALSE} | lasting, initial)
    after, wish = circuit.fresh(), circuit.fresh()
    goes = circuit.and_(-after, wish)
    if commands:
        armed = circuit.fresh()
        goes = circuit.and_(goes, armed)
    moved = move(scanner, bits, halted=after, later=later, goes=goes, kind=restart)
    then = moved.after | {AFTER: circuit.or_(after, goes)} | lasting
    bits |= {AFTER: after} | lasting
    initial |= {AFTER: False}
    if commands:
        fits = _as_asked(scanner, moved.inputs, lasting)
        if restart == SUPPLY:
            then[AFTER] = circuit.or_(after, circuit.and_(goes, fits))
        then[ARMED] = circuit.every([fits, -moved.cut, -moved.mode])
        bits, initial = bits | {ARMED: armed}, initial | {ARMED: False}
    return System(circuit, bits, then, initial)


def _inputs_later(scanner: Scanner, lasting: Bits, sensors: bool) -> Bits:
    """Inputs after the cut."""
    layout = scanner.layout
    inputs = scanner.fresh_inputs(layout.sensors() if sensors else ())
    for (name, _), pressed in lasting.items():
        inputs[name, VALUE] = -pressed if layout.rest[name, VALUE] else pressed
    return inputs


def _as_asked(scanner: Scanner, inputs: Bits, lasting: Bits) -> int:
    """True where the commands that are pressed later are pressed already, or, if `DARK`, still at rest."""
    rest, circuit = scanner.layout.rest, scanner.circuit
    fitting = []
    for slot, pressed in lasting.items():
        if slot != DARK:
            bit = (slot[0], VALUE)
            away = -inputs[bit] if rest[bit] else inputs[bit]
            fitting.append(circuit.or_(-pressed, circuit.xor(away, lasting[DARK])))
    return circuit.every(fitting)
