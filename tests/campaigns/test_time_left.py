"""How long a run still takes: known as a range before the first cycle, and nearer from then on."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.campaigns.time_left import TimeLeft

S = 1_000_000_000


def test_before_the_first_cycle_it_is_what_was_planned() -> None:
    """Three cycles of 10 to 70 s, two of 20 s or more (a person answers): 70 s or more; without those 30 to 210 s."""
    left = TimeLeft({"a": (10 * S, 70 * S), "b": (20 * S, None)}, {"a": 3, "b": 2})
    assert left.left() == (70 * S, None)
    assert TimeLeft({"a": (10 * S, 70 * S)}, {"a": 3}).left() == (30 * S, 210 * S)


def test_a_cycle_that_has_begun_takes_less_by_what_it_has_lasted() -> None:
    """15 s into the first of three: at least two whole ones of 10 s, at most 55 s and two of 70 s."""
    left = TimeLeft({"a": (10 * S, 70 * S)}, {"a": 3})
    assert left.left("a", 15 * S) == (20 * S, 195 * S)


def test_a_cycle_that_was_done_tells_of_its_own_case_alone() -> None:
    """20 s, with a tenth on both sides; of the other case only the plan is known."""
    left = TimeLeft({"a": (10 * S, 70 * S), "b": (S, 2 * S)}, {"a": 3, "b": 1})
    left.cycle_took("a", 20 * S)
    assert left.left() == (2 * 18 * S + S, 2 * 22 * S + 2 * S)


def test_a_limit_of_the_supply_keeps_the_run_from_ending_sooner() -> None:
    """Cuts that only the next hour allows: an hour from the beginning, whatever the cycles take."""
    left = TimeLeft({"a": (10 * S, 70 * S)}, {"a": 2}, not_before_ns=3600 * S)
    left.cycle_took("a", 20 * S)
    assert left.left() == (3580 * S, 3580 * S)


def test_nothing_is_left_at_the_end() -> None:
    """And a cycle too many (a person repeats one) takes nothing from the others."""
    left = TimeLeft({"a": (S, S)}, {"a": 1})
    left.cycle_took("a", S)
    left.cycle_took("a", S)
    assert left.left() == (0, 0)


@pytest.mark.parametrize("spread", [0.01, 0.05, 0.1, 0.15])
def test_on_a_busy_computer_the_rest_is_held_too(spread: float) -> None:
    """400 made-up campaigns of 20 cycles whose lengths differ by as much (one standard deviation, log-normal): after
    two of them, in nine of ten."""
    drawn = random.Random(20)
    held = 0
    for _ in range(400):
        lengths = [round(1.3 * math.exp(drawn.gauss(0, spread)) * S) for _ in range(20)]
        left = TimeLeft({"a": (S, 9 * S)}, {"a": 20})
        for length in lengths[:2]:
            left.cycle_took("a", length)
        low, high = left.left()
        held += high is not None and low <= sum(lengths[2:]) <= high
    assert held >= 360


def test_the_rest_of_cuts_at_drawn_instants_is_told_from_the_draw_not_from_the_two_that_there_were() -> None:
    """200 made-up campaigns of 20 cycles of 1.3 s, each cut somewhere within a second more: after two of them, in nine
    of ten, though both may have been long."""
    drawn = random.Random(20)
    held = 0
    for _ in range(200):
        delays = [drawn.randrange(S) for _ in range(20)]
        lengths = [round(drawn.uniform(1.25, 1.35) * S) + delay for delay in delays]
        left = TimeLeft({"a": (S, 9 * S)}, {"a": 20}, drawn={"a": (0, S)})
        for length, delay in zip(lengths[:2], delays[:2], strict=True):
            left.cycle_took("a", length, delay)
        low, high = left.left()
        assert high is not None and high < 19 * 2.5 * S
        held += low <= sum(lengths[2:]) <= high
    assert held >= 180


@given(st.lists(st.integers(10 * S, 70 * S), min_size=1, max_size=12))
def test_the_plan_holds_the_true_rest_of_cycles_that_keep_to_it(lengths: list[int]) -> None:
    """From before the first cycle on, as long as nothing but the plan is known."""
    low, high = TimeLeft({"a": (10 * S, 70 * S)}, {"a": len(lengths)}).left()
    assert high is not None and low <= sum(lengths) <= high


@pytest.mark.parametrize("cycles", [20, 60, 200])
def test_said_after_a_tenth_of_the_cycles_it_holds_the_true_rest_in_nine_of_ten_runs(cycles: int) -> None:
    """200 made-up campaigns: cuts at a random instant of 200 ms, boots that differ by 3 % (one standard deviation)."""
    drawn = random.Random(cycles)
    held = 0
    for _ in range(200):
        lengths = [round((14 + drawn.uniform(0, 0.2) + drawn.gauss(6, 0.18)) * S) for _ in range(cycles)]
        left = TimeLeft({"a": (14 * S, 130 * S)}, {"a": cycles})
        for length in lengths[: cycles // 10]:
            left.cycle_took("a", length)
        low, high = left.left()
        held += high is not None and low <= sum(lengths[cycles // 10 :]) <= high
    assert held >= 180
