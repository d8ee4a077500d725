"""Traces: played exactly, doable by hand, and written as scenarios that come out the same from wherever they begin."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from predict_programs import MS, generated
from predict_small import SMALL, program
from restart_bench.model.program import Coil, Counter, Expr, Memory, Program, Timer
from restart_bench.plc.interpreter import State
from restart_bench.predict.documents import difference_lines, documents, edition_lines, table_lines, whys_told
from restart_bench.predict.editions import differences, side_by_side
from restart_bench.predict.engine import predict
from restart_bench.predict.proving.cone import cone_of, outputs_of
from restart_bench.predict.proving.parts import COLD, DARK, HELD, MODE, PULSES, REST, SETTLES_ON, SUPPLY, WARM, part_for
from restart_bench.predict.scripts import (
    NotForTheRig,
    _cover,
    _moved,
    from_anywhere,
    scenario_text,
    small_suite,
    why_not_played,
)
from restart_bench.predict.traces import PRESS_NS, Cut, Hold, Player, Trace
from restart_bench.predict.why import explain


def player_for(program: Program) -> Player:
    """A player for all outputs of a program."""
    outputs = outputs_of(program)
    return Player(part_for(program, cone_of(program, outputs), outputs))


# ---------------------------------------------------------------- playing


@examples(12)
@given(seed=st.integers(0, 400), scans=st.lists(st.booleans(), min_size=1, max_size=4))
def test_waiting_in_one_go_is_the_same_as_scan_by_scan(seed: int, scans: list[bool]) -> None:
    """Where only time moves, many scans are taken at once: the state is the one that scan by scan leads to."""
    player = player_for(generated(seed, 5, timers=True))
    machine, names = player.machine, [one.name for one in player.part.program.inputs]
    state: State = machine.first_power_up()
    for pressed in scans:
        inputs = dict.fromkeys(names, pressed)
        for _ in range(12):
            quick, count = player._go(state, inputs)
            slow = state
            for _ in range(count):
                slow = machine.scan(slow, inputs, player.part.program.scan_ns)
            assert quick == slow
            state = quick


def test_a_trace_that_a_person_plays_holds_its_presses() -> None:
    """Each press lasts as long as a press by hand, or until nothing moves; what is shorter is marked."""
    player = player_for(SMALL["set and reset"])
    pressed, let_go = Hold((("start", True),)), Hold()
    by_hand = player.play(Trace((let_go, pressed, let_go), Cut(SUPPLY)))
    short = player.play(Trace((let_go, Hold((("start", True),), scans=1), let_go), Cut(SUPPLY)))
    assert by_hand is not None
    assert short is not None
    assert (by_hand.by_hand, short.by_hand) == (True, False)
    assert by_hand.seen["m"].settles is short.seen["m"].settles is True


def test_a_press_lasts_at_least_as_long_as_the_bench_presses() -> None:
    """What stands still at once is held for a press's time all the same."""
    player = player_for(SMALL["set and reset"])
    assert player.lasting_ns(Trace((Hold((("start", True),)), Cut(SUPPLY)), Cut(SUPPLY))) == [PRESS_NS, 0]


def test_a_cut_within_a_scan_does_the_rungs_before_it() -> None:
    """After the first rung the memory is set, before it it is not."""
    player = player_for(SMALL["set and reset"])
    start = (("start", True),)
    settled = []
    for rungs in (0, 1):
        played = player.play(Trace((Hold(),), Cut(SUPPLY, rungs=rungs, inputs=start)))
        assert played is not None
        settled.append(played.seen["m"].settles)
    assert settled == [False, True]


@pytest.mark.parametrize(
    ("counter", "compared", "repeats"),
    [
        (Counter("count", "CTU", 2, ("name", "blink")), ("name", "count"), True),
        (Counter("count", "CTD", 2, ("name", "blink")), ("=", ("name", "count"), ("const", -3)), True),
        (Counter("count", "CTU", 2, ("name", "blink")), ("<", ("name", "count"), ("name", "other")), False),
    ],
)
def test_how_far_a_counter_has_counted_matters_no_longer_than_it_is_compared(
    counter: Counter, compared: Expr, repeats: bool
) -> None:
    """A counter that counts on and on keeps nothing else from coming again, unless a count is compared with a name."""
    blink = Coil("blink", ("not", ("name", "blink")))
    played = player_for(Program("counts on", rungs=(blink, counter, Coil("m", compared)))).play(Trace((), Cut(SUPPLY)))
    assert played is not None
    assert played.seen["m"].repeats is repeats


