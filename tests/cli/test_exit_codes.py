"""Exit code 1 says that a controller was shown to fail, and nothing else ends with it; what can be refused is refused
before the first cut."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from command_line import MAIN, bench, command, run_folders, told
from lamp_suites import LampSuites
from restart_bench.cli.common import honest_exit
from restart_bench.judging.inquiry.survey import SurveyRow
from restart_bench.model.outcome import OneRun
from restart_bench.observer.handle import ObserverError
from restart_bench.run.inquiry.survey import exit_code_of_survey
from restart_bench.run.recovery import NotRight
from restart_bench.simulated.handle import SimulationFailed

FULL = Path("/dev/full")


@pytest.fixture
def suites(tmp_path: Path) -> LampSuites:
    """A suite that passes."""
    made = LampSuites(tmp_path)
    made.scenario(made.rig(), "stays", "on")
    return made


def with_closed_pipe(*arguments: object) -> tuple[int, str]:
    """A command whose standard output nobody reads any more: exit code, standard error."""
    with subprocess.Popen(
        command(*arguments), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
        process.stdout = None
        _, said = process.communicate(timeout=120)
    return process.returncode, said.decode()


def test_a_closed_pipe_takes_nothing_from_the_verdict(suites: LampSuites) -> None:
    """Whoever read the output is gone: a run that passed ends with 0, and judged again it ends with 0 as well."""
    logs = suites.folder / "logs"
    assert with_closed_pipe("run", suites.folder / "lamp-trainer", "--simulated", "--logs", logs) == (0, "")
    (folder,) = run_folders(logs)
    assert json.loads((folder / "run.json").read_text(encoding="utf-8"))["exit_code"] == 0
    assert with_closed_pipe("judge", "last", "--logs", logs) == (0, "")


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["drivers"], ["schema", "rig"], ["logs", "list"]])
def test_nothing_that_is_only_read_has_to_be_read_to_its_end(arguments: list[str], tmp_path: Path) -> None:
    """Help, lists and schemas into a pipe that nobody reads any more (`| head -1`) end as if they had been read."""
    code, said = with_closed_pipe(*arguments, *(["--logs", tmp_path] if arguments[0] == "logs" else []))
    assert (code, said) == (0, "")


def test_a_closed_pipe_makes_nothing_well(suites: LampSuites) -> None:
    """What would end with 2 or 4 ends with it, also where nobody reads what it says: an altered archive is none."""
    logs = suites.folder / "logs"
    bench("run", suites.folder / "lamp-trainer", "--simulated", "--logs", logs)
    (folder,) = run_folders(logs)
    with (folder / "journal.jsonl").open("ab") as journal:
        journal.write(b"\n")
    assert with_closed_pipe("logs", "verify", "--logs", logs)[0] == 4
    assert with_closed_pipe("report", "nowhere", "--logs", logs)[0] == 2


@pytest.mark.skipif(not FULL.exists(), reason="this system has no device that is always full")
def test_a_standard_error_that_is_full_turns_no_refusal_into_a_fail(suites: LampSuites) -> None:
    """Not armed is 2, faulty files are 2, an unknown run is 2, whether anybody can be told or not."""
    rig = suites.folder / "lamp-trainer"
    for arguments in (["run", rig], ["judge", "nowhere", "--logs", suites.folder], ["check", rig / "program.yaml"]):
        with FULL.open("w") as full:
            done = subprocess.run(
                command(*arguments), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=full, timeout=60,
                check=False,
            )  # fmt: skip
        assert done.returncode == 2, arguments


@pytest.mark.skipif(not FULL.exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize("arguments", [["drivers"], ["schema", "rig"]])
def test_a_standard_output_that_is_full_is_no_failure_of_the_bench(arguments: list[str]) -> None:
    """It ends with 4 and says that there is no room, whether the text was short or longer than a buffer."""
    with FULL.open("w") as full:
        done = subprocess.run(
            command(*arguments), stdin=subprocess.DEVNULL, stdout=full, stderr=subprocess.PIPE, timeout=60, check=False
        )
    said = done.stderr.decode()
    assert "The bench itself failed" not in said
    assert (done.returncode, "nothing more can be written" in said) in ((4, True), (0, False))


@pytest.mark.skipif(os.name == "nt", reason="no way to start a process without streams there")
def test_a_command_without_streams_keeps_its_code(suites: LampSuites) -> None:
    """Started with standard output and error closed (as some service managers do), a refusal is a refusal."""
    line = f'exec "{sys.executable}" -c "{MAIN}" run "{suites.folder / "lamp-trainer"}" >&- 2>&- <&-'
    assert subprocess.run(line, shell=True, check=False, timeout=60).returncode == 2


def test_a_junit_file_that_can_not_be_written_is_refused_before_the_first_cut(suites: LampSuites) -> None:
    """A file where its folder should be: exit 2, nothing was run; and a refused file leaves nothing behind."""
    (suites.folder / "taken").write_text("", encoding="utf-8")
    junit = suites.folder / "taken" / "junit.xml"
    logs = suites.folder / "logs"
    done = bench("run", suites.folder / "lamp-trainer", "--simulated", "--logs", logs, "--junit", junit)
    assert done.returncode == 2, told(done)
    assert str(junit) in done.stderr and "nothing was moved" in done.stderr
    assert not logs.exists()


def test_the_code_that_is_told_is_the_one_that_it_ends_with(
    suites: LampSuites, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A JUnit file that goes missing while the run lasts: 4, and the results say 4 as well."""
    from typer.testing import CliRunner

    from restart_bench.cli import main as cli

    def gone(_: Path | None, __: object) -> bool:
        return False

    monkeypatch.setattr(cli, "_write_junit", gone)
    rig, logs = suites.folder / "lamp-trainer", suites.folder / "logs"
    arguments = ["run", str(rig), "--simulated", "--logs", str(logs), "--junit", str(suites.folder / "j.xml"), "--json"]
    result = CliRunner().invoke(cli.app, arguments)
    assert (result.exit_code, json.loads(result.stdout)["exit_code"]) == (4, 4)


