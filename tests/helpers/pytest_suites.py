"""pytest run on small simulated rigs, in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from lamp_suites import LampSuites

PLAIN = ("-p", "no:hypothesispytest")
"""Without a plug-in that has nothing to do here, and takes longer to load than the rest of pytest."""


class Suite(LampSuites):
    """The same, and pytest run on it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        (folder / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")

    def pytest(self, *arguments: str) -> Told:
        """pytest in a process of its own, in the suite's folder."""
        remembers = "--lf" in arguments or "--cache" in arguments
        plain = PLAIN if remembers else (*PLAIN, "-p", "no:cacheprovider")
        command = [sys.executable, "-m", "pytest", *plain, *(one for one in arguments if one != "--cache")]
        done = subprocess.run(
            command,
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
            env={**os.environ, "COLUMNS": "300"},
        )
        return Told(done.returncode, done.stdout + done.stderr)


class Told:
    """What pytest said."""

    def __init__(self, code: int, text: str) -> None:
        self.code = code
        self.text = text

    @property
    def summary(self) -> str:
        """The last line."""
        return self.text.strip().splitlines()[-1]

    def line(self, start: str) -> str:
        """The line of the short summary that begins so."""
        return next(line for line in self.text.splitlines() if line.startswith(start))
