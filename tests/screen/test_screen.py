"""The live screen: what stands on it, that it fits, that colour is not needed, and that it never gets in the way."""

from __future__ import annotations

import io
import os
import re
import sys
import threading
import time
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from builders import MS, S, dryer_rig
from live_values import (
    burner_finding,
    burner_scenario,
    cycle_started,
    judged_cycle,
    run_started,
    state,
)
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import Finding, Mark, RunEnded, ScenarioJudged, Switching, Trouble
from restart_bench.model.live import Left, LiveState, Moved
from restart_bench.model.rig import BY_HAND_DRIVER
from restart_bench.model.verdicts import GLOSS, Verdict
from restart_bench.screen.block_letters import block_letters
from restart_bench.screen.console import NOT_TAKEN, guessing_at, person_at
from restart_bench.screen.frame import banner, frame, progress_line
from restart_bench.screen.plain import PlainShow
from restart_bench.screen.screen import LiveScreen, Picture
from restart_bench.screen.screen_state import Gathered, lanes_of
from restart_bench.screen.strips import ASCII, CELLS_NS, UNICODE, History, axis, cell_for
from restart_bench.screen.tiles import tiles

ON = dict.fromkeys(("auger", "burner", "fan", "auger_terminal", "burner_terminal", "fan_terminal"), True)
OFF = dict.fromkeys(ON, False)
DARK = {**OFF, "auger": None, "burner": None, "fan": None}


def gathered(*states: LiveState, simulated: bool = True) -> Gathered:
    rig = dryer_rig()
    made = Gathered(rig, (burner_scenario(rig),), simulated)
    made.record(run_started(rig))
    made.record(cycle_started())
    for one in states:
        made.live(one)
    return made


def shown(made: Gathered, width: int = 80, height: int = 24) -> list[str]:
    return [line.plain for line in frame(made, width, height, UNICODE)]


def power_off(at_ns: int = 2 * S) -> LiveState:
    return state(at_ns, DARK, supply="off", powered=False, answering=False, running=False, phase="power is off")


# ---------------------------------------------------------------- the picture


@pytest.mark.parametrize("width", [80, 140])
def test_power_is_off_stands_in_block_letters(width: int) -> None:
    """While the supply is off the screen says so in letters five rows high, from one window width to another."""
    lines = shown(gathered(power_off()), width, 24)
    letters = block_letters("POWER IS OFF", across=1 if width == 80 else 2)
    assert all(any(row.strip() in line for line in lines) for row in letters)


def test_in_a_tall_window_the_letters_are_twice_as_large() -> None:
    """Where there is room below, POWER and IS OFF stand one above the other, in dots twice as wide."""
    lines = shown(gathered(power_off()), 80, 40)
    for word in ("POWER", "IS OFF"):
        assert all(any(row.strip() in line for line in lines) for row in block_letters(word, across=2))


def of_mode(*states: LiveState) -> Gathered:
    rig = dryer_rig()
    made = Gathered(rig, (burner_scenario(rig, how="mode"),), simulated=True)
    for one in states:
        made.live(one)
    return made


@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40)])
def test_out_of_run_mode_no_power_is_off(width: int, height: int) -> None:
    """While the controller is out of run mode letters and lights say that, OUT OF RUN MODE and IN RUN MODE, and no
    lane, letter or mark speaks of the supply."""
    out = state(2 * S, {**ON, "running": False}, running=False, phase="out of run mode", cut_ns=S)
    lines = shown(of_mode(out), width, height)
    assert "● OUT OF RUN MODE" in lines[2] and "○ IN RUN MODE" in lines[2]
    letters = block_letters("OF RUN MODE", across=2) if width == 140 else block_letters("OUT OF RUN MODE")
    assert any(letters[1].strip() in line for line in lines)
    back = state(4 * S, {**ON, "running": True}, cut_ns=S, restored_ns=3 * S)
    after = shown(of_mode(out, back), width, height)
    assert "○ OUT OF RUN MODE" in after[2] and "● IN RUN MODE" in after[2]
    assert not [line for line in (*lines, *after) if "supply" in line or "POWER" in line]


def test_what_the_supply_did_is_no_history_of_the_mode() -> None:
    """Where a cut of the supply is followed by a mode change, the lane of the mode begins anew."""
    rig = dryer_rig()
    both = (burner_scenario(rig), burner_scenario(rig, how="mode", name="mode-change"))
    made = Gathered(rig, both, simulated=True)
    for one in (power_off(2 * S), state(4 * S, {**ON, "running": True}, scenario="mode-change")):
        made.live(one)
    lane = next(line for line in shown(made) if line.startswith("run mode"))
    assert UNICODE.off not in lane


def test_the_proof_of_the_mode_outranks_what_was_commanded() -> None:
    """A controller that was told to leave run mode and reads as running is in run mode still."""
    running = state(2 * S, {**ON, "running": True}, phase="out of run mode", cut_ns=S)
    assert "○ OUT OF RUN MODE" in shown(of_mode(running))[2]


