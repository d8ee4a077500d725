"""What the parent keeps of the samples: the same as the file holds, whatever was offered and in which pieces."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from restart_bench.model.condensing import Records
from restart_bench.model.journal import STANDS_FOR
from restart_bench.model.samples import CONNECT, SampleKind, SampleLayout
from restart_bench.observer import sample_store
from restart_bench.observer.sample_store import SampleStore

MS = 1_000_000
LAYOUT = SampleLayout("controller", ("read coil 0",), (("auger", "b"),))


def numbered(cycles: list[int]) -> Records:
    """One good record for each entry, of that cycle, with its place as its time."""
    records: Records = np.zeros(len(cycles), LAYOUT.dtype())
    records["cycle"] = cycles
    records["sent_ns"] = records["received_ns"] = np.arange(len(cycles))
    return records


@examples(30)
@given(
    stretches=st.lists(st.tuples(st.integers(0, 4), st.integers(1, 300)), min_size=1, max_size=8),
    pieces=st.lists(st.tuples(st.integers(1, 200), st.booleans()), min_size=1, max_size=40),
    newest=st.sampled_from([1, 7, 150, 8192]),
)
def test_every_cycle_is_whole_whatever_was_offered(
    tmp_path_factory: pytest.TempPathFactory,
    stretches: list[tuple[int, int]],
    pieces: list[tuple[int, bool]],
    newest: int,
) -> None:
    """Pieces come, or are dropped and fetched from the file; cycles may even be set again. What is told of a cycle
    is what the file holds of it, and what came since some record is what stands behind it."""
    cycles = [cycle for cycle, count in stretches for _ in range(count)]
    records = numbered(cycles)
    part = tmp_path_factory.mktemp("store") / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sample_store, "_NEWEST", newest)
        store = SampleStore(LAYOUT, part, reads=1)
    start = told = 0
    for length, offered in pieces:
        piece = records[start : start + length]
        if offered and len(piece):
            store.take(len(LAYOUT.header()) + start * LAYOUT.size, piece.tobytes())
            fresh = store.since(told)
            assert len(fresh) == min(newest, store.total - told)
            assert fresh.tobytes() == records[store.total - len(fresh) : store.total].tobytes()
            told = store.total
        start += len(piece)
    store.catch_up()
    assert store.total == len(records)
    assert store.last_good_ns == len(records) - 1
    for cycle in range(5):
        assert store.of_cycle(cycle).tobytes() == records[records["cycle"] == cycle].tobytes()
        assert store.count_of(cycle) == store.condensed(cycle).records[STANDS_FOR].sum() == cycles.count(cycle)


def test_what_lies_between_cycles_is_not_read_again_for_every_cycle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cycle 0 comes back after each cycle: what was sampled in it before stays in the file until somebody asks."""
    records = numbered([number for cycle in range(1, 31) for number in (0, 0, cycle, cycle, cycle)])
    part = tmp_path / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    read: list[int] = []
    real = SampleStore._from_file
    monkeypatch.setattr(SampleStore, "_from_file", lambda s, at, n: read.append(n) or real(s, at, n))  # type: ignore[func-returns-value]
    store = SampleStore(LAYOUT, part, reads=1)
    for number in range(len(records)):
        store.take(len(LAYOUT.header()) + number * LAYOUT.size, records[number : number + 1].tobytes())
        assert store.total == number + 1
        store.newest_of(0)

    assert not read
    assert [store.condensed(cycle).records[STANDS_FOR].sum() for cycle in (0, 7, 30)] == [60, 3, 3]


