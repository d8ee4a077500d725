"""A child run: one rig, in a process group of its own. `python -m restart_bench.cli.fleet`.

Standard input: one JSON line of what is to be run, then `go` once all rigs are ready, then `stop WHO` where somebody
asks to; its end is the end of the parent, and then the run goes its way out as after any request to stop. Standard
output: messages (see `rows`), dropped where nobody reads them; standard error: all that `run` says without a console.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, cast

from restart_bench.files.faults import FaultsFound
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import CycleJudged, Introduced, Record, RunEnded, RunStarted, Trouble
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import OneRun, Refused, RunOptions, RunOutcome
from restart_bench.model.verdicts import EXIT_BAD_INPUT
from restart_bench.report.console import print_outcome
from restart_bench.report.documents import document, junit
from restart_bench.report.record.writing import write_report
from restart_bench.run.session import SessionPlan
from restart_bench.run.supervision import StopRequest
from restart_bench.screen.console import console_for
from restart_bench.screen.frame import banner
from restart_bench.screen.outlet import Outlet
from restart_bench.screen.plain import PlainShow
from restart_bench.screen.screen_state import Gathered
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

ORPHANED = "the end of the bench that had started it"


class Telling:
    """Implements `live.Show`: plain lines into the rig's own file, messages to the parent."""

    every_ns = NS_PER_S // 4

    def __init__(self, suite: Suite, messages: Outlet, *, simulated: bool, rehearsal: bool) -> None:
        self._file = Outlet(sys.stderr)
        self._plain = PlainShow(self._file, rehearsal=rehearsal)
        self._gathered = Gathered(suite.rig, suite.scenarios, simulated, rehearsal=rehearsal)
        self._messages = messages
        self.supply_left = ""

    def tell(self, what: str, **more: Any) -> None:
        """One message."""
        print(json.dumps({"tell": what, **more}), file=cast("IO[str]", self._messages))

    def record(self, record: Record) -> None:
        """Its lines to the file; what the table shows of it to the parent."""
        lines = self._plain.lines(record)
        for line in lines:
            print(line, file=cast("IO[str]", self._file))
        self._gathered.record(record)
        if isinstance(record, RunStarted):
            self.tell("began", run=record.run, cycles=record.planned_cycles, line=lines[0])
        elif isinstance(record, CycleJudged):
            told = {"cycle": record.cycle, "scenario": record.scenario, "verdict": record.verdict.value}
            self.tell("cycle", **told, lines=lines)
        elif isinstance(record, Introduced) and record.simulated:
            self.tell("note", text=lines[0])
        elif isinstance(record, Trouble):
            self.tell("note", text=record.text)
        elif isinstance(record, RunEnded):
            self.supply_left = record.supply_left

    def live(self, state: LiveState) -> None:
        """A few states a second are enough for a table."""
        self._gathered.live(state)
        shown = banner(self._gathered)
        self.tell(
            "state",
            scenario=state.scenario,
            cycle=state.cycle,
            of_cycles=state.of_cycles,
            phase=state.phase,
            left_ns=state.left_ns,
            power=shown.word,
            power_style=shown.style,
        )

    def close(self) -> None:
        """The file has everything."""
        self._file.drain(None)


def run_child(asked: Mapping[str, Any], orders: IO[bytes], messages: Outlet) -> int:
    """The run of one rig to its end; returns its exit code. Raises FaultsFound, Refused."""
    stop, may_begin = StopRequest(), threading.Event()
    threading.Thread(target=_obey, args=(orders, stop, may_begin), daemon=True, name="orders").start()
    suite = _suite_of(asked)
    options = RunOptions(logs=Path(asked["logs"]), record=write_report, **asked["options"])
    show = Telling(suite, messages, simulated=options.simulated, rehearsal=options.rehearse)
    with SessionPlan.of(suite, options).open(show, None, stop) as session:
        show.tell("opened")
        session.wait_for(lambda: may_begin.is_set() or None)
        session.run_all()
        run = session.close()
    outcome = RunOutcome.of(run)
    _tell_end(show, outcome, run, asked)
    show.close()
    print_outcome(outcome, console_for(sys.stderr), explain=True)
    return outcome.exit_code


def _obey(orders: IO[bytes], stop: StopRequest, may_begin: threading.Event) -> None:
    while True:
        word, _, who = orders.readline().decode().strip().partition(" ")
        if word != "go":
            stop.now(who if word == "stop" else ORPHANED)
            return
        may_begin.set()


def _suite_of(asked: Mapping[str, Any]) -> Suite:
    paths = [Path(path) for path in asked["paths"]]
    rig, program = (Path(asked[key]) if asked[key] else None for key in ("rig", "program"))
    (suite,) = load_suites(paths, rig=rig, program=program, repeat=asked["options"]["repeat"], cards=cards())
    return suite


def _tell_end(show: Telling, outcome: RunOutcome, run: OneRun, asked: Mapping[str, Any]) -> None:
    show.tell(
        "ended",
        code=outcome.exit_code,
        verdict=outcome.verdict.value,
        how=run.how,
        folder=str(run.folder),
        supply_left=show.supply_left,
        scenarios=[
            {"name": one.scenario, "verdict": one.verdict.value, "reason": one.in_short, "counted": one.counted}
            for one in run.scenarios
        ],
        document=document(outcome) if asked["json"] else None,
        junit=junit(outcome) if asked["junit"] else "",
    )


def main() -> int:
    """The exit code of the child; what kept it from beginning is told to the parent."""
    pipe = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever else prints does not speak between the messages
    messages = Outlet(pipe)
    orders = open(0, "rb", buffering=0, closefd=False)  # noqa: SIM115 - a thread reads it when this process ends
    asked = json.loads(orders.readline())
    try:
        code = run_child(asked, orders, messages)
    except (FaultsFound, Refused) as problem:
        text = str(problem) if isinstance(problem, Refused) else "; ".join(map(str, problem.faults))
        print(text, file=sys.stderr)
        print(json.dumps({"tell": "refused", "text": text}), file=cast("IO[str]", messages))
        code = EXIT_BAD_INPUT
    with suppress(OSError):
        messages.drain(None)
    return code


if __name__ == "__main__":
    sys.exit(main())
