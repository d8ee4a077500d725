"""The file to which the observer appends the samples of one device."""

from __future__ import annotations

import os
import struct
from pathlib import Path

from restart_bench.model.clock import FAR_NS, NS_PER_MS
from restart_bench.model.rig import Device, Point
from restart_bench.model.samples import SampleLayout
from restart_bench.observer.link import Sample
from restart_bench.observer.modbus import layout_for

FLUSH_NS = 100 * NS_PER_MS  # nothing older than this is ever lost


class PartFile:
    """The `.part` file of one device: whole records only, at once when told to, else within `FLUSH_NS`. Without a
    folder nothing is saved, and records are only offered."""

    def __init__(self, folder: Path | None, device: Device, points: list[Point]) -> None:
        """Goes on behind the samples of an earlier run where they were put there beforehand, with the same layout.
        Raises OSError where the file can't be made or holds anything else."""
        self.layout = layout_for(device, points)
        self._columns = struct.Struct(self.layout.format)
        self._blank = tuple(-1 if code == "b" else float("nan") for _, code in self.layout.points)
        path = folder / f"{device.name}.part" if folder is not None else None
        begun = _whole_part(path, self.layout) if path is not None and path.exists() else 0
        flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0) | (0 if begun else os.O_CREAT | os.O_EXCL)
        self._file = os.open(path, flags, 0o644) if path is not None else None
        self._offset = begun
        self._waiting = bytearray()
        self._since_ns = FAR_NS
        if not begun:
            self._write(self.layout.header())

    def due_ns(self) -> int:
        """When what waits has to be written."""
        return self._since_ns + FLUSH_NS if self._waiting else FAR_NS

    def add(self, cycle: int, sample: Sample, first: int) -> None:
        """One record; the values of its request begin at column `first` of the layout's points."""
        request, kind, exception, connection, sent_ns, received_ns, values = sample
        blank = self._blank
        row = blank[:first] + values + blank[first + len(values) :] if values else blank
        if not self._waiting:
            self._since_ns = received_ns
        self._waiting += self._columns.pack(
            cycle, request, kind, exception, connection & 0xFFFFFFFF, sent_ns, received_ns, *row
        )

    def flush(self) -> tuple[int, bytes]:
        """Write what waits: where in the file it begins, and the bytes."""
        data = bytes(self._waiting)
        self._waiting.clear()
        offset = self._offset
        self._write(data)
        return offset, data

    def close(self) -> None:
        """Write what waits and let go of the file."""
        self.flush()
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
