"""Small programs whose restart every practitioner should be able to foretell, and what the engine says of them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from predict_small import SMALL, program
from restart_bench.model.program import Program
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.parts import COLD, DARK, HELD, MODE, REST, SENSORS, SUPPLY, WARM
from restart_bench.predict.traces import Cut


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
    assert lamp.pulse_scans == 1


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
    assert answer.played.seen["m"].last_change_ns == 500_000_000


def test_a_falling_edge_that_is_not_retained_fires_once_in_every_first_scan() -> None:
    """Always one scan."""
    assert says("falling edge").pulse_scans == 1


def test_what_only_an_impossible_race_of_timers_would_show_is_not_confirmed() -> None:
    """The longer of two timers never is over first: no replay shows it, so it is not confirmed. The other is."""
    assert (says("two timers").can_pulse, says("two timers").confirmed) == (True, False)
    assert says("two timers").pulse_scans is None
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


# ---------------------------------------------------------------- what is easily overlooked


def at_rest(program: Program, point: str = "m") -> Answer:
    """The answer after a loss of supply with inputs at rest."""
    return predict(program, [point], restarts=[(SUPPLY, WARM)], environments=[REST])[0]


def test_an_earlier_mode_change_may_have_set_what_comes_back() -> None:
    """Only after a mode change does a first scan meet memory that is not retained."""
    text = "set x: start AND NOT first_scan\nreset x: NOT stop\nset m: first_scan AND x\nreset m: NOT stop"
    answer = at_rest(program(text, retained="m"))
    assert (answer.settles, answer.confirmed) == ("depends", True)
    assert answer.played is not None
    assert [step.restart for step in answer.played.trace.steps if isinstance(step, Cut)] == [MODE]


def test_on_off_and_on_again_is_a_pulse() -> None:
    """What comes on for good may still have been off in between."""
    answer = at_rest(program("m := first_scan OR c\nc := b\nb := first_scan OR b"))
    assert (answer.first_scan, answer.settles, answer.can_pulse) == ("on", "on", True)
    assert answer.pulse_scans == 1


@pytest.mark.parametrize("first", ["", "x := start\n"])
def test_outputs_written_at_once_show_what_the_first_scan_resets(first: str) -> None:
    """After the first rung the terminal shows the memory, until the reset: a pulse within the scan."""
    text = f"{first}set m: start\nreset m: NOT stop OR first_scan"
    assert at_rest(program(text, retained="m", at_once=True)).behaviour == ("off", True)
    assert at_rest(program(text, retained="m")).behaviour == ("off", False)


def test_outputs_written_at_once_show_memory_as_soon_as_any_rung_is_done() -> None:
    """A retained coil that no pass cleared is seen if another rung comes first, and never seen if its own does."""
    assert at_rest(program("x := start\nm := start", clears=False, retained="m", at_once=True)).can_pulse is True
    assert at_rest(program("m := start", clears=False, retained="m", at_once=True)).can_pulse is False


def test_two_timers_that_start_each_other_never_settle() -> None:
    """A flasher: a replay shows it for as long as it takes to come again."""
    answer = at_rest(program("a = TON 300: NOT b\nb = TON 300: a\nm := a"))
    assert (answer.settles, answer.can_pulse, answer.confirmed) == ("never", True, True)


def test_sensors_may_move_as_often_as_they_like() -> None:
    """What needs four changes of a level after the cut is not denied, though nobody has played it."""
    text = "set m: c AND NOT level_low\nset c: b AND level_low\nset b: a AND NOT level_low\nset a: level_low"
    answer = predict(program(text), ["m"], restarts=[(SUPPLY, WARM)], environments=[SENSORS])[0]
    assert answer.settles == "depends"


def test_a_scan_that_sets_and_resets_flickers_where_outputs_are_written_at_once() -> None:
    """It never settles at the terminals, and is off at the end of every scan."""
    text = "set m: stop\nreset m: stop"
    assert at_rest(program(text, at_once=True)).settles == "never"
    assert at_rest(program(text, at_once=True)).pulse_scans == 1
    assert at_rest(program(text)).settles == "off"


def test_retained_memory_saved_at_the_scan_end_knows_no_cut_within_a_scan() -> None:
    """The rare pulse that needs a cut between two rungs is impossible then."""
    between = SMALL["between two rungs"]
    assert at_rest(between).can_pulse is True
    assert at_rest(replace(between, saved="at scan end")).can_pulse is False


def test_an_output_that_nothing_drives_is_refused() -> None:
    """A wrong name is told, not foretold."""
    with pytest.raises(ValueError, match="nothing in this program drives nobody"):
        predict(SMALL["timer"], ["nobody"])
