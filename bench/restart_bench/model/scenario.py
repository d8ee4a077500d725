"""What a scenario is, once its file has been read: steps, one cut, and what is demanded afterwards.

Groups are expanded, defaults filled in, terminals found, durations in nanoseconds.
`suite/scenario_reader` reads these values from YAML.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from restart_bench.model.rig import Rig, Value, Wanted

Phase = Literal["before", "during", "after", "function check"]


@dataclass(frozen=True, slots=True)
class Press:
    """Leave idle, hold, return to idle."""

    point: str
    for_ns: int = 200_000_000


@dataclass(frozen=True, slots=True)
class Hold:
    """Out of idle until released, or to the end of the watch; of the function check where it is one of its steps."""

    point: str


@dataclass(frozen=True, slots=True)
class Release:
    """Back to idle."""

    point: str


@dataclass(frozen=True, slots=True)
class Write:
    """Write values; what is written stays written."""

    values: tuple[tuple[str, Value], ...]


@dataclass(frozen=True, slots=True)
class Expect:
    """All conditions must hold at one time within `within_ns`, and then unbroken for `steady_ns`.

    Each condition names the point as the file does; `judged` (same order) is the point that is read for it.
    """

    conditions: tuple[tuple[str, Wanted], ...]
    judged: tuple[str, ...]
    within_ns: int = 5_000_000_000
    steady_ns: int = 0


@dataclass(frozen=True, slots=True)
class Wait:
    """Let time pass."""

    for_ns: int


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask a person to do something and wait for the answer."""

    text: str


@dataclass(frozen=True, slots=True)
class ByEye:
    """A person says whether each of these is so."""

    conditions: tuple[tuple[str, Value], ...]


Action = Press | Hold | Release | Write | Expect | Wait | Ask | ByEye


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a phase. `index` counts from 0 within the phase; `text` is how it is shown."""

    phase: Phase
    index: int
    action: Action
    text: str
    line: int = 0


# ---------------------------------------------------------------- kinds of expectation


@dataclass(frozen=True, slots=True)
class ExpectationFacts:
    """What is so of all expectations of one kind. A new kind is a new entry of the table below, its judge
    (`judging/cycle.py`), how its keys are read (`suite/expectation_reader.py`) and its keys in the file's model
    (`suite/scenario_schema.py`). Tests ask for every column of every entry.

    `words` is how one is shown and known, `should` how a finding says what ought to have been; both are filled in with
    `wanted` and `longer_than`, the first with `window` and `until` too (which begin with a space where there are any),
    the second with `it`: nothing where the sentence has named the output already.
    """

    words: str
    should: str
    written: tuple[str, ...]  # keys of a file of which one makes an expectation of this kind
    keys: tuple[str, ...]  # keys that mean something beside it
    beside: tuple[str, ...] = ()  # kinds that may be demanded together with it
    forbids: bool = False  # what it names must never be seen; else nothing but that
    always: Wanted | None = None  # what it speaks of where no file names it
    counts_pulses: bool = False  # a deviation counts from a length on: short ones may hide between two reads
    through_the_dark: bool = False  # speaks of the time in which the controller is silent: needs independent I/O


class ExpectationKind(StrEnum):
    """`is`: the settled state, or within a time. `never`: must not be seen from the cut on. `stays`: never anything
    else. `returns` (never): may stay on through a dip, but once off it stays off."""

    IS = "is"
    NEVER = "never"
    STAYS = "stays"
    RETURNS = "returns"

    @property
    def facts(self) -> ExpectationFacts:
        """All that is known of this kind."""
        return EXPECTATION_KINDS[self]


EXPECTATION_KINDS: dict[ExpectationKind, ExpectationFacts] = {
    ExpectationKind.IS: ExpectationFacts(
        words="is {wanted}{window}{until}",
        should="should be {wanted}",
        written=("is", "one_of", "above", "below", "change"),
        keys=("within", "between", "blind", "until", "tolerance"),
        beside=("never",),
    ),
    ExpectationKind.NEVER: ExpectationFacts(
        words="never {wanted} for {longer_than} or longer{until}",
        should="{it}should never be {wanted} for {longer_than} or longer",
        written=("never",),
        keys=("longer_than", "until"),
        beside=("is",),
        forbids=True,
        counts_pulses=True,
        through_the_dark=True,
    ),
    ExpectationKind.STAYS: ExpectationFacts(
        words="stays {wanted}, deviations shorter than {longer_than} allowed",
        should="{it}should stay {wanted}",
        written=("stays",),
        keys=("longer_than", "tolerance"),
        counts_pulses=True,
        through_the_dark=True,
    ),
    ExpectationKind.RETURNS: ExpectationFacts(
        words="never returns without a command",
        should="once off it should stay off",
        written=("returns",),
        keys=(),
        forbids=True,
        always=Wanted(equals=True),
        counts_pulses=True,
        through_the_dark=True,
    ),
}
"""All that the bench has to know of each kind, in one place."""


# ---------------------------------------------------------------- what is demanded


@dataclass(frozen=True, slots=True)
class Window:
    """A span counted from a mark: surely met or surely broken only when the event's bounds say so."""

    not_before_ns: int
    not_after_ns: int | None


