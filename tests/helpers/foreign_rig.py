"""A rig on another Modbus library (pyModbusTCP) that keeps a diary of what was true and when.

Three servers: a relay, independent I/O, and a controller that is a process of its own. When the relay's coil goes off
the controller's process is killed (its connections are closed, connects are refused), when it goes on it is started
anew. Wires between the boxes are the pipes of that process: a line in is a button, a line out is an output.

As a program: the controller. Its fan is set by the button and kept in a file; its burner is set and forgotten.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from pyModbusTCP.server import DataBank, ModbusServer

from supply_counterparts import free_port

OUTPUTS = ("fan", "burner")
RAIL = 8
SCAN_S = 0.005
ANSWERING_S = 0.15  # good replies, but the program does not run yet


class Came(NamedTuple):
    """A transition, and the instants just before and just after it."""

    name: str
    value: bool
    before_ns: int
    after_ns: int


class ForeignRig:
    """The rig while it runs (a context manager). `diary` is what was true of the points of `rig_text`; the rail
    follows the relay at once. The supply is off at first."""

    def __init__(self, folder: Path) -> None:
        self.diary: list[Came] = []
        self._kept = folder / "kept.json"
        self._controller: subprocess.Popen[str] | None = None
        self._reader: threading.Thread | None = None
        self._wiring = threading.Lock()
        self._ports = {name: free_port() for name in ("controller", "independent", "supply")}
        self._relay = _serve(self._ports["supply"], {0: self._switch})
        self._independent = _serve(self._ports["independent"], {0: self._press})

    def __enter__(self) -> ForeignRig:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lose()
        for server in (self._relay, self._independent):
            threading.Thread(target=server.stop, daemon=True).start()  # it takes half a second to stop

    @property
    def supply_is_on(self) -> bool:
        """What the relay's coil says now."""
        return bool(self._relay.data_bank.get_coils(0, 1)[0])

    def rig_text(self, name: str) -> str:
        """The rig file."""
        at = {device: f"host: 127.0.0.1, port: {port}" for device, port in self._ports.items()}
        return f"""
rig: {name}
loads: harmless
devices:
  controller: {{{at["controller"]}, powered_by: supply, poll: 10 ms, answer_within: 200 ms}}
  independent: {{{at["independent"]}, poll: 5 ms, answer_within: 200 ms}}
supply:
  driver: modbus-coil
  {at["supply"].replace(", ", chr(10) + "  ")}
  coil: 0
  contact: normally-open
  operate: 1 ms
  release: 1 ms
  bounce: 0 ms
  limits: {{off_at_least: 200 ms, on_at_least: 200 ms}}
points:
  start_button: {{device: independent, coil: 0, writable: true, idle: off}}
  fan: {{device: controller, coil: 0, terminal: {{discrete_input: 0}}}}
  burner: {{device: controller, coil: 1, terminal: {{discrete_input: 1}}}}
  running: {{device: controller, discrete_input: 0}}
  heartbeat: {{device: controller, input_register: 0}}
  rail: {{device: independent, discrete_input: {RAIL}}}
defaults: {{settle: 100 ms, watch: 600 ms, longer_than: 1 s}}
ready: {{when: {{running: on}}, steady: 100 ms, alive: heartbeat, within: 10 s}}
proof_of_cut: [{{rail: off}}]
"""

    # ------------------------------------------------------------ what happens, in the servers' own threads

    def _switch(self, on: bool) -> None:
        before = time.perf_counter_ns()
        self._independent.data_bank.set_discrete_inputs(RAIL, [on])
        self.diary.append(Came("rail", on, before, time.perf_counter_ns()))
        if on:
            self._power()
        else:
            self._lose()

    def _press(self, pressed: bool) -> None:
        if self._controller is not None and self._controller.stdin is not None:
            self._controller.stdin.write(f"{int(pressed)}\n")
            self._controller.stdin.flush()

    def _power(self) -> None:
        self._controller = subprocess.Popen(
            [sys.executable, __file__, str(self._ports["controller"]), str(self._kept)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._reader = threading.Thread(target=self._listen, args=(self._controller,), daemon=True)
        self._reader.start()

    def _listen(self, controller: subprocess.Popen[str]) -> None:
        """What the controller tells: its truth, and the level of its outputs, which are wired to the terminals."""
        assert controller.stdout is not None
        for line in controller.stdout:
            if not line.endswith("\n"):
                return  # killed in the middle of a line
            told = Came(*json.loads(line))
            self.diary.append(told)
            if told.name in OUTPUTS:
                self._wire(told.name, told.value)

    def _wire(self, output: str, value: bool) -> None:
        inputs = self._independent.data_bank
        place = OUTPUTS.index(output)
        with self._wiring:
            if inputs.get_discrete_inputs(place, 1) == [value]:
                return
            before = time.perf_counter_ns()
            inputs.set_discrete_inputs(place, [value])
            self.diary.append(Came(f"{output}_terminal", value, before, time.perf_counter_ns()))

    def _lose(self) -> None:
        if self._controller is None:
            return
        self._controller.kill()
        self._controller.wait()
        if self._reader is not None:
            self._reader.join()
        for pipe in (self._controller.stdin, self._controller.stdout):
            if pipe is not None:
                pipe.close()
        self._controller = None
        for output in OUTPUTS:
            self._wire(output, False)


def _serve(port: int, hooks: dict[int, Callable[[bool], None]]) -> ModbusServer:
    class Coils(DataBank):  # type: ignore[misc]
        def on_coils_change(self, address: int, from_value: bool, to_value: bool, srv_info: Any) -> None:
            if address in hooks:
                hooks[address](to_value)

    server = ModbusServer("127.0.0.1", port, no_block=True, data_bank=Coils(coils_size=16, d_inputs_size=16))
    server.start()
    return server


# ---------------------------------------------------------------- the controller


def control(port: int, kept: Path) -> None:
    """Serve, boot, run the program until standard input ends."""
    bank = DataBank(coils_size=16, d_inputs_size=16, i_regs_size=16)
    before = time.perf_counter_ns()
    ModbusServer("127.0.0.1", port, no_block=True, data_bank=bank).start()
    for name in ("running", *OUTPUTS):
        print(json.dumps([name, False, before, time.perf_counter_ns()]), flush=True)
    buttons = [False]
    threading.Thread(target=_hear_button, args=(buttons,), daemon=True).start()
    time.sleep(ANSWERING_S)
    fan, burner = kept.exists(), False
    _tell("running", True, lambda: bank.set_discrete_inputs(0, [True]))
    for beat in range(1_000_000):
        bank.set_input_registers(0, [beat & 0xFFFF])
        fan, burner = fan or buttons[0], burner or buttons[0]
        if fan and not kept.exists():
            kept.touch()
        for place, (name, value) in enumerate((("fan", fan), ("burner", burner))):
            if bank.get_coils(place, 1) != [value]:
                _tell(name, value, lambda place=place, value=value: bank.set_coils(place, [value]))  # type: ignore[misc]
        time.sleep(SCAN_S)


def _hear_button(buttons: list[bool]) -> None:
    for line in sys.stdin:
        buttons[0] = line.strip() == "1"


def _tell(name: str, value: bool, make_true: Callable[[], object]) -> None:
    before = time.perf_counter_ns()
    make_true()
    print(json.dumps([name, value, before, time.perf_counter_ns()]), flush=True)


if __name__ == "__main__":
    control(int(sys.argv[1]), Path(sys.argv[2]))
