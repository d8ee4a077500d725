"""Each kind of expectation: when it passes, when it fails, and when neither is shown.

Widths and limits: a limit T is surely met if b2 - a1 <= T, surely broken if b1 - a2 > T, otherwise inconclusive
(derived); a pulse of length p is always caught by reads g apart if p >= g (derived).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evidence import MS, OFF, ON, T0, S, Story, dryer, expects, found, scenario
from fault_suites import Plan
from restart_bench.evidence.traces import conforming
from restart_bench.judging.cycle import judge_cycle
from restart_bench.judging.states import window_verdict
from restart_bench.model.journal import Finding
from restart_bench.model.rig import Mode, Rig, Wanted
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind
from restart_bench.model.scenario import Expectation, Gap, MarkLimit, Press, Step, Window
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR
BACK = 3 * S  # the command back, in the usual story
RUNS = 3_502 * MS  # the program runs
WATCHED = RUNS + 150 * MS  # surely within the settled span of the usual story
END_OF_WATCH = 4_500 * MS  # shortly before it


def judged(story: Story, one: Expectation, **changes: object) -> Finding:
    """The finding about one expectation in this story."""
    told = scenario(one, **changes)
    return replace(story, scenario=told).finding(one.point, one.text)


# ---------------------------------------------------------------- is


def test_is_passes_where_every_read_of_the_settled_span_conforms() -> None:
    """Off all through the watch."""
    found = judged(Story(), expects("burner", "is", OFF))
    assert found.verdict is PASS
    assert found.figures["settled"] is False and found.figures["before"] is True


def test_is_fails_on_one_counting_read_of_something_else() -> None:
    """On for 100 ms in the middle of the watch: it was not unbroken."""
    found = judged(Story().pulse("burner_terminal", WATCHED, 100 * MS), expects("burner", "is", OFF))
    assert found.verdict is FAIL
    assert "burner: on at" in found.reason and "not unbroken" in found.reason


def test_a_fail_whose_terminal_contradicts_its_output_names_the_wire_in_the_same_line() -> None:
    """The program may be innocent: the address or the wire is named with the fail, not somewhere below it; and another
    output that is contradicted too, because the two may have each other's wire."""
    crossed = Story().set("burner", (0, 1), (2_005 * MS, 0)).set("burner_terminal", (0, 1), (2_005 * MS, 0), (BACK, 1))
    found = judged(crossed, expects("burner", "is", OFF))
    assert found.verdict is FAIL and "first suspect its wire and its addresses" in found.reason
    assert "each other's wire" not in found.reason
    crossed.set("fan", (0, 1), (2_005 * MS, 0), (BACK, 1)).set("fan_terminal", (0, 1), (2_005 * MS, 0))
    assert (
        "(do fan, also contradicted, and this one have each other's wire?)"
        in judged(crossed, expects("burner", "is", OFF)).reason
    )
    plain = Story().set("burner", (0, 1), (2_005 * MS, 0), (BACK, 1))
    assert "suspect" not in judged(plain.pulse("burner_terminal", WATCHED, S), expects("burner", "is", OFF)).reason


def test_values_of_a_program_that_stands_still_are_not_called_no_number() -> None:
    """It answers as ever, and its heartbeat does not move: its values don't count, and that is what is said."""

    class Hung(Story):
        def value(self, name: str, at_ns: int) -> float:
            return super().value(name, min(at_ns, BACK + S) if name == "heartbeat" else at_ns)

    demand = expects("batch_count", "is", Wanted(as_before=True))
    found = judged(replace(Hung(), end_ns=9 * S), demand, watch_ns=5 * S)
    assert found.verdict is INCONCLUSIVE and "NaN" not in found.reason
    assert "answered with values, but they don't count while heartbeat does not move" in found.reason


def test_answers_that_come_too_late_are_not_called_silence() -> None:
    """The I/O answers, behind its time: nobody is sent to look for a cable."""

    class Slow(Story):
        def samples(self) -> dict[str, DeviceSamples]:
            made = super().samples()
            rows = made["independent"].records
            rows["kind"][(rows["sent_ns"] > T0 + WATCHED) & (rows["kind"] == SampleKind.GOOD)] = SampleKind.LATE
            return made

    found = judged(replace(Slow(), end_ns=9 * S), expects("burner", "is", OFF), watch_ns=5 * S)
    assert found.verdict is INCONCLUSIVE and "did not answer" not in found.reason
    assert "independent answered later than its `answer_within`" in found.reason


class Unreachable(Story):
    """A controller that is out of reach for 1.2 s while it is watched: each request is answered late, or never, and at
    the first of them another connection is tried in vain."""

    late = True

    def samples(self) -> dict[str, DeviceSamples]:
        """What the bench read."""
        made = super().samples()
        rows = made["controller"].records
        out = (rows["sent_ns"] > T0 + WATCHED) & (rows["sent_ns"] < T0 + WATCHED + 1_200 * MS)
        rows["kind"][out] = SampleKind.LATE if self.late else SampleKind.SILENT
        first = np.flatnonzero(out)[0]
        rows["kind"][first], rows["request"][first] = SampleKind.SILENT, CONNECT
        return made


