"""A small simulated rig for tests that need a whole run: a lamp that is set and reset, with short times."""

from __future__ import annotations

from pathlib import Path

RIG = """
rig: {name}
loads: harmless
devices:
  controller: {{host: 192.0.2.10, powered_by: supply, poll: 20 ms, answer_within: 300 ms}}
  independent: {{host: 192.0.2.20, poll: 10 ms, answer_within: 300 ms}}
supply:
  driver: modbus-coil
  host: 192.0.2.30
  coil: 0
  contact: normally-open
  operate: 1 ms
  release: 1 ms
  bounce: 0 ms
  limits: {{off_at_least: 200 ms, on_at_least: 200 ms}}
points:
  start: {{device: independent, coil: 0, writable: true, idle: off}}
  lamp: {{device: controller, coil: 0, terminal: {{discrete_input: 0}}}}
  spare: {{device: controller, coil: 1, terminal: {{discrete_input: 1}}}}
  running: {{device: controller, discrete_input: 0}}
  heartbeat: {{device: controller, input_register: 0}}
  rail: {{device: independent, discrete_input: 8}}
defaults: {{settle: 100 ms, watch: 400 ms, longer_than: 50 ms}}
ready: {{when: {{running: on}}, steady: 50 ms, alive: heartbeat, within: 3 s}}
proof_of_cut: [{{rail: off}}]
simulation: program.yaml
"""

PROGRAM = """
program: lamp
scan: 10 ms
boot: {dark: 50 ms, refusing: 20 ms, answering: 20 ms}
start_pass: none
outputs: at scan end
saved: at once
inputs:
  start: {role: command, rest: off}
memory:
  lamp: {retained: RETAINED}
rungs:
  - {set: lamp, when: start}
  - {reset: lamp, when: lamp AND start AND spare}
  - {coil: spare, when: spare AND NOT start}
"""

SCENARIO = """
scenario: {name}
before:
  - press: start
  - expect: {{lamp: on}}
cut: {{how: supply, off_for: {off_for}}}
after:
  expect:
    {point}: {expected}
"""


class LampSuites:
    """Suites in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def rig(self, name: str = "lamp-trainer", *, retained: bool = True) -> Path:
        """A rig in a folder named after it."""
        folder = self.folder / name
        folder.mkdir()
        (folder / "rig.yaml").write_text(RIG.format(name=name), encoding="utf-8")
        program = PROGRAM.replace("RETAINED", str(retained).lower())
        (folder / "program.yaml").write_text(program, encoding="utf-8")
        return folder

    def scenario(self, rig: Path, name: str, expected: str, *, point: str = "lamp", off_for: str = "250 ms") -> None:
        """A scenario beside a rig."""
        text = SCENARIO.format(name=name, point=point, expected=expected, off_for=off_for)
        (rig / f"{name}.yaml").write_text(text, encoding="utf-8")

    def runs(self) -> list[Path]:
        """Folders of the archive."""
        return sorted((self.folder / "logs").glob("rig=*/date=*/run=*"))
