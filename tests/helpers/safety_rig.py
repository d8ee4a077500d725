"""An armed rig of loopback ports: to the bench it is as real as any, and its truth log says what really happened.

The bench is given a rig.yaml with `loads: harmless` that names the ports of a simulated rig; it does not know what
stands there and has to be armed. The relay stands behind a `RelayDoor`.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import safety_moments
from command_line import MAIN, bench
from fault_suites import Unseen
from relay_door import RelayDoor
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.soundness import verify
from restart_bench.model.journal import Record, Switching, Trouble
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import RunOptions, RunOutcome
from restart_bench.run.park import Parked, park
from restart_bench.run.session import perform
from restart_bench.simulated.handle import Simulation
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.interface import AskPerson
from restart_bench_drivers.registry import cards
from warm_process import run_warm

NAME = "lamp-trainer"
MS = 1_000_000
OFF_AT_LEAST_NS = 300 * MS
IDLE = {"start": False, "jog": False, "stop": True, "spare_out": False}
ALLOWED = {"start", "jog", "stop", "spare_out"}

RIG = """\
rig: lamp-trainer
loads: {loads}
devices:
  controller: {{host: 127.0.0.1, port: {controller}, powered_by: supply, poll: 40 ms, answer_within: 100 ms}}
  independent: {{host: 127.0.0.1, port: {independent}, poll: 30 ms}}
supply:
  driver: modbus-coil
  host: 127.0.0.1
  port: {supply}
  coil: 0
  contact: normally-open
  operate: 2 ms
  release: 2 ms
  bounce: 0 ms
  answer_within: 500 ms
  at_end: {at_end}
  after_trouble: {after_trouble}
  limits: {{off_at_least: {off_at_least}, on_at_least: {on_at_least}{limits}}}
points:
  start: {{device: independent, coil: 0, writable: true, idle: off{start}}}
  jog: {{device: independent, coil: 1, writable: true, idle: off}}
  stop: {{device: independent, coil: 2, writable: true, idle: on}}
  spare_out: {{device: independent, coil: 3, writable: true, idle: off}}
  never_named: {{device: independent, coil: 4, writable: true, idle: off}}
  lamp: {{device: controller, coil: 0, terminal: {{discrete_input: 0}}}}
  fan: {{device: controller, coil: 1, terminal: {{discrete_input: 1}}}}
  running: {{device: controller, discrete_input: 0}}
  heartbeat: {{device: controller, input_register: 0}}
  rail: {{device: independent, discrete_input: 8}}
  guard_closed: {{device: independent, discrete_input: 9}}
  spare_in: {{device: independent, discrete_input: 10}}
defaults: {{settle: 50 ms, watch: 300 ms, longer_than: 1 s}}
ready: {{when: {{running: on}}, steady: 40 ms, alive: heartbeat, within: {ready_within}}}
proof_of_cut: [{{rail: off}}]
only_while: {{guard_closed: on}}
simulation: program.yaml
{more}"""

PROGRAM = """\
program: lamp and fan
scan: 10 ms
boot: {dark: 60 ms, refusing: 20 ms, answering: 20 ms}
start_pass: none
outputs: at scan end
saved: at once
inputs:
  start: {role: command, rest: off}
  stop: {role: command, rest: on}
memory:
  fan: {retained: true}
rungs:
  - {set: lamp, when: start}
  - {reset: lamp, when: NOT stop}
  - {set: fan, when: start}
  - {reset: fan, when: NOT stop}
"""

# Presses last longer than the simulated rig may be kept from scanning on a busy machine: it has to see them.
SCENARIO = """\
scenario: lamp-stays-out
before:
  - press: start
    for: 150 ms
  - expect: {lamp: on, fan: on}
    within: 10 s
  - hold: jog
cut: {how: supply, off_for: 350 ms}
after:
  restart: required
  expect:
    lamp: off
    fan: on
function_check:
  - press: stop
    for: 150 ms
  - expect: {fan: off}
    within: 10 s
