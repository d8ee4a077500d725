"""Marks with bounds: every mark holds what was true, and the live questions agree with the judgement."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, OFF, ON, T0, S, Story, dryer, moved, scenario, traces_before_a_cut
from restart_bench.evidence.marks import condition_held, held_spans, progress_of, ready_since
from restart_bench.evidence.reachability import Reachability
from restart_bench.evidence.supply_off import off_time, return_read
from restart_bench.evidence.traces import Reads
from restart_bench.model.clock import Bounds
from restart_bench.model.rig import CheckPulse, Mode, Proof, Ready, RigSupply, Wanted
from restart_bench.model.scenario import MARKS


def marks_of(story: Story) -> dict[str, Bounds]:
    """The marks of a story, counted from its start."""
    found = progress_of(story.rig, story.scenario, story.records(), story.samples()).marks
    return {name: bounds.later_by(-T0) for name, bounds in found.items()}


def holds(bounds: Bounds, instant_ns: int) -> bool:
    """True if the instant lies within the bounds."""
    return bounds.not_before_ns <= instant_ns <= bounds.not_after_ns


# ---------------------------------------------------------------- commands and the relay

UNREAD = (Proof("falls", "uptime"),)
"""Proofs of which none reads the supply."""


def test_cut_and_restored_are_the_commands_widened_by_the_relay() -> None:
    """The supply goes when the relay opens, not when it is told: release and operate, and bounce on both."""
    relay = RigSupply("modbus-coil", contact="normally-open", operate_ns=5 * MS, release_ns=3 * MS, bounce_ns=MS)
    rig = dryer(supply=relay, proof_of_cut=UNREAD)
    found = marks_of(Story(rig=rig))
    assert found["cut"] == Bounds(2 * S, 2 * S + MS + 3 * MS + MS)
    assert found["restored"] == Bounds(3 * S, 3 * S + MS + 5 * MS + MS)


def test_no_mark_of_a_dip_ridden_through_comes_sooner_than_the_return() -> None:
    """What answers all along is read before the contact has closed too, which shows nothing of after."""
    relay = RigSupply("modbus-coil", contact="normally-open", operate_ns=50 * MS, release_ns=3 * MS)
    found = marks_of(Story(rig=dryer(supply=relay, proof_of_cut=UNREAD), off_ns=60 * MS).never_dark())
    for name in ("answered", "good", "ready", "settled"):
        assert found[name].not_after_ns >= found["restored"].not_after_ns, name


WIDE = RigSupply("modbus-coil", contact="normally-open", operate_ns=60 * MS, release_ns=3 * MS, bounce_ns=3 * MS)
PULSE_AT = 700 * MS


def rises(at_ns: int, *, bounces: tuple[int, int] = (0, 0), older_ns: int = 0, seed: int = 1, **rig: object) -> Story:
    """A relay that may close within 63 ms: the rail rises so long after the command, once more where it bounces (off
    from, on again from, after that); all that the I/O says is so much older than it should be, its check pulse too."""
    rig.setdefault("check_pulse", CheckPulse("spare_out", "spare_in", 50 * MS))
    told = Story(rig=dryer(supply=WIDE, **rig), seed=seed)
    told.write("spare_out", True, "check pulse", PULSE_AT).write("spare_out", False, "check pulse", PULSE_AT + 50 * MS)
    told.set("spare_in", (PULSE_AT + MS + older_ns, 1), (PULSE_AT + 51 * MS + older_ns, 0))
    on_ns = told.back_ns + at_ns + older_ns
    again = ((on_ns + bounces[0], 0), (on_ns + sum(bounces), 1)) if all(bounces) else ()
    return told.set("rail", (0, 1), (told.cut_ns + MS, 0), (on_ns, 1), *again)


def test_a_rail_that_was_read_to_rise_narrows_the_return() -> None:
    """The data sheet leaves 64 ms; two reads 4 ms apart, their age, and the bounce on both sides say it better."""
    restored = marks_of(rises(40 * MS))["restored"]
    assert holds(restored, 3 * S + 40 * MS)
    assert restored.not_after_ns - restored.not_before_ns < 2 * 4 * MS + 2 * 3 * MS + 2 * MS


def test_a_rail_that_was_read_to_fall_late_narrows_no_return() -> None:
    """What made the loss show late may make its reads of the return as old."""
    told = rises(40 * MS)
    told.set("rail", (0, 1), (told.cut_ns + 150 * MS, 0), (told.back_ns + 40 * MS, 1))
    assert marks_of(told)["restored"] == Bounds(3 * S, 3 * S + MS + 63 * MS)


def test_a_rail_narrows_nothing_where_no_check_pulse_shows_how_old_its_reads_are() -> None:
    """An old copy by less than the data sheet leaves would look alike."""
    assert marks_of(rises(40 * MS, check_pulse=None))["restored"] == Bounds(3 * S, 3 * S + MS + 63 * MS)


def test_a_rise_that_nobody_read_closely_narrows_the_return_no_further_than_the_reads() -> None:
    """From the last read of off on; the I/O was not asked after that until the rail was on for long."""
    told = rises(40 * MS).hide("independent", 3 * S + 20 * MS, 3 * S + 500 * MS)
    restored = marks_of(told)["restored"]
    assert 3 * S + 5 * MS < restored.not_before_ns < 3 * S + 20 * MS
    assert restored.not_after_ns == 3 * S + MS + 63 * MS


def test_a_rise_is_no_older_than_the_check_pulse_showed_answers_to_be() -> None:
    """An I/O whose pulse came 8 ms late may have told of the rail as late."""
    told = rises(20 * MS, older_ns=8 * MS, check_pulse=CheckPulse("spare_out", "spare_in", 50 * MS))
    assert holds(marks_of(told)["restored"], 3 * S + 20 * MS)


def test_a_contact_that_closes_late_may_bounce_once_more_after_it_was_read_on() -> None:
    """Later than its data sheet says, and between two polls: it is at rest 3 ms after it was first read on, at the
    latest."""
    for at_us in range(100_000, 104_000, 250):
        told = rises(at_us * 1000, bounces=(700_000, 700_000))
        assert holds(marks_of(told)["restored"], told.back_ns + at_us * 1000 + 1_400_000)


def test_a_contact_may_have_closed_for_the_first_time_before_it_was_last_read_off() -> None:
    """Between its first closing and its last it is read off, by an I/O whose check pulse came hardly late."""
    devices = dryer().devices
    devices = {
        **devices,
        "independent": replace(devices["independent"], poll_ns=10 * MS),
    }  # as the pulse is long: twice
    for seed, at_us in ((1, 39_000), (1, 39_500), (9, 38_500), (9, 39_000)):
        told = rises(at_us * 1000, bounces=(1_400_000, 1_500_000), seed=seed, devices=devices)
        assert holds(marks_of(told)["restored"], told.back_ns + at_us * 1000)


@examples(30)
@given(
    at_us=st.integers(0, 60_000),
    bounces_us=st.tuples(st.integers(0, 1_500), st.integers(0, 1_500)),
    older_us=st.integers(0, 8_000),
    seed=st.integers(0, 1000),
)
def test_a_return_that_was_read_holds_the_true_one(
    at_us: int, bounces_us: tuple[int, int], older_us: int, seed: int
) -> None:
    """Whenever the contact closes, bounces and is polled, however old the I/O's answers: its first closing and its
    last."""
    bounces = (bounces_us[0] * 1000, bounces_us[1] * 1000)
    pulse = CheckPulse("spare_out", "spare_in", 50 * MS)
    told = rises(at_us * 1000, bounces=bounces, older_ns=older_us * 1000, seed=seed, check_pulse=pulse)
    restored = marks_of(told)["restored"]
    closed = told.back_ns + at_us * 1000
    assert holds(restored, closed) and holds(restored, closed + (sum(bounces) if all(bounces) else 0))


def test_a_rise_that_falls_again_is_no_return_yet() -> None:
    """Read on, off and on within what command and data sheet leave, it may have come to rest as late as at the last."""
    early = np.array([8, 12, 16, 20, 40]) * MS
    reads = Reads(early, early + MS, np.array([0.0, 1.0, 0.0, 1.0, 1.0]))
    found = return_read(reads, reads.value == 0.0, Bounds(10 * MS, 25 * MS), MS)
    assert found == Bounds(7 * MS, 22 * MS)


def test_a_rail_that_two_proofs_read_differently_narrows_the_return_no_further_than_both() -> None:
    """A rail that comes up slowly is on for an input sooner than for a voltmeter."""
    told = rises(10 * MS, proof_of_cut=(Proof("value", "rail", OFF), Proof("value", "rail_mv", OFF)))
    told.set("rail_mv", (0, 24_000), (told.cut_ns + MS, 0), (told.back_ns + 40 * MS, 24_000))
    restored = marks_of(told)["restored"]
    assert holds(restored, 3 * S + 10 * MS) and holds(restored, 3 * S + 40 * MS)


def test_a_voltage_that_was_only_lowered_is_not_back_where_a_proof_reads_it_rise() -> None:
    """Above the limit of the proof it may be far below its full voltage still."""
    told = rises(10 * MS)
    lowered = tuple(replace(one, to="level") if one.purpose == "cut" else one for one in told.records().switchings)
    records = replace(told.records(), switchings=lowered)
    restored = progress_of(told.rig, told.scenario, records, told.samples()).marks["restored"].later_by(-T0)
    assert restored == Bounds(3 * S, 3 * S + MS + 63 * MS)


def test_a_normally_closed_contact_opens_by_operating() -> None:
    """Then `operate` delays the cut and `release` the return."""
    relay = RigSupply("modbus-coil", contact="normally-closed", operate_ns=5 * MS, release_ns=3 * MS)
    rig = dryer(supply=relay, proof_of_cut=UNREAD)
    found = marks_of(Story(rig=rig))
    assert found["cut"].not_after_ns == 2 * S + MS + 5 * MS
    assert found["restored"].not_after_ns == 3 * S + MS + 3 * MS


def test_the_true_off_time_has_bounds() -> None:
    """Duration from A in (a1, a2] to B in (b1, b2]: between b1 - a2 and b2 - a1 (derived); never below 0."""
    assert off_time(Bounds(0, 5), Bounds(100, 107)) == (95, 107)
    assert off_time(Bounds(0, 5), Bounds(3, 9)) == (0, 9)


def test_a_mode_cut_has_no_relay_to_wait_for() -> None:
    """`restored` is then the command back to run."""
    rig = dryer(mode=Mode("by-hand", proof=(("running", OFF),)))
    story = Story(rig=rig, scenario=scenario(how="mode")).never_dark()
    story.set("running", (0, 1), (story.cut_ns + 20 * MS, 0), (story.back_ns + 30 * MS, 1))
    found = marks_of(story)
    assert found["restored"] == Bounds(3 * S, 3 * S + MS)
    assert holds(found["dark"], story.cut_ns + 20 * MS)
    assert holds(found["ready"], story.back_ns + 30 * MS)
    assert "refused" not in found


# ---------------------------------------------------------------- the restart

STAGES = ("dark", "refused", "accepted", "busy", "stale")


@examples(20)
@given(
    lengths=st.tuples(*(st.integers(60, 260) for _ in STAGES)),
    seed=st.integers(0, 1000),
)
def test_every_mark_holds_its_true_instant(lengths: tuple[int, ...], seed: int) -> None:
    """Whatever the stages of the boot and the phase of polling: the truth lies within the bounds."""
    story = Story(seed=seed, end_ns=5 * S)
    story.boot(**{stage: length * MS for stage, length in zip(STAGES, lengths, strict=True)})
    story.set("running", (0, 1), (story.cut_ns, 0), (story.running_ns, 1))
    begins = {stage: at for at, stage in story.stages[2:]}
    found = marks_of(story)
    assert holds(found["cut"], story.cut_ns + MS)
    assert holds(found["dark"], story.cut_ns + MS)
    assert holds(found["restored"], story.back_ns + MS)
    assert holds(found["refused"], begins["refused"])
    assert holds(found["accepted"], begins["accepted"])
    assert holds(found["answered"], begins["busy"])
    assert holds(found["good"], begins["stale"])
    assert holds(found["ready"], story.running_ns)
    assert list(found) == [name for name in MARKS if name in found]


def test_the_bounds_of_ready_reach_back_before_the_first_read_that_counts() -> None:
    """Two changes of `alive` have to be seen first; the program ran before that."""
    story = Story()
    ready = marks_of(story)["ready"]
    trace = traces_before_a_cut(story.rig, story.samples())["running"]
    first_counting = int(trace.sent_ns[trace.counts & (trace.sent_ns > T0 + story.back_ns)][0]) - T0
    assert ready.not_before_ns <= story.running_ns < first_counting <= ready.not_after_ns


def test_silence_that_may_be_the_network_s_leaves_ready_as_early_as_it_may_have_been() -> None:
    """The link is gone for a moment when the program runs but was not yet seen to: it need not have begun anew."""
    story = Story(end_ns=6 * S)
    runs_ns = story.running_ns
    story.stages += [(runs_ns + 15 * MS, "dark"), (runs_ns + 165 * MS, "good")]
    ready = marks_of(story)["ready"]
    assert ready.not_before_ns <= runs_ns < runs_ns + 165 * MS <= ready.not_after_ns


def test_a_counting_read_of_not_running_moves_the_lower_bound_of_ready_up() -> None:
    """A controller that answers and lives, but does not run for another 200 ms, was not ready before."""
    story = Story()
    story.set("running", (0, 1), (story.cut_ns, 0), (story.running_ns + 200 * MS, 1))
    ready = marks_of(story)["ready"]
    assert holds(ready, story.running_ns + 200 * MS)
    assert ready.not_after_ns - ready.not_before_ns < 25 * MS


def test_silence_to_connects_reaches_back_a_second_less() -> None:
    """A kernel asks for a failed neighbour once a second: from silence alone nothing newer is known."""
    story = Story().boot(dark=1500 * MS)
    story.set("running", (0, 1), (story.cut_ns, 0), (story.running_ns, 1))
    accepted = marks_of(replace(story, end_ns=6 * S))["accepted"]
    assert 900 * MS < accepted.not_after_ns - accepted.not_before_ns < 1_150 * MS


def test_ready_has_to_hold_for_steady() -> None:
    """A running light that goes out again after 60 ms was not it."""
    story = Story()
    run = story.running_ns
    story.set("running", (0, 1), (story.cut_ns, 0), (run, 1), (run + 60 * MS, 0), (run + 300 * MS, 1))
    assert holds(marks_of(story)["ready"], run + 300 * MS)


def test_all_conditions_of_ready_have_to_hold_at_one_time() -> None:
    """Running first, the fan 300 ms later: ready is when both hold."""
    rig = dryer(ready=Ready((("running", ON), ("fan_terminal", ON)), 100 * MS, "heartbeat", 2 * S))
    story = Story(rig=rig)
    on = story.running_ns + 300 * MS
    story.set("fan_terminal", (0, 1), (story.cut_ns + 5 * MS, 0), (on, 1))
    assert holds(marks_of(story)["ready"], on)


def test_without_conditions_a_moving_sign_of_life_is_ready() -> None:
    """`alive` alone."""
    story = Story(rig=dryer(ready=Ready((), 100 * MS, "heartbeat", 2 * S)))
    assert holds(marks_of(story)["ready"], story.running_ns)


def test_no_ready_before_its_end_settled_counts_from_the_end_of_its_time() -> None:
    """`ready` + `settle`; if ready does not come, from the end of its time."""
    story = Story(scenario=scenario(settle_ns=200 * MS))
    story.set("running", (0, 1), (story.cut_ns, 0))
    found = marks_of(story)
    assert "ready" not in found
    assert found["settled"] == found["restored"].later_by(1 * S + 200 * MS)


def test_a_controller_that_rides_through_is_never_dark() -> None:
    """The connection from before the cut answers after it."""
    found = marks_of(Story(off_ns=10 * MS).never_dark())
    assert "dark" not in found and "refused" not in found
    # two changes of the sign of life after the return, read every 10 ms: three polls at most
    assert found["ready"].not_after_ns <= found["restored"].not_after_ns + 31 * MS


def test_marks_come_one_after_the_other_while_the_cycle_goes_on() -> None:
    """Live, with what was read so far, nothing is known of what has not come."""
    story = Story(end_ns=3_100 * MS)
    assert list(marks_of(story)) == ["cut", "dark", "restored", "settled", "end"]
    assert marks_of(replace(Story(), switched=False)) == {"end": Bounds(4_900 * MS, 4_900 * MS)}


@examples(10)
@given(by=st.integers(-999 * S, 10**15))
def test_moving_all_timestamps_moves_all_marks(by: int) -> None:
    """Only differences matter."""
    story = Story()
    records, samples = story.records(), story.samples()
    still = progress_of(story.rig, story.scenario, records, samples).marks
    later = progress_of(story.rig, story.scenario, *moved(records, samples, by)).marks
    assert later == {name: bounds.later_by(by) for name, bounds in still.items()}


# ---------------------------------------------------------------- live questions


def test_a_condition_has_held_since_its_last_change() -> None:
    """Bounds of the change: after the last read against it was sent, not after the first for it came."""
    story = Story(end_ns=1_500 * MS)
    story.set("burner_terminal", (0, 0), (800 * MS, 1))
    traces = traces_before_a_cut(story.rig, story.samples())
    held = condition_held(traces, [("burner_terminal", ON), ("fan_terminal", ON)], T0 + 100 * MS)
    assert held is not None
    since = held.since
    assert since.not_before_ns < T0 + 800 * MS <= since.not_after_ns
    assert since.not_after_ns - since.not_before_ns < 10 * MS


def test_a_condition_that_does_not_hold_now_has_not_held() -> None:
    """Also one that did a moment ago."""
    story = Story(end_ns=1_500 * MS)
    story.set("burner_terminal", (0, 1), (1_480 * MS, 0))
    traces = traces_before_a_cut(story.rig, story.samples())
    assert condition_held(traces, [("burner_terminal", ON)], T0) is None


def test_a_condition_that_was_not_read_for_a_second_is_not_known_to_hold() -> None:
    """One that was, before and after, holds only since after."""
    story = Story(end_ns=1_900 * MS).hide("independent", 300 * MS, 1_500 * MS)
    traces = traces_before_a_cut(story.rig, story.samples())
    held = condition_held(traces, [("burner_terminal", ON)], T0)
    assert held is not None and held.since.not_after_ns >= T0 + 1_500 * MS


def test_reads_sent_before_the_question_do_not_answer_it() -> None:
    """An `expect` after a press must not be met by a read from before it."""
    story = Story(end_ns=1_500 * MS)
    traces = traces_before_a_cut(story.rig, story.samples())
    assert condition_held(traces, [("burner_terminal", ON)], T0 + 1_500 * MS) is None
    assert condition_held(traces, [("running", Wanted(above=3))], T0) is None
    assert condition_held(traces, [], T0) is None


def test_the_runner_and_the_judgement_see_the_same_ready() -> None:
    """As soon as it has held for `steady`, and not before; the upper bound is the same ever after."""
    story = Story()
    final = marks_of(story)["ready"]
    for after in (50 * MS, 95 * MS, 125 * MS, 400 * MS):
        now = replace(story, end_ns=final.not_after_ns + after)
        live = ready_since(now.rig, traces_before_a_cut(now.rig, now.samples()), T0 + story.back_ns)
        if after < 100 * MS:
            assert live is None
        else:
            assert live is not None and live.not_after_ns == T0 + final.not_after_ns


@pytest.mark.parametrize("alive", ["heartbeat", None])
def test_a_running_controller_is_ready_from_the_start(alive: str | None) -> None:
    """Before the first step the bench asks with an instant long past."""
    rig = dryer(ready=Ready((("running", ON),), 100 * MS, alive, 1 * S))
    story = Story(rig=rig, end_ns=1 * S)
    assert ready_since(rig, traces_before_a_cut(rig, story.samples()), T0) is not None


def test_what_became_of_the_connection_is_worked_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """It goes over every row of the link, and three marks and the findings ask for it."""
    asked: list[tuple[Bounds, Bounds]] = []
    real = Reachability._fate
    monkeypatch.setattr(Reachability, "_fate", lambda one, *span: asked.append(span) or real(one, *span))  # type: ignore[func-returns-value]
    Story().judge()
    assert len(asked) == len(set(asked)) == 1


class Blinking(Story):
    """Its sign of life is a bit that turns every 10 ms."""

    def value(self, name: str, at_ns: int) -> float:
        """What is true at an instant."""
        return float(at_ns // (10 * MS) % 2) if name == "heartbeat" else super().value(name, at_ns)


@pytest.mark.parametrize("to_ms", [200, 205, 210, 215])
def test_a_bit_that_is_the_same_on_both_sides_of_a_gap_did_not_stand_in_it(to_ms: int) -> None:
    """The bench stood still just as the program began: it was ready when it truly was."""
    story = Blinking()
    story.hide("controller", story.running_ns + 5 * MS, story.running_ns + to_ms * MS)
    assert marks_of(story)["ready"].not_before_ns <= story.running_ns


# ---------------------------------------------------------------- an image that lags


class Copied(Story):
    """A program that stands from the cut on, behind a gateway whose copy is 400 ms old."""

    def value(self, name: str, at_ns: int) -> float:
        """The state of 400 ms ago."""
        controllers = name in ("heartbeat", "uptime", "running", "burner", "fan")
        return super().value(name, min(at_ns - 400 * MS, self.cut_ns) if controllers else at_ns)


def test_what_a_lagging_image_shows_of_before_the_return_is_no_sign_of_life_after_it() -> None:
    """It moves on for 400 ms after the return, as the rig file's `image_lag` says."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF),))
    lagging = replace(rig.devices["controller"], image_lag_ns=400 * MS)
    told = Copied(rig=replace(rig, devices={**rig.devices, "controller": lagging}), off_ns=50 * MS, end_ns=4 * S)
    assert "alive" not in marks_of(told.never_dark())


