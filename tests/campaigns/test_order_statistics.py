"""Medians, tolerance bounds and drift: published sizes, other libraries, and every value within the bounds."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.campaigns.order_statistics import drift, extremes, median, median_ranks, tolerance, tolerance_size

FINITE = st.floats(-1e6, 1e6, allow_nan=False, width=32)
BOUNDED = st.lists(st.tuples(FINITE, FINITE).map(lambda pair: (min(pair), max(pair))), min_size=1, max_size=40)


def exact(values: Sequence[float]) -> list[tuple[float, float]]:
    """Observations known to the last digit."""
    return [(value, value) for value in values]


# ---------------------------------------------------------------- median

# Ranks and confidence of the median's interval: Table A.7 of a textbook's appendix whose title and edition were not
# noted; every confidence is also computed from the binomial (scipy 1.17.1).
MEDIAN_RANKS = {
    6: (1, 6, 0.9688), 8: (1, 8, 0.9922), 10: (2, 9, 0.9785), 12: (3, 10, 0.9614), 15: (4, 12, 0.9648),
    17: (5, 13, 0.9510), 20: (6, 15, 0.9586),
}  # fmt: skip


@pytest.mark.parametrize("count", MEDIAN_RANKS)
def test_ranks_of_the_median_are_the_published_ones(count: int) -> None:
    """At 95 %, and one rank further in would not reach it."""
    from scipy.stats import binom

    found = median_ranks(count)
    assert found is not None
    assert found == (*MEDIAN_RANKS[count][:2], pytest.approx(MEDIAN_RANKS[count][2], abs=6e-5))
    assert 1 - 2 * binom.cdf(found[0], count, 0.5) < 0.95


def test_less_confidence_allows_ranks_further_in() -> None:
    """n = 8: [2, 7] at 92.97 %; n = 35: [17, 19] at 0.26412120 (computed: scipy 1.17.1)."""
    assert median_ranks(8, 0.92) == (2, 7, pytest.approx(0.9297, abs=5e-5))
    assert median_ranks(35, 0.26) == (17, 19, pytest.approx(0.26412120, abs=5e-9))


@pytest.mark.parametrize("count", [1023, 1024, 2000])
def test_ranks_of_the_median_are_those_of_the_binomial_distribution_however_many_cycles(count: int) -> None:
    """The largest rank whose lower tail leaves 95 % between both, by scipy's binomial distribution; 2**count is
    beyond a float from 1024 on."""
    from scipy.stats import binom

    found = median_ranks(count)
    assert found is not None
    first, last, reached = found
    assert first + last == count + 1
    assert reached == pytest.approx(1 - 2 * binom.cdf(first - 1, count, 0.5), abs=1e-9)
    assert reached >= 0.95 > 1 - 2 * binom.cdf(first, count, 0.5)


def test_five_values_can_not_bound_a_median_at_95_percent() -> None:
    """All five reach 93.75 %."""
    assert median_ranks(5) is None
    assert median_ranks(5, 0.9375) == (1, 5, 0.9375)
    assert median([(1, 2)] * 5).low is None


def test_the_worked_example_of_19_values() -> None:
    """R package statpsych, example of ci.median (version not noted): median 20.7, 95 % interval 10.8 to 30.9. Ranks 5
    and 15 reach 98.08 %; 6 and 14 would have 93.64 % (computed: scipy 1.17.1)."""
    values = (
        30.2, 20.4, 15.1, 10.2, 10.5, 60.8, 20.8, 25.0, 20.7, 30.9, 10.8, 5.1, 50.9, 40.0, 20.9, 10.8, 0, 20.5, 50.8,
    )  # fmt: skip
    found = median(exact(values))
    assert (found.sample, found.low, found.high) == ((20.7, 20.7), 10.8, 30.9)
    assert found.confidence == pytest.approx(0.9808, abs=5e-5)
    assert median_ranks(19, 0.93) == (6, 14, pytest.approx(0.9364, abs=5e-5))


# Breast cosmesis data, Finkelstein and Wolfe 1985, Biometrics 41:933-945, as a sample program's listing gives them:
# months; "+" had not happened by then. RT: radiotherapy alone; RCT: with chemotherapy.
RT = (
    "45+ 25-37 37+ 6-10 46+ 0-5 0-7 26-40 18+ 46+ 46+ 24+ 46+ 27-34 36+ 7-16 36-44 5-11 17+ 46+ 19-35 7-14 36-48 17-25 "
    "37-44 37+ 24+ 0-8 40+ 32+ 4-11 17-25 33+ 15+ 46+ 19-26 11-15 11-18 37+ 22+ 38+ 34+ 46+ 5-12 36+ 46+"
)
RCT = (
    "8-12 0-5 30-34 0-22 5-8 13+ 24-31 12-20 10-17 17-27 11+ 8-21 17-23 33-40 4-9 24-30 31+ 11+ 16-24 13-39 14-19 13+ "
    "19-32 4-8 11-13 34+ 34+ 16-20 13+ 30-36 18-25 16-24 18-24 17-26 35+ 16-60 32+ 15-22 35-39 23+ 11-17 21+ 44-48 "
    "22-32 11-20 14-17 10-35 48+"
)
# The most likely distribution (Turnbull 1976, J. R. Stat. Soc. B 38:290-295; masses computed by self-consistency, the R
# package "interval" prints the same, from memory) passes one half within these months; medians of Weibull fits:
# lifelines 0.30.3.
ESTIMATES = {RT: ((38, 40), 41.481), RCT: ((19, 20), 23.411)}


def observed(text: str) -> list[tuple[float, float]]:
    """Bounds in months."""
    return [
        (float(word[:-1]), math.inf) if word.endswith("+") else (float(word.split("-")[0]), float(word.split("-")[1]))
        for word in text.split()
    ]


@pytest.mark.parametrize("arm", [RT, RCT], ids=["RT", "RCT"])
def test_what_is_said_of_bounded_times_holds_for_published_estimates(arm: str) -> None:
    """46 and 48 observations, 56 of them bounded on both sides (Finkelstein and Wolfe 1985), the others never seen to
    happen: half of the times are over where the most likely distribution says so, or it is not told more closely."""
    bounds = [*observed(RT), *observed(RCT)]
    assert (len(observed(RT)), len(observed(RCT)), sum(high < math.inf for _, high in bounds)) == (46, 48, 56)
    (after, until), of_weibull = ESTIMATES[arm]
    said = median(observed(arm))
    assert said.sample[0] <= after < until <= said.sample[1]
    assert said.low is not None and said.high is not None and said.low <= of_weibull <= said.high


@given(BOUNDED, st.randoms(use_true_random=False))
def test_statements_hold_for_every_value_within_the_bounds(
    observed: list[tuple[float, float]], rng: random.Random
) -> None:
    """Whatever the true values were: their median, extremes, the interval and the tolerance bound of them lie inside
    what is said from the bounds."""
    values = [rng.choice((low, high, min(high, low + (high - low) * rng.random()))) for low, high in observed]
    said, truth = median(observed, 0.9), median(exact(values), 0.9)
    assert said.sample[0] <= truth.sample[0] <= said.sample[1]
    smallest, largest = extremes(observed)
    assert smallest[0] <= min(values) <= smallest[1]
    assert largest[0] <= max(values) <= largest[1]
    pairs = [(said, truth, 5)]
    bound, true_bound = tolerance(observed, 0.8, 0.8, side="both"), tolerance(exact(values), 0.8, 0.8, side="both")
    assert (bound is None) is (true_bound is None) is (len(observed) < 14)
    if bound is not None and true_bound is not None:
        pairs.append((bound, true_bound, 14))
    for wide, narrow, needed in pairs:
        assert (wide.low is None) is (narrow.low is None) is (len(observed) < needed)
        if len(observed) >= needed:
            assert wide.low <= narrow.low <= narrow.high <= wide.high


def test_the_median_interval_covers_as_often_as_it_says() -> None:
    """2000 seeded campaigns of 12 cycles (ranks 3 and 10: 96.14 %), times drawn from a skewed distribution and seen
    through reads at a random phase: at least the share that a true 96.14 % gives in 999 of 1000 such trials."""
    from scipy.stats import binom

    rng = np.random.default_rng(7)
    times = rng.lognormal(0.0, 0.6, size=(2000, 12))
    begins = times - rng.uniform(0, 0.01, size=times.shape)
    covered = 0
    for row in begins.tolist():
        found = median([(begin, begin + 0.01) for begin in row])
        assert found.low is not None and found.high is not None
        covered += found.low <= 1.0 <= found.high
    assert covered >= binom.ppf(0.001, 2000, 0.9614)


# ---------------------------------------------------------------- tolerance bounds

# Wilks 1941, Ann. Math. Stat. 12:91-96. 59 is published; the other sizes computed with scipy 1.17.1 (they agree with
# the literature of nuclear safety from memory).
WILKS = {"upper": (59, 93, 124, 153, 181), "both": (93, 153, 208)}
FIRST_ORDER = {  # (confidence, coverage): one-sided, two-sided
    (0.90, 0.90): (22, 38), (0.90, 0.95): (45, 77), (0.90, 0.99): (230, 388), (0.95, 0.90): (29, 46),
    (0.95, 0.95): (59, 93), (0.95, 0.99): (299, 473), (0.99, 0.90): (44, 64), (0.99, 0.95): (90, 130),
    (0.99, 0.99): (459, 662),
}  # fmt: skip


def test_wilks_sizes_at_95_95() -> None:
    """One-sided orders 1 to 5, two-sided 1 to 3."""
    assert tuple(tolerance_size(0.95, 0.95, order=k) for k in range(1, 6)) == WILKS["upper"]
    assert tuple(tolerance_size(0.95, 0.95, order=k, side="lower") for k in range(1, 6)) == WILKS["upper"]
    assert tuple(tolerance_size(0.95, 0.95, order=k, side="both") for k in range(1, 4)) == WILKS["both"]
    with pytest.raises(ValueError, match="order: 0"):
        tolerance_size(0.95, 0.95, order=0)


@pytest.mark.parametrize(("confidence", "coverage"), FIRST_ORDER)
def test_first_order_sizes(confidence: float, coverage: float) -> None:
    """The grid, one-sided and two-sided (computed: scipy 1.17.1)."""
    sizes = tolerance_size(coverage, confidence), tolerance_size(coverage, confidence, side="both")
    assert sizes == FIRST_ORDER[confidence, coverage]


@pytest.mark.parametrize(("count", "rank"), [(59, 59), (93, 92), (100, 99), (200, 196), (300, 292)])
def test_rank_of_the_upper_limit_of_the_95th_percentile(count: int, rank: int) -> None:
    """The k-th smallest of n at 95 %, with P(X <= k - 1 | n, 95 %) as its confidence (computed: scipy 1.17.1)."""
    from scipy.stats import binom

    found = tolerance([(value - 0.5, value) for value in range(1, count + 1)])
    assert found is not None
    assert (found.low, found.high, found.trimmed) == (None, rank, count - rank)
    assert found.confidence == pytest.approx(binom.cdf(rank - 1, count, 0.95), abs=1e-9)
    mirrored = tolerance([(-value, 0.5 - value) for value in range(1, count + 1)], side="lower")
    assert mirrored is not None
    assert (mirrored.low, mirrored.high) == (-rank, None)


def test_confidences_of_tolerance_bounds() -> None:
    """0.9629 at n = 100, 0.9736 at 200, 0.9659 at 300 (computed: scipy 1.17.1)."""
    found = [tolerance(exact([1.0] * count)) for count in (100, 200, 300)]
    assert [one and one.confidence for one in found] == pytest.approx([0.9629, 0.9736, 0.9659], abs=5e-5)


def test_one_cycle_less_bounds_nothing() -> None:
    """58 and 92 cycles have no 95/95 bound."""
    assert tolerance(exact([1.0] * 58)) is None
    assert tolerance(exact([1.0] * 92), side="both") is None
    assert tolerance(exact([1.0] * 93), side="both") is not None


# ---------------------------------------------------------------- drift


@given(st.lists(st.integers(-(10**6), 10**6), min_size=2, max_size=40, unique=True))
def test_drift_of_exact_times_is_that_of_another_library(values: list[int]) -> None:
    """scipy's Theil slope, and its exact Kendall test against the order of the cycles."""
    from scipy.stats import kendalltau, theilslopes

    found = drift(exact([float(value) for value in values]))
    places = range(len(values))
    assert found.low == found.high == pytest.approx(theilslopes(values, places).slope)
    theirs = kendalltau(places, values, method="exact").pvalue
    assert found.p_value == pytest.approx(theirs, abs=1e-9)


