"""The time left, as it was said after a tenth of the cycles, held against what simulated campaigns then took. What was
said is worked out from their archives: the same plan, and the cycles that had ended."""

from __future__ import annotations

import itertools
import math
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))

from command_line import bench, run_folders, told
from lamp_suites import LampSuites
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.journal import CycleStarted, RunEnded
from restart_bench.suite.plan import plan_suite, time_left_of

S = 1_000_000_000
CUTS = (
    "off_for: 250 ms",
    "off_for: 700 ms, at: random 0 s..200 ms",
    "off_for: [250 ms, 600 ms]",
    "off_for: 300 ms, at: random 0 s..1 s",
    "off_for: 250 ms, at: [0 ms, 150 ms]",
)
"""Cuts of a campaign, by turns: one case, and several; at once, and at an instant drawn within a second."""


@dataclass(frozen=True, slots=True)
class Said:
    """What was said after so many cycles (at least, usually, at most), and what it then took, ns; what each cycle
    took."""

    after: int
    low: int
    usual: int | None
    high: int | None
    took: int
    lengths: tuple[int, ...]

    @property
    def holds(self) -> bool:
        """Whether it took what was said."""
        return self.high is not None and self.low <= self.took <= self.high


def said_after_a_tenth(run: Path) -> Said | None:
    """From the archive of a run, as its screen said it; None of one that was not completed (on a computer with other
    work a cut may last too long, which ends it)."""
    archived = ArchivedRun.open(run)
    begun = [one for one in archived.records if isinstance(one, CycleStarted)]
    (end,) = [one for one in archived.records if isinstance(one, RunEnded)]
    if end.how != "completed":
        return None
    instants = [*(one.at_ns for one in begun), end.at_ns]
    lengths = [later - earlier for earlier, later in itertools.pairwise(instants)]
    suite = archived.suite()
    left = time_left_of(plan_suite(suite.rig, suite.scenarios, simulated=True))
    after = math.ceil(len(begun) / 10)
    for cycle, length in zip(begun[:after], lengths[:after], strict=True):
        left.cycle_took((cycle.scenario, cycle.case), length, cycle.cut_delay_ns)
    low, usual, high = left.left()
    return Said(after, low, usual, high, end.at_ns - instants[after], tuple(lengths))


def campaigns(folder: Path, number: int, cycles: int, first: int = 0) -> Iterator[Said]:
    """So many campaigns of so many cycles, one after the other, from this one of the table on."""
    for turn in range(first, first + number):
        place = folder / str(turn)
        place.mkdir()
        suites = LampSuites(place)
        rig = suites.rig()
        suites.scenario(rig, "stays", "on")
        file, cut = rig / "stays.yaml", CUTS[turn % len(CUTS)]
        shuffled = "order: shuffled\n" if turn >= len(CUTS) else ""
        file.write_text(file.read_text("utf-8").replace("off_for: 250 ms", cut) + shuffled, encoding="utf-8")
        repeat = cycles // (2 if "[" in cut else 1)
        done = bench("run", rig, "--simulated", "--repeat", repeat, "--seed", turn, "--logs", place / "logs")
        assert done.returncode in (0, 3, 4), told(done)  # a busy computer spoils single cycles
        (run,) = run_folders(place / "logs")
        if (said := said_after_a_tenth(run)) is not None:
            yield said


def tell(number: int, said: Said) -> None:
    """One line of the table."""
    high = "open" if said.high is None else f"{said.high / S:.1f}"
    shortest, longest = min(said.lengths) / S, max(said.lengths) / S
    known = ", ".join(f"{length / S:.2f}" for length in said.lengths[: said.after])
    print(
        f"{number}: after {said.after} ({known} s) of {len(said.lengths)} of {shortest:.2f} .. {longest:.2f} s "
        f"said about {(said.usual or 0) / S:.1f}, {said.low / S:.1f} .. {high} s, "
        f"took {said.took / S:.1f} s: {'held' if said.holds else 'MISSED'}",
        flush=True,
    )


@pytest.mark.slow
def test_said_after_a_tenth_of_the_cycles_it_holds_the_true_rest_of_simulated_campaigns(tmp_path: Path) -> None:
    """In nine of ten campaigns of 20 cycles, whatever else the machine does."""
    all_said = list(campaigns(tmp_path, 10, 20))
    for number, said in enumerate(all_said, start=1):
        tell(number, said)
    assert all_said and sum(one.holds for one in all_said) >= 0.9 * len(all_said)


if __name__ == "__main__":
    number, cycles, first = map(int, (*sys.argv[1:], *("10", "20", "0")[len(sys.argv) - 1 :]))
    with tempfile.TemporaryDirectory() as into:
        for turn, one in enumerate(campaigns(Path(into), number, cycles, first), start=first + 1):
            tell(turn, one)
