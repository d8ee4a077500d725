"""The observer as a process, and the parent's handle on it, against real servers on this computer."""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from pyModbusTCP.server import ModbusServer

from restart_bench.model.clock import now_ns
from restart_bench.model.condensing import Records
from restart_bench.model.rig import Device, Levels, Point
from restart_bench.model.samples import SampleKind, SampleLayout
from restart_bench.observer.__main__ import select_timeout_s
from restart_bench.observer.handle import ObserverError, ObserverHandle
from restart_bench.observer.part_writer import FLUSH_NS, PartFile
from restart_bench.observer.pipe import FRAME, MESSAGE, SAMPLES, SAVED, OfferingPipe
from restart_bench.observer.sample_store import SampleStore
from stand_in import MS, StandIn

HANG_S = 20.0  # only to catch a hang
REFUSALS = () if os.name == "nt" else (SampleKind.REFUSED,)  # Windows tells of a refused connect after 2 s
AUGER = Point("auger", "controller", "coil", 0)
BUTTON = Point("start_button", "controller", "coil", 1, writable=True)
RUNNING = Point("running", "controller", "discrete_input", 0)
SETPOINT = Point("moisture_setpoint", "controller", "holding_register", 3, type="uint16", scale=0.1, writable=True)


@pytest.fixture
def server() -> Iterator[StandIn]:
    with StandIn() as started:
        yield started


def device(port: int, **more: int) -> Device:
    return Device("controller", "127.0.0.1", port, **{"answer_within_ns": 50 * MS, **more})  # type: ignore[arg-type]


def until(met: Callable[[], object], what: str) -> None:
    """Wait for something that must come; fail rather than hang."""
    end = time.monotonic() + HANG_S
    while not met():
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.01)


def seen(observing: ObserverHandle, kind: SampleKind, cycle: int = 0) -> Records:
    records = observing.samples(cycle)["controller"].records
    found: Records = records[records["kind"] == kind]
    return found


def value_of(observing: ObserverHandle, point: str) -> object:
    reading = observing.latest(point)
    return None if reading is None else reading.value


# ---------------------------------------------------------------- values


def test_all_four_tables_are_read_from_another_projects_server(tmp_path: Path) -> None:
    """pyModbusTCP's server: written by other people from the same specification."""
    port = free_port()
    other = ModbusServer(host="127.0.0.1", port=port, no_block=True)
    other.start()
    try:
        other.data_bank.set_coils(0, [True, False])
        other.data_bank.set_discrete_inputs(0, [True])
        other.data_bank.set_input_registers(1, [0x0001, 0x0002])
        other.data_bank.set_holding_registers(3, [145])
        uptime = Point("uptime", "controller", "input_register", 1, type="uint32")
        with ObserverHandle([device(port)], [AUGER, BUTTON, RUNNING, uptime, SETPOINT], tmp_path) as observing:
            until(lambda: value_of(observing, "moisture_setpoint") is not None, "all values")
            assert value_of(observing, "auger") is True
            assert value_of(observing, "start_button") is False
            assert value_of(observing, "running") is True
            assert value_of(observing, "uptime") == 65538
            assert value_of(observing, "moisture_setpoint") == pytest.approx(14.5)
            assert observing.write("start_button", True, "press").problem == ""
            assert observing.write("moisture_setpoint", 15.0, "write").problem == ""
            assert other.data_bank.get_coils(1, 1) == [True]
            assert other.data_bank.get_holding_registers(3, 1) == [150]
    finally:
        other.stop()


def free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port: int = taken.getsockname()[1]
        return port


def test_what_moved_is_told_once_with_the_read_that_saw_it(server: StandIn, tmp_path: Path) -> None:
    """The next call starts from there; the first value of a point is no change."""
    with ObserverHandle([device(server.port)], [AUGER, RUNNING], tmp_path) as observing:
        for name in ("auger", "running"):
            until(lambda name=name: value_of(observing, name) is False, "a first value")
        assert observing.moved() == ()
        before = now_ns()
        server.do("bit", place=0, value=True)
        for name in ("auger", "running"):
            until(lambda name=name: value_of(observing, name) is True, "the change")
        moved = observing.moved()
        # the two bit tables of the stand-in are overlaid on each other
        assert {(move.point, move.value) for move in moved} == {("auger", True), ("running", True)}
        assert all(move.received_ns > before for move in moved)
        assert observing.moved() == ()


