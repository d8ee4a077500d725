"""The words that all parts of the bench exchange: bounds, samples, commands, marks, findings, and the journal.

One stream of records: live view, judgement, record, comparison and replay read the same. Samples
travel as fixed-size binary records (see `SampleLayout`), all else as the dataclasses at the end of this file,
one JSON line each in `journal.jsonl`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, Literal, get_args

from restart_bench.model.clock import Bounds
from restart_bench.model.verdicts import Verdict

# ---------------------------------------------------------------- samples


STANDS_FOR = "stands_for"
"""Name of the column that condensed samples have besides: how many samples a row stands for (see `condensing`)."""


# ---------------------------------------------------------------- journal


@dataclass(frozen=True, slots=True)
class RunStarted:
    """What is known before."""

    run: str
    rig: str
    at_ns: int
    wall: str
    seed: int
    simulated: bool
    scenarios: tuple[str, ...]
    planned_cycles: int
    simulated_devices: tuple[str, ...] = ()  # of an armed run: they say of themselves that they are simulated


@dataclass(frozen=True, slots=True)
class Introduced:
    """A device that was not heard when the run began answers, and was asked what it is."""

    device: str
    says: str  # what it says it is, "" where it says nothing of itself
    simulated: bool  # it says of itself that it is simulated
    at_ns: int


@dataclass(frozen=True, slots=True)
class CycleStarted:
    """One cycle begins; cycles are numbered through the run from 1. `at_ns` is the drawn delay of the cut."""

    cycle: int
    scenario: str
    case: str
    number: int  # within its case, from 1
    of: int  # planned in its case
    off_for_ns: int
    cut_delay_ns: int
    at_ns: int
    searched: bool = False  # the off time follows from the cycles before, and `of` is the most that there will be


@dataclass(frozen=True, slots=True)
class StepDone:
    """A step ended. `reached` is False where an `expect` did not come true or a person said no; None where the
    step could not be done (`reason` says why)."""

    cycle: int
    phase: str
    index: int
    text: str
    reached: bool | None
    started_ns: int
    ended_ns: int
    reason: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class CutAnnounced:
    """Written and fsynced before each cut: names both commands."""

    cycle: int
    how: str
    off: str
    on: str
    at_ns: int


WAY_OUT = ("rest", "park")
"""Purposes of commands with which a rig is left; they are tried more than once."""


BROKEN_OFF = "broken off"
"""The problem of a command whose question a person broke off: that is no relay's fault."""


@dataclass(frozen=True, slots=True)
class Switching:
    """One command to the supply (or to the mode): bounds of the command itself, without the relay's delays.

    purposes: `prepare` (supply on before the first step), `cut`, `restore`, `rest` (way out), `park`.
    `to`: on, off, level (supply); run, stop (mode). `problem` is "" when the command was taken.
    """

    cycle: int
    what: Literal["supply", "mode"]
    to: str
    purpose: str
    before_ns: int
    after_ns: int
    problem: str = ""
    retries: int = 0


@dataclass(frozen=True, slots=True)
class WriteAnnounced:
    """Written before a command that takes a point out of where it rests: should the bench be killed before it can tell
    what came of it, the next start lets go of the point."""

    cycle: int
    point: str
    value: bool | int | float
    purpose: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class PointWritten:
    """One command to a point. `purpose`: press, release, hold, write, idle, mode, check pulse."""

    cycle: int
    point: str
    value: bool | int | float
    purpose: str
    sent_ns: int
    received_ns: int
    problem: str = ""
    retries: int = 0


@dataclass(frozen=True, slots=True)
class Answered:
    """A person was asked and answered (`answer` False: no, or refused)."""

    cycle: int
    question: str
    answer: bool
    asked_ns: int
    answered_ns: int
    point: str = ""


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a learner expects of an output before the cut: `answer` is whether it will be on afterwards (None: does not
    know). `now_on`: what it read when the question was put."""

    cycle: int
    learner: str
    point: str
    now_on: bool
    answer: bool | None
    asked_ns: int
    answered_ns: int


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that makes the cycle (or the run) an error, or worth noting.

    `kind`: unreachable, relay, stuck, only_while, observer, log, slept, identity, network, wall clock, stopped.
    `error` is False for mere notes. `at_ns` is its earliest instant.
    """

    cycle: int
    kind: str
    text: str
    at_ns: int
    error: bool = True


