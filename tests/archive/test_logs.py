"""Rules of the logs commands: list, verify, trend, export."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from archive_builders import RIG_NAME, RUN_ID, archived, begin, comes_back, load, told_run, write_suite
from evidence import Story
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.queries import RunRow, export, list_runs, trend
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.soundness import verify
from restart_bench.archive.writer import RunArchive
from restart_bench.model.journal import CycleJudged
from restart_bench.suite.loader import Suite

GOOD, BAD = "20260726T080000Z-aaaa", "20260727T142233Z-4f2a"


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Suite:
    """The trainer's suite, from files."""
    return load(write_suite(tmp_path_factory.mktemp("suite")))


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory, suite: Suite) -> Path:
    """Two closed runs: in the second the burner came back in one of three cycles, and the boot took 1 s longer."""
    folder = tmp_path_factory.mktemp("logs")
    archived(folder, suite, [Story(seed=seed) for seed in (1, 2, 3)], GOOD)
    slow = [Story(seed=seed).boot(dark=500_000_000, stale=400_000_000) for seed in (4, 5, 6)]
    archived(folder, suite, [slow[0], comes_back(slow[1]), slow[2]], BAD)
    return folder


def by_id(rows: list[RunRow]) -> dict[str, RunRow]:
    """Rows of a list by the run's id."""
    return {row.id: row for row in rows}


# ---------------------------------------------------------------- list


def test_runs_are_listed_oldest_first_with_their_end(logs: Path) -> None:
    """State, verdict, counts of cycles, by whom: from run.json alone."""
    good, bad = list_runs(logs)

    assert (good.id, bad.id) == (GOOD, BAD)
    assert (good.state, good.verdict, good.how, good.by, good.simulated) == (
        "closed", "pass", "completed", "R. Miller", True,
    )  # fmt: skip
    assert bad.verdict == "fail"
    assert bad.cycles == {"pass": 2, "inconclusive": 0, "fail": 1, "error": 0}
    assert bad.scenarios == ("burner-stays-shut",)


def test_a_list_can_be_kept_to_one_rig(logs: Path) -> None:
    """Another rig's name gives none, and a name is no pattern."""
    assert len(list_runs(logs, RIG_NAME)) == 2
    assert list_runs(logs, "grain-dryer-*") == []


def test_what_is_not_closed_is_listed_as_what_it_is(tmp_path: Path, suite: Suite) -> None:
    """A run that goes on, one that was killed, one whose run.json is damaged: none is left out, none stops the list."""
    going = RunArchive.create(tmp_path, run_id="20260727T000001Z-0001", suite=suite, before={})
    killed = RunArchive.create(tmp_path, run_id="20260727T000002Z-0002", suite=suite, before={})
    killed._lock.release()
    damaged = RunArchive.create(tmp_path, run_id="20260727T000003Z-0003", suite=suite, before={})
    (damaged.folder / "run.json").write_text('{"run": ', encoding="utf-8")
    rows = list_runs(tmp_path)

    assert [row.state for row in rows] == ["going on", "not closed", "damaged"]
    assert "run.json: not readable as JSON" in rows[2].reason
    going.close({})


# ---------------------------------------------------------------- verify


def test_a_run_as_it_was_closed_is_sound(logs: Path) -> None:
    """Every file is held against its sum."""
    verified = verify(list_runs(logs)[0].folder)

    assert verified.sound
    assert verified.checked == len((verified.folder / "SHA256SUMS").read_text(encoding="utf-8").splitlines())


