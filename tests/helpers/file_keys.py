"""One row for every key that people write: where it stands, what it is read into, and how it is misused.

The base files hold every name that the examples of the models use, so that each example can be put in its place.
"""

# ruff: noqa: E501 - a row is read in one piece

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic.fields import FieldInfo

from restart_bench.files.validation import Written
from restart_bench.model.program import (
    Bistable,
    Coil,
    Counter,
    Edge,
    Input,
    Memory,
    Program,
    Reset,
    RideThrough,
    Set,
    Timer,
)
from restart_bench.model.rig import CheckPulse, Isolation, Levels, Mode, PointLimits, Proof, Ready, Rig, Wanted
from restart_bench.model.scenario import (
    Ask,
    At,
    ByEye,
    Case,
    Expectation,
    Hold,
    Level,
    Press,
    Release,
    Scenario,
    Wait,
    Window,
    Write,
)
from restart_bench.suite.program_schema import ProgramIn
from restart_bench.suite.rig_schema import RigIn
from restart_bench.suite.scenario_schema import ScenarioIn

MS = 1_000_000
S = 1_000_000_000
MODELS: dict[str, type[Written]] = {"rig": RigIn, "scenario": ScenarioIn, "program": ProgramIn}

RIG = """\
rig: dryer
loads: harmless
devices:
  controller: {host: 192.0.2.10, powered_by: supply}
  independent: {host: 192.0.2.20}
supply: {driver: modbus-coil, host: 192.0.2.30, coil: 0, contact: normally-open, operate: 2 ms, release: 2 ms, bounce: 0 ms}
points:
  start_button: {device: independent, coil: 0, writable: yes, idle: off}
  stop_button: {device: independent, coil: 1, writable: yes, idle: on}
  run_switch: {device: independent, coil: 2, writable: yes, idle: on}
  spare_out: {device: independent, coil: 3, writable: yes, idle: off}
  reset_button: {device: controller, discrete_input: 7, by_hand: S3, idle: off}
  auger: {device: controller, coil: 0, terminal: {discrete_input: 0}}
  burner: {device: controller, coil: 1, terminal: {discrete_input: 1}}
  fan: {device: controller, coil: 2, terminal: {discrete_input: 2}}
  batch_count: {device: controller, holding_register: 0}
  moisture_setpoint: {device: controller, holding_register: 1, writable: yes, scale: 0.1}
  heartbeat: {device: controller, input_register: 0}
  uptime: {device: controller, input_register: 1, type: uint32}
  program_id: {device: controller, input_register: 3}
  device_code: {device: controller, input_register: 4}
  stage: {device: controller, input_register: 5}
  running: {device: controller, discrete_input: 0}
  rail: {device: independent, discrete_input: 8}
  always_on: {device: independent, discrete_input: 9}
  guard_closed: {device: independent, discrete_input: 10}
  spare_in: {device: independent, discrete_input: 11}
  current: {device: independent, input_register: 0}
groups: {stays_off: [auger, burner]}
ready: {when: {running: on}, alive: heartbeat}
proof_of_cut: [{rail: off}]
"""

SCENARIO = """\
scenario: burner-stays-shut
cut: {off_for: 3 s}
after: {expect: {burner: off}}
"""

PROGRAM = """\
program: dryer
inputs:
  start_button: {role: command}
  stop_button: {role: command, rest: on}
  reset_button: {role: sensor}
  hopper_full: {role: sensor}
rungs: []
"""
BASES = {"rig": RIG, "scenario": SCENARIO, "program": PROGRAM}
RUNGS = "[{rising: start_edge, when: start_button}, {coil: fan, when: start_button}]"
SCPI = "{driver: scpi-supply, host: 192.0.2.40, nominal: 24 V}"

Read = Rig | Scenario | Program
Spoilt = tuple[str, str]


@dataclass(frozen=True)
class Row:
    """A key: its place in the file, text that is right there, what that is read into, texts that are wrong there
    with what is said of each. `beside`: what else the file says; `rig`: what else the rig says."""

    path: str
    right: str
    value: Callable[[Any], Any]
    read: Any
    wrong: tuple[Spoilt, ...]
    beside: Mapping[str, str]
    rig: Mapping[str, str]


def row(path: str, right: str, value: Callable[[Any], Any], read: Any, *wrong: Spoilt,
        beside: Mapping[str, str] | None = None, rig: Mapping[str, str] | None = None) -> Row:  # fmt: skip
    """One row of a table."""
    return Row(path, right, value, read, wrong, beside or {}, rig or {})


def keys_of_all_files() -> dict[str, FieldInfo]:
    """Every key of every file by `Model.key`, found in the models themselves."""
    return {name: info for model in MODELS.values() for name, info in _keys(model, set())}


def _keys(model: type[Written], seen: set[type[Written]]) -> Iterator[tuple[str, FieldInfo]]:
    if model in seen:
        return
    seen.add(model)
    for name, info in model.model_fields.items():
        yield f"{model.__name__.removesuffix('In')}.{info.alias or name}", info
        for inner in _models_in(info.annotation):
            yield from _keys(inner, seen)


def _models_in(annotation: Any) -> Iterator[type[Written]]:
    if isinstance(annotation, type) and issubclass(annotation, Written):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


DARK = "which goes dark with the supply"
UNIT = ("3", "3 has no unit; write 3 s if seconds are meant")
UNIT_MS = ("3", "3 has no unit; write 3 ms, or 3 s if seconds are meant")
NO_TIME = ("0 s", "0 is no time at all; write a duration above 0")
COMMA = ("1,5 s", "1,5 s is not a duration; write a decimal point: 1.5 s")
LONG = ("5 min s", "5 min s is not a duration; write it like 3 s, 200 ms or 1 min 30 s")
NEITHER = ("maybe", "maybe is neither on nor off; write on or off")
ITEM = ("40001", "40001 looks like an item number; addresses count from 0")
NO_TEXT = ("''", "there is no text; write some, or delete the line")
AUGER = {"points.auger.terminal": "terminal"}


def device(name: str) -> Callable[[Rig], Any]:
    return lambda rig: rig.devices[name]


def point(name: str) -> Callable[[Rig], Any]:
    return lambda rig: rig.points[name]


def place(name: str) -> Callable[[Rig], Any]:
    return lambda rig: (rig.points[name].table, rig.points[name].address)


def of(get: Callable[[Any], Any], name: str) -> Callable[[Any], Any]:
    return lambda read: getattr(get(read), name)


def supply(name: str) -> Callable[[Rig], Any]:
    return lambda rig: getattr(rig.supply, name)


def limit(name: str) -> Callable[[Rig], Any]:
    return lambda rig: getattr(rig.supply.limits, name)  # type: ignore[union-attr]


def default(name: str) -> Callable[[Rig], Any]:
    return lambda rig: getattr(rig.defaults, name)


def when(rig: Rig) -> Any:
    return rig.ready.when[0][1]


