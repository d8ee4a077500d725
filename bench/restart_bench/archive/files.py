"""How the archive writes: a file is whole or absent, troubles are one clear error, sums check with `sha256sum -c`."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import hashlib
import json
import math
import os
import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from filelock import FileLock

SUMS = "SHA256SUMS"
LOCK = "running.lock"
TEMPORARY = ".tmp"

_CURES = {
    errno.ENOSPC: "the disk is full; free some space, the run is closed at the next start on this rig",
    errno.EDQUOT: "the disk quota is used up; free some space, the run is closed at the next start on this rig",
    errno.EACCES: "no permission; check who may write there, or choose another folder with --logs",
    errno.EROFS: "the disk is read-only; choose another folder with --logs",
    errno.EPERM: "no permission; check who may write there, or choose another place",
    errno.ENOENT: "no such file or folder; check the path",
    errno.ENAMETOOLONG: "a name is longer than a file's name can be; choose a shorter one",
    errno.ENOTDIR: "a file stands where a folder has to be; check the path",
}


class ArchiveError(Exception):
    """The archive could not be written or read: which file, what came, and what to do about it."""


@contextlib.contextmanager
def clear_errors(doing: str, path: Path) -> Iterator[None]:
    """Turn any OSError inside (pyarrow's included) into one ArchiveError that names `path`."""
    try:
        yield
    except OSError as problem:
        cure = _CURES.get(problem.errno or 0, "look at the disk and the path")
        raise ArchiveError(f"{path}: could not {doing}: {problem.strerror or problem}; {cure}") from problem


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` durable, where the system can (a folder can't be opened so on Windows)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sync_file(path: Path) -> None:
    """Make what was written to `path` durable."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextlib.contextmanager
def whole_or_absent(path: Path) -> Iterator[Path]:
    """A temporary name to write to; on a good end it is made durable and takes the place of `path`."""
    temporary = path.with_name(path.name + TEMPORARY)
    with clear_errors("write", path):
        yield temporary
        sync_file(temporary)
        temporary.replace(path)
        sync_folder(path.parent)


def write_whole(path: Path, content: bytes) -> None:
    """Write a small file so that it is never seen half. Raises ArchiveError."""
    with whole_or_absent(path) as temporary:
        temporary.write_bytes(content)


def append_line(path: Path, line: bytes) -> None:
    """Appends a line that is on the disk when this returns; one that a kill tore stays by itself. Raises
    ArchiveError."""
    with clear_errors("append a line", path):
        append_durably(path, line)


def append_durably(path: Path, line: bytes) -> None:
    """The same for who has words of his own for what goes wrong. Raises OSError."""
    with path.open("ab+") as file:
        if file.seek(0, os.SEEK_END):
            file.seek(-1, os.SEEK_END)
            line = line if file.read(1) == b"\n" else b"\n" + line
        file.write(line + b"\n")
        file.flush()
        os.fsync(file.fileno())
    sync_folder(path.parent)


def run_folders(logs: Path, rig: str = "*") -> list[Path]:
    """Folders of all runs (of one rig), oldest first. Raises ArchiveError where `logs` is a file."""
    with clear_errors("look for runs", logs):
        if logs.exists() and not logs.is_dir():
            raise ArchiveError(f"{logs} is no folder; check --logs")
        found = (path for path in logs.glob(f"rig={rig}/date=*/run=*") if (path / "run.json").is_file())
        return sorted(found, key=lambda path: (path.name, str(path)))


def run_id_of(folder: Path) -> str:
    """The run whose folder this is; a folder that is called otherwise names itself."""
    return folder.name.removeprefix("run=")


def rig_of(folder: Path) -> str:
    """The rig in whose part of an archive a run's folder stands."""
    return folder.parents[1].name.removeprefix("rig=")


def is_closed(folder: Path) -> bool:
    """True once the sums are written: from then on nothing in the folder changes."""
    return (folder / SUMS).is_file()


def run_json_of(folder: Path) -> dict[str, Any]:
    """run.json, whatever wrote it; nothing where it can't be read."""
    with contextlib.suppress(OSError, ValueError, RecursionError):
        facts = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        if isinstance(facts, dict):
            return facts
    return {}


def strict(value: Any) -> Any:
    """`value` as JSON can hold it: no NaN, no infinity (null instead), dataclasses as objects, paths as text."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return strict(dataclasses.asdict(value))
    if isinstance(value, dict):
        return {str(key): strict(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [strict(item) for item in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if hasattr(value, "item"):  # a numpy scalar
        return strict(value.item())
    return str(value)


def to_json(value: Any, *, indent: int | None = None) -> str:
    """JSON text that every reader takes."""
    return json.dumps(strict(value), ensure_ascii=False, indent=indent, allow_nan=False)


def to_bytes(text: str) -> bytes:
    """UTF-8; a lone surrogate (from a file name) becomes the escape that JSON has for it."""
    return text.encode("utf-8", errors="backslashreplace")


# ---------------------------------------------------------------- one writer at a time


class RunIsOpen(ArchiveError):
    """Another process has this run open."""


def lock_run(folder: Path) -> FileLock:
    """Take the run for this process. The system lets go of it when the process ends, however it ends.

    Raises RunIsOpen where another process has it.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(folder / LOCK, thread_local=False)
    with clear_errors("lock", folder / LOCK):
        try:
            lock.acquire(timeout=0)
        except Timeout as held:  # itself an OSError
            raise RunIsOpen(f"{folder}: this run is still going on in another process; wait for its end") from held
    return lock


def release_run(lock: FileLock, folder: Path) -> None:
    """Let go of the run and take its lock file away."""
    lock.release()
    with contextlib.suppress(OSError):
        (folder / LOCK).unlink(missing_ok=True)


def is_going_on(folder: Path) -> bool:
    """True while some process has the run open, be it of another user; where that can't be told, it may be so."""
    if not (folder / LOCK).exists():
        return False
    try:
        lock_run(folder).release()
    except RunIsOpen:
        return True
    except ArchiveError:  # nothing can be written here by this user
        return _is_held(folder / LOCK)
    return False


def _is_held(lock: Path) -> bool:
    """Whether somebody holds a lock that this user may not take: one that only reads it can ask as well."""
    if sys.platform == "win32":
        return False
    import fcntl

    try:
        with lock.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False


# ---------------------------------------------------------------- sums


def digest_of(path: Path) -> str:
    """SHA-256 (FIPS 180-4) of a file, in hexadecimal, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def files_of(folder: Path) -> list[str]:
    """All files of a run with forward slashes, sorted, without the sums and the lock."""
    names = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return sorted(name for name in names if name not in (SUMS, LOCK))


def write_sums(folder: Path) -> None:
    """Write SHA256SUMS over everything in the run; its presence says that the run is closed."""
    with clear_errors("read for its sum", folder):
        lines = [f"{digest_of(folder / name)}  {name}\n" for name in files_of(folder)]
    write_whole(folder / SUMS, "".join(lines).encode())


def read_sums(folder: Path) -> dict[str, str]:
    """File name to digest as SHA256SUMS says. Raises ArchiveError where it is missing or unreadable."""
    path = folder / SUMS
    with clear_errors("read", path):
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    sums: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        found = re.fullmatch(r"([0-9a-f]{64})  (.+)", line)
        if found is None:
            raise ArchiveError(f"{path}:{number}: not a line of digest and name; the sums themselves were altered")
        sums[found[2]] = found[1]
    return sums


# ---------------------------------------------------------------- copies of what people wrote


FORBIDDEN = re.compile(r'[<>:"|?*\\/\x00-\x1f]')
"""What no name may hold on some file system that the archive may be copied to."""


def input_names(paths: Sequence[Path]) -> list[str]:
    """A name under `inputs/` for each path: relative to their common folder, so that references between the files
    (`extends: ../common.yaml`) still lead to the copies. Characters that a file system forbids become `_`, with one
    more `_` where that would be another file's name."""
    whole = [path.parent.resolve() / path.name for path in paths]  # a link stays as the files name it
    drives = {path.anchor for path in whole}
    names: dict[Path, str] = {}
    given: dict[tuple[str, str], str] = {}
    for path in sorted(whole, key=lambda path: FORBIDDEN.search("".join(path.parts[1:])) is not None):
        same = [other.parent for other in whole if other.anchor == path.anchor]
        parts = path.relative_to(os.path.commonpath(same)).parts
        if len(drives) > 1:
            parts = (path.anchor, *parts)
        names[path] = _allowed(parts, given)
    return [names[path] for path in whole]


def _allowed(parts: Sequence[str], given: dict[tuple[str, str], str]) -> str:
    """The path of a copy; `given` holds what each name in each folder was made of."""
    place = ""
    for part in parts:
        name = FORBIDDEN.sub("_", part)
        while given.setdefault((place, name), part) != part:
            name += "_"
        place = f"{place}/{name}" if place else name
    return place
