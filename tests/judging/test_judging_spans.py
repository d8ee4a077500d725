"""From where and how far an expectation counts: off times that were not those asked, outputs that stay on through the
return, first reads that conform already, gaps in order, spans that one read does not cover.

All widths are derived from the poll (4 ms) and the relay's data sheet (2 ms) of the told rig.
"""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, OFF, ON, T0, S, Stage, Story, dryer, expects, scenario, traces_before_a_cut
from restart_bench.evidence.evidence import Evidence
from restart_bench.evidence.marks import condition_held
from restart_bench.judging.cycle import judge_cycle
from restart_bench.judging.notes import supply_notes
from restart_bench.model.journal import CycleJudged, Finding
from restart_bench.model.rig import Mode, Proof, RigSupply, SupplyLimits, Wanted
from restart_bench.model.scenario import Case, Expect, Expectation, Gap, Level, Step, Window
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR
CUT = 2 * S
BACK = 3 * S
RUNS = 3_502 * MS
WATCHED = RUNS + 150 * MS
BURNER_OFF = expects("burner", "is", OFF)
NEVER_ON = expects("burner", "never", ON, longer_than_ns=20 * MS)
NO_RAIL = dryer(proof_of_cut=(Proof("falls", "uptime"),))


def judged(story: Story, one: Expectation, **changes: object) -> Finding:
    """The finding about one expectation in this story."""
    return replace(story, scenario=scenario(one, **changes)).finding(one.point, one.text)


def with_asked(story: Story, asked_ns: int) -> CycleJudged:
    """The story judged as if another off time had been asked."""
    told = replace(story, scenario=scenario(BURNER_OFF))
    records = told.records()
    records = dataclasses.replace(records, started=replace(records.started, off_for_ns=asked_ns))
    return judge_cycle(told.rig, told.scenario, records, told.samples())


def rail(*changes: tuple[int, float], **more: Any) -> Story:
    """The usual story with another course of the rail."""
    return Story(scenario=scenario(BURNER_OFF), **more).set("rail", (0, 1), *changes)


def problems(one: CycleJudged) -> dict[str, str]:
    """Kind and reason of everything that made the cycle invalid."""
    valid = "valid: "
    told = [each for each in one.findings if each.expectation.startswith(valid)]
    return {each.expectation.removeprefix(valid): each.reason for each in told}


# ---------------------------------------------------------------- the off time that was asked


def test_a_supply_that_reads_back_long_before_the_command_is_an_error_and_ends_the_run() -> None:
    """Back after 0.1 s of a cut of 1 s: nobody knows what the controller was given, so a person has to look."""
    one = rail((CUT + MS, 0), (CUT + 100 * MS, 1)).judge()
    assert one.verdict is ERROR and one.ends_run, one.reason
    said = problems(one)["off time"]
    assert "rail read on again" in said and "before the command back" in said
    low, high = one.figures["off_time_seen_ns"]
    assert low <= 99 * MS <= high < 115 * MS


def test_a_loss_seen_only_by_reads_under_way_at_the_cut_proves_it() -> None:
    """The image lags by 20 ms and the supply is back after 10 ms: too short, but cut."""
    told = rail((CUT + 2 * MS, 0), (CUT + 12 * MS, 1))
    devices = {**told.rig.devices, "independent": replace(told.rig.devices["independent"], image_lag_ns=20 * MS)}
    assert set(problems(replace(told, rig=replace(told.rig, devices=devices)).judge())) == {"off time"}


@pytest.mark.parametrize("by_hand", [False, True])
@pytest.mark.parametrize("early", [20, 60, 300, 900])
def test_a_supply_that_comes_back_before_the_command_moves_the_return_and_is_an_error(
    early: int, by_hand: bool
) -> None:
    """However little before it, something else gave power; only a person may have switched before the answer, up to
    100 ms, and times count from the true return."""
    told = rail((CUT + MS, 0), (BACK - early * MS, 1))
    if by_hand:
        told = replace(told, rig=dryer(supply=RigSupply("by-hand")))
    one = told.judge()
    verdict = PASS if by_hand and early < 100 else ERROR
    assert one.verdict is verdict, one.reason
    assert one.ends_run is (verdict is ERROR)
    restored = one.mark("restored")
    assert restored is not None
    assert restored.not_before_ns <= 1_000 * S + BACK - early * MS <= restored.not_after_ns
    if verdict is PASS:
        assert any("came back by itself" in note or "before somebody" in note for note in one.notes), one.notes


