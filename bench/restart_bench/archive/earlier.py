"""What of an earlier run counts for the run that went on with it."""

from __future__ import annotations

from dataclasses import dataclass

from restart_bench.archive.reader import ArchivedRun, gone_on_with
from restart_bench.model.journal import CycleJudged, judged_cycles
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import counted


@dataclass(frozen=True, slots=True)
class Earlier:
    """What is gone on with: the cycles that count, their places (scenario, case, number), and the number of the last
    cycle."""

    counted: tuple[CycleJudged, ...]
    places: frozenset[tuple[str, str, int]]
    last_cycle: int

    @property
    def told(self) -> str:
        """How many count; a cycle that ended in an error is not done again to get another verdict (rule 11)."""
        errors = sum(one.verdict is Verdict.ERROR for one in self.counted)
        told = f"{counted(len(self.counted), 'cycle')} of it counted as done"
        if not errors:
            return told
        such = "one that was an error too: it" if errors == 1 else f"{errors} that were errors too: each"
        return f"{told} ({such} is a result, and no later try hides it: a run without `--resume` begins anew)"


def earlier_cycles(run: ArchivedRun) -> Earlier:
    """What of a closed run counts: every judged cycle that went to its end, or that proved a fail before.

    A run that itself went on with another one brings that one's cycles along.
    """
    judged = judged_cycles(run.records)
    counting: dict[int, CycleJudged] = {}
    places: set[tuple[str, str, int]] = set()
    for number, records in run.cycle_records.items():
        cycle = judged.get(number)  # what a person or a kill broke off has no end; what else kept it from it counts
        whole = records.ended is not None and all(trouble.kind != "stopped" for trouble in records.troubles)
        if cycle is None or not (whole or cycle.verdict is Verdict.FAIL):
            continue
        counting[number] = cycle
        places.add((records.started.scenario, records.started.case, records.started.number))
    last = max(run.cycle_records, default=0)
    before = gone_on_with(run)
    if before is not None:
        earlier = earlier_cycles(before)
        counting = {**{cycle.cycle: cycle for cycle in earlier.counted}, **counting}
        places |= earlier.places
        last = max(last, earlier.last_cycle)
    return Earlier(tuple(counting.values()), frozenset(places), last)
