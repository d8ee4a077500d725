"""The ways out of a run, and what has to be true after each of them, wherever it came."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from restart_bench.model.journal import Record
from restart_bench.model.verdicts import EXIT_ERROR, EXIT_PASS, EXIT_STOPPED
from restart_bench.screen.outlet import Outlet
from restart_bench.screen.plain import PlainShow
from safety_moments import STAGES, Moment
from safety_rig import (
    ArmedRig,
    Seen,
    archive_is_whole,
    armed_rig,
    never_on_too_early,
    nothing_pressed,
    only_allowed_writes,
    told_of,
)

RELAY = {"relay unreachable": "gone", "relay refuses": "refusing", "read-back wrong": "deaf"}
KILLED = {"killed, then park": "park", "killed, then the next armed run": "run"}
SIGNALS = {
    "Ctrl-C": "SIGINT", "Ctrl-C twice": "SIGINT", "SIGTERM": "SIGTERM", "SIGHUP": "SIGHUP", "SIGQUIT": "SIGQUIT",
    "Ctrl-Z": "SIGTSTP", "SIGTERM to all": "SIGTERM", "SIGTERM, nobody reads": "SIGTERM",
}  # fmt: skip
"""To all: the observer gets it as well. Nobody reads: what the run says goes into a full pipe from the beginning."""
FULL = ("disk full", "disk full for everybody")
"""Files that can't grow, and a file system without any room."""
MANY_WAYS = (
    "exception in the bench", "Ctrl-C", "Ctrl-C twice", "SIGTERM", *RELAY, "only_while lost", "disk full",
    "observer killed", *KILLED,
)  # fmt: skip
"""Plain `pytest` plays each in some stage, and in each stage every seventh of them."""
UNIX_WAYS = (
    "SIGHUP", "SIGQUIT", "Ctrl-Z", "SIGTERM to all", "SIGTERM, nobody reads", "disk full for everybody",
    "observer hangs", "no observer any more",
)  # fmt: skip
"""Plain `pytest` plays each in one stage."""
WAYS = MANY_WAYS + UNIX_WAYS

AFTER_THE_RELAY = "the supply was left before the archive is closed, nobody speaks to the relay any more"
OBSERVER_ENDED = "the observer has ended by itself before the archive is closed"
SENSELESS = {
    **{("archive", way): AFTER_THE_RELAY for way in RELAY},
    ("archive", "only_while lost"): "the rig has been left: there is nothing more that the loss could stop",
    **{("archive", way): OBSERVER_ENDED for way in ("observer killed", "observer hangs", "no observer any more")},
}
"""Cells of the matrix that make no sense, and why."""

CELLS = [(stage, way) for stage in STAGES for way in WAYS if (stage, way) not in SENSELESS]
STAGE_OF = dict(zip(UNIX_WAYS, ("restore", "off", "before", "watch", "off", "off", "before", "cut"), strict=True))


def _in_turn(stage: str, way: str) -> bool:
    return way in STAGE_OF or (STAGES.index(stage) + MANY_WAYS.index(way)) % 7 == 0


GATE = [(stage, way) for stage, way in CELLS if STAGE_OF.get(way, stage) == stage and _in_turn(stage, way)]
RESTS = [("on", "on"), ("off", "off"), ("on", "as it is"), ("off", "on"), ("on", "off"), ("off", "as it is")]
"""`at_end` and `after_trouble`."""


def hardest(number: int, stage: str, way: str) -> tuple[str, str]:
    """The wishes that ask most of the bench in a cell: the supply has to move on the way out, be it on or off."""
    off_now = stage in ("cut", "off", "restore") and (stage, way) not in [("cut", relay) for relay in RELAY]
    after_trouble = "as it is" if stage == "wait for ready" else "on" if off_now else "off"
    needed_last = way in RELAY and STAGES.index(stage) > STAGES.index("restore")
    return "off" if needed_last or number % 2 else "on", after_trouble


