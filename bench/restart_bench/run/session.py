"""Runs suites: makes sure that it may, performs cycle after cycle, judges, archives, and leaves the rig safe.

`Session` is one run on one rig, archived as one folder; `perform` goes through the suites of one invocation. Every
way out of a session that has begun leads through `_way_out` (points to idle, supply to rest) and leaves an archive.
"""

from __future__ import annotations

import random
import sys
import time
import traceback
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from restart_bench.archive.earlier import Earlier, earlier_cycles
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.known_archives import remember
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.writer import RunArchive, finish_killed, new_run_id
from restart_bench.judging.cycle import judge_long_cycle
from restart_bench.judging.rehearsal import judge_rehearsal
from restart_bench.judging.scenario import judge_run
from restart_bench.model.clock import anchor, now_ns
from restart_bench.model.journal import CycleJudged, Record, RunEnded, RunStarted, ScenarioJudged, Trouble
from restart_bench.model.live import Show
from restart_bench.model.outcome import OneRun, Refused, RunOptions, RunOutcome, exit_code_of, verdict_over
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Case, Scenario
from restart_bench.model.verdicts import Verdict, exit_over
from restart_bench.model.wording import counted
from restart_bench.observer.diagnosis import unit_text
from restart_bench.observer.handle import ObserverHandle
from restart_bench.observer.identification import greetings, identities
from restart_bench.run.actuators import Actuators, left_well, let_go_of
from restart_bench.run.arming import SupplyLock, points_named, require_arming
from restart_bench.run.cycle import CycleAct, CycleContext, Turn
from restart_bench.run.keep_awake import Awake
from restart_bench.run.limits import LimitKeeper
from restart_bench.run.live_state import View
from restart_bench.run.recovery import left_open
from restart_bench.run.resume import OpenCut, bring_samples, find_earlier, open_cut_of
from restart_bench.run.righting import put_right
from restart_bench.run.run_json import simulated_among, told_after, told_before
from restart_bench.run.supervision import EndOfRun, StopRequest, Supervisor
from restart_bench.run.usage import Used, refuse_worn, used_lately, wear_of
from restart_bench.suite.loader import Suite
from restart_bench_drivers.interface import AskPerson, Supply, SupplyError

if TYPE_CHECKING:
    from restart_bench.simulated.handle import Simulation


def perform(suites: Sequence[Suite], options: RunOptions, show: Show, ask: AskPerson | None = None) -> RunOutcome:
    """Runs every suite on its rig, one after another.

    Raises Refused (nothing moved) before the first suite moves anything. A suite that is refused later (its supply
    is held by another bench, say) counts as an error of the bench, and the others go on.
    """
    for suite in suites:
        _refuse_early(suite, options)
    runs: list[OneRun] = []
    codes: list[int] = []
    for suite in suites:
        try:
            with Session(suite, options, show, ask) as session:
                session.run_all()
                run = session.close()
        except Refused as refused:
            if not runs:
                raise
            with suppress(Exception):
                show.record(Trouble(0, "refused", f"{suite.rig.name}: {refused}", now_ns()))
            codes.append(4)
            continue
        runs.append(run)
        codes.append(exit_code_of(run))
        if run.how == "stopped":
            break
    code = exit_over(codes)
    return RunOutcome(code, verdict_over(runs), tuple(runs))


