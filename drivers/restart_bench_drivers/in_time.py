"""A driver is anybody's code: here each of its verbs comes to an end, and whatever it raises is a SupplyError.

Its verbs are called in one thread of their own, in which it was opened too. A verb that does not return in time is
given up: its thread is left to itself (it keeps no process from ending), and what comes after has a thread of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any, TypeVar, cast

from restart_bench_drivers.interface import LevelSupply, Supply, SupplyError

T = TypeVar("T")

VERB_WITHIN_S = 15.0
"""For opening and for each verb; the time-outs of a driver's own should be over by then."""
AFTER_A_HANG_S = 3.0
"""For each verb once one did not return: the way out goes on to what a person can do by hand."""


_Call = tuple[Callable[[], Any], Future[Any]]
"""What a driver is to do in another thread, and what becomes of it."""


class _Hand:
    """The thread in which a driver is called, and how long is waited for it."""

    def __init__(self, seconds: float) -> None:
        self._within_s = seconds
        self._calls: SimpleQueue[_Call | None] | None = None

    def call(self, verb: str, job: Callable[[], T]) -> T:
        """Raises SupplyError where the verb does not return in time, and what it raises by itself."""
        calls = self._calls
        if calls is None:
            calls = self._calls = SimpleQueue()
            threading.Thread(target=_work, args=(calls,), daemon=True, name="supply driver").start()
        call: Future[T] = Future()
        calls.put((job, call))
        try:
            return call.result(self._within_s)
        except TimeoutError:
            waited, self._within_s = self._within_s, min(self._within_s, AFTER_A_HANG_S)
            self.let_go()
            raise SupplyError(
                f"its driver did not come back from `{verb}` within {waited:g} s, so nobody knows what it did; look at "
                "the supply and at what it hangs on (cable, address, power of its own)"
            ) from None

    def let_go(self) -> None:
        """Its thread ends once it has nothing more to do."""
        if self._calls is not None:
            self._calls.put(None)
            self._calls = None


def _work(calls: SimpleQueue[_Call | None]) -> None:
    while (told := calls.get()) is not None:
        job, call = told
        try:
            call.set_result(job())
        except Exception as problem:
            call.set_exception(problem)
        except BaseException as problem:  # a driver's SystemExit or KeyboardInterrupt is no word of ours
            refused = SupplyError(f"its driver raised {type(problem).__name__}: {problem}")
            refused.__cause__ = problem
            call.set_exception(refused)


class SupplyInTime:
    """A supply whose verbs come to an end. Whatever else it has (`retries`) is the driver's own."""

    def __init__(self, supply: Supply, hand: _Hand) -> None:
        self.driver = supply
        self.hand = hand

    def __getattr__(self, name: str) -> Any:
        if name in ("driver", "hand", "level"):  # without levels it has no such verb
            raise AttributeError(name)
        return getattr(self.driver, name)

    def on(self) -> None:
        """Give the controller its power."""
        self.hand.call("on", self.driver.on)

    def off(self) -> None:
        """Take the controller's power away."""
        self.hand.call("off", self.driver.off)

    def is_on(self) -> bool | None:
        """What the hardware itself says."""
        return self.hand.call("is_on", self.driver.is_on)

    def close(self) -> None:
        """Let go of the hardware."""
        try:
            self.hand.call("close", self.driver.close)
        finally:
            self.hand.let_go()


class LevelSupplyInTime(SupplyInTime):
    """The same with levels."""

    driver: LevelSupply

    def level(self, volts: float) -> None:
        """Go to this voltage."""
        self.hand.call("level", lambda: self.driver.level(volts))


def opened_in_time(open_driver: Callable[[], Supply]) -> Supply:
    """The supply that this opens, its verbs held to their time. Raises what opening raises, SupplyError where it does
    not come to its end."""
    hand = _Hand(VERB_WITHIN_S)
    supply = hand.call("opening", open_driver)
    kind = LevelSupplyInTime if isinstance(supply, LevelSupply) else SupplyInTime
    return cast(Supply, kind(supply, hand))
