"""The search for what is ridden through, from judged cycles alone: zones, what comes next, what is said of it."""

from __future__ import annotations

import io
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest
from rich.console import Console

from evidence import OFF, Story, dryer, expects, scenario
from live_values import judged_cycle, one_run
from restart_bench.campaigns.search import Stop
from restart_bench.judging.campaign.ride_through import (
    SearchFound,
    Zone,
    found_text,
    is_left_out,
    search_found,
    search_limits,
    strip,
    zone_of,
)
from restart_bench.judging.cycle import judge_cycle
from restart_bench.judging.scenario import judge_scenario
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import CONTRADICTORY, LEFT_OUT, CycleJudged, Finding, FindingKind, OutputSeen
from restart_bench.model.outcome import RunOutcome
from restart_bench.model.rig import Proof, Wanted
from restart_bench.model.scenario import Case, Expectation, ExpectationKind, Scenario, Search
from restart_bench.model.verdicts import Verdict, exit_of
from restart_bench.report.console import print_outcome
from restart_bench.report.documents import document
from restart_bench.report.record.rendering import template
from restart_bench.report.record.search_picture import picture_of

MS = 1_000_000
NAME = "burner-stays-shut"
AS_BEFORE = Expectation(
    "after", "batch_count", "batch_count", ExpectationKind.IS, Wanted(as_before=True), text="is as before"
)
SEARCHING = Scenario(
    NAME,
    "supply",
    (Case("", 200 * MS),),
    after=(AS_BEFORE,),
    restart="either",
    repeat=40,
    search=Search(10 * MS, 200 * MS, 4 * MS, 40),
)


def cycle(
    number: int,
    asked_ns: int,
    restarted: bool | None,
    kept: Verdict | None = Verdict.PASS,
    *,
    late_ns: int = 0,
    verdict: Verdict = Verdict.PASS,
    dropped: bool = False,
) -> CycleJudged:
    """A judged cycle whose true off time is `late_ns` longer than asked, and known to 2 ms either way."""
    restart = Finding(
        NAME, "", number, "", "restart: either", verdict, "", {"restarted": restarted}, FindingKind.RESTART
    )
    told = [restart]
    if kept is not None:
        told.append(Finding(NAME, "", number, "batch_count", "is as before", kept, "", subject="batch_count"))
    true = asked_ns + late_ns
    figures = {"off_for_ns": asked_ns, "off_time_ns": [true - 2 * MS, true + 2 * MS]}
    fan = OutputSeen("fan", "fan_terminal", before=True, at_loss=not dropped, at_return=True)
    return replace(judged_cycle(number, *told, verdict=verdict), figures=figures, outputs=(fan,))


def search(
    what: Callable[[int], tuple[bool | None, Verdict | None]], late_ns: int = 0
) -> tuple[list[CycleJudged], SearchFound]:
    """All cycles of a search on a controller that does `what` at a true off time, and where it ended."""
    done: list[CycleJudged] = []
    while (found := search_found(SEARCHING, done)) is not None and found.next_ns is not None:
        done.append(cycle(len(done) + 1, found.next_ns, *what(found.next_ns + late_ns), late_ns=late_ns))
        assert len(done) <= 40
    assert found is not None
    return done, found


def sharp(true_ns: int) -> tuple[bool, Verdict]:
    """Restarts from 60 ms on, memory kept."""
    return true_ns >= 60 * MS, Verdict.PASS


@pytest.mark.parametrize(
    ("told", "zone"),
    [
        (cycle(1, 20 * MS, False), Zone.RIDES),
        (cycle(1, 20 * MS, False, Verdict.FAIL), Zone.PARTIAL),
        (cycle(1, 20 * MS, False, dropped=True), Zone.PARTIAL),
        (cycle(1, 20 * MS, True), Zone.WARM),
        (cycle(1, 20 * MS, True, Verdict.FAIL), Zone.COLD),
        (cycle(1, 20 * MS, True, None), Zone.RESTARTS),
        (cycle(1, 20 * MS, None), None),
        (cycle(1, 20 * MS, True, verdict=Verdict.ERROR), None),
    ],
)
def test_a_zone_is_what_the_evidence_shows_and_nothing_where_it_shows_nothing(told: CycleJudged, zone: Zone) -> None:
    """Restart and memory by the findings, an output that dropped by its terminal; errors and doubt are no trial."""
    assert zone_of(SEARCHING, told) is zone


