"""An archived run turned back into what the live screen was shown: records and states in the order of their instants.

Pure: records and samples in, instants with records or states out. Nothing waits in here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from restart_bench.model.journal import CycleJudged, CycleRecords, CycleStarted, Record
from restart_bench.model.live import LiveState, Moved, Reading, powered_by_proof
from restart_bench.model.rig import Point, Rig, Value
from restart_bench.model.samples import DeviceSamples, SampleKind, as_value, decoded
from restart_bench.model.ways import way_back


@dataclass(frozen=True, slots=True)
class Played:
    """What is shown at one instant of the run's clock."""

    at_ns: int
    shown: Record | LiveState


@dataclass(frozen=True, slots=True)
class _Column:
    """Good reads of one point in the order in which they came; NaN is blind."""

    point: Point
    sent_ns: npt.NDArray[np.int64]
    received_ns: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]

    def value(self, row: int) -> Value | None:
        return as_value(self.point, float(self.values[row]))


def played_cycle(
    rig: Rig,
    records: CycleRecords,
    judged: CycleJudged | None,
    samples: Mapping[str, DeviceSamples],
    *,
    of_cycles: int,
    step_ns: int,
) -> Iterator[Played]:
    """One cycle: its records at their instants, and a state every `step_ns` between its first and its last."""
    begins, ends = records.started.at_ns, ends_ns(records)
    cycle = PlayedCycle(rig, records, judged, samples, of_cycles=of_cycles)
    yield from cycle.at_instants([*range(begins, ends, step_ns), ends], None, step_ns)


class PlayedCycle:
    """One cycle from which any stretch can be played."""

    def __init__(
        self,
        rig: Rig,
        records: CycleRecords,
        judged: CycleJudged | None,
        samples: Mapping[str, DeviceSamples],
        *,
        of_cycles: int,
    ) -> None:
        self._told = sorted([*_told(records)], key=lambda one: one.at_ns)
        self._judged = judged
        self._cycle = _Cycle(rig, records, judged, _columns(rig, samples), _answers_ns(rig, samples), of_cycles)
        self.begins_ns, self.ends_ns = records.started.at_ns, ends_ns(records)

    def between(self, after_ns: int | None, up_to_ns: int, step_ns: int) -> Iterator[Played]:
        """Records after one instant (None: from the beginning) up to another one, and a state every `step_ns` and at
        the end; at the end of the cycle its judgement too."""
        first = self.begins_ns if after_ns is None else after_ns + step_ns
        yield from self.at_instants([*range(first, up_to_ns, step_ns), up_to_ns], after_ns, step_ns)

    def at_instants(self, instants: Sequence[int], after_ns: int | None, step_ns: int) -> Iterator[Played]:
        """A state at each instant, with what moved within `step_ns` before it, and the records that lie between."""
        told = [one for one in self._told if after_ns is None or one.at_ns > after_ns]
        told_up_to = 0
        for at_ns in instants:
            while told_up_to < len(told) and told[told_up_to].at_ns <= at_ns:
                yield told[told_up_to]
                told_up_to += 1
            yield Played(at_ns, self._cycle.state(at_ns, step_ns))
        if instants[-1] >= self.ends_ns:
            yield from told[told_up_to:]
            if self._judged is not None:
                yield Played(self.ends_ns, self._judged)


def ends_ns(records: CycleRecords) -> int:
    """The last instant of a cycle, also of one that was broken off."""
    instants = [records.started.at_ns, *(one.ended_ns for one in records.steps)]
    instants += [one.after_ns for one in records.switchings]
    return records.ended.at_ns if records.ended is not None else max(instants)


def _told(records: CycleRecords) -> Iterator[Played]:
    yield Played(records.started.at_ns, records.started)
    yield from (Played(one.ended_ns, one) for one in records.steps)
    yield from (Played(one.after_ns, one) for one in records.switchings)
    yield from (Played(one.answered_ns, one) for one in records.answers)
    yield from (Played(one.at_ns, one) for one in records.troubles)


def _columns(rig: Rig, samples: Mapping[str, DeviceSamples]) -> dict[str, _Column]:
    columns = {}
    for point in rig.points.values():
        if point.device not in samples:
            continue
        records = samples[point.device].records
        name = f"p:{point.name}"
        if records.dtype.names is None or name not in records.dtype.names:
            continue
        unlevelled = decoded(replace(point, levels=None), records[name])
        good = (records["kind"] == SampleKind.GOOD) & ~np.isnan(unlevelled)
        if good.any():
            values = decoded(point, records[name][good])
            columns[point.name] = _Column(point, records["sent_ns"][good], records["received_ns"][good], values)
    return columns


def _answers_ns(rig: Rig, samples: Mapping[str, DeviceSamples]) -> npt.NDArray[np.int64]:
    controller = rig.controller
    if controller is None or controller.name not in samples:
        return np.zeros(0, np.int64)
    records = samples[controller.name].records
    answered = (records["kind"] == SampleKind.GOOD) | (records["kind"] == SampleKind.EXCEPTION)
    instants: npt.NDArray[np.int64] = records["received_ns"][answered]
    return instants


