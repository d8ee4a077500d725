"""A point that was let go of, and whose device confirmed it: what it reads since decides."""

from __future__ import annotations

from typing import Any, cast

import pytest

from evidence import dryer
from restart_bench.model.clock import now_ns
from restart_bench.model.journal import Switching
from restart_bench.model.live import Reading
from restart_bench.model.rig import Value
from restart_bench.observer.handle import ObserverHandle, WriteDone
from restart_bench.run.actuators import Actuators
from restart_bench.run.recovery import NotRight, insist_on_idle
from restart_bench.run.supervision import StopRequest


class _Wire:
    """An observer whose device acknowledges every write; what it reads then is told from outside."""

    failed = ""

    def __init__(self) -> None:
        self.reads: Value | None = None
        self.written: list[Value] = []
        self.names: list[str] = []

    def write(self, name: str, value: Value, _purpose: str) -> WriteDone:
        self.names.append(name)
        self.written.append(value)
        return WriteDone(now_ns(), now_ns(), "")

    def latest(self, _name: str) -> Reading:
        return Reading(self.reads, now_ns(), now_ns())

    def wait_news(self, _timeout_s: float) -> bool:
        return False


def pressed_and_let_go_of(monkeypatch: pytest.MonkeyPatch) -> tuple[Actuators, _Wire]:
    """The start button was pressed and let go of; its device said so."""
    for limit in ("_IDLE_PATIENCE_NS", "_READ_BACK_WITHIN_NS"):
        monkeypatch.setattr(f"restart_bench.run.actuators.{limit}", 0)
    wire = _Wire()
    actuators = Actuators(
        dryer(), cast(ObserverHandle, cast(Any, wire)), None, allowed=frozenset({"start_button"}),
        publish=lambda _: None, ask=None, stop=StopRequest(), heed_limits=True,
    )  # fmt: skip
    actuators.leave_idle("start_button", "press")
    actuators.back_to_idle("start_button")
    return actuators, wire


@pytest.mark.parametrize(
    ("reads", "out"), [(False, {}), (True, {"start_button": True}), (None, {"start_button": False})]
)
def test_only_a_read_since_shows_that_a_point_is_back_in_idle(
    reads: Value | None, out: dict[str, bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not the confirmation of its device: read otherwise and not read at all are told apart."""
    actuators, wire = pressed_and_let_go_of(monkeypatch)
    wire.reads = reads
    assert actuators.still_out() == out


@pytest.mark.parametrize("reads", [True, None])
def test_the_way_out_tries_again_what_does_not_read_let_go_of_and_says_so_loudly(
    reads: Value | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where nothing was cut since, and where it was confirmed long ago."""
    actuators, wire = pressed_and_let_go_of(monkeypatch)
    wire.reads = reads
    said: list[str] = []
    assert actuators.all_to_idle(said.append) == ("start_button",)
    assert wire.written == [True, False, False]
    assert len(said) == 1 and "START_BUTTON MAY STILL BE OUT OF IDLE" in said[0]


def test_what_read_idle_once_and_is_not_read_now_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A device that went dark with the supply is no button that is pressed."""
    actuators, wire = pressed_and_let_go_of(monkeypatch)
    wire.reads = False
    assert actuators.still_out() == {}
    wire.reads = None
    assert actuators.all_to_idle(lambda _: None) == () and wire.written == [True, False]


def test_a_cut_is_not_gone_on_with_while_a_point_can_not_be_let_go_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """A killed run pressed one button and held another: where the first does not read let go of, it is named, and the
    held one is let go of too, for the cycle will not go on."""
    monkeypatch.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", 0)
    wire = _Wire()
    wire.reads = True
    actuators = Actuators(
        dryer(), cast(ObserverHandle, cast(Any, wire)), None, allowed=frozenset(), publish=lambda _: None, ask=None,
        stop=StopRequest(), heed_limits=True,
    )  # fmt: skip
    cut = Switching(1, "supply", "off", "cut", now_ns(), now_ns())
    left: dict[str, Value] = {"start_button": False, "spare_out": False}
    failed = actuators.take_over_cut(cut, left, ("spare_out",), lambda _: None)
    assert failed == ("start_button",) and wire.names[-1] == "spare_out"
    with pytest.raises(NotRight, match="start_button could not be shown to be back in idle"):
        insist_on_idle(failed)
