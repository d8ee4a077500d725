"""The panel of a simulated rig: each key does one thing, and what stands on it fits its window."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from builders import dryer_rig
from drawn import examples
from restart_bench.model.fault_catalogue import FAULTS, prepared
from restart_bench.model.program import InjectedFault
from restart_bench.model.rig import Mode
from restart_bench.screen.keyboard import keys_of
from restart_bench.screen.panel import Control, Panel, Pressed, faults_listed, panel_for, points_for, pressed
from restart_bench.screen.panel_frame import Served, panel_frame
from restart_bench.screen.strips import ASCII, UNICODE
from restart_bench.simulated.handle import RigSeen

RIG = replace(dryer_rig(), mode=Mode("point", "start_button"))
CONTROLS = ("start_button", "stop_button", "level_switch")
POINTS = tuple(RIG.points)
PROGRAM = ("auger", "burner", "fan", "batch_count")
REST = {"start_button": False, "stop_button": True, "level_switch": False}
NOW = RigSeen(1.0, True, "running", True, 2, REST)


def panel() -> Panel:
    return panel_for(RIG, CONTROLS, {"level_switch": False}, ())


def after(keys: list[str], seen: RigSeen = NOW) -> Pressed:
    """The panel after these keys, with the commands of the last one."""
    done = Pressed(panel())
    for key in keys:
        done = pressed(done.panel, key, seen, points_for(POINTS, PROGRAM, ("start_button",), done.panel.fault))
    return done


def down_to(fault: str) -> list[str]:
    """The keys that put the mark on a fault."""
    return ["f", *["down"] * faults_listed(by_hand=False).index(fault)]


# ---------------------------------------------------------------- keys


def test_a_digit_presses_the_button_beside_which_it_stands() -> None:
    """A terminal does not tell when a key is let go, so a press is brief, and the rig itself lets go."""
    (command,) = after(["1"]).commands
    assert command["command"] == "press"
    assert command["name"] == "start_button"
    assert command["for_ns"] > 0


def test_the_mark_moves_with_the_arrows_and_enter_presses_what_it_stands_on() -> None:
    """Who does not want digits walks to the button; the mark stops at both ends."""
    assert after(["down", "enter"]).commands[0]["name"] == "stop_button"
    assert after(["up"]).panel.row == 0
    assert after(["down"] * 9).panel.row == 2


@pytest.mark.parametrize(("is_now", "to"), [(True, False), (False, True)])
def test_space_holds_a_button_out_of_rest_and_lets_go_of_it(is_now: bool, to: bool) -> None:
    """The stop button rests on: held it is off, let go it is on again."""
    seen = replace(NOW, values={**REST, "stop_button": is_now})
    done = after(["down", " "], seen)
    assert done.commands == ({"command": "work", "name": "stop_button", "value": to},)
    assert done.panel.said.endswith("held" if is_now else "let go")


def test_who_holds_a_button_that_is_about_to_spring_back_holds_it() -> None:
    """Space soon after a digit: the button is out of rest still, but by a press that ends by itself."""
    seen = replace(NOW, values={**REST, "stop_button": False}, springing=("stop_button",))
    done = after(["down", " "], seen)
    assert done.commands == ({"command": "work", "name": "stop_button", "value": False},)
    assert done.panel.said.endswith("held")


def test_an_input_that_nobody_presses_stays_as_it_was_put() -> None:
    """A level switch does not spring back: the same key turns it on and off again."""
    assert after(["3"]).commands == ({"command": "work", "name": "level_switch", "value": True},)
    filled = replace(NOW, values={**REST, "level_switch": True})
    assert after(["3"], filled).commands == ({"command": "work", "name": "level_switch", "value": False},)


@pytest.mark.parametrize("on", [True, False])
def test_s_turns_the_supply_and_m_the_mode_round(on: bool) -> None:
    """Each key goes to the other side of what is so now."""
    seen = replace(NOW, supply=on, run=on)
    assert after(["s"], seen).commands == ({"command": "supply", "on": not on},)
    assert after(["m"], seen).commands == ({"command": "mode", "run": not on},)


def test_a_rig_without_mode_says_so() -> None:
    """Where the rig file names no mode there is no switch to turn, and the panel names the key that is missing."""
    done = pressed(replace(panel(), has_mode=False), "m", NOW, ())
    assert done.commands == ()
    assert "mode:" in done.panel.said


@pytest.mark.parametrize("fault", faults_listed(by_hand=False))
def test_every_fault_can_be_ordered_by_keys_alone(fault: str) -> None:
    """Whatever a fault needs is asked for, a point from a list and a value by digits; the order is one that the rig
    takes, for the next cut and no other."""
    done = after([*down_to(fault), "enter"])
    if done.panel.page == "point":
        done = after([*down_to(fault), "enter", "enter"])
    if done.panel.page == "value":
        done = after([*down_to(fault), "enter", "enter", "4", "2", "enter"])
    (command,) = done.commands
    ordered = prepared(InjectedFault(command["name"], command["settings"]))
    assert ordered.name == fault
    assert (ordered.settings["from_cut"], ordered.settings["to_cut"]) == (3, 3)
    assert done.panel.page == "rig"


def test_where_a_person_switches_no_fault_of_a_relay_is_offered() -> None:
    """There is no relay by hand; every other fault stays."""
    left_out = set(faults_listed(by_hand=False)) - set(faults_listed(by_hand=True))
    assert left_out == {"relay-welded", "relay-not-reclosing", "relay-slow", "relay-bouncing"}
    page = replace(panel_for(RIG, CONTROLS, {}, (), by_hand=True), page="faults")
    for width, height in ((80, 24), (140, 80)):
        drawn = panel_frame(Served(RIG, {}), page, NOW, (), width, height, UNICODE)
        assert "relay-" not in "\n".join(line.plain for line in drawn)


def test_what_a_fault_does_ends_at_a_word_in_the_list_and_stands_whole_below_it() -> None:
    """Nothing is cut amid a word: an ellipsis says that there is more, and the fault that is marked is told whole."""
    listed = faults_listed(by_hand=False)
    assert len(listed) > 10
    for row, name in enumerate(listed):
        page = replace(panel(), page="faults", row=row)
        lines = [line.plain for line in panel_frame(Served(RIG, {}), page, NOW, (), 80, 24, UNICODE)]
        (told,) = (line[29:].strip() for line in lines if line.startswith(f"> {name} "))
        whole = FAULTS[name].does
        assert told == whole or (told.endswith(" ...") and whole.startswith(f"{told[:-4]} "))
        assert whole in " ".join(" ".join(lines).split())


def test_points_are_those_at_which_a_fault_can_play() -> None:
    """A pulse is one of the program's outputs, a dead wire any point of the rig, a phantom edge an input."""
    assert points_for(POINTS, PROGRAM, ("start_button",), "pulse") == PROGRAM
    assert points_for(POINTS, PROGRAM, ("start_button",), "wire-off") == POINTS
    assert points_for(POINTS, PROGRAM, ("start_button",), "phantom-edge") == ("start_button",)
    assert points_for(POINTS, PROGRAM, ("start_button",), "relay-welded") == ()


