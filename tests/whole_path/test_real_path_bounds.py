"""No true transition of the simulated rig lies outside the bounds that a run's archive reports, outages included.

Rule (interval censoring; Zhang and Sun, Stat. Methods Med. Res. 2010, 19:53-70, for polled reads): a change between
two good reads lies after the sending of the earlier and not after the receipt of the later one. Here it is held
against the whole path: simulated rig, observer, archive, judgement, as `restart-bench run` does it, at 100 Hz.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from command_line import bench, run_folders, told
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.samples import SampleKind
from toggling_suite import OUTPUTS, write_toggling
from transitions import Transition, changed_within, read_transitions

MS = 1_000_000
CYCLES = 2
Read = tuple[int, int, bool]  # sent, received, value
Bounded = tuple[int, int, bool]  # not before, not after, value afterwards


@dataclass(frozen=True)
class Toggled:
    """One run: what was true, what was read, and what its tables claim, point by point."""

    truth: dict[str, list[Transition]]
    stages: dict[str, list[tuple[int, int, object]]]
    reads: dict[str, list[Read]]
    changes: dict[str, list[Bounded]]
    marks: list[dict[str, tuple[int, int]]]  # of each cycle


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Toggled:
    """32 outputs and their 32 terminals, each at a pace of its own, through two losses of the supply."""
    folder = tmp_path_factory.mktemp("toggling")
    suite = write_toggling(folder / "suite", watch="6 s")
    logs = folder / "logs"
    done = bench("run", suite, "--simulated", "--repeat", CYCLES, "--seed", 11, "--logs", logs)
    assert done.returncode == 0, told(done)
    (archived,) = run_folders(logs)
    log = archived / "simulated-truth.jsonl"
    points = [f"out{n}{what}" for n in range(OUTPUTS) for what in ("", "_terminal")]
    truth = read_transitions(log, ("image", "terminal", "rail"))
    stages = read_transitions(log, ("stage", "supply"))
    marks = marks_of(archived)
    return Toggled(truth, stages, reads_of(archived, points), changes_of(archived, points), marks)  # type: ignore[arg-type]


def reads_of(folder: Path, points: list[str]) -> dict[str, list[Read]]:
    """The good reads of each point through the whole run."""
    reads: dict[str, list[Read]] = {point: [] for point in points}
    archived = ArchivedRun.open(folder)
    for _, samples in archived.cycles():
        for device in samples.values():
            good = device.records[device.records["kind"] == SampleKind.GOOD]
            for point in reads.keys() & {name for name, _ in device.layout.points}:
                of_point = good[good[f"p:{point}"] >= 0]
                columns = (of_point[name].tolist() for name in ("sent_ns", "received_ns", f"p:{point}"))
                reads[point] += [(sent, received, bool(value)) for sent, received, value in zip(*columns, strict=True)]
    archived.close()
    return reads


def changes_of(folder: Path, points: list[str]) -> dict[str, list[Bounded]]:
    """What changes.parquet claims."""
    changes: dict[str, list[Bounded]] = {point: [] for point in points}
    rows = duckdb.sql(f"SELECT point, not_before_ns, not_after_ns, after FROM '{folder / 'changes.parquet'}'")
    for point, low, high, after in rows.fetchall():
        if point in changes:
            changes[point].append((low, high, bool(after)))
    return changes


def marks_of(folder: Path) -> list[dict[str, tuple[int, int]]]:
    """What cycles.parquet claims, cycle by cycle; marks that did not come are left out."""
    table = duckdb.sql(f"SELECT * FROM '{folder / 'cycles.parquet'}' ORDER BY cycle")
    names = [name.removesuffix("_not_before_ns") for name in table.columns if name.endswith("_not_before_ns")]
    rows = [dict(zip(table.columns, row, strict=True)) for row in table.fetchall()]
    return [
        {
            name: (row[f"{name}_not_before_ns"], row[f"{name}_not_after_ns"])
            for name in names
            if row[f"{name}_not_before_ns"] is not None
        }
        for row in rows
    ]


# ---------------------------------------------------------------- changes


def test_no_reported_change_lies_where_nothing_changed(run: Toggled) -> None:
    """Each change in the archive holds a true transition to its value: 0 of more than 1,000 are outside."""
    seen, outside = changes_outside(run, shift_ns=0)
    assert seen >= 1000
    assert outside == 0


@pytest.mark.parametrize("shift_ms", [-40, 40])
def test_bounds_that_are_off_by_a_few_polls_would_be_noticed(run: Toggled, shift_ms: int) -> None:
    """The check is sharp, also where a busy computer reads late: with all bounds moved by 40 ms, many changes fall
    outside, although each output changes every 100 to 300 ms."""
    seen, outside = changes_outside(run, shift_ns=shift_ms * MS)
    assert outside > seen / 5


def test_no_true_transition_is_neither_reported_nor_hidden(run: Toggled) -> None:
    """At least 2,000 true transitions from the cuts to the ends of the watch: each lies within the bounds of a
    reported change to its value, or has its opposite beside it between two reads of one value, where nobody sees it,
    or came before the controller's reads count again (rule 3), which can concern one change of a point in a cycle."""
    watched = [(point, place) for point in run.reads for place in watched_of(run, point)]
    lost = [
        (point, run.truth[point][place])
        for point, place in watched
        if not (reported(run, point, place) or hidden(run, point, place) or before_reads_count(run, point, place))
    ]
    assert len(watched) >= 2000
    assert lost == []
    assert sum(reported(run, point, place) for point, place in watched) >= 1000


