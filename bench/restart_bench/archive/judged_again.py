"""An archived run as another judgement sees it: what a record of that judgement is made of. Writes nothing."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import load_scenario
from restart_bench.model.journal import CycleJudged, CycleStarted, Record, RunEnded, ScenarioJudged
from restart_bench.model.outcome import RunOutcome
from restart_bench.suite.loader import Suite

_JUDGEMENTS = (CycleJudged, ScenarioJudged)


class JudgedAgain(ArchivedRun):
    """The evidence of `run` under the verdicts of `outcome`, which came of judging it by `scenario_file`."""

    def __init__(self, run: ArchivedRun, outcome: RunOutcome, scenario_file: Path) -> None:
        self._run = run
        (again,) = outcome.runs
        (judged,) = again.scenarios
        self._suite = replace(run.suite(), scenarios=(load_scenario(run, scenario_file).scenario,))
        fields = dict(run.run)
        fields["planned"] = {judged.scenario: judged.cycles}
        fields["exit_code"] = outcome.exit_code
        fields["judged_again_by"] = scenario_file.name
        digest = hashlib.sha256(scenario_file.read_bytes()).hexdigest()
        kept = [file for file in run.run.get("inputs", ()) if file["kind"] != "scenario"]
        fields["inputs"] = [*kept, {"kind": "scenario", "name": scenario_file.name, "sha256": digest}]
        super().__init__(run.folder, fields)
        cases = {cycle.cycle: (cycle.scenario, cycle.case) for cycle in again.cycles}
        self.__dict__["records"] = [
            *(_renamed(record, cases) for record in run.records if not isinstance(record, (*_JUDGEMENTS, RunEnded))),
            *again.cycles,
            *again.scenarios,
            *(
                replace(record, verdict=outcome.verdict, exit_code=outcome.exit_code)
                for record in run.records
                if isinstance(record, RunEnded)
            ),
        ]
        self.__dict__["altered"] = run.altered

    def inputs(self) -> dict[str, bytes]:
        """What was copied into the archive; the file that was judged by lies elsewhere."""
        return self._run.inputs()

    def suite(self) -> Suite:
        """The archived rig and program with the scenario that was judged by."""
        return self._suite


def _renamed(record: Record, cases: dict[int, tuple[str, str]]) -> Record:
    """A cycle's beginning with the names that scenario and case have in the file that was judged by."""
    if not isinstance(record, CycleStarted) or record.cycle not in cases:
        return record
    scenario, case = cases[record.cycle]
    return replace(record, scenario=scenario, case=case)
