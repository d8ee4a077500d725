"""Ways out that something stands in: a dead or hanging observer, a driver that raises, a reader that does not read, a
person who is being asked, a relay whose contact does not follow. The supply goes to rest, and what is said is true.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from command_line import MAIN
from drawn import seldom
from raw_modbus import RawClient, wait_until
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import judge_again
from restart_bench.archive.writer import RunArchive
from restart_bench.model.clock import now_ns
from restart_bench.model.journal import CycleJudged, Record, RunEnded, Switching
from restart_bench.model.verdicts import EXIT_ERROR, EXIT_PASS, EXIT_STOPPED
from restart_bench.observer.handle import ObserverError, ObserverHandle, WriteDone
from restart_bench.run.supervision import Supervisor
from restart_bench_drivers.modbus_coil import ModbusCoil
from safety_moments import Moment
from safety_rig import (
    MS,
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

unix_only = pytest.mark.skipif(sys.platform == "win32", reason="signals and pipes of Unix")
Patch = pytest.MonkeyPatch


def no_second_observer(monkeypatch: Patch) -> None:
    """From now on none can be started."""

    def refuse(*_given: Any, **_named: Any) -> ObserverHandle:
        raise ObserverError("made up: no more processes")

    for user in ("session", "safe_end", "park"):
        monkeypatch.setattr(f"restart_bench.run.{user}.ObserverHandle", refuse)


def is_open(folder: Path) -> bool:
    """The run was not closed, so that the next armed start finds it."""
    return not (folder / "SHA256SUMS").exists()


# ---------------------------------------------------------------- the observer


def dies(moment: Moment) -> None:
    """The observer is gone."""
    os.kill(moment.context.observer.pid, getattr(signal, "SIGKILL", signal.SIGTERM))


def hangs(moment: Moment) -> None:
    """The observer is there and does nothing."""
    os.kill(moment.context.observer.pid, signal.SIGSTOP)


@unix_only
@pytest.mark.parametrize("what", [dies, hangs], ids=lambda what: what.__name__)
def test_without_any_observer_what_is_off_stays_off_and_the_run_stays_open(
    what: Callable[[Moment], None], tmp_path: Path, monkeypatch: Patch
) -> None:
    """Supply off, a point held, the observer dead or hanging, no second one to be had: nobody knows whether the guard
    is closed, so no power is given; the point is named loudly, and `park` finds the run and lets go of it before it
    gives power."""
    long_off = SCENARIO.replace("off_for: 350 ms", "off_for: 20 s")  # until it is noticed
    with armed_rig(tmp_path, scenario=long_off) as rig, pytest.MonkeyPatch.context() as patch:

        def happens(moment: Moment) -> None:
            no_second_observer(patch)
            what(moment)

        Moment("off", happens).install(patch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert not rig.supply_is_on
        assert ("THE SUPPLY IS NOT SWITCHED ON" in show.said) is (what is dies)  # else the guard is lost before
        assert "JOG MAY STILL BE OUT OF IDLE" in show.said and "second one could not be started" in show.said
        (folder,) = rig.runs()
        assert is_open(folder) and rig.pressed() == {"jog": True}
        patch.undo()
        assert rig.park().well and rig.supply_is_on
        nothing_pressed(rig)
        archive_is_whole(rig, folder)
        never_on_too_early(rig)


@unix_only
def test_without_any_observer_the_supply_still_goes_off(tmp_path: Path) -> None:
    """Supply on, a point held, no observer to be had any more: it goes off where that is its rest."""
    with armed_rig(tmp_path, after_trouble="off") as rig, pytest.MonkeyPatch.context() as patch:

        def happens(moment: Moment) -> None:
            no_second_observer(patch)
            dies(moment)

        Moment("watch", happens).install(patch.setattr)
        assert rig.perform().exit_code == EXIT_ERROR
        assert not rig.supply_is_on and is_open(rig.runs()[0])


@unix_only
def test_a_second_observer_is_asked_whether_the_supply_may_go_on(tmp_path: Path, monkeypatch: Patch) -> None:
    """The guard opens while the supply is off, and the observer dies: another one lets go of the held point, and what
    it reads of the guard keeps the supply off."""
    with armed_rig(tmp_path) as rig:

        def happens(moment: Moment) -> None:
            dies(moment)
            rig.simulation.send({"command": "set", "values": {"guard_closed": False}})

        Moment("off", happens).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        nothing_pressed(rig)
        assert not rig.supply_is_on and is_open(rig.runs()[0])
        assert "NOT SWITCHED ON: guard_closed of `only_while` no longer holds" in show.said


@unix_only
def test_a_hanging_observer_is_replaced_and_its_old_commands_die_with_it(tmp_path: Path, monkeypatch: Patch) -> None:
    """A second observer lets go of the held point; the first can never wake up and press something."""
    with armed_rig(tmp_path) as rig:
        pids: list[int] = []

        def happens(moment: Moment) -> None:
            pids.append(moment.context.observer.pid)
            hangs(moment)

        Moment("off", happens).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        nothing_pressed(rig)
        assert rig.supply_is_on
        with pytest.raises(ProcessLookupError):
            os.kill(pids[0], 0)
        archive_is_whole(rig, rig.runs()[0])


def test_park_switches_the_supply_also_where_no_observer_can_start(tmp_path: Path, monkeypatch: Patch) -> None:
    """A killed run left the supply on and a point pressed: `park` names the point and brings the supply off. (It would
    bring it on only once the point is let go of.)"""
    with armed_rig(tmp_path, at_end="off") as rig:
        rig.run_killed_at("watch")
        assert rig.supply_is_on
        with pytest.MonkeyPatch.context() as patch:
            no_second_observer(patch)
            patch.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", 0, raising=False)
            said: list[str] = []
            parked = rig.park(said)
        assert not parked.well and "jog" in parked.not_idle
        assert not rig.supply_is_on
        assert "JOG MAY STILL BE OUT OF IDLE" in "\n".join(said)


@unix_only
def test_the_observer_obeys_no_signal_but_its_parents_end(tmp_path: Path, monkeypatch: Patch) -> None:
    """Signals that are meant for everything the bench has started do not take its hands away."""
    with armed_rig(tmp_path) as rig:

        def happens(moment: Moment) -> None:
            for name in ("SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1", "SIGUSR2", "SIGINT"):
                os.kill(moment.context.observer.pid, getattr(signal, name))

        Moment("watch", happens).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_PASS, show.said


# ---------------------------------------------------------------- a point that can't be let go of


@unix_only
def test_what_is_off_stays_off_while_a_point_can_not_be_let_go_of(tmp_path: Path) -> None:
    """Stopped in the off time, and the device refuses to release the held button: no power is given with it pressed,
    which is said loudly; the run stays open, and once the device obeys `park` puts all of it right."""
    with armed_rig(tmp_path) as rig:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", 0)

            def happens(_moment: Moment) -> None:
                refuses(patch, "jog")
                signal.raise_signal(signal.SIGTERM)

            Moment("off", happens).install(patch.setattr)
            show = Seen()
            assert rig.perform(show).exit_code == EXIT_STOPPED
        assert not rig.supply_is_on and rig.pressed() == {"jog": True}
        assert "THE SUPPLY IS NOT SWITCHED ON: jog could not be let go of" in show.said
        (folder,) = rig.runs()
        assert is_open(folder) and told_of(folder)["supply_left"].startswith("off: not switched on")
        assert rig.park().well and rig.supply_is_on
        nothing_pressed(rig)


def refuses(patch: Patch, name: str) -> None:
    """From now on the device does not take a command to this point."""
    write = ObserverHandle.write

    def refused(observing: ObserverHandle, point: str, value: Any, purpose: str) -> WriteDone:
        return (
            WriteDone(now_ns(), now_ns(), "exception 04") if point == name else write(observing, point, value, purpose)
        )

    patch.setattr(ObserverHandle, "write", refused)


def test_park_gives_no_power_while_a_button_is_pressed_that_it_can_not_let_go_of(tmp_path: Path) -> None:
    """Not only one that a killed run holds: somebody else pressed it, and the device refuses to release it."""
    with armed_rig(tmp_path, at_end="off") as rig:
        assert rig.park().well and not rig.supply_is_on
        rig.change(at_end="on")
        with RawClient(rig.simulation.ports["independent"]) as other:
            other.ask("05 00 01 FF 00")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", 0)
            refuses(patch, "jog")
            parked = rig.park()
        assert parked.not_idle == ("jog",) and str(parked.supply).startswith("off: not switched on, jog")
        assert not rig.supply_is_on and rig.pressed() == {"jog": True}
        assert rig.park().well and rig.supply_is_on


def test_park_takes_what_is_silent_for_want_of_power_for_no_pressed_button(tmp_path: Path) -> None:
    """A coil of the dark controller that the bench may write: power is given, then it is looked at."""
    with armed_rig(tmp_path, at_end="off") as rig:
        assert rig.park().well and not rig.supply_is_on
        rig.change(at_end="on")
        file = rig.folder / "rig.yaml"
        text, lamp = file.read_text(encoding="utf-8"), "lamp: {device: controller, coil: 0, "
        assert lamp in text
        file.write_text(text.replace(lamp, f"{lamp}writable: true, idle: off, "), encoding="utf-8")
        assert rig.park().well and rig.supply_is_on


# ---------------------------------------------------------------- the driver


@pytest.mark.parametrize(
    "problem", [RuntimeError("empty reply"), IndexError(), asyncio.CancelledError()], ids=lambda one: type(one).__name__
)
def test_whatever_a_driver_raises_the_supply_is_told_again(
    problem: BaseException, tmp_path: Path, monkeypatch: Patch
) -> None:
    """A driver is anybody's: what it raises counts as a command that was not taken, which is tried again."""
    monkeypatch.setattr("restart_bench.run.actuators._RESTORE_PAUSE_S", 0.02)
    with armed_rig(tmp_path) as rig:
        on, left = ModbusCoil.on, [3]

        def raises(coil: ModbusCoil) -> None:
            if rig.supply_is_on or not left[0]:
                on(coil)
                return
            left[0] -= 1
            raise problem

        monkeypatch.setattr(ModbusCoil, "on", raises)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert left == [0] and rig.supply_is_on
        assert "THE SUPPLY DID NOT GO ON (try 1 of" in show.said and type(problem).__name__ in show.said
        nothing_pressed(rig)
        archive_is_whole(rig, rig.runs()[0])


