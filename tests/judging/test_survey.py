"""A survey claims only what was so: truths are made up, polled, classified, and the classes compared with the truth.
Presses are searched on made-up machines, and what the search relies on is played again from every state."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, S, Story, dryer, scenario
from restart_bench.evidence.evidence import Evidence
from restart_bench.judging.inquiry.drafts import draft_of, kinds_for, played
from restart_bench.judging.inquiry.presses import PressSeen, Start, again_order, press_order, search
from restart_bench.judging.inquiry.survey import (
    NEVER_ON,
    CutKind,
    OutputCycle,
    SurveyRow,
    Watched,
    behaviour,
    explanation,
    survey_rows,
    value_rows,
    watched,
)
from restart_bench.model.rig import Rig

POWER, MODE = CutKind("supply", 1 * S), CutKind("mode", 1 * S)
CUT, BACK, RUNS = 2 * S, 3 * S, 3_502 * MS
LOST = CUT + 5 * MS

Truth = tuple[bool, bool, list[tuple[int, int]]]
"""Before the cut, at the end, and pulses between as (pause before, length) in milliseconds."""
truths = st.tuples(
    st.booleans(), st.booleans(), st.lists(st.tuples(st.integers(40, 160), st.integers(1, 90)), max_size=2)
)
outages = st.lists(st.tuples(st.integers(1_900, 4_700), st.integers(1, 300)), max_size=2)


def spans_of(truth: Truth) -> tuple[list[tuple[int, float]], list[int]]:
    """The changes of a made-up output, and how long its pulses last."""
    before, end, pulses = truth
    changes: list[tuple[int, float]] = [(0, float(before)), (LOST, 0.0)]
    at = BACK + 60 * MS
    for pause, length in pulses:
        at += pause * MS
        changes += [(at, 1.0), (at + length * MS, 0.0)]
        at += length * MS
    if end:
        changes.append((max(at + 50 * MS, RUNS), 1.0))
    return changes, [length * MS for _, length in pulses]


def seen_of(truth: Truth, seed: int = 1, hidden: Sequence[tuple[int, int]] = ()) -> OutputCycle:
    """The same as a survey sees it."""
    story = Story(seed=seed).set("burner_terminal", *spans_of(truth)[0])
    for begin, length in hidden:
        story.hide("independent", begin * MS, (begin + length) * MS)
    return tabulated(story, POWER).outputs["burner"]


def tabulated(story: Story, kind: CutKind) -> Watched:
    """A story as a survey tabulates it."""
    one = watched(Evidence(story.rig, story.scenario, story.records(), story.samples()), kind)
    assert one is not None
    return one


# ---------------------------------------------------------------- classes


@examples(20)
@given(truth=truths, seed=st.integers(0, 10_000), hidden=outages)
def test_stays_off_is_never_said_where_a_pulse_longer_than_the_excluded_one_was(
    truth: Truth, seed: int, hidden: list[tuple[int, int]]
) -> None:
    """Whatever was overlooked is shorter than what the row says to be excluded."""
    seen = seen_of(truth, seed, hidden)
    word, _ = behaviour([seen])
    if word in ("stays off", "comes back", "comes on"):
        assert all(length < seen.excluded_ns for length in spans_of(truth)[1])
    if word == "stays off":
        assert truth[:2] == (True, False)


def test_a_pulse_that_nobody_read_is_within_what_is_not_excluded() -> None:
    """It fell into an outage of the independent I/O: the class is that of the reads, and the gap stands beside it."""
    seen = seen_of((True, False, [(60, 150)]), hidden=[(3_100, 200)])
    assert behaviour([seen])[0] == "stays off"
    assert seen.excluded_ns >= 150 * MS


def image_only() -> Rig:
    """The dryer, its burner wired to no independent I/O."""
    rig = dryer()
    return replace(rig, points={**rig.points, "burner": replace(rig.points["burner"], terminal=None)})


@pytest.mark.parametrize("lasts_ms", [1200, 5000])
@pytest.mark.parametrize("wired", [True, False])
def test_what_is_on_for_a_while_after_power_is_back_is_not_said_to_stay_off(lasts_ms: int, wired: bool) -> None:
    """On before the cut, and on with power back until it goes off: held through the cut, or on again in the dark, where
    no read shows it off. That is a pulse, as long as it was."""
    story = Story(end_ns=14_500 * MS, rig=dryer() if wired else image_only(), scenario=scenario(watch_ns=10 * S))
    ends = (BACK if wired else RUNS) + lasts_ms * MS
    if wired:
        story.set("burner_terminal", (0, 1), (ends, 0))
    else:
        story.set("burner", (0, 1), (CUT, 0), (RUNS, 1), (ends, 0))
    seen = tabulated(story, POWER).outputs["burner"]
    assert behaviour([seen])[0] == "pulses"
    (pulse,) = seen.pulses
    assert pulse.lasted_ns[0] <= lasts_ms * MS <= pulse.lasted_ns[1]
    low, high = pulse.begun_ns
    assert low <= (0 if wired else RUNS - BACK) <= high + 60 * MS


def test_what_is_over_before_the_return_is_no_pulse_of_the_restart() -> None:
    """It chattered as power went: off after the restart, and the row says so beside it."""
    story = Story().set("burner_terminal", (0, 1), (LOST, 0), (CUT + 60 * MS, 1), (CUT + 100 * MS, 0))
    seen = tabulated(story, POWER).outputs["burner"]
    word, notes = behaviour([seen])
    assert word == "stays off" and seen.pulses == ()
    assert "on for a while between the cut and the return, in 1 cycle of 1" in notes


def test_what_was_read_on_through_the_cut_is_told_to_have_come_back_from_nowhere() -> None:
    """A controller that rode through, or a second feed: nothing that behaves like a restart is named for it."""
    story = Story(scenario=replace(scenario(), restart="either")).never_dark()
    story.set("burner_terminal", (0, 1)).set("burner", (0, 1))
    rows = survey_rows(story.rig, [tabulated(story, POWER)])
    (row,) = (one for one in rows if one.point == "burner")
    assert "never read off: it may have stayed on all through, in 1 cycle of 1" in row.notes
    assert explanation([row], None) == ""


@examples(20)
@given(cycles=st.lists(st.tuples(st.booleans(), st.booleans(), st.integers(0, 2)), min_size=1, max_size=4))
def test_without_pulses_the_class_is_the_true_one(cycles: list[tuple[bool, bool, int]]) -> None:
    """What a person would say who sees all cycles at once."""
    word, _ = behaviour([quiet(*one) for one in cycles])
    assert word == said_by_a_person([(before, end) for before, end, _ in cycles])


@cache
def quiet(before: bool, end: bool, seed: int) -> OutputCycle:
    return seen_of((before, end, []), seed)


def said_by_a_person(cycles: Sequence[tuple[bool, bool]]) -> str:
    ends = {(before, end) for before, end in cycles}
    if {(True, True), (True, False)} <= ends or {(False, True), (False, False)} <= ends:
        return "unsteady"
    if ends == {(False, False)}:
        return "not seen"
    if ends == {(True, False), (False, True)}:
        return "unsteady"
    if (False, True) in ends:
        return "comes on"
    return "comes back" if (True, True) in ends else "stays off"


@examples(12)
@given(before=st.booleans(), end=st.booleans(), length=st.integers(12, 90), seed=st.integers(0, 999))
def test_a_pulse_that_polling_can_not_miss_makes_the_class_pulses(
    before: bool, end: bool, length: int, seed: int
) -> None:
    """Its bounds hold its true begin and its true length."""
    seen = seen_of((before, end, [(50, length)]), seed)
    word, notes = behaviour([seen])
    assert word == "pulses" and "in 1 cycle of 1" in notes[0]
    (pulse,) = seen.pulses
    assert pulse.lasted_ns[0] <= length * MS <= pulse.lasted_ns[1]
    assert pulse.begun_ns[0] <= 110 * MS - 2 * MS <= pulse.begun_ns[1]


@pytest.mark.parametrize(
    ("ends", "word"),
    [
        ({"start pressed": (True, True), "stop pressed": (False, False)}, "by start"),
        ({"start pressed": (True, False), "stop pressed": (False, False)}, "unsteady"),
        ({"start pressed": (True,), "stop pressed": (False,)}, "unsteady"),
    ],
)
def test_what_the_state_before_decides_each_time_is_not_called_unsteady(
    ends: dict[str, tuple[bool, ...]], word: str
) -> None:
    """Off before every cut; on after each from one state and off after each from the other, twice at least."""
    cycles = [replace(quiet(False, end, 1), start=start) for start, mine in ends.items() for end in mine]
    said, notes = behaviour(cycles)
    assert said == word
    if word == "by start":
        assert notes == ("on in each cycle cut from: start pressed; off in each cycle cut from: stop pressed",)


def test_an_output_that_moves_to_the_end_is_unsteady() -> None:
    """What changes in the last third of the watch has not settled."""
    flapping = [(at, float(number % 2)) for number, at in enumerate(range(BACK + 500 * MS, 5 * S, 150 * MS))]
    story = Story().set("burner_terminal", (0, 1.0), (LOST, 0.0), *flapping)
    assert behaviour([tabulated(story, POWER).outputs["burner"]])[0] == "unsteady"


def test_a_blind_output_is_not_seen() -> None:
    """Silence is not off: what nobody read at the end of the watch has no class, and is counted."""
    blind = seen_of((True, False, []), hidden=[(3_600, 2_000)])
    assert blind.blind and behaviour([blind])[0] == "not seen"
    word, _ = behaviour([blind, seen_of((True, True, []))])
    assert word == "comes back"
    (row, _) = survey_rows(dryer(), [replace_output(blind), replace_output(seen_of((True, True, [])))])
    assert (row.cycles, row.blind, row.from_on) == (2, 1, 1)


def replace_output(burner: OutputCycle) -> Watched:
    return Watched("x", POWER, {"burner": burner, "fan": burner})


def test_what_was_seen_from_one_side_only_says_so() -> None:
    """`comes back` without a cut from off may as well come on whatever was before."""
    assert "never off before" in behaviour([seen_of((True, True, []))])[1][0]
    assert "never on before" in behaviour([seen_of((False, True, []))])[1][0]
    assert behaviour([seen_of((False, False, []))]) == ("not seen", (NEVER_ON,)) and "`hold:`" in NEVER_ON
    assert behaviour([seen_of((True, True, [])), seen_of((False, False, []))]) == ("comes back", ())


def test_the_delay_holds_the_instant_at_which_it_came_back() -> None:
    """Counted from the restored supply, from reads before and after the change."""
    delay = seen_of((True, True, [])).delay_ns
    assert delay is not None and delay[0] <= RUNS - BACK <= delay[1] and delay[1] - delay[0] < 30 * MS


def test_a_value_that_never_was_another_shows_nothing_of_retention() -> None:
    """Kept at its only value: the row says so, and names no loss."""
    same, lost = Story(), Story().set("batch_count", (0, 41), (CUT + MS, 0))
    rows = value_rows(same.rig, [tabulated(same, POWER)])
    (row,) = (one for one in rows if one.point == "batch_count")
    assert row.kept == 1 and "this one value" in row.notes[0]
    (row,) = (one for one in value_rows(lost.rig, [tabulated(lost, POWER)]) if one.point == "batch_count")
    assert (row.kept, row.seen) == (0, ((41.0, 0.0),))


@pytest.mark.parametrize(
    ("supply", "mode", "words"),
    [
        ("stays off", "stays off", "its own contact holds"),
        ("comes back", "comes back", "retained set/reset pair"),
        ("stays off", "comes back", "not retained"),
        ("comes on", "comes on", "whatever was before"),
        ("not seen", "not seen", ""),
    ],
)
def test_each_class_is_told_by_what_behaves_like_it(supply: str, mode: str, words: str) -> None:
    """The words of the trade, in `as ...`, never as a cause."""
    rows = [row_of(POWER, supply), row_of(MODE, mode)]
    told = explanation(rows, (400 * MS, 500 * MS))
    assert words in told and (told == "" or told.startswith("as "))
    assert "because" not in told


def test_what_comes_back_long_after_ready_is_told_as_behind_a_timer() -> None:
    """More than a few scans after the program runs there is something that counts."""
    late = row_of(POWER, "comes back", (1_500 * MS, 1_520 * MS))
    assert "behind a timer" in explanation([late], (400 * MS, 500 * MS))
    prompt = row_of(POWER, "comes back", (480 * MS, 520 * MS))
    assert "behind a timer" not in explanation([prompt], (400 * MS, 500 * MS))


def row_of(kind: CutKind, word: str, delay: tuple[int, int] | None = None) -> SurveyRow:
    return SurveyRow("m", "M1", kind, word, 2, 1, 1, 0, (), delay, 5 * MS, ())  # type: ignore[arg-type]


# ---------------------------------------------------------------- presses


@given(st.lists(st.sampled_from("abcdefg"), unique=True, min_size=1))
def test_the_row_of_presses_plays_every_pair_once(points: list[str]) -> None:
    """Every point follows every point, itself included, and nothing is pressed in vain."""
    order = press_order(points)
    assert sorted(pairwise(order)) == sorted(product(points, points))


Machine = dict[str, dict[str, str]]
"""By press and output: on, off, keep, turn, or `after x`: on if x was the last press."""
machines = st.dictionaries(
    st.sampled_from(["start", "stop", "ready"]),
    st.fixed_dictionaries({name: st.sampled_from(["on", "off", "keep", "turn", "after start"]) for name in ("m", "n")}),
    min_size=1,
)


def press(machine: Machine, state: tuple[dict[str, bool], str], point: str) -> tuple[dict[str, bool], str]:
    """The state after a press."""
    outputs, last = state

    def after(name: str, does: str) -> bool:
        if does == "after start":
            return last == "start"
        return {"on": True, "off": False, "keep": outputs[name], "turn": not outputs[name]}[does]

    return {name: after(name, does) for name, does in machine[point].items()}, point


def played_on(machine: Machine, order: Sequence[str]) -> list[PressSeen]:
    """What is seen of a row of presses, from off."""
    state: tuple[dict[str, bool], str] = ({"m": False, "n": False}, "")
    seen = []
    for point in order:
        state = press(machine, state, point)
        seen.append(PressSeen(point, state[0]))
    return seen


@examples(30)
@given(machine=machines)
def test_every_output_is_reached_or_said_to_be_missing(machine: Machine) -> None:
    """Goals and what is missing cover each other; a set and a reset by one press are always found; nothing is said
    to be reached that no press can bring about."""
    points = sorted(machine)
    first = played_on(machine, press_order(points))
    found = search(["m", "n"], [first])
    again = played_on(machine, again_order(points, found.starts))
    found = search(["m", "n"], [first, again], pairs_at_least=2)
    reached = {goal for start in found.starts for goal in start.states.items()}
    assert reached.isdisjoint(found.missing)
    assert reached | set(found.missing) == {(name, state) for name in ("m", "n") for state in (True, False)}
    for name, state in found.missing:
        assert not any(machine[point][name] == ("on" if state else "off") for point in points)
    for start in found.starts:
        for name, state in start.states.items():
            does = [machine[point][name] for point in start.presses]
            assert does[-1] != "turn" or len(does) == 2, "a press that turns an output round was trusted alone"
            assert state is False or any(one != "off" for one in does)


def test_a_press_that_turns_an_output_round_is_not_relied_on() -> None:
    """It brings it on only from off; the second row of presses shows that its pair does no better."""
    machine = {"toggle": {"m": "turn", "n": "keep"}}
    first = played_on(machine, press_order(["toggle"]))
    starts = search(["m"], [first]).starts
    again = played_on(machine, ["toggle", *again_order(["toggle"], starts)])
    nothing = (("m", True), ("m", False))
    assert search(["m"], [first], pairs_at_least=2).missing == nothing
    assert search(["m"], [first, again], pairs_at_least=2).missing == nothing


def test_a_pair_is_found_where_one_press_prepares_another() -> None:
    """`ready` brings it on only right after `start`."""
    machine = {"start": {"m": "off", "n": "on"}, "ready": {"m": "after start", "n": "keep"}}
    order = press_order(sorted(machine))
    first = played_on(machine, order)
    again = played_on(machine, again_order(sorted(machine), search(["m"], [first]).starts))
    (pair,) = (one for one in search(["m"], [first, again], pairs_at_least=2).starts if one.states.get("m"))
    assert pair.presses == ("start", "ready")


# ---------------------------------------------------------------- drafts


def test_a_draft_pins_down_nothing_that_was_not_the_same_each_time() -> None:
    """What came differently, or was never on, stands as a comment: a demand of it would be ours, not the rig's."""
    rig = dryer()
    starts = search(["burner", "fan"], [played_like_a_dryer()]).starts
    one = next(p for p in played(rig, starts, kinds_for(rig, mode=False)) if p.start.states["burner"])
    back, off = seen_of((True, True, [])), seen_of((True, False, []))
    cycles = [Watched(one.name, one.kind, {"burner": off, "fan": fan}) for fan in (back, off)]
    draft = draft_of(rig, one, starts, cycles, (), "run x")
    assert draft is not None
    assert "burner: {is: off, never: on" in draft.text
    assert "# fan (fan): not the same each time" in draft.text
    assert "TO FILL IN" in draft.text and "Seen is not the same as wanted" in draft.text