@dataclass(frozen=True, slots=True)
class CycleEnded:
    """The last instant of the cycle (mark `end`)."""

    cycle: int
    at_ns: int
    completed: bool  # every planned phase was gone through
    phase: str = ""  # where it stopped, if it did not complete


@dataclass(frozen=True, slots=True)
class Mark:
    """A named instant of a cycle."""

    name: str
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class Change:
    """A change of a point: it lies in (not before, not after]. `before` is None after a blind span without a
    known value; `counts` is False for reads that prove nothing (rule 3)."""

    point: str
    before: float | None
    after: float
    bounds: Bounds
    counts: bool = True


class FindingKind(StrEnum):
    """What a finding is about; beside each, what its `subject` is."""

    EXPECTATION = "expectation"  # the point, of which a scenario demands something
    MARK = "mark"  # the mark that `times:` limits
    READY = "ready"  # the mark that the rig limits
    RESTART = "restart"  # nothing more
    GAP = "gap"  # the point that comes first
    PROGRAM = "program"  # the point that identifies the program
    DEVICE = "device"  # the point that identifies the device, and was not read again
    CHECK_CHANNEL = "check channel"  # the point that was not read again
    ONLY_WHILE = "only_while"  # the point that was not read again
    FUNCTION_CHECK = "function check"  # the step
    VALIDITY = "validity"  # the kind of problem that makes the cycle an error
    COMPLETION = "completion"  # nothing more: the cycle did not go through all its phases
    CHANNEL = "channel"  # the point whose channel was never seen on in the run
    REHEARSAL_STEP = "rehearsal step"  # the step
    CYCLE = "cycle"  # nothing more: the cycle as a whole, where no other finding tells its verdict


WITHOUT_THE_ERROR = "without_the_error"
"""The figure that a finding has which a problem of its cycle has made an error: what it was before that."""


LEFT_OUT = "left out"
"""The subject of the validity of a cycle whose cut a search can't use, because bench or computer were late (rule 8)."""


_LOOKED_AT = {
    "unproven": "proof of the cut", "contradicted": "proofs of the cut", "before": "state before the cut",
    "relay": "supply", "observer": "reading", "unreachable": "answers", "identity": "right device",
}  # fmt: skip
"""What is looked at where a cycle is not valid, of those subjects that do not say it themselves."""


CONTRADICTORY = "contradictory"
"""The figure that the finding of a restart has where some of its proofs say so and others the contrary."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One expectation judged, in one cycle. `kind` says what it is about and what `subject` is; `expectation` is how
    people read it, and nothing is to be taken from its words. `point` is as the file names it, "" for a mark or a
    whole-cycle finding. `figures` is JSON-able: `judged`, `before`, `at_loss`, `at_return`, `settled`, `delay_ns`
    [lo, hi], `gaps` [[from_ns, to_ns], ...] counted from `restored` where there is one, `shortest_excluded_ns`,
    `on_for_ns` [lo, hi] and so on. Times in figures count from the mark that the key names."""

    scenario: str
    case: str
    cycle: int
    point: str
    expectation: str
    verdict: Verdict
    reason: str
    figures: dict[str, Any] = field(default_factory=dict)
    kind: FindingKind = FindingKind.EXPECTATION
    subject: str = ""

    @property
    def words(self) -> str:
        """What was expected, as people read it; of a cycle's validity and end, which no file demands, what is looked at
        (a statement there would contradict its verdict)."""
        if self.kind is FindingKind.COMPLETION:
            return "end of the cycle"
        if self.kind is FindingKind.VALIDITY:
            return f"validity of the test: {_LOOKED_AT.get(self.subject, self.subject)}"
        if self.kind is FindingKind.GAP:
            return self.expectation.removeprefix(f"{self.point} ")  # which stands before it already
        return self.expectation

    @property
    def voided(self) -> bool:
        """True where a problem of its cycle has made it an error: it only repeats what the problem's finding says."""
        return WITHOUT_THE_ERROR in self.figures


Seen = bool | int | float | None


