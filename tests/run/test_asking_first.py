"""`--ask-first`: people say what they expect before each cut; it is kept, shown beside what was seen, and scored."""

from __future__ import annotations

import io
import json
import re
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from rich.console import Console

from command_line import bench, told
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import judge_again
from restart_bench.model.journal import CutAnnounced, Forecast, StepDone, Switching
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import RunOptions, RunOutcome
from restart_bench.report.console import print_outcome
from restart_bench.report.documents import document
from restart_bench.report.foretold import foretell
from restart_bench.report.record.gathering import gather
from restart_bench.report.record.rendering import render_page
from restart_bench.run.session import perform
from restart_bench.screen.console import guess_on
from restart_bench.screen.plain import PlainShow
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

LESSON = Path(__file__).resolve().parents[2] / "scenarios" / "first-lesson"


@dataclass(frozen=True)
class Asked:
    """A run before whose cut Ada and Ben were asked."""

    outcome: RunOutcome
    questions: tuple[str, ...]
    said: str
    shown_meanwhile: int  # states that the screen got while the first question stood


class Watching(PlainShow):
    """Plain lines, and a count of the states for a live screen."""

    states = 0
    every_ns = 0

    def live(self, state: LiveState) -> None:
        """One more."""
        self.states += 1


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    """Ada expects everything to come back, Ben does not know."""
    questions: list[str] = []
    said = io.StringIO()
    show = Watching(said)
    meanwhile: list[int] = []

    def guess(question: str) -> bool | None:
        questions.append(question)
        before, end = show.states, time.monotonic() + 5
        while not meanwhile and show.states < before + 3 and time.monotonic() < end:
            time.sleep(0.01)
        meanwhile.append(show.states - before)
        return True if question.startswith("Ada") else None

    logs = tmp_path_factory.mktemp("asked")
    options = RunOptions(logs, simulated=True, ask_first=("Ada", "Ben"), guess=guess)
    outcome = perform(load_suites([LESSON / "power-goes.yaml"], cards=cards())[0], options, show)
    return Asked(outcome, tuple(questions), said.getvalue(), meanwhile[0])


def test_each_is_asked_of_each_output_before_the_cut(asked: Asked) -> None:
    """By name, with how the output is now; nothing is cut before the last has answered."""
    assert len(asked.questions) == 4
    assert asked.questions[0] == "Ada: M1 elevator is ON. Power goes now and returns: will it come back?"
    run = ArchivedRun.open(asked.outcome.runs[0].folder)
    forecasts = [one for one in run.records if isinstance(one, Forecast)]
    cut = next(one for one in run.records if isinstance(one, Switching) and one.purpose == "cut")
    steps = [one for one in run.records if isinstance(one, StepDone) and one.phase == "before"]
    assert [(one.learner, one.point, one.answer) for one in forecasts] == [
        ("Ada", "elevator", True), ("Ben", "elevator", None), ("Ada", "blower", True), ("Ben", "blower", None)
    ]  # fmt: skip
    assert steps[-1].ended_ns <= forecasts[0].asked_ns and forecasts[-1].answered_ns <= cut.before_ns
    assert any(isinstance(one, CutAnnounced) for one in run.records)
    assert run.run["asked_first"] == ["Ada", "Ben"]


def test_the_picture_goes_on_while_somebody_thinks(asked: Asked) -> None:
    """Outputs that move while a person is asked move on the screen too."""
    assert asked.shown_meanwhile >= 3


def test_what_was_expected_stands_beside_what_was_seen_with_a_score(asked: Asked) -> None:
    """On screen and in the document; and the same when the archive is judged again."""
    shown = io.StringIO()
    print_outcome(asked.outcome, Console(file=shown, width=100))
    assert "Ada: 1 of 2 right" in shown.getvalue()
    assert "Ben: 0 of 2 right, 2 times not known" in shown.getvalue()
    assert "the program model: 2 of 2 right" in shown.getvalue()
    (run,) = document(asked.outcome)["runs"]
    assert [row["predicted"] for row in run["forecasts"]] == [False, True]
    assert run["program_score"]["right"] == 2
    rows = [(row["point"], row["expected"], row["seen"]) for row in run["forecasts"]]
    assert rows == [
        ("elevator", {"Ada": True, "Ben": None}, False), ("blower", {"Ada": True, "Ben": None}, True)
    ]  # fmt: skip
    assert json.dumps(run)
    again = judge_again(ArchivedRun.open(asked.outcome.runs[0].folder))
    assert document(again)["runs"][0]["scores"] == run["scores"]


