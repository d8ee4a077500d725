"""The parent's handle on one child run: starts it, hears it, asks it to stop. It never ends it by force: the way out
of a run is the run's own."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from restart_bench.cli.fleet.rows import Message

Heard = Callable[[Message], None]


class Child:
    """One child run. `heard` is called from a thread of its own: with each message, and at last, once the process has
    ended, with `{"tell": "gone", "how": ...}`."""

    def __init__(self, asked: Mapping[str, Any], output: Path, heard: Heard) -> None:
        """Starts it; all that it says beside messages goes into the new file `output`. Raises OSError."""
        with output.open("xb") as file:
            self._process = subprocess.Popen(
                [sys.executable, "-X", "utf8", "-m", "restart_bench.cli.fleet"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=file,
                encoding="utf-8",
                start_new_session=sys.platform != "win32",  # no signal of the console reaches it but through its orders
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._orders: IO[str] = self._process.stdin
        threading.Thread(target=self._hear, args=(self._process.stdout, heard), daemon=True, name="child").start()
        self._order(json.dumps(asked))

    def go(self) -> None:
        """The others are ready too: it may begin."""
        self._order("go")

    def stop(self, who: str) -> None:
        """Asks it to go its way out; returns at once."""
        self._order(f"stop {who}")

    def let_go(self) -> None:
        """The end of its orders: where it has not ended yet, it goes its way out."""
        with suppress(OSError):
            self._orders.close()

    def _order(self, line: str) -> None:
        with suppress(OSError, ValueError):  # it has ended; its thread tells how
            self._orders.write(f"{line}\n")
            self._orders.flush()

    def _hear(self, messages: IO[str], heard: Heard) -> None:
        for line in messages:
            with suppress(ValueError):  # what was left out is told in words
                heard(json.loads(line))
        code = self._process.wait()
        heard({"tell": "gone", "how": f"signal {-code}" if code < 0 else f"exit code {code}"})
