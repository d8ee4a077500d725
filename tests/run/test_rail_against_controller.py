"""A rail that reads off although the relay obeyed: what is said of it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from evidence import dryer
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.verdicts import EXIT_ERROR
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run.actuators import Actuators
from restart_bench.run.supervision import StopRequest
from safety_rig import armed_rig


@pytest.mark.parametrize(
    ("wish", "answered_s", "blames_the_rail"),
    [("on", 0.1, True), ("on", 5, False), ("on", None, False), ("off", 0.1, False)],
)
def test_a_controller_that_answers_is_named_beside_a_rail_that_reads_off(
    wish: str, answered_s: float | None, blames_the_rail: bool
) -> None:
    """Both readings are told: with the controller answering the rail's own wiring is what to look at."""
    answered = None if answered_s is None else now_ns() - round(answered_s * NS_PER_S)
    observer = SimpleNamespace(
        last_good_ns=lambda _: answered, latest=lambda _: SimpleNamespace(value=False, sent_ns=now_ns())
    )
    actuators = Actuators(
        dryer(), cast(ObserverHandle, observer), None, allowed=frozenset(), publish=lambda _: None,
        ask=None, stop=StopRequest(), heed_limits=True,
    )  # fmt: skip
    text = actuators._against_the_rail(wish)
    assert "rail reads off" in text
    assert ("controller answers" in text and "look at the rail's input" in text) is blames_the_rail


def test_a_proof_of_the_supply_that_can_not_be_read_keeps_the_supply_on(tmp_path: Path) -> None:
    """Another proof would do for a verdict: with the rail at an address that its device refuses, a watchdog beside a
    relay that sticks would pass. Which proof it is, and whom to ask, is said; the relay is never told to open."""
    with armed_rig(tmp_path) as rig:
        file = rig.folder / "rig.yaml"
        text = file.read_text(encoding="utf-8")
        text = text.replace(
            "rail: {device: independent, discrete_input: 8}", "rail: {device: independent, discrete_input: 40}"
        )
        file.write_text(
            text.replace("proof_of_cut: [{rail: off}]", "proof_of_cut: [{rail: off}, contact: lost]"), "utf-8"
        )
        outcome = rig.perform()
        (run,) = outcome.runs
        assert outcome.exit_code == EXIT_ERROR
        assert rig.off_times() == [] and rig.supply_is_on
    told = run.counted[0].reason
    assert "rail of `proof_of_cut` gave no value" in told and "ask `look` what independent says" in told, told