@examples(12)
@given(seed=st.integers(0, 400), scans=st.lists(st.booleans(), min_size=1, max_size=30))
def test_states_that_are_not_told_apart_go_on_alike(seed: int, scans: list[bool]) -> None:
    """From a state with its counts left out where they make no difference, every scan shows the same."""
    player = player_for(generated(seed, 6))
    names = [one.name for one in player.part.program.inputs]
    state: State = player.machine.first_power_up()
    for pressed in scans:
        inputs = dict.fromkeys(names, pressed)
        alike = player.machine.scan(player._told_apart(state), inputs, player.part.program.scan_ns)
        state = player.machine.scan(state, inputs, player.part.program.scan_ns)
        assert alike.outputs == state.outputs
        assert player._told_apart(alike) == player._told_apart(state)


def test_the_shortest_trace_is_the_one_a_teacher_would_show() -> None:
    """At rest, press start, let go, cut: nothing else."""
    answer = predict(SMALL["set and reset"], ["m"], environments=[REST])[0]
    assert answer.played is not None
    assert answer.played.trace == Trace((Hold(), Hold((("start", True),)), Hold()), Cut(SUPPLY))


# ---------------------------------------------------------------- scenarios


def test_a_trace_becomes_a_scenario() -> None:
    """Presses, the state before, the cut and what is predicted, as the file a person would write."""
    answer = predict(SMALL["timer"], ["m"], environments=[REST])[0]
    played = answer.findings[SETTLES_ON].played
    assert played is not None
    text = scenario_text(SMALL["timer"], played, name="m-comes-back", purpose='Does "m" come back?', outputs=["m"])
    assert text == (
        "scenario: m-comes-back\n"
        'purpose: "Does \\"m\\" come back?"\n'
        "before:\n"
        "  - press: start\n"
        "    for: 810 ms\n"
        "  - wait: 500 ms\n"
        "  - expect: {m: on}\n"
        "cut: {how: supply, off_for: 2 s}\n"
        "after:\n"
        "  expect:\n"
        "    m: {is: on, within: 2500 ms}\n"
    )


@pytest.mark.parametrize(
    ("name", "key", "claim", "reason"),
    [
        ("falling edge", (SUPPLY, COLD, REST), PULSES, "cold start"),
        ("rising edge", (SUPPLY, WARM, DARK), SETTLES_ON, "presses nothing"),
    ],
)
def test_what_no_scenario_can_hold_is_said(name: str, key: tuple[str, str, str], claim: str, reason: str) -> None:
    """A cold start, and presses while the controller is dark, are for a person."""
    found = {(one.restart, one.start, one.inputs): one for one in predict(SMALL[name], ["m"])}
    played = found[key].findings[claim].played
    assert played is not None
    with pytest.raises(NotForTheRig, match=reason):
        scenario_text(SMALL[name], played, name="x", purpose="x")


def test_a_suite_plays_every_outcome_that_a_rig_can_show() -> None:
    """Few scenarios, and what is missing needs a person's hand in the dark."""
    small = SMALL["set and reset"]
    answers = predict(small, ["m"])
    scripts, missing = small_suite(small, answers)
    assert {inputs for _, _, inputs, _ in missing} == {DARK}
    shown = set().union(*(script.shows for script in scripts))
    assert {("m", SUPPLY, REST, "on"), ("m", SUPPLY, REST, "off"), ("m", MODE, REST, "on")} <= shown
    assert len(scripts) <= 8


def test_each_scenario_of_a_written_suite_asks_another_question() -> None:
    """The purpose says what was on as power went and what is pressed as it comes back: no two ask the same."""
    program = SMALL["set and reset"]
    scripts, _ = small_suite(program, predict(program, ["m"], environments=[REST, HELD]))
    purposes = [line for script in scripts for line in script.text.splitlines() if line.startswith("purpose: ")]
    assert len(purposes) == len(scripts) > 2
    assert len(set(purposes)) == len(purposes)
    assert 'purpose: "Power goes while m is on, and comes back: what will m do?"' in purposes


