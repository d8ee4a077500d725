"""Rows (a), (b) and (e): how fast, how evenly, how many, side by side with other clients of the same server."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

from clients import LOOK_EVERY_NS, POINTS, S, time_of
from measuring import C_CLIENT, FIRST, HERE, ONE_CORE, Figures, Row, measured, programs, ratio_row, serving

from restart_bench.model.rig import Device, Point
from restart_bench.observer.handle import ObserverHandle

OTHERS = ("pymodbus-sync", "pymodbus-async", "pyModbusTCP")
FREE_GOAL, ONE_CORE_GOAL, GENERAL_GOAL = 1.0, 0.9, 1.4
EVEN_GOAL = 1.2
RATE_GOAL = 499.5
MISSED_GOAL = 0.01


def free_running(turns: int, seconds: float, *, others: bool = True) -> list[Row]:
    """(a) As fast as it goes: all clients by turns, with two cores and with one for server, client and parent."""
    server, client = programs()
    rows = []
    for cores, where, goal in (((), "free", FREE_GOAL), (ONE_CORE, "one core", ONE_CORE_GOAL)):
        before = (*FIRST, *cores)
        names = (C_CLIENT, "observer", *(OTHERS if others else ()))
        told: dict[str, list[Figures]] = {name: [] for name in names}
        with serving(server, *before) as port:
            for _ in range(turns):
                for name in names:
                    told[name].append(measured(name, client, port, 0, seconds, *before))
        rates = {name: [one.rate for one in each] for name, each in told.items()}
        absolute = ", ".join(f"{name} {statistics.median(each):.0f}/s" for name, each in rates.items())
        print(f"{where}: {absolute}", flush=True)
        costs = [ours.cpu / theirs.cpu for ours, theirs in zip(told["observer"], told[C_CLIENT], strict=True)]
        rows.append(ratio_row(f"processor time, {where}: observer and parent", C_CLIENT, costs))
        for name in names[1:]:
            ratios = [ours / theirs for ours, theirs in zip(rates[name], rates[C_CLIENT], strict=True)]
            rows.append(ratio_row(f"{name}, {where}", C_CLIENT, ratios, goal if name == "observer" else None))
        if others:
            ratios = [ours / theirs for ours, theirs in zip(rates["observer"], rates["pymodbus-sync"], strict=True)]
            rows.append(ratio_row(f"observer, {where}", "pymodbus' sync client", ratios, GENERAL_GOAL))
    return rows


def paced(turns: int, seconds: float, speeds: tuple[int, ...] = (100, 500, 1000)) -> list[Row]:
    """(b) By deadlines, beside the live screen and a journal; the C client beside the same load."""
    server, client = programs()
    rows = []
    with serving(server, *FIRST) as port:
        for hertz in speeds:
            ours, theirs = [], []
            for _ in range(turns):
                with load(seconds):
                    theirs.append(measured(C_CLIENT, client, port, hertz, seconds, *FIRST))
                ours.append(measured("observer-shown", client, port, hertz, seconds))
            rows += paced_rows(hertz, ours, theirs)
    return rows


@contextmanager
def load(seconds: float) -> Iterator[None]:
    """Screen and journal beside another client."""
    words = [sys.executable, str(HERE / "clients.py"), "shown", "0", "0", str(seconds + 1)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        yield


def paced_rows(hertz: int, ours: list[Figures], theirs: list[Figures]) -> list[Row]:
    """Rate, and the percentiles of the gaps, of all turns."""
    rate = statistics.median(one.rate for one in ours)
    other = statistics.median(one.rate for one in theirs)
    goal = f"at least {RATE_GOAL}" if hertz == 500 else ""
    rows = [
        Row(
            f"observer, {hertz} Hz beside the screen",
            f"{C_CLIENT} likewise",
            f"{rate:.1f} against {other:.1f} samples/s",
            goal,
            rate >= RATE_GOAL if goal else None,
        )
    ]
    for name in ("p50", "p99", "p999"):
        mine = [getattr(one, name) for one in ours]
        its = [getattr(one, name) for one in theirs]
        ratio = statistics.median(mine) / statistics.median(its)
        told = f"{statistics.median(mine) / 1e3:.0f} against {statistics.median(its) / 1e3:.0f} us: {ratio:.2f}"
        wanted = hertz == 500 and name != "p50"
        rows.append(
            Row(
                f"  gap {name.replace('p999', 'p99.9')}",
                f"{C_CLIENT} likewise",
                told,
                f"at most {EVEN_GOAL:g}" if wanted else "",
                ratio <= EVEN_GOAL if wanted else None,
            )
        )
    return rows


def many(rigs: int, hertz: int, seconds: float) -> list[Row]:
    """(e) So many observers with two devices each, in one bench that looks ten times a second at all of them."""
    server, _ = programs()
    with serving(server) as port, tempfile.TemporaryDirectory() as place, ExitStack() as stack:
        devices = [Device(name, "127.0.0.1", port, poll_ns=S // hertz) for name in ("controller", "independent")]
        points = [replace(each, name=f"{d.name}_{each.name}", device=d.name) for d in devices for each in POINTS]
        observing = []
        for number in range(rigs):
            folder = Path(place) / str(number)
            folder.mkdir()
            observing.append(stack.enter_context(ObserverHandle(devices, points, folder)))
        look_for(observing, points, 2.0)
        before, used_before, begun = sum(map(done, observing)), used_ns(observing), time.perf_counter()
        look_for(observing, points, seconds)
        after, took = sum(map(done, observing)), time.perf_counter() - begun
        used = (used_ns(observing) - used_before) / S / took
        share = 1 - (after - before) / (rigs * len(devices) * hertz * took)
    told = f"{share:.2%} of the deadlines missed; bench and observers take {used:.2f} of {os.cpu_count()} cores"
    what = f"{rigs} observers, {rigs * len(devices)} devices at {hertz} Hz"
    return [Row(what, "the deadlines", told, f"under {MISSED_GOAL:.0%}", share < MISSED_GOAL)]


def look_for(observing: list[ObserverHandle], points: list[Point], seconds: float) -> None:
    """What a bench does with all of them while it waits."""
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        for one in observing:
            one.look(time.perf_counter_ns())
            for point in points:
                one.latest(point.name)
            one.moved()
        time.sleep(LOOK_EVERY_NS / S)


def done(observing: ObserverHandle) -> float:
    """Samples of two good reads so far, over all devices."""
    return sum(device["kinds"]["good"] / 2 for device in observing.statistics()["devices"].values())


def used_ns(observing: list[ObserverHandle]) -> int:
    """Processor time of this process and of all observers."""
    return time.process_time_ns() + sum(time_of(one.pid) for one in observing)
