"""True transitions, as servers log them, and whether a claimed change is one of them."""

from __future__ import annotations

import bisect
import itertools
import json
from collections.abc import Collection
from pathlib import Path

Transition = tuple[int, int, bool]  # the instants just before and just after it, and the value afterwards


def read_transitions(log: Path, whats: Collection[str]) -> dict[str, list[Transition]]:
    """The transitions that a truth log tells of these kinds, by name, in order."""
    truth: dict[str, list[Transition]] = {}
    for line in log.read_text(encoding="utf-8").splitlines():
        told = json.loads(line)
        if told["what"] in whats:
            truth.setdefault(told["name"], []).append((told["before_ns"], told["after_ns"], told["value"]))
    return truth


def changed_within(transitions: list[Transition], not_before: int, not_after: int, value: bool) -> bool:
    """True if a transition to this value can have been within the bounds."""
    first = bisect.bisect_left(transitions, not_before, key=lambda each: each[1])
    possible = itertools.takewhile(lambda each: each[0] <= not_after, transitions[first:])
    return any(each[2] == value for each in possible)
