"""Rules of the house: lint, types, who may import whom, what lies at the top level, and that the README is true."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


DRAWING = {
    0: """
        units records rig decoding scenario program file_faults clock live outcome statistics cautions durations
        order_statistics censoring threshold verdict_order verdict_looks codec
        link link_values modbus_wire pace observer_pipe
        conditions cures yaml_tree file_types file_models file_points rig_model rig_file rig_points supply_file
        supply_address
        scenario_model scenario_file scenario_steps scenario_expect program_model program_file ordered_faults suite
        schema simulation_setup limits
    """,
    1: """
        scan scan_blocks plan comparing rehearsing looking replaying
        condensing long_cycles
        traces supply_off contact restarts marks evidence noting reasons outputs proving validity pulses expecting
        timing stepping judging concluding matrix predict
    """,
    2: """
        runner cycle hands waiting limiting safety resuming unfinished righting parking telling viewing reporting
        earlier
        observer observer_sockets observing sample_store simulation
        screen frame gathered lanes block_letters plain_show outlet face_values echoes rehearsal_words plan_lines
        results result_documents driver_lines archive_lines record
        archive archive_files archive_reading archive_soundness archive_tables killed parts logs comparing_runs
        judging_again new_on_old known_archives
    """,
    3: "cli cli_common cli_archive look new replay pytest_plugin pytest_items pytest_workers",
}
"""The rows of the drawing in DEVELOPERS.md, lowest first: leaves, deciding, acting with showing and keeping, faces.

`statistics` and what rests on it decide, but stand among the leaves: they import nothing else of the bench, and files
need the sizes and durations that they tell.
"""
ROWS = {name: row for row, names in DRAWING.items() for name in names.split()}

OUTSIDE = {
    "asyncio", "http", "multiprocessing", "pymodbus", "select", "selectors", "serial", "signal", "socket", "subprocess",
    "threading", "time", "urllib", "restart_bench_drivers",
}  # fmt: skip
"""What a deciding module may not import: sockets, clocks, other processes, drivers."""
CLOCK_CONSTANTS = {"NS_PER_MS", "NS_PER_S"}

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "bench", "scenarios", "drivers", "tests", "logs"}


# ---------------------------------------------------------------- imports


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


def imports_of(path: Path, *, typing_too: bool = False) -> Iterator[tuple[str, str, int]]:
    """Every import of a file, also inside functions: module, name ("" for a whole module), line."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
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


def row_of(module: str) -> int | None:
    """Row of a module of `restart_bench`, None for anything else."""
    parts = module.split(".")
    if parts[0] != "restart_bench" or len(parts) < 2:
        return None
    return ROWS.get(parts[1])


def test_every_module_stands_in_a_row() -> None:
    """A new module is placed in one of the rows of the drawing, or nobody can say what it may import."""
    unplaced = [name for name in modules() if name.startswith("restart_bench.") and row_of(name) is None]
    assert unplaced == []


def test_a_module_imports_only_its_own_row_and_those_below() -> None:
    """Leaves import leaves, deciding modules also leaves, and nothing but faces imports a face."""
    upward = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if (mine := row_of(name)) is not None
        for target, _, line in imports_of(path, typing_too=True)
        if (theirs := row_of(target)) is not None and theirs > mine and not _only_typing(path, line)
    ]
    assert upward == []


def _only_typing(path: Path, line: int) -> bool:
    return line not in {number for _, _, number in imports_of(path)}


def test_deciding_modules_touch_nothing_outside() -> None:
    """What judges evidence knows no sockets, no clock, no processes and no drivers: values in, findings out."""
    touching = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if row_of(name) == 1
        for target, imported, line in imports_of(path)
        if target.split(".")[0] in OUTSIDE or (target == "restart_bench.clock" and imported not in CLOCK_CONSTANTS)
    ]
    assert touching == []


def test_a_supply_driver_imports_nothing_of_the_bench() -> None:
    """A driver is one file that third parties can copy: it knows its interface and its hardware."""
    importing = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if name.startswith("restart_bench_drivers") and "simulated" not in name
        for target, _, line in imports_of(path, typing_too=True)
        if target.split(".")[0] == "restart_bench"
    ]
    assert importing == []


def test_the_simulated_rig_imports_leaves_and_the_interpreter() -> None:
    """The simulated rig shares values and `scan` with the bench, and nothing that judges or acts."""
    importing = [
        f"{name}:{line} imports {target}"
        for name, path in modules().items()
        if name.startswith("restart_bench_drivers.simulated")
        for target, _, line in imports_of(path)
        if target.startswith("restart_bench.") and row_of(target) != 0 and not target.startswith("restart_bench.scan")
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
    """`mypy --strict` (set up in pyproject.toml) finds nothing."""
    code, said = _run("mypy")
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
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
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
