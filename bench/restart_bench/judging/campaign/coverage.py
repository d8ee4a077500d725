"""What was played of all that the scenarios name: start states and instants down, cuts across. Made of scenarios and
judged cycles alone; without cycles it says what they will play, so that `check`, console, record and machines tell the
same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from restart_bench.model.scenario import At, Case, Expect, Level, Scenario, Search, Step
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import WORST_FIRST, Verdict
from restart_bench.model.wording import counted, show_wanted, some

if TYPE_CHECKING:
    from restart_bench.model.journal import CycleJudged


@dataclass(frozen=True, slots=True)
class Start:
    """From where it is cut: the state that the steps before bring about, in words, and the instant after the last of
    them."""

    state: str
    at: At


@dataclass(frozen=True, slots=True)
class Cut:
    """What is taken away, for how long, down to which level; `search`: for a time of its own in each cycle."""

    how: str
    off_for_ns: int
    level: Level | None
    search: Search | None

    def order(self) -> tuple[bool, bool, int, str]:
        """Supplies first, single off times before searches, short before long."""
        return self.how != "supply", self.search is not None, self.off_for_ns, self.level.text if self.level else ""


@dataclass(frozen=True, slots=True)
class Played:
    """One combination that scenarios ask for: how many cycles of it are asked for, how many were valid tests, and how
    often each verdict came, the worst first (errors included)."""

    asked: int
    valid: int
    verdicts: dict[Verdict, int]

    @property
    def is_whole(self) -> bool:
        """True where all that is asked for was played."""
        return self.valid >= self.asked

    @property
    def verdict(self) -> Verdict | None:
        """The worst of its cycles; None where there was none."""
        return next(iter(self.verdicts), None)


@dataclass(frozen=True, slots=True)
class Coverage:
    """All starts and all cuts that scenarios name. `played` holds the combinations that they ask for, by their places
    among the two; the others are in no scenario."""

    starts: tuple[Start, ...]
    cuts: tuple[Cut, ...]
    played: dict[tuple[int, int], Played]

    @property
    def combinations(self) -> int:
        """Each start with each cut."""
        return len(self.starts) * len(self.cuts)

    @property
    def instants(self) -> int:
        """How many instants there are; where it is one, nothing is said of it."""
        return len({one.at for one in self.starts})

    @property
    def is_map(self) -> bool:
        """False where one combination is all that is asked for."""
        return len(self.played) > 1

    def in_no_scenario(self) -> Iterator[tuple[int, int]]:
        """Places of the combinations that nobody asks for."""
        places = product(range(len(self.starts)), range(len(self.cuts)))
        return (place for place in places if place not in self.played)


def coverage_of(scenarios: Sequence[Scenario], cycles: Sequence[CycleJudged] = ()) -> Coverage:
    """What these cycles played of what the scenarios ask for."""
    states = _state_names(scenarios)
    every = [(scenario, case) for scenario in scenarios for case in scenario.cases]
    instants = sorted({case.at for _, case in every}, key=lambda at: (at.low_ns, at.high_ns))
    starts = tuple(Start(name, at) for name in dict.fromkeys(states.values()) for at in instants)
    cuts = tuple(sorted({_cut(*one) for one in every}, key=Cut.order))
    found: dict[tuple[int, int], Played] = {}
    for scenario, case in every:
        place = starts.index(Start(states[scenario.name], case.at)), cuts.index(_cut(scenario, case))
        found[place] = _added(found.get(place), _played(scenario, case, cycles))
    return Coverage(starts, cuts, found)


def _cut(scenario: Scenario, case: Case) -> Cut:
    return Cut(scenario.how, case.off_for_ns, case.level, scenario.search)


def _played(scenario: Scenario, case: Case, cycles: Sequence[CycleJudged]) -> Played:
    mine = [one for one in cycles if (one.scenario, one.case) == (scenario.name, case.name)]
    valid = sum(one.is_test for one in mine)
    asked = max(1, valid) if mine and _is_over(scenario, mine) else scenario.repeat
    return Played(asked, valid, {word: number for word in WORST_FIRST if (number := _number(mine, word))})


def _is_over(scenario: Scenario, cycles: Sequence[CycleJudged]) -> bool:
    """True of a search that needs no more cycles."""
    if scenario.search is None:
        return False
    from restart_bench.judging.campaign.ride_through import search_found  # numpy, for searches alone

    found = search_found(scenario, cycles)
    return found is not None and found.over is not None


def _number(cycles: Sequence[CycleJudged], word: Verdict) -> int:
    return sum(one.verdict is word for one in cycles)


def _added(one: Played | None, other: Played) -> Played:
    """Both together: two scenarios may ask for the same combination."""
    if one is None:
        return other
    verdicts = {word: one.verdicts.get(word, 0) + other.verdicts.get(word, 0) for word in WORST_FIRST}
    told = {word: number for word, number in verdicts.items() if number}
    return Played(one.asked + other.asked, one.valid + other.valid, told)


# ---------------------------------------------------------------- words


def _state_names(scenarios: Sequence[Scenario]) -> dict[str, str]:
    """The start state of each scenario by its name; those that begin alike have the same. Where other steps lead to the
    same words, they bear the scenario's name."""
    names: dict[tuple[object, ...], str] = {}
    found = {}
    for scenario in scenarios:
        key = tuple(step.action for step in scenario.before)
        if key not in names:
            name = _state_words(scenario.before)
            names[key] = f"{name} ({scenario.name})" if name in names.values() else name
        found[scenario.name] = names[key]
    return found


