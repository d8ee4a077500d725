"""Samples on disk: the `.part` file that grows while a run lasts, and the Parquet file that it becomes.

Both are read and written in pieces, so that memory does not grow with the length of a run.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from restart_bench.archive.files import ArchiveError, clear_errors, whole_or_absent
from restart_bench.archive.soundness import RUN_KEY
from restart_bench.model.condensing import Records, SampleSource
from restart_bench.model.samples import CONNECT, KIND_WORDS, SampleLayout

if TYPE_CHECKING:
    from restart_bench.archive.arrow import pa

CHUNK = 1 << 16
"""Records read at a time."""
ENOUGH = 1 << 14
"""A row group ends with the cycle in which it has this many rows, so that a cycle is read without its neighbours."""
LAYOUT_KEY = b"restart_bench.layout"


class UnreadableSamples(ArchiveError):
    """A `.part` file whose first line does not say what lies in it."""


# ---------------------------------------------------------------- .part


def read_layout(path: Path) -> tuple[SampleLayout, int]:
    """Layout of a `.part` file and the place of its first record.

    Raises UnreadableSamples where even the first line is missing or torn.
    """
    with clear_errors("read", path), path.open("rb") as file:
        line = file.readline()
    try:
        if not line.endswith(b"\n"):
            raise ValueError("the first line is torn")
        return SampleLayout.from_header(line), len(line)
    except (ValueError, KeyError, TypeError) as problem:
        raise UnreadableSamples(
            f"{path.name}: its first line is missing or torn, so nothing in it can be read"
        ) from problem


def whole_records(path: Path) -> tuple[int, int]:
    """Number of whole records in a `.part` file, and of bytes after them (a torn record, or the zeros that a file
    system leaves when the computer itself lost its power)."""
    layout, start = read_layout(path)
    with clear_errors("read", path), path.open("rb") as file:
        size = file.seek(0, 2) - start
        count = size // layout.size
        while count:
            file.seek(start + (count - 1) * layout.size)
            if any(file.read(layout.size)):
                break
            count -= 1
    return count, size - count * layout.size


def read_part(path: Path) -> Iterator[Records]:
    """The whole records of a `.part` file, some 65,000 at a time, in the order in which they were written."""
    layout, start = read_layout(path)
    left, _ = whole_records(path)
    dtype = layout.dtype()
    with clear_errors("read", path), path.open("rb") as file:
        file.seek(start)
        while left:
            count = min(left, CHUNK)
            yield np.frombuffer(file.read(count * layout.size), dtype=dtype)
            left -= count


# ---------------------------------------------------------------- Parquet


def samples_schema(layout: SampleLayout) -> pa.Schema:
    """Columns of `samples/<device>.parquet`. What was not read is null; times are ns of the bench's clock."""
    from restart_bench.archive.arrow import pa

    words = pa.dictionary(pa.int32(), pa.string())
    columns = [
        ("cycle", pa.uint32()), ("request", words), ("connection", pa.uint32()), ("sent_ns", pa.int64()),
        ("received_ns", pa.int64()), ("kind", words), ("exception", pa.uint8()),
    ]  # fmt: skip
    columns += [(name, pa.bool_() if code == "b" else pa.float64()) for name, code in layout.points]
    return pa.schema(columns, metadata={LAYOUT_KEY: layout.header().strip()})


def to_batch(layout: SampleLayout, records: Records) -> pa.RecordBatch:
    """Records as a piece of a Parquet table. Raises ValueError on a request or kind that does not exist."""
    from restart_bench.archive.arrow import pa

    requests = np.where(records["request"] == CONNECT, len(layout.requests), records["request"]).astype(np.int32)
    kinds = records["kind"].astype(np.int32)
    if len(records) and (requests.max() > len(layout.requests) or kinds.max() >= len(KIND_WORDS)):
        raise ValueError("a record names a request or a kind that does not exist")
    exceptions = records["exception"]
    columns = [
        pa.array(records["cycle"]),
        pa.DictionaryArray.from_arrays(requests, pa.array([*layout.requests, "connect"], pa.string())),
        pa.array(records["connection"]),
        pa.array(records["sent_ns"]),
        pa.array(records["received_ns"]),
        pa.DictionaryArray.from_arrays(kinds, pa.array(list(KIND_WORDS.values()), pa.string())),
        pa.array(np.ascontiguousarray(exceptions), mask=exceptions == 0),
    ]
    for name, code in layout.points:
        column = np.ascontiguousarray(records[f"p:{name}"])
        blind = column < 0 if code == "b" else np.isnan(column)
        columns.append(pa.array(column > 0 if code == "b" else column, mask=blind))
    return pa.RecordBatch.from_arrays(columns, schema=samples_schema(layout))


