"""`predict` from the command line: editions side by side, what an edit changes, scenarios that play it, exit codes."""

from __future__ import annotations

import json
import os
import re
import shlex
from pathlib import Path

import pytest

from command_line import bench
from restart_bench.cli.predict import NOTHING_CHANGES

ROOT = Path(__file__).resolve().parents[2]
LESSON = ROOT / "scenarios" / "first-lesson"
DRYER = ROOT / "scenarios" / "grain-dryer"
OFF, BACK = "stays off", "comes back"
LATER = "comes back after 500 ms"


def test_the_editions_of_the_first_lesson_fit_on_a_narrow_screen() -> None:
    """Source of the table: measured on the simulated rig by hand, by loss of supply and by mode change."""
    editions = [str(LESSON / f"edition-{number}.yaml") for number in range(1, 7)]
    done = bench("predict", *editions)
    assert done.returncode == 0, done.stderr
    blocks = [block.splitlines() for block in done.stdout.split("\n\n") if block.startswith("M")]
    columns = [re.split(r"  +", block[0]) for block in blocks]
    assert columns == [["M1 elevator", "loss of supply", "mode change"], ["M2 blower", "loss of supply", "mode change"]]
    rows = [[re.split(r"  +", line.strip()) for line in block[1:]] for block in blocks]
    assert [row[0] for row in rows[0]] == [f"first lesson, edition {number}" for number in range(1, 7)]
    assert [tuple(zip(*[row[1:] for row in block], strict=True)) for block in rows] == [
        ((OFF, OFF, OFF, BACK, OFF, OFF), (OFF, OFF, OFF, BACK, OFF, OFF)),
        ((BACK, OFF, OFF, BACK, BACK, LATER), (BACK, OFF, BACK, BACK, BACK, BACK)),
    ]
    assert max(len(line) for block in blocks for line in block) <= 80


def test_what_comes_back_means_is_said_below_the_table() -> None:
    """After any past it is on or off; the matrix says "comes back" of what was on before. Where nothing comes back
    there is nothing to explain."""
    meaning = "comes back: on or off, as what was before the restart leaves it"
    one, several, none = (
        bench("predict", *(str(LESSON / f"edition-{number}.yaml") for number in numbers)).stdout.splitlines()
        for numbers in ((1,), (1, 2), (2,))
    )
    assert (one.count(meaning), several.count(meaning), none.count(meaning)) == (1, 1, 0)
    assert one[one.index(meaning) - 2].startswith("M2 blower")


def test_an_edit_that_changes_a_restart_is_named_and_ends_with_1() -> None:
    """Before anything is downloaded: the edited dryer lets the burner valve come back, and nothing else changes."""
    done = bench("predict", str(DRYER / "program-edited.yaml"), "--against", str(DRYER / "program.yaml"))
    assert done.returncode == 1
    changed = [line for line in done.stdout.splitlines() if "->" in line]
    assert "Y1 burner valve, loss of supply, inputs at rest: stays off -> comes back" in changed
    assert all(line.startswith("Y1 burner valve") for line in changed)


def test_what_comes_to_rest_otherwise_stands_before_what_differs_in_a_scan() -> None:
    """A reset on the first scan: at rest it stays off now. What a command that is given would bring on again, a scan
    later, stands below it, and does not "come back" after a cold start."""
    done = bench("predict", str(LESSON / "edition-2.yaml"), "--against", str(LESSON / "edition-1.yaml"))
    changed = [line for line in done.stdout.splitlines() if "->" in line]
    ends = [line.endswith("-> stays off") for line in changed]
    assert ends == sorted(ends, reverse=True) and changed[0].startswith("M2 blower, loss of supply, inputs at rest:")
    cold = [line for line in changed if "cold start, a command held" in line]
    assert cold and all("may be on" in line and "comes back" not in line for line in cold)


def test_an_edit_that_only_delays_an_output_names_the_time() -> None:
    """Edition 6 lets the blower follow its memory after the preset of its timer, 500 ms."""
    done = bench("predict", str(LESSON / "edition-6.yaml"), "--against", str(LESSON / "edition-1.yaml"))
    first, later = "comes back, can be on in the first scan", "comes back, 500 ms after the program starts"
    assert done.returncode == 1
    assert f"M2 blower, loss of supply, inputs at rest: {first} -> {later}" in done.stdout.splitlines()


def test_what_an_edit_changes_is_told_with_why_in_the_newer_program() -> None:
    """What stayed the same, and why it is so, is not: of M1 nothing is said."""
    done = bench("predict", str(LESSON / "edition-2.yaml"), "--against", str(LESSON / "edition-1.yaml"))
    changed, why = done.stdout.split("Why, in first lesson, edition 2\n")
    why = " ".join(why.split())
    assert "loss of supply, mode change M2 blower stays off: the first scan resets `blower` (rung 3" in why
    assert "M1" not in why and "Why" not in changed


