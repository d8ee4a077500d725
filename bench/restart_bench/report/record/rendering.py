"""The record as one HTML text: values in, page out. Every text is escaped by the templates (autoescape is on)."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TypeVar

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template
from markupsafe import Markup, escape

from restart_bench.judging.campaign.case_map import number_words, outcome_words, verdict_words
from restart_bench.judging.campaign.measured_times import drift_text, limit_text, time_text, tolerance_text
from restart_bench.judging.matrix import IMAGE_ONLY, IMAGE_ONLY_MEANS
from restart_bench.model import wording as reasons
from restart_bench.model.scenario import MARKS
from restart_bench.model.verdicts import GLOSS, Verdict, badness, style_sheet, symbols
from restart_bench.model.ways import AS_READ, AS_TOLD
from restart_bench.report.explaining import NOT_CLAIMED, but, nothing_told, restart_words
from restart_bench.report.foretold import WHO_WAS_RIGHT
from restart_bench.report.record import text as wording
from restart_bench.report.record.data import CaseDiagram, DrawnLane, MatrixLine, RecordData, ScenarioRow
from restart_bench.report.record.diagrams import CHECKING
from restart_bench.report.record.drawing import GEOMETRY, PATHS, Drawing, draw, first_worst
from restart_bench.screen.cautions import CAUTIONS

FIRST_PAGE_LINES = 41
"""Lines of small print that the first page holds beside headings and sign-off, on A4 and on Letter (a browser test
prints a full one)."""
PAGE_LINES = 50
"""The same of the hand-out, with what stands around diagram and matrix taken off (a browser test prints a full one)."""
_PAGE_SCENARIOS, _PAGE_LANES = 5, 7
_PAGE_MARKS = ("settled", "end", CHECKING)
_LONG_WORD = 24  # columns; a longer one may be broken anywhere, so that no table outgrows the page
_LONGEST_REASON = 150  # characters on the first page; the whole reason stands with its scenario
_WIDE = 98  # columns of a line across the page

_GLOSS = {str(verdict): text for verdict, text in GLOSS.items()} | {
    "fail": f"{GLOSS[Verdict.FAIL]} from what was demanded"
}
"""What each verdict means; a fail with what it is measured by, since the program may do just what it was made to do."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of what was shown, and the scenarios that it holds for (empty: all of them)."""

    text: str
    scenarios: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MatrixGroup:
    """Rows of one case."""

    scenario: str
    case: str
    rows: tuple[MatrixLine, ...]


@dataclass(frozen=True, slots=True)
class FirstPage:
    """What the first printed page has room for; what is left out stands whole further back."""

    limits: tuple[Limit, ...]
    limits_left: int
    matrix: tuple[MatrixGroup, ...]
    matrix_left: int
    matrix_left_bad: int
    not_tested: tuple[str, ...]
    not_tested_left: int


@dataclass(frozen=True, slots=True)
class DrawnCase:
    """A case and its drawing."""

    diagram: CaseDiagram
    drawing: Drawing


@dataclass(frozen=True, slots=True)
class ProgramRow:
    """One line of the program's text, and the outputs that it decides about."""

    number: int
    text: str
    named_for: tuple[str, ...]


def render(data: RecordData) -> str:
    """The whole page. It loads nothing: styles, script and data stand in it."""
    return "".join(rendered(data))


def rendered(data: RecordData) -> Iterator[str]:
    """The same piece by piece."""
    script = _part("record.js")
    return (
        _environment()
        .get_template("record.html")
        .generate(
            data=data,
            first=first_page(data),
            limits=limits_once(data.scenarios),
            cases=(DrawnCase(diagram, draw(diagram)) for diagram in data.diagrams),  # one at a time
            gloss=_GLOSS,
            verdicts=[str(verdict) for verdict in Verdict],
            marks=MARKS,
            image_only=IMAGE_ONLY,
            image_only_means=IMAGE_ONLY_MEANS,
            not_claimed=NOT_CLAIMED,
            large=_large(data.diagrams),
            paths=PATHS,
            geometry=GEOMETRY,
            cautions=[f"{one.text} ({one.source})" for one in CAUTIONS],
            several=len(data.scenarios) > 1,
            matrix=grouped(data.matrix),
            program_rows=program_rows(data),
            groups_named=len(data.scenarios) > 1 or any(row.case for row in data.matrix),
            style=Markup(_part("record.css") + style_sheet()),
            signs=Markup(symbols()),
            script=Markup(script),
            script_digest=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        )
    )


