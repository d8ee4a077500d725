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
from restart_bench.predict.engine import Answer, predict_with_proofs
from restart_bench.predict.proving.circuit import FALSE, Circuit
from restart_bench.predict.proving.parts import DARK, HELD, NEVER_SETTLES, PULSES, SETTLES_OFF, SETTLES_ON, UNSETTLED
from restart_bench.predict.proving.patience import go_on
from restart_bench.predict.proving.proofs import Certificate
from restart_bench.predict.proving.reach import Cube
from restart_bench.predict.proving.solver import new_solver
from restart_bench.predict.proving.symbolic import Bits, Scanner
from restart_bench.predict.proving.systems import FIRST, initial_state, move
from restart_bench.predict.questions import Questions

SLACK = 3  # scans more than it took until everything stood still; a change may delay that
LONGEST = 7  # scans and cuts before the cut in a path that shows what can happen
TOLD = (SETTLES_ON, SETTLES_OFF, NEVER_SETTLES, PULSES)


class _Unknown(Exception):
    """Something of the answer was not shown in a way that tells on what it rests."""


def unmoved(program: Program, answer: Answer, changes: Sequence[Change]) -> frozenset[Change]:
    """Those of some changes of which each alone surely leaves the answer as it is; none where timers run.

    Raises TimeIsUp, ProofBroken.
    """
    if any(isinstance(rung, Timer) for rung in program.rungs) or not answer.decided:
        return frozenset()
    told = [change for change in changes if _can_be_told(program, change)]
    restarts = [(answer.restart, answer.start)]
    answers, certificates = predict_with_proofs(
        program, [answer.point], restarts=restarts, environments=[answer.inputs], thorough=False
    )
    if len(certificates) != 1 or answers[0].behaviour != answer.behaviour:
        return frozenset()
    try:
        return frozenset(told) - set(_needed(certificates[0], answers[0], told))
    except _Unknown:
        return frozenset()


def _can_be_told(program: Program, change: Change) -> bool:
    if change.kind != ORDER:
        return True
    return program.outputs != "at once" and not any(isinstance(program.rungs[place], Counter) for place in change.rungs)


def _needed(certificate: Certificate, answer: Answer, changes: Sequence[Change]) -> Iterator[Change]:
    """The changes with which what shows an answer does not hold."""
    yield from _needed_by_lemmas(certificate, changes)
    proofs = [one for one in dict.fromkeys(certificate.proofs) if one.claim in (*TOLD, UNSETTLED)]
    settling = next((proof.settling for proof in proofs if proof.claim == UNSETTLED), None)
    if settling is None or any(proof.later or proof.standing for proof in proofs):
        raise _Unknown
    inputs = answer.inputs
    questions = Questions(
        certificate.part, answer.restart, answer.start, HELD if inputs == DARK else inputs, changes=changes
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
            raise _Unknown
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
    raise _Unknown
