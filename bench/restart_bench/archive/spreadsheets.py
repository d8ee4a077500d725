"""A run as tables for a spreadsheet: its cycles, its restart matrix, its list of points; one CSV each, or one workbook.

Every table is made here once, so that a sheet and a CSV file hold the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from restart_bench.archive.files import whole_or_absent
from restart_bench.archive.queries import Exported, cycles_table, export, write_csv
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.soundness import altered_text, verify
from restart_bench.files.points_table import COLUMNS, points_table
from restart_bench.judging.matrix import matrix_rows
from restart_bench.judging.summary import by_case
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import judged_cycles

if TYPE_CHECKING:
    from openpyxl.cell.cell import Cell, MergedCell
    from openpyxl.worksheet.worksheet import Worksheet

TableName = Literal["cycles", "matrix", "points"]
TABLES: tuple[TableName, ...] = get_args(TableName)
_MATRIX_COLUMNS = (
    "run", "rig", "scenario", "case", "output", "point", "before", "at_loss", "at_return", "settled", "delay_from_s",
    "delay_to_s", "verdict", "reason", "cycles", "image_only", "archive",
)  # fmt: skip
_LONGEST_CELL = 32_000
_WIDEST = 48


@dataclass(frozen=True, slots=True)
class Table:
    """A table by name: its columns, and rows that may lack some of them."""

    name: TableName
    columns: Sequence[str]
    rows: Sequence[dict[str, Any]]


def export_run(
    folder: Path, out: Path, *, table: TableName = "cycles", separator: str = ",", decimal: str = "."
) -> Exported:
    """Writes a run for a spreadsheet: all its tables as sheets where `out` ends in .xlsx, else `table` as CSV.

    Raises ArchiveError where the run can't be read or the file not be written, FaultsFound where its files are refused.
    """
    if out.suffix.lower() == ".xlsx":
        return export_workbook(folder, out)
    if table == "cycles":
        return export(folder, out, separator=separator, decimal=decimal)
    made = table_of(ArchivedRun.open(folder), table)
    write_csv(out, made.columns, made.rows, separator=separator, decimal=decimal)
    return Exported(out, len(made.rows), len(made.columns), altered_text(verify(folder)))


def export_workbook(folder: Path, out: Path) -> Exported:
    """Writes all tables of a run as the sheets of one workbook. The size told is that of the first, the cycles."""
    import openpyxl

    run = ArchivedRun.open(folder)
    tables = [table_of(run, name) for name in TABLES]
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for table in tables:
        _fill(book.create_sheet(table.name), table)
    with whole_or_absent(out) as temporary, temporary.open("wb") as file:
        book.save(file)
    return Exported(out, len(tables[0].rows), len(tables[0].columns), altered_text(verify(folder)))


def table_of(run: ArchivedRun, name: TableName) -> Table:
    """One table of a run."""
    if name == "matrix":
        return Table(name, _MATRIX_COLUMNS, list(_matrix_rows(run)))
    return Table(name, *(cycles_table(run) if name == "cycles" else (COLUMNS, points_table(run.suite().rig))))


def _matrix_rows(run: ArchivedRun) -> Iterator[dict[str, Any]]:
    """A row an output and case, in the words of the console and the record."""
    state, rig = altered_text(verify(run.folder)), run.suite().rig
    for (scenario, case), cycles in by_case(judged_cycles(run.records).values()).items():
        for row in matrix_rows(rig, cycles):
            low, high = row.delay_ns if row.delay_ns is not None else (None, None)
            yield {
                "run": run.id,
                "rig": run.rig_name,
                "scenario": scenario,
                "case": case,
                "output": row.shown,
                "point": row.point,
                "before": row.before,
                "at_loss": row.at_loss,
                "at_return": row.at_return,
                "settled": row.settled,
                "delay_from_s": None if low is None else low / NS_PER_S,
                "delay_to_s": None if high is None else high / NS_PER_S,
                "verdict": row.verdict_word,
                "reason": row.reason,
                "cycles": row.cycles,
                "image_only": "yes" if row.image_only else "no",
                "archive": state,
            }


# ---------------------------------------------------------------- a sheet


def _fill(sheet: Worksheet, table: Table) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for place, column in enumerate(table.columns, 1):
        head = sheet.cell(1, place)
        _put(head, column)
        head.font = Font(bold=True)
        longest = len(column)
        for number, row in enumerate(table.rows, 2):
            value = row.get(column)
            _put(sheet.cell(number, place), value)
            longest = max(longest, len(str(value)) if value is not None else 0)
        sheet.column_dimensions[get_column_letter(place)].width = min(longest + 2, _WIDEST)
    sheet.freeze_panes = "A2"


def _put(cell: Cell | MergedCell, value: Any) -> None:
    """A number as a number, anything else as text: never a formula, whatever a name or a reason begins with."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE, MergedCell

    if isinstance(cell, MergedCell) or value is None or value == "":
        return
    if isinstance(value, int | float) and not isinstance(value, bool):
        cell.value = value
        return
    cell.value = ILLEGAL_CHARACTERS_RE.sub("", str(value))[:_LONGEST_CELL]
    cell.data_type = "s"
