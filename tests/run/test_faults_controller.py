"""Whole runs in which the controller or its program is at fault: what the rules of judgement demand of them.

Each verdict was reasoned from the rules (DEVELOPERS.md) before it was run; the behaviours are our own definitions.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drawn import seldom
from fault_suites import (
    ALL_ON,
    BURNER_KEPT,
    NEVER_ON,
    NO_ALIVE,
    ONLY_CONTACT,
    SOON,
    Tree,
    expecting,
    fault,
    no_terminal,
    play,
    plays,
)
from restart_bench.model.verdicts import Verdict

# ---------------------------------------------------------------- outputs


@plays("pulse")
@pytest.mark.parametrize("scan", seldom(0, 20, 1, plain=2))
def test_a_pulse_of_an_output_is_a_fail_wherever_it_falls(tmp_path: Path, scan: int) -> None:
    """Rule 4, `never`: at the return of power, in the first scan, in a later one; one deviation is enough."""
    burner = {"never": True, "longer_than": "200 ms"}
    run = play(
        tmp_path,
        fault("pulse", point="burner", scan=scan, length="900 ms"),
        scenario={**expecting(burner=burner, fan=True), "after/watch": "1200 ms"},
    )
    assert run.outcome.exit_code == 1
    finding = run.finding("burner")
    low, high = finding.figures["on_for_ns"]
    assert finding.verdict is Verdict.FAIL and 200_000_000 <= low <= high
    assert "it should never be on for 200 ms or longer" in finding.reason and "after power returned" in finding.reason


@plays("pulse")
def test_a_pulse_in_the_blind_window_is_inconclusive_and_names_the_instrument(tmp_path: Path) -> None:
    """Rule 5: without a terminal none looked from the cut to the first counting read: the gap is told, and its cure."""
    run = play(tmp_path, fault("pulse", point="burner", scan=0, length="150 ms"), rig=no_terminal("burner"),
               scenario=expecting(burner=NEVER_ON))  # fmt: skip
    assert run.outcome.exit_code == 3
    finding = run.finding("burner", "never")
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "no reads that count from" in finding.reason and "the cut to" in finding.reason
    assert "after power returned" in finding.reason
    assert "wire the output to independent I/O (`terminal:`)" in finding.reason
    assert run.verdict("burner", "is") == "pass" and True in run.truth("output", "burner")[2:]


@plays("pulse")
def test_a_pulse_that_only_the_terminal_shows_is_found_there(tmp_path: Path) -> None:
    """Words: the physical terminal is judged, not what the controller says of it."""
    run = play(tmp_path, fault("pulse", point="burner", scan=1, length="400 ms", image="no"),
               scenario=expecting(burner={"never": True}))  # fmt: skip
    assert run.outcome.exit_code == 1 and run.verdict("burner") == "fail"


@plays("flapping")
def test_a_flapping_output_is_a_fail_although_it_is_off_half_of_the_time(tmp_path: Path) -> None:
    """Rule 7: one lucky read is not proof."""
    run = play(tmp_path, fault("flapping", point="burner", period="200 ms", lasts="3 s"))
    finding = run.finding("burner")
    assert run.outcome.exit_code == 1 and finding.verdict is Verdict.FAIL
    assert "not unbroken" in finding.reason and "should be off" in finding.reason


@plays("late-start")
def test_a_start_after_the_watch_is_outside_of_what_a_pass_says(tmp_path: Path) -> None:
    """Rule 13: the pass is true of its span, and says where that ends."""
    run = play(tmp_path, fault("late-start", point="burner", after="1500 ms"))
    assert run.outcome.exit_code == 0
    assert any("later than 400 ms after ready is not shown" in limit for limit in run.scenario.limits)


@plays("late-start")
def test_a_start_after_the_watch_is_a_fail_where_the_span_goes_on_to_the_next_command(tmp_path: Path) -> None:
    """`until: command` lasts as long as nobody touches anything, also beyond the watch."""
    steps = [{"wait": "1500 ms"}, {"press": "start", "for": "60 ms"}]
    expected = expecting(burner={"is": False, "until": "command"}, auger=False)
    run = play(
        tmp_path, fault("late-start", point="burner", after="900 ms"), scenario={**expected, "function_check": steps}
    )
    assert run.outcome.exit_code == 1
    assert run.verdict("burner") == "fail" and run.verdict("auger") == "pass"


@plays("panel-writes-run-bit")
def test_a_run_bit_written_late_by_a_panel_is_a_fail(tmp_path: Path) -> None:
    """Rule 7: off at first, on later in the watch."""
    run = play(tmp_path, fault("panel-writes-run-bit", point="burner", after="600 ms"), scenario={"after/watch": "1 s"})
    assert run.outcome.exit_code == 1 and "not unbroken" in run.finding("burner").reason


# ---------------------------------------------------------------- memory


@plays("retained-lost")
def test_memory_that_is_lost_now_and_then_is_a_fail_over_all_cycles(tmp_path: Path) -> None:
    """Rule 4: good cycles do not average a deviation away; the reason counts them."""
    run = play(tmp_path, fault("retained-lost", point="fan", one_in=2), scenario={"repeat": 3})
    verdicts = [run.verdict("fan", cycle=number) for number in (1, 2, 3)]
    assert run.outcome.exit_code == 1 and set(verdicts) == {"pass", "fail"}
    assert run.scenario.reason.startswith(f"{verdicts.count('fail')} of 3 cycles failed")
    came_back = run.truth("output", "fan").count(True) - 1 - verdicts[:-1].count("fail")
    assert came_back == verdicts.count("pass")


def _before(value: Tree) -> list[Tree]:
    return [{"write": value}, {"press": "start", "for": "60 ms"}, {"expect": {**ALL_ON, **value}}]


@plays("torn-value")
@pytest.mark.parametrize(("word", "left"), seldom(("low", 65536), ("high", 34464)))
def test_a_torn_value_is_a_fail_that_tells_both_values(tmp_path: Path, word: str, left: int) -> None:
    """`as before`: 100 000 is 1 * 65536 + 34464; one register has its initial value."""
    torn = {"before": _before({"batch_total": 100_000}), **expecting(batch_total="as before")}
    run = play(tmp_path, fault("torn-value", point="batch_total", word=word), scenario=torn)
    finding = run.finding("batch_total")
    assert run.outcome.exit_code == 1 and finding.verdict is Verdict.FAIL
    assert f"{left} at" in finding.reason and "as before (100000)" in finding.reason


@plays("setpoint-overwritten")
def test_a_setpoint_that_the_first_scan_overwrites_is_a_fail(tmp_path: Path) -> None:
    """`is` with a tolerance, on a value that the bench wrote before the cut."""
    wanted = {"is": 14.5, "tolerance": 0.05}
    run = play(tmp_path, fault("setpoint-overwritten", point="setpoint", value=3.5),
               scenario={"before": _before({"setpoint": 14.5}), **expecting(setpoint=wanted)})  # fmt: skip
    finding = run.finding("setpoint")
    assert run.outcome.exit_code == 1 and finding.verdict is Verdict.FAIL
    assert "3.5 at" in finding.reason and "should be 14.5 within 0.05" in finding.reason


@plays("phantom-edge")
def test_a_phantom_edge_in_the_first_scan_is_a_fail_of_what_it_starts(tmp_path: Path) -> None:
    """Nobody pressed start; the sealed auger runs."""
    run = play(tmp_path, fault("phantom-edge", point="start"))
    assert run.outcome.exit_code == 1
    assert run.verdict("auger") == "fail" and run.verdict("fan") == "pass" and run.verdict("burner") == "pass"


# ---------------------------------------------------------------- boot


@plays("never-runs")
@pytest.mark.parametrize("rig", seldom(SOON, {**ONLY_CONTACT, **SOON}))
def test_a_program_that_never_runs_is_a_fail(tmp_path: Path, rig: Tree) -> None:
    """Rule 8, last sentence: the supply is proven back, by the rail or by the controller's own replies."""
    run = play(tmp_path, fault("never-runs"), rig=rig, scenario={"after/watch": "800 ms"})
    ready = run.finding("", "ready within")
    assert run.outcome.exit_code == 1 and ready.verdict is Verdict.FAIL
    assert "heartbeat did not move" in ready.reason and "its supply was back" in ready.reason
    assert run.verdict("program_id") == "inconclusive"


