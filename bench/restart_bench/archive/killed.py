"""What a killed run lacks, worked out from what it left: judgements, and an end."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from restart_bench.archive.earlier import earlier_cycles
from restart_bench.archive.reader import ArchivedRun, gone_on_with
from restart_bench.model.clock import Anchor
from restart_bench.model.journal import (
    CutAnnounced,
    CycleEnded,
    CycleJudged,
    CycleRecords,
    CycleStarted,
    Introduced,
    Record,
    RunEnded,
    RunStarted,
    ScenarioJudged,
    Switching,
    Trouble,
    judged_cycles,
    judged_scenarios,
    run_end,
    supply_commands,
)
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import Verdict, exit_of

if TYPE_CHECKING:
    from restart_bench.model.condensing import SampleSource
    from restart_bench.suite.loader import Suite

KILLED = "the bench was killed"
UNCLOSED = "its archive could not be closed at its end (the bench was killed, or the disk was full), but later"


def what_is_missing(run: ArchivedRun, suite: Suite | None) -> list[Record]:
    """Records that bring the journal of a killed run to its end; where it has one, another that says that its archive
    was not closed then (whoever waited for the run was not told that it is well).

    A cycle that was broken off gets its end and a note of the kill, so that a deviation proven before stands and
    the rest is not shown (rule 10). Without a suite nothing is judged.
    """
    if (ended := run_end(run.records)) is not None:
        return _end_unclosed(ended, run.records)
    if suite is None:
        return [_end(run, run.records, [])]
    judged = judged_cycles(run.records)
    missing: list[Record] = []
    for records, sources in run.cycles_in_pieces():
        number = records.started.cycle
        if number not in judged:
            whole, added = _brought_to_end(records, sources)
            judged[number] = _judge(run, suite, whole, sources)
            missing += [*added, judged[number]]
    before = gone_on_with(run)
    counted = earlier_cycles(before).counted if before is not None else ()
    scenarios = _conclude(run, suite, [*counted, *judged.values()])
    missing += scenarios
    missing.append(_end(run, [*run.records, *missing], scenarios))
    return missing


def _brought_to_end(
    records: CycleRecords, sources: dict[str, SampleSource]
) -> tuple[CycleRecords, list[Trouble | CycleEnded]]:
    if records.ended is not None:
        return records, []
    number = records.started.cycle
    last = newest_instant([records.started, *_timed(records)], sources)
    trouble = Trouble(number, "stopped", KILLED, last)
    ended = CycleEnded(number, last, completed=False)
    return dataclasses.replace(records, troubles=(*records.troubles, trouble), ended=ended), [trouble, ended]


def broken_off(records: Sequence[Record], why: str) -> list[Record]:
    """Records that end the cycle that a killed run was in; none where it was in none."""
    ended = {one.cycle for one in records if isinstance(one, CycleEnded)}
    added: list[Record] = []
    for started in (one for one in records if isinstance(one, CycleStarted) and one.cycle not in ended):
        last = newest_instant([one for one in records if getattr(one, "cycle", 0) == started.cycle])
        added += [Trouble(started.cycle, "stopped", why, last), CycleEnded(started.cycle, last, completed=False)]
    return added


def _timed(records: CycleRecords) -> list[Record]:
    return [*records.steps, *records.switchings, *records.writes, *records.answers, *records.troubles]


def newest_instant(records: Sequence[Record], sources: dict[str, SampleSource] | None = None) -> int:
    """The newest instant that records and samples name, in ns of the bench's clock; 0 where they name none."""
    names = ("at_ns", "ended_ns", "after_ns", "received_ns", "answered_ns")
    found = [int(getattr(record, name)) for record in records for name in names if hasattr(record, name)]
    for source in (sources or {}).values():
        found += [int(piece["received_ns"].max()) for piece in source.pieces() if len(piece)]
    return max(found, default=0)


def _judge(run: ArchivedRun, suite: Suite, records: CycleRecords, sources: dict[str, SampleSource]) -> CycleJudged:
    scenario = scenario_of(suite, records.started.scenario)
    if run.run.get("rehearsal"):
        from restart_bench.judging.rehearsal import judge_rehearsal

        return judge_rehearsal(scenario, records)
    from restart_bench.judging.cycle import judge_long_cycle

    return judge_long_cycle(suite.rig, scenario, records, sources)


def scenario_of(suite: Suite, name: str) -> Scenario:
    """The scenario of this name. Raises KeyError where the suite has none."""
    return {scenario.name: scenario for scenario in suite.scenarios}[name]


def _conclude(run: ArchivedRun, suite: Suite, cycles: Sequence[CycleJudged]) -> list[ScenarioJudged]:
    """All scenarios, those that the run did not come to as well: it was not completed."""
    scenarios = list(suite.scenarios)
    if run.run.get("rehearsal"):
        from restart_bench.judging.rehearsal import conclude_rehearsal

        return [conclude_rehearsal(scenario, cycles) for scenario in scenarios]
    from restart_bench.judging.scenario import judge_run

    return judge_run(suite.rig, scenarios, cycles, planned_of(run, scenarios))


