"""Runs that were killed: where they are, what they left out of idle, and what of wear and limits is used up.

A killed run's rig is touched only by an armed run, survey, pytest or `park` on that rig, which says first what it
will do (rules of safety, DEVELOPERS.md). Simulated runs left nothing behind: their rig ended with them.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from restart_bench.archive import unfinished
from restart_bench.archive_files import ArchiveError
from restart_bench.archive_reading import read_journal
from restart_bench.clock import NS_PER_S, Anchor
from restart_bench.killed import cut_was_due, operations_in
from restart_bench.known_archives import archives_of
from restart_bench.limits import Used, longest_limit_ns, read_told, used_in
from restart_bench.records import PointWritten, Record, Switching, WriteAnnounced
from restart_bench.rig import Rig, Value
from restart_bench.safety import Worn


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


def wear_of(logs: Path, rig: Rig) -> Worn:
    """Operations of the contact of this rig's supply over all archived runs, read from run.json; from the journal
    where a run was killed and not closed yet."""
    operations = 0
    address = rig.supply.address if rig.supply is not None else None
    for folder, told in _runs(archives_of(rig, logs)):
        if address is None or told.get("supply_address") != address or told.get("simulated"):
            continue
        if told.get("operations") is None:
            operations += operations_in(_journal(folder))
        else:
            with suppress(TypeError, ValueError):
                operations += int(told["operations"])
    return Worn(operations)


def used_lately(logs: Path, rig: Rig) -> Used:
    """Cuts of this supply and starts of this rig's points over all archived runs, in ns of the wall clock; from the
    journal where a run was killed."""
    used = Used()
    address = rig.supply.address if rig.supply is not None else None
    since = time.time() - longest_limit_ns(rig) / NS_PER_S
    for folder, told in _runs(archives_of(rig, logs), since):
        if told.get("simulated"):
            continue
        one = _used_by(folder, told, rig)
        if told.get("rig") != rig.name:  # another rig's points, but perhaps the same relay
            one.starts, one.fell = {}, {}
        if address is None or told.get("supply_address") != address:
            one.cuts, one.supply = [], {}
        used.add(one)
    return used


def _used_by(folder: Path, told: dict[str, Any], rig: Rig) -> Used:
    if "limits_used" in told:
        return read_told(told["limits_used"])
    used = Used()
    with suppress(KeyError, TypeError, ValueError, OverflowError):
        moment = Anchor(**told["anchor"])
        records = _journal(folder)
        shift = round(datetime.fromisoformat(moment.wall).timestamp() * NS_PER_S) - moment.clock_ns
        used.add(used_in(records, rig), shift)
        if cut_was_due(records):  # it may have been carried out just now
            used.switched("off", time.time_ns())
    return used


def _runs(archives: Sequence[Path], since: float = 0.0) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every run of these archives whose run.json or journal was written since then (s of the wall clock), with its
    run.json."""
    for path in (path for logs in archives for path in logs.glob("rig=*/date=*/run=*/run.json")):
        if since and max(_written(path), _written(path.with_name("journal.jsonl"))) < since:
            continue
        yield path.parent, _run_json(path.parent)


def _written(path: Path) -> float:
    with suppress(OSError):
        return path.stat().st_mtime
    return 0.0


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
