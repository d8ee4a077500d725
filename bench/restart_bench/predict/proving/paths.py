"""Paths of a model, made short and turned into traces that a person can play."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from restart_bench.plc.blocks import SlotValue
from restart_bench.predict.proving.circuit import FALSE, TRUE
from restart_bench.predict.proving.layout import VALUE, Layout, Slot
from restart_bench.predict.proving.parts import MODE, SENSORS
from restart_bench.predict.proving.symbolic import Bits
from restart_bench.predict.questions import Questions, true_in
from restart_bench.predict.traces import Cut, Held, Hold, Trace


@dataclass(frozen=True, slots=True)
class ModelPath:
    """One scan or cut for each step, as a model has it."""

    steps: tuple[Hold | Cut, ...]
    cut: Cut
    after: tuple[Held, ...]


def simplest(questions: Questions, model: list[int], assumed: Sequence[int], steps: int) -> list[int]:
    """A model of the same with as little done as a greedy search finds: inputs at rest, no cut but the last, and that
    one between two scans."""
    costs = list(dict.fromkeys(_costs(questions, steps)))
    granted: set[int] = set()
    needed: set[int] = set()  # alone in a core, so that nothing goes without it
    while True:
        found = questions.ask([*assumed, *(-cost for cost in costs if cost not in granted)])
        if found is not None:
            model = found
            break
        core = questions.core()
        wanted = [cost for cost in costs if cost not in granted and -cost in core]
        if not wanted:
            model = questions.ask(assumed) or model
            break
        granted.add(wanted[-1])
        needed |= set(wanted) if len(wanted) == 1 else set()
    spent = [cost for cost in costs if true_in(model, cost)]
    for cost in spent if len(spent) > 1 else ():
        if true_in(model, cost) and cost not in needed:
            spared = [-other for other in costs if not true_in(model, other)]
            model = questions.ask([*assumed, *spared, -cost]) or model
    return model


def _costs(questions: Questions, steps: int) -> Iterator[int]:
    """Literals that are better false, the worst first."""
    frames = questions.frames[:steps]
    ahead = questions.ahead
    yield from (literal for _, literal in reversed(ahead.done))
    for frame in frames:
        yield from (literal for literal in (frame.cut, frame.mode) if literal not in (TRUE, FALSE))
        yield from (literal for _, literal in reversed(frame.done))
    layout = questions.part.layout
    for bits in (*(frame.inputs for frame in frames), ahead.whole, ahead.inputs, *questions.after_inputs):
        if bits is not None:
            yield from _away(layout, bits)
    yield from questions.pressed.values()
    previous = questions.states_within(steps)
    for before, frame in zip(previous, frames, strict=False):
        yield from _written(questions, before, frame.written)


def _away(layout: Layout, bits: Bits) -> Iterator[int]:
    for slot, rest in layout.rest.items():
        literal = -bits[slot] if rest else bits[slot]
        if literal not in (TRUE, FALSE):
            yield literal


def _written(questions: Questions, before: Bits, written: Bits) -> Iterator[int]:
    for slot in questions.part.layout.outside:
        literal = questions.circuit.xor(before[slot], written[slot])
        if literal not in (TRUE, FALSE):
            yield literal


# ---------------------------------------------------------------- reading a model


def path_in(questions: Questions, model: list[int], steps: int) -> ModelPath:
    """The path that a model shows, from the first power-up on."""
    told: list[Hold | Cut] = []
    states = questions.states_within(steps)
    for before, frame in zip(states, questions.frames[:steps], strict=False):
        inputs = _held(questions, model, frame.inputs)
        writes = _writes(questions, model, before, frame.written)
        if true_in(model, frame.cut) or true_in(model, frame.mode):
            rungs = _rungs(questions, model, frame.done)
            kind = MODE if true_in(model, frame.mode) else "supply"
            told.append(Cut(kind, rungs=rungs, inputs=inputs, writes=writes))
        else:
            told.append(Hold(inputs, writes))
    ahead, state = questions.ahead, questions.origin
    if ahead.whole is not None:
        whole = _held(questions, model, ahead.whole)
        told.append(Hold(whole, _writes(questions, model, state, ahead.whole_written)))
        state = ahead.whole_written
    writes = _writes(questions, model, state, ahead.written) if ahead.written else ()
    inputs = _held(questions, model, ahead.inputs) if ahead.inputs is not None else ()
    rungs = _rungs(questions, model, ahead.done)
    cut = Cut(questions.restart, questions.start, rungs, inputs if rungs else (), writes)
    return ModelPath(tuple(told), cut, _after(questions, model))


def _after(questions: Questions, model: list[int]) -> tuple[Held, ...]:
    """Inputs after the cut, those that stand still for good last."""
    bits = questions.after_inputs
    moving = len(bits) if questions.inputs != SENSORS else questions.free_scans
    held = [_held(questions, model, one) for one in bits[: max(1, moving)]]
    if questions.inputs != SENSORS:
        return (held[0],)
    while len(held) > 1 and held[-1] == held[-2]:
        held.pop()
    return tuple(held)


def _rungs(questions: Questions, model: list[int], done: list[tuple[int, int]]) -> int:
    """How many rungs of the whole program were done."""
    last = max((place for place, literal in done if true_in(model, literal)), default=-1)
    return questions.part.numbers[last] + 1 if last >= 0 else 0


def _held(questions: Questions, model: list[int], bits: Bits) -> Held:
    layout = questions.part.layout
    held: list[tuple[str, SlotValue]] = []
    for name, slots in layout.input_slots.items():
        bools = {slot: true_in(model, bits[slot]) for slot in slots}
        if any(bools[slot] != layout.rest[slot] for slot in slots):
            held.append((name, _value(layout, name, bools)))
    return tuple(held)


def _writes(questions: Questions, model: list[int], before: Bits, written: Bits) -> Held:
    layout = questions.part.layout
    names = dict.fromkeys(slot[0] for slot in layout.slots if slot in layout.outside)
    writes: list[tuple[str, SlotValue]] = []
    for name in names:
        slots = [slot for slot in layout.slots if slot[0] == name]
        now = {slot: true_in(model, written[slot]) for slot in slots}
        if any(now[slot] != true_in(model, before[slot]) for slot in slots):
            writes.append((name, _value(layout, name, now)))
    return tuple(writes)


def _value(layout: Layout, name: str, bits: dict[Slot, bool]) -> SlotValue:
    """A value that has these bits."""
    if (name, VALUE) in bits:
        return bits[name, VALUE]
    keys = layout.thresholds[name]
    reached = [key for key in keys if bits[name, key]]
    missed = [key for key in keys if not bits[name, key]]
    if not reached:
        return missed[0] // 2 - 1 + missed[0] % 2
    if reached[-1] % 2 == 0:
        return reached[-1] // 2
    return reached[-1] // 2 + (0.5 if missed else 1)


# ---------------------------------------------------------------- what a person can do


def by_hand(path: ModelPath, *, held: bool) -> Iterator[tuple[Hold | Cut, ...]]:
    """Steps before the cut as a person would do them, the plainest first: they begin at rest, and end there if they
    can. `held`: what is pressed at the end stays pressed through the cut."""
    joined = _joined((Hold(), *path.steps))
    if not held and joined[-1] != Hold():
        yield (*joined, Hold())
    yield joined
    if not path.steps or path.steps[0] != Hold():
        yield _joined(path.steps)


def to_the_scan(path: ModelPath) -> Trace:
    """The path as it is, each press as short as one scan: exact, but for nobody's hand."""
    steps: list[Hold | Cut] = []
    for step in path.steps:
        last = steps[-1] if steps else None
        if isinstance(step, Hold) and isinstance(last, Hold) and last.inputs == step.inputs and not step.writes:
            steps[-1] = replace(last, scans=last.scans + 1)
        else:
            steps.append(replace(step, scans=1) if isinstance(step, Hold) else step)
    return Trace(tuple(steps), path.cut, path.after)


def _joined(steps: Sequence[Hold | Cut]) -> tuple[Hold | Cut, ...]:
    """Equal inputs in a row are one hold."""
    joined: list[Hold | Cut] = []
    for step in steps:
        last = joined[-1] if joined else None
        if isinstance(step, Hold) and isinstance(last, Hold) and last.inputs == step.inputs and not step.writes:
            continue
        joined.append(step)
    return tuple(joined)