def test_of_a_cycle_that_is_over_only_its_place_in_the_file_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cycle and the time between two take less than 64 bytes, once as many records came as one look may want."""
    monkeypatch.setattr(sample_store, "_NEWEST", 16)
    store = SampleStore(LAYOUT, tmp_path / "controller.part", reads=1)

    def feed(cycles: range) -> int:
        for number in (one for cycle in cycles for one in (cycle, 0)):
            store.take(store_offset(store), numbered([number] * 4).tobytes())
            store.newest_of(0)
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        before = feed(range(1, 50))
        taken = feed(range(50, 1050)) - before  # so many that what the interpreter itself keeps is nothing beside it
    finally:
        tracemalloc.stop()
    assert taken < 1000 * 64


@examples(30)
@given(
    rows=st.lists(
        st.tuples(st.sampled_from([0, 1, CONNECT]), st.sampled_from(SampleKind), st.integers(1, 3)), max_size=900
    ),
    piece=st.integers(1, 700),
    ask=st.integers(1, 5),
)
def test_the_newest_answer_of_each_request_is_at_hand(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, SampleKind, int]], piece: int, ask: int
) -> None:
    """It is the last record that says whether the request was answered, however long ago, and whoever asks when."""
    records = numbered([cycle for _, _, cycle in rows])
    records["request"], records["kind"] = [row[0] for row in rows], [row[1].value for row in rows]
    part = tmp_path_factory.mktemp("newest") / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    store = SampleStore(LAYOUT, part, reads=2)
    telling = (SampleKind.GOOD, SampleKind.EXCEPTION, SampleKind.SILENT, SampleKind.RESET, SampleKind.CLOSED)
    for turn, start in enumerate(range(0, len(rows), piece)):
        store.take(store_offset(store), records[start : start + piece].tobytes())
        if turn % ask == 0:
            for request in (0, 1, CONNECT):
                mine = [one for one in records[: store.total] if one["request"] == request and one["kind"] in telling]
                newest = store.newest_of(request)
                assert (None if newest is None else newest.row) == (mine[-1].item() if mine else None)


def test_no_value_of_a_watched_column_is_overlooked(tmp_path: Path) -> None:
    """However many reads come between two questions, each value is told once, with its last read; no answer says
    nothing."""
    column = next(name for name in LAYOUT.dtype().names or () if name.startswith("p:"))
    values = [0, 0, 1, 0, 0, 5, 7, 0]  # the 5 did not come in a good read
    records = numbered([1] * len(values))
    records["request"], records[column] = 0, values
    records["kind"] = [SampleKind.GOOD if value != 5 else SampleKind.SILENT for value in values]
    part = tmp_path / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    store = SampleStore(LAYOUT, part, reads=1)
    store.take(len(LAYOUT.header()), records[:1].tobytes())
    store.watch(0, column)
    store.take(store_offset(store), records[1:5].tobytes())
    received = records["received_ns"]
    assert store.every_value(0, column) == {0.0: received[4], 1.0: received[2]}
    store.take(store_offset(store), records[5:].tobytes())
    assert store.every_value(0, column) == {7.0: received[6], 0.0: received[7]}
    assert store.every_value(0, column) == {}


def test_bytes_that_are_known_already_are_not_counted_twice(tmp_path: Path) -> None:
    """After catching up from the file, offers that were still on their way arrive."""
    records = numbered([1] * 10)
    part = tmp_path / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    store = SampleStore(LAYOUT, part, reads=1)
    store.catch_up()
    store.take(len(LAYOUT.header()) + 5 * LAYOUT.size, records[5:].tobytes())
    assert store.total == 10


def test_what_was_handed_out_stays_as_it_was(tmp_path: Path) -> None:
    """A judge may hold an array while sampling goes on; nobody can change it."""
    records = numbered([1] * 600)
    part = tmp_path / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    store = SampleStore(LAYOUT, part, reads=1)
    store.take(len(LAYOUT.header()), records[:200].tobytes())
    early = store.of_cycle(1)
    store.take(len(LAYOUT.header()) + 200 * LAYOUT.size, records[200:].tobytes())
    assert early.tobytes() == records[:200].tobytes()
    with pytest.raises(ValueError, match="read-only"):
        early["cycle"] = 2


def test_a_torn_last_record_is_left_out(tmp_path: Path) -> None:
    """A killed observer may have written half of one."""
    record = np.zeros(1, LAYOUT.dtype())
    part = tmp_path / "controller.part"
    part.write_bytes(LAYOUT.header() + record.tobytes() * 3 + record.tobytes()[:10])
    store = SampleStore(LAYOUT, part, reads=1)
    store.catch_up()
    assert store.total == 3


def test_gaps_are_counted_from_one_sending_to_the_next_receipt(tmp_path: Path) -> None:
    """Only between good reads that followed each other on one connection; the largest is exact (worked by hand)."""
    rows = [  # sent, received, kind, connection, request
        (0, 1, SampleKind.GOOD, 1, 0),
        (10, 12, SampleKind.GOOD, 1, 0),  # 12
        (20, 21, SampleKind.SILENT, 1, 0),
        (30, 31, SampleKind.GOOD, 1, 0),  # none: silence between
        (35, 36, SampleKind.ACCEPTED, 2, CONNECT),
        (40, 41, SampleKind.GOOD, 2, 0),  # none: another connection
        (50, 58, SampleKind.GOOD, 2, 0),  # 18
    ]
    records = np.zeros(len(rows), LAYOUT.dtype())
    for place, (sent, received, kind, connection, request) in enumerate(rows):
        records[place]["sent_ns"], records[place]["received_ns"] = sent * MS, received * MS
        records[place]["kind"], records[place]["connection"], records[place]["request"] = kind, connection, request
    part = tmp_path / "controller.part"
    part.write_bytes(LAYOUT.header() + records.tobytes())
    store = SampleStore(LAYOUT, part, reads=1)
    for row in records:  # one by one, as they come while nothing moves
        store.take(store_offset(store), row.tobytes())
    figures = store.gaps()
    assert figures is not None
    assert (figures["count"], figures["max"]) == (2, 18 * MS)
    assert figures["p50"] == pytest.approx(12 * MS, rel=0.006)


def store_offset(store: SampleStore) -> int:
    return len(LAYOUT.header()) + store.total * LAYOUT.size
