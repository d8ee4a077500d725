"""One execution of one case: supply on and ready, the steps before, the cut, the watch, the function check.

What is done is recorded; what it means is decided afterwards by `judging/cycle` from the records and samples
alone. The live decisions here (is it ready, has the expected state been reached) use the very functions that judge.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

import numpy as np

from restart_bench.evidence.marks import Progress, condition_held, progress_of, ready_since, traces_of
from restart_bench.evidence.traces import Trace
from restart_bench.model.clock import NS_PER_MS, NS_PER_S, Bounds, now_ns
from restart_bench.model.journal import (
    CutAnnounced,
    CycleEnded,
    CycleRecords,
    CycleStarted,
    Record,
    StepDone,
    Switching,
    Trouble,
    cycle_records,
)
from restart_bench.model.live import powered_by_proof
from restart_bench.model.rig import Point, Rig, Value
from restart_bench.model.samples import DeviceSamples, SampleKind
from restart_bench.model.scenario import (
    Action,
    Ask,
    ByEye,
    Case,
    Expect,
    Hold,
    Press,
    Release,
    Scenario,
    Step,
    Wait,
    Write,
)
from restart_bench.model.ways import way_of
from restart_bench.observer.diagnosis import diagnose
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run.actuators import Actuators, CommandRefused, SupplyFailed
from restart_bench.run.resume import OpenCut
from restart_bench.run.supervision import Supervisor

_READ_WITHIN_NS = NS_PER_S
"""Nothing is cut unless every device was read within this time (rule 8)."""
_SEEN_WITHIN_NS = NS_PER_S
_DARK_AFTER_NS = 5 * NS_PER_S
_AFTERGLOW_NS = 100 * NS_PER_MS
"""The watch goes on a little beyond its end, so that the last span is closed by a read."""


class CycleCut(Exception):
    """The cycle can't go on (state before not reached, a device silent); the run may."""


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


@dataclass(slots=True)
class CycleContext:
    """Everything that a cycle needs at hand. `publish` saves first and shows second."""

    rig: Rig
    observing: ObserverHandle
    hands: Actuators
    attention: Supervisor
    publish: Callable[[Record], None]
    sync: Callable[[], None]
    situation: Situation = field(default_factory=Situation)
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
        self.observing.keep(now)
        return now

    def samples(self) -> Mapping[str, DeviceSamples]:
        """What was read in this cycle so far, told in so few rows that a long cycle costs no more than a short one."""
        return self.observing.condensed(self.cycle)

    def traces(self, points: Collection[str]) -> dict[str, Trace]:
        """The traces of these points in this cycle so far."""
        return traces_of(self.rig, self.records(), self.samples(), points)


@dataclass(frozen=True, slots=True)
class Turn:
    """Which cycle this is: of which case, and the how-manieth."""

    scenario: Scenario
    case: Case
    number: int
    of: int
    cycle: int