def row_groups(chunks: Iterator[Records]) -> Iterator[Records]:
    """The same records cut into row groups: a group ends where a cycle ends, once it has `ENOUGH` rows; one cycle
    fills several groups where it has more than `CHUNK`."""
    held: list[Records] = []
    rows = 0
    for chunk in chunks:
        ends = [*(np.flatnonzero(np.diff(chunk["cycle"])) + 1).tolist(), len(chunk)]
        begin = 0
        for end in ends:
            if rows and (rows >= CHUNK or (rows >= ENOUGH and chunk["cycle"][begin] != held[-1]["cycle"][-1])):
                yield np.concatenate(held)
                held, rows = [], 0
            held.append(chunk[begin:end])
            rows += end - begin
            begin = end
    if rows:
        yield np.concatenate(held)


def part_to_parquet(part: Path, parquet: Path, run: str = "") -> None:
    """Write `parquet` (temporary name, made durable, then renamed) from the whole records of `part`; it names its run.

    The `.part` file stays. Raises ArchiveError.
    """
    from restart_bench.archive.arrow import pa, pq

    layout, _ = read_layout(part)
    times = {"sent_ns": "DELTA_BINARY_PACKED", "received_ns": "DELTA_BINARY_PACKED"}
    floats = [name for name, code in layout.points if code == "d"]
    with whole_or_absent(parquet) as temporary:
        options: dict[str, Any] = {
            "compression": "zstd", "compression_level": 1,
            "use_dictionary": ["cycle", "connection", "exception", "request", "kind", *floats],
            "column_encoding": times,
        }  # fmt: skip
        schema = samples_schema(layout)
        schema = schema.with_metadata({**schema.metadata, RUN_KEY: run.encode()}) if run else schema
        with pq.ParquetWriter(temporary, schema, **options) as writer:
            for group in row_groups(read_part(part)):
                try:
                    batch = to_batch(layout, group)
                except ValueError as problem:
                    raise ArchiveError(f"{part}: {problem}; the file was damaged") from problem
                writer.write_table(
                    pa.Table.from_batches([batch]).replace_schema_metadata(schema.metadata), row_group_size=len(group)
                )


@dataclass(frozen=True, slots=True)
class Converted:
    """What became of the `.part` files of a run: those converted, the bytes that were torn off, and those that
    could not be read at all (they stay, and why is said). Both mappings are by device."""

    parts: tuple[Path, ...] = ()
    torn: dict[str, int] = field(default_factory=dict)
    unreadable: dict[str, str] = field(default_factory=dict)


def convert_parts(folder: Path, run: str = "") -> Converted:
    """Make the Parquet file of every `.part` file in `folder`, unless it is there already and holds as much.

    The `.part` files stay. Raises ArchiveError where the disk does not take it.
    """
    parts: list[Path] = []
    torn: dict[str, int] = {}
    unreadable: dict[str, str] = {}
    for part in sorted(folder.glob("*.part")):
        try:
            read_layout(part)
        except UnreadableSamples as problem:
            unreadable[part.stem] = str(problem)
            continue
        count, left = whole_records(part)
        if _rows(part.with_suffix(".parquet")) != count:
            part_to_parquet(part, part.with_suffix(".parquet"), run)
        parts.append(part)
        if left:
            torn[part.stem] = left
    return Converted(tuple(parts), torn, unreadable)


def waiting_parts(folder: Path) -> list[Path]:
    """The `.part` files that can be read and were not converted yet."""

    def can_be_read(part: Path) -> bool:
        try:
            read_layout(part)
        except UnreadableSamples:
            return False
        return True

    parts = (part for part in sorted(folder.glob("*.part")) if not part.with_suffix(".parquet").exists())
    return [part for part in parts if can_be_read(part)]


def _rows(parquet: Path) -> int | None:
    from restart_bench.archive.arrow import pq

    if not parquet.exists():
        return None
    with clear_errors("read", parquet):
        return int(pq.read_metadata(parquet).num_rows)


