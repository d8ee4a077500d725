"""Rules of the logs commands: list, verify, trend, export."""

from __future__ import annotations

import csv
import json
import math
import shutil
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from archive_builders import RIG_NAME, RUN_ID, archived, begin, comes_back, load, told_run, write_suite
from evidence import Story
from restart_bench.archive import queries, tables
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.queries import RunRow, export, list_runs, trend
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.soundness import verify
from restart_bench.archive.spreadsheets import TABLES, export_run
from restart_bench.archive.writer import RunArchive
from restart_bench.cli.main import app
from restart_bench.compare.baselines import compare_runs
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged
from restart_bench.report.console import _why_no_record
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
    """State, verdict, counts of cycles: from run.json alone."""
    good, bad = list_runs(logs)

    assert (good.id, bad.id) == (GOOD, BAD)
    assert (good.state, good.verdict, good.how, good.kind) == ("closed", "pass", "completed", "simulated")
    assert bad.verdict == "fail"
    assert bad.cycles == {"pass": 2, "inconclusive": 0, "fail": 1, "error": 0}


def test_of_a_run_that_is_an_error_the_first_scenario_that_is_one_is_told(logs: Path, tmp_path: Path) -> None:
    """Of any other run none is: its verdict and its cycles say it."""
    assert {row.because for row in list_runs(logs)} == {""}
    altered = tmp_path / "logs"
    shutil.copytree(logs, altered)
    (file,) = altered.glob(f"rig=*/date=*/run={BAD}/run.json")
    facts = json.loads(file.read_text("utf-8"))
    errors = [{"name": name, "verdict": "error", "reason": "not done"} for name in ("a", "b")]
    file.write_text(json.dumps({**facts, "verdict": "error", "scenarios": [*facts["scenarios"], *errors]}), "utf-8")
    assert by_id(list_runs(altered))[BAD].because == "a: not done"


def test_a_list_can_be_kept_to_one_rig(logs: Path) -> None:
    """Another rig's name gives none, and a name is no pattern."""
    assert len(list_runs(logs, RIG_NAME)) == 2
    assert list_runs(logs, "grain-dryer-*") == []


def test_an_export_of_a_run_that_goes_on_says_so(tmp_path: Path, suite: Suite) -> None:
    """Few rows, or none, are not all that it will have."""
    going = RunArchive.create(tmp_path, run_id="20260727T000001Z-0001", suite=suite, before={})
    words = ["logs", "export", "last", "--out", str(tmp_path / "it.csv"), "--logs", str(tmp_path)]
    told = CliRunner().invoke(app, words)
    assert told.exit_code == 0 and "20260727T000001Z-0001: this run is still going on" in told.stdout
    going.close({})
    assert "going on" not in CliRunner().invoke(app, words).stdout


def test_what_is_not_closed_is_listed_as_what_it_is(tmp_path: Path, suite: Suite) -> None:
    """A run that goes on, one that was killed, one whose run.json is damaged: none is left out, none stops the list.
    Whoever compares them reads which it is."""
    going = RunArchive.create(tmp_path, run_id="20260727T000001Z-0001", suite=suite, before={})
    killed = RunArchive.create(tmp_path, run_id="20260727T000002Z-0002", suite=suite, before={})
    killed._lock.release()
    damaged = RunArchive.create(tmp_path, run_id="20260727T000003Z-0003", suite=suite, before={})
    (damaged.folder / "run.json").write_text('{"run": ', encoding="utf-8")
    rows = list_runs(tmp_path)

    assert [row.state for row in rows] == ["going on", "not closed", "damaged"]
    assert "run.json: not readable as JSON" in rows[2].reason
    with pytest.raises(ArchiveError, match="still going on; wait"):
        compare_runs(going.folder, going.folder)
    with pytest.raises(ArchiveError, match="the bench was killed"):
        compare_runs(killed.folder, killed.folder)
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
        assert row.boot_from_s is not None and row.boot_to_s is not None
        assert row.boot_from_s < boot < row.boot_to_s


def altered_in_table(logs: Path, run: str, **columns: object) -> None:
    """Writes a value of ours into columns of a run's table of cycles, in every row; None drops the column."""
    (path,) = logs.glob(f"rig=*/date=*/run={run}/cycles.parquet")
    table = pq.ParquetFile(path).read().to_pandas()
    for name, value in columns.items():
        table = table.drop(columns=name) if value is None else table.assign(**{name: value})
    table.to_parquet(path)


