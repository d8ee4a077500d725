"""Comparing two archived runs, and the list of approved baselines of a rig."""

from __future__ import annotations

import getpass
import json
import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from restart_bench.archive.files import ArchiveError, append_line, clear_errors, to_bytes
from restart_bench.archive.reader import ArchivedRun
from restart_bench.campaigns.search import Answer
from restart_bench.compare.comparison import Comparison, RunFacts, compare
from restart_bench.files.faults import FaultsFound
from restart_bench.judging.campaign.ride_through import search_found
from restart_bench.model.codec import from_fields
from restart_bench.model.journal import CycleJudged, judged_cycles, judged_scenarios
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import counted, listed

if TYPE_CHECKING:
    from restart_bench.compare.edits import Edit
    from restart_bench.predict.proving.patience import Patience

BASELINES = "baselines.jsonl"


def comparable_of(run: ArchivedRun) -> RunFacts:
    """What a comparison needs of an archived run. Raises ArchiveError where the run was not closed."""
    if not run.closed:
        raise ArchiveError(f"{run.folder}: {run.why_open}")
    cycles = tuple(judged_cycles(run.records).values())
    return RunFacts(
        id=run.id,
        rig=run.rig_name,
        cycles=cycles,
        scenarios=tuple(judged_scenarios(run.records).values()),
        simulated=run.simulated,
        program={name: tuple(values) for name, values in (run.run.get("program_identity") or {}).items()},
        inputs={name: content.decode("utf-8", errors="replace") for name, content in run.inputs().items()},
        ridden=_ridden(run, cycles) if any(cycle.searched for cycle in cycles) else {},
        model=_model(run) if run.simulated else None,
    )


def _model(run: ArchivedRun) -> tuple[str, str] | None:
    text = _program_text(run)
    return None if text is None else (_program_name(run), text.decode("utf-8", errors="replace"))


def _ridden(run: ArchivedRun, cycles: Sequence[CycleJudged]) -> dict[str, tuple[int, int | None]]:
    """By searching scenario, the off times (ns) between which riding through ends, as its cycles show it."""
    ended: dict[str, tuple[int, int | None]] = {}
    with suppress(FaultsFound):  # files that an older bench took: nobody knows what was searched for
        for scenario in run.suite().scenarios:
            found = search_found(scenario, cycles)
            if found is not None and found.tried:
                ended[scenario.name] = _end_of_riding(found.answer)
    return ended


def _end_of_riding(told: Answer) -> tuple[int, int | None]:
    """Off times (ns): of the fitted threshold where outcomes overlap, else from the longest cut ridden through to the
    shortest that was not; 0 and None where the cuts set no end."""
    low, high = told.low, told.high
    if told.threshold is None:
        rides, breaks = told.bracket.rides_through, told.bracket.restarts
        low, high = None if rides is None else rides[0], None if breaks is None else breaks[1]
    return max(0, math.floor(low or 0)), None if high is None else math.ceil(high)


def compare_runs(baseline: Path, run: Path) -> Comparison:
    """Compare the archived run in one folder with that in another. Raises ArchiveError, also where two runs have no
    scenario in common."""
    facts = [comparable_of(ArchivedRun.open(one)) for one in (baseline, run)]
    names = [{cycle.scenario for cycle in one.cycles} for one in facts]
    if facts[0].id != facts[1].id and not names[0] & names[1]:
        played = (
            f"{one.id} (rig {one.rig}: {listed(sorted(own)) or 'no cycle'})"
            for one, own in zip(facts, names, strict=True)
        )
        raise ArchiveError(
            f"{' and '.join(played)} have no scenario in common, so nothing can be compared; "
            "name two runs of one scenario, see `restart-bench logs list`"
        )
    return compare(*facts)


