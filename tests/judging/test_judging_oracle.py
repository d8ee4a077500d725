"""Never a false pass, never a false fail: random truths, polled through outages, exceptions and late answers, judged,
and held against a brute-force oracle that knows the truth and the rules, but nothing of how they are judged.

The oracle of a pass: no deviation of the truth within the span that was as long as the longest gap between good reads
(a shorter one can hide between two polls: rule 13). The oracle of a fail: the truth deviates within the span.
`test_judging_truth` holds `is`, `never`, `within` and gaps against the same rules.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, OFF, ON, T0, S, Story, expects, scenario, traces_before_a_cut
from restart_bench.evidence.traces import longest_gap_ns
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import CycleJudged, Finding
from restart_bench.model.rig import Wanted
from restart_bench.model.samples import DeviceSamples, SampleKind
from restart_bench.model.scenario import Expectation, Press, Step
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL
CUT, BACK = 2 * S, 3 * S
CLOSED = BACK + 2 * MS  # latest instant at which the relay truly closes
LOST = CUT + 5 * MS  # when the terminals fall
LIMIT = 20 * MS
Steps = list[tuple[int, float]]

seeds = st.integers(0, 1_000_000)
outages = st.lists(st.tuples(st.integers(1_900, 4_600), st.integers(1, 400)), max_size=3)
phases = st.lists(st.integers(21, 500), max_size=6)  # ms: what is shorter than `longer_than` can't be told apart


# ---------------------------------------------------------------- disturbed evidence


def disturbed(samples: Mapping[str, DeviceSamples], seed: int, share: float) -> dict[str, DeviceSamples]:
    """Some answers are exceptions, some never came, some came late (and held up what would have been asked)."""
    rng = random.Random(seed)
    return {name: _disturbed(one, rng, share) for name, one in samples.items()}


def _disturbed(samples: DeviceSamples, rng: random.Random, share: float) -> DeviceSamples:
    rows = samples.records.copy()
    keep = np.ones(len(rows), dtype=bool)
    busy_until = 0
    for place in range(len(rows)):
        if rows["sent_ns"][place] < busy_until:
            keep[place] = False
            continue
        if rows["kind"][place] != SampleKind.GOOD or rng.random() >= share:
            continue
        what = rng.choice(("exception", "silent", "late"))
        if what == "late":
            rows["received_ns"][place] += rng.randrange(1, 45) * MS
        else:
            rows["kind"][place] = SampleKind.EXCEPTION if what == "exception" else SampleKind.SILENT
            rows["received_ns"][place] = rows["sent_ns"][place] + (MS if what == "exception" else 50 * MS)
            for name, code in samples.layout.points:
                rows[f"p:{name}"][place] = -1 if code == "b" else np.nan
        busy_until = int(rows["received_ns"][place])
    kept = rows[keep]
    return replace(samples, records=kept[np.argsort(kept["received_ns"], kind="stable")])


class Told:
    """One story judged on disturbed evidence."""

    def __init__(self, story: Story, outage: list[tuple[int, int]], seed: int, share: float) -> None:
        device = "independent"
        for begin, length in outage:
            story.hide(device, begin * MS, (begin + length) * MS)
        self.story = story
        self.samples = disturbed(story.samples(), seed, share)
        self.judged: CycleJudged = judge_cycle(story.rig, story.scenario, story.records(), self.samples)

    def finding(self, point: str) -> Finding:
        """The one finding about a point, as it would be without errors of the cycle."""
        (one,) = (each for each in self.judged.findings if each.point == point)
        return replace(one, verdict=Verdict(one.figures.get("without_the_error", one.verdict)))

    def mark(self, name: str) -> int | None:
        """Latest bound of a mark, from the story's start."""
        bounds = self.judged.mark(name)
        return None if bounds is None else bounds.not_after_ns - T0

    def watch_end(self) -> int:
        """End of the watch: from `ready`, or from the end of the time for it."""
        ready, limit = self.mark("ready"), BACK + MS + 2 * MS + 1 * S
        begins = ready if ready is not None and ready <= limit else limit
        return begins + self.story.scenario.watch_ns

    def longest_gap(self, judged: str, start: int, end: int) -> int:
        """Between two good reads of a point in a span."""
        reads = traces_before_a_cut(self.story.rig, self.samples)[judged].reads
        return longest_gap_ns(reads, T0 + start, T0 + end)


