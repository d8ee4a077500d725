"""What times show whatever their distribution: medians, extremes, tolerance bounds, and drift over a campaign.

The bench knows no instant better than its bounds, so an observation is a pair (low, high), and every statement here
holds for every value within the bounds: the k-th smallest value lies between the k-th smallest low and the k-th
smallest high. Confidence levels count cycles that are independent of each other and alike.
"""

from __future__ import annotations

import math
import statistics as plain_statistics
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

from restart_bench.campaigns.reliability import check_fraction, confidence_reached, cycles_needed, shows

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Observation = tuple[float, float]
Side = Literal["lower", "upper", "both"]
EXACT_UP_TO = 60
"""Above this number of cycles the normal approximation of Kendall's statistic is as good as the exact one."""
DRIFT_OF = 1000
"""So many cycles tell a drift as well as more; half a million pairs of them take a tenth of a second."""


@dataclass(frozen=True, slots=True)
class Median:
    """The sample's median lies within `sample`; the median of all such cycles lies from `low` to `high` with the
    confidence that was truly reached. Those three are None where the cycles are too few for the confidence asked."""

    sample: Observation
    low: float | None = None
    high: float | None = None
    confidence: float | None = None


@dataclass(frozen=True, slots=True)
class Tolerance:
    """At least `coverage` of all such cycles lie from `low` to `high` (None: no bound on that side), with the
    confidence that was truly reached. `trimmed` observations were left out at each bounded end."""

    low: float | None
    high: float | None
    coverage: float
    confidence: float
    trimmed: int


@dataclass(frozen=True, slots=True)
class Drift:
    """Change per cycle: the median slope over all pairs (Theil 1950, Sen 1968) lies from `low` to `high`. `p_value` is
    two-sided (Mann 1945, Kendall), for the values within the bounds that speak least for a drift."""

    low: float
    high: float
    p_value: float


# ---------------------------------------------------------------- median and extremes


@cache
def median_ranks(count: int, confidence: float = 0.95) -> tuple[int, int, float] | None:
    """Ranks of the order statistics that bound the median, and the confidence reached: the narrowest symmetric pair
    (k, n + 1 - k) with 1 - 2 P(X <= k - 1 | n, 1/2) >= `confidence`. None where even the extremes do not reach it."""
    check_fraction("confidence", confidence)
    outside, below = 0, 0
    rank = 0
    for place in range(count // 2):
        below += math.comb(count, place)
        if 2 * below / 2**count > (1.0 - confidence) * (1 + 1e-12):  # either alone may be beyond a float
            break
        outside, rank = 2 * below, place + 1
    return (rank, count + 1 - rank, 1.0 - outside / 2**count) if rank else None


def median(observations: Sequence[Observation], confidence: float = 0.95) -> Median:
    """Median with its distribution-free interval. Raises ValueError where there is nothing, or bounds are reversed."""
    lows, highs = _sorted_ends(observations)
    sample = (plain_statistics.median(lows), plain_statistics.median(highs))
    ranks = median_ranks(len(lows), confidence)
    if ranks is None:
        return Median(sample)
    first, last, reached = ranks
    return Median(sample, lows[first - 1], highs[last - 1], reached)


def extremes(observations: Sequence[Observation]) -> tuple[Observation, Observation]:
    """Bounds of the smallest and of the largest value that was."""
    lows, highs = _sorted_ends(observations)
    return (lows[0], highs[0]), (lows[-1], highs[-1])


# ---------------------------------------------------------------- tolerance bounds: Wilks 1941, Ann. Math. Stat. 12:91


def tolerance_size(coverage: float, confidence: float, *, order: int = 1, side: Side = "upper") -> int:
    """Cycles needed for a tolerance bound that leaves `order` - 1 observations out at each bounded end."""
    return cycles_needed(coverage, confidence, _outside(order, side))


def tolerance(
    observations: Sequence[Observation], coverage: float = 0.95, confidence: float = 0.95, *, side: Side = "upper"
) -> Tolerance | None:
    """The tightest tolerance bound that the cycles allow; None where they are fewer than `tolerance_size`."""
    lows, highs = _sorted_ends(observations)
    count = len(lows)
    order = 0
    while _outside(order + 1, side) < count and shows(count, coverage, confidence, _outside(order + 1, side)):
        order += 1
    if order == 0:
        return None
    return Tolerance(
        None if side == "upper" else lows[order - 1],
        None if side == "lower" else highs[-order],
        coverage,
        confidence_reached(coverage, count, _outside(order, side)),
        order - 1,
    )


def _outside(order: int, side: Side) -> int:
    """Largest number of observations outside the coverage that still contradicts a bound of this order."""
    if order < 1:
        raise ValueError(f"order: {order} is not 1 or more")
    return (2 * order if side == "both" else order) - 1


# ---------------------------------------------------------------- drift


def drift(observations: Sequence[Observation]) -> Drift:
    """How the times moved over the campaign, in the order given; of very many cycles every n-th is looked at.
    Raises ValueError for fewer than two."""
    import numpy as np

    _sorted_ends(observations)
    if len(observations) < 2:
        raise ValueError("one observation shows no drift")
    every = math.ceil(len(observations) / DRIFT_OF)
    low, high = np.asarray(observations[::every], dtype=float).T
    count = len(low)
    slopes = np.empty(count * (count - 1) // 2)  # of every pair: one array for both ends, as they are many
    _fill(slopes, low, high, every)
    rising, least = int(np.count_nonzero(slopes > 0)), float(np.median(slopes, overwrite_input=True))
    _fill(slopes, high, low, every)
    falling, most = int(np.count_nonzero(slopes < 0)), float(np.median(slopes, overwrite_input=True))
    surely = max(0, *(2 * ordered - len(slopes) for ordered in (rising, falling)))
    return Drift(least, most, _kendall_p(count, surely))


def _fill(slopes: NDArray[np.float64], end: NDArray[np.float64], start: NDArray[np.float64], every: int) -> None:
    """From the start of each to the end of every later one, a cycle."""
    import numpy as np

    done = 0
    for first in range(len(end) - 1):
        pairs = slice(done, done := done + len(end) - 1 - first)
        slopes[pairs] = (end[first + 1 :] - start[first]) / (np.arange(1, len(end) - first) * every)


def _kendall_p(count: int, surplus: int) -> float:
    """Two-sided p-value of at least so many more pairs in one order than in the other, where the order is random."""
    if surplus == 0:
        return 1.0
    if count > EXACT_UP_TO:
        spread = math.sqrt(count * (count - 1) * (2 * count + 5) / 18)
        return math.erfc((surplus - 1) / spread / math.sqrt(2))
    pairs = count * (count - 1) // 2
    masses = _inversions(count)
    return min(1.0, 2 * sum(masses[: (pairs - surplus) // 2 + 1]) / math.factorial(count))


@cache
def _inversions(count: int) -> tuple[int, ...]:
    """Numbers of orders of `count` things with 0, 1, 2, ... pairs turned round."""
    masses = [1]
    for size in range(2, count + 1):
        wider = [0] * (len(masses) + size - 1)
        for place, mass in enumerate(masses):
            for more in range(size):
                wider[place + more] += mass
        masses = wider
    return tuple(masses)


# ---------------------------------------------------------------- what can't be


def _sorted_ends(observations: Sequence[Observation]) -> tuple[list[float], list[float]]:
    if not observations:
        raise ValueError("there is no observation")
    for low, high in observations:
        if not low <= high:
            raise ValueError(f"an observation from {low} to {high} can't be")
    return sorted(low for low, _ in observations), sorted(high for _, high in observations)
