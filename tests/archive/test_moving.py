"""Rules of `logs prune`: which runs leave, what stays behind of them, and that a kill in between loses nothing."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from archive_builders import load, write_suite
from restart_bench.archive import moving
from restart_bench.archive.files import ArchiveError, run_folders, write_sums
from restart_bench.archive.moving import clear_leftovers, move_run, plan_moves
from restart_bench.archive.soundness import verify
from restart_bench.archive.writer import RunArchive
from restart_bench.cli.main import app
from restart_bench.compare.baselines import approve
from restart_bench.model.clock import HOUR_NS, anchor
from restart_bench.model.rig import Rig
from restart_bench.run.usage import memory_of, used_lately, wear_of
from restart_bench.suite.loader import Suite

NOW = datetime.now(tz=UTC)
OLD, OLDER, YOUNG = "20260105T080000Z-aaaa", "20260104T080000Z-bbbb", "20260701T080000Z-cccc"
BEFORE = NOW - timedelta(minutes=1)


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Suite:
    """The trainer's suite; its start button bears limits."""
    return load(write_suite(tmp_path_factory.mktemp("suite")))


def run(
    logs: Path, suite: Suite, run_id: str, *, ago: timedelta = timedelta(minutes=2), closed: bool = True, **more: Any
) -> Path:
    """An armed run that moved the contact twelve times, cut twice in its last ten minutes and once long before."""
    assert suite.rig.supply is not None
    before = {"supply_address": suite.rig.supply.address, "simulated": False, "armed": suite.rig.name, **more}
    archive = RunArchive.create(logs, run_id=run_id, suite=suite, before=before)
    if not closed:
        archive._lock.release()
        return archive.folder
    ended = NOW - ago
    cuts = [(ended - timedelta(minutes=minutes)).isoformat() for minutes in (300, 10, 5)]
    used = {"cuts": cuts, "starts": {}, "fell": {}, "supply": {"off": cuts[-1], "on": ended.isoformat()}}
    archive.close({"ended": {"wall": ended.isoformat()}, "operations": 12, "limits_used": used})
    return archive.folder


def remembered(logs: Path, rig: Rig) -> tuple[Any, ...]:
    """What the next run would know: wear, cuts of the last hour, since when the supply is on."""
    used = used_lately(logs, rig)
    recent = sorted(at for at in used.cuts if at > time.time_ns() - HOUR_NS)
    return wear_of(logs, rig).operations, recent, used.on_since_ns


def left(logs: Path) -> list[str]:
    """Ids of the runs in an archive."""
    return [folder.name.removeprefix("run=") for folder in run_folders(logs)]


def test_wear_and_limits_of_a_moved_run_still_count(tmp_path: Path, suite: Suite) -> None:
    """The contact does not grow younger, and the last hour is not shorter, because a folder was moved."""
    logs, to = tmp_path / "logs", tmp_path / "old"
    folders = [run(logs, suite, one) for one in (OLDER, OLD)]
    before = remembered(logs, suite.rig)
    assert before[0] == 24 and len(before[1]) == 4
    for folder in folders:
        assert verify(move_run(folder, to, memory_of(folder))).sound
    assert (left(logs), left(to)) == ([], [OLDER, OLD])
    assert remembered(logs, suite.rig) == before


def test_a_run_that_comes_back_counts_once(tmp_path: Path, suite: Suite) -> None:
    """Whoever copies a run back into the archive has not worn the contact again; what is there outranks its line."""
    logs, to = tmp_path / "logs", tmp_path / "old"
    folder = run(logs, suite, OLD)
    moved = move_run(folder, to, memory_of(folder))
    shutil.copytree(moved, folder)
    assert wear_of(logs, suite.rig).operations == 12


def test_simulated_runs_and_other_supplies_count_for_nothing_also_when_moved(tmp_path: Path, suite: Suite) -> None:
    """The line says of which supply and kind the run was."""
    logs = tmp_path / "logs"
    for number, more in enumerate(({"simulated": True}, {"supply_address": "another"})):
        folder = run(logs, suite, f"2026010{number + 1}T080000Z-aaaa", **more)
        move_run(folder, tmp_path / "old", memory_of(folder))
    assert remembered(logs, suite.rig)[:2] == (0, [])


# ---------------------------------------------------------------- what stays


def staying(logs: Path, suite: Suite, needed: dict[str, str] | None = None) -> dict[str, str]:
    """Old runs that stay, with why."""
    return dict(plan_moves(logs, suite.rig.name, before=BEFORE, needed=needed or {}).staying)


