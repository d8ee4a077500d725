"""The map of a scenario's cases: what was cut, and what became of it, on console, in the record and for machines."""

from __future__ import annotations

import io
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from live_values import judged_cycle, one_run
from restart_bench.judging.campaign.case_map import case_rows, number_words, outcome_words, verdict_words
from restart_bench.model.journal import CycleJudged, Finding, FindingKind
from restart_bench.model.outcome import OneRun, RunOutcome
from restart_bench.model.scenario import Case, Scenario
from restart_bench.model.verdicts import Verdict
from restart_bench.report.console import print_outcome
from restart_bench.report.documents import document

MS = 1_000_000
NAME = "burner-stays-shut"
DIP, LOSS = Case("off_for=10 ms", 10 * MS, from_memory=True), Case("off_for=3 s", 3000 * MS)
SWEPT = Scenario(NAME, "supply", (DIP, LOSS), repeat=3)
OUTCOMES = st.sampled_from([True, False, None])


def cycle(number: int, case: Case, restarted: bool | None, verdict: Verdict = Verdict.PASS) -> CycleJudged:
    """A judged cycle whose supply was off for as long as asked, give or take a millisecond a cycle."""
    finding = Finding(
        NAME, case.name, number, "", "restart: either", verdict, "", {"restarted": restarted}, FindingKind.RESTART
    )
    figures = {"off_time_ns": [case.off_for_ns - number * MS, case.off_for_ns + number * MS]}
    return replace(judged_cycle(number, finding, verdict=verdict), case=case.name, figures=figures)


@given(st.lists(st.tuples(st.sampled_from([DIP, LOSS]), OUTCOMES, st.sampled_from(list(Verdict))), max_size=12))
def test_every_cycle_is_counted_once_on_the_map_and_errors_say_nothing_of_the_controller(
    done: list[tuple[Case, bool | None, Verdict]],
) -> None:
    """Outcomes add up to the cycles that are no errors, verdicts to all; the true off time holds each of them."""
    cycles = [cycle(number, *one) for number, one in enumerate(done, start=1)]
    rows = case_rows(SWEPT, cycles)
    assert [row.case for row in rows] == list(SWEPT.cases)
    for row in rows:
        mine = [one for one in cycles if one.case == row.case.name]
        valid = [one for one in mine if one.verdict is not Verdict.ERROR]
        assert sum(row.verdicts.values()) == row.cycles == len(mine)
        assert row.restarted + row.rode_through + row.not_shown == len(valid)
        assert row.restarted == sum(one.restarted is True for one in valid)
        assert (row.off_time_ns is None) is (not valid)
        for one in valid:
            low, high = one.figures["off_time_ns"]
            assert row.off_time_ns is not None and row.off_time_ns[0] <= low <= high <= row.off_time_ns[1]


def swept_run() -> OneRun:
    """Dips of 10 ms that restarted the controller once in three, and a loss of 3 s that failed."""
    told = [(DIP, False), (DIP, True), (DIP, False)]
    cycles = [cycle(number, case, restarted) for number, (case, restarted) in enumerate(told, start=1)]
    return replace(one_run(*cycles, cycle(4, LOSS, True, Verdict.FAIL), verdict=Verdict.FAIL), tested=(SWEPT,))


def test_the_worst_stands_first_and_what_is_alike_is_not_counted() -> None:
    """`restarted` where all did; else how many of each."""
    dip, loss = case_rows(SWEPT, swept_run().cycles)
    assert (outcome_words(dip), verdict_words(dip)) == ("restarted 1, rode through 2", "pass")
    assert (outcome_words(loss), verdict_words(loss), loss.verdict) == ("restarted", "fail", Verdict.FAIL)
    unplayed, mixed = case_rows(SWEPT, [cycle(1, LOSS, True), cycle(2, LOSS, True, Verdict.FAIL)])
    assert (verdict_words(unplayed), unplayed.verdict, number_words(unplayed)) == ("not played", None, "0 of 3")
    assert number_words(mixed) == "2 of 3"
    assert verdict_words(mixed) == "fail 1, pass 1"


def test_the_console_shows_the_map_where_a_scenario_has_several_cases() -> None:
    """Asked, truly off, what the controller did, how often, the verdict; what is from memory says so."""
    run = swept_run()
    lines = _lines(run)
    head = next(number for number, line in enumerate(lines) if line.startswith("case"))
    assert lines[head].split() == ["case", "truly", "off", "controller", "cycles", "verdict"]
    told = [" ".join(line.split()) for line in lines[head + 2 : head + 4]]
    assert told == [
        "off_for=10 ms (from memory) 7.0 .. 13.0 ms restarted 1, rode through 2 3 pass",
        "off_for=3 s 2.996 .. 3.004 s restarted 1 of 3 fail",
    ]
    unplayed = [" ".join(line.split()) for line in _lines(replace(run, cycles=run.cycles[:3]))]
    assert "off_for=3 s - - 0 of 3 not played" in unplayed
    alone = replace(run, cycles=run.cycles[:3], tested=(replace(SWEPT, cases=(DIP,)),))
    assert not any(line.startswith("case ") for line in _lines(alone))


def _lines(run: OneRun) -> list[str]:
    out = io.StringIO()
    print_outcome(RunOutcome(1, Verdict.FAIL, (run,)), Console(file=out, width=100))
    return out.getvalue().splitlines()


def test_machines_get_the_map_with_the_cases() -> None:
    """Nanoseconds, pairs of bounds, counts; nothing where the scenario's file is not known."""
    run = swept_run()
    (told,) = document(RunOutcome(1, Verdict.FAIL, (run,)))["runs"]
    dip = told["scenarios"][0]["cases"][0]
    assert {key: dip[key] for key in dip if key not in ("errors", "findings")} == {
        "name": "off_for=10 ms", "cycles": 3, "asked": 3, "off_for_ns": 10 * MS, "at_ns": [0, 0], "level": None,
        "from_memory": True, "off_time_ns": [7 * MS, 13 * MS], "restarted": 1, "rode_through": 2, "not_shown": 0,
        "verdicts": {"pass": 3},
    }  # fmt: skip
    (told,) = document(RunOutcome(1, Verdict.FAIL, (replace(run, tested=()),)))["runs"]
    assert "off_for_ns" not in told["scenarios"][0]["cases"][0]
