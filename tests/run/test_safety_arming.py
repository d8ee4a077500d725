"""Nothing real is switched or written without arming, whatever the face. What an armed run does stands in
`test_safety_armed_run.py`."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from command_line import MAIN
from drawn import seldom
from pytest_suites import PLAIN, pytest_apart
from restart_bench.cli.main import app
from restart_bench.model.verdicts import EXIT_BAD_INPUT, EXIT_PASS
from safety_rig import NAME, ArmedRig, Seen, armed_rig, told_of

TODAY = datetime.now().astimezone()
ISOLATED = "isolation: {{by: M. Miller, how: locked at Q1, until: '{until:%Y-%m-%d}'}}\n"
HELD = ISOLATED.format(until=TODAY + timedelta(days=1))
PAST = ISOLATED.format(until=TODAY - timedelta(days=2))


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[ArmedRig]:
    """A rig that stands there, powered and idle."""
    with armed_rig(tmp_path) as one:
        yield one


def untouched(rig: ArmedRig) -> bool:
    """Nobody has asked to write anything, and the supply has not moved."""
    return rig.written() == set() and len(rig.truth("supply")) == 1


def pytest_on(rig: ArmedRig, *arguments: str) -> subprocess.CompletedProcess[str]:
    """pytest on the suite's folder, in a process of its own."""
    (rig.folder / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    return pytest_apart(
        rig.folder, *PLAIN, "-p", "no:cacheprovider", str(rig.folder), "--restart-logs", str(rig.logs), *arguments
    )


# ---------------------------------------------------------------- not armed, or by another name


@pytest.mark.parametrize("arm", [[], ["--arm", "another-rig"], ["--arm", ""]])
@pytest.mark.parametrize("command", ["run", "park"])
def test_a_real_rig_is_not_touched_by_commands_that_are_not_armed_for_it(
    command: str, arm: list[str], rig: ArmedRig
) -> None:
    """`run` and `park` end with 2, say that nothing was moved, and leave no run in the archive."""
    code, said = rig.said_by(command, rig.folder, "--logs", rig.logs, *arm)
    assert code == EXIT_BAD_INPUT and "nothing was moved" in said
    assert untouched(rig) and rig.runs() == []


@pytest.mark.parametrize("arguments", [[], ["--restart-arm", "another-rig"]])
def test_pytest_without_the_right_name_touches_nothing(arguments: list[str], rig: ArmedRig) -> None:
    """Without an option nothing is collected; with another rig's name every item is an error."""
    told = pytest_on(rig, *arguments)
    assert told.returncode != 0
    assert untouched(rig) and rig.runs() == []


def test_pytest_armed_by_name_switches_the_rig(rig: ArmedRig) -> None:
    """With `--restart-arm` and the rig's own name it is a run like any other."""
    told = pytest_on(rig, "--restart-arm", NAME)
    assert told.returncode == 0, told.stdout
    assert len(rig.off_times()) == 1 and rig.pressed() == {}


# ---------------------------------------------------------------- machines


MACHINES = {
    "without isolation": {"after_trouble": "off", "more": ""},
    "with isolation that is past": {"after_trouble": "off", "more": PAST},
    "that would come back by itself after trouble": {"after_trouble": "on", "more": HELD},
}


@pytest.mark.parametrize("command", ["run", "park"])
@pytest.mark.parametrize("machine", MACHINES)
def test_a_machine_is_refused(machine: str, command: str, rig: ArmedRig) -> None:
    """`loads: machine` needs isolation that still holds, and may not come back by itself: exit 2, nothing moves."""
    rig.change(loads="machine", **MACHINES[machine])
    code, said = rig.said_by(command, rig.folder, "--logs", rig.logs, "--arm", NAME)
    assert code == EXIT_BAD_INPUT and ("isolation" in said or "after_trouble" in said), said
    assert untouched(rig) and rig.runs() == []


def test_a_machine_with_isolation_that_holds_is_switched_once_armed(tmp_path: Path) -> None:
    """The refusals above are not refusals of everything."""
    with armed_rig(tmp_path, loads="machine", after_trouble="off", more=HELD) as rig:
        assert rig.perform().exit_code == EXIT_PASS
        assert len(rig.off_times()) == 1


# ---------------------------------------------------------------- simulated


def test_a_simulated_run_needs_no_arming_and_does_not_touch_the_real_rig(rig: ArmedRig) -> None:
    """`--simulated` plays on ports of its own, though the file names the real ones."""
    assert rig.perform(Seen(), simulated=True, arm=None).exit_code == EXIT_PASS
    assert untouched(rig)


# ---------------------------------------------------------------- the typed name


@pytest.mark.parametrize(
    ("typed", "code"), seldom((NAME, 0), ("another-rig", EXIT_BAD_INPUT), ("", EXIT_BAD_INPUT), plain=2)
)
def test_at_a_console_the_rig_is_armed_by_typing_its_name(typed: str, code: int, rig: ArmedRig) -> None:
    """Asked for the name: the right one arms, another one or nothing moves nothing."""
    told = at_console(["park", str(rig.folder), "--logs", str(rig.logs)], f"{typed}\n", "to arm it")
    assert told.code == code, told.text
    assert (rig.written() != set()) == (code == 0)


class AtConsole:
    """What came of a command at a console."""

    def __init__(self, code: int, text: str) -> None:
        self.code, self.text = code, text


def at_console(arguments: list[str], typed: str, after: str) -> AtConsole:
    """A command at a pseudo-terminal; something is typed once a text has appeared."""
    import pty

    near, far = pty.openpty()
    with subprocess.Popen([sys.executable, "-c", MAIN, *arguments], stdin=far, stdout=far, stderr=far) as process:
        os.close(far)
        text, end = "", time.monotonic() + 60
        while time.monotonic() < end:
            if select.select([near], [], [], 0.1)[0]:
                try:
                    text += os.read(near, 4096).decode(errors="replace")
                except OSError:  # Linux: the other end is closed
                    break
            if typed and after in text:
                os.write(near, typed.encode())
                typed = ""
            if process.poll() is not None and not select.select([near], [], [], 0)[0]:
                break
        process.wait(60)
    os.close(near)
    return AtConsole(process.returncode, text)


# ---------------------------------------------------------------- what devices say


def test_a_rig_that_is_dark_when_its_run_begins_is_asked_again_what_it_is(
    rig: ArmedRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody hears it at the beginning; once it is read it is asked, before the first cut, and the archive knows."""
    monkeypatch.setattr("restart_bench.run.session.greetings", lambda _devices: {})
    done = CliRunner().invoke(app, ["run", str(rig.folder), "--arm", NAME, "--logs", str(rig.logs)])
    assert done.exit_code == EXIT_PASS, done.output
    lines = done.output.splitlines()
    told_at = next(number for number, line in enumerate(lines) if line.startswith("SIMULATED RIG: controller answers"))
    assert told_at < next(number for number, line in enumerate(lines) if line.strip().startswith("supply off"))
    (folder,) = rig.runs()
    told = told_of(folder)
    assert set(told["simulated_devices"]) >= {"controller", "independent"} and told["unheard_devices"] == []
    assert "<b>Simulated rig.</b>" in (folder / "report.html").read_text(encoding="utf-8")
