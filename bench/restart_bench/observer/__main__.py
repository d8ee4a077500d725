"""The observer: the process that samples. It owns the sockets, the schedule, the clock and the sample files.

Started as `python -m restart_bench.observer`. Standard input: one JSON line of configuration (`folder`, `devices`,
`points`), then one JSON command a line; its end is the end of the parent, and then all sockets are closed and the
process ends. Standard output: frames (see `pipe`). Samples are appended to `<folder>/<device>.part` first
and offered on the pipe second; a reader that does not read is never waited for.

Why a process of its own: drawing and judging in the same interpreter take a 500 Hz sampler to 85 Hz.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import select
import signal
import socket
import sys
import threading
from collections import deque
from collections.abc import Callable, Sized
from dataclasses import fields
from pathlib import Path
from typing import Any

from restart_bench.model.clock import FAR_NS, NS_PER_MS, NS_PER_S, now_ns
from restart_bench.model.rig import Device, Point
from restart_bench.model.samples import SampleKind
from restart_bench.observer.link import Close, Link, Open, Outcome, Sample, Send
from restart_bench.observer.part_writer import ATTENDED_NS, PartFile
from restart_bench.observer.pipe import OfferingPipe
from restart_bench.observer.sockets import begin_connect, connect_problem, resolve, tune_process, wait_briefly

COLLECT_NS = 10 * NS_PER_S
ALIVE_NS = NS_PER_S // 2  # how often the parent hears that the loop still turns
_SPARED = ("SIGINT", "SIGBREAK", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1", "SIGUSR2", "SIGALRM")
_COARSE_NS = 3 * NS_PER_MS  # where select can't be trusted to a millisecond, the last ones are spent asking the clock
_RECEIVE = 300  # the longest answer has 260 bytes; a small buffer costs less
_AT_ONCE = getattr(socket, "MSG_DONTWAIT", 0)  # where there is no such thing, sockets never wait
_ALONE_NS = 20 * NS_PER_MS  # how long a quick device is asked before all else is looked at
_CHANGES = (SampleKind.RESET, SampleKind.CLOSED, SampleKind.LATE, SampleKind.REFUSED, SampleKind.ACCEPTED)


class Wire:
    """One device: its link, its sockets, its file."""

    def __init__(self, device: Device, points: list[Point], folder: Path | None) -> None:
        """Raises OSError where the address can't be resolved or the file not be made, ValueError from planning."""
        self.device = device
        self._family, self._address = resolve(device.host, device.port)
        self.link = Link(device, points, now_ns())
        self.file = PartFile(folder, device, points)
        self.sockets: dict[int, socket.socket] = {}
        self.connecting: dict[int, socket.socket] = {}
        self.established: dict[int, socket.socket] = {}
        self.problem = ""  # of the newest connect that failed, in the words of the operating system
        self.link.keep_same = self.file.add
        self._newest: dict[int, object] = {}  # request -> what came of it last

    # ------------------------------------------------------------ what the link asks for

    def carry_out(self) -> list[Outcome]:
        """Do what the link asks for, keep its samples; returns what came of writes."""
        link = self.link
        while link.actions:
            actions, link.actions = link.actions, []
            for action in actions:
                if type(action) is Send:
                    self._send(action)
                elif type(action) is Open:
                    self._open(action.connection)
                elif type(action) is Close:
                    self._close(action.connection)
        if link.samples:
            samples, link.samples = link.samples, []
            for sample in samples:
                self._keep(sample)
        outcomes, link.outcomes = link.outcomes, []
        return outcomes

    def _keep(self, sample: Sample) -> None:
        self.file.add(*sample)
        came = sample.values or (sample.kind, sample.exception)
        if came != self._newest.get(sample.request) or sample.kind in _CHANGES:
            self._newest[sample.request] = came
            self.file.hurry(sample.received_ns)

    def _open(self, number: int) -> None:
        try:
            sock, problem = begin_connect(self._family, self._address)
        except OSError as fault:  # no socket to be had
            self.problem = str(fault)
            self.link.unreachable(number, now_ns())
            return
        self.sockets[number] = self.connecting[number] = sock
        if problem is not None:
            self._connected(number, problem)

    def _send(self, action: Send) -> None:
        sock = self.established.get(action.connection)
        if sock is None:
            return
        try:
            sock.send(action.data, _AT_ONCE)
        except (BlockingIOError, InterruptedError):
            pass  # nothing fits into its buffer any more: the request will count as unanswered
        except OSError as fault:
            self._ended(action.connection, fault)

    def _close(self, number: int) -> None:
        self.connecting.pop(number, None)
        self.established.pop(number, None)
        sock = self.sockets.pop(number, None)
        if sock is not None:
            sock.close()

    # ------------------------------------------------------------ what the sockets tell

    def ready_to_connect(self, number: int, sock: socket.socket) -> None:
        """The kernel has decided about a connect."""
        self._connected(number, sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR))

    def _connected(self, number: int, problem: int) -> None:
        sock = self.connecting.pop(number)
        if problem == 0:
            self.established[number] = sock
            if _AT_ONCE:
                wait_briefly(sock)
            self.problem = ""
            self.link.accepted(number, now_ns())
            return
        refused, self.problem = connect_problem(problem)
        if refused:
            self.link.refused(number, now_ns())
        else:
            self.link.unreachable(number, now_ns())

    def ready_to_read(self, number: int, sock: socket.socket) -> None:
        """Bytes, or the end of the connection."""
        self._exchange(number, sock, _AT_ONCE, FAR_NS, ())

    def converse(self, until_ns: int, broken_off: Sized) -> None:
        """Ask, wait for the answer, ask: as long as each one comes soon and tells the same, `until_ns` at most or until
        there is something in `broken_off`. Nothing else is looked at meanwhile, so nothing else costs time."""
        ((number, sock),) = self.established.items()
        self._exchange(number, sock, 0, until_ns, broken_off)

    def _exchange(self, number: int, sock: socket.socket, how: int, until_ns: int, broken_off: Sized) -> None:
        """Takes what comes, or what has come where `how` says so, and sends what is next, if nothing else is to do."""
        receive, send, same_again = sock.recv, sock.send, self.link.same_again
        instant = 0
        try:
            while instant < until_ns and not broken_off:
                data = receive(_RECEIVE, how)
                instant = now_ns()
                request = same_again(number, data, instant)
                if request is None:
                    self._came(number, data, instant)
                    return
                if not request:
                    return
                send(request, _AT_ONCE)
                if how:
                    return
        except (BlockingIOError, InterruptedError):
            return  # no answer yet, or nothing fits into its buffer any more
        except OSError as fault:
            self._ended(number, fault)

    def _came(self, number: int, data: bytes, instant_ns: int) -> None:
        if data:
            self.link.received(number, data, instant_ns)
        else:
            self._ended(number, None)

    def _ended(self, number: int, fault: OSError | None) -> None:
        """None: the peer closed in good order. Only what the peer itself sent proves anything about it."""
        reset = isinstance(fault, (ConnectionResetError, BrokenPipeError))
        self.link.lost(number, now_ns(), reset=reset, closed=fault is None)

    def close(self) -> None:
        """Let go of all sockets and of the file."""
        self.link.end(now_ns())
        self.carry_out()
        self.file.close()


