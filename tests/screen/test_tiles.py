"""Tiles for a projector: each output is large, says what it is, what is demanded and how it was judged, and fits."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from builders import S, dryer_rig
from live_values import (
    NEVER_ON,
    burner_finding,
    burner_scenario,
    cycle_started,
    expectation,
    judged_cycle,
    run_started,
    state,
)
from restart_bench.model.journal import CycleJudged, Finding, RunEnded, ScenarioJudged, Trouble
from restart_bench.model.rig import Device, Point, Rig, Wanted
from restart_bench.model.verdicts import Verdict, worst
from restart_bench.screen.block_letters import block_letters
from restart_bench.screen.frame import banner, frame
from restart_bench.screen.screen import Picture
from restart_bench.screen.screen_state import Gathered
from restart_bench.screen.strips import ASCII, UNICODE
from restart_bench.screen.tiles import grid, lanes_if_wide, tiles, value_letters
from restart_bench_drivers.by_hand import ByHand
from restart_bench_drivers.interface import SupplyError

ON = dict.fromkeys(("auger", "burner", "fan", "auger_terminal", "burner_terminal", "fan_terminal"), True)


def two_lamps() -> Rig:
    """A rig of the first lesson's kind: two outputs that bear what stands on their lamps."""
    points = {
        "m1": Point("m1", "controller", "coil", 0, label="M1 elevator"),
        "m2": Point("m2", "controller", "coil", 1, label="M2 blower"),
    }
    return Rig("lesson", "harmless", {"controller": Device("controller", "h", powered_by_supply=True)}, points)


def gathered(rig: Rig | None = None, values: dict[str, object] | None = None, **changes: object) -> Gathered:
    rig = rig or dryer_rig()
    scenarios = (burner_scenario(rig),) if "burner" in rig.points else ()
    made = Gathered(rig, scenarios, True, program="edition 7", **changes)  # type: ignore[arg-type]
    made.record(run_started(rig))
    made.record(cycle_started())
    made.live(state(S, values or dict(ON)))
    return made


def shown(made: Gathered, width: int = 80, height: int = 24) -> list[str]:
    return [line.plain for line in tiles(made, width, height, UNICODE)]


def in_letters(word: str, lines: list[str]) -> bool:
    """Whether a word stands there in block letters, whatever their width."""
    rows = [block_letters(word, across=across)[2].strip() for across in (1, 2)]
    return any(row in line for row in rows for line in lines)


def wholly_in_letters(word: str, lines: list[str]) -> bool:
    """The same, row by row: the middle one of OFF is part of that of PASS."""
    drawn = [[row.strip() for row in block_letters(word, across=across)] for across in (1, 2)]
    return any(all(any(row in line for line in lines) for row in rows) for rows in drawn)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 40), (140, 40)])
def test_a_tile_shows_name_state_demand_and_verdict(width: int, height: int) -> None:
    """All that a class asks of an output stands in its tile, on or off in letters five rows high."""
    made = gathered(values={**ON, "burner": False, "burner_terminal": False})
    made.record(judged_cycle(1, burner_finding(1, Verdict.PASS)))
    lines = shown(made, width, height)
    text = "\n".join(lines)
    assert "edition 7" in text
    assert "PASS" in text or in_letters("PASS", lines)
    for name in ("auger", "burner", "fan"):
        assert name in text or in_letters(name, lines), name
    for word in ("ON", "OFF"):
        assert in_letters(word, lines), word
    assert ("demanded" if height > 24 else "must be OFF: PASS") in text


@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40)])
def test_two_outputs_get_letters_twice_as_wide(width: int, height: int) -> None:
    """The fewer outputs the larger: with two of them each dot of OFF is two characters wide or more."""
    lines = shown(gathered(two_lamps(), {"m1": False, "m2": False}), width, height)
    assert any(block_letters("OFF", across=2)[1].strip() in line for line in lines)


@pytest.mark.parametrize("width", [80, 140])
def test_what_stands_on_the_lamp_is_large(width: int) -> None:
    """M1 and M2 can be told apart from the back: where the whole name does not fit in block letters, that does."""
    lines = shown(gathered(two_lamps(), {"m1": True, "m2": False}), width, 40)
    assert in_letters("M1", lines)


