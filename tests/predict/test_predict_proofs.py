"""Proofs are proved again by another solver, and by decision diagrams."""

from __future__ import annotations

import sys
from dataclasses import replace

import pytest

from predict_diagrams import Diagrams
from predict_programs import generated
from predict_small import SMALL
from restart_bench.model.program import Program
from restart_bench.predict.engine import predict
from restart_bench.predict.proving.layout import VALUE
from restart_bench.predict.proving.parts import FIRST_ON, REST, SETTLES_ON, SUPPLY, WARM
from restart_bench.predict.proving.proofs import Certificate, Proof
from restart_bench.predict.proving.recheck import broken
from restart_bench.predict.proving.solver import SolverMissing


def proven_of(program: Program) -> list[Certificate]:
    """What is proven for all answers of a program."""
    certificates: list[Certificate] = []
    predict(program, proven=certificates)
    return certificates


@pytest.mark.parametrize("seed", range(6))
def test_every_denial_is_proved_again(seed: int) -> None:
    """Initial state, one step and every claim: another solver finds nothing to break in what was proven."""
    certificates = proven_of(generated(seed, 7, timers=seed % 2 == 1))
    assert sum(len(one.proofs) for one in certificates) > 0
    assert [broken(one) for one in certificates] == [[]] * len(certificates)


def test_a_false_lemma_is_found_out() -> None:
    """A lemma that some step breaks, or the initial state, doesn't stand."""
    certificates = proven_of(SMALL["set and reset"])
    steps = replace(certificates[0], lemmas=(((("m", VALUE), True),),))
    initial = replace(certificates[0], lemmas=(((("m", VALUE), False),),))
    assert broken(steps) == ["a step breaks the lemmas"]
    assert any("initial state" in text for text in broken(initial))


def test_a_false_denial_is_found_out() -> None:
    """A claim that some path shows doesn't stand as impossible."""
    certificates = proven_of(SMALL["set and reset"])
    false = Proof(SUPPLY, WARM, False, REST, (1, 1), False, "m", SETTLES_ON)
    assert len(broken(replace(certificates[0], proofs=(false,)))) == 1


def test_decision_diagrams_say_the_same() -> None:
    """A third engine, over all reachable states at once, agrees on first scan and settled state at rest."""
    from dd.autoref import BDD

    for seed in range(20, 32):
        program = generated(seed, 6, counters=False)
        diagrams = Diagrams(program, BDD())
        answers = predict(program, restarts=[(SUPPLY, WARM)], environments=[REST])
        assert answers
        for answer in answers:
            ours = (answer.can(FIRST_ON), answer.settles in ("off",), answer.settles in ("on",))
            assert ours == diagrams.says(answer.point), (seed, answer.point)


def test_without_the_solver_the_install_line_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody has to guess which package is missing."""
    monkeypatch.setitem(sys.modules, "pysat.solvers", None)
    with pytest.raises(SolverMissing, match=r'pip install "restart-bench\[predict\]"'):
        predict(SMALL["set and reset"])
