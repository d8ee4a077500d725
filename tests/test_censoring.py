"""Distributions from bounds alone: the published set, hand cases, and a second library."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from restart_bench.censoring import Censored, turnbull

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
# Half-open estimates and log-likelihoods: computed by self-consistency (numpy 2.4.6); the R package "interval" prints
# the same masses, from memory.
ESTIMATES = {
    RT: (
        {(4, 5): 0.0463, (6, 7): 0.0334, (7, 8): 0.0887, (11, 12): 0.0708, (24, 25): 0.0926, (33, 34): 0.0818,
         (38, 40): 0.1209, (46, 48): 0.4656},
        -58.060022,
    ),
    RCT: (
        {(4, 5): 0.0433, (5, 8): 0.0433, (11, 12): 0.0692, (16, 17): 0.1454, (18, 19): 0.1411, (19, 20): 0.1157,
         (24, 25): 0.0999, (30, 31): 0.0709, (35, 36): 0.1608, (44, 48): 0.0552, (48, 60): 0.0552},
        -65.636965,
    ),
}  # fmt: skip


def observed(text: str) -> list[tuple[float, float]]:
    """Bounds in months."""
    return [
        (float(word[:-1]), math.inf) if word.endswith("+") else (float(word.split("-")[0]), float(word.split("-")[1]))
        for word in text.split()
    ]


def masses(found: Censored) -> dict[tuple[float, float], float]:
    """Shares by their ends; what is below a ten-thousandth is left out."""
    return {(mass.after, mass.until): mass.share for mass in found.masses if mass.share > 1e-4}


@pytest.mark.parametrize("arm", [RT, RCT], ids=["RT", "RCT"])
def test_the_published_set_has_its_known_estimate(arm: str) -> None:
    """94 observations in two arms, 38 of them never seen to happen."""
    found = turnbull(observed(arm))
    expected, likelihood = ESTIMATES[arm]
    assert masses(found) == pytest.approx(expected, abs=6e-5)
    assert found.log_likelihood == pytest.approx(likelihood, abs=1e-6)


def test_the_set_is_whole() -> None:
    """46 and 48, of which 56 are bounded on both sides (Finkelstein and Wolfe 1985)."""
    both = [*observed(RT), *observed(RCT)]
    assert (len(observed(RT)), len(observed(RCT))) == (46, 48)
    assert sum(until < math.inf for _, until in both) == 56


def test_closed_bounds_are_another_estimate() -> None:
    """With [L, R] the mass falls on single months: 5 .0493, 7 .1026, 11 .0873, 25 .1072, log-likelihood -54.272818
    (computed: numpy 2.4.6). Ours are half-open unless said otherwise."""
    found = turnbull(observed(RT), closed=True)
    shares = masses(found)
    assert [shares[one, one] for one in (5, 7, 11, 25)] == pytest.approx([0.0493, 0.1026, 0.0873, 0.1072], abs=6e-5)
    assert found.log_likelihood == pytest.approx(-54.272818, abs=1e-6)


def test_a_second_library_agrees_where_it_means_the_same() -> None:
    """lifelines (0.30.3 when this was written) follows the closed convention: survival .9507 after 5, .8481 after 7,
    .7609 after 11, run beside ours. Its rows tell what survives up to and without their month."""
    from lifelines import KaplanMeierFitter

    lower, upper = zip(*observed(RT), strict=True)
    theirs = KaplanMeierFitter().fit_interval_censoring(lower, upper, tol=1e-9).survival_function_
    ours = turnbull(observed(RT), closed=True)
    for month, row, printed in ((5, 6, 0.9507), (7, 8, 0.8481), (11, 12, 0.7609)):
        survived = 1 - ours.share_until(month)[0]
        assert survived == pytest.approx(printed, abs=6e-5)
        assert survived == pytest.approx(float(theirs.loc[row, "NPMLE_estimate_lower"]), abs=1e-3)


@pytest.mark.parametrize(("bounds", "expected"), [
    ([(0, 2), (1, 3), (2, 4)], {(1, 2): 0.5, (2, 3): 0.5}),
    ([(0, 1), (0, 2), (1, 2)], {(0, 1): 0.5, (1, 2): 0.5}),
    ([(0, 1), (0, 1), (1, 3), (1, 3), (0, 2), (2, 3)], {(0, 1): 0.5, (2, 3): 0.5}),
    ([(1, 1), (1, 3)], {(1, 1): 0.5, (1, 3): 0.5}),
    ([(2, 2), (0, 2), (5, 5)], {(2, 2): 2 / 3, (5, 5): 1 / 3}),
])  # fmt: skip
def test_hand_cases(bounds: list[tuple[float, float]], expected: dict[tuple[float, float], float]) -> None:
    """By hand. In the third the condition of optimality holds with equality on (1, 2], where the mass is 0: simple
    iteration creeps there. In the last two an instant is known exactly, and (1, 3] does not contain 1."""
    assert masses(turnbull(bounds)) == pytest.approx(expected, abs=1e-6)


def test_what_lies_within_a_mass_is_not_known() -> None:
    """Half of the times are over by 1.5 at most, none surely; by 2 it is half for sure."""
    found = turnbull([(0, 2), (1, 3), (2, 4)])
    assert [found.share_until(time) for time in (1, 1.5, 2, 3)] == [
        (0, 0), (0, pytest.approx(0.5)), (pytest.approx(0.5), pytest.approx(0.5)), (pytest.approx(1), pytest.approx(1)),
    ]  # fmt: skip


BOUNDS = st.lists(
    st.tuples(st.integers(0, 12), st.integers(0, 6), st.booleans()).map(
        lambda one: (float(one[0]), math.inf if one[2] and one[1] > 3 else float(one[0] + one[1]))
    ),
    min_size=1, max_size=25,
)  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(BOUNDS, st.booleans())
def test_no_other_distribution_is_more_likely(bounds: list[tuple[float, float]], closed: bool) -> None:
    """The shares add up to one, the likelihood is theirs, and moving share to any instant, or to any gap between the
    instants that are named, does not make the observations more likely."""
    found = turnbull(bounds, closed=closed)
    assert math.fsum(mass.share for mass in found.masses) == pytest.approx(1)
    ends = sorted({end for pair in bounds for end in pair if end < math.inf})
    instants = [*ends, *((a + b) / 2 for a, b in itertools.pairwise(ends)), ends[-1] + 1]
    chances = [_chance(found, one, closed) for one in bounds]
    assert found.log_likelihood == pytest.approx(math.fsum(map(math.log, chances)), abs=1e-9)
    for instant in instants:
        gain = math.fsum(_within(instant, one, closed) / chance for one, chance in zip(bounds, chances, strict=True))
        assert gain <= len(bounds) + 1e-5


def _within(instant: float, bounds: tuple[float, float], closed: bool) -> bool:
    after, until = bounds
    return instant <= until and (after <= instant if closed or after == until else after < instant)


def _chance(found: Censored, bounds: tuple[float, float], closed: bool) -> float:
    """By the definition of a mass: it may lie anywhere within its ends, an instant inside stands for it."""
    inside = (mass for mass in found.masses if _within(_instant_of(mass.after, mass.until), bounds, closed))
    return math.fsum(mass.share for mass in inside)


def _instant_of(after: float, until: float) -> float:
    return after + 0.5 if until == math.inf else (after + until) / 2


def test_what_can_not_be_observed_is_refused() -> None:
    """Nothing, and ends turned round."""
    impossible: tuple[list[tuple[float, float]], ...] = ([], [(2.0, 1.0)])
    for bounds in impossible:
        with pytest.raises(ValueError):
            turnbull(bounds)
