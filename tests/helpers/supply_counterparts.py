"""What stands at the other end of a supply driver in the tests: servers, boards, pins and people.

Each one is written apart from its driver, most of them on another library, and keeps a diary of what it was
made to do. `energised` is the relay's coil, the output or the switch, as the counterpart itself has it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import socket
import socketserver
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

COIL = 3
NOBODY_ANSWERS = "300 ms"


class Counterpart:
    """Driver and settings that reach it, its state, and a diary of every change of it."""

    driver: str
    settings: dict[str, Any]
    ask: Callable[[str], bool] | None = None

    def __init__(self) -> None:
        self.changes: list[bool] = []

    @property
    def energised(self) -> bool:
        raise NotImplementedError

    def force(self, energised: bool) -> None:
        """Somebody else switches."""
        raise NotImplementedError

    def break_down(self) -> None:
        """From now on it can't do as told."""
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError


class TcpRelay(Counterpart):
    """A Modbus TCP relay on pyModbusTCP's server, a second implementation of the protocol."""

    driver = "modbus-coil"

    def __init__(self) -> None:
        from pyModbusTCP.server import DataBank, ModbusServer

        super().__init__()
        diary = self.changes

        class Coils(DataBank):
            def on_coils_change(self, address: int, from_value: bool, to_value: bool, srv_info: Any) -> None:
                if address == COIL:
                    diary.append(to_value)

        self.coils = Coils(coils_size=16)
        self.port = free_port()
        self.server = ModbusServer("127.0.0.1", self.port, no_block=True, data_bank=self.coils)
        self.server.start()
        self.settings = {"host": "127.0.0.1", "port": self.port, "coil": COIL, "answer_within": NOBODY_ANSWERS}

    @property
    def energised(self) -> bool:
        return bool(self.coils.get_coils(COIL, 1)[0])

    def force(self, energised: bool) -> None:
        self.coils.set_coils(COIL, [energised])

    def break_down(self) -> None:
        self.server.stop()

    def close(self) -> None:
        threading.Thread(target=self.server.stop, daemon=True).start()  # it takes half a second to stop


class Wire:
    """Two pseudo-terminals joined byte by byte: a serial line with two ends. `cut()` takes both ends away."""

    def __init__(self) -> None:
        import pty
        import tty

        self._masters, self._slaves = [], []
        for _ in range(2):
            master, slave = pty.openpty()
            tty.setraw(slave)
            self._masters.append(master)
            self._slaves.append(slave)
        self.ends = [os.ttyname(slave) for slave in self._slaves]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        near, far = self._masters
        while not self._stop.is_set():
            for master in select.select([near, far], [], [], 0.02)[0]:
                data = os.read(master, 4096)
                os.write(far if master == near else near, data)

    def cut(self) -> None:
        if self._stop.is_set():
            return
        self._stop.set()
        self._thread.join()
        for end in (*self._slaves, *self._masters):
            os.close(end)


class RtuRelay(Counterpart):
    """A Modbus RTU relay: pymodbus' server at one end of a pseudo-terminal pair."""

    driver = "modbus-coil"
    unit = 7

    def __init__(self) -> None:
        super().__init__()
        self._coil = False
        self._wire = Wire()
        self.settings = {
            "serial": self._wire.ends[0],
            "baud": 19200,
            "parity": "none",  # a pseudo-terminal has none to set
            "unit": self.unit,
            "coil": COIL,
            "answer_within": NOBODY_ANSWERS,
        }
        self._loop = asyncio.new_event_loop()
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        assert self._up.wait(10)

    @property
    def energised(self) -> bool:
        return self._coil

    def force(self, energised: bool) -> None:
        self._coil = energised

    async def _served(self, *access: Any) -> None:
        """Called by the server before each access: keeps the diary, and lays the coil's own state into its table."""
        _function, _start, _address, _count, registers, values = access
        if values is not None:
            wanted = bool(values[0])
            if wanted != self._coil:
                self.changes.append(wanted)
            self._coil = wanted
        registers[0] = (registers[0] & ~(1 << COIL)) | (self._coil << COIL)

    def _serve(self) -> None:
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        def bits() -> list[SimData]:
            return [SimData(0, values=[False] * 16, datatype=DataType.BITS)]

        def words() -> list[SimData]:
            return [SimData(0, values=[0], datatype=DataType.REGISTERS)]

        async def serve() -> None:
            device = SimDevice(id=self.unit, simdata=(bits(), bits(), words(), words()), action=self._served)
            self._server = ModbusSerialServer(device, port=self._wire.ends[1], baudrate=19200)
            await self._server.serve_forever(background=True)
            self._up.set()

        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(serve())
        self._loop.run_forever()

    def break_down(self) -> None:
        self._stop_server()

    def _stop_server(self) -> None:
        if self._loop.is_running():
            asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(10)
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
            self._loop.close()

    def close(self) -> None:
        self._stop_server()
        self._wire.cut()


