"""The run for a projector: one large tile for each output, to be read from the last row of a classroom.

Pure, like `frame`: what was gathered so far goes in, lines of text come out. On is a filled frame, off an empty one, so
that colour is not needed.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from restart_bench.model.live import LiveState
from restart_bench.model.rig import Value
from restart_bench.model.scenario import Expectation
from restart_bench.model.verdicts import Verdict, console_style, worst
from restart_bench.model.wording import counted, value_word, without_controls
from restart_bench.screen.block_letters import ROWS, can_be_drawn, largest_that_fits
from restart_bench.screen.frame import (
    NARROWEST,
    banner,
    cycle_words,
    doing_line,
    footing,
    frame,
    progress_line,
    question_lines,
    result_style,
    shortened,
    waiting_lines,
)
from restart_bench.screen.screen_state import Gathered, Lane, lanes_of
from restart_bench.screen.strips import Glyphs

_LEAST_WIDTH, _LEAST_ROWS = 20, 4  # of a tile: OFF in block letters; name, value and verdict in plain ones
_NARROWEST = 2 * _LEAST_WIDTH
_GOOD_ROWS = ROWS + 4  # frame, name, block letters, verdict
_BANNER_ROWS = ROWS + 1
_MOST_DEMAND_ROWS = 3
_ONLY_READ = "nothing is demanded but that it can be read"
_HERE = "here"
_ROOM_FOR_LARGE_VERDICT = 3 * ROWS + 6  # name, value and verdict in block letters, gaps, demand


def lanes_if_wide(gathered: Gathered, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The picture with lights and lanes; in a window that is too narrow for them the tiles, which need less."""
    return (frame if width >= NARROWEST else tiles)(gathered, width, height, glyphs)


