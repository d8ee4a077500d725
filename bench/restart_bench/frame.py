"""One picture of the live screen: what was gathered so far goes in, lines of text come out.

No clock and no console in here: `screen` brings both. Everything is sized to a window, at least 60 columns wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from restart_bench.block_letters import ROWS, largest_that_fits
from restart_bench.cautions import ON_SCREEN, ON_SCREEN_SHORT
from restart_bench.clock import NS_PER_S
from restart_bench.face_values import VERDICT_STYLE, plain, seconds, value_word
from restart_bench.lanes import Glyphs, History, axis, cell_for
from restart_bench.live import LiveState, Reading
from restart_bench.records import (
    GLOSS,
    CycleJudged,
    CycleStarted,
    Finding,
    Record,
    RunStarted,
    ScenarioJudged,
    Trouble,
    Verdict,
)
from restart_bench.rig import Point, Rig, Value
from restart_bench.scenario import Scenario
from restart_bench.units import show_duration

_LIGHT_ROWS = 3
_KEPT_FINDINGS = 30
_READ_AHEAD_NS = 150_000_000  # between the observer's read and the picture


Told = tuple[History, bool]  # what is known of a point, and whether it is a number


@dataclass(frozen=True, slots=True)
class Lane:
    """One output as the controller says it, and its terminal as independent I/O sees it (None: has none)."""

    name: str
    said: Point
    terminal: Point | None


def lanes_of(rig: Rig, scenarios: Sequence[Scenario] = ()) -> tuple[Lane, ...]:
    """The outputs worth a lane, in file order: what the scenarios judge, and all that has a terminal."""
    judged = {expectation.point for one in scenarios for expectation in (*one.during, *one.after)}
    lanes = []
    for point in rig.points.values():
        if point.writable or point.inline_terminal or rig.is_terminal(point.name):
            continue
        if point.name in judged or point.terminal is not None:
            terminal = rig.points[point.terminal] if point.terminal is not None else None
            lanes.append(Lane(plain(point.shown), point, terminal))
    return tuple(lanes)


@dataclass(slots=True)
class Gathered:
    """All that the picture needs to remember between two states."""

    rig: Rig
    scenarios: tuple[Scenario, ...]
    simulated: bool
    replay: str = ""  # id of the archived run that is played
    state: LiveState | None = None
    seed: int | None = None
    counted: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(Verdict, 0))
    notable: list[tuple[int, Finding]] = field(default_factory=list)
    trouble: str = ""
    judged: dict[str, ScenarioJudged] = field(default_factory=dict)
    off_for_ns: int | None = None
    repeat: str = ""
    histories: dict[str, History] = field(default_factory=dict)
    supply: History = field(default_factory=History)
    powered: History = field(default_factory=History)
    since: dict[str, int] = field(default_factory=dict)  # light -> instant it came on in this cycle

    def record(self, record: Record) -> None:
        """Takes in one saved record."""
        if isinstance(record, RunStarted):
            self.seed = record.seed
        elif isinstance(record, CycleStarted):
            self.off_for_ns = record.off_for_ns
            self.repeat = f"{record.number} of {record.of}"
            self.trouble = ""
            self.since.clear()
        elif isinstance(record, CycleJudged):
            self.counted[record.verdict] += 1
            self.notable += [(record.cycle, one) for one in record.findings if one.verdict is not Verdict.PASS]
            if record.verdict is Verdict.ERROR and not any(one.verdict is Verdict.ERROR for one in record.findings):
                whole = Finding(record.scenario, record.case, record.cycle, "", "", Verdict.ERROR, record.reason)
                self.notable.append((record.cycle, whole))
            del self.notable[:-_KEPT_FINDINGS]
        elif isinstance(record, ScenarioJudged):
            self.judged[record.scenario] = record
        elif isinstance(record, Trouble):
            self.trouble = record.text

    def live(self, state: LiveState) -> None:
        """Takes in one state: changes first, then what stands now."""
        if self.state is not None and state.cycle != self.state.cycle:
            self.since.clear()
        for move in sorted(state.moved, key=lambda one: one.received_ns):
            self._history(move.point).note(move.received_ns, move.value)
        for name, reading in state.readings.items():
            self._history(name).note(state.at_ns, self._still_known(name, reading, state.at_ns))
        self.supply.note(state.at_ns, {"on": True, "off": False}.get(state.supply))
        self.powered.note(state.at_ns, state.powered)
        self._lights_since(state)
        self.state = state

    def told(self, point: Point) -> Told:
        """What is known of a point (nothing, if it was not read yet), and whether it is a number."""
        return self.histories.get(point.name, History()), not point.is_boolean

    def _still_known(self, name: str, reading: Reading, at_ns: int) -> Value | None:
        """The value, unless it was read so long ago that the device must be silent by now: silence is not off."""
        point = self.rig.points.get(name)
        if point is None:
            return reading.value
        device = self.rig.devices[point.device]
        old_ns = device.answer_within_ns + 2 * device.poll_ns + _READ_AHEAD_NS
        return reading.value if at_ns - reading.received_ns <= old_ns else None

    def _history(self, name: str) -> History:
        return self.histories.setdefault(name, History())

    def _lights_since(self, state: LiveState) -> None:
        for name, lit in lights(state):
            if lit:
                self.since.setdefault(name, state.at_ns)
            else:
                self.since.pop(name, None)


def power_is_on(state: LiveState) -> bool | None:
    """What a proof says, else what was commanded; None where neither knows, or between on and off."""
    if state.powered is not None:
        return state.powered
    return {"on": True, "off": False}.get(state.supply)


def lights(state: LiveState) -> tuple[tuple[str, bool | None], ...]:
    """The four lights, in the order in which a restart passes them; None where it is unknown."""
    power = power_is_on(state)
    return (
        ("OFF", None if power is None else not power),
        ("ON", power),
        ("ANSWERING", state.answering),
        ("RUNNING", state.running),
    )


def frame(gathered: Gathered, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The whole picture: at most `height` lines of at most `width` columns."""
    width = max(width, 60)
    state = gathered.state
    if state is None:
        return [_title(gathered, width), Text("waiting for the first readings ...")]
    lanes = lanes_of(gathered.rig, gathered.scenarios)
    foot = [_progress(gathered, state, width, glyphs), *_tally(gathered, width), _footing(gathered, width)]
    findings = _findings(gathered, width, 4 if height > 34 else 2)
    lane_rows = 2 * (len(lanes) + 1) + 2
    spare = height - _LIGHT_ROWS - 3 - lane_rows - len(findings) - len(foot)
    banner = _banner(state, width, 2 * ROWS if spare >= 2 * ROWS else ROWS, glyphs)
    head = [_title(gathered, width), *_lights(gathered, state, width, glyphs), *banner, _doing(state, width)]
    lane_room = max(3, height - len(head) - len(findings) - len(foot))
    lines = [*head, *_lanes(gathered, lanes, width, lane_room, glyphs), *findings, *foot]
    for line in lines:
        line.truncate(width)
    return lines[:height]


