"""What a run will do and what it can show, worked out beforehand from rig and scenarios alone. Moves nothing.

Pure. Times count from the command that takes the power away (or leaves run mode); lengths of time are the shortest
and the longest that the scenario allows, the longest None where a person has to answer.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from restart_bench.campaigns.reliability import CONFIDENCE, confidence_reached, cycles_needed, reliability_shown
from restart_bench.campaigns.time_left import TimeLeft
from restart_bench.model.clock import HOUR_NS, NS_PER_S
from restart_bench.model.rig import BIT_TABLES, Device, Rig, RigSupply
from restart_bench.model.samples import SampleLayout
from restart_bench.model.scenario import Case, Demonstration, Expectation, Scenario, Step
from restart_bench.model.step_kinds import facts_of, starts_of, step_words
from restart_bench.model.units import show_duration
from restart_bench.model.wording import show_wanted
from restart_bench.suite.scenario_reader import longest_need, watch_needs

SWITCHINGS_PER_CUT = 2
WORTH_SHOWING = 0.95
"""Reliability for which the number of cycles is named where a plan shows less (common practice, no source)."""
STORED_SHARE = 0.25
"""Bytes on the disk, all files of a run together, for each byte of a sample record: 0.24 and 0.25 measured on
simulated runs of the dryer of 80 s and 20 s (the samples alone: 0.135)."""


@dataclass(frozen=True, slots=True)
class Span:
    """Shortest and longest length of time; `high_ns` is None where nobody can tell."""

    low_ns: int = 0
    high_ns: int | None = 0

    def __add__(self, other: Span) -> Span:
        high = None if self.high_ns is None or other.high_ns is None else self.high_ns + other.high_ns
        return Span(self.low_ns + other.low_ns, high)

    def __mul__(self, times: int) -> Span:
        return Span(self.low_ns * times, None if self.high_ns is None else self.high_ns * times)

    def at_least(self, low_ns: int) -> Span:
        """The same, but not shorter than `low_ns`."""
        high = None if self.high_ns is None else max(self.high_ns, low_ns)
        return Span(max(self.low_ns, low_ns), high)


@dataclass(frozen=True, slots=True)
class Moment:
    """One line of the planned timeline; `at` counts from the cut, None for steps; `phase` tells where these lie."""

    at: Span | None
    text: str
    phase: Literal["before", "", "after"] = ""


@dataclass(frozen=True, slots=True)
class CasePlan:
    """One case: its timeline, how often it is gone through, how long that takes, what it will support. `fewest`: as
    many cycles as `cycles`, but of a search, which may be over earlier."""

    case: Case
    timeline: tuple[Moment, ...]
    cycles: int
    each: Span
    off_time: Span  # true off time, as wide as the relay's data sheet values make it
    fewest: int

    @property
    def lasts(self) -> Span:
        """All cycles one after another."""
        return Span((self.each * self.fewest).low_ns, (self.each * self.cycles).high_ns)


@dataclass(frozen=True, slots=True)
class Sight:
    """The shortest pulse that can be excluded on a judged point, at best, and the shortest one that was asked for."""

    point: str
    judged: str
    device: str
    poll_ns: int
    input_delay_ns: int
    asked_ns: int | None  # None: no expectation on it speaks of pulses
    sees_through_the_cut: bool

    @property
    def excludes_ns(self) -> int:
        """One poll and the input's delay: shorter pulses can hide whatever the run shows."""
        return self.poll_ns + self.input_delay_ns

    @property
    def too_coarse(self) -> bool:
        """True where the pulse asked for is shorter than what can be excluded: never a pass."""
        return self.asked_ns is not None and self.asked_ns < self.excludes_ns


@dataclass(frozen=True, slots=True)
class ScenarioPlan:
    """One scenario over all its cases."""

    scenario: Scenario
    cases: tuple[CasePlan, ...]
    sights: tuple[Sight, ...]
    switchings: int

    @property
    def cycles(self) -> int:
        """Cycles over all cases."""
        return sum(case.cycles for case in self.cases)

    @property
    def lasts(self) -> Span:
        """All cycles one after another."""
        return sum((case.lasts for case in self.cases), Span())

    @property
    def spared(self) -> int:
        """Cycles that are not done where searches are over as early as they can be."""
        return sum(case.cycles - case.fewest for case in self.cases)


@dataclass(frozen=True, slots=True)
class Hourly:
    """Something of which the rig file allows only so many in an hour: cuts (`point` ""), or starts of a point. The plan
    takes no less than `takes_ns` for them."""

    point: str
    planned: int
    per_hour: int

    @property
    def takes_ns(self) -> int:
        """Within any hour there are no more than `per_hour`."""
        return (self.planned - 1) // self.per_hour * HOUR_NS if self.planned else 0


