"""What a suite leaves out of what the program model predicts."""

from __future__ import annotations

import math
from dataclasses import replace

from predict_rigs import MS, rig_for, scenario_of
from predict_small import SMALL
from restart_bench.model.program import Program
from restart_bench.model.scenario import Case, Hold, Press, Scenario, Search, Wait
from restart_bench.predict.cover import LeftOut, left_out
from restart_bench.predict.engine import predict
from restart_bench.predict.plays import plays_of
from restart_bench.predict.proving.parts import ENVIRONMENTS, HELD, MODE, REST, SUPPLY, WARM
from restart_bench.predict.scripts import random_cuts_needed

START, STOP = Press("start", 200 * MS), Press("stop", 200 * MS)


def left(program: Program, *scenarios: Scenario) -> tuple[LeftOut, ...]:
    """What these scenarios leave out, of both restarts."""
    answers = predict(program, ["m"], restarts=[(SUPPLY, WARM), (MODE, WARM)], environments=ENVIRONMENTS)
    return left_out(answers, plays_of(rig_for(program, ["m"]), program, scenarios).values())


def test_what_no_scenario_plays_is_named() -> None:
    """A retained pair comes back on and off after both restarts: one scenario plays one of the four."""
    found = [one.outcome for one in left(SMALL["set and reset"], scenario_of(START))]
    assert found == [("m", SUPPLY, REST, "off"), ("m", MODE, REST, "on"), ("m", MODE, REST, "off")]


def test_a_suite_that_plays_all_leaves_nothing_out() -> None:
    """Every outcome once; what a held command brings about as well needs no scenario of its own."""
    scenarios = [
        scenario_of(*presses, name=f"{how}-{number}", how=how)
        for how in ("supply", "mode")
        for number, presses in enumerate([(START,), (STOP,)])
    ]
    assert left(SMALL["set and reset"], *scenarios) == ()  # type: ignore[arg-type]


def test_what_may_not_come_about_is_not_played() -> None:
    """A dip may be ridden through, and a watch that ends as a timer does shows either: neither plays an outcome. A
    search goes on until its dips restart."""
    on = ("m", SUPPLY, REST, "on")
    dip = scenario_of(START, cases=(Case("", 40 * MS),))
    assert on in [one.outcome for one in left(SMALL["set and reset"], dip)]
    searching = replace(dip, search=Search(5 * MS, 40 * MS, MS, 40))
    assert on not in [one.outcome for one in left(SMALL["set and reset"], searching)]
    slow = SMALL["timer"]
    assert on in [one.outcome for one in left(slow, scenario_of(STOP, START, Wait(2000 * MS), watch_ns=300 * MS))]
    assert on not in [one.outcome for one in left(slow, scenario_of(STOP, START, Wait(2000 * MS)))]


def test_what_only_a_held_command_brings_about_is_named_for_it() -> None:
    """Held by its own contact it is on only with the button held, and a scenario that holds the button plays it."""
    held = ("m", SUPPLY, HELD, "on")
    program = SMALL["held by its own contact"]
    assert held in [one.outcome for one in left(program, scenario_of(START))]
    assert held not in [one.outcome for one in left(program, scenario_of(Hold("start")))]


def test_what_needs_a_place_between_two_rungs_is_marked() -> None:
    """A pulse comes only if the cut falls after the second rung, which no press brings about."""
    marks = {one.outcome: one.between_rungs for one in left(SMALL["between two rungs"])}
    assert marks["m", SUPPLY, REST, "pulses"] is True
    assert marks["m", SUPPLY, REST, "off"] is False


def test_random_cuts_meet_a_place_with_the_stated_confidence() -> None:
    """Source: n trials of chance p meet once with 1 - (1 - p)^n; one of five rungs in two scans is a tenth."""
    cuts = random_cuts_needed(SMALL["between two rungs"])
    assert 1 - (1 - 1 / 10) ** cuts >= 0.95 > 1 - (1 - 1 / 10) ** (cuts - 1)
    assert cuts == math.ceil(math.log(0.05) / math.log(0.9))
