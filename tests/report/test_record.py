"""The record as a page: what it says, where it says it, and that every text stays text."""

from __future__ import annotations

import io
import itertools
import json
import re
from dataclasses import fields, replace
from html.parser import HTMLParser
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from record_values import HOSTILE, LANES, MS, S, diagram, hostile_values, matrix_line, record_values
from restart_bench.evidence.traces import Trace, changes_of
from restart_bench.model import wording as reasons
from restart_bench.model.clock import Bounds
from restart_bench.model.rig import Device
from restart_bench.model.verdicts import GLOSS, Verdict
from restart_bench.model.wording import bounds_text
from restart_bench.report.console import matrix_table
from restart_bench.report.record import drawing
from restart_bench.report.record import text as wording
from restart_bench.report.record.data import CaseDiagram, DrawnLane, MatrixLine, Piece
from restart_bench.report.record.pieces import MOST_PIECES, shifted, supply_pieces, trace_pieces
from restart_bench.report.record.rendering import first_page, limits_once, render, render_page
from restart_bench.report.record.rendering import safe_text as render_text

SVG = "{http://www.w3.org/2000/svg}"


class Page(HTMLParser):
    """What a browser would make of the page, as far as these tests look: elements, and text by element."""

    VOID = frozenset({"meta", "link", "br", "img", "input", "hr"})

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1] == tag, f"</{tag}> closes <{self.open[-1]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append((self.open[-1] if self.open else "", data.strip()))

    @property
    def words(self) -> str:
        """All that is read, without script and style."""
        return " ".join(" ".join(text for tag, text in self.texts if tag not in {"script", "style"}).split())


@pytest.fixture(scope="module")
def text() -> str:
    """The page of a run that failed."""
    return render(record_values())


@pytest.fixture(scope="module")
def hostile() -> str:
    """The page of a run in whose files every text is hostile."""
    return render(hostile_values())


def _section(page: str, name: str) -> str:
    found = re.search(rf'<section[^>]*id="{name}".*?</section>', page, re.DOTALL)
    assert found is not None
    return found[0]


def _svgs(page: str) -> list[Xml.Element]:
    return [Xml.fromstring(one) for one in re.findall(r'<svg class="panel".*?</svg>', page, re.DOTALL)]


# ---------------------------------------------------------------- one page, well formed, loading nothing


def test_every_element_is_closed_in_order(text: str, hostile: str) -> None:
    """Well-formed whatever the texts are."""
    assert Page(text).open == []
    assert Page(hostile).open == []


def test_the_page_loads_nothing(text: str) -> None:
    """One file: no element names an address outside the page, and the content policy forbids all but the script."""
    page = Page(text)
    addresses = [
        value for _, attributes in page.elements for name, value in attributes.items() if name in {"src", "href"}
    ]
    assert all(str(address).startswith(("#", "data:")) for address in addresses)
    policy = next(a["content"] for tag, a in page.elements if tag == "meta" and "http-equiv" in a)
    assert str(policy).startswith("default-src 'none';")
    assert "@import" not in text and "url(http" not in text


def test_diagrams_are_xml(text: str, hostile: str) -> None:
    """Every SVG can be taken out of the page and read by an XML parser."""
    assert len(_svgs(text)) == 1
    assert len(_svgs(hostile)) == 1


# ---------------------------------------------------------------- texts stay text


def test_a_hostile_text_makes_no_element(text: str, hostile: str) -> None:
    """A label that is markup adds no script, no image, no handler: only elements that the plain record has too."""
    plain, attacked = Page(render(replace(record_values(cycles=3), notes=("n",)))), Page(hostile)
    assert {tag for tag, _ in attacked.elements} <= {tag for tag, _ in plain.elements} | {"small"}
    assert sum(tag == "script" for tag, _ in attacked.elements) == sum(tag == "script" for tag, _ in plain.elements)
    assert not any(name.startswith("on") for _, attributes in attacked.elements for name in attributes)
    assert HOSTILE in attacked.words