@pytest.mark.parametrize(("before", "amid", "verdict"), [
    (0, 1, INCONCLUSIVE),
    (1, 0, INCONCLUSIVE),
    (0, 0, FAIL),
    (1, 1, PASS),
])  # fmt: skip
def test_what_comes_or_goes_after_an_early_return_says_nothing_of_the_time_in_the_dark(
    before: float, amid: float, verdict: Verdict
) -> None:
    """`during` lasts to the command back; between an early return and that the supply is back already."""
    one = Expectation("during", "fan", "fan_terminal", "is", ON, text="during")
    early = BACK - 60 * MS
    by_hand = dryer(supply=RigSupply("by-hand"))
    told = Story(rig=by_hand, scenario=replace(scenario(BURNER_OFF), during=(one,)))
    told.set("rail", (0, 1), (CUT + MS, 0), (early, 1))
    told.set("fan_terminal", (0, before), (early + 5 * MS, amid))
    assert told.finding("fan", "during").verdict is verdict


@pytest.mark.parametrize(("on", "off"), [(400, 700), (40, 70), (900, 940)])
def test_a_supply_that_reads_on_for_a_while_amid_the_cut_is_an_error(on: int, off: int) -> None:
    """Off, on for a while, off again: two cuts of which none was asked, however short the one is."""
    one = rail((CUT + MS, 0), (CUT + on * MS, 1), (CUT + off * MS, 0), (BACK + MS, 1)).judge()
    assert one.verdict is ERROR and one.ends_run, one.reason


@pytest.mark.parametrize(("late", "verdict"), [(60, PASS), (300, ERROR)])
def test_a_supply_that_is_lost_late_was_off_for_less_than_asked(late: int, verdict: Verdict) -> None:
    """A relay that opens late, or a capacitor that holds the rail up."""
    one = rail((CUT + late * MS, 0), (BACK + MS, 1)).judge()
    assert one.verdict is verdict and one.ends_run is (verdict is ERROR), one.reason


@pytest.mark.parametrize(("late", "verdict"), [(60, PASS), (300, ERROR)])
def test_a_supply_that_comes_back_late_was_off_for_longer_than_asked(late: int, verdict: Verdict) -> None:
    """A relay that closes late."""
    one = rail((CUT + MS, 0), (BACK + late * MS, 1)).judge()
    assert one.verdict is verdict and one.ends_run is (verdict is ERROR), one.reason


@pytest.mark.parametrize(("asked", "verdict"), [(940, PASS), (1_060, PASS), (500, ERROR), (1_500, ERROR)])
@pytest.mark.parametrize("rig", [dryer(), NO_RAIL])
def test_commands_that_lie_clearly_further_apart_or_nearer_than_asked_are_an_error(
    rig: Any, asked: int, verdict: Verdict
) -> None:
    """The bench itself was stopped, or late: with or without a proof that reads the supply."""
    one = with_asked(Story(rig=rig), asked * MS)
    assert one.verdict is verdict and one.ends_run is (verdict is ERROR), one.reason
    if verdict is ERROR:
        said = problems(one)["off time"]
        assert "the supply was off for" in said and f"asked were {show_duration(asked * MS)}" in said


def test_a_person_is_held_to_what_was_answered() -> None:
    """By hand the off time is what the answers make it; a rail that reads back before the person was asked is none."""
    by_hand = dryer(supply=RigSupply("by-hand"))
    assert with_asked(Story(rig=by_hand), 300 * MS).verdict is PASS
    early = Story(rig=by_hand).set("rail", (0, 1), (CUT + MS, 0), (CUT + 300 * MS, 1))
    one = with_asked(early, 300 * MS)
    assert one.verdict is ERROR and one.ends_run


@pytest.mark.parametrize(("driver", "verdict"), [("point", ERROR), ("by-hand", PASS)])
def test_a_time_out_of_run_mode_is_held_to_what_was_asked_too(driver: Any, verdict: Verdict) -> None:
    """A second in place of half a second, unless a person switched it."""
    rig = dryer(mode=Mode(driver, "spare_out", True, proof=(("running", OFF),)))
    told = Story(rig=rig, scenario=scenario(BURNER_OFF, how="mode")).never_dark()
    told.set("running", (0, 1), (CUT + 10 * MS, 0), (BACK + 10 * MS, 1))
    records = dataclasses.replace(told.records(), started=replace(told.records().started, off_for_ns=500 * MS))
    one = judge_cycle(rig, told.scenario, records, told.samples())
    assert one.verdict is verdict, one.reason
    if verdict is ERROR:
        assert "the controller was out of run mode for" in problems(one)["off time"]


