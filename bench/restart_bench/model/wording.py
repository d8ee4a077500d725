"""How findings are worded: values, times and spans as a practitioner reads them.

Bounds are shown outward: the lower end rounded down, the upper end rounded up.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import Final

from restart_bench.model.rig import Point, Rig, Value, Wanted, as_single
from restart_bench.model.scenario import Case, Expectation, NamedDurations, Search, Window
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import GLOSS, Verdict

WHOLE_UP_TO = 10**10
"""Whole numbers up to here (all of 32 bits) are told with every digit."""
US, MS, S = 1_000, 1_000_000, 1_000_000_000


def _scale(ns: int) -> tuple[int, int, str, int]:
    """Step of rounding, unit, its word and its decimals for a time of about this length."""
    for limit, step, unit, word, decimals in (
        (MS, US, US, "us", 0),
        (10 * MS, 100 * US, MS, "ms", 1),
        (S, MS, MS, "ms", 0),
        (10 * S, 10 * MS, S, "s", 2),
    ):
        if ns < limit:
            return step, unit, word, decimals
    return 100 * MS, S, "s", 1


def _number(steps: int, step: int, unit: int, decimals: int) -> str:
    text = f"{steps * step / unit:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def span_text(low_ns: int, high_ns: int) -> str:
    """`38..42 ms`, `1.20..1.22 s`; one number where both ends are the same."""
    if low_ns == high_ns:
        return at_most(high_ns)
    step, unit, word, decimals = _scale(abs(high_ns))
    ends = [f"{steps * step / unit:.{decimals}f}" for steps in (low_ns // step, -(-high_ns // step))]
    while all("." in end and end.endswith(("0", ".")) for end in ends):
        ends = [end[:-1] for end in ends]
    return f"{'0' if low_ns == 0 else ends[0]}..{ends[1]} {word}"


def about(ns: int) -> str:
    """One length, rounded to what matters of it: `41 ms`, `1.23 s`."""
    step, unit, word, decimals = _scale(abs(ns))
    return f"{_number(round(ns / step), step, unit, decimals)} {word}"


def at_most(ns: int) -> str:
    """One length, rounded up."""
    step, unit, word, decimals = _scale(abs(ns))
    return f"{_number(-(-ns // step), step, unit, decimals)} {word}"


def at_least(ns: int) -> str:
    """One length, rounded down."""
    step, unit, word, decimals = _scale(abs(ns))
    return f"{_number(ns // step, step, unit, decimals)} {word}"


def value_text(point: Point | None, value: Value | float | None) -> str:
    """`on`, `off`, `14.5 %`; `unknown` for None."""
    if value is None:
        return "unknown"
    if point is not None and point.is_boolean:
        return "on" if value else "off"
    unit = f" {point.unit}" if point is not None and point.unit else ""
    whole = float(value).is_integer() and abs(value) < WHOLE_UP_TO
    return f"{int(value) if whole else format(float(value), 'g')}{unit}"


def wanted_text(point: Point | None, wanted: Wanted, before: float | None = None) -> str:
    """What should have been: `off`, `14.5`, `above 0`, `as before (on)`."""
    if wanted.as_before:
        return "as before" if before is None else f"as before ({value_text(point, before)})"
    if wanted.change is not None:
        low, high = wanted.change
        known = "" if before is None else f" (it was {value_text(point, before)})"
        return f"{low:g}..{high:g} more than before{known}"
    if wanted.one_of is not None:
        return "one of " + ", ".join(value_text(point, one) for one in wanted.one_of)
    if wanted.equals is not None:
        near = f" within {wanted.tolerance:g}" if wanted.tolerance else ""
        return value_text(point, wanted.equals) + near
    limits = [f"above {wanted.above:g}"] if wanted.above is not None else []
    limits += [f"below {wanted.below:g}"] if wanted.below is not None else []
    return " and ".join(limits) or "anything"


def shown(rig: Rig, name: str) -> str:
    """What people call a point."""
    return rig.points[name].shown if name in rig.points else name


def some(texts: Sequence[str], most: int = 3) -> str:
    """The first few of many, and how many more there are."""
    more = f" (and {len(texts) - most} more)" if len(texts) > most else ""
    return "; ".join(texts[:most]) + more


def bounds_text(bounds: tuple[int, int]) -> str:
    """Both bounds in one unit, rounded outwards: "1.820 .. 1.842 s", "12 .. 23 ms", "0 s"."""
    low, high = bounds
    if low == high == 0:
        return "0 s"
    unit, step, decimals = _bounds_step(max(abs(low), abs(high)), high - low)
    shown_low = math.floor(low / step)
    shown_high = math.ceil(high / step)
    per_unit = 10**decimals
    left = _signed(shown_low, per_unit, decimals)
    if shown_low == shown_high:
        return f"{left} {unit}"
    return f"{left} .. {_signed(shown_high, per_unit, decimals)} {unit}"


def _bounds_step(size: int, width: int) -> tuple[str, int, int]:
    """Unit, step in nanoseconds, decimals. Milliseconds below one second, else seconds to the millisecond."""
    if size < S:
        return ("ms", MS // 100, 2) if width < MS // 2 else ("ms", MS // 10, 1)
    return ("s", MS, 3)


def _signed(steps: int, per_unit: int, decimals: int) -> str:
    text = f"{abs(steps) / per_unit:.{decimals}f}"
    return f"−{text}" if steps < 0 else text


def numbers_text(numbers: Sequence[int], most: int = 12) -> str:
    """Numbers of cycles, runs of three and more joined: "1 to 5, 8, 11"; the rest is counted."""
    parts: list[str] = []
    for first, last in _runs(sorted(set(numbers))):
        if last - first >= 2:
            parts.append(f"{first} to {last}")
        else:
            parts += [str(number) for number in range(first, last + 1)]
    if len(parts) > most:
        return ", ".join(parts[:most]) + f" and {len(parts) - most} more"
    return ", ".join(parts)


def cycles_text(cycles: Sequence[int]) -> str:
    """Which cycles something is of: "cycle 3", "cycles 1 to 5, 8"; the whole run has the number 0."""
    numbers = {number for number in cycles if number}
    return f"cycle{'s' if len(numbers) > 1 else ''} {numbers_text([*numbers])}" if numbers else "over the whole run"


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def percent_text(fraction: float) -> str:
    """A fraction as percent, rounded down to a tenth (a bound must not be made better by rounding)."""
    return f"{math.floor(fraction * 1000 + 1e-9) / 10:.1f} %"


def counted(number: int, one: str, many: str = "") -> str:
    """ "1 cycle", "3 cycles"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


