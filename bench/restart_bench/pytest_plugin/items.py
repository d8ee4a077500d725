"""Scenario files as test items: one for each case, all cases of one rig in one run of the bench.

An item performs its cycles while it is set up and is judged when it is called. So the four words keep their
meaning: pass is a passed test; fail is a failed one; inconclusive is a failed one that says `Inconclusive`; error (the
test was not valid) is an error of the set-up, as pytest has it for tests that could not be made. What only the end
of a run can tell (a channel that may be dead) is an error of the tear-down of the rig's last item.

A plug-in that repeats items gets the same result again: power is not cycled until a test passes. And a session that
would end green although a run did not is made to fail.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from restart_bench.files.faults import FaultsFound
from restart_bench.model import verdicts
from restart_bench.model.clock import FAR_NS
from restart_bench.model.journal import CycleJudged, Finding, Record, ScenarioJudged, Trouble
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import OneRun, Refused, RunOptions, exit_code_of
from restart_bench.model.scenario import Case, Scenario
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import cycles_text
from restart_bench.report.record.text import clean
from restart_bench.screen.outlet import Outlet
from restart_bench.screen.plain import PlainShow
from restart_bench.suite.loader import is_scenario

if TYPE_CHECKING:
    from restart_bench.run.session import OpenSession
    from restart_bench.suite.loader import Suite
    from restart_bench_drivers.interface import AskPerson

_MOST_REASONS = 20
_LATE = "restart_bench_late"


class CaseNotPassed(pytest.fail.Exception):  # type: ignore[name-defined,misc]
    """A case that did not pass; the text says what was found, in which cycles, and where the evidence lies.

    No traceback is shown: it is the controller or the rig that is spoken of, not a line of Python.
    """

    def __init__(self, text: str) -> None:
        super().__init__(text, pytrace=False)


class Fail(CaseNotPassed):
    """Shown to deviate."""

    __module__ = "builtins"  # as pytest's own outcomes: reports show the bare name


class Inconclusive(CaseNotPassed):
    """Not shown either way: no evidence against the controller, and none for it."""

    __module__ = "builtins"


class Error(CaseNotPassed):
    """The test was not valid; it says nothing about the controller."""

    __module__ = "builtins"


# ---------------------------------------------------------------- collecting


class ScenarioFile(pytest.File):
    """One scenario file; its items are the cases."""

    def collect(self) -> Iterator[ScenarioCase]:
        """One item for each case. All faults of the file at once, as `check` words them."""
        try:
            suite = load(self.config, [self.path])
        except FaultsFound as found:
            raise self.CollectError("\n".join(str(fault) for fault in found.faults)) from None
        for scenario in suite.scenarios:
            for case in scenario.cases:
                name = f"{scenario.name}[{case.name}]" if case.name else scenario.name
                item = ScenarioCase.from_parent(self, name=name, scenario=scenario, case=case)
                item.add_marker(pytest.mark.xdist_group(f"rig {suite.rig.name}"))
                yield item


class ScenarioCase(pytest.Item):
    """One case of a scenario: all its cycles."""

    def __init__(self, *, scenario: Scenario, case: Case, **told: Any) -> None:
        super().__init__(**told)
        self.scenario = scenario
        self.case = case
        self.judged: ScenarioJudged | None = None
        self._was_told = False

    @property
    def rig_key(self) -> str:
        """The folder of the rig: what belongs together."""
        return str(self.path.parent)

    def setup(self) -> None:
        """Perform the cycles. Raises Error where the test was no test."""
        run = self.config.stash[RUNS].run_of(self)
        self.judged, cycles = run.perform(self)
        self._tell(run)
        if self.judged.verdict is Verdict.ERROR:
            raise Error(told_of(self.judged, cycles, run.folder))
        self._cycles, self._folder = cycles, run.folder

    def runtest(self) -> None:
        """Say what was found. Raises Fail or Inconclusive."""
        assert self.judged is not None
        if self.judged.verdict is Verdict.FAIL:
            raise Fail(told_of(self.judged, self._cycles, self._folder))
        if self.judged.verdict is Verdict.INCONCLUSIVE:
            raise Inconclusive(told_of(self.judged, self._cycles, self._folder))

    def _tell(self, run: RigRun) -> None:
        """What belongs to a pass as well: its limits, and where the evidence lies; also in JUnit XML."""
        assert self.judged is not None
        if self._was_told:  # the item is repeated
            return
        self._was_told = True
        told = [
            ("verdict", str(self.judged.verdict)),
            ("cycles", self.judged.cycles),
            ("run", run.id),
            ("archive", run.folder),
        ]
        self.user_properties += [*told, *(("limit", clean(limit)) for limit in self.judged.limits)]
        self.add_report_section("setup", "restart-bench", "\n".join([*self.judged.limits, f"archive: {run.folder}"]))

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where a reader finds the case."""
        return self.path, 0, self.name


