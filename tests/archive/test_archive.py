"""Rules of the archive: what a run's folder holds, that it is closed once, and that nothing whole is ever lost."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import math
import os
import shutil
import subprocess
import sys
import tracemalloc
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive_builders import (
    RIG_NAME,
    RUN_ID,
    archived,
    begin,
    comes_back,
    end,
    load,
    part_bytes,
    same_samples,
    started,
    told_run,
    write_parts,
    write_suite,
)
from drawn import examples
from evidence import Story
from restart_bench.archive import files
from restart_bench.archive.files import ArchiveError, RunIsOpen, input_names, run_folders, strict
from restart_bench.archive.reader import ArchivedRun, find_run, last_run, read_journal, whole_lines
from restart_bench.archive.rejudging import judge_again
from restart_bench.archive.samples import SampleFile, convert_parts, part_to_parquet, whole_records
from restart_bench.archive.soundness import verify
from restart_bench.archive.writer import RunArchive, finish_killed, folder_of, new_run_id, unfinished
from restart_bench.model.clock import Anchor, Bounds
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import (
    Answered,
    CutAnnounced,
    CycleEnded,
    CycleJudged,
    CycleStarted,
    Finding,
    Mark,
    OutputSeen,
    PointWritten,
    Record,
    RunEnded,
    RunStarted,
    ScenarioJudged,
    StepDone,
    Switching,
    Trouble,
)
from restart_bench.model.samples import KIND_WORDS, DeviceSamples, SampleLayout
from restart_bench.model.verdicts import EXIT_ERROR, Verdict
from restart_bench.suite.loader import Suite


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Suite:
    """The trainer's suite, from files."""
    return load(write_suite(tmp_path_factory.mktemp("suite")))


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory, suite: Suite) -> Path:
    """A closed run of three cycles, in the second of which the burner came back."""
    stories = [Story(seed=1), comes_back(Story(seed=2)), Story(seed=3)]
    return archived(tmp_path_factory.mktemp("logs"), suite, stories)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a run with its bytes."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def tables(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Rows of every Parquet file of a run."""
    return {path.relative_to(folder).as_posix(): pq.read_table(path).to_pylist() for path in folder.rglob("*.parquet")}


# ---------------------------------------------------------------- what a closed run holds


def test_a_closed_run_holds_what_the_design_names_and_nothing_else(closed: Path) -> None:
    """The folder's name tells rig, date and run; no lock, no temporary file, no `.part` is left."""
    assert closed.parts[-3:] == (f"rig={RIG_NAME}", "date=2026-07-27", f"run={RUN_ID}")
    assert sorted(contents(closed)) == [
        "SHA256SUMS", "changes.parquet", "cycles.parquet", "findings.parquet", "inputs/common.yaml",
        "inputs/grain-dryer/burner-stays-shut.yaml", "inputs/grain-dryer/rig.yaml", "journal.jsonl", "run.json",
        "samples/controller.parquet", "samples/independent.parquet",
    ]  # fmt: skip


def test_no_name_in_the_archive_has_a_colon() -> None:
    """File systems of Windows forbid it; the id of a run has its time without colons and sorts by it."""
    one, other = new_run_id(), new_run_id()
    assert ":" not in str(folder_of(Path("logs"), "dryer", one))
    assert len(one) == len("20260727T142233Z-4f2a")
    assert one[:16] <= other[:16]


def test_run_json_keeps_what_was_known_before_and_what_after(closed: Path, suite: Suite) -> None:
    """One flat object: by whom, seed, clock and its anchor, digests of the files, how it ended, verdicts."""
    told = json.loads((closed / "run.json").read_text(encoding="utf-8"))

    assert (told["run"], told["rig"], told["state"]) == (RUN_ID, RIG_NAME, "closed")
    assert (told["by"], told["seed"], told["simulated"]) == ("R. Miller", 7, True)
    assert (told["ended"]["how"], told["verdict"]) == ("completed", "fail")
    assert told["clock"]["resolution_ns"] >= 1
    assert {"clock_ns", "wall", "boot", "slept_ns"} == told["anchor"].keys()
    assert [file["kind"] for file in told["inputs"]] == ["rig", "rig", "scenario"]
    assert [file["path"] for file in told["inputs"]] == [str(file.path) for file in suite.files]


def test_what_identifies_the_program_is_kept_as_it_was_read(closed: Path) -> None:
    """The values that counting reads showed, in order of first appearance."""
    assert ArchivedRun.open(closed).run["program_identity"] == {"program_id": [17042.0]}


def test_input_files_are_exact_copies(closed: Path, suite: Suite) -> None:
    """Byte for byte what was read when the run began."""
    assert list(ArchivedRun.open(closed).inputs().values()) == [file.content for file in suite.files]


def test_the_suite_loads_again_from_the_copies(closed: Path, suite: Suite) -> None:
    """Rig and scenario are what they were, apart from the paths; the extended file is found among the copies."""
    again = ArchivedRun.open(closed).suite()

    assert dataclasses.replace(again.rig, path="") == dataclasses.replace(suite.rig, path="")
    assert [dataclasses.replace(one, path="") for one in again.scenarios] == [
        dataclasses.replace(one, path="") for one in suite.scenarios
    ]


