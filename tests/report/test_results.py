"""The results on a console: matrix, what did not pass with its reason, limits, where the record lies, the exit."""

from __future__ import annotations

import dataclasses
import io
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from evidence import scenario
from live_values import NEVER_ON, burner_finding, judged_cycle, one_run
from restart_bench.judging.rehearsal import NOTHING_CUT
from restart_bench.judging.summary import limits_in_short, limits_of
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, Mark, OutputSeen
from restart_bench.model.outcome import OneRun, RunOutcome
from restart_bench.model.verdicts import EXIT_MEANS, GLOSS, Verdict, exit_of
from restart_bench.report.console import notable_rows, print_outcome

BURNER = OutputSeen("burner", "burner_terminal", before=1.0, at_loss=0.0, at_return=0.0, settled=0.0)


def shown(*runs: OneRun, width: int = 100, code: int | None = None, **console: Any) -> str:
    verdict = runs[0].scenarios[0].verdict if runs else Verdict.PASS
    outcome = RunOutcome(exit_of(verdict) if code is None else code, verdict, runs)
    stream = io.StringIO()
    print_outcome(outcome, Console(file=stream, width=width, **{"color_system": None, **console}))
    return stream.getvalue()


FAILED = one_run(
    judged_cycle(1, burner_finding(1, Verdict.PASS)),
    judged_cycle(2, burner_finding(2, Verdict.FAIL, "on for 196 .. 204 ms")),
    judged_cycle(3, burner_finding(3, Verdict.FAIL, "on for 196 .. 204 ms")),
    verdict=Verdict.FAIL,
    reason="2 of 3 cycles failed: cycle 2: on for 196 .. 204 ms; cycle 3: on for 196 .. 204 ms",
)


PASSED = one_run(judged_cycle(1, burner_finding(1, Verdict.PASS)), verdict=Verdict.PASS)
PASSED = dataclasses.replace(PASSED, scenarios=(dataclasses.replace(PASSED.scenarios[0], scenario="passes"),))


def test_every_verdict_word_carries_its_gloss() -> None:
    """Whoever reads a result reads beside the word what it means."""
    for verdict in Verdict:
        finding = burner_finding(1, verdict, "because")
        assert f"{verdict.value} ({GLOSS[verdict]})" in shown(one_run(judged_cycle(1, finding), verdict=verdict))


def test_the_exit_code_stands_last_with_its_meaning() -> None:
    """The last line says with which code the command ends and what that means."""
    last = shown(FAILED).rstrip().splitlines()[-1]
    assert last == "result: fail (shown to deviate), exit code 1: a proven fail"
    for code, meaning in EXIT_MEANS.items():
        assert f"exit code {code}: {meaning}" in shown(FAILED, code=code)


def test_a_fail_is_told_with_its_cycles_and_its_reason() -> None:
    """The same deviation in several cycles is told once, with all their numbers."""
    text = shown(FAILED)
    assert f"fail  burner {NEVER_ON}" in text
    assert "cycles 2, 3: on for 196 .. 204 ms" in text
    assert text.count("on for 196 .. 204 ms") == 1


def test_an_expectation_that_went_both_ways_counts_both() -> None:
    """Beside the worst verdict stands how often each came: good cycles are not hidden, bad ones not averaged."""
    assert f"fail  burner {NEVER_ON} (pass 1, fail 2)" in shown(FAILED)


def test_what_passed_is_not_listed_among_what_did_not() -> None:
    """Findings that pass are in the matrix and in the record; only the others need a person."""
    passed = one_run(judged_cycle(1, burner_finding(1, Verdict.PASS, "seen off")), verdict=Verdict.PASS)
    assert notable_rows(passed.rig, passed.scenarios[0], passed.cycles) == []
    assert NEVER_ON not in shown(passed)


def test_a_cycle_that_is_an_error_as_a_whole_is_told() -> None:
    """When no single expectation is to blame the cycle's own reason is shown."""
    run = one_run(judged_cycle(1, verdict=Verdict.ERROR, reason="no proof of the cut held"), verdict=Verdict.ERROR)
    text = shown(run)
    assert "the cycle as a whole" in text
    assert "cycle 1: no proof of the cut held" in text


def test_a_dead_channel_is_told_over_the_whole_run() -> None:
    """What is only seen at the run's end (rule 9) names no cycle."""
    late = Finding("burner-stays-shut", "", 0, "burner", "is off", Verdict.ERROR, "the channel may be dead")
    text = shown(one_run(judged_cycle(1), verdict=Verdict.ERROR, late=(late,)))
    assert "over the whole run: the channel may be dead" in text


