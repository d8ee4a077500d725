"""The simulated rig's programmable supply, driven by the bench's own SCPI driver over TCP.

Commands and error numbers: SCPI-1999 (OUTP, VOLT, SYST:ERR?, -113 undefined header), IEEE 488.2 (*IDN?).
"""

from __future__ import annotations

import dataclasses
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from builders import dryer_program, dryer_rig
from raw_modbus import wait_until
from restart_bench.model.program import InjectedFault
from restart_bench.model.rig import Rig, RigSupply
from restart_bench.simulated.handle import Simulation, redirected
from restart_bench_drivers.scpi_supply import ScpiSupply
from simulated_desk import Desk


def programmable(**settings: object) -> Rig:
    """The dryer on a programmable supply of 24 V."""
    rig = dryer_rig()
    supply = RigSupply("scpi-supply", {"host": "192.0.2.40", **settings}, nominal_volts=24.0, address="192.0.2.40",
        simulated_as="programmable supply",
    )  # fmt: skip
    return dataclasses.replace(rig, supply=supply)


@contextmanager
def driven(truth: Path | None = None, *faults: InjectedFault) -> Iterator[tuple[ScpiSupply, Desk, Simulation]]:
    """The driver, opened as the runner opens it, beside a running controller."""
    with Simulation(programmable(), dryer_program(), truth=truth, faults=faults) as simulation:
        assert simulation.rig.supply is not None and simulation.rig.supply.driver == "scpi-supply"
        supply = ScpiSupply(**simulation.rig.supply.settings)
        with Desk(simulation) as desk:
            desk.running()
            yield supply, desk, simulation
        supply.close()


def test_a_programmable_supply_is_redirected_to_one_that_speaks_scpi() -> None:
    """Without its own address and channel, with its full voltage: what the real one is told is not asked of it."""
    rig = redirected(programmable(channel=2, identity="SN1"), {"controller": 1, "independent": 2, "supply": 3})
    assert rig.supply is not None
    assert (rig.supply.driver, rig.supply.contact) == ("scpi-supply", None)
    assert rig.supply.settings == {"host": "127.0.0.1", "port": 3, "volts": 24.0}


def test_a_supply_that_people_switch_stays_a_relay_in_the_simulation() -> None:
    """Nobody is asked in a simulated run."""
    by_hand = dataclasses.replace(dryer_rig(), supply=RigSupply("by-hand"))
    rig = redirected(by_hand, {"controller": 1, "independent": 2, "supply": 3})
    assert rig.supply is not None and rig.supply.driver == "modbus-coil"


def test_off_and_on_cut_the_controller_as_a_relay_does() -> None:
    """The rail falls, the controller falls silent, and all comes back."""
    with driven() as (supply, desk, simulation):
        supply.off()
        desk.until("rail", False)
        assert supply.is_on() is False and simulation.look().rail == 0.0
        supply.on()
        desk.until("rail", True)
        desk.running()
        assert supply.is_on() is True and simulation.look().rail == 1.0


def test_a_level_stands_between_off_and_on_and_on_brings_the_full_voltage_back() -> None:
    """9.6 V is too little for the controller; `on` after it is 24 V again."""
    with driven() as (supply, desk, simulation):
        supply.level(9.6)
        assert simulation.look().rail == pytest.approx(0.4) and supply.is_on() is True
        desk.until("running", None)
        supply.on()
        assert simulation.look().rail == 1.0
        desk.running()


def test_a_level_begins_a_cut_for_the_ordered_faults(tmp_path: Path) -> None:
    """The first cut is clean, the second one loses the program's run."""
    with driven(tmp_path / "truth.jsonl", InjectedFault("older-program", {"from_cut": 2})) as (supply, desk, _):
        named = []
        for _ in range(2):
            supply.level(4.8)
            desk.until("running", None)
            supply.on()
            desk.running()
            named.append(desk.read("program_id"))
        assert named[0] == 17042 and named[1] != 17042


def test_what_is_no_command_goes_into_the_error_queue() -> None:
    """-113, then -104 for a voltage that is no number and for one that is not finite, then no error."""
    with driven() as (_, _, simulation), socket.create_connection(("127.0.0.1", simulation.ports["supply"]), 5) as line:
        line.sendall(b"RANG 3\nVOLT much\nVOLT NAN\nSYST:ERR?\nSYST:ERR?\nSYST:ERR?\nSYST:ERR?\n*IDN?\n")
        came = b""

        def all_came() -> bool:
            nonlocal came
            came += line.recv(4096)
            return came.count(b"\n") == 5

        wait_until(all_came, "five answers")
        answers = came.decode().splitlines()
        assert [answer.partition(",")[0] for answer in answers[:4]] == ["-113", "-104", "-104", "0"]
        assert "simulated supply" in answers[4]
