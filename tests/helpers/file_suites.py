"""Small files for the tests of the loader: one rig, one scenario and one program that fit together, to be spoilt."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from restart_bench.files.faults import FaultsFound
from restart_bench.model.program import Program
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

RIG = """\
rig: bench
loads: harmless
devices:
  controller: {host: 192.0.2.10, powered_by: supply}
  independent: {host: 192.0.2.20}
supply:
  driver: modbus-coil
  host: 192.0.2.30
  coil: 0
  contact: normally-open
  operate: 10 ms
  release: 5 ms
  bounce: 1 ms
  limits: {dips_up_to: 50 ms, off_at_least: 2 s}
points:
  start: {device: independent, coil: 0, writable: true, idle: off}
  setpoint: {device: controller, holding_register: 1, writable: true, scale: 0.1}
  burner: {device: controller, coil: 0, terminal: {discrete_input: 0}}
  fan: {device: controller, coil: 1, terminal: {discrete_input: 1}}
  batches: {device: controller, holding_register: 0}
  rail: {device: independent, discrete_input: 8}
  uptime: {device: controller, input_register: 1, type: uint32}
  heartbeat: {device: controller, input_register: 0}
  running: {device: controller, discrete_input: 0}
ready: {when: {running: on}, alive: heartbeat}
proof_of_cut: [{rail: off}]
"""

SCENARIO = """\
scenario: burner-stays-shut
before:
  - press: start
  - expect: {burner: on}
cut:
  off_for: 3 s
after:
  expect:
    burner: off
"""

PROGRAM = """\
program: lamp
inputs:
  start: {role: command, rest: off}
memory:
  batches: {retained: true}
rungs:
  - {set: burner, when: start}
  - {reset: burner, when: first_scan}
  - {coil: fan, when: burner}
"""


def load(rig: str = RIG, scenario: str = SCENARIO, program: str | None = None, **more: str) -> Suite:
    """The suite of these files; `more` are further files by name (without `.yaml`). Raises FaultsFound."""
    with tempfile.TemporaryDirectory() as name:
        return load_in(Path(name), rig, scenario, program, **more)


def load_in(folder: Path, rig: str, scenario: str, program: str | None = None, **more: str) -> Suite:
    """The same in a folder that stays. Raises FaultsFound."""
    files = {"rig": rig, "scenario": scenario, **more}
    if program is not None:
        files["program"] = program
    for stem, text in files.items():
        (folder / f"{stem}.yaml").write_text(text, encoding="utf-8")
    path = folder / "program.yaml" if program is not None else None
    return load_suites([folder], program=path, cards=cards())[0]


def told(make: Callable[[], object]) -> list[str]:
    """The faults that a call raises, each as `file.yaml:line: path: text; cure`."""
    try:
        make()
    except FaultsFound as found:
        return [str(fault).replace(fault.file, Path(fault.file).name, 1) for fault in found.faults]
    return []


def spoilt(text: str, old: str, new: str) -> str:
    """The text with one part replaced; the part has to be there, or the test would test nothing."""
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def rig_faults(old: str, new: str) -> list[str]:
    """Faults after one part of the rig file was replaced."""
    return told(lambda: load(rig=spoilt(RIG, old, new)))


def scenario_faults(old: str, new: str) -> list[str]:
    """Faults after one part of the scenario file was replaced."""
    return told(lambda: load(scenario=spoilt(SCENARIO, old, new)))


def program_faults(old: str, new: str) -> list[str]:
    """Faults after one part of the program file was replaced."""
    return told(lambda: load(program=spoilt(PROGRAM, old, new)))


def warnings(suite: Suite) -> list[str]:
    """The warnings of a suite, with the names of the files only."""
    return [str(one).replace(one.file, Path(one.file).name, 1) for one in suite.warnings]


def the_rig(old: str = "rig: bench", new: str = "rig: bench") -> Rig:
    """The rig, after one part of its file was replaced."""
    return load(rig=spoilt(RIG, old, new)).rig


def the_scenario(old: str = "off_for: 3 s", new: str = "off_for: 3 s", rig: str = RIG) -> Scenario:
    """The scenario, after one part of its file was replaced."""
    return load(rig=rig, scenario=spoilt(SCENARIO, old, new)).scenarios[0]


def the_program(old: str = "program: lamp", new: str = "program: lamp") -> Program:
    """The program, after one part of its file was replaced."""
    program = load(program=spoilt(PROGRAM, old, new)).program
    assert program is not None
    return program