def edit_of(baseline: ArchivedRun, run: ArchivedRun, patience: Patience, budget: str) -> Edit | None:
    """What the edit between the archived programs of two runs changes, as they behave; None where it is the same file,
    or one of them has none. budget: the time that `patience` gives, as it is told.

    Raises FaultsFound where this version of the bench refuses the archived files.
    """
    if len({_program_text(one) for one in (baseline, run)} | {None}) < 3:
        return None
    from restart_bench.compare.edits import Side, edit_between

    sides = []
    for one in (baseline, run):
        suite = one.suite()
        if suite.program is None:
            return None
        labels = {point.name: point.shown for point in suite.rig.outputs()}
        sides.append(Side(_program_name(one), suite.program, labels))
    return edit_between(sides[0], sides[1], patience, budget)


def _program_name(run: ArchivedRun) -> str:
    return next((str(told["name"]) for told in run.run.get("inputs", ()) if told["kind"] == "program"), "")


def _program_text(run: ArchivedRun) -> bytes | None:
    return run.inputs().get(_program_name(run))


# ---------------------------------------------------------------- approved baselines


@dataclass(frozen=True, slots=True)
class Approval:
    """One line of baselines.jsonl: who made which run the baseline, when (wall, RFC 3339) and why."""

    run: str
    by: str
    why: str
    at: str
    verdict: str = ""
    replaces: str = ""


def approve(folder: Path, *, why: str, by: str = "") -> Approval:
    """Make a closed run the baseline of its rig: a line is appended, nothing is ever overwritten.

    Raises ArchiveError where no reason is given or the run was not closed.
    """
    run = ArchivedRun.open(folder)
    if not run.closed:
        raise ArchiveError(f"{folder}: can't be a baseline: {run.why_open}")
    if run.altered:
        raise ArchiveError(f"{folder}: can't be a baseline: {run.altered}")
    if not why.strip():
        raise ArchiveError("an approval needs its reason; add --why TEXT")
    if not by:
        with suppress(Exception):  # no user name on this system
            by = getpass.getuser()
    path = _baselines_of(folder)
    before = _read_approvals(path)
    approval = Approval(
        run=run.id,
        by=by,
        why=why.strip(),
        at=datetime.now(tz=UTC).isoformat(timespec="seconds"),
        verdict=str(run.run.get("verdict") or ""),
        replaces=before[-1].run if before else "",
    )
    append_line(path, to_bytes(json.dumps(asdict(approval), ensure_ascii=False)))
    return approval


def approval_lines(approval: Approval, run: RunFacts) -> Iterator[str]:
    """What an approval made the baseline, and a warning where that run did not pass."""
    fails = sum(one.counted.get("fail", 0) for one in run.scenarios)
    ended = approval.verdict or "no verdict"
    yield f"RUN {approval.run} is the baseline now; it ended with {ended}, {counted(fails, 'failed cycle')}"
    yield f"approved by {approval.by or 'nobody named'}: {approval.why}"
    if approval.verdict != Verdict.PASS:
        yield (
            f"warning: {approval.run} did not pass. From now on it is what later runs are compared with; where the "
            f"other run was meant: restart-bench compare {approval.run} RUN --approve --why TEXT with that one as RUN"
        )


def approvals(logs: Path, rig: str) -> list[Approval]:
    """All approvals on this rig, oldest first; the last one holds. A torn line is left out."""
    return _read_approvals(logs / f"rig={rig}" / BASELINES)


def baseline_of(logs: Path, rig: str) -> str | None:
    """Id of the run that is the approved baseline of this rig, None where there is none."""
    told = approvals(logs, rig)
    return told[-1].run if told else None


def _baselines_of(folder: Path) -> Path:
    rig = folder.resolve().parent.parent
    if not rig.name.startswith("rig="):
        raise ArchiveError(
            f"{folder}: does not lie in an archive (logs/rig=.../date=.../run=...), so it has no baseline"
        )
    return rig / BASELINES


def _read_approvals(path: Path) -> list[Approval]:
    if not path.exists():
        return []
    with clear_errors("read", path):
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    found: list[Approval] = []
    for line in lines:
        with suppress(ValueError, TypeError, RecursionError):
            found.append(from_fields(Approval, json.loads(line)))
    return found
