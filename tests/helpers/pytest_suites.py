"""pytest run on small simulated rigs, in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from lamp_suites import LampSuites
from warm_process import run_cold, run_warm

PLAIN = ("-p", "no:hypothesispytest")
"""Without a plug-in that has nothing to do here, and takes longer to load than the rest of pytest."""


class Suite(LampSuites):
    """The same, and pytest run on it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        (folder / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")

    def pytest(self, *arguments: str, warm: bool = True) -> Told:
        """pytest in a process of its own, in the suite's folder; not `warm`: nothing of the bench is imported yet."""
        remembers = "--lf" in arguments or "--cache" in arguments
        plain = PLAIN if remembers else (*PLAIN, "-p", "no:cacheprovider")
        asked = [*plain, *(one for one in arguments if one != "--cache")]
        return Told(pytest_apart(self.folder, *asked, warm=warm))


def pytest_apart(folder: Path, *arguments: str, warm: bool = True) -> subprocess.CompletedProcess[str]:
    """pytest in a process of its own that begins with the bench imported (`warm`) or from nothing, on wide lines."""
    begin = run_warm if warm else run_cold
    return begin(pytest_main, *arguments, folder=folder, env={**os.environ, "COLUMNS": "300"})


def pytest_main(*arguments: str) -> int:
    """pytest in the process that this is called in; returns its exit code."""
    sys.path.insert(0, str(Path.cwd()))
    return int(pytest.main([*arguments]))


class Told:
    """What pytest said."""

    def __init__(self, done: subprocess.CompletedProcess[str]) -> None:
        self.code = done.returncode
        self.text = done.stdout + done.stderr

    @property
    def summary(self) -> str:
        """The last line."""
        return self.text.strip().splitlines()[-1]

    def line(self, start: str) -> str:
        """The line of the short summary that begins so."""
        return next(line for line in self.text.splitlines() if line.startswith(start))
