"""Scenarios and runs over their cycles: which word wins, demonstrations, dead channels, limits, the restart matrix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence import MS, OFF, ON, T0, S, Story, dryer, expects, found, scenario
from restart_bench.judging.cycle import judge_cycle
from restart_bench.judging.matrix import _counted, matrix_rows
from restart_bench.judging.scenario import judge_run, judge_scenario, planned_cycles
from restart_bench.judging.summary import limits_in_short
from restart_bench.model.clock import Bounds
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import CycleEnded, CycleJudged, Finding, FindingKind, Mark, OutputSeen, ScenarioJudged
from restart_bench.model.rig import CheckPulse, Mode, Proof, Ready, RigSupply, Wanted
from restart_bench.model.scenario import Case, Demonstration, Scenario, Window
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR
BURNER_OFF = expects("burner", "is", OFF)
BACK = 3 * S


def cycles_of(told: Scenario, words: Sequence[Verdict], case: str = "") -> list[CycleJudged]:
    """Cycles that ended with these words."""
    return [CycleJudged(n, told.name, case, word, word.value, (), ()) for n, word in enumerate(words, start=1)]


def concluded(words: Sequence[Verdict], planned: int | None = None, **changes: object) -> ScenarioJudged:
    """A scenario judged over cycles that ended with these words."""
    told = scenario(BURNER_OFF, **changes)
    return judge_scenario(dryer(), told, cycles_of(told, words), len(words) if planned is None else planned)


# ---------------------------------------------------------------- rules 4 and 10


@pytest.mark.parametrize(
    ("words", "verdict"),
    [
        ([PASS] * 3, PASS),
        ([PASS, INCONCLUSIVE, PASS], INCONCLUSIVE),
        ([PASS, ERROR, INCONCLUSIVE], ERROR),
        ([PASS] * 9 + [FAIL], FAIL),
        ([ERROR, FAIL, INCONCLUSIVE], FAIL),
        ([], INCONCLUSIVE),
    ],
)
def test_fail_beats_error_beats_inconclusive_beats_pass(words: list[Verdict], verdict: Verdict) -> None:
    """Good cycles do not average a deviation away."""
    assert concluded(words, planned=max(1, len(words))).verdict is verdict


def test_errors_are_reported_beside_a_fail() -> None:
    """Both are told, with their cycles."""
    reason = concluded([PASS, FAIL, ERROR]).reason
    assert "1 of 3 cycles failed: cycle 2" in reason and "1 cycle not valid: cycle 3" in reason


@given(st.permutations([PASS, PASS, INCONCLUSIVE, FAIL, ERROR]), st.integers(0, 5))
def test_the_order_of_cycles_does_not_matter(words: list[Verdict], kept: int) -> None:
    """Nor does it for any part of them."""
    part = words[:kept]
    assert concluded(part, planned=5).verdict is concluded(sorted(part), planned=5).verdict


def test_some_inconclusive_cycles_may_be_allowed() -> None:
    """`inconclusive_at_most`, default 0."""
    words = [PASS, INCONCLUSIVE, PASS]
    assert concluded(words, inconclusive_at_most=1).verdict is PASS
    assert concluded([*words, INCONCLUSIVE], inconclusive_at_most=1).verdict is INCONCLUSIVE


def test_fewer_cycles_than_planned_are_inconclusive() -> None:
    """What was not done shows nothing."""
    found = concluded([PASS] * 19, planned=20)
    assert found.verdict is INCONCLUSIVE and "only 19 of 20 planned cycles" in found.reason


def test_cycles_are_counted_by_word() -> None:
    """For the screen and run.json."""
    assert concluded([PASS, PASS, FAIL, ERROR]).counted == {"pass": 2, "inconclusive": 0, "fail": 1, "error": 1}


# ---------------------------------------------------------------- demonstrations


@pytest.mark.parametrize(("cycles", "verdict"), [(58, INCONCLUSIVE), (59, PASS)])
def test_a_demonstration_needs_its_success_run(cycles: int, verdict: Verdict) -> None:
    """95 % at 95 %: 59 cycles without failure (exact binomial)."""
    found = concluded([PASS] * cycles, demonstrate=Demonstration(0.95, 0.95))
    assert found.verdict is verdict
    assert verdict is PASS or "not reached" in found.reason


@pytest.mark.parametrize(("cycles", "verdict"), [(92, INCONCLUSIVE), (93, PASS)])
def test_inconclusive_cycles_count_as_failures_in_a_demonstration(cycles: int, verdict: Verdict) -> None:
    """95 % at 95 % with one of them: 93 cycles."""
    words = [PASS] * (cycles - 1) + [INCONCLUSIVE]
    assert concluded(words, demonstrate=Demonstration(0.95, 0.95, 1)).verdict is verdict
    assert concluded([*words, INCONCLUSIVE], demonstrate=Demonstration(0.95, 0.95, 1)).verdict is INCONCLUSIVE


def test_298_cycles_do_not_show_99_percent_at_95_percent() -> None:
    """Exact confidence at 298 is 0.949963."""
    wanted = Demonstration(0.99, 0.95)
    assert concluded([PASS] * 298, demonstrate=wanted).verdict is INCONCLUSIVE
    assert concluded([PASS] * 299, demonstrate=wanted).verdict is PASS


def test_each_case_has_to_show_it() -> None:
    """Cycles of other off times do not help."""
    cases = (Case("off_for=1 s", S), Case("off_for=2 s", 2 * S))
    told = scenario(BURNER_OFF, cases=cases, repeat=59, demonstrate=Demonstration(0.95, 0.95))
    first = cycles_of(told, [PASS] * 59, cases[0].name)
    assert (
        judge_scenario(dryer(), told, first + cycles_of(told, [PASS] * 58, cases[1].name), 117).verdict is INCONCLUSIVE
    )
    assert judge_scenario(dryer(), told, first + cycles_of(told, [PASS] * 59, cases[1].name), 118).verdict is PASS
    assert planned_cycles(told) == 118


# ---------------------------------------------------------------- rule 13


def test_every_pass_states_its_limits() -> None:
    """Shortest pulse excluded, blind spans, cycles and confidence, true off time, retries."""
    told = scenario(expects("burner", "never", ON, longer_than_ns=20 * MS), expects("fan", "is", OFF), watch_ns=2 * S)
    story = Story(scenario=told, end_ns=6 * S)
    blinded = replace(story, scenario=scenario(expects("fan", "is", OFF), watch_ns=2 * S)).hide(
        "independent", 4 * S, 4_400 * MS
    )
    limits = judge_scenario(dryer(), told, [story.judge()] * 2, 2).limits
    text = "\n".join(limits)
    assert "2 cycles without a deviation show a reliability of at least 22.36 % at a confidence of 95 %" in text
    assert "burner: pulses shorter than 4" in text and "are not excluded" in text
    assert "true off time 0.99..1.01 s (commands, relay data and proofs)" in text
    by_hand = "\n".join(judge_scenario(dryer(supply=RigSupply("by-hand")), told, [story.judge()] * 2, 2).limits)
    assert "true off time 0.99..1.01 s (between question and answer, and proofs)" in by_hand
    assert "What controller says of itself shows nothing" in text
    unread = "\n".join(judge_scenario(dryer(), told, [blinded.judge()], 1).limits)
    assert "fan: in the span of `is off` not read for up to 40" in unread  # longer gaps may lie in another one


def test_where_the_return_was_not_read_there_is_no_delay() -> None:
    """A bound from the return to the first read is no delay of an output that stayed off wherever it was read."""
    seen = OutputSeen("burner", "burner", before=True, at_loss=False, at_return=False, settled=False, at_end=False)
    unread = OutputSeen("burner", "burner", before=True, at_loss=True, at_end=False, delay_ns=(0, 14 * S), changes=1)
    cycles = [replace(Story().judge(), outputs=(output,)) for output in (seen, unread)]
    (row,) = [one for one in matrix_rows(dryer(), cycles) if one.point == "burner"]
    assert (row.at_return, row.delay_ns) == ("not read 1, stays off 1", None)


def test_reliability_shown_is_rounded_down() -> None:
    """30 cycles show 0.904966 at 95 % (1 - 0.095034, computed: scipy)."""
    assert "at least 90.49 %" in "\n".join(concluded([PASS] * 30).limits)


def test_retries_of_the_bench_are_told() -> None:
    """Rule 11."""
    told = scenario(BURNER_OFF)
    cycle = replace(cycles_of(told, [PASS])[0], figures={"retries": 2})
    assert any("repeated 2 commands" in one for one in judge_scenario(dryer(), told, [cycle], 1).limits)


# ---------------------------------------------------------------- rule 9


@pytest.mark.parametrize(
    "one",
    [
        expects("burner", "is", OFF),
        expects("burner", "never", ON),
        expects("burner", "stays", OFF),
        expects("burner", "returns"),
        expects("burner", "is", OFF, phase="during"),
    ],
)
def test_an_expectation_of_off_on_a_channel_never_seen_on_is_an_error(one: object) -> None:
    """The channel may be dead: a cut wire reads off as well."""
    told = scenario(one)  # type: ignore[arg-type]
    cycle = Story(scenario=told).set("burner_terminal", (0, 0)).judge()
    (judged,) = judge_run(dryer(), [told], [cycle], {told.name: 1})
    assert judged.verdict is ERROR
    (late,) = judged.late_findings
    assert late.cycle == 0 and late.point == "burner" and "may be dead" in late.reason


def test_a_channel_seen_on_anywhere_in_the_run_is_alive() -> None:
    """In another cycle, or in another scenario."""
    told = scenario(BURNER_OFF)
    dead = replace(Story(scenario=told).set("burner_terminal", (0, 0)).judge(), cycle=2)
    (judged,) = judge_run(dryer(), [told], [Story(scenario=told).judge(), dead], {told.name: 2})
    assert judged.verdict is PASS and judged.late_findings == ()
    other = replace(told, name="fan-comes-back", after=(expects("fan", "is", OFF),))
    seen = Story(scenario=other).judge()
    both = judge_run(dryer(), [told, other], [dead, seen], {told.name: 1, other.name: 1})
    assert [one.verdict for one in both] == [PASS, PASS]


def test_a_channel_that_was_proven_otherwise_is_taken_to_work_and_that_is_told() -> None:
    """`proven: lamp test 2026-07-20`."""
    rig = dryer()
    points = {**rig.points, "burner_terminal": replace(rig.points["burner_terminal"], proven="lamp test 2026-07-20")}
    rig = replace(rig, points=points)
    told = scenario(BURNER_OFF)
    cycle = Story(rig=rig, scenario=told).set("burner_terminal", (0, 0)).judge()
    (judged,) = judge_run(rig, [told], [cycle], {told.name: 1})
    assert judged.verdict is PASS
    assert any("lamp test 2026-07-20" in limit for limit in judged.limits)


def test_expectations_of_on_and_the_controllers_own_points_need_no_such_proof() -> None:
    """A dead channel can't read on, and an image is no channel."""
    told = scenario(expects("burner", "is", ON), expects("burner", "is", OFF, judged="burner"))
    cycle = Story(scenario=told).set("burner_terminal", (0, 0)).set("burner", (0, 0)).judge()
    (judged,) = judge_run(dryer(), [told], [cycle], {told.name: 1})
    assert judged.late_findings == ()