class MadeUp(Exception):
    """Nobody in the bench expects this one."""


@dataclass
class Cell:
    """One cell of the matrix while it is played."""

    stage: str
    way: str
    rig: ArmedRig
    at_end: str
    after_trouble: str
    cycle: int
    show: Seen
    on_at_the_moment: bool | None = None  # where the contact stood when it happened
    code: int | None = None

    @property
    def folder(self) -> Path:
        """The run that it happened to."""
        return self.rig.runs()[0]


# ---------------------------------------------------------------- what happens


def _signals(cell: Cell, patch: Any, moment: Moment) -> None:
    number, again = getattr(signal, SIGNALS[cell.way]), "twice" in cell.way
    assert signal.getsignal(number) not in (signal.SIG_DFL, signal.default_int_handler), "the bench does not listen"
    if cell.way == "SIGTERM to all" and moment.stage != "archive":
        os.kill(moment.context.observer.pid, number)
    if again:
        _once_more_on_the_way_out(patch, number)
    signalled(number)


def signalled(number: int) -> None:
    """The signal, from whichever thread: it is heard in the main one, which may be waiting for a driver meanwhile."""
    main = threading.main_thread()
    if threading.current_thread() is main:
        signal.raise_signal(number)
        return
    assert main.ident is not None
    signal.pthread_kill(main.ident, number)
    time.sleep(0.05)  # for the main thread to hear it before the driver goes on


def _once_more_on_the_way_out(patch: Any, number: int) -> None:
    """The impatient person: again while points are let go, and again at the next command to the relay."""
    from restart_bench.run.actuators import Actuators
    from restart_bench_drivers.modbus_coil import ModbusCoil

    left = {"points": 1, "relay": 1}

    def impatient(what: str, original: Any) -> Any:
        def done(*given: Any, **named: Any) -> Any:
            if left[what]:
                left[what] -= 1
                signalled(number)
            return original(*given, **named)

        return done

    patch(Actuators, "all_to_idle", impatient("points", Actuators.all_to_idle))
    patch(ModbusCoil, "on", impatient("relay", ModbusCoil.on))


@contextlib.contextmanager
def _full_disk() -> Iterator[Callable[[Cell, Moment], None]]:
    """No file of the bench or of its observer grows any more from the moment on."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)

    def fill(cell: Cell, moment: Moment) -> None:
        size = (cell.folder / "journal.jsonl").stat().st_size
        if moment.context.observer.failed == "" and moment.stage != "archive":
            resource.prlimit(moment.context.observer.pid, resource.RLIMIT_FSIZE, (size, before[1]))
        resource.setrlimit(resource.RLIMIT_FSIZE, (size if moment.stage != "archive" else 100, before[1]))

    try:
        yield fill
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextlib.contextmanager
def _no_room(logs: Path) -> Iterator[Callable[[Cell, Moment], None]]:
    """The archive lies on a small file system of its own, which is full from the moment on. Where none may be made
    (that takes an administrator), files that can't grow stand in for it."""
    logs.mkdir()
    small = ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(logs)]
    if shutil.which("mount") is None or subprocess.run(small, check=False, capture_output=True).returncode != 0:
        with _full_disk() as fill:
            yield fill
        return

    try:
        with _full_disk() as stop_growing:

            def fill_up(cell: Cell, moment: Moment) -> None:
                with contextlib.suppress(OSError), (logs / "filler").open("wb", buffering=0) as file:
                    while True:
                        file.write(bytes(4096))
                stop_growing(cell, moment)  # the journal's last page had room for some more records

            yield fill_up
    finally:
        (logs / "filler").unlink(missing_ok=True)


def _no_observer(*_given: Any, **_named: Any) -> Any:
    raise OSError("made up: no more processes")