def render_page(data: RecordData) -> str:
    """The hand-out: one A4 page that says what was tested, what happened in the worst cycle, and what that does not
    show, with room to sign. It loads nothing and runs nothing."""
    scenarios = sorted(data.scenarios, key=lambda one: badness(one.verdict))[:_PAGE_SCENARIOS]
    worst = min(filter(None, map(_cut_alone, data.diagrams)), key=_worst_of, default=None)
    drawn = on_one_page(worst) if worst is not None and worst.cycles else None
    room = PAGE_LINES - 2.2 * len(scenarios) - (2.6 * len(drawn.lanes) + 8 if drawn is not None else 0)
    room -= sum(_lines(text, _WIDE) for text in _page_texts(data) if text)
    return (
        _environment()
        .get_template("page.html")
        .render(
            data=data,
            scenarios=scenarios,
            scenarios_left=len(data.scenarios) - len(scenarios),
            case=DrawnCase(drawn, draw(drawn)) if drawn is not None else None,
            lanes_left=len(worst.lanes) - len(drawn.lanes) if worst is not None and drawn is not None else 0,
            first=_matrix_page(data, room),
            errors=sum(one.counted.get("error", 0) for one in data.scenarios),
            gloss=_GLOSS,
            paths=PATHS,
            geometry=GEOMETRY,
            image_only=IMAGE_ONLY,
            image_only_means=IMAGE_ONLY_MEANS,
            groups_named=len(data.scenarios) > 1 or any(row.case for row in data.matrix),
            style=Markup(_part("record.css") + style_sheet()),
            signs=Markup(symbols()),
        )
    )


def _page_texts(data: RecordData) -> tuple[str, ...]:
    """What the hand-out says in sentences, beside what it always says."""
    scores = (
        fact.name + fact.value for group in data.facts if group.title == WHO_WAS_RIGHT for fact in group.facts[:8]
    )
    return (*data.limits_in_short, data.altered[:200], ", ".join(data.unheard_devices), "".join(scores))


def _cut_alone(diagram: CaseDiagram) -> CaseDiagram | None:
    """The cycles in which something was cut: in the others nothing happened that a newcomer could look at."""
    cut = tuple(cycle for cycle in diagram.cycles if any(mark.name == "cut" for mark in cycle.marks))
    return replace(diagram, cycles=cut) if cut else None


def _worst_of(diagram: CaseDiagram) -> int:
    return min((badness(cycle.verdict) for cycle in diagram.cycles), default=len(Verdict))


def on_one_page(diagram: CaseDiagram) -> CaseDiagram:
    """The diagram with what a newcomer looks for: the supply, as told and as read, and each output once, at its
    terminal where it has one; the marks that the live picture has as lamps, and those between which it is judged; of
    the worst cycle alone."""
    at_terminal = {lane.pair for lane in diagram.lanes if lane.role == "terminal"}
    kept = [
        place
        for place, lane in enumerate(diagram.lanes)
        if lane.role in ("supply", "proof", "terminal") or (lane.role == "output" and lane.pair not in at_terminal)
    ][:_PAGE_LANES]
    cycle = diagram.cycles[first_worst(diagram.cycles)]
    marks = tuple(mark for mark in cycle.marks if mark.name in {*diagram.large, *_PAGE_MARKS})
    narrowed = replace(cycle, marks=marks, pieces=tuple(cycle.pieces[place] for place in kept))
    switched = next((lane.label.lower() for lane in diagram.lanes if lane.role == "supply"), "")
    return replace(diagram, lanes=tuple(_alone(diagram.lanes[place], switched) for place in kept), cycles=(narrowed,))


def _alone(lane: DrawnLane, switched: str) -> DrawnLane:
    """A terminal without the lane of its output above it bears the output's name; of supply or run mode stands in the
    words of the live picture how it is known."""
    if known := {"supply": AS_TOLD, "proof": AS_READ}.get(lane.role):
        return replace(lane, place=f"{switched}: {known}")
    return replace(lane, pair=0) if lane.role == "terminal" else lane