def test_the_worst_stands_first() -> None:
    """Fails before errors before what was not shown."""
    findings = [
        Finding("burner-stays-shut", "", 1, f"p{n}", "is off", verdict, "because")
        for n, verdict in enumerate((Verdict.INCONCLUSIVE, Verdict.ERROR, Verdict.FAIL))
    ]
    run = one_run(judged_cycle(1, *findings, verdict=Verdict.FAIL), verdict=Verdict.FAIL)
    rows = notable_rows(run.rig, run.scenarios[0], run.cycles)
    assert [row.verdict for row in rows] == [Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE]


def test_the_matrix_shows_what_each_output_did() -> None:
    """A row an output: before, at loss, at return, delay and verdict; outputs that nobody asked about say so."""
    fan = dataclasses.replace(BURNER, point="fan", at_return=0.0, settled=1.0, delay_ns=(900_000_000, 920_000_000))
    cycle = judged_cycle(1, burner_finding(1, Verdict.PASS))
    run = one_run(dataclasses.replace(cycle, outputs=(BURNER, fan)), verdict=Verdict.PASS)
    lines = {line.split()[0]: line for line in shown(run).splitlines() if line.split()}
    assert lines["burner"].split()[-1] == "pass"
    assert lines["fan"].split()[-2:] == ["not", "judged"]
    assert "900.0 .. 920.0 ms" in lines["fan"]
    assert all(word in lines["output"] for word in ("before", "at loss", "at return", "delay", "verdict"))


def test_no_number_is_torn_from_its_unit() -> None:
    """A cell that has to be broken is broken before a length; a reason that stands below stands there alone."""
    long = dataclasses.replace(
        BURNER, loss_ns=(1, 114_000_000), at_return=0.0, settled=1.0, delay_ns=(257_300_000, 474_300_000)
    )
    finding = burner_finding(1, Verdict.INCONCLUSIVE, "not read for 2 s; end other programs")
    run = one_run(dataclasses.replace(judged_cycle(1, finding), outputs=(long,)), verdict=Verdict.INCONCLUSIVE)
    for width in (66, 70, 76, 80):
        text = shown(run, width=width)
        assert "within 114 ms" in text and "474.3 ms" in text
    for width in (80, 140):
        assert " ".join(shown(run, width=width).split()).count("end other programs") == 1


@pytest.mark.parametrize("width", [60, 80, 140])
def test_results_fit_the_window(width: int) -> None:
    """No line of the results but the path of the record is wider than the window."""
    lines = shown(FAILED, width=width).splitlines()
    assert any("burner" in line for line in lines)
    for line in lines:
        assert len(line) <= width or line.startswith("record:")


def test_the_path_of_the_record_can_be_copied() -> None:
    """The path stands whole in one line, however narrow the window."""
    line = next(line for line in shown(FAILED, width=40).splitlines() if line.startswith("record:"))
    assert line.endswith("report.html")


def test_on_a_terminal_a_long_path_of_a_record_stands_on_a_line_of_its_own() -> None:
    """Beside its word it would be broken; a short one stays there."""
    for path in ("/a/report.html", f"/{'a' * 60}/report.html"):
        run = dataclasses.replace(FAILED, record=path)
        said = shown(run, width=80, force_terminal=True, color_system=None)
        assert ("record:\n" if len(path) > 72 else "record: ") + path + "\n" in said


def test_a_limit_that_holds_for_all_is_told_once() -> None:
    """Limits are listed once each, with the scenarios that they hold for."""
    (one,) = FAILED.scenarios
    other = dataclasses.replace(one, scenario="fan-comes-back", limits=(*one.limits, "only here"))
    assert limits_of([one, other]) == [
        (one.limits[0], ("burner-stays-shut", "fan-comes-back")),
        ("only here", ("fan-comes-back",)),
    ]
    text = " ".join(shown(dataclasses.replace(FAILED, scenarios=(one, other))).split())
    assert f"all: {one.limits[0]}" in text
    assert "fan-comes-back: only here" in text


MANY_LIMITS = tuple(f"limit {number}: something that was not shown, told at some length" for number in range(30))


