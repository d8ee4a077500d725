"""`python tests/worlds/mutating.py`: weakens the judge rule by rule and shows what notices it.

Each mutant is a small change of one module, made in a copy of the bench; the worlds are judged by the copy, and where
they find nothing new the unit tests that are named for it are run with it. A mutant that nothing notices is a hole.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
FIRST, COUNT = 9_000_000, 3000
FIND_NEW = """
import json, sys
from holding import finds_of
known = set(json.loads(sys.argv[3]))
for seed in range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2])):
    try:
        new = [f"{one.seed} {one.sort} of {one.about}" for one in finds_of(seed)]
    except Exception as problem:
        new = [f"{seed} fell over: {type(problem).__name__}"]
    new = [one for one in new if one not in known]
    if new:
        print(seed - int(sys.argv[1]) + 1, new[0])
        break
"""
ALL_FINDS = """
import json, sys
from holding import finds_of
seeds = range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2]))
print(json.dumps([f"{one.seed} {one.sort} of {one.about}" for seed in seeds for one in finds_of(seed)]))
"""


@dataclass(frozen=True)
class Mutant:
    """A rule weakened: `old` of a module replaced by `new`. `tests` are asked where no world notices."""

    rule: str
    module: str
    old: str
    new: str
    tests: tuple[str, ...] = ()


@dataclass(frozen=True)
class Noticed:
    """What came of a mutant: by what it was noticed, "" where nothing did."""

    mutant: Mutant
    by: str
    told: str


def mutated(mutant: Mutant, folder: Path) -> Path:
    """A copy of the bench with this change. Raises ValueError where the text to change does not stand there once."""
    bench = folder / "bench"
    shutil.copytree(ROOT / "bench", bench, ignore=shutil.ignore_patterns("__pycache__"))
    path = bench / "restart_bench" / mutant.module
    text = path.read_text(encoding="utf-8")
    if text.count(mutant.old) != 1:
        raise ValueError(f"{mutant.module}: {mutant.old!r} stands there {text.count(mutant.old)} times")
    path.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
    return bench


def _asked(code: str, bench: Path, *arguments: str) -> str:
    paths = os.pathsep.join((str(bench), str(HERE)))
    environment = {**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        return f"0 fell over: {done.stderr.strip().splitlines()[-1]}"
    return done.stdout.strip()


def known_finds(count: int) -> str:
    """What the worlds find in the judge as it is."""
    return _asked(ALL_FINDS, ROOT / "bench", str(FIRST), str(count))


def try_mutant(mutant: Mutant, known: str, count: int) -> Noticed:
    """Is it noticed, and by what."""
    with tempfile.TemporaryDirectory() as folder:
        bench = mutated(mutant, Path(folder))
        told = _asked(FIND_NEW, bench, str(FIRST), str(count), known)
        if told:
            number, _, what = told.partition(" ")
            return Noticed(mutant, f"world {number}", what)
        for test in mutant.tests:
            environment = {**os.environ, "PYTHONPATH": str(bench), "PYTHONDONTWRITEBYTECODE": "1"}
            command = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", test]
            done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
            if done.returncode == 1:
                return Noticed(mutant, "test", test)
    return Noticed(mutant, "", "NOTHING notices it")


def table(results: Iterator[Noticed]) -> int:
    """Prints a line for each; how many were not noticed."""
    missed = 0
    for number, one in enumerate(results, start=1):
        missed += not one.by
        print(f"{number:3}  {one.mutant.module:14} {one.mutant.rule:78} {one.by or '-':12} {one.told}", flush=True)
    print(f"{number} mutants, {missed} not noticed")
    return missed


def main() -> int:
    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--count", type=int, default=COUNT, help="worlds that judge each mutant at most")
    told.add_argument("--only", default="", help="only rules that contain this text")
    options = told.parse_args()
    from mutants import MUTANTS

    chosen = [one for one in MUTANTS if options.only in one.rule or options.only in one.module]
    known = known_finds(options.count)
    print(f"the judge as it is: {len(json.loads(known))} disagreements in {options.count} worlds")
    return min(1, table(try_mutant(one, known, options.count) for one in chosen))


if __name__ == "__main__":
    raise SystemExit(main())
