"""What was played of all that the scenarios name: start states and instants, cuts, and their combinations."""

from __future__ import annotations

import io
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from live_values import judged_cycle, one_run
from restart_bench.judging.campaign.coverage import coverage_of, left_out_words, place_name, played_words
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Mark
from restart_bench.model.outcome import RunOutcome
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import At, Case, Expect, Level, Press, Scenario, Search, Step
from restart_bench.model.verdicts import Verdict
from restart_bench.report.console import print_outcome
from restart_bench.report.documents import document

MS, S = 1_000_000, 1_000_000_000
CUT = Mark("cut", Bounds(0, 0))


def begins(*on: str) -> tuple[Step, ...]:
    """A press, and the wait for what it brings about."""
    waited = Expect(tuple((name, Wanted(equals=True)) for name in on), on)
    return (Step("before", 0, Press("start"), "press start"), Step("before", 1, waited, "expect"))


FAN, BURNER = begins("fan"), begins("burner")
STEPS = st.sampled_from([FAN, BURNER, begins("fan", "burner"), ()])
INSTANTS = st.sampled_from([At(), At(100 * MS, 100 * MS), At(0, 50 * MS)])
LEVELS = st.sampled_from([None, Level(fraction=0.4, text="40 %")])
CASES = st.builds(Case, st.just(""), st.sampled_from([20 * MS, 3 * S]), INSTANTS, LEVELS)


def scenario(name: str, before: tuple[Step, ...], *cases: Case, how: str = "supply", repeat: int = 2) -> Scenario:
    """A scenario whose cases are numbered."""
    named = tuple(replace(case, name=str(number)) for number, case in enumerate(cases))
    return Scenario(name, how, named, before, repeat=repeat)  # type: ignore[arg-type]


def cycle(of: str, case: str, verdict: Verdict = Verdict.PASS, *, cut: bool = True) -> CycleJudged:
    """A judged cycle of a case; cut False: nothing was cut in it."""
    return replace(judged_cycle(1, verdict=verdict), scenario=of, case=case, marks=(CUT,) if cut else ())


@given(st.data())
def test_every_combination_is_asked_for_or_left_out_and_every_valid_cycle_is_counted_where_it_was_played(
    data: st.DataObject,
) -> None:
    """Of all start states with all instants and all cuts; an error, and what was not cut, played nothing."""
    told = data.draw(
        st.lists(st.tuples(STEPS, st.lists(CASES, min_size=1, max_size=3, unique=True)), min_size=1, max_size=4)
    )
    suite = [scenario(f"s{number}", steps, *cases) for number, (steps, cases) in enumerate(told)]
    asked = [(one, case) for one in suite for case in one.cases]
    done = data.draw(
        st.lists(st.tuples(st.sampled_from(asked), st.sampled_from(list(Verdict)), st.booleans()), max_size=9)
    )
    cycles = [cycle(one.name, case.name, verdict, cut=cut) for (one, case), verdict, cut in done]
    found = coverage_of(suite, cycles)

    states = {one.before for one in suite}
    instants = {case.at for _, case in asked}
    cuts = {(case.off_for_ns, case.level) for _, case in asked}
    assert found.combinations == len(states) * len(instants) * len(cuts)
    wanted = {(one.before, case.at, case.off_for_ns, case.level) for one, case in asked}
    assert len(found.played) == len(wanted)
    assert len(list(found.in_no_scenario())) == found.combinations - len(wanted)
    assert sum(one.asked for one in found.played.values()) == 2 * len(asked)
    valid = [one for one in cycles if one.verdict is not Verdict.ERROR and one.marks]
    assert sum(one.valid for one in found.played.values()) == len(valid)
    assert sum(sum(one.verdicts.values()) for one in found.played.values()) == len(cycles)
    for (start, cut), played in found.played.items():
        same = [
            (one.name, case.name)
            for one, case in asked
            if (case.at, case.off_for_ns, case.level)
            == (found.starts[start].at, found.cuts[cut].off_for_ns, found.cuts[cut].level)
            and place_name(found, (start, cut)).startswith(found.starts[start].state)
        ]
        assert played.valid <= sum((one.scenario, one.case) in same for one in valid)


DIPS = scenario("dips", FAN, Case("", 20 * MS), Case("", 3 * S))
LOSS = scenario("loss", BURNER, Case("", 3 * S))
AGAIN = scenario("again", BURNER, Case("", 3 * S), how="mode")


