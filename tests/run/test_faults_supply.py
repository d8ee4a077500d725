"""Whole runs in which the relay, the rail or the supply is at fault: what the rules of judgement demand of them.

Each verdict was reasoned from the rules (DEVELOPERS.md) before it was run; the behaviours are our own definitions.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drawn import seldom
from fault_suites import NO_RAIL, ONLY_CONTACT, SOON, Tree, expecting, fault, play, plays, words
from restart_bench.model.verdicts import Verdict


@plays("relay-welded")
def test_a_welded_contact_is_an_error_and_ends_the_run(tmp_path: Path) -> None:
    """Rule 8: a supply proof contradicted by reads without a gap; a person has to look (exit 4), and the burner that
    is still on is no fail of the controller (rule 10)."""
    run = play(tmp_path, fault("relay-welded"))
    assert run.outcome.exit_code == 4 and run.run.how == "error"
    assert words(run) == {Verdict.ERROR} and run.cycle.ends_run
    assert "the supply was not cut: rail read on all through" in run.cycle.reason
    assert "look at the relay, its contact and the wiring" in run.run.reason


@plays("relay-welded")
@pytest.mark.parametrize(("rig", "said"), [
    (NO_RAIL, "uptime did not fall"),
    (ONLY_CONTACT, "answered after the return on the connection from before the cut"),
])  # fmt: skip
def test_a_welded_contact_without_a_rail_is_a_cut_that_is_not_proven(tmp_path: Path, rig: Tree, said: str) -> None:
    """Rule 8: no needed proof held. The run goes on: nothing contradicts the relay itself."""
    run = play(tmp_path, fault("relay-welded"), rig=rig)
    assert run.outcome.exit_code == 4 and run.run.how == "completed"
    assert words(run) == {Verdict.ERROR}
    assert "the cut is not proven" in run.cycle.reason and said in run.cycle.reason
    assert "look at the relay, its contact, and what else may feed the controller" in run.cycle.reason


@plays("relay-not-reclosing")
def test_a_contact_that_stays_open_is_an_error_and_not_a_dead_controller(tmp_path: Path) -> None:
    """Rule 8: the supply did not return. Neither `not ready` nor the dark fan is held against the controller."""
    run = play(tmp_path, fault("relay-not-reclosing"), rig=SOON)
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    assert "the supply did not return: rail still says that it is off; look at the relay" in run.cycle.reason


@plays("relay-not-reclosing")
def test_a_contact_that_stays_open_unseen_is_inconclusive(tmp_path: Path) -> None:
    """Rule 8, last sentence: only the relay says that the supply was back. So the fan that is off shows nothing."""
    run = play(tmp_path, fault("relay-not-reclosing"), rig={**ONLY_CONTACT, **SOON})
    assert run.outcome.exit_code == 3
    for finding in (run.finding("", "ready within"), run.finding("fan")):
        assert finding.verdict is Verdict.INCONCLUSIVE
        assert "nothing but the relay's command says that the supply was back (`proof_of_cut`" in finding.reason


@plays("relay-slow")
def test_a_relay_that_closes_late_shifts_no_limit_of_the_controller(tmp_path: Path) -> None:
    """Rule 6: bounds hold the truth. The fan is on soon after the true return, 1.6 s after the command; whether the
    relay was late or the I/O old is not read. Whatever came of it, the off time was not the one asked: a person
    has to look."""
    late = fault("relay-slow", by="1500 ms", when="closing")
    run = play(tmp_path, late, scenario=expecting(fan={"is": True, "within": "1200 ms"}, burner=False))
    assert run.outcome.exit_code == 4 and run.cycle.ends_run
    assert run.finding("fan").figures["without_the_error"] == "inconclusive"
    assert run.finding("fan").figures["onset_ns"][0] < 1_200_000_000 < run.finding("fan").figures["onset_ns"][1]
    (note,) = run.cycle.notes
    assert "the supply came back" in note and "the rig file says 10 ms at most" in note


@plays("relay-slow")
def test_a_relay_that_closes_late_unseen_is_no_fail_of_the_controller(tmp_path: Path) -> None:
    """Rule 8, last sentence: without the rail, nobody knows when the controller got its power."""
    late = fault("relay-slow", by="1700 ms", when="closing")
    run = play(tmp_path, late, rig={**ONLY_CONTACT, **SOON})
    assert run.outcome.exit_code == 3
    assert run.finding("", "ready within").verdict is Verdict.INCONCLUSIVE
    assert "nothing but the relay's command" in run.finding("fan").reason


@plays("relay-slow")
def test_a_relay_that_opens_late_shortens_the_reported_off_time(tmp_path: Path) -> None:
    """The true off time is reported with bounds, not the one asked: 600 ms less 80 ms, which is near enough."""
    late = fault("relay-slow", by="80 ms", when="opening")
    run = play(tmp_path, late, scenario={"cut/off_for": "600 ms"})
    low, high = run.cycle.figures["off_time_ns"]
    least, most = run.true_off_ns()
    assert run.outcome.exit_code == 0 and low <= most and least <= high < 600_000_000
    assert "the supply was lost" in run.cycle.notes[0]


@plays("relay-slow")
def test_a_dip_that_the_relay_was_too_slow_for_is_an_error(tmp_path: Path) -> None:
    """Rule 8: the asked dip is not proven. The contact was told to close before it had opened."""
    late = fault("relay-slow", by="3 s", when="opening")
    run = play(tmp_path, late, scenario={"cut/off_for": "120 ms", "after/restart": "none"})
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    said = run.cycle.reason  # a busy machine may stretch the dip as well
    assert "the supply was not cut" in said or "the asked dip of 120 ms is not proven" in said


@plays("relay-bouncing")
def test_bounce_beyond_the_data_sheet_is_a_second_dip(tmp_path: Path) -> None:
    """Rule 8: bounce within `operate + bounce` (10 ms here) is none, this one lasts 300 ms."""
    run = play(tmp_path, fault("relay-bouncing", lasts="300 ms", times=1))
    assert run.outcome.exit_code == 4 and run.cycle.verdict is Verdict.ERROR
    assert "the supply dipped a second time: rail says so" in run.cycle.reason


@plays("relay-bouncing")
def test_bounce_within_the_data_sheet_is_no_second_dip(tmp_path: Path) -> None:
    """Rule 8: bounce at closing within `operate + bounce` is none."""
    declared = {"supply/bounce": "900 ms", "supply/release": "1 ms"}
    run = play(tmp_path, fault("relay-bouncing", lasts="200 ms", times=1, from_cut=1), rig=declared,
               scenario={"cut/off_for": "1200 ms"})  # fmt: skip
    assert run.outcome.exit_code == 0


@plays("second-dip")
def test_a_second_dip_during_the_boot_is_an_error(tmp_path: Path) -> None:
    """Rule 8: the supply dipped a second time; what came of the boot is no test of the cut that was asked."""
    run = play(tmp_path, fault("second-dip", after="100 ms", lasts="150 ms"))
    assert run.outcome.exit_code == 4 and run.cycle.verdict is Verdict.ERROR
    assert "the supply dipped a second time: rail says so" in run.cycle.reason


@plays("second-dip")
def test_a_pulse_before_a_second_dip_stays_a_proven_fail(tmp_path: Path) -> None:
    """Rule 10: a deviation proven wholly before an error's earliest instant stands; the error is told beside it."""
    faults = (
        fault("pulse", point="burner", scan=0, length="200 ms"),
        fault("second-dip", after="900 ms", lasts="100 ms"),
    )
    run = play(tmp_path, *faults, scenario={**expecting(burner={"never": True}), "after/watch": "1500 ms"})
    assert run.outcome.exit_code == 1 and run.cycle.verdict is Verdict.FAIL
    assert run.verdict("burner") == "fail" and run.verdict("", "valid: second dip") == "error"
    assert "after that the test was no longer valid: the supply dipped a second time" in run.cycle.reason


