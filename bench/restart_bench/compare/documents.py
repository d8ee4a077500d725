"""A comparison for machines: one JSON document, told by the keys of the other commands where they tell the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from restart_bench.compare.baselines import Approval
from restart_bench.compare.comparison import Comparison
from restart_bench.compare.edits import Edit


def comparison_document(
    comparison: Comparison,
    *,
    exit_code: int,
    edit: Edit | None = None,
    approval: Approval | None = None,
    altered: Sequence[str] = (),
) -> dict[str, Any]:
    """What changed between two runs; `edit` and `approved` are null where there is none; `altered`: runs that are not
    as they were closed."""
    before, after = comparison.program
    return {
        "exit_code": exit_code,
        "baseline": comparison.baseline,
        "run": comparison.run,
        "worse": comparison.worse,
        "program": {"changed": comparison.program_changed, "before": before, "after": after},
        "differences": [
            {**asdict(one), "cycles": list(one.cycles), "text": one.text} for one in comparison.differences
        ],
        "not_compared": [one.text for one in comparison.not_compared],
        "apart": [one.text for one in comparison.apart],
        "notes": list(comparison.notes),
        "diffs": comparison.diffs,
        "edit": None if edit is None else asdict(edit),
        "approved": None if approval is None else asdict(approval),
        "altered": list(altered),
        "faults": [],
    }