@pytest.mark.parametrize(("running", "answering", "after_s", "letters", "told"), [
    (True, True, 2, "STILL IN RUN MODE", "you said OUT OF RUN MODE, but running still reads on"),
    (True, True, 0.5, "IN RUN MODE", None),
    (False, True, 2, "OUT OF RUN MODE", None),
    (None, False, 2, "NOT ANSWERING", "you said OUT OF RUN MODE, but nothing answers: was it the mode switch?"),
])  # fmt: skip
@pytest.mark.parametrize("width", [80, 140])
def test_out_of_run_by_a_persons_word_is_held_against_what_is_read(
    width: int, running: bool | None, answering: bool, after_s: float, letters: str, told: str | None
) -> None:
    """Who turned nothing, or took the main switch, is told so while it lasts; large letters never state the contrary of
    what is read. The proof has a second to follow."""
    rig = dryer_rig()
    assert rig.mode is not None
    rig = replace(rig, mode=replace(rig.mode, driver="by-hand", point=None))
    made = Gathered(rig, (burner_scenario(rig, how="mode"),), simulated=False)
    made.live(state(S, {**ON, "running": True}))
    values = {**ON, "running": running}
    made.live(state(int((1 + after_s) * S), values, answering=answering, cut_ns=S, phase="out of run mode"))
    assert banner(made).letters == letters
    assert ("you said" in "\n".join(shown(made, width))) is (told is not None)
    assert told is None or told in "\n".join(shown(made, width))


@pytest.mark.parametrize("answering", [True, False])
def test_of_a_controller_that_does_not_answer_nobody_knows_its_mode(answering: bool) -> None:
    """What was asked of a person is not drawn as what is read of it."""
    rig = dryer_rig()
    assert rig.mode is not None
    rig = replace(rig, mode=replace(rig.mode, driver="by-hand", point=None))
    made = Gathered(rig, (burner_scenario(rig, how="mode"),), simulated=False)
    told = state(3 * S, {**ON, "running": None}, answering=answering, cut_ns=S, phase="out of run mode")
    made.live(told)
    assert made.is_on(told) is (False if answering else None)


@pytest.mark.parametrize(("still", "lamp"), [(True, "●"), (False, "○")])
def test_while_the_proof_of_the_mode_reads_on_the_picture_shows_what_is_read(still: bool, lamp: str) -> None:
    """What a person said is not drawn as what is: RUNNING stays lit, and where there is but one strip it is what was
    read."""
    rig = dryer_rig()
    assert rig.mode is not None
    points = {name: replace(one, terminal=None) for name, one in rig.points.items() if not rig.is_terminal(name)}
    points = {name: one for name, one in points.items() if not rig.is_independent(name) or name == "rail"}
    mode = replace(rig.mode, driver="by-hand", point=None)
    rig = replace(rig, mode=mode, points=points, proof_of_cut=())
    made = Gathered(rig, (burner_scenario(rig, how="mode"),), simulated=False)
    for at_s in range(1, 9):
        out = {"cut_ns": 3 * S, "phase": "out of run mode", "running": False} if at_s > 3 else {}
        made.live(state(at_s * S, {"burner": True, "running": still or at_s <= 3}, answering=True, **out))
    lines = shown(made, 80)
    assert f"{lamp} RUNNING" in lines[2]
    assert any("(run mode: as read)" in line for line in lines)
    (lane,) = [line for line in lines if line.startswith("run mode")]
    assert (UNICODE.off in lane) is not still


def test_an_armed_run_on_a_simulated_rig_says_so_all_the_time() -> None:
    """Devices that tell on the wire that they are simulated are named in the last line, in place of the caution."""
    made = gathered(power_off(), simulated=False)
    made.record(replace(run_started(), simulated=False, simulated_devices=("controller", "independent")))
    for width in (60, 80, 140):
        assert "ARMED, but on a SIMULATED RIG" in shown(made, width)[-1]
    assert "controller, independent said so on the wire" in shown(made, 140)[-1]


def test_in_a_narrow_window_the_letters_stand_closer() -> None:
    """Sixty columns still show POWER IS OFF in letters five rows high."""
    lines = shown(gathered(power_off()), 60, 24)
    assert all(any(row.strip() in line for line in lines) for row in block_letters("POWER IS OFF", word_gap=2))


@pytest.mark.parametrize("width", range(60, 161, 5))
def test_a_light_is_whole_or_without_its_time(width: int) -> None:
    """No light is cut: where there is no room for the time the name stands alone."""
    made = gathered(
        power_off(2 * S),
        state(5 * S, DARK, answering=False, running=False, restored_ns=5 * S),
        state(int(6.3 * S), OFF, answering=True, running=True, restored_ns=5 * S),
    )
    line = next(line for line in shown(made, width, 40) if "ANSWERING" in line)
    told = line.split("ANSWERING", 1)[1]
    assert told.strip(" █").startswith(("+1.3 s", UNICODE.lamp_on))
    assert "RUNNING" in line


