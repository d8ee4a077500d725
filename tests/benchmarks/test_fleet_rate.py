"""Simulated rigs run at once: how many of the observers' deadlines are missed at 50 Hz, by the number of rigs."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))

from command_line import bench, run_folders, told
from lamp_suites import LampSuites

RIGS = 8
MOST_MISSED = 0.01


def write_rigs(folder: Path, count: int) -> list[Path]:
    """So many rigs whose two devices are both read every 20 ms, with a watch of three seconds."""
    suites = LampSuites(folder)
    rigs = []
    for number in range(count):
        rig = suites.rig(f"lamp-{number}")
        file = rig / "rig.yaml"
        text = file.read_text("utf-8").replace("poll: 10 ms", "poll: 20 ms").replace("watch: 400 ms", "watch: 3 s")
        file.write_text(text.replace("longer_than: 50 ms", "longer_than: 1 s"), "utf-8")
        assert text.count("poll: 20 ms") == 2
        suites.scenario(rig, "stays", "on", off_for="800 ms")
        rigs.append(rig)
    return rigs


def missed_share(folder: Path, count: int) -> tuple[float, list[str]]:
    """The share of deadlines that were missed over all rigs and devices, and the verdicts."""
    options = ("--simulated", "--repeat", 3, "--seed", 1, "--json", "--logs", folder / "logs")
    done = bench("run", *write_rigs(folder, count), *options)
    runs = json.loads(done.stdout)["runs"]
    assert len(runs) == count, told(done)
    missed = kept = 0
    for run in run_folders(folder / "logs"):
        for device in json.loads((run / "run.json").read_text("utf-8"))["observer"]["devices"].values():
            missed += device["missed"]
            kept += device["gap_ns"]["count"]
    return missed / (missed + kept), [scenario["verdict"] for run in runs for scenario in run["scenarios"]]


@pytest.mark.slow
def test_eight_rigs_at_once_miss_few_deadlines(tmp_path: Path) -> None:
    """At 50 Hz on two cores; each rig's archive is as if alone, so every run passes."""
    share, verdicts = missed_share(tmp_path, RIGS)
    print(f"\n{RIGS} rigs: {share:.2%} of the deadlines missed")
    assert verdicts == ["pass"] * RIGS
    assert share < MOST_MISSED


if __name__ == "__main__":
    for rigs in map(int, sys.argv[1:] or ("2", "4", "8", "12", "16", "24")):
        with tempfile.TemporaryDirectory() as place:
            share_missed, found = missed_share(Path(place), rigs)
        print(f"{rigs:3d} rigs: {share_missed:6.2%} missed, {found.count('pass')} pass", flush=True)
