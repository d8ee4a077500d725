"""What the faces ask of the runner, and what comes back: options of one invocation, and its runs as judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from restart_bench.records import CycleJudged, ScenarioJudged, Verdict
from restart_bench.rig import Rig
from restart_bench.verdict_order import worst

EXIT_PASS = 0
EXIT_FAIL = 1
EXIT_BAD_INPUT = 2  # or not armed; nothing moved
EXIT_INCONCLUSIVE = 3
EXIT_ERROR = 4
EXIT_STOPPED = 130  # by a person

EXIT_MEANS: dict[int, str] = {
    EXIT_PASS: "every scenario passed",
    EXIT_FAIL: "a proven fail",
    EXIT_BAD_INPUT: "bad input or not armed; nothing moved",
    EXIT_INCONCLUSIVE: "inconclusive",
    EXIT_ERROR: "error of rig or bench",
    EXIT_STOPPED: "stopped by a person",
}

_BEATS = (EXIT_FAIL, EXIT_STOPPED, EXIT_ERROR, EXIT_INCONCLUSIVE, EXIT_PASS)
_EXIT_OF: dict[Verdict, int] = {
    Verdict.PASS: EXIT_PASS,
    Verdict.INCONCLUSIVE: EXIT_INCONCLUSIVE,
    Verdict.FAIL: EXIT_FAIL,
    Verdict.ERROR: EXIT_ERROR,
}


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
    report: bool = True


@dataclass(frozen=True, slots=True)
class OneRun:
    """One run on one rig, as archived in `folder`. `how` as in `records.RunEnded`."""

    id: str
    folder: Path
    rig: Rig
    scenarios: tuple[ScenarioJudged, ...]
    cycles: tuple[CycleJudged, ...]
    how: str = "completed"
    reason: str = ""
    altered: str = ""  # of an archive that is not as it was closed: what is not


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """All runs of one invocation, with the exit code that stands over them."""

    exit_code: int
    verdict: Verdict
    runs: tuple[OneRun, ...]


def exit_of(verdict: Verdict) -> int:
    """The exit code of one scenario's verdict."""
    return _EXIT_OF[verdict]


def exit_over(codes: list[int]) -> int:
    """The one exit code over all scenarios and rigs: 1 beats 130 beats 4 beats 3 beats 0.

    Raises ValueError on a code that no run can end with.
    """
    unknown = [code for code in codes if code not in _BEATS]
    if unknown:
        raise ValueError(f"no exit code of a run: {unknown[0]}")
    return min(codes, key=_BEATS.index, default=EXIT_PASS)


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
