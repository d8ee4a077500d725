"""What a number of cycles shows: success-run sizes, exact limits for proportions, and comparisons of two runs.

Only `cycles_needed` and `confidence_reached` are plain arithmetic; everything else loads scipy when it is called.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Literal

CONFIDENCE = 0.95
"""Confidence at which repeated cycles are spoken of where the scenario names none (common practice, no source)."""
Sided = Literal["lower", "upper", "both"]
NEAR_TIE = 1e-9
"""Below this relative distance floats can't be trusted to say on which side of the limit a size falls."""
EXACT_UP_TO = 10_000
"""Of more cycles powers in whole numbers have millions of digits, and no size is off by more than a few cycles."""


def cycles_needed(reliability: float, confidence: float, failures_allowed: int = 0) -> int:
    """Smallest n for which at most `failures_allowed` failures in n cycles show `reliability` at `confidence`.

    The exact binomial condition P(X <= k | n, 1 - R) <= 1 - C; for k = 0 it is the success run
    n = ceil(ln(1 - C) / ln(R)). Both fractions lie strictly between 0 and 1, else ValueError.
    """
    check_fraction("reliability", reliability)
    check_fraction("confidence", confidence)
    if failures_allowed < 0:
        raise ValueError(f"failures allowed: {failures_allowed} is negative")
    low, high = failures_allowed, failures_allowed + 1
    while not shows(high, reliability, confidence, failures_allowed):
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        if shows(middle, reliability, confidence, failures_allowed):
            high = middle
        else:
            low = middle
    return high


def rarest_seen(cycles: int, confidence: float = CONFIDENCE) -> int:
    """The largest N for which a fault that comes up one time in N would have been seen in so many cycles, with this
    confidence; 1 where not even one that comes up every second time would."""
    check_fraction("confidence", confidence)
    if cycles < 1:
        return 1
    one_in = max(1, math.floor(1.0 / -math.expm1(math.log1p(-confidence) / cycles)) + 1)  # a float may lie just below
    while one_in > 1 and not shows(cycles, 1.0 - 1.0 / one_in, confidence, 0):
        one_in -= 1
    return one_in


def confidence_reached(reliability: float, cycles: int, failures: int = 0) -> float:
    """Confidence with which `failures` in `cycles` show `reliability`: 1 - P(X <= failures | cycles, 1 - R)."""
    check_fraction("reliability", reliability)
    _check_counts(failures, cycles)
    return 1.0 - _at_most(failures, cycles, 1.0 - reliability)


def reliability_shown(failures: int, cycles: int, confidence: float) -> float:
    """Largest reliability that `failures` in `cycles` show at `confidence`: 1 - one-sided Clopper-Pearson limit.

    0.0 where nothing is shown (no cycles, or all failed). Raises ValueError on impossible counts.
    """
    check_fraction("confidence", confidence)
    if cycles == 0:
        return 0.0
    _check_counts(failures, cycles)
    if failures == 0:
        return math.exp(math.log1p(-confidence) / cycles)
    return 1.0 - clopper_pearson(failures, cycles, confidence, sided="upper")[1]


def clopper_pearson(failures: int, cycles: int, confidence: float = 0.95, sided: Sided = "both") -> tuple[float, float]:
    """Exact limits of the proportion of failures (Clopper and Pearson 1934), as beta quantiles.

    `lower` and `upper` put all of 1 - `confidence` on one side; the other limit is then 0 or 1.
    Raises ValueError on counts that can't be, or a confidence outside 0..1.
    """
    check_fraction("confidence", confidence)
    _check_counts(failures, cycles)
    from scipy.special import betainccinv, betaincinv  # the quantiles of scipy.stats.beta in half the memory

    alpha = (1.0 - confidence) / (2 if sided == "both" else 1)
    low = 0.0 if failures == 0 or sided == "upper" else float(betaincinv(failures, cycles - failures + 1, alpha))
    high = 1.0 if failures == cycles or sided == "lower" else float(betainccinv(failures + 1, cycles - failures, alpha))
    return low, high


def shows(cycles: int, reliability: float, confidence: float, failures: int) -> bool:
    """True if `failures` in `cycles` show the reliability. Near a tie it is decided in whole numbers, so that
    95 % means 0.95 and not the float beside it."""
    chance, allowed = _at_most(failures, cycles, 1.0 - reliability), 1.0 - confidence
    if cycles > EXACT_UP_TO or abs(chance - allowed) > NEAR_TIE * allowed:
        return chance <= allowed
    exact = Fraction(repr(reliability))
    sure = sum(math.comb(cycles, k) * (1 - exact) ** k * exact ** (cycles - k) for k in range(failures + 1))
    return sure <= 1 - Fraction(repr(confidence))


def _at_most(failures: int, cycles: int, chance: float) -> float:
    """P(X <= failures) of a binomial; summed from logarithms, so that thousands of cycles do not overflow."""
    if failures >= cycles or chance <= 0:
        return 1.0
    if chance >= 1:  # a share too small for the number's digits
        return 0.0
    terms = (
        math.lgamma(cycles + 1) - math.lgamma(k + 1) - math.lgamma(cycles - k + 1)
        + k * math.log(chance) + (cycles - k) * math.log1p(-chance)
        for k in range(failures + 1)
    )  # fmt: skip
    return math.fsum(math.exp(term) for term in terms)


def check_fraction(name: str, value: float) -> None:
    """Raises ValueError where a value does not lie between 0 and 1."""
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name}: {value} does not lie between 0 and 1 (both excluded)")


def _check_counts(failures: int, cycles: int) -> None:
    if cycles < 1 or not 0 <= failures <= cycles:
        raise ValueError(f"{failures} failures in {cycles} cycles can't be")
