"""Judged cycles as long runs keep them: the same to whoever asks, in next to no memory."""

from __future__ import annotations

import errno
import tempfile
import tracemalloc
from dataclasses import replace
from typing import IO, Any

import pytest

from restart_bench.archive.kept_cycles import KeptCycles
from restart_bench.model.clock import Bounds
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, Mark, OutputSeen
from restart_bench.model.verdicts import Verdict

OUTPUTS = 32


def judged(cycle: int, verdict: Verdict = Verdict.FAIL) -> CycleJudged:
    """A cycle with a value in every field, no two alike."""
    return CycleJudged(
        cycle, "stays-shut", "short", verdict, f"reason {cycle}",
        tuple(Mark(name, Bounds(cycle * 1000, cycle * 1000 + 7)) for name in ("cut", "restored")),
        (
            Finding("stays-shut", "short", cycle, "", "restart", Verdict.PASS, "it did", {"restarted": True}),
            Finding(
                "stays-shut", "short", cycle, "out0", "off", verdict, f"why {cycle}", {"gaps": ((1, cycle), (3, 4))},
                kind=FindingKind.GAP, subject="out1",
            ),
        ),
        True,
        tuple(OutputSeen(f"out{n}", f"in{n}", True, None, 1.5, loss_ns=(cycle, cycle + n)) for n in range(OUTPUTS)),
        ("a note",), {"off_time_ns": (cycle, 9), "off_for_ns": 5}, ("out7",),
    )  # fmt: skip


def test_a_kept_cycle_is_the_cycle_to_whoever_asks() -> None:
    """Every field, also of an earlier one, its line in the journal, and what a change of one field makes of it."""
    kept = KeptCycles()
    cycles = [judged(number) for number in range(1, 4)]

    for one, again in reversed([*zip(cycles, [kept.keep(one) for one in cycles], strict=True)]):
        assert again == one
        assert isinstance(again, CycleJudged)
        assert (again.restarted, again.searched, again.mark("cut")) == (True, True, one.mark("cut"))
        assert to_line(again) == to_line(one)
        assert from_line(to_line(again)) == from_line(to_line(one))
        assert replace(again, reason="another") == replace(one, reason="another")


def test_a_kept_cycle_takes_less_than_a_kilobyte() -> None:
    """Of 32 outputs, each with times of its own; whole it would be more than ten."""

    def bytes_of_one(keep: Any) -> float:
        tracemalloc.start()
        held = [keep(judged(number)) for number in range(1, 401)]
        taken = tracemalloc.get_traced_memory()[0] / len(held)
        tracemalloc.stop()
        return taken

    assert bytes_of_one(KeptCycles().keep) < 1024
    assert bytes_of_one(lambda one: one) > 10 * 1024


def test_a_disk_that_takes_no_more_loses_no_cycle(monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk, or a cycle that it takes only a part of: that cycle stays in memory, those before and after are
    what they were."""
    real = tempfile.TemporaryFile
    refused: list[Any] = [OSError(errno.ENOSPC, "no space left"), 3]

    class Full:
        def __init__(self, file: IO[bytes]) -> None:
            self._file = file
            self.seek, self.read, self._writes = file.seek, file.read, 0

        def write(self, content: bytes) -> int:
            self._writes += 1
            if self._writes not in (2, 3):
                return self._file.write(content)
            what = refused.pop(0)
            if isinstance(what, OSError):
                raise what
            return self._file.write(content[:what])

    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **options: Full(real(**options)))
    kept = KeptCycles()
    cycles = [judged(number) for number in range(1, 5)]
    again = [kept.keep(one) for one in cycles]

    assert [one is other for one, other in zip(cycles, again, strict=True)] == [False, True, True, False]
    assert again == cycles
