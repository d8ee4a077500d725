"""Waits out what the supply and the points can bear: before the first step of a cycle, and before a start in it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from restart_bench.evidence.traces import changes_of
from restart_bench.model.clock import HOUR_NS, NS_PER_S, Anchor, now_ns
from restart_bench.model.journal import Trouble
from restart_bench.model.rig import PointLimits, SupplyLimits
from restart_bench.model.scenario import Scenario
from restart_bench.model.step_kinds import starts_of
from restart_bench.model.units import show_duration
from restart_bench.run.context import CycleContext
from restart_bench.run.usage import Used, limited_points, usage_facts, used_in

ON_AT_LEAST = "the supply must stay on for on_at_least"
TOLD_FROM_NS = 10 * NS_PER_S
"""A wait as long as this is told in words that stay, also where no screen counts it down."""


class LimitKeeper:
    """Counts cuts and starts of this run on top of those before it. A simulated rig bears everything (`heed` False)."""

    def __init__(self, context: CycleContext, before: Used, *, heed: bool) -> None:
        self._context = context
        self._before = before
        self._own = Used()
        self._merged = self._merged_of = 0
        self._heed = heed
        self._points = limited_points(context.rig) if heed else {}
        self._starts_a_cycle = dict.fromkeys(self._points, 1)
        if heed:
            state = context.actuators.state
            state.off_since_ns, state.on_since_ns = before.off_since_ns, before.on_since_ns

    def wait_before(self, scenario: Scenario) -> None:
        """Before the first step of a cycle. Raises EndOfRun."""
        if not self._heed:
            return
        if scenario.how == "supply" and self._context.rig.supply is not None:
            self._wait("waiting for the supply's limits", self._for_supply)
        for name in self._points:
            to_come = self._to_come(scenario, name)
            if to_come:
                self._wait_for_point(name, to_come)

    def wait_to_start(self, name: str) -> None:
        """Before the bench takes a point out of idle within a cycle. Raises EndOfRun."""
        if name in self._points:
            self._wait_for_point(name, 1)

    def count_cycle(self) -> None:
        """A cycle has ended: what it used up."""
        if not self._heed:
            return
        self._merge()
        for name in self._points:
            if not self._context.rig.points[name].writable:
                self._count_output(name)

    def facts(self, anchor: Anchor) -> dict[str, Any]:
        """What run.json says of this run, its way out included."""
        self._merge()
        state = self._context.actuators.state
        for to, at in (("on", state.on_since_ns), ("off", state.off_since_ns)):
            if at is not None:
                self._own.supply[to] = at
        return usage_facts(self._own, anchor)

    def _merge(self) -> None:
        self._own.add(self._not_merged())
        for used in (self._before, self._own):  # a run of weeks would carry every start of it along
            used.forget(now_ns() - HOUR_NS)
        self._merged, self._merged_of = len(self._context.log), self._context.cycle

    def _not_merged(self) -> Used:
        """What the log of this cycle holds beyond what was counted: the way out comes after the cycle's end."""
        begin = self._merged if self._merged_of == self._context.cycle else 0
        return used_in(self._context.log[begin:], self._context.rig)

    def _count_output(self, name: str) -> None:
        judged = self._context.rig.judged_point(name)
        starts = 0
        for change in changes_of(self._context.traces([judged])[judged]):
            if change.after:
                self._own.started(name, change.bounds.not_after_ns)
                starts += 1
            else:
                self._own.stopped(name, change.bounds.not_after_ns)
        self._starts_a_cycle[name] = max(starts, self._starts_a_cycle[name])

    def _to_come(self, scenario: Scenario, name: str) -> int:
        steps = (*scenario.before, *scenario.function_check)
        pressed = starts_of(name, steps)
        return pressed if self._context.rig.points[name].writable else self._starts_a_cycle[name]

    def _all_used(self) -> Used:
        used = Used()
        for part in (self._before, self._own, self._not_merged()):
            used.add(part)
        return used

    def _wait_for_point(self, name: str, to_come: int) -> None:
        def ask() -> tuple[int, str]:
            used = self._all_used()
            return wait_for_point_ns(name, self._points[name], used, now_ns=now_ns(), starts_to_come=to_come)

        self._wait(f"waiting for the limits of {name}", ask)

    def _for_supply(self) -> tuple[int, str]:
        supply = self._context.rig.supply
        assert supply is not None
        on_since_ns = self._context.actuators.state.on_since_ns
        cuts = self._all_used().cuts
        return wait_for_supply_ns(supply.limits, now_ns=now_ns(), on_since_ns=on_since_ns, cuts_ns=cuts)

    def _wait(self, phase: str, ask: Callable[[], tuple[int, str]]) -> None:
        told = False
        while True:
            wait, why = ask()
            if wait <= 0:
                return
            if wait >= TOLD_FROM_NS and not told:
                text, told = f"{phase}: {why}, {show_duration(round(wait, -9))} to go", True
                self._context.publish(Trouble(0, "limits", text, now_ns(), error=False))
            self._context.enter(phase, why, now_ns() + wait)
            self._context.supervisor.wait_until(now_ns() + wait)


def wait_for_supply_ns(
    limits: SupplyLimits, *, now_ns: int, on_since_ns: int | None, cuts_ns: Sequence[int]
) -> tuple[int, str]:
    """How long to wait, and why, before the next cycle may begin: (0, "") if at once.

    `cuts_ns` are the cuts of the last hour on the bench's clock. The cycle's own off time is the loader's business.
    """
    waits = [(0, ""), (limits.cut_not_before_ns(on_since_ns) - now_ns, ON_AT_LEAST)]
    if limits.cuts_per_hour:
        allowed = max(1, int(limits.cuts_per_hour))
        left = wait_for_room_ns(cuts_ns, allowed, 1, now_ns)
        waits.append((left, f"no more than {allowed} cuts an hour (cuts_per_hour)"))
    return max(waits, key=lambda wait: wait[0])


def wait_for_point_ns(
    name: str, limits: PointLimits, used: Used, *, now_ns: int, starts_to_come: int
) -> tuple[int, str]:
    """How long to wait, and why, before this point may start `starts_to_come` more times: (0, "") if at once."""
    waits = [(0, "")]
    if limits.off_at_least_ns and name in used.fell:
        left = used.fell[name] + limits.off_at_least_ns - now_ns
        waits.append((left, f"{name} must stay off for its off_at_least"))
    if limits.starts_per_hour:
        left = wait_for_room_ns(used.starts.get(name, ()), limits.starts_per_hour, starts_to_come, now_ns)
        waits.append((left, f"{name} may start no more than {limits.starts_per_hour} times an hour"))
    longest = max(waits, key=lambda wait: wait[0])
    return longest if longest[0] > 0 else (0, "")


def wait_for_room_ns(starts: Sequence[int], allowed: int, to_come: int, now_ns: int) -> int:
    """How long until so many of the last hour's starts (or cuts) are past that those to come fit; 0: at once."""
    recent = sorted(at for at in starts if at > now_ns - HOUR_NS)
    too_many = len(recent) + min(to_come, allowed) - allowed
    return recent[too_many - 1] + HOUR_NS - now_ns if too_many > 0 else 0
