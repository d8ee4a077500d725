"""What a killed run left is put right before anything gets power: where that run had it, from wherever the next start
comes, and not forgotten where the relay or a point can't be reached."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from drawn import seldom
from relay_door import RelayDoor
from restart_bench.archive.files import ArchiveError, lock_run, release_run
from restart_bench.archive.writer import RunArchive
from restart_bench.model.clock import NS_PER_S, Anchor
from restart_bench.model.journal import Record, Trouble
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import RigSupply
from restart_bench.model.verdicts import EXIT_PASS
from restart_bench.observer.handle import ObserverError, ObserverHandle, WriteDone
from restart_bench.run.arming import SupplyLock, lock_folder
from restart_bench.run.recovery import NotRight, left_open
from restart_bench.run.resume import _shift
from restart_bench.run.usage import used_lately, wear_of
from restart_bench.suite.supply_address import address_of
from restart_bench_drivers.interface import SupplyError
from restart_bench_drivers.registry import cards
from safety_moments import IN_A_PRESS
from safety_rig import (
    NAME,
    SCENARIO,
    ArmedRig,
    Seen,
    archive_is_whole,
    armed_rig,
    never_on_too_early,
    nothing_pressed,
    told_of,
)

LONG = SCENARIO.replace("off_for: 350 ms", "off_for: 5 s")


def edited(rig: ArmedRig, old: str, new: str) -> None:
    """The rig file with one place changed."""
    path = rig.folder / "rig.yaml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def nothing_was_pressed_when_power_came(rig: ArmedRig) -> None:
    """The held button was let go of before the contact closed again."""
    on = [line["before_ns"] for line in rig.truth("supply") if line["value"]]
    let_go = [line["after_ns"] for line in rig.truth("command") if line["name"] == "jog" and not line["value"]]
    assert on[1:] and let_go and let_go[0] < on[1], (on, let_go)


# ---------------------------------------------------------------- what only reads says it


@pytest.mark.parametrize("command", [("look", "--for", "1 s"), ("check",)])
def test_look_and_check_tell_of_a_killed_run_and_of_none_that_goes_on(command: tuple[str, ...], tmp_path: Path) -> None:
    """Whoever looks before going to the rig reads what may be pressed there, and the cure; a run that is still going on
    was not killed, and one that was put right left nothing."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at(IN_A_PRESS)
        (killed,) = rig.runs()
        words = (command[0], rig.folder, *command[1:], "--logs", rig.logs)
        code, said = rig.said_by(*words)
        warning = (
            f"warning: {killed.name} was killed: it last commanded THE SUPPLY ON, and may have left start out of "
            f"idle. `restart-bench park {rig.folder / 'rig.yaml'} --arm {NAME}` puts it right; so does the next armed "
            "run"
        )
        assert code == EXIT_PASS and warning in said.splitlines(), said
        lock = lock_run(killed)
        assert "was killed" not in rig.said_by(*words)[1]
        release_run(lock, killed)
        assert rig.park().well
        assert "was killed" not in rig.said_by(*words)[1]


# ---------------------------------------------------------------- the relay can't be reached


def test_going_on_without_the_relay_forgets_nothing(tmp_path: Path) -> None:
    """`--resume` while the relay is away: the killed run stays open, its held point is let go of, and the next armed
    run gives power only after that; the off time was given up, so it is done again."""
    with armed_rig(tmp_path, scenario=LONG) as rig:
        edited(rig, "only_while: {guard_closed: on}\n", "")
        rig.run_killed_at("off")
        assert rig.pressed() == {"jog": True}
        rig.door.mode = "gone"
        with pytest.raises(SupplyError, match="supply relay"):
            rig.perform(resume="last")
        killed = rig.runs()[0]
        assert not (killed / "SHA256SUMS").exists()
        nothing_pressed(rig)
        assert not rig.supply_is_on
        rig.door.mode = "open"
        outcome = rig.perform(resume=told_of(killed)["run"])
        assert outcome.exit_code == EXIT_PASS, outcome.runs[0]
        nothing_was_pressed_when_power_came(rig)
        assert len(rig.off_times()) == 2, "the killed off time, and the one that was done again"
        archive_is_whole(rig, killed)


