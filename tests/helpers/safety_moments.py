"""Something happens to the bench at one moment of a run: the stages of a cycle, and the ways in which it may end.

`Moment.install` puts hooks into the bench in this process. `python safety_moments.py FOLDER LOGS [STAGE CYCLE]`
performs an armed run in a process of its own that kills itself at that moment; without a stage it goes to its end.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

IN_A_PRESS = "in a press"
"""Not a stage of its own: within the first press, after the device obeyed and before the bench has noted it."""
STAGES = ("before", "cut", "off", "restore", "wait for ready", "watch", "function check", "archive")
PHASES = {
    "before": "before",
    "off": "power is off",
    "wait for ready": "waiting for ready",
    "watch": "watching",
    "function check": "function check",
}
"""What the screen calls the stages in which the bench waits."""
BUTTON_IS_PRESSED = ("before", "function check")

Patch = Callable[[object, str, Any], None]


class Moment:
    """Calls `then` once, at a stage of a cycle. In `before` and `function check` that is while a button is pressed;
    `cut` and `restore` are within the command to the relay, `early` before the relay got it, else after it obeyed."""

    def __init__(self, stage: str, then: Callable[[Moment], None], *, cycle: int = 1, early: bool = False) -> None:
        assert stage in (*STAGES, IN_A_PRESS)
        self.stage, self.cycle, self.early = stage, cycle, early
        self._then = then
        self.fired = False
        self.context: Any = None
        self.in_cycle = 0
        self.folder = Path()

    def fire(self) -> None:
        """It happens now, unless it has happened before."""
        if not self.fired:
            self.fired = True
            self._then(self)

    def install(self, patch: Patch) -> None:
        """Puts the hooks in. `patch` is `monkeypatch.setattr`, or `setattr` where the process ends anyway."""
        from restart_bench.archive import samples as parts
        from restart_bench.run import cycle
        from restart_bench.run import supervision as waiting

        perform, look, convert = cycle.CycleAct.perform, waiting.Supervisor.look, parts.convert_parts

        def perform_noted(act: Any) -> None:
            self.context, self.in_cycle = act._context, act._turn.cycle
            perform(act)

        def look_too(supervisor: Any, now: int) -> None:
            if self._is_now():
                self.fire()
            look(supervisor, now)

        def convert_too(folder: Path, *more: Any) -> Any:
            if self.stage == "archive":
                self.fire()
            return convert(folder, *more)

        patch(cycle.CycleAct, "perform", perform_noted)
        patch(waiting.Supervisor, "look", look_too)
        patch(parts, "convert_parts", convert_too)
        self._install_at_relay(patch)
        self._install_at_points(patch)

    def _is_now(self) -> bool:
        if self.fired or self.in_cycle != self.cycle or self.context.situation.phase != PHASES.get(self.stage):
            return False
        return self.stage not in BUTTON_IS_PRESSED or bool(self.context.actuators.held())

    def _install_at_relay(self, patch: Patch) -> None:
        from restart_bench_drivers.modbus_coil import ModbusCoil

        off, on = ModbusCoil.off, ModbusCoil.on

        def off_too(coil: ModbusCoil) -> None:
            self._around(lambda: off(coil), "cut", "waiting for the cut")

        def on_too(coil: ModbusCoil) -> None:
            self._around(lambda: on(coil), "restore", PHASES["off"])

        patch(ModbusCoil, "off", off_too)
        patch(ModbusCoil, "on", on_too)

    def _install_at_points(self, patch: Patch) -> None:
        from restart_bench.observer.handle import ObserverHandle

        write = ObserverHandle.write

        def write_too(observing: ObserverHandle, *command: Any) -> Any:
            done = write(observing, *command)
            if self.stage == IN_A_PRESS and self.in_cycle == self.cycle:
                self.fire()
            return done

        patch(ObserverHandle, "write", write_too)

    def _around(self, command: Callable[[], None], stage: str, phase: str) -> None:
        now = self.stage == stage and self.in_cycle == self.cycle and self.context.situation.phase == phase
        if now and self.early:
            self.fire()
        command()
        if now:
            self.fire()


def kill_me(_moment: Moment | None = None) -> None:
    """The process ends at once, as by `kill -9` or a pulled plug."""
    if hasattr(signal, "SIGKILL"):
        os.kill(os.getpid(), signal.SIGKILL)
    os.kill(os.getpid(), signal.SIGTERM)  # on Windows this ends a process at once


def main(folder: str, logs: str, stage: str = "", cycle: str = "1") -> None:
    """An armed run; it is killed at a stage of a cycle where one is given."""
    from restart_bench.model.outcome import RunOptions
    from restart_bench.run.session import perform
    from restart_bench.suite.loader import load_suites
    from restart_bench_drivers.registry import cards
    from safety_rig import Seen

    if stage:
        Moment(stage, kill_me, cycle=int(cycle)).install(setattr)
    (suite,) = load_suites([Path(folder)], cards=cards())
    done = perform(suite, RunOptions(logs=Path(logs), arm=suite.rig.name, seed=1), Seen())
    sys.exit("the moment never came" if stage else done.exit_code)


if __name__ == "__main__":
    main(*sys.argv[1:])
