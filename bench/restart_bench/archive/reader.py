"""Reading the archive: finding runs, the journal, and one archived run as judgement, record and replay need it."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from restart_bench.archive.files import ArchiveError, clear_errors, is_closed, is_going_on, run_folders, run_id_of
from restart_bench.archive.soundness import altered_text, verify
from restart_bench.model.clock import NS_PER_S, Anchor, anchor, passed_ns
from restart_bench.model.codec import from_fields, from_line
from restart_bench.model.journal import CycleJudged, CycleRecords, Record, cycle_records, table_number

if TYPE_CHECKING:
    from restart_bench.archive.samples import SampleFile
    from restart_bench.model.condensing import SampleSource
    from restart_bench.model.samples import DeviceSamples
    from restart_bench.suite.loader import Suite
    from restart_bench_drivers.interface import SupplyCard


# ---------------------------------------------------------------- finding


def find_run(text: str, logs: Path, rig: str = "*") -> Path:
    """The folder of a run named by its path, by a unique start of its id, or as "last", the last one of this rig.

    Raises ArchiveError that says what there is instead.
    """
    direct = Path(text)
    with clear_errors("look for a run of this name", direct):
        for candidate in (direct, direct.parent):
            if candidate.name.startswith("run=") and (candidate / "run.json").is_file():
                return candidate
        if (direct / "run.json").is_file():
            return direct
    runs = run_folders(logs)
    if not runs:
        raise ArchiveError(f"no run in {logs}; check --logs, or make one with `restart-bench run`")
    if text == "last":
        own = run_folders(logs, rig)
        if not own:
            raise ArchiveError(f"no run of {rig} in {logs}; check --logs, or see `restart-bench logs list`")
        return last_run(own, anchor())
    found = [path for path in runs if run_id_of(path).startswith(text)] if text else []
    if len(found) == 1:
        return found[0]
    ids = ", ".join(run_id_of(path) for path in (found or runs)[-5:])
    if found:
        raise ArchiveError(f"{text}: {len(found)} runs start so (newest: {ids}); write more of the id")
    raise ArchiveError(f"{text}: no run starts so in {logs} (newest: {ids}); see `restart-bench logs list`")


def last_run(runs: Sequence[Path], now: Anchor) -> Path:
    """The one of these that was begun last. Raises ArchiveError where one is of a time to come, so nobody can tell."""
    at = {folder: _begun_s(folder, now) for folder in runs}
    begun = sorted(runs, key=lambda folder: (at[folder], folder.name, str(folder)))
    known = [folder for folder in begun if at[folder] <= datetime.fromisoformat(now.wall).timestamp() + _AHEAD_S]
    if known and known[-1] is not begun[-1]:
        ahead, before = (run_id_of(folder) for folder in (begun[-1], known[-1]))
        raise ArchiveError(
            f"last: {ahead} is dated a time that is still to come, so a clock was wrong and nobody can tell which run "
            f"was the last (newest of those before now: {before}); write the id of the run that you mean"
        )
    return begun[-1]


def _begun_s(folder: Path, now: Anchor) -> float:
    """When a run began, in seconds since 1970: in this boot by the monotonic clock, whatever was done to the wall
    clock, else as its id says it; 0 where that says nothing."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError, RecursionError):
        told = (folder / "run.json").read_bytes()
        if now.boot and now.boot.encode() in told:  # of many runs few are read
            passed = passed_ns(Anchor(**json.loads(told)["anchor"]), now)
            if passed is not None:
                return datetime.fromisoformat(now.wall).timestamp() - passed / NS_PER_S
    with contextlib.suppress(ValueError):
        return datetime.strptime(f"{folder.name[4:20]}+0000", "%Y%m%dT%H%M%SZ%z").timestamp()
    return 0.0


# ---------------------------------------------------------------- journal and run.json

FORMAT = 1
"""Edition of the archive's layout; it may grow, it does not change."""
_AHEAD_S = 60.0  # clocks of computers that share an archive may differ by this
_ID = re.compile(r"\d{8}T\d{6}Z-[0-9a-z]+")
_RIG = re.compile(r"[A-Za-z0-9_-]{1,100}")


