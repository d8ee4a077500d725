"""The file to which the observer appends the samples of one device."""

from __future__ import annotations

import os
import struct
from pathlib import Path

from restart_bench.model.clock import FAR_NS, NS_PER_MS
from restart_bench.model.rig import Device, Point
from restart_bench.model.samples import SampleKind, SampleLayout
from restart_bench.observer.modbus import layout_for, plan_requests

FLUSH_NS = 100 * NS_PER_MS  # nothing older than this is ever lost
HURRY_NS = 10 * NS_PER_MS  # however fast something moves: each writing wakes the reader
ATTENDED_NS = 5 * NS_PER_MS  # the same while somebody waits for what is read
_GATHER_NS = NS_PER_MS  # the answers of one round are written together
_HEAD = SampleLayout("", (), ()).format


class PartFile:
    """The `.part` file of one device: whole records only, within `FLUSH_NS`, or soon (see `hurry`, `attend`). Without
    a folder nothing is saved, and records are only offered."""

    def __init__(self, folder: Path | None, device: Device, points: list[Point]) -> None:
        """Goes on behind the samples of an earlier run where they were put there beforehand, with the same layout.
        Raises OSError where the file can't be made or holds anything else."""
        self.layout = layout_for(device, points)
        self.saves = folder is not None
        self.cycle = 0
        self._head = struct.Struct(_HEAD)
        self._columns = struct.Struct("<" + self.layout.format[len(_HEAD) :])
        self._blank = tuple(-1 if code == "b" else float("nan") for _, code in self.layout.points)
        self._nothing = self._columns.pack(*self._blank)
        reads = plan_requests(device, points)
        self._first = [sum(len(read.points) for read in reads[:place]) for place in range(len(reads))]
        self._packed: list[tuple[tuple[float, ...], bytes]] = [((), b"")] * len(reads)  # newest values, and as written
        path = folder / f"{device.name}.part" if folder is not None else None
        begun = _whole_part(path, self.layout) if path is not None and path.exists() else 0
        flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0) | (0 if begun else os.O_CREAT | os.O_EXCL)
        self._file = os.open(path, flags, 0o644) if path is not None else None
        self._offset = begun
        self._waiting = bytearray()
        self._due_ns = FAR_NS
        self._flushed_ns = 0
        self._attended_until_ns = 0
        if not begun:
            self._write(self.layout.header())

    def due_ns(self) -> int:
        """When what waits has to be written."""
        return self._due_ns

    def add(
        self,
        request: int,
        kind: SampleKind,
        exception: int,
        connection: int,
        sent_ns: int,
        received_ns: int,
        values: tuple[float, ...],
    ) -> None:
        """One sample, a record of the cycle `cycle`. Values that come again as the very same tuple are not packed
        again."""
        if not values:
            told = self._nothing
        else:
            same, told = self._packed[request]
            if values is not same:
                told = self._pack(request, values)
        if not self._waiting:
            self._due_ns = received_ns + FLUSH_NS
            if received_ns < self._attended_until_ns:
                self.hurry(received_ns)
        self._waiting += (
            self._head.pack(self.cycle, request, kind, exception, connection & 0xFFFFFFFF, sent_ns, received_ns) + told
        )

    def _pack(self, request: int, values: tuple[float, ...]) -> bytes:
        first, blank = self._first[request], self._blank
        told = self._columns.pack(*blank[:first], *values, *blank[first + len(values) :])
        self._packed[request] = values, told
        return told

    def hurry(self, instant_ns: int) -> None:
        """Something moved, or somebody waits for it: what is to be written is due at once, some milliseconds behind the
        last writing at the earliest."""
        apart_ns = ATTENDED_NS if self.attended(instant_ns) else HURRY_NS
        self._due_ns = min(self._due_ns, max(instant_ns + _GATHER_NS, self._flushed_ns + apart_ns))

    def attend(self, instant_ns: int, until_ns: int) -> None:
        """From now until then somebody waits for what is read: it is due soon although nothing moved."""
        self._attended_until_ns = until_ns
        if self._waiting and instant_ns < until_ns:
            self.hurry(instant_ns)

    def attended(self, instant_ns: int) -> bool:
        """True while somebody waits for what is read."""
        return instant_ns < self._attended_until_ns

    def flush(self, instant_ns: int) -> tuple[int, bytes]:
        """Write what waits: where in the file it begins, and the bytes."""
        data = bytes(self._waiting)
        self._waiting.clear()
        self._due_ns, self._flushed_ns = FAR_NS, instant_ns
        offset = self._offset
        self._write(data)
        return offset, data

    def close(self) -> None:
        """Write what waits and let go of the file."""
        self.flush(FAR_NS)
        if self._file is not None:
            os.close(self._file)

    def _write(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest and self._file is not None:
            rest = rest[os.write(self._file, rest) :]
        self._offset += len(data)


def _whole_part(path: Path, layout: SampleLayout) -> int:
    """Length of a file that holds whole records of this layout; 0 for any other (which is then not touched)."""
    header = layout.header()
    size = path.stat().st_size
    with path.open("rb") as file:
        same = file.read(len(header)) == header
    return size if same and (size - len(header)) % layout.size == 0 else 0
