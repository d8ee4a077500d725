"""Whole runs in which a restart is not what it looks like: a controller that freezes, restarts late, or only seems to
have restarted, and instruments that nobody read again. What the rules of judgement demand of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from test_faults_supply import MODE

from drawn import seldom
from fault_suites import (
    ALL_ON,
    NO_ALIVE,
    NO_RAIL,
    SOON,
    Tree,
    expecting,
    fault,
    no_terminal,
    play,
    plays,
    words,
)
from restart_bench.model.verdicts import Verdict

RIDES: Tree = {"rides_through": "200 ms"}
DIP: Tree = {"cut/off_for": "50 ms", "after/restart": "either"}

# ---------------------------------------------------------------- frozen


@plays("freezes")
def test_a_controller_that_freezes_after_a_dip_is_not_ready_and_its_image_proves_nothing(tmp_path: Path) -> None:
    """Changes of `alive` from before the cut do not count after it; the terminal that dropped out is a fail."""
    run = play(
        tmp_path,
        fault("freezes", outputs="drop"),
        rig={**SOON, **no_terminal("fan")},
        program=RIDES,
        scenario={**DIP, **expecting(fan=True, burner=True)},
    )
    assert run.outcome.exit_code == 1
    assert run.verdict("", "ready within") in ("fail", "inconclusive")
    assert run.verdict("fan") == "inconclusive" and run.verdict("burner") == "fail"


@plays("freezes")
def test_reads_stop_counting_where_a_controller_freezes_in_the_watch(tmp_path: Path) -> None:
    """It was ready; the image that stands for most of the watch proves nothing, and the gap is told."""
    fan = {"is": True, "blind": "300 ms"}
    run = play(
        tmp_path,
        fault("freezes", after="500 ms", outputs="drop"),
        rig=no_terminal("fan"),
        program=RIDES,
        scenario={**DIP, **expecting(fan=fan), "after/watch": "1400 ms"},
    )
    assert run.outcome.exit_code == 3
    assert run.verdict("", "ready within") == "pass" and run.verdict("fan") == "inconclusive"
    assert "no reads that count from" in run.finding("fan").reason


@plays("freezes")
def test_a_controller_that_freezes_as_run_mode_returns_is_not_ready(tmp_path: Path) -> None:
    """A few scans, then it stands: `alive` moved twice and no more, so no `steady` was seen."""
    run = play(
        tmp_path,
        fault("freezes", after="40 ms", outputs="drop"),
        rig={**MODE, "ready/within": "1 s", "ready/steady": "200 ms", **no_terminal("fan")},
        scenario={"cut": {"how": "mode", "off_for": "300 ms"}, **expecting(fan=True)},
    )
    assert run.verdict("", "ready within") in ("fail", "inconclusive") and run.verdict("fan") == "inconclusive"


# ---------------------------------------------------------------- late


@plays("late-restart", "late-start")
def test_marks_and_watch_count_from_a_restart_that_comes_after_the_return(tmp_path: Path) -> None:
    """It rides through 50 ms and restarts 0.7 s later; its burner comes on after the first watch is over."""
    run = play(
        tmp_path,
        fault("late-restart", after="700 ms"),
        fault("late-start", point="burner", after="500 ms"),
        rig={"points/burner/proven": "lamp test of the trainer"},
        program=RIDES,
        scenario={
            **DIP, **expecting(burner=False),
            "before": [{"wait": "50 ms"}], "after/watch": "1 s", "after/times": {"ready": {"within": "500 ms"}},
        },
    )  # fmt: skip
    assert run.outcome.exit_code == 1
    assert run.verdict("", "ready within 500 ms") == "fail" and run.verdict("burner") == "fail"
    assert "it restarted" in run.finding("", "restart: either").reason
    assert any("rode through the return and restarted" in note for note in run.cycle.notes)


@plays("late-restart")
def test_what_a_second_start_switches_on_is_seen(tmp_path: Path) -> None:
    """The watch counts anew where contact is lost once more before its end."""
    run = play(
        tmp_path,
        fault("late-restart", after="800 ms"),
        fault("late-start", point="burner", after="800 ms"),
        rig={"points/burner/proven": "lamp test of the trainer"},
        scenario={**expecting(burner=False), "before": [{"wait": "50 ms"}], "after/watch": "1 s"},
    )
    assert run.outcome.exit_code == 1 and run.verdict("burner") == "fail"


# ---------------------------------------------------------------- an uptime that wraps

SHORT_UPTIME: Tree = {"points/uptime": {"device": "controller", "input_register": 1, "type": "uint16", "unit": "s"}}


@plays("uptime-wraps")
def test_a_wrap_proves_no_restart_of_a_controller_that_went_on(tmp_path: Path) -> None:
    """The rail shows the dip, the heartbeat shows that it was ridden through; the uptime fell to 0 all the same."""
    run = play(tmp_path, fault("uptime-wraps"), rig=SHORT_UPTIME, program=RIDES,
               scenario={**DIP, "after/restart": "required", **expecting(fan=True)})  # fmt: skip
    restart = run.finding("", "restart: required")
    assert run.outcome.exit_code == 1 and restart.verdict is Verdict.FAIL
    assert "heartbeat went on counting without a pause" in restart.reason


@plays("relay-welded", "uptime-wraps")
@pytest.mark.parametrize("rig", seldom(NO_ALIVE, {}))
def test_a_wrap_proves_no_cut_by_a_relay_that_never_opened(tmp_path: Path, rig: Tree) -> None:
    """10 s are longer than the time since the cut, and the link was never silent: no cut is shown."""
    run = play(tmp_path, fault("relay-welded"), fault("uptime-wraps", to=10), rig={**NO_RAIL, **SHORT_UPTIME, **rig},
               scenario=expecting(**ALL_ON))  # fmt: skip
    assert run.outcome.exit_code == 4 and words(run) == {Verdict.ERROR}
    assert "the cut is not proven: uptime fell" in run.cycle.reason


# ---------------------------------------------------------------- nothing vouches


APART: Tree = {
    "points/device_code": {"device": "controller", "input_register": 10},
    "points/program_id": {"device": "controller", "input_register": 20},
    "points/always_on": {"device": "independent", "discrete_input": 20},
}
"""Each of these points is read by a request of its own."""


@plays("point-refused")
@pytest.mark.parametrize("code", seldom(2, 0))
def test_nothing_is_cut_where_the_identity_is_never_read(tmp_path: Path, code: int) -> None:
    """Exceptions for ever, or replies that make no sense: any device may stand there."""
    run = play(tmp_path, fault("point-refused", point="device_code", from_cut=0, code=code), rig=APART)
    assert run.outcome.exit_code == 4 and run.truth("supply", "supply") == [True]
    assert run.verdict("", "valid: identity") == "error"
    assert "device_code of `identify` was not read within the last second" in run.cycle.reason


@plays("point-refused")
@pytest.mark.parametrize(("point", "begins"), [
    ("device_code", "same device"), ("program_id", "same program"), ("always_on", "check channel"),
])  # fmt: skip
def test_what_is_not_read_again_after_the_cut_vouches_for_nothing(tmp_path: Path, point: str, begins: str) -> None:
    """An exception is an answer, not a value: identity, program and check channel are inconclusive."""
    run = play(tmp_path, fault("point-refused", point=point), rig=APART)
    assert run.outcome.exit_code == 3 and run.verdict(point, begins) == "inconclusive"
    assert run.verdict("fan") == "pass"


@plays("point-refused")
def test_a_reply_with_exception_code_0_confirms_no_write(tmp_path: Path) -> None:
    """There is no such code: what was asked was not done, so the state before is not reached and nothing is cut."""
    setpoint = {"device": "controller", "holding_register": 30, "type": "float32", "writable": True}
    run = play(tmp_path, fault("point-refused", point="setpoint", code=0, from_cut=0),
               rig={"points/setpoint": setpoint}, scenario={"before": [{"write": {"setpoint": 14.5}}]})  # fmt: skip
    assert run.outcome.exit_code == 4 and run.truth("supply", "supply") == [True]
