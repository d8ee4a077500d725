"""Killed at any instant (`kill -9`, a pulled plug of the computer's process): what the next armed start finds, it puts
right; no whole cycle is lost; the rig is never brought back too early.

The instants are drawn from a seed. Three of them are played always, two hundred with `-m slow`.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

import safety_moments
from raw_modbus import wait_until
from restart_bench.archive.killed import UNCLOSED
from restart_bench.archive.reader import read_journal
from restart_bench.model.journal import CycleJudged, CycleStarted
from restart_bench.model.verdicts import EXIT_PASS
from safety_rig import (
    ArmedRig,
    Seen,
    archive_is_whole,
    armed_rig,
    never_on_too_early,
    nothing_pressed,
    only_allowed_writes,
    told_of,
)

CYCLES = 2
LONGEST_S = 4.0  # about how long a run of two cycles takes, its archive included
LONGEST_CYCLE_S = 0.3  # less than the supply stays off
LONGEST_PARK_S = 1.5
IN_THE_GATE = 2
IN_ALL = 200


@pytest.mark.parametrize(
    "number",
    [pytest.param(number, marks=() if number < IN_THE_GATE else pytest.mark.slow) for number in range(IN_ALL)],
)
def test_a_run_that_is_killed_at_any_instant_is_put_right_by_the_next_armed_start(number: int, tmp_path: Path) -> None:
    """Nothing stays pressed, the supply rests as the file says, the archive holds every whole cycle."""
    draws = random.Random(f"kill {number}")
    at_end, after_trouble = draws.choice(("on", "off")), draws.choice(("on", "off", "as it is"))
    with armed_rig(tmp_path, at_end=at_end, after_trouble=after_trouble, repeat=CYCLES) as rig:
        in_a_cycle = number % 3 == 0
        _killed_at(rig, draws.uniform(0, LONGEST_CYCLE_S if in_a_cycle else LONGEST_S), in_a_cycle=in_a_cycle)
        begun, judged = _cycles_told(rig.runs()[0])
        assert begun - judged in ({1} if in_a_cycle else {0, 1}), (begun, judged)
        cuts = len([line for line in rig.truth("supply") if not line["value"]])
        whole = min(CYCLES, max(0, cuts - 1))  # the last cut may be of a cycle that was broken off, or the end
        if number % 4 == 3:
            _killed_while_parking(rig, draws.uniform(0, LONGEST_PARK_S))
        folder = rig.runs()[0]
        if number % 2:
            assert rig.park().well
        else:
            outcome = rig.perform(Seen())
            assert outcome.exit_code == EXIT_PASS, (outcome.runs[0].reason, outcome.runs[0].scenarios)
        assert rig.supply_is_on == (at_end == "on")
        nothing_pressed(rig)
        only_allowed_writes(rig)
        never_on_too_early(rig)
        archive_is_whole(rig, folder, whole_cycles=whole)
        told = told_of(folder)
        assert told["ended"]["how"] in ("killed", "error", "completed") and told["state"] == "closed"
        assert told["ended"]["how"] != "error" or told["ended"]["reason"].startswith(UNCLOSED)
        assert told["ended"]["how"] != "completed" or told["exit_code"] == EXIT_PASS


def _cycles_told(folder: Path) -> tuple[int, int]:
    """How many cycles the journal says were begun and how many of them were judged, as the killed bench left it."""
    records = read_journal(folder / "journal.jsonl")
    return sum(isinstance(one, CycleStarted) for one in records), sum(isinstance(one, CycleJudged) for one in records)


def _killed_at(rig: ArmedRig, after_s: float, *, in_a_cycle: bool) -> None:
    """An armed run in a process of its own, killed so long after its folder came to be (or ended before); or after
    its first cut, so that a cycle is surely hit."""
    command = [sys.executable, safety_moments.__file__, str(rig.folder), str(rig.logs)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        wait_until(lambda: bool(list(rig.logs.glob("rig=*/date=*/run=*/run.json"))), "the run begins", within_s=60)
        if in_a_cycle:
            wait_until(lambda: not rig.supply_is_on, "the first cut", within_s=60)
        time.sleep(after_s)
        process.kill()
        _, said = process.communicate(timeout=60)
    assert process.returncode <= 0 or sys.platform == "win32", said.decode()


def _killed_while_parking(rig: ArmedRig, after_s: float) -> None:
    """`park` puts the killed run right and is killed itself."""
    process = rig.command("park", rig.folder, "--arm", "lamp-trainer", "--logs", rig.logs)
    time.sleep(after_s)
    process.kill()
    process.communicate(timeout=60)
