"""Predicted against measured: what the program model says of each output, beside what its cycles showed.

A difference is named with the cycles that show it. Why there is one nobody can know from here, so what could explain
it is listed, and nothing of it is claimed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from restart_bench.model.journal import CycleJudged, FindingKind, OutputSeen
from restart_bench.model.program import Program, Timer
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import OUTCOMES
from restart_bench.predict.engine import Answer
from restart_bench.predict.plays import Plays, Way, ends_of, outputs_on, plays_of
from restart_bench.predict.proving.cone import cone_of
from restart_bench.predict.proving.parts import ENVIRONMENTS, SUPPLY, WARM
from restart_bench.predict.why import does

ON, OFF, EITHER, UNKNOWN = "on", "off", "on or off", "not played"
NOT_READ = "not read"


@dataclass(frozen=True, slots=True)
class Difference:
    """What one output did otherwise than predicted, and the cycles that show it. `of_restart` is False where it was
    otherwise before the cut already, which says nothing of what the restart does."""

    text: str
    cycles: tuple[int, ...]
    of_restart: bool = True


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One output after one kind of restart, over all valid cycles with the same inputs in which it was the same before
    the cut. before: on, off or "not read"; predicted, measured: how often on, off, "on or off", "not played" and "not
    read" at the end of the watch; ever: what `predict` says that it does after any past, "" where it was not asked;
    depends: by that on or off, as what was before leaves it."""

    point: str
    shown: str
    restart: str
    inputs: str
    before: str
    predicted: Mapping[str, int]
    measured: Mapping[str, int]
    ever: str = ""
    depends: bool = False
    differences: tuple[Difference, ...] = ()


@dataclass(frozen=True, slots=True)
class Compared:
    """All rows of a run; what could explain the differences, where there are any; and scenarios that were not played,
    with the reason. left_out: valid cycles without a restart to compare, by what became of the controller."""

    rows: tuple[ComparedRow, ...] = ()
    could_explain: tuple[str, ...] = ()
    not_played: Mapping[str, str] | None = None
    left_out: Mapping[str, tuple[int, ...]] | None = None

    @property
    def differs(self) -> bool:
        """True where something was not as predicted."""
        return any(row.differences for row in self.rows)


@dataclass(frozen=True, slots=True)
class _Told:
    """One output in one cycle: the ways in which it may go, and what was seen."""

    cycle: int
    seen: OutputSeen
    all_ways: tuple[Way, ...]
    fitting: tuple[Way, ...]

    @property
    def ways(self) -> tuple[Way, ...]:
        """The ways that begin as was seen; where none does, all."""
        return self.fitting or self.all_ways


