"""Scenario files as tests: what pytest is told, item by item, and that nothing real moves unasked.

Each test runs pytest in a process of its own on a small simulated rig (a lamp that is set and reset, and retained).
What each verdict becomes stands in `test_pytest_verdicts.py`.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from drawn import seldom
from pytest_suites import PLAIN, Suite


@pytest.fixture
def suite(tmp_path: Path) -> Suite:
    """An empty folder for suites."""
    return Suite(tmp_path)


def test_strict_markers_need_no_other_plug_in(suite: Suite) -> None:
    """The marker that keeps a rig on one worker is declared by this plug-in, also where pytest-xdist is not loaded."""
    suite.scenario(suite.rig(), "stays", "on")
    told = suite.pytest("--strict-markers", "-p", "no:xdist", "--restart-simulated", "--collect-only", "-q")
    assert told.code == 0, told.text
    assert "1 test collected" in told.text


# ---------------------------------------------------------------- nothing unasked


def test_without_an_option_nothing_is_collected_and_nothing_moves(suite: Suite) -> None:
    """Scenario files are left alone, and pytest says how they are run."""
    suite.scenario(suite.rig(), "stays", "on")
    told = suite.pytest("lamp-trainer")
    assert told.code == pytest.ExitCode.NO_TESTS_COLLECTED
    assert "Add --restart-simulated" in told.text and "--restart-arm RIG" in told.text
    assert suite.runs() == []


def test_a_rig_armed_by_another_name_is_not_moved(suite: Suite) -> None:
    """Each item is an error that says which rig was armed; there is no run in the archive."""
    suite.scenario(suite.rig(), "stays", "on")
    told = suite.pytest("lamp-trainer", "--restart-arm", "another-rig")
    assert "1 error" in told.summary
    assert "another-rig" in told.text and "nothing was moved" in told.text
    assert suite.runs() == []


def test_simulated_and_armed_together_are_refused(suite: Suite) -> None:
    """One moves hardware, the other does not: both can't be meant."""
    told = suite.pytest("--restart-simulated", "--restart-arm", "lamp-trainer")
    assert told.code == pytest.ExitCode.USAGE_ERROR
    assert "give one of them" in told.text


def test_pytest_loads_nothing_heavy_where_the_plugin_is_not_used(suite: Suite) -> None:
    """At the start of pytest only the options are there: no numpy, no pydantic, no yaml, no bench."""
    (suite.folder / "test_light.py").write_text(
        "import sys\n"
        "HEAVY = {'numpy', 'pandas', 'scipy', 'duckdb', 'pydantic', 'yaml', 'rich', 'pymodbus', 'pyarrow'}\n"
        "def test_light():\n"
        "    assert 'restart_bench.pytest_plugin.plugin' in sys.modules\n"
        "    assert HEAVY & set(sys.modules) == set()\n"
        "    assert [name for name in sys.modules if name.startswith('restart_bench.')] == "
        "['restart_bench.pytest_plugin', 'restart_bench.pytest_plugin.plugin']\n",
        encoding="utf-8",
    )
    told = suite.pytest(warm=False)
    assert told.code == pytest.ExitCode.OK, told.text


# ---------------------------------------------------------------- items that are repeated


FIRST_CUT_ALONE = "faults: [{fault: retained-lost, point: lamp, one_in: 1, from_cut: 1, to_cut: 1}]\n"


