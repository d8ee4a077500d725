"""Scenario files: checked against their rig and made into a `Scenario`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, Literal

from restart_bench.campaigns.durations import Interruption, Standard
from restart_bench.files.faults import Fault
from restart_bench.files.tree import ReadFile
from restart_bench.files.validation import Ledger, validated
from restart_bench.model.clock import NS_PER_MS
from restart_bench.model.rig import Rig, RigSupply
from restart_bench.model.scenario import (
    At,
    Case,
    Demonstration,
    Expectation,
    ExpectationKind,
    Gap,
    Level,
    NamedDurations,
    Scenario,
)
from restart_bench.model.step_kinds import STEP_KINDS
from restart_bench.model.units import UnitRefused, show_duration
from restart_bench.model.wording import counted, listed
from restart_bench.suite.expectation_reader import during_of, expectations_of, start_gaps, times_of
from restart_bench.suite.names import Names
from restart_bench.suite.rig_reader import MODE_BROKEN, SUPPLY_BROKEN
from restart_bench.suite.scenario_schema import CutIn, ScenarioIn, SearchIn
from restart_bench.suite.searching import check_search, search_of
from restart_bench.suite.steps_reader import steps_of, verb_of
from restart_bench_drivers.interface import SupplyCard

SCENARIO_STAND_INS: dict[str, Any] = {"scenario": "scenario", "cut": {"off_for": "1 h"}}
MOST_CASES = 1000


@dataclass(slots=True)
class ScenarioRead:
    """What was read of a scenario file: the scenario (None where nothing can be made of it), faults and warnings."""

    scenario: Scenario | None
    faults: list[Fault]
    warnings: list[Fault] = field(default_factory=list)


def read_scenario(
    read: ReadFile,
    rig: Rig | None,
    *,
    broken: frozenset[str] = frozenset(),
    card: SupplyCard | None = None,
    repeat: int | None = None,
) -> ScenarioRead:
    """The scenario of a file that was read, on a rig; `broken` are names of the rig whose own entries are faulty.

    Without a rig only the file itself is checked. Never raises for what stands in it.
    """
    if read.tree is None:
        return ScenarioRead(None, list(read.faults))
    ledger, scenario = Ledger(read.tree), None
    model = validated(read.tree, ScenarioIn, ledger, SCENARIO_STAND_INS)
    if model is not None and rig is not None:
        scenario = _scenario(model, str(read.path), rig, Names.of(rig, broken), card, repeat, ledger)
    return ScenarioRead(scenario, read.faults + ledger.faults, ledger.warnings)


def _scenario(
    model: ScenarioIn,
    path: str,
    rig: Rig,
    names: Names,
    card: SupplyCard | None,
    repeat: int | None,
    ledger: Ledger,
) -> Scenario:
    by_mode = model.cut.how == "mode"
    if (MODE_BROKEN if by_mode else SUPPLY_BROKEN) not in names.broken:
        _check_cut(model, rig, card, ledger)
    held: set[str] = set()
    before = steps_of("before", model.before, rig, names, ledger, held)
    during = during_of(model, rig, names, ledger)
    after = expectations_of(model, rig, names, ledger)
    times = times_of(model, rig, ledger)
    gaps = start_gaps(model, rig, names, ledger)
    function_check = steps_of("function_check", model.function_check, rig, names, ledger, set())
    if not _demands_something(model) and not any(ledger.is_faulty((key,)) for key in ("after", "during")):
        cure = "add after: {expect: {...}} with what each output has to do"
        ledger.fault(("after",), "nothing is expected, so nothing can be shown", cure)
    searched = model.cut.off_for if isinstance(model.cut.off_for, SearchIn) else None
    search = search_of(searched, rig) if searched is not None else None
    restart = model.after.restart or ("required" if search is None else "either")
    if not by_mode and restart == "none" and not rig.reads_supply:
        cure = "add a proof of the supply to the rig, like proof_of_cut: [{rail: off}]"
        ledger.fault(("after", "restart"), "none can't be shown without a proof that the supply was cut", cure)
    demonstrate, cycles = (None, search.cycles) if search is not None else _cycles(model, rig, repeat, ledger)
    watch = model.after.watch if model.after.watch is not None else rig.defaults.watch_ns
    settle = model.after.settle if model.after.settle is not None else rig.defaults.settle_ns
    needs = watch_needs(rig, after, gaps, settle)
    return Scenario(
        name=model.scenario,
        how=model.cut.how,
        cases=_cases(model.cut, rig, card, ledger),
        before=before,
        during=during,
        after=after,
        times=times,
        gaps=gaps,
        function_check=function_check,
        restart=restart,
        settle_ns=settle,
        watch_ns=max(watch, longest_need(needs, "ready").lasts_ns),
        watch_restored_ns=longest_need(needs, "restored").lasts_ns,
        repeat=cycles,
        demonstrate=demonstrate,
        inconclusive_at_most=demonstrate.inconclusive_at_most if demonstrate is not None else 0,
        order=model.order,
        durations=_named_durations(model.cut, rig, card),
        search=search,
        purpose=model.purpose or "",
        path=path,
    )


def _demands_something(model: ScenarioIn) -> bool:
    """True where at least one expectation stands in the file."""
    after = model.after
    checks = any(STEP_KINDS[verb_of(step)].demands for step in model.function_check)
    return bool(model.during or after.expect or after.times or after.gaps or checks)


# ---------------------------------------------------------------- the cut


def _check_cut(model: ScenarioIn, rig: Rig, card: SupplyCard | None, ledger: Ledger) -> None:
    if model.cut.how == "mode":
        _check_mode_cut(model, rig, ledger)
        return
    supply = rig.supply
    if supply is None:
        cure = "add supply: to the rig, or write how: mode"
        ledger.fault(("cut", "how"), "the rig has no supply that can be cut", cure)
        return
    if isinstance(model.cut.off_for, Standard):
        _check_list(model.cut.off_for, model.cut, rig, card, ledger)
        return
    if isinstance(model.cut.off_for, SearchIn):
        check_search(model, model.cut.off_for, rig, ledger, _refused_off_for)
    for off_for in () if isinstance(model.cut.off_for, SearchIn) else model.cut.off_for:
        refused = _refused_off_for(off_for, supply)
        if refused is not None:
            ledger.fault(("cut", "off_for"), f"{show_duration(off_for)} is {refused.what}", refused.cure)
    if model.cut.level is None:
        return
    if card is not None and not card.has_levels:
        cure = "delete level:, or use a supply that can be set to a voltage"
        ledger.fault(("cut", "level"), f"{supply.driver} can only switch off and on", cure)
    if supply.nominal_volts is None and any(level.fraction is not None for level in model.cut.level):
        ledger.fault(("cut", "level"), "per cent of what?", "add nominal: 24 V to the rig's supply, or write volts")
    elif card is not None and card.has_levels and supply.nominal_volts is None and "volts" not in supply.settings:
        what = f"{supply.driver} does not know its full voltage, which comes back after a dip"
        ledger.fault(("cut", "level"), what, "add nominal: 24 V (or volts: 24) to the rig's supply")
    _warn_of_shallow_dips(model, rig, ledger)


def _warn_of_shallow_dips(model: ScenarioIn, rig: Rig, ledger: Ledger) -> None:
    """A level at which the only proofs of the cut, which read the voltage, never say that it is gone: each cycle would
    be an error. The unit is taken from the proof's limit: volts up to the supply's own voltage, else millivolts."""
    nominal = None if rig.supply is None else rig.supply.nominal_volts
    below = [proof.wanted.below for proof in rig.proof_of_cut if proof.wanted is not None]
    if nominal is None or not below or len(below) < len(rig.proof_of_cut):
        return
    limits = [None if one is None else one if one <= 1.2 * nominal else one / 1000 for one in below]
    for level in model.cut.level or ():
        volts = level.volts if level.volts is not None else (level.fraction or 0) * nominal
        if all(limit is not None and limit <= volts for limit in limits):
            names = listed([rig.points[proof.point or ""].shown for proof in rig.proof_of_cut])
            text = f"at {level.text} the supply has {volts:g} V, which {names} never shows as a loss: nothing is proven"
            ledger.warn(("cut", "level"), text, "raise the limit of the proof above that, or cut to a lower level")


def _check_mode_cut(model: ScenarioIn, rig: Rig, ledger: Ledger) -> None:
    if rig.mode is None:
        ledger.fault(("cut", "how"), "the rig does not say how run mode is left", "add mode: to the rig")
    elif not rig.mode.proof:
        cure = "add proof: to the rig's mode, like [{running: off}]"
        ledger.fault(("cut", "how"), "nothing in the rig shows that run mode was left", cure)
    if model.cut.level is not None:
        ledger.fault(("cut", "level"), "a change of mode has no voltage", "delete level:")
    if isinstance(model.cut.off_for, SearchIn):
        text = "a change of mode is not ridden through, so there is nothing to search for"
        ledger.fault(("cut", "off_for"), text, "write a duration")
    if isinstance(model.cut.off_for, Standard):
        text = f"{model.cut.off_for.name} names losses of the supply, and a change of mode is none"
        ledger.fault(("cut", "off_for"), text, "write a duration")
    if model.after.restart is not None:
        text = "says nothing about a change of mode, which is no restart"
        ledger.fault(("after", "restart"), text, "delete restart:")


def _refused_off_for(off_for: int, supply: RigSupply) -> UnitRefused | None:
    """What keeps the relay or the supply's limits from an off time; None where nothing does."""
    opening = supply.opening_ns + supply.bounce_ns
    if off_for <= opening and (supply.contact is not None or opening):
        name = "operate" if supply.contact == "normally-closed" else "release"
        text = f"over before the contact has opened ({name} + bounce = {show_duration(opening)})"
        return UnitRefused(text, f"write more than {show_duration(opening)}")
    limits = supply.limits
    if off_for >= limits.off_at_least_ns or (limits.dips_up_to_ns is not None and off_for <= limits.dips_up_to_ns):
        return None
    least = show_duration(limits.off_at_least_ns)
    dips = f"up to {show_duration(limits.dips_up_to_ns)}, or " if limits.dips_up_to_ns is not None else ""
    other = "" if limits.dips_up_to_ns is not None else ", or add dips_up_to: to the supply's limits"
    return UnitRefused("shorter than the supply's off_at_least", f"write {dips}{least} or more{other}")


