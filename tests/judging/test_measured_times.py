"""How long things took over many cycles: said so that it holds for every value within the bounds of each."""

from __future__ import annotations

import io
import statistics
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from live_values import dryer_rig, one_run
from restart_bench.judging.campaign.measured_times import (
    MeasuredTime,
    drift_text,
    limit_text,
    measured_times,
    time_text,
    tolerance_text,
)
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, Mark
from restart_bench.model.outcome import OneRun, RunOutcome
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import Case, Expectation, ExpectationKind, Gap, MarkLimit, Scenario, Window
from restart_bench.model.verdicts import Verdict
from restart_bench.report.console import print_outcome
from restart_bench.report.documents import document

MS, S = 1_000_000, 1_000_000_000
NAME = "burner-stays-shut"
ON = Wanted(equals=True)
FAN = Expectation("after", "fan", "fan", ExpectationKind.IS, ON, Window(0, 5 * S), text="is on within 5 s")
BURNER = Expectation("after", "burner", "burner", ExpectationKind.NEVER, ON, text="never on")
GAP = Gap("fan", "auger", "fan", "auger", at_least_ns=S, text="auger at least 1 s after fan")
READY = MarkLimit("ready", Window(0, 10 * S))
PLAIN = Scenario(NAME, "supply", (Case("", 3 * S),), after=(BURNER, FAN), times=(READY,), gaps=(GAP,))


def cycle(
    number: int,
    ready: tuple[int, int] | None = (S, S),
    *,
    restarted: bool | None = True,
    verdict: Verdict = Verdict.PASS,
    onset: tuple[int, int] | None = None,
    gap: tuple[int, int] | None = None,
) -> CycleJudged:
    """A judged cycle: the supply came back at one instant, the controller was ready between two."""
    marks = [Mark("cut", Bounds(0, 0)), Mark("restored", Bounds(3 * S, 3 * S))]
    marks += [Mark("ready", Bounds(3 * S + ready[0], 3 * S + ready[1]))] if ready else []

    def finding(kind: FindingKind, figures: dict[str, Any], word: Verdict = Verdict.PASS) -> Finding:
        return Finding(NAME, "", number, "", "", word, "", figures, kind)

    findings = [
        finding(FindingKind.RESTART, {"restarted": restarted}),
        finding(FindingKind.EXPECTATION, {"onset_ns": [7, 7]} if onset else {}),
        finding(FindingKind.EXPECTATION, {"onset_ns": list(onset)} if onset else {}),
        finding(FindingKind.GAP, {"gap_ns": list(gap)} if gap else {}),
    ]
    if verdict is Verdict.ERROR:
        findings.append(finding(FindingKind.VALIDITY, {}, Verdict.ERROR))
    return CycleJudged(number, NAME, "", verdict, "", tuple(marks), tuple(findings))


def measured(cycles: Sequence[CycleJudged], what: str = "ready", scenario: Scenario = PLAIN) -> dict[str, MeasuredTime]:
    """One time, by the group of cycles that it is of."""
    return {one.group: one for one in measured_times(dryer_rig(), scenario, cycles) if one.what == what}


# ---------------------------------------------------------------- what is told apart


def test_restarts_dips_and_unproven_cuts_are_told_apart() -> None:
    """A boot of 2 s, a dip ridden through in 5 ms, an unproven cut of 99 s: three things, of which two are told."""
    cycles = [
        cycle(1, (2 * S, 2 * S)), cycle(2, (5 * MS, 5 * MS), restarted=False),
        cycle(3, (99 * S, 99 * S), verdict=Verdict.ERROR), cycle(4, (S, S), restarted=None),
    ]  # fmt: skip
    told = {group: (one.cycles, one.largest) for group, one in measured(cycles).items()}
    assert told == {
        "restart": (1, (2 * S, 2 * S)),
        "rode through": (1, (5 * MS, 5 * MS)),
        "restart not shown": (1, (S, S)),
    }


def test_a_fail_beside_an_unproven_cut_tells_no_time() -> None:
    """A deviation before the problem stands as a fail; how long the restart took is not valid all the same."""
    failed = replace(cycle(1, verdict=Verdict.ERROR), verdict=Verdict.FAIL)
    assert measured([failed]) == {}


@pytest.mark.parametrize("how", ["supply", "mode"])
def test_a_change_of_mode_is_no_boot(how: Literal["supply", "mode"]) -> None:
    """Run mode that comes back is a group of its own, whatever the cycle says of a restart."""
    found = measured([cycle(1, restarted=None)], scenario=replace(PLAIN, how=how))
    assert list(found) == (["change of mode"] if how == "mode" else ["restart not shown"])


