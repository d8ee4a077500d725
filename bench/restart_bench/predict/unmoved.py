"""Changes of a program that surely leave an answer as it is: none of what shows the answer rests on them.

Gates are written in which every change has a literal of its own that holds where the program is changed. What was
denied is asked once more for all programs with one change together, and so is whether a path, with its inputs, still
shows what can happen; each model names a change for which that is not so. The others change nothing: with each of them
the same lemmas hold, the same claims are denied, the same paths show the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from restart_bench.model.program import Counter, Program, Timer
from restart_bench.predict.changes import ORDER, Change
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving import parts
from restart_bench.predict.proving.circuit import FALSE, TRUE, Circuit
from restart_bench.predict.proving.cone import cone_of
from restart_bench.predict.proving.parts import part_for
from restart_bench.predict.proving.patience import go_on
from restart_bench.predict.proving.proofs import Certificate
from restart_bench.predict.proving.reach import Cube
from restart_bench.predict.proving.solver import new_solver
from restart_bench.predict.proving.symbolic import Bits, Scanner
from restart_bench.predict.proving.systems import FIRST, initial_state, move
from restart_bench.predict.questions import Questions

SLACK = 3  # scans more than it took until everything stood still; a change may delay that
WATCHED = 8  # scans after the inputs stand still in which an output is looked for that comes on
LONGEST = 7  # scans and cuts before the cut in a path that shows what can happen
TOLD = (parts.SETTLES_ON, parts.SETTLES_OFF, parts.NEVER_SETTLES, parts.PULSES)


class NotTold(Exception):
    """Something of the answer was not shown in a way that tells on what it rests."""


def unmoved(program: Program, answer: Answer, changes: Sequence[Change]) -> frozenset[Change]:
    """Those of some changes of which each alone surely leaves the answer as it is; none where timers run.

    Raises TimeIsUp, ProofBroken.
    """
    if any(isinstance(rung, Timer) for rung in program.rungs) or not answer.decided:
        return frozenset()
    told = [change for change in changes if _can_be_told(program, change)]
    restarts = [(answer.restart, answer.start)]
    certificates: list[Certificate] = []
    answers = predict(
        program, [answer.point], restarts=restarts, environments=[answer.inputs], thorough=False, proven=certificates
    )
    if len(certificates) != 1 or answers[0].behaviour != answer.behaviour:
        return frozenset()
    if len(certificates[0].part.numbers) != len(program.rungs):  # rungs would be counted otherwise
        return frozenset()
    try:
        return frozenset(told) - set(_needed(certificates[0], answers[0], told))
    except NotTold:
        return frozenset()


def _can_be_told(program: Program, change: Change) -> bool:
    if change.kind != ORDER:
        return True
    return program.outputs != "at once" and not any(isinstance(program.rungs[place], Counter) for place in change.rungs)


def _needed(certificate: Certificate, answer: Answer, changes: Sequence[Change]) -> Iterator[Change]:
    """The changes with which what shows an answer does not hold."""
    yield from _needed_by_lemmas(certificate, changes)
    proofs = [one for one in dict.fromkeys(certificate.proofs) if one.claim in (*TOLD, parts.UNSETTLED)]
    settling = next((proof.settling for proof in proofs if proof.claim == parts.UNSETTLED), None)
    if settling is None or any(proof.later or proof.standing for proof in proofs):
        raise NotTold
    inputs = answer.inputs
    questions = Questions(
        certificate.part, answer.restart, answer.start, parts.HELD if inputs == parts.DARK else inputs, changes=changes
    )
    flips = questions.scanner.flips
    _one_at_most(questions.circuit, flips.values())
    questions.settling = settling[0] + SLACK, settling[1]
    for lemma in certificate.lemmas:
        questions.exclude(lemma)
    environment = questions.environment(answer.point, inputs) or []
    claims = questions.claims(answer.point)
    denied = [questions.unsettled(*questions.settling), *(claims[one] for one in TOLD if answer.can(one) is False)]
    for claim in denied:
        goals = [claim] if claim == denied[0] else [claim, *environment]
        yield from _breaking(flips, partial(_asked, questions, goals))
    for one in TOLD:
        if answer.can(one):
            yield from _missing(questions, [claims[one], *environment])


def _one_at_most(circuit: Circuit, flips: Iterable[int]) -> None:
    """Programs with more than one change are not looked at."""
    before = FALSE
    for flip in flips:
        seen = circuit.mark()
        circuit.clauses += [[-flip, -before], [-flip, seen], [-before, seen]]
        before = seen


def _breaking(flips: Mapping[Change, int], ask: Callable[[list[int]], list[int] | None]) -> Iterator[Change]:
    """The changes with which there is a model of what has none without them."""
    unchanged: list[int] = []
    while (model := ask(unchanged)) is not None:
        found = [change for change, flip in flips.items() if model[flip - 1] > 0]
        if not found:
            raise NotTold
        yield from found
        unchanged += [-flips[change] for change in found]


def _needed_by_lemmas(certificate: Certificate, changes: Sequence[Change]) -> Iterator[Change]:
    """The changes with which the initial state, or some step, breaks a lemma."""
    if not certificate.lemmas:
        return
    circuit = Circuit()
    scanner = Scanner(circuit, certificate.part.layout, changes)
    _one_at_most(circuit, scanner.flips.values())
    bits = scanner.fresh_state() | {FIRST: circuit.fresh()}
    steps, begins = move(scanner, bits).after, initial_state(scanner)
    broken = circuit.some(circuit.every(_literals(steps, lemma)) for lemma in certificate.lemmas)
    broken_first = circuit.some(circuit.every(_literals(begins, lemma)) for lemma in certificate.lemmas)
    kept = [[-literal for literal in _literals(bits, lemma)] for lemma in certificate.lemmas]
    for goal, clauses in ((broken, kept), (broken_first, [])):
        solver = new_solver([*circuit.clauses, *clauses])
        yield from _breaking(scanner.flips, partial(_model, solver, goal))


def _asked(questions: Questions, goals: list[int], unchanged: list[int]) -> list[int] | None:
    return questions.ask([*goals, *unchanged])


def _model(solver: Any, goal: int, unchanged: list[int]) -> list[int] | None:
    go_on()
    return solver.get_model() if goal != FALSE and solver.solve(assumptions=[goal, *unchanged]) else None


def _literals(bits: Bits, lemma: Cube) -> list[int]:
    return [bits[slot] if value else -bits[slot] for slot, value in lemma]


def _missing(questions: Questions, goals: Sequence[int]) -> Iterator[Change]:
    """The changes with which a path with certain inputs no longer shows what can happen."""
    flips = questions.scanner.flips
    own = {abs(literal) for literal in (*questions.origin.values(), *flips.values())}
    for steps in range(LONGEST + 1 if questions.origin else 1):
        begins = [questions.within(steps)] if questions.origin else []
        model = questions.ask([*goals, *begins, *(-flip for flip in flips.values())])
        if model is not None:
            chosen = [
                one if model[one - 1] > 0 else -one
                for one in questions.circuit.open
                if one not in own and one <= len(model)
            ]
            missed = questions.not_all(goals)
            yield from _breaking(flips, partial(_asked, questions, [missed, *begins, *chosen]))
            return
    raise NotTold


# ---------------------------------------------------------------- changes that only do it together


def keeping_off(
    program: Program,
    answer: Answer,
    changes: Sequence[Change],
    sizes: Sequence[int],
    keeps_off: Callable[[tuple[Change, ...]], bool],
) -> tuple[Change, ...]:
    """The changes, as many as the first of some sizes (ascending) for which there are such, or fewer, that together
    keep off an output which can be on; () where there are none.

    Whatever keeps it off spoils every path that shows it on: a path is taken, each change that helps to spoil it is
    made, and a path is looked for in what that makes of the program, until there is none; `keeps_off` then has the last
    word. Two rungs that both changed places with the same third one are left out. Raises NotTold where timers run, or
    where `keeps_off` says otherwise; TimeIsUp.
    """
    timers = any(isinstance(rung, Timer) for rung in program.rungs)
    if timers or not all(_can_be_told(program, change) for change in changes):
        raise NotTold
    outputs = (answer.point,)
    part = part_for(program, cone_of(program, outputs), outputs)
    if len(part.numbers) != len(program.rungs):
        raise NotTold
    kind = parts.HELD if answer.inputs == parts.DARK else answer.inputs
    questions = Questions(part, answer.restart, answer.start, kind, changes=changes)
    questions.settling = (WATCHED, 1)
    spoiling = _Spoiling(questions, answer, keeps_off, max(sizes))
    return next((found for size in sizes if (found := spoiling.found((), size, []))), ())


class _Spoiling:
    """The search for changes that keep an output off."""

    def __init__(
        self, questions: Questions, answer: Answer, keeps_off: Callable[[tuple[Change, ...]], bool], most: int
    ) -> None:
        self.questions, self.keeps_off = questions, keeps_off
        self.flips = questions.scanner.flips
        self.own = {abs(one) for one in (*questions.origin.values(), *self.flips.values())}
        claims = questions.claims(answer.point)
        is_on = questions.circuit.some([claims[parts.SETTLES_ON], claims[parts.PULSES]])
        self.goals = [is_on, *(questions.environment(answer.point, answer.inputs) or [])]
        self.more_than = _counted(questions.circuit, [*self.flips.values()], most + 1)
        for change, flip in self.flips.items():
            if change.kind == ORDER:
                second = self.flips.get(Change(ORDER, rungs=(change.rungs[1], change.rungs[1] + 1)))
                questions.circuit.clauses += [] if second is None else [[-flip, -second]]

    def found(self, made: tuple[Change, ...], left: int, without: list[int]) -> tuple[Change, ...]:
        """The changes, among them those that are made already and so many more, none of those `without`."""
        fixed = [flip if change in made else -flip for change, flip in self.flips.items()]
        path = self._path(fixed)
        if path is None:
            if not self.keeps_off(made):
                raise NotTold
            return made
        if left == 0:
            return ()
        asked = [self.questions.not_all(self.goals), *path, *(self.flips[one] for one in made)]
        asked.append(-self.more_than[len(made) + left])
        spoilt = list(without)
        while (model := self.questions.ask([*asked, *spoilt])) is not None:
            for change, flip in self.flips.items():
                if model[flip - 1] > 0 and change not in made:
                    together = tuple(one for one in self.flips if one in (*made, change))
                    if found := self.found(together, left - 1, spoilt):
                        return found
                    spoilt.append(-flip)
        return ()

    def _path(self, fixed: list[int]) -> list[int] | None:
        """What is chosen on a path that shows the output on; None where there is none of that length."""
        for once in (True, False):  # a path without earlier cuts rests on less
            for steps in range(LONGEST + 1 if self.questions.origin else 1):
                model = self.questions.ask([*self.goals, *self._begins(steps, once), *fixed])
                if model is not None:
                    chosen = [one for one in self.questions.circuit.open if one <= len(model) and one not in self.own]
                    return [*self._begins(steps, once), *(one if model[one - 1] > 0 else -one for one in chosen)]
        return None

    def _begins(self, steps: int, once: bool) -> list[int]:
        """How a path of so many steps begins; `once`: the cut is the first one."""
        if not self.questions.origin:
            return []
        within = self.questions.within(steps)
        frames = self.questions.frames[:steps] if once else []
        return [within, *(-literal for frame in frames for literal in (frame.cut, frame.mode))]


def _counted(circuit: Circuit, literals: Sequence[int], most: int) -> list[int]:
    """Literals that are true at least where more than 0, 1, 2 ... of some others are."""
    before = [FALSE] * most
    for literal in literals:
        seen = [circuit.mark() for _ in range(most)]
        for number, one in enumerate(seen):
            lower = TRUE if number == 0 else before[number - 1]
            circuit.clauses += [[-before[number], one], [-literal, -lower, one]]
        before = seen
    return before