@pytest.mark.parametrize("width", [60, 80, 140])
def test_what_the_characters_mean_stands_below_the_lanes(width: int) -> None:
    """On, off, blind and what was shorter than a character (a press of a button too) are explained in every window, and
    the two columns of strips keep their headings."""
    text = "\n".join(shown(gathered(power_off()), width, 24))
    assert all(word in text for word in ("blind", "short", "controller says ", "terminal shows"))


def test_reads_that_prove_nothing_are_blind() -> None:
    """After a silence the controller's image may be an old one: it is shown once `alive` has changed twice."""
    lit = {**ON, "heartbeat": 7}
    made = gathered(
        power_off(2 * S),
        state(3 * S, lit),
        state(3 * S + 100 * MS, {**lit, "heartbeat": 8}),
    )
    assert made.told(made.rig.points["fan"])[0].newest is None
    assert made.told(made.rig.points["fan_terminal"])[0].newest is True
    made.live(state(3 * S + 200 * MS, {**lit, "heartbeat": 9}))
    assert made.told(made.rig.points["fan"])[0].newest is True


def test_a_rig_without_independent_io_has_one_column_of_strips() -> None:
    """Where nothing but the controller is read there are no terminals to show, and none are made up."""
    rig = dryer_rig()
    points = {name: replace(point, terminal=None) for name, point in rig.points.items()}
    made = Gathered(replace(rig, points=points, proof_of_cut=()), (burner_scenario(rig),), True)
    made.live(state(S, ON))
    text = "\n".join(shown(made))
    assert "terminal shows" not in text
    assert "blind" in text


def test_a_limit_is_told_from_a_length_of_time() -> None:
    """Waiting for ready ends when the controller is ready: the time beside it is the most that it can take."""
    waiting = state(S, OFF, phase="waiting for ready", doing="", phase_ends_ns=3 * S)
    watching = state(S, OFF, phase="watching", doing="", phase_ends_ns=3 * S)
    assert any("at most 2.0 s more" in line for line in shown(gathered(waiting)))
    assert any("2.0 s left" in line for line in shown(gathered(watching)))


def test_a_rehearsal_says_on_the_screen_that_nothing_is_cut() -> None:
    """A rehearsal has no verdict on the controller: none of the four words stands on its screen."""
    rig = dryer_rig()
    made = Gathered(rig, (burner_scenario(rig),), True, rehearsal=True)
    made.live(state(S, ON))
    made.record(judged_cycle(1, verdict=Verdict.PASS))
    text = "\n".join(shown(made))
    assert "REHEARSAL" in text
    assert not any(f"{verdict.value} " in text for verdict in Verdict)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40), (60, 20), (200, 60), (80, 12)])
def test_the_picture_fits_its_window(width: int, height: int) -> None:
    """No line is wider than the window and there are no more lines than rows, or the picture would scroll."""
    made = gathered(state(S, ON), power_off())
    made.record(judged_cycle(1, burner_finding(1, Verdict.FAIL, "was on for 196 .. 204 ms " * 20)))
    lines = shown(made, width, height)
    assert len(lines) <= height
    assert max(cell_len(line) for line in lines) <= width


@given(st.text(max_size=40), st.integers(60, 160), st.integers(10, 60))
def test_any_text_of_a_file_leaves_the_picture_whole(text: str, width: int, height: int) -> None:
    """A label in any script, also with control characters, moves nothing and takes no more than its place."""
    made = gathered(state(S, ON, doing=text, case=text, phase=text))
    lines = shown(made, width, height)
    assert len(lines) <= height
    assert max(cell_len(line) for line in lines) <= width
    assert not any(ord(character) < 32 or ord(character) == 127 for line in lines for character in line)


def test_the_four_lights_stand_in_the_order_of_a_restart() -> None:
    """OFF, ON, ANSWERING, RUNNING: the marks that a class follows, in the order in which they come."""
    line = next(line for line in shown(gathered(power_off())) if "ANSWERING" in line)
    assert [word for word in line.split() if word in ("OFF", "ON", "ANSWERING", "RUNNING")] == [
        "OFF",
        "ON",
        "ANSWERING",
        "RUNNING",
    ]


def test_a_lit_light_is_told_from_a_dark_one_without_colour() -> None:
    """A lit light is a filled block with a full lamp, a dark one an empty frame with an empty lamp."""
    line = next(line for line in shown(gathered(power_off())) if "ANSWERING" in line)
    off, rest = line.split("ON", 1)
    assert UNICODE.lamp_on in off
    assert UNICODE.ink in off
    assert UNICODE.lamp_on not in rest
    assert UNICODE.ink not in rest


def test_a_light_says_how_long_after_the_restored_supply_it_came_on() -> None:
    """The time beside ANSWERING counts from the restored supply, as every boot time of this bench does."""
    made = gathered(
        power_off(2 * S),
        state(5 * S, DARK, answering=False, running=False, restored_ns=5 * S),
        state(int(6.3 * S), OFF, answering=True, running=False, restored_ns=5 * S),
        state(9 * S, OFF, answering=True, running=False, restored_ns=5 * S),
    )
    assert any("ANSWERING +1.3" in line for line in shown(made, 140, 40))