@plays("second-dip", "relay-bouncing")
@pytest.mark.parametrize("dip", seldom(
    fault("second-dip", after="60 ms", lasts="100 ms"), fault("relay-bouncing", lasts="120 ms", times=1),
))  # fmt: skip
def test_a_dip_that_no_instrument_sees_is_told_among_the_limits(tmp_path: Path, dip: Tree) -> None:
    """Rule 13: the outputs were as demanded, which is true; that the supply came back once is taken on trust."""
    run = play(tmp_path, dip, rig=NO_RAIL)
    assert run.outcome.exit_code == 0
    assert "Nothing reads the supply itself: that it came back then and stayed is taken from the relay's command." in (
        run.scenario.limits
    )


@plays("second-dip")
def test_a_second_loss_that_only_the_controller_shows_is_reported_as_coinciding(tmp_path: Path) -> None:
    """Rules 3 and 12: the settled state counts from the later restart, and what looks like a second loss is told so."""
    run = play(tmp_path, fault("second-dip", after="700 ms", lasts="200 ms"), rig=NO_RAIL,
               scenario={"after/watch": "1500 ms"})  # fmt: skip
    restored, ready = run.cycle.mark("restored"), run.cycle.mark("ready")
    assert restored is not None and ready is not None
    assert ready.not_before_ns - restored.not_after_ns > 700_000_000  # not the first time that it was ready
    assert any("restarted again" in note and "second loss of its supply" in note for note in run.cycle.notes)