def told_of(judged: ScenarioJudged, cycles: Sequence[CycleJudged], folder: str) -> str:
    """The text of a case that did not pass: reasons with their cycles, limits, and where the evidence lies."""
    lines = [f"{verdicts.GLOSS[judged.verdict]}: {judged.in_short}"]
    reasons: dict[str, list[int]] = {}
    for finding in (*(one for cycle in cycles for one in cycle.findings), *judged.late_findings):
        if finding.verdict is not Verdict.PASS:
            reasons.setdefault(_told_finding(finding), []).append(finding.cycle)
    for cycle in cycles:
        if cycle.is_error_as_a_whole:
            reasons.setdefault(f"error: {cycle.reason}", []).append(cycle.cycle)
    for reason, numbers in list(reasons.items())[:_MOST_REASONS]:
        lines.append(f"  {cycles_text(numbers)}: {reason}")
    if len(reasons) > _MOST_REASONS:
        lines.append(f"  and {len(reasons) - _MOST_REASONS} more, all in the record")
    lines += [f"  not shown: {limit}" for limit in judged.limits]
    return clean("\n".join([*lines, f"  archive: {folder}"]))


def _told_finding(finding: Finding) -> str:
    what = f"{finding.point} {finding.expectation}".strip()
    return f"{finding.verdict}: {what}: {finding.reason}"


def load(config: pytest.Config, paths: Sequence[Path]) -> Suite:
    """The suite of scenario files that lie in one folder. Raises FaultsFound."""
    from restart_bench.suite.loader import load_suites
    from restart_bench_drivers.registry import cards

    program = config.getoption("--restart-program")
    suites = load_suites(
        paths,
        program=config.invocation_params.dir / program if program else None,
        repeat=config.getoption("--restart-repeat"),
        cards=cards(),
    )
    return suites[0]


# ---------------------------------------------------------------- one run on one rig


class CapturedLines:
    """Plain lines on whatever standard output is at the moment, so that they stand in the report of their item."""

    every_ns = FAR_NS

    def __init__(self, *, captured: bool) -> None:
        """Where nothing is captured whoever reads pytest's output may be slow: nobody waits for him."""
        self._lines = PlainShow(self if captured else Outlet(sys.stdout))  # type: ignore[arg-type]
        self.stopped = False

    def record(self, record: Record) -> None:
        """The line of a record; notes where a person stopped the run."""
        self.stopped |= isinstance(record, Trouble) and record.kind == "stopped"
        self._lines.record(record)

    def live(self, state: LiveState) -> None:
        """Plain lines show no states."""

    def close(self) -> None:
        """Nothing to give back."""

    def write(self, text: str) -> int:
        """Writes to the standard output of this moment."""
        return sys.stdout.write(text)

    def flush(self) -> None:
        """Flushes it."""
        sys.stdout.flush()


_Result = tuple[ScenarioJudged, tuple[CycleJudged, ...]]


