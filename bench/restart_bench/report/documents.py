"""The results for machines: one JSON document, and JUnit XML as CI servers read it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from xml.etree import ElementTree as Xml

from restart_bench.archive.files import strict
from restart_bench.files.faults import Fault
from restart_bench.judging.campaign.case_map import CaseRow, case_rows
from restart_bench.judging.campaign.coverage import Coverage, coverage_of
from restart_bench.judging.campaign.measured_times import MeasuredTime, measured_times
from restart_bench.judging.campaign.ride_through import SearchFound, search_found
from restart_bench.judging.inquiry.forecasts import program_score, scores
from restart_bench.judging.rehearsal import is_rehearsal
from restart_bench.model.journal import CycleJudged, Finding, ScenarioJudged
from restart_bench.model.outcome import OneRun, RunOutcome
from restart_bench.model.verdicts import GLOSS, Verdict
from restart_bench.model.wording import NOTHING_SHOWN
from restart_bench.report.foretold import Foretold, forecasts_of, foretell, foretold_document
from restart_bench.report.record.text import clean


def document(outcome: RunOutcome) -> dict[str, Any]:
    """The JSON document of `run --json`: verdict, exit code, runs with scenarios, cases and findings, no faults."""
    return {
        "verdict": outcome.verdict.value,
        "exit_code": outcome.exit_code,
        "runs": [_run_document(run) for run in outcome.runs],
        "faults": [],
    }


def faults_document(faults: Sequence[Fault], exit_code: int) -> dict[str, Any]:
    """The same document where nothing could begin: no verdict, no runs, the faults."""
    rows = [
        {"file": str(one.file), "line": one.line or None, "path": one.path, "text": one.text, "cure": one.cure}
        for one in faults
    ]  # fmt: skip
    return {"verdict": None, "exit_code": exit_code, "runs": [], "faults": rows}


def refusal_document(text: str, exit_code: int) -> dict[str, Any]:
    """The same document where the bench did not begin for another reason."""
    fault = {"file": None, "line": None, "path": "", "text": text, "cure": ""}
    return {"verdict": None, "exit_code": exit_code, "runs": [], "faults": [fault]}


def _run_document(run: OneRun) -> dict[str, Any]:
    found = None if is_rehearsal(run.scenarios) else foretell(run)
    return {
        "id": run.id,
        "folder": str(run.folder),
        "rig": run.rig.name,
        "rehearsal": is_rehearsal(run.scenarios),
        "how": run.how,
        "reason": run.reason,
        "altered": run.altered,
        **_forecasts_document(run, found),
        **foretold_document(found),
        "coverage": _coverage_document(coverage_of(run.tested, [] if is_rehearsal(run.scenarios) else run.counted)),
        "scenarios": [_scenario_document(run, scenario) for scenario in run.scenarios],
    }


def _forecasts_document(run: OneRun, found: Foretold | None) -> dict[str, Any]:
    """What people expected before the cuts, and their scores; nothing where nobody was asked."""
    rows = forecasts_of(run, found)
    if not rows:
        return {}
    model = {"program_score": dataclasses.asdict(program_score(rows))} if found is not None else {}
    return {
        "forecasts": [dataclasses.asdict(row) for row in rows],
        "scores": [dataclasses.asdict(score) for score in scores(rows)],
        **model,
    }


def _scenario_document(run: OneRun, scenario: ScenarioJudged) -> dict[str, Any]:
    cycles = [cycle for cycle in run.counted if cycle.scenario == scenario.scenario]
    asked = next((one for one in run.tested if one.name == scenario.scenario), None)
    rows = {row.case.name: row for row in case_rows(asked, cycles)} if asked is not None else {}
    names = dict.fromkeys([*(one.case for one in cycles), *(one.case for one in scenario.late_findings), *rows])
    return {
        "name": scenario.scenario,
        "verdict": scenario.verdict.value,
        "reason": scenario.reason,
        "limits": list(scenario.limits),
        "cases": [
            _case_document(name, cycles, scenario.late_findings) | _map_document(rows.get(name)) for name in names
        ],
        "times": [_time_document(one) for one in measured_times(run.rig, asked, cycles)] if asked is not None else [],
        **_search_document(search_found(asked, run.counted) if asked is not None else None),
    }


def _search_document(found: SearchFound | None) -> dict[str, Any]:
    """A search in true off times, in nanoseconds; nothing where none was asked for."""
    if found is None:
        return {}
    told, threshold = found.answer, found.answer.threshold
    return {
        "search": {
            "rides_through_ns": found.rides_through_ns,
            "restarts_ns": found.restarts_ns,
            "zones": [dataclasses.asdict(one) | {"zone": one.zone.value} for one in found.zones],
            "threshold_ns": threshold.middle if threshold is not None else None,
            "spread_ns": threshold.spread if threshold is not None else None,
            "interval_ns": [told.low, told.high],
            "confidence": told.confidence,
            "overlap": told.bracket.overlap,
            "answered": found.answered,
            "over": found.over.value if found.over is not None else None,
            "resolution_ns": found.search.resolution_ns,
            "tried": [dataclasses.asdict(one) | {"zone": one.zone.value} for one in found.tried],
            "left_out": found.late + len(found.left_out),
        }
    }


def _case_document(name: str, cycles: Sequence[CycleJudged], late: Sequence[Finding]) -> dict[str, Any]:
    mine = [cycle for cycle in cycles if cycle.case == name]
    findings = [*(one for cycle in mine for one in cycle.findings), *(one for one in late if one.case == name)]
    errors = [{"cycle": one.cycle, "reason": one.reason} for one in mine if one.verdict is Verdict.ERROR]
    return {
        "name": name,
        "cycles": len(mine),
        "errors": errors,
        "findings": [_finding_document(one) for one in findings],
    }


def _map_document(row: CaseRow | None) -> dict[str, Any]:
    """What was cut in a case, and what became of it; nothing where its file is not known."""
    if row is None:
        return {}
    case = row.case
    return {
        "asked": row.asked,
        "off_for_ns": case.off_for_ns,
        "at_ns": [case.at.low_ns, case.at.high_ns],
        "level": case.level.text if case.level is not None else None,
        "from_memory": case.from_memory,
        "off_time_ns": list(row.off_time_ns) if row.off_time_ns is not None else None,
        "restarted": row.restarted,
        "rode_through": row.rode_through,
        "not_shown": row.not_shown,
        "verdicts": {word.value: number for word, number in row.verdicts.items()},
    }


def _coverage_document(coverage: Coverage) -> dict[str, Any]:
    """Start states with their instants, cuts, and every combination of them: `asked` 0 is in no scenario."""
    none = {"asked": 0, "valid": 0, "verdicts": {}}
    return {
        "starts": [{"state": one.state, "at_ns": [one.at.low_ns, one.at.high_ns]} for one in coverage.starts],
        "cuts": [
            {
                "how": one.how,
                "off_for_ns": one.off_for_ns if one.search is None else None,
                "level": one.level.text if one.level is not None else None,
                "search_ns": [one.search.shortest_ns, one.search.longest_ns] if one.search is not None else None,
            }
            for one in coverage.cuts
        ],
        "combinations": [
            {"start": start, "cut": cut, **(dataclasses.asdict(played) if played is not None else none)}
            for start in range(len(coverage.starts))
            for cut in range(len(coverage.cuts))
            for played in [coverage.played.get((start, cut))]
        ],
    }


def _time_document(one: MeasuredTime) -> dict[str, Any]:
    """One time over its cycles, in nanoseconds; null where a bound is open, or the cycles are too few."""
    shown, bound, moved = one.median, one.tolerance, one.drift
    told: dict[str, Any] = {
        "case": one.case,
        "group": one.group,
        "what": one.what,
        "since": one.since,
        "limit_ns": [one.limit.not_before_ns, one.limit.not_after_ns] if one.limit is not None else None,
        "cycles": one.cycles,
        "seen": one.seen,
        "smallest_ns": one.smallest,
        "median_ns": shown.sample,
        "median_interval_ns": [shown.low, shown.high] if shown.confidence is not None else None,
        "median_confidence": shown.confidence,
        "largest_ns": one.largest,
        "tolerance": dataclasses.asdict(bound) if bound is not None else None,
        "more_cycles_needed": one.more_needed,
        "drift_ns_per_cycle": [moved.low, moved.high] if moved is not None else None,
        "drift_p_value": moved.p_value if moved is not None else None,
    }
    return {key: strict(value) for key, value in told.items()}


def _finding_document(finding: Finding) -> dict[str, Any]:
    entry = dataclasses.asdict(finding)
    del entry["scenario"], entry["case"]
    entry |= {"verdict": finding.verdict.value, "kind": finding.kind.value}
    entry["figures"] = strict(finding.figures)
    return entry


# ---------------------------------------------------------------- JUnit


def junit(outcome: RunOutcome) -> str:
    """JUnit XML: one test case for each expectation of each case, and one for each scenario as a whole.

    Only a pass is a passed test. A fail is a `failure`; error and inconclusive are an `error` of type "error" or
    "inconclusive", because the format has no word for "not shown either way" and nobody may read it as green.
    """
    return junit_text(_suite_element(run, scenario) for run in outcome.runs for scenario in run.scenarios)


def junit_text(suites: Iterable[Xml.Element]) -> str:
    """JUnit XML of these suites, with their sums."""
    root = Xml.Element("testsuites", name="restart-bench")
    root.extend(suites)
    for key in ("tests", "failures", "errors"):
        root.set(key, str(sum(int(suite.get(key, "0")) for suite in root)))
    Xml.indent(root)
    return Xml.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _suite_element(run: OneRun, scenario: ScenarioJudged) -> Xml.Element:
    name = f"{run.rig.name}.{scenario.scenario}"
    if is_rehearsal([scenario]):
        name += f" (rehearsal: {NOTHING_SHOWN})"
    suite = Xml.Element("testsuite", name=clean(name))
    properties = Xml.SubElement(suite, "properties")
    for key, value in (("run", run.id), ("folder", str(run.folder)), ("cycles", str(scenario.cycles))):
        Xml.SubElement(properties, "property", name=key, value=clean(value))
    whole = _Tested("the scenario as a whole", scenario.verdict, scenario.reason, _whole_details(run, scenario))
    tested = [whole, *_expectations(run, scenario)]
    for case in tested:
        suite.append(_case_element(name, case))
    suite.set("tests", str(len(tested)))
    suite.set("failures", str(sum(case.verdict is Verdict.FAIL for case in tested)))
    suite.set("errors", str(sum(case.verdict in (Verdict.ERROR, Verdict.INCONCLUSIVE) for case in tested)))
    return suite


@dataclasses.dataclass(frozen=True, slots=True)
class _Tested:
    name: str
    verdict: Verdict
    reason: str
    details: str


def _whole_details(run: OneRun, scenario: ScenarioJudged) -> str:
    errors = [
        f"cycle {one.cycle}: {one.verdict.value}: {one.reason}"
        for one in run.counted
        if one.scenario == scenario.scenario and one.verdict is Verdict.ERROR
    ]
    return "\n".join([*errors, *(f"limit: {limit}" for limit in scenario.limits)])


def _expectations(run: OneRun, scenario: ScenarioJudged) -> Iterator[_Tested]:
    from restart_bench.model.verdicts import worst

    cycles = [one for one in run.counted if one.scenario == scenario.scenario]
    grouped: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in [*(one for cycle in cycles for one in cycle.findings), *scenario.late_findings]:
        grouped.setdefault((finding.case, finding.point, finding.expectation), []).append(finding)
    for (case, point, expectation), findings in grouped.items():
        verdict = worst(one.verdict for one in findings)
        decisive = [one for one in findings if one.verdict is verdict]
        details = "\n".join(f"cycle {one.cycle}: {one.verdict.value}: {one.reason}" for one in findings)
        name = " ".join(part for part in (f"[{case}]" if case else "", point, expectation) if part)
        yield _Tested(name, verdict, decisive[0].reason, details)


def _case_element(classname: str, tested: _Tested) -> Xml.Element:
    element = Xml.Element("testcase", classname=clean(classname), name=clean(tested.name))
    if tested.verdict is Verdict.PASS:
        if tested.details:
            Xml.SubElement(element, "system-out").text = clean(tested.details)
        return element
    tag = "failure" if tested.verdict is Verdict.FAIL else "error"
    message = f"{tested.verdict.value} ({GLOSS[tested.verdict]}): {tested.reason}"
    problem = Xml.SubElement(element, tag, type=tested.verdict.value, message=clean(message))
    problem.text = clean(tested.details)
    return element
