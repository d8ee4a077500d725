"""The kinds of expectation: all that the bench has to know of each, in one table.

A new kind is a new entry here, its judge (`judging/expectations.py`), how its keys are read
(`suite/expectation_reader.py`) and its keys in the file's model (`suite/scenario_schema.py`). Tests ask for every
column of every entry.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from restart_bench.model.rig import Wanted


@dataclass(frozen=True, slots=True)
class ExpectationFacts:
    """What is so of all expectations of one kind.

    `words` is how one is shown and known, `should` how a finding says what ought to have been; both are filled in with
    `wanted`, `longer_than`, `window` and `until` (the last two begin with a space where there are any).
    """

    words: str
    should: str
    written: tuple[str, ...]  # keys of a file of which one makes an expectation of this kind
    keys: tuple[str, ...]  # keys that mean something beside it
    beside: tuple[str, ...] = ()  # kinds that may be demanded together with it
    forbids: bool = False  # what it names must never be seen; else nothing but that
    always: Wanted | None = None  # what it speaks of where no file names it
    counts_pulses: bool = False  # a deviation counts from a length on: short ones may hide between two reads
    through_the_dark: bool = False  # speaks of the time in which the controller is silent: needs independent I/O


class ExpectationKind(StrEnum):
    """`is`: the settled state, or within a time. `never`: must not be seen from the cut on. `stays`: never anything
    else. `returns` (never): may stay on through a dip, but once off it stays off."""

    IS = "is"
    NEVER = "never"
    STAYS = "stays"
    RETURNS = "returns"

    @property
    def facts(self) -> ExpectationFacts:
        """All that is known of this kind."""
        return EXPECTATION_KINDS[self]


EXPECTATION_KINDS: dict[ExpectationKind, ExpectationFacts] = {
    ExpectationKind.IS: ExpectationFacts(
        words="is {wanted}{window}{until}",
        should="should be {wanted}",
        written=("is", "one_of", "above", "below", "change"),
        keys=("within", "between", "blind", "until", "tolerance"),
        beside=("never",),
    ),
    ExpectationKind.NEVER: ExpectationFacts(
        words="never {wanted} for {longer_than} or longer{until}",
        should="it should never be {wanted} for {longer_than} or longer",
        written=("never",),
        keys=("longer_than", "until"),
        beside=("is",),
        forbids=True,
        counts_pulses=True,
        through_the_dark=True,
    ),
    ExpectationKind.STAYS: ExpectationFacts(
        words="stays {wanted}, deviations shorter than {longer_than} allowed",
        should="it should stay {wanted}",
        written=("stays",),
        keys=("longer_than", "tolerance"),
        counts_pulses=True,
        through_the_dark=True,
    ),
    ExpectationKind.RETURNS: ExpectationFacts(
        words="never returns without a command",
        should="once off it should stay off",
        written=("returns",),
        keys=(),
        forbids=True,
        always=Wanted(equals=True),
        counts_pulses=True,
        through_the_dark=True,
    ),
}
