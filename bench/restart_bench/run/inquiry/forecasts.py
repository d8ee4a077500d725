"""The question before the cut: what do people expect of each output? Asked of each of them, kept in the journal."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from restart_bench.judging.inquiry.forecasts import question_of
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.journal import Forecast, Trouble
from restart_bench.model.live import Guess
from restart_bench.model.rig import Point, Rig
from restart_bench.model.scenario import Scenario
from restart_bench.run.context import CycleContext


def asker(context: CycleContext, learners: Sequence[str], guess: Guess) -> Callable[[Scenario], None]:
    """What asks every learner about every output of a scenario, right before its cut."""

    def ask(scenario: Scenario) -> None:
        began = now_ns()
        context.enter("asking first", "what will come back?")
        for point in asked_about(context.rig, scenario):
            reading = context.observer.latest(context.rig.judged_point(point.name))
            if reading is None or reading.value is None:
                continue  # nobody can be asked about what nobody reads
            now_on = bool(reading.value)
            for learner in learners:
                question = question_of(point, now_on=now_on, how=scenario.how, learner=learner)
                asked = now_ns()
                answer = context.actuators.guess(question, guess)
                context.record(Forecast(context.cycle, learner, point.name, now_on, answer, asked, now_ns()))
        took = f"{(now_ns() - began) / NS_PER_S:.0f} s"
        text = f"people were asked first: the cut came {took} later than the last step, whatever `at:` says"
        context.record(Trouble(context.cycle, "asked first", text, now_ns(), error=False))

    return ask


def asked_about(rig: Rig, scenario: Scenario) -> tuple[Point, ...]:
    """The outputs that the scenario expects something of; all, where it names none."""
    named = {one.point for one in scenario.after}
    return tuple(point for point in rig.outputs() if point.name in named) or rig.outputs()
