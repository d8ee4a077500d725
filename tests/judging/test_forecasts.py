"""What people expected before a cut stands beside what was seen; nobody is right or wrong where nothing was shown."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from evidence import dryer
from restart_bench.judging.inquiry.forecasts import forecast_rows, question_of, scores
from restart_bench.model.clock import Bounds
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import CycleJudged, Forecast, Mark, OutputSeen
from restart_bench.model.verdicts import Verdict

RIG = dryer()


def cycle(number: int, burner: bool | None, verdict: Verdict = Verdict.PASS) -> CycleJudged:
    """A judged cycle at whose end the burner was so."""
    outputs = (OutputSeen("burner", "burner_terminal", before=True, at_end=burner),)
    return CycleJudged(number, "burner", "", verdict, "", (Mark("restored", Bounds(1, 2)),), (), outputs=outputs)


def expects(number: int, learner: str, answer: bool | None) -> Forecast:
    return Forecast(number, learner, "burner", True, answer, 1, 2)


def test_the_question_says_what_is_and_what_happens_now() -> None:
    """Who is asked, which output, how it is, what goes, and what is to be foretold."""
    point = replace(RIG.points["burner"], label="Y1 burner valve")
    asked = question_of(point, now_on=True, how="supply", learner="Ada")
    assert asked == "Ada: Y1 burner valve is ON. Power goes now and returns: will it come back?"
    asked = question_of(point, now_on=False, how="mode", learner="Ben")
    assert asked == "Ben: Y1 burner valve is OFF. Run mode is left now and returns: will it come on?"


answers = st.sampled_from([True, False, None])


@given(st.lists(st.tuples(answers, answers, st.sampled_from([Verdict.PASS, Verdict.FAIL, Verdict.ERROR]))))
def test_every_answer_is_right_wrong_unsure_or_open(cycles: list[tuple[bool | None, bool | None, Verdict]]) -> None:
    """What was not read, or not valid, is open; of the rest each answer counts once."""
    judged = [cycle(number, seen, verdict) for number, (_, seen, verdict) in enumerate(cycles, 1)]
    asked = [expects(number, "Ada", answer) for number, (answer, _, _) in enumerate(cycles, 1)]
    found = scores(forecast_rows(RIG, asked, judged))
    shown = [(answer, seen) for answer, seen, verdict in cycles if verdict is not Verdict.ERROR and seen is not None]
    if not cycles:
        assert found == ()
        return
    (score,) = found
    assert score.right == sum(1 for pair in shown if pair in ((True, True), (False, False)))
    assert score.wrong == sum(1 for pair in shown if pair in ((True, False), (False, True)))
    assert score.unsure == sum(1 for answer, _ in shown if answer is None)
    assert score.open == len(cycles) - len(shown)


def test_learners_stand_side_by_side_and_so_does_the_program() -> None:
    """One row for an output and a cut, with a place for what the program model says."""
    asked = [expects(1, "Ada", True), expects(1, "Ben", False)]
    (row,) = forecast_rows(RIG, asked, [cycle(1, False)], lambda judged, name: judged.cycle == 1 and name == "fan")
    assert (row.expected, row.predicted, row.seen) == ({"Ada": True, "Ben": False}, False, False)
    assert [(one.learner, one.right, one.wrong) for one in scores([row])] == [("Ada", 0, 1), ("Ben", 1, 0)]


def test_a_forecast_comes_back_from_its_line_in_the_journal() -> None:
    """Also one whose answer is that nobody knows."""
    for answer in (True, False, None):
        assert from_line(to_line(expects(3, "Ada", answer))) == expects(3, "Ada", answer)