@plays("runs-at-second-power-up")
def test_a_program_that_runs_at_the_second_power_up_is_not_helped_to_pass(tmp_path: Path) -> None:
    """Rule 11: power is never cycled again. Cycle 1 fails, cycle 2 finds no ready controller and cuts nothing."""
    run = play(tmp_path, fault("runs-at-second-power-up"), rig=SOON, scenario={"repeat": 2})
    assert [cycle.verdict.value for cycle in run.run.cycles] == ["fail", "error"]
    assert run.outcome.exit_code == 1 and run.truth("supply", "supply") == [True, False, True]
    assert "nothing was cut" in run.run.cycles[1].reason
    assert "beside that 1 cycle not valid" in run.scenario.reason


@plays("answers-before-program")
def test_answers_before_the_program_runs_are_neither_ready_nor_counted(tmp_path: Path) -> None:
    """Rule 3: `good` came early, `alive` stood still; `ready` is late, and what was read meanwhile proves nothing."""
    times = {"after/times": {"ready": {"within": "900 ms"}, "good": {"within": "900 ms"}}}
    run = play(tmp_path, fault("answers-before-program", by="1200 ms"), scenario=times)
    assert run.outcome.exit_code == 1
    assert run.verdict("", "good within") == "pass" and run.verdict("", "ready within 900 ms") == "fail"
    assert run.cycle.figures["not_counted"] > 20


