"""Which of the ordered faults play in the cut that is going on."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from restart_bench.model.clock import now_ns
from restart_bench.model.fault_catalogue import prepared
from restart_bench.model.program import InjectedFault

Settings = dict[str, Any]


def idle_key(name: str, point: object, cut: object) -> str:
    """One ordered fault in one cut, by which is known why it had no effect."""
    return f"{name} {point or ''} {cut}"


@dataclass(frozen=True, slots=True)
class Playing:
    """The faults of one cut, in the order of the file."""

    faults: tuple[InjectedFault, ...] = ()

    def all(self, name: str) -> list[Settings]:
        """Settings of every fault of this name."""
        return [fault.settings for fault in self.faults if fault.name == name]

    def one(self, name: str) -> Settings | None:
        """Settings of the first one, or None if none plays."""
        return next(iter(self.all(name)), None)

    def at_point(self, name: str, point: str) -> Settings | None:
        """Settings of the first one that concerns this point."""
        return next((one for one in self.all(name) if one["point"] == point), None)


class FaultPlayer:
    """Counts cuts; `now` are the faults of the cut that is going on."""

    def __init__(self, faults: Iterable[InjectedFault], draws: random.Random) -> None:
        self._faults = [prepared(fault) for fault in faults]
        self._own = len(self._faults)
        self._draws = draws
        self.cut = 0
        self.begun_ns = 0  # when that cut was commanded
        self.now = Playing()
        self.idle: dict[str, str] = {}  # why a fault had no effect, by `idle_key`
        self._choose()

    def begin_cut(self) -> None:
        """The next cut begins; faults that play only sometimes are drawn anew."""
        self.cut += 1
        self.begun_ns = now_ns()
        self._choose()

    def order(self, fault: InjectedFault) -> None:
        """One more fault. It plays in the cut that is going on if its settings say so."""
        self._faults.append(prepared(fault))
        self._choose()

    @property
    def ordered(self) -> tuple[InjectedFault, ...]:
        """The faults that were ordered since the beginning, in their order."""
        return tuple(self._faults[self._own :])

    def had_no_effect(self, name: str, point: str, why: str) -> None:
        """A fault of the cut that is going on changed nothing."""
        self.idle[idle_key(name, point, self.cut)] = why

    def forget_ordered(self) -> None:
        """None of them plays any more."""
        self.idle.clear()
        del self._faults[self._own :]
        self._choose()

    def _choose(self) -> None:
        self.now = Playing(tuple(fault for fault in self._faults if self._plays(fault.settings)))

    def _plays(self, settings: Settings) -> bool:
        last = settings["to_cut"]
        if self.cut < settings["from_cut"] or (last is not None and self.cut > last):
            return False
        return settings["one_in"] == 1 or self._draws.randrange(settings["one_in"]) == 0
