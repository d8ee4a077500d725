"""What an armed run looks after while it goes on: clocks, sleep, `only_while`, and that it writes what it may."""

from __future__ import annotations

import os
import signal
import threading
import time
from pathlib import Path

import pytest

from drawn import seldom
from restart_bench.model import clock
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import CycleJudged, Switching, Trouble
from restart_bench.model.verdicts import EXIT_ERROR, EXIT_PASS
from restart_bench.run import supervision as waiting
from restart_bench.run.actuators import Actuators, CommandRefused
from safety_moments import Moment
from safety_rig import (
    SCENARIO,
    Seen,
    archive_is_whole,
    armed_rig,
    never_on_too_early,
    nothing_pressed,
    only_allowed_writes,
)

HOUR_NS = 3600 * NS_PER_S


# ---------------------------------------------------------------- clocks


@pytest.mark.parametrize("step_ns", seldom(-HOUR_NS, HOUR_NS))
def test_a_stepped_wall_clock_changes_nothing_but_a_note(
    step_ns: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The wall clock is set in the middle of the off time: the same findings as in the run before, and one note."""
    with armed_rig(tmp_path) as rig:
        before, stepped = Seen(), Seen()
        assert rig.perform(before).exit_code == EXIT_PASS
        wall_ns, wall = time.time_ns, time.time

        def step(_moment: Moment) -> None:
            monkeypatch.setattr(time, "time_ns", lambda: wall_ns() + step_ns)
            monkeypatch.setattr(time, "time", lambda: wall() + step_ns / NS_PER_S)

        moment = Moment("off", step)
        moment.install(monkeypatch.setattr)
        assert rig.perform(stepped).exit_code == EXIT_PASS and moment.fired
        assert findings(stepped) == findings(before)
        notes = [one for one in stepped.records if isinstance(one, Trouble) and one.kind == "wall clock"]
        assert [(note.error, f"{step_ns // NS_PER_S:+d} s" in note.text) for note in notes] == [(False, True)]
        never_on_too_early(rig)
        archive_is_whole(rig, stepped_run(rig.logs, stepped), whole_cycles=1)


def findings(show: Seen) -> list[tuple[str, str, str]]:
    """Point, expectation and verdict of all findings of a run."""
    return [
        (finding.point, finding.expectation, str(finding.verdict))
        for one in show.records
        if isinstance(one, CycleJudged)
        for finding in one.findings
    ]


def stepped_run(logs: Path, show: Seen) -> Path:
    """The folder of the run that this show saw."""
    run = next(getattr(one, "run") for one in show.records if hasattr(one, "run"))  # noqa: B009
    return next(iter(logs.glob(f"rig=*/date=*/run={run}")))


@pytest.mark.parametrize("stage", seldom("off", "before", "watch", plain=2))
def test_a_computer_that_slept_ends_the_run_safely(stage: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock that counts sleep has run on by ten minutes: an error, buttons let go, the supply as written."""
    with armed_rig(tmp_path) as rig:
        show = Seen()

        def sleep(_moment: Moment) -> None:
            monkeypatch.setattr(waiting, "counts_sleep_ns", lambda: clock.now_ns() + _asleep(600))

        monkeypatch.setattr(waiting, "counts_sleep_ns", lambda: clock.now_ns() + _asleep(0))
        moment = Moment(stage, sleep)
        moment.install(monkeypatch.setattr)
        assert rig.perform(show).exit_code == EXIT_ERROR and moment.fired
        assert "the computer slept for 600 s" in show.said
        nothing_pressed(rig)
        never_on_too_early(rig)
        assert rig.supply_is_on
        archive_is_whole(rig, rig.runs()[0])


def _asleep(seconds: int) -> int:
    return seconds * NS_PER_S


# ---------------------------------------------------------------- only_while


def stopped_for(pid: int, seconds: float) -> None:
    """A process that does nothing for a while: its devices answer nobody."""
    os.kill(pid, signal.SIGSTOP)

    def goes_on() -> None:
        time.sleep(seconds)
        os.kill(pid, signal.SIGCONT)

    threading.Thread(target=goes_on).start()


def test_a_guard_that_opens_for_a_moment_around_the_return_ends_the_run_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was open for 30 ms while the relay was told to close, and holds again when the bench looks next."""
    with armed_rig(tmp_path, after_trouble="off") as rig:
        show, switch = Seen(), Actuators.switch

        def guard(closed: bool) -> None:
            rig.simulation.send({"command": "set", "values": {"guard_closed": closed}})

        def switched(self: Actuators, to: str, purpose: str, volts: float | None = None) -> Switching:
            done = switch(self, to, purpose, volts)
            if purpose == "restore":
                guard(closed=False)
                time.sleep(0.03)
                guard(closed=True)
                time.sleep(0.15)  # what the observer reads by now is closed again
            return done

        monkeypatch.setattr(Actuators, "switch", switched)
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "guard_closed of `only_while` did not hold all through" in show.said
        assert not rig.supply_is_on
        nothing_pressed(rig)


def test_a_short_silence_of_the_independent_device_does_not_end_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a second without a read of `only_while` is not a second: the run goes on to its end."""
    with armed_rig(tmp_path) as rig:
        pid = rig.simulation._process.pid
        Moment("watch", lambda _: stopped_for(pid, 0.5)).install(monkeypatch.setattr)
        show = Seen()
        outcome = rig.perform(show)
        assert outcome.runs[0].how == "completed", show.said
        nothing_pressed(rig)


def test_a_second_without_a_read_of_only_while_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What can't be read for a second counts as lost, and what is off stays off."""
    with armed_rig(tmp_path, scenario=_longer_off("4 s")) as rig:
        pid = rig.simulation._process.pid
        Moment("off", lambda _: stopped_for(pid, 2.5)).install(monkeypatch.setattr)
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_ERROR
        assert "could not be read for a second" in show.said
        nothing_pressed(rig)
        assert not rig.supply_is_on
        archive_is_whole(rig, rig.runs()[0])


def _longer_off(off_for: str) -> str:
    return SCENARIO.replace("off_for: 350 ms", f"off_for: {off_for}")


# ---------------------------------------------------------------- the allow-list


@pytest.mark.parametrize("point", ["never_named", "spare_out"])
def test_a_point_that_no_scenario_names_is_never_written(
    point: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked through the Python API in the middle of a run, the hands refuse, and nothing is sent."""
    with armed_rig(tmp_path) as rig:
        refused: list[str] = []

        def ask(moment: Moment) -> None:
            actuators: Actuators = moment.context.actuators
            for command in (
                lambda: actuators.write(point, True, "write"),
                lambda: actuators.leave_idle(point, "press"),
                lambda: actuators.back_to_idle(point),
            ):
                with pytest.raises(CommandRefused, match="not on the list") as told:
                    command()
                refused.append(str(told.value))

        moment = Moment("watch", ask)
        moment.install(monkeypatch.setattr)
        outcome = rig.perform()
        assert len(refused) == 3
        assert rig.written() == {"supply", "start", "jog", "stop"}
        assert outcome.exit_code == EXIT_PASS, outcome.runs[0].reason
        only_allowed_writes(rig)
