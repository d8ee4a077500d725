"""The search for the end of riding through: seeded searches, with true off times blurred by their bounds."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drawn import examples
from restart_bench.campaigns.search import CONFIRMATIONS, FRUITLESS, Stop, answer, least_cycles, next_step, usual_cycles
from restart_bench.campaigns.threshold import Trial, bracket
from restart_bench.model.scenario import Search

SEARCH = Search(shortest_ns=0, longest_ns=100, resolution_ns=1, cycles=40)
BLURS = (0.2, 1.0)
"""Widths of the bounds of a true off time: much finer than what is looked for, and just as wide."""
SPREADS = (0.0, 0.5, 2.0, 6.0)


@cache
def searched(sigma: float, blur: float, seed: int) -> tuple[float, tuple[Trial, ...], Stop]:
    """The true threshold, the cycles of a search for it, and why it was over. The relay is off by as much as the bounds
    are wide; where they lie around the truth is chance."""
    rng = np.random.default_rng(seed)
    threshold = rng.uniform(10, 90)
    told: list[Trial] = []
    while not isinstance(asked := next_step(told, SEARCH), Stop):
        true, phase = asked + rng.uniform(-blur / 2, blur / 2), rng.uniform(0, blur)
        restarted = bool(true > threshold + sigma * rng.standard_normal())
        told.append(Trial(true - phase, true - phase + blur, restarted))
    return float(threshold), tuple(told), asked


def found(told: tuple[Trial, ...]) -> float:
    """The answer as one number: the fitted threshold, or the middle of the bracket."""
    told_by = answer(told)
    ends = told_by.bracket
    assert ends.rides_through is not None and ends.restarts is not None
    return (ends.rides_through[0] + ends.restarts[1]) / 2 if told_by.threshold is None else told_by.threshold.middle


def covered(seed: int) -> bool:
    """Whether the stated interval holds the threshold, with spreads and blurs by turns."""
    threshold, told, _ = searched(SPREADS[seed % 4], BLURS[seed // 4 % 2], seed)
    said = answer(told)
    return (said.low is None or said.low <= threshold) and (said.high is None or threshold <= said.high)


def test_stated_intervals_hold_the_threshold_as_often_as_they_say() -> None:
    """24 seeded searches, sharp and overlapping, finely and coarsely bounded: at least the share that a true 95 % gives
    in 999 of 1000 such trials."""
    from scipy.stats import binom

    assert sum(covered(seed) for seed in range(24)) >= binom.ppf(0.001, 24, 0.95)


@pytest.mark.slow
def test_200_stated_intervals() -> None:
    """At least 179 of 200 seeded searches: the 0.1 % quantile of a true 95 %."""
    from scipy.stats import binom

    assert binom.ppf(0.001, 200, 0.95) == 179
    assert sum(covered(seed) for seed in range(200)) >= 179


@pytest.mark.parametrize("blur", BLURS)
def test_a_search_ends_and_finds_a_sharp_threshold(blur: float) -> None:
    """Long before its most cycles; the bracket holds the threshold and is as narrow as the bounds allow."""
    for seed in range(20):
        threshold, told, over = searched(0.0, blur, seed)
        said, ends = answer(told), bracket(told)
        assert over is Stop.FOUND and len(told) <= SEARCH.cycles / 2
        assert ends.rides_through is not None and ends.restarts is not None
        assert ends.rides_through[0] <= threshold <= ends.restarts[1]
        assert ends.restarts[1] - ends.rides_through[0] <= SEARCH.resolution_ns + 2 * blur
        assert said.low is not None and said.high is not None


def test_a_controller_that_restarts_everywhere_or_nowhere_ends_the_search_soon() -> None:
    """Six confirmations of the one end, no forty cycles that wear the contact and tell nothing more."""
    for restarted, why in ((True, Stop.NONE_RIDDEN), (False, Stop.ALL_RIDDEN)):
        told: list[Trial] = []
        while not isinstance(asked := next_step(told, SEARCH), Stop):
            told.append(Trial(asked, asked, restarted))
        assert asked is why and len(told) <= 7
        assert {one.low for one in told[1:]} == {0.0 if restarted else 100.0}


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 3), st.booleans()), max_size=30), st.integers(0, 60))
def test_what_comes_next_follows_from_the_trials_and_stays_within_the_range(
    told: list[tuple[float, float, bool]], more: int
) -> None:
    """The same trials, in whatever order, ask for the same cut; and nothing is asked beyond the most cycles."""
    trials = [Trial(low, low + width, restarted) for low, width, restarted in told]
    done = len(trials) + more
    step = next_step(trials, SEARCH, done=done)
    again = next_step(sorted(trials, key=lambda one: (one.high, one.low)), SEARCH, done=done)
    assert step == pytest.approx(again) if isinstance(step, float) else step is again
    assert isinstance(step, Stop) or (SEARCH.shortest_ns <= step <= SEARCH.longest_ns and done < SEARCH.cycles)


def test_cycles_without_an_outcome_do_not_go_on_for_ever() -> None:
    """A few in a row end the search; before that the same cut is asked for again."""
    told = [Trial(0, 0, False), Trial(100, 100, True)]
    assert next_step(told, SEARCH, done=5, fruitless=FRUITLESS - 1) == 50
    assert next_step(told, SEARCH, done=6, fruitless=FRUITLESS) is Stop.FRUITLESS


def test_the_usual_number_of_cycles_is_what_sharp_thresholds_take() -> None:
    """`check` names it: no search for a sharp threshold that bounds don't blur takes more."""
    assert max(len(searched(0.0, 0.2, seed)[1]) for seed in range(20)) <= usual_cycles(SEARCH) + 1
    assert usual_cycles(SEARCH) < SEARCH.cycles / 2


