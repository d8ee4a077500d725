"""Rules of comparing archived runs, and of approved baselines."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from archive_builders import RIG_NAME, archived, begin, comes_back, load, told_run, write_suite
from evidence import Story
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.soundness import verify
from restart_bench.cli.main import app
from restart_bench.compare.baselines import approval_lines, approvals, approve, baseline_of, comparable_of, compare_runs

OLD, NEW = "20260726T080000Z-aaaa", "20260727T142233Z-4f2a"


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of four cycles, and one after an edit of the scenario file and of the program: the burner comes back."""
    folder, files = tmp_path_factory.mktemp("logs"), write_suite(tmp_path_factory.mktemp("suite"))
    archived(folder, load(files), [Story(seed=seed) for seed in (1, 2, 3, 4)], OLD)
    scenario = files / "burner-stays-shut.yaml"
    scenario.write_text(scenario.read_text(encoding="utf-8").replace("repeat: 3", "repeat: 4"), encoding="utf-8")
    edited = [comes_back(Story(seed=seed)).set("program_id", (0, 42118)) for seed in (5, 6, 7, 8)]
    archived(folder, load(files), edited, NEW)
    return folder


def folder_of(logs: Path, run: str) -> Path:
    """Folder of one of the two runs."""
    (found,) = logs.glob(f"*/*/run={run}")
    return found


def test_two_archived_runs_are_compared_with_proof_program_and_files(logs: Path) -> None:
    """Behaviour, verdicts, identity of the program, the edited line: all from the two folders."""
    comparison = compare_runs(folder_of(logs, OLD), folder_of(logs, NEW))
    texts = [difference.text for difference in comparison.differences]

    assert "burner-stays-shut: burner: stays off in 4 of 4 -> comes back in 4 of 4 (cycles 1 to 4)" in texts
    assert "burner-stays-shut: burner: is off: pass (0 of 4 failed) -> fail (4 of 4 failed) (cycles 1 to 4)" in texts
    assert not any("fan" in text for text in texts)
    assert comparison.worse
    assert comparison.program == ("program_id = 17042", "program_id = 42118")
    assert comparison.program_changed is True
    assert list(comparison.diffs) == ["grain-dryer/burner-stays-shut.yaml"]
    assert "-repeat: 3\n+repeat: 4" in comparison.diffs["grain-dryer/burner-stays-shut.yaml"]


def test_a_comparison_is_one_json_document(logs: Path, tmp_path: Path) -> None:
    """The same differences as the lines tell, with their cycles; the approval with them; nothing else is printed."""
    shutil.copytree(logs, tmp_path / "logs")
    done = CliRunner().invoke(
        app, ["compare", OLD, NEW, "--approve", "--why", "wanted", "--json", "--logs", str(tmp_path / "logs")]
    )
    told, comparison = json.loads(done.stdout), compare_runs(folder_of(logs, OLD), folder_of(logs, NEW))
    assert list(told) == [
        "exit_code", "baseline", "run", "worse", "program", "differences", "not_compared", "apart", "notes", "diffs",
        "edit", "approved", "altered", "faults",
    ]  # fmt: skip
    assert (told["exit_code"], done.exit_code, told["worse"]) == (1, 1, True)
    assert (told["baseline"], told["run"], told["approved"]["why"]) == (OLD, NEW, "wanted")
    assert [one["text"] for one in told["differences"]] == [one.text for one in comparison.differences]
    assert told["differences"][0]["cycles"] == [1, 2, 3, 4] and told["diffs"] == comparison.diffs
    assert {one["point"] for one in told["differences"]} == {"burner"}
    assert told["program"] == {"changed": True, "before": "program_id = 17042", "after": "program_id = 42118"}


def test_what_is_not_compared_is_a_fault_in_the_document(logs: Path) -> None:
    """Whoever reads the document finds a refusal where every other command puts it."""
    done = CliRunner().invoke(app, ["compare", "approved", NEW, "--json", "--logs", str(logs)])
    told = json.loads(done.stdout)
    assert done.exit_code == told["exit_code"] == 2 and "no approved baseline" in told["faults"][0]["text"]


def test_two_runs_without_a_scenario_in_common_are_not_compared(tmp_path: Path) -> None:
    """Nothing can be held against anything, so nothing is said to be as it was: bad input, and both runs are named."""
    files = write_suite(tmp_path / "suite")
    archived(tmp_path / "logs", load(files), [Story()], OLD)
    scenario = files / "burner-stays-shut.yaml"
    renamed = scenario.read_text(encoding="utf-8").replace("burner-stays-shut", "another", 1)
    scenario.write_text(renamed, encoding="utf-8")
    archived(tmp_path / "logs", load(files), [Story()], NEW)
    done = CliRunner().invoke(app, ["compare", OLD, NEW, "--logs", str(tmp_path / "logs")])

    assert done.exit_code == 2
    assert "burner-stays-shut" in done.stderr and f"{NEW} (rig {RIG_NAME}: another)" in done.stderr


