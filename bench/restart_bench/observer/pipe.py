"""What goes from the observer to its parent: frames on a pipe, written by a thread so that nobody waits.

Frame: kind u8, device u16, offset u64, length u32 (little-endian), then `length` bytes. Kind 0: samples of the
device of that number, which have no file, as they would lie in it at `offset`. Kind 1: one JSON object. Kind 2: the
file of that device holds whole samples up to `offset`; nothing follows. Samples are dropped while the pipe is full;
messages never are.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import threading
import time
from collections import deque
from typing import Any

FRAME = struct.Struct("<BHQI")
SAMPLES, MESSAGE, SAVED = 0, 1, 2
_MOST_WAITING = 1 << 20  # bytes of samples that may wait for the reader
_LAST_WORDS_S = 0.5  # how long the end waits for a reader that still reads


class OfferingPipe:
    """The writing end: `offer` and `tell` return at once."""

    def __init__(self, descriptor: int) -> None:
        self.dropped = 0
        self._descriptor = descriptor
        self._frames: deque[tuple[int, bytes]] = deque()
        self._waiting = 0  # bytes of samples among them
        self._news = threading.Condition(threading.Lock())
        self._busy = False
        threading.Thread(target=self._work, daemon=True, name="pipe").start()

    def offer(self, device: int, offset: int, data: bytes, *, saved: bool) -> None:
        """Samples, dropped if too much waits already; of those that are saved only where they end."""
        if saved:
            frame = FRAME.pack(SAVED, device, offset + len(data), 0)
        else:
            frame = FRAME.pack(SAMPLES, device, offset, len(data)) + data
        with self._news:
            if self._waiting + len(frame) > _MOST_WAITING:
                self.dropped += 1
                return
            self._waiting += len(frame)
            self._frames.append((len(frame), frame))
            self._news.notify()

    def tell(self, message: dict[str, Any]) -> None:
        """A message, never dropped."""
        data = json.dumps(message).encode()
        with self._news:
            self._frames.append((0, FRAME.pack(MESSAGE, 0, 0, len(data)) + data))
            self._news.notify()

    def finish(self) -> None:
        """Wait a moment until all is written, not longer."""
        for _ in range(int(_LAST_WORDS_S / 0.01)):
            with self._news:
                if not self._frames and not self._busy:
                    return
            time.sleep(0.01)

    def _work(self) -> None:
        with contextlib.suppress(OSError):  # the reader is gone; the end of standard input says so too
            while True:
                with self._news:
                    self._busy = False
                    while not self._frames:
                        self._news.wait()
                    size, data = self._frames.popleft()
                    self._waiting -= size
                    self._busy = True
                rest = memoryview(data)
                while rest:
                    rest = rest[os.write(self._descriptor, rest) :]