class Observer:
    """The loop: waits for the next instant at which something is due, or for news."""

    def __init__(self, wires: dict[str, Wire], pipe: OfferingPipe, commands: Commands) -> None:
        self._wires = wires
        self._devices = list(wires.values())
        self._pipe = pipe
        self._commands = commands
        self._coarse = os.name == "nt"
        self._collect_ns = now_ns() + COLLECT_NS
        self._alive_ns = 0

    def run(self) -> None:
        """Sample until the parent's end. Raises OSError where the samples can't be saved."""
        while not self._commands.ended:
            self._converse()
            self._wait(self._due_ns())
            if self._commands.waiting:
                self._obey()
            self._do_what_is_due()

    def _converse(self) -> None:
        """With a single connection that is asked already there is nothing to be chosen among."""
        if len(self._devices) > 1 or not _AT_ONCE:
            return
        (wire,) = self._devices
        instant = now_ns()
        soon = wire.link.due_ns() - instant < _ALONE_NS  # the wait for an answer is a little too coarse for that
        if wire.link.awaits_one and not soon and len(wire.established) == 1 and not wire.connecting:
            alone_ns = ATTENDED_NS if wire.file.attended(instant) else _ALONE_NS
            until = min(instant + alone_ns, wire.file.due_ns(), self._alive_ns)
            wire.converse(until, self._commands.waiting)
            self._carry_out(wire)

    def _due_ns(self) -> int:
        return min(self._alive_ns, *(min(wire.link.due_ns(), wire.file.due_ns()) for wire in self._devices))

    def _do_what_is_due(self) -> None:
        for wire in self._devices:
            instant = now_ns()
            if wire.link.due_ns() <= instant:
                if wire.link.silence_due(instant):  # this computer may have slept over an answer that has come
                    self._hear(0.0)
                    instant = now_ns()
                wire.link.tick(instant)
                self._carry_out(wire)
            if wire.file.due_ns() <= instant:
                self._flush(wire)
        if now_ns() >= self._alive_ns:
            self._alive_ns = now_ns() + ALIVE_NS
            self._pipe.tell({"tell": "alive"})
        if now_ns() >= self._collect_ns:
            gc.collect()  # it was frozen at the start, so there is next to nothing to go through
            self._collect_ns = now_ns() + COLLECT_NS

    def _carry_out(self, wire: Wire) -> None:
        for outcome in wire.carry_out():
            self._pipe.tell({"tell": "done", "id": outcome.ticket, **outcome._asdict()})

    def _flush(self, wire: Wire) -> None:
        offset, data = wire.file.flush(now_ns())
        if data:
            self._pipe.offer(self._devices.index(wire), offset, data, saved=wire.file.saves)

    # ------------------------------------------------------------ waiting

    def _wait(self, until_ns: int) -> None:
        """Until something was heard or the clock says so: a time-out of select ends no wait by itself."""
        remaining = until_ns - now_ns()
        if remaining <= 0:
            self._hear(0.0)
        while remaining > 0 and not self._hear(select_timeout_s(remaining, coarse=self._coarse)):
            remaining = until_ns - now_ns()

    def _hear(self, timeout_s: float) -> bool:
        reading = [sock for wire in self._devices for sock in wire.established.values()]
        connecting = [sock for wire in self._devices for sock in wire.connecting.values()]
        reading.append(self._commands.bell)
        # Windows tells of a failed connect in the third list
        readable, writable, failed = select.select(reading, connecting, connecting, timeout_s)
        if not (readable or writable or failed):
            return False
        if self._commands.bell in readable:
            self._commands.hush()
        for wire in self._devices:
            self._serve(wire, readable, {*writable, *failed})
        return True

    def _serve(self, wire: Wire, readable: list[socket.socket], decided: set[socket.socket]) -> None:
        for number, sock in list(wire.connecting.items()):
            if sock in decided and number in wire.connecting:
                wire.ready_to_connect(number, sock)
                self._carry_out(wire)
        for number, sock in list(wire.established.items()):
            if sock in readable and number in wire.established:
                wire.ready_to_read(number, sock)
                self._carry_out(wire)

    # ------------------------------------------------------------ commands

    def _obey(self) -> None:
        while self._commands.waiting:
            command = self._commands.waiting.popleft()
            told = {"tell": "done", "id": command.get("id")}
            if command["do"] == "cycle":
                self._begin_cycle(command["cycle"])
                self._pipe.tell(told)
            elif command["do"] == "flush":
                for wire in self._devices:
                    self._flush(wire)
                self._pipe.tell(told)
            elif command["do"] == "report":
                self._pipe.tell({**told, "report": self._report()})
            elif command["do"] == "write":
                self._write(command)
            elif command["do"] == "attend":
                for wire in self._devices:
                    wire.file.attend(now_ns(), command["until_ns"])

    def _begin_cycle(self, cycle: int) -> None:
        for wire in self._devices:
            self._flush(wire)
            wire.file.cycle = cycle

    def _write(self, command: dict[str, Any]) -> None:
        wire = self._wires[command["device"]]
        instant = now_ns()
        try:
            wire.link.write(command["id"], command["point"], command["value"], instant)
        except ValueError as fault:
            refused = Outcome(command["id"], instant, instant, str(fault))
            self._pipe.tell({"tell": "done", "id": command["id"], **refused._asdict()})
        self._carry_out(wire)

    def _report(self) -> dict[str, Any]:
        return {
            "dropped_frames": self._pipe.dropped,
            "devices": {
                wire.device.name: {
                    "missed": wire.link.pace.missed,
                    "waited": wire.link.pace.waited,
                    "held": len(wire.link.held),
                    "in_contact": wire.link.in_contact,
                    "problem": wire.problem,
                }
                for wire in self._devices
            },
        }


