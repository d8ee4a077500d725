"""What a run says of a controller that is not ready: silence is not what answers otherwise."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from command_line import bench
from evidence import dryer, scenario
from lamp_suites import LampSuites
from restart_bench.model.samples import SampleKind
from restart_bench.model.verdicts import EXIT_FAIL
from restart_bench.run.context import CycleContext
from restart_bench.run.cycle import CycleAct, Turn
from restart_bench.run.steps import CycleBrokenOff


class RunEnds(Exception):
    """The whole run is ended."""


def end(kind: str, text: str, at_ns: int) -> None:
    """In place of the supervisor's."""
    raise RunEnds(f"{kind}: {text}")


@pytest.mark.parametrize(("answered", "heard", "ends"), [
    (None, SampleKind.REFUSED, RunEnds), (None, SampleKind.SILENT, RunEnds),
    (None, SampleKind.EXCEPTION, CycleBrokenOff), (None, SampleKind.LATE, CycleBrokenOff),
    (5, SampleKind.SILENT, CycleBrokenOff),
])  # fmt: skip
def test_the_run_ends_where_a_device_never_answered(answered: int | None, heard: SampleKind, ends: type) -> None:
    """A wrong address is waited for once, not in every cycle, whatever answers beside it; what has answered before, or
    says anything, may come."""
    rig, told = dryer(), scenario()
    one = SimpleNamespace(records=np.array([(heard,)], dtype=[("kind", "u1")]))
    observer = SimpleNamespace(last_good_ns=lambda name: answered if name == "controller" else 5)
    context = SimpleNamespace(
        rig=rig, observer=observer, supervisor=SimpleNamespace(end=end), samples=lambda: {"controller": one},
        record=lambda record: None,
    )  # fmt: skip
    turn = Turn(told, told.cases[0], 1, 1, 1)
    act = CycleAct(cast(CycleContext, cast(Any, context)), turn, seed=1, rehearse=False)
    act._why_not_ready = lambda since: "controller does not answer; nothing was cut"  # type: ignore[method-assign]
    with pytest.raises(ends):
        act._give_up(1)


@pytest.mark.parametrize(("heard", "said"), [
    (SampleKind.SILENT, "controller does not answer within 50 ms (`answer_within`) at 192.0.2.10:502, unit 1"),
    (SampleKind.LATE, "it answers, but only after up to 57 ms, which is later than its `answer_within` of 50 ms"),
])  # fmt: skip
def test_who_answers_too_late_is_told_how_late_where_that_was_seen(heard: SampleKind, said: str) -> None:
    """Where it was not, how long was waited: a server so slow that it is behind with every connection looks silent."""
    fields = [("kind", "u1"), ("exception", "u1"), ("sent_ns", "i8"), ("received_ns", "i8")]
    one = SimpleNamespace(records=np.array([(heard, 0, 0, 57_000_000)], dtype=fields))
    context = SimpleNamespace(rig=dryer(), samples=lambda: {"controller": one})
    told = scenario()
    act = CycleAct(cast(CycleContext, cast(Any, context)), Turn(told, told.cases[0], 1, 1, 1), seed=1, rehearse=False)
    act._silent_devices = lambda now: ["controller"]  # type: ignore[method-assign]
    assert said in act._why_not_ready(0)


def test_a_controller_that_is_busy_for_ever_is_not_said_to_be_silent(tmp_path: Path) -> None:
    """Exception 06 is an answer: the run says so, in place of sending somebody to look at cables."""
    suites = LampSuites(tmp_path)
    rig = suites.rig()
    suites.scenario(rig, "stays", "on")
    program = (rig / "program.yaml").read_text(encoding="utf-8").replace("answering: 20 ms", "busy: 1 h")
    (rig / "program.yaml").write_text(program, encoding="utf-8")
    quick = (rig / "rig.yaml").read_text(encoding="utf-8").replace("within: 3 s", "within: 1500 ms")
    (rig / "rig.yaml").write_text(quick, encoding="utf-8")
    done = bench("run", rig, "--simulated", "--repeat", "2", "--logs", suites.folder / "logs")
    assert done.returncode == EXIT_FAIL  # the first cycle shows that it does not get ready
    assert "exception 06: it is busy; nothing was cut" in " ".join(done.stdout.split())
    assert "does not answer" not in done.stdout
