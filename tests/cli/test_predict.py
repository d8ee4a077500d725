"""`predict` from the command line: editions side by side, what an edit changes, scenarios that play it, exit codes."""

from __future__ import annotations

import json
import os
import re
import shlex
from pathlib import Path

import pytest

from command_line import bench

ROOT = Path(__file__).resolve().parents[2]
LESSON = ROOT / "scenarios" / "first-lesson"
DRYER = ROOT / "scenarios" / "grain-dryer"
OFF, BACK = "stays off", "comes back"


def test_the_editions_of_the_first_lesson_stand_side_by_side() -> None:
    """Source of the table: measured on the simulated rig by hand, by loss of supply and by mode change."""
    editions = [str(LESSON / f"edition-{number}.yaml") for number in range(1, 7)]
    done = bench("predict", *editions)
    assert done.returncode == 0, done.stderr
    rows = [re.split(r"  +", line) for line in done.stdout.splitlines() if line.startswith("M")]
    assert {(output, restart): words for output, restart, *words in rows} == {
        ("M1 elevator", "loss of supply"): [OFF, OFF, OFF, BACK, OFF, OFF],
        ("M1 elevator", "mode change"): [OFF, OFF, OFF, BACK, OFF, OFF],
        ("M2 blower", "loss of supply"): [BACK, OFF, OFF, BACK, BACK, BACK],
        ("M2 blower", "mode change"): [BACK, OFF, BACK, BACK, BACK, BACK],
    }


def test_an_edit_that_changes_a_restart_is_named_and_ends_with_1() -> None:
    """Before anything is downloaded: the edited dryer lets the burner valve come back, and nothing else changes."""
    done = bench("predict", str(DRYER / "program-edited.yaml"), "--against", str(DRYER / "program.yaml"))
    assert done.returncode == 1
    changed = [line for line in done.stdout.splitlines() if "->" in line]
    assert "Y1 burner valve, loss of supply, inputs at rest: stays off -> comes back" in changed
    assert all(line.startswith("Y1 burner valve") for line in changed)


def test_an_edition_against_itself_changes_nothing() -> None:
    """The same program twice: no line, exit 0."""
    done = bench("predict", str(LESSON), "--against", str(LESSON / "edition-1.yaml"))
    assert (done.returncode, "->" in done.stdout) == (0, False)


def test_json_gives_an_object_for_each_combination() -> None:
    """Output x (supply, mode) x (warm, cold) x four kinds of inputs, each with why and a cure where it is at rest."""
    done = bench("predict", str(LESSON), "--json")
    outputs = json.loads(done.stdout)["outputs"]
    keys = {(one["point"], one["restart"], one["start"], one["inputs"]) for one in outputs}
    assert len(keys) == len(outputs) == 2 * 2 * 2 * 4
    blower = next(one for one in outputs if (one["point"], one["restart"], one["start"], one["inputs"]) == (
        "blower", "supply", "warm", "rest"))  # fmt: skip
    assert (blower["settles"], blower["can_pulse"], blower["confirmed"]) == ("depends", False, True)
    assert "`blower` is retained" in blower["because"] and blower["cure"]


def test_written_scenarios_pass_check(tmp_path: Path) -> None:
    """What `--write` leaves is a suite like any other; a second time into the same folder is refused."""
    folder = tmp_path / "played"
    assert bench("predict", str(LESSON), "--write", str(folder)).returncode == 0
    assert bench("check", str(folder), "--rig", str(LESSON / "rig.yaml")).returncode == 0
    assert bench("predict", str(LESSON), "--write", str(folder)).returncode == 2


def samples() -> list[tuple[str, str]]:
    """Every `predict` of the README that writes no file, with what stands below it."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return re.findall(r"```sh\nrestart-bench (predict [^\n]*)\n```\n\n```\n(.*?)```", text, re.DOTALL)


@pytest.mark.parametrize(("command", "sample"), samples(), ids=[command for command, _ in samples()])
def test_what_the_readme_shows_is_what_it_says(command: str, sample: str) -> None:
    """Each stretch between two `...` stands in the output, line by line, in that order."""
    rest = bench(*shlex.split(command), cwd=ROOT, env={**os.environ, "COLUMNS": "100"}).stdout
    for stretch in sample.split("...\n"):
        assert stretch in rest, stretch
        rest = rest[rest.index(stretch) + len(stretch) :]


def test_the_readme_shows_predict() -> None:
    """There is something to compare: alone, side by side, against an older program."""
    assert len(samples()) == 3 and all(len(sample.splitlines()) > 1 for _, sample in samples())


@pytest.mark.parametrize("path", ["nowhere", "power-goes.yaml"])
def test_what_is_no_program_is_refused(path: str) -> None:
    """A path that is not there and a scenario hold no program model: exit 2, nothing is written."""
    assert bench("predict", str(LESSON / path)).returncode == 2