def test_running_is_dated_by_the_mark_that_is_kept() -> None:
    """The light itself comes on later, once `steady` is over and a picture is drawn; a pupil writes its figure down."""
    made = gathered(
        state(5 * S, DARK, answering=False, running=False, restored_ns=5 * S),
        state(int(5.9 * S), OFF, running=True, restored_ns=5 * S, marks_ns={"ready": int(5.44 * S)}),
    )
    assert any("RUNNING +0.4" in line for line in shown(made, 140, 40))


def test_a_proof_of_the_supply_outweighs_the_command() -> None:
    """When the relay was told to open and the rail is still there, the screen shows power as on."""
    lines = shown(gathered(state(S, ON, supply="off", powered=True)))
    assert any(block_letters("POWER IS ON")[0].strip() in line for line in lines)


def test_a_supply_that_nobody_knows_is_shown_as_unknown() -> None:
    """Where neither command nor proof says anything, the screen does not guess."""
    lines = shown(gathered(state(S, ON, supply="unknown", powered=None)))
    assert any(block_letters("POWER UNKNOWN")[0].strip() in line for line in lines)


def test_every_output_has_a_lane_with_its_terminal_beside_it() -> None:
    """Image and terminal of an output stand in one line, so that a disagreement is seen at once."""
    made = gathered(state(S, {**ON, "fan_terminal": False}))
    line = next(line for line in shown(made, 140, 40) if line.startswith("fan"))
    words = [word for word in line.split() if word in ("on", "off", "?")]
    assert words == ["on", "off"]


def test_lanes_follow_the_rig_file_and_show_no_terminal_twice() -> None:
    """Outputs stand in file order; a terminal stands beside its output and has no lane of its own."""
    rig = dryer_rig()
    names = [lane.said.name for lane in lanes_of(rig, (burner_scenario(rig),))]
    assert names == ["auger", "burner", "fan", "batch_count"]


def test_outputs_that_do_not_fit_are_counted() -> None:
    """In a small window the screen says how many outputs it left out; it never leaves one out silently."""
    lines = shown(gathered(state(S, ON)), 80, 17)
    assert any("more outputs" in line for line in lines)


def test_a_value_read_long_ago_is_shown_as_blind() -> None:
    """Silence is not off: once a device should have answered and did not, its old value is no longer shown."""
    old = state(S, ON)
    later = state(3 * S, {})
    kept = LiveState(**{**{n: getattr(later, n) for n in later.__slots__}, "readings": old.readings})
    line = next(line for line in shown(gathered(old, kept), 140, 40) if line.startswith("fan"))
    assert " ? " in line


def test_the_last_findings_that_are_not_pass_are_shown_with_their_reason() -> None:
    """A fail stands on the screen with cycle, point and reason, where those who watch can act on it."""
    made = gathered(state(S, OFF))
    made.record(judged_cycle(3, burner_finding(3, Verdict.FAIL, "was on for 196 .. 204 ms")))
    assert any("cycle 3" in line and "burner" in line and "196 .. 204 ms" in line for line in shown(made, 140, 40))


def test_verdict_words_carry_their_gloss() -> None:
    """Whoever reads a verdict on the screen also reads what it means."""
    made = gathered(state(S, OFF))
    for number, verdict in enumerate(Verdict, 1):
        made.record(judged_cycle(number, verdict=verdict, reason="as made up"))
    text = "\n".join(shown(made, 80, 30))
    assert all(f"{verdict.value} 1 {GLOSS[verdict]}" in text for verdict in Verdict)


def test_remaining_time_is_not_invented() -> None:
    """It is told as far as it is known: usually and at most, between two ends of a plan, from one on, or not at all."""

    def left(left_ns: Left | None, words: str) -> bool:
        return any(words in line for line in shown(gathered(state(S, ON, left_ns=left_ns))))

    assert left(None, "time left: not known")
    assert left(Left(120 * S, 124 * S + 1, 125 * S), "about 2 min 5 s left")
    assert left(Left(20 * S, None, 20 * S), "about 20 s left")
    assert left(Left(20 * S, 30 * S, 62 * S), "about 30 s, at most 1 min 2 s left")
    assert left(Left(20 * S, None, 62 * S), "20 s to 1 min 2 s left")
    assert left(Left(20 * S, 40 * S, None), "20 s or more left")


@pytest.mark.parametrize("width", range(58, 100))
def test_that_peoples_time_is_left_out_does_not_come_and_go(width: int) -> None:
    """Whether the line has room for it depends on the window, not on the digits of the time that is left."""
    told = {Left(9 * S, None, 9 * S), Left(20 * S, 30 * S, 62 * S), Left(600 * S, 3000 * S, 3540 * S)}
    by_hand = gathered(state(S, ON))
    assert by_hand.rig.supply is not None
    by_hand.rig = replace(by_hand.rig, supply=replace(by_hand.rig.supply, driver=BY_HAND_DRIVER))
    said = {
        "people's time" in progress_line(by_hand, state(S, ON, left_ns=left), width, UNICODE).plain for left in told
    }
    assert len(said) == 1, f"at {width} columns it depends on the time left"


