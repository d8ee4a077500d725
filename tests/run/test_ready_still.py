"""A controller that was ready to the end of a cycle need not show it for `steady` once more before the next press."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from evidence import MS, T0, S, Story
from restart_bench.evidence.marks import traces_of
from restart_bench.model.clock import FAR_NS, Bounds
from restart_bench.model.scenario import Step, Wait
from restart_bench.run import cycle
from restart_bench.run.context import WasReady
from restart_bench.run.cycle import CycleAct, Turn

NOW = T0 + 300 * MS
STEADY_NS = 250 * MS
WAIT = (Step("before", 0, Wait(STEADY_NS), "wait"),)
BEFORE = WasReady(until_ns=T0 - 200 * MS, alive=7, switched=4, connection=1, counting_ns=40 * MS)


def found(
    monkeypatch: pytest.MonkeyPatch,
    story: Story,
    before: WasReady | None = BEFORE,
    *,
    alive: int | None = 9,
    switched: int = 4,
    connection: int = 1,
    steps: tuple[Step, ...] = WAIT,
    now: int = NOW,
) -> Bounds | None:
    """What the bench finds at `now` of a cycle that began at T0, uncut so far."""
    rig = replace(story.rig, ready=replace(story.rig.ready, steady_ns=STEADY_NS))
    context: Any = SimpleNamespace(
        rig=rig,
        traces=lambda names: traces_of(rig, story.records(), story.samples(), names),
        observer=SimpleNamespace(
            latest=lambda _: SimpleNamespace(value=alive),
            last_good_ns=lambda _: now - 5 * MS,
            connection_of=lambda _: connection,
        ),
        actuators=SimpleNamespace(state=SimpleNamespace(operations=switched)),
    )
    turn = Turn(replace(story.scenario, before=steps), story.scenario.cases[0], 1, 1)
    monkeypatch.setattr(cycle, "now_ns", lambda: now)
    return CycleAct(context, turn, seed=1, rehearse=False)._ready_still(before, T0)


def uncut(**more: Any) -> Story:
    """A cycle in which nothing was cut yet."""
    return Story(cut_ns=60 * S, switched=False, end_ns=300 * MS, **more)


def test_ready_to_the_end_of_the_cycle_before_is_ready_now(monkeypatch: pytest.MonkeyPatch) -> None:
    """It reads ready since the first read, its sign of life moved, nobody switched: the first press may come."""
    assert found(monkeypatch, uncut()) is not None


@pytest.mark.parametrize(
    "changed",
    [
        {"before": None},
        {"before": replace(BEFORE, until_ns=T0 - 2 * S)},
        {"switched": 5},
        {"alive": 7},
        {"alive": None},
        {"connection": 2},
        {"steps": (), "now": T0 + STEADY_NS - MS},
    ],
    ids=[
        "first cycle",
        "a second unread",
        "switched meanwhile",
        "does not move",
        "not read",
        "reconnected",
        "no steps to look on",
    ],
)
def test_otherwise_steady_is_waited_for(monkeypatch: pytest.MonkeyPatch, changed: dict[str, Any]) -> None:
    """Each of these takes the ground away: then the cycle waits as the first one does."""
    assert found(monkeypatch, uncut(), **changed) is None


def test_the_first_read_of_the_cycle_is_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing was lost since the cycle before, so its sign of life need not change twice before the first step, where
    the steps last until its reads have counted for `steady`; of a slow sign of life that is not known."""
    young = replace(uncut(), end_ns=15 * MS)
    steps = (Step("before", 0, Wait(STEADY_NS + 40 * MS), "wait"),)
    assert found(monkeypatch, young, steps=steps, now=T0 + 15 * MS) is not None
    assert found(monkeypatch, young, steps=WAIT, now=T0 + 15 * MS) is None
    assert found(monkeypatch, young, replace(BEFORE, counting_ns=FAR_NS), steps=steps, now=T0 + 15 * MS) is None


def test_one_read_that_is_not_ready_ends_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A controller that left run mode between two cycles has to be ready for `steady` anew."""
    assert found(monkeypatch, uncut(truth={"running": [(0, 1), (100 * MS, 0), (150 * MS, 1)]})) is None


def test_how_soon_reads_count_is_learnt_from_the_life_after_the_cut() -> None:
    """The time in the dark is no pace of the sign of life: it moved every 10 ms before and after."""
    story = Story()
    context: Any = SimpleNamespace(
        rig=story.rig,
        traces=lambda names: traces_of(story.rig, story.records(), story.samples(), names),
        observer=SimpleNamespace(latest=lambda _: SimpleNamespace(value=7), connection_of=lambda _: 3),
        actuators=SimpleNamespace(state=SimpleNamespace(operations=2)),
    )
    act = CycleAct(context, Turn(story.scenario, story.scenario.cases[0], 1, 1), seed=1, rehearse=False)
    act._life_from_ns = T0 + story.running_ns
    was = act._ready_to_its_end()
    assert was is not None and (was.alive, was.connection, was.switched) == (7, 3, 2)
    assert 20 * MS <= was.counting_ns <= 120 * MS


def test_what_is_surely_not_ready_is_looked_through_only_now_and_then(monkeypatch: pytest.MonkeyPatch) -> None:
    """All reads are gone through some 33 times a second where the newest are ready, and a few times a second before,
    since a controller may have been ready for a while and be so no longer; at the end of the wait in any case."""
    story, met, clock, asked = Story(), [False], [T0], [0]
    context: Any = SimpleNamespace(
        rig=story.rig,
        observer=SimpleNamespace(latest=lambda _: SimpleNamespace(value=7)),
        met_now=lambda name, wanted: met[0],
    )
    monkeypatch.setattr(cycle, "now_ns", lambda: clock[0])
    act = CycleAct(context, Turn(story.scenario, story.scenario.cases[0], 1, 1), seed=1, rehearse=False)

    def check() -> bool | None:
        asked[0] += 1
        return None

    seldom = act._seldom(T0 + 410 * MS, check)
    for at, is_met, times in (
        (0, False, 1),
        (20, True, 1),
        (31, True, 2),
        (40, True, 2),
        (62, True, 3),
        (100, False, 3),
        (400, False, 4),
        (410, False, 5),
    ):
        clock[0], met[0] = T0 + at * MS, is_met
        seldom()
        assert asked[0] == times
