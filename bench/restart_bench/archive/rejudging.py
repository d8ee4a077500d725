"""Judging archived evidence again: by the scenarios that were archived with it, or by another scenario file.

Nothing is written. The same evidence gives the same findings, live, replayed or judged again; what differs then is
the version of the bench, or the scenario. What a new scenario asks and old evidence can't answer (a point that was
not observed, a step or a cut that was not performed, a longer watch) is said among the limits of the scenario, and
keeps it from passing.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from restart_bench.archive.earlier import earlier_cycles
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.kept_cycles import KeptCycles
from restart_bench.archive.killed import planned_of
from restart_bench.archive.reader import ArchivedRun, gone_on_with
from restart_bench.files.faults import FaultsFound
from restart_bench.judging.cycle import judge_long_cycle
from restart_bench.judging.scenario import judge_run, planned_cycles
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.condensing import SampleSource
from restart_bench.model.journal import (
    CycleJudged,
    CycleStarted,
    Finding,
    Forecast,
    Record,
    RunEnded,
    ScenarioJudged,
    judged_cycles,
    run_end,
)
from restart_bench.model.outcome import OneRun, RunOutcome
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Case, Scenario, Step
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import EXIT_ERROR, Verdict, exit_over, worst
from restart_bench.model.wording import counted, some
from restart_bench.suite.loader import Suite, load_suites


def judge_again(run: ArchivedRun, scenario_file: Path | None = None) -> RunOutcome:
    """The run as its evidence is judged today; with `scenario_file` by that scenario, see `_evidence_for`.

    Raises ArchiveError for a rehearsal, a run without cycles, or a scenario that no evidence belongs to; FaultsFound
    for faulty files.
    """
    if run.run.get("rehearsal"):
        raise ArchiveError(f"{run.id}: a rehearsal cuts nothing, so there is nothing to judge again")
    suite = run.suite()
    if scenario_file is None:
        return _unless_altered(run, _as_it_ended(run, suite))
    loaded = load_scenario(run, scenario_file)
    return _unless_altered(run, _by_another(run, suite, loaded.scenario, loaded.not_answered))


def _unless_altered(run: ArchivedRun, outcome: RunOutcome) -> RunOutcome:
    """Evidence that is not as it was closed shows nothing, for or against the controller; a run without its sums (it
    was killed, or they were taken away) does not pass."""
    altered = run.altered
    if not altered:
        unclosed = [] if run.closed else [EXIT_ERROR]
        return replace(outcome, exit_code=exit_over([outcome.exit_code, *unclosed]))
    (judged_run,) = outcome.runs
    void = tuple(judged.overruled(Verdict.ERROR, altered) for judged in judged_run.scenarios)
    return RunOutcome(EXIT_ERROR, Verdict.ERROR, (replace(judged_run, scenarios=void, altered=altered),))


def _as_it_ended(run: ArchivedRun, suite: Suite) -> RunOutcome:
    """All that the run was to do, judged again: scenarios that it did not come to are judged too, and how it ended
    counts as it did then."""
    how, reason = end_of(run)
    cycles = _by_archived(run, suite)
    earlier = tuple(_of_earlier(run))
    counted = [*earlier, *cycles]
    if not counted and how == "completed":
        raise ArchiveError(f"{run.id}: no cycle was run, so there is nothing to judge")
    begun = [s for s in suite.scenarios if how != "completed" or any(one.scenario == s.name for one in counted)]
    scenarios = judge_run(suite.rig, begun, counted, planned_of(run, begun))
    forecasts = tuple(record for record in run.records if isinstance(record, Forecast))
    one = OneRun(
        run.id,
        run.folder,
        suite.rig,
        tuple(scenarios),
        cycles,
        how,
        reason,
        forecasts=forecasts,
        program=suite.program,
        tested=suite.scenarios,
        simulated=run.simulated,
        earlier=earlier,
    )
    return RunOutcome.of(one)


def end_of(run: ArchivedRun) -> tuple[str, str]:
    """How a run ended, and why: as its journal tells it; without an end there, the bench was killed."""
    ended = run_end(run.records)
    return (ended.how, ended.reason) if ended is not None else ("killed", "the run has no end in its journal")


def _by_archived(run: ArchivedRun, suite: Suite) -> tuple[CycleJudged, ...]:
    by_name = {scenario.name: scenario for scenario in suite.scenarios}
    kept = KeptCycles()
    return tuple(
        kept.keep(judge_long_cycle(suite.rig, by_name[records.started.scenario], records, sources))
        for records, sources in run.cycles_in_pieces()
    )


def _of_earlier(run: ArchivedRun) -> list[CycleJudged]:
    """The cycles of a run that this one went on with, judged again as well. Raises ArchiveError where that run is not
    in the archive any more."""
    if not run.run.get("resumes"):
        return []
    before = gone_on_with(run)
    if before is None:
        raise ArchiveError(f"{run.id} went on with {run.run['resumes']['run']}, which is not in this archive")
    numbers = {one.cycle for one in earlier_cycles(before).counted}
    return [one for one in (*_of_earlier(before), *_by_archived(before, before.suite())) if one.cycle in numbers]


def _outcome(
    run: ArchivedRun, rig: Rig, asked: Scenario, cycles: tuple[CycleJudged, ...], scenarios: Sequence[ScenarioJudged]
) -> RunOutcome:
    """What another scenario says of the evidence; how the run ended counts as it does by its own."""
    return RunOutcome.of(OneRun(run.id, run.folder, rig, tuple(scenarios), cycles, *end_of(run), tested=(asked,)))


def changed_cycles(run: ArchivedRun, again: Sequence[CycleJudged]) -> list[tuple[int, Verdict, Verdict]]:
    """Cycles that are judged otherwise than when they were run: number, verdict then, verdict now."""
    then = judged_cycles(run.records)
    return [
        (one.cycle, then[one.cycle].verdict, one.verdict)
        for one in again
        if one.cycle in then and then[one.cycle].verdict is not one.verdict
    ]


def changed_findings(run: ArchivedRun, again: Sequence[CycleJudged]) -> list[tuple[Finding | None, Finding | None]]:
    """Findings that are not word for word those in the archive, as they were and as they are (None: there is none).
    Empty where the same evidence was judged by the same scenario and the same rules."""
    then = judged_cycles(run.records)
    pairs: list[tuple[Finding | None, Finding | None]] = []
    for cycle in again:
        old = _by_what(then[cycle.cycle].findings if cycle.cycle in then else ())
        new = _by_what(_as_archived(cycle).findings)
        pairs += [(old.get(key), new.get(key)) for key in {**old, **new} if old.get(key) != new.get(key)]
    return pairs


def _as_archived(judged: CycleJudged) -> CycleJudged:
    """The judgement as it would come back from the journal (tuples in figures become lists)."""
    again = from_line(to_line(judged))
    assert isinstance(again, CycleJudged)
    return again


def _by_what(findings: Sequence[Finding]) -> dict[tuple[str, str, int], Finding]:
    """Findings by point and expectation; two of one name are told apart by their order."""
    seen: dict[tuple[str, str], int] = {}
    found: dict[tuple[str, str, int], Finding] = {}
    for finding in findings:
        key = (finding.point, finding.expectation)
        seen[key] = seen.get(key, -1) + 1
        found[*key, seen[key]] = finding
    return found


# ---------------------------------------------------------------- another scenario on old evidence


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A new scenario cut down to what was performed, and the name that each archived case has in it."""

    scenario: Scenario
    cases: dict[str, str]
    not_answered: tuple[NotAnswered, ...]


