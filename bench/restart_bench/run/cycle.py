"""One execution of one case: supply on and ready, the steps before, the cut, the watch, the function check.

What is done is recorded; what it means is decided afterwards by `judging/cycle` from the records and samples
alone. The live decisions here (is it ready, has the expected state been reached) use the very functions that judge.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np

from restart_bench.evidence.marks import (
    Progress,
    condition_held,
    held_spans,
    progress_of,
    ready_conditions,
    ready_since,
)
from restart_bench.evidence.reachability import NEIGHBOUR_NS
from restart_bench.evidence.traces import pace_ns
from restart_bench.model.clock import BLIND_NS, FAR_NS, NS_PER_S, Bounds, now_ns
from restart_bench.model.journal import CutAnnounced, CycleEnded, CycleStarted, Switching, Trouble
from restart_bench.model.rig import Value
from restart_bench.model.samples import DeviceSamples, SampleKind
from restart_bench.model.scenario import Case, Scenario
from restart_bench.model.step_kinds import facts_of
from restart_bench.model.units import show_duration
from restart_bench.model.ways import way_of
from restart_bench.model.wording import at_most, listed, show_wanted, shown
from restart_bench.observer.diagnosis import diagnose
from restart_bench.observer.handle import answered_within
from restart_bench.observer.identification import WITHIN_NS
from restart_bench.observer.sockets import asked_for_on
from restart_bench.run.actuators import CommandRefused, SupplyFailed
from restart_bench.run.context import AFTERGLOW_NS, CycleContext, Situation, WasReady, afterglow_ns
from restart_bench.run.limits import ON_AT_LEAST
from restart_bench.run.resume import OpenCut
from restart_bench.run.steps import CycleBrokenOff, Steps

T = TypeVar("T")

_READ_WITHIN_NS = NS_PER_S
"""Nothing is cut unless every device was read within this time (rule 8)."""
_DARK_AFTER_NS = 5 * NS_PER_S
_SELDOM_NS = NS_PER_S // 5
_OFTEN_NS = NS_PER_S // 33  # a wait ends so much later at most; what it asks costs more than many reads
_WONDERS_AFTER_NS = 3 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Turn:
    """Which cycle this is: of which case, and the how-manieth."""

    scenario: Scenario
    case: Case
    number: int
    of: int
    cycle: int = 0  # its number in the run, once it is its turn


class CycleAct:
    """Performs one cycle. Raises EndOfRun when the run can't go on; everything else ends in the records."""

    def __init__(self, context: CycleContext, turn: Turn, *, seed: int, rehearse: bool) -> None:
        self._context = context
        self._turn = turn
        self._scenario = turn.scenario
        self._rehearse = rehearse
        self._steps = Steps(context)
        drawing = random.Random(f"{seed}/{turn.scenario.name}/{turn.case.name}/{turn.number}")
        at = turn.case.at
        self._life_from_ns = now_ns()  # what is read before this is of another life of the controller
        self._delay_ns = drawing.randint(at.low_ns, at.high_ns) if at.is_random else at.low_ns
        self._completed = False

    def perform(self) -> None:
        """The whole cycle; always leaves a CycleEnded record."""
        self._begin()
        self._go_through(self._up_to_the_watch)

    def carry_on(self, left: OpenCut) -> None:
        """The rest of a cycle that an earlier run was killed in while the power was off."""
        self._enter_cycle()
        self._context.log.extend(left.records)
        self._steps = Steps(self._context, left.held)

        def rest() -> None:
            self._context.supervisor.guard()
            self._still_off(left)
            self._off_until_restored(left.cut)
            self._watch()

        self._go_through(rest)

    def _go_through(self, up_to_the_watch: Callable[[], None]) -> None:
        try:
            self._as_far_as_it_goes(up_to_the_watch)
        except (CommandRefused, KeyboardInterrupt) as problem:
            self._command_failed(problem)
        finally:
            self._context.record(CycleEnded(self._turn.cycle, now_ns(), self._completed, self._context.situation.phase))

    def _as_far_as_it_goes(self, up_to_the_watch: Callable[[], None]) -> None:
        try:
            up_to_the_watch()
        except CycleBrokenOff:
            self._steps.release_held()
            return
        self._steps.release_held()
        self._steps.do(self._scenario.function_check)
        self._steps.release_held()
        self._completed = True
        self._context.was_ready = self._ready_to_its_end()

    def _up_to_the_watch(self) -> None:
        self._prepare()
        self._steps.do(self._scenario.before)
        self._check_pulse()
        if not self._rehearse:
            if self._context.before_cut is not None:
                self._context.before_cut(self._scenario)
            self._cut()
            self._watch()

    def _still_off(self, left: OpenCut) -> None:
        """Nobody gave the power back meanwhile, as far as the rig can tell."""
        context = self._context
        since = now_ns()  # what was read before the kill says nothing of now

        def power_is_back() -> bool | None:
            return context.actuators.rail(since) or None

        proven = context.rig.reads_supply
        if proven and context.supervisor.wait_until(since + _READ_WITHIN_NS, power_is_back):
            text = "the killed run had left the supply off, but it is on now: somebody ended the off time"
            context.supervisor.end("relay", f"{text}. Start a new run", now_ns())
        if left.by_wall_clock:
            text = "the computer was restarted during the off time, which is counted by the wall clock therefore"
            context.record(Trouble(self._turn.cycle, "off time", text, now_ns(), error=False))

    def _command_failed(self, problem: BaseException) -> None:
        supervisor = self._context.supervisor
        if isinstance(problem, KeyboardInterrupt):
            supervisor.end("stopped", "stopped by a person", now_ns())
        kind = "relay" if isinstance(problem, SupplyFailed) else "unreachable"
        supervisor.end(kind, str(problem), now_ns())

    def _begin(self) -> None:
        context, turn = self._context, self._turn
        self._enter_cycle()
        context.record(
            CycleStarted(
                cycle=turn.cycle,
                scenario=self._scenario.name,
                case=turn.case.name,
                number=turn.number,
                of=turn.of,
                off_for_ns=turn.case.off_for_ns,
                cut_delay_ns=self._delay_ns,
                at_ns=now_ns(),
                searched=self._scenario.search is not None,
            )
        )

    def _ready_to_its_end(self) -> WasReady | None:
        """What the next cycle need not wait for once more: the controller is ready, and has been for `steady`."""
        context, rig = self._context, self._context.rig
        conditions, sign = ready_conditions(rig), rig.ready.alive
        traces = context.traces([*(name for name, _ in conditions), *((sign,) if sign else ())])
        held = condition_held(traces, conditions, self._life_from_ns)
        if held is None or held.until_ns - held.since.not_after_ns < rig.ready.steady_ns:
            return None
        alive, counting_ns = None, 0
        if sign is not None:
            newest, point = context.observer.latest(sign), rig.points[sign]
            alive = newest.value if newest is not None else None
            reads = traces[sign].reads.inside(held.since.not_after_ns, FAR_NS)
            pace = pace_ns(reads.early, reads.late, reads.value)
            counting_ns = FAR_NS if pace is None else 2 * pace + rig.devices[point.device].poll_ns
        switched = context.actuators.state.operations
        return WasReady(held.until_ns, alive, switched, self._connection(), counting_ns)

    def _connection(self) -> int | None:
        """On which the controller is read."""
        controller = self._context.rig.controller
        return None if controller is None else self._context.observer.connection_of(controller.name)

    def _enter_cycle(self) -> None:
        context, number = self._context, self._turn.cycle
        context.cycle = context.actuators.cycle = context.supervisor.cycle = number
        context.log.clear()
        context.situation = Situation()
        context.observer.set_cycle(number)

    # ------------------------------------------------------------ before the cut

    def _prepare(self) -> None:
        """Supply on, every device answering, the controller ready, the right device at the address."""
        context = self._context
        context.enter("preparing", "supply on, waiting until the controller is ready")
        before, context.was_ready = context.was_ready, None
        started = self._life_from_ns = self._bring_on()
        within = context.rig.ready.within_ns
        context.situation.phase_ends_ns = started + within
        is_ready = self._seldom(
            started + within, lambda: self._ready_still(before, started) or self._ready_now(started)
        )
        ready = context.supervisor.wait_until(started + within, lambda: is_ready() or self._given_up(started))
        self._context.refuse_without_power()
        if not isinstance(ready, Bounds):
            self._give_up(started)
        context.situation.running = True
        context.supervisor.wait_until(now_ns() + WITHIN_NS, lambda: context.introduce() or None)
        self._check_identity()
        self._check_supply_is_read()
        if self._scenario.how == "supply" and not self._rehearse:
            self._wait_for_limit(context.actuators.cut_not_before_ns(), ON_AT_LEAST)

    def _give_up(self, started: int) -> None:
        """The cycle is broken off; the run is ended where a device said nothing since it began, as it would be waited
        for in every cycle in vain. Raises CycleBrokenOff or EndOfRun."""
        context, why = self._context, self._why_not_ready(started)
        never = next((name for name in context.rig.devices if self._never_heard(name)), "")
        if never:
            text = f"{why}. {never} has never answered in this run, so it ends here: no cycle could be done"
            context.supervisor.end("not ready", text, started)
        self._trouble("not ready", why, started)
        raise CycleBrokenOff

    def _check_supply_is_read(self) -> None:
        """What is to prove the cut has been read once before it: a wrong address leaves no proof but that of others.
        Raises EndOfRun."""
        context = self._context
        if context.supply_was_read or self._scenario.how != "supply":
            return
        names = context.rig.supply_points
        if not context.supervisor.wait_until(now_ns() + WITHIN_NS, lambda: all(map(self._is_read, names)) or None):
            unread = [name for name in names if not self._is_read(name)]
            devices = dict.fromkeys(context.rig.points[name].device for name in unread)
            named = listed(shown(context.rig, name) for name in unread)
            why = f"{named} of `proof_of_cut` gave no value"
            cure = f"look at the address, and ask `look` what {listed(devices)} says"
            context.supervisor.end("not ready", f"{why}; {cure}. Nothing was cut", now_ns())
        context.supply_was_read = True

    def _is_read(self, name: str) -> bool:
        newest = self._context.observer.latest(name)
        return newest is not None and newest.value is not None

    def _never_heard(self, name: str) -> bool:
        """Whether a device answered nothing at all since the run began."""
        heard = self._context.samples().get(name)
        return self._context.observer.last_good_ns(name) is None and not (heard is not None and _said_otherwise(heard))

    def _bring_on(self) -> int:
        """The supply on, unless relay and rail contradict each other; since when the controller can get ready."""
        context = self._context
        if context.rig.supply is not None and context.actuators.state.commanded != "on":
            contrary = context.actuators.contrary()
            if contrary:
                context.supervisor.end("relay", f"{contrary}. Nothing was switched, nothing was cut", now_ns())
            self._wait_for_limit(context.actuators.on_not_before_ns(), "the supply must stay off for off_at_least")
            context.supervisor.look_closely()
            context.actuators.switch("on", "prepare")
        return context.counted_from()

    def _dark(self, since_ns: int) -> bool | None:
        """True once the rail has shown for some time that the supply did not come on: nothing is waited for then."""
        settled = now_ns() - since_ns > self._closing_ns() + _DARK_AFTER_NS
        return True if settled and self._context.actuators.rail_contradicts() else None

    def _given_up(self, since_ns: int) -> bool | None:
        self._context.introduce()
        self._tell_what_is_missing(since_ns)
        return self._dark(since_ns)

    def _tell_what_is_missing(self, since_ns: int) -> None:
        """In the picture, once a person may begin to wonder."""
        if now_ns() - since_ns > _WONDERS_AFTER_NS:
            self._context.situation.doing = self._missing() or "waiting until the controller is ready"

    def _missing(self) -> str:
        """What keeps the controller from being ready, as far as it is read now; "" where that can't be told."""
        rig = self._context.rig
        for name in self._silent_devices(now_ns()):
            device = rig.devices[name]
            return f"no answer from {name} at {device.host}:{device.port}"
        unmet = [name for name, wanted in rig.ready.when if not self._context.met_now(name, wanted)]
        reads = ", ".join(f"{name} reads {self._context.reading(name)}" for name in unmet)
        shows_mode = rig.mode is not None and any(name in unmet for name, _ in rig.mode.proof)
        return f"{reads}: is the mode switch at RUN?" if shows_mode else reads

    def _wait_for_limit(self, until_ns: int, why: str) -> None:
        if until_ns > now_ns():
            self._context.enter("waiting for the supply's limits", why, until_ns)
            self._context.supervisor.wait_until(until_ns)
            self._context.enter("preparing", "waiting until the controller is ready")

    def _ready_still(self, before: WasReady | None, from_ns: int) -> Bounds | None:
        """The controller was ready to the end of the cycle before, the supply was left alone since, and what is read
        now goes on with it on the same connection, without a second unread between: `steady` is over. Its sign of life
        has moved again. Where the steps last until its reads have counted for `steady` before the cut, the first read
        is enough, else one that counts is waited for."""
        rig = self._context.rig
        now = now_ns()
        if before is None or now < from_ns + self._lead_ns() or self._silent_devices(now):
            return None
        if self._context.actuators.state.operations != before.switched or self._connection() != before.connection:
            return None
        conditions = ready_conditions(rig)
        traces = self._context.traces([name for name, _ in conditions])
        soon = self._steps_last_ns() >= before.counting_ns + rig.ready.steady_ns
        reads = {name: traces[name].seen if soon else traces[name].reads for name, _ in conditions}
        spans = [held_spans(reads[name].inside(from_ns, FAR_NS), wanted, from_ns) for name, wanted in conditions]
        if not all(len(one) == 1 and one[0].since.not_before_ns <= from_ns for one in spans):
            return None
        first = max(one[0].since.not_after_ns for one in spans)
        if first - before.until_ns > BLIND_NS:
            return None
        if rig.ready.alive is not None:
            alive = self._context.observer.latest(rig.ready.alive)
            if alive is None or alive.value is None or before.alive is None or alive.value == before.alive:
                return None
        return Bounds(before.until_ns, first)

    def _lead_ns(self) -> int:
        """How long to wait before the first step, so that reads of this cycle (they alone tell what was before the cut)
        reach back `steady` at least: nothing where the steps last that long."""
        return max(0, self._context.rig.ready.steady_ns - self._steps_last_ns())

    def _steps_last_ns(self) -> int:
        """At least so long."""
        return sum(facts_of(step.action).lasts(step.action)[0] for step in self._scenario.before)

    def _ready_now(self, from_ns: int) -> Bounds | None:
        rig, now = self._context.rig, now_ns()
        if now - from_ns < rig.ready.steady_ns or self._silent_devices(now):
            return None
        named = {name for name, _ in rig.ready.when} | ({rig.ready.alive} if rig.ready.alive else set())
        return ready_since(rig, self._context.traces(named), from_ns)

    def _silent_devices(self, now: int) -> list[str]:
        names, observer = self._context.rig.devices, self._context.observer
        return [name for name in names if not answered_within(observer, name, _READ_WITHIN_NS, now)]

    def _why_not_ready(self, from_ns: int) -> str:
        rig = self._context.rig
        silent = self._silent_devices(now_ns())
        if silent:
            device = rig.devices[silent[0]]
            at = f"{device.host}:{device.port}, unit {device.unit}"
            heard = self._context.samples().get(device.name)
            if heard is not None and _said_otherwise(heard):
                return f"{device.name} at {at}: {diagnose(device, [heard], None)}; nothing was cut"
            within = f"within {show_duration(device.answer_within_ns)} (`answer_within`)"
            return f"{device.name} does not answer {within} at {at}; nothing was cut. {self._look()}"
        shown = self._missing() or ", ".join(
            f"{name} reads {self._context.reading(name)}" for name, _ in rig.ready.when
        )
        alive = f"; {rig.ready.alive} has to move" if rig.ready.alive else ""
        waited = (now_ns() - from_ns) / NS_PER_S
        return f"the controller was not ready within {waited:.0f} s ({shown}{alive}); nothing was cut"

    def _check_identity(self) -> None:
        """Nothing is cut before each point of `identify` was read right: waits a second for that. Ends the run."""
        self._context.supervisor.wait_until(now_ns() + _READ_WITHIN_NS, lambda: self._identified() or None)
        self._insist_on_identity()

    def _identified(self) -> bool:
        """True once all of them were read within the last second; what was read last has to be right."""
        return all(self._last_identity(name) is not None for name, _ in self._context.rig.identify)

    def _insist_on_identity(self) -> None:
        for name, wanted in self._context.rig.identify:
            last = self._last_identity(name)
            if last is None:
                text = f"{name} of `identify` was not read within the last second, so any device may stand there"
                self._context.supervisor.end("identity", f"{text}; nothing was cut. {self._look()}", now_ns())
            elif not wanted.met_by(last[0]):
                text = f"wrong device: {name} reads {last[0]}, the rig file says {show_wanted(wanted)}"
                cure = "nothing was cut. Look at the address and at what stands there"
                self._context.supervisor.end("identity", f"{text}; {cure}", last[1])

    def _look(self) -> str:
        return f"`restart-bench look {self._context.rig.path or 'rig.yaml'}` says what is wrong"

    def _last_identity(self, name: str) -> tuple[Value, int] | None:
        """What was read last within a second, and when it was asked; a request without an answer changes nothing."""
        newest = self._context.observer.latest(name)
        now = now_ns()
        if newest is not None and newest.value is not None and now - newest.received_ns <= _READ_WITHIN_NS:
            return newest.value, newest.sent_ns
        seen = self._context.traces([name])[name].seen
        if len(seen) == 0 or now - int(seen.late[-1]) > _READ_WITHIN_NS:
            return None
        return float(seen.value[-1]), int(seen.early[-1])

    def _check_pulse(self) -> None:
        """The bench shows that it would have seen such a pulse."""
        pulse = self._context.rig.check_pulse
        if pulse is None:
            return
        actuators = self._context.actuators
        actuators.leave_idle(pulse.write, "check pulse")
        self._context.supervisor.wait_until(now_ns() + pulse.length_ns)
        actuators.back_to_idle(pulse.write, "check pulse")
        # The read that shows the end of the pulse has to fall before the cut.
        self._context.supervisor.wait_until(now_ns() + AFTERGLOW_NS)

    # ------------------------------------------------------------ the cut and the watch

    def _cut(self) -> None:
        context = self._context
        context.enter("waiting for the cut", ends_ns=now_ns() + self._delay_ns)
        patience_ns = _READ_WITHIN_NS + afterglow_ns(context.rig)  # a device that is asked seldom shows it later
        context.supervisor.wait_until(now_ns() + patience_ns, lambda: not context.actuators.still_out() or None)
        self._insist_on_idle(*context.actuators.still_out())
        # The promise on disk comes before the delay, so that its fsync does not move the cut.
        self._announce()
        if self._delay_ns:
            context.supervisor.wait_until(self._last_step_ended() + self._delay_ns)
        silent = self._silent_devices(now_ns())
        if silent:
            text = f"{', '.join(silent)} was not read within the last second; nothing was cut"
            self._trouble("unreachable", text, now_ns())
            raise CycleBrokenOff
        self._insist_on_identity()
        self._insist_on_idle(*(name for name, out in context.actuators.still_out().items() if out))
        gone = self._command_cut()
        self._off_until_restored(gone)

    def _insist_on_idle(self, *out: str) -> None:
        """Nothing is cut while a point that was let go of does not read so. Ends the run."""
        if out:
            context = self._context
            told = " and ".join(f"{context.rig.points[name].shown} reads {context.reading(name)}" for name in out)
            text = f"{told} although it was let go of and its device confirmed that; nothing was cut"
            cure = "Look at its contact and wiring, and for others who write it"
            context.supervisor.end("stuck", f"{text}. {cure}", now_ns())

    def _off_until_restored(self, gone: Switching) -> None:
        context = self._context
        context.situation.cut_ns = gone.before_ns
        context.situation.running = False
        back_ns = gone.before_ns + self._turn.case.off_for_ns
        if not self._is_dip():  # a relay that obeyed late must not be closed too early
            back_ns = max(back_ns, context.actuators.on_not_before_ns())
        context.enter(way_of(context.rig, self._scenario, self._turn.case).phase, ends_ns=back_ns)
        context.supervisor.wait_until(back_ns)
        context.counted_from()  # a person may take long to switch, and the command counts from when it was given
        restored = self._command_restore()
        context.situation.restored_ns = restored.after_ns
        self._tell_forgotten(restored)

    def _tell_forgotten(self, restored: Switching) -> None:
        """The network has forgotten who stayed dark for long: what that costs, beside what it costs it in."""
        controller = self._context.rig.controller
        cable = asked_for_on(controller.host) if controller is not None else ""
        if controller is not None and cable:
            host, late = controller.host, at_most(NEIGHBOUR_NS)
            text = (
                f"{controller.name} was dark for so long that this computer had forgotten the network address of "
                f"{host}; it asks for it once a second, so the first answer may come up to {late} late (the bounds of "
                f"marks hold that); `ip neigh replace {host} lladdr ADDRESS dev {cable} nud permanent` keeps it known"
            )
            self._context.record(Trouble(self._turn.cycle, "network", text, restored.after_ns, error=False))

    def _is_dip(self) -> bool:
        """Shorter than the supply's shortest off time, as its limits allow for dips; a mode cut has no such limit."""
        supply = self._context.rig.supply
        if supply is None or self._scenario.how != "supply":
            return True
        return self._turn.case.off_for_ns < supply.limits.off_at_least_ns

    def _announce(self) -> None:
        scenario, case = self._scenario, self._turn.case
        context = self._context
        if scenario.how == "mode":
            off, on = "leave run mode", "return to run mode"
        else:
            off = f"supply to {case.level.text}" if case.level else "supply off"
            on = f"supply on {case.off_for_ns / NS_PER_S:g} s later"
        context.record(CutAnnounced(self._turn.cycle, scenario.how, off, on, now_ns()))
        context.sync()

    def _last_step_ended(self) -> int:
        steps = self._context.records().steps
        return steps[-1].ended_ns if steps else now_ns()

    def _command_cut(self) -> Switching:
        if self._scenario.how == "mode":
            return self._switch_mode("stop", "cut")
        level = self._turn.case.level
        return self._context.actuators.switch("level" if level else "off", "cut", volts=self._volts())

    def _command_restore(self) -> Switching:
        if self._scenario.how == "mode":
            return self._switch_mode("run", "restore")
        self._context.supervisor.look_closely()
        return self._context.actuators.switch("on", "restore")

    def _volts(self) -> float | None:
        level = self._turn.case.level
        supply = self._context.rig.supply
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
        mode = self._context.rig.mode
        if mode is None:
            raise CommandRefused("this rig has no `mode`, so run mode can't be left")
        actuators = self._context.actuators
        before = now_ns()
        if mode.driver == "point" and mode.point is not None:
            other = not mode.run if isinstance(mode.run, bool) else (0 if mode.run else 1)
            value: Value = mode.run if to == "run" else other
            if to == "stop":
                actuators.remember_mode(mode.point, mode.run)
            actuators.write(mode.point, value, "mode")
            if to == "run":
                actuators.forget(mode.point)
        else:
            actuators.switch_mode_by_hand(to)
        switched = Switching(self._turn.cycle, "mode", to, purpose, before, now_ns())
        self._context.record(switched)
        return switched

    def _watch(self) -> None:
        """Waits for ready, then to the end of the watch; both count anew from a restart that shows until then."""
        context = self._context
        watched_ns = 0
        while True:
            progress = self._get_ready()
            end = progress.watch_end_ns or now_ns()
            if end <= watched_ns:
                ready = progress.marks.get("ready")
                self._life_from_ns = FAR_NS if ready is None else ready.not_before_ns
                return
            doing = "" if progress.ready_by_ns is None else "the controller was not ready in time"
            context.enter("watching", doing, ends_ns=end)
            context.supervisor.wait_until(end)
            context.supervisor.wait_until(end + afterglow_ns(context.rig), partial(self._all_read_since, end))
            self._hear_of_the_end(end)
            watched_ns = end

    def _get_ready(self) -> Progress:
        """Waits until the controller is ready, or its time is over. Where a proof shows that the supply came later than
        its data sheet says, or that the controller restarted later, it has until then and on."""
        context = self._context
        progress = self._progress()
        context.situation.running = progress.ready_by_ns is None
        while progress.ready_by_ns is not None and now_ns() < progress.ready_by_ns:
            context.enter("waiting for ready", ends_ns=progress.ready_by_ns)
            until = progress.ready_by_ns
            is_ready = self._seldom(until, lambda: self._progress().ready_by_ns is None or None)
            context.supervisor.wait_until(until, is_ready)
            progress = self._progress()
        context.situation.running = progress.ready_by_ns is None
        context.situation.marks_ns = {name: mark.not_after_ns for name, mark in progress.marks.items()}
        return progress

    def _seldom(self, until_ns: int, check: Callable[[], T | None]) -> Callable[[], T | None]:
        """The same check, which goes through all that was read: not with every read, and while the newest reads say
        that the controller is not ready only now and then; at the end of the wait in any case."""
        asked_ns = 0

        def asked() -> T | None:
            nonlocal asked_ns
            now = now_ns()
            if now < until_ns and now - asked_ns < (_OFTEN_NS if self._reads_ready() else _SELDOM_NS):
                return None
            asked_ns = now
            return check()

        return asked

    def _reads_ready(self) -> bool:
        """What `ready` asks for is what was read last."""
        context, ready = self._context, self._context.rig.ready
        alive = None if ready.alive is None else context.observer.latest(ready.alive)
        shown = ready.alive is None or (alive is not None and alive.value is not None)
        return shown and all(context.met_now(name, wanted) for name, wanted in ready.when)

    def _closing_ns(self) -> int:
        supply = self._context.rig.supply
        return supply.closing_ns + supply.bounce_ns if supply is not None else 0

    def _progress(self) -> Progress:
        context = self._context
        return progress_of(context.rig, self._scenario, context.records(), context.samples())

    def _all_read_since(self, end_ns: int) -> bool | None:
        """True once a read of every point closes its last span; what is blind is waited for to the last."""
        context = self._context
        for point in context.rig.points.values():
            device, reading = context.rig.devices[point.device], context.observer.latest(point.name)
            lags_ns = device.image_lag_ns + device.input_delay_ns
            if reading is None or reading.value is None or reading.sent_ns - lags_ns < end_ns:
                return None
        return True

    def _hear_of_the_end(self, end_ns: int) -> None:
        """A controller that was not heard since the end of the watch may have been lost before it: what becomes of its
        next requests tells."""
        controller = self._context.rig.controller
        if controller is None or not self._context.situation.running:
            return

        def heard() -> bool | None:
            return True if (self._context.observer.last_good_ns(controller.name) or 0) >= end_ns else None

        self._context.supervisor.wait_until(now_ns() + 3 * controller.answer_within_ns, heard)

    def _trouble(self, kind: str, text: str, at_ns: int) -> None:
        self._context.record(Trouble(self._turn.cycle, kind, text, at_ns))


def _said_otherwise(heard: DeviceSamples) -> bool:
    """Whether a device answered with anything but values in time."""
    return bool(np.isin(heard.records["kind"], (SampleKind.EXCEPTION, SampleKind.LATE)).any())