def test_the_number_of_cycles_that_was_asked_for_is_kept(tmp_path: Path, suite: Suite) -> None:
    """`--repeat` overrides the file; the copy of the file alone would not know."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={"repeat": {"burner-stays-shut": 17}})
    archive.close({})

    assert ArchivedRun.open(archive.folder).suite().scenarios[0].repeat == 17


def test_a_rig_with_a_driver_that_is_missing_here_can_still_be_read(
    tmp_path: Path, suite: Suite, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The driver's card travels with the run: an archive is read on computers that never switch anything."""
    from restart_bench_drivers import registry

    ours = registry.cards()
    theirs = dataclasses.replace(ours["modbus-coil"], name="third-party-relay")
    rig = dataclasses.replace(suite.rig, supply=dataclasses.replace(suite.rig.supply, driver="third-party-relay"))  # type: ignore[type-var]
    monkeypatch.setattr(registry, "cards", lambda: {**ours, theirs.name: theirs})
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=dataclasses.replace(suite, rig=rig), before={})
    archive.close({})
    monkeypatch.setattr(registry, "cards", lambda: ours)

    assert ArchivedRun.open(archive.folder).cards()["third-party-relay"] == theirs


# ---------------------------------------------------------------- tables


def test_findings_and_cycles_are_those_of_the_journal(closed: Path) -> None:
    """A row a finding with its figures as JSON, a row a cycle with its marks."""
    judged = [record for record in ArchivedRun.open(closed).records if isinstance(record, CycleJudged)]
    findings = pq.read_table(closed / "findings.parquet").to_pylist()
    cycles = pq.read_table(closed / "cycles.parquet").to_pylist()
    flat = [finding for one in judged for finding in one.findings]

    assert [(row["cycle"], row["point"], row["expectation"], row["verdict"]) for row in findings] == [
        (one.cycle, one.point, one.expectation, one.verdict.value) for one in flat
    ]
    assert [json.loads(row["figures"]) for row in findings] == [strict(one.figures) for one in flat]
    assert [row["verdict"] for row in cycles] == ["pass", "fail", "pass"]
    for row, one in zip(cycles, judged, strict=True):
        ready = one.mark("ready")
        assert ready is not None
        assert (row["ready_not_before_ns"], row["ready_not_after_ns"]) == (ready.not_before_ns, ready.not_after_ns)
        assert (row["number"], row["off_for_ns"], row["simulated"]) == (one.cycle, 10**9, True)


def test_changes_hold_the_true_instants(closed: Path) -> None:
    """The story's burner came on when the program ran again: the change's bounds hold that instant."""
    rows = pq.read_table(closed / "changes.parquet").to_pylist()
    story = comes_back(Story(seed=2))
    came = 2 * 60 * 10**9 + 1_000 * 10**9 + story.running_ns
    (on,) = [r for r in rows if r["cycle"] == 2 and r["point"] == "burner_terminal" and r["after"] == 1]

    assert on["before"] == 0
    assert on["not_before_ns"] < came <= on["not_after_ns"]
    assert on["counts"]


def test_registers_that_always_move_yield_samples_but_no_changes(closed: Path) -> None:
    """The sign of life and the uptime would fill the table."""
    points = set(pq.read_table(closed / "changes.parquet")["point"].to_pylist())

    assert "fan_terminal" in points
    assert points.isdisjoint({"heartbeat", "uptime"})
    assert {"heartbeat", "uptime"} <= set(pq.read_schema(closed / "samples" / "controller.parquet").names)


def test_samples_have_typed_nullable_columns(closed: Path) -> None:
    """Bits are Booleans, registers numbers, words are kept once; what was not read is null, never off."""
    table = pq.read_table(closed / "samples" / "controller.parquet")
    types = {field.name: field.type for field in table.schema}

    assert list(types)[:7] == ["cycle", "request", "connection", "sent_ns", "received_ns", "kind", "exception"]
    assert types["burner"] == pa.bool_()
    assert types["batch_count"] == pa.float64()
    assert pa.types.is_dictionary(types["kind"])
    assert pa.types.is_dictionary(types["request"])
    rows = table.to_pylist()
    assert {row["kind"] for row in rows} == {"good", "silent", "refused", "accepted", "exception"}
    assert all(row["burner"] is None for row in rows if row["kind"] != "good")
    assert {row["batch_count"] for row in rows if row["kind"] == "good"} == {None, 41.0}
    assert "connect" in {row["request"] for row in rows}


# ---------------------------------------------------------------- sums, closing once


