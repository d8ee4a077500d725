"""What runs used up counts from when it truly was, whatever somebody did to the wall clock in the meantime."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders import dryer_rig
from restart_bench.model.clock import NS_PER_S, Anchor
from restart_bench.model.journal import CutAnnounced
from restart_bench.model.rig import Device, Rig
from restart_bench.run import limits
from restart_bench.run.actuators import SupplyState
from restart_bench.run.context import CycleContext
from restart_bench.run.limits import LimitKeeper
from restart_bench.run.usage import HOUR_NS, Used, as_of_now, longest_limit_ns, read_usage_facts, usage_facts

S = NS_PER_S
NOW = Anchor(1_000 * S, "2026-03-02T10:00:00+00:00", "one boot", 0)
NOW_WALL_NS = round(datetime.fromisoformat(NOW.wall).timestamp()) * S
HOURS = [-1.0, 0.0, 26.0]


def noted(clock_s: int, hours_wrong: float, boot: str = NOW.boot, slept_s: int = 0) -> Anchor:
    """The anchor of a run that ended at an instant of the monotonic clock, under a wall clock that was wrong."""
    wall = datetime.fromisoformat(NOW.wall) - timedelta(seconds=1_000 - clock_s) + timedelta(hours=hours_wrong)
    return Anchor(clock_s * S, wall.isoformat(), boot, slept_s * S)


def used_until(clock_s: int) -> Used:
    """A cut, a start, a fall and both ways of the supply, the last of them at this instant of the monotonic clock."""
    at = clock_s * S
    return Used([at - 9 * S], {"start": [at - 8 * S]}, {"start": at - 7 * S}, {"off": at - 9 * S, "on": at})


@pytest.mark.parametrize("hours_wrong", HOURS)
def test_within_one_boot_the_monotonic_clock_says_how_long_ago_a_run_was(hours_wrong: float) -> None:
    """A wall clock that was a day ahead made each later run wait for a day, one that was behind forgot the limits."""
    moment = noted(940, hours_wrong)
    facts = usage_facts(used_until(940), moment)
    found = as_of_now(read_usage_facts(facts), facts["anchor"], NOW)
    ago = {name: (NOW_WALL_NS - at) / S for name, at in {"cut": found.cuts[0], **found.fell, **found.supply}.items()}
    assert ago == {"cut": 69, "start": 67, "off": 69, "on": 60} and found.starts == {"start": [NOW_WALL_NS - 68 * S]}
    assert found.on_since_ns == NOW_WALL_NS - 60 * S


def test_what_the_computer_slept_since_counts_as_time() -> None:
    """The monotonic clock stands still while a laptop sleeps; the relay does not."""
    facts = usage_facts(used_until(940), noted(940, 26))
    found = as_of_now(read_usage_facts(facts), facts["anchor"], replace(NOW, slept_ns=500 * S))
    assert found.on_since_ns == NOW_WALL_NS - 560 * S


@given(hours=st.floats(0.1, 10_000), written=st.sampled_from(["another boot", "", None, "no anchor"]))
def test_nothing_of_another_boot_lies_in_the_future(hours: float, written: str | None) -> None:
    """Where only the wall clock could tell, what it puts into the future counts as carried out just now, in its order:
    the wait is as long as the limit, and not as long as the clock was wrong."""
    moment = noted(940, hours, boot=written or "")
    facts = usage_facts(used_until(940), moment)
    anchor = {"no anchor": 5, None: None}.get(written, asdict(moment))
    found = as_of_now(read_usage_facts(facts), anchor, NOW)
    late = [*found.cuts, *found.starts["start"], *found.fell.values(), *found.supply.values()]
    assert max(late) <= NOW_WALL_NS and found.off_since_ns is None
    assert found.on_since_ns is not None and found.on_since_ns >= NOW_WALL_NS - 60 * S


def test_a_run_keeps_the_cuts_and_starts_of_its_last_hour_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """No limit counts further back, also of what earlier runs did; all that was done stands in the journals."""
    clock = SimpleNamespace(at=0)
    monkeypatch.setattr(limits, "now_ns", lambda: clock.at)
    rig = dryer_rig()
    context = SimpleNamespace(rig=rig, log=[], cycle=0, actuators=SimpleNamespace(state=SupplyState()))
    before = Used([-S], {"start_button": [-S]})
    keeper = LimitKeeper(cast(CycleContext, context), before, heed=True)
    for cycle in range(1, 201):
        clock.at = cycle * 60 * S
        context.cycle, context.log = cycle, [CutAnnounced(cycle, "supply", "", "", clock.at)]
        keeper.count_cycle()

    kept = keeper.facts(Anchor(0, NOW.wall))
    ended = datetime.fromisoformat(NOW.wall) + timedelta(minutes=200)
    assert [datetime.fromisoformat(at) for at in kept["cuts"]] == [
        ended - timedelta(minutes=ago) for ago in reversed(range(60))
    ]
    assert before == Used([], {"start_button": []})


def test_a_rig_without_supply_and_limits_looks_back_an_hour() -> None:
    """Where only run mode is taken and no point bears a limit, the hourly limits alone count."""
    assert longest_limit_ns(Rig("bare", "harmless", {"controller": Device("controller", "h")}, {})) == HOUR_NS