def read_run_json(folder: Path) -> dict[str, Any]:
    """run.json as it stands. Raises ArchiveError where it is missing or damaged."""
    path = folder / "run.json"
    with clear_errors("read", path):
        try:
            fields = json.loads(path.read_text(encoding="utf-8"))
            _refuse_huge(fields)
        except (ValueError, RecursionError) as problem:
            raise ArchiveError(
                f"{path}: not readable as JSON ({problem}); see `restart-bench logs verify`"
            ) from problem
    if not isinstance(fields, dict):
        raise ArchiveError(f"{path}: does not tell a run; see `restart-bench logs verify`")
    _refuse_newer(path, fields.get("format", FORMAT))
    return fields


def _refuse_huge(value: object) -> None:
    """Raises ValueError for a whole number beyond 64 bits, but in what people wrote freely (`record:`)."""
    if isinstance(value, int):
        table_number(str(int(value)))
    elif isinstance(value, list):
        for item in value:
            _refuse_huge(item)
    elif isinstance(value, dict):
        for name, item in value.items():
            if name != "record":
                _refuse_huge(item)


def _refuse_newer(path: Path, written: object) -> None:
    if isinstance(written, bool) or not isinstance(written, int) or written < 1:
        raise ArchiveError(f"{path}: {written!r} is no format of an archive; see `restart-bench logs verify`")
    if written > FORMAT:
        raise ArchiveError(
            f"{path}: archive format {written} is newer than this version of the bench, which reads up to format "
            f"{FORMAT}; use the version that wrote it, or a later one"
        )


def whole_lines(content: bytes) -> tuple[list[bytes], int]:
    """Lines of a journal that end as lines do, and the number of torn bytes after them (the zeros of a computer
    that lost its power count as torn)."""
    end = content.rfind(b"\n") + 1
    return content[:end].splitlines(), len(content) - end


def read_journal(path: Path) -> list[Record]:
    """All records of a journal, its judged cycles kept; a torn last line is left out. Raises ArchiveError that names
    a damaged line."""
    from restart_bench.archive.kept_cycles import KeptCycles

    kept = KeptCycles()
    records: list[Record] = []
    for number, line in enumerate(_lines_of(path), start=1):
        try:
            record = from_line(line.decode("utf-8"))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as problem:
            raise ArchiveError(f"{path}:{number}: damaged ({problem}); see `restart-bench logs verify`") from problem
        records.append(kept.keep(record) if isinstance(record, CycleJudged) else record)
    return records


def _lines_of(path: Path) -> Iterator[bytes]:
    """The same lines as `whole_lines`, one after another."""
    with clear_errors("read", path), path.open("rb") as file:
        for line in file:
            if line.endswith(b"\n"):
                yield from line.splitlines()


def readable_records(path: Path) -> tuple[list[Record], int]:
    """What can be read of a journal, and the number of lines in it that can't: for letting go of what it names."""
    with clear_errors("read", path):
        lines, _ = whole_lines(path.read_bytes()) if path.exists() else ([], 0)
    records: list[Record] = []
    for line in lines:
        with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError, RecursionError):
            records.append(from_line(line.decode("utf-8")))
    return records, len(lines) - len(records)


def of_a_simulation(fields: Mapping[str, Any]) -> bool:
    """Of a run.json: True where the bench simulated the rig, or where an armed run met devices that say of themselves
    that they are simulated."""
    return bool(fields.get("simulated") or fields.get("simulated_devices"))


def kind_of_rig(fields: Mapping[str, Any]) -> str:
    """Of a run.json: `simulated`, `real`, or `not known` where a device was never heard to say what it is."""
    if of_a_simulation(fields):
        return "simulated"
    return "not known" if fields.get("unheard_devices") else "real"


# ---------------------------------------------------------------- one run


