"""The rules of judgement over whole cycles: what makes one invalid, what stands beside an error, what is reported."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, OFF, ON, T0, S, Stage, Story, dryer, expects, found, moved, scenario, with_check_pulse
from restart_bench.judging.cycle import judge_cycle
from restart_bench.judging.matrix import matrix_rows
from restart_bench.judging.scenario import judge_scenario
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import CycleJudged
from restart_bench.model.rig import Mode, Proof, Rig, Wanted
from restart_bench.model.scenario import Ask, ByEye, Expect, Press, Step
from restart_bench.model.verdicts import Verdict, worst

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR
BACK = 3 * S
RUNS = 3_502 * MS
BURNER_OFF = expects("burner", "is", OFF)
NEVER_ON = expects("burner", "never", ON, longer_than_ns=20 * MS)


def story(*after: object, **changes: object) -> Story:
    """The usual story with these expectations (burner off, if none)."""
    told = after or (BURNER_OFF,)
    return Story(scenario=scenario(*told), **changes)  # type: ignore[arg-type]


def problems(judged: CycleJudged) -> dict[str, str]:
    """Kind and reason of everything that made the cycle invalid."""
    return {
        one.expectation.removeprefix("valid: "): one.reason
        for one in judged.findings
        if one.expectation.startswith("valid: ")
    }


def test_the_usual_story_passes() -> None:
    """Everything as demanded: the verdict of the cycle is pass, and it has all its marks."""
    judged = story(BURNER_OFF, NEVER_ON).judge()
    assert judged.verdict is PASS, judged.reason
    assert [mark.name for mark in judged.marks][-2:] == ["settled", "end"]
    assert not judged.ends_run


# ---------------------------------------------------------------- rule 1


@examples(8)
@given(by=st.integers(-999 * S, 10**15))
def test_same_evidence_same_finding_whenever_it_was(by: int) -> None:
    """Moving every timestamp leaves verdicts, reasons and figures as they are."""
    told = story(BURNER_OFF, NEVER_ON, expects("fan", "is", ON, within=(0, S))).pulse("burner_terminal", RUNS, 40 * MS)
    told.hide("independent", RUNS + 200 * MS, RUNS + 300 * MS)
    records, samples = told.records(), told.samples()
    first = judge_cycle(told.rig, told.scenario, records, samples)
    again = judge_cycle(told.rig, told.scenario, *moved(records, samples, by))
    assert again.findings == first.findings
    assert (again.verdict, again.reason, again.outputs, again.figures) == (
        first.verdict, first.reason, first.outputs, first.figures,
    )  # fmt: skip


def test_a_judged_cycle_survives_the_journal() -> None:
    """Judged from the archive it is what was shown live, figures included."""
    told = story(
        BURNER_OFF, NEVER_ON, expects("fan", "is", ON, within=(0, S)), expects("batch_count", "is", Wanted(above=2))
    )
    judged = told.pulse("burner_terminal", RUNS, 40 * MS).judge()
    assert from_line(to_line(judged)) == judged


# ---------------------------------------------------------------- rule 10: words overwrite upward

# ETSI ES 201 873-1 V4.16.1 (2024-10), clause 24.1, Table 30 (quoted in two independent texts): the word that stands
# after pass, inconc, fail and none were assigned to each current word. "none": nothing was said.
NONE = None
TTCN_3 = {
    NONE: (PASS, INCONCLUSIVE, FAIL, NONE),
    PASS: (PASS, INCONCLUSIVE, FAIL, PASS),
    INCONCLUSIVE: (INCONCLUSIVE, INCONCLUSIVE, FAIL, INCONCLUSIVE),
    FAIL: (FAIL, FAIL, FAIL, FAIL),
}
OVERWRITTEN = [
    ([word for word in (current, assigned) if word is not NONE], after)
    for current, row in TTCN_3.items()
    for assigned, after in zip((PASS, INCONCLUSIVE, FAIL, NONE), row, strict=True)
    if after is not NONE
]
# Expectations of the usual story that end with each word: two of each, about different points.
ENDS = {
    PASS: (expects("fan", "is", OFF), BURNER_OFF),
    INCONCLUSIVE: (
        expects("fan", "never", ON, judged="fan", longer_than_ns=20 * MS),
        expects("burner", "never", ON, judged="burner", longer_than_ns=20 * MS),
    ),
    FAIL: (expects("fan", "is", ON), expects("burner", "is", ON)),
}


@pytest.mark.parametrize(("words", "after"), OVERWRITTEN)
def test_findings_overwrite_each_other_as_in_ttcn_3(words: list[Verdict], after: Verdict) -> None:
    """The table, held against the word of a whole cycle judged from its evidence, in either order of findings."""
    told = [ENDS[word][place] for place, word in enumerate(words)]
    for ordered in (told, told[::-1]):
        judged = story(*ordered).judge()
        found_words = [one.verdict for one in judged.findings if one.point]
        assert sorted(found_words) == sorted(words), judged.findings
        assert judged.verdict is after


@pytest.mark.parametrize(("words", "after"), OVERWRITTEN)
def test_cycles_overwrite_each_other_as_in_ttcn_3(words: list[Verdict], after: Verdict) -> None:
    """The same table, held against the word of a scenario over its cycles, in either order of cycles."""
    told = scenario(BURNER_OFF)
    for ordered in (words, words[::-1]):
        cycles = [CycleJudged(n, told.name, "", word, word.value, (), ()) for n, word in enumerate(ordered, start=1)]
        assert judge_scenario(dryer(), told, cycles, len(cycles)).verdict is after


@given(*(st.sampled_from(list(Verdict)) for _ in range(3)))
def test_overwriting_is_associative_and_commutative(a: Verdict, b: Verdict, c: Verdict) -> None:
    """A maximum over pass < inconc < error < fail (derived; in TTCN-3 error, which only the test system sets, comes
    last: here a fail that stands beside it is reported as one)."""
    assert worst((a, b)) is worst((b, a))
    assert worst((worst((a, b)), c)) is worst((a, worst((b, c))))
    assert worst((a, FAIL)) is FAIL
    assert worst((a, ERROR)) is (FAIL if a is FAIL else ERROR)


def test_one_inconclusive_finding_makes_the_cycle_inconclusive() -> None:
    """And one fail makes it fail, whatever the others say."""
    doubtful = expects("fan", "never", ON, judged="fan", longer_than_ns=20 * MS)
    assert story(BURNER_OFF, doubtful).judge().verdict is INCONCLUSIVE
    assert story(BURNER_OFF, doubtful, expects("fan", "is", ON)).judge().verdict is FAIL


# ---------------------------------------------------------------- rule 8: the state before


def test_a_state_before_that_was_not_reached_is_an_error_and_nothing_is_judged() -> None:
    """Nothing was cut, and the finding says which step and why."""
    told = story(switched=False, completed=False)
    told.step("before", 0, True, (100 * MS, 200 * MS)).step("before", 1, False, (200 * MS, S), "burner reads off")
    judged = told.judge()
    assert judged.verdict is ERROR and not judged.ends_run
    assert "nothing was cut" in problems(judged)["before"] and "burner reads off" in judged.reason
    assert len(judged.findings) == 1


def test_a_cycle_that_a_person_stopped_is_inconclusive() -> None:
    """Nobody did anything wrong; the controller showed nothing either."""
    judged = story(switched=False, completed=False).trouble("stopped", S, "stopped by a person").judge()
    assert judged.verdict is INCONCLUSIVE
    assert "stopped by a person" in judged.reason


@pytest.mark.parametrize("purpose", ["cut", "restore"])
def test_a_question_for_the_switch_that_a_person_broke_off_is_no_relays_fault(purpose: str) -> None:
    """Ctrl-C at "Switch ON now": the cycle is inconclusive and can be done again, as one stopped anywhere else."""
    told = story(completed=False, command={purpose: {"problem": "broken off"}})
    judged = told.trouble("stopped", 4 * S, "stopped by a person").judge()
    assert judged.verdict is INCONCLUSIVE and not problems(judged)
    assert "stopped by a person" in judged.reason


# ---------------------------------------------------------------- rule 8: proofs of the cut


def test_a_supply_proof_read_on_all_through_the_cut_is_contradicted_and_ends_the_run() -> None:
    """The relay did not open, or the wrong supply was switched: a person has to look."""
    judged = story().never_dark().set("rail", (0, 1)).judge()
    assert judged.verdict is ERROR and judged.ends_run
    assert "the supply was not cut" in problems(judged)["contradicted"]
    assert found(judged, "burner").verdict is ERROR


@pytest.mark.parametrize(("driver", "said"), [("modbus-coil", "the relay"), ("by-hand", "really off when")])
@pytest.mark.parametrize(
    ("proof", "kind"), [(Proof("value", "rail", OFF), "contradicted"), (Proof("falls", "uptime"), "unproven")]
)
def test_a_cut_that_was_none_sends_to_what_switched_it(driver: str, said: str, proof: Proof, kind: str) -> None:
    """A rig that a person switches has no relay to look at: the person is asked what he answered."""
    rig = dryer(proof_of_cut=(proof,))
    assert rig.supply is not None
    rig = replace(rig, supply=replace(rig.supply, driver=driver))
    told = problems(story(rig=rig).never_dark().set("rail", (0, 1)).judge())[kind]
    assert said in told
    assert ("relay" in told) is (driver != "by-hand")


def test_a_dip_shorter_than_the_gaps_of_its_proof_is_not_proven() -> None:
    """Read every 4 ms, a dip of 3 ms can be missed: neither held nor broken, so an error that does not end the run."""
    judged = story(off_ns=3 * MS).never_dark().set("rail", (0, 1)).judge()
    assert judged.verdict is ERROR and not judged.ends_run
    assert "the cut is not proven" in problems(judged)["unproven"]


def test_one_proof_that_holds_is_enough() -> None:
    """The rail was not read, the uptime fell: proven."""
    assert story().hide("independent", 1_950 * MS, 3_050 * MS).judge().verdict is PASS


def test_a_proof_that_always_reads_off_proves_nothing() -> None:
    """A dead channel: off before the cut already."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF),))
    judged = story(rig=rig).set("rail", (0, 0)).judge()
    assert judged.verdict is ERROR
    assert "before the cut already" in problems(judged)["unproven"]


