"""The link as a state machine: what it sends, opens and closes, and which samples it makes of what it is told.

No sockets, no clock: the far end is a pretend one, and time is a number.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drawn import examples
from pretend_wire import MS, PretendWire, good_answer
from restart_bench.model.rig import Device, Point
from restart_bench.model.samples import CONNECT, SampleKind
from restart_bench.observer.link import EVERY_NS, KEEP_OLD_NS, LIFE_NS, OLD_ALONE_NS, Link, Open, Send
from restart_bench.observer.modbus import MALFORMED
from restart_bench.observer.pace import Pace

GOOD, EXCEPTION, SILENT = SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.SILENT
REFUSED, RESET, LATE, ACCEPTED = SampleKind.REFUSED, SampleKind.RESET, SampleKind.LATE, SampleKind.ACCEPTED

ONE_READ = (Point("auger", "controller", "coil", 0), Point("start_button", "controller", "coil", 1, writable=True))
THREE_READS = (
    *ONE_READ,
    Point("running", "controller", "discrete_input", 0),
    Point("heartbeat", "controller", "input_register", 0, type="uint16"),
)


def wire(points: tuple[Point, ...] = ONE_READ, connections: int = 2, **more: int) -> PretendWire:
    device = Device("controller", "192.0.2.10", connections=connections, **more)  # type: ignore[arg-type]
    return PretendWire(Link(device, points))


def silent_for(function: int) -> Callable[[bytes], bytes | None]:
    return lambda pdu: None if pdu[0] == function else good_answer(pdu)


def nobody(_: bytes) -> None:
    return None


# ---------------------------------------------------------------- in contact


def test_rounds_begin_at_absolute_deadlines() -> None:
    """However long an answer takes, the next round begins a whole number of polls after the first."""
    line = wire(poll_ns=10 * MS)
    line.peer.takes_ns = 3 * MS
    line.run(100 * MS)
    first = line.sent[0][0]
    assert [(instant - first) % (10 * MS) for instant, _, _ in line.sent] == [0] * len(line.sent)
    assert len(line.sent) == 10


def test_the_next_request_of_a_round_is_sent_when_the_one_before_is_answered() -> None:
    """One request at a time on a connection: servers drop or delay the second of two."""
    line = wire(THREE_READS).run(11 * MS)
    assert [(instant, pdu[0]) for instant, _, pdu in line.sent] == [
        (1 * MS, 1), (2 * MS, 2), (3 * MS, 4), (11 * MS, 1),
    ]  # fmt: skip


def test_a_good_answer_gives_its_values_between_sent_and_received() -> None:
    """The value was read by the peer after the request left and before the answer came."""
    line = wire(ONE_READ)
    line.peer.reply = lambda pdu: good_answer(pdu, bits=0b10)
    line.run(5 * MS)
    good = line.kinds(GOOD)[0]
    assert (good.request, good.values, good.sent_ns, good.received_ns) == (0, (0, 1), 1 * MS, 2 * MS)


def test_one_unanswered_request_blinds_only_its_own_points() -> None:
    """The others go on being read on the same connection, and nothing else is opened."""
    line = wire(THREE_READS, answer_within_ns=50 * MS)
    line.peer.reply = silent_for(2)
    line.run(1000 * MS)
    assert {sample.request for sample in line.kinds(SILENT)} == {1}
    assert {sample.request for sample in line.kinds(GOOD)} == {0, 2}
    assert len(line.opened) == 1
    assert {sample.connection for sample in line.samples} == {1}


def test_an_exception_is_an_answer_and_no_value() -> None:
    """Server device busy (06, APP 7): contact stays, nothing is read."""
    line = wire()
    line.peer.reply = lambda pdu: bytes([pdu[0] | 0x80, 6])
    line.run(50 * MS)
    assert {(s.kind, s.exception, s.values) for s in line.samples if s.request != CONNECT} == {(EXCEPTION, 6, ())}
    assert line.link.in_contact
    assert len(line.opened) == 1


def test_an_answer_that_makes_no_sense_is_told_apart() -> None:
    """It is neither a value nor silence."""
    line = wire()
    line.peer.reply = lambda pdu: bytes([pdu[0], 7, 0])
    line.run(20 * MS)
    assert {(s.kind, s.exception) for s in line.samples if s.request != CONNECT} == {(EXCEPTION, MALFORMED)}


def test_bytes_that_are_no_modbus_end_the_connection() -> None:
    """Where the next frame begins can't be known any more; a fresh connection is begun."""
    line = wire().run(50 * MS)
    line.link.received(1, b"HTTP/1.1 400 Bad Request", line.now)
    line.carry_out()
    line.run(100 * MS)
    assert [number for _, number in line.closed] == [1]
    assert [sample.exception for sample in line.kinds(EXCEPTION)] == [MALFORMED]
    assert line.link.in_contact


