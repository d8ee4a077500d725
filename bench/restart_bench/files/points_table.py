"""The list of a rig's points as a table, both ways: what `logs export` writes and `new --points` reads, as CSV or XLSX.

One row a point, one column a fact (`COLUMNS`); the order of the columns is free, and all but `name` and `address` may
be missing. Addresses are written with their kind (`coil 0`, `discrete_input 3`) and count from 0.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args
from xml.etree.ElementTree import ParseError

from restart_bench.files.cures import closest
from restart_bench.files.faults import Fault, FaultsFound
from restart_bench.model.rig import REGISTERS_OF, Point, PointType, Rig, Table
from restart_bench.model.wording import show_value

COLUMNS = (
    "name", "device", "address", "label", "terminal", "idle", "type", "words", "scale", "unit", "off_below", "on_above",
    "groups",
)  # fmt: skip
SHEET = "points"
MOST_ROWS = 10_000
_TABLES: tuple[str, ...] = get_args(Table)
_ADDRESS = re.compile(r"(?:([a-z]+(?:[ _][a-z]+)?)[ :]*)?(\d{1,5})")
_CSV_SIGNS = ",;\t"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a point is read: kind of table and 0-based address."""

    table: Table
    address: int


@dataclass(frozen=True, slots=True)
class ListedPoint:
    """A row of the list. `keys` holds what goes into the rig file as it stands: idle, type, words, scale, unit."""

    row: int
    name: str
    place: Place
    device: str = ""
    label: str = ""
    terminal: Place | None = None
    keys: tuple[tuple[str, str], ...] = ()
    groups: tuple[str, ...] = ()


# ---------------------------------------------------------------- to a table


def points_table(rig: Rig) -> list[dict[str, Any]]:
    """The rig's points as rows; what is an output's terminal stands in that output's row alone."""
    return [_row(rig, point) for name, point in rig.points.items() if not rig.is_terminal(name)]


def _row(rig: Rig, point: Point) -> dict[str, Any]:
    terminal = rig.points[point.terminal] if point.terminal is not None else None
    row: dict[str, Any] = {
        "name": point.name,
        "device": point.device,
        "address": f"{point.table} {point.address}",
        "label": point.label,
        "terminal": f"{terminal.table} {terminal.address}" if terminal is not None else "",
        "idle": "" if point.idle is None else show_value(point.idle),
        "groups": ", ".join(name for name, members in rig.groups.items() if point.name in members),
    }
    if point.type != "bool":
        row |= {"type": point.type, "unit": point.unit}
        row["words"] = point.words if REGISTERS_OF[point.type] > 1 else ""
        row["scale"] = "" if point.scale == 1.0 else f"{point.scale:g}"
    if point.levels is not None:
        row |= {"off_below": f"{point.levels.off_below:g}", "on_above": f"{point.levels.on_above:g}"}
    return {column: row.get(column, "") for column in COLUMNS}


# ---------------------------------------------------------------- from a table


def read_points(path: Path) -> tuple[ListedPoint, ...]:
    """The rows of a list of points, in their order. Raises FaultsFound with the row and the column of each fault."""
    rows = _cells(path)
    number, heads = next(((number, cells) for number, cells in rows if any(cells)), (1, []))
    columns = _columns(path, number, heads)
    faults: list[Fault] = []
    points: list[ListedPoint] = []
    for number, cells in rows:
        if number > MOST_ROWS:
            raise _one(path, number, f"more than {MOST_ROWS} rows", "is it the right file?")
        if any(cells):
            told = {column: cells[place] for column, place in columns.items() if place < len(cells)}
            point = _Row(str(path), number, told, faults).point()
            points += [point] if point is not None else []
    faults += _taken_twice(path, points)
    if not points and not faults:
        faults.append(Fault(str(path), 1, "", "names no point", "write a row for each point below the heading"))
    if faults:
        raise FaultsFound(faults)
    return tuple(points)


def _columns(path: Path, number: int, heads: Sequence[str]) -> dict[str, int]:
    """Which column stands where. Raises FaultsFound for a heading that is not known, doubled or missing."""
    names = [re.sub(r"[ _-]+", "_", head.strip().lower()) for head in heads]
    names = ["terminal" if name == "terminal_address" else name for name in names]
    faults = []
    for name, head in zip(names, heads, strict=True):
        if name and name not in COLUMNS:
            near = closest(name, COLUMNS)
            cure = f"did you mean {near}?" if near else f"the columns are {', '.join(COLUMNS)}"
            faults.append(Fault(str(path), number, f"column {head}", "is not known", cure))
        elif name and names.count(name) > 1:
            faults.append(Fault(str(path), number, f"column {head}", "stands twice", "delete one of them"))
    for needed in ("name", "address"):
        if needed not in names:
            cure = f"begin the list with a row of headings: {', '.join(COLUMNS[:5])}"
            faults.append(Fault(str(path), number, f"column {needed}", "is missing", cure))
    if faults:
        raise FaultsFound(faults)
    return {name: place for place, name in enumerate(names) if name}


