"""Numbers of float32 registers: what is written in a file is meant as the register holds it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from restart_bench.evidence.traces import conforming
from restart_bench.files.validation import Ledger
from restart_bench.model.rig import Point, Wanted
from restart_bench.model.wording import show_wanted
from restart_bench.observer.modbus import decode_register, encode_register
from restart_bench.suite import rig_schema
from restart_bench.suite.expectation_reader import _is_wanted, _wanted
from restart_bench.suite.names import value_for, wanted_value
from restart_bench.suite.scenario_schema import ExpectationIn

SETPOINT = Point("setpoint", "controller", "holding_register", 0, type="float32", writable=True)
TENTHS = Point("tenths", "controller", "holding_register", 2, type="int16", scale=0.1)
points = st.sampled_from([1.0, 0.1, 0.001, 10.0, -0.5]).map(lambda scale: replace(SETPOINT, scale=scale))
parts = st.integers(-(10**9), 10**9)  # of a ten-thousandth: numbers as people write them
steps = st.integers(1, 10**9)
FEW = settings(max_examples=40)
LEDGER = Ledger.__new__(Ledger)  # no fault is told


def number(part: int) -> float:
    """A decimal with four places."""
    return part / 10_000


def read(point: Point, value: float, singles_further: int = 0) -> float:
    """What the bench reads where a controller holds this number (IEEE 754 binary32), or a neighbour of it."""
    raw = np.float32(decode_register(replace(point, scale=1.0), encode_register(point, value)))
    for _ in range(abs(singles_further)):
        raw = np.nextafter(raw, np.float32(np.inf if singles_further > 0 else -np.inf))
    return float(raw) * point.scale


def meets(wanted: Wanted | None, value: float, before: float | None = None) -> bool:
    """Asked of one value and of many, which have to agree."""
    assert wanted is not None
    one = wanted.met_by(value, before)
    assert conforming(wanted, np.array([value]), before).tolist() == [one]
    return one


@FEW
@given(points, parts)
@example(SETPOINT, 147_000)
def test_a_number_is_met_by_the_register_that_holds_it_and_by_no_other(point: Point, part: int) -> None:
    """14.7 is met by the single nearest to 14.7, and not by its neighbours."""
    written = number(part)
    for wanted in (
        wanted_value((), written, point, LEDGER),
        wanted_value((), rig_schema.TestIn.model_construct(one_of=[written]), point, LEDGER),
        _wanted((), written, point, LEDGER),
    ):
        assert [meets(wanted, read(point, written, further)) for further in (-1, 0, 1)] == [False, True, False]


@FEW
@given(points, parts, steps)
@example(SETPOINT, 147_000, 500)
def test_a_tolerance_reaches_to_its_edge_and_hardly_further(point: Point, part: int, wide: int) -> None:
    """Whatever both of them lose in single precision."""
    written, tolerance = number(part), number(wide)
    beyond = 3e-7 * (abs(written) + tolerance) + 1e-9
    for wanted in (
        wanted_value((), rig_schema.TestIn.model_construct(is_=written, tolerance=tolerance), point, LEDGER),
        _wanted((), written, point, LEDGER, tolerance),
    ):
        for side in (-1, 1):
            assert meets(wanted, read(point, number(part + side * wide)))
            assert not meets(wanted, read(point, number(part + side * wide) + side * beyond))


@FEW
@given(points, parts, st.integers(-(10**8), 10**8), st.integers(0, 10**8))
@example(SETPOINT, 1_000, 0, 10_000)
def test_a_change_reaches_to_both_its_ends(point: Point, part: int, least: int, more: int) -> None:
    """From 0.1 to 1.1 is a change of 1."""
    before, most = read(point, number(part)), least + more
    wanted = _is_wanted((), ExpectationIn.model_construct(change=(number(least), number(most))), point, LEDGER, 0.0)
    for change in (least, most):
        assert meets(wanted, read(point, number(part + change)), before)
    beyond = 3e-7 * (abs(before) + abs(number(most))) + 1e-9
    assert not meets(wanted, read(point, number(part + most) + beyond), before)


def test_no_change_is_none_at_all() -> None:
    """Both values are exact as they were read: a bound of 0 is not widened."""
    wanted = _is_wanted((), ExpectationIn.model_construct(change=(0.0, 1.0)), SETPOINT, LEDGER, 0.0)
    before = read(SETPOINT, 14.7)
    assert [meets(wanted, read(SETPOINT, 14.7, further), before) for further in (-1, 0, 1)] == [False, True, True]


@FEW
@given(points, parts)
@example(TENTHS, 147)
def test_a_number_that_is_the_limit_is_neither_above_nor_below_it(point: Point, part: int) -> None:
    """The register that holds 14.7 is not below 14.7, nor above it; its neighbours are."""
    written = number(part) if point.type == "float32" else part / 10
    above = wanted_value((), rig_schema.TestIn.model_construct(above=written), point, LEDGER)
    below = wanted_value((), rig_schema.TestIn.model_construct(below=written), point, LEDGER)
    one = 1 if point.scale > 0 else -1
    if point.type != "float32":
        low, same, high = ((part + more) * point.scale for more in (-1, 0, 1))
    else:
        low, same, high = (read(point, written, more) for more in (-one, 0, one))
    assert [meets(above, value) for value in (low, same, high)] == [False, False, True]
    assert [meets(below, value) for value in (low, same, high)] == [True, False, False]


@FEW
@given(parts)
def test_it_is_shown_as_it_was_written(part: int) -> None:
    """Nobody wrote 14.6999998093; a single tells six digits apart."""
    written = (part % 10**6) / 1_000
    wanted = wanted_value((), written, SETPOINT, LEDGER)
    assert wanted is not None and show_wanted(wanted) == f"{written:g}"


@pytest.mark.parametrize("value", [float("inf"), float("-inf")])
def test_an_infinite_value_is_near_to_nothing(value: float) -> None:
    """A register that holds no number does not conform."""
    near = wanted_value((), rig_schema.TestIn.model_construct(is_=14.7, tolerance=1.0), SETPOINT, LEDGER)
    assert not meets(near, value)
    change = _is_wanted((), ExpectationIn.model_construct(change=(0.5, 1.0)), SETPOINT, LEDGER, 0.0)
    assert not meets(change, value, 14.5)


@FEW
@given(points, parts)
def test_what_is_written_to_a_register_is_what_is_expected_of_it(point: Point, part: int) -> None:
    """A step writes the number that an expectation of the same number finds."""
    held = value_for((), number(part), point, LEDGER)
    assert held is not None and read(point, float(held)) == read(point, number(part)) == held
