"""Loading a new scenario file on an archived rig: what speaks of points that the old rig doesn't have is set aside
and told, instead of refusing the whole file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from restart_bench.archive_reading import ArchivedRun
from restart_bench.file_faults import FaultsFound
from restart_bench.rig import Rig
from restart_bench.scenario import Scenario
from restart_bench.suite import load_suites

NotAnswered = str
"""A sentence without its full stop: what was asked, and why old evidence can't answer it."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A scenario, and what of its file speaks of points that were not there."""

    scenario: Scenario
    not_answered: tuple[NotAnswered, ...]


def load_scenario(run: ArchivedRun, file: Path) -> Loaded:
    """The scenario of a file on the archived rig.

    Raises FaultsFound with the file's faults, unless all that is wrong are points that the archived rig lacks.
    """
    try:
        return Loaded(_load(run, file), ())
    except FaultsFound as faults:
        rest, set_aside = _without_unknown(run.suite().rig, file)
        if not set_aside:
            raise
        try:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / file.name
                path.write_text(yaml.safe_dump(rest, sort_keys=False, allow_unicode=True), encoding="utf-8")
                scenario = _load(run, path)
        except FaultsFound:
            raise faults from None
        return Loaded(
            scenario, tuple(f"{name}: is no point of the archived rig, so it was not observed" for name in set_aside)
        )


def _load(run: ArchivedRun, file: Path) -> Scenario:
    (suite, *_) = load_suites([file], rig=run.rig_file, cards=run.cards())
    return suite.scenarios[0]


def _without_unknown(rig: Rig, file: Path) -> tuple[Any, list[str]]:
    """The content of a scenario file without expectations, gaps and function checks of unknown points, and those."""
    known = {*rig.points, *rig.groups}
    set_aside: dict[str, None] = {}
    told = yaml.safe_load(file.read_text(encoding="utf-8"))

    def keep(mapping: Any) -> Any:
        if not isinstance(mapping, dict):
            return mapping
        set_aside.update(dict.fromkeys(str(name) for name in mapping if name not in known))
        return {name: wanted for name, wanted in mapping.items() if name in known}

    def keep_steps(steps: Iterable[Any]) -> list[Any]:
        kept = [{**step, "expect": keep(step["expect"])} if _expects(step) else step for step in steps]
        return [step for step in kept if not _expects(step) or step["expect"]]

    if not isinstance(told, dict):
        return told, []
    for name in ("during", "function_check"):
        if isinstance(told.get(name), list):
            told[name] = keep_steps(told[name])
            if not told[name]:
                del told[name]
    after = told.get("after")
    if isinstance(after, dict):
        if "expect" in after:
            after["expect"] = keep(after["expect"])
        if isinstance(after.get("gaps"), list):
            missing = [gap for gap in after["gaps"] if isinstance(gap, dict) and not _ends(gap) <= known]
            set_aside.update(dict.fromkeys(name for gap in missing for name in sorted(_ends(gap) - known)))
            after["gaps"] = [gap for gap in after["gaps"] if gap not in missing]
    return told, list(set_aside)


def _expects(step: Any) -> bool:
    return isinstance(step, dict) and isinstance(step.get("expect"), dict)


def _ends(gap: dict[str, Any]) -> set[str]:
    return {str(gap.get("first")), str(gap.get("then"))}