def test_a_hostile_text_in_the_data_of_the_script_stays_data(hostile: str) -> None:
    """The data beside a diagram has no "<" in it and reads back as what went in."""
    data = re.search(r'<script type="application/json" class="case-data">(.*?)</script>', hostile, re.DOTALL)
    assert data is not None and "<" not in data[1]
    assert HOSTILE in json.loads(data[1])["lanes"][0]["label"]


def test_the_style_sheet_takes_no_markup(hostile: str) -> None:
    """The id of the run stands in the page's foot by way of the style sheet: only plain characters get there."""
    style = re.search(r"<style>(.*?)</style>", hostile, re.DOTALL)
    assert style is not None and "script>" not in style[1].split("@bottom-left")[-1]


def test_writing_direction_stays_inside_its_text(hostile: str) -> None:
    """Every text from a file is isolated (UAX 9): by <bdi>, or by isolates where no element can stand."""
    outside = re.sub(r"<bdi[^>]*>.*?</bdi>", "", hostile, flags=re.DOTALL)
    outside = re.sub("\u2068[^\u2069]*\u2069", "", outside)
    outside = re.sub(r"\\u2068.*?\\u2069", "", outside)
    assert "\u202e" not in outside and "\\u202e" not in outside
    assert "\u202e" in hostile


@given(st.text(st.characters(), max_size=30))
def test_any_text_leaves_the_page_well_formed(label: str) -> None:
    """Any text whatever, control characters included, can be a label."""
    small = replace(record_values(cycles=1), rig_label=label, diagrams=(), not_tested=(label,), reason=label)
    page = Page(render(small))
    assert page.open == []
    assert all(wording.clean(c) == c for c in page.words)


# ---------------------------------------------------------------- first page


def test_a_rehearsal_bears_no_verdict_on_its_first_page() -> None:
    """Nobody signs a rehearsal as a pass: the large word is another one, and it says that nothing was cut."""
    done = replace(record_values(), rehearsal=True, verdict=Verdict.PASS, reason="all that was demanded was shown")
    banner = re.search(r'<div class="banner.*?</dl>', render(done), re.DOTALL)
    assert banner is not None
    assert "rehearsed" in banner[0] and "nothing was cut" in banner[0]
    assert "pass" not in banner[0]


def test_the_first_page_names_the_program_and_how_the_supply_was_switched() -> None:
    """Whoever signs sees which program it was and what was switched, and whether by a relay or by a person."""
    data = replace(record_values(), program="program_id 7", switched="run mode by hand")
    first = Page(_section(render(data), "verdict")).words
    assert "Program program_id 7" in first
    assert "Switched run mode by hand" in first


def test_the_hand_out_names_each_lane_and_says_what_it_does_not_show() -> None:
    """One drawing with the supply and each output once, by its name; matrix, verdict, three sentences, lines to sign
    on; nothing is loaded and nothing runs."""
    page = render_page(replace(record_values(), limits_in_short=("It was tried twice.",)))
    names = re.findall(r'class="lane-name[^>]*>([^<]*)<', page)
    assert [wording.clean(name).strip("\u2068\u2069") for name in names] == [
        "Supply",
        "rail",
        "Auger",
        "Burner valve",
        "Fan",
    ]
    for words in ("fail", "Burner valve", "It was tried twice.", "Witnessed by", "more lanes in the whole record"):
        assert words in Page(page).words, words
    assert "<script" not in page and page.count('<svg class="panel"') == 1


def test_the_hand_out_shows_a_cycle_in_which_something_was_cut() -> None:
    """An error in which nothing was cut is a flat picture: a cycle with a cut is drawn in its place, and errors are
    counted beside the cycles."""
    values = record_values()
    drawn = values.diagrams[0]
    uncut = replace(drawn.cycles[0], cycle=99, verdict=Verdict.ERROR, marks=())
    error = replace(values.scenarios[0], counted={"pass": 19, "error": 1})
    mixed = replace(drawn, cycles=(uncut, *drawn.cycles))
    page = Page(render_page(replace(values, diagrams=(mixed,), scenarios=(error,)))).words
    assert "cycle 99" not in page and "What happened" in page
    assert "1 error among them" in page
    nothing = Page(render_page(replace(values, diagrams=(replace(drawn, cycles=(uncut,)),)))).words
    assert "What happened" not in nothing


