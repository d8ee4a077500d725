"""Durations, percentages, volts, ranges and sweeps as people write them."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.model.units import (
    LONGEST_NS,
    UnitRefused,
    parse_duration,
    parse_number,
    parse_percentage,
    parse_random,
    parse_range,
    parse_values,
    parse_volts,
    show_duration,
    spaced,
    spaced_ns,
)

MS = 1_000_000
S = 1_000_000_000


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("250 us", 250_000),
        ("20ms", 20 * MS),
        ("1.5 s", 1500 * MS),
        ("1 min 30 s", 90 * S),
        ("2 h", 7200 * S),
        ("3 d", 259_200 * S),
        ("0", 0),
        ("0 ms", 0),
        ("1 µs", 1000),
        ("  3 s ", 3 * S),
        ("1 d 2 h 3 min 4 s 5 ms 6.007 us", 93_784_005_006_007),
    ],
)
def test_durations_are_read_as_the_design_writes_them(text: str, ns: int) -> None:
    """Every form of the README's files, in nanoseconds (SI units; a minute, hour and day of 60, 3600 and 86 400 s)."""
    assert parse_duration(text) == ns


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("3", "3 has no unit; write 3 s if seconds are meant"),
        ("1.5", "1.5 has no unit; write 1.5 s if seconds are meant"),
        ("", "there is no duration; write it like 3 s, 200 ms or 1 min 30 s"),
        ("3 sec", "3 sec is not a duration; write it like 3 s, 200 ms or 1 min 30 s"),
        ("-3 s", "-3 s is not a duration; leave out the minus: 3 s"),
        ("3 S", "3 S is not a duration; write it like 3 s, 200 ms or 1 min 30 s"),
        ("30 s 1 min", "30 s 1 min has its units out of order; write the larger unit first, each one once"),
        ("1 s 1 s", "1 s 1 s has its units out of order; write the larger unit first, each one once"),
        ("0.0001 us", "0.0001 us is finer than the clock; write whole nanoseconds, like 1.25 us"),
        ("400 d", "400 d is longer than 366 d; write a shorter duration"),
    ],
)
def test_what_is_no_duration_is_refused_with_its_cure(text: str, says: str) -> None:
    """A bare number, a foreign unit, a sign: each says what is wrong and what to write."""
    with pytest.raises(UnitRefused) as refused:
        parse_duration(text)
    assert str(refused.value) == says
    assert isinstance(refused.value, ValueError)


@given(st.integers(min_value=0, max_value=LONGEST_NS))
def test_a_shown_duration_reads_back_as_itself(ns: int) -> None:
    """No duration changes on its way through text."""
    assert parse_duration(show_duration(ns)) == ns


@given(st.text(max_size=40))
def test_any_text_is_a_duration_or_refused(text: str) -> None:
    """No text makes the reader fail otherwise, and what it reads is never negative."""
    with suppress(UnitRefused):
        assert 0 <= parse_duration(text) <= LONGEST_NS


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (0, "0 s"),
        (500, "0.5 us"),
        (250_000, "250 us"),
        (200 * MS, "200 ms"),
        (1_500_000, "1.5 ms"),
        (1250 * MS, "1.25 s"),
        (90 * S, "1 min 30 s"),
        (3600 * S + 500_000, "1 h 500 us"),
        (-200 * MS, "-200 ms"),
    ],
)
def test_durations_are_shown_in_the_unit_that_a_person_would_take(ns: int, text: str) -> None:
    """us below a millisecond, ms below a second, then seconds, minutes, hours, days."""
    assert show_duration(ns) == text


def test_percentages_are_fractions() -> None:
    """`95 %` is 0.95, with or without the space."""
    assert (parse_percentage("95 %"), parse_percentage("99.9%"), parse_percentage("100 %")) == (0.95, 0.999, 1.0)


@pytest.mark.parametrize("text", ["95", "0.95", "101 %", "-1 %", "%"])
def test_what_is_no_percentage_is_refused(text: str) -> None:
    """A number without the sign is refused, for it may be meant either way."""
    with pytest.raises(UnitRefused):
        parse_percentage(text)


def test_volts_take_millivolts_too() -> None:
    """24 V, 9.6V, 5000 mV."""
    assert (parse_volts("24 V"), parse_volts("9.6V"), parse_volts("5000 mV")) == (24.0, 9.6, 5.0)
    with pytest.raises(UnitRefused):
        parse_volts("24")


@pytest.mark.parametrize("text", ["inf", "nan", "1e999", "0x10", "1,5", "", "1 2"])
def test_numbers_are_finite_and_plain(text: str) -> None:
    """What is no number of a register is refused."""
    with pytest.raises(UnitRefused):
        parse_number(text)


def test_numbers_keep_their_kind() -> None:
    """Whole numbers stay whole."""
    assert [parse_number(text) for text in ("5", "-3", "14.5", "1e3", ".5")] == [5, -3, 14.5, 1000.0, 0.5]
    assert isinstance(parse_number("5"), int)


def test_a_range_has_two_ends_in_order() -> None:
    """`A..B`; turned round or with one end missing it is refused."""
    assert parse_range("5 ms..200 ms", parse_duration) == (5 * MS, 200 * MS)
    for text in ("5 ms", "5 ms..", "200 ms..5 ms", "1 s..2 s..3 s"):
        with pytest.raises(UnitRefused):
            parse_range(text, parse_duration)


def test_a_sweep_includes_both_ends() -> None:
    """`A..B in N values` spaces N values evenly from A to B."""
    assert parse_values("1 s..3 s in 3 values", parse_duration, spaced_ns) == (S, 2 * S, 3 * S)
    assert parse_values("2 s", parse_duration, spaced_ns) == (2 * S,)
    assert parse_values("1..2 in 5 values", parse_number, spaced) == (1, 1.25, 1.5, 1.75, 2)


@pytest.mark.parametrize(
    "text", ["1 s..3 s", "1 s..3 s in 1 values", "1 s..3 s in 2000 values", "3 s..1 s in 3 values"]
)
def test_a_sweep_without_a_sensible_number_of_values_is_refused(text: str) -> None:
    """The number of values is written, and lies between 2 and 1000."""
    with pytest.raises(UnitRefused):
        parse_values(text, parse_duration, spaced_ns)


@given(st.integers(0, 10**12), st.integers(0, 10**12), st.integers(2, 50))
def test_swept_values_lie_in_order_between_their_ends(one: int, other: int, count: int) -> None:
    """Spacing never leaves the range, never turns round, and gives the number that was asked for."""
    low, high = sorted((one, other))
    values = spaced_ns(low, high, count)
    assert len(values) == count
    assert (values[0], values[-1]) == (low, high)
    assert all(abs(value - (low + (high - low) * n / (count - 1))) <= 500 for n, value in enumerate(values))


def test_random_is_a_range_and_nothing_else_is_random() -> None:
    """`random 0 s..200 ms`; a plain duration is not random."""
    assert parse_random("random 0 s..200 ms") == (0, 200 * MS)
    assert parse_random("200 ms") is None
    with pytest.raises(UnitRefused):
        parse_random("random 200 ms")
