"""Runs that were killed: what they left out of idle, and how the next armed start puts it right.

A killed run's rig is touched only by an armed run, survey, pytest or `park` on that rig, which says first what it
will do (DESIGN 6). Simulated runs left nothing behind: their rig ended with them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from restart_bench.archive import finish_killed, unfinished
from restart_bench.archive_reading import read_journal
from restart_bench.clock import NS_PER_S
from restart_bench.hands import Hands
from restart_bench.records import PointWritten, Record, Switching
from restart_bench.rig import Rig, Supply, Value
from restart_bench.safety import Worn


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
        if not isinstance(record, PointWritten) or record.purpose == "write":
            continue
        point = rig.points.get(record.point)
        if point is None or not point.writable:
            continue
        rest = _rest_value(rig, record.point)
        if record.value == rest and not record.problem:
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


def put_right(folder: Path, hands: Hands, rig: Rig, *, say: Callable[[str], None], armed: bool) -> None:
    """Closes a killed run; where it was armed and we are too, first lets go of its points and rests its supply.

    Says what it will do before it does it. A killed armed run stays open while nobody is armed.
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
        hands.state.commanded = "unknown"
        hands.leave_supply(wish, "park", say)
    finish_killed(folder)


def _list(undo: dict[str, Value]) -> str:
    return ", ".join(undo) if undo else "no point"


def wear_of(logs: Path, supply: Supply) -> Worn:
    """Operations of this supply's contact over all archived runs, read from run.json alone.

    A killed run whose number was never written counts with two operations for each cycle it had begun.
    """
    operations = 0
    cuts: list[int] = []
    for path in logs.glob("rig=*/date=*/run=*/run.json"):
        told = _run_json(path.parent)
        if told.get("supply_address") != supply.address or told.get("simulated"):
            continue
        operations += int(told.get("operations") or 0)
        ended = told.get("ended") or {}
        with suppress(ValueError, TypeError):
            cuts.append(int(datetime.fromisoformat(str(ended.get("wall"))).timestamp() * NS_PER_S))
    return Worn(operations, tuple(cuts))


def _run_json(folder: Path) -> dict[str, Any]:
    with suppress(OSError, ValueError):
        told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        if isinstance(told, dict):
            return told
    return {}