def test_what_an_observer_that_does_not_start_took_over_is_found_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The off time was taken over and no observer starts: both runs stay open, the point is not forgotten."""
    with armed_rig(tmp_path, scenario=LONG) as rig:
        edited(rig, "only_while: {guard_closed: on}\n", "")
        rig.run_killed_at("off")
        with monkeypatch.context() as patched:
            patched.setattr("restart_bench.run.session.ObserverHandle", _none_starts)
            with pytest.raises(ObserverError):
                rig.perform(resume="last")
        assert [(run / "SHA256SUMS").exists() for run in rig.runs()] == [False, False]
        assert rig.pressed() == {"jog": True}
        assert rig.park().well
        nothing_pressed(rig)
        nothing_was_pressed_when_power_came(rig)


def _none_starts(*_: Any, **__: Any) -> ObserverHandle:
    raise ObserverError("no observer today")


# ---------------------------------------------------------------- where that run had it


@pytest.mark.parametrize("start", seldom("park", "the next armed run"))
def test_a_point_is_let_go_of_where_the_killed_run_had_it(start: str, tmp_path: Path) -> None:
    """The coil's address was edited after the kill: the old coil is released, and what differs is said."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        assert rig.pressed() == {"jog": True}
        edited(rig, "jog: {device: independent, coil: 1,", "jog: {device: independent, coil: 4,")
        edited(rig, "never_named: {device: independent, coil: 4,", "never_named: {device: independent, coil: 1,")
        said: list[str] = []
        if start == "park":
            assert rig.park(said).well, said
        else:
            show = Seen()
            rig.perform(show)  # its own press of `jog` reaches nobody now
            said.append(show.said)
        assert any("jog was coil 1 (item 2)" in text and "is coil 4 (item 5)" in text for text in said), said
        assert "jog" not in rig.pressed()
        nothing_was_pressed_when_power_came(rig)
        archive_is_whole(rig, rig.runs()[0])


def test_a_supply_is_rested_where_the_killed_run_had_it(tmp_path: Path) -> None:
    """The relay was moved to another coil in the file: the old one is brought back too."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        edited(rig, "  coil: 0\n  contact", "  coil: 7\n  contact")
        said: list[str] = []
        rig.park(said)
        assert any("the supply was modbus-coil" in text for text in said), said
        assert rig.supply_is_on
        nothing_was_pressed_when_power_came(rig)


def test_a_supply_of_before_bears_the_conditions_and_limits_of_before(tmp_path: Path) -> None:
    """The relay's port was edited after the kill. With the guard open the old relay is not told to go on, and the run
    stays open; with the guard closed not before `off_at_least` is over, counted from the killed run's cut."""
    off_at_least_ns = 4 * NS_PER_S
    scenario = SCENARIO.replace("off_for: 350 ms", "off_for: 5 s")
    with armed_rig(tmp_path, off_at_least="4 s", scenario=scenario) as rig:
        rig.run_killed_at("off")
        other = RelayDoor(rig.simulation.ports["supply"])
        edited(rig, f"port: {rig.door.port}", f"port: {other.port}")
        guard: dict[str, Any] = {"command": "set", "values": {"guard_closed": False}}
        rig.simulation.send(guard)
        said: list[str] = []
        assert not rig.park(said).well
        assert not rig.supply_is_on
        assert any("NOT SWITCHED ON: guard_closed of `only_while`" in text for text in said), said
        assert not (rig.runs()[0] / "SHA256SUMS").exists()
        rig.simulation.send({**guard, "values": {"guard_closed": True}})
        assert rig.park().well and rig.supply_is_on
        other.close()
        assert rig.door.asked[-1].coil, "the old relay was told"
        never_on_too_early(rig, off_at_least_ns)
        archive_is_whole(rig, rig.runs()[0])


# ---------------------------------------------------------------- a killed run that can't be read


