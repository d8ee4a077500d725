"""`python tests/worlds/mutating.py`: weakens the judge rule by rule and shows what notices it.

Each mutant is a small change of one module of the judge. The worlds and what is allowed for them are worked out once;
then every mutant judges them. Where they find nothing, the unit tests that are named for it are run with a copy of the
bench. A mutant that nothing notices is a hole.
"""

from __future__ import annotations

import argparse
import importlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
FIRST, COUNT = 9_000_000, 1500
KEPT = ("records", "rig", "scenario", "units", "reasons", "decoding", "statistics")
"""Modules of plain values, which the worlds are made of."""


@dataclass(frozen=True)
class Mutant:
    """A rule weakened: `old` of a module replaced by `new`. `tests` are asked where no world notices."""

    rule: str
    module: str
    old: str
    new: str
    tests: tuple[str, ...] = ()

    def source(self) -> str:
        """The module with this change. Raises ValueError where the text to change does not stand there once."""
        text = (ROOT / "bench" / "restart_bench" / self.module).read_text(encoding="utf-8")
        if text.count(self.old) != 1:
            raise ValueError(f"{self.module}: {self.old!r} stands there {text.count(self.old)} times")
        return text.replace(self.old, self.new)


class _Changed(MetaPathFinder, Loader):
    """Gives one module of the bench in its changed form."""

    def __init__(self, mutant: Mutant) -> None:
        self.name = f"restart_bench.{Path(mutant.module).stem}"
        self.text = mutant.source()

    def find_spec(self, name: str, path: Any, target: Any = None) -> ModuleSpec | None:
        del path, target
        return spec_from_loader(name, self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.text, self.name, "exec"), module.__dict__)


def judge_of(mutant: Mutant | None) -> Callable[..., Any]:
    """`judge_cycle` with this change."""
    for name in [one for one in sys.modules if one.startswith("restart_bench.")]:
        if name.removeprefix("restart_bench.") not in KEPT:
            del sys.modules[name]
    finders = [] if mutant is None else [_Changed(mutant)]
    sys.meta_path[:0] = finders
    try:
        judge: Callable[..., Any] = importlib.import_module("restart_bench.judging").judge_cycle
    finally:
        del sys.meta_path[: len(finders)]
    return judge


class Worlds:
    """Worlds with all that is allowed to be said of them."""

    def __init__(self, count: int) -> None:
        from holding import demands, world_of
        from oracle import Oracle

        self.cases = []
        for seed in range(FIRST, FIRST + count):
            world, readings = world_of(seed)
            oracle = Oracle(world, readings)
            self.cases.append((world, oracle, list(demands(world, oracle)), oracle.invalid()))

    def finds(self, judge: Callable[..., Any]) -> Iterator[tuple[int, str]]:
        """Number of the world and what was found in it."""
        from holding import compare

        for number, (world, oracle, asked, invalid) in enumerate(self.cases, start=1):
            try:
                judged = judge(world.rig, world.scenario, world.records(), world.samples)
                found = [f"{one.sort} of {one.about}" for one in compare(world, oracle, judged, asked, invalid)]
            except Exception as problem:  # a judge that falls over is noticed like any other
                found = [f"fell over: {type(problem).__name__}"]
            for one in found:
                yield number, one


def failing_test(mutant: Mutant) -> str:
    """The first of the named tests that fails with this change; "" where none does."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Path(folder) / "bench"
        shutil.copytree(ROOT / "bench", bench, ignore=shutil.ignore_patterns("__pycache__"))
        (bench / "restart_bench" / mutant.module).write_text(mutant.source(), encoding="utf-8")
        paths = os.pathsep.join((str(bench), str(ROOT / "tests")))
        environment = {**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"}
        for test in mutant.tests:
            command = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", test]
            done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
            if done.returncode == 1:
                return test
    return ""


def noticed(mutant: Mutant, worlds: Worlds, known: set[tuple[int, str]], *, tests: bool) -> str:
    """By what a mutant is noticed; "" where nothing does."""
    new = (one for one in worlds.finds(judge_of(mutant)) if one not in known)
    first = next(new, None)
    if first is not None:
        return f"world {first[0]}: {first[1]}"
    return failing_test(mutant) if tests else ""


def main() -> int:
    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--count", type=int, default=COUNT, help="worlds that judge each mutant at most")
    told.add_argument("--worlds-alone", action="store_true", help="don't run the named tests")
    told.add_argument("--only", default="", help="only rules or modules that contain this text")
    options = told.parse_args()
    from mutants import MUTANTS

    worlds = Worlds(options.count)
    known = set(worlds.finds(judge_of(None)))
    print(f"the judge as it is: {len(known)} disagreements in {options.count} worlds", flush=True)
    chosen = [one for one in MUTANTS if options.only in one.rule or options.only in one.module]
    missed = 0
    for number, mutant in enumerate(chosen, start=1):
        by = noticed(mutant, worlds, known, tests=not options.worlds_alone)
        missed += not by
        print(f"{number:3}  {mutant.module:14} {mutant.rule:62} {by or 'NOTHING notices it'}", flush=True)
    print(f"{len(chosen)} mutants, {missed} not noticed")
    return min(1, missed)


if __name__ == "__main__":
    raise SystemExit(main())