def test_the_last_screen_of_a_small_window_says_what_failed() -> None:
    """However many limits there are: the last 24 lines name the scenario, the output, and how many of how many."""
    scenario = dataclasses.replace(FAILED.scenarios[0], limits=MANY_LIMITS)
    lines = shown(dataclasses.replace(FAILED, scenarios=(scenario,)), width=80).splitlines()
    assert "  fail  burner-stays-shut: 2 of 3 cycles, burner" in lines[-23:]


def test_a_long_list_of_outputs_is_cut_between_words() -> None:
    """The line that names what did not pass fits the window, and no name in it is cut."""
    burner = dataclasses.replace(FAILED.rig.points["burner"], label="the valve of burner number two")
    rig = dataclasses.replace(FAILED.rig, points={**FAILED.rig.points, "burner": burner})
    whole = shown(dataclasses.replace(FAILED, rig=rig), width=200)
    for width in range(50, 90):
        text = shown(dataclasses.replace(FAILED, rig=rig), width=width)
        said = text.partition("What did not pass\n")[2].splitlines()[0]
        assert len(said) <= width
        assert f"{said.removesuffix('…')} " in whole or f"{said}\n" in whole


def test_of_many_scenarios_the_worst_are_named_and_the_rest_is_counted() -> None:
    """Twelve that did not pass, each with thirty limits, still leave their worst on the last screen."""
    words = [Verdict.INCONCLUSIVE] * 11 + [Verdict.FAIL]
    scenarios = tuple(
        dataclasses.replace(FAILED.scenarios[0], scenario=f"case-{n}", verdict=word, limits=MANY_LIMITS)
        for n, word in enumerate(words)
    )
    last = shown(dataclasses.replace(FAILED, scenarios=scenarios), width=80).splitlines()[-23:]
    assert any(line.startswith("  fail  case-11: 2 of 3 cycles") for line in last)
    assert any("and 4 more scenarios" in line for line in last)


def test_three_sentences_that_anybody_understands_stand_before_all_other_limits() -> None:
    """How often it was tried, what can have been missed, what was not tried; the limits in detail come behind them."""
    cycles = [
        dataclasses.replace(
            cycle,
            marks=(Mark("cut", Bounds(0, 1)), *cycle.marks),
            figures={"off_time_ns": [2_998_000_000, 3_002_000_000]},
            outputs=(dataclasses.replace(BURNER, shortest_excluded_ns=25_000_000),),
        )
        for cycle in FAILED.cycles
    ]
    text = shown(dataclasses.replace(FAILED, cycles=tuple(cycles)), width=120)
    told = [line.strip(" -") for line in text.split("What this does not show")[1].splitlines() if line.strip()]
    assert told[:3] == [
        "It was tried 3 times, on this rig and with this program: the next time may differ.",
        "What lasted less than 25 ms can have been missed between two looks at the outputs.",
        "Only interruptions of 2.99..3.01 s were tried; a change of program, wiring or supply makes a new test "
        "necessary.",
    ]
    assert told[3] == "in detail" and told[4] == FAILED.scenarios[0].limits[0]


@pytest.mark.parametrize(
    ("tries", "says"),
    [
        (1, "Even a fault that comes up by chance every second time may have been missed; to see one that comes "
            "up one time in 20 takes 58 more tries (95 % sure)."),
        (5, "A fault that comes up by chance one time in 2 would have been seen; to see one that comes up one time in "
            "20 takes 54 more tries (95 % sure)."),
        (58, "one time in 19 would have been seen; to see one that comes up one time in 20 takes 1 more try"),
        (59, "one time in 20 would have been seen; to see one that comes up one time in 50 takes 90 more tries"),
    ],
)  # fmt: skip
def test_where_nothing_deviated_it_is_said_how_rare_a_fault_would_have_been_seen(tries: int, says: str) -> None:
    """Success run: 59 tries for one in 20, 149 for one in 50, 5 for one in 2 at 95 % (ln 0.05 / ln(1 - 1/N), rounded
    up). Inconclusive cycles are no tries; where a cycle failed, the fault was seen."""
    passed = [_tried(number, Verdict.PASS) for number in range(tries)]
    assert says in limits_in_short(FAILED.rig, [*passed, _tried(99, Verdict.INCONCLUSIVE)])[-1]
    assert len(limits_in_short(FAILED.rig, [*passed, _tried(99, Verdict.FAIL)])) == 3


def test_the_case_that_was_tried_least_counts() -> None:
    """Fifty tries of another case say nothing of this one."""
    cycles = [dataclasses.replace(_tried(number, Verdict.PASS), case=str(number > 4)) for number in range(55)]
    assert (
        "one time in 2 would have been seen; to see one that comes up one time in 20 takes 54 more tries of each case"
        in limits_in_short(FAILED.rig, cycles)[-1]
    )