@pytest.mark.parametrize(("rose", "verdict"), [(62, PASS), (45, ERROR), (5, ERROR)])
def test_a_dip_by_half_or_double_is_not_the_dip_asked(rose: int, verdict: Verdict) -> None:
    """A dip of 60 ms may have been 30 to 120 ms long, but not over before the command back."""
    supply = replace(dryer().supply or RigSupply("x"), limits=SupplyLimits(dips_up_to_ns=100 * MS))
    told = rail((CUT + MS, 0), (CUT + (1 + rose) * MS, 1), off_ns=60 * MS, rig=dryer(supply=supply)).judge()
    assert told.verdict is verdict, told.reason


@examples(12)
@example(fell=3, rose=965, seed=0)
@given(fell=st.integers(0, 900), rose=st.integers(0, 2_000), seed=st.integers(0, 99))
def test_the_off_time_that_is_reported_holds_the_true_one_or_the_cycle_is_an_error(
    fell: int, rose: int, seed: int
) -> None:
    """Whenever the rail falls and rises: a pass means a true off time within a tenth or 100 ms of the one asked, up to
    the relay's data and two polls; an error is never said of one that is nearer and
    was not over before the command back. A relay that opens later than its
    data, by so little that no read shows it, makes the time off shorter by as much."""
    off, on = CUT + (1 + fell) * MS, CUT + (1 + fell + rose) * MS
    true_ns = rose * MS
    one = rail((off, 0), (on, 1), seed=seed).judge() if rose else rail(seed=seed).judge()
    slack = 100 * MS
    if one.verdict is PASS:
        assert abs(true_ns - S) <= slack + 16 * MS
        low, high = one.figures["off_time_ns"]
        unseen = min(max(0, off - (CUT + 3 * MS)), 4 * MS) if rose else 0  # up to a poll after command and data
        assert low - unseen <= true_ns <= high
    early = rose and on < BACK + 8 * MS
    if abs(true_ns - S) <= slack - 16 * MS and on < 4 * S and not early:
        assert "off time" not in problems(one), one.reason


# ---------------------------------------------------------------- on through the return


@pytest.mark.parametrize(("off_at", "verdict"), [
    (CUT + 5 * MS, PASS), (CUT + 300 * MS, PASS), (BACK - 50 * MS, PASS), (BACK + 8 * MS, PASS),
    (BACK + 20 * MS, INCONCLUSIVE), (BACK + 40 * MS, FAIL), (BACK + 900 * MS, FAIL),
])  # fmt: skip
def test_what_still_deviates_once_power_is_surely_back_is_energised(off_at: int, verdict: Verdict) -> None:
    """`never: on, longer_than: 20 ms`, on from before the cut: stored energy may end before the return, not after."""
    story = replace(Story(), end_ns=6 * S).set("burner_terminal", (0, 1), (off_at, 0))
    one = judged(story, NEVER_ON, watch_ns=2 * S)
    assert one.verdict is verdict, one.reason


@pytest.mark.parametrize("kind", ["never", "stays"])
def test_what_deviated_before_the_return_is_named_with_its_length(kind: str) -> None:
    """Off 300 ms after the cut: that is no fail, and everybody may know it."""
    wanted = ON if kind == "never" else OFF
    one = judged(
        Story().set("burner_terminal", (0, 1), (CUT + 300 * MS, 0)),
        expects("burner", kind, wanted, longer_than_ns=20 * MS),
    )
    assert one.verdict is PASS
    assert "it was still on for 29" in one.reason or "it was still on for 30" in one.reason, one.reason
    low, high = one.figures["still_ns"]
    assert low <= 300 * MS <= high and high - low < 12 * MS


def test_what_stays_on_through_the_return_may_do_so_where_that_is_asked() -> None:
    """`returns: never` lets it stay on through a dip."""
    story = Story().set("fan_terminal", (0, 1))
    assert judged(story, expects("fan", "returns", longer_than_ns=20 * MS)).verdict is PASS


