"""Judged cycles as a long run keeps them: what tells them apart in memory, what was seen in a file without a name."""

from __future__ import annotations

import pickle
import tempfile
from array import array
from dataclasses import fields
from io import BytesIO
from operator import attrgetter
from typing import IO, Any

from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleJudged, Finding, Mark, OutputSeen

_PARTS = (("reason", "marks", "notes", "figures", "not_tested"), ("findings",), ("outputs",))
"""Fields of `CycleJudged` that are read from the file, together as they are asked for together."""
_PART_OF = {name: part for part, names in enumerate(_PARTS) for name in names}
_VALUES = {kind: attrgetter(*(one.name for one in fields(kind))) for kind in (Bounds, Mark, Finding, OutputSeen)}


class _Pickler(pickle.Pickler):
    """Values are made again by their constructors, in a tenth of the time that setting field after field takes."""

    dispatch_table = {kind: lambda one: (one.__class__, _VALUES[one.__class__](one)) for kind in _VALUES}  # noqa: RUF012


def _pickled(values: tuple[Any, ...]) -> bytes:
    content = BytesIO()
    _Pickler(content, pickle.HIGHEST_PROTOCOL).dump(values)
    return content.getvalue()


class KeptCycles:
    """Keeps judged cycles in some hundred bytes each. Where no file can be had they stay in memory whole."""

    def __init__(self) -> None:
        self._file: IO[bytes] | None = None
        self._size = 0
        self._places = array("q")  # of every cycle and part: where it begins; each ends where the next one begins
        self._words: dict[str, str] = {}  # names that many cycles have in common
        self._latest: list[tuple[int, tuple[Any, ...]]] = [(-1, ())] * len(_PARTS)

    def keep(self, judged: CycleJudged) -> CycleJudged:
        """The same cycle, kept. It stays what it is as long as it is held."""
        parts = [_pickled(tuple(getattr(judged, name) for name in names)) for names in _PARTS]
        try:
            self._append(b"".join(parts))
        except OSError:  # the disk is full, say
            return judged
        number = len(self._places) // len(_PARTS)
        place = self._size
        for part in parts:
            self._places.append(place)
            place += len(part)
        self._size = place
        scenario, case = (self._words.setdefault(word, word) for word in (judged.scenario, judged.case))
        return _KeptCycle(self, number, judged, scenario, case)

    def _append(self, content: bytes) -> None:
        if self._file is None:
            self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115  # open as long as a cycle of it is held
        self._file.seek(self._size)
        if self._file.write(content) != len(content):
            raise OSError("the disk did not take all of it")

    def read(self, number: int, name: str) -> Any:
        """One field of a kept cycle. The newest read of each part is remembered: fields are asked for in a row."""
        part = _PART_OF[name]
        known, values = self._latest[part]
        if known != number:
            values = self._loaded(number * len(_PARTS) + part)
            self._latest[part] = (number, values)
        return values[_PARTS[part].index(name)]

    def _loaded(self, index: int) -> tuple[Any, ...]:
        assert self._file is not None
        begin = self._places[index]
        end = self._places[index + 1] if index + 1 < len(self._places) else self._size
        self._file.seek(begin)
        content = self._file.read(end - begin)
        values: tuple[Any, ...] = pickle.loads(content)
        return values


def _from_file(name: str) -> Any:
    return property(lambda cycle: cycle._kept.read(cycle._number, name))


class _KeptCycle(CycleJudged):
    """A `CycleJudged` to whoever asks (also to `replace`, `==` and the codec), most of whose fields are read then."""

    __slots__ = ("_kept", "_number", "_restarted")
    _restarted: bool | None

    __class__ = property(lambda _: CycleJudged)
    reason, marks, notes, figures, not_tested, findings, outputs = map(
        _from_file, ("reason", "marks", "notes", "figures", "not_tested", "findings", "outputs")
    )

    def __init__(self, kept: KeptCycles, number: int, judged: CycleJudged, scenario: str, case: str) -> None:
        for name, value in (
            ("_kept", kept), ("_number", number), ("_restarted", judged.restarted), ("cycle", judged.cycle),
            ("scenario", scenario), ("case", case), ("verdict", judged.verdict), ("ends_run", judged.ends_run),
        ):  # fmt: skip
            object.__setattr__(self, name, value)

    @property
    def restarted(self) -> bool | None:
        return self._restarted
