"""The truth log: every transition of the simulated rig with the instants just before and just after it.

One JSON line each: {"what": ..., "name": ..., "value": ..., "before_ns": ..., "after_ns": ...} on the bench's clock.
what: supply (contact), rail, stage (of a device), program (running or not), output (at the controller's terminal),
image (what the controller answers), terminal (what an independent input reads), command (what a client wrote).
These are changes. write (a client asked to write a point, `supply` for the relay's coil, or a place that no point has,
such as `independent coil 7`; value: the bits or registers) tells every request, also a repeated or a refused one.
A client that reads after `after_ns` sees the new value, one that was answered before `before_ns` the old one.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any, TextIO

from restart_bench.model.clock import now_ns

FLUSH_AFTER_S = 0.05


class Truth:
    """The log of one simulation; without a path nothing is kept."""

    def __init__(self, path: str) -> None:
        self._file: TextIO | None = Path(path).open("w", encoding="utf-8") if path else None  # noqa: SIM115
        self._known: dict[tuple[str, str], Any] = {}
        self._flush: asyncio.TimerHandle | None = None

    def note(self, what: str, name: str, value: Any, before_ns: int) -> None:
        """Write a line if the value is another one than before."""
        if self._known.get((what, name), _NOTHING) == value:
            return
        self._known[what, name] = value
        self.tell(what, name, value, before_ns)

    def tell(self, what: str, name: str, value: Any, before_ns: int) -> None:
        """Write a line in any case."""
        if self._file is None:
            return
        told = {"what": what, "name": name, "value": value, "before_ns": before_ns, "after_ns": now_ns()}
        self._file.write(json.dumps(told) + "\n")
        if self._flush is None:
            self._flush = asyncio.get_running_loop().call_later(FLUSH_AFTER_S, self.flush)

    def flush(self) -> None:
        """All that is known stands in the file."""
        if self._flush is not None:
            self._flush.cancel()
            self._flush = None
        if self._file is not None:
            self._file.flush()

    def close(self) -> None:
        """Write what is left and close the file."""
        self.flush()
        if self._file is not None:
            self._file.close()
            self._file = None


_NOTHING = object()
