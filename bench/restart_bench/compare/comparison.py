"""What changed between two runs: behaviours, verdicts, times, proportions. Pure: facts in, differences out.

Two kinds of statement are kept apart. What the cycles show is a fact (a verdict, or a behaviour that replaced
another in all cycles). What could be chance is tested; all tests of one comparison form one family, and the chance
to call anything different in two runs of one program is at most 1 % over the whole family (Holm's method).
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import statistics as plain_statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal, NamedTuple

from restart_bench.compare.significance import fisher, hodges_lehmann, holm, mann_whitney
from restart_bench.model.clock import NS_PER_MS
from restart_bench.model.journal import CycleJudged, OutputSeen, ScenarioJudged
from restart_bench.model.verdicts import EXIT_FAIL, Verdict, exit_of, worst
from restart_bench.model.wording import (
    STAYS_OFF,
    at_least,
    bounds_text,
    case_name,
    counted,
    cycles_text,
    restart_word,
)

FAMILY_ERROR = 0.01
"""Chance to call anything different by chance alone, over all tests of one comparison."""

ALIKE = 0.5
"""Share of equal lines above which two files of different names count as editions of one."""

COUNTED_FROM = {"dark": "cut", "answered": "restored", "good": "restored", "ready": "restored"}
"""Marks whose times are compared, and the mark that each counts from."""

DifferenceKind = Literal["behaviour", "verdict", "time", "proportion", "search"]
NotComparedKind = Literal["run", "scenario", "case", "behaviour", "verdict", "time", "search"]


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What a comparison knows of a run. `inputs`: text of its input files by name; `program`: what the points that
    identify the program were read as. `ridden`: by searching scenario, between which off times (ns) riding through
    ends; None where every cut was ridden through. `model`: name and text of the program model of a simulated run."""

    id: str
    rig: str
    cycles: tuple[CycleJudged, ...]
    scenarios: tuple[ScenarioJudged, ...] = ()
    simulated: bool = False
    program: dict[str, tuple[float, ...]] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    ridden: dict[str, tuple[int, int | None]] = field(default_factory=dict)
    model: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that differs. `what` is how people read it, and nothing is to be taken from its words: it is about a
    `point`, or about the time of a `mark`, and both are "" for all of a scenario. `cycles` are those of the later run
    that prove it. `worse` is None where neither side is better in itself. `figures`: `p` (adjusted for the family), and
    for times `shift_ns` [low, middle, high]. `unshown`: what passed before and is not shown now has this verdict;
    nobody can say whether it got worse.
    """

    kind: DifferenceKind
    scenario: str
    case: str
    what: str  # "burner: is off", "ready"
    before: str
    after: str
    worse: bool | None
    cycles: tuple[int, ...] = ()
    figures: dict[str, Any] = field(default_factory=dict)
    unshown: Verdict | None = None
    point: str = ""
    mark: str = ""

    @property
    def text(self) -> str:
        """One line for people."""
        proof = f" ({cycles_text(self.cycles)})" if self.cycles else ""
        return f"{case_name(self.scenario, self.case)}: {self.what}: {self.before} -> {self.after}{proof}"


@dataclass(frozen=True, slots=True)
class NotCompared:
    """What could not be compared, and why. `what` is how people read it; what it is about is said by `kind`, `scenario`
    ("" for the runs as a whole) and `case`."""

    kind: NotComparedKind
    scenario: str
    case: str
    what: str
    reason: str

    @property
    def text(self) -> str:
        """One line for people."""
        return f"{self.what}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that a comparison found. `program_changed` is None where neither the program's identity nor its
    file is known in both runs. `diffs` are unified diffs of input files, by name. `notes` say what chance can
    explain and how the family of tests was treated. `apart`: times that lie far apart in too few cycles for a test."""

    baseline: str
    run: str
    differences: tuple[Difference, ...]
    not_compared: tuple[NotCompared, ...]
    notes: tuple[str, ...]
    program_changed: bool | None
    program: tuple[str, str]
    diffs: dict[str, str]
    apart: tuple[Difference, ...] = ()

    @property
    def worse(self) -> bool:
        """True where something got worse."""
        return any(difference.worse for difference in self.differences)

    @property
    def exit_code(self) -> int:
        """1 where something got worse, else that of what passed before and is not shown now, else 0."""
        if self.worse:
            return EXIT_FAIL
        return exit_of(worst(one.unshown for one in self.differences if one.unshown is not None))