class RigRun:
    """The items of one rig and the one run of the bench that they share. Begins with the first item."""

    def __init__(self, config: pytest.Config, items: Sequence[ScenarioCase]) -> None:
        self._config = config
        self._items = items
        self._session: OpenSession | None = None
        self._show = CapturedLines(captured=config.getoption("capture") != "no")
        self._gone = ""  # why nothing more is done on this rig
        self._told: dict[str, Verdict] = {}
        self._done = 0
        self._results: dict[tuple[str, str], _Result | Error] = {}
        self._ended: list[str] | None = None  # what the end of the run told
        self.worse = ""  # how the run ended, where that was not well
        self.id = ""
        self.folder = ""

    def perform(self, item: ScenarioCase) -> tuple[ScenarioJudged, tuple[CycleJudged, ...]]:
        """All cycles of the case, and what they amount to: done once, whoever asks again.

        Raises Error where they could not be done, and leaves pytest where a person stopped the run.
        """
        key = (item.scenario.name, item.case.name)
        if key not in self._results:
            try:
                self._results[key] = self._perform(item)
            except Error as error:
                self._results[key] = error
            except BaseException as cause:  # a time-out of tests, say: the power is not cycled again for it
                self._gone = self._gone or f"it was broken off by {type(cause).__name__}: {cause}"
                self._results[key] = Error(self._gone)
                self.end()
                raise
        known = self._results[key]
        if isinstance(known, Error):
            raise Error(str(known))
        return known

    def _perform(self, item: ScenarioCase) -> _Result:
        from restart_bench.judging.scenario import judge_scenario

        if self._gone:
            raise Error(self._gone)
        if self._session is None:
            self._begin()
        assert self._session is not None
        scenario = dataclasses.replace(item.scenario, cases=(item.case,))
        cycles = self._session.run_case(scenario, item.case)
        over = self._session.over
        if over:
            self._gone = f"the run on this rig has ended: {over}; nothing more was switched"
            if self._show.stopped:
                self.end()
                pytest.exit(f"restart-bench: {over}", returncode=verdicts.EXIT_STOPPED)
        if not cycles:
            raise Error(self._gone or "no cycle of this case was done")
        judged = judge_scenario(self._session.rig, scenario, cycles, scenario.repeat)
        self._done += 1
        self._told[judged.scenario] = verdicts.worst((self._told.get(judged.scenario, Verdict.PASS), judged.verdict))
        return judged, cycles

    def _begin(self) -> None:
        from restart_bench.run.session import SessionPlan

        try:
            session = SessionPlan.of(self._suite(), self._options()).open(self._show, self._person())
            self._session = session
        except Refused as refused:
            self._gone = str(refused)
            raise Error(self._gone) from None
        except Exception as problem:
            self._gone = f"the run on this rig could not begin: {problem}"
            raise
        self.id, self.folder = session.id, str(session.folder)

    def _suite(self) -> Suite:
        """The suite of the items that were selected: only their scenarios, only their cases."""
        suite = load(self._config, list(dict.fromkeys(item.path for item in self._items)))
        chosen = {(item.scenario.name, item.case.name) for item in self._items}
        scenarios = []
        for scenario in suite.scenarios:
            cases = tuple(case for case in scenario.cases if (scenario.name, case.name) in chosen)
            if cases:
                scenarios.append(dataclasses.replace(scenario, cases=cases))
        return dataclasses.replace(suite, scenarios=tuple(scenarios))

    def _options(self) -> RunOptions:
        from restart_bench.report.record.writing import write_report

        return RunOptions(
            logs=self._config.invocation_params.dir / self._config.getoption("--restart-logs"),
            simulated=bool(self._config.getoption("--restart-simulated")),
            arm=self._config.getoption("--restart-arm"),
            repeat=self._config.getoption("--restart-repeat"),
            record=write_report,
        )

    def _person(self) -> AskPerson | None:
        """Somebody who can answer: only where pytest leaves standard input alone (`-s`)."""
        if self._config.getoption("capture") != "no" or not sys.stdin.isatty():
            return None
        from restart_bench.screen.console import console_for, person_at

        return person_at(console_for(sys.stdout))

    def end(self) -> list[str]:
        """Leave the rig safe and close the archive. Returns what only the end of the run could tell, also when it is
        asked again."""
        session, self._session = self._session, None
        if session is None:
            return self._ended or []
        self._gone = self._gone or "the run on this rig is closed"
        try:
            run = session.close()
        finally:
            session.__exit__(None, None, None)
        self._ended = self._late(run)
        code = exit_code_of(run)
        if code not in (verdicts.EXIT_PASS, verdicts.EXIT_INCONCLUSIVE) or (
            code == verdicts.EXIT_INCONCLUSIVE and self._done == len(self._items)
        ):
            self.worse = f"run {run.id} ended with {code} ({verdicts.EXIT_MEANS[code]}), whatever its report says"
        return self._ended

    @property
    def has_ended(self) -> bool:
        """True once what its end told was returned."""
        return self._ended is not None

    def _late(self, run: OneRun) -> list[str]:
        complete = self._done == len(self._items)
        lines = []
        for judged in run.scenarios:
            for finding in judged.late_findings:
                lines.append(f"{judged.scenario}: {_told_finding(finding)}")
            worse = verdicts.badness(judged.verdict) < verdicts.badness(self._told.get(judged.scenario, judged.verdict))
            if worse and complete and not judged.late_findings:
                lines.append(f"{judged.scenario}: {judged.verdict} ({verdicts.GLOSS[judged.verdict]}): {judged.reason}")
        if run.how == "error" and run.reason and run.reason not in self._gone:
            lines.append(f"the run ended with an error: {run.reason}")
        return lines