def test_a_scenario_that_expects_off_first_presses_stop() -> None:
    """Whatever ran before may have left the memory on."""
    small = SMALL["set and reset"]
    scripts, _ = small_suite(small, predict(small, ["m"], environments=[REST]))
    off = next(script for script in scripts if ("m", SUPPLY, REST, "off") in script.shows)
    assert "before:\n  - press: stop\n  - wait: 500 ms\ncut:" in off.text


def test_what_is_missing_says_why() -> None:
    """A press in the dark, or out of run mode, is for a person; a lamp never on for long proves nothing by an off."""
    answers = predict(SMALL["set and reset"], ["m"])
    _, missing = small_suite(SMALL["set and reset"], answers)
    assert {why_not_played(answers, one) for one in missing} == {
        "it needs inputs that change while the controller is dark, when the bench presses nothing",
        "it needs inputs that change while it is out of run mode, when the bench presses nothing",
    }
    lamp = program("set m: start\nreset m: NOT stop\nlamp := m AND NOT m")
    answers = predict(lamp, environments=[REST])
    _, missing = small_suite(lamp, answers)
    assert {why_not_played(answers, one).split(",")[0] for one in missing} == {
        "no scenario shows the output on for long"
    }


def test_no_scenario_of_a_suite_is_needless() -> None:
    """The one that plays most is taken first; once two others play all of it, it goes."""
    player = player_for(SMALL["set and reset"])
    played = [player.play(Trace((Hold(),), Cut(SUPPLY, rungs=number))) for number in range(3)]
    letters = ["abcd", "abx", "cdy"]
    shows = [frozenset(("m", SUPPLY, REST, letter) for letter in word) for word in letters]
    candidates = [(one, some) for one, some in zip(played, shows, strict=True) if one is not None]
    assert [some for _, some in _cover(candidates, set().union(*shows))] == shows[1:]


def test_nothing_is_expected_of_an_output_that_can_never_be_on() -> None:
    """An off of a channel that was never seen on proves nothing, so it is left out, and said to be missing."""
    small = program("set m: start\nreset m: NOT stop\nlamp := m AND NOT m")
    scripts, missing = small_suite(small, predict(small, environments=[REST]))
    assert scripts
    assert not any("lamp" in script.text for script in scripts)
    assert {outcome[0] for outcome in missing} == {"lamp"}


def test_a_channel_is_shown_on_before_its_off_counts() -> None:
    """What stays off after every restart is on before one of the cuts."""
    small = SMALL["held by its own contact"]
    scripts, missing = small_suite(small, predict(small, ["m"], environments=[REST]))
    assert missing == []
    assert any("- expect: {m: on}" in script.text for script in scripts)


@pytest.mark.parametrize("seed", [60, 67, 72, 75])
def test_scenarios_of_a_suite_do_not_depend_on_their_order(seed: int) -> None:
    """Each begins with the presses that make it come out as predicted whichever ran before."""
    made = generated(seed, 5, counters=False)
    answers = predict(made, environments=[REST])
    player = player_for(made)
    traces = [one.played for one in answers if one.played is not None and one.played.by_hand and one.start == WARM]
    played = [again for one in traces[:6] if (again := player.play(one.trace)) is not None]
    chosen = [(one, frozenset({("", "", "", str(number))})) for number, one in enumerate(played)]
    left = [state for one in played if (state := player.left_by(one.trace)) is not None]
    compared = 0
    for one, shows in from_anywhere(player, chosen):
        original = played[int(next(iter(shows))[3])]
        if one.trace == original.trace:
            continue  # no two presses do it: it is played as it is
        for start in left:
            once_more = player.play(one.trace, start)
            assert once_more is not None
            assert {name: seen.settles for name, seen in once_more.seen.items()} == {
                name: seen.settles for name, seen in original.seen.items()
            }
            compared += 1
    assert compared


# ---------------------------------------------------------------- data and tables