class Lost(Unreachable):
    """The same where no answer comes at all."""

    late = False


@pytest.mark.parametrize("told", [Unreachable, Lost])
def test_a_controller_out_of_reach_while_it_was_ready_is_neither_slow_nor_restarting(told: type[Story]) -> None:
    """One gap has one cause, whatever came of the request that is asked about: a register has no terminal to be wired,
    and what was ready before did not restart then."""
    demand = expects("batch_count", "is", Wanted(as_before=True))
    found = judged(replace(told(), end_ns=9 * S), demand, watch_ns=5 * S)
    assert found.verdict is INCONCLUSIVE
    assert "it had been ready, and was not seen to restart" in found.reason
    assert "answer_within" not in found.reason and "terminal:" not in found.reason


def test_flapping_is_a_fail() -> None:
    """One lucky read is not proof (rule 7)."""
    story = Story().set("fan_terminal", *((BACK + 20 * MS * n, n % 2) for n in range(80)))
    assert judged(story, expects("fan", "is", ON)).verdict is FAIL


def test_what_happens_before_settled_is_not_judged_by_is() -> None:
    """A pulse while the controller starts belongs to `never`."""
    story = Story().pulse("burner_terminal", BACK + 50 * MS, 100 * MS)
    assert judged(story, expects("burner", "is", OFF)).verdict is PASS


def test_settle_moves_the_span() -> None:
    """A pulse 200 ms after ready is allowed with `settle: 500 ms`."""
    story = Story().pulse("burner_terminal", WATCHED, 100 * MS)
    assert judged(story, expects("burner", "is", OFF), settle_ns=500 * MS).verdict is PASS


def test_is_tolerates_a_blind_gap_of_a_second_and_lists_it() -> None:
    """`blind:` is a second by default."""
    story = replace(Story(), end_ns=6 * S).hide("independent", WATCHED, WATCHED + 900 * MS)
    found = judged(story, expects("burner", "is", OFF), watch_ns=2 * S)
    assert found.verdict is PASS
    ((begin, end),) = found.figures["gaps"]
    assert end - begin == pytest.approx(900 * MS, abs=10 * MS)


def test_is_is_inconclusive_with_a_longer_blind_gap_and_names_it() -> None:
    """The finding says from when to when, and what to look at."""
    story = replace(Story(), end_ns=7 * S).hide("independent", WATCHED, WATCHED + 1_500 * MS)
    found = judged(story, expects("burner", "is", OFF), watch_ns=3 * S)
    assert found.verdict is INCONCLUSIVE
    assert "no reads that count from 649 ms to 2.15 s after" in found.reason and "independent" in found.reason


def test_is_needs_at_least_one_read() -> None:
    """Nothing read, nothing shown."""
    story = Story().hide("independent", BACK + 400 * MS, 5 * S)
    assert judged(story, expects("burner", "is", OFF)).verdict is INCONCLUSIVE


def test_as_before_compares_with_the_last_good_value_before_the_cut() -> None:
    """41 batches before, 41 after; 42 would be another value."""
    one = expects("batch_count", "is", Wanted(as_before=True))
    assert judged(Story(), one).verdict is PASS
    story = Story().set("batch_count", (0, 41), (RUNS, 42))
    found = judged(story, one)
    assert found.verdict is FAIL and "42" in found.reason and "as before (41)" in found.reason
    assert (found.figures["before"], found.figures["settled"]) == (41, 42)


def test_as_before_without_a_value_before_is_inconclusive() -> None:
    """There is nothing to compare with."""
    story = Story().hide("controller", 0, 1_990 * MS)
    assert judged(story, expects("batch_count", "is", Wanted(as_before=True))).verdict is INCONCLUSIVE


@pytest.mark.parametrize(("after", "verdict"), [(41, PASS), (42, PASS), (43, FAIL), (40, FAIL)])
def test_change_is_after_minus_before(after: int, verdict: Verdict) -> None:
    """`change: 0..1`, both ends included."""
    story = Story().set("batch_count", (0, 41), (RUNS, after))
    assert judged(story, expects("batch_count", "is", Wanted(change=(0, 1)))).verdict is verdict


