"""Timing diagrams as paths and places: pure functions from pieces and marks to what the template writes.

Inside a diagram one unit across is one millisecond, stretched by a single transform, so that zooming moves no path.
The page's script (`templates/record.js`) draws the same from the same packed pieces; a browser test holds the two
together. Packed times are whole microseconds, rounded outwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from restart_bench.model.verdicts import badness
from restart_bench.report.record.data import CaseDiagram, DrawnCycle, DrawnLane, DrawnMark, Piece
from restart_bench.report.record.text import columns_of, isolated, number_text, shortened, tick_text

WIDTH = 1000
PLOT_LEFT, PLOT_RIGHT = 206, 990
PLOT = PLOT_RIGHT - PLOT_LEFT
LANE = 26  # height of a lane's drawing
TOP, BOTTOM = 2, 24  # of a lane: where on and off are drawn
LANE_GAP, PAIR_GAP = 10, 3
MARK_ROWS = (18, 38, 58, 76, 92)  # base lines of the names above a diagram
LARGE_ROWS, SMALL_ROWS = (0, 1, 2), (2, 3, 4)
HEAD = 112
FOOT = 34
LANES_IN_PANEL = 16

LARGE_COLUMN, SMALL_COLUMN, VALUE_COLUMN = 13.6, 8.2, 8.6  # width of one character of each kind of text

Packed = list[str | float | None]
"""[kind, from, to, value], times in microseconds; kinds: v value, n value that does not count, c change, w change
across a blind span, d change that does not count, b blind."""

_EDGES = {"c": "edge", "w": "far-edge", "d": "dim-edge"}


@dataclass(frozen=True, slots=True)
class Placed:
    """A text at its place. `anchor` as SVG has it."""

    x: float
    text: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class PlacedMark:
    """A mark above and across the lanes. `shown` is False where no row had room for its name."""

    name: str
    text: str
    large: bool
    label: Placed
    y: int
    top: int
    band: str
    shown: bool


@dataclass(frozen=True, slots=True)
class PanelLane:
    """One lane as drawn. `index` is its place in the diagram, `paths` by kind, `overlay` all cycles at once."""

    index: int
    lane: DrawnLane
    y: int
    name: str
    label: str
    place: str
    paths: dict[str, str]
    overlay: str
    values: tuple[Placed, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """One SVG. A diagram with many lanes has several, so that none is cut by the end of a page."""

    height: int
    lanes: tuple[PanelLane, ...]
    marks: tuple[PlacedMark, ...]
    mark_overlay: str


@dataclass(frozen=True, slots=True)
class DiagramView:
    """What is shown at first: all that was drawn and the part in view (milliseconds), the cycle drawn strongly."""

    whole: tuple[float, float]
    view: tuple[float, float]
    chosen: int


@dataclass(frozen=True, slots=True)
class Drawing:
    """A case ready for the template; `packed` goes to the script."""

    panels: tuple[Panel, ...]
    ticks: tuple[Placed, ...]
    shown: DiagramView
    packed: dict[str, object]


def draw(diagram: CaseDiagram) -> Drawing:
    """The drawing of one case; strongly drawn is its first cycle with the worst verdict."""
    shown = _shown(diagram)
    packed = [[pack(pieces) for pieces in cycle.pieces] for cycle in diagram.cycles]
    marks = [pack_marks(cycle.marks) for cycle in diagram.cycles]
    panels = []
    for indices in panels_of(diagram.lanes):
        ys, height = _places(diagram.lanes, indices)
        lanes = tuple(
            _panel_lane((index, y), diagram.lanes[index], [cycle[index] for cycle in packed], shown)
            for index, y in zip(indices, ys, strict=True)
        )
        mark_overlay = "".join(f"M{_ms(low)} {HEAD - 10}V{HEAD - 2}" for cycle in marks for _, low, _ in cycle)
        placed = place_marks(marks[shown.chosen] if marks else [], shown.view, height - FOOT, diagram.large)
        panels.append(Panel(height, lanes, tuple(placed), mark_overlay))
    return Drawing(tuple(panels), tuple(ticks(shown.view)), shown, _for_script(diagram, packed, marks, shown))


def first_worst(cycles: Sequence[DrawnCycle]) -> int:
    """Index of the first cycle with the worst verdict."""
    return min(range(len(cycles)), key=lambda index: (badness(cycles[index].verdict), index), default=0)


def _for_script(
    diagram: CaseDiagram, packed: list[list[list[Packed]]], marks: list[list[tuple[str, int, int]]], shown: DiagramView
) -> dict[str, object]:
    return {
        "view": shown.view,
        "whole": shown.whole,
        "chosen": shown.chosen,
        "large": diagram.large,
        "lanes": [{"label": lane_name(lane), "boolean": lane.boolean, "unit": _unit(lane)} for lane in diagram.lanes],
        "cycles": [
            {
                "cycle": cycle.cycle,
                "number": cycle.number,
                "verdict": str(cycle.verdict),
                "reason": isolated(cycle.reason) if cycle.reason else "",
                "leftOut": cycle.left_out,
                "marks": cycle_marks,
                "pieces": lanes,
            }
            for cycle, cycle_marks, lanes in zip(diagram.cycles, marks, packed, strict=True)
        ],
    }


def _unit(lane: DrawnLane) -> str:
    return isolated(lane.unit) if lane.unit else ""


def lane_name(lane: DrawnLane) -> str:
    """What a lane is called where it stands alone."""
    return isolated(lane.label) + (", terminal" if lane.role == "terminal" else "")


# ---------------------------------------------------------------- packing


def pack(pieces: Iterable[Piece]) -> list[Packed]:
    """Pieces as the script gets them."""
    packed: list[Packed] = []
    pieces = list(pieces)
    blind = [piece for piece in pieces if piece.kind == "blind"]
    for piece in pieces:
        if piece.kind == "value":
            low, high = _us_up(piece.from_ns), _us_down(piece.to_ns)
            if high < low:
                continue
            packed.append(["v" if piece.counts else "n", low, high, piece.value])
        elif piece.kind == "change":
            across = any(one.from_ns < piece.to_ns and one.to_ns > piece.from_ns for one in blind)
            kind = "d" if not piece.counts else "w" if across else "c"
            packed.append([kind, _us_down(piece.from_ns), _us_up(piece.to_ns), piece.value])
        else:
            packed.append(["b", _us_down(piece.from_ns), _us_up(piece.to_ns), None])
    return packed


def pack_marks(marks: Iterable[DrawnMark]) -> list[tuple[str, int, int]]:
    """Marks as the script gets them: name and bounds in microseconds."""
    return [(mark.name, _us_down(mark.not_before_ns), _us_up(mark.not_after_ns)) for mark in marks]


def _us_down(ns: int) -> int:
    return ns // 1000


def _us_up(ns: int) -> int:
    return -(-ns // 1000)


def _ms(us: float) -> str:
    """Microseconds as milliseconds, shortest form: the same text that a script's `String(us / 1000)` gives."""
    text = repr(us / 1000)
    return text[:-2] if text.endswith(".0") else text


