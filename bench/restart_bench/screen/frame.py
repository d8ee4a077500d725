"""One picture of the live screen: what was gathered so far goes in, lines of text come out.

No clock and no console in here: `screen` brings both. Everything is sized to a window, at least 60 columns wide.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import Finding
from restart_bench.model.live import Left, LiveState
from restart_bench.model.rig import Rig, Value, asks_person
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import GLOSS, Verdict, console_style
from restart_bench.model.ways import AS_READ, AS_TOLD
from restart_bench.model.wording import (
    NOTHING_SHOWN,
    counted,
    reached_word,
    value_word,
    without_controls,
)
from restart_bench.screen.block_letters import ROWS, largest_that_fits
from restart_bench.screen.cautions import ON_SCREEN, ON_SCREEN_SHORT
from restart_bench.screen.screen_state import FUNCTION_CHECK, Gathered, Lane, Told, lanes_of
from restart_bench.screen.strips import Glyphs, axis, cell_for

_LIGHT_ROWS = 3
_BESIDE_LIGHT = 4  # its frame, the lamp, and the gap behind it
_LIGHT_TIME = 8  # " +15.0 s"
_BESIDE_STRIP = 7  # the value before a strip, and the gap behind it
_CHECKING = Glyphs(on="c", off=".", blind=".", pulse="c", steady=".", moved=".")
NARROWEST = 60  # columns that lights and lanes need
_SHADE = "on grey30"
_CHECK_WORDS = (FUNCTION_CHECK, "check")
_WAITS = ("preparing", "waiting for ready", "before", "during", FUNCTION_CHECK)  # they end when what is due comes


def frame(gathered: Gathered, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The whole picture: at most `height` lines of at most `width` columns."""
    width = max(width, NARROWEST)
    state = gathered.state
    asked = question_lines(gathered, width)
    if state is None:
        return [_title(gathered, width), *waiting_lines(gathered, width, height - 1)]
    lanes = lanes_of(gathered.rig, gathered.scenarios)
    foot = [progress_line(gathered, state, width, glyphs), *_tally(gathered, width), footing(gathered, width)]
    findings = asked or _findings(gathered, width, 4 if height > 34 else 2)
    lane_rows = 2 * (len(lanes) + 1) + 2
    spare = height - _LIGHT_ROWS - 3 - lane_rows - len(findings) - len(foot)
    banner = _banner(gathered, width, max(ROWS, spare), glyphs)
    head = [
        _title(gathered, width),
        *_lights(gathered, state, width, glyphs),
        *banner,
        doing_line(gathered, state, width),
    ]
    lane_room = max(3, height - len(head) - len(findings) - len(foot))
    lines = [*head, *_lanes(gathered, lanes, width, lane_room, glyphs), *findings, *foot]
    for line in lines:
        line.truncate(width)
    # a question is seen, whatever else is not
    return lines[-height:] if asked else [*lines[:-1][: height - 1], lines[-1]]


def waiting_lines(gathered: Gathered, width: int, height: int) -> list[Text]:
    """What stands below the title until something was read."""
    room = max(0, height - 1)
    lines = [Text("waiting for the first readings ..."), Text(), *question_lines(gathered, width)]
    lines = lines[max(0, len(lines) - room) :]  # a question is seen, whatever else is not
    return [*lines, *[Text()] * (room - len(lines)), footing(gathered, width)]


def _title(gathered: Gathered, width: int) -> Text:
    state = gathered.state
    left = Text(without_controls(gathered.rig.name), style="bold")
    if state is None:
        return left
    left.append(f"  {without_controls(state.scenario)}")
    if state.case:
        left.append(f"  {without_controls(state.case)}")
    if gathered.searched and gathered.off_for_ns is not None:
        left.append(f"  off for {show_duration(gathered.off_for_ns)}")
    right = cycle_words(gathered, state)
    left.truncate(max(10, width - len(right) - 2))
    left.append(" " * max(2, width - left.cell_len - len(right)))
    return left.append(right, style="bold")


def cycle_words(gathered: Gathered, state: LiveState) -> str:
    """The cycle's number in the archive, which counts those that were broken off; the progress counts those done."""
    broken_off = f", {state.done_again} broken off" if state.done_again else ""
    return f"cycle {state.cycle} of {gathered.at_most}{state.of_cycles}{broken_off}"


