"""Why an output does what it does: what is named decides, what is not named doesn't, and the cure cures."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest

from predict_coupled import coupled
from predict_programs import generated
from predict_small import SMALL, program
from restart_bench.model.program import Program
from restart_bench.plc.interpreter import Interpreter
from restart_bench.predict.changes import ORDER, PASS, Change, all_changed, deciding, nearness, that_matter
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.cone import cone_of, outputs_of, part_of
from restart_bench.predict.proving.parts import MODE, REST, SUPPLY, WARM, part_for
from restart_bench.predict.traces import Cut, Hold, Player, Trace
from restart_bench.predict.unmoved import NotTold, keeping_off, unmoved
from restart_bench.predict.why import Why, decided_words, does, explain, show_cure, stays_off

WARM_AND_MODE = ((SUPPLY, WARM), (MODE, WARM))


THREE = "\n".join([*(f"set {x}: start\nreset {x}: NOT stop" for x in "abc"), "m := a OR b OR c"])


def why(name: str, restart: str = SUPPLY, start: str = WARM, point: str = "m") -> Why:
    """Why an output of one of the small programs does what it does at rest."""
    program = SMALL[name]
    answers = {answer.key: answer for answer in predict(program, [point])}
    return explain(program, answers[point, restart, start, REST], answers.values())


DECIDED = {
    "held by its own contact": ["start pass: clears coils"],
    "set and reset": ["m: retained"],
    "reset on the first scan": ["first_scan in rung 2, line 2"],
    "no clearing pass": ["m: retained", "start pass: none"],
    "not retained": ["m: not retained", "m: initial off"],
    "request": ["req: retained"],
    "a copy": ["hold: retained", "start pass: none", "order of rung 1, line 1 and rung 2, line 2"],
    "timer": ["go: retained"],
    "two memories": ["a: retained", "b: retained"],
}


@pytest.mark.parametrize("name", DECIDED)
def test_what_decides_is_named(name: str) -> None:
    """The memory and the settings whose change changes the answer, and none else."""
    told = why(name)
    words = [word for word in decided_words(told, SMALL[name]) if word != "inputs at that moment"]
    assert words == DECIDED[name]
    assert told.together == (name == "two memories")


def test_a_pulse_is_told_with_the_scans_that_it_was_on_for() -> None:
    """The lamp's rung comes before the reset: it is on for the first scan alone."""
    told = why("a lamp before the reset", point="lamp").because
    assert told.startswith("lamp can pulse: ") and "on for 1 scan in the longest pulse that was played" in told
    assert "scan in the longest" not in why("set and reset").because


CURED = {
    "set and reset": ["a reset of `m` on the first scan (OR first_scan in rung 2, line 2)"],
    "two memories": ["`a` not retained", "`b` not retained"],
    "request": ["`req` not retained"],
    "no clearing pass": ["a reset of `m` on the first scan (AND NOT first_scan in rung 1, line 1)"],
    "held by its own contact": [],
}


@pytest.mark.parametrize("name", CURED)
def test_the_smallest_cure_is_named(name: str) -> None:
    """What keeps an output off that comes back; nothing where it stays off anyway."""
    assert [show_cure(change, SMALL[name]) for change in why(name).cure] == CURED[name]


def test_the_line_is_in_the_words_of_the_trade() -> None:
    """Output, what it does, because of what, with rung and line, and the cure."""
    assert why("set and reset").because == (
        "m comes back: `m` is retained; only `NOT stop` resets it (rung 2, line 2). "
        "A reset of `m` on the first scan (OR first_scan in rung 2, line 2) would keep it off."
    )
    assert why("not retained", MODE).because.startswith("m comes back: memory outlives a mode change; only ")


UNRETAINED = program("m := (start OR m) AND stop")
WEIGHED = {
    "each is enough for off": (
        UNRETAINED,
        "m stays off: `m` is not retained and the start pass clears plain coils before the first scan; either alone "
        "keeps it off (both must change before it comes back); ",
    ),
    "each is enough for on": (
        SMALL["two memories"],
        "m comes back: `a` is retained and `b` is retained; either alone is enough (both must change before it stays "
        "off); ",
    ),
    "both are needed": (
        SMALL["no clearing pass"],
        "m comes back: `m` is retained and no start pass clears plain coils before the first scan; both are needed; ",
    ),
    "three, each is enough": (
        program(THREE, retained="a b c"),
        "m comes back: `a` is retained, `b` is retained and `c` is retained; any one of these alone is enough (all of "
        "these must change before it stays off); ",
    ),
}


@pytest.mark.parametrize("name", WEIGHED)
def test_what_several_facts_count_for_is_said_as_it_is(name: str) -> None:
    """Two guards of which each is enough are told from two conditions that are both needed; the engine agrees: one
    guard changed changes nothing, all changed do what is said, and one condition changed is enough."""
    program, begins = WEIGHED[name]
    (answer,) = predict(program, ["m"], restarts=[(SUPPLY, WARM)], environments=[REST])
    told = explain(program, answer)
    assert told.because.startswith(begins)
    assert misread(program, answer, told) == []