def _title(gathered: Gathered, width: int) -> Text:
    state = gathered.state
    left = Text(plain(gathered.rig.name), style="bold")
    if state is None:
        return left
    left.append(f"  {plain(state.scenario)}")
    if state.case:
        left.append(f"  {plain(state.case)}")
    right = f"cycle {state.cycle} of {state.of_cycles}"
    left.truncate(max(10, width - len(right) - 2))
    left.append(" " * max(2, width - left.cell_len - len(right)))
    return left.append(right, style="bold")


def _lights(gathered: Gathered, state: LiveState, width: int, glyphs: Glyphs) -> list[Text]:
    """Four pilot lights: a lit one is a filled block, a dark one an empty frame, so that colour is not needed."""
    colours = {"OFF": "red", "ON": "green", "ANSWERING": "cyan", "RUNNING": "green"}
    across = (width - 3) // 4
    rows = [Text() for _ in range(_LIGHT_ROWS)]
    for name, lit in lights(state):
        lamp = glyphs.lamp_on if lit else glyphs.lamp_off
        words = f"{lamp} {name}" if lit is not None else f"? {name}"
        words += _light_time(gathered, state, name) if lit else ""
        inner = words.center(across - 2)[: across - 2]
        style = f"bold {colours[name]}" if lit else "dim"
        for row, text in zip(rows, _box(inner, glyphs, filled=bool(lit)), strict=True):
            row.append(text, style=style)
            row.append(" ")
    return rows