def _matrix_page(data: RecordData, room: float) -> FirstPage:
    kept = _fitting_rows(data, room)
    bad = sum(map(_is_bad, data.matrix)) - sum(map(_is_bad, kept))
    return FirstPage((), 0, grouped(kept), len(data.matrix) - len(kept), bad, (), 0)


def _large(diagrams: Sequence[CaseDiagram]) -> dict[str, str]:
    """What the marks that are named large are called over all diagrams: `OFF or OUT OF RUN MODE is the mark "cut"`."""
    named: dict[str, list[str]] = {}
    for diagram in diagrams:
        for mark, word in diagram.large.items():
            named.setdefault(mark, []).append(word)
    return {mark: " or ".join(dict.fromkeys(words)) for mark, words in named.items()}


# ---------------------------------------------------------------- first page


def limits_once(scenarios: Sequence[ScenarioRow]) -> tuple[Limit, ...]:
    """The limits of all scenarios, each said once."""
    named: dict[str, list[str]] = {}
    for scenario in scenarios:
        for text in scenario.limits:
            named.setdefault(text, []).append(scenario.name)
    return tuple(Limit(text, () if len(names) == len(scenarios) else tuple(names)) for text, names in named.items())


def first_page(data: RecordData) -> FirstPage:
    """Shares out the lines of page 1: at most a third for limits, a fifth for what was not tested, all the rest for
    the matrix, rows that did not pass first."""
    room = FIRST_PAGE_LINES - _lines(data.reason, 60)
    if len(data.scenarios) > 1:
        room -= _lines("".join(f"{scenario.verdict} {scenario.name} mm" for scenario in data.scenarios), _WIDE)
    room -= sum(_lines(text, _WIDE) for text in data.limits_in_short)
    limits = limits_once(data.scenarios)
    shown_limits = _fitting(limits, room / 3, lambda limit: _lines(f"{limit.text} {limit.scenarios}", _WIDE))
    shown_not = _fitting(data.not_tested, room / 5, lambda text: _lines(text, _WIDE))
    room -= sum(_lines(f"{limit.text} {limit.scenarios}", _WIDE) for limit in shown_limits)
    room -= sum(_lines(text, _WIDE) for text in shown_not)
    kept = _fitting_rows(data, room)
    return FirstPage(
        shown_limits, len(limits) - len(shown_limits),
        grouped(kept), len(data.matrix) - len(kept), sum(_is_bad(row) for row in data.matrix) - sum(map(_is_bad, kept)),
        shown_not, len(data.not_tested) - len(shown_not),
    )  # fmt: skip


def _fitting_rows(data: RecordData, room: float) -> list[MatrixLine]:
    """The rows of the matrix for which there is room, those that did not pass first; in their own order."""
    matrix = [replace(row, reason=wording.with_its_end(row.reason, _LONGEST_REASON)) for row in data.matrix]
    rows = sorted(matrix, key=lambda row: badness(row.verdict) if row.verdict is not None else len(Verdict))
    groups: set[tuple[str, str]] = set()
    chosen = _fitting(rows, room, lambda row: matrix_lines(row) + _heading_lines(row, groups))
    return [row for row in matrix if any(row is one for one in chosen)]


def _is_bad(row: MatrixLine) -> bool:
    return row.verdict not in (None, Verdict.PASS)


def grouped(rows: Iterable[MatrixLine]) -> tuple[MatrixGroup, ...]:
    """Rows by scenario and case, in the order in which those first appear."""
    groups: dict[tuple[str, str], list[MatrixLine]] = {}
    for row in rows:
        groups.setdefault((row.scenario, row.case), []).append(row)
    return tuple(MatrixGroup(scenario, case, tuple(mine)) for (scenario, case), mine in groups.items())


def matrix_lines(row: MatrixLine) -> float:
    """Lines that a row of the matrix takes on paper: its longest cell counts."""
    return 0.4 + max(
        _lines(row.reason, 27), _lines(_span(row.delay_ns, ""), 11),
        _lines(row.shown, 12) + (row.shown != row.point) + row.image_only,
        _lines(row.at_loss, 11), _lines(row.at_return, 11), _lines(row.before, 7),
    )  # fmt: skip


