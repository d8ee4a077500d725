"""Rig files: every key of the README's page, what may not stand together, and `extends`."""

# ruff: noqa: E501 - the sentences are asserted whole, and are easier to read in one piece

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from file_suites import RIG, load, rig_faults, spoilt, the_rig, told, warnings
from restart_bench.model.rig import CheckPulse, Levels, PointLimits, Proof, Rig, Wanted, last_instant
from restart_bench.suite.loader import load_rig
from restart_bench_drivers.interface import Key, SupplyCard
from restart_bench_drivers.registry import cards

MS = 1_000_000
S = 1_000_000_000

WHOLE = """\
rig: grain-dryer-trainer
loads: harmless
devices:
  controller:  {link: modbus-tcp, host: 192.0.2.10, port: 1502, unit: 3, poll: 20 ms, answer_within: 80 ms, powered_by: supply, image_lag: 5 ms, connections: 1, max_bits: 100, max_registers: 20}
  independent: {link: modbus-tcp, host: 192.0.2.20, poll: 2 ms, input_delay: 1 ms}
supply:
  driver: modbus-coil
  host: 192.0.2.30
  coil: 7
  contact: normally-closed
  operate: 10 ms
  release: 4 ms
  bounce: 1 ms
  at_end: off
  after_trouble: as it is
  fallback: opens after 10 s
  limits: {dips_up_to: 50 ms, off_at_least: 3 s, on_at_least: 5 s, cuts_per_hour: 120, operations: 100000}
  nominal: 24 V
points:
  start_button: {device: independent, coil: 0, writable: true, idle: off, label: S1, limits: {starts_per_hour: 10, off_at_least: 60 s}}
  stop_button:  {device: independent, coil: 1, by_hand: red button S0, idle: on}
  run_switch:   {device: independent, coil: 2, writable: true}
  spare_out:    {device: independent, coil: 3, writable: true}
  auger:        {device: controller, coil: 0, terminal: {discrete_input: 0, proven: lamp test 2026-07-20}}
  burner:       {device: controller, coil: 1, terminal: burner_input}
  fan:          {device: controller, coil: 2, terminal: {input_register: 5, levels: {off_below: 5, on_above: 15}}}
  burner_input: {device: independent, discrete_input: 1}
  heartbeat:    {device: controller, input_register: 0}
  uptime:       {device: controller, input_register: 1, type: uint32, words: little, scale: 0.5, unit: s}
  running:      {device: controller, discrete_input: 0}
  program_id:   {device: controller, input_register: 3}
  device_code:  {device: controller, input_register: 4, type: int16}
  rail:         {device: independent, discrete_input: 8}
  rail_mv:      {device: independent, input_register: 9}
  always_on:    {device: independent, discrete_input: 9}
  spare_in:     {device: independent, discrete_input: 10}
  guard_closed: {device: independent, discrete_input: 11}
groups: {stays_off: [auger, burner], comes_back: [fan]}
defaults: {settle: 500 ms, watch: 8 s, longer_than: 20 ms, repeat: 4}
ready: {when: {running: on, heartbeat: {above: 0}}, steady: 1 s, alive: heartbeat, within: 30 s}
proof_of_cut: [{rail: off}, {rail_mv: {below: 5000}}, {uptime: falls}, {heartbeat: rises}, {contact: lost}]
check_channels: {always_on: on}
check_pulse: {write: spare_out, read: spare_in, length: 20 ms}
only_while: {guard_closed: on}
identify: {device_code: 4711}
program: [program_id]
mode: {driver: point, point: run_switch, run: on, proof: [{running: off}]}
survey: {press: [start_button]}
isolation: {by: M. Jensen, how: Q1 locked out, until: 2026-08-01}
record: {customer: ours, order: 12, drawing: GD-7, instruments: [scope, remote I/O]}
"""


@pytest.fixture(scope="module")
def whole() -> Rig:
    """A rig in which every key of the design stands."""
    return load(rig=WHOLE, scenario="scenario: s\ncut: {off_for: 3 s}\nafter: {expect: {auger: off}}\n").rig


