"""The parent's handle on a simulated rig: it starts the process, redirects the rig to it, and ends it."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from restart_bench.model.program import InjectedFault, Program
from restart_bench.model.rig import Device, Mode, Point, Rig, RigSupply, Table, Value
from restart_bench.simulated.setup import SimulationSetup, full_volts, is_programmable, setup_line

HOST = "127.0.0.1"
SUPPLY = "supply"
MODE_SWITCH = "mode_switch"
PANEL = "panel"


class SimulationFailed(Exception):
    """The simulated rig could not be started, or has ended; the message says what it said last."""


class PortsTaken(SimulationFailed):
    """A port that was asked for can't be opened."""


@dataclasses.dataclass(frozen=True, slots=True)
class RigSeen:
    """A simulated rig at one instant. `rail`: its supply as a fraction of nominal; `supply`: whether it was told to be
    on; `stage` of the controller (see `controller`); `run`: whether its mode switch says run; `cut`: how many cuts were
    begun; `values` of all points and inputs, of an output that of its terminal; `faults` that were ordered, and why one
    had no effect (by `faults.idle_key`); `springing`: buttons that are pressed briefly just now."""

    rail: float
    supply: bool
    stage: str
    run: bool
    cut: int
    values: Mapping[str, Value]
    faults: tuple[InjectedFault, ...] = ()
    idle_faults: Mapping[str, str] = dataclasses.field(default_factory=dict)
    springing: tuple[str, ...] = ()


