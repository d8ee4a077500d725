"""The relay module and the supply behind its contact."""

from __future__ import annotations

import random
from collections.abc import Callable

from restart_bench.model.clock import now_ns
from restart_bench.model.rig import Point, RigSupply, Value
from restart_bench.simulated.faults import FaultPlayer
from restart_bench.simulated.tables import OfTables
from restart_bench.simulated.timing import Alarms

DROP_OUT = 0.6  # below this fraction of the nominal voltage the controller loses its power
DRAWN = (0.2, 0.8)  # share of a data sheet's longest delay; what the machine itself adds still stays within it


class Relay(OfTables):
    """A Modbus device with one coil. The supply follows its contact; `changed` is called after every
    movement, with the time just before it."""

    busy = False

    def __init__(
        self, supply: RigSupply, faults: FaultPlayer, draws: random.Random, changed: Callable[[int], None]
    ) -> None:
        self._rated = supply
        self._faults = faults
        self._draws = draws
        self._changed = changed
        self._moving = Alarms()
        self._dipping = Alarms()
        self._normally_open = supply.contact != "normally-closed"
        self.unit = int(supply.settings.get("unit", 1))
        self.coil = self._normally_open  # the rig starts with its supply on
        self.closed = True
        self.dipped = False
        self.fed = False  # by something else than the contact
        self.level = 1.0
        coil = Point("relay", "supply", "coil", int(supply.settings.get("coil", 0)), writable=True)
        self.place = (coil.table, coil.address)
        self.lay_out([coil])

    def value(self, point: Point) -> Value:
        """What its coil reads."""
        return self.coil

    def work(self, point: Point, value: Value) -> None:
        """A client writes its coil."""
        self.command(bool(value))

    @property
    def told_on(self) -> bool:
        """Whether the supply is commanded on."""
        return self.coil == self._normally_open

    @property
    def fraction(self) -> float:
        """Voltage behind the contact, as a fraction of nominal."""
        return self.level if (self.closed or self.fed) and not self.dipped else 0.0

    def command(self, coil: bool) -> None:
        """Energise the coil or not: the contact follows within its delay."""
        if coil == self.coil:
            return
        before = now_ns()
        self.coil = coil
        closing = coil == self._normally_open
        if not closing:
            self._faults.begin_cut()
            self._changed(before)  # some faults play from here on
        self._moving.cancel()
        longest_ns = self._rated.operate_ns if coil else self._rated.release_ns
        delay_ns = round(longest_ns * self._draws.uniform(*DRAWN)) + self._slower(closing)
        self._moving.after(delay_ns, self._close if closing else self._open)

    def switch(self, on: bool) -> None:
        """Somebody at the rig switches the supply, whichever way the coil has to go for it."""
        self.command(on == self._normally_open)

    def go_to(self, fraction: float) -> None:
        """A client sets the supply to a voltage; going down begins a cut."""
        before = now_ns()
        if fraction < self.level and fraction < 1:
            self._faults.begin_cut()
            self._changed(before)  # some faults play from here on
        self.set_level(fraction)

    def set_level(self, fraction: float) -> None:
        """The supply's own voltage changes."""
        before = now_ns()
        self.level = fraction
        self._changed(before)

    def stop(self) -> None:
        """Nothing moves any more."""
        self._moving.cancel()
        self._dipping.cancel()

    def _slower(self, closing: bool) -> int:
        slow = self._faults.now.one("relay-slow")
        ways = ("closing" if closing else "opening", "both")
        return slow["by"] if slow is not None and slow["when"] in ways else 0

    def _open(self) -> None:
        if self._faults.now.one("relay-welded") is not None:
            return
        self._contact(False)
        by_itself = self._faults.now.one("supply-back-by-itself")
        if by_itself is not None:
            self._moving.after(by_itself["after"], self._feed)

    def _close(self) -> None:
        if self._faults.now.one("relay-not-reclosing") is not None:
            return
        self._contact(True)
        bouncing = self._faults.now.one("relay-bouncing")
        if bouncing is not None:
            self._bounce(bouncing["lasts"], bouncing["times"])
        elif self._rated.bounce_ns:
            self._bounce(round(self._rated.bounce_ns * self._draws.uniform(*DRAWN)), 1)
        dip = self._faults.now.one("second-dip")
        if dip is not None:
            self._dipping.cancel()
            self._dipping.after(dip["after"], lambda: self._dip(True))
            self._dipping.after(dip["after"] + dip["lasts"], lambda: self._dip(False))

    def _bounce(self, lasts_ns: int, times: int) -> None:
        """Open and closed again so many times; the last closing comes after `lasts_ns`."""
        for time in range(times):
            self._moving.after((2 * time + 1) * lasts_ns // (2 * times), lambda: self._contact(False))
            self._moving.after((2 * time + 2) * lasts_ns // (2 * times), lambda: self._contact(True))

    def _feed(self) -> None:
        before = now_ns()
        self.fed = True
        self._changed(before)

    def _contact(self, closed: bool) -> None:
        before = now_ns()
        self.closed, self.fed = closed, False
        self._changed(before)

    def _dip(self, dipped: bool) -> None:
        before = now_ns()
        self.dipped = dipped
        self._changed(before)


class Rail:
    """What the controller's supply terminals get: the contact's voltage, unless a fault feeds or holds the rail."""

    def __init__(self, relay: Relay, faults: FaultPlayer, changed: Callable[[int], None]) -> None:
        self._relay = relay
        self._faults = faults
        self._changed = changed
        self._falling = Alarms()
        self._held: float | None = None
        self._was = 1.0

    @property
    def fraction(self) -> float:
        """Voltage of the rail, as a fraction of nominal."""
        if self._held is not None:
            return self._held
        if self._relay.fraction == 0 and self._faults.now.one("rail-back-fed") is not None:
            return 1.0
        return self._relay.fraction

    @property
    def feeds(self) -> bool:
        """True if the controller gets enough."""
        back_fed = self._faults.now.one("rail-back-fed")
        if back_fed is not None and back_fed["controller"] == "loses power":
            return self._relay.fraction >= DROP_OUT
        return self.fraction >= DROP_OUT

    def follow(self) -> None:
        """The contact has moved."""
        now = self._relay.fraction
        held_up = self._faults.now.one("rail-held-up")
        if now:
            self._falling.cancel()
            self._held = None
        elif self._was and held_up is not None:
            self._held = self._was
            self._falling.after(held_up["by"], self._let_go)
        self._was = now

    def stop(self) -> None:
        """Nothing falls any more."""
        self._falling.cancel()

    def _let_go(self) -> None:
        before = now_ns()
        self._held = None
        self._changed(before)
