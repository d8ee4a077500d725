"""A supply that a person switches: an armed run at a plain console, the answers typed by a script that does at the
simulated relay what it says it did. The bounds of the cut contain what really happened.
"""

from __future__ import annotations

import io
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from command_line import MAIN
from raw_modbus import RawClient
from restart_bench.model.verdicts import EXIT_ERROR, EXIT_STOPPED
from restart_bench.report.console import print_outcome
from restart_bench.run.session import perform
from restart_bench.screen.console import console_for
from safety_rig import NAME, ArmedRig, Seen, archive_is_whole, armed_rig, nothing_pressed, told_of

BY_HAND = """\
supply:
  driver: by-hand
  switch: main switch Q1
  at_end: on
  limits: {off_at_least: 300 ms, on_at_least: 200 ms}
"""


def by_hand(rig: ArmedRig) -> None:
    """The same rig, its supply switched by a person."""
    file = rig.folder / "rig.yaml"
    text = file.read_text(encoding="utf-8")
    changed = re.sub(r"supply:\n(?:  .*\n)+", BY_HAND, text, count=1)
    assert changed != text
    file.write_text(changed, encoding="utf-8")


OWN_CONSOLE = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
"""The console becomes the process's own, so that Ctrl-C typed there reaches it."""


class Person:
    """Types at a pseudo-terminal what a person would: switches first, waits a little, then answers yes."""

    def __init__(self, rig: ArmedRig, arguments: list[str]) -> None:
        import pty

        self._rig = rig
        self._near, far = pty.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-c", OWN_CONSOLE + MAIN, *arguments], stdin=far, stdout=far, stderr=far,
            env={**os.environ, "TERM": "dumb"}, start_new_session=True,
        )  # fmt: skip
        os.close(far)
        self.text = ""
        self.asked: list[str] = []

    def works(self, within_s: float = 90, *, leaves_at: str = "") -> int:
        """Answers every question to the end of the command; gives its exit code. `leaves_at`: the first question for
        this position of the switch is not answered, Ctrl-C is pressed instead."""
        seen, end = 0, time.monotonic() + within_s
        while time.monotonic() < end and self._read():
            question = re.search(r"Switch (ON|OFF) now: .*?\?[^\n]*", self.text[seen:], re.DOTALL)
            if question is None:
                continue
            seen += question.end()
            self.asked.append(question[1])
            if question[1] == leaves_at:
                leaves_at = ""
                os.write(self._near, b"\x03")
                continue
            self._switch(question[1] == "ON")
            time.sleep(0.1)
            os.write(self._near, b"y\n")
        try:
            self._process.wait(30)
        except subprocess.TimeoutExpired:
            self._process.kill()
            pytest.fail(f"it goes on after {within_s:g} s, and has said:\n{self.text}")
        os.close(self._near)
        return self._process.returncode

    def _read(self) -> bool:
        if select.select([self._near], [], [], 0.1)[0]:
            try:
                self.text += os.read(self._near, 4096).decode(errors="replace")
            except OSError:  # Linux: the other end is closed
                return False
        return self._process.poll() is None or bool(select.select([self._near], [], [], 0)[0])

    def _switch(self, on: bool) -> None:
        time.sleep(0.1)
        with RawClient(self._rig.simulation.ports["supply"]) as relay:
            relay.ask("05 00 00 FF 00" if on else "05 00 00 00 00")


def test_the_bounds_of_a_cut_by_hand_contain_the_truth(tmp_path: Path) -> None:
    """At a plain console the bench asks for every movement of the switch; the cut lies between question and answer,
    and so does the return; nothing of it is claimed narrower than the person allows."""
    with armed_rig(tmp_path) as rig:
        by_hand(rig)
        person = Person(rig, ["run", str(rig.folder), "--arm", NAME, "--logs", str(rig.logs)])
        code = person.works()
        (folder,) = rig.runs()
        assert told_of(folder)["ended"]["how"] == "completed", person.text
        assert code == 0, person.text
        assert person.asked.count("OFF") == 1
        assert len(rig.off_times()) == 1
        archive_is_whole(rig, folder, whole_cycles=1)  # its bounds contain the truth
        nothing_pressed(rig)


def test_ctrl_c_at_the_question_for_the_cut_ends_the_run_and_asks_for_the_supply(tmp_path: Path) -> None:
    """Nobody knows whether the person had switched already: buttons are let go, the person is asked to switch on,
    and the run ends with 130 and an archive."""
    with armed_rig(tmp_path) as rig:
        by_hand(rig)
        person = Person(rig, ["run", str(rig.folder), "--arm", NAME, "--logs", str(rig.logs)])
        code = person.works(leaves_at="OFF")
        assert code == EXIT_STOPPED, person.text
        assert person.asked[-2:] == ["OFF", "ON"], person.text
        nothing_pressed(rig)
        archive_is_whole(rig, rig.runs()[0])


def test_a_person_who_never_says_yes_ends_the_run_which_park_takes_up(tmp_path: Path) -> None:
    """Few questions, a last word without a relay, and a run that is not sealed until `park` has its yes."""
    with armed_rig(tmp_path) as rig:
        by_hand(rig)
        asked: list[str] = []
        show = Seen()
        outcome = perform(rig.suite(), rig.options(), show, lambda question: bool(asked.append(question)))
        assert outcome.exit_code == EXIT_ERROR and "asked three times, it was not ON" in outcome.runs[0].reason
        assert len(asked) == 4
        assert (
            f"THE SUPPLY MAY NOT BE ON: go to main switch Q1 and switch it ON; then `restart-bench park {rig.folder}"
            in show.said
        )
        assert "relay" not in show.said
        (folder,) = rig.runs()
        assert told_of(folder)["state"] == "left open" and told_of(folder)["supply_left"] != "on"
        said = io.StringIO()
        print_outcome(outcome, console_for(said))
        assert "--arm lamp-trainer` closes it and writes its record" in said.getvalue()
        parked = rig.park(ask=lambda _question: rig_is_on(rig))
        assert parked.well and parked.closed == (folder,)
        archive_is_whole(rig, folder)


def rig_is_on(rig: ArmedRig) -> bool:
    """A person who does what is asked."""
    with RawClient(rig.simulation.ports["supply"]) as relay:
        relay.ask("05 00 00 FF 00")
    return True
