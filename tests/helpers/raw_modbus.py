"""A Modbus TCP client of a few lines that knows nothing of the code under test: bytes out, bytes in."""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Callable
from types import TracebackType

LIMIT_S = 5.0  # a hang is caught by this; nothing is measured with it


class RawClient:
    """One connection. PDUs are bytes or hexadecimal text."""

    def __init__(self, port: int, *, unit: int = 1, within_s: float = LIMIT_S) -> None:
        self._unit = unit
        self.socket = socket.create_connection(("127.0.0.1", port), within_s)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._transaction = 0

    def __enter__(self) -> RawClient:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.socket.close()

    def send(self, adu: bytes | str) -> None:
        """Send bytes as they are."""
        self.socket.sendall(adu if isinstance(adu, bytes) else bytes.fromhex(adu))

    def receive(self, *, within_s: float = LIMIT_S) -> bytes:
        """One whole ADU. Raises TimeoutError, ConnectionError."""
        self.socket.settimeout(within_s)
        header = self._exactly(6)
        return header + self._exactly(int.from_bytes(header[4:6], "big"))

    def ask(self, pdu: bytes | str, *, unit: int | None = None, within_s: float = LIMIT_S) -> bytes:
        """Send a request and give the PDU of the answer to it."""
        body = pdu if isinstance(pdu, bytes) else bytes.fromhex(pdu)
        self._transaction = self._transaction % 65535 + 1
        self.send(
            struct.pack(">HHHB", self._transaction, 0, len(body) + 1, self._unit if unit is None else unit) + body
        )
        while True:
            answer = self.receive(within_s=within_s)
            if int.from_bytes(answer[0:2], "big") == self._transaction:
                return answer[7:]

    def asked(self, pdu: str, *, unit: int | None = None) -> str:
        """The same in hexadecimal text, as specifications print it."""
        return self.ask(pdu, unit=unit).hex(" ").upper()

    def _exactly(self, count: int) -> bytes:
        got = b""
        while len(got) < count:
            part = self.socket.recv(count - len(got))
            if not part:
                raise ConnectionError("the server closed the connection")
            got += part
        return got


def wait_until(condition: Callable[[], bool], what: str, *, within_s: float = LIMIT_S) -> None:
    """Wait for something that has to come. Raises AssertionError if it does not."""
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, f"waited {within_s} s in vain: {what}"
        time.sleep(0.002)
