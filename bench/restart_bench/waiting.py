"""How the bench waits: with its eyes open.

Every wait of a run goes through `Attention.wait_until`, which looks at what may not be overlooked (a person who
stops the run, the observer, `only_while`, a computer that slept) and lets the screen draw, but never shortly
before a deadline: drawing costs milliseconds, and a command to the relay is due to the millisecond.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from restart_bench.clock import NS_PER_MS, NS_PER_S, counts_sleep_ns, now_ns
from restart_bench.observing import Observing
from restart_bench.records import Trouble
from restart_bench.rig import Rig

T = TypeVar("T")

LOST_READ_NS = NS_PER_S
"""A condition of `only_while` that was not read for this long counts as lost."""
_QUIET_NS = 30 * NS_PER_MS  # no drawing so shortly before a deadline
_CHECK_EVERY_NS = 20 * NS_PER_MS
_DRAW_EVERY_NS = 100 * NS_PER_MS
_SLEPT_NS = NS_PER_S
_STEPPED_NS = NS_PER_S


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
        self.asking = False  # a question to a person is open: the handler then breaks it off

    def now(self, by: str) -> None:
        """Asks to stop. Raises KeyboardInterrupt while a question to a person is open."""
        self.count += 1
        self.by = self.by or by
        if self.asking:
            raise KeyboardInterrupt


class Attention:
    """Looks after a run while it waits. `draw` is called at most ten times a second."""

    def __init__(
        self,
        rig: Rig,
        observing: Observing,
        *,
        stop: StopRequest,
        note: Callable[[Trouble], None],
        draw: Callable[[int], None],
    ) -> None:
        self._rig = rig
        self._observing = observing
        self._stop = stop
        self._note = note
        self._draw = draw
        self._next_draw_ns = 0
        self._slept_offset_ns = self._sleep_offset()
        self._wall_offset_ns = time.time_ns() - now_ns()
        self.cycle = 0
        self.guarding = False  # `only_while` is watched once the first cycle begins
        self._guarding_since_ns = 0
        self._guard_read_ns: dict[str, int] = {}

    def guard(self, on: bool) -> None:
        """Watch `only_while` from now on (or no more). Each condition has a second to be read first."""
        if on and not self.guarding:
            self._guarding_since_ns = now_ns()
        self.guarding = on

    def wait_until(self, deadline_ns: int, check: Callable[[], T | None] | None = None) -> T | None:
        """Waits to the deadline, or until `check` gives something; returns that, or None at the deadline.

        Raises EndOfRun when the run can't go on.
        """
        next_check_ns = 0
        while True:
            now = now_ns()
            self.look(now)
            if check is not None and (now >= next_check_ns or now >= deadline_ns):
                found = check()
                if found is not None:
                    return found
                next_check_ns = now + _CHECK_EVERY_NS
            left = deadline_ns - now_ns()
            if left <= 0:
                return None
            if left <= _QUIET_NS:
                time.sleep(left / NS_PER_S)
                continue
            if now >= self._next_draw_ns:
                self._next_draw_ns = now + _DRAW_EVERY_NS
                self._draw(now)
            self._observing.wait_news(min(left - _QUIET_NS // 2, _CHECK_EVERY_NS) / NS_PER_S)

    def look(self, now: int) -> None:
        """One look at everything. Raises EndOfRun."""
        if self._stop.count:
            self.end("stopped", f"stopped by {self._stop.by}", now)
        if self._observing.failed:
            self.end("observer", f"the observer failed: {self._observing.failed}", now)
        self._look_at_clocks(now)
        if self.guarding:
            self._look_at_only_while(now)

    def end(self, kind: str, text: str, at_ns: int) -> None:
        """Records the trouble and ends the run. Raises EndOfRun."""
        trouble = Trouble(cycle=self.cycle, kind=kind, text=text, at_ns=at_ns)
        self._note(trouble)
        raise EndOfRun(trouble)

    def _look_at_only_while(self, now: int) -> None:
        for name, wanted in self._rig.only_while:
            reading = self._observing.latest(name)
            if reading is None or reading.value is None:
                read_ns = max(self._guard_read_ns.get(name, 0), self._guarding_since_ns)
                if now - read_ns > LOST_READ_NS:
                    self.end("only_while", f"{name} of `only_while` could not be read for a second", read_ns)
                continue
            self._guard_read_ns[name] = reading.received_ns
            if now - reading.received_ns > LOST_READ_NS:
                text = f"{name} of `only_while` could not be read for a second"
                self.end("only_while", text, reading.received_ns)
            elif not wanted.met_by(reading.value):
                self.end("only_while", f"{name} of `only_while` no longer holds: it reads {reading.value}", now)

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
