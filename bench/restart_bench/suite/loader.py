"""Suites: a rig, its scenarios and its program, read from the files that belong together."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from restart_bench.files.cures import VALUE, Refusal, closest, cure_for
from restart_bench.files.faults import Fault, FaultsFound, in_order
from restart_bench.files.tree import Files, ReadFile, Scalar, is_file, is_folder, read_bytes, read_yaml, same_file
from restart_bench.model.program import Program
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Expect, Scenario, off_expectations, proven_channel
from restart_bench.plc.interpreter import driven
from restart_bench.suite.names import wants_on
from restart_bench.suite.program_reader import read_program
from restart_bench.suite.rig_reader import RigRead, read_rig
from restart_bench.suite.scenario_reader import read_scenario
from restart_bench_drivers.interface import SupplyCard

KINDS = ("rig", "scenario", "program")
ENDINGS = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class SuiteFile:
    """One file as it was read. `kind`: rig (the rig first, then what it extends), scenario, program."""

    kind: str
    path: Path
    content: bytes


@dataclass(frozen=True, slots=True)
class Suite:
    """A rig with its scenarios and its program, everything checked."""

    rig: Rig
    scenarios: tuple[Scenario, ...]
    program: Program | None
    files: tuple[SuiteFile, ...]
    warnings: tuple[Fault, ...] = ()


@dataclass(slots=True)
class _Ordered:
    """What the paths of a call ask for: a rig file and the scenario files that run on it."""

    rig: Path
    scenarios: dict[Path, ReadFile] = field(default_factory=dict)


def load_suites(
    paths: Sequence[Path],
    *,
    rig: Path | None = None,
    program: Path | None = None,
    repeat: int | None = None,
    cards: Mapping[str, SupplyCard],
) -> tuple[Suite, ...]:
    """The suites of some folders, scenario files and rig files, one for each rig.

    A folder with a rig.yaml is a suite; a folder of such folders stands for them; a scenario file runs on the
    rig.yaml beside it, or on `rig`; a rig file stands for the scenarios beside it. `program` replaces what the rig
    names under `simulation:`, `repeat` the number of cycles of every case. Raises FaultsFound with all that is wrong.
    """
    faults: list[Fault] = []
    files = Files()
    orders = _orders(paths, rig, files, faults)
    suites: list[Suite] = []
    for order in orders:
        suite = _suite(order, program, repeat, cards, files, faults)
        if suite is not None:
            suites.append(suite)
    if not faults and not suites:
        shown = ", ".join(map(str, paths)) or "."
        faults.append(Fault(shown, 1, "", "holds no suite", "name a folder with a rig.yaml, or a scenario file"))
    if faults:
        raise FaultsFound(faults)
    return tuple(suites)


def load_rig(path: Path, *, cards: Mapping[str, SupplyCard], program: Path | None = None) -> Suite:
    """A rig file (or the rig.yaml of a folder) without its scenarios; `program` replaces what it names under
    `simulation:`. Raises FaultsFound with all that is wrong."""
    faults: list[Fault] = []
    file = _rig_in(path, faults) if is_folder(path) else path
    suite = _suite(_Ordered(file), program, None, cards, Files(), faults) if file is not None else None
    if faults or suite is None:
        raise FaultsFound(faults)
    return suite


def with_scenarios(
    suite: Suite, texts: Mapping[str, str], *, cards: Mapping[str, SupplyCard], repeat: int | None = None
) -> Suite:
    """The suite with scenarios that no file holds: texts by name of file. They are read like any other, and archived
    like any other. Raises FaultsFound with all that is wrong."""
    card = cards.get(suite.rig.supply.driver) if suite.rig.supply is not None else None
    files = [read_bytes(text.encode(), Path(suite.rig.path).parent / name, name) for name, text in texts.items()]
    read = [read_scenario(file, suite.rig, card=card, repeat=repeat) for file in files]
    faults = [fault for one in read for fault in one.faults]
    if faults:
        raise FaultsFound(faults)
    return replace(
        suite,
        scenarios=tuple(one.scenario for one in read if one.scenario is not None),
        files=(*suite.files, *(SuiteFile("scenario", file.path, file.content) for file in files)),
    )


def load_program(path: Path, rig: Rig) -> Program:
    """A program file on a rig. Raises FaultsFound with all that is wrong."""
    read = Files().read(path)
    faults = list(read.faults) + _wrong_kind(read, "program")
    if not faults:
        result = read_program(read, rig)
        faults = result.faults
        if not faults and result.program is not None:
            return result.program
    raise FaultsFound(faults)


# ---------------------------------------------------------------- which files


def _orders(paths: Sequence[Path], rig: Path | None, files: Files, faults: list[Fault]) -> list[_Ordered]:
    """One order for each rig file, in the order in which the paths name them."""
    orders: dict[Path, _Ordered] = {}
    for path in paths:
        if is_folder(path):
            _order_folder(path, rig, orders, files, faults)
        else:
            _order_file(path, rig, orders, files, faults)
    return list(orders.values())


def _order_folder(
    folder: Path, rig: Path | None, orders: dict[Path, _Ordered], files: Files, faults: list[Fault]
) -> None:
    if rig is None and _rig_file(folder) is None:
        inner = [one for one in sorted(folder.iterdir()) if one.is_dir() and _rig_file(one) is not None]
        if inner:
            for one in inner:
                _order_folder(one, None, orders, files, faults)
            return
    file = rig if rig is not None else _rig_in(folder, faults)
    if file is None:
        return
    order = orders.setdefault(same_file(file), _Ordered(file))
    found = _scenarios_in(folder, file, files, faults)
    if not found and not faults:
        text = "holds no scenario"
        faults.append(
            Fault(str(folder), 1, "", text, "add a file that begins with scenario:, or run restart-bench new")
        )
    order.scenarios.update(found)


def _order_file(path: Path, rig: Path | None, orders: dict[Path, _Ordered], files: Files, faults: list[Fault]) -> None:
    read = files.read(path)
    if read.tree is None:
        faults.extend(read.faults)
        return
    if read.kind == "scenario":
        file = rig if rig is not None else _rig_in(path.parent, faults)
        if file is not None:
            orders.setdefault(same_file(file), _Ordered(file)).scenarios[same_file(path)] = read
    elif read.kind == "rig":
        order = orders.setdefault(same_file(path), _Ordered(path))
        found = _scenarios_in(path.parent, path, files, faults)
        if not found and not faults:
            faults.append(Fault(str(path), 1, "", "has no scenario beside it", "add a file that begins with scenario:"))
        order.scenarios.update(found)
    elif read.kind == "program":
        cure = "name a folder or a scenario file; a program is named by --program or by the rig's simulation:"
        faults.append(Fault(str(path), 1, "", "is a program, and a program is not a test", cure))
    else:
        faults.append(_no_kind(read))


def _rig_file(folder: Path) -> Path | None:
    return next((folder / f"rig{ending}" for ending in ENDINGS if (folder / f"rig{ending}").is_file()), None)


def _rig_in(folder: Path, faults: list[Fault]) -> Path | None:
    """The rig file of a folder; None, with a fault, where there is none."""
    found = _rig_file(folder)
    if found is not None:
        return found
    hidden = folder / "rig.yaml.txt"
    odd = next((path for ending in ENDINGS if os.path.lexists(path := folder / f"rig{ending}")), None)
    if odd is not None:  # a folder, a pipe, a link to nowhere
        faults.extend(read_yaml(odd).faults)
    elif not folder.exists():
        faults.append(Fault(str(folder), 1, "", "there is no such folder", "check its name"))
    elif hidden.exists():
        cure = cure_for(Refusal(VALUE, "file name", hidden.name))
        faults.append(Fault(str(folder), 1, "", "has no rig.yaml", cure))
    else:
        cure = "name a folder with a rig.yaml, or say --rig FILE; restart-bench new FOLDER writes one"
        faults.append(Fault(str(folder), 1, "", "has no rig.yaml", cure))
    return None


def _scenarios_in(folder: Path, rig: Path, files: Files, faults: list[Fault]) -> dict[Path, ReadFile]:
    """The scenario files of a folder by name. Files that nobody would read are told."""
    found: dict[Path, ReadFile] = {}
    rig_files = _rig_and_extended(rig, files)
    for path in sorted(folder.iterdir()):
        if path.name.startswith(".") or same_file(path) in rig_files:
            continue
        if any(path.name.endswith(f"{ending}.txt") for ending in ENDINGS):
            cure = cure_for(Refusal(VALUE, "file name", path.name))
            faults.append(Fault(str(path), 1, "", "would not be read", cure))
        if path.suffix not in ENDINGS:
            continue
        read = files.read(path)
        if read.kind == "scenario" or (read.tree is None and read.faults):  # a folder, a pipe, a link to nowhere too
            found[same_file(path)] = read
        elif read.kind not in KINDS:
            faults.append(_no_kind(read))
    return found


def _rig_and_extended(rig: Path, files: Files) -> set[Path]:
    """The rig file and the files that it extends."""
    found: set[Path] = set()
    path: Path | None = rig
    while path is not None and same_file(path) not in found:
        found.add(same_file(path))
        tree = files.read(path).tree
        told = tree.get("extends") if tree is not None else None
        path = path.parent / str(told.text).strip() if isinstance(told, Scalar) else None
    return found


def _no_kind(read: ReadFile) -> Fault:
    """The first key of a file says what it is."""
    key = read.kind
    inside = next((kind for kind in KINDS if read.tree is not None and kind in read.tree), None)
    near = closest(key, KINDS)
    if inside is not None:
        cure = f"move {inside}: to the top"
    elif near:
        cure = f"did you mean {near}?"
    else:
        cure = "begin it with rig:, scenario: or program:"
    line = read.tree.keys_at[key][1] if read.tree is not None and key else 1
    return Fault(str(read.path), line, key, "no file begins with this key", cure)


def _wrong_kind(read: ReadFile, kind: str) -> list[Fault]:
    if read.tree is None or read.kind == kind:
        return []
    if read.kind in KINDS:
        return [Fault(str(read.path), 1, "", f"is a {read.kind}, where a {kind} is due", f"name a {kind} file")]
    return [_no_kind(read)]


# ---------------------------------------------------------------- one suite


def _suite(
    order: _Ordered,
    program: Path | None,
    repeat: int | None,
    cards: Mapping[str, SupplyCard],
    files: Files,
    faults: list[Fault],
) -> Suite | None:
    """Rig, scenarios and program of one rig file; None where there are faults, which go to `faults`."""
    before = len(faults)
    read = files.read(order.rig)
    wrong = _wrong_kind(read, "rig") if "extends" not in (read.tree or ()) else []
    told = read_rig(read, cards, files) if not wrong else RigRead([read], faults=wrong)
    faults += told.faults
    warnings = list(told.warnings)
    used = [SuiteFile("rig", file.path, file.content) for file in told.files]
    card = cards.get(told.rig.supply.driver) if told.rig is not None and told.rig.supply is not None else None
    scenarios: list[Scenario] = []
    for file in order.scenarios.values():
        one = read_scenario(file, told.rig, broken=told.broken, card=card, repeat=repeat)
        faults += one.faults
        warnings += one.warnings
        used.append(SuiteFile("scenario", file.path, file.content))
        if one.scenario is not None:
            scenarios.append(one.scenario)
    faults += _same_names(scenarios, order.scenarios.values())
    model = _program(program, told, files, used, faults, warnings)
    if len(faults) > before or told.rig is None:
        return None
    if model is not None:
        another = _of_another_rig(told.rig, model)
        if another is not None:
            faults.append(another)
            return None
        warnings += _undriven(told.rig, scenarios, model)
    warnings += _unproven_channels(told.rig, scenarios)
    return Suite(told.rig, tuple(scenarios), model, tuple(used), in_order(warnings))


def _program(
    program: Path | None,
    told: RigRead,
    files: Files,
    used: list[SuiteFile],
    faults: list[Fault],
    warnings: list[Fault],
) -> Program | None:
    """The program that was asked for, else the one that the rig names for its simulation."""
    path = program
    if path is None and told.rig is not None and told.rig.simulation is not None:
        file, line = _place_of_key(told.files, "simulation")
        path = Path(file).parent / told.rig.simulation
        if not is_file(path):
            text = f"{told.rig.simulation} is not there"
            faults.append(Fault(file, line, "simulation", text, "write its path as seen from this file"))
            return None
    if path is None:
        return None
    read = files.read(path)
    used.append(SuiteFile("program", read.path, read.content))
    wrong = _wrong_kind(read, "program")
    result = read_program(read, told.rig, told.broken) if not wrong else None
    faults += wrong if result is None else result.faults
    warnings += [] if result is None else result.warnings
    return None if result is None else result.program


def _place_of_key(files: Sequence[ReadFile], key: str) -> tuple[str, int]:
    """File and line of a key of the first level, in the first of the files that has it."""
    for file in files:
        if file.tree is not None and key in file.tree:
            return file.tree.keys_at[key]
    return str(files[0].path), 1


def _same_names(scenarios: Iterable[Scenario], files: Iterable[ReadFile]) -> list[Fault]:
    """Two scenarios of a suite can't bear one name: the archive tells them apart by it."""
    read = {str(file.path): file for file in files}
    seen: dict[str, str] = {}
    found = []
    for one in scenarios:
        if one.name in seen:
            file, line = _place_of_key([read[one.path]], "scenario")
            text = f"{one.name} is the name of {seen[one.name]} as well"
            found.append(Fault(file, line, "scenario", text, "give one of them another name"))
        seen.setdefault(one.name, one.path)
    return found


