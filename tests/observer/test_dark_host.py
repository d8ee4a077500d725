"""A host that is really dark: its address is gone and its server killed, so nothing acknowledges, resets or refuses.

Network namespaces joined by a virtual cable. Only here do the kernel's own retransmissions, its repeated connects and
its address resolution (ARP) play the part that they play on a bench. Needs Linux, root and iproute2.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.clock import now_ns
from restart_bench.model.condensing import Records
from restart_bench.model.journal import Trouble
from restart_bench.model.outcome import RunOptions
from restart_bench.model.rig import Device, Point
from restart_bench.model.samples import CONNECT, SampleKind
from restart_bench.model.verdicts import Verdict
from restart_bench.observer.handle import ObserverHandle
from restart_bench.report.record.writing import write_record
from restart_bench.run.session import perform
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards
from safety_rig import Seen
from stand_in import MS, StandIn
from tools import lacking, program

HANG_S = 30.0  # only to catch a hang
HERE, THERE = "10.213.77.1", "10.213.77.2"
PORT = 1502
AUGER = Point("auger", "controller", "coil", 0)
FAN = Point("fan", "controller", "discrete_input", 0)
_EVERY_PROTOCOL, _ARP = 0x0003, b"\x08\x06"  # only listeners to every protocol hear what goes out (packet(7))


def ip(*words: str) -> str:
    return subprocess.run(["ip", *words], check=True, capture_output=True, text=True).stdout


class DarkHost:
    """The far end of the cable, with a server that can lose its power."""

    def __init__(self) -> None:
        self.name, self.cable = f"rb{os.getpid()}", f"rb{os.getpid() % 100000}"
        self.far = f"{self.cable}f"
        self.cut_ns = self.back_ns = self.serving_ns = 0
        ip("netns", "add", self.name)
        try:
            self.server = self._wire_up()
        except BaseException:
            self._take_down()
            raise

    def _wire_up(self) -> StandIn:
        ip("link", "add", self.cable, "type", "veth", "peer", "name", self.far, "netns", self.name)
        ip("addr", "add", f"{HERE}/24", "dev", self.cable)
        ip("link", "set", self.cable, "up")
        self._there("link", "set", self.far, "up")
        self._there("addr", "add", f"{THERE}/24", "dev", self.far)
        return self._start("serve")

    def close(self) -> None:
        self.server.process.kill()
        self.server.close()
        self._take_down()

    def _take_down(self) -> None:
        subprocess.run(["ip", "link", "del", self.cable], check=False, capture_output=True)
        ip("netns", "del", self.name)

    def cut(self) -> None:
        """No address, then no server: the resets of the killed process have no way out."""
        self.cut_ns = now_ns()
        self._there("addr", "del", f"{THERE}/24", "dev", self.far)
        self.server.process.kill()
        self.server.close()

    def power_up(self) -> None:
        """The stack is back, and no server yet."""
        self._there("addr", "add", f"{THERE}/24", "dev", self.far)
        self.back_ns = now_ns()

    def boot(self) -> None:
        """Listening, then serving."""
        self.server = self._start("listen")
        time.sleep(0.3)
        self.serving_ns = now_ns()
        self.server.do("serve")

    def hardware_address(self) -> str:
        return self._there("-o", "link", "show", self.far).split("link/ether ")[1].split()[0]

    def _there(self, *words: str) -> str:
        return ip("-n", self.name, *words)

    def _start(self, stage: str) -> StandIn:
        return StandIn(host=THERE, port=PORT, stage=stage, command=("ip", "netns", "exec", self.name))


@pytest.fixture
def host() -> Iterator[DarkHost]:
    if sys.platform != "linux" or os.geteuid() != 0:
        lacking("root and Linux network namespaces", "sudo .venv/bin/pytest tests/observer/test_dark_host.py")
    program("ip")
    made = DarkHost()
    try:
        yield made
    finally:
        made.close()


def watch(folder: Path, connections: int = 2) -> ObserverHandle:
    device = Device("controller", THERE, PORT, answer_within_ns=50 * MS, connections=connections)
    observing = ObserverHandle([device], [AUGER, FAN], folder)
    until(lambda: len(of_kind(records(observing), SampleKind.GOOD)), "contact")
    return observing


def until(met: object, what: str) -> None:
    end = time.monotonic() + HANG_S
    while not met():  # type: ignore[operator]
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.005)


def records(observing: ObserverHandle, since_ns: int = 0) -> Records:
    found: Records = observing.samples(0)["controller"].records
    return found[found["received_ns"] > since_ns]


def of_kind(samples: Records, kind: SampleKind) -> Records:
    found: Records = samples[samples["kind"] == kind]
    return found


def came(observing: ObserverHandle, kind: SampleKind, since_ns: int) -> bool:
    return len(of_kind(records(observing, since_ns), kind)) > 0


def first_ns(samples: Records, kind: SampleKind) -> int:
    return int(of_kind(samples, kind)["received_ns"][0])


def settle_neighbour(host: DarkHost, dark_s: float) -> None:
    """Forget the neighbour, as a while without power makes the kernel do, and stay dark."""
    ip("neigh", "flush", "dev", host.cable)
    time.sleep(dark_s)


@pytest.mark.parametrize("connections", [1, 2, 6])
def test_loss_and_return_are_seen_in_all_their_stages(host: DarkHost, tmp_path: Path, connections: int) -> None:
    """Silence while dark and nothing else; then the reset of the old connection (where it could be kept), refused,
    accepted, answered, each of them not before the host could do it."""
    with watch(tmp_path, connections) as observing:
        old = int(records(observing)["connection"][-1])
        host.cut()
        settle_neighbour(host, 3.5)
        host.power_up()
        until(lambda: came(observing, SampleKind.REFUSED, host.back_ns), "refused")
        host.boot()
        until(lambda: came(observing, SampleKind.GOOD, host.serving_ns), "good")
        if connections > 1:
            until(lambda: came(observing, SampleKind.RESET, host.back_ns), "the old connection's verdict")
        after = records(observing, host.cut_ns)

    dark = after[(after["sent_ns"] > host.cut_ns + 100 * MS) & (after["received_ns"] < host.back_ns - 100 * MS)]
    assert set(dark["kind"].tolist()) == {SampleKind.SILENT}
    assert (dark["request"] == CONNECT).sum() > 10
    since = after[after["received_ns"] > host.back_ns]
    assert first_ns(since, SampleKind.REFUSED) < first_ns(since, SampleKind.ACCEPTED)
    assert first_ns(since, SampleKind.ACCEPTED) < host.serving_ns < first_ns(since, SampleKind.GOOD)
    assert int(of_kind(since, SampleKind.GOOD)["connection"][0]) != old
    resets = of_kind(since, SampleKind.RESET)
    assert (old in resets["connection"]) == (connections > 1)


def test_address_resolution_hides_up_to_a_second_and_a_shorter_pause_cures_it(host: DarkHost, tmp_path: Path) -> None:
    """The kernel asks for a lost neighbour once a second, however often one connects: connects begun after the
    return stay silent. With `retrans_time_ms` at 50 they don't. So a silent attempt proves nothing."""
    late = {}
    pause = Path(f"/proc/sys/net/ipv4/neigh/{host.cable}/retrans_time_ms")
    with watch(tmp_path) as observing:
        for pause_ms in (1000, 50):
            pause.write_text(str(pause_ms))
            host.cut()
            settle_neighbour(host, 3.5)
            wait_for_address_request(host.cable)
            host.power_up()
            until(lambda: came(observing, SampleKind.REFUSED, host.back_ns), "refused")
            after = records(observing, host.back_ns)
            refused = first_ns(after, SampleKind.REFUSED)
            silent = of_kind(after[after["received_ns"] <= refused], SampleKind.SILENT)
            begun = int(((silent["request"] == CONNECT) & (silent["sent_ns"] > host.back_ns)).sum())
            late[pause_ms] = (refused - host.back_ns, begun)
            host.boot()
            until(lambda: came(observing, SampleKind.GOOD, host.serving_ns), "good")
    assert late[1000][1] >= 3
    assert late[50][1] < late[1000][1]
    assert late[50][0] < late[1000][0]