def test_a_fail_stands_beside_a_dead_channel() -> None:
    """The fan's deviation is proven, the burner's channel is in doubt."""
    told = scenario(BURNER_OFF, expects("fan", "is", ON))
    cycle = Story(scenario=told).set("burner_terminal", (0, 0)).judge()
    (judged,) = judge_run(dryer(), [told], [cycle], {told.name: 1})
    assert judged.verdict is FAIL and "may be dead" in judged.reason
    assert from_line(to_line(judged)) == judged


def test_nothing_is_said_to_be_sure_through_a_dead_channel() -> None:
    """59 cycles of a channel that may be dead show no reliability, and no fault that would have been seen; the other
    scenario of the run has its own."""
    told, other = scenario(BURNER_OFF), replace(scenario(expects("fan", "is", OFF)), name="another")
    cycle = Story(scenario=told).set("burner_terminal", (0, 0)).set("burner", (0, 0)).judge()
    cycles = [replace(cycle, cycle=number, scenario=of) for of in (told.name, "another") for number in range(1, 60)]
    dead, alive = judge_run(dryer(), [replace(told, repeat=59), replace(other, repeat=59)], cycles)
    assert dead.verdict is Verdict.ERROR and not [one for one in dead.limits if "reliability" in one]
    assert [one for one in alive.limits if "reliability of at least 95" in one]
    assert not [one for one in limits_in_short(dryer(), cycles, [dead]) if "would have been seen" in one]
    assert [one for one in limits_in_short(dryer(), cycles, [alive]) if "would have been seen" in one]


