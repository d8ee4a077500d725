"""The controller of a simulated rig: it loses its power, boots, runs its program, and answers with its image."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Coroutine
from dataclasses import dataclass
from functools import partial

from restart_bench.model.clock import NS_PER_MS, now_ns
from restart_bench.model.rig import Device, Point, Value
from restart_bench.plc.interpreter import Interpreter, State
from restart_bench.simulated.faults import Playing
from restart_bench.simulated.port import Port
from restart_bench.simulated.tables import OfTables, registers_of, value_of
from restart_bench.simulated.timing import Alarms, sleep_until
from restart_bench.simulated.wiring import Wiring

DARK, REFUSING, SILENT, BUSY, ANSWERING, RUNNING, OUT_OF_RUN = (
    "dark", "refusing", "silent", "busy", "answering", "running", "out of run",
)  # fmt: skip
OF_THE_IMAGE = ("program", "running", "out of run", "alive", "uptime", "restarts")


@dataclass
class Scanning:
    """The scan that is going on."""

    inputs: dict[str, Value]
    elapsed_ns: int
    started_ns: int


class Controller(OfTables):
    """The device on the supply that is cut. `feed` tells it whether its supply is there."""

    def __init__(self, device: Device, wiring: Wiring, draws: random.Random) -> None:
        self.device = device
        self.unit = device.unit
        self._wiring = wiring
        self._machine = wiring.machine
        self._draws = draws
        self._state = self._machine.first_power_up()
        self._image = self._state
        self._mask: dict[str, Value] | None = None  # what is answered in place of the image
        self._forced: dict[str, tuple[bool, bool]] = {}  # outputs that a fault drives: value, seen in the image
        self._scanning: Scanning | None = None
        self._scan_number = 0  # since the program began to run
        self._life: asyncio.Task[None] | None = None
        self._effects = Alarms()  # all that faults do later, up to the next loss
        self._losing = Alarms()
        self._later = Alarms()  # what comes a while after the supply is back
        self._fed = True
        self._lost_ns = 0
        self._rides_ns = 0
        self._stays_stopped = False
        self.stage = RUNNING
        points = tuple(one for one in wiring.rig.points.values() if one.device == device.name)
        self._points = points
        self.lay_out(points)
        self.port = Port(self)
        self._watch()

    # ------------------------------------------------------------ as a Modbus device

    @property
    def busy(self) -> bool:
        """Exception 06 while it boots."""
        return self.stage == BUSY

    def playing(self) -> Playing:
        """See `OfTables`."""
        return self._wiring.facts.of_restart

    def value(self, point: Point) -> Value:
        """What the controller answers for a point."""
        if self._mask is not None and point.name in self._mask:
            return self._mask[point.name]
        shown = self._shown(point)
        if self._wiring.facts.of_restart.at_point("image-disagrees", point.name) is not None:
            return not shown
        return shown

    def _shown(self, point: Point) -> Value:
        if self._wiring.roles[point.name].kind != "program":
            return self._wiring.played(point)
        if not point.is_boolean:
            return self._number(point.name, self._image)
        forced, seen = self._forced.get(point.name, (False, False))
        return forced if seen else bool(self._machine.value(self._image, point.name))

    def _number(self, name: str, state: State) -> Value:
        """A count, a value, or a timer's elapsed time in milliseconds."""
        number = self._machine.number(state, name)
        return int(number) // NS_PER_MS if self._machine.is_timer(name) else number

    def work(self, point: Point, value: Value) -> None:
        """Somebody writes: a command, or memory of the program."""
        kind = self._wiring.roles[point.name].kind
        if kind == "written":
            self._wiring.write(point.name, value)
        elif kind == "program":
            before = now_ns()
            self._state = self._machine.write(self._state, point.name, value)
            self._image = self._machine.write(self._image, point.name, value)
            self._wiring.settle(before)

    def _terminal(self, name: str) -> bool:
        return bool(self._wiring.facts.outputs.get(name))

    def _watch(self) -> None:
        wiring = self._wiring
        wiring.watch("stage", self.device.name, lambda: self.stage)
        wiring.watch("program", self.device.name, lambda: wiring.facts.running)
        for point in self._points:
            if wiring.roles[point.name].kind in ("alive", "uptime"):
                continue
            wiring.watch("image", point.name, partial(self.value, point))
            if wiring.roles[point.name].kind == "program" and not point.writable and point.is_boolean:
                wiring.watch("output", point.name, partial(self._terminal, point.name))

    # ------------------------------------------------------------ power

    def start(self) -> None:
        """Begin as a controller that has been running for long."""
        self._live(self._run())

    def stop(self) -> None:
        """Let go of everything."""
        self._end_life()
        self._losing.cancel()
        self._later.cancel()
        self.port.close()

    def feed(self, fed: bool) -> None:
        """The supply at its terminals is there, or not. A loss up to the ride-through goes unnoticed."""
        if fed == self._fed:
            return
        self._fed = fed
        self._later.cancel()
        if not fed:
            self._lost_ns = now_ns()
            rides = self._wiring.program.rides_through
            self._rides_ns = max(0, rides.middle_ns + round(self._draws.uniform(-1, 1) * rides.spread_ns))
            if self.stage != DARK or self._life is not None:
                self._losing.after(self._rides_ns, self._die)
            return
        self._losing.cancel()
        again, freezes = self._wiring.faults.now.one("late-restart"), self._wiring.faults.now.one("freezes")
        if again is not None:
            self._later.after(again["after"], self._restart)
        if self._life is not None and now_ns() - self._lost_ns <= self._rides_ns:
            if freezes is not None:
                self._later.after(freezes["after"], partial(self._freeze, freezes["outputs"]))
            return
        self._restart()

    def _restart(self) -> None:
        """It loses all that it does not retain, and boots."""
        self._die()
        self._live(self._boot(now_ns()))

    def _die(self) -> None:
        """Power is gone: the scan stops between two rungs, outputs are off, the network is silent."""
        if self._life is None:
            return
        before = now_ns()
        seen_last = {point.name: self.value(point) for point in self._points}
        self.port.dark()
        self._end_life()
        self._interrupt(before)
        facts = self._wiring.facts
        facts.of_restart = self._wiring.faults.now
        facts.running = False
        facts.outputs = {}
        self.stage = DARK
        self._mask = self._masked(seen_last)
        self._wiring.settle(before)

    def _live(self, life: Coroutine[None, None, None]) -> None:
        loop = asyncio.get_running_loop()
        self._life = loop.create_task(life)
        self._life.add_done_callback(_report_failure)

    def _end_life(self) -> None:
        if self._life is not None:
            self._life.cancel()
            self._life = None
        self._effects.cancel()
        self._forced.clear()

    def _interrupt(self, at_ns: int) -> None:
        """So many rungs of the scan were done as their share of the scan time was over."""
        scanning, self._scanning = self._scanning, None
        if scanning is None:
            return
        rungs = len(self._wiring.program.rungs)
        done = min(rungs, (at_ns - scanning.started_ns) * rungs // max(1, self._wiring.program.scan_ns))
        self._state = self._machine.scan(self._state, scanning.inputs, scanning.elapsed_ns, stop_after=max(0, done))

    def _masked(self, seen_last: dict[str, Value]) -> dict[str, Value] | None:
        faults, roles = self._wiring.facts.of_restart, self._wiring.roles
        if faults.one("stale-image") is not None:
            return seen_last
        if faults.one("cleared-image") is not None:
            return {name: 0 for name in seen_last if roles[name].kind in OF_THE_IMAGE}
        return None

    # ------------------------------------------------------------ boot

    async def _boot(self, from_ns: int) -> None:
        """From the returned supply to the running program, stage by stage; what other devices hold outlives it."""
        facts, faults = self._wiring.facts, self._wiring.facts.of_restart
        before = now_ns()
        facts.powered_up_ns, facts.scans = from_ns, 0
        facts.power_ups += 1
        for name, input_ in self._wiring.inputs.items():
            if name in self._wiring.written and not self._wiring.rig.is_independent(name):
                self._wiring.written[name] = input_.rest
        self._state = self._image = restarted(self._wiring, self._state)
        self._wiring.settle(before)
        self._pulses_at(0)
        boot = self._wiring.program.boot
        extra_busy = faults.one("busy-for-long")
        extra_answering = faults.one("answers-before-program")
        due = await self._stage(DARK, from_ns, boot.dark_ns)
        due = await self._stage(REFUSING, due, boot.refusing_ns, for_good=faults.one("refuses-for-good") is not None)
        due = await self._stage(SILENT, due, boot.silent_ns)
        due = await self._stage(BUSY, due, boot.busy_ns + (extra_busy["by"] if extra_busy else 0))
        answering_ns = boot.answering_ns + (extra_answering["by"] if extra_answering else 0)
        await self._stage(ANSWERING, due, answering_ns, for_good=self._program_stays_stopped())
        await self._run()

    async def _stage(self, stage: str, from_ns: int, length_ns: int, *, for_good: bool = False) -> int:
        """Go through one stage of the boot; gives the instant at which the next one is due."""
        if not length_ns and not for_good:
            return from_ns
        before = now_ns()
        self.stage = stage
        match stage:
            case "refusing":
                self.port.refuse()
            case "silent":
                self.port.hush()
            case "busy" | "answering":
                self.port.answer()
        self._wiring.settle(before)
        if for_good:
            await asyncio.Event().wait()
        await sleep_until(from_ns + length_ns)
        return from_ns + length_ns

    def _program_stays_stopped(self) -> bool:
        faults = self._wiring.facts.of_restart
        if faults.one("runs-at-second-power-up") is not None:
            self._stays_stopped = not self._stays_stopped
        else:
            self._stays_stopped = False
        return self._stays_stopped or faults.one("never-runs") is not None

    # ------------------------------------------------------------ the program

    async def _run(self) -> None:
        """Scan until power is lost; out of run mode, wait for it."""
        self._begin_to_run()
        started = previous = now_ns()
        while True:
            if not self._wiring.in_run():
                await self._stay_out_of_run()
                started = previous = now_ns()
            await self._scan(started, started - previous)
            previous, started = started, max(started + self._wiring.program.scan_ns, now_ns() - NS_PER_MS)

    def _begin_to_run(self) -> None:
        before = now_ns()
        self.port.answer()
        self.stage = RUNNING
        self._scan_number = 0
        self._wiring.settle(before)
        faults = self._wiring.facts.of_restart
        for name in ("stale-image", "cleared-image"):
            fault = faults.one(name)
            if fault is not None and self._mask is not None:
                self._effects.after(max(1, fault["lasts"]), self._unmask)
        for fault in faults.all("flapping"):
            self._flap(fault["point"], fault["after"], fault["period"], fault["lasts"])
        for fault in faults.all("late-start"):
            self._effects.after(max(1, fault["after"]), partial(self._start_late, fault["point"]))
        for fault in faults.all("freezes"):
            self._effects.after(max(1, fault["after"]), partial(self._freeze, fault["outputs"]))
        for fault in faults.all("panel-writes-run-bit"):
            self._effects.after(max(1, fault["after"]), partial(self._panel, fault["point"], fault["value"]))

    async def _scan(self, started_ns: int, elapsed_ns: int) -> None:
        """One scan: inputs at its beginning, outputs at its end (`at once`: after each rung as well)."""
        program, machine = self._wiring.program, self._machine
        inputs = {name: self._wiring.input_value(name) for name in self._wiring.inputs}
        faults = self._wiring.facts.of_restart
        if self._state.first_scan:
            for fault in faults.all("phantom-edge"):
                if fault["point"] in inputs:
                    inputs[fault["point"]] = not inputs[fault["point"]]
        self._scanning = Scanning(inputs, elapsed_ns, started_ns)
        if program.outputs == "at once":
            await self._rung_by_rung(self._scanning)
        await sleep_until(started_ns + program.scan_ns)
        first = self._state.first_scan
        before = now_ns()
        self._scanning = None
        self._state = machine.scan(self._state, inputs, elapsed_ns)
        if first:
            self._state = after_first_scan(machine, self._state, faults)
        self._wiring.facts.scans += 1
        self._scan_number += 1
        self._publish(before)
        self._pulses_at(self._scan_number)

    async def _rung_by_rung(self, scanning: Scanning) -> None:
        """Outputs and image after each rung but the last, which ends the scan."""
        program = self._wiring.program
        for done in range(1, len(program.rungs)):
            await sleep_until(scanning.started_ns + done * program.scan_ns // len(program.rungs))
            before = now_ns()
            partial = self._machine.scan(self._state, scanning.inputs, scanning.elapsed_ns, stop_after=done)
            self._show(partial)
            self._wiring.settle(before)

    async def _stay_out_of_run(self) -> None:
        """Run mode is left: outputs off, memory stays; wait for its return."""
        before = now_ns()
        if self._wiring.facts.running:
            self._wiring.faults.begin_cut()
        self._state = self._machine.leave_run(self._state)
        self.stage = OUT_OF_RUN
        self._wiring.facts.running = False
        self._effects.cancel()
        self._forced.clear()
        self._show(self._state)
        self._wiring.settle(before)
        while not self._wiring.in_run():
            await asyncio.sleep(0.001)
        self._wiring.facts.of_restart = self._wiring.faults.now
        self._state = self._machine.enter_run(self._state)
        self._begin_to_run()

    def _publish(self, before_ns: int) -> None:
        """The scan has ended: outputs and image get what it made of the memory."""
        self._wiring.facts.running = True
        self._show(self._state)
        self._wiring.settle(before_ns)

    def _show(self, state: State) -> None:
        """Image and terminals follow memory; terminals also follow the faults that drive them."""
        self._image = state
        outputs: dict[str, Value] = dict(self._machine.outputs(state))
        if self._wiring.facts.running:
            for point in self._points:
                if not point.is_boolean and self._wiring.roles[point.name].kind == "program":
                    outputs[point.name] = self._number(point.name, state)
        outputs.update({name: value for name, (value, _) in self._forced.items()})
        self._wiring.facts.outputs = outputs

    # ------------------------------------------------------------ what faults do to outputs

    def _force(self, name: str, value: bool, *, seen: bool = True) -> None:
        before = now_ns()
        self._forced[name] = (value, seen)
        self._wiring.facts.outputs[name] = value
        self._wiring.settle(before)

    def _start_late(self, name: str) -> None:
        if self._wiring.facts.outputs.get(name):
            self._wiring.faults.had_no_effect("late-start", name, f"{name} was on already")
        self._force(name, True)

    def _let_go(self, name: str) -> None:
        before = now_ns()
        self._forced.pop(name, None)
        self._wiring.facts.outputs[name] = self._wiring.facts.running and self._machine.output(self._state, name)
        self._wiring.settle(before)

    def _flap(self, name: str, after_ns: int, period_ns: int, lasts_ns: int) -> None:
        for half in range(max(1, 2 * lasts_ns // period_ns)):
            when_ns = after_ns + half * period_ns // 2
            self._effects.after(max(1, when_ns), partial(self._force, name, half % 2 == 0))
        self._effects.after(max(1, after_ns + lasts_ns), partial(self._let_go, name))

    def _pulses_at(self, scan: int) -> None:
        for fault in self._wiring.facts.of_restart.all("pulse"):
            if fault["scan"] == scan:
                name = fault["point"]
                self._force(name, not self._wiring.facts.outputs.get(name, False), seen=fault["image"] == "yes")
                self._effects.after(max(1, fault["length"]), partial(self._let_go, name))

    def _panel(self, name: str, value: Value) -> None:
        before = now_ns()
        self._state = self._machine.write(self._state, name, value)
        self._wiring.settle(before)

    def _freeze(self, outputs: str) -> None:
        """The program stands; whoever asks gets what was true at this instant."""
        before = now_ns()
        self._mask = {point.name: self.value(point) for point in self._points}
        self._end_life()
        self._scanning = None
        if outputs == "drop":
            self._wiring.facts.outputs = {}
        self._live(_stand_still())
        self._wiring.settle(before)

    def _unmask(self) -> None:
        before = now_ns()
        self._mask = None
        self._wiring.settle(before)


async def _stand_still() -> None:
    await asyncio.Event().wait()


def _report_failure(life: asyncio.Task[None]) -> None:
    """A mistake in the simulation must not look like a controller that stopped."""
    if not life.cancelled() and life.exception() is not None:
        told = {"message": "the simulated controller failed", "exception": life.exception()}
        asyncio.get_running_loop().call_exception_handler(told)


def restarted(wiring: Wiring, state: State) -> State:
    """Memory after the return of power, up to the program's first scan."""
    machine, faults = wiring.machine, wiring.facts.of_restart
    if any(fault["point"] is None for fault in faults.all("retained-lost")):
        return machine.restart(state, cold=True)
    fresh = machine.first_power_up()
    for fault in faults.all("retained-lost"):
        if not machine.is_retained(fault["point"]):
            wiring.faults.had_no_effect("retained-lost", fault["point"], f"{fault['point']} is not retained")
        else:
            state = machine.write_saved(state, fault["point"], machine.number(fresh, fault["point"]))
    for fault in faults.all("torn-value"):
        name, point = fault["point"], wiring.rig.points.get(fault["point"])
        if point is not None and point.width == 2 and machine.is_retained(name):
            torn = _torn(point, machine.saved_number(state, name), machine.number(fresh, name), fault["word"])
            state = machine.write_saved(state, name, torn)
        else:
            wiring.faults.had_no_effect("torn-value", name, f"{name} is no retained value of two registers")
    return machine.restart(state)


def after_first_scan(machine: Interpreter, state: State, faults: Playing) -> State:
    """What a faulty program has written by the end of its first scan."""
    for fault in faults.all("setpoint-overwritten"):
        state = machine.write(state, fault["point"], fault["value"])
    return state


def _torn(point: Point, saved: Value, initial: Value, word: str) -> Value:
    """The saved value with one of its two registers taken from the initial one."""
    good, lost = registers_of(point, saved), registers_of(point, initial)
    high_place = 0 if point.words == "big" else 1
    place = high_place if word == "high" else 1 - high_place
    return value_of(point, (lost[at] if at == place else good[at] for at in (0, 1)))