def test_young_and_open_runs_stay(tmp_path: Path, suite: Suite) -> None:
    """Only what ended before the asked instant leaves; what a killed run left behind is never moved."""
    run(tmp_path, suite, OLD)
    run(tmp_path, suite, YOUNG, ago=timedelta(seconds=1))
    run(tmp_path, suite, OLDER, closed=False)
    moves = plan_moves(tmp_path, suite.rig.name, before=BEFORE, needed={})
    assert [folder.name for folder in moves.leaving] == [f"run={OLD}"]
    assert [name for name, _ in moves.staying] == [OLDER]
    assert "not closed" in dict(moves.staying)[OLDER]


def test_a_run_that_is_not_as_it_was_closed_stays(tmp_path: Path, suite: Suite) -> None:
    """An altered archive is not carried away as if it were sound."""
    (run(tmp_path, suite, OLD) / "journal.jsonl").write_text("{}\n")
    assert "logs verify" in staying(tmp_path, suite)[OLD]


def test_what_a_staying_run_went_on_with_stays(tmp_path: Path, suite: Suite) -> None:
    """A chain of resumed runs is judged as a whole, so no link of it is taken away from a later one."""
    run(tmp_path, suite, OLDER)
    run(tmp_path, suite, OLD, resumes={"run": OLDER})
    assert staying(tmp_path, suite) == {}
    run(tmp_path, suite, YOUNG, ago=timedelta(0), resumes={"run": OLD})
    assert list(staying(tmp_path, suite)) == [OLD, OLDER]


def test_approved_baselines_stay(tmp_path: Path, suite: Suite) -> None:
    """What others are held against is not moved away, also through the command."""
    approve(run(tmp_path, suite, OLD), why="the first edition")
    run(tmp_path, suite, OLDER)
    said = pruned(tmp_path, "--yes")
    assert said.exit_code == 0, said.output
    assert f"stays: {OLD}: was approved as a baseline" in said.output
    assert left(tmp_path) == [OLD]