def test_what_is_in_no_scenario_is_named_where_it_is_little_and_counted_by_cut_where_it_is_much() -> None:
    """Two states and two cuts: one is missing. With a third cut and more states it is told from how many each is."""
    assert left_out_words(coverage_of([DIPS])) == ""
    assert left_out_words(coverage_of([DIPS, LOSS])) == (
        "1 of 4 combinations (2 start states and 2 cuts) is in no scenario: burner on: off 20 ms."
    )
    several = [
        DIPS,
        LOSS,
        AGAIN,
        scenario("idle", (), Case("", 3 * S)),
        scenario("both", begins("fan", "burner"), Case("", 3 * S)),
    ]
    assert left_out_words(coverage_of(several)) == (
        "6 of 12 combinations (4 start states and 3 cuts) are in no scenario: "
        "off 20 ms is tried from 1 of 4 start states, off 3 s from 4, out of run mode 3 s from 1."
    )


def test_what_is_asked_for_and_not_played_is_named_with_how_often_it_was() -> None:
    """One valid cycle of two is too few, an error is none."""
    cycles = [cycle("dips", "0"), cycle("dips", "0"), cycle("dips", "1"), cycle("dips", "1", Verdict.ERROR)]
    assert played_words(coverage_of([DIPS, LOSS], cycles)) == (
        "1 of the 3 combinations of start state, instant and cut that are asked for were played, in 3 valid cycles; "
        "not yet, or with too few valid cycles: fan on: off 3 s (1 of 2); burner on: off 3 s (0 of 2)."
    )
    cycles += [cycle("dips", "1"), cycle("loss", "0"), cycle("loss", "0")]
    assert played_words(coverage_of([DIPS, LOSS], cycles)) == (
        "All 3 combinations of start state, instant and cut that are asked for were played: 6 valid cycles."
    )


def test_other_ways_to_the_same_words_are_other_start_states() -> None:
    """A fan that somebody started and one that runs by itself: told apart by the scenario's name."""
    by_itself = scenario("by-itself", FAN[1:], Case("", 3 * S))
    found = coverage_of([DIPS, by_itself, scenario("alike", FAN, Case("", 3 * S))])
    assert [one.state for one in found.starts] == ["fan on", "fan on (by-itself)"]


def test_a_search_is_played_whole_once_it_is_over() -> None:
    """It asks for 40 cycles at most, and may need fewer; here it is still open."""
    searching = replace(LOSS, cases=(Case("", 200 * MS),), search=Search(5 * MS, 200 * MS, MS, 40), repeat=40)
    (played,) = coverage_of([searching], [cycle("loss", "")]).played.values()
    assert (played.valid, played.asked, played.is_whole) == (1, 40, False)


def test_console_and_machines_get_the_map() -> None:
    """Start states down, cuts across, valid cycles of those asked for, with what that and a dash mean; a single case
    has no map."""
    cycles = [cycle("dips", "0"), cycle("loss", "0", Verdict.FAIL)]
    run = replace(one_run(*cycles, verdict=Verdict.FAIL), tested=(DIPS, LOSS))
    out = io.StringIO()
    print_outcome(RunOutcome(1, Verdict.FAIL, (run,)), Console(file=out, width=100))
    lines = [" ".join(line.split()) for line in out.getvalue().splitlines()]
    head = lines.index("What was played")
    assert lines[head + 1] == "cut from off 20 ms off 3 s"
    assert lines[head + 3 : head + 5] == ["fan on 1 of 2 0 of 2", "burner on - 1 of 2"]
    assert lines[head + 5] == "- of each place: valid cycles of those asked for; - is in no scenario"
    assert lines[head + 6] == "- a start is told by what its steps wait for; of other outputs it says nothing"
    (told,) = document(RunOutcome(1, Verdict.FAIL, (run,)))["runs"]
    assert told["coverage"]["starts"][1] == {"state": "burner on", "at_ns": [0, 0]}
    assert told["coverage"]["combinations"] == [
        {"start": 0, "cut": 0, "asked": 2, "valid": 1, "verdicts": {"pass": 1}},
        {"start": 0, "cut": 1, "asked": 2, "valid": 0, "verdicts": {}},
        {"start": 1, "cut": 0, "asked": 0, "valid": 0, "verdicts": {}},
        {"start": 1, "cut": 1, "asked": 2, "valid": 1, "verdicts": {"fail": 1}},
    ]
    assert not coverage_of([LOSS]).is_map
