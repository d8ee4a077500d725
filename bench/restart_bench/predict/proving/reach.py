"""Which states can never come about: property-directed reachability (IC3), with what it learns kept for all questions.

A cube is a set of bits with values, and stands for all states that agree with it. A lemma says that no state of its
cube can come about. `proven` holds lemmas that together are inductive: the initial state meets them, and no step leads
from states that meet them all to one that doesn't. `frames[i]` holds lemmas that are true for the first i steps.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from itertools import count

from restart_bench.predict.proving.layout import Slot
from restart_bench.predict.proving.patience import go_on
from restart_bench.predict.proving.solver import new_solver
from restart_bench.predict.proving.systems import System

Cube = tuple[tuple[Slot, bool], ...]


class GaveUp(Exception):
    """A question took more steps than it was given."""


class Reachability:
    """Learns what a transition system can't reach. patience: steps after which one question is given up."""

    def __init__(self, system: System, patience: int = 3000) -> None:
        self.system = system
        self.patience = patience
        self.proven: list[Cube] = []
        self._slot = {literal: slot for slot, literal in system.bits.items()}
        self._next = {literal: system.next[slot] for slot, literal in system.bits.items()}
        self._initial = {system.bits[slot]: value for slot, value in system.initial.items()}
        self._top = system.circuit.count
        self._solver = new_solver(system.circuit.clauses)
        self._frames: list[set[tuple[int, ...]]] = [set(), set()]
        self._marks = [0, self._new()]
        self._choices = [literal for literal in system.circuit.open if literal not in self._slot]
        self._steps = 0

    # ------------------------------------------------------------ questions

    def cannot_reach(self, cube: Cube) -> bool:
        """True once the cube is proven unreachable, False if some path leads into it. Raises GaveUp."""
        self._steps = 0
        wanted = tuple(self.system.bits[slot] if value else -self.system.bits[slot] for slot, value in cube)
        if self._meets_initial(wanted):
            return False
        if self._excluded(wanted):
            return True
        core = self._inductive(wanted, None)
        if core is not None:
            self._prove(self._smaller(core, None))
            return True
        while True:
            if not self._block(wanted):
                return False
            self._deepen()
            if self._excluded(wanted):
                return True

    # ------------------------------------------------------------ blocking

    def _block(self, wanted: tuple[int, ...]) -> bool:
        """False if a path of at most as many steps as there are frames leads into the cube."""
        deepest = len(self._frames) - 1
        number = count()
        waiting = [(deepest, next(number), wanted)]  # cubes to be shown unreachable within so many steps
        while waiting:
            level, _, cube = heapq.heappop(waiting)
            if level == 0 or self._meets_initial(cube):
                return False
            core, found = self._entered(cube, level - 1)
            if found is not None:
                heapq.heappush(waiting, (level - 1, next(number), found))
                heapq.heappush(waiting, (level, next(number), cube))
                continue
            lemma = self._smaller(core, level - 1)
            reached = level
            while reached < deepest and self._inductive(lemma, reached) is not None:
                reached += 1
            self._learn(lemma, reached)
            if reached < deepest:
                heapq.heappush(waiting, (reached + 1, next(number), cube))
        return True

    def _entered(self, cube: tuple[int, ...], level: int | None) -> tuple[tuple[int, ...], tuple[int, ...] | None]:
        """Whether some step enters a cube from outside it, among the states of a frame (None: the proven ones).

        If none does, a part of the cube for which the same is shown; else states from which one does.
        """
        go_on()
        self._steps += 1
        if self._steps > self.patience:
            raise GaveUp
        guard = self._new()
        self._solver.add_clause([-guard, *(-literal for literal in cube)])
        assumed = [guard, *self._of_frame(level), *(self._after(literal) for literal in cube)]
        if self._solver.solve(assumptions=assumed):
            model = self._solver.get_model()
            self._solver.add_clause([-guard])
            return (), self._origin(model, cube, level)
        core = set(self._solver.get_core() or ())
        self._solver.add_clause([-guard])
        kept = tuple(literal for literal in cube if self._after(literal) in core)
        return self._without_initial(kept, cube), None

    def _inductive(self, cube: tuple[int, ...], level: int | None) -> tuple[int, ...] | None:
        """A part of the cube that no step enters from outside it, None if some step enters the cube."""
        core, found = self._entered(cube, level)
        return core if found is None else None

    def _of_frame(self, level: int | None) -> list[int]:
        if level is None:
            return []
        if level == 0:
            return [literal if value else -literal for literal, value in self._initial.items()]
        return self._marks[level:]

    def _origin(self, model: list[int], cube: tuple[int, ...], level: int | None) -> tuple[int, ...]:
        """The bits of a state because of which its step leads into the cube, whatever the others are."""
        state = [literal if model[literal - 1] > 0 else -literal for literal in self._slot]
        if level in (0, None):
            return tuple(state)
        choices = [literal if model[literal - 1] > 0 else -literal for literal in self._choices]
        guard = self._new()
        self._solver.add_clause([-guard, *(-self._after(literal) for literal in cube)])
        assert not self._solver.solve(assumptions=[guard, *choices, *state])
        core = set(self._solver.get_core())
        self._solver.add_clause([-guard])
        return tuple(literal for literal in state if literal in core)

    # ------------------------------------------------------------ lemmas

    def _smaller(self, cube: tuple[int, ...], level: int | None) -> tuple[int, ...]:
        """The cube with as few bits as a first try can show to be enough."""
        kept = cube
        for literal in cube:
            if literal not in kept or len(kept) == 1:
                continue
            tried = tuple(other for other in kept if other != literal)
            if self._meets_initial(tried):
                continue
            core = self._inductive(tried, level)
            if core is not None:
                kept = core
        return kept

    def _learn(self, cube: tuple[int, ...], level: int) -> None:
        self._frames[level].add(cube)
        self._solver.add_clause([-self._marks[level], *(-literal for literal in cube)])

    def _prove(self, cube: tuple[int, ...]) -> None:
        self.proven.append(tuple((self._slot[abs(literal)], literal > 0) for literal in cube))
        self._solver.add_clause([-literal for literal in cube])

    def _deepen(self) -> None:
        """One more step: lemmas move up; where all of a frame do, those above it are inductive."""
        self._frames.append(set())
        self._marks.append(self._new())
        for level in range(1, len(self._frames) - 1):
            for cube in sorted(self._frames[level]):
                if self._inductive(cube, level) is not None:
                    self._frames[level].discard(cube)
                    self._learn(cube, level + 1)
            if not self._frames[level]:
                self._close(level)
                return

    def _close(self, level: int) -> None:
        for frame in self._frames[level + 1 :]:
            for cube in frame:
                self._prove(cube)
        self._frames = self._frames[: level + 1]
        self._marks = self._marks[: level + 1]

    # ------------------------------------------------------------ small things

    def _new(self) -> int:
        self._top += 1
        return self._top

    def _after(self, literal: int) -> int:
        return self._next[literal] if literal > 0 else -self._next[-literal]

    def _meets_initial(self, cube: Iterable[int]) -> bool:
        return all(self._initial.get(abs(literal), literal > 0) == (literal > 0) for literal in cube)

    def _without_initial(self, kept: tuple[int, ...], cube: Sequence[int]) -> tuple[int, ...]:
        """A part of a cube, with one more bit where it would hold the initial state otherwise."""
        if kept and not self._meets_initial(kept):
            return kept
        extra = next((literal for literal in cube if not self._meets_initial([literal])), None)
        return tuple(cube) if extra is None else tuple(one for one in cube if one in kept or one == extra)

    def _excluded(self, cube: tuple[int, ...]) -> bool:
        return not self._solver.solve(assumptions=list(cube))