@examples(12)
@example([(0.0, 0.0, True)] * 19)
@given(st.lists(st.tuples(st.floats(0, 60), st.floats(0, 60), st.booleans()), min_size=19, max_size=19))
def test_no_search_is_over_before_the_least_number_of_cycles(outcomes: list[tuple[float, float, bool]]) -> None:
    """Whatever the cuts do, and however little is known of their length; without a cut that is ridden through it is
    over then, and where both ends are known for sure, each was confirmed."""
    search = replace(SEARCH, cycles=18)
    told: list[Trial] = []
    while not isinstance(asked := next_step(told, search), Stop):
        less, more, restarted = outcomes[len(told)]
        told.append(Trial(max(0.0, asked - less), asked + more, restarted))
    assert least_cycles(search) <= len(told) <= search.cycles
    assert asked is not Stop.NONE_RIDDEN or len(told) == least_cycles(search)
    ridden = [one.high for one in told if not one.restarted]
    restarted_from = [one.low for one in told if one.restarted]
    if asked is Stop.FOUND and max(ridden) < min(restarted_from):
        assert len(told) >= 2 * CONFIRMATIONS


def halved(sigma: float, seed: int, repeats: int) -> tuple[float, int]:
    """Error and cycles of plain bisection, each place tried so often, the majority believed."""
    rng = np.random.default_rng(seed)
    threshold, low, high, cycles = rng.uniform(10, 90), float(SEARCH.shortest_ns), float(SEARCH.longest_ns), 0
    while high - low > SEARCH.resolution_ns:
        middle = (low + high) / 2
        restarted = sum(middle > threshold + sigma * rng.standard_normal() for _ in range(repeats))
        low, high = (low, middle) if 2 * restarted > repeats else (middle, high)
        cycles += repeats
    return (low + high) / 2 - threshold, cycles


@pytest.mark.slow
@pytest.mark.parametrize("sigma", [2.0, 6.0])
def test_a_search_takes_fewer_cycles_than_bisection_with_repeats_at_the_same_error(sigma: float) -> None:
    """Over 100 seeded thresholds: however often bisection repeats to be as right, it takes more cycles."""
    runs = [searched(sigma, 0.2, seed) for seed in range(100)]
    ours = float(np.sqrt(np.mean([(found(told) - threshold) ** 2 for threshold, told, _ in runs])))
    cycles = float(np.mean([len(told) for _, told, _ in runs]))
    for repeats in range(1, 99, 2):
        theirs = [halved(sigma, seed, repeats) for seed in range(100)]
        error = float(np.sqrt(np.mean([one**2 for one, _ in theirs])))
        if error <= ours:
            print(f"spread {sigma}: {cycles:.1f} cycles, error {ours:.2f}; bisection {theirs[0][1]}, {error:.2f}")
            assert cycles < theirs[0][1]
            return
    raise AssertionError("bisection never was as right")