@pytest.mark.parametrize(("shown", "said"), [(Verdict.ERROR, False), (Verdict.PASS, True)])
def test_the_hand_out_says_whether_errors_show_in_a_matrix_that_does_not_fit(shown: Verdict, said: bool) -> None:
    """A run with error cycles and more rows than the page has room for is handed out too; where none of the rows is
    one of an error, that is said."""
    values = record_values(cycles=1)
    error = replace(values.scenarios[0], counted={"pass": 19, "error": 1})
    rows = tuple(_row(number, Verdict.PASS) for number in range(60))
    page = Page(render_page(replace(values, scenarios=(error,), matrix=(*rows, _row(60, shown))))).words
    assert "more rows in the whole record" in page
    assert ("Cycles that were errors show in no row." in page) is said


def test_the_record_holds_the_text_of_the_program() -> None:
    """Who reads the record reads the rungs that were tested, line by line, and nothing in them becomes markup."""
    text = "program: edition 7\nrungs:\n  - {set: fan, when: start}   # <b>held</b>\n"
    page = render(replace(record_values(), program_text=text))
    (shown,) = re.findall(r'<pre class="program">(.*?)</pre>', page, re.DOTALL)
    assert "<b>" not in shown and Page(shown).words.startswith("program: edition 7")
    assert "\n  - {set: fan, when: start}" in shown


def test_three_sentences_stand_before_the_limits_in_detail() -> None:
    """Whoever reads such a record for the first time understands the first three; the others come behind them."""
    sentences = ("It was tried twice.", "Short things can have been missed.", "Other times were not tried.")
    page = _section(render(replace(record_values(), limits_in_short=sentences)), "verdict")
    places = [Page(page).words.index(text) for text in (*sentences, record_values().scenarios[0].limits[0])]
    assert places == sorted(places)


def test_rows_without_a_terminal_carry_their_caveat_judged_or_not() -> None:
    """`agitator on, stays on` may be the controller's memory: each row says so, also where nothing is expected."""
    rows = [
        replace(record_values().matrix[0], shown=f"output {n}", verdict=Verdict.PASS if n else None) for n in range(3)
    ]
    data = replace(record_values(), matrix=tuple(replace(row, image_only=row.shown != "output 2") for row in rows))
    page = _section(render(data), "verdict")
    body = re.search(r"<tbody>.*?</tbody>", page, re.DOTALL)
    assert body is not None
    told = [Page(row).words for row in body[0].split("</tr>") if "<th" in row]
    assert ["no terminal" in row for row in told if "output" in row] == [True, True, False]
    assert "No terminal: no input reads its terminal" in Page(page).words


def test_in_a_diagram_of_a_mode_change_no_supply_goes_off() -> None:
    """The marks of a change of run mode are named for what was done: OUT OF RUN MODE and IN RUN MODE."""
    of_mode = replace(diagram(), lost="OUT OF RUN MODE", back="IN RUN MODE")
    names = [mark.text for panel in drawing.draw(of_mode).panels for mark in panel.marks]
    assert "OUT OF RUN MODE" in names and "IN RUN MODE" in names
    assert not {"OFF", "ON"} & set(names)
    page = render(replace(record_values(), diagrams=(diagram(), of_mode)))
    assert "OFF or OUT OF RUN MODE is the mark “cut”" in Page(page).words


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    """`44 ms` never ends a line with 44; other words may break where they like."""
    assert wording.unbroken("off within 44 ms, 3 cycles, 5 % at 24 V") == (
        "off within 44\u00a0ms, 3 cycles, 5\u00a0% at 24\u00a0V"
    )