def test_predicted_and_measured_stand_side_by_side_after_a_run(asked: Asked) -> None:
    """What the archived program model says of these cycles and of any past, and what they showed; nothing differs."""
    shown = io.StringIO()
    print_outcome(asked.outcome, Console(file=shown, width=100))
    told = [line.split() for line in shown.getvalue().splitlines()]
    assert ["M1", "elevator", "power,", "on", "before", "stays", "off", "stays", "off", "stays", "off"] in told
    assert ["M2", "blower", "power,", "on", "before", "comes", "back", "comes", "back", "comes", "back"] in told
    assert "nothing was otherwise than predicted" in shown.getvalue()
    (run,) = document(judge_again(ArchivedRun.open(asked.outcome.runs[0].folder)))["runs"]
    rows = [(row["point"], row["predicted"], row["measured"]) for row in run["predicted"]["outputs"]]
    assert rows == [("elevator", {"off": 1}, {"off": 1}), ("blower", {"on": 1}, {"on": 1})]
    assert (run["predicted"]["could_explain"], run["predicted"]["note"]) == ([], "")


def test_predicted_and_measured_stand_in_the_record(asked: Asked) -> None:
    """Among the facts, a line for each output; not in a record that somebody waits for."""
    run = ArchivedRun.open(asked.outcome.runs[0].folder)
    (group,) = [one for one in gather(run).facts if one.title.startswith("Predicted")]
    told = {fact.name: fact.value for fact in group.facts}
    assert (
        told["M1 elevator, power, on before"] == "predicted stays off, measured stays off; after any past it stays off"
    )
    assert told["differences"] == "nothing was otherwise than predicted"
    assert not [one for one in gather(run, explain=False).facts if one.title.startswith("Predicted")]


def test_answers_and_scores_stand_in_the_record_and_on_the_page(asked: Asked) -> None:
    """Ada expected both, so she was right once; Ben knew nothing. The model's score stands
    on the page too, without what takes a search."""
    run = ArchivedRun.open(asked.outcome.runs[0].folder)
    groups = {group.title: {fact.name: fact.value for fact in group.facts} for group in gather(run).facts}
    answers = "expected: Ada on, Ben ?, the program model off; seen: off"
    assert groups["Asked first"]["cycle 1, power, M1 elevator, on before"] == answers
    right = {"Ada": "1 of 2 right", "Ben": "0 of 2 right, 2 times not known", "the program model": "2 of 2 right"}
    assert groups["Asked first: who was right"] == right
    (scores,) = [group for group in gather(run, explain=False).facts if group.title == "Asked first: who was right"]
    assert [fact.name for fact in scores.facts] == ["Ada", "Ben", "the program model"]
    page = " ".join(re.sub(r"<[^>]*>", "", render_page(gather(run))).split())
    told = "Ada 1 of 2 right; Ben 0 of 2 right, 2 times not known; the program model 2 of 2 right"
    assert f"Asked first: who was right: {told}" in page


@pytest.mark.parametrize("missing", [True, False])
def test_what_is_not_known_of_any_past_is_said_in_a_line(
    asked: Asked, missing: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the solver, or out of time: the cycles are compared all the same, and a line says what is missing."""
    if missing:
        monkeypatch.setitem(sys.modules, "pysat.solvers", None)
    found = foretell(asked.outcome.runs[0], patience_s=5.0 if missing else 0.0)
    assert found is not None
    assert [row.ever for row in found.compared.rows] == ["", ""]
    assert ('pip install "restart-bench[predict]"' if missing else "not worked out within 0 s") in found.note


def test_cycles_of_the_run_that_was_gone_on_with_are_compared_too(asked: Asked) -> None:
    """A resumed run is judged over them, so what was predicted of them stands beside them."""
    run = asked.outcome.runs[0]
    whole, resumed = foretell(run), foretell(replace(run, cycles=(), earlier=run.cycles))
    assert whole is not None and resumed is not None
    assert resumed.compared.rows == whole.compared.rows and whole.compared.rows


def test_the_plain_console_tells_what_each_expects(asked: Asked) -> None:
    """Without a live screen each answer is a line."""
    assert "  elevator is on: Ada expects on" in asked.said
    assert "  blower is on: Ben does not know" in asked.said


def test_the_question_takes_yes_no_and_not_known() -> None:
    """Anything else is asked again."""
    given = iter(["maybe", "?", "Y", "no"])

    class Typing(Console):
        def input(self, *_: object, **__: object) -> str:
            return next(given)

    said = io.StringIO()
    console = Typing(file=said)
    assert [guess_on(console, "Well?") for _ in range(3)] == [None, True, False]
    assert "? if you don't know" in said.getvalue()


@pytest.mark.parametrize(("names", "words"), [("Ada", "nobody can answer here"), ("Ada,,Ben", "names with commas")])
def test_nothing_is_cut_where_nobody_can_be_asked(tmp_path: Path, names: str, words: str) -> None:
    """No console, or no names: refused with 2 before anything moves."""
    done = bench("run", LESSON, "--simulated", "--ask-first", names, "--logs", tmp_path / "logs")
    assert done.returncode == 2 and words in done.stderr, told(done)
    assert not (tmp_path / "logs").exists()