def test_a_mended_program_is_not_worse(logs: Path) -> None:
    """The other way round the same differences are told, and nothing got worse."""
    comparison = compare_runs(folder_of(logs, NEW), folder_of(logs, OLD))

    assert comparison.differences
    assert not comparison.worse


def test_a_run_that_was_not_closed_is_not_compared(tmp_path: Path) -> None:
    """Its evidence is not complete yet. Of one that goes on one has to wait for the end, one that was killed is closed
    by a command that is named."""
    suite = load(write_suite(tmp_path / "suite"))
    archive = begin(tmp_path / "logs", suite, told_run(suite, [Story()]))

    with pytest.raises(ArchiveError, match="still going on; wait"):
        compare_runs(archive.folder, archive.folder)
    archive._lock.release()
    with pytest.raises(ArchiveError, match="not closed, the bench was killed; close it with"):
        compare_runs(archive.folder, archive.folder)


def test_approvals_are_appended_and_never_overwritten(logs: Path) -> None:
    """By whom, why, when and what it replaced; the last one holds, and no run's folder is touched."""
    first = approve(folder_of(logs, OLD), why="factory acceptance", by="R. Miller")
    content = (logs / f"rig={RIG_NAME}" / "baselines.jsonl").read_bytes()
    second = approve(folder_of(logs, NEW), why="burner comes back on purpose now", by="A. Jones")
    later = (logs / f"rig={RIG_NAME}" / "baselines.jsonl").read_bytes()

    assert later.startswith(content)
    assert approvals(logs, RIG_NAME) == [first, second]
    assert (second.run, second.by, second.replaces, second.verdict) == (NEW, "A. Jones", OLD, "fail")
    assert baseline_of(logs, RIG_NAME) == NEW
    assert verify(folder_of(logs, NEW)).sound
    assert json.loads(later.splitlines()[0])["why"] == "factory acceptance"


def test_an_approval_names_its_run_and_warns_of_one_that_did_not_pass(logs: Path) -> None:
    """Of two runs the second becomes the baseline: who meant the first sees it at once."""
    good, bad = (
        list(approval_lines(approve(folder_of(logs, run), why="w", by="R. Miller"), facts))
        for run, facts in ((run, comparable_of(ArchivedRun.open(folder_of(logs, run)))) for run in (OLD, NEW))
    )
    assert good == [
        f"RUN {OLD} is the baseline now; it ended with pass, 0 failed cycles",
        "approved by R. Miller: w",
    ]
    assert bad[0] == f"RUN {NEW} is the baseline now; it ended with fail, 4 failed cycles"
    assert bad[2].startswith(f"warning: {NEW} did not pass")


def test_an_approval_needs_a_reason_and_a_closed_run(tmp_path: Path) -> None:
    """Nobody knows later why a baseline was changed, unless it is written down."""
    suite = load(write_suite(tmp_path / "suite"))
    archive = begin(tmp_path / "logs", suite, told_run(suite, [Story()]))
    with pytest.raises(ArchiveError, match="can't be a baseline"):
        approve(archive.folder, why="looks fine")
    archive.close({})
    with pytest.raises(ArchiveError, match="add --why TEXT"):
        approve(archive.folder, why="  ")

    assert baseline_of(tmp_path / "logs", RIG_NAME) is None


def test_a_torn_line_of_approvals_costs_only_itself(tmp_path: Path) -> None:
    """Killed while appending: the next approval begins on a line of its own."""
    folder = archived(tmp_path, load(write_suite(tmp_path / "suite")), [Story()])
    first = approve(folder, why="first", by="R. Miller")
    path = tmp_path / f"rig={RIG_NAME}" / "baselines.jsonl"
    path.write_bytes(path.read_bytes() + b'{"run": "2026')
    second = approve(folder, why="second", by="R. Miller")

    assert approvals(tmp_path, RIG_NAME) == [first, second]


def test_a_run_outside_an_archive_has_no_baseline(tmp_path: Path, logs: Path) -> None:
    """A copied folder does not know its rig's list."""
    import shutil

    shutil.copytree(folder_of(logs, OLD), tmp_path / "copy")
    with pytest.raises(ArchiveError, match="does not lie in an archive"):
        approve(tmp_path / "copy", why="a copy")