def _tried(number: int, verdict: Verdict) -> CycleJudged:
    return CycleJudged(number, "burner-stays-shut", "", verdict, "", (Mark("cut", Bounds(0, 1)),), ())


def test_two_lengths_are_no_bounds_of_one() -> None:
    """2 s and 3 s were tried: `2.00..3.01 s` would say that it is not known which, `2 s to 3 s` that all between them
    was tried."""
    cycles = [
        dataclasses.replace(one, marks=(Mark("cut", Bounds(0, 1)),), figures={"off_time_ns": [off, off + 4_000_000]})
        for one, off in zip(FAILED.cycles, (2_000_000_000, 3_000_000_000, 3_000_000_000), strict=True)
    ]
    assert "Only interruptions of 2.00..2.01 s and 3.00..3.01 s were tried" in limits_in_short(FAILED.rig, cycles)[2]


def test_short_and_long_interruptions_are_told_apart() -> None:
    """A dip of some milliseconds beside a loss of seconds: nothing between them was tried, so no span holds both."""
    cycles = [
        dataclasses.replace(one, marks=(Mark("cut", Bounds(0, 1)),), figures={"off_time_ns": [off, off + 1_000_000]})
        for one, off in zip(FAILED.cycles, (5_000_000, 2_000_000_000, 2_000_000_000), strict=True)
    ]
    assert "Only interruptions of 5..6 ms and 2.00..2.01 s were tried" in limits_in_short(FAILED.rig, cycles)[2]


def test_run_mode_that_was_left_is_no_interruption_of_the_supply() -> None:
    """A person took 80 s to turn the mode switch back: nobody tried a loss of supply of that length."""
    lost, left = (
        dataclasses.replace(one, scenario=name, marks=(Mark("cut", Bounds(0, 1)),), figures={"off_time_ns": [off, off]})
        for one, name, off in zip(FAILED.cycles, ("lost", "left"), (2_000_000_000, 80_000_000_000), strict=False)
    )
    mode = dataclasses.replace(scenario(), name="left", how="mode")
    said = [limits_in_short(FAILED.rig, cycles, (), [mode])[-2:] for cycles in ([lost, left], [left])]
    assert any("Only interruptions of 2 s and run mode left for 80 s were tried" in one for one in said[0]), said
    assert any("Only run mode left for 80 s was tried" in one for one in said[1]), said


def test_what_a_register_or_an_image_hid_is_no_gap_of_the_terminals() -> None:
    """How long the controller was not heard says nothing of what the terminals showed meanwhile."""
    counter = OutputSeen("batch_count", "batch_count", shortest_excluded_ns=2_570_000_000)
    seen = (dataclasses.replace(BURNER, shortest_excluded_ns=25_000_000), counter)
    cycles = [dataclasses.replace(one, marks=(Mark("cut", Bounds(0, 1)),), outputs=seen) for one in FAILED.cycles]
    assert "less than 25 ms" in limits_in_short(FAILED.rig, cycles)[1]


def test_an_output_without_a_terminal_says_so_in_its_row_also_where_it_is_not_judged() -> None:
    """What the controller says of itself may be its memory: no row shows it as if somebody had looked."""
    bare = dict(FAILED.rig.points)
    bare["fan"] = dataclasses.replace(bare["fan"], terminal=None)
    fan = OutputSeen("fan", "fan", before=1.0, at_loss=1.0, at_return=1.0, settled=1.0)
    cycles = tuple(dataclasses.replace(one, outputs=(BURNER, fan)) for one in FAILED.cycles)
    rig = dataclasses.replace(FAILED.rig, points=bare)
    for width in (80, 140):
        lines = shown(dataclasses.replace(FAILED, rig=rig, cycles=cycles), width=width).splitlines()
        assert [line.split()[0] for line in lines if " no terminal " in line] == ["fan"]
        assert any("no input reads its terminal" in line for line in lines)


def test_how_a_run_ended_is_said_where_it_was_not_completed() -> None:
    """A run that was stopped says so, and by whom or why, before any verdict."""
    stopped = dataclasses.replace(FAILED, how="stopped", reason="stopped by a person (Ctrl-C)")
    text = shown(stopped)
    assert text.index("stopped by a person") < text.index("burner-stays-shut")