def test_a_register_with_levels_may_be_the_proof() -> None:
    """Millivolts of the rail, read as off below 5 V and on above 19 V."""
    assert story(rig=dryer(proof_of_cut=(Proof("value", "rail_mv", OFF),))).judge().verdict is PASS


@pytest.mark.parametrize("kind", ["falls", "contact lost"])
def test_restart_proofs_alone_prove_a_cut(kind: str) -> None:
    """`uptime: falls`, or the lost connection."""
    point = "uptime" if kind == "falls" else None
    rig = dryer(proof_of_cut=(Proof(kind, point),))  # type: ignore[arg-type]
    assert story(rig=rig).judge().verdict is PASS
    rides = story(rig=rig, off_ns=10 * MS).never_dark().judge()
    assert rides.verdict is ERROR and "unproven" in problems(rides)


def test_rises_is_a_restart_proof_as_well() -> None:
    """A register that counts restarts."""
    rig = dryer(proof_of_cut=(Proof("rises", "batch_count"),))
    assert story(rig=rig).set("batch_count", (0, 7), (RUNS, 8)).judge().verdict is PASS


def test_a_controller_that_was_never_heard_again_was_not_seen_to_restart() -> None:
    """It fell silent, which proves the cut; that it began anew nobody saw, whatever the link says."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),))
    told = replace(story(rig=rig), end_ns=6 * S).boot(dark=10 * S)
    judged = replace(told, scenario=replace(told.scenario, restart="required")).judge()
    one = found(judged, "", "restart")
    assert one.verdict is INCONCLUSIVE and one.figures["restarted"] is None
    assert "program was not seen to run again after power returned" in one.reason and not problems(judged)


def test_a_controller_that_answers_with_an_old_image_for_good_was_not_seen_to_restart() -> None:
    """Its stack began anew, which proves the cut; its program was not seen to run."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),))
    told = story(rig=rig).boot(dark=100 * MS, refused=100 * MS, stale=10 * S)
    judged = replace(told, scenario=replace(told.scenario, restart="required")).judge()
    one = found(judged, "", "restart")
    assert one.verdict is INCONCLUSIVE and one.figures["restarted"] is None
    assert judge_of_running(rig) is True