@pytest.mark.parametrize(
    ("wanted", "verdict"),
    [
        (Wanted(equals=41), PASS),
        (Wanted(equals=40.5, tolerance=0.5), PASS),
        (Wanted(equals=40.4, tolerance=0.5), FAIL),
        (Wanted(one_of=(0, 41)), PASS),
        (Wanted(one_of=(0, 3)), FAIL),
        (Wanted(above=40), PASS),
        (Wanted(above=41), FAIL),
        (Wanted(below=42, above=0), PASS),
        (Wanted(below=41), FAIL),
    ],
)
def test_is_takes_values_tolerances_lists_and_limits(wanted: Wanted, verdict: Verdict) -> None:
    """Both limits of `above` and `below` are excluded."""
    assert judged(Story(), expects("batch_count", "is", wanted)).verdict is verdict


# ---------------------------------------------------------------- within, between


def comes_on(at: int) -> Story:
    """The fan comes on at an instant and stays on."""
    return Story().set("fan_terminal", (0, 1), (2_005 * MS, 0), (at, 1))


@pytest.mark.parametrize(
    ("at", "verdict"), [(300, PASS), (990, PASS), (999, INCONCLUSIVE), (1_020, FAIL), (1_400, FAIL)]
)
def test_within_is_surely_met_surely_broken_or_inconclusive(at: int, verdict: Verdict) -> None:
    """Rule 6, with a limit of 1 s after the restored supply: a few ms around it can't be told."""
    found = judged(comes_on(BACK + at * MS), expects("fan", "is", ON, within=(0, S)))
    assert found.verdict is verdict, found.reason


def test_within_holds_the_delay_with_bounds() -> None:
    """On 300 ms after the command back; the relay closes up to 2 ms after it."""
    low, high = judged(comes_on(BACK + 300 * MS), expects("fan", "is", ON, within=(0, S))).figures["delay_ns"]
    assert low <= 298 * MS and high >= 300 * MS and high - low < 12 * MS


def test_what_did_not_come_in_time_was_seen_missing_where_it_was_due() -> None:
    """Never on, asked for within a second of the restored supply: found off in the first read after that second."""
    found = judged(Story().set("fan_terminal", (0, 1), (2_005 * MS, 0)), expects("fan", "is", ON, within=(0, S)))
    low, high = found.figures["found_ns"]
    assert found.verdict is FAIL and S - 5 * MS <= low <= high <= S + 50 * MS


def test_within_has_to_last() -> None:
    """On after 300 ms, off again for 60 ms: a fail, though it came in time."""
    story = Story().set(
        "fan_terminal", (0, 1), (2_005 * MS, 0), (BACK + 300 * MS, 1), (BACK + 700 * MS, 0), (BACK + 760 * MS, 1)
    )
    found = judged(story, expects("fan", "is", ON, within=(0, S)))
    assert found.verdict is FAIL and "did not last" in found.reason


def test_within_may_begin_with_the_state_that_the_outage_left() -> None:
    """Off while it had no power, on for a second, then off: `is: off, within: 2 s` is met by the last change."""
    story = replace(Story(), end_ns=7 * S)
    story.set("burner_terminal", (0, 1), (2_005 * MS, 0), (BACK + 500 * MS, 1), (BACK + 1_500 * MS, 0))
    found = judged(story, expects("burner", "is", OFF, within=(0, 2 * S)), watch_ns=2 * S)
    assert found.verdict is PASS
    assert found.figures["onset_ns"][0] <= 1_500 * MS <= found.figures["onset_ns"][1]


def test_never_coming_is_a_fail_once_it_was_seen_after_the_limit() -> None:
    """And not before: without reads after the limit it is inconclusive."""
    one = expects("fan", "is", ON, within=(0, S))
    assert judged(Story(), one).verdict is FAIL
    assert judged(Story().hide("independent", BACK + 900 * MS, 5 * S), one).verdict is INCONCLUSIVE


@pytest.mark.parametrize(
    ("at", "verdict"), [(200, FAIL), (399, INCONCLUSIVE), (500, PASS), (700, INCONCLUSIVE), (800, FAIL)]
)
def test_between_has_two_limits(at: int, verdict: Verdict) -> None:
    """Not earlier either: between 400 and 700 ms."""
    one = expects("fan", "is", ON, within=(400 * MS, 700 * MS))
    assert judged(comes_on(BACK + at * MS), one).verdict is verdict


def test_between_needs_to_see_that_it_did_not_come_earlier() -> None:
    """A blind second before it could hide a start."""
    story = replace(comes_on(BACK + 2 * S), end_ns=7 * S).hide("independent", BACK + 200 * MS, BACK + 1_400 * MS)
    one = expects("fan", "is", ON, within=(S, 3 * S))
    assert judged(story, one, watch_ns=2 * S).verdict is INCONCLUSIVE
    assert judged(replace(story, hidden=[]), one, watch_ns=2 * S).verdict is PASS


def test_a_window_may_count_from_ready() -> None:
    """The controller is ready some 500 ms after the return; the fan comes 400 ms later."""
    one = expects("fan", "is", ON, within=(0, 600 * MS), start="ready")
    assert judged(comes_on(RUNS + 400 * MS), one).verdict is PASS
    assert judged(comes_on(RUNS + 800 * MS), one).verdict is FAIL


