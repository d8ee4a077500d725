"""The clients that are measured, each as a program of its own: `clients.py NAME PORT HERTZ SECONDS`.

A sample is 32 coils and 16 registers, two requests. HERTZ 0: as fast as it goes. Printed at the end: the processor time
that all of it took (ns, and 0), then "sent received" of each read of the coils. `observer` is ours with its full
bookkeeping (samples to the file, the parent that looks ten times a second at every point and at what moved);
`observer-shown` draws the live screen and writes a journal beside it. `shown` is screen and journal alone, as a load
beside another client.
"""

from __future__ import annotations

import asyncio
import io
import itertools
import logging
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "helpers"))
from restart_bench.model.rig import Device, Point

S = 1_000_000_000
COILS = [Point(f"b{place}", "controller", "coil", place) for place in range(32)]
REGISTERS = [Point(f"r{place}", "controller", "holding_register", place, type="uint16") for place in range(16)]
POINTS = [*COILS, *REGISTERS]
SYNC_EVERY_NS = S  # as often as a run has commands to announce, or more
LOOK_EVERY_NS = S // 10

Instants = list[tuple[int, int]]
Measured = tuple[int, Instants]
"""Processor time in ns, and the instants."""
Reads = tuple[Callable[[], object], Callable[[], object]]


# ---------------------------------------------------------------- other clients


def general_reads(name: str, port: int) -> Reads:
    """Both requests of a sample by a general client."""
    if name == "pymodbus-sync":
        from pymodbus.client import ModbusTcpClient

        client = ModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=1)
        client.connect()
        return (lambda: client.read_coils(0, count=32).bits), (
            lambda: client.read_holding_registers(0, count=16).registers
        )
    from pyModbusTCP.client import ModbusClient

    other = ModbusClient("127.0.0.1", port, auto_open=True)
    return (lambda: other.read_coils(0, 32)), (lambda: other.read_holding_registers(0, 16))


def sampled(reads: Reads, hertz: int, seconds: float) -> Measured:
    """Samples by absolute deadlines, or as fast as they go."""
    coils, registers = reads
    instants, begun_ns = [], time.process_time_ns()
    for _ in deadlines(hertz, seconds):
        sent = time.perf_counter_ns()
        coils()
        instants.append((sent, time.perf_counter_ns()))
        registers()
    return time.process_time_ns() - begun_ns, instants


def deadlines(hertz: int, seconds: float) -> Iterator[int]:
    """Waits for one deadline after the other; those that passed are left out."""
    deadline = time.perf_counter_ns()
    end, period = deadline + round(seconds * S), S // hertz if hertz else 0
    while (now := time.perf_counter_ns()) < end:
        if period:
            if now < deadline:
                time.sleep((deadline - now) / S)
            deadline += ((time.perf_counter_ns() - deadline) // period + 1) * period
        yield now


async def sampled_async(port: int, seconds: float) -> Measured:
    """The asynchronous client of pymodbus, as fast as it goes."""
    from pymodbus.client import AsyncModbusTcpClient

    client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=1)
    await client.connect()
    begun_ns = time.process_time_ns()
    instants, end = [], time.perf_counter_ns() + round(seconds * S)
    while (sent := time.perf_counter_ns()) < end:
        await client.read_coils(0, count=32)
        instants.append((sent, time.perf_counter_ns()))
        await client.read_holding_registers(0, count=16)
    client.close()
    return time.process_time_ns() - begun_ns, instants


# ---------------------------------------------------------------- ours


def observed(port: int, hertz: int, seconds: float, shown: AbstractContextManager[Callable[[int], None]]) -> Measured:
    """The observer as the runner starts it; this process does what the runner does while it waits."""
    from restart_bench.model.samples import SampleKind
    from restart_bench.observer.handle import ObserverHandle

    device = Device("controller", "127.0.0.1", port, poll_ns=S // hertz if hertz else 1)
    with tempfile.TemporaryDirectory() as folder, ObserverHandle([device], POINTS, Path(folder)) as observing:
        while observing.latest("r0") is None:
            observing.wait_news(0.02)
        with shown as draw:
            observing.set_cycle(1)
            begun_ns = time.process_time_ns() + time_of(observing.pid)
            end = time.perf_counter_ns() + round(seconds * S)
            next_look_ns = 0
            while (now := time.perf_counter_ns()) < end:
                observing.look(now)
                if now >= next_look_ns:
                    next_look_ns = now + LOOK_EVERY_NS
                    for point in POINTS:
                        observing.latest(point.name)
                    observing.moved()
                    draw(now)
                observing.wait_news(0.02)
            took_ns = time.process_time_ns() + time_of(observing.pid) - begun_ns
            observing.set_cycle(2)
        records = observing.samples(1)["controller"].records
    coils = records[(records["request"] == 0) & (records["kind"] == SampleKind.GOOD)]
    return took_ns, list(zip(coils["sent_ns"].tolist(), coils["received_ns"].tolist(), strict=True))


def time_of(pid: int) -> int:
    """Processor time of another process in ns (the clock that Linux has for it)."""
    return time.clock_gettime_ns((~pid << 3) | 2)


class Shown:
    """A live screen that draws what was not read, and a journal that is synced every second."""

    def __init__(self) -> None:
        from rich.console import Console

        from live_values import burner_scenario, cycle_started, dryer_rig, run_started, state
        from restart_bench.screen.screen import LiveScreen

        rig = dryer_rig()
        console = Console(file=io.StringIO(), force_terminal=True, width=140, height=40)
        self._screen = LiveScreen(rig, (burner_scenario(rig),), console, simulated=False)
        self._screen.record(run_started(rig))
        self._screen.record(cycle_started())
        self._state, self._names = state, tuple(rig.points)
        self._journal = tempfile.TemporaryFile()  # noqa: SIM115  # until the end
        self._turns, self._synced_ns = itertools.count(), 0

    def __enter__(self) -> Callable[[int], None]:
        return self.draw

    def __exit__(self, *_: object) -> None:
        self._screen.close()
        self._journal.close()

    def draw(self, now: int) -> None:
        """One state, and one line of the journal."""
        turn = next(self._turns)
        self._screen.live(self._state(now, dict.fromkeys(self._names, turn // 5 % 2 == 0)))
        self._journal.write(b'{"record": "a line of the journal, as long as most of them are"}\n')
        if now - self._synced_ns > SYNC_EVERY_NS:
            self._synced_ns = now
            self._journal.flush()
            os.fsync(self._journal.fileno())


def show_alone(seconds: float) -> None:
    """The load of `observer-shown` without an observer."""
    with Shown() as draw:
        end = time.perf_counter_ns() + round(seconds * S)
        while (now := time.perf_counter_ns()) < end:
            draw(now)
            time.sleep(LOOK_EVERY_NS / S)


def main() -> None:
    """Sample, then print."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    name, port, hertz, seconds = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    if name == "shown":
        print("begun", flush=True)
        show_alone(seconds)
        return
    if name.startswith("observer"):
        quiet: AbstractContextManager[Callable[[int], None]] = nullcontext(lambda _: None)
        took_ns, instants = observed(port, hertz, seconds, Shown() if name == "observer-shown" else quiet)
    elif name == "pymodbus-async":
        took_ns, instants = asyncio.run(sampled_async(port, seconds))
    else:
        took_ns, instants = sampled(general_reads(name, port), hertz, seconds)
    print("\n".join(f"{sent} {received}" for sent, received in [(took_ns, 0), *instants]))


if __name__ == "__main__":
    main()