@pytest.mark.parametrize(
    "cycle",
    [{"how": "mode"}, {"restarted": False}, {"verdict": "error"}],
    ids=["a change of mode", "a dip ridden through", "an unproven cut"],
)
def test_only_a_restart_after_a_cut_of_the_supply_is_a_boot(
    logs: Path, tmp_path: Path, cycle: dict[str, object]
) -> None:
    """What is none has no boot time, and shifts that of nobody else; it is counted by its verdict as ever."""
    shutil.copytree(logs, tmp_path / "logs")
    altered_in_table(tmp_path / "logs", BAD, **cycle)
    good, bad = trend(tmp_path / "logs")
    assert (bad.boot_from_s, bad.boot_to_s, bad.cycles) == (None, None, 3)
    (whole,) = trend(tmp_path / "logs", by="rig")
    assert whole.boot_to_s == good.boot_to_s


def test_tables_of_earlier_versions_are_read_beside_new_ones(logs: Path, tmp_path: Path) -> None:
    """They do not say how the cut was made: there, going dark counts as a restart, whichever run comes first."""
    for run in (GOOD, BAD):
        shutil.copytree(logs, tmp_path / run)
        altered_in_table(tmp_path / run, run, how=None, restarted=None)
        assert trend(tmp_path / run) == trend(logs)
    altered_in_table(tmp_path / BAD, GOOD, how=None, restarted=None, dark_not_before_ns=math.nan)
    good, bad = trend(tmp_path / BAD)
    assert (good.boot_to_s, bad.boot_to_s is not None) == (None, True)


def test_a_spreadsheet_tells_boots_from_what_is_none(logs: Path, tmp_path: Path) -> None:
    """How the cut was made, whether the controller restarted, and a boot time only where it did."""
    rows = exported_rows(list_runs(logs)[0].folder, tmp_path)
    assert {(row["how"], row["restarted"]) for row in rows} == {("supply", "yes")}
    assert all(0.4 < float(row["boot_from_s"]) < 0.502 < float(row["boot_to_s"]) for row in rows)


