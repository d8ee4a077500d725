"""How the bench waits: with its eyes open.

Every wait of a run goes through `Supervisor.wait_until`, which looks at what may not be overlooked (a person who
stops the run, the observer, `only_while`, a computer that slept) and lets the screen draw, but never shortly
before a deadline: drawing costs milliseconds, and a command to the relay is due to the millisecond.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from types import FrameType
from typing import NamedTuple, TypeVar

from restart_bench.model.clock import NS_PER_MS, NS_PER_S, counts_sleep_ns, now_ns
from restart_bench.model.journal import Trouble
from restart_bench.model.live import Reading
from restart_bench.model.rig import Rig, Wanted
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run.arming import isolation_is_past

T = TypeVar("T")
A = TypeVar("A")

LOST_READ_NS = NS_PER_S
"""A condition of `only_while` that was not read for this long counts as lost."""
_QUIET_NS = 30 * NS_PER_MS  # no drawing so shortly before a deadline
_CHECK_EVERY_NS = 20 * NS_PER_MS
_RESTS = 3  # as long as a check took
_DRAW_EVERY_NS = 100 * NS_PER_MS
_DATE_EVERY_NS = 200 * NS_PER_MS
_SLEPT_NS = NS_PER_S
_ASKED_LOOK_S = 0.05
_ALWAYS_HEARD = ("SIGINT", "SIGTERM", "SIGBREAK")
_HEARD = (
    "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM", "SIGPROF", "SIGIO", "SIGPWR",
    "SIGXCPU", "SIGSTKFLT",
)  # fmt: skip
_UNHEARD = ("SIGTTIN", "SIGTTOU")
_STEPPED_NS = NS_PER_S


def _rest(took_ns: int, deadline_ns: int) -> None:
    """A pause after a check that took so long, so that most of the time is left for all else."""
    pause = min(_RESTS * took_ns, _CHECK_EVERY_NS, deadline_ns - now_ns())
    if pause > 0:
        time.sleep(pause / NS_PER_S)


class EndOfRun(Exception):
    """The run ends here: a person has to look, or stopped it. The trouble is already recorded."""

    def __init__(self, trouble: Trouble) -> None:
        super().__init__(trouble.text)
        self.trouble = trouble


class StopRequest:
    """Set from a signal handler, read everywhere: how often a person (or the system) asked to stop."""

    def __init__(self) -> None:
        self.count = 0
        self.by = ""
        self._asking = False  # a question to a person is open: the handler then breaks it off
        self._heard = False  # signals come here
        self._breaking_off, self._broken_off_ns = False, 0

    def now(self, by: str) -> None:
        """Asks to stop. Raises KeyboardInterrupt while a question to a person is open."""
        ours, self._breaking_off = self._breaking_off, False
        if not ours:
            self.count += 1
            self.by = self.by or by
        # once, wherever within the question this comes; one that is open a second later did not hear it
        if self._asking and now_ns() - self._broken_off_ns > NS_PER_S:
            self._broken_off_ns = now_ns()
            raise KeyboardInterrupt

    def asks(self, ask: Callable[[str], A], question: str) -> A:
        """Asks a person. Raises KeyboardInterrupt where somebody wants to stop meanwhile."""
        try:
            self._asking, self._broken_off_ns = True, 0
            return ask(question)
        finally:
            self._asking = False

    def break_off(self) -> None:
        """From another thread: ends the question that is open, though nobody asked to stop."""
        main = threading.main_thread().ident
        if not self._heard or not self._asking or main is None:
            return
        self._breaking_off = True
        if hasattr(signal, "pthread_kill"):
            signal.pthread_kill(main, signal.SIGINT)
        else:
            os.kill(os.getpid(), getattr(signal, "CTRL_C_EVENT", signal.SIGINT))

    @contextlib.contextmanager
    def hears_signals(self) -> Iterator[None]:
        """Every polite end, quit or stop of the console only asks to stop, however often; the way out is kept.

        What whoever started the bench had it ignore stays ignored (a hang-up under `nohup`), but for Ctrl-C and
        SIGTERM. In a background job neither writing to the console nor reading from it may stop the bench.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        with contextlib.ExitStack() as stack:
            for name in (*_ALWAYS_HEARD, *_HEARD, *_UNHEARD):
                number = getattr(signal, name, None)
                if number is None:
                    continue
                before = signal.getsignal(number)
                if before is None or (name in _HEARD and before != signal.SIG_DFL):
                    continue
                signal.signal(number, signal.SIG_IGN if name in _UNHEARD else self._on_signal)
                stack.callback(signal.signal, number, before)
            self._heard = True
            try:
                yield
            finally:
                self._heard = False

    def _on_signal(self, number: int, _frame: FrameType | None) -> None:
        self.now("a person (Ctrl-C)" if number == signal.SIGINT else f"signal {signal.Signals(number).name}")