@pytest.mark.parametrize(("unread", "verdict"), [
    ([(40, 100)], FAIL), ([(40, 100), (300, 400)], FAIL), ([(40, 1_505)], INCONCLUSIVE),
    ([(40, 100), (1_480, 2_000)], INCONCLUSIVE),
])  # fmt: skip
def test_what_no_read_after_a_gap_shows_to_conform_deviated_from_there_on_whatever_the_gap_hid(
    unread: list[tuple[int, int]], verdict: Verdict
) -> None:
    """`never: off`, off in every read, but unread for a while: it came on there and went off, or never came. Either way
    it was off from the gap on for too long, unless what follows the gap is shorter than the limit, or nothing does."""
    told = Story().set("fan_terminal", (0, 0))
    for since_ms, to_ms in unread:
        told.hide("independent", BACK + since_ms * MS, BACK + to_ms * MS)
    one = judged(told, expects("fan", "never", OFF, longer_than_ns=30 * MS))
    assert one.verdict is verdict, one.reason


# ---------------------------------------------------------------- a first read that conforms already


BETWEEN = expects("fan", "is", ON, within=(600 * MS, 1_500 * MS))
ON_EARLY = ((0, 1), (CUT + 5 * MS, 0), (BACK + 4 * MS, 1), (BACK + 300 * MS, 0), (BACK + 900 * MS, 1))


def test_on_from_the_first_read_on_is_too_early_for_between() -> None:
    """On directly from the return for 300 ms, off, on again within the window: it came too early."""
    one = judged(replace(Story(), end_ns=7 * S).set("fan_terminal", *ON_EARLY), BETWEEN, watch_ns=2 * S)
    assert one.verdict is FAIL, one.reason


def test_on_from_the_first_read_on_has_to_last_for_within() -> None:
    """The same course: on in time, and not unbroken."""
    within = expects("fan", "is", ON, within=(0, 1_500 * MS))
    one = judged(replace(Story(), end_ns=7 * S).set("fan_terminal", *ON_EARLY), within, watch_ns=2 * S)
    assert one.verdict is FAIL and "did not last" in one.reason, one.reason


def test_what_was_on_before_the_cut_and_outlived_it_is_no_start() -> None:
    """On through a dip until 0.3 s after the return, then off, and on again within the window: that is the start."""
    story = replace(Story(), end_ns=7 * S).set("fan_terminal", (0, 1), (BACK + 300 * MS, 0), (BACK + 900 * MS, 1))
    assert judged(story, BETWEEN, watch_ns=2 * S).verdict is PASS


def test_what_was_on_when_ready_came_started_before_it() -> None:
    """Counted from ready: on since before it, off, on again within the window."""
    story = replace(Story(), end_ns=7 * S)
    story.set("fan_terminal", (0, 1), (CUT + 5 * MS, 0), (RUNS - 200 * MS, 1), (RUNS + 300 * MS, 0), (RUNS + S, 1))
    assert judged(story, replace(BETWEEN, start="ready"), watch_ns=2 * S).verdict is FAIL


def test_what_went_off_before_ready_was_not_left_so_by_no_power() -> None:
    """Off is what no power leaves behind, and no change; where it was on after the return, it went off by one. Counted
    from ready: off shortly before it is too early for a window that begins later, whatever comes in the window."""
    off = expects("fan", "is", OFF, within=(400 * MS, 900 * MS), start="ready")
    told: list[tuple[int, float]] = [(RUNS - 40 * MS, 0), (RUNS + 300 * MS, 1), (RUNS + 600 * MS, 0)]
    for before, verdict in (([(BACK + 100 * MS, 1.0)], FAIL), ([], PASS)):
        story = replace(Story(), end_ns=7 * S).set("fan_terminal", (0, 1), (CUT + 5 * MS, 0), *before, *told)
        assert judged(story, off, watch_ns=2 * S).verdict is verdict


def test_what_a_controller_that_rode_through_says_is_off_was_not_left_so_by_no_power() -> None:
    """It went on all the time, so off in its first read that counts is a change like any other, and has to last."""
    off = expects("burner", "is", OFF, judged="burner", within=(0, 700 * MS))
    told = Story(scenario=scenario(off, restart="either")).never_dark()
    told.set("burner", (0, 1), (BACK + 5 * MS, 0), (BACK + 300 * MS, 1), (BACK + 500 * MS, 0))
    assert told.finding("burner").verdict is FAIL


def unseen_at_the_return(one: Expectation, since: int, to: int, *changes: tuple[int, float]) -> Verdict:
    """The verdict where the terminal was not read about the return, then conformed, deviated, and conformed again."""
    told = Story(scenario=scenario(one, watch_ns=2 * S), end_ns=7 * S).set("fan_terminal", (0, 1), *changes)
    told.hide("independent", since, to)
    return told.finding(one.point).verdict