@plays("busy-for-long")
def test_a_busy_controller_answers_but_says_nothing(tmp_path: Path) -> None:
    """Rule 2: exception 06 is an answer, not a value."""
    times = {"after/times": {"answered": {"within": "900 ms"}, "good": {"within": "900 ms"}}}
    run = play(tmp_path, fault("busy-for-long", by="1200 ms"), scenario=times)
    assert run.outcome.exit_code == 1
    assert run.verdict("", "answered within") == "pass" and run.verdict("", "good within") == "fail"
    assert run.verdict("fan") == "pass" and run.verdict("burner") == "pass"


@plays("refuses-for-good")
@pytest.mark.parametrize("rig", seldom({**ONLY_CONTACT, **SOON}, SOON))
def test_a_controller_that_refuses_for_good_is_a_fail(tmp_path: Path, rig: Tree) -> None:
    """Rule 8, last sentence: a refusal is the controller's own stack, so it has its supply."""
    run = play(tmp_path, fault("refuses-for-good"), rig=rig, scenario={"after/watch": "800 ms"})
    ready = run.finding("", "ready within")
    assert run.outcome.exit_code == 1 and ready.verdict is Verdict.FAIL
    assert "controller refused every connection" in ready.reason


@plays("older-program")
def test_another_program_after_the_restart_is_a_fail(tmp_path: Path) -> None:
    """`program:` - another value after the restart; both are told."""
    run = play(tmp_path, fault("older-program", value=4))
    finding = run.finding("program_id")
    assert run.outcome.exit_code == 1 and finding.verdict is Verdict.FAIL
    assert "the program is another one" in finding.reason and "4 after" in finding.reason


@plays("other-device")
def test_another_device_after_the_restart_voids_the_cycle_and_ends_the_run(tmp_path: Path) -> None:
    """Rules 8 and 10: wrong identity; not even the pulse that was seen before it stands."""
    run = play(tmp_path, fault("other-device"), fault("pulse", point="burner", scan=0, length="200 ms"),
               scenario={**expecting(burner={"never": True}), "repeat": 2})  # fmt: skip
    assert run.outcome.exit_code == 4 and len(run.run.cycles) == 1 and run.cycle.ends_run
    assert run.verdict("burner") == "error"
    assert "wrong device: device_code read 4712, not 4711; look at the address" in run.cycle.reason


@plays("other-device")
def test_another_device_from_the_start_is_never_cut(tmp_path: Path) -> None:
    """Rule 8: nothing is cut, and that is what the person is told, not that channels may be dead."""
    run = play(tmp_path, fault("other-device", from_cut=0))
    assert run.outcome.exit_code == 4 and run.truth("supply", "supply") == [True]
    assert "wrong device" in run.scenario.reason and "nothing was cut" in run.scenario.reason
    assert run.scenario.late_findings == ()


# ---------------------------------------------------------------- the image


@plays("stale-image")
@pytest.mark.parametrize("rig", seldom({}, no_terminal("fan", "burner", "auger")))
def test_a_stale_image_proves_nothing_while_the_sign_of_life_stands(tmp_path: Path, rig: Tree) -> None:
    """Rule 3: everything reads as before the cut for half a second; no terminal is needed to see through it."""
    run = play(tmp_path, fault("stale-image", lasts="500 ms"), rig=rig)
    assert run.outcome.exit_code == 0
    assert run.cycle.figures["not_counted"] > 10


@plays("stale-image")
def test_a_stale_image_without_a_sign_of_life_is_taken_on_trust_and_said_so(tmp_path: Path) -> None:
    """Rule 3 lets reads count from the first good reply without `alive`: rule 13 makes the pass say it, and `check`
    warns. The fan is off in truth (its memory is lost), the image from before the cut says on for good."""
    rig = {**no_terminal("fan"), **NO_ALIVE, **ONLY_CONTACT}
    faults = (fault("stale-image", lasts="1 min"), fault("retained-lost", point="fan"))
    run = play(tmp_path, *faults, rig=rig, scenario=expecting(fan=True))
    assert run.verdict("fan") == "pass"
    assert "Without a sign of life (`alive:`), an image from before the cut would be taken for a new one." in (
        run.scenario.limits
    )
    assert "fan: judged by what the controller says, no instrument looked at the terminal." in run.scenario.limits


