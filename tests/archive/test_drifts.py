"""What `logs trend` says of a fleet: which rig, program and controller drift."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

from restart_bench.archive.drifts import DriftRow, drifts
from restart_bench.archive.tables import cycles_schema, write_rows
from restart_bench.cli.logs import drift_lines

MS = 1_000_000
MAKER = "Example Controls X1 2.0"


def add_run(
    logs: Path,
    rig: str,
    day: int,
    boots_ms: list[float],
    *,
    program: int = 7,
    said: str = MAKER,
    simulated: bool = False,
) -> None:
    """A run whose boots took so long, each known to 10 ms."""
    run = f"202607{day:02d}T080000Z-4f2a"
    folder = logs / f"rig={rig}" / f"date=2026-07-{day:02d}" / f"run={run}"
    folder.mkdir(parents=True)
    told = {"run": run, "rig": rig, "inputs": [], "program_identity": {"program_id": [program]}}
    told["identities"] = {"controller": said} if said else {}
    (folder / "run.json").write_text(json.dumps(told), "utf-8")
    rows: list[dict[str, Any]] = [
        {"scenario": "stays", "case": "", "cycle": number, "verdict": "pass", "how": "supply", "restarted": True,
         "simulated": simulated, "rehearsal": False, "restored_not_before_ns": 0, "restored_not_after_ns": 2 * MS,
         "ready_not_before_ns": round(boot * MS) - 5 * MS, "ready_not_after_ns": round(boot * MS) + 5 * MS}
        for number, boot in enumerate(boots_ms, 1)
    ]  # fmt: skip
    write_rows(folder / "cycles.parquet", cycles_schema(), iter(rows), run)


def sure(logs: Path) -> list[DriftRow]:
    """What is said to drift."""
    return [row for row in drifts(logs) if row.is_sure]


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    """Three rigs; with program 7 the boots of north get 2 ms longer a cycle, over three runs."""
    drawn = random.Random(1)
    for day in (1, 2, 3):
        steady = [600 + drawn.gauss(0, 5) for _ in range(12)]
        add_run(tmp_path, "north", day, [boot + 2 * (12 * day + number) for number, boot in enumerate(steady)])
        add_run(tmp_path, "north", day + 10, steady, program=8)
        add_run(tmp_path, "south", day, steady[::-1])
        add_run(tmp_path, "east", day, steady[6:] + steady[:6], said="")
    return tmp_path


def test_the_rig_the_program_and_the_controller_that_drift_are_named(fleet: Path) -> None:
    """One of four: not the same rig with another program, not the other rigs with the same."""
    (row,) = sure(fleet)
    assert (row.rig, row.program, row.controller) == ("north", "program_id 7", f"controller: {MAKER}")
    assert (row.runs, row.boots) == (3, 36)
    assert row.drift.low < 2 * MS < row.drift.high
    told = " ".join("\n".join(drift_lines(drifts(fleet), 100)).split())
    assert told.startswith(f"drifts: north, program_id 7, controller: {MAKER}: boot gets ")
    assert told.endswith("longer a cycle (stays, over 36 boots in 3 runs)")


def test_another_program_begins_anew(tmp_path: Path) -> None:
    """A program whose boots are 100 ms longer than those of the one before has not drifted."""
    for day, program in ((1, 7), (2, 8)):
        add_run(tmp_path, "north", day, [500 + 100 * day + number % 3 for number in range(20)], program=program)
    assert sure(tmp_path) == []
    assert [row.program for row in drifts(tmp_path)] == ["program_id 7", "program_id 8"]


def test_a_simulated_rig_that_drifts_is_said_to_be_simulated(tmp_path: Path) -> None:
    """It is never mixed with the real one of that name, nor to be taken for it."""
    for day, simulated in ((1, True), (2, False)):
        boots = [600.0 + 20 * number * simulated for number in range(20)]
        add_run(tmp_path, "north", day, boots, simulated=simulated)
    told = " ".join("\n".join(drift_lines(drifts(tmp_path), 100)).split())
    assert told.startswith("drifts: north (simulated), program_id 7") and told.count("drifts:") == 1


def test_a_large_fleet_does_not_drift_by_chance(tmp_path: Path) -> None:
    """Sixty steady rigs: what one in twenty shows by chance is told of none."""
    drawn = random.Random(2)
    for rig in range(60):
        add_run(tmp_path, f"rig-{rig}", 1, [2000 + drawn.gauss(0, 200) for _ in range(10)])
    rows = drifts(tmp_path)
    assert sum(row.drift.p_value < 0.05 for row in rows) > 0
    assert sure(tmp_path) == []


def test_what_is_no_boot_shows_no_drift(tmp_path: Path) -> None:
    """One boot, or none: there is nothing to compare."""
    add_run(tmp_path, "north", 1, [600])
    assert drifts(tmp_path) == []
    assert drifts(tmp_path / "nothing") == []