@dataclass(frozen=True, slots=True)
class Expectation:
    """One thing demanded of one point.

    `wanted` is what must hold, or, of a kind that forbids, what must not.
    `start` is `restored`, `ready`, or the name of a point (its first change to on after the restored supply);
    it only matters with a window. `until`: `watch` (its end) or `command` (the next press, write or ask; at
    least to the end of the watch, at most to the end of the cycle).
    """

    phase: Literal["during", "after"]
    point: str  # as the file names it
    judged: str  # whose trace is judged: its terminal where it has one
    kind: ExpectationKind
    wanted: Wanted
    window: Window | None = None
    start: str = "restored"
    until: Literal["watch", "command"] = "watch"
    longer_than_ns: int = 100_000_000
    blind_ns: int = 1_000_000_000
    text: str = ""  # "is off", "never on for 20 ms or longer": how it is shown and what it is known by
    line: int = 0

    def __post_init__(self) -> None:
        """Raises ValueError for a kind that there is not."""
        object.__setattr__(self, "kind", ExpectationKind(self.kind))
        if self.kind.facts.always is not None:
            object.__setattr__(self, "wanted", self.kind.facts.always)

    @property
    def demands_off(self) -> bool:
        """True where a point that is dead would conform: off is wanted, or on is forbidden."""
        wanted = self.wanted.equals
        return wanted is not None and bool(wanted) is self.kind.facts.forbids

    @property
    def demands_on(self) -> bool:
        """True where only a point that was seen on conforms."""
        return self.wanted.equals is True and not self.kind.facts.forbids


MARKS = (
    "cut", "dark", "restored", "refused", "accepted", "answered", "good", "alive", "ready", "settled", "end",
)  # fmt: skip
"""All marks of a cycle in their natural order."""


@dataclass(frozen=True, slots=True)
class MarkLimit:
    """`times:` - a mark, counted from the restored supply."""

    mark: str
    window: Window
    text: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """Between the first changes to on of two points after the restored supply."""

    first: str
    then: str
    first_judged: str
    then_judged: str
    at_least_ns: int | None = None
    at_most_ns: int | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class At:
    """When the cut falls after the last step of `before`: a fixed delay, or one drawn anew in each cycle."""

    low_ns: int = 0
    high_ns: int = 0  # above `low_ns`: random between the two

    @property
    def is_random(self) -> bool:
        """True where it is drawn."""
        return self.high_ns > self.low_ns


@dataclass(frozen=True, slots=True)
class Level:
    """Voltage of a dip, as a fraction of nominal or in volts."""

    volts: float | None = None
    fraction: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """A scenario with one value of each swept quantity. `name` is unique in the scenario: "off_for=3 s";
    "" where nothing is swept. `off_for_ns` is the time between the two commands. `from_memory`: a standard is said to
    name it, and nobody has looked that up."""

    name: str
    off_for_ns: int
    at: At = At()
    level: Level | None = None
    from_memory: bool = False


@dataclass(frozen=True, slots=True)
class NamedDurations:
    """The list of a standard that a scenario takes its cuts from: who says so, and which of its steps this rig can't
    do, with the reason."""

    name: str
    source: str
    edition: str
    note: str
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Search:
    """A search for the longest cut that is ridden through and the shortest that restarts, in nanoseconds: between which
    off times, how narrow a bracket is wanted, and how many cycles it may take."""

    shortest_ns: int
    longest_ns: int
    resolution_ns: int
    cycles: int


@dataclass(frozen=True, slots=True)
class Demonstration:
    """Reliability to be shown at a confidence, both as fractions."""

    reliability: float
    confidence: float
    inconclusive_at_most: int = 0


@dataclass(frozen=True, slots=True)
class Scenario:
    """One scenario on one rig."""

    name: str
    how: Literal["supply", "mode"]
    cases: tuple[Case, ...]
    before: tuple[Step, ...] = ()
    during: tuple[Expectation, ...] = ()  # each has to come true between `dark` and the command back
    after: tuple[Expectation, ...] = ()
    times: tuple[MarkLimit, ...] = ()
    gaps: tuple[Gap, ...] = ()
    function_check: tuple[Step, ...] = ()
    restart: Literal["required", "none", "either"] = "required"
    settle_ns: int = 0
    watch_ns: int = 10_000_000_000  # from `ready`; already lengthened to hold what is demanded from there
    watch_restored_ns: int = 0  # nor does the watch end sooner than this after the return: a window from there needs it
    repeat: int = 1
    demonstrate: Demonstration | None = None
    inconclusive_at_most: int = 0
    order: Literal["as written", "shuffled"] = "as written"
    durations: NamedDurations | None = None
    search: Search | None = None  # each cycle of the only case has an off time of its own; `repeat` is the most of them
    purpose: str = ""
    path: str = ""
    notes: tuple[str, ...] = field(default=())  # warnings of the loader, as `check` shows them


def off_expectations(rig: Rig, scenario: Scenario) -> Iterator[Expectation]:
    """Expectations of off that a dead channel would meet as well: on independent points and terminals (rule 9)."""
    for one in (*scenario.during, *scenario.after):
        seen_from_outside = rig.is_independent(one.judged) or rig.is_terminal(one.judged)
        if rig.points[one.judged].is_boolean and one.demands_off and seen_from_outside:
            yield one


def proven_channel(rig: Rig, one: Expectation) -> str | None:
    """What the rig file says has shown that the channel of an expectation works."""
    return rig.points[one.point].proven or rig.points[one.judged].proven
