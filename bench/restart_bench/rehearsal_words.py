"""How a rehearsal is told: its steps were reached or not; it has no verdict on the controller."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from restart_bench.records import ScenarioJudged, Verdict
from restart_bench.rehearsing import NOTHING_CUT

NOTHING_SHOWN = "nothing was cut, so nothing is shown about a restart"


def is_rehearsal(scenarios: Sequence[ScenarioJudged]) -> bool:
    """True where the scenarios were only rehearsed."""
    return bool(scenarios) and all(NOTHING_CUT in one.limits for one in scenarios)


def reached_word(verdict: Verdict) -> str:
    """What a rehearsal's verdict says, without the words that speak of a controller."""
    return "all steps reached" if verdict is Verdict.PASS else "a step was not reached"


def step_word(verdict: Verdict) -> str:
    """The same of one step."""
    return "reached" if verdict is Verdict.PASS else "not reached"


def rehearsed(verdicts: Iterable[Verdict]) -> str:
    """How the rehearsal as a whole went."""
    every = all(one is Verdict.PASS for one in verdicts)
    return "every step was reached" if every else "not every step was reached"
