"""What a simulated run leaves behind, however it ends: sums that hold, and after a kill all that was observed before.

Each run is `restart-bench run --simulated` in a process of its own; sums are checked by the usual program of others.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from command_line import begun, bench, command, run_folders, stop, told
from drawn import seldom
from lamp_suites import LampSuites
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.clock import now_ns
from restart_bench.model.journal import CycleJudged, RunEnded
from transitions import Transition, read_transitions

FLUSHED_NS = 100_000_000  # README, the archive: a killed bench loses nothing older than this


@dataclass(frozen=True)
class Left:
    """A run as it was left: its folder, how it ended, and what was said."""

    folder: Path
    how: str
    said: str


@pytest.fixture
def suites(tmp_path: Path) -> LampSuites:
    """A lamp that is retained, and a scenario that wants it so."""
    suites = LampSuites(tmp_path)
    suites.scenario(suites.rig(), "stays", "{is: on, within: 2 s}")
    return suites


def check_sums(folder: Path) -> None:
    """`sha256sum -c` says OK to every file of the run, and no file is without a sum."""
    tool = ["sha256sum"] if shutil.which("sha256sum") else ["shasum", "-a", "256"]
    done = subprocess.run([*tool, "-c", "SHA256SUMS"], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, told(done)
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {line.removesuffix(": OK") for line in done.stdout.splitlines()} == names - {"SHA256SUMS"}
    assert {"run.json", "journal.jsonl", "report.html", "simulated-truth.jsonl"} <= names


def how_ended(folder: Path) -> str:
    """How the run's journal says that it ended."""
    archived = ArchivedRun.open(folder)
    archived.close()
    return next(record.how for record in archived.records if isinstance(record, RunEnded))


# ---------------------------------------------------------------- sums


def test_sums_hold_after_a_completed_run(suites: LampSuites) -> None:
    """Every file is as it was summed, the simulated rig's own truth log included."""
    done = bench("run", suites.folder / "lamp-trainer", "--simulated", "--logs", suites.folder / "logs")
    assert done.returncode == 0, told(done)
    (folder,) = suites.runs()
    assert how_ended(folder) == "completed"
    check_sums(folder)


def test_sums_hold_after_an_error_that_ends_the_run(suites: LampSuites) -> None:
    """A welded contact: the proof of the cut is contradicted, the run ends with 4, and its archive is whole."""
    program = suites.folder / "lamp-trainer" / "program.yaml"
    program.write_text(program.read_text(encoding="utf-8") + "faults: [{fault: relay-welded}]\n", encoding="utf-8")
    arguments = ["run", suites.folder / "lamp-trainer", "--simulated", "--repeat", 3, "--logs", suites.folder / "logs"]
    done = bench(*arguments)
    assert done.returncode == 4, told(done)
    (folder,) = suites.runs()
    assert how_ended(folder) == "error"
    check_sums(folder)


def test_sums_hold_after_a_run_that_a_person_stopped(suites: LampSuites) -> None:
    """Ctrl-C while the supply is off: the rig is left safe, the run ends with 130, and its archive is whole."""
    process = begun(*repeated(suites, 20))
    wait_for(process, "supply off")
    stop(process)
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 130, said
    (folder,) = suites.runs()
    assert how_ended(folder) == "stopped"
    check_sums(folder)


def repeated(suites: LampSuites, cycles: int) -> list[object]:
    """Arguments of a long run."""
    return [
        "run", suites.folder / "lamp-trainer", "--simulated", "--repeat", cycles, "--logs", suites.folder / "logs",
    ]  # fmt: skip


def wait_for(process: subprocess.Popen[str], *lines: str) -> None:
    """Read what a run says until these have been said, one after another."""
    assert process.stdout is not None
    waiting = list(lines)
    for line in process.stdout:
        if waiting[0] in line:
            del waiting[0]
        if not waiting:
            return
    raise AssertionError(f"the run ended before it said {waiting}")


# ---------------------------------------------------------------- kill -9


@dataclass(frozen=True)
class Killed:
    """A run that was killed with everything that belonged to it, and closed by the next start on its rig."""

    folder: Path
    logs: Path
    at_ns: int
    truth: dict[str, list[Transition]]
    next_run: subprocess.CompletedProcess[str]


