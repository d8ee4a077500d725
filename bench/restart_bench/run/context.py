"""What a run and its cycles need at hand: the rig, who works it and who watches, where a cycle stands, what is told."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

from restart_bench.archive.files import ArchiveError
from restart_bench.archive.writer import RunArchive
from restart_bench.campaigns.time_left import TimeLeft
from restart_bench.evidence.marks import traces_of
from restart_bench.evidence.traces import Trace
from restart_bench.model.clock import FAR_NS, NS_PER_MS, NS_PER_S, now_ns
from restart_bench.model.journal import CycleRecords, CycleStarted, Forecast, Record, RunEnded, Trouble, cycle_records
from restart_bench.model.live import Left, LiveState, Reading, Show, powered_by_proof
from restart_bench.model.rig import Rig, Value, Wanted
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import EXIT_ERROR, Verdict
from restart_bench.model.wording import value_word
from restart_bench.observer.handle import ObserverHandle, answered_within
from restart_bench.run.actuators import Actuators
from restart_bench.run.supervision import Supervisor

AFTERGLOW_NS = 100 * NS_PER_MS
"""Reads go on a little beyond an end, so that the last span is closed by one."""


class Chronicle:
    """What a run tells: a record is saved first and shown second.

    Nothing is written behind a gap: the next start would take the run for whole. A broken screen is noted once, and the
    run goes on.
    """

    def __init__(self, run: str, archive: RunArchive, show: Show) -> None:
        self.run = run
        self.archive = archive
        self._show = show
        self._every_ns: int = getattr(show, "every_ns", 0)
        self._drawn_ns = -self._every_ns
        self._screen_broken = False
        self.cycle = 0  # which is told of
        self.over = False  # whoever closes the archive tells the end
        self.gap = False  # a record could not be saved
        self.leaving = False  # a full disk must not keep the actuators from letting go
        self.holds_more = False  # what an earlier run held was taken over
        self.owes_way_out = False  # it has begun, and its way out did not come to its end
        self.reason = ""  # why the run ended early, for `last_resort`
        self.forecasts: list[Forecast] = []  # what people expected, for the score at the end

    def publish(self, record: Record) -> None:
        """Saves and shows a record. Raises ArchiveError where it can't be saved, but on the way out."""
        if isinstance(record, Forecast):
            self.forecasts.append(record)
        self.save(record)
        self.show(record)

    def save(self, record: Record) -> None:
        """Raises ArchiveError where it can't be saved, but on the way out: there it leaves a gap."""
        try:
            if not self.gap:
                self.archive.write(record)
        except ArchiveError:
            self.gap = True
            if not self.leaving:
                raise

    def show(self, record: Record) -> None:
        """On the screen, if that still works."""
        self._on_screen(lambda: self._show.record(record))

    def say(self, text: str) -> None:
        """A note for people, of no cycle: that one may be judged already."""
        self.publish(Trouble(0, "way out", text, now_ns(), error=False))

    def draw(self, state: Callable[[], LiveState]) -> None:
        """The live screen, where it is to show another state by now."""
        now = now_ns()
        if self._every_ns < FAR_NS and now - self._drawn_ns >= self._every_ns:
            self._drawn_ns = now
            self._on_screen(lambda: self._show.live(state()))

    def _on_screen(self, action: Callable[[], None]) -> None:
        """Does something on the screen, if it still works."""
        if self._screen_broken:
            return
        try:
            action()
        except Exception as problem:
            self._screen_broken = True
            trouble = Trouble(self.cycle, "screen", f"the screen failed: {problem!r}", now_ns(), error=False)
            if not self.gap:
                with suppress(ArchiveError):
                    self.archive.write(trouble)

    def last_resort(self) -> None:
        """Beginning failed half-way (a simulation that did not start, say): the archive still tells it."""
        if self.over:
            return
        self.over = True
        problem = sys.exc_info()[1]
        reason = self.reason or (str(problem) if problem else "the run could not begin")
        wall = datetime.now(tz=UTC).isoformat()
        self.publish(RunEnded(self.run, "error", Verdict.ERROR, EXIT_ERROR, reason, now_ns(), wall))
        ended = {"ended": {"how": "error", "reason": reason}}
        with suppress(ArchiveError):  # the next start on this rig closes it
            if self.holds_more or self.gap or self.owes_way_out:
                self.archive.leave_open(ended)
            else:
                self.archive.close({**ended, "verdict": "error", "exit_code": EXIT_ERROR}, None)


@dataclass(slots=True)
class Situation:
    """Where the cycle stands, for the live screen."""

    phase: str = "preparing"
    doing: str = ""
    phase_started_ns: int = 0
    phase_ends_ns: int | None = None
    cut_ns: int | None = None
    restored_ns: int | None = None
    running: bool | None = None
    marks_ns: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WasReady:
    """A cycle went to its end with the controller ready for `steady`, unbroken to its newest read (`until_ns`) on this
    connection, its sign of life then being `alive`. `counting_ns`: so long it takes at most to see that move twice
    (rule 3). `switched`: how often the supply's contact had moved."""

    until_ns: int
    alive: Value | None
    switched: int
    connection: int | None
    counting_ns: int


