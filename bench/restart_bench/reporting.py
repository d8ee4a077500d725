"""Writes the HTML record of a closed run into its folder."""

from __future__ import annotations

from pathlib import Path


def write_report(folder: Path) -> None:
    """`report.html` beside the tables of this run. Raises what the record raises; the archive notes it."""
    from restart_bench.archive_reading import ArchivedRun
    from restart_bench.record.writing import write_record

    write_record(ArchivedRun.open(folder), folder / "report.html")