def test_an_armed_screen_bears_the_caution() -> None:
    """On a real rig the screen says that the bench is no safety function; on a simulated one that it is simulated."""
    for width, height in ((80, 24), (140, 40)):
        text = "\n".join(shown(gathered(state(S, ON), simulated=False), width, height))
        assert ("not an isolator" if width > 80 else "no isolator") in text
        assert "licensed practice" in text
    assert any("SIMULATED" in line for line in shown(gathered(state(S, ON))))


# ---------------------------------------------------------------- strips


def test_on_off_blind_and_pulse_are_four_different_characters() -> None:
    """The strip can be read without colour, also on a console that only knows ASCII."""
    for glyphs in (UNICODE, ASCII):
        assert len({glyphs.on, glyphs.off, glyphs.blind, glyphs.pulse}) == 4


def test_a_pulse_shorter_than_one_character_leaves_a_trace() -> None:
    """On and off again within one character is drawn as a pulse, not lost between two pictures."""
    history = History()
    history.note(0, False)
    history.note(5 * S + 100 * MS, True)
    history.note(5 * S + 130 * MS, False)
    strip = history.strip(UNICODE, until_ns=10 * S, cell_ns=S, cells=10)
    assert strip == UNICODE.off * 5 + UNICODE.pulse + UNICODE.off * 4


def test_changes_between_two_pictures_reach_the_strip() -> None:
    """A pulse that came and went between two states is in the strip: it is taken from the changes, not the values."""
    moves = (Moved("fan", True, S + 11 * MS), Moved("fan", False, S + 41 * MS))
    made = gathered(state(S, OFF), state(S + 100 * MS, OFF, moved=moves))
    strip = made.told(made.rig.points["fan"])[0].strip(UNICODE, until_ns=2 * S, cell_ns=S, cells=2)
    assert UNICODE.pulse in strip


@pytest.mark.parametrize("width", [80, 140])
def test_the_function_check_is_marked_off_in_the_lanes(width: int) -> None:
    """What comes on there was told to: its span is shaded in every strip and named below until it has scrolled out."""
    made = gathered()
    for at_ns in range(0, 20 * S, S // 4):
        phase = "function check" if 5 * S <= at_ns < 12 * S else "watching"
        made.live(state(at_ns, {"fan": phase != "watching"}, phase=phase))
    lines = frame(made, width, 40, UNICODE)
    (axis_line,) = [line.plain for line in lines if "check" in line.plain and "now" in line.plain]
    begin, end = axis_line.index("│"), axis_line.rindex("│") + 1
    (fan,) = [line for line in lines if "fan" in line.plain and "█" in line.plain]
    assert (begin, end) in [(span.start, span.end) for span in fan.spans if "on " in str(span.style)]
    assert set(fan.plain[begin + 1 : end - 1]) == {"█"}
    short = gathered()
    for at_ns in range(0, 6 * S, S // 4):
        short.live(state(at_ns, {}, phase="function check" if at_ns >= 5 * S else "watching"))
    (axis_line,) = [line.plain for line in frame(short, width, 40, UNICODE) if "█ on" in line.plain]
    assert re.search("check +now +█ on", axis_line)
    made.live(state(500 * S, {"fan": False}))
    assert not any("check" in line.plain for line in frame(made, width, 24, UNICODE))


@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40)])
def test_the_cure_at_the_end_of_a_finding_is_seen(width: int, height: int) -> None:
    """What is to be done stands last in a reason: the newest finding has two lines for it."""
    made = gathered(power_off())
    for cycle in (1, 2):
        why = "no reads that count from 10.6 s to 14.5 s after power returned; switch first, then answer"
        made.record(judged_cycle(cycle, burner_finding(cycle, Verdict.INCONCLUSIVE, f"burner: {why}")))
    text = " ".join("\n".join(shown(made, width, height)).split())
    assert f"cycle 2 inconclusive burner: {why}" in text
    assert len(shown(made, width, height)) <= height


@pytest.mark.parametrize("width", [60, 80, 140])
@given(st.lists(st.integers(1, 30), min_size=1, max_size=6))
def test_the_mark_of_a_function_check_cuts_no_time_of_the_axis(width: int, lengths: list[int]) -> None:
    """What stands below the strips are whole times and whole words, wherever a check lies, and where now is always."""
    made = gathered()
    for number, length in enumerate(lengths):
        for _ in range(length):
            at_ns = (made.state.at_ns if made.state is not None else 0) + S // 4
            made.live(state(at_ns, {"fan": False}, phase=("watching", "function check")[number % 2]))
    (line,) = [one.plain for one in frame(made, width, 40, UNICODE) if "█ on" in one.plain or "█on" in one.plain]
    times = line[: re.search("█ ?on", line).start()]  # type: ignore[union-attr]
    told = re.sub(r"\b(function check|check)\b", " ", re.sub("[│─]", " ", times))
    assert re.fullmatch(r"( *-\d\S* (s|min))* *now *", told), line


