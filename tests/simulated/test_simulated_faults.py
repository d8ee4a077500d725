"""Each ordered fault does on the wire what its card says, and only in the cuts that it was ordered for.

No published source: what a fault does is our own definition (`fault_catalogue.FAULTS`); what it must not do is
disturb the rest of the rig, which is the dryer of the other tests.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders import MS, S, dryer_points, dryer_program, dryer_rig
from raw_modbus import RawClient, wait_until
from restart_bench.model.fault_catalogue import FAULTS, prepared, refusals
from restart_bench.model.program import Boot, InjectedFault, Memory, Program, RideThrough
from restart_bench.model.rig import Levels, Point, Rig
from restart_bench.simulated.faults import FaultPlayer
from restart_bench.simulated.handle import Simulation, SimulationFailed
from simulated_desk import Desk

QUICK = Boot(dark_ns=30 * MS, refusing_ns=20 * MS, silent_ns=20 * MS, busy_ns=20 * MS, answering_ns=60 * MS)
COVERED: dict[str, Callable[..., None]] = {}


def shows(fault: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Marks the test that shows what a fault does."""

    def marked(test: Callable[..., None]) -> Callable[..., None]:
        COVERED[fault] = test
        return test

    return marked


@contextmanager
def faulty(
    name: str, *, rig: Rig | None = None, program: Program | None = None, truth: Path | None = None, **settings: Any
) -> Iterator[Desk]:
    """A dryer that plays one fault, started and running."""
    order = InjectedFault(name, settings)
    model = program if program is not None else dryer_program(boot=QUICK)
    with Simulation(rig or dryer_rig(), model, truth=truth, faults=(order,)) as simulation, Desk(simulation) as at:
        at.running()
        yield at


def supply_moves(at: Desk) -> list[dict[str, Any]]:
    """Every movement of the supply's contact after the start."""
    return [one for one in at.simulation.truth() if one["what"] == "supply"][1:]


def again(at: Desk, off_s: float = 0.05) -> None:
    """Cut and wait for the program."""
    at.supply(False)
    at.until("rail", False)
    time.sleep(off_s)
    at.supply(True)
    at.running()


# ---------------------------------------------------------------- supply


@shows("relay-welded")
def test_a_welded_relay_answers_as_ever_and_cuts_nothing() -> None:
    """The coil reads back off, rail and heartbeat go on."""
    with faulty("relay-welded") as at:
        at.supply(False)
        assert at.relay_coil() is False
        assert at.stays("rail", True)
        assert at.read("running") is True


@shows("relay-not-reclosing")
def test_a_relay_that_does_not_reclose_leaves_the_controller_dark() -> None:
    """The coil reads back on, the rail stays off."""
    with faulty("relay-not-reclosing") as at:
        at.supply(False)
        at.until("rail", False)
        at.supply(True)
        assert at.relay_coil() is True
        assert at.stays("rail", False)
        assert at.read("running") is None


@shows("relay-slow")
@pytest.mark.parametrize("when", ["opening", "closing"])
def test_a_slow_relay_moves_later_than_its_data_sheet_says(tmp_path: Path, when: str) -> None:
    """At least 150 ms after the command where the data sheet says 2 ms, and only the way that was ordered: the other
    way takes less time in the same rig. By the rig's own truth log."""
    with faulty("relay-slow", truth=tmp_path / "truth", by=150 * MS, when=when) as at:
        for on in (False, True):
            at.supply(on)
            at.until("rail", on)
        told = at.simulation.truth()
    commands = [one["before_ns"] for one in told if (one["what"], one["name"]) == ("write", "supply")]
    moves = [one["after_ns"] for one in told if one["what"] == "supply"][1:]
    opening, closing = (move - command for command, move in zip(commands, moves, strict=True))
    slow, prompt = (opening, closing) if when == "opening" else (closing, opening)
    assert slow >= 150 * MS
    assert prompt < slow


