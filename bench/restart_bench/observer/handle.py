"""The parent's handle on the observer process: starts it, gives it commands, keeps what it tells.

    with ObserverHandle(devices, points, folder) as observing:
        observing.set_cycle(1)
        done = observing.write("start_button", True, "press")
        records = observing.samples(1)["controller"].records

A thread reads what the observer offers, so nothing here has to be called in time. Nothing is decided here.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, Any, Self

import numpy as np

from restart_bench.model.clock import NS_PER_MS, NS_PER_S, now_ns
from restart_bench.model.condensing import Records, SampleSource, changed, columns_changed
from restart_bench.model.live import Moved, Reading
from restart_bench.model.rig import Device, Point, Value
from restart_bench.model.samples import KIND_WORDS, DeviceSamples, SampleKind, as_value, decoded
from restart_bench.observer.link import SILENT
from restart_bench.observer.modbus import layout_for, plan_requests, plan_writes
from restart_bench.observer.pipe import FRAME, SAMPLES, SAVED
from restart_bench.observer.sample_store import SampleStore

_START_S = 20.0  # a slow disk and a virus scanner may both have a look first
_START_SOON_S = 8.0
_ACKNOWLEDGE_S = 3.0
_HEARD_WITHIN_NS = 3 * NS_PER_S  # it tells twice a second that it lives
_DOUBT_NS = NS_PER_S  # this process may have slept itself: what has come meanwhile is taken in first
_END_S = 3.0
_FLUSH_NS = 100 * NS_PER_MS  # the observer tells what did not move this late


class ObserverError(Exception):
    """The observer could not be started. The message says why."""


@dataclass(frozen=True, slots=True)
class WriteDone:
    """What came of a write: `problem` is "" when the device confirmed it. The value took effect, if at all, within
    (sent, received]; with a retry, `sent_ns` is that of the first attempt."""

    sent_ns: int
    received_ns: int
    problem: str = ""
    retries: int = 0


class _Waiting:
    """One command whose answer is awaited."""

    __slots__ = ("answer", "come")

    def __init__(self) -> None:
        self.come = threading.Event()
        self.answer: dict[str, Any] | None = None


class ObserverHandle:
    """Samples of all devices that have points, from the moment it is made until `close`."""

    def __init__(self, devices: Sequence[Device], points: Sequence[Point], folder: Path | None) -> None:
        """Starts the observer, which makes `<folder>/<device>.part`. Raises ObserverError where it can't be
        started (a file is there already, an address is unknown), ValueError where points can't be planned.

        Without a folder nothing is saved and nothing needs room on a disk: for hands that only have to let go, soon.
        """
        read = {point.device for point in points}
        self._devices = [device for device in devices if device.name in read]
        self._points = {point.name: point for point in points if point.device in {d.name for d in self._devices}}
        self._folder = folder
        self._stores: dict[str, SampleStore] = {}
        self._request_of: dict[str, int] = {}
        self._columns_of: dict[tuple[str, int], list[str]] = {}
        self._place: dict[str, int] = {}  # of a point's column in a record
        self._fresh_ns: dict[str, int] = {}
        self._meant: dict[str, tuple[float | None, Value | None]] = {}  # newest number of a point, and its meaning
        for device in self._devices:
            self._plan(device)
        self._waiting: dict[int, _Waiting] = {}
        self._ticket = 0
        self._retries = 0
        self._failed = ""
        self._closing = False
        self._heard_ns = now_ns()
        self._doubted_ns = self._looked_ns = 0
        self._news = threading.Condition(threading.RLock())
        self._news_count = self._news_seen = 0
        self._moved_seen = {device.name: 0 for device in self._devices}
        self._moved_value: dict[str, float] = {}
        self._moved_row: dict[tuple[str, int], Records] = {}
        self._hello: dict[str, Any] | None = None
        self._stderr = _last_words_file(folder)
        self._sending = threading.Lock()
        self._begun_ns = now_ns()
        self._process = self._start()
        self._reader = threading.Thread(target=self._read, daemon=True, name="observing")
        self._reader.start()
        self._await_hello(_START_S if folder is not None else _START_SOON_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ commands

    def set_cycle(self, cycle: int) -> None:
        """Number the samples from now on. Returns once the observer does so, or has failed."""
        self._ask({"do": "cycle", "cycle": cycle}, _ACKNOWLEDGE_S)

    def take_in(self) -> None:
        """Returns once all that was read until now is known here, or the observer has failed."""
        self._ask({"do": "flush"}, _ACKNOWLEDGE_S)

    def write(self, point: str, value: Value, purpose: str) -> WriteDone:
        """Write to a point, between two polls of its device, and wait for the device's confirmation. One retry if
        nobody answers. Raises ValueError where the point is unknown or not writable."""
        target = self._points.get(point)
        if target is None or not target.writable:
            raise ValueError(f"{point}: not a point that may be written; mark it `writable: true` in the rig file")
        first = self._write_once(target, value, purpose)
        if first.problem != SILENT:
            return first
        self._retries += 1
        second = self._write_once(target, value, purpose)
        sent_ns = min(first.sent_ns, second.sent_ns)
        return WriteDone(sent_ns, second.received_ns, second.problem, retries=1)

    def _write_once(self, point: Point, value: Value, purpose: str) -> WriteDone:
        device = next(each for each in self._devices if each.name == point.device)
        begun_ns = now_ns()
        limit_s = _ACKNOWLEDGE_S + 3 * device.answer_within_ns / NS_PER_S
        done = self._ask({"do": "write", "device": point.device, "point": point.name, "value": value}, limit_s)
        if done is None:
            why = self.failed or f"{purpose} {point.name}: the observer did not acknowledge it"
            return WriteDone(begun_ns, now_ns(), why)
        return WriteDone(done["sent_ns"], done["received_ns"], done["problem"])

    # ------------------------------------------------------------ what is known

    @property
    def pid(self) -> int:
        """Process id of the observer."""
        return self._process.pid

    @property
    def failed(self) -> str:
        """ "" while the observer is well, else what became of it."""
        return self._failed

    def look(self, now: int) -> None:
        """Gives up an observer that has told nothing for seconds although it is still there: one that hangs."""
        looked_ns, self._looked_ns = self._looked_ns, now
        if now - self._heard_ns <= _HEARD_WITHIN_NS:
            self._doubted_ns = 0
        elif not self._doubted_ns or now - looked_ns > _DOUBT_NS // 2:
            self._doubted_ns = now
        elif now - self._doubted_ns > _DOUBT_NS:
            self._give_up(f"the observer hangs: it told nothing for {(now - self._heard_ns) / NS_PER_S:.0f} s")

    def _give_up(self, why: str) -> None:
        """Ends an observer that does not answer. One that woke up later would carry out old commands."""
        with self._news:
            if self._failed or self._closing:
                return
            self._failed = why
            for waiting in self._waiting.values():
                waiting.come.set()
            self._tell_news()
        self._process.kill()

    def samples(self, cycle: int) -> dict[str, DeviceSamples]:
        """All samples of a cycle so far, by device, from the files. The arrays are read-only and stay as they are."""
        with self._news:
            return {name: DeviceSamples(store.layout, store.of_cycle(cycle)) for name, store in self._stores.items()}

    def condensed(self, cycle: int) -> dict[str, DeviceSamples]:
        """The same told in so few rows that a question may be asked of them again and again (see `condensing`)."""
        with self._news:
            return {name: store.condensed(cycle) for name, store in self._stores.items()}

    def sources(self, cycle: int) -> dict[str, SampleSource]:
        """Where the samples of a cycle lie, to be read in pieces."""
        with self._news:
            return {
                name: SampleSource(store.layout, store.count_of(cycle), partial(store.pieces_of, cycle))
                for name, store in self._stores.items()
            }

    def keep(self, instant_ns: int) -> None:
        """Something was done that will be counted from: what is read about that instant stays as it was read."""
        with self._news:
            for store in self._stores.values():
                store.keep(instant_ns)

    def latest(self, point: str) -> Reading | None:
        """Newest reading of a point; its value is None while the point is blind: the newest request for it was not
        answered with a value, or none has been for longer than polling takes. None if it was never asked for."""
        store = self._stores[self._points[point].device]
        with self._news:
            newest = store.newest_of(self._request_of[point])
        if newest is None:
            return None
        value: Value | None = None
        if newest.good and now_ns() - newest.received_ns <= self._fresh_ns[point]:
            value = self._value(point, newest.row[self._place[point]])
        return Reading(value, newest.sent_ns, newest.received_ns)

    def watch(self, point: str) -> None:
        """From now on no value of this point is overlooked, however short it was (`every_value`)."""
        with self._news:
            self._stores[self._points[point].device].watch(self._request_of[point], f"p:{point}")

    def every_value(self, point: str) -> list[Reading]:
        """Each value of a watched point that was read since this was asked last, with its last read."""
        store = self._stores[self._points[point].device]
        with self._news:
            came = store.every_value(self._request_of[point], f"p:{point}")
        one = self._points[point]
        values = decoded(one, np.array(list(came), np.float64))
        told = zip(values.tolist(), came.values(), strict=True)
        return [Reading(as_value(one, value), received_ns, received_ns) for value, received_ns in told]

    def moved(self) -> tuple[Moved, ...]:
        """Value changes since the last call, in order of their reads. Of a register that moves again and again
        only the newest is told."""
        with self._news:
            found = [move for device in self._devices for move in self._moves_of(device)]
        return tuple(sorted(found, key=lambda move: move.received_ns))

    def wait_news(self, timeout_s: float) -> bool:
        """Wait until something came since the last call (True), or the time is over (False)."""
        with self._news:
            self._news.wait_for(lambda: self._news_count != self._news_seen, timeout_s)
            came = self._news_count != self._news_seen
            self._news_seen = self._news_count
            return came

    @contextlib.contextmanager
    def attended(self, until_ns: int) -> Iterator[None]:
        """Meanwhile, until then at most, what is read is told within 10 ms, though nothing moved."""
        self._tell({"do": "attend", "until_ns": until_ns})
        try:
            yield
        finally:
            self._tell({"do": "attend", "until_ns": 0})

    def last_good_ns(self, device: str) -> int | None:
        """When the newest good read of a device was received (known up to 100 ms late, where nobody attends), None if
        there is none."""
        store = self._stores.get(device)
        with self._news:
            return store.last_good_ns if store is not None else None

    def connection_of(self, device: str) -> int | None:
        """Number of the connection on which the newest good read of a device came, None if there is none."""
        store = self._stores.get(device)
        with self._news:
            return store.last_connection if store is not None else None

    def statistics(self) -> dict[str, Any]:
        """How evenly was sampled so far.

        `devices.<name>`: `gap_ns` (`p50`, `p99`, `p99.9`, `max`, `count`; None before two good reads), `kinds` (how
        many samples of each), `missed` (deadlines passed by the bench), `waited` (deadlines passed while an answer
        was awaited in vain), `in_contact`, `problem` (why the newest connect failed). `write_retries`,
        `dropped_frames` (caught up from the file).
        """
        told = self._ask({"do": "report"}, _ACKNOWLEDGE_S) or {}
        report = told.get("report", {})
        with self._news:
            devices = {
                name: {
                    "gap_ns": store.gaps(),
                    "kinds": {KIND_WORDS[kind]: count for kind, count in enumerate(store.kinds)},
                    **report.get("devices", {}).get(name, {}),
                }
                for name, store in self._stores.items()
            }
        return {
            "devices": devices,
            "write_retries": self._retries,
            "dropped_frames": report.get("dropped_frames", 0),
        }

    def close(self) -> None:
        """End the observer and take in the last it had to say. May be called twice."""
        if self._closing:
            return
        self._closing = True
        with contextlib.suppress(OSError):
            self._stdin.close()
        try:
            self._process.wait(_END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):  # a disk that hangs holds even a killed process
                self._process.wait(_END_S)
        self._reader.join(_END_S)
        self._catch_up()
        self._stdout.close()
        self._stderr.close()

    # ------------------------------------------------------------ the process

    def _start(self) -> subprocess.Popen[bytes]:
        config = {
            "folder": str(self._folder) if self._folder is not None else None,
            "devices": [dataclasses.asdict(device) for device in self._devices],
            "points": [
                dataclasses.asdict(dataclasses.replace(point, levels=None, limits=None))
                for point in self._points.values()
            ],
        }
        apart: dict[str, Any] = {"start_new_session": True}  # so that a Ctrl-C in its first instants spares it
        if sys.platform == "win32":
            apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
        process = subprocess.Popen(
            [sys.executable, "-m", "restart_bench.observer"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._stderr,
            bufsize=0,
            **apart,
        )
        if process.stdin is None or process.stdout is None:
            raise ObserverError("the observer has no pipes")
        self._stdin: IO[bytes] = process.stdin
        self._stdout: IO[bytes] = process.stdout
        with contextlib.suppress(OSError):  # it ended at once: the reader says why
            self._stdin.write(json.dumps(config).encode() + b"\n")
        return process

    def _await_hello(self, within_s: float) -> None:
        with self._news:
            self._news.wait_for(lambda: self._hello is not None or self._failed, within_s)
            hello, arrived_ns = self._hello, now_ns()
        problem = self._failed
        if hello is None:
            problem = problem or f"the observer did not start within {within_s:g} s"
        elif not self._begun_ns <= hello["now_ns"] <= arrived_ns:
            problem = "the observer's clock is not the clock of this process; instants can't be compared"
        if problem:
            self.close()
            raise ObserverError(problem)

    def _ask(self, command: dict[str, Any], limit_s: float) -> dict[str, Any] | None:
        """Send a command and wait for its answer; None where there is none in time or the observer is gone."""
        waiting = _Waiting()
        with self._news:
            self._ticket += 1
            ticket = self._ticket
            self._waiting[ticket] = waiting
        if self._tell({**command, "id": ticket}) and not waiting.come.wait(limit_s):
            self._give_up(f"the observer did not answer within {limit_s:g} s")
        with self._news:
            self._waiting.pop(ticket, None)
        return waiting.answer

    def _tell(self, command: dict[str, Any]) -> bool:
        """Sends a command; False where the observer is gone."""
        if self._failed or self._closing:
            return False
        with contextlib.suppress(OSError, ValueError), self._sending:
            self._stdin.write(json.dumps(command).encode() + b"\n")
        return True

    # ------------------------------------------------------------ the reader

    def _read(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while header := self._exactly(FRAME.size):
                kind, device, offset, length = FRAME.unpack(header)
                data = self._exactly(length)
                if len(data) < length:
                    break
                self._take(kind, device, offset, data)
        if not self._closing:
            self._ended()

    def _exactly(self, length: int) -> bytes:
        """So many bytes; fewer at the end of the pipe."""
        data = self._stdout.read(length) or b""
        while 0 < len(data) < length:
            more = self._stdout.read(length - len(data))
            if not more:
                return b""
            data += more
        return data

    def _take(self, kind: int, device: int, offset: int, data: bytes) -> None:
        with self._news:
            self._heard_ns = now_ns()
            if kind == SAMPLES:
                self._stores[self._devices[device].name].take(offset, data)
            elif kind == SAVED:
                self._stores[self._devices[device].name].saved(offset)
            else:
                self._message(json.loads(data))
            self._tell_news()

    def _message(self, message: dict[str, Any]) -> None:
        if message["tell"] == "alive":
            return
        if message["tell"] == "hello":
            self._hello = message
        elif message["tell"] == "failed":
            self._failed = message["text"]
        elif (waiting := self._waiting.get(message["id"])) is not None:
            waiting.answer = message
            waiting.come.set()

    def _ended(self) -> None:
        """The observer is gone although nobody told it to end."""
        code = self._process.wait()
        with self._news:
            self._catch_up()
            self._failed = self._failed or f"the observer ended by itself (exit code {code}){self._last_words()}"
            for waiting in self._waiting.values():
                waiting.come.set()
            self._tell_news()

    def _last_words(self) -> str:
        self._stderr.seek(0)
        lines = self._stderr.read().decode(errors="replace").strip().splitlines()
        return f": {lines[-1]}" if lines else ""

    def _catch_up(self) -> None:
        with self._news:
            for store in self._stores.values():
                store.catch_up()

    def _tell_news(self) -> None:
        self._news_count += 1
        self._news.notify_all()

    # ------------------------------------------------------------ points

    def _plan(self, device: Device) -> None:
        points = list(self._points.values())
        reads = plan_requests(device, points)
        plan_writes(device, points)
        for number, request in enumerate(reads):
            self._request_of |= {point.name: number for point in request.points}
            self._columns_of[device.name, number] = [f"p:{point.name}" for point in request.points]
        layout = layout_for(device, points)
        fresh_ns = 2 * device.poll_ns + device.answer_within_ns + 2 * _FLUSH_NS
        self._fresh_ns |= dict.fromkeys((name for name, _ in layout.points), fresh_ns)
        columns = layout.dtype().names or ()
        self._place |= {name: columns.index(f"p:{name}") for name, _ in layout.points}
        path = self._folder / f"{device.name}.part" if self._folder is not None else Path(os.devnull)
        self._stores[device.name] = SampleStore(layout, path, len(reads))

    def _value(self, name: str, raw: float) -> Value | None:
        """What a number of the record means; None where it is blind. The same number means what it meant before."""
        before, value = self._meant.get(name, (None, None))
        if raw != before:
            point = self._points[name]
            value = as_value(point, float(decoded(point, np.array([raw]))[0]))
            self._meant[name] = raw, value
        return value

    def _moves_of(self, device: Device) -> list[Moved]:
        store = self._stores[device.name]
        records = store.since(self._moved_seen[device.name])
        self._moved_seen[device.name] = store.total
        good = records["kind"] == SampleKind.GOOD
        found: list[Moved] = []
        for read in range(store.reads):
            found += self._moves_of_read(device.name, read, records[good & (records["request"] == read)])
        return found

    def _moves_of_read(self, device: str, read: int, records: Records) -> list[Moved]:
        """Only where a byte changed is anything decoded."""
        before = self._moved_row.get((device, read), records[:0])
        if len(records):
            self._moved_row[device, read] = records[-1:].copy()
        columns = self._columns_of[device, read]
        rows = np.concatenate((before, records))
        rows = rows[changed(rows, columns)]
        touched = columns_changed(rows, columns) if len(before) else columns
        found: list[Moved] = []
        for name in [column.removeprefix("p:") for column in touched]:
            moves = self._moves_of_point(name, rows[len(before) :])
            found += moves if self._points[name].is_boolean else moves[-1:]
        return found

    def _moves_of_point(self, name: str, records: Records) -> list[Moved]:
        values = decoded(self._points[name], records[f"p:{name}"])
        seen = ~np.isnan(values)
        records, values = records[seen], values[seen]
        if not len(values):
            return []
        before = np.concatenate(([self._moved_value.get(name, values[0])], values[:-1]))
        self._moved_value[name] = float(values[-1])
        moves = []
        for place in np.flatnonzero(values != before):
            record = records[place]
            value = as_value(self._points[name], float(values[place]))
            if value is not None:
                moves.append(Moved(name, value, int(record["received_ns"])))
        return moves


def _last_words_file(folder: Path | None) -> IO[bytes]:
    """Where the observer's standard error goes, until `close`; nowhere where nothing may need room on a disk."""
    return Path(os.devnull).open("r+b") if folder is None else tempfile.TemporaryFile()


