"""Why, beside what was measured: as the archived program behaves, and never as the cause of what was seen."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from archive_builders import PROGRAM, RUN_ID, archived, begin, load, told_run, with_program, write_suite
from evidence import S, Story
from record_values import record_values
from restart_bench.archive.reader import ArchivedRun
from restart_bench.judging.scenario import judge_run
from restart_bench.model.journal import RunEnded
from restart_bench.model.verdicts import Verdict
from restart_bench.predict.explaining import Explanation, Reason
from restart_bench.report import explaining
from restart_bench.report.explaining import Clock, why_in, why_lines, why_of
from restart_bench.report.record.gathering import gather
from restart_bench.report.record.rendering import render, render_page
from restart_bench.report.record.writing import write_record, write_report

SIMULATED, REAL, BARE = "20260726T080000Z-aaaa", "20260726T090000Z-bbbb", "20260726T100000Z-cccc"
CLAIMS = ("because of", "caused", "the reason is", "is why")


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated run with a program model, one of a real controller with the same model beside it, one without."""
    folder, files = tmp_path_factory.mktemp("logs"), write_suite(tmp_path_factory.mktemp("suite"))
    archived(folder, load(files), [Story(seed=1)], BARE)
    suite = load(with_program(files))
    archived(folder, suite, [Story(seed=1)], SIMULATED)
    archived(folder, suite, [Story(seed=1)], REAL, simulated=False)
    (files / "program.yaml").write_text(PROGRAM.replace("when: first_scan", "when: NOT start_button"), encoding="utf-8")
    return folder


def run_of(logs: Path, run: str) -> ArchivedRun:
    """One of the three."""
    (found,) = logs.glob(f"*/*/run={run}")
    return ArchivedRun.open(found)


def plain(text: str) -> str:
    """A page's or a console's text in one line, without markup."""
    return " ".join(re.sub(r"<[^>]*>", "", text).split())


def part_tested(page: str) -> str:
    """The part of a record that says what was tested."""
    found = re.search(r'<section id="tested".*?</section>', page, re.DOTALL)
    assert found is not None
    return found[0]


def test_the_archived_program_is_explained_not_todays_file(logs: Path) -> None:
    """The file was edited after the runs; what is told is the reset on the first scan that was archived."""
    run = run_of(logs, SIMULATED)
    why = why_of(run, run.suite())
    assert why is not None
    burner = next(one for one in why.reasons if one.point == "burner")
    assert "the first scan resets `burner`" in burner.because
    assert PROGRAM.splitlines()[burner.lines[-1] - 1].strip() == "- {reset: burner, when: first_scan}"


def test_every_place_says_as_which_program_behaves_and_claims_no_cause(logs: Path) -> None:
    """On the console and in the record stands whose behaviour it is, and that nothing is claimed of what was measured;
    the words around it claim no cause either."""
    run = run_of(logs, SIMULATED)
    why = why_in(run.folder)
    assert why is not None
    for text in (plain(" ".join(why_lines(why, 80))), plain(part_tested(render(gather(run))))):
        assert "Why, as grain dryer, edition 7 behaves" in text
        assert "of what was measured no cause is claimed" in text
        assert "burner stays off: the first scan resets" in text
        assert not any(claim in text for claim in CLAIMS)
    otherwise = plain(" ".join(why_lines(why, 80, ("burner",))))
    assert "behaves (burner MEASURED OTHERWISE: these are not the reasons for that)" in otherwise


def test_the_record_says_beside_its_why_what_was_measured_otherwise(tmp_path: Path) -> None:
    """The reason for what did not happen stands under a heading that says so, as on the console: of the burner, which
    came on; that the fan was on before the cut, as the model has it not, is another question."""
    back = [(0, 0.0), (4 * S, 1.0)]
    story = Story(truth={"burner": back, "burner_terminal": back}, seed=1)
    folder = archived(tmp_path / "logs", load(with_program(write_suite(tmp_path / "suite"))), [story])
    text = plain(part_tested(render(gather(ArchivedRun.open(folder)))))
    assert "edition 7 behaves (burner MEASURED OTHERWISE: these are not the reasons for that)" in text


def test_where_nothing_was_cut_nothing_is_explained(tmp_path: Path) -> None:
    """A run that was stopped before its first cut has shown nothing of a restart, so no restart is explained."""
    suite = load(with_program(write_suite(tmp_path / "suite")))
    folder = archived(tmp_path / "logs", suite, [Story(switched=False, completed=False, seed=1)])
    run = ArchivedRun.open(folder)
    assert why_of(run, run.suite()) is None and why_in(folder) is None


def test_of_a_real_controller_the_record_speaks_of_the_model_and_the_console_not_at_all(logs: Path) -> None:
    """What was measured at hardware is not explained by a model beside it."""
    run = run_of(logs, REAL)
    assert why_in(run.folder) is None
    text = plain(part_tested(render(gather(run))))
    assert "A model beside the rig; the controller itself was tested." in text
    assert "Why, as grain dryer, edition 7 behaves" in text and "no cause is claimed" in text


