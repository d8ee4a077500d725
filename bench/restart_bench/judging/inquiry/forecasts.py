"""What people expected before each cut and what the program model says, beside what was seen, with a score."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from restart_bench.model.journal import CycleJudged, Forecast
from restart_bench.model.rig import Point, Rig
from restart_bench.model.verdicts import Verdict

Predicted = Callable[[CycleJudged, str], bool | None]
"""What the program model says of an output in a cycle: on or off at the end of the watch, None where neither."""


@dataclass(frozen=True, slots=True)
class ForecastRow:
    """One output before one cut (`how`: of the supply, or of run mode): what it was, what each learner expected (None:
    did not know), what the program says and what was seen at the end of the watch (None: nothing valid was)."""

    cycle: int
    scenario: str
    how: str
    point: str
    shown: str
    before: bool
    expected: Mapping[str, bool | None]
    predicted: bool | None
    seen: bool | None


@dataclass(frozen=True, slots=True)
class Score:
    """How often somebody was right. `open`: the cycle showed nothing, so nobody was right or wrong."""

    learner: str
    right: int
    wrong: int
    unsure: int
    open: int


def question_of(point: Point, *, now_on: bool, how: str, learner: str) -> str:
    """`Ada: M2 agitator is ON. Power goes now: will it come back?`"""
    goes = "Power goes now" if how == "supply" else "Run mode is left now"
    then = "will it come back" if now_on else "will it come on"
    return f"{learner}: {point.shown} is {'ON' if now_on else 'OFF'}. {goes} and returns: {then}?"


def forecast_rows(
    rig: Rig,
    forecasts: Sequence[Forecast],
    cycles: Sequence[CycleJudged],
    predicted: Predicted | None = None,
    hows: Mapping[str, str] = MappingProxyType({}),
) -> tuple[ForecastRow, ...]:
    """A row for each output before each cut, in the order in which it was asked. hows: by what the scenarios cut, where
    that is not the supply."""
    judged = {forecast.cycle: forecast for forecast in cycles}
    grouped: dict[tuple[int, str], list[Forecast]] = {}
    for forecast in forecasts:
        grouped.setdefault((forecast.cycle, forecast.point), []).append(forecast)
    return tuple(
        ForecastRow(
            cycle=number,
            scenario=judged[number].scenario,
            how=hows.get(judged[number].scenario, "supply"),
            point=name,
            shown=rig.points[name].shown,
            before=asked[0].now_on,
            expected={forecast.learner: forecast.answer for forecast in asked},
            predicted=None if predicted is None else predicted(judged[number], name),
            seen=_seen(judged[number], name),
        )
        for (number, name), asked in grouped.items()
        if number in judged and name in rig.points
    )


def _seen(cycle: CycleJudged, name: str) -> bool | None:
    """On or off at the end of the watch; None where the test was not valid, or nobody read it."""
    if cycle.verdict is Verdict.ERROR or cycle.mark("restored") is None:
        return None
    ends = [one.at_end for one in cycle.outputs if one.point == name]
    return bool(ends[0]) if ends and ends[0] is not None else None


def scores(rows: Sequence[ForecastRow]) -> tuple[Score, ...]:
    """One for each learner, in the order in which they were asked."""
    names = dict.fromkeys(name for row in rows for name in row.expected)
    return tuple(
        _score(name, [(row.expected[name], row.seen) for row in rows if name in row.expected]) for name in names
    )


def program_score(rows: Sequence[ForecastRow]) -> Score:
    """The same for the program model, which says nothing where it depends on what no scenario settles."""
    return _score("the program model", [(row.predicted, row.seen) for row in rows])


def _score(learner: str, pairs: Sequence[tuple[bool | None, bool | None]]) -> Score:
    shown = [(expected, seen) for expected, seen in pairs if seen is not None]
    return Score(
        learner,
        right=sum(expected is seen for expected, seen in shown),
        wrong=sum(expected is not None and expected is not seen for expected, seen in shown),
        unsure=sum(expected is None for expected, _ in shown),
        open=len(pairs) - len(shown),
    )
