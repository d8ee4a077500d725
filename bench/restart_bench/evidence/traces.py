"""All that is known of one point: every read of it, blind ones included, and which of them count (rule 3).

A read is an interval: the value held at some instant between `early` (sent, less what the image may lag behind the
terminal) and `late` (received). Everything here is vectorised over the samples; loops run over requests,
connections and changes only, so that the cost stays linear and small.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from restart_bench.model.clock import FAR_NS, Bounds
from restart_bench.model.journal import STANDS_FOR, Change
from restart_bench.model.rig import Device, Point, Rig, Wanted
from restart_bench.model.samples import DeviceSamples, SampleKind, decoded

Instants = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.uint32]

STILL_NS = 100_000_000
"""Shorter than this no stand of the sign of life is clearly longer than its pace: a scan may be late."""
_HOLE = 6
"""So many times the usual time between two reads is a hole in them."""
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

    def before(self, instant_ns: int) -> Reads:
        """The last read that ended by an instant, alone; none where there is none."""
        place = self.last_until(instant_ns)
        return self.part(0, 0) if place is None else self.part(place, place + 1)

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
            (low, high), change, lost = wanted.change, value - before, _lost(wanted, value, before)
            return (change >= low - (lost if low else 0)) & (change <= high + (lost if high else 0))
        near: Flags = (value == before) | _near(wanted, value, before)
        return near
    if wanted.one_of is not None:
        return np.isin(value, [float(one) for one in wanted.one_of])
    if wanted.equals is not None:
        return _near(wanted, value, float(wanted.equals))
    met = np.ones(len(value), dtype=bool)
    if wanted.above is not None:
        met &= value > wanted.above
    if wanted.below is not None:
        met &= value < wanted.below
    return met


def _near(wanted: Wanted, value: Values, other: float) -> Flags:
    with np.errstate(invalid="ignore"):  # an infinity less itself is no number
        near: Flags = np.abs(value - other) <= (
            wanted.tolerance + _lost(wanted, value, other) if wanted.tolerance else 0
        )
    return near


def _lost(wanted: Wanted, value: Values, other: float) -> Values:
    """`Wanted.lost` for each value."""
    lost = wanted.rounding * (np.abs(value) + abs(other))
    return np.where(np.isfinite(lost), lost, 0.0)


@dataclass(frozen=True, slots=True)
class Course:
    """What decides, beside the connection, which reads of a controller count (rule 3).

    `cut_ns`: up to here the pace of `alive` is learnt. `anew_ns`: from each of these instants its changes count anew
    (the return, a restart after it). `kept_ns`: the span of a mode cut in which reads go on counting although the
    program stands, at the latest up to its end.
    """

    cut_ns: int
    anew_ns: tuple[int, ...] = ()
    kept_ns: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Running:
    """A span in which the sign of life moves: reads of this connection count that were sent from `from_ns` on (the
    read that shows the second change, received at `shown_ns`) and before `until_ns`."""

    connection: int
    from_ns: int
    shown_ns: int
    until_ns: int


class TraceBuilder:
    """Makes traces on demand and keeps what traces of one device share."""

    def __init__(self, rig: Rig, samples: Mapping[str, DeviceSamples]) -> None:
        self._rig = rig
        self._devices = {
            name: DeviceRows(rig.devices[name], one) for name, one in samples.items() if name in rig.devices
        }
        self._traces: dict[str, Trace] = {}
        self._counted: dict[tuple[str, int], Flags] = {}
        self._running: dict[str, tuple[Running, ...] | None] = {}
        self._course: Course | None = None

    def follow(self, course: Course) -> None:
        """From now on reads count as this course of the cycle says. Traces that were given out before do not change."""
        if course != self._course:
            self._course = course
            self._traces, self._counted, self._running = {}, {}, {}

    def count_anew(self, from_ns: int) -> None:
        """Changes of `alive` count anew from one more instant on."""
        if self._course is not None:
            self.follow(replace(self._course, anew_ns=(*self._course.anew_ns, from_ns)))

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
        value = rows.values(request, point)
        part = rows.part(request)
        counts = self._counts(rows, request)
        lags = device.image_lag_ns, device.input_delay_ns
        return Trace(point.name, part.sent, part.received, value, counts, *lags, rows.stands_for(request))

    def _counts(self, rows: DeviceRows, request: int) -> Flags:
        """Rule 3: independent reads count throughout, a controller's while `alive` moves."""
        key = (rows.device.name, request)
        if key not in self._counted:
            part = rows.part(request)
            running = self.running(rows.device.name) if rows.device.powered_by_supply else None
            if running is None:
                self._counted[key] = np.ones(len(part.sent), dtype=bool)
            else:
                self._counted[key] = _counting(part, running) | self._kept(part, running)
        return self._counted[key]

    def _kept(self, part: _Part, running: Collection[Running]) -> Flags:
        """In a mode cut reads go on counting, on a connection on which they did, until the sign of life moves again."""
        kept = np.zeros(len(part.sent), dtype=bool)
        if self._course is None or self._course.kept_ns is None:
            return kept
        start, end = self._course.kept_ns
        for before in (one for one in running if one.from_ns < start <= one.until_ns):
            later = [one.from_ns for one in running if one.from_ns >= max((start, *self._course.anew_ns))]
            kept |= (part.connection == before.connection) & (part.sent >= start) & (part.sent < min([end, *later]))
        return kept

    def running(self, device: str) -> tuple[Running, ...] | None:
        """The spans in which a device's sign of life moves; None where there is none, and all good reads count."""
        alive = self._rig.ready.alive
        rows = self._devices.get(device)
        if alive is None or alive not in self._rig.points or rows is None:
            return None
        if device not in self._running:
            self._running[device] = self._find_running(rows, alive)
        return self._running[device]

    def _find_running(self, rows: DeviceRows, alive: str) -> tuple[Running, ...]:
        signs = self._signs(alive)
        if signs is None:
            return ()
        anew = () if self._course is None else self._course.anew_ns
        still = self.still_ns(alive)
        own = self._rig.points[alive].device == rows.device.name
        return tuple(signs.on_own_link(anew, still) if own else signs.on_another_link(rows, anew, still))

    def _signs(self, alive: str) -> _Signs | None:
        """The good reads of the sign of life; None where it was never read."""
        rows = self._devices.get(self._rig.points[alive].device)
        request = None if rows is None else rows.request_of(alive)
        if rows is None or request is None:
            return None
        part, value = rows.part(request), rows.values(request, self._rig.points[alive])
        known = ~np.isnan(value)
        device = self._rig.devices[self._rig.points[alive].device]
        lag_ns = device.image_lag_ns + device.input_delay_ns
        return _Signs(part.sent[known], part.received[known], value[known], part.connection[known], lag_ns)

    def still_ns(self, alive: str) -> int | None:
        """For how long the sign of life has to stand so that it is clearly longer than its own pace before the cut;
        None where that pace is not known."""
        signs = None if self._course is None else self._signs(alive)
        if self._course is None or signs is None:
            return None
        before = int(np.searchsorted(signs.received, self._course.cut_ns, side="right"))
        if before == 0:
            return None
        mine = np.flatnonzero(signs.connection[:before] == signs.connection[before - 1])
        pace = pace_ns(signs.sent[mine], signs.received[mine], signs.value[mine])
        return None if pace is None else max(2 * pace, STILL_NS)


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

    def values(self, request: int, point: Point) -> Values:
        """Value of a point in every row of its request; NaN where it is blind."""
        part = self.part(request)
        value = decoded(point, self.records[f"p:{point.name}"][part.rows])
        if len(part.good_rows) < len(part.rows):
            value[~part.good] = np.nan
        return value


