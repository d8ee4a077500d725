"""Files that can be read but can't be meant: demands that exclude each other, one address for two things, keys that are
no words. `check` says so before anything moves."""

from __future__ import annotations

import pytest

from file_suites import PROGRAM, RIG, load, rig_faults, scenario_faults, spoilt, told, warnings

BURNER = "    burner: off\n"


@pytest.mark.parametrize("demand", ["{is: on, never: on}", "{is: on, within: 5 s, never: on}"])
def test_what_must_be_so_in_the_end_must_not_be_what_must_never_be(demand: str) -> None:
    """No controller can meet `is: on` beside `never: on`, so a fail would say nothing about it."""
    (fault,) = scenario_faults(BURNER, f"    burner: {demand}\n")
    assert ":9: after.expect.burner.never: is: on and never: on can't both be met; delete one of them" in fault


def test_what_a_value_must_never_exceed_may_stand_beside_what_it_must_be() -> None:
    """`is` and `never` exclude each other only where the one is what the other forbids."""
    assert scenario_faults(BURNER, "    batches: {is: 3, never: {above: 9}}\n") == []
    (fault,) = scenario_faults(BURNER, "    batches: {is: 12, never: {above: 9}}\n")
    assert "is: 12 and never: above 9 can't both be met" in fault


def test_two_outputs_do_not_share_a_terminal() -> None:
    """One of them would be judged by what the other does."""
    (fault,) = rig_faults("terminal: {discrete_input: 1}", "terminal: {discrete_input: 0}")
    assert "points.fan.terminal: sees the same input as the terminal of burner" in fault


def test_two_outputs_of_one_address_are_noted() -> None:
    """A line that was copied and not changed: each is judged by what is the other as well."""
    said = "points.fan.coil: fan has the address of burner, so both are one and the same to this bench"
    alike = load(rig=spoilt(RIG, "fan: {device: controller, coil: 1,", "fan: {device: controller, coil: 0,"))
    assert [any(said in one for one in warnings(suite)) for suite in (alike, load())] == [True, False]


def test_an_output_does_not_lie_where_the_controller_shows_that_it_runs() -> None:
    """Else `ready` would be told by the output that is judged."""
    running = "running: {device: controller, "
    (fault,) = rig_faults(f"{running}discrete_input: 0}}", f"{running}coil: 1}}")
    assert "points.fan.coil: fan has the address of running, which shows the controller's own state" in fault


@pytest.mark.parametrize("key", ["<script>", "[key]", "<mapping>", "<value>"])
def test_a_key_that_is_no_word_is_an_unknown_key(key: str) -> None:
    """Signs of markup in place of a key are told like any other key that nobody knows."""
    faults = scenario_faults("after:\n", f'"{key}":\n')
    assert any(f"{key}: unknown key; known here: scenario" in fault for fault in faults)


def test_a_forgotten_colon_is_proposed_where_it_belongs() -> None:
    """YAML reads `{pump on}` as a key without a value; people mean `pump: on`."""
    faults = scenario_faults("{burner: on}", "{burner on, fan: on}")
    assert faults == [
        "scenario.yaml:4: before[1].expect.burner on: has no colon; write a colon and a space: burner: on"
    ]


def test_a_bare_number_is_proposed_in_the_unit_that_its_key_has() -> None:
    """Nobody polls every ten seconds: `poll: 10` is meant in milliseconds."""
    (fault,) = rig_faults("{host: 192.0.2.20}", "{host: 192.0.2.20, poll: 10}")
    assert "devices.independent.poll: 10 has no unit; write 10 ms, or 10 s if seconds are meant" in fault


def test_all_faults_of_a_program_are_told_at_once() -> None:
    """A misspelt kind in one rung keeps nobody from hearing of a misspelt name in another."""
    timer = "  - {timer: pause, kind: TONN, preset: 2 s, when: start}\n"
    faults = told(lambda: load(program=spoilt(PROGRAM, "when: start", "when: strat") + timer))
    assert any("nothing ever writes strat; did you mean start?" in fault for fault in faults)
    assert any("TONN is not known here; write one of: TON, TOF, TP" in fault for fault in faults)


def test_a_name_that_a_faulty_rung_drives_is_no_second_fault() -> None:
    """What follows from a fault that is told already is not told as well."""
    timer = "  - {timer: pause, kind: TONN, preset: 2 s, when: start}\n  - {coil: lamp, when: pause}\n"
    assert len(told(lambda: load(program=PROGRAM + timer))) == 1