@dataclass(frozen=True, slots=True)
class _Test:
    """A test with its p-value, and the difference that stands if the family lets it, else the note."""

    p: float
    least_p: float  # smallest that this many cycles can give
    difference: Difference
    note: str = ""
    spans: tuple[list[tuple[int, int]], list[tuple[int, int]]] | None = None  # of a time, in both runs


FindingKey = tuple[str, str, str, str]  # scenario, case, point, expectation


def compare(baseline: RunFacts, run: RunFacts) -> Comparison:
    """Compare a run with a baseline."""
    not_compared = _whole_runs(baseline, run)
    facts: list[Difference] = []
    tests: list[_Test] = []
    timed, apart = _times(baseline, run)
    for found, tried, left_out in (
        _behaviours(baseline, run),
        _verdicts(baseline, run),
        timed,
        _searches(baseline, run),
    ):
        facts += found
        tests += tried
        not_compared += left_out
    stand, notes = _family(tests)
    changed, shown = _program(baseline, run)
    return Comparison(
        baseline.id,
        run.id,
        tuple(sorted([*facts, *stand], key=lambda d: (not d.worse, d.kind, d.scenario, d.case, d.what))),
        tuple(dict.fromkeys(not_compared)),
        tuple(notes),
        changed,
        shown,
        _diffs(baseline.inputs, run.inputs),
        tuple(apart),
    )


_Found = tuple[list[Difference], list[_Test], list[NotCompared]]


# ---------------------------------------------------------------- the runs as a whole


def _whole_runs(baseline: RunFacts, run: RunFacts) -> list[NotCompared]:
    said: list[NotCompared] = []
    if baseline.rig != run.rig:
        reason = "times also tell the rigs apart, not the programs alone"
        said.append(NotCompared("run", "", "", f"different rigs ({baseline.rig}, {run.rig})", reason))
    if baseline.simulated != run.simulated:
        what = "one run was simulated and the other was not"
        said.append(NotCompared("run", "", "", what, "times were not compared"))
    for side, other in ((baseline, run), (run, baseline)):
        only = {cycle.scenario for cycle in side.cycles} - {cycle.scenario for cycle in other.cycles}
        said += [NotCompared("scenario", one, "", f"scenario {one}", f"only in {side.id}") for one in sorted(only)]
    return said


def _valid(facts: RunFacts) -> list[CycleJudged]:
    """Cycles that say something about the controller."""
    return [cycle for cycle in facts.cycles if cycle.verdict is not Verdict.ERROR]


def _shared_cases(baseline: RunFacts, run: RunFacts) -> set[tuple[str, str]]:
    return {(c.scenario, c.case) for c in baseline.cycles} & {(c.scenario, c.case) for c in run.cycles}


# ---------------------------------------------------------------- behaviours


_A_WHILE_NS = 100_000_000
"""What goes off so soon after the return was not on for a while: contacts and reads are no faster."""


def behaviour(seen: OutputSeen, *, rode_through: bool = False) -> str | None:
    """What an output or a value did over the restart, in words; None where the evidence does not show it.
    `rode_through`: the controller was shown not to have restarted, so nothing went off and came back unseen."""
    stayed = seen.at_loss is True or rode_through
    before, settled = seen.before, seen.settled if seen.settled is not None else seen.at_end
    if before is None or settled is None:
        return None
    if seen.settled is None and seen.changes > 1:
        return "changes more than once"
    late = seen.delay_ns is None or seen.delay_ns[0] > _A_WHILE_NS
    if settled is False and ((seen.at_return is True and late) or seen.changes > 1):
        return "is on for a while, then off"
    if isinstance(before, bool) and isinstance(settled, bool):
        return restart_word(before, ends_on=settled, never_off=stayed and not seen.dropped and not seen.changes)
    if before == settled:
        return "keeps its value"
    return "falls to 0" if settled == 0 else "takes another value"


