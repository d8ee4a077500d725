"""Findings that only repeat what ended or voided their cycle: told once, by the finding that says what happened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from restart_bench.judging.cycle import ALL_PHASES_DONE, NOT_VALID
from restart_bench.model.journal import CycleJudged, Finding, ScenarioJudged
from restart_bench.model.rig import Rig
from restart_bench.model.verdicts import Verdict, worst
from restart_bench.model.wording import counted, expectation_words, shown


def without_echoes(cycle: CycleJudged) -> CycleJudged:
    """The cycle without the findings that a problem made errors and, where it was broken off, without those that
    were not shown because of that; what happened says how many they are."""
    broken_off = any(_tells_the_end(one) for one in cycle.findings)
    echoes = [one for one in cycle.findings if _is_echo(one, broken_off)]
    if not echoes or len(echoes) == len(cycle.findings):
        return cycle
    kept = [one for one in cycle.findings if one not in echoes]
    teller = next((one for one in kept if _tells_the_end(one) or _tells_a_problem(one)), None)
    if teller is None:
        return cycle
    them = counted(len(echoes), "expectation")
    told = replace(teller, reason=f"{teller.reason}; so {them} could not be judged")
    return replace(cycle, findings=tuple(told if one is teller else one for one in kept))


def all_without_echoes(cycles: Sequence[CycleJudged]) -> list[CycleJudged]:
    """The same for every cycle."""
    return [without_echoes(cycle) for cycle in cycles]


def _tells_the_end(finding: Finding) -> bool:
    return not finding.point and finding.expectation == ALL_PHASES_DONE


def _tells_a_problem(finding: Finding) -> bool:
    return not finding.point and finding.expectation.startswith("valid: ")


def _is_echo(finding: Finding, broken_off: bool) -> bool:
    if finding.verdict is Verdict.ERROR:
        return finding.reason.startswith(NOT_VALID)
    return broken_off and finding.verdict is Verdict.INCONCLUSIVE and not _tells_the_end(finding)


MOST_REASONS = 5


def finding_rows(rig: Rig, cycles: Sequence[CycleJudged], scenarios: Iterable[ScenarioJudged]) -> Iterator[FindingRow]:
    """Findings of all cycles, one row for each expectation of each case."""
    findings = [finding for cycle in cycles for finding in cycle.findings]
    findings += [finding for scenario in scenarios for finding in scenario.late_findings]
    groups: dict[tuple[str, str, str, str], list[Finding]] = {}
    for finding in findings:
        key = (finding.scenario, finding.case, finding.point, finding.expectation)
        groups.setdefault(key, []).append(finding)
    for (scenario, case, point, expectation), mine in groups.items():
        verdict = worst(one.verdict for one in mine)
        said = _said(one for one in mine if one.verdict is verdict)
        most = 1 if verdict is Verdict.PASS else MOST_REASONS
        numbers = {str(word): sum(one.verdict is word for one in mine) for word in Verdict}
        yield FindingRow(
            scenario, case, shown(rig, point), expectation_words(expectation), verdict,
            {word: number for word, number in numbers.items() if number},
            said[:most], max(0, len(said) - most),
        )  # fmt: skip


def _said(findings: Iterable[Finding]) -> tuple[Said, ...]:
    reasons: dict[str, list[int]] = {}
    for finding in findings:
        reasons.setdefault(finding.reason, []).append(finding.cycle)
    return tuple(Said(reason, tuple(numbers)) for reason, numbers in reasons.items())


@dataclass(frozen=True, slots=True)
class Said:
    """One reason and the cycles it was given in (0: seen over the whole run)."""

    reason: str
    cycles: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One expectation over all cycles of a case: the worst verdict, how often each came, and the reasons for the
    worst. `unsaid` counts reasons left out because there were too many."""

    scenario: str
    case: str
    point: str
    expectation: str
    verdict: Verdict
    counted: dict[str, int]
    said: tuple[Said, ...]
    unsaid: int = 0


def by_case(cycles: Iterable[CycleJudged]) -> dict[tuple[str, str], list[CycleJudged]]:
    """Cycles by scenario and case, in order of appearance."""
    groups: dict[tuple[str, str], list[CycleJudged]] = {}
    for cycle in cycles:
        groups.setdefault((cycle.scenario, cycle.case), []).append(cycle)
    return groups


def limits_of(scenarios: Sequence[ScenarioJudged]) -> list[tuple[str, tuple[str, ...]]]:
    """Every limit once, with the scenarios that it holds for."""
    found: dict[str, list[str]] = {}
    for scenario in scenarios:
        for limit in scenario.limits:
            found.setdefault(limit, []).append(scenario.scenario)
    return [(limit, tuple(names)) for limit, names in found.items()]
