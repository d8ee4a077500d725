"""The way out by itself, on a supply and a rail that are played: what a lost guard does, and what can't keep it from
its end."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from evidence import dryer
from restart_bench.model.clock import now_ns
from restart_bench.model.journal import Record, Switching
from restart_bench.model.live import Reading
from restart_bench.model.rig import Rig, Value
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run import actuators as hands
from restart_bench.run.actuators import Actuators
from restart_bench.run.context import Chronicle, CycleContext
from restart_bench.run.safe_end import SafeEnd
from restart_bench.run.supervision import StopRequest
from restart_bench_drivers.interface import Supply


class _Relay:
    """A supply that does as it is told, and a rail that follows it unless it is silent; it is the observer as well."""

    failed = ""

    def __init__(self, *, on: bool, rail: bool = True, guard: bool = True) -> None:
        self.on_now, self.rail_is_read, self.guard = on, rail, guard
        self.told: list[str] = []

    def on(self) -> None:
        self.told.append("on")
        self.on_now = True

    def off(self) -> None:
        self.told.append("off")
        self.on_now = False

    def is_on(self) -> bool:
        return self.on_now

    def latest(self, name: str) -> Reading | None:
        values: dict[str, Value | None] = {
            "rail": self.on_now if self.rail_is_read else None,
            "guard_closed": self.guard,
        }
        return Reading(values[name], now_ns(), now_ns()) if name in values else None

    def last_good_ns(self, _device: str) -> int | None:
        return None

    def wait_news(self, _timeout_s: float) -> bool:
        return False


class _Told:
    """A chronicle that keeps what is said."""

    leaving = owes_way_out = False

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)


class Way:
    """A way out over a relay that is played."""

    def __init__(self, relay: Any, *, commanded: str = "unknown", after_trouble: str = "off") -> None:
        self.relay, self.chronicle = relay, _Told()
        self.records: list[Record] = []
        base = dryer()
        assert base.supply is not None
        rig: Rig = dryer(supply=replace(base.supply, after_trouble=after_trouble), only_while=())
        observer = cast(ObserverHandle, relay)
        self.actuators = Actuators(
            rig, observer, cast(Supply, relay), allowed=frozenset(), publish=self.records.append,
            ask=None, stop=StopRequest(), heed_limits=True,
        )  # fmt: skip
        self.actuators.state.commanded = commanded
        self.actuators.state.operations = int(commanded != "unknown")
        context = SimpleNamespace(actuators=self.actuators, rig=rig, cycle=0, enter=lambda *_: None)
        self.safe_end = SafeEnd(
            cast(CycleContext, context), rig.supply, cast(Chronicle, self.chronicle), armed=True, stack=ExitStack()
        )

    def switched(self) -> list[str]:
        """What the journal tells of commands to the supply."""
        return [one.to for one in self.records if isinstance(one, Switching)]


@pytest.fixture(autouse=True)
def _no_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    for limit in ("_RAIL_WITHIN_NS", "_CONTACT_WITHIN_NS", "_IDLE_PATIENCE_NS", "_RESTORE_PAUSE_S"):
        monkeypatch.setattr(hands, limit, 0)


@pytest.mark.parametrize(
    ("commanded", "is_on", "rail", "after_trouble", "told"),
    [
        ("on", True, True, "off", ["off"]),
        ("unknown", True, True, "off", ["off"]),
        ("unknown", True, True, "on", []),
        ("unknown", False, True, "off", []),
        ("unknown", False, True, "on", []),
        ("unknown", True, False, "off", ["off"]),
        ("unknown", False, False, "on", []),
        ("off", False, True, "on", []),
        ("off", False, False, "on", []),
        ("off", False, False, "off", []),
        ("off", True, True, "off", ["off"]),
        ("off", True, True, "on", []),
        ("on", False, True, "off", []),
        ("on", True, False, "off", ["off"]),
    ],
)
def test_when_a_guard_is_lost_what_is_on_goes_to_after_trouble_and_nothing_goes_on(
    commanded: str, is_on: bool, rail: bool, after_trouble: str, told: list[str]
) -> None:
    """What the rail shows to be on is on, whatever was commanded; what nobody knows to be off goes off; nothing is told
    to go on."""
    way = Way(_Relay(on=is_on, rail=rail), commanded=commanded, after_trouble=after_trouble)
    way.safe_end.leave(trouble=True, at_once=True)
    assert way.relay.told == told
    assert way.relay.on_now is (is_on and "off" not in told)
