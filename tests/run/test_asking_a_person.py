"""A person who switches, presses or turns: a no means "not yet", and whoever goes on saying no, or breaks the question
off, is told what is left to do by hand."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from evidence import dryer
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.journal import Answered, Record, Switching
from restart_bench.model.rig import Mode, Point, RigSupply, Wanted
from restart_bench.observer.handle import Blind
from restart_bench.run import cycle
from restart_bench.run.actuators import Actuators, CommandRefused, SupplyLeft
from restart_bench.run.cycle import CycleAct, Turn
from restart_bench.run.supervision import StopRequest
from restart_bench_drivers.by_hand import ByHand

BUTTON = Point("start", "controller", "discrete_input", 5, idle=False, by_hand="green button")
BY_HAND = replace(
    dryer(),
    points={**dryer().points, "start": BUTTON},
    supply=RigSupply("by-hand", {"switch": "main switch Q1"}),
    mode=Mode("by-hand", proof=(("running", Wanted(equals=False)),), switch="key switch S9"),
    path="desk/rig.yaml",
)


class Desk:
    """Actuators on a rig that nobody reads, and a person who answers from a list (an exception is raised), and no
    once that is over."""

    def __init__(self, *answers: bool | BaseException) -> None:
        self.questions: list[str] = []
        self.records: list[Record] = []
        self.said: list[str] = []
        left = list(answers)

        def ask(question: str) -> bool:
            self.questions.append(question)
            answer = left.pop(0) if left else False
            if isinstance(answer, BaseException):
                raise answer
            return answer

        self.observer: Any = Blind("nobody looks")
        self.actuators = Actuators(
            BY_HAND, self.observer, ByHand(switch="main switch Q1", ask=ask), allowed=frozenset(),
            publish=self.records.append, ask=ask, stop=StopRequest(), heed_limits=False,
        )  # fmt: skip

    def leave(self, wish: str = "on") -> SupplyLeft:
        """The way out of the supply."""
        return self.actuators.leave_supply(wish, "rest", self.said.append)


def test_who_said_no_three_times_is_asked_once_more_on_the_way_out_and_no_more() -> None:
    """Then comes one word, of a person and no relay; leaving again asks and says nothing."""
    desk = Desk()
    with pytest.raises(CommandRefused, match="asked three times, it was not ON"):
        desk.actuators.switch("on", "prepare")
    left = desk.leave()
    assert left.trouble and desk.leave() == left
    assert len(desk.questions) == 4 and desk.questions[3].startswith("Still not ON; this is asked for the last time")
    (told,) = desk.said
    assert told.startswith(
        "THE SUPPLY MAY NOT BE ON: go to main switch Q1 and switch it ON; then `restart-bench park desk"
    )
    assert "asked once more" in told and "relay" not in told


def test_the_way_out_goes_on_to_the_question_after_ctrl_c_but_not_for_ever() -> None:
    """A question that is broken off is put once more; broken off again, the person is told what is left to do."""
    desk = Desk(KeyboardInterrupt(), True)
    assert str(desk.leave()) == "on, by the answer of a person" and len(desk.questions) == 2 and not desk.said
    desk = Desk(KeyboardInterrupt(), KeyboardInterrupt(), True)
    assert desk.leave().trouble
    assert desk.leave().trouble and len(desk.questions) == 2
    assert "the question was broken off" in desk.said[0]


def test_whoever_stops_breaks_off_the_question_that_is_open_and_no_other() -> None:
    """Signals count before and after it; within it the first one ends it, wherever in it that comes."""
    stop = StopRequest()

    def stopped(_question: str) -> bool:
        with pytest.raises(KeyboardInterrupt):
            stop.now("a person (Ctrl-C)")
        stop.now("a person (Ctrl-C)")  # on its way out of the question already
        raise KeyboardInterrupt

    stop.now("a person (Ctrl-C)")
    with pytest.raises(KeyboardInterrupt):
        stop.asks(stopped, "Is it ON?")
    stop.now("a person (Ctrl-C)")
    assert stop.count == 4


def test_a_command_to_a_person_that_is_broken_off_is_recorded() -> None:
    """The switch may have been turned: what was asked, and when, is kept whatever ended the question."""
    desk = Desk(KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        desk.actuators.switch("off", "cut")
    (record,) = desk.records
    assert isinstance(record, Switching) and record.problem and desk.actuators.state.commanded == "unknown"


def test_a_late_yes_brings_the_supply_where_it_belongs() -> None:
    """The last question of the way out counts like the first."""
    desk = Desk(False, False, False, True)
    with pytest.raises(CommandRefused):
        desk.actuators.switch("on", "prepare")
    assert str(desk.leave()) == "on, by the answer of a person" and not desk.said


class Wire(Blind):
    """An observer that tells when the controller answered last, as of now: some seconds ago, or None for never."""

    def __init__(self, answered_s_ago: float | None) -> None:
        super().__init__("")  # it has not failed
        self._ago = answered_s_ago

    def last_good_ns(self, _device: str) -> int | None:
        return None if self._ago is None else now_ns() - int(self._ago * NS_PER_S)


@pytest.mark.parametrize(("wish", "answered_s_ago", "left"), [
    ("on", 0.0, "on"),
    ("on", 30.0, "on, by the answer of a person; controller does not answer"),
    ("on", None, "on, by the answer of a person; controller does not answer"),
    ("off", 30.0, "off"),
    ("off", 0.0, "off, by the answer of a person; controller still answers"),
])  # fmt: skip
def test_how_a_supply_was_left_by_a_persons_word_is_held_against_the_wire(
    monkeypatch: pytest.MonkeyPatch, wish: str, answered_s_ago: float | None, left: str
) -> None:
    """People leave the room by this sentence. A silent controller proves nothing, so the run is closed all the same."""
    monkeypatch.setattr("restart_bench.run.actuators._WORD_WITHIN_NS", NS_PER_S // 20)
    desk = Desk(True)
    desk.actuators._observer = Wire(answered_s_ago)
    assert desk.leave(wish) == SupplyLeft(left)
    assert (
        desk.leave(wish) == SupplyLeft(left) and len(desk.questions) == 1
    )  # asked again by the end of the run, not by the bench


def test_a_press_that_nobody_can_see_is_not_blamed_on_a_finger() -> None:
    """Where the device that reads the button is silent, the question asked again names it and not the person."""
    desk = Desk()
    for answered_s_ago, told in ((0.0, "start was not seen pressed. "), (30.0, "controller does not answer at ")):
        desk.actuators._observer = Wire(answered_s_ago)
        desk.questions.clear()
        desk.actuators.press_by_hand(BUTTON, ())
        assert desk.questions[0].startswith(told)


def pressed(desk: Desk) -> bool:
    return desk.actuators.press_by_hand(BUTTON).answer


def turned(desk: Desk) -> bool:
    try:
        desk.actuators.switch_mode_by_hand("run")
    except CommandRefused as refused:
        assert "asked three times, the mode switch was not turned" in str(refused)
        return False
    return True


@pytest.mark.parametrize("asks", [pressed, turned])
def test_a_no_to_any_request_means_not_yet(asks: Callable[[Desk], bool]) -> None:
    """It is asked again, twice at most, and each answer is kept."""
    desk = Desk(False, False, True)
    assert asks(desk)
    assert desk.questions[1] == f"Not yet. {desk.questions[0]}"
    assert desk.questions[2] == f"Not yet; after a third no it is not asked again. {desk.questions[0]}"
    assert [one.answer for one in desk.records if isinstance(one, Answered)] == [False, False, True]
    desk = Desk()
    assert not asks(desk) and len(desk.questions) == 3


def test_the_span_of_a_press_begins_with_its_first_question() -> None:
    """Who pressed and said no by mistake has pressed all the same."""
    desk = Desk(False, True)
    answered = desk.actuators.press_by_hand(BUTTON)
    first = next(one for one in desk.records if isinstance(one, Answered))
    assert answered.answer and answered.asked_ns == first.asked_ns


@pytest.mark.parametrize("running", [None, False, True])
def test_a_mode_switch_that_was_never_turned_is_not_asked_to_be_turned_back(running: bool | None) -> None:
    """Who is told to put a running controller back into run mode turns the switch the wrong way."""
    desk = Desk(False, False, False)
    reading = None if running is None else SimpleNamespace(value=running, received_ns=now_ns())
    desk.observer.latest = lambda _: reading
    with pytest.raises(CommandRefused) as refused:
        desk.actuators.switch_mode_by_hand("run")
    assert ("leave the switch in RUN" in str(refused.value)) is bool(running)
    assert ("put the controller back into run mode" in str(refused.value)) is not running


@pytest.mark.parametrize(("to", "answers"), [("stop", [True]), ("run", [False] * 3), ("stop", [KeyboardInterrupt()])])
def test_a_mode_switch_that_was_not_turned_back_is_told_at_the_end(to: str, answers: list[Any]) -> None:
    """Once, and not where the controller shows that it runs."""
    for running, told in ((None, 1), (False, 1), (True, 0)):
        desk = Desk(*answers)
        with suppress(CommandRefused, KeyboardInterrupt):
            desk.actuators.switch_mode_by_hand(to)
        reading = None if running is None else SimpleNamespace(value=running, received_ns=now_ns())
        desk.observer.latest = lambda _, now=reading: now
        for _ in range(2):
            desk.actuators.tell_of_the_mode(desk.said.append)
        assert len(desk.said) == told and all("turn it to RUN" in one for one in desk.said)


def test_the_mode_switch_is_asked_for_by_its_label() -> None:
    """Both ways, and where it was not turned back; who has several switches before him reads which."""
    desk = Desk(True, False, False, False)
    desk.actuators.switch_mode_by_hand("stop")
    with pytest.raises(CommandRefused, match="put the controller back into run mode \\(key switch S9\\)"):
        desk.actuators.switch_mode_by_hand("run")
    desk.actuators.tell_of_the_mode(desk.said.append)
    assert desk.questions[0] == "Take the controller out of run mode (key switch S9). Done?"
    assert "turn it to RUN at the rig (key switch S9)" in desk.said[0]


def test_a_mode_switch_that_was_turned_back_is_not_told() -> None:
    """Out of run mode and back, both with a yes."""
    desk = Desk(True, True)
    desk.actuators.switch_mode_by_hand("stop")
    desk.actuators.switch_mode_by_hand("run")
    desk.actuators.tell_of_the_mode(desk.said.append)
    assert desk.said == []


@pytest.mark.parametrize(
    ("good_ns_ago", "waited_s", "doing"),
    [
        (10**6, 5, "running reads off: is the mode switch at RUN?"),
        (5 * 10**9, 5, "no answer from controller at 192.0.2.10:502"),
        (10**6, 1, "preparing"),
    ],
)
def test_what_a_run_waits_for_is_told_while_it_waits(good_ns_ago: int, waited_s: int, doing: str) -> None:
    """Not at its end alone: a mode switch left elsewhere, or a port where nobody answers, after a few seconds."""
    rig = replace(BY_HAND, ready=replace(BY_HAND.ready, when=(("running", Wanted(equals=True)),)))
    context: Any = SimpleNamespace(
        rig=rig,
        situation=SimpleNamespace(doing="preparing"),
        met_now=lambda *_: False,
        reading=lambda _: "off",
        observer=SimpleNamespace(last_good_ns=lambda _: now_ns() - good_ns_ago),
    )
    story: Any = SimpleNamespace(name="", before=())
    case: Any = SimpleNamespace(name="", at=SimpleNamespace(is_random=False, low_ns=0, high_ns=0))
    act = CycleAct(context, Turn(story, case, 1, 1), seed=1, rehearse=False)
    act._tell_what_is_missing(now_ns() - waited_s * 10**9)
    assert context.situation.doing == doing
    assert cycle._WONDERS_AFTER_NS <= 5 * 10**9


@pytest.mark.parametrize(
    ("answer", "held"),
    [(True, ()), (False, ("start",)), (KeyboardInterrupt(), ("start",))],
    ids=["yes", "no", "Ctrl-C"],
)
def test_where_the_input_of_a_held_button_is_dark_the_way_out_takes_the_persons_word(
    answer: bool | BaseException, held: tuple[str, ...]
) -> None:
    """Asked once, in the off time, of a button that only the dark controller reads."""
    desk = Desk(answer)
    desk.actuators.undo({"start": False})
    assert desk.actuators.all_to_idle(desk.said.append) == held
    assert desk.questions == ["Let go of: green button. Done?"] and desk.said[0] == "LET GO OF: green button"


def test_a_supply_that_must_not_wait_waits_for_no_answer() -> None:
    """Where a guard was lost nobody is asked before the supply is at rest."""
    desk = Desk(True)
    desk.actuators.undo({"start": False})
    assert desk.actuators.all_to_idle(desk.said.append, at_once=True) == ("start",) and not desk.questions