def test_what_was_not_seen_yet_is_empty_in_the_strip() -> None:
    """Before the first reading there is nothing to show: neither off nor blind."""
    history = History()
    history.note(5 * S, True)
    assert history.strip(ASCII, until_ns=10 * S, cell_ns=S, cells=10) == " " * 4 + "#" * 6


@given(st.lists(st.tuples(st.integers(0, 10**6), st.sampled_from([True, False, None]))), st.integers(1, 80))
def test_a_strip_is_as_long_as_asked_and_ends_with_the_present(changes: list[tuple[int, bool | None]], n: int) -> None:
    """Whatever happened, a strip has its length, and an unbroken present shows as its last character."""
    history = History()
    for at_ns, value in sorted(changes, key=lambda one: one[0]):
        history.note(at_ns, value)
    strip = history.strip(ASCII, until_ns=10**6 + 10**4, cell_ns=10**4, cells=n)
    assert len(strip) == n
    if changes:
        assert strip[-1] == {True: "#", False: "_", None: "?"}[history.newest]  # type: ignore[index]


@given(st.integers(1, 10**12), st.integers(10, 200))
def test_the_strip_holds_a_whole_cycle(span: int, cells: int) -> None:
    """The time scale is the finest one on which the whole cycle can be seen (or the coarsest there is)."""
    cell = cell_for(span, cells)
    assert cell * cells >= span or cell == CELLS_NS[-1]
    finer = [one for one in CELLS_NS if one < cell]
    assert not finer or finer[-1] * cells < span


def test_the_time_axis_ends_now_and_counts_backwards() -> None:
    """Below the strips stands how long ago each place was."""
    line = axis(28, S)
    assert line.endswith("now")
    assert line.index("-10 s") + len("-10 s") == 18
    assert len(line) == 28


# ---------------------------------------------------------------- on a console


def _drawn(
    states: list[LiveState], *, wait_s: float = 5.0, picture: Picture = frame, **console: object
) -> tuple[str, LiveScreen]:
    stream = io.StringIO()
    made = Console(file=stream, force_terminal=True, width=80, height=24, **console)  # type: ignore[arg-type]
    rig = dryer_rig()
    with LiveScreen(
        rig, (burner_scenario(rig),), made, simulated=True, quiet_before_commands=False, picture=picture
    ) as screen:
        screen.record(run_started(rig))
        screen.record(cycle_started())
        for one in states:
            screen.live(one)
        deadline = time.monotonic() + wait_s
        while screen.drawn == 0 and time.monotonic() < deadline:
            time.sleep(0.01)
    return stream.getvalue(), screen


def test_the_screen_draws_and_gives_the_console_back() -> None:
    """The screen takes the alternate screen of the console and leaves it again, with the cursor shown."""
    text, screen = _drawn([power_off()])
    assert screen.drawn >= 1
    assert screen.problem == ""
    assert text.count("\x1b[?1049h") == text.count("\x1b[?1049l") == 1
    assert text.rstrip().endswith("\x1b[?25h") or "\x1b[?25h" in text[text.rindex("\x1b[?1049l") - 20 :]


@pytest.mark.parametrize("picture", [tiles, frame])
def test_how_tiles_are_seen_again_is_said_when_they_are_gone(picture: Picture) -> None:
    """The end of the run takes the tiles from the projector; the lanes have their result on the console."""
    text, _ = _drawn([power_off()], picture=picture)
    below = text.rpartition("\x1b[?1049l")[2]
    assert ("replay last --view tiles" in below) is (picture is tiles)


def test_no_color_is_heeded(monkeypatch: pytest.MonkeyPatch) -> None:
    """With NO_COLOR set no colour is sent; the same picture still tells on from off (no-color.org)."""
    monkeypatch.setenv("NO_COLOR", "1")
    text, _ = _drawn([power_off()])
    colours = [f"\x1b[{style}{n}m" for style in ("", "1;", "2;") for n in (*range(30, 38), *range(90, 98))]
    assert not any(colour in text for colour in colours)
    assert UNICODE.lamp_on in text


def test_a_flood_of_states_is_drawn_at_most_ten_times_a_second() -> None:
    """However many states arrive, drawing takes no more of the computer than ten pictures a second."""
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, width=80, height=24)
    rig = dryer_rig()
    began = time.monotonic()
    with LiveScreen(rig, (), console, simulated=True, quiet_before_commands=False) as screen:
        screen.record(run_started(rig))
        for number in range(600):
            screen.live(state(S + number, OFF))
            time.sleep(0.001)
    lasted = time.monotonic() - began
    assert 1 <= screen.drawn <= 10 * lasted + 2


def test_a_screen_that_breaks_says_so_and_the_run_goes_on() -> None:
    """An error while drawing ends the picture, not the run: nothing is raised, and the reason is said at the end."""

    class Broken(io.StringIO):
        def write(self, text: str) -> int:
            if "\x1b[?1049h" in text:
                raise OSError("console gone")
            return super().write(text)

    stream = Broken()
    console = Console(file=stream, force_terminal=True, width=80, height=24)
    rig = dryer_rig()
    screen = LiveScreen(rig, (), console, simulated=True, quiet_before_commands=False)
    screen.record(run_started(rig))
    screen.live(power_off())
    deadline = time.monotonic() + 5
    while not screen.problem and time.monotonic() < deadline:
        time.sleep(0.01)
    screen.live(power_off(3 * S))
    screen.close()
    screen.close()
    assert "console gone" in screen.problem
    assert "console gone" in stream.getvalue()