# ---------------------------------------------------------------- every value within the bounds

TIMES = st.lists(
    st.tuples(st.integers(0, 10**9), st.integers(0, 10**8), st.floats(0, 1)), min_size=1, max_size=130
)  # fmt: skip


@given(TIMES)
def test_what_is_said_holds_for_every_value_within_the_bounds(drawn: list[tuple[int, int, float]]) -> None:
    """Wherever in its bounds each true time lies, the sample's median, smallest and largest lie in theirs, and the
    tolerance bound leaves out no more of the true times than it says."""
    cycles = [cycle(number, (low, low + width)) for number, (low, width, _) in enumerate(drawn, start=1)]
    true = sorted(low + width * share for low, width, share in drawn)
    one = measured(cycles)["restart"]
    assert one.median.sample[0] <= statistics.median(true) <= one.median.sample[1]
    assert one.smallest[0] <= true[0] <= one.smallest[1]
    assert one.largest[0] <= true[-1] <= one.largest[1]
    if one.median.low is not None and one.median.high is not None:
        assert one.median.low <= statistics.median(true) <= one.median.high
    if one.tolerance is not None and one.tolerance.high is not None:
        assert sum(value > one.tolerance.high for value in true) <= one.tolerance.trimmed


def test_59_cycles_bound_what_95_percent_keep_and_58_say_how_many_are_missing() -> None:
    """Wilks (1941): 59 for one side of 95 % at 95 %; two sides take 93 (Odeh and Owen's tables give the same)."""
    enough, short = (measured([cycle(n, (n, n)) for n in range(number)])["restart"] for number in (59, 58))
    assert enough.tolerance is not None and (enough.tolerance.high, enough.more_needed) == (58, 0)
    assert short.tolerance is None and tolerance_text(short) == "known after 1 more"
    between = replace(PLAIN, times=(MarkLimit("ready", Window(S, 2 * S)),))
    assert measured([cycle(n) for n in range(92)], scenario=between)["restart"].more_needed == 1


# ---------------------------------------------------------------- what was not seen


def test_a_time_that_was_not_seen_may_be_of_any_length() -> None:
    """One of 59 that did not become ready in the watch forbids the bound; with the half of them the median is open."""
    cycles = [cycle(n, (S, S) if n else None) for n in range(59)]
    one = measured(cycles)["restart"]
    assert (one.seen, one.cycles) == (58, 59)
    assert tolerance_text(one) == "none: not always seen" and time_text(one.largest) == "1 s or later"
    half = measured([cycle(n, (S, S) if n % 2 else None) for n in range(4)])["restart"]
    assert half.median.sample[1] == float("inf")


def test_a_mark_that_was_proven_late_took_longer_than_its_limit() -> None:
    """Half of the cycles missed 6 s for sure, one of them the rig's 10 s too: the smallest is one that was seen, the
    median lies halfway to 6 s at least (arithmetic), and the largest counts from the longer limit."""
    strict = replace(PLAIN, times=(MarkLimit("ready", Window(0, 6 * S)),))
    missed = Finding(NAME, "", 0, "", "", Verdict.FAIL, "", {}, FindingKind.MARK, "ready")
    late = replace(cycle(3, None), findings=(*cycle(3).findings, missed))
    later = replace(cycle(4, None), findings=(*late.findings, replace(missed, kind=FindingKind.READY)))
    one = measured([cycle(1), cycle(2), late, later], scenario=strict)["restart"]
    assert (one.seen, one.cycles, one.smallest) == (2, 4, (S, S))
    assert (one.median.sample, one.largest) == ((3.5 * S, float("inf")), (10 * S, float("inf")))
    assert measured([late, later], scenario=strict) == {}, "it was seen in no cycle"
    undecided = replace(late, findings=(*cycle(3).findings, replace(missed, verdict=Verdict.INCONCLUSIVE)))
    assert measured([cycle(1), undecided], scenario=strict)["restart"].smallest == (0, S), "not proven: unknown"


def test_a_mark_that_need_not_show_is_told_of_where_it_was_seen() -> None:
    """That no connection was refused says nothing about when one would have been."""
    seen = replace(cycle(1), marks=(*cycle(1).marks, Mark("refused", Bounds(3 * S, 3 * S + 8))))
    one = measured([seen, cycle(2)], "refused")["restart"]
    assert (one.seen, one.cycles, one.largest) == (1, 1, (0, 8))