def test_off_since_nobody_saw_when_may_be_left_by_no_power_or_a_change() -> None:
    """On in the last read before the return, off in the first one after it: it went off with the supply, or after the
    return and so too early. Neither is shown."""
    off = expects("fan", "is", OFF, within=(400 * MS, 900 * MS))
    again = ((BACK + 12 * MS, 0), (BACK + 300 * MS, 1), (BACK + 600 * MS, 0))
    assert unseen_at_the_return(off, BACK - 30 * MS, BACK + 100 * MS, *again) is INCONCLUSIVE


def test_on_before_a_blind_cut_and_after_it_may_have_outlived_it_or_come_again() -> None:
    """On in the last read before the cut and in the first one long after the return, then off, then on in the window:
    it outlived the cut and passes, or came with the return and did not last. Neither is shown."""
    again = ((BACK + 300 * MS, 0), (BACK + 600 * MS, 1))
    on = replace(BETWEEN, window=Window(400 * MS, 900 * MS))
    assert unseen_at_the_return(on, CUT - 20 * MS, BACK + 100 * MS, *again) is INCONCLUSIVE


# ---------------------------------------------------------------- a link that only fell silent


def silent_about_the_cut(
    one: Expectation | Gap, *changes: tuple[int, float], stage: Stage = "dark", since: int = CUT + MS
) -> Story:
    """The controller's own fan was on, then changed so; its link was lost about the cut."""
    asked = scenario(gaps=(one,)) if isinstance(one, Gap) else scenario(one, watch_ns=2 * S)
    told = Story(scenario=replace(asked, restart="either"), end_ns=7 * S).never_dark()
    told.stages += [(since, "dark"), (BACK - 50 * MS, stage), (BACK + 20 * MS, "good")]
    return told.set("fan", (0, 1), *changes).set("burner", (0, 0), (BACK + 650 * MS, 1))


OFF_AND_ON = ((BACK + 500 * MS, 0.0), (BACK + 800 * MS, 1.0))


def test_on_on_both_sides_of_a_silent_link_may_have_outlived_the_cut() -> None:
    """Silence alone may be the network's: on in the controller's first read came with a restart and did not last, or
    was so all along. A refusal is the word of a stack begun anew, and an uptime that fell shows a restart too."""
    on = expects("fan", "is", ON, judged="fan", within=(0, 900 * MS))
    assert silent_about_the_cut(on, *OFF_AND_ON).finding("fan").verdict is INCONCLUSIVE
    assert silent_about_the_cut(on, *OFF_AND_ON, stage="refused").finding("fan").verdict is FAIL
    restarted = replace(silent_about_the_cut(on, *OFF_AND_ON), restarts=True)
    assert restarted.finding("fan").verdict is FAIL


def test_what_a_silent_link_hides_is_no_first_change_to_hold_a_gap_against() -> None:
    """The fan came back before the burner, or had been on all along and came 0.15 s after it."""
    gap = Gap("burner", "fan", "burner", "fan", None, 600 * MS, "fan after burner")
    for since in (CUT + MS, BACK - 150 * MS):  # not read in all of the cut, or at its end
        told = silent_about_the_cut(gap, *OFF_AND_ON, since=since)
        assert told.finding("fan", "fan after burner").verdict is INCONCLUSIVE


# ---------------------------------------------------------------- gaps in order

AT_MOST = Gap("fan", "burner", "fan_terminal", "burner_terminal", None, 600 * MS, "burner after fan")


def starts(fan: int | None, burner: int | None, gap: Gap = AT_MOST) -> Finding:
    """What a gap comes to where fan and burner come on so many milliseconds after the return (None: never)."""
    story = Story(scenario=scenario(gaps=(gap,)))
    for name, at in (("fan_terminal", fan), ("burner_terminal", burner)):
        story.set(name, (0, 0), *(((BACK + at * MS, 1),) if at is not None else ()))
    return story.finding("burner", "burner after fan")


def test_a_gap_is_told_with_its_point_named_once() -> None:
    """The name of the point stands before the words of every finding."""
    assert starts(500, 200).words == "after fan"