def test_escape_leads_back_and_orders_nothing() -> None:
    """From every page of the choice the rig is one key away."""
    for keys in (down_to("pulse"), [*down_to("pulse"), "enter"], [*down_to("setpoint-overwritten"), "enter", "enter"]):
        done = after([*keys, "escape"])
        assert (done.panel.page, done.commands) == ("rig", ())


def test_a_value_that_is_no_number_is_asked_for_again() -> None:
    """Nothing is ordered with half a number."""
    keys = [*down_to("setpoint-overwritten"), "enter", "enter"]
    assert after([*keys, "enter"]).commands == ()
    assert after([*keys, "-", "enter"]).panel.page == "value"
    assert after([*keys, "7", "backspace", "1", ".", "5", "enter"]).commands[0]["settings"]["value"] == 1.5


def test_q_leaves_the_panel_from_its_first_page_only() -> None:
    """On a list a slip of the hand ends nothing."""
    assert after(["q"]).panel.left
    assert not after(["f", "q"]).panel.left


KEYS = st.lists(
    st.sampled_from(["up", "down", "home", "end", "enter", " ", "escape", "1", "9", "s", "m", "f", "x", ".", "z"]),
    max_size=40,
)


@examples(75)
@given(KEYS, st.integers(30, 160), st.integers(12, 50))
def test_no_keys_break_the_panel_and_its_picture_fits(keys: list[str], width: int, height: int) -> None:
    """Whatever is typed, the mark stands on a row that there is and the picture stays inside its window."""
    done = after(keys)
    rows = {"rig": len(CONTROLS), "faults": len(FAULTS), "point": len(POINTS), "value": 1}[done.panel.page]
    assert 0 <= done.panel.row < rows
    lines = shown(done.panel, width, height)
    assert len(lines) <= height
    assert max(cell_len(line) for line in lines) <= width


# ---------------------------------------------------------------- the picture


def shown(
    made: Panel, width: int = 80, height: int = 24, seen: RigSeen = NOW, *, ascii_only: bool = False
) -> list[str]:
    served = Served(RIG, {"controller": 20001, "independent": 20002, "supply": 20003})
    points = points_for(POINTS, PROGRAM, ("start_button",), made.fault)
    lines = panel_frame(served, made, seen, points, width, height, ASCII if ascii_only else UNICODE)
    return [line.plain for line in lines]


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 40), (140, 40)])
def test_the_panel_says_what_is_served_what_is_so_and_which_keys_there_are(width: int, height: int) -> None:
    """Rig, ports, supply, mode, controller, buttons and keys stand on it in every window."""
    text = "\n".join(shown(panel(), width, height))
    state = (
        "SIMULATED",
        "ports at 127.0.0.1: controller 20001",
        "supply 20003",
        "cuts and mode changes: 2",
        "SUPPLY ON",
        "RUN MODE",
    )
    keys = ("s: supply", "m: run mode", "f: order a fault", "q: quit")
    for told in (*state, "controller RUNNING", RIG.points["start_button"].shown, *keys):
        assert told in text, told