def deviating(changes: Steps, start: int, end: int, conforms: Callable[[float], bool]) -> list[tuple[int, int]]:
    """Brute force: the spans within [start, end] in which the truth does not conform, neighbours joined."""
    found: list[tuple[int, int]] = []
    for (at, value), (until, _) in pairwise([*changes, (10**12, 0.0)]):
        begin, stop = max(at, start), min(until, end)
        if stop <= begin or conforms(value):
            continue
        if found and found[-1][1] == begin:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((begin, stop))
    return found


def toggled(from_ns: int, lengths: list[int], first: float) -> Steps:
    """Alternating states from an instant on, each for so many milliseconds (odd instants, never on a poll)."""
    changes, at, value = [(from_ns, first)], from_ns, first
    for length in lengths:
        at += length * MS + 137_000
        value = 1.0 - value
        changes.append((at, value))
    return changes


# ---------------------------------------------------------------- pulses: stays, returns


@examples(12)
@given(seed=seeds, lengths=phases, begin=st.integers(10, 900), outage=outages, share=st.floats(0, 0.3))
def test_stays_is_right_about_every_truth(
    seed: int, lengths: list[int], begin: int, outage: list[tuple[int, int]], share: float
) -> None:
    """A fan that has to stay on after the return: counted from its first conforming read."""
    truth = [(0, 1.0), (LOST, 0.0), *toggled(BACK + begin * MS, lengths, 1.0)]
    one = expects("fan", "stays", ON, longer_than_ns=LIMIT)
    told = Told(Story(seed=seed, scenario=scenario(one)).set("fan_terminal", *truth), outage, seed, share)
    verdict, end = told.finding("fan").verdict, told.watch_end()
    off = deviating(truth, BACK, end, lambda value: value == 1.0)
    after = [(start, stop) for start, stop in off if start > BACK]  # before its first on it need not conform
    if verdict is PASS:
        assert all(stop - start < LIMIT for start, stop in after)
    if verdict is FAIL:
        never_came = len(off) == 1 and off[0] == (BACK, end)
        assert never_came or any(stop - start >= LIMIT for start, stop in after)


@examples(12)
@given(seed=seeds, lengths=phases, begin=st.integers(1, 900), outage=outages, share=st.floats(0, 0.3))
def test_stays_through_a_dip_is_right_about_every_truth(
    seed: int, lengths: list[int], begin: int, outage: list[tuple[int, int]], share: float
) -> None:
    """`restart: none`, `stays: as before`: any deviation between the cut and the end of the watch."""
    truth = [(0, 1.0), *toggled(CUT + begin * MS, lengths, 0.0)]
    one = expects("fan", "stays", Wanted(as_before=True), longer_than_ns=LIMIT)
    story = Story(seed=seed, scenario=scenario(one, restart="none")).never_dark().set("fan_terminal", *truth)
    told = Told(story, outage, seed, share)
    verdict, end = told.finding("fan").verdict, told.watch_end()
    off = deviating(truth, CUT, end, lambda value: value == 1.0)
    if verdict is PASS:
        assert all(stop - start < LIMIT for start, stop in off)
    if verdict is FAIL:
        assert any(stop - start >= LIMIT for start, stop in off)


@examples(12)
@given(
    seed=seeds,
    lengths=phases,
    begin=st.integers(1, 1_500),
    outage=outages,
    share=st.floats(0, 0.3),
    until=st.booleans(),
)
def test_returns_never_is_right_about_every_truth(
    seed: int, lengths: list[int], begin: int, outage: list[tuple[int, int]], share: float, until: bool
) -> None:
    """It may stay on as long as it likes; once off, it stays off (to the watch's end, or the next command)."""
    truth = [(0, 1.0), *toggled(CUT + begin * MS, lengths, 0.0)]
    one = expects("fan", "returns", longer_than_ns=LIMIT, until="command" if until else "watch")
    told = Told(Story(seed=seed, scenario=scenario(one)).set("fan_terminal", *truth), outage, seed, share)
    verdict = told.finding("fan").verdict
    end = told.story.end_ns if until else told.watch_end()
    first_off = CUT + begin * MS
    on_again = deviating(truth, first_off, end, lambda value: value == 0.0)
    if verdict is PASS:
        assert all(stop - start < LIMIT for start, stop in on_again)
    if verdict is FAIL:
        assert any(stop - start >= LIMIT for start, stop in on_again)


# ---------------------------------------------------------------- until: command


