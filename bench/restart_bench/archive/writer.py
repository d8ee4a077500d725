"""The archive of runs: one folder a run, written while the run lasts, closed once, never written to again.

    logs/rig=<rig>/date=<YYYY-MM-DD>/run=<id>/
      run.json  journal.jsonl  samples/<device>.parquet  changes.parquet  cycles.parquet  findings.parquet
      inputs/  report.html  SHA256SUMS

A run that was killed has no SHA256SUMS; `finish_killed` closes it. Closing may itself be killed at any instant and
begun again: every file is whole or absent, and the samples are only let go of once their Parquet file is durable.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import re
import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from filelock import FileLock

from restart_bench.archive.files import (
    TEMPORARY,
    ArchiveError,
    clear_errors,
    digest_of,
    input_names,
    is_closed,
    is_going_on,
    lock_run,
    release_run,
    run_folders,
    sync_folder,
    to_bytes,
    to_json,
    write_sums,
    write_whole,
)
from restart_bench.archive.reader import FORMAT, ArchivedRun, read_journal, read_run_json, readable_records, whole_lines
from restart_bench.files.faults import FaultsFound
from restart_bench.model.clock import anchor, resolution_ns
from restart_bench.model.codec import to_line
from restart_bench.model.journal import Record
from restart_bench.model.rig import Rig

if TYPE_CHECKING:
    from restart_bench.model.condensing import SampleSource
    from restart_bench.suite.loader import Suite, SuiteFile

Report = Callable[[Path], None]
"""Writes `report.html` into the folder it is given."""


def new_run_id() -> str:
    """An id that sorts by time: UTC to the second, and four hexadecimal digits against a coincidence."""
    return f"{datetime.now(tz=UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}"


def folder_of(logs: Path, rig: str, run_id: str) -> Path:
    """Where a run is archived. Raises ArchiveError on an id that does not begin with its time."""
    found = re.fullmatch(r"(\d{4})(\d{2})(\d{2})T\d{6}Z-[0-9a-z]+", run_id)
    if found is None:
        raise ArchiveError(f"{run_id}: not an id of a run, such as 20260727T142233Z-4f2a")
    return logs / f"rig={rig}" / f"date={'-'.join(found.groups())}" / f"run={run_id}"


def unfinished(logs: Path, rig: str) -> list[Path]:
    """Runs on this rig that were neither closed nor are going on now: the bench was killed. Oldest first."""
    # asked in this order: a run that ends meanwhile is closed before it is let go of
    return [path for path in run_folders(logs, rig) if not is_going_on(path) and not is_closed(path)]


class RunArchive:
    """One run while it is written. All methods raise ArchiveError where the disk does not take it."""

    def __init__(self, folder: Path, rig: Rig, lock: FileLock) -> None:
        self.folder = folder
        self.samples_folder = folder / "samples"
        self._rig = rig
        self._lock = lock
        self._journal = _Journal(folder / "journal.jsonl")

    @staticmethod
    def create(logs: Path, *, run_id: str, suite: Suite, before: dict[str, Any]) -> RunArchive:
        """Begin a run: folder, copies of the input files, run.json with what is known before.

        The keys of `before` become keys of run.json; what the archive knows itself (run, rig, inputs, clock,
        anchor) is added where it is missing.
        """
        folder = folder_of(logs, suite.rig.name, run_id)
        with clear_errors("begin the run", folder):
            (folder / "samples").mkdir(parents=True)
        lock = lock_run(folder)
        try:
            moment = anchor()
            fields = {
                "format": FORMAT, "run": run_id, "rig": suite.rig.name, "state": "running",
                "clock": {"name": "perf_counter_ns", "resolution_ns": resolution_ns()},
                "anchor": dataclasses.asdict(moment),
                "supply_card": _card_of(suite.rig),
                **before,
                "inputs": _copy_inputs(folder / "inputs", suite.files),
            }  # fmt: skip
            write_whole(folder / "run.json", to_bytes(to_json(fields, indent=1)))
            return RunArchive(folder, suite.rig, lock)
        except BaseException:
            release_run(lock, folder)
            raise

    def write(self, record: Record) -> None:
        """Append a record to the journal; it is with the system when this returns (it survives a kill)."""
        self._journal.write(to_bytes(to_line(record)))

    def sync(self) -> None:
        """Returns once the journal is on the disk (it survives a loss of the computer's power)."""
        self._journal.sync()

    def close(self, after: dict[str, Any], report: Report | None = None) -> None:
        """End the run: samples to Parquet, tables, report, run.json with `after`, sums last.

        A report that fails is noted in run.json under `report_problem`; everything else raises ArchiveError, and
        the run stays open for `finish_killed`. Closing twice does nothing.
        """
        if is_closed(self.folder):
            return
        try:
            self._journal.sync()
            self._journal.close()
            _close_up(self.folder, self._rig, after, report)
        finally:
            self._journal.close()
            release_run(self._lock, self.folder)

    def leave_open(self, after: dict[str, Any]) -> None:
        """End the run without closing it: its rig was not left as it should be, and the next armed start finds it."""
        try:
            self._journal.sync()
            fields = {**read_run_json(self.folder), **after, "state": "left open"}
            write_whole(self.folder / "run.json", to_bytes(to_json(fields, indent=1)))
        finally:
            self._journal.close()
            release_run(self._lock, self.folder)


class _Journal:
    """A file of lines. A line that the disk did not take whole is taken back, so that no torn line stands between
    whole ones."""

    def __init__(self, path: Path) -> None:
        self._path = path
        with clear_errors("open", path):
            self._file = path.open("ab", buffering=0)
            self._size = self._file.seek(0, os.SEEK_END)

    def write(self, line: bytes) -> None:
        if self._file.closed:
            raise ArchiveError(f"{self._path.parent}: the run is closed, nothing is written to it any more")
        left = memoryview(line + b"\n")
        size = self._size + len(left)
        with clear_errors("write", self._path):
            try:
                while left:
                    left = left[self._file.write(left) or 0 :]
            except OSError:
                with contextlib.suppress(OSError):
                    self._file.truncate(self._size)
                    self._file.seek(0, os.SEEK_END)
                raise
        self._size = size

    def sync(self) -> None:
        with clear_errors("make durable", self._path):
            os.fsync(self._file.fileno())

    def close(self) -> None:
        self._file.close()


def _card_of(rig: Rig) -> dict[str, Any] | None:
    """The driver's card, so that the rig file can still be read where a third party's driver is missing."""
    if rig.supply is None:
        return None
    from restart_bench_drivers.registry import cards

    card = cards().get(rig.supply.driver)
    return None if card is None else dataclasses.asdict(card)


def _copy_inputs(folder: Path, files: tuple[SuiteFile, ...]) -> list[dict[str, str]]:
    """Exact copies of the files as they were read, and what run.json says of each."""
    copied: list[dict[str, str]] = []
    with clear_errors("copy the input files", folder):
        folder.mkdir()
        for file, name in zip(files, input_names([file.path for file in files]), strict=True):
            copy = folder / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(file.content)
            copied.append({"kind": file.kind, "name": name, "path": str(file.path), "sha256": digest_of(copy)})
    return copied


# ---------------------------------------------------------------- closing


def _close_up(folder: Path, rig: Rig | None, after: dict[str, Any], report: Report | None) -> None:
    """Close a run whose journal is complete. May be killed anywhere and begun again."""
    from restart_bench.archive.samples import convert_parts
    from restart_bench.archive.tables import write_tables

    fields = {**read_run_json(folder), **after, "state": "closing"}
    write_whole(folder / "run.json", to_bytes(to_json(fields, indent=1)))
    converted = convert_parts(folder / "samples", str(fields.get("run", "")))
    fields["torn_bytes"] = {**fields.get("torn_bytes", {}), **converted.torn}
    fields["unreadable_samples"] = converted.unreadable
    fields["program_identity"] = write_tables(folder, rig)
    fields["state"] = "closed"
    write_whole(folder / "run.json", to_bytes(to_json(fields, indent=1)))
    problem = _report_problem(folder, report)
    if problem:
        fields["report_problem"] = problem
        write_whole(folder / "run.json", to_bytes(to_json(fields, indent=1)))
    with clear_errors("tidy up", folder):
        for path in (*converted.parts, *folder.rglob(f"*{TEMPORARY}")):
            path.unlink(missing_ok=True)
    sync_folder(folder / "samples")
    write_sums(folder)


def _report_problem(folder: Path, report: Report | None) -> str:
    """Let the report be written; what it raises is no reason to lose the archive."""
    if report is None:
        return ""
    try:
        report(folder)
    except Exception as problem:
        return f"{type(problem).__name__}: {problem}"
    return ""


def finish_killed(folder: Path, report: Report | None = None) -> None:
    """Close a run whose bench was killed: its samples and its journal become a closed run like any other.

    Cycles that were not judged yet are judged now, the scenarios are concluded, and the journal ends with
    `RunEnded` (how: killed, or error where it had told its end but was not closed then). A closed run is left as it
    is. Raises RunIsOpen where the run still goes on, ArchiveError where the disk does not take it.
    """
    if is_closed(folder):
        return
    with _locked(folder):
        if not is_closed(folder):  # else another process was quicker
            _finish(folder, report)


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    lock = lock_run(folder)
    try:
        yield
    finally:
        release_run(lock, folder)


def _finish(folder: Path, report: Report | None) -> None:
    from restart_bench.archive.killed import ended_by_kill, what_is_missing
    from restart_bench.archive.samples import convert_parts

    torn = _drop_torn_line(folder / "journal.jsonl")
    run = ArchivedRun.open(folder)
    convert_parts(folder / "samples", run.id)
    suite, refused = _suite_of(run)
    missing = what_is_missing(run, suite)
    run.close()
    _append(folder, missing)
    after = ended_by_kill(read_run_json(folder), read_journal(folder / "journal.jsonl"))
    if torn:
        after["torn_bytes"] = {"journal": torn}
    if refused:
        after["not_judged"] = refused
    _close_up(folder, suite.rig if suite is not None else None, after, report)


def give_up_cycles(folder: Path, why: str) -> None:
    """Notes in the journal of a killed run that its open cycle was broken off, so that nobody goes on with it."""
    from restart_bench.archive.killed import broken_off

    with _locked(folder):
        _drop_torn_line(folder / "journal.jsonl")
        records, _ = readable_records(folder / "journal.jsonl")
        _append(folder, broken_off(records, why))


def _append(folder: Path, records: Sequence[Record]) -> None:
    """Brings records into the journal of a run whose bench is gone."""
    journal = _Journal(folder / "journal.jsonl")
    try:
        for record in records:
            journal.write(to_bytes(to_line(record)))
        journal.sync()
    finally:
        journal.close()


@contextlib.contextmanager
def samples_of_killed(folder: Path, cycle: int) -> Iterator[Mapping[str, SampleSource]]:
    """Samples of one cycle of a run that was not closed, which it stays."""
    from restart_bench.archive.samples import convert_parts

    with _locked(folder):
        convert_parts(folder / "samples", str(read_run_json(folder).get("run", "")))
    with contextlib.closing(ArchivedRun.open(folder)) as run:
        yield run.sources(cycle)


def _suite_of(run: ArchivedRun) -> tuple[Suite | None, str]:
    """The suite of a run, or why this version of the bench refuses its files: then the run is closed unjudged, so
    that an old run never keeps its rig from going on."""
    try:
        return run.suite(), ""
    except FaultsFound as faults:
        return None, f"this version refuses the run's files: {faults}"


def _drop_torn_line(path: Path) -> int:
    """Cut a torn last line off the journal. Returns its length in bytes."""
    with clear_errors("read", path):
        if not path.exists():
            path.touch()
        content = path.read_bytes()
        _, torn = whole_lines(content)
        if torn:
            with path.open("rb+") as file:
                file.truncate(len(content) - torn)
                os.fsync(file.fileno())
    return torn
