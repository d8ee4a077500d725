"""Supplies in rig files: what a driver's hardware can't hold, can't show or can't be set to is told beforehand."""

# ruff: noqa: E501 - the sentences are asserted whole, and are easier to read in one piece

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from file_suites import RIG, SCENARIO, load, load_in, told, warnings
from restart_bench.files.faults import FaultsFound
from restart_bench.model.rig import RigSupply
from restart_bench.simulated.setup import is_programmable
from restart_bench.suite.loader import load_rig
from restart_bench_drivers.interface import Key, SupplyCard
from restart_bench_drivers.registry import OWN

START, END = RIG.index("supply:\n"), RIG.index("points:\n")
TIMES = "operate: 10 ms, release: 10 ms, bounce: 5 ms"
PIN = "driver: gpio-pin, pin: 17"
BOARD = "driver: serial-board, port: COM3, on_bytes: 3C 05 01 38, off_bytes: 3C 05 00 39"
SWITCH = "driver: by-hand, switch: main switch Q1"
VOLTS = "driver: scpi-supply, host: 192.0.2.40"
MACHINE = "loads: machine\nisolation: {by: me, how: Q1 locked, until: 2099-01-01}"


def with_supply(keys: str, *, machine: bool = False, proof: str = "[{rail: off}]") -> str:
    """The rig file of these tests with another supply."""
    rig = f"{RIG[:START]}supply: {{{keys}}}\n{RIG[END:]}".replace("[{rail: off}]", proof)
    return rig.replace("loads: harmless", MACHINE) if machine else rig


def faults(keys: str, *, machine: bool = False) -> list[str]:
    """What is refused about a supply, without file and line."""
    return [line.split(": ", 1)[1] for line in told(lambda: load(rig=with_supply(keys, machine=machine)))]


def warned(keys: str, proof: str = "[{rail: off}]") -> list[str]:
    """What is warned about a supply, without file and line; what is warned about its proof is not asked here."""
    lines = [line.split(": ", 1)[1] for line in warnings(load(rig=with_supply(keys, proof=proof)))]
    return [line for line in lines if line.startswith("supply.")]


# ---------------------------------------------------------------- what lets go when the bench ends


@pytest.mark.parametrize("key", ["at_end", "after_trouble"])
def test_a_supply_that_lets_go_can_not_stay_on_through_a_normally_open_contact(key: str) -> None:
    """The pin of a computer is released with the process: the relay falls, and its open contact cuts the supply."""
    other = "after_trouble" if key == "at_end" else "at_end"
    assert faults(f"{PIN}, contact: normally-open, {TIMES}, {key}: on, {other}: off") == [
        f"supply.{key}: gpio-pin can't keep the supply on: it lets go of its relay when the bench ends, and the supply is then off; "
        f"wire the contact normally-closed, or write {key}: off, or use a supply that holds its state"
    ]


def test_the_defaults_are_held_against_the_hardware_too() -> None:
    """`at_end` and `after_trouble` are on where nothing is written, and that can't be kept either."""
    assert [line.split(":")[0] for line in faults(f"{PIN}, contact: normally-open, {TIMES}")] == [
        "supply.at_end",
        "supply.after_trouble",
    ]


@pytest.mark.parametrize("rest", ["off", "as it is"])
def test_a_supply_that_lets_go_can_not_stay_off_through_a_normally_closed_contact(rest: str) -> None:
    """The released relay gives the power back, whatever the file says."""
    (line,) = faults(f"{PIN}, contact: normally-closed, {TIMES}, after_trouble: {rest}")
    assert line.startswith(f"supply.after_trouble: gpio-pin can't keep the supply {rest}: ")
    assert "write after_trouble: on" in line


@pytest.mark.parametrize(
    "keys",
    [
        f"{PIN}, contact: normally-closed, {TIMES}",
        f"{PIN}, contact: normally-open, {TIMES}, at_end: off, after_trouble: off",
        f"{BOARD}, contact: normally-open, {TIMES}",
        SWITCH,
        VOLTS,
    ],
)
def test_what_the_hardware_keeps_is_accepted(keys: str) -> None:
    """A released relay in its own position, and supplies that hold what they were told."""
    assert faults(keys) == []


def test_a_driver_of_others_that_lets_go_is_taken_to_go_off(tmp_path: Path) -> None:
    """Without a contact nobody can say more than that its output is gone."""
    card = SupplyCard(
        "pulse-box", "", "x:Y", (Key("line", "text", "port"),), "", has_contact=False, holds_after_exit=False
    )
    path = tmp_path / "rig.yaml"
    path.write_text(with_supply("driver: pulse-box, line: COM3"), encoding="utf-8")
    lines = told(lambda: load_rig(path, cards={"pulse-box": card}))
    assert [line.split(": ", 1)[1] for line in lines] == [
        f"supply.{key}: pulse-box can't keep the supply on: it lets go when the bench ends, and the supply is then off; "
        f"write {key}: off, or use a supply that holds its state"
        for key in ("at_end", "after_trouble")
    ]


