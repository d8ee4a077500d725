"""The whole real path (`run --arm`, nothing simulated) against a rig that another Modbus library serves.

Controller, independent I/O and relay are pyModbusTCP's servers in processes and threads of their own. The rig keeps a
diary of what was true on the same clock; every instant that the archive claims is held against it.
"""

from __future__ import annotations

import itertools
import subprocess
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from command_line import bench, run_folders, told
from foreign_rig import Came, ForeignRig
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.samples import SampleKind

NAME = "other-library"
STAYS = """
scenario: {name}
before:
  - press: start_button
  - expect: {{fan: on, burner: on}}
cut: {{how: supply, off_for: 400 ms}}
during:
  - expect: {{fan: off, burner: off}}
after:
  expect:
    fan: {fan}
    burner: {burner}
"""


@dataclass(frozen=True)
class Ran:
    """One run as its console and its archive tell it, and what was true while it lasted."""

    done: subprocess.CompletedProcess[str]
    folder: Path
    supply_was_left_on: bool

    def verdicts(self) -> dict[str, str]:
        """The worst verdict of each judged point over all cycles; "" is the demanded restart itself."""
        rows = duckdb.sql(f"SELECT point, verdict FROM '{self.folder / 'findings.parquet'}'").fetchall()
        words = ("pass", "inconclusive", "fail", "error")
        return {
            point: max((word for one, word in rows if one == point), key=words.index)
            for point in {row[0] for row in rows}
        }


@dataclass(frozen=True)
class TwoRuns:
    """Two runs on one rig, one after another: as the rig behaves, and with an expectation that it breaks."""

    good: Ran
    bad: Ran
    diary: tuple[Came, ...]


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> TwoRuns:
    """The fan comes back (kept in a file), the burner stays off (forgotten); the second run wants the fan off."""
    folder = tmp_path_factory.mktemp("foreign")
    suite = folder / "suite"
    suite.mkdir()
    with ForeignRig(folder) as rig:
        (suite / "rig.yaml").write_text(rig.rig_text(NAME), encoding="utf-8")
        runs = [
            run_armed(folder, "as-it-is", fan="{is: on, within: 3 s}", burner="off", rig=rig, repeat=2),
            run_armed(folder, "fan-unwanted", fan="off", burner="off", rig=rig, repeat=1),
        ]
        diary = tuple(rig.diary)
    return TwoRuns(runs[0], runs[1], diary)


def run_armed(folder: Path, name: str, *, fan: str, burner: str, rig: ForeignRig, repeat: int) -> Ran:
    scenario = folder / "suite" / f"{name}.yaml"
    scenario.write_text(STAYS.format(name=name, fan=fan, burner=burner), encoding="utf-8")
    done = bench("run", scenario, "--arm", NAME, "--repeat", repeat, "--logs", folder / "logs" / name)
    (run,) = run_folders(folder / "logs" / name)
    return Ran(done, run, rig.supply_is_on)


def test_a_rig_that_does_as_demanded_passes_with_0(two: TwoRuns) -> None:
    """The output that comes back and the one that stays off are both shown, in both cycles."""
    assert two.good.done.returncode == 0, told(two.good.done)
    assert two.good.verdicts() == {"": "pass", "fan": "pass", "burner": "pass"}
    assert "simulated" not in two.good.done.stdout


def test_an_output_that_comes_back_unasked_fails_with_1(two: TwoRuns) -> None:
    """Another demand on the same controller: the fan is named, the burner still passes."""
    assert two.bad.done.returncode == 1, told(two.bad.done)
    assert two.bad.verdicts() == {"": "pass", "fan": "fail", "burner": "pass"}
    assert "fan: on at " in two.bad.done.stdout and "should be off" in two.bad.done.stdout


def test_the_supply_is_left_as_the_rig_file_says(two: TwoRuns) -> None:
    """`at_end: on`, seen at the relay itself after the bench has ended."""
    assert two.good.supply_was_left_on and two.bad.supply_was_left_on