def judge_of_running(rig: Rig) -> bool | None:
    """What is said of the same controller where its program does run after that."""
    return story(rig=rig).boot(dark=100 * MS, refused=100 * MS, stale=100 * MS).judge().restarted


def test_riding_through_needs_a_supply_proof() -> None:
    """`restart: none` is not shown by a restart proof that does not hold."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),))
    told = story(rig=rig, off_ns=10 * MS).never_dark()
    judged = replace(told, scenario=replace(told.scenario, restart="none")).judge()
    assert judged.verdict is ERROR and "unproven" in problems(judged)


def test_a_supply_that_does_not_return_is_an_error() -> None:
    """The rail stays off after the command back."""
    judged = story().boot(dark=5 * S).set("rail", (0, 1), (2 * S + MS, 0)).judge()
    assert judged.verdict is ERROR
    assert "did not return" in problems(judged)["not back"]


def test_a_proof_that_fell_silent_is_told_with_when_it_was_last_read() -> None:
    """Off in its last read shortly after the return, and not asked for a second and more after that: nobody says that
    it still is."""
    story = Story(end_ns=6 * S).set("rail", (0, 1), (2_001 * MS, 0), (3_200 * MS, 1))
    told = problems(story.hide("independent", 3_100 * MS, 10 * S).judge())["not back"]
    assert "rail was off when last read, 97 ms after power returned" in told and "still" not in told


def test_a_second_dip_is_an_error() -> None:
    """300 ms after the return the rail is off again for 50 ms."""
    told = story().set("rail", (0, 1), (2 * S + MS, 0), (BACK + MS, 1), (3_300 * MS, 0), (3_350 * MS, 1))
    judged = told.judge()
    assert judged.verdict is ERROR
    assert "second time" in problems(judged)["second dip"]


def test_bounce_while_the_relay_closes_is_no_second_dip() -> None:
    """Within `operate` + `bounce` after the command back."""
    rig = dryer()
    assert rig.supply is not None
    rig = replace(rig, supply=replace(rig.supply, bounce_ns=40 * MS))
    bounces = [(BACK + MS, 1), (BACK + 10 * MS, 0), (BACK + 20 * MS, 1)]
    told = story(rig=rig).set("rail", (0, 1), (2 * S + MS, 0), *bounces)
    assert told.judge().verdict is PASS


def test_leaving_run_mode_needs_its_proof() -> None:
    """Default: a point of `ready.when` read false; without it the cycle is not valid."""
    rig = dryer(mode=Mode("by-hand"))
    told = replace(story(rig=rig).never_dark(), scenario=scenario(BURNER_OFF, how="mode"))
    told.set("running", (0, 1), (2_020 * MS, 0), (BACK + 20 * MS, 1))
    assert told.judge().verdict is PASS
    stayed = told.set("running", (0, 1))
    for mode, ends in ((Mode("by-hand"), False), (Mode("point", "run_switch"), True)):
        judged = replace(stayed, rig=dryer(mode=mode)).judge()
        assert judged.verdict is ERROR and judged.ends_run is ends
        said = problems(judged)["unproven"]
        assert "run mode is not proven" in said
        assert ("was the mode switch really turned when its question was answered with yes?" in said) is not ends


def test_who_took_the_main_switch_in_place_of_the_mode_switch_is_asked_about_it() -> None:
    """The uptime fell where run mode was to be left: the cure names the switch that was taken, and the run goes on."""
    told = replace(story(rig=dryer(mode=Mode("by-hand"))), scenario=scenario(BURNER_OFF, how="mode"))
    judged = told.set("running", (0, 1)).judge()
    assert judged.verdict is ERROR and not judged.ends_run
    assert "was the main switch taken in place of the mode switch?" in problems(judged)["unproven"]


# ---------------------------------------------------------------- restart


def test_a_restart_proof_contradicted_while_a_supply_proof_holds_is_a_finding() -> None:
    """Fail for `required`, evidence for `none`, a note for `either`."""
    told = story(off_ns=12 * MS).never_dark().set("burner_terminal", (0, 0))
    for wanted, verdict in (("required", FAIL), ("none", PASS), ("either", PASS)):
        one = replace(told, scenario=replace(told.scenario, restart=wanted)).finding("", f"restart: {wanted}")
        assert one.verdict is verdict
        assert one.figures["restarted"] is False


def test_a_restart_that_was_not_wanted_is_a_fail() -> None:
    """`restart: none`, but the uptime fell."""
    told = story()
    one = replace(told, scenario=replace(told.scenario, restart="none")).finding("", "restart")
    assert one.verdict is FAIL and "uptime fell" in one.reason


def test_proofs_of_the_restart_that_contradict_one_another_are_inconclusive() -> None:
    """The connection was lost, but the uptime went on: neither is believed."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "batch_count"), Proof("contact lost")))
    one = story(rig=rig).finding("", "restart")
    assert one.verdict is INCONCLUSIVE and "contradict one another" in one.reason


