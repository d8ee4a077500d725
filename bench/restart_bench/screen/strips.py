"""The recent past of a point as a strip of characters: on, off, no reading and short pulses differ without colour.

Pure: instants and values in, characters out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from restart_bench.model.clock import NS_PER_S
from restart_bench.model.rig import Value


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters of a strip and of its surroundings."""

    on: str
    off: str
    blind: str
    pulse: str
    steady: str
    moved: str
    before: str = " "
    lamp_on: str = "(*)"
    lamp_off: str = "( )"
    ink: str = "#"
    rule: str = "-"
    bar: str = "="
    bar_rest: str = "."
    corners: str = "++++"
    side: str = "|"

    @property
    def upper(self) -> dict[int, str]:
        """For `str.translate`: what stands above a strip that is drawn two rows high (off is low, on is high)."""
        flat = (self.off, self.steady, self.moved)
        return {ord(one): " " for one in flat}


UNICODE = Glyphs(
    on="█", off="▁", blind="░", pulse="▌", steady="─", moved="┼",
    lamp_on="●", lamp_off="○", ink="█", rule="─", bar="━", bar_rest="·",
    corners="┌┐└┘", side="│",
)  # fmt: skip
ASCII = Glyphs(on="#", off="_", blind="?", pulse="|", steady="-", moved="+")

CELLS_NS = tuple(round(step * NS_PER_S) for step in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600))
"""Spans that one character of a strip may stand for."""


@dataclass(slots=True)
class History:
    """What is known of one point, as changes of state; None is blind. Forgets all but the newest `keep`."""

    keep: int = 4000
    _changes: deque[tuple[int, Value | None]] = field(default_factory=deque)

    def note(self, at_ns: int, value: Value | None) -> None:
        """From `at_ns` on the point has this value. What arrives out of order is put at the newest instant."""
        if self._changes:
            newest_ns, newest = self._changes[-1]
            if newest == value and (newest is None) == (value is None):
                return
            at_ns = max(at_ns, newest_ns)
        self._changes.append((at_ns, value))
        while len(self._changes) > self.keep:
            self._changes.popleft()

    @property
    def newest(self) -> Value | None:
        """The value now, None while blind or before the first one."""
        return self._changes[-1][1] if self._changes else None

    @property
    def newest_ns(self) -> int | None:
        """Since when the point has its value."""
        return self._changes[-1][0] if self._changes else None

    def strip(self, glyphs: Glyphs, *, until_ns: int, cell_ns: int, cells: int, numeric: bool = False) -> str:
        """The last `cells` spans of `cell_ns` each, oldest first, up to `until_ns`: one character a span."""
        start_ns = until_ns - cells * cell_ns
        spans: list[list[Value | None]] = [[] for _ in range(cells)]
        standing: Value | None = None
        known = False
        for at_ns, value in self._changes:
            if at_ns <= start_ns:
                standing, known = value, True
            elif at_ns <= until_ns:
                spans[min(cells - 1, (at_ns - start_ns - 1) // cell_ns)].append(value)
        strip = []
        for span in spans:
            strip.append(_glyph(glyphs, [*([standing] if known else []), *span], numeric))
            if span:
                standing, known = span[-1], True
        return "".join(strip)


def _glyph(glyphs: Glyphs, states: list[Value | None], numeric: bool) -> str:
    if not states:
        return glyphs.before
    last = states[-1]
    if numeric:
        if last is None:
            return glyphs.blind
        return glyphs.steady if len(states) == 1 else glyphs.moved
    if len(states) > 2 and any(state is not None and bool(state) != bool(last) for state in states[1:-1]):
        return glyphs.pulse
    if last is None:
        return glyphs.blind
    return glyphs.on if last else glyphs.off


def cell_for(span_ns: int, cells: int) -> int:
    """The shortest span of one character with which `span_ns` fits into `cells` characters."""
    return next((step for step in CELLS_NS if step * cells >= span_ns), CELLS_NS[-1])


def axis(cells: int, cell_ns: int) -> str:
    """A time axis as long as a strip: "-8 s ... now", the end of each label above its instant."""
    line = [" "] * cells
    taken_from = cells + 1
    for back, text in _labels(cells, cell_ns):
        end = cells - back
        start = end - len(text)
        if start < 0 or end >= taken_from:
            continue
        line[start:end] = text
        taken_from = start
    return "".join(line)


def _labels(cells: int, cell_ns: int) -> Iterable[tuple[int, str]]:
    yield 0, "now"
    for back in range(10, cells + 1, 10):
        seconds = back * cell_ns / NS_PER_S
        yield back, f"-{seconds:g} s" if seconds < 120 else f"-{seconds / 60:g} min"
