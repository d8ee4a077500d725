"""`new`: asks a few questions and writes a suite to begin with: rig, program model and two scenarios, with a mode
switch three.

What it writes loads, checks, and passes `run --simulated` as it stands; the comments say what to change for the
rig on the desk. Without a console every answer is the one in brackets.
"""

from __future__ import annotations

import ipaddress
import json
import re
import sys
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from restart_bench.files.kinds import read_point_name
from restart_bench.model.outcome import Refused

_POINT_NAME = re.compile(r"[a-z][a-z0-9_]{0,20}")
_RIG_NAME = re.compile(r"[a-z][a-z0-9_-]{0,31}")
_TAKEN = (
    "start_button", "stop_button", "run_switch", "mode_switch",
    "rail", "always_on", "running", "heartbeat", "uptime", "stays_off", "comes_back",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Answers:
    """What was asked. Hosts may bear a port: 127.0.0.1:20001. `relay_host` and `independent_host` are not used where a
    person switches. `mode` says how run mode is left. `labels` holds outputs that were called by other words than a
    name may be made of: (name, label)."""

    rig: str
    stays_off: tuple[str, ...] = ("motor",)
    comes_back: tuple[str, ...] = ("lamp",)
    controller_host: str = "192.0.2.10"
    independent_host: str = "192.0.2.20"
    relay_host: str = "192.0.2.30"
    relay_coil: int = 0
    contact: str = "normally-open"
    labels: tuple[tuple[str, str], ...] = ()
    mode: str = "none"


T = TypeVar("T")
AskText = Callable[[str, str], str]
"""Asks a question with a proposed answer and returns what was answered."""


def write_suite(folder: Path, *, by_hand: bool) -> int:
    """Asks and writes. Raises Refused where the folder is not empty or its name can't name a rig."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(f"{folder} is there already and not empty; name a new folder")
    if sys.stdin.isatty():
        answers = ask_all(_at_console, folder.name, by_hand)
    else:
        answers = ask_all(_from_pipe, folder.name, by_hand, again=False)
        if left := sys.stdin.readline().strip():
            raise Refused(f"{left}: an answer more than there are questions; nothing was written")
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files_for(answers, by_hand).items():
        (folder / name).write_text(text, encoding="utf-8")
        print(f"wrote {folder / name}")
    print("Next, without any hardware:")
    print(f"  restart-bench check {folder}              what would happen")
    print(f"  restart-bench run {folder} --simulated    the same, with a model")
    if by_hand:
        print(f"  restart-bench simulate {folder} --port 20001 --panel")
        print("      a rig to work by keyboard, in a terminal of its own; then the next two")
        print("      with 127.0.0.1:20001 as the controller's address")
    print("Then, on the rig:")
    print(f"  restart-bench look {folder}               correct rig.yaml until it reads right")
    print(f"  restart-bench run {folder} --arm {answers.rig}")
    return 0


def _at_console(question: str, proposed: str) -> str:
    return input(f"{question} [{proposed}]: ").strip() or proposed


def _from_pipe(question: str, proposed: str) -> str:
    """The next line of what was piped in; an empty line, or none any more, takes what is proposed. Said either way."""
    answer = sys.stdin.readline().strip() or proposed
    print(f"{question}: {answer}")
    return answer


def ask_all(ask: AskText, folder: str, by_hand: bool, *, again: bool = True) -> Answers:
    """All questions; a useless answer is asked for again (`again`), with what is wrong with it. Raises Refused where
    nobody can be asked again, or even the proposed answer is useless."""
    asked = partial(_answer, again=again)
    proposed = re.sub(r"[^a-z0-9_-]+", "-", folder.lower()).strip("-") or "rig"
    rig = asked(ask, "Name of the rig", proposed if _RIG_NAME.fullmatch(proposed) else "rig", _rig_name)
    outputs = "Outputs that stay off after a loss of supply (commas between them)"
    stays_off = asked(ask, outputs, "motor", _outputs(()))
    comes_back = asked(ask, "Outputs that come back by themselves", "lamp", _outputs(_names_of(stays_off)))
    labels = tuple((one.name, one.label) for one in (*stays_off, *comes_back) if one.label != one.name)
    answers = Answers(rig, _names_of(stays_off), _names_of(comes_back), labels=labels)
    answers = replace(answers, controller_host=asked(ask, "IP address of the controller", "192.0.2.10", _address))
    if by_hand:
        return replace(answers, mode=asked(ask, _MODE_QUESTION.format("none or by-hand"), "none", _mode("by-hand")))
    contact = "Contact: normally-open (coil off = supply off) or normally-closed"
    return replace(
        answers,
        independent_host=asked(ask, "IP address of the independent I/O", "192.0.2.20", _address),
        relay_host=asked(ask, "IP address of the relay", "192.0.2.30", _address),
        relay_coil=asked(ask, "Coil of the relay, counted from 0", "0", _coil),
        contact=asked(ask, contact, "normally-open", _contact),
        mode=asked(
            ask,
            _MODE_QUESTION.format("none, by-hand, or point (an output of the independent I/O)"),
            "none",
            _mode("by-hand", "point"),
        ),
    )


_MODE_QUESTION = "Shall run mode be left as well, by a mode switch? {}"


def _answer(ask: AskText, question: str, proposed: str, read: Callable[[str], T], *, again: bool) -> T:
    while True:
        answer = ask(question, proposed)
        try:
            return read(answer)
        except ValueError as problem:
            if answer == proposed or not again:
                raise Refused(f"{question}: {problem}; nothing was written") from None
            print(problem, file=sys.stderr)


def _rig_name(text: str) -> str:
    if not _RIG_NAME.fullmatch(text):
        raise ValueError(f"{text} can't name a rig; use small letters, digits, - and _, beginning with a letter")
    return text


@dataclass(frozen=True, slots=True)
class _Output:
    name: str
    label: str


def _names_of(outputs: tuple[_Output, ...]) -> tuple[str, ...]:
    return tuple(one.name for one in outputs)


def _outputs(others: tuple[str, ...]) -> Callable[[str], tuple[_Output, ...]]:
    def read(text: str) -> tuple[_Output, ...]:
        labels = [label.strip() for label in text.split(",") if label.strip()]
        if not labels:
            raise ValueError("at least one output is needed")
        outputs = tuple(_Output(_point_name(label), label) for label in labels)
        names = _names_of(outputs)
        for name in names:
            if name in _TAKEN or name in others or names.count(name) > 1:
                raise ValueError(f"{name} is taken; use another name")
        return outputs

    return read


def _point_name(label: str) -> str:
    """The label as a name may be written: `M1 Auger` becomes m1_auger. Raises ValueError where nothing is left."""
    letters = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "_", letters).strip("_")
    if not _POINT_NAME.fullmatch(name):
        raise ValueError(
            f"{label} can't name an output: a name begins with a letter and has at most 21 letters and digits, "
            "like drum_motor; any other words can stand in `label:` later"
        )
    return read_point_name(name)


def _address(text: str) -> str:
    host, colon, port = text.partition(":") if text.count(":") == 1 else (text, "", "")
    try:
        address = str(ipaddress.ip_address(host))
    except ValueError:
        raise ValueError(
            f"{text} is no IP address; write it like 192.168.0.10, or 192.168.0.10:1502 where the port is not 502"
        ) from None
    if colon and not (port.isdecimal() and 1 <= int(port) <= 65535):
        raise ValueError(f"{text}: {port or 'nothing'} is no port; write a number from 1 to 65535 behind the colon")
    return f"{address}{colon}{port}"


def _mode(*ways: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in ("none", *ways):
            raise ValueError(f"{text}: write none or {' or '.join(ways)}")
        return text

    return read


def _coil(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise ValueError(f"{text} is no coil address; write a number from 0 to 65535")
    return int(text)


def _contact(text: str) -> str:
    if text not in ("normally-open", "normally-closed"):
        raise ValueError(f"{text}: write normally-open or normally-closed")
    return text


# ---------------------------------------------------------------- files


def files_for(answers: Answers, by_hand: bool) -> dict[str, str]:
    """Name and text of every file of the suite."""
    files = {
        "rig.yaml": _rig_by_hand(answers) if by_hand else _rig_with_relay(answers),
        "program.yaml": _program(answers),
        "stays-off.yaml": _stays_off(answers, by_hand),
        "comes-back.yaml": _comes_back(answers, by_hand),
    }
    return files if answers.mode == "none" else {**files, "mode-change.yaml": _mode_change(answers)}


def _names(names: tuple[str, ...]) -> str:
    return "[" + ", ".join(names) + "]"


_RIG_HEAD = """\
# What is wired to what. Addresses count from 0: address 0 = item 1. Every key is explained in the README.
rig: {rig}
loads: harmless              # lamps or dummy loads. A machine needs more: see "Cautions" in the README
devices:
  # The controller goes dark when the supply is cut.
  controller:  {{link: modbus-tcp, {controller}, poll: 10 ms, powered_by: supply}}
"""

_EVIDENCE = """\
  # The program has to serve these three; the README has the lines of Structured Text for them.
  running:      {device: controller, discrete_input: 0}       # true in every scan
  heartbeat:    {device: controller, input_register: 0}       # counts every scan: the program is alive
  # Counts tenths of a second, and falls at a restart.
  uptime:       {device: controller, input_register: 1, type: uint32, words: big, scale: 0.1, unit: s}
"""

_MODE_LINES = {
    "none": "",
    "by-hand": "mode: {driver: by-hand, proof: [{running: off}]}   # a person turns the mode switch when asked\n",
    "point": "mode: {driver: point, point: run_switch, run: on, proof: [{running: off}]}   # how run mode is left\n",
}
_RUN_SWITCH = (
    "  run_switch:   {device: independent, coil: 2, writable: true, idle: on, label: run}     # its mode switch\n"
)


def _place(host: str) -> str:
    """The keys of a host in one line: its address, and its port where it bears one."""
    address, colon, port = host.partition(":") if host.count(":") == 1 else (host, "", "")
    return f"host: {address}, port: {port}" if colon else f"host: {address}"


_RIG_TAIL = """\
groups: {{stays_off: {stays_off}, comes_back: {comes_back}}}
defaults: {{settle: 500 ms, watch: 3 s}}
ready: {{when: {{running: on}}, steady: 200 ms, alive: heartbeat, within: 30 s}}
simulation: program.yaml     # what --simulated runs in place of the hardware
"""


def _rig_with_relay(answers: Answers) -> str:
    switch = _RUN_SWITCH if answers.mode == "point" else ""
    outputs = _output_lines(answers, "{{device: controller, coil: {n}, terminal: {{discrete_input: {n}}}{label}}}")
    return (
        _RIG_HEAD.format(rig=answers.rig, controller=_place(answers.controller_host))
        + f"""\
  # Independent I/O has a supply of its own and sees the terminals while the controller is dark.
  independent: {{link: modbus-tcp, {_place(answers.independent_host)}, poll: 2 ms, input_delay: 1 ms}}
supply:
  driver: modbus-coil        # `restart-bench drivers` lists the others
  {_place(answers.relay_host).replace(", ", chr(10) + "  ")}
  coil: {answers.relay_coil}
  contact: {answers.contact}     # normally-open: coil off = supply off
  operate: 10 ms             # longest values from the relay's data sheet
  release: 10 ms
  bounce: 5 ms
  fallback: as it is         # what the relay itself does when this computer dies: look it up
  limits: {{off_at_least: 2 s, on_at_least: 2 s, operations: 100000}}
points:
  # Commands that the bench presses: outputs of the independent I/O, wired to inputs of the controller.
  start_button: {{device: independent, coil: 0, writable: true, idle: off, label: start}}
  stop_button:  {{device: independent, coil: 1, writable: true, idle: on, label: stop}}   # a normally-closed stop
{switch}  # Outputs: what the controller says, and the screw terminal as an independent input sees it.
{outputs}{_EVIDENCE}  # An input on the controller's supply proves the cut; one that is always on, the independent I/O.
  rail:         {{device: independent, discrete_input: 30}}
  always_on:    {{device: independent, discrete_input: 31}}
proof_of_cut: [{{rail: off}}, {{uptime: falls}}]
check_channels: {{always_on: on}}
{_MODE_LINES[answers.mode]}"""
        + _RIG_TAIL.format(stays_off=_names(answers.stays_off), comes_back=_names(answers.comes_back))
    )


def _rig_by_hand(answers: Answers) -> str:
    outputs = _output_lines(answers, "{{device: controller, coil: {n}{label}}}")
    return (
        _RIG_HEAD.format(rig=answers.rig, controller=_place(answers.controller_host))
        + f"""\
supply:
  driver: by-hand            # a person switches when asked
  switch: main switch of the rig
points:
  # A person presses when asked; the input shows that it was done.
  start_button: {{device: controller, discrete_input: 1, by_hand: start button, idle: off}}
  stop_button:  {{device: controller, discrete_input: 2, by_hand: stop button, idle: on}}
  # Outputs as the controller says them. While it is dark nobody sees them: that takes independent I/O.
{outputs}{_EVIDENCE}proof_of_cut: [{{uptime: falls}}, {{contact: lost}}]   # silence alone may be the network's
{_MODE_LINES[answers.mode]}"""
        + _RIG_TAIL.format(stays_off=_names(answers.stays_off), comes_back=_names(answers.comes_back))
    )


def _output_lines(answers: Answers, form: str) -> str:
    names, labels = (*answers.stays_off, *answers.comes_back), dict(answers.labels)
    lines = []
    for n, name in enumerate(names):
        label = f", label: {json.dumps(labels[name], ensure_ascii=False)}" if name in labels else ""
        lines.append(f"  {name + ':':<13} {form.format(n=n, label=label)}\n")
    return "".join(lines)


def _program(answers: Answers) -> str:
    sealed = "".join(
        f"  - coil: {name}             # seals itself in; a plain coil is off after a restart\n"
        f"    when: (start_button OR {name}) AND stop_button\n"
        for name in answers.stays_off
    )
    latched = "".join(
        f"  - {{set: {name}, when: start_button}}      # retained, so it comes back\n"
        f"  - {{reset: {name}, when: NOT stop_button}}\n"
        for name in answers.comes_back
    )
    memory = "".join(f"  {name}: {{retained: true}}\n" for name in answers.comes_back)
    return f"""\
# A model of the controller's program: what `--simulated` runs. Write here what yours does.
program: {answers.rig}, edition 1
scan: 10 ms
boot: {{dark: 300 ms, refusing: 200 ms, silent: 100 ms, busy: 100 ms, answering: 200 ms}}   # then it runs
start_pass: clears coils
inputs:
  start_button: {{role: command, rest: off}}
  stop_button:  {{role: command, rest: on}}
memory:
{memory}rungs:
{sealed}{latched}"""


_BY_HAND_TIMES = """\
  # By hand the cut lies between question and answer: limits of a few seconds can't be shown. With a relay write here
  # times: {ready: {within: 10 s}}
"""

_READY_TIMES = """\
  times:
    ready: {within: 10 s}    # counted from the restored supply
"""


def _stays_off(answers: Answers, by_hand: bool) -> str:
    everything = ", ".join(f"{name}: on" for name in (*answers.stays_off, *answers.comes_back))
    demanded = (
        "    stays_off: off           # settled, to the end of the watch\n"
        if by_hand
        else "    stays_off: {is: off, never: on, longer_than: 100 ms}   # not even a pulse of 100 ms\n"
    )
    return f"""\
scenario: stays-off
purpose: After any loss of supply these outputs stay off until somebody presses start.
before:
  - press: start_button
  - expect: {{{everything}}}
  - wait: 1 s
cut: {{how: supply, off_for: 3 s}}
after:
{_BY_HAND_TIMES if by_hand else _READY_TIMES}  expect:
{demanded}function_check:              # the program still works
  - press: start_button
  - expect: {{{everything}}}
repeat: 3
"""


def _comes_back(answers: Answers, by_hand: bool) -> str:
    everything = ", ".join(f"{name}: on" for name in answers.comes_back)
    demanded = (
        "    comes_back: on          # settled, to the end of the watch; with a relay: {is: on, within: 5 s}\n"
        if by_hand
        else "    comes_back: {is: on, within: 5 s}   # counted from the restored supply, then unbroken\n"
    )
    return f"""\
scenario: comes-back
purpose: These outputs come back by themselves after a loss of supply.
before:
  - press: start_button
  - expect: {{{everything}}}
  - wait: 1 s
cut: {{how: supply, off_for: 3 s}}
after:
  expect:
{demanded}repeat: 3
"""


def _mode_change(answers: Answers) -> str:
    everything = ", ".join(f"{name}: on" for name in (*answers.stays_off, *answers.comes_back))
    return f"""\
scenario: mode-change
purpose: The same outputs stay off, and the same come back, when the controller leaves run mode and returns.
before:
  - press: start_button
  - expect: {{{everything}}}
  - wait: 1 s
cut: {{how: mode, off_for: 3 s}}
after:
  expect:
    stays_off: off
    comes_back: on
repeat: 3
"""