# ---------------------------------------------------------------- not ready in time


def test_not_ready_in_time_is_a_fail_where_the_supply_is_proven_back() -> None:
    """The rail is on, the controller does not answer."""
    one = replace(story(), end_ns=6 * S).boot(dark=10 * S).finding("", "ready within")
    assert one.verdict is FAIL
    assert "controller did not answer" in one.reason


def test_not_ready_in_time_is_inconclusive_where_only_the_relay_says_that_the_supply_is_back() -> None:
    """Perhaps it never got its power."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),))
    one = replace(story(rig=rig), end_ns=6 * S).boot(dark=10 * S).finding("", "ready within")
    assert one.verdict is INCONCLUSIVE and "nothing but the relay" in one.reason


def test_a_controller_that_answers_has_its_supply_back() -> None:
    """It answers and lives but does not run: a fail, also without a supply proof."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),))
    one = replace(story(rig=rig), end_ns=6 * S).set("running", (0, 1), (2 * S, 0)).finding("", "ready within")
    assert one.verdict is FAIL and "running read off" in one.reason


def test_not_ready_is_not_claimed_of_a_time_that_was_not_seen() -> None:
    """The bench did not ask for 700 ms before the deadline."""
    told = replace(story(), end_ns=6 * S).boot(dark=10 * S).hide("controller", 3_300 * MS, 4_200 * MS)
    assert told.finding("", "ready within").verdict is INCONCLUSIVE


def test_ready_too_late_is_a_fail_and_expectations_count_from_the_end_of_its_time() -> None:
    """Ready 1.3 s after the return, 1 s allowed."""
    told = replace(story(expects("burner", "is", OFF)), end_ns=6 * S)
    told.set("running", (0, 1), (2 * S, 0), (BACK + 1_300 * MS, 1)).pulse(
        "burner_terminal", BACK + 1_100 * MS, 100 * MS
    )
    judged = told.judge()
    assert found(judged, "", "ready within").verdict is FAIL
    assert found(judged, "burner").verdict is FAIL


# ---------------------------------------------------------------- instruments and conditions


def test_a_wrong_device_voids_the_cycle_and_ends_the_run() -> None:
    """Anything else read where the rig file identifies the device."""
    judged = story(rig=dryer(identify=(("device_code", Wanted(equals=4712)),))).judge()
    assert judged.verdict is ERROR and judged.ends_run
    assert "wrong device" in problems(judged)["identity"]


def test_a_broken_check_channel_voids_the_cycle() -> None:
    """`always_on` read off once: the independent I/O is not to be trusted."""
    rig = dryer(check_channels=(("always_on", ON),))
    assert story(rig=rig).judge().verdict is PASS
    judged = story(rig=rig).set("always_on", (0, 1), (4 * S, 0), (4_010 * MS, 1)).judge()
    assert judged.verdict is ERROR and "check channel" in problems(judged)


def test_a_check_channel_that_was_never_read_vouches_for_nothing() -> None:
    """Not wrong, but not shown either: a point that answers with nothing but values between its levels."""
    judged = story(rig=dryer(check_channels=(("rail_mv", ON),))).set("rail_mv", (0, 12_000)).judge()
    assert judged.verdict is INCONCLUSIVE
    assert found(judged, "rail_mv").verdict is INCONCLUSIVE


def test_only_while_lost_ends_the_run() -> None:
    """The guard opened."""
    rig = dryer(only_while=(("guard_closed", ON),))
    assert story(rig=rig).judge().verdict is PASS
    judged = story(rig=rig).set("guard_closed", (0, 1), (4 * S, 0)).judge()
    assert judged.verdict is ERROR and judged.ends_run and "guard_closed read off" in problems(judged)["only_while"]


def test_a_second_without_a_read_of_only_while_counts_as_lost() -> None:
    """What can't be seen can't be relied on."""
    rig = dryer(only_while=(("guard_closed", ON),))
    judged = replace(story(rig=rig), end_ns=7 * S).hide("independent", 4 * S, 5_200 * MS).judge()
    assert judged.ends_run and "was not read for 1.2 s" in problems(judged)["only_while"]


