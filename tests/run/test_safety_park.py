"""One bench per supply; rehearsals; `park`; a relay that can't be reached when the supply is due back."""

from __future__ import annotations

import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from builders import dryer_rig
from drawn import seldom
from raw_modbus import wait_until
from restart_bench.model.live import Reading
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Value
from restart_bench.model.verdicts import EXIT_BAD_INPUT, EXIT_ERROR, EXIT_PASS, EXIT_STOPPED
from restart_bench.observer.handle import Blind
from restart_bench.run.park import park, pressed_points
from safety_moments import IN_A_PRESS, Moment
from safety_rig import (
    NAME,
    SCENARIO,
    Seen,
    archive_is_whole,
    armed_rig,
    never_on_too_early,
    nothing_pressed,
    told_of,
)

LONG_OFF = SCENARIO.replace("off_for: 350 ms", "off_for: 60 s")


# ---------------------------------------------------------------- the lock


def test_a_second_bench_on_the_supply_moves_nothing_and_neither_does_park(tmp_path: Path) -> None:
    """While a run holds the supply, `run` and `park` in other processes end with 2 and name it; the run itself is not
    disturbed and, asked to stop, leaves the rig safe."""
    with armed_rig(tmp_path, scenario=LONG_OFF) as rig:
        arming = ["--arm", NAME, "--logs", rig.logs]
        with rig.command("run", rig.folder, "--by", "J. Doe", *arming) as first:
            wait_until(lambda: not rig.supply_is_on, "the first bench has cut the supply", within_s=60)
            written = len(rig.truth("write"))
            for command in ("run", "park"):
                code, said = rig.said_by(command, rig.folder, *arming)
                assert code == EXIT_BAD_INPUT, said
                said = " ".join(said.split())
                holder = f"(run {told_of(rig.runs()[0])['run']} on {NAME}, by J. Doe)"
                assert f"held by another bench on this computer {holder}: nothing was moved" in said, said
            assert len(rig.truth("write")) == written and not rig.supply_is_on
            assert len(rig.runs()) == 1
            first.terminate()
            first.communicate(timeout=60)
        assert first.returncode == EXIT_STOPPED or sys.platform == "win32"
        nothing_pressed(rig)
        assert rig.supply_is_on
        archive_is_whole(rig, rig.runs()[0])


def test_the_lock_is_the_supplys_whatever_the_rig_is_called(tmp_path: Path) -> None:
    """Another rig file with another name and the same relay is refused too, within one process as well."""
    with armed_rig(tmp_path) as rig:
        refused: list[str] = []

        def second(_moment: Moment) -> None:
            other = tmp_path / "other"
            other.mkdir()
            for file in rig.folder.glob("*.yaml"):
                text = file.read_text(encoding="utf-8").replace(f"rig: {NAME}", "rig: other-name")
                (other / file.name).write_text(text, encoding="utf-8")
            code, said = rig.said_by("park", other, "--arm", "other-name", "--logs", tmp_path / "other-logs")
            refused.append(f"{code} {said}")

        with pytest.MonkeyPatch.context() as patch:
            Moment("watch", second).install(patch.setattr)
            assert rig.perform().exit_code == EXIT_PASS
        assert len(refused) == 1 and refused[0].startswith("2 ") and f"on {NAME}" in refused[0], refused


# ---------------------------------------------------------------- rehearsals


def test_a_rehearsal_cuts_nothing(tmp_path: Path) -> None:
    """`--rehearse` presses what the scenario presses; the contact never moves."""
    with armed_rig(tmp_path, repeat=3) as rig:
        outcome = rig.perform(rehearse=True)
        assert outcome.exit_code == EXIT_PASS, outcome.runs[0].scenarios
        assert len(rig.truth("supply")) == 1 and rig.supply_is_on
        assert {"start", "jog", "stop"} <= rig.written()
        nothing_pressed(rig)
        archive_is_whole(rig, rig.runs()[0])
        assert told_of(rig.runs()[0])["rehearsal"] is True


# ---------------------------------------------------------------- park


