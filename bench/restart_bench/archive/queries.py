"""What `restart-bench logs` does: list, trend, export. Plain values come back; the face prints them."""

from __future__ import annotations

import csv
import glob
import io
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from restart_bench.archive.files import (
    ArchiveError,
    is_closed,
    is_going_on,
    rig_of,
    run_folders,
    run_id_of,
    write_whole,
)
from restart_bench.archive.reader import ArchivedRun, kind_of_rig, read_run_json
from restart_bench.archive.soundness import altered_text, file_is_altered, verify
from restart_bench.archive.tables import how_cut, is_boot, zones_of
from restart_bench.model.clock import NS_PER_S, Bounds
from restart_bench.model.journal import CycleJudged, Finding, judged_cycles
from restart_bench.model.scenario import MARKS
from restart_bench.model.verdicts import Verdict

if TYPE_CHECKING:
    import duckdb

# ---------------------------------------------------------------- list


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run in a list. `state`: closed, going on, not closed (the bench was killed), damaged (`reason` says why).
    `cycles` counts verdicts over all scenarios; `how` is "" and `exit_code` None while the run has no end."""

    id: str
    rig: str
    folder: Path
    state: Literal["closed", "going on", "not closed", "damaged"]
    kind: str = "real"  # real, simulated, not known
    rehearsal: bool = False
    survey: str = ""  # which part of a survey it was: presses, cuts
    how: str = ""
    verdict: str = ""
    exit_code: int | None = None
    reason: str = ""
    cycles: dict[str, int] | None = None
    because: str = ""  # what the first scenario says that is an error, as the run is


def list_runs(logs: Path, rig: str | None = None) -> list[RunRow]:
    """All runs (of one rig), oldest first. Reads run.json only; a damaged one is listed as such."""
    return [_row(folder) for folder in run_folders(logs, glob.escape(rig) if rig else "*")]


def _row(folder: Path) -> RunRow:
    run_id, rig = run_id_of(folder), rig_of(folder)
    try:
        fields = read_run_json(folder)
        ended = fields.get("ended") or {}
        counted: dict[str, int] = {}
        scenarios = fields.get("scenarios") or []
        for scenario in scenarios:
            for verdict, count in (scenario.get("counted") or {}).items():
                counted[verdict] = counted.get(verdict, 0) + count
        errors = (one for one in scenarios if one.get("verdict") == fields.get("verdict") == Verdict.ERROR)
        return RunRow(
            id=run_id,
            rig=rig,
            folder=folder,
            state="closed" if is_closed(folder) else "going on" if is_going_on(folder) else "not closed",
            kind=kind_of_rig(fields),
            rehearsal=bool(fields.get("rehearsal")),
            survey=str(fields.get("survey") or ""),
            how=str(ended.get("how", "")),
            verdict=str(fields.get("verdict") or ""),
            exit_code=fields.get("exit_code"),
            reason=str(ended.get("reason", "")),
            cycles=counted,
            because=next((f"{one.get('name')}: {one.get('reason')}" for one in errors), ""),
        )
    except (ArchiveError, AttributeError, KeyError, TypeError, ValueError) as problem:
        return RunRow(run_id, rig, folder, "damaged", reason=str(problem))


# ---------------------------------------------------------------- trend


@dataclass(frozen=True, slots=True)
class TrendRow:
    """Cycles of one run (one day, one rig) by verdict, and how long the controller took to be ready.

    `fail_rate` is fails over cycles that showed something (passes and fails), None where none did. Boot times in
    seconds from the restored supply to `ready`: median of the shortest, and of the longest that the evidence
    allows; None where no cycle became ready. Simulated and real runs are never mixed; rehearsals are left out.
    """

    rig: str
    period: str  # the run's id, the date, or "" where the whole rig is one row
    simulated: bool
    cycles: int
    passed: int
    failed: int
    inconclusive: int
    errors: int
    fail_rate: float | None
    boot_from_s: float | None
    boot_to_s: float | None


TOLD = """
    WITH told AS (SELECT *, coalesce(how, 'supply') = 'supply' AND verdict <> 'error'
            AND coalesce(restarted, how IS NULL AND dark_not_before_ns IS NOT NULL) AS boots FROM {known})
"""
"""Every cycle, with whether it was a boot."""
TREND = f"""{TOLD}
    SELECT rig, {{period}} AS period, simulated, count(*) AS cycles,
        count(*) FILTER (verdict = 'pass') AS passed,
        count(*) FILTER (verdict = 'fail') AS failed,
        count(*) FILTER (verdict = 'inconclusive') AS inconclusive,
        count(*) FILTER (verdict = 'error') AS errors,
        failed / nullif(passed + failed, 0) AS fail_rate,
        median(ready_not_before_ns - restored_not_after_ns) FILTER (boots) / 1e9 AS boot_from_s,
        median(ready_not_after_ns - restored_not_before_ns) FILTER (boots) / 1e9 AS boot_to_s
    FROM told
    WHERE NOT rehearsal AND scenario = coalesce(?, scenario)
    GROUP BY rig, period, simulated
    ORDER BY rig, simulated, period