def test_leaving_the_screen_tells_how_the_rig_was_left() -> None:
    """Once the picture is gone a person reads what the bench did on its way out and how the supply was left."""
    stream, rig = io.StringIO(), dryer_rig()
    console = Console(file=stream, force_terminal=True, width=80, height=24)
    screen = LiveScreen(rig, (), console, simulated=False, quiet_before_commands=False)
    screen.record(Trouble(1, "way out", "the supply stays off for another 1.2 s", S, error=False))
    screen.record(RunEnded("r", "stopped", Verdict.ERROR, 130, "", 2 * S, "", supply_left="on"))
    screen.close()
    assert "the supply stays off for another 1.2 s" in stream.getvalue()
    assert "The supply was left on." in stream.getvalue()


# ---------------------------------------------------------------- a question in the picture


class Typist:
    """A pseudo-terminal as standard input, at which somebody types."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        import pty

        self.near, far = pty.openpty()
        self._far = os.fdopen(far, "r", encoding="utf-8")
        monkeypatch.setattr("sys.stdin", self._far)

    def type(self, text: str) -> None:
        os.write(self.near, text.encode())

    def __enter__(self) -> Typist:
        return self

    def __exit__(self, *_: object) -> None:
        self._far.close()
        os.close(self.near)


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal of POSIX")
@pytest.mark.parametrize("picture", [frame, tiles])
def test_a_question_is_answered_in_the_picture(monkeypatch: pytest.MonkeyPatch, picture: Picture) -> None:
    """The console is not given back for it: question, slip of the hand and answer stand in the picture."""
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, width=80, height=24)
    rig = dryer_rig()
    screen = LiveScreen(rig, (), console, simulated=False, quiet_before_commands=False, picture=picture)
    with screen, Typist(monkeypatch) as typist:
        screen.live(state(S, ON))
        threading.Timer(0.3, typist.type, ["maybe\rx\x7fy\r"]).start()
        assert screen.ask("Is it OFF?") is True
        threading.Timer(0.3, typist.type, ["?\r"]).start()
        assert screen.guess("Will it come back?") is None
        threading.Timer(0.3, typist.type, ["\x04"]).start()
        with pytest.raises(EOFError):
            screen.ask("Is it ON?")
        drawn = stream.getvalue()
        assert drawn.count("\x1b[?1049h") == 1
        assert "\x1b[?1049l" not in drawn
    for told in ("Is it OFF? [y/n]", "Please answer y for yes", "Will it come back? [y/n/?]"):
        assert told in drawn
    assert screen.problem == ""


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal of POSIX")
@pytest.mark.parametrize("plain", [False, True])
def test_what_was_typed_before_a_question_stood_does_not_answer_it(
    monkeypatch: pytest.MonkeyPatch, plain: bool
) -> None:
    """A surplus answer to what was asked first says nothing of the main switch, and nothing of what the next one
    expects; that it was not taken is said."""
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, width=80, height=24)
    screen = LiveScreen(dryer_rig(), (), console, simulated=False, quiet_before_commands=False)
    with screen, Typist(monkeypatch) as typist:
        ask = person_at(console) if plain else screen.ask
        guess = guessing_at(console, before=lambda _: None) if plain else screen.guess
        assert ask is not None and guess is not None
        typist.type("y\ny\n")
        threading.Timer(0.4, typist.type, ["n\ny\n" if not plain else "n\n"]).start()
        assert ask("Is it OFF?") is False
        assert stream.getvalue().count(NOT_TAKEN) >= 1
        if plain:
            typist.type("y\n")
        drawn = len(stream.getvalue())
        threading.Timer(0.4, typist.type, ["?\n"]).start()
        assert guess("Will it come back?") is None
        assert NOT_TAKEN in stream.getvalue()[drawn:]
        drawn = len(stream.getvalue())
        threading.Timer(0.4, typist.type, ["y\n"]).start()
        assert guess("And now?") is True
        assert NOT_TAKEN not in stream.getvalue()[drawn:]


# ---------------------------------------------------------------- plain lines


def _plain(*records: object) -> str:
    stream = io.StringIO()
    show = PlainShow(stream)
    for record in records:
        show.record(record)  # type: ignore[arg-type]
    show.live(power_off())
    show.close()
    return stream.getvalue()


def test_plain_lines_tell_the_run_without_control_characters() -> None:
    """In a pipe or a log stand whole lines and nothing that moves a cursor, also where a text of a file has some."""
    text = _plain(
        run_started(),
        cycle_started(),
        Switching(1, "supply", "off", "cut", 10 * S, 10 * S + 900_000),
        Switching(1, "supply", "on", "restore", 13 * S, 13 * S + 900_000),
        Trouble(1, "note", "a label with \x1b[31m colour\r\n in it", 14 * S, error=False),
        judged_cycle(1, burner_finding(1, Verdict.FAIL, "was on for 196 .. 204 ms")),
    )
    assert "supply on after 3 s" in text
    assert "fail: burner never on for 20 ms or longer: was on for 196 .. 204 ms" in text
    assert not any(ord(character) < 32 and character != "\n" for character in text)
    assert text.endswith("\n")


@pytest.mark.parametrize("verdict", list(Verdict))
def test_plain_verdicts_carry_their_gloss(verdict: Verdict) -> None:
    """Also in plain lines each verdict stands with its meaning."""
    text = _plain(ScenarioJudged("burner-stays-shut", verdict, "because", 20))
    assert f"{verdict.value} ({GLOSS[verdict]})" in text


def test_a_supply_command_that_was_not_taken_is_said() -> None:
    """A relay that did not obey is in the plain lines with its reason, not only in the archive."""
    text = _plain(Switching(1, "supply", "on", "restore", 0, 1, problem="no answer from 192.0.2.30"))
    assert "not taken: no answer from 192.0.2.30" in text


def test_plain_lines_of_a_mode_change_speak_of_run_mode() -> None:
    """No supply was restored where the controller was only taken out of run mode; nor where its voltage was lowered."""
    for what, gone, back, word in (
        ("mode", "stop", "run", "after the return to run mode"),
        ("supply", "level", "on", "after the restored voltage"),
        ("supply", "off", "on", "after the restored supply"),
    ):
        cut = Switching(1, what, gone, "cut", S, S)  # type: ignore[arg-type]
        restored = Switching(1, what, back, "restore", 3 * S, 3 * S)  # type: ignore[arg-type]
        text = _plain(run_started(), cycle_started(), cut, restored, judged_cycle(1))
        assert [one for one in text.splitlines() if ", ready " in one and one.endswith(word)], text


def test_plain_lines_never_tell_of_a_controller_that_was_ready_before_the_return() -> None:
    """Ridden through, its bounds reach back before the return; from there the time is told, as the findings do."""
    marks = (Mark("restored", Bounds(3 * S, 3 * S + 20_000_000)), Mark("ready", Bounds(3 * S, 3 * S + 187_000_000)))
    assert ", ready 0.0 .. 187.0 ms after" in _plain(replace(judged_cycle(1), marks=marks))


def test_a_rehearsal_in_plain_lines_has_steps_and_no_verdict() -> None:
    """Nothing was cut: the lines tell which steps were reached, not that anything passed."""
    stream = io.StringIO()
    show = PlainShow(stream, rehearsal=True)
    step = Finding("burner-stays-shut", "", 1, "", "before: press start_button", Verdict.PASS, "reached")
    for record in (run_started(), judged_cycle(1, step), ScenarioJudged("burner-stays-shut", Verdict.PASS, "", 1)):
        show.record(record)
    assert "nothing was cut" in stream.getvalue()
    assert "reached: before: press start_button" in stream.getvalue()
    assert "pass" not in stream.getvalue()


def test_a_command_on_the_way_out_that_was_not_taken_is_told_by_its_note_alone() -> None:
    """The bench tries it more than once, and says once what keeps it from that; a cut that was not taken is told."""
    stream = io.StringIO()
    show = PlainShow(stream)
    for purpose in ("cut", "rest", "rest", "park"):
        show.record(Switching(1, "supply", "on", purpose, 0, 1, "the port failed"))
    show.close()
    assert stream.getvalue().count("the port failed") == 1


def test_a_cycle_that_was_broken_off_and_is_done_again_is_counted_once() -> None:
    """Of a run of one cycle that was stopped in it, cycle 2 is the only one, and none was done before."""
    made = Gathered(dryer_rig(), (burner_scenario(),), simulated=True)
    made.record(cycle_started(2))
    made.live(state(2 * S, DARK, cycle=2, of_cycles=2, done_again=1))
    text = "\n".join(shown(made))
    assert "cycle 2 of 2, 1 broken off" in text and "0 of 1 cycle done" in text and "in the run before" not in text
    made.record(judged_cycle(2))
    assert "1 of 1 cycle done" in "\n".join(shown(made))


def test_what_an_earlier_run_did_is_counted_as_done() -> None:
    """A run that went on with another one begins with cycle 5; of a search there are at most so many cycles."""
    made = Gathered(dryer_rig(), (burner_scenario(),), simulated=True)
    made.record(replace(cycle_started(5), searched=True))
    made.live(state(2 * S, DARK, cycle=5, of_cycles=41))
    text = "\n".join(shown(made))
    assert "cycle 5 of at most 41" in text and "4 of at most 41 cycles done (4 in the run before)" in text
    made.record(judged_cycle(5))
    assert "5 of at most 41 cycles done" in "\n".join(shown(made))
    made.live(state(2 * S, DARK, cycle=5, of_cycles=5))
    assert "5 of 5 cycles done" in "\n".join(shown(made))
    made.live(state(2 * S, DARK, cycle=5, of_cycles=41))
    made.is_whole = True
    assert "5 of 41 cycles done" in "\n".join(shown(made))