@dataclass(frozen=True, slots=True)
class OutputSeen:
    """What one output (or value) did in one cycle, from reads that count alone; None: not shown.

    `judged` is the point that was read for it. `before`: last value before the cut; `at_loss`: last value while the
    supply was off; `at_return`: first value after the return; `settled`: the one value from `settled` to the end of
    the watch, `at_end`: the last one. `loss_ns` bounds the last change after the cut (counted from it), `delay_ns`
    the change to the settled value (counted from `restored`), or the only change there was; None: no such change.
    `loss_pulses`: how often it had gone there and back before that last change. `changes` are those from the return to
    the end of the watch. `seen_on`: on at any time of the cycle (rule 9).
    `shortest_excluded_ns`: a pulse of this length or longer between the cut and the end of the watch would have been
    seen. `disagrees`: image and terminal differ lastingly.
    """

    point: str
    judged: str
    before: Seen = None
    at_loss: Seen = None
    at_return: Seen = None
    settled: Seen = None
    at_end: Seen = None
    loss_ns: tuple[int, int] | None = None
    loss_pulses: int = 0
    delay_ns: tuple[int, int] | None = None
    changes: int = 0
    seen_on: bool | None = None
    shortest_excluded_ns: int | None = None
    disagrees: str = ""

    @property
    def dropped(self) -> bool:
        """True where it was on and read off while the supply was off, or first thing after the return."""
        return self.before is True and (self.at_loss is False or self.at_return is False)


@dataclass(frozen=True, slots=True)
class CycleJudged:
    """All that was judged of a cycle. `figures` is JSON-able and speaks of the cycle as a whole: `off_time_ns` [lo, hi]
    (true off time, as narrow as commands, data sheet and proof make it), `retries` and so on; `notes` are worth knowing
    but judge nothing. `not_tested` are the points of which something is demanded that no finding tells of, because no
    cut was brought to its end; `reason` says why."""

    cycle: int
    scenario: str
    case: str
    verdict: Verdict
    reason: str
    marks: tuple[Mark, ...]
    findings: tuple[Finding, ...]
    ends_run: bool = False  # a person has to look before anything more is switched
    outputs: tuple[OutputSeen, ...] = ()
    notes: tuple[str, ...] = ()
    figures: dict[str, Any] = field(default_factory=dict)
    not_tested: tuple[str, ...] = ()

    @property
    def restarted(self) -> bool | None:
        """Whether the controller is shown to have restarted, or to have ridden through; None where neither is."""
        return next((one.figures["restarted"] for one in self.findings if "restarted" in one.figures), None)

    @property
    def is_error_as_a_whole(self) -> bool:
        """True where it is an error that none of its findings tells."""
        return self.verdict is Verdict.ERROR and not any(one.verdict is Verdict.ERROR for one in self.findings)

    @property
    def is_test(self) -> bool:
        """True where power or run mode was taken, nothing voided that, and nobody broke it off before the return:
        others show nothing about a restart."""
        broken_off = any(one.kind is FindingKind.COMPLETION for one in self.findings) and self.mark("restored") is None
        return self.mark("cut") is not None and self.verdict is not Verdict.ERROR and not broken_off

    @property
    def searched(self) -> bool:
        """True where the cycle is one of a search for what is ridden through: its off time is its own."""
        return "off_for_ns" in self.figures

    def mark(self, name: str) -> Bounds | None:
        """Bounds of a mark of this cycle."""
        return next((mark.bounds for mark in self.marks if mark.name == name), None)


@dataclass(frozen=True, slots=True)
class ScenarioJudged:
    """A scenario over all its cycles, with the limits of what was shown (rule 13).

    `head` is the reason without the reasons of cycles, `begun` the reason up to the first of them; each "" where that
    is all of it.
    """

    scenario: str
    verdict: Verdict
    reason: str
    cycles: int
    counted: dict[str, int] = field(default_factory=dict)  # verdict -> cycles
    limits: tuple[str, ...] = ()
    late_findings: tuple[Finding, ...] = ()  # rule 9: dead channel, seen only at the run's end (cycle 0)
    head: str = ""
    begun: str = ""

    @property
    def in_short(self) -> str:
        """The reason without those of cycles, for who has read these already."""
        return self.head or self.reason

    @property
    def with_an_example(self) -> str:
        """The reason with that of one cycle."""
        return self.begun or self.reason

    def overruled(self, verdict: Verdict, reason: str, **more: Any) -> ScenarioJudged:
        """The same scenario with another verdict for another reason."""
        return replace(self, verdict=verdict, reason=reason, head="", begun="", **more)