def cycles_of(run: Path) -> int:
    """Cycles that the archive holds."""
    lines = (run / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return sum(line.startswith('{"record": "CycleStarted"') for line in lines)


def test_a_repeated_item_gets_the_result_that_it_had(suite: Suite) -> None:
    """The first cut fails and a second one would pass: power is not cycled again, however often the item is."""
    rig = suite.rig()
    suite.scenario(rig, "first", "on")
    suite.scenario(rig, "second", "on")
    program = rig / "program.yaml"
    program.write_text(program.read_text(encoding="utf-8") + FIRST_CUT_ALONE, encoding="utf-8")
    told = suite.pytest("lamp-trainer", "--restart-simulated", "--reruns", "2")
    assert told.code == pytest.ExitCode.TESTS_FAILED, told.text
    assert "1 failed, 1 passed, 2 rerun" in told.text
    (run,) = suite.runs()
    assert cycles_of(run) == 2


def test_what_the_end_of_the_run_told_is_told_again(suite: Suite) -> None:
    """The rig's last item is repeated for its tear-down's sake: the dead channel is not forgotten by that."""
    suite.scenario(suite.rig(), "dead", "off", point="spare")
    told = suite.pytest("lamp-trainer", "--restart-simulated", "--reruns", "2")
    assert told.code == pytest.ExitCode.TESTS_FAILED, told.text
    assert "spare" in told.text and len(suite.runs()) == 1 and cycles_of(suite.runs()[0]) == 1


@pytest.mark.parametrize("workers", seldom([], ["-n", "2"]))
def test_a_session_whose_run_is_worse_than_its_report_fails(workers: list[str], suite: Suite) -> None:
    """A hook turns every fail into a pass: the session fails all the same, and says which run was not well."""
    suite.scenario(suite.rig(retained=True), "shut", "off")
    (suite.folder / "conftest.py").write_text(
        "import pytest\n"
        "@pytest.hookimpl(wrapper=True)\n"
        "def pytest_runtest_makereport(item, call):\n"
        "    report = yield\n"
        "    report.outcome = 'passed'\n"
        "    return report\n",
        encoding="utf-8",
    )
    told = suite.pytest("lamp-trainer", "--restart-simulated", *workers)
    assert told.code == pytest.ExitCode.TESTS_FAILED, told.text
    assert "1 passed" in told.text and "ended with 1 (a proven fail), whatever its report says" in told.text


def test_faults_of_a_file_are_told_with_line_and_cure(suite: Suite) -> None:
    """All at once, as `check` words them, before anything moves."""
    rig = suite.rig()
    suite.scenario(rig, "wrong", "of", off_for="2")
    told = suite.pytest("lamp-trainer", "--restart-simulated")
    assert told.code == pytest.ExitCode.INTERRUPTED
    assert told.text.count("wrong.yaml:") >= 2
    assert suite.runs() == []


# ---------------------------------------------------------------- pytest's own ways


def test_choosing_by_name_runs_only_what_was_chosen(suite: Suite) -> None:
    """-k leaves out cases; the run is complete without them."""
    rig = suite.rig()
    suite.scenario(rig, "stays", "on", off_for="[250 ms, 300 ms]")
    suite.scenario(rig, "shut", "off")
    told = suite.pytest("lamp-trainer", "--restart-simulated", "-k", "stays and 300")
    assert told.code == pytest.ExitCode.OK, told.text
    assert "1 passed, 2 deselected" in told.summary
    assert len(suite.runs()) == 1


def test_stopping_at_the_first_failure_leaves_the_rig_safe(suite: Suite) -> None:
    """-x: the run is closed, its archive is whole, and the next items are not done."""
    rig = suite.rig()
    suite.scenario(rig, "a-shut", "off")
    suite.scenario(rig, "b-stays", "on")
    told = suite.pytest("lamp-trainer", "--restart-simulated", "-x")
    assert "1 failed" in told.summary and "passed" not in told.summary
    (run,) = suite.runs()
    assert (run / "SHA256SUMS").is_file()


def test_a_person_who_stops_the_run_gets_a_closed_archive_and_no_more_cycles(suite: Suite) -> None:
    """Ctrl-C in the middle of a cycle: the rig is left safe, the archive is whole, and pytest ends with 130."""
    suite.scenario(suite.rig(), "stays", "on")
    asked = ["-s", "lamp-trainer", "--restart-simulated", "--restart-repeat", "50"]
    command = [sys.executable, "-m", "pytest", *PLAIN, *asked]
    windows = sys.platform == "win32"
    process = subprocess.Popen(
        command,
        cwd=suite.folder,
        stdout=subprocess.PIPE,
        text=True,
        creationflags=subprocess.CREATE_NEW_PROCESS_GROUP if windows else 0,
    )
    assert process.stdout is not None
    said = []
    for line in process.stdout:
        said.append(line)
        if "supply off" in line:
            process.send_signal(signal.CTRL_BREAK_EVENT if windows else signal.SIGINT)
            break
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 130, "".join(said) + rest
    assert "stopped by" in rest
    (run,) = suite.runs()
    assert (run / "SHA256SUMS").is_file()


def test_the_last_failed_case_can_be_run_alone(suite: Suite) -> None:
    """--lf knows items by their names, which stay the same."""
    rig = suite.rig()
    suite.scenario(rig, "shut", "off")
    suite.scenario(rig, "stays", "on")
    assert "1 failed, 1 passed" in suite.pytest("lamp-trainer", "--restart-simulated", "--cache").summary
    told = suite.pytest("lamp-trainer", "--restart-simulated", "--lf", "--collect-only", "-q")
    assert "shut.yaml" in told.text and "stays.yaml" not in told.text


def test_with_workers_a_rig_stays_on_one_of_them(suite: Suite) -> None:
    """Also with `--dist load`, which deals out tests one by one: two rigs, two runs, and other tests as ever."""
    for name in ("rig-one", "rig-two"):
        rig = suite.rig(name)
        suite.scenario(rig, "stays", "on", off_for="[250 ms, 300 ms, 350 ms]")
    (suite.folder / "test_other.py").write_text("def test_other(): pass\n", encoding="utf-8")
    told = suite.pytest("--restart-simulated", "-n", "2", "--dist", "load", "-v")
    assert told.code == pytest.ExitCode.OK, told.text
    assert "7 passed" in told.summary
    assert len(suite.runs()) == 2
    for name in ("rig-one", "rig-two"):
        lines = [line for line in told.text.splitlines() if f"{name}/stays.yaml" in line and "PASSED" in line]
        assert len({line.split("]")[0] for line in lines}) == 1


def test_another_program_and_number_of_cycles_can_be_given(suite: Suite) -> None:
    """--restart-program and --restart-repeat stand for `run`'s options of these names."""
    rig = suite.rig(retained=True)
    suite.scenario(rig, "stays", "on")
    text = (rig / "program.yaml").read_text(encoding="utf-8").replace("retained: true", "retained: false")
    (suite.folder / "edited.yaml").write_text(text, encoding="utf-8")
    told = suite.pytest(
        "lamp-trainer", "--restart-simulated", "--restart-program", "edited.yaml", "--restart-repeat", "2",
        "--restart-logs", "elsewhere",
    )  # fmt: skip
    assert "1 failed" in told.summary
    assert "fail: lamp is on" in told.text
    assert suite.runs() == [] and list((suite.folder / "elsewhere").glob("rig=*/date=*/run=*"))
