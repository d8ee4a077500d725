"""Findings that only repeat what ended or voided their cycle: told once, by the finding that says what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from restart_bench.judging import ALL_PHASES_DONE, NOT_VALID
from restart_bench.reasons import counted
from restart_bench.records import CycleJudged, Finding, Verdict


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