def test_a_link_that_was_lost_beside_an_uptime_that_went_on_is_a_partial_reset() -> None:
    """Proofs that contradict one another tell that something restarted and something did not."""
    told = cycle(1, 20 * MS, None)
    both = replace(told.findings[0], figures={"restarted": None, CONTRADICTORY: True})
    assert zone_of(SEARCHING, replace(told, findings=(both, *told.findings[1:]))) is Zone.PARTIAL


def test_a_link_that_the_judge_saw_lost_beside_a_counter_that_went_on_is_no_restart_but_a_partial_reset() -> None:
    """Through the judge itself: its restart finding carries the contradiction, and nothing else does."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "batch_count"), Proof("contact lost")))
    assert zone_of(SEARCHING, Story(rig=rig, scenario=replace(scenario(), restart="either")).judge()) is Zone.PARTIAL


@pytest.mark.parametrize("rode", [True, False])
def test_a_search_demands_of_a_cycle_that_rode_through_only_what_speaks_of_before_the_cut(rode: bool) -> None:
    """The fan that stays on through a dip is no fail of `fan: off`, which speaks of restarts; `as before` is asked."""
    off = expects("fan", "is", Wanted(equals=False), text="is off")
    kept = expects("burner", "is", Wanted(as_before=True), text="is as before")
    for searching in (SEARCHING.search, None):
        told = Story(scenario=replace(scenario(off, kept), restart="either", search=searching))
        judged = (told.never_dark() if rode else told).judge()
        assert judged.restarted is not rode
        asked = {one.point for one in judged.findings if one.kind is FindingKind.EXPECTATION}
        assert asked == ({"burner"} if rode and searching else {"fan", "burner"})


def test_a_sharp_end_is_found_in_true_off_times_with_few_cycles() -> None:
    """The relay opens 9 ms late, every time: what is asked is moved by that, and the answer speaks of true times."""
    done, found = search(sharp, late_ns=-9 * MS)
    assert found.over is Stop.FOUND and found.answered and len(done) <= 20
    assert found.rides_through_ns is not None and found.restarts_ns is not None
    assert found.rides_through_ns[0] < 60 * MS <= found.restarts_ns[1]
    assert found.restarts_ns[1] - found.rides_through_ns[0] <= 8 * MS
    assert [zone.zone for zone in found.zones] == [Zone.RIDES, Zone.WARM]
    assert len({one.asked_ns for one in found.tried}) > 6


def test_what_comes_next_follows_from_the_archived_cycles_whatever_their_order() -> None:
    """Resumed after any cycle, the search asks for the very off time that came next."""
    done, _ = search(sharp)
    for count in range(len(done)):
        some = done[:count]
        random.Random(count).shuffle(some)
        again = search_found(SEARCHING, some)
        assert again is not None and again.next_ns == done[count].figures["off_for_ns"]


def test_where_a_part_is_reset_before_all_of_it_both_ends_are_searched() -> None:
    """Memory is lost from 50 ms on, the controller restarts from 120 ms on: both brackets are narrow."""
    _, found = search(
        lambda true: (true >= 120 * MS, Verdict.PASS if true < 50 * MS or true >= 120 * MS else Verdict.FAIL)
    )
    partial = next(one for one in found.zones if one.zone is Zone.PARTIAL)
    assert found.rides_through_ns is not None and found.restarts_ns is not None
    assert partial.shortest_ns[1] - found.rides_through_ns[0] <= 10 * MS
    assert found.restarts_ns[1] - partial.longest_ns[0] <= 10 * MS
    assert "shortest with a partial reset" in found_text(found)


def test_a_controller_that_is_reset_in_part_and_never_restarts_is_not_said_to_ride_through_all_of_it() -> None:
    """The end of riding through was found; that there was no restart is no want of it."""
    _, found = search(lambda true: (False, Verdict.PASS if true < 50 * MS else Verdict.FAIL))
    assert found.answered and found.restarts_ns is None
    assert found_text(found).startswith("longest cut ridden through") and "restarted" not in found_text(found)


@pytest.mark.parametrize(
    ("restarted", "over", "words"),
    [
        (False, Stop.ALL_RIDDEN, "every cut was ridden through, the longest (200 ms) 6 times: search longer"),
        (True, Stop.NONE_RIDDEN, "no cut was ridden through, not even the shortest (10 ms)"),
        (None, Stop.FRUITLESS, "the last 4 cycles show neither a restart nor that it rode through"),
    ],
)
def test_a_search_that_finds_no_end_is_inconclusive_and_says_why(
    restarted: bool | None, over: Stop, words: str
) -> None:
    """It ends soon, and nobody takes it for an answer."""
    done, found = search(lambda _: (restarted, Verdict.PASS))
    judged = judge_scenario(one_run(verdict=Verdict.PASS).rig, SEARCHING, done, 40)
    assert found.over is over and len(done) <= 7
    assert judged.verdict is Verdict.INCONCLUSIVE and words in judged.reason


def test_a_search_with_an_answer_passes_though_it_took_fewer_cycles_than_it_might() -> None:
    """Fewer cycles than the most are no want; broken off, it is inconclusive and says which cut comes next."""
    done, found = search(sharp)
    rig = one_run(verdict=Verdict.PASS).rig
    judged = judge_scenario(rig, SEARCHING, done, 40)
    assert judged.verdict is Verdict.PASS and judged.reason.startswith(found_text(found))
    assert any("95 % sure: between" in limit for limit in judged.limits)
    broken_off = judge_scenario(rig, SEARCHING, done[:5], 40)
    assert broken_off.verdict is Verdict.INCONCLUSIVE and "would come next" in broken_off.reason


@pytest.mark.parametrize(
    ("vague", "says"), [(False, "10 more cuts, 5 like each end"), (True, "more cuts would not help")]
)
def test_an_interval_of_all_that_was_tried_is_told_as_no_knowledge_with_what_would_help(vague: bool, says: str) -> None:
    """Six alike in a row show an end: five more like each do that; where a restart is known so badly that it may have
    been shorter than a cut that was ridden through, none do."""
    width = 20 if vague else 1
    bounds = [(off * MS, (off + width) * MS) for off in (20, 25, 30, 35, 40, 41, 45, 75, 80, 85, 90, 95, 100)]
    if vague:
        bounds[-1] = (43 * MS, 101 * MS)
    told = [cycle(number, low, high > 70 * MS) for number, (low, high) in enumerate(bounds, start=1)]
    told = [replace(one, figures={"off_time_ns": list(off)}) for one, off in zip(told, bounds, strict=True)]
    told = told[1:] if not vague else told
    found = search_found(SEARCHING, told)
    assert found is not None
    (sentence,) = [one for one in search_limits(found) if "half of the cuts" in one]
    assert "whole span that was tried" in sentence and says in sentence, sentence


def test_machines_get_the_answer_in_true_off_times() -> None:
    """`rides_through_ns`, `restarts_ns` and zones, in nanoseconds; the strip and the picture hold every cut."""
    done, found = search(sharp)
    run = replace(one_run(*done, verdict=Verdict.PASS), tested=(SEARCHING,))
    told = document(RunOutcome(0, Verdict.PASS, (run,)))["runs"][0]["scenarios"][0]["search"]
    assert tuple(told["rides_through_ns"]) == found.rides_through_ns and tuple(told["restarts_ns"]) == found.restarts_ns
    assert [(one["zone"], one["cycles"]) for one in told["zones"]] == [(one.zone, one.cycles) for one in found.zones]
    assert sum(one["cycles"] for one in told["zones"]) == len(done) == len(told["tried"])
    drawn, ends = strip(found, 60)
    assert (
        drawn.strip(".").startswith("o") and drawn.strip(".").endswith("x") and ends.split() == ["8", "ms", "202", "ms"]
    )
    picture = picture_of(found)
    assert picture is not None and picture.shaded is not None and len(picture.cuts) == len(done)
    for one in picture.cuts:
        assert picture.left <= one.low <= one.middle <= one.high <= picture.right
        assert (one.middle <= picture.shaded[1]) or one.kind != "zone-rides-through"
    drawing = template("search.svg").render(picture=picture, number=1)
    assert f">{picture.shaded_words}</text>" in drawing and drawing.count('class="cut"') == len(done)


def test_a_resumed_search_tells_the_answer_of_all_its_cycles_not_only_of_those_that_its_last_run_did() -> None:
    """Console and `--json` of a search that was killed after three cycles speak as if it had never been."""
    done, found = search(sharp)
    judged = judge_scenario(one_run(verdict=Verdict.PASS).rig, SEARCHING, done, 40)
    whole = replace(one_run(*done, verdict=Verdict.PASS), tested=(SEARCHING,), scenarios=(judged,))
    resumed = replace(whole, cycles=whole.cycles[3:], earlier=whole.cycles[:3])
    both = [RunOutcome(0, Verdict.PASS, (run,)) for run in (whole, resumed)]
    assert document(both[0]) == document(both[1])
    pages = []
    for outcome in both:
        console = Console(file=io.StringIO(), width=140)
        print_outcome(outcome, console)
        pages.append(console.file.getvalue())  # type: ignore[attr-defined]
    assert pages[0] == pages[1] and found_text(found) in " ".join(pages[1].split())


def test_a_cut_that_is_not_proven_is_asked_for_again_and_the_answer_is_told_beside_the_error() -> None:
    """It says nothing of the controller, so the search goes on; but power is not cycled again to make a test pass: the
    scenario stays an error, and its reason says both."""
    done: list[CycleJudged] = []
    void = (3, 8)
    while (found := search_found(SEARCHING, done)) is not None and found.next_ns is not None:
        number = len(done) + 1
        verdict = Verdict.ERROR if number in void else Verdict.PASS
        if number - 1 in void:
            assert found.next_ns == done[-1].figures["off_for_ns"]
        done.append(cycle(number, found.next_ns, *sharp(found.next_ns), verdict=verdict))
    assert found is not None and found.answered and len(found.tried) == len(done) - len(void)
    judged = judge_scenario(one_run(verdict=Verdict.PASS).rig, SEARCHING, done, 40)
    assert judged.verdict is Verdict.ERROR and exit_of(judged.verdict) == 4
    also = f"{found_text(found)}; beside that 2 of {len(done)} cycles not valid"
    assert judged.reason.startswith(also) and judged.in_short == also and judged.with_an_example.startswith(also)
    assert any(f"2 of {len(done)} cycles show nothing of it" in limit for limit in judged.limits)


def test_cuts_that_are_left_out_are_made_anew_told_and_make_no_error_of_a_search_that_is_answered() -> None:
    """Another cut takes the place of each; the number of them stands beside the answer. Of a search that found nothing
    they are the reason: it stays an error."""
    done: list[CycleJudged] = []
    late = Finding(NAME, "", 0, "", "valid: left out", Verdict.ERROR, "late", {}, FindingKind.VALIDITY, LEFT_OUT)
    while (found := search_found(SEARCHING, done)) is not None and found.next_ns is not None:
        number, done_ns = len(done) + 1, found.next_ns
        told = cycle(number, done_ns, *sharp(done_ns), verdict=Verdict.ERROR if number in (1, 7) else Verdict.PASS)
        done.append(replace(told, findings=(*told.findings, late)) if number in (1, 7) else told)
    assert found is not None and found.answered and found.late == 2 == len(done) - len(found.tried)
    rig = one_run(verdict=Verdict.PASS).rig
    judged = judge_scenario(rig, SEARCHING, done, 40)
    assert judged.verdict is Verdict.PASS and judged.reason.endswith("2 left out since relay or computer were late")
    assert any(one.startswith(f"2 of {len(done)} cycles left out") for one in judged.limits)
    assert judge_scenario(rig, SEARCHING, done[:7], 40).verdict is Verdict.ERROR


def test_a_cut_whose_off_time_is_hardly_known_is_left_out_and_the_search_finds_what_it_finds_without_it() -> None:
    """A computer that was late in every fifth cycle: what those say is true, and would blur the bracket."""
    done: list[CycleJudged] = []
    while (found := search_found(SEARCHING, done)) is not None and found.next_ns is not None:
        told = cycle(len(done) + 1, found.next_ns, *sharp(found.next_ns))
        vague = {**told.figures, "off_time_ns": [found.next_ns - 30 * MS, found.next_ns + 40 * MS]}
        done.append(replace(told, figures=vague) if len(done) % 5 == 0 else told)
    assert found is not None and found.answered and found.over is Stop.FOUND and len(found.left_out) >= 3
    assert found.rides_through_ns is not None and found.restarts_ns is not None
    assert found.rides_through_ns[0] < 60 * MS <= found.restarts_ns[1] < found.rides_through_ns[0] + 10 * MS
    assert any("known to 70 ms only" in limit for limit in search_limits(found))


def vague(number: int, off: tuple[int, int], restarted: bool, kept: Verdict = Verdict.PASS) -> CycleJudged:
    """A valid cut of which hardly more is known than that it was off."""
    told = cycle(number, sum(off) // 2, restarted, kept)
    return replace(told, figures={**told.figures, "off_time_ns": list(off)})


@pytest.mark.parametrize(
    ("what", "left_out", "says"),
    [
        (sharp, ((20 * MS, 45 * MS), True), "20.0 .. 45.0 ms (warm restart, cycle 99)"),
        (sharp, ((90 * MS, 120 * MS), False), "90.0 .. 120.0 ms (rides through, cycle 99)"),
        (lambda _: (False, Verdict.PASS), ((100 * MS, 205 * MS), True), "100.0 .. 205.0 ms (warm restart, cycle 99)"),
        (lambda _: (False, Verdict.PASS), ((100 * MS, 180 * MS), False, Verdict.FAIL), "(partial reset, cycle 99)"),
        (lambda _: (True, Verdict.PASS), ((10 * MS, 80 * MS), False), "10.0 .. 80.0 ms (rides through, cycle 99)"),
    ],
)
def test_what_is_left_out_and_speaks_against_the_answer_is_told_and_keeps_it_from_passing(
    what: Callable[[int], tuple[bool | None, Verdict | None]], left_out: tuple[Any, ...], says: str
) -> None:
    """An off time that is hardly known can still be surely too short to restart, or not fit at all."""
    done, found = search(what)
    judged = judge_scenario(one_run(verdict=Verdict.PASS).rig, SEARCHING, [*done, vague(99, *left_out)], 40)
    assert judged.verdict is Verdict.INCONCLUSIVE and says in judged.reason and not found.against
    fits = vague(99, (30 * MS, 120 * MS), what(75 * MS)[0] is True)
    told = search_found(SEARCHING, [*done, fits])
    assert told is not None and not told.against and told.answered is found.answered


def test_where_outcomes_overlap_a_vague_cut_speaks_against_nothing() -> None:
    """A threshold says itself that some restart and others of the same length do not."""
    done = [cycle(number, (40 + number) * MS, (number % 3 == 0) is (number < 20)) for number in range(1, 41)]
    found = search_found(SEARCHING, [*done, vague(41, (42 * MS, 62 * MS), True)])
    assert found is not None and found.answer.threshold is not None and found.left_out and not found.against


def test_the_longest_cut_is_counted_though_less_was_asked_of_a_late_relay() -> None:
    """The relay is 3 ms late, so 197 ms are asked for to be off for the longest time that is searched."""
    _, found = search(lambda _: (False, Verdict.PASS), late_ns=3 * MS)
    assert found_text(found) == "every cut was ridden through, the longest (200 ms) 6 times: search longer"


def test_a_search_that_was_left_too_few_cycles_is_an_error_without_an_answer() -> None:
    """Where hardly a cut is proven, what remains of its cycles shows no end."""
    done = [cycle(number, 10 * MS, False, verdict=Verdict.ERROR) for number in range(1, 5)]
    found = search_found(SEARCHING, done)
    assert found is not None and found.over is Stop.FRUITLESS and not found.answered
    judged = judge_scenario(one_run(verdict=Verdict.PASS).rig, SEARCHING, done, 40)
    assert judged.verdict is Verdict.ERROR and judged.reason.startswith("4 of 4 cycles not valid")


# ---------------------------------------------------------------- off times that are not those asked


def asked(told: Story, asked_ns: int) -> CycleJudged:
    """The cycle judged as one of a search that asked for another off time than it became."""
    records = told.records()
    records = replace(records, started=replace(records.started, off_for_ns=asked_ns))
    return judge_cycle(told.rig, told.scenario, records, told.samples())


def dip(off_ns: int, search_up_to_ns: int = 200 * MS, **changes: Any) -> Story:
    """A cut of so much in a search from 10 ms on, that the controller rides through."""
    rig = dryer()
    assert rig.supply is not None
    supply = replace(rig.supply, limits=replace(rig.supply.limits, dips_up_to_ns=search_up_to_ns))
    searching = replace(scenario(), restart="either", search=Search(10 * MS, search_up_to_ns, 4 * MS, 40))
    told = Story(rig=replace(rig, supply=supply), scenario=searching, off_ns=off_ns, **changes).never_dark()
    for output in ("burner", "burner_terminal", "fan", "fan_terminal"):
        told.set(output, (0, 1))
    return told


@pytest.mark.parametrize("lasted_ms", [60, 100, 190, 300])
def test_a_cut_that_lasted_longer_than_asked_counts_in_a_search_at_its_true_off_time(lasted_ms: int) -> None:
    """Rule 8 speaks of what is demanded at an off time, and a search demands nothing at the one it asks for: commands
    and proof agree about 60 ms, so 60 ms it was. A scenario that asks for 20 ms gets an error of the same evidence."""
    told = dip(lasted_ms * MS)
    judged = asked(told, 20 * MS)
    found = search_found(told.scenario, [judged])
    assert judged.verdict is Verdict.PASS and not judged.ends_run and zone_of(told.scenario, judged) is Zone.RIDES
    assert found is not None and found.rides_through_ns is not None
    assert found.rides_through_ns[0] <= lasted_ms * MS <= found.rides_through_ns[1] < (lasted_ms + 6) * MS
    plain = replace(told, scenario=replace(told.scenario, search=None))
    assert asked(plain, 20 * MS).verdict is Verdict.ERROR


def test_a_supply_that_came_back_by_itself_is_an_error_in_a_search_too() -> None:
    """The rail read on again long before the command back: commands and proof contradict one another, and nobody knows
    who feeds the controller."""
    told = dip(100 * MS)
    told.set("rail", (0, 1), (told.cut_ns + MS, 0), (told.cut_ns + 30 * MS, 1))
    judged = asked(told, 100 * MS)
    assert judged.verdict is Verdict.ERROR and "came back by itself" in judged.reason and judged.ends_run
    assert not is_left_out(judged)


def test_a_relay_that_keeps_to_neither_command_nor_data_sheet_is_an_error_in_a_search_too() -> None:
    """The rail was off for 90 ms where the commands leave 20: whatever held it off may do so at any other cut."""
    told = dip(20 * MS)
    told.set("rail", (0, 1), (told.cut_ns + MS, 0), (told.cut_ns + 90 * MS, 1))
    judged = asked(told, 20 * MS)
    assert judged.verdict is Verdict.ERROR and not is_left_out(judged)


def test_a_relay_that_never_opened_is_an_error_in_a_search_too() -> None:
    """The rail was read on all through."""
    told = dip(100 * MS)
    told.set("rail", (0, 1))
    judged = asked(told, 100 * MS)
    assert judged.verdict is Verdict.ERROR and judged.ends_run and not is_left_out(judged)


@pytest.mark.parametrize("why", ["longer than is searched", "not read in the dark"])
def test_a_cut_that_a_search_can_not_use_is_left_out_and_does_not_end_the_run(why: str) -> None:
    """The computer was late: what became of a cut of half a second is not asked by a search up to 200 ms, and one that
    the rail's reads skipped may have been none. The cycle is no test, and says so."""
    told = dip(500 * MS) if why == "longer than is searched" else dip(30 * MS)
    if why == "not read in the dark":
        told.hide("independent", told.cut_ns - 5 * MS, told.back_ns + 5 * MS)
    judged = asked(told, 20 * MS)
    assert judged.verdict is Verdict.ERROR and not judged.ends_run and is_left_out(judged), judged.reason
    plain = replace(told, scenario=replace(told.scenario, search=None))
    assert asked(plain, 20 * MS).verdict is Verdict.ERROR and not is_left_out(asked(plain, 20 * MS))


