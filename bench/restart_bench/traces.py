"""All that is known of one point: every read of it, blind ones included, and which of them count (rule 3).

A read is an interval: the value held at some instant between `early` (sent, less what the image may lag behind the
terminal) and `late` (received). Everything here is vectorised over the samples; loops run over requests,
connections and changes only, so that the cost stays linear and small.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from restart_bench.records import STANDS_FOR, Bounds, Change, CycleRecords, DeviceSamples, SampleKind
from restart_bench.rig import Device, Point, Rig, Wanted

Instants = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.uint32]

BLIND_NS = 1_000_000_000
"""A condition that was not read for longer than this is not known to have held (default of `blind:`)."""
_FIRST_ROWS = 64  # enough good replies to see which points a request reads


@dataclass(frozen=True, eq=False)
class Reads:
    """Good reads that count, in order: the point had `value` at some instant in [early, late].

    Where samples were condensed, one of these may stand for many that read the same, `late` being that of the first
    and `early` that of the last of them: bounds of changes and gaps between neighbours are worked out as ever.
    """

    early: Instants
    late: Instants
    value: Values
    stands_for: Counts | None = None

    def __len__(self) -> int:
        return len(self.value)

    def inside(self, start_ns: int, end_ns: int) -> Reads:
        """The reads whose instant surely lies in [start, end]."""
        low = int(np.searchsorted(self.early, start_ns, side="left"))
        high = int(np.searchsorted(self.late, end_ns, side="right"))
        return self.part(low, max(low, high))

    def part(self, low: int, high: int) -> Reads:
        """The reads number `low` to `high` - 1."""
        stands_for = None if self.stands_for is None else self.stands_for[low:high]
        return Reads(self.early[low:high], self.late[low:high], self.value[low:high], stands_for)

    def number(self, chosen: Flags | None = None) -> int:
        """How many reads the bench made; with `chosen`, how many of these."""
        return _number(np.ones(len(self), bool) if chosen is None else chosen, self.stands_for)

    def until(self, end_ns: int) -> Reads:
        """The reads that ended by an instant."""
        return self.part(0, int(np.searchsorted(self.late, end_ns, side="right")))

    def last_until(self, instant_ns: int) -> int | None:
        """Number of the last read that ended by `instant_ns`; None where there is none."""
        place = int(np.searchsorted(self.late, instant_ns, side="right")) - 1
        return place if place >= 0 else None

    def value_until(self, instant_ns: int) -> float | None:
        """Last good value before an instant; None where there is none."""
        place = self.last_until(instant_ns)
        return None if place is None else float(self.value[place])


@dataclass(frozen=True, eq=False)
class Trace:
    """One point: a row for every request that reads it (condensed: for many of them), in order of `received_ns`.

    Arrays of one length: `sent_ns`, `received_ns` (int64, the bench's clock), `value` (float64: Boolean 0 or 1,
    registers scaled, NaN = blind), `counts` (rule 3). `image_lag_ns` and `input_delay_ns` come from the device.
    """

    point: str
    sent_ns: Instants
    received_ns: Instants
    value: Values
    counts: Flags
    image_lag_ns: int = 0
    input_delay_ns: int = 0
    stands_for: Counts | None = None

    @property
    def lag_ns(self) -> int:
        """How much older than the request the terminal's state may be that a read shows."""
        return self.image_lag_ns + self.input_delay_ns

    def number(self, chosen: Flags) -> int:
        """How many samples the chosen rows stand for."""
        return _number(chosen, self.stands_for)

    @cached_property
    def reads(self) -> Reads:
        """The good reads that count."""
        return self._reads(self.counts & ~np.isnan(self.value))

    @cached_property
    def seen(self) -> Reads:
        """All good reads, those that prove nothing included."""
        return self._reads(~np.isnan(self.value))

    def _reads(self, chosen: Flags) -> Reads:
        early, late, value, stands_for = self.sent_ns, self.received_ns, self.value, self.stands_for
        if not bool(chosen.all()):
            early, late, value = early[chosen], late[chosen], value[chosen]
            stands_for = None if stands_for is None else stands_for[chosen]
        if self.lag_ns:
            early = early - self.lag_ns
        # Reads that overtook each other (two connections for a moment) only widen the bounds of their neighbours.
        if bool((early[1:] < early[:-1]).any()):
            early = np.minimum.accumulate(early[::-1])[::-1]
        if bool((late[1:] < late[:-1]).any()):
            late = np.maximum.accumulate(late)
        return Reads(early, late, value, stands_for)


