"""Every kind of step, asked everywhere where kinds differ: no place may leave one out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any, cast, get_args

import pytest

from evidence import MS, ON, T0, S, Story, dryer, expects, scenario
from file_suites import SCENARIO, load, scenario_faults, spoilt, the_scenario
from restart_bench.model.journal import StepDone
from restart_bench.model.scenario import Action, Step
from restart_bench.model.step_kinds import STEP_KINDS, facts_of, starts_of
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record.pieces import drawn_lanes
from restart_bench.run.arming import points_named
from restart_bench.run.context import CycleContext
from restart_bench.run.steps import DOING, Steps
from restart_bench.suite.plan import Span, plan_scenario
from restart_bench.suite.scenario_schema import StepIn
from restart_bench.suite.steps_reader import READERS

BEFORE = "  - press: start\n"
STEPS = f"{BEFORE}  - expect: {{burner: on}}\n"
AFTER = "after:\n  expect:\n    burner: off\n"


@dataclass(frozen=True)
class Expected:
    """What is so of a kind, as the README has it: written down here a second time, by hand. `done` is what a run asks
    of its actuators."""

    written: str
    text: str
    lasts: Span
    done: tuple[object, ...]
    moves: str = ""
    command: bool = False
    starts: bool = False
    demands: bool = False


EXPECTED = {
    "press": Expected(
        "press: start, for: 70 ms", "press start for 70 ms", Span(70 * MS, 70 * MS),
        (("leave_idle", "start", "press"), "wait", ("back_to_idle", "start")), moves="start", command=True, starts=True,
    ),
    "hold": Expected(
        "hold: start", "hold start", Span(), (("leave_idle", "start", "hold"),),
        moves="start", command=True, starts=True,
    ),
    "release": Expected("release: start", "release start", Span(), (("back_to_idle", "start"),), moves="start"),
    "write": Expected(
        "write: {setpoint: 14.5}", "write setpoint = 14.5", Span(), (("write", "setpoint", 14.5, "write"),),
        moves="setpoint", command=True,
    ),
    "expect": Expected(
        "expect: {fan: on}, within: 3 s, steady: 1 s", "expect fan on within 3 s, steady for 1 s", Span(S, 4 * S),
        ("wait",), demands=True,
    ),
    "wait": Expected("wait: 2 s", "wait 2 s", Span(2 * S, 2 * S), ("wait",)),
    "ask": Expected("ask: Look.", "ask: Look.", Span(0, None), (("ask_for", "Look."),), command=True),
    "by_eye": Expected(
        "by_eye: {lamp: on}", "by eye: lamp on", Span(0, None), (("ask", "Look: is lamp on?", "lamp"),), demands=True
    ),
}  # fmt: skip
each_kind = pytest.mark.parametrize("verb", EXPECTED)


def read(verb: str) -> Step:
    """The step that a file of this kind is read into; what is released has to be held before."""
    first = "  - hold: start\n" if verb == "release" else ""
    return the_scenario(STEPS, f"{first}  - {{{EXPECTED[verb].written}}}\n").before[-1]


def test_every_kind_is_asked_for_here() -> None:
    """Facts, readers, actuators and this file know the same kinds."""
    actions = {type(read(verb).action) for verb in EXPECTED}
    assert set(EXPECTED) == set(STEP_KINDS) == set(READERS)
    assert actions == set(DOING) == {facts.action for facts in STEP_KINDS.values()}


def test_the_files_model_and_the_actions_are_those_of_the_kinds() -> None:
    """What a file may hold for a step, and what becomes of it, are written out as unions: none is forgotten there."""
    written = get_args(get_args(StepIn)[0])
    assert {tag.tag for one in written for tag in get_args(one)[1:]} == {f"<{verb}>" for verb in STEP_KINDS}
    assert {verb for one in written for verb in get_args(one)[0].model_fields if verb in STEP_KINDS} == set(STEP_KINDS)
    assert set(get_args(Action)) == {facts.action for facts in STEP_KINDS.values()}


class Nod:
    """A step that there is not."""


@pytest.mark.parametrize("ask", [facts_of, lambda action: the_steps([])._act(action)])
def test_a_kind_that_there_is_not_is_refused(ask: Any) -> None:
    """It must not count as done."""
    with pytest.raises(KeyError, match="Nod"):
        ask(cast(Action, Nod()))


@each_kind
def test_it_is_read_and_shown_in_its_own_words(verb: str) -> None:
    """A file says it, the journal shows it."""
    step = read(verb)
    assert (type(step.action), step.text) == (STEP_KINDS[verb].action, EXPECTED[verb].text)


@each_kind
def test_the_plan_counts_how_long_it_may_take(verb: str) -> None:
    """The shortest and the longest; a person takes as long as they like."""
    rig, without = load().rig, replace(the_scenario(), before=())
    plain, longer = (
        plan_scenario(rig, one).cases[0].each for one in (without, replace(without, before=(read(verb),)))
    )  # fmt: skip
    assert longer == plain + EXPECTED[verb].lasts


@each_kind
def test_what_it_moves_may_be_written_and_is_drawn(verb: str) -> None:
    """The allow-list and the record's lanes of commands hold the points of its steps, and no others."""
    told = replace(the_scenario(), before=(read(verb),))
    named = {EXPECTED[verb].moves} - {""}
    assert points_named(load().rig, told.before) == named
    lanes = drawn_lanes(load().rig, told)
    assert {lane.point for lane in lanes if lane.role == "command"} == named


