"""In which order the four verdicts stand, and nowhere else.

Within a cycle words overwrite upward as TTCN-3 has it (ETSI ES 201 873-1, clause 24.1): pass, inconclusive, fail,
error. Over cycles, scenarios and runs a proven fail stands before an error of the bench: what was once shown to
deviate is not excused by a later cycle that says nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

from restart_bench.records import Verdict

UPWARD = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR)
"""A verdict overwrites those before it in this row, never one after it."""
WORST_FIRST = (Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE, Verdict.PASS)
"""Over cycles: the first of this row that occurs is the verdict of the whole."""


def overwrite(current: Verdict, assigned: Verdict) -> Verdict:
    """The verdict of a cycle after another one was assigned."""
    return max(current, assigned, key=UPWARD.index)


def strongest(verdicts: Iterable[Verdict], default: Verdict) -> Verdict:
    """The word that overwrites all others; `default` where there is none."""
    return max(verdicts, key=UPWARD.index, default=default)


def worst(verdicts: Iterable[Verdict], default: Verdict = Verdict.PASS) -> Verdict:
    """The verdict over several cycles, scenarios or runs; `default` where there is none."""
    return min(verdicts, key=WORST_FIRST.index, default=default)


def badness(verdict: Verdict) -> int:
    """A key to sort by: the worst comes first."""
    return WORST_FIRST.index(verdict)
