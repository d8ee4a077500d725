"""How long a run still takes: from what was planned, and, once cycles were done, from how long they took."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

from restart_bench.model.live import Left

TimeSpan = tuple[int, int | None]
"""Shortest and longest, in nanoseconds; the longest None where nobody can tell."""
FEW = 5
"""From so many cycles on their own spread tells what those to come take."""
MARGIN = 10
"""Of fewer, one part in so many is added at both ends, and half of what they differ by: two that happen to be alike say
little."""
LASTING = 50
"""Of more, one part in so many is added to what chance makes of them: a busy computer may be so no longer."""
DEVIATIONS = 2
"""What chance makes of a mean lies within so many standard deviations of its middle, 19 times of 20; of few a little
more, as Student's distribution says."""
ELSEWHERE = 4
"""What a case took beyond the least that was planned, another one takes too, give or take one part in so many."""


@dataclass(slots=True)
class _Took:
    """What the cycles of a case took, without what each drew of it."""

    shortest: int
    longest: int
    number: int = 0
    total: int = 0
    squares: float = 0.0

    def add(self, own_ns: int) -> None:
        """One more cycle."""
        self.shortest, self.longest = min(self.shortest, own_ns), max(self.longest, own_ns)
        self.number, self.total, self.squares = self.number + 1, self.total + own_ns, self.squares + own_ns**2

    @property
    def mean(self) -> float:
        """What one took."""
        return self.total / self.number

    @property
    def scatter(self) -> float:
        """Sum of the squares by which they differ from their mean."""
        return max(0.0, self.squares - self.total**2 / self.number)


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
    _took: dict[Hashable, _Took] = field(default_factory=dict)
    _gone_ns: int = 0

    def cycle_took(self, case: Hashable, length_ns: int, drawn_ns: int = 0) -> None:
        """A cycle of a case has ended, waits before it and what it drew included."""
        own_ns = max(0, length_ns - drawn_ns) if case in self.drawn else length_ns
        self._took.setdefault(case, _Took(own_ns, own_ns)).add(own_ns)
        self._gone_ns += length_ns
        self.to_come[case] = max(0, self.to_come.get(case, 0) - 1)

    def left(self, case: Hashable | None = None, into_ns: int = 0) -> Left:
        """What is left while a cycle of `case` has lasted for `into_ns`; None: between two cycles."""
        parts = [
            self._of_case(other, number, into_ns if other == case else None)
            for other, number in self.to_come.items()
            if number > 0
        ]
        waits = self.not_before_ns - self._gone_ns - into_ns
        low = max(sum(one.low_ns for one in parts), waits)
        usual, high = ([one[place] for one in parts] for place in (1, 2))
        return Left(low, _sum_of(usual, low), _sum_of(high, low))

    def _of_case(self, case: Hashable, number: int, into_ns: int | None) -> Left:
        """So many cycles of one case, the first of which has lasted for `into_ns` (None: it has not begun)."""
        least = max(int(into_ns is not None), number - self.spared.get(case, 0))
        each, gone = self._each(case, least, number), into_ns or 0

        def together(one_ns: int | None, cycles: float) -> int | None:
            return None if one_ns is None else round(max(0, one_ns - gone) + (cycles - 1) * one_ns if cycles else 0)

        usual, high = together(each.usual_ns, (least + number) / 2), together(each.high_ns, number)
        return Left(together(each.low_ns, least) or 0, usual, high)

    def _each(self, case: Hashable, least: int, most: int) -> Left:
        """One cycle of a case, of so many to come: as those before it; as planned where there was none of any case."""
        took, draws = self._took.get(case), self.drawn.get(case, (0, 0))
        if took is None:
            return self._as_elsewhere(case)
        low, high = self._own(took, least), self._own(took, most)
        middle = sum(draws) / 2
        few, many = (_spread(number) * (draws[1] - draws[0]) / 2 for number in (least, most))
        return Left(max(0, round(low[0] + middle - few)), round(took.mean + middle), round(high[1] + middle + many))

    def _own(self, took: _Took, to_come: int) -> tuple[float, float]:
        """From where to where the mean of so many cycles lies, without what they draw."""
        scatter = sum(one.scatter for one in self._took.values())
        known = sum(one.number - 1 for one in self._took.values())
        if known < FEW - 1:
            beyond = (took.longest - took.shortest) / 2
            return took.shortest * (1 - 1 / MARGIN) - beyond, took.longest * (1 + 1 / MARGIN) + beyond
        one = math.sqrt(scatter / known)
        chance = (DEVIATIONS + 3 / known) * one * math.sqrt(1 / took.number + 1 / max(1, to_come))
        beyond = chance + took.mean / LASTING
        return took.mean - beyond, took.mean + beyond

    def _as_elsewhere(self, case: Hashable) -> Left:
        """A cycle of a case that was not done yet, as planned; how long a controller takes to start is no plan, but the
        cycles of other cases tell it."""
        low, high = self.planned.get(case, (0, None))
        drawn_ns = self.drawn.get(case, (0, 0))
        beyond = [
            place - self.planned[other][0] + self.drawn.get(other, (0, 0))[0]
            for other, took in self._took.items()
            if other in self.planned
            for place in (took.shortest, took.longest)
        ]
        if not beyond:
            return Left(low, None, high)
        least, most = min(beyond), max(beyond)
        give = max(abs(least), abs(most)) / ELSEWHERE + (most - least) / 2 + low / MARGIN
        usual = max(low, round(low + (least + most) / 2 + (drawn_ns[1] - drawn_ns[0]) / 2))
        highest = round(low + most + give + drawn_ns[1] - drawn_ns[0])
        lowest = max(low, round(low + least - give))
        if high is not None:
            lowest, usual, highest = min(lowest, high), min(usual, high), min(highest, high)
        return Left(lowest, usual, None if high is None else highest)


def _sum_of(parts: list[int | None], least: int) -> int | None:
    """None where one of them is not known."""
    known = [one for one in parts if one is not None]
    return max(least, sum(known)) if len(known) == len(parts) else None


def _spread(draws: int) -> float:
    """How far the mean of so many even draws lies from the middle, as a part of half the span: all of it for a few."""
    return min(1.0, DEVIATIONS / math.sqrt(3 * max(1, draws)))
