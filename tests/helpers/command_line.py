"""`restart-bench` as people start it: a process of its own, without a console."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

from warm_process import run_warm

MAIN = "from restart_bench.cli.main import main; main()"


def bench(
    *arguments: object, cwd: Path | None = None, env: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """`restart-bench` to its end: exit code and both streams. Standard input is nobody's console."""
    return run_warm(run_main, *map(str, arguments), folder=cwd, env=env)


def run_main(*arguments: str) -> None:
    """`restart-bench` in the process that this is called in. Raises SystemExit."""
    from restart_bench.cli.main import main

    sys.argv = ["restart-bench", *arguments]
    main()


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