@plays("rail-back-fed")
@pytest.mark.parametrize("controller", seldom("loses power", "keeps running"))
def test_a_rail_fed_from_elsewhere_contradicts_the_cut(tmp_path: Path, controller: str) -> None:
    """Rule 8: whatever the controller did, the rail was read on all through; a person has to look."""
    run = play(tmp_path, fault("rail-back-fed", controller=controller))
    assert run.outcome.exit_code == 4 and run.run.how == "error" and words(run) == {Verdict.ERROR}
    assert "look at the relay, its contact and the wiring" in run.cycle.reason


@plays("rail-back-fed")
def test_a_back_fed_controller_without_a_rail_is_an_unproven_cut(tmp_path: Path) -> None:
    """Rule 8: the only proof that there is did not hold."""
    run = play(tmp_path, fault("rail-back-fed"), rig=NO_RAIL)
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    assert "what else may feed the controller" in run.cycle.reason


@plays("rail-held-up")
def test_a_rail_that_is_held_up_for_a_while_shortens_the_off_time(tmp_path: Path) -> None:
    """The true off time counts from where the rail fell, 300 ms after the contact had opened; so 500 ms were never
    tested."""
    slow = {"supply/operate": "50 ms"}  # a busy computer plays its contact later than asked
    run = play(tmp_path, fault("rail-held-up", by="300 ms"), rig=slow, scenario={"cut/off_for": "500 ms"})
    assert run.outcome.exit_code == 4 and run.cycle.ends_run
    assert "what holds the supply up" in run.cycle.reason
    low, high = run.cycle.figures["off_time_ns"]
    least, most = run.true_off_ns()
    assert low <= most and least <= high
    assert "what holds the supply up" in run.cycle.notes[0]


@plays("rail-held-up")
def test_a_rail_that_is_held_up_all_through_contradicts_the_cut(tmp_path: Path) -> None:
    """Rule 8: it never read off, so nothing was tested."""
    run = play(tmp_path, fault("rail-held-up", by="3 s"))
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR} and run.cycle.ends_run


# ---------------------------------------------------------------- levels