def _number(chosen: Flags, stands_for: Counts | None) -> int:
    return int(chosen.sum() if stands_for is None else stands_for[chosen].sum())


def conforming(wanted: Wanted, value: Values, before: float | None = None) -> Flags:
    """`Wanted.met_by` for each value: the same tests, vectorised.

    Raises ValueError where the test needs a value before the cut and there is none.
    """
    if wanted.as_before or wanted.change is not None:
        if before is None:
            raise ValueError("no value before the cut is known")
        if wanted.change is not None:
            change = value - before
            return (change >= wanted.change[0]) & (change <= wanted.change[1])
        return np.abs(value - before) <= wanted.tolerance
    if wanted.one_of is not None:
        return np.isin(value, [float(one) for one in wanted.one_of])
    if wanted.equals is not None:
        return np.abs(value - float(wanted.equals)) <= wanted.tolerance
    met = np.ones(len(value), dtype=bool)
    if wanted.above is not None:
        met &= value > wanted.above
    if wanted.below is not None:
        met &= value < wanted.below
    return met


def build_traces(
    rig: Rig,
    records: CycleRecords | None,
    samples: Mapping[str, DeviceSamples],
    points: Collection[str] | None = None,
) -> dict[str, Trace]:
    """Traces of all points of the rig that were sampled (or of `points` only), by name.

    `records` is not needed to know which reads count: that goes by the connection alone.
    """
    builder = TraceBuilder(rig, samples)
    return {name: builder.trace(name) for name in rig.points if points is None or name in points}


class TraceBuilder:
    """Makes traces on demand and keeps what traces of one device share."""

    def __init__(self, rig: Rig, samples: Mapping[str, DeviceSamples]) -> None:
        self._rig = rig
        self._devices = {
            name: DeviceRows(rig.devices[name], one) for name, one in samples.items() if name in rig.devices
        }
        self._traces: dict[str, Trace] = {}
        self._counted: dict[tuple[str, int], Flags] = {}
        self._from_ns: dict[str, dict[int, int] | None] = {}

    def trace(self, name: str) -> Trace:
        """The trace of a point of the rig; empty where it was never read."""
        if name not in self._traces:
            self._traces[name] = self._build(self._rig.points[name])
        return self._traces[name]

    def rows(self, device: str) -> DeviceRows | None:
        """The samples of a device; None where there are none."""
        return self._devices.get(device)

    def _build(self, point: Point) -> Trace:
        device = self._rig.devices[point.device]
        rows = self._devices.get(point.device)
        request = None if rows is None else rows.request_of(point.name)
        if rows is None or request is None:
            nothing = np.empty(0, dtype=np.int64)
            return Trace(point.name, nothing, nothing, np.empty(0), np.empty(0, dtype=bool))
        value = rows.values(request, point.name)
        if point.levels is not None:
            value = _as_levels(value, point.levels.off_below, point.levels.on_above)
        part = rows.part(request)
        counts = self._counts(rows, request)
        lags = device.image_lag_ns, device.input_delay_ns
        return Trace(point.name, part.sent, part.received, value, counts, *lags, rows.stands_for(request))

    def _counts(self, rows: DeviceRows, request: int) -> Flags:
        """Rule 3: independent reads count throughout, a controller's from the second change of `alive` on."""
        key = (rows.device.name, request)
        if key not in self._counted:
            part = rows.part(request)
            from_ns = self._counting_from(rows) if rows.device.powered_by_supply else None
            if from_ns is None:
                self._counted[key] = np.ones(len(part.sent), dtype=bool)
            else:
                self._counted[key] = _counting(part, from_ns)
        return self._counted[key]

    def _counting_from(self, rows: DeviceRows) -> dict[int, int] | None:
        """For each connection the instant from which its reads count; None where all good reads do."""
        alive = self._rig.ready.alive
        if alive is None or alive not in self._rig.points:
            return None
        name = rows.device.name
        if name not in self._from_ns:
            other = self._devices.get(self._rig.points[alive].device)
            request = None if other is None else other.request_of(alive)
            if other is None or request is None:
                self._from_ns[name] = {}
            else:
                part, value = other.part(request), other.values(request, alive)
                known = ~np.isnan(value)
                signs = _Signs(part.sent[known], value[known], part.connection[known])
                self._from_ns[name] = signs.on_own_link() if other is rows else signs.on_another_link(rows)
        return self._from_ns[name]


