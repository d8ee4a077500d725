"""Our own scenarios as pytest takes them, as the README writes it, in a folder where nothing was set up."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from command_line import run_folders
from quick_dryer import DRYER, write_dryer


def pytest_in(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """pytest in a process of its own, without configuration."""
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:hypothesispytest", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        env={**os.environ, "COLUMNS": "300"},
    )


def test_every_scenario_of_the_grain_dryer_is_an_item_of_its_name(tmp_path: Path) -> None:
    """`pytest scenarios/grain-dryer --restart-simulated`: an item for each scenario file, none for rig and programs."""
    scenarios = [path.stem for path in sorted(DRYER.glob("*.yaml")) if "\nscenario: " in path.read_text("utf-8")]
    collected = pytest_in(tmp_path, str(DRYER), "--restart-simulated", "--collect-only", "-q")
    assert collected.returncode == 0, collected.stdout + collected.stderr
    items = [line.rpartition("/")[2] for line in collected.stdout.splitlines() if "::" in line]
    assert items == [f"{name}.yaml::{name}" for name in scenarios]
    assert len(items) >= 8
    assert not (tmp_path / "logs").exists()


def test_a_scenario_is_chosen_run_and_archived(tmp_path: Path) -> None:
    """-k runs the one that was asked for; its run lies in the folder in which pytest was started."""
    write_dryer(tmp_path / "suite", ("auger-waits", "burner-stays-shut"))
    done = pytest_in(tmp_path, "suite", "--restart-simulated", "--restart-repeat", "1", "-k", "burner", "-v")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "burner-stays-shut.yaml::burner-stays-shut PASSED" in done.stdout
    assert "1 passed, 1 deselected" in done.stdout
    (folder,) = run_folders(tmp_path / "logs")
    assert (folder / "SHA256SUMS").is_file()