def changes_outside(run: Toggled, shift_ns: int) -> tuple[int, int]:
    """How many changes are reported, and how many of them hold no true transition to their value."""
    claims = [(point, *change) for point, changes in run.changes.items() for change in changes]
    held = [
        changed_within(run.truth[point], low + shift_ns, high + shift_ns, value) for point, low, high, value in claims
    ]
    return len(held), held.count(False)


def watched_of(run: Toggled, point: str) -> list[int]:
    """Places of the transitions between the cut and the last read of the watch of a cycle: all reads around them
    count, and what comes after that read nobody has seen yet."""
    spans = [
        (marks["cut"][0], max(sent for sent, received, _ in run.reads[point] if received <= marks["end"][1]))
        for marks in run.marks
    ]
    return [
        place
        for place, (before, after, _) in enumerate(run.truth[point])
        if any(begin < before and after < end for begin, end in spans)
    ]


def reported(run: Toggled, point: str, place: int) -> bool:
    before, after, value = run.truth[point][place]
    return any(low <= after and before <= high and value == to for low, high, to in run.changes[point])


def hidden(run: Toggled, point: str, place: int) -> bool:
    """True if the transition and a neighbour of it can both lie between two successive reads of the same value."""
    truth = run.truth[point]
    pairs = [truth[max(place - 1, 0) : place + 1], truth[place : place + 2]]
    return any(
        earlier[2] == later[2] and any(len(pair) == 2 and _lies(pair, earlier[0], later[1]) for pair in pairs)
        for earlier, later in itertools.pairwise(run.reads[point])
        if earlier[0] <= truth[place][1] and truth[place][0] <= later[1]
    )


def before_reads_count(run: Toggled, point: str, place: int) -> bool:
    """True if a point of the controller changed between its last read that proves nothing and the first that counts."""
    before, after, _ = run.truth[point][place]
    return not point.endswith("_terminal") and any(
        earlier[0] <= after and before <= later[1] and marks["restored"][0] <= earlier[1] <= marks["alive"][1]
        for earlier, later in itertools.pairwise(run.reads[point])
        for marks in run.marks
    )


def _lies(pair: list[Transition], low: int, high: int) -> bool:
    return all(low <= after and before <= high for before, after, _ in pair)


# ---------------------------------------------------------------- marks


@pytest.mark.parametrize(
    ("mark", "name", "value"),
    [
        ("cut", "supply", False),
        ("dark", "controller", "dark"),
        ("restored", "supply", True),
        ("refused", "controller", "refusing"),
        ("accepted", "controller", "silent"),
        ("answered", "controller", "busy"),
        ("good", "controller", "answering"),
        ("ready", "running", True),
    ],
)
def test_every_mark_holds_the_true_instant(run: Toggled, mark: str, name: str, value: object) -> None:
    """Loss, return and each stage of the boot lie within the bounds of their mark, in every cycle where it came."""
    log = run.truth["running"] if name == "running" else run.stages[name]
    held = 0
    for marks in run.marks:
        if mark not in marks:
            assert mark in ("refused", "accepted"), marks  # a stage of 60 ms may pass between two attempts
            continue
        begin, end = marks["cut"][0], marks["end"][1]
        came = [one for one in log if one[2] == value and begin <= one[0] <= end]
        low, high = marks[mark]
        assert came[0][1] >= low and came[0][0] <= high, (mark, came[0], marks[mark])
        held += 1
    assert held
