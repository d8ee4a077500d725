"""How times and values are worded."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.model.rig import Levels, Point, Wanted
from restart_bench.model.units import parse_duration
from restart_bench.model.wording import about, alike, at_most, counted, some, span_text, value_text, wanted_text

MS, S = 1_000_000, 1_000_000_000


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (38_400_000, 41_300_000, "38..42 ms"),
        (1_204 * MS, 1_215 * MS, "1.20..1.22 s"),
        (1_080 * MS, 1_100 * MS, "1.08..1.10 s"),
        (2 * S, 3 * S, "2..3 s"),
        (0, 4_950_000, "0..5 ms"),
        (12 * S, 12_040 * MS, "12.0..12.1 s"),
        (250_000, 900_000, "250..900 us"),
        (5 * MS, 5 * MS, "5 ms"),
    ],
)
def test_bounds_are_shown_outward(low: int, high: int, text: str) -> None:
    """The lower end is rounded down, the upper end up; both with the same decimals."""
    assert span_text(low, high) == text


@given(st.integers(0, 100 * S), st.integers(0, S))
def test_what_is_shown_holds_what_was_measured(low: int, width: int) -> None:
    """Read back, the shown bounds contain the measured ones."""
    first, _, rest = span_text(low, low + width).partition("..")
    last = rest or first
    unit = last.split()[1]
    shown_low = parse_duration(first if " " in first else f"{first} {unit}")
    assert (rest == "" or shown_low <= low) and parse_duration(last) >= low + width


def test_single_lengths_are_rounded_to_what_matters() -> None:
    """`about` to the nearest, `at_most` upward."""
    assert (about(1_234 * MS), about(41_400_000), about(4_960_000)) == ("1.23 s", "41 ms", "5 ms")
    assert (at_most(1_231 * MS), at_most(41_400_000)) == ("1.24 s", "42 ms")


def test_values_are_worded_by_their_point() -> None:
    """Off and on for what is off or on, numbers with their unit."""
    lamp = Point("lamp", "d", "coil", 0)
    rail = Point("rail", "d", "input_register", 0, type="uint16", levels=Levels(5, 15))
    moisture = Point("moisture", "d", "holding_register", 0, type="float32", unit="%")
    assert [value_text(lamp, 1.0), value_text(rail, 0.0), value_text(moisture, 14.5)] == ["on", "off", "14.5 %"]
    assert value_text(None, None) == "unknown"
    assert wanted_text(moisture, Wanted(equals=14.5, tolerance=0.05)) == "14.5 % within 0.05"
    assert wanted_text(moisture, Wanted(above=1, below=3)) == "above 1 and below 3"
    assert wanted_text(lamp, Wanted(as_before=True), 1.0) == "as before (on)"
    assert wanted_text(lamp, Wanted(one_of=(False, True))) == "one of off, on"
    assert wanted_text(moisture, Wanted(change=(0, 1)), 41) == "0..1 more than before (it was 41 %)"


def test_long_lists_are_cut() -> None:
    """The first three, and how many more."""
    assert some(["a", "b", "c", "d", "e"]) == "a; b; c (and 2 more)"
    assert (counted(1, "cycle"), counted(2, "cycle")) == ("1 cycle", "2 cycles")


def test_texts_are_alike_that_differ_in_times_alone() -> None:
    """Names may bear numbers, so two motors, coils or ports are never told as one."""
    assert alike("no answer within 500 ms; 24.1 V") == alike("no answer within 482 ms; 23.9 V")
    for one, other in (("Motor 1 MAY BE ON", "Motor 2 MAY BE ON"), ("coil 3 of m1", "coil 4 of m1"), ("COM3", "COM4")):
        assert alike(one) != alike(other)
