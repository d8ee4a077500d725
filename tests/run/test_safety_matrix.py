"""Every way out of an armed run, at every stage: no button stays pressed, the supply goes where the file says, whole
cycles are kept, nothing else is written, the archive is readable and judged, and the exit code is right.

The rig is armed and real to the bench; behind its ports stands a simulated one, whose truth log is held against all.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from safety_ways import CELLS, GATE, RESTS, SENSELESS, STAGES, UNIX_WAYS, WAYS, hardest, play

if sys.platform == "win32":
    THERE = {*WAYS} - {*UNIX_WAYS, "disk full"}  # no such signals, no limit of a file's size
    CELLS, GATE = ([cell for cell in cells if cell[1] in THERE] for cells in (CELLS, GATE))


@pytest.mark.parametrize(("number", "stage", "way"), [(number, *cell) for number, cell in enumerate(GATE)])
def test_every_way_out_of_every_stage_leaves_the_rig_safe(
    number: int, stage: str, way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each stage meets every seventh way out, with the wishes for the supply that ask most of the bench there."""
    play(tmp_path, monkeypatch, stage, way, hardest(number, stage, way))


@pytest.mark.slow
@pytest.mark.parametrize("rests", RESTS, ids=lambda rests: f"{rests[0]}, {rests[1]}")
@pytest.mark.parametrize(("stage", "way"), CELLS)
def test_every_way_out_of_every_stage_for_every_wish(
    stage: str, way: str, rests: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The full product: each cell with each `at_end` and `after_trouble`, in the second cycle, the first one kept."""
    play(tmp_path, monkeypatch, stage, way, rests, cycle=2)


def test_cells_that_are_left_out_say_why() -> None:
    """The matrix is whole: a cell is played, or there is a reason."""
    every = {(stage, way) for stage in STAGES for way in WAYS}
    elsewhere = {*UNIX_WAYS, "disk full"} if sys.platform == "win32" else set()
    left_out = every - set(CELLS) - {(stage, way) for stage in STAGES for way in elsewhere}
    assert left_out == {cell for cell in SENSELESS if cell[1] not in elsewhere} and all(SENSELESS.values())
    assert {way for _, way in GATE} | elsewhere == {*WAYS}
    assert {stage for stage, _ in GATE} == {*STAGES}
