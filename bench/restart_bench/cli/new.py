"""`new`: asks a few questions and writes a suite to begin with: rig, program model and two scenarios, with a mode
switch three.

What it writes loads, checks, and passes `run --simulated` as it stands; the comments say what to change for the
rig on the desk. Without a console every answer is the one in brackets. Points may come from a list (CSV or XLSX): a row
that bears the name of a point that every new rig has (start_button, rail ...) says where that one is.
"""

from __future__ import annotations

import ipaddress
import json
import re
import sys
import tempfile
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from restart_bench.cli.common import folder_for, make_folder
from restart_bench.files.faults import Fault, FaultsFound
from restart_bench.files.kinds import read_point_name
from restart_bench.files.points_table import ListedPoint, read_points
from restart_bench.model.outcome import Refused

_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
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
    listed: tuple[ListedPoint, ...] = ()  # rows of a list of points, all outputs of the rig among them
    mode: str = "none"


T = TypeVar("T")
AskText = Callable[[str, str], str]
"""Asks a question with a proposed answer and returns what was answered."""


def write_suite(folder: Path, *, by_hand: bool, points: Path | None = None) -> int:
    """Asks and writes. Raises Refused where the folder is not empty or its name can't name a rig, FaultsFound where the
    list of points can't make one."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(f"{folder} is there already and not empty; name a new folder")
    folder_for("new", folder)
    listed = _usable(points, read_points(points), by_hand) if points is not None else ()
    if sys.stdin.isatty():
        answers = ask_all(_at_console, folder.name, by_hand, listed=listed)
    else:
        answers = ask_all(_from_pipe, folder.name, by_hand, again=False, listed=listed)
        if left := sys.stdin.readline().strip():
            raise Refused(f"{left}: an answer more than there are questions; nothing was written")
    if points is not None:
        _refuse_faults(points, answers, by_hand)
    for name, label in answers.labels:
        if not label.isascii():
            print(f"{label} is called {name} in the files")
    make_folder("new", folder)
    for name, text in files_for(answers, by_hand).items():
        (folder / name).write_text(text, encoding="utf-8")
        print(f"wrote {folder / name}")
    print("Next, without any hardware:")
    print(f"  restart-bench check {folder}              what would happen")
    print(f"  restart-bench run {folder} --simulated    the same, with a model")
    port = _port_here(answers.controller_host)
    print(f"  restart-bench simulate {folder} --port {port or 20001} --panel")
    print("      a rig to work by keyboard, in a terminal of its own; then the next two")
    if not port:
        others = "" if by_hand else ", 20002 at the independent I/O, 20003 at the relay"
        print(f"      with `host: 127.0.0.1, port: 20001` at the controller in rig.yaml{others}")
    print("Then, on the rig:")
    print(f"  restart-bench look {folder}               correct rig.yaml until it reads right")
    print(f"  restart-bench run {folder} --arm {answers.rig}")
    return 0


def _port_here(host: str) -> str:
    """The port typed behind an address of this computer, where a simulated rig can stand; else nothing."""
    address, _, port = host.partition(":")
    return port if address == "127.0.0.1" else ""


def _at_console(question: str, proposed: str) -> str:
    return input(f"{question} [{proposed}]: ").strip() or proposed


def _from_pipe(question: str, proposed: str) -> str:
    """The next line of what was piped in; an empty line, or none any more, takes what is proposed. Said either way."""
    answer = sys.stdin.readline().strip() or proposed
    print(f"{question}: {answer}")
    return answer


def ask_all(
    ask: AskText, folder: str, by_hand: bool, *, again: bool = True, listed: Sequence[ListedPoint] = ()
) -> Answers:
    """All questions; a useless answer is asked for again (`again`), with what is wrong with it. Raises Refused where
    nobody can be asked again, or even the proposed answer is useless."""
    asked = partial(_answer, again=again)
    proposed = re.sub(r"[^a-z0-9_-]+", "-", folder.lower()).strip("-") or "rig"
    rig = asked(ask, "Name of the rig", proposed if _RIG_NAME.fullmatch(proposed) else "rig", _rig_name)
    if listed:
        answers = _grouped(asked, ask, rig, listed)
    else:
        outputs = "Outputs that stay off after a loss of supply (commas between them)"
        stays_off = asked(ask, outputs, "motor", _outputs(()))
        comes_back = asked(ask, "Outputs that come back by themselves", "lamp", _outputs(_names_of(stays_off)))
        labels = tuple((one.name, one.label) for one in (*stays_off, *comes_back) if one.label != one.name)
        answers = Answers(rig, _names_of(stays_off), _names_of(comes_back), labels=labels)
    answers = replace(answers, controller_host=asked(ask, "IP address of the controller", "192.0.2.10", _address))
    if by_hand:
        return replace(answers, mode=asked(ask, _BY_HAND_QUESTION, "no", _mode("by-hand")))
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


def _grouped(asked: Callable[..., tuple[str, ...]], ask: AskText, rig: str, listed: Sequence[ListedPoint]) -> Answers:
    """The same two questions as without a list, of its outputs: one that nothing is demanded of is named in neither."""
    outputs = [one for one in listed if _is_output(one)]
    names = [one.name for one in outputs]
    stays = ", ".join(one.name for one in outputs if "comes_back" not in one.groups) or "none"
    question = "Outputs that stay off after a loss of supply (of the list)"
    stays_off = asked(ask, question, stays, _of_the_list(names, None))
    back = ", ".join(name for name in names if name not in stays_off) or "none"
    question = "Outputs that come back by themselves (of the list)"
    return Answers(rig, stays_off, asked(ask, question, back, _of_the_list(names, stays_off)), listed=tuple(listed))


_MODE_QUESTION = "Shall run mode be left as well, by a mode switch? {}"
_BY_HAND_QUESTION = "Shall run mode be left as well, by a mode switch that a person turns? yes or no"
_YES, _NO = ("yes", "y"), ("no", "n")


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


def _of_the_list(names: Sequence[str], others: tuple[str, ...] | None) -> Callable[[str], tuple[str, ...]]:
    def read(text: str) -> tuple[str, ...]:
        named = [name.strip() for name in text.split(",") if name.strip()]
        if named == ["none"]:
            if others == ():
                raise ValueError("at least one output is needed, and none stays off")
            return ()
        for name in named:
            if name not in names:
                raise ValueError(f"{name} is no output of the list, which has {', '.join(names)}; or write none")
            if name in (others or ()):
                raise ValueError(f"{name} was named among those that stay off; an output does one of both")
        return tuple(name for name in names if name in named)

    return read


_SPELT = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "å": "aa", "æ": "ae", "ø": "oe", "œ": "oe"}
"""Letters that are two without their marks; of all others the mark is left out (é: e)."""


def _point_name(label: str) -> str:
    """The label as a name may be written: `M1 Auger` becomes m1_auger. Raises ValueError where nothing is left."""
    spelt = "".join(_SPELT.get(letter, letter) for letter in unicodedata.normalize("NFC", label.lower()))
    letters = unicodedata.normalize("NFKD", spelt).encode("ascii", "ignore").decode().lower()
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
        if text in _NO:
            return "none"
        if text in _YES and len(ways) == 1:
            return ways[0]
        if text not in ("none", *ways):
            raise ValueError(f"{text}: write {'no or yes' if len(ways) == 1 else ' or '.join(['none', *ways])}")
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


# ---------------------------------------------------------------- a list of points


@dataclass(frozen=True, slots=True)
class _Given:
    """A point that every new rig has: its device, the kinds of address that it may have, its other keys."""

    device: str
    table: str
    address: int
    keys: tuple[tuple[str, str], ...] = ()
    comment: str = ""


_BITS, _REGISTERS = ("coil", "discrete_input"), ("input_register", "holding_register")
_EVIDENCE: dict[str, _Given] = {
    "running": _Given("controller", "discrete_input", 0, (), "       # true in every scan"),
    "heartbeat": _Given("controller", "input_register", 0, (), "       # counts every scan: the program is alive"),
    "uptime": _Given(
        "controller",
        "input_register",
        1,
        (("type", "uint32"), ("words", "big"), ("scale", "0.1"), ("unit", "s")),
        "   # in tenths of a second, falls at a restart",
    ),
}
_WITH_RELAY: dict[str, _Given] = {
    "start_button": _Given("independent", "coil", 0, (("writable", "true"), ("idle", "off"), ("label", "start"))),
    "stop_button": _Given(
        "independent",
        "coil",
        1,
        (("writable", "true"), ("idle", "on"), ("label", "stop")),
        "   # a normally-closed stop",
    ),
    **_EVIDENCE,
    "rail": _Given("independent", "discrete_input", 30),
    "always_on": _Given("independent", "discrete_input", 31),
}
_BY_HAND: dict[str, _Given] = {
    "start_button": _Given("controller", "discrete_input", 1, (("by_hand", "start button"), ("idle", "off"))),
    "stop_button": _Given("controller", "discrete_input", 2, (("by_hand", "stop button"), ("idle", "on"))),
    **_EVIDENCE,
}


def _given(by_hand: bool) -> dict[str, _Given]:
    return _BY_HAND if by_hand else _WITH_RELAY


def _usual_device(name: str, by_hand: bool) -> str:
    given = _given(by_hand).get(name) or _WITH_RELAY.get(name)
    return given.device if given is not None else "controller"


def _is_output(one: ListedPoint) -> bool:
    """True of what the controller works: a coil of it that nobody presses, or whatever has a terminal."""
    return one.name not in _WITH_RELAY and (
        one.terminal is not None or (one.device != "independent" and one.place.table == "coil")
    )


def _usable(file: Path, listed: Sequence[ListedPoint], by_hand: bool) -> tuple[ListedPoint, ...]:
    """The rows that a new rig can have, with a line on those that it can't. Raises FaultsFound."""
    listed, faults = _well_named(file, listed, by_hand)
    faults += _faults_of(file, listed, by_hand)
    if not any(_is_output(one) for one in listed):
        cure = "give a row a coil of the controller, or a terminal"
        faults.append(Fault(str(file), 1, "", "names no output", cure))
    if faults:
        raise FaultsFound(faults)
    if not by_hand:
        return tuple(listed)
    kept = [replace(one, terminal=None) for one in listed if one.device != "independent"]
    left = len(listed) - len(kept)
    if left or any(one.terminal is not None for one in listed):
        print(f"by hand there is no independent I/O: {left} rows and all terminals of {file} are left out")
    return tuple(kept)