def test_devices_keep_every_key(whole: Rig) -> None:
    """Link, host, port, unit, poll, time-outs, delays, connections and the sizes of a read."""
    controller, independent = whole.devices["controller"], whole.devices["independent"]
    assert (controller.host, controller.port, controller.unit) == ("192.0.2.10", 1502, 3)
    assert (controller.poll_ns, controller.answer_within_ns, controller.image_lag_ns) == (20 * MS, 80 * MS, 5 * MS)
    assert (controller.connections, controller.max_bits, controller.max_registers) == (1, 100, 20)
    assert (independent.poll_ns, independent.input_delay_ns) == (2 * MS, MS)
    assert whole.controller is controller
    assert whole.independents == (independent,)


def test_defaults_of_a_device_are_those_of_the_design() -> None:
    """Port 502, unit 1, poll 10 ms, answer within 100 ms, two connections, 2000 bits and 125 registers a read (the
    last two are the limits of the Modbus Application Protocol V1.1b3, 6.1 to 6.4)."""
    device = the_rig().devices["independent"]
    assert (device.port, device.unit, device.poll_ns, device.answer_within_ns) == (502, 1, 10 * MS, 100 * MS)
    assert (device.connections, device.max_bits, device.max_registers) == (2, 2000, 125)


def test_the_supply_keeps_every_key(whole: Rig) -> None:
    """The common keys as fields, the driver's own as settings, and an address that tells this relay from others."""
    supply = whole.supply
    assert supply is not None
    assert (supply.driver, supply.settings) == ("modbus-coil", {"host": "192.0.2.30", "coil": 7})
    assert (supply.operate_ns, supply.release_ns, supply.bounce_ns) == (10 * MS, 4 * MS, MS)
    assert (supply.opening_ns, supply.closing_ns) == (10 * MS, 4 * MS)  # normally-closed: it opens by operating
    assert (supply.at_end, supply.after_trouble, supply.fallback) == ("off", "as it is", "opens after 10 s")
    assert (supply.limits.dips_up_to_ns, supply.limits.off_at_least_ns) == (50 * MS, 3 * S)
    assert (supply.limits.on_at_least_ns, supply.limits.cuts_per_hour, supply.limits.operations) == (5 * S, 120, 100000)
    assert supply.nominal_volts == 24.0
    assert supply.address == "modbus-coil host=192.0.2.30 port=502 unit=1 coil=7"


def test_defaults_of_the_supply_are_those_of_the_design() -> None:
    """At the end on, after trouble on (harmless loads), off and on for at least 2 s, no other limits."""
    supply = load_rig_text(spoilt(RIG, "  limits: {dips_up_to: 50 ms, off_at_least: 2 s}\n", "")).supply
    assert supply is not None
    assert (supply.at_end, supply.after_trouble, supply.fallback) == ("on", "on", None)
    assert (supply.limits.off_at_least_ns, supply.limits.on_at_least_ns) == (2 * S, 2 * S)
    assert (supply.limits.dips_up_to_ns, supply.limits.cuts_per_hour, supply.limits.operations) == (None, None, None)


def load_rig_text(text: str) -> Rig:
    """The rig of a text."""
    return load(rig=text).rig


def test_points_keep_every_key(whole: Rig) -> None:
    """Table, address, type, words, scale, unit, idle, label, what a person works, what the load bears."""
    start, uptime = whole.points["start_button"], whole.points["uptime"]
    assert (start.table, start.address, start.writable, start.idle, start.shown) == ("coil", 0, True, False, "S1")
    assert start.limits == PointLimits(10, 60 * S)
    assert whole.points["stop_button"].by_hand == "red button S0"
    assert whole.points["stop_button"].idle is True
    assert (uptime.type, uptime.words, uptime.scale, uptime.unit) == ("uint32", "little", 0.5, "s")
    assert whole.points["heartbeat"].type == "uint16"
    assert whole.points["device_code"].type == "int16"


def test_an_inline_terminal_is_a_point_of_its_own_behind_its_output(whole: Rig) -> None:
    """Named `<point>_terminal`, on the one independent device; it is what is judged."""
    names = list(whole.points)
    assert names[names.index("auger") + 1] == "auger_terminal"
    terminal = whole.points["auger_terminal"]
    assert (terminal.device, terminal.table, terminal.address) == ("independent", "discrete_input", 0)
    assert (terminal.inline_terminal, terminal.proven) == (True, "lamp test 2026-07-20")
    assert whole.judged_point("auger") == "auger_terminal"
    assert whole.judged_point("burner") == "burner_input"


