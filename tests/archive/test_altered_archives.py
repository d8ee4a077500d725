"""An archive that is not as it was closed is said to be one at the head of every output, and shows nothing."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from archive_builders import RIG_NAME, archived, comes_back, load, write_suite
from drawn import seldom
from evidence import Story
from restart_bench.archive.files import SUMS, ArchiveError, write_sums
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import judge_again
from restart_bench.archive.soundness import verify
from restart_bench.cli.main import app
from restart_bench.compare.baselines import approvals, approve

FAILED, PASSED = "20260727T142233Z-4f2a", "20260728T080000Z-aaaa"
HEAD = "THIS ARCHIVE IS NOT AS IT WAS CLOSED"


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two closed runs of one rig: in the first the burner came back, in the second nothing did."""
    logs, suite = tmp_path_factory.mktemp("logs"), load(write_suite(tmp_path_factory.mktemp("suite")))
    archived(logs, suite, [Story(seed=1), comes_back(Story(seed=2)), Story(seed=3)], FAILED)
    archived(logs, suite, [Story(seed=seed) for seed in (4, 5, 6)], PASSED)
    return logs


@pytest.fixture
def logs(closed: Path, tmp_path: Path) -> Path:
    """A copy of them, to be spoilt."""
    return Path(shutil.copytree(closed, tmp_path / "logs"))


def run_in(logs: Path, run: str) -> Path:
    """The folder of a run."""
    (found,) = logs.glob(f"*/*/run={run}")
    return found


def typed(*arguments: object) -> tuple[int, str]:
    """A command in this process: exit code and all that it said."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def mixed(logs: Path) -> None:
    """Samples and journal of the run that passed in the place of those of the one that failed."""
    failed, passed = run_in(logs, FAILED), run_in(logs, PASSED)
    for name in ("journal.jsonl", "samples/controller.parquet", "samples/independent.parquet"):
        shutil.copyfile(passed / name, failed / name)


def softened(logs: Path) -> None:
    """The burner may be on for an hour."""
    file = run_in(logs, FAILED) / "inputs" / "grain-dryer" / "burner-stays-shut.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("{is: off, never: on, longer_than: 50 ms}", "{never: on, longer_than: 1 h}"), "utf-8")


def shortened(logs: Path) -> None:
    """The journal of its first cycle alone."""
    file = run_in(logs, FAILED) / "journal.jsonl"
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    file.write_text("".join(line for line in lines if '"cycle": 2' not in line and '"cycle": 3' not in line), "utf-8")


def without_sums(logs: Path) -> None:
    """Mixed, and the sums that would tell are taken away."""
    mixed(logs)
    (run_in(logs, FAILED) / SUMS).unlink()


def summed_anew(logs: Path) -> None:
    """Mixed, with sums that fit."""
    mixed(logs)
    write_sums(run_in(logs, FAILED))


ALTERATIONS = seldom(summed_anew, softened, mixed, shortened, without_sums, plain=3)


@pytest.mark.parametrize("alter", ALTERATIONS)
def test_an_altered_archive_is_said_to_be_one_by_all_that_read_it(alter: Callable[[Path], None], logs: Path) -> None:
    """judge, report, compare, export and verify: at the head, never with 0, and the record's word is error."""
    alter(logs)
    folder, record, csv = run_in(logs, FAILED), logs / "record.html", logs / "cycles.csv"
    commands: list[list[object]] = [
        ["judge", folder],
        ["report", folder, "--out", record],
        ["replay", folder],
        ["compare", run_in(logs, PASSED), folder],
        ["logs", "export", folder, "--out", csv],
    ]
    for command in commands:
        code, said = typed(*command)
        assert code == 4 or (command[0] == "compare" and alter is without_sums and code == 2), (command, said)
        assert HEAD in said.splitlines()[0], (command, said)
    assert HEAD in csv.read_text(encoding="utf-8-sig")
    page = record.read_text(encoding="utf-8")
    assert "<title>error" in page and "Not as it was closed." in page.partition('class="banner')[0]
    code, said = typed("logs", "verify", folder)
    assert code == 4 and "NOT AS IT WAS CLOSED" in said


