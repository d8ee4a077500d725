"""Durations, percentages, volts, ranges and sweeps as people write them, and durations as people read them.

Durations are whole nanoseconds everywhere else. Nothing here knows of files: what is refused is told as a
`Refused`, which says what is wrong and what to write instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import TypeVar

NS_OF: dict[str, int] = {
    "us": 1_000,
    "µs": 1_000,
    "μs": 1_000,
    "ms": 1_000_000,
    "s": 1_000_000_000,
    "min": 60_000_000_000,
    "h": 3_600_000_000_000,
    "d": 86_400_000_000_000,
}
_WORDS = {"sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "hour": "h", "hours": "h"}
LONGEST_NS = 366 * NS_OF["d"]
MOST_VALUES = 1000
NO_UNIT = " has no unit"
LIKE = "write it like 3 s, 200 ms or 1 min 30 s"

_NUMBER = r"[0-9]{1,15}(?:\.[0-9]{1,12})?"
_PART = re.compile(rf"\s*({_NUMBER})\s*(us|µs|μs|ms|s|min|h|d)(?![a-zA-Zµμ])")
_SIGNED = re.compile(r"[-+]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][-+]?[0-9]{1,3})?")

T = TypeVar("T")


class UnitRefused(ValueError):
    """A text that can't be read. `what` says what is wrong with it, `cure` what to write instead."""

    def __init__(self, what: str, cure: str) -> None:
        super().__init__(f"{what}; {cure}")
        self.what = what
        self.cure = cure


def time_unit_ns(unit: str) -> int | None:
    """How long one of this unit is, as people write it; None where it is not known or no unit of time."""
    unit = unit.strip()
    return NS_OF.get(_WORDS.get(unit.lower(), unit), NS_OF.get(unit.lower()))


def parse_duration(text: str) -> int:
    """Nanoseconds of `250 us`, `20ms`, `1.5 s`, `1 min 30 s`, `2 h`, `3 d`; `0` needs no unit.

    Raises Refused (a ValueError) with a cure on anything else, on a part of a nanosecond, and above 366 d.
    """
    stripped = text.strip()
    if stripped == "0":
        return 0
    if re.fullmatch(_NUMBER, stripped):
        raise UnitRefused(f"{stripped}{NO_UNIT}", f"write {stripped} s if seconds are meant")
    total = Decimal(0)
    at = 0
    smallest = LONGEST_NS
    while at < len(stripped):
        part = _PART.match(stripped, at)
        if part is None:
            minus = stripped.startswith("-") and _PART.match(stripped, 1) is not None
            cure = f"leave out the minus: {stripped[1:]}" if minus else LIKE
            raise UnitRefused(f"{stripped} is not a duration", cure)
        unit = NS_OF[part[2]]
        if at and unit >= smallest:
            raise UnitRefused(f"{stripped} has its units out of order", "write the larger unit first, each one once")
        smallest = unit
        total += Decimal(part[1]) * unit
        at = part.end()
    if at == 0:
        raise UnitRefused("there is no duration", LIKE)
    if total != int(total):
        raise UnitRefused(f"{stripped} is finer than the clock", "write whole nanoseconds, like 1.25 us")
    if total > LONGEST_NS:
        raise UnitRefused(f"{stripped} is longer than 366 d", "write a shorter duration")
    return int(total)


def show_duration(ns: int) -> str:
    """`3 s`, `200 ms`, `1.25 s`, `1 min 30 s`: exact, and read back by `parse_duration` (but for a minus sign)."""
    if ns < 0:
        return f"-{show_duration(-ns)}"
    if ns == 0:
        return "0 s"
    if ns < NS_OF["ms"]:
        return f"{_plain(ns, 'us')} us"
    if ns < NS_OF["s"]:
        return f"{_plain(ns, 'ms')} ms"
    parts = []
    for unit in ("d", "h", "min"):
        count, ns = divmod(ns, NS_OF[unit])
        if count:
            parts.append(f"{count} {unit}")
    if ns:
        unit = "s" if ns >= NS_OF["ms"] else "us"
        parts.append(f"{_plain(ns, unit)} {unit}")
    return " ".join(parts)


