"""Predicted against measured, as people and as machines read it: after a run, a survey, and a run judged again.

The program model that was archived with the run is what counts. What it can do after any past needs the solver and
may take long, so it has its time; without it the rest is shown, with a line that says so.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from restart_bench.judging.inquiry.forecasts import ForecastRow, Score, forecast_rows, program_score, scores
from restart_bench.model.outcome import OneRun
from restart_bench.model.wording import (
    AFTER_ANY_PAST,
    counted,
    cycles_text,
    listed,
    numbers_text,
    restart_word,
    without_controls,
)
from restart_bench.report.explaining import BUDGET_S, Clock
from restart_bench.report.printing import plain_table, print_bullets, print_heading

if TYPE_CHECKING:
    from restart_bench.predict.engine import Answer
    from restart_bench.predict.measured import Compared, ComparedRow, Prediction

CUT_OF = {"supply": "power", "mode": "mode"}
ASKED_FIRST, WHO_WAS_RIGHT = "Asked first", "Asked first: who was right"
HEAD = "Predicted by the program model, and measured at the end of the watch"
_STATES = {"on": True, "off": False}
_EXPLAINS = "What could explain that (listed, not claimed)"


@dataclass(frozen=True, slots=True)
class Foretold:
    """What the program model says of a run, beside what the run showed. note: why a part of it is missing, "" where
    none is."""

    prediction: Prediction
    compared: Compared
    note: str = ""

    @property
    def otherwise(self) -> tuple[str, ...]:
        """The outputs that were measured to restart otherwise than the program model does."""
        rows = self.compared.rows
        return tuple(dict.fromkeys(row.shown for row in rows if any(one.of_restart for one in row.differences)))


def foretell(run: OneRun, patience_s: float = BUDGET_S) -> Foretold | None:
    """The program model of a run beside its cycles; None where there is no model, or nothing to put beside it, or
    where the archive is not as it was closed."""
    if run.program is None or not run.counted or run.altered:
        return None
    from restart_bench.predict.measured import Prediction

    prediction = Prediction(run.rig, run.program, run.tested)
    if not prediction.outputs:
        return None
    answers, note = _answers(run, prediction, patience_s)
    return Foretold(prediction, prediction.compared(run.counted, answers, simulated=run.simulated), note)


def forecasts_of(run: OneRun, found: Foretold | None) -> tuple[ForecastRow, ...]:
    """What people expected before each cut, what the program model says of it, and what was seen."""
    predicted = found.prediction.ends if found is not None else None
    hows = {one.name: one.how for one in run.tested}
    return forecast_rows(run.rig, run.forecasts, run.cycles, predicted, hows)


def _answers(run: OneRun, prediction: Prediction, patience_s: float) -> tuple[tuple[Answer, ...], str]:
    """What the program can do after any past, and why that is not known."""
    from restart_bench.predict.engine import predict
    from restart_bench.predict.explaining import IN_VAIN, in_vain
    from restart_bench.predict.proving.parts import WARM
    from restart_bench.predict.proving.patience import within

    assert run.program is not None
    restarts, inputs = prediction.asked(run.counted)
    outputs = [point.name for point in run.rig.outputs() if point.name in prediction.outputs]
    try:
        with within(Clock.of(patience_s)):
            told = [(restart, WARM) for restart in restarts]
            return predict(run.program, outputs, restarts=told, environments=inputs), ""
    except IN_VAIN as problem:
        return (), f"{AFTER_ANY_PAST}: {in_vain(problem, f'{patience_s:g} s')}"


# ---------------------------------------------------------------- for people


def print_foretold(found: Foretold, console: Console) -> None:
    """The table, what differs in which cycles, and what could explain it."""
    rows = found.compared.rows
    if not rows:
        return
    print_heading(HEAD, console)
    console.print(_table(found))
    print_bullets(_below(found), console)
    if found.compared.could_explain:
        console.print(Text(_EXPLAINS, style="bold"))
    print_bullets(found.compared.could_explain, console)


def _table(found: Foretold) -> Table:
    known = any(row.ever for row in found.compared.rows)
    table = plain_table("output", "cut", "predicted", "measured", *([AFTER_ANY_PAST] if known else []))
    last = ""
    for row in found.compared.rows:
        name = "" if row.point == last else without_controls(row.shown)
        last = row.point
        style = "bold red" if row.differences else ""
        measured = Text(outcome_text(row.measured, row.before), style=style)
        table.add_row(
            name, cut_text(row), outcome_text(row.predicted, row.before), measured, *([ever_text(row)] if known else [])
        )
    return table


def ever_text(row: ComparedRow) -> str:
    """What it does after any past, beside what it was before these cuts: off before it has nothing to come back to."""
    return "may come on" if row.depends and row.before == "off" else row.ever


def cut_text(row: ComparedRow) -> str:
    """`power, on before`, `mode, command held, off before`."""
    inputs = "" if row.inputs == "rest" else f", command {row.inputs}"
    return f"{CUT_OF[row.restart]}{inputs}, {row.before} before"


def outcome_text(counts: Mapping[str, int], before: str) -> str:
    """`comes back`, or `comes back 3, stays off 1` where cycles differ."""
    words = {_outcome(word, before): number for word, number in counts.items()}
    if len(words) == 1:
        return next(iter(words))
    return ", ".join(f"{word} {number}" for word, number in words.items())


def _outcome(end: str, before: str) -> str:
    """What an output did that was on or off at the end; anything else as it is."""
    if {end, before} <= _STATES.keys():
        return restart_word(_STATES[before], ends_on=_STATES[end])
    return end


def _below(found: Foretold) -> Iterator[str]:
    for row in found.compared.rows:
        for one in row.differences:
            yield f"{row.shown}, {cut_text(row)}, {cycles_text(one.cycles)}: {one.text}"
    if not found.compared.differs:
        yield "nothing was otherwise than predicted"
    for outcome, cycles in (found.compared.left_out or {}).items():
        told = f"{counted(len(cycles), 'cycle')} ({numbers_text(cycles)})"
        yield f"{told} not compared: {outcome}, and the model is asked what a restart does"
    reasons = found.compared.not_played or {}
    for reason in dict.fromkeys(reasons.values()):
        yield f"{listed(name for name, one in reasons.items() if one == reason)} not played on the model: {reason}"
    if found.note:
        yield found.note


def score_text(score: Score) -> str:
    """`1 of 2 right, 1 time not known`."""
    unsure = f", {counted(score.unsure, 'time')} not known" if score.unsure else ""
    still = f", {score.open} not shown by the test" if score.open else ""
    return f"{score.right} of {score.right + score.wrong + score.unsure} right{unsure}{still}"


def state_word(state: bool | None, unknown: str = "?") -> str:
    """on, off, or what stands for neither."""
    return unknown if state is None else "on" if state else "off"


# ---------------------------------------------------------------- for the record


def asked_facts(rows: Sequence[ForecastRow], *, model: bool) -> Iterator[tuple[str, str]]:
    """What people expected before each cut, beside what was seen, as lines of a name and a text; what the program
    model says too, where there is one."""
    for row in rows:
        told = dict(row.expected) | ({"the program model": row.predicted} if model else {})
        expected = ", ".join(f"{name} {state_word(state)}" for name, state in told.items())
        name = f"cycle {row.cycle}, {CUT_OF[row.how]}, {row.shown}, {state_word(row.before)} before"
        yield name, f"expected: {expected}; seen: {state_word(row.seen, 'nothing that counts')}"


def score_facts(rows: Sequence[ForecastRow], *, model: bool) -> Iterator[tuple[str, str]]:
    """How often each was right."""
    for one in (*scores(rows), *([program_score(rows)] if model and rows else [])):
        yield one.learner, score_text(one)


def foretold_facts(found: Foretold) -> Iterator[tuple[str, str]]:
    """The same as lines of a name and a text."""
    for row in found.compared.rows:
        told = f"predicted {outcome_text(row.predicted, row.before)}, measured {outcome_text(row.measured, row.before)}"
        told += f"; {AFTER_ANY_PAST} it {ever_text(row)}" if row.ever else ""
        yield f"{row.shown}, {cut_text(row)}", told
    if found.compared.rows:
        yield "differences", "; ".join(_below(found))
    if found.compared.could_explain:
        yield _EXPLAINS[0].lower() + _EXPLAINS[1:], "; ".join(found.compared.could_explain)


# ---------------------------------------------------------------- for machines


def foretold_document(found: Foretold | None) -> dict[str, Any]:
    """The same as plain data, under `predicted`; nothing where there is no program model."""
    if found is None or not found.compared.rows:
        return {}
    rows = [dataclasses.asdict(row) for row in found.compared.rows]
    return {
        "predicted": {
            "outputs": rows,
            "could_explain": list(found.compared.could_explain),
            "not_played": dict(found.compared.not_played or {}),
            "left_out": {name: list(cycles) for name, cycles in (found.compared.left_out or {}).items()},
            "note": found.note,
        }
    }
