"""The restart matrix: what every output did over the cycles of one case, in one row each. Made of judged cycles
alone, so that screen and record show the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from restart_bench.model.journal import CycleJudged, Finding, OutputSeen, Seen
from restart_bench.model.rig import Point, Rig
from restart_bench.model.verdicts import Verdict, badness
from restart_bench.model.wording import at_most, value_text

NOT_JUDGED = "not judged"
"""What stands in place of a verdict where nothing is expected of an output."""
NOT_TESTED = "not tested"
"""The same where something is, but no cut was brought to its end."""
NOT_CUT = "not cut"
"""What stands in place of a behaviour where no cycle was cut."""
NOT_REACHED = "not reached"
"""The same where none came to the return of the power."""
IMAGE_ONLY = "image only"
IMAGE_ONLY_MEANS = (
    "the controller's own word, maybe a memory: no terminal was read, and out of run mode that may be off whatever it "
    "says"
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


def matrix_rows(rig: Rig, cycles: Sequence[CycleJudged]) -> tuple[MatrixRow, ...]:
    """A row for each output of which something is expected, and for each other output of the rig; in file order.

    Give it the cycles of one case: over several cases their behaviours are counted together.
    """
    names = {seen.point for cycle in cycles for seen in cycle.outputs}
    rows = []
    for name in rig.points:
        if name in names:
            rows.append(_row(rig, name, cycles))
    return tuple(rows)


def _row(rig: Rig, name: str, cycles: Sequence[CycleJudged]) -> MatrixRow:
    point = rig.points[name]
    seen = [output for cycle in cycles for output in cycle.outputs if output.point == name]
    cut, back = (
        [one for cycle in cycles if cycle.mark(mark) for one in cycle.outputs if one.point == name]
        for mark in ("cut", "restored")
    )
    not_back = NOT_REACHED if cut else NOT_CUT
    delays = [output.delay_ns for output in back if output.delay_ns is not None]
    verdict, word, reason = _verdict(name, cycles)
    return MatrixRow(
        point=name,
        shown=point.shown,
        before=_counted(_value(point, output.before) for output in seen),
        at_loss=_loss(point, cut) if cut else NOT_CUT,
        at_return=_counted(_at_return(point, output) for output in back) if back else not_back,
        settled=_counted(_value(point, output.settled) for output in back) if back else not_back,
        delay_ns=(min(low for low, _ in delays), max(high for _, high in delays)) if delays else None,
        verdict=verdict,
        reason=reason,
        cycles=len(seen),
        verdict_word=word,
        image_only=rig.has_image_only(name),
    )


def _verdict(name: str, cycles: Sequence[CycleJudged]) -> tuple[Verdict | None, str, str]:
    """The verdict, the word for it or for there being none, and the reason."""
    mine = [finding for cycle in cycles for finding in cycle.findings if finding.point == name]
    untested = [cycle for cycle in cycles if name in cycle.not_tested]
    if not mine and untested:
        where = f"cycle {untested[0].cycle}: " if len(cycles) > 1 else ""
        return None, NOT_TESTED, where + untested[0].reason
    if not mine:
        return None, NOT_JUDGED, "nothing is expected of it"
    worst = min(mine, key=lambda finding: badness(finding.verdict))
    if worst.verdict is Verdict.PASS:
        return worst.verdict, worst.verdict.value, _all_met(mine, len({one.cycle for one in mine}), len(cycles))
    alike = {finding.cycle for finding in mine if finding.verdict is worst.verdict}
    return worst.verdict, worst.verdict.value, _told(worst, len(alike), len(cycles))


def _all_met(mine: Sequence[Finding], judged: int, cycles: int) -> str:
    """All that was demanded: one of several would read as if that alone had decided."""
    met = "; ".join(dict.fromkeys(finding.expectation for finding in mine))
    if judged < cycles:
        return f"{met}, in all {judged} of {cycles} cycles in which it was demanded"
    return met if cycles == 1 else f"{met}, in all {cycles} cycles"


def _told(worst: Finding, alike: int, cycles: int) -> str:
    where = f"cycle {worst.cycle}: " if cycles > 1 else ""
    more = f" ({alike} of {cycles} cycles)" if cycles > 1 else ""
    return f"{where}{worst.reason}{more}"


def _value(point: Point, value: Seen) -> str:
    return "not read" if value is None else value_text(point, value)


def _loss(point: Point, seen: Sequence[OutputSeen]) -> str:
    """`off within 14 ms`, over all cycles; counted where they differ."""
    text = _counted(_at_loss(point, output) for output in seen)
    latest = [output.loss_ns[1] for output in seen if output.loss_ns is not None]
    alike = len({(output.at_loss, output.loss_ns is None) for output in seen}) == 1
    return f"{text} within {at_most(max(latest))}" if alike and latest else text


def _at_loss(point: Point, output: OutputSeen) -> str:
    """`off`, `stays on`, `not read`."""
    if output.at_loss is None:
        return "not read"
    value = value_text(point, output.at_loss)
    if output.loss_ns is None:
        return f"stays {value}" if output.before == output.at_loss else value
    return value


def _at_return(point: Point, output: OutputSeen) -> str:
    """`stays off`, `off, then on`, `off, 3 changes, then off`."""
    if output.at_return is None:
        return "not read"
    first = value_text(point, output.at_return)
    if output.settled is None and output.changes != 1:
        return f"{first}, then not steady" if output.changes else f"{first}, then not read"
    last = value_text(point, output.at_end if output.settled is None else output.settled)
    if output.changes == 0 or (output.changes == 1 and output.at_return == output.settled):
        return (
            f"stays {last}"
            if output.at_loss in (None, output.settled) and point.is_boolean and not output.settled
            else last
        )
    if output.changes == 1:
        return f"{first}, then {last}"
    if output.changes == 2 and output.at_return == output.settled and point.is_boolean:
        return f"{'off' if output.settled else 'on'} for a while, then {last}"
    return f"{first}, {output.changes} changes, then {last}"


def _counted(texts: Iterator[str]) -> str:
    """`on`, or `on 18, off 2`, the most frequent first."""
    numbers: dict[str, int] = {}
    for text in texts:
        numbers[text] = numbers.get(text, 0) + 1
    if len(numbers) <= 1:
        return next(iter(numbers), "not read")
    ordered = sorted(numbers.items(), key=lambda item: (-item[1], item[0]))
    return ", ".join(f"{text} {number}" for text, number in ordered)
