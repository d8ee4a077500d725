"""A door in front of the simulated relay: what a relay does that cannot be reached, refuses, or says one thing and
does another. It passes Modbus TCP on byte by byte and keeps a diary of every coil that was asked for."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from dataclasses import dataclass
from typing import Literal

Mode = Literal["open", "gone", "silent", "refusing", "deaf", "stuck"]
READ_COILS, WRITE_COIL = 1, 5
DEVICE_FAILURE = 4  # MODBUS Application Protocol V1.1b3, 7


@dataclass(frozen=True)
class Asked:
    """One request to write the coil: what for, when, and whether the relay got it."""

    coil: bool
    at_ns: int
    passed_on: bool


class RelayDoor:
    """Listens on a port of its own. gone: connects are refused; silent: nobody answers; refusing: every write draws
    exception 04; deaf: a write is acknowledged and nothing moves; stuck: the coil also reads back as it was written,
    only the contact does not follow. `late_s`: writes are passed on so much later."""

    def __init__(self, behind: int) -> None:
        self._behind = behind
        self.asked: list[Asked] = []
        self.late_s = 0.0
        self._told: bool | None = None  # while stuck
        self._mode: Mode = "open"
        self._connections: list[socket.socket] = []
        self._listener = self._listening(0)
        self.port: int = self._listener.getsockname()[1]

    @property
    def mode(self) -> Mode:
        """What the door does now."""
        return self._mode

    @mode.setter
    def mode(self, mode: Mode) -> None:
        before, self._mode = self._mode, mode
        if mode == "gone" and before != "gone":
            self._shut(self._listener)
            for connection in self._connections:
                self._shut(connection)
            self._connections.clear()
        elif before == "gone" and mode != "gone":
            self._listener = self._listening(self.port)

    def close(self) -> None:
        """Let go of everything."""
        self.mode = "gone"

    def _listening(self, port: int) -> socket.socket:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen()
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()
        return listener

    @staticmethod
    def _shut(one: socket.socket) -> None:
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
        one.close()

    def _accept(self, listener: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = listener.accept()
                self._connections.append(client)
                threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self._behind)) as relay:
            while frame := _frame(client):
                answer = self._answer(frame, relay)
                if answer is not None:
                    client.sendall(answer)
        client.close()

    def _answer(self, frame: bytes, relay: socket.socket) -> bytes | None:
        mode = self._mode
        if mode == "silent":
            return None
        if frame[7] == WRITE_COIL:
            self.asked.append(Asked(frame[10] == 0xFF, time.perf_counter_ns(), mode == "open"))
            if mode == "refusing":
                return frame[:4] + b"\x00\x03" + frame[6:7] + bytes((WRITE_COIL | 0x80, DEVICE_FAILURE))
            if mode in ("deaf", "stuck"):
                self._told = frame[10] == 0xFF
                return frame
            time.sleep(self.late_s)
        if mode == "stuck" and frame[7] == READ_COILS and self._told is not None:
            return frame[:4] + b"\x00\x04" + frame[6:7] + bytes((READ_COILS, 1, self._told))
        relay.sendall(frame)
        return _frame(relay)


def _frame(connection: socket.socket) -> bytes:
    """One whole ADU, b"" at the end of the connection."""
    header = _exactly(connection, 6)
    return header + _exactly(connection, int.from_bytes(header[4:6], "big")) if header else b""


def _exactly(connection: socket.socket, count: int) -> bytes:
    got = b""
    while len(got) < count:
        part = connection.recv(count - len(got))
        if not part:
            return b""
        got += part
    return got
