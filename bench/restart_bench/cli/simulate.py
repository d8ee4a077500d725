"""`simulate`: serves the simulated rig, with lines for programs or a panel for people."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from rich.console import Console, Group
from rich.live import Live

from restart_bench.cli.common import complain
from restart_bench.model.outcome import Refused
from restart_bench.model.program import Program
from restart_bench.model.rig import Rig
from restart_bench.screen.keyboard import Keyboard, has_keyboard
from restart_bench.screen.panel import Panel, Pressed, panel_for, points_for, pressed
from restart_bench.screen.panel_frame import Served, panel_frame
from restart_bench.screen.screen import glyphs_for
from restart_bench.simulated.handle import PANEL, PortsTaken, Simulation, serve, worked_by

_DRAWN_EVERY_S = 0.1


def serve_rig(rig: Rig, model: Program, console: Console, *, seed: int, first_port: int, panel: bool) -> int:
    """Serves until Ctrl-C, or q at the panel. Raises Refused where a panel has no console, or a port is taken."""
    if panel and not (console.is_terminal and has_keyboard()):
        raise Refused("--panel: nobody can work it here, input or output is no console; leave it out")
    try:
        if panel:
            simulation = Simulation(rig, model, truth=None, seed=seed, first_port=first_port)
            with simulation, suppress(KeyboardInterrupt):
                _work(simulation, model, console, by_hand=rig.supply is not None and rig.supply.by_hand)
            return 0
        serve(rig, model, seed=seed, first_port=first_port, say=_saying(worked_by(rig)))
    except PortsTaken as taken:
        raise Refused(f"--port {first_port}: {taken}; end what uses it, or choose another first port") from None
    return 0


def _saying(first: list[str]) -> Callable[[str], None]:
    """Prints lines; before the first of them, once all ports are open, it tells people what they can work."""

    def say(line: str) -> None:
        while first:
            complain(first.pop(0))
        print(line, flush=True)

    return say


def _work(simulation: Simulation, model: Program, console: Console, *, by_hand: bool) -> None:
    rig, glyphs = simulation.worked, glyphs_for(console)
    rests = {one.name: bool(one.rest) for one in model.inputs}
    commands = [one.name for one in model.inputs if one.role == "command"]
    unseen = (PANEL, "supply") if by_hand else (PANEL,)  # the buttons stand on the panel itself, and nobody has a relay
    ports = {name: port for name, port in simulation.ports.items() if name not in unseen}
    served = Served(rig, ports)
    program = dict.fromkeys([*model.memory, *(one.name for one in rig.outputs())])
    panel = panel_for(rig, simulation.controls, rests, commands, by_hand=by_hand)
    with Keyboard() as keyboard, Live(console=console, screen=True, auto_refresh=False) as live:
        while not panel.left:
            seen = simulation.look()
            points = points_for(tuple(rig.points), tuple(program), tuple(rests), panel.fault)
            width, height = console.size
            live.update(Group(*panel_frame(served, panel, seen, points, width, height, glyphs)), refresh=True)
            for key in keyboard.read(_DRAWN_EVERY_S):
                points = points_for(tuple(rig.points), tuple(program), tuple(rests), panel.fault)
                panel = _obeyed(simulation, pressed(panel, key, simulation.look(), points))


def _obeyed(simulation: Simulation, done: Pressed) -> Panel:
    """Has the rig do what a key asks of it; what it refuses is said."""
    try:
        for command in done.commands:
            simulation.send(command)
    except ValueError as refused:
        return replace(done.panel, said=str(refused))
    return done.panel
