"""Predicted against measured: a difference is named with its cycles, and what could explain it is listed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from predict_rigs import MS, rig_for, scenario_of
from predict_small import SMALL
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, Mark, OutputSeen
from restart_bench.model.program import InjectedFault, Program
from restart_bench.model.scenario import Case, Press
from restart_bench.model.verdicts import Verdict
from restart_bench.predict.engine import predict
from restart_bench.predict.measured import Compared, Prediction, was_on_for_a_while
from restart_bench.predict.proving.parts import REST, SUPPLY, WARM
from restart_bench.report.foretold import Foretold, cut_text, foretold_facts, outcome_text

BACK, SHUT = SMALL["set and reset"], SMALL["reset on the first scan"]
RESTORED = (Mark("restored", Bounds(1, 2)),)


def cycle(number: int, seen: OutputSeen, verdict: Verdict = Verdict.PASS, **more: object) -> CycleJudged:
    """A judged cycle in which the one output did so."""
    told = CycleJudged(number, "played", "", verdict, "", RESTORED, (), outputs=(seen,))
    return replace(told, **more)  # type: ignore[arg-type]


def restart_seen(restarted: bool | None) -> tuple[Finding, ...]:
    """What the judge says of the restart itself, as `judge_restart` does."""
    told = ("played", "", 1, "", "restart: either", Verdict.PASS, "", {"restarted": restarted})
    return (Finding(*told, kind=FindingKind.RESTART),)


def m(
    at_end: bool, *, before: bool = True, at_return: bool | None = None, changes: int = 0, **more: object
) -> OutputSeen:
    """What `m` did."""
    first = at_end if at_return is None else at_return
    told = OutputSeen("m", "m_terminal", before=before, at_loss=False, at_return=first, at_end=at_end, changes=changes)
    return replace(told, **more)  # type: ignore[arg-type]


def compared(
    program: Program, *cycles: CycleJudged, proved: bool = False, simulated: bool = False, output: str = "m"
) -> Compared:
    """Start is pressed, the supply goes, and these cycles were measured."""
    scenario = scenario_of(Press("start", 200 * MS))
    prediction = Prediction(rig_for(program, [output]), program, [scenario])
    answers = predict(program, [output], restarts=[(SUPPLY, WARM)], environments=[REST]) if proved else ()
    return prediction.compared(cycles, answers, simulated=simulated)


def test_what_comes_out_as_predicted_differs_in_nothing() -> None:
    """Both stand in one row, with what the program does after any past."""
    found = compared(BACK, cycle(1, m(True)), cycle(2, m(True)), proved=True)
    (row,) = found.rows
    assert (row.predicted, row.measured, row.ever) == ({"on": 2}, {"on": 2}, "comes back")
    assert not found.differs and found.could_explain == ()


@examples(15)
@given(st.lists(st.booleans(), min_size=1, max_size=6))
def test_a_difference_is_named_with_exactly_the_cycles_that_show_it(ends: list[bool]) -> None:
    """The first scan shuts it, so every cycle that ends on differs, and no other."""
    found = compared(SHUT, *(cycle(number, m(on)) for number, on in enumerate(ends, 1)))
    (row,) = found.rows
    wrong = tuple(number for number, on in enumerate(ends, 1) if on)
    assert [one.cycles for one in row.differences] == ([wrong] if wrong else [])
    assert row.measured == {word: ends.count(word == "on") for word in ("on", "off") if ends.count(word == "on")}


def test_what_could_explain_a_difference_is_listed() -> None:
    """On a real rig another edition; in a simulation the fault that was ordered, and no edition."""
    real = " ".join(compared(SHUT, cycle(1, m(True))).could_explain)
    assert "another edition" in real and "terminal" in real and "between two rungs" in real and "fault" not in real
    ordered = replace(SHUT, faults=(InjectedFault("late-start"),))
    assert "late-start" not in " ".join(compared(ordered, cycle(1, m(True))).could_explain)
    played = " ".join(compared(ordered, cycle(1, m(True)), simulated=True).could_explain)
    assert "late-start" in played and "edition" not in played


def test_a_terminal_that_differs_from_the_image_is_quoted() -> None:
    """What the judge has already found of the channel stands in place of a guess about it."""
    found = compared(SHUT, cycle(1, m(True, disagrees="M1: the controller says off, its terminal was on for 2 s")))
    assert any("the controller says off" in text for text in found.could_explain)


def test_a_proof_rules_out_another_past() -> None:
    """Shut on the first scan whatever was before: no place of the cut does it. Set and reset: another past would."""
    shut = compared(SHUT, cycle(1, m(True)), proved=True)
    assert any(text.startswith("ruled out") for text in shut.could_explain)
    back = compared(BACK, cycle(1, m(False)), proved=True)
    assert any("can do that too" in text for text in back.could_explain)
    assert not any(text.startswith("ruled out") for text in back.could_explain)


def test_a_pulse_that_no_play_has_is_a_difference() -> None:
    """Off at the end as predicted, but on for a while before."""
    pulsed = m(False, at_return=True, changes=1)
    found = compared(SHUT, cycle(3, pulsed), proved=True)
    (row,) = found.rows
    assert [(one.cycles, "pulse" in one.text) for one in row.differences] == [((3,), True)]
    assert any(text.startswith("ruled out") for text in found.could_explain)
    lamp = replace(pulsed, point="lamp")
    assert not compared(SMALL["a lamp before the reset"], cycle(3, lamp), output="lamp").differs


def test_what_was_on_and_what_was_off_before_the_cut_stand_apart() -> None:
    """Nothing is pressed: where it was on before the cut it comes back, where it was off it stays off; a row for each,
    because one of both would read as "sometimes"."""
    pair, idle = [scenario_of(Press("start", 200 * MS), name="first"), scenario_of()], BACK
    prediction = Prediction(rig_for(idle, ["m"]), idle, pair)
    judged = [cycle(1, m(False, before=False)), cycle(2, m(True)), cycle(3, m(False))]
    was_on, was_off = prediction.compared(judged, simulated=True).rows
    assert (was_on.before, was_on.predicted, was_off.before, was_off.predicted) == ("on", {"on": 2}, "off", {"off": 1})
    assert [one.cycles for one in was_on.differences] == [(3,)] and was_off.differences == ()
    assert [cut_text(row) for row in (was_on, was_off)] == ["power, on before", "power, off before"]
    on, off = (outcome_text(row.predicted, row.before) for row in (was_on, was_off))
    assert (on, off) == ("comes back", "stays off")  # the words of `predict`, which says what it may do at all
    proved = predict(BACK, ["m"], restarts=[(SUPPLY, WARM)], environments=[REST])
    whole = Foretold(prediction, prediction.compared(judged, proved, simulated=True))
    told = dict(foretold_facts(whole))
    assert [one.rpartition("after any past it ")[2] for one in list(told.values())[:2]] == ["comes back", "may come on"]


def test_a_state_before_the_cut_that_the_model_has_not_is_told_alone() -> None:
    """What follows from another state is another question: only the state before is named."""
    (row,) = compared(BACK, cycle(1, m(False, before=False))).rows
    assert [(one.text.startswith("before the cut"), one.of_restart) for one in row.differences] == [(True, False)]


def test_what_was_otherwise_before_the_cut_is_not_measured_to_restart_otherwise() -> None:
    """Why the program restarts as it does stays true of an output that was off when it was to be on."""
    prediction = Prediction(rig_for(BACK, ["m"]), BACK, [])
    for seen, otherwise in ((m(False, before=False), ()), (m(False), ("m",))):
        assert Foretold(prediction, compared(BACK, cycle(1, seen))).otherwise == otherwise


@pytest.mark.parametrize("more", [{"verdict": Verdict.ERROR}, {"marks": ()}, {"findings": restart_seen(False)}])
def test_a_cycle_that_shows_no_restart_is_left_out(more: dict[str, object]) -> None:
    """Not valid, nothing restored, ridden through: nothing to compare."""
    assert compared(SHUT, replace(cycle(1, m(True)), **more)).rows == ()  # type: ignore[arg-type]


def test_cycles_that_rode_through_are_named_where_they_are_not_compared() -> None:
    """Nobody takes what one restart did for all cycles of a search."""
    cut = scenario_of(Press("start", 200 * MS), cases=(Case("", 40 * MS),))
    told = [cycle(number, m(True), findings=restart_seen(number == 2)) for number in (1, 2, 3)]
    prediction = Prediction(rig_for(BACK, ["m"]), BACK, [cut])
    found = prediction.compared(told, simulated=False)
    assert found.left_out == {"rode through": (1, 3)} and len(found.rows) == 1
    said = dict(foretold_facts(Foretold(prediction, found)))["differences"]
    assert "2 cycles (1, 3) not compared: rode through" in said


@pytest.mark.parametrize(("restarted", "rows"), [(True, 1), (None, 0), (False, 0)])
def test_a_dip_counts_once_it_is_known_to_have_restarted(restarted: bool | None, rows: int) -> None:
    """A loss that may be ridden through says something of a restart only where one was shown."""
    dip = scenario_of(Press("start", 200 * MS), cases=(Case("", 40 * MS),))
    judged = cycle(1, m(True), findings=restart_seen(restarted))
    found = Prediction(rig_for(BACK, ["m"]), BACK, [dip]).compared([judged], simulated=False)
    assert len(found.rows) == rows and not found.differs


def test_what_stays_on_through_the_dark_is_no_pulse() -> None:
    """A terminal that was on at the end of the dark fell late, it did not come on."""
    assert not was_on_for_a_while(m(False, at_return=True, changes=1, at_loss=True))
    assert was_on_for_a_while(m(True, at_return=True, changes=2))
    assert not was_on_for_a_while(m(True, at_return=False, changes=1))
    assert not was_on_for_a_while(m(False))


def test_the_model_says_nothing_where_it_depends() -> None:
    """Of an output that no rung drives, of a scenario that was not played, nothing is foretold."""
    prediction = Prediction(rig_for(BACK, ["m"]), BACK, [scenario_of(Press("start", 200 * MS))])
    judged = cycle(1, m(True))
    assert prediction.ends(judged, "m") is True
    assert prediction.ends(judged, "lamp") is None
    assert prediction.ends(replace(judged, scenario="another"), "m") is None