INDEPENDENT = device("independent")
IN_A_TERMINAL = {"points.batch_count.terminal": "{input_register: 9}"}
TWO_IN_A_TERMINAL = {"points.batch_count.terminal": "{input_register: 9, type: int32}"}
COIL = {"points.rail": "{device: independent, coil: 9}"}
HOLDING = {"points.current": "{device: independent, holding_register: 9}"}
PULSE = {"check_pulse": "{write: spare_out, read: spare_in, length: 20 ms}"}
MODE = {"mode": "{driver: point, point: run_switch}"}
ISOLATION = {"isolation": "{by: me, how: locked, until: 2099-01-01}"}

RIG_ROWS: dict[str, Row] = {
    "Rig.rig": row("rig", "dryer-2", lambda r: r.name, "dryer-2",
        ("Dryer 2", "Dryer 2 is no name for a rig, scenario or device: a to z first, then a to z, 0 to 9, _ and -, 32 characters at most; write dryer_2"),
        ("nul", "nul can't be a name: it is a name that Windows keeps for itself")),
    "Rig.loads": row("loads", "machine", lambda r: r.loads, "machine", ("harmles", "harmles is not known here; did you mean harmless?"),
        beside={**ISOLATION, "supply.after_trouble": "off"}),
    "Rig.devices": row("devices", "{controller: {host: 192.0.2.10, powered_by: supply}, independent: {host: 192.0.2.21}}", lambda r: [d.host for d in r.devices.values()], ["192.0.2.10", "192.0.2.21"],
        ("192.0.2.10", "192.0.2.10 stands where a mapping is due; write it like {controller: {host: 192.0.2.10, powered_by: supply}}")),
    "Device.host": row("devices.independent.host", "::1", of(INDEPENDENT, "host"), "::1",
        ("dryer.local", "dryer.local is not an IP address; write the address in numbers"), ("192.0.2.1:502", "write host: 192.0.2.1 and port: 502")),
    "Device.link": row("devices.independent.link", "modbus-tcp", lambda r: "independent" in r.devices, True,
        ("modbus-rtu", "modbus-rtu is not known here; did you mean modbus-tcp?")),
    "Device.port": row("devices.independent.port", "1502", of(INDEPENDENT, "port"), 1502, ("70000", "70000 is outside 1..65535"), ("'502'", "write it without quotes")),
    "Device.unit": row("devices.independent.unit", "255", of(INDEPENDENT, "unit"), 255, ("256", "256 is outside 0..255; write a whole number from 0 to 255")),
    "Device.poll": row("devices.independent.poll", "2500 us", of(INDEPENDENT, "poll_ns"), 2_500_000, UNIT_MS, NO_TIME, ("10 Hz", "10 Hz is not a duration")),
    "Device.answer_within": row("devices.independent.answer_within", "1 s", of(INDEPENDENT, "answer_within_ns"), S, UNIT_MS, NO_TIME),
    "Device.input_delay": row("devices.independent.input_delay", "0", of(INDEPENDENT, "input_delay_ns"), 0, UNIT_MS, ("-1 ms", "-1 ms is not a duration; leave out the minus: 1 ms")),
    "Device.image_lag": row("devices.independent.image_lag", "5 ms", of(INDEPENDENT, "image_lag_ns"), 5 * MS, UNIT_MS),
    "Device.connections": row("devices.independent.connections", "1", of(INDEPENDENT, "connections"), 1, ("17", "17 is outside 1..16"), ("1.5", "1.5 is not a whole number; write it without decimals")),
    "Device.max_bits": row("devices.independent.max_bits", "16", of(INDEPENDENT, "max_bits"), 16, ("2001", "2001 is outside 1..2000")),
    "Device.max_registers": row("devices.independent.max_registers", "8", of(INDEPENDENT, "max_registers"), 8, ("126", "126 is outside 1..125")),
    "Device.powered_by": row("devices.controller.powered_by", "supply", of(device("controller"), "powered_by_supply"), True,
        ("mains", "mains is not known here; write one of: supply")),
    "Rig.points": row("points.lamp", "{device: controller, coil: 9}", place("lamp"), ("coil", 9),
        ("9", "9 stands where a mapping is due; write it like"), ("{device: controller}", "has no address; write one of coil:")),
    "Point.coil": row("points.rail.coil", "0x10", place("rail"), ("coil", 16), ITEM, ("-1", "-1 is outside 0..65535; write an address from 0 to 65535"), beside=COIL),
    "Point.discrete_input": row("points.rail.discrete_input", "17", place("rail"), ("discrete_input", 17), ("012", "012 is read as 10 by YAML; write 12")),
    "Point.input_register": row("points.current.input_register", "18", place("current"), ("input_register", 18), ("300019", "write input_register: 18")),
    "Point.holding_register": row("points.current.holding_register", "19", place("current"), ("holding_register", 19), ("x", "x is not an address"), beside=HOLDING),
    "Point.device": row("points.current.device", "controller", of(point("current"), "device"), "controller", ("independant", "independant is no device of the rig; did you mean independent?")),
    "Point.type": row("points.current.type", "float32", of(point("current"), "type"), "float32", ("int8", "int8 is not known here; did you mean int"), ("bool", "bool is no type of a register")),
    "Point.words": row("points.current.words", "little", of(point("current"), "words"), "little", ("middle", "middle is not known here; write one of: big, little"), beside={"points.current.type": "int32"}),
    "Point.scale": row("points.current.scale", "0.25", of(point("current"), "scale"), 0.25, ("0", "0 makes every value 0"), ("0,1", "write a decimal point: 0.1"), ("10 %", "10 % is not a number")),
    "Point.unit": row("points.current.unit", "°C", of(point("current"), "unit"), "°C", NO_TEXT),
    "Point.levels": row("points.current.levels", "{off_below: 5, on_above: 15}", of(point("current"), "levels"), Levels(5, 15), ("5", "5 stands where a mapping is due; write it like {off_below: 5, on_above: 15}")),
    "Levels.off_below": row("points.current.levels.off_below", "0x10", lambda r: r.points["current"].levels.off_below, 16, ("off", "off is off or on where a number is due"), beside={"points.current.levels": "{off_below: 1, on_above: 90}"}),
    "Levels.on_above": row("points.current.levels.on_above", "14.5", lambda r: r.points["current"].levels.on_above, 14.5, ("15 mA", "15 mA is not a number"), beside={"points.current.levels": "{off_below: 1, on_above: 90}"}),
    "Point.label": row("points.current.label", "'Strom: 穀物'", of(point("current"), "label"), "Strom: 穀物", NO_TEXT),
    "Point.proven": row("points.current.proven", "lamp test 2026-07-20", of(point("current"), "proven"), "lamp test 2026-07-20", NO_TEXT),
    "Point.writable": row("points.spare_out.writable", "Yes", of(point("spare_out"), "writable"), True, NEITHER, ("1", "1 is neither on nor off; write on")),
    "Point.idle": row("points.spare_out.idle", "ON", of(point("spare_out"), "idle"), True, ("7", "7 for spare_out, which is off or on"), ("released", "released is not on, off or a number")),
    "Point.by_hand": row("points.reset_button.by_hand", "green button S1", of(point("reset_button"), "by_hand"), "green button S1", NO_TEXT),
    "Point.terminal": row("points.auger.terminal", "rail", of(point("auger"), "terminal"), "rail", ("rial", "rial is no point of the rig; did you mean rail?"), ("running", f"is read on controller, {DARK}")),
    "Terminal.coil": row("points.auger.terminal.coil", "17", place("auger_terminal"), ("coil", 17), ITEM, beside={"points.auger.terminal": "{coil: 3}"}),
    "Terminal.discrete_input": row("points.auger.terminal.discrete_input", "17", place("auger_terminal"), ("discrete_input", 17), ("65536", "65536 is outside 0..65535")),
    "Terminal.input_register": row("points.batch_count.terminal.input_register", "17", place("batch_count_terminal"), ("input_register", 17), ("3.5", "3.5 is not an address; write it without decimals"), beside=IN_A_TERMINAL),
    "Terminal.holding_register": row("points.batch_count.terminal.holding_register", "17", place("batch_count_terminal"), ("holding_register", 17), ITEM, beside={"points.batch_count.terminal": "{holding_register: 9}"}),
    "Terminal.device": row("points.auger.terminal.device", "independent", of(point("auger_terminal"), "device"), "independent", ("independant", "independant is no device of the rig; did you mean independent?")),
    "Terminal.type": row("points.batch_count.terminal.type", "int16", of(point("batch_count_terminal"), "type"), "int16", ("word", "word is not known here"), beside=IN_A_TERMINAL),
    "Terminal.words": row("points.batch_count.terminal.words", "little", of(point("batch_count_terminal"), "words"), "little", ("low", "low is not known here"), beside=TWO_IN_A_TERMINAL),
    "Terminal.scale": row("points.batch_count.terminal.scale", "2", of(point("batch_count_terminal"), "scale"), 2, ("0", "0 makes every value 0"), beside=IN_A_TERMINAL),
    "Terminal.unit": row("points.batch_count.terminal.unit", "kg", of(point("batch_count_terminal"), "unit"), "kg", NO_TEXT, beside=IN_A_TERMINAL),
    "Terminal.levels": row("points.auger.terminal.levels", "{off_below: 1, on_above: 2}", of(point("auger_terminal"), "levels"), Levels(1, 2), ("{off_below: 2, on_above: 1}", "off_below is not below on_above"), beside={"points.auger.terminal": "{input_register: 9}"}),
    "Terminal.label": row("points.auger.terminal.label", "M1", of(point("auger_terminal"), "label"), "M1", NO_TEXT),
    "Terminal.proven": row("points.auger.terminal.proven", "by lamp", of(point("auger_terminal"), "proven"), "by lamp", NO_TEXT),
    "Point.limits": row("points.fan.limits", "{off_at_least: 60 s}", of(point("fan"), "limits"), PointLimits(None, 60 * S), ("60 s", "60 s stands where a mapping is due")),
    "PointLimits.starts_per_hour": row("points.fan.limits.starts_per_hour", "6", lambda r: r.points["fan"].limits.starts_per_hour, 6, ("0", "0 is outside 1..1000000000"), ("10 / h", "10 / h is not a number")),
    "PointLimits.off_at_least": row("points.fan.limits.off_at_least", "1 min", lambda r: r.points["fan"].limits.off_at_least_ns, 60 * S, UNIT),
    "Rig.extends": row("extends", "base.yaml", lambda r: r.points["from_base"].address, 99, ("nowhere.yaml", "nowhere.yaml is not there; write its path as seen from this file")),
    "Rig.supply": row("supply", "{driver: by-hand, switch: Q1}", lambda r: (r.supply.driver, r.supply.settings), ("by-hand", {"switch": "Q1"}), ("modbus-coil", "modbus-coil stands where a mapping is due")),
    "Supply.driver": row("supply.driver", "modbus-coil", supply("driver"), "modbus-coil", ("modbus-coyl", "modbus-coyl is no supply driver; did you mean modbus-coil?")),
    "Supply.contact": row("supply.contact", "normally-closed", supply("contact"), "normally-closed", ("NO", "NO is not known here; write one of: normally-open, normally-closed"), ("normally open", "did you mean normally-open?")),
    "Supply.operate": row("supply.operate", "10 ms", supply("operate_ns"), 10 * MS, UNIT_MS),
    "Supply.release": row("supply.release", "5 ms", supply("release_ns"), 5 * MS, ("fast", "fast is not a duration")),
    "Supply.bounce": row("supply.bounce", "1.5 ms", supply("bounce_ns"), 1_500_000, COMMA),
    "Supply.at_end": row("supply.at_end", "as it is", supply("at_end"), "as it is", ("as it was", "as it was is not known here; did you mean as it is?")),
    "Supply.after_trouble": row("supply.after_trouble", "OFF", supply("after_trouble"), "off", ("safe", "safe is not known here; write one of: on, off, as it is")),
    "Supply.fallback": row("supply.fallback", "off after 5 s", supply("fallback"), "off after 5 s", NO_TEXT),
    "Supply.limits": row("supply.limits", "{on_at_least: 5 s}", limit("on_at_least_ns"), 5 * S, ("2 s", "2 s stands where a mapping is due")),
    "SupplyLimits.dips_up_to": row("supply.limits.dips_up_to", "50 ms", limit("dips_up_to_ns"), 50 * MS, NO_TIME, ("2 s", "is not shorter than off_at_least, so every off time is allowed")),
    "SupplyLimits.off_at_least": row("supply.limits.off_at_least", "3 s", limit("off_at_least_ns"), 3 * S, UNIT),
    "SupplyLimits.on_at_least": row("supply.limits.on_at_least", "0", limit("on_at_least_ns"), 0, ("1:30", "1:30 is read as 90 by YAML; write 1 min 30 s")),
    "SupplyLimits.cuts_per_hour": row("supply.limits.cuts_per_hour", "120", limit("cuts_per_hour"), 120, ("0", "allows no cut at all; write a number above 0"), ("120/h", "120/h is not a number")),
    "SupplyLimits.operations": row("supply.limits.operations", "100_000", limit("operations"), 100_000, ("1e5.", "1e5. is not a number"), ("0", "0 is outside 1..1000000000")),
    "Supply.nominal": row("supply.nominal", "24 V", supply("nominal_volts"), 24.0, ("24", "24 is not a voltage; write it like 24 V"), ("0 V", "0 V is no voltage")),
    "Rig.groups": row("groups.motors", "[fan, auger]", lambda r: r.groups["motors"], ("fan", "auger"), ("[fan, fun]", "fun is no point of the rig; did you mean fan?"), ("fan", "fan stands where a list is due")),
    "Rig.defaults": row("defaults", "{watch: 3 s}", default("watch_ns"), 3 * S, ("3 s", "3 s stands where a mapping is due; write it like {settle: 500 ms, watch: 10 s}")),
    "Defaults.settle": row("defaults.settle", "1 s", default("settle_ns"), S, UNIT_MS),
    "Defaults.watch": row("defaults.watch", "3 s", default("watch_ns"), 3 * S, NO_TIME),
    "Defaults.longer_than": row("defaults.longer_than", "5 ms", default("longer_than_ns"), 5 * MS, NO_TIME),
    "Defaults.repeat": row("defaults.repeat", "5", default("repeat"), 5, ("0", "0 is outside 1..1000000000"), ("often", "often is not a number")),
    "Rig.ready": row("ready", "{when: {running: on}, within: 5 s}", lambda r: r.ready, Ready((("running", Wanted(equals=True)),), within_ns=5 * S), ("running", "running stands where a mapping is due")),
    "Ready.when": row("ready.when", "{stays_off: off}", lambda r: [name for name, _ in r.ready.when], ["auger", "burner"], ("{runing: on}", "unknown point; did you mean running?"), ("running", "running stands where a mapping is due")),
    "Test.is": row("ready.when.running.is", "no", when, Wanted(equals=False), ("5", "5 for running, which is off or on"), beside={"ready.when": "{running: {is: on}}"}),
    "Test.one_of": row("ready.when.stage.one_of", "[0, 3]", when, Wanted(one_of=(0, 3)), ("3", "3 stands where a list is due; write it like [0, 3]"), ("[on]", "on for stage, which holds a number"), beside={"ready.when": "{stage: {one_of: [1]}}"}),
    "Test.above": row("ready.when.stage.above", "2", when, Wanted(above=2), ("on", "on is off or on where a number is due"), beside={"ready.when": "{stage: {above: 1}}"}),
    "Test.below": row("ready.when.stage.below", "5", when, Wanted(below=5), ("5 V", "5 V is not a number"), beside={"ready.when": "{stage: {below: 1}}"}),
    "Test.tolerance": row("ready.when.stage.tolerance", "1", when, Wanted(equals=5, tolerance=1), ("-1", "has nothing to be near to; write it beside a number, 0 or above"), beside={"ready.when": "{stage: {is: 5}}"}),
    "Ready.steady": row("ready.steady", "1 s", lambda r: r.ready.steady_ns, S, UNIT),
    "Ready.alive": row("ready.alive", "uptime", lambda r: r.ready.alive, "uptime", ("heartbeet", "heartbeet is no point of the rig; did you mean heartbeat?"), ("rail", "rail is not read from the controller")),
    "Ready.within": row("ready.within", "2 min", lambda r: r.ready.within_ns, 120 * S, NO_TIME),
    "Rig.proof_of_cut": row("proof_of_cut", "[{rail: off}, {uptime: falls}, {contact: lost}]", lambda r: r.proof_of_cut, (Proof("value", "rail", Wanted(equals=False)), Proof("falls", "uptime"), Proof("contact lost")),
        ("[{burner: off}]", f"is read on controller, {DARK} and can't prove that it is off".replace("which goes", "which goes")), ("[{rail: falls}]", "rail is off or on and never falls; name a register that counts"), ("{rail: off}", "a mapping stands where a list is due; write it like [{rail: off}]")),
    "Rig.check_channels": row("check_channels", "{always_on: on}", lambda r: r.check_channels, (("always_on", Wanted(equals=True)),), ("{always: on}", "unknown point; did you mean always_on?"), ("{running: on}", f"is read on controller, {DARK}")),
    "Rig.check_pulse": row("check_pulse", "{write: spare_out, read: spare_in, length: 20 ms}", lambda r: r.check_pulse, CheckPulse("spare_out", "spare_in", 20 * MS), ("20 ms", "20 ms stands where a mapping is due")),
    "Pulse.write": row("check_pulse.write", "spare_out", lambda r: r.check_pulse.write, "spare_out", ("rail", "rail is not writable; add writable: yes to the point"), beside=PULSE),
    "Pulse.read": row("check_pulse.read", "rail", lambda r: r.check_pulse.read, "rail", ("fan", f"is read on controller, {DARK}"), ("current", "current is not off or on"), beside=PULSE),
    "Pulse.length": row("check_pulse.length", "5 ms", lambda r: r.check_pulse.length_ns, 5 * MS, UNIT_MS, NO_TIME, beside=PULSE),
    "Rig.only_while": row("only_while", "{guard_closed: on}", lambda r: r.only_while, (("guard_closed", Wanted(equals=True)),), ("{fan: off}", f"is read on controller, {DARK}"), ("guard_closed", "guard_closed stands where a mapping is due")),
    "Rig.identify": row("identify", "{device_code: 4711}", lambda r: r.identify, (("device_code", Wanted(equals=4711)),), ("{device_code: 70000}", "70000 is outside what device_code can hold (uint16)")),
    "Rig.program": row("program", "[program_id, device_code]", lambda r: r.program, ("program_id", "device_code"), ("programme", "programme is no point of the rig; did you mean program_id?")),
    "Rig.mode": row("mode", "{driver: by-hand, proof: [{running: off}]}", lambda r: r.mode, Mode("by-hand", proof=(("running", Wanted(equals=False)),)), ("by-hand", "by-hand stands where a mapping is due")),
    "Mode.driver": row("mode.driver", "point", lambda r: r.mode.driver, "point", ("button", "button is not known here; write one of: point, by-hand"), beside=MODE),
    "Mode.point": row("mode.point", "spare_out", lambda r: r.mode.point, "spare_out", ("rail", "rail is not writable; add writable: yes"), beside=MODE),
    "Mode.run": row("mode.run", "off", lambda r: r.mode.run, False, ("2", "2 for run_switch, which is off or on"), beside=MODE),
    "Mode.proof": row("mode.proof", "[{running: off}]", lambda r: r.mode.proof, (("running", Wanted(equals=False)),), ("[{runing: off}]", "unknown point; did you mean running?"), beside=MODE),
    "Mode.switch": row("mode.switch", "key switch S9", lambda r: r.mode.switch, "key switch S9", ("{label: S9}", "a mapping stands where text is due"), beside={"mode": "{driver: by-hand}"}),
    "Rig.survey": row("survey", "{press: [start_button]}", lambda r: r.survey_press, ("start_button",), ("start_button", "start_button stands where a mapping is due; write it like {press: [start_button]}")),
    "Survey.press": row("survey.press", "[stop_button, reset_button]", lambda r: r.survey_press, ("stop_button", "reset_button"), ("[rail]", "rail is not writable; add writable: yes and idle: to the point"), beside={"survey": "{press: [start_button]}"}),
    "Rig.isolation": row("isolation", "{by: me, how: locked, until: 2099-01-01}", lambda r: r.isolation, Isolation("me", "locked", "2099-01-01"), ("locked", "locked stands where a mapping is due")),
    "Isolation.by": row("isolation.by", "M. Jensen", lambda r: r.isolation.by, "M. Jensen", NO_TEXT, beside=ISOLATION),
    "Isolation.how": row("isolation.how", "Q1, locked out", lambda r: r.isolation.how, "Q1, locked out", NO_TEXT, beside=ISOLATION),
    "Isolation.until": row("isolation.until", "2099-01-01 16:00", lambda r: r.isolation.until, "2099-01-01 16:00", ("31.12.2099", "31.12.2099 is no date; write year-month-day"), ("2099-13-45", "2099-13-45 is no date"), beside=ISOLATION),
    "Rig.record": row("record", "{order: 4711, since: 2026-08-01, who: [a, b]}", lambda r: r.record, {"order": 4711, "since": "2026-08-01", "who": ["a", "b"]}, ("workshop", "workshop stands where a mapping is due")),
    "Rig.simulation": row("simulation", "program.yaml", lambda r: r.simulation, "program.yaml", ("[program.yaml]", "a list stands where text is due; write text alone, without brackets")),
}  # fmt: skip