def select_timeout_s(remaining_ns: int, *, coarse: bool) -> float:
    """How long select may sleep. With coarse timers it is woken early, and at the end asked without sleeping."""
    if not coarse:
        return remaining_ns / NS_PER_S
    return max(0, remaining_ns - _COARSE_NS) / NS_PER_S


class Commands:
    """Lines from the parent, read by a thread, and a bell among the sockets so that select wakes for them."""

    def __init__(self, lines: Callable[[], bytes]) -> None:
        self.waiting: deque[dict[str, Any]] = deque()
        self.ended = False
        self.bell, self._ring = socket.socketpair()
        self.bell.setblocking(False)
        self._lines = lines
        threading.Thread(target=self._listen, daemon=True, name="commands").start()

    def hush(self) -> None:
        """The bell was heard."""
        with contextlib.suppress(BlockingIOError):
            self.bell.recv(4096)

    def _listen(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while line := self._lines():
                self.waiting.append(json.loads(line))
                self._ring.send(b"!")
        self.ended = True
        with contextlib.suppress(OSError):
            self._ring.send(b"!")


def _told(kind: type[Any], told: dict[str, Any]) -> Any:
    """A dataclass from its JSON form; what it doesn't know is left out."""
    known = {each.name for each in fields(kind)}
    return kind(**{name: value for name, value in told.items() if name in known})


def _wires(config: dict[str, Any]) -> dict[str, Wire]:
    points: list[Point] = [_told(Point, told) for told in config["points"]]
    devices: list[Device] = [_told(Device, told) for told in config["devices"]]
    folder = Path(config["folder"]) if config["folder"] is not None else None
    return {device.name: Wire(device, points, folder) for device in devices}


def main() -> int:
    """Run until standard input ends. Returns the process' exit code."""
    for name in _SPARED:  # only the parent acts on them: it needs the observer on its own way out
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    config = json.loads(sys.stdin.buffer.readline())
    tune_process()
    pipe = OfferingPipe(sys.stdout.fileno())
    try:
        _observe(config, pipe)
    except (OSError, ValueError) as fault:
        pipe.tell({"tell": "failed", "text": str(fault)})
        pipe.finish()
        return 1
    pipe.finish()
    return 0


def _observe(config: dict[str, Any], pipe: OfferingPipe) -> None:
    wires = _wires(config)
    try:
        pipe.tell({"tell": "hello", "now_ns": now_ns()})
        gc.collect()
        gc.freeze()
        gc.disable()
        Observer(wires, pipe, Commands(sys.stdin.buffer.readline)).run()
    finally:
        for wire in wires.values():
            with contextlib.suppress(OSError):
                wire.close()


if __name__ == "__main__":
    code = main()
    sys.stderr.flush()
    os._exit(code)  # threads that wait for a reader or a parent are not waited for
