"""A fault in a file that people wrote: where it stands, what is wrong, and the cure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault (or warning). `path` names the value (`points.auger.coil`), "" for the file as a whole; `line` is 0
    where there is none, as in a file that could not be read."""

    file: str
    line: int
    path: str
    text: str
    cure: str

    def __str__(self) -> str:
        path = f"{on_one_line(self.path)}: " if self.path else ""
        place = f":{self.line}" if self.line else ""
        return f"{on_one_line(self.file)}{place}: {path}{on_one_line(self.text)}; {on_one_line(self.cure)}"


LONGEST = 400
"""Letters of a part of a fault that are shown; a value can be as long as its file."""


def on_one_line(text: str) -> str:
    """The text with whatever would break or hide a line told by its code, and the middle of long text left out."""
    if len(text) > LONGEST:
        text = f"{text[: LONGEST // 2]} ... {text[-LONGEST // 2 :]}"
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


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
