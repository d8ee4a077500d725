"""Runs several rigs at the same time: refuses what can't be, starts a child run for each, shows them, waits for all.

Whatever befalls the parent, no child is left alone: a signal is passed on as a request to stop, the end of the parent
is the end of their orders, and the parent ends last, when every run has gone its way out.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TextIO, cast

from restart_bench.archive.moving import OUTPUT
from restart_bench.archive.writer import new_run_id
from restart_bench.cli.fleet.children import Child
from restart_bench.cli.fleet.picture import picture
from restart_bench.cli.fleet.refusals import refuse_together
from restart_bench.cli.fleet.rows import Message, RigRow
from restart_bench.model.outcome import Refused, RunOptions
from restart_bench.model.wording import without_controls
from restart_bench.run.supervision import StopRequest
from restart_bench.screen.console import console_for, is_console
from restart_bench.screen.outlet import Outlet
from restart_bench.screen.plain import LEAVE_WITHIN_S
from restart_bench.suite.loader import Suite

_LOOK_S = 0.1
_DRAW_S = 0.25
BEGIN_APART_S = 0.3
"""So long after one rig the next one begins: cycles in step would cut, boot and be judged all at the same time, on few
cores and from one mains."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What `run` was asked for, beside its suites: files for all of them, and what is written at the end."""

    program: Path | None
    json: bool
    junit: bool
    view: str


@dataclass(frozen=True, slots=True)
class Performed:
    """All rigs with their ends. `output`: the folder with what each of them said."""

    rows: tuple[RigRow, ...]
    output: Path


def perform_together(suites: Sequence[Suite], options: Sequence[RunOptions], asked: Asked) -> Performed:
    """Runs every suite on its rig, all at the same time; `options` of each, in their order. Raises Refused, before
    anything moves."""
    refuse_together(suites, options, asked.view)
    simulated = options[0].simulated
    output = _output_folder(options[0].logs)
    rows = tuple(RigRow(suite.rig.name, str(output / f"{suite.rig.name}.txt")) for suite in suites)
    stop = StopRequest()
    stream = sys.stderr if asked.json else sys.stdout
    with stop.hears_signals(), _shown(stream, rows, simulated, stop) as show:
        parent = _Parent(rows, show, simulated=simulated)
        try:
            for row, suite, how in zip(rows, suites, options, strict=True):
                parent.start(row, _order(suite, how, asked))
            parent.wait(stop)
        finally:
            parent.let_go()
    return Performed(rows, output)


def _output_folder(logs: Path) -> Path:
    """Where what the children say is kept. Raises Refused where nothing can be written there."""
    folder = logs / OUTPUT / new_run_id()
    try:
        folder.mkdir(parents=True)
    except OSError as problem:
        raise Refused(f"--logs {logs}: can't be written ({problem}); nothing was moved. Choose another.") from None
    return folder


def _order(suite: Suite, options: RunOptions, asked: Asked) -> dict[str, Any]:
    """What a child is told: the files of its suite, and the options as they were given."""
    return {
        "paths": [str(scenario.path) for scenario in suite.scenarios],
        "rig": str(suite.rig.path),
        "program": str(asked.program) if asked.program is not None else None,
        "logs": str(options.logs),
        "json": asked.json,
        "junit": asked.junit,
        "options": {
            "simulated": options.simulated,
            "seed": options.seed,
            "by": options.by,
            "arm": options.arm,
            "stop_on_fail": options.stop_on_fail,
            "rehearse": options.rehearse,
            "repeat": options.repeat,
        },
    }