PROGRAMMABLE: Tree = {
    "supply": {
        "driver": "scpi-supply",
        "host": "192.0.2.40",
        "nominal": "24 V",
        "limits": {"off_at_least": "100 ms", "on_at_least": "100 ms"},
    },
    "points/rail": {"device": "independent", "input_register": 0, "unit": "mV"},
    "proof_of_cut": [{"rail": {"below": 21000}}, {"uptime": "falls"}],
}


def test_a_dip_to_a_level_below_what_the_controller_needs_restarts_it(tmp_path: Path) -> None:
    """40 % of 24 V for 300 ms: the rail shows it, the uptime fell."""
    run = play(tmp_path, rig=PROGRAMMABLE, scenario={"cut/level": "40 %", "cut/off_for": "300 ms"})
    assert run.outcome.exit_code == 0 and "uptime fell" in run.finding("", "restart:").reason
    assert 9600 in run.truth("rail", "rail") and run.truth("rail", "rail")[-1] == 24000


def test_a_dip_to_a_level_that_the_controller_bears_changes_nothing(tmp_path: Path) -> None:
    """80 %: the rail proves the dip, nothing restarted, every output stayed as it was."""
    stays = {"stays": "as before", "longer_than": "1 s"}
    run = play(
        tmp_path, rig=PROGRAMMABLE,
        scenario={"cut/level": "19.2 V", "after/restart": "none", **expecting(fan=stays, burner=stays, auger=stays)},
    )  # fmt: skip
    assert run.outcome.exit_code == 0 and "did not restart" in run.finding("", "restart:").reason
    assert 19200 in run.truth("rail", "rail")


def test_a_dip_that_the_rail_can_not_tell_is_not_proven(tmp_path: Path) -> None:
    """Rule 8: the asked dip is not proven where its only proof would take a deeper one."""
    deeper = {**PROGRAMMABLE, "proof_of_cut": [{"rail": {"below": 5000}}]}
    run = play(tmp_path, rig=deeper, scenario={"cut/level": "80 %", "after/restart": "none", **expecting(fan=True)})
    assert run.outcome.exit_code == 4 and "rail read 19200 mV at the lowest, never below 5000" in run.cycle.reason


# ---------------------------------------------------------------- run mode

MODE: Tree = {
    "mode": {"driver": "point", "point": "run_switch", "run": True, "proof": [{"running": False}]},
    "points/run_switch": {"device": "independent", "coil": 9, "writable": True},
}


def test_leaving_run_mode_drops_every_output_and_returning_brings_back_what_was_set(tmp_path: Path) -> None:
    """Common practice, no source: outputs are off out of run; the plain coil of the auger is written false by the
    start pass, the set fan comes back, the burner is reset in the first scan."""
    off = {"expect": {"fan": False, "burner": False, "auger": False}}
    run = play(tmp_path, rig=MODE, scenario={"cut": {"how": "mode", "off_for": "400 ms"}, "during": [off]})
    assert run.outcome.exit_code == 0
    assert [run.verdict(name, "is off during the cut") for name in ("fan", "burner", "auger")] == ["pass"] * 3
    assert run.truth("supply", "supply") == [True]
    assert not any(one.expectation.startswith("restart") for one in run.cycle.findings)


def test_a_burner_that_is_kept_through_run_mode_is_a_fail(tmp_path: Path) -> None:
    """Rule 4: the same program without its first-scan contact brings the burner back."""
    kept = {"rungs": [
        {"coil": "auger", "when": "(start OR auger) AND stop"}, {"set": "fan", "when": "start"},
        {"set": "burner", "when": "start"}, {"reset": "burner", "when": "NOT stop"},
    ]}  # fmt: skip
    run = play(tmp_path, rig=MODE, program=kept, scenario={"cut": {"how": "mode", "off_for": "400 ms"}})
    assert run.outcome.exit_code == 1 and run.verdict("burner") == "fail" and run.verdict("auger") == "pass"
    assert "after run mode returned" in run.finding("burner").reason
