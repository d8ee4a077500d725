"""Runs suites: makes sure that it may, performs cycle after cycle, judges, archives, and leaves the rig safe.

`Session` is one run on one rig, archived as one folder; `perform` goes through the suites of one invocation. Every
way out of a session that has begun leads through `_way_out` (points to idle, supply to rest) and leaves an archive.
"""

from __future__ import annotations

import getpass
import platform
import random
import signal
import sys
import tempfile
import threading
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any

from restart_bench.archive import RunArchive, new_run_id
from restart_bench.archive_files import ArchiveError
from restart_bench.clock import anchor, now_ns, resolution_ns
from restart_bench.concluding import judge_run
from restart_bench.cycle import CycleAct, Desk, Turn
from restart_bench.hands import Hands
from restart_bench.judging import judge_cycle
from restart_bench.live import LiveState, Reading, Show
from restart_bench.observing import Observing
from restart_bench.outcome import OneRun, RunOptions, RunOutcome, exit_of, exit_over
from restart_bench.records import (
    CycleJudged,
    Record,
    RunEnded,
    RunStarted,
    ScenarioJudged,
    Trouble,
    Verdict,
)
from restart_bench.rehearsing import judge_rehearsal
from restart_bench.rig import Rig
from restart_bench.safety import Awake, SupplyLock, points_named, refuse_worn, require_arming, wait_for_limits_ns
from restart_bench.scenario import Case, Scenario
from restart_bench.suite import Suite
from restart_bench.unfinished import left_open, put_right, wear_of
from restart_bench.waiting import Attention, EndOfRun, StopRequest
from restart_bench_drivers.interface import AskPerson, Supply


def perform(suites: Sequence[Suite], options: RunOptions, show: Show, ask: AskPerson | None = None) -> RunOutcome:
    """Runs every suite on its rig, one after another.

    Raises Refused (nothing moved) before the first suite moves anything; a suite that is refused later ends the
    invocation with what was done so far in the archive.
    """
    runs: list[OneRun] = []
    codes: list[int] = []
    for suite in suites:
        with Session(suite, options, show, ask) as session:
            session.run_all()
            run = session.close()
        runs.append(run)
        codes.append(exit_code_of(run))
        if run.how == "stopped":
            break
    code = exit_over(codes)
    return RunOutcome(code, _verdict_over(runs), tuple(runs))


def exit_code_of(run: OneRun) -> int:
    """Exit code of one run: its scenarios, and how it ended."""
    codes = [exit_of(scenario.verdict) for scenario in run.scenarios]
    if run.how == "stopped":
        codes.append(130)
    elif run.how in ("error", "killed"):
        codes.append(4)
    return exit_over(codes)


def _verdict_over(runs: Sequence[OneRun]) -> Verdict:
    order = [Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE, Verdict.PASS]
    found = [scenario.verdict for run in runs for scenario in run.scenarios]
    if any(run.how != "completed" for run in runs):
        found.append(Verdict.ERROR)
    return min(found, key=order.index, default=Verdict.PASS)