def _well_named(file: Path, listed: Sequence[ListedPoint], by_hand: bool) -> tuple[list[ListedPoint], list[Fault]]:
    """The rows with names that points may have: what is no such name becomes the label. And what can't become one."""
    found: list[ListedPoint] = []
    faults: list[Fault] = []
    for one in listed:
        try:
            name = read_point_name(one.name) if _NAME.fullmatch(one.name) else _point_name(one.name)
        except ValueError as problem:
            cure = "write a name like drum_motor; other words can stand in the column label"
            faults.append(Fault(str(file), one.row, "column name", str(problem), cure))
            continue
        if any(other.name == name for other in found) or name in ("stays_off", "comes_back"):
            faults.append(Fault(str(file), one.row, "column name", f"{name} is taken", "use another name"))
        label = one.label if name == one.name else one.label or one.name
        found.append(replace(one, name=name, label=label, device=one.device or _usual_device(name, by_hand)))
    return found, faults


def _faults_of(file: Path, listed: Sequence[ListedPoint], by_hand: bool) -> Iterator[Fault]:
    """What is wrong with a row of a list, as far as the reader of rig files would not say so."""
    given = _given(by_hand)
    named = {one.name for one in listed}
    taken = {(one.device, one.table, one.address): name for name, one in given.items() if name not in named}
    for one in listed:
        if one.device not in ("controller", "independent"):
            cure = "write controller or independent: a new rig has these two"
            yield Fault(str(file), one.row, "column device", f"{one.device} is no device of a new rig", cure)
        expected = given.get(one.name)
        if expected is not None and not (by_hand and one.device == "independent"):
            kinds: tuple[str, ...] = _BITS if expected.table in _BITS else _REGISTERS
            kinds = ("coil",) if expected.device == "independent" and expected.table == "coil" else kinds
            if one.place.table not in kinds or one.device != expected.device:
                text = f"{one.place.table} of {one.device} can't be {one.name}"
                cure = f"write {' or '.join(kinds)} of {expected.device}, or give the point another name"
                yield Fault(str(file), one.row, "column address", text, cure)
        places = [(one.device, one.place, "column address")]
        places += [("independent", one.terminal, "column terminal")] if one.terminal is not None else []
        for device, place, column in places:
            other = taken.get((device, place.table, place.address))
            if other is not None and not by_hand:
                text = f"{place.table} {place.address} of {device} is where a new rig has {other}"
                yield Fault(str(file), one.row, column, text, f"add a row {other} with the address that it has")