def _by_another(run: ArchivedRun, suite: Suite, new: Scenario, not_answered: Sequence[NotAnswered]) -> RunOutcome:
    old = _evidence_for(run, suite, new)
    fitted = _fit(new, old)
    kept = KeptCycles()
    cycles: list[CycleJudged] = []
    unread: dict[str, None] = dict.fromkeys(one.judged for one in (*new.during, *new.after))
    for records, sources in run.cycles_in_pieces():
        if records.started.scenario == old.name and records.started.case in fitted.cases:
            started = replace(records.started, scenario=new.name, case=fitted.cases[records.started.case])
            evidence = replace(records, started=started)
            cycles.append(kept.keep(judge_long_cycle(suite.rig, fitted.scenario, evidence, sources)))
            unread = {name: None for name in unread if not _is_read(suite.rig, name, sources)}
    if not cycles:
        raise ArchiveError(f"{run.id}: {new.name}: {some([*fitted.not_answered])}; nothing is left to judge")
    open_questions = [
        *not_answered,
        *fitted.not_answered,
        *(f"{name}: was not observed in this run" for name in unread),
    ]
    planned = {new.name: planned_cycles(new)}
    if len(cycles) < planned[new.name]:
        open_questions.append(f"{counted(len(cycles), 'cycle')} of {planned[new.name]} were performed")
    (judged,) = judge_run(suite.rig, [fitted.scenario], cycles, planned)
    return _outcome(run, suite.rig, fitted.scenario, tuple(cycles), [_with_open(judged, open_questions)])