def test_a_register_with_levels_is_off_or_on(whole: Rig) -> None:
    """What lies between the levels is neither."""
    assert whole.points["fan_terminal"].levels == Levels(5, 15)
    assert whole.points["fan_terminal"].is_boolean


def test_what_must_hold_keeps_every_key(whole: Rig) -> None:
    """Ready, proofs, checks, identity, program, mode, survey, isolation, record, groups, defaults."""
    assert whole.ready.when == (("running", Wanted(equals=True)), ("heartbeat", Wanted(above=0)))
    assert (whole.ready.steady_ns, whole.ready.alive, whole.ready.within_ns) == (S, "heartbeat", 30 * S)
    assert whole.proof_of_cut == (
        Proof("value", "rail", Wanted(equals=False)),
        Proof("value", "rail_mv", Wanted(below=5000)),
        Proof("falls", "uptime"),
        Proof("rises", "heartbeat"),
        Proof("contact lost"),
    )
    assert whole.check_channels == (("always_on", Wanted(equals=True)),)
    assert whole.check_pulse == CheckPulse("spare_out", "spare_in", 20 * MS)
    assert whole.only_while == (("guard_closed", Wanted(equals=True)),)
    assert whole.identify == (("device_code", Wanted(equals=4711)),)
    assert whole.program == ("program_id",)
    assert whole.mode is not None
    assert (whole.mode.driver, whole.mode.point, whole.mode.run) == ("point", "run_switch", True)
    assert whole.mode.proof == (("running", Wanted(equals=False)),)
    assert whole.survey_press == ("start_button",)
    assert whole.groups == {"stays_off": ("auger", "burner"), "comes_back": ("fan",)}
    assert (whole.defaults.settle_ns, whole.defaults.watch_ns) == (500 * MS, 8 * S)
    assert (whole.defaults.longer_than_ns, whole.defaults.repeat) == (20 * MS, 4)
    assert whole.record == {"customer": "ours", "order": 12, "drawing": "GD-7", "instruments": ["scope", "remote I/O"]}


def test_what_is_left_out_takes_its_default() -> None:
    """Steady 500 ms, ready within 60 s, contact lost as proof, settle 0, watch 10 s, pulses from 100 ms, one cycle."""
    rig = load_rig_text(spoilt(RIG, "proof_of_cut: [{rail: off}]\n", ""))
    assert (rig.ready.steady_ns, rig.ready.within_ns) == (500 * MS, 60 * S)
    assert rig.proof_of_cut == (Proof("contact lost"),)
    assert (rig.defaults.settle_ns, rig.defaults.watch_ns) == (0, 10 * S)
    assert (rig.defaults.longer_than_ns, rig.defaults.repeat) == (100 * MS, 1)


def test_a_mode_without_proof_is_proven_by_ready() -> None:
    """A point of `ready.when` read false shows that run mode was left."""
    rig = the_rig("loads: harmless", "loads: harmless\nmode: {driver: by-hand}")
    assert rig.mode is not None
    assert rig.mode.proof == (("running", Wanted(equals=False)),)


def test_survey_of_harmless_loads_may_press_what_has_idle() -> None:
    """Machines must write it; else every writable point that is off or on and has an idle value."""
    assert the_rig().survey_press == ("start",)


def test_two_points_may_have_one_address() -> None:
    """The same coil under two names is no fault."""
    rig = the_rig("  batches:", "  burner_again: {device: controller, coil: 0}\n  batches:")
    assert rig.points["burner_again"].address == rig.points["burner"].address


# ---------------------------------------------------------------- refusals

