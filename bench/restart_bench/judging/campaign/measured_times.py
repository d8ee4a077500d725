"""How long things took over the cycles of a case: each mark, each limit. What is said holds for every value within the
bounds of each cycle. Restarts, dips ridden through and changes of mode are told apart; a cycle that is no valid test
(an unproven cut) tells no time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from restart_bench.campaigns.order_statistics import (
    Drift,
    Median,
    Observation,
    Side,
    Tolerance,
    drift,
    extremes,
    median,
    tolerance,
    tolerance_size,
)
from restart_bench.judging.summary import by_case
from restart_bench.model.journal import CycleJudged, Finding, FindingKind
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import MARKS, Scenario, Window
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import at_least, at_most, bounds_text

COVERAGE = CONFIDENCE = 0.95
"""Share of such cycles that a tolerance bound covers, and how sure that is (common practice, no source)."""
SURE_DRIFT = 0.01
"""A drift is told where chance makes one like it less often than this; a run shows many times, and 5 % of them would
seem to drift without any doing so."""

AFTER_A_RESTART = "restart"
RIDDEN_THROUGH = "rode through"
CHANGE_OF_MODE = "change of mode"
NOT_SHOWN = "restart not shown"

_FROM_CUT = ("dark", "restored")
_HAS_TO_COME = ("answered", "good", "alive", "ready")
"""Marks that come some time after every return; where one was not seen it came at an unknown time, or never."""


@dataclass(frozen=True, slots=True)
class MeasuredTime:
    """One time over the cycles of a case that are alike (`group`), in nanoseconds counted from `since`. `seen` of
    `cycles` had it; the others count as unknown, however long, or as longer than the limit that they were proven to
    miss. `more_needed`: cycles that a tolerance bound still takes. `drift` None: fewer than two cycles."""

    scenario: str
    case: str
    group: str
    what: str
    since: str
    limit: Window | None
    cycles: int
    seen: int
    median: Median
    smallest: Observation
    largest: Observation
    tolerance: Tolerance | None
    more_needed: int
    drift: Drift | None


def measured_times(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged]) -> tuple[MeasuredTime, ...]:
    """Every mark and every limit of a scenario, case by case and group by group."""
    mine = [one for one in cycles if one.scenario == scenario.name and _is_valid(one)]
    found: list[MeasuredTime] = []
    for (_, case), of_case in by_case(mine).items():
        groups: dict[str, list[CycleJudged]] = {}
        for one in of_case:
            groups.setdefault(_group(scenario, one), []).append(one)
        for group, alike in groups.items():
            rows = [*_marks(rig, scenario, alike), *_limits(scenario, alike)]
            found += [row for what in rows if (row := _measured(scenario.name, case, group, what)) is not None]
    return tuple(found)


def _is_valid(cycle: CycleJudged) -> bool:
    """False where the cut is not proven, or the test was no test for another reason."""
    broken = any(one.kind is FindingKind.VALIDITY and one.verdict is Verdict.ERROR for one in cycle.findings)
    return cycle.verdict is not Verdict.ERROR and not broken


def _group(scenario: Scenario, cycle: CycleJudged) -> str:
    if scenario.how == "mode":
        return CHANGE_OF_MODE
    return {True: AFTER_A_RESTART, False: RIDDEN_THROUGH, None: NOT_SHOWN}[cycle.restarted]


# ---------------------------------------------------------------- what was measured


@dataclass(frozen=True, slots=True)
class _Times:
    """What one cycle after the other had; None where nothing is known of it, without an upper end where it was only
    proven to be longer than its limit. `open_ended`: what is not known counts as unknown, else not at all."""

    what: str
    since: str
    limit: Window | None
    times: tuple[Observation | None, ...]
    open_ended: bool = True
    lowest: float = 0.0  # no such time is shorter


def _marks(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[_Times]:
    """`dark` and `restored` from the cut, the others from `restored`."""
    limits = {one.mark: one.window for one in scenario.times}
    if rig.ready.when or rig.ready.alive is not None:
        limits.setdefault("ready", Window(0, rig.ready.within_ns))
    since = {mark: "cut" if mark in _FROM_CUT else "restored" for mark in MARKS if mark not in ("cut", "end")}
    of_cycles = [
        [_since(one, mark, start) or _longer_than_its_limit(rig, scenario, one, mark) for mark, start in since.items()]
        for one in cycles
    ]
    for (mark, start), times in zip(since.items(), zip(*of_cycles, strict=True), strict=True):
        yield _Times(mark, start, limits.get(mark), times, mark in _HAS_TO_COME or mark in limits)


def _since(cycle: CycleJudged, mark: str, since: str) -> Observation | None:
    """How long a mark came after another; it is never the earlier one, however wide the bounds."""
    there, start = cycle.mark(mark), cycle.mark(since)
    if there is None or start is None:
        return None
    low, high = there.since(start)
    return max(0, low), max(0, high)


def _longer_than_its_limit(rig: Rig, scenario: Scenario, cycle: CycleJudged, mark: str) -> Observation | None:
    """Where a mark was not seen, but proven not to have come within a limit."""
    limits = {(FindingKind.MARK, one.mark): one.window.not_after_ns for one in scenario.times}
    limits[FindingKind.READY, "ready"] = rig.ready.within_ns
    missed = [
        limit for one in cycle.findings
        if one.subject == mark and one.verdict is Verdict.FAIL and (limit := limits.get((one.kind, mark))) is not None
    ]  # fmt: skip
    return (max(missed), math.inf) if missed and cycle.mark(mark) is None else None


def _limits(scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[_Times]:
    """Windows of expectations, and gaps. Of each cycle that was cut there is a finding for each demand, in order."""
    demands = (*scenario.during, *scenario.after)
    windows = [(number, one, one.window) for number, one in enumerate(demands) if one.window is not None]
    if not windows and not scenario.gaps:
        return
    of_windows, of_gaps = [], []
    for cycle in cycles:
        found = _of_kind(cycle, FindingKind.EXPECTATION, len(demands))
        of_windows.append([_figure(found[number], "onset_ns") for number, _, _ in windows])
        of_gaps.append([_figure(one, "gap_ns") for one in _of_kind(cycle, FindingKind.GAP, len(scenario.gaps))])
    for (_, demand, window), times in zip(windows, zip(*of_windows, strict=True), strict=True):
        yield _Times(f"{demand.point} {demand.text}".strip(), demand.start, window, times)
    for gap, times in zip(scenario.gaps, zip(*of_gaps, strict=True), strict=True):
        limit = Window(gap.at_least_ns or 0, gap.at_most_ns)
        yield _Times(gap.text or f"{gap.then} after {gap.first}", gap.first, limit, times, lowest=-math.inf)


def _of_kind(cycle: CycleJudged, kind: FindingKind, number: int) -> Sequence[Finding | None]:
    """The findings of a kind in a cycle, of which there are so many; None for each where there are not."""
    found = [one for one in cycle.findings if one.kind is kind]
    return found if len(found) == number else [None] * number


def _figure(finding: Finding | None, key: str) -> Observation | None:
    bounds = finding.figures.get(key) if finding is not None else None
    return (bounds[0], bounds[1]) if bounds is not None else None


# ---------------------------------------------------------------- what that shows


def _measured(scenario: str, case: str, group: str, what: _Times) -> MeasuredTime | None:
    """None where it was seen in no cycle."""
    told = [one for one in what.times if one is not None]
    seen = sum(high < math.inf for _, high in told)
    if not seen:
        return None
    unknown = (what.lowest, math.inf)
    known = [one if one is not None else unknown for one in what.times] if what.open_ended else told
    side = _side(what.limit)
    smallest, largest = extremes(known)
    needed = tolerance_size(COVERAGE, CONFIDENCE, side=side)
    return MeasuredTime(
        scenario, case, group, what.what, what.since, what.limit, len(known), seen,
        median(known), smallest, largest, tolerance(known, COVERAGE, CONFIDENCE, side=side),
        max(0, needed - len(known)), drift(known) if len(known) > 1 else None,
    )  # fmt: skip


def _side(limit: Window | None) -> Side:
    """On which side a bound serves: that of the limit; where there is none, how long it takes."""
    if limit is None or not limit.not_before_ns:
        return "upper"
    return "lower" if limit.not_after_ns is None else "both"


# ---------------------------------------------------------------- words


def time_text(bounds: tuple[float | None, float | None] | None) -> str:
    """`1.24 .. 1.26 s`; `1.24 s or later`, `1.26 s or earlier` where one end is open; "not shown" where both are."""
    low, high = (None, None) if bounds is None else bounds
    low = None if low is None or math.isinf(low) else low
    high = None if high is None or math.isinf(high) else high
    if low is not None and high is not None:
        return bounds_text((math.floor(low), math.ceil(high)))
    if low is not None:
        return f"{at_least(math.floor(low))} or later"
    return f"{at_most(math.ceil(high))} or earlier" if high is not None else "not shown"


def tolerance_text(one: MeasuredTime) -> str:
    """`up to 1.31 s`: what covers 95 % of such cycles; or how many more cycles it takes to know one."""
    if one.tolerance is None:
        return f"known after {one.more_needed} more"
    low, high = one.tolerance.low, one.tolerance.high
    if any(end is not None and math.isinf(end) for end in (low, high)):
        return "none: not always seen"
    if low is None or high is None:
        return f"up to {at_most(math.ceil(high))}" if high is not None else f"from {at_least(math.floor(low or 0))}"
    return time_text((low, high))


def drift_text(one: MeasuredTime) -> str:
    """`2.1 .. 2.4 ms longer a cycle`; "none seen" where chance alone explains it."""
    if one.drift is None:
        return "-"
    if one.drift.p_value >= SURE_DRIFT:
        return "none seen"
    low, high = one.drift.low, one.drift.high
    if high < 0:
        return f"{time_text((-high, -low))} shorter a cycle"
    return f"{time_text((low, high))} {'longer' if low >= 0 else 'more'} a cycle"


def limit_text(limit: Window | None) -> str:
    """`within 10 s`, `30 s to 1 min`, `at least 5 s`; "-" where there is none."""
    if limit is None or (limit.not_after_ns is None and not limit.not_before_ns):
        return "-"
    if limit.not_after_ns is None:
        return f"at least {show_duration(limit.not_before_ns)}"
    if not limit.not_before_ns:
        return f"within {show_duration(limit.not_after_ns)}"
    return f"{show_duration(limit.not_before_ns)} to {show_duration(limit.not_after_ns)}"