def test_a_run_without_numbers_plans_what_the_file_says() -> None:
    """Repeat times cases."""
    told = scenario(BURNER_OFF, repeat=2)
    (judged,) = judge_run(dryer(), [told], [Story(scenario=told).judge()])
    assert judged.verdict is INCONCLUSIVE and "only 1 of 2" in judged.reason


# ---------------------------------------------------------------- the restart matrix


def test_the_matrix_has_a_row_for_each_output() -> None:
    """Before, at loss, at return, delay and the worst finding."""
    told = scenario(BURNER_OFF, expects("fan", "is", ON, within=(0, S)), expects("batch_count", "is", Wanted(above=40)))
    story = Story(scenario=told).set("fan_terminal", (0, 1), (2_005 * MS, 0), (BACK + 300 * MS, 1))
    cycles = [replace(replace(story, seed=seed).judge(), cycle=seed) for seed in (1, 2, 3)]
    rows = {row.point: row for row in matrix_rows(dryer(), cycles)}
    assert list(rows) == ["burner", "fan", "batch_count"]
    burner, fan, count = rows.values()
    assert (burner.before, burner.at_return, burner.settled, burner.delay_ns) == ("on", "stays off", "off", None)
    assert burner.at_loss.startswith("off within ")
    assert (fan.at_return, fan.settled, fan.verdict) == ("comes back", "on", PASS)
    assert fan.delay_ns is not None and fan.delay_ns[0] <= 300 * MS <= fan.delay_ns[1]
    assert (count.before, count.at_loss, count.settled) == ("41", "not read", "41")


