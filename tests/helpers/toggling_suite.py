"""A simulated rig whose outputs change all the time, each at a pace of its own, through cuts of the supply."""

from __future__ import annotations

from pathlib import Path

OUTPUTS = 32
RIG = """
rig: toggling
loads: harmless
devices:
  controller: {{host: 192.0.2.10, powered_by: supply, poll: 10 ms, answer_within: 300 ms}}
  independent: {{host: 192.0.2.20, poll: 10 ms, answer_within: 300 ms}}
supply:
  driver: modbus-coil
  host: 192.0.2.30
  coil: 0
  contact: normally-open
  operate: 1 ms
  release: 1 ms
  bounce: 1 ms
  limits: {{off_at_least: 200 ms, on_at_least: 200 ms}}
points:
{points}
  running: {{device: controller, discrete_input: 0}}
  heartbeat: {{device: controller, input_register: 0}}
  rail: {{device: independent, discrete_input: {outputs}}}
defaults: {{settle: 0, watch: {watch}, longer_than: 1 s}}
ready: {{when: {{running: on}}, steady: 50 ms, alive: heartbeat, within: 10 s}}
proof_of_cut: [{{rail: off}}]
simulation: program.yaml
"""
PROGRAM = """
program: every output at a pace of its own
scan: 5 ms
boot: {{dark: 60 ms, refusing: 60 ms, silent: 40 ms, busy: 40 ms, answering: 60 ms}}
start_pass: none
outputs: at scan end
saved: at once
rungs:
{rungs}
"""
SCENARIO = """
scenario: toggling
cut: {how: supply, off_for: 400 ms, at: random 0 s..300 ms}
after:
  times:
    ready: {within: 10 s}
"""


def write_toggling(folder: Path, *, watch: str) -> Path:
    """The suite in a new folder. Output n changes every 100 + 7 n ms."""
    folder.mkdir()
    points = [f"  out{n}: {{device: controller, coil: {n}, terminal: {{discrete_input: {n}}}}}" for n in range(OUTPUTS)]
    rungs = [
        f"  - {{timer: pace{n}, kind: TON, preset: {100 + 7 * n} ms, when: NOT pace{n}}}\n"
        f"  - {{coil: out{n}, when: out{n} XOR pace{n}}}"
        for n in range(OUTPUTS)
    ]
    rig = RIG.format(points="\n".join(points), outputs=OUTPUTS, watch=watch)
    (folder / "rig.yaml").write_text(rig, encoding="utf-8")
    (folder / "program.yaml").write_text(PROGRAM.format(rungs="\n".join(rungs)), encoding="utf-8")
    (folder / "toggling.yaml").write_text(SCENARIO, encoding="utf-8")
    return folder
