"""Writes the record of an archived run into a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from restart_bench.archive_files import write_whole
from restart_bench.record.gathering import gather
from restart_bench.record.rendering import render

if TYPE_CHECKING:
    from restart_bench.archive_reading import ArchivedRun


def write_record(run: ArchivedRun, out: Path) -> None:
    """Write the record of a run as one HTML file (whole or not at all; an older one is replaced).

    Raises ArchiveError where the archive is damaged or the disk does not take the file, FaultsFound where this
    version of the bench refuses the archived input files.
    """
    write_whole(out, render(gather(run)).encode("utf-8"))