class Lost(NamedTuple):
    """A condition of the whole run that no longer holds: `only_while`, or the isolation."""

    kind: str
    text: str
    at_ns: int


class Conditions:
    """What must hold in every phase of an armed run: `only_while`, and the time that the isolation is stated for."""

    def __init__(self, rig: Rig, observer: ObserverHandle, *, isolation: bool) -> None:
        self._rig = rig
        self._observer = observer
        self._until = rig.isolation.until if isolation and rig.isolation is not None else ""
        self._since_ns: int | None = None
        self._read_ns: dict[str, int] = {}
        self._next_date_ns = 0

    def watch(self) -> None:
        """Watch `only_while` from now on. Each condition has a second to be read first."""
        if self._since_ns is None:
            self._begin()

    def _begin(self) -> None:
        self._since_ns = now_ns()
        for name, _ in self._rig.only_while:
            self._observer.watch(name)

    def read(self) -> bool | None:
        """True once every condition of `only_while` was read (None before)."""
        readings = [self._observer.latest(name) for name, _ in self._rig.only_while]
        return True if all(reading is not None and reading.value is not None for reading in readings) else None

    def forbids(self) -> str:
        """Why the supply may not go on now, "" where it may; each condition is given its second to be read first, and
        what an observer that failed can't tell is not known to hold."""
        self.watch()
        self.take_in()
        while (lost := self.lost(now_ns())) is None and not self.read() and not self._observer.failed:
            self._observer.wait_news(0.02)
        if lost is not None:
            return lost.text
        names = ", ".join(name for name, _ in self._rig.only_while)
        return f"{names} of `only_while` can't be read any more" if names and self._observer.failed else ""

    def take_in(self) -> None:
        """All that was read of `only_while` until now is known."""
        if self._rig.only_while:
            self._observer.take_in()

    def look_through(self, observer: ObserverHandle) -> None:
        """From now on through another observer; each condition has its second to be read anew."""
        self._observer = observer
        self._read_ns.clear()
        self._begin()

    def lost(self, now: int) -> Lost | None:
        """The first condition that does not hold now; None where all do, or a dead observer can't tell."""
        return self._isolation_over(now) or self._only_while_lost(now)

    def _isolation_over(self, now: int) -> Lost | None:
        if not self._until or now < self._next_date_ns:
            return None
        if not isolation_is_past(self._until, datetime.now().astimezone()):
            self._next_date_ns = now + _DATE_EVERY_NS
            return None
        return Lost("isolation", f"the isolation of {self._rig.name} held until {self._until}, which is past", now)

    def _only_while_lost(self, now: int) -> Lost | None:
        if self._since_ns is None or self._observer.failed:
            return None
        for name, wanted in self._rig.only_while:
            reading = self._observer.latest(name)
            if reading is not None and reading.value is not None:
                self._read_ns[name] = reading.received_ns
                if not wanted.met_by(reading.value):
                    text = f"{name} of `only_while` no longer holds: it reads {reading.value}"
                    return Lost("only_while", text, now)
            if (broken := self._broken_since(name, wanted)) is not None:
                text = f"{name} of `only_while` did not hold all through: it read {broken.value} meanwhile"
                return Lost("only_while", text, broken.received_ns)
            read_ns = max(self._read_ns.get(name, 0), self._since_ns)
            if now - read_ns > LOST_READ_NS:
                return Lost("only_while", f"{name} of `only_while` could not be read for a second", read_ns)
        return None

    def _broken_since(self, name: str, wanted: Wanted) -> Reading | None:
        """A read since the last look, however short, that does not conform; of before it was watched none counts."""
        since_ns = self._since_ns or 0
        for read in self._observer.every_value(name):
            if read.received_ns >= since_ns and read.value is not None and not wanted.met_by(read.value):
                return read
        return None