# ---------------------------------------------------------------- rows of a scenario file


def step(number: int = 0) -> Callable[[Scenario], Any]:
    return lambda scenario: scenario.before[number].action


def one_case(scenario: Scenario) -> Case:
    return scenario.cases[0]


def after(scenario: Scenario) -> Expectation:
    return scenario.after[-1]


def wanted(scenario: Scenario) -> Wanted:
    return scenario.after[-1].wanted


def expecting(
    key: str, name: str, right: str, value: Callable[[Any], Any], read: Any, *wrong: Spoilt, beside: str = ""
) -> Row:
    """A key of a written-out expectation on a point; `beside`: the keys that stand there with it."""
    path = f"after.expect.{name}"
    return row(f"{path}.{key}", right, value, read, *wrong, beside={path: f"{{{beside}}}"} if beside else None)


PRESS = {"before": "[{press: start_button}]"}
EXPECT = {"before": "[{expect: {burner: on}}]"}
GAP = {"after.gaps": "[{first: fan, then: auger, at_least: 5 s}]"}
SHOWN = {"demonstrate": "{reliability: 95 %, confidence: 95 %}"}
READY = {"after.times": "{ready: {within: 10 s}}"}

SCENARIO_ROWS: dict[str, Row] = {
    "Scenario.scenario": row("scenario", "stays-shut", lambda s: s.name, "stays-shut", ("Stays shut", "Stays shut is no name for a rig, scenario or device"), ("a/b", "write a_b")),
    "Scenario.purpose": row("purpose", "Stays shut, always.", lambda s: s.purpose, "Stays shut, always.", NO_TEXT),
    "Scenario.before": row("before", "[{wait: 1 s}, {press: start_button}]", lambda s: [one.action for one in s.before], [Wait(S), Press("start_button")],
        ("{wait: 1 s}", "a mapping stands where a list is due"), ("[wait]", "no step is named here; begin the entry with one of press:, hold:")),
    "Press.press": row("before[0].press", "reset_button", step(), Press("reset_button"), ("burner", "burner is not writable"), ("moisture_setpoint", "moisture_setpoint is a register"), ("strat", "strat is no point of the rig"), beside=PRESS),
    "Press.for": row("before[0].for", "1 s", step(), Press("start_button", S), UNIT_MS, NO_TIME, beside=PRESS),
    "Hold.hold": row("before[0].hold", "start_button", step(), Hold("start_button"), ("rail", "rail is not writable"), beside={"before": "[{hold: stop_button}]"}),
    "Release.release": row("before[1].release", "start_button", step(1), Release("start_button"), ("stop_button", "stop_button is not held; hold it first, or delete this step"), beside={"before": "[{hold: start_button}, {release: start_button}]"}),
    "Write.write": row("before[0].write", "{moisture_setpoint: 14.5, run_bits: on}", step(), Write((("moisture_setpoint", 14.5), ("spare_out", True))), ("{batch_count: 3}", "is not writable; add writable: yes to the point batch_count"), ("{moisture_setpoint: 14.57}", "14.57 lies between two steps of moisture_setpoint (0.1 each); write 14.6"), ("14.5", "14.5 stands where a mapping is due"), beside={"before": "[{write: {spare_out: on}}]"}, rig={"groups.run_bits": "[spare_out]"}),
    "Expect.expect": row("before[0].expect", "{stays_off: off}", lambda s: s.before[0].action.judged, ("auger_terminal", "burner_terminal"), ("{bruner: on}", "unknown point; did you mean burner?"), ("burner", "burner stands where a mapping is due"), beside=EXPECT),
    "Expect.within": row("before[0].within", "10 s", lambda s: s.before[0].action.within_ns, 10 * S, UNIT, beside=EXPECT),
    "Expect.steady": row("before[0].steady", "500 ms", lambda s: s.before[0].action.steady_ns, 500 * MS, UNIT, beside=EXPECT),
    "Wait.wait": row("before[0].wait", "1 min 30 s", step(), Wait(90 * S), UNIT, ("a moment", "a moment is not a duration"), beside={"before": "[{wait: 1 s}]"}),
    "Ask.ask": row("before[0].ask", "Load the hopper, please", step(), Ask("Load the hopper, please"), NO_TEXT, beside={"before": "[{ask: x}]"}),
    "ByEye.by_eye": row("before[0].by_eye", "{lamp: on, dial: 7}", step(), ByEye((("lamp", True), ("dial", 7))), ("{}", "is empty; name what the person should see, like {lamp: on}"), ("{lamp: bright}", "bright is not on, off or a number"), beside={"before": "[{by_eye: {lamp: off}}]"}),
    "Scenario.cut": row("cut", "{off_for: 4 s}", one_case, Case("", 4 * S), ("3 s", "3 s stands where a mapping is due; write it like {how: supply, off_for: 3 s}")),
    "Cut.how": row("cut.how", "mode", lambda s: s.how, "mode", ("power", "power is not known here; write one of: supply, mode"), rig=MODE),
    "Cut.off_for": row("cut.off_for", "[2 s, 3 s..5 s in 3 values]", lambda s: [one.off_for_ns for one in s.cases], [2 * S, 3 * S, 4 * S, 5 * S], UNIT, ("3 s, 4 s", "write a list in brackets: [3 s, 4 s]"), ("{search: 5 ms}", "5 ms is no range; write the shortest and the longest, like 5 ms..200 ms"), ("{search: 3 s..5 s, within: 1 s}", "within means nothing in a search; beside search: stand to_within:"), ("{durations: iec-61000-4-29}", "this rig can do nothing of iec-61000-4-29"), ("{durations: namur}", "namur is no list of standard durations; write one of: namur-ne-21"), ("1 s", "1 s is shorter than the supply's off_at_least")),
    "Cut.at": row("cut.at", "[0, 1 s, random 0 s..200 ms]", lambda s: [one.at for one in s.cases], [At(0, 0), At(S, S), At(0, 200 * MS)], ("random", "is not a range; write both ends with two dots"), ("random 2 s..1 s", "2 s..1 s runs backwards; write the smaller end first")),
    "Cut.level": row("cut.level", "[40 %, 9.6 V]", lambda s: [one.level for one in s.cases], [Level(fraction=0.4, text="40 %"), Level(volts=9.6, text="9.6 V")], ("40", "40 is not a voltage"), ("140 %", "140 % is above 100 %; write a percentage from 0 % to 100 %"), rig={"supply": SCPI}),
    "Scenario.during": row("during", "[{expect: {burner: off}}]", lambda s: [(one.point, one.judged, one.wanted) for one in s.during], [("burner", "burner_terminal", Wanted(equals=False))], ("[{press: start_button}]", "press can't be done while the supply is off; write expect: here, and steps in before:"), ("{expect: {burner: off}}", "a mapping stands where a list is due")),
    "DuringStep.expect": row("during[0].expect", "{rail: off}", lambda s: s.during[0].judged, "rail", ("{running: off}", "is read from the controller, which is dark now"), ("rail", "rail stands where a mapping is due"), beside={"during": "[{expect: {burner: off}}]"}),
    "Scenario.after": row("after", "{expect: {fan: on}}", lambda s: (after(s).point, after(s).kind), ("fan", "is"), ("off", "off stands where a mapping is due; write it like {expect: {burner: off}}")),
    "After.restart": row("after.restart", "either", lambda s: s.restart, "either", ("no", "no is not known here; did you mean none?")),
    "After.settle": row("after.settle", "1 s", lambda s: s.settle_ns, S, UNIT_MS),
    "After.watch": row("after.watch", "1 min", lambda s: s.watch_ns, 60 * S, NO_TIME),
    "After.times": row("after.times", "{good: {within: 3 s}}", lambda s: (s.times[0].mark, s.times[0].window), ("good", Window(0, 3 * S)), ("{redy: {within: 3 s}}", "is no mark that can be timed; did you mean ready?"), ("{ready: 3 s}", "3 s stands where a mapping is due")),
    "MarkLimit.within": row("after.times.ready.within", "2 s", lambda s: s.times[0].window, Window(0, 2 * S), UNIT, NO_TIME, beside=READY),
    "MarkLimit.between": row("after.times.ready.between", "[1 s, 2 s]", lambda s: s.times[0].window, Window(S, 2 * S), ("[2 s, 1 s]", "the window runs backwards; write the earlier time first"), beside={"after.times": "{ready: {between: [1 s, 10 s]}}"}),
    "After.expect": row("after.expect", "{stays_off: off}", lambda s: [one.point for one in s.after], ["auger", "burner"], ("{stay_off: off}", "unknown point; did you mean stays_off?"), ("off", "off stands where a mapping is due; write it like {stays_off: off}")),
    "Expectation.is": expecting("is", "burner", "as before", wanted, Wanted(as_before=True), ("0", "0 for burner, which is off or on; write off"), ("shut", "shut is not on, off, a number or as before"), beside="is: off"),
    "Expectation.one_of": expecting("one_of", "stage", "[0, 3]", wanted, Wanted(one_of=(0, 3)), ("0", "0 stands where a list is due; write it like [0, 3]"), ("[99999]", "99999 is outside what stage can hold (uint16)"), beside="one_of: [1]"),
    "Expectation.above": expecting("above", "stage", "2", wanted, Wanted(above=2), ("on", "on is off or on where a number is due"), beside="above: 1"),
    "Expectation.below": expecting("below", "stage", "9", wanted, Wanted(below=9), ("9 kg", "9 kg is not a number"), beside="below: 1"),
    "Expectation.change": expecting("change", "batch_count", "-1..1", wanted, Wanted(change=(-1, 1)), ("1..", "1.. is not a range"), ("2..1", "2..1 runs backwards"), beside="change: 1"),
    "Expectation.never": expecting("never", "burner", "on", lambda s: (after(s).kind, after(s).wanted), ("never", Wanted(equals=True)), ("3", "3 for burner, which is off or on"), beside="never: off"),
    "Expectation.stays": expecting("stays", "burner", "as before", lambda s: (after(s).kind, after(s).wanted), ("stays", Wanted(as_before=True)), ("as it was", "as it was is not on, off, a number or as before; write on, off, a number or as before"), beside="stays: off"),
    "Expectation.returns": expecting("returns", "burner", "never", lambda s: after(s).kind, "returns", ("always", "always is not known here; write one of: never"), beside="returns: never"),
    "Expectation.tolerance": expecting("tolerance", "stage", "2", wanted, Wanted(equals=5, tolerance=2), ("-2", "has nothing to be near to; write it beside a number, 0 or above"), ("5 %", "5 % is not a number"), beside="is: 5"),
    "Expectation.longer_than": expecting("longer_than", "burner", "20 ms", lambda s: after(s).longer_than_ns, 20 * MS, UNIT_MS, NO_TIME, beside="never: on"),
    "Expectation.within": expecting("within", "burner", "5 s", lambda s: after(s).window, Window(0, 5 * S), ("5", "5 has no unit; write 5 s if seconds are meant"), NO_TIME, beside="is: on"),
    "Expectation.between": expecting("between", "burner", "[30 s, 1 min]", lambda s: after(s).window, Window(30 * S, 60 * S), ("30 s..60 s", "two durations are due; write both in brackets, like [30 s, 60 s]"), beside="is: on"),
    "Expectation.from": expecting("from", "burner", "fan", lambda s: after(s).start, "fan", ("fun", "fun is no point of the rig; did you mean fan?"), ("stage", "stage is not off or on, so it has no first change to on"), beside="is: on, within: 5 s"),
    "Expectation.until": expecting("until", "burner", "command", lambda s: after(s).until, "command", ("5 s", "5 s is not known here; write one of: watch, command"), beside="is: off"),
    "Expectation.blind": expecting("blind", "burner", "0", lambda s: after(s).blind_ns, 0, UNIT_MS, beside="is: off"),
    "After.gaps": row("after.gaps", "[{first: fan, then: auger, at_most: 8 s}]", lambda s: s.gaps[0].at_most_ns, 8 * S, ("{first: fan, then: auger, at_most: 8 s}", "a mapping stands where a list is due"), ("[{first: fan, then: auger}]", "has no limit; add at_least: or at_most:")),
    "Gap.first": row("after.gaps[0].first", "burner", lambda s: s.gaps[0].first_judged, "burner_terminal", ("fun", "fun is no point of the rig; did you mean fan?"), ("stage", "stage is not off or on; name outputs"), beside=GAP),
    "Gap.then": row("after.gaps[0].then", "burner", lambda s: s.gaps[0].then, "burner", ("fan", "fan is both first and then; name two points"), beside=GAP),
    "Gap.at_least": row("after.gaps[0].at_least", "900 ms", lambda s: s.gaps[0].at_least_ns, 900 * MS, UNIT, beside=GAP),
    "Gap.at_most": row("after.gaps[0].at_most", "8 s", lambda s: s.gaps[0].at_most_ns, 8 * S, NO_TIME, beside=GAP),
    "Scenario.function_check": row("function_check", "[{press: start_button}]", lambda s: (s.function_check[0].phase, s.function_check[0].action), ("function check", Press("start_button")), ("[{pres: start_button}]", "no step is named here")),
    "Scenario.repeat": row("repeat", "20", lambda s: s.repeat, 20, ("0", "0 is outside 1..1000000000"), ("20x", "20x is not a number")),
    "Scenario.demonstrate": row("demonstrate", "{reliability: 90 %, confidence: 90 %}", lambda s: s.repeat, 22, ("95 %", "95 % stands where a mapping is due; write it like {reliability: 95 %, confidence: 95 %}")),
    "Demonstrate.reliability": row("demonstrate.reliability", "99 %", lambda s: s.repeat, 299, ("0.95", "0.95 is not a percentage; write it like 95 %"), ("100 %", "nothing can show 0 % or 100 %"), beside=SHOWN),
    "Demonstrate.confidence": row("demonstrate.confidence", "99 %", lambda s: s.repeat, 90, ("95", "95 is not a percentage; write it like 95 %"), beside=SHOWN),
    "Demonstrate.inconclusive_at_most": row("demonstrate.inconclusive_at_most", "1", lambda s: s.repeat, 93, ("-1", "-1 is outside 0..1000000000"), beside=SHOWN),
    "Scenario.order": row("order", "shuffled", lambda s: s.order, "shuffled", ("random", "random is not known here; write one of: as written, shuffled")),
}  # fmt: skip


