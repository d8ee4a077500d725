"""How long a run still takes: from what was planned, and, once a cycle of a case was done, from how long that took."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

TimeSpan = tuple[int, int | None]
"""Shortest and longest, in nanoseconds; the longest None where nobody can tell."""
FEW = 5
"""From so many cycles on their own spread tells what those to come take."""
MARGINS = (10, 50)
"""One part in so many is added at both ends, below and from `FEW` cycles on: cycles that were done are a sample. Of few
half of what they differ by is added besides: two that happen to be alike say little."""
DEVIATIONS = 2
"""What many draws from a span come to lies within so many standard deviations of its middle, 19 times of 20."""


@dataclass(slots=True)
class TimeLeft:
    """`planned`: what one cycle of each case takes, `to_come`: how many of them are left, the one that has begun
    included. `spared`: so many of them a search may not need. `not_before_ns`: the limits of the supply keep the run
    from ending sooner after its beginning. `drawn`: from where to where each cycle of a case draws a part of its length
    anew (the instant of its cut)."""

    planned: Mapping[Hashable, TimeSpan]
    to_come: dict[Hashable, int]
    not_before_ns: int = 0
    spared: Mapping[Hashable, int] = field(default_factory=dict)
    drawn: Mapping[Hashable, tuple[int, int]] = field(default_factory=dict)
    _took: dict[Hashable, tuple[int, int, int]] = field(default_factory=dict)  # shortest, longest, how many
    _gone_ns: int = 0

    def cycle_took(self, case: Hashable, length_ns: int, drawn_ns: int = 0) -> None:
        """A cycle of a case has ended, waits before it and what it drew included."""
        own_ns = max(0, length_ns - drawn_ns) if case in self.drawn else length_ns
        shortest, longest, number = self._took.get(case, (own_ns, own_ns, 0))
        self._took[case] = (min(shortest, own_ns), max(longest, own_ns), number + 1)
        self._gone_ns += length_ns
        self.to_come[case] = max(0, self.to_come.get(case, 0) - 1)

    def left(self, case: Hashable | None = None, into_ns: int = 0) -> TimeSpan:
        """What is left while a cycle of `case` has lasted for `into_ns`; None: between two cycles."""
        low, high = 0, 0
        is_open = False
        for other, number in self.to_come.items():
            begun = number > 0 and other == case
            least = max(int(begun), number - self.spared.get(other, 0))
            shortest, longest = self._each(other, least, number) if number else (0, 0)
            low += max(0, shortest - into_ns) + (least - 1) * shortest if begun else least * shortest
            if longest is None:
                is_open = True
            else:
                high += max(0, longest - into_ns) + (number - 1) * longest if begun else number * longest
        waits = self.not_before_ns - self._gone_ns - into_ns
        return max(low, waits), None if is_open else max(low, waits, high)

    def _each(self, case: Hashable, least: int, most: int) -> TimeSpan:
        """One cycle of a case, of so many to come: as those before it, with a margin; as planned where there was
        none."""
        took = self._took.get(case)
        if took is None:
            return self.planned.get(case, (0, None))
        shortest, longest, number = took
        part, beyond = MARGINS[number >= FEW], 0 if number >= FEW else (longest - shortest) // 2
        low, high = self.drawn.get(case, (0, 0))
        middle = (low + high) / 2
        few, many = _spread(least) * (high - low) / 2, _spread(most) * (high - low) / 2
        low_ns, high_ns = shortest - shortest // part - beyond, longest + longest // part + beyond
        return max(0, round(low_ns + middle - few)), round(high_ns + middle + many)


def _spread(draws: int) -> float:
    """How far the mean of so many even draws lies from the middle, as a part of half the span: all of it for a few."""
    return min(1.0, DEVIATIONS / math.sqrt(3 * max(1, draws)))
