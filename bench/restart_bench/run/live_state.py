"""The live state of a run for the screen, put together from what the run knows at this instant."""

from __future__ import annotations

from restart_bench.model.clock import now_ns
from restart_bench.model.live import LiveState, Reading, powered_by_proof
from restart_bench.model.rig import Rig
from restart_bench.run.context import CycleContext


class View:
    """What the screen is shown. `of_cycles`: the number of the run's last cycle."""

    def __init__(self, rig: Rig, context: CycleContext, of_cycles: int) -> None:
        self._rig = rig
        self._context = context
        self.of_cycles = of_cycles
        self._durations_ns: list[int] = []

    def cycle_took(self, length_ns: int) -> None:
        """A cycle has ended: its length is what those to come are expected to take."""
        self._durations_ns.append(length_ns)

    def state(self, now: int) -> LiveState:
        """The run at this instant."""
        context, rig, situation = self._context, self._rig, self._context.situation
        turn = context.log[0] if context.log else None
        readings: dict[str, Reading] = {}
        for name in rig.points:
            reading = context.observer.latest(name)
            if reading is not None:
                readings[name] = reading
        return LiveState(
            at_ns=now,
            phase=situation.phase,
            doing=situation.doing,
            scenario=getattr(turn, "scenario", ""),
            case=getattr(turn, "case", ""),
            cycle=context.cycle,
            of_cycles=self.of_cycles,
            phase_started_ns=situation.phase_started_ns,
            phase_ends_ns=situation.phase_ends_ns,
            left_ns=self._left_ns(),
            supply=context.actuators.state.commanded,
            powered=powered_by_proof(rig.proof_of_cut, readings),
            answering=self._answering(now),
            running=situation.running,
            readings=readings,
            moved=context.observer.moved(),
            cut_ns=situation.cut_ns,
            restored_ns=situation.restored_ns,
        )

    def _left_ns(self) -> int | None:
        """Mean of the cycles so far times those to come, and the rest of this one; None before one has ended."""
        if not self._durations_ns:
            return None
        mean = sum(self._durations_ns) // len(self._durations_ns)
        started = getattr(self._context.log[0], "at_ns", now_ns()) if self._context.log else now_ns()
        rest = max(0, mean - (now_ns() - started))
        return (self.of_cycles - self._context.cycle) * mean + rest

    def _answering(self, now: int) -> bool | None:
        controller = self._rig.controller
        if controller is None:
            return None
        last = self._context.observer.last_good_ns(controller.name)
        return last is not None and now - last <= controller.answer_within_ns + 2 * controller.poll_ns