def test_a_window_may_count_from_another_point() -> None:
    """From the fan's first change to on after the return."""
    one = expects("burner", "is", ON, within=(200 * MS, 400 * MS), start="fan")
    story = comes_on(BACK + 500 * MS).set("burner_terminal", (0, 0), (BACK + 800 * MS, 1))
    assert judged(story, one).verdict is PASS
    assert judged(story.set("burner_terminal", (0, 0), (BACK + 600 * MS, 1)), one).verdict is FAIL
    missing = judged(Story().set("burner_terminal", (0, 0), (BACK + 600 * MS, 1)), one)
    assert missing.verdict is INCONCLUSIVE and "fan was not seen to come on" in missing.reason


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [(0, 10, PASS), (5, 10, PASS), (5, 11, INCONCLUSIVE), (10, 11, INCONCLUSIVE), (11, 12, FAIL)],
)
def test_a_limit_within_the_bounds_decides_nothing(low: int, high: int, verdict: Verdict) -> None:
    """Surely met if b2 - a1 <= T, surely broken if b1 - a2 > T (derived); T = 10."""
    assert window_verdict(low, high, 0, 10)[0] is verdict


# ---------------------------------------------------------------- never


NEVER_ON = expects("burner", "never", ON, longer_than_ns=20 * MS)


def test_never_passes_where_no_gap_could_hide_such_a_pulse() -> None:
    """Reads every 4 ms exclude pulses of 20 ms; the finding says what is excluded (rule 13)."""
    found = judged(Story(), NEVER_ON)
    assert found.verdict is PASS
    assert 4 * MS < found.figures["shortest_excluded_ns"] < 6 * MS
    assert "or longer would have been seen" in found.reason


@pytest.mark.parametrize(
    ("length", "verdict"), [(6, PASS), (12, PASS), (20, INCONCLUSIVE), (22, INCONCLUSIVE), (30, FAIL), (300, FAIL)]
)
def test_never_measures_pulses_with_bounds(length: int, verdict: Verdict) -> None:
    """A pulse lasted at least from its first read to its last, at most from the read before to the read after."""
    found = judged(Story().pulse("burner_terminal", BACK + 60 * MS, length * MS), NEVER_ON)
    assert found.verdict is verdict, found.reason
    low, high = found.figures["on_for_ns"]
    assert low <= length * MS <= high and high - low < 12 * MS


def test_a_pulse_is_told_with_its_length_and_time() -> None:
    """A person knows what happened and when."""
    reason = judged(Story().pulse("burner_terminal", BACK + 60 * MS, 40 * MS), NEVER_ON).reason
    assert reason.startswith("burner: on for 3") and "ms, 5" in reason and "after power returned" in reason


def test_never_covers_the_outage_itself() -> None:
    """From the cut on: a pulse while the supply is off is found."""
    story = Story().set("burner_terminal", (0, 1), (2_005 * MS, 0), (2_500 * MS, 1), (2_550 * MS, 0))
    assert judged(story, NEVER_ON).verdict is FAIL


def test_never_counts_from_the_first_conforming_read_after_the_cut() -> None:
    """A burner that was on may take its time to go off."""
    story = Story().set("burner_terminal", (0, 1), (2_300 * MS, 0))
    assert judged(story, NEVER_ON).verdict is PASS


def test_never_fails_where_no_read_conforms() -> None:
    """It simply stayed on."""
    found = judged(Story().set("burner_terminal", (0, 1)), NEVER_ON)
    assert found.verdict is FAIL and "still on when power returned, for 1.5" in found.reason


def test_never_is_inconclusive_where_nothing_was_read_after_the_return() -> None:
    """Reads of on until the independent I/O failed prove nothing of what came later."""
    story = Story().set("burner_terminal", (0, 1)).hide("independent", 2_002 * MS, 5 * S)
    assert judged(story, NEVER_ON).verdict is INCONCLUSIVE


def test_a_gap_as_long_as_the_pulse_makes_never_inconclusive() -> None:
    """Rule 5: which gap, and which instrument would close it."""
    found = judged(Story().hide("independent", BACK + 310 * MS, BACK + 920 * MS), NEVER_ON)
    assert found.verdict is INCONCLUSIVE
    assert "from 30" in found.reason and "to 92" in found.reason and "independent did not answer" in found.reason
    assert len(found.figures["gaps"]) == 1


def test_a_short_gap_between_good_reads_is_a_late_answer_not_a_bad_sensor() -> None:
    """An input's delay widens the gap over the good read at its beginning; that read is no missing value."""
    found = judged(Story().hide("independent", BACK + 310 * MS, BACK + 330 * MS), NEVER_ON)
    assert found.verdict is INCONCLUSIVE
    assert "late" in found.reason and "no number" not in found.reason