def test_words_of_the_files_stand_in_the_type_of_files() -> None:
    """What stands between backticks is set as code; a single backtick stays what it is, and nothing opens a tag."""
    assert render_text("ask `<b>` here") == "<bdi>ask <code>&lt;b&gt;</code> here</bdi>"
    assert render_text("a ` alone") == "<bdi>a ` alone</bdi>"


def test_the_first_page_says_verdict_gloss_limits_matrix_and_what_was_not_tested(text: str) -> None:
    """What a signature is put under stands in the first section, with lines to sign on."""
    first = Page(_section(text, "verdict")).words
    data = record_values()
    assert f"fail {GLOSS[Verdict.FAIL]}" in first
    for limit in limits_once(data.scenarios):
        assert limit.text in first
    for row in data.matrix:
        assert all(cell in first for cell in (row.shown, row.before, row.at_loss, row.at_return, row.reason))
        assert row.delay_ns is None or bounds_text(row.delay_ns) in first
    for sentence in data.not_tested:
        assert sentence in first
    for line in ("Tested by", "Witnessed by", "Date"):
        assert line in first


def test_the_matrix_has_a_row_for_each_output_with_its_verdict(text: str) -> None:
    """Rows stand under their case and carry the verdict as a word, not as a colour alone."""
    table = re.search(r'<table class="matrix">.*?</table>', text, re.DOTALL)
    assert table is not None
    rows = re.findall(r'<tr class="row-(\w+)">(.*?)</tr>', table[0], re.DOTALL)
    assert [verdict for verdict, _ in rows] == [str(row.verdict) for row in record_values().matrix]
    for verdict, cells in rows:
        assert verdict in Page(cells).words


def test_a_limit_shared_by_all_scenarios_is_said_once() -> None:
    """Limits are said once, with the scenarios that they hold for where they don't hold for all."""
    limits = limits_once(record_values().scenarios)
    assert [limit.scenarios for limit in limits] == [(), ("burner-stays-shut",), ("fan-comes-back",)]


def _row(number: int, verdict: Verdict) -> MatrixLine:
    return matrix_line("s", "", f"output {number}", f"o{number}", "on", "off", "off", None, verdict, "as demanded")


NOT_SHOWN = {
    "console": {"point", "settled", "cycles", "scenario", "case"},  # case and cycles stand above the table
    "record": {"settled", "cycles"},
}
"""Fields of a row of the restart matrix that a table of it leaves out: they stand elsewhere, or follow from others."""


@pytest.mark.parametrize("where", NOT_SHOWN)
def test_every_field_of_a_matrix_row_is_shown_or_left_out_on_purpose(where: str) -> None:
    """A column that was counted and forgotten in one of the tables is noticed here."""
    told = {name: f"told of {name}" for name in (one.name for one in fields(MatrixLine)) if name not in _NO_TEXT}
    row = replace(_row(1, Verdict.PASS), **told, verdict=None, delay_ns=(123 * MS, 456 * MS), image_only=True)  # type: ignore[arg-type]
    if where == "console":
        console = Console(width=400, file=io.StringIO())
        console.print(matrix_table([row], 400, ""))
        page = console.file.getvalue()  # type: ignore[attr-defined]
    else:
        page = Page(_section(render(replace(record_values(cycles=1), matrix=(row,))), "verdict")).words
    marks = {**told, **_NO_TEXT}
    missing = {name for name, mark in marks.items() if mark not in page}
    assert missing == NOT_SHOWN[where]


_NO_TEXT = {"delay_ns": "123.0", "verdict": "", "image_only": "no terminal", "cycles": "\0"}
"""What stands for the fields that are no text; a verdict's word is `verdict_word`."""


def test_a_matrix_too_long_for_the_page_keeps_the_rows_that_did_not_pass() -> None:
    """What is left out of page 1 passed, is counted there, and stands whole further back."""
    rows = tuple(_row(number, Verdict.FAIL if number == 150 else Verdict.PASS) for number in range(200))
    data = replace(record_values(cycles=1), matrix=rows)
    first = first_page(data)
    shown = [row for group in first.matrix for row in group.rows]
    assert 5 < len(shown) < 40
    assert any(row.verdict is Verdict.FAIL for row in shown)
    assert first.matrix_left == 200 - len(shown)
    page = render(data)
    assert f"{first.matrix_left} more rows" in _section(page, "verdict")
    assert _section(page, "matrix").count('<tr class="row-') == 200


