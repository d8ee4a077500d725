"""From a run to the values of its record: what is counted, what is chosen, what is said to be untested."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.writer import RunArchive
from restart_bench.judging.campaign.measured_times import measured_times
from restart_bench.judging.summary import finding_rows
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import (
    CycleJudged,
    CycleRecords,
    CycleStarted,
    Finding,
    Mark,
    ScenarioJudged,
    StepDone,
    Trouble,
)
from restart_bench.model.scenario import Demonstration
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record.data import DrawnMark
from restart_bench.report.record.diagrams import CHECKING, checking, chosen_cycles
from restart_bench.report.record.facts import moment, plain_text
from restart_bench.report.record.gathering import demonstrations, gather
from restart_bench.report.record.pieces import drawn_lanes
from restart_bench.report.record.untested import not_tested
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

MS = 1_000_000
S = 1_000_000_000
DRYER = Path(__file__).resolve().parents[2] / "scenarios" / "grain-dryer"


@pytest.fixture(scope="module")
def suite() -> Suite:
    """The grain dryer with the scenario of its burner."""
    return load_suites([DRYER / "burner-stays-shut.yaml"], cards=cards())[0]


def _cycle(number: int, verdict: Verdict = Verdict.PASS, marks: dict[str, Bounds] | None = None) -> CycleJudged:
    finding = Finding("burner-stays-shut", "", number, "burner", "is off", verdict, f"reason {verdict}")
    told = tuple(Mark(name, bounds) for name, bounds in (marks or {"cut": Bounds(0, 2)}).items())
    return CycleJudged(number, "burner-stays-shut", "", verdict, f"reason {verdict}", told, (finding,))


# ---------------------------------------------------------------- findings


def test_an_expectation_has_one_row_with_its_worst_verdict(suite: Suite) -> None:
    """One deviation is not averaged away: nineteen passes and a fail are a fail, with the cycle it came in."""
    cycles = [_cycle(number, Verdict.FAIL if number == 7 else Verdict.PASS) for number in range(1, 21)]
    (row,) = finding_rows(suite.rig, cycles, ())
    assert (row.verdict, row.counted) == (Verdict.FAIL, {"pass": 19, "fail": 1})
    assert [(said.reason, said.cycles) for said in row.said] == [("reason fail", (7,))]
    assert row.point == "Y1 burner valve"


def test_a_fail_is_shown_before_an_error(suite: Suite) -> None:
    """A proven deviation stands although another cycle was no test."""
    (row,) = finding_rows(suite.rig, [_cycle(1, Verdict.ERROR), _cycle(2, Verdict.FAIL)], ())
    assert row.verdict is Verdict.FAIL


def test_findings_of_the_whole_run_are_told_too(suite: Suite) -> None:
    """A channel that may be dead is found at the run's end, in no cycle."""
    late = Finding("burner-stays-shut", "", 0, "burner", "is off", Verdict.ERROR, "the channel may be dead")
    judged = ScenarioJudged("burner-stays-shut", Verdict.ERROR, "", 1, late_findings=(late,))
    (row,) = finding_rows(suite.rig, [_cycle(1)], [judged])
    assert row.verdict is Verdict.ERROR and row.said[0].cycles == (0,)


def test_too_many_reasons_are_counted(suite: Suite) -> None:
    """The page shows some and says how many more there are."""
    cycles = [
        dataclasses.replace(
            one, findings=(dataclasses.replace(one.findings[0], reason=f"on for {one.cycle} ms", verdict=Verdict.FAIL),)
        )
        for one in map(_cycle, range(1, 31))
    ]
    (row,) = finding_rows(suite.rig, cycles, ())
    assert len(row.said) + row.unsaid == 30 and row.unsaid > 0


def test_cycles_that_restarted_and_cycles_that_rode_through_are_not_said_to_be_alike(suite: Suite) -> None:
    """Each outcome tells its own cycle and counts its own; where all came out alike there is one row."""
    told = [(1, False, "ready 0..172 ms"), (2, True, "ready 0.66..1.0 s"), (3, False, "ready 0..9 ms")]
    cycles = []
    for number, restarted, reason in told:
        finding = dataclasses.replace(_cycle(number).findings[0], reason=reason, figures={"restarted": restarted})
        cycles.append(dataclasses.replace(_cycle(number), findings=(finding,)))
    rows = [
        (row.outcome, row.said[0].reason, row.counted["pass"], row.unsaid)
        for row in finding_rows(suite.rig, cycles, ())
    ]
    assert rows == [("rode through", "ready 0..172 ms", 2, 1), ("restarted", "ready 0.66..1.0 s", 1, 0)]
    (row,) = finding_rows(suite.rig, cycles[::2], ())
    assert row.outcome == ""