def test_a_check_pulse_has_to_be_seen() -> None:
    """Given and seen: fine. Given and not seen, on all along, or not given: not valid."""
    rig = with_check_pulse(dryer())
    told = (
        story(rig=rig).write("spare_out", True, "check pulse", S).write("spare_out", False, "check pulse", S + 20 * MS)
    )
    wired = [(S + MS, 1), (S + 21 * MS, 0)]
    told.set("spare_out", *wired)
    assert replace(told, truth={**told.truth, "spare_in": [(0, 0), *wired]}).judge().verdict is PASS
    assert "not seen at spare_in" in problems(told.judge())["check pulse"]
    stuck = replace(told, truth={**told.truth, "spare_in": [(0, 1)]})
    assert "on before" in problems(stuck.judge())["check pulse"]
    assert "no check pulse" in problems(story(rig=rig).judge())["check pulse"]


def _answering_so_late(late_ns: int, ends_late_ns: int | None = None, lag_ns: int = 0) -> CycleJudged:
    """A cycle whose independent I/O answers with what was true so long ago."""
    rig = with_check_pulse(dryer())
    rig = replace(rig, devices={**rig.devices, "independent": replace(rig.devices["independent"], image_lag_ns=lag_ns)})
    told = (
        story(rig=rig).write("spare_out", True, "check pulse", S).write("spare_out", False, "check pulse", S + 20 * MS)
    )
    ends = S + 21 * MS + (late_ns if ends_late_ns is None else ends_late_ns)
    told.set("spare_in", (0, 0), (S + MS + late_ns, 1), (ends, 0))
    for name in ("rail", "burner_terminal", "fan_terminal"):
        told.truth[name] = [(at + late_ns if at else 0, value) for at, value in told.truth[name]]
    return told.judge()


def test_an_io_that_answers_from_an_older_copy_voids_the_cycle() -> None:
    """What was asked for after the pulse was confirmed, and answers with the state from before it, is old by as much:
    then nothing that was read there has bounds. The age that the rig file allows, and that of an output, is none."""
    for late_ns in (60 * MS, 150 * MS, 400 * MS):
        judged = _answering_so_late(late_ns)
        assert "answers from an older copy" in problems(judged)["check pulse"]
        assert all(one.verdict is ERROR for one in judged.findings), "a fail of an old I/O stands no more than a pass"
    assert re.search(r"at least 3[89]\d ms older", problems(judged)["check pulse"])
    assert "answers from an older copy" in problems(_answering_so_late(0, ends_late_ns=100 * MS))["check pulse"]
    assert _answering_so_late(8 * MS).verdict is PASS
    assert "check pulse" not in problems(_answering_so_late(60 * MS, lag_ns=60 * MS))
    restored, late = judged.mark("restored"), T0 + 3 * S + MS  # the return as it was, and no relay is blamed
    assert restored is not None and restored.not_before_ns <= late <= restored.not_after_ns and judged.notes == ()


def test_an_output_that_chatters_at_the_loss_is_off_when_it_has_come_to_rest() -> None:
    """A contactor that rattles for 400 ms is not off after the first 6 ms."""
    rattles = [(2 * S + 5 * MS + step * 16 * MS, step % 2) for step in range(26)]
    told = story().set("fan_terminal", (0, 1), *rattles, (2_421 * MS, 0))
    (seen,) = (one for one in told.judge().outputs if one.point == "fan")
    assert seen.at_loss is False and seen.loss_ns is not None
    assert seen.loss_ns[0] <= 421 * MS <= seen.loss_ns[1] < 430 * MS


def test_an_output_that_chatters_at_the_loss_is_told_with_its_pulses() -> None:
    """Thirteen times off and twelve times on again in between: nobody may be handed "off within" without them."""
    rattles = [(2 * S + 5 * MS + step * 16 * MS, step % 2) for step in range(25)]
    demand = expects("fan", "never", ON, longer_than_ns=100 * MS)
    told = Story(scenario=scenario(demand)).set("fan_terminal", (0, 1), *rattles)
    quiet = Story(scenario=scenario(demand))
    (row,) = (one for one in matrix_rows(dryer(), [told.judge()]) if one.point == "fan")
    assert row.at_loss.startswith("off within 39") and row.at_loss.endswith(", 12 pulses")
    (row,) = (one for one in matrix_rows(dryer(), [told.judge(), quiet.judge()]) if one.point == "fan")
    assert row.at_loss.endswith(", up to 12 pulses")
    limits = [" ".join(judge_scenario(one.rig, one.scenario, [one.judge()], 1).limits) for one in (told, quiet)]
    assert "up to 12 allowed pulses were read in a cycle" in limits[0] and "allowed" not in limits[1]


def test_a_command_point_stuck_out_of_idle_voids_the_cycle() -> None:
    """The start button was released but goes on reading pressed."""
    told = story().write("start_button", True, "press", S).write("start_button", False, "release", S + 200 * MS)
    pressed = replace(told, truth={**told.truth, "start_button": [(0, 0), (S, 1), (S + 201 * MS, 0)]})
    assert pressed.judge().verdict is PASS
    judged = replace(told, truth={**told.truth, "start_button": [(0, 0), (S, 1)]}).judge()
    assert judged.verdict is ERROR and "stuck out of idle" in problems(judged)["stuck"]
    assert "`restart-bench park` writes its idle" in problems(judged)["stuck"]
    never = replace(story(), truth={**story().truth, "start_button": [(0, 1)]}).judge()
    assert "where it rests so, `idle: off` is wrong; `restart-bench park`" in problems(never)["stuck"]


