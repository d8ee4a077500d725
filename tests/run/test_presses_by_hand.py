"""A press that a person is asked for has to be seen in the point's own input, or nobody is blamed for what follows."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

from file_suites import spoilt
from restart_bench.model.journal import Answered
from restart_bench.model.outcome import RunOutcome
from restart_bench.model.verdicts import Verdict
from restart_bench.run.session import perform
from safety_rig import SCENARIO, ArmedRig, Seen, armed_rig

BUTTON = "start: {device: independent, coil: 0, writable: true, idle: off"
OTHER = "jog: {device: independent, coil: 1, writable: true, idle: off"
WITHOUT_JOG = spoilt(SCENARIO, "  - hold: jog\n", "")
FIRST_BY_HAND = spoilt(WITHOUT_JOG, "press: start\n    for: 150 ms", "press: start")
BOTH_BY_HAND = spoilt(FIRST_BY_HAND, "press: stop\n    for: 150 ms", "press: start")
CHECKED = spoilt(BOTH_BY_HAND, "{fan: off}", "{lamp: on}")
"""Nobody holds jog, both presses are of start and as long as the person likes, and the last step asks for the lamp."""


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[ArmedRig]:
    """The start button is a person's; its input reads the coil that the person's finger moves in these tests."""
    with armed_rig(tmp_path, scenario=CHECKED) as rig:
        path = rig.folder / "rig.yaml"
        text = path.read_text(encoding="utf-8")
        for button, name in ((BUTTON, "green button"), (OTHER, "white button")):
            assert button in text
            text = text.replace(button, button.replace("writable: true", f"by_hand: {name}"))
        path.write_text(text, encoding="utf-8")
        yield rig


def asked(
    rig: ArmedRig, person: Callable[[int], bool], *, holds: bool = False, lets_go: bool = True, first: int = 0
) -> tuple[RunOutcome, list[str]]:
    """A run in which the person is told the how-manieth question it is, presses if so inclined, and answers yes. Who
    `holds` does not let go before being told, and not even then without `lets_go`.
    `first` is the coil of the button that is pressed when asked the first time."""
    show, questions = Seen(), [0]

    def ask(question: str) -> bool:
        questions[0] += 1
        with ModbusTcpClient("127.0.0.1", port=rig.simulation.ports["independent"]) as client:
            if "Let go of" in question:
                client.write_coil(0, not lets_go, device_id=1)
            elif person(questions[0]):
                button = first if questions[0] == 1 else 0
                client.write_coil(button, True, device_id=1)
                time.sleep(0.25)
                client.write_coil(button, holds, device_id=1)
        return True

    outcome = perform(rig.suite(), rig.options(), show, ask)
    return outcome, [one.question for one in show.records if isinstance(one, Answered)]


def test_a_press_that_was_seen_is_asked_for_once(rig: ArmedRig) -> None:
    """One question before, one in the function check."""
    outcome, questions = asked(rig, lambda _: True)
    assert outcome.verdict is Verdict.PASS, outcome.runs[0].cycles[0].reason
    assert questions == ["Press briefly: green button. Done?"] * 2


def test_a_press_that_was_not_seen_is_asked_for_again(rig: ArmedRig) -> None:
    """The second question says what was missed."""
    outcome, questions = asked(rig, lambda number: number != 1)
    assert outcome.verdict is Verdict.PASS
    assert questions[1] == "start was not seen pressed. Press briefly: green button. Done?"


def test_a_person_who_pressed_another_button_is_told_which(rig: ArmedRig) -> None:
    """Who reads only that it was not seen presses the wrong one again."""
    outcome, questions = asked(rig, lambda _: True, first=1)
    assert outcome.verdict is Verdict.PASS
    assert questions[1] == "start was not seen pressed, but jog was. Press briefly: green button. Done?"


def test_a_button_that_is_only_let_go_of_was_not_pressed(rig: ArmedRig) -> None:
    """It was pressed before anybody asked: what it brought about came then."""
    with ModbusTcpClient("127.0.0.1", port=rig.simulation.ports["independent"]) as client:
        client.write_coil(0, True, device_id=1)

        def lets_go(number: int) -> bool:
            if number == 1:
                client.write_coil(0, False, device_id=1)
            return number > 1

        outcome, questions = asked(rig, lets_go)
    assert outcome.verdict is Verdict.PASS, outcome.runs[0].cycles[0].reason
    assert questions[1] == "start was not seen pressed. Press briefly: green button. Done?"


def test_a_press_that_nobody_saw_is_never_the_controllers_fail(rig: ArmedRig) -> None:
    """In the function check: what it should have brought about is not shown either way."""
    outcome, _ = asked(rig, lambda number: number == 1)
    assert outcome.verdict is Verdict.INCONCLUSIVE
    reasons = [one.reason for one in outcome.runs[0].cycles[0].findings if one.verdict is Verdict.INCONCLUSIVE]
    assert len(reasons) == 2
    assert "start was not seen pressed" in reasons[0]
    assert "a step before it could not be done" in reasons[1]


def test_without_the_press_before_nothing_is_cut(rig: ArmedRig) -> None:
    """The state before was not reached: an error, and the supply is left alone."""
    outcome, _ = asked(rig, lambda _: False)
    assert outcome.verdict is Verdict.ERROR
    assert rig.off_times() == []
    assert "start was not seen pressed" in outcome.runs[0].cycles[0].reason


def test_a_button_that_a_person_keeps_pressed_is_let_go_of_before_the_cut(rig: ArmedRig) -> None:
    """A finger that rests on start through the cut would be judged as the program; the person is told to let go."""
    outcome, questions = asked(rig, lambda _: True, holds=True)
    assert outcome.verdict is Verdict.PASS, outcome.runs[0].cycles[0].reason
    let_go = "start still reads pressed. Let go of: green button. Done?"
    assert questions == ["Press briefly: green button. Done?", let_go] * 2


def test_nothing_is_cut_while_a_button_that_a_person_pressed_still_reads_pressed(rig: ArmedRig) -> None:
    """Who says that it is done while it is not stops the cycle before its cut."""
    outcome, questions = asked(rig, lambda _: True, holds=True, lets_go=False)
    assert outcome.verdict is Verdict.ERROR
    assert rig.off_times() == []
    assert len(questions) == 2
    assert "start still reads pressed" in outcome.runs[0].cycles[0].reason
