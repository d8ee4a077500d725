"""The link to one device as a state machine without I/O: bytes and ticks in; actions, samples and outcomes out.

It knows no sockets and no clock. Whoever drives it tells what happened and when (`accepted`, `refused`, `received`,
`lost`, `tick`), then carries out `actions` in their order and takes `samples` and `outcomes`. Every instant handed
in is read after the thing happened; every instant it stamps on a request lies before the bytes leave. So a
value lies in (sent, received] of its sample.

Policy, in the order of events:

1. In contact one connection is polled by absolute deadlines, one request at a time. A request that nobody answers
   in time blinds only its own points; the next one follows on the same connection.
2. Contact counts as lost when two requests in a row (or the only one of a round) stay unanswered, or at a reset.
3. Then fresh connects are begun one after the other. One that stays silent is given up and begun again, since the
   kernel repeats a connect only after 1, 3, 7 s (RFC 6298). The silent old connection is kept: a reset on it proves
   that the peer lost its state, a late valid answer that it did not, and then polling goes on there.
4. The first connection that gets an answer is polled, the others are closed; the old one when it has told its tale
   or the new one has given good answers for `KEEP_OLD_NS`.
5. Never are more than `Device.connections` held at one time, attempts and the old one included.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from restart_bench.model.clock import FAR_NS
from restart_bench.model.rig import Device, Point, Value
from restart_bench.model.samples import CONNECT, SampleKind
from restart_bench.observer import modbus
from restart_bench.observer.pace import Pace

_MS = 1_000_000
EVERY_NS = 25 * _MS  # attempts are begun this far apart, as far as free connections allow
LIFE_NS = 120 * _MS  # longest a silent attempt is kept (measured best for six connections)
SHORTEST_LIFE_NS = 45 * _MS
PATIENT_EVERY = 4  # one attempt in four waits as long as a request may, for stacks that are slow to accept
KEEP_OLD_NS = 3_000 * _MS
OLD_ALONE_NS = 300 * _MS  # with one connection allowed: beyond the shortest retransmission, then it must make room
PROBE_NS = 1_000 * _MS  # once the peer's stack has shown itself, the old connection is asked this often
MOST_PROBES = 16
SILENT_CANDIDATE = 3  # an accepted connection is given up after so many requests without an answer
PAUSE_NS = 50 * _MS  # delayed acknowledgements take 40 ms on Linux, up to 200 ms elsewhere
GRACE_NS = 20 * _MS  # after a late answer the request behind it gets this long, at least four usual round trips
MOST_STALE = 16
_GOOD = SampleKind.GOOD


@dataclass(slots=True)
class _Sent:
    """A request on its way."""

    request: int
    transaction: int
    sent_ns: int
    limit_ns: int
    pdu: bytes = b""  # of a write, for its echo
    ticket: int | None = None
    usual: bytes = b""  # the whole answer, if it tells what the one before told


class _Usual(NamedTuple):
    """The newest good answer to a read: what tells the same again need not be decoded."""

    pdu: bytes
    frame: modbus.Frame
    values: tuple[float, ...]


@dataclass(slots=True)
class _Connection:
    """An attempt, later an established connection."""

    number: int
    begun_ns: int
    gives_up_ns: int
    established: bool = False
    outstanding: _Sent | None = None
    stale: dict[int, _Sent] = field(default_factory=dict)  # unanswered in time, newest last
    frames: modbus.FrameReader = field(default_factory=modbus.FrameReader)
    silent_row: int = 0
    heard_ns: int = 0
    catching_up: bool = False  # answers came late since the last good one
    pauses: int = 0  # in this row of late answers
    paused_until_ns: int = 0


class Link:
    """The link to one device. `reads` and `writable` number the requests of its samples: reads first."""

    def __init__(self, device: Device, points: Sequence[Point], now_ns: int = 0) -> None:
        """Raises ValueError where the points can't be planned (see `plan_requests`, `plan_writes`)."""
        self.device = device
        self.reads = modbus.plan_requests(device, points)
        self.writable = modbus.plan_writes(device, points)
        if not self.reads:
            raise ValueError(f"{device.name}: no point of it is to be read")
        self._within_ns = device.answer_within_ns
        self.actions: list[LinkAction] = []
        self.samples: list[Sample] = []
        self.keep_same: KeepSame = self._keep
        self.outcomes: list[Outcome] = []
        self.pace = Pace(device.poll_ns, len(self.reads))
        self._frames = [modbus.Frame(device.unit, request.pdu) for request in self.reads]
        self._usual: list[_Usual | None] = [None] * len(self.reads)  # the newest good answer to each of them
        self._names = [point.name for point in self.writable]
        self._held: dict[int, _Connection] = {}
        self._current: _Connection | None = None
        self._old: _Connection | None = None
        self._old_until_ns = FAR_NS
        self._probe_ns = FAR_NS  # when the old connection is asked next
        self._probes = 0
        self._numbers = 0
        self._transaction = 0
        self._next_attempt_ns = now_ns
        self._connect_ns: int | None = None  # how long the last accepted connect took
        self._usual_ns: float | None = None  # running mean of the time to a good answer
        self._rotation = 0  # which read a connection without an answer yet is asked
        self._good_since_ns: int | None = None  # on the current connection
        self._writes: deque[tuple[int, int, bytes]] = deque()  # ticket, request, PDU

    # ------------------------------------------------------------ what is known

    @property
    def in_contact(self) -> bool:
        """True while one connection is polled."""
        return self._current is not None

    @property
    def awaits_one(self) -> bool:
        """True while an answer on the polled connection is all that is awaited."""
        return self._current is not None and self._current.outstanding is not None and self._old is None

    @property
    def held(self) -> tuple[int, ...]:
        """Numbers of all that is held at this moment, attempts included."""
        return tuple(self._held)

    def due_ns(self) -> int:
        """The instant at which `tick` has something to do."""
        due = min((self._limit(connection) for connection in self._held.values()), default=FAR_NS)
        if self._current is None:
            if len(self._held) < self.device.connections:
                due = min(due, self._next_attempt_ns)
        elif self._current.outstanding is None:
            due = min(due, max(self.pace.deadline_ns, self._current.paused_until_ns))
        if self._old is not None:
            due = min(due, self._old_until_ns, self._probe_ns if self._old.outstanding is None else FAR_NS)
        return due

    def silence_due(self, now_ns: int) -> bool:
        """True if `tick` would count something as unanswered: look for answers that wait to be read before it does."""
        return any(now_ns >= self._limit(connection) for connection in self._held.values())

    @staticmethod
    def _limit(connection: _Connection) -> int:
        if not connection.established:
            return connection.gives_up_ns
        return FAR_NS if connection.outstanding is None else connection.outstanding.limit_ns

    # ------------------------------------------------------------ what is told

    def tick(self, now_ns: int) -> None:
        """Do all that is due at `now_ns`."""
        for connection in list(self._held.values()):
            if connection.number in self._held and now_ns >= self._limit(connection):
                self._time_is_up(connection, now_ns)
        self._tend_old(now_ns)
        self._go_on(now_ns)
        self._begin_attempt(now_ns)

    def accepted(self, number: int, now_ns: int) -> None:
        """The peer accepted a connect."""
        connection = self._held.get(number)
        if connection is None or connection.established:
            return
        connection.established = True
        connection.heard_ns = now_ns
        self._connect_ns = now_ns - connection.begun_ns
        self._connect_sample(connection, SampleKind.ACCEPTED, now_ns)
        self._ask(connection, now_ns)
        self._stack_shown(now_ns)

    def refused(self, number: int, now_ns: int) -> None:
        """The peer refused a connect: its stack is up, its server is not."""
        connection = self._held.get(number)
        if connection is None:
            return
        self._connect_sample(connection, SampleKind.REFUSED, now_ns)
        self._close(connection)
        self._stack_shown(now_ns)

    def unreachable(self, number: int, now_ns: int) -> None:
        """A connect failed in any other way (no host, no network): nobody was heard."""
        connection = self._held.get(number)
        if connection is None:
            return
        self._connect_sample(connection, SampleKind.SILENT, now_ns)
        self._close(connection)

    def received(self, number: int, data: bytes, now_ns: int) -> None:
        """Bytes came."""
        connection = self._held.get(number)
        if connection is None:
            return
        connection.heard_ns = now_ns
        try:
            replies = connection.frames.feed(data)
        except modbus.BrokenStream:
            self._broken(connection, now_ns)
            return
        for transaction, pdu in replies:
            if number in self._held:
                self._reply(connection, transaction, pdu, now_ns)
        self._go_on(now_ns)

    def same_again(self, number: int, data: bytes, now_ns: int) -> bytes | None:
        """The short way of `received` for what is usual: on the polled connection nothing but the whole answer that is
        awaited, with the same values as the one before (the very same tuple). Its sample goes to `keep_same` at once.
        Returns the bytes to send next, b"" where nothing is due yet; None where something else came: then nothing was
        done, and `received` has to be told."""
        current = self._current
        if current is None or current.number != number or self._writes or current.catching_up or current.frames.torn:
            return None
        sent = current.outstanding
        if sent is None or data != sent.usual or self._good_since_ns is None:
            return None
        usual = self._usual[sent.request]
        if usual is None:
            return None
        current.heard_ns, current.silent_row = now_ns, 0
        self._note_time(now_ns - sent.sent_ns)
        self.keep_same(sent.request, _GOOD, 0, current.number, sent.sent_ns, now_ns, usual.values)
        read = self.pace.next_read(now_ns)
        if read is None:
            current.outstanding = None
            return b""
        return self._note_sent(sent, read, now_ns)

    def lost(self, number: int, now_ns: int, *, reset: bool, closed: bool = False) -> None:
        """An established connection ended: `reset` where the peer reset it, `closed` where it closed it in good order,
        neither where the own kernel gave it up (which proves nothing about the peer)."""
        connection = self._held.get(number)
        if connection is None:
            return
        if not connection.established:
            self.unreachable(number, now_ns)
            return
        if reset or closed:
            kind = SampleKind.RESET if reset else SampleKind.CLOSED
            self._sample(number, self._last_sent(connection), kind, now_ns)
        self._drop(connection, RESET if reset or closed else SILENT, now_ns)

    def write(self, ticket: int, point: str, value: Value, now_ns: int) -> None:
        """Write `value` to a point on the sampling connection, before the next read. The outcome bears `ticket`.

        Raises ValueError where the point may not be written or can't hold the value.
        """
        if point not in self._names:
            raise ValueError(f"{point}: not marked `writable` on {self.device.name}")
        place = self._names.index(point)
        pdu = modbus.write_pdu(self.writable[place], value)
        if self._current is None:
            self.outcomes.append(Outcome(ticket, now_ns, now_ns, NO_CONTACT))
            return
        self._writes.append((ticket, len(self.reads) + place, pdu))
        self._go_on(now_ns)

    def end(self, now_ns: int) -> None:
        """Let go of everything."""
        self._fail_writes(now_ns)
        for connection in list(self._held.values()):
            self._close(connection)
            self._abandon(connection, SILENT, now_ns)

    # ------------------------------------------------------------ polling

    def _go_on(self, now_ns: int) -> None:
        """Send what is next on the sampling connection, if nothing is on its way there."""
        current = self._current
        if current is None or current.outstanding is not None or now_ns < current.paused_until_ns:
            return
        if self._writes:
            ticket, request, pdu = self._writes.popleft()
            sent = _Sent(request, self._next_transaction(), now_ns, now_ns + self._within_ns, pdu, ticket)
            self._send(current, sent, modbus.Frame(self.device.unit, pdu))
            return
        read = self.pace.next_read(now_ns)
        if read is not None:
            self._read(current, read, now_ns)

    def _read(self, connection: _Connection, read: int, now_ns: int) -> None:
        connection.outstanding = sent = _Sent(read, 0, now_ns, 0)
        self.actions.append(Send(connection.number, self._note_sent(sent, read, now_ns)))

    def _note_sent(self, sent: _Sent, read: int, now_ns: int) -> bytes:
        """The bytes to send, and in `sent` what is awaited then."""
        self._transaction = sent.transaction = self._transaction + 1 & 0xFFFF
        head = sent.transaction.to_bytes(2, "big")
        sent.request, sent.sent_ns, sent.limit_ns = read, now_ns, now_ns + self._within_ns
        usual = self._usual[read]
        sent.usual = head + usual.frame.rest if usual is not None else b""
        return head + self._frames[read].rest

    def _send(self, connection: _Connection, sent: _Sent, frame: modbus.Frame) -> None:
        connection.outstanding = sent
        self.actions.append(Send(connection.number, frame.numbered(sent.transaction)))

    def _next_transaction(self) -> int:
        self._transaction = self._transaction + 1 & 0xFFFF
        return self._transaction

    def _ask(self, connection: _Connection, now_ns: int) -> None:
        """A read on a connection that is not polled (yet): to see whether anybody answers."""
        self._read(connection, self._rotation % len(self.reads), now_ns)

    def _reply(self, connection: _Connection, transaction: int, pdu: bytes, now_ns: int) -> None:
        """A reply, matched by transaction id; one that matches nothing is dropped (TCPG 4.4.1.3)."""
        sent = connection.outstanding
        if sent is not None and sent.transaction == transaction:
            connection.outstanding = None
            connection.catching_up, connection.pauses, connection.paused_until_ns = False, 0, 0
            kind = self._answer_in_time(connection, sent, pdu, now_ns)
        else:
            sent = connection.stale.pop(transaction, None)
            if sent is None:
                return
            kind = SampleKind.LATE
            exception, _ = self._meaning(sent, pdu)
            self._sample(connection.number, sent, kind, now_ns, meaning=(exception, ()))
            self._hurry(connection, now_ns)
            connection.catching_up, connection.paused_until_ns = True, 0
        connection.silent_row = 0
        if connection is not self._current:
            self._poll_on(connection, sent, now_ns)
        if kind is SampleKind.GOOD:
            self._note_good(now_ns)

    def _answer_in_time(self, connection: _Connection, sent: _Sent, pdu: bytes, now_ns: int) -> SampleKind:
        meaning = self._meaning(sent, pdu)
        exception = meaning[0]
        kind = SampleKind.EXCEPTION if exception else SampleKind.GOOD
        if not exception:
            self._note_time(now_ns - sent.sent_ns)
        self._sample(connection.number, sent, kind, now_ns, meaning=meaning)
        if sent.ticket is not None:
            problem = f"exception {exception}" if exception else ""
            self.outcomes.append(Outcome(sent.ticket, sent.sent_ns, now_ns, problem))
        return kind

    def _note_time(self, took_ns: int) -> None:
        self._usual_ns = took_ns if self._usual_ns is None else self._usual_ns + (took_ns - self._usual_ns) / 8

    def _meaning(self, sent: _Sent, pdu: bytes) -> Meaning:
        if sent.pdu:
            return modbus.write_answer(sent.pdu, pdu), ()
        usual = self._usual[sent.request]
        if usual is not None and pdu == usual.pdu:
            return 0, usual.values
        exception, values = modbus.read_answer(self.reads[sent.request], pdu)
        if not exception:
            self._usual[sent.request] = _Usual(pdu, modbus.Frame(self.device.unit, pdu), values)
        return exception, values

    def _hurry(self, connection: _Connection, now_ns: int) -> None:
        """A late answer: the peer works off what piled up. Some servers drop the second of two requests that
        arrive together, so the one behind is not waited for in full, unless this peer is always slow."""
        if connection.outstanding is not None and self._usual_ns is not None and not connection.catching_up:
            grace = max(GRACE_NS, round(4 * self._usual_ns))
            connection.outstanding.limit_ns = min(connection.outstanding.limit_ns, now_ns + grace)

    # ------------------------------------------------------------ silence

    def _time_is_up(self, connection: _Connection, now_ns: int) -> None:
        sent = connection.outstanding
        if not connection.established or sent is None:
            self._connect_sample(connection, SampleKind.SILENT, now_ns)
            self._close(connection)
            return
        connection.outstanding = None
        connection.stale[sent.transaction] = sent
        if len(connection.stale) > MOST_STALE:
            del connection.stale[next(iter(connection.stale))]
        connection.silent_row += 1
        self._sample(connection.number, sent, SampleKind.SILENT, now_ns)
        if sent.ticket is not None:
            self.outcomes.append(Outcome(sent.ticket, sent.sent_ns, now_ns, SILENT))
        if connection is self._current:
            self.pace.held_up()
            self._let_catch_up(connection, now_ns)
            only_read = len(self.reads) == 1 and sent.ticket is None
            if only_read or connection.silent_row >= 2:
                self._lose_contact(connection, sent, now_ns)
        elif connection is not self._old:
            self._ask_again(connection, now_ns)

    @staticmethod
    def _let_catch_up(connection: _Connection, now_ns: int) -> None:
        """Where the answer before came late and this one is missing, the peer may hold it back until our side has
        acknowledged (Nagle's algorithm, RFC 896, against delayed acknowledgements, RFC 1122 4.2.3.2). The next request
        would carry the acknowledgement, so every answer would come one request too late for good; a pause ends that."""
        if connection.catching_up:
            connection.paused_until_ns = now_ns + (PAUSE_NS << min(connection.pauses, 3))
            connection.pauses += 1

    def _ask_again(self, connection: _Connection, now_ns: int) -> None:
        """An accepted connection on which nobody answers: another read, in case only this one stays silent."""
        self._rotation += 1
        if connection.silent_row >= SILENT_CANDIDATE:
            self._close(connection)
        else:
            self._ask(connection, now_ns)

    def _lose_contact(self, connection: _Connection, sent: _Sent, now_ns: int) -> None:
        """Nobody answers any more. The connection stays as evidence, and fresh ones are tried beside it."""
        if self._old is not None:
            self._close(self._old)
        self._current, self._old = None, connection
        self._old_until_ns = now_ns + OLD_ALONE_NS if self.device.connections == 1 else FAR_NS
        self._without_contact(now_ns)
        self._rotation = sent.request + 1 if sent.ticket is None else 0
        self._probes, self._probe_ns = 0, FAR_NS
        self._ask(connection, now_ns)

    def _without_contact(self, now_ns: int) -> None:
        self._rotation = 0
        self._good_since_ns = None
        self._next_attempt_ns = now_ns
        self._fail_writes(now_ns)

    def _fail_writes(self, now_ns: int) -> None:
        for ticket, _, _ in self._writes:
            self.outcomes.append(Outcome(ticket, now_ns, now_ns, NO_CONTACT))
        self._writes.clear()

    def _stack_shown(self, now_ns: int) -> None:
        """The peer's stack is up: a segment on the old connection now draws its verdict."""
        if self._probe_ns == FAR_NS and self._probes < MOST_PROBES:
            self._probe_ns = now_ns

    def _tend_old(self, now_ns: int) -> None:
        if self._old is not None and now_ns >= self._old_until_ns:
            self._close(self._old)
        if self._old is not None and self._old.outstanding is None and now_ns >= self._probe_ns:
            self._probes += 1
            self._probe_ns = now_ns + PROBE_NS if self._probes < MOST_PROBES else FAR_NS
            self._ask(self._old, now_ns)

    # ------------------------------------------------------------ fresh connections

    def _begin_attempt(self, now_ns: int) -> None:
        if self._current is not None or now_ns < self._next_attempt_ns:
            return
        if len(self._held) >= self.device.connections:
            return
        self._numbers += 1
        self._held[self._numbers] = _Connection(self._numbers, now_ns, now_ns + self._attempt_life())
        self._next_attempt_ns = now_ns + EVERY_NS
        self.actions.append(Open(self._numbers))

    def _attempt_life(self) -> int:
        """How long a silent attempt is kept: so that the allowed connections are enough to begin one every
        `EVERY_NS`, but well above the time that this peer needs to accept."""
        allowed = self.device.connections - (1 if self._old is not None else 0)
        life = max(SHORTEST_LIFE_NS, min(LIFE_NS, EVERY_NS * allowed - 5 * _MS))
        if self._connect_ns is None or self._numbers % PATIENT_EVERY == 0:
            return max(life, self.device.answer_within_ns)
        return max(life, 3 * self._connect_ns)

    def _poll_on(self, connection: _Connection, sent: _Sent, now_ns: int) -> None:
        """A connection that was not polled has answered: it is polled from now on, all others are closed.

        The old one takes polling over because its answer proves that the peer kept its state; a new one leaves the
        old one its time to say whether it did.
        """
        was_old = connection is self._old
        if was_old:
            self._old = None
        for other in list(self._held.values()):
            if other is not connection and other is not self._old:
                self._close(other)
                self._abandon(other, SILENT, now_ns)
        self._current = connection
        self._good_since_ns = None
        if was_old:
            self.pace.resume(now_ns)
        else:
            self.pace.resume(sent.sent_ns + self.device.poll_ns, done=sent.request)
            self._stack_shown(now_ns)

    def _note_good(self, now_ns: int) -> None:
        if self._good_since_ns is None:
            self._good_since_ns = now_ns
            if self._old is not None:
                self._old_until_ns = now_ns + KEEP_OLD_NS

    # ------------------------------------------------------------ ends

    def _broken(self, connection: _Connection, now_ns: int) -> None:
        """Bytes that are no Modbus TCP: somebody answers, but not with values."""
        last = self._last_sent(connection)
        self._sample(connection.number, last, SampleKind.EXCEPTION, now_ns, meaning=(modbus.MALFORMED, ()))
        self._drop(connection, f"exception {modbus.MALFORMED}", now_ns)

    def _drop(self, connection: _Connection, problem: str, now_ns: int) -> None:
        """A connection has ended. If it was polled, contact is lost; if it was the old one, its tale is told."""
        was_current, was_old = connection is self._current, connection is self._old
        self._close(connection)
        self._abandon(connection, problem, now_ns)
        if was_current:
            self._without_contact(now_ns)
        elif was_old and self._current is None:
            self._next_attempt_ns = min(self._next_attempt_ns, now_ns)
        self._begin_attempt(now_ns)

    @staticmethod
    def _last_sent(connection: _Connection) -> _Sent:
        """What the end of a connection came upon: the newest unanswered request; where there is none, nothing is
        known since the peer was last heard."""
        newest = connection.outstanding or next(reversed(connection.stale.values()), None)
        if newest is None or newest.sent_ns < connection.heard_ns:
            return _Sent(CONNECT, 0, connection.heard_ns, connection.heard_ns)
        return newest

    def _abandon(self, connection: _Connection, problem: str, now_ns: int) -> None:
        sent, connection.outstanding = connection.outstanding, None
        if sent is not None and sent.ticket is not None:
            self.outcomes.append(Outcome(sent.ticket, sent.sent_ns, now_ns, problem))

    def _close(self, connection: _Connection) -> None:
        del self._held[connection.number]
        if connection is self._current:
            self._current = None
        if connection is self._old:
            self._old, self._old_until_ns = None, FAR_NS
        self.actions.append(Close(connection.number))

    # ------------------------------------------------------------ samples

    def _sample(self, number: int, sent: _Sent, kind: SampleKind, now_ns: int, *, meaning: Meaning = (0, ())) -> None:
        exception, values = meaning
        self.samples.append(Sample(sent.request, kind, exception, number, sent.sent_ns, now_ns, values))

    def _keep(self, *sample: Any) -> None:
        self.samples.append(Sample(*sample))

    def _connect_sample(self, connection: _Connection, kind: SampleKind, now_ns: int) -> None:
        self.samples.append(Sample(CONNECT, kind, 0, connection.number, connection.begun_ns, now_ns, ()))


class Open(NamedTuple):
    """Begin a connect."""

    connection: int


class Send(NamedTuple):
    """Send these bytes on an accepted connection."""

    connection: int
    data: bytes


class Close(NamedTuple):
    """Let go of a connection or an attempt; nothing more is heard of it."""

    connection: int


LinkAction = Open | Send | Close


class Sample(NamedTuple):
    """What came of one request. `values` are those of the request's points, () unless the kind is good."""

    request: int
    kind: SampleKind
    exception: int
    connection: int
    sent_ns: int
    received_ns: int
    values: tuple[float, ...]


class Outcome(NamedTuple):
    """What came of a write that was asked for: `problem` is "" when the device confirmed it."""

    ticket: int
    sent_ns: int
    received_ns: int
    problem: str


KeepSame = Callable[[int, SampleKind, int, int, int, int, tuple[float, ...]], None]
"""Takes the fields of a sample."""


Meaning = tuple[int, tuple[float, ...]]
"""Exception code (0: none, MALFORMED: makes no sense) and values of a reply."""


NO_CONTACT, SILENT, RESET = "no contact", "silent", "reset"
"""Problems of writes; any other is "exception N"."""