@shows("relay-bouncing")
def test_a_bouncing_relay_opens_again_while_it_closes() -> None:
    """Twice within 200 ms: the rail is seen to go off and on."""
    with faulty("relay-bouncing", lasts=200 * MS, times=2) as at:
        at.supply(False)
        at.until("rail", False)
        at.supply(True)
        assert at.changes("rail", for_s=0.4)[-5:] == [True, False, True, False, True]


@shows("rail-back-fed")
@pytest.mark.parametrize(("controller", "running"), [("keeps running", True), ("loses power", None)])
def test_a_back_fed_rail_stays_up_while_the_contact_is_open(controller: str, running: bool | None) -> None:
    """With or without the controller."""
    with faulty("rail-back-fed", controller=controller) as at:
        at.supply(False)
        time.sleep(0.1)
        assert at.stays("rail", True, for_s=0.1)
        assert at.read("running") is running


@shows("rail-held-up")
def test_a_held_up_rail_falls_late(tmp_path: Path) -> None:
    """Not before 150 ms after the contact has opened, and the controller with it: by the rig's own truth log."""
    with faulty("rail-held-up", truth=tmp_path / "truth", by=150 * MS) as at:
        at.supply(False)
        at.until("rail", False)
        at.until("running", None)
        told = at.simulation.truth()
    (opened,) = [one["before_ns"] for one in told if one["what"] == "supply" and one["value"] is False]
    (fell,) = [one["after_ns"] for one in told if one["what"] == "rail" and one["value"] is False]
    (dark,) = [one["after_ns"] for one in told if one["what"] == "stage" and one["value"] == "dark"]
    assert opened + 150 * MS <= fell <= dark


@shows("second-dip")
def test_a_second_dip_restarts_the_boot(tmp_path: Path) -> None:
    """The rail is lost again while the controller boots."""
    with faulty("second-dip", after=60 * MS, lasts=80 * MS, truth=tmp_path / "truth") as at:
        at.supply(False)
        at.until("running", None)
        at.supply(True)
        assert at.changes("rail", for_s=0.3)[-3:] == [True, False, True]
        at.running()
        stages = [one["value"] for one in at.simulation.truth() if one["what"] == "stage"]
    assert stages[1:3] == ["dark", "refusing"]
    assert stages.count("dark") == 2
    assert stages[-6:] == ["dark", "refusing", "silent", "busy", "answering", "running"]


@shows("supply-back-by-itself")
def test_a_supply_that_comes_back_by_itself_restarts_the_controller_before_the_command() -> None:
    """The coil still says off."""
    with faulty("supply-back-by-itself", after=150 * MS) as at:
        at.supply(False)
        at.until("rail", False)
        at.until("rail", True)
        at.running()
        assert not at.relay_coil()
        at.supply(True)
        assert at.stays("rail", True)


# ---------------------------------------------------------------- image


@shows("stale-image")
def test_a_stale_image_shows_the_values_from_before_the_cut() -> None:
    """Everything reads as if it had never stopped, but nothing moves; the terminals tell the truth."""
    with faulty("stale-image", lasts=300 * MS) as at:
        at.started()
        at.cut()
        at.until("running", None)
        at.until("running", True)
        beats = {at.read("heartbeat") for _ in range(5)}
        assert (len(beats), at.read("burner"), at.read("burner_terminal")) == (1, True, False)
        at.until("burner", False)
        wait_until(lambda: at.read("heartbeat") not in beats, "the heartbeat moves")


@shows("cleared-image")
def test_a_cleared_image_shows_zeros() -> None:
    """Retained values seem lost at first, and are not."""
    with faulty("cleared-image", lasts=150 * MS) as at:
        at.press("hopper_full")
        at.until("batch_count", 1)
        at.cut()
        at.until("device_code", None)
        at.until("device_code", 4711)
        assert (at.read("batch_count"), at.read("moisture_setpoint"), at.read("running")) == (0, 0.0, False)
        at.running()
        assert (at.read("batch_count"), at.read("moisture_setpoint")) == (1, 14.5)


@shows("image-disagrees")
def test_an_image_that_disagrees_says_the_opposite_of_the_terminal() -> None:
    """From the restart on; before it they agree."""
    with faulty("image-disagrees", point="fan") as at:
        at.started()
        assert at.read("fan") is True
        again(at)
        at.until("fan_terminal", True)
        assert at.stays("fan", False)


