"""The bench's hands: every command to a point or to the supply goes through here, so that it can be put back.

Only points of the allow-list are ever written. On every way out: first every pressed or held point back to idle,
read back; then the supply to its resting state, not before its shortest off time is over.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from restart_bench.clock import NS_PER_MS, NS_PER_S, now_ns
from restart_bench.link_values import NO_CONTACT
from restart_bench.observing import Observing
from restart_bench.records import Answered, PointWritten, Record, Switching, WriteAnnounced
from restart_bench.rig import Point, Rig, Value
from restart_bench.safety import manual_step
from restart_bench.waiting import StopRequest
from restart_bench_drivers.interface import AskPerson, Supply, SupplyError

_RESTORE_TRIES = 5
_RESTORE_PAUSE_S = 0.5
_READ_BACK_WITHIN_NS = 2 * NS_PER_S
_IDLE_TRIES = 5
_CONTACT_WITHIN_NS = NS_PER_S
_CONTACT_PAUSE_S = 0.05


class HandsError(Exception):
    """A command was not taken; the text says which, what came, and what to check."""


class SupplyFailed(HandsError):
    """The supply did not do as told."""


@dataclass(slots=True)
class SupplyState:
    """What was last commanded, and since when (end of the command)."""

    commanded: str = "unknown"  # on, off, unknown
    on_since_ns: int | None = None
    off_since_ns: int | None = None
    operations: int = 0
    cuts_ns: tuple[int, ...] = ()


class Hands:
    """Presses, holds, writes and switches; remembers what has to be undone."""

    def __init__(
        self,
        rig: Rig,
        observing: Observing,
        supply: Supply | None,
        *,
        allowed: frozenset[str],
        publish: Callable[[Record], None],
        ask: AskPerson | None,
        stop: StopRequest,
        heed_limits: bool,
    ) -> None:
        self._rig = rig
        self._observing = observing
        self._supply = supply
        self._allowed = allowed
        self._publish = publish
        self._ask = ask
        self._stop = stop
        self._heed_limits = heed_limits
        self._asks_person = _asks_person(rig)
        self._out_of_idle: dict[str, Value] = {}  # point -> value to go back to
        self.state = SupplyState()
        self.cycle = 0
        self.before_start: Callable[[str], None] | None = None  # waits out the limits of the point

    # ------------------------------------------------------------ points

    def write(self, name: str, value: Value, purpose: str) -> PointWritten:
        """Writes one point and records it. Raises HandsError if it was not taken, or may not be written."""
        self._refuse_unnamed(name)
        if name in self._out_of_idle and value != self._out_of_idle[name]:
            self._publish(WriteAnnounced(self.cycle, name, value, purpose, now_ns()))
        done = self._observing.write(name, value, purpose)
        tries, until = 0, now_ns() + _CONTACT_WITHIN_NS
        while done.problem == NO_CONTACT and now_ns() < until and not self._observing.failed:
            time.sleep(_CONTACT_PAUSE_S)  # nothing was sent, so it can be said again once somebody listens
            tries += 1
            done = self._observing.write(name, value, purpose)
        retries = done.retries + tries
        record = PointWritten(self.cycle, name, value, purpose, done.sent_ns, done.received_ns, done.problem, retries)
        self._publish(record)
        if done.problem:
            device = self._rig.devices[self._rig.points[name].device]
            raise HandsError(
                f"{name} could not be written ({done.problem}); check {device.name} at {device.host}:{device.port}"
            )
        return record

    def _refuse_unnamed(self, name: str) -> None:
        if name not in self._allowed:
            raise HandsError(f"{name} is not on the list of points that this run may write; nothing was written")

    def leave_idle(self, name: str, purpose: str) -> None:
        """Takes a point out of idle; it is put back on every way out. Raises HandsError."""
        point = self._rig.points[name]
        if point.by_hand is None:
            self._refuse_unnamed(name)
        if self.before_start is not None:
            self.before_start(name)
        idle = self._idle(point)
        self._out_of_idle[name] = idle  # before the write: a lost answer may still have moved it
        if point.by_hand is not None:
            self._by_hand(point, f"Press and keep pressed: {point.by_hand}", out_of_idle=True)
            return
        self.write(name, not idle if point.is_boolean else 1 - int(idle), purpose)

    def back_to_idle(self, name: str, purpose: str = "release") -> None:
        """Puts a point back. Raises HandsError; it then stays on the list of what has to be undone."""
        point = self._rig.points[name]
        if point.by_hand is not None:
            self._by_hand(point, f"Let go of: {point.by_hand}", out_of_idle=False)
        else:
            self.write(name, self._idle(point), purpose)
        self._out_of_idle.pop(name, None)

    def press_by_hand(self, point: Point, *, again: bool = False) -> Answered:
        """One press by a person; the point's own input shows it. Raises HandsError where nobody can answer."""
        before = f"{point.shown} was not seen pressed. " if again else ""
        return self.ask(f"{before}Press briefly: {point.by_hand}. Done?", point.name)

    def take_over(self, observing: Observing) -> None:
        """Goes on with another observer: the first one failed."""
        self._observing = observing

    def undo(self, left: dict[str, Value]) -> None:
        """Takes over what a killed run left out of idle; such a point may be written whatever the scenarios name."""
        self._out_of_idle.update(left)
        self._allowed = self._allowed | frozenset(left)

    def take_over_cut(
        self, cut: Switching, left: dict[str, Value], held: tuple[str, ...], say: Callable[[str], None]
    ) -> None:
        """Goes on with a cut of a killed run: what a scenario holds stays held, every other point goes back to idle,
        the supply counts as off since then."""
        self.undo(left)
        kept = {name: self._out_of_idle.pop(name) for name in held if name in self._out_of_idle}
        self.all_to_idle(say)
        self._out_of_idle.update(kept)
        self.state.commanded, self.state.off_since_ns = "off", cut.after_ns
        self.state.cuts_ns = (cut.before_ns,)

    def held(self) -> tuple[str, ...]:
        """The points that are out of idle now."""
        return tuple(self._out_of_idle)

    def remember_mode(self, name: str, run_value: Value) -> None:
        """The mode point counts as held while the controller is out of run."""
        self._out_of_idle[name] = run_value

    def forget(self, name: str) -> None:
        """The point is back where it belongs."""
        self._out_of_idle.pop(name, None)

    @staticmethod
    def _idle(point: Point) -> Value:
        return False if point.idle is None else point.idle

    def _by_hand(self, point: Point, question: str, *, out_of_idle: bool) -> None:
        """A person does it, and the point's own input has to show it; asked once more where it does not."""
        idle = self._idle(point)
        for before in ("", f"{point.shown} does not show it. "):
            if not self.ask(f"{before}{question}. Done?", point.name).answer:
                raise HandsError(f"the person asked did not do it: {question}")
            if self._shows(point.name, lambda value: (value != idle) is out_of_idle):
                return
        raise HandsError(f"{point.shown} was never seen {'out of' if out_of_idle else 'back in'} idle: {question}")

    def _shows(self, name: str, right: Callable[[Value], bool]) -> bool:
        deadline = now_ns() + _CONTACT_WITHIN_NS
        while now_ns() < deadline and not self._observing.failed:
            reading = self._observing.latest(name)
            if reading is not None and reading.value is not None and right(reading.value):
                return True
            self._observing.wait_news(0.02)
        return False

    # ------------------------------------------------------------ people

    def ask(self, question: str, point: str = "") -> Answered:
        """Asks a person and records question and answer. Raises HandsError where nobody can answer."""
        if self._ask is None:
            raise HandsError(f"nobody is there to answer: {question}")
        asked = now_ns()
        self._stop.asking = True
        try:
            yes = self._ask(question)
        finally:
            self._stop.asking = False
        answered = Answered(self.cycle, question, yes, asked, now_ns(), point)
        self._publish(answered)
        return answered

    # ------------------------------------------------------------ supply

    def switch(self, to: str, purpose: str, volts: float | None = None) -> Switching:
        """One command to the supply, recorded with bounds. Raises HandsError if it was not taken."""
        before = now_ns()
        problem = ""
        tried = getattr(self._supply, "retries", 0)
        self._stop.asking = self._asks_person  # a command to a relay is over sooner than it could be broken off
        try:
            self._command(to, volts)
        except SupplyError as error:
            problem = str(error)
        except BaseException as error:
            # The command may have been carried out: what is known of it has to be kept before anything else.
            problem = str(error) or "broken off by a person"
            raise
        finally:
            self._stop.asking = False
            after = now_ns()
            again = getattr(self._supply, "retries", 0) - tried
            record = Switching(self.cycle, "supply", to, purpose, before, after, problem, again)
            self._remember(to, purpose, before, after, taken=not problem)
            self._publish(record)
        if problem:
            raise SupplyFailed(f"the supply did not go {to}: {problem}")
        return record

    def _command(self, to: str, volts: float | None) -> None:
        if self._supply is None:
            raise SupplyError("this rig has no supply that the bench can switch")
        if to == "level":
            level = getattr(self._supply, "level", None)
            if level is None or volts is None:
                raise SupplyError("this supply has no levels between on and off")
            level(volts)
        elif to == "on":
            self._supply.on()
        else:
            self._supply.off()

    def _remember(self, to: str, purpose: str, before: int, after: int, *, taken: bool) -> None:
        # A command without an answer may have been carried out: the limits count it, nothing else relies on it.
        state = self.state
        if to != state.commanded:
            state.operations += 1
        if to != "on":
            state.off_since_ns, state.on_since_ns = after, None
        elif taken:
            if state.on_since_ns is None:  # else an earlier run had brought it on already
                state.on_since_ns = after
            state.off_since_ns = None
        state.commanded = "unknown" if not taken else "on" if to == "on" else "off"
        if purpose == "cut":
            state.cuts_ns = (*state.cuts_ns[-2000:], before)

    def leave_supply(self, wish: str, purpose: str, say: Callable[[str], None], *, once: bool = False) -> str:
        """Brings the supply to `on` or `off` (`as it is`: nothing), with patience; returns how it was left.

        Says loudly when the relay does not obey, tries again (unless `once`), and names the manual step. Never
        raises for that.
        """
        if self._supply is None or wish == "as it is":
            return f"as it is ({self.state.commanded})"
        if self.state.commanded == wish:
            return wish
        self._wait_out_off_time(wish, say)
        tries = 1 if once else _RESTORE_TRIES
        for attempt in range(1, tries + 1):
            try:
                self.switch(wish, purpose)
            except (HandsError, KeyboardInterrupt) as problem:
                say(f"THE SUPPLY DID NOT GO {wish.upper()} (try {attempt} of {tries}): {problem}")
                if attempt < tries:
                    time.sleep(_RESTORE_PAUSE_S)
            else:
                return wish
        say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {manual_step(wish)}")
        return f"unknown: it did not go {wish}"

    def waits_for_on_ns(self) -> int:
        """The instant before which the supply may not go on (`off_at_least`); 0 for at once."""
        supply = self._rig.supply
        if not self._heed_limits or supply is None or self.state.off_since_ns is None:
            return 0
        return self.state.off_since_ns + supply.limits.off_at_least_ns

    def waits_for_cut_ns(self) -> int:
        """The instant before which the supply may not be cut (`on_at_least`); 0 for at once."""
        supply = self._rig.supply
        if not self._heed_limits or supply is None or self.state.on_since_ns is None:
            return 0
        return self.state.on_since_ns + supply.limits.on_at_least_ns

    def _wait_out_off_time(self, wish: str, say: Callable[[str], None]) -> None:
        if wish != "on":
            return
        until = self.waits_for_on_ns()
        left = until - now_ns()
        if left > 0:
            say(f"the supply stays off for another {left / NS_PER_S:.1f} s (off_at_least), then it goes on")
            while (left := until - now_ns()) > 0:
                time.sleep(min(left, 200 * NS_PER_MS) / NS_PER_S)

    # ------------------------------------------------------------ way out

    def all_to_idle(self, say: Callable[[str], None]) -> tuple[str, ...]:
        """Every pressed or held point back to idle, read back; returns those that could not be shown to be there."""
        failed: list[str] = []
        for name in tuple(self._out_of_idle):
            if not self._one_to_idle(name):
                failed.append(name)
                say(
                    f"{name.upper()} MAY STILL BE OUT OF IDLE: go to the rig and see that "
                    f"{self._rig.points[name].shown} is {_word(self._out_of_idle.get(name, False))}"
                )
        return tuple(failed)

    def _one_to_idle(self, name: str) -> bool:
        point = self._rig.points[name]
        if point.by_hand is not None:
            self._out_of_idle.pop(name, None)
            return True  # a person holds it; nobody is asked on the way out
        idle = self._out_of_idle[name]
        for _ in range(_IDLE_TRIES):
            try:
                written = self.write(name, idle, "idle")
            except HandsError:
                time.sleep(0.2)
                continue
            if self._reads_back(name, idle, written.received_ns):
                self._out_of_idle.pop(name, None)
                return True
        return False

    def _reads_back(self, name: str, value: Value, since_ns: int) -> bool:
        deadline = now_ns() + _READ_BACK_WITHIN_NS
        while now_ns() < deadline:
            reading = self._observing.latest(name)
            if reading is not None and reading.sent_ns >= since_ns and reading.value is not None:
                return reading.value == value
            if self._observing.failed:
                return False
            self._observing.wait_news(0.02)
        return False


def _asks_person(rig: Rig) -> bool:
    """True where the supply is switched by a person, who can be interrupted while asked."""
    from restart_bench_drivers.registry import cards

    card = cards().get(rig.supply.driver) if rig.supply is not None else None
    return card is not None and card.needs_person


def _word(value: Value) -> str:
    return ("on" if value else "off") if isinstance(value, bool) else str(value)