@dataclass(frozen=True, eq=False)
class _Part:
    """The rows of one request."""

    rows: npt.NDArray[np.intp]
    sent: Instants
    received: Instants
    good: Flags
    good_rows: npt.NDArray[np.intp]
    connection: npt.NDArray[np.uint32]


class DeviceRows:
    """The samples of one device, taken apart by request."""

    def __init__(self, device: Device, samples: DeviceSamples) -> None:
        self.device = device
        self.records = samples.records
        self._points = dict(samples.layout.points)
        self._requests = len(samples.layout.requests)
        self._parts: dict[int, _Part] = {}
        self._request_of: dict[str, int | None] = {}
        self._columns: dict[str, npt.NDArray[np.generic]] = {}

    def column(self, name: str) -> npt.NDArray[np.generic]:
        """One column, contiguous: what is looked at again and again is taken out of the records once."""
        if name not in self._columns:
            self._columns[name] = np.ascontiguousarray(self.records[name])
        return self._columns[name]

    def part(self, request: int) -> _Part:
        """Rows of one request, in order."""
        if request not in self._parts:
            rows = np.flatnonzero(self.column("request") == request)
            good = self.column("kind")[rows] == SampleKind.GOOD
            self._parts[request] = _Part(
                rows,
                self.column("sent_ns")[rows].astype(np.int64, copy=False),
                self.column("received_ns")[rows].astype(np.int64, copy=False),
                good,
                rows[good],
                self.column("connection")[rows].astype(np.uint32, copy=False),
            )
        return self._parts[request]

    def stands_for(self, request: int) -> Counts | None:
        """How many samples each row of a request stands for; None where each is one."""
        if STANDS_FOR not in (self.records.dtype.names or ()):
            return None
        return self.column(STANDS_FOR)[self.part(request).rows].astype(np.uint32, copy=False)

    def request_of(self, point: str) -> int | None:
        """The request that reads a point: the first one whose good replies hold a value for it."""
        if point not in self._points:
            return None
        if point not in self._request_of:
            self._request_of[point] = self._find_request(point)
        return self._request_of[point]

    def _find_request(self, point: str) -> int | None:
        column = self.records[f"p:{point}"]
        for longest in (_FIRST_ROWS, len(self.records)):
            for request in range(self._requests):
                mine = column[self.part(request).good_rows[:longest]]
                known = mine >= 0 if self._points[point] == "b" else ~np.isnan(mine)
                if bool(known.any()):
                    return request
        return None

    def values(self, request: int, point: str) -> Values:
        """Value of a point in every row of its request; NaN where it is blind."""
        part = self.part(request)
        column = self.records[f"p:{point}"][part.rows]
        value = column.astype(np.float64)
        if self._points[point] == "b":
            value[column < 0] = np.nan
        if len(part.good_rows) < len(part.rows):
            value[~part.good] = np.nan
        return value


@dataclass(frozen=True, eq=False)
class _Signs:
    """Good reads of the sign of life."""

    sent: Instants
    value: Values
    connection: npt.NDArray[np.uint32]

    def on_own_link(self) -> dict[int, int]:
        """Send time of the read that shows the second change, for each connection that has one."""
        found: dict[int, int] = {}
        state: dict[int, tuple[float, int]] = {}
        for low, high in _stretches(self.connection):
            link = int(self.connection[low])
            last, changes = state.get(link, (float(self.value[low]), 0))
            if link not in found:
                moves = low + np.flatnonzero(self.value[low:high] != np.append(last, self.value[low : high - 1]))
                if len(moves) >= 2 - changes:
                    found[link] = int(self.sent[moves[1 - changes]])
                state[link] = (float(self.value[high - 1]), changes + len(moves))
        return found

    def on_another_link(self, rows: DeviceRows) -> dict[int, int]:
        """The same where the sign of life is read from another device: counted from the first good reply on."""
        good = rows.records["kind"] == SampleKind.GOOD
        sent, connection = rows.records["sent_ns"][good], rows.records["connection"][good]
        moves = self.sent[1:][self.value[1:] != self.value[:-1]]
        before = self.sent[:-1][self.value[1:] != self.value[:-1]]
        found: dict[int, int] = {}
        for low, _ in _stretches(connection):
            later = np.flatnonzero(before >= sent[low])
            if len(later) >= 2:
                found.setdefault(int(connection[low]), int(moves[later[1]]))
        return found


