"""A simulated rig that somebody works: buttons, supply, mode switch, faults by command, fixed ports, and the panel."""

from __future__ import annotations

import os
import re
import select
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from builders import dryer_program, dryer_rig
from raw_modbus import wait_until
from restart_bench.cli.new import Answers, files_for
from restart_bench.cli.simulate import serve_rig
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Mode, Rig, RigSupply, Wanted
from restart_bench.simulated.handle import PortsTaken, RigSeen, Simulation

OUTPUTS = ("auger", "burner", "fan")


def by_hand() -> Rig:
    """The dryer as people work it: its supply and its mode are switched by hand."""
    mode = Mode("by-hand", proof=(("running", Wanted(equals=False)),))
    return replace(dryer_rig(), supply=RigSupply("by-hand"), mode=mode)


@pytest.fixture(scope="module")
def worked() -> Iterator[Simulation]:
    """One rig for all of these tests, each of which leaves it as it was."""
    with Simulation(by_hand(), dryer_program(), truth=None) as simulation:
        until(simulation, lambda seen: seen.stage == "running" and bool(seen.values["running"]))
        yield simulation


def until(simulation: Simulation, so: Callable[[RigSeen], bool]) -> RigSeen:
    """Waits until something is so at the rig; gives what was seen."""
    last: list[RigSeen] = []

    def look() -> bool:
        last.append(simulation.look())
        return so(last[-1])

    wait_until(look, "the rig was worked", within_s=10)
    return last[-1]


def lit(seen: RigSeen) -> list[bool]:
    return [bool(seen.values[name]) for name in OUTPUTS]


def test_a_press_lets_go_by_itself_and_the_program_has_seen_it(worked: Simulation) -> None:
    """The button is out of rest for so long, the outputs come on, and the button is back at rest."""
    worked.send({"command": "press", "name": "start_button", "for_ns": 200_000_000})
    assert worked.look().values["start_button"] is True
    until(worked, lambda seen: all(lit(seen)) and seen.values["start_button"] is False)


def test_a_button_that_is_held_stays_out_of_rest(worked: Simulation) -> None:
    """The stop button rests on; held it is off until somebody lets go."""
    worked.send({"command": "work", "name": "stop_button", "value": False})
    until(worked, lambda seen: not any(lit(seen)))
    assert worked.look().values["stop_button"] is False
    worked.send({"command": "work", "name": "stop_button", "value": True})
    assert worked.look().values["stop_button"] is True


def test_the_supply_goes_and_returns_by_hand(worked: Simulation) -> None:
    """Off: the controller is dark and the cut is counted. On: it boots and its program runs."""
    before = worked.look().cut
    worked.send({"command": "supply", "on": False})
    seen = until(worked, lambda seen: seen.stage == "dark")
    assert (seen.supply, seen.rail, seen.cut) == (False, 0.0, before + 1)
    worked.send({"command": "supply", "on": True})
    seen = until(worked, lambda seen: seen.stage == "running" and bool(seen.values["running"]))
    assert (seen.supply, seen.rail) == (True, 1.0)


def test_the_mode_switch_takes_the_program_out_of_run_and_back(worked: Simulation) -> None:
    """A rig whose mode people change has a switch at the simulated rig, whatever driver its file names."""
    worked.send({"command": "mode", "run": False})
    assert until(worked, lambda seen: seen.stage == "out of run").run is False
    worked.send({"command": "mode", "run": True})
    assert until(worked, lambda seen: seen.stage == "running" and bool(seen.values["running"])).run is True


def test_an_ordered_fault_can_be_taken_back(worked: Simulation) -> None:
    """What was ordered by hand is told, and forgotten on demand."""
    worked.send({"command": "fault", "name": "pulse", "settings": {"point": "burner", "from_cut": 99}})
    assert [fault.name for fault in worked.look().faults] == ["pulse"]
    worked.send({"command": "forget"})
    assert worked.look().faults == ()


def test_a_fault_without_effect_says_why(worked: Simulation) -> None:
    """A lamp that came back by itself can't come on late; the rig that played the cut is the one to know."""
    worked.send({"command": "press", "name": "start_button", "for_ns": 200_000_000})
    until(worked, lambda seen: all(lit(seen)))
    cut = worked.look().cut + 1
    settings = {"point": "fan", "from_cut": cut, "to_cut": cut, "after": 400_000_000}
    worked.send({"command": "fault", "name": "late-start", "settings": settings})
    worked.send({"command": "supply", "on": False})
    until(worked, lambda seen: seen.stage == "dark")
    worked.send({"command": "supply", "on": True})
    seen = until(worked, lambda seen: bool(seen.idle_faults))
    assert seen.idle_faults == {f"late-start fan {cut}": "fan was on already"}
    worked.send({"command": "forget"})
    assert worked.look().idle_faults == {}