DARK = "which goes dark with the supply"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("loads: harmless", "loads: machine", "isolation: is missing, and these loads are a machine"),
        ("loads: harmless", "loads: machine", "supply.after_trouble: is missing, and these loads are a machine"),
        (
            "loads: harmless\n",
            "loads: harmless\nisolation: {by: me, how: locked, until: tomorrow}\n",
            "isolation.until: tomorrow is no date",
        ),
        ("  driver: modbus-coil\n", "  driver: modbus-coyl\n", "supply.driver: modbus-coyl is no supply driver; did you mean modbus-coil?"),
        ("  coil: 0\n", "", "supply.coil: is missing; add it: address of the coil"),
        ("  coil: 0\n", "  coil: 0\n  whistle: red\n", "supply.whistle: unknown key; known here: host, port"),
        ("  coil: 0\n", "  coil: none\n", "supply.coil: none is not an address; an address is a whole number from 0 to 65535"),
        ("  host: 192.0.2.30\n", "", "supply: does not say where the supply is; add host: or serial:"),
        ("  contact: normally-open\n", "", "supply.contact: is missing; add contact: normally-open or normally-closed"),
        ("  operate: 10 ms\n", "", "supply.operate: is missing; add the longest value from the relay's data sheet"),
        ("  release: 5 ms\n", "", "supply.release: is missing; add the longest value from the relay's data sheet"),
        ("  bounce: 1 ms\n", "", "supply.bounce: is missing; add the longest value from the relay's data sheet"),
        ("dips_up_to: 50 ms", "dips_up_to: 3 s", "supply.limits.dips_up_to: is not shorter than off_at_least"),
        ("dips_up_to: 50 ms", "cuts_per_hour: 0", "supply.limits.cuts_per_hour: allows no cut at all"),
        ("device: controller, holding_register: 0", "device: controler, holding_register: 0", "points.batches.device: controler is no device of the rig; did you mean controller?"),
        ("device: controller, holding_register: 0", "holding_register: 0", "points.batches.device: is missing; add device:, one of controller, independent"),
        ("device: controller, holding_register: 0", "device: controller", "points.batches: has no address; write one of coil:"),
        ("device: controller, holding_register: 0", "device: controller, holding_register: 0, coil: 5", "points.batches: has 2 addresses; write one of coil:"),
        ("device: controller, holding_register: 0", "device: controller, holding_register: 70000", "points.batches.holding_register: 70000 is outside 0..65535"),
        ("input_register: 1, type: uint32", "input_register: 0xFFFF, type: uint32", "points.uptime.input_register: 65535 leaves no room for the second register of uint32"),
        ("input_register: 1, type: uint32", "input_register: 1, words: little", "points.uptime.words: uint16 has one register only"),
        ("input_register: 1, type: uint32", "input_register: 1, type: bool", "points.uptime.type: bool is no type of a register"),
        ("input_register: 1, type: uint32", "input_register: 1, scale: 0", "points.uptime.scale: 0 makes every value 0"),
        ("input_register: 1, type: uint32", "input_register: 1, levels: {off_below: 9, on_above: 3}", "points.uptime.levels: off_below is not below on_above"),
        ("discrete_input: 8", "discrete_input: 8, scale: 2", "points.rail.scale: a discrete input is off or on"),
        ("discrete_input: 8", "discrete_input: 8, type: uint16", "points.rail.type: uint16 is no type of a discrete input"),
        ("discrete_input: 8", "discrete_input: 8, writable: yes", "points.rail.writable: a discrete input can't be written"),
        ("discrete_input: 8", "discrete_input: 8, idle: off", "points.rail.idle: nobody works this point"),
        ("coil: 0, writable: true, idle: off", "coil: 0, by_hand: button S1", "points.start.idle: is missing"),
        ("coil: 0, writable: true, idle: off", "coil: 0, writable: true, by_hand: S1, idle: off", "points.start.by_hand: a person works it, and the bench writes it"),
        ("coil: 0, writable: true, idle: off", "coil: 0, writable: true, idle: 7", "points.start.idle: 7 for start, which is off or on"),
        ("terminal: {discrete_input: 0}", "terminal: {device: controller, discrete_input: 5}", f"points.burner.terminal: is read on controller, {DARK}"),
        ("terminal: {discrete_input: 0}", "terminal: running", f"points.burner.terminal: is read on controller, {DARK}"),
        ("terminal: {discrete_input: 0}", "terminal: rial", "points.burner.terminal: rial is no point of the rig; did you mean rail?"),
        ("terminal: {discrete_input: 0}", "terminal: burner", "points.burner.terminal: a point can't be its own terminal"),
        ("terminal: {discrete_input: 0}", "terminal: {input_register: 3}", "points.burner.terminal: burner_terminal is a number, and burner is off or on"),
        ("  rail:", "  burner_terminal: {device: independent, discrete_input: 3}\n  rail:", "points.burner.terminal: makes the point burner_terminal, which is there already"),
        ("  independent: {host: 192.0.2.20}", "  independent: {host: 192.0.2.20}\n  more: {host: 192.0.2.21}", "points.burner.terminal.device: which independent device sees it?; add device: independent or more"),
        ("  independent: {host: 192.0.2.20}", "  independent: {host: 192.0.2.20, powered_by: supply}", "devices.independent.powered_by: is powered by the supply, and so is controller"),
        ("  independent: {host: 192.0.2.20}", "  independent: {host: 192.0.2.20}\n  supply: {host: 192.0.2.20}", "devices.supply: can't be a device's name"),
        ("  independent: {host: 192.0.2.20}", "  independent: {host: 192.0.2.20, connections: 0}", "devices.independent.connections: 0 is outside 1..16"),
        ("  independent: {host: 192.0.2.20}", "  independent: {host: 192.0.2.20, poll: 0}", "devices.independent.poll: 0 is no time at all"),
        ("  independent: {host: 192.0.2.20}", "  independent: {host: 192.0.2.20, link: serial}", "devices.independent.link: serial is not known here"),
        ("{running: on}", "{runing: on}", "ready.when.runing: unknown point; did you mean running?"),
        ("{running: on}", "{running: 5}", "ready.when.running: 5 for running, which is off or on"),
        ("{running: on}", "{running: {is: on, above: 3}}", "ready.when.running: says more than one thing"),
        ("{running: on}", "{running: {tolerance: 3}}", "ready.when.running: says nothing"),
        ("{running: on}", "{heartbeat: {above: 5, below: 3}}", "ready.when.heartbeat: nothing is above 5 and below 3"),
        ("alive: heartbeat", "alive: rail", "ready.alive: rail is not read from the controller"),
        ("[{rail: off}]", "[{burner: off}]", f"proof_of_cut[0].burner: is read on controller, {DARK}"),
        ("[{rail: off}]", "[{rail: falls}]", "proof_of_cut[0].rail: rail is off or on and never falls"),
        ("[{rail: off}]", "[{contact: off}]", "proof_of_cut[0].contact: can't prove a cut; write contact: lost"),
        ("[{rail: off}]", "[{rail: lost}]", "proof_of_cut[0].rail: can't prove a cut"),
        ("[{rail: off}]", "[]", "proof_of_cut: is empty"),
        ("loads: harmless\n", "loads: harmless\ngroups: {burner: [fan]}\n", "groups.burner: is the name of a point as well"),
        ("loads: harmless\n", "loads: harmless\ngroups: {all: [fan, fan]}\n", "groups.all[1]: fan stands twice"),
        ("loads: harmless\n", "loads: harmless\ngroups: {all: [fun]}\n", "groups.all[0]: fun is no point of the rig; did you mean fan?"),
        ("loads: harmless\n", "loads: harmless\ngroups: {all: []}\n", "groups.all: is empty"),
        ("loads: harmless\n", "loads: harmless\ngroups: {one: [fan], all: [one]}\n", "groups.all[0]: one is a group"),
        ("loads: harmless\n", "loads: harmless\ncheck_channels: {burner: on}\n", f"check_channels.burner: is read on controller, {DARK}"),
        ("loads: harmless\n", "loads: harmless\nonly_while: {running: on}\n", f"only_while.running: is read on controller, {DARK}"),
        ("loads: harmless\n", "loads: harmless\ncheck_pulse: {write: rail, read: rail, length: 20 ms}\n", "check_pulse.write: rail is not writable"),
        ("loads: harmless\n", "loads: harmless\ncheck_pulse: {write: start, read: burner, length: 20 ms}\n", f"check_pulse.read: is read on controller, {DARK}"),
        ("loads: harmless\n", "loads: harmless\ncheck_pulse: {write: start, read: rail}\n", "check_pulse.length: is missing; add it, like length: 20 ms"),
        ("loads: harmless\n", "loads: harmless\nprogram: programme\n", "program: programme is no point of the rig"),
        ("loads: harmless\n", "loads: harmless\nmode: {driver: point}\n", "mode.point: is missing"),
        ("loads: harmless\n", "loads: harmless\nmode: {driver: point, point: rail}\n", "mode.point: rail is not writable"),
        ("loads: harmless\n", "loads: harmless\nmode: {driver: by-hand, point: start}\n", "mode.point: a person changes the mode"),
        ("loads: harmless\n", "loads: harmless\nmode: {driver: point, point: spare_out, switch: S9}\n", "mode.switch: a point changes the mode; delete switch:, or write driver: by-hand"),
        ("loads: harmless\n", "loads: harmless\nsurvey: {press: [rail]}\n", "survey.press[0]: rail is not writable"),
        ("loads: harmless\n", "loads: harmless\nsurvey: {press: [setpoint]}\n", "survey.press[0]: setpoint is a register"),
        ("loads: harmless\n", "loads: harmless\nidentify: {batches: 70000}\n", "identify.batches: 70000 is outside what batches can hold (uint16)"),
    ],
)  # fmt: skip
def test_a_rig_that_contradicts_itself_is_refused(old: str, new: str, says: str) -> None:
    """Each contradiction is told at its place, with a cure."""
    faults = rig_faults(old, new)
    assert any(says in line for line in faults), faults
    assert all("; " in line for line in faults)


