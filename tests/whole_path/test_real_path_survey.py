"""A survey over the whole real path: presses, cuts and reads over Modbus TCP; classes, drafts, and what is refused."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from command_line import bench, run_folders, told
from foreign_rig import ForeignRig

ROOT = Path(__file__).resolve().parents[2]
FIRST_LESSON = ROOT / "scenarios" / "first-lesson"
OFF, BACK = "stays off", "comes back"
WITHOUT_DIPS = ("dips_up_to: 50 ms, off_at_least: 1 s", "off_at_least: 1 s")


@dataclass(frozen=True)
class Survey:
    """One survey as its document tells it, with the suite that it was made of."""

    suite: Path
    logs: Path
    document: dict[str, Any]

    def classes(self, how: str) -> dict[str, str]:
        """Class by output, of the long cuts."""
        rows = [row for row in self.document["outputs"] if row["restart"] == how and not row["off_for"].endswith("ms")]
        return {row["point"]: row["class"] for row in rows}


def surveyed(folder: Path, suite: Path, *more: object, how: tuple[str, ...] = ("--simulated",)) -> Survey:
    """A survey of a suite; its drafts go to `drafts` in the folder."""
    done = bench("survey", suite, *how, "--logs", folder / "logs", "--drafts", folder / "drafts", "--json", *more)
    assert done.returncode == 0, told(done)
    return Survey(suite, folder / "logs", json.loads(done.stdout))


def quicker(folder: Path, *changes: tuple[str, str]) -> Path:
    """The first lesson, watched for less time."""
    suite = folder / "suite"
    suite.mkdir()
    text = (FIRST_LESSON / "rig.yaml").read_text(encoding="utf-8")
    for old, new in (("watch: 2 s, longer_than: 100 ms", "watch: 1 s, longer_than: 1 s"), *changes):
        assert old in text
        text = text.replace(old, new)
    (suite / "rig.yaml").write_text(text, encoding="utf-8")
    for path in FIRST_LESSON.glob("edition-*.yaml"):
        (suite / path.name).write_bytes(path.read_bytes())
    return suite


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Survey:
    """The first lesson, edition 1, without dips, each cut once."""
    folder = tmp_path_factory.mktemp("survey")
    suite = quicker(folder, WITHOUT_DIPS)
    return surveyed(folder, suite, "--repeat", 1, "--wait", "400 ms")


def test_every_output_is_classified_in_one_go(lesson: Survey) -> None:
    """The one that its own contact holds stays off, the set and retained one comes back, whichever way it was cut."""
    rows = {(row["point"], row["restart"]): row for row in lesson.document["outputs"]}
    for how in ("supply", "mode"):
        assert rows["elevator", how]["class"] == OFF and "own contact" in rows["elevator", how]["behaves"]
        assert rows["blower", how]["class"] == BACK and "set/reset pair" in rows["blower", how]["behaves"]
    assert all((row["cycles"], row["from_on"], row["from_off"], row["blind"]) == (2, 1, 1, 0) for row in rows.values())
    assert lesson.document["not_reached"] == []


def test_its_drafts_are_scenarios_for_the_same_rig(lesson: Survey) -> None:
    """`check` takes them as they are, each has a purpose to fill in, and each says that seen is not wanted."""
    drafts = [Path(name) for name in lesson.document["drafts"]]
    assert len(drafts) == 4
    assert all("TO FILL IN" in path.read_text(encoding="utf-8") for path in drafts)
    assert all("Seen is not the same as wanted" in path.read_text(encoding="utf-8") for path in drafts)
    checked = bench("check", drafts[0].parent, "--rig", lesson.suite / "rig.yaml")
    assert checked.returncode == 0 and "Nothing was moved." in checked.stdout, told(checked)


def test_its_runs_are_archived_as_any_run_and_marked(lesson: Survey) -> None:
    """run.json says which part of a survey a run was; its evidence gives the same findings again."""
    folders = run_folders(lesson.logs)
    marks = [json.loads((folder / "run.json").read_text(encoding="utf-8")).get("survey") for folder in folders]
    assert marks == ["presses", "cuts"]
    again = bench("judge", folders[1])
    assert again.returncode == 0 and "all findings are as in the archive" in again.stdout, told(again)
    listed = bench("logs", "list", "--logs", lesson.logs)
    assert len(re.findall(r"\bsurvey\b", listed.stdout)) == 2, told(listed)


def test_drafts_are_not_written_over(lesson: Survey) -> None:
    """Somebody may have filled in what is wanted: a second survey into the same folder is refused before it moves."""
    folder = Path(lesson.document["drafts"][0]).parent
    before = {path: path.read_bytes() for path in folder.iterdir()}
    done = bench("survey", lesson.suite, "--simulated", "--logs", lesson.logs, "--drafts", folder)
    assert done.returncode == 2 and "is not an empty folder" in done.stderr
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    assert len(run_folders(lesson.logs)) == 2


@pytest.mark.parametrize("arm", [(), ("--arm", "another")])
def test_an_unarmed_survey_moves_nothing(tmp_path: Path, arm: tuple[str, ...]) -> None:
    """A real rig is pressed and cut only once it is armed by its own name; no run is begun, with --json too."""
    done = bench("survey", FIRST_LESSON, *arm, "--logs", tmp_path / "logs", "--drafts", tmp_path / "drafts", "--json")
    assert done.returncode == 2 and "nothing was moved" in done.stderr
    assert "nothing was moved" in json.loads(done.stdout)["faults"][0]["text"]
    assert run_folders(tmp_path / "logs") == [] and not (tmp_path / "drafts").exists()


def test_a_machine_has_to_say_what_may_be_pressed(tmp_path: Path) -> None:
    """Without `survey:` in its file nobody has thought about what a press does there."""
    suite = quicker(
        tmp_path,
        ("survey: {press: [start_button, stop_button]}\n", ""),
        ("loads: harmless", "loads: machine\nisolation: {by: A. Person, how: fuses F1 to F3 out, until: 2099-01-01}"),
        ("fallback: as it is", "fallback: as it is\n  after_trouble: off"),
    )
    done = bench("survey", suite, "--arm", "first-lesson", "--logs", tmp_path / "logs", "--drafts", tmp_path / "drafts")
    assert done.returncode == 2 and "survey: {press: [...]}" in done.stderr, told(done)
    assert run_folders(tmp_path / "logs") == []


EDITIONS: Mapping[int, tuple[tuple[str, str], tuple[str, str]]] = {
    1: ((OFF, OFF), (BACK, BACK)),
    2: ((OFF, OFF), (OFF, OFF)),
    3: ((OFF, OFF), (OFF, BACK)),
    4: ((BACK, BACK), (BACK, BACK)),
    5: ((OFF, OFF), (BACK, BACK)),
    6: ((OFF, OFF), (BACK, BACK)),
}
"""By edition: elevator and blower, each by loss of supply and by change of mode."""


@pytest.mark.slow
@pytest.mark.parametrize("edition", sorted(EDITIONS))
def test_every_edition_of_the_first_lesson_is_told_apart(tmp_path: Path, edition: int) -> None:
    """The table that a trainer would make by hand from many runs comes out of one survey; and its drafts pass."""
    suite = quicker(tmp_path, WITHOUT_DIPS)  # a busy computer can't show a dip of 50 ms
    program = suite / f"edition-{edition}.yaml"
    found = surveyed(tmp_path, suite, "--program", program, "--repeat", 1, "--wait", "1 s")
    elevator, blower = EDITIONS[edition]
    for how, place in (("supply", 0), ("mode", 1)):
        assert found.classes(how) == {"elevator": elevator[place], "blower": blower[place]}
    drafts = Path(found.document["drafts"][0]).parent
    ran = bench(
        "run", drafts, "--rig", suite / "rig.yaml", "--program", program, "--simulated", "--logs", tmp_path / "l"
    )
    assert ran.returncode == 0, told(ran)


@pytest.mark.slow
def test_the_demonstration_rig_is_classified_in_one_go(tmp_path: Path) -> None:
    """Auger and burner stay off, fan, feeder and alarm come back; the feeder is told to be behind a timer."""
    dryer = ROOT / "scenarios" / "grain-dryer"
    found = surveyed(tmp_path, dryer, "--repeat", 1)
    for how in ("supply", "mode"):
        assert found.classes(how) == {"auger": OFF, "burner": OFF, "fan": BACK, "feeder": BACK, "alarm": BACK}
    feeder = next(row for row in found.document["outputs"] if row["point"] == "feeder")
    assert "behind a timer" in feeder["behaves"]
    drafts = Path(found.document["drafts"][0]).parent
    ran = bench("run", drafts, "--rig", dryer / "rig.yaml", "--simulated", "--logs", tmp_path / "l")
    assert ran.returncode == 0, told(ran)


@pytest.mark.slow
def test_a_rig_that_another_library_serves_is_surveyed_armed(tmp_path: Path) -> None:
    """Nothing simulated by the bench: the fan comes back, the burner stays off, the drafts pass, the supply is on."""
    suite = tmp_path / "suite"
    suite.mkdir()
    with ForeignRig(tmp_path) as rig:
        (suite / "rig.yaml").write_text(rig.rig_text("other-library"), encoding="utf-8")
        armed = ("--arm", "other-library")
        found = surveyed(tmp_path, suite, "--repeat", 2, "--wait", "300 ms", how=armed)
        assert {row["point"]: row["class"] for row in found.document["outputs"]} == {"fan": BACK, "burner": OFF}
        drafts = Path(found.document["drafts"][0]).parent
        ran = bench("run", drafts, "--rig", suite / "rig.yaml", *armed, "--logs", tmp_path / "again")
        assert ran.returncode == 0, told(ran)
        assert rig.supply_is_on
