"""Connections to a supply over TCP: opened with an error that says what to check, and looked at before use."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import TypeVar

from restart_bench_drivers.interface import SupplyError

T = TypeVar("T")


class ConnectionLost(Exception):
    """The connection was there and is not any more, or nothing came back over it; says what to check."""


def connected(what: str, host: str, port: int, within_s: float) -> socket.socket:
    """A connected socket without send delay. `what` names the supply in the SupplyError raised otherwise."""
    where = f"{what} at {host}:{port}"
    try:
        fresh = socket.create_connection((host, port), timeout=within_s)
    except ConnectionRefusedError as refused:
        raise SupplyError(
            f"{where} refuses the connection: something has this address, but nothing listens on this port; "
            f"check `host:` and `port:`, and whether the supply allows one connection only and another program holds it"
        ) from refused
    except socket.gaierror as unknown:
        raise SupplyError(f"{where}: the name is not known; write `host:` as an IP address") from unknown
    except OSError as silent:
        raise SupplyError(
            f"{where} can't be reached ({silent}): check its own supply, the cable, `host:`, and that this computer "
            f"has an address in the same network"
        ) from silent
    fresh.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return fresh


def dropped(connection: socket.socket) -> bool:
    """True if the peer has closed this connection while it was idle. Leaves its time-out as it was."""
    within_s = connection.gettimeout()
    try:
        connection.setblocking(False)
        return connection.recv(1, socket.MSG_PEEK) == b""
    except (BlockingIOError, InterruptedError):
        return False
    except OSError:
        return True
    finally:
        connection.settimeout(within_s)


class AskedTwice:
    """A supply behind a connection that may be lost: then it is asked once more on a new one, which `retries` counts.
    What it is told is told again with that; to go to the same state once more does no harm."""

    retries = 0
    _closed = False

    @property
    def _name(self) -> str:
        raise NotImplementedError

    def _asked(self, ask: Callable[[], T]) -> T:
        if self._closed:
            raise SupplyError(f"{self._name} has been closed; open the supply again")
        try:
            return ask()
        except ConnectionLost:
            self.retries += 1
        try:
            return ask()
        except ConnectionLost as lost:
            raise SupplyError(f"{self._name}: {lost}") from lost