def test_a_register_between_its_levels_is_blind(server: StandIn, tmp_path: Path) -> None:
    """At most `off_below` is off, at least `on_above` is on, what lies between is neither."""
    lamp = Point("lamp", "controller", "holding_register", 0, type="uint16", levels=Levels(5, 15))
    drive = Point("drive", "controller", "holding_register", 0, type="uint16", writable=True)
    with ObserverHandle([device(server.port)], [lamp, drive], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        for raw, expected in ((2, False), (10, None), (20, True)):
            assert observing.write("drive", raw, "write").problem == ""
            until(lambda raw=raw: value_of(observing, "drive") == raw, "the value written")
            assert value_of(observing, "lamp") is expected
        assert [move.value for move in observing.moved() if move.point == "lamp"] == [True]


# ---------------------------------------------------------------- what a device may do


def test_one_silent_point_blinds_no_others(server: StandIn, tmp_path: Path) -> None:
    """Discrete inputs are not answered; coils go on being read on the same connection."""
    server.do("mute", functions=[2])
    with ObserverHandle([device(server.port)], [AUGER, RUNNING], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.SILENT)) >= 3, "silence")
        assert set(seen(observing, SampleKind.SILENT)["request"].tolist()) == {1}
        good = seen(observing, SampleKind.GOOD)
        assert set(good["request"].tolist()) == {0}
        assert len(good) >= 3
        assert value_of(observing, "running") is None
        assert value_of(observing, "auger") is False
    assert server.do("counts")["accepted"] == 1