class Simulation:
    """A simulated rig while it runs (a context manager).

    `rig` is the rig with every device, and the supply, redirected to loopback ports; `ports` are these ports by
    device name, controller first, the relay last as `supply`. `truth` is the path of the truth log (see
    `truth.Truth`), None for none. All that is drawn comes from `seed`. `faults` play
    beside the program's own. `first_port` is the controller's, the others follow (0: free ones). `worked` is the rig
    with what people work made coils, `controls` what somebody at it can work. Raises SimulationFailed, of which
    PortsTaken.
    """

    def __init__(
        self,
        rig: Rig,
        program: Program,
        *,
        truth: Path | None,
        seed: int = 0,
        faults: tuple[InjectedFault, ...] = (),
        first_port: int = 0,
    ) -> None:
        self.worked = rig = worked_without_hands(rig)
        setup = SimulationSetup(rig, program, seed, faults, str(truth) if truth is not None else "", first_port)
        self._truth = truth
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        self._process = subprocess.Popen(
            [sys.executable, "-m", "restart_bench.simulated"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            encoding="utf-8",
        )
        try:
            begun = self._exchange(setup_line(setup))
            self.ports: dict[str, int] = begun["ports"]
            self.controls: tuple[str, ...] = tuple(begun["controls"])
        except BaseException:
            self.close()
            raise
        self.rig = redirected(rig, self.ports)

    def send(self, command: Mapping[str, Any]) -> None:
        """One command (see `World.obey`); returns once it was obeyed. Raises ValueError if it was refused."""
        answer = self._exchange(json.dumps(command))
        if "problem" in answer:
            raise ValueError(answer["problem"])

    def look(self) -> RigSeen:
        """What is so now. Raises SimulationFailed where the rig has ended."""
        told = self._exchange(json.dumps({"command": "look"}))
        faults = tuple(InjectedFault(name, settings) for name, settings in told["faults"])
        return RigSeen(
            told["rail"], told["supply"], told["stage"], told["run"], told["cut"], told["values"], faults,
            told["idle_faults"], tuple(told["springing"]),
        )  # fmt: skip

    def truth(self) -> list[dict[str, Any]]:
        """The truth log up to now. Raises ValueError where none is kept."""
        if self._truth is None:
            raise ValueError("this simulation keeps no truth log")
        if self._process.poll() is None:
            self.send({"command": "flush"})
        return [json.loads(line) for line in self._truth.read_text(encoding="utf-8").splitlines()]

    def addresses(self) -> list[str]:
        """`name 127.0.0.1:port` for each device, controller first, the relay last."""
        return [f"{name} {HOST}:{port}" for name, port in self.ports.items()]

    def close(self) -> None:
        """End the process; may be called twice."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            with contextlib.suppress(OSError):  # it has ended before
                self._process.stdin.close()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._errors.close()

    def __enter__(self) -> Simulation:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _exchange(self, line: str) -> dict[str, Any]:
        assert self._process.stdin is not None and self._process.stdout is not None
        try:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
            answer = self._process.stdout.readline()
        except (OSError, ValueError) as problem:
            raise SimulationFailed(f"the simulated rig has ended: {self._last_words() or problem}") from problem
        if not answer:
            raise SimulationFailed(f"the simulated rig has ended: {self._last_words() or 'it said nothing'}")
        told: dict[str, Any] = json.loads(answer)
        if "problem" in told and "ports" not in told and not hasattr(self, "ports"):
            if told.get("taken"):
                raise PortsTaken(told["problem"])
            raise SimulationFailed(f"the simulated rig does not start: {told['problem']}")
        return told

    def _last_words(self) -> str:
        if self._errors.closed:
            return ""
        self._errors.seek(0)
        return self._errors.read().decode("utf-8", "replace").strip()


def serve(
    rig: Rig, program: Program, *, seed: int = 0, first_port: int = 0, say: Callable[[str], None] = print
) -> None:
    """Run a simulated rig for other clients until Ctrl-C: one line a device, then nothing more. Raises
    SimulationFailed."""
    stop = threading.Event()
    before = None
    if threading.current_thread() is threading.main_thread():
        # a flag, because a KeyboardInterrupt may fall where it is swallowed or where the rig would be left running
        before = signal.signal(signal.SIGINT, lambda *_: stop.set())
    try:
        with Simulation(rig, program, truth=None, seed=seed, first_port=first_port) as simulation:
            _serve_until(stop, simulation, say)
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)


def _serve_until(stop: threading.Event, simulation: Simulation, say: Callable[[str], None]) -> None:
    for line in simulation.addresses():
        say(line)
    while simulation._process.poll() is None:
        if stop.wait(0.2):
            return
    raise SimulationFailed(f"the simulated rig has ended: {simulation._last_words()}")


def worked_by(rig: Rig) -> list[str]:
    """What a client writes to work the simulated supply and, in place of a person, buttons and switches: for people."""
    lines = []
    supply = _redirected_supply(rig.supply, 0)
    if supply is not None:
        opens = "on" if supply.contact == "normally-closed" else "off"
        lines.append(f"{SUPPLY}: coil {supply.settings['coil']}, {opens} = supply off")
    by_hand = {point.name for point in rig.points.values() if point.by_hand is not None} | {MODE_SWITCH}
    for point in worked_without_hands(rig).points.values():
        if point.name in by_hand and point.writable:
            rest = "on" if point.idle else "off"
            lines.append(f"{point.device}: coil {point.address} = {point.shown}, {rest} at rest")
    return lines


def redirected(rig: Rig, ports: Mapping[str, int]) -> Rig:
    """The rig with its devices and its supply at these loopback ports. The supply is a relay with a coil, or speaks
    SCPI, as the card of its driver says (see `is_programmable`); delays, limits and what happens at the end stay as
    they are."""
    devices = {name: dataclasses.replace(device, host=HOST, port=ports[name]) for name, device in rig.devices.items()}
    return dataclasses.replace(rig, devices=devices, supply=_redirected_supply(rig.supply, ports[SUPPLY]))


def _redirected_supply(supply: RigSupply | None, port: int) -> RigSupply | None:
    if supply is None:
        return None
    if is_programmable(supply):
        settings = {"host": HOST, "port": port, "volts": full_volts(supply)}
        return dataclasses.replace(supply, driver="scpi-supply", settings=settings, address=f"{HOST}:{port}")
    coil = supply.settings.get("coil", 0) if supply.driver == "modbus-coil" else 0
    unit = supply.settings.get("unit", 1) if supply.driver == "modbus-coil" else 1
    return dataclasses.replace(
        supply,
        driver="modbus-coil",
        settings={"host": HOST, "port": port, "coil": coil, "unit": unit},
        contact=supply.contact or "normally-open",
        address=f"{HOST}:{port}",
    )


def worked_without_hands(rig: Rig) -> Rig:
    """The rig with every point that people work made a coil of the independent device, and with a mode switch where
    people change the mode. What was read before is the sense input of the coil."""
    by_hand = [point for point in rig.points.values() if point.by_hand is not None]
    mode_by_hand = rig.mode is not None and rig.mode.by_hand
    if not by_hand and not mode_by_hand:
        return rig
    devices = dict(rig.devices)
    if not rig.independents:
        devices[PANEL] = Device(PANEL, HOST)
    device = rig.independents[0].name if rig.independents else PANEL
    free = _after_last(rig, device, "coil")
    points: dict[str, Point] = {}
    for point in rig.points.values():
        if point.by_hand is None:
            points[point.name] = point
            continue
        sense = f"{point.name}_sense"
        points[point.name] = Point(
            point.name, device, "coil", free, writable=True, idle=bool(point.idle), label=point.label,
            terminal=sense, limits=point.limits,
        )  # fmt: skip
        points[sense] = dataclasses.replace(point, name=sense, by_hand=None, idle=None, label="", terminal=None)
        free += 1
    mode = rig.mode
    if mode is not None and mode_by_hand:
        points[MODE_SWITCH] = Point(MODE_SWITCH, device, "coil", free, writable=True, idle=True)
        mode = Mode("point", MODE_SWITCH, True, mode.proof)
    return dataclasses.replace(rig, devices=devices, points=points, mode=mode)


def _after_last(rig: Rig, device: str, table: Table) -> int:
    """First address of a table behind all that the rig names there."""
    used = [point for point in rig.points.values() if point.device == device and point.table == table]
    return max((one.address + one.width for one in used), default=0)
