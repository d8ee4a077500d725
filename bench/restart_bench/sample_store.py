"""What the parent keeps of one device's samples: the newest cycles in memory, all others in the device's file.

Bytes come as they lie in the file, with their place in it; what was not offered is fetched from the file, so nothing
is lost and nothing is counted twice.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from restart_bench.records import SampleKind, SampleLayout

Records = npt.NDArray[np.void]
_KEPT_STRETCHES = 2  # a stretch is what was sampled under one cycle number until the next one was set
_PER_OCTAVE = 128  # bins of the gap histogram: half a per cent wide
_BATCH = 512
_BINS = 48 * _PER_OCTAVE


class _Growing:
    """Records of one cycle. Views that were handed out stay as they were while it grows."""

    __slots__ = ("_room", "count")

    def __init__(self, dtype: np.dtype[np.void]) -> None:
        self._room: Records = np.empty(256, dtype)
        self.count = 0

    def add(self, records: Records) -> None:
        needed = self.count + len(records)
        if needed > len(self._room):
            larger: Records = np.empty(max(needed, 2 * len(self._room)), self._room.dtype)
            larger[: self.count] = self._room[: self.count]
            self._room = larger
        self._room[self.count : needed] = records
        self.count = needed

    def view(self) -> Records:
        seen = self._room[: self.count]
        seen.flags.writeable = False
        return seen


@dataclass(frozen=True, slots=True)
class GapFigures:
    """Gaps of one device in nanoseconds: from the sending of a good read to the reply of the next one, for reads
    that followed each other undisturbed. Percentiles are rounded up to half a per cent, the largest is exact."""

    count: int
    p50: int
    p99: int
    p999: int
    max: int


class _Gaps:
    """Running histogram of the gaps of one device."""

    def __init__(self, reads: int) -> None:
        self._bins = np.zeros(_BINS, np.int64)
        self._largest = 0
        self._last: list[tuple[int, int] | None] = [None] * reads  # connection and sent of the newest read, if good
        self._pending: list[Records] = []
        self._pending_records = 0

    def add(self, records: Records) -> None:
        """Counted in batches: numpy's cost is one of calls, not of records."""
        self._pending.append(records)
        self._pending_records += len(records)
        if self._pending_records >= _BATCH:
            self._work_off()

    def _work_off(self) -> None:
        if not self._pending:
            return
        records = np.concatenate(self._pending)
        self._pending, self._pending_records = [], 0
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

    def figures(self) -> GapFigures | None:
        """None before there are two good reads in a row."""
        self._work_off()
        count = int(self._bins.sum())
        if count == 0:
            return None
        within = np.cumsum(self._bins)

        def percentile(share: float) -> int:
            place = int(np.searchsorted(within, share * count))
            return min(self._largest, round(2 ** (place / _PER_OCTAVE)))

        return GapFigures(count, percentile(0.5), percentile(0.99), percentile(0.999), self._largest)


class SampleStore:
    """The samples of one device, from the bytes that the observer offers and from its file."""

    def __init__(self, layout: SampleLayout, path: Path, reads: int) -> None:
        self.layout = layout
        self.reads = reads
        self.last_good_ns: int | None = None
        self.kinds = [0] * len(SampleKind)
        self.total = 0  # records through all cycles
        self._path = path
        self._dtype = layout.dtype()
        self._offset = len(layout.header())  # where in the file the next record lies
        self._stretches: deque[tuple[int, _Growing]] = deque(maxlen=_KEPT_STRETCHES)  # cycle and its records
        self._places: dict[int, list[tuple[int, int]]] = {}  # cycle -> (offset in the file, records)
        self._gaps = _Gaps(reads)

    def take(self, offset: int, data: bytes) -> None:
        """Bytes that lie at `offset` of the file. What is missing before them is read from there."""
        if offset > self._offset:
            self._add(self._from_file(self._offset, offset - self._offset))
        known = self._offset - offset
        if known < len(data):
            self._add(data[known:])

    def catch_up(self) -> None:
        """Whatever the file holds that was not offered; a torn last record is left."""
        missing = self._path.stat().st_size - self._offset if self._path.exists() else 0
        whole = missing - missing % self.layout.size
        if whole > 0:
            self._add(self._from_file(self._offset, whole))

    def of_cycle(self, cycle: int) -> Records:
        """All records of a cycle so far, read-only."""
        places = self._places.get(cycle, [])
        kept = [records for number, records in self._stretches if number == cycle]
        if len(kept) == len(places) == 1:
            return kept[0].view()
        parts = [
            np.frombuffer(self._from_file(offset, count * self.layout.size), self._dtype) for offset, count in places
        ]
        return np.concatenate(parts) if parts else np.empty(0, self._dtype)

    def since(self, total: int) -> Records:
        """Records after the first `total` ones, as far as they are kept in memory."""
        wanted = self.total - total
        parts: list[Records] = []
        for _, stretch in reversed(self._stretches):
            if wanted <= 0:
                break
            view = stretch.view()
            parts.insert(0, view[max(0, len(view) - wanted) :])
            wanted -= len(view)
        return np.concatenate(parts) if parts else np.empty(0, self._dtype)

    def newest_of(self, read: int, kinds: tuple[SampleKind, ...]) -> np.void | None:
        """The newest record of a read that is of one of these kinds, looked for in what is kept in memory."""
        for _, stretch in reversed(self._stretches):
            view = stretch.view()
            for end in range(len(view), 0, -512):
                block = view[max(0, end - 512) : end]
                found = np.flatnonzero((block["request"] == read) & np.isin(block["kind"], kinds))
                if len(found):
                    newest: np.void = block[found[-1]]
                    return newest
        return None

    def gaps(self) -> GapFigures | None:
        """Gaps between good reads so far."""
        return self._gaps.figures()

    def _from_file(self, offset: int, length: int) -> bytes:
        with self._path.open("rb") as file:
            file.seek(offset)
            return file.read(length)

    def _add(self, data: bytes) -> None:
        records: Records = np.frombuffer(data, self._dtype, count=len(data) // self.layout.size)
        cycles = records["cycle"]
        cuts = [0, *(np.flatnonzero(cycles[1:] != cycles[:-1]) + 1).tolist(), len(records)]
        for start, end in itertools.pairwise(cuts):
            if end > start:
                self._add_of_cycle(int(cycles[start]), records[start:end])
        kinds = records["kind"]
        for kind, count in enumerate(np.bincount(kinds, minlength=len(self.kinds)).tolist()):
            self.kinds[kind] += count
        good = np.flatnonzero((kinds == SampleKind.GOOD) & (records["request"] < self.reads))
        if len(good):
            self.last_good_ns = int(records["received_ns"][good[-1]])
        self._gaps.add(records)

    def _add_of_cycle(self, cycle: int, records: Records) -> None:
        if not self._stretches or self._stretches[-1][0] != cycle:
            self._stretches.append((cycle, _Growing(self._dtype)))
        self._stretches[-1][1].add(records)
        self._note_place(cycle, len(records))
        self._offset += len(records) * self.layout.size
        self.total += len(records)

    def _note_place(self, cycle: int, count: int) -> None:
        places = self._places.setdefault(cycle, [])
        if places and places[-1][0] + places[-1][1] * self.layout.size == self._offset:
            offset, before = places.pop()
            places.append((offset, before + count))
        else:
            places.append((self._offset, count))
