"""Which rows and columns of samples tell something else: compared byte for byte, and meant value for value."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench.model.condensing import BLOCK, Condenser, Keep, changed, columns_changed, with_counts
from restart_bench.model.journal import STANDS_FOR
from restart_bench.model.samples import SampleLayout

LAYOUT = SampleLayout("controller", ("read",), (("a", "b"), ("b", "b"), ("c", "d"), ("d", "d")))
COLUMNS = ("p:a", "p:b", "p:c", "p:d")
NUMBERS = st.sampled_from([0.0, 1.5, float("nan")])
ROWS = st.lists(st.tuples(st.integers(-1, 1), st.integers(-1, 1), NUMBERS, NUMBERS), max_size=12)


@given(rows=ROWS, columns=st.sets(st.sampled_from(COLUMNS), min_size=1))
def test_a_row_is_told_apart_by_the_columns_that_were_asked_for(
    rows: list[tuple[int, int, float, float]], columns: set[str]
) -> None:
    """What is not a number is equal to itself, and neighbouring columns do not count for each other."""
    records = np.zeros(len(rows), LAYOUT.dtype())
    for place, row in enumerate(rows):
        records[place]["sent_ns"] = place
        for name, value in zip(COLUMNS, row, strict=True):
            records[place][name] = value
    told = [tuple(str(record[name]) for name in sorted(columns)) for record in records]
    assert changed(records, columns).tolist() == [not place or told[place - 1] != one for place, one in enumerate(told)]
    differing = [name for name in COLUMNS if name in columns and len({str(one) for one in records[name]}) > 1]
    assert columns_changed(records, [name for name in COLUMNS if name in columns]) == differing
    assert with_counts(records)[STANDS_FOR].tolist() == [1] * len(rows)
    assert with_counts(records)["p:c"].tobytes() == np.ascontiguousarray(records["p:c"]).tobytes()


@pytest.mark.parametrize("hertz", [1_000, 5_000, 20_000])
def test_what_is_held_of_a_quiet_stretch_does_not_grow_however_fast_it_is_read(hertz: int) -> None:
    """The newest seconds stay as they were read, all before them is told in a few rows."""
    records = np.zeros(25 * hertz, LAYOUT.dtype())
    records["sent_ns"] = np.arange(len(records)) * (1_000_000_000 // hertz)
    records["received_ns"] = records["sent_ns"] + 1_000
    condenser = Condenser(LAYOUT, Keep(gap_ns=1_000_000_000))
    for start in range(0, len(records), BLOCK):
        condenser.add(records[start : start + BLOCK])
    held = condenser.samples().records
    assert held[STANDS_FOR].sum() == len(records)
    assert len(held) < 17 * hertz