@examples(12)
@given(
    seed=seeds,
    toggles=st.lists(st.integers(3_400, 6_400), max_size=4, unique=True),
    command=st.integers(0, 1_200),
    outage=outages,
    share=st.floats(0, 0.3),
)
def test_is_until_the_next_command_is_right_about_every_truth(
    seed: int, toggles: list[int], command: int, outage: list[tuple[int, int]], share: float
) -> None:
    """What the burner does after the press that comes next is no deviation; what it does before is."""
    truth: Steps = [(0, 1.0), (LOST, 0.0)]
    truth += [(at * MS + 137_000, float(place % 2 == 0)) for place, at in enumerate(sorted(toggles))]
    press = Step("function check", 0, Press("start_button"), "press start_button")
    one = expects("burner", "is", OFF, until="command")
    story = Story(seed=seed, end_ns=6_500 * MS, scenario=scenario(one, function_check=(press,)))
    pressed = 5 * S + command * MS
    story.step("function check", 0, True, (pressed, pressed + 200 * MS))
    told = Told(story.set("burner_terminal", *truth), outage, seed, share)
    finding, start = told.finding("burner"), told.mark("settled")
    assert start is not None
    on = deviating(truth, start, pressed, lambda value: value == 0.0)
    if finding.verdict is PASS:
        longest = told.longest_gap("burner_terminal", start, pressed)
        assert longest <= 1_000 * MS and all(stop - begin <= longest for begin, stop in on)
    if finding.verdict is FAIL:
        assert on


# ---------------------------------------------------------------- between


@examples(12)
@given(
    seed=seeds,
    onset=st.integers(5, 1_300),
    limits=st.tuples(st.integers(0, 600), st.integers(0, 600)),
    drop=st.none() | st.integers(30, 900),
    outage=outages,
    share=st.floats(0, 0.3),
)
def test_between_is_right_about_every_truth(
    seed: int, onset: int, limits: tuple[int, int], drop: int | None, outage: list[tuple[int, int]], share: float
) -> None:
    """Not earlier, not later, and unbroken from there on, counted from the true return."""
    low, high = limits[0] * MS, (limits[0] + limits[1]) * MS
    on = BACK + onset * MS + 137_000
    truth: Steps = [(0, 1.0), (LOST, 0.0), (on, 1.0)]
    if drop is not None:
        truth.append((on + drop * MS, 0.0))
    one = expects("fan", "is", ON, within=(low, high))
    told = Told(Story(seed=seed, scenario=scenario(one)).set("fan_terminal", *truth), outage, seed, share)
    finding, end = told.finding("fan"), told.watch_end()
    early, late = on - CLOSED, on - BACK  # the true return lies between command and CLOSED
    dropped = drop is not None and on + drop * MS < end
    if finding.verdict is PASS:
        assert late >= low and early <= high
        longest = told.longest_gap("fan_terminal", BACK, end)
        assert not dropped or end - (on + (drop or 0) * MS) <= longest
    if finding.verdict is FAIL:
        assert dropped or not (low <= early and late <= high)
    if "onset_ns" in finding.figures:
        first, last = finding.figures["onset_ns"]
        assert first <= late and early <= last


# ---------------------------------------------------------------- values


values = st.sampled_from([39.0, 40.0, 41.0, 41.4, 42.0, 45.0])
wanteds = st.sampled_from([
    (Wanted(change=(0, 1)), lambda value: 0 <= value - 41 <= 1),
    (Wanted(change=(-2, -1)), lambda value: -2 <= value - 41 <= -1),
    (Wanted(one_of=(40, 42)), lambda value: value in (40.0, 42.0)),
    (Wanted(equals=41, tolerance=0.5), lambda value: abs(value - 41) <= 0.5),
    (Wanted(as_before=True, tolerance=1), lambda value: abs(value - 41) <= 1),
    (Wanted(above=40, below=42), lambda value: 40 < value < 42),
])  # fmt: skip


