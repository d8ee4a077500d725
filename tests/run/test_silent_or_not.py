"""What a run says of a controller that is not ready: silence is not what answers otherwise."""

from __future__ import annotations

from pathlib import Path

from command_line import bench
from lamp_suites import LampSuites
from restart_bench.model.verdicts import EXIT_FAIL


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
