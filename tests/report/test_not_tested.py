"""Where nothing was cut, every output of which something is demanded was not tested, and it is said why."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from archive_builders import archived, load, write_suite
from evidence import MS, Story
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import judge_again
from restart_bench.judging.matrix import matrix_rows
from restart_bench.model.outcome import RunOutcome
from restart_bench.model.verdicts import Verdict
from restart_bench.report.console import print_outcome
from restart_bench.report.record.gathering import gather
from restart_bench.report.record.rendering import render

WHY = "the state before was not reached, so nothing was cut"


def not_reached() -> Story:
    """The burner did not come on before the cut's place."""
    story = Story(switched=False, end_ns=1_000 * MS, completed=False).set("burner_terminal", (0, 0))
    return story.step("before", 1, False, (100 * MS, 600 * MS), "expect burner on", "burner reads off")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> ArchivedRun:
    """A closed run of one such cycle."""
    suite = load(write_suite(tmp_path_factory.mktemp("suite")))
    return ArchivedRun.open(archived(tmp_path_factory.mktemp("logs"), suite, [not_reached()]))


@pytest.fixture(scope="module")
def outcome(run: ArchivedRun) -> RunOutcome:
    """The same judged again."""
    return judge_again(run)


def test_the_cycle_names_what_was_not_tested(run: ArchivedRun, outcome: RunOutcome) -> None:
    """Each point of which something is demanded, once; a cycle that was cut names none."""
    scenario = run.suite().scenarios[0]
    demanded = {one.point for one in (*scenario.during, *scenario.after)} | {gap.then for gap in scenario.gaps}
    (cycle,) = outcome.runs[0].cycles
    assert sorted(cycle.not_tested) == sorted(demanded) and "burner" in demanded
    assert Story(scenario=scenario, rig=run.suite().rig).judge().not_tested == ()


def test_a_stop_before_the_cut_tested_nothing_either() -> None:
    """Nothing makes that cycle an error, and still no output was tested."""
    story = Story(switched=False, end_ns=1_000 * MS, completed=False).trouble("stopped", 500 * MS, "by a person", False)
    told = not_reached()
    story.scenario = told.scenario
    judged = story.judge()
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert judged.not_tested == tuple(one.point for one in story.scenario.after)


def test_the_matrix_says_not_tested_and_why(run: ArchivedRun, outcome: RunOutcome) -> None:
    """It does not say that nothing is expected; of an output that nobody asks about it does."""
    rows = {row.point: row for row in matrix_rows(run.suite().rig, outcome.runs[0].cycles)}
    assert (rows["burner"].verdict, rows["burner"].verdict_word) == (None, "not tested")
    assert WHY in rows["burner"].reason
    words = {row.verdict_word for name, row in rows.items() if name not in outcome.runs[0].cycles[0].not_tested}
    assert words <= {"not judged"}


def test_one_cycle_that_was_cut_is_a_test(run: ArchivedRun, outcome: RunOutcome) -> None:
    """Beside it the matrix tells what that one showed."""
    suite = run.suite()
    good = Story(scenario=suite.scenarios[0], rig=suite.rig).judge()
    rows = {row.point: row for row in matrix_rows(suite.rig, [*outcome.runs[0].cycles, good])}
    assert rows["burner"].verdict_word == "pass"
    both = {row.point: row for row in matrix_rows(suite.rig, outcome.runs[0].cycles * 2)}
    assert both["burner"].verdict_word == "not tested" and both["burner"].reason.startswith("cycle 1: ")


def test_the_results_say_not_tested(outcome: RunOutcome) -> None:
    """On the console, in the matrix."""
    stream = io.StringIO()
    print_outcome(outcome, Console(file=stream, width=200))
    (line,) = (line for line in stream.getvalue().splitlines() if line.strip().startswith("burner "))
    assert "not tested" in line and "nothing is expected" not in line


def test_the_record_says_not_tested(run: ArchivedRun) -> None:
    """In its matrix, in place of a verdict, with the reason."""
    data = gather(run)
    (line,) = (line for line in data.matrix if line.point == "burner")
    assert (line.verdict, line.verdict_word) == (None, "not tested") and WHY in line.reason
    assert "<small>not tested</small>" in render(data)


def test_a_run_whose_cycles_were_cut_says_it_of_none(tmp_path: Path) -> None:
    """The words stand where they belong alone."""
    run = ArchivedRun.open(archived(tmp_path / "logs", load(write_suite(tmp_path / "suite")), [Story(seed=1)]))
    assert "<small>not tested</small>" not in render(gather(run))