def test_a_simulated_run_says_so_before_anything_else() -> None:
    """Nobody may take a simulation for a test of hardware."""
    page = Page(_section(render(replace(record_values(cycles=1), simulated=True)), "verdict")).words
    assert page.index("No hardware was tested") < page.index(GLOSS[Verdict.FAIL])


def test_a_rehearsal_says_that_nothing_was_cut() -> None:
    """A rehearsal shows nothing about a restart."""
    page = Page(_section(render(replace(record_values(cycles=1), rehearsal=True)), "verdict")).words
    assert "no supply was cut" in page


def test_cautions_stand_in_every_record_and_defer_to_local_codes() -> None:
    """Also in a record of a run in which nothing was done."""
    empty = replace(
        record_values(cycles=1), scenarios=(), matrix=(), diagrams=(), findings=(), times=(), demonstrations=()
    )
    assert "local codes" in Page(_section(render(empty), "cautions")).words


# ---------------------------------------------------------------- diagrams


AUGER = DrawnLane("auger", "Auger", "", "output", pair=1)


def test_each_lane_of_the_case_is_drawn_once() -> None:
    """Supply, proof, outputs and terminals, the rest: in the order given, each with its address and item number."""
    svg = _svgs(render(record_values()))[0]
    lanes = [group for group in svg.iter(f"{SVG}g") if "data-lane" in group.attrib]
    assert [int(group.attrib["data-lane"]) for group in lanes] == list(range(len(LANES)))
    names = [element.text for element in svg.iter(f"{SVG}text") if "lane-place" in element.attrib.get("class", "")]
    assert [wording.isolated(lane.place) for lane in LANES] == names


def test_a_change_is_drawn_as_wide_as_its_bounds() -> None:
    """From not before to not after, in milliseconds."""
    packed = drawing.pack([Piece("change", 1_500_000, 12_250_000, 1.0)], AUGER, drawing.Texts())
    assert drawing.lane_paths(packed)["edge"] == "M1.5 24L12.25 2"


def test_blind_spans_and_reads_that_do_not_count_are_drawn_by_other_means_than_colour() -> None:
    """Each kind has a path of its own: hatched, dotted, dashed."""
    pieces = (
        Piece("blind", 0, MS), Piece("value", MS, 2 * MS, 1.0, counts=False), Piece("value", 2 * MS, 3 * MS, 0.0)
    )  # fmt: skip
    paths = drawing.lane_paths(drawing.pack(pieces, AUGER, drawing.Texts()))
    assert (paths["blind"], paths["dim-on"], paths["off"]) == (
        "M0 2H1V24H0Z", "M1 2H2V24H1Z", "M2 24H3",
    )  # fmt: skip
    assert paths["on"] == "" and paths["edge"] == ""


@given(st.integers(-(10**12), 10**12), st.integers(0, 10**10))
def test_packing_never_narrows_bounds(low: int, width: int) -> None:
    """Microseconds are rounded outwards: not before never later, not after never earlier."""
    ((_, first, last, _),) = drawing.pack([Piece("change", low, low + width, 1.0)], AUGER, drawing.Texts())
    assert isinstance(first, int) and isinstance(last, int)
    assert first * 1000 <= low and last * 1000 >= low + width


def test_the_worst_cycle_is_drawn_strongly() -> None:
    """The first failed cycle is what a reader needs to see first."""
    assert drawing.draw(diagram(20, bad=(7, 9))).shown.chosen == 6
    assert drawing.draw(diagram(5, bad=())).shown.chosen == 0


