"""The archive on a console: lists, soundness, trends and comparisons read as their values say."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from typer.testing import CliRunner

from restart_bench.archive.queries import RunRow, TrendRow
from restart_bench.archive.soundness import Verified
from restart_bench.cli.common import complain
from restart_bench.cli.fleet.picture import print_end
from restart_bench.cli.fleet.rows import RigEnd, RigRow
from restart_bench.cli.logs import comparison_lines, print_runs, print_trend, verified_lines
from restart_bench.cli.main import app
from restart_bench.compare.comparison import Comparison, Difference, NotCompared
from restart_bench.model.verdicts import Verdict

FOLDER = Path("logs/rig=dryer/date=2026-07-27/run=20260727T142233Z-4f2a")


def printed(draw: object, *values: object) -> str:
    stream = io.StringIO()
    draw(*values, Console(file=stream, width=120, color_system=None))  # type: ignore[operator]
    return stream.getvalue()


def run_row(**changes: object) -> RunRow:
    told: dict[str, object] = {
        "id": "20260727T142233Z-4f2a",
        "rig": "dryer",
        "folder": FOLDER,
        "state": "closed",
        "kind": "simulated",
        "how": "completed",
        "verdict": "fail",
        "exit_code": 1,
        "cycles": {"pass": 19, "fail": 1, "error": 0},
    }
    return RunRow(**{**told, **changes})  # type: ignore[arg-type]


def test_a_list_of_runs_counts_cycles_by_verdict() -> None:
    """A line a run: id, rig, whether it was simulated, its verdict with the gloss below, and what its cycles were."""
    text = printed(print_runs, [run_row()])
    assert "20260727T142233Z-4f2a" in text
    assert "19 pass and 1 fail" in text
    assert "simulated" in text
    assert "fail: shown to deviate" in text


def test_a_run_that_is_an_error_says_why_beside_cycles_that_passed() -> None:
    """`error 1 pass` alone says nothing of what went wrong; what ended the run comes first where anything did."""
    error = {"verdict": "error", "exit_code": 4, "cycles": {"pass": 1}, "because": "fan-back: 2 of 3 cycles not done"}
    assert "1 pass; fan-back: 2 of 3 cycles not done" in printed(print_runs, [run_row(**error)])
    ended = printed(print_runs, [run_row(**error, how="error", reason="the observer failed")])
    assert "the observer failed" in ended and "not done" not in ended


@pytest.mark.parametrize(
    ("state", "reason"), [("not closed", ""), ("going on", ""), ("damaged", "run.json: not readable as JSON")]
)
def test_a_run_that_is_not_closed_says_so(state: str, reason: str) -> None:
    """Killed, running and damaged runs are told apart from closed ones, with the reason where there is one."""
    text = printed(print_runs, [run_row(state=state, reason=reason, how="", verdict="", cycles=None)])
    assert state in text
    assert reason in text


def test_an_empty_archive_says_what_to_do() -> None:
    """No runs is no error, and the way to the first one is named."""
    assert "restart-bench run" in printed(print_runs, [])


def test_soundness_names_what_was_altered_lost_and_added() -> None:
    """A run that is not as it was closed names each file and what happened to it."""
    bad = Verified(FOLDER, True, 9, altered=("run.json",), lost=("report.html",), added=("notes.txt",))
    text = "\n".join(verified_lines(bad))
    assert "NOT AS IT WAS CLOSED" in text
    for line in ("altered: run.json", "lost: report.html", "added: notes.txt"):
        assert line in text
    assert "sound, 9 files" in "\n".join(verified_lines(Verified(FOLDER, True, 9)))
    assert "not closed" in "\n".join(verified_lines(Verified(FOLDER, False)))


def test_a_trend_without_shown_cycles_has_no_rate() -> None:
    """Where no cycle passed or failed there is no fail rate; it is not 0 %."""
    row = TrendRow("dryer", "2026-07-27", True, 5, 0, 0, 5, 0, None, None, None)
    line = next(line for line in printed(print_trend, [row]).splitlines() if "2026-07-27" in line)
    assert line.split() == ["2026-07-27", "simulated", "-", "-", "5", "inconclusive"]
    assert "%" not in line


def test_a_trend_shows_boot_times_with_bounds() -> None:
    """Boot times are medians from and to, in seconds; the fail rate is rounded down to a tenth of a per cent."""
    row = TrendRow("dryer", "2026-07-27", False, 40, 39, 1, 0, 0, 1 / 40, 1.20345, 1.21999)
    text = printed(print_trend, [row])
    assert "1.203 .. 1.220 s" in text
    assert "2.5 %" in text
    assert "real" in text


@pytest.mark.parametrize("width", [40, 80, 120])
def test_a_trend_breaks_no_word(width: int) -> None:
    """Names of rigs stand whole above their runs, and verdicts go below where they find no room."""
    rig = "grain-dryer-trainer-of-hall-2"
    row = TrendRow(rig, "20260727T142233Z-4f2a", True, 40, 18, 1, 20, 1, 0.0526, 12.2, 13.2)
    stream = io.StringIO()
    print_trend([row, replace(row, period="20260727T142233Z-4f2b")], Console(file=stream, width=width))
    lines = stream.getvalue().splitlines()
    assert lines.count(rig) == 1
    told = "18 pass, 20 inconclusive, 1 fail and 1 error"
    assert sum(line.endswith(told if width >= 80 else "18 pass, 20 inconclusive, 1 fail…") for line in lines) == 2
    assert sum("20260727T142233Z-4f2b" in line and "12.200 .. 13.200 s" in line for line in lines) == 1


def comparison(*differences: Difference, changed: bool | None = None, **more: object) -> Comparison:
    told: dict[str, object] = {"not_compared": (), "notes": (), "program": ("7", "8"), "diffs": {}}
    told |= more
    return Comparison("a", "b", differences, program_changed=changed, **told)  # type: ignore[arg-type]


def test_what_got_worse_stands_first() -> None:
    """Among many differences the ones that got worse are read first."""
    better = Difference("verdict", "stays-shut", "", "fan: is on", "fail", "pass", False)
    worse = Difference("behaviour", "stays-shut", "", "burner: is off", "off", "on", True, (3, 4))
    lines = comparison_lines(comparison(better, worse, changed=True), 100)
    told = [line for line in lines if line.startswith(("WORSE", "better"))]
    assert [line.split(":")[0] for line in told] == ["WORSE", "better"]
    assert "burner: is off: off -> on" in told[0]
    assert any("changed, 7 -> 8" in line for line in lines)


def test_no_difference_is_said_as_not_shown() -> None:
    """Two runs that look alike are not called the same: no difference was shown."""
    assert "No difference was shown." in comparison_lines(comparison(changed=False), 100)
    assert any("nobody can say" in line for line in comparison_lines(comparison(), 100))


def test_times_with_too_few_cycles_take_a_line_or_two() -> None:
    """What stands between WORSE and the edit is short: times are counted by scenario, and of those far apart ready and
    the outputs are shown."""
    marks = {"answered": "answered after restored", "": "blower as it settles", "dark": "dark after cut",
             "good": "good after restored", "ready": "ready after restored"}  # fmt: skip
    places = ("power-goes", "run-mode-goes", "stop-first")
    few = tuple(
        NotCompared("time", place, "", f"{place}: time of {name}", "too few cycles (1 and 1)")
        for place in places
        for name in marks.values()
    )
    apart = tuple(
        Difference("time", "power-goes", "", name, "1 .. 2 ms", "8 .. 9 ms (1 and 1 cycle)", None, mark=mark)
        for mark, name in marks.items()
    )
    fan = NotCompared("run", "", "", "fan", "not in both rigs")
    lines = comparison_lines(comparison(not_compared=(*few, fan), apart=apart), 100)
    text = " ".join(" ".join(lines).split())
    assert "too few cycles (1 and 1): 15 times, 5 of power-goes, 5 of run-mode-goes and 5 of stop-first" in text
    assert "time of" not in text and "not in both rigs: fan" in text
    assert "ready after restored: 1 .. 2 ms" in text and "blower as it settles: 1 .. 2 ms" in text
    assert "answered after" not in text and "3 more times on the way to ready: see --json" in text
    assert len(lines) <= 10


def test_what_is_not_compared_is_sorted_by_what_it_is_and_not_by_how_it_reads() -> None:
    """A point may be called like a mark, a scenario like a time: only kind, scenario, case and mark decide."""
    ready = Difference("time", "s", "", "good after restored: as it settles", "1 ms", "9 ms", None, point="good")
    left_out = (
        NotCompared("case", "time of day", "", "time of day", "only in a"),
        NotCompared("verdict", "s", "", "s: time of flight: is on", "only in a"),
        NotCompared("scenario", "gone", "", "scenario gone", "only in a"),
        NotCompared("case", "gone", "off_for=1 s", "gone, off_for=1 s", "only in a"),
    )
    text = "\n".join(comparison_lines(comparison(not_compared=left_out, apart=(ready, ready)), 200))
    assert text.count("good after restored: as it settles: 1 ms -> 9 ms") == 2
    assert "only in a: time of day, s: time of flight: is on and scenario gone" in text


def test_diffs_of_files_are_shown() -> None:
    """What was edited between two runs stands below the differences, as a unified diff."""
    lines = comparison_lines(comparison(diffs={"program.yaml": "--- program.yaml\n-  boot: 1 s\n+  boot: 2 s"}), 100)
    assert lines[-3:] == ["--- program.yaml", "-  boot: 1 s", "+  boot: 2 s"]


def test_a_long_reason_stays_in_its_line() -> None:
    """In the list of runs a reason is cut to what fits; all of it stands in run.json and in the record."""
    text = printed(print_runs, [run_row(how="error", reason="the simulated rig has ended: " + "because " * 100)])
    assert len(text.splitlines()) < 8
    assert "the simulated rig has ended" in text


@pytest.mark.parametrize("width", [80, 100])
def test_a_run_takes_two_lines_at_most_and_no_word_is_broken(width: int) -> None:
    """Rig, verdict, every count and why it ended stay words that can be read and searched for."""
    rows = [
        run_row(rig="first-lesson", how="completed"),
        run_row(rig="first-lesson", survey="presses", rehearsal=True, verdict="pass", exit_code=0),
        run_row(
            rig="first-lesson",
            verdict="inconclusive",
            how="stopped",
            reason="stopped by a person",
            cycles={"pass": 19, "fail": 1, "inconclusive": 2, "error": 1},
        ),
    ]
    stream = io.StringIO()
    print_runs(rows, Console(file=stream, width=width, color_system=None))
    lines = stream.getvalue().splitlines()
    listed = lines[1 : next(n for n, line in enumerate(lines) if line.startswith("fail:"))]
    assert all(len(line) <= width for line in listed)
    assert len(listed) <= 2 * len(rows) and sum(line.startswith("2026") for line in listed) == len(rows)
    for words in ("first-lesson", "19 pass and 1 fail", "survey, presses", "nothing cut", "inconclusive",
                  "19 pass, 1 fail, 2 inconclusive and 1 error", "stopped by a person"):  # fmt: skip
        assert any(words in line for line in listed), words


@given(st.text(max_size=80))
def test_no_text_of_the_archive_moves_the_cursor(text: str) -> None:
    """Reasons and names out of files are printed without their control characters."""
    shown = printed(print_runs, [run_row(reason=text, state="damaged")])
    shown += "\n".join(comparison_lines(comparison(notes=(text,)), 80))
    assert not any(ord(character) < 32 and character != "\n" for character in shown)


@pytest.mark.parametrize("words", [["report", "a" * 300], ["judge", "last", "--logs", "a" * 300], ["check", "a" * 300]])
def test_a_name_longer_than_any_file_s_is_bad_input(words: list[str]) -> None:
    """What the system refuses to look for is not there: code 2, and never the bench's own failure."""
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 2 and "long" in done.stderr and "itself failed" not in done.stderr