class Board(Counterpart):
    """A serial relay board on a pseudo-terminal, played by a thread after an invented data sheet."""

    driver = "serial-board"
    ON, OFF, ASK = bytes.fromhex("3C 05 01 38"), bytes.fromhex("3C 05 00 39"), bytes.fromhex("3C 05 02 3B")

    def __init__(self) -> None:
        import pty
        import tty

        super().__init__()
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.relay, self.deaf, self.stuck, self.babbles = False, False, False, False
        self.settings = {
            "port": os.ttyname(self._slave),
            "on_bytes": "3C 05 01 38",
            "off_bytes": "3C 05 00 39",
            "on_reply": "5A 05 01",
            "off_reply": "5A 05 00",
            "ask_bytes": "3C 05 02 3B",
            "says_on": "B1 01",
            "says_off": "B1 00",
            "answer_within": NOBODY_ANSWERS,
        }
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def energised(self) -> bool:
        return self.relay

    def force(self, energised: bool) -> None:
        self.relay = energised

    def _serve(self) -> None:
        came = b""
        while not self._stop.is_set():
            if not select.select([self._master], [], [], 0.02)[0]:
                continue
            came += os.read(self._master, 4096)
            while len(came) >= 4:
                reply = self._obey(came[:4])
                came = came[4:]
                if reply and not self.deaf:
                    os.write(self._master, b"\xff" * len(reply) if self.babbles else reply)

    def _obey(self, command: bytes) -> bytes:
        if command == self.ASK:
            return b"\xb1\x01" if self.relay else b"\xb1\x00"
        if command not in (self.ON, self.OFF):
            return b""
        wanted = command == self.ON
        if wanted != self.relay and not self.stuck and not self.deaf:
            self.changes.append(wanted)
            self.relay = wanted
        return bytes.fromhex("5A 05 01" if wanted else "5A 05 00")

    def break_down(self) -> None:
        self.deaf = True

    def unplug(self) -> None:
        """The USB plug is pulled: the port is gone for good."""
        if not self._stop.is_set():
            self._stop.set()
            self._thread.join()
            os.close(self._master)
            os.close(self._slave)

    def close(self) -> None:
        self.unplug()


class Pin(Counterpart):
    """A GPIO pin of gpiozero's mock pin factory."""

    driver = "gpio-pin"

    def __init__(self) -> None:
        from gpiozero import Device
        from gpiozero.pins.mock import MockFactory, MockPin

        super().__init__()
        diary = self.changes

        class DiaryPin(MockPin):  # type: ignore[misc]
            stuck = False

            def _set_state(self, value: int) -> None:
                if not self.stuck:
                    if bool(value) != self._state:
                        diary.append(bool(value))
                    super()._set_state(value)

        self._before = Device.pin_factory
        Device.pin_factory = MockFactory(pin_class=DiaryPin)
        self.pin = Device.pin_factory.pin(17)
        self.settings = {"pin": 17}

    @property
    def energised(self) -> bool:
        return bool(self.pin.function == "output" and self.pin.state)

    def force(self, energised: bool) -> None:
        self.pin.state = energised

    def break_down(self) -> None:
        self.pin.stuck = True

    def close(self) -> None:
        from gpiozero import Device

        Device.pin_factory.reset()
        Device.pin_factory = self._before


