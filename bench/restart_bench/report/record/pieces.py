"""Lanes of a diagram and what stands in them: traces and marks of a cycle turned into pieces. Pure.

Bounds of changes are those of `traces.changes_of`: a change that counts reaches back to the counting read before it,
also across a dark span.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from restart_bench.evidence.marks import mode_proofs
from restart_bench.evidence.traces import Flags, Instants, Trace, Values
from restart_bench.model.clock import Bounds
from restart_bench.model.rig import Device, Point, Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.step_kinds import facts_of
from restart_bench.model.ways import AS_TOLD
from restart_bench.report.record.data import DrawnLane, Piece

MOST_PIECES = 400
"""Pieces of one lane in one cycle; an output that flutters more often is not drawn to the end."""
_LEAST_GAP_NS = 50_000_000


# ---------------------------------------------------------------- lanes


def drawn_lanes(rig: Rig, scenario: Scenario, always_moving: frozenset[str] = frozenset()) -> tuple[DrawnLane, ...]:
    """The lanes of a scenario: supply or run mode, its proofs, outputs each above its terminal, others, commands."""
    label = "Run mode" if scenario.how == "mode" else "Supply"
    lanes = [DrawnLane("", label, AS_TOLD, "supply")]
    of_supply = _named(proof.point for proof in rig.proof_of_cut if proof.kind == "value")
    by_mode = scenario.how == "mode"
    proofs = _named(name for name, _, _ in mode_proofs(rig)) if by_mode else of_supply
    lanes += [_lane(rig.points[name], "proof") for name in proofs]
    judged = _judged_names(scenario)
    shown = {point.name for point in rig.outputs()} | judged
    for pair, point in enumerate(rig.points.values(), start=1):
        if point.name not in shown or point.writable or point.inline_terminal:
            continue
        lanes += _output_lanes(rig, point, pair)
    others = [*(of_supply if by_mode else ()), *(name for name, _ in (*rig.ready.when, *rig.only_while))]
    lanes += [_lane(rig.points[name], "other") for name in others]
    lanes += [_lane(rig.points[name], "command") for name in _commands(scenario)]
    lanes += [_lane(point, "other") for point in rig.points.values() if point.name in judged]
    return tuple(_each_once(lane for lane in lanes if lane.point not in always_moving))


def _output_lanes(rig: Rig, point: Point, pair: int) -> list[DrawnLane]:
    if point.terminal is not None:
        terminal = rig.points[point.terminal]
        return [
            _lane(point, "output", pair=pair),
            _lane(terminal, "terminal", pair=pair, label=point.shown, boolean=terminal.is_boolean),
        ]
    is_output = point.is_boolean and not rig.is_independent(point.name) and point.table == "coil"
    return [_lane(point, "output" if is_output else "other", pair=pair)]


def _lane(point: Point, role: str, *, pair: int = 0, label: str = "", boolean: bool | None = None) -> DrawnLane:
    place = f"{point.table.replace('_', ' ')} {point.address} = item {point.address + 1}"
    is_boolean = point.is_boolean if boolean is None else boolean
    return DrawnLane(point.name, label or point.shown, place, role, is_boolean, point.unit, pair)  # type: ignore[arg-type]


def _judged_names(scenario: Scenario) -> set[str]:
    names = {expectation.point for expectation in (*scenario.during, *scenario.after)}
    names |= {name for gap in scenario.gaps for name in (gap.first, gap.then)}
    for step in (*scenario.before, *scenario.function_check):
        names |= {*facts_of(step.action).reads(step.action)}
    return names


def _commands(scenario: Scenario) -> list[str]:
    steps = (*scenario.before, *scenario.function_check)
    return _named(name for step in steps for name in facts_of(step.action).moves(step.action))


def _named(names: Iterable[str | None]) -> list[str]:
    return list(dict.fromkeys(name for name in names if name is not None))


def _each_once(lanes: Iterable[DrawnLane]) -> list[DrawnLane]:
    known: dict[str, DrawnLane] = {}
    for lane in lanes:
        known.setdefault(lane.point, lane)
    return list(known.values())


# ---------------------------------------------------------------- pieces


def supply_pieces(marks: Mapping[str, Bounds], start_ns: int, end_ns: int) -> tuple[Piece, ...]:
    """What was commanded: on, off from the bounds of `cut`, on again from those of `restored`."""
    cut, restored = marks.get("cut"), marks.get("restored")
    if cut is None:
        return (Piece("value", start_ns, end_ns, 1.0),)
    pieces = [
        Piece("value", start_ns, cut.not_before_ns, 1.0),
        Piece("change", cut.not_before_ns, cut.not_after_ns, 0.0),
    ]
    if restored is None:
        return (*pieces, Piece("value", cut.not_after_ns, end_ns, 0.0))
    return (
        *pieces,
        Piece("value", cut.not_after_ns, restored.not_before_ns, 0.0),
        Piece("change", restored.not_before_ns, restored.not_after_ns, 1.0),
        Piece("value", restored.not_after_ns, end_ns, 1.0),
    )


@dataclass(frozen=True, eq=False)
class _Seen:
    """Good reads in order, with whether each counts."""

    early: Instants
    late: Instants
    value: Values
    counts: Flags

    def held(self, first: int, last: int) -> Iterator[Piece]:
        """What the reads number `first` to `last` show: the same value all through. One read alone spans nothing."""
        from_ns, to_ns = int(self.late[first]), int(self.early[last])
        goes_on = last + 1 < len(self.value) and self.value[last + 1] == self.value[last]
        if goes_on and self.counts[last + 1] != self.counts[last]:
            to_ns = max(to_ns, min(int(self.late[last + 1]), int(self.early[last]) + _LEAST_GAP_NS))
        if to_ns >= from_ns:
            yield Piece("value", from_ns, to_ns, float(self.value[first]), bool(self.counts[first]))

    def before(self, first: int, counted: int | None, blind: bool) -> Iterator[Piece]:
        """What lies between the read before `first` and `first`: nothing known, a change, or both. `counted` is the
        last counting read so far."""
        to_ns, value = int(self.late[first]), float(self.value[first])
        if blind:
            yield Piece("blind", int(self.early[first - 1]), to_ns)
        if self.counts[first] and counted is not None and self.value[counted] != value:
            yield Piece("change", int(self.early[counted]), to_ns, value)
        elif self.value[first - 1] != value and not blind:
            yield Piece("change", int(self.early[first - 1]), to_ns, value, counts=False)


def trace_pieces(trace: Trace, device: Device, start_ns: int, end_ns: int) -> tuple[Piece, ...]:
    """A trace between two instants: values as long as reads show them, changes with their bounds, blind spans.

    Blind is a span between good reads in which a request failed, or which is longer than 50 ms and five polls.
    """
    rows = np.flatnonzero(~np.isnan(trace.value))
    if len(rows) == 0:
        return (Piece("blind", start_ns, end_ns),)
    seen = _Seen(trace.seen.early, trace.seen.late, trace.seen.value, trace.counts[rows])
    longest = max(_LEAST_GAP_NS, 5 * device.poll_ns)
    gap = (np.diff(rows) > 1) | (seen.late[1:] - seen.early[:-1] > longest)
    moved = (seen.value[1:] != seen.value[:-1]) | (seen.counts[1:] != seen.counts[:-1])
    breaks = (np.flatnonzero(gap | moved) + 1).tolist()
    pieces: list[Piece] = []
    if int(seen.late[0]) - start_ns > longest:
        pieces.append(Piece("blind", start_ns, int(seen.late[0])))
    counted: int | None = None
    for low, high in zip([0, *breaks], [*breaks, len(rows)], strict=True):
        if low:
            pieces += seen.before(low, counted, bool(gap[low - 1]))
        pieces += seen.held(low, high - 1)
        if bool(seen.counts[high - 1]):
            counted = high - 1
    if end_ns - int(seen.early[-1]) > longest:
        pieces.append(Piece("blind", int(seen.early[-1]), end_ns))
    return tuple(pieces)


def shifted(pieces: Sequence[Piece], zero_ns: int) -> tuple[tuple[Piece, ...], int]:
    """The pieces counted from `zero_ns`, at most `MOST_PIECES`, and how many changes were left out."""
    kept = tuple(
        Piece(piece.kind, piece.from_ns - zero_ns, piece.to_ns - zero_ns, piece.value, piece.counts)
        for piece in pieces[:MOST_PIECES]
    )
    return kept, sum(piece.kind == "change" for piece in pieces[MOST_PIECES:])