STAYS_OFF: Final = "stays off"
STAYS_ON: Final = "stays on"
COMES_BACK: Final = "comes back"
COMES_ON: Final = "comes on"
"""What an output does over a restart: predicted, measured, surveyed and compared alike."""
AFTER_ANY_PAST = "after any past"
COMES_BACK_MEANS = f"{COMES_BACK}: on or off, as what was before the restart leaves it"
IN_MEMORY = "memory"
"""Stands before what nothing but the controller says of an output that its program need not drive."""


def restart_word(before: Value | None, *, ends_on: bool, never_off: bool = False) -> str:
    """What an output that is off or on does over a restart, by its state before and after; without the state before no
    more than `on` can be said of one that is on. never_off: it was not seen off in between."""
    if not ends_on:
        return STAYS_OFF
    if before is None:
        return "on"
    if not before:
        return COMES_ON
    return STAYS_ON if never_off else COMES_BACK


ONLY_THE_LINK = "Only the lost connection tells of a cut: a dropped network beside a stuck contact looks alike"
OUTCOMES = {True: "restarted", False: "rode through", None: "not shown whether it restarted"}
"""What a cut did, by `CycleJudged.restarted`."""


def case_name(scenario: str, case: str) -> str:
    """A case of a scenario, or all of it."""
    return f"{scenario}, {case}" if case else scenario


def listed(words: Iterable[str]) -> str:
    """ "a, b and c"."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def alike(text: str) -> str:
    """What texts share that tell the same with other times or levels: fifteen errors of one cable are one error. Other
    numbers may be names (motor 1, coil 4)."""
    return re.sub(r"\d+(\.\d+)?(?= (?:us|µs|ms|s|min|h|V|mV|%))", "#", text)


def show_value(value: Value) -> str:
    """off, on, or the number."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:.12g}" if isinstance(value, int) or value.is_integer() else _fraction(value)


def _fraction(value: float) -> str:
    """A number of single precision in as few digits as tell it apart: 14.7, not 14.6999998093."""
    with suppress(OverflowError):
        if as_single(value) == value:
            told = (f"{value:.{digits}g}" for digits in range(1, 9))
            return next((text for text in told if as_single(float(text)) == value), f"{value:.9g}")
    return f"{value:.12g}"


def show_wanted(wanted: Wanted) -> str:
    """`on`, `14.5 (within 0.05)`, `above 0`, `0 or 3`, `as before`, `changed by 0..1`."""
    near = f" (within {wanted.tolerance:g})" if wanted.tolerance else ""
    if wanted.as_before:
        return f"as before{near}"
    if wanted.change is not None:
        low, high = wanted.change
        return f"changed by {low:g}" if low == high else f"changed by {low:g}..{high:g}"
    if wanted.one_of is not None:
        return " or ".join(show_value(one) for one in wanted.one_of)
    if wanted.equals is not None:
        return f"{show_value(wanted.equals)}{near}"
    limits = [f"above {wanted.above:g}"] if wanted.above is not None else []
    limits += [f"below {wanted.below:g}"] if wanted.below is not None else []
    return " and ".join(limits)


def show_conditions(conditions: tuple[tuple[str, Wanted], ...]) -> str:
    """`burner on, auger on`."""
    return ", ".join(f"{name} {show_wanted(wanted)}" for name, wanted in conditions)


def show_expectation(one: Expectation) -> str:
    """How an expectation is shown and known: `is off`, `never on for 20 ms or longer`, `is on within 5 s`."""
    start = "" if one.start == "restored" else f" of {one.start}"
    return one.kind.facts.words.format(
        wanted=show_wanted(one.wanted),
        longer_than=show_duration(one.longer_than_ns),
        window="" if one.window is None else f" {show_window(one.window)}{start}",
        until=" until the next command" if one.until == "command" else "",
    )


