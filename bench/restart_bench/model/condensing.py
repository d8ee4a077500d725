"""Long stretches in which nothing happens, told in a few rows, so that neither memory nor questions grow with a cycle.

A row of samples says: at some instant between `sent` and `received` it was so. Neighbouring rows of one request that
tell the same may be told by one row that stands for all of them: its `received` is that of the first (from then on it
was known), its `sent` that of the last (until then it was known), so it looks turned round. Whatever is worked out
from neighbouring rows, the bounds of changes and the gaps between reads, comes out the same. What may not be lost
stays as it was read: rows near a change, near silence, near an instant that somebody counts from, near the ends, every
gap that anybody may ask for, and the longest gap of the stretch.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import STANDS_FOR
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind, SampleLayout

Records = npt.NDArray[np.void]
Instants = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]

MARGIN_NS = 5 * NS_PER_S
"""What lies nearer than this to a change or to an instant that matters stays as it was read."""
_LASTING = (SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.SILENT, SampleKind.REFUSED)
"""What may come again and again without anything having happened."""
_FEW = 8  # rows of a stretch that are not worth telling shorter
BLOCK = 4096
"""Rows that are taken in before they are looked at together; more where they come fast."""
_MOST_BLOCKS = 64


def nothing_kept() -> Instants:
    """No instants."""
    return np.empty(0, np.int64)


@dataclass(frozen=True, eq=False)
class Keep:
    """What has to stay as it was read: rows within `margin_ns` of an instant (in rising order) or of a change, and
    both ends of every gap of `gap_ns` or more."""

    gap_ns: int
    instants: Instants = field(default_factory=nothing_kept)
    margin_ns: int = MARGIN_NS


def with_counts(records: Records) -> Records:
    """The same rows with a column that says how many reads each stands for: one."""
    wider: Records = np.empty(len(records), np.dtype([*_columns(records.dtype), (STANDS_FOR, "<u4")]))
    _bytes_of(wider)[:, : records.dtype.itemsize] = _bytes_of(records)
    wider[STANDS_FOR] = 1
    return wider


def changed(rows: Records, columns: Collection[str]) -> Flags:
    """Which rows tell something else in these columns than the row before; the first one always does."""
    told = np.ones(len(rows), bool)
    lines = _bytes_of(rows)  # so what is not a number is equal to itself
    told[1:] = False
    for first, after in _ranges(rows.dtype, columns):
        told[1:] |= _unlike_the_line_before(lines[:, first:after])
    return told


def columns_changed(rows: Records, columns: Collection[str]) -> list[str]:
    """Those of the columns in which not all rows tell the same."""
    if len(rows) < 2:
        return []
    lines = _bytes_of(rows)
    touched = {int(place) for place in np.flatnonzero((lines[1:] != lines[0]).any(axis=0))}
    return [name for name in columns if not touched.isdisjoint(_range_of(rows.dtype, name))]


def _range_of(dtype: np.dtype[np.void], name: str) -> range:
    first = 0 if dtype.fields is None else dtype.fields[name][1]
    return range(first, first + dtype[name].itemsize)


def _bytes_of(rows: Records) -> npt.NDArray[np.uint8]:
    """The rows as they lie in memory, one line of bytes each."""
    rows = np.ascontiguousarray(rows)
    return np.ndarray((len(rows), rows.dtype.itemsize), np.uint8, buffer=rows)  # a view of fields costs far more


def _columns(dtype: np.dtype[np.void]) -> list[tuple[str, str]]:
    return [(name, dtype[name].str) for name in dtype.names or ()]


def condense(rows: Records, keep: Keep) -> Records:
    """The same told in fewer rows (of the kind that `with_counts` makes). Doing it again changes nothing more."""
    if len(rows) < _FEW:
        return rows
    mine = [np.flatnonzero(rows["request"] == request) for request in np.unique(rows["request"])]
    calm = _calm(rows, _odd(rows, mine, keep.gap_ns), keep)
    told, needed = rows.copy(), np.ones(len(rows), bool)
    for places in mine:
        for stretch in _stretches(places, calm):
            _tell_shorter(told, needed, stretch)
    shorter: Records = told[needed]
    return shorter


def changes_in(rows: Records, gap_ns: int, columns: Collection[str]) -> Instants:
    """When something happened to what these columns of points tell: the times of all rows beside a change of theirs, a
    silence or a gap."""
    if not set(columns) & set(rows.dtype.names or ()):
        return nothing_kept()
    mine = [np.flatnonzero(rows["request"] == request) for request in np.unique(rows["request"])]
    odd = _odd(rows, mine, gap_ns, columns)
    return np.unique(np.concatenate((rows["sent_ns"][odd], rows["received_ns"][odd])))


def _odd(rows: Records, requests: list[Places], gap_ns: int, columns: Collection[str] | None = None) -> Flags:
    """Rows that differ from a neighbour of the same request (of points: in these columns), or have a gap beside
    them."""
    odd = np.zeros(len(rows), bool)
    for places in requests:
        here = rows[places]
        lasting = np.isin(here["kind"], _LASTING)
        good = here["kind"] == SampleKind.GOOD
        gaps = (here["received_ns"][1:] - here["sent_ns"][:-1] >= gap_ns) & good[1:] & good[:-1]
        broken = gaps | _differ(here, columns) | ~lasting[1:] | ~lasting[:-1]
        odd[places[1:][broken]] = odd[places[:-1][broken]] = True
        odd[places[~lasting]] = True
    return odd


def _differ(rows: Records, columns: Collection[str] | None) -> Flags:
    """Where a row tells something else than the one before it; an attempt to connect is always a new connection."""
    names = [name for name in rows.dtype.names or () if name not in ("sent_ns", "received_ns", STANDS_FOR)]
    if columns is not None:
        names = [name for name in names if name in columns or not name.startswith("p:")]
    if len(rows) and int(rows["request"][0]) == CONNECT:
        names.remove("connection")
    return changed(rows, names)[1:]


def _unlike_the_line_before(lines: npt.NDArray[np.uint8]) -> Flags:
    words: npt.NDArray[np.generic] = np.ascontiguousarray(lines)
    if lines.shape[1] % 8 == 0:
        words = words.view(np.uint64)
    differ: Flags = (words[1:] != words[:-1]).any(axis=1)
    return differ


def _ranges(dtype: np.dtype[np.void], names: Collection[str]) -> list[tuple[int, int]]:
    """Where in a row these columns lie, neighbours told as one."""
    found: list[tuple[int, int]] = []
    for name in dtype.names or ():
        if name in names:
            mine = _range_of(dtype, name)
            begun = found.pop()[0] if found and found[-1][1] == mine.start else mine.start
            found.append((begun, mine.stop))
    return found


def _calm(rows: Records, odd: Flags, keep: Keep) -> Flags:
    """Rows far from everything that has to stay as it was read; both ends of the rows count as such."""
    first = np.minimum(rows["sent_ns"], rows["received_ns"])
    last = np.maximum(rows["sent_ns"], rows["received_ns"])
    instants = np.concatenate((keep.instants, first[odd], last[odd], [first.min(), last.max()]))
    instants.sort()
    next_one = np.searchsorted(instants, first - keep.margin_ns)
    later = instants[np.minimum(next_one, len(instants) - 1)]
    calm: Flags = (next_one == len(instants)) | (later > last + keep.margin_ns)
    return calm


def _stretches(places: Places, calm: Flags) -> list[Places]:
    """Neighbouring calm rows of one request."""
    edges = np.flatnonzero(np.diff(calm[places].astype(np.int8), prepend=0, append=0))
    return [places[low:high] for low, high in zip(edges[::2], edges[1::2], strict=True) if high - low >= _FEW]


def _tell_shorter(told: Records, needed: Flags, stretch: Places) -> None:
    """Both rows beside the longest gap stay, one row stands for those before them, one for those after."""
    gaps = told["received_ns"][stretch[1:]] - told["sent_ns"][stretch[:-1]]
    longest = int(np.argmax(gaps))
    for part in (stretch[:longest], stretch[longest + 2 :]):
        if len(part) > 1:
            told["sent_ns"][part[0]] = told["sent_ns"][part[-1]]
            told[STANDS_FOR][part[0]] = told[STANDS_FOR][part].sum()
            needed[part[1:]] = False


class Condenser:
    """Takes the samples of one device as they come and holds them condensed; the newest ones are as they were read."""

    def __init__(self, layout: SampleLayout, keep: Keep, block: int = BLOCK) -> None:
        self.layout = layout
        self._keep = keep
        self._block = block
        self._done: list[Records] = []  # nothing in here becomes shorter any more
        self._tail: Records = with_counts(np.empty(0, layout.dtype()))
        self._fresh: list[Records] = []
        self._waiting = 0

    def add(self, records: Records) -> None:
        """Samples in the order in which they were received."""
        self._fresh.append(records)
        self._waiting += len(records)
        if self._waiting >= self._block and self._past_margin():
            self._work_off()

    def _past_margin(self) -> bool:
        """The newest rows stay as they were read: where they come fast, more of them are worked off together."""
        first, last = self._fresh[0]["received_ns"][0], self._fresh[-1]["received_ns"][-1]
        return bool(last - first >= self._keep.margin_ns) or self._waiting >= _MOST_BLOCKS * self._block

    def keep(self, instant_ns: int) -> None:
        """An instant that matters: what lies about it is to stay as it was read, if it is not too late for that."""
        instants = self._keep.instants
        place = int(np.searchsorted(instants, instant_ns))
        self._keep = Keep(self._keep.gap_ns, np.insert(instants, place, instant_ns), self._keep.margin_ns)

    def samples(self) -> DeviceSamples:
        """All that was taken in so far. The array is read-only and stays as it is."""
        if len(self._fresh) > 1:
            self._fresh = [np.concatenate(self._fresh)]
        rows = np.concatenate((*self._done, self._tail, *(with_counts(one) for one in self._fresh)))
        rows.flags.writeable = False
        return DeviceSamples(self.layout, rows)

    def _work_off(self) -> None:
        rows, fresh = with_counts(np.concatenate(self._fresh)), self._waiting
        self._fresh, self._waiting = [], 0
        self._tail = condense(np.concatenate((self._tail, rows)), self._keep)
        if len(self._tail) > 4 * max(self._block, fresh):
            self._set_aside(2 * max(self._block, fresh))

    def _set_aside(self, but: int) -> None:
        """Where nearly every row has to stay, they are not looked at again and again. Rows near the end of what is
        set aside stay as they are: to the rest of the tail, its own beginning is an end."""
        self._done.append(self._tail[:-but].copy())
        self._tail = self._tail[-but:].copy()


def condensed(layout: SampleLayout, pieces: Iterable[Records], keep: Keep, block: int = BLOCK) -> DeviceSamples:
    """All these samples, condensed as they come: memory holds one piece at a time."""
    condenser = Condenser(layout, keep, block)
    for piece in pieces:
        for start in range(0, len(piece), block):
            condenser.add(piece[start : start + block])
    return condenser.samples()


@dataclass(frozen=True)
class SampleSource:
    """The samples of one device in one cycle, wherever they lie: how many, and in pieces that fit into memory."""

    layout: SampleLayout
    count: int
    pieces: Callable[[], Iterator[Records]]
    block: int = 4 * BLOCK

    def whole(self) -> DeviceSamples:
        """All of them at once."""
        parts = list(self.pieces())
        return DeviceSamples(
            self.layout, parts[0] if len(parts) == 1 else np.concatenate((np.empty(0, self.layout.dtype()), *parts))
        )

    def condensed(self, keep: Keep) -> DeviceSamples:
        """The same in fewer rows."""
        return condensed(self.layout, self.pieces(), keep, self.block)