@dataclass(frozen=True, slots=True)
class SuitePlan:
    """All that one suite will do."""

    rig: Rig
    scenarios: tuple[ScenarioPlan, ...]
    lasts: Span
    archive_bytes: Span
    hourly: tuple[Hourly, ...] = ()

    @property
    def cycles(self) -> int:
        """Cycles over all scenarios."""
        return sum(one.cycles for one in self.scenarios)

    @property
    def waits_ns(self) -> int:
        """The limits of an hour keep it from being done sooner."""
        return max((one.takes_ns for one in self.hourly), default=0)

    @property
    def tries(self) -> int:
        """Cycles of the case that is tried least; a search tries no case again and again."""
        repeated = [one for one in self.scenarios if one.scenario.search is None]
        return min((case.cycles for one in repeated for case in one.cases), default=0)

    @property
    def spared(self) -> int:
        """Cycles that are not done where searches are over as early as they can be."""
        return sum(one.spared for one in self.scenarios)

    @property
    def switchings(self) -> int:
        """Commands to the supply over all scenarios: two for each cut."""
        return sum(one.switchings for one in self.scenarios)


def plan_suite(
    rig: Rig, scenarios: Sequence[Scenario], *, simulated: bool = False, round_trip_ns: int = 0
) -> SuitePlan:
    """The plan of a suite. Simulated runs wait for no limits of the supply. `round_trip_ns`: how long a command to the
    supply may take to be answered."""
    plans = tuple(plan_scenario(rig, one, simulated=simulated, round_trip_ns=round_trip_ns) for one in scenarios)
    lasts = sum((one.lasts for one in plans), Span())
    hourly = () if simulated else tuple(_hourly(rig, plans))
    lasts = lasts.at_least(max((one.takes_ns for one in hourly), default=0))
    rate = bytes_per_second(rig)
    high = None if lasts.high_ns is None else round(lasts.high_ns / NS_PER_S * rate)
    return SuitePlan(rig, plans, lasts, Span(round(lasts.low_ns / NS_PER_S * rate), high), hourly)


def time_left_of(plan: SuitePlan, *, rehearse: bool = False) -> TimeLeft:
    """What is left of a run that has not begun, by scenario and case. A rehearsal does each case once, and takes
    less than a cycle with a cut."""
    each: dict[Hashable, tuple[int, int | None]] = {}
    to_come: dict[Hashable, int] = {}
    spared: dict[Hashable, int] = {}
    drawn: dict[Hashable, tuple[int, int]] = {}
    for scenario in plan.scenarios:
        for case in scenario.cases:
            key = (scenario.scenario.name, case.case.name)
            each[key] = (0 if rehearse else case.each.low_ns, case.each.high_ns)
            to_come[key] = 1 if rehearse else case.cycles
            if not rehearse and case.fewest < case.cycles:
                spared[key] = case.cycles - case.fewest
            if not rehearse and case.case.at.is_random:
                drawn[key] = (case.case.at.low_ns, case.case.at.high_ns)
    return TimeLeft(each, to_come, 0 if rehearse else plan.waits_ns, spared, drawn)


def plan_scenario(rig: Rig, scenario: Scenario, *, simulated: bool = False, round_trip_ns: int = 0) -> ScenarioPlan:
    """The plan of one scenario."""
    cases = tuple(
        _plan_case(rig, scenario, case, simulated=simulated, round_trip_ns=round_trip_ns) for case in scenario.cases
    )
    cuts = sum(case.cycles for case in cases) if scenario.how == "supply" else 0
    return ScenarioPlan(scenario, cases, sights_of(rig, scenario), SWITCHINGS_PER_CUT * cuts)


# ---------------------------------------------------------------- one case


def _plan_case(rig: Rig, scenario: Scenario, case: Case, *, simulated: bool, round_trip_ns: int) -> CasePlan:
    supply = rig.supply if scenario.how == "supply" else None
    off = (
        _true_off_time(supply, scenario, case, round_trip_ns)
        if supply is not None
        else Span(case.off_for_ns, case.off_for_ns)
    )
    to_ready = Span(0, rig.ready.within_ns)
    to_end = _to_the_end(scenario, to_ready)
    before = _steps_span(scenario.before) + Span(case.at.low_ns, max(case.at.low_ns, case.at.high_ns))
    checked = _steps_span(scenario.function_check)
    back = Span(scenario.search.shortest_ns if scenario.search else case.off_for_ns, case.off_for_ns)
    each = to_ready + before + back + to_end + checked
    if supply is not None and not simulated:
        each = each.at_least(case.off_for_ns + supply.limits.on_at_least_ns)
    timeline = _timeline(rig, scenario, case, back, to_ready, to_end)
    return CasePlan(case, timeline, scenario.repeat, each, off, _fewest(scenario))


