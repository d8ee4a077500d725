"""The one rule on which every time of the bench rests, against a server that logs what was true and when.

Rule (interval censoring; Zhang and Sun, Stat. Methods Med. Res. 2010, 19:53-70, for polled reads): a change between
two good reads lies after the sending of the earlier and not after the receipt of the later one.
"""

from __future__ import annotations

import bisect
import itertools
import time

import pytest

from restart_bench.observing import Observing
from restart_bench.records import SampleKind
from restart_bench.rig import Device, Point
from stand_in import MS, StandIn
from transitions import Transition, changed_within, read_transitions

POINTS = 16
Read = tuple[int, int, int]  # sent, received, value


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, list[Transition]], dict[str, list[Read]]]:
    """Truth and reads of 16 bits that change at random, polled at 100 Hz through three outages."""
    folder = tmp_path_factory.mktemp("bounds")
    points = [Point(f"b{place}", "controller", "coil", place) for place in range(POINTS)]
    with StandIn(folder / "truth.jsonl") as server:
        device = Device("controller", "127.0.0.1", server.port, answer_within_ns=50 * MS)
        with Observing([device], points, folder) as observing:
            observing.set_cycle(1)
            server.do("toggle", points=POINTS, mean_ms=50)
            for _ in range(3):
                time.sleep(3)
                outage(server)
            time.sleep(2)
            server.do("toggle", points=0, mean_ms=0)
            time.sleep(0.3)
            records = observing.samples(1)["controller"].records
    truth = read_transitions(folder / "truth.jsonl", ("image",))
    good = records[records["kind"] == SampleKind.GOOD]
    reads = {
        point.name: list(
            zip(
                good["sent_ns"].tolist(),
                good["received_ns"].tolist(),
                good[f"p:{point.name}"].tolist(),
                strict=True,
            )
        )
        for point in points
    }
    return truth, reads


def outage(server: StandIn) -> None:
    """Silent, refused, accepted and silent, then back: values go on changing all the time."""
    server.do("freeze")
    time.sleep(0.3)
    server.do("refuse")
    server.do("reset")
    server.do("thaw")
    time.sleep(0.2)
    server.do("listen")
    time.sleep(0.2)
    server.do("serve")


def test_every_change_lies_between_the_sending_before_and_the_receipt_after(
    watched: tuple[dict[str, list[Transition]], dict[str, list[Read]]],
) -> None:
    """At least 2,000 true transitions at 100 Hz with outages: for each change seen, a true transition to the new
    value lies in (sent of the earlier good read, received of the later], none is outside."""
    truth, reads = watched
    assert sum(len(transitions) for transitions in truth.values()) >= 2000
    seen, outside = changes_outside(truth, reads, shift_ns=0)
    assert seen >= 1000
    assert outside == 0


@pytest.mark.parametrize("shift_ms", [-12, 12])
def test_bounds_that_are_off_by_a_poll_would_be_noticed(
    watched: tuple[dict[str, list[Transition]], dict[str, list[Read]]], shift_ms: int
) -> None:
    """The check above is sharp: with all reads moved by a little more than one poll most changes fall outside."""
    truth, reads = watched
    seen, outside = changes_outside(truth, reads, shift_ns=shift_ms * MS)
    assert outside > seen / 2


def changes_outside(truth: dict[str, list[Transition]], reads: dict[str, list[Read]], shift_ns: int) -> tuple[int, int]:
    """How many changes were seen, and how many of them have no true transition within their bounds."""
    seen = outside = 0
    for name, good in reads.items():
        for (sent, _, before), (_, received, after) in itertools.pairwise(good):
            if before != after:
                seen += 1
                outside += not changed_within(truth[name], sent + shift_ns, received + shift_ns, bool(after))
    return seen, outside


def test_every_value_was_true_between_its_sending_and_its_receipt(
    watched: tuple[dict[str, list[Transition]], dict[str, list[Read]]],
) -> None:
    """A good read never tells a value that was not there while it was on its way."""
    truth, reads = watched
    checked = 0
    for name, good in reads.items():
        transitions = truth[name]
        for sent, received, value in good:
            last = bisect.bisect_right(transitions, sent, key=lambda each: each[0]) - 1
            possible = {transitions[last][2] if last >= 0 else False}
            place = last + 1
            if last >= 0 and transitions[last][1] > sent:
                possible.add(not transitions[last][2])
            while place < len(transitions) and transitions[place][0] <= received:
                possible.add(transitions[place][2])
                place += 1
            assert bool(value) in possible
            checked += 1
    assert checked >= 10_000


def test_no_pulse_that_was_hidden_is_longer_than_the_gap_that_hid_it(
    watched: tuple[dict[str, list[Transition]], dict[str, list[Read]]],
) -> None:
    """A state that no read shows lasted at most from the sending of a read to the receipt of the next: the shortest
    pulse that a run excludes follows from its largest gap."""
    truth, reads = watched
    hidden, longer = pulses_hidden(truth, reads, shift_ns=0)
    assert hidden > 0
    assert longer == 0


@pytest.mark.parametrize("shift_ms", [-12, 12])
def test_reads_that_are_off_by_a_poll_would_hide_pulses_that_are_longer_than_a_gap(
    watched: tuple[dict[str, list[Transition]], dict[str, list[Read]]], shift_ms: int
) -> None:
    """The check above is sharp: with all reads moved by a little more than one poll, it finds such pulses."""
    assert pulses_hidden(*watched, shift_ns=shift_ms * MS)[1] > 0


def pulses_hidden(truth: dict[str, list[Transition]], reads: dict[str, list[Read]], shift_ns: int) -> tuple[int, int]:
    """How many true states no read shows while they may have lasted, and how many of them surely lasted longer than
    every gap that they touch."""
    hidden = longer = 0
    for name, good in reads.items():
        sent = [read[0] + shift_ns for read in good]
        received = [read[1] + shift_ns for read in good]
        for (begun, surely_on, value), (surely_till, over, _) in itertools.pairwise(truth[name]):
            first = bisect.bisect_left(received, begun)
            last = bisect.bisect_right(sent, over)
            if not 0 < first <= last < len(good) or any(bool(read[2]) == value for read in good[first:last]):
                continue
            hidden += 1
            gaps = [received[place + 1] - sent[place] for place in range(first - 1, last)]
            longer += surely_till - surely_on > max(gaps)
    return hidden, longer