@given(st.integers(20, 140), st.integers(1, 30))
def test_a_tile_does_not_jump_when_its_output_comes_on(width: int, height: int) -> None:
    """On is written in letters of the size of off, and a margin keeps both from the frame."""
    on, off = (value_letters(value, False, width, height, UNICODE) for value in (True, False))
    assert len(on) == len(off) <= height
    assert len(on[0]) <= len(off[0]) <= width - 2


def test_on_is_told_from_off_and_from_what_nobody_reads_without_colour() -> None:
    """A filled frame is on, an empty one off; what is not read is a question mark, never off."""
    rows = shown(gathered(two_lamps(), {"m1": True, "m2": None}))
    frames = [line for line in rows if UNICODE.corners[0] in line]
    assert len(frames) == 1
    assert frames[0].startswith(UNICODE.ink * 10)
    assert any(block_letters("?", across=2)[0].strip() in line for line in rows)
    assert not any(block_letters("OFF", across=2)[1].strip() in line for line in rows)


def test_a_fail_in_any_cycle_stays_on_its_tile() -> None:
    """Good cycles do not wash away a bad one: the worst verdict stands with how many cycles had it."""
    made = gathered()
    made.record(judged_cycle(1, burner_finding(1, Verdict.PASS), burner_finding(1, Verdict.FAIL, "was on")))
    made.record(judged_cycle(2, burner_finding(2, Verdict.PASS)))
    text = "\n".join(shown(made, 140, 40))
    assert "1 of 2 cycles" in text
    assert "FAIL" in text or in_letters("FAIL", text.splitlines())
    assert "no verdict yet" in text  # the fan, of which something is demanded and nothing was judged


@pytest.mark.parametrize("height", [24, 40])
def test_of_an_output_that_may_be_off_or_on_nothing_is_demanded(height: int) -> None:
    """As in a survey: all that is asked is that it can be read to the end."""
    rig, made = dryer_rig(), gathered()
    either = tuple(
        expectation(rig, name, "is", Wanted(one_of=(False, True)), "is off or on") for name in ("burner", "fan")
    )
    made.scenarios = (burner_scenario(rig, after=either),)
    text = "\n".join(shown(made, 140, height))
    assert "off or on" not in text
    assert text.count("nothing is demanded but that it can be") == 2


def test_an_output_of_which_nothing_is_demanded_says_so() -> None:
    """Nobody takes an output that was only watched for one that passed."""
    text = "\n".join(shown(gathered(two_lamps(), {"m1": True, "m2": True}), 140, 40))
    assert text.count("nothing is demanded") == 2
    assert text.count("not judged") == 2


def test_a_demand_stands_in_the_words_of_the_scenario() -> None:
    """What is demanded reads as in record and console."""
    assert NEVER_ON in " ".join("\n".join(shown(gathered(), 200, 60)).split())


@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40)])
def test_where_people_are_asked_what_they_expect_no_view_tells_it_before_they_answered(width: int, height: int) -> None:
    """What is demanded would give the answer away: in each cycle anew it is shown after the answers."""
    made = gathered(asks_first=True)
    for cycle in (1, 2):
        for phase in ("before", "asking first"):
            made.live(state(2 * cycle * S, dict(ON), phase=phase, doing="", cycle=cycle))
            text = "\n".join([*shown(made, width, height), *(one.plain for one in frame(made, width, height, UNICODE))])
            assert "must be" not in text
            assert "never" not in text
        made.record(Trouble(cycle, "asked first", "people were asked first", 2 * cycle * S, error=False))
        made.live(state((2 * cycle + 1) * S, dict(ON), phase="watching", cycle=cycle))
        assert ("must be OFF" if height == 24 else "demanded: never") in "\n".join(shown(made, width, height))
        made.record(judged_cycle(cycle, burner_finding(cycle, Verdict.FAIL, f"was on; demanded: {NEVER_ON}")))


def test_nothing_takes_the_place_of_replay() -> None:
    """In a replay a note says nothing to do, and behind trouble it is still told that nothing is switched."""
    made = gathered(replay="20260101T000000Z-0001")
    made.record(Trouble(1, "asked first", "people were asked first: the cut came 2 s later", 2 * S, error=False))
    assert shown(made)[-1].startswith("REPLAY of 20260101T000000Z-0001: nothing is switched.")
    made.record(Trouble(1, "relay", "the relay did not answer " * 5, 2 * S))
    assert shown(made)[-1].startswith("REPLAY, nothing is switched. the relay did not")
    assert shown(made)[-1].endswith(" ...")