def _fewest(scenario: Scenario) -> int:
    """Cycles that a case takes at least: a search may be over once one end is confirmed."""
    if scenario.search is None:
        return scenario.repeat
    from restart_bench.campaigns.search import least_cycles  # numpy, for searches alone

    return least_cycles(scenario.search)


def _timeline(rig: Rig, scenario: Scenario, case: Case, back: Span, to_ready: Span, to_end: Span) -> tuple[Moment, ...]:
    gone, returned = ("supply off", "supply on") if scenario.how == "supply" else ("run mode left", "run mode entered")
    moments = [Moment(Span(), gone if case.level is None else f"supply down to {case.level.text}")]
    if scenario.during:
        moments.append(Moment(Span(0, case.off_for_ns), "has to come true: " + _listed(scenario.during)))
    moments.append(Moment(back, returned))
    ready = back + to_ready
    moments.append(Moment(ready, "ready"))
    if scenario.settle_ns:
        settle = Span(scenario.settle_ns, scenario.settle_ns)
        moments.append(Moment(ready + settle, "settled: from here on the settled states are judged"))
    moments += _limits(scenario, case)
    moments.append(Moment(back + to_end, _why_so_long(rig, scenario)))
    in_time = sorted(moments, key=lambda one: (one.at.low_ns, one.at.high_ns or 0) if one.at is not None else (0, 0))
    before = [Moment(None, step_words(rig, step), "before") for step in scenario.before]
    checks = [Moment(None, f"function check: {step_words(rig, step)}", "after") for step in scenario.function_check]
    return (*before, *in_time, *checks)


def _to_the_end(scenario: Scenario, to_ready: Span) -> Span:
    """From the return to the end of the watch, which counts from ready and from the return."""
    return (to_ready + Span(scenario.watch_ns, scenario.watch_ns)).at_least(scenario.watch_restored_ns)


def _why_so_long(rig: Rig, scenario: Scenario) -> str:
    """The end of the watch, and what sets it where that is not `watch:` alone."""
    needs = watch_needs(rig, scenario.after, scenario.gaps, scenario.settle_ns)
    text = "end of the watch"
    longest = longest_need(needs, "ready")
    if longest.lasts_ns == scenario.watch_ns:
        text += f", {show_duration(scenario.watch_ns)} after ready because of: {longest.why}"
    if scenario.watch_restored_ns > scenario.watch_ns:
        lasts, why = show_duration(scenario.watch_restored_ns), longest_need(needs, "restored").why
        text += f", not sooner than {lasts} after the return because of: {why}"
    return text


def _limits(scenario: Scenario, case: Case) -> list[Moment]:
    """When windows that count from the restored supply open and close; what falls together is told together."""
    found: dict[tuple[int, str], list[str]] = {}
    windows = [
        (f"{one.point} {show_wanted(one.wanted)}", one.window) for one in scenario.after if one.start == "restored"
    ]
    windows += [(limit.mark, limit.window) for limit in scenario.times]
    for what, window in windows:
        if window is None:
            continue
        if window.not_before_ns:
            found.setdefault((window.not_before_ns, "not before this:"), []).append(what)
        if window.not_after_ns is not None:
            found.setdefault((window.not_after_ns, "latest for:"), []).append(what)
    at = case.off_for_ns
    return [Moment(Span(at + ns, at + ns), f"{word} {', '.join(whats)}") for (ns, word), whats in found.items()]


def _listed(expectations: Sequence[Expectation]) -> str:
    """`auger, fan off; rail off`: points of which the same is wanted stand together."""
    wanted: dict[str, list[str]] = {}
    for one in expectations:
        wanted.setdefault(show_wanted(one.wanted), []).append(one.point)
    return "; ".join(f"{', '.join(points)} {what}" for what, points in wanted.items())


def _true_off_time(supply: RigSupply, scenario: Scenario, case: Case, round_trip_ns: int) -> Span:
    """That of a case; of a search from the shortest of its shortest cut on."""
    longest = true_off_time(supply, case.off_for_ns, round_trip_ns)
    if scenario.search is None:
        return longest
    return Span(true_off_time(supply, scenario.search.shortest_ns, round_trip_ns).low_ns, longest.high_ns)