def test_altered_lost_and_added_files_are_each_named(tmp_path: Path, suite: Suite) -> None:
    """One bit in a table, a deleted copy, a file slipped in: three names, and the run is not sound."""
    folder = archived(tmp_path, suite, [Story()])
    table = folder / "findings.parquet"
    content = bytearray(table.read_bytes())
    content[len(content) // 2] ^= 1
    table.write_bytes(content)
    (folder / "inputs" / "common.yaml").unlink()
    (folder / "samples" / "notes.txt").write_text("looked fine to me", encoding="utf-8")
    verified = verify(folder)

    assert verified.altered == ("findings.parquet",)
    assert verified.lost == ("inputs/common.yaml",)
    assert verified.added == ("samples/notes.txt",)
    assert not verified.sound


def test_a_run_that_was_not_closed_has_no_sums_to_hold_it_against(tmp_path: Path, suite: Suite) -> None:
    """Not sound, and nothing is claimed about its files."""
    archive = begin(tmp_path, suite, told_run(suite, [Story()]))
    verified = verify(archive.folder)

    assert (verified.closed, verified.sound, verified.altered) == (False, False, ())
    archive.close({})


def test_sums_that_were_altered_themselves_are_named(tmp_path: Path, suite: Suite) -> None:
    """A line that is none of digest and name: file and line."""
    folder = archived(tmp_path, suite, [Story()])
    with (folder / "SHA256SUMS").open("a", encoding="utf-8") as file:
        file.write("all good\n")

    with pytest.raises(ArchiveError, match=r"SHA256SUMS:\d+: not a line of digest and name"):
        verify(folder)


# ---------------------------------------------------------------- trend


def test_the_trend_counts_verdicts_and_bounds_boot_times_run_by_run(logs: Path) -> None:
    """1 of 3 failed in the second run, which took 400 ms longer to be ready; the true boot lies in the bounds."""
    good, bad = trend(logs)

    assert (good.period, good.cycles, good.passed, good.failed, good.fail_rate) == (GOOD, 3, 3, 0, 0.0)
    assert (bad.period, bad.failed, bad.fail_rate) == (BAD, 1, pytest.approx(1 / 3))
    for row, boot in ((good, 0.502), (bad, 0.902)):
        assert row.boot_from_s is not None and row.boot_to_s is not None and row.boot_longest_s is not None
        assert row.boot_from_s < boot < row.boot_to_s <= row.boot_longest_s


def test_the_trend_can_be_over_days_rigs_and_one_scenario(logs: Path) -> None:
    """One row a day, one a rig; an unknown scenario has none."""
    assert [row.period for row in trend(logs, by="day")] == ["2026-07-26", "2026-07-27"]
    (whole,) = trend(logs, by="rig")
    assert (whole.runs, whole.cycles, whole.fail_rate) == (2, 6, pytest.approx(1 / 6))
    assert trend(logs, scenario="another") == []
    assert trend(logs, rig="another") == []


def test_simulated_and_real_cycles_are_never_one_row(tmp_path: Path, suite: Suite) -> None:
    """A rig's file serves both; their boot times have nothing to do with each other. Rehearsals cut nothing."""
    for number, kind in enumerate(({"simulated": True}, {"simulated": False}, {"rehearsal": True})):
        cycles = told_run(suite, [Story(seed=number)])
        archive = RunArchive.create(tmp_path, run_id=f"20260727T00000{number}Z-000{number}", suite=suite, before=kind)
        archive.write(cycles[0].records.started)
        archive.write(cycles[0].judged)
        archive.close({})

    assert [(row.simulated, row.cycles) for row in trend(tmp_path, by="rig")] == [(False, 1), (True, 1)]


def test_an_archive_without_runs_has_no_trend(tmp_path: Path) -> None:
    """No file is no error."""
    assert trend(tmp_path) == []


def test_a_folder_name_with_pattern_signs_is_taken_as_it_is(tmp_path: Path, suite: Suite) -> None:
    """Square brackets, quotes and blanks in the path to the logs are no pattern."""
    odd = tmp_path / "bob's [old] logs"
    archived(odd, suite, [Story()])

    assert len(trend(odd)) == 1


def test_a_damaged_table_is_one_clear_error(tmp_path: Path, suite: Suite) -> None:
    """Which archive, and which command names the file."""
    folder = archived(tmp_path, suite, [Story()])
    (folder / "cycles.parquet").write_bytes(b"not a table, for sure")

    with pytest.raises(ArchiveError, match="logs verify"):
        trend(tmp_path)


# ---------------------------------------------------------------- export


def rows_of(path: Path, separator: str = ",") -> list[dict[str, str]]:
    """The rows of a CSV file as a spreadsheet would read them."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file, delimiter=separator))


def test_the_export_has_a_row_a_cycle_and_durations_in_seconds(logs: Path, tmp_path: Path) -> None:
    """Marks from and to, counted from the restored supply; a column for each expectation; the true time off."""
    folder = list_runs(logs)[1].folder
    exported = export(folder, tmp_path / "cycles.csv")
    rows = rows_of(tmp_path / "cycles.csv")
    judged = [record for record in ArchivedRun.open(folder).records if isinstance(record, CycleJudged)]

    assert (exported.rows, len(rows), len(rows[0])) == (3, 3, exported.columns)
    assert [row["verdict"] for row in rows] == ["pass", "fail", "pass"]
    assert [row["burner: is off"] for row in rows] == ["pass", "fail", "pass"]
    for row, one in zip(rows, judged, strict=True):
        ready, restored, cut = one.mark("ready"), one.mark("restored"), one.mark("cut")
        assert ready is not None and restored is not None and cut is not None
        low, high = ready.since(restored)
        assert (float(row["ready_from_s"]), float(row["ready_to_s"])) == (low / 1e9, high / 1e9)
        assert float(row["off_from_s"]) <= 1.0 <= float(row["off_to_s"])
        assert float(row["cut_to_s"]) < 0 == float(row["restored_from_s"])
        assert (row["run"], row["rig"], row["off_for_s"]) == (BAD, RIG_NAME, "1.000000000")


def test_a_spreadsheet_of_another_language_gets_its_signs(logs: Path, tmp_path: Path) -> None:
    """Semicolons between cells and a decimal comma."""
    export(list_runs(logs)[0].folder, tmp_path / "cycles.csv", separator=";", decimal=",")

    assert rows_of(tmp_path / "cycles.csv", ";")[0]["off_for_s"] == "1,000000000"


def test_text_that_looks_like_a_formula_is_kept_from_being_one(tmp_path: Path, suite: Suite) -> None:
    """A reason that begins with = would be computed by a spreadsheet."""
    cycles = told_run(suite, [Story()])
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})
    archive.write(cycles[0].records.started)
    archive.write(CycleJudged(1, "burner-stays-shut", "", cycles[0].judged.verdict, '=HYPERLINK("x")', (), ()))
    archive.close({})
    export(archive.folder, tmp_path / "cycles.csv")

    assert rows_of(tmp_path / "cycles.csv")[0]["reason"] == '\'=HYPERLINK("x")'


def test_a_run_without_cycles_exports_its_heading(tmp_path: Path, suite: Suite) -> None:
    """An empty table is a table."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})
    archive.close({})
    exported = export(archive.folder, tmp_path / "cycles.csv")

    assert exported.rows == 0
    assert (tmp_path / "cycles.csv").read_text(encoding="utf-8-sig").startswith("run,rig,cycle,scenario")


def test_listing_reads_nothing_heavy(logs: Path) -> None:
    """`logs list` and `check` (wear) read run.json only: no numpy, no pyarrow, no duckdb is loaded."""
    import subprocess
    import sys

    code = (
        "import sys, pathlib; from restart_bench.archive.queries import list_runs; "
        "rows = list_runs(pathlib.Path(sys.argv[1])); "
        "print(len(rows), sorted({'numpy', 'pyarrow', 'duckdb', 'pandas', 'scipy'} & sys.modules.keys()))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(logs)], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "2 []"


def test_run_json_is_plain_json(logs: Path) -> None:
    """No NaN, no infinity: every JSON reader takes it."""

    def refuse(word: str) -> float:
        raise AssertionError(word)

    for row in list_runs(logs):
        json.loads((row.folder / "run.json").read_text(encoding="utf-8"), parse_constant=refuse)
