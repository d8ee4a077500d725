"""Timing diagrams as paths and places: pure functions from pieces and marks to what the template writes.

Inside a diagram one unit across is one millisecond, stretched by a single transform, so that zooming moves no path.
What is drawn, how and in which words is said here alone: the page's script (`templates/record.js`) gets it as data
(`GEOMETRY`, and for each case its packed pieces, texts and names of marks), fills in times, and lays out what depends
on the part in view: ticks, names of marks and numbers. Here that is done for the view at first, which paper shows; a
browser test holds the two together over other views. Packed times are whole microseconds, rounded outwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field

from restart_bench.model.verdicts import badness
from restart_bench.report.record.data import CaseDiagram, DrawnCycle, DrawnLane, DrawnMark, Piece
from restart_bench.report.record.text import columns_of, isolated, number_text, shortened, tick_form, tick_text

WIDTH = 1000
PLOT_LEFT, PLOT_RIGHT = 206, 990
PLOT = PLOT_RIGHT - PLOT_LEFT
LANE = 26  # height of a lane's drawing
TOP, BOTTOM = 2, 24  # of a lane: where on and off are drawn
LANE_GAP, PAIR_GAP = 10, 3
MARK_ROWS = (18, 37, 56, 75, 91, 105, 119, 133, 147)  # base lines of the names above a diagram
LARGE_ROWS, SMALL_ROWS = (0, 1, 2, 3), (4, 5, 6, 7, 8)
MARK_GAP = 16
HEAD = 158
FOOT = 34
LANES_IN_PANEL = 16

LARGE_COLUMN, SMALL_COLUMN, VALUE_COLUMN = 13.6, 8.2, 8.6  # width of one character of each kind of text

Packed = tuple[str, int, int, int]
"""(code, from, to, text): times in microseconds, the text by its place among the diagram's. A code is a kind (v value,
n value that does not count, c change, w change across a blind span, d change that does not count, b blind) and what it
is or becomes (1 on, 0 off, x a number)."""
Width = tuple[str, float]
"""A text, and the room that it needs in a lane."""

PATHS = ("blind", "zone", "on", "dim-on", "off", "dim-off", "far-edge", "edge", "dim-edge")
"""Kinds of paths of a lane, in the order in which they are painted."""

_BLOCK, _ON, _OFF = f"Ma {TOP}HbV{BOTTOM}HaZ", f"Ma {TOP}Hb", f"Ma {BOTTOM}Hb"
_RISE, _FALL = f"Ma {BOTTOM}Lb {TOP}", f"Ma {TOP}Lb {BOTTOM}"
SHAPES: dict[str, tuple[tuple[str, str], ...]] = {
    "b": (("blind", _BLOCK),),
    **{
        f"{kind}{became}": ((f"{dim}{path}", shape),)
        for kind, dim in (("v", ""), ("n", "dim-"))
        for became, path, shape in (("1", "on", _BLOCK), ("0", "off", _OFF), ("x", "off", _ON + _OFF))
    },
    **{
        f"{kind}{became}": (("zone", _BLOCK), (path, edge))
        for kind, path in (("c", "edge"), ("w", "far-edge"), ("d", "dim-edge"))
        for became, edge in (("1", _RISE), ("0", _FALL), ("x", _FALL + _RISE))
    },
}
"""What each code adds to which path, from `a` to `b`: on is a filled block, off a line; a number is a pair of lines
that cross at a change; a change is drawn as wide as its bounds."""
_OUTLINES = {
    **{f"{kind}{became}": shape for kind in "vn" for became, shape in (("1", _ON), ("0", _OFF))},
    **{f"{kind}{became}": SHAPES[f"{kind}{became}"][1][1] for kind in "cd" for became in "10x"},
}
"""The same for one cycle as a thin line; nothing where the lane is blind."""

_NUMBERS = ("vx", "nx")
"""Codes of pieces whose text is drawn."""

_TICK_ROOM = 92  # units between two ticks at the least
_STEPS = [size * 10.0**power for power in range(-4, 9) for size in (1, 2, 5)]  # milliseconds


@dataclass(frozen=True, slots=True)
class Placed:
    """A text at its place. `anchor` as SVG has it."""

    x: float
    text: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class MarkName:
    """How a mark is named above a diagram. `rows` are those that its name may stand in; `rise` is how far its band
    reaches above the name's base line."""

    text: str
    large: bool
    width: float
    rows: tuple[int, ...]
    rise: int


@dataclass(frozen=True, slots=True)
class PlacedMark:
    """A mark above and across the lanes. `shown` is False where no row had room for its name."""

    name: str
    text: str
    large: bool
    label: Placed
    y: int
    band: str
    shown: bool