def _refuse_faults(file: Path, answers: Answers, by_hand: bool) -> None:
    """Has the suite loaded before it is written. Raises FaultsFound with the rows that its faults come from."""
    from restart_bench.suite.loader import load_suites
    from restart_bench_drivers.registry import cards

    switch = next((one for one in answers.listed if _is_command(one) and one.place.address == _RUN_SWITCH_COIL), None)
    if answers.mode == "point" and switch is not None and all(one.name != "run_switch" for one in answers.listed):
        text = f"coil {_RUN_SWITCH_COIL} of independent is where a new rig has run_switch"
        cure = "add a row run_switch with the address that it has"
        raise FaultsFound([Fault(str(file), switch.row, "column address", text, cure)])
    with tempfile.TemporaryDirectory() as folder:
        for name, text in files_for(answers, by_hand).items():
            (Path(folder) / name).write_text(text, encoding="utf-8")
        try:
            load_suites([Path(folder)], cards=cards())
        except FaultsFound as found:
            rows = {one.name: one.row for one in answers.listed}
            lines = (Path(folder) / "rig.yaml").read_text(encoding="utf-8").splitlines()
            raise FaultsFound(_in_the_list(file, rows, lines, fault) for fault in found.faults) from None


def _in_the_list(file: Path, rows: dict[str, int], lines: Sequence[str], fault: Fault) -> Fault:
    """A fault of the rig file where it stands in the list."""
    _, _, rest = fault.path.partition("points.")
    name, _, key = rest.partition(".")
    if name not in rows and 0 < fault.line <= len(lines):
        name = lines[fault.line - 1].partition(":")[0].strip()
    column = "terminal" if key.startswith("terminal") else key if key in ("label", "idle", *_PLAIN_KEYS) else ""
    column = column or ("address" if key in (*_BITS, *_REGISTERS) else "name")
    return Fault(str(file), rows.get(name, 1), f"column {column}", fault.text, fault.cure)