def test_what_may_have_come_with_the_return_or_outlived_the_cut_has_no_first_change_to_hold_a_gap_against() -> None:
    """The fan was on before the cut and in its first read after a return that nobody read, then off, and on again: it
    came before the burner, or after it."""
    gap = replace(AT_MOST, at_most_ns=400 * MS)
    told = Story(scenario=scenario(gaps=(gap,))).set("burner_terminal", (0, 0), (BACK + 300 * MS, 1))
    told.set("fan_terminal", (0, 1), (BACK + 200 * MS, 0), (BACK + 500 * MS, 1))
    assert told.finding("burner", "burner after fan").verdict is FAIL
    told.hide("independent", CUT - 20 * MS, BACK + 100 * MS)
    assert told.finding("burner", "burner after fan").verdict is INCONCLUSIVE


@pytest.mark.parametrize(("since_ms", "to_ms"), [(-30, 150), (30, 150)])
def test_what_was_on_on_both_sides_of_a_blind_gap_may_have_come_on_in_it(since_ms: int, to_ms: int) -> None:
    """The fan went off and on again while nobody read, over the return or after it, and then visibly: its first change
    came before the burner, not after it."""
    gap = replace(AT_MOST, at_most_ns=400 * MS)
    told = Story(scenario=scenario(gaps=(gap,))).set("burner_terminal", (0, 0), (BACK + 300 * MS, 1))
    unseen, again = ((BACK + 70 * MS, 0), (BACK + 120 * MS, 1)), ((BACK + 200 * MS, 0), (BACK + 500 * MS, 1))
    assert told.set("fan_terminal", (0, 1), *unseen, *again).finding("burner", "burner after fan").verdict is PASS
    told.hide("independent", BACK + since_ms * MS, BACK + to_ms * MS)
    assert told.finding("burner", "burner after fan").verdict is INCONCLUSIVE


def test_a_few_polls_left_out_may_hide_that_it_went_off_and_came_on_again() -> None:
    """The same where the bench asks every 4 ms and was silent for 20 ms, in which the fan was off for 12 ms."""
    gap = replace(AT_MOST, at_most_ns=400 * MS)
    told = Story(scenario=scenario(gaps=(gap,))).set("burner_terminal", (0, 0), (BACK + 150 * MS, 1))
    told.set(
        "fan_terminal", (0, 1), (BACK + 104 * MS, 0), (BACK + 116 * MS, 1), (BACK + 200 * MS, 0), (BACK + 500 * MS, 1)
    )
    assert told.finding("burner", "burner after fan").verdict is PASS
    told.hide("independent", BACK + 100 * MS, BACK + 120 * MS)
    assert told.finding("burner", "burner after fan").verdict is INCONCLUSIVE


@pytest.mark.parametrize(("within_ms", "verdict"), [(40, INCONCLUSIVE), (300, PASS)])
def test_what_is_so_on_both_sides_of_a_gap_may_have_come_anew_in_it(within_ms: int, verdict: Verdict) -> None:
    """The burner went off and on again in the gap in which the fan came on: 60 ms after it, not with it."""
    one = expects("burner", "is", ON, within=(0, within_ms * MS), start="fan")
    told = Story(scenario=scenario(one)).set("fan_terminal", (0, 0), (BACK + 500 * MS, 1))
    told.set("burner_terminal", (0, 0), (BACK + 300 * MS, 1), (BACK + 490 * MS, 0), (BACK + 560 * MS, 1))
    told.hide("independent", BACK + 480 * MS, BACK + 580 * MS)
    assert told.finding("burner").verdict is verdict


def test_a_lag_alone_hides_no_change() -> None:
    """Every read may show what was 20 ms ago: no poll is left out, so the fan that was on did not come on before."""
    gap = replace(AT_MOST, at_most_ns=400 * MS)
    told = Story(scenario=scenario(gaps=(gap,))).set("burner_terminal", (0, 0), (BACK + 150 * MS, 1))
    devices = {**told.rig.devices, "independent": replace(told.rig.devices["independent"], image_lag_ns=20 * MS)}
    told = replace(told, rig=replace(told.rig, devices=devices))
    told.set("fan_terminal", (0, 1), (BACK + 200 * MS, 0), (BACK + 500 * MS, 1))
    assert told.finding("burner", "burner after fan").verdict is FAIL


@pytest.mark.parametrize(("fan", "burner", "verdict"), [
    (500, 200, FAIL), (500, 480, FAIL), (500, 500, INCONCLUSIVE), (480, 500, PASS), (200, 700, PASS),
    (None, 200, FAIL), (100, 900, FAIL),
])  # fmt: skip
def test_a_gap_with_at_most_alone_still_has_an_order(fan: int | None, burner: int, verdict: Verdict) -> None:
    """`then` before `first` is a fail whatever the limits."""
    one = starts(fan, burner)
    assert one.verdict is verdict, one.reason
    if verdict is FAIL and burner < (fan or 10_000):
        assert "before" in one.reason or "had not" in one.reason


