"""Truth checks the judge: random worlds, each with its whole history, and what the rules allow to be said of them.

`python tests/worlds --count 100000` judges as many as wanted, `--replay SEED` tells one of them.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from holding import compare, demands, finds_of, world_of
from mutants import MUTANTS
from oracle import Oracle

from drawn import seldom
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import CycleJudged
from restart_bench.model.verdicts import Verdict

WORLDS = 35
FIRST = 5_000_000


@pytest.mark.parametrize("part", seldom(*range(8), plain=6))
def test_what_a_world_truly_did_decides_what_may_be_said_of_it(part: int) -> None:
    """No pass of what was broken, no fail of what was kept, no shrug that no named limit of an instrument explains."""
    seeds = range(FIRST + part * WORLDS, FIRST + (part + 1) * WORLDS)
    found = [one for seed in seeds for one in finds_of(seed)]
    assert not found, "\n".join(map(str, found[:20]))


@pytest.mark.parametrize(
    "seed",
    [
        50_062_572, 50_077_430, 50_090_920, 70_001_017, 60_003_399, 80_076_488, 80_008_579, 80_021_781, 80_021_927,
        80_054_580, 90_204_910, 96_006_078, 92_029_118, 93_020_104, 110_032_054, 120_003_093, 132_008_146, 132_001_316,
        132_012_800, 138_001_533, 137_003_372, 139_027_594, 137_028_027,
        137_026_737, 164_005_713, 170_003_014, 170_069_745,
        180_022_775, 190_018_498, 210_018_378, 210_023_301, 210_037_388, 240_001_546, 260_004_131, 260_003_122,
        263_014_930, 263_013_935, 263_014_262, 263_029_186, 263_044_933, 263_045_930, 264_006_901, 264_010_902,
        266_012_941, 266_029_449, 267_022_953,
        270_004_704, 270_011_352, 270_011_663, 270_028_997, 270_029_869,
        280_015_115, 280_083_466, 280_094_621,
        290_015_696, 290_043_640, 290_097_662, 300_085_926,
        301_024_530, 301_067_112, 301_071_715, 301_072_915, 301_077_413, 301_085_577, 301_097_826,
        302_003_631, 302_004_256, 302_017_330, 302_020_679, 302_035_627, 302_062_457, 302_066_378, 302_096_804,
        303_019_465, 303_019_795, 303_028_765, 303_063_837, 304_055_329,
        305_025_788, 305_028_761, 305_079_684, 306_008_044, 306_097_551,
        308_034_942, 308_065_536, 308_066_954, 310_048_434,
        316_023_401, 316_080_776, 316_014_629, 316_084_693, 318_028_458, 318_088_754,
    ],
)  # fmt: skip
def test_worlds_that_were_once_misjudged_are_judged_as_their_truth_allows(seed: int) -> None:
    """A late restart that left off behind, a network lost before `steady` was over, on read once before off, the last
    answer of the life before the cut, received when a second feed had brought the supply back already, off in every
    read after a gap in which it might have come on, on as a frozen image says it that was last read alive off, off and
    on again while four polls were left out, an uptime that wrapped about the cut (before its program froze, or its
    controller fell silent), a program that froze when its sign of life had just come (twice), a rail that nobody
    read until long after the controller had spoken, links that were up again before the command back, clearly and by
    little, a request that was lost just before the first answer, one that was the only silence before it, a controller
    that was dark only once what held its supply up was empty, on that went and came anew in the gap in which its
    window began, a limit that ended so late that the cycle was over before a program was seen to stand after it, and a
    reset on the connection before a second restart, a blinking bit that was the same on both sides of a stall, and off
    for so short a time between two polls that what was read then showed on still, on that outlived a dip behind a
    link that only fell silent, a contact that opened long after its command, a controller that answered before the
    supply was back from a dip, an old image that by chance read what a sign of life would had it gone on, a rail that a
    check pulse showed to be read late, a reset beside a sign of life that each poll found two further (three times),
    one by a thousand at a time that was mostly read every second step, ready that was not read steadily because
    contact was lost for over a second, and a rail read late, which leaves open when the supply came back (twice),
    off for less than a poll before it came on, a rail never read again once it came late, on that outlived a dip
    and went and came anew long before something reset the connection, an uptime that was to wrap as its controller
    restarted and nothing read the supply (twice), a fast sign of life that even polls found two further each, a late
    end of the time to get ready beside a slow sign of life, a lagging image that showed life of before a dip,
    a program that froze when it had been ready for nearly long enough, a rail read a second late, an exception by
    chance just as a program had begun to run, a second feed just as an uptime was to wrap, a link that was gone for a
    moment as a program had begun to run, a sign of life of great steps that by chance read as if it had gone on,
    off that ended after its last read before a press, a second start when the watch was over (twice), a program
    that ran for two slow beats (twice), great steps that by chance fit (again), a dip between two lives of a stack
    that only silence shows, a watch that began anew, a break that went unread before it came again (twice), a program
    that hung after few beats (three times), a sign of life that stood through a stall, a gap of which one end may lie
    in an outage, a network card that refused for long, exceptions and lost replies while it did not run, ready too late
    and then hung, on from before what it is counted from that came again, a stall as a network came back, outputs of a
    program that ran for a while and hung, a late limit of a slow link, a connection that ended just after its sign of
    life had wrapped, one that lost replies had led to, and a second dip whose first return went by unread."""
    assert finds_of(seed) == []


def judged_so(seed: int, word: Verdict | None) -> list[str]:
    """What the oracle says of a judge that says one word to everything (None: the judge as it is)."""
    world, readings = world_of(seed)
    judged = judge_cycle(world.rig, world.scenario, world.records(), world.samples)
    if word is not None:
        judged = _all_alike(judged, word)
    return [one.sort for one in compare(world, Oracle(world, readings), judged)]


def _all_alike(judged: CycleJudged, word: Verdict) -> CycleJudged:
    findings = tuple(replace(one, verdict=word) for one in judged.findings if not one.expectation.startswith("valid:"))
    return replace(judged, findings=findings, verdict=word)


@pytest.mark.parametrize(
    ("word", "sort"),
    [(Verdict.PASS, "false pass"), (Verdict.FAIL, "false fail"), (Verdict.INCONCLUSIVE, "shrug")],
)
def test_a_judge_that_says_one_word_to_everything_is_noticed(word: Verdict, sort: str) -> None:
    """The oracle catches a judge that always passes, always fails, or always shrugs, in most of the worlds."""
    caught = [sort in judged_so(seed, word) for seed in range(40)]
    assert sum(caught) >= 24


def test_the_worlds_go_through_every_kind_of_demand_and_every_verdict() -> None:
    """Of every kind of demand some must pass, and some must fail, by truth: a sample without them would show little."""
    must: Counter[tuple[str, Verdict]] = Counter()
    for seed in range(300):
        world, readings = world_of(seed)
        for allowed in demands(world, Oracle(world, readings)):
            if len(allowed.verdicts) == 1:
                must[allowed.expectation.split(" within")[0], next(iter(allowed.verdicts))] += 1
    kinds = (
        "is", "within", "between", "never", "stays", "returns", "value", "gap", "ready", "during",
        "restart: required", "restart: none",
    )  # fmt: skip
    missing = [(kind, word) for kind in kinds for word in (Verdict.PASS, Verdict.FAIL) if not must[kind, word]]
    assert missing == []


def test_every_mutant_still_changes_the_judge() -> None:
    """The text that a mutant changes stands once in the module that it names: else it would be no mutant."""
    assert [one.rule for one in MUTANTS if one.source().count(one.new) == 0] == []
    assert len({one.rule for one in MUTANTS}) == len(MUTANTS) >= 40
