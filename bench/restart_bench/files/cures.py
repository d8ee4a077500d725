"""One table of test and cure: what people really type, consulted after YAML or a model has refused.

The first row whose test holds gives the cure. Rows only look at the refusal, so that each can be tested alone.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Literal

Stage = Literal["syntax", "key", "value"]
SYNTAX: Final = "syntax"
KEY: Final = "key"
VALUE: Final = "value"

CURLY = "“”„‟‘’‚«»"
_UNITS = r"(?:us|µs|ms|s|min|h|d|V|mV|%)"
ON_OFF = ("on", "off", "yes", "no", "true", "false")


@dataclass(frozen=True, slots=True)
class Refusal:
    """What was refused. `text`: the value or key as written (syntax: what YAML says), `line`: its whole line,
    `known`: the keys or words that could stand there, `before`: key and value in front of a key without a value,
    `default`: the cure that the refusing part knows itself."""

    stage: Stage
    expected: str
    text: str
    line: str = ""
    opened: int | None = None
    known: tuple[str, ...] = ()
    before: tuple[str, str] | None = None
    no_value: bool = False
    default: str = ""


CureTest = Callable[[Refusal], bool]
WordCure = Callable[[Refusal], str]


@dataclass(frozen=True, slots=True)
class Cure:
    """One row: what it is for, when it holds, what it says."""

    name: str
    test: CureTest
    say: WordCure


def row_for(refusal: Refusal) -> Cure | None:
    """The first row that fits: whoever asks of what sort a cure is asks for its name."""
    return next((row for row in TABLE[refusal.stage] if row.test(refusal)), None)


def cure_for(refusal: Refusal) -> str:
    """The cure of the first row that fits; else the default of the part that refused."""
    return cure_of(row_for(refusal), refusal)


def cure_of(row: Cure | None, refusal: Refusal) -> str:
    """What a row says; without one the default of the part that refused."""
    default = refusal.default or "compare it with an example: restart-bench schema shows one for every key"
    return default if row is None else row.say(refusal)


def closest(word: str, known: Iterable[str]) -> str:
    """The known word that was probably meant, or ""."""
    # two letters are near to almost anything: `on` is only meant where hardly more was written
    candidates = [one for one in known if len(one) > 2 or len(word) <= 3]
    found = difflib.get_close_matches(word, candidates, n=1, cutoff=0.6)
    return found[0] if found else ""


_KEY_AND_BRACE = re.compile(r"\s*(?:- )?([a-z_]+) \{\s*[a-z_]+:")
_NO_COMMA = re.compile(r"""\{(?:[^{}"']*,)?\s*[a-z_]+: [^,:{}"']* ([a-z_]+): """)


def straightened(text: str) -> str:
    """The text with straight quotes in place of curly ones."""
    return re.sub(f"[{CURLY}]", '"', text)


def _matches(pattern: str, expected: str = "") -> CureTest:
    compiled = re.compile(pattern)
    return lambda r: r.expected == (expected or r.expected) and compiled.fullmatch(r.text.strip()) is not None


def _behind(value: str, text: str) -> CureTest:
    """A key without a value that looks so, behind a value that looks so."""
    return lambda r: (
        r.no_value and r.before is not None
        and re.fullmatch(value, r.before[1]) is not None and re.fullmatch(text, r.text) is not None
    )  # fmt: skip


def _minutes(text: str) -> str:
    """The duration that `1:30` or `0:01:30` stands for, as text."""
    parts = [int(part) for part in text.split(":")]
    seconds = 0
    for part in parts:
        seconds = seconds * 60 + part
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    told = [f"{hours} h" if hours else "", f"{minutes} min" if minutes else "", f"{seconds} s" if seconds else ""]
    return " ".join(part for part in told if part) or "0"


def _split_key(text: str, known: tuple[str, ...]) -> tuple[str, str]:
    """`within 5 s` as key and value, if its first word is a known key; else two empty texts."""
    word, _, rest = text.strip().partition(" ")
    word = word.rstrip("=")
    return (word, rest.strip(" =")) if word in known and rest.strip(" =") else ("", "")


def _item(text: str) -> str:
    """What an item number of the older notation (first digit: the table) is as an address."""
    digits = text.strip()
    table = {"4": "holding_register", "3": "input_register", "1": "discrete_input"}.get(digits[0])
    hexadecimal = f"if {digits} is really meant, write 0x{int(digits):04X}" if int(digits) <= 65535 else ""
    if table is None or int(digits[1:]) == 0:
        return f"addresses count from 0; {hexadecimal}"
    address = f"addresses count from 0: write {table}: {int(digits[1:]) - 1}"
    return f"{address} ({hexadecimal})" if hexadecimal else address


TABLE: dict[Stage, tuple[Cure, ...]] = {
    SYNTAX: (
        Cure("tab", lambda r: "\t" in r.line, lambda r: "use spaces in place of the tab"),
        Cure(
            "curly quotes",
            lambda r: any(sign in r.line for sign in CURLY),
            lambda r: f"use straight quotes: {straightened(r.line.strip())}",
        ),
        Cure(
            "no colon between a key and its brace",
            lambda r: _KEY_AND_BRACE.match(r.line) is not None,
            lambda r: "write a colon after {0}: {0}: {{".format(*_KEY_AND_BRACE.findall(r.line)),
        ),
        Cure(
            "colon in unquoted text",
            lambda r: "mapping values are not allowed" in r.text or (r.line.count(": ") > 1 and "{" not in r.line),
            lambda r: "put text with a colon in quotes, and see that the lines of one block begin in the same column",
        ),
        Cure(
            "two documents",
            lambda r: "document" in r.text,
            lambda r: "write one file for each and delete the line with ---",
        ),
        Cure(
            "sign that YAML keeps for itself",
            lambda r: "cannot start any token" in r.text or "alias" in r.text or "anchor" in r.text,
            lambda r: "put text that begins with such a sign in quotes",
        ),
        Cure(
            "no comma between two keys",
            lambda r: "expected ',' or" in r.text and _NO_COMMA.search(r.line) is not None,
            lambda r: f"a comma is missing before {_NO_COMMA.findall(r.line)[0]}:",
        ),
        Cure(
            "open bracket",
            lambda r: "expected ',' or" in r.text,
            lambda r: (
                f"close the bracket opened on line {r.opened}, and put text with a colon, comma or bracket in quotes"
            ),
        ),
        Cure(
            "open quote",
            lambda r: "end of stream" in r.text or "quoted scalar" in r.text,
            lambda r: (
                f"close the quote or bracket opened on line {r.opened}" if r.opened else "close the quote or bracket"
            ),
        ),
        Cure(
            "key without colon",
            lambda r: "could not find expected ':'" in r.text,
            lambda r: "write a colon and a space after the key",
        ),
        Cure(
            "uneven indentation",
            lambda r: True,
            lambda r: (
                "see that the lines of one block begin in the same column, "
                "and that colons, brackets and quotes are in place"
            ),
        ),
    ),
    KEY: (
        Cure(
            "curly quotes",
            lambda r: any(sign in r.text for sign in CURLY),
            lambda r: f"use straight quotes or none: {straightened(r.text)}",
        ),
        Cure(
            "value in front of the colon",
            lambda r: r.text.lower() in ON_OFF,
            lambda r: f"write the name first and the value behind the colon, like burner: {r.text.lower()}",
        ),
        Cure(
            "decimal comma",
            _behind(r"[0-9]+", rf"[0-9]+ ?{_UNITS}?"),
            lambda r: f"write a decimal point: {r.before[0]}: {r.before[1]}.{r.text}" if r.before else "",
        ),
        Cure(
            "list without brackets",
            _behind(rf"[0-9.]+ ?{_UNITS}?", rf"[0-9.]+ ?{_UNITS}?"),
            lambda r: f"write a list in brackets: {r.before[0]}: [{r.before[1]}, {r.text}]" if r.before else "",
        ),
        Cure(
            "colon forgotten",
            lambda r: r.no_value and _split_key(r.text, r.known)[0] != "",
            lambda r: "write a colon: {}: {}".format(*_split_key(r.text, r.known)),
        ),
        Cure(
            "space forgotten",
            lambda r: r.no_value and r.text.partition(":")[0] in r.known and ":" in r.text,
            lambda r: "write a space after the colon: {}: {}".format(*r.text.split(":", 1)),
        ),
        Cure(
            "comma in unquoted text",
            lambda r: r.no_value and r.before is not None and closest(r.text, r.known) == "",
            lambda r: f'put text with a comma in quotes: {r.before[0]}: "{r.before[1]}, {r.text}"' if r.before else "",
        ),
        Cure(
            "misspelt",
            lambda r: closest(r.text.lower().replace("-", "_"), r.known) != "",
            lambda r: f"did you mean {closest(r.text.lower().replace('-', '_'), r.known)}?",
        ),
        Cure("known keys", lambda r: r.known != (), lambda r: f"known here: {', '.join(r.known)}"),
    ),
    VALUE: (
        Cure(
            "hidden ending",
            lambda r: r.expected == "file name",
            lambda r: f"rename {r.text} to {r.text.removesuffix('.txt')} (Windows hides the second ending)",
        ),
        Cure(
            "curly quotes",
            lambda r: any(sign in r.text for sign in CURLY),
            lambda r: f"use straight quotes or none: {straightened(r.text).strip(chr(34))}",
        ),
        Cure(
            "list without brackets",
            _matches(rf"[0-9.]+ ?{_UNITS}(, ?[0-9.]+ ?{_UNITS})+"),
            lambda r: f"write a list in brackets: [{r.text.strip()}]",
        ),
        Cure(
            "decimal comma",
            _matches(rf"[-+]?[0-9]+,[0-9]+ ?{_UNITS}?"),
            lambda r: f"write a decimal point: {r.text.strip().replace(',', '.')}",
        ),
        Cure(
            "duration with colons",
            _matches(r"[0-9]{1,4}(:[0-9]{1,2}){1,2}", "duration"),
            lambda r: f"write {_minutes(r.text.strip())}",
        ),
        Cure(
            "number with colons",
            _matches(r"[-+]?[0-9]+(:[0-9]{1,2})+(\.[0-9]*)?"),
            lambda r: "write the number without a colon",
        ),
        Cure("leading zero", _matches(r"0[0-9]+"), lambda r: f"write {r.text.strip().lstrip('0') or '0'}"),
        Cure(
            "unit in other words",
            _matches(r"[0-9.]+ ?[A-Za-z]+", "duration"),
            lambda r: _unit_cure(r.text.strip(), r.default),
        ),
        Cure(
            "item number as address",
            _matches(r"4000[1-9]|400[1-9][0-9]|40[1-9][0-9]{2}|4[1-9][0-9]{3}|[56][0-9]{4}|[134][0-9]{5}", "address"),
            lambda r: _item(r.text.strip()),
        ),
        Cure(
            "port in the host",
            _matches(r"[0-9.]+:[0-9]+", "host"),
            lambda r: "write host: {} and port: {}".format(*r.text.strip().split(":")),
        ),
        Cure(
            "misspelt",
            lambda r: r.known != () and closest(r.text.lower(), r.known) != "",
            lambda r: f"did you mean {closest(r.text.lower(), r.known)}?",
        ),
        Cure("known words", lambda r: r.known != () and not r.default, lambda r: f"write one of: {', '.join(r.known)}"),
    ),
}


def _unit_cure(text: str, default: str) -> str:
    """`3 sec`, `5 MS`, `10 minutes`: the unit that was meant."""
    match = re.fullmatch(r"([0-9.]+) ?([A-Za-z]+)", text)
    if match is None:
        return default
    word = match[2].lower()
    meant = {
        "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millis": "ms", "usec": "us",
        "m": "min", "mins": "min", "minute": "min", "minutes": "min", "hour": "h", "hours": "h", "hr": "h",
        "hrs": "h", "day": "d", "days": "d", "s": "s", "ms": "ms", "us": "us", "min": "min", "h": "h", "d": "d",
    }.get(word)  # fmt: skip
    return f"write {match[1]} {meant}" if meant and f"{match[1]}{meant}" != text.replace(" ", "") else default