def played_like_a_dryer() -> list[PressSeen]:
    on, off = {"burner": True, "fan": True}, {"burner": False, "fan": False}
    return [PressSeen(point, on if point == "start" else off) for point in press_order(["start", "stop"])]


def test_names_of_drafts_are_names_of_scenarios_however_long_those_of_the_points_are() -> None:
    """A name of a scenario has 32 signs at most; two drafts never share one."""
    long = "a" * 31
    starts = [
        Start((f"{long}x", f"{long}y"), {"burner": True, "fan": True}),
        Start((f"{long}x", f"{long}z"), {"burner": True, "fan": False}),
    ]
    kinds = kinds_for(dryer(), mode=True)
    names = []
    for one in played(dryer(), starts, kinds):
        cycles = [Watched(one.name, one.kind, {name: seen_of((True, True, [])) for name in ("burner", "fan")})]
        draft = draft_of(dryer(), one, starts, cycles, (), "run x")
        assert draft is not None
        names.append(draft.name.removesuffix(".yaml"))
        assert f"scenario: {names[-1]}\n" in draft.text
    assert len(set(names)) == len(names) == 2 * len(kinds)
    assert all(re.fullmatch(r"[a-z][a-z0-9_-]{0,31}", name) for name in names)


def test_what_was_on_for_a_while_only_is_told() -> None:
    """A lamp that is on while its button is pressed was not brought on, but somebody saw it."""
    flash = PressSeen("test", {"m": False}, frozenset({"m"}))
    found = search(["m"], [[flash, flash]])
    assert found.missing == (("m", True),) and found.passing == {"m"}