SCENARIOS = ("power-goes", "mode-goes", "stop-first")


def lesson(**verdicts: tuple[Verdict, Verdict, Verdict]) -> Gathered:
    """A run of three scenarios that has ended; beside each output its verdict in each of them. The last picture is of
    the last scenario."""
    rig = two_lamps()
    demands = {
        name: expectation(rig, name, "is", Wanted(equals=False), "is off") for name in verdicts
    }  # fmt: skip
    scenarios = tuple(replace(burner_scenario(), name=name, after=tuple(demands.values())) for name in SCENARIOS)
    made = Gathered(rig, scenarios, True, replay="20260101T000000Z-0001")
    words = [worst(each) for each in zip(*verdicts.values(), strict=True)]
    for number, name in enumerate(SCENARIOS):
        found = [
            Finding(name, "", number + 1, point, "is off", each[number], "") for point, each in verdicts.items()
        ]  # fmt: skip
        made.record(CycleJudged(number + 1, name, "", words[number], "", (), tuple(found)))
    made.live(state(9 * S, dict.fromkeys(verdicts, False), scenario=SCENARIOS[-1], cycle=3, of_cycles=3))
    for name, word in zip(SCENARIOS, words, strict=True):
        made.record(ScenarioJudged(name, word, "", 1))
    made.record(RunEnded("x", "completed", worst(words), 0, "", 9 * S, ""))
    return made


P, F, D, X = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.ERROR


@pytest.mark.parametrize(("width", "height"), [(80, 23), (140, 39)])
@pytest.mark.parametrize(("first", "word", "many", "named"), [
    ((F, F, P), "FAIL", "2 of 3 scenarios", "power-goes, mode-goes"),
    ((P, D, P), "INCONCLUSIVE", "1 of 3 scenarios", "mode-goes"),
    ((X, P, P), "ERROR", "1 of 3 scenarios", "power-goes"),
    ((P, P, P), "PASS", "3 of 3 scenarios", ""),
])  # fmt: skip
def test_at_the_end_of_a_run_each_tile_bears_its_worst_verdict(
    width: int, height: int, first: tuple[Verdict, Verdict, Verdict], word: str, many: str, named: str
) -> None:
    """Whatever the last scenario came to, the result of the run stands large, and in each tile the worst of all
    scenarios with its names."""
    lines = shown(lesson(m1=first, m2=(P, P, P)), width, height)
    text = " ".join("\n".join(lines).split())
    assert in_letters(word, lines[:8]) or word in text
    assert f"run: {word} ({many})" in text
    assert named in text
    if word != "PASS":
        assert not in_letters("PASS", lines[:6])
        assert any(word in line or in_letters(word, [line]) for line in lines[8:-3])
    assert "PASS" in text or in_letters("PASS", lines)
    assert "in every scenario" in text


