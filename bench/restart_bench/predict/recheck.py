"""Proofs are proved again, by another solver, from the program alone: nothing of the first search is taken over but
the lemmas, the claims and the length after which everything stands still.

For lemmas: the initial state meets them all, and no step leads from states that meet them to one that doesn't. For
claims: no state that meets the lemmas shows one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from restart_bench.predict.parts import COLD, DARK, HELD, LATER, MODE, SUPPLY, Part
from restart_bench.predict.proofs import Certificate, Proof
from restart_bench.predict.questions import Questions
from restart_bench.predict.reach import Cube
from restart_bench.predict.solver import OTHER, new_solver
from restart_bench.predict.systems import AFTER, System, before_the_cut, with_free_sensors


def broken(certificate: Certificate) -> list[str]:
    """What of a certificate does not hold, in words; empty if all of it does."""
    found = list(_not_inductive(before_the_cut(certificate.part.layout), certificate.lemmas))
    for (restart, start), lemmas in certificate.later.items():
        kind = COLD if start == COLD else MODE if restart == MODE else SUPPLY
        found += _not_inductive(with_free_sensors(certificate.part.layout, kind), lemmas)
    asked: dict[tuple[object, ...], Questions] = {}
    for proof in dict.fromkeys(certificate.proofs):
        key = (proof.restart, proof.start, proof.later, _kind(proof), proof.settling)
        if key not in asked:
            asked[key] = _questions(certificate, proof)
        if asked[key].ask(asked[key].denied(proof.output, proof.inputs, proof.claim)) is not None:
            found.append(f"{proof.output} may be what was denied: {proof}")
    return found


def _kind(proof: Proof) -> str:
    return HELD if proof.inputs == DARK else proof.inputs


def _questions(certificate: Certificate, proof: Proof) -> Questions:
    """The same questions, made anew."""
    part: Part = certificate.part
    questions = Questions(part, proof.restart, LATER if proof.later else proof.start, _kind(proof), OTHER)
    questions.settling = proof.settling
    lemmas: list[Cube] = list(certificate.lemmas)
    if proof.later:
        for lemma in certificate.later.get((proof.restart, proof.start), ()):
            if (AFTER, False) not in lemma:
                lemmas.append(tuple(bit for bit in lemma if bit[0] != AFTER))
    for lemma in lemmas:
        questions.exclude(lemma)
    return questions


def _not_inductive(system: System, lemmas: Sequence[Cube]) -> Iterator[str]:
    """Lemmas that the initial state, or some step, breaks."""
    for lemma in lemmas:
        if all(system.initial[slot] == value for slot, value in lemma):
            yield f"the initial state breaks {lemma}"
    circuit = system.circuit
    now = [[-_literal(system.bits, bit) for bit in lemma] for lemma in lemmas]
    after = [circuit.every(_literal(system.next, bit) for bit in lemma) for lemma in lemmas]
    solver = new_solver([*circuit.clauses, *now, _some(after)], name=OTHER)
    if lemmas and solver.solve():
        yield "a step breaks the lemmas"
    solver.delete()


def _some(literals: Iterable[int]) -> list[int]:
    return list(literals)


def _literal(bits: dict[tuple[str, object], int], bit: tuple[tuple[str, object], bool]) -> int:
    return bits[bit[0]] if bit[1] else -bits[bit[0]]