def test_an_order_is_told_by_what_it_does() -> None:
    """Nobody reads out of "stands before" why that should matter."""
    assert "rung 2, line 2 reads `m` after rung 1, line 1 has worked it out" in why("a copy").because


def test_what_surely_changes_an_answer_decides_though_the_other_is_not_all_decided() -> None:
    """With the timer retained it can stay off, as a play shows; whether it may go on moving is left open then."""
    knot = program(
        "set m: NOT c\nt = TOF 10: NOT m OR (c AND start)\nn := NOT t AND NOT first_scan\nreset m: t\nc := NOT c OR n",
        retained="m n",
    )
    (answer,) = predict(knot, ["m"], restarts=[(SUPPLY, WARM)], environments=[REST])
    assert answer.behaviour == ("on", False)
    assert not again(Change("retained", "t").of(knot), answer).decided
    assert "t: not retained" in decided_words(explain(knot, answer), knot)


def test_rungs_without_influence_let_outputs_show_what_memory_kept() -> None:
    """Written at once, an output shows its memory as soon as a rung is done: but for the start pass it would pulse."""
    shows = program("other := stop\nm := start", at_once=True, retained="m")
    (answer,) = predict(shows, ["m"], restarts=[(SUPPLY, WARM)], environments=[REST])
    told = explain(shows, answer)
    assert stays_off(answer)
    assert decided_words(told, shows) == ["start pass: clears coils"]
    assert untrue(shows, answer, told) == []


def test_rungs_are_counted_in_the_whole_program() -> None:
    """What has no influence on an output is left out of the reasoning, and still counted."""
    program = SMALL["a lamp before the reset"]
    answers = predict(program, ["m"], environments=[REST])
    told = explain(program, answers[0])
    assert decided_words(told, program) == ["first_scan in rung 3, line 3"]


@pytest.mark.parametrize("seed", range(8))
def test_changes_that_are_not_tried_make_no_other_program(seed: int) -> None:
    """Where the start pass clears coils, what a coil keeps or begins with is gone before the first scan, whatever else
    is changed: the controller stands in the same state after power-up, restart and mode change."""
    program = generated(seed, 6)
    changes = tuple(deciding(program, nearness(program, outputs_of(program)[0])))
    assert changes
    for some in [(one,) for one in changes] + [(one, Change(PASS)) for one in changes if one.kind != PASS]:
        kept = that_matter(program, some)
        whole, less = (Interpreter(all_changed(program, those)) for those in (some, kept))
        state, other = whole.first_power_up(), less.first_power_up()
        for pressed in (False, True, True):
            inputs = {one.name: bool(one.rest) != pressed for one in program.inputs}
            state, other = whole.scan(state, inputs, 10**7), less.scan(other, inputs, 10**7)
            for then in (Interpreter.restart, Interpreter.leave_run):
                assert then(whole, state).values == then(less, other).values
        assert state.values == other.values


@pytest.mark.parametrize("seed", [*range(12), 41, 42])
def test_a_change_that_is_said_to_change_nothing_changes_nothing(seed: int) -> None:
    """What is not tried because nothing of the answer rests on it: trying it gives the same answer."""
    program, tried = generated(seed, 5, counters=seed % 3 == 0), 0
    for answer in predict(program, restarts=WARM_AND_MODE, environments=[REST]):
        part, _ = part_of(program, cone_of(program, [answer.point]))
        for change in unmoved(part, answer, deciding(part, nearness(part, answer.point))):
            other = predict(
                change.of(part), [answer.point], restarts=[(answer.restart, answer.start)], environments=[REST],
                thorough=False,
            )[0]  # fmt: skip
            assert other.behaviour == answer.behaviour, (answer.key, change)
            tried += 1
    assert tried


@pytest.mark.parametrize("seed", [3, 7, 8, 12, 13, 19, 42])
def test_no_two_changes_keep_off_what_spoils_no_path(seed: int) -> None:
    """Sets that are found by spoilt paths against all sets, tried one by one: both ways there is one, or none."""
    program, compared = generated(seed, 4, counters=False), 0
    for answer in predict(program, restarts=WARM_AND_MODE, environments=[REST]):
        part, _ = part_of(program, cone_of(program, [answer.point]))
        changes = deciding(part, nearness(part, answer.point))
        singly = [change for change in changes if not _same(part, answer, (change,))]
        if singly or stays_off(answer) or len(changes) > 14:
            continue

        def kept_off(some: tuple[Change, ...], part: Program = part, answer: Answer = answer) -> bool:
            return stays_off(again(all_changed(part, some), answer))

        try:
            found = keeping_off(part, answer, changes, [2], kept_off)
        except NotTold:
            continue
        tried = [some for some in combinations(changes, 2) if {one.kind for one in some} != {ORDER} and kept_off(some)]
        assert bool(found) == bool(tried), (answer.key, found, tried)
        assert not found or kept_off(found)
        compared += 1
    assert compared


