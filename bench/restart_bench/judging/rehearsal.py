"""A rehearsal: the steps before and the function check without any cut. Says whether the scenario can be played."""

from __future__ import annotations

from collections.abc import Sequence

from restart_bench.model.journal import CycleJudged, CycleRecords, Finding, FindingKind, ScenarioJudged
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import Verdict, worst

NOTHING_CUT = "rehearsal: nothing was cut, so no expectation was judged"


def judge_rehearsal(scenario: Scenario, records: CycleRecords) -> CycleJudged:
    """One finding a step: pass if it was reached; error before the cut's place, fail in the function check."""
    started = records.started
    findings = tuple(
        Finding(
            scenario.name,
            started.case,
            started.cycle,
            "",
            f"{step.phase}: {step.text}",
            _verdict(step.phase, step.reached),
            step.reason or "reached",
            kind=FindingKind.REHEARSAL_STEP,
            subject=step.text,
        )
        for step in records.steps
    )
    troubles = [trouble.text for trouble in records.troubles if trouble.error]
    verdict = Verdict.ERROR if troubles else worst(finding.verdict for finding in findings)
    missed = [f"{f.expectation}: {f.reason}" for f in findings if f.verdict is not Verdict.PASS]
    reason = "; ".join(troubles + missed) or NOTHING_CUT
    return CycleJudged(started.cycle, scenario.name, started.case, verdict, reason, (), findings)


def conclude_rehearsal(scenario: Scenario, cycles: Sequence[CycleJudged]) -> ScenarioJudged:
    """The worst of its cycles; the limits say that nothing was cut."""
    own = [cycle for cycle in cycles if cycle.scenario == scenario.name]
    verdict = worst((cycle.verdict for cycle in own), Verdict.ERROR)
    counted = {word.value: sum(cycle.verdict is word for cycle in own) for word in Verdict}
    reason = next((cycle.reason for cycle in own if cycle.verdict is verdict), "no cycle was done")
    return ScenarioJudged(scenario.name, verdict, reason, len(own), counted, (NOTHING_CUT,))


def _verdict(phase: str, reached: bool | None) -> Verdict:
    if reached is True:
        return Verdict.PASS
    return Verdict.FAIL if phase == "function check" and reached is False else Verdict.ERROR


def is_rehearsal(scenarios: Sequence[ScenarioJudged]) -> bool:
    """True where the scenarios were only rehearsed."""
    return bool(scenarios) and all(NOTHING_CUT in one.limits for one in scenarios)
