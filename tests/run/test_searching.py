"""A search for what is ridden through, on a simulated rig over Modbus."""

from __future__ import annotations

import io
import os
from pathlib import Path

import pyarrow.parquet as pq

from lamp_suites import LampSuites
from restart_bench.archive.queries import cycles_table
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import judge_again
from restart_bench.judging.campaign.ride_through import Zone, search_found
from restart_bench.model.journal import CycleStarted, Record
from restart_bench.model.outcome import RunOptions, RunOutcome
from restart_bench.report.record.gathering import gather
from restart_bench.run.session import perform
from restart_bench.screen.plain import PlainShow
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

MS = 1_000_000
HOLDS = (190, 210)
"""Milliseconds between which the simulated controller's hold-up time lies, anew at each cut."""


class StopsInCycle(PlainShow):
    """Plain lines; a person presses Ctrl-C when a cycle begins."""

    def __init__(self, cycle: int) -> None:
        super().__init__(io.StringIO())
        self._cycle = cycle

    def record(self, record: Record) -> None:
        """One more."""
        super().record(record)
        if isinstance(record, CycleStarted) and record.cycle == self._cycle:
            os.kill(os.getpid(), 2)


def searched(folder: Path, logs: Path, show: PlainShow, resume: str | None = None) -> RunOutcome:
    """The search, or the rest of it."""
    options = RunOptions(logs=logs, simulated=True, seed=None if resume else 5, resume=resume)
    return perform(load_suites([folder], cards=cards())[0], options, show, None)


def test_a_search_finds_the_hold_up_time_goes_on_where_it_was_stopped_and_is_judged_again_alike(tmp_path: Path) -> None:
    """The bracket holds the controller's true hold-up time; stopped in its fourth cycle it goes on with the off time
    that the first three ask for; judged from its archive it answers the same."""
    suites = LampSuites(tmp_path)
    rig = suites.rig()
    suites.scenario(rig, "holds-up", "on", off_for="{search: 40 ms..400 ms, to_within: 80 ms}")
    for file, old, new in (
        ("rig.yaml", "limits: {off_at_least: 200 ms", "limits: {dips_up_to: 400 ms, off_at_least: 500 ms"),
        ("rig.yaml", "watch: 400 ms", "watch: 150 ms"),
        ("holds-up.yaml", "press: start\n", "press: start\n    for: 50 ms\n"),
        ("program.yaml", "scan: 10 ms\n", "scan: 10 ms\nrides_through: {middle: 200 ms, spread: 10 ms}\n"),
    ):
        text = (rig / file).read_text(encoding="utf-8")
        assert old in text
        (rig / file).write_text(text.replace(old, new), encoding="utf-8")
    logs = tmp_path / "logs"
    assert searched(rig, logs, StopsInCycle(4)).exit_code == 130
    shown = io.StringIO()
    outcome = searched(rig, logs, PlainShow(shown), "last")
    assert outcome.exit_code == 0, outcome.runs[0].scenarios[0].reason
    (again,) = judge_again(ArchivedRun.open(outcome.runs[0].folder)).runs[0].scenarios
    assert again == outcome.runs[0].scenarios[0]
    record = gather(ArchivedRun.open(outcome.runs[0].folder))
    drawn = record.scenarios[0].search
    assert drawn is not None and again.reason.startswith(drawn.told) and drawn.cuts[0].cycle == 1
    assert record.reason.startswith(f"holds-up: {drawn.told}; all that was demanded was shown")
    assert "of at most 40)" in shown.getvalue() and ": rode through" in shown.getvalue()
    earlier = ArchivedRun.open(suites.runs()[0])
    cycles = [one for one in judge_again(earlier).runs[0].cycles if one.cycle < 4]
    found = search_found(outcome.runs[0].tested[0], [*cycles, *outcome.runs[0].cycles])
    assert found is not None and found.rides_through_ns is not None and found.restarts_ns is not None
    assert found.rides_through_ns[0] <= HOLDS[1] * MS and found.restarts_ns[1] >= HOLDS[0] * MS
    assert {one.zone for one in found.zones} == {Zone.RIDES, Zone.RESTARTS}
    own = {one.cycle: one.zone.value for one in found.tried if one.cycle >= 4}
    rows = pq.read_table(outcome.runs[0].folder / "cycles.parquet").to_pylist()
    assert {row["cycle"]: row["zone"] for row in rows if row["zone"] is not None} == own
    told = cycles_table(ArchivedRun.open(outcome.runs[0].folder))[1]
    assert {row["cycle"]: row["zone"] for row in told if row["zone"] is not None} == own
    stopped = search_found(outcome.runs[0].tested[0], cycles)
    assert stopped is not None and stopped.next_ns == outcome.runs[0].cycles[0].figures["off_for_ns"]
