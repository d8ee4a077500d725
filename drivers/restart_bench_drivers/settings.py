"""The settings of a driver, as a rig file or a caller gives them, against the keys on its card."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from restart_bench_drivers.interface import Key, SupplyCard, SupplyError

NS_OF_UNIT = {"us": 1_000, "ms": 1_000_000, "s": 1_000_000_000, "min": 60_000_000_000}
YES, NO = ("yes", "on", "true"), ("no", "off", "false")


def settled(card: SupplyCard, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Every key of the card with its value in the driver's own terms: durations in ns, bytes as bytes.

    Keys that were not given take their default. Raises SupplyError with all that is wrong, one line each.
    """
    known = {key.name: key for key in card.keys}
    wrong = [_unknown(name, card, known) for name in settings if name not in known]
    values: dict[str, Any] = {}
    for key in card.keys:
        given = settings.get(key.name)
        if given is None:
            given = key.default
            if key.required:
                wrong.append(f"supply driver {card.name} needs `{key.name}:` ({key.help})")
        try:
            values[key.name] = None if given is None else in_terms_of(key, given)
        except ValueError as fault:
            wrong.append(f"supply driver {card.name}: {key.name}: {fault}")
    if wrong:
        raise SupplyError("\n".join(wrong))
    return values


def in_terms_of(key: Key, given: Any) -> Any:
    """One value as the driver takes it. Raises ValueError that says what was expected."""
    match key.kind:
        case "text" | "host" | "pin":
            return _text(given)
        case "address" | "whole number":
            return _whole(given, key.least, key.most)
        case "number":
            return _number(given)
        case "duration":
            return _duration(given)
        case "bytes":
            return _bytes(given)
        case "yes or no":
            return _yes_or_no(given)
        case "choice":
            if str(given) not in key.choices:
                raise ValueError(f"{given!r} is none of {', '.join(key.choices)}")
            return str(given)


def _unknown(name: str, card: SupplyCard, known: Mapping[str, Key]) -> str:
    near = get_close_matches(name, known, n=1)
    cure = f"did you mean `{near[0]}`?" if near else f"it knows {', '.join(known)}"
    return f"supply driver {card.name} has no key `{name}`; {cure}"


def _text(given: Any) -> str:
    if isinstance(given, bool) or not isinstance(given, str | int):
        raise ValueError(f"{given!r} is not text; put it in quotes")
    return str(given)


def _whole(given: Any, least: int, most: int) -> int:
    if isinstance(given, bool) or not isinstance(given, int):
        raise ValueError(f"{given!r} is not a whole number")
    if not least <= given <= most:
        raise ValueError(f"{given} is outside {least}..{most}")
    return given


def _number(given: Any) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise ValueError(f"{given!r} is not a number")
    return float(given)


def _duration(given: Any) -> int:
    """Nanoseconds; a whole number is nanoseconds already, text is one number and its unit."""
    if isinstance(given, int) and not isinstance(given, bool):
        return given
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(us|ms|s|min)\s*", str(given))
    if found is None:
        raise ValueError(f"{given!r} is not a duration; write it like `200 ms` or `1.5 s`")
    return round(float(found[1]) * NS_OF_UNIT[found[2]])


def _bytes(given: Any) -> bytes:
    if isinstance(given, bytes):
        return given
    if isinstance(given, str):
        try:
            return bytes.fromhex(given)
        except ValueError:
            pass
    raise ValueError(f"{given!r} is not a row of bytes; write them as two hexadecimal digits each, in quotes: '3C 05'")


def _yes_or_no(given: Any) -> bool:
    text = str(given).lower()
    if text not in YES + NO:
        raise ValueError(f"{given!r} is neither yes nor no")
    return text in YES