class Supervisor:
    """Looks after a run while it waits. `draw` is called at most ten times a second."""

    def __init__(
        self,
        rig: Rig,
        observer: ObserverHandle,
        *,
        stop: StopRequest,
        note: Callable[[Trouble], None],
        draw: Callable[[int], None],
        isolation: bool = False,
    ) -> None:
        self.conditions = Conditions(rig, observer, isolation=isolation)
        self._observer = observer
        self._stop = stop
        self._note = note
        self._draw = draw
        self._next_draw_ns = 0
        self._slept_offset_ns = self._sleep_offset()
        self._wall_offset_ns = time.time_ns() - now_ns()
        self.cycle = 0

    def guard(self) -> None:
        """Watches `only_while` from now on, once it was read. Raises EndOfRun where it does not hold, or was not read
        within a second."""
        self.conditions.watch()
        self.wait_until(now_ns() + 2 * LOST_READ_NS, self.conditions.read)

    def wait_until(self, deadline_ns: int, check: Callable[[], T | None] | None = None) -> T | None:
        """Waits to the deadline, or until `check` gives something; returns that, or None at the deadline. The check is
        asked as soon as something was read, and has most of the time free of it.

        Raises EndOfRun when the run can't go on.
        """
        if check is None:
            self._pass_time(deadline_ns)
            return None
        self.look(now_ns())
        self._observer.wait_news(0.0)  # what has come until now, `check` sees
        found = check()  # what is known already is asked for without a word to the observer
        if found is not None or now_ns() >= deadline_ns:
            return found
        with self._observer.attended(deadline_ns):
            return self._wait_for(check, deadline_ns)

    def _pass_time(self, deadline_ns: int) -> None:
        """To the deadline, and hardly beyond it."""
        while True:
            now = now_ns()
            self.look(now)
            left = deadline_ns - now_ns()
            if left <= 0:
                return
            if left <= _QUIET_NS:
                time.sleep(left / NS_PER_S)
                continue
            self._draw_if_due(now)
            self._observer.wait_news(min(left - _QUIET_NS // 2, _CHECK_EVERY_NS) / NS_PER_S)

    def _wait_for(self, check: Callable[[], T | None], deadline_ns: int) -> T | None:
        """Until `check` gives something, asked once more at the deadline."""
        while (left := deadline_ns - now_ns()) > 0:
            if left > _QUIET_NS:
                self._draw_if_due(now_ns())
            self._observer.wait_news(min(left, _CHECK_EVERY_NS) / NS_PER_S)
            begun = now_ns()
            self.look(begun)
            found = check()
            if found is not None:
                return found
            _rest(now_ns() - begun, deadline_ns)
        return check()

    def _draw_if_due(self, now: int) -> None:
        if now >= self._next_draw_ns:
            self._next_draw_ns = now + _DRAW_EVERY_NS
            self._draw(now)

    def look_closely(self) -> None:
        """A look before power is given: nothing that was read of `only_while` until now is overlooked. Raises
        EndOfRun."""
        self.conditions.take_in()
        self.look(now_ns())

    def look(self, now: int) -> None:
        """One look at everything. Raises EndOfRun."""
        if self._stop.count:
            self.end("stopped", f"stopped by {self._stop.by}", now)
        self._observer.look(now)
        if self._observer.failed:
            self.end("observer", f"the observer failed: {self._observer.failed}", now)
        self._look_at_clocks(now)
        lost = self.conditions.lost(now)
        if lost is not None:
            self.end(*lost)

    @contextlib.contextmanager
    def asking(self) -> Iterator[None]:
        """Looks on from a thread of its own while a person is asked, has the screen drawn, and breaks the question off
        where the run can't go on. Raises EndOfRun then."""
        over = threading.Event()
        lost: list[Lost] = []

        def look_on() -> None:
            while not over.wait(_ASKED_LOOK_S):
                self._observer.look(now_ns())
                found = self.conditions.lost(now_ns()) or self._observer_gone()
                if found is not None:
                    lost.append(found)
                    self._stop.break_off()
                    return
                self._draw(now_ns())

        looking = threading.Thread(target=look_on, daemon=True, name="asking")
        looking.start()
        try:
            yield
        except KeyboardInterrupt:
            if not lost:
                raise
        finally:
            over.set()
            looking.join()
        if lost:
            self.end(*lost[0])

    def _observer_gone(self) -> Lost | None:
        failed = self._observer.failed
        return Lost("observer", f"the observer failed: {failed}", now_ns()) if failed else None

    def end(self, kind: str, text: str, at_ns: int) -> None:
        """Records the trouble and ends the run. Raises EndOfRun."""
        trouble = Trouble(cycle=self.cycle, kind=kind, text=text, at_ns=at_ns)
        self._note(trouble)
        raise EndOfRun(trouble)

    def _look_at_clocks(self, now: int) -> None:
        offset = self._sleep_offset()
        if offset is not None and self._slept_offset_ns is not None and offset - self._slept_offset_ns > _SLEPT_NS:
            slept_s = (offset - self._slept_offset_ns) / NS_PER_S
            self._slept_offset_ns = offset
            self.end("slept", f"the computer slept for {slept_s:.0f} s: what happened meanwhile is unknown", now)
        wall_offset = time.time_ns() - now
        if abs(wall_offset - self._wall_offset_ns) > _STEPPED_NS:
            step_s = (wall_offset - self._wall_offset_ns) / NS_PER_S
            self._wall_offset_ns = wall_offset
            text = f"the wall clock was stepped by {step_s:+.0f} s; it only labels, nothing is measured by it"
            self._note(Trouble(cycle=self.cycle, kind="wall clock", text=text, at_ns=now, error=False))

    @staticmethod
    def _sleep_offset() -> int | None:
        counted = counts_sleep_ns()
        return None if counted is None else counted - now_ns()
