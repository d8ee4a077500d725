"""Row (c): bounds against a server that logs what was true and when; row (d): a host that really goes dark."""

from __future__ import annotations

import itertools
import os
import shutil
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from measuring import HERE, Lacking, Row

sys.path.insert(0, str(HERE.parents[1] / "helpers"))
sys.path.insert(0, str(HERE.parents[1] / "observer"))
from restart_bench.model.condensing import Records
from restart_bench.model.rig import Device, Point
from restart_bench.model.samples import SampleKind
from restart_bench.observer.handle import ObserverHandle
from restart_bench.observer.link import EVERY_NS
from stand_in import MS, StandIn
from transitions import Transition, changed_within, read_transitions

S = 1_000_000_000
POINTS = 64
MEAN_MS = 50.0
OUTAGE_EVERY_S = 5.0
WIDTH_GOAL = 1.03
LATE_GOAL_MS = 1.0
KERNEL_ASKS_EVERY_NS = S  # retrans_time_ms of the neighbour table, unless somebody changed it
Numbers = npt.NDArray[np.int64]


@dataclass
class Found:
    """What a comparison with the truth came to."""

    true: int = 0
    seen: int = 0
    outside: int = 0
    outside_if_moved: int = 0
    hidden: int = 0
    hidden_longer: int = 0

    def add(self, transitions: list[Transition], sent: Numbers, received: Numbers, values: Numbers, by_ns: int) -> None:
        """One point; `by_ns` is how far its reads are moved to see whether that would be noticed."""
        self.true += len(transitions)
        changes = np.flatnonzero(values[1:] != values[:-1])
        self.seen += len(changes)
        for early, late, value in zip(sent[changes], received[changes + 1], values[changes + 1], strict=True):
            self.outside += not changed_within(transitions, int(early), int(late), bool(value))
            moved = changed_within(transitions, int(early) + by_ns, int(late) + by_ns, bool(value))
            self.outside_if_moved += not moved
        for (begun, surely_on, value), (surely_till, over, _) in itertools.pairwise(transitions):
            first, last = int(np.searchsorted(received, begun)), int(np.searchsorted(sent, over, "right"))
            if not 0 < first <= last < len(sent) or (values[first:last] == value).any():
                continue
            self.hidden += 1
            excluded = int((received[first : last + 1] - sent[first - 1 : last]).max())
            self.hidden_longer += surely_till - surely_on > excluded


