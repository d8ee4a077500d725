"""Moving closed runs out of an archive, and the list of what was moved: `rig=<name>/moved.jsonl`, a line a run.

The line holds what later runs have to know of a run that is gone (its wear, its limits), and it is on the disk before
the run leaves. A run that is still there outranks its line, so that a kill between the two counts nothing twice and
loses nothing; the same command again goes on where it was.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from restart_bench.archive.files import (
    SUMS,
    ArchiveError,
    append_line,
    clear_errors,
    is_closed,
    is_going_on,
    run_folders,
    run_id_of,
    sync_file,
    sync_folder,
    to_bytes,
    to_json,
)
from restart_bench.archive.known_archives import MOVED
from restart_bench.archive.reader import read_run_json
from restart_bench.archive.soundness import verify

OUTPUT = "output"
"""Folder of an archive in which a call with several rigs keeps what each of them said."""
_RUN_ID = re.compile(r"\b\d{8}T\d{6}Z-[0-9a-z]+\b")
_COMING, _GOING = ".coming-", ".moved-"  # a half copy; a run that is being deleted after it was copied


@dataclass(frozen=True, slots=True)
class Moves:
    """Runs that can leave, the newest first, and those that are old enough but stay, each with why."""

    leaving: tuple[Path, ...]
    staying: tuple[tuple[str, str], ...]


def plan_moves(
    logs: Path, rig: str, *, before: datetime, needed: Mapping[str, str], doubtful: Mapping[str, str] | None = None
) -> Moves:
    """Which runs of a rig ended before this instant, and what keeps some of them. `needed`, `doubtful` (whose dates are
    wrong): ids with their reason.

    An open run stays, and so does one that is not as it was closed, and one that a run which stays went on with.
    """
    stays: dict[str, str] = {}
    leaving: list[Path] = []
    goes_on_with: dict[str, str] = {}
    old = set()
    for folder in reversed(run_folders(logs, rig)):
        name = run_id_of(folder)
        try:
            facts = read_run_json(folder)
            ended = _ended(facts)
        except ArchiveError as problem:
            stays[name] = str(problem)
            continue
        goes_on_with[name] = str((facts.get("resumes") or {}).get("run", ""))
        doubt = (doubtful or {}).get(name, "")
        if ended is None or ended < before or doubt:
            old.add(name)
        # the run that went on with this one and stays: younger runs were looked at before
        heir = next((one for one, earlier in goes_on_with.items() if earlier == name and one in stays), "")
        reason = needed.get(name, "") or doubt or _why_it_stays(folder, ended, before, by=heir)
        if reason:
            stays[name] = reason
        else:
            leaving.append(folder)
    return Moves(tuple(leaving), tuple((name, stays[name]) for name in stays if name in old))


def _ended(facts: Mapping[str, Any]) -> datetime | None:
    with suppress(KeyError, TypeError, ValueError):
        return datetime.fromisoformat(facts["ended"]["wall"]).astimezone(UTC)
    return None


def _why_it_stays(folder: Path, ended: datetime | None, before: datetime, *, by: str) -> str:
    if not is_closed(folder):
        return "is going on" if is_going_on(folder) else "was not closed: `park` closes what a killed run left"
    if ended is None:
        return "does not say when it ended"
    if ended >= before:
        return "is younger"
    if by:
        return f"{by} went on with it, and stays"
    return "" if verify(folder).sound else "is not as it was closed: see `logs verify`"


# ---------------------------------------------------------------- moving


def move_run(folder: Path, to: Path, memory: Mapping[str, Any]) -> Path:
    """Moves a closed run into another archive, and writes down what is to be remembered of it. Returns where it is.

    Raises ArchiveError; the run is then still where it was, or in both places.
    """
    target = to / folder.parent.parent.name / folder.parent.name / folder.name
    with clear_errors("move the run", folder):
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists() or not _on_one_disk(folder, target.parent):
            _copy(folder, target)
        told = {**memory, "moved_to": str(target.resolve()), "moved_at": datetime.now(tz=UTC).isoformat("T", "seconds")}
        append_line(folder.parent.parent / MOVED, to_bytes(to_json(told)))
        if target.exists():
            going = folder.with_name(_GOING + folder.name)
            folder.rename(going)
            sync_folder(folder.parent)
            shutil.rmtree(going)
        else:
            folder.rename(target)
            sync_folder(target.parent)
            sync_folder(folder.parent)
        with suppress(OSError):  # it holds other runs
            folder.parent.rmdir()
    return target


def move_outputs(logs: Path, to: Path, *, before: datetime) -> tuple[Path, ...]:
    """Moves what several rigs said in one call (`output/<id>/<rig>.txt`) once it is older than this and none of the
    runs that it names is here any more. Returns where it is now. Raises ArchiveError."""
    here = {run_id_of(folder) for folder in run_folders(logs)}
    moved = []
    for folder in sorted((logs / OUTPUT).glob("*")):
        with clear_errors("move what was said", folder):
            texts = [path.read_text(encoding="utf-8", errors="replace") for path in folder.glob("*.txt")]
            named = {one for text in texts for one in _RUN_ID.findall(text)}
            target = to / OUTPUT / folder.name
            if _begun(folder.name) >= before or named & here or target.exists():
                continue
            coming = target.with_name(_COMING + target.name)
            shutil.rmtree(coming, ignore_errors=True)
            shutil.copytree(folder, coming)
            coming.rename(target)
            sync_folder(target.parent)
            shutil.rmtree(folder)
            moved.append(target)
    return tuple(moved)


def _begun(name: str) -> datetime:
    """When a call began, by the name of its folder; what is not named so never leaves."""
    with suppress(ValueError):
        return datetime.strptime(name.partition("-")[0], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    return datetime.max.replace(tzinfo=UTC)


def clear_leftovers(logs: Path) -> None:
    """Deletes what a kill left of runs that had arrived elsewhere, whole, before they were deleted here."""
    for folder in logs.glob(f"rig=*/date=*/{_GOING}run=*"):
        with clear_errors("delete what has been moved", folder):
            shutil.rmtree(folder)


def _on_one_disk(folder: Path, other: Path) -> bool:
    return folder.stat().st_dev == other.stat().st_dev


def _copy(folder: Path, target: Path) -> None:
    """A copy that is whole or absent, held against the sums of the run. Raises ArchiveError, OSError."""
    if target.exists():
        if (target / SUMS).read_bytes() != (folder / SUMS).read_bytes() or not verify(target).sound:
            raise ArchiveError(f"{target} is there already and is another one; move it away, or choose another --to")
        return
    coming = target.with_name(_COMING + target.name)
    if coming.exists():
        shutil.rmtree(coming)
    shutil.copytree(folder, coming)
    for path in coming.rglob("*"):
        if path.is_file():
            sync_file(path)
    if not verify(coming).sound:
        raise ArchiveError(f"{coming}: the copy is not as the run was closed; look at the disk")
    coming.rename(target)
    sync_folder(target.parent)