def test_of_a_large_program_hardly_a_change_has_to_be_tried() -> None:
    """Where everything hangs together, only what stands near an output decides: few changes are left to be tried."""
    program = coupled(60)
    answer = predict(program, ["motor0"], restarts=[(SUPPLY, WARM)], environments=[REST])[0]
    changes = deciding(program, nearness(program, "motor0"))
    left = set(changes) - unmoved(program, answer, changes)
    assert Change("retained", "request0") in left
    assert len(left) < len(changes) / 4


@pytest.mark.parametrize("seed", range(4))
def test_a_quick_answer_is_the_thorough_one(seed: int) -> None:
    """Examples and the second solver change nothing in what is answered."""
    program = generated(seed, 6, timers=seed % 2 == 1)
    thorough, quick = (predict(program, restarts=WARM_AND_MODE, thorough=one) for one in (True, False))
    assert [one.says for one in quick] == [one.says for one in thorough]


# ---------------------------------------------------------------- over generated programs


def _among(step: Hold | Cut, known: set[str]) -> Hold | Cut:
    """A step with the inputs that a program has; what was held until nothing moves is held for 40 scans."""
    inputs = tuple(one for one in step.inputs if one[0] in known)
    return (
        replace(step, inputs=inputs, scans=step.scans or 40) if isinstance(step, Hold) else replace(step, inputs=inputs)
    )


def again(program: Program, answer: Answer) -> Answer:
    """The answer of another program to the same question."""
    return predict(program, [answer.point], restarts=[(answer.restart, answer.start)], environments=[answer.inputs])[0]


def untrue(program: Program, answer: Answer, told: Why) -> list[str]:
    """What of an explanation is not true, tried out on the whole program."""
    found = []
    if told.decided_by:
        sets = [told.decided_by] if told.together else [(change,) for change in told.decided_by]
        found += [f"{some} changes nothing" for some in sets if _same(program, answer, some)]
    found += [
        f"{change} decides too" for change in _outside(program, answer, told) if not _same(program, answer, (change,))
    ]
    if told.cure:
        cured = all_changed(program, told.cure)
        found += [] if stays_off(again(cured, answer)) else [f"{told.cure} is no cure"]
        found += [
            f"with {told.cure} it comes on in {trace}" for trace in _examples(answer) if _comes_on(cured, answer, trace)
        ]
    return found


def misread(program: Program, answer: Answer, told: Why) -> list[str]:
    """What the words about several facts say otherwise than the program does, with one, some and all changed."""
    if len(told.decided_by) < 2:
        return []
    some = [part for size in range(1, len(told.decided_by)) for part in combinations(told.decided_by, size)]
    changing = [part for part in some if not _same(program, answer, part)]
    if "needed" in told.because:
        return [f"{one} is not needed" for one in told.decided_by if (one,) not in changing]
    otherwise = again(all_changed(program, told.decided_by), answer)
    said = does(otherwise).removesuffix(" (not confirmed)")
    found = [] if otherwise.behaviour != answer.behaviour and f"it {said}" in told.because else [f"nothing {said}"]
    return found + [f"{part} alone changes it" for part in changing if "alone" in told.because]


def _examples(answer: Answer) -> list[Trace]:
    """Everything that was played for an answer."""
    return [one.played.trace for one in answer.findings.values() if one.played is not None]


def _comes_on(program: Program, answer: Answer, trace: Trace) -> bool:
    """Whether the interpreter sees the output on after the cut of a trace."""
    player = Player(part_for(program, cone_of(program, [answer.point]), (answer.point,)))
    known = {one.name for one in player.part.program.inputs}
    steps = tuple(_among(step, known) for step in trace.steps)
    cut = _among(trace.cut, known)
    assert isinstance(cut, Cut)
    played = player.play(Trace(steps, cut))
    assert played is not None
    seen = played.seen[answer.point]
    return seen.first or seen.pulses or seen.settles is not False


def _same(program: Program, answer: Answer, changes: tuple[Change, ...]) -> bool:
    other = again(all_changed(program, changes), answer)
    return not other.decided or other.behaviour == answer.behaviour


def _outside(program: Program, answer: Answer, told: Why) -> list[Change]:
    """Every single change that is not named, with its rungs as they are counted in the whole program."""
    part, numbers = part_of(program, cone_of(program, [answer.point]))
    changes = deciding(part, nearness(part, answer.point))
    named = [Change(one.kind, one.name, tuple(numbers[place] for place in one.rungs)) for one in changes]
    return [one for one in named if one not in told.decided_by]


def check(seed: int, rungs: int) -> int:
    """How many explanations of a generated program hold."""
    program = generated(seed, rungs, counters=False)
    answers = predict(program, restarts=WARM_AND_MODE, environments=[REST])
    for answer in answers:
        told = explain(program, answer, answers)
        assert untrue(program, answer, told) + misread(program, answer, told) == [], answer.key
    return len(answers)


@pytest.mark.parametrize("seed", range(41, 44))
def test_an_explanation_is_true(seed: int) -> None:
    """Changing what it names changes the answer, changing anything else doesn't, and the cure cures."""
    assert check(seed, 4) > 0


@pytest.mark.slow
def test_explanations_of_many_programs_are_true() -> None:
    """The same at length, with programs of up to 9 rungs."""
    assert sum(check(seed, 4 + seed % 6) for seed in range(200, 230)) > 100