def test_what_was_never_dark_is_not_said_to_have_been() -> None:
    """In a change of mode the controller answers on: only that no terminal was read limits what is known of it."""
    rig = dryer()
    rig = replace(rig, points={name: replace(point, terminal=None) for name, point in rig.points.items()})
    restarted = replace(Story(rig=rig).judge(), figures={"contact_lost": True})
    kept = replace(restarted, figures={"contact_lost": False})
    said, of_a_mode = (" ".join(limits_in_short(rig, [cycle])) for cycle in (restarted, kept))
    assert "only what the controller says is known, and nothing while it was dark: no terminal" in said
    assert "only what the controller says is known: no terminal" in of_a_mode
    assert "nothing while it was dark" in " ".join(limits_in_short(rig, [kept, restarted]))


@pytest.mark.parametrize("driver", ["by-hand", "modbus-coil"])
def test_a_controller_that_answers_on_makes_the_loss_as_wide_where_a_person_said_it_was_off(driver: str) -> None:
    """Somebody answers first and turns the switch 1.2 s later: the true off time lies within what is said of it."""
    rig = dryer(supply=RigSupply(driver), proof_of_cut=(Proof("contact lost"),))
    told = Story(rig=rig, off_ns=2 * S)
    told.stages = [(at + 1_200 * MS if stage == "dark" else at, stage) for at, stage in told.stages]
    judged = told.judge()
    shortest_ns, longest_ns = judged.figures["off_time_ns"]
    assert (shortest_ns <= 800 * MS) is (driver == "by-hand")
    assert longest_ns >= 2 * S
    assert ("so how long it was off is not known; switch first, then answer" in judged.reason) is (driver == "by-hand")
    assert (judged.verdict is ERROR) is (driver == "by-hand")