def dated(folder: Path, *, order: int, began: datetime, boot: str) -> str:
    """A run as a clock that showed this dated it. Returns its id."""
    told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    wall = began.isoformat()
    told |= {"order": order, "ended": {"wall": wall, "at_ns": 0}, "limits_used": None}
    told["anchor"] = {**told["anchor"], "wall": wall, "clock_ns": 0, "boot": boot}
    (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    write_sums(folder)
    return folder.name.removeprefix("run=")


def test_a_run_whose_date_is_contradicted_is_not_moved_for_its_age(tmp_path: Path, suite: Suite) -> None:
    """A clock that was behind makes a young run look old: the order of making outranks it, and what is dated a time to
    come is named too. What is old even if it is as young as it can be goes."""
    days, now = timedelta(days=1), datetime.now(tz=UTC)  # not that of the import: a minute may have gone by
    ago = {"a": 30, "b": 400, "c": 20, "d": 0.0001, "e": 400, "f": -9}  # by order; b is no younger than c, e than now
    ids = {
        name: dated(run(tmp_path, suite, f"2026010{n}T080000Z-{name}"), order=n, began=now - days * at, boot=name)
        for n, (name, at) in enumerate(ago.items(), start=1)
    }
    said = pruned(tmp_path, "--yes")
    assert said.exit_code == 0, said.output
    assert left(tmp_path) == [ids["d"], ids["e"], ids["f"]]
    assert f"stays: {ids['e']}: is dated" in said.output and f"stays: {ids['f']}: is dated" in said.output
    assert f"stays: {ids['d']}" not in said.output  # only younger


def test_in_one_boot_the_computers_own_clock_tells_how_old_a_run_is(tmp_path: Path, suite: Suite) -> None:
    """A simulated run has no order; what its wall clock said is put right by the clock that nobody sets."""
    folder = run(tmp_path, suite, OLD, simulated=True)
    dated(folder, order=0, began=NOW - timedelta(days=400), boot="another")
    told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    told["anchor"] = {**asdict(anchor()), "wall": told["anchor"]["wall"]}
    told["ended"]["at_ns"] = told["anchor"]["clock_ns"]
    (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    write_sums(folder)
    said = pruned(tmp_path, "--yes")
    assert f"stays: {OLD}: is dated" in said.output and left(tmp_path) == [OLD]


def test_what_several_rigs_said_goes_along_once_none_of_its_runs_is_left(tmp_path: Path, suite: Suite) -> None:
    """It stays while it is young, while a run that it names stays, and where nothing tells how old it is."""
    logs = tmp_path / "logs"
    run(logs, suite, OLD)
    tomorrow = timedelta(days=-1)
    run(logs, suite, YOUNG, ago=tomorrow)
    young = f"{NOW - tomorrow:%Y%m%dT%H%M%SZ}-dddd"
    told = {OLD: f"test {OLD} on a", OLDER: f"test {OLD} on a\ntest {YOUNG} on b", young: "refused", "notes": "mine"}
    for name, text in told.items():
        (logs / "output" / name).mkdir(parents=True)
        (logs / "output" / name / "rig.txt").write_text(text, encoding="utf-8")
    said = pruned(logs, "--yes")
    assert said.exit_code == 0, said.output
    assert sorted(path.name for path in (logs / "output").iterdir()) == sorted([OLDER, young, "notes"])
    assert (tmp_path / "away" / "output" / OLD / "rig.txt").read_text(encoding="utf-8") == told[OLD]
    assert f"moved along to {tmp_path / 'away' / 'output' / OLD}" in said.output


def pruned(logs: Path, *more: str) -> Any:
    """`logs prune` of what is older than a minute."""
    told = ["logs", "prune", "--older-than", "1min", "--to", str(logs.with_name("away")), "--logs", str(logs), *more]
    return CliRunner().invoke(app, told)


def test_nothing_is_moved_unasked(tmp_path: Path, suite: Suite) -> None:
    """Without a person to ask and without --yes the command refuses, and says what it would have moved."""
    run(tmp_path / "logs", suite, OLD)
    said = pruned(tmp_path / "logs")
    assert said.exit_code == 2
    assert f"to {tmp_path / 'away'}: {OLD}" in said.output
    assert left(tmp_path / "logs") == [OLD] and not (tmp_path / "away").exists()


@pytest.mark.parametrize("where", ["logs", "logs/rig=x/date=2026-01-01"])
def test_an_archive_is_not_moved_into_itself(tmp_path: Path, suite: Suite, where: str) -> None:
    """Runs have to be elsewhere afterwards."""
    run(tmp_path / "logs", suite, OLD)
    said = CliRunner().invoke(
        app, ["logs", "prune", "--older-than", "1min", "--to", str(tmp_path / where), "--logs", str(tmp_path / "logs")]
    )
    assert said.exit_code == 2
    assert left(tmp_path / "logs") == [OLD]


# ---------------------------------------------------------------- a kill between two steps


class Killed(BaseException):
    """The process ends here."""


def killed_at(step: int, after: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ends the process at this step of a move, counted over all kinds of steps, before or after it is done."""
    done = 0

    def dying(carry_out: Callable[..., Any]) -> Callable[..., Any]:
        def step_of(*args: Any, **more: Any) -> Any:
            nonlocal done
            done += 1
            if done == step and not after:
                raise Killed
            result = carry_out(*args, **more)
            if done == step:
                raise Killed
            return result

        return step_of

    monkeypatch.setattr(moving, "append_line", dying(moving.append_line))
    monkeypatch.setattr(moving.shutil, "copytree", dying(shutil.copytree))
    monkeypatch.setattr(moving.shutil, "rmtree", dying(shutil.rmtree))
    monkeypatch.setattr(Path, "rename", dying(Path.rename))


@pytest.mark.parametrize("one_disk", [True, False], ids=["same disk", "another disk"])
def test_a_kill_at_any_step_loses_nothing_and_the_next_time_goes_on(
    tmp_path: Path, suite: Suite, one_disk: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wear and limits are the same at every instant, one of the two places has a sound copy, and none is left over."""
    kills = 0
    for step in range(1, 8):
        for after in (False, True):
            logs, to = tmp_path / f"logs{step}{after}", tmp_path / f"old{step}{after}"
            folder = run(logs, suite, OLD)
            before = remembered(logs, suite.rig)
            with monkeypatch.context() as patch:
                patch.setattr(moving, "_on_one_disk", lambda *_: one_disk)
                killed_at(step, after, patch)
                try:
                    move_run(folder, to, memory_of(folder))
                except Killed:
                    kills += 1
            assert remembered(logs, suite.rig) == before
            places = [one for archive in (logs, to) for one in run_folders(archive)]
            assert places and all(verify(one).sound for one in places)
            clear_leftovers(logs)
            for one in run_folders(logs):
                monkeypatch.setattr(moving, "_on_one_disk", lambda *_: one_disk)
                move_run(one, to, memory_of(one))
            assert (left(logs), left(to)) == ([], [OLD])
            assert remembered(logs, suite.rig) == before
            assert [path.name for path in (*logs.rglob(".*"), *to.rglob(".*"))] == []
    assert (
        kills == 4 if one_disk else 10 <= kills < 14
    )  # a copy has a step for each folder; the last kill came too late


def test_another_run_of_that_name_is_never_overwritten(tmp_path: Path, suite: Suite) -> None:
    """Where the target is taken by something else, both stay as they are."""
    logs, to = tmp_path / "logs", tmp_path / "old"
    folder, other = run(logs, suite, OLD), run(to, suite, OLD, ago=timedelta(days=1))
    with pytest.raises(ArchiveError, match="is another one"):
        move_run(folder, to, memory_of(folder))
    assert verify(folder).sound and verify(other).sound
