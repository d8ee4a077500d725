"""One picture of the panel of a simulated rig. No clock and no console in here: values in, lines of text out."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from restart_bench.model.fault_catalogue import FAULTS
from restart_bench.model.program import InjectedFault
from restart_bench.model.rig import Point, Rig, Value
from restart_bench.model.wording import value_word, without_controls
from restart_bench.screen.frame import shortened
from restart_bench.screen.panel import Panel, faults_listed
from restart_bench.screen.strips import Glyphs
from restart_bench.simulated.faults import idle_key
from restart_bench.simulated.handle import HOST, RigSeen

_LEAST_WIDTH = 60
_MOST_FAULT_LINES = 3
_BESIDE_FAULT = 27  # the longest name of a fault, and a gap
_KEYS = (
    "digit or Enter: press   Space: hold, let go   s: supply",
    "f: order a fault   x: no more faults   arrows: choose   q: quit",
)
_LIST_KEYS = ("arrows: choose   Enter: take it   Esc: back",)
_VALUE_KEYS = ("digits: type the value   Enter: order the fault   Esc: back",)


@dataclass(frozen=True, slots=True)
class Served:
    """What does not change while the rig is served: the rig as it is worked, ports by device. Not which program it is:
    who works the panel may have to find that out."""

    rig: Rig
    ports: Mapping[str, int]


def panel_frame(
    served: Served, panel: Panel, seen: RigSeen, points: Sequence[str], width: int, height: int, glyphs: Glyphs
) -> list[Text]:
    """The whole picture: at most `height` lines of at most `width` columns. `points` as in `panel.pressed`."""
    window, width = width, max(width, _LEAST_WIDTH)
    head = [*_title(served, seen, width), _state(served, seen, glyphs), Text()]
    with_mode = (f"{_KEYS[0]}   m: run mode", *_KEYS[1:]) if panel.has_mode else _KEYS
    keys = {"rig": with_mode, "value": _VALUE_KEYS}.get(panel.page, _LIST_KEYS)
    said = FAULTS[faults_listed(by_hand=panel.by_hand)[panel.row]].does if panel.page == "faults" else panel.said
    told = textwrap.wrap(said, width) or [""]
    foot = [
        *_faults(seen, width),
        *(Text(one, style="bold") for one in told),
        *(Text(one, style="dim") for one in keys),
    ]
    room = max(3, height - len(head) - len(foot))
    body = _body(served, panel, seen, points, width, room, glyphs)
    lines = [*head, *body, *[Text()] * (room - len(body)), *foot]
    for line in lines:
        line.truncate(window)  # of a narrower one the right end is missing, and no line is broken
    return lines[:height]


def _title(served: Served, seen: RigSeen, width: int) -> list[Text]:
    left = Text(without_controls(served.rig.name), style="bold")
    left.append("  SIMULATED", style="bold yellow")
    right = f"cuts and mode changes: {seen.cut}" if served.rig.mode is not None else f"cuts: {seen.cut}"
    left.truncate(max(10, width - len(right) - 2))
    left.append(" " * max(2, width - left.cell_len - len(right))).append(right, style="bold")
    places = [f"{name} {port}" for name, port in served.ports.items()]
    return [left, *(Text(line, style="dim") for line in textwrap.wrap(f"ports at {HOST}: {', '.join(places)}", width))]


def _state(served: Served, seen: RigSeen, glyphs: Glyphs) -> Text:
    """Supply, mode switch and controller in one line; a lamp beside each, so that colour is not needed."""
    level = "ON" if seen.rail >= 1 else "OFF" if seen.rail <= 0 else f"{seen.rail:.0%}"
    told = "" if seen.supply is (seen.rail > 0) else f" (switched {'on' if seen.supply else 'off'})"
    line = _lamp(f"SUPPLY {level}{told}", seen.rail > 0, glyphs)
    if served.rig.mode is not None:
        line.append("   ").append_text(_lamp("RUN MODE" if seen.run else "OUT OF RUN MODE", seen.run, glyphs))
    stage = "OUT OF RUN MODE" if seen.stage == "out of run" else seen.stage.upper()
    return line.append("   ").append_text(_lamp(f"controller {stage}", seen.stage == "running", glyphs))


def _lamp(words: str, lit: bool, glyphs: Glyphs) -> Text:
    return Text(f"{glyphs.lamp_on if lit else glyphs.lamp_off} {words}", style="bold green" if lit else "bold red")


def _body(
    served: Served, panel: Panel, seen: RigSeen, points: Sequence[str], width: int, room: int, glyphs: Glyphs
) -> list[Text]:
    if panel.page == "faults":
        names = faults_listed(by_hand=panel.by_hand)
        across = width - _BESIDE_FAULT - 2
        rows = [f"{name:<{_BESIDE_FAULT}}{shortened(FAULTS[name].does, across)}" for name in names]
        return _chosen("Which fault, in the next cut?", rows, panel.row, room, width)
    if panel.page == "point":
        shown = [_called(served.rig, name) for name in points]
        return _chosen(f"{panel.fault}: where?", shown, panel.row, room, width)
    if panel.page == "value":
        return [Text(f"{panel.fault} at {panel.point}: which value? {panel.typed}_", style="bold")]
    half = (width - 2) // 2
    return _beside(_controls(panel, seen, room, glyphs), _points(served.rig, panel, seen, room, glyphs, half), half)


def _called(rig: Rig, name: str) -> str:
    point = rig.points.get(name)
    return f"{name:<22} {without_controls(point.label)}" if point is not None and point.label else name


def _chosen(question: str, rows: Sequence[str], row: int, room: int, width: int) -> list[Text]:
    """As much of a list as there is room for, with its mark."""
    first = max(0, min(row - (room - 1) // 2, len(rows) - (room - 1)))
    last = min(len(rows), first + room - 1)
    beyond = [word for word, is_so in (("above", first > 0), ("below", last < len(rows))) if is_so]
    more = f"  {row + 1} of {len(rows)}, more {' and '.join(beyond)}" if beyond else ""
    lines = [Text(question, style="bold").append(more, style="dim not bold")]
    for place in range(first, last):
        text = set_cell_size(rows[place], width - 2).rstrip()
        lines.append(Text(f"{'>' if place == row else ' '} {text}", style="bold reverse" if place == row else ""))
    return lines


def _controls(panel: Panel, seen: RigSeen, room: int, glyphs: Glyphs) -> list[Text]:
    lines = [Text("work with the keys", style="dim")]
    first = max(0, min(panel.row - (room - 2), len(panel.controls) - (room - 1)))
    for place, control in enumerate(panel.controls[first : first + room - 1], first):
        value = bool(seen.values.get(control.name, control.rest))
        digit = str(place + 1) if place < 9 else " "
        mark = ">" if place == panel.row else " "
        worked = "  pressed" if control.springs and value != control.rest else ""
        if control.springs and control.rest and not worked:
            worked = "  (on at rest)"
        line = Text(f"{mark}{digit} {_lit(value, glyphs)} ", style="bold" if place == panel.row else "")
        lines.append(line.append(control.shown).append(worked, style="bold yellow"))
    if not panel.controls:
        lines.append(Text("nothing: no button of this rig is known", style="dim"))
    return lines


def _points(rig: Rig, panel: Panel, seen: RigSeen, room: int, glyphs: Glyphs, half: int) -> list[Text]:
    """Outputs first, as their terminals are; then all that is read otherwise. It is said where the bench reads no
    terminal: it can only tell then what the controller says."""
    outputs = [point.name for point in rig.outputs()]
    left_out = {one.name for one in panel.controls} | {rig.mode.point if rig.mode is not None else ""}
    left_out |= {rig.points[name].terminal for name in (*outputs, *left_out) if name in rig.points}
    others = [name for name in rig.points if name not in outputs and name not in left_out]
    read = all(rig.points[name].terminal for name in outputs)
    lines = [Text("outputs, at their terminals" if read else "outputs (no input reads them)", style="dim")]
    lines += [_value_line(rig.points[name], seen.values.get(name), glyphs, half) for name in outputs]
    if others:
        lines.append(Text("all else, as it is in the rig", style="dim"))
        lines += [_value_line(rig.points[name], seen.values.get(name), glyphs, half) for name in others]
    if len(lines) > room:
        hidden = len(lines) - room + 1
        lines = [*lines[: room - 1], Text(f"... and {hidden} more: make the window taller", style="dim")]
    return lines


def _value_line(point: Point, value: Value | None, glyphs: Glyphs, half: int) -> Text:
    name = without_controls(point.shown)
    if point.is_boolean:
        lit = bool(value)
        return Text(f"{_lit(lit, glyphs)} {name}", style="bold green" if lit else "")
    unit = f" {without_controls(point.unit)}" if point.unit else ""
    whole = int(value) if isinstance(value, float) and value.is_integer() else value
    said = f"{value_word(whole)}{unit}"
    room = max(4, half - cell_len(said) - 6)
    return Text(f"      {set_cell_size(name, min(room, max(cell_len(name), 1)))} {said}")


def _lit(value: bool, glyphs: Glyphs) -> str:
    return f"{glyphs.lamp_on} on " if value else f"{glyphs.lamp_off} off"


def _beside(left: list[Text], right: list[Text], half: int) -> list[Text]:
    lines = []
    for row in range(max(len(left), len(right))):
        line = left[row].copy() if row < len(left) else Text()
        line.truncate(half)
        line.append(" " * (half + 2 - line.cell_len))
        if row < len(right):
            line.append_text(right[row])
        lines.append(line)
    return lines


def _faults(seen: RigSeen, width: int) -> list[Text]:
    if not seen.faults:
        return [Text("no fault is ordered", style="dim")]
    told = "; ".join(_ordered(one, seen) for one in seen.faults)
    return [Text(line, style="bold yellow") for line in textwrap.wrap(f"faults: {told}", width)[-_MOST_FAULT_LINES:]]


def _ordered(fault: InjectedFault, seen: RigSeen) -> str:
    point, cut = fault.settings.get("point"), fault.settings.get("from_cut")
    why = seen.idle_faults.get(idle_key(fault.name, point, cut), "")
    return f"{fault.name}{f' at {point}' if point else ''} in cut {cut}{f' HAD NO EFFECT: {why}' if why else ''}"
