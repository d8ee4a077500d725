"""The satisfiability solver that predictions need: an extra of its own, named with its install line when missing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

INSTALL = 'pip install "restart-bench[predict]"'
FAST = "minisat22"  # many small questions
OTHER = "cadical153"  # for the check of proofs: another solver by other people


class SolverMissing(RuntimeError):
    """python-sat is not installed. The text names the install line."""

    def __init__(self) -> None:
        super().__init__(f"predictions need python-sat, which is not installed; {INSTALL}")


def new_solver(clauses: Iterable[list[int]] = (), name: str = FAST) -> Any:
    """A solver that holds some clauses. Raises SolverMissing where python-sat is not installed."""
    try:
        from pysat.solvers import Solver
    except ImportError:
        raise SolverMissing from None
    return Solver(name=name, bootstrap_with=clauses)
