"""`restart-bench` as people start it: a process of its own, without a console."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

MAIN = "from restart_bench.cli.main import main; main()"


def bench(*arguments: object, **more: object) -> subprocess.CompletedProcess[str]:
    """`restart-bench` to its end: exit code and both streams. Standard input is nobody's console."""
    return subprocess.run(
        command(*arguments),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        timeout=300,
        check=False,
        **more,  # type: ignore[call-overload]
    )


def begun(*arguments: object) -> subprocess.Popen[str]:
    """The same while it lasts: what it says on either stream comes through `stdout`."""
    return subprocess.Popen(
        command(*arguments),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        creationflags=subprocess.CREATE_NEW_PROCESS_GROUP if sys.platform == "win32" else 0,
    )


def stop(process: subprocess.Popen[str]) -> None:
    """Stop it as a person does with Ctrl-C (on Windows: Ctrl-Break, which reaches one process alone)."""
    process.send_signal(signal.CTRL_BREAK_EVENT if sys.platform == "win32" else signal.SIGINT)


def command(*arguments: object) -> list[str]:
    """The command line of a process."""
    return [sys.executable, "-c", MAIN, *map(str, arguments)]


def told(done: subprocess.CompletedProcess[str]) -> str:
    """What stood on both streams, to be shown where a test fails."""
    return done.stdout + done.stderr


def run_folders(logs: Path) -> list[Path]:
    """Folders of the runs of an archive, oldest first."""
    return sorted(logs.glob("rig=*/date=*/run=*"), key=lambda folder: folder.name)
