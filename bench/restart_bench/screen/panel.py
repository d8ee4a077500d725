"""The panel of a simulated rig: what its keys do. Pure: a panel and a key in, a panel and commands for the rig out.

The commands are those of `simulated/world.py:World.obey`. How it looks is drawn by `panel_frame`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from restart_bench.model.fault_catalogue import FAULTS, FaultKey
from restart_bench.model.rig import Rig
from restart_bench.model.wording import without_controls
from restart_bench.simulated.handle import RigSeen

PRESS_NS = 300_000_000
"""So long a button is pressed by a key: a terminal does not say when the key is let go."""

Command = Mapping[str, Any]
Page = Literal["rig", "faults", "point", "value"]


@dataclass(frozen=True, slots=True)
class Control:
    """Something that somebody at the rig can work. `rest`: what it is when nobody does. A button springs back; an input
    that nobody presses (a level switch) stays as it was put."""

    name: str
    shown: str
    rest: bool
    springs: bool


@dataclass(frozen=True, slots=True)
class Panel:
    """What the panel shows, and where its mark stands. `fault`, `point`: what of a fault is chosen already; `typed`: a
    value that is being typed; `said`: what the last key did."""

    controls: tuple[Control, ...]
    has_mode: bool
    by_hand: bool = False  # a person switches: there is no relay
    page: Page = "rig"
    row: int = 0
    fault: str = ""
    point: str = ""
    typed: str = ""
    said: str = ""
    left: bool = False


@dataclass(frozen=True, slots=True)
class Pressed:
    """What became of the panel, and what the rig has to do."""

    panel: Panel
    commands: tuple[Command, ...] = ()


def panel_for(
    rig: Rig, names: Sequence[str], rests: Mapping[str, bool], commands: Sequence[str], *, by_hand: bool = False
) -> Panel:
    """The panel of a rig whose controls have these names. `rests` of inputs that are no points of the rig; `commands`
    are the inputs that spring back; `by_hand`: a person switches the supply."""
    controls = []
    for name in names:
        point = rig.points.get(name)
        springs = name in commands or (point is not None and point.writable)
        rest = bool(point.at_rest) if point is not None and point.writable else rests.get(name, False)
        controls.append(Control(name, without_controls(point.shown if point is not None else name), rest, springs))
    return Panel(tuple(controls), rig.mode is not None, by_hand)


def faults_listed(*, by_hand: bool) -> tuple[str, ...]:
    """The faults that can be ordered, in the order of the catalogue: none of a relay where a person switches."""
    return tuple(name for name in FAULTS if not (by_hand and name.startswith("relay-")))


def points_for(rig_points: Sequence[str], program: Sequence[str], inputs: Sequence[str], fault: str) -> tuple[str, ...]:
    """The names at which a fault can play."""
    key = _required(fault, "point")
    among = {"rig": rig_points, "program": program, "inputs": inputs}
    return tuple(among[key.among]) if key is not None else ()


def pressed(panel: Panel, key: str, seen: RigSeen, points: Sequence[str]) -> Pressed:
    """One key. `points` are the names that stand on the page of points (see `points_for`)."""
    if panel.page == "rig":
        return _on_rig(panel, key, seen)
    if key == "escape":
        return Pressed(replace(panel, page="rig", row=0, fault="", point="", typed="", said=""))
    if panel.page == "faults":
        return _on_faults(panel, key, seen)
    if panel.page == "point":
        return _on_points(panel, key, seen, points)
    return _on_value(panel, key, seen)


def _on_rig(panel: Panel, key: str, seen: RigSeen) -> Pressed:
    if key == "q":
        return Pressed(replace(panel, left=True))
    if key == "s":
        word = "OFF" if seen.supply else "ON"
        return Pressed(replace(panel, said=f"supply switched {word}"), ({"command": "supply", "on": not seen.supply},))
    if key == "m":
        if not panel.has_mode:
            return Pressed(replace(panel, said="this rig has no mode switch: `mode:` in rig.yaml"))
        word = "out of run mode" if seen.run else "to run mode"
        return Pressed(replace(panel, said=f"mode switch {word}"), ({"command": "mode", "run": not seen.run},))
    if key == "f":
        return Pressed(replace(panel, page="faults", row=0, said=""))
    if key == "x":
        said = "no ordered fault plays any more" if seen.faults else "no fault was ordered"
        return Pressed(replace(panel, said=said), ({"command": "forget"},))
    if key in ("up", "down"):
        return Pressed(_moved(panel, key, len(panel.controls)))
    if key.isdecimal() and 1 <= int(key) <= len(panel.controls):
        return _worked(replace(panel, row=int(key) - 1), seen, held=False)
    if key in ("enter", " ") and panel.controls:
        return _worked(panel, seen, held=key == " ")
    if key.isdecimal():
        return Pressed(replace(panel, said=f"there is no button {key}"))
    return Pressed(panel)


def _worked(panel: Panel, seen: RigSeen, *, held: bool) -> Pressed:
    """A button is pressed briefly, held or let go; what does not spring back goes to the other side."""
    control = panel.controls[panel.row]
    out_of_rest = bool(seen.values.get(control.name, control.rest)) != control.rest
    out_of_rest &= control.name not in seen.springing  # it springs back by itself: who holds it now presses on
    if control.springs and not held:
        said = f"{control.shown} pressed"
        command: Command = {"command": "press", "name": control.name, "for_ns": PRESS_NS}
        return Pressed(replace(panel, said=said), (command,))
    value = control.rest if out_of_rest else not control.rest
    done = "let go" if out_of_rest else "held"
    said = f"{control.shown} {done}" if control.springs else f"{control.shown} {'on' if value else 'off'}"
    return Pressed(replace(panel, said=said), ({"command": "work", "name": control.name, "value": value},))


def _on_faults(panel: Panel, key: str, seen: RigSeen) -> Pressed:
    names = faults_listed(by_hand=panel.by_hand)
    if key in ("up", "down", "home", "end"):
        return Pressed(_moved(panel, key, len(names)))
    if key != "enter":
        return Pressed(panel)
    chosen = replace(panel, fault=names[panel.row], row=0)
    if _required(chosen.fault, "point") is not None:
        return Pressed(replace(chosen, page="point"))
    return _value_or_order(chosen, seen)


def _on_points(panel: Panel, key: str, seen: RigSeen, points: Sequence[str]) -> Pressed:
    if key in ("up", "down", "home", "end"):
        return Pressed(_moved(panel, key, len(points)))
    if key != "enter" or not points:
        return Pressed(panel)
    return _value_or_order(replace(panel, point=points[panel.row]), seen)


def _value_or_order(panel: Panel, seen: RigSeen) -> Pressed:
    if _required(panel.fault, "value") is not None:
        return Pressed(replace(panel, page="value", typed=""))
    return _ordered(panel, seen)


def _on_value(panel: Panel, key: str, seen: RigSeen) -> Pressed:
    if key == "backspace":
        return Pressed(replace(panel, typed=panel.typed[:-1]))
    if key in "0123456789.-" and len(panel.typed) < 12:
        return Pressed(replace(panel, typed=panel.typed + key))
    if key != "enter":
        return Pressed(panel)
    try:
        value = float(panel.typed)
    except ValueError:
        return Pressed(replace(panel, said=f"{panel.typed or 'nothing'}: type a number"))
    return _ordered(panel, seen, int(value) if value.is_integer() else value)


def _ordered(panel: Panel, seen: RigSeen, value: int | float | None = None) -> Pressed:
    """The fault plays in the next cut, once."""
    cut = seen.cut + 1
    settings: dict[str, Any] = {"from_cut": cut, "to_cut": cut}
    settings |= {"point": panel.point} if panel.point else {}
    settings |= {"value": value} if value is not None else {}
    said = f"{panel.fault}{f' at {panel.point}' if panel.point else ''} ordered for cut {cut}"
    command: Command = {"command": "fault", "name": panel.fault, "settings": settings}
    return Pressed(replace(panel, page="rig", row=0, fault="", point="", typed="", said=said), (command,))


def _moved(panel: Panel, key: str, rows: int) -> Panel:
    row = {"up": panel.row - 1, "down": panel.row + 1, "home": 0, "end": rows - 1}[key]
    return replace(panel, row=max(0, min(rows - 1, row)))


def _required(fault: str, kind: str) -> FaultKey | None:
    found = FAULTS.get(fault)
    return next((key for key in found.keys if key.kind == kind and key.required), None) if found is not None else None