@pytest.mark.parametrize("at_end", seldom("on", "off"))
def test_park_lets_go_restores_and_closes_what_a_killed_run_left(at_end: str, tmp_path: Path) -> None:
    """A run killed with a held button and the supply off: `park` says what it will do, does it, closes the run."""
    with armed_rig(tmp_path, at_end=at_end) as rig:
        rig.run_killed_at("off")
        assert rig.pressed() == {"jog": True} and not rig.supply_is_on
        code, said = rig.said_by("park", rig.folder, "--arm", NAME, "--logs", rig.logs)
        assert code == EXIT_PASS, said
        assert "was killed" in said and "jog" in said and f"supply: {at_end}" in said
        nothing_pressed(rig)
        assert rig.supply_is_on == (at_end == "on")
        never_on_too_early(rig)
        archive_is_whole(rig, rig.runs()[0])
        assert told_of(rig.runs()[0])["ended"]["how"] == "killed"


@pytest.mark.parametrize("start", seldom("the next armed run", "park"))
def test_a_press_that_the_bench_had_no_time_to_note_is_let_go_by_the_next_armed_start(
    start: str, tmp_path: Path
) -> None:
    """Killed between the device's obedience and the note of it: the button is let go before anything else is done."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at(IN_A_PRESS)
        assert rig.pressed() == {"start": True}
        if start == "park":
            assert rig.park().well
        else:
            show = Seen()
            assert rig.perform(show).exit_code == EXIT_PASS, show.said
        nothing_pressed(rig)
        writes = [line["value"] for line in rig.truth("write") if line["name"] == "start"]
        assert writes[:2] == [[1], [0]]
        archive_is_whole(rig, rig.runs()[0])


def test_what_a_killed_run_left_is_touched_by_nothing_that_is_not_armed(tmp_path: Path) -> None:
    """Commands that read, and simulated runs, leave the button pressed, the supply off and the run open."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        before = len(rig.truth("write"))
        show = Seen()
        assert rig.perform(show, simulated=True, arm=None).exit_code == EXIT_PASS
        assert "left as it is" in show.said
        code, said = rig.said_by("logs", "list", "--logs", rig.logs)
        assert code == EXIT_PASS and "not closed" in said
        with pytest.raises(Refused):
            rig.perform(arm=None)
        with pytest.raises(Refused, match=r"THE SUPPLY OFF, and may have left jog out of idle\. `restart-bench park"):
            park(rig.suite().rig, logs=rig.logs, arm=None, ask=None, say=print)
        assert len(rig.truth("write")) == before
        assert rig.pressed() == {"jog": True} and not rig.supply_is_on
        assert not (rig.runs()[0] / "SHA256SUMS").exists()


def test_park_of_a_rig_at_rest_changes_nothing(tmp_path: Path) -> None:
    """Parked twice, the second time there is nothing to do: no point moves, the contact neither. Of a simulated rig
    it is said that it is one."""
    with armed_rig(tmp_path) as rig:
        said: list[str] = []
        assert rig.park(said).well and rig.park().well
        assert any("SIMULATED RIG: controller, independent" in text for text in said)
        assert len(rig.truth("supply")) == 1 and rig.pressed() == {}
        assert rig.written() <= {"supply"}


# ---------------------------------------------------------------- the relay is away when it is needed