class Unread(Seen):
    """Its lines also go to a reader who does not read."""

    def __init__(self) -> None:
        super().__init__()
        self._near, self._far = os.pipe()
        os.set_blocking(self._far, False)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(self._far, bytes(1024))
        os.set_blocking(self._far, True)
        self._lines = PlainShow(Outlet(os.fdopen(self._far, "w")))

    def record(self, record: Record) -> None:
        """Keep it, and say it to nobody."""
        super().record(record)
        self._lines.record(record)

    def close(self) -> None:
        """The reader goes."""
        os.close(self._near)


def _happens(cell: Cell, patch: Any, fill: Callable[[Cell, Moment], None]) -> Callable[[Moment], None]:
    def happen(moment: Moment) -> None:
        cell.on_at_the_moment = cell.rig.supply_is_on
        match cell.way:
            case "exception in the bench":
                raise MadeUp("made up")
            case way if way in SIGNALS:
                _signals(cell, patch, moment)
            case "only_while lost":
                cell.rig.simulation.send({"command": "set", "values": {"guard_closed": False}})
            case way if way in FULL:
                fill(cell, moment)
            case "observer hangs":
                os.kill(moment.context.observer.pid, signal.SIGSTOP)
            case "no observer any more":
                patch("restart_bench.run.safe_end.ObserverHandle", _no_observer)
                os.kill(moment.context.observer.pid, signal.SIGKILL)
            case "observer killed":
                os.kill(moment.context.observer.pid, getattr(signal, "SIGKILL", signal.SIGTERM))
            case relay:
                cell.rig.door.mode = RELAY[relay]  # type: ignore[assignment]

    return happen


def play(
    folder: Path, monkeypatch: pytest.MonkeyPatch, stage: str, way: str, rests: tuple[str, str], *, cycle: int = 1
) -> None:
    """One cell: an armed run, what happens to it, and all that has to be true afterwards."""
    at_end, after_trouble = rests
    settings = {"at_end": at_end, "after_trouble": after_trouble, "repeat": cycle}
    with armed_rig(folder, **settings) as rig:
        cell = Cell(stage, way, rig, at_end, after_trouble, cycle, Unread() if "nobody reads" in way else Seen())
        try:
            if way in KILLED:
                _killed(cell)
            else:
                _in_process(cell, monkeypatch)
            check(cell)
        finally:
            cell.show.close()
            if rig.logs.is_mount():
                subprocess.run(["umount", "-l", str(rig.logs)], check=True)