@examples(13)
@given(
    seed=seeds,
    wanted=wanteds,
    steps=st.lists(st.tuples(st.integers(3_050, 4_850), values), max_size=4, unique_by=lambda step: step[0]),
    outage=st.lists(st.tuples(st.integers(2_100, 4_600), st.integers(1, 1_400)), max_size=2),
    share=st.floats(0, 0.3),
)
def test_values_are_right_about_every_truth(
    seed: int,
    wanted: tuple[Wanted, Callable[[float], bool]],
    steps: list[tuple[int, float]],
    outage: list[tuple[int, int]],
    share: float,
) -> None:
    """`change`, `one_of`, `tolerance`, `as before` and limits of a register that only the controller can tell; it was
    41 before the cut."""
    truth: Steps = [(0, 41.0), *((at * MS + 137_000, value) for at, value in sorted(steps))]
    story = Story(seed=seed, scenario=scenario(expects("batch_count", "is", wanted[0]))).set("batch_count", *truth)
    for begin, length in outage:
        story.hide("controller", begin * MS, (begin + length) * MS)
    told = Told(story, [], seed, share)
    finding, start, end = told.finding("batch_count"), told.mark("settled"), told.watch_end()
    assert start is not None
    wrong = deviating(truth, start, end, wanted[1])
    if finding.verdict is PASS:
        longest = told.longest_gap("batch_count", start, end)
        assert longest <= 1_000 * MS and all(stop - begin <= longest for begin, stop in wrong)
    if finding.verdict is FAIL:
        assert wrong


# ---------------------------------------------------------------- during


@examples(12)
@given(seed=seeds, falls=st.integers(1, 1_400), lengths=phases, outage=outages, share=st.floats(0, 0.3))
def test_during_is_right_about_every_truth(
    seed: int, falls: int, lengths: list[int], outage: list[tuple[int, int]], share: float
) -> None:
    """It has to come true between `dark` and the command back, and then to last to that command."""
    truth = [(0, 1.0), *toggled(CUT + falls * MS, lengths, 0.0)]
    one: Expectation = expects("burner", "is", OFF, phase="during")
    story = Story(seed=seed, scenario=scenario(expects("fan", "is", OFF), during=(one,)))
    told = Told(story.set("burner_terminal", *truth), outage, seed, share)
    verdict, dark = told.finding("burner").verdict, told.mark("dark")
    start = dark if dark is not None and dark < BACK else CUT  # what comes before `dark` is not spoken of
    off = deviating(truth, start, BACK, lambda value: value == 1.0)
    if verdict is PASS:
        longest = told.longest_gap("burner_terminal", start, BACK)
        assert off
        since = next((begin for begin, stop in off if stop - begin > longest), off[-1][0])  # a shorter off may hide
        on = deviating(truth, since, BACK, lambda value: value == 0.0)
        assert all(stop - begin <= longest for begin, stop in on)
    if verdict is FAIL:
        assert deviating(truth, off[0][0] if off else start, BACK, lambda value: value == 0.0)


# ---------------------------------------------------------------- the generators can fail


@examples(12)
@given(seed=seeds, share=st.floats(0, 0.2))
def test_the_attack_does_reach_passes_and_fails(seed: int, share: float) -> None:
    """On this evidence a sound truth is no fail, and a lasting deviation no pass: the oracle is not vacuous."""
    sound: Steps = [(0, 1.0), (LOST, 0.0), (BACK + 100 * MS, 1.0)]
    for truth, wrong in ((sound, FAIL), ([*sound, (4 * S, 0.0)], PASS)):
        story = Story(seed=seed, scenario=scenario(expects("fan", "is", ON))).set("fan_terminal", *truth)
        finding = Told(story, [], seed, share).finding("fan")
        assert finding.verdict is not wrong
        assert finding.verdict is not INCONCLUSIVE


KINDS = {
    "stays": (expects("fan", "stays", ON, longer_than_ns=LIMIT), [(0, 1.0), (LOST, 0.0), (BACK + 100 * MS, 1.0)]),
    "stays through a dip": (
        expects("fan", "stays", Wanted(as_before=True), longer_than_ns=LIMIT),
        [(0, 1.0)],
    ),
    "returns: never": (expects("fan", "returns", longer_than_ns=LIMIT), [(0, 1.0), (LOST, 0.0)]),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("times", [0, 1, 2])
def test_each_pulse_rule_passes_a_sound_truth_and_fails_a_broken_one(kind: str, times: int) -> None:
    """Read without a loss, nothing is left open: no deviation, or one clearly shorter than the limit, is a pass, one
    clearly longer is a fail. (Where verdicts are only held against the truth once they are there, a rule that never
    passes would go unnoticed.)"""
    one, sound = KINDS[kind]
    there, length = float(sound[-1][1]), times * (LIMIT // 2 if times == 1 else LIMIT)
    at = BACK + 900 * MS
    truth = [*sound, (at, 1.0 - there), (at + length, there)] if times else sound
    story = Story(scenario=scenario(one, restart="none" if "dip" in kind else "required"))
    told = (story.never_dark() if "dip" in kind else story).set("fan_terminal", *truth)
    assert told.finding("fan").verdict is (FAIL if times == 2 else PASS), told.finding("fan").reason