class Prediction:
    """What the program model says of the cycles of one run."""

    def __init__(self, rig: Rig, program: Program, scenarios: Sequence[Scenario]) -> None:
        self.rig, self.program = rig, program
        self.outputs = outputs_on(rig, program)
        self.plays = plays_of(rig, program, scenarios)

    def ends(self, cycle: CycleJudged, output: str) -> bool | None:
        """Whether an output is on at the end of the watch; None where that depends, or no play tells."""
        plays = self.plays.get(cycle.scenario)
        if plays is None or output not in self.outputs:
            return None
        ends = ends_of(self._fitting(cycle, plays) or plays.ways, output)
        return next(iter(ends)) if len(ends) == 1 else None

    def compared(self, cycles: Sequence[CycleJudged], answers: Iterable[Answer] = (), *, simulated: bool) -> Compared:
        """Every output of the program, beside what these cycles showed."""
        known = {answer.key: answer for answer in answers}
        rows: list[ComparedRow] = []
        differing: list[tuple[_Told, Answer | None]] = []
        for (output, restart, inputs, before), told in self._grouped(cycles).items():
            answer = known.get((output, restart, WARM, inputs))
            found = list(_differences(told, output))
            differing += [(one, answer) for one in told if any(one.cycle in each.cycles for each in found)]
            rows.append(
                ComparedRow(
                    point=output,
                    shown=self.rig.points[output].shown,
                    restart=restart,
                    inputs=inputs,
                    before=before,
                    predicted=dict(Counter(_foretold(one, output) for one in told)),
                    measured=dict(Counter(_word(one.seen.at_end) for one in told)),
                    ever=does(answer) if answer is not None else "",
                    depends=answer is not None and answer.settles == "depends",
                    differences=tuple(found),
                )
            )
        explain = tuple(_could_explain(self.rig, self.program, differing, simulated=simulated)) if differing else ()
        played = {cycle.scenario for cycle in cycles}
        not_played = {name: one.why_not for name, one in self.plays.items() if one.why_not and name in played}
        return Compared(tuple(rows), explain, not_played, self._left_out(cycles))

    def _left_out(self, cycles: Sequence[CycleJudged]) -> dict[str, tuple[int, ...]]:
        found: dict[str, tuple[int, ...]] = {}
        for cycle in cycles:
            plays, cut = self.plays.get(cycle.scenario), cycle.mark("restored") is not None
            if plays is not None and cut and cycle.verdict is not Verdict.ERROR and not _restarted(cycle, plays):
                outcome = OUTCOMES[cycle.restarted]
                found[outcome] = (*found.get(outcome, ()), cycle.cycle)
        return found

    def asked(self, cycles: Sequence[CycleJudged]) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The kinds of restart and of inputs after it that these cycles have, as `predict` can be asked for them."""
        keys = list(self._grouped(cycles))
        inputs = dict.fromkeys(key[2] for key in keys if key[2] in ENVIRONMENTS)
        return tuple(dict.fromkeys(key[1] for key in keys)), tuple(inputs)

    def _grouped(self, cycles: Sequence[CycleJudged]) -> dict[tuple[str, str, str, str], list[_Told]]:
        grouped: dict[tuple[str, str, str, str], list[_Told]] = {}
        alike: dict[OutputSeen, OutputSeen] = {}  # most cycles show the same: it is held once
        for cycle in cycles:
            plays = self.plays.get(cycle.scenario)
            if plays is None or not _restarted(cycle, plays):
                continue
            fitting = self._fitting(cycle, plays)
            for seen in cycle.outputs:
                if seen.point in self.outputs:
                    key = (seen.point, plays.restart, plays.inputs, _word(seen.before))
                    untimed = replace(seen, loss_ns=None, loss_pulses=0, delay_ns=None, shortest_excluded_ns=None)
                    same = alike.setdefault(untimed, untimed)
                    grouped.setdefault(key, []).append(_Told(cycle.cycle, same, plays.ways, fitting))
        order = {point.name: number for number, point in enumerate(self.rig.outputs())}
        return dict(
            sorted(grouped.items(), key=lambda item: (order[item[0][0]], item[0][1] != SUPPLY, item[0][3] != ON))
        )

    def _fitting(self, cycle: CycleJudged, plays: Plays) -> tuple[Way, ...]:
        """The ways that begin as a cycle was seen before its cut."""
        before = {
            one.point: bool(one.before) for one in cycle.outputs if one.point in self.outputs and one.before is not None
        }
        return plays.fitting(before)


def _restarted(cycle: CycleJudged, plays: Plays) -> bool:
    """True for a valid cycle in which the controller did restart; where it may have ridden through, that is to be
    known."""
    if cycle.verdict is Verdict.ERROR or cycle.mark("restored") is None:
        return False
    about = (one.figures.get("restarted") for one in cycle.findings if one.kind is FindingKind.RESTART)
    restarted = next(about, None)
    return plays.restart != SUPPLY or restarted is True or (restarted is None and not plays.may_ride)


def _foretold(told: _Told, output: str) -> str:
    ends = ends_of(told.ways, output)
    return UNKNOWN if not ends else EITHER if len(ends) == 2 else _word(next(iter(ends)))


def _word(value: bool | float | None) -> str:
    return NOT_READ if value is None else ON if value else OFF


def _differences(told: Sequence[_Told], output: str) -> Iterator[Difference]:
    """What was not as any play has it."""
    found: dict[tuple[str, bool], list[int]] = {}
    for one in told:
        for difference in _differs(one, output):
            found.setdefault(difference, []).append(one.cycle)
    for (text, of_restart), cycles in found.items():
        yield Difference(text, tuple(cycles), of_restart)


def _differs(told: _Told, output: str) -> Iterator[tuple[str, bool]]:
    """Each in words, and whether it is one of what the restart does."""
    if not told.ways:
        return
    before = {output in way.before for way in told.all_ways}
    if told.seen.before is not None and before == {not told.seen.before}:
        yield f"before the cut it was {_word(told.seen.before)}, where the program model has it {_word(*before)}", False
        return  # what comes of another state is another question
    ends = ends_of(told.ways, output)
    if told.seen.at_end is not None and ends == {not told.seen.at_end}:
        yield f"{_word(told.seen.at_end)} at the end of the watch, where {_word(*ends)} is predicted", True
    if was_on_for_a_while(told.seen) and not any(output in way.pulsed for way in told.ways):
        yield "on for a while after the restart, where no pulse is predicted", True


def was_on_for_a_while(seen: OutputSeen) -> bool:
    """True where an output came on after the restart and went off again. What was on through the dark is no pulse."""
    if seen.at_end is None or seen.at_loss:
        return False
    if not seen.at_end:
        return bool(seen.at_return) or seen.changes > 0
    return seen.changes >= (2 if seen.at_return else 3)


def _could_explain(
    rig: Rig, program: Program, differing: Sequence[tuple[_Told, Answer | None]], *, simulated: bool
) -> Iterator[str]:
    """What could be behind a difference, each only where it may be."""
    outputs = list(dict.fromkeys(told.seen.point for told, _ in differing))
    if simulated and program.faults:
        yield f"a fault that the simulation was ordered to play: {', '.join(one.name for one in program.faults)}"
    if not simulated:
        yield f"the controller runs another edition than {program.name}"
        yield "the model says otherwise of memory (retained, cleared before the first scan) than the controller does"
    disagreeing = list(dict.fromkeys(told.seen.disagrees for told, _ in differing if told.seen.disagrees))
    if disagreeing:
        yield from (f"terminal and image differ: {text}" for text in disagreeing)
    elif any(rig.judged_point(output) != output for output in outputs):
        yield "the terminal does not show what the controller drives (its address, its card, its wire)"
    yield "an input was not as the scenario leaves it: a sensor, a hand, a loose contact"
    if any(isinstance(rung, Timer) and rung.name in cone_of(program, outputs) for rung in program.rungs):
        yield "times of the program model that are not those of the controller"
    yield from _other_pasts(rig, differing)


def _other_pasts(rig: Rig, differing: Sequence[tuple[_Told, Answer | None]]) -> Iterator[str]:
    """Whether another past, or a cut at another place of the scan, would do it; as far as that was asked."""
    answers = [(told, answer) for told, answer in differing if answer is not None and answer.decided]
    if not answers:
        yield "the cut fell between two rungs, or memory was not as these steps leave it"
        return
    may = [rig.points[told.seen.point].shown for told, answer in answers if _allows(answer, told.seen)]
    if may:
        yield (
            "the cut fell between two rungs, or memory was not as these steps leave it: the program can do that too "
            f"({', '.join(dict.fromkeys(may))})"
        )
    cannot = [rig.points[told.seen.point].shown for told, answer in answers if not _allows(answer, told.seen)]
    if cannot:
        yield (
            "ruled out, if the model is right: the place of the cut between two rungs, and what was in memory; it does "
            f"not do that after any past ({', '.join(dict.fromkeys(cannot))})"
        )


def _allows(answer: Answer, seen: OutputSeen) -> bool:
    """True where the program can end so after some past, and pulse if it pulsed."""
    ends = {"on": {True}, "off": {False}, "depends": {True, False}}.get(answer.settles or "", {True, False})
    pulses = bool(answer.can_pulse) or not was_on_for_a_while(seen)
    return pulses and (seen.at_end is None or bool(seen.at_end) in ends)