# ---------------------------------------------------------------- rows of a program file


def rung(program: Program) -> Any:
    return program.rungs[-1]


def driven(text: str, *more: str) -> dict[str, str]:
    """A program with this last rung."""
    return {"rungs": f"[{', '.join((*more, text))}]"}


EDGE = "{rising: start_edge, when: start_button}"
START, STOP, FULL, RESET = (("name", name) for name in ("start_button", "stop_button", "hopper_full", "reset_button"))
CONDITION = ("start_button AND", "the condition ends too early; write the name that is missing at its end")
UNWRITTEN = ("strat_button", "nothing ever writes strat_button; did you mean start_button?")
TIMER = driven("{timer: purge, kind: TON, preset: 2 s, when: start_button}", "{coil: fan, when: start_button}")
CTU = driven("{counter: batches, kind: CTU, when: hopper_full, preset: 500}")
CTD = driven("{counter: batches, kind: CTD, when: hopper_full, preset: 500}")
RS = driven("{bistable: purge_request, kind: RS, set: start_button, reset: NOT stop_button}", EDGE)
DRIVEN_INPUT = ("start_button", "start_button is an input and can't be driven; drive another name")

PROGRAM_ROWS: dict[str, Row] = {
    "Program.program": row("program", "grain dryer, edition 7", lambda p: p.name, "grain dryer, edition 7", NO_TEXT),
    "Program.scan": row("scan", "5 ms", lambda p: p.scan_ns, 5 * MS, ("10", "10 has no unit; write 10 ms, or 10 s if seconds are meant"), NO_TIME),
    "Program.boot": row("boot", "{dark: 3 s}", lambda p: p.boot.total_ns, 3 * S, ("3 s", "3 s stands where a mapping is due; write it like {dark: 300 ms}")),
    "Boot.dark": row("boot.dark", "1 s", lambda p: p.boot.dark_ns, S, UNIT_MS),
    "Boot.refusing": row("boot.refusing", "1 s", lambda p: p.boot.refusing_ns, S, UNIT_MS),
    "Boot.silent": row("boot.silent", "1 s", lambda p: p.boot.silent_ns, S, COMMA),
    "Boot.busy": row("boot.busy", "1 s", lambda p: p.boot.busy_ns, S, UNIT_MS),
    "Boot.answering": row("boot.answering", "1 s", lambda p: p.boot.answering_ns, S, UNIT_MS),
    "Program.rides_through": row("rides_through", "15 ms", lambda p: p.rides_through, RideThrough(15 * MS, 0), ("15", "15 has no unit; write 15 s if seconds are meant")),
    "RideThrough.middle": row("rides_through.middle", "20 ms", lambda p: p.rides_through.middle_ns, 20 * MS, UNIT_MS, beside={"rides_through": "{middle: 15 ms}"}),
    "RideThrough.spread": row("rides_through.spread", "2 ms", lambda p: p.rides_through.spread_ns, 2 * MS, ("20 ms", "is more than the middle; write a smaller spread"), beside={"rides_through": "{middle: 15 ms}"}),
    "Program.start_pass": row("start_pass", "clears coils", lambda p: p.start_pass, "clears coils", ("clears coil", "clears coil is not known here; did you mean clears coils?")),
    "Program.outputs": row("outputs", "at once", lambda p: p.outputs, "at once", ("immediately", "immediately is not known here; write one of: at scan end, at once")),
    "Program.saved": row("saved", "at scan end", lambda p: p.saved, "at scan end", ("never", "never is not known here; write one of: at once, at scan end")),
    "Program.inputs": row("inputs.door", "{role: sensor, rest: on}", lambda p: p.inputs[-1], Input("door", "sensor", True), ("sensor", "sensor stands where a mapping is due")),
    "Input.role": row("inputs.hopper_full.role", "command", lambda p: p.inputs[-1].role, "command", ("button", "button is not known here; write one of: command, sensor")),
    "Input.rest": row("inputs.hopper_full.rest", "ON", lambda p: p.inputs[-1].rest, True, ("high", "high is not on, off or a number")),
    "Program.memory": row("memory.fan", "{retained: yes}", lambda p: p.memory["fan"], Memory("fan", True, False), ("retained", "retained stands where a mapping is due")),
    "Memory.retained": row("memory.fan.retained", "on", lambda p: p.memory["fan"].retained, True, NEITHER),
    "Memory.initial": row("memory.burner.initial", "on", lambda p: p.memory["burner"].initial, True, ("3", "3 for burner, which is off or on"), ("high", "high is not on, off or a number")),
    "Program.rungs": row("rungs", "[{coil: fan, when: start_button}]", lambda p: p.rungs, (Coil("fan", START, 12),), ("{coil: fan, when: start_button}", "a mapping stands where a list is due"), ("[fan]", "no coil or block is named here; begin the entry with one of coil:")),
    "Coil.coil": row("rungs[0].coil", "auger", lambda p: rung(p).target, "auger", DRIVEN_INPUT, ("rail", "rail is a point of independent, not of the controller"), ("stage", "stage holds a number and can't be driven off and on"), beside=driven("{coil: fan, when: start_button}")),
    "Coil.when": row("rungs[0].when", "NOT start_button", lambda p: rung(p).when, ("not", START), CONDITION, UNWRITTEN, ("start_button && x", "&& is not a sign of a condition; write AND"), beside=driven("{coil: auger, when: start_button}")),
    "Set.set": row("rungs[0].set", "burner", lambda p: type(rung(p)), Set, ("first_scan", "first_scan can't be a name"), beside=driven("{set: fan, when: start_button}")),
    "Set.when": row("rungs[0].when", "NOT start_button", lambda p: rung(p).when, ("not", START), CONDITION, beside=driven("{set: fan, when: start_button}")),
    "Reset.reset": row("rungs[0].reset", "burner", lambda p: type(rung(p)), Reset, DRIVEN_INPUT, beside=driven("{reset: fan, when: start_button}")),
    "Reset.when": row("rungs[0].when", "hopper_full", lambda p: rung(p).when, FULL, UNWRITTEN, beside=driven("{reset: fan, when: start_button}")),
    "Timer.timer": row("rungs[1].timer", "delay", lambda p: rung(p).name, "delay", ("TON", "TON is no name for a point"), beside=TIMER),
    "Timer.kind": row("rungs[1].kind", "TOF", lambda p: rung(p).kind, "TOF", ("TOFF", "TOFF is not known here; write one of: TON, TOF, TP"), beside=TIMER),
    "Timer.preset": row("rungs[1].preset", "250 ms", lambda p: rung(p).preset_ns, 250 * MS, ("2", "2 has no unit; write 2 s if seconds are meant"), NO_TIME, beside=TIMER),
    "Timer.when": row("rungs[1].when", "hopper_full", rung, Timer("purge", "TON", 2 * S, FULL, 15), ("2", "2 is a number, not a condition"), beside=TIMER),
    "Counter.counter": row("rungs[0].counter", "batch_count", lambda p: rung(p).name, "batch_count", ("hopper_full", "hopper_full is an input and can't be driven"), beside=CTU),
    "Counter.kind": row("rungs[0].kind", "CTD", lambda p: rung(p).kind, "CTD", ("CTUD", "CTUD is not known here"), beside=CTU),
    "Counter.when": row("rungs[0].when", "start_button", rung, Counter("batches", "CTU", 500, START, None, 13), UNWRITTEN, beside=CTU),
    "Counter.preset": row("rungs[0].preset", "-5", lambda p: rung(p).preset, -5, ("40000", "40000 is outside -32768..32767"), ("5 s", "5 s is not a number"), beside=CTU),
    "Counter.clear": row("rungs[0].clear", "reset_button", lambda p: rung(p).reset, RESET, UNWRITTEN, beside=CTU),
    "Counter.load": row("rungs[0].load", "reset_button", lambda p: rung(p).reset, RESET, ("NOT", "the condition ends too early"), beside=CTD),
    "Rising.rising": row("rungs[0].rising", "edge", rung, Edge("edge", "rising", START, 13), DRIVEN_INPUT, beside=driven(EDGE)),
    "Rising.when": row("rungs[0].when", "hopper_full", lambda p: rung(p).when, FULL, UNWRITTEN, beside=driven(EDGE)),
    "Falling.falling": row("rungs[0].falling", "edge", lambda p: rung(p).kind, "falling", ("cut", "cut can't be a name: it is a mark of the cycle; choose another, like cut_1"), beside=driven("{falling: stop_edge, when: stop_button}")),
    "Falling.when": row("rungs[0].when", "stop_button", lambda p: rung(p).when, STOP, CONDITION, beside=driven("{falling: stop_edge, when: start_button}")),
    "Bistable.bistable": row("rungs[1].bistable", "purging", lambda p: rung(p).name, "purging", ("start_edge", "start_edge is driven by an edge on line"), beside=RS),
    "Bistable.kind": row("rungs[1].kind", "SR", lambda p: rung(p).kind, "SR", ("RS1", "RS1 is not known here"), beside=RS),
    "Bistable.set": row("rungs[1].set", "start_edge", lambda p: rung(p).set, ("name", "start_edge"), UNWRITTEN, beside=RS),
    "Bistable.reset": row("rungs[1].reset", "NOT stop_button", rung, Bistable("purge_request", "RS", START, ("not", STOP), 15), CONDITION, beside=RS),
    "Program.faults": row("faults", "[{fault: retained-lost, point: batch_count}]", lambda p: [(one.name, one.settings) for one in p.faults], [("retained-lost", {"point": "batch_count"})], ("[retained-lost]", "retained-lost stands where a mapping is due"), ("[{fault: retained-lost, point: batchcount}]", "batchcount is no point of the rig or the program; did you mean batch_count?")),
    "Fault.fault": row("faults[0].fault", "stale-image", lambda p: p.faults[0].name, "stale-image", ("stale-imag", "did you mean stale-image?"), beside={"faults": "[{fault: cleared-image}]"}),
}  # fmt: skip