def _heading_lines(row: MatrixLine, seen: set[tuple[str, str]]) -> float:
    """Lines of the heading above the row, where it is the first of its case (which is then noted in `seen`)."""
    if (row.scenario, row.case) in seen:
        return 0.0
    seen.add((row.scenario, row.case))
    return 0.5 + _lines(f"{row.scenario} {row.case}", _WIDE)


def _span(bounds: tuple[int, int] | None, unknown: str) -> str:
    return reasons.bounds_text(bounds) if bounds is not None else unknown


def _lines(text: str, columns: int) -> int:
    return max(1, -(-wording.columns_of(text) // columns))


def _fitting(items: Iterable[_T], lines: float, size: Callable[[_T], float]) -> tuple[_T, ...]:
    kept, used = [], 0.0
    for item in items:
        used += size(item)
        if used > lines:
            break
        kept.append(item)
    return tuple(kept)


# ---------------------------------------------------------------- templates


def template(name: str) -> Template:
    """A page of another kind, with the same ways to write texts from files."""
    return _environment().get_template(name)


def page_style() -> str:
    """The style that all pages share."""
    return _part("record.css") + style_sheet()


def _part(name: str) -> str:
    return (files("restart_bench.report.record") / "templates" / name).read_text(encoding="utf-8")


def safe_text(text: object) -> Markup:
    """A text that comes from a file or a person: escaped, and with its writing direction kept inside."""
    text = wording.unbroken(wording.clean(str(text)))
    long = any(wording.columns_of(word) > _LONG_WORD for word in text.split())
    return Markup('<bdi class="long">{}</bdi>' if long else "<bdi>{}</bdi>").format(_with_keys(text))


def _with_keys(text: str) -> Markup:
    """Words of the files, which stand between backticks, in the type of files; everything is escaped."""
    parts = text.split("`")
    if len(parts) % 2 == 0:  # one without its partner
        return escape(text)
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if n % 2 else escape(part) for n, part in enumerate(parts)
    )


def verbatim(text: str) -> Markup:
    """A line of a file, as it is written."""
    return Markup("<bdi>{}</bdi>").format(wording.clean(text))


def with_places(text: str, lines: Sequence[int]) -> Markup:
    """The same of a line of why: each rung that it names leads to its line of the program's text."""
    from restart_bench.predict.why import PLACE

    return Markup(PLACE.sub(lambda found: _place(found[0], int(found[2]), lines), str(safe_text(text))))


def _place(named: str, line: int, lines: Sequence[int]) -> str:
    return f'<a href="#program-{line}">{named}</a>' if line in lines else named


def program_rows(data: RecordData) -> tuple[ProgramRow, ...]:
    """The program's text line by line, with the outputs whose line of why names it."""
    reasons = data.explanation.reasons if data.explanation is not None else ()
    named: dict[int, dict[str, None]] = {}
    for reason in reasons:
        for line in reason.lines:
            named.setdefault(line, {})[reason.label] = None
    texts = enumerate(data.program_text.splitlines(), start=1)
    return tuple(ProgramRow(number, text, tuple(named.get(number, ()))) for number, text in texts)


def css_text(text: str) -> Markup:
    """A text for a quoted string in the style sheet: whatever is not plain becomes "?"."""
    return Markup("".join(c if c.isascii() and (c.isalnum() or c in "-_. ") else "?" for c in text))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FunctionLoader(_part), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters.update(
        told=safe_text,
        verbatim=verbatim,
        placed=with_places,
        after=restart_words,
        nothing_told=nothing_told,
        but=but,
        plain=wording.isolated,
        titled=wording.titled,
        css_text=css_text,
        short=wording.shortened,
        with_its_end=wording.with_its_end,
        sentence=wording.sentence,
        bounds=reasons.bounds_text,
        span=_span,
        time=time_text,
        limit=limit_text,
        tolerance=tolerance_text,
        drift=drift_text,
        number=number_words,
        outcome=outcome_words,
        verdicts=verdict_words,
        percent=reasons.percent_text,
        numbers=reasons.numbers_text,
        counted=reasons.counted,
        listed=reasons.listed,
    )
    return environment