@pytest.mark.parametrize(("width", "height"), [(80, 23), (140, 39)])
def test_at_the_end_no_state_stands_above_the_verdict_of_several_scenarios(width: int, height: int) -> None:
    """It is off at the end of the last one, and was on when it failed, or when another one passed: a large OFF above
    the verdict would look like what was seen."""
    lines = shown(lesson(m1=(P, F, P), m2=(P, P, P)), width, height)
    failed, passed = [line[: width // 2] for line in lines[8:]], [line[width // 2 :] for line in lines[8:]]
    assert wholly_in_letters("FAIL", failed) and not wholly_in_letters("OFF", failed)
    assert wholly_in_letters("PASS", passed) and not wholly_in_letters("OFF", passed)


def test_an_error_that_is_no_single_outputs_is_every_outputs() -> None:
    """Where a scenario is an error, no tile tells of passes in it; a fail is that of the output that failed."""
    made = lesson(m1=(P, P, P), m2=(P, P, F))
    made.record(ScenarioJudged("mode-goes", Verdict.ERROR, "", 1))
    assert made.over_all("m1") == (Verdict.ERROR, ("mode-goes",))
    assert made.over_all("m2") == (Verdict.FAIL, ("stop-first",))


def test_an_output_that_a_cycle_left_untested_has_the_verdict_of_the_cycle() -> None:
    """Two good cycles do not make a pass of a third in which nothing was cut."""
    made = gathered()
    made.record(judged_cycle(1, burner_finding(1, Verdict.PASS)))
    made.record(replace(judged_cycle(2, verdict=Verdict.ERROR), not_tested=("burner",)))
    assert "ERROR" in "\n".join(shown(made)) and "PASS" not in "\n".join(shown(made))


def test_the_result_of_a_run_does_not_stand_below_the_name_of_its_last_scenario() -> None:
    """FAIL in large letters is of the run; stop-first, which was played last, passed."""
    head = shown(lesson(m1=(F, F, P), m2=(P, P, P)))[0]
    assert "end of the run" in head and "stop-first" not in head


def test_a_run_that_was_stopped_says_so_at_its_end() -> None:
    """What was not done has no verdict."""
    made = lesson(m1=(P, P, P), m2=(P, P, P))
    made.record(RunEnded("x", "stopped", Verdict.ERROR, 130, "", 9 * S, ""))
    assert "run: NOT COMPLETE" in "\n".join(shown(made))


@pytest.mark.parametrize("picture", [tiles, frame])
def test_at_a_failure_a_replay_says_what_failed(picture: Picture) -> None:
    """The picture names the output, what it is and what it should be; a second later it is no longer here."""
    made = gathered(replay="20260101T000000Z-0001")
    should = burner_finding(1, Verdict.FAIL, "was on")
    made.failing = ((S - 1, should),)
    made.counted[Verdict.PASS] = 1
    text = "\n".join(line.plain for line in picture(made, 80, 24, UNICODE))
    assert "FAIL here: burner is on, should never be on for 20 ms or longer" in text
    assert "nothing but passes" not in text  # of the cycles before: this one fails
    made.live(state(3 * S, dict(ON)))
    lines = [line.plain for line in picture(made, 80, 24, UNICODE)]
    assert "FAIL here" not in "\n".join(lines)
    assert picture is frame or any("FAIL" in line for line in lines)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40)])
@pytest.mark.parametrize(("since_s", "named"), [(5, True), (2, False)])
def test_a_tile_says_that_the_function_check_moved_its_output(
    width: int, height: int, since_s: int, named: bool
) -> None:
    """What is on because somebody pressed did not come back by itself; what was on before the check did."""
    made = gathered(values={**ON, "burner": False, "burner_terminal": False})
    changed = {**ON, "fan_terminal": True}
    made.live(state(since_s * S, changed))
    made.live(state(6 * S, changed, phase="function check", phase_started_ns=4 * S))
    assert ("function check" in "\n".join(shown(made, width, height)[:-3])) is named


def test_tiles_count_the_verdicts_of_cycles() -> None:
    """How many cycles passed and failed stands below the tiles, as it does below the lanes."""
    made = gathered()
    made.record(judged_cycle(1, burner_finding(1, Verdict.PASS)))
    made.record(judged_cycle(2, burner_finding(2, Verdict.FAIL)))
    assert "2 of 20 cycles done: pass 1, fail 1" in "\n".join(shown(made))


def test_a_rehearsal_bears_no_verdict() -> None:
    """Nothing is cut, so no tile says pass."""
    made = gathered(rehearsal=True)
    made.record(judged_cycle(1, burner_finding(1, Verdict.PASS)))
    assert "PASS" not in "\n".join(shown(made, 140, 40))


@pytest.mark.parametrize("width", [60, 80, 140])
def test_the_scenario_is_whole_in_the_first_line(width: int) -> None:
    """Where not all fits, the rig gives way, then the edition."""
    made = gathered()
    made.program = "the first lesson, edition 4"
    head = shown(made, width)[0]
    assert "burner-stays-shut" in head and "cycle 1 of 20" in head
    assert (dryer_rig().name in head) is (width == 140)