ROWS: dict[str, dict[str, Row]] = {"rig": RIG_ROWS, "scenario": SCENARIO_ROWS, "program": PROGRAM_ROWS}
EVERY_ROW: list[tuple[str, str]] = [(kind, key) for kind, rows in ROWS.items() for key in rows]


# ---------------------------------------------------------------- keys that follow a driver's or a fault's name

Misuse = tuple[str, bool]


@dataclass(frozen=True)
class CardRow:
    """A key that a card describes: the text of its base file, its place in it, texts that are right there, and texts
    that are wrong, each with whether an editor can see it without the bench."""

    file: str
    base: str
    path: str
    right: tuple[str, ...]
    wrong: tuple[Misuse, ...]


IN_A_FILE: dict[str, tuple[tuple[str, ...], tuple[Misuse, ...]]] = {
    "text": (("main switch Q1", "17"), (("''", True),)),
    "host": (("192.0.2.7", "'::1'"), (("relay.local", False),)),
    "pin": (("17", "GPIO17"), (("1.5", True),)),
    "address": (("0", "0x10"), (("70000", True), ("40001", False), ("x", True), ("1.5", True))),
    "number": (("24", "2.5"), (("much", True), ("'24'", True))),
    "duration": (("250 ms", "1 min 30 s"), (("soon", True), ("3", True), ("1,5 s", True))),
    "bytes": (("3C 05", "'10'", "3c05"), (("relay on", True), ("3C 0", True))),
    "yes or no": (("no", "'off'"), (("perhaps", True),)),
    "point": (("auger",), (("[1]", True),)),
    "value": (("on", "5"), (("maybe", True),)),
}
"""Right and wrong by kind; whole numbers and choices have bounds and words of their own."""