@dataclass(slots=True)
class CycleContext:
    """Everything that a cycle needs at hand. `publish` saves first and shows second."""

    rig: Rig
    observer: ObserverHandle
    actuators: Actuators
    supervisor: Supervisor
    publish: Callable[[Record], None]
    sync: Callable[[], None]
    situation: Situation = field(default_factory=Situation)
    before_cut: Callable[[Scenario], None] | None = None  # right before each cut
    introduce: Callable[[], bool] = lambda: True  # asks who was dark at first what it is; True: nobody is left to ask
    was_ready: WasReady | None = None  # the cycle before
    supply_was_read: bool = False  # by every proof that is to read it, once in this run
    cycle: int = 0
    log: list[Record] = field(default_factory=list)

    def record(self, record: Record) -> None:
        """Keeps the record for this cycle's judgement and publishes it."""
        self.counted_from()
        self.log.append(record)
        self.publish(record)

    def enter(self, phase: str, doing: str = "", ends_ns: int | None = None) -> None:
        """A new phase, as the screen shows it."""
        situation = self.situation
        situation.phase, situation.doing = phase, doing
        situation.phase_started_ns, situation.phase_ends_ns = now_ns(), ends_ns

    def records(self) -> CycleRecords:
        """What was recorded of this cycle so far."""
        return cycle_records(self.log)[self.cycle]

    def counted_from(self) -> int:
        """Now, as an instant that will be counted from: what is read about it is kept as it was read."""
        now = now_ns()
        self.observer.keep(now)
        return now

    def samples(self) -> Mapping[str, DeviceSamples]:
        """What was read in this cycle so far, told in so few rows that a long cycle costs no more than a short one."""
        return self.observer.condensed(self.cycle)

    def traces(self, points: Collection[str]) -> dict[str, Trace]:
        """The traces of these points in this cycle so far."""
        return traces_of(self.rig, self.records(), self.samples(), points)

    def reading(self, name: str) -> str:
        """What a point reads now, in words."""
        reading = self.observer.latest(name)
        return "nothing" if reading is None or reading.value is None else value_word(reading.value)

    def answers_now(self, device: str) -> bool:
        """True where a device answered within the last second."""
        return answered_within(self.observer, device, NS_PER_S)

    def met_now(self, name: str, wanted: Wanted) -> bool:
        """True where the newest reading of a point is what is wanted."""
        reading = self.observer.latest(name)
        return reading is not None and reading.value is not None and wanted.met_by(reading.value)

    def missed_now(self, name: str, wanted: Wanted) -> bool:
        """True where the newest reading of a point is surely not what is wanted."""
        reading = self.observer.latest(name)
        return reading is not None and reading.value is not None and not wanted.met_by(reading.value)

    def refuse_without_power(self) -> None:
        """Nothing is pressed, and nothing goes on, where the rail shows no power. Raises EndOfRun."""
        contradicted = self.actuators.rail_contradicts(lasting=True)
        if contradicted:
            text = f"{contradicted}; look at the relay's contact, at `contact:`, and at the wiring of supply and rail"
            self.supervisor.end("relay", text, now_ns())


def afterglow_ns(rig: Rig) -> int:
    """How much longer than to an end every device is read, the slowest one included."""
    return AFTERGLOW_NS + 3 * max(device.poll_ns + device.image_lag_ns for device in rig.devices.values())


# ---------------------------------------------------------------- what the screen is shown


class View:
    """What the screen is shown. `of_cycles`: the number of the run's last cycle."""

    def __init__(self, rig: Rig, context: CycleContext, of_cycles: int, time_left: TimeLeft) -> None:
        self._rig = rig
        self._context = context
        self.of_cycles = of_cycles
        self.done_again = 0
        self.time_left = time_left
        self._done = 0  # the newest cycle that has ended

    def cycle_took(self, cycle: int, scenario: str, case: str, length_ns: int) -> None:
        """A cycle has ended: its length is what those of its case to come are expected to take."""
        self._done = cycle
        turn = self._context.log[0] if self._context.log else None
        drawn_ns = turn.cut_delay_ns if isinstance(turn, CycleStarted) and turn.cycle == cycle else 0
        self.time_left.cycle_took((scenario, case), length_ns, drawn_ns)

    def over_early(self, scenario: str, case: str) -> None:
        """A search is over before the most cycles that it may take."""
        spared = self.time_left.to_come.pop((scenario, case), 0)
        self.of_cycles -= spared

    def state(self, now: int) -> LiveState:
        """The run at this instant."""
        context, rig, situation = self._context, self._rig, self._context.situation
        turn = context.log[0] if context.log else None
        readings: dict[str, Reading] = {}
        for name in rig.points:
            reading = context.observer.latest(name)
            if reading is not None:
                readings[name] = reading
        return LiveState(
            at_ns=now,
            phase=situation.phase,
            doing=situation.doing,
            scenario=getattr(turn, "scenario", ""),
            case=getattr(turn, "case", ""),
            cycle=context.cycle,
            of_cycles=self.of_cycles,
            phase_started_ns=situation.phase_started_ns,
            phase_ends_ns=situation.phase_ends_ns,
            left_ns=self._left_ns(now),
            supply=context.actuators.state.commanded,
            powered=powered_by_proof(rig.proof_of_cut, readings),
            answering=self._answering(now),
            running=situation.running,
            readings=readings,
            moved=context.observer.moved(),
            cut_ns=situation.cut_ns,
            restored_ns=situation.restored_ns,
            marks_ns=situation.marks_ns,
            done_again=self.done_again,
        )

    def _left_ns(self, now: int) -> Left:
        """What cycles like those so far, or those planned, still take."""
        turn = self._context.log[0] if self._context.log else None
        if not isinstance(turn, CycleStarted) or turn.cycle == self._done:
            return self.time_left.left()
        return self.time_left.left((turn.scenario, turn.case), now - turn.at_ns)

    def _answering(self, now: int) -> bool | None:
        controller = self._rig.controller
        if controller is None:
            return None
        within_ns = controller.answer_within_ns + 2 * controller.poll_ns
        return answered_within(self._context.observer, controller.name, within_ns, now)