def test_a_gap_that_is_shorter_hides_no_such_pulse() -> None:
    """14 ms blind, 20 ms asked."""
    assert judged(Story().hide("independent", BACK + 310 * MS, BACK + 320 * MS), NEVER_ON).verdict is PASS


def test_the_gap_before_the_first_conforming_read_counts_as_well() -> None:
    """On before the cut, blind for 300 ms, then off: it may have gone off, on and off in between."""
    assert judged(Story().hide("independent", 1_990 * MS, 2_300 * MS), NEVER_ON).verdict is INCONCLUSIVE


def test_the_controllers_own_reads_never_show_that_it_stayed_off_while_dark() -> None:
    """142 pulses hid inside outages (measured): wire the output to independent I/O."""
    found = judged(Story(), expects("burner", "never", ON, judged="burner", longer_than_ns=20 * MS))
    assert found.verdict is INCONCLUSIVE
    assert "wire the output to independent I/O" in found.reason


def test_stale_reads_of_a_starting_controller_prove_nothing() -> None:
    """The image says on before the program runs (rule 3): no fail, and no pass of the time before either."""
    story = Story().set("burner", (0, 1), (RUNS, 0))
    found = judged(story, expects("burner", "is", OFF, judged="burner"))
    assert found.verdict is PASS
    assert story.judge().figures["not_counted"] > 5


def test_input_delay_counts_against_what_is_excluded() -> None:
    """Gap plus input delay (rule 13): with 18 ms of filter, 20 ms can no longer be excluded."""
    rig = dryer()
    devices = {**rig.devices, "independent": replace(rig.devices["independent"], input_delay_ns=18 * MS)}
    story = Story(rig=replace(rig, devices=devices))
    assert judged(story, NEVER_ON).verdict is INCONCLUSIVE
    found = judged(story, replace(NEVER_ON, longer_than_ns=30 * MS))
    assert found.verdict is PASS
    assert found.figures["shortest_excluded_ns"] - found.figures["longest_gap_ns"] == 18 * MS


def test_reads_of_on_far_apart_are_not_one_pulse() -> None:
    """On, blind for 300 ms, on: it may have been off in between, so no pulse of 200 ms is proven."""
    story = Story().set("burner_terminal", (0, 1), (2_005 * MS, 0), (3_300 * MS, 1), (3_320 * MS, 0))
    story.truth["burner_terminal"] += [(3_640 * MS, 1), (3_660 * MS, 0)]
    story.hide("independent", 3_312 * MS, 3_650 * MS)
    found = judged(story, replace(NEVER_ON, longer_than_ns=200 * MS))
    assert found.verdict is INCONCLUSIVE


# ---------------------------------------------------------------- stays, returns


def test_stays_as_before_through_a_dip() -> None:
    """`restart: none`: from the cut on, never anything else for 5 ms or longer."""
    one = expects("fan", "stays", Wanted(as_before=True), longer_than_ns=8 * MS)
    story = Story(off_ns=10 * MS).never_dark().set("fan_terminal", (0, 1))
    assert judged(story, one, restart="none").verdict is PASS
    story.set("fan_terminal", (0, 1), (2_015 * MS, 0), (2_060 * MS, 1))
    found = judged(story, one, restart="none")
    assert found.verdict is FAIL and "should stay as before (on)" in found.reason


def test_stays_on_after_a_restart_counts_from_its_first_read_of_on() -> None:
    """The outage itself is no deviation where off does not conform; a later drop is."""
    one = expects("fan", "stays", ON, longer_than_ns=20 * MS)
    found = judged(comes_on(BACK + 500 * MS), one)
    assert found.verdict is PASS and "counted from 50" in found.reason
    drops = comes_on(BACK + 500 * MS)
    drops.truth["fan_terminal"] += [(BACK + 900 * MS, 0), (BACK + 950 * MS, 1)]
    assert judged(drops, one).verdict is FAIL
    assert judged(Story(), one).verdict is FAIL


def test_returns_never_may_stay_on_but_not_come_back() -> None:
    """Through a dip it stays on; once off it has to stay off."""
    one = expects("fan", "returns", longer_than_ns=20 * MS)
    assert judged(Story().set("fan_terminal", (0, 1)), one).verdict is PASS
    assert judged(Story(), one).verdict is PASS
    found = judged(comes_on(BACK + 500 * MS), one)
    assert found.verdict is FAIL and "once off it should stay off" in found.reason
    blind = Story().set("fan_terminal", (0, 1)).hide("independent", 2_500 * MS, 2_800 * MS)
    assert judged(blind, one).verdict is INCONCLUSIVE


# ---------------------------------------------------------------- until command


def pressed_later(story: Story, at: int) -> Story:
    """A function check that presses start some time after the watch."""
    steps = (Step("function check", 0, Press("start_button"), "press start_button"),)
    told = replace(story, scenario=replace(story.scenario, function_check=steps), end_ns=7 * S)
    told.step("function check", 0, True, (at, at + 200 * MS))
    return told.write("start_button", True, "press", at).write("start_button", False, "release", at + 200 * MS)


