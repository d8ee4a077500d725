"""Small programs whose restart every practitioner should be able to foretell, and what the engine says of them."""

from __future__ import annotations

from functools import cache

import pytest

from predict_small import SMALL
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.parts import COLD, DARK, HELD, MODE, REST, SENSORS, SUPPLY, WARM


@cache
def answers(name: str) -> dict[tuple[str, str, str, str], Answer]:
    """All answers for one of the small programs."""
    return {answer.key: answer for answer in predict(SMALL[name], ["m", *_more(name)])}


def _more(name: str) -> list[str]:
    return {"a lamp before the reset": ["lamp"], "two timers": ["k"]}.get(name, [])


def says(name: str, inputs: str = REST, start: str = WARM, restart: str = SUPPLY, point: str = "m") -> Answer:
    """One answer."""
    return answers(name)[point, restart, start, inputs]


EXPECTED = {
    # program: at rest after a warm restart (first scan, where it settles, can it pulse), after a cold one
    "held by its own contact": (("off", "off", False), ("off", "off", False)),
    "set and reset": (("depends", "depends", False), ("off", "off", False)),
    "reset on the first scan": (("off", "off", False), ("off", "off", False)),
    "a lamp before the reset": (("off", "off", False), ("off", "off", False)),
    "no clearing pass": (("depends", "depends", False), ("off", "off", False)),
    "no clearing pass, not retained": (("off", "off", False), ("off", "off", False)),
    "not retained": (("off", "off", False), ("off", "off", False)),
    "rising edge": (("off", "off", False), ("off", "off", False)),
    "rising edge, edge retained": (("off", "off", False), ("off", "off", False)),
    "automatic with a sensor": (("off", "off", False), ("off", "off", False)),
    "between two rungs": (("depends", "off", True), ("off", "off", False)),
    "timer": (("off", "depends", False), ("off", "off", False)),
    "falling edge": (("on", "off", True), ("on", "off", True)),
    "request": (("depends", "depends", False), ("off", "off", False)),
    "a copy": (("depends", "depends", False), ("off", "off", False)),
    "a copy, rungs swapped": (("off", "off", False), ("off", "off", False)),
    "two memories": (("depends", "depends", False), ("off", "off", False)),
}


@pytest.mark.parametrize("name", EXPECTED)
def test_a_small_program_does_what_everybody_knows(name: str) -> None:
    """First scan, settled state and pulse after a warm and a cold restart with inputs at rest."""
    told = [says(name, start=start) for start in (WARM, COLD)]
    assert tuple((one.first_scan, one.settles, one.can_pulse) for one in told) == EXPECTED[name]
    assert all(one.confirmed for one in told)


@pytest.mark.parametrize("name", ["held by its own contact", "not retained", "rising edge"])
def test_a_start_that_is_held_through_the_cut_brings_it_on(name: str) -> None:
    """What stays off at rest comes on in the first scan for somebody who holds start."""
    assert says(name, HELD).settles == "depends"
    assert says(name, HELD).first_scan == "depends"


def test_a_retained_edge_knows_a_command_that_was_held() -> None:
    """With its memory retained an edge does not fire for what was pressed all along, only for what is new."""
    assert says("rising edge, edge retained", HELD).behaviour == ("off", False)
    assert says("rising edge, edge retained", DARK).settles == "depends"


def test_what_the_first_scan_resets_is_on_in_memory_until_that_rung() -> None:
    """Off at the terminals, but whatever reads the memory before the reset sees it on: a lamp pulses for a scan."""
    assert says("reset on the first scan").begins == "depends"
    lamp = says("a lamp before the reset", point="lamp")
    assert (lamp.settles, lamp.can_pulse, lamp.confirmed) == ("off", True, True)
    assert lamp.played is not None
    assert lamp.played.seen["lamp"].on_scans == 1


def test_a_sensor_alone_brings_on_what_is_automatic() -> None:
    """Nobody presses anything, and the level brings the output on."""
    assert says("automatic with a sensor", SENSORS).settles == "depends"


def test_some_pulses_need_a_cut_between_two_rungs() -> None:
    """Only a loss right after the second rung leaves both memories set."""
    answer = says("between two rungs")
    assert answer.played is not None
    assert answer.played.trace.cut.rungs == 2


def test_a_timer_brings_its_output_back_one_preset_later() -> None:
    """Its time starts anew with the program."""
    answer = says("timer")
    assert answer.played is not None
    assert answer.played.seen["m"].first_on_ns == 500_000_000


def test_a_falling_edge_that_is_not_retained_fires_once_in_every_first_scan() -> None:
    """Always one scan."""
    answer = says("falling edge")
    assert answer.played is not None
    assert answer.played.seen["m"].on_scans == 1


def test_what_only_an_impossible_race_of_timers_would_show_is_not_confirmed() -> None:
    """The longer of two timers never is over first: no replay shows it, so it is not confirmed. The other is."""
    assert (says("two timers").can_pulse, says("two timers").confirmed) == (True, False)
    assert (says("two timers", point="k").can_pulse, says("two timers", point="k").confirmed) == (True, True)


MEASURED = {
    # measured on the simulated rig by hand: loss of supply, mode change
    "held by its own contact": ("off", "off"),
    "no clearing pass": ("depends", "depends"),
    "no clearing pass, not retained": ("off", "depends"),
    "set and reset": ("depends", "depends"),
    "reset on the first scan": ("off", "off"),
    "not retained": ("off", "depends"),
}


@pytest.mark.parametrize("name", MEASURED)
def test_a_mode_change_keeps_what_a_loss_of_supply_loses(name: str) -> None:
    """Memory that is not retained outlives a mode change; a pass that clears coils runs at both."""
    assert tuple(says(name, restart=restart).settles for restart in (SUPPLY, MODE)) == MEASURED[name]