@dataclass(frozen=True, slots=True)
class RunEnded:
    """What is known at the end, written from a `finally`. `how`: completed, stopped, error, ended early, killed."""

    run: str
    how: str
    verdict: Verdict
    exit_code: int
    reason: str
    at_ns: int
    wall: str
    supply_left: str = ""


Record = (
    RunStarted | Introduced | CycleStarted | StepDone | CutAnnounced | Switching | WriteAnnounced | PointWritten
    | Answered | Forecast | Trouble | CycleEnded | CycleJudged | ScenarioJudged | RunEnded
)  # fmt: skip

RECORD_TYPES: dict[str, type[Any]] = {kind.__name__: kind for kind in get_args(Record)}


def table_number(digits: str) -> int:
    """A whole number as the archive's tables can hold it. Raises ValueError on any other."""
    number = int(digits)
    if not -(2**63) <= number < 2**63:
        raise ValueError(f"{digits[:40]} is beyond what 64 bits hold")
    return number


@dataclass(frozen=True, slots=True)
class CycleRecords:
    """The journal of one cycle, sorted by kind: with the samples of the cycle, all that it is judged from.

    `unanswered`: commands that a killed bench had announced, of which nobody knows whether they were carried out."""

    started: CycleStarted
    steps: tuple[StepDone, ...] = ()
    switchings: tuple[Switching, ...] = ()
    writes: tuple[PointWritten, ...] = ()
    answers: tuple[Answered, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    ended: CycleEnded | None = None
    unanswered: tuple[WriteAnnounced, ...] = ()


def cycle_records(records: list[Record]) -> dict[int, CycleRecords]:
    """The journal sorted into cycles, in one pass; records of no cycle (cycle 0) are left out."""
    sorted_out: dict[int, dict[type[Any], list[Any]]] = {}
    for record in records:
        cycle = getattr(record, "cycle", 0)
        if cycle:
            sorted_out.setdefault(cycle, {}).setdefault(type(record), []).append(record)
    return {
        cycle: CycleRecords(
            started=kinds[CycleStarted][-1],
            steps=tuple(kinds.get(StepDone, ())),
            switchings=tuple(kinds.get(Switching, ())),
            writes=tuple(kinds.get(PointWritten, ())),
            answers=tuple(kinds.get(Answered, ())),
            troubles=tuple(kinds.get(Trouble, ())),
            ended=next(iter(kinds.get(CycleEnded, ())), None),
            unanswered=_unanswered(kinds.get(WriteAnnounced, ()), kinds.get(PointWritten, ())),
        )
        for cycle, kinds in sorted_out.items()
        if CycleStarted in kinds
    }


def _unanswered(announced: Sequence[WriteAnnounced], written: Sequence[PointWritten]) -> tuple[WriteAnnounced, ...]:
    latest = {write.point: write.sent_ns for write in written}
    return tuple(one for one in announced if latest.get(one.point, one.at_ns - 1) < one.at_ns)


def supply_commands(records: Sequence[Record]) -> list[Switching]:
    """The commands to the supply that a journal names, oldest first."""
    return [record for record in records if isinstance(record, Switching) and record.what == "supply"]


def judged_cycles(records: Sequence[Record]) -> dict[int, CycleJudged]:
    """The judgement of each cycle in a journal."""
    return {record.cycle: record for record in records if isinstance(record, CycleJudged)}


def judged_scenarios(records: Sequence[Record]) -> dict[str, ScenarioJudged]:
    """The judgement of each scenario in a journal."""
    return {record.scenario: record for record in records if isinstance(record, ScenarioJudged)}


def run_end(records: Sequence[Record]) -> RunEnded | None:
    """The end of a run in its journal, the last one where it was told twice; None where the bench was killed."""
    return next((record for record in reversed(records) if isinstance(record, RunEnded)), None)