def _box(inner: str, glyphs: Glyphs, *, filled: bool) -> tuple[str, str, str]:
    if filled:
        edge = glyphs.ink * (len(inner) + 2)
        return edge, f"{glyphs.ink}{inner}{glyphs.ink}", edge
    left, right, low_left, low_right = tuple(glyphs.corners)
    rule = glyphs.rule * len(inner)
    return f"{left}{rule}{right}", f"{glyphs.side}{inner}{glyphs.side}", f"{low_left}{rule}{low_right}"


def _light_time(gathered: Gathered, state: LiveState, name: str) -> str:
    """OFF and ON tell how long they have been lit; the others how long after the restored supply they came on."""
    since = gathered.since.get(name)
    if since is None:
        return ""
    if name in ("OFF", "ON"):
        return f" {_clock(state.at_ns - since)}"
    if state.restored_ns is None or since < state.restored_ns:
        return ""
    return f" +{_clock(since - state.restored_ns)}"


def _clock(ns: int) -> str:
    whole = ns / NS_PER_S
    if whole < 60:
        return f"{whole:.1f} s"
    return f"{int(whole // 60)}:{int(whole % 60):02d}"


def _banner(state: LiveState, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    if state.supply == "level":
        words, style = "POWER IS LOW", "bold yellow"
    else:
        power = power_is_on(state)
        words, style = {
            True: ("POWER IS ON", "green"),
            False: ("POWER IS OFF", "bold red"),
            None: ("POWER UNKNOWN", "bold yellow"),
        }[power]
    lines = largest_that_fits(words, width, height, glyphs.ink)
    left = (width - max(len(line) for line in lines)) // 2
    shown = [Text(" " * left + line, style=style) for line in lines]
    return [Text(), *shown]


def _doing(state: LiveState, width: int) -> Text:
    line = Text(plain(state.phase), style="bold")
    doing = plain(state.doing)
    if doing and doing != state.phase:
        line.append(f": {doing}", style="not bold")
    if state.phase_ends_ns is not None:
        line.append(f"   {seconds(max(0, state.phase_ends_ns - state.at_ns))} left")
    line.truncate(width)
    line.pad_left((width - line.cell_len) // 2)
    return line


# ---------------------------------------------------------------- lanes


def _lanes(gathered: Gathered, lanes: Sequence[Lane], width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """As many lanes as there is room for: one, two or three rows each, with the time axis below."""
    names = max([cell_len("supply"), *(cell_len(lane.name) for lane in lanes)])
    names = min(names, 20 if width >= 110 else 15)
    cells = (width - names - 2 - 2 * 6) // 2
    at_ns = gathered.state.at_ns if gathered.state is not None else 0
    sized = _Sized(names, cells, cell_for(_cycle_span_ns(gathered), cells), at_ns, glyphs)
    per_lane = max(1, min(3, (room - 2) // (len(lanes) + 1)))
    fit = (room - 2) // per_lane - 1
    shown = lanes if fit >= len(lanes) else lanes[: max(0, fit - 1)]
    lines = [_lane_heads(sized), *_lane("supply", (gathered.supply, False), (gathered.powered, False), sized, per_lane)]
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
    cells: int
    cell_ns: int
    at_ns: int
    glyphs: Glyphs


def _cycle_span_ns(gathered: Gathered) -> int:
    """About one cycle: so much of the past should fit into a strip."""
    off = gathered.off_for_ns or 3 * NS_PER_S
    watch = max((one.watch_ns for one in gathered.scenarios), default=10 * NS_PER_S)
    return min(off + watch + 3 * NS_PER_S, 3600 * NS_PER_S)


def _lane_heads(sized: _Sized) -> Text:
    left = set_cell_size("output", sized.names + 1)
    said = set_cell_size("controller says (supply: command)", sized.cells + 7)
    return Text(left + said + "terminal shows (supply: proof)", style="dim")


def _axis_line(sized: _Sized) -> Text:
    glyphs = sized.glyphs
    legend = f"{glyphs.on} on  {glyphs.off} off  {glyphs.blind} blind  {glyphs.pulse} pulse"
    return Text(" " * (sized.names + 6) + axis(sized.cells, sized.cell_ns) + "  " + legend, style="dim")


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
        upper.append(" " * 5).append(strip.translate(sized.glyphs.upper), style=style).append("  ")
        lower.append_text(_value_now(history.newest, numeric)).append(strip, style=style).append("  ")
    if rows < 3:
        return [lower, *[Text()] * (rows - 1)]
    return [upper, lower, Text()]


def _value_now(value: Value | None, numeric: bool) -> Text:
    word = value_word(value if numeric or value is None else bool(value))
    style = "dim" if value is None else "bold green" if value and not numeric else ""
    return Text(f"{word[:4]:<5}", style=style)


# ---------------------------------------------------------------- below the lanes


def _findings(gathered: Gathered, width: int, most: int) -> list[Text]:
    if not gathered.notable:
        return [Text("nothing but passes so far" if any(gathered.counted.values()) else "", style="dim")]
    lines = []
    for cycle, finding in gathered.notable[-most:]:
        line = Text().append(f"cycle {cycle}  ", style="dim")
        line.append(finding.verdict.value, style=VERDICT_STYLE[finding.verdict])
        line.append(f"  {plain(_told(gathered.rig, finding))}")
        if line.cell_len > width:
            line.truncate(width - 4)
            line.append(" ...")
        lines.append(line)
    return lines


def _told(rig: Rig, finding: Finding) -> str:
    """The reason, which names its output as a rule; where it does not, with output and expectation before it."""
    name = rig.points[finding.point].shown if finding.point in rig.points else finding.point
    if name in finding.reason:
        return finding.reason
    return f"{name} {finding.expectation}".strip() + f": {finding.reason}"


def _progress(gathered: Gathered, state: LiveState, width: int, glyphs: Glyphs) -> Text:
    done = sum(gathered.counted.values())
    left = (
        "time left: not known yet" if state.left_ns is None else f"about {show_duration(_coarse(state.left_ns))} left"
    )
    words = f"{done} of {state.of_cycles} cycles done   {left}  "
    across = max(5, width - len(words))
    filled = across * done // max(1, state.of_cycles)
    line = Text(words)
    line.append(glyphs.bar * filled, style="bold cyan")
    return line.append(glyphs.bar_rest * (across - filled), style="dim")


def _coarse(ns: int) -> int:
    """Remaining time no finer than it is known: whole seconds, beyond ten minutes whole minutes."""
    step = NS_PER_S if ns < 600 * NS_PER_S else 60 * NS_PER_S
    return max(step, -(-ns // step) * step)


def _tally(gathered: Gathered, width: int) -> list[Text]:
    """Cycles by verdict, each word with its gloss, on as many lines as that takes."""
    lines = [Text()]
    for verdict, count in gathered.counted.items():
        item = Text(f"{verdict.value} {count}", style=VERDICT_STYLE[verdict] if count else "dim")
        if count:
            item.append(f" {GLOSS[verdict]}", style="not bold dim")
        if lines[-1].cell_len and lines[-1].cell_len + 3 + item.cell_len > width:
            lines.append(Text())
        lines[-1].append("   " if lines[-1].cell_len else "").append_text(item)
    return lines


def _footing(gathered: Gathered, width: int) -> Text:
    if gathered.trouble:
        return Text(plain(gathered.trouble), style="bold magenta")
    if gathered.replay:
        return Text(f"REPLAY of {gathered.replay}: nothing is switched. Ctrl-C leaves.", style="dim")
    if gathered.simulated:
        return Text("SIMULATED: nothing real is switched. Ctrl-C ends the run and leaves an archive.", style="dim")
    words = f"ARMED. {ON_SCREEN} Ctrl-C ends."
    return Text(words if len(words) <= width else f"ARMED. {ON_SCREEN_SHORT}", style="bold yellow")
