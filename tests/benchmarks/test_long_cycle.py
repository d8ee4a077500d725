"""What a long cycle costs: memory while it lasts, the newest value, the marks, and judging it at its end.

Absolute figures are of the machine, so only ratios within one run are asserted: late in the cycle against early in it.
`pytest tests/benchmarks/test_long_cycle.py -s` prints the table of some minutes;
`python tests/benchmarks/test_long_cycle.py` that of eight hours at 500 Hz (14.4 million samples of one device; some
minutes, half a gigabyte on the disk) and ends with 1 where a ratio is missed.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
import tracemalloc
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))
from evidence import S
from fed_observer import FedStore, LongCycle, feed, long_cycle
from restart_bench.evidence.long_cycles import samples_to_judge
from restart_bench.evidence.marks import progress_of
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import CycleJudged
from restart_bench.model.verdicts import Verdict

LEVEL_LIMIT = 2.0  # memory, for six times the samples or more: what is kept about the last seconds comes and goes
COST_LIMIT = 2.0  # median cost of a question
TURNS = 15
CONDENSED_FROM = 10_000  # samples: far fewer than usual, so that the shorter cycle is condensed too


@dataclass(frozen=True)
class Fed:
    """A cycle that was fed, and the bytes that are kept of it and that judging it took."""

    cycle: LongCycle
    stores: dict[str, FedStore]
    kept: int
    judging: int
    judged: CycleJudged

    def newest(self) -> None:
        """A hundred looks at the newest sample."""
        for _ in range(100):
            assert self.stores["independent"].store.newest_of(0) is not None

    def marks(self) -> None:
        """All marks, as they are asked for while `ready` is awaited."""
        journal = replace(self.cycle.journal(), ended=None)
        samples = {name: one.store.condensed(1) for name, one in self.stores.items()}
        assert "ready" in progress_of(self.cycle.story.rig, self.cycle.scenario, journal, samples).marks

    @property
    def files(self) -> int:
        """Bytes of samples on the disk."""
        return sum(one.path.stat().st_size for one in self.stores.values())


def fed(folder: Path, more_s: int) -> Fed:
    """Feeds a cycle that is off for `more_s` longer than its story, and judges it."""
    cycle = long_cycle(more_s)
    folder.mkdir()
    tracemalloc.start()
    try:
        *_, stores = feed(folder, cycle)
        kept, _ = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        judged = _judged(cycle, stores)
        return Fed(cycle, stores, kept, tracemalloc.get_traced_memory()[1] - kept, judged)
    finally:
        tracemalloc.stop()


def _judged(cycle: LongCycle, stores: dict[str, FedStore]) -> CycleJudged:
    sources = {name: one.source() for name, one in stores.items()}
    samples = samples_to_judge(cycle.story.rig, cycle.scenario, cycle.journal(), sources, CONDENSED_FROM)
    return judge_cycle(cycle.story.rig, cycle.scenario, cycle.journal(), samples)


def misses(short: Fed, long: Fed) -> list[str]:
    """The ratios, longer cycle against shorter one, that are not kept; both answer by turns."""
    took: dict[str, list[float]] = {}
    for _ in range(TURNS):
        for name, one in (("short", short), ("long", long)):
            for what, question in (("newest", one.newest), ("marks", one.marks)):
                begun = time.perf_counter()
                question()
                took.setdefault(f"{what} {name}", []).append(time.perf_counter() - begun)
    cost = {name: statistics.median(seconds) for name, seconds in took.items()}
    ratios = {
        "memory kept": (long.kept / short.kept, LEVEL_LIMIT),
        "memory to judge": (long.judging / short.judging, LEVEL_LIMIT),
        "newest sample": (cost["newest long"] / cost["newest short"], COST_LIMIT),
        "marks": (cost["marks long"] / cost["marks short"], COST_LIMIT),
    }
    for what, (ratio, limit) in ratios.items():
        print(f"{what:16} {ratio:6.2f}  (at most {limit:g})")
    for name, one in (("short", short), ("long", long)):
        told = f"{one.kept / 1e6:.1f} MB kept, {one.judging / 1e6:.1f} MB to judge {one.files / 1e6:.0f} MB of samples"
        print(f"{name}: off for {one.cycle.more_s} s and some, {told}: {one.judged.verdict}")
    return [what for what, (ratio, limit) in ratios.items() if ratio > limit]


def test_memory_and_questions_cost_as_much_in_a_long_cycle_as_in_a_short_one(tmp_path: Path) -> None:
    """A cycle may last for days: its samples lie in the file, and what is asked while it lasts looks at few rows."""
    short, long = fed(tmp_path / "short", 60), fed(tmp_path / "long", 380)
    assert misses(short, long) == []
    assert long.judged.verdict is Verdict.PASS, long.judged.reason
    assert [one.verdict for one in long.judged.findings] == [one.verdict for one in short.judged.findings]
    off = [one.judged.figures["off_time_ns"] for one in (short, long)]
    assert off[1] == [each + 320 * S for each in off[0]]


def main() -> int:
    """The full benchmark: eight hours against one."""
    with tempfile.TemporaryDirectory() as folder:
        found = misses(fed(Path(folder) / "short", 3600), fed(Path(folder) / "long", 8 * 3600))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