def test_a_lagging_image_that_moves_on_is_alive_once_it_shows_what_came_after_the_return() -> None:
    """Two changes later, not two changes after the return."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF),))
    lagging = replace(rig.devices["controller"], image_lag_ns=400 * MS)
    told = Story(rig=replace(rig, devices={**rig.devices, "controller": lagging}), off_ns=50 * MS, end_ns=4 * S)
    alive = marks_of(told.never_dark())["alive"]
    assert told.back_ns + 400 * MS <= alive.not_after_ns <= told.back_ns + 500 * MS


@pytest.mark.parametrize(("between", "since_ms"), [(1.0, 0), (0.0, 40)], ids=["held", "read otherwise"])
def test_what_held_on_both_sides_of_a_hole_may_have_held_since_before_it(between: float, since_ms: int) -> None:
    """Reads of 0 to 40 ms, then none for two seconds: a silence is no sign that the condition was not met, so what
    holds after it came no later than before; where the last read before it said otherwise, it came after that one."""
    times = [0, 20, 40, 2_040, 2_060]
    values = np.array([1.0, 1.0, between, 1.0, 1.0])
    early = np.array(times, dtype=np.int64) * MS
    last = held_spans(Reads(early, early + MS, values), ON, 0)[-1]
    assert last.since == Bounds(since_ms * MS, 2_041 * MS)
