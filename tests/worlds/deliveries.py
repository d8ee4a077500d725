"""What instruments make of a world: polls, answers, silences, connections, as the observer would have written them.

Two things are kept of every answer: the row that the bench gets, and the instant at which the instrument looked, with
whether what it said was live then. The second is for the oracle alone.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from histories import FAR, MS, Span

from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind, SampleLayout

GOOD, EXCEPTION, SILENT = SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.SILENT
REFUSED, RESET, LATE, ACCEPTED = SampleKind.REFUSED, SampleKind.RESET, SampleKind.LATE, SampleKind.ACCEPTED
CLOSED = SampleKind.CLOSED
ANSWERING = ("run", "frozen", "stale", "zeros")
CONNECT_EVERY = 25 * MS
CONNECT_LIFE = 45 * MS

Row = tuple[int, int, int, int, int, int, int]
"""request, kind, exception, connection, sent, received, the instant looked at."""


@dataclass(frozen=True)
class Wire:
    """How one device is asked, and what goes wrong on the way."""

    poll: int
    answer_within: int
    latency: Span = (200_000, 600_000)
    requests: int = 1
    phase: int = 0
    lost_one_in: int = 0  # a single reply is lost
    exception_one_in: int = 0
    exception_code: int = 6
    late_share: float = 0.3
    jitter: int = 200_000
    missed_one_in: int = 0  # a poll that the bench did not come to
    stalls: tuple[Span, ...] = ()  # the bench itself stands still
    outages: tuple[Span, ...] = ()  # nothing comes through
    ends: tuple[tuple[int, int], ...] = ()  # when the peer, or something between, ends a connection that lives, and how


@dataclass(frozen=True)
class Phases:
    """What a client meets at a controller: `dark`, `refused`, `silent`, `busy`, or it answers (see ANSWERING).
    `stacks` numbers the lives of its network stack."""

    times: tuple[int, ...]
    names: tuple[str, ...]
    stacks: tuple[int, ...]

    def named(self, instants: npt.NDArray[np.int64], name: str) -> npt.NDArray[np.bool_]:
        """Which instants lie in phases of this name."""
        chosen = np.array([one == name for one in self.names])
        return chosen[np.searchsorted(np.array(self.times), instants, side="right") - 1]

    def at(self, instant: int) -> tuple[str, int]:
        """Phase and stack at an instant."""
        place = bisect_right(self.times, instant) - 1
        return self.names[place], self.stacks[place]


ALWAYS = Phases((-FAR,), ("run",), (0,))


@dataclass
class Delivered:
    """All rows of one device in order of receipt, as columns."""

    request: npt.NDArray[np.int64]
    kind: npt.NDArray[np.int64]
    exception: npt.NDArray[np.int64]
    connection: npt.NDArray[np.int64]
    sent: npt.NDArray[np.int64]
    received: npt.NDArray[np.int64]
    looked: npt.NDArray[np.int64]
    values: dict[str, npt.NDArray[np.float64]] = field(default_factory=dict)

    @staticmethod
    def of(rows: npt.NDArray[np.int64]) -> Delivered:
        """Sorted by receipt."""
        told = rows[np.argsort(rows[:, 5], kind="stable")]
        return Delivered(*told.T.copy())

    def cut_off(self, end: int) -> Delivered:
        """What had been received by then."""
        kept = self.received <= end
        columns = (self.request, self.kind, self.exception, self.connection, self.sent, self.received, self.looked)
        return Delivered(*(one[kept] for one in columns), {name: one[kept] for name, one in self.values.items()})


def ask(wire: Wire, phases: Phases, rng: random.Random, begin: int, end: int) -> npt.NDArray[np.int64]:
    """Everything that is asked of a device between two instants, and what comes of it."""
    return _Asking(wire, phases, rng, end).rows_from(begin)


class _Asking:
    """The observer's policy in short: one request at a time at absolute deadlines; contact is lost by two unanswered
    requests in a row (or the only one of a round) and by a reset; then fresh connects; the old connection is kept."""

    def __init__(self, wire: Wire, phases: Phases, rng: random.Random, end: int) -> None:
        self.wire, self.phases, self.rng, self.end = wire, phases, rng, end
        self.rows: list[Row] = []
        self.blocks: list[npt.NDArray[np.int64]] = []
        self.dice = np.random.default_rng(rng.getrandbits(63))
        self.edges = sorted({*phases.times, *(at for span in (*wire.stalls, *wire.outages) for at in span), end})
        self.ends = list(wire.ends)
        self.edges = sorted({*self.edges, *(at for at, _ in self.ends)})
        self.even = not (wire.lost_one_in or wire.exception_one_in or wire.missed_one_in)
        self.even &= wire.jitter + wire.requests * (wire.latency[1] + 20_000) < wire.poll
        self.connection, self.stack, self.newest = 1, 0, 1
        self.old: tuple[int, int] | None = None

    def rows_from(self, begin: int) -> npt.NDArray[np.int64]:
        at = begin + self.wire.phase
        while at < self.end:
            at = self._awake(at)
            if self._ended(at):
                at = self._connect(at, told=False)
            at = self._stretch(at) if self.even else at
            at = self._round(at)
        rows = np.array(self.rows, dtype=np.int64).reshape(-1, 7)
        return np.concatenate((rows, *self.blocks))

    def _stretch(self, at: int) -> int:
        """Rounds in which nothing can happen, all at once; when the next one begins."""
        name, stack = self.phases.at(at)
        wire = self.wire
        edge = self.edges[min(bisect_right(self.edges, at), len(self.edges) - 1)]
        rounds = (edge - at) // wire.poll - 1
        if name not in ANSWERING or stack != self.stack or not self._reaches(at) or rounds < 3:
            return at
        sent = at + wire.poll * np.arange(rounds, dtype=np.int64) + self.dice.integers(0, wire.jitter, rounds)
        for request in range(wire.requests):
            latency = self.dice.integers(wire.latency[0], wire.latency[1], rounds)
            block = np.zeros((rounds, 7), dtype=np.int64)
            block[:, 0], block[:, 3], block[:, 4] = request, self.connection, sent
            block[:, 5], block[:, 6] = sent + latency, sent + (latency * self.dice.random(rounds)).astype(np.int64)
            self.blocks.append(block)
            sent = sent + latency + 20_000
        return at + rounds * wire.poll

    def _ended(self, at: int) -> bool:
        """Whether a connection that is answered on ends now; the bench hears of it at once."""
        name, stack = self.phases.at(at)
        if not self.ends or at < self.ends[0][0] or name not in ANSWERING or stack != self.stack:
            return False
        _, kind = self.ends.pop(0)
        self.rows.append((CONNECT, kind, 0, self.connection, at - self.wire.poll, at, at))
        return True

    def _awake(self, at: int) -> int:
        return next((end for begin, end in self.wire.stalls if begin <= at < end), at)

    def _reaches(self, at: int) -> bool:
        return not any(begin <= at < end for begin, end in self.wire.outages)

    def _round(self, at: int) -> int:
        """One round of reads; when the next one begins."""
        wire, rng = self.wire, self.rng
        after = at + wire.poll
        if wire.missed_one_in and rng.randrange(wire.missed_one_in) == 0:
            return after
        sent = at + rng.randrange(wire.jitter)
        unanswered = 0
        for request in range(wire.requests):
            kind, received = self._request(request, sent)
            if kind == RESET:
                return self._connect(received)
            if kind == SILENT:
                unanswered += 1
                if unanswered >= 2 or wire.requests == 1:
                    return self._connect(received)
            else:
                unanswered = 0
            sent = received + 20_000
        if unanswered:  # the last one of the round: another one decides
            kind, received = self._request(0, sent)
            if kind in (SILENT, RESET):
                return self._connect(received)
            sent = received
        while after < sent:
            after += wire.poll
        return after

    def _request(self, request: int, sent: int) -> tuple[SampleKind, int]:
        wire, rng = self.wire, self.rng
        latency = rng.randrange(*wire.latency)
        looked = sent + int(latency * rng.random())
        name, stack = self.phases.at(looked)
        received = sent + latency
        if self._reaches(sent) and self._reaches(received):
            if name not in ("dark",) and stack != self.stack:
                return self._row(request, RESET, 0, sent, received, looked)
            lost = wire.lost_one_in and rng.randrange(wire.lost_one_in) == 0
            if name == "busy" and not lost:
                return self._row(request, EXCEPTION, wire.exception_code, sent, received, looked)
            if name in ANSWERING and not lost:
                if wire.exception_one_in and rng.randrange(wire.exception_one_in) == 0:
                    return self._row(request, EXCEPTION, wire.exception_code, sent, received, looked)
                return self._row(request, GOOD, 0, sent, received, looked)
        limit = sent + wire.answer_within
        return self._row(request, SILENT, 0, sent, limit, looked)

    def _row(
        self, request: int, kind: SampleKind, code: int, sent: int, received: int, looked: int
    ) -> tuple[SampleKind, int]:
        self.rows.append((request, int(kind), code, self.connection, sent, received, looked))
        return kind, received

    def _connect(self, at: int, *, told: bool = True) -> int:
        """Contact is lost: fresh connects until one is accepted; the instant of the next round. `told`: the old
        connection may still tell something."""
        if self.old is None and told:
            self.old = (self.connection, self.stack)
        while at < self.end:
            at = self._awake(at)
            name, stack = self.phases.at(at)
            self.newest += 1
            if not self._reaches(at) or name == "dark":
                self.rows.append((CONNECT, int(SILENT), 0, self.newest, at, at + CONNECT_LIFE, at))
            elif name == "refused":
                self.rows.append((CONNECT, int(REFUSED), 0, self.newest, at, at + MS // 2, at))
                self._tell_of_old(at + MS, stack)
            else:
                self.rows.append((CONNECT, int(ACCEPTED), 0, self.newest, at, at + MS // 2, at))
                kept = self._tell_of_old(at + MS, stack)
                if kept:
                    return at + 2 * MS
                self.connection, self.stack = self.newest, stack
                if name != "silent":
                    return at + MS
                kind, received = self._request(0, at + MS)
                if kind not in (SILENT, RESET):  # it speaks by now: this connection is kept
                    return received + MS
                at += self.wire.answer_within
                continue
            at += CONNECT_EVERY
        return at

    def _tell_of_old(self, at: int, stack: int) -> bool:
        """What the kept connection tells once the peer's stack shows itself; True: it goes on being polled."""
        if self.old is None:
            return False
        number, epoch = self.old
        self.old = None
        if epoch == stack and self.rng.random() < 0.8:
            self.rows.append((0, int(LATE), 0, number, at - 40 * MS, at, at))
            self.connection, self.stack = number, epoch
            return True
        if epoch != stack and self.rng.random() < 0.7:
            self.rows.append((0, int(RESET), 0, number, at - MS // 2, at, at))
        return False


def samples_of(
    device: str,
    requests: Sequence[Sequence[tuple[str, str]]],
    got: Delivered,
    value_of: Callable[[str, npt.NDArray[np.int64]], npt.NDArray[np.float64]],
    origin: int,
) -> DeviceSamples:
    """The rows as the observer writes them. `requests` lists name and code of the points that each request reads."""
    points = tuple((name, code) for request in requests for name, code in request)
    layout = SampleLayout(device, tuple(f"read {number}" for number in range(len(requests))), points)  # type: ignore[arg-type]
    records = np.zeros(len(got.sent), dtype=layout.dtype())
    records["cycle"] = 1
    for name, column in (
        ("request", got.request), ("kind", got.kind), ("exception", got.exception), ("connection", got.connection),
    ):  # fmt: skip
        records[name] = column
    records["sent_ns"], records["received_ns"] = got.sent + origin, got.received + origin
    for number, request in enumerate(requests):
        good = (got.request == number) & (got.kind == GOOD)
        for name, code in request:
            told = np.full(len(got.sent), np.nan)
            told[good] = value_of(name, got.looked[good])
            got.values[name] = told
            column = records[f"p:{name}"]
            if code == "b":
                column[:] = np.where(np.isnan(told), -1, told).astype(np.int8)
            else:
                column[:] = told
    return DeviceSamples(layout, records)