@pytest.mark.parametrize(("refuses_from", "verdict"), [(2_100 * MS, INCONCLUSIVE), (4_100 * MS, FAIL)])
def test_what_refused_while_the_supply_was_to_be_off_does_not_say_that_it_is_back(
    refuses_from: int, verdict: Verdict
) -> None:
    """A program that crashed on a host that lives on refuses for good: nothing tells that its supply came back."""
    told = Story(rig=dryer(supply=RigSupply("by-hand"), proof_of_cut=(Proof("contact lost"),)), off_ns=2 * S)
    told.stages = [(-(10**12), "good"), (2_001 * MS, "dark"), (refuses_from, "refused")]
    told = replace(told, end_ns=12 * S)
    assert found(told.judge(), "", "ready within").verdict is verdict


def test_what_could_not_be_judged_as_the_bench_was_killed_is_no_reason_beside_that() -> None:
    """The cycle ended after the return: that something was not ready in time would be said of a time nobody waited."""
    told = Story(end_ns=4_300 * MS, completed=False)
    told.trouble("stopped", 4_300 * MS, "the bench was killed", error=False)
    assert told.judge().reason == "the cycle was not completed: the bench was killed"


@pytest.mark.parametrize("rail", [True, False])
def test_an_off_time_that_nothing_read_is_said_to_be_the_switch_s(rail: bool) -> None:
    """A second feed may have been there sooner."""
    proofs = (Proof("value", "rail", OFF), Proof("falls", "uptime")) if rail else (Proof("falls", "uptime"),)
    rig = dryer(proof_of_cut=proofs)
    said = " ".join(limits_in_short(rig, [Story(rig=rig).judge()]))
    assert ("by the switch alone, nothing reads the supply" in said) is not rail


@pytest.mark.parametrize(("unit", "said"), [("ms", False), ("s", True), ("min", True), ("", False)])
def test_an_uptime_in_the_wrong_unit_is_told_beside_the_verdict(unit: str, said: bool) -> None:
    """It counts milliseconds: in another unit it does not rise a second a second, and what it reads after the cut tells
    a restart from a wrap wrongly. Without a unit nothing is known of that."""
    points = {**dryer().points, "uptime": replace(dryer().points["uptime"], unit=unit)}
    rig = dryer(points=points, proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "uptime")))
    notes = [one for one in Story(rig=rig).judge().notes if "a time rises by a second a second" in one]
    assert bool(notes) is said


def test_a_rail_that_gave_no_value_is_none() -> None:
    """Named as a proof and never read: what another proof shows is told with the limits of a rig that has no rail."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "uptime")))
    whole, blind = Story(rig=rig), Story(rig=rig).hide("independent", 1_990 * MS, 4_900 * MS)
    read, unread = whole.judge(), blind.judge()
    said, limits = (
        [" ".join(told(cycle)) for cycle in (read, unread)]
        for told in (
            lambda cycle: limits_in_short(rig, [cycle]),
            lambda cycle: judge_scenario(rig, scenario(), [cycle], 1).limits,
        )
    )
    assert ["nothing reads the supply" in one for one in said] == [False, True]
    assert ["Nothing read the supply in 1 cycle (1)" in one for one in limits] == [False, True]
    assert ["a watchdog with a stuck relay" in one for one in limits] == [False, True]
    assert [any("nothing read the supply: look at" in note for note in one.notes) for one in (read, unread)] == [
        False,
        True,
    ]


@pytest.mark.parametrize(("alive", "said"), [("running", True), (None, True), ("heartbeat", False)])
def test_a_cut_that_the_lost_connection_alone_tells_is_said_to_be_no_more(alive: str | None, said: bool) -> None:
    """A network that drops looks the same to a bit; a sign of life that counts would tell."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),), ready=Ready((("running", ON),), 100 * MS, alive, S))
    cycle = Story(rig=rig).judge()
    in_short = [one for one in limits_in_short(rig, [cycle]) if one.startswith("Only the lost connection tells")]
    limits = judge_scenario(rig, scenario(), [cycle], 1).limits
    assert len(in_short) == sum(one.startswith("Only the lost connection tells") for one in limits) == said