"""
"""The query over `logs/**/cycles.parquet`; it can be typed by hand in any DuckDB. Tables of earlier versions do not say
how the cut was made nor whether the controller restarted: there, going dark counts as a restart."""

_TABLES = """read_parquet(?, hive_partitioning = true,
    hive_types = {'rig': VARCHAR, 'date': VARCHAR, 'run': VARCHAR})"""
_SEVERAL_VERSIONS = f"""(SELECT NULL::VARCHAR AS how, NULL::BOOLEAN AS restarted WHERE false
    UNION ALL BY NAME SELECT * FROM {_TABLES.replace("= true,", "= true, union_by_name = true,")})"""
_PERIODS = {"run": "run", "day": "date", "rig": "''"}


def trend(
    logs: Path, *, rig: str | None = None, scenario: str | None = None, by: Literal["run", "day", "rig"] = "run"
) -> list[TrendRow]:
    """Fail rate and boot time over the archive, in order of time within each rig; runs whose table can't be read are
    left out (`altered_tables` names them). Raises ArchiveError where none can be read."""
    return [TrendRow(*row) for row in over_cycles(logs, rig, TREND.replace("{period}", _PERIODS[by]), scenario)]


def over_cycles(logs: Path, rig: str | None, query: str, scenario: str | None) -> list[tuple[Any, ...]]:
    """Rows of a query over `{known}`, the table of all cycles (of one rig), with the scenario as its parameter. Raises
    ArchiveError where no table can be read."""
    import duckdb

    pattern = f"{glob.escape(str(logs))}/rig={glob.escape(rig) if rig else '*'}/date=*/run=*/cycles.parquet"
    found = sorted(glob.glob(pattern))  # noqa: PTH207 - the same pattern as DuckDB's
    if not found:
        return []
    with duckdb.connect() as connection:

        def asked(files: list[str], *, mixed: bool) -> list[tuple[Any, ...]]:
            known = query.replace("{known}", _SEVERAL_VERSIONS if mixed else _TABLES)
            return connection.execute(known, [files, scenario]).fetchall()

        for mixed in (False, True):  # to join tables of several versions takes three times as long
            with suppress(duckdb.Error):
                if mixed or _says_how(connection, found[0]):
                    return asked([pattern], mixed=mixed)
        return asked(_readable(connection, pattern), mixed=True)


def _says_how(connection: duckdb.DuckDBPyConnection, file: str) -> bool:
    """True for a table that says how the cut was made: what the first one has is asked of all."""
    found = connection.execute("SELECT name FROM parquet_schema(?) WHERE name = 'how'", [glob.escape(file)])
    return found.fetchone() is not None


def _readable(connection: duckdb.DuckDBPyConnection, pattern: str) -> list[str]:
    """The tables that can be read to their ends. Raises ArchiveError where there is none."""
    found = [glob.escape(one) for one in sorted(glob.glob(pattern)) if _is_readable(connection, one)]  # noqa: PTH207
    if not found:
        raise ArchiveError(f"{pattern}: none can be read; see `logs verify`")
    return found


def _is_readable(connection: duckdb.DuckDBPyConnection, file: str) -> bool:
    import duckdb

    try:
        connection.execute("SELECT max(columns(*)) FROM read_parquet(?)", [glob.escape(file)]).fetchall()
    except duckdb.Error:
        return False
    return True


def altered_tables(logs: Path, rig: str | None = None) -> list[str]:
    """Runs whose table of cycles is not the one that was closed, or of which nobody can say so, each with why."""
    folders = run_folders(logs, glob.escape(rig) if rig else "*")
    return [f"{run_id_of(one)}: {why}" for one in folders if (why := _why_altered(one))]


def _why_altered(folder: Path) -> str:
    try:
        altered = file_is_altered(folder, "cycles.parquet")
    except ArchiveError as problem:
        return f"NOBODY CAN SAY WHETHER ITS TABLE OF CYCLES IS AS IT WAS CLOSED ({problem})"
    return "THE TABLE OF CYCLES IS NOT AS IT WAS CLOSED, so what follows is not to be relied on" if altered else ""


# ---------------------------------------------------------------- export


@dataclass(frozen=True, slots=True)
class Exported:
    """A table of a run for a spreadsheet: what it was written to, and its size."""

    path: Path
    rows: int
    columns: int
    altered: str = ""


def export(folder: Path, out: Path, *, separator: str = ",", decimal: str = ".") -> Exported:
    """Write one row a cycle as CSV (RFC 4180; UTF-8 with a mark at its beginning, which spreadsheets look for).

    Durations are in seconds: the time off and every mark from and to (bounds), counted from the restored supply;
    then for each expectation its verdict and, where it has one, its delay. A boot time stands where the supply was cut
    and the controller is shown to have restarted; a change of mode has no time off. `separator=";", decimal=","` is
    what a spreadsheet in many languages expects. Raises ArchiveError.
    """
    run = ArchivedRun.open(folder)
    columns, rows = cycles_table(run)
    write_csv(out, columns, rows, separator=separator, decimal=decimal)
    return Exported(out, len(rows), len(columns), altered_text(verify(folder)))


def cycles_table(run: ArchivedRun) -> tuple[list[str], list[dict[str, Any]]]:
    """Columns and rows of `export`, a row a cycle."""
    state = altered_text(verify(run.folder))
    zones = zones_of(run)
    rows = [
        {**_wide_row(run, judged), "zone": zones.get(cycle), "archive": state}
        for cycle, judged in sorted(judged_cycles(run.records).items())
    ]
    return list(dict.fromkeys(name for row in rows for name in row)) or list(_HEAD), rows


def write_csv(
    out: Path, columns: Sequence[str], rows: Sequence[dict[str, Any]], *, separator: str, decimal: str
) -> None:
    """Writes a table as CSV (RFC 4180, UTF-8 with a mark). Raises ArchiveError."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator="\r\n")
    writer.writerow([_cell(name, decimal) for name in columns])
    writer.writerows([[_cell(row.get(name), decimal) for name in columns] for row in rows])
    write_whole(out, b"\xef\xbb\xbf" + text.getvalue().encode("utf-8", errors="replace"))