def _taken_twice(path: Path, points: Sequence[ListedPoint]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for point in points:
        if point.name in first:
            text = f"{point.name} stands in row {first[point.name]} already"
            yield Fault(str(path), point.row, "column name", text, "every point has a name of its own")
        first.setdefault(point.name, point.row)


@dataclass(slots=True)
class _Row:
    file: str
    number: int
    told: dict[str, str]
    faults: list[Fault]

    def point(self) -> ListedPoint | None:
        """The point of this row; None, with faults, where a cell can't be read."""
        before = len(self.faults)
        name, place = self._cell("name"), self._place("address", "coil")
        if not name:
            self._fault("name", "is empty", "give the point a name, like drum_motor")
        if place is None and not self._cell("address"):
            self._fault("address", "is empty", "write where the point is read, like coil 0")
        terminal = self._place("terminal", "discrete_input")
        keys = tuple(self._keys())
        if len(self.faults) > before or place is None:
            return None
        groups = tuple(one for one in re.split(r"[,; ]+", self._cell("groups")) if one)
        return ListedPoint(self.number, name, place, self._cell("device"), self._cell("label"), terminal, keys, groups)

    def _cell(self, column: str) -> str:
        text = self.told.get(column, "").strip()
        # What `logs export` wrote in front of text that a spreadsheet would compute.
        return text[1:] if text.startswith("'") and text[1:2] in ("=", "+", "-", "@") else text

    def _fault(self, column: str, text: str, cure: str) -> None:
        self.faults.append(Fault(self.file, self.number, f"column {column}", text, cure))

    def _place(self, column: str, usual: Table) -> Place | None:
        text = self._cell(column)
        if not text:
            return None
        found = _ADDRESS.fullmatch(text.lower())
        table = (found[1] or usual).replace(" ", "_") if found else ""
        if found is None or table not in _TABLES or int(found[2]) > 65535:
            cure = f"write one of {', '.join(_TABLES)} and a number from 0 to 65535, like {usual} 0"
            self._fault(column, f"{text} is no address", cure)
            return None
        return Place(next(one for one in get_args(Table) if one == table), int(found[2]))

    def _keys(self) -> Iterator[tuple[str, str]]:
        for column, test, cure in _KEYS:
            text = self._cell(column)
            if text and not test(text):
                self._fault(column, f"{text} can't stand there", cure)
            elif text:
                yield column, text


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", text) is not None


_KEYS: tuple[tuple[str, Callable[[str], bool], str], ...] = (
    ("idle", lambda text: text in ("on", "off") or _is_number(text), "write on, off or a number"),
    ("type", lambda text: text in get_args(PointType), f"write one of {', '.join(get_args(PointType)[1:])}"),
    ("words", lambda text: text in ("big", "little"), "write big or little"),
    ("scale", _is_number, "write a number with a decimal point, like 0.1"),
    ("unit", lambda text: len(text) <= 16 and text.isprintable(), "write a short unit, like s"),
    ("off_below", _is_number, "write a number with a decimal point"),
    ("on_above", _is_number, "write a number with a decimal point"),
)


# ---------------------------------------------------------------- cells


def _cells(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Rows of texts with their number as a spreadsheet counts them. Raises FaultsFound where the file can't be read."""
    try:
        if path.suffix.lower() == ".xlsx":
            return iter(list(_of_workbook(path)))
        return iter(list(_of_text(path)))
    except OSError as problem:
        raise _one(path, 1, f"can't be read ({problem.strerror or problem})", "check its name and place") from None


def _of_text(path: Path) -> Iterator[tuple[int, list[str]]]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        cure = "save it as CSV with UTF-8, or as .xlsx"
        raise _one(path, 1, "is no text in UTF-8", cure) from None
    head = next((line for line in text.splitlines() if line.strip()), "")
    sign = max(_CSV_SIGNS, key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign)
    number = 1
    try:
        for number, cells in enumerate(reader, 1):
            yield number, cells
            if number > MOST_ROWS:
                return
    except csv.Error as problem:
        raise _one(path, number, f"is no CSV ({problem})", "save it again from the spreadsheet") from None


def _of_workbook(path: Path) -> Iterator[tuple[int, list[str]]]:
    """The sheet `points`, or the first one; of a formula its last result."""
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with path.open("rb") as file:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True)
            named = [sheet for sheet in book.worksheets if sheet.title.strip().lower() == SHEET]
            sheets = named or book.worksheets
            if not sheets:
                raise ValueError("no sheet")
            for number, cells in enumerate(sheets[0].iter_rows(values_only=True, max_row=MOST_ROWS + 1), 1):
                yield number, [_text_of(cell) for cell in cells]
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, TypeError, EOFError, ParseError) as problem:
        cure = "save it again from the spreadsheet as .xlsx, or as CSV"
        raise _one(path, 1, f"is no sound workbook ({type(problem).__name__})", cure) from None


def _text_of(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):  # a spreadsheet makes TRUE of what somebody typed for on
        return "on" if cell else "off"
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def _one(path: Path, row: int, text: str, cure: str) -> FaultsFound:
    return FaultsFound([Fault(str(path), row, "", text, cure)])