# ---------------------------------------------------------------- lists of standards


def _check_list(named: Standard, cut: CutIn, rig: Rig, card: SupplyCard | None, ledger: Ledger) -> None:
    """Says what of a standard's list this rig can't do; a list of which it can do nothing is a fault."""
    if cut.level is not None:
        text = f"{named.name} names its own voltages"
        ledger.fault(("cut", "level"), text, "delete level:, or write off times in place of durations:")
    done, left_out = _doable(named, rig, card)
    told = "; ".join(left_out)
    cure = "it takes another supply, or other limits: of this one where the rig can bear that"
    if not done:
        ledger.fault(("cut", "off_for"), f"this rig can do nothing of {named.name}: {told}", cure)
    elif left_out:
        of = f"{len(done)} of {counted(len(named.steps), 'cut')} of {named.name} can be done on this rig"
        ledger.warn(("cut", "off_for"), f"{of}; left out: {told}", cure)


def _doable(named: Standard, rig: Rig, card: SupplyCard | None) -> tuple[list[Interruption], tuple[str, ...]]:
    """The steps of a list that this rig can do, and the others with what is against them: `1 ms, 3 ms (why)`."""
    done: list[Interruption] = []
    others: dict[str, list[str]] = {}
    for step in named.steps:
        why = _against(step, rig, card)
        if why:
            at = f" at {step.level * 100:g} %" if step.level else ""
            others.setdefault(why, []).append(show_duration(step.length_ns) + at)
        else:
            done.append(step)
    return done, tuple(f"{', '.join(steps)} ({why})" for why, steps in others.items())


