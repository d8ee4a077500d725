"""In which order the four verdicts stand, and nowhere else.

Within a cycle and over cycles, scenarios and runs words overwrite upward: pass, inconclusive and fail as in TTCN-3
(ETSI ES 201 873-1, clause 24.1). There error outranks all; here a fail that stands beside an error stays one, because
an invalid rest does not undo what was seen before it.
"""

from __future__ import annotations

from collections.abc import Iterable

from restart_bench.records import Verdict

WORST_FIRST = (Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE, Verdict.PASS)
"""A verdict overwrites those behind it in this row, never one before it."""


def overwrite(current: Verdict, assigned: Verdict) -> Verdict:
    """The verdict after another one was assigned."""
    return worst((current, assigned))


def worst(verdicts: Iterable[Verdict], default: Verdict = Verdict.PASS) -> Verdict:
    """The verdict over several findings, cycles, scenarios or runs; `default` where there is none."""
    return min(verdicts, key=WORST_FIRST.index, default=default)


def badness(verdict: Verdict) -> int:
    """A key to sort by: the worst comes first."""
    return WORST_FIRST.index(verdict)