def _is_read(rig: Rig, name: str, sources: Mapping[str, SampleSource]) -> bool:
    device = sources.get(rig.points[name].device)
    return device is not None and any(point == name for point, _ in device.layout.points)


def _with_open(judged: ScenarioJudged, questions: Sequence[str]) -> ScenarioJudged:
    """What old evidence can't answer stands first among the limits, and is no pass."""
    if not questions:
        return judged
    limits = (*(f"Not to be answered from this evidence: {text}." for text in questions), *judged.limits)
    verdict = worst((judged.verdict, Verdict.INCONCLUSIVE))
    if verdict is judged.verdict:
        return replace(judged, limits=limits)
    return judged.overruled(verdict, f"old evidence can't answer all: {some(list(questions))}", limits=limits)


def _evidence_for(run: ArchivedRun, suite: Suite, new: Scenario) -> Scenario:
    """The archived scenario whose cycles are evidence for a new one: that of its name, else the only one whose steps
    before and cut are the same, else the only one of the run. Raises ArchiveError that names what there is."""
    cycles = run.cycle_records.values()
    ran = [one for one in suite.scenarios if any(records.started.scenario == one.name for records in cycles)]
    same_name = [one for one in ran if one.name == new.name]
    alike = [one for one in ran if one.how == new.how and _actions(one.before) == _actions(new.before)]
    for found in (same_name, alike, ran):
        if len(found) == 1:
            return found[0]
    names = ", ".join(one.name for one in ran) or "no scenario"
    raise ArchiveError(
        f"{run.id}: no evidence belongs to {new.name}; its cycles are of {names}: give the file one of these names"
    )


def _actions(steps: Sequence[Step]) -> list[object]:
    return [step.action for step in steps]


def _without(steps: Sequence[Step], others: Sequence[Step]) -> list[Step]:
    """The steps that stand there more often than among the others: to press once is not to press twice."""
    left, found = _actions(others), []
    for step in steps:
        if step.action in left:
            left.remove(step.action)
        else:
            found.append(step)
    return found


def _fit(new: Scenario, old: Scenario) -> _Fitted:
    """What of a new scenario was performed: its steps are taken from the evidence, its cases where they were cut."""
    not_answered: list[NotAnswered] = []
    cases = _same_cases(new, old)
    if new.how != old.how:
        cases = {}
        not_answered.append(f"a cut of {new.how} was not performed, the run cut by {old.how}")
    missing, more = _without(new.before, old.before), _without(old.before, new.before)
    not_answered += [f"step {step.text} was not performed before the cut" for step in missing]
    not_answered += [f"the run also did `{step.text}` before the cut" for step in more]
    if not missing and not more and _actions(new.before) != _actions(old.before):
        order = ", ".join(step.text for step in old.before)
        not_answered.append(f"the steps before the cut were performed in another order: {order}")
    kept = _common_steps(new.function_check, old.function_check)
    not_answered += [f"step {step.text} was not performed" for step in new.function_check[len(kept) :]]
    if new.how == old.how:
        not_answered += [
            f"a cut of {case.name or show_duration(case.off_for_ns)} was not performed"
            for case in new.cases
            if case.name not in cases.values()
        ]
    if new.watch_ns > old.watch_ns:
        asked, watched = show_duration(new.watch_ns), show_duration(old.watch_ns)
        not_answered.append(f"a watch of {asked}; the run watched for {watched}")
    elif new.watch_restored_ns > max(old.watch_restored_ns, old.watch_ns):
        asked = show_duration(new.watch_restored_ns)
        watched = show_duration(max(old.watch_restored_ns, old.watch_ns))
        not_answered.append(f"a watch to {asked} after the return; the run watched for no less than {watched}")
    fitted = replace(new, before=old.before, function_check=kept)
    return _Fitted(fitted, cases, tuple(not_answered))


