"""Tests whose module keeps a costly fixture stay on one worker, and so do those that measure rates.

Marks of `xdist_group` would say the same, but pytest 9.2 keeps pytest-xdist 3.8 from seeing them (`--dist loadgroup`
renames items through an attribute that is gone), so the scheduler is told here.
"""

from __future__ import annotations

import compileall
import gc
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from itertools import count
from pathlib import Path

import pytest
from _pytest.terminal import TerminalReporter
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling
from xdist.workermanage import WorkerController

from drawn import COMMON, examples
from tools import left_out
from warm_process import begin_warm, share_server

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # a thousand processes are started: they compile the bench once
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # each of them would start threads that have nothing to do
gc.set_threshold(100_000)  # thousands of tests and their modules stay: nothing is found by looking through them
settings.register_profile("any machine", examples(COMMON))
settings.load_profile("any machine")

HERE = Path(__file__).parent
NUMBERS = count(1)
COLD = {
    "restart_bench.simulated.handle": {
        "benchmarks", "worlds", "test_simulated_panel.py", "test_simulated_rig.py", "test_simulated_wire.py"
    },
    "restart_bench.observer.handle": {"benchmarks", "observer", "test_way_out.py"},
    "restart_bench.cli.fleet.children": {"benchmarks", "test_fleet_ways_out.py"},
}  # fmt: skip
"""Folders and files whose rigs, observers or children start from nothing: how long that takes, and how, is what they
look at."""
TOGETHER = {
    "tests/observer/test_dark_host.py",  # one cable, one pair of addresses
    "tests/run/test_safety_by_hand.py",  # one switch on the wall, and a lock for it
    "tests/test_house_rules.py",  # reads all of the code, once
}
QUICK = {"tests/files", "tests/model", "tests/plc", "tests/screen", "tests/suite"}
"""Folders whose tests take less than what it costs to hand one out: the cases of one go to a worker together."""


class ByCostlyFixture(LoadScopeScheduling):
    """Hands out single tests, and whole modules where a fixture of the module is shared. What is done is forgotten:
    after each test the library counts what is left by looking through all that a worker was ever given."""

    def mark_test_complete(self, node: WorkerController, item_index: int, duration: float = 0) -> None:
        nodeid = self.registered_collections[node][item_index]
        scope, given = self._split_scope(nodeid), self.assigned_work[node]
        given[scope][nodeid] = True
        if all(given[scope].values()):
            del given[scope]
        self._reschedule(node)

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        if "benchmarks" in file:
            return "benchmarks"
        if file in TOGETHER or _shares(file):
            return file
        return nodeid.partition("[")[0] if file.rpartition("/")[0] in QUICK else nodeid


@cache
def _shares(file: str) -> bool:
    path = HERE.parent / file
    return path.is_file() and 'scope="module"' in path.read_text(encoding="utf-8")


@pytest.fixture(scope="module", autouse=True)
def warm_processes(request: pytest.FixtureRequest) -> Iterator[None]:
    """A rig stands in for hardware, and every run has its observer: where a test's own process begins them, or one that
    `run_warm` begins, they begin with the bench imported."""
    here = {request.path.name, request.path.parent.name}
    with pytest.MonkeyPatch.context() as patch:
        begin_warm([handle for handle, cold in COLD.items() if not cold & here], patch)
        yield


@pytest.fixture(autouse=True)
def own_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """A test knows the archives that it made itself, and no others of this computer."""
    state = tmp_path_factory.getbasetemp() / f"state of the user {next(NUMBERS)}"  # most tests write none
    monkeypatch.setenv("RESTART_BENCH_STATE", str(state))


def pytest_configure(config: pytest.Config) -> None:
    """Bench and tests are compiled once, before many workers do it at one time, each for itself."""
    if hasattr(config, "workerinput"):
        return
    for folder in ("bench", "drivers"):
        compileall.compile_dir(HERE.parent / folder, quiet=2)
    if getattr(config.option, "numprocesses", None):
        _compile_tests()
        share_server()


def _compile_tests() -> None:
    """A pytest that only collects leaves the modules compiled as pytest wants them, its asserts explained."""
    made = f".{sys.implementation.cache_tag}-pytest-{pytest.__version__}.pyc"
    files = sorted(HERE.rglob("test_*.py"))
    lacking = [str(file) for file in files if not (file.parent / "__pycache__" / f"{file.stem}{made}").exists()]
    if len(lacking) > len(files) // 2:
        words = [sys.executable, "-m", "pytest", "-q", "-n0", "--collect-only", "-p", "no:cacheprovider"]
        silent = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        for one in [subprocess.Popen([*words, *half], **silent) for half in (lacking[::2], lacking[1::2])]:
            one.wait()


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