def _lights(gathered: Gathered, state: LiveState, width: int, glyphs: Glyphs) -> list[Text]:
    """Four pilot lights: a lit one is a filled block, a dark one an empty frame, so that colour is not needed."""
    colours = ("red", "green", "cyan", "green")
    rows = [Text() for _ in range(_LIGHT_ROWS)]
    lit_or_not = gathered.lights(state)
    widths = _light_widths([name for name, _ in lit_or_not], width)
    for (name, lit), colour, across in zip(lit_or_not, colours, widths, strict=True):
        words = _light_words(gathered, state, (name, lit), across - 2, glyphs)
        style = f"bold {colour}" if lit else "dim"
        for row, text in zip(rows, _box(words.center(across - 2), glyphs, filled=bool(lit)), strict=True):
            row.append(text, style=style)
            row.append(" ")
    return rows


def _light_widths(names: Sequence[str], width: int) -> tuple[int, ...]:
    """Room for each name and, the last ones first (they tell how long a restart took), for a time; together with three
    gaps they fill the window."""
    widths = [cell_len(name) + _BESIDE_LIGHT for name in names]
    spare = width - (len(names) - 1) - sum(widths)
    for _ in range(spare, 0):
        widths[widths.index(max(widths))] -= 1
    for place in reversed(range(len(names))):
        if spare >= _LIGHT_TIME:
            widths[place], spare = widths[place] + _LIGHT_TIME, spare - _LIGHT_TIME
    share, rest = divmod(max(0, spare), len(names))
    return tuple(one + share + (place < rest) for place, one in enumerate(widths))


def _light_words(
    gathered: Gathered, state: LiveState, light: tuple[str, bool | None], room: int, glyphs: Glyphs
) -> str:  # fmt: skip
    """Lamp, name and, where there is room for all of it, the time."""
    name, lit = light
    lamp = "?" if lit is None else glyphs.lamp_on if lit else glyphs.lamp_off
    time = _light_time(gathered, state, name) if lit else ""
    words = f"{lamp} {name}{time}"
    return _longest_that_fits((words, f"{lamp} {name}", f"{lamp} {name.removesuffix(' MODE')}"), room)


def _box(inner: str, glyphs: Glyphs, *, filled: bool) -> tuple[str, str, str]:
    if filled:
        edge = glyphs.ink * (len(inner) + 2)
        return edge, f"{glyphs.ink}{inner}{glyphs.ink}", edge
    left, right, low_left, low_right = tuple(glyphs.corners)
    rule = glyphs.rule * len(inner)
    return f"{left}{rule}{right}", f"{glyphs.side}{inner}{glyphs.side}", f"{low_left}{rule}{low_right}"


def _light_time(gathered: Gathered, state: LiveState, name: str) -> str:
    """The first two tell how long they have been lit; the others how long after the return they came on."""
    since = gathered.since.get(name)
    if since is None:
        return ""
    if name in (gathered.way.lost, gathered.way.back):
        return f" {_clock(state.at_ns - since)}"
    if state.restored_ns is None or since < state.restored_ns:
        return ""
    return f" +{_clock(since - state.restored_ns)}"


def _clock(ns: int) -> str:
    whole = ns / NS_PER_S
    if whole < 60:
        return f"{whole:.1f} s"
    return f"{int(whole // 60)}:{int(whole % 60):02d}"


class Banner(NamedTuple):
    """What is large on the picture, the same where there is room for a word, and its style."""

    letters: str
    word: str
    style: str


def banner(gathered: Gathered) -> Banner:
    """The supply or the mode: lost, there, or not known."""
    way = gathered.way
    there = gathered.is_on(gathered.state) if gathered.state is not None else None
    if gathered.denied is not None:
        return Banner(gathered.denied[0], gathered.denied[0].lower(), "bold yellow")
    return {
        True: Banner(way.letters_back, way.back.lower(), "green"),
        False: Banner(way.letters_lost, way.lost.lower(), "bold yellow" if way.lost == "LOW" else "bold red"),
        None: Banner("MODE UNKNOWN" if way.switched == "run mode" else "POWER UNKNOWN", "not known", "bold yellow"),
    }[there]


