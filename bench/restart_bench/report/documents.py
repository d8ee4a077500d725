"""The results for machines: one JSON document, and JUnit XML as CI servers read it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from typing import Any
from xml.etree import ElementTree as Xml

from restart_bench.files.faults import Fault
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
        {"file": str(one.file), "line": one.line, "path": one.path, "text": one.text, "cure": one.cure}
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
    cycles = [cycle for cycle in run.cycles if cycle.scenario == scenario.scenario]
    names = dict.fromkeys([*(one.case for one in cycles), *(one.case for one in scenario.late_findings)])
    return {
        "name": scenario.scenario,
        "verdict": scenario.verdict.value,
        "reason": scenario.reason,
        "limits": list(scenario.limits),
        "cases": [_case_document(name, cycles, scenario.late_findings) for name in names],
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


def _finding_document(finding: Finding) -> dict[str, Any]:
    entry = dataclasses.asdict(finding)
    del entry["scenario"], entry["case"]
    entry |= {"verdict": finding.verdict.value, "kind": finding.kind.value}
    entry["figures"] = _finite(finding.figures)
    return entry


def _finite(value: Any) -> Any:
    """The same with what JSON can't hold (NaN, infinities) as null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {str(key): _finite(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(one) for one in value]
    return value


# ---------------------------------------------------------------- JUnit


def junit(outcome: RunOutcome) -> str:
    """JUnit XML: one test case for each expectation of each case, and one for each scenario as a whole.

    Only a pass is a passed test. A fail is a `failure`; error and inconclusive are an `error` of type "error" or
    "inconclusive", because the format has no word for "not shown either way" and nobody may read it as green.
    """
    root = Xml.Element("testsuites", name="restart-bench")
    totals = [0, 0, 0]
    for run in outcome.runs:
        for scenario in run.scenarios:
            suite = _suite_element(run, scenario)
            root.append(suite)
            counts = (int(suite.get(name, "0")) for name in ("tests", "failures", "errors"))
            totals = [total + count for total, count in zip(totals, counts, strict=True)]
    for name, total in zip(("tests", "failures", "errors"), totals, strict=True):
        root.set(name, str(total))
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
        for one in run.cycles
        if one.scenario == scenario.scenario and one.verdict is Verdict.ERROR
    ]
    return "\n".join([*errors, *(f"limit: {limit}" for limit in scenario.limits)])


def _expectations(run: OneRun, scenario: ScenarioJudged) -> Iterator[_Tested]:
    from restart_bench.model.verdicts import worst

    cycles = [one for one in run.cycles if one.scenario == scenario.scenario]
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
