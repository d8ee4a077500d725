"""Standard power interruptions and dips by name: how long, down to which share of the nominal voltage, and who says so.

Values that were not read in a text which gives them are marked: they are from memory, and whoever relies on one looks
it up first. The standards test equipment against its supply; here their durations serve as off times that people
agree on. Nothing here claims that a run with them is a test to the standard.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from restart_bench.model.units import NS_OF, UnitRefused

MS, S = NS_OF["ms"], NS_OF["s"]


@dataclass(frozen=True, slots=True)
class Interruption:
    """The supply at `level` (a share of nominal; 0.0: off) for `length_ns`."""

    level: float
    length_ns: int
    from_memory: bool = False


@dataclass(frozen=True, slots=True)
class Standard:
    """A list of interruptions with its name, source and edition. `note` says what was read and what was not."""

    name: str
    source: str
    edition: str
    note: str
    steps: tuple[Interruption, ...]


def cycles_ns(cycles: float, hertz: int) -> int:
    """Length of so many mains cycles, to the nearest nanosecond."""
    return round(cycles * S / hertz)


def standard(name: str) -> Standard:
    """The list of this name; case and spacing do not matter. Raises Refused with the nearest names."""
    key = " ".join(name.lower().split())
    if key in STANDARDS:
        return STANDARDS[key]
    near = difflib.get_close_matches(key, STANDARDS, n=3, cutoff=0.5) or list(STANDARDS)
    raise UnitRefused(f"{name.strip()} is no list of standard durations", f"write one of: {', '.join(near)}")


# ---------------------------------------------------------------- the lists

DC_LENGTHS = (10 * MS, 30 * MS, 100 * MS, 300 * MS, S)
DC_VARIATIONS = (100 * MS, 300 * MS, S, 3 * S, 10 * S)
SECOND_HAND = {100 * MS, 300 * MS, S}
"""Lengths of IEC 61000-4-29 that a text quotes; the others are from memory."""


def _dc(levels: Iterable[float], lengths: Iterable[int]) -> tuple[Interruption, ...]:
    told = tuple(lengths)
    return tuple(
        Interruption(level, length, from_memory=length not in SECOND_HAND) for level in levels for length in told
    )


def _ac(hertz: int, dips: Iterable[tuple[float, float]]) -> tuple[Interruption, ...]:
    """Dips as (level, cycles), and the short interruption of 5 s that classes 2 and 3 share."""
    told = [*dips, (0.0, 5.0 * hertz)]
    return tuple(Interruption(level, cycles_ns(cycles, hertz)) for level, cycles in told)


_DC_NOTE = (
    "levels and the lengths 100 ms, 300 ms and 1 s read second-hand (help page of a test program, not the standard); "
    "all other lengths from memory; a second edition was in preparation in 2025"
)
_DIPS = _dc((0.4, 0.7), DC_LENGTHS)
_OFF = _dc((0.0,), (1 * MS, 3 * MS, *DC_LENGTHS))
_VARIED = _dc((0.8, 0.85, 1.2), DC_VARIATIONS)


def _iec_29(part: str, steps: tuple[Interruption, ...]) -> Standard:
    return Standard(f"iec-61000-4-29{part}", "IEC 61000-4-29", "first edition, 2000-08", _DC_NOTE, steps)


def _iec_11(number: int, hertz: int) -> Standard:
    class_2 = [(0.0, 0.5), (0.0, 1), (0.7, hertz / 2)]
    class_3 = [(0.0, 0.5), (0.0, 1), (0.4, hertz / 5), (0.7, hertz / 2), (0.8, 5 * hertz)]
    return Standard(
        f"iec-61000-4-11 class {number} {hertz} hz",
        "IEC 61000-4-11, up to 16 A per phase",
        "second edition, 2004",
        "read second-hand (a test house's page with the table of 2004); the third edition is of 2020, its table was "
        "not read",
        _ac(hertz, class_2 if number == 2 else class_3),
    )


_LISTS = (
    _iec_29("", (*_OFF, *_DIPS)),
    _iec_29(" interruptions", _OFF),
    _iec_29(" dips", _DIPS),
    _iec_29(" variations", _VARIED),
    *(_iec_11(number, hertz) for number in (2, 3) for hertz in (50, 60)),
    Standard(
        "semi-f47",
        "SEMI F47-0706",
        "2006, reapproved 0812",
        "50 %, 70 % and 80 % for 1 s read in three independent texts; 80 % for 10 s (recommended only) from memory",
        (
            Interruption(0.5, 200 * MS),
            Interruption(0.7, 500 * MS),
            Interruption(0.8, S),
            Interruption(0.8, 10 * S, from_memory=True),
        ),
    ),
    Standard(
        "iti-curve",
        "ITI (CBEMA) curve, 120 V single phase, lower side",
        "revised 2000",
        "axis marks read in two application notes; which level belongs to which length is from memory",
        tuple(
            Interruption(level, length, from_memory=True)
            for level, length in ((0.0, 20 * MS), (0.7, 500 * MS), (0.8, 10 * S))
        ),
    ),
    Standard(
        "namur-ne-21",
        "NAMUR NE 21",
        "2017-08-01",
        "the edition was read in its publisher's notice; the 20 ms are from memory",
        (Interruption(0.0, 20 * MS, from_memory=True),),
    ),
    *(
        Standard(
            f"iec-61131-2 {word}",
            "IEC 61131-2, supply interruption without effect",
            "edition not checked",
            "from memory; a controller manual quotes the same 1 ms (DC) and 10 ms (AC) as its filter times",
            (Interruption(0.0, length, from_memory=True),),
        )
        for word, length in (("ps1", 1 * MS), ("ps2", 10 * MS))
    ),
)
STANDARDS: dict[str, Standard] = {one.name: one for one in _LISTS}
"""Every list by its name, in lower case."""
