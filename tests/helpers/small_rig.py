"""A small simulated rig with short times, for tests that need a whole run: one controller, one supply, one relay."""

from __future__ import annotations

RIG = """rig: {name}
loads: harmless
devices:
  controller: {{host: 192.0.2.10, powered_by: supply, poll: 20 ms, answer_within: 300 ms}}
  independent: {{host: 192.0.2.20, poll: {poll}, answer_within: 300 ms}}
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
{points}
  running: {{device: controller, discrete_input: 0}}
  heartbeat: {{device: controller, input_register: 0}}
  rail: {{device: independent, discrete_input: {rail}}}
defaults: {defaults}
ready: {{when: {{running: on}}, steady: {steady}, alive: heartbeat, within: {within}}}
proof_of_cut: [{{rail: off}}]
simulation: program.yaml
"""
"""`independent` is read every `poll`; `rail` is the input that shows the supply."""
BOOT = "boot: {dark: 50 ms, refusing: 20 ms, answering: 20 ms}"


def command(name: str, coil: int, *, idle: str = "off") -> str:
    """A point that the bench can press."""
    return f"  {name}: {{device: independent, coil: {coil}, writable: true, idle: {idle}}}"


def output(name: str, coil: int) -> str:
    """An output of the controller, with its terminal at the same number."""
    return f"  {name}: {{device: controller, coil: {coil}, terminal: {{discrete_input: {coil}}}}}"


def rig_text(name: str, points: list[str], *, poll: str, rail: int, defaults: str, steady: str, within: str) -> str:
    """rig.yaml; `points` are lines of `command` and `output`, `defaults` the mapping as it is written."""
    return RIG.format(
        name=name, points="\n".join(points), poll=poll, rail=rail, defaults=defaults, steady=steady, within=within
    )