@each_kind
def test_a_start_is_counted_against_the_points_limits(verb: str) -> None:
    """Leaving idle starts what the point starts; letting go does not."""
    steps = (read(verb), read("wait"), read(verb))
    assert starts_of("start", steps) == (2 if EXPECTED[verb].starts else 0)
    assert starts_of("setpoint", steps) == 0


@each_kind
def test_until_command_ends_with_a_command_alone(verb: str) -> None:
    """What comes on after a command may have been told to; waiting, looking and letting go tell nothing."""
    step = replace(read(verb), phase="function check")
    one = expects("burner", "never", ON, until="command", longer_than_ns=20 * MS)
    story = Story(scenario=scenario(one, function_check=(step,)), end_ns=7 * S)
    story = story.pulse("burner_terminal", 5_500 * MS, 100 * MS)
    story.steps.append(StepDone(1, "function check", 0, step.text, True, T0 + 5_400 * MS, T0 + 5_450 * MS))
    assert (story.finding("burner", one.text).verdict is Verdict.PASS) is EXPECTED[verb].command


@each_kind
def test_a_function_check_alone_has_to_demand_something(verb: str) -> None:
    """A scenario that only acts shows nothing."""
    first = "  - hold: start\n" if verb == "release" else ""
    checks = f"function_check:\n{first}  - {{{EXPECTED[verb].written}}}\n"
    faults = scenario_faults(AFTER, checks)
    assert any("nothing is expected" in fault for fault in faults) is not EXPECTED[verb].demands


@each_kind
def test_it_is_done_as_it_says(verb: str) -> None:
    """Each kind asks of the actuators what its word means."""
    done: list[object] = []
    assert the_steps(done)._act(read(verb).action) == (True, "")
    assert tuple(done) == EXPECTED[verb].done


def the_steps(done: list[object]) -> Steps:
    """Steps whose actuators note what is asked of them; whatever is waited for comes, and people say yes."""

    def noting(name: str) -> Any:
        def note(*told: object) -> Any:
            done.append((name, *told))
            return SimpleNamespace(answer=True)

        return note

    context = SimpleNamespace(
        rig=load().rig,
        actuators=SimpleNamespace(
            **{name: noting(name) for name in ("leave_idle", "back_to_idle", "write", "ask", "ask_for")}
        ),
        supervisor=SimpleNamespace(wait_until=lambda *_: done.append("wait") or True),
        situation=SimpleNamespace(phase_ends_ns=0),
        counted_from=lambda: 0,
    )
    return Steps(cast(CycleContext, cast(Any, context)))


def test_the_files_of_these_tests_hold_the_steps_that_are_replaced() -> None:
    """What is replaced has to be there, or nothing would be tested."""
    assert spoilt(SCENARIO, STEPS, "") and spoilt(SCENARIO, AFTER, "") and dryer().points["burner"]
