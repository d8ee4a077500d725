"""The plan of a suite in lines that a person reads before anything moves (`check`)."""

from __future__ import annotations

import shutil
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from restart_bench.campaigns.reliability import CONFIDENCE, cycles_needed, rarest_seen
from restart_bench.cli.round_trips import RoundTrip
from restart_bench.judging.campaign.coverage import coverage_of, left_out_words
from restart_bench.model.rig import Rig, asks_person
from restart_bench.model.scenario import Search
from restart_bench.model.units import show_duration
from restart_bench.model.wording import (
    FROM_MEMORY,
    address_word,
    bounds_text,
    counted,
    hanging,
    percent_text,
    searched_words,
    source_text,
    without_controls,
)
from restart_bench.suite.plan import (
    SWITCHINGS_PER_CUT,
    WORTH_SHOWING,
    CasePlan,
    Moment,
    ScenarioPlan,
    Sight,
    Span,
    SuitePlan,
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
    free_bytes: int | None = None,
    round_trip: RoundTrip | None = None,
) -> list[str]:
    """The whole plan. `worn` counts the commands that the supply's contact took in earlier runs, `writes` names the
    points that this suite may write; left_out: lines about what no scenario plays; `free_bytes`: what the disk of the
    archive has left (None: not known); `round_trip` is what the off times were reckoned with."""
    lines = [
        *_lines(plan, width, round_trip),
        *([*left_out, ""] if left_out else []),
        *_rig_lines(plan, worn, writes, width, free_bytes),
    ]
    return [without_controls(line) for line in lines]


def _lines(plan: SuitePlan, width: int, round_trip: RoundTrip | None) -> Iterator[str]:
    rig = plan.rig
    scenarios, cycles = counted(len(plan.scenarios), "scenario"), _fewest_to_most(plan.cycles, plan.spared, "cycle")
    people = " without people's time" if asks_person(rig) and plan.lasts.high_ns is not None else ""
    yield f"{rig.name}: {scenarios}, {cycles}, {planned_span(plan.lasts)}{people}"
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
        shown = min(
            (support_of(plan.scenario.demonstrate, case.cycles) for case in plan.cases), key=lambda one: one.reliability
        )
        reliability = _percent(shown.reliability) if shown.reached >= shown.confidence else "out of reach:"
        wanted = f"{reliability} at {_percent(shown.confidence)} confidence"
        if plan.scenario.search is not None:
            wanted = f"what is ridden through: {searched_words(plan.scenario.search)}"
        cycles_told = _fewest_to_most(plan.cycles, plan.spared)
        rows.append((plan.scenario.name, cycles_told, each[0] if len(each) == 1 else "see below", wanted))
    name, cycles, lasts = (max(len(row[n]) for row in rows) for n in range(3))
    for row in rows:
        yield f"  {row[0]:<{name}}  {row[1]:>{cycles}}  {row[2]:<{lasts}}  {row[3]}"


def _scenario_lines(plan: ScenarioPlan, rig: Rig, width: int, round_trip: RoundTrip | None) -> Iterator[str]:
    scenario = plan.scenario
    yield from hanging(f"{scenario.name}:", scenario.purpose, width, 4) if scenario.purpose else [scenario.name]
    if scenario.durations is not None:
        yield from hanging("    cuts from", source_text(scenario.durations), width, _INDENT + 4)
    for case in plan.cases:
        name = case.case.name or "one case"
        memory = f" ({FROM_MEMORY})" if case.case.from_memory else ""
        cycles = _fewest_to_most(case.cycles, case.cycles - case.fewest, "cycle")
        yield f"  {name}{memory}: {cycles}, {planned_span(case.each)} each"
        for moment in case.timeline:
            yield from hanging(f"    {_when(moment)}", moment.text, width, _INDENT + 4)
        if scenario.how == "supply":
            again = "only where the controller restarts again by itself: ready and watch count anew from each restart"
            yield from hanging("    longer", again, width, _INDENT + 4)
            yield from hanging("    true off time", _off_time_text(case, rig, round_trip), width, _INDENT + 4)
        if case.case.at.is_random:
            drawn = f"{show_duration(case.case.at.low_ns)} to {show_duration(case.case.at.high_ns)}"
            yield from hanging("    drawn", f"{drawn} from the last step to the cut, anew in each", width, _INDENT + 4)
        if scenario.search is not None:
            yield from hanging("    searches", _search_text(case, scenario.search), width, _INDENT + 4)
            continue
        yield from hanging("    supports", support_text(plan, case), width, _INDENT + 4)
    judged = [*scenario.during, *scenario.after]
    for number, expectation in enumerate(judged):
        yield from hanging("    judged" if not number else "", f"{expectation.point} {expectation.text}", width, 21)
    for text in [*(limit.text for limit in scenario.times), *(gap.text for gap in scenario.gaps)]:
        yield from hanging("", text, width, 21)


