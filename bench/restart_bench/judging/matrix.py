"""The restart matrix: what every output did over the cycles of one case, in one row each. Made of judged cycles
alone, so that screen and record show the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from restart_bench.model.journal import CycleJudged, Finding, OutputSeen, Seen
from restart_bench.model.rig import Point, Rig
from restart_bench.model.verdicts import Verdict, badness
from restart_bench.model.wording import IN_MEMORY, STAYS_ON, at_most, counted, restart_word, value_text

NOT_JUDGED = "not judged"
"""What stands in place of a verdict where nothing is demanded of an output."""
NOT_TESTED = "not tested"
"""The same where something is, but no cut was brought to its end."""
UNASKED = "nothing is demanded of it"
WITHOUT_VERDICT = {NOT_JUDGED: UNASKED, NOT_TESTED: "demanded, but no cut of it came to its end"}
"""What these words mean, for tables that have no room for a reason."""
NOT_CUT = "not cut"
"""What stands in place of a behaviour where no cycle was cut."""
NOT_REACHED = "not reached"
"""The same where none came to the return of the power."""
IMAGE_ONLY = "no terminal"
IMAGE_ONLY_MEANS = (
    "no input reads its terminal, so this is what the controller says, maybe from memory; out of run mode the terminal "
    "may be off whatever it says"
)
"""The caveat of every row without a terminal, in short and in full."""


@dataclass(frozen=True, slots=True)
class MatrixRow:
    """One output over the cycles. Texts say `on`, or `on 18, off 2` where cycles differ, `not read` where nothing is
    known, `not cut` or `not reached` where no cycle came so far. `delay_ns`: shortest lower and longest upper bound of
    the change to the settled value since the return; None where there was none. `verdict` is the worst of the findings
    about it; None where there is none: nothing is expected of it, or it was not tested (`verdict_word`)."""

    point: str
    shown: str
    before: str
    at_loss: str
    at_return: str
    settled: str
    delay_ns: tuple[int, int] | None
    verdict: Verdict | None
    reason: str
    cycles: int
    verdict_word: str
    """The verdict, or why there is none."""
    image_only: bool = False  # an output that nothing but the controller itself tells of


def matrix_rows(rig: Rig, cycles: Iterable[CycleJudged]) -> tuple[MatrixRow, ...]:
    """A row for each output of which something is expected, and for each other output of the rig; in file order.

    Give it the cycles of one case: over several cases their behaviours are counted together. It goes over them once,
    and holds none of them.
    """
    rows: dict[str, _Row] = {}
    told: dict[str, _Told] = {}
    untested: dict[str, tuple[int, str]] = {}
    number = 0
    for cycle in cycles:
        number += 1
        came_back = bool(cycle.mark("restored"))
        was_cut = came_back or bool(cycle.mark("cut"))
        for seen in cycle.outputs:
            row = rows.setdefault(seen.point, _Row(rig.points[seen.point], image_only=rig.has_image_only(seen.point)))
            row.add(seen, was_cut=was_cut, came_back=came_back, rode_through=cycle.restarted is False)
        for finding in cycle.findings:
            told.setdefault(finding.point, _Told(finding)).add(finding)
        for name in cycle.not_tested:
            untested.setdefault(name, (cycle.cycle, cycle.reason))
    found = []
    for name in rig.points:
        if name in rows:
            verdict = told[name].verdict(number) if name in told else _not_judged(untested.get(name), number)
            found.append(rows[name].whole(*verdict))
    return tuple(found)


def _not_judged(untested: tuple[int, str] | None, cycles: int) -> tuple[None, str, str]:
    """The word for there being no verdict, and why: the first cycle that did not test it, where there is one."""
    if untested is None:
        return None, NOT_JUDGED, UNASKED
    cycle, reason = untested
    return None, NOT_TESTED, f"cycle {cycle}: {reason}" if cycles > 1 else reason


class _Row:
    """What one output did, cycle after cycle: each text with how often it came."""

    def __init__(self, point: Point, *, image_only: bool) -> None:
        self._point = point
        self._image_only = image_only
        self._cycles = 0
        self._before, self._at_loss, self._at_return, self._settled = (Counter[str]() for _ in range(4))
        self._losses: set[tuple[Seen, bool]] = set()
        self._latest_loss: int | None = None
        self._pulses: set[int] = set()
        self._delay: tuple[int, int] | None = None

    def add(self, seen: OutputSeen, *, was_cut: bool, came_back: bool, rode_through: bool) -> None:
        """One more cycle."""
        self._cycles += 1
        if not was_cut:
            return  # what it was before a cut that never came, nobody asked
        self._before[_value(self._point, seen.before)] += 1
        self._at_loss[self._whose(_at_loss(self._point, seen))] += 1
        self._losses.add((seen.at_loss, seen.loss_ns is None))
        if seen.loss_ns is not None:
            self._latest_loss = max(seen.loss_ns[1], self._latest_loss or seen.loss_ns[1])
        self._pulses.add(seen.loss_pulses)
        if not came_back:
            return
        self._at_return[self._whose(_at_return(self._point, seen, rode_through=rode_through))] += 1
        self._settled[_value(self._point, seen.settled)] += 1
        if seen.delay_ns is not None and seen.at_return is not None:  # "not read": no change was seen
            low, high = self._delay or seen.delay_ns
            self._delay = min(low, seen.delay_ns[0]), max(high, seen.delay_ns[1])

    def whole(self, verdict: Verdict | None, word: str, reason: str) -> MatrixRow:
        """The row over all of them."""
        not_back = NOT_REACHED if self._at_loss else NOT_CUT
        return MatrixRow(
            point=self._point.name,
            shown=self._point.shown,
            before=_counted(self._before) if self._before else NOT_CUT,
            at_loss=self._loss() if self._at_loss else NOT_CUT,
            at_return=_counted(self._at_return) if self._at_return else not_back,
            settled=_counted(self._settled) if self._settled else not_back,
            delay_ns=self._delay,
            verdict=verdict,
            reason=reason,
            cycles=self._cycles,
            verdict_word=word,
            image_only=self._image_only,
        )

    def _whose(self, does: str) -> str:
        """What stays on by the controller's own word alone is its memory: nobody saw the output itself."""
        return f"{IN_MEMORY} {does}" if self._image_only and does == STAYS_ON else does

    def _loss(self) -> str:
        """`off within 14 ms`, `off within 0.4 s, 25 pulses`, over all cycles; counted where they differ."""
        text = _counted(self._at_loss)
        if len(self._losses) == 1 and self._latest_loss is not None:
            text += f" within {at_most(self._latest_loss)}"
        most = max(self._pulses)
        up_to = "up to " if len(self._pulses) > 1 else ""
        return f"{text}, {up_to}{counted(most, 'pulse')}" if most else text


