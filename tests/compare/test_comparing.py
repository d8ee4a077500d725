"""Rules of comparing two runs."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from restart_bench.cli.logs import comparison_lines
from restart_bench.compare.comparison import FAMILY_ERROR, Comparison, RunFacts, _family, behaviour, compare
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Mark, OutputSeen, Seen
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import numbers_text
from run_builders import SCENARIO, Play, run_played

MS = 1_000_000
S = 1_000_000_000
CASES = ("off_for=1 s", "off_for=3 s", "off_for=10 s")


def kinds(comparison: Comparison) -> list[str]:
    """Kinds of what differs, in order."""
    return [difference.kind for difference in comparison.differences]


def not_compared(comparison: Comparison) -> list[str]:
    """What could not be compared, as people read it."""
    return [one.text for one in comparison.not_compared]


# ---------------------------------------------------------------- nothing changed


PLAYS = (Play(), Play(spread_ns=300 * MS), Play(spread_ns=300 * MS, read_ns=1), Play(burner=0.5))
"""One program each: steady, widely spread boot times, those read with no width to hide in, an erratic output."""
PAIRS = 25


def test_two_runs_of_one_program_differ_in_nothing_in_at_least_99_of_100_seeded_pairs() -> None:
    """Random boot times, random phases of reading, even an output that comes back at random: a difference is called
    in at most the 1 % that every comparison claims. (Without Holm's correction the same pairs give 5 of 160.)"""
    alarms = [
        (play, seed)
        for play in PLAYS
        for seed in range(PAIRS)
        if compare(run_played(2 * seed, play, cases=CASES), run_played(2 * seed + 1, play, cases=CASES)).differences
    ]

    assert len(alarms) <= 0.01 * len(PLAYS) * PAIRS, alarms


def test_a_run_compared_with_itself_differs_in_nothing() -> None:
    """The same facts on both sides give no difference and nothing that got worse."""
    run = run_played(1, cases=CASES)
    comparison = compare(run, run)

    assert (comparison.differences, comparison.worse, comparison.diffs) == ((), False, {})
    assert comparison.program_changed is False


def test_the_family_wise_error_is_said() -> None:
    """Every comparison says over how many tests its 1 % holds."""
    comparison = compare(run_played(1), run_played(2))

    assert "at most 1 % over all of them" in comparison.notes[-1]
    assert comparison.notes[-1].startswith("3 tests formed one family")
    assert _family([]) == ([], []), "no tests, no family"


# ---------------------------------------------------------------- behaviours and verdicts


def test_an_output_that_stayed_off_and_now_comes_back_is_named_with_the_cycles_that_prove_it() -> None:
    """The edited program lets the burner come back: a changed behaviour, a new fail, both worse."""
    comparison = compare(run_played(1), run_played(2, Play(burner=1.0)))
    changed = next(d for d in comparison.differences if d.kind == "behaviour")

    assert changed.text == (
        f"{SCENARIO}, off_for=3 s: burner: stays off in 20 of 20 -> comes back in 20 of 20 (cycles 1 to 20)"
    )
    assert changed.worse is True
    assert comparison.worse


def test_one_new_fail_is_worse_whatever_chance_says() -> None:
    """One deviation is a fail (rule 4): 1 of 20 is reported with its cycle although Fisher's p is 1."""
    flawed = run_played(2)
    cycle = flawed.cycles[6]
    burner = dataclasses.replace(cycle.findings[0], verdict=Verdict.FAIL)
    lit = dataclasses.replace(cycle.outputs[0], settled=True)
    cycles = list(flawed.cycles)
    cycles[6] = dataclasses.replace(
        cycle, verdict=Verdict.FAIL, findings=(burner, cycle.findings[1]), outputs=(lit, cycle.outputs[1])
    )
    comparison = compare(run_played(1), dataclasses.replace(flawed, cycles=tuple(cycles)))
    verdict = next(d for d in comparison.differences if d.kind == "verdict")

    assert (verdict.before, verdict.after) == ("pass (0 of 20 failed)", "fail (1 of 20 failed)")
    assert (verdict.cycles, verdict.worse) == ((7,), True)
    assert verdict.figures["p"] == pytest.approx(1.0)
    assert any("comes back in 0 of 20 -> comes back in 1 of 20" in note for note in comparison.notes)


def test_a_fail_that_is_gone_is_a_change_but_not_worse() -> None:
    """The mended program passes: a difference, and nothing got worse."""
    comparison = compare(run_played(1, Play(burner=1.0)), run_played(2))

    assert "verdict" in kinds(comparison)
    assert not comparison.worse


def test_fails_that_became_more_frequent_are_worse_only_beyond_chance() -> None:
    """2 fails of 40 against 30 of 40 is told; 10 of 40 against 14 of 40 is left to chance, and noted."""
    often = compare(run_played(3, Play(burner=0.05), 40), run_played(4, Play(burner=0.8), 40))
    alike = compare(run_played(3, Play(burner=0.3), 40), run_played(6, Play(burner=0.3), 40))

    assert [d.worse for d in often.differences if d.kind == "proportion"] == [True]
    assert alike.differences == ()
    assert any("chance alone can explain this" in note for note in alike.notes)


def test_cycles_that_are_errors_say_nothing_about_the_controller() -> None:
    """A cycle whose test was not valid adds no behaviour, no verdict and no time."""
    flawed = run_played(2, Play(burner=1.0))
    void = tuple(dataclasses.replace(cycle, verdict=Verdict.ERROR) for cycle in flawed.cycles)
    comparison = compare(run_played(1), dataclasses.replace(flawed, cycles=void, scenarios=()))

    assert comparison.differences == ()
    assert any("burner: what it does was not seen in run-2" in line for line in not_compared(comparison))


def blind(run: RunFacts, settled: Seen = None) -> RunFacts:
    """The same run with nothing shown either way; of the outputs at most how they settled."""
    cycles = tuple(
        dataclasses.replace(
            cycle,
            findings=tuple(dataclasses.replace(f, verdict=Verdict.INCONCLUSIVE) for f in cycle.findings),
            outputs=tuple(dataclasses.replace(seen, settled=settled) for seen in cycle.outputs),
        )
        for cycle in run.cycles
    )
    return dataclasses.replace(run, cycles=cycles)


def test_what_passed_and_is_not_shown_any_more_is_told_and_not_green() -> None:
    """A pass that became inconclusive is no proof of anything worse, but the comparison ends as inconclusive."""
    comparison = compare(run_played(1), blind(run_played(2)))
    told = [one for one in comparison.differences if one.unshown is not None]

    assert (comparison.worse, comparison.exit_code) == (False, 3)
    assert told[0].text.startswith(
        f"{SCENARIO}, off_for=3 s: burner: is off: pass (0 of 20 failed) -> inconclusive (cycles 1 to 20)"
    )
    assert [line for line in comparison_lines(comparison, 140) if line.startswith("NOT SHOWN: burner-stays-shut")]


def test_an_output_that_passed_by_being_on_and_now_stays_off_is_worse_even_where_no_finding_fails() -> None:
    """The behaviour itself is shown: the fan came back in every cycle and comes back in none; the burner stayed off
    before and stays off."""
    comparison = compare(run_played(1), blind(run_played(2), settled=False))

    assert [one.what for one in comparison.differences if one.worse] == ["fan"]
    assert comparison.exit_code == 1


@pytest.mark.parametrize(
    ("before", "settled", "word"),
    [
        (True, True, "comes back"),
        (True, False, "stays off"),
        (False, True, "comes on"),
        (False, False, "stays off"),
        (7, 7, "keeps its value"),
        (7, 0, "falls to 0"),
        (7, 8, "takes another value"),
        (None, True, None),
        (True, None, None),
    ],
)
def test_a_behaviour_is_told_from_the_values_before_and_settled(before: Seen, settled: Seen, word: str | None) -> None:
    """Blind before or after the cut means that no behaviour is claimed."""
    assert behaviour(OutputSeen("fan", "fan_terminal", before=before, settled=settled)) == word


def test_only_what_went_off_comes_back() -> None:
    """On all the while is no coming back: read on while the supply was off, or the controller rode through; one read
    as off in between did go off, and where nobody looked it may have."""
    fan = OutputSeen("fan", "fan_terminal", before=True, settled=True)

    assert behaviour(fan) == "comes back"
    assert behaviour(fan, rode_through=True) == "stays on"
    assert behaviour(dataclasses.replace(fan, at_loss=True)) == "stays on"
    assert behaviour(dataclasses.replace(fan, at_loss=True, at_return=False, changes=1)) == "comes back"
    assert behaviour(dataclasses.replace(fan, changes=2), rode_through=True) == "comes back"


def test_an_output_that_moves_within_the_watch_is_told_by_its_end() -> None:
    """A fan that follows a timer has come back; one that goes on and off has done neither."""
    late = OutputSeen("fan", "fan_terminal", before=True, settled=None, at_end=True, changes=1)

    assert behaviour(late) == "comes back"
    assert behaviour(dataclasses.replace(late, changes=3)) == "changes more than once"


def test_an_output_that_was_on_for_a_while_does_not_stay_off() -> None:
    """On as power returned and off again, or on in between: what ends off was not off. Contacts and reads that take
    some milliseconds make no difference."""
    burner = OutputSeen("burner", "burner_terminal", before=True, at_return=False, settled=False, at_end=False)
    told = dataclasses.replace

    assert behaviour(burner) == "stays off"
    late = told(burner, at_return=True, changes=1, delay_ns=(3_000 * MS, 3_001 * MS))
    assert behaviour(late) == behaviour(told(late, settled=None)) == "is on for a while, then off"
    assert behaviour(told(burner, changes=2)) == "is on for a while, then off"
    assert behaviour(told(late, delay_ns=(2 * MS, 9 * MS))) == "stays off"


def renamed(run: RunFacts, text: str) -> RunFacts:
    """The same run, its demand of the burner in other words."""
    cycles = [
        dataclasses.replace(one, findings=(dataclasses.replace(one.findings[0], expectation=text), *one.findings[1:]))
        for one in run.cycles
    ]
    return dataclasses.replace(run, cycles=tuple(cycles))


@pytest.mark.parametrize("text", ["is off", "never on for 50 ms or longer"])
def test_what_fails_less_often_is_not_worse(text: str) -> None:
    """Failed in 20 of 20, fails in few of them now: the burner that comes back less often got better, also where its
    demand was edited. The other way round it is worse."""
    often, seldom = run_played(1, Play(burner=1.0)), renamed(run_played(5, Play(burner=0.07)), text)

    assert compare(often, seldom).differences and not compare(often, seldom).worse
    assert compare(seldom, often).worse


def judged_as(run: RunFacts, burner: Verdict, fan: Verdict, whole: Verdict) -> RunFacts:
    """The same run with other verdicts."""
    cycles = [
        dataclasses.replace(
            one,
            verdict=whole,
            findings=tuple(
                dataclasses.replace(found, verdict=word)
                for found, word in zip(one.findings, (burner, fan), strict=True)
            ),
        )
        for one in run.cycles
    ]
    scenarios = (dataclasses.replace(run.scenarios[0], verdict=whole),)
    return dataclasses.replace(run, cycles=tuple(cycles), scenarios=scenarios)


@pytest.mark.parametrize("before", [Verdict.FAIL, Verdict.INCONCLUSIVE])
@pytest.mark.parametrize("begun", [True, False])
def test_what_passed_and_is_not_shown_now_is_told_whatever_became_of_the_rest(before: Verdict, begun: bool) -> None:
    """The fan did not pass then, the burner did; no cycle is valid now, or none was begun: that is no 0."""
    then = judged_as(run_played(1), Verdict.PASS, before, before)
    now = judged_as(run_played(2), Verdict.PASS, Verdict.PASS, Verdict.ERROR if begun else Verdict.INCONCLUSIVE)
    now = now if begun else dataclasses.replace(now, cycles=())
    found = compare(then, now)

    assert found.exit_code == (4 if begun else 3)
    assert [one.what for one in found.differences if one.unshown is not None] == ["burner: is off"]


# ---------------------------------------------------------------- times


def test_a_slower_boot_is_found_with_its_shift_inside_the_interval() -> None:
    """300 ms more of boot: every event after it is later, and the interval holds the true shift."""
    comparison = compare(run_played(1), run_played(2, Play(boot_ns=3_300 * MS)))
    times = [d for d in comparison.differences if d.kind == "time"]

    assert {d.what for d in times} >= {"ready after restored", "fan as it settles"}
    for difference in times:
        low, middle, high = difference.figures["shift_ns"]
        assert difference.worse is True
        if difference.what != "answered after restored":
            assert low <= 300 * MS <= high
            assert low < middle < high


def test_a_faster_boot_is_a_difference_but_not_worse() -> None:
    """300 ms less of boot is told as earlier."""
    comparison = compare(run_played(1), run_played(2, Play(boot_ns=2_700 * MS)))

    assert "time" in kinds(comparison)
    assert not comparison.worse


def test_a_shift_below_the_width_of_the_reads_is_not_claimed() -> None:
    """Reads 200 ms apart can't show a shift of 50 ms: the same boot times, read finely, can."""
    rough = compare(
        run_played(1, Play(read_ns=200 * MS, spread_ns=2 * MS)),
        run_played(2, Play(boot_ns=3_050 * MS, read_ns=200 * MS, spread_ns=2 * MS)),
    )
    fine = compare(run_played(1, Play(spread_ns=2 * MS)), run_played(2, Play(boot_ns=3_050 * MS, spread_ns=2 * MS)))

    assert "time" not in kinds(rough)
    assert "time" in kinds(fine)


def test_another_pace_of_reading_alone_is_no_difference() -> None:
    """One program read every 10 ms and every 500 ms: wider bounds are no later event."""
    comparison = compare(run_played(1), run_played(2, Play(read_ns=500 * MS)))

    assert "time" not in kinds(comparison)


def test_too_few_cycles_for_times_are_named() -> None:
    """Three cycles a side can't reach 1 % by any order of the values (2 / C(6, 3) = 0.1)."""
    comparison = compare(run_played(1, cycles=3), run_played(2, Play(boot_ns=9 * S), cycles=3))

    assert "time" not in kinds(comparison)
    assert 2 / math.comb(6, 3) > FAMILY_ERROR
    assert f"{SCENARIO}, off_for=3 s: time of ready after restored: too few cycles (3 and 3)" in not_compared(
        comparison
    )


def test_times_far_apart_in_too_few_cycles_stand_side_by_side() -> None:
    """One cycle each proves no difference, but a boot twice as long is not kept from whoever looks; what scatters as
    little as boots do is not told, and nothing of it counts as worse."""
    comparison = compare(run_played(1, cycles=1), run_played(2, Play(boot_ns=9 * S), cycles=1))

    told = [one.text for one in comparison.apart if one.mark == "ready"]
    assert len(told) == 1 and " -> " in told[0] and told[0].endswith("(1 and 1 cycle)")
    assert "time" not in kinds(comparison) and comparison.exit_code == 0
    even = Play(spread_ns=2 * MS)
    assert compare(run_played(1, even, cycles=1), run_played(2, even, cycles=1)).apart == ()
    shown = "\n".join(comparison_lines(comparison, 200))
    assert "Side by side (too few cycles to call it a difference):" in shown and told[0] in shown
    assert "No difference was shown; what lies apart below has too few cycles to be called one." in shown


@given(shift=st.integers(-5 * S, 5 * S))
@examples(12)
def test_moving_all_instants_of_a_run_alike_changes_nothing(shift: int) -> None:
    """Only durations are compared, never instants."""
    run = run_played(2, Play(boot_ns=3_200 * MS), cycles=8)
    moved = tuple(
        dataclasses.replace(
            cycle,
            marks=tuple(
                Mark(m.name, Bounds(m.bounds.not_before_ns + shift, m.bounds.not_after_ns + shift)) for m in cycle.marks
            ),
        )
        for cycle in run.cycles
    )

    assert compare(run_played(1, cycles=8), run) == compare(
        run_played(1, cycles=8), dataclasses.replace(run, cycles=moved)
    )


def test_simulated_and_real_times_are_not_compared() -> None:
    """A simulated boot says nothing about a real one; that is said."""
    simulated = dataclasses.replace(run_played(2, Play(boot_ns=9 * S)), simulated=True)
    comparison = compare(run_played(1), simulated)

    assert "time" not in kinds(comparison)
    assert "one run was simulated and the other was not: times were not compared" in not_compared(comparison)


# ---------------------------------------------------------------- searches


@pytest.mark.parametrize(
    ("before", "after", "worse"),
    [
        ((98 * MS, 157 * MS), (30 * MS, 79 * MS), True),
        ((30 * MS, 79 * MS), (98 * MS, 157 * MS), False),
        ((200 * MS, None), (30 * MS, 79 * MS), True),
        ((0, 29 * MS), (30 * MS, None), False),
    ],
)
def test_brackets_of_a_search_that_have_nothing_in_common_are_a_difference(
    before: tuple[int, int | None], after: tuple[int, int | None], worse: bool
) -> None:
    """What was ridden through is ridden through no longer: worse; an end that no cut set is open."""
    old, new = (
        dataclasses.replace(run_played(seed), ridden={SCENARIO: ends}) for seed, ends in ((1, before), (2, after))
    )
    (found,) = compare(old, new).differences

    assert (found.kind, found.worse, compare(old, new).exit_code) == ("search", worse, int(worse))
    assert found.figures == {"before_ns": list(before), "after_ns": list(after)}


def test_brackets_that_overlap_show_no_difference_and_say_so() -> None:
    """One off time lies in both: the end may have stayed where it was."""
    old, new = (
        dataclasses.replace(run_played(seed), ridden={SCENARIO: (low * MS, 79 * MS)})
        for seed, low in ((1, 30), (2, 79))
    )
    comparison = compare(old, new)

    assert comparison.differences == ()
    assert any("these have off times in common" in line for line in not_compared(comparison))


# ---------------------------------------------------------------- program, files, what is missing


def test_another_program_is_told_by_its_identity() -> None:
    """The points that identify the program read otherwise: said with both values."""
    edited = dataclasses.replace(run_played(2), program={"program_id": (42118.0,)})
    comparison = compare(run_played(1), edited)

    assert comparison.program_changed is True
    assert comparison.program == ("program_id = 17042", "program_id = 42118")
    assert compare(dataclasses.replace(run_played(1), program={}), edited).program_changed is None


def test_where_nothing_read_the_program_the_models_of_simulated_runs_tell_whether_it_changed() -> None:
    """What a simulated run plays is its model; where something that was read identifies it, that goes first."""
    old, new, same = (
        dataclasses.replace(run_played(seed), program={}, model=("program.yaml", text))
        for seed, text in ((1, "scan: 10 ms"), (2, "scan: 20 ms"), (3, "scan: 10 ms"))
    )
    assert compare(old, new).program == ("model program.yaml", "model program.yaml with other text")
    assert (compare(old, new).program_changed, compare(old, same).program_changed) == (True, False)
    read = [dataclasses.replace(one, program={"program_id": (1.0,)}) for one in (old, new)]
    assert compare(read[0], read[1]).program_changed is False


def test_input_files_that_differ_are_shown_as_unified_diffs() -> None:
    """The edited line stands with its marks, equal files are left out."""
    old = dataclasses.replace(
        run_played(1), inputs={"rig.yaml": "rig: a\n", "program.yaml": "scan: 10 ms\nsaved: at once\n"}
    )
    new = dataclasses.replace(
        run_played(2), inputs={"rig.yaml": "rig: a\n", "program.yaml": "scan: 20 ms\nsaved: at once\n"}
    )
    diffs = compare(old, new).diffs

    assert list(diffs) == ["program.yaml"]
    assert "-scan: 10 ms\n+scan: 20 ms\n saved: at once" in diffs["program.yaml"]


def test_an_edited_program_under_another_name_is_one_diff() -> None:
    """Two editions of one file are held against each other; a file that has no counterpart stands alone."""
    rungs = "scan: 10 ms\nsaved: at once\noutputs: at scan end\n"
    old = dataclasses.replace(run_played(1), inputs={"program.yaml": rungs})
    edited = {"edited.yaml": rungs.replace("10 ms", "20 ms"), "another.yaml": "rig: x\n"}
    diffs = compare(old, dataclasses.replace(run_played(2), inputs=edited)).diffs

    assert sorted(diffs) == ["another.yaml", "program.yaml -> edited.yaml"]
    assert "-scan: 10 ms\n+scan: 20 ms\n saved: at once" in diffs["program.yaml -> edited.yaml"]


def test_what_only_one_run_has_is_named() -> None:
    """A case, an expectation and a scenario without a counterpart are listed, not judged."""
    more = run_played(2, cases=("off_for=3 s", "off_for=10 s"), cycles=10)
    comparison = compare(run_played(1, cycles=10), more)

    assert f"{SCENARIO}, off_for=10 s: only in run-2" in not_compared(comparison)
    assert comparison.differences == ()


@pytest.mark.parametrize(
    ("numbers", "text"),
    [([3], "3"), ([1, 2, 3, 4], "1 to 4"), ([9, 3, 10, 7], "3, 7, 9, 10"), ([*range(5), 9], "0 to 4, 9")],
)
def test_cycle_numbers_are_short_for_people(numbers: list[int], text: str) -> None:
    """Three and more in a row are drawn together, in any order given."""
    assert numbers_text(list(numbers)) == text


def test_a_scenario_verdict_that_no_expectation_explains_is_told() -> None:
    """A channel found dead at the run's end (rule 9) changes the scenario alone."""
    run = run_played(2)
    dead = dataclasses.replace(run.scenarios[0], verdict=Verdict.ERROR, reason="the channel may be dead")
    comparison = compare(run_played(1), dataclasses.replace(run, scenarios=(dead,)))

    assert [d.text for d in comparison.differences] == [
        f"{SCENARIO}: the scenario: pass -> error (the channel may be dead)"
    ]
    assert (comparison.worse, comparison.exit_code) == (False, 4)
    back = compare(dataclasses.replace(run, scenarios=(dead,)), run_played(1))
    assert (len(back.differences), back.exit_code) == (1, 0)


def test_runs_without_a_cycle_can_be_compared() -> None:
    """Nothing was done on either side: nothing differs."""
    nothing = RunFacts("a", "rig", ())
    assert compare(nothing, nothing).differences == ()


def test_a_mark_that_never_came_is_no_time() -> None:
    """A controller that did not answer has no time of answering."""
    silent = CycleJudged(1, SCENARIO, "", Verdict.FAIL, "", (Mark("restored", Bounds(0, 1)),), ())
    run = RunFacts("a", "rig", (silent,) * 9)

    assert compare(run, run).differences == ()


def test_what_came_as_often_in_both_is_no_note() -> None:
    """Some cycles so and some otherwise, as often in one run as in the other: nothing to explain, by chance or not."""
    mixed = run_played(3, Play(burner=0.3), 40)
    assert not any("chance alone" in note for note in compare(mixed, mixed).notes)
