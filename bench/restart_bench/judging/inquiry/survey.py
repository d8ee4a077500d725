"""What a survey saw, in words: for every output and kind of cut, what it does, how often that was seen, what can hide.

A class says what was seen, never why: `explanation` says what behaves like that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from restart_bench.evidence.evidence import Evidence
from restart_bench.evidence.traces import Reads, longest_gap_ns
from restart_bench.model.clock import Bounds
from restart_bench.model.rig import Point, Rig, always_moving
from restart_bench.model.scenario import MARKS
from restart_bench.model.wording import COMES_BACK, COMES_ON, STAYS_OFF, bounds_text, counted

Class = Literal["stays off", "comes back", "comes on", "pulses", "by start", "unsteady", "not seen"]
How = Literal["supply", "mode"]
Span = tuple[int, int]

MEANING: dict[Class, str] = {
    STAYS_OFF: "off after the restart, also where it was on before",
    COMES_BACK: "on again where it was on before",
    COMES_ON: "on after the restart, also where it was off before",
    "pulses": "on for a while after the restart, and then as it was seen to settle",
    "by start": "the same each time that it was cut from one state, but not from all of them",
    "unsteady": "not the same each time, or still moving in the last third of the watch",
    "not seen": "blind, or never on before a cut: nothing is shown",
}
_TRIED = 2
"""So often at least a state was cut from that is said to lead to one and the same."""
_AFTER_THE_PROGRAM_NS = 300_000_000
"""So much later than `ready` an output that comes back waits for something: a scan or two are no delay."""


@dataclass(frozen=True, slots=True)
class PulseSeen:
    """On for a while: begin counted from the restored supply, and length, both with bounds."""

    begun_ns: Span
    lasted_ns: Span


@dataclass(frozen=True, slots=True)
class OutputCycle:
    """One output over one cut. `settled` is None where it moved in the last third of the time watched; `blind` where
    it was not read before the cut or at the end. `excluded_ns`: a pulse of this length or longer would have been
    seen. `pulses` lasted beyond the return, or began after it."""

    before: bool | None
    settled: bool | None
    pulses: tuple[PulseSeen, ...] = ()
    delay_ns: Span | None = None
    excluded_ns: int = 0
    blind: bool = False
    start: str = ""  # the state that was cut from, in words
    never_off: bool = False  # it read on from before the cut to the end, and in between
    meanwhile: bool = False  # it went on for a while that was over before the return


@dataclass(frozen=True, slots=True)
class CutKind:
    """Which kind of cut: of supply or mode, and for how long."""

    restart: How
    off_for_ns: int
    dip: bool = False


@dataclass(frozen=True, slots=True)
class SurveyRow:
    """One output over all cycles of one kind of cut."""

    point: str
    shown: str
    kind: CutKind
    behaviour: Class
    cycles: int
    from_on: int
    from_off: int
    blind: int
    pulses: tuple[PulseSeen, ...]
    delay_ns: Span | None
    excluded_ns: int
    notes: tuple[str, ...]
    never_off: int = 0  # cycles


@dataclass(frozen=True, slots=True)
class ValueRow:
    """One register over all cycles of one kind of cut: in how many it was afterwards as before."""

    point: str
    shown: str
    kind: CutKind
    cycles: int
    kept: int
    seen: tuple[tuple[float, float], ...]  # before and after, each pair once
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Watched:
    """One valid cycle of a survey as it is tabulated."""

    scenario: str
    kind: CutKind
    outputs: Mapping[str, OutputCycle]
    values: Mapping[str, tuple[float, float] | None] = field(default_factory=dict)
    marks: Mapping[str, Span] = field(default_factory=dict)  # counted from the restored supply


# ---------------------------------------------------------------- one cycle


def watched(evidence: Evidence, kind: CutKind, start: str = "") -> Watched | None:
    """A cycle as it is tabulated; None where nothing was cut or nothing came back. `start`: the state that was cut
    from, in words."""
    cut, restored = evidence.cut, evidence.restored
    if cut is None or restored is None:
        return None
    rig = evidence.rig
    end = min(evidence.watch_end_ns, evidence.end_ns)
    outputs = {}
    for point in rig.outputs():
        reads, back_ns = evidence.reads(rig.judged_point(point.name)), restored.not_after_ns
        if kind.restart == "mode" and rig.tells_memory(point.name):  # until it is ready: the output may be off
            ready = evidence.marks.get("ready")
            back_ns = end if ready is None else ready.not_after_ns
        outputs[point.name] = replace(output_cycle(reads, cut, restored, end, back_ns=back_ns), start=start)
    values = {point.name: _kept(evidence, point.name, end) for point in surveyed_values(rig)}
    marks = {
        name: _since(restored, (bounds.not_before_ns, bounds.not_after_ns))
        for name, bounds in evidence.marks.items()
        if name in _TIMED
    }
    return Watched(evidence.scenario.name, kind, outputs, values, marks)


_TIMED = MARKS[MARKS.index("restored") + 1 : MARKS.index("settled")]


def surveyed_values(rig: Rig) -> tuple[Point, ...]:
    """Registers of the controller whose value can be retained: not what counts by itself or says who it is."""
    roles = {*always_moving(rig), *rig.program, *(name for name, _ in (*rig.identify, *rig.ready.when))}
    return tuple(
        point
        for point in rig.points.values()
        if not point.is_boolean and point.name not in roles and not rig.is_independent(point.name)
    )


def _kept(evidence: Evidence, name: str, end_ns: int) -> tuple[float, float] | None:
    assert evidence.restored is not None
    before = evidence.before(name)
    after = evidence.reads(name).inside(evidence.restored.not_after_ns, end_ns)
    return (before, float(after.value[-1])) if before is not None and len(after) else None


def output_cycle(reads: Reads, cut: Bounds, restored: Bounds, end_ns: int, *, back_ns: int) -> OutputCycle:
    """What one output did over one cut, from its reads that count. back_ns: from then on what reads on is on."""
    before = reads.value_until(cut.not_before_ns)
    after = reads.inside(cut.not_before_ns, end_ns)
    late = after.inside(end_ns - (end_ns - restored.not_after_ns) // 3, end_ns)
    excluded = longest_gap_ns(reads, cut.not_before_ns, end_ns)
    known = None if before is None else bool(before)
    if known is None or len(late) == 0:
        return OutputCycle(known, None, excluded_ns=excluded, blind=True)
    steady = bool((late.value == late.value[0]).all())
    rows = _rows(reads, after)
    first, last = rows[0], rows[-1]
    over = [row for row in rows[1:-1] if row.on and row.end_ns[1] <= restored.not_before_ns]
    pulses = [
        PulseSeen(_since(restored, row.begun_ns), row.lasted_ns) for row in rows[1:-1] if row.on and row not in over
    ]
    if len(rows) > 1 and (still := _still_on(first, after, restored, back_ns)) is not None:
        pulses.insert(0, still)
    delay = _since(restored, last.begun_ns) if len(rows) > 1 and last.on else None
    never_off = len(rows) == 1 and last.on and len(after.inside(cut.not_after_ns, restored.not_before_ns)) > 0
    return OutputCycle(
        known, last.on if steady else None, tuple(pulses), delay, excluded, never_off=never_off, meanwhile=bool(over)
    )


def _still_on(row: _Row, after: Reads, restored: Bounds, back_ns: int) -> PulseSeen | None:
    """What read on before the cut, and on with power surely back, before it went off: on through it, or on again."""
    back = after.inside(back_ns, row.end_ns[0])
    if not row.on or len(back) == 0:
        return None
    begun = restored.not_before_ns, int(back.late[0])
    lasted = max(0, row.end_ns[0] - begun[1]), row.end_ns[1] - begun[0]
    return PulseSeen(_since(restored, begun), lasted)


@dataclass(frozen=True, slots=True)
class _Row:
    """Neighbouring reads of one value. The first of all begins before the cut."""

    on: bool
    begun_ns: Span
    end_ns: Span
    lasted_ns: Span


def _rows(reads: Reads, after: Reads) -> list[_Row]:
    """The rows of equal reads, the last read before the cut included."""
    low = int(np.searchsorted(reads.early, after.early[0], side="left")) - 1
    part = reads.part(max(0, low), max(0, low) + len(after) + (low >= 0))
    edges = [0, *(np.flatnonzero(part.value[1:] != part.value[:-1]) + 1).tolist(), len(part)]
    rows = []
    for first, end in pairwise(edges):
        begun = (int(part.early[max(0, first - 1)]), int(part.late[first]))
        over = int(part.early[end - 1]), int(part.late[min(end, len(part) - 1)])
        lasted = max(0, over[0] - int(part.late[first])), over[1] - begun[0]
        rows.append(_Row(bool(part.value[first]), begun, over, lasted))
    return rows


def _since(restored: Bounds, instant: Span) -> Span:
    """Counted from the return. What surely lies before it keeps its sign; a bound that merely may does not."""
    low, high = Bounds(*instant).since(restored)
    return (max(0, low) if high >= 0 else low), high


# ---------------------------------------------------------------- over all cycles


def behaviour(cycles: Sequence[OutputCycle]) -> tuple[Class, tuple[str, ...]]:
    """The class of an output over its cycles, and what is worth knowing beside it."""
    seen = [one for one in cycles if not one.blind]
    if not seen:
        return "not seen", ("it was not read before the cut, or not at the end of the watch",)
    ends = {state: {one.settled for one in seen if one.before is state} for state in (True, False)}
    moving = sum(one.settled is None for one in seen)
    if moving:
        told = f"moved in the last third of the watch in {counted(moving, 'cycle')} of {len(seen)}: watch for longer"
        return "unsteady", (told,)
    if any(len(states) > 1 for states in ends.values()):
        by_start = _by_start(seen)
        return ("by start", by_start) if by_start else ("unsteady", _mixed(seen))
    pulsing = sum(bool(one.pulses) for one in seen)
    if pulsing:
        return "pulses", (f"in {counted(pulsing, 'cycle')} of {len(seen)}; then {_settled_word(ends)}",)
    word, notes = _steady(ends)
    return word, (*notes, *_beside(seen))


def _beside(seen: Sequence[OutputCycle]) -> Iterator[str]:
    """What the class of an output that does not pulse leaves open."""
    for told, many in (
        ("never read off: it may have stayed on all through", sum(one.never_off for one in seen)),
        ("on for a while between the cut and the return", sum(one.meanwhile for one in seen)),
    ):
        if many:
            yield f"{told}, in {counted(many, 'cycle')} of {len(seen)}"


def _by_start(seen: Sequence[OutputCycle]) -> tuple[str, ...]:
    """What it is after each state that was cut from; nothing where one of them shows both, or was tried only once."""
    ends: dict[str, list[bool | None]] = {}
    for one in seen:
        ends.setdefault(one.start, []).append(one.settled)
    if any(len(mine) < _TRIED or len(set(mine)) > 1 for mine in ends.values()):
        return ()
    words = {state: [start for start, mine in ends.items() if mine[0] is state] for state in (True, False)}
    told = [
        f"{_word(state)} in each cycle cut from: {' or '.join(starts)}" for state, starts in words.items() if starts
    ]
    return ("; ".join(told),)


def _mixed(seen: Sequence[OutputCycle]) -> tuple[str, ...]:
    return tuple(
        f"was {_word(state)}: on in {sum(bool(one.settled) for one in mine)} of {counted(len(mine), 'cycle')}"
        for state in (True, False)
        if (mine := [one for one in seen if one.before is state])
    )


NEVER_ON = (
    "never on before a cut: what was never on can't come back on; a survey lets go of what it presses, so what is on "
    "only while something is held needs a scenario with `hold:`"
)


def _steady(ends: Mapping[bool, set[bool | None]]) -> tuple[Class, tuple[str, ...]]:
    """Without pulses, and alike each time."""
    from_on, from_off = next(iter(ends[True]), None), next(iter(ends[False]), None)
    if from_on is None:
        if from_off:
            return COMES_ON, ("never on before a cut, so only seen from off",)
        return "not seen", (NEVER_ON,)
    if from_off is None:
        if not from_on:
            return STAYS_OFF, ("never off before a cut",)
        return COMES_BACK, ("never off before a cut, so it may come on whatever was before",)
    if from_on is from_off:
        return (COMES_ON if from_on else STAYS_OFF), ()
    if from_on:
        return COMES_BACK, ()
    return "unsteady", ("the other way round: off where it was on, on where it was off",)


def _settled_word(ends: Mapping[bool, set[bool | None]]) -> str:
    ended = [f"{_word(bool(*ends[state]))} where it was {_word(state)}" for state in (True, False) if ends[state]]
    return ", ".join(ended)


def _word(state: bool) -> str:
    return "on" if state else "off"


def survey_rows(rig: Rig, cycles: Sequence[Watched]) -> tuple[SurveyRow, ...]:
    """A row for each output and kind of cut."""
    return tuple(
        _row(point, kind, [one.outputs[point.name] for one in cycles if one.kind == kind])
        for point in rig.outputs()
        for kind in kinds_of(cycles)
    )


def kinds_of(cycles: Iterable[Watched]) -> tuple[CutKind, ...]:
    """The kinds of cuts there were, in their order."""
    return tuple(dict.fromkeys(one.kind for one in cycles))


def _row(point: Point, kind: CutKind, cycles: Sequence[OutputCycle]) -> SurveyRow:
    word, notes = behaviour(cycles)
    seen = [one for one in cycles if not one.blind]
    delays = [one.delay_ns for one in seen if one.delay_ns is not None]
    return SurveyRow(
        point=point.name,
        shown=point.shown,
        kind=kind,
        behaviour=word,
        cycles=len(cycles),
        from_on=sum(one.before is True for one in seen),
        from_off=sum(one.before is False for one in seen),
        blind=len(cycles) - len(seen),
        pulses=tuple(pulse for one in seen for pulse in one.pulses),
        delay_ns=(min(low for low, _ in delays), max(high for _, high in delays)) if delays else None,
        excluded_ns=max((one.excluded_ns for one in seen), default=0),
        notes=notes,
        never_off=sum(one.never_off for one in seen),
    )


def value_rows(rig: Rig, cycles: Sequence[Watched]) -> tuple[ValueRow, ...]:
    """A row for each register and kind of cut."""
    return tuple(
        _value_row(point, kind, [one.values[point.name] for one in cycles if one.kind == kind])
        for point in surveyed_values(rig)
        for kind in kinds_of(cycles)
    )


def _value_row(point: Point, kind: CutKind, pairs: Sequence[tuple[float, float] | None]) -> ValueRow:
    seen = [pair for pair in pairs if pair is not None]
    notes = () if len(seen) == len(pairs) else (f"not read in {counted(len(pairs) - len(seen), 'cycle')}",)
    if len({value for pair in seen for value in pair}) == 1:
        notes = (*notes, "it had this one value all the time, so nothing shows whether another is kept")
    kept = sum(before == after for before, after in seen)
    return ValueRow(point.name, point.shown, kind, len(seen), kept, tuple(dict.fromkeys(seen)), notes)


def mark_rows(cycles: Sequence[Watched]) -> dict[CutKind, dict[str, Span]]:
    """Shortest and longest time to each mark, by kind of cut."""
    rows: dict[CutKind, dict[str, Span]] = {}
    for cycle in cycles:
        mine = rows.setdefault(cycle.kind, {})
        for name, (low, high) in cycle.marks.items():
            known = mine.get(name, (low, high))
            mine[name] = (min(low, known[0]), max(high, known[1]))
    return rows


# ---------------------------------------------------------------- what behaves like that


def explanation(rows: Sequence[SurveyRow], ready_ns: Span | None) -> str:
    """What is known to behave as one output did over its kinds of cut; "" where nothing is to be said. No cause: many
    a program does the same."""
    by_cut = {row.kind.restart: row for row in rows if not row.kind.dip}
    supply, mode = (by_cut[how].behaviour if how in by_cut else None for how in ("supply", "mode"))
    like = _LIKE.get((supply, mode)) or _LIKE.get((supply or mode, None), "")
    row = by_cut.get("supply")
    if row is not None and row.never_off:
        return ""  # nothing came back that was not gone
    if like and row is not None and row.delay_ns is not None and ready_ns is not None:
        late = row.delay_ns[0] - ready_ns[1]
        if late > _AFTER_THE_PROGRAM_NS:
            like += f", behind a timer or a sequence ({bounds_text(row.delay_ns)} after power returned)"
    return like


_HELD = "as a coil that its own contact holds, or a set/reset pair that is not retained or that the first scan resets"
_PAIR = "as a retained set/reset pair (or a retained coil, where no pass clears coils before the first scan)"
_LIKE: dict[tuple[Class | None, Class | None], str] = {
    (STAYS_OFF, None): _HELD,
    (STAYS_OFF, STAYS_OFF): "as a coil that its own contact holds, or a set/reset pair that the first scan resets",
    (STAYS_OFF, COMES_BACK): "as a set/reset pair that is not retained: a change of mode leaves memory as it is",
    (COMES_BACK, None): _PAIR,
    (COMES_BACK, COMES_BACK): _PAIR,
    (COMES_BACK, STAYS_OFF): "as retained memory that leaving run mode resets",
    (COMES_ON, None): "as an output that an input, a timer or the first scan drives, whatever was before",
    ("pulses", None): "as an output that is written before a later rung resets its memory, or the pulse of an edge",
    ("by start", None): "as an output that follows what else comes back, or memory that the presses before leave",
    ("unsteady", None): "as an output that depends on the moment of the cut, on a sensor, or on a loose contact",
}