def test_sums_check_with_the_usual_tool(closed: Path) -> None:
    """`sha256sum -c SHA256SUMS` says OK to every file (FIPS 180-4, checked by a program of others)."""
    tool = ["sha256sum"] if shutil.which("sha256sum") else ["shasum", "-a", "256"]
    done = subprocess.run([*tool, "-c", "SHA256SUMS"], cwd=closed, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
    assert sorted(done.stdout.splitlines()) == sorted(f"{n}: OK" for n in contents(closed) if n != "SHA256SUMS")


def test_a_closed_run_is_never_written_to(tmp_path: Path, suite: Suite) -> None:
    """Closing again, finishing, reading: no byte and no time stamp changes; writing is refused."""
    cycles = told_run(suite)
    archive = begin(tmp_path, suite, cycles)
    folder = end(archive, suite, cycles)
    before = contents(folder), {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    archive.close({"verdict": "pass"})
    finish_killed(folder)
    run = ArchivedRun.open(folder)
    assert len(list(run.cycles())) == 3

    assert (contents(folder), {path: path.stat().st_mtime_ns for path in folder.rglob("*")}) == before
    with pytest.raises(ArchiveError, match="the run is closed"):
        archive.write(started(suite, 1))


def test_a_report_that_fails_loses_no_archive(tmp_path: Path, suite: Suite) -> None:
    """What the record raises is noted in run.json; the run is closed and sound."""
    archive = begin(tmp_path, suite, told_run(suite)[:1])

    def broken(folder: Path) -> None:
        raise RuntimeError(f"no template for {folder.name}")

    archive.close({"verdict": "pass"}, broken)

    assert verify(archive.folder).sound
    assert "no template for run=" in ArchivedRun.open(archive.folder).run["report_problem"]


def test_the_report_is_summed_with_the_rest(tmp_path: Path, suite: Suite) -> None:
    """It is written before the sums, from the tables and samples that the run then has."""
    archive = begin(tmp_path, suite, told_run(suite)[:1])

    def report(folder: Path) -> None:
        rows = sum(len(one.records) for one in ArchivedRun.open(folder).samples(1).values())
        (folder / "report.html").write_text(f"<p>{rows} samples</p>", encoding="utf-8")

    archive.close({}, report)

    assert "report.html" in (archive.folder / "SHA256SUMS").read_text(encoding="utf-8")
    assert (archive.folder / "report.html").read_text(encoding="utf-8") != "<p>0 samples</p>"


# ---------------------------------------------------------------- the journal


def test_a_record_is_with_the_system_when_write_returns(tmp_path: Path, suite: Suite) -> None:
    """Another reader of the file sees each record at once: a kill after that loses nothing."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})
    for count in range(1, 4):
        archive.write(started(suite, count))
        assert len((archive.folder / "journal.jsonl").read_bytes().splitlines()) == count
    archive.close({})


def test_a_full_disk_is_one_clear_error_and_leaves_no_torn_line(
    tmp_path: Path, suite: Suite, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a line reaches the disk, then it is full: the half is taken back, and later lines stay readable."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})
    archive.write(started(suite, 1))
    journal = archive._journal
    real = journal._file

    class Full:
        """Takes half of what it is given, then nothing."""

        closed = False

        def write(self, line: bytes) -> int:
            real.write(line[: len(line) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

    monkeypatch.setattr(journal, "_file", Full())
    with pytest.raises(ArchiveError, match="the disk is full; free some space"):
        archive.write(started(suite, 2))
    monkeypatch.setattr(journal, "_file", real)
    archive.write(started(suite, 3))
    archive.close({})

    assert read_journal(archive.folder / "journal.jsonl") == [started(suite, 1), started(suite, 3)]


def test_a_disk_that_is_full_at_the_end_leaves_the_run_to_be_closed_later(
    tmp_path: Path, suite: Suite, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parquet can't be written: one ArchiveError, every sample is still there, and the next start closes the run."""
    from restart_bench.archive import samples as parts

    cycles = told_run(suite)[:1]
    archive = begin(tmp_path, suite, cycles)

    def full(part: Path, parquet: Path, run: str) -> None:
        with parts.whole_or_absent(parquet) as temporary:
            temporary.write_bytes(b"PAR1")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(parts, "part_to_parquet", full)
        with pytest.raises(ArchiveError, match="could not write: No space left on device; the disk is full"):
            end(archive, suite, cycles)
    assert unfinished(tmp_path, RIG_NAME) == [archive.folder]
    assert "or the disk was full" in ArchivedRun.open(archive.folder).why_open
    finish_killed(archive.folder)

    assert verify(archive.folder).sound
    assert same_samples(ArchivedRun.open(archive.folder).samples(1)["controller"], cycles[0].samples["controller"])
    run = ArchivedRun.open(archive.folder)
    assert run.run["ended"]["how"] == "error" and "could not be closed" in run.run["ended"]["reason"]
    assert run.run["exit_code"] == judge_again(run).exit_code == EXIT_ERROR


texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=20)
instants = st.integers(-(2**62), 2**62)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
)
bounds = st.tuples(instants, instants).map(lambda pair: Bounds(min(pair), max(pair)))
verdicts = st.sampled_from(Verdict)
values = st.booleans() | st.integers(-(2**31), 2**31) | st.floats(allow_nan=False)
figures = st.dictionaries(texts, json_values, max_size=4)
counts = st.integers(0, 2**63 - 1)
findings = st.builds(Finding, texts, texts, counts, texts, texts, verdicts, texts, figures)
pairs = st.none() | st.tuples(instants, instants)
seen = st.none() | values
outputs = st.builds(
    OutputSeen, point=texts, judged=texts, before=seen, at_loss=seen, at_return=seen, settled=seen, loss_ns=pairs,
    delay_ns=pairs, changes=counts, seen_on=st.none() | st.booleans(), disagrees=texts,
)  # fmt: skip
journal_records = st.one_of(
    st.builds(RunStarted, texts, texts, instants, texts, instants, st.booleans(), st.tuples(texts), counts),
    st.builds(CycleStarted, *[counts], texts, texts, *[counts] * 5),
    st.builds(
        StepDone, counts, texts, counts, texts, st.none() | st.booleans(), instants, instants, texts
    ),
    st.builds(CutAnnounced, counts, texts, texts, texts, instants),
    st.builds(Switching, counts, st.just("supply"), texts, texts, instants, instants, texts, counts),
    st.builds(PointWritten, counts, texts, values, texts, instants, instants, texts, counts),
    st.builds(Answered, counts, texts, st.booleans(), instants, instants, texts),
    st.builds(Trouble, counts, texts, texts, instants, st.booleans()),
    st.builds(CycleEnded, counts, instants, st.booleans(), texts),
    st.builds(
        CycleJudged, counts, texts, texts, verdicts, texts, st.tuples(st.builds(Mark, texts, bounds)),
        st.tuples(findings), st.booleans(), st.tuples(outputs), st.tuples(texts), figures,
    ),
    st.builds(
        ScenarioJudged, texts, verdicts, texts, counts, st.dictionaries(texts, instants),
        st.tuples(texts), st.tuples(findings),
    ),
    st.builds(RunEnded, texts, texts, verdicts, st.integers(0, 255), texts, instants, texts, texts),
)  # fmt: skip