def test_a_restart_is_seen_in_all_its_stages(server: StandIn, tmp_path: Path) -> None:
    """Silent, reset and refused, accepted, exception, good: each is a kind of its own, in this order."""
    stages: list[tuple[tuple[str, ...], tuple[SampleKind, ...]]] = [
        (("freeze",), (SampleKind.SILENT,)),
        (("refuse", "reset", "thaw"), (SampleKind.RESET, *REFUSALS)),
        (("busy", "listen"), (SampleKind.ACCEPTED,)),
        (("serve",), (SampleKind.EXCEPTION,)),
        (("well",), (SampleKind.GOOD,)),
    ]
    with ObserverHandle([device(server.port)], [AUGER], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        for cycle, (commands, kinds) in enumerate(stages, start=1):
            observing.set_cycle(cycle)
            for command in commands:
                server.do(command)
            for kind in kinds:
                until(lambda kind=kind, cycle=cycle: len(seen(observing, kind, cycle)), kind.name)
        everything = read_part(tmp_path / "controller.part")
        assert set(everything[everything["kind"] == SampleKind.EXCEPTION]["exception"].tolist()) == {6}
        resets = everything[everything["kind"] == SampleKind.RESET]
        assert set(resets["connection"].tolist()) >= {1}


def test_a_late_answer_is_no_value_and_the_connection_stays(server: StandIn, tmp_path: Path) -> None:
    """It came after its time, on the old connection: a glitch, not a restart."""
    with ObserverHandle([device(server.port)], [AUGER], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        server.do("late", ms=150)
        until(lambda: len(seen(observing, SampleKind.LATE)), "the late answer")
        (late,) = seen(observing, SampleKind.LATE)
        assert late["p:auger"] == -1
        assert late["connection"] == 1
        until(lambda: newer_in(observing, int(late["received_ns"])), "values on the old connection")
    connections = observing.samples(0)["controller"].records
    after = connections[(connections["received_ns"] > late["received_ns"]) & (connections["kind"] == SampleKind.GOOD)]
    assert after["connection"][-1] == 1


def newer_in(observing: ObserverHandle, instant: int) -> bool:
    return bool((seen(observing, SampleKind.GOOD)["received_ns"] > instant).any())


@pytest.mark.parametrize("connections", [1, 2, 4])
def test_the_server_never_sees_more_connections_than_allowed(tmp_path: Path, connections: int) -> None:
    """Counted at the far end, through silence and return."""
    with (
        StandIn() as server,
        ObserverHandle([device(server.port, connections=connections)], [AUGER], tmp_path) as observing,
    ):
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        server.do("mute", functions=[1])
        until(lambda: len(seen(observing, SampleKind.SILENT)) >= 8, "silence")
        server.do("mute", functions=[])
        began = now_ns()
        until(lambda: newer_in(observing, began), "contact again")
        # closing and opening cross on the way: what the far end still has to read counts one more
        assert server.do("counts")["most_open"] <= connections + 1
        assert observing.statistics()["devices"]["controller"]["held"] <= connections


# ---------------------------------------------------------------- writes


def test_a_write_that_nobody_answers_is_tried_once_more_and_counted(server: StandIn, tmp_path: Path) -> None:
    """Its bounds begin with the first attempt, for that one may have taken effect."""
    with ObserverHandle([device(server.port)], [AUGER, BUTTON, RUNNING], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        server.do("mute", functions=[5])
        done = observing.write("start_button", True, "press")
        assert (done.problem, done.retries) == ("silent", 1)
        until(lambda: len(writes(observing)) == 2, "both attempts among the samples")
        assert done.sent_ns == int(writes(observing)["sent_ns"][0])
        assert done.received_ns == int(writes(observing)["received_ns"][1])
        server.do("mute", functions=[])
        assert observing.write("start_button", True, "press").problem == ""
        assert observing.statistics()["write_retries"] == 1


def writes(observing: ObserverHandle) -> Records:
    told = observing.samples(0)["controller"]
    number = told.layout.requests.index("write coil 1")
    found: Records = told.records[told.records["request"] == number]
    return found


def test_a_write_that_is_refused_says_so_and_is_not_repeated(server: StandIn, tmp_path: Path) -> None:
    """The device has answered; asking again would not change that."""
    with ObserverHandle([device(server.port)], [AUGER, BUTTON], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        server.do("exception", code=4)
        done = observing.write("start_button", True, "press")
        assert (done.problem, done.retries) == ("exception 4", 0)


def test_only_writable_points_are_written(server: StandIn, tmp_path: Path) -> None:
    """Neither a point that is not marked, nor a value that does not fit."""
    with ObserverHandle([device(server.port)], [AUGER, SETPOINT], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        with pytest.raises(ValueError, match="writable: true"):
            observing.write("auger", True, "press")
        assert "does not fit" in observing.write("moisture_setpoint", 1e6, "write").problem
        assert server.do("counts")["registers"][3] == 0


# ---------------------------------------------------------------- cycles, files, ends


def test_samples_bear_the_cycle_that_was_set_and_old_cycles_stay_readable(server: StandIn, tmp_path: Path) -> None:
    """The newest cycles are kept in memory, the others are read back from the file: nothing is lost or doubled."""
    with ObserverHandle([device(server.port, poll_ns=2 * MS)], [AUGER], tmp_path) as observing:
        for cycle in range(1, 6):
            observing.set_cycle(cycle)
            set_ns = now_ns()
            until(lambda cycle=cycle: len(seen(observing, SampleKind.GOOD, cycle)) >= 20, "samples")
            assert seen(observing, SampleKind.GOOD, cycle - 1)["received_ns"].max(initial=0) <= set_ns
    inside = [observing.samples(cycle)["controller"].records for cycle in range(6)]
    whole = read_part(tmp_path / "controller.part")
    assert np.concatenate(inside).tobytes() == whole.tobytes()


def read_part(path: Path) -> Records:
    header, _, rest = path.read_bytes().partition(b"\n")
    layout = SampleLayout.from_header(header)
    records: Records = np.frombuffer(rest[: len(rest) - len(rest) % layout.size], layout.dtype())
    return records


def test_what_moved_is_in_the_file_when_the_parent_hears_of_it(server: StandIn, tmp_path: Path) -> None:
    """Saved first, shown second."""
    with ObserverHandle([device(server.port)], [AUGER], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        server.do("bit", place=0, value=True)
        until(lambda: value_of(observing, "auger") is True, "the change")
        assert (read_part(tmp_path / "controller.part")["p:auger"] == 1).any()


def test_what_is_waited_for_is_written_soon_though_nothing_moved() -> None:
    """A value that stays as it was waits for 100 ms; while somebody attends it is due at once, with the round it is of,
    and so is what waits already; not any more once nobody does."""
    file = PartFile(None, device(502), [AUGER])

    def due_after(instant_ns: int) -> int:
        file.add(0, SampleKind.GOOD, 0, 1, instant_ns - MS, instant_ns, (1,))
        return file.due_ns() - instant_ns

    at = 1000 * MS
    assert due_after(at) == FLUSH_NS
    file.attend(at + 2 * MS, at + 300 * MS)
    assert file.due_ns() < at + 5 * MS
    file.flush(at + 3 * MS)
    assert due_after(at + 20 * MS) < 5 * MS
    file.flush(at + 21 * MS)
    file.attend(at + 22 * MS, 0)
    assert due_after(at + 30 * MS) == FLUSH_NS
    file.flush(at + 31 * MS)
    file.attend(at + 32 * MS, at + 40 * MS)
    assert due_after(at + 41 * MS) == FLUSH_NS, "nobody waits any longer than he said"


def test_the_end_of_standard_input_ends_the_observer_and_its_connections(server: StandIn, tmp_path: Path) -> None:
    """That is how it learns that its parent has died, however that came about."""
    process = start_by_hand(server.port, [AUGER], tmp_path)
    until(lambda: server.do("counts")["open"] == 1, "a connection")
    assert process.stdin is not None
    process.stdin.close()
    assert process.wait(HANG_S) == 0
    until(lambda: server.do("counts")["open"] == 0, "the end of the connection")
    assert len(read_part(tmp_path / "controller.part"))


def start_by_hand(port: int, points: list[Point], folder: Path, **more: int) -> subprocess.Popen[bytes]:
    process = subprocess.Popen(
        [sys.executable, "-m", "restart_bench.observer"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    config = {
        "folder": str(folder),
        "devices": [dataclasses.asdict(device(port, **more))],
        "points": [dataclasses.asdict(point) for point in points],
    }
    assert process.stdin is not None
    process.stdin.write(json.dumps(config).encode() + b"\n")
    process.stdin.flush()
    return process


def test_a_killed_observer_is_noticed_at_once(server: StandIn, tmp_path: Path) -> None:
    """`failed` says so, whoever waits is woken, writes are refused, and what was saved can be read."""
    with ObserverHandle([device(server.port)], [AUGER, BUTTON], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        os.kill(observing.pid, getattr(signal, "SIGKILL", signal.SIGTERM))  # on Windows the latter kills outright
        until(lambda: observing.failed, "the notice")
        assert "ended by itself" in observing.failed
        assert observing.wait_news(HANG_S)
        assert observing.write("start_button", True, "press").problem == observing.failed
        assert len(observing.samples(0)["controller"].records) == len(read_part(tmp_path / "controller.part"))


def test_the_observer_ignores_ctrl_c(server: StandIn, tmp_path: Path) -> None:
    """Only the parent acts on it: the rig has to be watched while it is brought to rest."""
    with ObserverHandle([device(server.port)], [AUGER], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        os.kill(observing.pid, getattr(signal, "CTRL_BREAK_EVENT", signal.SIGINT))
        began = now_ns()
        until(lambda: newer_in(observing, began), "samples after it")
        assert observing.failed == ""


def test_an_observer_that_cannot_start_says_why(server: StandIn, tmp_path: Path) -> None:
    """A file that is there already belongs to another run and is not touched; an unknown host can't be looked up."""
    (tmp_path / "controller.part").write_text("of another run")
    with pytest.raises(ObserverError, match=r"controller\.part"):
        ObserverHandle([device(server.port)], [AUGER], tmp_path)
    assert (tmp_path / "controller.part").read_text() == "of another run"
    nowhere = dataclasses.replace(device(server.port), name="independent", host="no-such-host.invalid")
    with pytest.raises(ObserverError, match="write an IP address"):
        ObserverHandle([nowhere], [dataclasses.replace(AUGER, device="independent")], tmp_path)
    assert not (tmp_path / "independent.part").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on the size of files")
def test_an_observer_that_cannot_save_says_so_and_ends(server: StandIn, tmp_path: Path) -> None:
    """Samples that can't be kept prove nothing; here a limit on the size of files plays the full disk."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))  # the child inherits it
    try:
        process = start_by_hand(server.port, [AUGER], tmp_path, poll_ns=2 * MS)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert process.stdout is not None
    told = process.stdout.read()  # to its end, which comes by itself
    assert process.wait(HANG_S) == 1
    assert b'"tell": "failed"' in told
    assert b"File too large" in told
    assert process.stdin is not None
    process.stdin.close()


def test_closing_twice_is_fine_and_samples_outlive_it(server: StandIn, tmp_path: Path) -> None:
    """The judge may still ask when the observer is gone."""
    observing = ObserverHandle([device(server.port)], [AUGER], tmp_path)
    until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
    observing.close()
    observing.close()
    assert len(seen(observing, SampleKind.GOOD))
    assert observing.failed == ""


def test_a_device_without_points_is_left_alone(server: StandIn, tmp_path: Path) -> None:
    """There is nothing to ask it, so no connection is held there."""
    other = dataclasses.replace(device(server.port), name="independent")
    with ObserverHandle([device(server.port), other], [AUGER], tmp_path) as observing:
        until(lambda: len(seen(observing, SampleKind.GOOD)), "contact")
        assert list(observing.samples(0)) == ["controller"]
        assert observing.last_good_ns("independent") is None
        assert server.do("counts")["accepted"] == 1


# ---------------------------------------------------------------- a reader that does not read


def test_a_reader_that_never_reads_does_not_stall_sampling(server: StandIn, tmp_path: Path) -> None:
    """Gaps stay what they are with a reader; nothing is missing in the file; acknowledgements still come; and the
    parent gets all samples."""
    many = [Point(f"b{place}", "controller", "coil", place) for place in range(60)]
    many += [Point(f"r{place}", "controller", "holding_register", place % 64, type="uint16") for place in range(400)]
    (tmp_path / "read").mkdir()
    (tmp_path / "unread").mkdir()
    with ObserverHandle([device(server.port, poll_ns=4 * MS)], many, tmp_path / "read") as observing:
        time.sleep(2)
    read = gap_p99(observing.samples(0)["controller"].records)

    process = start_by_hand(server.port, many, tmp_path / "unread", poll_ns=4 * MS)
    part = tmp_path / "unread" / "controller.part"
    until(lambda: part.exists() and part.stat().st_size > 2_000_000, "some seconds of samples")
    assert process.stdin is not None
    process.stdin.write(b'{"do": "cycle", "cycle": 1, "id": 1}\n')
    process.stdin.flush()
    assert gap_p99(read_part(part)) < 5 * read

    store = SampleStore(layout_of(part), part, reads=2)
    for kind, end, _ in read_frames_until_done(process):
        if kind == SAVED:
            store.saved(end)
    assert store.count_of(0) == (read_part(part)["cycle"] == 0).sum()
    process.stdin.close()
    assert process.stdout is not None
    process.stdout.read()
    process.wait(HANG_S)
    store.catch_up()
    assert store.total == len(read_part(part))


def test_where_nothing_is_saved_samples_are_dropped_and_messages_are_not() -> None:
    """A pipe that nobody reads takes so much and no more, at once, and says how many it dropped."""
    reading, writing = os.pipe()
    pipe = OfferingPipe(writing)
    data = bytes(1 << 16)
    for number in range(40):
        pipe.offer(0, number * len(data), data, saved=False)
        pipe.tell({"tell": "alive", "number": number})
    assert pipe.dropped >= 20
    offered, told = 0, 0
    while told < 40:
        kind, _, _, length = FRAME.unpack(os.read(reading, FRAME.size))
        while length:
            length -= len(os.read(reading, length))
        told += kind == MESSAGE
        offered += kind == SAMPLES
    assert offered == 40 - pipe.dropped


def layout_of(part: Path) -> SampleLayout:
    return SampleLayout.from_header(part.read_bytes().partition(b"\n")[0])


def gap_p99(records: Records) -> float:
    good = records[(records["kind"] == SampleKind.GOOD) & (records["request"] == 0)]
    return float(np.percentile(good["received_ns"][1:] - good["sent_ns"][:-1], 99))


def read_frames_until_done(process: subprocess.Popen[bytes]) -> list[tuple[int, int, bytes]]:
    """All frames up to the acknowledgement."""
    assert process.stdout is not None
    frames = []
    while True:
        kind, _, offset, length = FRAME.unpack(process.stdout.read(FRAME.size))
        data = process.stdout.read(length)
        frames.append((kind, offset, data))
        if kind == MESSAGE and json.loads(data).get("id") == 1:
            return frames


# ---------------------------------------------------------------- timers and imports


def test_with_coarse_timers_select_is_woken_early_and_the_clock_decides() -> None:
    """Windows timers may oversleep: the last milliseconds are spent asking the clock (no deadline rests on select)."""
    assert select_timeout_s(10 * MS, coarse=False) == pytest.approx(0.010)
    assert select_timeout_s(10 * MS, coarse=True) == pytest.approx(0.007)
    assert select_timeout_s(2 * MS, coarse=True) == 0


def test_the_observer_starts_light() -> None:
    """No numpy, pandas or pymodbus in the process that samples."""
    heavy = "[n for n in ('numpy', 'pandas', 'pymodbus') if n in sys.modules]"
    code = f"import sys, restart_bench.observer.__main__; print({heavy})"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"