def _plain(ns: int, unit: str) -> str:
    """A number of units without trailing zeros and without an exponent."""
    text = f"{Decimal(ns) / NS_OF[unit]:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def parse_number(text: str) -> int | float:
    """A whole or decimal number. Raises Refused on anything else, infinities and NaN included."""
    stripped = text.strip()
    if re.fullmatch(r"[-+]?[0-9]{1,19}", stripped):
        return int(stripped)
    if _SIGNED.fullmatch(stripped):
        value = float(stripped)
        if value not in (float("inf"), float("-inf")):
            return value
    raise UnitRefused(f"{stripped} is not a number", "write it like 5, -3 or 14.5")


def parse_percentage(text: str) -> float:
    """Fraction 0..1 of `40 %` or `95%`. Raises Refused on anything else and outside 0 %..100 %."""
    match = re.fullmatch(rf"\s*({_NUMBER})\s*%\s*", text)
    if match is None:
        raise UnitRefused(f"{text.strip()} is not a percentage", "write it like 95 %")
    fraction = float(Decimal(match[1]) / 100)
    if fraction > 1:
        raise UnitRefused(f"{text.strip()} is above 100 %", "write a percentage from 0 % to 100 %")
    return fraction


def parse_volts(text: str) -> float:
    """Volts of `24 V`, `9.6V` or `5000 mV`. Raises Refused on anything else."""
    match = re.fullmatch(rf"\s*({_NUMBER})\s*(mV|V)\s*", text)
    if match is None:
        raise UnitRefused(f"{text.strip()} is not a voltage", "write it like 24 V")
    return float(Decimal(match[1]) / (1000 if match[2] == "mV" else 1))


def parse_range(text: str, one: Callable[[str], T]) -> tuple[T, T]:
    """The two ends of `A..B`, each read by `one`. Raises Refused if there are no two ends or they are turned round."""
    ends = text.split("..")
    if len(ends) != 2 or not ends[0].strip() or not ends[1].strip():
        raise UnitRefused(
            f"{text.strip()} is not a range", "write both ends with two dots between them, like 5 ms..200 ms"
        )
    low, high = one(ends[0]), one(ends[1])
    if high < low:  # type: ignore[operator]
        raise UnitRefused(f"{text.strip()} runs backwards", "write the smaller end first")
    return low, high


def parse_values(text: str, one: Callable[[str], T], between: Callable[[T, T, int], tuple[T, ...]]) -> tuple[T, ...]:
    """The values of `A` or of `A..B in N values`; `between` spaces them, both ends included.

    Raises Refused on a range without a number of values and on fewer than 2 or more than 1000 of them.
    """
    if ".." not in text:
        return (one(text),)
    match = re.fullmatch(r"(.*\.\..*?)\s+in\s+([0-9]{1,9})\s+values?\s*", text)
    if match is None:
        raise UnitRefused(f"{text.strip()} does not say how many values", f"write {text.strip()} in 5 values")
    count = int(match[2])
    if not 2 <= count <= MOST_VALUES:
        raise UnitRefused(f"{count} values can't be spread over a range", f"write 2 to {MOST_VALUES} values")
    low, high = parse_range(match[1], one)
    return between(low, high, count)


def spaced_ns(low: int, high: int, count: int) -> tuple[int, ...]:
    """`count` evenly spaced durations, both ends included; those between are whole microseconds."""
    inner = tuple(round((low + (high - low) * n / (count - 1)) / 1000) * 1000 for n in range(1, count - 1))
    return (low, *inner, high)


def spaced(low: float, high: float, count: int) -> tuple[float, ...]:
    """`count` evenly spaced numbers, both ends included; those between have at most 6 decimals."""
    return (low, *(round(low + (high - low) * n / (count - 1), 6) for n in range(1, count - 1)), high)


def parse_random(text: str) -> tuple[int, int] | None:
    """The two ends in nanoseconds of `random 0 s..200 ms`, None where the text does not begin with `random`.

    Raises Refused if what follows is no range of durations.
    """
    match = re.fullmatch(r"\s*random\b(.*)", text, re.DOTALL)
    return None if match is None else parse_range(match[1], parse_duration)