def test_a_held_point_is_not_stuck() -> None:
    """Out of idle on purpose, to the end of the watch."""
    told = story().write("start_button", True, "hold", S).set("start_button", (0, 0), (S, 1))
    assert told.judge().verdict is PASS


@pytest.mark.parametrize("kind", ["observer", "log", "slept", "unreachable", "relay", "not ready"])
def test_what_the_bench_met_with_makes_the_cycle_invalid(kind: str) -> None:
    """Its own text is the reason."""
    judged = story().trouble(kind, 4 * S, "the log failed").judge()
    assert judged.verdict is ERROR and problems(judged) == {kind: "the log failed"}


def test_a_stepped_wall_clock_is_only_noted() -> None:
    """It labels, it measures nothing."""
    judged = story().trouble("wall clock", 4 * S, "stepped by 3 s", error=False).judge()
    assert judged.verdict is PASS and "stepped by 3 s" in judged.notes


def test_a_command_that_was_not_taken_is_an_error() -> None:
    """The relay refused to close."""
    judged = story(command={"restore": {"problem": "no answer"}}).judge()
    assert judged.verdict is ERROR and "no answer" in problems(judged)["relay"]


def test_a_supply_that_was_never_commanded_back_is_an_error() -> None:
    """The cycle broke off while the supply was off."""
    told = story(completed=False)
    records = told.records()
    records = replace(records, switchings=records.switchings[:1])
    judged = judge_cycle(told.rig, told.scenario, records, told.samples())
    assert judged.verdict is ERROR and "not back" in problems(judged)


# ---------------------------------------------------------------- rule 10: what stands beside an error


def test_a_deviation_seen_wholly_before_an_error_stands_as_a_fail() -> None:
    """The burner came on at 3.55 s, the log failed at 4.2 s; the reason tells both."""
    told = story(NEVER_ON).pulse("burner_terminal", 3_550 * MS, 100 * MS).trouble("log", 4_200 * MS, "the disk is full")
    judged = told.judge()
    assert judged.verdict is FAIL
    assert found(judged, "burner").verdict is FAIL
    assert "no longer valid: the disk is full" in judged.reason


def test_a_deviation_after_an_error_does_not_count() -> None:
    """The log failed at 3.2 s."""
    told = story(NEVER_ON).pulse("burner_terminal", 3_550 * MS, 100 * MS).trouble("log", 3_200 * MS, "the disk is full")
    judged = told.judge()
    assert judged.verdict is ERROR
    one = found(judged, "burner")
    assert one.verdict is ERROR and one.figures["without_the_error"] == "fail"


def test_passes_do_not_stand_beside_an_error() -> None:
    """A test that was not valid shows nothing."""
    assert found(story().trouble("log", 4_800 * MS).judge(), "burner").verdict is ERROR


@pytest.mark.parametrize("kind", ["identity", "check channel", "unproven", "stuck"])
def test_some_errors_void_the_whole_cycle_whenever_they_came(kind: str) -> None:
    """Wrong identity, broken check channel, unproven cut, stuck command: not even an early deviation stands."""
    rig: Rig = dryer(check_channels=(("always_on", ON),), identify=(("device_code", Wanted(equals=4711)),))
    told = story(NEVER_ON, rig=rig, end_ns=6 * S).pulse("burner_terminal", 3_550 * MS, 100 * MS)
    assert told.judge().verdict is FAIL
    if kind == "identity":
        told.set("device_code", (0, 4711), (4_800 * MS, 1))
    elif kind == "check channel":
        told.set("always_on", (0, 1), (4_800 * MS, 0))
    elif kind == "unproven":
        told = replace(told, rig=replace(rig, proof_of_cut=(Proof("rises", "uptime"),)))
    else:
        told.write("start_button", True, "press", 4_100 * MS).write("start_button", False, "release", 4_200 * MS)
        told.set("start_button", (0, 0), (4_100 * MS, 1))
    judged = told.judge()
    assert judged.verdict is ERROR and kind in problems(judged)


# ---------------------------------------------------------------- program, function check


def test_another_program_after_the_restart_is_a_fail() -> None:
    """The checksum changed."""
    rig = dryer(program=("program_id",))
    assert story(rig=rig).finding("program_id").verdict is PASS
    one = story(rig=rig).set("program_id", (0, 17042), (RUNS, 42118)).finding("program_id")
    assert one.verdict is FAIL and "17042 before, 42118 after" in one.reason
    unread = story(rig=rig).boot(dark=10 * S).judge()
    assert found(unread, "program_id").verdict is INCONCLUSIVE


CHECK = (
    Step("function check", 0, Press("start_button"), "press start_button"),
    Step("function check", 1, Expect((("burner", ON),), ("burner_terminal",), S, 50 * MS), "expect burner on"),
    Step("function check", 2, ByEye((("fan", True),)), "by eye: fan on"),
    Step("function check", 3, Ask("Close the hopper."), "ask: close the hopper"),
)


def checked(*reached: bool | None, came: int | None = None, blind: bool = False) -> CycleJudged:
    """A function check whose steps ended so; the burner came on at an instant."""
    told = replace(story(), end_ns=7 * S, scenario=scenario(function_check=CHECK))
    told.set("burner_terminal", (0, 1), (2_005 * MS, 0), *([(came, 1)] if came else []))
    spans = ((5_000, 5_200), (5_200, 6_250), (6_250, 6_400), (6_400, 6_500))
    for index, (one, span) in enumerate(zip(reached, spans, strict=False)):
        told.step(
            "function check", index, one, (span[0] * MS, span[1] * MS), "the person said no" if one is None else ""
        )
    if blind:
        told.hide("independent", 5_150 * MS, 6_240 * MS)
    return told.judge()


