"""How instants, lengths of time and values read in a record. Bounds are rounded outwards: never claims less width."""

from __future__ import annotations

import math
import re
import unicodedata

_MS = 1_000_000
_S = 1_000_000_000
FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"


def isolated(text: str) -> str:
    """Text from a file for places that take no element (attributes, SVG): its writing direction stays inside.

    Unicode Standard Annex 9: first strong isolate ... pop directional isolate.
    """
    return f"{FIRST_STRONG_ISOLATE}{clean(text)}{POP_ISOLATE}"


def titled(text: str) -> str:
    """The same for the name of a page, which becomes the name of a file: nothing invisible around writing that can't
    turn what stands beside it."""
    turns = any(unicodedata.bidirectional(character) not in _LEFT_TO_RIGHT for character in text)
    return isolated(text) if turns else clean(text)


_LEFT_TO_RIGHT = ("L", "EN", "ES", "ET", "CS", "WS", "ON")


def clean(text: str) -> str:
    """The text without characters that HTML or XML may not hold (XML 1.0, production Char): each becomes U+FFFD."""
    return "".join(c if _allowed(c) else "\ufffd" for c in text)


def _allowed(character: str) -> bool:
    code = ord(character)
    if code < 0x20:
        return character in "\t\n\r"
    return not (0x7F <= code <= 0x9F or 0xD800 <= code <= 0xDFFF or code in {0xFFFE, 0xFFFF})


def shortened(text: str, columns: int) -> str:
    """The text in at most so many columns (wide characters count two), cut behind a word where there is one, with an
    ellipsis."""
    text = " ".join(clean(text).split())
    widths = [_columns(character) for character in text]
    if sum(widths) <= columns:
        return text
    kept, room = [], columns - 1
    for character, width in zip(text, widths, strict=True):
        room -= width
        if room < 0:
            break
        kept.append(character)
    words = "".join(kept).rpartition(" ")[0] if text[len(kept)] != " " else "".join(kept)
    return (words or "".join(kept)).rstrip() + "…"


def with_its_end(text: str, columns: int) -> str:
    """The text in at most so many columns, cut in its middle between words: what is to be done stands at its end."""
    text = " ".join(clean(text).split())
    if columns_of(text) <= columns:
        return text
    begun = shortened(text, columns // 2)
    words, end = text.split(" "), ""
    while words and columns_of(f"{begun} {words[-1]} {end}".strip()) <= columns:
        end = f"{words.pop()} {end}".strip()
    return f"{begun} {end}".strip()


def columns_of(text: str) -> int:
    """How many columns a text takes in even type."""
    return sum(_columns(character) for character in text)


def _columns(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in {"W", "F"} else 1


def tick_form(step_ns: float) -> tuple[str, float, int]:
    """How times on an axis read whose ticks stand `step_ns` apart: in seconds or (below 10 ms) in milliseconds; the
    unit, what it is in milliseconds, decimals."""
    unit, size = ("ms", _MS) if step_ns < 10 * _MS else ("s", _S)
    return unit, size / _MS, max(0, min(3, math.ceil(-math.log10(step_ns / size) - 1e-9)))


def tick_text(instant_ns: float, step_ns: float) -> str:
    """A time on an axis whose ticks stand `step_ns` apart."""
    unit, size_ms, decimals = tick_form(step_ns)
    value = instant_ns / (size_ms * _MS)
    text = f"{abs(value):.{decimals}f}"
    sign = "−" if value < 0 and float(text) != 0 else ""
    return f"{sign}{text} {unit}"


def number_text(value: float | None, unit: str = "") -> str:
    """What a lane or table says of a register: a number with its unit, "not read"."""
    if value is None:
        return "not read"
    number = f"{value:.0f}" if float(value).is_integer() and abs(value) < 1e15 else f"{value:.6g}"
    number = number.replace("-", "−")
    return f"{number} {unit}".rstrip()


def unbroken(text: str) -> str:
    """Numbers and their units on one line: `44 ms` does not end a line with 44."""
    return re.sub(r"(?<=\d) (?=(?:ns|us|ms|s|min|h|d|%|V|mV|mA|MB)\b|%)", "\u00a0", text)


def sentence(text: str) -> str:
    """With a capital letter at its beginning, unless that is a name."""
    return text[:1].upper() + text[1:] if re.match(r"[a-z]+ ", text) else text
