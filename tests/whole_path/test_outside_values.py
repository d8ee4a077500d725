"""Values and rules from outside that no other file holds against the bench: verdicts, dates, windows, hold-up."""

from __future__ import annotations

import itertools
import statistics
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence import MS, T0, S, Story, dryer, with_check_pulse
from restart_bench.evidence.supply_off import off_time
from restart_bench.evidence.traces import Trace, changes_of
from restart_bench.judging.states import window_verdict
from restart_bench.model.clock import Anchor, Bounds
from restart_bench.model.rig import RigSupply, last_instant
from restart_bench.model.verdicts import Verdict, exit_of, exit_over, worst
from restart_bench.run.arming import isolation_is_past

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR

# ---------------------------------------------------------------- verdicts

# ETSI ES 201 873-1 V4.16.1 (2024-10), clause 24.1, Table 30: rows current, columns assigned pass, inconc, fail.
TTCN_3 = {
    PASS: (PASS, INCONCLUSIVE, FAIL),
    INCONCLUSIVE: (INCONCLUSIVE, INCONCLUSIVE, FAIL),
    FAIL: (FAIL, FAIL, FAIL),
}
OVERWRITTEN = [
    (current, assigned, after)
    for current, row in TTCN_3.items()
    for assigned, after in zip((PASS, INCONCLUSIVE, FAIL), row, strict=True)
]


@pytest.mark.parametrize(("current", "assigned", "after"), OVERWRITTEN)
def test_record_and_exit_code_take_the_same_word(current: Verdict, assigned: Verdict, after: Verdict) -> None:
    """What the record and JUnit put over the findings of one expectation, and the exit code over scenarios, follow
    TTCN-3's table like cycles and scenarios do."""
    assert worst([current, assigned]) is worst([assigned, current]) is after
    assert exit_over([exit_of(current), exit_of(assigned)]) == exit_of(after)


def test_an_error_outranks_all_but_a_fail_that_stands() -> None:
    """In TTCN-3 error outranks all; here a fail that is reported beside an error stays one, everywhere alike."""
    for word in (PASS, INCONCLUSIVE):
        assert worst([word, ERROR]) is ERROR
        assert exit_over([exit_of(word), exit_of(ERROR)]) == exit_of(ERROR)
    assert worst([FAIL, ERROR]) is FAIL
    assert exit_over([exit_of(FAIL), exit_of(ERROR)]) == exit_of(FAIL)


# ---------------------------------------------------------------- dates

# RFC 3339 (July 2002), section 5.8, as two test suites list its examples; what each means in UTC, by arithmetic.
RFC_3339 = {
    "1985-04-12T23:20:50.52Z": datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC),
    "1996-12-19T16:39:57-08:00": datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC),
    "1937-01-01T12:00:27.87+00:20": datetime(1937, 1, 1, 11, 40, 27, 870_000, tzinfo=UTC),
    "1996-12-20T00:39:57-00:00": datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC),
}


@pytest.mark.parametrize("text", RFC_3339)
def test_isolation_and_the_runs_clock_read_the_dates_of_rfc_3339(text: str) -> None:
    """The instant is the one that the examples' own text gives, and isolation holds up to it and not beyond."""
    instant = RFC_3339[text]
    assert last_instant(text) == instant
    assert not isolation_is_past(text, instant - timedelta(microseconds=1))
    assert isolation_is_past(text, instant + timedelta(microseconds=1))
    later = Anchor(clock_ns=5 * S, wall=text).label(7 * S)
    assert abs(later - (instant + timedelta(seconds=2))) <= timedelta(microseconds=1)


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
def test_a_leap_second_is_no_end_that_anybody_can_rely_on(text: str) -> None:
    """RFC 3339, section 5.8, has two; Python's calendar has none, so isolation until then counts as past."""
    assert isolation_is_past(text, datetime(1980, 1, 1, tzinfo=UTC))
    with pytest.raises(ValueError):
        last_instant(text)


# ---------------------------------------------------------------- bounded durations


TIMES = st.integers(0, 10_000)


@given(st.tuples(TIMES, TIMES).map(sorted), st.tuples(TIMES, TIMES).map(sorted), st.integers(0, 12_000), st.data())
def test_a_limit_is_met_or_broken_only_where_it_is_so_for_every_instant_within_the_bounds(
    first: list[int], second: list[int], limit: int, data: st.DataObject
) -> None:
    """From A in (a1, a2] to B in (b1, b2]: between b1 - a2 and b2 - a1, width = sum of widths; a limit T is surely met
    if b2 - a1 <= T, surely broken if b1 - a2 > T, otherwise nothing is said (derived by arithmetic)."""
    (a1, a2), (b1, b2) = first, second
    low, high = Bounds(b1, b2).since(Bounds(a1, a2))
    assert (low, high) == (b1 - a2, b2 - a1)
    assert high - low == (a2 - a1) + (b2 - b1)
    verdict, _ = window_verdict(low, high, -20_000, limit)
    assert verdict is (PASS if b2 - a1 <= limit else FAIL if b1 - a2 > limit else INCONCLUSIVE)
    true = data.draw(st.integers(b1, b2)) - data.draw(st.integers(a1, a2))
    assert low <= true <= high
    assert (verdict, true <= limit) not in ((PASS, False), (FAIL, True))


