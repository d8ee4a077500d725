"""Samples: what came of every request on the wire, how they lie in a file, and what their raw numbers mean."""

from __future__ import annotations

import json
import math
import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Literal

from restart_bench.model.rig import BIT_TABLES, Point, Value

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


class SampleKind(IntEnum):
    """What came of one request (or of one attempt to connect, whose request is "connect")."""

    GOOD = 0  # values
    EXCEPTION = 1  # an answer, not a value
    SILENT = 2  # nothing within `answer_within`; an attempt to connect given up
    REFUSED = 3  # connect refused: the stack is up, the server is not
    RESET = 4  # the peer reset an established connection (archives from before 7: or closed it)
    LATE = 5  # a valid reply after its time: proves that the peer kept its state; carries no values
    ACCEPTED = 6  # connect accepted
    CLOSED = 7  # the peer closed an established connection in good order, as nobody does who loses its supply


KIND_WORDS: dict[int, str] = {kind.value: kind.name.lower() for kind in SampleKind}


CONNECT = 65535
"""Number of the request "connect" in `SampleLayout.requests` order."""


@dataclass(frozen=True, slots=True)
class SampleLayout:
    """How the samples of one device lie in a `.part` file: one JSON line (`header`), then fixed-size records.

    Record: cycle u32, request u16, kind u8, exception u8, connection u32, sent i64, received i64 (ns of the
    bench's clock), then per point one int8 (bits: 0, 1, or -1 for "not read") or one float64 (registers, scaled;
    NaN for "not read"). `requests` names them for people ("read coils 0..2", "write coil 0"); request number
    65535 is "connect". Little-endian, packed. A torn last record is dropped by the reader.
    """

    device: str
    requests: tuple[str, ...]
    points: tuple[tuple[str, Literal["b", "d"]], ...]

    @property
    def format(self) -> str:
        """Format for `struct`."""
        return "<IHBBIqq" + "".join(code for _, code in self.points)

    @property
    def size(self) -> int:
        """Bytes of one record."""
        return struct.calcsize(self.format)

    def header(self) -> bytes:
        """First line of the file."""
        text = json.dumps({"device": self.device, "requests": self.requests, "points": self.points})
        return text.encode() + b"\n"

    @staticmethod
    def from_header(line: bytes) -> SampleLayout:
        """The layout that a file's first line tells. Raises ValueError on anything else."""
        told = json.loads(line)
        return SampleLayout(
            device=told["device"],
            requests=tuple(told["requests"]),
            points=tuple((name, code) for name, code in told["points"]),
        )

    def dtype(self) -> np.dtype[np.void]:
        """The same layout for numpy; point columns bear the point's name."""
        import numpy as np

        columns: list[tuple[str, str]] = [
            ("cycle", "<u4"), ("request", "<u2"), ("kind", "u1"), ("exception", "u1"),
            ("connection", "<u4"), ("sent_ns", "<i8"), ("received_ns", "<i8"),
        ]  # fmt: skip
        columns += [(f"p:{name}", "i1" if code == "b" else "<f8") for name, code in self.points]
        return np.dtype(columns)


@dataclass(frozen=True, slots=True)
class DeviceSamples:
    """Samples of one device, in order of `received_ns`. `records` has the layout's dtype; column of a point:
    `records["p:" + name]`. Condensed samples (see `condensing`) have one column more."""

    layout: SampleLayout
    records: npt.NDArray[np.void]


def decoded(point: Point, raw: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
    """The column of a point as values: off and on are 0 and 1, NaN is blind (not read, no number, between levels)."""
    import numpy as np  # the observer's process reads this module and starts without it

    value = raw.astype(np.float64)
    if point.table in BIT_TABLES:
        value[value < 0] = np.nan
    if point.levels is None:
        return value
    levels = np.full(len(value), np.nan)
    levels[value <= point.levels.off_below] = 0.0
    levels[value >= point.levels.on_above] = 1.0
    return levels


def as_value(point: Point, number: float) -> Value | None:
    """One decoded number in the point's own type; None where it is blind."""
    if math.isnan(number):
        return None
    if point.is_boolean:
        return number != 0
    return int(number) if point.type != "float32" and point.scale == 1.0 else number
