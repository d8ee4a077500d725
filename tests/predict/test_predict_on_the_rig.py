"""Predictions against the simulated rig, over real Modbus: the scenarios that were written for them come out so.

`pytest tests/predict/test_predict_on_the_rig.py -m slow -n 0` plays both editions of the grain dryer and twenty
generated programs, in some ten minutes; each can be named alone.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from command_line import bench, told
from predict_programs import generated
from predict_rigs import write_rig
from predict_small import SMALL
from restart_bench.model.program import Program
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.cone import outputs_of
from restart_bench.predict.proving.parts import MODE, REST, SUPPLY, WARM
from restart_bench.predict.scripts import small_suite
from restart_bench.suite.loader import load_rig, load_suites
from restart_bench_drivers.registry import cards

ROOT = Path(__file__).resolve().parents[2]
PLAYED = [70, 71, 72, 73, 74, 75, 76, 78, 79, 80, 81, 82, 83, 85, 88, 90, 91, 93, 94, 95]
"""Seeds of programs with something to play."""
GRAIN_DRYER = ROOT / "scenarios" / "grain-dryer"


def write_suite(folder: Path, program: Program, answers: Sequence[Answer], off_for: str) -> int:
    """The predicted scenarios, into a folder with a rig; how many they are."""
    scripts, _ = small_suite(program, answers, off_for)
    for script in scripts:
        (folder / f"{script.name}.yaml").write_text(script.text, encoding="utf-8")
    return len(scripts)


def failed(folder: Path, logs: Path) -> list[str]:
    """Runs a suite on the simulated rig; the scenarios that deviated. Silence of a busy machine is no deviation."""
    done = bench("run", folder, "--simulated", "--logs", logs, "--json")
    assert done.returncode in (0, 1, 3), told(done)
    run = json.loads(done.stdout)["runs"][0]
    assert len(run["scenarios"]) > 0
    return [one["name"] for one in run["scenarios"] if one["verdict"] not in ("pass", "inconclusive")]


def play(folder: Path, program: Program) -> list[str]:
    """Predicts a program, writes its rig and its suite, and runs them."""
    outputs = outputs_of(program)
    answers = predict(program, outputs, restarts=[(SUPPLY, WARM), (MODE, WARM)], environments=[REST])
    write_rig(folder, program, outputs)
    assert write_suite(folder, program, answers, "300 ms") > 0
    return failed(folder, folder / "logs")


def test_a_predicted_suite_comes_out_as_predicted(tmp_path: Path) -> None:
    """A retained pair and a timer behind it: every scenario of the suite passes on the simulated rig."""
    assert play(tmp_path, SMALL["timer"]) == []


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 6, 7, 8, 9])
def test_suites_of_generated_programs_pass_the_check(seed: int, tmp_path: Path) -> None:
    """What was written can be read: rig, program and scenarios have no fault, and the program is still the same."""
    program = generated(seed, 6)
    outputs = outputs_of(program)
    write_rig(tmp_path, program, outputs)
    written = write_suite(tmp_path, program, predict(program, environments=[REST]), "300 ms")
    suite = load_suites([tmp_path], cards=cards())[0]
    assert len(suite.scenarios) == written > 0
    assert suite.program is not None
    assert [replace(rung, line=0) for rung in suite.program.rungs] == list(program.rungs)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["program.yaml", "program-edited.yaml"])
def test_the_grain_dryer_does_what_was_predicted(name: str, tmp_path: Path) -> None:
    """The suite of the demo program, and that of its edited edition, with everything a rig can show."""
    shutil.copy(GRAIN_DRYER / "rig.yaml", tmp_path)
    shutil.copy(GRAIN_DRYER / name, tmp_path / "program.yaml")
    program = load_rig(tmp_path, cards=cards()).program
    assert program is not None
    assert write_suite(tmp_path, program, predict(program), "2 s") > 0
    assert failed(tmp_path, tmp_path / "logs") == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", PLAYED)
def test_generated_programs_do_what_was_predicted(seed: int, tmp_path: Path) -> None:
    """Suites of generated programs, with timers in every second one."""
    assert play(tmp_path, generated(seed, 6, timers=seed % 2 == 1, counters=False)) == []