# ---------------------------------------------------------------- spans and axis


def _shown(diagram: CaseDiagram) -> DiagramView:
    """At first the view spans from a little before the cut to the end."""
    chosen = first_worst(diagram.cycles)
    edges = [edge for cycle in diagram.cycles for lane in cycle.pieces for p in lane for edge in (p.from_ns, p.to_ns)]
    edges += [edge for cycle in diagram.cycles for m in cycle.marks for edge in (m.not_before_ns, m.not_after_ns)]
    first, last = (min(edges) / 1e6, max(edges) / 1e6) if edges else (0.0, 1000.0)
    margin = max(1.0, (last - first) * 0.01)
    whole = (round(first - margin, 3), round(last + margin, 3))
    cuts = [mark.not_before_ns / 1e6 for cycle in diagram.cycles for mark in cycle.marks if mark.name == "cut"]
    if not cuts:
        return DiagramView(whole, whole, chosen)
    start = min(cuts) - max(200.0, (last - min(cuts)) * 0.12)
    return DiagramView(whole, (round(max(whole[0], start), 3), whole[1]), chosen)


def ticks(view: tuple[float, float]) -> list[Placed]:
    """Ticks of the time axis at steps of 1, 2 or 5, at least 92 units apart."""
    first, last = view
    scale = PLOT / (last - first)
    step = next(size * 10.0**power for power in range(-4, 9) for size in (1, 2, 5) if size * 10.0**power * scale >= 92)
    placed = []
    for number in range(math.ceil(first / step - 1e-9), math.floor(last / step + 1e-9) + 1):
        x = PLOT_LEFT + (number * step - first) * scale
        placed.append(Placed(round(x, 2), tick_text(number * step * 1e6, step * 1e6)))
    return placed