def test_findings_hold_no_word_of_why(logs: Path) -> None:
    """The same evidence has the same findings with and without a program model."""
    told = [gather(run_of(logs, name)) for name in (SIMULATED, BARE)]
    assert told[0].findings == told[1].findings and told[0].matrix == told[1].matrix


def test_without_a_program_model_nothing_is_predicted(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run whose inputs hold no program is never worked on, and its record has no such block."""
    monkeypatch.setattr(explaining, "Clock", None)
    run = run_of(logs, BARE)
    assert why_in(run.folder) is None
    assert "Why, as" not in plain(render(gather(run)))


def test_a_folder_that_holds_no_run_is_not_explained(tmp_path: Path) -> None:
    """Results can be shown without their archive."""
    assert why_in(tmp_path) is None


def test_the_record_of_a_killed_run_is_not_waited_for(tmp_path: Path) -> None:
    """Its log is closed while a rig waits to be put right: nothing is predicted then; `report` does it later."""
    suite = load(with_program(write_suite(tmp_path / "suite")))
    cycles = told_run(suite, [Story(seed=1)])
    archive = begin(tmp_path / "logs", suite, cycles)
    for scenario in judge_run(suite.rig, suite.scenarios, [cycle.judged for cycle in cycles]):
        archive.write(scenario)
    archive.write(RunEnded(RUN_ID, "killed", Verdict.ERROR, 4, "killed", 10**12, "2026-07-27", "on"))
    archive.close({"ended": {"how": "killed", "reason": ""}, "verdict": "error", "exit_code": 4, "scenarios": []})
    page = archive.folder / "report.html"
    write_report(archive.folder)
    assert "Why, as" not in page.read_text(encoding="utf-8")
    write_record(ArchivedRun.open(archive.folder), page)
    assert "Why, as" in page.read_text(encoding="utf-8")


def test_the_hand_out_holds_no_why(logs: Path) -> None:
    """One page to sign has no room for it."""
    assert "Why, as" not in plain(render_page(gather(run_of(logs, SIMULATED))))


def test_the_time_is_a_stated_budget() -> None:
    """What is told names the time that is given; a share of it is over earlier, and of nothing nothing is left."""
    assert f"{explaining.BUDGET_S} s" == explaining.BUDGET
    assert Clock.of(0).over() and Clock.of(0).share(3).over()
    whole = Clock.of(3600)
    assert not whole.over() and not whole.share(4).over()
    assert whole.share(4).until_ns < whole.share(2).until_ns < whole.until_ns


HOSTILE = "<b>` rung 1, line 9 </b>"
TEXT = "program: <i>edition</i> 7\nrungs:\n  - {set: fan, when: start}   # `held`\n"


def test_named_lines_are_marked_and_led_to_and_nothing_becomes_markup() -> None:
    """A rung that a reason names leads to its line, which bears the output's name; hostile texts stay text."""
    because = f"{HOSTILE} comes back: `fan` is retained (rung 1, line 3)."
    why = Explanation(
        HOSTILE, ("supply",), (Reason("fan", HOSTILE, ("supply",), because, (3,)),), "Not for <b>pump</b>"
    )
    part = part_tested(render(replace(record_values(), program_text=TEXT, explanation=why)))
    assert re.findall(r'href="#program-(\d+)"', part) == ["3"]
    rows = re.findall(r'<span class="row( named)?" id="program-(\d+)">', part)
    assert rows == [("", "1"), ("", "2"), (" named", "3")]
    assert "<b>" not in part and "<i>" not in part
    assert "# `held`" in plain(part)
    assert "Not for &lt;b&gt;pump" in part


@pytest.mark.parametrize("missing", ["not worked out: needs python-sat", "not worked out within 5 s"])
def test_where_nothing_was_worked_out_one_line_says_so(missing: str) -> None:
    """The block is left out, on the console and in the record; the program's text stays as it is without it."""
    why = Explanation("edition 7", ("supply",), (), missing)
    assert list(why_lines(why, 200)) == [f"Why, as edition 7 behaves, is {missing}"]
    part = part_tested(render(replace(record_values(), program_text=TEXT, explanation=why)))
    assert f"Why, as edition 7 behaves, is {missing}" in plain(part)
    assert 'class="reasons"' not in part and '<pre class="program">' in part


def test_an_altered_archive_says_so_before_its_why(logs: Path, tmp_path: Path) -> None:
    """Whoever alters the archived program is told as everywhere: at the head of the record stands what was altered."""
    folder = tmp_path / "logs" / run_of(logs, SIMULATED).folder.relative_to(logs)
    shutil.copytree(run_of(logs, SIMULATED).folder, folder)
    (program,) = (folder / "inputs").rglob("program.yaml")
    program.write_text(PROGRAM.replace("  - {reset: burner, when: first_scan}\n", ""), encoding="utf-8")
    page = plain(render(gather(ArchivedRun.open(folder))))
    assert page.index("program.yaml") < page.index("Why, as grain dryer, edition 7 behaves")
    assert "Not as it was closed." in page