def test_each_of_several_programs_is_held_against_the_older_one() -> None:
    """What one of them changes is not hidden by another that changes nothing: each stands below its name."""
    words = ("predict", *(str(LESSON / f"edition-{number}.yaml") for number in (1, 4)), "--against")
    done = bench(*words, str(LESSON / "edition-1.yaml"))
    assert done.returncode == 1, done.stdout
    first, second = done.stdout.split("first lesson, edition 4 against first lesson, edition 1:\n")
    assert "Why" not in first and "\n  Why, in first lesson, edition 4\n" in second
    assert first == f"first lesson, edition 1 against first lesson, edition 1:\n  {NOTHING_CHANGES}\n"
    assert second.startswith("  M1 elevator, loss of supply, inputs at rest: stays off -> comes back\n")
    document = json.loads(bench(*words, str(LESSON / "edition-1.yaml"), "--json").stdout)
    assert [bool(one["changed"]) for one in document["programs"]] == [False, True]


def test_an_edition_against_itself_changes_nothing() -> None:
    """The same program twice, and one whose edge changes no restart: exit 0, and words that say so."""
    for edition in (LESSON, LESSON / "edition-5.yaml"):
        done = bench("predict", str(edition), "--against", str(LESSON / "edition-1.yaml"))
        assert (done.returncode, "->" in done.stdout) == (0, False)
        assert done.stdout.startswith("nothing changes")


def test_what_other_inputs_change_is_said_once_of_all_of_them() -> None:
    """Held or pressed meanwhile, after a loss of supply or a mode change: one line, and no "off or on"."""
    words = " ".join(bench("predict", str(LESSON)).stdout.partition("Otherwise")[2].split())
    given = "a command held through the restart or pressed meanwhile:"
    assert f"loss of supply, mode change {given} M1 elevator may be on cold start" in words
    assert f"cold start {given} M1 elevator may be on; M2 blower may be on" in words


def test_a_program_away_from_its_rig_asks_for_the_rig(tmp_path: Path) -> None:
    """What is missing is the rig.yaml, not a line of it."""
    copied = tmp_path / "edition-6.yaml"
    copied.write_bytes((LESSON / "edition-6.yaml").read_bytes())
    done = bench("predict", str(copied))
    assert done.returncode == 2
    assert f"{copied} needs the rig.yaml of its rig beside it" in " ".join(done.stderr.split())


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


def test_no_line_at_the_left_edge_begins_with_a_blank(tmp_path: Path) -> None:
    """Also the last line, which says what a prediction is, where something stands above it."""
    asked: tuple[tuple[str, ...], ...] = (
        (str(LESSON), "--write", str(tmp_path / "played")),
        (str(LESSON), "--against", str(LESSON / "edition-4.yaml")),
        (str(LESSON / "edition-1.yaml"), str(LESSON / "edition-4.yaml")),
    )
    for words in asked:
        last = bench("predict", *words).stdout.rstrip().rpartition("\n\n")[2]
        assert last.startswith("This is what the program model does."), words


def test_the_command_that_runs_written_scenarios_names_the_program_that_was_predicted(tmp_path: Path) -> None:
    """The rig file may name another edition, which does otherwise."""
    edition = LESSON / "edition-4.yaml"
    one, other = (bench("predict", place, "--write", tmp_path / place.stem).stdout for place in (edition, LESSON))
    assert f"--rig {LESSON / 'rig.yaml'} --program {edition} --simulated" in one
    assert f"--rig {LESSON / 'rig.yaml'} --simulated" in other


def samples() -> list[tuple[str, str]]:
    """Every `predict` of the README that writes no file, with what stands below it."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return re.findall(r"```sh\nrestart-bench (predict [^\n]*)\n```\n\n```\n(.*?)```", text, re.DOTALL)


@pytest.mark.parametrize(("command", "sample"), samples(), ids=[command for command, _ in samples()])
def test_what_the_readme_shows_is_what_it_says(command: str, sample: str) -> None:
    """Each stretch between two `...` stands in the output, line by line, in that order."""
    typed = shlex.split(command)  # and as the shell has it
    words = [name for word in typed for name in (sorted(map(str, ROOT.glob(word))) if "*" in word else [word])]
    rest = bench(*words, cwd=ROOT, env={**os.environ, "COLUMNS": "100"}).stdout
    for stretch in sample.split("...\n"):
        assert stretch in rest, stretch
        rest = rest[rest.index(stretch) + len(stretch) :]


def test_the_readme_shows_predict() -> None:
    """There is something to compare: alone, several editions, against an older program."""
    assert len(samples()) == 3 and all(len(sample.splitlines()) > 1 for _, sample in samples())


@pytest.mark.parametrize("path", ["nowhere", "power-goes.yaml"])
def test_what_is_no_program_is_refused(path: str) -> None:
    """A path that is not there and a scenario hold no program model: exit 2, nothing is written."""
    assert bench("predict", str(LESSON / path)).returncode == 2
