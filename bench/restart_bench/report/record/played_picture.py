"""The picture of what was played: a grid of start states and instants down, cuts across, in each place the sign of the
worst verdict and how many valid cycles of those asked for there were."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from restart_bench.judging.campaign.coverage import (
    Coverage,
    Played,
    cut_name,
    instant_words,
    place_name,
    played_words,
    valid_words,
)
from restart_bench.model.wording import counted
from restart_bench.report.record.text import shortened

WIDTH, LEFT = 1000, 290
_ROW, _SIGN, _WIDEST = 34, 18, 150
_IN_A_BAND, MOST_BANDS, MOST_ROWS = 32, 6, 40
_WITH_NUMBERS = 64  # a place at least so wide has room for `3 of 20` beside the sign
_LETTER = 7.4  # units that a letter of a heading takes, about
_LABEL, _HEADING = 30, 30  # letters of the longest ones


@dataclass(frozen=True, slots=True)
class Place:
    """One place of the grid. `verdict` "": nothing was played; `number` "": no scenario asks for it, or no room."""

    x: float
    y: float
    verdict: str
    number: str
    is_asked: bool
    is_whole: bool
    told: str


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands above a column, or (`x` 0) beside a row, and in small letters below it."""

    x: float
    y: float
    text: str
    below: str = ""


@dataclass(frozen=True, slots=True)
class PlayedPicture:
    """One SVG of `height` by `width` units. `is_steep`: headings of columns stand on end, since they are wider than
    those. `left_out`: what the picture has no room for, a sentence or ""."""

    height: float
    across: float
    rows: tuple[Heading, ...]
    columns: tuple[Heading, ...]
    places: tuple[Place, ...]
    is_steep: bool
    told: str
    left_out: str
    high: float = _ROW - 5
    sign: float = _SIGN
    width: int = WIDTH


def picture_of_played(coverage: Coverage) -> PlayedPicture | None:
    """None where one combination is all that is asked for."""
    if not coverage.is_map:
        return None
    rows = [row for row in range(len(coverage.starts)) if any(place[0] == row for place in coverage.played)]
    cuts = range(len(coverage.cuts))
    names = [shortened(cut_name(cut), _HEADING) for cut in coverage.cuts]
    across = min(_WIDEST, (WIDTH - LEFT) / min(len(cuts), _IN_A_BAND))
    longest = max(map(len, names)) * _LETTER
    is_steep = longest > across - 6
    head = longest + 10 if is_steep else 24
    found: tuple[list[Heading], list[Heading], list[Place]] = ([], [], [])
    top = 0.0
    bands = [cuts[first : first + _IN_A_BAND] for first in range(0, len(cuts), _IN_A_BAND)]
    for band in bands[:MOST_BANDS]:
        top += head
        for column, cut in enumerate(band):
            found[1].append(Heading(round(LEFT + (column + 0.5) * across, 1), round(top - 6, 1), names[cut]))
        for row in rows[:MOST_ROWS]:
            found[0].append(_row_heading(coverage, row, top))
            found[2].extend(_places(coverage, row, band, across, top))
            top += _ROW
        top += 8
    return PlayedPicture(
        round(top, 1), round(across, 1), tuple(found[0]), tuple(found[1]), tuple(found[2]), is_steep,
        played_words(coverage), _left_out(len(rows) - MOST_ROWS, len(cuts) - MOST_BANDS * _IN_A_BAND),
    )  # fmt: skip


def _row_heading(coverage: Coverage, row: int, top: float) -> Heading:
    """The start state; below it the instant, where there are several."""
    start, several = coverage.starts[row], coverage.instants > 1
    instant = instant_words(start.at) if several else ""
    return Heading(0, round(top + (13 if several else 19), 1), shortened(start.state, _LABEL), instant)


def _places(coverage: Coverage, row: int, band: range, across: float, y: float) -> Iterator[Place]:
    for column, cut in enumerate(band):
        played = coverage.played.get((row, cut))
        name = place_name(coverage, (row, cut))
        x = round(LEFT + column * across, 1)
        if played is None:
            yield Place(x, y, "", "", False, False, f"{name}: in no scenario")
        else:
            number = valid_words(played) if across >= _WITH_NUMBERS else ""
            verdict = str(played.verdict or "")
            yield Place(x, y, verdict, number, True, played.is_whole, f"{name}: {_told(played)}")


def _told(played: Played) -> str:
    """`3 of 3 valid cycles, pass`; `0 of 3 valid cycles, not played`."""
    verdicts = ", ".join(
        f"{number} {word}" if len(played.verdicts) > 1 else word for word, number in played.verdicts.items()
    )
    return f"{valid_words(played)} valid cycles, {verdicts or 'not played'}"


def _left_out(rows: int, columns: int) -> str:
    parts = [counted(rows, "more start")] if rows > 0 else []
    parts += [counted(columns, "more cut")] if columns > 0 else []
    return f"There is no room here for {' and '.join(parts)}: they are told below." if parts else ""