def planned_of(run: ArchivedRun, scenarios: Sequence[Scenario]) -> dict[str, int]:
    """Cycles planned for each scenario, as run.json says or as its file does."""
    planned = run.run.get("planned") or {}
    return {s.name: int(planned.get(s.name, s.repeat * len(s.cases))) for s in scenarios}


def _end(run: ArchivedRun, records: Sequence[Record], scenarios: Sequence[ScenarioJudged]) -> RunEnded:
    last = newest_instant(records)
    started = next((record for record in records if isinstance(record, RunStarted)), None)
    done = sum(isinstance(record, CycleEnded) and record.completed for record in records)
    planned = f" of {started.planned_cycles}" if started is not None else ""
    verdict = _broken_off(scenarios)
    told = run.run.get("ended") or {}  # by a run whose log had a gap, so that its journal has no end
    how, reason = ("error", str(told.get("reason"))) if told.get("how") == "error" else ("killed", "")
    return RunEnded(
        run=run.id,
        how=how,
        verdict=verdict,
        exit_code=exit_of(verdict),
        reason=reason or f"{KILLED}; {done}{planned} cycles were completed",
        at_ns=last,
        wall=Anchor(**run.run["anchor"]).label(last or int(run.run["anchor"]["clock_ns"])).isoformat(),
        supply_left=_last_command(records),
    )


def _broken_off(scenarios: Iterable[ScenarioJudged]) -> Verdict:
    """The verdict of a run that did not end as it should: what was proven before stands."""
    return Verdict.FAIL if any(one.verdict is Verdict.FAIL for one in scenarios) else Verdict.ERROR


def _end_unclosed(ended: RunEnded, records: Sequence[Record]) -> list[Record]:
    """The end of a run that told another one, then was killed or met a full disk before its archive was closed."""
    if ended.how in ("error", "killed"):
        return []
    verdict = _broken_off(judged_scenarios(records).values())
    reason = f"{UNCLOSED}; it had ended so: {ended.how}" + (f" ({ended.reason})" if ended.reason else "")
    return [dataclasses.replace(ended, how="error", verdict=verdict, exit_code=exit_of(verdict), reason=reason)]


def _last_command(records: Sequence[Record]) -> str:
    commands = [record.to for record in supply_commands(records)]
    return f"unknown (last commanded: {commands[-1]})" if commands else "as it was before the run"


def operations_in(records: Sequence[Record]) -> int:
    """Operations of the supply's contact that a journal names; a command that drew no answer counts."""
    commands = [record.to for record in supply_commands(records)]
    moved = sum(1 for before, to in zip(["", *commands], commands, strict=False) if before != to)
    return moved + cut_was_due(records)


def cut_was_due(records: Sequence[Record]) -> bool:
    """True where a killed run had announced a cut and nobody knows whether the command was given."""
    for record in reversed(records):
        if isinstance(record, Switching) and record.what == "supply":
            return False
        if isinstance(record, CutAnnounced):
            return record.how == "supply"
    return False


def ended_by_kill(fields: dict[str, Any], records: Sequence[Record]) -> dict[str, Any]:
    """What run.json still lacks, from the journal: `ended`, verdicts, operations. What it has stays, but for a verdict
    that the journal does not bear out."""
    ended = next(record for record in reversed(records) if isinstance(record, RunEnded))
    operations = 0 if fields.get("simulated") else operations_in(records)
    known = facts_of_end(ended, judged_scenarios(records).values(), operations)
    same = (fields.get("exit_code"), (fields.get("ended") or {}).get("how")) == (ended.exit_code, ended.how)
    stays = () if same else ("ended", "verdict", "exit_code")
    told = {name: value for name, value in known.items() if name not in fields or name in stays}
    return told | _introduced(fields, records)


def facts_of_end(ended: RunEnded, scenarios: Iterable[ScenarioJudged], operations: int) -> dict[str, Any]:
    """Keys of run.json that are known once a run has ended."""
    return {
        "ended": {"how": ended.how, "reason": ended.reason, "wall": ended.wall, "at_ns": ended.at_ns},
        "verdict": ended.verdict,
        "exit_code": ended.exit_code,
        "scenarios": [
            {
                "name": s.scenario, "verdict": s.verdict, "reason": s.reason, "cycles": s.cycles,
                "counted": s.counted, "limits": list(s.limits),
            }
            for s in scenarios
        ],
        "operations": operations,
        "supply_left": ended.supply_left,
    }  # fmt: skip


def _introduced(fields: Mapping[str, Any], records: Sequence[Record]) -> dict[str, Any]:
    """What devices said that were heard only after run.json was begun."""
    late = {record.device: record for record in records if isinstance(record, Introduced)}
    if not late:
        return {}
    return {
        "simulated_devices": [
            *(fields.get("simulated_devices") or ()),
            *(n for n, one in late.items() if one.simulated),
        ],
        "identities": {**(fields.get("identities") or {}), **{n: one.says for n, one in late.items() if one.says}},
        "unheard_devices": [name for name in fields.get("unheard_devices") or () if name not in late],
    }