def answered_within(observer: ObserverHandle, device: str, within_ns: int, now: int | None = None) -> bool:
    """Whether a good read of a device was received so lately (before `now`)."""
    last = observer.last_good_ns(device)
    return last is not None and (now_ns() if now is None else now) - last <= within_ns


class Blind(ObserverHandle):
    """Stands in where no observer can be started: it knows nothing and writes nothing, and says why."""

    def __init__(self, why: str) -> None:
        self._failed = why

    def write(self, point: str, value: Value, purpose: str) -> WriteDone:
        """Nothing is written."""
        return WriteDone(now_ns(), now_ns(), f"{purpose} {point} = {value}: {self._failed}")

    def latest(self, point: str) -> Reading | None:
        """Nothing is known."""
        return None

    def take_in(self) -> None:
        """There is nothing to know."""

    def watch(self, point: str) -> None:
        """Nothing will be read."""

    def every_value(self, point: str) -> list[Reading]:
        """Nothing was read."""
        return []

    def last_good_ns(self, device: str) -> int | None:
        """Nothing was read."""
        return None

    def look(self, now: int) -> None:
        """There is nothing to look after."""

    def wait_news(self, timeout_s: float) -> bool:
        """None will come."""
        return False

    def close(self) -> None:
        """There is nothing to end."""