@pytest.mark.parametrize("command", [["list"], ["trend"], ["verify"], ["prune", "--older-than", "9d", "--to", "old"]])
def test_a_folder_of_logs_that_is_not_there_is_named_and_is_not_empty(command: list[str], tmp_path: Path) -> None:
    """A mistyped --logs looks like no archive without runs: bad input, nothing is made."""
    missing = tmp_path / "nodir"
    done = CliRunner().invoke(app, ["logs", *command, "--logs", str(missing)])

    assert (done.exit_code, missing.exists()) == (2, False)
    assert f"{missing}: there is no such folder" in done.stderr


def test_a_run_that_a_person_stopped_is_called_not_complete_by_the_list_and_by_the_end_of_several_rigs() -> None:
    """The words of a run's own last line hold in both; a fail that was shown beats the stop and keeps its word."""
    stopped = printed(print_runs, [run_row(verdict="error", how="stopped", exit_code=130)])
    assert "not complete" in stopped and "error" not in stopped
    assert "not complete" not in printed(print_runs, [run_row(how="stopped")])

    rigs = [RigRow("north", end=RigEnd(130, Verdict.ERROR, "stopped"))]
    assert "result: not complete, exit code 130: stopped by a person" in printed(print_rigs, rigs)
    failed = [*rigs, RigRow("south", end=RigEnd(1, Verdict.FAIL, "completed"))]
    assert "result: fail" in printed(print_rigs, failed)


def print_rigs(rows: list[RigRow], console: Console) -> None:
    """The table at the end of several rigs, with the folder of what they said."""
    print_end(rows, console, "output")


@pytest.mark.parametrize(("console", "lines"), [(True, 3), (False, 1)])
def test_on_a_console_a_complaint_is_broken_between_words(
    console: bool, lines: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No terminal's edge cuts a word in two; a pipe gets one line."""
    monkeypatch.setattr("restart_bench.cli.common.is_console", lambda _stream: console)
    monkeypatch.setattr("restart_bench.cli.common.width_for", lambda _stream: 40)
    complain("nowhere/first-lesson: there is no such file or folder; check its name and folder, nothing was moved")
    said = capsys.readouterr().err.splitlines()
    assert len(said) == lines
    assert not console or all(len(line) <= 40 for line in said)
    assert " ".join(said).endswith("check its name and folder, nothing was moved")
