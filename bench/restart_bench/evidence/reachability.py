"""What the controller's link says: who answered, who refused, who fell silent, and which connection outlived the cut.

Silence proves little and is never read as a value: a connect that nobody answered may have been lost while the
network asked for the neighbour's address, which it does only once a second; a single request may have been lost on its
way, or its reply, so that two of them have to stay silent to show anything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
import numpy.typing as npt

from restart_bench.evidence.traces import Flags, Instants, TraceBuilder
from restart_bench.model.clock import Bounds
from restart_bench.model.rig import Rig
from restart_bench.model.samples import CONNECT, SampleKind

NEIGHBOUR_NS = 1_050_000_000
"""How long a reachable host may still look silent to connects: a failed neighbour entry is asked for once a second
(measured: up to 1.04 s)."""

REPLIES = (SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.LATE)
FAILURES = (SampleKind.SILENT, SampleKind.REFUSED, SampleKind.RESET)


@cache
def _among(kinds: tuple[SampleKind, ...]) -> Flags:
    """For each number of a kind whether it is one of these: looking it up costs a tenth of `np.isin`."""
    return np.isin(np.arange(256), kinds)


@dataclass(frozen=True, eq=False)
class Reachability:
    """Every request and attempt to connect of one device, in order of `received_ns`."""

    sent: Instants
    received: Instants
    kind: npt.NDArray[np.uint8]
    connects: Flags
    connection: npt.NDArray[np.uint32]

    def __len__(self) -> int:
        return len(self.kind)

    @staticmethod
    def with_controller(rig: Rig, builder: TraceBuilder) -> Reachability | None:
        """The link to the controller; None where the rig has none, or it was never asked."""
        rows = None if rig.controller is None else builder.rows(rig.controller.name)
        if rows is None or len(rows.records) == 0:
            return None
        return Reachability(
            rows.column("sent_ns").astype(np.int64, copy=False),
            rows.column("received_ns").astype(np.int64, copy=False),
            rows.column("kind").astype(np.uint8, copy=False),
            rows.column("request") == CONNECT,
            rows.column("connection").astype(np.uint32, copy=False),
        )

    def of_kind(self, kinds: tuple[SampleKind, ...]) -> Flags:
        """Which rows are of one of these kinds."""
        return _among(kinds)[self.kind]

    def first(
        self,
        kinds: tuple[SampleKind, ...],
        after_ns: int,
        against: tuple[SampleKind, ...],
        *,
        connects: bool = False,
        received_after_ns: int | None = None,
    ) -> Bounds | None:
        """When something first came after an instant: not before the last sign against it, not after it was received
        (after another instant, where one is given).

        `against` are the kinds that show that it was not so yet. Silence to a connect reaches back a second less.
        """
        since_ns = after_ns if received_after_ns is None else received_after_ns
        low = int(np.searchsorted(self.received, since_ns, side="right"))
        found = np.flatnonzero(self.of_kind(kinds)[low:] & (self.connects[low:] == connects))
        if len(found) == 0:
            return None
        place = low + int(found[0])
        not_before = max(after_ns, self._last_sign(low, place, against))
        received = int(self.received[place])
        return Bounds(min(not_before, received), received)

    def _last_sign(self, low: int, place: int, against: tuple[SampleKind, ...]) -> int:
        """Latest instant at which something before row `place` showed that it was not so yet (0: nothing did)."""
        sent, connects = self.sent[low:place], self.connects[low:place]
        silent_connect = connects & (self.kind[low:place] == SampleKind.SILENT)
        # A reset on a connection from before is the word of a stack that may well serve others already.
        no_sign = self.kind[low:place] == SampleKind.RESET
        if bool(no_sign.any()):
            no_sign &= np.isin(self.connection[low:place], self.connection[:low])
        strong = self.of_kind(against)[low:place] & ~silent_connect & ~no_sign
        silent = strong & (self.kind[low:place] == SampleKind.SILENT)
        told, unanswered, weak = sent[strong & ~silent], np.sort(sent[silent]), sent[silent_connect]
        return max(
            int(told.max()) if len(told) else 0,
            int(unanswered[-2]) if len(unanswered) > 1 else 0,  # the last one alone may have been lost on its way
            int(weak.max()) - NEIGHBOUR_NS if len(weak) else 0,
        )

    def connection_at(self, instant_ns: int) -> int | None:
        """The connection on which the last reply before an instant came."""
        high = int(np.searchsorted(self.received, instant_ns, side="right"))
        replies = np.flatnonzero(self.of_kind(REPLIES)[:high])
        return int(self.connection[replies[-1]]) if len(replies) else None

    def last_reply_ns(self, until_ns: int) -> int:
        """When the last reply was received up to an instant; the instant itself where there was none."""
        high = int(np.searchsorted(self.received, until_ns, side="right"))
        replies = np.flatnonzero(self.of_kind(REPLIES)[:high])
        return int(self.received[replies[-1]]) if len(replies) else until_ns

    def lost_again(self, after_ns: int, until_ns: int) -> list[Loss]:
        """Losses of contact after one instant and not after another, the last one first: a connection was never
        answered again that had been, and others were tried."""
        low = int(np.searchsorted(self.received, after_ns, side="left"))
        if not bool((self.kind[low:] != SampleKind.GOOD).any()):
            return []  # every attempt to connect leaves a row that is no good reply
        replies = low + np.flatnonzero(self.of_kind(REPLIES)[low:])
        rows = np.arange(low, len(self))
        signs = rows[self.connects[low:] | (self.kind[low:] == SampleKind.RESET)]
        found: list[Loss] = []
        for link in np.unique(self.connection[replies]).tolist():
            last = int(replies[self.connection[replies] == link][-1])
            if not after_ns < self.sent[last] <= until_ns or not bool((signs > last).any()):
                continue
            found.append(self._loss(link, last, rows[rows > last]))
        return sorted(found, key=lambda loss: loss.bounds.not_before_ns, reverse=True)

    def _loss(self, link: int, last: int, rows: npt.NDArray[np.intp]) -> Loss:
        """The loss of a connection whose last reply is known."""
        failed = rows[np.isin(self.kind[rows], (*FAILURES, SampleKind.ACCEPTED))]
        anew = (self.kind[rows] == SampleKind.REFUSED) | (
            (self.kind[rows] == SampleKind.RESET) & (self.connection[rows] == link)
        )
        sent = int(self.sent[last])
        return Loss(Bounds(sent, max(sent, self._shown_by(failed))), bool(anew.any()))

    def _shown_by(self, signs: npt.NDArray[np.intp]) -> int:
        """By when signs that contact is lost, in order of receipt, show it: by the first, or, where that is a mere
        silence, by the one after it (where there is one yet)."""
        alone = int(self.kind[signs[0]]) == SampleKind.SILENT and len(signs) > 1
        return int(self.received[signs[1 if alone else 0]])

    def answered_through(self, fate: ConnectionOutcome, low_ns: int, high_ns: int) -> Bounds | None:
        """When a stack begun anew took up, or first answered on, a connection before one instant on which it answered
        what was asked after another; None: there is none."""
        if fate.anew_ns is None:
            return None
        spoke = np.flatnonzero(self.of_kind((*REPLIES, SampleKind.ACCEPTED)))
        ahead = spoke[(self.sent[spoke] >= fate.anew_ns) & (self.received[spoke] <= low_ns)]
        behind = spoke[(self.sent[spoke] >= high_ns) & ~self.connects[spoke]]
        both = ahead[np.isin(self.connection[ahead], self.connection[behind])]
        return Bounds(int(self.sent[both[0]]), int(self.received[both[0]])) if len(both) else None

    def fate(self, cut: Bounds, restored: Bounds) -> ConnectionOutcome:
        """What became of the connection that was in use at the cut. Marks and findings ask for it several times, and it
        goes over all rows: it is worked out once."""
        if (cut, restored) not in self._fates:
            self._fates[cut, restored] = self._fate(cut, restored)
        return self._fates[cut, restored]

    @cached_property
    def _fates(self) -> dict[tuple[Bounds, Bounds], ConnectionOutcome]:
        return {}

    def _fate(self, cut: Bounds, restored: Bounds) -> ConnectionOutcome:
        old = self.connection_at(cut.not_before_ns)
        if old is None:
            return ConnectionOutcome(None, None, None)
        mine = self.connection == old
        last = int(np.flatnonzero(mine & self.of_kind(REPLIES))[-1])
        failed = np.flatnonzero(self.of_kind(FAILURES))
        over = np.flatnonzero(self.of_kind((*FAILURES, SampleKind.CLOSED)))
        if bool(((over > last) & (self.received[over] <= cut.not_before_ns)).any()):
            return ConnectionOutcome(None, None, None)  # it was lost before the cut, which has no part in that
        failures = failed[self.received[failed] > cut.not_before_ns]
        failures = failures[failures > last]
        reset = np.flatnonzero(mine & (self.kind == SampleKind.RESET) & (self.received > cut.not_before_ns))
        closed = bool((mine & (self.kind == SampleKind.CLOSED) & (self.received > cut.not_before_ns)).any())
        late = int(self.kind[last]) == SampleKind.LATE
        answered_ns = int(self.received[last] if late else self.sent[last])
        if answered_ns >= restored.not_after_ns:
            return replace(self._after_the_return(last, failures, reset), closed=closed)
        if len(failures) or len(reset):
            return self._lost(cut, restored, last, failures, reset)
        return (
            ConnectionOutcome(False, None, int(self.received[last]))
            if answered_ns >= restored.not_before_ns
            else ConnectionOutcome(None, None, None, closed=closed)
        )

    def _lost(
        self,
        cut: Bounds,
        restored: Bounds,
        last: int,
        failures: npt.NDArray[np.intp],
        reset: npt.NDArray[np.intp],
    ) -> ConnectionOutcome:
        signs, accepted = np.union1d(failures, reset), np.flatnonzero(self.of_kind((SampleKind.ACCEPTED,)))
        shown = self._shown_by(np.union1d(signs, accepted[accepted > signs[0]]))
        not_before = max(cut.not_before_ns, int(self.sent[last]))
        not_after = min(shown, max(restored.not_after_ns, not_before))
        refused = failures[self.kind[failures] == SampleKind.REFUSED]
        anew = self.received[np.concatenate((refused, reset))]
        anew_ns = int(anew.min()) if len(anew) else None
        dark = Bounds(not_before, max(not_before, not_after))
        return ConnectionOutcome(True, dark, shown, anew_ns=anew_ns, alone=anew_ns is None and self._alone(last, signs))

    def _alone(self, last: int, signs: npt.NDArray[np.intp]) -> bool:
        """Whether only one sign came between the last reply on a connection and the next one on another, and none on
        that connection after it."""
        replies = np.flatnonzero(self.of_kind(REPLIES))
        behind = replies[replies > last]
        between = signs < (behind[0] if len(behind) else len(self))
        return int((between | (self.connection[signs] == self.connection[last])).sum()) == 1

    def _after_the_return(
        self, last: int, failures: npt.NDArray[np.intp], reset: npt.NDArray[np.intp]
    ) -> ConnectionOutcome:
        """The controller rode through; whether it was lost later. A request that stays unanswered is no loss yet: only
        then is another connection tried. A reset, or a refusal, is the word of a stack that has begun anew; silence
        may be the network's, and who closes in good order may live on."""
        answered_ns = int(self.received[last])
        tried = np.flatnonzero(self.connects & (np.arange(len(self)) > last))
        if not len(tried) and not len(reset):
            return ConnectionOutcome(False, None, answered_ns)
        shown = self._shown_by(np.unique(np.concatenate((failures, tried, reset))))
        refused = tried[self.kind[tried] == SampleKind.REFUSED]
        anew = np.concatenate((reset, refused))
        lost = True if len(anew) else None
        known = int(self.received[int(anew.min())]) if lost else shown
        dark = Bounds(int(self.sent[last]), max(shown, int(self.sent[last])))
        return ConnectionOutcome(lost, dark, known, late=True, anew_ns=known if lost else None)


@dataclass(frozen=True, slots=True)
class Loss:
    """Contact was lost between two instants. `anew`: by a stack that had begun anew (it refused or reset), where
    silence alone may be the network's."""

    bounds: Bounds
    anew: bool


@dataclass(frozen=True, slots=True)
class ConnectionOutcome:
    """`lost`: True, the controller fell silent or reset the connection; False, the connection from before the cut
    answered after the return; None, not shown. `dark` bounds the loss. `shown_ns`: by when this was known. `late`: it
    had answered after the return, and was lost after that (`lost` None: it fell silent, for whatever reason).
    `anew_ns`: by when a stack that had begun anew refused or reset; None: it only fell silent. `closed`: it was
    closed in good order, which shows neither that it restarted nor that it did not. `alone`: once, before another
    connection was taken up, so that a single lost reply may be all there was."""

    lost: bool | None
    dark: Bounds | None
    shown_ns: int | None
    late: bool = False
    anew_ns: int | None = None
    alone: bool = False
    closed: bool = False
