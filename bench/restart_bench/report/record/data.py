"""What a record shows, as plain values: everything that the page says, before any of it is laid out.

Times of a diagram are nanoseconds counted from the instant that `CaseDiagram.zero` names; every pair of them is
(not before, not after).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from restart_bench.judging.matrix import MatrixRow
from restart_bench.judging.summary import FindingRow
from restart_bench.model.verdicts import Verdict

if TYPE_CHECKING:
    from restart_bench.judging.campaign.case_map import CaseRow
    from restart_bench.judging.campaign.measured_times import MeasuredTime
    from restart_bench.predict.explaining import Explanation
    from restart_bench.report.record.played_picture import PlayedPicture
    from restart_bench.report.record.search_picture import SearchPicture


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of "what was tested": a name and what stands beside it. `code` sets digests and ids in even type."""

    name: str
    value: str
    code: bool = False


@dataclass(frozen=True, slots=True)
class FactGroup:
    """Facts under one heading."""

    title: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class DeviceRow:
    """One device of the rig. `role`: controller, independent I/O or supply."""

    name: str
    role: str
    address: str
    details: str


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point of the rig. `place` says table, address and item number: "coil, address 0 = item 1"."""

    name: str
    label: str
    device: str
    place: str
    terminal: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixLine(MatrixRow):
    """One output in one case of a scenario."""

    scenario: str
    case: str


@dataclass(frozen=True, slots=True)
class ScenarioRow:
    """One scenario as judged. `counted` maps verdicts to cycles; `planned` is what should have been done."""

    name: str
    purpose: str
    verdict: Verdict
    reason: str
    cycles: int
    planned: int
    counted: dict[str, int]
    limits: tuple[str, ...]
    steps: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cases: tuple[CaseRow, ...] = ()  # none where there is only one
    how: Literal["supply", "mode"] = "supply"  # what was cut
    search: SearchPicture | None = None


@dataclass(frozen=True, slots=True)
class DemonstrationRow:
    """What the cycles of a case show about reliability. Fractions between 0 and 1; `lower` is the one-sided
    Clopper-Pearson bound at `confidence`, `asked` None where no demonstration was ordered."""

    scenario: str
    case: str
    asked: float | None
    confidence: float
    needed: int | None
    cycles: int
    failures: int
    lower: float
    reached: bool | None


@dataclass(frozen=True, slots=True)
class TroubleRow:
    """Something that went wrong or is worth noting. `cycle` 0: the whole run. `times`: how often the like of it came,
    which differs in figures alone; the first of them is told."""

    cycle: int
    kind: str
    text: str
    error: bool
    times: int = 1


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a lane. kinds: `value` (read as `value`), `change` (somewhere in here it became `value`),
    `blind` (no counting evidence). `counts` is False for reads that prove nothing."""

    kind: Literal["value", "change", "blind"]
    from_ns: int
    to_ns: int
    value: float | None = None
    counts: bool = True


@dataclass(frozen=True, slots=True)
class DrawnLane:
    """One lane of a diagram. `pair` is the same for an output and its terminal. roles: `supply` (as commanded),
    `proof`, `output` (what the controller says), `terminal` (what independent I/O sees), `other`, `command`."""

    point: str
    label: str
    place: str
    role: Literal["supply", "proof", "output", "terminal", "other", "command"]
    boolean: bool = True
    unit: str = ""
    pair: int = 0


@dataclass(frozen=True, slots=True)
class DrawnMark:
    """A mark of a cycle, or the span of its function check, counted from the diagram's zero."""

    name: str
    not_before_ns: int
    not_after_ns: int


@dataclass(frozen=True, slots=True)
class DrawnCycle:
    """One cycle of a diagram; `pieces` has one entry for each lane, in the lanes' order. `left_out` counts changes
    that were too many to draw."""

    cycle: int
    number: int
    verdict: Verdict
    reason: str
    marks: tuple[DrawnMark, ...]
    pieces: tuple[tuple[Piece, ...], ...]
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class CaseDiagram:
    """The timing diagram of one case. `of_cycles` cycles were judged; `cycles` are those that are drawn. `lost` and
    `back` are what the marks `cut` and `restored` are called in it."""

    scenario: str
    case: str
    zero: str
    lanes: tuple[DrawnLane, ...]
    cycles: tuple[DrawnCycle, ...]
    of_cycles: int
    lost: str = "OFF"
    back: str = "ON"

    @property
    def large(self) -> dict[str, str]:
        """The marks that are named large, and how."""
        return {"cut": self.lost, "restored": self.back, "answered": "ANSWERING", "ready": "RUNNING"}


@dataclass(frozen=True, slots=True)
class RecordData:
    """All that a record says of one run."""

    run: str
    rig: str
    rig_label: str
    simulated: bool
    verdict: Verdict
    reason: str
    how_ended: str
    started: str
    by: str
    scenarios: tuple[ScenarioRow, ...]
    matrix: tuple[MatrixLine, ...]
    not_tested: tuple[str, ...]
    facts: tuple[FactGroup, ...] = ()
    devices: tuple[DeviceRow, ...] = ()
    points: tuple[PointRow, ...] = ()
    files: tuple[Mapping[str, str], ...] = ()  # the input files as run.json tells them
    wiring: tuple[str, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    diagrams: tuple[CaseDiagram, ...] = ()
    times: tuple[MeasuredTime, ...] = ()
    demonstrations: tuple[DemonstrationRow, ...] = ()
    troubles: tuple[TroubleRow, ...] = ()
    notes: tuple[str, ...] = field(default=())
    rehearsal: bool = False
    program: str = ""
    switched: str = ""
    limits_in_short: tuple[str, ...] = ()
    program_text: str = ""  # of the program model, where there is one
    explanation: Explanation | None = None  # why, as that program behaves
    otherwise: tuple[str, ...] = ()  # outputs of which something else was measured than it does
    simulated_devices: tuple[str, ...] = ()  # of an armed run: they say so of themselves
    unheard_devices: tuple[str, ...] = ()  # of an armed run: they were never heard to say what they are
    played: PlayedPicture | None = None  # where more than one combination is asked for
    judged_again_by: str = ""  # a scenario file, where the judgement is not the one that is archived
    altered: str = ""  # of an archive that is not as it was closed: what is not

    @property
    def cycles(self) -> int:
        """Cycles judged in the run."""
        return sum(scenario.cycles for scenario in self.scenarios)
