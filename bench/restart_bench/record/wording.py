"""How instants, lengths of time and values read in a record. Bounds are rounded outwards: never claims less width."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Sequence

from restart_bench.record.data import Pair

_MS = 1_000_000
_S = 1_000_000_000
FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"


def isolated(text: str) -> str:
    """Text from a file for places that take no element (attributes, SVG): its writing direction stays inside.

    Unicode Standard Annex 9: first strong isolate ... pop directional isolate.
    """
    return f"{FIRST_STRONG_ISOLATE}{clean(text)}{POP_ISOLATE}"


def clean(text: str) -> str:
    """The text without characters that HTML or XML may not hold (XML 1.0, production Char): each becomes U+FFFD."""
    return "".join(c if _allowed(c) else "\ufffd" for c in text)


def _allowed(character: str) -> bool:
    code = ord(character)
    if code < 0x20:
        return character in "\t\n\r"
    return not (0x7F <= code <= 0x9F or 0xD800 <= code <= 0xDFFF or code in {0xFFFE, 0xFFFF})


def shortened(text: str, columns: int) -> str:
    """The text in at most so many columns (wide characters count two), with an ellipsis where it was cut."""
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
    return "".join(kept) + "…"


def columns_of(text: str) -> int:
    """How many columns a text takes in even type."""
    return sum(_columns(character) for character in text)


def _columns(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in {"W", "F"} else 1


def bounds_text(bounds: Pair) -> str:
    """Both bounds in one unit, rounded outwards: "1.820 .. 1.842 s", "12 .. 23 ms", "0 s"."""
    low, high = bounds
    if low == high == 0:
        return "0 s"
    unit, step, decimals = _scale(max(abs(low), abs(high)), high - low)
    shown_low = math.floor(low / step)
    shown_high = math.ceil(high / step)
    per_unit = 10**decimals
    left = _number(shown_low, per_unit, decimals)
    if shown_low == shown_high:
        return f"{left} {unit}"
    return f"{left} .. {_number(shown_high, per_unit, decimals)} {unit}"


def _scale(size: int, width: int) -> tuple[str, int, int]:
    """Unit, step in nanoseconds, decimals. Milliseconds below one second, else seconds to the millisecond."""
    if size < _S:
        return ("ms", _MS // 100, 2) if width < _MS // 2 else ("ms", _MS // 10, 1)
    return ("s", _MS, 3)


def _number(steps: int, per_unit: int, decimals: int) -> str:
    text = f"{abs(steps) / per_unit:.{decimals}f}"
    return f"−{text}" if steps < 0 else text


def tick_text(instant_ns: float, step_ns: float) -> str:
    """A time on an axis whose ticks stand `step_ns` apart, in seconds or (ticks below 10 ms apart) milliseconds.

    The script of the page words its ticks the same way.
    """
    unit, size = ("ms", _MS) if step_ns < 10 * _MS else ("s", _S)
    decimals = max(0, min(3, math.ceil(-math.log10(step_ns / size) - 1e-9)))
    value = instant_ns / size
    text = f"{abs(value):.{decimals}f}"
    sign = "−" if value < 0 and float(text) != 0 else ""
    return f"{sign}{text} {unit}"


def value_text(value: float | None, *, boolean: bool, unit: str = "") -> str:
    """What a lane or table says of a value: on, off, a number with its unit, "not read"."""
    if value is None:
        return "not read"
    if boolean:
        return "on" if value else "off"
    number = f"{value:.0f}" if float(value).is_integer() and abs(value) < 1e15 else f"{value:.6g}"
    number = number.replace("-", "−")
    return f"{number} {unit}".rstrip()


def numbers_text(numbers: Sequence[int], most: int = 12) -> str:
    """Numbers of cycles, runs of three and more joined: "1 to 5, 8, 11"; the rest is counted."""
    parts: list[str] = []
    for first, last in _runs(sorted(set(numbers))):
        if last - first >= 2:
            parts.append(f"{first} to {last}")
        else:
            parts += [str(number) for number in range(first, last + 1)]
    if len(parts) > most:
        return ", ".join(parts[:most]) + f" and {len(parts) - most} more"
    return ", ".join(parts)


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def percent_text(fraction: float) -> str:
    """A fraction as percent, rounded down to a tenth (a bound must not be made better by rounding)."""
    return f"{math.floor(fraction * 1000 + 1e-9) / 10:.1f} %"


def counted(number: int, one: str, many: str = "") -> str:
    """ "1 cycle", "3 cycles"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def unbroken(text: str) -> str:
    """Numbers and their units on one line: `44 ms` does not end a line with 44."""
    return re.sub(r"(?<=\d) (?=(?:ns|us|ms|s|min|h|d|%|V|mV|mA|MB)\b|%)", "\u00a0", text)


def sentence(text: str) -> str:
    """With a capital letter at its beginning, unless that is a name."""
    return text[:1].upper() + text[1:] if re.match(r"[a-z]+ ", text) else text


def expectation_words(expectation: str) -> str:
    """An expectation as people read it: of a cycle's validity and end, which no file demands, it says what it is."""
    if expectation == "all phases done":
        return "the cycle is complete"
    if not expectation.startswith("valid: "):
        return expectation
    return f"the cycle is valid ({expectation.removeprefix('valid: ')})"


def listed(words: Iterable[str]) -> str:
    """ "a, b and c"."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]
