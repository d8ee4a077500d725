"""The plan of a suite in lines that a person reads before anything moves (`check`)."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from restart_bench.cli.round_trips import RoundTrip
from restart_bench.model.rig import Rig
from restart_bench.model.units import show_duration
from restart_bench.model.wording import address_word, bounds_text, counted, hanging, percent_text, without_controls
from restart_bench.suite.plan import (
    WORTH_SHOWING,
    CasePlan,
    Moment,
    ScenarioPlan,
    Sight,
    Span,
    SuitePlan,
    Support,
    support_of,
)

_S = 1_000_000_000
_INDENT = 17


def plan_lines(
    plan: SuitePlan,
    worn: int,
    writes: Collection[str],
    width: int,
    left_out: Sequence[str] = (),
    round_trip: RoundTrip | None = None,
) -> list[str]:
    """The whole plan. `worn` counts the commands that the supply's contact took in earlier runs, `writes` names the
    points that this suite may write; left_out: lines about what no scenario plays; `round_trip` is what the off times
    were reckoned with."""
    return [without_controls(line) for line in _lines(plan, worn, writes, width, left_out, round_trip)]


def _lines(
    plan: SuitePlan,
    worn: int,
    writes: Collection[str],
    width: int,
    left_out: Sequence[str],
    round_trip: RoundTrip | None,
) -> Iterator[str]:
    rig = plan.rig
    scenarios, cycles = counted(len(plan.scenarios), "scenario"), counted(plan.cycles, "cycle")
    yield f"{rig.name}: {scenarios}, {cycles}, {planned_span(plan.lasts)}"
    if len(plan.scenarios) > 1:
        yield ""
        yield from _overview(plan.scenarios)
    for scenario in plan.scenarios:
        yield ""
        yield from _scenario_lines(scenario, rig, width, round_trip)
    yield ""
    yield "What can be seen at best (a shorter pulse can hide between two reads)"
    sights = [(rig.points[sight.point].shown, _sight_text(rig, sight)) for sight in _sharpest(plan)]
    yield from _columns(sights, width)
    yield ""
    yield from [*left_out, ""] if left_out else ()
    yield from _rig_lines(plan, worn, writes, width)


def _columns(rows: Sequence[tuple[str, str]], width: int) -> Iterator[str]:
    """Rows of a name and its text; the texts begin in one column, a little further right where names are long."""
    longest = max((len(left) for left, _ in rows), default=0)
    indent = 2 + max(_INDENT, min(longest + 2, width // 3))
    for left, text in rows:
        yield from hanging(f"  {left}", text, width, indent)


def _overview(plans: Sequence[ScenarioPlan]) -> Iterator[str]:
    """All scenarios at a glance: cycles, length, and the reliability that they show if none of them fails."""
    rows = [("scenario", "cycles", "each lasts", "shows, if none fails")]
    for plan in plans:
        cases = plan.cases[:1] if len({(case.each, case.cycles) for case in plan.cases}) == 1 else plan.cases
        each = sorted({planned_span(case.each) for case in cases}, key=len)
        shown = min((support_of(plan.scenario.demonstrate, case.cycles) for case in plan.cases), key=_reliability)
        reliability = _percent(shown.reliability) if shown.reached >= shown.confidence else "out of reach:"
        wanted = f"{reliability} at {_percent(shown.confidence)} confidence"
        rows.append((plan.scenario.name, str(plan.cycles), each[0] if len(each) == 1 else "see below", wanted))
    name, cycles, lasts = (max(len(row[n]) for row in rows) for n in range(3))
    for row in rows:
        yield f"  {row[0]:<{name}}  {row[1]:>{cycles}}  {row[2]:<{lasts}}  {row[3]}"


def _reliability(support: Support) -> float:
    return support.reliability


def _scenario_lines(plan: ScenarioPlan, rig: Rig, width: int, round_trip: RoundTrip | None) -> Iterator[str]:
    scenario = plan.scenario
    yield from hanging(f"{scenario.name}:", scenario.purpose, width, 4) if scenario.purpose else [scenario.name]
    for case in plan.cases:
        name = case.case.name or "one case"
        yield f"  {name}: {counted(case.cycles, 'cycle')}, {planned_span(case.each)} each"
        for moment in case.timeline:
            yield from hanging(f"    {_when(moment)}", moment.text, width, _INDENT + 4)
        if scenario.how == "supply":
            yield from hanging("    true off time", _off_time_text(case, rig, round_trip), width, _INDENT + 4)
        if case.case.at.is_random:
            drawn = f"{show_duration(case.case.at.low_ns)} to {show_duration(case.case.at.high_ns)}"
            yield from hanging("    drawn", f"{drawn} from the last step to the cut, anew in each", width, _INDENT + 4)
        yield from hanging("    supports", support_text(plan, case), width, _INDENT + 4)
    judged = [*scenario.during, *scenario.after]
    for number, expectation in enumerate(judged):
        yield from hanging("    judged" if not number else "", f"{expectation.point} {expectation.text}", width, 21)
    for text in [*(limit.text for limit in scenario.times), *(gap.text for gap in scenario.gaps)]:
        yield from hanging("", text, width, 21)


def _off_time_text(case: CasePlan, rig: Rig, round_trip: RoundTrip | None) -> str:
    if rig.supply is None or rig.supply.contact is None or case.off_time.high_ns is None:
        return "found out in each cycle; this supply states no delays"
    text = f"{bounds_text((case.off_time.low_ns, case.off_time.high_ns))}, from the relay's data sheet values"
    if round_trip is None:
        return f"{text} (and not the time that a command is under way: `look` measures it where a relay can be asked)"
    return f"{text} and {show_duration(_tenth_ms(round_trip.longest_ns))} for a command (`look`, {round_trip.day})"


def _tenth_ms(ns: int) -> int:
    return -(-ns // 100_000) * 100_000


def _when(moment: Moment) -> str:
    if moment.at is None:
        return moment.phase
    low, high = moment.at.low_ns, moment.at.high_ns
    if high == low:
        return show_duration(low)
    return f"{show_duration(low)} to {show_duration(high)}" if high is not None else f"from {show_duration(low)}"


def planned_span(span: Span) -> str:
    """ "15 s", "15 s to 1 min 10 s", "15 s or more": whole seconds once it is long enough."""
    low = show_duration(_coarse(span.low_ns))
    if span.high_ns is None:
        return f"{low} or more (a person answers)"
    high = show_duration(_coarse(span.high_ns))
    return low if low == high else f"{low} to {high}"


def _coarse(ns: int) -> int:
    step = 60 * _S if ns >= 3600 * _S else _S if ns >= 20 * _S else _S // 10
    return -(-ns // step) * step


def support_text(plan: ScenarioPlan, case: CasePlan) -> str:
    """What so many cycles of this case will show, and what it would take to show more."""
    demonstration = plan.scenario.demonstrate
    support = support_of(demonstration, case.cycles)
    cycles, reliability = counted(case.cycles, "cycle"), _percent(support.reliability)
    if demonstration is None:
        verb = "shows" if case.cycles == 1 else "show"
        text = f"{cycles} without a failure {verb} {reliability} at {_percent(support.confidence)} confidence"
        enough = support.reliability >= WORTH_SHOWING
        return text if enough else f"{text} ({support.needed} would show {_percent(WORTH_SHOWING)})"
    misses = support.missing_allowed
    allowed = f"at most {misses} inconclusive and no fail" if misses else "no failure"
    reached, wanted = _percent(support.reached), _percent(support.confidence)
    if support.reached >= support.confidence:
        return f"{cycles} with {allowed} show {reliability} at {reached} confidence ({wanted} demanded)"
    return (
        f"{cycles} with {allowed} show {reliability} at no more than {reached} confidence, {wanted} is demanded: "
        f"the demonstration can't be reached; {counted(support.needed, 'cycle')} would do"
    )


def _percent(fraction: float) -> str:
    return percent_text(fraction).replace(".0 %", " %")


def _sharpest(plan: SuitePlan) -> list[Sight]:
    """One sight a point: the one that asks for the shortest pulse."""
    best: dict[str, Sight] = {}
    for scenario in plan.scenarios:
        for sight in scenario.sights:
            known = best.get(sight.point)
            if known is None or (sight.asked_ns or 1 << 62) < (known.asked_ns or 1 << 62):
                best[sight.point] = sight
    return list(best.values())


def _sight_text(rig: Rig, sight: Sight) -> str:
    delay = f" + {show_duration(sight.input_delay_ns)} input delay" if sight.input_delay_ns else ""
    asked = f", asked for {show_duration(sight.asked_ns)}" if sight.asked_ns is not None else ""
    if sight.too_coarse:
        asked += ": TOO COARSE, this can never pass; poll faster, take a faster input, or ask for a longer pulse"
    where = "terminal on " if sight.judged != sight.point else ""
    dark = "" if sight.sees_through_the_cut else ", blind while it is dark"
    address = address_word(rig.points[sight.judged])
    poll = f"poll {show_duration(sight.poll_ns)}{delay}"
    return f"{show_duration(sight.excludes_ns)}{asked}; {where}{sight.device}{dark}: {poll}; {address}"


# ---------------------------------------------------------------- the rig


def _rig_lines(plan: SuitePlan, worn: int, writes: Collection[str], width: int) -> Iterator[str]:
    rig = plan.rig
    written = [point for point in rig.points.values() if point.name in writes]
    yield "What this suite writes" if written else "This suite writes nothing"
    yield from _columns([(point.shown, f"{point.device}: {address_word(point)}") for point in written], width)
    by_hand = [point for point in rig.points.values() if point.by_hand is not None]
    if by_hand:
        yield "What a person works when asked"
    yield from _columns([(one.shown, f"{one.by_hand}, seen in {address_word(one)}") for one in by_hand], width)
    yield ""
    yield "Supply, archive"
    for left, text in _facts(plan, worn):
        yield from hanging(f"  {left}", text, width, _INDENT + 2)
    yield "Nothing was moved."


def _facts(plan: SuitePlan, worn: int) -> Iterator[tuple[str, str]]:
    supply = plan.rig.supply
    if supply is not None:
        yield "driver", supply.address or supply.driver
        rated = supply.limits.operations
        after = worn + plan.switchings
        of = f" of {rated} rated" if rated is not None else ""
        yield "operations", f"{plan.switchings} planned, {worn} behind it, {after}{of} afterwards"
        if rated is not None and after > rated:
            yield "WORN", "the plan goes beyond the rated life: change the relay, or plan fewer cycles"
        yield "at the end", f"supply {supply.at_end}; after trouble: {supply.after_trouble}"
        yield "fallback", supply.fallback or "not stated: what does the relay do when this computer dies?"
    low, high = plan.archive_bytes.low_ns, plan.archive_bytes.high_ns
    yield "archive", f"about {_megabytes(low)}" + (f" to {_megabytes(high)}" if high not in (low, None) else "")
    yield "loads", plan.rig.loads


def _megabytes(count: int | None) -> str:
    return f"{max(1, round((count or 0) / 1e6))} MB"
