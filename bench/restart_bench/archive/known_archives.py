"""Which archives of this computer hold runs on a supply: one small list for each user, so that a killed run and
used-up limits are found from whatever folder the bench is started in.

A line is added when an armed run or `park` begins. The list only points: what counts stands in the archives, and an
archive that is gone is passed over. What counts of runs that were moved away stands in the archive that they lay in.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from restart_bench.archive.files import append_durably, clear_errors
from restart_bench.model.rig import Rig

LIST = "archives.jsonl"
MOVED = "moved.jsonl"
_STATE = "RESTART_BENCH_STATE"


def state_folder() -> Path:
    """The user's state folder, as the platform has it; RESTART_BENCH_STATE names another one."""
    if os.environ.get(_STATE):
        return Path(os.environ[_STATE])
    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "restart-bench"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "restart-bench"
    return Path(os.environ.get("XDG_STATE_HOME") or home / ".local" / "state") / "restart-bench"


def archives_of(rig: Rig, logs: Path) -> tuple[Path, ...]:
    """This archive, and the others of this user that hold runs on the rig's supply (without one: on a rig of this
    name)."""
    found = dict.fromkeys([logs.resolve()])
    key = _key(rig)
    for line in _lines():
        with suppress(ValueError, TypeError, KeyError, RecursionError):
            entry = json.loads(line)
            if entry["supply"] == key and Path(entry["logs"]).is_dir():
                found[Path(entry["logs"]).resolve()] = None
    return (logs, *list(found)[1:])


def remember(rig: Rig, logs: Path) -> str:
    """Notes that this archive holds runs on the rig's supply. Returns what kept it from that, "" for nothing."""
    line = json.dumps({"supply": _key(rig), "logs": str(logs.resolve())}, ensure_ascii=True)
    if line in _lines():
        return ""
    try:
        folder = state_folder()
        folder.mkdir(parents=True, exist_ok=True)
        append_durably(folder / LIST, line.encode())
    except (OSError, RuntimeError) as problem:  # RuntimeError: this user has no home
        return (
            f"this computer's list of archives could not be written ({problem}): from another folder a killed run and "
            "used-up limits would not be found"
        )
    return ""


def _key(rig: Rig) -> str:
    return rig.supply.address or rig.supply.driver if rig.supply is not None else f"rig {rig.name}"


def _lines() -> list[str]:
    with suppress(OSError, RuntimeError):
        return (state_folder() / LIST).read_text(encoding="utf-8", errors="replace").splitlines()
    return []


# ---------------------------------------------------------------- what was moved away


def moved_runs(logs: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Where each moved run of an archive went and what is remembered of it; a torn line is left out."""
    for path in sorted(logs.glob(f"rig=*/{MOVED}")):
        for line in _lines_of(path):
            with suppress(ValueError, RecursionError):
                told = json.loads(line)
                if isinstance(told, dict) and isinstance(told.get("run"), str):
                    yield Path(str(told.get("moved_to", ""))), told


def _lines_of(path: Path) -> Sequence[str]:
    with clear_errors("read", path):
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