_PLAIN_KEYS = ("type", "words", "scale", "unit")

# ---------------------------------------------------------------- files


def files_for(answers: Answers, by_hand: bool) -> dict[str, str]:
    """Name and text of every file of the suite."""
    files = {
        "rig.yaml": _rig_by_hand(answers) if by_hand else _rig_with_relay(answers),
        "program.yaml": _program(answers, by_hand),
    }
    if answers.stays_off:
        files["stays-off.yaml"] = _stays_off(answers, by_hand)
    if answers.comes_back:
        files["comes-back.yaml"] = _comes_back(answers, by_hand)
    if answers.mode != "none":
        files["mode-change.yaml"] = _mode_change(answers)
    return files


def _groups(answers: Answers) -> str:
    groups = {"stays_off": answers.stays_off, "comes_back": answers.comes_back}
    return ", ".join(f"{name}: [{', '.join(members)}]" for name, members in groups.items() if members)


def _given_line(answers: Answers, name: str, by_hand: bool) -> str:
    """The line of a point that every new rig has, where the list puts it."""
    given = _given(by_hand)[name]
    table, address, keys = given.table, given.address, dict(given.keys)
    for one in answers.listed:
        if one.name == name:
            table, address = one.place.table, one.place.address
            if {"scale", "unit"} & dict(one.keys).keys():  # one goes with the other
                keys = {key: value for key, value in keys.items() if key not in ("scale", "unit")}
            keys |= dict(one.keys) | ({"label": _quoted(one.label)} if one.label else {})
    told = _told(keys)
    return f"  {name + ':':<13} {{device: {given.device}, {table}: {address}{told}}}{given.comment}\n"