@shows("point-unanswered")
def test_a_point_that_is_not_answered_blinds_its_own_requests_only() -> None:
    """Requests that touch it get no reply; others do."""
    with faulty("point-unanswered", point="burner", from_cut=0) as at:
        assert at.read("burner") is None
        assert at.read("fan") is False
        with RawClient(at.simulation.ports["controller"]) as client:
            client.send("00 01 00 00 00 06 01 01 00 00 00 03 00 02 00 00 00 06 01 01 00 00 00 01")
            assert client.receive()[:2] == b"\x00\x02"


# ---------------------------------------------------------------- outputs


@shows("pulse")
def test_an_output_pulses_at_the_scan_that_was_ordered(tmp_path: Path) -> None:
    """The burner, 80 ms, at the end of the fifth scan; seen at the terminal and in the image."""
    with faulty("pulse", point="burner", scan=5, length=80 * MS, truth=tmp_path / "truth") as at:
        again(at)
        assert at.changes("burner_terminal", for_s=0.3)[-3:] == [False, True, False]
        told = [one for one in at.simulation.truth() if one["name"] == "burner_terminal"]
        began = [one for one in at.simulation.truth() if one["what"] == "stage" and one["value"] == "running"]
        pulse = told[-1]["after_ns"] - told[-2]["before_ns"]
        assert pulse >= 80 * MS
        assert told[-2]["before_ns"] - began[-1]["before_ns"] >= 50 * MS
        image = [one["value"] for one in at.simulation.truth() if (one["what"], one["name"]) == ("image", "burner")]
        assert image == [False, True, False]


def test_a_pulse_can_come_with_the_returning_power_and_be_hidden_from_the_image(tmp_path: Path) -> None:
    """`scan: 0`, `image: no`: only an independent input can see it."""
    with faulty("pulse", point="burner", scan=0, length=40 * MS, image="no", truth=tmp_path / "truth") as at:
        at.supply(False)
        at.until("running", None)
        at.supply(True)
        assert True in at.changes("burner_terminal", for_s=0.2)
        at.running()
        assert [one["value"] for one in at.simulation.truth() if one["name"] == "burner"] == [
            False, False, True, False,
        ]  # fmt: skip


@shows("flapping")
def test_a_flapping_output_goes_on_and_off_and_settles() -> None:
    """100 ms on and off together, for 300 ms."""
    with faulty("flapping", point="auger", period=100 * MS, lasts=300 * MS) as at:
        at.supply(False)
        at.until("running", None)
        at.supply(True)
        at.until("auger_terminal", True)
        seen = at.changes("auger_terminal", for_s=0.6)
        assert seen == [True, False, True, False, True, False]


@shows("late-start")
def test_a_late_start_comes_on_after_the_watch_and_stays() -> None:
    """300 ms after the program has begun to run."""
    with faulty("late-start", point="auger", after=300 * MS) as at:
        again(at)
        assert at.stays("auger_terminal", False, for_s=0.1)
        at.until("auger_terminal", True)
        assert at.stays("auger_terminal", True)


# ---------------------------------------------------------------- memory


@shows("retained-lost")
def test_retained_memory_that_is_lost_has_its_initial_value() -> None:
    """One name, or all of it."""
    for point, fan, setpoint in ((None, False, 14.5), ("batch_count", True, 16.5)):
        chosen = {} if point is None else {"point": point}
        with faulty("retained-lost", **chosen) as at:
            at.started()
            at.press("hopper_full")
            at.until("batch_count", 1)
            with RawClient(at.simulation.ports["controller"]) as client:
                client.asked("10 00 00 00 02 04 41 84 00 00")
            again(at)
            assert at.read("batch_count") == 0
            time.sleep(0.05)
            assert (at.read("fan_terminal"), at.read("moisture_setpoint")) == (fan, setpoint)