def test_lanes_too_many_for_a_page_go_into_further_panels() -> None:
    """At most 16 lanes a panel, every panel with the supply, no pair of output and terminal apart."""
    outputs = [
        DrawnLane(f"o{n}{part}", f"o{n}", "", part, pair=n) for n in range(1, 20) for part in ("output", "terminal")
    ]  # type: ignore[arg-type]
    lanes = (LANES[0], *outputs)
    panels = drawing.panels_of(lanes)
    assert all(len(panel) <= 16 and panel[0] == 0 for panel in panels)
    assert sorted(index for panel in panels for index in panel[1:]) == list(range(1, len(lanes)))
    for panel in panels:
        pairs = [lanes[index].pair for index in panel[1:]]
        assert all(pairs.count(pair) == 2 for pair in pairs)


LARGE = CaseDiagram("", "", "", (), (), 0, "OUT OF RUN MODE", "IN RUN MODE").large


@given(
    st.lists(st.tuples(st.sampled_from(sorted(LARGE)), st.integers(0, 20_000_000)), max_size=12),
    st.integers(0, 10_000),
)
def test_names_of_marks_do_not_lie_on_each_other(marks: list[tuple[str, int]], start: int) -> None:
    """Two names in one row never overlap, and none leaves the drawing."""
    names = {name: drawing.mark_name(name, LARGE) for name in LARGE}
    placed = drawing.place_marks([(n, at, at + 5) for n, at in marks], (float(start), start + 9_000.0), 500, names)
    boxes = []
    for mark in placed:
        if mark.shown:
            width = len(mark.text) * drawing.LARGE_COLUMN
            left = mark.label.x - (width if mark.label.anchor == "end" else 0)
            boxes.append((mark.y, left, left + width))
    assert all(right <= drawing.WIDTH + 1 for _, _, right in boxes)
    for index, (y, left, right) in enumerate(boxes):
        assert all(y != other[0] or left >= other[2] or right <= other[1] for other in boxes[index + 1 :])


@given(st.lists(st.integers(0, 3_000_000), min_size=4, max_size=4).map(sorted))
def test_names_of_marks_that_come_one_after_another_go_down_like_stairs(at: list[int]) -> None:
    """However close they come, all four stand there, and a later one never above an earlier one that reaches over its
    line: ANSWERING is read before RUNNING."""
    marks = [(name, us, us + 5) for name, us in zip(("cut", "restored", "answered", "ready"), at, strict=True)]
    names = {name: drawing.mark_name(name, LARGE) for name in LARGE}
    placed = drawing.place_marks(marks, (0.0, 9_000.0), 500, names)
    assert [mark.shown for mark in placed] == [True] * 4
    for one, other in itertools.pairwise(placed):
        assert other.y > one.y or one.label.x + names[one.name].width < other.label.x


@given(st.floats(-1e7, 1e7), st.floats(0.1, 1e8))
def test_an_axis_has_some_ticks_and_never_too_many(start: float, span: float) -> None:
    """Between 1 and 9 ticks, all inside the plot."""
    placed = drawing.ticks((start, start + span))
    assert len(placed) <= 9
    assert all(drawing.PLOT_LEFT - 1 <= tick.x <= drawing.PLOT_RIGHT + 1 for tick in placed)


def test_drawing_fewer_cycles_than_there_were_is_said() -> None:
    """A capped diagram says how many of how many it draws."""
    page = render(replace(record_values(), diagrams=(replace(diagram(20), of_cycles=1000),)))
    assert "Drawn are 20 of 1000 cycles" in Page(_section(page, "diagrams")).words


# ---------------------------------------------------------------- from reads to pieces

DEVICE = Device("independent", "192.0.2.20", poll_ns=10 * MS)


def _trace(values: list[float | None], counts: list[bool] | None = None, step: int = 10 * MS) -> Trace:
    sent = np.arange(len(values), dtype=np.int64) * step
    value = np.array([np.nan if one is None else one for one in values])
    flags = np.ones(len(values), dtype=bool) if counts is None else np.array(counts)
    return Trace("auger", sent, sent + 2 * MS, value, flags)