def _stretches(column: npt.NDArray[np.uint32]) -> list[tuple[int, int]]:
    """Spans of equal neighbours."""
    if len(column) == 0:
        return []
    edges = np.flatnonzero(column[1:] != column[:-1]) + 1
    bounds = [0, *edges.tolist(), len(column)]
    return list(pairwise(bounds))


def _counting(part: _Part, from_ns: Mapping[int, int]) -> Flags:
    counts = np.zeros(len(part.sent), dtype=bool)
    for low, high in _stretches(part.connection):
        start = from_ns.get(int(part.connection[low]))
        if start is not None:
            counts[low:high] = part.sent[low:high] >= start
    return counts


def _as_levels(value: Values, off_below: float, on_above: float) -> Values:
    """A register as a Boolean: what lies between the levels is undefined, so blind."""
    levels = np.full(len(value), np.nan)
    levels[value <= off_below] = 0.0
    levels[value >= on_above] = 1.0
    return levels


def changes_of(trace: Trace) -> list[Change]:
    """Every value change with its bounds, in order.

    Counting reads are compared with the counting read before them, reads that do not count with whatever good
    read came before; so a stale image never moves the bounds of a change that counts.
    """
    found = [_change(trace.point, trace.reads, place, True) for place in _moves(trace.reads.value)]
    if not bool(trace.counts.all()):
        known = ~np.isnan(trace.value)
        counted = trace.counts[known]
        found += [
            _change(trace.point, trace.seen, place, False) for place in _moves(trace.seen.value) if not counted[place]
        ]
        found.sort(key=lambda change: (change.bounds.not_after_ns, change.bounds.not_before_ns))
    return found


def _moves(value: Values) -> list[int]:
    """Numbers of the reads that differ from the one before."""
    places: list[int] = (np.flatnonzero(value[1:] != value[:-1]) + 1).tolist()
    return places


def _change(point: str, reads: Reads, place: int, counts: bool) -> Change:
    bounds = Bounds(int(reads.early[place - 1]), int(reads.late[place]))
    return Change(point, float(reads.value[place - 1]), float(reads.value[place]), bounds, counts)


def gaps_of(reads: Reads, start_ns: int, end_ns: int) -> tuple[Instants, Instants]:
    """Spans of [start, end] between neighbouring good reads, as arrays of begin and end: from the earliest instant
    of the earlier read to the latest of the later one, cut to the span. Includes the spans to both its ends."""
    low = int(np.searchsorted(reads.late, start_ns, side="right"))
    high = int(np.searchsorted(reads.early, end_ns, side="left"))
    begin = reads.early[low:high]
    end = reads.late[low:high]
    first = int(reads.early[low - 1]) if low > 0 else start_ns
    last = int(reads.late[high]) if high < len(reads) else end_ns
    begins = np.concatenate(([first], begin)).clip(start_ns, end_ns)
    ends = np.concatenate((end, [last])).clip(start_ns, end_ns)
    return begins, ends


def long_gaps(reads: Reads, start_ns: int, end_ns: int, at_least_ns: int) -> list[tuple[int, int]]:
    """The gaps of `at_least_ns` or more in a span."""
    if end_ns <= start_ns:
        return []
    begins, ends = gaps_of(reads, start_ns, end_ns)
    chosen = np.flatnonzero(ends - begins >= max(1, at_least_ns))
    return [(int(begins[place]), int(ends[place])) for place in chosen]


def longest_gap_ns(reads: Reads, start_ns: int, end_ns: int) -> int:
    """Length of the longest gap in a span."""
    if end_ns <= start_ns:
        return 0
    begins, ends = gaps_of(reads, start_ns, end_ns)
    return int((ends - begins).max())
