"""Judging archived evidence again: by the scenarios that were archived with it, or by another scenario file.

Nothing is written. The same evidence gives the same findings, live, replayed or judged again; what differs then is
the version of the bench, or the scenario.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from restart_bench.archive_files import ArchiveError
from restart_bench.archive_reading import ArchivedRun
from restart_bench.concluding import judge_run
from restart_bench.judging import judge_cycle
from restart_bench.killed import planned_of
from restart_bench.outcome import OneRun, RunOutcome, exit_of, exit_over
from restart_bench.record.gathering import worst
from restart_bench.records import CycleJudged, Verdict
from restart_bench.scenario import Scenario
from restart_bench.suite import load_suites


def judge_again(run: ArchivedRun, scenario_file: Path | None = None) -> RunOutcome:
    """The run as its evidence is judged today. With `scenario_file` only the cycles of that scenario's name.

    Raises ArchiveError for a rehearsal, a run without cycles, or a scenario that was not run; FaultsFound for faulty
    files.
    """
    if run.run.get("rehearsal"):
        raise ArchiveError(f"{run.id}: a rehearsal cuts nothing, so there is nothing to judge again")
    suite = run.suite()
    scenarios = suite.scenarios if scenario_file is None else _from_file(run, scenario_file)
    by_name = {scenario.name: scenario for scenario in scenarios}
    cycles = tuple(
        judge_cycle(suite.rig, by_name[records.started.scenario], records, samples)
        for records, samples in run.cycles()
        if records.started.scenario in by_name
    )
    if not cycles:
        ran = ", ".join(dict.fromkeys(one.started.scenario for one in run.cycle_records.values()))
        raise ArchiveError(
            f"{run.id}: no cycle of {', '.join(by_name)} was run; its cycles are of: {ran or 'no scenario'}"
        )
    begun = [scenario for scenario in scenarios if any(one.scenario == scenario.name for one in cycles)]
    judged = tuple(judge_run(suite.rig, begun, cycles, planned_of(run, begun)))
    ended = run.run.get("ended") or {}
    one = OneRun(
        run.id, run.folder, suite.rig, judged, cycles, str(ended.get("how", "killed")), str(ended.get("reason", ""))
    )
    code = exit_over([exit_of(scenario.verdict) for scenario in judged])
    return RunOutcome(code, worst(scenario.verdict for scenario in judged), (one,))


def _from_file(run: ArchivedRun, scenario_file: Path) -> tuple[Scenario, ...]:
    """The scenario of another file, on the archived rig."""
    rig = next((run.folder / "inputs" / told["name"] for told in run.run["inputs"] if told["kind"] == "rig"), None)
    (suite, *_) = load_suites([scenario_file], rig=rig, cards=run.cards())
    return suite.scenarios


def changed_cycles(run: ArchivedRun, again: Sequence[CycleJudged]) -> list[tuple[int, Verdict, Verdict]]:
    """Cycles that are judged otherwise than when they were run: number, verdict then, verdict now."""
    then = {one.cycle: one.verdict for one in run.records if isinstance(one, CycleJudged)}
    return [
        (one.cycle, then[one.cycle], one.verdict)
        for one in again
        if one.cycle in then and then[one.cycle] is not one.verdict
    ]
