"""What is said to come to a stand does so, and an output ends somewhere: on, off, or nowhere."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from predict_programs import MS, generated
from restart_bench.model.program import Coil, Counter, Input, Memory, Program, Reset, Set, Timer
from restart_bench.plc.interpreter import Interpreter
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.cone import groups_of, outputs_of
from restart_bench.predict.proving.parts import (
    MODE,
    NEVER_SETTLES,
    REST,
    SETTLES_OFF,
    SETTLES_ON,
    SUPPLY,
    WARM,
    part_for,
)
from restart_bench.predict.proving.standing import stands

ENDS = (SETTLES_ON, SETTLES_OFF, NEVER_SETTLES)
LONG_SCANS = 120  # longer than any chain of timers in a generated program takes

DIPS = Program(
    "on at the end of each scan, but off within it whenever the timer is off",
    scan_ns=10 * MS,
    inputs=(Input("start", "command", False),),
    rungs=(
        Reset("m", ("not", ("name", "t"))),
        Timer("t", "TON", 20 * MS, ("not", ("name", "m"))),
        Set("m", ("const", True)),
    ),
)

FLICKERS = replace(
    DIPS,
    name="the same, with a lamp that the timer drives once a retained bit was set",
    memory={"armed": Memory("armed", retained=True)},
    rungs=(
        *DIPS.rungs,
        Set("armed", ("name", "start")),
        Coil("lamp", ("and", ("name", "armed"), ("name", "t"))),
    ),
)

FLASHES = replace(
    FLICKERS,
    name="the usual two timers of a flashing lamp, let through by a retained bit",
    rungs=(
        Set("armed", ("name", "start")),
        Timer("dark", "TON", 50 * MS, ("not", ("name", "lit"))),
        Timer("lit", "TON", 50 * MS, ("name", "dark")),
        Coil("lamp", ("and", ("name", "armed"), ("name", "dark"))),
    ),
)

MORE_IN = Program(
    "a retained bit that is set once more was counted in than out, and a lamp that a timer brings on after it",
    scan_ns=10 * MS,
    inputs=(Input("came", "command", False), Input("went", "command", False)),
    memory={name: Memory(name, retained=True) for name in ("ins", "outs", "more")},
    rungs=(
        Counter("ins", "CTU", 3, ("name", "came")),
        Counter("outs", "CTU", 3, ("name", "went")),
        Set("more", (">", ("name", "ins"), ("name", "outs"))),
        Timer("soon", "TON", 20 * MS, ("name", "more")),
        Coil("lamp", ("name", "soon")),
    ),
)

WAITS = Program(
    "off within each scan that waits for a timer; what would swing for ever is never let through",
    scan_ns=10 * MS,
    start_pass="clears coils",
    outputs="at once",
    inputs=(Input("start", "command", False),),
    memory={"go": Memory("go", retained=True)},
    rungs=(
        Set("go", ("name", "start")),
        Timer("t", "TON", 50 * MS, ("name", "go")),
        Reset("m", ("and", ("and", ("name", "go"), ("not", ("name", "t"))), ("not", ("name", "first_scan")))),
        Set("m", ("not", ("name", "swings"))),
        Coil("swings", ("and", ("not", ("name", "swings")), ("name", "let"))),
        Coil("let", ("and", ("name", "let"), ("name", "start"))),
    ),
)


def swings(program: Program, seed: int, plays: int = 25) -> bool:
    """True if, in some random play, something still moves long after the inputs stood still."""
    draw, machine = random.Random(seed), Interpreter(program)
    for _ in range(plays):
        state = machine.first_power_up()
        for scans in [*draw.choices((1, 1, 2, 3, 6, 9), k=draw.randint(0, 4)), LONG_SCANS]:
            inputs = {one.name: draw.random() < 0.5 for one in program.inputs}
            for _ in range(scans):
                state = machine.scan(state, inputs, program.scan_ns)
        rested = [machine.value(state, name) for name in machine.names]
        for _ in range(LONG_SCANS // 2):
            state = machine.scan(state, inputs, program.scan_ns)
            if [machine.value(state, name) for name in machine.names] != rested:
                return True
    return False


def said_to_stand_but_swings(program: Program, seed: int) -> list[tuple[str, ...]]:
    """The groups of outputs that are said to come to a stand, and don't."""
    parts = [part_for(program, *group) for group in groups_of(program, outputs_of(program))]
    return [part.outputs for part in parts if stands(part) and swings(part.program, seed)]