def test_a_relay_that_comes_back_in_time_is_told_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Unreachable at the restore for a second: said loudly, tried again, and the supply is back in the end."""
    with armed_rig(tmp_path) as rig:

        def away(_moment: Moment) -> None:
            rig.door.mode = "gone"
            threading.Timer(1.0, lambda: setattr(rig.door, "mode", "open")).start()

        Moment("restore", away, early=True).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "THE SUPPLY DID NOT GO ON (try 1 of" in show.said
        assert "THE SUPPLY MAY NOT BE ON" not in show.said
        assert rig.supply_is_on
        nothing_pressed(rig)
        assert told_of(rig.runs()[0])["supply_left"] == "on"


@pytest.mark.parametrize("mode", seldom("deaf", "gone", "silent", "refusing", plain=2))
def test_a_relay_that_stays_away_is_said_loudly_with_the_manual_step(
    mode: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What went wrong is told once for all tries, then what a person has to do at the rig; the record does not
    claim that the supply is on, and a later `park` brings it back."""
    monkeypatch.setattr("restart_bench.run.actuators._RESTORE_PAUSE_S", 0.02)
    with armed_rig(tmp_path) as rig:
        Moment("restore", lambda _: setattr(rig.door, "mode", mode), early=True).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "THE SUPPLY DID NOT GO ON (try 1 of 5)" in show.said and "(tried 5 times)" in show.said
        assert show.said.count("THE SUPPLY DID NOT GO ON (try") < 5
        assert show.said.count("(tried 5 times)") == 1, "one attempt after the other tells nothing new"
        assert (
            "THE SUPPLY MAY NOT BE ON: go to the rig: look at the supply's switch and bring it on by hand" in show.said
        )
        assert "restart-bench park" in show.said
        nothing_pressed(rig)
        assert not rig.supply_is_on
        assert told_of(rig.runs()[0])["supply_left"] == "off: rail reads off, although it was to go on"
        monkeypatch.undo()
        rig.door.mode = "open"
        told: list[str] = []
        assert rig.park(told).well and rig.supply_is_on
        assert any("ended by itself and was left open (the supply was left off: rail reads off" in one for one in told)
        assert not any("was killed" in one for one in told)
        archive_is_whole(rig, rig.runs()[0])


def test_park_without_its_relay_ends_with_an_error_that_says_what_to_do(tmp_path: Path) -> None:
    """`park` can't promise what the relay does not do: exit 4, points let go nevertheless."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        rig.door.mode = "refusing"
        code, said = rig.said_by("park", rig.folder, "--arm", NAME, "--logs", rig.logs)
        assert code == EXIT_ERROR
        assert "THE SUPPLY MAY NOT BE ON" in said and "by hand" in said
        nothing_pressed(rig)
        assert not rig.supply_is_on
        rig.door.mode = "open"
        assert rig.park().well and rig.supply_is_on


@pytest.mark.parametrize("mode", seldom("gone", "silent"))
def test_park_lets_go_of_buttons_even_where_the_relay_can_not_be_reached(mode: str, tmp_path: Path) -> None:
    """Opening the relay fails: pressed points go back to idle all the same, and the exit code is 4."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("off")
        rig.door.mode = mode  # type: ignore[assignment]
        code, said = rig.said_by("park", rig.folder, "--arm", NAME, "--logs", rig.logs)
        assert code == EXIT_ERROR, said
        nothing_pressed(rig)
        assert "by hand" in said
        rig.door.mode = "open"
        assert rig.park().well and rig.supply_is_on


def test_a_run_whose_relay_is_away_from_the_start_presses_nothing(tmp_path: Path) -> None:
    """Nothing is pressed where the supply can't be switched; the archive holds the attempt, and exit is 4."""
    with armed_rig(tmp_path) as rig:
        rig.door.mode = "gone"
        code, said = rig.said_by("run", rig.folder, "--arm", NAME, "--logs", rig.logs)
        assert code == EXIT_ERROR and "supply relay" in said
        assert rig.written() == set() and rig.supply_is_on
        archive_is_whole(rig, rig.runs()[0])


class _Reads(Blind):
    """An observer that reads what it is told to."""

    def __init__(self, values: dict[str, Value]) -> None:
        super().__init__("")
        self.values = values

    def latest(self, point: str) -> Reading | None:
        """Read just now, or never."""
        return Reading(self.values[point], 1, 1) if point in self.values else None


def test_park_takes_no_setting_for_a_pressed_button() -> None:
    """A setpoint with an idle value that reads otherwise was set by somebody, and no run has it to put back."""
    rig = dryer_rig()
    set_point = replace(rig.points["moisture_setpoint"], idle=14.5)
    rig = replace(rig, points={**rig.points, "moisture_setpoint": set_point})
    idle = {name: point.idle for name, point in rig.points.items() if point.writable and point.idle is not None}
    reads = {**idle, "start_button": True, "moisture_setpoint": 12.0}
    assert pressed_points(rig, _Reads(reads)) == {"start_button": False}  # type: ignore[arg-type]
