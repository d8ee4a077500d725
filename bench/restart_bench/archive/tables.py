"""The three tables of a run: changes, cycles, findings. Their schemas are the same in every run, so that a fleet's
archive reads as one table (`logs/**/findings.parquet`), with rig, date and run from the folders' names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from restart_bench.archive.files import ArchiveError, clear_errors, to_json, whole_or_absent
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.soundness import RUN_KEY
from restart_bench.files.faults import FaultsFound
from restart_bench.model.journal import (
    Change,
    CycleJudged,
    CycleRecords,
    Finding,
    Record,
    judged_cycles,
    judged_scenarios,
)
from restart_bench.model.rig import Rig, always_moving
from restart_bench.model.scenario import MARKS
from restart_bench.model.verdicts import Verdict

if TYPE_CHECKING:
    from restart_bench.archive.arrow import pa
    from restart_bench.evidence.traces import Trace

Row = dict[str, Any]

BATCH = 1 << 16
"""Rows written at a time."""


def findings_schema() -> pa.Schema:
    """One row a finding; `figures` is JSON text; cycle 0 is a finding about the run as a whole."""
    from restart_bench.archive.arrow import pa

    texts = ("point", "expectation", "verdict", "reason", "figures", "kind", "subject")
    return pa.schema([*_of_cycle(), *((name, pa.string()) for name in texts)])


def cycles_schema() -> pa.Schema:
    """One row a judged cycle; marks in ns of the bench's clock, null where they did not come. `how`: supply or mode,
    null where nothing was cut; `restarted`: null where that was not shown. `off_time_*`: the true off time by commands
    and data sheet. `zone`: what a cut of a search did; null of others, and where that is not shown."""
    from restart_bench.archive.arrow import pa

    marks = [f"{mark}_{bound}" for mark in MARKS for bound in ("not_before_ns", "not_after_ns")]
    return pa.schema(
        [
            *_of_cycle(), ("verdict", pa.string()), ("reason", pa.string()), *((name, pa.int64()) for name in marks),
            ("number", pa.uint32()), ("off_for_ns", pa.int64()), ("cut_delay_ns", pa.int64()),
            ("simulated", pa.bool_()),
            ("rehearsal", pa.bool_()), ("how", pa.string()), ("restarted", pa.bool_()),
            ("off_time_not_less_ns", pa.int64()), ("off_time_not_more_ns", pa.int64()), ("zone", pa.string()),
        ]
    )  # fmt: skip


def changes_schema() -> pa.Schema:
    """One row a change of a point; `before` is null after a span without a known value."""
    from restart_bench.archive.arrow import pa

    return pa.schema(
        [
            *_of_cycle(), ("point", pa.string()), ("before", pa.float64()), ("after", pa.float64()),
            ("not_before_ns", pa.int64()), ("not_after_ns", pa.int64()), ("counts", pa.bool_()),
        ]
    )  # fmt: skip


def _of_cycle() -> list[tuple[str, pa.DataType]]:
    from restart_bench.archive.arrow import pa

    return [("scenario", pa.string()), ("case", pa.string()), ("cycle", pa.uint32())]


# ---------------------------------------------------------------- rows


def all_findings(records: Sequence[Record]) -> Iterator[Finding]:
    """Findings of a journal: those of the cycles in order, then those that only the run's end could tell."""
    for judged in judged_cycles(records).values():
        yield from judged.findings
    for scenario in judged_scenarios(records).values():
        yield from scenario.late_findings


def finding_row(finding: Finding) -> Row:
    """A row of findings.parquet."""
    return {
        "scenario": finding.scenario, "case": finding.case, "cycle": finding.cycle, "point": finding.point,
        "expectation": finding.expectation, "verdict": finding.verdict.value, "reason": finding.reason,
        "figures": to_json(finding.figures), "kind": finding.kind.value, "subject": finding.subject,
    }  # fmt: skip


def how_cut(records: CycleRecords | None) -> str | None:
    """What the cycle took away: the supply, or run mode; None where nothing was."""
    switchings = records.switchings if records is not None else ()
    return next((one.what for one in switchings if one.purpose == "cut"), None)


def is_boot(how: str | None, judged: CycleJudged) -> bool:
    """True where the time from the restored supply to `ready` is that of a boot: the supply was cut, the controller
    is shown to have restarted, and the cycle is no error. A change of mode or a dip ridden through is none."""
    return how == "supply" and has_restarted(judged) is True and judged.verdict is not Verdict.ERROR


def has_restarted(judged: CycleJudged) -> bool | None:
    """Whether the controller is shown to have restarted, or to have ridden through; None where neither is."""
    return judged.restarted