@dataclass(frozen=True, eq=False)
class _Signs:
    """Good reads of the sign of life, each of which may show what was so `lag_ns` before it was sent."""

    sent: Instants
    received: Instants
    value: Values
    connection: npt.NDArray[np.uint32]
    lag_ns: int = 0

    def on_own_link(self, anew: tuple[int, ...], still_ns: int | None) -> Iterator[Running]:
        """Each connection, and each of them from each of these instants, has to show life anew."""
        links = dict.fromkeys(int(self.connection[low]) for low, _ in _stretches(self.connection))
        for link in links:
            mine = np.flatnonzero(self.connection == link)
            yield from self._spans(link, mine, (0, *sorted(anew)), still_ns)

    def on_another_link(self, rows: DeviceRows, anew: tuple[int, ...], still_ns: int | None) -> Iterator[Running]:
        """The same where the sign of life is read from another device: counted from the first good reply on."""
        good = rows.records["kind"] == SampleKind.GOOD
        sent, connection = rows.records["sent_ns"][good], rows.records["connection"][good]
        begun: dict[int, int] = {}
        for low, _ in _stretches(connection):
            begun.setdefault(int(connection[low]), int(sent[low]))
        everything = np.arange(len(self.sent))
        for link, since in begun.items():
            yield from self._spans(link, everything, (since, *sorted(at for at in anew if at > since)), still_ns)

    def _spans(
        self, link: int, mine: npt.NDArray[np.intp], starts: tuple[int, ...], still_ns: int | None
    ) -> Iterator[Running]:
        """Spans of these reads in which they move, each start on its own."""
        edges = [*np.searchsorted(self.sent[mine] - self.lag_ns, starts, side="left").tolist(), len(mine)]
        for place, (low, high) in enumerate(pairwise(edges)):
            end = starts[place + 1] if place + 1 < len(starts) else FAR_NS
            part = mine[low:high]
            for first, until in _moving(self.sent[part], self.received[part], self.value[part], still_ns):
                from_ns, shown_ns = int(self.sent[part[first]]), int(self.received[part[first]])
                yield Running(link, from_ns, shown_ns, end if until is None else min(until, end))


