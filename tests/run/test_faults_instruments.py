"""Whole runs in which the bench's own instruments are at fault: independent I/O, wires, command points, and states that
were not reached. What the rules of judgement demand of them.

Each verdict was reasoned from the rules (DEVELOPERS.md) before it was run; the behaviours are our own definitions.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import test_faults_controller
import test_faults_restart
import test_faults_spans
import test_faults_supply

from fault_suites import BURNER_KEPT, GONE, NEVER_ON, PLAYED, Tree, expecting, fault, play, plays, words
from restart_bench.model.fault_catalogue import FAULTS
from restart_bench.model.verdicts import Verdict
from safety_rig import Seen

QUICK_EXPECT: Tree = {
    "before": [
        {"press": "start", "for": "60 ms"},
        {"expect": {"fan": True, "burner": True, "auger": True}, "within": "800 ms"},
    ]
}


def test_every_ordered_fault_is_played_through_the_runner() -> None:
    """A fault without such a test would be one that the bench never had to judge."""
    modules = (test_faults_controller, test_faults_restart, test_faults_spans, test_faults_supply)
    assert all(module.__doc__ for module in modules)  # their marks count as well
    assert set(FAULTS) == PLAYED


# ---------------------------------------------------------------- the state before


@plays("wire-off")
def test_a_state_that_was_not_reached_is_an_error_and_nothing_is_cut(tmp_path: Path) -> None:
    """Rule 8: the burner's input is dead from the start, so the state before can't be shown; the truth log knows of
    no cut, and the reason names the wire, since the controller itself says on."""
    run = play(tmp_path, fault("wire-off", point="burner", from_cut=0), scenario=QUICK_EXPECT)
    assert run.outcome.exit_code == 4 and run.cycle.verdict is Verdict.ERROR
    assert run.truth("supply", "supply") == [True] and run.truth("rail", "rail") == [True]
    assert "the state before was not reached, so nothing was cut" in run.scenario.reason
    assert "the controller itself says burner on: look at its output, the wire" in run.scenario.reason


@plays("wire-off")
def test_a_dead_channel_of_an_output_that_has_to_be_off_is_an_error_of_the_run(tmp_path: Path) -> None:
    """Rule 9: never seen on, so `off` shows nothing; `proven:` would be needed."""
    started = {"before": [{"press": "start", "for": "60 ms"}, {"expect": {"fan": True}}]}
    run = play(tmp_path, fault("wire-off", point="burner", from_cut=0), scenario={**started, **expecting(burner=False)})
    assert run.outcome.exit_code == 4 and run.scenario.verdict is Verdict.ERROR
    assert "burner_terminal was never seen on in this run, so the channel may be dead" in run.scenario.reason
    assert "let the scenario switch it on before the cut, or write `proven:`" in run.scenario.reason


@plays("wire-off")
def test_a_channel_that_is_proven_otherwise_counts_and_is_printed(tmp_path: Path) -> None:
    """Rule 9: `proven:` in the rig file lifts the error, and the result says on what it rests."""
    started = {"before": [{"press": "start", "for": "60 ms"}, {"expect": {"fan": True}}]}
    rungs = [
        {"set": "fan", "when": "start"},
        {"coil": "burner", "when": "FALSE"},
        {"coil": "auger", "when": "start"},
    ]
    run = play(
        tmp_path,
        rig={"points/burner/proven": "lamp test 2026-07-20"},
        program={"rungs": rungs},
        scenario={**started, **expecting(burner=False)},
    )
    assert run.outcome.exit_code == 0
    assert any("lamp test 2026-07-20" in limit for limit in run.scenario.limits)


# ---------------------------------------------------------------- wires that come off in the cut


@plays("wire-off")
def test_a_wire_that_comes_off_is_a_fail_with_the_controllers_own_word_beside_it(tmp_path: Path) -> None:
    """Rule 4: the terminal's input counts and reads off; the disagreement tells the person where to look."""
    run = play(tmp_path, fault("wire-off", point="fan"), scenario={"after/watch": "1500 ms"})
    assert run.outcome.exit_code == 1 and run.verdict("fan") == "fail"
    (note,) = run.cycle.notes
    assert "fan: the controller says on, its terminal was off" in note and "the wiring" in note


@plays("wire-off")
def test_a_wire_that_comes_off_never_hides_a_burner_that_is_on(tmp_path: Path) -> None:
    """No false pass: the burner comes back, its input reads off, the controller says on."""
    run = play(tmp_path, fault("wire-off", point="burner"), program=BURNER_KEPT, scenario={
        "after/watch": "1500 ms", **expecting(fan=True, burner=NEVER_ON),
    })  # fmt: skip
    assert True in run.truth("output", "burner")[-1:]
    assert run.outcome.exit_code == 3
    assert [one.verdict for one in run.cycle.findings if one.point == "burner"] == [Verdict.INCONCLUSIVE] * 2