def test_on_a_console_what_counts_is_not_scrolled_away_by_limits_in_detail() -> None:
    """The record has them; a pipe, where nothing scrolls away, too. How many there are is said. What passed is told
    once: by the tables that come last, in a pipe by its name."""
    cycles = tuple(dataclasses.replace(one, marks=(Mark("cut", Bounds(0, 1)),)) for one in FAILED.cycles)
    both = dataclasses.replace(FAILED, scenarios=(*FAILED.scenarios, PASSED.scenarios[0]), cycles=cycles)
    detail = FAILED.scenarios[0].limits[0]
    lines = shown(both, force_terminal=True).splitlines()
    text = "\n".join(lines)
    assert detail not in text and "in detail: " in text and ", in the record" in text
    assert detail in shown(both) and "in the record" not in shown(both)
    piped = shown(both).splitlines()
    assert piped[piped.index("What passed") + 1].strip() == "passes" and "What passed" not in lines
    assert piped.index("What passed") < piped.index("What did not pass")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 40), (140, 40)])
@pytest.mark.parametrize("others", [0, 1, 30])
def test_the_last_window_holds_verdict_and_matrix(width: int, height: int, others: int) -> None:
    """What a class wants to see has not scrolled away: the matrix of each scenario, or, where there are too many, a
    line for each output, of which the worst are kept; what did not pass; how the supply was left; record and result."""
    names = [f"passes-{number}" for number in range(others)]
    cycles = [*FAILED.cycles, *(dataclasses.replace(PASSED.cycles[0], scenario=one) for one in names)]
    cycles = [dataclasses.replace(one, outputs=(BURNER,)) for one in cycles]
    told = [*FAILED.scenarios, *(dataclasses.replace(PASSED.scenarios[0], scenario=one) for one in names)]
    run = dataclasses.replace(FAILED, scenarios=tuple(told), cycles=tuple(cycles), supply_left="off")
    window = shown(run, width=width, height=height, force_terminal=True).splitlines()[-(height - 1) :]
    text = "\n".join(window)
    assert text.count("at return") == (1 if others == 30 else 1 + others)
    assert [line.split()[-1] for line in window if line.startswith("burner ")].count("fail") == 1 or others == 30
    assert ("more rows, above and in the record" in text) is (others == 30)
    assert any(re.match(r"burner-stays-shut  .* fail *$", line) for line in window) is (others == 30)
    for last in ("What did not pass", "The supply was left off.", "record:", "result: fail"):
        assert last in text, last


def test_what_came_differently_stands_whole_in_the_short_matrix_where_there_is_room() -> None:
    """`comes back 2, stays off 1` has no end that a class could guess; what is left of the line is for it."""
    cycles = [
        dataclasses.replace(
            PASSED.cycles[0],
            scenario=f"s{n}",
            cycle=k,
            outputs=(dataclasses.replace(BURNER, at_return=on, settled=on),),
        )
        for n in range(30)
        for k, on in enumerate((1.0, 1.0, 0.0))
    ]
    told = tuple(dataclasses.replace(PASSED.scenarios[0], scenario=f"s{n}", cycles=3) for n in range(30))
    run = dataclasses.replace(FAILED, scenarios=told, cycles=tuple(cycles))
    window = shown(run, width=80, height=24, force_terminal=True).splitlines()[-23:]
    (row,) = [line for line in window if line.startswith("s0 ")]
    assert "  comes back 2, stays off 1  " in row and len(row) <= 80, window


def test_scenarios_whose_names_begin_alike_are_named_each_in_the_short_matrix() -> None:
    """Shortened to the same letters they are two scenarios all the same: neither row stands without a name."""
    names = [f"the-same-long-beginning-of-a-name-{n}" for n in range(30)]
    cycles = [dataclasses.replace(PASSED.cycles[0], scenario=name, outputs=(BURNER,)) for name in names]
    told = tuple(dataclasses.replace(PASSED.scenarios[0], scenario=name) for name in names)
    run = dataclasses.replace(FAILED, scenarios=told, cycles=tuple(cycles))
    window = shown(run, width=80, height=24, force_terminal=True).splitlines()[-23:]
    rows = [line for line in window if " burner " in line]
    assert len(rows) > 3 and all(line.startswith("the-same-long") for line in rows), window


def test_a_scenario_of_which_no_cycle_was_begun_is_not_begun() -> None:
    """After Ctrl-C nobody reads that something was so over the whole run."""
    never = dataclasses.replace(
        FAILED.scenarios[0], scenario="later", verdict=Verdict.INCONCLUSIVE, cycles=0, counted={}
    )
    assert "inconclusive  later: not begun" in shown(dataclasses.replace(FAILED, scenarios=(*FAILED.scenarios, never)))


