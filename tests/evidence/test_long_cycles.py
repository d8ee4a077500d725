"""What is told in fewer rows gives the same answers: the judgement to the last letter, and what is asked meanwhile."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, T0, S, Story, traces_before_a_cut
from long_stories import in_pieces, long_story, samples_of, sources_of
from restart_bench.evidence.long_cycles import LISTED_NS, samples_to_judge
from restart_bench.evidence.marks import condition_held, progress_of, ready_since, traces_of
from restart_bench.evidence.traces import Trace, changes_of, longest_gap_ns
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.clock import BLIND_NS, Bounds
from restart_bench.model.codec import to_line
from restart_bench.model.condensing import Condenser, Keep, condense, condensed, with_counts
from restart_bench.model.journal import STANDS_FOR, CycleRecords
from restart_bench.model.rig import Wanted
from restart_bench.model.samples import DeviceSamples
from restart_bench.report.record.pieces import trace_pieces

ON_NOW = [(name, Wanted(equals=value)) for name in ("burner_terminal", "rail") for value in (True, False)]
NARROW_NS = 20 * MS
"""So little is kept about what matters in these tests that seconds suffice to tell a story of hours."""


def judged_both_ways(seed: int) -> tuple[str, str, float]:
    """A story judged from all samples and from condensed ones, and the share of rows that was left."""
    story = long_story(seed)
    records, samples = story.records(), samples_of(story)
    few = samples_to_judge(story.rig, story.scenario, records, sources_of(samples), whole=0, margin_ns=NARROW_NS)
    left = sum(len(one.records) for one in few.values()) / sum(len(one.records) for one in samples.values())
    plain, short = (to_line(judge_cycle(story.rig, story.scenario, records, one)) for one in (samples, few))
    return plain, short, left


def test_a_long_cycle_is_judged_to_the_letter_as_from_all_its_samples() -> None:
    """Verdicts, reasons, figures, marks and counts of reads are the same, although rows were left out."""
    told = [judged_both_ways(seed) for seed in (*range(6), 101, 136, 2018, 2093)]
    assert [short for _, short, _ in told] == [plain for plain, _, _ in told]
    assert float(np.mean([left for _, _, left in told])) < 0.75


@pytest.mark.slow
@pytest.mark.parametrize("part", range(40))
def test_many_long_cycles_are_judged_to_the_letter(part: int) -> None:
    """The same over a thousand stories."""
    for seed in range(1000 + 25 * part, 1025 + 25 * part):
        plain, short, _ = judged_both_ways(seed)
        assert short == plain, seed


def test_short_cycles_are_judged_from_all_their_samples() -> None:
    """Nothing is condensed that fits into memory easily."""
    story = Story()
    samples = story.samples()
    taken = samples_to_judge(story.rig, story.scenario, story.records(), sources_of(samples))
    assert {name: one.records.tobytes() for name, one in taken.items()} == {
        name: one.records.tobytes() for name, one in samples.items()
    }


# ---------------------------------------------------------------- while a cycle goes on


class Going:
    """A cycle while it goes on: samples come, commands are given, and everything is asked in both forms."""

    def __init__(self, story: Story) -> None:
        self.story = story
        self._samples = samples_of(story)
        self._taken = dict.fromkeys(self._samples, 0)
        keep = Keep(BLIND_NS, margin_ns=NARROW_NS)
        self._held = {name: Condenser(one.layout, keep, block=128) for name, one in self._samples.items()}
        self._told = [each for switching in story.records().switchings for each in (switching.before_ns,)]

    def up_to(self, now_ns: int) -> None:
        """Everything that came by now, in small pieces; what was commanded is known when it is."""
        for command_ns in [one for one in self._told if one <= now_ns]:
            self._take(command_ns)
            for held in self._held.values():
                held.keep(command_ns)
            self._told.remove(command_ns)
        self._take(now_ns)

    def _take(self, now_ns: int) -> None:
        for name, one in self._samples.items():
            end = int(np.searchsorted(one.records["received_ns"], now_ns, side="right"))
            for low in range(self._taken[name], end, 37):
                self._held[name].add(one.records[low : min(low + 37, end)])
            self._taken[name] = max(end, self._taken[name])

    def plain(self) -> dict[str, DeviceSamples]:
        """All samples so far."""
        return {name: replace(one, records=one.records[: self._taken[name]]) for name, one in self._samples.items()}

    def short(self) -> dict[str, DeviceSamples]:
        """The same condensed."""
        return {name: held.samples() for name, held in self._held.items()}


def journal_so_far(story: Story, now_ns: int) -> CycleRecords:
    """The journal of a cycle that goes on."""
    whole = story.records()
    return replace(whole, switchings=tuple(one for one in whole.switchings if one.after_ns <= now_ns), ended=None)


def held_now(traces: dict[str, Trace], one: tuple[str, Wanted], from_ns: int) -> tuple[Bounds, int] | None:
    """From when to when a condition has held that holds now."""
    span = condition_held(traces, [one], from_ns)
    return None if span is None else (span.since, span.until_ns)


def answers(story: Story, samples: dict[str, DeviceSamples], now_ns: int) -> list[object]:
    """Everything that is asked while a cycle goes on: its marks, ready, what held since the last command, changes."""
    rig, records = story.rig, journal_so_far(story, now_ns)
    since = [T0, *(one.before_ns for one in records.switchings)]
    traces = traces_of(rig, records, samples)
    wanted = [*rig.ready.when, *((name, one) for name, one in ON_NOW)]
    return [
        progress_of(rig, story.scenario, records, samples),
        [ready_since(rig, traces, from_ns) for from_ns in since],
        [held_now(traces, one, from_ns) for one in wanted for from_ns in since],
        [changes_of(traces[name]) for name in ("burner_terminal", "fan_terminal", "rail", "running")],
    ]


def both_answers(seed: int) -> tuple[list[object], list[object], float]:
    """All answers along a story, from condensed and from all samples, and the share of rows that was left."""
    going = Going(long_story(seed))
    short, plain = [], []
    for now_ns in range(T0 + S, T0 + going.story.end_ns, 870 * MS):
        going.up_to(now_ns)
        short.append(answers(going.story, going.short(), now_ns))
        plain.append(answers(going.story, going.plain(), now_ns))
    rows = [sum(len(one.records) for one in samples.values()) for samples in (going.short(), going.plain())]
    return short, plain, rows[0] / rows[1]


def test_what_is_asked_meanwhile_is_answered_as_from_all_samples() -> None:
    """Marks, `ready`, conditions and changes come out the same at every instant of a cycle."""
    told = [both_answers(seed) for seed in range(20, 25)]
    assert [short for short, _, _ in told] == [plain for _, plain, _ in told]
    assert float(np.mean([left for _, _, left in told])) < 0.75


# ---------------------------------------------------------------- rows


@cache
def usual_samples() -> DeviceSamples:
    """What the independent device tells in a usual cycle."""
    return Story().samples()["independent"]


@st.composite
def quiet_samples(draw: st.DrawFn) -> DeviceSamples:
    """Reads of an output that changes now and then, at a pace that varies."""
    one = usual_samples()
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(0, 600))
    rows = np.resize(one.records[:1], count)
    rows["request"] = rng.integers(0, 2, count)
    rows["sent_ns"] = T0 + np.cumsum(rng.integers(2 * MS, 6 * MS, count))
    rows["received_ns"] = rows["sent_ns"] + MS
    rows["p:fan_terminal"] = np.cumsum(rng.random(count) < draw(st.sampled_from([0.0, 0.002, 0.05]))) % 2
    return DeviceSamples(one.layout, rows)


@examples(20)
@given(quiet_samples(), st.integers(8, 200))
def test_rows_stand_for_all_samples_and_doing_it_again_changes_nothing(samples: DeviceSamples, block: int) -> None:
    """No sample is lost from the count, and what was condensed is condensed."""
    keep = Keep(50 * MS, margin_ns=NARROW_NS)
    short = condensed(samples.layout, in_pieces(samples), keep, block).records
    assert int(short[STANDS_FOR].sum()) == len(samples.records)
    once = condense(with_counts(samples.records), keep)
    assert condense(once, keep).tobytes() == once.tobytes()


@examples(20)
@given(quiet_samples())
def test_the_longest_gap_of_all_stays(samples: DeviceSamples) -> None:
    """Which pulse could have been missed does not depend on how the samples are told."""
    story, ends = Story(), (0, 2 * T0)
    short = condensed(samples.layout, in_pieces(samples), Keep(50 * MS, margin_ns=NARROW_NS), 64)
    gaps = [
        longest_gap_ns(traces_before_a_cut(story.rig, {"independent": one})["fan_terminal"].reads, *ends)
        for one in (samples, short)
    ]
    assert gaps[0] == gaps[1]


def test_a_long_cycle_is_drawn_as_from_all_its_samples() -> None:
    """Values, changes and blind spans of every lane are the same."""
    story = long_story(3)
    story.hide("independent", story.cut_ns + 1100 * MS, story.cut_ns + 1160 * MS)  # nothing else happens about it
    ends = T0, T0 + story.end_ns
    samples, keep = samples_of(story), Keep(LISTED_NS, margin_ns=NARROW_NS)
    short = {name: condensed(one.layout, in_pieces(one), keep, 128) for name, one in samples.items()}
    assert sum(len(one.records) for one in short.values()) < 0.5 * sum(len(one.records) for one in samples.values())
    plain, told = (traces_of(story.rig, story.records(), one) for one in (samples, short))
    for name, point in story.rig.points.items():
        device = story.rig.devices[point.device]
        assert trace_pieces(told[name], device, *ends) == trace_pieces(plain[name], device, *ends)