_HEAD = (
    "run", "rig", "cycle", "scenario", "case", "verdict", "reason", "number", "off_for_s", "off_from_s", "off_to_s",
    "how", "restarted", "zone", "boot_from_s", "boot_to_s", "archive",
)  # fmt: skip


def _wide_row(run: ArchivedRun, judged: CycleJudged) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(_HEAD)
    row |= {"run": run.id, "rig": run.rig_name, "cycle": judged.cycle, "scenario": judged.scenario}
    row |= {"case": judged.case, "verdict": judged.verdict.value, "reason": judged.reason}
    records = run.cycle_records.get(judged.cycle)
    if records is not None:
        row |= {"number": records.started.number, "off_for_s": records.started.off_for_ns / NS_PER_S}
    row |= {"how": how_cut(records), "restarted": _yes_or_no(judged.restarted)}
    cut, restored, ready = (judged.mark(name) for name in ("cut", "restored", "ready"))
    if cut is not None and restored is not None and row["how"] != "mode":
        row["off_from_s"], row["off_to_s"] = _lasting(restored, cut)
    if restored is not None and ready is not None and is_boot(row["how"], judged):
        row["boot_from_s"], row["boot_to_s"] = _lasting(ready, restored)
    for mark in MARKS:
        bounds = judged.mark(mark)
        if bounds is None or restored is None:
            pair: tuple[int | None, int | None] = (None, None)
        else:
            pair = (0, 0) if bounds is restored else bounds.since(restored)
        row[f"{mark}_from_s"], row[f"{mark}_to_s"] = _seconds(pair)
    for finding in judged.findings:
        row |= _finding_cells(finding)
    return row


def _yes_or_no(answer: Any) -> str | None:
    return None if answer is None else "yes" if answer else "no"


def _lasting(end: Bounds, start: Bounds) -> tuple[float | None, float | None]:
    """Shortest and longest time between two instants of which the second comes first: never below 0."""
    low, high = end.since(start)
    return _seconds((max(low, 0), max(high, 0)))


def _finding_cells(finding: Finding) -> dict[str, Any]:
    name = f"{finding.point}: {finding.expectation}" if finding.point else finding.expectation
    cells: dict[str, Any] = {name: finding.verdict.value}
    delay = finding.figures.get("delay_ns")
    if isinstance(delay, list | tuple) and len(delay) == 2:
        cells[f"{name}, from s"], cells[f"{name}, to s"] = _seconds(delay)
    return cells


def _seconds(pair: Sequence[int | None]) -> tuple[float | None, float | None]:
    low, high = (None if value is None else value / NS_PER_S for value in pair)
    return low, high


def _cell(value: Any, decimal: str) -> str:
    """Text of a cell. Text that a spreadsheet would take for a formula is given an apostrophe."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.9f}".replace(".", decimal)
    text = str(value)
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) and not isinstance(value, int) else text
