"""Runs suites: makes sure that it may, performs cycle after cycle, judges, archives, and leaves the rig safe.

`SessionPlan` is a run on one rig before anything is switched, `OpenSession` the same once it has begun, archived as one
folder; `perform` is both in one call. Every way out of an open session leads through its
`SafeEnd` (points to idle, supply to rest) and leaves an archive.
"""

from __future__ import annotations

import os
import random
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from restart_bench.archive.earlier import Earlier, earlier_cycles
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.kept_cycles import KeptCycles
from restart_bench.archive.killed import facts_of_end
from restart_bench.archive.known_archives import remember
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.writer import RunArchive, new_run_id
from restart_bench.judging.campaign.ride_through import search_found
from restart_bench.judging.cycle import judge_long_cycle
from restart_bench.judging.rehearsal import conclude_rehearsal, judge_rehearsal
from restart_bench.judging.scenario import judge_run
from restart_bench.model.clock import NS_PER_S, anchor, now_ns
from restart_bench.model.journal import CycleJudged, Introduced, Record, RunEnded, RunStarted, ScenarioJudged, Trouble
from restart_bench.model.live import Show
from restart_bench.model.outcome import OneRun, Refused, RunOptions, RunOutcome, exit_code_of, verdict_over
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Case, Scenario
from restart_bench.model.verdicts import Verdict
from restart_bench.observer.diagnosis import unit_text
from restart_bench.observer.handle import ObserverHandle
from restart_bench.observer.identification import WITHIN_NS, Introductions, greetings, identities
from restart_bench.run.actuators import Actuators, reach_supply
from restart_bench.run.arming import SupplyLock, points_named, require_arming
from restart_bench.run.context import Chronicle, CycleContext, View
from restart_bench.run.cycle import CycleAct, Turn
from restart_bench.run.inquiry.forecasts import asker
from restart_bench.run.keep_awake import Awake
from restart_bench.run.limits import LimitKeeper
from restart_bench.run.recovery import (
    NotRight,
    close_killed,
    holder_of,
    insist_on_idle,
    left_open,
    put_right,
    was_armed,
)
from restart_bench.run.resume import OpenCut, as_planned, bring_samples, find_earlier, open_cut_of, over_already
from restart_bench.run.run_json import facts_before, facts_of_devices, simulated_among
from restart_bench.run.safe_end import SafeEnd
from restart_bench.run.supervision import EndOfRun, StopRequest, Supervisor
from restart_bench.run.usage import Used, refuse_worn, used_by_now, wear_of
from restart_bench.suite.loader import Suite
from restart_bench.suite.plan import plan_suite, time_left_of
from restart_bench_drivers.interface import AskPerson, Supply, SupplyError

if TYPE_CHECKING:
    from restart_bench.simulated.handle import Simulation


_OTHERS_NS = NS_PER_S // 20  # how often it is asked whether the others are ready


