"""A run told in plain lines: for pipes, logs and CI. No control characters, nothing is ever redrawn."""

from __future__ import annotations

import sys
from typing import IO

from restart_bench.judging.campaign.ride_through import outcome_of_search
from restart_bench.judging.summary import without_echoes
from restart_bench.model.clock import FAR_NS
from restart_bench.model.journal import (
    WAY_OUT,
    Answered,
    CycleJudged,
    CycleStarted,
    Finding,
    Forecast,
    Introduced,
    Record,
    RunEnded,
    RunStarted,
    ScenarioJudged,
    StepDone,
    Switching,
    Trouble,
)
from restart_bench.model.live import LiveState
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.ways import BY_RELAY, Way, command_words, way_back
from restart_bench.model.wording import (
    NOTHING_SHOWN,
    bounds_text,
    counted,
    reached_word,
    step_word,
    verdict_gloss,
    without_controls,
)
from restart_bench.screen.outlet import Outlet

LEAVE_WITHIN_S = 2.0
"""How long a run that was stopped waits for whoever reads what it says."""


class PlainShow:
    """Implements `live.Show` with one line for each thing that happened."""

    every_ns = FAR_NS

    def __init__(self, stream: IO[str] | Outlet | None = None, *, rehearsal: bool = False) -> None:
        self._stream = stream if stream is not None else sys.stdout
        self._stopped = False
        self._rehearsal = rehearsal
        self._cut_ns: int | None = None
        self._way = BY_RELAY

    def record(self, record: Record) -> None:
        """Writes the line of this record, if it has one."""
        self._stopped |= isinstance(record, RunEnded) and record.how == "stopped"
        for line in self.lines(record):
            print(without_controls(line), file=self._stream, flush=True)

    def live(self, state: LiveState) -> None:
        """Plain lines show no states."""

    def close(self) -> None:
        """Waits for whoever reads, but not for long where the run was stopped: then nobody may be there."""
        if isinstance(self._stream, Outlet):
            self._stream.drain(LEAVE_WITHIN_S if self._stopped else None)

    def lines(self, record: Record) -> list[str]:
        """The lines of this record, none for most. To be asked once for each, in their order."""
        if isinstance(record, RunStarted):
            kind = "simulated" if record.simulated else "ARMED"
            if record.simulated_devices:
                kind += f", but SIMULATED: {', '.join(record.simulated_devices)} said so on the wire"
            kind += f", rehearsal: {NOTHING_SHOWN}" if self._rehearsal else ""
            cycles = counted(record.planned_cycles, "cycle")
            return [f"test {record.run} on {record.rig} ({kind}), {cycles}, seed {record.seed}"]
        if isinstance(record, Introduced):
            simulated = "SIMULATED RIG: " if record.simulated else ""
            return [f"{simulated}{record.device} answers, and says it is: {record.says}"] if record.says else []
        if isinstance(record, CycleStarted):
            case = f", {record.case}" if record.case else ""
            if record.searched:
                most = f"{record.number} of at most {record.of}"
                return [f"cycle {record.cycle}: {record.scenario}, off for {show_duration(record.off_for_ns)} ({most})"]
            return [f"cycle {record.cycle}: {record.scenario}{case} ({record.number} of {record.of})"]
        if isinstance(record, Switching):
            return self._switching(record)
        if isinstance(record, StepDone):
            return [] if record.reached else [f"  not reached: {record.text}: {record.reason}"]
        if isinstance(record, Answered):
            return [f"  {record.question} {'yes' if record.answer else 'no'}"]
        if isinstance(record, Forecast):
            expects = "does not know" if record.answer is None else f"expects {'on' if record.answer else 'off'}"
            return [f"  {record.point} is {'on' if record.now_on else 'off'}: {record.learner} {expects}"]
        if isinstance(record, Trouble):
            return [f"  {'trouble' if record.error else 'note'}: {record.text}"]
        if isinstance(record, CycleJudged):
            return _rehearsed(record) if self._rehearsal else _judged(record, self._way)
        if isinstance(record, ScenarioJudged) and self._rehearsal:
            return [f"{record.scenario}: {reached_word(record.verdict)}, {counted(record.cycles, 'cycle')}"]
        if isinstance(record, ScenarioJudged):
            cycles = counted(record.cycles, "cycle")
            return [f"{record.scenario}: {verdict_gloss(record.verdict)}, {cycles}: {record.in_short}"]
        if isinstance(record, RunEnded):
            reason = f", {record.reason}" if record.reason not in ("", record.how) else ""
            left = f"; the supply was left {record.supply_left}" if record.supply_left else ""
            return [f"test ended: {record.how}{reason}{left}"]
        return []

    def _switching(self, record: Switching) -> list[str]:
        told = command_words(record.what, record.to)
        if record.problem and record.purpose in WAY_OUT:
            return []  # the note that follows tells it, once for all tries
        if record.problem:
            return [f"  {told}: not taken: {record.problem}"]
        if record.purpose == "cut":
            self._cut_ns, self._way = record.before_ns, way_back(record.what, record.to)
            return [f"  {told}"]
        if record.purpose == "restore" and self._cut_ns is not None:
            off_ns = round(record.before_ns - self._cut_ns, -6)  # the exact bounds stand in the archive
            return [f"  {told} after {show_duration(off_ns)}"]
        return []


def _rehearsed(record: CycleJudged) -> list[str]:
    lines = [f"  {step_word(one.verdict)}: {one.expectation}" for one in record.findings]
    return lines or [f"  {record.reason}"]


def _judged(record: CycleJudged, way: Way) -> list[str]:
    record = without_echoes(record)
    restored, ready = record.mark("restored"), record.mark("ready")
    back = ""
    if restored and ready:  # never before the return, however wide the bounds
        low, high = ready.since(restored)
        back = f", ready {bounds_text((max(0, low), max(0, high)))} after {way.returned}"
    notable = [one for one in record.findings if one.verdict is not Verdict.PASS]
    reason = f": {record.reason}" if record.verdict is not Verdict.PASS and not notable else ""
    lines = [f"  {verdict_gloss(record.verdict)}{outcome_of_search(record)}{back}{reason}"]
    return lines + [f"    {one.verdict.value}: {_what(one)}{one.reason}" for one in notable]


def _what(finding: Finding) -> str:
    """Point and expectation, unless the reason names its expectation itself."""
    what = f"{finding.point} {finding.words}".strip()
    return "" if finding.expectation in finding.reason else f"{what}: "