def tiles(gathered: Gathered, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The whole picture: at most `height` lines of at most `width` columns."""
    width = max(width, _NARROWEST)
    state = gathered.state
    asked = question_lines(gathered, width)
    if state is None:
        return [_title(gathered, width), *waiting_lines(gathered, width, height - 1)]
    foot = [*(asked or [doing_line(gathered, state, width)]), progress_line(gathered, state, width, glyphs, tally=True)]
    foot.append(footing(gathered, width))
    lanes = lanes_of(gathered.rig, gathered.scenarios)
    room = max(_LEAST_ROWS, height - 2 - len(foot))
    columns, rows = grid(len(lanes), width, room)
    large = room - rows * _GOOD_ROWS >= _BANNER_ROWS
    banner = _banner(gathered, width, ROWS if large else 1, glyphs)
    room -= len(banner) - 1
    shown = lanes[: columns * max(1, min(rows, room // _LEAST_ROWS))]
    drawn = [_tile(gathered, state, lane, _Size(width // columns, room // rows), glyphs) for lane in shown]
    rows_of_tiles = (drawn[place : place + columns] for place in range(0, len(drawn), columns))
    body = [Text.assemble(*line) for row in rows_of_tiles for line in zip(*row, strict=True)]
    lines = [_title(gathered, width), *banner, *body]
    if len(shown) < len(lanes):
        lines.append(Text(f"... and {len(lanes) - len(shown)} more outputs: make the window taller", style="dim"))
    lines = lines[: height - len(foot)]
    lines += [*[Text()] * (height - len(foot) - len(lines)), *foot]
    for line in lines:
        line.truncate(width)
    return lines


@dataclass(frozen=True, slots=True)
class _Size:
    width: int
    height: int


def grid(count: int, width: int, height: int) -> tuple[int, int]:
    """Columns and rows of so many tiles that leave each of them the most room in its smaller direction. Where not all
    find their least room, rows are those that do."""
    count = max(1, count)
    most = max(1, width // _LEAST_WIDTH)
    choices = [(columns, -(-count // columns)) for columns in range(1, min(count, most) + 1)]
    columns, rows = max(choices, key=lambda one: min(width / one[0] / _LEAST_WIDTH, height / one[1] / _GOOD_ROWS))
    return columns, max(1, min(rows, height // _LEAST_ROWS))


def edition(gathered: Gathered) -> str:
    """Which program it is: the model's name, or what identifies the one in the controller."""
    if gathered.program:
        return without_controls(gathered.program)
    state = gathered.state
    told = []
    for name in gathered.rig.program:
        reading = state.readings.get(name) if state is not None else None
        value = reading.value if reading is not None else None
        told.append(f"{without_controls(gathered.rig.points[name].shown)} {value_word(value)}")
    return "program: " + (", ".join(told) if told else "not identified")


def _title(gathered: Gathered, width: int) -> Text:
    state = gathered.state
    rig, program = f"{without_controls(gathered.rig.name)}  ", edition(gathered)
    if state is None:
        return Text(rig, style="bold").append(program, style="bold cyan")
    scenario, right = without_controls(state.scenario), cycle_words(gathered, state)
    if gathered.ended is not None:  # the result below is not that of the last scenario
        scenario, right = "end of the run", counted(state.cycle, "cycle")
    room = max(10, width - len(right) - 2)
    rig = rig if cell_len(rig + program + scenario) + 2 <= room else ""  # the scenario is what changes
    left = Text(rig, style="bold")
    left.append(f"{_cut(program, max(5, room - cell_len(rig + scenario) - 2))}  ", style="bold cyan")
    left.append(scenario, style="not bold")
    left.truncate(room)
    left.append(" " * max(2, width - left.cell_len - len(right)))
    return left.append(right, style="bold")


def _banner(gathered: Gathered, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The supply, or the mode; of a run that has ended its verdict: in block letters where there is room, else in one
    filled line."""
    shown = banner(gathered)
    words, style = (gathered.result, result_style(gathered)) if gathered.ended else (shown.letters, shown.style)
    if height < ROWS:
        return [Text(words.center(width), style=f"{style} reverse")]
    lines = largest_that_fits(words, width, height, glyphs.ink)
    return [Text(line.center(width).rstrip(), style=style) for line in lines] + [Text()]


# ---------------------------------------------------------------- one tile


def _tile(gathered: Gathered, state: LiveState, lane: Lane, size: _Size, glyphs: Glyphs) -> list[Text]:
    said, numeric = gathered.told(lane.said)
    seen = gathered.told(lane.terminal)[0] if lane.terminal is not None else said
    value = seen.newest
    on = bool(value) and not numeric
    style = "bold green" if on else "dim" if value is None else "bold"
    inner = _Size(size.width - 3, size.height - 2)
    foot = _foot(gathered, state, lane, inner, glyphs)
    room = inner.height - len(foot)
    about = gathered.about(lane) if _demand_rows(inner) == 0 else ()
    name = _name(lane, inner.width, room - ROWS, glyphs, about)
    letters = value_letters(value, numeric, inner.width, room - len(name), glyphs)
    told = _told_of(gathered, state, lane.said.name) if gathered.ended is not None else None
    if told is not None and (told.word is Verdict.FAIL or len(told.scenarios) > 1):
        style, on = console_style(told.word), False  # what stands at the end is not what was judged
        word = told.word.value
        letters = [] if _large_verdict(told, inner, glyphs) else _letters(word, inner.width, room - len(name), glyphs)
    spare = max(0, room - len(name) - len(letters))
    middle = [*[""] * (spare // 2), *(line.center(inner.width) for line in letters)]
    body = [Text(one.center(inner.width), style="bold") for one in name]
    body += [Text(one, style=style) for one in middle]
    body += [Text()] * (room - len(body))
    return _framed([*body, *foot][: inner.height], inner, glyphs, filled=on, style=style)


def _name(lane: Lane, width: int, height: int, glyphs: Glyphs, about: Sequence[str]) -> list[str]:
    """The whole name in block letters where they fit; else what stands on the lamp (M1, H2) in them, the rest below."""
    if height <= ROWS:
        return [_whose(lane, width, about)]
    whole = _letters(lane.name, width, ROWS, glyphs)
    own_word = ["controller says"] if lane.terminal is None and lane.said.is_boolean else []
    if len(whole) == ROWS:
        return [*whole, *(own_word or [""])]
    first, _, rest = lane.name.partition(" ")
    letters = _letters(first, width, ROWS, glyphs) if rest and len(first) <= 3 else []
    if len(letters) == ROWS and height > ROWS + 1:
        return [*letters, _longest(width, *_own_words(rest), rest) if own_word else _cut(rest, width), ""]
    return [_whose(lane, width, about)]


def _whose(lane: Lane, width: int, about: Sequence[str]) -> str:
    """The name, and that nobody looks at the terminal where nobody does; what has to be known of the value, where no
    line below has room for it."""
    own = _own_words(lane.name) if lane.terminal is None and lane.said.is_boolean else ()
    known = tuple(f"{lane.name}: {one}" for one in about)
    return _cut(_longest(width, *known, *own, lane.name), width)


def _own_words(name: str) -> tuple[str, str]:
    return f"{name}: controller says", f"{name} (controller)"


def value_letters(value: Value | None, numeric: bool, width: int, height: int, glyphs: Glyphs) -> list[str]:
    """On, off, a number or a question mark as large as fits into a tile of this inner size."""
    word = "?" if value is None else value_word(value) if numeric else "ON" if value else "OFF"
    width, height = width - 2, max(1, height)
    if not numeric:  # as large as OFF, or a tile would jump when it comes on
        largest = _letters("OFF", width, height, glyphs)
        width, height = len(largest[0]), len(largest)
    return [_cut(line, width) for line in _letters(word, width, height, glyphs)]


def _letters(text: str, width: int, height: int, glyphs: Glyphs) -> list[str]:
    return largest_that_fits(text, width, height, glyphs.ink) if can_be_drawn(text) else [text]


def _foot(gathered: Gathered, state: LiveState, lane: Lane, inner: _Size, glyphs: Glyphs) -> list[Text]:
    """What is demanded, and the verdict: large where there is room, as a filled line else; in a small tile both share
    that line."""
    point = lane.said.name
    told = _told_of(gathered, state, point)
    scenario = told.scenarios[0] if told is not None and told.scenarios else state.scenario
    demands = gathered.demands(scenario, point)
    many = told.scenarios if told is not None else ()
    alike = all(_texts(gathered.demands(one, point)) == _texts(demands) for one in many)
    most = _demand_rows(inner)
    guessing = gathered.keeps_answer
    demanded = (
        f"demanded{told.where if told is not None else ''}: {_texts(demands)}" if demands else "nothing is demanded"
    )
    demanded = _ONLY_READ if demands and _only_read(demands) else demanded
    demanded = demanded if told is None or alike else told.where.strip()
    demanded = "demanded: shown after the answers" if guessing else demanded
    about = gathered.about(lane)
    known = [_longest(inner.width - 2, *about)] if about else []
    lines = [Text(line.center(inner.width)) for line in [*known, *_wrapped(demanded, inner.width, most)][:most]]
    lines += [Text()] * (most - len(lines))
    demands = () if guessing and most == 0 else demands
    if told is None:
        judged = bool(demands) or guessing
        return [*lines, _without_verdict(gathered, demands, inner.width, judged=judged, small=most == 0)]
    style, bare = console_style(told.word), told.word.value.upper()
    than = "not as demanded, " if told.word is Verdict.FAIL and told.often != _HERE else ""  # not: as it was made to be
    if letters := _large_verdict(told, inner, glyphs):
        return [
            *(Text(one.center(inner.width), style=style) for one in letters),
            Text(_longest(inner.width, f"{than}{told.often}", told.often).center(inner.width)),
            *lines,
        ]
    short = f"{_must(demands)}: " if most == 0 and demands and not told.scenarios else ""
    where = told.where if most == 0 else ""
    often = [f"  {than}{told.often}{where}", f"  {told.often}{where}"] if told.often else []
    full = [f"{bare}{one}" for one in (*often, where)]
    some = f"{bare} in {counted(len(told.scenarios), 'scenario')}" if where else bare
    forms = (*(f"{short}{one}" for one in full), f"{bare}{where}", some, bare)
    return [*lines, Text(_longest(inner.width, *forms).center(inner.width), style=f"{style} reverse")]


def _large_verdict(told: _Told, inner: _Size, glyphs: Glyphs) -> list[str]:
    """The verdict in block letters; empty where a tile has no room for it beside name and value."""
    if inner.height < _ROOM_FOR_LARGE_VERDICT:
        return []
    letters = _letters(told.word.value, inner.width, ROWS, glyphs)
    return letters if len(letters) == ROWS else []


def _texts(demands: Sequence[Expectation]) -> str:
    return "; ".join(without_controls(one.text) for one in demands)


def _only_read(demands: Sequence[Expectation]) -> bool:
    """True where off is as good as on, as in a survey."""
    return all(one.kind == "is" and {True, False} <= set(one.wanted.one_of or ()) for one in demands)


def _demand_rows(inner: _Size) -> int:
    return max(0, min(_MOST_DEMAND_ROWS, (inner.height - ROWS - 1) // 2))


@dataclass(frozen=True, slots=True)
class _Told:
    """A verdict, in how many cycles or when it was found, and, of a run that has ended, in which scenarios."""

    word: Verdict
    often: str
    scenarios: tuple[str, ...] = ()
    everywhere: bool = False

    @property
    def where(self) -> str:
        named = "every scenario" if self.everywhere else without_controls(", ".join(self.scenarios))
        return f" in {named}" if self.scenarios else ""


def _told_of(gathered: Gathered, state: LiveState, point: str) -> _Told | None:
    """What is known of a point: that it fails here, its verdict over all scenarios of a run that has ended, else over
    the cycles of this scenario."""
    if gathered.rehearsal:
        return None
    if gathered.ended is not None and (told := gathered.over_all(point)) is not None:
        word, named = told
        several = len(gathered.judged) > 1
        often = _often(gathered, word, named, point)
        return _Told(word, often, named if several else (), len(named) == len(gathered.judged))
    if any(one.point == point for _, one in gathered.failing):
        here = gathered.fails_here
        return _Told(Verdict.FAIL, _HERE if here is not None and here.point == point else "in this cycle")
    found = gathered.verdicts.get((state.scenario, point), {})
    return _Told(worst(found), _often(gathered, worst(found), (state.scenario,), point)) if found else None


def _often(gathered: Gathered, word: Verdict, scenarios: Sequence[str], point: str) -> str:
    """In how many of the cycles of these scenarios a point was judged so."""
    found = [gathered.verdicts.get((name, point), {}) for name in scenarios]
    times = sum(one.get(word, 0) for one in found)
    return f"{times} of {counted(sum(sum(one.values()) for one in found), 'cycle')}" if times else ""


def _wrapped(text: str, width: int, most: int) -> list[str]:
    """At most so many lines, cut at a word."""
    lines = textwrap.wrap(text, width - 2, break_on_hyphens=False)
    return [*lines[: most - 1], shortened(" ".join(lines[most - 1 :]), width - 2)] if len(lines) > most > 0 else lines


def _longest(width: int, *forms: str) -> str:
    """The first of these that fits, else the last."""
    return next((one for one in forms if len(one) <= width), forms[-1])


def _without_verdict(
    gathered: Gathered, demands: Sequence[Expectation], width: int, *, judged: bool, small: bool
) -> Text:
    told = "rehearsal: no verdict" if gathered.rehearsal else "no verdict yet" if judged else "not judged"
    if small and demands:
        told = _must(demands)
    return Text(_cut(told, width).center(width), style="dim")


def _must(demands: Sequence[Expectation]) -> str:
    """The demands in three words."""
    if _only_read(demands):
        return "to be read"
    if any(one.demands_off for one in demands):
        return "must be OFF"
    if any(one.demands_on for one in demands):
        return "must be ON"
    return without_controls(demands[0].text)


def _framed(body: Sequence[Text], inner: _Size, glyphs: Glyphs, *, filled: bool, style: str) -> list[Text]:
    left, right, low_left, low_right = tuple(glyphs.corners)
    rule, side = (glyphs.ink, glyphs.ink) if filled else (glyphs.rule, glyphs.side)
    if filled:
        left = right = low_left = low_right = glyphs.ink
    lines = [Text(f"{left}{rule * inner.width}{right} ", style=style)]
    for line in body:
        line.truncate(inner.width, pad=True)
        lines.append(Text.assemble((side, style), line, (side, style), " "))
    lines.append(Text(f"{low_left}{rule * inner.width}{low_right} ", style=style))
    return lines


def _cut(text: str, width: int) -> str:
    return text if cell_len(text) <= width else set_cell_size(text, max(0, width - 4)).rstrip() + " ..."