def test_the_program_in_the_controller_is_named_by_what_identifies_it() -> None:
    """On a real rig the edition is what the controller says of itself, and where it says nothing, that is said."""
    rig = replace(dryer_rig(), program=("batch_count",))
    made = gathered(rig, {**ON, "batch_count": 7})
    made.program = ""
    assert "batch_count 7" in shown(made)[0]
    made.rig = replace(rig, program=())
    assert "not identified" in shown(made)[0]


@pytest.mark.parametrize("picture", [tiles, frame])
@pytest.mark.parametrize(("driver", "answering", "denied"), [
    ("by-hand", True, True), ("by-hand", False, False), ("by-hand", None, False), ("modbus-coil", True, False),
])  # fmt: skip
def test_off_by_a_persons_word_is_doubted_while_the_controller_answers(
    picture: Picture, driver: str, answering: bool | None, denied: bool
) -> None:
    """Large letters do not say that power is off beside a controller that goes on answering, and say who said so."""
    made = off_by_word(driver, answering=answering, powered=None)
    lines = [line.plain for line in picture(made, 80, 24, UNICODE)]
    assert ("you said OFF, but the controller still answers" in "\n".join(lines)) is denied
    assert banner(made).letters == ("STILL ANSWERING" if denied else "POWER IS OFF")


@pytest.mark.parametrize("picture", [tiles, frame])
def test_whoever_said_off_too_early_reads_with_the_question_what_to_do(picture: Picture) -> None:
    """After an OFF that was none the switch that was never turned is to be left, whoever asks how often."""
    made = off_by_word("by-hand", answering=True, powered=None)
    questions: list[str] = []
    switch = ByHand(switch="Q1", ask=lambda question: "OFF" in question or bool(questions.append(question)))
    switch.off()
    with pytest.raises(SupplyError, match="three times"):
        switch.on()
    for made.question in questions:
        lines = [line.plain.strip() for line in picture(made, 80, 24, UNICODE)]
        assert "where it is ON already leave it so and answer y" in " ".join(lines)


def test_a_proof_that_says_off_is_believed() -> None:
    """Held up by its capacitors a controller answers on: where the rail was read off, nobody is contradicted."""
    assert banner(off_by_word("by-hand", answering=True, powered=False)).letters == "POWER IS OFF"


@pytest.mark.parametrize("picture", [tiles, frame])
@pytest.mark.parametrize("width", [80, 140])
def test_out_of_run_mode_what_only_memory_tells_is_said_to_be_memory(picture: Picture, width: int) -> None:
    """A program that stands still may leave its outputs on in memory and off at their terminals: where no terminal is
    looked at, the picture says so; where one is, and in run mode, it says nothing."""
    rig = two_lamps()
    modes = (replace(burner_scenario(), name="burner-stays-shut", how="mode", after=()),)
    for looked_at, out, said in ((False, True, True), (True, True, False), (False, False, False)):
        points = {**rig.points, "m2": replace(rig.points["m2"], terminal="m2_seen"), "m2_seen": SEEN}
        points["m1"] = replace(points["m1"], terminal="m1_seen" if looked_at else None)
        points["m1_seen"] = replace(SEEN, name="m1_seen")
        devices = {**rig.devices, "io": Device("io", "h")}
        made = Gathered(replace(rig, points=points, devices=devices), modes, True)
        values = {"m1": True, "m2": True, "m1_seen": True, "m2_seen": False}
        made.live(state(2 * S, values, cut_ns=S, restored_ns=None if out else S + 1, doing="", running=not out))
        text = "\n".join(line.plain for line in picture(made, width, 24, UNICODE))
        assert ("on in memory, the terminal may be off" in text) is said


SEEN = Point("m2_seen", "io", "discrete_input", 0)


@pytest.mark.parametrize("picture", [tiles, frame])
def test_what_does_not_count_while_the_controller_answers_says_why(picture: Picture) -> None:
    """A question mark beside ANSWERING would be a riddle: the heartbeat that stands is named."""
    made = gathered()
    made.live(state(2 * S, dict(ON), answering=False))
    made.live(state(3 * S, {**ON, "heartbeat": 1}))
    assert "not counted: heartbeat stands" in "\n".join(line.plain for line in picture(made, 80, 24, UNICODE))
    for beat in (2, 3):
        made.live(state((2 + beat) * S, {**ON, "heartbeat": beat}))
    assert "not counted" not in "\n".join(line.plain for line in picture(made, 80, 24, UNICODE))


