"""How fast the codec is, side by side with a general Modbus client, in one run on one machine. Absolute figures are of
the machine, so only ratios are asserted. The whole observer is measured by `python tests/benchmarks/watching`.
"""

from __future__ import annotations

import logging
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

sys.path.insert(0, str(Path(__file__).resolve().parent / "watching"))
from measuring import Lacking, programs, ratio_row, table

from restart_bench.model.rig import Device, Point
from restart_bench.observer.modbus import Frame, FrameReader, plan_requests, read_answer

COILS = [Point(f"b{place}", "controller", "coil", place) for place in range(32)]
REGISTERS = [Point(f"r{place}", "controller", "holding_register", place, type="uint16") for place in range(16)]
POINTS = [*COILS, *REGISTERS]


@pytest.fixture(scope="module")
def prompt_port() -> Iterator[int]:
    """A server that does next to nothing, so that the clients are what is measured: it knows two answers."""
    process = subprocess.Popen([sys.executable, "-c", PROMPT], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    assert process.stdout is not None
    yield int(process.stdout.readline())
    process.stdin.close()
    process.stdout.close()
    process.wait(10)


PROMPT = """
import os, socket, sys, threading
ANSWERS = {1: bytes([0, 0, 0, 7, 1, 1, 4]) + bytes(4), 3: bytes([0, 0, 0, 35, 1, 3, 32]) + bytes(32)}

def serve(peer):
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while data := peer.recv(64):
        peer.send(data[:2] + ANSWERS[data[7]])

listener = socket.create_server(("127.0.0.1", 0))
print(listener.getsockname()[1], flush=True)
threading.Thread(target=lambda: [threading.Thread(target=serve, args=(listener.accept()[0],), daemon=True).start()
                                 for _ in range(9)], daemon=True).start()
sys.stdin.read()
os._exit(0)
"""


def own_sample(port: int) -> Callable[[], object]:
    """32 coils and 16 registers as the link asks for them: frames encoded once, decoded into point values."""
    device = Device("controller", "127.0.0.1", port)
    requests = [(request, Frame(1, request.pdu)) for request in plan_requests(device, POINTS)]
    sock, reader = socket.create_connection(("127.0.0.1", port)), FrameReader()
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def sample() -> object:
        values: tuple[float, ...] = ()
        for number, (request, frame) in enumerate(requests):
            sock.send(frame.numbered(number))
            replies = reader.feed(sock.recv(4096))
            values += read_answer(request, replies[0][1])[1]
        return values

    return sample


def pymodbus_sample(port: int) -> Callable[[], object]:
    """The same by pymodbus' synchronous client."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    client = ModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=1)
    client.connect()
    return lambda: (client.read_coils(0, count=32).bits, client.read_holding_registers(0, count=16).registers)


def rate(sample: Callable[[], object], seconds: float) -> float:
    """Samples a second, as many as go."""
    done, end = 0, time.perf_counter() + seconds
    while time.perf_counter() < end:
        sample()
        done += 1
    return done / seconds


def test_the_own_codec_keeps_up_with_a_general_client(prompt_port: int) -> None:
    """The same server, the same points, taking turns; the best of three turns each. (It is faster by a tenth to a half,
    which a shared machine can hide.)"""
    own, general = own_sample(prompt_port), pymodbus_sample(prompt_port)
    rates = [(rate(own, 0.4), rate(general, 0.4)) for _ in range(3)]
    ours, theirs = max(a for a, _ in rates), max(b for _, b in rates)
    print(f"\ntight loop: own {ours:.0f}, pymodbus sync {theirs:.0f} samples/s, ratio {ours / theirs:.2f}")
    assert ours > 0.8 * theirs


def test_what_a_benchmark_lacks_is_said_by_name(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without a compiler nothing is compared with the C client, and nobody has to guess why."""
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Lacking, match="no C compiler: sudo apt-get install gcc"):
        programs()


def test_the_table_says_what_was_missed() -> None:
    """Each line names what it is compared with and its goal; the ratio is the median of all turns."""
    told = table([ratio_row("ours", "theirs", [0.7, 0.8, 2.0], 0.9), ratio_row("ours", "others", [1.6, 1.4, 1.5], 1.4)])
    missed, kept = told.splitlines()[1:]
    assert " ".join(missed.split()) == "MISSED ours theirs 0.80 (0.70 to 2.00 in 3 turns) at least 0.9"
    assert " ".join(kept.split()) == "ok ours others 1.50 (1.40 to 1.60 in 3 turns) at least 1.4"
