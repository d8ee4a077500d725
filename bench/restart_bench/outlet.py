"""Where what is shown goes, so that nobody who reads slowly, or not at all, holds the bench.

A thread writes. What waits for a reader is bounded: the oldest lines are dropped, and their number is told in their
place. Nothing is dropped of a result, which waits for its reader to the end.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from typing import TextIO

_MOST_WAITING = 256 * 1024  # characters
_BUSY_S = 0.05  # a descriptor that must not wait for its reader is asked again after this


class Outlet:
    """Takes text like a stream and returns at once. A stream without a descriptor (in memory) is written directly.

    `whole`: nothing may be dropped. A reader that is gone is told to whoever writes next (OSError).
    """

    def __init__(self, stream: TextIO, *, whole: bool = False) -> None:
        self.encoding = getattr(stream, "encoding", None) or "utf-8"
        self._stream = stream
        self._descriptor = _descriptor_of(stream)
        self._whole = whole
        self._begun = ""
        self._lines: deque[str] = deque()
        self._waiting = self._dropped = 0
        self._busy = False
        self._problem: OSError | None = None
        self._news = threading.Condition()
        self._thread: threading.Thread | None = None

    def write(self, text: str) -> int:
        """Takes text in; whole lines go on at once."""
        if self._descriptor is None:
            return self._stream.write(text)
        if self._problem is not None:
            raise self._problem
        *lines, self._begun = (self._begun + text).split("\n")
        self._take(*(f"{line}\n" for line in lines))
        return len(text)

    def flush(self) -> None:
        """A stream in memory is flushed; else the thread does without."""
        if self._descriptor is None:
            self._stream.flush()

    def isatty(self) -> bool:
        """As the stream says."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """As the stream says."""
        return self._stream.fileno()

    def drain(self, within_s: float | None = None) -> bool:
        """Waits until the reader has got everything; False where that took longer, or he is gone. A signal ends it."""
        if self._begun:
            begun, self._begun = self._begun, ""
            self._take(begun)
        until = None if within_s is None else time.monotonic() + within_s
        with self._news:
            while (self._lines or self._busy) and self._problem is None:
                if until is not None and time.monotonic() >= until:
                    return False
                self._news.wait(0.1)
        return self._problem is None

    def _take(self, *lines: str) -> None:
        with self._news:
            for line in lines:
                self._lines.append(line)
                self._waiting += len(line)
            while self._waiting > _MOST_WAITING and not self._whole and len(self._lines) > 1:
                self._waiting -= len(self._lines.popleft())
                self._dropped += 1
            self._news.notify_all()
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, daemon=True, name="outlet")
            self._thread.start()

    def _work(self) -> None:
        try:
            while True:
                self._pass_on(self._next())
        except OSError as problem:
            with self._news:
                self._problem, self._busy = problem, False
                self._lines.clear()
                self._news.notify_all()

    def _next(self) -> str:
        with self._news:
            self._busy = False
            self._news.notify_all()
            while not self._lines:
                self._news.wait()
            self._busy = True
            line = self._lines.popleft()
            self._waiting -= len(line)
            missed, self._dropped = self._dropped, 0
        return f"({missed} lines are left out here: nobody read them in time)\n{line}" if missed else line

    def _pass_on(self, text: str) -> None:
        assert self._descriptor is not None
        rest = memoryview(text.replace("\n", os.linesep).encode(self.encoding, errors="replace"))
        while rest:
            try:
                rest = rest[os.write(self._descriptor, rest) :]
            except BlockingIOError:
                time.sleep(_BUSY_S)


def _descriptor_of(stream: TextIO) -> int | None:
    """Where the stream writes to, with nothing of it left behind in its own buffer; None for one in memory."""
    try:
        descriptor = stream.fileno()
        stream.flush()
    except (OSError, ValueError, AttributeError):
        return None
    return descriptor
