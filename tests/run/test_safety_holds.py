"""What a scenario holds is let go of where it says so, whoever holds it."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import PointWritten
from restart_bench.model.verdicts import EXIT_PASS, EXIT_STOPPED
from restart_bench.run.session import perform
from safety_moments import Moment
from safety_rig import SCENARIO, Seen, armed_rig

HELD_IN_THE_CHECK = SCENARIO.replace("  - press: stop\n    for: 150 ms\n", "  - hold: stop\n")


def test_what_a_function_check_holds_is_let_go_of_at_its_end(tmp_path: Path) -> None:
    """Within the cycle, not on the run's way out: the next cycle would be cut with it pressed."""
    with armed_rig(tmp_path, scenario=HELD_IN_THE_CHECK) as rig:
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_PASS, show.said
    written = [one for one in show.records if isinstance(one, PointWritten) and one.point == "stop"]
    assert [(one.cycle, one.value) for one in written] == [(1, False), (1, True)]


def test_what_a_person_holds_is_told_to_be_let_go_of_on_the_way_out_and_looked_at(tmp_path: Path) -> None:
    """Stopped in the off time with the button in somebody's hand: no power is given, the run stays open. Once its own
    input reads that it was let go of, `park` puts the rig right."""
    with armed_rig(tmp_path) as rig:
        file = rig.folder / "rig.yaml"
        text = file.read_text(encoding="utf-8")
        jog = "jog: {device: independent, coil: 1, "
        assert jog in text
        file.write_text(text.replace(f"{jog}writable: true", f"{jog}by_hand: jog button"), encoding="utf-8")

        def work(pressed: bool) -> bool:
            rig.simulation.send({"command": "set", "values": {"jog": pressed}})
            return True

        show = Seen()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("restart_bench.run.actuators._IDLE_PATIENCE_NS", NS_PER_S // 5)
            Moment("off", lambda _: signal.raise_signal(signal.SIGTERM)).install(patch.setattr)
            outcome = perform(rig.suite(), rig.options(), show, lambda asked: work("keep pressed" in asked))
        assert outcome.exit_code == EXIT_STOPPED
        assert "LET GO OF: jog button" in show.said and "JOG MAY STILL BE OUT OF IDLE" in show.said
        assert not rig.supply_is_on and not (rig.runs()[0] / "SHA256SUMS").exists()
        work(pressed=False)
        assert rig.park().well and rig.supply_is_on
