"""Thresholds of the off time: published sets, another library, brackets."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.campaigns.threshold import Trial, bracket, fit, sharp_interval


def trials(told: dict[float, tuple[int, int]]) -> list[Trial]:
    """From off time to how many restarted and how many rode through."""
    return [
        Trial(at, at, restarted)
        for at, counts in told.items()
        for restarted, count in zip((True, False), counts, strict=True)
        for _ in range(count)
    ]


# ---------------------------------------------------------------- published sets

# Bliss 1935, beetles (log10 dose): as a statistics package's manual gives it after Dobson. That page prints 60 killed
# at 1.8610, but its results need 61.
BEETLES = {
    1.6907: (6, 53), 1.7242: (13, 47), 1.7552: (18, 44), 1.7842: (28, 28), 1.8113: (52, 11), 1.8369: (53, 6),
    1.8610: (61, 1), 1.8839: (60, 0),
}  # fmt: skip


def test_the_probit_fit_of_the_beetles() -> None:
    """Intercept -34.935254 and slope 19.727931 (computed: statsmodels 0.15.0; Dobson's rounded values agree from
    memory): threshold 34.935254 / 19.727931, spread 1 / 19.727931; with their interval not far from Wald's."""
    found = fit(trials(BEETLES))
    assert found is not None
    assert found.middle == pytest.approx(34.935254 / 19.727931, abs=1e-6)
    assert found.spread == pytest.approx(1 / 19.727931, abs=1e-6)
    assert found.low is not None and found.high is not None
    assert (found.low, found.high) == pytest.approx((1.7635, 1.7782), abs=2e-3)


def test_another_library_fits_the_same() -> None:
    """statsmodels' probit on another set: 2, 8, 15, 23, 27 of 30 at 0 to 4 (a university course's page, edition not
    noted; fitted 0.084242 ... 0.914411)."""
    import statsmodels.api as sm

    dead = (2, 8, 15, 23, 27)
    found = fit(trials({float(x): (count, 30 - count) for x, count in enumerate(dead)}))
    assert found is not None
    family = sm.families.Binomial(sm.families.links.Probit())
    counts = np.array([(count, 30 - count) for count in dead])
    theirs = sm.GLM(counts, sm.add_constant(np.arange(5.0)), family=family).fit()
    assert found.middle == pytest.approx(-theirs.params[0] / theirs.params[1], abs=1e-5)
    assert found.spread == pytest.approx(1 / theirs.params[1], abs=1e-5)
    ends = [0.5 * math.erfc((found.middle - x) / found.spread / math.sqrt(2)) for x in (0, 4)]
    assert ends == pytest.approx([0.084242, 0.914411], abs=1e-5)


def dixon_mood(rarer: dict[int, int], start: float, step: float, *, failures: bool) -> tuple[float, float, float]:
    """Mean, V and spread after Dixon and Mood 1948: formulas as two open texts give them. Only a check, not used."""
    n = sum(rarer.values())
    a, b = sum(i * count for i, count in rarer.items()), sum(i * i * count for i, count in rarer.items())
    v = (n * b - a * a) / n**2
    mean = start + step * (a / n + (-0.5 if failures else 0.5))
    return mean, v, 1.62 * step * (v + 0.029) if v >= 0.3 else 0.53 * step


# Ekaputra et al. 2020, Open Engineering 10:394-400: step 20; failures 2 at 280, 3 at 300, survivals 3 at 260, 4 at 280.
# Their i counts from 260 (A = 8, B = 14). Second-hand: data and results quoted.
STAIRCASE = {260.0: (0, 3), 280.0: (2, 4), 300.0: (3, 0)}


def test_the_published_staircase() -> None:
    """Mean 282, V 0.24, spread 10.6 by Dixon and Mood; the fit lies within a quarter of a step of that mean."""
    mean, v, spread = dixon_mood({1: 2, 2: 3}, 260, 20, failures=True)
    assert (mean, v, spread) == pytest.approx((282, 0.24, 10.6))
    found = fit(trials(STAIRCASE))
    assert found is not None and found.low is not None and found.high is not None
    assert abs(found.middle - mean) <= 5
    assert found.low <= mean <= found.high


