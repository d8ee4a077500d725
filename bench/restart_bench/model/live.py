"""What a live screen is shown: the state of the run at one instant. Made by `run`, drawn by `screen`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, Protocol

from restart_bench.model.rig import Proof

if TYPE_CHECKING:
    from restart_bench.model.journal import Record

Guess = Callable[[str], bool | None]
"""Asks a person what he expects: yes, no, or None where he does not know."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Newest good value of a point (None: none yet, or blind now)."""

    value: bool | int | float | None
    sent_ns: int
    received_ns: int


class Left(NamedTuple):
    """What is left of a run, in nanoseconds: at least, usually, and at most. `usual_ns` is None before any cycle was
    done, `high_ns` where nobody can tell."""

    low_ns: int
    usual_ns: int | None
    high_ns: int | None


@dataclass(frozen=True, slots=True)
class Moved:
    """A value change since the state before: seen by a read received at this instant."""

    point: str
    value: bool | int | float
    received_ns: int


@dataclass(frozen=True, slots=True)
class LiveState:
    """The run at one instant. `supply` is what was last commanded, `powered` what a supply proof says (None:
    nothing says it). Lights: answering (any reply within the last `answer_within` and a poll), running (ready).
    `marks_ns`: the latest instant of each mark that is known by now, as it is kept.
    """

    at_ns: int
    phase: str  # preparing, before, waiting for the cut, power is off, waiting for ready, watching, ...
    doing: str  # the step or wait in one line
    scenario: str
    case: str
    cycle: int  # through the run
    of_cycles: int
    phase_started_ns: int
    phase_ends_ns: int | None  # where that is known
    left_ns: Left | None  # what the run still takes; None: not known
    supply: str  # on, off, level, unknown
    powered: bool | None
    answering: bool | None
    running: bool | None
    readings: dict[str, Reading]
    moved: tuple[Moved, ...] = ()
    cut_ns: int | None = None
    restored_ns: int | None = None
    marks_ns: Mapping[str, int] = field(default_factory=dict)
    done_again: int = 0  # cycles of the runs before that were broken off: numbered, but not counted


def powered_by_proof(proofs: Sequence[Proof], readings: Mapping[str, Reading]) -> bool | None:
    """What the first supply proof that is read says now: True for power there, None where none says anything."""
    for proof in proofs:
        if proof.of_supply and proof.point is not None and proof.wanted is not None and proof.point in readings:
            value = readings[proof.point].value
            return None if value is None else not proof.wanted.met_by(value)
    return None


class Show(Protocol):
    """Anything that shows a run: records as they are saved, states at some ten a second. Must not raise; what it
    raises is noted and the run goes on. One that shows states more seldom, or never (FAR_NS), may say so by an
    attribute `every_ns`: none is made for it meanwhile."""

    def record(self, record: Record) -> None: ...

    def live(self, state: LiveState) -> None: ...

    def close(self) -> None: ...