def wait_for_address_request(cable: str) -> None:
    """Return just after the kernel has asked for a neighbour on this cable."""
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_EVERY_PROTOCOL)) as listener:
        listener.bind((cable, _EVERY_PROTOCOL))
        listener.settimeout(HANG_S)
        while listener.recv(128)[12:14] != _ARP:
            pass


def test_the_kernels_own_repetition_does_not_hide_the_restart(host: DarkHost, tmp_path: Path) -> None:
    """With the neighbour known, a single patient connect begun in the dark hears of the return only at the kernel's
    next repetition (RFC 6298: after 1, 3, 7 s); the bench, begun again and again, hears of it long before."""
    ip("neigh", "replace", THERE, "lladdr", host.hardware_address(), "dev", host.cable, "nud", "permanent")
    patient: list[int] = []
    with watch(tmp_path) as observing:
        host.cut()
        until(lambda: came(observing, SampleKind.SILENT, host.cut_ns), "the loss")
        waiting = threading.Thread(target=connect_patiently, args=(patient,))
        waiting.start()
        time.sleep(3.4)  # behind the repetition at 3 s: the next one comes at 7 s
        host.power_up()
        until(lambda: came(observing, SampleKind.REFUSED, host.back_ns), "refused")
        host.boot()
        until(lambda: came(observing, SampleKind.GOOD, host.serving_ns), "good")
        until(lambda: came(observing, SampleKind.RESET, host.back_ns), "the old connection's verdict")
        waiting.join(HANG_S)
        after = records(observing, host.back_ns)
    good = of_kind(after, SampleKind.GOOD)
    assert len(patient) == 1
    assert first_ns(after, SampleKind.REFUSED) < int(good["received_ns"][0]) < patient[0]
    assert np.all(np.diff(good["received_ns"].astype(np.int64)) >= 0)