def _against(step: Interruption, rig: Rig, card: SupplyCard | None) -> str:
    """What keeps a rig from a step of a standard; "" where nothing does. The bench never raises a voltage."""
    supply = rig.supply
    assert supply is not None
    if step.level > 1:
        return "above the nominal voltage, which the bench never leaves upwards"
    if step.level and (card is None or not card.has_levels):
        return f"a dip, and {supply.driver} can only switch off and on"
    if step.level and supply.nominal_volts is None:
        return "the supply states no nominal: voltage"
    refused = _refused_off_for(step.length_ns, supply)
    return refused.what if refused is not None else ""


def _named_durations(cut: CutIn, rig: Rig, card: SupplyCard | None) -> NamedDurations | None:
    """Where the cuts of a scenario come from, where that is a standard."""
    named = cut.off_for
    if not isinstance(named, Standard) or rig.supply is None:
        return None
    return NamedDurations(named.name, named.source, named.edition, named.note, _doable(named, rig, card)[1])


# ---------------------------------------------------------------- cases


def _cases(cut: CutIn, rig: Rig, card: SupplyCard | None, ledger: Ledger) -> tuple[Case, ...]:
    """Every combination of the swept quantities, in the order off_for, at, level; each named by what is swept."""
    levels: tuple[Level | None, ...] = cut.level or (None,)
    cuts: list[tuple[int, tuple[Level | None, ...], bool]]
    if isinstance(cut.off_for, Standard):
        steps = _doable(cut.off_for, rig, card)[0] if rig.supply is not None else []
        cuts = [(step.length_ns, (_level(step),), step.from_memory) for step in steps]
    elif isinstance(cut.off_for, SearchIn):
        cuts = [(cut.off_for.longest_ns, levels[:1], False)]
    else:
        cuts = [(off_for, levels, False) for off_for in cut.off_for]
    count = len(cut.at) * sum(len(levels) for _, levels, _ in cuts)
    if count > MOST_CASES:
        ledger.fault(("cut",), f"makes {count} cases", f"sweep fewer values: {MOST_CASES} cases at most")
        return ()
    at_times = [At(low, high) for low, high in cut.at[: 1 if isinstance(cut.off_for, SearchIn) else None]]
    return _by_name(
        [
            Case("", off_for, at, level, from_memory)
            for off_for, levels, from_memory in cuts
            for at, level in product(at_times, levels)
        ]
    )