@pytest.fixture(scope="module", params=seldom("bench alone", "bench and observer"))
def killed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Killed:
    """Killed while the supply was off in the third cycle, in one of two ways: the bench alone (its children notice),
    or the bench with its observer and the simulated rig at one instant, as where the computer is switched off."""
    suites = LampSuites(tmp_path_factory.mktemp("killed"))
    suites.scenario(suites.rig(), "stays", "{is: on, within: 500 ms}")
    process = subprocess.Popen(
        command(*repeated(suites, 20)), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        encoding="utf-8", start_new_session=True,
    )  # fmt: skip
    wait_for(process, "cycle 3:", "supply off")
    time.sleep(0.1)
    at_ns = now_ns()
    kill(process, everything=request.param == "bench and observer")
    process.communicate(timeout=60)
    (folder,) = suites.runs()
    assert not (folder / "SHA256SUMS").exists()
    truth = read_transitions(folder / "simulated-truth.jsonl", ("supply", "terminal", "image"))
    next_run = bench("run", suites.folder / "lamp-trainer", "--simulated", "--logs", suites.folder / "logs")
    return Killed(folder, suites.folder / "logs", at_ns, truth, next_run)


def kill(process: subprocess.Popen[str], *, everything: bool) -> None:
    """As `kill -9` does, where there is such a thing; on Windows children always notice by themselves."""
    if everything and hasattr(os, "killpg"):
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()


def test_the_next_start_on_the_rig_closes_the_killed_run(killed: Killed) -> None:
    """The next run passes as ever; the killed one is a closed run that says how it ended, and its sums hold."""
    assert killed.next_run.returncode == 0, told(killed.next_run)
    assert how_ended(killed.folder) == "killed"
    check_sums(killed.folder)
    assert len(run_folders(killed.logs)) == 2


def test_no_cycle_that_the_rig_saw_completed_is_lost(killed: Killed) -> None:
    """The rig's truth log tells how often the supply was off and came back before it was off again: each of these
    cycles is in the archive with a verdict of its own, and the one that was broken off is no pass."""
    switched = [on for _, _, on in killed.truth["supply"]]
    begun_by_rig = switched.count(False)
    assert begun_by_rig == 3
    rows = duckdb.sql(f"SELECT cycle, verdict FROM '{killed.folder / 'cycles.parquet'}' ORDER BY cycle").fetchall()
    assert rows[: begun_by_rig - 1] == [(1, "pass"), (2, "pass")]
    assert [cycle for cycle, _ in rows[begun_by_rig - 1 :]] == [3]
    assert rows[-1][1] != "pass"


def test_nothing_older_than_100_ms_before_the_kill_is_lost_from_the_samples(killed: Killed) -> None:
    """The last sample on file is at most 100 ms older than the kill, and what this computer stalled for besides: the
    longest time that passed between two reads before."""
    reads = duckdb.sql(f"SELECT received_ns FROM '{killed.folder / 'samples/independent.parquet'}' ORDER BY ALL")
    instants = [at for (at,) in reads.fetchall()]
    stalled = max(later - earlier for earlier, later in itertools.pairwise(instants))
    assert max(instants) >= killed.at_ns - FLUSHED_NS - stalled


def test_every_true_change_older_than_100_ms_is_in_the_archive(killed: Killed) -> None:
    """The lamp's terminal by the rig's own truth log, and by the archive: the same changes in the same order."""
    rows = duckdb.sql(
        f"SELECT after FROM '{killed.folder / 'changes.parquet'}' WHERE point = 'lamp_terminal' ORDER BY not_after_ns"
    ).fetchall()
    archived = [bool(value) for (value,) in rows]
    true = [value for _, after, value in killed.truth["lamp_terminal"] if after < killed.at_ns - FLUSHED_NS]
    assert true[0] is False  # as it stood when the rig was started
    assert archived[: len(true) - 1] == true[1:]
    assert len(true) > 5


def test_a_killed_run_can_be_judged_again(killed: Killed) -> None:
    """`judge` finds what the next start found: a run that was broken off is no pass, and nothing differs."""
    with contextlib.closing(ArchivedRun.open(killed.folder)) as archived:
        judged = [record for record in archived.records if isinstance(record, CycleJudged)]
    done = bench("judge", killed.folder, "--logs", killed.logs)
    assert done.returncode in (3, 4), told(done)
    assert "all findings are as in the archive" in done.stdout
    assert len(judged) == 3
