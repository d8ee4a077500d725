"""The engine against brute force over every state of generated programs.

`pytest tests/predict/test_predict_truth.py -m slow -n 2` compares some thousand answers, in a few minutes.
"""

from __future__ import annotations

import random

import pytest

from predict_programs import generated
from predict_truth import TooMany, Truth
from restart_bench.model.program import Program
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.cone import cone_of, outputs_of
from restart_bench.predict.proving.parts import DARK, ENVIRONMENTS, HELD, RESTARTS, SENSORS, part_for
from restart_bench.predict.traces import Cut, Held, Hold, Player, Trace

FEWEST = 3000


def disagreements(program: Program) -> tuple[int, list[str]]:
    """How many answers were compared, and those that differ."""
    try:
        truth = Truth(program)
    except TooMany:
        return 0, []
    answers = predict(program)
    wrong = [
        f"{program.name} {answer.key}: {answer.says}, but {true}"
        for answer in answers
        if answer.says != (true := truth.answer(*answer.key))
    ]
    return len(answers), wrong


@pytest.mark.parametrize("seed", range(6, 18))
def test_the_engine_agrees_with_brute_force(seed: int) -> None:
    """Every output, restart and kind of inputs: where it settles, whether it can pulse, and the first scan."""
    compared, wrong = disagreements(generated(seed, 4 + seed % 5))
    assert wrong == []
    assert compared > 0


@pytest.mark.slow
@pytest.mark.parametrize("batch", range(4))
def test_the_engine_agrees_with_brute_force_on_many_programs(batch: int) -> None:
    """The same for programs of up to 20 rungs, thousands of answers."""
    compared = 0
    for seed in range(1000 + 30 * batch, 1030 + 30 * batch):
        count, wrong = disagreements(generated(seed, 4 + seed % 17))
        assert wrong == []
        compared += count
    assert compared >= FEWEST / 4


@pytest.mark.parametrize("seed", [1, 2, 8, 14])
def test_every_can_is_replayed(seed: int) -> None:
    """Without timers nothing is left open, and whatever can happen is shown by the interpreter."""
    answers = predict(generated(seed, 6))
    assert any(finding.can for answer in answers for finding in answer.findings.values())
    for answer in answers:
        assert answer.decided
        for claim, finding in answer.findings.items():
            assert not finding.can or finding.played is not None, (answer.key, claim)
            if finding.played is not None:
                assert claim in set(finding.played.seen[answer.point].shows())


# ---------------------------------------------------------------- with timers: random plays


def random_play(draw: random.Random, program: Program, player: Player, restart: tuple[str, str]) -> tuple[str, Trace]:
    """Anything that people and sensors might do, and one restart."""
    inputs = player.part.program.inputs
    moved = {one.name: not one.rest for one in inputs}
    commands = [one.name for one in inputs if one.role == "command"]

    def some(names: list[str]) -> Held:
        return tuple((name, moved[name]) for name in names if draw.random() < 0.5)

    steps: list[Hold | Cut] = []
    for _ in range(draw.randint(0, 4)):
        if draw.random() < 0.15:
            steps.append(
                Cut(draw.choice(["supply", "mode"]), rungs=draw.randint(0, len(program.rungs)), inputs=some([*moved]))
            )
        else:
            steps.append(Hold(some([*moved]), scans=draw.choice([1, 1, 2, 3, 6, 20])))
    kind, after, in_cut = draw.choice(ENVIRONMENTS), ((),), some([*moved])
    if kind == SENSORS:
        sensors = [name for name in moved if name not in commands]
        return kind, Trace(
            tuple(steps), Cut(*restart, inputs=in_cut), tuple(some(sensors) for _ in range(draw.randint(1, 4)))
        )
    if kind in (HELD, DARK) and commands:
        held = tuple((name, moved[name]) for name in commands if draw.random() < 0.7) or (
            (commands[0], moved[commands[0]]),
        )
        others = some([name for name in moved if name not in dict(held)])
        in_cut = (*(held if kind == HELD else ()), *others)
        steps.append(Hold(in_cut, scans=draw.choice([1, 2, 5])))
        return kind, Trace(tuple(steps), Cut(*restart, draw.randint(0, len(program.rungs)), in_cut), (held,))
    return "rest", Trace(tuple(steps), Cut(*restart, draw.randint(0, len(program.rungs)), in_cut), after)


def contradictions(program: Program, seed: int, plays: int) -> list[str]:
    """What random plays show although it was proven to be impossible."""
    outputs = outputs_of(program)
    if not outputs:
        return []
    answers: dict[tuple[str, str, str, str], Answer] = {answer.key: answer for answer in predict(program)}
    player = Player(part_for(program, cone_of(program, outputs), outputs))
    draw = random.Random(seed)
    found = []
    for number in range(plays):
        restart, start = RESTARTS[number % 3]
        kind, trace = random_play(draw, program, player, (restart, start))
        played = player.play(trace)
        assert played is not None
        pressed = {name for name, _ in trace.after[-1]}
        for output, seen in played.seen.items():
            if kind in (HELD, DARK) and not pressed & set(player.part.commands[output]):
                continue
            answer = answers[output, restart, start, kind]
            found += [f"{answer.key}: {claim} in {trace}" for claim in seen.shows() if answer.can(claim) is False]
    return found


@pytest.mark.parametrize("seed", range(5))
def test_no_play_shows_what_was_proven_impossible(seed: int) -> None:
    """Programs with timers: random presses, sensors and cuts, played exactly, contradict no proof."""
    assert contradictions(generated(seed, 6, timers=True), seed, plays=60) == []


@pytest.mark.slow
def test_no_play_shows_what_was_proven_impossible_in_many_programs() -> None:
    """The same at length."""
    for seed in range(100, 160):
        assert contradictions(generated(seed, 4 + seed % 8, timers=True), seed, plays=90) == []