def _of_another_rig(rig: Rig, program: Program) -> Fault | None:
    """What is wrong with a program that drives nothing of this rig."""
    missed = _undriven_outputs(rig, program)
    if not missed or len(missed) < len(rig.outputs()):
        return None
    text = f"{program.name} drives none of the outputs of {rig.name} ({', '.join(missed)})"
    return Fault(program.path, 1, "", text, "name a program of this rig")


def _undriven_outputs(rig: Rig, program: Program) -> list[str]:
    drives = {driven(rung) for rung in program.rungs} | set(program.memory)
    return [one.name for one in rig.outputs() if one.name not in drives]


def _undriven(rig: Rig, scenarios: Sequence[Scenario], program: Program) -> list[Fault]:
    """Outputs that the program does not drive, although the scenarios expect something of them."""
    asked = {one.point for scenario in scenarios for one in (*scenario.during, *scenario.after)}
    steps = [step.action for scenario in scenarios for step in (*scenario.before, *scenario.function_check)]
    asked |= {name for action in steps if isinstance(action, Expect) for name, _ in action.conditions}
    cure = "add its rung, or name another program"
    return [
        Fault(program.path, 1, "", f"{name} is driven by no rung, but the scenarios expect something of it", cure)
        for name in _undriven_outputs(rig, program)
        if name in asked
    ]


