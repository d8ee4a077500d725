"""Which judge is responsible for which kind of expectation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from restart_bench.evidence.evidence import Evidence, Judged
from restart_bench.judging.outputs import base_figures
from restart_bench.judging.pulses import judge_pulses
from restart_bench.judging.states import judge_state
from restart_bench.model.journal import OutputSeen
from restart_bench.model.scenario import Expectation, ExpectationKind

JUDGES: dict[ExpectationKind, Callable[[Evidence, Expectation], Judged]] = {
    ExpectationKind.IS: judge_state,
    ExpectationKind.NEVER: judge_pulses,
    ExpectationKind.STAYS: judge_pulses,
    ExpectationKind.RETURNS: judge_pulses,
}


def judge_expectation(evidence: Evidence, one: Expectation, seen: OutputSeen) -> Judged:
    """Judges one expectation of `during` or `after`; the cut and the return must have been commanded."""
    judged = JUDGES[one.kind](evidence, one)
    return replace(judged, figures={**base_figures(seen), **judged.figures})
