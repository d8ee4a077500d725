"""A run in short: findings over all cycles without those that only repeat others, what did not pass, its limits."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from restart_bench.campaigns.reliability import CONFIDENCE, cycles_needed, rarest_seen
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, ScenarioJudged
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import Verdict, badness, worst
from restart_bench.model.wording import (
    ONLY_THE_LINK,
    OUTCOMES,
    about,
    alike,
    at_most,
    counted,
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
    them = counted(len(echoes), "demand")
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


def finding_rows(rig: Rig, cycles: Iterable[CycleJudged], scenarios: Iterable[ScenarioJudged]) -> Iterator[FindingRow]:
    """Findings of all cycles, one row for each expectation of each case. What passed says of cycles that restarted
    other things than of those that rode through: where there are both, each has a row. It goes over the cycles once,
    and holds none of them."""
    groups: dict[tuple[str, str, str, str], _Group] = {}
    for cycle in cycles:
        outcome = OUTCOMES[cycle.restarted]
        for finding in cycle.findings:
            groups.setdefault(_key(finding), _Group(finding)).add(finding, cycle.cycle, outcome)
    for scenario in scenarios:
        for finding in scenario.late_findings:
            groups.setdefault(_key(finding), _Group(finding)).add(finding, finding.cycle, "")
    for (scenario_name, case, point, _), group in groups.items():
        parts = group.parts()
        for outcome, part in parts.items():
            words = outcome if len(parts) > 1 else ""
            yield part.row(group.verdict, scenario_name, case, shown(rig, point), words)


def _key(finding: Finding) -> tuple[str, str, str, str]:
    return finding.scenario, finding.case, finding.point, finding.expectation


class _Group:
    """The findings of one expectation, cycle after cycle."""

    def __init__(self, first: Finding) -> None:
        self.verdict = first.verdict  # the worst
        self._whole = _Part(first)
        self._passed: dict[str, _Part] = {}

    def add(self, finding: Finding, cycle: int, outcome: str) -> None:
        """One more."""
        self.verdict = worst((self.verdict, finding.verdict))
        self._whole.add(finding, cycle)
        if self.verdict is Verdict.PASS:
            self._passed.setdefault(outcome, _Part(finding)).add(finding, cycle)

    def parts(self) -> dict[str, _Part]:
        """The findings by what became of the controller, where all passed."""
        return self._passed if self.verdict is Verdict.PASS else {"": self._whole}


class _Part:
    """Findings that make a row."""

    def __init__(self, first: Finding) -> None:
        self._first = first
        self._numbers: Counter[Verdict] = Counter()
        self._reasons: dict[Verdict, dict[str, tuple[str, list[int]]]] = {}
        self._others: dict[Verdict, array[int]] = {}  # further reasons: to count them

    def add(self, finding: Finding, cycle: int) -> None:
        """One more. Errors that differ in figures alone have one reason, told in the words of the first."""
        verdict, reason = finding.verdict, finding.reason
        self._numbers[verdict] += 1
        known = alike(reason) if verdict is Verdict.ERROR else reason
        reasons = self._reasons.setdefault(verdict, {})
        if known in reasons or len(reasons) < (1 if verdict is Verdict.PASS else MOST_REASONS):
            reasons.setdefault(known, (reason, []))[1].append(cycle)
        else:
            self._others.setdefault(verdict, array("q")).append(hash(known))

    def row(self, verdict: Verdict, scenario: str, case: str, point: str, outcome: str) -> FindingRow:
        """All of them, with the reasons for this verdict."""
        return FindingRow(
            scenario, case, point, self._first.words, verdict,
            {str(word): self._numbers[word] for word in Verdict if self._numbers[word]},
            tuple(Said(reason, tuple(numbers)) for reason, numbers in self._reasons[verdict].values()),
            len(set(self._others.get(verdict, ()))), outcome,
        )  # fmt: skip


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
        if judged.verdict is Verdict.PASS:
            continue
        mine = (finding for cycle in cycles if cycle.scenario == judged.scenario for finding in cycle.findings)
        blamed = (one for one in chain(mine, judged.late_findings) if one.verdict is judged.verdict and one.point)
        outputs = tuple(dict.fromkeys(shown(rig, one.point) for one in blamed))
        number = int(judged.counted.get(judged.verdict.value, 0))
        found.append(NotPassed(judged.scenario, judged.verdict, outputs, number, judged.cycles))
    return found


def limits_in_short(
    rig: Rig, cycles: Sequence[CycleJudged], judged: Sequence[ScenarioJudged] = (), scenarios: Sequence[Scenario] = ()
) -> tuple[str, ...]:
    """What the run does not show, in few sentences for whoever reads such a thing for the first time, and what more
    cycles would show, where none deviated, and none of these scenarios is an error beside its cycles. Cycles of
    scenarios that are not among those given lost their supply."""
    valid = [one for one in cycles if one.is_test]
    if not valid:
        return ()
    rig = as_read(rig, valid)
    times = "once" if len(valid) == 1 else f"{len(valid)} times"
    others = len(cycles) - len(valid)
    beside = f" ({counted(others, 'more cycle')} brought no valid test)" if others else ""
    return (
        f"It was tried {times}{beside}, on this rig and with this program: the next time may differ.",
        _unseen_in_short(rig, valid),
        *([f"{ONLY_THE_LINK}."] if rig.link_alone and any(one.figures.get("contact_lost") for one in valid) else ()),
        _untried_in_short(rig, valid, {one.name for one in scenarios if one.how == "mode"}),
        *(() if any(one.late_findings for one in judged) else _rarer_in_short(valid)),
    )


def as_read(rig: Rig, cycles: Sequence[CycleJudged]) -> Rig:
    """The rig without the proofs that are to read its supply, where they gave no value in one of these cycles."""
    if not any(cycle.figures.get("supply_unread") for cycle in cycles):
        return rig
    return replace(rig, proof_of_cut=tuple(proof for proof in rig.proof_of_cut if not proof.of_supply))


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
    yield f"{was}; to see one that comes up one time in {rarer} takes {more}{of_each} (95 % sure)."


def _unseen_in_short(rig: Rig, cycles: Sequence[CycleJudged]) -> str:
    image_only: dict[str, None] = {}
    longest: int | None = None
    for one in (seen for cycle in cycles for seen in cycle.outputs):
        if rig.has_image_only(one.point):
            image_only[shown(rig, one.point)] = None
        looked_at = rig.is_independent(one.judged) and rig.points[one.judged].is_boolean
        if looked_at and one.shortest_excluded_ns is not None:
            longest = max(one.shortest_excluded_ns, longest or 0)
    if image_only:
        names = listed(image_only) if len(image_only) <= 3 else f"{len(image_only)} outputs"
        never_dark = all(cycle.figures.get("contact_lost") is False for cycle in cycles)
        dark = "" if never_dark else ", and nothing while it was dark"
        return f"Of {names} only what the controller says is known{dark}: no terminal was read."
    if longest is None:
        return "Nobody saw what the outputs did between two looks."
    return f"What lasted less than {at_most(longest)} can have been missed between two looks at the outputs."


def _untried_in_short(rig: Rig, cycles: Sequence[CycleJudged], modes: Collection[str]) -> str:
    timed = [one for one in cycles if "off_time_ns" in one.figures]
    lost = [one.figures["off_time_ns"] for one in timed if one.scenario not in modes]
    left = [one.figures["off_time_ns"] for one in timed if one.scenario in modes]
    changed = "a change of program, wiring or supply makes a new test necessary"
    if not lost and not left:
        return f"How it behaves after other interruptions was not tried; {changed}."
    told = [f"interruptions of {_lengths_text(lost)}"] if lost else []
    told += [f"run mode left for {_lengths_text(left)}"] if left else []
    unread = lost and any(cycle.figures.get("contact_lost") for cycle in cycles) and not rig.reads_supply
    alone = " by the switch alone, nothing reads the supply" if unread else ""
    return f"Only {' and '.join(told)} {'were' if lost else 'was'} tried{alone}; {changed}."


def _lengths_text(spans: Sequence[tuple[int, int]]) -> str:
    lengths = _lengths(spans)
    if len(lengths) <= _MOST_LENGTHS:
        return listed(_length_text(low, high) for low, high in lengths)
    return f"{len(lengths)} lengths, from {_length_text(*lengths[0])} up to {_length_text(*lengths[-1])},"


_MOST_LENGTHS = 5
_NEARLY_NS = 20_000_000
"""Lengths that differ by no more, or by a quarter, are told as one."""


def _lengths(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Lengths that were tried: spans that overlap, or nearly do, are one; of the others nothing between them was
    tried."""
    found: list[tuple[int, int]] = []
    for low, high in sorted(tuple(span) for span in spans):
        if found and low <= found[-1][1] + max(found[-1][1] // 4, _NEARLY_NS):
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        else:
            found.append((low, high))
    return found


def _length_text(low: int, high: int) -> str:
    alike = high - low <= max(low // 4, _NEARLY_NS)
    return span_text(low, high) if alike else f"{about(low)} to {at_most(high)}"


def limits_of(scenarios: Sequence[ScenarioJudged]) -> list[tuple[str, tuple[str, ...]]]:
    """Every limit once, with the scenarios that it holds for."""
    found: dict[str, list[str]] = {}
    for scenario in scenarios:
        for limit in scenario.limits:
            found.setdefault(limit, []).append(scenario.scenario)
    return [(limit, tuple(names)) for limit, names in found.items()]