class ArchivedRun:
    """One run as the archive holds it, closed or killed. Nothing is ever written through it.

    `folder`; `run` is run.json; the rest is read when asked for.
    """

    def __init__(self, folder: Path, run: dict[str, Any]) -> None:
        self.folder = folder
        self.run = run
        self._files: dict[str, SampleFile] | None = None

    @staticmethod
    def open(folder: Path) -> ArchivedRun:
        """The run in this folder. Raises ArchiveError where there is none, or where run.json names no run: names of
        files are made of it."""
        fields = read_run_json(folder)
        for what, form in (("run", _ID), ("rig", _RIG)):
            if form.fullmatch(str(fields.get(what, ""))) is None:
                raise ArchiveError(f"{folder / 'run.json'}: {fields.get(what)!r} names no {what}; see `logs verify`")
        return ArchivedRun(folder, fields)

    def close(self) -> None:
        """Let go of the sample files (Windows can't move a folder with open files)."""
        for file in (self._files or {}).values():
            file.close()
        self._files = None

    @property
    def id(self) -> str:
        """The run's id."""
        return str(self.run["run"])

    @property
    def rig_name(self) -> str:
        """Name of the rig."""
        return str(self.run["rig"])

    @property
    def simulated(self) -> bool:
        """True where no hardware was tested: see `of_a_simulation`."""
        return of_a_simulation(self.run)

    @property
    def closed(self) -> bool:
        """True once nothing in it changes any more."""
        return is_closed(self.folder)

    @property
    def why_open(self) -> str:
        """Why a run is not closed, and what to do."""
        if is_going_on(self.folder):
            return "this run is still going on; wait for its end"
        why = {
            "left open": "its rig was not left as it should be",
            "closing": "the bench was killed while it closed it, or the disk was full",
        }.get(str(self.run.get("state")), "the bench was killed")
        return f"not closed, {why}; close it with `restart-bench park RIG`"

    @functools.cached_property
    def records(self) -> list[Record]:
        """The journal. Raises ArchiveError on a damaged line; a torn last one is left out."""
        return read_journal(self.folder / "journal.jsonl")

    @functools.cached_property
    def cycle_records(self) -> dict[int, CycleRecords]:
        """The journal sorted into cycles."""
        return cycle_records(self.records)

    def samples(self, cycle: int) -> dict[str, DeviceSamples]:
        """Samples of one cycle by device; only the row groups that hold this cycle are read.

        Raises ArchiveError where a file is damaged or the run was not closed yet.
        """
        return {device: source.whole() for device, source in self.sources(cycle).items()}

    def sources(self, cycle: int) -> dict[str, SampleSource]:
        """Where the samples of one cycle lie, to be read in pieces: one cycle alone may be larger than memory.

        Raises ArchiveError as `samples` does.
        """
        return {device: file.source(cycle) for device, file in self._sample_files().items()}

    def cycles(self) -> Iterator[tuple[CycleRecords, dict[str, DeviceSamples]]]:
        """All cycles in order with their samples, in one pass over the files; memory holds one cycle."""
        for records, sources in self.cycles_in_pieces():
            yield records, {device: source.whole() for device, source in sources.items()}

    def cycles_in_pieces(self) -> Iterator[tuple[CycleRecords, dict[str, SampleSource]]]:
        """The same in memory that does not grow with the length of a cycle."""
        for cycle in sorted(self.cycle_records):
            yield self.cycle_records[cycle], self.sources(cycle)

    def inputs(self) -> dict[str, bytes]:
        """Content of the copied input files by their name under `inputs/`."""
        with clear_errors("read", self.folder / "inputs"):
            return {name: (self.folder / "inputs" / name).read_bytes() for _, name in self._inputs()}

    def suite(self) -> Suite:
        """Rig, scenarios and program, loaded again from the copies in `inputs/`.

        Raises FaultsFound where this version of the bench refuses the old files.
        """
        from restart_bench.suite.loader import load_suites

        (suite, *_) = load_suites(
            self._input_paths("scenario"),
            rig=self.rig_file,
            program=self.program_file,
            cards=self.cards(),
        )
        repeat = self.run.get("repeat") or {}
        scenarios = (dataclasses.replace(one, repeat=repeat.get(one.name, one.repeat)) for one in suite.scenarios)
        return dataclasses.replace(suite, scenarios=tuple(scenarios))

    @property
    def rig_file(self) -> Path:
        """The copy of the rig file (those that it extends come after it). Raises ArchiveError where there is none."""
        files = self._input_paths("rig")
        if not files:
            raise ArchiveError(f"{self.folder}: run.json names no rig file; see `restart-bench logs verify`")
        return files[0]

    @property
    def program_file(self) -> Path | None:
        """The copy of the program model that the run was made with, which need not be the one that the rig names."""
        return next(iter(self._input_paths("program")), None)

    def cards(self) -> Mapping[str, SupplyCard]:
        """Cards of the supply drivers known here, with the one that the run was made with: it may be a third
        party's that is not installed on this computer."""
        from restart_bench_drivers.interface import SupplyCard
        from restart_bench_drivers.registry import cards

        known = dict(cards())
        card = self.run.get("supply_card")
        if card and card["name"] not in known:
            known[card["name"]] = from_fields(SupplyCard, card)
        return known

    def _input_paths(self, kind: str) -> list[Path]:
        return [self.folder / "inputs" / name for found, name in self._inputs() if found == kind]

    def _inputs(self) -> list[tuple[str, str]]:
        """Kind and name of the copied files; none lies outside."""
        try:
            copied = [(str(one["kind"]), str(one["name"])) for one in self.run["inputs"]]
        except (KeyError, TypeError):
            raise ArchiveError(f"{self.folder}: run.json names no input files; see `logs verify`") from None
        for _, name in copied:
            if Path(name).is_absolute() or ".." in Path(name).parts:
                raise ArchiveError(f"{self.folder}: run.json names an input file outside of the run: {name}")
        return copied

    @functools.cached_property
    def altered(self) -> str:
        """What is not as it was closed, of this run or of those that it went on with, in one sentence; "" where nothing
        is. Reads every file once."""
        return altered_text(verify(self.folder)) or _altered_before(self)

    def _sample_files(self) -> dict[str, SampleFile]:
        if self._files is None:
            from restart_bench.archive.samples import SampleFile, waiting_parts

            folder = self.folder / "samples"
            waiting = [path.stem for path in waiting_parts(folder)]
            if waiting:
                raise ArchiveError(
                    f"{self.folder}: the samples of {', '.join(waiting)} are not converted: {self.why_open}"
                )
            self._files = {path.stem: SampleFile(path) for path in sorted(folder.glob("*.parquet"))}
        return self._files


def gone_on_with(run: ArchivedRun) -> ArchivedRun | None:
    """The earlier run that this one went on with, from the same archive; None where there is none (any more)."""
    resumes = run.run.get("resumes")
    if not isinstance(resumes, dict):
        return None
    try:
        if "/" in str(resumes["run"]) or "\\" in str(resumes["run"]):  # an id, never a path to anywhere
            return None
        return ArchivedRun.open(find_run(str(resumes["run"]), run.folder.parents[2]))
    except (ArchiveError, KeyError):
        return None


def altered_but_for_open(run: ArchivedRun) -> str:
    """The same as `altered`, for a start that first closes whatever a killed bench left open."""
    return altered_text(verify(run.folder)) or _altered_before(run, open_will_do=True)


def _altered_before(run: ArchivedRun, *, open_will_do: bool = False) -> str:
    """What is not as it was closed in the runs that this one went on with."""
    seen = {run.id}
    while (before := gone_on_with(run)) is not None and before.id not in seen:
        seen.add(before.id)
        is_open = not before.closed and not open_will_do
        found = altered_text(verify(before.folder)) or (f"NOT CLOSED: {before.why_open}" if is_open else "")
        if found:
            return f"the run that it went on with, {before.id}: {found}"
        run = before
    return ""
