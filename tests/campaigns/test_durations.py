"""Standard durations by name, against the published tables as far as they were read, typed here once more."""

from __future__ import annotations

import pytest

from restart_bench.campaigns.durations import STANDARDS, Standard, cycles_ns, standard
from restart_bench.model.units import UnitRefused

MS, S = 1_000_000, 1_000_000_000


def table(name: str) -> list[tuple[float, float]]:
    """Level in percent and length in milliseconds, in order."""
    return sorted((step.level * 100, step.length_ns / MS) for step in standard(name).steps)


def off_times(one: Standard) -> tuple[int, ...]:
    """The distinct lengths with the supply off, shortest first."""
    return tuple(sorted({step.length_ns for step in one.steps if step.level == 0}))


# IEC 61000-4-11, second edition (2004), dips and short interruptions of classes 2 and 3, from a test house's page with
# that table; cycles in milliseconds by arithmetic.
CLASS_2_50 = [(0, 10), (0, 20), (0, 5000), (70, 500)]
CLASS_3_50 = [(0, 10), (0, 20), (0, 5000), (40, 200), (70, 500), (80, 5000)]
EXACT_60 = [(0, 8.333333), (0, 16.666667)]


def test_ac_classes_at_50_hz() -> None:
    """0.5, 1, 10, 25, 250 cycles."""
    assert table("iec-61000-4-11 class 2 50 Hz") == [pytest.approx(row) for row in CLASS_2_50]
    assert table("iec-61000-4-11 class 3 50 Hz") == [pytest.approx(row) for row in CLASS_3_50]


def test_ac_classes_at_60_hz() -> None:
    """0.5, 1, 12, 30, 300 cycles: only the first two have other lengths than at 50 Hz."""
    assert table("iec-61000-4-11 class 2 60 Hz") == [pytest.approx(row) for row in EXACT_60 + CLASS_2_50[2:]]
    assert table("iec-61000-4-11 class 3 60 Hz") == [pytest.approx(row) for row in EXACT_60 + CLASS_3_50[2:]]


def test_dc_lists() -> None:
    """IEC 61000-4-29 (2000): levels 0, 40, 70 % and 80, 85, 120 % from a test program's help page; lengths from memory
    but for 0.1, 0.3 and 1 s."""
    off = standard("iec-61000-4-29 interruptions")
    assert off_times(off) == (1 * MS, 3 * MS, 10 * MS, 30 * MS, 100 * MS, 300 * MS, S)
    dips = [(level, length) for level in (40, 70) for length in (10, 30, 100, 300, 1000)]
    assert table("iec-61000-4-29 dips") == [pytest.approx(row) for row in dips]
    varied = [(level, length) for level in (80, 85, 120) for length in (100, 300, 1000, 3000, 10_000)]
    assert table("iec-61000-4-29 variations") == [pytest.approx(row) for row in varied]
    assert off_times(standard("iec-61000-4-29")) == off_times(off)
    read = {step.length_ns for step in off.steps if not step.from_memory}
    assert read == {100 * MS, 300 * MS, S}


def test_industry_curves() -> None:
    """SEMI F47-0706 (reapproved 0812): 50 % 200 ms, 70 % 0.5 s, 80 % 1 s, read in three texts; 80 % 10 s from memory.
    ITI curve (2000): pairing of lower points from memory. NE 21 and IEC 61131-2: from memory."""
    assert table("semi-f47") == [(50, 200), (70, 500), (80, 1000), (80, 10_000)]
    assert [step.length_ns for step in standard("semi-f47").steps if step.from_memory] == [10 * S]
    assert table("iti-curve") == [(0, 20), (70, 500), (80, 10_000)]
    assert [off_times(standard(name)) for name in ("namur-ne-21", "iec-61131-2 ps1", "iec-61131-2 ps2")] == [
        (20 * MS,), (1 * MS,), (10 * MS,),
    ]  # fmt: skip
    for name in ("iti-curve", "namur-ne-21", "iec-61131-2 ps1", "iec-61131-2 ps2"):
        assert all(step.from_memory for step in standard(name).steps)


@pytest.mark.parametrize("name", STANDARDS)
def test_every_list_says_where_it_is_from(name: str) -> None:
    """Source, edition, and what of it was read; a list with values from memory says so in words."""
    one = standard(name)
    assert one.name == name == name.lower()
    assert one.source and one.edition and one.note
    assert ("from memory" in one.note) is any(step.from_memory for step in one.steps)
    assert one.steps
    assert all(step.length_ns > 0 and 0 <= step.level <= 1.2 for step in one.steps)
    assert len({(step.level, step.length_ns) for step in one.steps}) == len(one.steps)


def test_names_are_found_however_they_are_spaced_and_misspelt_ones_are_told() -> None:
    """Case and spaces do not matter; the nearest names are the cure."""
    assert standard("  IEC-61000-4-11  Class 3 50 Hz ").name == "iec-61000-4-11 class 3 50 hz"
    with pytest.raises(UnitRefused, match=r"iec-61000-4-19 is no list .*; write one of: iec-61000-4-29"):
        standard("iec-61000-4-19")
    with pytest.raises(UnitRefused, match="namur-ne-21, iec-61131-2 ps1, iec-61131-2 ps2"):
        standard("?")


def test_a_half_cycle_of_a_zero_crossing_relay() -> None:
    """An AC solid-state relay opens at the next current zero: late by up to 10 ms at 50 Hz, 8.33 ms at 60 Hz (three
    makers' pages describe it; arithmetic)."""
    assert (cycles_ns(0.5, 50), cycles_ns(0.5, 60)) == (10 * MS, 8_333_333)
