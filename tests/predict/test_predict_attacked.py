"""Answers against random plays by a plain controller of the tests' own: nothing that was denied is ever seen.

`pytest tests/predict/test_predict_attacked.py -m slow -n 2` attacks 2,000 programs, in some minutes.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import pytest

from predict_play import At, Controller, Shown
from predict_programs import generated, made_odd
from predict_small import SMALL
from restart_bench.model.program import Program
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.cone import cone_of, outputs_of
from restart_bench.predict.proving.parts import (
    BEGINS_OFF,
    BEGINS_ON,
    COLD,
    DARK,
    ENVIRONMENTS,
    FIRST_OFF,
    FIRST_ON,
    HELD,
    MODE,
    NEVER_SETTLES,
    PULSES,
    REST,
    RESTARTS,
    SENSORS,
    SETTLES_OFF,
    SETTLES_ON,
)
from restart_bench.predict.traces import Cut, Trace

NUMBERS = (0, 1, 2, 3, 4)
ENDS = {"on": SETTLES_ON, "off": SETTLES_OFF, "never": NEVER_SETTLES}


class Attack:
    """Random presses, sensors, writes from outside, mode changes and cuts between any two rungs; then one restart."""

    def __init__(self, program: Program, seed: int) -> None:
        self.draw = random.Random(seed)
        self.controller = Controller(program)
        self.rungs = len(program.rungs)
        self.values: dict[str, tuple[Any, ...]] = {}
        rest = self.controller.rest | {name: self.controller.initial[name][0] for name in self.controller.undriven}
        for name, value in rest.items():
            self.values[name] = (False, True) if isinstance(value, bool) else NUMBERS
        self.commands = [one.name for one in program.inputs if one.role == "command" and isinstance(one.rest, bool)]
        self.dials = [one.name for one in program.inputs if one.role == "command" and one.name not in self.commands]
        self.sensors = [one.name for one in program.inputs if one.role == "sensor"]

    def some(self, names: list[str]) -> dict[str, Any]:
        """Any values for some of them."""
        return {name: self.draw.choice(self.values[name]) for name in names if self.draw.random() < 0.5}

    def play(self, restart: str, start: str, inputs: str) -> tuple[dict[str, Shown], frozenset[str]]:
        """What every output did, and which commands are not at rest after the restart."""
        draw, controller, moved = self.draw, self.controller, [*self.commands, *self.dials, *self.sensors]
        at = self._history(moved)
        pressed: dict[str, Any] = {}
        seen: dict[str, Any] = {}
        if inputs in (HELD, DARK):
            names = [name for name in self.commands if draw.random() < 0.6] or [draw.choice(self.commands)]
            pressed = {name: not controller.rest[name] for name in names}
            seen = pressed if inputs == HELD else {name: controller.rest[name] for name in names}
            for _ in range(draw.choice([1, 2, 6])):
                at, _ = controller.scan(at, self.some(moved) | seen)
        at = controller.write(at, self.some(controller.undriven))
        if restart == MODE:
            at = controller.leave_run(at)
        else:
            at = controller.cut(at, self.some(moved) | seen, draw.randint(0, self.rungs), cold=start == COLD)
        after = [pressed]
        if inputs == SENSORS:
            after = [self.some(self.sensors) for _ in range(draw.choice([1, 2, 3, 6]))]
        return controller.watch(at, after), frozenset(pressed)

    def _history(self, moved: list[str]) -> At:
        draw, controller = self.draw, self.controller
        at = controller.power_up()
        for _ in range(draw.choice([0, 1, 2, 4, 7])):
            at = controller.write(at, self.some(controller.undriven))
            held, kind = self.some(moved), draw.random()
            if kind < 0.12:
                at = controller.cut(at, held, draw.randint(0, self.rungs))
            elif kind < 0.2:
                at = controller.leave_run(at)
            elif kind < 0.3:
                for _ in range(draw.randint(2, 19)):  # counts far
                    at = controller.scan(controller.scan(at, held)[0], {})[0]
            else:
                for _ in range(draw.choice([1, 1, 2, 3, 5, 20])):
                    at, _ = controller.scan(at, held)
        return at


def claims(shown: Shown) -> Iterator[str]:
    """What was seen, as the claims that it is an example of."""
    yield BEGINS_ON if shown.begins else BEGINS_OFF
    yield FIRST_ON if shown.first else FIRST_OFF
    if shown.ends is not None:
        yield ENDS[shown.ends]
    if shown.pulses:
        yield PULSES


def denied_and_seen(program: Program, seed: int, plays: int) -> list[str]:
    """What an attack shows although it was proven to be impossible."""
    outputs = outputs_of(program)
    answers: dict[tuple[str, str, str, str], Answer] = {answer.key: answer for answer in predict(program, outputs)}
    attack, own = Attack(program, seed), {name: cone_of(program, [name]) for name in outputs}
    found: dict[str, None] = {}
    for number in range(plays):
        about = (*RESTARTS[number % 3], ENVIRONMENTS[number // 3 % 4])
        seen, pressed = attack.play(*about)
        for output, shown in seen.items():
            if about[2] in (REST, SENSORS) or pressed & own[output]:
                denied = [claim for claim in claims(shown) if answers[output, *about].can(claim) is False]
                found |= dict.fromkeys(f"{program.name}: {output} {about}: {claim}" for claim in denied)
    return list(found)


def replayed(controller: Controller, trace: Trace) -> dict[str, Shown]:
    """What every output does at the end of a trace."""
    at = controller.power_up()
    for step in trace.steps:
        at = controller.write(at, dict(step.writes))
        if isinstance(step, Cut):
            at = _restarted(controller, at, step)
        elif step.scans:
            for _ in range(step.scans):
                at, _ = controller.scan(at, dict(step.inputs))
        else:
            at = controller.rested(at, dict(step.inputs), 20)
    at = _restarted(controller, controller.write(at, dict(trace.cut.writes)), trace.cut)
    return controller.watch(at, [dict(held) for held in trace.after])


def _restarted(controller: Controller, at: At, cut: Cut) -> At:
    if cut.restart == MODE:
        return controller.leave_run(at)
    return controller.cut(at, dict(cut.inputs), cut.rungs, cold=cut.start == COLD)


def not_replayed(program: Program) -> tuple[int, list[str]]:
    """How many examples were played, and those that do not show what they are examples of."""
    controller, number = Controller(program), 0
    seen: dict[Trace, dict[str, Shown]] = {}
    wrong: list[str] = []
    for answer in predict(program, rechecked=False):
        for claim, finding in answer.findings.items():
            if finding.played is None:
                continue
            trace = finding.played.trace
            if trace not in seen:
                seen[trace] = replayed(controller, trace)
            number += 1
            shown, told = seen[trace][answer.point], finding.played.seen[answer.point]
            exact = program.outputs == "at scan end" and len(trace.after) == 1
            if claim not in claims(shown) and not (shown.ends is None and claim in ENDS.values()):
                wrong.append(f"{program.name} {answer.key}: {claim} by {trace}, but {shown}")
            elif exact and shown.ends is not None and told.pulse_scans != shown.longest:
                wrong.append(f"{program.name} {answer.key}: {told}, but {shown}")
    return number, wrong


@pytest.mark.parametrize("name", ["a lamp before the reset", "between two rungs", "falling edge"])
def test_the_plain_controller_does_what_everybody_knows(name: str) -> None:
    """Of the attacker too: it sees all that can happen to small programs of which every answer is known."""
    program = SMALL[name]
    attack, rest = Attack(program, 1), [answer for answer in predict(program) if answer.inputs == REST]
    seen: dict[tuple[str, str, str], set[str]] = {answer.key[:3]: set() for answer in rest}
    for number in range(450):
        restart = RESTARTS[number % 3]
        for output, shown in attack.play(*restart, REST)[0].items():
            seen[output, *restart] |= set(claims(shown))
    for answer in rest:
        can = {claim for claim, finding in answer.findings.items() if finding.played is not None}
        assert can == seen[answer.key[:3]], answer.key


@pytest.mark.parametrize("seed", [0, 1, 2, 5, 6, 7, 8, 9, 11, 13])
def test_nothing_that_was_denied_is_seen(seed: int) -> None:
    """Timers, counters, edges, pairs, numbers, and what somebody outside writes: every denial holds in every play."""
    assert denied_and_seen(generated(seed, 3 + seed % 6, timers=True, outside=True), seed, plays=60) == []


@pytest.mark.parametrize("seed", [2, 7, 12])
def test_what_is_seldom_written_is_denied_no_more_than_is_true(seed: int) -> None:
    """The same of odd times, far counts, names that are set in several places and a number that is dialled."""
    assert denied_and_seen(made_odd(generated(seed, 3 + seed % 6, timers=True), seed), seed, plays=60) == []


@pytest.mark.parametrize("seed", [3, 9, 16])
def test_each_example_is_seen_on_the_plain_controller(seed: int) -> None:
    """Every "can" is played there too and shows what it is an example of, and a pulse as long as was told."""
    number, wrong = not_replayed(made_odd(generated(seed, 3 + seed % 6, timers=True, outside=True), seed))
    assert wrong == []
    assert number > 0


@pytest.mark.slow
@pytest.mark.parametrize("batch", range(4))
def test_odd_programs_are_attacked_and_their_examples_played(batch: int) -> None:
    """Both at length."""
    for seed in range(20000 + 250 * batch, 20250 + 250 * batch):
        program = made_odd(generated(seed, 3 + seed % 6, timers=True, outside=seed % 3 != 0), seed)
        assert denied_and_seen(program, seed, plays=60) == []
        assert not_replayed(program)[1] == []


@pytest.mark.slow
@pytest.mark.parametrize("batch", range(4))
def test_nothing_that_was_denied_is_seen_in_many_programs(batch: int) -> None:
    """The same at length."""
    for seed in range(1000 + 250 * batch, 1250 + 250 * batch):
        assert denied_and_seen(generated(seed, 3 + seed % 7, timers=True, outside=True), seed, plays=240) == []
