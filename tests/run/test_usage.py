"""What runs used up counts from when it truly was, whatever somebody did to the wall clock in the meantime."""

from __future__ import annotations

import dataclasses
import os
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive_builders import load, write_suite
from builders import dryer_rig
from restart_bench.archive.writer import RunArchive
from restart_bench.model.clock import NS_PER_S, Anchor, anchor
from restart_bench.model.journal import CutAnnounced
from restart_bench.model.rig import Device, Rig
from restart_bench.run import limits
from restart_bench.run.actuators import SupplyState
from restart_bench.run.context import CycleContext
from restart_bench.run.limits import LimitKeeper
from restart_bench.run.usage import (
    HOUR_NS,
    Noted,
    Used,
    as_of_now,
    longest_limit_ns,
    moved_by,
    read_usage_facts,
    usage_facts,
    used_lately,
)

S = NS_PER_S
NOW = Anchor(1_000 * S, "2026-03-02T10:00:00+00:00", "one boot", 0)
NOW_WALL_NS = round(datetime.fromisoformat(NOW.wall).timestamp()) * S
HOURS = [-1.0, 0.0, 26.0]


def noted(clock_s: int, hours_wrong: float, boot: str = NOW.boot, slept_s: int = 0) -> Anchor:
    """The anchor of a run that ended at an instant of the monotonic clock, under a wall clock that was wrong."""
    wall = datetime.fromisoformat(NOW.wall) - timedelta(seconds=1_000 - clock_s) + timedelta(hours=hours_wrong)
    return Anchor(clock_s * S, wall.isoformat(), boot, slept_s * S)


def wall_ns(moment: Anchor) -> int:
    """The wall clock of an anchor."""
    return round(datetime.fromisoformat(moment.wall).timestamp() * S)


def used_until(clock_s: int) -> Used:
    """A cut, a start, a fall and both ways of the supply, the last of them at this instant of the monotonic clock."""
    at = clock_s * S
    return Used([at - 9 * S], {"start": [at - 8 * S]}, {"start": at - 7 * S}, {"off": at - 9 * S, "on": at})


def of_now(facts: dict[str, Any], now: Anchor = NOW) -> Used:
    """What an archive tells of one run, on the wall clock of now."""
    moment = facts["anchor"]
    written = Anchor(**moment) if isinstance(moment, dict) else None
    used = read_usage_facts(facts)
    ended_ns = max(used.supply.values()) if written is None else wall_ns(written)
    (moved,) = moved_by([Noted(ended_ns - 9 * S, ended_ns, written)], now)
    return as_of_now(used, moved, now)


@pytest.mark.parametrize("hours_wrong", HOURS)
def test_within_one_boot_the_monotonic_clock_says_how_long_ago_a_run_was(hours_wrong: float) -> None:
    """A wall clock that was a day ahead made each later run wait for a day, one that was behind forgot the limits."""
    found = of_now(usage_facts(used_until(940), noted(940, hours_wrong)))
    ago = {name: (NOW_WALL_NS - at) / S for name, at in {"cut": found.cuts[0], **found.fell, **found.supply}.items()}
    assert ago == {"cut": 69, "start": 67, "off": 69, "on": 60} and found.starts == {"start": [NOW_WALL_NS - 68 * S]}
    assert found.on_since_ns == NOW_WALL_NS - 60 * S


def test_what_the_computer_slept_since_counts_as_time() -> None:
    """The monotonic clock stands still while a laptop sleeps; the relay does not."""
    found = of_now(usage_facts(used_until(940), noted(940, 26)), replace(NOW, slept_ns=500 * S))
    assert found.on_since_ns == NOW_WALL_NS - 560 * S


@given(hours=st.floats(0.1, 10_000), written=st.sampled_from(["another boot", "", "no anchor"]))
def test_nothing_of_another_boot_lies_in_the_future(hours: float, written: str) -> None:
    """Where only the wall clock could tell, what it puts into the future counts as carried out just now, in its order:
    the wait is as long as the limit, and not as long as the clock was wrong."""
    moment = noted(940, hours, boot=written)
    facts = usage_facts(used_until(940), moment)
    found = of_now({**facts, "anchor": 5} if written == "no anchor" else facts)
    late = [*found.cuts, *found.starts["start"], *found.fell.values(), *found.supply.values()]
    assert max(late) <= NOW_WALL_NS and found.off_since_ns is None
    assert found.on_since_ns is not None and found.on_since_ns >= NOW_WALL_NS - 60 * S


