"""The steps of a cycle, before the cut and in the function check: what is pressed, held, written, expected and asked.

A step is recorded with what became of it. What was taken out of idle by a `hold:` stays there until it is released.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np

from restart_bench.evidence.marks import condition_held
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.journal import StepDone
from restart_bench.model.rig import Point
from restart_bench.model.scenario import Action, Ask, ByEye, Expect, Hold, Press, Release, Step, Wait, Write
from restart_bench.model.step_kinds import step_words
from restart_bench.model.wording import shown, value_word
from restart_bench.run.context import CycleContext, afterglow_ns

_SEEN_WITHIN_NS = NS_PER_S

Reached = tuple[bool | None, str]
"""Whether the state after a step was reached (None: the step could not be done), and why not."""
_DONE: Reached = (True, "")


class CycleBrokenOff(Exception):
    """The cycle can't go on (state before not reached, a device silent); the run may."""


class Steps:
    """Does the steps of one cycle."""

    def __init__(self, context: CycleContext, held: Sequence[str] = ()) -> None:
        self._context = context
        self._held = list(held)

    def do(self, steps: Sequence[Step]) -> None:
        """One after another. Raises CycleBrokenOff where a step before the cut is missed."""
        for step in steps:
            if self._do(step) is None:
                return  # it could not be done, so the steps behind it would be blamed on the controller

    def release_held(self) -> None:
        """Lets go of what a `hold:` took out of idle."""
        for name in self._held:
            self._context.actuators.back_to_idle(name)
        self._held = []

    def _do(self, step: Step) -> bool | None:
        """One step: was it reached (None: it could not be done). A missed step before the cut ends the cycle; a missed
        function check goes on to the next."""
        context = self._context
        context.enter(step.phase, step_words(context.rig, step))
        context.refuse_without_power()
        started = now_ns()
        reached, reason = self._act(step.action)
        done = StepDone(context.cycle, step.phase, step.index, step.text, reached, started, now_ns(), reason, step.line)
        context.record(done)
        if reached is not True and step.phase == "before":
            raise CycleBrokenOff
        return reached

    def _act(self, action: Action) -> Reached:
        """Raises KeyError for a kind of step that nobody does."""
        return DOING[type(action)](self, action)

    def _hold(self, hold: Hold) -> Reached:
        self._context.actuators.leave_idle(hold.point, "hold")
        self._held.append(hold.point)
        return _DONE

    def _release(self, release: Release) -> Reached:
        self._context.actuators.back_to_idle(release.point)
        self._held = [held for held in self._held if held != release.point]
        return _DONE

    def _write(self, write: Write) -> Reached:
        for name, value in write.values:
            self._context.actuators.write(name, value, "write")
        return _DONE

    def _wait(self, wait: Wait) -> Reached:
        self._context.situation.phase_ends_ns = now_ns() + wait.for_ns
        self._context.supervisor.wait_until(now_ns() + wait.for_ns)
        return _DONE

    def _ask(self, ask: Ask) -> Reached:
        done = self._context.actuators.ask_for(ask.text).answer
        return _DONE if done else (None, "asked three times, the person said no")

    def _press(self, press: Press) -> Reached:
        point = self._context.rig.points[press.point]
        if point.by_hand is not None:
            return self._press_by_hand(point)
        self._context.actuators.leave_idle(press.point, "press")
        self._context.supervisor.wait_until(now_ns() + press.for_ns)
        self._context.actuators.back_to_idle(press.point)
        return _DONE

    def _press_by_hand(self, point: Point) -> Reached:
        """A person presses and lets go, and the point's own input shows both; asked once more where it does not."""
        instead: tuple[str, ...] | None = None
        for _ in range(2):
            self._context.counted_from()
            answered = self._context.actuators.press_by_hand(point, instead)
            if not answered.answer:
                return None, f"asked three times, it was not pressed: look at {point.by_hand}"
            pressed = partial(self._pressed_since, since_ns=answered.asked_ns)
            if self._context.supervisor.wait_until(now_ns() + _SEEN_WITHIN_NS, partial(pressed, point)):
                return self._let_go_by_hand(point)
            others = (one for one in self._context.rig.points.values() if one.by_hand is not None and one != point)
            instead = tuple(one.shown for one in others if pressed(one))
        return None, f"{point.shown} was not seen pressed; look at the button and at its input"

    def _let_go_by_hand(self, point: Point) -> Reached:
        """A button that is still pressed as power goes and returns would be what is judged."""
        if self._was_seen_let_go(point) or (
            self._context.actuators.let_go_by_hand(point) and self._was_seen_let_go(point)
        ):
            return _DONE
        return None, f"{point.shown} still reads pressed; look at the button and at its input"

    def _was_seen_let_go(self, point: Point) -> bool | None:
        def seen() -> bool | None:
            values = self._context.traces([point.name])[point.name].reads.value
            return True if len(values) and values[-1] == float(bool(point.idle)) else None

        return self._context.supervisor.wait_until(now_ns() + _SEEN_WITHIN_NS, seen)

    def _pressed_since(self, point: Point, since_ns: int) -> bool | None:
        reads = self._context.traces([point.name])[point.name].reads
        pressed = reads.value != float(bool(point.idle))
        begun = pressed & np.concatenate(([True], ~pressed[:-1]))  # one that was held before is let go of, no press
        return True if bool((begun & (reads.late >= since_ns)).any()) else None

    def _by_eye(self, step: ByEye) -> Reached:
        for name, value in step.conditions:
            called, state = shown(self._context.rig, name), value_word(value)
            if not self._context.actuators.ask(f"Look: is {called} {state}?", name).answer:
                return False, f"{called} was not {state}, by eye"
        return _DONE

    def _expect(self, step: Expect) -> Reached:
        context = self._context
        started = context.counted_from()
        conditions = [(judged, wanted) for judged, (_, wanted) in zip(step.judged, step.conditions, strict=True)]

        def held() -> bool | None:
            if any(context.missed_now(judged, wanted) for judged, wanted in conditions):
                return None  # the newest read says so, without going through all of them
            span = condition_held(context.traces(step.judged), conditions, started)
            if span is None or span.since.not_after_ns > started + step.within_ns:
                return None
            return True if span.until_ns - span.since.not_after_ns >= step.steady_ns else None

        # The last read that shows it may come a little later.
        deadline = started + step.within_ns + step.steady_ns + (afterglow_ns(context.rig) if step.steady_ns else 0)
        context.situation.phase_ends_ns = deadline
        if context.supervisor.wait_until(deadline, held) is not None:
            return _DONE
        return False, self._missed(step) or "not steady for long enough"

    def _missed(self, step: Expect) -> str:
        """What the points read that do not meet their conditions now."""
        return "; ".join(
            f"{name} reads {self._context.reading(judged)}"
            for (name, wanted), judged in zip(step.conditions, step.judged, strict=True)
            if not self._context.met_now(judged, wanted)
        )


DOING: dict[type[Action], Callable[[Steps, Any], Reached]] = {
    Press: Steps._press,
    Hold: Steps._hold,
    Release: Steps._release,
    Write: Steps._write,
    Expect: Steps._expect,
    Wait: Steps._wait,
    Ask: Steps._ask,
    ByEye: Steps._by_eye,
}
"""How each kind of step is done."""
