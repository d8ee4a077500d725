"""The questions before the cut on one page to print: what people expect, what the program model says, what was seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from restart_bench.judging.matrix import matrix_rows
from restart_bench.model.journal import CycleJudged, RunEnded, judged_cycles
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import counted
from restart_bench.report.record.rendering import page_style, template

if TYPE_CHECKING:
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.suite.loader import Suite

MOST_LEARNERS = 6
_LINES, _LINES_A_QUESTION = 36, 2.5
"""Lines of a program that fit below no question, and those that each question takes of them (a browser test prints)."""
_LINES_A_PART = 3  # heading and heads of columns of a further kind of question
WAYS = {"supply": "Power goes and returns", "mode": "Run mode is left and entered again"}
WAYS_FROM_OFF = {way: f"{words}: what was OFF before" for way, words in WAYS.items()}


@dataclass(frozen=True, slots=True)
class Question:
    """One output before one kind of cut. says: what the program model does; seen: what a test showed, "" for none."""

    output: str
    says: str
    seen: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that stands on the page. questions: by the way of the cut, in its words; seen_in: what the column of what
    was seen is of ("" where no test is told); notes: what has to be known beside it; program: the lines that say how it
    restarts, shown where they fit."""

    rig: str
    edition: str
    learners: tuple[str, ...]
    questions: Mapping[str, tuple[Question, ...]]
    seen_in: str = ""
    notes: tuple[str, ...] = ()
    program: tuple[str, ...] = ()

    @property
    def fitting(self) -> tuple[str, ...]:
        """The program where there is room for it on one page with the questions, else nothing."""
        asked = sum(map(len, self.questions.values())) + len(self.notes)
        further = _LINES_A_PART * max(0, len(self.questions) - len(WAYS))
        return self.program if len(self.program) <= _LINES - _LINES_A_QUESTION * asked - further else ()

    @property
    def pages(self) -> tuple[tuple[str, ...], ...]:
        """Who answers on which page: as many on each as fit, or nearly."""
        count = -(-len(self.learners) // MOST_LEARNERS)
        each = -(-len(self.learners) // max(1, count))
        return tuple(self.learners[page * each : (page + 1) * each] for page in range(count)) or ((),)


def restart_part(text: str) -> tuple[str, ...]:
    """The lines of a program file that decide what a restart does: from `start_pass:` down, without empty ones."""
    lines = [line.rstrip() for line in text.splitlines()]
    first = next((n for n, line in enumerate(lines) if line.startswith("start_pass:")), 0)
    return tuple(line for line in lines[first:] if line)


def render_sheet(sheet: Sheet) -> str:
    """The page. It loads nothing and runs nothing."""
    return template("sheet.html").render(
        sheet=sheet,
        from_off=tuple(WAYS_FROM_OFF.values()),
        answers=(("y", "yes"), ("n", "no"), ("?", "not known")),
        style=Markup(page_style()),
    )


def seen_in(run: ArchivedRun, suite: Suite, *, on: bool = True) -> dict[tuple[str, str], str]:
    """What each output did in a test where it was on (or off) before the cut, by output and "supply" or "mode"."""
    found: dict[tuple[str, str], str] = {}
    for way, cycles in _tested(run, suite).items():
        for point in suite.rig.outputs():
            cut_so = [one for one in cycles if _was(one, point.name, on=on)]
            for row in matrix_rows(suite.rig, cut_so):
                if row.point == point.name:
                    found[point.name, way] = f"{row.at_return} ({counted(len(cut_so), 'cycle')})"
    return found


def unseen_in(run: ArchivedRun, suite: Suite, *, on: bool = True) -> dict[str, str]:
    """Why nothing stands beside an output, by "supply" or "mode": no such cut was made, or it was so before none."""
    ended = any(isinstance(record, RunEnded) for record in run.records)
    not_tested = "not tested" if ended else "not tested yet; this test has not ended"
    not_so = f"not {'on' if on else 'off'} before any cut"
    return {way: not_so if cycles else not_tested for way, cycles in _tested(run, suite).items()}


def _tested(run: ArchivedRun, suite: Suite) -> dict[str, list[CycleJudged]]:
    """The valid cycles of a test, by "supply" or "mode"."""
    how = {one.name: one.how for one in suite.scenarios}
    valid = [
        one
        for one in judged_cycles(run.records).values()
        if one.verdict is not Verdict.ERROR and one.mark("restored") is not None
    ]
    return {way: [one for one in valid if how.get(one.scenario) == way] for way in WAYS}


def _was(cycle: CycleJudged, point: str, *, on: bool) -> bool:
    return any(seen.point == point and seen.before is not None and bool(seen.before) is on for seen in cycle.outputs)


def sheet_notes(run: ArchivedRun, suite: Suite, rig: str, edition: str) -> Sequence[str]:
    """What has to be known of a test whose results stand on the page."""
    notes = [run.altered] if run.altered else []
    if run.rig_name != rig:
        notes.append(f"The test was made on another rig: {run.rig_name}.")
    if suite.program is not None and suite.program.name != edition:
        notes.append(f"The test was made with another program: {suite.program.name}.")
    return notes
