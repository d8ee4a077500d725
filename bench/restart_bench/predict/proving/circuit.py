"""Boolean functions as a net of gates, written down as clauses while it grows.

A literal is an integer that is not 0; its negation is its negative. Equal gates are made once, and constants vanish,
so that what a restart has fixed costs nothing afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable

TRUE = 1
FALSE = -1


class Circuit:
    """A net of gates. clauses: together true exactly if every gate's literal is what its inputs make it; open: the
    literals that nothing drives."""

    def __init__(self) -> None:
        self.count = 1
        self.clauses: list[list[int]] = [[TRUE]]
        self.open: list[int] = []
        self._gates: dict[tuple[int, int, int], int] = {}

    def fresh(self) -> int:
        """A literal that nothing drives."""
        self.open.append(self._gate())
        return self.count

    def mark(self) -> int:
        """A literal that only switches clauses on."""
        return self._gate()

    def _gate(self) -> int:
        self.count += 1
        return self.count

    def and_(self, left: int, right: int) -> int:
        """AND of two literals."""
        if FALSE in (left, right) or left == -right:
            return FALSE
        if left in (TRUE, right):
            return right
        if right == TRUE:
            return left
        key = (0, left, right) if left < right else (0, right, left)
        gate = self._gates.get(key)
        if gate is None:
            gate = self._gates[key] = self._gate()
            self.clauses += [[-gate, left], [-gate, right], [gate, -left, -right]]
        return gate

    def or_(self, left: int, right: int) -> int:
        """OR of two literals."""
        return -self.and_(-left, -right)

    def xor(self, left: int, right: int) -> int:
        """Exclusive OR of two literals."""
        if left in (TRUE, FALSE):
            return -right if left == TRUE else right
        if right in (TRUE, FALSE):
            return -left if right == TRUE else left
        if abs(left) == abs(right):
            return FALSE if left == right else TRUE
        turned = (left < 0) != (right < 0)
        one, other = sorted((abs(left), abs(right)))
        gate = self._gates.get((1, one, other))
        if gate is None:
            gate = self._gates[1, one, other] = self._gate()
            self.clauses += [[-gate, one, other], [-gate, -one, -other], [gate, -one, other], [gate, one, -other]]
        return -gate if turned else gate

    def choose(self, when: int, then: int, otherwise: int) -> int:
        """`then` where `when` is true, else `otherwise`."""
        if when in (TRUE, FALSE):
            return then if when == TRUE else otherwise
        if then == otherwise:
            return then
        return self.or_(self.and_(when, then), self.and_(-when, otherwise))

    def every(self, literals: Iterable[int]) -> int:
        """AND of any number of literals."""
        left = [literal for literal in dict.fromkeys(literals) if literal != TRUE]
        if FALSE in left or any(-literal in left for literal in left[:8]):
            return FALSE
        if len(left) < 3:
            return self.and_(left[0], left[1]) if len(left) == 2 else left[0] if left else TRUE
        gate = self._gate()
        self.clauses += [[-gate, literal] for literal in left]
        self.clauses.append([gate, *(-literal for literal in left)])
        return gate

    def some(self, literals: Iterable[int]) -> int:
        """OR of any number of literals."""
        return -self.every(-literal for literal in literals)

    def differ(self, pairs: Iterable[tuple[int, int]]) -> int:
        """True where at least one pair is unequal."""
        return self.some(self.xor(left, right) for left, right in pairs)