def _told(keys: dict[str, str]) -> str:
    return "".join(f", {key}: {_quoted(value) if key == 'unit' else value}" for key, value in keys.items())


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=not text.isprintable())


def _given_lines(answers: Answers, names: Sequence[str], by_hand: bool) -> str:
    return "".join(_given_line(answers, name, by_hand) for name in names)


def _other_lines(answers: Answers, by_hand: bool) -> str:
    """Points of the list that are neither outputs nor what every new rig has; a coil of the independent I/O is a
    command."""
    others = [one for one in answers.listed if one.name not in _given(by_hand) and not _is_output(one)]
    lines = [_listed_line(one) for one in others]
    return "".join(["  # What else the list names.\n", *lines]) if lines else ""


def _listed_line(one: ListedPoint) -> str:
    keys = dict(one.keys)
    levels = [f"{name}: {keys.pop(name)}" for name in ("off_below", "on_above") if name in keys]
    if _is_command(one):
        keys = {"writable": "true", "idle": "off"} | keys
    else:
        keys.pop("idle", None)  # nobody works it
    if levels:
        keys["levels"] = "{" + ", ".join(levels) + "}"
    if one.terminal is not None:
        keys["terminal"] = f"{{{one.terminal.table}: {one.terminal.address}}}"
    if one.label:
        keys["label"] = _quoted(one.label)
    told = _told(keys)
    return f"  {one.name + ':':<13} {{device: {one.device}, {one.place.table}: {one.place.address}{told}}}\n"


def _is_command(one: ListedPoint) -> bool:
    return one.device == "independent" and one.place.table == "coil"


_RIG_HEAD = """\
# What is wired to what. Addresses count from 0: address 0 = item 1. Every key is explained in the README.
rig: {rig}
loads: harmless              # lamps or dummy loads. A machine needs more: see "Cautions" in the README
devices:
  # The controller goes dark when the supply is cut.
  controller:  {{link: modbus-tcp, {controller}, poll: 10 ms, powered_by: supply}}
"""

_EVIDENCE_HEAD = """\
  # The program has to serve these three; the README has the lines of Structured Text for them.
"""

_MODE_LINES = {
    "none": "",
    "by-hand": "mode: {driver: by-hand, switch: the mode switch, proof: [{running: off}]}   # a person turns it\n",
    "point": "mode: {driver: point, point: run_switch, run: on, proof: [{running: off}]}   # how run mode is left\n",
}
_RUN_SWITCH_COIL = 2
_RUN_SWITCH = (
    f"  run_switch:   {{device: independent, coil: {_RUN_SWITCH_COIL}, writable: true, idle: on, label: run}}"
    "     # its mode switch\n"
)


def _place(host: str) -> str:
    """The keys of a host in one line: its address, and its port where it bears one."""
    address, colon, port = host.partition(":") if host.count(":") == 1 else (host, "", "")
    return f"host: {address}, port: {port}" if colon else f"host: {address}"


_RIG_TAIL = """\
groups: {{{groups}}}
defaults: {{settle: 500 ms, watch: 3 s}}
ready: {{when: {{running: on}}, steady: 200 ms, alive: heartbeat, within: 30 s}}
simulation: program.yaml     # what --simulated runs in place of the hardware
"""