def _common_steps(new: Sequence[Step], old: Sequence[Step]) -> tuple[Step, ...]:
    """The steps from the first on that were performed as asked."""
    count = 0
    while count < min(len(new), len(old)) and new[count].action == old[count].action:
        count += 1
    return tuple(new[:count])


def _same_cases(new: Scenario, old: Scenario) -> dict[str, str]:
    """Archived case -> new case, for the cuts that were performed as the new scenario asks."""

    def cut(case: Case) -> tuple[object, ...]:
        return case.off_for_ns, case.at, case.level

    if new.search != old.search:  # each cycle of a search was off for a time of its own
        return {}
    names = {cut(case): case.name for case in reversed(new.cases)}
    return {case.name: names[cut(case)] for case in old.cases if cut(case) in names}


NotAnswered = str
"""A sentence without its full stop: what was asked, and why old evidence can't answer it."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A scenario, and what of its file speaks of points that were not there."""

    scenario: Scenario
    not_answered: tuple[NotAnswered, ...]


def load_scenario(run: ArchivedRun, file: Path) -> Loaded:
    """The scenario of a file on the archived rig.

    Raises FaultsFound with the file's faults, unless all that is wrong are points that the archived rig lacks.
    """
    try:
        return Loaded(_load(run, file), ())
    except FaultsFound as faults:
        try:
            rest, set_aside = _without_unknown(run.suite().rig, file)
        except (OSError, UnicodeError, yaml.YAMLError):
            raise faults from None  # no file that can be read: the faults say it
        if not set_aside:
            raise
        try:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / file.name
                path.write_text(yaml.safe_dump(rest, sort_keys=False, allow_unicode=True), encoding="utf-8")
                scenario = _load(run, path)
        except FaultsFound:
            raise faults from None
        return Loaded(
            scenario, tuple(f"{name}: is no point of the archived rig, so it was not observed" for name in set_aside)
        )


def _load(run: ArchivedRun, file: Path) -> Scenario:
    (suite, *_) = load_suites([file], rig=run.rig_file, program=run.program_file, cards=run.cards())
    return suite.scenarios[0]


def _without_unknown(rig: Rig, file: Path) -> tuple[Any, list[str]]:
    """The content of a scenario file without expectations, gaps and function checks of unknown points, and those."""
    known = {*rig.points, *rig.groups}
    set_aside: dict[str, None] = {}
    content = yaml.safe_load(file.read_text(encoding="utf-8"))

    def keep(mapping: Any) -> Any:
        if not isinstance(mapping, dict):
            return mapping
        set_aside.update(dict.fromkeys(str(name) for name in mapping if name not in known))
        return {name: wanted for name, wanted in mapping.items() if name in known}

    def keep_steps(steps: Iterable[Any]) -> list[Any]:
        kept = [{**step, "expect": keep(step["expect"])} if _expects(step) else step for step in steps]
        return [step for step in kept if not _expects(step) or step["expect"]]

    if not isinstance(content, dict):
        return content, []
    for name in ("during", "function_check"):
        if isinstance(content.get(name), list):
            content[name] = keep_steps(content[name])
            if not content[name]:
                del content[name]
    after = content.get("after")
    if isinstance(after, dict):
        if "expect" in after:
            after["expect"] = keep(after["expect"])
        if isinstance(after.get("gaps"), list):
            missing = [gap for gap in after["gaps"] if isinstance(gap, dict) and not _ends(gap) <= known]
            set_aside.update(dict.fromkeys(name for gap in missing for name in sorted(_ends(gap) - known)))
            after["gaps"] = [gap for gap in after["gaps"] if gap not in missing]
    return content, list(set_aside)


def _expects(step: Any) -> bool:
    return isinstance(step, dict) and isinstance(step.get("expect"), dict)


def _ends(gap: dict[str, Any]) -> set[str]:
    return {str(gap.get("first")), str(gap.get("then"))}


# ---------------------------------------------------------------- a record of another judgement

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