def test_power_does_not_come_back_to_a_machine_after_trouble() -> None:
    """`after_trouble: on` is refused for `loads: machine`; with isolation and `off` the rig loads."""
    machine = spoilt(
        RIG, "loads: harmless", "loads: machine\nisolation: {by: me, how: Q1 locked, until: 2026-08-01 16:00}"
    )
    faults = told(lambda: load(rig=spoilt(machine, "  bounce: 1 ms", "  bounce: 1 ms\n  after_trouble: on")))
    assert faults == [
        "rig.yaml:15: supply.after_trouble: on would give a machine its power back after trouble; "
        "write off, or: as it is"
    ]  # fmt: skip
    rig = load_rig_text(spoilt(machine, "  bounce: 1 ms", "  bounce: 1 ms\n  after_trouble: off"))
    assert rig.survey_press == ()


def test_isolation_ends_with_its_day_or_at_its_time() -> None:
    """A date alone means to the end of that day, local time; a zone is kept."""
    assert rig_isolation("2026-08-01").replace(tzinfo=None) == datetime(2026, 8, 1, 23, 59, 59)
    assert rig_isolation("2026-08-01 16:00").replace(tzinfo=None) == datetime(2026, 8, 1, 16)
    assert rig_isolation("2026-08-01T16:00+00:00") == datetime(2026, 8, 1, 16, tzinfo=UTC)


