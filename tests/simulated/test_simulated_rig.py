"""The simulated rig seen from outside: power loss stage by stage, roles of points, truth log, process.

What a power loss looks like was measured on loopback and in network namespaces, with peers whose host went dark;
TCPG = MODBUS Messaging on TCP/IP Implementation Guide V1.0b; RFC 9293.
"""

from __future__ import annotations

import dataclasses
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders import MS, S, dryer_points, dryer_program, dryer_rig
from raw_modbus import RawClient, wait_until
from restart_bench.model.clock import now_ns
from restart_bench.model.program import Boot, RideThrough
from restart_bench.model.rig import Device, Mode, Point, Rig, RigSupply, Wanted
from restart_bench.simulated.faults import FaultPlayer
from restart_bench.simulated.handle import Simulation, SimulationFailed, redirected, worked_by, worked_without_hands
from restart_bench.simulated.relay import Relay
from restart_bench.simulated.setup import SimulationSetup, setup_from_line, setup_line
from simulated_desk import Desk

STAGED = dryer_program(
    boot=Boot(dark_ns=120 * MS, refusing_ns=120 * MS, silent_ns=120 * MS, busy_ns=120 * MS, answering_ns=150 * MS)
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A fresh dryer, its program running."""
    with Simulation(dryer_rig(), dryer_program(), truth=tmp_path / "truth") as simulation, Desk(simulation) as at:
        at.running()
        yield at


def staged(tmp_path: Path) -> Simulation:
    """A dryer with a slow boot."""
    return Simulation(dryer_rig(), STAGED, truth=tmp_path / "truth")


def met_by_a_new_client(port: int) -> str:
    """What somebody meets who connects and asks once."""
    try:
        client = RawClient(port, within_s=0.04)
    except ConnectionRefusedError:
        return "refused"
    except TimeoutError:
        return "no connection"
    except ConnectionError:
        return "reset"
    with client:
        try:
            answer = client.ask("02 00 00 00 01", within_s=0.04).hex(" ").upper()
        except TimeoutError:
            return "no reply"
        except ConnectionError:
            return "reset"
    return {"82 06": "busy", "02 01 00": "not running", "02 01 01": "running"}[answer]


# ---------------------------------------------------------------- power loss on the wire


def test_a_new_client_meets_every_stage_of_the_boot_in_its_order(tmp_path: Path) -> None:
    """Dark, refused, accepted without reply, exception 06, answers without program, program runs (observed order)."""
    with staged(tmp_path) as simulation, Desk(simulation) as at:
        at.running()
        at.supply(False)
        met: list[str] = []
        end = time.monotonic() + 5
        while (not met or met[-1] != "running" or len(met) < 4) and time.monotonic() < end:
            word = met_by_a_new_client(simulation.ports["controller"])
            if word == "no connection" and not at.relay_coil():
                at.supply(True)
            if word not in ("reset", *met[-1:]):
                met.append(word)

    met = met[met.index("no connection") :]
    assert met == ["no connection", "refused", "no reply", "busy", "not running", "running"]


def test_a_connection_that_was_open_falls_silent_without_fin_and_is_reset_when_the_stack_is_back(
    tmp_path: Path,
) -> None:
    """TCPG 4.2.2.2 and RFC 9293 3.5.1: a server that loses power sends neither FIN nor RST; after its reboot the old
    connection draws RST."""
    with staged(tmp_path) as simulation, Desk(simulation) as at:
        at.running()
        with RawClient(simulation.ports["controller"]) as client:
            client.asked("02 00 00 00 01")
            at.supply(False)
            at.until("rail", False)
            time.sleep(0.05)
            client.send("00 02 00 00 00 06 01 02 00 00 00 01")
            with pytest.raises(TimeoutError):
                client.receive(within_s=0.1)
            at.supply(True)
            with pytest.raises(ConnectionResetError):
                client.receive(within_s=5)


def test_a_client_that_connects_while_the_controller_is_dark_gets_no_answer_of_any_kind(desk: Desk) -> None:
    """Nobody is there: no accept, no refusal."""
    desk.supply(False)
    desk.until("running", None)
    for _ in range(5):
        with pytest.raises(TimeoutError):
            socket.create_connection(("127.0.0.1", desk.simulation.ports["controller"]), 0.05)


def test_the_controller_answers_at_the_same_port_after_every_restart(desk: Desk) -> None:
    """Three cuts in a row, the second within the boot of the first."""
    for off_s in (0.05, 0.03, 0.05):
        desk.cut(off_s)
        time.sleep(0.1)
    desk.running()
    assert desk.read("device_code") == 4711


def test_independent_io_answers_all_through_a_cut_and_terminals_go_off_with_the_program(desk: Desk) -> None:
    """It is on a supply of its own."""
    desk.started()
    desk.supply(False)
    desk.until("rail", False)
    desk.until("burner_terminal", False)
    assert desk.stays("always_on", True)
    assert [desk.read(f"{one}_terminal") for one in ("auger", "burner", "fan")] == [False, False, False]


def test_a_loss_up_to_the_ride_through_goes_unnoticed_and_a_longer_one_does_not(tmp_path: Path) -> None:
    """`rides_through`: heartbeat and uptime go on, or uptime falls."""
    program = dryer_program(rides_through=RideThrough(middle_ns=400 * MS))
    with Simulation(dryer_rig(), program, truth=tmp_path / "truth") as simulation, Desk(simulation) as at:
        at.started()
        before = at.number("uptime")
        at.cut(0.02)
        at.until("rail", True)
        assert at.stays("auger_terminal", True)
        assert at.number("uptime") > before

        at.cut(0.6)
        at.running()
        assert at.number("uptime") < before
        assert at.read("auger_terminal") is False


def test_the_ride_through_is_drawn_within_its_spread(tmp_path: Path) -> None:
    """The truth log tells from the opened contact to the dark controller; the machine itself adds to it only."""
    program = dryer_program(
        rides_through=RideThrough(middle_ns=30 * MS, spread_ns=20 * MS), boot=Boot(dark_ns=MS), scan_ns=2 * MS
    )
    ridden = []
    with Simulation(dryer_rig(), program, truth=tmp_path / "truth", seed=5) as simulation, Desk(simulation) as at:
        for _ in range(6):
            at.running()
            at.cut(0.08)
        told = simulation.truth()
    opened = [one for one in told if one["what"] == "supply" and one["value"] is False]
    dark = [one for one in told if one["what"] == "stage" and one["value"] == "dark"]
    ridden = [end["before_ns"] - start["after_ns"] for start, end in zip(opened, dark, strict=True)]
    assert min(ridden) >= 10 * MS - MS
    assert max(ridden) - min(ridden) >= 5 * MS  # six draws out of 40 ms that lie within 5 ms: 1 in 5000


@pytest.mark.parametrize("contact", ["normally-open", "normally-closed"])
def test_a_relay_switches_the_supply_by_its_contact(tmp_path: Path, contact: Any) -> None:
    """normally-open: coil off = supply off; normally-closed: coil off = supply on."""
    supply = dataclasses.replace(dryer_rig().supply or RigSupply("x"), contact=contact)
    with Simulation(dryer_rig(supply=supply), dryer_program(), truth=None) as simulation, Desk(simulation) as at:
        assert at.relay_coil() is (contact == "normally-open")
        at.supply(False)
        at.until("rail", False)
        assert at.relay_coil() is (contact == "normally-closed")
        at.supply(True)
        at.until("rail", True)


class Due:
    """Alarms that note after how long they would ring, and ring at once."""

    def __init__(self) -> None:
        self.after_ns: list[int] = []

    def after(self, delay_ns: int, act: Callable[[], None]) -> None:
        """Note and ring."""
        self.after_ns.append(delay_ns)
        act()

    def cancel(self) -> None:
        """Nothing waits."""


def relay_delays(monkeypatch: pytest.MonkeyPatch, seed: int, **rated: int) -> list[int]:
    """The delays that a relay with this data sheet draws for 20 times off and on."""
    monkeypatch.setattr("restart_bench.simulated.relay.Alarms", Due)
    supply = dataclasses.replace(dryer_rig().supply or RigSupply("x"), **rated)
    draws = random.Random(seed)
    relay = Relay(supply, FaultPlayer((), draws), draws, lambda _: None)
    for _ in range(20):
        relay.command(False)
        relay.command(True)
    due = relay._moving
    assert isinstance(due, Due)
    return due.after_ns


@pytest.mark.parametrize("seed", range(20))
def test_the_delays_of_the_contact_keep_to_the_data_sheet(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """operate, release and bounce are longest values; delays are drawn below them, and not always the same."""
    drawn = relay_delays(monkeypatch, seed, operate_ns=40 * MS, release_ns=20 * MS, bounce_ns=50 * MS)
    release, operate, opens, closes = (drawn[place::4] for place in range(4))
    for delays, longest_ns in ((release, 20 * MS), (operate, 40 * MS), (closes, 50 * MS)):
        assert len(set(delays)) == 20
        assert 0 < min(delays) <= max(delays) <= longest_ns
    assert all(first < last for first, last in zip(opens, closes, strict=True))


def test_the_same_seed_draws_the_same_delays(monkeypatch: pytest.MonkeyPatch) -> None:
    """Delays of the relay come from the seed; two seeds differ."""
    first, again, other = (relay_delays(monkeypatch, seed, release_ns=200 * MS) for seed in (1, 1, 2))
    assert first == again != other


def test_the_contact_follows_its_coil(tmp_path: Path) -> None:
    """Each movement comes after its command, in order."""
    with (
        Simulation(dryer_rig(), dryer_program(), truth=tmp_path / "truth") as simulation,
        Desk(simulation) as at,
    ):
        commands = []
        for on in (False, True) * 3:
            commands.append(now_ns())
            at.supply(on)
            at.until("rail", on)
        moved = [one for one in simulation.truth() if one["what"] == "supply"][1:]
    assert len(moved) == len(commands)
    for sent, movement in zip(commands, moved, strict=True):
        assert sent < movement["before_ns"]


def test_a_contact_bounces_as_long_as_the_rig_says_and_only_while_it_closes(tmp_path: Path) -> None:
    """`bounce`: the contact opens once more, within the given time."""
    supply = dataclasses.replace(dryer_rig().supply or RigSupply("x"), bounce_ns=50 * MS)
    program = dryer_program(rides_through=RideThrough(middle_ns=500 * MS))
    with (
        Simulation(dryer_rig(supply=supply), program, truth=tmp_path / "truth") as simulation,
        Desk(simulation) as at,
    ):
        at.cut()
        time.sleep(0.1)
        at.until("rail", True)
        moved = [(one["value"], one["after_ns"]) for one in simulation.truth() if one["what"] == "supply"][1:]
    assert [value for value, _ in moved] == [False, True, False, True]
    assert [at for _, at in moved] == sorted(at for _, at in moved)


def test_a_supply_below_the_drop_out_level_takes_the_controller_down_and_the_rail_shows_its_voltage() -> None:
    """Partial levels: 9.6 V of 24 V is 40 %; the controller keeps going at 80 %."""
    points = dryer_points()
    points["rail"] = Point("rail", "independent", "input_register", 0, type="uint16", unit="mV")
    from restart_bench.model.rig import Proof

    rig = dryer_rig(points=points, proof_of_cut=(Proof("value", "rail", Wanted(below=5000)),))
    with Simulation(rig, dryer_program(), truth=None) as simulation, Desk(simulation) as at:
        at.running()
        assert at.read("rail") == 24000
        simulation.send({"command": "level", "fraction": 0.8})
        at.until("rail", 19200)
        assert at.stays("running", True)
        simulation.send({"command": "level", "fraction": 0.4})
        at.until("rail", 9600)
        at.until("running", None)
        at.supply(False)
        at.until("rail", 0)


# ---------------------------------------------------------------- what the points play


def test_the_dryer_runs_its_program(desk: Desk) -> None:
    """Start puts everything on, stop puts it off, the hopper is counted, the reset button clears the count."""
    desk.started()
    assert [desk.read(one) for one in ("auger", "burner", "fan")] == [True, True, True]
    for expected in (1, 2):
        desk.press("hopper_full")
        desk.until("batch_count", expected)
    desk.until("purge", True)
    desk.press("stop_button")
    for output in ("auger", "burner", "fan"):
        desk.until(f"{output}_terminal", False)
    desk.press("reset_button")
    desk.until("batch_count", 0)


def test_after_a_cut_the_fan_comes_back_the_auger_and_the_burner_stay_off_and_counts_and_setpoints_are_kept(
    desk: Desk,
) -> None:
    """Common practice, no source: what is driven by set and reset and retained comes back."""
    desk.started()
    desk.press("hopper_full")
    desk.until("batch_count", 1)
    desk.cut()
    desk.running()
    desk.until("fan_terminal", True)
    assert [desk.read(f"{one}_terminal") for one in ("auger", "burner")] == [False, False]
    assert (desk.read("batch_count"), desk.read("moisture_setpoint")) == (1, 14.5)


def test_the_edited_program_starts_its_burner_by_itself_and_says_that_it_is_another_one() -> None:
    """The first-scan contact is missing in its reset rung."""
    with Simulation(dryer_rig(), dryer_program(edited=True), truth=None) as simulation, Desk(simulation) as at:
        at.started()
        assert at.read("program_id") == dryer_program(edited=True).digest != dryer_program().digest
        at.cut()
        at.until("burner_terminal", True)


def test_a_setpoint_that_was_written_outlives_the_cut_and_one_that_is_not_retained_does_not(desk: Desk) -> None:
    """A writable controller point is memory of the program."""
    with RawClient(desk.simulation.ports["controller"]) as client:
        assert client.asked("10 00 00 00 02 04 41 84 00 00") == "10 00 00 00 02"
    assert desk.read("moisture_setpoint") == 16.5
    desk.cut()
    desk.running()
    assert desk.read("moisture_setpoint") == 16.5

    with Simulation(dryer_rig(), dryer_program(memory={}), truth=None) as simulation, Desk(simulation) as at:
        at.running()
        with RawClient(simulation.ports["controller"]) as client:
            client.asked("10 00 00 00 02 04 41 84 00 00")
        assert at.read("moisture_setpoint") == 16.5
        at.cut()
        at.running()
        assert at.read("moisture_setpoint") == 0


def test_heartbeat_moves_while_the_program_runs_and_stands_still_while_only_the_server_answers() -> None:
    """`alive` plays the scans; in the last stage of the boot replies are good and prove nothing."""
    program = dryer_program(boot=Boot(dark_ns=10 * MS, answering_ns=400 * MS))
    with Simulation(dryer_rig(), program, truth=None) as simulation, Desk(simulation) as at:
        at.running()
        first = at.read("heartbeat")
        wait_until(lambda: at.read("heartbeat") not in (None, first), "the heartbeat moves")
        at.cut()
        at.until("running", False)
        assert {at.read("heartbeat") for _ in range(10)} == {0}
        at.running()
        wait_until(lambda: (at.read("heartbeat") or 0) > 2, "the heartbeat moves again")


def test_the_check_pulse_is_wired_through_and_the_channels_hold(desk: Desk) -> None:
    """check_pulse, check_channels, only_while, identify: played as the rig says."""
    for value in (True, False):
        desk.write("spare_out", value)
        assert desk.read("spare_in") is value
    assert [desk.read(one) for one in ("always_on", "guard_closed", "device_code")] == [True, True, 4711]


def test_a_point_of_the_rig_that_the_program_only_reads_is_its_input() -> None:
    """A name that is a point of the rig is that point, listed under `inputs:` or not."""
    with Simulation(dryer_rig(), dryer_program(inputs=()), truth=None) as simulation, Desk(simulation) as at:
        at.started()
        at.press("stop_button")
        at.until("fan_terminal", False)


def test_an_output_written_at_once_pulses_within_the_first_scan(tmp_path: Path) -> None:
    """Retained by set and reset, its reset rung with the first-scan contact comes later in the scan: visible for
    part of a scan of 80 ms."""
    program = dryer_program(outputs="at once", scan_ns=80 * MS)
    with Simulation(dryer_rig(), program, truth=tmp_path / "truth") as simulation, Desk(simulation) as at:
        at.running()
        at.press("start_button", for_s=0.2)
        at.until("burner_terminal", True)
        at.cut()
        at.until("burner_terminal", False)
        at.until("fan_terminal", True)
        assert at.changes("burner_terminal", for_s=0.3) in ([True, False], [False])
        seen = [one["value"] for one in simulation.truth() if one["name"] == "burner_terminal"]
    assert seen == [False, True, False, True, False]


def test_what_a_test_sets_overrides_the_role_until_it_is_freed(desk: Desk) -> None:
    """So a test can open the guard."""
    desk.simulation.send({"command": "set", "values": {"guard_closed": False}})
    assert desk.read("guard_closed") is False
    desk.simulation.send({"command": "free", "names": ["guard_closed"]})
    assert desk.read("guard_closed") is True
    with pytest.raises(ValueError, match="gard_closed is neither"):
        desk.simulation.send({"command": "set", "values": {"gard_closed": True}})


def test_leaving_run_mode_drops_every_output_and_returning_brings_back_only_what_is_set(desk: Desk) -> None:
    """Common practice, no source. The controller answers all through; its uptime goes on."""
    desk.started()
    uptime = desk.number("uptime")
    desk.write("run_switch", False)
    desk.until("running", False)
    for output in ("auger", "burner", "fan"):
        desk.until(f"{output}_terminal", False)
    desk.write("run_switch", True)
    desk.running()
    desk.until("fan_terminal", True)
    assert [desk.read(f"{one}_terminal") for one in ("auger", "burner")] == [False, False]
    assert desk.number("uptime") > uptime


def test_a_controller_out_of_run_stays_so_through_a_cut(desk: Desk) -> None:
    """The mode switch is a switch: it stands where it was put."""
    desk.write("run_switch", False)
    desk.until("running", False)
    desk.cut()
    desk.until("device_code", None)
    desk.until("device_code", 4711)
    assert desk.stays("running", False, for_s=0.3)
    desk.write("run_switch", True)
    desk.running()


def test_registers_with_levels_read_clearly_off_and_clearly_on() -> None:
    """A terminal seen through an analogue channel."""
    from restart_bench.model.rig import Levels

    points = dryer_points()
    points["fan_terminal"] = Point(
        "fan_terminal", "independent", "input_register", 3, type="uint16", levels=Levels(5, 15), inline_terminal=True
    )
    with Simulation(dryer_rig(points=points), dryer_program(), truth=None) as simulation, Desk(simulation) as at:
        assert at.number("fan_terminal") < 5
        at.press("start_button")
        wait_until(lambda: (at.read("fan_terminal") or 0) > 15, "the fan's channel is above its upper level")


# ---------------------------------------------------------------- truth


def test_the_truth_log_brackets_what_a_client_sees(desk: Desk) -> None:
    """A read answered before `before_ns` shows the old value, one sent after `after_ns` the new one."""
    reads = []
    start_on, start_off, stop_off, stop_on = "05 00 00 FF 00", "05 00 00 00 00", "05 00 01 00 00", "05 00 01 FF 00"
    commands = {100: start_on, 400: start_off, 700: stop_off, 1000: stop_on, 1300: start_on, 1600: start_off}
    with RawClient(desk.simulation.ports["independent"]) as client:
        for number in range(1900):
            if number in commands:
                client.asked(commands[number])
            sent = now_ns()
            value = client.asked("02 00 02 00 01")[-1] == "1"
            reads.append((sent, now_ns(), value))
    told = [one for one in desk.simulation.truth() if (one["what"], one["name"]) == ("terminal", "fan_terminal")]
    assert [one["value"] for one in told[:4]] == [False, True, False, True]
    wrong = 0
    for sent, received, value in reads:
        known = [one["value"] for one in told if one["after_ns"] < sent]
        coming = [one for one in told if one["before_ns"] < received and one["after_ns"] >= sent]
        wrong += not coming and value != known[-1]
    assert wrong == 0


def test_the_truth_log_tells_every_part_of_a_cut_in_order(desk: Desk) -> None:
    """Contact, rail, program, stages and terminals, each with before and after."""
    desk.started()
    desk.cut()
    desk.running()
    desk.until("fan_terminal", True)
    told = desk.simulation.truth()
    off = next(number for number, one in enumerate(told) if one["what"] == "supply" and one["value"] is False)
    cut = told[off:]
    stages = [one["value"] for one in cut if one["what"] == "stage"]
    assert stages == ["dark", "refusing", "silent", "busy", "answering", "running"]
    assert [one["value"] for one in cut if one["what"] == "rail"] == [False, True]
    assert [one["value"] for one in cut if one["what"] == "program"] == [False, True]
    assert [one["value"] for one in cut if one["name"] == "fan_terminal"] == [False, True]
    assert [one["value"] for one in cut if one["name"] == "burner_terminal"] == [False]
    assert all(one["before_ns"] <= one["after_ns"] for one in told)
    assert [one["before_ns"] for one in told] == sorted(one["before_ns"] for one in told)


# ---------------------------------------------------------------- the process and the redirected rig


def test_the_rig_is_redirected_to_loopback_and_keeps_everything_else(desk: Desk) -> None:
    """Supply: a relay with a coil, no arming needed."""
    rig, plain = desk.simulation.rig, dryer_rig()
    assert {device.host for device in rig.devices.values()} == {"127.0.0.1"}
    assert list(desk.simulation.ports) == ["controller", "independent", "supply"]
    assert rig.supply is not None and rig.supply.driver == "modbus-coil"
    assert rig.supply.settings["port"] == desk.simulation.ports["supply"]
    assert dataclasses.replace(rig, devices=plain.devices, supply=plain.supply) == plain
    assert desk.simulation.addresses()[-1] == f"supply 127.0.0.1:{desk.simulation.ports['supply']}"


def by_hand_rig() -> Rig:
    """A rig without any relay: people press, people switch, people change the mode."""
    points = dryer_points()
    points["start_button"] = Point(
        "start_button", "independent", "discrete_input", 4, idle=False, by_hand="green button S1"
    )
    points["stop_button"] = Point("stop_button", "independent", "discrete_input", 5, idle=True, by_hand="red button S2")
    del points["run_switch"]
    return dryer_rig(points=points, supply=RigSupply("by-hand"), mode=Mode("by-hand"))


def test_points_worked_by_hand_become_coils_with_the_input_as_their_sense() -> None:
    """What was a request to a person can then be pressed by the bench; the input sees it."""
    with Simulation(by_hand_rig(), dryer_program(), truth=None) as simulation, Desk(simulation) as at:
        start = simulation.rig.points["start_button"]
        assert (start.table, start.writable, start.terminal) == ("coil", True, "start_button_sense")
        assert start.by_hand is None
        at.running()
        at.write("start_button", True)
        at.until("start_button_sense", True)
        at.until("burner_terminal", True)
        at.write("start_button", False)
        at.until("start_button_sense", False)
        assert at.read("stop_button_sense") is True
        at.supply(False)
        at.until("rail", False)
        at.supply(True)
        at.running()
        mode = simulation.rig.mode
        assert mode is not None and (mode.driver, mode.point) == ("point", "mode_switch")
        at.write("mode_switch", False)
        at.until("running", False)


def test_no_address_is_used_twice_after_the_hands_are_gone() -> None:
    """New coils lie behind all that the rig names."""
    rig = worked_without_hands(by_hand_rig())
    used = [(one.device, one.table, one.address) for one in rig.points.values()]
    assert len(used) == len(set(used))


def test_a_rig_without_independent_io_gets_a_panel_for_its_buttons() -> None:
    """By-hand rigs may have a controller and nothing else."""
    points = {
        "start_button": Point("start_button", "controller", "discrete_input", 1, idle=False, by_hand="S1"),
        "fan": Point("fan", "controller", "coil", 0),
        "running": Point("running", "controller", "discrete_input", 0),
    }
    rig = Rig(
        "bare", "harmless", {"controller": Device("controller", "192.0.2.10", powered_by_supply=True)}, points,
        supply=RigSupply("by-hand"), ready=dryer_rig().ready,
    )  # fmt: skip
    rig = dataclasses.replace(rig, ready=dataclasses.replace(rig.ready, alive=None))
    with Simulation(rig, dryer_program(), truth=None) as simulation, Desk(simulation) as at:
        assert list(simulation.ports) == ["controller", "panel", "supply"]
        at.press("start_button", for_s=0.1)
        at.until("fan", True)
        at.cut()
        at.running()
        at.until("fan", True)


def test_a_rig_whose_ports_are_given_is_redirected_without_a_process() -> None:
    """Pure: device by device."""
    rig = redirected(dryer_rig(), {"controller": 1, "independent": 2, "supply": 3})
    assert [device.port for device in rig.devices.values()] == [1, 2]
    assert rig.supply is not None and rig.supply.address == "127.0.0.1:3"


def test_a_rig_without_a_controller_does_not_start() -> None:
    """There is nothing to cut; the message says so."""
    rig = dryer_rig(devices={"independent": Device("independent", "192.0.2.20")}, points={})
    with pytest.raises(SimulationFailed, match="powered_by: supply"):
        Simulation(rig, dryer_program(), truth=None)


def test_the_simulation_ends_when_its_parent_is_killed() -> None:
    """The end of its standard input is the end of its parent."""
    code = (
        "import sys, time; sys.path.insert(0, 'tests/helpers')\n"
        "from builders import dryer_program, dryer_rig\n"
        "from restart_bench.simulated.handle import Simulation\n"
        "simulation = Simulation(dryer_rig(), dryer_program(), truth=None)\n"
        "print(simulation.ports['independent'], flush=True)\n"
        "time.sleep(60)\n"
    )
    root = Path(__file__).parents[2]
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=root, text=True)
    assert parent.stdout is not None
    port = int(parent.stdout.readline())
    with RawClient(port) as client:
        client.asked("02 00 09 00 01")
        parent.kill()
        parent.wait()
        parent.stdout.close()
        wait_until(lambda: met_by_a_new_client(port) == "refused", "the port is closed")


def test_the_simulation_pays_no_heed_to_ctrl_c(desk: Desk) -> None:
    """Only the parent acts on it."""
    desk.simulation._process.send_signal(signal.SIGINT)
    time.sleep(0.05)
    assert desk.read("always_on") is True


def test_a_simulation_that_is_closed_twice_stays_closed() -> None:
    """Like every handle."""
    simulation = Simulation(dryer_rig(), dryer_program(), truth=None)
    simulation.close()
    simulation.close()
    with pytest.raises(SimulationFailed):
        simulation.send({"command": "flush"})


def test_serve_prints_one_line_a_device_and_ends_with_ctrl_c() -> None:
    """`restart-bench simulate`: controller first, the relay last as supply."""
    code = (
        "import sys; sys.path.insert(0, 'tests/helpers')\n"
        "from builders import dryer_program, dryer_rig\n"
        "from restart_bench.simulated.handle import serve\n"
        "serve(dryer_rig(), dryer_program(), say=lambda line: print(line, flush=True))\n"
    )
    root = Path(__file__).parents[2]
    served = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=root, text=True)
    assert served.stdout is not None
    lines = [served.stdout.readline().split() for _ in range(3)]
    assert [line[0] for line in lines] == ["controller", "independent", "supply"]
    with RawClient(int(lines[1][1].split(":")[1])) as client:
        assert client.asked("02 00 09 00 01") == "02 01 01"
    served.send_signal(signal.SIGINT)
    assert served.wait(timeout=10) == 0
    served.stdout.close()


@given(
    seed=st.integers(), scan_ms=st.integers(1, 100), edited=st.booleans(), digest=st.integers(0, 65535),
    nominal=st.none() | st.floats(1, 400),
)  # fmt: skip
def test_a_setup_travels_through_its_line_unchanged(
    seed: int, scan_ms: int, edited: bool, digest: int, nominal: float | None
) -> None:
    """Nested values, rungs of equal fields and conditions included."""
    supply = dataclasses.replace(dryer_rig().supply or RigSupply("x"), nominal_volts=nominal)
    program = dryer_program(edited=edited, scan_ns=scan_ms * MS, digest=digest, boot=Boot(dark_ns=2 * S))
    setup = SimulationSetup(dryer_rig(supply=supply), program, seed, (), "truth")

    assert setup_from_line(setup_line(setup)) == setup


@pytest.mark.parametrize("line", ["", "{}", "[1]", '{"class": "Nobody"}', '{"class": "Device"}'])
def test_a_line_that_is_no_setup_is_refused(line: str) -> None:
    """Torn or foreign input."""
    with pytest.raises(ValueError):
        setup_from_line(line)


def test_who_serves_a_rig_is_told_what_to_write_in_place_of_a_person() -> None:
    """Buttons that people press are coils of the simulated panel; which coil is which is said, and the supply's."""
    rig = dryer_rig()
    points = {**rig.points, "reset": Point("reset", "controller", "discrete_input", 7, by_hand="S3", idle=True)}
    lines = worked_by(dataclasses.replace(rig, points=points))
    assert lines[0] == "supply: coil 0, off = supply off"
    assert [line for line in lines if line.endswith("= reset, on at rest")]
    assert len(lines) == 2
