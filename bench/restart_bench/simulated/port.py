"""One TCP port that can lose its power as a real device does, without root, stage by stage.

on -> dark: no FIN, no RST; whoever connects gets no answer, whoever is connected gets no answer.
dark -> refusing: the stack is back: connects are refused, old connections are reset.
refusing -> silent: connects are accepted by the kernel, nobody answers.
silent -> on: requests are answered.

A full listen queue stays silent on Linux; other systems may refuse instead, and the bench then records what it sees.
"""

from __future__ import annotations

import asyncio
import random
import socket
import struct
import sys

from restart_bench.simulated.wire import Connection, HeedWrite, Server, WireDevice

HOST = "127.0.0.1"
PORTS = range(20_000, 32_000)  # below every system's range for outgoing connections
BACKLOG = 64
OWN_CONNECTS = 3 if sys.platform == "linux" else 16
_LINGER = struct.pack("hh" if sys.platform == "win32" else "ii", 1, 0)  # close sends RST, not FIN


class PortTaken(OSError):
    """A port that was asked for can't be opened; the message names it and whose it was to be."""


class Port:
    """The port of one device. All methods but `open` act at once and may be called in any order."""

    def __init__(self, device: WireDevice) -> None:
        self._server = Server(device)
        self._listener: socket.socket | None = None
        self._holder: socket.socket | None = None
        self._fillers: list[socket.socket] = []
        self._held: list[Connection] = []
        self._accepting: asyncio.Task[None] | None = None
        self.number = 0

    def heed_writes(self, heed: HeedWrite) -> None:
        """From now on `heed` is told of every well-formed request to write, also of those that are refused."""
        self._server.heed_write = heed

    async def open(self, number: int = 0) -> int:
        """Take this port (0: a free one) and answer on it. Raises OSError where it can't be had."""
        self.number = number or free_port()
        if sys.platform != "win32":  # keeps the port while nobody listens on it
            self._holder = _bound(self.number)
        self.answer()
        return self.number

    def dark(self) -> None:
        """Power is lost."""
        self._stop_accepting()
        held = [client for client in self._server.clients if not client.held]
        for client in held:
            client.hold()
        self._held += held
        if self._listener is None:
            self._listener = _bound(self.number)
        self._listener.listen(0)
        self._fill_queue()

    def refuse(self) -> None:
        """The network stack is up, the server is not."""
        self._stop_accepting()
        self._close_listener()
        held, self._held = self._held, []
        for client in held:
            _reset(client)

    def hush(self) -> None:
        """The server listens and does not serve yet."""
        self.refuse()
        self._listener = _bound(self.number)
        self._listener.listen(BACKLOG)

    def answer(self) -> None:
        """The server serves."""
        if self._listener is None or self._fillers or self._held:
            self.hush()
        if self._accepting is None and self._listener is not None:
            self._accepting = self._server.tasks.start(self._accept(self._listener))

    def close(self) -> None:
        """Let go of everything."""
        self._stop_accepting()
        self._close_listener()
        for client in [*self._server.clients]:
            _reset(client)
        if self._holder is not None:
            self._holder.close()
            self._holder = None

    async def _accept(self, listener: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                connection, _ = await loop.sock_accept(listener)
                await loop.connect_accepted_socket(self._server.handle_new_connection, connection)
            except OSError:  # the client has gone again
                await asyncio.sleep(0)

    def _stop_accepting(self) -> None:
        if self._accepting is not None:
            self._accepting.cancel()
            self._accepting = None

    def _close_listener(self) -> None:
        for filler in self._fillers:
            filler.close()
        self._fillers = []
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _fill_queue(self) -> None:
        """Connects of our own that are never accepted: the kernel then drops every further one."""
        while len(self._fillers) < OWN_CONNECTS:
            filler = socket.socket()
            filler.setblocking(False)
            filler.connect_ex((HOST, self.number))
            self._fillers.append(filler)


def free_port() -> int:
    """A port that nobody has bound."""
    for number in random.sample(PORTS, 200):
        with socket.socket() as trial:
            try:
                trial.bind((HOST, number))
            except OSError:
                continue
            return number
    raise OSError(f"no free port found in {PORTS.start}..{PORTS.stop - 1}; close what uses them")


def _bound(number: int) -> socket.socket:
    # with the protocol named, asyncio switches Nagle's algorithm off for what is accepted here
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if sys.platform != "win32":  # there it would let two servers share the port
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    bound.bind((HOST, number))
    bound.setblocking(False)
    return bound


def _reset(client: Connection) -> None:
    """End a connection with RST."""
    transport = client.transport
    if not isinstance(transport, asyncio.Transport) or transport.is_closing():
        return
    inner = transport.get_extra_info("socket")
    if inner is not None:
        inner.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _LINGER)
    transport.abort()