def _behaviour_table(facts: RunFacts) -> dict[tuple[str, str, str], dict[str, list[int]]]:
    """(scenario, case, point) -> behaviour -> cycles that show it."""
    table: dict[tuple[str, str, str], dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for cycle in _valid(facts):
        for seen in cycle.outputs:
            word = behaviour(seen, rode_through=cycle.restarted is False)
            if word is not None:
                table[cycle.scenario, cycle.case, seen.point][word].append(cycle.cycle)
    return table


def _behaviours(baseline: RunFacts, run: RunFacts) -> _Found:
    old, new = _behaviour_table(baseline), _behaviour_table(run)
    failed, unshown = _failing_more(baseline, run), _unshown(baseline, run)
    shared = _shared_cases(baseline, run)
    facts: list[Difference] = []
    tests: list[_Test] = []
    silent: list[NotCompared] = []
    for key in sorted(old.keys() | new.keys()):
        scenario, case, point = key
        if (scenario, case) not in shared:
            continue
        if key not in old or key not in new:
            missing = baseline.id if key not in old else run.id
            what, reason = f"{case_name(scenario, case)}: {point}", f"what it does was not seen in {missing}"
            silent.append(NotCompared("behaviour", scenario, case, what, reason))
            continue
        before, after = old[key], new[key]
        gone = key in unshown and set(after) == {STAYS_OFF} and STAYS_OFF not in before
        worse = True if key in failed or gone else None
        if not before.keys() & after.keys():
            proof = tuple(sorted(cycle for cycles in after.values() for cycle in cycles))
            words = _words(before), _words(after)
            facts.append(Difference("behaviour", scenario, case, point, *words, worse, proof, point=point))
        elif len(before.keys() | after.keys()) > 1:
            tests += _behaviour_tests(key, before, after, worse)
    return facts, tests, silent


def _failing_more(baseline: RunFacts, run: RunFacts) -> set[tuple[str, str, str]]:
    """(scenario, case, point) of which a demand fails now in more of what was shown than it did before."""
    old, new = _by_expectation(baseline), _by_expectation(run)
    of_points: dict[tuple[str, str, str], float] = defaultdict(float)  # what a demand that was edited is held against
    for key, verdicts in old.items():
        of_points[key[:3]] = max(of_points[key[:3]], _share_of_fails(verdicts))
    before = {key: _share_of_fails(old[key]) if key in old else of_points[key[:3]] for key in new}
    return {key[:3] for key in new if _share_of_fails(new[key]) > before[key]}


def _share_of_fails(verdicts: Mapping[Verdict, list[int]]) -> float:
    fails, passes = (len(verdicts.get(word, ())) for word in (Verdict.FAIL, Verdict.PASS))
    return fails / (fails + passes) if fails else 0.0


def _unshown(baseline: RunFacts, run: RunFacts) -> set[tuple[str, str, str]]:
    """(scenario, case, point) of which a demand passed before and is not shown now."""
    old, new = _by_expectation(baseline), _by_expectation(run)
    shared = old.keys() & new.keys()
    lost = Verdict.PASS, Verdict.INCONCLUSIVE
    keys = [key for key in shared if (_over_cycles(old[key]), _over_cycles(new[key])) == lost]
    return {(scenario, case, point) for scenario, case, point, _ in keys}


def _behaviour_tests(
    key: tuple[str, str, str], before: Mapping[str, list[int]], after: Mapping[str, list[int]], worse: bool | None
) -> list[_Test]:
    """One test a behaviour: was it seen more often, or less, than chance explains?"""
    scenario, case, point = key
    totals = sum(map(len, before.values())), sum(map(len, after.values()))
    tests: list[_Test] = []
    for word in sorted(before.keys() | after.keys()):
        counts = len(before.get(word, ())), len(after.get(word, ()))
        shown = tuple(f"{word} in {count} of {total}" for count, total in zip(counts, totals, strict=True))
        cycles = tuple(after.get(word, ()))
        difference = Difference("behaviour", scenario, case, point, shown[0], shown[1], worse, cycles, point=point)
        tests.append(_fisher_test(counts, totals, difference))
    return tests


def _words(table: Mapping[str, list[int]]) -> str:
    return ", ".join(f"{word} in {len(cycles)} of {sum(map(len, table.values()))}" for word, cycles in table.items())


# ---------------------------------------------------------------- verdicts and proportions


def _by_expectation(facts: RunFacts) -> dict[FindingKey, dict[Verdict, list[int]]]:
    table: dict[FindingKey, dict[Verdict, list[int]]] = defaultdict(lambda: defaultdict(list))
    for cycle in _valid(facts):
        for finding in cycle.findings:
            key = (cycle.scenario, cycle.case, finding.point, finding.expectation)
            table[key][finding.verdict].append(cycle.cycle)
    return table


def _verdicts(baseline: RunFacts, run: RunFacts) -> _Found:
    old, new = _by_expectation(baseline), _by_expectation(run)
    shared = _shared_cases(baseline, run)
    facts: list[Difference] = []
    tests: list[_Test] = []
    said: list[NotCompared] = []
    explained: set[str] = set()
    passed = {one.scenario for one in baseline.scenarios if one.verdict is Verdict.PASS}
    valid = {(cycle.scenario, cycle.case) for cycle in _valid(run)}
    not_begun = {one.scenario for one in run.scenarios} - {cycle.scenario for cycle in run.cycles}
    for key in sorted(old.keys() | new.keys()):
        scenario, case, point, expectation = key
        what = f"{point}: {expectation}" if point else expectation
        where, only = case_name(scenario, case), f"only in {baseline.id if key in old else run.id}"
        gone = (scenario, case) not in valid and ((scenario, case) in shared or scenario in not_begun)
        if gone and scenario not in passed and _over_cycles(old[key]) is Verdict.PASS:  # else the scenario tells it
            begun = scenario not in not_begun
            word, why = (Verdict.ERROR, "no valid cycle") if begun else (Verdict.INCONCLUSIVE, "not begun")
            shown = f"{Verdict.PASS}", f"{word} ({why})"
            facts.append(Difference("verdict", scenario, case, what, *shown, None, point=point, unshown=word))
        elif (scenario, case) not in shared:
            said.append(NotCompared("case", scenario, case, where, only))
        elif key not in old or key not in new:
            said.append(NotCompared("verdict", scenario, case, f"{where}: {what}", only))
        else:
            found = _one_verdict(key, what, old[key], new[key])
            facts += found[0]
            tests += found[1]
            said += found[2]
            explained |= {scenario for one in found[0] if one.unshown is None}
    return facts + _whole_scenarios(baseline, run, explained), tests, said


def _one_verdict(
    key: FindingKey, what: str, old: Mapping[Verdict, list[int]], new: Mapping[Verdict, list[int]]
) -> _Found:
    scenario, case, point, _ = key
    before, after = _over_cycles(old), _over_cycles(new)
    fails = len(old.get(Verdict.FAIL, ())), len(new.get(Verdict.FAIL, ()))
    totals = fails[0] + len(old.get(Verdict.PASS, ())), fails[1] + len(new.get(Verdict.PASS, ()))
    shown = [f"{word} ({count} of {n} failed)" for word, count, n in zip((before, after), fails, totals, strict=True)]
    told = partial(Difference, "verdict", scenario, case, what, point=point)
    left_out = partial(NotCompared, "verdict", scenario, case, f"{case_name(scenario, case)}: {what}")
    if after is Verdict.INCONCLUSIVE and before is Verdict.PASS:
        return [told(shown[0], f"{after}", None, tuple(new[Verdict.INCONCLUSIVE]), unshown=after)], [], []
    if after is Verdict.INCONCLUSIVE and before is not Verdict.INCONCLUSIVE:
        return [], [], [left_out(f"was {before}, is not shown either way now")]
    if before is Verdict.INCONCLUSIVE and after is Verdict.PASS:
        return [], [], [left_out("was not shown either way, passes now")]
    cycles = tuple(new.get(Verdict.FAIL, ()) or new.get(Verdict.PASS, ()))
    if before is not after:
        figures = {"p": _fisher_p(fails, totals)} if min(totals) else {}
        return [told(shown[0], shown[1], after is Verdict.FAIL, cycles, figures)], [], []
    if after is not Verdict.FAIL or not min(totals):
        return [], [], []
    more = fails[1] * totals[0] > fails[0] * totals[1]
    rates = tuple(f"fails in {count} of {n}" for count, n in zip(fails, totals, strict=True))
    difference = Difference("proportion", scenario, case, what, rates[0], rates[1], more, cycles, point=point)
    return [], [_fisher_test(fails, totals, difference)], []


def _over_cycles(verdicts: Mapping[Verdict, list[int]]) -> Verdict:
    """Verdicts overwrite upward."""
    return worst(verdict for verdict, cycles in verdicts.items() if cycles)


def _whole_scenarios(baseline: RunFacts, run: RunFacts, explained: set[str]) -> list[Difference]:
    """Verdicts of whole scenarios that changed without any expectation that explains it."""
    old = {scenario.scenario: scenario for scenario in baseline.scenarios}
    found: list[Difference] = []
    for new in run.scenarios:
        was = old.get(new.scenario)
        if was is None or was.verdict is new.verdict or new.scenario in explained:
            continue
        worse = True if new.verdict is Verdict.FAIL else None
        unshown = new.verdict if was.verdict is Verdict.PASS and not worse else None
        after = f"{new.verdict} ({new.reason})" if new.reason else f"{new.verdict}"
        what = "the scenario"
        found.append(Difference("verdict", new.scenario, "", what, f"{was.verdict}", after, worse, unshown=unshown))
    return found


# ---------------------------------------------------------------- times

Spans = list[tuple[int, int]]  # shortest and longest, ns


class _Time(NamedTuple):
    """Which time of a case is compared: how people read it, and the point or the mark that it is of."""

    scenario: str
    case: str
    what: str
    point: str = ""
    mark: str = ""

    def told(self, before: str, after: str, worse: bool | None, cycles: tuple[int, ...] = ()) -> Difference:
        return Difference("time", *self[:3], before, after, worse, cycles, point=self.point, mark=self.mark)


def _time_table(facts: RunFacts) -> dict[_Time, tuple[Spans, list[int]]]:
    """Times with bounds, and the cycles that they are from."""
    table: dict[_Time, tuple[Spans, list[int]]] = defaultdict(lambda: ([], []))
    for cycle in _valid(facts):
        for time, (low, high) in _times_of(cycle):
            spans, cycles = table[time]
            spans.append((low, high))
            cycles.append(cycle.cycle)
    return table


def _times_of(cycle: CycleJudged) -> Iterable[tuple[_Time, tuple[int, int]]]:
    of = cycle.scenario, cycle.case
    for name, start in COUNTED_FROM.items():
        mark, zero = cycle.mark(name), cycle.mark(start)
        if mark is not None and zero is not None:
            yield _Time(*of, f"{name} after {start}", mark=name), mark.since(zero)
    for seen in cycle.outputs:
        if seen.delay_ns is not None:
            yield _Time(*of, f"{seen.point} as it settles", point=seen.point), seen.delay_ns


def _times(baseline: RunFacts, run: RunFacts) -> tuple[_Found, list[Difference]]:
    """Tests, and what has too few cycles for one; of that side by side what lies far apart all the same."""
    tests: list[_Test] = []
    said: list[NotCompared] = []
    apart: list[Difference] = []
    old, new = (_time_table(one) if baseline.simulated == run.simulated else {} for one in (baseline, run))
    for key in sorted(old.keys() & new.keys()):
        (before, _), (after, cycles) = old[key], new[key]
        least = 2 / math.comb(len(before) + len(after), len(after))
        if least <= FAMILY_ERROR:
            tests.append(_time_test(key, before, after, tuple(cycles), least))
            continue
        what, reason = f"{case_name(*key[:2])}: time of {key.what}", f"too few cycles ({len(before)} and {len(after)})"
        said.append(NotCompared("time", *key[:2], what, reason))
        first, then = ((min(low for low, _ in spans), max(high for _, high in spans)) for spans in (before, after))
        if _far_apart(first, then):
            counts = f"{len(before)} and {counted(len(after), 'cycle')}"
            apart.append(key.told(bounds_text(first), f"{bounds_text(then)} ({counts})", None))
    return ([], tests, said), apart


def _far_apart(one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Further than both are wide, twice over."""
    gap = max(other[0] - one[1], one[0] - other[1])
    return gap > 2 * (one[1] - one[0] + other[1] - other[0])


def _time_test(key: _Time, before: Spans, after: Spans, cycles: tuple[int, ...], least_p: float) -> _Test:
    """Surely later, or surely earlier, whatever instants within their bounds the events had: the earliest ends of
    the one run are held against the latest ends of the other."""
    (low, high), (low_after, high_after) = zip(*before, strict=True), zip(*after, strict=True)
    surely_later = mann_whitney(low_after, high, "greater")[1]
    surely_earlier = mann_whitney(high_after, low, "less")[1]
    difference = key.told("", "", surely_later < surely_earlier, cycles)
    return _Test(min(1.0, 2 * min(surely_later, surely_earlier)), least_p, difference, spans=(before, after))


def _with_shift(difference: Difference, before: Spans, after: Spans) -> Difference:
    """The difference with its size: the Hodges-Lehmann shift of the middles, and the interval that the bounds
    leave of it."""
    confidence = 1 - FAMILY_ERROR
    (low, high), (low_after, high_after) = zip(*before, strict=True), zip(*after, strict=True)
    shift = hodges_lehmann(_middles(before), _middles(after), confidence).shift
    least = hodges_lehmann(high, low_after, confidence).low
    most = hodges_lehmann(low, high_after, confidence).high
    word = "later" if shift > 0 else "earlier"
    interval = f"{_ms(least, '+')} to {_ms(most, '+')} ms at {confidence * 100:g} %"
    return dataclasses.replace(
        difference,
        before=f"{_ms(plain_statistics.median(_middles(before)))} ms",
        after=f"{_ms(plain_statistics.median(_middles(after)))} ms, {_ms(abs(shift))} ms {word} ({interval})",
        figures={"shift_ns": [least, shift, most], "confidence": confidence},
    )


def _ms(ns: float | None, sign: str = "") -> str:
    return "unknown" if ns is None else f"{ns / NS_PER_MS:{sign}.1f}"


def _middles(spans: Spans) -> list[float]:
    return [(low + high) / 2 for low, high in spans]


# ---------------------------------------------------------------- searches


def _searches(baseline: RunFacts, run: RunFacts) -> _Found:
    """Where riding through ends: another length is shown where the two brackets have no off time in common."""
    if baseline.simulated != run.simulated:
        return [], [], []
    facts: list[Difference] = []
    said: list[NotCompared] = []
    for scenario in sorted(baseline.ridden.keys() & run.ridden.keys()):
        (low, high), (low_after, high_after) = baseline.ridden[scenario], run.ridden[scenario]
        shorter = high_after is not None and high_after < low
        longer = high is not None and high < low_after
        shown = _ridden_text(low, high), _ridden_text(low_after, high_after)
        what = "riding through ends"
        if shorter or longer:
            figures = {"before_ns": [low, high], "after_ns": [low_after, high_after]}
            facts.append(Difference("search", scenario, "", what, *shown, shorter, figures=figures))
        else:
            what = f"{scenario}, {what} {shown[0]}, then {shown[1]}"
            said.append(NotCompared("search", scenario, "", what, "these have off times in common"))
    return facts, [], said


def _ridden_text(low: int, high: int | None) -> str:
    return f"above {at_least(low)}" if high is None else f"at {bounds_text((low, high))}"


# ---------------------------------------------------------------- one family of tests


def _family(tests: Sequence[_Test]) -> tuple[list[Difference], list[str]]:
    """Holm (1979), Scand. J. Stat. 6:65-70, over all tests that their number of cycles lets succeed at all
    (Tarone 1990, Biometrics 46:515-522: those that can't are left out without raising the error)."""
    able = [test for test in tests if test.least_p <= FAMILY_ERROR]
    stand: list[Difference] = []
    notes = [test.note for test in tests if test.least_p > FAMILY_ERROR and test.note]
    for test, p in zip(able, holm([test.p for test in able]), strict=True):
        if p > FAMILY_ERROR:
            notes += [test.note] if test.note else []
            continue
        difference = test.difference if test.spans is None else _with_shift(test.difference, *test.spans)
        stand.append(dataclasses.replace(difference, figures={**difference.figures, "p": p}))
    if able:
        notes.append(
            f"{len(able)} tests formed one family (Mann-Whitney on times, Fisher on counts, Holm's method): the chance "
            f"to call anything different where nothing is, is at most {FAMILY_ERROR * 100:g} % over all of them"
        )
    return stand, notes


def _fisher_test(counts: tuple[int, int], totals: tuple[int, int], difference: Difference) -> _Test:
    alike = counts[0] * totals[1] == counts[1] * totals[0]
    note = "" if alike else f"{difference.text}: chance alone can explain this"
    return _Test(_fisher_p(counts, totals), _least_fisher_p(counts, totals), difference, note)


def _fisher_p(counts: tuple[int, int], totals: tuple[int, int]) -> float:
    """Two-sided p for `counts` of `totals` in two runs."""
    return fisher(((counts[0], totals[0] - counts[0]), (counts[1], totals[1] - counts[1])))


def _least_fisher_p(counts: tuple[int, int], totals: tuple[int, int]) -> float:
    """A lower limit of the p that these totals can give: the chance of the most one-sided table with them."""
    both, all_of = sum(counts), math.comb(sum(totals), sum(counts))
    ends = {max(0, both - totals[1]), min(both, totals[0])}
    return min(math.comb(totals[0], k) * math.comb(totals[1], both - k) / all_of for k in ends)


# ---------------------------------------------------------------- program and files


def _program(baseline: RunFacts, run: RunFacts) -> tuple[bool | None, tuple[str, str]]:
    shown = (_identity(baseline.program), _identity(run.program))
    shared = baseline.program.keys() & run.program.keys()
    if not shared and baseline.model is not None and run.model is not None:
        (name, text), (name_after, text_after) = baseline.model, run.model
        changed = text != text_after
        return changed, (f"model {name}", f"model {name_after}" + (" with other text" if changed else ""))
    if not shared:
        return None, shown
    return any(baseline.program[name] != run.program[name] for name in shared), shown


def _identity(program: Mapping[str, tuple[float, ...]]) -> str:
    if not program:
        return "not read"
    return ", ".join(f"{name} = {' then '.join(f'{v:g}' for v in values)}" for name, values in sorted(program.items()))


def _diffs(old: Mapping[str, str], new: Mapping[str, str]) -> dict[str, str]:
    """Unified diffs of files that differ, or that only one run has. A file that has another name in the other run
    is held against its counterpart."""
    diffs: dict[str, str] = {}
    for name, other in _counterparts(old, new):
        before, after = old.get(name, "").splitlines(), new.get(other, "").splitlines()
        lines = list(difflib.unified_diff(before, after, f"baseline/{name}", f"run/{other}", lineterm=""))
        if lines:
            diffs[name if name == other else f"{name} -> {other}"] = "\n".join(lines)
    return diffs


def _counterparts(old: Mapping[str, str], new: Mapping[str, str]) -> list[tuple[str, str]]:
    """Names of the files to hold against each other: the same name, else the most alike of those left over, if
    more of it is alike than not."""
    pairs = [(name, name) for name in old if name in new]
    left = [name for name in new if name not in old]
    for name in (name for name in old if name not in new):
        likeness = {other: _likeness(old[name], new[other]) for other in left}
        best = max(left, key=likeness.__getitem__, default=None)
        if best is None or likeness[best] <= ALIKE:
            pairs.append((name, name))
        else:
            left.remove(best)
            pairs.append((name, best))
    return sorted([*pairs, *((name, name) for name in left)])


def _likeness(before: str, after: str) -> float:
    return difflib.SequenceMatcher(None, before.splitlines(), after.splitlines(), autojunk=False).ratio()