@pytest.mark.parametrize("alter", ALTERATIONS)
def test_an_altered_archive_is_no_evidence_for_machines_either(alter: Callable[[Path], None], logs: Path) -> None:
    """`judge --json`: verdict, exit code and every scenario say error, and what was altered is named."""
    alter(logs)
    code, said = typed("judge", run_in(logs, FAILED), "--json")
    told = json.loads(said)
    assert (code, told["exit_code"], told["verdict"]) == (4, 4, "error")
    assert {one["verdict"] for one in told["runs"][0]["scenarios"]} == {"error"}
    assert HEAD in told["runs"][0]["altered"]


@pytest.mark.parametrize("alter", ALTERATIONS)
def test_an_altered_archive_is_not_approved(alter: Callable[[Path], None], logs: Path) -> None:
    """No line is added to the baselines, whatever the reason given."""
    alter(logs)
    with pytest.raises(ArchiveError, match=r"can't be a baseline|not closed"):
        approve(run_in(logs, FAILED), why="looks good")
    assert approvals(logs, RIG_NAME) == []


def test_a_sound_archive_is_not_said_to_be_altered(logs: Path) -> None:
    """The counterpart: the same commands on runs as they were closed."""
    assert typed("judge", run_in(logs, PASSED))[0] == 0
    assert typed("judge", run_in(logs, FAILED))[0] == 1
    for command in (["report", PASSED, "--out", logs / "record.html"], ["replay", PASSED], ["logs", "verify"]):
        code, said = typed(*command, "--logs", logs)
        assert code == 0 and HEAD not in said, said
    assert "Not as it was closed." not in (logs / "record.html").read_text(encoding="utf-8")


def test_a_run_whose_sums_were_taken_away_does_not_pass(logs: Path) -> None:
    """Nobody can say whether it was altered."""
    (run_in(logs, PASSED) / SUMS).unlink()
    assert typed("judge", run_in(logs, PASSED))[0] == 4


def test_parts_of_one_run_name_it(closed: Path) -> None:
    """Every table and every file of samples names its run, so that a mixture shows without sums."""
    import pyarrow.parquet as pq

    folder = run_in(closed, PASSED)
    files = [*folder.glob("*.parquet"), *folder.glob("samples/*.parquet")]
    assert len(files) == 5
    assert {pq.read_schema(file).metadata[b"restart_bench.run"] for file in files} == {PASSED.encode()}
    assert verify(folder).sound


def test_a_list_says_that_it_did_not_verify(logs: Path) -> None:
    """It reads run.json alone, and says so; the trend names a run whose table was altered."""
    code, said = typed("logs", "list", "--logs", logs)
    assert code == 0 and "not verified" in said
    shutil.copyfile(run_in(logs, PASSED) / "cycles.parquet", run_in(logs, FAILED) / "cycles.parquet")
    code, said = typed("logs", "trend", "--logs", logs)
    assert code == 4 and said.startswith(f"{FAILED}: THE TABLE OF CYCLES IS NOT AS IT WAS CLOSED")


# ---------------------------------------------------------------- what foreign archives say


def rewritten(folder: Path, sums: bool = True, **keys: object) -> None:
    """run.json with other values, summed anew."""
    told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    (folder / "run.json").write_text(json.dumps({**told, **keys}), encoding="utf-8")
    if sums:
        write_sums(folder)


READING = (["judge"], ["report"], ["replay"], ["compare", "last"], ["logs", "export"])


@pytest.mark.parametrize("command", READING)
def test_a_newer_format_is_refused_by_its_name(command: list[str], logs: Path) -> None:
    """Nobody reads an edition that he does not know as if he knew it."""
    rewritten(run_in(logs, FAILED), format=999)
    code, said = typed(*command, FAILED, "--logs", logs)
    assert code == 2 and "archive format 999 is newer" in said, said