def true_bounds(transitions: int, speeds: tuple[int, ...] = (100, 500, 0)) -> list[Row]:
    """(c) So many true transitions, shared by the speeds, with outages."""
    rows, total = [], Found()
    for hertz in speeds:
        found, widths = watched(hertz, transitions // len(speeds))
        for name in vars(total):
            setattr(total, name, getattr(total, name) + getattr(found, name))
        periods = widths * hertz / S if hertz else widths / MS
        p5, p50, p95, p99 = np.percentile(periods, (5, 50, 95, 99)).tolist()
        unit = "periods" if hertz else "ms"
        goal = hertz == 100
        rows.append(
            Row(
                f"width of a change at {hertz or 'free running'}{' Hz' if hertz else ''}",
                "the poll's period" if hertz else "",
                f"p5 {p5:.3f}, p50 {p50:.3f}, p95 {p95:.3f}, p99 {p99:.3f} {unit}",
                f"p50 at most {WIDTH_GOAL}" if goal else "",
                p50 <= WIDTH_GOAL if goal else None,
            )
        )
    told = (
        f"{total.true} true, {total.seen} seen, {total.outside} outside ({total.outside_if_moved} if moved by a poll)"
    )
    hidden = f"{total.hidden} pulses hidden, {total.hidden_longer} of them longer than what is excluded"
    sharp = total.outside_if_moved > total.seen / 10 and total.hidden > 0
    return [
        *rows,
        Row("bounds of changes", "the server's log", told, "0 outside", total.outside == 0 and sharp),
        Row("hidden pulses", "the server's log", hidden, "0 longer", total.hidden_longer == 0 and sharp),
    ]


def watched(hertz: int, transitions: int) -> tuple[Found, Numbers]:
    """Polls through outages until there were so many transitions; what was found, and the widths of the changes."""
    points = [Point(f"b{place}", "controller", "coil", place) for place in range(POINTS)]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        with StandIn(folder / "truth.jsonl") as server:
            poll_ns = S // hertz if hertz else 1
            device = Device("controller", "127.0.0.1", server.port, poll_ns=poll_ns, answer_within_ns=50 * MS)
            with ObserverHandle([device], points, folder) as observing:
                server.do("toggle", points=POINTS, mean_ms=MEAN_MS)
                end = time.monotonic() + transitions * MEAN_MS / 1e3 / POINTS
                while time.monotonic() < end:
                    time.sleep(OUTAGE_EVERY_S)
                    outage(server)
                server.do("toggle", points=0, mean_ms=0)
                time.sleep(0.3)
                records = observing.samples(0)["controller"].records
        truth = read_transitions(folder / "truth.jsonl", ("image",))
    good = records[records["kind"] == SampleKind.GOOD]
    sent, received = good["sent_ns"].astype(np.int64), good["received_ns"].astype(np.int64)
    found, widths = Found(), []
    for point in points:
        values = good[f"p:{point.name}"].astype(np.int64)
        found.add(truth[point.name], sent, received, values, round(1.2 * (S / hertz if hertz else MS)))
        changes = np.flatnonzero(values[1:] != values[:-1])
        widths.append(received[changes + 1] - sent[changes])
    return found, np.concatenate(widths)


def outage(server: StandIn) -> None:
    """Silent, refused, accepted and silent, then back: values go on changing all the time."""
    server.do("freeze")
    time.sleep(0.3)
    for command in ("refuse", "reset", "thaw"):
        server.do(command)
    time.sleep(0.2)
    server.do("listen")
    time.sleep(0.2)
    server.do("serve")


# ---------------------------------------------------------------- a host that is really dark


def dark_host(times: int) -> list[Row]:
    """(d) How late loss and return are noticed, with a neighbour entry that stays and with one that was forgotten."""
    if os.geteuid() != 0 or shutil.which("ip") is None:
        raise Lacking("network namespaces need root and iproute2 (sudo apt-get install iproute2)")
    from test_dark_host import HERE as NEAR
    from test_dark_host import THERE, DarkHost, ip

    known, forgotten, noticed = [], [], []
    host = DarkHost()
    try:
        for turn in range(times):
            entry = ("lladdr", host.hardware_address(), "dev", host.cable, "nud", "permanent")
            ip("neigh", "replace", THERE, *entry)
            lost, late = darkness(host, turn)
            noticed.append(lost)
            known.append(late)
            ip("neigh", "del", THERE, "dev", host.cable)
            forgotten.append(darkness(host, turn, forget=True)[1])
    finally:
        host.close()
    assert NEAR
    lost_ms, late_ms, worst_ms = (
        statistics.median(noticed) / MS,
        statistics.median(known) / MS,
        max(forgotten) / MS,
    )
    most_ms = (KERNEL_ASKS_EVERY_NS + 2 * EVERY_NS) / MS
    return [
        Row("loss noticed", "answer_within of 50 ms", f"{lost_ms:.1f} ms (largest {max(noticed) / MS:.1f})"),
        Row(
            "first answer late, neighbour known",
            "the server's first instant",
            f"{late_ms:.2f} ms (largest {max(known) / MS:.1f}) in {times} turns",
            f"at most {LATE_GOAL_MS:g} ms",
            late_ms <= LATE_GOAL_MS,
        ),
        Row(
            "first answer late, neighbour forgotten",
            "the kernel asks once a second",
            f"{statistics.median(forgotten) / MS:.0f} ms (largest {worst_ms:.0f})",
            f"largest at most {most_ms:.0f} ms",
            worst_ms <= most_ms,
        ),
    ]


def darkness(host: object, turn: int, *, forget: bool = False) -> tuple[int, int]:
    """One cut: how long after it the first silence was told, and how long after serving the first good answer came."""
    from test_dark_host import DarkHost, came, first_ns, ip, of_kind, records, until, watch

    assert isinstance(host, DarkHost)
    with tempfile.TemporaryDirectory() as folder, watch(Path(folder)) as observing:
        time.sleep(0.2 + 0.013 * (turn % 7))
        host.cut()
        if forget:
            ip("neigh", "flush", "dev", host.cable)
        time.sleep(3.2 + 0.17 * (turn % 6))
        host.power_up()
        host.server = host._start("serve" if forget else "listen")
        if not forget:
            time.sleep(0.1)
        serving_ns = host.server.do("counts" if forget else "serve")["now_ns"]
        until(lambda: came(observing, SampleKind.GOOD, host.back_ns), "good")
        after: Records = records(observing, host.cut_ns)
    lost = first_ns(after[after["sent_ns"] > host.cut_ns - 50 * MS], SampleKind.SILENT) - host.cut_ns
    good = of_kind(after[after["received_ns"] > host.back_ns], SampleKind.GOOD)
    return lost, max(0, int(good["received_ns"][0]) - serving_ns)
