"""Fifteen small programs whose restart every practitioner should be able to foretell, and five editions of one."""

from __future__ import annotations

from restart_bench.model.program import Coil, Edge, Expr, Input, Memory, Program, Reset, Rung, Set, Timer
from restart_bench.plc.conditions import parse_condition

MS = 1_000_000
NAMES_OF_INPUTS = {"start": ("command", False), "stop": ("command", True), "swap": ("command", False)}
SENSORS = {"level_low": ("sensor", False)}


def program(text: str, *, clears: bool = True, retained: str = "", at_once: bool = False) -> Program:
    """A program of lines like `m := start AND stop`, `set m: start`, `t = TON 500: go`, `e = rising: start`.

    `start` and `swap` are off at rest, `stop` on (a normally closed contact), `level_low` is a sensor.
    """
    lines = [line.strip() for line in text.strip().splitlines()]
    rungs = tuple(_rung(line, number) for number, line in enumerate(lines, 1))
    inputs = tuple(
        Input(name, role, rest)  # type: ignore[arg-type]
        for name, (role, rest) in (NAMES_OF_INPUTS | SENSORS).items()
        if name in text
    )
    return Program(
        "small",
        start_pass="clears coils" if clears else "none",
        outputs="at once" if at_once else "at scan end",
        inputs=inputs,
        memory={name: Memory(name, True) for name in retained.split()},
        rungs=rungs,
    )


def _rung(line: str, number: int) -> Rung:
    if ":=" in line:
        target, text = line.split(":=")
        return Coil(target.strip(), _when(text), number)
    head, text = line.split(":")
    word, name = head.split()[:2]
    if word in ("set", "reset"):
        return (Set if word == "set" else Reset)(name, _when(text), number)
    block, kind, *preset = head.replace("=", " ").split()
    if kind in ("rising", "falling"):
        return Edge(block, kind, _when(text), number)  # type: ignore[arg-type]
    return Timer(block, kind, int(preset[0]) * MS, _when(text), number)  # type: ignore[arg-type]


def _when(text: str) -> Expr:
    return parse_condition(text)


PAIR = "set m: start\nreset m: NOT stop"
SMALL = {
    "held by its own contact": program("m := (start OR m) AND stop", retained="m"),
    "set and reset": program(PAIR, retained="m"),
    "reset on the first scan": program("set m: start\nreset m: NOT stop OR first_scan", retained="m"),
    "a lamp before the reset": program("lamp := m\nset m: start\nreset m: NOT stop OR first_scan", retained="m"),
    "no clearing pass": program("m := (start OR m) AND stop", clears=False, retained="m"),
    "no clearing pass, not retained": program("m := (start OR m) AND stop", clears=False),
    "not retained": program(PAIR),
    "rising edge": program("e = rising: start\nset m: e\nreset m: NOT stop"),
    "rising edge, edge retained": program("e = rising: start\nset m: e\nreset m: NOT stop", retained="e"),
    "automatic with a sensor": program(
        "set auto: start\nreset auto: NOT stop\nm := auto AND level_low", retained="auto"
    ),
    "between two rungs": program(
        "m := a AND b\nset b: swap AND a\nreset a: b\nset a: start AND NOT b\nreset b: NOT stop", retained="a b"
    ),
    "timer": program("set go: start\nreset go: NOT stop\nt = TON 500: go\nm := t", retained="go"),
    "falling edge": program("e = falling: start\nm := e"),
    "request": program(
        "reset m: first_scan\nset req: start\nreset req: NOT stop\nset m: req\nreset m: NOT stop", retained="m req"
    ),
    "a copy": program("m := (start OR hold) AND stop\nhold := m", clears=False, retained="hold"),
    "a copy, rungs swapped": program("hold := m\nm := (start OR hold) AND stop", clears=False, retained="hold"),
    "two memories": program(
        "set a: start\nset b: start\nreset a: NOT stop\nreset b: NOT stop\nm := a OR b", retained="a b"
    ),
    "two timers": program(
        "set go: start\nreset go: NOT stop\nt2 = TON 200: go\nt5 = TON 500: go\nm := t5 AND NOT t2\nk := t2 AND NOT t5",
        retained="go",
    ),
}
