"""How much longer a campaign takes than it must: press, off time, boot, watch, and the polls that have to be waited for
because only the next read can tell. All else is the bench's own.

The rig polls its controller every 20 ms and its independent I/O every 10 ms, and a read comes one poll after an instant
at the latest: one of the controller before the first press, two of the terminal for the state before the cut (one read
is no proof), three of the controller for `ready` (its sign of life has to change twice), one of it behind the end
of the watch. `steady` and `settle` cost nothing of their own: both lie within the watch, which counts from `ready`.
"""

from __future__ import annotations

import itertools
import json
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))

from command_line import bench, run_folders, told
from lamp_suites import LampSuites
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.journal import CycleStarted

MS = 1_000_000
PRESS_NS, OFF_NS, WATCH_NS = 200 * MS, 400 * MS, 400 * MS
CONTROLLER_POLL_NS, INDEPENDENT_POLL_NS = 20 * MS, 10 * MS
READS_NS = (1 + 3 + 1) * CONTROLLER_POLL_NS + 2 * INDEPENDENT_POLL_NS
ALLOWED_NS, ALLOWED_PART = 50 * MS, 0.01


def lengths(folder: Path, cycles: int) -> list[tuple[int, int]]:
    """Of each cycle that another one follows: how long it took, how long it must take, ns. The boot is taken from the
    simulated rig's own log, from the closing of the contact to the program's start."""
    suites = LampSuites(folder)
    rig = suites.rig()
    suites.scenario(rig, "stays", "on", off_for="400 ms")
    done = bench("run", rig, "--simulated", "--repeat", cycles, "--logs", folder / "logs")
    assert done.returncode == 0, told(done)
    (run,) = run_folders(folder / "logs")
    begun = [one.at_ns for one in ArchivedRun.open(run).records if isinstance(one, CycleStarted)]
    boots = boots_of(run)[1:]  # the first one is before the first cycle
    took = [later - earlier for earlier, later in itertools.pairwise(begun)]
    fixed = PRESS_NS + OFF_NS + WATCH_NS + READS_NS
    return [(length, fixed + boot) for length, boot in zip(took, boots, strict=False)]


def boots_of(run: Path) -> list[int]:
    """Lengths of all boots, ns."""
    found, closed_ns = [], None
    for line in (run / "simulated-truth.jsonl").read_text("utf-8").splitlines():
        event = json.loads(line)
        if event["what"] == "supply" and event["value"]:
            closed_ns = event["before_ns"]
        elif event["what"] == "program" and event["value"] and closed_ns is not None:
            found.append(event["after_ns"] - closed_ns)
            closed_ns = None
    return found


def told_of(found: list[tuple[int, int]]) -> tuple[float, float]:
    """What a cycle takes beyond what it must, and what it may, ms."""
    took, must = (sum(column) / len(found) for column in zip(*found, strict=True))
    return (took - must) / MS, (ALLOWED_NS + ALLOWED_PART * must) / MS


@pytest.mark.slow
def test_a_campaign_takes_hardly_longer_than_it_must(tmp_path: Path) -> None:
    """At most 1 % and 50 ms a cycle beyond press, off time, boot, watch and the reads between them, over 200 cycles."""
    beyond, allowed = told_of(lengths(tmp_path, 200))
    print(f"\n{beyond:.1f} ms a cycle beyond what it must take, {allowed:.1f} ms allowed")
    assert beyond <= allowed


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        beyond_ms, allowed_ms = told_of(lengths(Path(place), int((*sys.argv, "200")[1])))
    print(f"{beyond_ms:.1f} ms beyond, {allowed_ms:.1f} ms allowed")