@shows("torn-value")
@pytest.mark.parametrize(("word", "registers"), [("low", "12 34 00 00"), ("high", "00 00 56 78")])
def test_a_torn_value_has_one_register_of_the_old_and_one_of_the_new(word: str, registers: str) -> None:
    """12345678 (hexadecimal) over an initial value of 0."""
    points = dryer_points()
    points["total"] = Point("total", "controller", "holding_register", 4, type="uint32", writable=True)
    program = dryer_program(boot=QUICK, memory={"total": Memory("total", retained=True, initial=0)})
    with faulty("torn-value", rig=dryer_rig(points=points), program=program, point="total", word=word) as at:
        with RawClient(at.simulation.ports["controller"]) as client:
            client.asked("10 00 04 00 02 04 12 34 56 78")
        again(at)
        with RawClient(at.simulation.ports["controller"]) as client:
            assert client.asked("03 00 04 00 02") == f"03 04 {registers}"


@shows("setpoint-overwritten")
def test_a_setpoint_is_overwritten_in_the_first_scan() -> None:
    """Kept through the answering stage, gone once the program runs."""
    program = dryer_program(boot=Boot(dark_ns=20 * MS, answering_ns=300 * MS))
    with faulty("setpoint-overwritten", program=program, point="moisture_setpoint", value=12.0) as at:
        at.cut()
        at.until("running", None)
        at.until("running", False)
        assert at.read("moisture_setpoint") == 14.5
        at.running()
        assert at.read("moisture_setpoint") == 12.0


@shows("phantom-edge")
def test_a_phantom_edge_counts_a_batch_that_never_was() -> None:
    """The hopper reads full in the first scan only."""
    with faulty("phantom-edge", point="hopper_full") as at:
        again(at)
        assert at.read("batch_count") == 1
        assert at.stays("batch_count", 1)


@shows("panel-writes-run-bit")
def test_a_panel_that_writes_a_bit_starts_the_auger() -> None:
    """The plain coil is held by its own contact once somebody has set it."""
    with faulty("panel-writes-run-bit", point="auger", after=150 * MS) as at:
        again(at)
        assert at.stays("auger_terminal", False, for_s=0.05)
        at.until("auger_terminal", True)
        assert at.stays("auger_terminal", True)


# ---------------------------------------------------------------- boot


@shows("never-runs")
def test_a_program_that_never_runs_leaves_a_controller_that_answers() -> None:
    """Good replies, no heartbeat, no outputs."""
    with faulty("never-runs") as at:
        at.started()
        at.cut()
        at.until("running", False)
        assert at.stays("heartbeat", 0)
        assert at.read("fan_terminal") is False


@shows("runs-at-second-power-up")
def test_a_program_that_runs_at_every_second_power_up() -> None:
    """First restart: no; second: yes; third: no."""
    with faulty("runs-at-second-power-up") as at:
        for runs in (False, True, False):
            at.cut()
            at.until("running", None)
            at.until("device_code", 4711)
            time.sleep(0.15)
            assert at.read("running") is runs


@shows("answers-before-program")
def test_answers_come_long_before_the_program() -> None:
    """300 ms more of good replies that prove nothing."""
    with faulty("answers-before-program", by=300 * MS) as at:
        at.cut()
        at.until("running", None)
        at.until("running", False)
        assert at.stays("running", False, for_s=0.25)
        at.running()


@shows("busy-for-long")
def test_a_busy_controller_answers_with_exception_06_for_long() -> None:
    """MODBUS Application Protocol V1.1b3, 7: 06, server device busy."""
    with faulty("busy-for-long", by=300 * MS) as at:
        at.cut()
        at.until("running", None)
        seen = []
        end = time.monotonic() + 0.3
        while time.monotonic() < end:
            try:
                with RawClient(at.simulation.ports["controller"], within_s=0.05) as client:
                    seen.append(client.ask("02 00 00 00 01", within_s=0.05).hex())
            except OSError:
                continue
        assert set(seen) == {"8206"} and len(seen) > 10
        at.running()


@shows("refuses-for-good")
def test_a_controller_that_refuses_for_good() -> None:
    """Its stack is up, its server is not."""
    with faulty("refuses-for-good") as at:
        at.cut()
        at.until("running", None)
        time.sleep(0.2)
        for _ in range(5):
            with pytest.raises(ConnectionRefusedError):
                RawClient(at.simulation.ports["controller"])