def zones_of(run: ArchivedRun) -> dict[int, str]:
    """What each cut of a search did (rides through, partial reset, warm, cold restart, restarts), by its cycle; none
    where the evidence shows nothing, or the run's files are refused by now."""
    searched = [one for one in judged_cycles(run.records).values() if one.searched]
    if not searched:
        return {}
    from restart_bench.judging.campaign.ride_through import zone_of  # numpy and scipy, for searches alone

    try:
        scenarios = {one.name: one for one in run.suite().scenarios}
    except (ArchiveError, FaultsFound):
        return {}
    found = {one.cycle: zone_of(scenarios[one.scenario], one) for one in searched if one.scenario in scenarios}
    return {cycle: zone.value for cycle, zone in found.items() if zone is not None}


def cycle_row(
    judged: CycleJudged,
    records: CycleRecords | None,
    *,
    simulated: bool = False,
    rehearsal: bool = False,
    zone: str | None = None,
) -> Row:
    """A row of cycles.parquet."""
    row: Row = {
        "scenario": judged.scenario, "case": judged.case, "cycle": judged.cycle,
        "verdict": judged.verdict.value, "reason": judged.reason, "simulated": simulated,
        "rehearsal": rehearsal, "how": how_cut(records), "restarted": has_restarted(judged), "zone": zone,
    }  # fmt: skip
    if records is not None:
        started = records.started
        row |= {"number": started.number, "off_for_ns": started.off_for_ns, "cut_delay_ns": started.cut_delay_ns}
    if "off_time_ns" in judged.figures:
        row["off_time_not_less_ns"], row["off_time_not_more_ns"] = judged.figures["off_time_ns"]
    for mark in judged.marks:
        row[f"{mark.name}_not_before_ns"] = mark.bounds.not_before_ns
        row[f"{mark.name}_not_after_ns"] = mark.bounds.not_after_ns
    return row


def change_row(records: CycleRecords, change: Change) -> Row:
    """A row of changes.parquet."""
    return {
        "scenario": records.started.scenario, "case": records.started.case, "cycle": records.started.cycle,
        "point": change.point, "before": change.before, "after": change.after,
        "not_before_ns": change.bounds.not_before_ns, "not_after_ns": change.bounds.not_after_ns,
        "counts": change.counts,
    }  # fmt: skip


def _change_rows(run: ArchivedRun, rig: Rig, identity: dict[str, list[float]]) -> Iterator[Row]:
    """Rows of changes.parquet. On the way `identity` collects what the points that identify the program read."""
    from restart_bench.evidence.long_cycles import samples_to_draw
    from restart_bench.evidence.marks import traces_of
    from restart_bench.evidence.traces import changes_of

    left_out = always_moving(rig)
    for records, sources in run.cycles_in_pieces():
        traces = traces_of(rig, records, samples_to_draw(sources))
        for name in rig.program:
            if name in traces:
                _collect(identity.setdefault(name, []), traces[name])
        for name, trace in traces.items():
            if name not in left_out:
                for change in changes_of(trace):
                    yield change_row(records, change)


def _collect(known: list[float], trace: Trace) -> None:
    """Add the values that counting reads of a trace show, in order of first appearance."""
    import numpy as np

    values = trace.value[trace.counts & ~np.isnan(trace.value)]
    found, first = np.unique(values, return_index=True)
    known += [value for value in found[np.argsort(first)].tolist() if value not in known]


# ---------------------------------------------------------------- writing


def write_rows(path: Path, schema: pa.Schema, rows: Iterator[Row], run: str = "") -> None:
    """Write rows as a Parquet file that is whole or absent, a piece at a time; it names its run. Raises
    ArchiveError."""
    from restart_bench.archive.arrow import pa, pq

    schema = schema.with_metadata({RUN_KEY: run.encode()}) if run else schema
    with whole_or_absent(path) as temporary, pq.ParquetWriter(temporary, schema, compression="zstd") as writer:
        held: list[Row] = []
        for row in rows:
            held.append(row)
            if len(held) >= BATCH:
                writer.write_table(pa.Table.from_pylist(held, schema=schema))
                held = []
        writer.write_table(pa.Table.from_pylist(held, schema=schema))


def write_tables(folder: Path, rig: Rig | None) -> dict[str, list[float]]:
    """Write findings, cycles and changes of a run from its journal and its samples. Raises ArchiveError.

    Returns what the points that identify the program were read as, in order of first appearance. Without a rig
    (its file is refused) changes can't be told, and the table is empty.
    """
    run = ArchivedRun.open(folder)
    identity: dict[str, list[float]] = {}
    judged = judged_cycles(run.records)
    with clear_errors("write the tables", folder):
        findings = map(finding_row, all_findings(run.records))
        write_rows(folder / "findings.parquet", findings_schema(), findings, run.id)
        kind, zones = {"simulated": run.simulated, "rehearsal": bool(run.run.get("rehearsal"))}, zones_of(run)
        cycles = (
            cycle_row(judged[number], run.cycle_records.get(number), **kind, zone=zones.get(number))
            for number in sorted(judged)
        )
        write_rows(folder / "cycles.parquet", cycles_schema(), cycles, run.id)
        changes = iter(()) if rig is None else _change_rows(run, rig, identity)
        write_rows(folder / "changes.parquet", changes_schema(), changes, run.id)
    run.close()
    return identity
