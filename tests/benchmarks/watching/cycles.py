"""Rows (f) and (g): what many cycles cost in memory, while they run and when they are judged and told."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from measuring import HERE, Row

sys.path.insert(0, str(HERE.parents[1] / "helpers"))
from command_line import command
from toggling_suite import write_toggling

WARM_SHARE = 0.25  # of the cycles: caches fill, modules are loaded
KB_GOAL = 1.0
LEVEL_GOAL = 1.1
SHORTER = (
    ("rig.yaml", "off_at_least: 200 ms, on_at_least: 200 ms", "off_at_least: 50 ms, on_at_least: 50 ms"),
    ("program.yaml", "dark: 60 ms, refusing: 60 ms, silent: 40 ms, busy: 40 ms, answering: 60 ms", "dark: 20 ms"),
    ("toggling.yaml", "off_for: 400 ms, at: random 0 s..300 ms", "off_for: 100 ms"),
)


@dataclass
class Watched:
    """One process, looked at from time to time."""

    cycles: list[int] = field(default_factory=list)
    kilobytes: list[int] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)

    def look(self, pid: int, cycle: int) -> None:
        """Its memory and descriptors now; nothing where it is gone."""
        try:
            status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
            descriptors = len(os.listdir(f"/proc/{pid}/fd"))  # noqa: PTH208  # counted, not walked
        except OSError:
            return
        anonymous = re.search(r"RssAnon:\s+(\d+)", status)
        if anonymous is not None:
            self.cycles.append(cycle)
            self.kilobytes.append(int(anonymous[1]))
            self.descriptors.append(descriptors)

    def row(self, what: str, cycles: int) -> list[Row]:
        """How memory and descriptors grow once it is warm."""
        warm = [place for place, cycle in enumerate(self.cycles) if cycle >= WARM_SHARE * cycles]
        if len(warm) < 3:
            return [Row(f"memory of {what}", "", "ended too soon to be measured")]
        done = np.array(self.cycles)[warm]
        slope = float(np.polyfit(done, np.array(self.kilobytes)[warm], 1)[0])
        told = f"{slope:.2f} KB a cycle ({self.kilobytes[warm[0]]} to {self.kilobytes[-1]} KB)"
        open_ones = np.array(self.descriptors)[warm]
        grown = float(np.polyfit(done, open_ones, 1)[0]) * (done[-1] - done[0])
        since = f"cycle {done[0]} to {done[-1]}"
        return [
            Row(f"memory of {what}", since, told, f"less than {KB_GOAL:g} KB a cycle", slope < KB_GOAL),
            Row(f"descriptors of {what}", since, f"{open_ones.min()} to {open_ones.max()}", "level", grown < 1),
        ]


def soak(cycles: int) -> list[Row]:
    """(f) A simulated run of so many cycles; (g) judging it and writing its record, against a tenth of the cycles."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        suite = write_toggling(folder / "toggling", watch="100 ms")
        for name, long, short in SHORTER:
            text = (suite / name).read_text(encoding="utf-8")
            assert long in text, (name, long)
            (suite / name).write_text(text.replace(long, short), encoding="utf-8")
        environment = {**os.environ, "XDG_STATE_HOME": place, "HOME": place}
        few, _ = run(suite, folder / "few", max(2, cycles // 10), environment)
        many, watched = run(suite, folder / "many", cycles, environment)
        rows = [row for name, one in watched.items() for row in one.row(name, cycles)]
        for words in (("judge",), ("report", "--out")):
            peaks = []
            for archived in (few, many):
                target = (str(folder / "record.html"),) if "--out" in words else ()
                peaks.append(peak_kilobytes([*command(words[0], archived, *words[1:], *target)], environment))
            ratio = peaks[1] / peaks[0]
            told = f"{peaks[0] // 1024} MB, then {peaks[1] // 1024} MB: {ratio:.2f}"
            few_many = f"{max(2, cycles // 10)} against {cycles} cycles"
            rows.append(Row(f"memory of {words[0]}", few_many, told, f"at most {LEVEL_GOAL:g}", ratio <= LEVEL_GOAL))
    return rows


def run(suite: Path, logs: Path, cycles: int, environment: dict[str, str]) -> tuple[Path, dict[str, Watched]]:
    """A run of so many cycles; its folder, and what was seen of the bench and of its observer."""
    words = command("run", suite, "--simulated", "--repeat", cycles, "--logs", logs)
    watched = {"the bench": Watched(), "the observer": Watched()}
    with subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, env=environment) as process:
        while process.poll() is None:
            time.sleep(max(0.2, cycles / 1000))
            done = cycles_done(logs)
            if 0 < done < cycles:
                watched["the bench"].look(process.pid, done)
                for pid in children(process.pid, b"restart_bench.observer"):
                    watched["the observer"].look(pid, done)
    (journal,) = logs.rglob("journal.jsonl")
    if cycles_done(logs) != cycles:
        raise RuntimeError(f"only {cycles_done(logs)} of {cycles} cycles: {journal.read_bytes()[-600:].decode()}")
    return journal.parent, watched


def cycles_done(logs: Path) -> int:
    """How many cycles the journal tells the end of."""
    journals = list(logs.rglob("journal.jsonl"))
    return journals[0].read_bytes().count(b'"CycleEnded"') if journals else 0


def children(parent: int, words: bytes) -> list[int]:
    """Processes that a process started and whose command line holds these words."""
    found = []
    for pid in Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="ascii").split():
        if words in Path(f"/proc/{pid}/cmdline").read_bytes():
            found.append(int(pid))
    return found


def peak_kilobytes(words: list[str], environment: dict[str, str]) -> int:
    """The most memory that a command had at one time."""
    process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, env=environment)
    _, _, used = os.wait4(process.pid, 0)
    process.returncode = 0
    return used.ru_maxrss