# ---------------------------------------------------------------- independent I/O


NO_STOP: Tree = {
    "inputs": {"start": {"role": "command", "rest": False}},
    "rungs": [
        {"coil": "auger", "when": "start OR auger"},
        {"set": "fan", "when": "start"},
        {"set": "burner", "when": "start"},
        {"reset": "burner", "when": "first_scan"},
    ],
}


@plays("independent-on-cut-supply")
def test_independent_io_on_the_cut_supply_proves_no_cut(tmp_path: Path) -> None:
    """Rules 2 and 8: its silence is not `rail off`; the only proof could not be read."""
    rig = {"points/stop": GONE, "proof_of_cut": [{"rail": False}]}
    run = play(tmp_path, fault("independent-on-cut-supply", boots_in="50 ms"), rig=rig, program=NO_STOP)
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    assert "the cut is not proven: rail was not read" in run.cycle.reason
    assert "a supply of their own" in run.cycle.reason


@plays("independent-on-cut-supply")
def test_independent_io_on_the_cut_supply_excludes_no_pulse(tmp_path: Path) -> None:
    """Rule 5: it was dark when it should have looked; the gap is told, and that its own supply is to be looked at."""
    rig = {"points/stop": GONE, "proof_of_cut": [{"rail": False}, {"contact": "lost"}]}
    run = play(tmp_path, fault("independent-on-cut-supply", boots_in="50 ms"), rig=rig, program=NO_STOP,
               scenario=expecting(fan=True, burner=NEVER_ON))  # fmt: skip
    finding = run.finding("burner", "never")
    assert run.outcome.exit_code == 3 and finding.verdict is Verdict.INCONCLUSIVE
    assert "see why independent did not answer (its own supply, cable" in finding.reason
    assert "unread at the same time, this computer stood still" in finding.reason and "simulated" not in finding.reason


@plays("independent-on-cut-supply")
def test_a_command_point_that_loses_its_state_voids_the_cycle(tmp_path: Path) -> None:
    """Rules 8 and 10: the stop button came back pressed and stopped the fan; that is no fail of the controller."""
    run = play(tmp_path, fault("independent-on-cut-supply", boots_in="50 ms"), scenario={"after/watch": "800 ms"})
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    assert "stop did not stay in idle: stop read off" in run.cycle.reason
    assert "look at the button, its wiring and supply" in run.cycle.reason


@plays("channel-between-levels")
def test_a_channel_between_its_levels_is_blind_and_says_why(tmp_path: Path) -> None:
    """Rule 2: neither off nor on is no value; the cure is the sensor, not the network."""
    flow = {"device": "independent", "input_register": 0, "levels": {"off_below": 5, "on_above": 15}}
    rig = {"points/flow": flow, "points/fan": {"device": "controller", "coil": 2, "terminal": "flow"}}
    run = play(tmp_path, fault("channel-between-levels", point="flow"), rig=rig)
    finding = run.finding("fan")
    assert run.outcome.exit_code == 3 and finding.verdict is Verdict.INCONCLUSIVE
    assert "flow read between its levels (5 and 15), neither off nor on; check the sensor" in finding.reason
    assert run.verdict("burner") == "pass"


# ---------------------------------------------------------------- command points


@plays("command-stuck")
def test_nothing_is_cut_while_a_button_stays_pressed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was released, the write was confirmed, and it reads on: the supply stays on, the run ends, and its end says
    loudly what is still pressed."""
    monkeypatch.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", 1)
    show = Seen()
    run = play(tmp_path, fault("command-stuck", point="start", from_cut=0), show=show)
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    assert "start reads on although it was let go of" in run.cycle.reason and "nothing was cut" in run.cycle.reason
    assert run.truth("supply", "supply") in ([], [True])
    assert "START MAY STILL BE OUT OF IDLE: go to the rig and see that start is off" in show.said


@pytest.mark.parametrize("expected", [True, False])
def test_a_sound_rig_passes_what_is_so_and_fails_what_is_not(tmp_path: Path, expected: bool) -> None:
    """The counter-test: without any fault the same files come to a pass, and to a fail of what is demanded wrongly."""
    run = play(tmp_path, scenario=expecting(fan=expected, burner=False))
    assert run.outcome.exit_code == (0 if expected else 1) and run.cycle.notes == ()
