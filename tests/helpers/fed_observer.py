"""An observer that is fed: the samples of a cycle with hours of darkness in it, written as the observer writes them and
offered as it offers them, in as little time as it takes to write them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from evidence import MS, T0, S, Story, dryer, scenario
from restart_bench.model.condensing import Records, SampleSource
from restart_bench.model.journal import CycleRecords
from restart_bench.model.rig import Rig
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Case, Scenario
from restart_bench.observer.sample_store import SampleStore

DARK_S = 4
"""Of the story that is stretched; the second before the last of them comes again and again."""
OFFERED = 4096
"""Records in one offer of hours that were fed; the observer offers fewer, and what is kept does not depend on it."""


def fast_rig(rig: Rig) -> Rig:
    """The rig of the tests with one request to its independent device, every 2 ms."""
    left_out = ("start_button", "spare_out", "rail_mv")
    points = {name: point for name, point in rig.points.items() if name not in left_out}
    devices = {**rig.devices, "independent": replace(rig.devices["independent"], poll_ns=2 * MS)}
    return replace(rig, points=points, devices=devices)


@dataclass(frozen=True)
class LongCycle:
    """A cycle whose off time is longer than its story's by `more_s`: one second of the dark comes again and again."""

    story: Story
    more_s: int

    @property
    def scenario(self) -> Scenario:
        """The scenario with the long off time."""
        off_for_ns = self.story.off_ns + self.more_s * S
        return replace(self.story.scenario, cases=(Case("", off_for_ns),))

    def journal(self) -> CycleRecords:
        """The journal: everything from the return on is later."""
        told = self.story.records()
        assert told.ended is not None
        return replace(
            told,
            started=replace(told.started, off_for_ns=told.started.off_for_ns + self.more_s * S),
            switchings=tuple(
                replace(one, before_ns=self._later(one.before_ns), after_ns=self._later(one.after_ns))
                for one in told.switchings
            ),
            ended=replace(told.ended, at_ns=self._later(told.ended.at_ns)),
        )

    def pieces(self, samples: DeviceSamples) -> Iterator[Records]:
        """The samples of a device, second after second of the dark."""
        records = samples.records
        low, high = np.searchsorted(records["received_ns"], [self._split_ns - S, self._split_ns])
        yield records[:high]
        for number in range(1, self.more_s + 1):
            yield _moved(records[low:high], number * S)
        yield _moved(records[high:], self.more_s * S)

    def _later(self, at_ns: int) -> int:
        return at_ns + self.more_s * S if at_ns >= self._split_ns else at_ns

    @property
    def _split_ns(self) -> int:
        return T0 + self.story.back_ns - S


def _moved(records: Records, by_ns: int) -> Records:
    later = records.copy()
    later["sent_ns"] += by_ns
    later["received_ns"] += by_ns
    return later


def long_cycle(more_s: int) -> LongCycle:
    """A cycle of the dryer that is off for `more_s` longer than some seconds."""
    story = Story(
        rig=fast_rig(dryer()), scenario=scenario(cases=(Case("", DARK_S * S),)), off_ns=DARK_S * S, end_ns=8 * S
    )
    return LongCycle(story, more_s)


class FedStore:
    """The store of one device that is fed, and its file."""

    def __init__(self, folder: Path, samples: DeviceSamples) -> None:
        self.path = folder / f"{samples.layout.device}.part"
        self.path.write_bytes(samples.layout.header())
        self.store = SampleStore(samples.layout, self.path, len(samples.layout.requests))
        self._offset = self.path.stat().st_size

    def feed(self, piece: Records) -> None:
        """First into the file, then offered."""
        data = piece.tobytes()
        with self.path.open("ab") as file:
            file.write(data)
        step = OFFERED * self.store.layout.size
        for start in range(0, len(data), step):
            self.store.take(self._offset + start, data[start : start + step])
        self._offset += len(data)

    def source(self) -> SampleSource:
        """Where the samples of the cycle lie."""
        return SampleSource(self.store.layout, self.store.count_of(1), partial(self.store.pieces_of, 1))


def feed(folder: Path, cycle: LongCycle) -> Iterator[dict[str, FedStore]]:
    """Feeds all devices, second after second of the cycle; what is commanded is told when it is given. Gives the same
    stores after each second."""
    samples = cycle.story.samples()
    stores = {name: FedStore(folder, one) for name, one in samples.items()}
    commands = [one.before_ns for one in cycle.journal().switchings]
    for pieces in zip(*(cycle.pieces(one) for one in samples.values()), strict=True):
        for one, piece in zip(stores.values(), pieces, strict=True):
            one.feed(piece)
            for command_ns in commands:
                if int(piece["received_ns"][0]) <= command_ns <= int(piece["received_ns"][-1]):
                    one.store.keep(command_ns)
        yield stores