@pytest.mark.parametrize("length", range(1, 15))
def test_a_pulse_is_caught_at_as_many_phases_as_it_is_long(length: int) -> None:
    """Instants g = 10 apart catch a pulse of length p at min(1, p / g) of all phases (derived); counted
    over every phase."""
    sent = np.arange(0, 100, 10, dtype=np.int64)
    caught = 0
    for phase in range(10):
        value = ((sent >= 40 + phase) & (sent < 40 + phase + length)).astype(float)
        caught += bool(changes_of(Trace("fan", sent, sent, value, np.full(len(sent), True))))
    assert caught == min(10, length)


# ---------------------------------------------------------------- windows (GUM)

# JCGM 100:2008 (GUM), F.2.2.1: a value known only to lie in a window of width w has u = w / sqrt(12). Second-hand; the
# figures computed by arithmetic.
WINDOWS = {5: 1.4434, 20: 5.7735, 100: 28.8675}


@pytest.mark.parametrize("width_ms", WINDOWS)
def test_the_middle_of_bounds_errs_as_a_window_does(width_ms: int) -> None:
    """An instant seen by reads at every phase: its distance from the middle of its bounds spreads by w / sqrt(12)."""
    width = width_ms * MS
    errors = [_middle(Bounds(-phase, width - phase)) for phase in range(0, width, width // 1000)]
    assert statistics.stdev(errors) == pytest.approx(WINDOWS[width_ms] * MS, rel=1e-3)


def test_the_difference_of_two_windows_of_20_ms() -> None:
    """8.1650 ms, and hard bounds of 20 ms to both sides (GUM 5.1.2 and arithmetic)."""
    phases = range(0, 20 * MS, MS // 2)
    bounds = [Bounds(-phase, 20 * MS - phase) for phase in phases]
    errors = [_middle(b) - _middle(a) for a, b in itertools.product(bounds, bounds)]
    assert statistics.stdev(errors) == pytest.approx(8.1650 * MS, rel=1e-3)
    assert {high - low for low, high in (b.since(a) for a, b in itertools.product(bounds, bounds))} == {40 * MS}
    assert all(low <= 0 <= high for low, high in (b.since(a) for a, b in itertools.product(bounds, bounds)))


def _middle(bounds: Bounds) -> float:
    return (bounds.not_before_ns + bounds.not_after_ns) / 2


# ---------------------------------------------------------------- supplies that hold up

# 24 V DC supplies cut on their mains side. A 120 W unit holds up 35 ms typically and 27 ms at least at full load, 70
# and 55 ms at half load; a 480 W unit 27 and 22, 54 and 44 ms (manuals of two makers, editions not noted). A 10 A unit
# starts 130 ms after its mains is back and rises within 35 to 100 ms (a data page, edition not noted).
HOLD_UP_MS = (22, 27, 35, 44, 54, 55, 70)


@pytest.mark.parametrize("declared", [True, False])
@pytest.mark.parametrize("hold_up_ms", HOLD_UP_MS)
@pytest.mark.parametrize("back_after_ms", [130 + 35, 130 + 100])
def test_a_cut_on_the_mains_side_counts_from_when_the_rail_fell_and_rose(
    hold_up_ms: int, back_after_ms: int, declared: bool
) -> None:
    """The off time begins late by the hold-up and ends late by start-up and rise: where the rig file says that it may
    (and a check pulse how old reads are), the return is as narrow as the rail was read; else it is as wide."""
    supply = RigSupply("modbus-coil", contact="normally-open", operate_ns=240 * MS, release_ns=75 * MS)
    story = Story(end_ns=6 * S, **({"rig": with_check_pulse(dryer(supply=supply))} if declared else {}))
    fell, rose = story.cut_ns + hold_up_ms * MS, story.back_ns + back_after_ms * MS
    story.set("rail", (0, 1), (fell, 0), (rose, 1))
    story.boot(dark=back_after_ms * MS + 200 * MS, refused=50 * MS, busy=50 * MS)
    story.stages[1] = (fell, "dark")
    for name in ("running", "burner", "fan"):
        story.set(name, (0, 1), (fell, 0), *([(story.running_ns, 1)] if name == "running" else []))
    for name in ("burner_terminal", "fan_terminal"):
        story.set(name, (0, 1), (fell + 5 * MS, 0))
    judged = story.judge()
    cut, restored = judged.mark("cut"), judged.mark("restored")
    assert cut is not None and restored is not None
    assert cut.not_before_ns < T0 + fell <= cut.not_after_ns
    assert restored.not_before_ns < T0 + rose <= restored.not_after_ns
    low, high = off_time(cut, restored)
    assert low <= rose - fell <= high
    narrow = restored.not_after_ns - restored.not_before_ns <= 12 * MS  # as two reads of the rail
    assert narrow is declared
    if not declared:
        assert restored.not_before_ns == T0 + story.back_ns
