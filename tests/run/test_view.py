"""What a run tells the screen of itself."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

from builders import S, dryer_rig
from live_values import cycle_started
from restart_bench.campaigns.time_left import TimeLeft
from restart_bench.run.context import CycleContext, View


def test_what_a_cycle_drew_of_its_length_is_not_expected_of_the_others() -> None:
    """Two cycles of 30 s of which the first waited 9 s and the second 1 s for its cut, drawn within 10 s."""
    place = ("burner-stays-shut", "")
    left = TimeLeft({place: (S, 99 * S)}, {place: 2}, drawn={place: (0, 10 * S)})
    log = [replace(cycle_started(1), cut_delay_ns=9 * S)]
    view = View(dryer_rig(), cast(CycleContext, SimpleNamespace(log=log)), 2, left)
    view.cycle_took(1, *place, 39 * S)
    assert left.left() == (27 * S, 35 * S, 43 * S)