def test_a_driver_that_goes_on_raising_ends_with_the_manual_step(tmp_path: Path, monkeypatch: Patch) -> None:
    """What went wrong is told once, with the number of tries, then what a person has to do; the run
    stays open for the next armed start."""
    monkeypatch.setattr("restart_bench.run.actuators._RESTORE_PAUSE_S", 0.02)
    with armed_rig(tmp_path) as rig, pytest.MonkeyPatch.context() as patch:
        on = ModbusCoil.on

        def raises(coil: ModbusCoil) -> None:
            if not rig.supply_is_on:
                raise ValueError("made up")
            on(coil)

        patch.setattr(ModbusCoil, "on", raises)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "THE SUPPLY DID NOT GO ON (try 1 of 5)" in show.said and "(tried 5 times)" in show.said
        assert show.said.count("THE SUPPLY DID NOT GO ON (try") < 5
        assert "THE SUPPLY MAY NOT BE ON: go to the rig" in show.said
        nothing_pressed(rig)
        (folder,) = rig.runs()
        assert is_open(folder) and told_of(folder)["supply_left"].startswith("off")
        patch.undo()
        assert rig.park().well and rig.supply_is_on
        archive_is_whole(rig, folder)


# ---------------------------------------------------------------- a reader that does not read


def full_pipe() -> tuple[int, int]:
    """A pipe that takes nothing more."""
    near, far = os.pipe()
    os.set_blocking(far, False)
    try:
        while True:
            os.write(far, b"x" * 1024)
    except BlockingIOError:
        os.set_blocking(far, True)
    return near, far


