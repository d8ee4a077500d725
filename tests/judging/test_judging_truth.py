"""Never a false pass, never a false fail: a truth is made up, polled at a random phase and through outages, judged,
and the verdict compared with the truth. And less evidence never makes anything look better."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise

from hypothesis import example, given
from hypothesis import strategies as st

from drawn import examples
from evidence import MS, OFF, ON, T0, S, Story, expects, scenario, thinned, traces_before_a_cut
from restart_bench.evidence.traces import longest_gap_ns
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import CycleJudged, Finding
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import Gap
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL
CUT, BACK = 2 * S, 3 * S
CLOSED = BACK + MS  # when the relay truly closes, and the rail says so
LOST = CUT + 5 * MS  # when the terminals fall
LIMIT = 20 * MS
Span = tuple[int, int]
DEVICES = ("controller", "independent")

lengths = st.integers(1, 120).map(lambda ms: ms * MS + 137_000)
outages = st.lists(st.tuples(st.integers(1_900, 4_600), st.integers(1, 400)), max_size=3)


def hidden(story: Story, spans: list[tuple[int, int]]) -> Story:
    """Outages of the independent I/O: begin and length in milliseconds."""
    for begin, length in spans:
        story.hide("independent", begin * MS, (begin + length) * MS)
    return story


def on_spans(changes: list[tuple[int, float]], end: int) -> list[Span]:
    """When the point was truly on."""
    edges = [*changes, (end, 0.0)]
    return [(at, until) for (at, value), (until, _) in pairwise(edges) if value]


def watch_end(judged: CycleJudged) -> int:
    """End of the watch of these stories, from their start."""
    ready = judged.mark("ready")
    assert ready is not None
    return ready.not_after_ns - T0 + 1 * S


# ---------------------------------------------------------------- pulses


@examples(24)
@given(
    seed=st.integers(0, 10_000),
    pulses=st.lists(st.tuples(st.integers(21, 700), lengths), max_size=4),
    outage=outages,
)
def test_never_is_right_about_every_truth(seed: int, pulses: list[tuple[int, int]], outage: list[Span]) -> None:
    """A pass: no pulse of 20 ms or more lay in the span. A fail: one did.

    The pulses are 21 ms or more apart: what is off for less than `longer_than` between two reads of on can't be told
    from one pulse.
    """
    at = CUT + 100 * MS
    changes: list[tuple[int, float]] = [(0, 1.0), (LOST, 0.0)]
    for pause, length in pulses:
        at += pause * MS
        changes += [(at, 1.0), (at + length, 0.0)]
        at += length
    story = hidden(Story(seed=seed, scenario=scenario(expects("burner", "never", ON, longer_than_ns=LIMIT))), outage)
    judged = story.set("burner_terminal", *changes).judge()
    end = watch_end(judged)
    true = [min(until, end) - begin for begin, until in on_spans(changes[2:], end) if begin < end]
    (one,) = (finding for finding in judged.findings if finding.point == "burner")
    if one.verdict is PASS:
        assert all(length < LIMIT for length in true)
    if one.verdict is FAIL:
        assert any(length >= LIMIT for length in true)


@examples(14)
@given(seed=st.integers(0, 10_000), begin=st.integers(30, 1_300), spare=st.integers(0, 60), outage=outages)
def test_a_pulse_as_long_as_the_longest_gap_is_always_found(
    seed: int, begin: int, spare: int, outage: list[Span]
) -> None:
    """p >= g is always caught (derived); its bounds hold its true length."""
    story = hidden(Story(seed=seed, scenario=scenario(expects("burner", "never", ON, longer_than_ns=LIMIT))), outage)
    reads = traces_before_a_cut(story.rig, story.samples())["burner_terminal"].reads
    gap = longest_gap_ns(reads, T0 + CUT, T0 + story.end_ns)
    at, length = BACK + begin * MS, gap + spare * MS
    judged = story.set("burner_terminal", (0, 1), (LOST, 0), (at, 1), (at + length, 0)).judge()
    (one,) = (finding for finding in judged.findings if finding.point == "burner")
    if at + length > watch_end(judged):
        return
    assert one.verdict is not PASS or length < LIMIT
    low, high = one.figures["on_for_ns"]
    assert low <= length <= high


# ---------------------------------------------------------------- settled, within, gaps


@examples(16)
@given(
    seed=st.integers(0, 10_000),
    toggles=st.lists(st.integers(3_000, 4_800), max_size=6, unique=True),
    outage=outages,
)
def test_is_is_right_about_every_truth(seed: int, toggles: list[int], outage: list[Span]) -> None:
    """A fail: it truly was on in the span. A pass: it was never on for as long as the longest gap of the span."""
    changes: list[tuple[int, float]] = [(0, 1.0), (LOST, 0.0)]
    changes += [(at * MS, float(place % 2 == 0)) for place, at in enumerate(sorted(toggles))]
    story = hidden(Story(seed=seed, scenario=scenario(expects("burner", "is", OFF))), outage)
    judged = story.set("burner_terminal", *changes).judge()
    settled = judged.mark("settled")
    assert settled is not None
    start, end = settled.not_after_ns - T0, watch_end(judged)
    inside = [(max(begin, start), min(until, end)) for begin, until in on_spans(changes[2:], story.end_ns)]
    true = [until - begin for begin, until in inside if until > begin]
    (one,) = (finding for finding in judged.findings if finding.point == "burner")
    if one.verdict is FAIL:
        assert true
    if one.verdict is PASS:
        reads = traces_before_a_cut(story.rig, story.samples())["burner_terminal"].reads
        assert all(length < longest_gap_ns(reads, T0 + start, T0 + end) for length in true)


@examples(16)
@given(seed=st.integers(0, 10_000), delay=st.integers(5, 1_300), limit=st.integers(50, 1_000), outage=outages)
def test_within_is_right_about_every_truth(seed: int, delay: int, limit: int, outage: list[Span]) -> None:
    """Counted from the true return of the supply, which the bench only knows with bounds."""
    on = CLOSED + delay * MS
    one = expects("fan", "is", ON, within=(0, limit * MS))
    story = hidden(Story(seed=seed, scenario=scenario(one)), outage)
    judged = story.set("fan_terminal", (0, 1), (LOST, 0), (on, 1)).judge()
    (finding,) = (each for each in judged.findings if each.point == "fan")
    assert finding.verdict is not PASS or delay <= limit
    assert finding.verdict is not FAIL or delay > limit
    if finding.figures.get("onset_ns"):
        low, high = finding.figures["onset_ns"]
        assert low <= delay * MS <= high


@examples(16)
@given(seed=st.integers(0, 10_000), first=st.integers(5, 700), apart=st.integers(-300, 600), outage=outages)
def test_gaps_are_right_about_every_truth(seed: int, first: int, apart: int, outage: list[Span]) -> None:
    """Burner 100 to 300 ms after the fan."""
    told = Gap("fan", "burner", "fan_terminal", "burner_terminal", 100 * MS, 300 * MS, "burner after fan")
    story = hidden(Story(seed=seed, scenario=scenario(gaps=(told,))), outage)
    fan = CLOSED + first * MS
    burner = max(CLOSED + MS, fan + apart * MS)
    story.set("fan_terminal", (0, 0), (fan, 1)).set("burner_terminal", (0, 0), (burner, 1))
    judged = story.judge()
    (finding,) = (each for each in judged.findings if each.point == "burner")
    right = 100 * MS <= burner - fan <= 300 * MS
    assert finding.verdict is not PASS or right
    assert finding.verdict is not FAIL or not right


# ---------------------------------------------------------------- less evidence


EVERYTHING = (
    expects("burner", "is", OFF),
    expects("burner", "never", ON, longer_than_ns=LIMIT),
    expects("fan", "is", ON, within=(0, 900 * MS)),
    expects("fan", "stays", ON, longer_than_ns=LIMIT),
    expects("fan", "returns", longer_than_ns=LIMIT),
    expects("burner", "is", OFF, phase="during", text="is off during the cut"),
    expects("batch_count", "is", Wanted(as_before=True)),
)


def words(judged: CycleJudged) -> dict[tuple[str, str], Verdict]:
    """The verdict on each expectation, as it would be without errors of the cycle."""
    return {
        (one.point, one.expectation): _plain(one)
        for one in judged.findings
        if not one.expectation.startswith(("valid: ", "all phases"))
    }


def _plain(one: Finding) -> Verdict:
    return Verdict(one.figures.get("without_the_error", one.verdict))


@examples(15)
@given(
    seed=st.integers(0, 10_000),
    pulse=st.tuples(st.integers(20, 1_400), lengths),
    fan=st.integers(100, 1_200),
    lost=st.lists(
        st.tuples(st.sampled_from(("controller", "independent")), st.integers(0, 4_900), st.integers(1, 900))
    ),
    thin=st.floats(0, 0.6),
)
@example(
    0, (20, 1137 * MS), 100, [("controller", b, n) for b, n in ((236, 702), (569, 161), (957, 900), (1097, 900))], 0
)
def test_less_evidence_never_turns_inconclusive_into_pass_nor_makes_a_fail(
    seed: int, pulse: tuple[int, int], fan: int, lost: list[tuple[str, int, int]], thin: float
) -> None:
    """Samples are lost in blocks and one by one; what is found then was found before, or is no longer known."""
    story = Story(seed=seed, scenario=scenario(*EVERYTHING))
    at = BACK + pulse[0] * MS
    story.set("burner_terminal", (0, 1), (LOST, 0), (at, 1), (at + pulse[1], 0))
    story.set("fan_terminal", (0, 1), (LOST, 0), (CLOSED + fan * MS, 1))
    records, samples = story.records(), story.samples()
    rng = random.Random(seed)

    def keep(device: str, row: int) -> bool:
        sent = int(samples[device].records["sent_ns"][row]) - T0
        blind = any(name == device and begin * MS <= sent < (begin + length) * MS for name, begin, length in lost)
        return not blind and rng.random() >= thin

    full = words(story.judge())
    less = words(judge_cycle(story.rig, story.scenario, records, thinned(samples, keep)))
    for key, before in full.items():
        after = less.get(key, INCONCLUSIVE)
        assert not (before is INCONCLUSIVE and after is PASS), key
        assert not (after is FAIL and before is not FAIL), key


def test_without_any_sample_nothing_is_shown() -> None:
    """Neither a pass nor a fail of any expectation; and the cut is not proven."""
    story = replace(Story(), scenario=scenario(*EVERYTHING))
    empty = thinned(story.samples(), lambda _device, _row: False)
    judged = judge_cycle(story.rig, story.scenario, story.records(), empty)
    assert judged.verdict is Verdict.ERROR
    assert set(words(judged).values()) == {INCONCLUSIVE}
    assert judge_cycle(story.rig, story.scenario, story.records(), {}).verdict is Verdict.ERROR
