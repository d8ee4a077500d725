"""How a supply stands on the way out: at a level it is neither on nor off, and a rail is given a moment to follow."""

from __future__ import annotations

from typing import Any

import pytest

from evidence import dryer
from restart_bench.model.clock import now_ns
from restart_bench.model.journal import Record
from restart_bench.model.live import Reading
from restart_bench.observer.handle import Blind
from restart_bench.run.actuators import Actuators
from restart_bench.run.recovery import supply_left
from restart_bench.run.supervision import StopRequest

LEVEL_V = 14.4


class AtVolts:
    """A programmable supply of 24 V that keeps what it was told."""

    def __init__(self) -> None:
        self.volts = 24.0

    def on(self) -> None:
        """All of it."""
        self.volts = 24.0

    def off(self) -> None:
        """Nothing."""
        self.volts = 0.0

    def level(self, volts: float) -> None:
        """So much."""
        self.volts = volts

    def is_on(self) -> bool:
        """More than half."""
        return self.volts > 12

    def close(self) -> None:
        """Left as it is."""


def in_a_dip() -> tuple[Actuators, AtVolts, list[Record]]:
    """The supply was told to be on, then to be at a level; nothing reads the rail."""
    supply, records = AtVolts(), list[Record]()
    observer: Any = Blind("nobody looks")
    actuators = Actuators(
        dryer(proof_of_cut=()), observer, supply, allowed=frozenset(), publish=records.append, ask=None,
        stop=StopRequest(), heed_limits=False,
    )  # fmt: skip
    actuators.switch("on", "prepare")
    actuators.switch("level", "cut", volts=LEVEL_V)
    return actuators, supply, records


@pytest.mark.parametrize(("wish", "volts"), [("off", 0.0), ("on", 24.0)])
def test_a_supply_at_a_level_is_told_whatever_it_is_to_be(wish: str, volts: float) -> None:
    """It is neither off nor on, so either wish is a command of its own."""
    actuators, supply, _ = in_a_dip()
    assert str(actuators.leave_supply(wish, "rest", print)) == wish and supply.volts == volts


def test_a_supply_left_at_a_level_is_said_to_be_there() -> None:
    """Neither by the run that left it, nor by who puts a killed one right, is it called off."""
    actuators, supply, records = in_a_dip()
    left = actuators.leave_supply("as it is", "rest", print)
    assert str(left) == "as it is (at a level)" and supply.volts == LEVEL_V
    actuators.forbids = lambda: "the guard is open"
    left = actuators.leave_supply("on", "rest", print)
    assert left.trouble and str(left).startswith("at a level: not switched on") and supply.volts == LEVEL_V
    assert supply_left(records) == "to a level"


class LateRail(Blind):
    """A rail that was read on before the cut, and reads off from the next look on."""

    def __init__(self) -> None:
        super().__init__("")
        self._on = True

    def latest(self, point: str) -> Reading | None:
        """Just now."""
        return Reading(self._on, now_ns(), now_ns())

    def wait_news(self, timeout_s: float) -> bool:
        """The next look."""
        self._on = False
        return True


def test_a_supply_that_was_cut_just_now_is_not_said_to_be_on() -> None:
    """Nothing may be switched right after the cut: the rail was last read before it."""
    observer: Any = LateRail()
    actuators = Actuators(
        dryer(), observer, AtVolts(), allowed=frozenset(), publish=lambda _: None, ask=None, stop=StopRequest(),
        heed_limits=False,
    )  # fmt: skip
    actuators.switch("off", "cut")
    assert str(actuators.leave_supply("as it is", "rest", print)) == "as it is (off)"