# ---------------------------------------------------------------- a settled span that one read does not cover


def test_one_read_does_not_cover_a_settled_span() -> None:
    """A second of silence is tolerated between reads, but it takes more than one to show that a state lasted."""
    story = Story().hide("independent", RUNS, WATCHED + 300 * MS).hide("independent", WATCHED + 304 * MS, 5 * S)
    alone = judged(story, BURNER_OFF, watch_ns=950 * MS)
    assert alone.verdict is INCONCLUSIVE, alone.reason
    laggy = replace(story.rig.devices["independent"], image_lag_ns=500 * MS)
    rig = replace(story.rig, devices={**story.rig.devices, "independent": laggy})
    assert judged(replace(story, rig=rig), BURNER_OFF, watch_ns=950 * MS).verdict is INCONCLUSIVE
    assert "burner: 1 read that counts, too few to show that it lasted" in alone.reason


def test_one_read_after_it_came_does_not_show_that_it_lasted() -> None:
    """The same for `within`, and for what is expected during the cut."""
    story = Story().set("fan_terminal", (0, 1), (CUT + 5 * MS, 0), (BACK + 300 * MS, 1))
    within = expects("fan", "is", ON, within=(0, S))
    assert judged(story, within).verdict is PASS
    blind = replace(story, hidden=[("independent", BACK + 310 * MS, 5 * S)])
    assert judged(blind, replace(within, blind_ns=3 * S)).verdict is INCONCLUSIVE
    during = expects("burner", "is", OFF, phase="during")
    assert judged(replace(story, hidden=[("independent", CUT + 80 * MS, BACK)]), during).verdict is INCONCLUSIVE


def test_reads_at_the_beginning_do_not_cover_a_settled_span() -> None:
    """Read for a moment of the span, then nothing: the state may have been another one for most of it."""
    story = Story().hide("independent", RUNS + 50 * MS, 5 * S)
    assert judged(story, BURNER_OFF, watch_ns=900 * MS).verdict is INCONCLUSIVE


def test_a_slow_poll_or_a_stall_covers_a_settled_span() -> None:
    """Four reads a second, or reads for 0.4 s of it."""
    fast = judged(Story().hide("independent", WATCHED + 250 * MS, 5 * S), BURNER_OFF)
    assert fast.verdict is PASS, fast.reason  # a stall that `blind:` tolerates
    rig = dryer()
    slow = replace(rig, devices={**rig.devices, "independent": replace(rig.devices["independent"], poll_ns=250 * MS)},
                   proof_of_cut=(Proof("falls", "uptime"),))  # fmt: skip
    assert judged(Story(rig=slow), BURNER_OFF).verdict is PASS


def test_the_usual_story_still_passes() -> None:
    """None of this touches a cycle in which all is well."""
    one = Story(scenario=scenario(BURNER_OFF, NEVER_ON, expects("batch_count", "is", Wanted(as_before=True)))).judge()
    assert one.verdict is PASS, one.reason
    assert [each.verdict for each in one.findings] == [PASS] * 5


# ---------------------------------------------------------------- steps


@pytest.mark.parametrize(("read_for", "verdict"), [(1_200, PASS), (300, INCONCLUSIVE)])
def test_a_step_that_was_to_be_steady_is_shown_by_reads(read_for: int, verdict: Verdict) -> None:
    """`steady: 1 s`: some reads and then silence show nothing, whatever the runner took it for."""
    action = Expect((("fan", ON),), ("fan_terminal",), within_ns=500 * MS, steady_ns=S)
    told = scenario(function_check=(Step("function check", 0, action, "expect fan on"),))
    story = Story(scenario=told, end_ns=6 * S).set("fan_terminal", (0, 0), (4_600 * MS, 1))
    story.step("function check", 0, True, (4_550 * MS, 5_900 * MS), "expect fan on")
    story.hide("independent", (4_600 + read_for) * MS, 6 * S)
    assert story.finding("", "function check").verdict is verdict


def test_a_condition_is_held_up_to_its_last_read_and_no_further() -> None:
    """The clock goes on in silence, what was read does not."""
    story = Story(end_ns=1_500 * MS).hide("independent", 700 * MS, 2 * S)
    traces = traces_before_a_cut(story.rig, story.samples())
    held = condition_held(traces, [("burner_terminal", ON), ("heartbeat", Wanted(above=0))], T0)
    assert held is not None and T0 + 690 * MS < held.until_ns < T0 + 700 * MS