# ---------------------------------------------------------------- made-up searches


@dataclass(frozen=True)
class Searched:
    """A made-up search on a controller that restarts from `end_ns` on: its cycles, and where it ended."""

    end_ns: float
    done: list[CycleJudged]
    found: SearchFound


def made_up(seed: int) -> Searched:
    """The relay is late by some milliseconds, now and then by far more; a true off time is known to 1 to 10 ms, now and
    then far worse; some cycles are no valid test, show nothing, or are left out; somewhere the run is killed, and what
    was done is read from its journal."""
    drawn = random.Random(seed)
    end_ns, usual_ns = drawn.uniform(15, 195) * MS, drawn.uniform(1, 10) * MS
    killed = drawn.randrange(1, 20)
    done: list[CycleJudged] = []
    while (found := search_found(SEARCHING, done)) is not None and found.next_ns is not None:
        late_ns = drawn.uniform(0, 8) * MS if drawn.random() > 0.15 else drawn.expovariate(1 / 60) * MS
        width_ns = usual_ns * drawn.uniform(0.7, 1.3) * (1 if drawn.random() > 0.15 else drawn.uniform(2, 30))
        true_ns, phase = found.next_ns + late_ns, drawn.random()
        bounds = [max(0, round(true_ns - phase * width_ns)), round(true_ns + (1 - phase) * width_ns)]
        trouble = drawn.random()
        told = cycle(
            len(done) + 1, found.next_ns, None if trouble < 0.05 else true_ns > end_ns,
            verdict=Verdict.ERROR if 0.05 < trouble < 0.1 else Verdict.PASS,
        )  # fmt: skip
        done.append(replace(told, figures={**told.figures, "off_time_ns": bounds}))
        if len(done) == killed:
            read = [from_line(to_line(one)) for one in done]
            done = [one for one in read if isinstance(one, CycleJudged)]
            drawn.shuffle(done)
    assert found is not None
    return Searched(end_ns, done, found)


