"""From an archived run to the values of its record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

from restart_bench.archive.earlier import earlier_cycles
from restart_bench.archive.reader import gone_on_with
from restart_bench.campaigns.reliability import confidence_reached, cycles_needed, reliability_shown
from restart_bench.judging.campaign.case_map import case_rows
from restart_bench.judging.campaign.coverage import coverage_of
from restart_bench.judging.campaign.measured_times import measured_times
from restart_bench.judging.campaign.ride_through import found_text, search_found
from restart_bench.judging.matrix import matrix_rows
from restart_bench.judging.summary import by_case, finding_rows, limits_in_short
from restart_bench.model.journal import (
    CycleJudged,
    Forecast,
    Record,
    RunStarted,
    ScenarioJudged,
    Trouble,
    judged_cycles,
    judged_scenarios,
    run_end,
)
from restart_bench.model.outcome import OneRun
from restart_bench.model.rig import Point, Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.step_kinds import step_words
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import (
    address_word,
    alike,
    counted,
    cut_words,
    listed,
    percent_text,
    searched_words,
    show_value,
    source_text,
)
from restart_bench.report.explaining import BUDGET_S, why_of
from restart_bench.report.record.data import (
    DemonstrationRow,
    Fact,
    FactGroup,
    MatrixLine,
    PointRow,
    RecordData,
    ScenarioRow,
    TroubleRow,
)
from restart_bench.report.record.diagrams import diagrams_of
from restart_bench.report.record.facts import devices, fact_groups, moment, program_words, record_notes, switched_words
from restart_bench.report.record.played_picture import picture_of_played
from restart_bench.report.record.search_picture import picture_of
from restart_bench.report.record.untested import not_tested

if TYPE_CHECKING:
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.suite.loader import Suite

USUAL_CONFIDENCE = 0.95


def gather(run: ArchivedRun, *, explain: bool = True) -> RecordData:
    """All that the record says of a run, read from its folder. An archive that is not as it was closed shows nothing.
    explain: also why, which may take some seconds.

    Raises ArchiveError where the archive is damaged or not closed, FaultsFound where its input files are refused.
    """
    suite = run.suite()
    own = list(judged_cycles(run.records).values())
    cycles = [*_earlier(run), *own]
    scenarios = judged_scenarios(run.records)
    verdict, reason = (Verdict.ERROR, run.altered) if run.altered else _verdict(run, scenarios, _answers(suite, cycles))
    started = next((record for record in run.records if isinstance(record, RunStarted)), None)
    ended = run_end(run.records)
    foretold, otherwise = _foretold(run, suite, own, cycles[: -len(own) or None], explain=explain)
    return RecordData(
        run=run.id,
        rig=run.rig_name,
        rig_label=str(suite.rig.record.get("title") or suite.rig.name),
        simulated=run.simulated,
        simulated_devices=tuple(str(name) for name in run.run.get("simulated_devices") or ()),
        unheard_devices=tuple(str(name) for name in run.run.get("unheard_devices") or ()),
        rehearsal=bool(run.run.get("rehearsal")),
        verdict=verdict,
        reason=reason,
        how_ended=ended.how if ended is not None else "not ended",
        started=moment(started.wall) if started is not None else "",
        by=str(run.run.get("by") or ""),
        program=program_words(run, suite),
        switched=switched_words(run, suite),
        scenarios=tuple(_scenario_rows(run, suite, scenarios, cycles)),
        matrix=tuple(_matrix(suite.rig, cycles)),
        limits_in_short=limits_in_short(suite.rig, cycles, tuple(scenarios.values()), suite.scenarios),
        not_tested=tuple(not_tested(suite, cycles)),
        facts=(
            *fact_groups(run, suite),
            *foretold,
        ),
        devices=devices(suite.rig),
        points=tuple(_point_rows(suite.rig)),
        files=tuple(run.run.get("inputs", ())),
        wiring=tuple(_wiring(suite.rig)),
        program_text=_program_text(run),
        explanation=why_of(run, suite) if explain else None,
        otherwise=otherwise,
        findings=tuple(finding_rows(suite.rig, cycles, scenarios.values())),
        diagrams=tuple(diagrams_of(run, suite, own)),
        times=tuple(one for tested in suite.scenarios for one in measured_times(suite.rig, tested, cycles)),
        demonstrations=tuple(demonstrations(suite, cycles)),
        troubles=tuple(_troubles(run.records)),
        played=None if run.run.get("rehearsal") else picture_of_played(coverage_of(suite.scenarios, cycles)),
        notes=record_notes(run, suite),
        judged_again_by=str(run.run.get("judged_again_by") or ""),
        altered=run.altered,
    )


def _earlier(run: ArchivedRun) -> tuple[CycleJudged, ...]:
    """The cycles that count of the run that this one went on with; none where it was judged by another scenario: that
    speaks of its own cycles alone."""
    before = gone_on_with(run) if not run.run.get("judged_again_by") else None
    return earlier_cycles(before).counted if before is not None else ()


def _foretold(
    run: ArchivedRun, suite: Suite, own: Sequence[CycleJudged], earlier: Sequence[CycleJudged], *, explain: bool
) -> tuple[list[FactGroup], tuple[str, ...]]:
    """What the archived program model (if it is asked) and people said of each output, beside what was measured, and
    the outputs of which it said something else. For its score the model is played whether it is asked or not, which
    takes no search."""
    from restart_bench.report import foretold

    if run.altered or run.run.get("rehearsal"):
        return [], ()
    groups: list[FactGroup] = []
    told = OneRun(
        run.id,
        run.folder,
        suite.rig,
        (),
        tuple(own),
        earlier=tuple(earlier),
        forecasts=tuple(record for record in run.records if isinstance(record, Forecast)),
        program=suite.program,
        tested=suite.scenarios,
        simulated=run.simulated,
    )
    found = foretold.foretell(told, BUDGET_S if explain else 0.0) if explain or told.forecasts else None
    if explain and found is not None and found.compared.rows:
        groups.append(FactGroup(foretold.HEAD, tuple(Fact(*line) for line in foretold.foretold_facts(found))))
    rows, model = foretold.forecasts_of(told, found), found is not None
    if rows:
        asked, right = foretold.asked_facts(rows, model=model), foretold.score_facts(rows, model=model)
        groups.append(FactGroup(foretold.ASKED_FIRST, tuple(Fact(*line) for line in asked)))
        groups.append(FactGroup(foretold.WHO_WAS_RIGHT, tuple(Fact(*line) for line in right)))
    return groups, found.otherwise if found is not None else ()


def _program_text(run: ArchivedRun) -> str:
    """The program file as it was archived, comments and all; "" where there was none."""
    names = [str(told["name"]) for told in run.run.get("inputs", ()) if told["kind"] == "program"]
    found = run.inputs() if names else {}
    return "\n".join(found[name].decode("utf-8", "replace") for name in names if name in found)


def _answers(suite: Suite, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """What each search found, in a sentence without its full stop."""
    for scenario in suite.scenarios:
        found = search_found(scenario, cycles)
        if found is not None and found.answered:
            yield f"{scenario.name}: {found_text(found)}"


def _verdict(run: ArchivedRun, scenarios: Mapping[str, ScenarioJudged], answers: Iterable[str]) -> tuple[Verdict, str]:
    """The run's verdict and the reason for it: how it ended, and the scenarios that have that verdict. Of a pass the
    answers of its searches come first."""
    ended = run_end(run.records)
    if ended is None:
        return Verdict.ERROR, "the run has no end in its journal"
    if ended.verdict is Verdict.PASS and not ended.reason:
        cycles = sum(scenario.cycles for scenario in scenarios.values())
        shown = f"all that was demanded was shown, in {counted(cycles, 'cycle')}"
        return ended.verdict, "; ".join([*answers, shown])
    reasons = [ended.reason] if ended.reason else []
    for scenario in scenarios.values():
        said_already = bool(ended.reason) and ended.reason in scenario.reason
        if scenario.verdict is ended.verdict and not said_already:
            reasons.append(f"{scenario.scenario}: {scenario.with_an_example}")
    if len(reasons) > 3:
        reasons[2:] = [f"and {counted(len(reasons) - 2, 'other reason')}"]
    return ended.verdict, "; ".join(reasons)


# ---------------------------------------------------------------- scenarios and findings


def _scenario_rows(
    run: ArchivedRun, suite: Suite, judged: Mapping[str, ScenarioJudged], cycles: Sequence[CycleJudged]
) -> Iterator[ScenarioRow]:
    planned = run.run.get("planned") or {}
    for scenario in suite.scenarios:
        outcome = judged.get(scenario.name)
        if outcome is None:
            continue
        cases = case_rows(scenario, cycles)
        yield ScenarioRow(
            name=scenario.name,
            purpose=scenario.purpose,
            verdict=outcome.verdict,
            reason=outcome.reason,
            cycles=outcome.cycles,
            planned=int(planned.get(scenario.name, outcome.cycles)),
            counted={str(verdict): number for verdict, number in outcome.counted.items()},
            limits=outcome.limits,
            steps=tuple(_steps(suite.rig, scenario)),
            notes=scenario.notes,
            cases=cases if len(cases) > 1 else (),
            how=scenario.how,
            search=picture_of(search_found(scenario, cycles)),
        )


def _steps(rig: Rig, scenario: Scenario) -> Iterator[str]:
    for step in scenario.before:
        yield f"before: {step_words(rig, step)}"
    off = listed(dict.fromkeys(cut_words(case) for case in scenario.cases))
    if scenario.search is not None:
        level = next((f" at {one.level.text}" for one in scenario.cases if one.level is not None), "")
        off = searched_words(scenario.search) + level
    yield f"cut: {'run mode' if scenario.how == 'mode' else 'supply'} off for {off}"
    if scenario.durations is not None:
        yield f"cuts from {source_text(scenario.durations)}"
        yield from (f"left out: {text}" for text in scenario.durations.left_out)
    settle = f"settled {show_duration(scenario.settle_ns)} after ready"
    yield f"after: watch for {show_duration(scenario.watch_ns)}, {settle}"
    for step in scenario.function_check:
        yield f"function check: {step_words(rig, step)}"
    if scenario.search is None:
        order = "shuffled by the seed" if scenario.order == "shuffled" else "in the order of the file"
        yield f"each case {counted(scenario.repeat, 'time')}, {order}"
    else:
        yield f"at most {counted(scenario.repeat, 'cycle')}, each off time follows from what those before showed"
    if scenario.demonstrate is not None:
        asked = scenario.demonstrate
        shares = f"{percent_text(asked.reliability)} at {percent_text(asked.confidence)} confidence"
        yield f"to demonstrate: {shares}, at most {counted(asked.inconclusive_at_most, 'inconclusive cycle')}"


def _troubles(records: Iterable[Record]) -> Iterator[TroubleRow]:
    """One failure is told once, with how often it came."""
    rows: dict[tuple[str, bool, str], TroubleRow] = {}
    for one in records:
        if isinstance(one, Trouble):
            key = (one.kind, one.error, alike(one.text))
            first = rows.get(key, TroubleRow(one.cycle, one.kind, one.text, one.error, 0))
            rows[key] = replace(first, times=first.times + 1)
    yield from rows.values()


# ---------------------------------------------------------------- matrix


def _matrix(rig: Rig, cycles: Sequence[CycleJudged]) -> Iterator[MatrixLine]:
    for (scenario, case), mine in by_case(cycles).items():
        for row in matrix_rows(rig, mine):
            yield MatrixLine(**asdict(row), scenario=scenario, case=case)


# ---------------------------------------------------------------- points and wiring


def _point_rows(rig: Rig) -> Iterator[PointRow]:
    for point in rig.points.values():
        terminal = rig.points[point.terminal] if point.terminal is not None else None
        if point.inline_terminal:
            continue
        yield PointRow(
            name=point.name,
            label=point.label,
            device=point.device,
            place=address_word(point),
            terminal=_terminal_words(terminal) if terminal is not None else "",
            notes=", ".join(_point_notes(point)),
        )


def _terminal_words(terminal: Point) -> str:
    """Where an output is seen; of a terminal that stands nowhere else, all that is said of it."""
    notes = [terminal.label, *_point_notes(terminal)] if terminal.inline_terminal else []
    return ", ".join([f"{terminal.device}: {address_word(terminal)}", *filter(None, notes)])


def _point_notes(point: Point) -> Iterator[str]:
    if point.type != "bool":
        words = f", words {point.words}" if point.type in ("int32", "uint32", "float32") else ""
        yield f"{point.type}{words}"
    if point.scale != 1.0:
        yield f"scale {point.scale:g}"
    if point.unit:
        yield f"unit {point.unit}"
    if point.levels is not None:
        yield f"off up to {point.levels.off_below:g}, on from {point.levels.on_above:g}"
    if point.writable:
        yield "writable"
    if point.idle is not None:
        yield f"idle {show_value(point.idle)}"
    if point.limits is not None and point.limits.starts_per_hour is not None:
        yield f"at most {counted(point.limits.starts_per_hour, 'start')} an hour"
    if point.limits is not None and point.limits.off_at_least_ns:
        yield f"off for at least {show_duration(point.limits.off_at_least_ns)}"
    if point.by_hand:
        yield f"worked by hand: {point.by_hand}"
    if point.proven:
        yield f"proven: {point.proven}"


def _wiring(rig: Rig) -> Iterator[str]:
    wired = [point for point in rig.points.values() if point.terminal is not None]
    if not wired:
        yield "No output has a terminal on independent I/O: everything rests on what the controller says of itself."
        return
    for point in wired:
        terminal = rig.points[point.terminal or ""]
        yield (
            f"{point.shown}: {address_word(point)} of {point.device} is wired to {address_word(terminal)} of "
            f"{terminal.device}."
        )
    yield "The wiring is taken from the rig file. A lasting disagreement of an output and its terminal is reported."


# ---------------------------------------------------------------- demonstrations


def demonstrations(suite: Suite, cycles: Sequence[CycleJudged]) -> Iterator[DemonstrationRow]:
    """What the cycles of each case show about reliability; inconclusive cycles count as failures, errors not at all."""
    groups = by_case(cycles)
    for scenario in suite.scenarios:
        asked = scenario.demonstrate
        for case in scenario.cases if scenario.search is None else ():
            valid = [cycle.verdict for cycle in groups.get((scenario.name, case.name), ()) if cycle.is_test]
            if not valid or (asked is None and len(valid) < 2):
                continue
            failures = sum(verdict is not Verdict.PASS for verdict in valid)
            confidence = asked.confidence if asked is not None else USUAL_CONFIDENCE
            reached = confidence_reached(asked.reliability, len(valid), failures) >= asked.confidence if asked else None
            yield DemonstrationRow(
                scenario=scenario.name,
                case=case.name,
                asked=asked.reliability if asked is not None else None,
                confidence=confidence,
                needed=cycles_needed(asked.reliability, asked.confidence, asked.inconclusive_at_most)
                if asked
                else None,
                cycles=len(valid),
                failures=failures,
                lower=reliability_shown(failures, len(valid), confidence),
                reached=reached,
            )
