"""`python -m restart_bench.simulated`: a simulated rig as a process of its own.

Standard input: one line, the setup (`setup.SimulationSetup`), then one command a line (`World.obey`).
Standard output: one line, the ports; then one line for each command, {"done": true} or {"problem": "..."}.
It ends when its standard input ends, which is also the end of its parent. It pays no heed to Ctrl-C: its parent does.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import threading
from typing import Any

from restart_bench.simulated.port import PortTaken
from restart_bench.simulated.setup import SimulationSetup, setup_from_line
from restart_bench.simulated.world import World


def main() -> None:
    """Serve until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    line = sys.stdin.readline()
    if line:
        asyncio.run(_serve(setup_from_line(line)))


async def _serve(setup: SimulationSetup) -> None:
    try:
        world = World(setup)
        ports = await world.open()
    except (ValueError, OSError) as problem:
        _tell({"problem": str(problem), "taken": isinstance(problem, PortTaken)})
        return
    lines: asyncio.Queue[str] = asyncio.Queue()
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda loop, told: _fail(loop, told, lines))
    threading.Thread(target=_read_lines, args=(loop, lines), daemon=True).start()
    _tell({"ports": ports, "controls": world.controls})
    try:
        while line := await lines.get():
            _tell(_obeyed(world, line))
    finally:
        world.close()


def _fail(loop: asyncio.AbstractEventLoop, told: dict[str, Any], lines: asyncio.Queue[str]) -> None:
    """Whatever goes wrong in the simulation ends it: no client may take it for something a controller does."""
    loop.default_exception_handler(told)
    lines.put_nowait("")


def _obeyed(world: World, line: str) -> dict[str, Any]:
    try:
        answer = world.obey(json.loads(line))
    except (ValueError, KeyError, TypeError) as problem:
        return {"problem": str(problem)}
    return {"done": True, **answer}


def _read_lines(loop: asyncio.AbstractEventLoop, lines: asyncio.Queue[str]) -> None:
    """In a thread, since no event loop reads standard input on every system. "" is its end."""
    while line := sys.stdin.readline():
        loop.call_soon_threadsafe(lines.put_nowait, line)
    loop.call_soon_threadsafe(lines.put_nowait, "")


def _tell(what: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
