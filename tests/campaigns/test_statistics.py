"""What a number of cycles shows, against published and independently computed values.

Sources stand beside each table. "computed" means: by another library or by the exact binomial, kept as a figure.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from restart_bench.campaigns.reliability import (
    clopper_pearson,
    confidence_reached,
    cycles_needed,
    rarest_seen,
    reliability_shown,
    shows,
)
from restart_bench.compare.significance import fisher, hodges_lehmann, holm, mann_whitney

# Success-run sizes, n = ceil(ln(1 - C) / ln(R)); each entry checked with the exact binomial at n and n - 1
# (computed: scipy 1.17.1).
SUCCESS_RUN = {
    0.80: {0.90: 16, 0.95: 32, 0.99: 161, 0.999: 1609},
    0.90: {0.90: 22, 0.95: 45, 0.99: 230, 0.999: 2302},
    0.95: {0.90: 29, 0.95: 59, 0.99: 299, 0.999: 2995},
    0.99: {0.90: 44, 0.95: 90, 0.99: 459, 0.999: 4603},
}


@pytest.mark.parametrize(
    ("confidence", "reliability", "cycles"),
    [(c, r, n) for c, row in SUCCESS_RUN.items() for r, n in row.items()],
)
def test_success_run_sizes_are_those_of_the_exact_binomial(confidence: float, reliability: float, cycles: int) -> None:
    """The whole grid of sizes without failure."""
    assert cycles_needed(reliability, confidence) == cycles


def test_298_cycles_are_one_too_few_for_99_percent_at_95_percent() -> None:
    """Rounding ln(0.05) / ln(0.99) = 298.07 to the nearest gives 298, a size that circulates; the exact confidence
    there is 0.949963, at 299 it is 0.950464 (computed: scipy 1.17.1)."""
    assert confidence_reached(0.99, 298) == pytest.approx(0.949963, abs=5e-7)
    assert confidence_reached(0.99, 299) == pytest.approx(0.950464, abs=5e-7)
    assert cycles_needed(0.99, 0.95) == 299


@pytest.mark.parametrize(("confidence", "sizes"), [(0.90, (45, 77, 105, 132)), (0.95, (59, 93, 124, 153))])
def test_sizes_grow_with_the_failures_allowed(confidence: float, sizes: tuple[int, ...]) -> None:
    """R = 95 %, failures allowed 0..3 (computed: scipy 1.17.1; 59, 93, 124, 153 are also Wilks' one-sided sizes)."""
    assert tuple(cycles_needed(0.95, confidence, k) for k in range(4)) == sizes


def test_a_size_that_meets_the_limit_exactly_is_enough() -> None:
    """0.9 * 0.9 = 0.81 = 1 - 0.19 and 0.5 * 0.5 = 1 - 0.75 (arithmetic): two cycles, whatever floats say."""
    assert cycles_needed(0.9, 0.19) == 2
    assert cycles_needed(0.5, 0.75) == 2
    assert cycles_needed(0.9, 0.271) == 3


@given(reliability=st.floats(0.5, 0.995), confidence=st.floats(0.5, 0.995), failures=st.integers(0, 5))
def test_a_size_is_enough_and_one_less_is_not(reliability: float, confidence: float, failures: int) -> None:
    """By definition; and the other way round through the exact limit of the proportion."""
    cycles = cycles_needed(reliability, confidence, failures)
    assert confidence_reached(reliability, cycles, failures) >= confidence - 1e-9
    if cycles > failures + 1:
        assert confidence_reached(reliability, cycles - 1, failures) <= confidence + 1e-9
    assert reliability_shown(failures, cycles, confidence) >= reliability - 1e-9


@pytest.mark.parametrize(
    ("reliability", "confidence", "failures"),
    [(1.0, 0.9, 0), (0.0, 0.9, 0), (0.9, 1.0, 0), (95, 0.9, 0), (0.9, 0.9, -1)],
)
def test_sizes_refuse_what_can_not_be(reliability: float, confidence: float, failures: int) -> None:
    """Nothing shows a reliability of 100 %, and 95 is not a fraction."""
    with pytest.raises(ValueError):
        cycles_needed(reliability, confidence, failures)


@pytest.mark.parametrize(("cycles", "limit"), [
    (10, 0.258866), (20, 0.139108), (30, 0.095034), (59, 0.049508), (100, 0.029513), (299, 0.009969), (1000, 0.002991),
])  # fmt: skip
def test_upper_limit_without_failures(cycles: int, limit: float) -> None:
    """Exact one-sided 95 % upper limit of the proportion (computed: scipy 1.17.1)."""
    assert clopper_pearson(0, cycles, 0.95, "upper")[1] == pytest.approx(limit, abs=5e-7)
    assert 1 - reliability_shown(0, cycles, 0.95) == pytest.approx(limit, abs=5e-7)


def test_thirty_cycles_without_failure_show_92_6_percent_at_90_percent() -> None:
    """0.926119 (computed: scipy 1.17.1; 0.1 ** (1 / 30) by hand)."""
    assert reliability_shown(0, 30, 0.90) == pytest.approx(0.926119, abs=5e-7)


def test_rule_of_three() -> None:
    """0 events in n: upper 95 % limit about 3 / n (Eypasch 1995, BMJ 311:619-620); exact factor 2.9957."""
    assert clopper_pearson(0, 100_000, 0.95, "upper")[1] * 100_000 == pytest.approx(2.9957, abs=5e-4)


@pytest.mark.parametrize(("failures", "cycles", "confidence", "low", "high"), [
    (4, 20, 0.90, 0.071354, 0.401028),  # NIST/SEMATECH e-Handbook 7.2.4.2, set-up; limits computed: statsmodels 0.15.0
    (4, 20, 0.95, 0.057334, 0.436614),  # same data (computed: statsmodels 0.15.0)
    (1, 10, 0.95, 0.002529, 0.445016),  # these and below computed: scipy 1.17.1
    (1, 59, 0.95, 0.000429, 0.090856),
    (1, 100, 0.95, 0.000253, 0.054459),
    (0, 10, 0.95, 0.0, 0.308497),
    (0, 59, 0.95, 0.0, 0.060609),
])  # fmt: skip
def test_two_sided_exact_limits(failures: int, cycles: int, confidence: float, low: float, high: float) -> None:
    """Clopper-Pearson, both sides."""
    assert clopper_pearson(failures, cycles, confidence) == pytest.approx((low, high), abs=1e-6)


def test_one_sided_exact_limits_with_failures() -> None:
    """5 in 100000: 0.0001051275 (example in the manual of the R package GenBinomApps, `clopper.pearson.ci`; version
    not noted), 0.000105127451 computed: scipy 1.17.1. 4 of 20 at 90 %: 0.090213 and 0.360662 (computed: statsmodels
    0.15.0)."""
    assert clopper_pearson(5, 100_000, 0.95, "upper")[1] == pytest.approx(0.0001051275, abs=1e-10)
    assert clopper_pearson(4, 20, 0.90, "lower")[0] == pytest.approx(0.090213, abs=1e-6)
    assert clopper_pearson(4, 20, 0.90, "upper")[1] == pytest.approx(0.360662, abs=1e-6)


def test_nothing_is_shown_by_no_cycle_or_by_failures_alone() -> None:
    """Arithmetic: the limit is then 0."""
    assert reliability_shown(0, 0, 0.95) == 0.0
    assert reliability_shown(5, 5, 0.95) == 0.0


def test_limits_are_told_without_loading_distributions() -> None:
    """All of `scipy.stats` takes as much memory as the samples of hundreds of cycles; its quantiles are functions."""
    code = (
        "import sys\n"
        "from restart_bench.campaigns.reliability import clopper_pearson\n"
        "clopper_pearson(4, 20)\n"
        "print('scipy.special' in sys.modules, 'scipy.stats' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["True", "False"]


@given(cycles=st.integers(1, 3000), share=st.floats(0, 1), confidence=st.sampled_from((0.5, 0.9, 0.95, 0.999)))
@examples(15)
def test_limits_are_the_quantiles_of_the_beta_distribution(cycles: int, share: float, confidence: float) -> None:
    """To the last digits: those of scipy's distribution, so that no word of an older record changes."""
    from scipy.stats import beta

    failures = round(share * cycles)
    outside = (1 - confidence) / 2
    low = beta.ppf(outside, failures, cycles - failures + 1) if failures else 0.0
    high = beta.isf(outside, failures + 1, cycles - failures) if failures < cycles else 1.0
    assert clopper_pearson(failures, cycles, confidence) == pytest.approx((low, high), rel=1e-13)


def test_counts_that_can_not_be_are_refused() -> None:
    """More failures than cycles, or none at all to judge."""
    for failures, cycles in ((3, 2), (-1, 2), (0, 0)):
        with pytest.raises(ValueError):
            clopper_pearson(failures, cycles)


HOLLANDER_X = (0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46)
HOLLANDER_Y = (1.15, 0.88, 0.90, 0.74, 1.21)


def test_mann_whitney_of_the_textbook_data() -> None:
    """Hollander and Wolfe 1973, Nonparametric Statistical Methods, p. 69: U = 35, exact one-sided p 0.127206, two-sided
    0.254412 (data from the book as R's manual of wilcox.test quotes it; values computed: scipy 1.17.1)."""
    assert mann_whitney(HOLLANDER_X, HOLLANDER_Y, "greater") == pytest.approx((35, 0.127206), abs=5e-7)
    assert mann_whitney(HOLLANDER_X, HOLLANDER_Y)[1] == pytest.approx(0.254412, abs=5e-7)


def test_mann_whitney_counts_arrangements() -> None:
    """The same p-values by counting: of all C(15, 10) ways to deal the ranks out, the share with U of 35 or more."""
    dealt = [sum(place) - 45 for place in itertools.combinations(range(15), len(HOLLANDER_X))]
    share = sum(u >= 35 for u in dealt) / len(dealt)
    assert mann_whitney(HOLLANDER_X, HOLLANDER_Y, "greater")[1] == pytest.approx(share, abs=1e-12)


def test_hodges_lehmann_of_the_textbook_data() -> None:
    """Shift and interval by hand: the median of all 50 differences, and those of rank k and 51 - k, where k is the
    largest rank with a two-sided error of at most 5 % over all C(15, 10) ways to deal the ranks out. (Hollander and
    Wolfe 1973, chapter 4; their printed figures were not seen.)"""
    differences = sorted(y - x for x in HOLLANDER_X for y in HOLLANDER_Y)
    dealt = [sum(place) - 45 for place in itertools.combinations(range(15), 10)]
    error = [2 * sum(u < rank for u in dealt) / len(dealt) for rank in range(26)]
    rank = max(place for place, chance in enumerate(error) if chance <= 0.05)
    found = hodges_lehmann(HOLLANDER_X, HOLLANDER_Y)
    assert found.shift == pytest.approx((differences[24] + differences[25]) / 2)
    assert (found.low, found.high) == pytest.approx((differences[rank - 1], differences[50 - rank]))
    assert found.confidence == pytest.approx(1 - error[rank])
    assert found.p_value == pytest.approx(0.254412, abs=5e-7)


def test_shift_interval_belongs_to_the_test() -> None:
    """Moved by its own lower limit the second sample is just not told apart, moved further it is (by definition)."""
    found = hodges_lehmann(HOLLANDER_X, HOLLANDER_Y)
    assert found.low is not None and found.high is not None and found.confidence is not None
    assert found.low < found.shift < found.high
    assert found.confidence >= 0.95
    inside = [y - found.low - 1e-9 for y in HOLLANDER_Y]
    outside = [y - found.low + 0.02 for y in HOLLANDER_Y]
    assert mann_whitney(HOLLANDER_X, inside)[1] > 1 - found.confidence
    assert mann_whitney(HOLLANDER_X, outside)[1] <= 0.06


@given(st.lists(st.integers(-1000, 1000), min_size=5, max_size=8, unique=True), st.integers(-50, 50))
def test_a_pure_shift_is_found(sample: list[int], shift: int) -> None:
    """The median of all differences between a sample and itself moved is the move."""
    found = hodges_lehmann(sample, [value + shift for value in sample])
    assert found.shift == pytest.approx(shift)
    assert found.low is not None and found.high is not None
    assert found.low <= shift <= found.high


def test_too_few_values_bound_no_shift() -> None:
    """Two against two reach at best 1 - 2/6: no interval at 95 % (counting arrangements)."""
    assert hodges_lehmann((1.0, 2.0), (3.0, 4.0)).low is None


@pytest.mark.parametrize("sizes", [(101, 100), (60, 170), (30, 340)])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_large_samples_are_bounded_as_the_exact_distribution_does(
    monkeypatch: pytest.MonkeyPatch, sizes: tuple[int, int], confidence: float
) -> None:
    """The normal approximation of U gives the exact interval or one wider by at most 2 % and a step each way."""
    first, second = [float(n) for n in range(sizes[0])], [n + 0.5 for n in range(sizes[1])]
    near = hodges_lehmann(first, second, confidence)
    monkeypatch.setattr("restart_bench.compare.significance.LARGE_SAMPLE", 10**9)
    exact = hodges_lehmann(first, second, confidence)
    assert None not in (near.low, near.high, exact.low, exact.high)
    assert near.shift == exact.shift
    assert near.low <= exact.low <= exact.high <= near.high  # type: ignore[operator]
    assert near.high - near.low <= 1.02 * (exact.high - exact.low) + 2  # type: ignore[operator]


def test_fisher_of_the_tea_table_and_the_twins() -> None:
    """R's manual of fisher.test (stats package; version not noted): tea one-sided 0.2429, and the twins' table;
    0.242857, 0.485714, twins one-sided 0.00046518, two-sided 0.00053672 (computed: scipy 1.17.1)."""
    assert fisher(((3, 1), (1, 3)), "greater") == pytest.approx(0.242857, abs=5e-7)
    assert fisher(((3, 1), (1, 3))) == pytest.approx(0.485714, abs=5e-7)
    assert fisher(((2, 15), (10, 3)), "less") == pytest.approx(0.00046518, abs=5e-9)
    assert fisher(((2, 15), (10, 3))) == pytest.approx(0.00053672, abs=5e-9)


def test_holm_corrects_step_by_step() -> None:
    """Arithmetic by hand: 3 * 0.01, 2 * 0.02, then not below the one before."""
    assert holm([0.02, 0.01, 0.03]) == pytest.approx([0.04, 0.03, 0.04])
    assert holm([0.9, 0.8]) == pytest.approx([1.0, 1.0])
    assert holm([]) == []


@pytest.mark.parametrize(("failures", "cycles", "confidence"), [(4, 20, 0.9), (1, 59, 0.95), (17, 300, 0.99)])
def test_exact_limits_are_those_of_another_library(failures: int, cycles: int, confidence: float) -> None:
    """statsmodels' proportion_confint, run beside ours."""
    from statsmodels.stats.proportion import proportion_confint

    theirs = proportion_confint(failures, cycles, alpha=1 - confidence, method="beta")
    assert clopper_pearson(failures, cycles, confidence) == pytest.approx(theirs, abs=1e-12)


# ---------------------------------------------------------------- the rarest fault


@given(st.integers(1, 3000))
def test_the_rarest_fault_that_would_have_been_seen_is_the_rarest(cycles: int) -> None:
    """One time in N is missed by all cycles with a chance of (1 - 1/N)^n: at most 5 % for this N, more for the next
    (arithmetic in whole numbers). 59 cycles see one in 20, 299 one in 100, and 298 only one in 99."""
    rarest = rarest_seen(cycles)
    assert rarest == 1 or 20 * Fraction(rarest - 1, rarest) ** cycles <= 1
    assert 20 * Fraction(rarest, rarest + 1) ** cycles > 1
    assert [rarest_seen(number) for number in (0, 59, 298, 299)] == [1, 20, 99, 100]


def test_more_cycles_than_the_digits_of_a_number_can_share_are_counted_all_the_same() -> None:
    """The reliability that 10^18 cycles would show is told from one by no float, and asking about it is no fault."""
    assert confidence_reached(1.0 - 2**-53, 10**18) == pytest.approx(1.0)
    assert not shows(10**18, 1.0, 0.95, 0)
    assert rarest_seen(10**6, 0.95) == 333_808  # 1 / (1 - 0.05 ** 1e-6) = 333808.7


def test_sizes_in_the_millions_are_found_at_once() -> None:
    """Where one cycle more hardly changes the chance, floats are near a tie for many sizes (scipy's binomial)."""
    from scipy.stats import binom

    needed = cycles_needed(0.99999, 0.001, 20)
    assert needed > 10**5
    assert binom.cdf(20, needed + 1000, 1e-5) <= 0.999 <= binom.cdf(20, needed - 1000, 1e-5)