def _refuse_early(suite: Suite, options: RunOptions) -> None:
    """What can be refused is refused before the first rig is switched. Raises Refused."""
    if options.simulated and suite.program is None:
        raise Refused(f"{suite.rig.name}: the rig file names no `simulation:` program, so there is nothing to simulate")
    if not options.simulated:
        require_arming(suite.rig, options.arm, now=datetime.now().astimezone())
    if options.resume:
        find_earlier(options.resume, suite, options)


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
        self._stop_at_once = False  # what is off stays off, and nothing is tried twice
        self._used_before = Used()
        self._earlier: Earlier | None = None
        self._open_cut: OpenCut | None = None
        self._simulation: Simulation | None = None
        self._failure = ""  # where the bench itself failed, for whoever has to repair it
        self._supply_left = ""
        self._held: tuple[str, ...] = ()  # could not be shown at idle on the way out
        self._log_failed = False
        self._renewed = False  # a second observer was asked for
        self._supply_problem: SupplyError | None = None

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
        earlier = find_earlier(options.resume, self._suite, options) if options.resume else None
        if earlier is not None:
            self._seed = int(earlier.run["seed"])
        warning = self._leave_to_switch(stack) if self._heed else ""
        stack.enter_context(self._stop.hears_signals())
        self.id = new_run_id()
        heard = greetings(rig.devices.values()) if self._heed else {}
        self._identities = identities(heard)
        before = told_before(
            self._suite, options, seed=self._seed, planned=self._planned_cycles(), identities=self._identities
        )
        if earlier is not None:
            before["resumes"] = {"run": earlier.id}
        self._archive = RunArchive.create(options.logs, run_id=self.id, suite=self._suite, before=before)
        self.folder = self._archive.folder
        self._begun = True
        stack.callback(self._last_resort)
        self._publish(self._run_started())
        if self._heed and (problem := remember(rig, options.logs)):
            self._say(problem)
        for name, greeting in heard.items():
            if other := unit_text(rig.devices[name], greeting.unit):
                self._publish(Trouble(0, "unit", f"{name}: {other}", now_ns(), error=False))
        if warning:
            self._publish(Trouble(0, "wear", warning, now_ns(), error=False))
        supply = self._reach_supply(stack)
        if earlier is not None and not earlier.closed and self._supply_problem is None:
            self._take_over(earlier)
        self._open_rig(stack, supply)
        own = self.folder.resolve()
        self._put_right([path for path in left_open(options.logs, rig) if path != own], earlier)
        if earlier is not None:
            self._count_earlier(ArchivedRun.open(earlier.folder))

    def _leave_to_switch(self, stack: ExitStack) -> str:
        """Arming, the lock, the contact's wear, what of the limits is used up. Raises Refused; returns a warning."""
        rig, logs = self._suite.rig, self._options.logs
        require_arming(rig, self._options.arm, now=datetime.now().astimezone())
        warning = ""
        if rig.supply is not None:
            stack.enter_context(SupplyLock(rig.supply))
            cuts = sum(len(self._plan_of(s)) for s in self._suite.scenarios if s.how == "supply")
            warning = refuse_worn(rig.supply, wear_of(logs, rig), 0 if self._options.rehearse else 2 * cuts)
        self._used_before.add(used_lately(logs, rig), shift_ns=now_ns() - time.time_ns())
        stack.enter_context(Awake())
        return warning

    def _take_over(self, earlier: ArchivedRun) -> None:
        """A killed run that is gone on with: its unfinished off time becomes this run's."""
        if not self._heed:
            finish_killed(earlier.folder, self._options.record)
            return
        if self._suite.rig.only_while:
            return  # nobody watched its conditions meanwhile, so that cycle could only be an error
        number = earlier_cycles(earlier).last_cycle + 1
        self._open_cut = open_cut_of(earlier, self._suite.rig, number=number, now=anchor())
        if self._open_cut is None:
            return
        for record in self._open_cut.records:  # before the earlier run is closed: one of the two always tells it
            self._publish(record)
        self._archive.sync()
        bring_samples(earlier, self._open_cut, self._archive.samples_folder)

    def _put_right(self, open_runs: Sequence[Path], earlier: ArchivedRun | None) -> None:
        """Puts right and closes what killed runs left open; the one that is gone on with once its points are held by
        these hands. Raises NotRight where that can't be, and the problem of a supply that can't be reached."""
        if self._open_cut is not None and earlier is not None:
            self._hands.take_over_cut(self._open_cut.cut, self._open_cut.left, self._open_cut.held, self._say)
            open_runs = [path for path in open_runs if path != earlier.folder.resolve()]
            try:
                finish_killed(earlier.folder, self._options.record)
            except ArchiveError as fault:
                self._say(f"{earlier.id} was killed and its log could not be closed: {fault}")
        problem = str(self._supply_problem or "")
        put_right(
            open_runs,
            self._hands,
            self.rig,
            say=self._say,
            armed=self._heed,
            supply_problem=problem,
            record=self._options.record,
        )
        if self._supply_problem is not None:
            raise self._supply_problem

    def _count_earlier(self, earlier: ArchivedRun) -> None:
        self._earlier = earlier_cycles(earlier)
        self._cycle = self._earlier.last_cycle
        self._view.of_cycles = self._cycle + sum(len(self._plan_of(s)) for s in self._suite.scenarios)
        done = counted(len(self._earlier.counted), "cycle")
        self._say(f"goes on with {earlier.id}: {done} of it counted as done, those that are left are done now")

    def _reach_supply(self, stack: ExitStack) -> Supply | None:
        rig = self._suite.rig
        if self._options.simulated:
            rig = self._start_simulation(stack)
        self.rig = rig
        supply: Supply | None
        try:
            supply = self._open_supply(stack, rig)
        except SupplyError as problem:
            supply, self._supply_problem = None, problem
        except Exception as problem:  # a driver is anybody's
            supply = None
            self._supply_problem = SupplyError(f"the supply's driver failed: {type(problem).__name__}: {problem}")
        return supply

    def _open_rig(self, stack: ExitStack, supply: Supply | None) -> None:
        rig = self.rig
        devices = tuple(rig.devices.values())
        points = tuple(rig.points.values())
        self._observing = stack.enter_context(ObserverHandle(devices, points, self._archive.samples_folder))
        self._desk = self._make_desk(rig, supply)
        self._hands = self._desk.hands
        self._limiting = LimitKeeper(self._desk, self._used_before, heed=self._heed)
        self._hands.before_start = self._limiting.wait_to_start
        self._view = View(rig, self._desk, sum(self._planned_cycles().values()))

    def _start_simulation(self, stack: ExitStack) -> Rig:
        from restart_bench.simulated.handle import Simulation

        program = self._suite.program
        if program is None:
            raise Refused("the rig file names no `simulation:` program, so there is nothing to simulate")
        simulation = Simulation(self._suite.rig, program, truth=self.folder / "simulated-truth.jsonl", seed=self._seed)
        self._simulation = stack.enter_context(simulation)
        return simulation.rig

    def _open_supply(self, stack: ExitStack, rig: Rig) -> Supply | None:
        if rig.supply is None:
            return None
        from restart_bench_drivers.registry import open_supply

        supply = open_supply(rig.supply.driver, rig.supply.settings, contact=rig.supply.contact, ask=self._ask)
        stack.callback(let_go_of, supply)
        return supply

    def _make_desk(self, rig: Rig, supply: Supply | None) -> CycleContext:
        steps = [step for s in self._suite.scenarios for step in (*s.before, *s.function_check)]
        hands = Actuators(
            rig,
            self._observing,
            supply,
            allowed=points_named(rig, steps),
            publish=self._record,
            ask=self._ask,
            stop=self._stop,
            heed_limits=self._heed,
        )
        attention = Supervisor(
            rig, self._observing, stop=self._stop, note=self._record, draw=self._draw, isolation=self._heed
        )
        hands.renew, hands.forbids, hands.looking_on = self._second_observer, self._forbidden, attention.asking
        return CycleContext(rig, self._observing, hands, attention, self._publish, self._archive.sync)

    def _planned_cycles(self) -> dict[str, int]:
        """Cycles by scenario, those of a run that is gone on with included."""
        return {s.name: len(s.cases) * (1 if self._options.rehearse else s.repeat) for s in self._suite.scenarios}

    def _run_started(self) -> RunStarted:
        return RunStarted(
            run=self.id,
            rig=self._suite.rig.name,
            at_ns=now_ns(),
            wall=datetime.now(tz=UTC).isoformat(timespec="milliseconds"),
            seed=self._seed,
            simulated=self._options.simulated,
            scenarios=tuple(s.name for s in self._suite.scenarios),
            planned_cycles=sum(self._planned_cycles().values()),
            simulated_devices=tuple(simulated_among(self._identities)),
        )

    # ------------------------------------------------------------ perform

    def _plan_of(self, scenario: Scenario) -> list[tuple[Scenario, Case, int, int]]:
        """Scenario, case, number and of how many, for every cycle that is still to be done."""
        repeat = 1 if self._options.rehearse else scenario.repeat
        done: frozenset[tuple[str, str, int]] = self._earlier.places if self._earlier is not None else frozenset()
        if self._open_cut is not None:
            done |= {self._open_cut.place}
        return [
            (scenario, case, number, repeat)
            for case in scenario.cases
            for number in range(1, repeat + 1)
            if (scenario.name, case.name, number) not in done
        ]

    def run_all(self) -> None:
        """Every scenario in file order (`order: shuffled`: its cases and cycles by the seed)."""
        if self._open_cut is not None and not self._finish_open_cut(self._open_cut):
            return
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
            self._planned[scenario.name] = self._planned_cycles()[scenario.name]
            if self._how != "completed":
                return False
            judged = self._run_cycle(Turn(scenario, case, number, of, self._cycle + 1))
            if not self._goes_on(judged):
                return False
            if self._options.stop_on_fail and judged is not None and judged.verdict is Verdict.FAIL:
                return True
        return self._how == "completed"

    def _finish_open_cut(self, left: OpenCut) -> bool:
        """The cycle whose off time an earlier run had begun; False when the run has to end."""
        started = left.cycle.started
        scenario = next(s for s in self._suite.scenarios if s.name == started.scenario)
        case = next(c for c in scenario.cases if c.name == started.case)
        self._planned[scenario.name] = self._planned_cycles()[scenario.name]
        judged = self._run_cycle(Turn(scenario, case, started.number, started.of, started.cycle), left)
        return self._goes_on(judged)

    def _goes_on(self, judged: CycleJudged | None) -> bool:
        if judged is not None and judged.ends_run and self._how == "completed":
            self._how, self._reason = "error", judged.reason
        return self._how == "completed"

    def _run_cycle(self, turn: Turn, left: OpenCut | None = None) -> CycleJudged | None:
        started = now_ns()
        act = CycleAct(self._desk, turn, seed=self._seed, rehearse=self._options.rehearse)
        try:
            if left is None:
                self._desk.attention.guard()
                self._limiting.wait_before(turn.scenario)
            self._cycle = turn.cycle
            if left is None:
                act.perform()
            else:
                act.carry_on(left)
        except EndOfRun as end:
            self._ended_by(end)
            self._way_out(trouble=True)
            if self._cycle != turn.cycle:
                return None
        except ArchiveError as error:
            self._how, self._reason = "error", f"the log failed: {error}"
            self._way_out(trouble=True)
        except Exception as problem:  # a fault of ours or of a driver: the rig is left safe and the evidence is kept
            self._bench_failed(problem)
            self._way_out(trouble=True)
        judged = self._judge(turn)
        self._judged.append(judged)
        self._limiting.count_cycle()
        self._view.cycle_took(now_ns() - started)
        self._publish(judged)
        return judged

    def _bench_failed(self, problem: Exception) -> None:
        self._failure = traceback.format_exc()
        self._how, self._reason = "error", f"the bench failed: {str(problem) or type(problem).__name__}"
        with suppress(ArchiveError):
            self._record(Trouble(self._cycle, "bench", self._reason, now_ns()))

    def _judge(self, turn: Turn) -> CycleJudged:
        self._observing.set_cycle(0)  # answered behind all that was sampled: live and archived evidence are the same
        records = self._desk.records()
        if self._options.rehearse:
            return judge_rehearsal(turn.scenario, records)
        sources = self._observing.sources(self._desk.cycle)
        return judge_long_cycle(self.rig, turn.scenario, records, sources)

    def _ended_by(self, end: EndOfRun) -> None:
        self._how = "stopped" if end.trouble.kind == "stopped" else "error"
        self._reason = end.trouble.text
        self._stop_at_once = end.trouble.kind == "only_while"

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
        if self._judged and hasattr(self, "_hands"):
            self._hands.cycle = 0  # what is done from now on belongs to no cycle: they are judged
        self._way_out(trouble=self._how not in ("completed", "ended early"))
        self._begun = False
        statistics = self._observing.statistics()
        self._observing.close()
        if self._simulation is not None:  # its truth log is part of the archive and has to be whole before the sums
            self._simulation.close()
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
            verdict=verdict_over([run]),
            exit_code=code,
            reason=self._reason,
            at_ns=now_ns(),
            wall=datetime.now(tz=UTC).isoformat(timespec="milliseconds"),
            supply_left=self._supply_left or self._hands.state.commanded,
        )
        self._publish(ended)
        after = self._after(ended, scenarios, statistics)
        try:
            if self._left_open:
                self._archive.leave_open(after)
            else:
                self._archive.close(after, self._options.record)
        except ArchiveError as error:
            run = replace(run, how="error", reason=f"the archive could not be closed: {error}")
        self._ended = run
        return run

    def _conclude(self) -> list[ScenarioJudged]:
        if self._options.rehearse:
            from restart_bench.judging.rehearsal import conclude_rehearsal

            return [conclude_rehearsal(s, self._judged) for s in self._suite.scenarios if s.name in self._planned]
        counted = [*(self._earlier.counted if self._earlier is not None else ()), *self._judged]
        known = {*self._planned, *(one.scenario for one in counted)}
        begun = [s for s in self._suite.scenarios if s.name in known or self._how != "completed"]
        planned = self._planned_cycles()
        return judge_run(self.rig, begun, counted, {s.name: planned[s.name] for s in begun})

    def _after(self, ended: RunEnded, scenarios: Sequence[ScenarioJudged], observer: dict[str, Any]) -> dict[str, Any]:
        operations = self._hands.state.operations if self._heed else 0
        after = told_after(ended, scenarios, observer=observer, operations=operations)
        if self._failure:
            after["failure"] = self._failure
        if self._heed:
            after["limits_used"] = self._limiting.told(anchor())
        return after

    def _way_out(self, *, trouble: bool) -> None:
        """First every pressed or held point back to idle, read back; then the supply to rest. May run twice.

        Nothing that happens to the points keeps it from the supply.
        """
        if not hasattr(self, "_hands"):
            return
        self._leaving = True
        try:
            say = self._quietly if self._stop_at_once else self._say
            held = self._hands.all_to_idle(say, at_once=self._stop_at_once)
        except Exception as problem:
            held = self._hands.held()
            self._say(f"{', '.join(held) or 'a point'} MAY STILL BE OUT OF IDLE: {type(problem).__name__}: {problem}")
        self._rest_supply(trouble=trouble)
        if held and self._stop_at_once:  # the supply came first; now there is time for them
            held = self._hands.all_to_idle(self._say)
        self._held = held
        if held:
            self._left_unsafe(f"{', '.join(held)} could not be shown to be back in idle")

    def _rest_supply(self, *, trouble: bool) -> None:
        supply = self._suite.rig.supply
        if supply is None:
            return
        wish = supply.after_trouble if trouble else supply.at_end
        if self._stop_at_once and (self._hands.state.commanded != "on" or self._hands.rail_contradicts()):
            wish = "as it is"  # what is off stays off
        self._desk.enter("leaving the rig safe")
        self._supply_left = self._hands.leave_supply(wish, "rest", self._say, once=self._stop_at_once)
        if not left_well(self._supply_left):
            self._left_unsafe(f"the supply could not be brought {wish} (it was left {self._supply_left})")

    def _left_unsafe(self, what: str) -> None:
        """A run that could not leave its rig as it should is an error, whatever its cycles showed."""
        if self._how in ("completed", "ended early"):
            self._how, self._reason = "error", f"{what}: a person has to look at the rig"

    @property
    def _left_open(self) -> bool:
        """The way out of an armed run is not finished, or its log has a gap: the next armed start has to find it."""
        return self._heed and bool(self._held or not left_well(self._supply_left) or self._log_failed)

    def _forbidden(self) -> str:
        """Why the supply may not go on now, "" where it may."""
        return self._desk.attention.conditions.forbids()

    def _second_observer(self) -> ObserverHandle | None:
        """The observer failed while points were out of idle: a fresh one lets go of them. None where it can't start."""
        if self._renewed:
            return None
        self._renewed = True
        try:
            devices, points = tuple(self.rig.devices.values()), tuple(self.rig.points.values())
            fresh = self._stack.enter_context(ObserverHandle(devices, points, None))
            fresh.set_cycle(self._cycle)
        except Exception as problem:
            self._say(f"the observer failed, and a second one could not be started: {problem}")
            return None
        return fresh

    def _last_resort(self) -> None:
        """Beginning failed half-way (a simulation that did not start, say): the archive still tells it."""
        if not self._begun:
            return
        self._begun = False
        problem = sys.exc_info()[1]
        reason = self._reason or (str(problem) if problem else "the run could not begin")
        self._publish(RunEnded(self.id, "error", Verdict.ERROR, 4, reason, now_ns(), datetime.now(tz=UTC).isoformat()))
        with suppress(ArchiveError):  # the next start on this rig closes it
            if self._open_cut is not None:  # what it took over may be held still
                self._archive.leave_open({"ended": {"how": "error", "reason": reason}})
                return
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
            if not self._log_failed:
                self._archive.write(record)
        except ArchiveError:
            self._log_failed = True  # nothing is written behind a gap: the next start would take the run for whole
            if not self._leaving:  # a full disk must not keep the hands from letting go
                raise
        self._shown(lambda: self._show.record(record))

    def _quietly(self, _text: str) -> None:
        """Nothing is said of points that are tried again once the supply is at rest."""

    def _say(self, text: str) -> None:
        self._publish(Trouble(0, "way out", text, now_ns(), error=False))  # of no cycle: it may be judged already

    def _shown(self, action: Any) -> None:
        """A broken screen is noted once, and the run goes on."""
        if self._broken_show:
            return
        try:
            action()
        except Exception as problem:
            self._broken_show = True
            told = Trouble(self._cycle, "screen", f"the screen failed: {problem!r}", now_ns(), error=False)
            if not self._log_failed:
                with suppress(ArchiveError):
                    self._archive.write(told)

    def _draw(self, now: int) -> None:
        self._shown(lambda: self._show.live(self._view.state(now)))