@contextlib.contextmanager
def stalled_run(rig: ArmedRig) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """An armed run whose standard output is such a pipe, and the end of it that nobody reads."""
    near, far = full_pipe()
    command = [sys.executable, "-c", MAIN, "run", str(rig.folder), "--arm", NAME, "--logs", str(rig.logs)]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=far, stderr=subprocess.DEVNULL)
    os.close(far)
    try:
        yield process, near
    finally:
        process.kill()
        process.wait()
        os.close(near)


@unix_only
def test_a_reader_that_does_not_read_holds_nothing_and_gets_everything_once_he_does(tmp_path: Path) -> None:
    """Standard output is stalled from the beginning: the cut lasts as long as asked, the run is archived and closed;
    then the reader comes and gets lines and result."""
    with armed_rig(tmp_path) as rig, stalled_run(rig) as (process, near):
        closed = "rig=*/date=*/run=*/SHA256SUMS"
        wait_until(lambda: any(rig.logs.glob(closed)), "the run is closed", within_s=60)
        ((gone, back),) = rig.off_times()
        assert (back - gone) / MS < 1000
        assert process.poll() is None
        told = b""
        while more := os.read(near, 65536):
            told += more
        assert process.wait(30) == EXIT_PASS
        assert b"supply off" in told and b"test ended: completed" in told
        archive_is_whole(rig, rig.runs()[0], whole_cycles=1)