class ScpiServer(Counterpart):
    """A programmable supply on TCP, written after SCPI-1999 for these tests. Two outputs; the second is not ours."""

    driver = "scpi-supply"
    identity = "Test,DC supply,SN1234,1.0"

    def __init__(self) -> None:
        super().__init__()
        self.output, self.volts, self.channel = {1: False, 2: False}, 24.0, 1
        self.errors: list[str] = []
        self.stuck, self.silent, self.speaks_scpi = False, False, True
        self.setting: str | None = None
        self.trickle = 0.0
        self.flood = self.twice = False
        self.drop_after = ""
        self.heard: list[str] = []
        self.connections: list[socket.socket] = []
        counterpart = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                counterpart.connections.append(self.request)
                for line in self.rfile:
                    if line.decode("ascii").strip() == counterpart.drop_after:
                        counterpart.drop_after = ""
                        return
                    answer = counterpart.obey(line.decode("ascii").strip())
                    if answer is not None and not counterpart.silent:
                        with contextlib.suppress(OSError):  # the driver has given up
                            self.say(answer.encode("ascii") + b"\n")

            def say(self, answer: bytes) -> None:
                for byte in b"0" * 200 if counterpart.trickle else b"":
                    self.wfile.write(bytes([byte]))
                    time.sleep(counterpart.trickle)
                while counterpart.flood:
                    self.wfile.write(b"0" * 4096)
                self.wfile.write(answer * (2 if counterpart.twice else 1))

        class Server(socketserver.ThreadingTCPServer):
            allow_reuse_address = True
            daemon_threads = True

        self.server = Server(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self.settings = {"host": "127.0.0.1", "port": self.port, "channel": 1, "answer_within": NOBODY_ANSWERS}
        self.settings["volts"] = 24
        threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()

    def obey(self, line: str) -> str | None:
        """One program message; the answer if it is a question."""
        self.heard.append(line)
        if not self.speaks_scpi:
            return "HELLO"
        head, _, value = line.partition(" ")
        match head:
            case "*IDN?":
                return self.identity
            case "SYST:ERR?":
                return self.errors.pop(0) if self.errors else '0,"No error"'
            case "OUTP?":
                return str(int(self.output[self.channel]))
            case "VOLT?":
                return self.setting or f"{self.volts:.4E}"
            case "INST:NSEL":
                self.channel = int(value)
            case "OUTP" if value in ("ON", "OFF"):
                self._switch(value == "ON")
            case "VOLT" if float(value) <= 30:
                self.volts = self.volts if self.stuck else float(value)
            case "VOLT":
                self.errors.append('-222,"Data out of range"')
            case _:
                self.errors.append('-113,"Undefined header"')
        return None

    def _switch(self, on: bool) -> None:
        if self.stuck:
            return
        if on != self.output[self.channel]:
            self.changes.append(on)
        self.output[self.channel] = on

    @property
    def energised(self) -> bool:
        return self.output[1]

    def force(self, energised: bool) -> None:
        self.output[1] = energised

    def drop_connections(self) -> None:
        """It closes what is open, as many do after minutes of silence."""
        for connection in self.connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self.connections.clear()

    def break_down(self) -> None:
        self.silent = True

    def close(self) -> None:
        self.server.shutdown()
        self.drop_connections()
        self.server.server_close()


SIMULATED_SUPPLY = """
spec: "1.1"
devices:
  supply:
    eom:
      USB INSTR: {q: "\\n", r: "\\n"}
    error:
      error_queue:
        - q: "SYST:ERR?"
          default: '+0,"No error"'
          command_error: '-100,"Command error"'
          query_error: '-400,"Query error"'
    dialogues:
      - {q: "*IDN?", r: "Test,DC supply,SN5678,1.0"}
    properties:
      output:
        default: "OFF"
        getter: {q: "OUTP?", r: "{:s}"}
        setter: {q: "OUTP {:s}"}
        specs: {valid: ["ON", "OFF"], type: str}
      volts:
        default: 24.0
        getter: {q: "VOLT?", r: "{:.3f}"}
        setter: {q: "VOLT {:f}"}
        specs: {min: 0, max: 30, type: float}
resources:
  USB0::0x1234::0x5678::SN5678::INSTR: {device: supply}
"""


class VisaSupply(Counterpart):
    """A USB supply of PyVISA-sim. It says ON and OFF where the TCP server says 1 and 0."""

    driver = "scpi-supply"
    resource = "USB0::0x1234::0x5678::SN5678::INSTR"

    def __init__(self, folder: Path) -> None:
        import pyvisa

        super().__init__()
        description = folder / "supply.yaml"
        description.write_text(SIMULATED_SUPPLY, encoding="utf-8")
        library = f"{description}@sim"
        self._manager = pyvisa.ResourceManager(library)
        self._second = self._manager.open_resource(self.resource, read_termination="\n", write_termination="\n")
        self._device = self._manager.visalib.devices[self._manager.list_resources()[0]]
        self._match, self._mute = self._device._match, False
        self._device._match = self._listen
        self.settings = {"resource": self.resource, "visa": library, "volts": 24, "answer_within": NOBODY_ANSWERS}

    def _listen(self, query: bytes) -> Any:
        from pyvisa_sim.component import NoResponse

        if self._mute:
            return NoResponse
        before = self._state()
        answer = self._match(query)
        if self._state() != before:
            self.changes.append(not before)
        return answer

    def _state(self) -> bool:
        return bool(self._match(b"OUTP?") == b"ON")

    @property
    def energised(self) -> bool:
        return str(self._second.query("OUTP?")) == "ON"

    @property
    def volts(self) -> float:
        return float(self._second.query("VOLT?"))

    def force(self, energised: bool) -> None:
        self._second.write(f"OUTP {'ON' if energised else 'OFF'}")

    def break_down(self) -> None:
        self._mute = True

    def close(self) -> None:
        self._manager.close()


class Person(Counterpart):
    """Somebody who works the switch when asked, as a scripted answerer."""

    driver = "by-hand"

    def __init__(self) -> None:
        super().__init__()
        self.switch, self.refuses = False, False
        self.questions: list[str] = []
        self.settings = {"switch": "main switch Q1 on the rig's front"}
        self.ask = self._answer

    def _answer(self, question: str) -> bool:
        self.questions.append(question)
        if self.refuses:
            return False
        wanted = " ON " in question
        if wanted != self.switch:
            self.changes.append(wanted)
        self.switch = wanted
        return True

    @property
    def energised(self) -> bool:
        return self.switch

    def force(self, energised: bool) -> None:
        self.switch = energised

    def break_down(self) -> None:
        self.refuses = True

    def close(self) -> None:
        self.refuses = True


THIRD_PARTY = '''
"""A supply as a third party writes one: a relay that is a line in a file."""

from pathlib import Path

from restart_bench_drivers.contacts import coil_for, supply_for
from restart_bench_drivers.interface import Key, SupplyCard, SupplyError

CARD = SupplyCard(
    name="line-in-a-file",
    summary="a relay that is a line in a file",
    load="workshop_supplies:LineInAFile",
    keys=(Key("path", "text", "the file", required=True),),
    example="supply: {driver: line-in-a-file, path: relay.txt, contact: normally-open}",
    address_keys=("path",),
)


class LineInAFile:
    def __init__(self, *, path, contact):
        self._path, self._contact, self._closed = Path(path), contact, False

    def on(self):
        self._write(coil_for(True, self._contact))

    def off(self):
        self._write(coil_for(False, self._contact))

    def is_on(self):
        return supply_for(self._read() == "energised", self._contact)

    def close(self):
        self._closed = True

    def _read(self):
        if self._closed:
            raise SupplyError(f"{self._path} has been closed; open the supply again")
        try:
            return self._path.read_text(encoding="utf-8").splitlines()[-1]
        except OSError as lost:
            raise SupplyError(f"{self._path} can't be read; check that it is there") from lost

    def _write(self, coil):
        word = "energised" if coil else "released"
        if self._read() != word:
            with self._path.open("a", encoding="utf-8") as lines:
                lines.write(word + "\\n")
'''


class LineInAFile(Counterpart):
    """A third party's driver, installed as a package: a module and its entry point in a folder on the path."""

    driver = "line-in-a-file"

    def __init__(self, folder: Path) -> None:
        super().__init__()
        install_package(folder / "site", "workshop-supplies", "workshop_supplies", THIRD_PARTY)
        self.path = folder / "relay.txt"
        self.path.write_text("released\n", encoding="utf-8")
        self.settings = {"path": str(self.path)}
        self._seen = 1

    @property
    def energised(self) -> bool:
        lines = self.path.read_text(encoding="utf-8").splitlines()
        self.changes.extend(line == "energised" for line in lines[self._seen :])
        self._seen = len(lines)
        return lines[-1] == "energised"

    def force(self, energised: bool) -> None:
        with self.path.open("a", encoding="utf-8") as lines:
            lines.write("energised\n" if energised else "released\n")
        self._seen += 1

    def break_down(self) -> None:
        self.path.unlink()

    def close(self) -> None:
        self.path.unlink(missing_ok=True)


def install_package(folder: Path, name: str, module: str, source: str, value: str = "") -> None:
    """What an installer leaves behind for a pure package that names one supply: a module and its metadata."""
    folder.mkdir(exist_ok=True)
    (folder / f"{module}.py").write_text(source, encoding="utf-8")
    metadata = folder / f"{module}-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    entry = f"[restart_bench.supplies]\n{name} = {value or module + ':CARD'}\n"
    (metadata / "entry_points.txt").write_text(entry, encoding="utf-8")


def free_port() -> int:
    """A TCP port of this computer that nothing listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def eventually(true: Callable[[], bool], within_s: float = 5.0) -> bool:
    """Wait until it is true; False if it does not become so (a limit against hangs, not a measure)."""
    give_up = time.monotonic() + within_s
    while not true():
        if time.monotonic() > give_up:
            return False
        time.sleep(0.005)
    return True
