"""The same over real Modbus: what the simulated rig truly did, as its log tells, decides what a run may say of it.

`pytest tests/worlds -m slow -n 4` plays 300 of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from played import finds_of_run

GATE = (3, 7, 12)
FIRST = 1000
WORLDS, PARTS = 300, 10


def cycles_without_a_find(seed: int, folder: Path) -> int:
    """How many cycles of one run were cut, none of which was judged against its truth."""
    cycles, found = finds_of_run(seed, folder)
    assert not found, "\n".join(map(str, found))
    return cycles


@pytest.mark.parametrize("seed", GATE)
def test_a_run_says_only_what_its_truth_allows(seed: int, tmp_path: Path) -> None:
    """Random program, faults and demands, through the runner: no false pass, no false fail, no shrug for nothing."""
    assert cycles_without_a_find(seed, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
def test_300_worlds_over_modbus_are_judged_as_their_truth_allows(part: int, tmp_path: Path) -> None:
    """So many cycles of random runs, until enough of them were cut."""
    cycles = seed = 0
    while cycles < WORLDS // PARTS:
        cycles += cycles_without_a_find(FIRST + 100 * part + seed, tmp_path / str(seed))
        seed += 1