def _level(step: Interruption) -> Level | None:
    """The voltage of a dip, None for an interruption."""
    return Level(fraction=step.level, text=f"{step.level * 100:g} %") if step.level else None


def _by_name(cases: Sequence[Case]) -> tuple[Case, ...]:
    """The cases, each with the name that tells it from the others: `off_for=3 s, level=40 %`."""
    swept = {
        "off_for": len({case.off_for_ns for case in cases}) > 1,
        "at": len({case.at for case in cases}) > 1,
        "level": len({case.level for case in cases}) > 1,
    }
    named = []
    for case in cases:
        at = show_duration(case.at.low_ns)
        drawn = f"random {at}..{show_duration(case.at.high_ns)}" if case.at.is_random else at
        level = case.level.text if case.level is not None else ""
        values = {"off_for": show_duration(case.off_for_ns), "at": drawn, "level": level}
        told = [f"{key}={value}" for key, value in values.items() if swept[key] and value]
        named.append(replace(case, name=", ".join(told)))
    return tuple(named)


# ---------------------------------------------------------------- cycles and watch


def _cycles(model: ScenarioIn, rig: Rig, repeat: int | None, ledger: Ledger) -> tuple[Demonstration | None, int]:
    """The demonstration, and the cycles of each case."""
    told = model.demonstrate
    if told is None:
        return None, repeat or model.repeat or rig.defaults.repeat
    if model.repeat is not None:
        text = "says how often, and demonstrate computes it"
        ledger.fault(("repeat",), text, "delete one of the two (run --repeat N overrides both)")
    demonstration = Demonstration(told.reliability, told.confidence, told.inconclusive_at_most)
    if repeat is not None:
        return demonstration, repeat
    if told.reliability > 0.99999 or told.inconclusive_at_most > 1000 or told.confidence > 0.9999999:
        cure = "write at most 99.999 % reliability, 99.99999 % confidence and 1000 inconclusive cycles"
        ledger.fault(("demonstrate",), "needs more cycles than a relay can do", cure)
        return demonstration, 1
    from restart_bench.campaigns.reliability import cycles_needed

    return demonstration, cycles_needed(told.reliability, told.confidence, told.inconclusive_at_most)


