"""What each output did over the restart, from reads that count: the rows of the restart matrix are made of these."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from restart_bench.evidence.evidence import Evidence
from restart_bench.evidence.traces import Flags, Reads, longest_gap_ns
from restart_bench.model.clock import BLIND_NS
from restart_bench.model.journal import OutputSeen, Seen
from restart_bench.model.rig import Point
from restart_bench.model.wording import about, shown, value_text


def typed(point: Point, value: float | None) -> Seen:
    """The value in the point's own type: bool for what is off or on, int where it is whole and not scaled."""
    if value is None:
        return None
    if point.is_boolean:
        return bool(value)
    return int(value) if point.type != "float32" and float(value).is_integer() else float(value)


def output_seen(evidence: Evidence, name: str, judged: str) -> OutputSeen:
    """What the output did in this cycle. Without a return only what was before it can be known, without a cut only
    `before` and `seen_on`."""
    point = evidence.rig.points[judged]
    reads = evidence.reads(judged)
    on = bool((reads.value == 1.0).any()) if point.is_boolean else None
    cut, restored = evidence.cut, evidence.restored
    if cut is None:
        return OutputSeen(name, judged, before=typed(point, evidence.before(judged)), seen_on=on)
    off = reads.inside(cut.not_after_ns, evidence.end_ns if restored is None else restored.not_before_ns)
    loss_ns, pulses, rest = _loss(evidence, reads)
    until_the_return = OutputSeen(
        name,
        judged,
        before=typed(point, evidence.before(judged)),
        at_loss=typed(point, float(off.value[-1]) if len(off) else rest),
        loss_ns=loss_ns,
        loss_pulses=pulses if point.is_boolean else 0,
        seen_on=on,
    )
    if restored is None:
        return until_the_return
    end = min(evidence.watch_end_ns, evidence.end_ns)
    after = reads.inside(restored.not_before_ns, end)
    settled = _settled(reads.inside(evidence.settled_ns, end))
    changes = int((after.value[1:] != after.value[:-1]).sum())
    at_end = float(after.value[-1]) if len(after) else None
    return replace(
        until_the_return,
        at_return=typed(point, _first_after(after, restored.not_after_ns)),
        settled=typed(point, settled),
        at_end=typed(point, at_end),
        delay_ns=_delay(evidence, judged, after, at_end if changes == 1 else settled),
        changes=changes,
        shortest_excluded_ns=longest_gap_ns(reads, cut.not_before_ns, end),
        disagrees=_disagreement(evidence, name, judged),
    )


def _settled(reads: Reads) -> float | None:
    return float(reads.value[0]) if len(reads) and bool((reads.value == reads.value[0]).all()) else None


def _first_after(reads: Reads, instant_ns: int) -> float | None:
    place = int(np.searchsorted(reads.early, instant_ns, side="left"))
    return float(reads.value[place]) if place < len(reads) else None


def _loss(evidence: Evidence, reads: Reads) -> tuple[tuple[int, int] | None, int, float | None]:
    """The last change after the cut, if it came before the return (or the end), counted from the cut; how often it had
    gone there and back before, and what it was from then on. What chattered is gone when it has come to rest."""
    cut, restored = evidence.cut, evidence.restored
    assert cut is not None
    until = evidence.end_ns if restored is None else restored.not_before_ns
    first = reads.last_until(cut.not_before_ns)
    if first is None:
        return None, 0, None
    part = reads.part(first, int(np.searchsorted(reads.late, until, side="right")))
    moved = np.flatnonzero(part.value[1:] != part.value[:-1])
    if len(moved) == 0:
        return None, 0, None
    place = int(moved[-1])
    low, high = int(part.early[place]) - cut.not_after_ns, int(part.late[place + 1]) - cut.not_before_ns
    return (max(0, low), high), len(moved) // 2, float(part.value[-1])


def _delay(evidence: Evidence, judged: str, after: Reads, settled: float | None) -> tuple[int, int] | None:
    """The change to the settled value, counted from `restored`; None where it had that value all along."""
    reads, restored, cut = evidence.reads(judged), evidence.restored, evidence.cut
    assert restored is not None and cut is not None
    if settled is None or len(after) == 0:
        return None
    others = np.flatnonzero(after.value != settled)
    if len(others):
        place = int(others[-1])
        if place + 1 >= len(after):
            return None
        low, high = evidence.since_restored(int(after.early[place]), int(after.late[place + 1]))
        return max(0, low), high
    previous = int(np.searchsorted(reads.late, int(after.late[0]), side="left")) - 1
    if previous >= 0 and reads.late[previous] > cut.not_before_ns and evidence.outlived(judged):
        if reads.value[previous] == settled:
            return None
    elif settled in (0.0, evidence.before(judged)) and not (evidence.rig.points[judged].is_boolean and settled):
        return None  # blind since the cut, and nothing says that it ever was different
    _, high = evidence.since_restored(int(after.late[0]), int(after.late[0]))
    return 0, high


def _disagreement(evidence: Evidence, name: str, judged: str) -> str:
    """A lasting disagreement of image and terminal in the settled state (a second, or the whole settled span)."""
    point = evidence.rig.points[name]
    if judged == name or not point.is_boolean:
        return ""
    start, end = evidence.settled_ns, min(evidence.watch_end_ns, evidence.end_ns)
    image, terminal = evidence.reads(name).inside(start, end), evidence.reads(judged).inside(start, end)
    steady = _settled(image)
    if len(image) < 2 or len(terminal) < 2 or (steady is not None and steady == _settled(terminal)):
        return ""
    before = np.searchsorted(terminal.late, image.early, side="right") - 1
    after = np.searchsorted(terminal.early, image.late, side="left")
    known = (before >= 0) & (after < len(terminal))
    before, after = before.clip(0), after.clip(max=len(terminal) - 1)
    differ = (
        known
        & (terminal.value[before] == terminal.value[after])
        & (terminal.value[before] != image.value)
        & (terminal.late[after] - terminal.early[before] <= BLIND_NS)
    )
    low, high = _longest_row(differ, image)
    if low == high:
        return ""
    lasted = int(image.late[high - 1] - image.early[low])
    if lasted < min(BLIND_NS, (end - start) * 9 // 10):
        return ""
    says = value_text(point, float(image.value[low]))
    is_so = value_text(point, float(terminal.value[before[low]]))
    return (
        f"{shown(evidence.rig, name)}: the controller says {says}, its terminal was {is_so} for {about(lasted)}; "
        "look at the addresses of both in rig.yaml, at the output card, its fuse and supply, and the wiring"
    )


def _longest_row(flags: Flags, reads: Reads) -> tuple[int, int]:
    """The row of True that lasts longest, as a range of reads."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    if len(edges) == 0:
        return 0, 0
    lows, highs = edges[::2], edges[1::2]
    best = int(np.argmax(reads.late[highs - 1] - reads.early[lows]))
    return int(lows[best]), int(highs[best])


def base_figures(seen: OutputSeen) -> dict[str, Any]:
    """The figures that every finding about a point carries."""
    return {
        "judged": seen.judged,
        "before": seen.before,
        "at_loss": seen.at_loss,
        "at_return": seen.at_return,
        "settled": seen.settled,
        "delay_ns": None if seen.delay_ns is None else list(seen.delay_ns),
        "seen_on": seen.seen_on,
    }
