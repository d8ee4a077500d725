"""A fault in a file that people wrote: where it stands, what is wrong, and the cure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault (or warning). `path` names the value (`points.auger.coil`), "" for the file as a whole."""

    file: str
    line: int
    path: str
    text: str
    cure: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}: "
        return where + (f"{self.path}: " if self.path else "") + f"{self.text}; {self.cure}"


class FaultsFound(Exception):
    """All the faults of a call, in the order of the files and their lines. Nothing has moved."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = in_order(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Each fault once; files as they come, in each the lines from the top."""
    once = dict.fromkeys(faults)
    files = {file: number for number, file in enumerate(dict.fromkeys(fault.file for fault in once))}
    return tuple(sorted(once, key=lambda fault: (files[fault.file], fault.line)))


def shown_path(path: Iterable[str | int]) -> str:
    """`points.auger.coil`, `before[0].press`: list places count from 0."""
    shown = ""
    for part in path:
        shown += f"[{part}]" if isinstance(part, int) else f".{part}" if shown else part
    return shown
