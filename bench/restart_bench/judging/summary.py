"""A run in short: findings over all cycles without those that only repeat others, what did not pass, its limits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from restart_bench.campaigns.reliability import CONFIDENCE, cycles_needed, rarest_seen
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, ScenarioJudged
from restart_bench.model.rig import Rig
from restart_bench.model.verdicts import Verdict, badness, worst
from restart_bench.model.wording import (
    OUTCOMES,
    about,
    alike,
    at_most,
    counted,
    finding_words,
    listed,
    shown,
    span_text,
)

RARER = tuple(step * 10**power for power in range(1, 9) for step in (2, 5, 10))
"""How rare faults are that one may want to see: one time in 20, 50, 100, 200 and so on."""
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
    """Findings of all cycles, one row for each expectation of each case. What passed says of cycles that restarted
    other things than of those that rode through: where there are both, each has a row."""
    outcomes = {cycle.cycle: OUTCOMES[cycle.restarted] for cycle in cycles}
    findings = [finding for cycle in cycles for finding in cycle.findings]
    findings += [finding for scenario in scenarios for finding in scenario.late_findings]
    groups: dict[tuple[str, str, str, str], list[Finding]] = {}
    for finding in findings:
        key = (finding.scenario, finding.case, finding.point, finding.expectation)
        groups.setdefault(key, []).append(finding)
    for (scenario, case, point, _), mine in groups.items():
        verdict = worst(finding.verdict for finding in mine)
        parts: dict[str, list[Finding]] = {}
        for finding in mine:
            outcome = outcomes.get(finding.cycle, "") if verdict is Verdict.PASS else ""
            parts.setdefault(outcome, []).append(finding)
        for outcome, some_of_it in parts.items():
            row = _finding_row(verdict, some_of_it)
            words = outcome if len(parts) > 1 else ""
            yield replace(row, scenario=scenario, case=case, point=shown(rig, point), outcome=words)


def _finding_row(verdict: Verdict, mine: Sequence[Finding]) -> FindingRow:
    said = _said(finding for finding in mine if finding.verdict is verdict)
    most = 1 if verdict is Verdict.PASS else MOST_REASONS
    numbers = {str(word): sum(finding.verdict is word for finding in mine) for word in Verdict}
    return FindingRow(
        mine[0].scenario, mine[0].case, mine[0].point, finding_words(mine[0]), verdict,
        {word: number for word, number in numbers.items() if number}, said[:most], max(0, len(said) - most),
    )  # fmt: skip


def _said(findings: Iterable[Finding]) -> tuple[Said, ...]:
    """Each reason once. Errors that differ in figures alone are one, told in the words of the first."""
    reasons: dict[str, tuple[str, list[int]]] = {}
    for finding in findings:
        known = alike(finding.reason) if finding.verdict is Verdict.ERROR else finding.reason
        reasons.setdefault(known, (finding.reason, []))[1].append(finding.cycle)
    return tuple(Said(reason, tuple(numbers)) for reason, numbers in reasons.values())


@dataclass(frozen=True, slots=True)
class Said:
    """One reason and the cycles it was given in (0: seen over the whole run)."""

    reason: str
    cycles: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One expectation over all cycles of a case: the worst verdict, how often each came, and the reasons for the
    worst. `unsaid` counts reasons left out because there were too many. `outcome`: the cycles that it speaks of, where
    others of the case came out otherwise; "" all."""

    scenario: str
    case: str
    point: str
    expectation: str
    verdict: Verdict
    counted: dict[str, int]
    said: tuple[Said, ...]
    unsaid: int = 0
    outcome: str = ""


def by_case(cycles: Iterable[CycleJudged]) -> dict[tuple[str, str], list[CycleJudged]]:
    """Cycles by scenario and case, in order of appearance."""
    groups: dict[tuple[str, str], list[CycleJudged]] = {}
    for cycle in cycles:
        groups.setdefault((cycle.scenario, cycle.case), []).append(cycle)
    return groups


@dataclass(frozen=True, slots=True)
class NotPassed:
    """One scenario that did not pass, in a line: the outputs (labels) that it was about, and in how many of how many
    cycles. `cycles` 0: only over the run as a whole."""

    scenario: str
    verdict: Verdict
    outputs: tuple[str, ...]
    cycles: int
    of: int


