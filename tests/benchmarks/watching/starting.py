"""What the start of a command costs, in processor time, beside the import of the library that reads its words."""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from measuring import HERE, Row

DEMO = HERE.parents[2] / "scenarios" / "grain-dryer"
TYPER = "python -c 'import typer'"


def starting(turns: int) -> list[Row]:
    """All commands by turns, each in a process of its own, its modules compiled before: medians over the import."""
    bench = str(Path(sys.executable).parent / "restart-bench")
    with tempfile.TemporaryDirectory() as empty:
        commands = {
            TYPER: ([sys.executable, "-c", "import typer"], None),
            "--help": ([bench, "--help"], 2.0),
            "check of the demo suite": ([bench, "check", str(DEMO), "--logs", empty], 4.0),
            "logs list of an empty archive": ([bench, "logs", "list", "--logs", empty], None),
        }
        costs: dict[str, list[float]] = {what: [] for what in commands}
        for turn in range(turns + 1):
            for what, (words, _) in commands.items():
                cost = _processor_s(words)
                if turn:  # the first one compiles
                    costs[what].append(cost)
    base = statistics.median(costs[TYPER])
    rows = []
    for what, (_, goal) in commands.items():
        if what != TYPER:
            ratio = statistics.median(costs[what]) / base
            measured = f"{ratio:.2f} ({ratio * base * 1000:.0f} ms)"
            wanted, kept = ("", None) if goal is None else (f"at most {goal:g}", ratio <= goal)
            rows.append(Row(f"start: {what}", TYPER, measured, wanted, kept))
    return rows


def _processor_s(words: list[str]) -> float:
    """Processor time of one command, which must end well."""
    compiling = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, stdout=subprocess.DEVNULL, env=compiling, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