@given(journal_records)
@examples(20)
def test_every_record_comes_back_from_its_line(record: Record) -> None:
    """One line of JSON a record, and the same value again (line breaks inside texts included)."""
    line = to_line(record)

    assert "\n" not in line
    assert from_line(line) == record


@given(st.lists(journal_records, min_size=1, max_size=4), st.data())
@examples(30)
def test_a_journal_torn_anywhere_gives_its_whole_records(records: list[Record], data: st.DataObject) -> None:
    """Cut at any byte, also filled up with the zeros of a lost computer: the whole lines before it are there."""
    lines = [(to_line(record) + "\n").encode() for record in records]
    content = b"".join(lines)
    cut = data.draw(st.integers(0, len(content)))
    torn = content[:cut] + b"\0" * data.draw(st.integers(0, 3))
    found, left = whole_lines(torn)
    whole = sum(1 for count in range(1, len(lines) + 1) if len(b"".join(lines[:count])) <= cut)

    assert [from_line(line.decode()) for line in found] == records[:whole]
    assert left == len(torn) - len(b"".join(lines[:whole]))


def test_a_damaged_line_in_the_middle_is_named(tmp_path: Path) -> None:
    """Damage is not taken for a kill: file, line, and where to look."""
    journal = tmp_path / "journal.jsonl"
    good = to_line(CutAnnounced(1, "supply", "off", "on", 5))
    journal.write_text(f'{good}\n{{"record": "Cut\n{good}\n', encoding="utf-8")

    with pytest.raises(ArchiveError, match=r"journal\.jsonl:2: damaged .*logs verify"):
        read_journal(journal)


# ---------------------------------------------------------------- samples


@st.composite
def sample_files(draw: st.DrawFn) -> DeviceSamples:
    """Samples of a device with any points, any values, cycles in rising order."""
    names = draw(st.lists(st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True), max_size=4, unique=True))
    taken = {"cycle", "request", "connection", "sent_ns", "received_ns", "kind", "exception"}
    points = tuple((name, draw(st.sampled_from("bd"))) for name in names if name not in taken)
    requests = tuple(f"read {number}" for number in range(draw(st.integers(1, 3))))
    layout = SampleLayout("controller", requests, points)
    records = np.zeros(draw(st.integers(0, 40)), dtype=layout.dtype())
    for row in records:
        row["request"] = draw(st.sampled_from([*range(len(requests)), 65535]))
        row["kind"] = draw(st.sampled_from(list(KIND_WORDS)))
        row["exception"] = draw(st.integers(0, 255))
        row["connection"] = draw(st.integers(0, 2**32 - 1))
        row["sent_ns"], row["received_ns"] = draw(st.integers(1, 2**62)), draw(st.integers(1, 2**62))
        for name, code in points:
            row[f"p:{name}"] = draw(st.sampled_from([-1, 0, 1]) if code == "b" else st.floats(allow_nan=False))
            if code == "d" and draw(st.booleans()):
                row[f"p:{name}"] = math.nan
    records["cycle"] = sorted(draw(st.lists(st.integers(0, 5), min_size=len(records), max_size=len(records))))
    return DeviceSamples(layout, records)


@given(sample_files(), st.integers(0, 60))
@examples(30)
def test_samples_come_back_from_parquet_as_they_were_written(
    tmp_path_factory: pytest.TempPathFactory, samples: DeviceSamples, torn: int
) -> None:
    """Every whole record, cycle by cycle, byte for byte; a torn one at the end is dropped and counted."""
    folder = tmp_path_factory.mktemp("samples")
    layout, records = samples.layout, samples.records
    rest = b"\x01" * (torn % layout.size)
    (folder / "controller.part").write_bytes(part_bytes(layout, [samples]) + rest)
    part_to_parquet(folder / "controller.part", folder / "controller.parquet")
    file = SampleFile(folder / "controller.parquet")

    assert whole_records(folder / "controller.part") == (len(records), len(rest))
    for cycle in range(7):
        expected = DeviceSamples(layout, records[records["cycle"] == cycle])
        assert same_samples(file.source(cycle).whole(), expected)
    file.close()