def test_until_command_reaches_to_the_next_press() -> None:
    """The watch ends at about 4.5 s; the burner comes on at 5.5 s, and start is pressed at 6 s, or at 5.4 s."""
    one = expects("burner", "is", OFF, until="command")
    story = Story(scenario=scenario(one)).pulse("burner_terminal", 5_500 * MS, 5 * S)
    assert pressed_later(story, 6 * S).finding("burner").verdict is FAIL
    assert pressed_later(story, 5_400 * MS).finding("burner").verdict is PASS
    watch = replace(story, scenario=scenario(expects("burner", "is", OFF)))
    assert pressed_later(watch, 6 * S).finding("burner").verdict is PASS


def test_what_is_read_once_a_function_check_has_begun_says_nothing_of_the_watch() -> None:
    """Start is pressed at 4.2 s, while the watch goes by its marks to about 4.5 s; the burner comes on at 4.3 s."""
    story = Story(scenario=scenario(expects("burner", "is", OFF))).pulse("burner_terminal", 4_300 * MS, 5 * S)
    assert pressed_later(story, 5 * S).finding("burner").verdict is FAIL
    assert pressed_later(story, 4_200 * MS).finding("burner").verdict is not FAIL


def test_a_never_goes_along_to_the_next_command() -> None:
    """`until: command` carries it."""
    one = replace(NEVER_ON, until="command")
    story = Story(scenario=scenario(one)).pulse("burner_terminal", 5_500 * MS, 100 * MS)
    assert pressed_later(story, 6 * S).finding("burner").verdict is FAIL
    assert pressed_later(story, 5_400 * MS).finding("burner").verdict is PASS


def test_returns_never_reaches_to_the_next_command(tmp_path: Path) -> None:
    """As a file says it: once off it stays off until a command, also after the watch."""
    suite = Plan(scenario={"after/expect": {"burner": {"returns": "never"}}}).load(tmp_path)
    (one,) = suite.scenarios[0].after
    assert (one.kind, one.until) == ("returns", "command")
    returns = expects("burner", "returns", longer_than_ns=20 * MS, until=one.until)
    story = Story(scenario=scenario(returns)).pulse("burner_terminal", 5_500 * MS, 5 * S)
    assert pressed_later(story, 6 * S).finding("burner").verdict is FAIL
    assert pressed_later(story, 5_400 * MS).finding("burner").verdict is PASS


# ---------------------------------------------------------------- during


def test_during_has_to_come_true_before_the_command_back_and_to_last() -> None:
    """Off 5 ms after the cut: pass; still on, or on again at the end: fail."""
    one = expects("burner", "is", OFF, phase="during")
    assert judged(Story(), one).verdict is PASS
    assert judged(Story().set("burner_terminal", (0, 1), (BACK + 5 * MS, 0)), one).verdict is FAIL
    story = Story().set("burner_terminal", (0, 1), (2_005 * MS, 0), (2_900 * MS, 1), (BACK + 20 * MS, 0))
    assert judged(story, one).verdict is FAIL
    assert judged(Story().hide("independent", 1_990 * MS, BACK), one).verdict is INCONCLUSIVE


def test_during_a_mode_cut_the_controllers_own_reads_serve() -> None:
    """It stays in contact."""
    one = expects("burner", "is", OFF, phase="during", judged="burner")
    rig = dryer(mode=Mode("by-hand", proof=(("running", OFF),)))
    story = Story(rig=rig).never_dark().set("running", (0, 1), (2_010 * MS, 0), (BACK + 10 * MS, 1))
    assert judged(story, one, how="mode").verdict is PASS


def told_by_the_controller_alone() -> Rig:
    """The dryer with a mode switch, its burner wired to no independent I/O."""
    rig = dryer(mode=Mode("by-hand", proof=(("running", OFF),)))
    return replace(rig, points={**rig.points, "burner": replace(rig.points["burner"], terminal=None)})


@pytest.mark.parametrize(("told", "demanded", "verdict"), [
    (1, OFF, INCONCLUSIVE), (1, ON, INCONCLUSIVE), (0, OFF, PASS), (0, ON, FAIL),
])  # fmt: skip
def test_out_of_run_mode_a_controllers_on_is_its_memory(told: int, demanded: Wanted, verdict: Verdict) -> None:
    """Its outputs are off while its program does not run, whatever a retained coil says: where no input reads the
    terminal, on is neither a pass nor a fail."""
    story = (
        Story(rig=told_by_the_controller_alone())
        .never_dark()
        .set("running", (0, 1), (2_010 * MS, 0), (BACK + 10 * MS, 1))
    )
    story = story.set("burner", (0, told))
    one = expects("burner", "is", demanded, phase="during", judged="burner")
    found = judged(story, one, how="mode")
    assert found.verdict is verdict, found.reason
    assert ("its memory" in found.reason) is (verdict is INCONCLUSIVE)