@shows("other-device")
def test_another_device_answers_after_the_restart() -> None:
    """Its code is one more than it should be, or the one that was ordered."""
    for settings, code in (({}, 4712), ({"value": 99}, 99)):
        with faulty("other-device", **settings) as at:
            assert at.read("device_code") == 4711
            again(at)
            assert at.read("device_code") == code


@shows("older-program")
def test_an_older_program_runs_after_the_restart() -> None:
    """Its checksum is another one."""
    for settings, expected in (({}, None), ({"value": 7}, 7)):
        with faulty("older-program", **settings) as at:
            assert at.read("program_id") == dryer_program().digest
            again(at)
            said = at.read("program_id")
            assert said != dryer_program().digest
            assert expected in (None, said)


# ---------------------------------------------------------------- independent I/O


@shows("output-energised")
def test_an_energised_output_is_on_at_its_terminal_through_the_return() -> None:
    """The controller is dark, and then says off."""
    with faulty("output-energised", point="burner", by=600 * MS) as at:
        at.supply(False)
        at.until("running", None)
        assert at.stays("burner_terminal", True)
        at.supply(True)
        at.running()
        assert (at.read("burner"), at.read("burner_terminal")) == (False, True)
        at.until("burner_terminal", False)


@shows("wire-off")
@pytest.mark.parametrize("point", ["fan", "fan_terminal"])
def test_a_wire_that_is_off_reads_off_whatever_is_at_the_terminal(point: str) -> None:
    """Named by the output or by the input."""
    with faulty("wire-off", point=point) as at:
        at.started()
        assert at.read("fan_terminal") is True
        again(at)
        at.until("fan", True)
        assert at.stays("fan_terminal", False)


@shows("independent-on-cut-supply")
def test_independent_io_on_the_cut_supply_goes_dark_with_it_and_comes_back_with_its_outputs_off() -> None:
    """The normally-closed stop button then reads off."""
    with faulty("independent-on-cut-supply", boots_in=100 * MS) as at:
        at.supply(False)
        at.until("always_on", None)
        at.supply(True)
        at.until("always_on", True)
        assert at.read("stop_button") is False


@shows("channel-between-levels")
def test_a_channel_between_its_levels_is_neither_off_nor_on() -> None:
    """Off below 5, on above 15: it reads 10."""
    points = dryer_points()
    points["fan_terminal"] = Point(
        "fan_terminal", "independent", "input_register", 3, type="uint16", levels=Levels(5, 15)
    )
    with faulty("channel-between-levels", rig=dryer_rig(points=points), point="fan_terminal", from_cut=0) as at:
        assert at.read("fan_terminal") == 10


@shows("command-stuck")
def test_a_stuck_command_point_does_not_return_to_idle_though_the_write_is_echoed() -> None:
    """The echo of function 05 proves nothing; reading back does."""
    with faulty("command-stuck", point="start_button", from_cut=0) as at:
        at.press("start_button")
        assert at.stays("start_button", True)


# ---------------------------------------------------------------- restart

RIDING = dryer_program(boot=QUICK, rides_through=RideThrough(middle_ns=5 * S))


@shows("freezes")
def test_a_controller_that_freezes_answers_on_while_nothing_moves() -> None:
    """Heartbeat and image stand as they were, the terminals have dropped out."""
    with faulty("freezes", program=RIDING, outputs="drop") as at:
        at.started()
        at.cut()
        at.until("fan_terminal", False)
        assert at.read("fan") is True and at.stays("heartbeat", at.read("heartbeat"))


@shows("late-restart")
def test_a_controller_that_restarts_late_has_ridden_through_first() -> None:
    """It goes on for 300 ms after the return, and then boots."""
    with faulty("late-restart", program=RIDING, after=300 * MS) as at:
        at.cut()
        assert at.stays("running", True, for_s=0.1) and (at.read("uptime") or 0) > 1000
        at.until("running", None)
        at.running()