@dataclasses.dataclass(frozen=True)
class Was:
    """A run as it was: when it began and ended (s before now), in which boot, by how much the clock was wrong then."""

    begun_s: int
    ended_s: int
    boot: int
    wrong_s: int = 0

    def noted(self, order: int) -> Noted:
        """What its run.json says of that. Each boot began an hour before its first run, or so."""
        begun_ns, ended_ns = (NOW_WALL_NS - (ago - self.wrong_s) * S for ago in (self.begun_s, self.ended_s))
        wall = datetime.fromisoformat(NOW.wall) - timedelta(seconds=self.ended_s - self.wrong_s)
        boot = NOW.boot if self.boot == 0 else f"boot {self.boot}"
        clock_ns = NOW.clock_ns - self.ended_s * S if self.boot == 0 else (10**6 * self.boot - self.ended_s) * S
        return Noted(begun_ns, ended_ns, Anchor(clock_ns, wall.isoformat(), boot, 0), order)


def ended_ago(*runs: Was) -> list[float]:
    """When these runs, in this order, are said to have ended, s before now."""
    told = [run.noted(order) for order, run in enumerate(runs, start=1)]
    moves = moved_by(told, NOW)
    return [(NOW_WALL_NS - one.ended_ns - moved) / S for one, moved in zip(told, moves, strict=True)]


def test_a_clock_that_was_set_right_within_one_boot_tells_of_the_runs_before() -> None:
    """Of an earlier boot too: the newest anchor of it is believed, the monotonic clock does the rest."""
    day = 86_400
    assert ended_ago(Was(500, 400, 0, -3 * day), Was(90, 60, 0, -3 * day)) == [400, 60]
    assert ended_ago(Was(2500, 2400, 1, -3 * day), Was(2200, 2100, 1)) == [2400, 2100]


def test_a_run_that_began_after_another_was_not_before_it() -> None:
    """A computer that lost its clock over a restart, ran, and came right at the next one: it counts as late as it can
    have been, just now, or once more runs have begun, when the next of them did."""
    years = -50 * 365 * 86_400
    lost = [Was(7200, 7000, 2), Was(2500, 2400, 1, years)]
    assert ended_ago(*lost) == [7000, 0]
    assert ended_ago(*lost, Was(2000, 1500, 0)) == [7000, 2000, 1500]
    assert ended_ago(*lost, Was(2000, 1500, 3)) == [7000, 2000, 1500]


GAPS = st.lists(st.tuples(st.integers(1, 600), st.integers(1, 600), st.booleans()), max_size=8)
"""Of runs, the newest first: how long after its end the next one began, how long it took, whether it booted between."""


def history(gaps: list[tuple[int, int, bool]], wrong_s: list[int]) -> list[Was]:
    """Runs one after the other, up to now, the clock of each boot wrong by so much; the newest boot is that of now."""
    runs, at_s, boot = [], 0, 0
    for gap_s, lasted_s, booted in gaps:
        boot += booted
        ended_s = at_s + gap_s
        at_s = ended_s + lasted_s
        runs.append(Was(at_s, ended_s, boot, wrong_s[boot]))
    return runs[::-1]


@given(GAPS)
def test_clocks_that_were_right_are_believed(gaps: list[tuple[int, int, bool]]) -> None:
    """Whatever boots and runs there were: each run is as long ago as it was."""
    runs = history(gaps, [0] * 9)
    assert ended_ago(*runs) == [run.ended_s for run in runs]


@given(GAPS, st.lists(st.sampled_from([-(10**9), 0, 10**9]), min_size=9, max_size=9))
def test_no_limit_is_forgotten_where_the_order_of_runs_gives_a_clock_away(
    gaps: list[tuple[int, int, bool]], wrong_s: list[int]
) -> None:
    """A run under a right clock, then boots whose clocks were years behind or ahead, or right: no run is taken for
    longer ago than it was, nor for one to come."""
    runs = [Was(20_000, 19_000, 10), *history(gaps, wrong_s)]
    for ago, run in zip(ended_ago(*runs), runs, strict=True):
        assert 0 <= ago <= run.ended_s


@pytest.mark.parametrize("hours_wrong", HOURS)
def test_a_run_counts_whatever_the_dates_of_its_files(tmp_path: Path, hours_wrong: float) -> None:
    """A clock that was hours behind dates the files too: their dates tell nothing of when the supply was cut."""
    suite = load(write_suite(tmp_path / "suite"))
    logs, now = tmp_path / "logs", anchor()
    assert suite.rig.supply is not None
    wall = datetime.fromisoformat(now.wall) + timedelta(hours=hours_wrong)
    moment = replace(now, wall=wall.isoformat())
    before = {"supply_address": suite.rig.supply.address, "simulated": False, "anchor": asdict(moment), "order": 7}
    archive = RunArchive.create(logs, run_id="20260105T080000Z-aaaa", suite=suite, before=before)
    archive.close({"limits_used": usage_facts(Used([now.clock_ns]), moment)})
    for path in archive.folder.rglob("*"):
        os.utime(path, ns=(wall_ns(moment), wall_ns(moment)))

    found = used_lately(logs, suite.rig)
    assert [abs(wall_ns(now) - cut) < S for cut in found.cuts] == [True]
    assert found.order == 7


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