def _search_text(case: CasePlan, search: Search) -> str:
    """What a search looks for, and what it may take."""
    from restart_bench.campaigns.search import CONFIRMATIONS, usual_cycles  # numpy, for searches alone

    both, sharp = 2 * CONFIRMATIONS, min(search.cycles, usual_cycles(search))
    sharply = f"{both} to {sharp}" if sharp > both else str(both)
    return (
        f"{searched_words(search)}: {case.fewest} cycles where no cut is ridden through, {sharply} where what "
        f"is ridden through and what restarts separate sharply, up to {search.cycles} where they overlap; each off "
        "time follows from the outcomes before it"
    )


def _fewest_to_most(most: int, spared: int, one: str = "") -> str:
    """`12 cycles`, `17 to 40 cycles`: a search may be over earlier."""
    number = f"{most - spared} to " if spared else ""
    return f"{number}{counted(most, one)}" if one else f"{number}{most}"


def _off_time_text(case: CasePlan, rig: Rig, round_trip: RoundTrip | None) -> str:
    if rig.supply is None or rig.supply.contact is None or case.off_time.high_ns is None:
        return "found out in each cycle; this supply states no delays"
    text = f"{bounds_text((case.off_time.low_ns, case.off_time.high_ns))}, from the relay's data sheet values"
    if round_trip is None:
        return f"{text} (and not the time that a command is under way: `look` measures it where a relay can be asked)"
    command_ns = -(-round_trip.longest_ns // 100_000) * 100_000  # to a tenth of a millisecond
    return f"{text} and {show_duration(command_ns)} for a command (`look`, {round_trip.day})"


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


def _rig_lines(
    plan: SuitePlan, worn: int, writes: Collection[str], width: int, free_bytes: int | None
) -> Iterator[str]:
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
    for left, text in _facts(plan, worn, free_bytes):
        yield from hanging(f"  {left}", text, width, _INDENT + 2)
    yield "Nothing was moved."


def _facts(plan: SuitePlan, worn: int, free_bytes: int | None) -> Iterator[tuple[str, str]]:
    supply = plan.rig.supply
    if supply is not None:
        by_hand = f"by hand: {supply.settings.get('switch', '')}" if supply.by_hand else ""
        yield "driver", by_hand or supply.address or supply.driver
        rated = supply.limits.operations
        after = worn + plan.switchings
        of = f" of {rated} rated" if rated is not None else ""
        spared = SWITCHINGS_PER_CUT * plan.spared
        planned = _fewest_to_most(plan.switchings, spared)
        yield "operations", f"{planned} planned, {worn} behind it, {_fewest_to_most(after, spared)}{of} afterwards"
        if rated is not None and after > rated:
            yield "WORN", "the plan goes beyond the rated life: change the relay, or plan fewer cycles"
        yield "at the end", f"supply {supply.at_end}; after trouble: {supply.after_trouble}"
    if supply is not None and not supply.by_hand:
        yield "fallback", supply.fallback or "not stated: what does the relay do when this computer dies?"
    for one in plan.hourly:
        what = f"starts of {plan.rig.points[one.point].shown}" if one.point else "cuts"
        takes = f": no less than {show_duration(one.takes_ns)}" if one.takes_ns else ""
        yield "each hour", f"{one.planned} {what} planned, at most {one.per_hour} an hour{takes}"
    low, high = plan.archive_bytes.low_ns, plan.archive_bytes.high_ns
    size = f"about {_size(low)}" + (f" to {_size(high)}" if high is not None and _size(high) != _size(low) else "")
    yield "archive", size + (f"; {_size(free_bytes)} free" if free_bytes is not None else "")
    if free_bytes is not None and max(low, high or 0) > free_bytes:
        will = "will not" if low > free_bytes else "may not"
        yield "FULL", f"the archive {will} fit on its disk: make room, name another with --logs, or plan fewer cycles"
    yield "loads", plan.rig.loads
    left = left_out_words(coverage_of([one.scenario for one in plan.scenarios]))
    if left:
        yield "left out", left
    if plan.tries:
        yield "if all passes", _seen_text(plan)


def _seen_text(plan: SuitePlan) -> str:
    """How rare a fault would be seen in the case that is tried least, and what it takes to see rarer ones."""
    seen = rarest_seen(plan.tries)
    tries = f"with {counted(plan.tries, 'cycle')} of the case that is tried least"
    more = f"{cycles_needed(WORTH_SHOWING, CONFIDENCE)} cycles of each case would show one time in 20"
    if seen < 2:
        return f"{tries} even a fault that comes up by chance every second time may be missed; {more}"
    shown = f"{tries} a fault that comes up by chance one time in {seen} is seen ({_percent(CONFIDENCE)} sure)"
    return shown if seen >= 20 else f"{shown}; {more}"


def free_bytes(folder: Path) -> int | None:
    """What the disk has left on which a folder lies, or would lie; None where the system does not say."""
    there = next((one for one in (folder.absolute(), *folder.absolute().parents) if one.is_dir()), None)
    with suppress(OSError):
        return shutil.disk_usage(there).free if there is not None else None
    return None


def _size(count: int | None) -> str:
    """Whole megabytes, from 10 GB on whole gigabytes."""
    size = count or 0
    return f"{round(size / 1e9)} GB" if size >= 1e10 else f"{max(1, round(size / 1e6))} MB"