def test_a_killed_run_that_can_not_be_read_keeps_no_other_from_being_put_right(tmp_path: Path) -> None:
    """Beside a killed run that holds a button lies another one whose journal does not open: that one's command points
    all go to idle, which is said, and the rig is put right as the first one needs it."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        (readable,) = rig.runs()
        unreadable = readable.with_name(f"{readable.name[:-4]}0000")
        shutil.copytree(readable, unreadable, ignore=shutil.ignore_patterns("running.lock"))
        facts = {**told_of(readable), "run": unreadable.name.removeprefix("run=")}
        (unreadable / "run.json").write_text(json.dumps(facts), encoding="utf-8")
        (unreadable / "journal.jsonl").unlink()
        (unreadable / "journal.jsonl").mkdir()
        said: list[str] = []
        parked = rig.park(said)
        assert parked.closed == (readable,) and rig.supply_is_on, said
        nothing_was_pressed_when_power_came(rig)
        assert any("its journal can't be read" in text and "all its command points go to idle" in text for text in said)
        assert {"start", "jog", "stop", "spare_out"} <= rig.written()
        archive_is_whole(rig, readable)


def test_a_log_that_fails_while_a_killed_run_is_put_right_keeps_the_rig_from_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full from the first word of it on: the point is let go of, the supply rested, the killed run closed.
    The run itself does not begin, and is no log that is whole."""

    def full(_archive: RunArchive, record: Record) -> None:
        if isinstance(record, Trouble):
            raise ArchiveError("made up: the disk is full")

    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        monkeypatch.setattr(RunArchive, "write", full)
        with pytest.raises(NotRight, match="the log failed while killed runs were put right"):
            rig.perform()
        nothing_was_pressed_when_power_came(rig)
        killed, new = rig.runs()
        assert rig.supply_is_on and not (new / "SHA256SUMS").exists()
        archive_is_whole(rig, killed)


# ---------------------------------------------------------------- a point that can't be let go of