def test_drift_of_many_cycles_is_that_of_another_library() -> None:
    """Beyond 60 cycles by the normal approximation, with the correction for continuity."""
    from scipy.stats import kendalltau, theilslopes

    rng = np.random.default_rng(3)
    values = rng.normal(size=200) + 0.002 * np.arange(200)
    found = drift(exact(values.tolist()))
    theirs = kendalltau(range(200), values, method="asymptotic").pvalue
    assert 0.001 < theirs < 0.5
    assert found.p_value == pytest.approx(theirs, rel=0.02)
    assert found.low == pytest.approx(theilslopes(values, range(200)).slope)


@given(BOUNDED.filter(lambda observed: len(observed) > 1), st.randoms(use_true_random=False))
def test_drift_is_said_only_as_far_as_every_value_within_the_bounds_shows_it(
    observed: list[tuple[float, float]], rng: random.Random
) -> None:
    """The slope of the true values lies within the bounds, and their p-value is never larger than the one said, or
    the bench would call a drift that may be none."""
    values = [low + (high - low) * rng.random() for low, high in observed]
    said, truth = drift(observed), drift(exact(values))
    slack = 1e-9 * max(1.0, abs(truth.low))
    assert said.low - slack <= truth.low <= said.high + slack
    assert said.p_value >= truth.p_value


