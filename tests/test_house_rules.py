"""Rules of the house: lint, types, who may import whom, what lies at the top level, and that the README is true."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


FLOORS = (
    ("model",),
    ("files", "evidence", "observer", "plc", "campaigns"),
    ("suite", "judging", "simulated", "predict"),
    ("archive", "screen"),
    ("run", "report", "compare"),
    ("cli", "pytest_plugin"),
)
"""The rooms of the drawing in DEVELOPERS.md, the ground floor first: a room may import what lies below it."""
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}
DRIVERS = "restart_bench_drivers"
MAY_OPEN_SUPPLIES = {"suite", "archive", "screen", "run", "report", "compare", "cli", "pytest_plugin"}
"""Rooms that may know the drivers, which lie on the ground like the model."""
DECIDING = {"judging", "evidence", "plc", "campaigns", "compare", "predict"}
OUTSIDE = {
    "asyncio", "http", "multiprocessing", "pymodbus", "select", "selectors", "serial", "signal", "socket", "subprocess",
    "threading", "time", "urllib", DRIVERS,
}  # fmt: skip
"""What a deciding room may not import: sockets, clocks, other processes, drivers."""
READS_FILES = {"restart_bench.compare.baselines"}
"""The one module of a deciding room that opens archives, so that what it compares comes in as plain values."""
CLOCK_CONSTANTS = {"NS_PER_MS", "NS_PER_S", "HOUR_NS", "FAR_NS", "BLIND_NS", "Bounds"}
MOST_FILES = 16
"""Files that one looks through in a room before one looks for another way."""

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "bench", "scenarios", "drivers", "tests", "logs"}


# ---------------------------------------------------------------- rooms and imports


@cache
def modules() -> dict[str, Path]:
    """Every module of both packages by its full name."""
    found = {}
    for source in (ROOT / "bench", ROOT / "drivers"):
        for path in sorted(source.rglob("*.py")):
            parts = list(path.relative_to(source).with_suffix("").parts)
            if parts[-1] == "__init__":
                parts.pop()
            found[".".join(parts)] = path
    return found


@cache
def tree_of(path: Path) -> ast.Module:
    """A file of Python, read once for all rules that look at it."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imports_of(path: Path, *, typing_too: bool = False) -> Iterator[tuple[str, str, int]]:
    """Every import of a file, also inside functions: module, name ("" for a whole module), line."""
    tree = tree_of(path)
    only_typing = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            only_typing |= {id(inner) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in only_typing and not typing_too:
            continue
        if isinstance(node, ast.Import):
            yield from ((alias.name, "", node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.module or "", alias.name, node.lineno) for alias in node.names)


def room_of(module: str) -> str:
    """The room in which a module of the bench stands; "" for anything else."""
    parts = module.split(".")
    return parts[1] if parts[0] == "restart_bench" and len(parts) > 1 else ""


def test_every_module_stands_in_a_room() -> None:
    """A module that lies in no room of the drawing is nowhere: nobody can say what it may import."""
    outside = [name for name in modules() if name.startswith("restart_bench.") and room_of(name) not in FLOOR_OF]
    assert outside == []


def test_a_room_can_be_looked_through() -> None:
    """No folder holds more files than a newcomer reads the names of."""
    folders: dict[Path, int] = {}
    for path in modules().values():
        if path.name != "__init__.py":
            folders[path.parent] = folders.get(path.parent, 0) + 1
    assert {folder.name: number for folder, number in folders.items() if number > MOST_FILES} == {}


def test_imports_run_downwards() -> None:
    """A room imports itself and rooms on lower floors, also inside functions; drivers lie on the ground."""
    upward = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if (here := room_of(name))
        for target, _, line in imports_of(path)
        if not _may_import(here, target)
    ]
    assert upward == []


def _may_import(here: str, target: str) -> bool:
    if target.startswith(DRIVERS):
        return here in MAY_OPEN_SUPPLIES
    there = room_of(target)
    return there in ("", here) or FLOOR_OF[there] < FLOOR_OF[here]


def test_deciding_rooms_touch_nothing_outside() -> None:
    """What judges evidence knows no sockets, no clock, no processes and no drivers: values in, findings out."""
    touching = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if room_of(name) in DECIDING and name not in READS_FILES
        for target, imported, line in imports_of(path)
        if target.split(".")[0] in OUTSIDE
        or (target == "restart_bench.model.clock" and imported not in CLOCK_CONSTANTS)
    ]
    assert touching == []


def test_a_supply_driver_imports_nothing_of_the_bench() -> None:
    """A driver is one file that third parties can copy: it knows its interface and its hardware."""
    importing = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if name.startswith(DRIVERS)
        for target, _, line in imports_of(path, typing_too=True)
        if target.split(".")[0] == "restart_bench"
    ]
    assert importing == []


def test_the_simulated_rig_shares_values_and_the_interpreter() -> None:
    """The simulated rig knows what rig and program are and how a scan goes, and nothing that judges or acts."""
    importing = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if room_of(name) == "simulated"
        for target, _, line in imports_of(path)
        if room_of(target) not in ("", "model", "plc", "simulated") or target.split(".")[0] == DRIVERS
    ]
    assert importing == []


