"""What the faces ask of the runner, and what comes back: options of one invocation, and its runs as judged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from restart_bench.model.verdicts import EXIT_ERROR, EXIT_STOPPED, Verdict, exit_of, exit_over, worst

if TYPE_CHECKING:
    from restart_bench.model.journal import CycleJudged, Forecast, ScenarioJudged
    from restart_bench.model.live import Guess
    from restart_bench.model.program import Program
    from restart_bench.model.rig import Rig
    from restart_bench.model.scenario import Scenario


class Refused(Exception):
    """The bench did not begin (not armed, supply held by another bench, isolation past): nothing moved, exit 2.

    The text says what was refused and how to get on.
    """


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What one invocation of `run` was asked for, beside its suites."""

    logs: Path
    simulated: bool = False
    seed: int | None = None  # None: drawn, and recorded
    by: str = ""
    arm: str | None = None  # the rig's name as given by `--arm` or typed
    stop_on_fail: bool = False
    rehearse: bool = False  # steps before and function check, no cut
    resume: str | None = None  # a run: path, unique start of its id, or "last"
    repeat: int | None = None
    ask_first: tuple[str, ...] = ()  # who is asked before each cut, by `guess`
    guess: Guess | None = None
    survey: str = ""  # which part of a survey it is: "presses" or "cuts"
    record: Callable[[Path], None] | None = None  # writes the HTML record of a closed run into its folder


@dataclass(frozen=True, slots=True)
class OneRun:
    """One run on one rig, as archived in `folder`. `how` as in `journal.RunEnded`."""

    id: str
    folder: Path
    rig: Rig
    scenarios: tuple[ScenarioJudged, ...]
    cycles: tuple[CycleJudged, ...]
    how: str = "completed"
    reason: str = ""
    forecasts: tuple[Forecast, ...] = ()  # what people expected before the cuts
    altered: str = ""  # of an archive that is not as it was closed: what is not
    record: str = ""  # where the HTML record of this judgement lies, where that is not in `folder`
    program: Program | None = None  # the model that was archived with the run
    tested: tuple[Scenario, ...] = ()  # the scenarios as they were read
    simulated: bool = False
    earlier: tuple[CycleJudged, ...] = ()  # the cycles that count of the run that this one went on with
    supply_left: str = ""  # how, where that is known: `on`, `off`, in whose words

    @property
    def counted(self) -> tuple[CycleJudged, ...]:
        """All cycles that the scenarios were judged over: those of earlier runs, and the run's own."""
        return (*self.earlier, *self.cycles)


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """All runs of one invocation, with the exit code that stands over them."""

    exit_code: int
    verdict: Verdict
    runs: tuple[OneRun, ...]

    @staticmethod
    def of(run: OneRun) -> RunOutcome:
        """The outcome of an invocation that was this one run."""
        return RunOutcome(exit_code_of(run), verdict_over([run]), (run,))


def exit_code_of(run: OneRun) -> int:
    """Exit code of one run: its scenarios, and how it ended."""
    codes = [exit_of(scenario.verdict) for scenario in run.scenarios]
    if run.how == "stopped":
        codes.append(EXIT_STOPPED)
    elif run.how in ("error", "killed"):
        codes.append(EXIT_ERROR)
    return exit_over(codes)


def verdict_over(runs: Sequence[OneRun]) -> Verdict:
    """The one verdict over runs: the worst, and no pass where a run did not come to its end."""
    found = [scenario.verdict for run in runs for scenario in run.scenarios]
    if any(run.how != "completed" for run in runs):
        found.append(Verdict.ERROR)
    return worst(found)
