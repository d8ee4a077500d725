"""`order: shuffled`: cases and cycles in an order that the seed draws: all of them, and the same for the same seed."""

from __future__ import annotations

import io
from pathlib import Path

from lamp_suites import LampSuites
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.journal import CycleStarted
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import RunOptions
from restart_bench.run.session import perform
from restart_bench.screen.plain import PlainShow
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

SWEEP = ("off_for=250 ms", "off_for=300 ms")
AS_WRITTEN = [(case, number) for case in SWEEP for number in (1, 2)]


class Watched(PlainShow):
    """Plain lines, and every state that a live screen would be drawn from."""

    every_ns = 50_000_000

    def __init__(self) -> None:
        super().__init__(io.StringIO())
        self.states: list[LiveState] = []

    def live(self, state: LiveState) -> None:
        """One more."""
        self.states.append(state)


def order_of(rig: Path, logs: Path, seed: int, show: PlainShow | None = None) -> list[tuple[str, int]]:
    """The order in which a simulated run went through its cycles: case and number within it."""
    options = RunOptions(logs=logs, simulated=True, seed=seed)
    outcome = perform(load_suites([rig], cards=cards())[0], options, show or PlainShow(io.StringIO()), None)
    (folder,) = [run.folder for run in outcome.runs]
    records = ArchivedRun.open(folder).records
    return [(one.case, one.number) for one in records if isinstance(one, CycleStarted)]


def test_a_shuffled_order_is_drawn_by_the_seed(tmp_path: Path) -> None:
    """Another order than the written one, nothing left out or doubled; the same seed draws the same order. In the first
    of its four cycles the time left is known as a range that holds the true one."""
    suites = LampSuites(tmp_path)
    rig = suites.rig()
    suites.scenario(rig, "sweep", "on", off_for="[250 ms, 300 ms]")
    file = rig / "sweep.yaml"
    file.write_text(f"{file.read_text(encoding='utf-8')}repeat: 2\norder: shuffled\n", encoding="utf-8")
    watched = Watched()
    first = order_of(rig, tmp_path / "logs", 3, watched)
    assert first != AS_WRITTEN
    assert sorted(first) == sorted(AS_WRITTEN)
    assert order_of(rig, tmp_path / "again", 3) == first
    end_ns = watched.states[-1].at_ns
    for state in (one for one in watched.states if one.cycle == 1):
        assert state.left_ns is not None and state.left_ns.high_ns is not None
        assert state.left_ns.low_ns <= end_ns - state.at_ns <= state.left_ns.high_ns