def _uses_of(key: Any) -> tuple[tuple[str, ...], tuple[Misuse, ...]]:
    if key.kind == "choice":
        return key.choices, (("sideways", True),)
    if key.kind == "whole number":
        return (str(max(key.least, 1)),), (
            ("1.5", True),
            ("much", True),
            (str(key.least - 1), True),
            (str(key.most + 1), True),
        )
    right, wrong = IN_A_FILE[key.kind]
    return right, (*wrong, ("1 us", False)) if key.kind == "duration" and key.least > MS else wrong


def card_rows(cards: Mapping[str, Any], faults: Mapping[str, Any]) -> dict[str, CardRow]:
    """One row for every key of every driver and of every fault, by `driver.key` or `fault.key`."""
    rows = {}
    for name, card in cards.items():
        for key in card.keys:
            rows[f"{name}.{key.name}"] = CardRow("rig", card.example, f"supply.{key.name}", *_uses_of(key))
    for name, card in faults.items():
        needed = "".join(f", {key.name}: {IN_A_FILE[key.kind][0][0]}" for key in card.keys if key.required)
        for key in card.all_keys:
            base = f"faults: [{{fault: {name}{needed}}}]"
            rows[f"{name}.{key.name}"] = CardRow("program", base, f"faults[0].{key.name}", *_uses_of(key))
    return rows
