"""A Modbus TCP server that misbehaves as it is told, in a process of its own, and logs what was true and when.

As a module: `StandIn` starts it and commands it. As a program: serves until its standard input ends. Written
without the bench's own encoder, so that the two check each other.
"""

from __future__ import annotations

import heapq
import json
import random
import select
import socket
import struct
import subprocess
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

MS = 1_000_000


class StandIn:
    """The handle. `port` is where it serves; every command returns once the server has done it.

    `command` goes before the interpreter (to start it elsewhere); `stage` is `serve` or `listen`, see `Server.obey`.
    """

    def __init__(
        self,
        truth: Path | None = None,
        host: str = "127.0.0.1",
        *,
        port: int = 0,
        stage: str = "serve",
        command: tuple[str, ...] = (),
    ) -> None:
        config = {"host": host, "port": port, "stage": stage, "truth": str(truth or "")}
        self.process = subprocess.Popen(
            [*command, sys.executable, __file__, json.dumps(config)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self._commands, self._answers = self.process.stdin, self.process.stdout
        self.port: int = json.loads(self._answers.readline())["port"]

    def __enter__(self) -> StandIn:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End it; also after `kill`."""
        self._commands.close()
        self.process.wait(10)
        self._answers.close()

    def do(self, what: str, **more: Any) -> Any:
        """One command, see `Server.obey`."""
        self._commands.write(json.dumps({"do": what, **more}) + "\n")
        self._commands.flush()
        return json.loads(self._answers.readline())


class Server:
    """One listener, any number of connections, one thread."""

    def __init__(self, host: str, port: int, stage: str, truth: str) -> None:
        self.listener: socket.socket | None = None
        self.address = (host, port)
        self.listen()
        self.commands: deque[dict[str, Any]] = deque()
        self.ended = False
        self.bell, self.ring = socket.socketpair()
        self.accepting = stage == "serve"
        self.peers: dict[socket.socket, bytes] = {}
        self.bits = [False] * 64
        self.registers = [0] * 64
        self.mute: set[int] = set()  # functions that stay unanswered
        self.exception = 0
        self.late_once_ns = 0
        self.frozen = False
        self.delayed: list[tuple[int, int, socket.socket, bytes]] = []
        self.toggles: list[tuple[int, int]] = []
        self.mean_ns = 0
        self.random = random.Random(7)
        self.truth = Path(truth).open("w", encoding="utf-8") if truth else None  # noqa: SIM115  # until the end
        self.served = self.accepted = self.most_open = 0

    # ------------------------------------------------------------ the loop

    def run(self) -> None:
        threading.Thread(target=self.hear_commands, daemon=True).start()
        while not self.ended:
            now = time.perf_counter_ns()
            self.toggle(now)
            while self.delayed and self.delayed[0][0] <= now:
                _, _, peer, answer = heapq.heappop(self.delayed)
                self.send(peer, answer)
            due = min([entry[0] for entry in (self.delayed[:1] + self.toggles[:1])], default=now + 50 * MS)
            watched = [self.bell]
            if self.listener is not None and self.accepting and not self.frozen:
                watched.append(self.listener)
            if not self.frozen:
                watched += self.peers
            readable, _, _ = select.select(watched, [], [], max(0, due - now) / 1e9)
            for sock in readable:
                if sock is self.bell:
                    self.bell.recv(1)
                    while self.commands:
                        print(json.dumps(self.obey(**self.commands.popleft())), flush=True)
                elif sock is self.listener:
                    self.accept()
                elif sock in self.peers:
                    self.hear(sock)

    def accept(self) -> None:
        assert self.listener is not None
        peer = self.listener.accept()[0]
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # so that even the end of this process sends a reset, as a controller's stack does that forgot everything
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.peers[peer] = b""
        self.accepted += 1
        self.most_open = max(self.most_open, len(self.peers))

    def hear(self, peer: socket.socket) -> None:
        try:
            data = peer.recv(4096)
        except ConnectionError:
            data = b""
        if not data:
            self.drop(peer)
            return
        data = self.peers[peer] + data
        while len(data) >= 6 and len(data) >= 6 + (length := int.from_bytes(data[4:6], "big")):
            self.answer(peer, data[: 6 + length])
            data = data[6 + length :]
        if peer in self.peers:
            self.peers[peer] = data

    def drop(self, peer: socket.socket) -> None:
        self.peers.pop(peer, None)
        peer.close()

    def answer(self, peer: socket.socket, frame: bytes) -> None:
        self.served += 1
        pdu = frame[7:]
        if pdu[0] in self.mute:
            return
        told = bytes([pdu[0] | 0x80, self.exception]) if self.exception else self.perform(pdu)
        answer = frame[:4] + struct.pack(">H", len(told) + 1) + frame[6:7] + told
        if self.late_once_ns:
            heapq.heappush(self.delayed, (time.perf_counter_ns() + self.late_once_ns, self.served, peer, answer))
            self.late_once_ns = 0
        else:
            self.send(peer, answer)

    def send(self, peer: socket.socket, answer: bytes) -> None:
        if peer in self.peers:
            try:
                peer.sendall(answer)
            except OSError:
                self.drop(peer)

    def perform(self, pdu: bytes) -> bytes:
        if len(pdu) < 5:  # who it is, say
            return bytes([pdu[0] | 0x80, 1])
        function, address, value = struct.unpack(">BHH", pdu[:5])
        if function in (1, 2, 3, 4) and address + value > 64:
            return bytes([function | 0x80, 2])
        if function in (1, 2):
            chosen = self.bits[address : address + value]
            packed = sum(1 << place for place, bit in enumerate(chosen) if bit)
            size = (value + 7) // 8
            return bytes([function, size]) + packed.to_bytes(size, "little")
        if function in (3, 4):
            words = self.registers[address : address + value]
            return bytes([function, 2 * value]) + struct.pack(f">{value}H", *words)
        if function == 5:
            self.bits[address] = value == 0xFF00
        elif function == 6:
            self.registers[address] = value
        elif function == 16:
            self.registers[address : address + value] = struct.unpack(f">{value}H", pdu[6:])
        else:
            return bytes([function | 0x80, 1])
        return pdu[:5]

    # ------------------------------------------------------------ what is true

    def toggle(self, now: int) -> None:
        while self.toggles and self.toggles[0][0] <= now:
            _, point = heapq.heappop(self.toggles)
            value = not self.bits[point]
            before = time.perf_counter_ns()
            self.bits[point] = value
            after = time.perf_counter_ns()
            if self.truth is not None:
                told = {"what": "image", "name": f"b{point}", "value": value, "before_ns": before, "after_ns": after}
                self.truth.write(json.dumps(told) + "\n")
            self.plan(point, after)

    def plan(self, point: int, now: int) -> None:
        heapq.heappush(self.toggles, (now + int(self.random.expovariate(1 / self.mean_ns)), point))

    # ------------------------------------------------------------ commands

    def hear_commands(self) -> None:
        for line in sys.stdin:
            self.commands.append(json.loads(line))
            self.ring.send(b"!")
        self.ended = True
        self.ring.send(b"!")

    def obey(self, do: str, **more: Any) -> Any:
        """mute (functions), exception (code), busy (exception 6), well (none), late (ms, the next answer only),
        freeze, thaw, refuse (no listener), listen (accepted by the kernel, nobody serves), serve, reset (all
        connections), bit, toggle, counts."""
        if do in ("freeze", "thaw"):
            self.frozen = do == "freeze"
        elif do == "refuse":
            if self.listener is not None:
                self.listener.close()
            self.listener = None
        elif do in ("listen", "serve"):
            self.accepting = do == "serve"
            self.listen()
        elif do == "reset":
            for peer in list(self.peers):
                self.drop(peer)
        elif do == "mute":
            self.mute = set(more["functions"])
        elif do in ("busy", "well"):
            self.exception = 6 if do == "busy" else 0
        elif do == "exception":
            self.exception = more["code"]
        elif do == "late":
            self.late_once_ns = more["ms"] * MS
        elif do == "bit":
            self.bits[more["place"]] = more["value"]
        elif do == "toggle":
            self.begin_toggling(more["points"], more["mean_ms"])
        return {
            "now_ns": time.perf_counter_ns(),
            "open": len(self.peers),
            "accepted": self.accepted,
            "most_open": self.most_open,
            "bits": self.bits,
            "registers": self.registers,
        }

    def begin_toggling(self, points: int, mean_ms: float) -> None:
        self.mean_ns = int(mean_ms * MS)
        self.toggles = []
        if self.mean_ns:
            for point in range(points):
                self.plan(point, time.perf_counter_ns())
        elif self.truth is not None:
            self.truth.flush()

    def listen(self) -> None:
        if self.listener is None:
            self.listener = socket.socket()
            self.listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self.listener.bind(self.address)
            self.listener.listen(8)
            self.address = self.listener.getsockname()


def main() -> None:
    """Serve until standard input ends."""
    server = Server(**json.loads(sys.argv[1]))
    print(json.dumps({"port": server.address[1]}), flush=True)
    server.run()


if __name__ == "__main__":
    main()
