"""How long the supply was off: as asked, as the commands and the relay's data make it, and as a proof read it.

What the proof read outranks what the relay was told. A row of reads that say off is one loss: the supply fell between
the read before and the first of them, and rose between the last of them and the read after.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from restart_bench.evidence.traces import Flags, Reads
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import CycleRecords, Switching
from restart_bench.model.rig import Rig, RigSupply

SLACK_NS = 100_000_000
"""An off time may differ from the one asked by so much, or by a tenth of it, whichever is more."""
SHORTEST_ALLOWANCE_NS = 20_000_000
"""So much longer than asked a dip may be in any case: commands over a network take some milliseconds."""


@dataclass(frozen=True, slots=True)
class OffSpan:
    """One loss as a proof read it. `rose` is None where it was not read on again; it was surely off for `least_ns`."""

    fell: Bounds
    rose: Bounds | None
    least_ns: int


@dataclass(frozen=True, slots=True)
class OffTime:
    """Shortest and longest off time that was asked, and that may have been; `dip`: asked as one."""

    asked: tuple[int, int]
    allowed: tuple[int, int]
    dip: bool

    def clearly_less(self, seen: tuple[int, int]) -> bool:
        """True where it was surely off for less than may be."""
        return seen[1] < self.allowed[0]

    def clearly_more(self, seen: tuple[int, int]) -> bool:
        """True where it was surely off for longer than may be."""
        return seen[0] > self.allowed[1]

    def maybe_more(self, seen: tuple[int, int]) -> bool:
        """True where it may have been off for longer than may be."""
        return seen[1] > self.allowed[1]


def off_time(cut: Bounds, restored: Bounds) -> tuple[int, int]:
    """Shortest and longest time from a loss to a return."""
    low, high = restored.since(cut)
    return max(0, low), high


def asked_off_time(
    rig: Rig, records: CycleRecords, cut: Switching, restore: Switching, asked_ns: int | None = None
) -> OffTime:
    """What was asked (None: as in the journal), and how far from it the true off time may be: a dip by a factor of two,
    else by a tenth and 100 ms, and by the relay's data. A person is held to what was answered."""
    asked = records.started.off_for_ns if asked_ns is None else asked_ns
    supply = rig.supply if cut.what == "supply" else None
    dips = None if supply is None else supply.limits.dips_up_to_ns
    dip = dips is not None and asked <= dips
    if _by_hand(rig, cut):
        asks = (max(0, restore.before_ns - cut.after_ns), restore.after_ns - cut.before_ns)
    else:
        asks = (asked, asked)
    less = asks[0] // 2 if dip else max(SLACK_NS, asks[0] // 10)
    more = max(asks[1], SHORTEST_ALLOWANCE_NS) if dip else max(SLACK_NS, asks[1] // 10)
    opening, closing = _delays(supply)
    return OffTime(asks, (asks[0] - less - opening, asks[1] + more + closing), dip)


def _by_hand(rig: Rig, cut: Switching) -> bool:
    switch = rig.supply if cut.what == "supply" else rig.mode
    return switch is not None and switch.by_hand


def _delays(supply: RigSupply | None) -> tuple[int, int]:
    if supply is None:
        return 0, 0
    return supply.opening_ns + supply.bounce_ns, supply.closing_ns + supply.bounce_ns


def narrowest(commanded: tuple[int, int], seen: tuple[int, int] | None) -> tuple[int, int]:
    """What commands and proof say together; the proof alone where they contradict one another."""
    if seen is None:
        return commanded
    low, high = max(commanded[0], seen[0]), min(commanded[1], seen[1])
    return (low, high) if low <= high else seen


def longest(losses: Sequence[OffSpan]) -> OffSpan | None:
    """The loss that a cut is known by: a contact that bounces makes others, but short ones."""
    return max(losses, key=lambda span: span.least_ns, default=None)


def return_read(reads: Reads, off: Flags, declared: Bounds, bounce_ns: int) -> Bounds | None:
    """The return as a proof read it rise about the bounds that command and data sheet leave; None: no rise was read
    there. No sooner than the contact may have bounced before the last read of off; no later than it may bounce after
    the first read of on that none of off follows up to the latest bound."""
    rises = 1 + np.flatnonzero(off[:-1] & ~off[1:])
    rises = rises[(reads.late[rises] > declared.not_before_ns) & (reads.early[rises - 1] <= declared.not_after_ns)]
    if len(rises) == 0:
        return None
    begun = int(reads.early[rises[0] - 1])
    last = int(np.flatnonzero(off & (reads.early <= declared.not_after_ns))[-1])
    ended = declared.not_after_ns if last + 1 >= len(reads) else int(reads.late[last + 1]) + bounce_ns
    return Bounds(begun - bounce_ns, ended)


def losses_of(reads: Reads, off: Flags, cut: Bounds, until_ns: int) -> list[OffSpan]:
    """Every row of off reads that began after the cut was commanded and by `until_ns`, in order."""
    return list(_rows(reads, off, cut, until_ns))


def _rows(reads: Reads, off: Flags, cut: Bounds, until_ns: int) -> Iterator[OffSpan]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], off.astype(np.int8), [0]))))
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if reads.late[low] <= cut.not_before_ns:
            continue
        first, last = int(reads.late[low]), int(reads.early[high - 1])
        if first > until_ns:
            return
        before = int(reads.early[low - 1]) if low else cut.not_before_ns
        rose = None
        if high < len(reads):
            rose = Bounds(max(cut.not_before_ns, min(last, int(reads.late[high]))), int(reads.late[high]))
        fell = Bounds(max(cut.not_before_ns, min(before, first)), first)
        yield OffSpan(fell, rose, max(0, last - first))