LATE = [(0, 1.0), (2 * S + MS, 0.0), (3 * S + 300 * MS, 1.0)]


@pytest.mark.parametrize(("driver", "later_ns", "said"), [
    ("by-hand", 2 * S, True), ("by-hand", 100 * MS, False), ("point", 2 * S, False),
])  # fmt: skip
def test_who_says_off_too_early_is_told_how_long_the_controller_answered_on(
    driver: str, later_ns: int, said: bool
) -> None:
    """Longer than any power supply holds up: then all times are as wide as the mistake, and the cure is named; a relay
    said nothing."""
    rig = dryer(supply=RigSupply(driver), proof_of_cut=())
    story = Story(rig=rig, off_ns=3 * S, end_ns=9 * S)
    story.stages = [(-(10**12), "good"), (CUT + later_ns, "dark"), *story.stages[2:]]
    for name in ("burner", "fan", "running"):
        story.set(name, (0, 1), (CUT + later_ns, 0), *([(story.running_ns, 1)] if name == "running" else []))
    text = " ".join(story.judge().notes)
    assert ("the controller still answered 1.9" in text) is said
    assert ("switch first, then answer" in text) is said


@pytest.mark.parametrize(
    ("driver", "level", "says", "never"),
    [
        ("modbus-coil", None, "the supply came back 295..302 ms", "voltage"),
        ("modbus-coil", Level(fraction=0.4), "the voltage came back 295..302 ms", "the supply came"),
        ("by-hand", None, "after the answer that it was done", "relay"),
    ],
    ids=["relay", "voltage", "by hand"],
)
def test_a_late_return_is_told_in_the_words_of_its_way(driver: str, level: Level | None, says: str, never: str) -> None:
    """A person who switched is no relay with a data sheet, and a dip of the voltage takes no supply away."""
    story = Story(truth={"rail": LATE, "rail_mv": [(at, 24_000 * on) for at, on in LATE]})
    assert story.rig.supply is not None
    rig = replace(story.rig, supply=replace(story.rig.supply, driver=driver))
    told = replace(story.scenario, cases=(Case("", S, level=level),))
    (note,) = supply_notes(Evidence(rig, told, story.records(), story.samples()))
    assert says in note and never not in note


@pytest.mark.parametrize(("again_ms", "told"), [(None, False), (2, False), (60, True)])
def test_a_contact_that_bounces_longer_than_its_data_says_is_told(again_ms: int | None, told: bool) -> None:
    """The rail shows it, so that nobody takes it for a sound contact because the cycle passes."""
    base = Story()
    back = base.cut_ns + base.off_ns
    rail = [(0, 1), (base.cut_ns + MS, 0), (back + MS, 1)]
    if again_ms is not None:
        rail += [(back + again_ms * MS, 0), (back + (again_ms + 15) * MS, 1)]
    judged = Story(truth={"rail": rail}).judge()
    assert any("bounces longer than the rig file says" in note for note in judged.notes) is told, judged.notes


def test_what_deviates_is_told_from_where_it_was_first_read_also_where_a_gap_may_have_broken_it() -> None:
    """A terminal on from the return on, with a gap in which it may have been off: it began at the return, and only
    how long it surely lasted is counted from behind the gap."""
    told = Story(scenario=scenario(expects("burner", "never", ON, longer_than_ns=20 * MS)))
    told.set("burner_terminal", (0, 1), (told.cut_ns + 5 * MS, 0), (told.back_ns + 50 * MS, 1))
    told.hide("independent", told.back_ns + 600 * MS, told.back_ns + 700 * MS)
    figures = told.finding("burner").figures
    low, high = figures["begun_ns"]
    assert low <= 50 * MS <= high < 80 * MS
    assert figures["on_for_ns"][0] < told.end_ns - told.back_ns - 600 * MS


def test_a_command_back_that_was_not_taken_ends_no_off_time() -> None:
    """The supply was off for as long as nobody knows: what the commands were apart is not told for it."""
    problem = {"restore": {"problem": "the port failed"}}
    judged = Story(command=problem, truth={"rail": [(0, 1), (2 * S + MS, 0)]}).judge()
    assert judged.verdict is Verdict.ERROR and "off_time_ns" not in judged.figures
    assert "off_time_ns" in Story().judge().figures
