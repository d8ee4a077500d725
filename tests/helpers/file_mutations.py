"""Spoils text as people, editors and broken disks spoil it: bytes, lines, tokens, structure. Seeded."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from typing import Any

import yaml

TOKENS = (
    "on", "off", "yes", "~", "null", "", "0", "-1", "012", "0x10", "1e400", "-.inf", ".nan", "1_000", "1:30", "40001",
    "65536", "99999999999999999999", "1,5 s", "3", "3 s", "3 sec", "0 s", "20ms", "1 min 30 s", "400 d", "5 ms..1 s",
    "1 s..2 s in 3 values", "random 0 s..1 s", "5..", "as before", "falls", "lost", "{", "}", "[", "]", "[]", "{}",
    "{is: off}", "[1, 2]", "&a x", "*a", "<<: *a", "!!binary aGk=", "!!python/name:os.system", "!!set {a}", "? a", "|",
    ">", "---", "...", "%YAML 1.2", "'", '"', '"\\0"', '"\\ud800"', "#", "@", "`", "“on”", "ü", "穀物", "\ufeff",
    "\u2028", "\x85", "\t", "2026-13-45", "2026-08-01", "192.0.2.1:502", "::1", "a" * 300, "../" * 50, "con",
    "first_scan",
    "NOT (a OR", "((((((((", "fan AND NOT fan", "fan > 99999", "burner", "fan", "supply", "controller", "rig: x",
    "extends: rig.yaml", "scenario: x", "program: x", "=", "on: off", "40 %", "101 %", "24 V", "{durations: x}",
)  # fmt: skip
"""What stands where something else is due: other kinds of value, YAML's own signs, what was meant differently."""

VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 3, 2.5, 10**30, float("inf"), float("nan"), "", "x", "on", "3 s", "fan", "as before", [],
    {}, [[]], [{}], {"": ""}, {"is": "off"}, {"x": {"y": {"z": []}}}, [None], {1: 2}, {None: None}, {True: False},
    "a" * 200,    ["fan", "fan"], {"fan": "on"}, {"press": "fan"}, "NOT fan", "random 0 s..1 s", "\x00", "\n", "- a",
)  # fmt: skip


def mutated(text: str, dice: random.Random) -> bytes:
    """The text after one to three changes of one kind each."""
    content = text.encode()
    for _ in range(dice.choice((1, 1, 1, 2, 3))):
        change = dice.choice(KINDS)
        content = change(content, dice)
    return content


def _bytes(content: bytes, dice: random.Random) -> bytes:
    """One to four bytes changed, lost or added."""
    spoilt = bytearray(content)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(spoilt) + 1)
        spoilt[at : at + dice.randint(0, 2)] = dice.choice((b"", dice.randbytes(1), bytes([dice.randrange(32, 127)])))
    return bytes(spoilt)


def _lines(content: bytes, dice: random.Random) -> bytes:
    """Lines lost, doubled, swapped, joined, or moved to another column."""
    lines = content.split(b"\n")
    one, other = dice.randrange(len(lines)), dice.randrange(len(lines))
    kind = dice.randrange(6)
    if kind == 0:
        del lines[one : one + dice.randint(1, 3)]
    elif kind == 1:
        lines.insert(other, lines[one])
    elif kind == 2:
        lines[one], lines[other] = lines[other], lines[one]
    elif kind == 3:
        lines[one] = dice.choice((b" ", b"  ", b"\t", b"- ")) + lines[one]
    elif kind == 4:
        lines[one] = lines[one].lstrip()
    else:
        lines[one : one + 2] = [b"".join(lines[one : one + 2])]
    return b"\n".join(lines)


def _tokens(content: bytes, dice: random.Random) -> bytes:
    """One word, number or sign replaced, preceded or followed by something that is not due there."""
    text = content.decode("utf-8", "surrogateescape")
    found = list(re.finditer(r"[\w.%-]+|[^\w\s]", text))
    if not found:
        return content
    spot = dice.choice(found)
    token = dice.choice(TOKENS) if dice.random() < 0.8 else dice.choice(found)[0]
    start, end = dice.choice(((spot.start(), spot.end()), (spot.start(), spot.start()), (spot.end(), spot.end())))
    gap = dice.choice(("", " "))
    return f"{text[:start]}{gap}{token}{text[end:]}".encode(
        "utf-8", "surrogatepass" if "\ud800" in token else "surrogateescape"
    )


def _structure(content: bytes, dice: random.Random) -> bytes:
    """One part of the tree replaced, removed, renamed, or put where another one was; YAML that can be read."""
    try:
        tree = yaml.load(content, Loader=FAST)
    except (yaml.YAMLError, ValueError, UnicodeDecodeError, RecursionError):
        return _lines(content, dice)
    spots = list(_spots(tree))
    if not spots:
        return content
    holder, key = dice.choice(spots)
    kind = dice.randrange(4)
    if kind == 0:
        holder[key] = dice.choice(VALUES)
    elif kind == 1:
        del holder[key]
    elif kind == 2 and isinstance(holder, dict):
        holder[dice.choice((f"{key}x", "colour", str(key)[1:], str(key).upper(), 7))] = holder.pop(key)
    else:
        other, place = dice.choice(spots)
        holder[key] = other[place]
    return yaml.safe_dump(tree, sort_keys=False, allow_unicode=True, default_flow_style=None).encode("utf-8", "replace")


def _spots(tree: Any, depth: int = 0) -> list[tuple[Any, Any]]:
    """Every mapping with each of its keys, every list with each of its places."""
    if depth > 8:
        return []
    items = list(tree.items()) if isinstance(tree, dict) else list(enumerate(tree)) if isinstance(tree, list) else []
    found: list[tuple[Any, Any]] = [(tree, key) for key, _ in items]
    for _, value in items:
        found += _spots(value, depth + 1)
    return found


FAST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
Change = Callable[[bytes, random.Random], bytes]
KINDS: tuple[Change, ...] = (_bytes, _lines, _tokens, _structure)