def _unproven_channels(rig: Rig, scenarios: Sequence[Scenario]) -> list[Fault]:
    """Rule 9 beforehand: off on a channel that no step of the suite expects on may be a dead wire."""
    lit: set[str] = set()
    for scenario in scenarios:
        for step in (*scenario.before, *scenario.function_check):
            if isinstance(step.action, Expect):
                pairs = zip(step.action.conditions, step.action.judged, strict=True)
                lit |= {judged for (name, wanted), judged in pairs if wants_on(wanted, rig.points[name])}
        lit |= {
            one.judged
            for one in (*scenario.during, *scenario.after)
            if one.demands_on and rig.points[one.point].is_boolean
        }
    found: list[Fault] = []
    for scenario in scenarios:
        for one in off_expectations(rig, scenario):
            if one.judged in lit or proven_channel(rig, one):
                continue
            path = f"{one.phase}.expect.{one.point}" if one.phase == "after" else f"during.{one.point}"
            text = f"{one.judged} is never expected on in this suite, so off may mean a dead channel"
            cure = f"expect {one.point} on in a step before, or write proven: to {one.judged}"
            found.append(Fault(scenario.path, one.line, path, text, cure))
    return found


def is_scenario(path: Path) -> bool:
    """True for a scenario file, and for a YAML file beside a rig.yaml that nobody could read as anything else (its
    faults are then told)."""
    if path.suffix not in ENDINGS:
        return False
    read = read_yaml(path)
    if read.kind in KINDS or "extends" in (read.tree or ()):
        return read.kind == "scenario"
    return any((path.parent / f"rig{ending}").is_file() for ending in ENDINGS)
