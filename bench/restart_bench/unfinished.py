"""Runs that were killed: what they left out of idle, and how the next armed start puts it right.

A killed run's rig is touched only by an armed run, survey, pytest or `park` on that rig, which says first what it
will do (rules of safety, DEVELOPERS.md). Simulated runs left nothing behind: their rig ended with them.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from restart_bench.archive import finish_killed, unfinished
from restart_bench.archive_files import ArchiveError
from restart_bench.archive_reading import read_journal
from restart_bench.clock import NS_PER_S, Anchor
from restart_bench.hands import Hands
from restart_bench.killed import cut_was_due, operations_in
from restart_bench.limits import Used, longest_limit_ns, read_told, used_in
from restart_bench.records import PointWritten, Record, Switching, WriteAnnounced
from restart_bench.reporting import write_report
from restart_bench.rig import Rig, Supply, Value
from restart_bench.safety import Worn, manual_step


def left_open(logs: Path, rig: str) -> list[Path]:
    """Folders of runs on this rig that were never closed, oldest first."""
    return sorted(unfinished(logs, rig))


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


def put_right(
    folder: Path, hands: Hands, rig: Rig, *, say: Callable[[str], None], armed: bool, supply_problem: str = ""
) -> None:
    """Closes a killed run; where it was armed and we are too, first lets go of its points and rests its supply.

    Says what it will do before it does it. A killed armed run stays open while nobody is armed, and where the supply
    can't be reached (`supply_problem`): its points are let go of, the supply is left to a person and the next start.
    """
    if was_armed(folder):
        if not armed:
            say(f"{folder.name} was killed and its rig was left as it is; an armed run or `park` puts it right")
            return
        records = read_journal(folder / "journal.jsonl")
        undo = out_of_idle(records, rig)
        wish = rig.supply.after_trouble if rig.supply is not None else "as it is"
        say(
            f"{folder.name} was killed (supply last commanded {supply_left(records)}): "
            f"now {_list(undo)} back to idle, then the supply {wish}"
        )
        hands.undo(undo)
        hands.all_to_idle(say)
        if supply_problem:
            say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {supply_problem}; {manual_step(wish)}")
            return
        hands.state.commanded = "unknown"
        hands.leave_supply(wish, "park", say)
    finish_killed(folder, write_report)


def _list(undo: dict[str, Value]) -> str:
    return ", ".join(undo) if undo else "no point"


def wear_of(logs: Path, supply: Supply) -> Worn:
    """Operations of this supply's contact over all archived runs, read from run.json; from the journal where a run
    was killed and not closed yet."""
    operations = 0
    for folder, told in _runs(logs):
        if told.get("supply_address") != supply.address or told.get("simulated"):
            continue
        if told.get("operations") is None:
            operations += operations_in(_journal(folder))
        else:
            operations += int(told["operations"])
    return Worn(operations)


def used_lately(logs: Path, rig: Rig) -> Used:
    """Cuts of this supply and starts of this rig's points over all archived runs, in ns of the wall clock; from the
    journal where a run was killed."""
    used = Used()
    address = rig.supply.address if rig.supply is not None else None
    since = time.time() - longest_limit_ns(rig) / NS_PER_S
    for folder, told in _runs(logs, since):
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
    with suppress(KeyError, TypeError, ValueError):
        moment = Anchor(**told["anchor"])
        records = _journal(folder)
        shift = round(datetime.fromisoformat(moment.wall).timestamp() * NS_PER_S) - moment.clock_ns
        used.add(used_in(records, rig), shift)
        if cut_was_due(records):  # it may have been carried out just now
            used.switched("off", time.time_ns())
    return used


def _runs(logs: Path, since: float = 0.0) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every run whose run.json or journal was written since then (s of the wall clock), with its run.json."""
    for path in logs.glob("rig=*/date=*/run=*/run.json"):
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
    with suppress(OSError, ValueError):
        told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        if isinstance(told, dict):
            return told
    return {}