def not_passed(rig: Rig, scenarios: Sequence[ScenarioJudged], cycles: Sequence[CycleJudged]) -> list[NotPassed]:
    """Every scenario that did not pass, the worst first."""
    found = []
    for judged in sorted(scenarios, key=lambda scenario: badness(scenario.verdict)):
        mine = [finding for cycle in cycles if cycle.scenario == judged.scenario for finding in cycle.findings]
        blamed = [
            finding for finding in (*mine, *judged.late_findings) if finding.verdict is judged.verdict and finding.point
        ]
        outputs = tuple(dict.fromkeys(shown(rig, finding.point) for finding in blamed))
        number = int(judged.counted.get(judged.verdict.value, 0))
        if judged.verdict is not Verdict.PASS:
            found.append(NotPassed(judged.scenario, judged.verdict, outputs, number, judged.cycles))
    return found


def limits_in_short(rig: Rig, cycles: Sequence[CycleJudged]) -> tuple[str, ...]:
    """What the run does not show, in three sentences for whoever reads such a thing for the first time, and what more
    cycles would show, where none deviated."""
    valid = [one for one in cycles if one.is_test]
    if not valid:
        return ()
    times = "once" if len(valid) == 1 else f"{len(valid)} times"
    others = len(cycles) - len(valid)
    beside = f" ({counted(others, 'more cycle')} brought no valid test)" if others else ""
    return (
        f"It was tried {times}{beside}, on this rig and with this program: the next time may differ.",
        _unseen_in_short(rig, valid),
        _untried_in_short(valid),
        *_rarer_in_short(valid),
    )


def _rarer_in_short(cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """How rare a fault would have been seen in the case that was tried least, and what it takes to see rarer ones."""
    if any(one.verdict is Verdict.FAIL for one in cycles):
        return
    cases = by_case(one for one in cycles if not one.searched).values()
    if not cases:
        return
    tries = min(sum(one.verdict is Verdict.PASS for one in mine) for mine in cases)
    if not tries:
        return
    seen = rarest_seen(tries)
    rarer = next(one_in for one_in in RARER if one_in > seen)
    more = counted(cycles_needed(1 - 1 / rarer, CONFIDENCE) - tries, "more try", "more tries")
    of_each = " of each case" if len(cases) > 1 else ""
    was = (
        f"A fault that comes up by chance one time in {seen} would have been seen"
        if seen > 1
        else "Even a fault that comes up by chance every second time may have been missed"
    )
    yield f"{was}; {more}{of_each} would show one that comes up one time in {rarer} (both 95 % sure)."


def _unseen_in_short(rig: Rig, cycles: Sequence[CycleJudged]) -> str:
    seen = [one for cycle in cycles for one in cycle.outputs]
    image_only = dict.fromkeys(shown(rig, one.point) for one in seen if rig.has_image_only(one.point))
    if image_only:
        names = listed(image_only) if len(image_only) <= 3 else f"{len(image_only)} outputs"
        return (
            f"Of {names} only what the controller says is known, and nothing while it was dark: no terminal was read."
        )
    looked_at = [one for one in seen if rig.is_independent(one.judged) and rig.points[one.judged].is_boolean]
    gaps = [one.shortest_excluded_ns for one in looked_at if one.shortest_excluded_ns is not None]
    if not gaps:
        return "Nobody saw what the outputs did between two looks."
    return f"What lasted less than {at_most(max(gaps))} can have been missed between two looks at the outputs."


def _untried_in_short(cycles: Sequence[CycleJudged]) -> str:
    spans = [cycle.figures["off_time_ns"] for cycle in cycles if "off_time_ns" in cycle.figures]
    changed = "a change of program, wiring or supply makes a new test necessary"
    if not spans:
        return f"How it behaves after other interruptions was not tried; {changed}."
    lengths = _lengths(spans)
    if len(lengths) > _MOST_LENGTHS:
        shortest, longest = _length_text(*lengths[0]), _length_text(*lengths[-1])
        told = f"{len(lengths)} lengths, from {shortest} up to {longest},"
    else:
        told = listed(_length_text(low, high) for low, high in lengths)
    return f"Only interruptions of {told} were tried; {changed}."


_MOST_LENGTHS = 3


def _lengths(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Lengths that were tried: spans that overlap, or nearly do, are one. A dip and a cut are two, nothing between them
    was tried."""
    found: list[tuple[int, int]] = []
    for low, high in sorted(tuple(span) for span in spans):
        if found and low < 2 * found[-1][1]:
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        else:
            found.append((low, high))
    return found


def _length_text(low: int, high: int) -> str:
    return span_text(low, high) if 2 * low > high else f"{about(low)} to {at_most(high)}"


def limits_of(scenarios: Sequence[ScenarioJudged]) -> list[tuple[str, tuple[str, ...]]]:
    """Every limit once, with the scenarios that it holds for."""
    found: dict[str, list[str]] = {}
    for scenario in scenarios:
        for limit in scenario.limits:
            found.setdefault(limit, []).append(scenario.scenario)
    return [(limit, tuple(names)) for limit, names in found.items()]
