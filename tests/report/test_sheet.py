"""The questions before the cut on one page: room for answers, what program and test say hidden until asked for."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from archive_builders import archived, comes_back, load, with_program, write_suite
from command_line import bench
from evidence import Story
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.journal import RunEnded
from restart_bench.report.sheet import (
    MOST_LEARNERS,
    Question,
    Sheet,
    render_sheet,
    restart_part,
    seen_in,
    sheet_notes,
    unseen_in,
)

HOSTILE = '<script>alert("M1")</script>'
SHEET = Sheet(
    "trainer",
    HOSTILE,
    ("Ada", HOSTILE),
    {
        "Power goes and returns": (
            Question(HOSTILE, "comes back", "comes back (3 cycles)"),
            Question("M2", "stays off"),
        )
    },
    "test 7",
    ("altered",),
)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> ArchivedRun:
    """Two cycles with a burner that was on before and stays off in one, comes back in the other."""
    suite = load(with_program(write_suite(tmp_path_factory.mktemp("suite"))))
    stories = [Story(seed=1), comes_back(Story(seed=2))]
    return ArchivedRun.open(archived(tmp_path_factory.mktemp("logs"), suite, stories))


def test_each_output_has_an_answer_for_each_learner() -> None:
    """Two outputs and two learners: four answers of y, n and ?, of which one each can be chosen; and both hidden
    columns, each with its own box that shows it."""
    page = render_sheet(SHEET)
    groups = re.findall(r'type="radio" name="([^"]+)" value="(.)"', page)
    assert len({name for name, _ in groups}) == 4
    assert [value for _, value in groups] == ["y", "n", "?"] * 4
    for shown in ("says", "seen"):
        assert f'<input class="show show-{shown}" type="checkbox" id="show-{shown}-1"' in page
        assert f".show-{shown}:not(:checked) ~ .parts .{shown}" in page
        assert page.count(f'<span class="two {shown}">') == 2
    assert "checked>" not in page


@pytest.mark.parametrize(("learners", "pages"), [(0, 1), (6, 1), (7, 2), (12, 2), (13, 3)])
def test_a_class_has_as_many_pages_as_it_takes(learners: int, pages: int) -> None:
    """Everybody has a column, on one page only, and no page has more of them than fit."""
    names = tuple(f"L{number}" for number in range(learners))
    sheet = replace(SHEET, learners=names)
    assert len(sheet.pages) == pages and tuple(name for page in sheet.pages for name in page) == names
    assert max(map(len, sheet.pages)) <= MOST_LEARNERS
    page = render_sheet(sheet)
    assert page.count("<section>") == pages
    groups = set(re.findall(r'type="radio" name="([^"]+)"', page))
    assert len(groups) == 2 * max(1, learners)


def test_what_is_cut_while_it_is_off_is_asked_as_well(tmp_path: Path) -> None:
    """A line for every question of `--ask-first`. Source: the first lesson's third scenario, which presses stop first;
    the program as it is read keeps both motors off then."""
    page = tmp_path / "page.html"
    assert bench("predict", Path("scenarios/first-lesson"), "--sheet", page).returncode == 0
    text = re.sub(r"</?bdi[^>]*>", "", page.read_text(encoding="utf-8"))
    _, heading, below = text.partition("<h2>Power goes and returns: what was OFF before</h2>")
    assert heading and "before the cut (<b>OFF</b> in the part that says so)" in text
    part = below.partition("</table>")[0]
    for shown in ("M1 elevator", "M2 blower"):
        assert shown in part
    assert part.count('<span class="two says">stays off</span>') == 2


def test_texts_of_files_stay_text_and_nothing_is_loaded() -> None:
    """Names of people, outputs and programs may hold anything; the page runs nothing and loads nothing."""
    page = render_sheet(SHEET)
    assert "<script" not in page and "http" not in page.replace("http-equiv", "")
    assert page.count("&lt;script&gt;") >= 3


def test_without_a_test_the_last_column_is_for_the_class_to_fill_in() -> None:
    """No run, no box that shows what was seen, and no learner's name: one column of answers and a line for the name."""
    page = render_sheet(Sheet("trainer", "edition 7", (), {"Power goes and returns": (Question("M1", "stays off"),)}))
    assert 'id="show-seen' not in page and 'id="show-says-1"' in page
    assert "<span>Name</span>" in page and ">Answer<" in re.sub(r"</?bdi>", "", page)


