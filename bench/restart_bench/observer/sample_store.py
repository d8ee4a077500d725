"""What the parent keeps of one device's samples: what may be asked at any instant in memory, the rest in its file.

Bytes come as they lie in the file, with their place in it; what was not offered is fetched from the file, so nothing
is lost and nothing is counted twice.
"""

from __future__ import annotations

import itertools
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from restart_bench.model.clock import BLIND_NS
from restart_bench.model.condensing import Condenser, Keep, Records, condensed
from restart_bench.model.samples import DeviceSamples, SampleKind, SampleLayout

PIECE = 1 << 14
"""Records read from the file at a time."""
_NEWEST = 8192  # records kept to tell what moved: seconds, and the screen asks many times in one
_LIVE = Keep(gap_ns=BLIND_NS)  # questions that are asked while a cycle goes on know no shorter gap
_TELLING = np.isin(
    np.arange(256),
    (SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.SILENT, SampleKind.RESET, SampleKind.CLOSED),
)
_PER_OCTAVE = 128  # bins of the gap histogram: half a per cent wide
_BATCH = 512
_BINS = 48 * _PER_OCTAVE


class _Newest:
    """The newest records, whatever their cycle: as many as one look at what moved may want. They go round in one piece
    of memory: many small ones that are let go of after some hundred cycles leave holes."""

    __slots__ = ("_came", "_dtype", "_ring")

    def __init__(self, dtype: np.dtype[np.void]) -> None:
        self._dtype = dtype
        self._ring = bytearray(_NEWEST * dtype.itemsize)
        self._came = 0  # bytes

    def add(self, records: Records) -> None:
        size = len(self._ring)
        data = records.tobytes()
        self._came += len(data)
        data = data[-size:]
        begin = (self._came - len(data)) % size
        room = size - begin
        self._ring[begin : begin + len(data)] = data[:room]
        self._ring[: len(data[room:])] = data[room:]

    def last(self, wanted: int) -> Records:
        """The last `wanted` records; fewer where no more are kept."""
        size = len(self._ring)
        length = min(wanted * self._dtype.itemsize, self._came, size)
        begin = (self._came - length) % size
        data = self._ring[begin : begin + length] + self._ring[: max(0, begin + length - size)]
        return np.frombuffer(data, self._dtype)


class Newest(NamedTuple):
    """The newest record of a request, its columns in the order of the layout."""

    good: bool
    sent_ns: int
    received_ns: int
    row: tuple[float, ...]


class _Gaps:
    """Running histogram of the gaps of one device in nanoseconds: from the sending of a good read to the reply of the
    next one, for reads that followed each other undisturbed."""

    def __init__(self, reads: int) -> None:
        self._bins = np.zeros(_BINS, np.int64)
        self._largest = 0
        self._waiting: list[Records] = []
        self._waiting_records = 0
        self._last: list[tuple[int, int] | None] = [None] * reads  # connection and sent of the newest read, if good

    def add(self, records: Records) -> None:
        """The gaps that end with these records: counted once they are a batch, or somebody asks."""
        self._waiting.append(records)
        self._waiting_records += len(records)
        if self._waiting_records >= _BATCH:
            self._work_off()

    def _work_off(self) -> None:
        if not self._waiting:
            return
        records = np.concatenate(self._waiting)
        self._waiting, self._waiting_records = [], 0
        for read in range(len(self._last)):
            mine = records[records["request"] == read]
            if len(mine):
                self._add_read(read, mine)

    def _add_read(self, read: int, mine: Records) -> None:
        good = mine["kind"] == SampleKind.GOOD
        sent, received, connection = mine["sent_ns"], mine["received_ns"], mine["connection"].astype(np.int64)
        last = self._last[read]
        if last is not None:
            good = np.concatenate(([True], good))
            connection = np.concatenate(([last[0]], connection))
            sent = np.concatenate(([last[1]], sent))
            received = np.concatenate(([0], received))
        undisturbed = good[1:] & good[:-1] & (connection[1:] == connection[:-1])
        self._count((received[1:] - sent[:-1])[undisturbed])
        self._last[read] = (int(connection[-1]), int(sent[-1])) if good[-1] else None

    def _count(self, gaps: npt.NDArray[np.int64]) -> None:
        if not len(gaps):
            return
        self._largest = max(self._largest, int(gaps.max()))
        bins = np.ceil(np.log2(np.maximum(gaps, 1)) * _PER_OCTAVE).astype(np.int64)
        self._bins += np.bincount(np.minimum(bins, _BINS - 1), minlength=_BINS)

    def figures(self) -> dict[str, int] | None:
        """None before there are two good reads in a row. Percentiles are rounded up to half a per cent, the largest is
        exact."""
        self._work_off()
        count = int(self._bins.sum())
        if count == 0:
            return None
        within = np.cumsum(self._bins)

        def percentile(share: float) -> int:
            place = int(np.searchsorted(within, share * count))
            return min(self._largest, round(2 ** (place / _PER_OCTAVE)))

        told = {name: percentile(share) for name, share in (("p50", 0.5), ("p99", 0.99), ("p99.9", 0.999))}
        return {**told, "max": self._largest, "count": count}