def test_a_failed_request_makes_its_span_blind() -> None:
    """Silence is not off: between the good reads around it nothing is drawn as known."""
    pieces = trace_pieces(_trace([1.0, 1.0, None, None, 1.0, 1.0]), DEVICE, 0, 52 * MS)
    assert [(piece.kind, piece.from_ns, piece.to_ns) for piece in pieces] == [
        ("value", 2 * MS, 10 * MS),
        ("blind", 10 * MS, 42 * MS),
        ("value", 42 * MS, 50 * MS),
    ]


def test_a_point_that_was_never_read_is_blind_all_through() -> None:
    """No read, nothing known."""
    assert trace_pieces(_trace([None, None]), DEVICE, 0, S) == (Piece("blind", 0, S),)


def test_a_change_across_a_blind_span_is_as_wide_as_the_span() -> None:
    """It lies between the sending of the last good read before and the receiving of the first one after."""
    pieces = trace_pieces(_trace([1.0, 1.0, None, 0.0, 0.0]), DEVICE, 0, 42 * MS)
    assert Piece("change", 10 * MS, 32 * MS, 0.0) in pieces


@given(
    st.lists(st.sampled_from([None, 0.0, 1.0]), min_size=1, max_size=40),
    st.lists(st.booleans(), min_size=40, max_size=40),
)
def test_changes_that_count_are_drawn_with_the_bounds_that_are_judged(
    values: list[float | None], counts: list[bool]
) -> None:
    """The record draws what `changes_of` finds: same bounds, same values, nothing added."""
    trace = _trace(values, counts[: len(values)])
    drawn = [
        (piece.from_ns, piece.to_ns, piece.value)
        for piece in trace_pieces(trace, DEVICE, 0, len(values) * 10 * MS)
        if piece.kind == "change" and piece.counts
    ]
    found = [(c.bounds.not_before_ns, c.bounds.not_after_ns, c.after) for c in changes_of(trace) if c.counts]
    assert drawn == found


def test_an_output_that_flutters_is_capped_and_the_rest_is_counted() -> None:
    """The page stays small; what is missing is said in numbers."""
    pieces = trace_pieces(_trace([float(n % 2) for n in range(2000)]), DEVICE, 0, 20 * S)
    kept, left_out = shifted(pieces, 0)
    assert len(kept) == MOST_PIECES
    assert left_out == sum(piece.kind == "change" for piece in pieces) - sum(piece.kind == "change" for piece in kept)
    cycles = tuple(replace(one, left_out=left_out) for one in diagram(1).cycles)
    page = render(replace(record_values(), diagrams=(replace(diagram(1), cycles=cycles),)))
    assert f"{left_out} changes were too many to draw" in page


def test_the_supply_lane_shows_the_bounds_of_loss_and_return() -> None:
    """On, changing within the bounds of `cut`, off, changing within those of `restored`, on."""
    pieces = supply_pieces({"cut": Bounds(10, 20), "restored": Bounds(50, 70)}, 0, 100)
    assert [(p.kind, p.from_ns, p.to_ns, p.value) for p in pieces] == [
        ("value", 0, 10, 1.0), ("change", 10, 20, 0.0), ("value", 20, 50, 0.0), ("change", 50, 70, 1.0),
        ("value", 70, 100, 1.0),
    ]  # fmt: skip


# ---------------------------------------------------------------- wording


@given(st.integers(-(10**12), 10**12), st.integers(0, 10**11))
def test_bounds_in_words_hold_the_bounds(low: int, width: int) -> None:
    """What is printed is never narrower than what was measured."""
    text = reasons.bounds_text((low, low + width)).replace("−", "-")
    numbers, unit = text.rsplit(" ", 1)
    size = {"ms": 1e6, "s": 1e9}[unit]
    ends = [float(number) * size for number in numbers.split(" .. ")]
    assert ends[0] <= low + 1e-3 and ends[-1] >= low + width - 1e-3