def test_what_contradicts_a_persons_word_does_not_begin_with_it() -> None:
    """Beside STILL ANSWERING no line says that power is off."""
    made = off_by_word("by-hand", answering=True, powered=None)
    made.live(replace(made.state, phase="power is off", at_ns=3 * S))  # type: ignore[type-var]
    for picture in (tiles, frame):
        assert "power is off" not in "\n".join(line.plain for line in picture(made, 80, 24, UNICODE)).lower()


def off_by_word(driver: str, *, answering: bool | None, powered: bool | None) -> Gathered:
    rig = dryer_rig()
    assert rig.supply is not None
    made = gathered(replace(rig, supply=replace(rig.supply, driver=driver)))
    made.live(state(2 * S, dict(ON), supply="off", powered=powered, answering=answering, cut_ns=S))
    return made


@pytest.mark.parametrize("picture", [tiles, frame])
def test_a_time_that_is_over_is_not_told(picture: Picture) -> None:
    """While a person is waited for, no clock stands at 0.0 s."""
    made = gathered()
    for ends, told in ((3 * S, True), (2 * S, False), (S, False)):
        made.live(state(2 * S, dict(ON), phase_ends_ns=ends))
        text = "\n".join(line.plain for line in picture(made, 80, 24, UNICODE))
        assert ("1.0 s left" in text) is told
        assert "0.0 s left" not in text


@pytest.mark.parametrize("picture", [tiles, frame])
def test_a_long_trouble_hides_neither_its_end_nor_that_all_is_simulated(picture: Picture) -> None:
    """The last line says that nothing real is switched, and is cut between words, with a sign that there is more."""
    made = gathered()
    made.trouble = "an image from before the cut would be taken for a new one whatever `alive` says of the controller"
    last = picture(made, 80, 24, UNICODE)[-1].plain
    assert last.startswith("SIMULATED. ") and last.endswith(" ...") and len(last) <= 80
    words = made.trouble.split()
    assert last.removeprefix("SIMULATED. ").removesuffix(" ...").split() == words[: len(last.split()) - 2]


@pytest.mark.parametrize("picture", [tiles, frame])
@pytest.mark.parametrize(("width", "height"), [(40, 12), (80, 12), (80, 24), (140, 40)])
@pytest.mark.parametrize("devices", [(), ("controller", "independent")])
@pytest.mark.parametrize("read", [False, True])
def test_nothing_takes_the_place_of_armed(
    picture: Picture, width: int, height: int, devices: tuple[str, ...], read: bool
) -> None:
    """That something real may be switched stands in the last line from the first question on, beside any trouble; what
    is only for the record stands there not at all."""
    made = Gathered(dryer_rig(), (burner_scenario(),), False)
    made.record(replace(run_started(), simulated=False, simulated_devices=devices))
    if read:
        made.live(state(S, dict(ON)))
    said = "ARMED, but on a SIMULATED RIG" if devices else "ARMED."
    made.question = "Switch OFF now: main switch Q1. Is it OFF? [y/n]"
    assert said in picture(made, width, height, UNICODE)[-1].plain
    made.question = ""
    made.record(Trouble(1, "asked first", "people were asked first: the cut came 2 s later", 2 * S, error=False))
    assert [said in line.plain for line in picture(made, width, height, UNICODE)].count(True) == 1
    assert picture(made, width, height, UNICODE)[-1].plain.startswith(said)
    assert "asked first" not in picture(made, width, height, UNICODE)[-1].plain
    made.record(Trouble(1, "relay", "the relay did not answer " * 9, 2 * S))
    assert picture(made, width, height, UNICODE)[-1].plain.startswith(said)
    assert picture(made, width, height, UNICODE)[-1].plain.endswith(" ...")


@pytest.mark.parametrize("picture", [tiles, frame])
def test_of_a_replayed_run_no_time_is_left(picture: Picture) -> None:
    """What is over has no time left, so none is called unknown."""
    assert "time left" in "\n".join(line.plain for line in picture(gathered(), 80, 24, UNICODE))
    replayed = gathered(replay="20260727T142233Z-4f2a")
    assert "time left" not in "\n".join(line.plain for line in picture(replayed, 80, 24, UNICODE))