@dataclass(frozen=True, slots=True)
class PanelLane:
    """One lane as drawn. `index` is its place in the diagram, `paths` by kind, `overlay` all cycles at once."""

    index: int
    lane: DrawnLane
    y: int
    values_at: int
    name: str
    label: str
    place: str
    paths: dict[str, str]
    overlay: str
    values: tuple[Placed, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """One SVG. A diagram with many lanes has several, so that none is cut by the end of a page. The lines of the grid
    end at `grid_to`, bands of marks at `marks_to`; times stand at `times_at`."""

    height: int
    grid_to: int
    marks_to: int
    times_at: int
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


@dataclass(slots=True)
class Texts:
    """Texts of a diagram, each once: what lanes became, and the numbers that they showed."""

    places: dict[str, int] = field(default_factory=dict)

    def place_of(self, text: str) -> int:
        """Where a text stands among them."""
        return self.places.setdefault(text, len(self.places))

    @property
    def with_widths(self) -> list[Width]:
        """Each with its room."""
        return [(text, columns_of(text) * VALUE_COLUMN + 6) for text in self.places]


def draw(diagram: CaseDiagram) -> Drawing:
    """The drawing of one case; strongly drawn is its first cycle with the worst verdict."""
    shown = _shown(diagram)
    texts = Texts()
    packed = [
        [pack(pieces, lane, texts) for pieces, lane in zip(cycle.pieces, diagram.lanes, strict=True)]
        for cycle in diagram.cycles
    ]
    marks = [pack_marks(cycle.marks) for cycle in diagram.cycles]
    widths = texts.with_widths
    names = {name: mark_name(name, diagram.large) for cycle in marks for name, _, _ in cycle}
    panels = []
    for indices in panels_of(diagram.lanes):
        ys, height = _places(diagram.lanes, indices)
        lanes = tuple(
            _panel_lane((index, y), diagram.lanes[index], [cycle[index] for cycle in packed], widths, shown)
            for index, y in zip(indices, ys, strict=True)
        )
        mark_overlay = "".join(f"M{_ms(low)} {HEAD - 10}V{HEAD - 2}" for cycle in marks for _, low, _ in cycle)
        placed = place_marks(marks[shown.chosen] if marks else [], shown.view, height - FOOT, names)
        panels.append(Panel(height, height - 30, height - FOOT, height - 10, lanes, tuple(placed), mark_overlay))
    data = _for_script(diagram, packed, widths, marks, names, shown)
    return Drawing(tuple(panels), tuple(ticks(shown.view)), shown, data)


def first_worst(cycles: Sequence[DrawnCycle]) -> int:
    """Index of the first cycle with the worst verdict."""
    return min(range(len(cycles)), key=lambda index: (badness(cycles[index].verdict), index), default=0)


def _for_script(
    diagram: CaseDiagram,
    packed: list[list[list[Packed]]],
    texts: Sequence[Width],
    marks: list[list[tuple[str, int, int]]],
    names: Mapping[str, MarkName],
    shown: DiagramView,
) -> dict[str, object]:
    return {
        "view": shown.view,
        "whole": shown.whole,
        "chosen": shown.chosen,
        "names": {name: asdict(named) for name, named in names.items()},
        "lanes": [{"label": lane_name(lane)} for lane in diagram.lanes],
        "texts": texts,
        "cycles": [
            {
                "cycle": cycle.cycle,
                "verdict": str(cycle.verdict),
                "reason": isolated(cycle.reason) if cycle.reason else "",
                "marks": cycle_marks,
                "pieces": lanes,
            }
            for cycle, cycle_marks, lanes in zip(diagram.cycles, marks, packed, strict=True)
        ],
    }


def lane_name(lane: DrawnLane) -> str:
    """What a lane is called where it stands alone."""
    return isolated(lane.label) + (", terminal" if lane.role == "terminal" else "")


# ---------------------------------------------------------------- packing


def pack(pieces: Iterable[Piece], lane: DrawnLane, texts: Texts) -> list[Packed]:
    """Pieces of a lane as the script gets them; what they say is kept in `texts`."""
    packed: list[Packed] = []
    pieces = list(pieces)
    blind = [piece for piece in pieces if piece.kind == "blind"]
    for piece in pieces:
        text = texts.place_of(_piece_text(piece, lane))
        became = ("1" if piece.value else "0") if lane.boolean else "x"
        if piece.kind == "value":
            low, high = _us_up(piece.from_ns), _us_down(piece.to_ns)
            if high < low:
                continue
            packed.append((("v" if piece.counts else "n") + became, low, high, text))
        elif piece.kind == "change":
            across = any(one.from_ns < piece.to_ns and one.to_ns > piece.from_ns for one in blind)
            kind = "d" if not piece.counts else "w" if across else "c"
            packed.append((kind + became, _us_down(piece.from_ns), _us_up(piece.to_ns), text))
        else:
            packed.append(("b", _us_down(piece.from_ns), _us_up(piece.to_ns), text))
    return packed


def _piece_text(piece: Piece, lane: DrawnLane) -> str:
    if piece.kind == "blind":
        return "blind"
    if lane.boolean and piece.value is not None:
        return "on" if piece.value else "off"
    unit = isolated(lane.unit) if lane.unit else ""
    return number_text(float(piece.value) if piece.value is not None else None, unit)


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
    """Ticks of the time axis at steps of 1, 2 or 5, as far apart as their texts need."""
    first, last = view
    scale = PLOT / (last - first)
    step = next(step for step in _STEPS if step * scale >= _TICK_ROOM)
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
    place: tuple[int, int], lane: DrawnLane, cycles: Sequence[list[Packed]], texts: Sequence[Width], shown: DiagramView
) -> PanelLane:
    drawn = cycles[shown.chosen] if cycles else []
    return PanelLane(
        index=place[0],
        lane=lane,
        y=place[1],
        values_at=place[1] + 18,
        name=lane_name(lane),
        label="terminal" if lane.role == "terminal" and lane.pair else isolated(shortened(lane.label, 20)),
        place=isolated(shortened(lane.place, 34)) if lane.place else "",
        paths=lane_paths(drawn),
        overlay="".join(outline(packed) for packed in cycles) if len(cycles) > 1 else "",
        values=tuple(value_labels(drawn, texts, shown.view)),
    )