def _in_process(cell: Cell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("restart_bench.run.actuators._RESTORE_PAUSE_S", 0.02)
    patch = monkeypatch.setattr
    full: Any = contextlib.nullcontext(lambda *_: None)
    if cell.way in FULL:
        full = _full_disk() if cell.way == "disk full" else _no_room(cell.rig.logs)
    with full as fill:
        moment = Moment(cell.stage, _happens(cell, patch, fill), cycle=cell.cycle, early=cell.way in RELAY)
        moment.install(patch)
        try:
            cell.code = cell.rig.perform(cell.show).exit_code
        except MadeUp:
            cell.code = EXIT_ERROR  # what the command line makes of an exception
    monkeypatch.undo()
    assert moment.fired, f"the moment never came: {cell.show.said}"


def _killed(cell: Cell) -> None:
    cell.rig.run_killed_at(cell.stage, cell.cycle)
    cell.on_at_the_moment = cell.rig.supply_is_on


# ---------------------------------------------------------------- what has to be true


def check(cell: Cell) -> None:
    """Safe as it was left, put right by the next armed start, and archived whole."""
    rig = cell.rig
    if cell.way in KILLED:
        _put_right_after_a_kill(cell)
    else:
        _left_safe(cell)
    nothing_pressed(rig)
    only_allowed_writes(rig)
    never_on_too_early(rig)
    archive_is_whole(rig, cell.folder, whole_cycles=cell.cycle - 1)


def _left_safe(cell: Cell) -> None:
    if cell.way != "no observer any more":
        nothing_pressed(cell.rig)
    assert cell.code == _code(cell), (cell.show.said, told_of(cell.folder).get("ended"))
    if cell.way in RELAY and not _relay_not_needed(cell):
        _relay_is_told_of(cell)
    else:
        assert cell.rig.supply_is_on == _on_afterwards(cell), (cell.show.said, told_of(cell.folder).get("ended"))
    if cell.rig.pressed():
        _held_points_are_told_of(cell)
    elif cell.way in FULL or (cell.way, cell.stage) == ("exception in the bench", "archive"):
        cell.rig.park()  # there is room again: the next armed start closes what could not be closed
    else:
        told = told_of(cell.folder)
        assert told["exit_code"] == cell.code and told["state"] == "closed"


def _held_points_are_told_of(cell: Cell) -> None:
    """They are named loudly, and the run stays open until an armed start has let go of them."""
    for name in cell.rig.pressed():
        assert f"{name.upper()} MAY STILL BE OUT OF IDLE" in cell.show.said
    assert not (cell.folder / "SHA256SUMS").exists()
    assert cell.rig.park().well


def _relay_not_needed(cell: Cell) -> bool:
    """The cut is over, and the supply is where it is to stay: the relay is not spoken to any more."""
    return STAGES.index(cell.stage) > STAGES.index("restore") and cell.at_end == "on"


def _relay_is_told_of(cell: Cell) -> None:
    """Nothing moved, which is said loudly with what a person has to do; the record claims nothing else; and once
    the relay obeys again, `park` brings the supply where it belongs."""
    assert cell.rig.supply_is_on == cell.on_at_the_moment
    wish = cell.after_trouble if STAGES.index(cell.stage) <= STAGES.index("restore") else cell.at_end
    if wish != "as it is" and (wish == "on") != cell.on_at_the_moment:
        assert f"THE SUPPLY MAY NOT BE {wish.upper()}" in cell.show.said
        assert "go to the rig" in cell.show.said and "by hand" in cell.show.said
        left = told_of(cell.folder)["supply_left"]
        assert left.startswith(("unknown", "on" if cell.on_at_the_moment else "off")), left
    cell.rig.door.mode = "open"
    assert cell.rig.park().well
    assert cell.rig.supply_is_on == (cell.at_end == "on")


def _code(cell: Cell) -> int:
    if cell.way in SIGNALS:  # in the end all had been done and judged: there was nothing left to stop
        return EXIT_PASS if cell.stage == "archive" else EXIT_STOPPED
    if cell.way in RELAY and _relay_not_needed(cell):
        return EXIT_PASS
    return EXIT_ERROR


def _on_afterwards(cell: Cell) -> bool:
    if cell.stage == "archive" or (cell.way in RELAY and _relay_not_needed(cell)):
        return cell.at_end == "on"
    unsure = cell.way in ("only_while lost", "no observer any more")  # whether the guard holds
    if cell.after_trouble == "as it is" or (unsure and not cell.on_at_the_moment):
        return bool(cell.on_at_the_moment)
    return cell.after_trouble == "on"


def _put_right_after_a_kill(cell: Cell) -> None:
    """The killed bench left everything as it was; the next armed start says what it does and does it."""
    if KILLED[cell.way] == "park":
        said: list[str] = []
        assert cell.rig.park(said).well
    else:
        show = Seen()
        outcome = cell.rig.perform(show)
        assert outcome.exit_code == EXIT_PASS, (outcome.runs[0].reason, outcome.runs[0].scenarios)
        archive_is_whole(cell.rig, outcome.runs[0].folder, whole_cycles=1)
        said = [show.said]
    assert any("was killed" in text for text in said)
    assert cell.rig.supply_is_on == (cell.at_end == "on")
    told = told_of(cell.folder)
    if cell.stage != "archive":  # killed there, the run had its end, and only its tables were missing
        assert (told["ended"]["how"], told["exit_code"]) == ("killed", EXIT_ERROR)
