"""Whether a run is as it was closed: every file against its sum, and every part against the run that it names.

Sums show what was altered, lost or added since the run was closed by whoever did not renew them; parts that name
another run show what was mixed. They are no signature: who writes all parts and all sums anew is not noticed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from restart_bench.archive.files import ArchiveError, clear_errors, digest_of, files_of, is_closed, read_sums

RUN_KEY = b"restart_bench.run"
"""Metadata of a Parquet file: the run that it was written for."""

_NAMING = (b'{"record": "RunStarted"', b'{"record": "RunEnded"')


@dataclass(frozen=True, slots=True)
class Verified:
    """A run held against its SHA256SUMS, each file named as there. `closed` is False where there are no sums; `mixed`
    says which parts name another run, or are not those that run.json names."""

    folder: Path
    closed: bool
    checked: int = 0
    altered: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    mixed: tuple[str, ...] = ()

    @property
    def sound(self) -> bool:
        """True where the run is as it was closed."""
        return self.closed and not self.problems

    @property
    def problems(self) -> tuple[str, ...]:
        """What is not as it was, one text each; nothing about a run that was not closed yet, if its parts agree."""
        groups = (("altered", self.altered), ("lost", self.lost), ("added", self.added))
        changed = tuple(f"{what}: {name}" for what, names in groups for name in names)
        return changed + self.mixed


def verify(folder: Path) -> Verified:
    """Hold every file of a run against its sum and its name. Raises ArchiveError where sums or a file can't be read."""
    mixed = tuple(_mixed(folder))
    if not is_closed(folder):
        return Verified(folder, closed=False, mixed=mixed)
    sums = read_sums(folder)
    found = set(files_of(folder))
    with clear_errors("read for its sum", folder):
        altered = [name for name in sums if name in found and digest_of(folder / name) != sums[name]]
    return Verified(
        folder,
        closed=True,
        checked=len(sums),
        altered=tuple(altered),
        lost=tuple(name for name in sums if name not in found),
        added=tuple(sorted(found - sums.keys())),
        mixed=mixed,
    )


def altered_text(verified: Verified) -> str:
    """One sentence for the head of every output; "" for a run that is as it was closed, or that has its parts and is
    not closed yet."""
    if not verified.problems:
        return ""
    texts = list(verified.problems[:5]) + ([f"and {len(verified.problems) - 5} more"] if verified.problems[5:] else [])
    return f"THIS ARCHIVE IS NOT AS IT WAS CLOSED, so it shows nothing: {'; '.join(texts)}"


def file_is_altered(folder: Path, name: str) -> bool:
    """True where one file of a closed run is not the one that was summed. Raises ArchiveError."""
    with clear_errors("read for its sum", folder):
        return is_closed(folder) and read_sums(folder).get(name) != digest_of(folder / name)


# ---------------------------------------------------------------- parts that name a run


def _mixed(folder: Path) -> Iterator[str]:
    try:
        fields = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        run, rig = str(fields["run"]), str(fields["rig"])
        inputs = [(str(one["name"]), str(one["sha256"])) for one in fields["inputs"]]
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as problem:
        yield f"run.json does not tell its run ({type(problem).__name__})"
        return
    if folder.name.startswith("run=") and folder.name != f"run={run}":
        yield f"run.json is that of run {run}"
    parent = folder.absolute().parent.parent.name
    if parent.startswith("rig=") and parent != f"rig={rig}":
        yield f"run.json is that of rig {rig}"
    yield from _of_journal(folder / "journal.jsonl", run, rig)
    yield from _of_tables(folder, run)
    for name, digest in inputs:
        file = folder / "inputs" / name
        if not file.is_file() or digest_of(file) != digest:
            yield f"inputs/{name} is not the file that run.json names"


def _of_journal(path: Path, run: str, rig: str) -> Iterator[str]:
    if not path.is_file():
        return
    with clear_errors("read", path), path.open("rb") as file:
        naming = [line for line in file if line.startswith(_NAMING)]
    for line in naming:
        try:
            record: dict[str, Any] = json.loads(line)
        except (ValueError, RecursionError):
            continue  # torn or damaged: whoever reads it says so
        if record.get("run") != run or record.get("rig", rig) != rig:
            yield f"journal.jsonl is that of run {record.get('run')} on {record.get('rig', rig)}"
            return


def _of_tables(folder: Path, run: str) -> Iterator[str]:
    for path in sorted((*folder.glob("*.parquet"), *(folder / "samples").glob("*.parquet"))):
        named = _run_of(path)
        if named is not None and named != run:
            yield f"{path.relative_to(folder).as_posix()} is that of run {named}"


def _run_of(path: Path) -> str | None:
    """The run that a Parquet file names; None where it names none, or can't be read (its sum tells that)."""
    from restart_bench.archive.arrow import pa, pq

    try:
        named = (pq.read_schema(path).metadata or {}).get(RUN_KEY)
    except (OSError, ValueError, pa.ArrowException):
        return None
    return None if named is None else named.decode("utf-8", errors="replace")


def require_sound(folder: Path, what: str) -> None:
    """Raises ArchiveError that says what can't be done with a run that is not as it was closed."""
    text = altered_text(verify(folder))
    if text:
        raise ArchiveError(f"{folder}: {what}: {text}")