@pytest.mark.parametrize(
    ("bounds", "text"),
    [((0, 0), "0 s"), ((1_200_100_000, 1_213_900_000), "1.200 .. 1.214 s"), ((12 * MS, 23 * MS), "12.0 .. 23.0 ms")],
)
def test_bounds_read_as_a_pair_in_one_unit(bounds: tuple[int, int], text: str) -> None:
    """Two numbers, one unit."""
    assert reasons.bounds_text(bounds) == text


def test_a_reliability_is_never_rounded_up() -> None:
    """Source of 0.926119: 30 runs without failure at 90 % (reference: success-run bound, computed with scipy)."""
    assert reasons.percent_text(0.926119) == "92.6 %"
    assert reasons.percent_text(0.94999) == "94.9 %"


def test_numbers_of_cycles_are_joined_and_counted() -> None:
    """Three and more in a row are joined; the rest of a long list is counted."""
    assert reasons.numbers_text((1, 2, 3, 7, 9, 10)) == "1 to 3, 7, 9, 10"
    assert reasons.numbers_text(range(1, 100, 2)).endswith("and 38 more")


def test_a_long_label_is_cut_to_its_room_and_wide_characters_count_two() -> None:
    """The room of a name is counted in columns."""
    assert wording.shortened("乾燥機の送風機", 7) == "乾燥機…"
    assert wording.shortened("Fan", 7) == "Fan"


def test_the_one_page_says_in_the_words_of_the_live_picture_how_the_supply_is_known() -> None:
    """Above the outputs stand the supply as it was commanded and, where something proves it, as the proof read."""
    words = Page(render_page(record_values())).words
    assert "supply: as told" in words and "supply: as read" in words and "as commanded" not in words


def test_the_one_page_names_few_marks() -> None:
    """Those that the live picture has as lamps, and the settled span: on each other nobody can read them."""
    page = render_page(record_values())
    names = re.findall(r'<text class="mark-name[^"]*"[^>]*>(?:<bdi>)?([^<]+)', page)
    assert names == ["OFF", "ON", "ANSWERING", "RUNNING", "settled", "end"]


def test_the_one_page_keeps_what_is_to_be_done() -> None:
    """A reason that is too long for its head loses its middle; the cure stands at its end. The end of several belongs
    to another scenario than the begin."""
    why = f"power-goes: 1 of 1 cycle: {'no reads that count, ' * 20}end other programs and repeat"
    values = record_values()
    one = (replace(values.scenarios[0], verdict=Verdict.INCONCLUSIVE),)
    assert "end other programs and repeat" in render_page(replace(values, reason=why, scenarios=one))
    two = tuple(replace(values.scenarios[0], verdict=Verdict.FAIL) for _ in range(2))
    assert "end other programs and repeat" not in render_page(replace(values, reason=why, scenarios=two))


@given(st.lists(st.text("abcdé", min_size=1, max_size=9), min_size=1, max_size=30), st.integers(20, 80))
def test_a_long_text_is_cut_between_words_and_may_keep_its_end(words: list[str], columns: int) -> None:
    """No word is cut that would fit whole, and where what is to be done stands at the end, that is kept."""
    text = " ".join(words)
    short, ended = wording.shortened(text, columns), wording.with_its_end(text, columns)
    assert len(short) <= columns and len(ended) <= columns
    assert set(short.removesuffix("…").split()) <= set(words)
    assert set(ended.replace("…", " ").split()) <= set(words)
    assert ended == text or ended.split()[-1].removesuffix("…") in words[-1:]


def test_the_name_of_a_page_holds_nothing_invisible_unless_its_writing_turns() -> None:
    """It becomes the name of a PDF; only a name in a script that runs to the left is kept apart."""
    plain = render(replace(record_values(), rig_label="grain dryer 2"))
    turned = render(replace(record_values(), rig_label="\u05de\u05d9\u05d9\u05d1\u05e9"))
    named = [re.search(r"<title>(.*?)</title>", page) for page in (plain, turned)]
    assert [one is not None and "\u2068" in one[1] for one in named] == [False, True]
