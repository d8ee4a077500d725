"""The search for the longest cut that is ridden through and the shortest that restarts: what its cycles show, and which
off time comes next. Made of judged cycles alone, so that it goes on from an archive as it stood.

A cycle is a trial by its true off time, as commands and proofs bound it, never by the one asked for.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from restart_bench.campaigns.search import FRUITLESS, Answer, Stop, answer, next_step, widest
from restart_bench.campaigns.threshold import Trial, sharp_interval
from restart_bench.evidence.supply_off import narrowest
from restart_bench.model.journal import CONTRADICTORY, LEFT_OUT, CycleJudged, FindingKind
from restart_bench.model.scenario import Scenario, Search
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import OUTCOMES, at_least, at_most, bounds_text, counted, listed, span_text

Pair = tuple[int, int]


class Zone(StrEnum):
    """What a cut did to the controller, as far as the evidence goes. A restart is warm where what had to be as before
    was so, cold where something of it was lost, and just a restart where nothing was demanded to be as before."""

    RIDES = "rides through"
    PARTIAL = "partial reset"
    WARM = "warm restart"
    COLD = "cold restart"
    RESTARTS = "restarts"


@dataclass(frozen=True, slots=True)
class Tried:
    """One valid cut: its cycle, its off time as asked and as bounded, and what it did."""

    cycle: int
    asked_ns: int
    off_ns: Pair
    zone: Zone

    @property
    def width_ns(self) -> int:
        """How closely its off time is known."""
        return self.off_ns[1] - self.off_ns[0]


@dataclass(frozen=True, slots=True)
class ZoneSeen:
    """All cuts that did the same: bounds of the shortest and of the longest of them."""

    zone: Zone
    shortest_ns: Pair
    longest_ns: Pair
    cycles: int


@dataclass(frozen=True, slots=True)
class SearchFound:
    """Where a search stands. `rides_through_ns`: the longest cut that was ridden through without a trace, `restarts_ns`
    the shortest that restarted; None where there was none. `next_ns`: the off time to ask for next, None once it is
    `over`. `answer`: of the end of riding through. `left_out`: valid cuts that are not `tried`, since of their off time
    too little is known; `late`: cuts that are none of this search, since bench or computer were late."""

    search: Search
    tried: tuple[Tried, ...]
    zones: tuple[ZoneSeen, ...]
    rides_through_ns: Pair | None
    restarts_ns: Pair | None
    answer: Answer
    over: Stop | None
    next_ns: int | None
    cycles: int
    left_out: tuple[Tried, ...] = ()
    late: int = 0

    @property
    def answered(self) -> bool:
        """True where the end of riding through was found: a confirmed bracket, or a threshold with its interval; and
        no cut that was left out speaks against it."""
        fitted = self.answer.threshold is not None and None not in (self.answer.low, self.answer.high)
        return (self.over is Stop.FOUND or (self.over is Stop.CYCLES and fitted)) and not self.against

    @property
    def against(self) -> tuple[Tried, ...]:
        """Of the cuts that were left out those that did what no other cut of their length did, however vague that is:
        they restarted, and were surely shorter than one that was ridden through, or the other way round. A threshold
        says itself that outcomes overlap."""
        rides, restarts = self.rides_through_ns, self.restarts_ns
        disturbed = any(one.zone is not Zone.RIDES for one in self.tried)

        def speaks_against(one: Tried) -> bool:
            if one.zone is Zone.RIDES:
                return restarts is not None and (rides is None or one.off_ns[0] > restarts[1])
            return rides is not None and (not disturbed or (_restarts(one.zone) and one.off_ns[1] < rides[0]))

        return () if self.answer.threshold is not None else tuple(filter(speaks_against, self.left_out))


def search_found(scenario: Scenario, cycles: Sequence[CycleJudged]) -> SearchFound | None:
    """Where the search of a scenario stands after these cycles; None where the scenario searches for nothing."""
    search = scenario.search
    if search is None:
        return None
    mine = sorted((one for one in cycles if one.scenario == scenario.name), key=lambda one: one.cycle)
    cuts = [_tried(scenario, one) for one in mine]
    fruitless = next((number for number, one in enumerate(reversed(cuts)) if one is not None), len(cuts))
    valid = [one for one in cuts if one is not None]
    most_ns = widest([one.width_ns for one in valid], search.resolution_ns)
    tried = tuple(one for one in valid if one.width_ns <= most_ns)
    step = _next(search, tried, len(mine), fruitless)
    disturbed = [Trial(*one.off_ns, one.zone is not Zone.RIDES) for one in tried]
    ridden = [one.off_ns for one in tried if one.zone is Zone.RIDES]
    restarted = [one.off_ns for one in tried if _restarts(one.zone)]
    return SearchFound(
        search, tried, tuple(_zones(tried)),
        max(ridden, default=None), min(restarted, key=_soonest, default=None),
        answer(disturbed), step if isinstance(step, Stop) else None,
        None if isinstance(step, Stop) else step, len(mine),
        tuple(one for one in valid if one.width_ns > most_ns), sum(is_left_out(one) for one in mine),
    )  # fmt: skip


def _next(search: Search, tried: Sequence[Tried], done: int, fruitless: int) -> int | Stop:
    """First where riding through ends; where some cuts reset a part of the controller only, also where restarts
    begin."""
    asks: list[Callable[[Zone], bool]] = [lambda zone: zone is not Zone.RIDES]
    if any(one.zone is Zone.PARTIAL for one in tried):
        asks.append(_restarts)
    for broken in asks:
        trials = [Trial(*one.off_ns, broken(one.zone)) for one in tried]
        step = next_step(trials, search, done=done, fruitless=fruitless)
        if not isinstance(step, Stop):
            late = statistics.median(one.asked_ns - sum(one.off_ns) / 2 for one in tried) if tried else 0.0
            grain: int = 10 ** max(0, len(str(search.resolution_ns)) - 2)  # a length that people can read
            return min(search.longest_ns, max(search.shortest_ns, round((step + late) / grain) * grain))
        never_restarts = broken is _restarts and step is Stop.ALL_RIDDEN
        if step is not Stop.FOUND and not never_restarts:
            return step
    return Stop.FOUND


def _soonest(off: Pair) -> Pair:
    """By the end by which it was surely over: of all that restarted the one that says most."""
    return off[1], off[0]


def _restarts(zone: Zone) -> bool:
    return zone not in (Zone.RIDES, Zone.PARTIAL)


def _zones(tried: Sequence[Tried]) -> Iterator[ZoneSeen]:
    for zone in Zone:
        off = sorted(one.off_ns for one in tried if one.zone is zone)
        if off:
            yield ZoneSeen(zone, min(off, key=_soonest), off[-1], len(off))


# ---------------------------------------------------------------- one cycle


def _tried(scenario: Scenario, cycle: CycleJudged) -> Tried | None:
    """None where the cycle is no valid test, or shows neither that it was ridden through nor that it was not."""
    zone, off = zone_of(scenario, cycle), _off_ns(cycle)
    if zone is None or off is None:
        return None
    return Tried(cycle.cycle, int(cycle.figures.get("off_for_ns", round(sum(off) / 2))), off, zone)


def _off_ns(cycle: CycleJudged) -> Pair | None:
    """The true off time, as narrow as commands and proof make it together."""
    commanded, seen = cycle.figures.get("off_time_ns"), cycle.figures.get("off_time_seen_ns")
    if commanded is None:
        return None
    return narrowest((commanded[0], commanded[1]), None if seen is None else (seen[0], seen[1]))


def zone_of(scenario: Scenario, cycle: CycleJudged) -> Zone | None:
    """What a cut did, from what the judge found: its restart proofs, its findings, and what the outputs did."""
    broken = any(one.kind is FindingKind.VALIDITY and one.verdict is Verdict.ERROR for one in cycle.findings)
    if broken or cycle.verdict is Verdict.ERROR:
        return None
    restarted, kept = cycle.restarted, _as_before(scenario, cycle)
    if restarted is None:  # a link that was lost beside an uptime that went on: a part of it was reset
        contradictory = any(CONTRADICTORY in one.figures for one in cycle.findings)
        return Zone.PARTIAL if contradictory else None
    if restarted is False:
        return Zone.PARTIAL if Verdict.FAIL in kept or any(seen.dropped for seen in cycle.outputs) else Zone.RIDES
    if Verdict.FAIL in kept:
        return Zone.COLD
    return Zone.WARM if Verdict.PASS in kept else Zone.RESTARTS


def is_left_out(cycle: CycleJudged) -> bool:
    """Whether a cycle of a search is no test only because bench or computer were late with its cut or with its proof:
    then it is nothing that the search asks about, and another cut takes its place (rule 8)."""
    broken = [one for one in cycle.findings if one.kind is FindingKind.VALIDITY and one.verdict is Verdict.ERROR]
    return bool(broken) and cycle.verdict is Verdict.ERROR and all(one.subject == LEFT_OUT for one in broken)


def _as_before(scenario: Scenario, cycle: CycleJudged) -> list[Verdict]:
    """What became of the demands that speak of what was before the cut."""
    demands = [one for one in scenario.after if one.wanted.as_before or one.wanted.change is not None]
    asked = {(one.point, one.text or one.kind.value) for one in demands}
    return [one.verdict for one in cycle.findings if (one.point, one.expectation) in asked]


# ---------------------------------------------------------------- words


def off_text(off: Pair) -> str:
    """`18.1 .. 22.4 ms`: bounds of a true off time."""
    return bounds_text(off)


def outcome_of_search(cycle: CycleJudged) -> str:
    """`, truly off for 55.9 .. 61.6 ms: rode through`, of a cycle of a search; "" of any other."""
    off = _off_ns(cycle)
    if not cycle.searched or off is None:
        return ""
    return f", truly off for {off_text(off)}: {OUTCOMES[cycle.restarted]}"


def found_text(found: SearchFound) -> str:
    """What the search found, or why it found nothing, in a sentence without its full stop."""
    search = found.search
    if found.over is None:
        return f"the search was not ended: a cut of {span_text(found.next_ns or 0, found.next_ns or 0)} would come next"
    if found.over is Stop.ALL_RIDDEN:
        asked = [one.asked_ns for one in found.tried]  # less than the longest, where relays are late
        told = f"the longest ({show_duration(search.longest_ns)}) {counted(asked.count(max(asked)), 'time')}"
        return f"every cut was ridden through, {told}{_but(found) or ': search longer'}"
    if found.over is Stop.NONE_RIDDEN:
        told = f"no cut was ridden through, not even the shortest ({show_duration(search.shortest_ns)})"
        return f"{told}{_but(found) or ': search shorter, where the relay can'}"
    if found.over is Stop.FRUITLESS:
        return f"the last {FRUITLESS} cycles show neither a restart nor that it rode through, so the search was ended"
    if found.against:
        return f"{_between(found)}{_but(found)}"
    if not found.answered:
        return (
            f"the search was ended by its {counted(found.cycles, 'cycle')}: {_between(found)}; let it take more "
            "(at_most:)"
        )
    return _between(found)


def _but(found: SearchFound) -> str:
    """The cuts that were left out and speak against the answer; "" where none do."""
    told = [f"{off_text(one.off_ns)} ({one.zone.value}, cycle {one.cycle})" for one in found.against]
    return f"; but against it speaks what was left out, known too vaguely: {listed(told)}" if told else ""


def _between(found: SearchFound) -> str:
    threshold = found.answer.threshold
    if threshold is None:
        rides, restarts = found.rides_through_ns, found.restarts_ns
        parts = [f"longest cut ridden through {off_text(rides)}"] if rides is not None else []
        partial = next((one for one in found.zones if one.zone is Zone.PARTIAL), None)
        parts += [f"shortest with a partial reset {off_text(partial.shortest_ns)}"] if partial is not None else []
        parts += [f"shortest that restarted {off_text(restarts)}"] if restarts is not None else []
        return ", ".join(parts) or "nothing is known yet"
    half = round(threshold.middle)
    return f"half of the cuts of {span_text(half, half)} are not ridden through; {sure_text(found.answer)}"


SIGNS = {Zone.RIDES: "o", Zone.PARTIAL: "/", Zone.WARM: "x", Zone.COLD: "X", Zone.RESTARTS: "x"}
"""How the cuts of a zone are drawn where there is nothing but text."""


def strip(found: SearchFound, width: int) -> tuple[str, str]:
    """The cuts over their true off time in `width` characters (`*` where there are several kinds), and its two ends."""
    if not found.tried:
        return "", ""
    low, high = min(one.off_ns[0] for one in found.tried), max(one.off_ns[1] for one in found.tried)
    places: dict[int, set[str]] = {}
    for one in found.tried:
        middle = sum(one.off_ns) / 2
        places.setdefault(round((middle - low) / max(1, high - low) * (width - 1)), set()).add(SIGNS[one.zone])
    signs = [places.get(place, {"."}) for place in range(width)]
    first, last = at_least(low), at_most(high)
    drawn = "".join(next(iter(sign)) if len(sign) == 1 else "*" for sign in signs)
    return drawn, f"{first}{last:>{max(1, width - len(first))}}"


def sure_text(told: Answer) -> str:
    """`95 % sure: that lies between 22.0 ms and 26.3 ms`; what is not known of either end is said."""
    low, high = told.low, told.high
    sure = f"{round(told.confidence * 100)} % sure"
    if low is not None and high is not None:
        return f"{sure}: between {at_least(max(0, math.floor(low)))} and {at_most(math.ceil(high))}"
    if low is not None:
        return f"{sure}: above {at_least(max(0, math.floor(low)))}"
    return (
        f"{sure}: below {at_most(math.ceil(high))}" if high is not None else "too few trials to be sure of either end"
    )


def _as_sure_as_it_is(found: SearchFound) -> str:
    """The interval; where it spans all that was tried, that it says nothing yet, and what would help."""
    told = found.answer
    ends = min(one.off_ns[0] for one in found.tried), max(one.off_ns[1] for one in found.tried)
    if told.low is None or told.high is None or told.low > ends[0] or told.high < ends[1]:
        return f", {sure_text(told)}"
    more = _more_needed(found)
    helps = (
        f"{counted(2 * more, 'more cut')}, {more} like each end of the bracket, would bring it down to the bracket"
        if more is not None
        else "more cuts would not help, since single cuts are not known closely enough: read the proof faster"
    )
    sure = f"{round(told.confidence * 100)} % sure"
    return f" is not known yet: {sure} is only the whole span that was tried; {helps}"


def _more_needed(found: SearchFound) -> int | None:
    """How many more cuts like each end of the bracket narrow the interval down to it; None where none do."""
    ends = found.answer.bracket
    assert ends.rides_through is not None and ends.restarts is not None
    trials = [Trial(*one.off_ns, one.zone is not Zone.RIDES) for one in found.tried]
    for more in range(1, ENOUGH_IN_A_ROW):
        added = [Trial(*ends.rides_through, False), Trial(*ends.restarts, True)] * more
        low, high = sharp_interval([*trials, *added])
        if low is not None and high is not None and ends.rides_through[0] <= low and high <= ends.restarts[1]:
            return more
    return None


ENOUGH_IN_A_ROW = 12
"""Twice as many alike as show an end: where they do not narrow an interval, no number does."""


def search_limits(found: SearchFound) -> Iterator[str]:
    """What a search does not show, in sentences."""
    if not found.tried:
        return
    shortest, longest = min(one.off_ns for one in found.tried), max(one.off_ns for one in found.tried)
    yield (
        f"{counted(len(found.tried), 'cut')} with true off times from {off_text(shortest)} to {off_text(longest)} "
        "(commands, relay data and proofs); what happens between and beyond them is not shown."
    )
    of = counted(found.cycles, "cycle")
    nothing = found.cycles - len(found.tried) - len(found.left_out) - found.late
    if nothing:
        show = "shows" if nothing == 1 else "show"
        yield f"{nothing} of {of} {show} nothing of it; such a cut is asked for again."
    if found.late:
        yield (
            f"{found.late} of {of} left out: relay or computer were late, so that the cut may have been none of those "
            "searched, or its proof was not read; another was made in its place."
        )
    if found.left_out:
        vague = span_text(*(end([one.width_ns for one in found.left_out]) for end in (min, max)))
        yield f"{len(found.left_out)} of {of} left out: the off time is known to {vague} only; another was made."
    if found.answer.threshold is None and found.answer.bracket.rides_through and found.answer.bracket.restarts:
        yield f"The off time at which half of the cuts are not ridden through{_as_sure_as_it_is(found)}."
    yield "How long it holds up depends on load, voltage, temperature and age: it was found for this rig as it was."
