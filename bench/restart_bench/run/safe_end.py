"""How a run leaves its rig, whatever befell it: points to idle, supply to rest, an archive closed or found again.

First every pressed or held point goes back to idle, read back; then the supply to rest. Nothing that happens to the
points keeps it from the supply; but what is off goes on only once they are let go of. Where a guard was lost
(`at_once`), the supply waits for no point, what is off stays off, and nothing is tried twice.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

from restart_bench.archive.writer import Report
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.rig import RigSupply
from restart_bench.model.wording import listed
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run.actuators import SupplyLeft
from restart_bench.run.arming import manual_step
from restart_bench.run.context import Chronicle, CycleContext


class SafeEnd:
    """The way out of one run. `stack` closes what it has to start for that."""

    def __init__(
        self,
        context: CycleContext,
        supply: RigSupply | None,
        chronicle: Chronicle,
        *,
        armed: bool,
        stack: ExitStack,
    ) -> None:
        self._context = context
        self._supply = supply
        self._chronicle = chronicle
        self._armed = armed
        self._stack = stack
        self._renewed = False  # a second observer was asked for
        self._held: tuple[str, ...] = ()  # could not be shown at idle
        self._said: set[str] = set()  # a second attempt has nothing new to say of the same
        self.supply_left = SupplyLeft()

    def leave(self, *, trouble: bool, at_once: bool) -> str:
        """Leaves the rig safe; may be asked again. Returns what could not be left as it should be, "" for nothing."""
        self._chronicle.leaving = self._chronicle.owes_way_out = True
        self._held = self._points_to_idle(at_once=at_once)
        unsafe = self._rest_supply(trouble=trouble, at_once=at_once)
        self._context.actuators.tell_of_the_mode(self._chronicle.say)
        if self._held and at_once:  # the supply came first; now there is time for them
            self._held = self._points_to_idle(at_once=False)
        if self._held and not unsafe:
            unsafe = f"{', '.join(self._held)} could not be shown to be back in idle"
        try:
            self._tell_what_is_on()
        except Exception as problem:  # a word more or less: the archive is still to be closed
            self._say(f"what is still on could not be told: {type(problem).__name__}: {problem}")
        self._chronicle.owes_way_out = False
        return unsafe

    def close_archive(self, facts: dict[str, Any], report: Report | None) -> None:
        """Closes the archive, or leaves it open for the next start to find: where an armed run's way out is not
        finished, or a log has a gap. Raises ArchiveError."""
        why = self._why_unfinished()
        if why and (self._armed or self._chronicle.gap):
            self._chronicle.archive.leave_open({**facts, "left_open": why, "held": self._held})
        else:
            self._chronicle.archive.close(facts, report)

    def _why_unfinished(self) -> str:
        if self._held:
            return f"{', '.join(self._held)} may still be out of idle"
        if self.supply_left.trouble:
            return f"the supply was left {self.supply_left}"
        return "its log has a gap" if self._chronicle.gap else ""

    def second_observer(self) -> ObserverHandle | None:
        """The observer failed while points were out of idle or the supply was off: a fresh one lets go of them, and
        tells whether it may go on. None where it can't start."""
        if self._renewed:
            return None
        self._renewed = True
        rig = self._context.rig
        try:
            fresh = ObserverHandle(tuple(rig.devices.values()), tuple(rig.points.values()), None)
            self._stack.enter_context(fresh)
            fresh.set_cycle(self._context.cycle)
            self._context.supervisor.conditions.look_through(fresh)
        except Exception as problem:
            self._chronicle.say(f"the observer failed, and a second one could not be started: {problem}")
            return None
        return fresh

    def _points_to_idle(self, *, at_once: bool) -> tuple[str, ...]:
        actuators = self._context.actuators
        say = _say_nothing if at_once else self._say
        try:
            return actuators.all_to_idle(say, at_once=at_once)
        except BaseException as problem:  # whatever it is, the supply comes next
            held = actuators.held()
            out = ", ".join(held) or "a point"
            self._say(f"{out} MAY STILL BE OUT OF IDLE: {type(problem).__name__}: {problem}")
            return held

    def _rest_supply(self, *, trouble: bool, at_once: bool) -> str:
        if self._supply is None:
            return ""
        wish = self._supply.after_trouble if trouble else self._supply.at_end
        self._context.enter("leaving the rig safe")
        try:
            self.supply_left = self._supply_left(wish, at_once=at_once)
        except BaseException as problem:  # whatever it is, there is nothing else to be done for the supply but this
            self.supply_left = self._not_rested(wish, problem)
        if self.supply_left.trouble:
            return f"the supply could not be brought {wish} (it was left {self.supply_left})"
        return ""

    def _tell_what_is_on(self) -> None:
        """Outputs of a real rig that read on while the supply is not off: a person goes there next."""
        context, recent_ns = self._context, now_ns() - NS_PER_S
        if not self._armed or context.actuators.is_off():
            return
        on = [
            point.shown
            for point in context.rig.outputs()
            if (reading := context.observer.latest(context.rig.judged_point(point.name))) is not None
            and reading.value
            and reading.received_ns >= recent_ns
        ]
        if on:
            self._say(f"still on as the run ends: {listed(on)}; the bench stops no output, the program does")

    def _supply_left(self, wish: str, *, at_once: bool) -> SupplyLeft:
        """How the supply was left, tried once more where something escaped."""
        try:
            return self._leave_supply(wish, at_once=at_once)
        except BaseException as problem:
            what = f"{type(problem).__name__}: {problem}"
            self._say(f"leaving the supply {wish} was broken off ({what}); it is tried again")
            return self._leave_supply(wish, at_once=at_once)

    def _leave_supply(self, wish: str, *, at_once: bool) -> SupplyLeft:
        actuators = self._context.actuators
        if at_once and actuators.stays(wish):
            was = "as it was when `only_while` was lost; nothing is switched on then"
            return SupplyLeft(f"{actuators.left_as()}, {was}")
        return actuators.leave_supply(wish, "rest", self._say, once=at_once)

    def _not_rested(self, wish: str, problem: BaseException) -> SupplyLeft:
        why = f"{type(problem).__name__}: {problem}"
        self._say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {manual_step(wish, self._context.rig)} ({why})")
        return SupplyLeft("unknown", why)

    def _say(self, text: str) -> None:
        if text not in self._said:
            self._said.add(text)
            self._chronicle.say(text)


def _say_nothing(_text: str) -> None:
    """Of points that are tried again once the supply is at rest."""
