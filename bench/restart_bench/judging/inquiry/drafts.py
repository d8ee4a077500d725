"""The scenario files of a survey, as text: what it plays itself, and the drafts that pin down what was seen."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from restart_bench.judging.inquiry.presses import Presses, Start, States
from restart_bench.judging.inquiry.survey import CutKind, OutputCycle, ValueRow, Watched
from restart_bench.model.rig import Point, Rig
from restart_bench.model.units import show_duration
from restart_bench.model.wording import bounds_text, counted, listed, without_controls

_MS, _S = 1_000_000, 1_000_000_000
MODE_OFF_NS = _S
"""How long run mode is left: no supply limits it, and a scan or two are enough for any program."""
_STEADY = "300 ms"
_LONGEST_NAME = 32
PRESSES = "survey-presses"
NOT_WANTED = "Seen is not the same as wanted: nobody has said yet that it should be so."
TO_FILL_IN = "TO FILL IN: what is wanted, and why."


@dataclass(frozen=True, slots=True)
class SurveyScenario:
    """One scenario of a survey: its name, its text, which start and which kind of cut it plays."""

    name: str
    text: str
    start: Start
    kind: CutKind


@dataclass(frozen=True, slots=True)
class Draft:
    """A scenario file to begin with."""

    name: str
    text: str


def presses_text(rig: Rig, order: Presses, wait_ns: int, kind: CutKind) -> str:
    """Every press of the order, each with its time. To be rehearsed: the cut that a scenario must have is not made."""
    lines = [line for point in order for line in (f"  - press: {point}", f"  - wait: {show_duration(wait_ns)}")]
    return _head(PRESSES, "Which press brings which output on and off?") + "\n".join(
        ["before:", *lines, _cut(kind), *_whatever(rig), ""]
    )


def kinds_for(rig: Rig, *, mode: bool) -> tuple[CutKind, ...]:
    """The cuts of a survey: a long loss, a change of mode, and last a dip, which the supply may not manage."""
    kinds = []
    if rig.supply is not None:
        opening = rig.supply.opening_ns + rig.supply.bounce_ns
        kinds.append(CutKind("supply", max(rig.supply.limits.off_at_least_ns, opening + 100 * _MS)))
    if mode:
        kinds.append(CutKind("mode", MODE_OFF_NS))
    dips = rig.supply.limits.dips_up_to_ns if rig.supply is not None else None
    if rig.supply is not None and dips is not None and dips > rig.supply.opening_ns + rig.supply.bounce_ns:
        kinds.append(CutKind("supply", dips, dip=True))
    return tuple(kinds)


def played(rig: Rig, starts: Sequence[Start], kinds: Iterable[CutKind]) -> tuple[SurveyScenario, ...]:
    """A scenario for every kind of cut and every state to cut from."""
    return tuple(_played(rig, number, start, starts, kind) for kind in kinds for number, start in enumerate(starts, 1))


def _played(rig: Rig, number: int, start: Start, starts: Sequence[Start], kind: CutKind) -> SurveyScenario:
    name = f"survey-{_kind_word(kind)}-{number}"
    restart = ["  restart: either"] if kind.restart == "supply" else []
    lines = [*_before(start, starts), _cut(kind, ", at: random 0 s..50 ms"), *_whatever(rig), *restart, ""]
    head = _head(name, f"What does every output do from here, after {_cut_words(kind)}?")
    return SurveyScenario(name, head + "\n".join(lines), start, kind)


def _whatever(rig: Rig) -> list[str]:
    """Nothing is demanded of an output but that it can be read to the end."""
    read = ", ".join(f"{point.name}: {{one_of: [off, on]}}" for point in rig.outputs())
    return ["after:", f"  expect: {{{read}}}"]


def _head(name: str, purpose: str) -> str:
    return f"scenario: {name}\npurpose: {json.dumps(purpose, ensure_ascii=False)}\n"


def _kind_word(kind: CutKind) -> str:
    return "dip" if kind.dip else "power" if kind.restart == "supply" else "mode"


def _cut_words(kind: CutKind) -> str:
    """`power was off for 2 s`."""
    what = "power was off" if kind.restart == "supply" else "run mode was left"
    return f"{what} for {show_duration(kind.off_for_ns)}"


def _cut(kind: CutKind, more: str = "") -> str:
    return f"cut: {{how: {kind.restart}, off_for: {show_duration(kind.off_for_ns)}{more}}}"


def _before(start: Start, starts: Sequence[Start]) -> list[str]:
    """The steps before the cut. What is to be off is brought on first: off on a dead wire would show nothing."""
    lines: list[str] = []
    wanted_off = {name for name, state in start.states.items() if not state}
    for other in starts:
        lit = {name: state for name, state in other.states.items() if state and name in wanted_off}
        if lit:
            lines += [*_pressed(other.presses), *_expected(lit)]
            wanted_off -= lit.keys()
    lines += [*_pressed(start.presses), *_expected(start.states)]
    return ["before:", *lines] if lines else []


def _pressed(presses: Presses) -> list[str]:
    return [f"  - press: {point}" for point in presses]


def _expected(states: States) -> list[str]:
    conditions = ", ".join(f"{name}: {'on' if state else 'off'}" for name, state in states.items())
    return [f"  - expect: {{{conditions}}}", f"    steady: {_STEADY}"] if conditions else []


# ---------------------------------------------------------------- drafts


def draft_of(
    rig: Rig,
    scenario: SurveyScenario,
    starts: Sequence[Start],
    cycles: Sequence[Watched],
    values: Sequence[ValueRow],
    source: str,
) -> Draft | None:
    """A scenario that demands what was seen from this state; None where nothing can be pinned down."""
    mine = [cycle for cycle in cycles if cycle.scenario == scenario.name]
    if not mine:
        return None
    lit = {name for cycle in cycles for name, output in cycle.outputs.items() if _was_on(output)}
    pinned = [
        _pinned(rig, rig.points[name], [cycle.outputs[name] for cycle in mine])
        if name in lit
        else f"    # {name}: never seen on, so off would show nothing"
        for name in scenario.start.states
    ]
    kept = [row for row in values if row.kind == scenario.kind and row.cycles and row.cycles == row.kept]
    pinned += [f"    {row.point}: {{is: as before}}   # {without_controls(row.shown)}" for row in kept]
    if all(line.lstrip().startswith("#") for line in pinned):
        return None
    name = _draft_name(scenario)
    lines = [
        *_before(scenario.start, starts),
        _cut(scenario.kind),
        "after:",
        *(["  restart: either   # a dip may be ridden through"] if scenario.kind.dip else []),
        "  expect:",
        *pinned,
        *_checked(scenario.start),
        "",
    ]
    return Draft(f"{name}.yaml", _draft_head(name, scenario, len(mine), source) + "\n".join(lines))


def _draft_name(scenario: SurveyScenario) -> str:
    """`seen-power-1-start-button`: as much of the presses as the name of a scenario holds; the number is its own."""
    pressed = "-".join(scenario.start.presses) or "as-it-is"
    return f"{scenario.name.replace('survey', 'seen', 1)}-{pressed}".replace("_", "-")[:_LONGEST_NAME].rstrip("-")


def _draft_head(name: str, scenario: SurveyScenario, cycles: int, source: str) -> str:
    pressed = listed(scenario.start.presses) or "nothing"
    return (
        f"# A draft of `restart-bench survey`, from {source}: what was seen in {counted(cycles, 'cycle')}\n"
        f"# ({pressed} pressed, then {_cut_words(scenario.kind)}).\n# {NOT_WANTED}\n"
        "# Say under `purpose:` what is wanted, correct what stands below, and give the scenario a name of its own.\n"
        + _head(name, TO_FILL_IN)
    )


def _was_on(output: OutputCycle) -> bool:
    return bool(output.before or output.settled or output.pulses)


def _pinned(rig: Rig, point: Point, cycles: Sequence[OutputCycle]) -> str:
    """The line that demands of one output what it did; a comment where that was not the same each time."""
    shown = without_controls(point.shown)
    ends = {None if one.blind else one.settled for one in cycles}
    if len(ends) != 1 or None in ends:
        return f"    # {point.name} ({shown}): not the same each time, or not read; nothing is pinned down"
    late = max((one.delay_ns[1] for one in cycles if one.delay_ns is not None), default=0)
    if True in ends:
        return f"    {point.name}: {{is: on, within: {_roomy(late)}}}   # {shown}" if late else f"    {point.name}: on"
    pulses = [pulse for one in cycles for pulse in one.pulses]
    if pulses:
        over = max(pulse.begun_ns[1] + pulse.lasted_ns[1] for pulse in pulses)
        longest = bounds_text(max((pulse.lasted_ns for pulse in pulses), key=lambda span: span[1]))
        comment = f"{shown}: was on for a while, the longest {longest}"
        return f"    {point.name}: {{is: off, within: {_roomy(over)}}}   # {comment}"
    least = max(rig.defaults.longer_than_ns, 2 * max(one.excluded_ns for one in cycles))
    return f"    {point.name}: {{is: off, never: on, longer_than: {_rounded(least)}}}   # {shown}"


def _roomy(ns: int) -> str:
    """Half as long again, and half a second for a busy computer, in tenths of a second."""
    tenths = -(-(ns * 3 // 2 + 500 * _MS) // (100 * _MS))
    return show_duration(tenths * 100 * _MS)


def _rounded(ns: int) -> str:
    return show_duration(-(-ns // (10 * _MS)) * 10 * _MS)


def _checked(start: Start) -> list[str]:
    """The program still works: the same presses bring the same outputs on."""
    lit = {name: state for name, state in start.states.items() if state}
    return ["function_check:", *_pressed(start.presses), *_expected(lit)] if lit and start.presses else []