def test_a_function_check_that_is_met_passes() -> None:
    """The program still works."""
    assert checked(True, True, True, True, came=5_300 * MS).verdict is PASS


def test_what_was_so_before_the_press_already_is_told_beside_the_pass() -> None:
    """The press may have done nothing: a burner that had come back by itself shows nothing of the button."""
    came = found(checked(True, True, True, True, came=5_300 * MS), "", "function check: expect").reason
    had_come = found(checked(True, True, True, True, came=4_000 * MS), "", "function check: expect")
    assert came == "expect burner on: it came true"
    assert had_come.verdict is PASS
    assert "it was so before press start_button already, which may have done nothing" in had_come.reason


def test_a_function_check_that_is_missed_is_a_fail() -> None:
    """The burner did not come on, and the reads show it; or a person saw that the fan did not run."""
    judged = checked(True, False, True, True)
    one = found(judged, "", "function check: expect")
    assert one.verdict is FAIL and "burner read off" in one.reason
    assert found(checked(True, True, False, True), "", "function check: by eye").verdict is FAIL


def test_a_function_check_that_could_not_be_read_or_done_is_inconclusive() -> None:
    """Blind for the second in question; a person who would not do as asked; a step that never came."""
    assert found(checked(True, False, True, True, blind=True), "", "function check: expect").verdict is INCONCLUSIVE
    assert found(checked(True, True, True, None), "", "function check: ask").verdict is INCONCLUSIVE
    assert found(checked(True, True), "", "function check: ask").verdict is INCONCLUSIVE


def test_a_function_check_that_the_reads_show_met_after_all_is_not_a_fail() -> None:
    """The live look missed it, the evidence does not say so."""
    judged = checked(True, False, True, True, came=5_400 * MS)
    assert found(judged, "", "function check: expect").verdict is INCONCLUSIVE


# ---------------------------------------------------------------- what is reported


def test_a_lasting_disagreement_of_image_and_terminal_is_reported() -> None:
    """The image says off, the terminal is on: a relay that sticks, perhaps. The terminal is judged."""
    told = replace(story(expects("fan", "is", ON)), end_ns=7 * S)
    told = replace(told, scenario=replace(told.scenario, watch_ns=2 * S))
    judged = told.set("fan_terminal", (0, 1), (2_005 * MS, 0), (BACK + 300 * MS, 1)).judge()
    assert found(judged, "fan").verdict is PASS
    (note,) = judged.notes
    assert "the controller says off, its terminal was on" in note


def test_an_off_that_the_controller_itself_denies_is_inconclusive() -> None:
    """The image says on, the terminal reads off: a fuse, or a channel that died in the cut (the thought of rule 9)."""
    told = replace(story(expects("fan", "is", OFF)), end_ns=7 * S)
    told = replace(told, scenario=replace(told.scenario, watch_ns=2 * S)).set("fan", (0, 1))
    judged = told.judge()
    assert found(judged, "fan").verdict is INCONCLUSIVE and "the channel is dead" in found(judged, "fan").reason
    (note,) = judged.notes
    assert "the controller says on, its terminal was off" in note
    assert story(expects("fan", "is", OFF)).judge().notes == ()


def test_outputs_say_what_each_did() -> None:
    """Before, at loss, at return, settled, and how long it took."""
    told = story().set("fan_terminal", (0, 1), (2_005 * MS, 0), (BACK + 300 * MS, 1))
    seen = {one.point: one for one in told.judge().outputs}
    fan, burner = seen["fan"], seen["burner"]
    assert (fan.before, fan.at_loss, fan.at_return, fan.settled, fan.changes) == (True, False, False, True, 1)
    assert fan.delay_ns is not None and fan.delay_ns[0] <= 300 * MS <= fan.delay_ns[1]
    assert fan.loss_ns is not None and fan.loss_ns[0] <= 5 * MS <= fan.loss_ns[1]
    assert (burner.settled, burner.delay_ns, burner.changes) == (False, None, 0)


def test_the_true_off_time_is_reported_with_bounds() -> None:
    """From the commands and the relay's data, and as the rail saw it."""
    unread = story(rig=dryer(proof_of_cut=(Proof("falls", "uptime"),))).judge().figures
    assert unread["off_time_ns"] == [S - 3 * MS, S + 3 * MS]
    figures = story().judge().figures
    low, high = figures["off_time_ns"]
    assert S - 3 * MS <= low <= S <= high <= S + 3 * MS
    low, high = figures["off_time_seen_ns"]
    assert low <= S <= high and figures["off_time_seen_by"] == "rail"


def test_a_cycle_has_one_true_off_time_the_narrowest_that_is_known() -> None:
    """A relay with wide data says less than the rail: what the rail saw is told wherever the off time is."""
    rig = dryer()
    assert rig.supply is not None
    slow = replace(rig, supply=replace(rig.supply, operate_ns=90 * MS, release_ns=90 * MS))
    figures = replace(story(), rig=slow).judge().figures
    low, high = figures["off_time_seen_ns"]
    assert figures["off_time_ns"] == [low, high] and high - low < 90 * MS