class SampleStore:
    """The samples of one device, from the bytes that the observer offers and from its file.

    Memory does not grow with their number: of the cycle that is going on a condensed form is kept, of each request
    the newest record, and some thousand records to tell what moved. All else is read from the file when asked for.
    What is taken is looked at when somebody asks, or once it is a batch: numpy's cost is one of calls, not of records.
    """

    def __init__(self, layout: SampleLayout, path: Path, reads: int) -> None:
        self.layout = layout
        self.reads = reads
        self._last_good_ns: int | None = None
        self._last_connection: int | None = None
        self._kinds = [0] * len(SampleKind)
        self._path = path
        self._dtype = layout.dtype()
        self._size = layout.size
        self._start = self._offset = len(layout.header())  # where in the file the first and the next record lie
        self._saved = self._start  # the file holds whole records up to here; from `_offset` on nobody looked at them
        self._pending: list[bytes] = []
        self._pending_records = 0
        self._stretches = array("q")  # cycle and where in the file it begins, by turns; each ends where the next begins
        self._condensed: tuple[int, Condenser] | None = None  # of the newest cycle
        self._newest = _Newest(self._dtype)
        self._newest_of: dict[int, Newest] = {}
        self._gaps = _Gaps(reads)
        self._watched: dict[tuple[int, str], dict[float, int]] = {}  # request and column: values, when last received

    @property
    def total(self) -> int:
        """Records through all cycles."""
        return (max(self._saved, self._offset) - self._start) // self._size

    @property
    def last_good_ns(self) -> int | None:
        """When the newest good read was received."""
        self._work_off()
        return self._last_good_ns

    @property
    def last_connection(self) -> int | None:
        """Number of the connection of the newest good read."""
        self._work_off()
        return self._last_connection

    @property
    def kinds(self) -> list[int]:
        """How many records there were of each kind."""
        self._work_off()
        return self._kinds

    def take(self, offset: int, data: bytes) -> None:
        """Bytes that lie at `offset` of the file. What is missing before them is read from there."""
        if offset > self._offset:
            self._add_from_file(offset - self._offset)
        known = self._offset - offset
        if known < len(data):
            self._add(data[known:])

    def saved(self, end: int) -> None:
        """The file holds whole records up to `end`. They are read when somebody asks, or once they are many."""
        self._saved = max(self._saved, end)
        if self._saved - self._offset > PIECE * self._size:
            self._work_off()

    def catch_up(self) -> None:
        """Whatever the file holds that was not told; a torn last record is left."""
        missing = self._path.stat().st_size - self._offset if self._path.exists() else 0
        self.saved(self._offset + missing - missing % self._size)

    def count_of(self, cycle: int) -> int:
        """How many records a cycle has so far."""
        self._work_off()
        return sum(end - begin for begin, end in self._stretches_of(cycle)) // self._size

    def of_cycle(self, cycle: int) -> Records:
        """All records of a cycle so far, read-only, from the file."""
        parts = list(self.pieces_of(cycle))
        return parts[0] if len(parts) == 1 else np.concatenate((np.empty(0, self._dtype), *parts))

    def pieces_of(self, cycle: int) -> Iterator[Records]:
        """The same, some thousand at a time: only one piece is in memory."""
        self._work_off()
        most = PIECE * self._size
        for begin, end in self._stretches_of(cycle):
            for start in range(begin, end, most):
                yield np.frombuffer(self._from_file(start, min(most, end - start)), self._dtype)

    def _stretches_of(self, cycle: int) -> list[tuple[int, int]]:
        """From where to where in the file records of a cycle lie."""
        cycles, begins = np.array(self._stretches).reshape(-1, 2).T
        mine = cycles == cycle
        return list(zip(begins[mine].tolist(), np.append(begins[1:], self._offset)[mine].tolist(), strict=True))

    def condensed(self, cycle: int) -> DeviceSamples:
        """The same told in fewer rows (see `condensing`), which hardly grow in number while nothing happens."""
        self._work_off()
        if self._condensed is not None and self._condensed[0] == cycle:
            return self._condensed[1].samples()
        return condensed(self.layout, self.pieces_of(cycle), _LIVE)

    def keep(self, instant_ns: int) -> None:
        """An instant that will be counted from: what is read about it stays in the condensed form as it was read."""
        self._work_off()
        if self._condensed is not None:
            self._condensed[1].keep(instant_ns)

    def since(self, total: int) -> Records:
        """Records after the first `total` ones, as far as they are kept in memory."""
        self._work_off()
        return self._newest.last(self.total - total)

    def newest_of(self, request: int) -> Newest | None:
        """The newest record that says whether a request was answered, and with what."""
        self._work_off()
        return self._newest_of.get(request)

    def watch(self, request: int, column: str) -> None:
        """From now on every value of this column is kept until it is asked for (`every_value`)."""
        self._work_off()
        self._watched.setdefault((request, column), {})

    def every_value(self, request: int, column: str) -> dict[float, int]:
        """Each value of a watched column that came since this was asked last, and when it was received last."""
        self._work_off()
        came = self._watched[request, column]
        self._watched[request, column] = {}
        return came

    def _note_watched(self, records: Records) -> None:
        good = records["kind"] == SampleKind.GOOD
        for (request, column), came in self._watched.items():
            mine = records[good & (records["request"] == request)]
            mine = mine[~np.isnan(mine[column].astype(np.float64))][::-1]
            values, places = np.unique(mine[column], return_index=True)
            came.update(zip(values.tolist(), mine["received_ns"][places].tolist(), strict=True))

    def gaps(self) -> dict[str, int] | None:
        """Gaps between good reads so far."""
        self._work_off()
        return self._gaps.figures()

    def _from_file(self, offset: int, length: int) -> bytes:
        with self._path.open("rb") as file:
            file.seek(offset)
            return file.read(length)

    def _add_from_file(self, length: int) -> None:
        """So many bytes from where the known ones end, a piece at a time."""
        end, piece = self._offset + length, PIECE * self._size
        while (left := end - self._offset) > 0:
            data = self._from_file(self._offset, min(piece, left))
            if len(data) < self._size:
                break
            self._add(data)

    def _add(self, data: bytes) -> None:
        records = len(data) // self._size
        self._offset += records * self._size
        self._pending.append(data[: records * self._size])
        self._pending_records += records
        if self._pending_records >= _BATCH:
            self._digest()

    def _work_off(self) -> None:
        if self._saved > self._offset:
            self._add_from_file(self._saved - self._offset)
        self._digest()

    def _digest(self) -> None:
        if not self._pending:
            return
        records: Records = np.frombuffer(b"".join(self._pending), self._dtype)
        offset = self._offset - self._pending_records * self._size
        self._pending, self._pending_records = [], 0
        cycles = records["cycle"]
        cuts = [0, *(np.flatnonzero(cycles[1:] != cycles[:-1]) + 1).tolist(), len(records)]
        for start, end in itertools.pairwise(cuts):
            if end > start:
                self._add_of_cycle(int(cycles[start]), records[start:end], offset + start * self._size)
        kinds = records["kind"]
        for kind, count in enumerate(np.bincount(kinds, minlength=len(self._kinds)).tolist()):
            self._kinds[kind] += count
        good = np.flatnonzero((kinds == SampleKind.GOOD) & (records["request"] < self.reads))
        if len(good):
            self._last_good_ns = int(records["received_ns"][good[-1]])
            self._last_connection = int(records["connection"][good[-1]])
        self._note_newest(records)
        if self._watched:
            self._note_watched(records)
        self._newest.add(records)
        self._gaps.add(records)

    def _note_newest(self, records: Records) -> None:
        telling = np.flatnonzero(_TELLING[records["kind"]])
        requests = records["request"][telling].tolist()
        for request, place in dict(zip(requests, telling.tolist(), strict=True)).items():  # the last one of each
            record: Any = records[place]
            good = bool(record["kind"] == SampleKind.GOOD)
            self._newest_of[request] = Newest(good, int(record["sent_ns"]), int(record["received_ns"]), record.item())

    def _add_of_cycle(self, cycle: int, records: Records, offset: int) -> None:
        begins = not self._stretches or self._stretches[-2] != cycle
        if begins and not np.any(np.array(self._stretches[::2]) == cycle):
            self._condensed = cycle, Condenser(self.layout, _LIVE)
        if self._condensed is not None and self._condensed[0] == cycle:
            self._condensed[1].add(records)
        else:  # set again, as 0 between all cycles: to read it all once more is left to whoever asks for it
            self._condensed = None
        if begins:
            self._stretches.extend((cycle, offset))
