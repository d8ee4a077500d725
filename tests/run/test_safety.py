"""What stands before anything real is switched."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from builders import dryer_rig
from restart_bench.archive.files import ArchiveError, lock_run
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.codec import to_line
from restart_bench.model.journal import PointWritten, Switching
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Isolation, Rig, RigSupply, SupplyLimits
from restart_bench.model.scenario import Press, Step
from restart_bench.run import recovery
from restart_bench.run.arming import SupplyLock, isolation_is_past, points_named, require_arming
from restart_bench.run.limits import wait_for_supply_ns
from restart_bench.run.recovery import holder_of, left_open, out_of_idle, supply_left, told_of_open
from restart_bench.run.usage import Worn, refuse_worn

NOW = datetime(2026, 7, 20, 12, 0, tzinfo=UTC)


def machine(**changes: object) -> Rig:
    """A rig whose loads can hurt."""
    rig = dryer_rig()
    assert rig.supply is not None
    supply = replace(rig.supply, after_trouble="off")
    isolation = Isolation(by="M. Miller", how="locked at Q1", until="2026-07-20")
    return replace(rig, loads="machine", supply=supply, isolation=isolation, **changes)  # type: ignore[arg-type]


def test_a_real_rig_is_refused_without_arming() -> None:
    """Nothing real is switched before its name was given."""
    with pytest.raises(Refused, match="not armed: nothing was moved"):
        require_arming(dryer_rig(), None, now=NOW)


def test_arming_another_rig_does_not_arm_this_one() -> None:
    """The name has to be that of the rig that stands there."""
    with pytest.raises(Refused, match="this rig is called 'grain-dryer-trainer'"):
        require_arming(dryer_rig(), "grain-elevator", now=NOW)


def test_harmless_loads_need_only_their_name() -> None:
    """Lamps and dummy loads need no isolation."""
    require_arming(dryer_rig(), dryer_rig().name, now=NOW)


def test_a_machine_needs_isolation_that_still_holds() -> None:
    """A machine without isolation, or with one that is past, is refused."""
    rig = machine()
    require_arming(rig, rig.name, now=NOW)
    with pytest.raises(Refused, match="states no isolation"):
        require_arming(replace(rig, isolation=None), rig.name, now=NOW)
    with pytest.raises(Refused, match="held until 2026-07-20, which is past"):
        require_arming(rig, rig.name, now=NOW.replace(day=21))


def test_a_machine_may_not_come_back_by_itself_after_an_error() -> None:
    """`after_trouble: on` is for harmless loads alone."""
    rig = machine()
    assert rig.supply is not None
    with pytest.raises(Refused, match="after_trouble"):
        require_arming(replace(rig, supply=replace(rig.supply, after_trouble="on")), rig.name, now=NOW)


@pytest.mark.parametrize(
    ("until", "past"),
    [("2026-07-20", False), ("2026-07-19", True), ("2026-07-20T11:59", True), ("2026-07-20T12:01", False),
     ("next week", True)],
)  # fmt: skip
def test_an_isolation_date_holds_through_its_day_and_nonsense_holds_never(until: str, past: bool) -> None:
    """A date includes its day; what nobody can read, nobody can rely on."""
    assert isolation_is_past(until, NOW) is past


def test_a_second_bench_on_one_supply_is_refused(tmp_path: Path) -> None:
    """One bench per supply, kept by a lock of the operating system."""
    supply = RigSupply(driver="modbus-coil", address=f"modbus-coil 192.0.2.30 {tmp_path}")
    with SupplyLock(supply), pytest.raises(Refused, match="held by another bench"), SupplyLock(supply):
        pass
    with SupplyLock(supply):
        pass


LIMITS = SupplyLimits(off_at_least_ns=2 * NS_PER_S, on_at_least_ns=5 * NS_PER_S, cuts_per_hour=2, operations=100)


def test_the_supply_stays_on_for_its_shortest_on_time() -> None:
    """`on_at_least` is waited out before the next cycle."""
    wait, why = wait_for_supply_ns(LIMITS, now_ns=NS_PER_S, on_since_ns=0, cuts_ns=())
    assert (wait, "on_at_least" in why) == (4 * NS_PER_S, True)


def test_cuts_per_hour_are_waited_out() -> None:
    """The third cut of an hour waits until the first is an hour old."""
    cuts = (10 * NS_PER_S, 700 * NS_PER_S)
    wait, why = wait_for_supply_ns(LIMITS, now_ns=800 * NS_PER_S, on_since_ns=None, cuts_ns=cuts)
    assert (wait, "cuts_per_hour" in why) == (2810 * NS_PER_S, True)


def test_wear_warns_from_eighty_percent_and_refuses_beyond_the_rated_life() -> None:
    """Operations are counted over all runs."""
    supply = RigSupply(driver="x", limits=LIMITS)
    assert refuse_worn(supply, Worn(10), 20) == ""
    assert "70 of 100" in refuse_worn(supply, Worn(70), 20)
    with pytest.raises(Refused, match="90 of 100 rated operations"):
        refuse_worn(supply, Worn(90), 20)


def test_only_points_that_steps_name_may_be_written() -> None:
    """The allow-list holds the pressed point, the mode's and the check pulse's, not every writable one."""
    rig = dryer_rig()
    steps = [Step("before", 0, Press("start_button"), "press start_button")]
    of_the_bench = {rig.mode.point if rig.mode else "", rig.check_pulse.write if rig.check_pulse else ""}
    writable = {name for name, point in rig.points.items() if point.writable}
    assert points_named(rig, steps) - of_the_bench == {"start_button"}
    assert writable - points_named(rig, steps)


def written(point: str, value: bool, purpose: str, problem: str = "") -> PointWritten:
    """A command of a killed run."""
    return PointWritten(1, point, value, purpose, 0, 1, problem)


def test_a_point_that_was_pressed_and_not_released_is_out_of_idle() -> None:
    """A killed run's journal tells what it left pressed."""
    rig = dryer_rig()
    assert out_of_idle([written("start_button", True, "press")], rig) == {"start_button": False}
    both = [written("start_button", True, "press"), written("start_button", False, "release")]
    assert out_of_idle(both, rig) == {}


