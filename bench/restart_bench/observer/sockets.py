"""What differs between operating systems about sockets, timers and priorities, in one place."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import socket
import struct
import sys
from pathlib import Path

_TCP_USER_TIMEOUT = 18  # Linux: how long unacknowledged data may wait before the kernel gives a connection up
_TCP_RTO_MAX_MS = 44  # Linux 6.15 and newer: the longest pause between two retransmissions
_PR_SET_TIMERSLACK = 29
_HOUR_MS = 3_600_000
_BRIEFLY = struct.pack("@ll", 0, 4_000)  # seconds, microseconds
_WSAEWOULDBLOCK, _WSAECONNREFUSED = 10035, 10061
_UNDER_WAY = {errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EINTR, _WSAEWOULDBLOCK}
_REFUSED = {errno.ECONNREFUSED, _WSAECONNREFUSED}

PeerAddress = tuple[str, int] | tuple[str, int, int, int]


def resolve(host: str, port: int) -> tuple[int, PeerAddress]:
    """Address family and address, looked up once: a name look-up would block the sampler. Raises OSError."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError as fault:
        raise OSError(f"{host} is no address and no known name ({fault}); write an IP address") from fault
    family, _, _, _, address = found[0]
    return family, address  # type: ignore[return-value]  # the stubs also know families without IP


def begin_connect(family: int, address: PeerAddress) -> tuple[socket.socket, int | None]:
    """Begin a connect without waiting. The second value is None while it is under way, else its result (0: done,
    or an error number). Raises OSError where there is no socket to be had."""
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setblocking(False)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        _keep_asking(sock)
        result = sock.connect_ex(address)
    except OSError:
        sock.close()
        raise
    return sock, None if result in _UNDER_WAY else result


def _keep_asking(sock: socket.socket) -> None:
    """So that unanswered data goes on being repeated, and often: its fate on the old connection is evidence."""
    if sys.platform == "linux":
        for option, value in ((_TCP_USER_TIMEOUT, _HOUR_MS), (_TCP_RTO_MAX_MS, 1000)):
            with contextlib.suppress(OSError):  # an older kernel
                sock.setsockopt(socket.IPPROTO_TCP, option, value)


_NEIGHBOURS = Path("/proc/net/arp")
_COMPLETE = 0x2  # of its column "Flags": the hardware address is known


def asked_for_on(host: str) -> str:
    """The interface on which this computer asks the network for a host's hardware address and has no answer yet; ""
    where it does not, and where that is not known (anything but Linux, names, IPv6)."""
    try:
        rows = [line.split() for line in _NEIGHBOURS.read_text(encoding="ascii").splitlines()[1:]]
        return next((row[-1] for row in rows if row[0] == host and not int(row[2], 16) & _COMPLETE), "")
    except (OSError, ValueError, IndexError):
        return ""


def wait_briefly(sock: socket.socket) -> None:
    """Let what is received on a connected socket be waited for, some milliseconds at most (BlockingIOError then).
    Where the system does not take that, nothing is waited for."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, _BRIEFLY)
        sock.setblocking(True)


def connect_problem(number: int) -> tuple[bool, str]:
    """Whether this error of a connect is a refusal by the peer, and its text."""
    return number in _REFUSED, os.strerror(number)


def tune_process() -> None:
    """Wake up as exactly as this system allows. Whatever it does not allow is left as it is. To be called before
    threads are started: they inherit it, so that none that holds the interpreter is kept waiting by others."""
    sys.setswitchinterval(0.0005)
    with contextlib.suppress(Exception):  # none of this is needed, only good to have
        if sys.platform == "linux":
            ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0)
        elif sys.platform == "win32":
            ctypes.windll.winmm.timeBeginPeriod(1)
            high = 0x80
            ctypes.windll.kernel32.SetPriorityClass(ctypes.windll.kernel32.GetCurrentProcess(), high)
    _ask_for_precedence()


def _ask_for_precedence() -> None:
    """Before the drawing and judging parent, where this user may: the sampler sleeps nearly all the time. On a
    computer with one core it is not put before everything, for there it could keep its own parent from acting."""
    if sys.platform == "linux" and (os.cpu_count() or 1) > 1:
        with contextlib.suppress(OSError, AttributeError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
            return
    with contextlib.suppress(OSError, AttributeError):
        os.setpriority(os.PRIO_PROCESS, 0, -10)