@pytest.mark.parametrize("start", seldom("the next armed run", "park"))
def test_nothing_gets_power_while_a_point_can_not_be_let_go_of(
    start: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The device refuses to release the held button: the supply stays off, the run stays open, a person is told; once
    it obeys, all is put right."""
    write = ObserverHandle.write

    def refuses(observing: ObserverHandle, point: str, *command: Any) -> WriteDone:
        return WriteDone(1, 2, "exception 4") if point == "jog" else write(observing, point, *command)

    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        with monkeypatch.context() as patched:
            patched.setattr(ObserverHandle, "write", refuses)
            patched.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", NS_PER_S // 5)
            if start == "park":
                said: list[str] = []
                assert not rig.park(said).well
                assert any("the supply is not switched on" in text for text in said)
            else:
                with pytest.raises(NotRight, match="the supply is not switched on"):
                    rig.perform()
        assert not rig.supply_is_on and rig.pressed() == {"jog": True}
        assert not (rig.runs()[0] / "SHA256SUMS").exists()
        assert rig.park().well
        nothing_pressed(rig)
        nothing_was_pressed_when_power_came(rig)


def test_park_without_an_observer_gives_no_power_to_what_is_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No observer can be started: with nothing held the supply is switched all the same, with a held button it is
    not."""
    with armed_rig(tmp_path, at_end="off") as rig:
        with monkeypatch.context() as patched:
            patched.setattr("restart_bench.run.park.ObserverHandle", _none_starts)
            rig.park()
            assert not rig.supply_is_on
        rig.change(at_end="on")
        assert rig.park().well and rig.supply_is_on
        rig.run_killed_at("off")
        with monkeypatch.context() as patched:
            patched.setattr("restart_bench.run.park.ObserverHandle", _none_starts)
            assert not rig.park().well
        assert not rig.supply_is_on and rig.pressed() == {"jog": True}


# ---------------------------------------------------------------- from another folder


def test_a_killed_run_is_found_from_another_archive(tmp_path: Path) -> None:
    """Started with another archive, on a rig of another name but on the same relay: the killed run is put right and
    closed where it lies; wear and limits count there as well."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        edited(rig, f"rig: {NAME}", "rig: other-name")
        suite, other = rig.suite(), tmp_path / "other"
        assert left_open(other, suite.rig) == [rig.runs()[0]]
        assert wear_of(other, suite.rig).operations > 0
        assert len(used_lately(other, suite.rig).cuts) == 1
        show = Seen()
        assert rig.perform(show, logs=other, arm="other-name").exit_code == EXIT_PASS, show.said
        assert "was killed" in show.said
        nothing_was_pressed_when_power_came(rig)
        archive_is_whole(rig, rig.runs()[0])


def test_a_list_of_archives_that_can_not_be_written_keeps_nobody_from_a_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is said what is lost by it."""
    (tmp_path / "no folder").write_text("", encoding="utf-8")
    monkeypatch.setenv("RESTART_BENCH_STATE", str(tmp_path / "no folder"))
    with armed_rig(tmp_path) as rig:
        said: list[str] = []
        assert rig.park(said).well
        assert any("list of archives could not be written" in text for text in said)


# ---------------------------------------------------------------- one lock on the whole machine


def held_by_another(rig: ArmedRig, **environment: str) -> tuple[int, str]:
    """`park` in a process with another environment, while the supply is held here."""
    command = [sys.executable, "-c", "from restart_bench.cli.main import main; main()", "park", str(rig.folder)]
    done = subprocess.run(
        [*command, "--arm", NAME, "--logs", str(rig.logs)],
        env={**os.environ, **environment}, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return done.returncode, done.stderr


def test_a_held_supply_is_named_in_the_words_of_whoever_switches_it() -> None:
    """The switch as the rig names it, not the address that the lock goes by."""
    by_hand = RigSupply("by-hand", {"switch": "main switch"}, address="by-hand switch=MAIN SWITCH controller=words:1")
    with SupplyLock(by_hand), pytest.raises(Refused) as refused:
        SupplyLock(by_hand).__enter__()
    said = str(refused.value)
    assert "the supply that is switched by hand at main switch is held by another bench" in said
    assert "MAIN SWITCH" not in said


def test_the_lock_holds_whatever_tmpdir_says(tmp_path: Path) -> None:
    """Another TMPDIR (another user, another shell, a service) is still the same relay."""
    with armed_rig(tmp_path) as rig:
        supply = rig.suite().rig.supply
        assert supply is not None
        (tmp_path / "tmp").mkdir()
        with SupplyLock(supply):
            code, said = held_by_another(rig, TMPDIR=str(tmp_path / "tmp"))
        assert code == 2 and "held by another bench" in said and "nothing was moved" in said, said
        code, said = held_by_another(rig, TMPDIR=str(tmp_path / "tmp"))
        assert code == 0, said


SPELLINGS = [
    (
        "gpio-pin",
        {"pin": 17},
        {"pin": "GPIO17"},
        {"pin": "bcm17"},
        {"pin": "BOARD11"},
        {"pin": "J8:11"},
        {"pin": "017"},
    ),
    ("serial-board", {"port": "COM3", "on_bytes": "A0 01"}, {"port": "com3", "on_bytes": "a001"}),
    ("modbus-coil", {"host": "127.0.0.1", "coil": 3}, {"host": "LOCALHOST.", "port": 502, "unit": 1, "coil": 3}),
    ("modbus-coil", {"host": "2001:db8::1", "coil": 0}, {"host": "2001:0DB8:0:0::0001", "coil": 0}),
    ("scpi-supply", {"host": "Bench-Supply.lan"}, {"host": "bench-supply.lan.", "port": 5025}),
    ("scpi-supply", {"resource": "USB0::0x1234::0x5678::sn1::INSTR"}, {"resource": "usb0::0X1234::0x5678::SN1::INSTR"}),
    ("by-hand", {"switch": "main switch  Q1"}, {"switch": "Main Switch Q1 "}),
]


@pytest.mark.parametrize(("driver", "spellings"), [(row[0], row[1:]) for row in SPELLINGS])
def test_one_supply_has_one_address_however_it_is_spelled(driver: str, spellings: tuple[dict[str, Any], ...]) -> None:
    """Two files that mean one relay mean one lock, one wear and one set of limits."""
    assert len({address_of(cards()[driver], settings) for settings in spellings}) == 1


@pytest.mark.parametrize(
    ("driver", "one", "other"),
    [
        ("gpio-pin", {"pin": 17}, {"pin": 18}),
        ("gpio-pin", {"pin": 11}, {"pin": "BOARD11"}),
        ("serial-board", {"port": "/dev/ttyUSB0", "on_bytes": "A0"}, {"port": "/dev/ttyusb0", "on_bytes": "A0"}),
        ("serial-board", {"port": "COM3", "on_bytes": "A0 01"}, {"port": "COM3", "on_bytes": "A0 02"}),
        ("modbus-coil", {"host": "192.0.2.30", "coil": 0}, {"host": "192.0.2.30", "coil": 1}),
        ("scpi-supply", {"host": "192.0.2.40", "channel": 1}, {"host": "192.0.2.40", "channel": 2}),
    ],
)
def test_two_supplies_have_two_addresses(driver: str, one: dict[str, Any], other: dict[str, Any]) -> None:
    """The counterpart: what is not one piece of hardware does not block each other."""
    assert address_of(cards()[driver], one) != address_of(cards()[driver], other)


def test_a_pin_of_the_header_is_the_gpio_that_the_pins_library_says() -> None:
    """All 40 pins, held against gpiozero's own table of a board with that header."""
    from gpiozero import PiBoardInfo

    card, board = cards()["gpio-pin"], PiBoardInfo.from_revision(0xA02082)
    header = board.headers["J8"]
    wired = {number: pin for number, pin in header.pins.items() if pin.name.startswith("GPIO")}
    assert len(wired) == 28
    for number, pin in wired.items():
        assert address_of(card, {"pin": f"BOARD{number}"}) == address_of(card, {"pin": pin.name})


def test_two_names_of_one_serial_port_are_one_lock(tmp_path: Path) -> None:
    """A link to a device is the device."""
    port = tmp_path / "ttyUSB0"
    port.touch()
    (tmp_path / "by-id").symlink_to(port)
    by_port, by_link = (
        RigSupply("serial-board", {}, address=f"serial-board port={path} on_bytes=A0")
        for path in (port, tmp_path / "by-id")
    )
    with SupplyLock(by_port), pytest.raises(Refused, match="held by another bench"), SupplyLock(by_link):
        pass


def test_another_users_lock_is_a_plain_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    """No permission for the lock: whether the supply is held can't be told, so nothing is moved, and what to do is."""

    def forbidden(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("filelock.FileLock.acquire", forbidden)
    with pytest.raises(Refused, match=r"can't be taken \(Permission denied\)\. Nothing was moved\..*that user"):
        SupplyLock(RigSupply("by-hand", {}, address="by-hand switch=Q1 of another user")).__enter__()


def test_a_lock_can_be_taken_by_every_user_once_it_is_free(tmp_path: Path) -> None:
    """Its file may be opened by all, whatever the umask of the user who made it."""
    supply = RigSupply("by-hand", {}, address=f"by-hand switch={tmp_path}")
    before = set(lock_folder().glob("restart-bench-*.lock"))
    mask = os.umask(0o077)
    try:
        with SupplyLock(supply):
            made = set(lock_folder().glob("restart-bench-*.lock")) - before
            assert made and all(file.stat().st_mode & 0o666 == 0o666 for file in made)
    finally:
        os.umask(mask)


# ---------------------------------------------------------------- which boot


THEN = Anchor(1000 * NS_PER_S, "2026-07-27T14:00:00+00:00", "boot-a", 0)


@pytest.mark.parametrize(
    ("now", "shift_s", "by_wall"),
    [
        (Anchor(1060 * NS_PER_S, "2026-07-27T14:01:00+00:00", "boot-a", 0), 0, False),
        (Anchor(1060 * NS_PER_S, "2026-07-27T15:31:00+00:00", "boot-a", 0), 0, False),  # the wall clock was set
        (Anchor(1060 * NS_PER_S, "2026-07-27T14:31:00+00:00", "boot-a", 1800 * NS_PER_S), -1800, False),  # it slept
        (Anchor(20 * NS_PER_S, "2026-07-27T14:01:00+00:00", "boot-b", 0), -1040, True),
        (Anchor(1061 * NS_PER_S, "2026-07-27T14:01:00+00:00", "boot-b", 0), 1, True),  # a clock that happens to agree
        (Anchor(1061 * NS_PER_S, "2026-07-27T14:01:00+00:00"), 0, False),  # no name for boots: the wall clock tells
        (Anchor(20 * NS_PER_S, "2026-07-27T14:01:00+00:00"), -1040, True),
    ],
)
def test_a_wall_clock_that_was_set_is_no_restart_of_the_computer(now: Anchor, shift_s: int, by_wall: bool) -> None:
    """The system's own name for its boot decides where it has one; what the computer slept is added."""
    assert _shift(THEN, now) == (shift_s * NS_PER_S, by_wall)