def test_the_arithmetic_case_above_the_bound() -> None:
    """Levels 9, 10, 11, rarer outcome "no" 6, 5, 3, step 1: mean 10.2857, V 0.596939, s 1.01402 (a tutorial's
    rounded values, edition not noted; computed by arithmetic)."""
    assert dixon_mood({0: 6, 1: 5, 2: 3}, 9, 1, failures=False) == pytest.approx((10.2857, 0.596939, 1.01402), abs=5e-5)


# ---------------------------------------------------------------- brackets

TIMES = st.lists(st.tuples(st.integers(0, 100), st.integers(0, 5)), min_size=1, max_size=30)


@given(TIMES, st.integers(0, 110), st.data())
def test_a_sharp_threshold_lies_in_the_bracket_whatever_the_true_off_times_were(
    spans: list[tuple[int, int]], threshold: int, data: st.DataObject
) -> None:
    """Cuts as long as the threshold or longer restart; each true off time lies anywhere within its bounds."""
    told = []
    for low, width in spans:
        true = data.draw(st.integers(low, low + width))
        told.append(Trial(low, low + width, true >= threshold))
    found = bracket(told)
    assert not found.overlap or max(one.low for one in told if not one.restarted) >= min(
        one.high for one in told if one.restarted
    )
    assert found.rides_through is None or found.rides_through[0] < threshold
    assert found.restarts is None or found.restarts[1] >= threshold
    low, high = sharp_interval(told)
    assert low is None or low < threshold
    assert high is None or high >= threshold


def test_outcomes_that_surely_overlap_are_said_to() -> None:
    """Ridden through at 5 to 6, restarted at 3 to 4; and nothing is said of bounds that only touch."""
    assert bracket([Trial(5, 6, False), Trial(3, 4, True)]).overlap
    assert not bracket([Trial(5, 6, False), Trial(5.5, 6.5, True)]).overlap
    assert bracket([Trial(5, 6, False)]).restarts is None
    wide = bracket([Trial(5, 6, False), Trial(4, 9, False), Trial(7, 8, True), Trial(6.5, 12, True)])
    assert (wide.rides_through, wide.restarts) == ((5, 6), (7, 8)), "the ends that say most for sure"


def test_six_in_a_row_reject_a_threshold_at_95_percent() -> None:
    """Coins fall six times alike in 1 of 64, less than 2.5 %; five are too few (arithmetic)."""
    ridden, restarted = (
        [Trial(at, at, back) for at in places] for back, places in ((False, range(6)), (True, range(9, 15)))
    )
    assert sharp_interval([*ridden, *restarted]) == (0, 14)
    assert sharp_interval([*ridden[1:], *restarted[:5]]) == (None, None)
    assert sharp_interval([*ridden[1:], *restarted[:5]], 0.9) == (1, 13)
    assert sharp_interval([*ridden, Trial(2.5, 2.5, True), *restarted])[0] is None


def test_what_can_not_be_fitted_is_none() -> None:
    """All alike, sharply parted, nothing; and a confidence that is no fraction is refused."""
    assert fit([Trial(1, 2, True)] * 3) is None
    assert fit([Trial(1, 2, False), Trial(3, 4, True)]) is None
    assert fit([]) is None
    for refused in (fit, sharp_interval):
        with pytest.raises(ValueError, match="confidence"):
            refused([], 95)


@pytest.mark.parametrize(
    "outcomes",
    [
        [Trial(5, 5, True), Trial(5, 5, False)] * 6,
        [Trial(5, 6, True), Trial(6, 6, False)],
        [Trial(5, 6, True), Trial(6, 7, False)] * 3,
    ],
    ids=["one off time", "alike at their upper ends", "longer cuts ridden through"],
)
def test_outcomes_that_tell_no_threshold_set_no_ends(outcomes: list[Trial]) -> None:
    """Both outcomes at one off time, or turned round: the middle stays about the trials, and no end is told."""
    found = fit(outcomes)
    assert found is not None
    assert (found.low, found.high) == (None, None)
    assert 3 <= found.middle <= 9
