"""Tests of whether two samples differ by more than chance, and what a family of tests allows each of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from restart_bench.campaigns.reliability import check_fraction

Alternative = Literal["two-sided", "less", "greater"]


LARGE_SAMPLE = 10_000
"""Above this product of two sample sizes the exact distribution of U takes seconds and adds nothing."""


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the second sample lies from the first. `low` and `high` are None where the samples are too few to
    bound the shift at the confidence asked; `confidence` is the one truly reached."""

    p_value: float
    shift: float
    low: float | None
    high: float | None
    confidence: float | None


def mann_whitney(
    first: Sequence[float], second: Sequence[float], alternative: Alternative = "two-sided"
) -> tuple[float, float]:
    """U of `first` and its p-value; exact without ties and for small samples (scipy's rule), else approximated.

    Raises ValueError where a sample is empty.
    """
    if len(first) == 0 or len(second) == 0:
        raise ValueError("a sample is empty, nothing to compare")
    from scipy.stats import mannwhitneyu

    found = mannwhitneyu(first, second, alternative=alternative, method="auto")
    return float(found.statistic), float(found.pvalue)


def hodges_lehmann(first: Sequence[float], second: Sequence[float], confidence: float = 0.95) -> Shift:
    """Shift of location `second` - `first`: median of all differences, with the interval that belongs to the
    Mann-Whitney test (order statistics of the differences; Hollander and Wolfe 1973, chapter 4)."""
    import numpy as np

    check_fraction("confidence", confidence)
    _, p_value = mann_whitney(first, second)
    differences = np.sort(np.subtract.outer(np.asarray(second, float), np.asarray(first, float)).ravel())
    rank, reached = _interval_rank(len(first), len(second), confidence)
    if rank == 0:
        return Shift(p_value, float(np.median(differences)), None, None, None)
    return Shift(
        p_value, float(np.median(differences)), float(differences[rank - 1]), float(differences[-rank]), reached
    )


def fisher(table: tuple[tuple[int, int], tuple[int, int]], alternative: Alternative = "two-sided") -> float:
    """p-value of Fisher's exact test of a 2 x 2 table: rows are the runs, columns failed and not failed."""
    import numpy as np
    from scipy.stats import fisher_exact

    return float(fisher_exact(np.asarray(table, dtype=np.int64), alternative=alternative)[1])


def holm(p_values: Sequence[float]) -> list[float]:
    """p-values corrected for the number of tests (Holm 1979), in the order given; holds the family-wise error."""
    count = len(p_values)
    corrected = [0.0] * count
    worst = 0.0
    for rank, index in enumerate(sorted(range(count), key=lambda place: p_values[place])):
        worst = max(worst, min(1.0, (count - rank) * p_values[index]))
        corrected[index] = worst
    return corrected


def _interval_rank(first: int, second: int, confidence: float) -> tuple[int, float]:
    """Rank k of the differences that bound the shift, and the confidence reached: largest k with
    2 P(U <= k - 1) <= 1 - confidence under the exact distribution of U; (0, 0.0) where there is none. For large
    samples from U's normal approximation (Hollander and Wolfe 1973, chapter 4), rounded to the wider interval."""
    if first * second > LARGE_SAMPLE:
        spread = math.sqrt(first * second * (first + second + 1) / 12)
        quantile = NormalDist().inv_cdf(0.5 + confidence / 2)
        return math.floor(first * second / 2 - quantile * spread), confidence
    masses = _distribution_of_u(first, second)
    total = math.comb(first + second, first)
    below, rank = 0, 0
    for mass in masses:
        if 2 * (below + mass) > (1.0 - confidence) * total:
            break
        below += mass
        rank += 1
    return (rank, 1.0 - 2 * below / total) if rank else (0, 0.0)


def _distribution_of_u(first: int, second: int) -> list[int]:
    """Numbers of arrangements with U = 0, 1, ... `first` * `second` (Mann and Whitney 1947): the coefficients of
    the Gaussian binomial, by multiplying with (1 - q^(second + i)) and dividing by (1 - q^i)."""
    size = first * second + 1
    masses = [1] + [0] * (size - 1)
    for i in range(1, first + 1):
        for place in range(size - 1, second + i - 1, -1):
            masses[place] -= masses[place - second - i]
        for place in range(i, size):
            masses[place] += masses[place - i]
    return masses