def test_there_is_one_object_for_each_combination() -> None:
    """Output x restart x start x inputs, with the words of the contract."""
    small = SMALL["set and reset"]
    answers = predict(small, ["m"])
    told = documents(small, answers, {one.key: explain(small, one, answers) for one in answers})
    assert len(told) == 2 * 2 * 4
    first = told[0]
    assert (first["point"], first["restart"], first["start"], first["inputs"]) == ("m", SUPPLY, WARM, REST)
    assert (first["settles"], first["can_pulse"], first["first_scan"], first["confirmed"]) == (
        "depends",
        False,
        "depends",
        True,
    )
    assert first["decided_by"] == ["m: retained"]
    assert first["cure"] == ["a reset of `m` on the first scan (OR first_scan in rung 2, line 2)"]
    assert first["trace"]["cut"] == {"cut": SUPPLY, "start": WARM, "after_rungs": 0, "inputs": {}}


def test_an_edit_is_named_by_the_outputs_whose_restart_it_changes() -> None:
    """The first-scan reset that got lost."""
    old = predict(SMALL["reset on the first scan"], ["m"], environments=[REST])
    new = predict(SMALL["set and reset"], ["m"], environments=[REST])
    assert [one.key for one in differences(old, new)] == [("m", SUPPLY, WARM, REST), ("m", MODE, WARM, REST)]
    assert differences(old, old) == ()


def test_an_edit_of_a_preset_is_named_by_when_the_output_comes() -> None:
    """The same presses bring it on later; where it is on by the first scan no time is told."""
    slow = SMALL["timer"]
    quick = replace(slow, rungs=tuple(replace(r, preset_ns=70 * MS) if isinstance(r, Timer) else r for r in slow.rungs))
    old, new = (predict(one, ["m"], environments=[REST]) for one in (slow, quick))
    told = "m, loss of supply, inputs at rest: comes back, 500 ms after the program starts -> "
    assert list(difference_lines(differences(old, new))) == [f"{told}comes back, 70 ms after the program starts"]
    assert [answer.coming[1] for answer in (*old, *new)] == [500 * MS, 0, 0, 70 * MS, 0, 0]


def test_editions_stand_one_below_the_other() -> None:
    """A block for each output with a row for each edition, so that six editions are no wider than two."""
    editions = {
        "A": predict(SMALL["set and reset"], ["m"], environments=[REST]),
        "B": predict(program("lamp := start"), ["lamp"], environments=[REST]),
    }
    differ = [one is None or other is None or one.says != other.says for one, other in side_by_side(editions).values()]
    assert differ == [True] * 6
    assert list(edition_lines(editions, {"m": "M1 motor"}))[:4] == [
        "",
        "M1 motor  loss of supply  mode change",
        "  A       comes back      comes back",
        "  B       no such output  no such output",
    ]


def test_the_table_has_a_column_for_each_restart() -> None:
    """What each output does at rest."""
    answers = predict(SMALL["set and reset"], ["m"])
    assert list(table_lines(answers)) == [
        "   loss of supply  mode change  cold start",
        "m  comes back      comes back   stays off",
    ]


def test_why_is_said_once_of_all_restarts_after_which_it_is_the_same() -> None:
    """Reset by the first scan after a loss of supply and after a mode change: one line, which names both."""
    small = SMALL["reset on the first scan"]
    answers = predict(small, ["m"], environments=[REST])
    told = whys_told(answers, {one.key: explain(small, one) for one in answers})
    assert list(told.values()) == [["loss of supply", "mode change"], ["cold start"]]
    assert all(because.startswith("m ") for because in told)


def test_a_timer_before_the_output_is_named_with_its_time() -> None:
    """Why it comes on later stands where it says why it comes on, and why it does not after a mode change."""
    small = SMALL["timer"]
    kept = replace(small, memory={**small.memory, "t": Memory("t", retained=True)})
    for one, restart, through in (
        (small, (SUPPLY, WARM), "times anew after the restart"),
        (small, (SUPPLY, COLD), "times anew after the restart"),
        (small, (MODE, WARM), "keeps its time through a mode change"),
        (kept, (SUPPLY, WARM), "is retained with its time"),
        (kept, (SUPPLY, COLD), "times anew after the restart"),
    ):
        (answer,) = predict(one, ["m"], restarts=[restart], environments=[REST])
        assert f"`t` is on once `go` was on for 500 ms (rung 3, line 3) and {through}" in explain(one, answer).because


def test_a_scenario_writes_a_number_in_all_its_digits() -> None:
    """A counter of seven digits is set to what it was proven with, not to that rounded to six."""
    assert [*_moved((), (("counted", 1_234_567),), {"counted": 0})] == ["  - write: {counted: 1234567}"]