def test_nothing_that_follows_comes_before() -> None:
    """Ready 7 ms before or 30 ms after the return, as far as the reads tell, is 0 to 30 ms after it."""
    assert measured([cycle(1, (-7 * MS, 30 * MS), restarted=False)])["rode through"].largest == (0, 30 * MS)


# ---------------------------------------------------------------- limits


def test_each_limit_has_its_times() -> None:
    """Windows of expectations and gaps, each from its own demand; a lower limit is answered by a lower bound."""
    cycles = [cycle(n, onset=(n * MS, n * MS + 1), gap=(2 * S - n, 2 * S)) for n in range(59)]
    fan = measured(cycles, "fan is on within 5 s")["restart"]
    assert (limit_text(fan.limit), fan.largest, fan.since) == ("within 5 s", (58 * MS, 58 * MS + 1), "restored")
    gap = measured(cycles, "auger at least 1 s after fan")["restart"]
    assert gap.tolerance is not None and (gap.tolerance.low, gap.tolerance.high) == (2 * S - 58, None)
    assert (tolerance_text(gap), limit_text(gap.limit)) == ("from 1.99 s", "at least 1 s")
    assert limit_text(measured(cycles)["restart"].limit) == "within 10 s"


def test_the_rigs_own_limit_stands_for_ready_where_the_scenario_has_none() -> None:
    """`ready: within:` of the rig file."""
    rig = dryer_rig()
    found = measured_times(rig, replace(PLAIN, times=()), [cycle(1)])
    assert next(one.limit for one in found if one.what == "ready") == Window(0, rig.ready.within_ns)


# ---------------------------------------------------------------- drift


def test_a_drift_is_told_where_chance_does_not_explain_it() -> None:
    """20 boots, each 2 ms longer than the one before, within 100 us: 1.9 to 2.1 ms a cycle; equal ones: none."""
    longer = measured([cycle(n, (S + n * 2 * MS, S + n * 2 * MS + MS // 10)) for n in range(20)])["restart"]
    assert longer.drift is not None and 1.9 * MS <= longer.drift.low <= 2 * MS <= longer.drift.high <= 2.1 * MS
    assert drift_text(longer).endswith("longer a cycle")
    shorter = measured([cycle(n, (S - n * 2 * MS, S - n * 2 * MS)) for n in range(20)])["restart"]
    assert drift_text(shorter) == "2.00 ms shorter a cycle"
    assert drift_text(measured([cycle(n) for n in range(20)])["restart"]) == "none seen"


# ---------------------------------------------------------------- shown


def run_of(number: int) -> OneRun:
    """A run whose cycles become ready later and later."""
    cycles = [cycle(n, (S + n * MS, S + n * MS + MS)) for n in range(1, number + 1)]
    return replace(one_run(*cycles, verdict=Verdict.PASS), tested=(replace(PLAIN, after=(BURNER,), gaps=()),))


def test_the_console_tells_ready_and_limits_and_what_more_cycles_would_show() -> None:
    """Three cycles: median and largest; 56 more give the bound. One cycle has nothing to compare. Of 30 cycles, each
    1 ms later, half of the pairs lie 9 or more apart: slopes of 8/9 to 10/9 ms within bounds of 1 ms (arithmetic)."""
    told = _console(run_of(3))
    assert "ready 3 1.002 .. 1.003 s 1.003 .. 1.004 s - within 10 s" in told
    assert "56 more cycles of a case would show what 95 % of all such cycles keep (95 % confidence)" in told
    assert "95 % keep" not in _console(run_of(1))
    assert "ready drifts: 0.88 .. 1.12 ms longer a cycle" in _console(run_of(30))


def _console(run: OneRun) -> str:
    out = io.StringIO()
    print_outcome(RunOutcome(0, Verdict.PASS, (run,)), Console(file=out, width=120))
    return " ".join(out.getvalue().split())


def test_machines_get_the_times_with_null_where_a_bound_is_open() -> None:
    """Nanoseconds, no infinities."""
    run = run_of(2)
    unseen = replace(run.cycles[0], marks=run.cycles[0].marks[:2])
    (told,) = document(RunOutcome(0, Verdict.PASS, (replace(run, cycles=(unseen, run.cycles[1])),)))["runs"]
    ready = next(one for one in told["scenarios"][0]["times"] if one["what"] == "ready")
    assert ready["largest_ns"] == [S + 2 * MS, None]
    assert (ready["seen"], ready["cycles"], ready["limit_ns"], ready["tolerance"]) == (1, 2, [0, 10 * S], None)
    assert (ready["group"], ready["more_cycles_needed"], ready["drift_p_value"]) == ("restart", 57, 1.0)