class CycleAct:
    """Performs one cycle. Raises waiting.EndOfRun when the run can't go on; everything else ends in the records."""

    def __init__(self, desk: CycleContext, turn: Turn, *, seed: int, rehearse: bool) -> None:
        self._desk = desk
        self._turn = turn
        self._scenario = turn.scenario
        self._rehearse = rehearse
        self._held_here: list[str] = []
        drawing = random.Random(f"{seed}/{turn.scenario.name}/{turn.case.name}/{turn.number}")
        at = turn.case.at
        self._delay_ns = drawing.randint(at.low_ns, at.high_ns) if at.is_random else at.low_ns
        self._completed = False

    def perform(self) -> None:
        """The whole cycle; always leaves a CycleEnded record."""
        self._begin()
        self._go_through(self._up_to_the_watch)

    def carry_on(self, left: OpenCut) -> None:
        """The rest of a cycle that an earlier run was killed in while the power was off."""
        self._enter_cycle()
        self._desk.log.extend(left.records)
        self._held_here = list(left.held)

        def rest() -> None:
            self._desk.attention.guard()
            self._still_off(left)
            self._off_until_restored(left.cut)
            self._watch()

        self._go_through(rest)

    def _go_through(self, up_to_the_watch: Callable[[], None]) -> None:
        try:
            up_to_the_watch()
            self._release_held()
            self._steps(self._scenario.function_check)
            self._completed = True
        except CycleCut:
            self._release_held()
        except (CommandRefused, KeyboardInterrupt) as problem:
            self._hands_failed(problem)
        finally:
            self._desk.record(CycleEnded(self._turn.cycle, now_ns(), self._completed, self._desk.situation.phase))

    def _up_to_the_watch(self) -> None:
        self._prepare()
        self._steps(self._scenario.before)
        self._check_pulse()
        if not self._rehearse:
            self._cut()
            self._watch()

    def _still_off(self, left: OpenCut) -> None:
        """Nobody gave the power back meanwhile, as far as the rig can tell."""
        desk = self._desk
        proofs = desk.rig.proof_of_cut
        since = now_ns()  # what was read before the kill says nothing of now
        wait = since + _READ_WITHIN_NS
        if any(one.of_supply for one in proofs) and desk.attention.wait_until(
            wait, lambda: _power_is_back(desk, since)
        ):
            text = "the killed run had left the supply off, but it is on now: somebody ended the off time"
            desk.attention.end("relay", f"{text}. Start a new run", now_ns())
        if left.by_wall_clock:
            text = "the computer was restarted during the off time, which is counted by the wall clock therefore"
            desk.record(Trouble(self._turn.cycle, "off time", text, now_ns(), error=False))

    def _hands_failed(self, problem: BaseException) -> None:
        attention = self._desk.attention
        if isinstance(problem, KeyboardInterrupt):
            attention.end("stopped", "stopped by a person", now_ns())
        kind = "relay" if isinstance(problem, SupplyFailed) else "unreachable"
        attention.end(kind, str(problem), now_ns())

    def _begin(self) -> None:
        desk, turn = self._desk, self._turn
        self._enter_cycle()
        desk.record(
            CycleStarted(
                cycle=turn.cycle,
                scenario=self._scenario.name,
                case=turn.case.name,
                number=turn.number,
                of=turn.of,
                off_for_ns=turn.case.off_for_ns,
                cut_delay_ns=self._delay_ns,
                at_ns=now_ns(),
            )
        )

    def _enter_cycle(self) -> None:
        desk, number = self._desk, self._turn.cycle
        desk.cycle = desk.hands.cycle = desk.attention.cycle = number
        desk.log.clear()
        desk.situation = Situation()
        desk.observing.set_cycle(number)

    # ------------------------------------------------------------ before the cut

    def _prepare(self) -> None:
        """Supply on, every device answering, the controller ready, the right device at the address."""
        desk = self._desk
        desk.enter("preparing", "supply on, waiting until the controller is ready")
        started = self._bring_on()
        within = desk.rig.ready.within_ns
        desk.situation.phase_ends_ns = started + within
        ready = desk.attention.wait_until(started + within, lambda: self._ready_now(started) or self._dark(started))
        self._refuse_without_power()
        if not isinstance(ready, Bounds):
            self._trouble("not ready", self._why_not_ready(started), started)
            raise CycleCut
        desk.situation.running = True
        self._check_identity()
        if self._scenario.how == "supply" and not self._rehearse:
            self._wait_for_limit(desk.hands.waits_for_cut_ns(), "the supply must stay on for on_at_least")

    def _bring_on(self) -> int:
        """The supply on, unless relay and rail contradict each other; since when the controller can get ready."""
        desk = self._desk
        if desk.rig.supply is not None and desk.hands.state.commanded != "on":
            contrary = desk.hands.contrary()
            if contrary:
                desk.attention.end("relay", f"{contrary}. Nothing was switched, nothing was cut", now_ns())
            self._wait_for_limit(desk.hands.waits_for_on_ns(), "the supply must stay off for off_at_least")
            desk.hands.switch("on", "prepare")
        return desk.counted_from()

    def _dark(self, since_ns: int) -> bool | None:
        """True once the rail has shown for some time that the supply did not come on: nothing is waited for then."""
        settled = now_ns() - since_ns > self._closing_ns() + _DARK_AFTER_NS
        return True if settled and self._desk.hands.rail_contradicts() else None

    def _refuse_without_power(self) -> None:
        """Nothing is pressed, and nothing goes on, where the rail shows no power. Raises EndOfRun."""
        contradicted = self._desk.hands.rail_contradicts(lasting=True)
        if contradicted:
            text = f"{contradicted}; look at the relay's contact, at `contact:`, and at the wiring of supply and rail"
            self._desk.attention.end("relay", text, now_ns())

    def _wait_for_limit(self, until_ns: int, why: str) -> None:
        if until_ns > now_ns():
            self._desk.enter("waiting for the supply's limits", why, until_ns)
            self._desk.attention.wait_until(until_ns)
            self._desk.enter("preparing", "waiting until the controller is ready")

    def _ready_now(self, from_ns: int) -> Bounds | None:
        if self._silent_devices(now_ns()):
            return None
        rig = self._desk.rig
        named = {name for name, _ in rig.ready.when} | ({rig.ready.alive} if rig.ready.alive else set())
        return ready_since(rig, self._desk.traces(named), from_ns)

    def _silent_devices(self, now: int) -> list[str]:
        silent = []
        for name in self._desk.rig.devices:
            last = self._desk.observing.last_good_ns(name)
            if last is None or now - last > _READ_WITHIN_NS:
                silent.append(name)
        return silent

    def _why_not_ready(self, from_ns: int) -> str:
        rig = self._desk.rig
        silent = self._silent_devices(now_ns())
        if silent:
            device = rig.devices[silent[0]]
            heard = self._desk.samples().get(device.name)
            if heard is not None and np.isin(heard.records["kind"], (SampleKind.EXCEPTION, SampleKind.LATE)).any():
                what = diagnose(device, [heard], None)
                return f"{device.name} at {device.host}:{device.port}, unit {device.unit}: {what}; nothing was cut"
            return (
                f"{device.name} does not answer at {device.host}:{device.port}, unit {device.unit}; nothing was cut. "
                f"`restart-bench look {rig.path or 'rig.yaml'}` says what is wrong"
            )
        shown = ", ".join(f"{name} reads {_reading(self._desk, name)}" for name, _ in rig.ready.when)
        alive = f"; {rig.ready.alive} has to move" if rig.ready.alive else ""
        waited = (now_ns() - from_ns) / NS_PER_S
        return f"the controller was not ready within {waited:.0f} s ({shown}{alive}); nothing was cut"

    def _check_identity(self) -> None:
        """Nothing is cut before each point of `identify` was read right: waits a second for that. Ends the run."""
        self._desk.attention.wait_until(now_ns() + _READ_WITHIN_NS, lambda: self._identified() or None)
        self._insist_on_identity()

    def _identified(self) -> bool:
        """True once all of them were read within the last second; what was read last has to be right."""
        return all(self._last_identity(name) is not None for name, _ in self._desk.rig.identify)

    def _insist_on_identity(self) -> None:
        for name, wanted in self._desk.rig.identify:
            last = self._last_identity(name)
            if last is None:
                text = f"{name} of `identify` was not read within the last second, so any device may stand there"
                look = f"`restart-bench look {self._desk.rig.path or 'rig.yaml'}` says what is wrong"
                self._desk.attention.end(
                    "identity",
                    f"{text}; nothing was cut. {look}",
                    now_ns(),
                )
            elif not wanted.met_by(last[0]):
                self._desk.attention.end(
                    "identity",
                    f"wrong device: {name} reads {last[0]}, the rig file says {_wanted(wanted.equals)}; nothing was "
                    "cut. Look at the address and at what stands there",
                    last[1],
                )

    def _last_identity(self, name: str) -> tuple[Value, int] | None:
        """What was read last within a second, and when it was asked; a request without an answer changes nothing."""
        newest = self._desk.observing.latest(name)
        now = now_ns()
        if newest is not None and newest.value is not None and now - newest.received_ns <= _READ_WITHIN_NS:
            return newest.value, newest.sent_ns
        seen = self._desk.traces([name])[name].seen
        if len(seen) == 0 or now - int(seen.late[-1]) > _READ_WITHIN_NS:
            return None
        return float(seen.value[-1]), int(seen.early[-1])

    def _check_pulse(self) -> None:
        """The bench shows that it would have seen such a pulse."""
        pulse = self._desk.rig.check_pulse
        if pulse is None:
            return
        hands = self._desk.hands
        hands.leave_idle(pulse.write, "check pulse")
        self._desk.attention.wait_until(now_ns() + pulse.length_ns)
        hands.back_to_idle(pulse.write, "check pulse")
        # The read that shows the end of the pulse has to fall before the cut.
        self._desk.attention.wait_until(now_ns() + _AFTERGLOW_NS)

    # ------------------------------------------------------------ steps

    def _steps(self, steps: tuple[Step, ...]) -> None:
        for step in steps:
            if self._step(step) is None:
                return  # it could not be done, so the steps behind it would be blamed on the controller

    def _step(self, step: Step) -> bool | None:
        """One step: was it reached (None: it could not be done). A missed step before the cut ends the cycle; a missed
        function check goes on to the next."""
        desk = self._desk
        desk.enter(step.phase, step.text)
        self._refuse_without_power()
        started = now_ns()
        reached, reason = self._act(step.action)
        desk.record(
            StepDone(self._turn.cycle, step.phase, step.index, step.text, reached, started, now_ns(), reason, step.line)
        )
        if reached is not True and step.phase == "before":
            raise CycleCut
        return reached

    def _act(self, action: Action) -> tuple[bool | None, str]:
        match action:
            case Press():
                return self._press(action)
            case Hold(point):
                self._desk.hands.leave_idle(point, "hold")
                self._held_here.append(point)
            case Release(point):
                self._desk.hands.back_to_idle(point)
                self._held_here = [held for held in self._held_here if held != point]
            case Write(values):
                for name, value in values:
                    self._desk.hands.write(name, value, "write")
            case Wait(for_ns):
                self._desk.situation.phase_ends_ns = now_ns() + for_ns
                self._desk.attention.wait_until(now_ns() + for_ns)
            case Expect():
                return self._expect(action)
            case Ask(text):
                answered = self._desk.hands.ask(text)
                return (True, "") if answered.answer else (None, "the person asked said no")
            case ByEye():
                return self._by_eye(action)
        return True, ""

    def _press(self, press: Press) -> tuple[bool | None, str]:
        hands = self._desk.hands
        point = self._desk.rig.points[press.point]
        if point.by_hand is not None:
            return self._press_by_hand(point)
        hands.leave_idle(press.point, "press")
        self._desk.attention.wait_until(now_ns() + press.for_ns)
        hands.back_to_idle(press.point)
        return True, ""

    def _press_by_hand(self, point: Point) -> tuple[bool | None, str]:
        """A person presses, and the point's own input shows it; asked once more where it does not."""
        idle = float(bool(point.idle))
        for again in (False, True):
            self._desk.counted_from()
            answered = self._desk.hands.press_by_hand(point, again=again)
            if not answered.answer:
                return None, "the person asked said no"

            def seen(since: int = answered.asked_ns) -> bool | None:
                reads = self._desk.traces([point.name])[point.name].reads
                return True if bool(((reads.value != idle) & (reads.late >= since)).any()) else None

            if self._desk.attention.wait_until(now_ns() + _SEEN_WITHIN_NS, seen):
                return True, ""
        return None, f"{point.shown} was not seen pressed; look at the button and at its input"

    def _by_eye(self, step: ByEye) -> tuple[bool | None, str]:
        for name, value in step.conditions:
            shown = self._desk.rig.points[name].shown if name in self._desk.rig.points else name
            answered = self._desk.hands.ask(f"Look: is {shown} {_wanted(value)}?", name)
            if not answered.answer:
                return False, f"{shown} was not {_wanted(value)}, by eye"
        return True, ""

    def _expect(self, step: Expect) -> tuple[bool | None, str]:
        desk = self._desk
        started = desk.counted_from()
        conditions = [(judged, wanted) for judged, (_, wanted) in zip(step.judged, step.conditions, strict=True)]

        def held() -> bool | None:
            span = condition_held(desk.traces(step.judged), conditions, started)
            if span is None or span.since.not_after_ns > started + step.within_ns:
                return None
            return True if span.until_ns - span.since.not_after_ns >= step.steady_ns else None

        # The last read that shows it may come a little later.
        deadline = started + step.within_ns + step.steady_ns + (self._afterglow_ns() if step.steady_ns else 0)
        desk.situation.phase_ends_ns = deadline
        if desk.attention.wait_until(deadline, held) is not None:
            return True, ""
        missed = [
            f"{name} reads {_reading(desk, judged)}"
            for (name, wanted), judged in zip(step.conditions, step.judged, strict=True)
            if not _met_now(desk, judged, wanted)
        ]
        return False, "; ".join(missed) or "not steady for long enough"

    def _release_held(self) -> None:
        for name in self._held_here:
            self._desk.hands.back_to_idle(name)
        self._held_here = []

    # ------------------------------------------------------------ the cut and the watch

    def _cut(self) -> None:
        desk = self._desk
        desk.enter("waiting for the cut", ends_ns=now_ns() + self._delay_ns)
        # The promise on disk comes before the delay, so that its fsync does not move the cut.
        self._announce()
        if self._delay_ns:
            desk.attention.wait_until(self._last_step_ended() + self._delay_ns)
        silent = self._silent_devices(now_ns())
        if silent:
            text = f"{', '.join(silent)} was not read within the last second; nothing was cut"
            self._trouble("unreachable", text, now_ns())
            raise CycleCut
        self._insist_on_identity()
        gone = self._command_cut()
        self._off_until_restored(gone)

    def _off_until_restored(self, gone: Switching) -> None:
        desk = self._desk
        desk.situation.cut_ns = gone.before_ns
        desk.situation.running = False
        back_ns = gone.before_ns + self._turn.case.off_for_ns
        if not self._is_dip():  # a relay that obeyed late must not be closed too early
            back_ns = max(back_ns, desk.hands.waits_for_on_ns())
        desk.enter(way_of(desk.rig, self._scenario, self._turn.case).phase, ends_ns=back_ns)
        desk.attention.wait_until(back_ns)
        desk.counted_from()  # a person may take long to switch, and the command counts from when it was given
        restored = self._command_restore()
        desk.situation.restored_ns = restored.after_ns

    def _is_dip(self) -> bool:
        """Shorter than the supply's shortest off time, as its limits allow for dips; a mode cut has no such limit."""
        supply = self._desk.rig.supply
        if supply is None or self._scenario.how != "supply":
            return True
        return self._turn.case.off_for_ns < supply.limits.off_at_least_ns

    def _announce(self) -> None:
        scenario, case = self._scenario, self._turn.case
        desk = self._desk
        if scenario.how == "mode":
            off, on = "leave run mode", "return to run mode"
        else:
            off = f"supply to {case.level.text}" if case.level else "supply off"
            on = f"supply on {case.off_for_ns / NS_PER_S:g} s later"
        desk.record(CutAnnounced(self._turn.cycle, scenario.how, off, on, now_ns()))
        desk.sync()

    def _last_step_ended(self) -> int:
        steps = self._desk.records().steps
        return steps[-1].ended_ns if steps else now_ns()

    def _command_cut(self) -> Switching:
        if self._scenario.how == "mode":
            return self._switch_mode("stop", "cut")
        level = self._turn.case.level
        return self._desk.hands.switch("level" if level else "off", "cut", volts=self._volts())

    def _command_restore(self) -> Switching:
        if self._scenario.how == "mode":
            return self._switch_mode("run", "restore")
        return self._desk.hands.switch("on", "restore")

    def _volts(self) -> float | None:
        level = self._turn.case.level
        supply = self._desk.rig.supply
        if level is None:
            return None
        if level.volts is not None:
            return level.volts
        if supply is None or supply.nominal_volts is None:
            raise CommandRefused(
                f"a level of {level.text} needs `nominal:` at the supply in the rig file; nothing was cut"
            )
        return (level.fraction or 0.0) * supply.nominal_volts

    def _switch_mode(self, to: str, purpose: str) -> Switching:
        mode = self._desk.rig.mode
        if mode is None:
            raise CommandRefused("this rig has no `mode`, so run mode can't be left")
        hands = self._desk.hands
        before = now_ns()
        if mode.driver == "point" and mode.point is not None:
            value: Value = mode.run if to == "run" else _other(mode.run)
            if to == "stop":
                hands.remember_mode(mode.point, mode.run)
            hands.write(mode.point, value, "mode")
            if to == "run":
                hands.forget(mode.point)
        else:
            verb = "Take the controller out of run mode" if to == "stop" else "Put the controller back into run mode"
            if not hands.ask(f"{verb}. Done?").answer:
                raise CommandRefused("the person asked did not switch the mode")
        switched = Switching(self._turn.cycle, "mode", to, purpose, before, now_ns())
        self._desk.record(switched)
        return switched

    def _watch(self) -> None:
        """Waits for ready, then to the end of the watch; both count anew from a restart that shows until then."""
        desk = self._desk
        watched_ns = 0
        while True:
            progress = self._get_ready()
            end = progress.watch_end_ns or now_ns()
            if end <= watched_ns:
                return
            doing = "" if progress.ready_by_ns is None else "the controller was not ready in time"
            desk.enter("watching", doing, ends_ns=end)
            desk.attention.wait_until(end + self._afterglow_ns())
            self._hear_of_the_end(end)
            watched_ns = end

    def _get_ready(self) -> Progress:
        """Waits until the controller is ready, or its time is over. Where a proof shows that the supply came later than
        its data sheet says, or that the controller restarted later, it has until then and on."""
        desk = self._desk
        progress = self._progress()
        desk.situation.running = progress.ready_by_ns is None
        while progress.ready_by_ns is not None and now_ns() < progress.ready_by_ns:
            desk.enter("waiting for ready", ends_ns=progress.ready_by_ns)
            desk.attention.wait_until(progress.ready_by_ns, self._ready_now_again)
            progress = self._progress()
        desk.situation.running = progress.ready_by_ns is None
        return progress

    def _closing_ns(self) -> int:
        supply = self._desk.rig.supply
        return supply.closing_ns + supply.bounce_ns if supply is not None else 0

    def _progress(self) -> Progress:
        desk = self._desk
        return progress_of(desk.rig, self._scenario, desk.records(), desk.samples())

    def _ready_now_again(self) -> bool | None:
        return True if self._progress().ready_by_ns is None else None

    def _hear_of_the_end(self, end_ns: int) -> None:
        """A controller that was not heard since the end of the watch may have been lost before it: what becomes of its
        next requests tells."""
        controller = self._desk.rig.controller
        if controller is None or not self._desk.situation.running:
            return

        def heard() -> bool | None:
            return True if (self._desk.observing.last_good_ns(controller.name) or 0) >= end_ns else None

        self._desk.attention.wait_until(now_ns() + 3 * controller.answer_within_ns, heard)

    def _afterglow_ns(self) -> int:
        slowest = max(device.poll_ns + device.image_lag_ns for device in self._desk.rig.devices.values())
        return _AFTERGLOW_NS + 3 * slowest

    def _trouble(self, kind: str, text: str, at_ns: int) -> None:
        self._desk.record(Trouble(self._turn.cycle, kind, text, at_ns))


def _power_is_back(desk: CycleContext, since_ns: int) -> bool | None:
    """True where a supply proof that was read since then says that the power is there; None where it does not."""
    named = [proof.point for proof in desk.rig.proof_of_cut if proof.of_supply and proof.point is not None]
    newest = {name: desk.observing.latest(name) for name in named}
    readings = {name: one for name, one in newest.items() if one is not None and one.sent_ns >= since_ns}
    return powered_by_proof(desk.rig.proof_of_cut, readings) or None


def _other(run: Value) -> Value:
    return not run if isinstance(run, bool) else (0 if run else 1)


def _reading(desk: CycleContext, name: str) -> str:
    reading = desk.observing.latest(name)
    if reading is None or reading.value is None:
        return "nothing"
    return _shown(desk.rig, name, reading.value)


def _shown(rig: Rig, name: str, value: Value) -> str:
    if rig.points[name].type == "bool":
        return "on" if value else "off"
    return f"{value:g}"


def _wanted(value: Value | None) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value)


def _met_now(desk: CycleContext, name: str, wanted: object) -> bool:
    reading = desk.observing.latest(name)
    met = getattr(wanted, "met_by", None)
    return reading is not None and reading.value is not None and met is not None and bool(met(reading.value))
