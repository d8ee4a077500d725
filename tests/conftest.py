"""Tests whose module keeps a costly fixture stay on one worker, and so do those that measure rates.

Marks of `xdist_group` would say the same, but pytest 9.2 keeps pytest-xdist 3.8 from seeing them (`--dist loadgroup`
renames items through an attribute that is gone), so the scheduler is told here.
"""

from __future__ import annotations

import compileall
import gc
import os
import subprocess
from collections.abc import Iterator
from functools import cache
from itertools import count
from pathlib import Path
from types import SimpleNamespace

import pytest
from _pytest.terminal import TerminalReporter
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

from drawn import COMMON, examples
from restart_bench.simulated import handle
from tools import left_out
from warm_process import WarmRig

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # a thousand processes are started: they compile the bench once
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # each of them would start threads that have nothing to do
gc.set_threshold(100_000)  # thousands of tests and their modules stay: nothing is found by looking through them
settings.register_profile("any machine", examples(COMMON))
settings.load_profile("any machine")

HERE = Path(__file__).parent
NUMBERS = count(1)
COLD_RIGS = {"benchmarks", "worlds", "test_simulated_panel.py", "test_simulated_rig.py", "test_simulated_wire.py"}
"""Folders and files whose rigs start from nothing: how long that takes, and how it is done, is what they look at."""
TOGETHER = {
    "tests/observer/test_dark_host.py",  # one cable, one pair of addresses
    "tests/run/test_safety_by_hand.py",  # one switch on the wall, and a lock for it
    "tests/test_house_rules.py",  # reads all of the code, once
}


class ByCostlyFixture(LoadScopeScheduling):
    """Hands out single tests, and whole modules where a fixture of the module is shared."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        if "benchmarks" in file:
            return "benchmarks"
        return file if file in TOGETHER or _shares(file) else nodeid


@cache
def _shares(file: str) -> bool:
    path = HERE.parent / file
    return path.is_file() and 'scope="module"' in path.read_text(encoding="utf-8")


@pytest.fixture(scope="module", autouse=True)
def warm_rigs(request: pytest.FixtureRequest) -> Iterator[None]:
    """A rig stands in for hardware: where a test's own process begins it, it begins with the bench imported."""
    with pytest.MonkeyPatch.context() as patch:
        if hasattr(os, "fork") and not COLD_RIGS & {request.path.name, request.path.parent.name}:
            known = {name: getattr(subprocess, name) for name in ("PIPE", "TimeoutExpired")}
            patch.setattr(handle, "subprocess", SimpleNamespace(Popen=WarmRig, **known))
        yield


@pytest.fixture(autouse=True)
def own_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """A test knows the archives that it made itself, and no others of this computer."""
    state = tmp_path_factory.getbasetemp() / f"state of the user {next(NUMBERS)}"  # most tests write none
    monkeypatch.setenv("RESTART_BENCH_STATE", str(state))


def pytest_configure(config: pytest.Config) -> None:
    """The bench is compiled once, before many workers do it at one time, each for itself."""
    if not hasattr(config, "workerinput"):
        for folder in ("bench", "drivers"):
            compileall.compile_dir(HERE.parent / folder, quiet=2)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadScopeScheduling | None:
    """Only where workers were asked for without naming another way of sharing out."""
    return ByCostlyFixture(config, log) if config.getoption("dist", "no") == "load" else None


def pytest_terminal_summary(terminalreporter: TerminalReporter) -> None:
    """Counts what was left out on this computer, each with the line that brings what was lacking."""
    skipped = terminalreporter.stats.get("skipped", ())
    lines = left_out(str(report.longrepr[2]) for report in skipped if isinstance(report.longrepr, tuple))
    for line in lines:
        terminalreporter.write_line(line, yellow=True)