@shows("uptime-wraps")
def test_an_uptime_that_wraps_falls_although_nothing_restarts() -> None:
    """The dip is ridden through."""
    with faulty("uptime-wraps", program=RIDING, to=7) as at:
        before = at.read("uptime") or 0
        at.cut()
        assert 7 <= (at.read("uptime") or 0) < before
        assert at.stays("running", True)


@shows("point-refused")
@pytest.mark.parametrize("code", [2, 0])
def test_a_point_that_is_refused_draws_an_exception(code: int) -> None:
    """Requests that touch it get this code; others are served."""
    with faulty("point-refused", point="burner", from_cut=0, code=code) as at:
        assert at.read("burner") is None and at.read("fan") is False
        with RawClient(at.simulation.ports["controller"]) as client:
            client.send("00 01 00 00 00 06 01 01 00 00 00 03")
            assert client.receive()[7:] == bytes([0x81, code])


# ---------------------------------------------------------------- all of them


def test_every_fault_is_shown() -> None:
    """No fault of the table is without a test of what it does."""
    assert set(COVERED) == set(FAULTS)


def test_a_fault_plays_only_in_the_cuts_it_was_ordered_for() -> None:
    """from_cut 2, to_cut 2: the first and the third cut are good."""
    with faulty("older-program", from_cut=2, to_cut=2, value=7) as at:
        seen = []
        for _ in range(3):
            again(at)
            seen.append(at.read("program_id"))
    assert seen == [dryer_program().digest, 7, dryer_program().digest]


def test_leaving_run_mode_is_a_cut_too() -> None:
    """Faults that belong to the restart play after the return to run mode."""
    with faulty("setpoint-overwritten", point="moisture_setpoint", value=12.0) as at:
        at.write("run_switch", False)
        at.until("running", False)
        assert at.read("moisture_setpoint") == 14.5
        at.write("run_switch", True)
        at.running()
        assert at.read("moisture_setpoint") == 12.0


def test_a_fault_can_be_ordered_while_the_rig_runs() -> None:
    """So a test can decide late."""
    with Simulation(dryer_rig(), dryer_program(boot=QUICK), truth=None) as simulation, Desk(simulation) as at:
        at.running()
        simulation.send({"command": "fault", "name": "other-device", "settings": {"from_cut": 0}})
        assert at.read("device_code") == 4712
        with pytest.raises(ValueError, match="did you mean relay-welded"):
            simulation.send({"command": "fault", "name": "relay-weldet"})


def test_the_faults_of_the_program_file_play_as_well() -> None:
    """`faults:` of the program, beside those of the caller."""
    program = dryer_program(boot=QUICK, faults=(InjectedFault("other-device", {"from_cut": 0}),))
    with faulty("older-program", program=program, from_cut=0, value=7) as at:
        assert (at.read("device_code"), at.read("program_id")) == (4712, 7)


def test_a_fault_that_is_not_known_keeps_the_simulation_from_starting() -> None:
    """The message names the nearest one."""
    with pytest.raises(SimulationFailed, match="did you mean second-dip"):
        Simulation(dryer_rig(), dryer_program(), truth=None, faults=(InjectedFault("secnd-dip"),))


@pytest.mark.parametrize(
    ("name", "settings", "said"),
    [
        ("pulse", {"point": "start_button"}, "start_button is no name of the program"),
        ("wire-off", {"point": "full_edge"}, "full_edge is no point of the rig"),
        ("phantom-edge", {"point": "fan"}, "fan is no input of the program"),
    ],
)
def test_a_fault_at_a_point_that_it_can_not_concern_keeps_the_simulation_from_starting(
    name: str, settings: dict[str, Any], said: str
) -> None:
    """A pulse needs an output, a wire an independent input, an edge an input of the program."""
    with pytest.raises(SimulationFailed, match=said):
        Simulation(dryer_rig(), dryer_program(), truth=None, faults=(InjectedFault(name, settings),))