class _Parent:
    """Starts the children and hears them, one message after another."""

    def __init__(self, rows: Sequence[RigRow], show: _Show, *, simulated: bool) -> None:
        self._rows = rows
        self._show = show
        self._armed = not simulated
        self._children: dict[str, Child] = {}
        self._gone: set[str] = set()
        self._heard: queue.SimpleQueue[tuple[RigRow, Message]] = queue.SimpleQueue()

    def start(self, row: RigRow, order: dict[str, Any]) -> None:
        """One that can't be started is refused, the others go on."""
        try:
            heard = self._heard
            self._children[row.rig] = Child(order, Path(row.output), lambda message: heard.put((row, message)))
        except OSError as problem:
            row.refuse(f"its run could not be started: {problem}")

    def wait(self, stop: StopRequest) -> None:
        """Until the last of them has ended. Whoever asks to stop is passed on, and waited for."""
        told, to_begin, next_s = False, list(self._children.values()), 0.0
        while len(self._gone) < len(self._children):
            with suppress(queue.Empty):
                self._take(*self._heard.get(timeout=_LOOK_S))
            if stop.count and not told:
                told = True
                for child in self._children.values():
                    child.stop(stop.by)
            if to_begin and time.monotonic() >= next_s and all(row.has_begun for row in self._rows):
                to_begin.pop(0).go()
                next_s = time.monotonic() + BEGIN_APART_S

    def _take(self, row: RigRow, message: Message) -> None:
        if message.get("tell") != "gone":
            self._show.lines(row, row.take(message))
            return
        self._gone.add(row.rig)
        if row.end is None:
            row.die(str(message["how"]), armed=self._armed)
        self._show.lines(row, [f"ended: {row.end.how or 'refused'}" if row.end is not None else "", *_fault(row)])

    def let_go(self) -> None:
        """No more orders: whoever has not ended goes its way out, also where this parent is about to fail."""
        for child in self._children.values():
            child.let_go()
        while len(self._gone) < len(self._children):
            self._take(*self._heard.get())


def _fault(row: RigRow) -> list[str]:
    return [row.end.fault] if row.end is not None and row.end.fault else []


# ---------------------------------------------------------------- what is shown meanwhile


class _Show(Protocol):
    def lines(self, row: RigRow, lines: Sequence[str]) -> None: ...


@contextmanager
def _shown(stream: TextIO, rows: Sequence[RigRow], simulated: bool, stop: StopRequest) -> Iterator[_Show]:
    """The table where somebody watches, else whole lines that begin with the rig's name."""
    if not is_console(stream):
        plain = _Lines(stream)
        yield plain
        plain.close(LEAVE_WITHIN_S if stop.count else None)
        return
    with _Screen(stream, rows, simulated, stop) as screen:
        yield screen


class _Lines:
    """Without a console: each line names its rig."""

    def __init__(self, stream: TextIO) -> None:
        self._outlet = Outlet(stream)

    def lines(self, row: RigRow, lines: Sequence[str]) -> None:
        with suppress(OSError):  # nobody reads; the runs go on
            for line in lines:
                print(f"{row.rig}: {without_controls(line)}", file=cast("TextIO", self._outlet))

    def close(self, within_s: float | None) -> None:
        self._outlet.drain(within_s)


class _Screen:
    """On a console: the table, drawn from a thread of its own, so that a console which takes nothing holds nobody."""

    def __init__(self, stream: TextIO, rows: Sequence[RigRow], simulated: bool, stop: StopRequest) -> None:
        self._console = console_for(stream)
        self._rows, self._simulated, self._stop = rows, simulated, stop
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._draw_on, daemon=True, name="screen")

    def lines(self, row: RigRow, lines: Sequence[str]) -> None:
        """The table shows what it shows."""

    def __enter__(self) -> _Screen:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(LEAVE_WITHIN_S)

    def _draw_on(self) -> None:
        """What can't be drawn ends the picture, not the runs."""
        from rich.live import Live

        with suppress(Exception), Live(console=self._console, screen=True, auto_refresh=False) as live:
            while not self._over.wait(_DRAW_S):
                width, height = self._console.size
                stopping = self._stop.by if self._stop.count else ""
                drawn = picture(self._rows, width, height, simulated=self._simulated, stopping=stopping)
                live.update(drawn, refresh=True)