def from_table(layout: SampleLayout, table: pa.Table) -> Records:
    """A piece of a Parquet table as records again: the very bytes that the `.part` file had."""
    records: Records = np.empty(table.num_rows, dtype=layout.dtype())
    for name in ("cycle", "connection", "sent_ns", "received_ns"):
        records[name] = table[name].to_numpy()
    records["exception"] = table["exception"].fill_null(0).to_numpy()
    numbers = {name: number for number, name in enumerate(layout.requests)}
    records["request"] = _codes(table["request"], {"connect": CONNECT, **numbers}, np.uint16)
    records["kind"] = _codes(table["kind"], {word: code for code, word in KIND_WORDS.items()}, np.uint8)
    for name, code in layout.points:
        column = table[name]
        if code == "b":
            column = column.cast("int8").fill_null(-1)
        records[f"p:{name}"] = column.to_numpy()
    return records


def _codes(column: pa.ChunkedArray, meaning: dict[str, int], kind: type[np.unsignedinteger[Any]]) -> npt.NDArray[Any]:
    """Codes of a dictionary column, by way of its few words."""
    pieces = [
        np.array([meaning[word] for word in chunk.dictionary.to_pylist()], dtype=kind)[chunk.indices.to_numpy()]
        for chunk in column.chunks
        if len(chunk)
    ]
    return np.concatenate(pieces) if pieces else np.empty(0, dtype=kind)


_PIECE = 8192  # rows that are taken out of Arrow at a time: it needs several times their size meanwhile


class SampleFile:
    """The samples of one device in one run, read a cycle at a time. The row group read last is kept, and which cycles
    each group holds is remembered (almost every one has samples of no cycle, 0, too, so that its smallest number says
    nothing): going through the cycles in order reads every row group twice at most."""

    def __init__(self, path: Path) -> None:
        from restart_bench.archive.arrow import pq

        self.path = path
        with clear_errors("read", path):
            try:
                self._file = pq.ParquetFile(path, read_dictionary=["request", "kind"], pre_buffer=False)
                header = self._file.schema_arrow.metadata[LAYOUT_KEY]
            except (ValueError, KeyError, TypeError) as problem:
                raise ArchiveError(f"{path}: not a file of samples, or damaged ({problem})") from problem
        self.layout = SampleLayout.from_header(header)
        spans = [self._span(number) for number in range(self._file.num_row_groups)]
        self._first, self._last = np.array(spans, dtype=np.int64).reshape(-1, 2).T
        self._kept: tuple[int, Records] = (-1, np.empty(0, dtype=self.layout.dtype()))

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def source(self, number: int) -> SampleSource:
        """The samples of one cycle, in the order in which they were received. Reading them raises ArchiveError."""
        first = self._first if number else 0
        groups = np.flatnonzero((first <= number) & (number <= self._last)).tolist()
        most = sum(self._file.metadata.row_group(group).num_rows for group in groups)
        return SampleSource(self.layout, most, lambda: (_only(self._group(group), number) for group in groups))

    def _span(self, group: int) -> tuple[int, int]:
        statistics = self._file.metadata.row_group(group).column(0).statistics
        return int(statistics.min), int(statistics.max)

    def _group(self, group: int) -> Records:
        from restart_bench.archive.arrow import pa

        if self._kept[0] != group:
            nothing = np.empty(0, dtype=self.layout.dtype())
            self._kept = -1, nothing  # let go of before the next is read
            records: Records = np.empty(self._file.metadata.row_group(group).num_rows, dtype=nothing.dtype)
            begin = 0
            with clear_errors("read", self.path):
                try:
                    for batch in self._file.iter_batches(_PIECE, row_groups=[group], use_threads=False):
                        end = begin + batch.num_rows
                        records[begin:end] = from_table(self.layout, pa.Table.from_batches([batch]))
                        begin = end
                except (ValueError, KeyError) as problem:
                    raise ArchiveError(
                        f"{self.path}: damaged ({problem}); see `restart-bench logs verify`"
                    ) from problem
            records = records[:begin]
            self._kept = group, records
            numbers = records["cycle"]
            self._first[group] = numbers[numbers > 0].min(initial=self._last[group])
        return self._kept[1]


def _only(records: Records, cycle: int) -> Records:
    """The records of one cycle: a view where cycles rise, else picked out one by one."""
    numbers = records["cycle"]
    if np.all(numbers[1:] >= numbers[:-1]):
        first, last = np.searchsorted(numbers, [cycle, cycle + 1])
        return records[first:last]
    picked: Records = records[numbers == cycle]
    return picked