@unix_only
@pytest.mark.parametrize("name", seldom("SIGTERM", "SIGINT"))
def test_a_run_whose_output_nobody_reads_can_be_stopped(name: str, tmp_path: Path) -> None:
    """One signal ends it, in the way out that all runs have."""
    long_off = SCENARIO.replace("off_for: 350 ms", "off_for: 60 s")
    with armed_rig(tmp_path, scenario=long_off) as rig, stalled_run(rig) as (process, _):
        wait_until(lambda: not rig.supply_is_on, "the supply is cut", within_s=60)
        process.send_signal(getattr(signal, name))
        assert process.wait(30) == EXIT_STOPPED
        nothing_pressed(rig)
        assert rig.supply_is_on
        archive_is_whole(rig, rig.runs()[0])


# ---------------------------------------------------------------- the log


def test_a_log_that_fails_when_a_cycle_is_judged_leads_to_the_way_out(tmp_path: Path) -> None:
    """The disk is full just for the judgement: no next cycle, the rig is left safe, the run ends as an error and is
    found again."""
    write = RunArchive.write

    def full(archive: RunArchive, record: Record) -> None:
        if isinstance(record, CycleJudged):
            raise ArchiveError("made up: the disk is full")
        write(archive, record)

    with armed_rig(tmp_path, after_trouble="off", repeat=2) as rig:
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(RunArchive, "write", full)
            outcome = rig.perform()
        assert outcome.exit_code == EXIT_ERROR and "the log failed" in outcome.runs[0].reason
        assert len(rig.off_times()) == 1 and not rig.supply_is_on
        nothing_pressed(rig)
        assert is_open(rig.runs()[0])
        assert rig.park().well
        archive_is_whole(rig, rig.runs()[0], whole_cycles=1)


def test_a_log_that_fails_on_the_way_out_makes_an_error_of_the_run(tmp_path: Path) -> None:
    """The disk is full just for the last command to the relay: no pass, neither now nor once `park` has closed the run,
    nor where the same scenario judges it again."""
    with armed_rig(tmp_path, at_end="off") as rig:
        with pytest.MonkeyPatch.context() as patch:
            can_not_save(patch, lambda record: isinstance(record, Switching) and record.purpose == "rest")
            outcome = rig.perform()
        (folder,) = rig.runs()
        assert outcome.exit_code == EXIT_ERROR and "the log failed" in outcome.runs[0].reason
        assert is_open(folder) and told_of(folder)["exit_code"] == EXIT_ERROR
        assert rig.park().closed == (folder,)
        archive_is_whole(rig, folder, whole_cycles=1)
        told = told_of(folder)
        assert (told["ended"]["how"], told["verdict"], told["exit_code"]) == ("error", "error", EXIT_ERROR)
        again = [judge_again(ArchivedRun.open(folder), file) for file in (None, rig.folder / "stays.yaml")]
        assert [one.exit_code for one in again] == [EXIT_ERROR, EXIT_ERROR]


