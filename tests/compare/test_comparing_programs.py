"""What an edit of the program changes, beside the rung that was edited: as the two models behave."""

from __future__ import annotations

from dataclasses import replace

import pytest

from archive_builders import PROGRAM, archived, load, with_program, write_suite
from evidence import Story
from predict_small import SMALL, program
from restart_bench.archive.reader import ArchivedRun
from restart_bench.cli.logs import comparison_lines, edit_lines
from restart_bench.compare.baselines import compare_runs, edit_of
from restart_bench.compare.edits import Edit, Side, edit_between
from restart_bench.model.program import Memory, Program
from restart_bench.report.explaining import Clock

OLD, NEW = "20260726T080000Z-aaaa", "20260727T142233Z-4f2a"
LABELS = {"m": "M1 mill"}
RUNGS = ("m := go", "t = TON 500: go\nm := t")
RESET, PLAIN = SMALL["reset on the first scan"], SMALL["set and reset"]


def edit(old: Program, new: Program) -> Edit:
    """What the step from one small program to another changes."""
    return edit_between(Side("a.yaml", old, LABELS), Side("a.yaml", new, LABELS), Clock.of(3600), "5 s")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[ArchivedRun, ArchivedRun]:
    """A run before and one after somebody lost the reset on the first scan."""
    folder, files = tmp_path_factory.mktemp("logs"), write_suite(tmp_path_factory.mktemp("suite"))
    archived(folder, load(with_program(files)), [Story(seed=1)], OLD)
    edited = PROGRAM.replace("edition 7", "edition 8").replace(
        "when: first_scan", "when: start_button AND NOT start_button"
    )
    archived(folder, load(with_program(files, edited)), [Story(seed=2)], NEW)
    old, new = (next(folder.glob(f"*/*/run={run}")) for run in (OLD, NEW))
    return ArchivedRun.open(old), ArchivedRun.open(new)


def test_an_edit_names_the_outputs_whose_restart_it_changes_and_why() -> None:
    """Source: a first-scan reset on the reset rung keeps a set/reset pair off (common practice); without it, it comes
    back, by loss of supply and by mode change."""
    changes = edit(RESET, PLAIN).changes
    assert [(one.label, one.restart, one.before, one.after) for one in changes] == [
        ("M1 mill", "loss of supply", "stays off", "comes back"),
        ("M1 mill", "mode change", "stays off", "comes back"),
    ]
    assert all("the first scan resets `m`" in one.why_before for one in changes)
    assert "`m` is retained" in changes[0].why_after
    assert {(one.old_lines, one.new_lines) for one in changes} == {((2,), (2,))}


def test_an_edit_of_other_words_changes_nothing() -> None:
    """Another name and other line numbers leave every restart as it was."""
    moved = replace(PLAIN, name="edition 9", rungs=tuple(replace(rung, line=rung.line + 7) for rung in PLAIN.rungs))
    assert edit(PLAIN, moved) == Edit("a.yaml", "a.yaml", ("small", "edition 9"))


def test_an_edit_of_retention_names_the_memory() -> None:
    """No rung differs: the memory is named."""
    changes = edit(PLAIN, replace(PLAIN, memory={"m": Memory("m")})).changes
    assert {(one.restart, one.old_lines, one.new_lines, one.names) for one in changes} == {
        ("loss of supply", (), (), ("m",))
    }


def test_an_edit_that_shows_with_pressed_commands_only_is_told_in_a_line() -> None:
    """At rest the mill stays off either way; held through the cut the start button brings it on in one edition."""
    still = program("m := swap AND NOT swap", retained="m")
    found = edit(still, program("m := start AND stop", retained="m"))
    assert found.changes == ()
    assert any("M1 mill, loss of supply, a command held: stays off ->" in line for line in found.others)


def test_a_time_that_is_up_is_told() -> None:
    """Nothing is half compared: it is not worked out, within which time."""
    side = Side("a.yaml", PLAIN, LABELS)
    told = edit_between(side, side, Clock.of(0), "5 s")
    assert told.changes == () and told.missing.startswith("not worked out within 5 s")
    lines = list(edit_lines("--- a\n+++ b\n@@ -1 +1 @@\n-x\n+y", told, 100))
    assert lines[:5] == ["--- a", "+++ b", "@@ -1 +1 @@", "-x", "+y"] and "not worked out" in lines[5]


def test_each_hunk_has_below_it_what_it_changes() -> None:
    """Three edits far apart: the output stands below the hunk that holds its rung, the others have nothing."""
    words = ["@@ -20 +20 @@", "-# words", "+# other words"]
    hunk = ["@@ -1,3 +1,3 @@", "-m: stop", "+m: NOT stop"]
    lines = list(edit_lines("\n".join(["--- a", "+++ b", *words, *hunk, *words]), edit(RESET, PLAIN), 100))
    assert lines[:8] == ["--- a", "+++ b", *words, *hunk] and lines[-3:] == words
    assert lines[8].startswith("> as the program models behave, this changes M1 mill")


def test_what_two_hunks_do_together_stands_below_the_second() -> None:
    """Half of a cause is none: nobody reads why before the whole of it was read."""
    hunk = ["@@ -1,3 +1,3 @@", "-m: stop", "+m: NOT stop"]
    diff = "\n".join(["--- a", "+++ b", *hunk, "@@ -20 +20 @@", "-m: {retained: true}", "+m:"])
    found = edit(RESET, PLAIN)
    found = replace(found, changes=tuple(replace(one, names=("m",)) for one in found.changes))
    lines = list(edit_lines(diff, found, 100))
    assert lines.index("+m:") < next(n for n, line in enumerate(lines) if line.startswith("> as"))


def test_an_edit_of_the_first_scan_alone_is_told() -> None:
    """Both editions come back; one of them at once, the other a preset after the program starts."""
    at_once, later = (program(f"set go: start\nreset go: NOT stop\n{rest}", retained="go") for rest in RUNGS)
    (change, *_) = edit(at_once, later).changes
    assert change.before == "comes back, can be on in the first scan"
    assert change.after == "comes back, 500 ms after the program starts"


def test_two_archived_runs_are_told_apart_by_their_archived_programs(runs: tuple[ArchivedRun, ArchivedRun]) -> None:
    """Below the diff of the program stands what its edit changes, as both editions behave; no cause is claimed."""
    found = edit_of(*runs, Clock.of(3600), "5 s")
    assert found is not None
    lines = comparison_lines(compare_runs(runs[0].folder, runs[1].folder), 100, found)
    text = " ".join(" ".join(lines).split())
    assert "> as the program models behave, this changes burner and fan (inputs at rest after" in text
    assert "burner: stays off -> comes back" in text
    for edition, does in (("7", "stays off"), ("8", "comes back")):
        assert f"as grain dryer, edition {edition} behaves: burner {does}: " in text
    assert not any(claim in text for claim in ("because of", "caused", "is why"))
    assert edit_of(runs[0], runs[0], Clock.of(0), "5 s") is None
