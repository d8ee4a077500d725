"""Runs of random cycles: what a scenario says over all its cycles is decided by the rules' text alone (rules 9, 10,
11 and 13), and by counting with binomials that no module of the bench has any part in.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import pytest
from drawing import draw_rig

from restart_bench.concluding import judge_run
from restart_bench.records import Bounds, CycleJudged, Finding, Mark, OutputSeen, ScenarioJudged, Verdict
from restart_bench.rig import Rig, Wanted
from restart_bench.scenario import Case, Demonstration, Expectation, Scenario

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR
ON, OFF = Wanted(equals=True), Wanted(equals=False)
TERMINAL = {"lamp": "lamp_terminal", "fan": "fan_terminal", "horn": "horn", "valve": "valve"}


@dataclass(frozen=True)
class Course:
    """One run: its rig and scenario, its cycles, how many were planned, and which channels were ever read on."""

    rig: Rig
    scenario: Scenario
    cycles: tuple[CycleJudged, ...]
    planned: int
    on: frozenset[str]


def draw_run(seed: int) -> Course:
    """A run of a few cycles, most of which passed."""
    rng = random.Random(f"run/{seed}")
    rig = draw_rig(rng, "restart", set())
    if rng.random() < 0.3:
        name = rng.choice(("lamp", "horn"))
        rig.points[name] = replace(rig.points[name], proven="lamp test 2026-07-20")
    cases = tuple(Case(name, 10**9) for name in (("",) if rng.random() < 0.6 else ("off_for=1 s", "off_for=2 s")))
    words = {PASS: 1.0, INCONCLUSIVE: rng.choice((0, 0.15)), FAIL: rng.choice((0, 0.1)), ERROR: rng.choice((0, 0.1))}
    demonstrate = None
    if rng.random() < 0.4:
        allowed = rng.choice((0, 0, 1, 2))
        demonstrate = Demonstration(rng.choice((0.5, 0.8, 0.9, 0.95)), rng.choice((0.8, 0.9, 0.95)), allowed)
    scenario = Scenario(
        "world", "supply", cases, after=tuple(_demands(rng)), during=tuple(_demands(rng, "during")[:1]),
        demonstrate=demonstrate, inconclusive_at_most=rng.choice((0, 0, 1)),
    )  # fmt: skip
    count = rng.choice((1, 2, 5, 12, 30, 60))
    on = frozenset(one for one in TERMINAL.values() if rng.random() < 0.8)
    cycles = []
    for number in range(1, count + 1):
        verdict = rng.choices(list(words), list(words.values()))[0]
        case = cases[number % len(cases)].name
        cycles.append(_cycle(number, case, verdict, on if number == count else frozenset(), rng))
    planned = count + rng.choice((0, 0, 0, 1))
    return Course(rig, scenario, tuple(cycles), planned, on)


def _demands(rng: random.Random, phase: str = "after") -> list[Expectation]:
    found = []
    for name in rng.sample(sorted(TERMINAL), k=rng.randrange(1, 3)):
        kind = rng.choice(("is", "never", "stays", "returns")) if phase == "after" else "is"
        found.append(Expectation(phase, name, TERMINAL[name], kind, rng.choice((ON, OFF)), text=kind))  # type: ignore[arg-type]
    return found


def _cycle(number: int, case: str, verdict: Verdict, on: frozenset[str], rng: random.Random) -> CycleJudged:
    outputs = tuple(OutputSeen(name, judged, seen_on=judged in on) for name, judged in TERMINAL.items())
    findings = (Finding("world", case, number, "lamp", "is", verdict, ""),)
    marks = (Mark("restored", Bounds(0, 1)),)
    return CycleJudged(number, "world", case, verdict, "", marks, findings, outputs=outputs, figures={"retries": 0})


# ---------------------------------------------------------------- the rules' text


def allowed(course: Course) -> Verdict:
    """Fail if any cycle failed; else error, also where a channel may be dead; else inconclusive where too many cycles
    were, fewer were done than planned, or the demonstration was not reached; else pass."""
    words = [one.verdict for one in course.cycles]
    if FAIL in words:
        return FAIL
    if ERROR in words or may_be_dead(course):
        return ERROR
    cases = len(course.scenario.cases)
    demonstrate = course.scenario.demonstrate
    tolerated = course.scenario.inconclusive_at_most
    if demonstrate is not None:
        tolerated = demonstrate.inconclusive_at_most * cases
    if words.count(INCONCLUSIVE) > tolerated or len(words) < course.planned:
        return INCONCLUSIVE
    if demonstrate is not None and not all(_demonstrated(course, case, demonstrate) for case in course.scenario.cases):
        return INCONCLUSIVE
    return PASS


def may_be_dead(course: Course) -> set[str]:
    """Channels of independent points and terminals on which off was expected and that were never seen on."""
    found = set()
    for one in (*course.scenario.during, *course.scenario.after):
        wants_off = one.kind == "returns" or (one.wanted == ON) == (one.kind == "never")
        point, judged = course.rig.points[one.point], course.rig.points[one.judged]
        proven = point.proven or judged.proven
        if wants_off and judged.device == "independent" and not proven and one.judged not in course.on:
            found.add(one.judged)
    return found


def _demonstrated(course: Course, case: Case, asked: Demonstration) -> bool:
    """At a true reliability of just what is asked, as few misses as these must be rarer than 1 - confidence."""
    own = [one.verdict for one in course.cycles if one.case == case.name]
    misses = sum(word is not PASS for word in own)
    chance = sum(
        math.comb(len(own), k) * (1 - asked.reliability) ** k * asked.reliability ** (len(own) - k)
        for k in range(misses + 1)
    )
    return misses <= asked.inconclusive_at_most and bool(own) and chance <= 1 - asked.confidence + 1e-9


def judged_run(course: Course) -> ScenarioJudged:
    (judged,) = judge_run(course.rig, [course.scenario], course.cycles, {"world": course.planned})
    return judged


@pytest.mark.parametrize("part", range(4))
def test_a_scenario_says_over_its_cycles_what_the_rules_say(part: int) -> None:
    """Verdict and dead channels of random runs are those of the rules' text."""
    for seed in range(part * 200, (part + 1) * 200):
        course = draw_run(seed)
        judged = judged_run(course)
        assert judged.verdict is allowed(course), (seed, judged.verdict, judged.reason)
        late = {course.rig.judged_point(one.point) for one in judged.late_findings}
        assert late == may_be_dead(course), seed


def test_every_verdict_over_a_run_occurs() -> None:
    """Pass, inconclusive, fail and error each stand over at least 25 of 1,000 drawn runs."""
    words = [allowed(draw_run(seed)) for seed in range(1000)]
    assert all(words.count(word) >= 25 for word in Verdict)
