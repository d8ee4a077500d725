"""How values, verdicts and addresses are written for people, on every screen and table alike."""

from __future__ import annotations

import math
import re
import textwrap

from restart_bench.clock import NS_PER_S
from restart_bench.records import GLOSS, Verdict
from restart_bench.rig import Point, Value

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")


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


def seconds(ns: int) -> str:
    """Nanoseconds as seconds with as many decimals as a person can use: "3.00 s", "0.214 s"."""
    value = ns / NS_PER_S
    return f"{value:.3f} s" if abs(value) < 1 else f"{value:.2f} s"


def address_word(point: Point) -> str:
    """Table and address as the specification and as many device manuals count: "coil, address 0 = item 1"."""
    return f"{point.table.replace('_', ' ')}, address {point.address} = item {point.address + 1}"


def verdict_gloss(verdict: Verdict) -> str:
    """The word with its meaning, as it stands wherever a verdict is shown."""
    return f"{verdict.value} ({GLOSS[verdict]})"


def hanging(left: str, text: str, width: int, indent: int) -> list[str]:
    """`left`, then `text` from column `indent` on, wrapped to `width` with the same indent."""
    room = max(20, width - indent)
    if len(left) < indent:
        first, *rest = textwrap.wrap(text, room, break_on_hyphens=False) or [""]
        return [f"{left:<{indent}}{first}".rstrip(), *[" " * indent + line for line in rest]]
    overhang = " " * max(0, min(len(left) + 1 - indent, room - 10))  # what the left text takes of the first line
    first, *rest = textwrap.wrap(text, room, initial_indent=overhang, break_on_hyphens=False) or [""]
    return [f"{left} {first.lstrip()}".rstrip(), *[" " * indent + line for line in rest]]