def _state_words(before: Sequence[Step]) -> str:
    """`auger, fan on`: what is waited for last before the cut; else the last step, or that nothing is done."""
    waited = next((step.action for step in reversed(before) if isinstance(step.action, Expect)), None)
    if waited is None:
        return f"after: {before[-1].text}" if before else "as it runs"
    alike: dict[str, list[str]] = {}
    for name, wanted in waited.conditions:
        alike.setdefault(show_wanted(wanted), []).append(name)
    return "; ".join(f"{', '.join(names)} {wanted}" for wanted, names in alike.items())


def instant_words(at: At) -> str:
    """`at once`, `100 ms later`, `0 s to 50 ms later, drawn`: when it is cut."""
    if at.is_random:
        return f"{show_duration(at.low_ns)} to {show_duration(at.high_ns)} later, drawn"
    return f"{show_duration(at.low_ns)} later" if at.low_ns else "at once"


def cut_name(cut: Cut) -> str:
    """`off 3 s`, `at 40 % for 20 ms`, `out of run mode 2 s`, `off 5 ms to 200 ms, searched`."""
    length = show_duration(cut.off_for_ns)
    if cut.search is not None:
        length = f"{show_duration(cut.search.shortest_ns)} to {show_duration(cut.search.longest_ns)}, searched"
    if cut.how == "mode":
        return f"out of run mode {length}"
    return f"off {length}" if cut.level is None else f"at {cut.level.text} for {length}"


START_MEANS = "a start is told by what its steps wait for; of other outputs it says nothing"


def start_name(coverage: Coverage, start: Start) -> str:
    """`fan on`, with the instant where there are several."""
    return f"{start.state}, {instant_words(start.at)}" if coverage.instants > 1 else start.state


def place_name(coverage: Coverage, place: tuple[int, int]) -> str:
    """`fan on: off 3 s`."""
    return f"{start_name(coverage, coverage.starts[place[0]])}: {cut_name(coverage.cuts[place[1]])}"


def valid_words(one: Played) -> str:
    """`3 of 20`: valid cycles of those that are asked for."""
    return f"{one.valid} of {one.asked}"


def axes_words(coverage: Coverage) -> str:
    """`7 start states, 2 instants and 3 cuts`."""
    states = counted(len({one.state for one in coverage.starts}), "start state")
    cuts = counted(len(coverage.cuts), "cut")
    return f"{states}, {coverage.instants} instants and {cuts}" if coverage.instants > 1 else f"{states} and {cuts}"


MOST_NAMED, MOST_CUTS = 3, 6


def left_out_words(coverage: Coverage) -> str:
    """The combinations that no scenario asks for, in a sentence: by name where they are few, else from how many start
    states each cut is tried; "" where there are none."""
    left = [place_name(coverage, place) for place in coverage.in_no_scenario()]
    if not left:
        return ""
    states = len({one.state for one in coverage.starts})
    told = some(left, MOST_NAMED) if len(left) <= MOST_NAMED or states == 1 else _tried_from(coverage, states)
    are = "is" if len(left) == 1 else "are"
    return f"{len(left)} of {coverage.combinations} combinations ({axes_words(coverage)}) {are} in no scenario: {told}."


def _tried_from(coverage: Coverage, states: int) -> str:
    """`off 2 s is tried from 6 of 7 start states, off 20 ms from 1`."""
    found = []
    for place, cut in enumerate(coverage.cuts[:MOST_CUTS]):
        tried = len({coverage.starts[row].state for row, column in coverage.played if column == place})
        first = f"is tried from {tried} of {states} start states"
        found.append(f"{cut_name(cut)} {f'from {tried}' if place else first}")
    others = len(coverage.cuts) - MOST_CUTS
    return ", ".join(found) + (f" (and {counted(others, 'more cut')})" if others > 0 else "")


def played_words(coverage: Coverage) -> str:
    """How much of what is asked for was played, in a sentence."""
    asked = coverage.played
    open_yet = [f"{place_name(coverage, at)} ({valid_words(one)})" for at, one in asked.items() if not one.is_whole]
    cycles = counted(sum(one.valid for one in asked.values()), "valid cycle")
    what = f"{len(asked)} combinations of start state, instant and cut that are asked for were played"
    if not open_yet:
        return f"All {what}: {cycles}."
    return (
        f"{len(asked) - len(open_yet)} of the {what}, in {cycles}; not yet, or with too few valid cycles: "
        f"{some(open_yet, MOST_NAMED)}."
    )
