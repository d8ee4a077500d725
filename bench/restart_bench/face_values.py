"""How values, verdicts and addresses are written for people, on every screen and table alike."""

from __future__ import annotations

import math
import re

from restart_bench.clock import NS_PER_S
from restart_bench.records import GLOSS, Bounds, Verdict
from restart_bench.rig import Point, Value

VERDICT_STYLE: dict[Verdict, str] = {
    Verdict.PASS: "bold green",
    Verdict.INCONCLUSIVE: "bold yellow",
    Verdict.FAIL: "bold red",
    Verdict.ERROR: "bold magenta",
}

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")

CAUTION = "The bench is not a safety function and not an isolator. Local codes and licensed practice come first."


def plain(text: str) -> str:
    """Text of a file or a device without control characters (each becomes a space)."""
    return _CONTROL.sub(" ", text)


def value_word(value: Value | None) -> str:
    """A value as people say it: on, off, 14.5; a missing one is "?"."""
    if value is None:
        return "?"
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float):
        return "?" if math.isnan(value) else f"{value:g}"
    return str(value)


def figure_word(point: Point | None, value: object) -> str:
    """A value out of a finding's figures, on or off where its point is Boolean."""
    if value is None or value == "":
        return "?"
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, (bool, int, float)):
        if point is not None and point.is_boolean and value in (0, 1):
            return "on" if value else "off"
        return value_word(value)
    return plain(str(value))


def seconds(ns: int) -> str:
    """Nanoseconds as seconds with as many decimals as a person can use: "3.00 s", "0.214 s"."""
    value = ns / NS_PER_S
    return f"{value:.3f} s" if abs(value) < 1 else f"{value:.2f} s"


def span_word(low_ns: float, high_ns: float) -> str:
    """Shortest and longest time as one word: "1.23..1.25 s", in milliseconds below a second."""
    if high_ns < NS_PER_S:
        low, high, unit = low_ns / 1e6, high_ns / 1e6, "ms"
        texts = (f"{low:.0f}", f"{high:.0f}") if high >= 10 else (f"{low:.1f}", f"{high:.1f}")
    else:
        low, high, unit = low_ns / NS_PER_S, high_ns / NS_PER_S, "s"
        texts = (f"{low:.3f}", f"{high:.3f}") if high < 10 else (f"{low:.2f}", f"{high:.2f}")
    return f"{texts[1]} {unit}" if texts[0] == texts[1] else f"{texts[0]}..{texts[1]} {unit}"


def bounds_since(bounds: Bounds, start: Bounds) -> str:
    """How long after `start` an instant lies, with bounds."""
    return span_word(*bounds.since(start))


def address_word(point: Point) -> str:
    """Table and address as the specification and as many device manuals count: "coil, address 0 = item 1"."""
    return f"{point.table.replace('_', ' ')}, address {point.address} = item {point.address + 1}"


def verdict_gloss(verdict: Verdict) -> str:
    """The word with its meaning, as it stands wherever a verdict is shown."""
    return f"{verdict.value} ({GLOSS[verdict]})"
