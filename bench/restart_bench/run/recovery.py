"""Runs that were killed: where they are, what they left out of idle, and what of wear and limits is used up.

A killed run's rig is touched only by an armed run, survey, pytest or `park` on that rig, which says first what it
will do (rules of safety, DEVELOPERS.md). Simulated runs left nothing behind: their rig ended with them.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

from restart_bench.archive.files import ArchiveError
from restart_bench.archive.known_archives import archives_of
from restart_bench.archive.reader import read_journal
from restart_bench.archive.writer import unfinished
from restart_bench.model.journal import PointWritten, Record, Switching, WriteAnnounced
from restart_bench.model.rig import Rig, Value


def left_open(logs: Path, rig: Rig) -> list[Path]:
    """Folders of runs that were never closed, oldest first: of this rig, and armed ones on its supply, whatever their
    rig is called and in whichever archive of this user they lie."""
    found = dict.fromkeys(path.resolve() for path in unfinished(logs, rig.name))
    for archive in archives_of(rig, logs) if rig.supply is not None else ():
        for path in unfinished(archive, "*"):
            told = _run_json(path)
            if told.get("armed") and told.get("supply_address") == (rig.supply.address if rig.supply else None):
                found[path.resolve()] = None
    return sorted(found, key=lambda path: path.name)


def was_armed(folder: Path) -> bool:
    """True where the run switched something real."""
    return bool(_run_json(folder).get("armed"))


def out_of_idle(records: list[Record], rig: Rig) -> dict[str, Value]:
    """Points that a journal leaves out of idle, with the value to go back to.

    A command that drew no answer counts as carried out: it may have been.
    """
    left: dict[str, Value] = {}
    for record in records:
        if not isinstance(record, PointWritten | WriteAnnounced) or record.purpose == "write":
            continue
        point = rig.points.get(record.point)
        if point is None or not point.writable:
            continue
        rest = _rest_value(rig, record.point)
        if record.value == rest and isinstance(record, PointWritten) and not record.problem:
            left.pop(record.point, None)
        elif record.value != rest:
            left[record.point] = rest
    return left


def _rest_value(rig: Rig, name: str) -> Value:
    if rig.mode is not None and rig.mode.point == name:
        return rig.mode.run
    idle = rig.points[name].idle
    return False if idle is None else idle


def supply_left(records: list[Record]) -> str:
    """What the last command to the supply was: on, off, or unknown."""
    switched = [record for record in records if isinstance(record, Switching) and record.what == "supply"]
    if not switched:
        return "unknown"
    return "on" if switched[-1].to == "on" else "off"


def _journal(folder: Path) -> list[Record]:
    with suppress(ArchiveError):
        return read_journal(folder / "journal.jsonl")
    return []


def _run_json(folder: Path) -> dict[str, Any]:
    with suppress(OSError, ValueError, RecursionError):
        told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        if isinstance(told, dict):
            return told
    return {}