@pytest.mark.parametrize("named", ["../../owned", "/tmp/owned", "a\\b", "", 7, None])
def test_no_file_is_written_where_a_foreign_archive_says(
    named: object, logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`report` and `export` name their files by the run's id, so an id that is none is refused."""
    here = tmp_path / "a" / "b"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    folder = run_in(logs, FAILED)
    rewritten(folder, run=named)
    before = set(tmp_path.rglob("*"))
    code, said = typed("report", folder)
    assert code == 2 and "names no run" in said, said
    assert set(tmp_path.rglob("*")) == before


def test_no_file_is_read_that_lies_outside_of_the_run(logs: Path) -> None:
    """Names of input files lead into the run's folder."""
    folder = run_in(logs, FAILED)
    rewritten(folder, inputs=[{"kind": "rig", "name": "../../../../elsewhere.yaml", "sha256": ""}])
    with pytest.raises(ArchiveError, match="outside of the run"):
        ArchivedRun.open(folder).inputs()
    assert typed("judge", folder)[0] == 2


DEEP = "[" * 100_000 + "]" * 100_000
HUGE = "1" + "0" * 30


@pytest.mark.parametrize("name", ["run.json", "journal.jsonl"])
@pytest.mark.parametrize("spoilt", [DEEP, HUGE, f'{{"record": "CycleEnded", "cycle": 1, "at_ns": {HUGE}}}'])
def test_no_value_ends_in_a_traceback(name: str, spoilt: str, logs: Path) -> None:
    """Nesting without end and numbers beyond 64 bits, with sums that fit: a clear error that names the file."""
    folder = run_in(logs, FAILED)
    file = folder / name
    file.write_text(spoilt + "\n" + (file.read_text(encoding="utf-8") if name != "run.json" else ""), encoding="utf-8")
    write_sums(folder)
    for command in READING:
        code, said = typed(*command, folder, "--logs", logs)
        assert code == 2 and name in said and "The bench itself failed" not in said, said
    code, said = typed("logs", "list", "--logs", logs)
    assert code == 0


def test_what_people_write_freely_may_be_any_number(logs: Path) -> None:
    """A serial number of thirty digits in `record:` spoils no archive."""
    folder = run_in(logs, PASSED)
    rewritten(folder, record={"serial": int(HUGE)})
    assert ArchivedRun.open(folder).run["record"] == {"serial": int(HUGE)}
    assert typed("judge", folder)[0] == 0


def test_what_an_altered_archive_makes_of_a_reader_is_the_archives_fault(logs: Path) -> None:
    """Values of another kind where a number is due: said as an altered archive, not as a fault of the bench."""
    folder = run_in(logs, FAILED)
    file = folder / "journal.jsonl"
    file.write_text(file.read_text(encoding="utf-8").replace('"before_ns": ', '"before_ns": "x", "a": '), "utf-8")
    code, said = typed("judge", folder)
    assert code == 2 and ("damaged" in said or HEAD in said), said
    file.write_text(file.read_text(encoding="utf-8").replace('"x", "a": ', '[], "at_ns": '), encoding="utf-8")
    code, said = typed("judge", folder)
    assert code in (2, 4) and "The bench itself failed" not in said, said


def test_altered_evidence_does_not_prove_a_fail_either(logs: Path) -> None:
    """The journal of a run that passed, made to fail: 1 is a proven fail and nothing else."""
    shutil.copyfile(run_in(logs, FAILED) / "journal.jsonl", run_in(logs, PASSED) / "journal.jsonl")
    for name in ("controller", "independent"):
        source = run_in(logs, FAILED) / "samples" / f"{name}.parquet"
        shutil.copyfile(source, run_in(logs, PASSED) / "samples" / f"{name}.parquet")
    assert judge_again(ArchivedRun.open(run_in(logs, PASSED))).exit_code == 4