def _rig_with_relay(answers: Answers) -> str:
    listed = any(one.name == "run_switch" for one in answers.listed)
    switch = _RUN_SWITCH if answers.mode == "point" and not listed else ""
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
{_given_lines(answers, ("start_button", "stop_button"), False)}\
{switch}  # Outputs: what the controller says, and the screw terminal as an independent input sees it.
{outputs}{_EVIDENCE_HEAD}{_given_lines(answers, tuple(_EVIDENCE), False)}\
  # An input on the controller's supply proves the cut; one that is always on, the independent I/O.
{_given_lines(answers, ("rail", "always_on"), False)}{_other_lines(answers, False)}\
proof_of_cut: [{{rail: off}}, {{uptime: falls}}]
check_channels: {{always_on: on}}
{_MODE_LINES[answers.mode]}"""
        + _RIG_TAIL.format(groups=_groups(answers))
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
{_given_lines(answers, ("start_button", "stop_button"), True)}\
  # Outputs as the controller says them. While it is dark nobody sees them: that takes independent I/O.
{outputs}{_EVIDENCE_HEAD}{_given_lines(answers, tuple(_EVIDENCE), True)}{_other_lines(answers, True)}\
proof_of_cut: [{{uptime: falls}}, {{contact: lost}}]   # silence alone may be the network's
{_MODE_LINES[answers.mode]}"""
        + _RIG_TAIL.format(groups=_groups(answers))
    )


def _output_lines(answers: Answers, form: str) -> str:
    if answers.listed:
        return "".join(_listed_line(one) for one in answers.listed if _is_output(one))
    names, labels = (*answers.stays_off, *answers.comes_back), dict(answers.labels)
    lines = []
    for n, name in enumerate(names):
        label = f", label: {json.dumps(labels[name], ensure_ascii=False)}" if name in labels else ""
        lines.append(f"  {name + ':':<13} {form.format(n=n, label=label)}\n")
    return "".join(lines)


def _program(answers: Answers, by_hand: bool) -> str:
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
    memory = f"memory:\n{memory}" if memory else ""
    given = {*_given(by_hand), *(["run_switch"] if answers.mode == "point" else [])}  # no program reads its own switch
    others = [one for one in answers.listed if _is_command(one) and one.name not in given]
    commands = "".join(
        f"  {one.name}: {{role: command, rest: {dict(one.keys).get('idle', 'off')}}}\n" for one in others
    )
    return f"""\
# A model of the controller's program: what `--simulated` runs. Write here what yours does.
program: {answers.rig}, edition 1
scan: 10 ms
boot: {{dark: 300 ms, refusing: 200 ms, silent: 100 ms, busy: 100 ms, answering: 200 ms}}   # then it runs
start_pass: clears coils
inputs:
  start_button: {{role: command, rest: off}}
  stop_button:  {{role: command, rest: on}}
{commands}{memory}rungs:
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
{_started(everything)}cut: {{how: supply, off_for: 3 s}}
after:
{_BY_HAND_TIMES if by_hand else _READY_TIMES}  expect:
{demanded}function_check:              # the program still works
  - press: start_button
  - expect: {{{everything}}}
repeat: 3
"""


def _started(everything: str) -> str:
    """The state before the cut: everything on by the start button."""
    return f"before:\n  - press: start_button\n  - expect: {{{everything}}}\n  - wait: 1 s\n"


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
{_started(everything)}cut: {{how: supply, off_for: 3 s}}
after:
  expect:
{demanded}repeat: 3
"""


def _mode_change(answers: Answers) -> str:
    groups = (("stays_off: off", answers.stays_off), ("comes_back: on", answers.comes_back))
    demanded = "".join(f"    {demand}\n" for demand, members in groups if members)
    everything = ", ".join(f"{name}: on" for name in (*answers.stays_off, *answers.comes_back))
    return f"""\
scenario: mode-change
purpose: The same outputs stay off, and the same come back, when the controller leaves run mode and returns.
{_started(everything)}cut: {{how: mode, off_for: 3 s}}
after:
  expect:
{demanded}repeat: 3
"""