def _banner(gathered: Gathered, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    shown = banner(gathered)
    lines = largest_that_fits(shown.letters, width, height, glyphs.ink)
    across = max(len(line) for line in lines)
    left = max(0, (width - across) // 2)
    return [Text(), *(Text(" " * left + line, style=shown.style) for line in lines)]


def doing_line(gathered: Gathered, state: LiveState, width: int) -> Text:
    """Phase, step and time left, centred; the result of a run that has ended, and what failed at the instant of a
    replay. A time that is over is not told: a person may be waited for."""
    if gathered.ended is not None:
        return _centred(Text(_longest_that_fits(gathered.result_words, width), style=result_style(gathered)), width)
    if (failed := gathered.fails_here) is not None:
        told = shortened(without_controls(f"FAIL here: {gathered.here_words(failed)}"), width)
        return _centred(Text(told, style=console_style(Verdict.FAIL)), width)
    if gathered.denied is not None:
        return _centred(Text(shortened(gathered.denied[1], width), style="bold yellow"), width)
    phase = without_controls(state.phase)
    time = ""
    if state.phase_ends_ns is not None and state.phase_ends_ns > state.at_ns:
        left = _clock(state.phase_ends_ns - state.at_ns)
        time = f"   at most {left} more" if state.phase in _WAITS else f"   {left} left"
    parts = [one for one in (state.doing if state.doing != state.phase else "", *gathered.doubts()) if one]
    doing = shortened(without_controls("; ".join(parts)), max(10, width - len(phase) - len(time) - 2))
    line = Text(phase, style="bold").append(f": {doing}" if doing else "", style="not bold").append(time)
    return _centred(line, width)


def _centred(line: Text, width: int) -> Text:
    line.truncate(width)
    line.pad_left((width - line.cell_len) // 2)
    return line


def result_style(gathered: Gathered) -> str:
    """The style of the result of a run that has ended."""
    ended = gathered.ended
    return console_style(Verdict.ERROR if ended is None or ended.how == "stopped" else ended.verdict)


# ---------------------------------------------------------------- lanes


def _lanes(gathered: Gathered, lanes: Sequence[Lane], width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """As many lanes as there is room for: one, two or three rows each, with the time axis below."""
    names = max([cell_len(gathered.way.switched), *(cell_len(lane.name) for lane in lanes)])
    names = min(names, 20 if width >= 110 else 15 if width >= 70 else 12)
    from_outside = gathered.rig.reads_supply or any(lane.terminal is not None for lane in lanes)
    strips = 2 if from_outside else 1
    cells = (width - names - 1) // strips - _BESIDE_STRIP
    at_ns = gathered.state.at_ns if gathered.state is not None else 0
    cell_ns = cell_for(_cycle_span_ns(gathered), cells)
    checking = gathered.checking.strip(_CHECKING, until_ns=at_ns, cell_ns=cell_ns, cells=cells)
    sized = _Sized(names, strips, cells, cell_ns, at_ns, glyphs, width, _spans(checking))
    per_lane = max(1, min(3, (room - 2) // (len(lanes) + 1)))
    fit = (room - 2) // per_lane - 1
    shown = lanes if fit >= len(lanes) else lanes[: max(0, fit - 1)]
    proof = (gathered.powered, False) if strips > 1 else None
    switched = gathered.way.switched
    as_read = strips == 1 and switched == "run mode"  # with one strip there is no other place for what is read
    first = gathered.known if as_read else gathered.supply
    head = _lane_heads(sized, f"{switched}: {AS_READ if as_read else AS_TOLD}", f"{switched}: {AS_READ}")
    lines = [head, *_lane(switched, (first, False), proof, sized, per_lane)]
    for lane in shown:
        said = gathered.told(lane.said)
        seen = gathered.told(lane.terminal) if lane.terminal is not None else None
        lines += _lane(lane.name, said, seen, sized, per_lane)
    if len(shown) < len(lanes):
        lines.append(Text(f"... and {len(lanes) - len(shown)} more outputs: make the window taller", style="dim"))
    lines.append(_axis_line(sized))
    return lines


@dataclass(frozen=True, slots=True)
class _Sized:
    names: int
    strips: int
    cells: int
    cell_ns: int
    at_ns: int
    glyphs: Glyphs
    width: int
    checking: tuple[tuple[int, int], ...]  # characters of a strip in which a function check was under way


def _spans(checking: str) -> tuple[tuple[int, int], ...]:
    """Where in a strip a function check was under way: what moves there was told to."""
    return tuple(match.span() for match in re.finditer(f"{_CHECKING.on}+", checking))


def _cycle_span_ns(gathered: Gathered) -> int:
    """About one cycle: so much of the past should fit into a strip."""
    off = gathered.off_for_ns or 3 * NS_PER_S
    watch = max((one.watch_ns for one in gathered.scenarios), default=10 * NS_PER_S)
    return min(off + watch + 3 * NS_PER_S, 3600 * NS_PER_S)


def _lane_heads(sized: _Sized, left: str, right: str) -> Text:
    """What each strip shows; `left` and `right` say how supply or run mode is known there."""
    said = _longest_that_fits((f"controller says ({left})", "controller says"), sized.cells + 5)
    line = set_cell_size("output", sized.names + 1)
    if sized.strips == 1:
        return Text(f"{line}{said}  {_legend(sized.glyphs, sized.cells + 3 - len(said))}", style="dim")
    seen = _longest_that_fits((f"terminal shows ({right})", "terminal shows"), sized.cells + 5)
    return Text(line + set_cell_size(said, sized.cells + _BESIDE_STRIP) + seen, style="dim")


def _legend(glyphs: Glyphs, room: int) -> str:
    """What the characters of a strip mean."""
    told = ((glyphs.on, "on"), (glyphs.off, "off"), (glyphs.blind, "blind"), (glyphs.pulse, "short"))
    wide = "  ".join(f"{sign} {word}" for sign, word in told)
    return _longest_that_fits((wide, " ".join(f"{sign}{word}" for sign, word in told)), room)


def _longest_that_fits(texts: Sequence[str], cells: int) -> str:
    return next((text for text in texts if len(text) <= cells), texts[-1][: max(0, cells)])


def _axis_line(sized: _Sized) -> Text:
    """The time axis below the first strips, and below the others what the characters mean."""
    times, free_from = axis(sized.cells, sized.cell_ns), 0
    for start, end in sized.checking:
        times = _with_check(times, start, end, free_from, sized.glyphs)
        free_from = end
    scale = " " * (sized.names + _BESIDE_STRIP - 1) + times
    if sized.strips == 1:
        return Text(scale, style="dim")
    return Text(f"{scale}  {_legend(sized.glyphs, sized.width - len(scale) - 2)}", style="dim")


def _with_check(times: str, start: int, end: int, free_from: int, glyphs: Glyphs) -> str:
    """The axis with a function check marked off: its edges, and its name between them, or before it where that is too
    narrow. Of the times those stay that neither touches, "now" always: a check that is under way
    shows no end."""
    inside_to = min(end - 1, len(times) - len(" now"))
    edges = [start] if start < inside_to else []
    edges += [end - 1] if end - 1 == inside_to else []
    room = inside_to - start - 1
    word = next((f" {one} " for one in _CHECK_WORDS if len(one) + 2 <= room), "")
    place = start + 1 + (room - len(word)) // 2
    if not word:
        before = min(start, inside_to)
        word = next((f" {one} " for one in _CHECK_WORDS if len(one) + 2 <= before - free_from), "")
        place = before - len(word)
    times = _written_over(times, place, word) if word else times
    for edge in edges:
        times = _written_over(times, edge, glyphs.side)
    open_cells = [n for n in range(start + 1, inside_to) if not times[n - 1 : n + 2].strip(f" {glyphs.side}")]
    return "".join(glyphs.rule if n in open_cells and one == " " else one for n, one in enumerate(times))


def _written_over(times: str, start: int, label: str) -> str:
    """The axis with a label in it; a time that it touches is left out whole."""
    end = start + len(label)
    for one in re.finditer(r"-\d\S* \w+", times):
        if one.start() <= end and start <= one.end():
            times = times[: one.start()] + " " * len(one[0]) + times[one.end() :]
    return times[:start] + label + times[end:]


def _lane(name: str, said: Told, seen: Told | None, sized: _Sized, rows: int) -> list[Text]:
    """One lane: a row of strips; from three rows on two rows of strips, like a timing diagram, and a blank one."""
    upper = Text(" " * (sized.names + 1))
    lower = Text(set_cell_size(name, sized.names) + " ", style="bold")
    for told in (said, seen):
        if told is None:
            continue
        history, numeric = told
        strip = history.strip(
            sized.glyphs, until_ns=sized.at_ns, cell_ns=sized.cell_ns, cells=sized.cells, numeric=numeric
        )  # fmt: skip
        style = "cyan" if numeric else "green"
        upper.append(" " * 5).append_text(_shaded(strip.translate(sized.glyphs.upper), style, sized)).append("  ")
        lower.append_text(_value_now(history.newest, numeric)).append_text(_shaded(strip, style, sized)).append("  ")
    if rows < 3:
        return [lower, *[Text()] * (rows - 1)]
    return [upper, lower, Text()]


def _shaded(strip: str, style: str, sized: _Sized) -> Text:
    """A strip with the spans of function checks on a ground of their own."""
    shaded = Text(strip, style=style)
    for start, end in sized.checking:
        shaded.stylize(_SHADE, start, end)
    return shaded


def _value_now(value: Value | None, numeric: bool) -> Text:
    word = value_word(value if numeric or value is None else bool(value))
    style = "dim" if value is None else "bold green" if value and not numeric else ""
    return Text(f"{word[:4]:<5}", style=style)


# ---------------------------------------------------------------- below the lanes


def question_lines(gathered: Gathered, width: int) -> list[Text]:
    """What a person is asked, with what was typed so far: filled lines, none where nobody is asked."""
    if not gathered.question:
        return []
    told = f"{without_controls(gathered.question)} {without_controls(gathered.typed)}_"
    return [Text(set_cell_size(f" {line}", width), style="bold reverse") for line in textwrap.wrap(told, width - 2)]


def _findings(gathered: Gathered, width: int, most: int) -> list[Text]:
    if gathered.keeps_answer and gathered.notable:
        return [Text("what was found so far: shown after the answers", style="dim")]
    seen = [(one.cycle, one) for _, one in gathered.failing]
    notable = [*gathered.notable, *(one for one in seen if one not in gathered.notable)]
    if not notable:
        done = any(gathered.counted.values()) and not gathered.rehearsal
        passes = [Text("nothing but passes so far" if done else "", style="dim")]
        return [*passes, Text(gathered.outcome)][:most] if gathered.outcome else passes
    lines: list[Text] = []
    for cycle, finding in reversed(notable):
        own = _finding_lines(gathered.rig, cycle, finding, width)
        if lines and len(lines) + len(own) > most:
            break
        lines = [*own[:most], *lines]
    return lines


def _finding_lines(rig: Rig, cycle: int, finding: Finding, width: int) -> list[Text]:
    """One finding in one line, or in two where that keeps more of it: what is to be done stands at its end."""
    line = Text().append(f"cycle {cycle}  ", style="dim")
    line.append(finding.verdict.value, style=console_style(finding.verdict)).append("  ")
    told = without_controls(_told(rig, finding))
    first, *rest = textwrap.wrap(told, max(20, width - line.cell_len), break_on_hyphens=False) or [""]
    below = [Text(f"    {shortened(' '.join(rest), width - 4)}")] if rest else []
    return [line.append(first), *below]


def _told(rig: Rig, finding: Finding) -> str:
    """The reason, which names its output as a rule; where it does not, with output and expectation before it."""
    name = rig.points[finding.point].shown if finding.point in rig.points else finding.point
    if name in finding.reason:
        return finding.reason
    return f"{name} {finding.words}".strip() + f": {finding.reason}"


_LEAST_BAR = 5  # characters
_LONGEST_LEFT = len("   about 59 min, at most 59 min left")


def progress_line(gathered: Gathered, state: LiveState, width: int, glyphs: Glyphs, *, tally: bool = False) -> Text:
    """Cycles that are done, with `tally` how they were judged, time that is left, and a bar."""
    before_it = max(0, (gathered.done_before or 0) - state.done_again)
    done, of = before_it + sum(gathered.counted.values()), state.of_cycles - state.done_again
    left = "time left: not known" if state.left_ns is None else f"{left_words(state.left_ns)} left"
    left = "" if gathered.replay else f"   {left}"  # of what is over nothing is left
    most = gathered.at_most if done < of else ""  # else it is over
    before = f" ({before_it} in the run before)" if before_it and not gathered.replay else ""
    words = f"{done} of {most}{counted(of, 'cycle')} done{before}{left}  "
    judged = [f"{word} {count}" for word, count in gathered.counted.items() if count]
    if tally and judged and not gathered.keeps_answer and not gathered.rehearsal:
        words = f"{done} of {most}{counted(of, 'cycle')} done{before}: {', '.join(judged)}{left}  "
    people = "without people's time  "
    widest = len(words) - len(left) + _LONGEST_LEFT  # else it would come and go with the time's digits
    if left and asks_person(gathered.rig) and widest + len(people) + _LEAST_BAR <= width:
        words = f"{words[:-1]}{people}"
    across = max(_LEAST_BAR, width - len(words))
    filled = across * done // max(1, of)
    line = Text(words)
    line.append(glyphs.bar * filled, style="bold cyan")
    return line.append(glyphs.bar_rest * (across - filled), style="dim")


def left_words(left_ns: Left) -> str:
    """What is left: `about 2 min, at most 3 min`; before the first cycle, when nothing but the plan is known, `2 min to
    9 min`; `about 2 min` where both ends are told alike, `2 min or more`."""
    low, usual, high = (None if one is None else show_duration(_coarse(one)) for one in left_ns)
    if high is None:
        return f"{low} or more"
    if (usual or low) == high:
        return f"about {high}"
    return f"{low} to {high}" if usual is None else f"about {usual}, at most {high}"


def _coarse(ns: int) -> int:
    """Remaining time no finer than it is known: whole seconds, beyond ten minutes whole minutes."""
    step = NS_PER_S if ns < 600 * NS_PER_S else 60 * NS_PER_S
    return max(step, -(-ns // step) * step)


def _tally(gathered: Gathered, width: int) -> list[Text]:
    """Cycles by verdict, each word with its gloss, on as many lines as that takes."""
    if gathered.rehearsal:
        return [_rehearsal_tally(gathered, width)]
    lines = [Text()]
    for verdict, count in gathered.counted.items():
        item = Text(f"{verdict.value} {count}", style=console_style(verdict) if count else "dim")
        if count:
            item.append(f" {GLOSS[verdict]}", style="not bold dim")
        if lines[-1].cell_len and lines[-1].cell_len + 3 + item.cell_len > width:
            lines.append(Text())
        lines[-1].append("   " if lines[-1].cell_len else "").append_text(item)
    return lines


def _rehearsal_tally(gathered: Gathered, width: int) -> Text:
    reached = gathered.counted[Verdict.PASS]
    missed = sum(gathered.counted.values()) - reached
    words = f"REHEARSAL: {NOTHING_SHOWN}.   {reached_word(Verdict.PASS)} {reached}   not reached {missed}"
    short = f"REHEARSAL: nothing is cut.   reached {reached}   not reached {missed}"
    return Text(_longest_that_fits((words, short), width), style="bold")


def shortened(text: str, width: int) -> str:
    """As many whole words as fit, and " ..." where there are more."""
    return text if cell_len(text) <= width else textwrap.shorten(text, width, placeholder=" ...")


def footing(gathered: Gathered, width: int) -> Text:
    """The last line: whether anything real is switched, which no trouble takes the place of."""
    words: tuple[str, ...]
    if gathered.trouble:
        trouble = without_controls(gathered.trouble)
        armed = "ARMED, but on a SIMULATED RIG" if gathered.simulated_devices else "ARMED"
        what = "SIMULATED" if gathered.simulated else armed
        what = "REPLAY, nothing is switched" if gathered.replay else what
        return Text(shortened(f"{what}. {trouble}", width), style=console_style(Verdict.ERROR))
    if gathered.replay:
        words = (
            f"REPLAY of {gathered.replay}: nothing is switched. Ctrl-C leaves.",
            "REPLAY. Ctrl-C leaves.",
        )
        return Text(_longest_that_fits(words, width), style="dim")
    if gathered.simulated:
        begun = "SIMULATED: nothing real is switched. Ctrl-C ends the run"
        words = (f"{begun} and leaves an archive.", f"{begun}.", "SIMULATED: nothing real is switched.")
        return Text(_longest_that_fits(words, width), style="dim")
    if gathered.simulated_devices:
        told = "ARMED, but on a SIMULATED RIG"
        words = (f"{told}: {', '.join(gathered.simulated_devices)} said so on the wire. Ctrl-C ends.", f"{told}.")
        return Text(_longest_that_fits(words, width), style="bold yellow")
    words = (f"ARMED. {ON_SCREEN} Ctrl-C ends.", f"ARMED. {ON_SCREEN_SHORT} Ctrl-C ends.", f"ARMED. {ON_SCREEN_SHORT}")
    return Text(_longest_that_fits(words, width), style="bold yellow")