def true_off_time(supply: RigSupply, off_for_ns: int, round_trip_ns: int = 0) -> Span:
    """How long the supply is really off between two commands `off_for_ns` apart: opening and closing each take
    from nothing to the data sheet's longest value, bounce included. A command is obeyed somewhere within its round
    trip, and the second one is not given before the first one was answered."""
    opening = supply.opening_ns + supply.bounce_ns
    closing = supply.closing_ns + supply.bounce_ns
    return Span(max(0, off_for_ns - round_trip_ns - opening), max(off_for_ns, round_trip_ns) + round_trip_ns + closing)


def _steps_span(steps: Sequence[Step]) -> Span:
    return sum((Span(*facts_of(step.action).lasts(step.action)) for step in steps), Span())


def _hourly(rig: Rig, plans: Sequence[ScenarioPlan]) -> Iterator[Hourly]:
    """Everything that an hour limits. A point that nobody presses is taken to start once a cycle, as the run takes it
    before it has seen more."""
    if rig.supply is not None and rig.supply.limits.cuts_per_hour:
        cuts = sum(one.switchings for one in plans) // SWITCHINGS_PER_CUT
        yield Hourly("", cuts, max(1, int(rig.supply.limits.cuts_per_hour)))
    for point in rig.points.values():
        if point.limits is None or not point.limits.starts_per_hour:
            continue
        starts = 0
        for one in plans:
            steps = (*one.scenario.before, *one.scenario.function_check)
            starts += one.cycles * (starts_of(point.name, steps) if point.writable else 1)
        yield Hourly(point.name, starts, max(1, int(point.limits.starts_per_hour)))


# ---------------------------------------------------------------- what it can show


def sights_of(rig: Rig, scenario: Scenario) -> tuple[Sight, ...]:
    """What can be seen on each point that the scenario judges, in the order in which it names them."""
    asked: dict[str, int | None] = {}
    judged: dict[str, str] = {}
    for one in (*scenario.during, *scenario.after):
        judged[one.point] = one.judged
        if one.kind.facts.counts_pulses:
            known = asked.get(one.point)
            asked[one.point] = one.longer_than_ns if known is None else min(known, one.longer_than_ns)
        asked.setdefault(one.point, None)
    return tuple(_sight(rig, name, judged[name], asked[name]) for name in judged)


def _sight(rig: Rig, name: str, judged: str, asked_ns: int | None) -> Sight:
    device = rig.devices[rig.points[judged].device]
    through = not device.powered_by_supply
    return Sight(name, judged, device.name, device.poll_ns, device.input_delay_ns, asked_ns, through)


@dataclass(frozen=True, slots=True)
class Support:
    """What the cycles of one case will show if none fails (of a demonstration: if no more miss than it allows).

    `needed` cycles would show it where `reached` is below `confidence`.
    """

    reliability: float
    confidence: float
    reached: float
    missing_allowed: int
    needed: int


def support_of(demonstration: Demonstration | None, cycles: int) -> Support:
    """What so many cycles will support. Without a demonstration: the reliability that they show, at 95 %."""
    if demonstration is None:
        shown = reliability_shown(0, cycles, CONFIDENCE)
        return Support(shown, CONFIDENCE, CONFIDENCE, 0, cycles_needed(WORTH_SHOWING, CONFIDENCE))
    missing = demonstration.inconclusive_at_most
    reliability, confidence = demonstration.reliability, demonstration.confidence
    reached = confidence_reached(reliability, cycles, min(missing, cycles))
    return Support(reliability, confidence, reached, missing, cycles_needed(reliability, confidence, missing))


# ---------------------------------------------------------------- archive


def bytes_per_second(rig: Rig) -> float:
    """How fast the archive grows while the rig is read, after compression."""
    read = [device for device in rig.devices.values() if any(p.device == device.name for p in rig.points.values())]
    return STORED_SHARE * sum(_record_bytes(rig, device) * _records_per_second(rig, device) for device in read)


def _record_bytes(rig: Rig, device: Device) -> int:
    points = tuple(
        (point.name, "b" if point.table in BIT_TABLES else "d")
        for point in rig.points.values()
        if point.device == device.name
    )
    return SampleLayout(device.name, (), points).size  # type: ignore[arg-type]


def _records_per_second(rig: Rig, device: Device) -> float:
    """One record for each table that is read, in every poll."""
    tables = {point.table for point in rig.points.values() if point.device == device.name}
    return len(tables) * NS_PER_S / device.poll_ns