def test_names_are_imported_from_the_module_that_defines_them() -> None:
    """Nothing is imported from a package's root, and nothing relatively: inner modules would tie a knot with it."""
    packages = {name for name, path in modules().items() if path.name == "__init__.py"}
    rooted = [
        f"{name}:{line} imports {imported} from {target}"
        for name, path in modules().items()
        for target, imported, line in imports_of(path, typing_too=True)
        if imported and (target == "" or (target in packages and f"{target}.{imported}" not in modules()))
    ]
    assert rooted == []


def test_no_private_name_is_imported() -> None:
    """A name that begins with `_` is its module's own: whoever else needs it shows that it is none."""
    private = [
        f"{name}:{line} imports {imported} from {target}"
        for name, path in modules().items()
        for target, imported, line in imports_of(path, typing_too=True)
        if target in modules() and imported.startswith("_")
    ]
    assert private == []


def test_a_name_is_imported_once_in_a_module() -> None:
    """What is imported at a module's head is not imported again, neither inside a function nor for types alone."""
    twice = []
    for name, path in modules().items():
        head = {
            (node.module, alias.name)
            for node in tree_of(path).body
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }
        lines: dict[tuple[str, str], list[int]] = {}
        for target, imported, line in imports_of(path, typing_too=True):
            lines.setdefault((target, imported), []).append(line)
        twice += [f"{name}: {key} on lines {at}" for key, at in lines.items() if key in head and len(at) > 1]
    assert twice == []


def test_there_are_no_import_cycles() -> None:
    """No module imports itself by way of others, not even inside functions."""
    known = modules()
    graph = {
        name: {target for target, _, _ in imports_of(path) if target in known and target != name}
        for name, path in known.items()
    }
    while leaves := {name for name, targets in graph.items() if not targets & graph.keys()}:
        graph = {name: targets for name, targets in graph.items() if name not in leaves}
    assert sorted(graph) == []


# ---------------------------------------------------------------- lint and types


def _run(*command: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False, timeout=600
    )
    return done.returncode, done.stdout + done.stderr


def test_lint_is_clean() -> None:
    """`ruff check` finds nothing in code, drivers and tests."""
    code, said = _run("ruff", "check", ".")
    assert code == 0, said


def test_formatting_is_clean() -> None:
    """`ruff format` would change nothing."""
    code, said = _run("ruff", "format", "--check", ".")
    assert code == 0, said


def test_types_are_clean() -> None:
    """`mypy --strict` (set up in pyproject.toml) finds nothing. Where nobody asks again, nothing is kept for it."""
    code, said = _run("mypy", *(["--cache-dir", os.devnull] if os.environ.get("CI") == "true" else []))
    assert code == 0, said


# ---------------------------------------------------------------- files


@cache
def kept_files() -> tuple[Path, ...]:
    """The files of the project: what git keeps, or, without git, all but caches."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
        names = [name.decode() for name in listed.split(b"\0") if name]
    else:
        left_out = re.compile(r"(^|/)(\.[^/]*|__pycache__|build|[^/]*\.egg-info)(/|$)|^logs/")
        every = (path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*") if path.is_file())
        names = [name for name in every if not left_out.search(name)]
    return tuple(ROOT / name for name in names if (ROOT / name).is_file())


def test_the_top_level_holds_what_belongs_there() -> None:
    """README, DEVELOPERS, pyproject and five folders; everything else lies inside them or begins with a dot."""
    top = {path.relative_to(ROOT).parts[0] for path in kept_files()}
    assert sorted(name for name in top if not name.startswith(".")) == sorted(TOP_LEVEL)


def test_no_file_bears_a_path_of_somebodys_machine() -> None:
    """What works only on the computer where it was written does not belong into the project."""
    places = ["/" + place for place in ("work/main", "work/shared", "opt/rb", "root/", "home/")] + ["C:" + "\\Users"]
    bearing = []
    for path in kept_files():
        text = path.read_bytes().decode("utf-8", errors="ignore")
        bearing += [f"{path.relative_to(ROOT)}: {place}" for place in places if place in text]
    assert bearing == []


def test_every_test_states_its_rule() -> None:
    """A test's docstring says in a sentence which rule it checks."""
    mute = [
        f"{path.name}:{node.lineno} {node.name}"
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert mute == []


# ---------------------------------------------------------------- README


def readme() -> str:
    """The README's text."""
    return (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_readmes_test_command_is_the_one_that_ci_runs() -> None:
    """Whoever types the README's test command runs what the project itself is checked with."""
    commands = [line.strip() for line in readme().splitlines() if "pytest" in line and ".venv/bin/pip install" in line]
    assert len(commands) == 1
    assert commands[0] in [line.strip() for line in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()]


@pytest.mark.parametrize("code", ["0", "1", "2", "3", "4", "130"])
def test_the_readme_explains_every_exit_code(code: str) -> None:
    """Who builds a script on the bench finds each exit code in the README's table."""
    assert re.search(rf"^\| `?{code}`? \|", readme(), re.MULTILINE)


def test_links_of_the_readme_lead_somewhere() -> None:
    """Files and pictures that README and DEVELOPERS point to are there."""
    dead = []
    for page in ("README.md", "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#]+)[^)]*\)", (ROOT / page).read_text(encoding="utf-8")):
            if "://" not in target and not (ROOT / target).exists():
                dead.append(f"{page}: {target}")
    assert dead == []