@given(seed=st.integers(), one_in=st.integers(2, 6))
def test_a_fault_that_plays_one_in_n_plays_about_as_often(seed: int, one_in: int) -> None:
    """600 cuts: the share lies within 6 standard deviations (binomial), and the same seed draws the same cuts."""
    orders = [InjectedFault("never-runs", {"one_in": one_in})]
    player, twin = FaultPlayer(orders, random.Random(seed)), FaultPlayer(orders, random.Random(seed))
    played = []
    for _ in range(600):
        player.begin_cut()
        twin.begin_cut()
        played.append(player.now.one("never-runs") is not None)
        assert played[-1] is (twin.now.one("never-runs") is not None)
    share, deviation = 1 / one_in, (600 * (1 / one_in) * (1 - 1 / one_in)) ** 0.5
    assert abs(sum(played) - 600 * share) < 6 * deviation


# ---------------------------------------------------------------- names and keys


@pytest.mark.parametrize(
    ("name", "settings", "expected"),
    [
        ("puls", {}, [("", "puls: unknown fault", "did you mean pulse?")]),
        ("pulse", {}, [("", "pulse has no point", "add `point:`, the output")]),
        ("never-runs", {"from_cutt": 2}, [("from_cutt", "from_cutt: unknown key", "did you mean from_cut?")]),
        ("never-runs", {"one_in": 0}, [("one_in", "0 is not a whole number of 1 or more",
                                        "plays in one of so many cuts, drawn from the seed")]),
        ("relay-slow", {"by": "20"}, [("by", "20 has no unit", "write 20 s if seconds are meant")]),
        ("relay-slow", {"when": "never"}, [("when", "'never' can't be chosen",
                                            "write one of: opening, closing, both")]),
        ("pulse", {"point": 3}, [("point", "3 is not a name", "the output")]),
        ("other-device", {"value": "x"}, [("value", "'x' is neither off or on nor a number",
                                           "what they say (default: one more than they should)")]),
        ("flapping", {"point": "fan", "period": "1 ms"}, [("period", "1 ms is too short",
                                                           "on and off together: at least 2 ms")]),
    ],
)  # fmt: skip
def test_what_is_wrong_with_an_order_is_said_with_its_cure(
    name: str, settings: dict[str, Any], expected: list[tuple[str, str, str]]
) -> None:
    """Key, what, cure: for the loader of program files."""
    assert [(one.key, one.what, one.cure) for one in refusals(name, settings)] == expected


def test_an_order_that_is_prepared_has_every_key_and_durations_in_nanoseconds() -> None:
    """Text of a file, and numbers that are nanoseconds already."""
    for by in ("1.5 s", 3 * S // 2):
        whole = prepared(InjectedFault("relay-slow", {"by": by}, line=4))
        assert whole.settings == {
            "by": 3 * S // 2, "when": "both", "from_cut": 1, "to_cut": None, "one_in": 1,
        }  # fmt: skip
        assert whole.line == 4


@pytest.mark.parametrize("name", FAULTS)
def test_defaults_of_every_fault_can_be_prepared(name: str) -> None:
    """What a card gives as default is what its own check lets pass."""
    required: dict[str, Any] = {
        key.name: "fan" if key.kind == "point" else 1 for key in FAULTS[name].keys if key.required
    }
    once = prepared(InjectedFault(name, required))
    given_again = {key: value for key, value in once.settings.items() if value is not None}

    assert prepared(InjectedFault(name, given_again)) == once


@pytest.mark.parametrize(("rides_ns", "times_dark"), [(5 * MS, 2), (10 * S, 0)])
def test_no_ride_through_hides_a_bounce_that_is_longer(tmp_path: Path, rides_ns: int, times_dark: int) -> None:
    """A bounce of 30 ms takes a controller that rides through 5 ms down a second time, and not one that rides on."""
    program = dryer_program(boot=QUICK, rides_through=RideThrough(middle_ns=rides_ns))
    with faulty("relay-bouncing", program=program, truth=tmp_path / "truth", lasts=60 * MS, times=1) as at:
        again(at)
        wait_until(lambda: len(supply_moves(at)) == 4, "the bounce is over")
        at.running()
        dark = [one for one in at.simulation.truth() if one["what"] == "stage" and one["value"] == "dark"]
        assert len(dark) == times_dark