@pytest.mark.parametrize(
    ("how", "restarted", "times"), [("mode", True, (False, False)), ("supply", False, (True, False))]
)
def test_a_change_of_mode_has_no_time_off_and_a_ride_through_no_boot(
    how: str, restarted: bool, times: tuple[bool, bool], logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both columns stay empty where they would mean something else."""
    monkeypatch.setattr(queries, "how_cut", lambda records: how)
    monkeypatch.setattr(tables, "has_restarted", lambda judged: restarted)
    rows = exported_rows(list_runs(logs)[0].folder, tmp_path)
    assert rows
    for row in rows:
        assert (bool(row["off_from_s"]), bool(row["boot_from_s"])) == times


def test_no_time_off_is_below_nothing(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the bounds of cut and return overlap (a short dip, a person at the switch), the shortest time is 0."""
    wide = Bounds(0, 10**12)
    monkeypatch.setattr(CycleJudged, "mark", lambda self, name: wide if name in ("cut", "restored") else None)
    rows = exported_rows(list_runs(logs)[0].folder, tmp_path)
    assert {(float(row["off_from_s"]), float(row["off_to_s"])) for row in rows} == {(0.0, 1000.0)}


def exported_rows(folder: Path, out: Path) -> list[dict[str, str]]:
    """The rows of a run's export, by column."""
    export(folder, out / "run.csv")
    return list(csv.DictReader((out / "run.csv").read_text(encoding="utf-8-sig").splitlines()))


def test_the_trend_can_be_over_days_rigs_and_one_scenario(logs: Path) -> None:
    """One row a day, one a rig; an unknown scenario has none."""
    assert [row.period for row in trend(logs, by="day")] == ["2026-07-26", "2026-07-27"]
    (whole,) = trend(logs, by="rig")
    assert (whole.cycles, whole.fail_rate) == (6, pytest.approx(1 / 6))
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

    rows = list_runs(logs)
    assert len(rows) == 2
    for row in rows:
        json.loads((row.folder / "run.json").read_text(encoding="utf-8"), parse_constant=refuse)


# ---------------------------------------------------------------- odd surroundings


@pytest.mark.parametrize("command", ["list", "verify", "trend"])
def test_an_archive_that_is_a_file_is_no_empty_archive(tmp_path: Path, command: str) -> None:
    """`--logs` on a file is a slip of the keyboard, and `no runs yet` would hide it."""
    (tmp_path / "logs").write_text("x", encoding="utf-8")
    done = CliRunner().invoke(app, ["logs", command, "--logs", str(tmp_path / "logs")])
    assert done.exit_code == 2
    assert "is no folder; check --logs" in done.stderr


@pytest.mark.parametrize("spoil", ["cycles.parquet", "SHA256SUMS"])
def test_one_damaged_run_does_not_stop_the_trend(logs: Path, tmp_path: Path, spoil: str) -> None:
    """The others are told, the damaged one is named, and the command does not end with 0."""
    shutil.copytree(logs, tmp_path / "logs")
    (damaged,) = (tmp_path / "logs").glob(f"rig=*/date=*/run={BAD}")
    (damaged / spoil).write_bytes(b"\x00\xff not what it was")
    done = CliRunner().invoke(app, ["logs", "trend", "--logs", str(tmp_path / "logs")])
    assert done.exit_code == 4, done.output
    assert f"{BAD}: " in done.output
    assert next(iter(trend(tmp_path / "logs"))).period == GOOD
    assert GOOD in done.output.partition("period")[2]


def test_no_record_is_named_that_is_not_there(logs: Path) -> None:
    """These runs have none: whoever judges one again is told how it is made, and no name of a file."""
    done = CliRunner().invoke(app, ["judge", BAD, "--logs", str(logs)])
    assert "record: " not in done.output
    assert "no record is there (none was written as the run was closed): restart-bench report" in done.output


@pytest.mark.parametrize(
    ("sums", "told", "why"),
    [
        ("00  run.json\n", {"report_problem": "no space left"}, "it could not be written: no space left"),
        ("00  run.json\n00  report.html\n", {}, "it was deleted or moved away since the run was closed"),
        (None, {}, "the run was not closed, or its archive is damaged"),
    ],
)
def test_why_there_is_no_record_is_said(tmp_path: Path, sums: str | None, told: dict[str, str], why: str) -> None:
    """Whether somebody took it away, it could not be written, or the run never came to it."""
    (tmp_path / "run.json").write_text(json.dumps(told), encoding="utf-8")
    if sums is not None:
        (tmp_path / "SHA256SUMS").write_text(sums, encoding="utf-8")
    assert _why_no_record(tmp_path) == why


def test_a_workbook_has_cycles_matrix_and_points_each_as_its_sheet(logs: Path, tmp_path: Path) -> None:
    """The same tables as the three CSV files hold, numbers as numbers."""
    import openpyxl

    folder = list_runs(logs)[1].folder
    export_run(folder, tmp_path / "run.xlsx")
    book = openpyxl.load_workbook(tmp_path / "run.xlsx")
    assert tuple(book.sheetnames) == TABLES
    for name in TABLES:
        export_run(folder, tmp_path / f"{name}.csv", table=name)
        heads, *cells = [["" if cell is None else cell for cell in row] for row in book[name].values]
        rows = rows_of(tmp_path / f"{name}.csv")
        assert list(rows[0]) == heads and len(rows) == len(cells)
        for row, cell_row in zip(rows, cells, strict=True):
            for text, cell in zip(row.values(), cell_row, strict=True):
                assert float(text) == pytest.approx(cell) if isinstance(cell, int | float) else text == str(cell)


def test_the_sheet_of_the_matrix_says_what_each_output_did(logs: Path, tmp_path: Path) -> None:
    """The burner came back in one of three cycles: counted, with the verdict and the first reason."""
    export_run(list_runs(logs)[1].folder, tmp_path / "matrix.csv", table="matrix")
    (burner,) = (row for row in rows_of(tmp_path / "matrix.csv") if row["point"] == "burner")
    assert (burner["verdict"], burner["settled"], burner["cycles"]) == ("fail", "off 2, on 1", "3")
    assert burner["reason"].startswith("cycle 2: ")


def test_text_that_looks_like_a_formula_is_text_in_a_workbook(tmp_path: Path, suite: Suite) -> None:
    """What a file or a device calls itself is never computed by whoever opens the workbook."""
    import openpyxl

    cycles = told_run(suite, [Story()])
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})
    archive.write(cycles[0].records.started)
    told = '=HYPERLINK("x")' + chr(7)
    archive.write(CycleJudged(1, "burner-stays-shut", "", cycles[0].judged.verdict, told, (), ()))
    archive.close({})
    export_run(archive.folder, tmp_path / "run.xlsx")
    heads, cells = openpyxl.load_workbook(tmp_path / "run.xlsx")["cycles"].iter_rows()
    (reason,) = (cell for head, cell in zip(heads, cells, strict=True) if head.value == "reason")
    assert (reason.data_type, reason.value) == ("s", '=HYPERLINK("x")')
