"""A simulated rig for any program: every input can be pressed, every output has a terminal, times are short."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from restart_bench.model.program import Bistable, Coil, Counter, Edge, Program, Reset, Rung, Set, Timer
from restart_bench.model.rig import Device, Point, Ready, Rig, RigSupply, SupplyLimits
from restart_bench.model.scenario import Action, Case, Scenario, Step
from restart_bench.plc.conditions import show_condition
from small_rig import BOOT, command, output, rig_text

MS = 1_000_000
MODE = "mode: {driver: point, point: run_switch, run: on, proof: [{running: off}]}\n"


def write_rig(folder: Path, program: Program, outputs: Sequence[str]) -> None:
    """rig.yaml and program.yaml of a program."""
    points = [
        *(command(one.name, number, idle=_bool(one.rest)) for number, one in enumerate(program.inputs)),
        *(output(name, number) for number, name in enumerate(outputs)),
        command("run_switch", 63, idle="on"),
    ]
    defaults = "{settle: 300 ms, watch: 600 ms, longer_than: 300 ms}"
    text = rig_text("predicted", points, poll="20 ms", rail=63, defaults=defaults, steady="100 ms", within="5 s")
    (folder / "rig.yaml").write_text(text + MODE, encoding="utf-8")
    (folder / "program.yaml").write_text(program_text(program), encoding="utf-8")


def program_text(program: Program) -> str:
    """A program as a file."""
    lines = [
        f"program: {program.name}",
        f"scan: {program.scan_ns // 1_000_000} ms",
        BOOT,
        f"start_pass: {program.start_pass}",
        f"outputs: {program.outputs}",
        f"saved: {program.saved}",
        "inputs:",
        *(f"  {one.name}: {{role: {one.role}, rest: {_bool(one.rest)}}}" for one in program.inputs),
    ]
    timed = {rung.name for rung in program.rungs if isinstance(rung, Timer | Edge)}
    if program.memory:
        lines.append("memory:")
    for one in program.memory.values():
        initial = "" if one.name in timed else f", initial: {_bool(one.initial)}"
        lines.append(f"  {one.name}: {{retained: {_bool(one.retained)}{initial}}}")
    return "\n".join([*lines, "rungs:", *(f"  - {{{_rung(rung)}}}" for rung in program.rungs)]) + "\n"


def _bool(value: float) -> str:
    return ("on" if value else "off") if isinstance(value, bool) else str(value)


def _rung(rung: Rung) -> str:
    match rung:
        case Coil():
            return f"coil: {rung.target}, when: {show_condition(rung.when)}"
        case Set():
            return f"set: {rung.target}, when: {show_condition(rung.when)}"
        case Reset():
            return f"reset: {rung.target}, when: {show_condition(rung.when)}"
        case Edge():
            return f"{rung.kind}: {rung.name}, when: {show_condition(rung.when)}"
        case Bistable():
            parts = f"set: {show_condition(rung.set)}, reset: {show_condition(rung.reset)}"
            return f"bistable: {rung.name}, kind: {rung.kind}, {parts}"
        case Counter():
            other = "clear" if rung.kind == "CTU" else "load"
            again = f", {other}: {show_condition(rung.reset)}" if rung.reset is not None else ""
            when = f"when: {show_condition(rung.when)}{again}"
            return f"counter: {rung.name}, kind: {rung.kind}, {when}, preset: {rung.preset}"
        case Timer():
            preset = f"{rung.preset_ns // 1_000_000} ms"
            return f"timer: {rung.name}, kind: {rung.kind}, preset: {preset}, when: {show_condition(rung.when)}"


def rig_for(program: Program, outputs: Sequence[str]) -> Rig:
    """The same rig as a value."""
    points = [Point(one.name, "independent", "coil", 0, writable=True, idle=bool(one.rest)) for one in program.inputs]
    points += [Point(name, "controller", "coil", 0, terminal=f"{name}_terminal") for name in outputs]
    points += [Point(f"{name}_terminal", "independent", "discrete_input", 0) for name in outputs]
    return Rig(
        name="predicted",
        loads="harmless",
        devices={
            "controller": Device("controller", "192.0.2.10", powered_by_supply=True),
            "independent": Device("independent", "192.0.2.20"),
        },
        points={point.name: point for point in points},
        supply=RigSupply("modbus-coil", contact="normally-open", limits=SupplyLimits(dips_up_to_ns=50 * MS)),
        ready=Ready(steady_ns=100 * MS),
    )


def scenario_of(
    *actions: Action, name: str = "played", how: Literal["supply", "mode"] = "supply", **more: Any
) -> Scenario:
    """A scenario of these steps, with a cut of a second and a watch of two."""
    steps = tuple(Step("before", number, action, "") for number, action in enumerate(actions))
    told = Scenario(name, how, (Case("", 1000 * MS),), steps, watch_ns=2000 * MS)
    return replace(told, **more)