def test_a_boot_that_gets_slower_is_found_and_one_that_does_not_is_not() -> None:
    """100 seeded campaigns each of 40 cycles, read 10 ms apart: 5 ms a cycle over a spread of 20 ms is found in all,
    and without any drift in no more than the 99.9 % quantile of a 5 % test."""
    from scipy.stats import binom

    found = {slope: sum(_campaign(slope, seed) <= 0.05 for seed in range(100)) for slope in (0.0, 5.0)}
    assert found[5.0] == 100
    assert found[0.0] <= binom.ppf(0.999, 100, 0.05)


def _campaign(slope: float, seed: int) -> float:
    rng = np.random.default_rng(seed)
    times = 3000 + slope * np.arange(40) + rng.normal(0, 20, size=40)
    begins = times - rng.uniform(0, 10, size=40)
    return drift([(begin, begin + 10) for begin in begins.tolist()]).p_value


def test_very_many_cycles_are_thinned() -> None:
    """5000 cycles: the slope is the same, told per cycle."""
    assert drift(exact([0.5 * place for place in range(5000)])).low == pytest.approx(0.5)


def test_what_can_not_be_observed_is_refused() -> None:
    """Nothing at all, bounds turned round, a value that is no number, one value as a trend."""
    impossible: tuple[list[tuple[float, float]], ...] = ([], [(2.0, 1.0)], [(math.nan, 1.0)])
    for observed in impossible:
        with pytest.raises(ValueError):
            median(observed)
    with pytest.raises(ValueError, match="no drift"):
        drift([(1.0, 1.0)])
    with pytest.raises(ValueError, match="confidence"):
        median_ranks(10, 95)
