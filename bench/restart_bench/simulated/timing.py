"""Things that happen later, as near to their instant as one thread can do it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from restart_bench.model.clock import NS_PER_S, now_ns

SPUN_NS = 2_000_000  # a selector rounds its sleep up to whole milliseconds; the rest is waited out awake


class Alarms:
    """Callbacks at instants of the bench's clock, all of which can be called off together."""

    def __init__(self) -> None:
        self._handles: set[asyncio.TimerHandle] = set()

    def after(self, delay_ns: int, act: Callable[[], None]) -> None:
        """Call `act` once this time has passed: never earlier, later by less than a millisecond on an idle machine.
        A delay of 0 acts at once."""
        if delay_ns <= 0:
            act()
            return
        due_ns = now_ns() + delay_ns

        def ring() -> None:
            self._handles.discard(handle)
            spin_until(due_ns)
            act()

        early_s = max(0, delay_ns - SPUN_NS) / NS_PER_S
        handle = asyncio.get_running_loop().call_later(early_s, ring)
        self._handles.add(handle)

    def cancel(self) -> None:
        """Call off all that has not happened yet."""
        for handle in self._handles:
            handle.cancel()
        self._handles.clear()


def spin_until(due_ns: int) -> None:
    """Wait awake, but never longer than a sleep could be late."""
    end_ns = min(due_ns, now_ns() + 2 * SPUN_NS)
    while now_ns() < end_ns:
        pass


async def sleep_until(due_ns: int) -> None:
    """Wait for an instant without keeping the machine busy; may be late by a millisecond or two."""
    left_ns = due_ns - now_ns()
    await asyncio.sleep(max(0, left_ns) / NS_PER_S)