# ---------------------------------------------------------------- what moves when it is opened, what can't be read


def test_a_driver_that_moves_when_opened_is_warned_about() -> None:
    """Behind a normally-open contact the supply is cut once before the first cycle; a closed one only stays on."""
    text = "supply.contact: opening serial-board may release its relay, which would cut the supply once before anything begins; "
    assert [line for line in warned(f"{BOARD}, contact: normally-open, {TIMES}") if line.startswith(text)]
    assert warned(f"{BOARD}, contact: normally-closed, {TIMES}") == []


def test_no_machine_gets_its_power_because_a_driver_is_opened() -> None:
    """A released relay with a normally-closed contact starts the machine: an unexpected start-up (ISO 12100, 3.31)."""
    lines = faults(f"{BOARD}, contact: normally-closed, {TIMES}, after_trouble: off", machine=True)
    assert lines == [
        "supply.contact: opening serial-board may release its relay, which gives a machine its power; "
        "wire the contact normally-open, or use a supply that opens quietly"
    ]
    assert faults(f"{BOARD}, contact: normally-open, {TIMES}, after_trouble: off", machine=True) == []


@pytest.mark.parametrize("proof", ["[{uptime: falls}]", "[{contact: lost}]"])
def test_a_supply_that_can_not_be_read_back_wants_a_proof(proof: str) -> None:
    """A board that only swallows bytes: whether it obeyed is known from the rail alone."""
    keys = f"{BOARD}, contact: normally-closed, {TIMES}"
    assert warned(keys, proof) == [
        "supply.driver: serial-board can't be read back, and no proof_of_cut shows whether the supply obeyed; "
        "add a proof of the supply, like proof_of_cut: [{rail: off}], or add ask_bytes:"
    ]
    assert warned(keys) == []


def test_a_person_sees_what_a_switch_did() -> None:
    """Supplies worked by hand need no independent I/O."""
    assert warned(SWITCH, "[{uptime: falls}]") == []


def test_a_board_that_tells_its_state_needs_no_proof() -> None:
    """`ask_bytes:` makes the board say what its relay does."""
    keys = f"{BOARD}, ask_bytes: 3C 05 05 3C, says_on: 3C 05 01 38, says_off: 3C 05 00 39, contact: normally-closed, {TIMES}"
    assert warned(keys, "[{uptime: falls}]") == []


# ---------------------------------------------------------------- levels


def dip(keys: str, level: str) -> list[str]:
    """What is refused about a dip to a level."""
    scenario = SCENARIO.replace("off_for: 3 s", f"off_for: 3 s\n  level: {level}")
    return [line.split(": ", 1)[1] for line in told(lambda: load(rig=with_supply(keys), scenario=scenario))]


def test_a_level_needs_a_supply_that_can_be_set() -> None:
    """A relay knows off and on, a person at a switch too."""
    for keys, driver in ((f"{PIN}, contact: normally-closed, {TIMES}", "gpio-pin"), (SWITCH, "by-hand")):
        assert dip(f"{keys}, nominal: 24 V", "40 %") == [
            f"cut.level: {driver} can only switch off and on; delete level:, or use a supply that can be set to a voltage"
        ]
    assert dip(f"{VOLTS}, nominal: 24 V", "40 %") == []


def test_per_cent_need_a_nominal_voltage() -> None:
    """Volts need none."""
    assert dip(VOLTS, "40 %") == ["cut.level: per cent of what?; add nominal: 24 V to the rig's supply, or write volts"]
    assert dip(f"{VOLTS}, volts: 24", "9.6 V") == []


def test_a_level_needs_the_full_voltage_that_comes_back() -> None:
    """Without `volts` and `nominal` a dip that a killed run left would stay; `nominal` tells the driver as well."""
    assert dip(VOLTS, "9.6 V") == [
        "cut.level: scpi-supply does not know its full voltage, which comes back after a dip; "
        "add nominal: 24 V (or volts: 24) to the rig's supply"
    ]
    supply = load(rig=with_supply(f"{VOLTS}, nominal: 24 V")).rig.supply
    assert supply is not None and supply.settings["volts"] == 24.0


# ---------------------------------------------------------------- outputs that the bench may write