RATE_OVER_S, RATE_TOLERANCE = 1.0, 0.2


def rate_text(point: Point, seconds: float, elapsed_s: float) -> str:
    """What is wrong with a time that does not rise a second a second; "" where nothing is, or it began anew."""
    if elapsed_s < RATE_OVER_S or seconds < 0 or abs(seconds / elapsed_s - 1) <= RATE_TOLERANCE:
        return ""
    return (
        f"{point.shown} rose by {seconds:.3g} s in {elapsed_s:.3g} s, and a time rises by a second a second: check its "
        "`unit`, `type`, `words` and `scale`"
    )


def should_text(point: Point, one: Expectation, before: float | None = None, *, it: str = "it ") -> str:
    """What ought to have been: `should be off`, `it should never be on for 20 ms or longer`; `it` names what should,
    where nothing stands before."""
    wanted = wanted_text(point, one.wanted, before)
    return one.kind.facts.should.format(it=it, wanted=wanted, longer_than=show_duration(one.longer_than_ns))


def show_window(window: Window) -> str:
    """`within 5 s`, `between 30 s and 60 s`."""
    last = show_duration(window.not_after_ns) if window.not_after_ns is not None else ""
    if window.not_before_ns == 0:
        return f"within {last}"
    return f"between {show_duration(window.not_before_ns)} and {last}"


def show_limits(at_least: int | None, at_most: int | None) -> str:
    """Limits of a gap in nanoseconds, of which one at least is set."""
    if at_least is not None and at_most is not None:
        return f"{show_duration(at_least)} to {show_duration(at_most)}"
    if at_least is not None:
        return f"{show_duration(at_least)} or more"
    return f"{show_duration(at_most or 0)} at most"


NOTHING_SHOWN = "nothing was cut, so nothing is shown about a restart"


def reached_word(verdict: Verdict) -> str:
    """What a rehearsal's verdict says, without the words that speak of a controller."""
    return "all steps reached" if verdict is Verdict.PASS else "a step was not reached"


def step_word(verdict: Verdict) -> str:
    """The same of one step."""
    return "reached" if verdict is Verdict.PASS else "not reached"


def rehearsed(verdicts: Iterable[Verdict]) -> str:
    """How the rehearsal as a whole went."""
    every = all(one is Verdict.PASS for one in verdicts)
    return "every step was reached" if every else "not every step was reached"


_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def without_controls(text: str) -> str:
    """Text of a file or a device without control characters (each becomes a space)."""
    return _CONTROL.sub(" ", text)


def value_word(value: Value | None) -> str:
    """A value as people say it: on, off, 14.5; a missing one is "?"."""
    if value is None:
        return "?"
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float):
        return "?" if math.isnan(value) else f"{value:g}"
    return str(value)


def address_word(point: Point) -> str:
    """Table and address as the specification and as many device manuals count: "coil, address 0 = item 1"."""
    return f"{point.table.replace('_', ' ')}, address {point.address} = item {point.address + 1}"


def verdict_gloss(verdict: Verdict) -> str:
    """The word with its meaning, as it stands wherever a verdict is shown."""
    return f"{verdict.value} ({GLOSS[verdict]})"


def hanging(left: str, text: str, width: int, indent: int) -> list[str]:
    """`left`, then `text` from column `indent` on, wrapped to `width` with the same indent."""
    room = max(20, width - indent)
    if not left or len(left) < indent:
        first, *rest = textwrap.wrap(text, room, break_on_hyphens=False) or [""]
        return [f"{left:<{indent}}{first}".rstrip(), *[" " * indent + line for line in rest]]
    overhang = " " * max(0, min(len(left) + 1 - indent, room - 10))  # what the left text takes of the first line
    first, *rest = textwrap.wrap(text, room, initial_indent=overhang, break_on_hyphens=False) or [""]
    return [f"{left} {first.lstrip()}".rstrip(), *[" " * indent + line for line in rest]]


# ---------------------------------------------------------------- cuts


FROM_MEMORY = "from memory"
"""Stands beside what a standard is said to name, and nobody has looked up."""


def cut_words(case: Case) -> str:
    """`100 ms`, `10 ms at 40 % (from memory)`: one cut as it is asked for."""
    level = f" at {case.level.text}" if case.level is not None else ""
    return f"{show_duration(case.off_for_ns)}{level}" + (f" ({FROM_MEMORY})" if case.from_memory else "")


def searched_words(search: Search) -> str:
    """`5 ms to 200 ms, in steps down to 4 ms`: where a search cuts."""
    span = f"{show_duration(search.shortest_ns)} to {show_duration(search.longest_ns)}"
    return f"{span}, searched to within {show_duration(search.resolution_ns)}"


def source_text(durations: NamedDurations) -> str:
    """Where the cuts of a scenario come from, and what that does not make of it."""
    return (
        f"{durations.name}: {durations.source}, {durations.edition}; {durations.note}; used as off times, which makes "
        "this no test to the standard"
    )