@plays("stale-image")
def test_with_a_sign_of_life_the_same_stale_image_is_never_a_pass(tmp_path: Path) -> None:
    """Rules 3 and 5: nothing that counts was read, so the controller was not ready and the fan is not shown."""
    faults = (fault("stale-image", lasts="1 min"), fault("retained-lost", point="fan"))
    run = play(tmp_path, *faults, rig={**no_terminal("fan"), **SOON}, scenario=expecting(fan=True))
    assert run.verdict("fan") == "inconclusive" and run.verdict("", "ready within") == "fail"
    assert "wire the output to independent I/O" in run.finding("fan").reason


@plays("cleared-image")
@pytest.mark.parametrize("rig", seldom(no_terminal("fan", "burner", "auger"), {}))
def test_a_cleared_image_proves_nothing_while_the_sign_of_life_stands(tmp_path: Path, rig: Tree) -> None:
    """Rule 3: zeros everywhere for half a second; the burner that comes back is a fail all the same."""
    run = play(tmp_path, fault("cleared-image", lasts="500 ms"), rig=rig, program=BURNER_KEPT)
    assert run.outcome.exit_code == 1
    assert run.verdict("burner") == "fail" and run.verdict("fan") == "pass"


@plays("image-disagrees")
def test_an_image_that_denies_what_the_terminal_shows_is_reported(tmp_path: Path) -> None:
    """Words: the terminal is judged, a lasting disagreement is reported with what to look at."""
    run = play(tmp_path, fault("image-disagrees", point="fan"), scenario={"after/watch": "1500 ms"})
    assert run.outcome.exit_code == 0
    (note,) = run.cycle.notes
    assert (
        "fan: the controller says off, its terminal was on" in note
        and "look at the addresses of both in rig.yaml, at the output card" in note
    )


@plays("image-disagrees")
def test_an_image_that_denies_an_off_leaves_it_inconclusive(tmp_path: Path) -> None:
    """The thought of rule 9: the channel may have died in the cut. The same evidence as a wire that came off."""
    run = play(tmp_path, fault("image-disagrees", point="burner"), scenario={"after/watch": "1500 ms"})
    assert run.outcome.exit_code == 3 and run.verdict("burner") == "inconclusive"
    assert "or the channel is dead and the output is on" in run.finding("burner").reason


@plays("image-disagrees")
def test_an_image_is_all_that_is_judged_where_no_terminal_is_wired(tmp_path: Path) -> None:
    """Rule 13: the fan is on in truth, its image says off; the fail rests on the image, and the run says so."""
    run = play(tmp_path, fault("image-disagrees", point="fan"), rig=no_terminal("fan"))
    assert run.outcome.exit_code == 1 and run.finding("fan").figures["judged"] == "fan"
    assert any(limit.startswith("fan: judged by what the controller says") for limit in run.scenario.limits)


@plays("point-unanswered")
def test_silence_of_one_point_blinds_only_that_point(tmp_path: Path) -> None:
    """Words: one unanswered request blinds its own points, no others; what answers meanwhile is told."""
    alarm = {"device": "controller", "discrete_input": 1}
    run = play(
        tmp_path,
        fault("point-unanswered", point="alarm"),
        rig={"points/alarm": alarm, "devices/controller/max_bits": 1, **no_terminal("fan")},
        scenario=expecting(alarm={"is": False, "blind": "200 ms"}, fan=True, burner=False, setpoint="as before"),
    )
    assert run.outcome.exit_code == 3
    others = [run.verdict(name) for name in ("fan", "burner", "setpoint", "program_id")]
    assert others == ["pass"] * 4 and run.verdict("alarm") == "inconclusive"
    assert (
        "controller answered other requests meanwhile, but not the one that reads alarm" in run.finding("alarm").reason
    )


@plays("point-unanswered")
def test_points_that_one_request_reads_are_blind_together(tmp_path: Path) -> None:
    """Rule 2: the neighbour in the same request is not known either, and never a value; rule 5: no pass."""
    run = play(tmp_path, fault("point-unanswered", point="setpoint"),
               scenario=expecting(setpoint="as before", batch_total="as before", fan=True))  # fmt: skip
    assert [run.verdict(name) for name in ("setpoint", "batch_total", "fan")] == ["inconclusive"] * 2 + ["pass"]