def test_an_output_that_is_written_is_warned_about_once(tmp_path: Path) -> None:
    """A writable coil of the controller with a terminal: a scenario could drive the very thing that it judges."""
    rig = RIG.replace("coil: 0, terminal: {d", "coil: 0, writable: true, terminal: {d")
    assert warnings(load_in(tmp_path, rig, SCENARIO)) == [
        "rig.yaml:18: points.burner.writable: the bench may write this output of the controller; "
        "delete writable: unless a scenario has to write it"
    ]


# ---------------------------------------------------------------- what a card says of its keys


def read_with(card: SupplyCard, keys: str, folder: Path) -> tuple[RigSupply | None, list[str]]:
    """The supply of a third party's driver as it is read, and what is refused of it."""
    path = folder / "rig.yaml"
    path.write_text(with_supply(f"driver: {card.name}, {keys}"), encoding="utf-8")
    try:
        return load_rig(path, cards={card.name: card}).rig.supply, []
    except FaultsFound as found:
        return None, [f"{fault.path}: {fault.text}" for fault in found.faults]


def test_the_kind_of_a_key_says_how_it_is_read_and_its_name_does_not(tmp_path: Path) -> None:
    """A key called `host` may be any text, one called `coil` any whole number, and a key of any name an IP address."""
    free = SupplyCard("box", "", "x:Y", (Key("host", "text", "name"), Key("coil", "whole number", "how many")), "",
        has_contact=False)  # fmt: skip
    supply, refused = read_with(free, "host: Bench Box, coil: 70000", tmp_path)
    assert refused == [] and supply is not None
    assert supply.settings == {"host": "Bench Box", "coil": 70000}
    strict = replace(free, keys=(Key("where", "host", "IP address"), Key("which", "address", "of the coil")))
    assert read_with(strict, "where: Bench Box, which: 70000", tmp_path)[1] == [
        "supply.where: Bench Box is not an IP address", "supply.which: 70000 is outside 0..65535",
    ]  # fmt: skip


def test_a_switch_by_hand_is_told_from_another_by_the_controller_that_it_feeds(tmp_path: Path) -> None:
    """Two desks at one computer, both from one template: lock and limits of one are not those of the other; the same
    controller, however its address is written, is the same supply."""
    told = with_supply("driver: by-hand, switch: main switch")
    addresses = []
    for host, port in (("192.0.2.10", 20001), ("192.0.2.10", 20011), ("::ffff:192.0.2.10", 20001)):
        path = tmp_path / "rig.yaml"
        path.write_text(told.replace("{host: 192.0.2.10,", f"{{host: '{host}', port: {port},"), encoding="utf-8")
        supply = load_rig(path, cards={card.name: card for card in OWN}).rig.supply
        assert supply is not None
        addresses.append(supply.address)
    assert addresses[0] == addresses[2] != addresses[1]


def test_a_host_of_any_name_has_one_spelling_in_the_lock(tmp_path: Path) -> None:
    """The address that lock and wear go by is told apart by the kind of the key."""
    card = SupplyCard("box", "", "x:Y", (Key("where", "host", "IP address"), Key("line", "text", "port")), "",
        has_contact=False, address_keys=("where", "line"))  # fmt: skip
    supply, _ = read_with(card, "where: '2001:0DB8::0001', line: com3", tmp_path)
    assert supply is not None and supply.address == "box where=2001:db8::1 line=COM3"


def test_bounds_of_a_whole_number_are_the_cards(tmp_path: Path) -> None:
    """A unit identifier is one byte, and a serial line has one or two stop bits: told before anything is opened."""
    coil = f"driver: modbus-coil, serial: COM3, coil: 0, contact: normally-open, {TIMES}"
    assert faults(f"{coil}, unit: 256, stop_bits: 3") == [
        "supply.unit: 256 is outside 0..255; write a whole number from 0 to 255",
        "supply.stop_bits: 3 is outside 1..2; write a whole number from 1 to 2",
    ]


def test_what_plays_a_supply_in_the_simulation_is_what_its_card_says(tmp_path: Path) -> None:
    """A switch without a contact of its own may be a relay there, and one with a contact may be set to a voltage."""
    for simulated_as in ("relay", "programmable supply"):
        card = SupplyCard("box", "", "x:Y", (Key("line", "text", "port"),), "", has_contact=False,
            simulated_as=simulated_as)  # type: ignore[arg-type]  # fmt: skip
        supply, _ = read_with(card, "line: COM3", tmp_path)
        assert supply is not None and is_programmable(supply) is (simulated_as == "programmable supply")
    assert {card.name for card in OWN if card.simulated_as != "relay"} == {card.name for card in OWN if card.has_levels}