# ---------------------------------------------------------------- times


def test_a_time_is_counted_between_the_bounds_of_both_marks(suite: Suite) -> None:
    """From A in (a1, a2] to B in (b1, b2]: between b1 - a2 and b2 - a1 (interval arithmetic)."""
    marks = {"cut": Bounds(0, 2), "restored": Bounds(100, 103), "ready": Bounds(200, 210)}
    rows = {row.what: row for row in measured_times(suite.rig, suite.scenarios[0], [_cycle(1, marks=marks)])}
    assert (rows["restored"].since, rows["restored"].median.sample) == ("cut", (98, 103))
    assert (rows["ready"].since, rows["ready"].median.sample) == ("restored", (97, 110))


# ---------------------------------------------------------------- demonstrations


def _demonstrating(suite: Suite, allowed: int = 0) -> Suite:
    asked = Demonstration(reliability=0.95, confidence=0.95, inconclusive_at_most=allowed)
    scenario = dataclasses.replace(suite.scenarios[0], demonstrate=asked)
    return dataclasses.replace(suite, scenarios=(scenario,))


def test_59_cycles_without_failure_show_95_percent_at_95_percent(suite: Suite) -> None:
    """Success run: 59 needed (computed with scipy 1.17.1); exact upper limit 0.049508 of failures."""
    (row,) = demonstrations(_demonstrating(suite), [_cycle(n) for n in range(59)])
    assert (row.needed, row.cycles, row.failures, row.reached) == (59, 59, 0, True)
    assert row.lower == pytest.approx(1 - 0.049508, abs=1e-6)
    (short,) = demonstrations(_demonstrating(suite), [_cycle(n) for n in range(58)])
    assert short.reached is False


def test_inconclusive_cycles_count_as_failures_and_errors_not_at_all(suite: Suite) -> None:
    """One inconclusive cycle in 93 still shows 95 % at 95 % (exact binomial, scipy 1.17.1)."""
    cycles = [_cycle(n, Verdict.INCONCLUSIVE if n == 4 else Verdict.PASS) for n in range(93)]
    (row,) = demonstrations(_demonstrating(suite, allowed=1), [*cycles, _cycle(99, Verdict.ERROR)])
    assert (row.needed, row.cycles, row.failures, row.reached) == (93, 93, 1, True)


def test_without_an_order_nothing_is_claimed_to_be_reached(suite: Suite) -> None:
    """Still shown at 95 %: ten cycles without a failure exclude 0.258866 (Clopper-Pearson, scipy 1.17.1)."""
    (row,) = demonstrations(suite, [_cycle(n) for n in range(10)])
    assert (row.asked, row.reached) == (None, None)
    assert row.lower == pytest.approx(1 - 0.258866, abs=1e-6)


# ---------------------------------------------------------------- what was not tested


def test_outputs_that_nobody_asked_about_are_named(suite: Suite) -> None:
    """The burner was judged; auger, fan, alarm and feeder were not, and neither were other losses."""
    told = " ".join(not_tested(suite, [_cycle(1)]))
    for label in ("M1 auger", "M2 fan", "H1 alarm lamp", "M3 feeder"):
        assert label in told
    assert "Y1 burner valve" not in told
    assert "Off times other than 2 s" in told and "run mode" in told


def test_cycles_that_were_not_done_are_named(suite: Suite) -> None:
    """A scenario without a cycle is not tested, whatever its file says."""
    assert list(not_tested(suite, [])) == ["burner-stays-shut: no valid cycle of it was done."]


def test_cycles_that_were_no_test_count_as_not_done(suite: Suite) -> None:
    """An error says nothing about the controller, and a rehearsal cuts nothing."""
    error, rehearsed = _cycle(1, Verdict.ERROR), dataclasses.replace(_cycle(2), marks=())
    assert list(not_tested(suite, [error, rehearsed])) == ["burner-stays-shut: no valid cycle of it was done."]
    assert list(demonstrations(suite, [error, rehearsed, rehearsed])) == []


def test_an_output_without_a_terminal_is_only_the_controllers_word(suite: Suite) -> None:
    """What it does while the controller is dark was seen by nobody."""
    points = dict(suite.rig.points)
    points["burner"] = dataclasses.replace(points["burner"], terminal=None)
    bare = dataclasses.replace(suite, rig=dataclasses.replace(suite.rig, points=points))
    told = " ".join(not_tested(bare, [_cycle(1)]))
    assert "Y1 burner valve while the controller is dark" in told


