"""Replay: an archived cycle comes back as the states that the live screen would have been shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from builders import MS, S, dryer_rig
from drawn import examples
from live_values import cycle_started, judged_cycle, run_started
from restart_bench.model.clock import Bounds
from restart_bench.model.journal import (
    CycleEnded,
    CycleJudged,
    CycleRecords,
    Mark,
    Record,
    RunEnded,
    StepDone,
    Switching,
)
from restart_bench.model.live import LiveState
from restart_bench.model.rig import Levels, Point
from restart_bench.model.samples import DeviceSamples, SampleKind, SampleLayout
from restart_bench.model.verdicts import Verdict
from restart_bench.screen.replay import PlayedCycle, around_cycles, played_cycle

STEP = 100 * MS


def samples(device: str, points: tuple[tuple[str, str], ...], rows: list[tuple[int, SampleKind, tuple[float, ...]]]):
    """Samples of one device with one request: (received, kind, values)."""
    layout = SampleLayout(device, ("read",), points)  # type: ignore[arg-type]
    records = np.zeros(len(rows), layout.dtype())
    for row, (received, kind, values) in zip(records, rows, strict=True):
        row["kind"], row["sent_ns"], row["received_ns"] = kind, received - MS, received
        for (name, _), value in zip(points, values or (-1,) * len(points), strict=True):
            row[f"p:{name}"] = value
    return DeviceSamples(layout, records)


def the_cycle() -> tuple[CycleRecords, CycleJudged, dict[str, DeviceSamples]]:
    """Cut at 1 s, restored at 3 s, ready at 4 s; the fan goes off with the supply and pulses for 40 ms at 5 s."""
    records = CycleRecords(
        cycle_started(1, at_ns=0),
        steps=(StepDone(1, "before", 0, "press start_button", True, 200 * MS, 400 * MS),),
        switchings=(
            Switching(1, "supply", "off", "cut", S - MS, S),
            Switching(1, "supply", "on", "restore", 3 * S - MS, 3 * S),
        ),
        ended=CycleEnded(1, 6 * S, True),
    )
    judged = CycleJudged(
        1,
        "burner-stays-shut",
        "",
        Verdict.PASS,
        "",
        (Mark("dark", Bounds(S, S + 60 * MS)), Mark("ready", Bounds(4 * S, 4 * S))),
        (),
    )
    fan = [(t * STEP, SampleKind.GOOD, (float(t * STEP < S),)) for t in range(1, 10)]
    fan += [(t * STEP, SampleKind.SILENT, ()) for t in range(11, 40)]
    fan += [(t * STEP, SampleKind.GOOD, (0.0,)) for t in range(40, 51)]
    fan += [(5 * S + 30 * MS, SampleKind.GOOD, (1.0,)), (5 * S + 70 * MS, SampleKind.GOOD, (0.0,))]
    fan += [(t * STEP, SampleKind.GOOD, (0.0,)) for t in range(51, 61)]
    rail = [(t * STEP, SampleKind.GOOD, (float(not S <= t * STEP < 3 * S),)) for t in range(61)]
    return (
        records,
        judged,
        {
            "controller": samples("controller", (("fan", "b"),), fan),
            "independent": samples("independent", (("rail", "b"),), rail),
        },
    )


def played() -> list[tuple[int, Record | LiveState]]:
    records, judged, read = the_cycle()
    shown = played_cycle(dryer_rig(), records, judged, read, of_cycles=20, step_ns=STEP)
    return [(one.at_ns, one.shown) for one in shown]


def state_at(at_ns: int) -> LiveState:
    return next(one for at, one in played() if at >= at_ns and isinstance(one, LiveState))


def test_instants_never_run_backwards() -> None:
    """What is played is in the order of its instants, records and states alike."""
    instants = [at for at, _ in played()]
    assert instants == sorted(instants)


def test_every_record_of_the_cycle_is_played_once() -> None:
    """Start, step, both commands and the judgement are shown, each once; the end of the cycle has no line."""
    kinds = [type(one).__name__ for _, one in played() if not isinstance(one, LiveState)]
    assert sorted(kinds) == ["CycleJudged", "CycleStarted", "StepDone", "Switching", "Switching"]


@pytest.mark.parametrize(
    ("at_ns", "phase", "supply", "powered", "answering", "running"),
    [
        (int(0.9 * S), "before the cut", "on", True, True, True),
        (2 * S, "power is off", "off", False, False, False),
        (int(3.5 * S), "waiting for ready", "on", True, False, False),
        (int(4.5 * S), "watching", "on", True, True, True),
    ],
)
def test_lights_are_those_of_the_run(
    at_ns: int, phase: str, supply: str, powered: bool, answering: bool, running: bool
) -> None:
    """Supply, proof, answers and readiness are taken from commands, samples and marks of that instant."""
    state = state_at(at_ns)
    told = (state.phase, state.supply, state.powered, state.answering, state.running)
    assert told == (phase, supply, powered, answering, running)


def test_the_function_check_is_not_the_watch() -> None:
    """What comes on there was commanded: the picture calls the span by its name, and the watch ends before it."""
    records, judged, read = the_cycle()
    step = replace(records.steps[0], phase="function check", started_ns=5 * S, ended_ns=int(5.5 * S))
    checked = replace(records, steps=(*records.steps, step))
    shown = played_cycle(dryer_rig(), checked, judged, read, of_cycles=20, step_ns=STEP)
    phases = {one.at_ns: one.shown.phase for one in shown if isinstance(one.shown, LiveState)}
    assert {phase for at, phase in phases.items() if 4 * S <= at < 5 * S} == {"watching"}
    assert {phase for at, phase in phases.items() if at >= 5 * S} == {"function check"}


def test_a_cycle_that_begins_before_its_first_sample_begins_without_a_silence() -> None:
    """Before the first sample of a cycle nobody knows whether the controller answers; it has not fallen silent."""
    before_the_cut = [one.answering for at, one in played() if isinstance(one, LiveState) and at < S]
    assert before_the_cut[0] is None
    assert False not in before_the_cut


def test_a_short_pulse_is_played_as_two_changes() -> None:
    """A pulse between two pictures comes with the next one, as it did live."""
    moved = [move for _, one in played() if isinstance(one, LiveState) for move in one.moved if move.point == "fan"]
    assert [(move.value, move.received_ns) for move in moved if move.received_ns > 4 * S] == [
        (True, 5 * S + 30 * MS),
        (False, 5 * S + 70 * MS),
    ]


def test_a_reading_bears_the_instant_at_which_it_was_read() -> None:
    """While the controller is dark its last reading grows old, which is how the screen knows that it is blind."""
    reading = state_at(2 * S).readings["fan"]
    assert reading.received_ns == 9 * STEP
    assert reading.value is True


@examples(12)
@given(st.lists(st.integers(0, 6 * S), max_size=6))
@example([5 * S - 50 * MS])  # a pulse lies within the first step after it
@example([5 * S + 30 * MS, 5 * S + 70 * MS])
def test_a_cycle_in_pieces_is_the_cycle_in_one(instants: list[int]) -> None:
    """Wherever a film stops and goes on, each record and each change of a value is shown once, in the same order."""
    records, judged, read = the_cycle()
    cycle = PlayedCycle(dryer_rig(), records, judged, read, of_cycles=20)
    shown, after = [], None
    for up_to in [*sorted(set(instants)), cycle.ends_ns]:
        if after != up_to:
            shown += [one.shown for one in cycle.between(after, up_to, STEP)]
        after = up_to
    whole = [one for _, one in played()]
    assert _told_of(shown) == _told_of(whole)


def _told_of(shown: list[Record | LiveState]) -> list[object]:
    moved = {(move.point, move.received_ns) for one in shown if isinstance(one, LiveState) for move in one.moved}
    return [[one for one in shown if not isinstance(one, LiveState)], sorted(moved)]


def test_the_step_that_is_going_on_is_named() -> None:
    """The line below the lights says what the bench is doing at that instant."""
    assert state_at(300 * MS).doing == "press start_button"
    assert state_at(int(0.9 * S)).doing == ""


def test_begin_and_end_of_the_run_stand_around_the_cycles() -> None:
    """What was told before the first cycle and after the last judgement is played at either end."""
    end = RunEnded("x", "completed", Verdict.PASS, 0, "", 9 * S, "")
    records: list[Record] = [run_started(), cycle_started(), judged_cycle(1), end]
    assert around_cycles(records) == ([records[0]], [end])
    assert around_cycles([records[0]]) == ([records[0]], [])


def test_a_register_with_levels_is_replayed_as_off_or_on() -> None:
    """120 mV of a rail is off, 24 V is on, and what lies between the levels is neither: so POWER IS OFF in a cut."""
    records, judged, read = the_cycle()
    rig = dryer_rig()
    rail = Point("rail", "independent", "input_register", 0, type="uint16", levels=Levels(5_000, 19_000))
    rig = replace(rig, points={**rig.points, "rail": rail})
    volts = [(t * STEP, SampleKind.GOOD, (120.0 if S <= t * STEP < 3 * S else 24_000.0,)) for t in range(50)]
    volts += [(t * STEP, SampleKind.GOOD, (9_000.0,)) for t in range(50, 61)]
    read["independent"] = samples("independent", (("rail", "d"),), volts)
    shown = list(played_cycle(rig, records, judged, read, of_cycles=20, step_ns=STEP))
    states = [one.shown for one in shown if isinstance(one.shown, LiveState)]
    assert {one.powered for one in states if S + STEP < one.at_ns < 3 * S} == {False}
    assert {one.powered for one in states if 3 * S < one.at_ns < 5 * S} == {True}
    assert {one.powered for one in states if one.at_ns > 5 * S} == {None}
    assert {one.readings["rail"].value for one in states if S + STEP < one.at_ns < 3 * S} == {False}