def _moving(
    sent: Instants, received: Instants, value: Values, still_ns: int | None
) -> Iterator[tuple[int, int | None]]:
    """Spans in which a value moves: number of the read that shows the second change, and since when it stood still
    (None: it did not). What was read while it stood proves nothing, so a span ends where the standing begins."""
    moves = np.flatnonzero(value[1:] != value[:-1]) + 1
    if len(moves) < 2:
        return
    still: list[int] = []  # numbers of the rows of equal values that lasted too long
    if still_ns is not None:
        lasted = sent[np.append(moves - 1, len(value) - 1)] - received[np.append(0, moves)]
        still = np.flatnonzero(lasted >= still_ns).tolist()
    for row, following in pairwise([0, *(one for one in still if one), None]):
        if row is None or row + 1 >= len(moves) or (following is not None and following < row + 2):
            continue
        yield int(moves[row + 1]), None if following is None else int(received[moves[following - 1]])


def pace_ns(sent: Instants, received: Instants, value: Values) -> int | None:
    """Longest time that two changes of the sign of life may have been apart; None before there were two.

    Two changes with a hole between them, a time without reads that is far longer than usual, may have others in it and
    tell nothing of the pace, unless most changes lie so.
    """
    moves = np.flatnonzero(value[1:] != value[:-1])
    if len(moves) < 2:
        return None
    apart = received[moves[1:] + 1] - sent[moves[:-1]]
    unread = received[1:] - sent[:-1]
    longest = np.maximum(np.maximum.reduceat(unread[: moves[-1] + 1], moves[:-1]), unread[moves[1:]])
    whole = longest <= _HOLE * np.median(unread)
    return int(apart[whole].max() if 2 * np.count_nonzero(whole) >= len(whole) else apart.max())


def _stretches(column: npt.NDArray[np.uint32]) -> list[tuple[int, int]]:
    """Spans of equal neighbours."""
    if len(column) == 0:
        return []
    edges = np.flatnonzero(column[1:] != column[:-1]) + 1
    bounds = [0, *edges.tolist(), len(column)]
    return list(pairwise(bounds))


def _counting(part: _Part, running: Collection[Running]) -> Flags:
    counts = np.zeros(len(part.sent), dtype=bool)
    for one in running:
        counts |= (part.connection == one.connection) & (part.sent >= one.from_ns) & (part.sent < one.until_ns)
    return counts


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