class _Told:
    """The findings about one output, cycle after cycle."""

    def __init__(self, first: Finding) -> None:
        self._worst = first
        self._demanded: dict[str, None] = {}
        self._cycles: dict[Verdict, int] = {}  # in how many it was so
        self._latest: dict[Verdict, int] = {}
        self._judged, self._latest_judged = 0, -1

    def add(self, finding: Finding) -> None:
        """One more; those of a cycle come one after another."""
        verdict = finding.verdict
        if badness(verdict) < badness(self._worst.verdict):
            self._worst = finding
        self._demanded[finding.expectation] = None
        if self._latest_judged != finding.cycle:
            self._judged, self._latest_judged = self._judged + 1, finding.cycle
        if self._latest.get(verdict) != finding.cycle:
            self._cycles[verdict], self._latest[verdict] = self._cycles.get(verdict, 0) + 1, finding.cycle

    def verdict(self, cycles: int) -> tuple[Verdict, str, str]:
        """The verdict, the word for it, and the reason."""
        worst = self._worst
        if worst.verdict is Verdict.PASS:
            return worst.verdict, worst.verdict.value, _all_met(self._demanded, self._judged, cycles)
        return worst.verdict, worst.verdict.value, _told(worst, self._cycles[worst.verdict], cycles)


def _all_met(demanded: Iterable[str], judged: int, cycles: int) -> str:
    """All that was demanded: one of several would read as if that alone had decided."""
    met = "; ".join(demanded)
    if judged < cycles:
        return f"{met}, in all {judged} of {cycles} cycles in which it was demanded"
    return met if cycles == 1 else f"{met}, in all {cycles} cycles"


