"""Judged runs as plain values, made from a seed: what two runs of one program look like, and of an edited one."""

from __future__ import annotations

import random
from dataclasses import dataclass

from restart_bench.compare.comparison import RunFacts
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Finding, Mark, OutputSeen, ScenarioJudged
from restart_bench.model.verdicts import Verdict

MS = 1_000_000
S = 1_000_000_000
SCENARIO = "burner-stays-shut"


@dataclass(frozen=True)
class Play:
    """What the controller of a made-up run does. `burner` is the chance that the burner comes back."""

    boot_ns: int = 3 * S
    spread_ns: int = 40 * MS
    burner: float = 0.0
    fan: float = 1.0
    read_ns: int = 10 * MS  # how far apart the bounds of every instant are


def _seen(rng: random.Random, at_ns: int, read_ns: int) -> Bounds:
    """An instant as reads `read_ns` apart bound it, at a random phase."""
    phase = rng.randrange(read_ns)
    return Bounds(at_ns - phase, at_ns - phase + read_ns)


def _finding(case: str, cycle: int, point: str, wanted: bool, came: bool) -> Finding:
    verdict = Verdict.PASS if came is wanted else Verdict.FAIL
    return Finding(SCENARIO, case, cycle, point, f"is {'on' if wanted else 'off'}", verdict, "")


def _output(point: str, came: bool, delay_ns: tuple[int, int]) -> OutputSeen:
    return OutputSeen(point, f"{point}_terminal", before=True, settled=came, delay_ns=delay_ns if came else None)


def cycle_played(rng: random.Random, play: Play, number: int, case: str) -> CycleJudged:
    """One judged cycle: cut, restored, answered, ready, and what burner and fan did."""
    cut = number * 60 * S
    restored = Bounds(cut + 3 * S, cut + 3 * S + 2 * MS)
    boot = max(0, round(rng.gauss(play.boot_ns, play.spread_ns)))
    true_restored = rng.randrange(restored.not_before_ns, restored.not_after_ns)
    ready = _seen(rng, true_restored + boot, play.read_ns)
    answered = _seen(rng, true_restored + boot * 3 // 4, play.read_ns)
    on = _seen(rng, true_restored + boot + rng.randrange(50 * MS), play.read_ns)
    came, blew = rng.random() < play.burner, rng.random() < play.fan
    findings = (_finding(case, number, "burner", False, came), _finding(case, number, "fan", True, blew))
    outputs = (_output("burner", came, on.since(restored)), _output("fan", blew, on.since(restored)))
    verdict = Verdict.FAIL if any(f.verdict is Verdict.FAIL for f in findings) else Verdict.PASS
    marks = (Mark("cut", Bounds(cut, cut + 2 * MS)), Mark("restored", restored), Mark("answered", answered))
    return CycleJudged(number, SCENARIO, case, verdict, "", (*marks, Mark("ready", ready)), findings, outputs=outputs)


def run_played(seed: int, play: Play = Play(), cycles: int = 20, cases: tuple[str, ...] = ("off_for=3 s",)) -> RunFacts:
    """A run of `cycles` cycles in each case."""
    rng = random.Random(seed)
    numbers = range(1, cycles * len(cases) + 1)
    judged = tuple(cycle_played(rng, play, number, cases[number % len(cases)]) for number in numbers)
    worst = Verdict.FAIL if any(cycle.verdict is Verdict.FAIL for cycle in judged) else Verdict.PASS
    scenario = ScenarioJudged(SCENARIO, worst, "", len(judged))
    return RunFacts(f"run-{seed}", "grain-dryer-trainer", judged, (scenario,), program={"program_id": (17042.0,)})