SETTLED_FOR_NS = 100 * NS_PER_MS
"""Least length of the settled span that `is` is judged over, where the watch as written would leave less of it; and how
far, beside three polls, the watch goes on after the last limit."""


@dataclass(frozen=True, slots=True)
class WatchNeed:
    """Something that needs the watch to last so long after `ready` or after the return (`restored`)."""

    start: Literal["ready", "restored"]
    lasts_ns: int
    why: str


def watch_needs(
    rig: Rig, after: Sequence[Expectation], gaps: Sequence[Gap], settle_ns: int = 0
) -> tuple[WatchNeed, ...]:
    """What the demands need of the watch, beside what `watch:` asks.

    A window that counts from a point's first change ends that much after the point's own window; where the point has
    none it is taken to come with `ready`. Each limit has to be over for as long as reads take, or what never came
    would not be seen to have missed it.
    """
    own: dict[str, list[WatchNeed]] = {}
    later: list[tuple[str, int, str]] = []
    for one in after:
        if one.window is None or one.window.not_after_ns is None:
            continue
        told = f"{one.point} {one.text}"
        if one.start == "restored":
            own.setdefault(one.point, []).append(WatchNeed("restored", one.window.not_after_ns, told))
        elif one.start == "ready":
            own.setdefault(one.point, []).append(WatchNeed("ready", one.window.not_after_ns, told))
        else:
            later.append((one.start, one.window.not_after_ns, told))
    needs = [need for of_point in own.values() for need in of_point]
    for first, lasts_ns, told in later:
        needs += _later(own.get(first, ()), lasts_ns, told)
    for gap in gaps:
        end = gap.at_most_ns if gap.at_most_ns is not None else gap.at_least_ns
        needs += _later(own.get(gap.first, ()), end or 0, gap.text)
    read_ns = _read_within_ns(rig, [one.judged for one in after] + [rig.judged_point(gap.then) for gap in gaps])
    needs = [replace(one, lasts_ns=one.lasts_ns + read_ns) for one in needs]
    if any(one.kind is ExpectationKind.IS and one.window is None for one in after):
        needs.append(WatchNeed("ready", settle_ns + SETTLED_FOR_NS, "the settled state (settle:)"))
    return tuple(needs)


def _read_within_ns(rig: Rig, points: Sequence[str]) -> int:
    """How long the slowest of these devices takes to be read again, with room for a read that comes late."""
    polls = [rig.devices[rig.points[name].device].poll_ns for name in points]
    return SETTLED_FOR_NS + 3 * max(polls, default=0)


def _later(firsts: Sequence[WatchNeed], lasts_ns: int, why: str) -> list[WatchNeed]:
    return [replace(one, lasts_ns=one.lasts_ns + lasts_ns, why=why) for one in firsts] or [
        WatchNeed("ready", lasts_ns, why)
    ]


def longest_need(needs: Sequence[WatchNeed], start: Literal["ready", "restored"]) -> WatchNeed:
    """The one that lasts longest of those that count from there."""
    mine = [one for one in needs if one.start == start]
    return max(mine, key=lambda one: one.lasts_ns, default=WatchNeed(start, 0, ""))