def contradictions(program: Program) -> list[str]:
    """Outputs that end nowhere at all, and quick answers that differ from thorough ones, where both are decided."""

    def asked(thorough: bool) -> tuple[Answer, ...]:
        return predict(program, restarts=[(SUPPLY, WARM), (MODE, WARM)], environments=[REST], thorough=thorough)

    found = []
    for quick, thorough in zip(asked(False), asked(True), strict=True):
        for answer in (quick, thorough):
            if all(answer.can(claim) is False for claim in ENDS):
                found.append(f"{program.name} {answer.key}: ends nowhere")
        pairs = [pair for pair in zip(quick.says, thorough.says, strict=True) if None not in pair]
        found += [f"{program.name} {quick.key}: {one}, but {other}" for one, other in pairs if one != other]
    return found


def test_a_bit_that_dips_within_each_scan_keeps_others_moving() -> None:
    """What is the same at the end of every scan may still be read within it while it is not."""
    (group,) = groups_of(DIPS, ["m"])
    assert swings(DIPS, 0)
    assert not stands(part_for(DIPS, *group))


@pytest.mark.parametrize("thorough", [False, True])
def test_an_output_beside_what_never_rests_is_said_to_end_where_it_does(thorough: bool) -> None:
    """The timer swings for ever; the output stays on."""
    (answer,) = predict(DIPS, ["m"], restarts=[(SUPPLY, WARM)], environments=[REST], thorough=thorough)
    assert [answer.can(claim) for claim in ENDS] == [True, False, False]
    assert answer.settles == "on"


@pytest.mark.parametrize("program", [FLICKERS, FLASHES], ids=["dips", "two timers"])
@pytest.mark.parametrize("thorough", [False, True])
def test_a_lamp_that_swings_only_after_a_press_is_said_never_to_settle(program: Program, thorough: bool) -> None:
    """The plainest trace doesn't show it: a path is looked for in which the lamp itself goes on changing."""
    (answer,) = predict(program, ["lamp"], restarts=[(SUPPLY, WARM)], environments=[REST], thorough=thorough)
    assert answer.settles == "never"


def test_what_shows_within_scans_that_only_wait_is_not_denied() -> None:
    """Scans that change nothing but time are left out of paths; outputs written at once may show a dip in them."""
    assert not stands(part_for(WAITS, *groups_of(WAITS, ["m"])[0]))
    (answer,) = predict(WAITS, ["m"], restarts=[(SUPPLY, WARM)], environments=[REST])
    assert (answer.first_scan, answer.settles, answer.can_pulse) == ("on", "on", True)


def test_counts_that_are_compared_deny_nothing_that_a_play_shows() -> None:
    """Which of two counts is larger is left open; that keeps nothing from coming to a stand: one piece came in."""
    answers = predict(MORE_IN, ["more", "lamp"], restarts=[(SUPPLY, WARM)], environments=[REST])
    assert [(answer.begins, answer.first_scan, answer.settles) for answer in answers] == [
        ("depends", "depends", "depends"),
        ("off", "off", "depends"),
    ]


@pytest.mark.parametrize("seed", [49, 148, *range(40)])
def test_what_is_said_to_stand_stands_in_every_play(seed: int) -> None:
    """Programs with timers, played exactly with random presses: nothing moves long after the last of them."""
    assert said_to_stand_but_swings(generated(seed, 3 + seed % 6, timers=True), seed) == []


@pytest.mark.parametrize("seed", [49, *range(24)])
def test_every_output_ends_somewhere_and_quick_answers_agree_with_thorough_ones(seed: int) -> None:
    """A denial is a proof, so "on", "off" and "never" are not all denied, nor two answers at odds."""
    assert contradictions(generated(seed, 5, timers=True)) == []


@pytest.mark.slow
def test_the_same_holds_for_many_programs() -> None:
    """Three sizes of a thousand programs."""
    for seed in range(1000):
        program = generated(seed, 3 + seed % 6, timers=True)
        assert said_to_stand_but_swings(program, seed) == []
        assert contradictions(program) == []