def test_a_digit_without_a_button_is_answered_and_a_closed_contact_is_told() -> None:
    """Nothing happens in silence; a stop button that reads on is not taken for a pressed one."""
    made = panel()
    assert pressed(made, "9", NOW, ()).panel.said == "there is no button 9"
    stop = replace(made, controls=(Control("stop_button", "stop_button", True, True),))
    assert "stop_button  (on at rest)" in "\n".join(
        shown(stop, seen=replace(NOW, values={**REST, "stop_button": True}))
    )


def test_a_rig_without_a_mode_switch_has_no_key_for_it() -> None:
    """What the panel offers is there."""
    assert not any("m: run mode" in line for line in shown(replace(panel(), has_mode=False)))


def test_on_is_told_from_off_without_colour() -> None:
    """Beside each lamp stands the word, and the lamps differ, also where only ASCII can be shown."""
    dark = replace(NOW, rail=0.0, supply=False, stage="dark", values={**REST, "fan": True})
    text = "\n".join(shown(panel(), seen=dark))
    assert f"{UNICODE.lamp_off} SUPPLY OFF" in text
    assert f"{UNICODE.lamp_on} on  fan" in text
    assert all(ord(one) < 128 for one in "\n".join(shown(panel(), seen=dark, ascii_only=True)))


def test_a_rail_that_does_not_follow_the_switch_is_told() -> None:
    """With a welded contact the supply was switched off and is there still: both stand on the panel."""
    assert any("SUPPLY ON (switched off)" in line for line in shown(panel(), seen=replace(NOW, supply=False)))


def test_ordered_faults_stand_on_the_panel() -> None:
    """What will go wrong is no secret of whoever ordered it."""
    fault = InjectedFault("pulse", {"point": "burner", "from_cut": 3, "to_cut": 3})
    assert any("pulse at burner in cut 3" in line for line in shown(panel(), seen=replace(NOW, faults=(fault,))))


def test_a_fault_that_changed_nothing_is_told_with_the_reason() -> None:
    """A late start of a lamp that is on anyway would else look as if the panel had forgotten it."""
    fault = InjectedFault("late-start", {"point": "fan", "from_cut": 3, "to_cut": 3})
    seen = replace(NOW, faults=(fault,), idle_faults={"late-start fan 3": "fan was on already"})
    assert "late-start at fan in cut 3 HAD NO EFFECT: fan was on already" in "\n".join(shown(panel(), 140, seen=seen))


def test_the_panel_does_not_tell_which_program_it_is() -> None:
    """A class may have to find that out: the name of the edition would be the answer."""
    assert not any("edition" in line for line in shown(panel()))


def test_points_that_do_not_fit_are_counted() -> None:
    """In a small window the panel says how many points it left out."""
    assert any("more: make the window taller" in line for line in shown(panel(), 80, 16))


# ---------------------------------------------------------------- the keyboard


@pytest.mark.parametrize(
    ("typed", "keys"),
    [("a", ["a"]), ("\r", ["enter"]), ("\x1b[A", ["up"]), ("\x1bOB", ["down"]), ("1\x1b[C2", ["1", "right", "2"]),
     ("\x1b", ["escape"]), ("\x7f", ["backspace"]), ("\x1b[15~q", ["q"]), ("\x01", []), ("ä", ["ä"])],
)  # fmt: skip
def test_keys_are_known_by_what_a_terminal_sends(typed: str, keys: list[str]) -> None:
    """Arrows arrive as sequences (ECMA-48 cursor keys, and their SS3 form); what means nothing here is swallowed."""
    assert keys_of(typed) == (keys, "")


@given(st.text(alphabet="\x1b[OABCDH~15q \r", max_size=12), st.integers(0, 12))
def test_a_sequence_that_arrives_in_two_pieces_is_one_key(text: str, at: int) -> None:
    """Cut anywhere but right behind an escape, which may be the key of that name, the same keys come out."""
    if text[:at].endswith("\x1b"):
        return
    first, rest = keys_of(text[:at])
    second, end = keys_of(rest + text[at:])
    whole, left = keys_of(text)
    assert (first + second, end) == (whole, left)


@pytest.mark.parametrize(("row", "height", "says"), [(0, 16, "more below"), (-1, 16, "more above"), (0, 80, "")])
def test_a_list_of_faults_that_goes_on_outside_the_window_says_so(row: int, height: int, says: str) -> None:
    """Above the list stands where it goes on; where it is whole, nothing does."""
    page = replace(panel(), page="faults", row=range(len(faults_listed(by_hand=False)))[row])
    lines = [line.plain for line in panel_frame(Served(RIG, {}), page, NOW, (), 80, height, UNICODE)]
    (head,) = (line for line in lines if line.startswith("Which fault"))
    assert head.endswith(says or "next cut?")