def rig_isolation(until: str) -> datetime:
    """When the isolation of a rig ends that says `until` so."""
    rig = the_rig("loads: harmless", f"loads: harmless\nisolation: {{by: me, how: locked, until: {until}}}")
    assert rig.isolation is not None
    return last_instant(rig.isolation.until)


@pytest.mark.parametrize("name", ["and", "ton", "if", "true", "null", "cycle", "verdict", "ready", "cut", "first_scan", "con", "nul", "contact"])  # fmt: skip
def test_names_that_mean_something_else_are_refused(name: str) -> None:
    """Words of Structured Text, YAML and the archive's columns, marks, `first_scan`, and names of Windows devices."""
    faults = rig_faults("  batches:", f"  {name}:")
    assert len(faults) == 1
    assert f"points.{name}: " in faults[0]


@pytest.mark.parametrize("name", ["Auger", "2nd", "a-b", "a b", "ä", "a" * 33])
def test_names_of_points_are_lower_case_letters_digits_and_underscores(name: str) -> None:
    """`[a-z][a-z0-9_]{0,31}`."""
    assert any("no name for a point" in line for line in rig_faults("  batches:", f"  {name}:"))


def test_names_of_rigs_and_devices_may_have_hyphens() -> None:
    """`grain-dryer-2`; labels take any text in any language."""
    assert the_rig("rig: bench", "rig: grain-dryer-2").name == "grain-dryer-2"
    assert (
        the_rig("  batches: {", '  batches: {label: "Chargen (gesamt): 穀物", ').points["batches"].label
        == "Chargen (gesamt): 穀物"
    )


