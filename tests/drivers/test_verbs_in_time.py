"""A driver is anybody's code: its verbs come to an end, and what it raises is told as the supply's fault."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import pytest

from restart_bench_drivers import in_time
from restart_bench_drivers.in_time import opened_in_time
from restart_bench_drivers.interface import LevelSupply, SupplyError


class _Driver:
    """Does what it is made of, and remembers the threads that it was called in."""

    retries = 3

    def __init__(self, off: Callable[[], None] = lambda: None) -> None:
        self.threads = [threading.current_thread()]
        self._off = off

    def on(self) -> None:
        self.threads.append(threading.current_thread())

    def off(self) -> None:
        self._off()

    def is_on(self) -> bool | None:
        self.threads.append(threading.current_thread())
        return True

    def close(self) -> None:
        self.threads.append(threading.current_thread())


class _WithLevels(_Driver):
    volts = 0.0

    def level(self, volts: float) -> None:
        self.volts = volts


@pytest.fixture
def hanging(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], None]]:
    """A verb that does not come back before the test is over; little time is given to it."""
    monkeypatch.setattr(in_time, "VERB_WITHIN_S", 0.2)
    over = threading.Event()
    yield lambda: bool(over.wait()) and None
    over.set()


def test_a_driver_is_opened_and_called_in_one_thread_that_is_not_ours() -> None:
    """Some libraries insist on the thread that opened them."""
    driver: list[_Driver] = []
    supply = opened_in_time(lambda: driver.append(_Driver()) or driver[0])  # type: ignore[func-returns-value]
    supply.on()
    assert supply.is_on() is True
    supply.close()
    (thread,) = set(driver[0].threads)
    assert thread is not threading.current_thread()
    thread.join(5)
    assert not thread.is_alive()


def test_only_a_driver_with_levels_has_levels() -> None:
    """The bench asks for them by the verb."""
    assert not isinstance(opened_in_time(_Driver), LevelSupply)
    supply = opened_in_time(_WithLevels)
    assert isinstance(supply, LevelSupply)
    supply.level(19.5)
    assert getattr(supply, "volts") == 19.5 and getattr(supply, "retries") == 3  # noqa: B009


@pytest.mark.parametrize("ends", [SystemExit(0), SystemExit("no such bus"), KeyboardInterrupt()])
def test_what_would_end_the_process_is_a_fault_of_the_supply(ends: BaseException) -> None:
    """A driver's own end or stop is nobody's verdict and no person's wish."""

    def raises() -> None:
        raise ends

    with pytest.raises(SupplyError, match=type(ends).__name__):
        opened_in_time(lambda: _Driver(raises)).off()


def test_a_fault_of_a_driver_is_raised_as_it_is() -> None:
    """Whoever switches tells what it was."""

    def raises() -> None:
        raise SupplyError("the relay refused")

    with pytest.raises(SupplyError, match="the relay refused"):
        opened_in_time(lambda: _Driver(raises)).off()


def test_a_verb_that_hangs_is_given_up_and_the_next_is_still_tried(hanging: Callable[[], None]) -> None:
    """The way out reaches the supply, and who waits is told what hangs."""
    supply = opened_in_time(lambda: _Driver(hanging))
    with pytest.raises(SupplyError, match=r"did not come back from `off` within 0\.2 s"):
        supply.off()
    supply.on()
    assert supply.is_on() is True
    supply.close()


def test_opening_that_hangs_is_given_up(hanging: Callable[[], None]) -> None:
    """A rig whose relay can't be opened is told, and its points are put to rest all the same."""

    def opens() -> _Driver:
        hanging()
        return _Driver()

    with pytest.raises(SupplyError, match="`opening`"):
        opened_in_time(opens)


def test_what_hangs_keeps_no_process_from_ending(hanging: Callable[[], None]) -> None:
    """Its thread is one that the system ends with the process."""
    with pytest.raises(SupplyError):
        opened_in_time(lambda: _Driver(hanging)).off()
    time.sleep(0)
    assert all(one.daemon for one in threading.enumerate() if one.name == "supply driver")
