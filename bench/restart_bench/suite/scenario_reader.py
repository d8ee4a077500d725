"""Scenario files: checked against their rig and made into a `Scenario`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, Literal

from restart_bench.files.faults import Fault
from restart_bench.files.tree import ReadFile
from restart_bench.files.validation import KeyPath, Ledger, validated
from restart_bench.model.clock import NS_PER_MS
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import (
    At,
    Case,
    Demonstration,
    Expectation,
    ExpectationKind,
    Gap,
    Level,
    Scenario,
)
from restart_bench.model.step_kinds import STEP_KINDS
from restart_bench.model.units import show_duration
from restart_bench.suite.expectation_reader import during_of, expectations_of, start_gaps, times_of
from restart_bench.suite.names import Names
from restart_bench.suite.rig_reader import SUPPLY_BROKEN
from restart_bench.suite.scenario_schema import CutIn, ScenarioIn
from restart_bench.suite.steps_reader import steps_of, verb_of
from restart_bench_drivers.interface import SupplyCard

SCENARIO_STAND_INS: dict[str, Any] = {"scenario": "scenario", "cut": {"off_for": "1 h"}}
MOST_CASES = 1000


@dataclass(slots=True)
class ScenarioRead:
    """What was read of a scenario file: the scenario (None where nothing can be made of it), faults and warnings."""

    file: ReadFile
    scenario: Scenario | None = None
    faults: list[Fault] = field(default_factory=list)
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
    result = ScenarioRead(read, faults=list(read.faults))
    if read.tree is None:
        return result
    ledger = Ledger(read.tree)
    model = validated(read.tree, ScenarioIn, ledger, SCENARIO_STAND_INS)
    if model is not None and rig is not None:
        result.scenario = _scenario(model, str(read.path), rig, Names.of(rig, broken), card, repeat, ledger)
    result.faults += ledger.faults
    result.warnings += ledger.warnings
    return result


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
    if SUPPLY_BROKEN not in names.broken or by_mode:
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
    restart = model.after.restart or "required"
    if not by_mode and restart == "none" and not any(proof.of_supply for proof in rig.proof_of_cut):
        cure = "add a proof of the supply to the rig, like proof_of_cut: [{rail: off}]"
        ledger.fault(("after", "restart"), "none can't be shown without a proof that the supply was cut", cure)
    demonstrate, cycles = _cycles(model, rig, repeat, ledger)
    watch = model.after.watch if model.after.watch is not None else rig.defaults.watch_ns
    settle = model.after.settle if model.after.settle is not None else rig.defaults.settle_ns
    needs = watch_needs(after, gaps, settle)
    return Scenario(
        name=model.scenario,
        how=model.cut.how,
        cases=_cases(model.cut, ledger),
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
    for off_for in model.cut.off_for:
        _check_off_for(off_for, rig, ledger)
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


def _check_mode_cut(model: ScenarioIn, rig: Rig, ledger: Ledger) -> None:
    if rig.mode is None:
        ledger.fault(("cut", "how"), "the rig does not say how run mode is left", "add mode: to the rig")
    elif not rig.mode.proof:
        cure = "add proof: to the rig's mode, like [{running: off}]"
        ledger.fault(("cut", "how"), "nothing in the rig shows that run mode was left", cure)
    if model.cut.level is not None:
        ledger.fault(("cut", "level"), "a change of mode has no voltage", "delete level:")
    if model.after.restart is not None:
        text = "says nothing about a change of mode, which is no restart"
        ledger.fault(("after", "restart"), text, "delete restart:")


def _check_off_for(off_for: int, rig: Rig, ledger: Ledger) -> None:
    """What the relay can do, and what the supply's limits allow."""
    supply = rig.supply
    assert supply is not None
    path: KeyPath = ("cut", "off_for")
    shown = show_duration(off_for)
    opening = supply.opening_ns + supply.bounce_ns
    if off_for <= opening and (supply.contact is not None or opening):
        name = "operate" if supply.contact == "normally-closed" else "release"
        text = f"{shown} is over before the contact has opened ({name} + bounce = {show_duration(opening)})"
        ledger.fault(path, text, f"write more than {show_duration(opening)}")
        return
    limits = supply.limits
    if limits.dips_up_to_ns is not None and off_for <= limits.dips_up_to_ns:
        return
    if off_for < limits.off_at_least_ns:
        least = show_duration(limits.off_at_least_ns)
        dips = f"up to {show_duration(limits.dips_up_to_ns)}, or " if limits.dips_up_to_ns is not None else ""
        other = "" if limits.dips_up_to_ns is not None else ", or add dips_up_to: to the supply's limits"
        ledger.fault(path, f"{shown} is shorter than the supply's off_at_least", f"write {dips}{least} or more{other}")


def _cases(cut: CutIn, ledger: Ledger) -> tuple[Case, ...]:
    """Every combination of the swept quantities, in the order off_for, at, level; each named by what is swept."""
    levels: tuple[Level | None, ...] = cut.level or (None,)
    if len(cut.off_for) * len(cut.at) * len(levels) > MOST_CASES:
        count = len(cut.off_for) * len(cut.at) * len(levels)
        ledger.fault(("cut",), f"makes {count} cases", f"sweep fewer values: {MOST_CASES} cases at most")
        return ()
    cases = []
    for off_for, (low, high), level in product(cut.off_for, cut.at, levels):
        swept = [f"off_for={show_duration(off_for)}"] if len(cut.off_for) > 1 else []
        if len(cut.at) > 1:
            drawn = f"random {show_duration(low)}..{show_duration(high)}"
            swept.append(f"at={drawn if high > low else show_duration(low)}")
        if level is not None and len(levels) > 1:
            swept.append(f"level={level.text}")
        cases.append(Case(", ".join(swept), off_for, At(low, high), level))
    return tuple(cases)


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
"""Least length of the settled span that `is` is judged over, where the watch as written would leave less of it."""


@dataclass(frozen=True, slots=True)
class WatchNeed:
    """Something that needs the watch to last so long after `ready` or after the return (`restored`)."""

    start: Literal["ready", "restored"]
    lasts_ns: int
    why: str


def watch_needs(after: Sequence[Expectation], gaps: Sequence[Gap], settle_ns: int = 0) -> tuple[WatchNeed, ...]:
    """What the demands need of the watch, beside what `watch:` asks.

    A window that counts from a point's first change ends that much after the point's own window; where the point has
    none it is taken to come with `ready`.
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
    if any(one.kind is ExpectationKind.IS and one.window is None for one in after):
        needs.append(WatchNeed("ready", settle_ns + SETTLED_FOR_NS, "the settled state (settle:)"))
    return tuple(needs)


def _later(firsts: Sequence[WatchNeed], lasts_ns: int, why: str) -> list[WatchNeed]:
    return [replace(one, lasts_ns=one.lasts_ns + lasts_ns, why=why) for one in firsts] or [
        WatchNeed("ready", lasts_ns, why)
    ]


def longest_need(needs: Sequence[WatchNeed], start: Literal["ready", "restored"]) -> WatchNeed:
    """The one that lasts longest of those that count from there."""
    mine = [one for one in needs if one.start == start]
    return max(mine, key=lambda one: one.lasts_ns, default=WatchNeed(start, 0, ""))