def test_what_was_seen_counts_only_cycles_in_which_the_output_was_on(run: ArchivedRun) -> None:
    """Source: the stories. The burner was on before both cuts; the fan before neither by mode change, as none was."""
    seen = seen_in(run, run.suite())
    assert seen["burner", "supply"] == "comes back 1, stays off 1 (2 cycles)"
    assert not any(way == "mode" for _, way in seen)


def test_what_was_not_tested_is_not_called_off(run: ArchivedRun) -> None:
    """Source: the stories, all by loss of supply. Of a mode change nothing is known, or not yet."""
    assert unseen_in(run, run.suite()) == {"supply": "not on before any cut", "mode": "not tested"}
    going_on = ArchivedRun.open(run.folder)
    going_on.records = [record for record in run.records if not isinstance(record, RunEnded)]
    assert unseen_in(going_on, run.suite())["mode"] == "not tested yet; this test has not ended"


def test_a_test_of_something_else_is_told_as_such(run: ArchivedRun) -> None:
    """Another rig or another program than the page is about stands at its head."""
    suite = run.suite()
    assert sheet_notes(run, suite, run.rig_name, "grain dryer, edition 7") == []
    assert len(sheet_notes(run, suite, "another", "edition 8")) == 2


def test_the_command_writes_the_page_and_refuses_what_it_cannot_mean(run: ArchivedRun, tmp_path: Path) -> None:
    """A page with what a run showed; refused: into the run's own folder, and names without a page."""
    rig, page = run.folder / "inputs", tmp_path / "page.html"
    asked = ("predict", rig / "grain-dryer", "--sheet", page, "--learners", "Ada, Ben", "--seen", run.folder)
    done = bench(*asked)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"wrote {page}") and "stays off" not in done.stdout  # what the page hides
    text = re.sub(r"</?bdi[^>]*>", "", page.read_text(encoding="utf-8"))
    for words in (
        ">Ada<",
        ">Ben<",
        ">stays off<",
        ">comes back 1, stays off 1 (2 cycles)<",
        "grain dryer, edition 7",
    ):
        assert words in text, words
    for wrong in (("--sheet", run.folder / "page.html", "--seen", run.folder), ("--learners", "Ada")):
        assert bench("predict", rig / "grain-dryer", *wrong).returncode == 2


def test_an_altered_test_is_told_on_the_page_and_ends_with_4(run: ArchivedRun, tmp_path: Path) -> None:
    """What an altered archive shows stands on the page only below the words that it is altered."""
    folder = tmp_path / run.folder.name
    shutil.copytree(run.folder, folder)
    (folder / "changes.parquet").write_bytes(b"")
    page = tmp_path / "page.html"
    done = bench("predict", run.folder / "inputs" / "grain-dryer", "--sheet", page, "--seen", folder)
    assert done.returncode == 4, done.stderr
    assert "changes.parquet" in done.stdout.splitlines()[0]
    assert "changes.parquet" in page.read_text(encoding="utf-8")


def test_of_a_program_the_sheet_has_what_decides_a_restart() -> None:
    """From `start_pass:` down: the head, which names what the edition does, would tell the answer."""
    text = "# Edition 3: nothing is retained.\nprogram: three\nstart_pass: none\n\nmemory:\n  m: {retained: true}\n"
    assert restart_part(text) == ("start_pass: none", "memory:", "  m: {retained: true}")
    assert "# Edition" not in "".join(restart_part(text))