def misses(told: Searched) -> Iterator[str]:
    """What a search says of its controller that is not so, or less than it should have found out."""
    found, (low, high) = told.found, (told.found.answer.low, told.found.answer.high)
    if found.rides_through_ns is not None and found.rides_through_ns[0] > told.end_ns:
        yield "a cut is said to be ridden through that was surely too long"
    if found.restarts_ns is not None and found.restarts_ns[1] < told.end_ns:
        yield "a cut is said to restart that was surely too short"
    if (low is not None and low > told.end_ns) or (high is not None and high < told.end_ns):
        yield "the 95 % interval does not hold the end of riding through, though it is sharp"
    if found.over is Stop.FOUND:
        assert found.rides_through_ns is not None and found.restarts_ns is not None
        widest = max(one.width_ns for one in found.tried)
        if found.restarts_ns[1] - found.rides_through_ns[0] > SEARCHING.search.resolution_ns + 2 * widest:  # type: ignore[union-attr]
            yield "the bracket is wider than asked, and than its bounds"


def test_what_a_search_says_holds_the_truth_whatever_became_of_its_cuts() -> None:
    """60 made-up searches with late relays, vague off times, cycles that are no test and a kill in the middle: bracket
    and interval hold the true end of riding through in each, and nearly each finds it."""
    searches = [made_up(seed) for seed in range(60)]
    assert [found for one in searches for found in misses(one)] == []
    assert sum(one.found.answered for one in searches) >= 54


@pytest.mark.slow
def test_what_3000_made_up_searches_say_holds_the_truth() -> None:
    """The same of many more."""
    searches = [made_up(seed) for seed in range(1_000, 4_000)]
    assert [(one.found.rides_through_ns, one.end_ns, found) for one in searches for found in misses(one)] == []
    assert sum(one.found.answered for one in searches) >= 2_700