def test_every_change_in_the_archive_holds_the_true_instant(two: TwoRuns) -> None:
    """For each change of a point there is a transition to its new value that can have been within its bounds."""
    checked = 0
    for ran in (two.good, two.bad):
        rows = duckdb.sql(
            f"SELECT point, after, not_before_ns, not_after_ns FROM '{ran.folder / 'changes.parquet'}'"
        ).fetchall()
        for point, after, low, high in rows:
            if point == "start_button":
                continue  # written by the bench itself
            possible = [came for came in transitions(two.diary, point) if came.value == bool(after)]
            assert any(came.after_ns >= low and came.before_ns <= high for came in possible), (point, after)
            checked += 1
    assert checked >= 3 * 12


def test_no_transition_at_a_terminal_is_missing_from_the_archive(two: TwoRuns) -> None:
    """What independent inputs saw is the whole diary of the cycles: on by the button, off with the supply, and on
    again for the fan alone; as often and in the order in which it was."""
    for ran in (two.good, two.bad):
        for cycle, begin, end in cycles_of(ran):
            for point in ("fan_terminal", "burner_terminal", "rail"):
                seen = [value for value, _, _ in changes_of(ran, cycle, point)]
                true = [c.value for c in transitions(two.diary, point) if begin < c.before_ns and c.after_ns < end]
                assert true, (cycle, point)
                assert seen == true, (cycle, point)


def test_marks_of_cut_and_return_hold_the_relays_true_instants(two: TwoRuns) -> None:
    """`cut` and `restored` are commands with the relay's delays: the rail went off and came back within them."""
    for ran in (two.good, two.bad):
        for cycle, begin, end in cycles_of(ran):
            rail = [came for came in transitions(two.diary, "rail") if begin < came.before_ns < end]
            off, on = next(came for came in rail if not came.value), rail[-1]
            for name, came in (("cut", off), ("restored", on)):
                low, high = mark_of(ran, cycle, name)
                assert low <= came.after_ns and came.before_ns <= high, (cycle, name)


def test_mark_ready_holds_the_instant_at_which_the_program_ran(two: TwoRuns) -> None:
    """The controller answered before its program ran; `ready` is when `running` became true, not when it answered."""
    for ran in (two.good, two.bad):
        for cycle, _, _ in cycles_of(ran):
            restored, ready, good = (mark_of(ran, cycle, name) for name in ("restored", "ready", "good"))
            ran_from = next(
                came for came in transitions(two.diary, "running") if came.value and came.before_ns > restored[0]
            )
            assert ready[0] <= ran_from.after_ns and ran_from.before_ns <= ready[1]
            assert good[0] <= ran_from.before_ns


def transitions(diary: tuple[Came, ...], point: str) -> list[Came]:
    """The true transitions of a point, repeats left out; off before the first."""
    told = sorted((came for came in diary if came.name == point), key=lambda came: came.before_ns)
    first = Came(point, False, 0, 0)
    return [later for earlier, later in itertools.pairwise([first, *told]) if later.value != earlier.value]


def changes_of(ran: Ran, cycle: int, point: str) -> list[tuple[bool, int, int]]:
    """Value and bounds of each change of a point in a cycle, in order."""
    rows = duckdb.sql(
        f"SELECT after, not_before_ns, not_after_ns FROM '{ran.folder / 'changes.parquet'}' "
        f"WHERE cycle = {cycle} AND point = '{point}' ORDER BY not_after_ns"
    ).fetchall()
    return [(bool(after), low, high) for after, low, high in rows]


def mark_of(ran: Ran, cycle: int, name: str) -> tuple[int, int]:
    """Bounds of a mark."""
    (row,) = duckdb.sql(
        f"SELECT {name}_not_before_ns, {name}_not_after_ns FROM '{ran.folder / 'cycles.parquet'}' WHERE cycle = {cycle}"
    ).fetchall()
    assert None not in row, (name, cycle)
    return int(row[0]), int(row[1])


def cycles_of(ran: Ran) -> list[tuple[int, int, int]]:
    """Number of each cycle, and its span: from the first to the last good read of the independent inputs."""
    run = ArchivedRun.open(ran.folder)
    spans = []
    for records, samples in run.cycles():
        reads = samples["independent"].records
        good = reads[(reads["kind"] == SampleKind.GOOD) & (reads["p:rail"] >= 0)]
        spans.append((records.started.cycle, int(good["received_ns"][0]), int(good["sent_ns"][-1])))
    run.close()
    assert spans
    return spans
