"""What a scenario holds is let go of where it says so, whoever holds it."""

from __future__ import annotations

from pathlib import Path

from restart_bench.model.journal import PointWritten
from restart_bench.model.verdicts import EXIT_PASS
from safety_rig import SCENARIO, Seen, armed_rig

HELD_IN_THE_CHECK = SCENARIO.replace("  - press: stop\n    for: 150 ms\n", "  - hold: stop\n")


def test_what_a_function_check_holds_is_let_go_of_at_its_end(tmp_path: Path) -> None:
    """Within the cycle, not on the run's way out: the next cycle would be cut with it pressed."""
    with armed_rig(tmp_path, scenario=HELD_IN_THE_CHECK) as rig:
        show = Seen()
        assert rig.perform(show).exit_code == EXIT_PASS, show.said
    written = [one for one in show.records if isinstance(one, PointWritten) and one.point == "stop"]
    assert [(one.cycle, one.value) for one in written] == [(1, False), (1, True)]
