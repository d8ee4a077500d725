"""Proofs are proved again, by another solver, from the program alone: nothing of the first search is taken over but
the lemmas, the claims and the length after which everything stands still.

For lemmas: the initial state meets them all, and no step leads from states that meet them to one that doesn't. For
claims: no state that meets the lemmas shows one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from restart_bench.predict.proving.parts import COLD, DARK, HELD, LATER, SENSORS, UNSETTLED, Part
from restart_bench.predict.proving.proofs import Certificate, Proof
from restart_bench.predict.proving.reach import Cube
from restart_bench.predict.proving.solver import OTHER, new_solver
from restart_bench.predict.proving.standing import stands
from restart_bench.predict.proving.systems import System, around_the_cut, before_the_cut
from restart_bench.predict.questions import Questions


def broken(certificate: Certificate) -> list[str]:
    """What of a certificate does not hold, in words; empty if all of it does."""
    found = list(_not_inductive(before_the_cut(certificate.part.layout), certificate.lemmas))
    for (restart, start, inputs), lemmas in certificate.later.items():
        found += _not_inductive(_around(certificate.part, restart, start, inputs), lemmas)
    asked: dict[tuple[object, ...], list[Proof]] = {}
    for proof in dict.fromkeys(certificate.proofs):
        if not (proof.standing and proof.claim == UNSETTLED):
            key = (proof.restart, proof.start, proof.later, _kind(proof), proof.settling, proof.standing)
            asked.setdefault(key, []).append(proof)
    for proofs in asked.values():
        found += [f"{proof.output} may be what was denied: {proof}" for proof in _refuted(certificate, proofs)]
    if any(proof.standing for proof in certificate.proofs) and not stands(certificate.part, OTHER):
        found.append("it was not shown again that everything comes to a stand")
    return found


def _refuted(certificate: Certificate, proofs: Sequence[Proof]) -> Iterator[Proof]:
    """The proofs, of one kind of questions, that don't hold: all are asked at once, and one by one if any fails."""
    questions = _questions(certificate, proofs[0])
    denied = {proof: questions.denied(proof.output, proof.inputs, proof.claim) for proof in proofs}
    if questions.ask([questions.circuit.some(map(questions.circuit.every, denied.values()))]) is not None:
        yield from (proof for proof, literals in denied.items() if questions.ask(literals) is not None)


def _around(part: Part, restart: str, start: str, inputs: str) -> System:
    """The system whose states after the cut lemmas are about."""
    commands = tuple(dict.fromkeys(name for names in part.commands.values() for name in names))
    return around_the_cut(
        part.layout,
        COLD if start == COLD else restart,
        sensors=inputs == SENSORS,
        commands=commands if inputs == HELD else (),
    )


def _kind(proof: Proof) -> str:
    return HELD if proof.inputs == DARK else proof.inputs


def _questions(certificate: Certificate, proof: Proof) -> Questions:
    """The same questions, made anew."""
    part: Part = certificate.part
    questions = Questions(part, proof.restart, LATER if proof.later else proof.start, _kind(proof), OTHER)
    questions.settling, questions.standing = proof.settling, proof.standing
    for lemma in certificate.lemmas:
        questions.exclude(lemma)
    if proof.later:
        for lemma in certificate.later.get((proof.restart, proof.start, _kind(proof)), ()):
            questions.exclude_later(lemma)
    return questions


def _not_inductive(system: System, lemmas: Sequence[Cube]) -> Iterator[str]:
    """Lemmas that the initial state, or some step, breaks."""
    for lemma in lemmas:
        if all(system.initial.get(slot, value) == value for slot, value in lemma):
            yield f"the initial state breaks {lemma}"
    circuit = system.circuit
    now = [[-_literal(system.bits, bit) for bit in lemma] for lemma in lemmas]
    after = [circuit.every(_literal(system.next, bit) for bit in lemma) for lemma in lemmas]
    solver = new_solver([*circuit.clauses, *now, after], name=OTHER)
    if lemmas and solver.solve():
        yield "a step breaks the lemmas"
    solver.delete()


def _literal(bits: dict[tuple[str, object], int], bit: tuple[tuple[str, object], bool]) -> int:
    return bits[bit[0]] if bit[1] else -bits[bit[0]]
