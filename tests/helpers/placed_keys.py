"""Puts text in the place of a key of a file, and reads what comes of it."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import yaml

from file_keys import RIG, Row
from restart_bench.files.faults import Fault
from restart_bench.files.tree import read_bytes
from restart_bench.model.rig import Rig
from restart_bench.suite.program_reader import read_program
from restart_bench.suite.rig_reader import read_rig
from restart_bench.suite.scenario_reader import read_scenario
from restart_bench_drivers.registry import cards

CARDS = cards()
FAST_DUMPER: Any = getattr(yaml, "CSafeDumper", yaml.SafeDumper)


def parts_of(path: str) -> list[str | int]:
    """`before[0].press` as its parts."""
    return [int(part) if part.isdigit() else part for part in re.findall(r"[^.\[\]]+", path)]


def document(base: str, places: Mapping[str, str]) -> str:
    """The base file in YAML's long form, one key a line, with values at some places."""
    tree = copy.deepcopy(_parsed(base))
    for path, text in places.items():
        _put(tree, parts_of(path), yaml.safe_load(text))
    return str(yaml.dump(tree, Dumper=FAST_DUMPER, sort_keys=False, allow_unicode=True, width=1000))


@cache
def _parsed(base: str) -> Any:
    return yaml.safe_load(base)


def _put(tree: Any, parts: list[str | int], value: Any) -> None:
    """Puts a value into a tree; what is no mapping on the way becomes one."""
    at = tree
    for part, inner in pairwise(parts):
        if isinstance(part, str) and not isinstance(at.get(part), dict | list):
            at[part] = [] if isinstance(inner, int) else {}
        at = at[part]
    at[parts[-1]] = value


@cache
def folder() -> Path:
    """A folder that holds what rig files name."""
    import tempfile

    made = Path(tempfile.mkdtemp())
    (made / "suite").mkdir()
    base = "points: {from_base: {device: controller, coil: 99}}\n"
    for path in (made / "suite" / "base.yaml", made / "common.yaml"):
        path.write_text(base, encoding="utf-8")
    return made / "suite"


@cache
def rig_with(places: tuple[tuple[str, str], ...]) -> Rig:
    """The rig of these tests, with text at some places."""
    read, faults = loaded("rig", document(RIG, dict(places)) if places else RIG, None)
    assert faults == []
    assert isinstance(read, Rig)
    return read


def loaded(kind: str, text: str, row: Row | None) -> tuple[Any, list[Fault]]:
    """What a text is read into, and its faults."""
    file = read_bytes(text.encode(), folder() / f"{kind}.yaml")
    if kind == "rig":
        rig = read_rig(file, CARDS)
        return rig.rig, rig.faults
    on = rig_with(tuple(row.rig.items()) if row is not None else ())
    if kind == "scenario":
        card = CARDS[on.supply.driver] if on.supply is not None else None
        scenario = read_scenario(file, on, card=card)
        return scenario.scenario, scenario.faults
    program = read_program(file, on)
    return program.program, program.faults