def test_an_output_that_went_off_between_question_and_answer_is_told_as_off() -> None:
    """A person's command is as wide as that; what stays as it was, and was not read in between, is "not read" alone."""
    rig = dryer(mode=Mode("by-hand", proof=(("running", OFF),)))
    told = Story(rig=rig, scenario=scenario(BURNER_OFF, how="mode"), off_ns=600 * MS).never_dark()
    told.set("running", (0, 1), (told.cut_ns + 20 * MS, 0), (told.back_ns + 30 * MS, 1))
    told.set("burner_terminal", (0, 1), (told.cut_ns + 30 * MS, 0)).set("fan_terminal", (0, 1))
    records = told.records()
    cut, back = records.switchings
    wide = replace(records, switchings=(replace(cut, after_ns=back.before_ns - 100_000), back))
    judged = judge_cycle(rig, told.scenario, wide, told.samples())
    rows = {row.point: row for row in matrix_rows(rig, [judged])}
    assert rows["burner"].at_loss.startswith("off within ")
    assert rows["fan"].at_loss == "not read"


def test_a_cell_tells_a_few_values_by_their_size_and_of_many_how_far_they_reach() -> None:
    """A counter has another value in every cycle of a search; forty of them are no cell."""
    assert _counted({"10": 1, "9": 1, "11": 1}) == "9 1, 10 1, 11 1"
    assert _counted({"stays 11": 1, "stays 9": 1}) == "stays 9 1, stays 11 1"
    assert _counted({str(number): 1 for number in range(40)}) == "0 to 39, 40 values"
    assert _counted({f"stays {number} %": 1 for number in range(40)}) == "stays 0 % to 39 %, 40 values"
    words = {"on": 3, "off": 2, **{f"{number} changes": 1 for number in range(6)}, "not read": 1}
    assert _counted(words).startswith("on 3, off 2, ") and _counted(words).endswith(" (and 4 more)")


def test_the_matrix_tells_of_a_cycle_that_was_stopped_in_the_dark_what_was_read_until_then() -> None:
    """Its terminals were read off: only the return was not reached."""
    story = Story(scenario=scenario(BURNER_OFF))
    told = story.records()
    stopped = replace(told, switchings=told.switchings[:1], ended=CycleEnded(1, T0 + 2_900 * MS, completed=False))
    judged = judge_cycle(story.rig, story.scenario, stopped, story.samples())
    row = next(row for row in matrix_rows(dryer(), [judged]) if row.point == "burner")
    assert (row.before, row.at_return, row.settled) == ("on", "not reached", "not reached")
    assert row.at_loss.startswith("off within ")
    uncut = judge_cycle(story.rig, story.scenario, replace(stopped, switchings=()), story.samples())
    row = next(row for row in matrix_rows(dryer(), [uncut]) if row.point == "burner")
    assert (row.at_loss, row.at_return) == ("not cut", "not cut")


def test_in_the_matrix_an_output_that_only_the_controller_tells_of_stays_on_in_its_memory() -> None:
    """Out of run mode an output may be off whatever the image says: the row itself says whose word it is. One that
    a terminal shows stays on."""
    fan = OutputSeen("fan", "fan", before=True, at_loss=True, at_return=True, settled=True, at_end=True)
    marks = (Mark("cut", Bounds(0, 1)), Mark("restored", Bounds(2, 3)))
    cycle = CycleJudged(1, "mode", "", PASS, "", marks, (), outputs=(fan,))
    bare = {**dryer().points, "fan": replace(dryer().points["fan"], terminal=None)}
    (image,), (terminal,) = (matrix_rows(rig, [cycle]) for rig in (replace(dryer(), points=bare), dryer()))
    assert (image.at_loss, image.at_return) == ("memory stays on", "memory stays on")
    assert (terminal.at_loss, terminal.at_return) == ("stays on", "stays on")


@pytest.mark.parametrize(
    ("before", "at_loss", "word"),
    [(True, False, "comes back"), (True, None, "comes back"), (False, False, "comes on"), (True, True, "stays on")],
)
def test_the_matrix_says_what_an_output_does_in_the_words_of_predict_and_survey(
    before: bool, at_loss: bool | None, word: str
) -> None:
    """One word for one outcome on every page: on at the end is a return, a start, or neither."""
    fan = OutputSeen("fan", "fan_terminal", before=before, at_loss=at_loss, at_return=True, settled=True, at_end=True)
    late = replace(fan, at_return=False, changes=1)
    marks = (Mark("cut", Bounds(0, 1)), Mark("restored", Bounds(2, 3)))
    cycles = [CycleJudged(1, "power", "", PASS, "", marks, (), outputs=(one,)) for one in (fan, late)]
    prompt, waited = (matrix_rows(dryer(), [one])[0].at_return for one in cycles)
    assert prompt == word
    assert waited == ("comes on" if not before else "comes back")


