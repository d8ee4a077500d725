"""What the rows share: the C programs, a server for each of them, one measurement of a client, the table."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
FIRST = ("chrt", "--rr", "1") if os.geteuid() == 0 else ()
"""So that what else runs on this computer has little part in it: for the server and for every client."""
ONE_CORE = ("taskset", "-c", "0")
C_CLIENT = "libmodbus' C client"


class Lacking(Exception):
    """Something is not installed; the message names it and its cure."""


@dataclass(frozen=True)
class Row:
    """One line of the table. `kept` is None where there is no goal."""

    what: str
    compared_with: str
    measured: str
    goal: str = ""
    kept: bool | None = None


@dataclass(frozen=True)
class Figures:
    """One measurement: samples a second, processor time of one, and gaps from one sending to the next receipt, both in
    nanoseconds."""

    rate: float
    cpu: float
    p50: float
    p99: float
    p999: float


def programs() -> tuple[Path, Path]:
    """Server and client in C, compiled. Raises Lacking."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        raise Lacking("no C compiler: sudo apt-get install gcc")
    folder = Path(tempfile.mkdtemp(prefix="watching-"))
    made = []
    for name in ("server", "client"):
        target = folder / name
        words = [compiler, "-O2", "-I/usr/include/modbus", "-o", str(target), str(HERE / f"{name}.c"), "-lmodbus"]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        if done.returncode:
            raise Lacking(f"libmodbus is missing (sudo apt-get install libmodbus-dev): {done.stderr.strip()[:200]}")
        made.append(target)
    return made[0], made[1]


@contextmanager
def serving(server: Path, *before: str) -> Iterator[int]:
    """A server in C; the port on which it serves."""
    with subprocess.Popen([*before, str(server)], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.stdin.close()


def measured(name: str, client: Path, port: int, hertz: int, seconds: float, *before: str) -> Figures:
    """One client for so long, in a process of its own."""
    program = [str(client)] if name == C_CLIENT else [sys.executable, str(HERE / "clients.py"), name]
    words = [*before, *program, str(port), str(hertz), str(seconds)]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    (took, _), instants = np.split(np.array(told.split(), np.int64), [2])
    instants = instants.reshape(-1, 2)
    gaps = instants[1:, 1] - instants[:-1, 0]
    p50, p99, p999 = np.percentile(gaps, (50, 99, 99.9)).tolist()
    rate = (len(instants) - 1) * 1e9 / float(instants[-1, 0] - instants[0, 0])
    return Figures(rate, took / len(instants), p50, p99, p999)


def ratio_row(what: str, compared_with: str, ratios: list[float], goal: float | None = None) -> Row:
    """The median of the ratios of all turns, with the smallest and the largest."""
    middle = statistics.median(ratios)
    told = f"{middle:.2f} ({min(ratios):.2f} to {max(ratios):.2f} in {len(ratios)} turns)"
    if goal is None:
        return Row(what, compared_with, told)
    return Row(what, compared_with, told, f"at least {goal:g}", middle >= goal)


def table(rows: list[Row]) -> str:
    """All rows beneath each other."""
    lines = [("", "what", "compared with", "measured", "goal")]
    for row in rows:
        sign = {None: "", True: "ok", False: "MISSED"}[row.kept]
        lines.append((sign, row.what, row.compared_with, row.measured, row.goal))
    widths = [max(len(line[place]) for line in lines) for place in range(5)]
    return "\n".join("  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)) for line in lines)
