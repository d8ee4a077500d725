"""Comparing and verifying whole runs of the grain dryer from the command line: what differs is named, nothing else.

Runs are simulated, over real Modbus TCP, in processes of their own; several at a time, since most of their time is
waiting.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import re
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from command_line import bench, run_folders, told
from quick_dryer import DRYER, write_dryer

EDITED = DRYER / "program-edited.yaml"
AT_ONE_TIME = 4
SAME = tuple(f"run-{number}" for number in range(6))
FEW = SAME[:3]
"""In plain pytest, where every run costs seconds."""


class Runs:
    """Runs of one suite: each in an archive of its own, so that they can be made side by side."""

    def __init__(self, folder: Path, scenarios: tuple[str, ...], *, repeat: int, same: tuple[str, ...]) -> None:
        self.folder = folder
        self.suite = write_dryer(folder / "suite", scenarios)
        self.repeat = repeat
        self.same = same

    def perform(self) -> None:
        """The runs of the program and one of its edited version."""
        with ThreadPoolExecutor(AT_ONE_TIME) as side_by_side:
            edited = side_by_side.submit(self._run, "edited", "--program", EDITED)
            for done in side_by_side.map(self._run, self.same):
                assert done.returncode == 0, told(done)
        assert edited.result().returncode == 1, told(edited.result())

    def _run(self, name: str, *more: object) -> subprocess.CompletedProcess[str]:
        logs = self.folder / name
        return bench("run", self.suite, "--simulated", "--repeat", self.repeat, "--logs", logs, *more)

    def of(self, name: str) -> Path:
        """The folder of a run."""
        (folder,) = run_folders(self.folder / name)
        return folder

    def compare(self, baseline: str, run: str, *more: object) -> subprocess.CompletedProcess[str]:
        """`restart-bench compare`, wide enough that no line is broken."""
        return bench("compare", self.of(baseline), self.of(run), *more, env={**os.environ, "COLUMNS": "300"})


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Runs:
    """Runs of two cycles."""
    runs = Runs(tmp_path_factory.mktemp("compare"), ("burner-stays-shut",), repeat=2, same=FEW)
    runs.perform()
    return runs


def differences(done: subprocess.CompletedProcess[str]) -> list[str]:
    """The lines of a comparison that tell a difference."""
    return [line for line in done.stdout.splitlines() if re.match("(WORSE|better|different):", line)]


# ---------------------------------------------------------------- compare


def test_an_edit_that_lets_the_burner_come_back_names_the_burner_and_nothing_else(runs: Runs) -> None:
    """One lost condition in one rung: every difference is about the burner, some of it is worse, the exit code is 1,
    and the edited rung is shown."""
    done = runs.compare(SAME[0], "edited")
    assert done.returncode == 1, told(done)
    found = differences(done)
    assert found
    assert {line.split(": ")[2] for line in found} == {"burner"}
    assert any(line.startswith("WORSE:") and "stays off in 2 of 2 -> comes back in 2 of 2" in line for line in found)
    assert "-  - {reset: burner, when: NOT stop_button OR first_scan}" in done.stdout
    assert "program: changed" in done.stdout


def test_an_edit_that_was_taken_back_is_not_worse(runs: Runs) -> None:
    """The other way round the burner is still the only difference, and the exit code is 0."""
    done = runs.compare("edited", SAME[0])
    assert done.returncode == 0, told(done)
    assert {line.split(": ")[2] for line in differences(done)} == {"burner"}


@pytest.mark.parametrize("pair", list(itertools.pairwise(FEW)), ids="-".join)
def test_runs_of_one_program_differ_in_nothing(runs: Runs, pair: tuple[str, str]) -> None:
    """Every pair over the wire, with their own seeds: no difference, exit code 0."""
    done = runs.compare(*pair)
    assert done.returncode == 0, told(done)
    assert differences(done) == []
    assert "No difference was shown" in done.stdout


@pytest.mark.slow
def test_long_runs_of_one_program_differ_in_nothing_and_in_no_time(tmp_path: Path) -> None:
    """The same with 20 cycles a scenario, so that times are compared too: 5 of 5 pairs, no difference; and the edit
    is still told by the burner alone."""
    runs = Runs(tmp_path, ("burner-stays-shut", "auger-waits"), repeat=20, same=SAME)
    runs.perform()
    for pair in itertools.pairwise(SAME):
        done = runs.compare(*pair)
        assert (done.returncode, differences(done)) == (0, []), (pair, told(done))
        assert "too few cycles" not in done.stdout
    edited = runs.compare(SAME[0], "edited")
    assert edited.returncode == 1
    assert {line.split(": ")[2] for line in differences(edited)} == {"burner"}


# ---------------------------------------------------------------- approve


def test_an_approval_is_a_line_beside_the_runs_and_changes_none(runs: Runs, tmp_path: Path) -> None:
    """`--approve --why` appends to baselines.jsonl: which run, why, by whom; no byte of a closed run changes."""
    logs = copied(runs, "run-1", tmp_path)
    (folder,) = run_folders(logs)
    before = contents(folder)
    done = bench(
        "compare", "last", "last", "--approve", "--why", "as delivered", "--by", "R. Miller", "--logs", logs
    )  # fmt: skip
    assert done.returncode == 0, told(done)
    (line,) = (logs / "rig=grain-dryer" / "baselines.jsonl").read_text(encoding="utf-8").splitlines()
    approval = json.loads(line)
    assert (approval["run"], approval["why"], approval["by"]) == (
        folder.name.removeprefix("run="), "as delivered", "R. Miller",
    )  # fmt: skip
    assert contents(folder) == before
    assert bench("compare", "approved", "last", "--logs", logs).returncode == 0


def test_an_approval_without_a_reason_is_refused(runs: Runs, tmp_path: Path) -> None:
    """Nobody would know later why the baseline is what it is: exit code 2, nothing is written."""
    logs = copied(runs, "run-1", tmp_path)
    done = bench("compare", "last", "last", "--approve", "--logs", logs)
    assert done.returncode == 2, told(done)
    assert "--why" in done.stderr
    assert not (logs / "rig=grain-dryer" / "baselines.jsonl").exists()


# ---------------------------------------------------------------- verify


def test_a_changed_byte_a_lost_file_and_an_added_file_are_each_named(runs: Runs, tmp_path: Path) -> None:
    """`logs verify` ends with 4 and names what was done to each file; an untouched run beside it stays sound."""
    logs = copied(runs, "run-1", tmp_path)
    shutil.copytree(runs.of("run-2"), logs / runs.of("run-2").relative_to(runs.folder / "run-2"), dirs_exist_ok=True)
    assert bench("logs", "verify", "--logs", logs).returncode == 0
    folder, untouched = sorted(run_folders(logs), key=lambda one: one.name != runs.of("run-1").name)
    journal = bytearray((folder / "journal.jsonl").read_bytes())
    journal[len(journal) // 2] ^= 1
    (folder / "journal.jsonl").write_bytes(journal)
    (folder / "samples" / "controller.parquet").unlink()
    (folder / "notes.txt").write_text("looked fine", encoding="utf-8")
    done = bench("logs", "verify", "--logs", logs)
    assert done.returncode == 4, told(done)
    lines = done.stdout.splitlines()
    assert any("journal.jsonl" in line and "altered" in line for line in lines), lines
    assert any("controller.parquet" in line and "lost" in line for line in lines), lines
    assert any("notes.txt" in line and "added" in line for line in lines), lines
    assert any(untouched.name.removeprefix("run=") in line and "sound" in line for line in lines), lines


def copied(runs: Runs, name: str, to: Path) -> Path:
    """An archive that a test may spoil."""
    shutil.copytree(runs.folder / name, to / "logs")
    return to / "logs"


def contents(folder: Path) -> dict[str, tuple[str, int]]:
    """Digest and time stamp of every file below a folder."""
    return {
        str(path.relative_to(folder)): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }
