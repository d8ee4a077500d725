"""Keeps the computer awake while a rig is armed."""

from __future__ import annotations

import shutil
import subprocess
import sys
from contextlib import ExitStack


class Awake:
    """Keeps the computer from going to sleep while a rig is armed, where the platform offers a way."""

    def __init__(self) -> None:
        self._stack = ExitStack()
        self.how = "not kept awake: this platform offers no known way"

    def __enter__(self) -> Awake:
        if sys.platform == "win32":
            import ctypes

            continuous, system_required = 0x80000000, 0x00000001
            kernel = ctypes.windll.kernel32
            kernel.SetThreadExecutionState(continuous | system_required)
            self._stack.callback(kernel.SetThreadExecutionState, continuous)
            self.how = "kept awake by SetThreadExecutionState"
            return self
        command = _awake_command()
        if command is not None:
            self._hold(command)
        return self

    def _hold(self, command: list[str]) -> None:
        # `cat` ends when our end of the pipe does, also if we are killed: the inhibition never outlives the bench.
        try:
            holder = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError:
            return
        self.how = f"kept awake by {command[0]}"

        def release() -> None:
            if holder.stdin is not None:
                holder.stdin.close()
            try:
                holder.wait(timeout=2)
            except subprocess.TimeoutExpired:
                holder.kill()
                holder.wait()

        self._stack.callback(release)

    def __exit__(self, *_: object) -> None:
        self._stack.close()


def _awake_command() -> list[str] | None:
    if sys.platform == "darwin" and shutil.which("caffeinate"):
        return ["caffeinate", "-i", "cat"]
    if shutil.which("systemd-inhibit"):
        return ["systemd-inhibit", "--what=sleep:idle", "--who=restart-bench", "--why=a rig is armed", "cat"]
    return None
