"""`python tests/worlds/mutating.py`: weakens the judge rule by rule and shows what notices it.

Each mutant is a small change of one module of the judge. The worlds and what is allowed for them are worked out once;
then every mutant judges them, up to the first find. Where they find nothing, the unit tests that are named for it are
run with a copy of the bench, which takes far longer. A mutant that nothing notices is a hole.
"""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
FIRST, COUNT = 9_000_000, 1000
KEPT = "restart_bench.model"
"""The room of plain values, which the worlds are made of."""


@dataclass(frozen=True)
class Mutant:
    """A rule weakened: `old` of a module replaced by `new`. `tests` are asked where no world notices."""

    rule: str
    module: str
    old: str
    new: str
    tests: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The module as it is imported."""
        return "restart_bench." + self.module.removesuffix(".py").replace("/", ".")

    def source(self) -> str:
        """The module with this change. Raises ValueError where the text to change does not stand there once."""
        text = (ROOT / "bench" / "restart_bench" / self.module).read_text(encoding="utf-8")
        if text.count(self.old) != 1:
            raise ValueError(f"{self.module}: {self.old!r} stands there {text.count(self.old)} times")
        return text.replace(self.old, self.new)


class _Changed(MetaPathFinder, Loader):
    """Gives one module of the bench in its changed form."""

    def __init__(self, mutant: Mutant) -> None:
        self.name, self.text, self.asked = mutant.name, mutant.source(), False

    def find_spec(self, name: str, path: Any, target: Any = None) -> ModuleSpec | None:
        del path, target
        return spec_from_loader(name, self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        self.asked = True
        exec(compile(self.text, self.name, "exec"), module.__dict__)


def judge_of(mutant: Mutant | None) -> Callable[..., Any] | None:
    """`judge_cycle` with this change; None where the judge of a cycle has no part in the changed module."""
    for name in [one for one in sys.modules if one.startswith("restart_bench.")]:
        if name != KEPT and not name.startswith(f"{KEPT}."):
            del sys.modules[name]
    finders = [] if mutant is None else [_Changed(mutant)]
    sys.meta_path[:0] = finders
    try:
        judge: Callable[..., Any] = importlib.import_module("restart_bench.judging.cycle").judge_cycle
    finally:
        del sys.meta_path[: len(finders)]
    return judge if all(one.asked for one in finders) else None


class Worlds:
    """Worlds with all that is allowed to be said of them, and where the judge as it is disagrees."""

    def __init__(self, count: int) -> None:
        from holding import demands, world_of
        from oracle import Oracle

        self.cases = []
        for seed in range(FIRST, FIRST + count):
            world, readings = world_of(seed)
            oracle = Oracle(world, readings)
            self.cases.append((world, oracle, list(demands(world, oracle)), oracle.invalid()))
        judge = judge_of(None)
        assert judge is not None
        self.known = set(self.finds(judge))

    def finds(self, judge: Callable[..., Any]) -> Iterator[tuple[int, str]]:
        """What is found in the worlds: the world's seed, and what it was."""
        from holding import compare

        for world, oracle, asked, invalid in self.cases:
            try:
                judged = judge(world.rig, world.scenario, world.records(), world.samples)
                found = [f"{one.sort} of {one.about}" for one in compare(world, oracle, judged, asked, invalid)]
            except Exception as problem:  # a judge that falls over is noticed like any other
                found = [f"fell over: {type(problem).__name__}"]
            for one in found:
                yield world.seed, one

    def new(self, judge: Callable[..., Any]) -> str:
        """The first find that is not one of the judge as it is; "" where there is none."""
        first = next((one for one in self.finds(judge) if one not in self.known), None)
        return "" if first is None else f"world {first[0]}: {first[1]}"


def failing_test(mutant: Mutant) -> str:
    """The first of the named tests that fails with this change; "" where none does. Raises RuntimeError where a test
    could not be run."""
    if not mutant.tests:
        return ""
    with tempfile.TemporaryDirectory() as folder:
        bench = Path(folder) / "bench"
        shutil.copytree(ROOT / "bench", bench, ignore=shutil.ignore_patterns("__pycache__"))
        (bench / "restart_bench" / mutant.module).write_text(mutant.source(), encoding="utf-8")
        environment = {**os.environ, "PYTHONPATH": str(bench), "PYTHONDONTWRITEBYTECODE": "1", "EXAMPLES_TIMES": "4"}
        command = [sys.executable, "-m", "pytest", "-qx", "-n", "0", "-p", "no:cacheprovider", *mutant.tests]
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{mutant.rule}: its tests could not be run:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    failed = (line.removeprefix("FAILED ") for line in done.stdout.splitlines() if line.startswith("FAILED "))
    return next(failed, "").partition(" - ")[0]


def noticed(mutant: Mutant, worlds: Worlds, *, tests: bool) -> str:
    """By what a mutant is noticed; "" where nothing does."""
    judge = judge_of(mutant)
    by = "" if judge is None else worlds.new(judge)
    return by or (failing_test(mutant) if tests else "")


_worlds: list[Worlds] = []
"""What the processes that try the mutants inherit: to work the worlds out anew would take each of them minutes."""


def _tried(mutant: Mutant, *, tests: bool) -> str:
    return noticed(mutant, _worlds[0], tests=tests)


def main() -> int:
    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--count", type=int, default=COUNT, help="worlds that judge each mutant at most")
    told.add_argument("--processes", type=int, default=1, help="mutants that are tried at a time")
    told.add_argument("--worlds-alone", action="store_true", help="don't run the named tests")
    told.add_argument(
        "--only", nargs="+", default=[""], metavar="TEXT", help="rules or modules with one of these texts"
    )
    told.add_argument("--list", action="store_true", help="name the mutants and try none")
    options = told.parse_args()
    from mutants import MUTANTS

    chosen = [one for one in MUTANTS if any(text in one.rule or text in one.module for text in options.only)]
    if options.list:
        print("\n".join(f"{one.module:26} {one.rule}" for one in chosen))
        return 0
    for one in chosen:
        one.source()  # a text that stands nowhere is told before minutes have gone
    begun = time.monotonic()
    _worlds.append(Worlds(options.count))
    took = time.monotonic() - begun
    print(
        f"the judge as it is: {len(_worlds[0].known)} disagreements in {options.count} worlds ({took:.0f} s)",
        flush=True,
    )
    missed = 0
    with ProcessPoolExecutor(options.processes, multiprocessing.get_context("fork")) as pool:
        tried = pool.map(partial(_tried, tests=not options.worlds_alone), chosen)
        for number, (mutant, by) in enumerate(zip(chosen, tried, strict=True), start=1):
            missed += not by
            print(f"{number:3}  {mutant.module:26} {mutant.rule:62} {by or 'NOTHING notices it'}", flush=True)
    print(f"{len(chosen)} mutants, {missed} not noticed, {time.monotonic() - begun:.0f} s")
    return 1 if missed or not chosen else 0


if __name__ == "__main__":
    raise SystemExit(main())
