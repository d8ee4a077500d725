"""Finds out what every output of a rig does: plays every press, cuts from every state that they reach, tabulates.

It acts by runs alone, so that arming, limits, the way out, judgement and archive are those of any other run.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from restart_bench.archive.reader import ArchivedRun
from restart_bench.evidence.evidence import Evidence
from restart_bench.judging.inquiry.drafts import (
    PRESSES,
    Draft,
    SurveyScenario,
    draft_of,
    kinds_for,
    played,
    presses_text,
)
from restart_bench.judging.inquiry.presses import (
    Presses,
    PressSeen,
    Search,
    Start,
    again_order,
    press_order,
    presses_seen,
    search,
)
from restart_bench.judging.inquiry.survey import (
    CutKind,
    SurveyRow,
    ValueRow,
    Watched,
    mark_rows,
    survey_rows,
    value_rows,
    watched,
)
from restart_bench.model.outcome import OneRun, Refused, RunOptions, RunOutcome
from restart_bench.model.rig import Rig
from restart_bench.model.verdicts import EXIT_ERROR, EXIT_STOPPED, Verdict
from restart_bench.model.wording import listed
from restart_bench.suite.loader import Suite, with_scenarios
from restart_bench_drivers.interface import SupplyCard

Perform = Callable[[Suite, RunOptions], RunOutcome]
EXIT_NOTHING_SEEN = 3


@dataclass(frozen=True, slots=True)
class Surveyed:
    """All that a survey found. `reason` says why it ended early, "" where it did not."""

    rig: Rig
    exit_code: int
    runs: tuple[OneRun, ...]
    search: Search = field(default_factory=lambda: Search((), ()))
    rows: tuple[SurveyRow, ...] = ()
    values: tuple[ValueRow, ...] = ()
    marks: Mapping[CutKind, Mapping[str, tuple[int, int]]] = field(default_factory=dict)
    drafts: tuple[Draft, ...] = ()
    not_valid: tuple[str, ...] = ()  # cycles that were not tabulated, and why
    reason: str = ""


def survey(
    suite: Suite,
    options: RunOptions,
    perform: Perform,
    *,
    cards: Mapping[str, SupplyCard],
    wait_ns: int,
    repeat: int,
    asks: bool,
) -> Surveyed:
    """The whole survey of one rig. `perform` runs a suite as any run; `asks`: somebody can be asked.

    Raises Refused or FaultsFound where nothing was moved.
    """
    rig = suite.rig
    points = _may_press(rig)
    can_leave_run = rig.mode is not None and bool(rig.mode.proof) and (rig.mode.driver == "point" or asks)
    kinds = kinds_for(rig, mode=can_leave_run)
    _refuse_useless(rig, kinds)
    runs: list[OneRun] = []
    found = Search((Start((), {}),), ())
    rows: list[tuple[PressSeen, ...]] = []

    def press(order: Presses) -> None:
        text = presses_text(rig, order, wait_ns, kinds[0])
        pressing = with_scenarios(suite, {f"{PRESSES}.yaml": text}, cards=cards, repeat=1)
        runs.extend(perform(pressing, replace(options, rehearse=True, survey="presses")).runs)
        if not _problem(runs[-1]):
            rows.append(_seen(runs[-1]))

    outputs = [point.name for point in rig.outputs()]
    if points:
        press(press_order(points))
        found = search(outputs, rows)
        again = again_order(points, found.starts)
        if again and not _problem(runs[-1]):
            press(again)
            found = search(outputs, rows, pairs_at_least=2)
        if _problem(runs[-1]):
            return _ended_early(rig, runs)
    scenarios = played(rig, found.starts or (Start((), {}),), kinds)
    cutting = with_scenarios(suite, {f"{one.name}.yaml": one.text for one in scenarios}, cards=cards, repeat=repeat)
    runs += perform(cutting, replace(options, survey="cuts")).runs
    return _tabulated(rig, tuple(runs), found, scenarios)


def _may_press(rig: Rig) -> tuple[str, ...]:
    """What the rig file lets a survey press, without the points that the bench uses for other ends."""
    kept = {rig.mode.point if rig.mode else None, rig.check_pulse.write if rig.check_pulse else None}
    return tuple(dict.fromkeys(name for name in rig.survey_press if name not in kept))


def _refuse_useless(rig: Rig, kinds: Sequence[CutKind]) -> None:
    if rig.loads == "machine" and not rig.survey_press:
        raise Refused(
            f"{rig.name} drives a machine, and its file does not say what a survey may press: nothing was moved. "
            "Write `survey: {press: [...]}` with points whose effect you know."
        )
    if not rig.outputs():
        raise Refused(
            f"{rig.name} has no output to watch: nothing was moved. Add points with a `terminal:`, or coils of the "
            "controller."
        )
    if not kinds:
        raise Refused(
            f"{rig.name} has neither a supply nor a `mode:` with a proof, so nothing can be cut and nothing was moved. "
            "Add one of them to the rig file."
        )


def _seen(run: OneRun) -> tuple[PressSeen, ...]:
    archived = ArchivedRun.open(run.folder)
    try:
        (scenario,) = archived.suite().scenarios
        return tuple(
            press
            for records, samples in archived.cycles()
            for press in presses_seen(run.rig, scenario, records, samples)
        )
    finally:
        archived.close()


def _problem(run: OneRun) -> str:
    """Why the presses could not all be played, "" where they could."""
    problem = run.reason if run.how != "completed" else ""
    return problem or next((one.reason for one in run.cycles if one.verdict is Verdict.ERROR), "")


def _ended_early(rig: Rig, runs: Sequence[OneRun]) -> Surveyed:
    code = EXIT_STOPPED if runs[-1].how == "stopped" else EXIT_ERROR
    return Surveyed(rig, code, tuple(runs), reason=_problem(runs[-1]))


def _tabulated(rig: Rig, runs: tuple[OneRun, ...], found: Search, scenarios: Sequence[SurveyScenario]) -> Surveyed:
    run = runs[-1]
    cycles, not_valid = _watched(run, {one.name: one for one in scenarios})
    rows, values = survey_rows(rig, cycles), value_rows(rig, cycles)
    starts = list({one.start.presses: one.start for one in scenarios}.values())
    drafts = [draft_of(rig, one, starts, cycles, values, f"run {run.id}") for one in scenarios]
    return Surveyed(
        rig=rig,
        exit_code=exit_code_of_survey(run, rows, len(cycles), len(not_valid)),
        runs=runs,
        search=found,
        rows=rows,
        values=values,
        marks=mark_rows(cycles),
        drafts=tuple(one for one in drafts if one is not None),
        not_valid=not_valid,
        reason=run.reason if run.how != "completed" else "",
    )


def _watched(run: OneRun, scripts: Mapping[str, SurveyScenario]) -> tuple[list[Watched], tuple[str, ...]]:
    """The valid cycles, and what is said of the others."""
    judged = {cycle.cycle: cycle for cycle in run.cycles}
    cycles, not_valid = [], []
    archived = ArchivedRun.open(run.folder)
    try:
        scenarios = {cycle.name: cycle for cycle in archived.suite().scenarios}
        for records, samples in archived.cycles():
            name, number = records.started.scenario, records.started.cycle
            presses = listed(run.rig.points[press].shown for press in scripts[name].start.presses) or "nothing"
            evidence = Evidence(run.rig, scenarios[name], records, samples)
            cycle = watched(evidence, scripts[name].kind, f"{presses} pressed")
            if cycle is None or judged[number].verdict is Verdict.ERROR:
                not_valid.append(f"cycle {number} ({name}): {judged[number].reason}")
            else:
                cycles.append(cycle)
    finally:
        archived.close()
    return cycles, tuple(not_valid)


def exit_code_of_survey(run: OneRun, rows: Sequence[SurveyRow], valid: int, not_valid: int) -> int:
    """Nothing is demanded in a survey, so nothing can fail; where most cycles were no tests the rig needs a look."""
    if run.how != "completed":
        return EXIT_STOPPED if run.how == "stopped" else EXIT_ERROR
    if not_valid > valid:
        return EXIT_ERROR
    return 0 if any(row.behaviour != "not seen" for row in rows) else EXIT_NOTHING_SEEN