# ---------------------------------------------------------------- lanes


def panels_of(lanes: Sequence[DrawnLane]) -> list[list[int]]:
    """Lanes shared out to panels of at most 16; pairs stay together, and every panel begins with the supply."""
    supply = [index for index, lane in enumerate(lanes) if lane.role == "supply"]
    groups: dict[int, list[int]] = {}
    for index, lane in enumerate(lanes):
        if lane.role != "supply":
            groups.setdefault(lane.pair if lane.role in {"output", "terminal"} else -1 - index, []).append(index)
    panels = [list(supply)]
    for group in groups.values():
        if len(panels[-1]) + len(group) > LANES_IN_PANEL and len(panels[-1]) > len(supply):
            panels.append(list(supply))
        panels[-1] += group
    return panels


def _places(lanes: Sequence[DrawnLane], indices: Sequence[int]) -> tuple[list[int], int]:
    ys: list[int] = []
    y = HEAD
    for position, index in enumerate(indices):
        ys.append(y)
        following = lanes[indices[position + 1]] if position + 1 < len(indices) else None
        paired = following is not None and following.role == "terminal" and following.pair == lanes[index].pair
        y += LANE + (PAIR_GAP if paired else LANE_GAP)
    return ys, y + FOOT


def _panel_lane(
    place: tuple[int, int], lane: DrawnLane, cycles: Sequence[list[Packed]], shown: DiagramView
) -> PanelLane:
    drawn = cycles[shown.chosen] if cycles else []
    return PanelLane(
        index=place[0],
        lane=lane,
        y=place[1],
        name=lane_name(lane),
        label="terminal" if lane.role == "terminal" and lane.pair else isolated(shortened(lane.label, 20)),
        place=isolated(shortened(lane.place, 34)) if lane.place else "",
        paths=lane_paths(drawn, lane.boolean),
        overlay="".join(outline(packed, lane.boolean) for packed in cycles) if len(cycles) > 1 else "",
        values=() if lane.boolean else tuple(value_labels(drawn, _unit(lane), shown.view)),
    )


PATHS = ("blind", "zone", "on", "dim-on", "off", "dim-off", "far-edge", "edge", "dim-edge")
"""Kinds of paths of a lane, in the order in which they are painted."""


def lane_paths(packed: Iterable[Packed], boolean: bool) -> dict[str, str]:
    """Path data by kind. On is a filled block, off a line; a number is a pair of lines that cross at a change;
    a change is drawn as wide as its bounds."""
    paths = dict.fromkeys(PATHS, "")
    for kind, low, high, value in packed:
        assert isinstance(low, int | float) and isinstance(high, int | float)
        a, b = _ms(low), _ms(high)
        block = f"M{a} {TOP}H{b}V{BOTTOM}H{a}Z"
        if kind == "b":
            paths["blind"] += block
        elif kind in {"v", "n"}:
            dim = "dim-" if kind == "n" else ""
            if boolean and value:
                paths[f"{dim}on"] += block
            elif boolean:
                paths[f"{dim}off"] += f"M{a} {BOTTOM}H{b}"
            else:
                paths[f"{dim}off"] += f"M{a} {TOP}H{b}M{a} {BOTTOM}H{b}"
        else:
            paths["zone"] += block
            paths[_EDGES[str(kind)]] += _edge(a, b, value, boolean)
    return paths