@dataclass(frozen=True, slots=True)
class _Cycle:
    rig: Rig
    records: CycleRecords
    judged: CycleJudged | None
    columns: dict[str, _Column]
    answers_ns: npt.NDArray[np.int64]
    of_cycles: int

    def state(self, at_ns: int, step_ns: int) -> LiveState:
        readings = {name: reading for name in self.columns if (reading := self._reading(name, at_ns)) is not None}
        cut_ns, restored_ns = self._switched("cut", at_ns), self._switched("restore", at_ns)
        phase, began_ns, ends_ns = self._phase(at_ns)
        started = self.records.started
        return LiveState(
            at_ns=at_ns,
            phase=phase,
            doing=self._doing(at_ns),
            scenario=started.scenario,
            case=started.case,
            cycle=started.cycle,
            of_cycles=self.of_cycles,
            phase_started_ns=began_ns,
            phase_ends_ns=ends_ns,
            left_ns=None,
            supply=self._supply(at_ns),
            powered=powered_by_proof(self.rig.proof_of_cut, readings),
            answering=self._answering(at_ns),
            running=self._running(at_ns, cut_ns),
            readings=readings,
            moved=tuple(self._moved(at_ns - step_ns, at_ns)),
            cut_ns=cut_ns,
            restored_ns=restored_ns,
            marks_ns=self._marks_by(at_ns),
        )

    def _reading(self, name: str, at_ns: int) -> Reading | None:
        column = self.columns[name]
        row = int(np.searchsorted(column.received_ns, at_ns, side="right")) - 1
        if row < 0:
            return None
        return Reading(column.value(row), int(column.sent_ns[row]), int(column.received_ns[row]))

    def _moved(self, from_ns: int, to_ns: int) -> Iterator[Moved]:
        for name, column in self.columns.items():
            first, last = np.searchsorted(column.received_ns, (from_ns, to_ns), side="right")
            for row in range(max(1, int(first)), int(last)):
                value = column.value(row)
                if value is not None and column.values[row] != column.values[row - 1]:
                    yield Moved(name, value, int(column.received_ns[row]))

    def _switched(self, purpose: str, at_ns: int) -> int | None:
        instants = [one.after_ns for one in self.records.switchings if one.purpose == purpose and not one.problem]
        return next((instant for instant in instants if instant <= at_ns), None)

    def _supply(self, at_ns: int) -> str:
        told = [one.to for one in self.records.switchings if one.what == "supply" and one.after_ns <= at_ns]
        return told[-1] if told else "on"

    def _answering(self, at_ns: int) -> bool | None:
        controller = self.rig.controller
        if controller is None or len(self.answers_ns) == 0:
            return None
        row = int(np.searchsorted(self.answers_ns, at_ns, side="right")) - 1
        if row < 0:
            return None  # the samples of a cycle begin a little after it; that is no silence
        return at_ns - int(self.answers_ns[row]) <= controller.answer_within_ns + 2 * controller.poll_ns

    def _running(self, at_ns: int, cut_ns: int | None) -> bool | None:
        if cut_ns is None:
            return True  # the steps before were only begun once it was ready
        dark, ready = self._mark("dark"), self._mark("ready")
        if ready is not None and at_ns >= ready:
            return True
        return dark is not None and at_ns < dark

    def _mark(self, name: str) -> int | None:
        bounds = self.judged.mark(name) if self.judged is not None else None
        return None if bounds is None else bounds.not_after_ns

    def _marks_by(self, at_ns: int) -> dict[str, int]:
        marks = self.judged.marks if self.judged is not None else ()
        return {one.name: one.bounds.not_after_ns for one in marks if one.bounds.not_after_ns <= at_ns}

    def _phase(self, at_ns: int) -> tuple[str, int, int | None]:
        ready, ends = self._mark("ready"), ends_ns(self.records)
        cut = next((one.after_ns for one in self.records.switchings if one.purpose == "cut"), None)
        back = next((one.after_ns for one in self.records.switchings if one.purpose == "restore"), None)
        begun = self.records.started.at_ns
        if cut is None or at_ns < cut:
            return "before the cut", begun, cut
        if back is None or at_ns < back:
            return self._lost_phase(), cut, back
        if ready is None or at_ns < ready:
            return "waiting for ready", back, ready
        checked = min((one.started_ns for one in self.records.steps if one.phase == "function check"), default=None)
        if checked is not None and at_ns >= checked:
            return "function check", checked, ends
        return "watching", ready, ends if checked is None else checked

    def _lost_phase(self) -> str:
        """What the time from the cut to the return is called."""
        command = next(one for one in self.records.switchings if one.purpose == "cut")
        return way_back(command.what, command.to).phase

    def _doing(self, at_ns: int) -> str:
        return next((one.text for one in self.records.steps if one.started_ns <= at_ns < one.ended_ns), "")


def around_cycles(records: Sequence[Record]) -> tuple[list[Record], list[Record]]:
    """Records before the first cycle and after the last one's judgement: how the run began, and how it ended."""
    cycles = [number for number, one in enumerate(records) if isinstance(one, CycleStarted | CycleJudged)]
    if not cycles:
        return list(records), []
    return list(records[: cycles[0]]), list(records[cycles[-1] + 1 :])
