"""The map of a scenario's cases: what was cut for how long and how deep, and what became of it. Made of judged cycles
alone, so that console, record and machines tell the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from restart_bench.model.journal import CycleJudged
from restart_bench.model.scenario import Case, Scenario
from restart_bench.model.verdicts import WORST_FIRST, Verdict

Pair = tuple[int, int]
NOT_PLAYED = "not played"


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One case over its cycles. `off_time_ns`: the shortest and the longest that the supply can truly have been off;
    None where nothing was cut. `cycles` of those `asked` for were done; `restarted`, `rode_through` and `not_shown`
    count the cycles that are no errors; `verdicts` counts all."""

    case: Case
    off_time_ns: Pair | None
    cycles: int
    asked: int
    restarted: int
    rode_through: int
    not_shown: int
    verdicts: dict[Verdict, int]

    @property
    def verdict(self) -> Verdict | None:
        """The worst verdict of its cycles; None where there was none."""
        return next(iter(self.verdicts), None)


def case_rows(scenario: Scenario, cycles: Sequence[CycleJudged]) -> tuple[CaseRow, ...]:
    """A row for each case, in the order of the file; also for those of which no cycle was done yet."""
    mine = [one for one in cycles if one.scenario == scenario.name]
    return tuple(_row(case, [one for one in mine if one.case == case.name], scenario.repeat) for case in scenario.cases)


def _row(case: Case, cycles: Sequence[CycleJudged], asked: int) -> CaseRow:
    valid = [one for one in cycles if one.verdict is not Verdict.ERROR]
    outcomes = [one.restarted for one in valid]
    spans = [one.figures["off_time_ns"] for one in valid if "off_time_ns" in one.figures]
    return CaseRow(
        case=case,
        off_time_ns=(min(low for low, _ in spans), max(high for _, high in spans)) if spans else None,
        cycles=len(cycles),
        asked=asked,
        restarted=outcomes.count(True),
        rode_through=outcomes.count(False),
        not_shown=outcomes.count(None),
        verdicts={word: number for word in WORST_FIRST if (number := sum(one.verdict is word for one in cycles))},
    )


def outcome_words(row: CaseRow) -> str:
    """`restarted`, or `restarted 18, rode through 2`; "-" where every cycle was an error."""
    told = {"restarted": row.restarted, "rode through": row.rode_through, "not shown": row.not_shown}
    return _counted(told) or "-"


def verdict_words(row: CaseRow) -> str:
    """`pass`, or `fail 2, pass 18`, the worst first; `not played`."""
    return _counted({word.value: number for word, number in row.verdicts.items()}) or NOT_PLAYED


def number_words(row: CaseRow) -> str:
    """`20`, or `3 of 20` where fewer were done than are asked for."""
    return str(row.cycles) if row.cycles >= row.asked else f"{row.cycles} of {row.asked}"


def _counted(numbers: dict[str, int]) -> str:
    told = {word: number for word, number in numbers.items() if number}
    return next(iter(told)) if len(told) == 1 else ", ".join(f"{word} {number}" for word, number in told.items())
