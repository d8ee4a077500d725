"""Why the outputs of a run do what they do, by the program model in its archive: for the record and the console.

What the bench measured has causes that it does not know; what is told here is how the archived program behaves.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from restart_bench.archive.files import ArchiveError
from restart_bench.files.faults import FaultsFound
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.wording import hanging, listed

if TYPE_CHECKING:
    from pathlib import Path

    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.predict.explaining import Explanation
    from restart_bench.suite.loader import Suite

BUDGET_S = 5
"""Longest time that is spent on why beside a result."""
BUDGET = f"{BUDGET_S} s"
RESTARTS = {"supply": "loss of supply", "mode": "mode change"}
NOT_CLAIMED = (
    "by its archived program model, with inputs at rest after the restart; of what was measured no cause is claimed"
)
_KEPT = 4
_INDENT = 18

_worked_out: dict[str, Explanation] = {}
"""The last few, so that record and console of one run ask once."""


@dataclass(frozen=True, slots=True)
class Clock:
    """Patience until an instant (perf_counter, ns)."""

    until_ns: int

    @staticmethod
    def of(seconds: float = BUDGET_S) -> Clock:
        """So many seconds from now on."""
        return Clock(now_ns() + int(seconds * NS_PER_S))

    def over(self) -> bool:
        """True once the instant has come."""
        return now_ns() >= self.until_ns

    def share(self, of: int) -> Clock:
        """One of so many equal parts of what is left."""
        now = now_ns()
        return Clock(now + max(0, self.until_ns - now) // of)


def why_of(run: ArchivedRun, suite: Suite) -> Explanation | None:
    """Why each output does what it does after the restarts that the run made, as its archived program behaves.

    None where the run has no program model, or was a rehearsal, or judged nothing.
    """
    inputs = run.run.get("inputs", ())
    if suite.program is None or not any(told["kind"] == "program" for told in inputs) or run.run.get("rehearsal"):
        return None
    from restart_bench.model.journal import CycleJudged, judged_scenarios
    from restart_bench.plc.interpreter import driven

    judged = judged_scenarios(run.records)
    shown = {one.scenario for one in run.records if isinstance(one, CycleJudged) and one.is_test}
    made = {one.how for one in suite.scenarios if one.name in judged and one.name in shown}
    restarts = tuple(restart for restart in RESTARTS if restart in made)
    drives = {driven(rung) for rung in suite.program.rungs}
    labels = {point.name: point.shown for point in suite.rig.outputs() if point.name in drives}
    if not restarts or not labels:
        return None
    key = repr((replace(suite.program, path=""), labels, restarts))
    if key not in _worked_out:
        from restart_bench.predict.explaining import explained

        while len(_worked_out) >= _KEPT:
            del _worked_out[next(iter(_worked_out))]
        _worked_out[key] = explained(suite.program, labels, restarts, Clock.of(), BUDGET)
    return _worked_out[key]


def why_in(folder: Path) -> Explanation | None:
    """The same of a simulated run that lies in a folder; None where none can be read there."""
    from restart_bench.archive.reader import ArchivedRun

    try:
        run = ArchivedRun.open(folder)
        return why_of(run, run.suite()) if run.simulated else None
    except (ArchiveError, FaultsFound):
        return None


def restart_words(restarts: tuple[str, ...], asked: tuple[str, ...]) -> str:
    """After which restarts something is said: `loss of supply`, or `either way` where it is the same after both."""
    return "either way" if len(restarts) > 1 else RESTARTS[restarts[0]] if len(asked) > 1 else ""


def but(otherwise: Sequence[str]) -> str:
    """What the heading of all reasons adds where something else was measured of these outputs."""
    return f" ({listed(otherwise)} MEASURED OTHERWISE: these are not the reasons for that)" if otherwise else ""


def nothing_told(why: Explanation) -> str:
    """What stands in place of all reasons."""
    return f"Why, as {why.edition} behaves, is {why.missing}"


def why_lines(why: Explanation, width: int, otherwise: Sequence[str] = ()) -> Iterator[str]:
    """For each output one line: what it does and why, as the program behaves; where nothing was worked out, that.
    `otherwise`: outputs of which something else was measured."""
    if not why.reasons:
        first, _, rest = nothing_told(why).partition(" ")
        yield from hanging(first, rest, width, len(first) + 1)
        return
    yield from hanging("Why,", f"as {why.edition} behaves{but(otherwise)}", width, 2)
    yield from hanging("", NOT_CLAIMED, width, 2)
    several = len(why.restarts) > 1
    for reason in why.reasons:
        left = f"  {restart_words(reason.restarts, why.restarts)}" if several else "  -"
        yield from hanging(left, reason.because, width, _INDENT if several else 4)
    if why.missing:
        yield from hanging("", why.missing, width, 2)