def test_the_matrix_counts_what_differs_between_cycles() -> None:
    """On in two, off in one; the failing cycle gives the reason."""
    told = scenario(expects("fan", "is", OFF))
    usual = Story(scenario=told).judge()
    came = Story(scenario=told).set("fan_terminal", (0, 1), (2_005 * MS, 0), (BACK + 300 * MS, 1)).judge()
    cycles = [replace(usual, cycle=1), replace(usual, cycle=2), replace(came, cycle=3)]
    fan = next(row for row in matrix_rows(dryer(), cycles) if row.point == "fan")
    assert fan.settled == "off 2, on 1"
    assert fan.verdict is FAIL and fan.cycles == 3


def test_a_pass_names_all_that_was_demanded() -> None:
    """An output that had to be off during the cut and on after it passed for both: one alone would mislead."""
    fan = [
        Finding("mode", "", number, "fan", text, PASS, "")
        for number in (1, 2)
        for text in ("is off during the cut", "is on within 2 s")
    ]
    cycles = [
        CycleJudged(n, "mode", "", PASS, "", (), tuple(fan[2 * n - 2 : 2 * n]), outputs=(OutputSeen("fan", "fan"),))
        for n in (1, 2)
    ]
    one, both = (matrix_rows(dryer(), some)[0].reason for some in (cycles[:1], cycles))
    assert one == "is off during the cut; is on within 2 s"
    assert both == "is off during the cut; is on within 2 s, in all 2 cycles"


def test_cycles_that_were_no_test_stand_beside_the_tries() -> None:
    """A reader who is told of two cycles is told why only one of them counts as a try."""
    good = Story(scenario=scenario(BURNER_OFF)).judge()
    spoilt = replace(good, verdict=ERROR)
    assert limits_in_short(dryer(), [good])[0].startswith("It was tried once, on this rig")
    assert limits_in_short(dryer(), [good, spoilt])[0].startswith(
        "It was tried once (1 more cycle brought no valid test)"
    )


def test_a_cycle_that_a_person_ended_in_the_dark_is_no_try() -> None:
    """Power that never came back in the cycle shows nothing about a restart; after the return it is one."""
    good = Story(scenario=scenario(BURNER_OFF)).judge()
    ended = Finding("s", "", 2, "", "all phases done", INCONCLUSIVE, "stopped", kind=FindingKind.COMPLETION)
    late = replace(good, findings=(*good.findings, ended))
    dark = replace(late, marks=tuple(mark for mark in good.marks if mark.name in ("cut", "dark")))
    assert [limits_in_short(dryer(), [good, one])[0].split(",")[0] for one in (late, dark)] == [
        "It was tried 2 times",
        "It was tried once (1 more cycle brought no valid test)",
    ]


def test_a_pulse_shows_in_the_matrix() -> None:
    """On for a while, then off."""
    told = scenario(BURNER_OFF)
    cycle = Story(scenario=told).pulse("burner_terminal", BACK + 100 * MS, 100 * MS).judge()
    (burner,) = (row for row in matrix_rows(dryer(), [cycle]) if row.point == "burner")
    assert burner.at_return == "on for a while, then off"


def test_an_output_of_which_nothing_is_expected_has_no_verdict() -> None:
    """It is shown what it did, and that nobody judged it: no expectation, no word of the four."""
    cycle = Story(scenario=scenario(BURNER_OFF)).judge()
    rows = {row.point: row for row in matrix_rows(dryer(), [cycle])}
    assert (rows["burner"].verdict, rows["burner"].verdict_word) == (PASS, "pass")
    assert (rows["fan"].verdict, rows["fan"].verdict_word) == (None, "not judged")
    assert rows["fan"].reason == "nothing is demanded of it"