# ---------------------------------------------------------------- diagrams


def test_the_function_check_is_marked_off_in_the_diagram() -> None:
    """What comes on there was commanded: the span from its first step to the end of the cycle bears its name."""
    phases = (("before", S), (CHECKING, 7 * S), (CHECKING, 8 * S))
    steps = tuple(StepDone(1, phase, 0, "press", True, at, at + 1) for phase, at in phases)
    records = CycleRecords(CycleStarted(1, "burner-stays-shut", "", 1, 1, 3 * S, 0, 0), steps[:1])
    assert list(checking(records, 3 * S, 9 * S)) == []
    checked = dataclasses.replace(records, steps=steps)
    assert list(checking(checked, 3 * S, 9 * S)) == [DrawnMark(CHECKING, 4 * S, 6 * S)]


def test_all_that_did_not_pass_is_drawn_before_what_passed() -> None:
    """A capped diagram keeps what a reader looks for, and the order of the cycles."""
    cycles = [_cycle(n, Verdict.FAIL if n in (500, 777) else Verdict.PASS) for n in range(1, 1001)]
    chosen = chosen_cycles(cycles, 200)
    assert len(chosen) == 200
    assert {500, 777} <= {cycle.cycle for cycle in chosen}
    assert [cycle.cycle for cycle in chosen] == sorted({cycle.cycle for cycle in chosen})
    assert chosen_cycles(cycles[:5], 200) == cycles[:5]


def test_the_lanes_of_a_scenario_pair_outputs_with_their_terminals(suite: Suite) -> None:
    """Supply first, then its proof, every output above its terminal, commands last; no register that always moves."""
    lanes = drawn_lanes(suite.rig, suite.scenarios[0], frozenset({"heartbeat", "uptime"}))
    roles = [lane.role for lane in lanes]
    assert roles[:2] == ["supply", "proof"] and roles[-1] == "command"
    for lane, after in pairwise(lanes):
        if lane.role == "output":
            assert (after.role, after.pair, after.label) == ("terminal", lane.pair, lane.label)
    assert len({lane.point for lane in lanes}) == len(lanes)
    assert {"heartbeat", "uptime"} & {lane.point for lane in lanes} == set()


def test_what_proves_that_run_mode_was_left_is_its_proof_not_the_rail(suite: Suite) -> None:
    """Where run mode is what is taken, the lane below it is the one that shows it."""
    lanes = {lane.point: lane.role for lane in drawn_lanes(suite.rig, replace(suite.scenarios[0], how="mode"))}
    assert (lanes["running"], lanes["rail"]) == ("proof", "other")


def test_an_address_is_shown_with_its_item_number(suite: Suite) -> None:
    """PDU addresses count from 0, item numbers from 1 (Modbus Application Protocol V1.1b3, 4.4)."""
    lanes = {lane.point: lane.place for lane in drawn_lanes(suite.rig, suite.scenarios[0])}
    assert lanes["burner"] == "coil 2 = item 3"


# ---------------------------------------------------------------- facts


def test_free_data_of_the_rig_file_reads_as_text() -> None:
    """Lists by semicolons, mappings by their keys."""
    assert plain_text({"a": [1, "two"], "b": None}) == "a: 1; two, b: "
    assert plain_text([{"name": "meter", "due": "2027"}, True]) == "name: meter, due: 2027; yes"


def test_a_moment_reads_without_fractions_and_says_its_zone() -> None:
    """Wall clock only labels."""
    assert moment("2026-07-27T14:22:33.123456+00:00") == "2026-07-27 14:22:33 UTC"
    assert moment("whenever") == "whenever"


def test_troubles_that_differ_in_times_alone_are_one_row_with_their_number(tmp_path: Path, suite: Suite) -> None:
    """Fifteen errors of one cable are one line of the record; another point's is another line."""
    archive = RunArchive.create(tmp_path, run_id="20260727T142233Z-4f2a", suite=suite, before={})
    for n in range(1, 16):
        archive.write(Trouble(n, "relay", f"no answer within {n} ms", 0))
    archive.write(Trouble(3, "relay", "motor 2 MAY STILL BE OUT OF IDLE", 0))
    archive.close({})
    rows = gather(ArchivedRun.open(archive.folder)).troubles
    assert [(row.cycle, row.text, row.times) for row in rows] == [
        (1, "no answer within 1 ms", 15),
        (3, "motor 2 MAY STILL BE OUT OF IDLE", 1),
    ]
