"""Writes the record of an archived run into a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from restart_bench.archive.files import whole_or_absent, write_whole
from restart_bench.report.record.gathering import gather
from restart_bench.report.record.rendering import render_page, rendered

if TYPE_CHECKING:
    from restart_bench.archive.reader import ArchivedRun


def write_record(run: ArchivedRun, out: Path, *, explain: bool = True) -> None:
    """Write the record of a run as one HTML file (whole or not at all; an older one is replaced). explain: as in
    `gather`.

    Raises ArchiveError where the archive is damaged or the disk does not take the file, FaultsFound where this
    version of the bench refuses the archived input files.
    """
    data = gather(run, explain=explain)
    with whole_or_absent(out) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
        file.writelines(rendered(data))


def write_page(run: ArchivedRun, out: Path) -> None:
    """Write the hand-out of a run: one page to print. Raises what the record raises."""
    write_whole(out, render_page(gather(run, explain=False)).encode("utf-8"))


def write_report(folder: Path) -> None:
    """`report.html` beside the tables of this run. Raises what the record raises; the archive notes it.

    Of a killed run it says nothing of why: its log is closed while somebody waits for the rig to be put right.
    """
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.model.journal import RunEnded

    run = ArchivedRun.open(folder)
    killed = any(isinstance(record, RunEnded) and record.how == "killed" for record in run.records)
    write_record(run, folder / "report.html", explain=not killed)