def test_a_simulated_run_without_its_end_in_the_log_is_never_sealed_as_sound(tmp_path: Path) -> None:
    """The very last record could not be saved: an error, and the run is left for the next start to bring to an end."""
    with armed_rig(tmp_path) as rig, pytest.MonkeyPatch.context() as patch:
        can_not_save(patch, lambda record: isinstance(record, RunEnded))
        outcome = rig.perform(simulated=True, arm=None)
        assert outcome.exit_code == EXIT_ERROR
        assert is_open(rig.runs()[0]) and told_of(rig.runs()[0])["exit_code"] == EXIT_ERROR


def can_not_save(patch: Patch, lost: Callable[[Record], bool]) -> None:
    """The disk is full just for such records."""
    write = RunArchive.write

    def full(archive: RunArchive, record: Record) -> None:
        if lost(record):
            raise ArchiveError("made up: the disk is full")
        write(archive, record)

    patch.setattr(RunArchive, "write", full)


# ---------------------------------------------------------------- signals


@unix_only
@pytest.mark.parametrize("name", ["SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1"])
def test_every_signal_that_would_end_or_stop_the_bench_leads_to_the_way_out(
    name: str, tmp_path: Path, monkeypatch: Patch
) -> None:
    """While the supply is off and a point is held: both are put right, and the run ends with 130."""
    with armed_rig(tmp_path) as rig:
        number = getattr(signal, name)
        assert signal.getsignal(number) == signal.SIG_DFL

        def happens(_moment: Moment) -> None:
            assert signal.getsignal(number) != signal.SIG_DFL, "it would end this process here"
            signal.raise_signal(number)

        Moment("off", happens).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_STOPPED
        assert name in show.said
        nothing_pressed(rig)
        assert rig.supply_is_on and signal.getsignal(number) == signal.SIG_DFL
        archive_is_whole(rig, rig.runs()[0])