def test_a_release_without_an_answer_leaves_the_point_suspect() -> None:
    """A release that was not confirmed has to be done again."""
    rig = dryer_rig()
    records = [written("start_button", True, "press"), written("start_button", False, "release", "silent")]
    assert out_of_idle(records, rig) == {"start_button": False}


def test_what_a_run_itself_could_not_bring_to_idle_is_told_of_it_until_it_is_put_right(tmp_path: Path) -> None:
    """Its journal holds a release that was confirmed, so only the run's own word tells that the point stayed out."""
    rig = dryer_rig()
    folder = tmp_path / f"rig={rig.name}" / "date=2026-11-27" / "run=20261127T003820Z-4a73"
    folder.mkdir(parents=True)
    told = {
        "armed": True,
        "state": "left open",
        "left_open": "start may still be out of idle",
        "held": ["start_button"],
    }
    (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    both = [written("start_button", True, "press"), written("start_button", False, "release")]
    (folder / "journal.jsonl").write_text("".join(f"{to_line(one)}\n" for one in both), encoding="utf-8")
    said = told_of_open(tmp_path, rig)
    assert "ended by itself and was left open (start may still be out of idle)" in said
    assert "start_button out of idle" in said and "killed" not in said and f"park RIG --arm {rig.name}" in said


def run_on(logs: Path, rig: str, address: str) -> Path:
    """The folder of an armed run that was not closed, on a supply of that address."""
    folder = logs / f"rig={rig}" / "date=2026-11-27" / "run=20261127T003820Z-4a73"
    folder.mkdir(parents=True)
    told = {"armed": True, "run": "20261127T003820Z-4a73", "rig": rig, "by": "J. Doe", "supply_address": address}
    (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    return folder


def test_a_run_on_another_name_of_the_same_port_is_one_on_this_supply(tmp_path: Path) -> None:
    """A link to a device is the device: what was killed there may have left a point of this rig pressed, and what goes
    on there holds its supply."""
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    rig = dryer_rig()
    assert rig.supply is not None
    rig = replace(rig, supply=replace(rig.supply, address=f"serial-board port={tmp_path / 'ttyUSB0'} on_bytes=A0"))
    folder = run_on(tmp_path, "other-rig", f"serial-board port={tmp_path / 'by-id'} on_bytes=A0")
    assert left_open(tmp_path, rig) == [folder]
    lock = lock_run(folder)
    assert left_open(tmp_path, rig) == []
    assert holder_of(tmp_path, rig) == " (run 20261127T003820Z-4a73 on other-rig, by J. Doe)"
    lock.release()


def test_an_archive_that_can_not_be_read_hides_no_refusal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """That the supply is held is what matters; which run holds it can't be told then."""

    def unreadable(*_: object) -> list[Path]:
        raise ArchiveError("could not look for runs: permission denied")

    monkeypatch.setattr(recovery, "run_folders", unreadable)
    rig = dryer_rig()
    assert rig.supply is not None
    with SupplyLock(rig.supply), pytest.raises(Refused, match="is held by another bench"):
        SupplyLock(rig.supply, lambda: holder_of(tmp_path, rig)).__enter__()


def test_the_journal_tells_how_the_supply_was_last_commanded() -> None:
    """The last command counts, and without any it is unknown."""
    assert supply_left([]) == "unknown"
    off = Switching(1, "supply", "off", "cut", 0, 1)
    on = Switching(1, "supply", "on", "restore", 2, 3)
    assert (supply_left([off]), supply_left([off, on])) == ("off", "on")
