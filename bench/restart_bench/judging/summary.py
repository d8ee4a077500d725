"""Findings that only repeat what ended or voided their cycle: told once, by the finding that says what happened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from restart_bench.model.journal import CycleJudged, Finding, FindingKind, ScenarioJudged
from restart_bench.model.rig import Rig
from restart_bench.model.verdicts import Verdict, worst
from restart_bench.model.wording import counted, finding_words, shown

TELLING = (FindingKind.COMPLETION, FindingKind.VALIDITY)
"""Kinds of findings that say what ended or voided a cycle."""


def without_echoes(cycle: CycleJudged) -> CycleJudged:
    """The cycle without the findings that a problem made errors and, where it was broken off, without those that
    were not shown because of that; what happened says how many they are."""
    broken_off = any(finding.kind is FindingKind.COMPLETION for finding in cycle.findings)
    echoes = [finding for finding in cycle.findings if _is_echo(finding, broken_off)]
    if not echoes or len(echoes) == len(cycle.findings):
        return cycle
    kept = [finding for finding in cycle.findings if finding not in echoes]
    teller = next((finding for finding in kept if finding.kind in TELLING), None)
    if teller is None:
        return cycle
    them = counted(len(echoes), "expectation")
    with_them = replace(teller, reason=f"{teller.reason}; so {them} could not be judged")
    return replace(cycle, findings=tuple(with_them if finding is teller else finding for finding in kept))


def all_without_echoes(cycles: Sequence[CycleJudged]) -> list[CycleJudged]:
    """The same for every cycle."""
    return [without_echoes(cycle) for cycle in cycles]


def _is_echo(finding: Finding, broken_off: bool) -> bool:
    if finding.verdict is Verdict.ERROR:
        return finding.voided
    return broken_off and finding.verdict is Verdict.INCONCLUSIVE and finding.kind is not FindingKind.COMPLETION


MOST_REASONS = 5


def finding_rows(rig: Rig, cycles: Sequence[CycleJudged], scenarios: Iterable[ScenarioJudged]) -> Iterator[FindingRow]:
    """Findings of all cycles, one row for each expectation of each case."""
    findings = [finding for cycle in cycles for finding in cycle.findings]
    findings += [finding for scenario in scenarios for finding in scenario.late_findings]
    groups: dict[tuple[str, str, str, str], list[Finding]] = {}
    for finding in findings:
        key = (finding.scenario, finding.case, finding.point, finding.expectation)
        groups.setdefault(key, []).append(finding)
    for (scenario, case, point, _), mine in groups.items():
        verdict = worst(finding.verdict for finding in mine)
        said = _said(finding for finding in mine if finding.verdict is verdict)
        most = 1 if verdict is Verdict.PASS else MOST_REASONS
        numbers = {str(word): sum(finding.verdict is word for finding in mine) for word in Verdict}
        yield FindingRow(
            scenario, case, shown(rig, point), finding_words(mine[0]), verdict,
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
