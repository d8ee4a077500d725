"""What a suite leaves out: predicted outcomes that no scenario plays, and those that only chance brings about."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from restart_bench.predict.engine import Answer
from restart_bench.predict.plays import Plays
from restart_bench.predict.proving.parts import COLD, DARK, REST
from restart_bench.predict.scripts import CLAIM_OF, Outcome, outcomes_of


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An outcome that no scenario plays. between_rungs: no example of it is known but with a cut between two rungs of
    one scan, so that only chance brings it about. was_on: whether the output was on before the cut of that example,
    None where none is known."""

    outcome: Outcome
    between_rungs: bool = False
    was_on: bool | None = None


def left_out(answers: Sequence[Answer], plays: Iterable[Plays]) -> tuple[LeftOut, ...]:
    """The predicted outcomes that no scenario plays, in the order of the answers. What other inputs bring about counts
    only where inputs at rest do not; what needs a cold start or a press in the dark no scenario can play."""
    played = {outcome for one in plays for outcome in outcomes_played(one)}
    at_rest = {_but_inputs(one) for answer in answers if answer.inputs == REST for one in outcomes_of(answer)}
    found: dict[Outcome, LeftOut] = {}
    for answer in answers:
        if answer.start == COLD or answer.inputs == DARK:
            continue
        for outcome in outcomes_of(answer):
            if outcome in played or (answer.inputs != REST and _but_inputs(outcome) in at_rest):
                continue
            example = answer.findings[CLAIM_OF[outcome[3]]].played
            was_on = None if example is None else answer.point in example.before
            found[outcome] = LeftOut(outcome, needs_a_place(answer, outcome[3]), was_on)
    return tuple(found.values())


def _but_inputs(outcome: Outcome) -> tuple[str, str, str]:
    point, restart, _, end = outcome
    return point, restart, end


def outcomes_played(plays: Plays) -> Iterator[Outcome]:
    """What comes about whenever a scenario is played, however the cut falls: of a search, by its cuts that restart."""
    if not plays.ways or (plays.may_ride and not plays.searches):
        return
    outputs = {name for way in plays.ways for name in (*way.on, *way.off)}
    for output in outputs:
        about = (output, plays.restart, plays.inputs)
        if all(output in way.on and output not in way.off for way in plays.ways):
            yield *about, "on"
        if all(output in way.off and output not in way.on for way in plays.ways):
            yield *about, "off"
        if all(output in way.pulsed for way in plays.ways):
            yield *about, "pulses"


def needs_a_place(answer: Answer, end: str) -> bool:
    """True where the only example known of an outcome has its cut between two rungs of one scan: the search prefers any
    other."""
    played = answer.findings[CLAIM_OF[end]].played
    return played is not None and played.trace.cut.rungs > 0
