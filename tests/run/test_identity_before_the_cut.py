"""Nothing is cut before each point of `identify` was read right within the last second."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from evidence import MS, S, dryer, scenario
from restart_bench.evidence.traces import Trace
from restart_bench.model.clock import now_ns
from restart_bench.model.live import Reading
from restart_bench.model.rig import Wanted
from restart_bench.run.context import CycleContext
from restart_bench.run.cycle import CycleAct, Turn


class Ended(Exception):
    """The run was ended."""


class _Supervisor:
    def end(self, kind: str, text: str, at_ns: int) -> None:
        raise Ended(f"{kind}: {text}")


def an_act(newest: float | None, seen: float | None, read_ago_ns: int) -> CycleAct:
    """A cycle whose device code was read last so long ago as `seen`; the newest request for it got `newest`."""
    at = now_ns() - read_ago_ns
    rows = np.array([] if seen is None else [at], dtype=np.int64)
    value = np.array([] if seen is None else [seen], dtype=float)
    trace = Trace("device_code", rows - MS, rows, value, np.ones(len(rows), dtype=bool))
    reading = Reading(newest, at - MS, at)
    context = SimpleNamespace(
        rig=dryer(identify=(("device_code", Wanted(equals=4711)),)),
        observer=SimpleNamespace(latest=lambda name: reading),
        supervisor=_Supervisor(),
        traces=lambda names: {"device_code": trace},
    )
    told = scenario()
    turn = Turn(told, told.cases[0], 1, 1, 1)
    return CycleAct(cast(CycleContext, cast(Any, context)), turn, seed=1, rehearse=False)


@pytest.mark.parametrize(
    ("newest", "seen", "read_ago_ns", "said"),
    [
        (4711, 4711, 5 * MS, ""),
        (None, 4711, 100 * MS, ""),
        (None, 4711, 2 * S, "was not read within the last second"),
        (4711, 4711, 2 * S, "was not read within the last second"),
        (None, None, 0, "was not read within the last second"),
        (4712, 4712, 5 * MS, "wrong device"),
        (None, 4712, 100 * MS, "wrong device"),
    ],
)
def test_the_identity_has_to_be_read_right_within_the_last_second(
    newest: float | None, seen: float | None, read_ago_ns: int, said: str
) -> None:
    """One request that is not answered changes nothing; a second without a read, or another value, ends the run."""
    act = an_act(newest, seen, read_ago_ns)
    if not said:
        act._insist_on_identity()
        return
    with pytest.raises(Ended, match=f"identity: .*{said}(.|\n)*nothing was cut"):
        act._insist_on_identity()