@unix_only
def test_a_hang_up_that_whoever_started_the_bench_had_ignored_ends_nothing(tmp_path: Path, monkeypatch: Patch) -> None:
    """As under `nohup`: the run goes on to its end."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with armed_rig(tmp_path) as rig:
            Moment("off", lambda _: signal.raise_signal(signal.SIGHUP)).install(monkeypatch.setattr)
            show = Seen()
            assert rig.perform(show).exit_code == EXIT_PASS, show.said
    finally:
        signal.signal(signal.SIGHUP, before)


# ---------------------------------------------------------------- while a person is asked

ASKED = SCENARIO.replace("  - hold: jog\n", "  - hold: jog\n  - ask: Look at the lamp.\n")


class Person:
    """Somebody who does not answer, and to whom something happens meanwhile."""

    def __init__(self, happens: Callable[[], object]) -> None:
        self._happens = happens
        self.broken_off_after_s: float | None = None

    def __call__(self, _question: str) -> bool:
        self._happens()
        begun = time.monotonic()
        try:
            threading.Event().wait(20)
        except KeyboardInterrupt:
            self.broken_off_after_s = time.monotonic() - begun
            raise
        return True


def asked_run(rig: ArmedRig, person: Person) -> tuple[Seen, int]:
    """An armed run with this person at the console."""
    from restart_bench.run.session import perform

    show = Seen()
    return show, perform(rig.suite(), rig.options(), show, person).exit_code


@unix_only
def test_only_while_is_watched_while_a_person_is_asked(tmp_path: Path) -> None:
    """The guard is opened while the question stands: it is broken off, the held point let go, the run ended."""
    with armed_rig(tmp_path, scenario=ASKED) as rig:
        opened = {"command": "set", "values": {"guard_closed": False}}
        person = Person(lambda: rig.simulation.send(opened))
        show, code = asked_run(rig, person)
        assert code == EXIT_ERROR
        assert "guard_closed of `only_while` no longer holds" in show.said
        assert person.broken_off_after_s is not None
        assert person.broken_off_after_s < 10
        nothing_pressed(rig)
        assert told_of(rig.runs()[0])["ended"]["how"] == "error"
        archive_is_whole(rig, rig.runs()[0])


MACHINE = 'isolation: {{by: M. Miller, how: locked at Q1, until: "{until}"}}'


def machine_until(seconds: float) -> dict[str, str]:
    """Settings of a machine whose isolation is stated for so long from now."""
    until = (datetime.now() + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")
    return {"loads": "machine", "after_trouble": "as it is", "more": MACHINE.format(until=until)}


@unix_only
@pytest.mark.parametrize("asked", seldom(False, True), ids=["in the off time", "while a person is asked"])
def test_no_run_goes_on_past_its_isolation(asked: bool, tmp_path: Path) -> None:
    """The stated time of the isolation ends: the run does too, points are let go, what is off stays off."""
    scenario = ASKED if asked else SCENARIO.replace("off_for: 350 ms", "off_for: 30 s")
    with armed_rig(tmp_path, scenario=scenario) as rig:
        rig.change(**machine_until(4))
        person = Person(lambda: None)
        show, code = asked_run(rig, person)
        assert code == EXIT_ERROR
        assert "the isolation of lamp-trainer held until" in show.said
        nothing_pressed(rig)
        assert rig.supply_is_on == asked


def test_nothing_is_switched_while_only_while_does_not_hold(tmp_path: Path) -> None:
    """The guard stands open from the start, the supply is off: no power is given and nothing is pressed."""
    with armed_rig(tmp_path) as rig:
        rig.run_killed_at("cut")
        rig.simulation.send({"command": "set", "values": {"guard_closed": False}})
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "guard_closed of `only_while` no longer holds" in show.said
        assert not rig.supply_is_on
        nothing_pressed(rig)


# ---------------------------------------------------------------- only_while and points that can't be reached


def test_a_lost_guard_is_not_kept_waiting_by_points_that_do_not_answer(tmp_path: Path, monkeypatch: Patch) -> None:
    """`only_while` is lost while a held point's device is gone: the supply goes off after one try of the point, not
    after all its retries; then the point is tried again."""
    with armed_rig(tmp_path, after_trouble="off") as rig:
        tries: list[int] = []
        write, lost_ns = ObserverHandle.write, [0]

        def lost(moment: Moment) -> None:
            lost_ns[0] = now_ns()
            rig.simulation.send({"command": "set", "values": {"guard_closed": False}})

        def unanswered(observing: ObserverHandle, point: str, value: Any, purpose: str) -> Any:
            if purpose == "idle" and len(tries) < 3:
                tries.append(len(rig.truth("supply")))
                point = "no such point"
            try:
                return write(observing, point, value, purpose)
            except ValueError:
                from restart_bench.observer.handle import WriteDone

                return WriteDone(now_ns(), now_ns(), "silent")

        monkeypatch.setattr(ObserverHandle, "write", unanswered)
        Moment("watch", lost).install(monkeypatch.setattr)
        monkeypatch.setattr("restart_bench.run.steps.Steps.release_held", lambda _steps: None)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        moves = rig.truth("supply")
        assert not rig.supply_is_on
        assert [count < len(moves) for count in tries] == [True, False, False], tries
        nothing_pressed(rig)


# ---------------------------------------------------------------- what the rail shows


def test_a_contact_written_the_wrong_way_round_is_noticed_before_anything_moves(tmp_path: Path) -> None:
    """`contact: normally-closed` for a normally-open relay: the relay's word and the rail contradict each other, which
    is said; the relay is never written, nothing is cut, and the supply is said to be as the rail shows it."""
    with armed_rig(tmp_path) as rig:
        wrong_contact(rig)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "contact:" in show.said and "rail reads on" in show.said and "wrong way round" in show.said
        assert "by the rail it is on as it shall be" in show.said and "by hand" not in show.said
        assert rig.supply_is_on and "supply" not in rig.written()
        assert told_of(rig.runs()[0])["supply_left"].startswith("on: not switched")
        nothing_pressed(rig)


def test_look_holds_the_relay_against_the_rail(tmp_path: Path) -> None:
    """Whoever looks before the first run reads the same; with the contact written right nothing is said."""
    with armed_rig(tmp_path) as rig:
        well = rig.said_by("look", rig.folder, "--for", "1 s", "--logs", rig.logs)
        wrong_contact(rig)
        code, said = rig.said_by("look", rig.folder, "--for", "1 s", "--logs", rig.logs)
        assert "wrong way round" not in well[1], well[1]
        assert "that the supply is off, but rail reads on; look whether" in " ".join(said.split()), said
        assert code == EXIT_ERROR and rig.supply_is_on


def test_park_does_not_switch_a_relay_that_contradicts_the_rail(tmp_path: Path) -> None:
    """`park` with the contact written the wrong way round would cut: it says so, leaves the supply on, and ends with
    an error."""
    with armed_rig(tmp_path) as rig:
        wrong_contact(rig)
        code, said = rig.said_by("park", rig.folder, "--arm", NAME, "--logs", rig.logs)
        assert code == EXIT_ERROR, said
        assert "supply: on: not switched on" in said and "wrong way round" in said
        assert rig.supply_is_on


def wrong_contact(rig: ArmedRig) -> None:
    """The classic mistake in the rig file."""
    file = rig.folder / "rig.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("contact: normally-open", "contact: normally-closed"), encoding="utf-8")


def test_a_supply_is_not_said_to_be_on_while_the_rail_reads_off(tmp_path: Path, monkeypatch: Patch) -> None:
    """The relay confirms its coil and the contact does not close: no further cycle, nothing pressed into a controller
    without power, and the end says off; `park` says it too until the contact follows."""
    monkeypatch.setattr("restart_bench.run.actuators._RESTORE_PAUSE_S", 0.02)
    with armed_rig(tmp_path, repeat=2, ready_within="2 s") as rig, pytest.MonkeyPatch.context() as patch:
        Moment("restore", lambda _: setattr(rig.door, "mode", "stuck"), early=True).install(patch.setattr)
        show = Seen()
        outcome = rig.perform(show)
        patch.undo()
        assert outcome.exit_code == EXIT_ERROR and len(outcome.runs[0].cycles) == 1
        assert "rail reads off" in show.said and "THE SUPPLY MAY NOT BE ON" in show.said
        (folder,) = rig.runs()
        assert told_of(folder)["supply_left"].startswith("off: rail reads off")
        assert "stop" not in rig.written()  # the function check would have pressed it
        said: list[str] = []
        parked = rig.park(said)
        assert not parked.well and str(parked.supply).startswith("off: ")
        rig.door.mode = "open"
        assert rig.park().well and rig.supply_is_on


class _TimeOut(BaseException):
    """What a plug-in's time limit raises in the midst of a test."""


def test_whoever_breaks_a_cycle_off_leaves_the_rig_at_rest_and_the_cycle_judged(
    tmp_path: Path, monkeypatch: Patch
) -> None:
    """A time limit that strikes while the supply is off ends the run, at once, with an error that its archive tells."""
    look = Supervisor.look

    def struck(self: Supervisor, now: int) -> None:
        if not struck_at and not rig.supply_is_on:
            struck_at.append(now)
            raise _TimeOut("longer than 60 s")
        look(self, now)

    struck_at: list[int] = []
    with armed_rig(tmp_path, repeat=2) as rig:
        monkeypatch.setattr(Supervisor, "look", struck)
        outcome = rig.perform()
        assert struck_at and rig.supply_is_on
        nothing_pressed(rig)
        (run,) = outcome.runs
        assert (outcome.exit_code, run.how, len(run.cycles)) == (EXIT_ERROR, "error", 1)
        assert "longer than 60 s" in run.reason
        assert judge_again(ArchivedRun.open(run.folder)).exit_code == EXIT_ERROR