def perform(suite: Suite, options: RunOptions, show: Show, ask: AskPerson | None = None) -> RunOutcome:
    """Runs a suite on its rig. Raises Refused where nothing may be moved."""
    with SessionPlan.of(suite, options).open(show, ask) as session:
        session.run_all()
        return RunOutcome.of(session.close())


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """A run on one rig, before anything is switched: what it is to do, drawn from which seed."""

    suite: Suite
    options: RunOptions
    seed: int
    earlier: ArchivedRun | None = None  # the run that it goes on with

    @staticmethod
    def of(suite: Suite, options: RunOptions) -> SessionPlan:
        """Raises Refused where it may not be, or can't be, as asked for."""
        _refuse_unnamed_place(options.logs)
        if options.simulated and suite.program is None:
            name = suite.rig.name
            raise Refused(f"{name}: the rig file names no `simulation:` program, so there is nothing to simulate")
        if not options.simulated:
            require_arming(suite.rig, options.arm, now=datetime.now().astimezone())
        earlier = find_earlier(options.resume, suite, options) if options.resume else None
        if earlier is not None:
            return SessionPlan(as_planned(earlier, suite, options), options, int(earlier.run["seed"]), earlier)
        drawn = random.SystemRandom().randrange(2**31)
        return SessionPlan(suite, options, drawn if options.seed is None else options.seed)

    @property
    def armed(self) -> bool:
        """True where something real is switched, so that limits, wear and what was left before count."""
        return not self.options.simulated

    def cycles(self) -> dict[str, int]:
        """Cycles by scenario, those of a run that is gone on with included."""
        return {s.name: len(s.cases) * self._repeat(s) for s in self.suite.scenarios}

    def turns(self, scenario: Scenario, done: frozenset[tuple[str, str, int]]) -> list[Turn]:
        """Every cycle of a scenario that is still to be done, in file order."""
        repeat = self._repeat(scenario)
        return [
            Turn(scenario, case, number, repeat)
            for case in scenario.cases
            for number in range(1, repeat + 1)
            if (scenario.name, case.name, number) not in done
        ]

    def _repeat(self, scenario: Scenario) -> int:
        return 1 if self.options.rehearse else scenario.repeat

    def facts(self, introduced: Introductions) -> dict[str, Any]:
        """What run.json tells of it."""
        before = facts_before(
            self.suite, self.options, seed=self.seed, planned=self.cycles(), told=_told_by(introduced)
        )
        if self.earlier is None:
            return before
        by = self.options.by or str(self.earlier.run.get("by") or before["by"])
        return {**before, "by": by, "resumes": {"run": self.earlier.id}}

    def try_supply(self) -> None:
        """Raises Refused where the supply is held by another bench now, or worn out; nothing is kept of it."""
        if self.armed:
            with ExitStack() as stack:
                self._leave_to_switch(stack)

    def open(self, show: Show, ask: AskPerson | None = None, stop: StopRequest | None = None) -> OpenSession:
        """Begins the run. `stop`: who else may ask to stop it. Raises Refused before anything is written; where it
        fails later the archive tells it."""
        stop = StopRequest() if stop is None else stop
        with ExitStack() as stack:
            used, warning = self._leave_to_switch(stack) if self.armed else (Used(), "")
            if self.armed:
                stack.enter_context(Awake())
            stack.enter_context(stop.hears_signals())
            run = new_run_id()
            devices = tuple(self.suite.rig.devices.values()) if self.armed else ()
            introduced = Introductions(devices, greetings(devices))
            facts = self.facts(introduced)
            if self.armed:
                facts["order"] = used.order + 1
            archive = RunArchive.create(self.options.logs, run_id=run, suite=self.suite, before=facts)
            chronicle = Chronicle(run, archive, show)
            stack.callback(chronicle.last_resort)
            self._tell_beginning(chronicle, warning, introduced)
            reached = self._reach(archive.folder, ask, stop, stack)
            open_cut = None if reached.problem else self._take_over(chronicle)
            session = OpenSession(
                self, chronicle, reached, open_cut, introduced, used=used, ask=ask, stop=stop, stack=stack
            )
            session.put_right(reached.problem)
            session.keep(stack.pop_all())
        return session

    def _leave_to_switch(self, stack: ExitStack) -> tuple[Used, str]:
        """The lock, the contact's wear, what of the limits is used up (and a warning). Raises Refused."""
        rig, logs = self.suite.rig, self.options.logs
        warning = ""
        if rig.supply is not None:
            stack.enter_context(SupplyLock(rig.supply, lambda: holder_of(logs, rig)))
            done = frozenset[tuple[str, str, int]]() if self.earlier is None else earlier_cycles(self.earlier).places
            cuts = sum(len(self.turns(s, done)) for s in self.suite.scenarios if s.how == "supply")
            warning = refuse_worn(rig.supply, wear_of(logs, rig), 0 if self.options.rehearse else 2 * cuts)
        return used_by_now(logs, rig), warning

    def _tell_beginning(self, chronicle: Chronicle, warning: str, introduced: Introductions) -> None:
        started = RunStarted(
            run=chronicle.run,
            rig=self.suite.rig.name,
            at_ns=now_ns(),
            wall=_wall_now(),
            seed=self.seed,
            simulated=self.options.simulated,
            scenarios=tuple(s.name for s in self.suite.scenarios),
            planned_cycles=sum(self.cycles().values()),
            simulated_devices=tuple(simulated_among(identities(introduced.heard))),
        )
        chronicle.publish(started)
        if self.armed and (problem := remember(self.suite.rig, self.options.logs)):
            chronicle.say(problem)
        for name, greeting in introduced.heard.items():
            if other := unit_text(self.suite.rig.devices[name], greeting.unit):
                chronicle.publish(Trouble(0, "unit", f"{name}: {other}", now_ns(), error=False))
        if warning:
            chronicle.publish(Trouble(0, "wear", warning, now_ns(), error=False))

    def _reach(self, folder: Path, ask: AskPerson | None, stop: StopRequest, stack: ExitStack) -> _Reached:
        """The rig, and its supply as far as it can be reached; simulated ones are started."""
        rig, simulation = self.suite.rig, None
        if self.options.simulated:
            simulation = self._start_simulation(folder, stack)
            rig = simulation.rig
        supply, problem = reach_supply(rig.supply, ask, stop, stack)
        return _Reached(rig, simulation, supply, problem)

    def _start_simulation(self, folder: Path, stack: ExitStack) -> Simulation:
        from restart_bench.simulated.handle import Simulation

        assert self.suite.program is not None
        truth = folder / "simulated-truth.jsonl"
        return stack.enter_context(Simulation(self.suite.rig, self.suite.program, truth=truth, seed=self.seed))

    def _take_over(self, chronicle: Chronicle) -> OpenCut | None:
        """A killed run that is gone on with: its unfinished off time, where there is one, becomes this run's."""
        earlier = self.earlier
        if earlier is None or earlier.closed or not self.armed or self.suite.rig.only_while:
            return None  # of the last: nobody watched its conditions meanwhile, so that cycle could only be an error
        number = earlier_cycles(earlier).last_cycle + 1
        open_cut = open_cut_of(earlier, self.suite.rig, number=number, now=anchor())
        if open_cut is None:
            return None
        if given_up := self._beside(chronicle, earlier) or over_already(open_cut, self.suite.rig, now_ns()):
            chronicle.say(given_up)
            return None
        chronicle.holds_more = True
        for record in open_cut.records:  # before the earlier run is closed: one of the two always tells it
            chronicle.publish(record)
        chronicle.archive.sync()
        bring_samples(earlier, open_cut, chronicle.archive.samples_folder)
        return open_cut

    def _beside(self, chronicle: Chronicle, earlier: ArchivedRun) -> str:
        """Why a cut can't be kept while other runs are open on its supply, "" where none are: putting those right moves
        the points and the supply that the cut needs still."""
        known = {chronicle.archive.folder.resolve(), earlier.folder.resolve()}
        others = [one for one in left_open(self.options.logs, self.suite.rig) if one not in known and was_armed(one)]
        if not others:
            return ""
        names = ", ".join(one.name for one in others)
        return f"{names} is open on this supply too and is put right first; the cycle that was cut is done again"