def test_without_a_console_there_are_no_control_characters() -> None:
    """In a pipe stand plain characters, whatever texts the files hold."""
    finding = burner_finding(1, Verdict.FAIL, "odd \x1b[31m reason\r")
    run = one_run(judged_cycle(1, finding), verdict=Verdict.FAIL, reason="odd \x1b reason")
    assert not any(ord(character) < 32 and character != "\n" for character in shown(run))


@given(st.lists(st.sampled_from(list(Verdict)), min_size=1, max_size=12))
def test_nothing_that_did_not_pass_is_left_out(verdicts: list[Verdict]) -> None:
    """Every cycle whose worst finding did not pass is named in the results."""
    cycles = [
        judged_cycle(n, burner_finding(n, verdict, f"reason {verdict.value}")) for n, verdict in enumerate(verdicts, 1)
    ]
    worst = next(one for one in (Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE, Verdict.PASS) if one in verdicts)
    run = one_run(*cycles, verdict=worst)
    rows = notable_rows(run.rig, run.scenarios[0], run.cycles)
    named = {number for row in rows for said in row.said for number in said.cycles}
    assert named == ({n for n, one in enumerate(verdicts, 1) if one is worst} if worst is not Verdict.PASS else set())


def test_a_rehearsal_has_steps_and_no_verdict() -> None:
    """Where nothing was cut no line says pass: the steps were reached, and nothing is shown about a restart."""
    step = Finding("burner-stays-shut", "", 1, "", "before: press start_button", Verdict.PASS, "reached")
    run = one_run(judged_cycle(1, step), verdict=Verdict.PASS)
    rehearsed = dataclasses.replace(run.scenarios[0], limits=(NOTHING_CUT,))
    text = shown(dataclasses.replace(run, scenarios=(rehearsed,)))
    assert "pass" not in text
    assert "reached      before: press start_button" in text
    assert "every step was reached; nothing was cut" in text.splitlines()[-1] + text.splitlines()[-2]


def test_what_only_follows_from_the_end_of_a_cycle_is_counted_not_listed() -> None:
    """After Ctrl-C one line says where the cycle ended and how many expectations that left open."""
    open_ones = [burner_finding(1, Verdict.INCONCLUSIVE, "not seen") for _ in range(3)]
    end = Finding("burner-stays-shut", "", 1, "", "all phases done", Verdict.INCONCLUSIVE, "stopped by a person")
    end = dataclasses.replace(end, kind=FindingKind.COMPLETION)
    text = shown(one_run(judged_cycle(1, *open_ones, end), verdict=Verdict.INCONCLUSIVE), code=130)
    assert "not seen" not in text
    assert "stopped by a person; so 3 demands could not be judged" in text
    assert "result: not complete, exit code 130" in text


def test_what_a_problem_made_an_error_is_counted_not_listed() -> None:
    """A cycle that is not valid tells its problem once; a deviation that stands beside it is still told."""
    void = burner_finding(1, Verdict.ERROR, "not valid (cut): seen off", without_the_error="pass")
    problem = Finding("burner-stays-shut", "", 1, "", "valid: cut", Verdict.ERROR, "no proof of the cut held")
    problem = dataclasses.replace(problem, kind=FindingKind.VALIDITY, subject="cut")
    stands = burner_finding(1, Verdict.FAIL, "on for 196 .. 204 ms")
    text = shown(one_run(judged_cycle(1, void, problem, stands), verdict=Verdict.FAIL), width=140)
    assert "no proof of the cut held; so 1 demand could not be judged" in text
    assert "seen off" not in text
    assert "on for 196 .. 204 ms" in text


def test_errors_that_differ_in_times_alone_are_told_once_with_their_cycles() -> None:
    """Fifteen cycles that broke on the same cable are one line; fails stand each with their own figures."""
    for verdict, told in ((Verdict.ERROR, 1), (Verdict.FAIL, 3)):
        cycles = [
            judged_cycle(n, burner_finding(n, verdict, f"the port failed after {n} ms"), verdict=verdict)
            for n in (1, 2, 3)
        ]
        run = one_run(*cycles, verdict=verdict)
        (row,) = notable_rows(run.rig, run.scenarios[0], run.cycles)
        assert len(row.said) == told
        assert [number for said in row.said for number in said.cycles] == [1, 2, 3]