@pytest.mark.parametrize(
    ("driver", "word"),
    [("modbus-coil", "the relay's command"), ("by-hand", "the answer of the person who switched it")],
)
def test_a_limit_names_whose_word_it_is_that_the_supply_came_back(driver: str, word: str) -> None:
    """Where nothing reads the supply a person's record does not speak of a relay, nor a relay's of a person."""
    supply = dryer().supply
    assert supply is not None
    rig = dryer(proof_of_cut=(), supply=replace(supply, driver=driver))
    told = scenario(BURNER_OFF)
    limits = judge_scenario(rig, told, cycles_of(told, [PASS]), 1).limits
    assert any(limit.endswith(f"is taken from {word}.") for limit in limits)


@pytest.mark.parametrize(("driver", "late_ms", "verdict"), [
    ("by-hand", 900, INCONCLUSIVE), ("by-hand", 3_000, FAIL), ("modbus-coil", 900, FAIL),
])  # fmt: skip
def test_an_output_is_not_late_by_a_persons_word_alone(driver: str, late_ms: int, verdict: Verdict) -> None:
    """Who says ON before turning the switch makes every time from the return longer than it was; what came within the
    limit of the controller's first word is not shown to be late where nothing reads the supply."""
    one = expects("burner", "is", ON, window=Window(0, 700 * MS), judged="burner_terminal")
    rig = dryer(supply=RigSupply(driver), proof_of_cut=(Proof("contact lost"),))
    story = Story(rig=rig, scenario=scenario(one, watch_ns=5 * S))
    story.set("burner_terminal", (0, 1), (story.cut_ns + 5 * MS, 0), (story.cut_ns + story.off_ns + late_ms * MS, 1))
    finding = story.finding("burner")
    assert finding.verdict is verdict, finding.reason


@pytest.mark.parametrize(("supply_is_read", "restarted", "said"), [(False, True, 1), (True, True, 0), (False, None, 0)])
def test_where_counters_alone_prove_the_cut_the_limits_say_how_little_that_is(
    supply_is_read: bool, restarted: bool | None, said: int
) -> None:
    """A watchdog beside a contact that sticks looks the same; a proof that reads the supply tells them apart. Where
    nothing restarted there is nothing to doubt."""
    rail = dryer().proof_of_cut if supply_is_read else ()
    rig = dryer(proof_of_cut=(*rail, Proof("falls", "uptime"), Proof("rises", "alive")))
    told = scenario(BURNER_OFF)
    shown = Finding(told.name, "", 1, "", "restart: either", PASS, "", {"restarted": restarted})
    cycles = [replace(one, findings=(shown,)) for one in cycles_of(told, [PASS])]
    limits = judge_scenario(rig, told, cycles, 1).limits
    assert sum("the program began anew, no more is shown" in limit for limit in limits) == said


def test_without_a_check_pulse_a_cache_in_the_io_is_among_the_limits() -> None:
    """An independent I/O that answers from a cache would show old values; only a pulse of the bench's own shows not."""
    told = scenario(BURNER_OFF)
    caches = [
        [one for one in judge_scenario(rig, told, cycles_of(told, [PASS]), 1).limits if "cache" in one]
        for rig in (dryer(check_pulse=None), dryer(check_pulse=CheckPulse("spare_out", "spare_in", 20 * MS)))
    ]
    assert [len(found) for found in caches] == [1, 0]


def test_counter_values_stand_in_the_order_of_their_size() -> None:
    """As numbers, not as words: 9 before 10."""
    assert _counted({"10 s": 1, "9 s": 1, "on": 1, "2 s": 3}) == "2 s 3, 9 s 1, 10 s 1, on 1"


def test_of_an_output_before_a_cut_that_never_came_nothing_is_said() -> None:
    """ "Not read" would blame an instrument that read it all the time."""
    never = replace(Story(scenario=scenario(BURNER_OFF)).judge(), marks=())
    (row,) = (one for one in matrix_rows(dryer(), [never]) if one.point == "burner")
    assert (row.before, row.at_loss) == ("not cut", "not cut")
    (row,) = (
        one
        for one in matrix_rows(dryer(), [never, Story(scenario=scenario(BURNER_OFF)).judge()])
        if one.point == "burner"
    )
    assert row.before == "on"
