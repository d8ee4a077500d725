"""The evidence of one cycle as all judgements see it: traces, marks, and the spans that expectations speak of.

The watch is the bench's own window: it begins when the controller was known to be ready, at the latest bound of
`ready`, and what lies before is judged by `never` and `stays`, not by `is`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from restart_bench.evidence.marks import as_the_rail_was_read, cut_of, progress_from, ready_deadline, restored_of
from restart_bench.evidence.reachability import ConnectionOutcome, Reachability
from restart_bench.evidence.restarts import counter_shows
from restart_bench.evidence.traces import Reads, Trace, TraceBuilder
from restart_bench.model.clock import NS_PER_S, Bounds
from restart_bench.model.journal import CycleRecords
from restart_bench.model.rig import Device, Point, Rig
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind, decoded
from restart_bench.model.scenario import Expectation, Scenario
from restart_bench.model.step_kinds import COMMANDS, facts_of
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import about, span_text

_LONGEST_HOLD_UP_NS = NS_PER_S
"""No power supply of a controller holds it up so long; who answers longer was not switched off yet."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with its reason. `proven_ns`: for a fail, the instant by which the deviation was wholly seen."""

    verdict: Verdict
    reason: str
    figures: dict[str, Any] = field(default_factory=dict)
    proven_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that makes the test not valid (rule 8). `at_ns` is its earliest instant; `void`: nothing of the
    cycle stands, whenever it was (rule 10)."""

    kind: str
    text: str
    at_ns: int
    void: bool = False
    ends_run: bool = False


def _until(samples: Mapping[str, DeviceSamples], end_ns: int) -> dict[str, DeviceSamples]:
    """What had been received by an instant: what the bench took in after the end of a cycle is no evidence for it,
    or live and archived evidence would not be the same (rule 1)."""
    kept = {}
    for name, taken in samples.items():
        in_time = taken.records["received_ns"] <= end_ns
        kept[name] = taken if bool(in_time.all()) else replace(taken, records=taken.records[in_time])
    return kept


def _undefined(point: Point) -> str:
    """What to do about a value that is no value."""
    if point.levels is None:
        return f"{point.shown} read no number (NaN); check its type and word order, and its sensor"
    low, high = point.levels.off_below, point.levels.on_above
    return (
        f"{point.shown} read between its levels ({low:g} and {high:g}), neither off nor on; check the sensor and its "
        "supply, or set other `levels:`"
    )


class Evidence:
    """All that one cycle is judged from. `cut` and `restored` are None where they were not commanded."""

    def __init__(
        self, rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples]
    ) -> None:
        self.rig = rig
        self.scenario = scenario
        self.records = records
        if records.ended is not None:
            samples = _until(samples, records.ended.at_ns)
        self._builder = TraceBuilder(rig, samples)
        self.contact = Reachability.with_controller(rig, self._builder)
        progress = progress_from(rig, scenario, records, self.contact, self._builder)
        self.marks, self.late = progress.marks, progress.late
        self.begins, self._watch_end_ns = progress.begins, progress.watch_end_ns
        self.cut = self.marks.get("cut")
        self.restored = self.marks.get("restored")
        last = max((int(one.records["received_ns"][-1]) for one in samples.values() if len(one.records)), default=0)
        self.end_ns = records.ended.at_ns if records.ended is not None else max(last, records.started.at_ns)

    # ------------------------------------------------------------ reads

    @property
    def builder(self) -> TraceBuilder:
        """What the traces are made by."""
        return self._builder

    def trace(self, name: str) -> Trace:
        """The trace of a point."""
        return self._builder.trace(name)

    def reads(self, name: str) -> Reads:
        """The good reads of a point that count."""
        return self._builder.trace(name).reads

    def before(self, name: str) -> float | None:
        """The last good value before the earliest bound of the cut."""
        return None if self.cut is None else self.reads(name).value_until(self.cut.not_before_ns)

    def age_before_ns(self, name: str) -> int | None:
        """How long before the cut the value of `before` was read, before the loss as it was read where that came later
        than its command; None where there is none."""
        if self.cut is None:
            return None
        last = self.reads(name).before(self.cut.not_before_ns)
        return max(self.cut.not_before_ns, self._lost_as_read_ns) - int(last.early[0]) if len(last) else None

    @cached_property
    def _lost_as_read_ns(self) -> int:
        """The earliest instant of the loss as a supply proof was read; 0 where none can tell."""
        cut = cut_of(self.rig, self.records)
        if cut is None or self.scenario.how != "supply":
            return 0
        told = cut, restored_of(self.rig, self.records)
        return as_the_rail_was_read(self.rig, self.builder, self.records, told)[0].not_before_ns

    @cached_property
    def fate(self) -> ConnectionOutcome:
        """What became of the controller's connection that was in use at the cut."""
        if self.contact is None or self.cut is None or self.restored is None:
            return ConnectionOutcome(None, None, None)
        return self.contact.fate(self.cut, self.restored)

    @property
    def rode_through(self) -> bool:
        """Whether the connection from before the cut answered after the return, and what ended it later, if anything
        did, restarted nothing."""
        return self.fate.lost is False or (self.fate.late and self.late is None)

    def outlived(self, name: str) -> bool | None:
        """True where a point's reads from before the return may be set against those after it: independent points,
        and the controller's unless it was seen to lose its connection. None: not to be told, as it only fell silent,
        which may be the network's, and no counter shows a restart."""
        if self.rig.is_independent(name) or self.fate.lost is not True or self.rode_through:
            return True
        assert self.cut is not None and self.restored is not None
        if self.fate.anew_ns is not None:
            return False
        return False if counter_shows(self.rig, self._builder, self.fate, self.cut, self.restored) else None

    # ------------------------------------------------------------ spans

    @property
    def ready_in_time(self) -> Bounds | None:
        """`ready`, where it came within its time, counted from where the marks count."""
        ready = self.marks.get("ready")
        if ready is None or self.begins is None:
            return None
        return ready if ready.not_after_ns <= ready_deadline(self.rig, self.begins).not_after_ns else None

    @property
    def settled_ns(self) -> int:
        """From here `is` counts: the latest bound of `settled`."""
        return self.marks["settled"].not_after_ns

    @property
    def watch_end_ns(self) -> int:
        """End of the watch: counted from `ready`, or from the end of its time."""
        assert self._watch_end_ns is not None
        return self._watch_end_ns

    def span_end(self, expectation: Expectation) -> tuple[int, int]:
        """Where the span of an expectation ends, and where reads stop being evidence for it: at the next command
        (or, for `until: watch`, when the function check begins)."""
        watch_end = self.watch_end_ns
        if expectation.until == "command":
            command = self._next_command_ns(watch_end)
            end = self.end_ns if command is None else command
            return max(watch_end, end), end
        begun = [step.started_ns for step in self.records.steps if step.phase == "function check"]
        return watch_end, min([watch_end, *begun])

    def _next_command_ns(self, after_ns: int) -> int | None:
        """The first press, write or ask of the function check."""
        steps = self.scenario.function_check
        found = [
            done.started_ns
            for done in self.records.steps
            if done.phase == "function check"
            and done.index < len(steps)
            and facts_of(steps[done.index].action).is_command
        ]
        restored = after_ns if self.restored is None else self.restored.not_after_ns
        found += [
            write.sent_ns for write in self.records.writes if write.purpose in COMMANDS and write.sent_ns > restored
        ]
        return min(found, default=None)

    # ------------------------------------------------------------ wording

    @property
    def back(self) -> str:
        """What `restored` is called."""
        return "run mode returned" if self.scenario.how == "mode" else "power returned"

    def since_restored(self, low_ns: int, high_ns: int) -> list[int]:
        """An instant's bounds counted from `restored`."""
        assert self.restored is not None
        return [low_ns - self.restored.not_after_ns, high_ns - self.restored.not_before_ns]

    def moment(self, instant_ns: int) -> str:
        """`0.31 s after power returned`, `12 ms after the cut`."""
        if self.restored is not None and instant_ns >= self.restored.not_before_ns:
            return f"{about(instant_ns - self.restored.not_before_ns)} after {self.back}"
        if self.cut is not None and instant_ns >= self.cut.not_before_ns:
            return f"{about(instant_ns - self.cut.not_before_ns)} after the cut"
        mark, word = (self.cut.not_before_ns, "the cut") if self.cut else (self.end_ns, "the end of the cycle")
        return f"{about(mark - instant_ns)} before {word}"

    def event(self, low_ns: int, high_ns: int) -> str:
        """An event between two instants: `1.2..1.22 s after power returned`."""
        if self.restored is not None and low_ns >= self.restored.not_before_ns:
            low, high = self.since_restored(low_ns, high_ns)
            return f"{span_text(max(0, low), high)} after {self.back}"
        return self.moment(high_ns)

    def gap_text(self, gap: tuple[int, int]) -> str:
        """`no reads from 0.31 s to 0.92 s after power returned`."""
        first, last = self.moment(gap[0]), self.moment(gap[1])
        if self.cut is not None and gap[0] == self.cut.not_before_ns:
            first = "the cut"
        head, _, tail = first.partition(" after ")
        if tail and last.endswith(f" after {tail}"):
            first = head
        return f"no reads that count from {first} to {last}"

    def gaps_figure(self, gaps: list[tuple[int, int]]) -> list[list[int]]:
        """Gaps counted from `restored` (its earliest bound), for figures."""
        base = self.restored.not_before_ns if self.restored is not None else 0
        return [[begin - base, end - base] for begin, end in gaps[:50]]

    def cure_of_gap(self, judged: str, gap: tuple[int, int]) -> str:
        """What would close a gap in the reads of a point, going by what came in that time instead."""
        return self._cause(judged, gap) or self._out_of_reach(judged, gap) or self.cure(judged, gap[1] - gap[0])

    def _out_of_reach(self, judged: str, gap: tuple[int, int]) -> str:
        """Why a controller that had been ready when the gap began did not answer: had it restarted then, ready would
        count from there. "" where the gap began before that."""
        device = self.rig.devices[self.rig.points[judged].device]
        ready = self.marks.get("ready")
        if not device.powered_by_supply or ready is None or gap[0] < ready.not_after_ns:
            return ""
        return (
            f"see why {device.name} did not answer then (its network, other clients): it had been ready, and was not "
            "seen to restart"
        )

    def _cause(self, judged: str, gap: tuple[int, int]) -> str:
        """Why nothing that counts was read although the device answered; "" where it did not answer, or restarted."""
        point = self.rig.points[judged]
        device = self.rig.devices[point.device]
        rows = self._builder.rows(device.name)
        if rows is None or (device.powered_by_supply and gap[0] < self._counting_again_ns()):
            return ""
        sent, received = (rows.column(name).astype(np.int64, copy=False) for name in ("sent_ns", "received_ns"))
        begun = gap[0] + self.trace(judged).lag_ns  # the reads at both ends of the gap are good
        inside = (sent > begun) & (received < gap[1])
        kind, request = rows.column("kind")[inside], rows.column("request")[inside]
        mine = kind[request == rows.request_of(judged)]
        if bool((mine == SampleKind.GOOD).any()):
            reads = self.reads(judged)
            if bool(((reads.early > gap[0]) & (reads.late < gap[1])).any()):
                return "the watch was over, and what was read later came after a command; a new run has to watch longer"
            good = (
                inside & (rows.column("kind") == SampleKind.GOOD) & (rows.column("request") == rows.request_of(judged))
            )
            if bool((~np.isnan(decoded(point, rows.column(f"p:{judged}")[good]))).any()):
                return self._not_counted(device)
            return _undefined(point)
        tried_anew = bool(((kind == SampleKind.SILENT) & (request == CONNECT)).any())
        if bool((mine == SampleKind.LATE).any()) and not tried_anew:  # who can't be reached answers late as well
            return (
                f"{device.name} answered later than its `answer_within` ({about(device.answer_within_ns)}): see what "
                "makes it slow (a busy computer, other clients, a gateway), or allow more"
            )
        if bool((mine == SampleKind.EXCEPTION).any()):
            replied = inside & (rows.column("kind") == SampleKind.EXCEPTION)
            replied &= rows.column("request") == rows.request_of(judged)
            first, last = np.flatnonzero(replied)[[0, -1]]
            code = f"{device.name} answered with exception {int(rows.column('exception')[last]):02d}"
            seen = self.trace(judged).seen
            if bool((seen.late <= gap[0] + self.trace(judged).lag_ns).any()):  # it knew this address before
                lasted = about(int(received[last] - sent[first]))
                return f"{code} for {lasted}, and with values before; look at the device, not its address"
            return f"{code}; check the address and type of {point.shown}"
        others = np.sort(sent[inside & (rows.column("kind") == SampleKind.GOOD)])
        if len(others) and int(np.diff(others, prepend=gap[0], append=gap[1]).max()) < (gap[1] - gap[0]) // 2:
            return (
                f"{device.name} answered other requests meanwhile, but not the one that reads {point.shown}; check its "
                "address, and what lies near it"
            )
        return ""

    @property
    def on_after_all_ns(self) -> int:
        """How long the controller answered on after a person had said that the supply is off; 0 where that is no longer
        than what a power supply holds up."""
        dark, supply, said = self.marks.get("dark"), self.rig.supply, cut_of(self.rig, self.records)
        if supply is None or not supply.by_hand or dark is None or said is None or self.scenario.how != "supply":
            return 0
        answered_ns = dark.not_before_ns - said.not_after_ns
        return answered_ns if answered_ns > _LONGEST_HOLD_UP_NS else 0

    @property
    def answered_on(self) -> str:
        """What a controller did that answered on so; "" where none did."""
        if not self.on_after_all_ns:
            return ""
        return f"still answered {about(self.on_after_all_ns)} after somebody said that the supply is OFF"

    def _not_counted(self, device: Device) -> str:
        """Why values that were read did not count."""
        if self.answered_on:
            return f"{device.name} {self.answered_on}: switch first, then answer"
        alive = self.rig.ready.alive
        name = self.rig.points[alive].shown if alive in self.rig.points else "its sign of life"
        return (
            f"{device.name} answered with values, but they don't count while {name} does not move: see whether "
            "its program still runs"
        )

    def _counting_again_ns(self) -> int:
        """From when the controller's reads may count again after the cut."""
        first = "good" if self.rig.ready.alive is None else "alive"
        mark = self.marks.get(first)
        return self.end_ns if mark is None else mark.not_after_ns

    def cure(self, judged: str, gap_ns: int) -> str:
        """Which instrument would close a gap of this length in the reads of a point."""
        rig = self.rig
        if judged not in rig.points:
            return ""
        device = rig.devices[rig.points[judged].device]
        if device.powered_by_supply and not rig.points[judged].is_boolean:
            return f"see why {device.name} did not answer then: it restarted, or its network was away"
        if device.powered_by_supply:
            return "wire the output to independent I/O (`terminal:`), the controller can't be read while it restarts"
        if gap_ns > 5 * device.poll_ns + device.answer_within_ns // 2:
            return (
                f"see why {device.name} did not answer (its own supply, cable, other clients); where all devices went "
                "unread at the same time, this computer stood still: end other programs and repeat"
            )
        if gap_ns > 4 * device.poll_ns + device.input_delay_ns:
            return (
                f"{device.name} is asked every {about(device.poll_ns)}, so its answer was late or this computer was "
                "busy: end other programs and clients, or take an input that holds short pulses"
            )
        return (
            f"read {device.name} more often than every {about(device.poll_ns)} (`poll:`), or take an input that holds "
            "short pulses"
        )