def test_a_reply_that_matches_no_request_is_dropped() -> None:
    """TCPG 4.4.1.3: matched by transaction id alone."""
    line = wire().run(50 * MS)
    before = len(line.samples)
    line.hear(1, b"\xee\xee", good_answer(bytes.fromhex("01 00 00 00 02")))
    line.carry_out()
    assert len(line.samples) == before


# ---------------------------------------------------------------- losing contact


def test_two_unanswered_requests_in_a_row_lose_contact() -> None:
    """Then a fresh connect is begun beside the old connection, which is kept as evidence."""
    line = wire(THREE_READS, answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(205 * MS)
    assert [sample.request for sample in line.kinds(SILENT)][:2] == [0, 1]
    assert not line.link.in_contact
    assert line.held == {1, 2}


def test_the_only_request_of_a_round_loses_contact_when_unanswered() -> None:
    """With one request a round every request of the round has stayed unanswered."""
    line = wire(ONE_READ, answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(155 * MS)
    assert len(line.kinds(SILENT)) == 1
    assert line.held == {1, 2}


def test_a_reset_loses_contact_at_once() -> None:
    """The reset is a sample of the request that drew it, and a fresh connect follows without waiting."""
    line = wire().run(50 * MS)
    line.peer.forgot.add(1)
    line.run(70 * MS)
    (reset,) = line.kinds(RESET)
    assert (reset.request, reset.connection, reset.received_ns - reset.sent_ns) == (0, 1, 1 * MS)
    assert (reset.received_ns, 2) in line.opened
    assert line.link.in_contact


def test_an_idle_connection_that_ends_tells_since_when_nothing_was_heard() -> None:
    """Nobody asked anything, so the end lies between the last answer and now."""
    line = wire(poll_ns=100 * MS).run(50 * MS)
    heard = line.samples[-1].received_ns
    line.link.lost(1, line.now, reset=True)
    line.carry_out()
    (reset,) = line.kinds(RESET)
    assert (reset.request, reset.sent_ns, reset.received_ns) == (CONNECT, heard, 50 * MS)


def test_a_connection_that_the_peer_closes_in_good_order_is_no_reset() -> None:
    """Nobody who loses its supply does that: it is a sample of its own kind, and a fresh connect follows at once."""
    line = wire().run(50 * MS)
    line.link.lost(1, line.now, reset=False, closed=True)
    line.carry_out()
    (closed,) = line.kinds(SampleKind.CLOSED)
    assert (closed.connection, closed.received_ns) == (1, line.now)
    assert line.kinds(RESET) == [] and (line.now, 2) in line.opened


def test_a_connection_that_the_own_kernel_gives_up_is_no_reset() -> None:
    """Only what the peer itself sent proves that it lost its state."""
    line = wire(answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(300 * MS)
    line.link.lost(1, line.now, reset=False)
    line.carry_out()
    assert line.kinds(RESET) == []
    assert 1 not in line.held


# ---------------------------------------------------------------- without contact


def test_a_connect_begun_while_dark_is_given_up_and_begun_again() -> None:
    """RFC 6298: the kernel repeats a connect after 1, 3, 7 s; waiting for that would hide the return."""
    line = wire()
    line.peer.connects = "silent"
    line.run(1000 * MS)
    silent = line.kinds(SILENT)
    assert {sample.request for sample in silent} == {CONNECT}
    assert len({sample.connection for sample in silent}) == len(silent) >= 8
    assert all(sample.received_ns - sample.sent_ns <= LIFE_NS for sample in silent)


def test_with_many_connections_attempts_follow_each_other_without_a_gap() -> None:
    """The life of an attempt is shorter than the allowed ones together, so one can always be begun in time."""
    line = wire(connections=6, answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(1000 * MS)
    begun = [instant for instant, number in line.opened if number > 1]
    assert {after - before for before, after in itertools.pairwise(begun)} == {EVERY_NS}


def test_a_refused_connect_is_a_sample_and_is_repeated() -> None:
    """The stack is up and the server is not: an event of its own, not silence."""
    line = wire()
    line.peer.connects = "refuse"
    line.run(260 * MS)
    assert {(sample.request, sample.kind) for sample in line.samples} == {(CONNECT, REFUSED)}
    assert len(line.samples) == len(line.opened) == 11


def test_an_accepted_connect_is_no_answer() -> None:
    """The kernel accepts before anybody serves; contact begins with the first answer."""
    line = wire(connections=1, answer_within_ns=50 * MS)
    line.peer.reply = nobody
    line.run(155 * MS)
    assert [(sample.request, sample.kind, sample.connection) for sample in line.samples] == [
        (CONNECT, ACCEPTED, 1), (0, SILENT, 1), (0, SILENT, 1), (0, SILENT, 1), (CONNECT, ACCEPTED, 2),
    ]  # fmt: skip
    assert not line.link.in_contact


def test_an_accepted_connection_is_asked_for_another_read_when_one_stays_silent() -> None:
    """Else a single silent point, asked first, would keep the bench from ever getting contact."""
    line = wire(THREE_READS, answer_within_ns=50 * MS)
    line.peer.reply = silent_for(1)
    line.run(300 * MS)
    assert line.link.in_contact
    assert {sample.request for sample in line.kinds(GOOD)} == {1, 2}


def test_the_first_connection_that_gets_an_answer_wins_and_the_others_are_closed() -> None:
    """Controllers have few connection slots."""
    line = wire(connections=6, answer_within_ns=50 * MS)
    line.peer.reply = nobody
    line.run(120 * MS)
    assert len(line.held) > 2
    line.peer.reply = good_answer
    line.run(200 * MS)
    assert line.link.in_contact
    assert line.held == {line.kinds(GOOD)[-1].connection}


def test_a_slow_stack_is_reached_by_the_patient_attempts() -> None:
    """One attempt in four waits as long as a request may."""
    line = wire(answer_within_ns=100 * MS).run(50 * MS)
    line.peer.forgot.add(1)
    line.peer.takes_ns = 80 * MS
    line.run(1500 * MS)
    assert line.link.in_contact


# ---------------------------------------------------------------- the old connection


def test_a_late_answer_on_the_old_connection_is_a_glitch_and_polling_goes_on_there() -> None:
    """It proves that the peer kept its state: sample `late`, without values, and the attempts are closed."""
    line = wire(answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(190 * MS)
    asked, number, pdu = next(entry for entry in line.sent if entry[0] > 100 * MS)
    silent = line.kinds(SILENT)[0]
    line.peer.reply = good_answer
    line.hear(number, transaction_of(line, asked), good_answer(pdu))
    line.carry_out()
    (late,) = line.kinds(LATE)
    assert (late.sent_ns, late.connection, late.values) == (silent.sent_ns, 1, ())
    assert line.held == {1}
    line.run(260 * MS)
    assert {sample.connection for sample in line.since(190 * MS) if sample.kind is GOOD} == {1}


def transaction_of(line: PretendWire, asked_ns: int) -> bytes:
    """The link numbers its requests from 1 on, in the order in which they were sent."""
    return ([instant for instant, _, _ in line.sent].index(asked_ns) + 1).to_bytes(2, "big")


def test_a_reset_on_the_old_connection_is_a_sample_of_it() -> None:
    """It proves that the peer lost its state, even when a new connection is polled already."""
    line = wire(answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(400 * MS)
    line.peer.reply, line.peer.connects = good_answer, "accept"
    line.peer.forgot.add(1)
    line.run(2000 * MS)
    (reset,) = line.kinds(RESET)
    assert reset.connection == 1
    assert line.link.in_contact
    assert line.held == {line.kinds(GOOD)[-1].connection}


def test_the_old_connection_is_asked_again_once_the_stack_has_shown_itself() -> None:
    """If all that was sent before had been acknowledged, nothing else would ever draw a reset."""
    line = wire(answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(400 * MS)
    asked = sum(1 for _, number, _ in line.sent if number == 1)
    line.peer.connects = "refuse"
    line.run(500 * MS)
    assert sum(1 for _, number, _ in line.sent if number == 1) == asked + 1


def test_the_old_connection_is_let_go_when_the_new_one_has_proved_good() -> None:
    """If neither reset nor late answer comes, it has nothing more to tell."""
    line = wire(answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(300 * MS)
    line.peer.connects = "accept"
    line.peer.reply = good_answer
    line.peer.takes_ns = 1 * MS
    old_stays_silent(line)
    line.run(400 * MS)
    assert line.link.in_contact
    assert 1 in line.held
    line.run(400 * MS + KEEP_OLD_NS)
    assert 1 not in line.held
    assert line.link.in_contact


def old_stays_silent(line: PretendWire) -> None:
    """What is sent on connection 1 is lost from now on."""
    send = line._send  # the pretend wire is the test's own
    line._send = lambda action: None if action.connection == 1 else send(action)  # type: ignore[method-assign]


def test_with_one_connection_allowed_the_old_one_makes_room_after_a_glitch_would_be_over() -> None:
    """A lost packet stalls TCP for 200 ms and more; only then is the evidence given up for contact."""
    line = wire(connections=1, answer_within_ns=50 * MS).run(100 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(1000 * MS)
    lost = line.kinds(SILENT)[0].received_ns
    assert line.closed[0] == (lost + OLD_ALONE_NS, 1)
    assert line.opened[1][0] == lost + OLD_ALONE_NS
    assert line.most_held == 1


REPLIES: dict[str, Callable[[bytes], bytes | None]] = {
    "same": good_answer,
    "other": lambda pdu: good_answer(pdu, bits=1),
    "exception": lambda pdu: bytes([pdu[0] | 0x80, 6]),
    "nonsense": lambda pdu: bytes([pdu[0], 7, 0]),
    "silence": nobody,
}


@examples(45)
@given(
    replies=st.lists(st.tuples(st.sampled_from(list(REPLIES)), st.sampled_from([0, 1, 1, 3, 25, 90])), max_size=60),
    happens=st.lists(st.tuples(st.sampled_from(["write", "reset"]), st.integers(1, 90)), max_size=6),
    points=st.sampled_from([ONE_READ, THREE_READS]),
)
@example(replies=[*[("same", 1)] * 6, ("silence", 1), ("same", 1), ("silence", 1)], happens=[], points=THREE_READS)
def test_the_short_way_of_the_usual_answer_changes_nothing(
    replies: list[tuple[str, int]], happens: list[tuple[str, int]], points: tuple[Point, ...]
) -> None:
    """Whatever comes, and however late: the same bytes are sent, the same samples and outcomes come of it."""
    told = []
    for short in (False, True):
        device = Device("controller", "192.0.2.10", connections=2, answer_within_ns=20 * MS)
        line = PretendWire(Link(device, points), short=short)
        line.peer.reply = by_turns(line, replies)
        for ticket, (what, after_ms) in enumerate(happens):
            line.run(line.now + after_ms * MS)
            for number in line.held if what == "reset" else ():
                line.link.lost(number, line.now, reset=True)
            if what == "write":
                line.link.write(ticket, "start_button", True, line.now)
            line.carry_out()
        line.run(line.now + 700 * MS)
        told.append((line.sent, line.samples, line.outcomes, line.opened, line.closed))
    assert told[0] == told[1]


def by_turns(line: PretendWire, replies: list[tuple[str, int]]) -> Callable[[bytes], bytes | None]:
    """Each reply once, with the time it takes; afterwards good ones."""
    coming = iter(replies)

    def reply(pdu: bytes) -> bytes | None:
        name, takes_ms = next(coming, ("same", 1))
        line.peer.takes_ns = takes_ms * MS
        return REPLIES[name](pdu)

    return reply


def test_what_is_told_the_same_again_bears_the_very_same_values() -> None:
    """So whoever writes it down need not do so anew."""
    line = PretendWire(Link(Device("controller", "192.0.2.10"), ONE_READ), short=True).run(100 * MS)
    values = [sample.values for sample in line.kinds(GOOD)]
    assert len(values) > 5
    assert all(each is values[0] for each in values)


def test_after_a_late_answer_a_dropped_request_is_not_waited_for_in_full() -> None:
    """Some servers drop the second of two requests that arrive together after a stall."""
    line = wire(THREE_READS, answer_within_ns=200 * MS).run(100 * MS)
    line.peer.reply = nobody
    line.run(350 * MS)
    first, second = [entry for entry in line.sent if entry[0] > 100 * MS][:2]
    line.peer.reply = good_answer
    line.hear(1, transaction_of(line, first[0]), good_answer(first[2]))
    line.carry_out()
    line.run(450 * MS)
    dropped = line.kinds(SILENT)[-1]
    assert dropped.sent_ns == second[0]
    assert dropped.received_ns < second[0] + 200 * MS
    assert line.kinds(GOOD)[-1].received_ns > dropped.received_ns


class HoldsBack(PretendWire):
    """A peer with Nagle's algorithm against delayed acknowledgements: an answer leaves only once the one before it was
    acknowledged, by our next request or by our kernel after 40 ms. `stall`: from when to when it does nothing."""

    def __init__(self, link: Link, stall: tuple[int, int]) -> None:
        super().__init__(link)
        self._stall = stall
        self._unacknowledged_until = 0
        self._waiting: list[Callable[[], None]] = []

    def _send(self, action: Send) -> None:
        number, transaction, pdu = action.connection, action.data[:2], action.data[7:]
        self.sent.append((self.now, number, pdu))
        delay = max(1 * MS, self._stall[1] - self.now if self._stall[0] <= self.now < self._stall[1] else 0)
        self.later(1 * MS, self._acknowledged)
        self.later(delay, lambda: self._answer(lambda: self.hear(number, transaction, good_answer(pdu))))

    def _acknowledged(self) -> None:
        self._unacknowledged_until = 0
        if self._waiting:
            self._leave(self._waiting.pop(0))

    def _answer(self, answer: Callable[[], None]) -> None:
        if self.now < self._unacknowledged_until:
            self._waiting.append(answer)
        else:
            self._leave(answer)

    def _leave(self, answer: Callable[[], None]) -> None:
        self._unacknowledged_until = self.now + 40 * MS
        self.later(40 * MS, lambda: self._acknowledged() if self.now >= self._unacknowledged_until else None)
        self.later(1 * MS, answer)


@pytest.mark.parametrize("answer_within_ns", [30 * MS, 100 * MS])
def test_a_peer_that_holds_answers_back_is_caught_up_with(answer_within_ns: int) -> None:
    """Two answers that pile up in a stall must not leave every later one a request behind (RFC 896, RFC 1122)."""
    link = Link(Device("controller", "192.0.2.10", answer_within_ns=answer_within_ns), THREE_READS)
    line = HoldsBack(link, stall=(200 * MS, 200 * MS + answer_within_ns + 70 * MS))
    line.run(1000 * MS)
    assert line.kinds(LATE)
    recovered = [one for one in line.since(600 * MS) if one.kind is GOOD]
    assert len(recovered) > 100
    assert {one.kind for one in line.since(600 * MS)} == {GOOD}


# ---------------------------------------------------------------- writes


def test_a_write_goes_between_two_polls_on_the_sampling_connection() -> None:
    """It appears as a sample of its own request, and its outcome says between which instants it took effect."""
    line = wire().run(55 * MS)
    line.link.write(7, "start_button", True, line.now)
    line.carry_out()
    line.run(80 * MS)
    assert (55 * MS, 1, bytes.fromhex("05 00 01 FF 00")) in line.sent
    (outcome,) = line.outcomes
    assert (outcome.ticket, outcome.sent_ns, outcome.received_ns, outcome.problem) == (7, 55 * MS, 56 * MS, "")
    (written,) = [sample for sample in line.samples if sample.request == 1]
    assert (written.kind, written.values, written.connection) == (GOOD, (), 1)


def test_a_write_waits_for_the_answer_that_is_awaited() -> None:
    """Two requests on their way at once are one too many for some servers; writes keep their order, none is merged."""
    line = wire()
    line.peer.takes_ns = 5 * MS
    line.run(22 * MS)
    for ticket, value in enumerate([True, False, True]):
        line.link.write(ticket, "start_button", value, line.now)
    line.carry_out()
    line.run(60 * MS)
    written = [pdu[3] for _, _, pdu in line.sent if pdu[0] == 5]
    assert written == [0xFF, 0x00, 0xFF]
    assert [outcome.ticket for outcome in line.outcomes] == [0, 1, 2]
    spans = [(sample.sent_ns, sample.received_ns) for sample in line.samples if sample.request != CONNECT]
    assert all(before[1] <= after[0] for before, after in itertools.pairwise(spans))


@pytest.mark.parametrize(
    ("reply", "problem"),
    [(lambda pdu: bytes([0x85, 2]) if pdu[0] == 5 else good_answer(pdu), "exception 2"), (silent_for(5), "silent")],
)
def test_a_write_that_is_not_confirmed_says_why(reply: Callable[[bytes], bytes | None], problem: str) -> None:
    """An exception and silence are told apart; polling goes on after either."""
    line = wire(answer_within_ns=50 * MS).run(55 * MS)
    line.peer.reply = reply
    line.link.write(1, "start_button", True, line.now)
    line.carry_out()
    line.run(200 * MS)
    assert [outcome.problem for outcome in line.outcomes] == [problem]
    assert line.link.in_contact
    assert len(line.opened) == 1


def test_a_write_on_a_connection_that_is_reset_says_so() -> None:
    """Whether it took effect is then unknown."""
    line = wire().run(55 * MS)
    line.peer.forgot.add(1)
    line.link.write(1, "start_button", True, line.now)
    line.carry_out()
    line.run(60 * MS)
    assert [outcome.problem for outcome in line.outcomes] == ["reset"]


def test_a_write_without_contact_is_refused_at_once() -> None:
    """Nothing is kept to be written later, when nobody expects it any more."""
    line = wire()
    line.peer.connects = "silent"
    line.run(50 * MS)
    line.link.write(1, "start_button", True, line.now)
    line.carry_out()
    line.peer.connects = "accept"
    line.run(500 * MS)
    assert [outcome.problem for outcome in line.outcomes] == ["no contact"]
    assert all(pdu[0] != 5 for _, _, pdu in line.sent)


def test_a_point_that_is_not_writable_is_never_written() -> None:
    """Whatever anybody asks."""
    line = wire().run(50 * MS)
    with pytest.raises(ValueError, match="not marked `writable`"):
        line.link.write(1, "auger", True, line.now)
    assert line.link.actions == []


def test_the_end_lets_go_of_everything() -> None:
    """No socket is left to the device, and writes that were sent or wait are answered."""
    line = wire().run(55 * MS)
    for ticket in (1, 2):
        line.link.write(ticket, "start_button", True, line.now)
    line.link.end(line.now)
    line.carry_out()
    assert line.held == set()
    assert {(outcome.ticket, outcome.problem) for outcome in line.outcomes} == {(1, "silent"), (2, "no contact")}


@pytest.mark.parametrize("connections", [1, 2])
def test_writes_that_wait_when_contact_is_lost_are_answered(connections: int) -> None:
    """They are not kept for later: the one that asked decides anew."""
    line = wire(THREE_READS, connections, answer_within_ns=50 * MS).run(101 * MS)
    line.peer.reply, line.peer.connects = nobody, "silent"
    line.run(165 * MS)
    line.link.write(1, "start_button", True, line.now)
    line.run(250 * MS)
    assert [outcome.problem for outcome in line.outcomes] == ["no contact"]


# ---------------------------------------------------------------- rules that hold whatever happens


@examples(75)
@given(
    connections=st.integers(1, 6),
    points=st.sampled_from([ONE_READ, THREE_READS]),
    story=st.lists(
        st.tuples(
            st.sampled_from(["accept", "refuse", "silent"]),
            st.sampled_from(["good", "nobody", "busy", "only bits", "nonsense"]),
            st.sampled_from(["", "forget all", "late", "write", "cut off"]),
            st.integers(1, 400),
        ),
        min_size=1,
        max_size=12,
    ),
)
def test_whatever_happens_the_rules_of_the_link_hold(
    connections: int, points: tuple[Point, ...], story: list[tuple[str, str, str, int]]
) -> None:
    """Never more held than allowed; each opened number is new; received is never before sent nor before an earlier
    sample; only good reads carry values; each write gets one outcome; when all is well again, there is contact."""
    replies: dict[str, Callable[[bytes], bytes | None]] = {
        "good": good_answer,
        "nobody": nobody,
        "busy": lambda pdu: bytes([pdu[0] | 0x80, 6]),
        "only bits": lambda pdu: good_answer(pdu) if pdu[0] == 1 else None,
        "nonsense": lambda pdu: b"\x00" if pdu[0] == 1 else good_answer(pdu),
    }
    line = wire(points, connections, answer_within_ns=50 * MS)
    tickets = 0
    for connects, reply, event, wait_ms in story:
        line.peer.connects, line.peer.reply = connects, replies[reply]
        if event == "forget all":
            line.peer.forgot |= line.held
        elif event == "write":
            tickets += 1
            line.link.write(tickets, "start_button", True, line.now)
        elif event == "late" and line.sent:
            _, number, pdu = line.sent[-1]
            line.hear(number, len(line.sent).to_bytes(2, "big"), good_answer(pdu))
        elif event == "cut off":
            for number in sorted(line.held):
                line.link.lost(number, line.now, reset=False)
        line.carry_out()
        line.run(line.now + wait_ms * MS)
    line.peer.connects, line.peer.reply = "accept", good_answer
    line.run(line.now + 1500 * MS)

    assert line.most_held <= connections
    numbers = [number for _, number in line.opened]
    assert numbers == sorted(set(numbers))
    received = [sample.received_ns for sample in line.samples]
    assert received == sorted(received)
    assert all(sample.sent_ns <= sample.received_ns for sample in line.samples)
    assert all(
        bool(sample.values) == (sample.kind is GOOD and sample.request < len(line.link.reads))
        for sample in line.samples
    )
    assert sorted(outcome.ticket for outcome in line.outcomes) == list(range(1, tickets + 1))
    assert line.link.in_contact
    assert line.kinds(GOOD)[-1].received_ns > line.now - 50 * MS


@given(
    period=st.integers(1, 1000),
    reads=st.integers(1, 3),
    steps=st.lists(st.tuples(st.integers(0, 5000), st.booleans()), max_size=60),
)
def test_deadlines_are_met_or_counted_and_the_grid_never_drifts(
    period: int, reads: int, steps: list[tuple[int, bool]]
) -> None:
    """Every deadline up to now either began a round or was counted, as the bench's or as the peer's."""
    pace = Pace(period, reads)
    now = rounds = 0
    for wait, held_up in steps:
        now += wait
        while (read := pace.next_read(now)) is not None:
            rounds += read == 0
            if held_up:
                pace.held_up()
    assert pace.deadline_ns % period == 0
    assert rounds + pace.missed + pace.waited == pace.deadline_ns // period


def test_a_link_without_reads_is_refused() -> None:
    """A device that is never asked can't be observed."""
    with pytest.raises(ValueError, match="no point of it"):
        Link(Device("controller", "192.0.2.10"), ())


def test_the_first_action_is_to_connect() -> None:
    """Nothing is sent before a connect was accepted."""
    link = Link(Device("controller", "192.0.2.10"), ONE_READ)
    link.tick(0)
    assert link.actions == [Open(1)]
    link.accepted(1, MS)
    assert [type(action) for action in link.actions] == [Open, Send]
