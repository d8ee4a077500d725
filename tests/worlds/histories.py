"""What was true, as functions of time: a value for every instant, and the spans in which something held."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

MS = 1_000_000
S = 1_000_000_000
FAR = 2**60
Span = tuple[int, int]


@dataclass(frozen=True)
class Steps:
    """A value that changes at instants: `values[i]` holds from `times[i]` on, the first one since ever."""

    times: tuple[int, ...]
    values: tuple[float, ...]

    @staticmethod
    def of(first: float, *changes: tuple[int, float]) -> Steps:
        """Begins with `first`; each change is an instant and the value from then on."""
        told = sorted(changes, key=lambda one: one[0])
        return Steps((-FAR, *(at for at, _ in told)), (first, *(value for _, value in told)))

    def at(self, instant: int) -> float:
        """The value at an instant."""
        return self.values[bisect_right(self.times, instant) - 1]

    def at_all(self, instants: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """The same for many instants."""
        places = np.searchsorted(np.array(self.times, dtype=np.int64), instants, side="right") - 1
        return np.array(self.values)[places]

    def spans(self, wanted: Iterable[float], low: int, high: int) -> list[Span]:
        """Spans of [low, high) in which the value was one of these, neighbours joined."""
        chosen = set(wanted)
        found: list[Span] = []
        for place, value in enumerate(self.values):
            begin = max(low, self.times[place])
            end = min(high, self.times[place + 1] if place + 1 < len(self.times) else high)
            if value not in chosen or end <= begin:
                continue
            if found and found[-1][1] == begin:
                found[-1] = (found[-1][0], end)
            else:
                found.append((begin, end))
        return found

    def kinds(self, low: int, high: int) -> set[float]:
        """Every value that it had in [low, high]."""
        first = bisect_right(self.times, low) - 1
        return {value for at, value in zip(self.times[first:], self.values[first:], strict=True) if at <= high}


def spans_where(steps: Steps, good: Sequence[float] | set[float], low: int, high: int) -> list[Span]:
    """Spans of [low, high) in which the value was not one of `good`."""
    return steps.spans(set(steps.values) - set(good), low, high)


def joined(spans: list[Span], apart: int) -> list[Span]:
    """Spans that lie less than `apart` from one another taken as one: what lies between could not be read."""
    found: list[Span] = []
    for begin, end in spans:
        if found and begin - found[-1][1] <= apart:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found