def test_a_driver_of_others_brings_its_own_keys() -> None:
    """Every kind of key on a card is read as its kind, and refused as its kind."""
    keys = (
        Key("line", "text", "serial port", required=True),
        Key("frame", "bytes", "what is sent"),
        Key("pause", "duration", "between two frames"),
        Key("rate", "choice", "speed", choices=("slow", "fast")),
        Key("echo", "yes or no", "whether it answers"),
        Key("gain", "number", "a factor"),
    )
    card = SupplyCard("pulse-box", "", "x:Y", keys, "", has_contact=False, address_keys=("line",))
    supply = "supply: {driver: pulse-box, line: COM3, frame: '3C 05', pause: 5 ms, rate: fast, echo: no, gain: 1.5}"
    start, end = RIG.index("supply:\n"), RIG.index("points:")

    def rig_with(text: str, folder: Path) -> Rig:
        path = folder / "rig.yaml"
        path.write_text(RIG[:start] + text + "\n" + RIG[end:], encoding="utf-8")
        return load_rig(path, cards={"pulse-box": card}).rig

    with tempfile.TemporaryDirectory() as name:
        rig = rig_with(supply, Path(name))
        assert rig.supply is not None
        assert rig.supply.settings == {
            "line": "COM3", "frame": "3C 05", "pause": 5 * MS, "rate": "fast", "echo": False, "gain": 1.5,
        }  # fmt: skip
        assert rig.supply.address == "pulse-box line=COM3"
        bad = "supply: {driver: pulse-box, frame: xyz, pause: 5, rate: fst, echo: 7, gain: x, contact: normally-open}"
        faults = told(lambda: rig_with(bad, Path(name)))
    assert [line.split(": ", 2)[1] for line in faults] == [
        "supply.frame", "supply.pause", "supply.rate", "supply.echo", "supply.gain", "supply.line", "supply.contact",
    ]  # fmt: skip


# ---------------------------------------------------------------- warnings


def test_a_rig_without_a_life_sign_is_warned_about() -> None:
    """Without `alive` the first good reply counts, and that may be a stale image."""
    suite = load(rig=spoilt(RIG, ", alive: heartbeat", ""))
    assert any(
        "ready.alive: without alive the controller's reads count from its first good reply" in w
        for w in warnings(suite)
    )


def test_an_output_that_the_bench_may_write_is_warned_about() -> None:
    """A writable point that is also an output with a terminal."""
    suite = load(rig=spoilt(RIG, "coil: 0, terminal", "coil: 0, writable: true, terminal"))
    assert any("points.burner.writable: the bench may write this output" in line for line in warnings(suite))


def test_a_button_may_have_a_sense_input_without_a_warning() -> None:
    """A `terminal:` on a button is its sense input."""
    suite = load(
        rig=spoilt(RIG, "writable: true, idle: off}", "writable: true, idle: off, terminal: {discrete_input: 12}}")
    )
    assert warnings(suite) == []
    assert suite.rig.points["start"].terminal == "start_terminal"
    assert suite.rig.judged_point("start") == "start"


def test_the_rig_of_these_tests_draws_no_warning() -> None:
    """So that the warnings above come from what was changed."""
    assert warnings(load()) == []


# ---------------------------------------------------------------- extends


def test_extends_merges_mappings_key_by_key_and_replaces_all_else(tmp_path: Path) -> None:
    """Everything but what differs: a point changed, a point added, a list replaced, each fault in its own file."""
    (tmp_path / "suite").mkdir()
    (tmp_path / "common.yaml").write_text(RIG, encoding="utf-8")
    path = tmp_path / "suite" / "rig.yaml"
    path.write_text(
        "rig: other\nextends: ../common.yaml\npoints:\n  batches: {holding_register: 7}\n"
        "  lamp: {device: controller, coil: 9}\nproof_of_cut: [{uptime: falls}]\n",
        encoding="utf-8",
    )
    suite = load_rig(path, cards=cards())
    assert suite.rig.name == "other"
    assert (suite.rig.points["batches"].address, suite.rig.points["batches"].device) == (7, "controller")
    assert suite.rig.points["lamp"].address == 9
    assert suite.rig.proof_of_cut == (Proof("falls", "uptime"),)
    assert [(file.kind, file.path.name) for file in suite.files] == [("rig", "rig.yaml"), ("rig", "common.yaml")]
    (tmp_path / "common.yaml").write_text(RIG.replace("coil: 1,", "coil: x,"), encoding="utf-8")
    assert [line.split(": ")[0] for line in told(lambda: load_rig(path, cards=cards()))] == ["common.yaml:19"]


