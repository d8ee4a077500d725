"""A peer and a wire that exist only as numbers: drives a link through time without sockets and without waiting."""

from __future__ import annotations

import heapq
import itertools
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

from restart_bench.model.samples import SampleKind
from restart_bench.observer.link import Close, Link, Open, Outcome, Sample, Send

MS = 1_000_000


def good_answer(pdu: bytes, bits: int = 0) -> bytes:
    """Zeros (or `bits`) for a read, the echo for a write."""
    function, _, count = struct.unpack(">BHH", pdu[:5])
    if function in (1, 2):
        size = (count + 7) // 8
        return bytes([function, size]) + bits.to_bytes(size, "little")
    if function in (3, 4):
        return bytes([function, 2 * count]) + bytes(2 * count)
    return pdu[:5]


@dataclass
class Peer:
    """What the far end does. Attributes may be changed at any time; `reply` gives a PDU, or None for silence."""

    connects: str = "accept"  # accept | refuse | silent
    reply: Callable[[bytes], bytes | None] = good_answer
    takes_ns: int = 1 * MS  # from a segment sent to what comes of it
    forgot: set[int] = field(default_factory=set)  # connections whose state was lost: segments on them draw a reset


class PretendWire:
    """Carries out what the link asks for. All that the link did is kept: `opened`, `closed`, `sent`, `samples`."""

    def __init__(self, link: Link, peer: Peer | None = None, *, short: bool = False) -> None:
        self.link = link
        self.short = short  # what comes is told by the short way first
        self.peer = peer or Peer()
        self.now = 0
        self.opened: list[tuple[int, int]] = []  # instant, connection
        self.closed: list[tuple[int, int]] = []
        self.sent: list[tuple[int, int, bytes]] = []  # instant, connection, PDU
        self.samples: list[Sample] = []
        self.outcomes: list[Outcome] = []
        self.most_held = 0
        self._held: set[int] = set()
        self._coming: list[tuple[int, int, Callable[[], None]]] = []
        self._order = itertools.count()

    def run(self, until_ns: int) -> PretendWire:
        """Let time pass."""
        while True:
            due = min(self.link.due_ns(), self._coming[0][0] if self._coming else until_ns + 1)
            if due > until_ns:
                self.now = until_ns
                return self
            self.now = max(self.now, due)
            while self._coming and self._coming[0][0] <= self.now:
                heapq.heappop(self._coming)[2]()
                self.carry_out()
            if self.link.due_ns() <= self.now:
                self.link.tick(self.now)
                self.carry_out()

    def later(self, delay_ns: int, happens: Callable[[], None]) -> None:
        """Have something happen after a delay."""
        heapq.heappush(self._coming, (self.now + delay_ns, next(self._order), happens))

    def carry_out(self) -> None:
        """What the real sockets would do with the link's actions."""
        while self.link.actions:
            actions, self.link.actions = self.link.actions, []
            for action in actions:
                if isinstance(action, Open):
                    self._open(action.connection)
                elif isinstance(action, Send):
                    self._send(action)
                elif isinstance(action, Close):
                    self._held.remove(action.connection)
                    self.closed.append((self.now, action.connection))
        self.samples += self.link.samples
        self.outcomes += self.link.outcomes
        self.link.samples, self.link.outcomes = [], []

    def _open(self, number: int) -> None:
        self.opened.append((self.now, number))
        self._held.add(number)
        self.most_held = max(self.most_held, len(self._held))
        if self.peer.connects == "accept":
            self.later(self.peer.takes_ns, lambda: self.link.accepted(number, self.now))
        elif self.peer.connects == "refuse":
            self.later(self.peer.takes_ns, lambda: self.link.refused(number, self.now))

    def _send(self, action: Send) -> None:
        number, pdu = action.connection, action.data[7:]
        self.sent.append((self.now, number, pdu))
        if number in self.peer.forgot:
            self.later(self.peer.takes_ns, lambda: self.link.lost(number, self.now, reset=True))
            return
        answer = self.peer.reply(pdu)
        if answer is not None:
            self.later(self.peer.takes_ns, lambda: self.hear(number, action.data[:2], answer))

    def hear(self, number: int, transaction: bytes, pdu: bytes) -> None:
        """A reply arrives."""
        data = transaction + struct.pack(">HHB", 0, len(pdu) + 1, 1) + pdu
        request = self.link.same_again(number, data, self.now) if self.short else None
        if request is None:
            self.link.received(number, data, self.now)
        elif request:
            self._send(Send(number, request))

    # ------------------------------------------------------------ what tests ask

    def kinds(self, kind: SampleKind) -> list[Sample]:
        """All samples of a kind."""
        return [sample for sample in self.samples if sample.kind is kind]

    def since(self, instant_ns: int) -> list[Sample]:
        """All samples received after an instant."""
        return [sample for sample in self.samples if sample.received_ns > instant_ns]

    @property
    def held(self) -> set[int]:
        """What is held now."""
        return set(self._held)