def lane_paths(packed: Iterable[Packed]) -> dict[str, str]:
    """Path data by kind."""
    paths = dict.fromkeys(PATHS, "")
    for code, low, high, _ in packed:
        for kind, shape in SHAPES[code]:
            paths[kind] += _filled(shape, low, high)
    return paths


def outline(packed: Iterable[Packed]) -> str:
    """One cycle as a thin line, for the faint drawing of all cycles."""
    return "".join(_filled(_OUTLINES[code], low, high) for code, low, high, _ in packed if code in _OUTLINES)


def _filled(shape: str, low: int, high: int) -> str:
    return shape.replace("a", _ms(low)).replace("b", _ms(high))


def value_labels(packed: Iterable[Packed], texts: Sequence[Width], view: tuple[float, float]) -> list[Placed]:
    """Numbers in the middle of the part of their stretch that is in view, where there is room."""
    first, last = view
    scale = PLOT / (last - first)
    placed = []
    for code, low, high, place in packed:
        if code not in _NUMBERS:
            continue
        left = PLOT_LEFT + (max(low / 1000, first) - first) * scale
        right = PLOT_LEFT + (min(high / 1000, last) - first) * scale
        text, width = texts[place]
        if right - left >= width:
            placed.append(Placed(round((left + right) / 2, 2), text))
    return placed


# ---------------------------------------------------------------- marks


def mark_name(name: str, named_large: Mapping[str, str]) -> MarkName:
    """How a mark is named: those that a newcomer looks for in large letters, in the upper rows."""
    if name in named_large:
        text = named_large[name]
        return MarkName(text, True, len(text) * LARGE_COLUMN, LARGE_ROWS, 15)
    return MarkName(name, False, len(name) * SMALL_COLUMN, SMALL_ROWS, 11)


def place_marks(
    marks: Sequence[tuple[str, int, int]], view: tuple[float, float], bottom: int, names: Mapping[str, MarkName]
) -> list[PlacedMark]:
    """Marks in view, the earliest first, each with its name in the first row of its kind in which, and below which, no
    earlier name reaches over its line: names that come one soon after another go down like stairs. Where there is no
    such row, the first one that has room."""
    first, last = view
    scale = PLOT / (last - first)
    ends = [0.0] * len(MARK_ROWS)
    placed = []
    for name, low, high in sorted(marks, key=lambda mark: mark[1]):
        if high / 1000 < first or low / 1000 > last:
            continue
        x = PLOT_LEFT + (min(max(low / 1000, first), last) - first) * scale
        named = names[name]
        label, row = _room(x, named, ends)
        y = MARK_ROWS[row if row is not None else -1]
        band = f"M{_ms(low)} {y - named.rise}H{_ms(high)}V{bottom}H{_ms(low)}Z"
        placed.append(PlacedMark(name, named.text, named.large, label, y, band, row is not None))
    return placed


def _room(x: float, named: MarkName, ends: list[float]) -> tuple[Placed, int | None]:
    """Where a name goes: right of its line, or left of it at the end of the plot; and in which row."""
    turned = x + 4 + named.width > WIDTH
    start = x - 4 - named.width if turned else x + 4
    label = Placed(round(x - 4, 2), named.text, "end") if turned else Placed(round(x + 4, 2), named.text, "start")
    has_room = [row for row in named.rows if start >= ends[row]]
    row = next((one for one in has_room if all(below in has_room for below in named.rows if below > one)), None)
    row = row if row is not None else next(iter(has_room), None)
    if row is not None:
        ends[row] = start + named.width + MARK_GAP
    return label, row


GEOMETRY: dict[str, object] = {
    "width": WIDTH, "left": PLOT_LEFT, "right": PLOT_RIGHT, "lane": LANE, "gridFrom": HEAD - 8,
    "rows": MARK_ROWS, "markGap": MARK_GAP, "paths": PATHS, "shapes": SHAPES, "numbers": _NUMBERS,
    "tickRoom": _TICK_ROOM, "steps": [(step, *tick_form(step * 1e6)) for step in _STEPS],
}  # fmt: skip
"""What all diagrams of a page have in common, for templates and script."""