repeat: REPEAT
"""


class Seen:
    """A show that keeps what it is shown."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.phases: list[str] = []
        self.newest: LiveState | None = None

    def record(self, record: Record) -> None:
        """Keep it."""
        self.records.append(record)

    def live(self, state: LiveState) -> None:
        """Keep the phase, and the newest state."""
        self.phases.append(state.phase)
        self.newest = state

    def close(self) -> None:
        """Nothing to close."""

    @property
    def said(self) -> str:
        """All that people were told beside results."""
        return "\n".join(one.text for one in self.records if isinstance(one, Trouble))


class ArmedRig:
    """A simulated rig, the files that name its ports, and an archive, all in one folder."""

    def __init__(
        self,
        folder: Path,
        *,
        at_end: str = "on",
        after_trouble: str = "on",
        off_at_least: str = "300 ms",
        on_at_least: str = "200 ms",
        loads: str = "harmless",
        limits: str = "",
        start: str = "",
        ready_within: str = "10 s",
        more: str = "",
        repeat: int = 1,
        scenario: str = SCENARIO,
    ) -> None:
        self.folder, self.logs = folder / "suite", folder / "logs"
        self.folder.mkdir()
        self._settings = {
            "at_end": at_end,
            "after_trouble": after_trouble,
            "off_at_least": off_at_least,
            "on_at_least": on_at_least,
            "loads": loads,
            "limits": limits,
            "start": start,
            "ready_within": ready_within,
            "more": more,
        }
        (self.folder / "program.yaml").write_text(PROGRAM, encoding="utf-8")
        (self.folder / "stays.yaml").write_text(scenario.replace("REPEAT", str(repeat)), encoding="utf-8")
        self._write_rig({"controller": 1502, "independent": 1503, "supply": 1504})
        suite = self.suite()
        assert suite.program is not None
        self.simulation = Simulation(suite.rig, suite.program, truth=folder / "truth.jsonl")
        self.door = RelayDoor(self.simulation.ports["supply"])
        self._write_rig({**self.simulation.ports, "supply": self.door.port})

    def _write_rig(self, ports: dict[str, int]) -> None:
        (self.folder / "rig.yaml").write_text(RIG.format(**ports, **self._settings), encoding="utf-8")

    def change(self, **settings: str) -> None:
        """The rig file with other settings from now on, at the same ports."""
        self._settings.update(settings)
        self._write_rig({**self.simulation.ports, "supply": self.door.port})

    def close(self) -> None:
        """The rig ends."""
        self.door.close()
        self.simulation.close()

    # ------------------------------------------------------------ what the bench does with it

    def suite(self) -> Suite:
        """The files as the bench reads them."""
        return load_suites([self.folder], cards=cards())[0]

    def options(self, **more: Any) -> RunOptions:
        """Armed, without the HTML record."""
        return RunOptions(**{"logs": self.logs, "arm": NAME, "seed": 1, **more})

    def perform(self, show: Seen | None = None, **more: Any) -> RunOutcome:
        """An armed run in this process."""
        return perform(self.suite(), self.options(**more), show or Unseen())

    def park(self, said: list[str] | None = None, ask: AskPerson | None = None) -> Parked:
        """`park` in this process, armed."""
        told: list[str] = [] if said is None else said
        return park(self.suite().rig, logs=self.logs, arm=NAME, ask=ask, say=told.append)

    def run_killed_at(self, stage: str, cycle: int = 1) -> None:
        """An armed run in a process of its own that is killed (`kill -9`) at a stage of a cycle."""
        done = run_warm(safety_moments.main, *map(str, (self.folder, self.logs, stage, cycle)))
        assert done.returncode < 0 or sys.platform == "win32", done.stderr

    def command(self, *arguments: object, **more: Any) -> subprocess.Popen[str]:
        """`restart-bench` as a process of its own, with plain output and this rig's archive."""
        return subprocess.Popen(
            [sys.executable, "-c", MAIN, *map(str, arguments)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            **more,
        )

    def said_by(self, *arguments: object) -> tuple[int, str]:
        """Exit code and output of a command."""
        done = bench(*arguments)
        return done.returncode, done.stdout + done.stderr

    # ------------------------------------------------------------ the truth

    def truth(self, *what: str) -> list[dict[str, Any]]:
        """Lines of the truth log of these kinds."""
        return [line for line in self.simulation.truth() if line["what"] in what]

    @property
    def supply_is_on(self) -> bool:
        """Where the relay's contact really stands."""
        return bool(self.truth("supply")[-1]["value"])

    def pressed(self) -> dict[str, Any]:
        """The points that are really out of idle."""
        last = {line["name"]: line["value"] for line in self.truth("command")}
        return {name: value for name, value in last.items() if value != IDLE.get(name, False)}

    def written(self) -> set[str]:
        """Names of all that anybody asked to write, the supply's coil included."""
        return {line["name"] for line in self.truth("write")}

    def off_times(self) -> list[tuple[int, int]]:
        """When the contact really opened and closed again, ns of the bench's clock."""
        moves = self.truth("supply")
        return [
            (before["before_ns"], after["after_ns"])
            for before, after in itertools.pairwise(moves)
            if not before["value"] and after["value"]
        ]

    # ------------------------------------------------------------ the archive

    def runs(self) -> list[Path]:
        """Folders of the archive, oldest first (by the wall clock that run.json tells)."""
        folders = self.logs.glob("rig=*/date=*/run=*")
        return sorted(folders, key=lambda folder: str(told_of(folder)["anchor"]["wall"]))


@contextlib.contextmanager
def armed_rig(folder: Path, **settings: Any) -> Iterator[ArmedRig]:
    """A rig that ends with the test."""
    rig = ArmedRig(folder, **settings)
    try:
        yield rig
    finally:
        rig.close()


def told_of(folder: Path) -> dict[str, Any]:
    """run.json."""
    told: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    return told


# ---------------------------------------------------------------- what has to hold whatever happened


def nothing_pressed(rig: ArmedRig) -> None:
    """Every command point is at idle, by the independent device's own word."""
    assert rig.pressed() == {}


def only_allowed_writes(rig: ArmedRig) -> None:
    """All that was asked of the servers is on the list."""
    assert rig.written() - {"supply"} <= ALLOWED


def never_on_too_early(rig: ArmedRig, off_at_least_ns: int = OFF_AT_LEAST_NS) -> None:
    """The contact was never open for less than `off_at_least` (both delays of the relay differ by 2 ms at most)."""
    short = [(back - gone) / MS for gone, back in rig.off_times() if back - gone < off_at_least_ns - 2 * MS]
    assert short == []


def archive_is_whole(rig: ArmedRig, folder: Path, *, whole_cycles: int = 0) -> None:
    """The run is closed, its sums hold, it is judged, every cycle that was begun stands in it, the bounds of its cuts
    contain what the relay really did, and at least so many cycles are whole."""
    import pyarrow.parquet as pq

    assert verify(folder).sound, verify(folder)
    run = ArchivedRun.open(folder)
    told = told_of(folder)
    assert told["verdict"] in ("pass", "fail", "inconclusive", "error") and told["exit_code"] is not None
    rows = pq.read_table(folder / "cycles.parquet").to_pylist()
    assert [row["cycle"] for row in rows] == [records.started.cycle for records, _ in run.cycles()]
    refused = {(one.cycle, one.purpose) for one in run.records if isinstance(one, Switching) and one.problem}
    moved = {on: [line for line in rig.truth("supply") if line["value"] is on] for on in (False, True)}
    for mark, purpose, on in (("cut", "cut", False), ("restored", "restore", True)):
        for row in rows:
            low, high = row[f"{mark}_not_before_ns"], row[f"{mark}_not_after_ns"]
            if low is None or (row["cycle"], purpose) in refused:
                continue  # a command that drew no answer bounds what may have been, the row is an error
            assert [line for line in moved[on] if line["before_ns"] <= high and low <= line["after_ns"]], (mark, row)
    for row in rows[:whole_cycles]:
        assert row["verdict"] == "pass" and row["restored_not_after_ns"] is not None, row
    run.close()