@dataclass(frozen=True, slots=True)
class _Reached:
    """The rig that is run on, and its supply or what keeps it from being reached."""

    rig: Rig
    simulation: Simulation | None
    supply: Supply | None
    problem: str


@dataclass(slots=True)
class _Ending:
    """How the run ends, as far as it is known."""

    how: str = "completed"
    reason: str = ""
    at_once: bool = False  # what is off stays off, and nothing is tried twice
    failure: str = ""  # where the bench itself failed, for whoever has to repair it

    @property
    def well(self) -> bool:
        return self.how in ("completed", "ended early")

    def be(self, how: str, reason: str) -> None:
        self.how, self.reason = how, reason


class OpenSession:
    """A run that has begun. Use as a context manager; `close` (also called on the way out) ends and archives it."""

    def __init__(
        self,
        plan: SessionPlan,
        chronicle: Chronicle,
        reached: _Reached,
        open_cut: OpenCut | None,
        introduced: Introductions,
        *,
        used: Used,
        ask: AskPerson | None,
        stop: StopRequest,
        stack: ExitStack,
    ) -> None:
        self.id, self.folder, self.rig = chronicle.run, chronicle.archive.folder, reached.rig
        self._plan = plan
        self._chronicle = chronicle
        self._simulation = reached.simulation
        self._open_cut = open_cut
        self._introduced = introduced
        self._stack = stack
        self._earlier = Earlier((), frozenset(), 0)
        self._kept = KeptCycles()
        self._judged: list[CycleJudged] = []
        self._begun: set[str] = set()  # scenarios
        self._ending = _Ending()
        self._run: OneRun | None = None  # once it has ended
        self._context = self._make_context(reached.supply, ask, stop)
        self._limits = LimitKeeper(self._context, used, heed=plan.armed)
        planned = plan_suite(self.rig, plan.suite.scenarios, simulated=plan.options.simulated)
        left = time_left_of(planned, rehearse=plan.options.rehearse)
        self._view = View(self.rig, self._context, sum(plan.cycles().values()), left)
        others = stack.enter_context(ExitStack())
        self._safe_end = SafeEnd(self._context, plan.suite.rig.supply, chronicle, armed=plan.armed, stack=others)
        self._connect()

    def _make_context(self, supply: Supply | None, ask: AskPerson | None, stop: StopRequest) -> CycleContext:
        rig, armed, chronicle = self.rig, self._plan.armed, self._chronicle
        observer = ObserverHandle(
            tuple(rig.devices.values()), tuple(rig.points.values()), chronicle.archive.samples_folder
        )
        self._stack.enter_context(observer)

        def record(of_cycle: Record) -> None:
            context.record(of_cycle)

        steps = [step for s in self._plan.suite.scenarios for step in (*s.before, *s.function_check)]
        named = points_named(rig, steps)
        actuators = Actuators(
            rig, observer, supply, allowed=named, publish=record, ask=ask, stop=stop, heed_limits=armed
        )
        supervisor = Supervisor(rig, observer, stop=stop, note=record, draw=self._draw, isolation=armed)
        context = CycleContext(rig, observer, actuators, supervisor, chronicle.publish, chronicle.archive.sync)
        options = self._plan.options
        if options.guess is not None:
            context.before_cut = asker(context, options.ask_first, options.guess)
        return context

    def _connect(self) -> None:
        """What the actuators ask of the others, who need them themselves."""
        actuators, supervisor = self._context.actuators, self._context.supervisor
        actuators.renew = self._safe_end.second_observer
        actuators.forbids = supervisor.conditions.forbids
        actuators.looking_on = supervisor.asking
        actuators.before_start = self._limits.wait_to_start
        self._context.introduce = self._introduce

    def _introduce(self) -> bool:
        """Devices that were dark when the run began are asked what they are, once they are read; does not wait. True
        where nothing is left to be heard."""
        over = self._introduced.ask(self._context.answers_now)
        for name, greeting in self._introduced.new().items():
            one = greeting.identity
            said, simulated = (one.shown, one.is_simulated) if one is not None else ("", False)
            self._chronicle.publish(Introduced(name, said, simulated, now_ns()))
        return over

    def _draw(self, now: int) -> None:
        self._chronicle.draw(lambda: self._view.state(now))

    # ------------------------------------------------------------ begin

    def put_right(self, problem: str) -> None:
        """Puts right and closes what killed runs left open; the one that is gone on with once its points are held by
        these actuators. Raises NotRight where that can't be, and the problem of a supply that can't be reached."""
        plan, say = self._plan, self._chronicle.say
        self._chronicle.leaving = True  # a log that fails keeps the rig from its rest as little as on a way out
        own = self.folder.resolve()
        open_runs = [path for path in left_open(plan.options.logs, plan.suite.rig) if path != own]
        if self._open_cut is not None and plan.earlier is not None:
            self._take_over_cut(self._open_cut, plan.earlier)
            open_runs = [path for path in open_runs if path != plan.earlier.folder.resolve()]
        put_right(
            open_runs,
            self._context.actuators,
            self.rig,
            say=say,
            armed=plan.armed,
            supply_problem=problem,
            record=plan.options.record,
        )
        self._chronicle.leaving = False
        if self._chronicle.gap:
            raise NotRight("the log failed while killed runs were put right; make room for it, then start again")
        if problem:
            raise SupplyError(problem)
        if plan.earlier is not None:
            self._count_earlier(ArchivedRun.open(plan.earlier.folder))

    def _take_over_cut(self, open_cut: OpenCut, earlier: ArchivedRun) -> None:
        say = self._chronicle.say
        failed = self._context.actuators.take_over_cut(open_cut.cut, open_cut.left, open_cut.held, say)
        insist_on_idle(f"{name} of {earlier.folder.name}" for name in failed)
        close_killed(earlier.folder, say, self._plan.options.record)

    def _count_earlier(self, earlier: ArchivedRun) -> None:
        self._earlier = earlier_cycles(earlier)
        self._chronicle.cycle = self._earlier.last_cycle
        to_come = [turn for scenario in self._plan.suite.scenarios for turn in self._turns(scenario)]
        self._view.of_cycles = self._earlier.last_cycle + len(to_come) + (self._open_cut is not None)
        self._view.done_again = self._earlier.last_cycle - len(self._earlier.counted)
        places = [(turn.scenario.name, turn.case.name) for turn in to_come]
        begun = [self._open_cut.place[:2]] if self._open_cut is not None else []
        self._view.time_left.to_come = dict(Counter([*places, *begun]))
        self._chronicle.say(f"goes on with {earlier.id}: {self._earlier.told}, those that are left are done now")

    def keep(self, stack: ExitStack) -> None:
        """It has begun: what it opened stays open until its end."""
        self._stack = stack
        self._chronicle.owes_way_out = self._plan.armed

    # ------------------------------------------------------------ perform

    def wait_for(self, begins: Callable[[], bool | None]) -> None:
        """Waits with its eyes open until others let it begin; nothing is performed where the run can't go on."""
        try:
            while not begins():  # nothing that is read is waited for, so the observer need not hurry
                self._context.supervisor.wait_until(now_ns() + _OTHERS_NS)
        except EndOfRun as end:
            self._ended_by(end)

    def run_all(self) -> None:
        """Every scenario in file order (`order: shuffled`: its cases and cycles by the seed)."""
        if self._open_cut is not None and not self._finish_open_cut(self._open_cut):
            return
        for scenario in self._plan.suite.scenarios:
            turns = self._turns(scenario)
            if scenario.order == "shuffled":
                random.Random(f"{self._plan.seed}/{scenario.name}").shuffle(turns)
            if not self._run_turns(self._searching(scenario) if scenario.search is not None else turns):
                return
            if self._plan.options.stop_on_fail and any(c.verdict is Verdict.FAIL for c in self._judged):
                self._ending.be("ended early", "ended at the first fail, as asked (--stop-on fail)")
                return

    def run_case(self, scenario: Scenario, case: Case) -> tuple[CycleJudged, ...]:
        """All cycles of one case, for callers that choose the order themselves (pytest)."""
        done = len(self._judged)
        turns = [turn for turn in self._turns(scenario) if turn.case.name == case.name]
        self._run_turns(self._searching(scenario) if scenario.search is not None else turns)
        return tuple(self._judged[done:])

    @property
    def over(self) -> str:
        """Why the run ended early, "" while it goes on."""
        return self._ending.reason if self._ending.how != "completed" else ""

    def _turns(self, scenario: Scenario) -> list[Turn]:
        """The cycles of a scenario that are still to be done."""
        done = self._earlier.places
        if self._open_cut is not None:
            done |= {self._open_cut.place}
        return self._plan.turns(scenario, done)

    def _searching(self, scenario: Scenario) -> Iterator[Turn]:
        """The cycles of a search, each with the off time that follows from those before it."""
        if self._plan.options.rehearse:
            yield from self._turns(scenario)
            return
        while True:
            cycles = [one for one in (*self._earlier.counted, *self._judged) if one.scenario == scenario.name]
            found = search_found(scenario, cycles)
            if found is None or found.next_ns is None:
                break
            case = replace(scenario.cases[0], off_for_ns=found.next_ns)
            yield Turn(scenario, case, len(cycles) + 1, scenario.repeat)
        self._view.over_early(scenario.name, scenario.cases[0].name)

    def _run_turns(self, turns: Iterable[Turn]) -> bool:
        """Cycle after cycle; False when the run has to end."""
        for turn in turns:
            self._begun.add(turn.scenario.name)
            if self._ending.how != "completed":
                return False
            judged = self._run_cycle(replace(turn, cycle=self._chronicle.cycle + 1))
            if not self._goes_on(judged):
                return False
            if self._plan.options.stop_on_fail and judged is not None and judged.verdict is Verdict.FAIL:
                return True
        return self._ending.how == "completed"

    def _finish_open_cut(self, left: OpenCut) -> bool:
        """The cycle whose off time an earlier run had begun; False when the run has to end."""
        started = left.cycle.started
        scenario = next(s for s in self._plan.suite.scenarios if s.name == started.scenario)
        case = next(c for c in scenario.cases if c.name == started.case)
        case = replace(case, off_for_ns=started.off_for_ns)  # a search asks for another in each cycle
        self._begun.add(scenario.name)
        return self._goes_on(self._run_cycle(Turn(scenario, case, started.number, started.of, started.cycle), left))

    def _goes_on(self, judged: CycleJudged | None) -> bool:
        if judged is not None and judged.ends_run and self._ending.how == "completed":
            self._ending.be("error", judged.reason)
        return self._ending.how == "completed"

    def _run_cycle(self, turn: Turn, left: OpenCut | None = None) -> CycleJudged | None:
        """One cycle, judged; None where the run ended before it began."""
        started = now_ns()
        try:
            self._act(turn, left)
        except EndOfRun as end:
            self._ended_by(end)
            self._leave(trouble=True)
            if self._chronicle.cycle != turn.cycle:
                return None
        except ArchiveError as error:
            self._log_failed(error)
        except BaseException as problem:  # a fault of ours, or whoever breaks off what runs in his process (a time-out
            # of tests): the rig is left safe and the evidence is kept and judged
            self._bench_failed(problem)
            self._leave(trouble=True)
        judged = self._judge(turn)
        searched = turn.scenario.search is not None  # it goes over its cycles, which are few, after each of them
        self._judged.append(judged if searched else self._kept.keep(judged))
        self._limits.count_cycle()
        self._view.cycle_took(turn.cycle, turn.scenario.name, turn.case.name, now_ns() - started)
        try:
            self._chronicle.publish(judged)
        except ArchiveError as error:
            self._log_failed(error)
        return judged

    def _act(self, turn: Turn, left: OpenCut | None) -> None:
        act = CycleAct(self._context, turn, seed=self._plan.seed, rehearse=self._plan.options.rehearse)
        if left is not None:
            self._chronicle.cycle = turn.cycle
            act.carry_on(left)
            return
        self._context.supervisor.guard()
        self._limits.wait_before(turn.scenario)
        self._chronicle.cycle = turn.cycle
        act.perform()

    def _log_failed(self, error: ArchiveError) -> None:
        self._ending.be("error", f"the log failed: {error}")
        self._leave(trouble=True)

    def _bench_failed(self, problem: BaseException) -> None:
        self._ending.failure = traceback.format_exc()
        self._ending.be("error", f"the bench failed: {str(problem) or type(problem).__name__}")
        with suppress(ArchiveError):
            self._context.record(Trouble(self._chronicle.cycle, "bench", self._ending.reason, now_ns()))

    def _ended_by(self, end: EndOfRun) -> None:
        self._ending.be("stopped" if end.trouble.kind == "stopped" else "error", end.trouble.text)
        self._ending.at_once = end.trouble.kind == "only_while"

    def _judge(self, turn: Turn) -> CycleJudged:
        observer = self._context.observer
        observer.set_cycle(0)  # answered behind all that was sampled: live and archived evidence are the same
        records = self._context.records()
        if self._plan.options.rehearse:
            return judge_rehearsal(turn.scenario, records)
        return judge_long_cycle(self.rig, turn.scenario, records, observer.sources(self._context.cycle))

    # ------------------------------------------------------------ end

    def __enter__(self) -> OpenSession:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if problem is not None and self._ending.how == "completed":
                self._ending.be("error", f"the bench failed: {str(problem) or kind}")
            if self._run is None and not self._chronicle.over:
                self.close()
        finally:
            self._chronicle.reason = self._ending.reason
            self._stack.close()

    def close(self) -> OneRun:
        """Leaves the rig safe, judges the scenarios, closes the archive. Calling it again returns the same run."""
        if self._run is not None:
            return self._run
        if self._judged:
            self._context.actuators.cycle = 0  # what is done from now on belongs to no cycle: they are judged
        self._leave(trouble=not self._ending.well)
        self._hear_the_last()
        self._chronicle.over = True
        statistics = self._context.observer.statistics()
        self._context.observer.close()
        if self._simulation is not None:  # its truth log is part of the archive and has to be whole before the sums
            self._simulation.close()
        scenarios = self._conclude()
        for scenario in scenarios:
            self._chronicle.publish(scenario)
        run, ended = self._end_of(scenarios)
        self._chronicle.save(ended)
        run, ended = self._end_of(scenarios)  # the end itself may be what could not be saved
        self._chronicle.show(ended)
        try:
            self._safe_end.close_archive(self._facts(ended, scenarios, statistics), self._plan.options.record)
        except ArchiveError as error:
            run = replace(run, how="error", reason=f"the archive could not be closed: {error}")
        self._run = run
        return run

    def _end_of(self, scenarios: Sequence[ScenarioJudged]) -> tuple[OneRun, RunEnded]:
        """How the run ends; a gap in its log is an error, whatever was judged."""
        if self._chronicle.gap and self._ending.how != "error":
            self._ending.be("error", "the log failed: what was done on the way out is not told in full")
        run = self._one_run(scenarios)
        ended = self._run_ended(run)
        return replace(run, supply_left=ended.supply_left), ended

    def _hear_the_last(self) -> None:
        """A run that took over an off time prepared nothing, so it may not have asked yet."""
        until = now_ns() + WITHIN_NS
        while not self._introduce() and now_ns() < until:
            self._context.observer.wait_news(_OTHERS_NS / NS_PER_S)

    def _leave(self, *, trouble: bool) -> None:
        """A run that could not leave its rig as it should is an error, whatever its cycles showed."""
        unsafe = self._safe_end.leave(trouble=trouble, at_once=self._ending.at_once)
        if unsafe and self._ending.well:
            self._ending.be("error", f"{unsafe}: a person has to look at the rig")

    def _conclude(self) -> list[ScenarioJudged]:
        suite = self._plan.suite
        if self._plan.options.rehearse:
            return [conclude_rehearsal(s, self._judged) for s in suite.scenarios if s.name in self._begun]
        cycles = [*self._earlier.counted, *self._judged]
        known = {*self._begun, *(cycle.scenario for cycle in cycles)}
        begun = [s for s in suite.scenarios if s.name in known or self._ending.how != "completed"]
        planned = self._plan.cycles()
        return judge_run(self.rig, begun, cycles, {s.name: planned[s.name] for s in begun})

    def _one_run(self, scenarios: Sequence[ScenarioJudged]) -> OneRun:
        suite, how, reason = self._plan.suite, self._ending.how, self._ending.reason
        return OneRun(
            self.id,
            self.folder,
            suite.rig,
            tuple(scenarios),
            tuple(self._judged),
            how,
            reason,
            forecasts=tuple(self._chronicle.forecasts),
            program=suite.program,
            tested=suite.scenarios,
            simulated=self._plan.options.simulated,
            earlier=self._earlier.counted,
        )

    def _run_ended(self, run: OneRun) -> RunEnded:
        return RunEnded(
            run=run.id,
            how=run.how,
            verdict=verdict_over([run]),
            exit_code=exit_code_of(run),
            reason=run.reason,
            at_ns=now_ns(),
            wall=_wall_now(),
            supply_left=str(self._safe_end.supply_left) or self._context.actuators.state.commanded,
        )

    def _facts(self, ended: RunEnded, scenarios: Sequence[ScenarioJudged], observer: dict[str, Any]) -> dict[str, Any]:
        armed = self._plan.armed
        operations = self._context.actuators.state.operations if armed else 0
        facts = {**facts_of_end(ended, scenarios, operations), "observer": observer, **_told_by(self._introduced)}
        if self._ending.failure:
            facts["failure"] = self._ending.failure
        if armed:
            facts["limits_used"] = self._limits.facts(anchor())
        return facts


def _refuse_unnamed_place(logs: Path) -> None:
    """A folder whose name is no UTF-8 (an old USB stick) takes a journal, but no Parquet file in the end."""
    try:
        str(logs.absolute()).encode("utf-8")
    except UnicodeEncodeError:
        shown = os.fsencode(logs.absolute()).decode("utf-8", errors="backslashreplace")
        cure = "rename it, or name another with --logs; nothing was moved"
        raise Refused(
            f"{shown}: the name of the archive's folder is no UTF-8, so samples can't be kept; {cure}"
        ) from None


def _told_by(introduced: Introductions) -> dict[str, Any]:
    return facts_of_devices(identities(introduced.heard), introduced.unheard)


def _wall_now() -> str:
    return datetime.now(tz=UTC).isoformat(timespec="milliseconds")