# ---------------------------------------------------------------- the plug-in's part that is loaded on demand


class ScenarioRuns:
    """Collects scenario files, keeps one run for each rig, and ends it after the rig's last item."""

    def __init__(self, config: pytest.Config) -> None:
        config.stash[RUNS] = self
        self._config = config
        self._runs: dict[str, RigRun] = {}
        self._late: list[str] = []
        self._worse: list[str] = []
        self._folders: list[str] = []

    def run_of(self, item: ScenarioCase) -> RigRun:
        """The run of the item's rig."""
        if item.rig_key not in self._runs:
            mine = [one for one in item.session.items if isinstance(one, ScenarioCase) and one.rig_key == item.rig_key]
            self._runs[item.rig_key] = RigRun(self._config, mine)
        return self._runs[item.rig_key]

    @pytest.hookimpl
    def pytest_collect_file(self, file_path: Path, parent: pytest.Collector) -> ScenarioFile | None:
        """A YAML file whose first key is `scenario`."""
        if is_scenario(file_path):
            return ScenarioFile.from_parent(parent, path=file_path)
        return None

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Items of one rig follow each other: one run of the bench, the supply is not handed to and fro."""
        first: dict[str, int] = {}
        places = {
            item: first.setdefault(item.rig_key, place) if isinstance(item, ScenarioCase) else place
            for place, item in enumerate(items)
        }
        items.sort(key=places.__getitem__)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_teardown(
        self, item: pytest.Item, nextitem: pytest.Item | None
    ) -> Generator[None, object, object]:
        """After the rig's last item the run ends; what only its end tells is this item's error."""
        result = yield
        if isinstance(item, ScenarioCase):
            goes_on = isinstance(nextitem, ScenarioCase) and nextitem.rig_key == item.rig_key
            if not goes_on:
                run = self._runs.get(item.rig_key)
                late = run.end() if run is not None else []
                if late:
                    raise Error("\n".join(["seen at the end of the run:", *(f"  {line}" for line in late)]))
        return result

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Notes where the evidence lies (with pytest-xdist, also that of the workers)."""
        for name, value in report.user_properties:
            if name == "archive" and value not in self._folders:
                self._folders.append(str(value))

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Whatever is still open (after -x, say) is left safe and closed; what it tells then counts as well."""
        for run in self._runs.values():
            if not run.has_ended:  # else its last item told it
                self._late += run.end()
            self._worse += [run.worse] if run.worse else []
        if hasattr(self._config, "workeroutput"):
            self._config.workeroutput[_LATE] = [self._late, self._worse]
        green = session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)
        if green:
            self._late += self._worse
        if self._late and green:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Where the evidence lies."""
        for line in self._late:
            terminalreporter.write_line(f"restart-bench: seen at the end of a run: {clean(line)}")
        for folder in self._folders:
            terminalreporter.write_line(f"restart-bench: record {Path(folder) / 'report.html'}")

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """What a worker was told when it closed its runs."""
        late, worse = getattr(node, "workeroutput", {}).get(_LATE, ([], []))
        self._late += late
        self._worse += worse

    @pytest.hookimpl(optionalhook=True)
    def pytest_xdist_make_scheduler(self, config: pytest.Config, log: Any) -> Any:
        """Whatever `--dist` is, all items of one rig go to one worker (of an armed one: all scenario files)."""
        from restart_bench.pytest_plugin.workers import scheduler_for

        return scheduler_for(config, log)


RUNS = pytest.StashKey[ScenarioRuns]()
