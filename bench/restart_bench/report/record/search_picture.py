"""The picture of a search: every cut over its true off time, as wide as its bounds, one below the other in the order in
which they were tried; above them the zones, across them what is not known for sure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from restart_bench.judging.campaign.ride_through import SearchFound, Zone, found_text, off_text
from restart_bench.model.clock import NS_PER_MS, NS_PER_S
from restart_bench.model.wording import counted
from restart_bench.report.record.text import tick_text

WIDTH, LEFT, RIGHT = 1000, 190, 30
_BAR, _CUT, _AXIS = 24, 13, 44
_STEPS = [size * 10**power for power in range(3, 15) for size in (1, 2, 5)]  # nanoseconds
_MOST_TICKS = 9
SHAPES = {
    Zone.RIDES: "M-5 0A5 5 0 1 0 5 0A5 5 0 1 0 -5 0Z",
    Zone.PARTIAL: "M0 -6L6 5H-6Z",
    Zone.WARM: "M-5 -5H5V5H-5Z",
    Zone.COLD: "M0 -7L7 0L0 7L-7 0Z",
    Zone.RESTARTS: "M-5 -5H5V5H-5Z",
}
"""Drawn around 0, 0; told apart by their shape, and that of what was ridden through by being hollow."""


@dataclass(frozen=True, slots=True)
class PlacedZone:
    """A zone's name with its cuts, and the bar from the shortest to the longest of them."""

    name: str
    kind: str
    told: str
    y: float
    x: float
    width: float


@dataclass(frozen=True, slots=True)
class PlacedCut:
    """One cut: its bounds as a line, its shape in the middle, and what is said of it."""

    cycle: int
    kind: str
    shape: str
    y: float
    low: float
    middle: float
    high: float
    told: str


@dataclass(frozen=True, slots=True)
class SearchPicture:
    """One SVG of `height` by `WIDTH` units. `shaded`: from where to where it is not known what a cut does (None: there
    are not both outcomes); `half`: the fitted threshold. Bars of zones end above `cuts_from`."""

    height: float
    zones: tuple[PlacedZone, ...]
    cuts: tuple[PlacedCut, ...]
    ticks: tuple[tuple[float, str], ...]
    shaded: tuple[float, float] | None
    shaded_words: str
    half: float | None
    cuts_from: float
    axis: float
    told: str
    left: int = LEFT
    right: int = WIDTH - RIGHT
    width: int = WIDTH


def picture_of(found: SearchFound | None) -> SearchPicture | None:
    """None where there is no search, or no valid cut of it."""
    if found is None or not found.tried:
        return None
    low, high = min(one.off_ns[0] for one in found.tried), max(one.off_ns[1] for one in found.tried)

    def place(ns: float) -> float:
        within = min(high, max(low, ns)) - low
        return round(LEFT + within / max(1, high - low) * (WIDTH - RIGHT - LEFT), 1)

    top = 14 + _BAR * len(found.zones)
    cuts = tuple(
        PlacedCut(
            one.cycle, _kind(one.zone), SHAPES[one.zone], top + 18 + _CUT * number, place(one.off_ns[0]),
            place(sum(one.off_ns) / 2), place(one.off_ns[1]),
            f"cycle {one.cycle}: {off_text(one.off_ns)}, {one.zone.value}",
        )
        for number, one in enumerate(found.tried)
    )  # fmt: skip
    zones = tuple(
        PlacedZone(
            one.zone.value, _kind(one.zone), counted(one.cycles, "cut"), 8 + _BAR * number + _BAR / 2,
            place(one.shortest_ns[0]), max(2.0, place(one.longest_ns[1]) - place(one.shortest_ns[0])),
        )
        for number, one in enumerate(found.zones)
    )  # fmt: skip
    axis = cuts[-1].y + 14
    threshold, bracket = found.answer.threshold, found.answer.bracket
    shaded, words = None, ""
    if threshold is not None and threshold.low is not None and threshold.high is not None:
        shaded, words = (place(threshold.low), place(threshold.high)), "half of them, 95 % sure"
    elif bracket.rides_through is not None and bracket.restarts is not None:
        ends = sorted((bracket.rides_through[0], bracket.restarts[1]))
        shaded, words = (place(ends[0]), place(ends[1])), "bracket"
    return SearchPicture(
        axis + _AXIS, zones, cuts, tuple((place(ns), text) for ns, text in _ticks(low, high)), shaded, words,
        place(threshold.middle) if threshold is not None else None, top, axis, found_text(found),
    )  # fmt: skip


def _kind(zone: Zone) -> str:
    return "zone-" + zone.value.replace(" ", "-")


def _ticks(low: float, high: float) -> Iterator[tuple[int, str]]:
    step = next((one for one in _STEPS if (high - low) / one <= _MOST_TICKS), _STEPS[-1])
    at = -(-int(low) // step) * step
    while at <= high:
        yield at, f"{at / NS_PER_MS:g} ms" if high < NS_PER_S else tick_text(at, step)
        at += step
