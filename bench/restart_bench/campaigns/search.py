"""Which off time a search for the end of riding through tries next, and when it is over.

Everything follows from the trials so far, so that a search that was broken off goes on where it was. Both ends of the
range come first, then halving, until the bracket is as narrow as asked or as bounds can make it; then its ends are
confirmed from ever farther out, since a spread wider than the bracket shows as an outcome that should not be there.
Where outcomes overlap it is tried on both sides of the fitted threshold, where a trial tells most.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from restart_bench.campaigns.threshold import Bracket, Threshold, Trial, bracket, fit, roughly, sharp_interval
from restart_bench.model.scenario import Search

BESIDE = 0.8
"""So many spreads to both sides of the threshold it is tried, where outcomes overlap: there a trial tells most."""
LEAST_TO_FIT = 12
CONFIRMATIONS = 6
"""So often each end of the bracket is confirmed."""
FARTHER_OUT = (0.0, 0.5, 1.0, 1.0, 2.0, 4.0)
"""Where an end is confirmed: so many resolutions beyond it, one after the other."""
NARROW = 3
"""The interval of a fitted threshold is narrow enough at so many resolutions."""
WIDE = 3
"""Bounds of an off time so many times as wide as usual tell too little to be worth a place among the trials."""
FRUITLESS = 4
"""So many cycles in a row that show no outcome end a search: more would wear the contact, and show as little."""


class Stop(StrEnum):
    """Why a search is over."""

    FOUND = "found"  # the bracket is as narrow as asked and confirmed, or the threshold's interval is narrow
    ALL_RIDDEN = "all ridden through"
    NONE_RIDDEN = "none ridden through"
    CYCLES = "out of cycles"
    FRUITLESS = "no outcome"


@dataclass(frozen=True, slots=True)
class Answer:
    """What the trials show. `threshold` where outcomes surely overlap; else the bracket is the answer. `low` and `high`
    hold the off time at which half of the cuts restart, with `confidence`; None where the trials set no end."""

    bracket: Bracket
    threshold: Threshold | None
    low: float | None
    high: float | None
    confidence: float = 0.95


def widest(widths: Sequence[float], resolution: float) -> float:
    """How wide the bounds of an off time may be, beside those of the other cuts: a computer that was late for once
    makes a cut of which hardly anything is known, and the search is better off without it."""
    return max(resolution, WIDE * statistics.median_low(widths)) if widths else resolution


def answer(trials: Sequence[Trial], confidence: float = 0.95) -> Answer:
    """The bracket, the threshold where outcomes overlap, and the interval that goes with it."""
    found = fit(trials, confidence)
    low, high = sharp_interval(trials, confidence) if found is None else (found.low, found.high)
    return Answer(bracket(trials), found, low, high, confidence)


def next_step(trials: Sequence[Trial], search: Search, *, done: int | None = None, fruitless: int = 0) -> float | Stop:
    """The true off time to try next, or why the search is over. done: cycles that were done, those without an outcome
    included (None: one a trial); fruitless: how many of them in a row, up to the last, had none."""
    found = _step(trials, search)
    if isinstance(found, Stop):
        return found
    if (len(trials) if done is None else done) >= search.cycles:
        return Stop.CYCLES
    if fruitless >= FRUITLESS:
        return Stop.FRUITLESS
    return min(search.longest_ns, max(search.shortest_ns, found))


def _step(trials: Sequence[Trial], search: Search) -> float | Stop:
    ridden = [one for one in trials if not one.restarted]
    restarted = [one for one in trials if one.restarted]
    if not ridden:
        return search.shortest_ns if len(restarted) < CONFIRMATIONS else Stop.NONE_RIDDEN
    if not restarted:  # the first of them was the shortest
        return search.longest_ns if len(ridden) <= CONFIRMATIONS else Stop.ALL_RIDDEN
    if bracket(trials).overlap:
        return _beside_the_threshold(trials, search)
    below, above = max(one.middle for one in ridden), min(one.middle for one in restarted)
    finest = max(search.resolution_ns, statistics.median(one.high - one.low for one in trials))
    if above - below > finest:
        return (below + above) / 2
    return _to_confirm(trials, (below, above), finest)


def _to_confirm(trials: Sequence[Trial], ends: tuple[float, float], finest: float) -> float | Stop:
    """Beyond both ends of the bracket, by turns and each time farther out, until both sides were tried often enough
    and so many in a row were alike that the threshold's interval is known to reach no farther."""
    reach = finest * (FARTHER_OUT[-1] + 1)
    below = sum(ends[0] - reach <= one.middle <= ends[0] for one in trials)
    above = sum(ends[1] <= one.middle <= ends[1] + reach for one in trials)
    low, high = sharp_interval(trials)
    lacks = (
        below < CONFIRMATIONS or low is None or low < ends[0] - reach - finest,
        above < CONFIRMATIONS or high is None or high > ends[1] + reach + finest,
    )
    if not any(lacks):
        return Stop.FOUND
    is_below = lacks[0] and (below <= above or not lacks[1])
    tried = below if is_below else above
    farther = finest * FARTHER_OUT[min(max(0, tried - 1), len(FARTHER_OUT) - 1)]
    return ends[0] - farther if is_below else ends[1] + farther


def _beside_the_threshold(trials: Sequence[Trial], search: Search) -> float | Stop:
    """So many spreads to one side of the threshold, by turns, until its interval is narrow."""
    if len(trials) >= LEAST_TO_FIT:
        found = fit(trials)
        assert found is not None
        if found.low is not None and found.high is not None and found.high - found.low <= NARROW * search.resolution_ns:
            return Stop.FOUND
    place, spread = _guess(trials, search)
    return place + (1 if len(trials) % 2 else -1) * BESIDE * spread


def _guess(trials: Sequence[Trial], search: Search) -> tuple[float, float]:
    """Threshold and spread as far as they are known: with few trials the middle of what overlaps."""
    ridden = max(one.middle for one in trials if not one.restarted)
    restarted = min(one.middle for one in trials if one.restarted)
    place, spread = (ridden + restarted) / 2, (ridden - restarted) / 2
    if len(trials) >= LEAST_TO_FIT:
        place, spread = roughly(trials)
    return place, min(max(spread, search.resolution_ns / 2), (search.longest_ns - search.shortest_ns) / 8)


def least_cycles(search: Search) -> int:
    """Cycles that no search ends before, unless they show nothing: so often an end is confirmed, and where not even the
    shortest cut is ridden through there is but one."""
    return min(search.cycles, CONFIRMATIONS)


def usual_cycles(search: Search) -> int:
    """Cycles that a search takes where outcomes separate sharply: the most over thresholds all over the range."""
    width = search.longest_ns - search.shortest_ns
    return max(_cycles_to(search.shortest_ns + width * part / 16, search) for part in range(1, 16, 2))


def _cycles_to(threshold: float, search: Search) -> int:
    told: list[Trial] = []
    while not isinstance(asked := next_step(told, search), Stop):
        told.append(Trial(asked, asked, asked > threshold))
    return len(told)
