"""Hand-made live states and judgements of the grain dryer, for the tests of screens and tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from builders import S, dryer_rig
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, CycleStarted, Finding, Mark, RunStarted, ScenarioJudged
from restart_bench.model.live import LiveState, Moved, Reading
from restart_bench.model.outcome import OneRun
from restart_bench.model.rig import Rig, Wanted
from restart_bench.model.scenario import At, Case, Expectation, Press, Scenario, Step, Wait
from restart_bench.model.verdicts import Verdict

NEVER_ON = "never on for 20 ms or longer"
RUN_ID = "20260727T142233Z-4f2a"


def expectation(rig: Rig, point: str, kind: Any, wanted: Wanted, text: str, **more: Any) -> Expectation:
    """One expectation of `after`, judged at the terminal where the point has one."""
    return Expectation("after", point, rig.judged_point(point), kind, wanted, text=text, **more)


def burner_scenario(rig: Rig | None = None, **changes: Any) -> Scenario:
    """The burner stays shut: one case, 20 cycles, 3 s off, the cut drawn within 200 ms."""
    rig = rig or dryer_rig()
    told: dict[str, Any] = {
        "name": "burner-stays-shut",
        "how": "supply",
        "purpose": "After any loss of supply the burner valve stays shut until somebody presses start.",
        "cases": (Case("", 3 * S, At(0, S // 5)),),
        "before": (
            Step("before", 0, Press("start_button"), "press start_button"),
            Step("before", 1, Wait(2 * S), "wait 2 s"),
        ),
        "after": (
            expectation(rig, "burner", "never", Wanted(equals=True), NEVER_ON, longer_than_ns=S // 50),
            expectation(rig, "fan", "is", Wanted(equals=True), "is on within 5 s"),
            expectation(rig, "batch_count", "is", Wanted(as_before=True), "is as before"),
        ),
        "settle_ns": S // 2,
        "watch_ns": 10 * S,
        "repeat": 20,
    }
    return Scenario(**{**told, **changes})


def run_started(rig: Rig | None = None, at_ns: int = 0) -> RunStarted:
    """The run begins."""
    name = (rig or dryer_rig()).name
    return RunStarted(RUN_ID, name, at_ns, "2026-07-27T14:22:33Z", 7, True, ("burner-stays-shut",), 20)


def cycle_started(cycle: int = 1, at_ns: int = 0) -> CycleStarted:
    """A cycle begins."""
    return CycleStarted(cycle, "burner-stays-shut", "", cycle, 20, 3 * S, 0, at_ns)


def state(at_ns: int, values: dict[str, Any], *, moved: tuple[Moved, ...] = (), **changes: Any) -> LiveState:
    """A state in which every point of `values` was read just now (None: blind)."""
    told: dict[str, Any] = {
        "at_ns": at_ns,
        "phase": "watching",
        "doing": "burner never on",
        "scenario": "burner-stays-shut",
        "case": "",
        "cycle": 1,
        "of_cycles": 20,
        "phase_started_ns": 0,
        "phase_ends_ns": None,
        "left_ns": None,
        "supply": "on",
        "powered": None,
        "answering": True,
        "running": True,
        "readings": {name: Reading(value, at_ns, at_ns) for name, value in values.items()},
        "moved": moved,
    }
    return LiveState(**{**told, **changes})


def burner_finding(cycle: int, verdict: Verdict, reason: str = "", **figures: Any) -> Finding:
    """The burner's pulse judged in one cycle."""
    return Finding("burner-stays-shut", "", cycle, "burner", NEVER_ON, verdict, reason, figures)


def judged_cycle(cycle: int, *findings: Finding, reason: str = "", verdict: Verdict | None = None) -> CycleJudged:
    """A cycle whose restored supply and readiness are known; its verdict is that of its first finding."""
    marks = (Mark("restored", Bounds(3 * S, 3 * S + 4_000_000)), Mark("ready", Bounds(4 * S, 4 * S + 10_000_000)))
    word = verdict or (findings[0].verdict if findings else Verdict.PASS)
    return CycleJudged(cycle, "burner-stays-shut", "", word, reason, marks, tuple(findings))


def one_run(*cycles: CycleJudged, verdict: Verdict, reason: str = "", late: tuple[Finding, ...] = ()) -> OneRun:
    """A run of these cycles; their scenario's `reason` may give those of cycles behind its head."""
    counted = {word.value: sum(one.verdict is word for one in cycles) for word in Verdict}
    limits = ("the shortest pulse that this run excludes on burner_terminal is 3.2 ms",)
    head = reason.split(": cycle ", maxsplit=1)[0]
    scenario = ScenarioJudged("burner-stays-shut", verdict, reason, len(cycles), counted, limits, late, head)
    folder = Path("logs") / "rig=grain-dryer-trainer" / "date=2026-07-27" / f"run={RUN_ID}"
    return OneRun(RUN_ID, folder, dryer_rig(), (scenario,), tuple(cycles))
