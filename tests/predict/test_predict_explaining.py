"""Why, for all outputs of a run within a time: what is said is what `explain` says, and what is missing is named."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from predict_small import SMALL
from restart_bench.predict.engine import predict
from restart_bench.predict.explaining import Explanation, explained
from restart_bench.predict.proving.parts import MODE, REST, SUPPLY, WARM
from restart_bench.predict.why import explain, lines_named

LAMP = SMALL["a lamp before the reset"]
LABELS = {"m": "M1 mill", "lamp": "H1 lamp"}
BOTH = (SUPPLY, MODE)


class Count:
    """Patience for so many questions."""

    def __init__(self, questions: int) -> None:
        self.left = questions

    def over(self) -> bool:
        """True once they were asked."""
        self.left -= 1
        return self.left < 0

    def share(self, of: int) -> Count:
        """One of so many equal parts of what is left."""
        return Count(max(0, self.left) // of)


MANY = 10**9


def told(questions: int) -> Explanation:
    """Why, for both outputs of one small program after both restarts."""
    return explained(LAMP, LABELS, BOTH, Count(questions), "5 s")


WHOLE = told(MANY)
LINES = {(one.point, restart): one.because for one in WHOLE.reasons for restart in one.restarts}


def test_each_output_has_the_line_that_explain_gives() -> None:
    """One line for an output and a restart; where both restarts have the same line it stands once, for both."""
    answers = predict(LAMP, LABELS)
    lines = {
        (answer.point, answer.restart): explain(LAMP, answer, answers, LABELS[answer.point]).because
        for answer in answers
        if answer.inputs == REST and answer.start == WARM
    }
    assert lines == LINES
    assert WHOLE.missing == "" and WHOLE.edition == LAMP.name


def test_the_lines_of_the_file_that_are_named_are_those_of_the_rungs() -> None:
    """Source: the program is three lines long, its reset is the third; a label that reads like a rung is none."""
    (mill,) = {one.lines for one in WHOLE.reasons if one.point == "m" and SUPPLY in one.restarts}
    assert 3 in mill and set(mill) <= {1, 2, 3}
    assert lines_named("conveyor of rung 2, line 9 comes back: only `x` resets it (rung 3, line 3)", LAMP) == (3,)


@examples(15)
@given(st.integers(0, 3000))
def test_a_short_time_leaves_true_beginnings_and_says_so(questions: int) -> None:
    """Wherever the time ends: either nothing was predicted, and that is said; or every output has its line, with what
    it does, and a line that is not the whole one says that not everything was tried out."""
    part = told(questions)
    if not part.reasons:
        assert "within 5 s" in part.missing
        return
    lines = {(one.point, restart): one.because for one in part.reasons for restart in one.restarts}
    assert lines.keys() == LINES.keys() and part.missing == ""
    for key, line in lines.items():
        assert line.split(":")[0] == LINES[key].split(":")[0]
        assert line == LINES[key] or "not everything was tried out" in line


def test_a_time_that_is_up_at_once_works_nothing_out() -> None:
    """No time, no prediction: nobody waits for what was not asked for."""
    assert told(0).reasons == ()
    assert told(0).missing.startswith("not worked out within 5 s")


def test_without_the_solver_the_install_line_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-sat is an extra: without it one line says what to install, and nothing fails."""
    monkeypatch.setitem(sys.modules, "pysat.solvers", None)
    without = told(MANY)
    assert without.reasons == ()
    assert (
        without.missing
        == 'not worked out: needs python-sat, which is not installed; pip install "restart-bench[predict]"'
    )