RIG = f"""\
rig: dark-host
loads: harmless
devices:
  controller: {{host: {THERE}, port: {PORT}, powered_by: supply, poll: 20 ms, answer_within: 50 ms}}
  independent: {{host: 127.0.0.1, port: RELAY, poll: 20 ms}}
supply:
  driver: modbus-coil
  host: 127.0.0.1
  port: RELAY
  coil: 0
  contact: normally-open
  operate: 2 ms
  release: 2 ms
  bounce: 0 ms
  after_trouble: "on"
  limits: {{off_at_least: 1 s, on_at_least: 200 ms}}
points:
  lamp: {{device: controller, coil: 1, terminal: {{discrete_input: 1}}}}
  running: {{device: controller, discrete_input: 0}}
  rail: {{device: independent, discrete_input: 0}}
defaults: {{settle: 50 ms, watch: 300 ms, longer_than: 1 s}}
ready: {{when: {{running: on}}, steady: 40 ms, within: 10 s}}
proof_of_cut: [{{rail: off}}]
"""
SCENARIO = """\
scenario: comes-back
cut: {how: supply, off_for: 1500 ms}
after:
  times:
    ready: {within: 10 s}
"""


@pytest.mark.slow
@pytest.mark.parametrize("known", [False, True])
def test_a_run_tells_of_a_forgotten_neighbour(host: DarkHost, tmp_path: Path, known: bool) -> None:
    """A first answer that may be late because the network had forgotten who was dark: journal and record say so, and on
    which cable. Where the entry is permanent there is nothing to say."""
    if known:
        ip("neigh", "replace", THERE, "lladdr", host.hardware_address(), "dev", host.cable, "nud", "permanent")
    host.server.do("bit", place=0, value=True)
    with StandIn() as relay, powered_by(relay, host, forgetting=not known):
        for name, text in (("rig", RIG.replace("RELAY", str(relay.port))), ("scenario", SCENARIO)):
            (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
        suite = load_suites([tmp_path / "scenario.yaml"], cards=cards())[0]
        outcome = perform(suite, RunOptions(logs=tmp_path / "logs", arm="dark-host", seed=1), Seen())
    (run,) = outcome.runs
    assert [one.verdict for one in run.cycles] == [Verdict.PASS], run.cycles[0].reason
    archived = ArchivedRun.open(run.folder)
    notes = [one.text for one in archived.records if isinstance(one, Trouble) and one.kind == "network"]
    write_record(archived, tmp_path / "record.html")
    told = f"forgotten the network address of {THERE}"
    assert ([told in note and f"dev {host.cable} nud" in note for note in notes]) == ([] if known else [True])
    assert (told in (tmp_path / "record.html").read_text(encoding="utf-8")) is not known


@contextmanager
def powered_by(relay: StandIn, host: DarkHost, *, forgetting: bool) -> Iterator[None]:
    """The host has power as long as the relay's coil is on; without it, its neighbour entry goes as well."""
    relay.do("bit", place=0, value=True)
    over = threading.Event()

    def supply() -> None:
        was_on = True
        while not over.wait(0.005):
            is_on = bool(relay.do("look")["bits"][0])
            if was_on and not is_on:
                host.cut()
                if forgetting:
                    ip("neigh", "flush", "dev", host.cable)
            elif is_on and not was_on:
                host.power_up()
                host.boot()
                host.server.do("bit", place=0, value=True)
            was_on = is_on

    mains = threading.Thread(target=supply)
    mains.start()
    try:
        yield
    finally:
        over.set()
        mains.join(HANG_S)


def connect_patiently(done: list[int]) -> None:
    with socket.socket() as single:
        single.settimeout(HANG_S)
        single.connect_ex((THERE, PORT))
    done.append(now_ns())