def _told(worst: Finding, alike: int, cycles: int) -> str:
    where = f"cycle {worst.cycle}: " if cycles > 1 else ""
    more = f" ({alike} of {cycles} cycles)" if cycles > 1 else ""
    return f"{where}{worst.reason}{more}"


def _value(point: Point, value: Seen) -> str:
    return "not read" if value is None else value_text(point, value)


def _at_loss(point: Point, output: OutputSeen) -> str:
    """`off`, `stays on`, `not read`."""
    if output.at_loss is None:
        return "not read"
    value = value_text(point, output.at_loss)
    if output.loss_ns is None:
        return f"stays {value}" if output.before == output.at_loss else value
    return value


def _at_return(point: Point, output: OutputSeen, *, rode_through: bool) -> str:
    """`stays off`, `comes back`, `off, 3 changes, then off`."""
    if output.at_return is None:
        return "not read"
    first = value_text(point, output.at_return)
    if output.settled is None and output.changes != 1:
        return f"{first}, then not steady" if output.changes else f"{first}, then not read"
    ends = output.at_end if output.settled is None else output.settled
    last = value_text(point, ends)
    if output.changes == 0 or (output.changes == 1 and output.at_return == output.settled):
        return _steady(output, last, rode_through=rode_through) if point.is_boolean else last
    if output.changes == 1:
        came = point.is_boolean and ends and output.before is not None
        return restart_word(output.before, ends_on=True) if came else f"{first}, then {last}"
    if output.changes == 2 and output.at_return == output.settled and point.is_boolean:
        return f"{'off' if output.settled else 'on'} for a while, then {last}"
    return f"{first}, {output.changes} changes, then {last}"


def _steady(output: OutputSeen, last: str, *, rode_through: bool) -> str:
    """An output that did not change any more once the supply was back."""
    if not output.settled and output.at_loss not in (None, output.settled):
        return last
    never_off = (output.at_loss is True or rode_through) and not output.dropped
    return restart_word(output.before, ends_on=bool(output.settled), never_off=never_off)


_MOST_TEXTS = 5
"""So many behaviours or values of a cell are told one by one."""


def _natural(text: str) -> tuple[tuple[float, str], ...]:
    """Numbers by their size, before words."""
    return tuple((_number_of(word), word) for word in text.split(" "))


def _number_of(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        return float("inf")


def _counted(numbers: Mapping[str, int]) -> str:
    """`on`, or `on 18, off 2`, the most frequent first; of many values how far they reach."""
    if len(numbers) <= 1:
        return next(iter(numbers), "not read")
    if len(numbers) > _MOST_TEXTS:
        stays = "stays " if all(text.startswith("stays ") for text in numbers) else ""
        by_size = sorted({text.removeprefix("stays ") for text in numbers}, key=_natural)
        if all(_natural(text)[0][0] < float("inf") for text in by_size):
            return f"{stays}{by_size[0]} to {by_size[-1]}, {len(by_size)} values"
    ordered = sorted(numbers.items(), key=lambda item: (-item[1], _natural(item[0])))
    more = f" (and {len(ordered) - _MOST_TEXTS} more)" if len(ordered) > _MOST_TEXTS else ""
    return ", ".join(f"{text} {number}" for text, number in ordered[:_MOST_TEXTS]) + more
