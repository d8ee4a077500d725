"""Traces: which reads count (rule 3), changes with bounds, gaps."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, T0, S, Story, dryer, traces_before_a_cut
from restart_bench.evidence.traces import Reads, Trace, changes_of, conforming, gaps_of, long_gaps, pace_ns
from restart_bench.model.rig import Device, Levels, Point, Ready, Rig, Value, Wanted
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind, SampleLayout

Row = tuple[int, SampleKind, int, int, int, dict[str, float]]


def small_rig(alive: str | None = "heartbeat", **device: int) -> Rig:
    """A controller with an output and a heartbeat, and an independent input."""
    points = (
        Point("fan", "controller", "coil", 0),
        Point("heartbeat", "controller", "input_register", 0, type="uint16"),
        Point("lamp", "independent", "discrete_input", 0),
        Point("blink", "independent", "discrete_input", 1),
        Point("rail", "independent", "input_register", 0, type="uint16", levels=Levels(5, 15)),
    )
    return Rig(
        "trainer",
        "harmless",
        {
            "controller": Device("controller", "192.0.2.10", powered_by_supply=True, **device),
            "independent": Device("independent", "192.0.2.20", **device),
        },
        {point.name: point for point in points},
        ready=Ready(alive=alive),
    )


CONTROLLER = SampleLayout("controller", ("read coils", "read input registers"), (("fan", "b"), ("heartbeat", "d")))
INDEPENDENT = SampleLayout(
    "independent", ("read inputs", "read registers"), (("lamp", "b"), ("blink", "b"), ("rail", "d"))
)


def samples(layout: SampleLayout, *rows: Row) -> dict[str, DeviceSamples]:
    """Samples from rows: request, kind, connection, sent, received, values."""
    told = [
        (1, request, kind.value, 0, link, sent, received, *_cells(layout, values))
        for request, kind, link, sent, received, values in rows
    ]
    return {layout.device: DeviceSamples(layout, np.array(told, dtype=layout.dtype()))}


def _cells(layout: SampleLayout, values: dict[str, float]) -> list[float]:
    return [values.get(name, -1 if code == "b" else np.nan) for name, code in layout.points]


def controller_rows(beats: list[int], link: int = 1, start: int = 0) -> list[Row]:
    """Rounds of reads every 10 units: the output (on), then the heartbeat with these values."""
    rows: list[Row] = []
    for place, beat in enumerate(beats):
        at = start + 10 * place
        rows.append((0, SampleKind.GOOD, link, at, at + 2, {"fan": 1}))
        rows.append((1, SampleKind.GOOD, link, at + 3, at + 5, {"heartbeat": beat}))
    return rows


# ---------------------------------------------------------------- rule 3


def test_reads_count_from_the_second_change_of_alive() -> None:
    """The first change may lead from a stale image to the first scan; the second shows that scans follow each other."""
    traces = traces_before_a_cut(small_rig(), samples(CONTROLLER, *controller_rows([5, 5, 6, 7, 8])))
    assert traces["heartbeat"].counts.tolist() == [False, False, False, True, True]
    assert traces["fan"].counts.tolist() == [False, False, False, False, True]


def test_each_connection_has_to_show_life_anew() -> None:
    """What the old connection showed says nothing about the device behind the new one."""
    rows = controller_rows([1, 2, 3, 4]) + controller_rows([4, 4, 5], link=2, start=100)
    traces = traces_before_a_cut(small_rig(), samples(CONTROLLER, *rows))
    assert traces["heartbeat"].counts.tolist() == [False, False, True, True, False, False, False]


def test_without_alive_reads_count_from_the_first_good_reply() -> None:
    """Then there is nothing else to go by; `check` warns of it."""
    traces = traces_before_a_cut(small_rig(alive=None), samples(CONTROLLER, *controller_rows([5, 5, 5])))
    assert traces["fan"].counts.all()


def test_a_sign_of_life_that_never_moves_makes_no_read_count() -> None:
    """A controller that answers with a frozen image proves nothing."""
    traces = traces_before_a_cut(small_rig(), samples(CONTROLLER, *controller_rows([5] * 9)))
    assert not traces["fan"].counts.any()
    assert len(traces["fan"].reads) == 0
    assert len(traces["fan"].seen) == 9


def test_a_sign_of_life_on_independent_io_counts_from_the_first_good_reply_on() -> None:
    """A lamp that blinks in every scan, read by an independent input: two changes after the first reply."""
    blinks: list[Row] = [
        (0, SampleKind.GOOD, 1, at, at + 1, {"lamp": 0, "blink": value})
        for at, value in ((0, 0), (4, 1), (8, 0), (12, 1), (16, 0), (20, 1))
    ]
    controller = samples(CONTROLLER, *controller_rows([0, 0, 0], start=6))
    traces = traces_before_a_cut(small_rig(alive="blink"), {**controller, **samples(INDEPENDENT, *blinks)})
    assert traces["fan"].counts.tolist() == [False, True, True]


def test_independent_reads_count_throughout() -> None:
    """Their supply is not cut."""
    rows: list[Row] = [(0, SampleKind.GOOD, 1, at, at + 1, {"lamp": 1, "blink": 0}) for at in (0, 5, 10)]
    assert traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["lamp"].counts.all()


def test_reads_of_a_connection_from_before_the_cut_go_on_counting_while_it_lasts() -> None:
    """A controller that rides through a dip keeps its connection, and its reads count all along."""
    traces = traces_before_a_cut(dryer(), Story().never_dark().samples())
    trace = traces["running"]
    assert trace.counts[trace.sent_ns > T0 + S].all()


# ---------------------------------------------------------------- blind


def test_silence_is_not_off() -> None:
    """Unanswered requests and exceptions are rows without a value (rule 2)."""
    rows: list[Row] = [
        (0, SampleKind.GOOD, 1, 0, 1, {"lamp": 1, "blink": 0}),
        (0, SampleKind.SILENT, 1, 5, 9, {}),
        (0, SampleKind.EXCEPTION, 1, 10, 11, {}),
        (0, SampleKind.LATE, 1, 5, 12, {}),
        (0, SampleKind.GOOD, 1, 15, 16, {"lamp": 0, "blink": 0}),
    ]
    trace = traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["lamp"]
    assert np.isnan(trace.value).tolist() == [False, True, True, True, False]
    assert trace.reads.value.tolist() == [1.0, 0.0]


def test_an_unanswered_request_blinds_its_own_points_and_no_others() -> None:
    """The registers of the device go on being known."""
    rows: list[Row] = [
        (0, SampleKind.GOOD, 1, 0, 1, {"lamp": 1, "blink": 0}),
        (1, SampleKind.GOOD, 1, 2, 3, {"rail": 20}),
        (0, SampleKind.SILENT, 1, 5, 9, {}),
        (1, SampleKind.GOOD, 1, 10, 11, {"rail": 20}),
    ]
    traces = traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))
    assert np.isnan(traces["lamp"].value).tolist() == [False, True]
    assert traces["rail"].value.tolist() == [1.0, 1.0]


def test_between_the_levels_a_register_is_undefined_and_so_blind() -> None:
    """off_below 5, on_above 15; both ends belong to their state."""
    rows: list[Row] = [
        (1, SampleKind.GOOD, 1, 2 * place, 2 * place + 1, {"rail": value})
        for place, value in enumerate((0, 5, 6, 14, 15, 24))
    ]
    value = traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["rail"].value
    assert value[[0, 1, 4, 5]].tolist() == [0.0, 0.0, 1.0, 1.0]
    assert np.isnan(value[2:4]).all()


def test_a_float_that_is_not_a_number_is_blind() -> None:
    """NaN is what a register means when it has nothing to say."""
    rows: list[Row] = [(1, SampleKind.GOOD, 1, at, at + 1, {"rail": v}) for at, v in ((0, 1.0), (5, np.nan), (9, 20.0))]
    assert traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["rail"].reads.value.tolist() == [0.0, 1.0]


def test_points_without_samples_have_empty_traces() -> None:
    """A device that was never reached leaves nothing, and that is no fault."""
    traces = traces_before_a_cut(small_rig(), samples(CONTROLLER, (CONNECT, SampleKind.SILENT, 1, 0, 5, {})))
    assert len(traces["fan"].value) == len(traces["lamp"].value) == 0
    assert changes_of(traces["fan"]) == []


def test_only_the_points_asked_for_are_built() -> None:
    """A live view needs few of them."""
    rows: list[Row] = [(0, SampleKind.GOOD, 1, 0, 1, {"lamp": 1, "blink": 0})]
    assert list(traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows), points={"lamp"})) == ["lamp"]


# ---------------------------------------------------------------- changes


def test_a_change_lies_after_the_sending_of_the_earlier_read_and_not_after_the_receipt_of_the_later() -> None:
    """Interval censoring, (L, R] (Zhang and Sun, Stat. Methods Med. Res. 2010, 19:53-70), for polled reads."""
    rows: list[Row] = [
        (0, SampleKind.GOOD, 1, at, at + 3, {"lamp": v, "blink": 0}) for at, v in ((0, 0), (10, 0), (20, 1), (30, 1))
    ]
    (change,) = changes_of(traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["lamp"])
    assert (change.before, change.after, change.counts) == (0.0, 1.0, True)
    assert (change.bounds.not_before_ns, change.bounds.not_after_ns) == (10, 23)


def test_image_lag_and_input_delay_move_lower_bounds_earlier() -> None:
    """If the server answers from a copy up to s old, L becomes send time minus s (derived); a filter does the same."""
    rows: list[Row] = [
        (0, SampleKind.GOOD, 1, at, at + 3, {"lamp": v, "blink": 0}) for at, v in ((0, 0), (10, 0), (20, 1))
    ]
    rig = small_rig(image_lag_ns=4, input_delay_ns=2)
    (change,) = changes_of(traces_before_a_cut(rig, samples(INDEPENDENT, *rows))["lamp"])
    assert (change.bounds.not_before_ns, change.bounds.not_after_ns) == (4, 23)


def test_a_change_across_a_blind_span_has_bounds_as_wide_as_that_span() -> None:
    """Nothing is known in between."""
    rows: list[Row] = [
        (0, SampleKind.GOOD, 1, 0, 3, {"lamp": 0, "blink": 0}),
        (0, SampleKind.SILENT, 1, 10, 40, {}),
        (0, SampleKind.GOOD, 1, 50, 53, {"lamp": 1, "blink": 0}),
    ]
    (change,) = changes_of(traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["lamp"])
    assert (change.bounds.not_before_ns, change.bounds.not_after_ns) == (0, 53)


def test_changes_of_reads_that_do_not_count_are_listed_as_such_and_move_no_bounds() -> None:
    """A stale image that says off between two counting reads of on is no change that counts."""
    sent = np.arange(0, 60, 10, dtype=np.int64)
    trace = Trace(
        "fan",
        sent,
        sent + 2,
        np.array([1.0, 1.0, 0.0, 0.0, 1.0, 0.0]),
        np.array([True, True, False, False, True, True]),
    )
    found = [(c.bounds.not_before_ns, c.bounds.not_after_ns, c.before, c.after, c.counts) for c in changes_of(trace)]
    assert found == [(10, 22, 1.0, 0.0, False), (40, 52, 1.0, 0.0, True)]


@examples(60)
@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(1, 9), st.booleans()), min_size=2, max_size=40),
    st.lists(st.integers(0, 900), max_size=12, unique=True),
)
def test_bounds_of_changes_contain_the_true_transitions(polls: list[tuple[int, int, bool]], toggles: list[int]) -> None:
    """Truth polled at random, some polls lost: every change found holds a true transition in its bounds, and there is
    one wherever two reads in a row differ."""
    instants = sorted(toggles)

    def truth(at: int) -> int:
        return sum(toggle <= at for toggle in instants) % 2

    rows: list[Row] = []
    at = 0
    for pause, latency, lost in polls:
        at += pause
        seen = {"lamp": truth(at + latency // 2), "blink": 0}
        rows.append((0, SampleKind.SILENT if lost else SampleKind.GOOD, 1, at, at + latency, {} if lost else seen))
        at += latency
    changes = list(changes_of(traces_before_a_cut(small_rig(), samples(INDEPENDENT, *rows))["lamp"]))
    read = [row[5]["lamp"] for row in rows if row[5]]
    assert len(changes) == sum(one != other for one, other in itertools.pairwise(read))
    for change in changes:
        assert any(change.bounds.not_before_ns < t <= change.bounds.not_after_ns for t in instants)


# ---------------------------------------------------------------- gaps


def reads(*spans: tuple[int, int]) -> Reads:
    """Reads that began and ended at these instants."""
    early, late = zip(*spans, strict=True) if spans else ((), ())
    return Reads(np.array(early, dtype=np.int64), np.array(late, dtype=np.int64), np.zeros(len(spans)))


def test_a_gap_lasts_from_the_sending_of_the_earlier_read_to_the_receipt_of_the_later() -> None:
    """No hidden pulse was ever longer than that (measured on 17 676 transitions)."""
    begins, ends = gaps_of(reads((0, 2), (10, 12), (20, 25)), 0, 25)
    assert list(zip(begins.tolist(), ends.tolist(), strict=True))[1:3] == [(0, 12), (10, 25)]


def test_gaps_reach_to_both_ends_of_the_span() -> None:
    """Before the first read and after the last one nothing is known either."""
    assert long_gaps(reads((50, 51)), 0, 100, 40) == [(0, 51), (50, 100)]
    assert long_gaps(reads(), 0, 100, 40) == [(0, 100)]
    assert long_gaps(reads((0, 1)), 100, 100, 1) == []


POLLS = st.lists(st.tuples(st.integers(1, 90), st.integers(0, 30), st.integers(0, 30)), min_size=1, max_size=30)
"""Reads one after another: pause before it, from its sending to the instant it tells of, from there to its receipt."""


def polled(polls: list[tuple[int, int, int]]) -> tuple[Reads, list[int]]:
    """The reads as the bench knows them, and the instants that they truly tell of."""
    at, spans, told = 0, [], []
    for pause, there, back in polls:
        at += pause
        told.append(at + there)
        spans.append((at, at + there + back))
        at += there + back
    return reads(*spans), told


@given(POLLS, st.integers(0, 2000), st.integers(1, 400))
def test_a_pulse_that_no_read_tells_of_lies_in_a_gap_of_its_length(
    polls: list[tuple[int, int, int]], start: int, length: int
) -> None:
    """A pulse of length p is always caught by instants at most p apart (derived); what is not caught is listed."""
    known, told = polled(polls)
    if not any(start <= at < start + length for at in told):
        listed = long_gaps(known, 0, 5000, length)
        assert any(begin <= start and start + length <= end for begin, end in listed)


@given(POLLS)
def test_no_gap_is_wider_than_what_it_may_hide(polls: list[tuple[int, int, int]]) -> None:
    """Each gap between two reads is as long as the longest pulse that they can miss: the earlier one told of its
    sending, the later one of its receipt. Gaps that were wider would throw evidence away."""
    known, _ = polled(polls)
    begins, ends = gaps_of(known, 0, 5000)
    sent, received = known.early.tolist(), known.late.tolist()
    assert begins.tolist()[1:] == sent
    assert ends.tolist()[:-1] == received


def test_reads_that_overtook_each_other_only_widen_bounds() -> None:
    """Two connections for a moment: lower bounds may go down, upper bounds up, never the other way."""
    trace = Trace("fan", np.array([10, 5, 20]), np.array([12, 14, 22]), np.array([0.0, 1.0, 1.0]), np.array([True] * 3))
    assert trace.reads.early.tolist() == [5, 5, 20]
    assert trace.reads.late.tolist() == [12, 14, 22]


# ---------------------------------------------------------------- conditions

WANTED = (
    Wanted(equals=True),
    Wanted(equals=14.5, tolerance=0.05),
    Wanted(one_of=(0, 3)),
    Wanted(above=2.0),
    Wanted(below=3),
    Wanted(above=1, below=4),
    Wanted(as_before=True, tolerance=0.5),
    Wanted(change=(0, 1)),
)


@given(
    st.sampled_from(WANTED),
    st.lists(st.sampled_from([0, 1, 2, 3, 4, 14.45, 14.5, 14.56]), min_size=1, max_size=6),
    st.integers(0, 4),
)
def test_many_values_are_tested_as_each_one_is(wanted: Wanted, values: list[Value], before: int) -> None:
    """`conforming` is `Wanted.met_by`, vectorised."""
    found = conforming(wanted, np.array(values, dtype=float), before)
    assert found.tolist() == [wanted.met_by(value, before) for value in values]


def test_a_test_against_the_value_before_needs_one() -> None:
    """As for a single value."""
    with pytest.raises(ValueError):
        conforming(Wanted(as_before=True), np.zeros(1))


def test_the_story_of_the_tests_is_polled_as_told() -> None:
    """The hand-made evidence shows its truth: rail off from 1 ms after the command to 1 ms after the command back."""
    story = replace(Story(), seed=3)
    fell, rose = changes_of(traces_before_a_cut(story.rig, story.samples())["rail"])
    assert fell.bounds.not_before_ns < T0 + 2 * S + MS <= fell.bounds.not_after_ns
    assert rose.bounds.not_before_ns < T0 + 3 * S + MS <= rose.bounds.not_after_ns


def test_a_hole_in_the_reads_is_no_slow_heartbeat() -> None:
    """Where nothing was read for far longer than usual the sign of life may have moved any number of times: the pace is
    what was read of it, unless most of it was read so."""
    read = np.arange(0, 2_000 * MS, 5 * MS)
    whole = pace_ns(read, read + MS, (read // (20 * MS)).astype(float))
    seen = read[(read < 200 * MS) | (read > 1_700 * MS)]
    assert pace_ns(seen, seen + MS, (seen // (20 * MS)).astype(float)) == whole == 26 * MS
    slow = np.arange(0, 2_000 * MS, 100 * MS)
    assert pace_ns(slow, slow + MS, (slow // (20 * MS)).astype(float)) == 201 * MS