@pytest.mark.parametrize("problem", [ObserverError, SimulationFailed, NotRight])
def test_a_problem_of_the_rig_is_told_in_its_own_words(
    problem: type[Exception], capsys: pytest.CaptureFixture[str]
) -> None:
    """What keeps a rig from being used ends with 4 and its own message; the bench itself did not fail."""

    def refused() -> int:
        raise problem("relay_box does not answer")

    with pytest.raises(SystemExit) as ended:
        honest_exit(refused)()
    assert (ended.value.code, capsys.readouterr().err) == (4, "relay_box does not answer\n")


@pytest.mark.parametrize("code", [0, 1, None, "no such bus"])
def test_a_library_that_ends_the_process_claims_no_verdict(code: str | int | None) -> None:
    """Its 0 is no pass and its 1, or a text, no fail of a controller."""

    def ends() -> int:
        raise SystemExit(code)

    with pytest.raises(SystemExit) as ended:
        honest_exit(ends)()
    assert ended.value.code == 4


def test_a_thread_that_somebody_left_keeps_no_code_back() -> None:
    """A driver's thread that never ends: the process ends with its code all the same, and it is told."""
    text = """
import threading, time
from restart_bench.cli.main import Ended, _end_honestly

def command():
    threading.Thread(target=time.sleep, args=(600,), name="odd bus").start()
    raise Ended(3)

_end_honestly(command)
"""
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 3 and "odd bus" in done.stderr


@pytest.mark.parametrize(
    ("how", "valid", "not_valid", "behaviour", "code"),
    [
        ("completed", 4, 0, "stays off", 0), ("completed", 3, 3, "stays off", 0), ("completed", 2, 3, "stays off", 4),
        ("completed", 4, 0, "not seen", 3), ("completed", 0, 4, "not seen", 4), ("stopped", 1, 0, "stays off", 130),
        ("error", 1, 0, "stays off", 4),
    ],
)  # fmt: skip
def test_a_survey_most_of_whose_cycles_were_no_tests_ends_with_an_error(
    how: str, valid: int, not_valid: int, behaviour: str, code: int
) -> None:
    """One output that was seen once says nothing of a rig that has to be looked at."""
    run, row = SimpleNamespace(how=how), SimpleNamespace(behaviour=behaviour)
    assert exit_code_of_survey(cast(OneRun, run), [cast(SurveyRow, row)], valid, not_valid) == code