class Session:
    """One run on one rig. Use as a context manager; `close` (also called on the way out) ends and archives it."""

    def __init__(self, suite: Suite, options: RunOptions, show: Show, ask: AskPerson | None = None) -> None:
        self._suite = suite
        self._options = options
        self._show = show
        self._ask = ask
        self._stack = ExitStack()
        self._stop = StopRequest()
        self._seed = options.seed if options.seed is not None else random.SystemRandom().randrange(2**31)
        self._cycle = 0
        self._judged: list[CycleJudged] = []
        self._planned: dict[str, int] = {}
        self._how = "completed"
        self._reason = ""
        self._ended: OneRun | None = None
        self._broken_show = False
        self._begun = False
        self._leaving = False
        self._durations_ns: list[int] = []
        self._cycles_planned = sum(len(self._plan_of(s)) for s in suite.scenarios)

    # ------------------------------------------------------------ begin

    def __enter__(self) -> Session:
        with ExitStack() as stack:
            self._stack = stack
            self._enter(stack)
            self._stack = stack.pop_all()
        return self

    def _enter(self, stack: ExitStack) -> None:
        rig, options = self._suite.rig, self._options
        self._heed = not options.simulated
        wear_warning = ""
        if not options.simulated:
            require_arming(rig, options.arm, now=datetime.now().astimezone())
            if rig.supply is not None:
                stack.enter_context(SupplyLock(rig.supply))
                worn = wear_of(options.logs, rig.supply)
                wear_warning = refuse_worn(rig.supply, worn, 2 * self._cycles_planned)
            stack.enter_context(Awake())
        self._handle_signals(stack)
        open_runs = left_open(options.logs, rig.name)
        self.id = new_run_id()
        self._archive = RunArchive.create(options.logs, run_id=self.id, suite=self._suite, before=self._before())
        self.folder = self._archive.folder
        self._begun = True
        stack.callback(self._last_resort)
        self._publish(self._run_started())
        if wear_warning:
            self._publish(Trouble(0, "wear", wear_warning, now_ns(), error=False))
        self._open_rig(stack)
        for folder in open_runs:
            put_right(folder, self._hands, rig, say=self._say, armed=not options.simulated)

    def _open_rig(self, stack: ExitStack) -> None:
        rig = self._suite.rig
        if self._options.simulated:
            rig = self._start_simulation(stack)
        self.rig = rig
        supply = self._open_supply(stack, rig)
        devices = tuple(rig.devices.values())
        points = tuple(rig.points.values())
        self._observing = stack.enter_context(Observing(devices, points, self._archive.samples_folder))
        self._desk = self._make_desk(rig, supply)
        self._hands = self._desk.hands

    def _start_simulation(self, stack: ExitStack) -> Rig:
        from restart_bench.simulation import Simulation

        program = self._suite.program
        if program is None:
            from restart_bench.outcome import Refused

            raise Refused("the rig file names no `simulation:` program, so there is nothing to simulate")
        simulation = Simulation(self._suite.rig, program, truth=self.folder / "simulated-truth.jsonl", seed=self._seed)
        stack.enter_context(simulation)
        return simulation.rig

    def _open_supply(self, stack: ExitStack, rig: Rig) -> Supply | None:
        if rig.supply is None:
            return None
        from restart_bench_drivers.registry import open_supply

        supply = open_supply(rig.supply.driver, rig.supply.settings, contact=rig.supply.contact, ask=self._ask)
        stack.callback(supply.close)
        return supply

    def _make_desk(self, rig: Rig, supply: Supply | None) -> Desk:
        steps = [step for s in self._suite.scenarios for step in (*s.before, *s.function_check)]
        hands = Hands(
            rig,
            self._observing,
            supply,
            allowed=points_named(rig, steps),
            publish=self._record,
            ask=self._ask,
            stop=self._stop,
            heed_limits=self._heed,
        )
        attention = Attention(rig, self._observing, stop=self._stop, note=self._record, draw=self._draw)
        return Desk(rig, self._observing, hands, attention, self._publish, self._archive.sync)

    def _handle_signals(self, stack: ExitStack) -> None:
        """Ctrl-C and the polite ends of other kinds only ask to stop; twice is no different: the way out is kept."""
        if threading.current_thread() is not threading.main_thread():
            return
        wanted = [signal.SIGINT, signal.SIGTERM]
        wanted += [number for name in ("SIGHUP", "SIGBREAK") if (number := getattr(signal, name, None))]

        def handler(number: int, _frame: FrameType | None) -> None:
            by = "a person (Ctrl-C)" if number == signal.SIGINT else f"signal {signal.Signals(number).name}"
            self._stop.now(by)

        for number in wanted:
            before = signal.signal(number, handler)
            stack.callback(signal.signal, number, before)

    def _before(self) -> dict[str, Any]:
        rig, options = self._suite.rig, self._options
        moment = anchor()
        by = options.by
        if not by:
            with suppress(Exception):
                by = getpass.getuser()
        return {
            "run": self.id,
            "rig": rig.name,
            "by": by,
            "simulated": options.simulated,
            "rehearsal": options.rehearse,
            "armed": options.arm if not options.simulated else None,
            "seed": self._seed,
            "loads": rig.loads,
            "host": {"name": platform.node(), "system": platform.system(), "release": platform.release()},
            "versions": _versions(),
            "clock": {"name": "perf_counter_ns", "resolution_ns": resolution_ns()},
            "anchor": {"clock_ns": moment.clock_ns, "wall": moment.wall},
            "supply_address": rig.supply.address if rig.supply is not None else None,
            "planned_cycles": self._cycles_planned,
            "planned": {s.name: len(self._plan_of(s)) for s in self._suite.scenarios},
            "repeat": {s.name: s.repeat for s in self._suite.scenarios},
            "record": dict(rig.record),
        }

    def _run_started(self) -> RunStarted:
        return RunStarted(
            run=self.id,
            rig=self._suite.rig.name,
            at_ns=now_ns(),
            wall=datetime.now(tz=UTC).isoformat(timespec="milliseconds"),
            seed=self._seed,
            simulated=self._options.simulated,
            scenarios=tuple(s.name for s in self._suite.scenarios),
            planned_cycles=self._cycles_planned,
        )

    # ------------------------------------------------------------ perform

    def _plan_of(self, scenario: Scenario) -> list[tuple[Scenario, Case, int, int]]:
        repeat = 1 if self._options.rehearse else scenario.repeat
        return [(scenario, case, number, repeat) for case in scenario.cases for number in range(1, repeat + 1)]

    def run_all(self) -> None:
        """Every scenario in file order (`order: shuffled`: its cases and cycles by the seed)."""
        for scenario in self._suite.scenarios:
            plan = self._plan_of(scenario)
            if scenario.order == "shuffled":
                random.Random(f"{self._seed}/{scenario.name}").shuffle(plan)
            if not self._run_plan(plan):
                return
            if self._options.stop_on_fail and any(c.verdict is Verdict.FAIL for c in self._judged):
                self._how, self._reason = "ended early", "ended at the first fail, as asked (--stop-on fail)"
                return

    def run_case(self, scenario: Scenario, case: Case) -> tuple[CycleJudged, ...]:
        """All cycles of one case, for callers that choose the order themselves (pytest)."""
        done = len(self._judged)
        self._run_plan([turn for turn in self._plan_of(scenario) if turn[1] is case or turn[1].name == case.name])
        return tuple(self._judged[done:])

    @property
    def over(self) -> str:
        """Why the run ended early, "" while it goes on."""
        return self._reason if self._how != "completed" else ""

    def _run_plan(self, plan: list[tuple[Scenario, Case, int, int]]) -> bool:
        """Cycle after cycle; False when the run has to end."""
        for scenario, case, number, of in plan:
            self._planned[scenario.name] = len(self._plan_of(scenario))
            if self._how != "completed":
                return False
            judged = self._run_cycle(Turn(scenario, case, number, of, self._cycle + 1))
            if judged is not None and judged.ends_run:
                self._how, self._reason = "error", judged.reason
                return False
            if self._options.stop_on_fail and judged is not None and judged.verdict is Verdict.FAIL:
                return True
        return self._how == "completed"

    def _run_cycle(self, turn: Turn) -> CycleJudged | None:
        started = now_ns()
        try:
            self._wait_for_limits(turn)
        except EndOfRun as end:
            self._ended_by(end)
            return None
        self._cycle = turn.cycle
        act = CycleAct(self._desk, turn, seed=self._seed, rehearse=self._options.rehearse)
        try:
            act.perform()
        except EndOfRun as end:
            self._way_out(trouble=True)
            self._ended_by(end)
        except ArchiveError as error:
            self._way_out(trouble=True)
            self._how, self._reason = "error", f"the log failed: {error}"
        judged = self._judge(turn)
        self._judged.append(judged)
        self._durations_ns.append(now_ns() - started)
        self._publish(judged)
        return judged

    def _judge(self, turn: Turn) -> CycleJudged:
        records, samples = self._desk.records(), self._desk.samples()
        if self._options.rehearse:
            return judge_rehearsal(turn.scenario, records)
        return judge_cycle(self.rig, turn.scenario, records, samples)

    def _ended_by(self, end: EndOfRun) -> None:
        self._how = "stopped" if end.trouble.kind == "stopped" else "error"
        self._reason = end.trouble.text

    def _wait_for_limits(self, turn: Turn) -> None:
        supply = self._suite.rig.supply
        if supply is None or not self._heed or turn.scenario.how != "supply":
            return
        state = self._hands.state
        while True:
            wait, why = wait_for_limits_ns(
                supply,
                now_ns=now_ns(),
                on_since_ns=state.on_since_ns,
                off_since_ns=None,
                cuts_ns=state.cuts_ns,
            )
            if wait <= 0:
                return
            self._desk.enter("waiting for the supply's limits", why, now_ns() + wait)
            self._desk.attention.wait_until(now_ns() + wait)

    # ------------------------------------------------------------ end

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if problem is not None and self._how == "completed":
                self._how = "error"
                self._reason = f"the bench failed: {problem}" if str(problem) else f"the bench failed: {kind}"
            if self._ended is None and self._begun:
                self.close()
        finally:
            self._stack.close()

    def close(self) -> OneRun:
        """Leaves the rig safe, judges the scenarios, closes the archive. Calling it again returns the same run."""
        if self._ended is not None:
            return self._ended
        self._way_out(trouble=self._how not in ("completed", "ended early"))
        self._begun = False
        statistics = self._observing.statistics()
        self._observing.close()
        scenarios = self._conclude()
        for scenario in scenarios:
            self._publish(scenario)
        run = OneRun(
            self.id, self.folder, self._suite.rig, tuple(scenarios), tuple(self._judged), self._how, self._reason
        )
        code = exit_code_of(run)
        ended = RunEnded(
            run=self.id,
            how=self._how,
            verdict=_verdict_over([run]),
            exit_code=code,
            reason=self._reason,
            at_ns=now_ns(),
            wall=datetime.now(tz=UTC).isoformat(timespec="milliseconds"),
            supply_left=self._hands.state.commanded,
        )
        self._publish(ended)
        try:
            self._archive.close(self._after(ended, scenarios, statistics), self._write_report)
        except ArchiveError as error:
            run = replace(run, how="error", reason=f"the archive could not be closed: {error}")
        self._ended = run
        return run

    def _conclude(self) -> list[ScenarioJudged]:
        if self._options.rehearse:
            from restart_bench.rehearsing import conclude_rehearsal

            return [conclude_rehearsal(s, self._judged) for s in self._suite.scenarios if s.name in self._planned]
        begun = [s for s in self._suite.scenarios if s.name in self._planned or self._how != "completed"]
        planned = {s.name: len(self._plan_of(s)) for s in begun}
        return judge_run(self.rig, begun, self._judged, planned)

    def _after(
        self, ended: RunEnded, scenarios: Sequence[ScenarioJudged], statistics: dict[str, Any]
    ) -> dict[str, Any]:
        return {
            "ended": {"how": ended.how, "reason": ended.reason, "wall": ended.wall, "at_ns": ended.at_ns},
            "verdict": ended.verdict,
            "exit_code": ended.exit_code,
            "scenarios": [
                {
                    "name": s.scenario,
                    "verdict": s.verdict,
                    "reason": s.reason,
                    "cycles": s.cycles,
                    "counted": s.counted,
                    "limits": list(s.limits),
                }
                for s in scenarios
            ],
            "observer": statistics,
            "operations": self._hands.state.operations if self._heed else 0,
            "supply_left": ended.supply_left,
        }

    def _write_report(self, folder: Path) -> None:
        if not self._options.report:
            return
        from restart_bench.archive_reading import ArchivedRun
        from restart_bench.record.writing import write_record

        write_record(ArchivedRun.open(folder), folder / "report.html")

    def _way_out(self, *, trouble: bool) -> None:
        """First every pressed or held point back to idle, read back; then the supply to rest. May run twice."""
        if not hasattr(self, "_hands"):
            return
        if self._observing.failed and self._hands.held():
            self._second_observer()
        self._leaving = True
        self._hands.all_to_idle(self._say)
        supply = self._suite.rig.supply
        if supply is None:
            return
        wish = supply.after_trouble if trouble else supply.at_end
        if self._reason and "only_while" in self._reason and self._hands.state.commanded == "off":
            wish = "as it is"  # what is off stays off
        self._desk.enter("leaving the rig safe")
        self._hands.leave_supply(wish, "rest", self._say)

    def _second_observer(self) -> None:
        """The observer failed while points were out of idle: a fresh one lets go of them."""
        folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True)))
        with suppress(OSError):
            fresh = Observing(tuple(self.rig.devices.values()), tuple(self.rig.points.values()), folder)
            self._stack.enter_context(fresh)
            fresh.set_cycle(self._cycle)
            self._hands.take_over(fresh)

    def _last_resort(self) -> None:
        """Beginning failed half-way (a simulation that did not start, say): the archive still tells it."""
        if not self._begun:
            return
        self._begun = False
        problem = sys.exc_info()[1]
        reason = self._reason or (str(problem) if problem else "the run could not begin")
        self._publish(RunEnded(self.id, "error", Verdict.ERROR, 4, reason, now_ns(), datetime.now(tz=UTC).isoformat()))
        self._archive.close({"ended": {"how": "error", "reason": reason}, "verdict": "error", "exit_code": 4}, None)

    # ------------------------------------------------------------ records and screen

    def _record(self, record: Record) -> None:
        """A record of the hands: kept for the cycle's judgement too."""
        if hasattr(self, "_desk"):
            self._desk.record(record)
        else:
            self._publish(record)

    def _publish(self, record: Record) -> None:
        try:
            self._archive.write(record)
        except ArchiveError:
            if not self._leaving:  # a full disk must not keep the hands from letting go
                raise
        self._shown(lambda: self._show.record(record))

    def _say(self, text: str) -> None:
        self._publish(Trouble(self._cycle, "way out", text, now_ns(), error=False))

    def _shown(self, action: Any) -> None:
        """A broken screen is noted once, and the run goes on."""
        if self._broken_show:
            return
        try:
            action()
        except Exception as problem:
            self._broken_show = True
            self._archive.write(
                Trouble(self._cycle, "screen", f"the screen failed: {problem!r}", now_ns(), error=False)
            )

    def _draw(self, now: int) -> None:
        self._shown(lambda: self._show.live(self._live_state(now)))

    def _live_state(self, now: int) -> LiveState:
        situation, rig = self._desk.situation, self.rig
        turn = self._desk.log[0] if self._desk.log else None
        readings: dict[str, Reading] = {}
        for name in rig.points:
            reading = self._observing.latest(name)
            if reading is not None:
                readings[name] = reading
        return LiveState(
            at_ns=now,
            phase=situation.phase,
            doing=situation.doing,
            scenario=getattr(turn, "scenario", ""),
            case=getattr(turn, "case", ""),
            cycle=self._cycle,
            of_cycles=self._cycles_planned,
            phase_started_ns=situation.phase_started_ns,
            phase_ends_ns=situation.phase_ends_ns,
            left_ns=self._left_ns(),
            supply=self._hands.state.commanded,
            powered=self._powered(readings),
            answering=self._answering(now),
            running=situation.running,
            readings=readings,
            moved=self._observing.moved(),
            cut_ns=situation.cut_ns,
            restored_ns=situation.restored_ns,
        )

    def _left_ns(self) -> int | None:
        if not self._durations_ns:
            return None
        mean = sum(self._durations_ns) // len(self._durations_ns)
        started = getattr(self._desk.log[0], "at_ns", now_ns()) if self._desk.log else now_ns()
        rest = max(0, mean - (now_ns() - started))
        return (self._cycles_planned - self._cycle) * mean + rest

    def _powered(self, readings: dict[str, Reading]) -> bool | None:
        for proof in self.rig.proof_of_cut:
            if proof.of_supply and proof.point in readings and proof.wanted is not None:
                value = readings[proof.point].value
                return None if value is None else not proof.wanted.met_by(value)
        return None

    def _answering(self, now: int) -> bool | None:
        controller = self.rig.controller
        if controller is None:
            return None
        last = self._observing.last_good_ns(controller.name)
        return last is not None and now - last <= controller.answer_within_ns + 2 * controller.poll_ns


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    names = ("restart-bench", "pymodbus", "numpy", "pyarrow", "PyYAML", "pydantic")
    return {"python": platform.python_version(), **{name: version(name) for name in names}}
