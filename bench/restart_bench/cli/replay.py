"""`replay`: plays an archived run on the live screen, or tells it in plain lines where there is no console."""

from __future__ import annotations

import time

from rich.console import Console

from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.clock import NS_PER_MS, NS_PER_S
from restart_bench.model.journal import CycleJudged
from restart_bench.model.live import LiveState, Show
from restart_bench.model.outcome import Refused
from restart_bench.screen.plain import PlainShow
from restart_bench.screen.replay import around_cycles, played_cycle
from restart_bench.screen.screen import LiveScreen

_DRAWN_EVERY_NS = 100 * NS_PER_MS
_LINGER_S = 1.0


def play(run: ArchivedRun, console: Console, speed: float) -> int:
    """Plays all cycles, `speed` times as fast as they were. Ctrl-C leaves. Raises Refused for a run without cycles."""
    if not run.cycle_records:
        raise Refused(f"{run.id}: no cycle was begun in this run, so there is nothing to play")
    suite = run.suite()
    watched = console.is_terminal
    show: Show
    if watched:
        simulated = run.simulated
        show = LiveScreen(
            [(suite.rig, suite.scenarios)],
            console,
            simulated=simulated,
            quiet_before_commands=False,
            replay=f"{run.id}, NOT AS IT WAS CLOSED" if run.altered else run.id,
        )
    else:
        show = PlainShow(console.file)
    try:
        _play_on(run, show, speed if watched else None)
        if watched:
            time.sleep(_LINGER_S)
    except KeyboardInterrupt:
        pass
    finally:
        show.close()
    return 0


def _play_on(run: ArchivedRun, show: Show, speed: float | None) -> None:
    """`speed` None: as fast as it can be told."""
    rig = run.suite().rig
    begin, end = around_cycles(run.records)
    for record in begin:
        show.record(record)
    judged = {one.cycle: one for one in run.records if isinstance(one, CycleJudged)}
    step_ns = round(_DRAWN_EVERY_NS * (speed or 1000))
    of_cycles = int(run.run.get("planned_cycles") or len(run.cycle_records))
    for records, samples in run.cycles():
        pace = _Pace(records.started.at_ns, speed)
        cycle = judged.get(records.started.cycle)
        for played in played_cycle(rig, records, cycle, samples, of_cycles=of_cycles, step_ns=step_ns):
            pace.wait_for(played.at_ns)
            if isinstance(played.shown, LiveState):
                show.live(played.shown)
            else:
                show.record(played.shown)
    for record in end:
        show.record(record)


class _Pace:
    """Turns instants of the run into waiting."""

    def __init__(self, begins_ns: int, speed: float | None) -> None:
        self._begins_ns = begins_ns
        self._speed = speed
        self._began_s = time.monotonic()

    def wait_for(self, at_ns: int) -> None:
        if self._speed is None:
            return
        due_s = self._began_s + (at_ns - self._begins_ns) / NS_PER_S / self._speed
        time.sleep(max(0.0, due_s - time.monotonic()))