def test_retries_of_the_bench_are_counted() -> None:
    """Rule 11: a later attempt never hides an earlier one."""
    told = story()
    told.write("start_button", False, "idle", S)
    told.writes[0] = replace(told.writes[0], retries=2)
    assert told.judge().figures["retries"] == 2


def test_the_reads_that_do_not_count_are_counted() -> None:
    """Rule 3: ten reads of a stale image and the first of the new one."""
    assert 9 <= story().judge().figures["not_counted"] <= 13


# ---------------------------------------------------------------- a supply that came back by itself


class FedEarly(Story):
    """The supply is back 200 ms after the cut, long before its command, and nothing but the controller shows it."""

    def value(self, name: str, at_ns: int) -> float:
        if name == "uptime" and at_ns >= self.cut_ns:
            return float((at_ns - self.cut_ns - 200 * MS) // MS % 65536)
        return super().value(name, at_ns)


@pytest.mark.parametrize("seen_after", [500 * MS, 1_100 * MS], ids=["read in the cut", "read after it"])
@pytest.mark.parametrize("unit", ["ms", ""])
def test_an_uptime_that_fell_before_the_command_back_shows_an_early_return(unit: str, seen_after: int) -> None:
    """No rail, and the controller has run again since before it was given power: the off time is not the one asked,
    whatever the commands say. An uptime without a unit of time shows it only where it was read in time."""
    stages = [(-(10**12), "good"), (2_001 * MS, "dark"), (2_000 * MS + seen_after, "good")]
    rig = dryer(proof_of_cut=(Proof("falls", "uptime"),))
    rig.points["uptime"] = replace(rig.points["uptime"], unit=unit)
    told = FedEarly(rig=rig, scenario=scenario(expects("burner", "is", OFF)), stages=stages)
    cycle = told.judge()
    if unit or seen_after < 1_000 * MS:
        assert (cycle.verdict, cycle.ends_run) == (ERROR, True) and "came back by itself" in cycle.reason, cycle.reason
    else:
        assert cycle.verdict is not ERROR


class ListensEarly(Story):
    """Its stack answers with the image and the uptime of its last life until its program runs, long after the command
    back, and nothing else reads the supply."""

    def value(self, name: str, at_ns: int) -> float:
        if name == "uptime":
            begun = self.running_ns
            return float((min(at_ns, self.cut_ns) + 60 * S if at_ns < begun else at_ns - begun) // MS % 65536)
        return super().value(name, at_ns)


LINKS: dict[str, tuple[list[tuple[int, Stage]], bool]] = {
    "answers from 0.3 s after the cut": ([(2_200, "refused"), (2_300, "stale")], True),
    "answers exceptions from 0.3 s after it": ([(2_200, "refused"), (2_300, "busy"), (3_200, "stale")], True),
    "began anew only after the command": ([(2_500, "refused"), (3_050, "stale")], False),
    "was lost again before it": ([(2_200, "refused"), (2_300, "stale"), (2_800, "dark"), (3_200, "stale")], False),
    "only fell silent, as a network does": ([(2_300, "stale")], False),
    "a twentieth too early, as the rules allow": ([(2_500, "refused"), (2_960, "stale")], False),
}  # fmt: skip


@pytest.mark.parametrize("link", LINKS)
def test_a_link_begun_anew_that_lasts_through_the_command_back_shows_an_early_return(link: str) -> None:
    """A stack that had refused and then keeps a connection all through the command back had power before it, so what
    is counted from the command says nothing. A link that was lost again, or only fell silent, shows no such thing."""
    later, early = LINKS[link]
    stages: list[tuple[int, Stage]] = [(-(10**12), "good"), (2_001 * MS, "dark")]
    stages += [*((at * MS, stage) for at, stage in later), (3_500 * MS, "good")]
    rig = dryer(proof_of_cut=(Proof("falls", "uptime"),))
    told = ListensEarly(rig=rig, scenario=scenario(expects("burner", "is", OFF)), stages=stages)
    cycle = told.judge()
    assert ("came back by itself" in cycle.reason, cycle.verdict is ERROR) == (early, early), cycle.reason


class DiesBadly(Story):
    """The last thing that the controller tells, 40 ms after the cut, is an uptime of 0; then it is dark, and starts
    with the command back."""

    def value(self, name: str, at_ns: int) -> float:
        if name == "uptime" and self.cut_ns + 35 * MS <= at_ns < self.back_ns:
            return 0.0
        return super().value(name, at_ns)


@pytest.mark.parametrize(("supply_proof", "verdict"), [(Proof("value", "rail", OFF), PASS), (None, ERROR)])
def test_a_dying_controller_that_reads_an_uptime_of_0_is_no_early_return_where_a_rail_read_off(
    supply_proof: Proof | None, verdict: Verdict
) -> None:
    """A rail that was read off from the loss to the command has the word; without one nobody can tell."""
    told = DiesBadly(scenario=scenario(expects("burner", "is", OFF)))
    proofs = (Proof("falls", "uptime"),) if supply_proof is None else (supply_proof, Proof("falls", "uptime"))
    told.rig = dryer(proof_of_cut=proofs)
    told.rig.points["uptime"] = replace(told.rig.points["uptime"], unit="ms")
    told.stages = [
        (at + 44 * MS, stage) if stage == "dark" and at < told.back_ns else (at, stage) for at, stage in told.stages
    ]
    cycle = told.judge()
    assert cycle.verdict is verdict, cycle.reason