@pytest.mark.parametrize("verdict", Verdict)
def test_a_fail_is_not_as_demanded(verdict: Verdict) -> None:
    """A program that does what it was made to do can fail: the tile says what the word is measured by."""
    made = gathered()
    made.record(judged_cycle(1, burner_finding(1, verdict, "was on")))
    assert ("not as demanded, 1 of 1 cycle" in "\n".join(shown(made, 140, 40))) is (verdict is Verdict.FAIL)


# ---------------------------------------------------------------- a question


@pytest.mark.parametrize("picture", [tiles, frame])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (140, 40)])
def test_a_question_stands_in_the_picture_and_the_picture_stays(picture, width: int, height: int) -> None:  # type: ignore[no-untyped-def]
    """While a person is asked, question, answer so far and outputs are all to be seen."""
    made = gathered()
    made.question, made.typed = "Switch OFF now: main switch Q1 (the controller loses its power). Is it OFF? [y/n]", "y"
    lines = [line.plain for line in picture(made, width, height, UNICODE)]
    text = " ".join(" ".join(lines).split())
    assert f"{made.question} y_" in text
    assert "burner" in text
    assert len(lines) <= height


@pytest.mark.parametrize("picture", [tiles, frame])
@pytest.mark.parametrize(("width", "height"), [(80, 12), (60, 14), (60, 8)])
def test_a_small_window_hides_much_but_no_question(picture, width: int, height: int) -> None:  # type: ignore[no-untyped-def]
    """A question that nobody can see would look like a bench that hangs."""
    made = gathered()
    made.question = "Switch OFF now: main switch Q1 (the controller loses its power). Is it OFF? [y/n]"
    lines = [line.plain for line in picture(made, width, height, UNICODE)]
    assert made.question in " ".join(" ".join(lines).split())
    assert len(lines) <= height


@pytest.mark.parametrize("picture", [tiles, frame])
def test_a_question_before_the_first_reading_can_be_read(picture) -> None:  # type: ignore[no-untyped-def]
    """The first thing a by-hand rig asks is for its supply, before anything was read."""
    made = Gathered(dryer_rig(), (), True, question="Switch ON now. Is it ON? [y/n]")
    assert any("Switch ON now. Is it ON? [y/n]" in line.plain for line in picture(made, 80, 24, UNICODE))


# ---------------------------------------------------------------- it fits


@given(st.integers(1, 40), st.integers(40, 200), st.integers(4, 60))
def test_tiles_never_take_more_than_there_is(count: int, width: int, height: int) -> None:
    """Columns and rows stay inside the window, and all tiles find a place where there is one for all."""
    columns, rows = grid(count, width, height)
    assert columns * (width // columns) <= width
    assert rows * (height // rows) <= height
    assert columns * rows >= count or height // rows < 9


@given(st.text(max_size=30), st.integers(40, 160), st.integers(12, 60), st.integers(1, 12), st.text(max_size=80))
def test_any_text_of_a_file_leaves_the_picture_whole(
    text: str, width: int, height: int, outputs: int, asked: str
) -> None:
    """A label or a question in any script moves nothing and takes no more than its place."""
    points = {f"p{n}": Point(f"p{n}", "controller", "coil", n, label=text or "x") for n in range(outputs)}
    rig = Rig("r", "harmless", {"controller": Device("controller", "h", powered_by_supply=True)}, points)
    made = gathered(rig, dict.fromkeys(points, True))
    made.question = asked
    for glyphs in (UNICODE, ASCII):
        lines = [line.plain for line in tiles(made, width, height, glyphs)]
        assert len(lines) <= height
        assert max(cell_len(line) for line in lines) <= width
        assert not any(ord(one) < 32 or ord(one) == 127 for line in lines for one in line)


@pytest.mark.parametrize("width", [40, 50, 59, 60, 80])
def test_the_picture_with_lanes_gives_way_to_tiles_where_it_has_no_room(width: int) -> None:
    """In a window too narrow for lights and lanes nothing is wrapped: the tiles stand there, which need less."""
    lines = [line.plain for line in lanes_if_wide(gathered(), width, 14, UNICODE)]
    assert max(map(cell_len, lines)) <= width
    assert any("ANSWERING" in line for line in lines) is (width >= 60)