def test_a_button_that_is_held_while_it_springs_back_stays_held(worked: Simulation) -> None:
    """The brief press ends in the hold; letting go ends that."""
    worked.send({"command": "press", "name": "start_button", "for_ns": 100_000_000})
    assert worked.look().springing == ("start_button",)
    worked.send({"command": "work", "name": "start_button", "value": True})
    time.sleep(0.15)
    assert worked.look().values["start_button"] is True
    worked.send({"command": "work", "name": "start_button", "value": False})
    assert worked.look().values["start_button"] is False


def test_what_can_be_worked_is_told_without_the_mode_switch(worked: Simulation) -> None:
    """Buttons stand on the panel; supply and mode have keys of their own."""
    assert {"start_button", "stop_button"} <= set(worked.controls)
    assert "mode_switch" not in worked.controls


def test_nothing_is_pressed_that_there_is_not(worked: Simulation) -> None:
    """A name that is neither a command nor an input is refused, and the rig goes on."""
    with pytest.raises(ValueError, match="gong"):
        worked.send({"command": "press", "name": "gong", "for_ns": 1})
    assert worked.look().stage == "running"


# ---------------------------------------------------------------- ports


def test_a_port_that_is_taken_is_named_with_whose_it_was_to_be(worked: Simulation) -> None:
    """Nobody has to guess which of several ports is the one in the way; nothing is served then, which ends with 2."""
    first = worked.ports["controller"]
    told = f"--port {first}: port {first}, for controller, can't be opened"
    with pytest.raises(Refused, match=told):
        serve_rig(by_hand(), dryer_program(), Console(), seed=0, first_port=first, panel=False)


def test_there_is_no_port_behind_the_last() -> None:
    """The other devices get the ports behind the first, so not every port can be the first."""
    with pytest.raises(PortsTaken, match="65535 is the last"):
        Simulation(by_hand(), dryer_program(), truth=None, first_port=65535)


# ---------------------------------------------------------------- the panel in a terminal

MAIN = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); from restart_bench.cli.main import main; main()"


class Terminal:
    """A pseudo-terminal with the panel in it."""

    def __init__(self, arguments: list[str]) -> None:
        import fcntl
        import pty
        import struct
        import termios

        self.near, self.far = pty.openpty()
        fcntl.ioctl(self.far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.far)
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, *arguments], stdin=self.far, stdout=self.far, stderr=self.far,
            env={**os.environ, "TERM": "xterm"}, start_new_session=True,
        )  # fmt: skip
        self.text = ""

    def until(self, pattern: str, within_s: float = 30) -> re.Match[str]:
        """Reads until this has been drawn behind what was found before."""
        end = time.monotonic() + within_s
        while (found := re.search(pattern, self.text)) is None:
            assert time.monotonic() < end, self.text[-3000:]
            if select.select([self.near], [], [], 0.1)[0]:
                self.text += os.read(self.near, 65536).decode(errors="replace")
        self.text = self.text[found.end() :]
        return found

    def type(self, keys: str) -> None:
        os.write(self.near, keys.encode())


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal of POSIX")
def test_a_pupil_works_a_rig_at_fixed_ports_by_keys(tmp_path: Path) -> None:
    """Served where it was asked for, it says which device got which port; keys press and cut; q leaves the terminal as
    it was and ends with 0."""
    import termios

    for name, text in files_for(Answers("desk"), by_hand=True).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        first = trial.getsockname()[1]
    if first > 65_000:
        first -= 5
    terminal = Terminal(["simulate", str(tmp_path), "--port", str(first), "--panel"])
    try:
        terminal.until(rf"at 127\.0\.0\.1: controller {first}\b")
        terminal.until("RUNNING")
        terminal.type("1")
        terminal.until("start_button pressed")
        terminal.until("\N{BLACK CIRCLE} on  motor")
        terminal.type("s")
        terminal.until("SUPPLY OFF")
        terminal.type("q")
        assert terminal.process.wait(30) == 0
        assert termios.tcgetattr(terminal.far)[3] == terminal.before[3]
    finally:
        terminal.process.kill()
        terminal.process.wait()
        os.close(terminal.near)
        os.close(terminal.far)