def test_another_driver_replaces_the_supply_of_the_file_that_is_extended(tmp_path: Path) -> None:
    """Its keys are its own: none of the other driver's is left over; with the same driver key goes by key."""
    (tmp_path / "common.yaml").write_text(RIG, encoding="utf-8")
    path = tmp_path / "rig.yaml"
    path.write_text('extends: common.yaml\nsupply: {driver: by-hand, switch: "main switch"}\n', encoding="utf-8")
    supply, base = (
        load_rig(path, cards=cards()).rig.supply,
        load_rig(tmp_path / "common.yaml", cards=cards()).rig.supply,
    )
    assert supply is not None and base is not None
    assert supply.driver == "by-hand" and not {"coil", "host"} & set(supply.settings)
    path.write_text("extends: common.yaml\nsupply: {coil: 7}\n", encoding="utf-8")
    changed = load_rig(path, cards=cards()).rig.supply
    assert changed is not None
    assert (changed.driver, changed.settings["coil"]) == (base.driver, 7)


def test_extends_in_a_circle_is_refused(tmp_path: Path) -> None:
    """A file that extends itself by way of another would never end."""
    (tmp_path / "rig.yaml").write_text(f"extends: b.yaml\n{RIG}", encoding="utf-8")
    (tmp_path / "b.yaml").write_text("extends: rig.yaml\n", encoding="utf-8")
    faults = told(lambda: load_rig(tmp_path / "rig.yaml", cards=cards()))
    assert faults == ["b.yaml:1: extends: rig.yaml leads back to this file; break the circle: delete one extends:"]


@pytest.mark.parametrize(
    ("name", "says"),
    [("nothing.yaml", "nothing.yaml is not there"), ("scenario.yaml", "scenario.yaml is a scenario; name a rig file")],
)
def test_extends_names_a_rig_file(tmp_path: Path, name: str, says: str) -> None:
    """What is not there, or is something else, is told at the line of `extends`."""
    (tmp_path / "rig.yaml").write_text(f"{RIG}extends: {name}\n", encoding="utf-8")
    (tmp_path / "scenario.yaml").write_text("scenario: s\n", encoding="utf-8")
    faults = told(lambda: load_rig(tmp_path / "rig.yaml", cards=cards()))
    assert len(faults) == 1
    assert faults[0].startswith("rig.yaml:27: extends: ")
    assert says in faults[0]


def test_a_rig_that_another_extends_is_no_scenario_beside_it(tmp_path: Path) -> None:
    """A base in the same folder is neither a scenario nor a file that nobody reads."""
    (tmp_path / "base.yaml").write_text(RIG.replace("rig: bench\n", ""), encoding="utf-8")
    suite = load(rig="rig: other\nextends: base.yaml\n", base=RIG.replace("rig: bench\n", ""))
    assert suite.rig.name == "other"
    assert len(suite.scenarios) == 1


@pytest.mark.parametrize(
    ("proof", "named"),
    [
        ("[{uptime: falls}]", "uptime tells"),
        ("[{contact: lost}, {uptime: falls}]", "uptime tells"),
        ("[{uptime: falls}, {uptime: rises}]", "uptime tells"),
        ("[{uptime: falls}, {rail: off}]", ""),
    ],
)
def test_a_counter_beside_which_nothing_reads_the_supply_tells_no_more_than_a_new_beginning(
    proof: str, named: str
) -> None:
    """A watchdog restarts a controller whose relay sticks, and the counter says the same."""
    rig = spoilt(RIG, "proof_of_cut: [{rail: off}]", f"proof_of_cut: {proof}")
    lines = [line for line in warnings(load(rig=rig)) if "a watchdog" in line]
    assert bool(lines) is bool(named)
    assert all(f"{named} that the program began anew, no more" in line and "rail: off" in line for line in lines)


@pytest.mark.parametrize(
    ("proof", "warned"),
    [
        ("[{contact: lost}]", True),
        ("[{contact: lost}, {uptime: falls}]", False),
        ("[{contact: lost}, {rail: off}]", False),
    ],
)
def test_a_lost_connection_as_the_only_proof_is_told(proof: str, warned: bool) -> None:
    """A network that drops looks the same; the cure is named."""
    rig = spoilt(RIG, "proof_of_cut: [{rail: off}]", f"proof_of_cut: {proof}")
    lines = [line for line in warnings(load(rig=rig)) if "a network that drops loses contact as well" in line]
    assert bool(lines) is warned
    assert all("rail: off" in line and "boots: rises" in line for line in lines)