def test_zeros_after_the_last_record_are_no_samples(tmp_path: Path, suite: Suite) -> None:
    """A file system may lengthen a file with zeros when the computer itself loses its power."""
    (cycle,) = told_run(suite, [Story()])
    write_parts(tmp_path, [cycle])
    part = tmp_path / "controller.part"
    part.write_bytes(part.read_bytes() + bytes(3 * cycle.samples["controller"].layout.size + 5))

    assert whole_records(part)[0] == len(cycle.samples["controller"].records)


def test_a_file_whose_first_line_is_torn_is_kept_and_said(tmp_path: Path, suite: Suite) -> None:
    """Killed before the first line was whole: the run can be closed, the file stays as it is, run.json says why."""
    archive = begin(tmp_path, suite, [])
    (archive.samples_folder / "independent.part").write_bytes(b'{"device": "indep')
    archive.close({})
    run = ArchivedRun.open(archive.folder)

    assert run.run["unreadable_samples"].keys() == {"independent"}
    assert "samples/independent.part" in (archive.folder / "SHA256SUMS").read_text(encoding="utf-8")
    assert run.samples(1) == {}


def _long_part(path: Path, records: int, per_cycle: int, between: int = 0) -> None:
    layout = SampleLayout("controller", ("read coils 0..1",), (("burner", "b"), ("count", "d")))
    rows = np.zeros(records, dtype=layout.dtype())
    rows["cycle"] = np.where(np.arange(records) % per_cycle < between, 0, 1 + np.arange(records) // per_cycle)
    rows["sent_ns"] = np.arange(records) * 2_000_000 + 1
    rows["received_ns"] = rows["sent_ns"] + 300_000
    rows["p:count"] = np.arange(records) % 1000
    path.write_bytes(part_bytes(layout, [DeviceSamples(layout, rows)]))


def _groups_read(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The row groups that are read from now on."""
    groups: list[int] = []
    real = pq.ParquetFile.iter_batches
    monkeypatch.setattr(
        pq.ParquetFile, "iter_batches", lambda f, *a, **k: groups.extend(k["row_groups"]) or real(f, *a, **k)
    )
    return groups


def test_one_cycle_is_read_without_its_neighbours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a long file only the row groups that hold the cycle are read; going through all reads each group once."""
    _long_part(tmp_path / "controller.part", 200_000, 10_000)
    part_to_parquet(tmp_path / "controller.part", tmp_path / "controller.parquet")
    groups = _groups_read(monkeypatch)
    file = SampleFile(tmp_path / "controller.parquet")
    assert len(file.source(7).whole().records) == 10_000
    assert len(groups) == 1
    groups.clear()
    assert sum(len(file.source(number).whole().records) for number in range(1, 21)) == 200_000

    assert sorted(groups) == list(range(pq.read_metadata(tmp_path / "controller.parquet").num_row_groups))
    file.close()


def test_samples_between_cycles_do_not_have_a_group_read_for_every_cycle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every row group holds samples of no cycle, so that its smallest number is 0: each is read twice at most, and no
    sample of a cycle, nor of none, is missed."""
    _long_part(tmp_path / "controller.part", 200_000, 10_000, between=1_000)
    part_to_parquet(tmp_path / "controller.part", tmp_path / "controller.parquet")
    groups = _groups_read(monkeypatch)
    file = SampleFile(tmp_path / "controller.parquet")

    assert [len(file.source(number).whole().records) for number in range(1, 21)] == [9_000] * 20
    assert max(Counter(groups).values()) == 2
    assert len(file.source(0).whole().records) == 20_000
    file.close()


def test_conversion_needs_no_more_memory_for_a_longer_run(tmp_path: Path) -> None:
    """Eight times the records: the same peak (numpy's and pyarrow's), within a quarter."""

    def peak(records: int) -> int:
        _long_part(tmp_path / "controller.part", records, 5_000)
        pool = pa.proxy_memory_pool(pa.default_memory_pool())
        before = pa.default_memory_pool()
        pa.set_memory_pool(pool)
        tracemalloc.start()
        part_to_parquet(tmp_path / "controller.part", tmp_path / "controller.parquet")
        highest = tracemalloc.get_traced_memory()[1] + pool.max_memory()
        tracemalloc.stop()
        pa.set_memory_pool(before)
        return int(highest)

    assert peak(1_600_000) <= 1.25 * peak(200_000)


def test_a_damaged_parquet_file_is_one_clear_error(tmp_path: Path) -> None:
    """Not a traceback of a library: which file, and where to look."""
    (tmp_path / "controller.parquet").write_bytes(b"PAR1 and nothing else")

    with pytest.raises(ArchiveError, match=r"controller\.parquet"):
        SampleFile(tmp_path / "controller.parquet")


def test_a_record_that_names_no_request_is_damage(tmp_path: Path) -> None:
    """A request number that the first line does not know can't have been written by the observer."""
    layout = SampleLayout("controller", ("read coils 0..1",), ())
    rows = np.ones(1, dtype=layout.dtype())
    rows["request"] = 7
    (tmp_path / "controller.part").write_bytes(part_bytes(layout, [DeviceSamples(layout, rows)]))

    with pytest.raises(ArchiveError, match="names a request or a kind that does not exist"):
        convert_parts(tmp_path)


# ---------------------------------------------------------------- killed runs


def killed(
    logs: Path, suite: Suite, stories: list[Story], *, judged: int, journal_cut: int = 0, part_cut: int = 0
) -> Path:
    """A run that was killed after `judged` cycles had been judged; the last bytes of journal and samples are torn."""
    cycles = told_run(suite, stories)
    archive = begin(logs, suite, [])
    for number, cycle in enumerate(cycles, start=1):
        for record in cycle.journal:
            archive.write(record)
        if number <= judged:
            archive.write(cycle.judged)
    write_parts(archive.samples_folder, cycles)
    archive._journal.close()
    archive._lock.release()  # as the system does when a process is gone; the lock file stays
    for path, cut in ((archive.folder / "journal.jsonl", journal_cut), *((p, part_cut) for p in parts_of(archive))):
        with path.open("rb+") as file:
            file.truncate(path.stat().st_size - cut)
    return archive.folder


def parts_of(archive: RunArchive) -> list[Path]:
    """The sample files of a run that lasts."""
    return sorted(archive.samples_folder.glob("*.part"))


def test_cycles_of_a_killed_run_are_judged_from_what_it_left(tmp_path: Path, suite: Suite) -> None:
    """Two of three cycles were completed, one of them not yet judged; the third was broken off."""
    stories = [Story(seed=1), comes_back(Story(seed=2)), Story(seed=3)]
    folder = killed(tmp_path, suite, stories, judged=1, journal_cut=9, part_cut=13)
    assert unfinished(tmp_path, RIG_NAME) == [folder]
    finish_killed(folder)
    run = ArchivedRun.open(folder)
    verdicts = {r.cycle: r.verdict for r in run.records if isinstance(r, CycleJudged)}
    ended = run.records[-1]

    assert verify(folder).sound
    assert verdicts == {1: Verdict.PASS, 2: Verdict.FAIL, 3: Verdict.INCONCLUSIVE}
    assert isinstance(ended, RunEnded)
    assert (ended.how, ended.verdict, ended.exit_code) == ("killed", Verdict.FAIL, 1)
    assert ended.reason == "the bench was killed; 2 of 0 cycles were completed"
    assert run.run["ended"]["how"] == "killed"
    assert run.run["torn_bytes"].keys() == {"journal", "controller", "independent"}
    assert unfinished(tmp_path, RIG_NAME) == []


def test_a_killed_run_is_judged_as_it_would_have_been(tmp_path: Path, suite: Suite) -> None:
    """Completed cycles: the same findings as the bench itself would have written (rule 1)."""
    stories = [comes_back(Story(seed=4)), Story(seed=5)]
    live = [cycle.judged for cycle in told_run(suite, [comes_back(Story(seed=4)), Story(seed=5)])]
    folder = killed(tmp_path, suite, stories, judged=0)
    finish_killed(folder)
    later = [record for record in ArchivedRun.open(folder).records if isinstance(record, CycleJudged)]

    assert later == [from_line(to_line(judged)) for judged in live]


def test_a_killed_run_whose_files_are_refused_now_is_closed_unjudged(tmp_path: Path, suite: Suite) -> None:
    """A later version may refuse old files; an old run must not keep its rig from going on, and samples are kept."""
    folder = killed(tmp_path, suite, [Story()], judged=0)
    older = b"rig: 1,5\n"
    (folder / "inputs" / "grain-dryer" / "rig.yaml").write_bytes(older)
    told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    told["inputs"][0]["sha256"] = hashlib.sha256(older).hexdigest()
    (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    finish_killed(folder)
    run = ArchivedRun.open(folder)

    assert verify(folder).sound
    assert "this version refuses the run's files" in run.run["not_judged"]
    assert run.run["verdict"] == "error"
    assert len(run.samples(1)["controller"].records) > 0


def test_a_run_that_goes_on_is_neither_unfinished_nor_finished(tmp_path: Path, suite: Suite) -> None:
    """Its lock is held: it is left alone until its process ends."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})

    assert unfinished(tmp_path, RIG_NAME) == []
    with pytest.raises(RunIsOpen, match="still going on"):
        finish_killed(archive.folder)
    archive.close({})
    assert verify(archive.folder).sound


class Killed(BaseException):
    """The process is gone."""


def test_a_run_that_another_user_has_open_goes_on_for_whoever_may_only_read_its_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody is told that it was killed; of a lock that nobody holds any more they are."""
    lock = files.lock_run(tmp_path)

    def not_allowed(_: Path) -> None:
        raise ArchiveError("could not lock: permission denied")

    monkeypatch.setattr(files, "lock_run", not_allowed)
    assert files.is_going_on(tmp_path)
    lock.release()
    (tmp_path / files.LOCK).touch()
    assert not files.is_going_on(tmp_path)


def _steps_of_closing(monkeypatch: pytest.MonkeyPatch, kill_at: int | None) -> list[str]:
    """Count everything that closing makes durable or takes away; the process is gone before step `kill_at`."""
    done: list[str] = []

    def wrap(name: str) -> None:
        real = getattr(Path, name)

        def step(path: Path, *args: Any, **kwargs: Any) -> Any:
            if len(done) == kill_at:
                raise Killed
            done.append(f"{name} {path.name}")
            return real(path, *args, **kwargs)

        monkeypatch.setattr(Path, name, step)

    wrap("replace")
    wrap("unlink")
    return done


def test_closing_may_be_killed_at_any_step_and_begun_again(
    tmp_path: Path, suite: Suite, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before every renaming and every deletion: what is closed afterwards is what would have been closed."""
    cycles = told_run(suite, [Story(seed=1), comes_back(Story(seed=2))])
    untouched = begin(tmp_path / "whole", suite, cycles)
    with monkeypatch.context() as patched:
        steps = _steps_of_closing(patched, None)
        whole = end(untouched, suite, cycles)
    expected = tables(whole)
    assert sum(step.startswith("replace") for step in steps) >= 8
    for kill_at in range(len(steps)):
        archive = begin(tmp_path / str(kill_at), suite, cycles)
        with monkeypatch.context() as patched:
            _steps_of_closing(patched, kill_at)
            with pytest.raises(Killed):
                end(archive, suite, cycles)
        if not verify(archive.folder).closed:
            assert archive.folder in unfinished(tmp_path / str(kill_at), RIG_NAME), steps[kill_at]
        finish_killed(archive.folder)
        assert verify(archive.folder).sound, steps[kill_at]
        assert tables(archive.folder) == expected, steps[kill_at]


def test_a_real_kill_in_the_middle_of_conversion_loses_nothing(tmp_path: Path, suite: Suite) -> None:
    """A process that is gone without a word between the two sample files: the next start closes its run."""
    folder = write_suite(tmp_path / "suite")
    code = (
        "import os, sys, pathlib\n"
        "sys.path.insert(0, sys.argv[1])\n"
        "from archive_builders import archived, load\n"
        "from restart_bench.archive import samples as parts\n"
        "real = parts.part_to_parquet\n"
        "def dying(part, parquet, run):\n"
        "    if part.stem == 'independent':\n"
        "        parquet.with_name(parquet.name + '.tmp').write_bytes(b'PAR1 half')\n"
        "        os._exit(9)\n"
        "    real(part, parquet, run)\n"
        "parts.part_to_parquet = dying\n"
        "archived(pathlib.Path(sys.argv[2]), load(pathlib.Path(sys.argv[3])))\n"
    )
    logs = tmp_path / "logs"
    here = str(Path(__file__).resolve().parents[1] / "helpers")
    done = subprocess.run([sys.executable, "-c", code, here, str(logs), str(folder)], check=False, timeout=60)
    assert done.returncode == 9
    (run,) = unfinished(logs, RIG_NAME)
    finish_killed(run)

    assert verify(run).sound
    assert tables(run) == tables(archived(tmp_path / "whole", suite))


# ---------------------------------------------------------------- finding runs


@pytest.fixture
def three_runs(tmp_path: Path, suite: Suite) -> Iterator[Path]:
    """An archive with three runs on two days."""
    for run_id in ("20260726T080000Z-aaaa", "20260727T142233Z-4f2a", "20260727T150000Z-4f2a"):
        RunArchive.create(tmp_path, run_id=run_id, suite=suite, before={}).close({})
    yield tmp_path


def test_a_run_is_found_by_path_by_the_start_of_its_id_or_as_the_last(three_runs: Path) -> None:
    """Whatever a person has at hand."""
    oldest, middle, newest = run_folders(three_runs)

    assert find_run("last", three_runs) == newest
    assert find_run("20260726", three_runs) == oldest
    assert find_run("20260727T1422", three_runs) == middle
    assert find_run(str(middle), three_runs) == middle
    assert find_run(str(middle / "run.json"), three_runs) == middle


def test_the_last_run_of_a_rig_is_another_one_than_the_last_of_all(tmp_path: Path) -> None:
    """Whoever names a rig beside `last` means its own, whatever ran elsewhere since."""
    own, others = (begun(tmp_path, "20260727T1459", ago(60), "dryer"), begun(tmp_path, "20260727T1500", ago(0), "mill"))
    assert find_run("last", tmp_path) == others
    assert find_run("last", tmp_path, "dryer") == own
    with pytest.raises(ArchiveError, match="no run of kiln in"):
        find_run("last", tmp_path, "kiln")


def begun(logs: Path, run: str, then: Anchor, rig: str = "dryer") -> Path:
    """A run with this id that began at an instant."""
    folder = logs / f"rig={rig}" / f"date={run[:4]}-{run[4:6]}-{run[6:8]}" / f"run={run}"
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps({"run": run, "anchor": dataclasses.asdict(then)}), encoding="utf-8")
    return folder


NOW = Anchor(9_000_000_000_000, "2026-07-27T15:00:00.000000+00:00", "this boot", 0)


def ago(seconds: float, boot: str = "this boot") -> Anchor:
    """So long before NOW, in some boot; the wall clock is taken to have said anything."""
    return dataclasses.replace(NOW, clock_ns=NOW.clock_ns - round(seconds * 1e9), wall="", boot=boot)


@pytest.mark.parametrize("stepped", ["20260806T150000Z-aaaa", "20250616T150000Z-aaaa"], ids=["ahead", "behind"])
def test_the_last_run_is_the_one_that_was_begun_last_whatever_the_wall_clock_said(stepped: str, tmp_path: Path) -> None:
    """Within one boot the monotonic clock tells the order: of a run while the clock was set ahead or back, and of two
    in one second."""
    then = begun(tmp_path, stepped, ago(600))
    assert last_run(run_folders(tmp_path), NOW) == then
    begun(tmp_path, "20260727T145000Z-bbbb", ago(700))
    assert last_run(run_folders(tmp_path), NOW) == then
    begun(tmp_path, "20260727T145500Z-f000", ago(300))
    later = begun(tmp_path, "20260727T145500Z-0001", ago(299.9))
    assert last_run(run_folders(tmp_path), NOW) == later


def test_a_run_of_a_time_to_come_is_not_guessed_to_be_the_last(tmp_path: Path) -> None:
    """It was begun in another boot with a clock that was ahead, or this one is behind: nobody can tell."""
    of_the_future = begun(tmp_path, "20260806T150000Z-aaaa", ago(0, "another boot"))
    assert last_run(run_folders(tmp_path), NOW) == of_the_future, "there is no other"
    begun(tmp_path, "20260727T145500Z-bbbb", ago(300))
    with pytest.raises(ArchiveError, match=r"20260806T150000Z-aaaa .*to come.*20260727T145500Z-bbbb"):
        last_run(run_folders(tmp_path), NOW)


def test_runs_of_earlier_boots_are_told_apart_by_their_labels(tmp_path: Path) -> None:
    """Nothing else tells their order; of whatever began in this boot the last is later."""
    older = begun(tmp_path, "20260726T145500Z-bbbb", ago(0, "another boot"))
    assert last_run(run_folders(tmp_path), NOW) == older
    newer = begun(tmp_path, "20260727T125500Z-aaaa", ago(-5000, "a third one"))
    assert last_run(run_folders(tmp_path), NOW) == newer
    of_this_boot = begun(tmp_path, "20260727T145500Z-aaaa", ago(300))
    assert last_run(run_folders(tmp_path), NOW) == of_this_boot
    (of_this_boot / "run.json").write_text("this boot, torn", encoding="utf-8")
    assert last_run(run_folders(tmp_path), NOW) == of_this_boot, "its label is left"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("20260727", "2 runs start so .*write more of the id"),
        ("2025", "no run starts so .*20260727T150000Z-4f2a.*logs list"),
        ("", "no run starts so"),
    ],
)
def test_a_run_that_is_not_found_is_told_with_what_there_is(three_runs: Path, text: str, said: str) -> None:
    """Ambiguous, wrong, empty: the message names ids to choose from."""
    with pytest.raises(ArchiveError, match=said):
        find_run(text, three_runs)


def test_an_empty_archive_says_how_to_fill_it(tmp_path: Path) -> None:
    """The first thing a new user may type."""
    with pytest.raises(ArchiveError, match=r"no run in .*make one with `restart-bench run`"):
        find_run("last", tmp_path)


@pytest.mark.parametrize("files", [("a?.yaml", "a*.yaml", "a_.yaml"), ("x?/s.yaml", "x*", "x_/s.yaml")])
def test_no_copy_takes_another_files_name(files: tuple[str, ...]) -> None:
    """Names that differ only in what a file system forbids stay different; a plain one stays as it is."""
    names = input_names([Path("/suite", file) for file in files])
    assert names[-1] == files[-1]
    assert len(set(names)) == len(names)
    assert not set(names) & {folder.as_posix() for name in names for folder in Path(name).parents}


FORBIDDEN = {*'<>:"|?*\\/', *map(chr, range(32))}
"""What a name on Windows may not hold (learn.microsoft.com, Naming Files, Paths, and Namespaces; from memory)."""


def _written(name: str) -> str:
    return "".join("_" if character in FORBIDDEN else character for character in name)


@given(
    st.lists(
        st.lists(st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1), min_size=1, max_size=3),
        min_size=1, max_size=4, unique_by=tuple,
    )
)  # fmt: skip
@examples(40)
def test_copies_keep_their_places_towards_each_other(parts: list[list[str]]) -> None:
    """Names are relative to the common folder and free of what file systems forbid."""
    plain = [[part.strip(". ") or "x" for part in path] for path in parts]
    paths = [Path("/suite", *path) for path in plain]
    names = input_names(paths)

    assert len(set(names)) == len(names)
    for name, path in zip(names, paths, strict=True):
        assert not set(name.replace("/", "")) & FORBIDDEN
        assert name.split("/")[-1].rstrip("_") == _written(path.name).rstrip("_")
        assert len(name.split("/")) == len(path.relative_to(os.path.commonpath([one.parent for one in paths])).parts)
        assert not name.startswith("/")
        assert ".." not in name.split("/")