def _edge(a: str, b: str, value: object, boolean: bool) -> str:
    if not boolean:
        return f"M{a} {TOP}L{b} {BOTTOM}M{a} {BOTTOM}L{b} {TOP}"
    return f"M{a} {BOTTOM}L{b} {TOP}" if value else f"M{a} {TOP}L{b} {BOTTOM}"


def outline(packed: Iterable[Packed], boolean: bool) -> str:
    """One cycle as a thin line, for the faint drawing of all cycles; nothing where the lane is blind."""
    path = ""
    for kind, low, high, value in packed:
        assert isinstance(low, int | float) and isinstance(high, int | float)
        if kind in {"v", "n"} and boolean:
            path += f"M{_ms(low)} {TOP if value else BOTTOM}H{_ms(high)}"
        elif kind in {"c", "d"}:
            path += _edge(_ms(low), _ms(high), value, boolean)
    return path


def value_labels(packed: Iterable[Packed], unit: str, view: tuple[float, float]) -> list[Placed]:
    """Numbers in the middle of the part of their stretch that is in view, where there is room."""
    first, last = view
    scale = PLOT / (last - first)
    placed = []
    for kind, low, high, value in packed:
        assert isinstance(low, int | float) and isinstance(high, int | float)
        if kind not in {"v", "n"}:
            continue
        left = PLOT_LEFT + (max(low / 1000, first) - first) * scale
        right = PLOT_LEFT + (min(high / 1000, last) - first) * scale
        text = number_text(float(value) if value is not None else None, unit)
        if right - left >= columns_of(text) * VALUE_COLUMN + 6:
            placed.append(Placed(round((left + right) / 2, 2), text))
    return placed


# ---------------------------------------------------------------- marks


def place_marks(
    marks: Sequence[tuple[str, int, int]], view: tuple[float, float], bottom: int, named_large: Mapping[str, str]
) -> list[PlacedMark]:
    """Marks in view, each with its name in the first row that has room: large ones in the upper rows."""
    first, last = view
    scale = PLOT / (last - first)
    ends = [0.0] * len(MARK_ROWS)
    placed = []
    for name, low, high in sorted(marks, key=lambda mark: mark[1]):
        if high / 1000 < first or low / 1000 > last:
            continue
        x = PLOT_LEFT + (min(max(low / 1000, first), last) - first) * scale
        large = name in named_large
        text = named_large.get(name, name)
        label, row = _room(x, len(text) * (LARGE_COLUMN if large else SMALL_COLUMN), large, ends)
        y = MARK_ROWS[row if row is not None else -1]
        top = y - (15 if large else 11)
        band = f"M{_ms(low)} {top}H{_ms(high)}V{bottom}H{_ms(low)}Z"
        placed.append(PlacedMark(name, text, large, Placed(*label[:1], text, label[1]), y, top, band, row is not None))
    return placed


def _room(x: float, width: float, large: bool, ends: list[float]) -> tuple[tuple[float, str], int | None]:
    """Where a name goes: right of its line, or left of it at the end of the plot; and in which row."""
    turned = x + 4 + width > WIDTH
    start = x - 4 - width if turned else x + 4
    place = (round(x - 4, 2), "end") if turned else (round(x + 4, 2), "start")
    for row in LARGE_ROWS if large else SMALL_ROWS:
        if start >= ends[row]:
            ends[row] = start + width + 8
            return place, row
    return place, None
