"""The README's table of the first lesson is what its programs do, by the interpreter alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from restart_bench.plc.interpreter import Interpreter, State
from restart_bench.suite.loader import load_program, load_rig
from restart_bench_drivers.registry import cards

ROOT = Path(__file__).resolve().parents[2]
LESSON = ROOT / "scenarios" / "first-lesson"
SCAN_NS = 10_000_000
ROWS = re.findall(
    r"^\| (\d) \| [^|]+ \| (M1 [^|]+) \| (M1 [^|]+) \|$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE
)


def scanned(interpreter: Interpreter, state: State, scans: int, *, start: bool = False) -> State:
    """The state after some scans of 10 ms."""
    for _ in range(scans):
        state = interpreter.scan(state, {"start_button": start, "stop_button": True}, SCAN_NS)
    return state


def told(interpreter: Interpreter, state: State) -> str:
    """What both motors do just before and just after 0.5 s, in the words of the table."""
    words = []
    for name, output in (("M1", "elevator"), ("M2", "blower")):
        soon, later = (interpreter.output(scanned(interpreter, state, scans), output) for scans in (45, 55))
        words.append(f"{name} {'on' if later else 'off'}{', 0.5 s later than in edition 1' if soon != later else ''}")
    return ", ".join(words)


def test_the_table_has_a_row_for_each_edition() -> None:
    """Six programs lie beside the scenarios, and the README explains six."""
    editions = sorted(path.stem.removeprefix("edition-") for path in LESSON.glob("edition-*.yaml"))
    assert [number for number, _, _ in ROWS] == editions


@pytest.mark.parametrize(("edition", "power", "mode"), ROWS)
def test_the_table_says_what_the_programs_do(edition: str, power: str, mode: str) -> None:
    """Both motors are on; then power goes and comes back, or run mode is left and returns."""
    interpreter = Interpreter(
        load_program(LESSON / f"edition-{edition}.yaml", load_rig(LESSON / "rig.yaml", cards=cards()).rig)
    )
    running = scanned(interpreter, interpreter.first_power_up(), 20, start=True)
    running = scanned(interpreter, running, 100)
    assert told(interpreter, running) == "M1 on, M2 on"
    assert told(interpreter, interpreter.restart(running)) == power
    assert told(interpreter, interpreter.enter_run(interpreter.leave_run(running))) == mode