MEMORY_NEVER_ON = expects("burner", "never", ON, judged="burner", longer_than_ns=100 * MS)


@pytest.mark.parametrize(
    ("until_ms", "again_ms", "runs_ms", "verdict"),
    [
        (410, None, 400, INCONCLUSIVE),  # until the first scan resets it
        (800, None, 1500, INCONCLUSIVE),  # off before the program runs at all
        (560, None, 400, FAIL),  # on for as long as is forbidden while the program runs
        (410, 900, 400, FAIL),  # a scan brings it on
    ],
)
def test_memory_that_is_told_until_the_program_runs_again_is_no_fail_of_the_time_after(
    until_ms: int, again_ms: int | None, runs_ms: int, verdict: Verdict
) -> None:
    """Told to run, a controller takes its time: so long its own word of an output is that of its memory."""
    story = Story(rig=told_by_the_controller_alone(), end_ns=9 * S).never_dark()
    story = story.set("running", (0, 1), (2_010 * MS, 0), (BACK + runs_ms * MS, 1))
    again = () if again_ms is None else ((BACK + again_ms * MS, 1), (BACK + (again_ms + 300) * MS, 0))
    story = story.set("burner", (0, 1), (BACK + until_ms * MS, 0), *again)
    found = judged(story, MEMORY_NEVER_ON, how="mode")
    assert found.verdict is verdict, found.reason


@pytest.mark.parametrize(("runs_ms", "verdict"), [(200, PASS), (700, INCONCLUSIVE)])
def test_memory_that_is_told_before_the_program_runs_is_not_on_in_time(runs_ms: int, verdict: Verdict) -> None:
    """On within 500 ms: by a terminal that comes with the program, which runs after 700 ms."""
    story = Story(rig=told_by_the_controller_alone(), end_ns=9 * S).never_dark().set("burner", (0, 1))
    story = story.set("running", (0, 1), (2_010 * MS, 0), (BACK + runs_ms * MS, 1))
    one = expects("burner", "is", ON, judged="burner", window=Window(0, 500 * MS))
    assert judged(story, one, how="mode").verdict is verdict


# ---------------------------------------------------------------- times, gaps


@pytest.mark.parametrize(("limit", "verdict"), [(300, FAIL), (490, INCONCLUSIVE), (600, PASS)])
def test_times_limit_marks_from_the_restored_supply(limit: int, verdict: Verdict) -> None:
    """Ready at 502 ms, known to have come after the heartbeat stood still at about 450 ms."""
    told = scenario(times=(MarkLimit("ready", Window(0, limit * MS), "ready in time"),))
    found = Story(scenario=told).finding("", "ready in time")
    assert found.verdict is verdict, found.reason
    assert found.figures["delay_ns"][0] <= 502 * MS <= found.figures["delay_ns"][1]


def test_a_mark_that_never_came_is_a_fail_where_the_bench_asked_and_the_supply_was_back() -> None:
    """Never answered within 800 ms, with the rail seen on."""
    told = scenario(times=(MarkLimit("answered", Window(0, 800 * MS), "answered in time"),))
    story = Story(scenario=told).boot(dark=5 * S)
    assert story.finding("", "answered in time").verdict is FAIL
    assert replace(story, rig=dryer(proof_of_cut=())).finding("", "answered").verdict is ERROR
    blind = replace(story, hidden=[("controller", BACK + 100 * MS, 5 * S)], end_ns=6 * S)
    assert (
        replace(blind, scenario=replace(told, times=(MarkLimit("answered", Window(0, 2 * S), "x"),)))
        .finding("", "x")
        .verdict
        is INCONCLUSIVE
    )


FAN_THEN_BURNER = Gap("fan", "burner", "fan_terminal", "burner_terminal", 300 * MS, 600 * MS, "burner after fan")


@pytest.mark.parametrize(
    ("apart", "verdict"), [(200, FAIL), (299, INCONCLUSIVE), (450, PASS), (600, INCONCLUSIVE), (700, FAIL)]
)
def test_gaps_count_between_first_changes_to_on(apart: int, verdict: Verdict) -> None:
    """Width of a difference: the sum of both widths (derived)."""
    story = comes_on(BACK + 200 * MS).set("burner_terminal", (0, 0), (BACK + (200 + apart) * MS, 1))
    story = replace(story, scenario=scenario(gaps=(FAN_THEN_BURNER,)))
    found = story.finding("burner", "burner after fan")
    assert found.verdict is verdict, found.reason
    low, high = found.figures["gap_ns"]
    assert low <= apart * MS <= high


def test_a_second_start_that_never_comes_breaks_at_most() -> None:
    """Seen off past the limit; without that limit there is nothing to measure."""
    story = replace(comes_on(BACK + 200 * MS), scenario=scenario(gaps=(FAN_THEN_BURNER,)))
    story.set("burner_terminal", (0, 0))
    assert story.finding("burner").verdict is FAIL
    at_least = scenario(gaps=(replace(FAN_THEN_BURNER, at_most_ns=None),))
    assert replace(story, scenario=at_least).finding("burner").verdict is INCONCLUSIVE


@pytest.mark.parametrize(("blind_ms", "verdict"), [(900, FAIL), (1_200, INCONCLUSIVE)])
def test_a_start_that_was_not_read_off_for_more_than_a_second_is_not_missed(blind_ms: int, verdict: Verdict) -> None:
    """The burner may have come on and gone off again where nothing was read."""
    long = scenario(gaps=(replace(FAN_THEN_BURNER, at_most_ns=1_700 * MS),), watch_ns=3 * S)
    story = replace(comes_on(BACK + 200 * MS), scenario=long, end_ns=7 * S).set("burner_terminal", (0, 0))
    story.hide("independent", BACK + 400 * MS, BACK + (400 + blind_ms) * MS)
    assert story.finding("burner").verdict is verdict


def test_a_start_without_the_first_one_breaks_at_least() -> None:
    """The burner came on while the fan was off all along."""
    story = Story(scenario=scenario(gaps=(FAN_THEN_BURNER,))).set("burner_terminal", (0, 0), (BACK + 600 * MS, 1))
    assert story.finding("burner").verdict is FAIL
    assert Story(scenario=scenario(gaps=(FAN_THEN_BURNER,))).finding("burner").verdict is INCONCLUSIVE


# ---------------------------------------------------------------- an input that tells nothing


def test_an_input_that_read_on_all_through_the_dark_does_not_show_that_an_output_came_back() -> None:
    """The rail reads off for seconds, and the terminal on all the while: what fed it then may feed it now. An output
    that is demanded to stay on without supply is another thing."""
    dark = Story(cut_ns=1_500 * MS, off_ns=1_500 * MS)
    story = dark.set("fan_terminal", (0, 1)).set("fan", (0, 1))
    found = judged(story, expects("fan", "is", ON))
    assert found.verdict is INCONCLUSIVE, found.reason
    assert "not shown to come back" in found.reason
    assert judged(story, expects("fan", "stays", ON, longer_than_ns=20 * MS)).verdict is PASS


def test_what_the_controller_says_on_the_power_it_holds_up_is_no_input_that_read_on() -> None:
    """Its own output, read on for 60 ms after the loss and then not at all, came back as it says."""
    held_up = Story(cut_ns=1_500 * MS, off_ns=1_500 * MS).set("fan", (0, 1))
    held_up.stages = [(at + 60 * MS if stage == "dark" else at, stage) for at, stage in held_up.stages]
    assert judged(held_up, expects("fan", "is", ON, judged="fan")).verdict is PASS


def test_an_output_that_fell_in_the_dark_and_is_on_again_came_back() -> None:
    """The same, off for some reads of the dark only."""
    dark = Story(cut_ns=1_500 * MS, off_ns=1_500 * MS)
    story = dark.set("fan_terminal", (0, 1), (BACK - 500 * MS, 0), (RUNS, 1)).set("fan", (0, 1))
    assert judged(story, expects("fan", "is", ON)).verdict is PASS


@pytest.mark.parametrize("after", [41, 45])
def test_as_before_compares_with_nothing_that_was_read_long_before_the_cut(after: int) -> None:
    """What was last read longer before the cut than may be blind may have been another value by then: neither the same
    value after it nor another one shows anything."""
    as_before = expects("batch_count", "is", Wanted(as_before=True))
    told = Story(scenario=scenario(as_before)).set("batch_count", (0, 41), (2 * S + MS, after))
    assert told.finding("batch_count").verdict is (PASS if after == 41 else FAIL)
    samples = told.samples()
    rows = samples["controller"].records
    request = next(i for i, one in enumerate(samples["controller"].layout.requests) if "input_register" in one)
    begin, end = T0 + 300 * MS, T0 + 2 * S
    rows["kind"][(rows["request"] == request) & (rows["sent_ns"] > begin) & (rows["sent_ns"] < end)] = 1
    one = found(judge_cycle(told.rig, told.scenario, told.records(), samples), "batch_count")
    assert one.verdict is INCONCLUSIVE and "was last read 1.71 s before the cut" in one.reason


def test_an_infinity_is_as_before_where_it_stays_one() -> None:
    """A float that reads no finite number before and after is the same as before, without a warning."""
    value = np.array([np.inf, -np.inf, 1.0])
    assert conforming(Wanted(as_before=True), value, np.inf).tolist() == [True, False, False]
    assert Wanted(as_before=True).met_by(np.inf, np.inf)
