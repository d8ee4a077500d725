"""`check`: what a suite will do and what it will show, said before anything moves; read through the command itself."""

from __future__ import annotations

import contextlib
import io
import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from file_suites import RIG, SCENARIO
from restart_bench.cli.cover import cover_lines
from restart_bench.cli.main import check
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "grain-dryer"


def said(path: Path, logs: Path, **more: int) -> tuple[int, str, str]:
    """Exit code, output and errors of `check`."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as end:
        check([path], logs=logs, **more)  # type: ignore[arg-type]
    return int(end.value.code or 0), out.getvalue(), err.getvalue()


def plan(folder: Path, scenario: str = SCENARIO, rig: str = RIG, **more: int) -> str:
    """The plan of a small suite, in one line."""
    (folder / "rig.yaml").write_text(rig, encoding="utf-8")
    (folder / "s.yaml").write_text(scenario, encoding="utf-8")
    code, out, err = said(folder, folder / "logs", **more)
    assert (code, err) == (0, "")
    return " ".join(out.split())


def demonstrating(told: str) -> str:
    """A scenario that demonstrates something."""
    return SCENARIO.replace("after:", f"demonstrate: {{{told}}}\nafter:")


def test_how_long_a_run_takes_is_told_without_the_time_of_people(tmp_path: Path) -> None:
    """Where nobody is asked it is all that there is."""
    pressed = re.sub(r"(start: \{.*?), writable: true", r"\1, by_hand: green button", RIG)
    assert pressed != RIG
    for rig, by_people in ((RIG, False), (pressed, True)):
        assert ("without people's time" in plan(tmp_path, rig=rig)) is by_people


@pytest.mark.parametrize(
    ("told", "cycles", "shows"),
    [
        ("reliability: 95 %, confidence: 95 %", 59, "no failure show 95 %"),
        ("reliability: 99 %, confidence: 95 %", 299, "no failure show 99 %"),
        (
            "reliability: 95 %, confidence: 95 %, inconclusive_at_most: 1", 93,
            "at most 1 inconclusive and no fail show 95 %",
        ),
        ("reliability: 99.9 %, confidence: 95 %", 2995, "no failure show 99.9 %"),
    ],
)  # fmt: skip
def test_check_names_the_cycles_of_a_demonstration(told: str, cycles: int, shows: str, tmp_path: Path) -> None:
    """Success-run sizes n = ceil(ln(1-C)/ln(R)): 59, 299 (not 298, a known trap), 2995 as the documentation of a Python
    reliability library has it; 93 for one miss allowed, Clopper-Pearson (scipy 1.17.1)."""
    text = plan(tmp_path, demonstrating(told))
    assert f"{cycles} cycles, " in text
    assert f"{cycles} cycles with {shows}" in text
    assert f"{2 * cycles} planned, 0 behind it" in text


def test_a_demonstration_that_repeat_cuts_short_is_said_to_be_out_of_reach(tmp_path: Path) -> None:
    """`--repeat 58` keeps what is to be demonstrated, and says that 58 cycles can't: 1 - 0.95 ** 58 = 0.94895."""
    text = plan(tmp_path, demonstrating("reliability: 95 %, confidence: 95 %"), repeat=58)
    assert "58 cycles with no failure show 95 % at no more than 94.8 % confidence, 95 % is demanded" in text
    assert "the demonstration can't be reached; 59 cycles would do" in text


def test_check_tells_the_planned_timeline(tmp_path: Path) -> None:
    """From the steps before to the end of the watch, counted from the cut, windows where they open and close."""
    scenario = SCENARIO.replace("    burner: off", "    burner: off\n    fan: {is: on, between: [2 s, 5 s]}").replace(
        "after:",
        "during: [{expect: {burner: off, fan: off}}]\nafter:\n  settle: 500 ms\n  times: {ready: {within: 5 s}}",
    )
    text = plan(tmp_path, scenario)
    parts = [
        "before press start for 200 ms", "before expect burner on within 5 s", "0 s supply off",
        "0 s to 3 s has to come true: burner, fan off", "3 s supply on", "3 s to 1 min 3 s ready",
        "3.5 s to 1 min 3.5 s settled", "5 s not before this: fan on", "8 s latest for: fan on, ready",
        "13 s to 1 min 13 s end of the watch",
    ]  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_check_tells_duration_and_size(tmp_path: Path) -> None:
    """As short and as long as it may get; about so many megabytes of archive."""
    text = plan(tmp_path, repeat=20)
    assert re.search(r"^bench: 1 scenario, 20 cycles, 4 min \d+ s to \d+ min \d+ s", text)
    assert re.search(r"archive about \d+ MB to \d+ MB", text)
    assert re.search(r"archive about 1 MB(;|$)", plan(tmp_path, repeat=1))  # not "1 MB to 1 MB"


def test_check_counts_wear_over_all_runs_of_the_contact(tmp_path: Path) -> None:
    """Operations of earlier runs of the same relay, those of simulated runs and of other relays left out."""
    rig = RIG.replace("off_at_least: 2 s}", "off_at_least: 2 s, operations: 200}")
    address = "modbus-coil host=192.0.2.30 port=502 unit=1 coil=0"
    runs = [
        (address, 150, False), (address, 7, False), (address, 9000, True),
        (address.replace("coil=0", "coil=1"), 9000, False),
    ]  # fmt: skip
    for number, (supply, operations, simulated) in enumerate(runs):
        folder = tmp_path / "logs" / "rig=bench" / "date=2026-07-27" / f"run=20260727T14223{number}Z-4f2a"
        folder.mkdir(parents=True)
        told = {"run": folder.name, "supply_address": supply, "operations": operations, "simulated": simulated}
        (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    text = plan(tmp_path, rig=rig, repeat=21)
    assert f"driver {address}" in text
    assert "42 planned, 157 behind it, 199 of 200 rated afterwards" in text
    assert "WORN" not in text
    assert "WORN the plan goes beyond the rated life" in plan(tmp_path, rig=rig, repeat=22)


@pytest.mark.parametrize("columns", [80, 140])
def test_the_plan_of_the_demo_fits_the_console(columns: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No line is wider than the screen that it is shown on, none bears a control character."""
    monkeypatch.setenv("COLUMNS", str(columns))
    code, out, err = said(DEMO, tmp_path / "logs")
    assert (code, err) == (0, "")
    assert [line for line in out.splitlines() if len(line) > columns or not line.isprintable()] == []
    assert out.rstrip().endswith("Nothing was moved.")


def test_the_plan_of_several_scenarios_begins_with_all_of_them(tmp_path: Path) -> None:
    """A table that a class can see at a glance: each scenario, its cycles, its length, what it shows."""
    _, out, _ = said(DEMO, tmp_path / "logs")
    table = out.split("\n\n")[1].splitlines()
    assert re.fullmatch(r"  scenario +cycles +each lasts +shows, if none fails", table[0])
    names = [line.split()[0] for line in table[1:]]
    assert names == [path.stem for path in sorted(DEMO.glob("*.yaml")) if "\nscenario: " in path.read_text("utf-8")]
    assert re.search(r"^  burner-stays-shut +3 +5\.6 s to \d+ s +36\.8 % at 95 % confidence$", "\n".join(table), re.M)


def test_warnings_do_not_keep_check_from_its_plan(tmp_path: Path) -> None:
    """They stand on standard error, the plan on standard output, and the exit code is 0."""
    (tmp_path / "rig.yaml").write_text(RIG.replace(", alive: heartbeat", ""), encoding="utf-8")
    (tmp_path / "s.yaml").write_text(SCENARIO, encoding="utf-8")
    code, out, err = said(tmp_path, tmp_path / "logs")
    assert code == 0
    assert err.startswith(f"warning: {tmp_path / 'rig.yaml'}:")
    assert "warning" not in out


def test_what_a_standard_names_is_said_with_source_edition_and_what_is_from_memory(tmp_path: Path) -> None:
    """IEC 61000-4-29 (2000): 10 and 30 ms are from memory; what the relay or its limits rule out is left out, named."""
    (tmp_path / "rig.yaml").write_text(RIG, encoding="utf-8")
    named = SCENARIO.replace("off_for: 3 s", "off_for: {durations: iec-61000-4-29 interruptions}")
    (tmp_path / "s.yaml").write_text(named, encoding="utf-8")
    code, out, err = said(tmp_path, tmp_path / "logs")
    told = " ".join(out.split())
    assert code == 0
    assert "cuts from iec-61000-4-29 interruptions: IEC 61000-4-29, first edition, 2000-08;" in told
    assert "this no test to the standard off_for=10 ms (from memory): 1 cycle" in told
    assert "off_for=30 ms (from memory): 1 cycle" in told
    assert "cut.off_for: 2 of 7 cuts of iec-61000-4-29 interruptions can be done on this rig; left out: " in err
    assert "1 ms, 3 ms (over before the contact has opened (release + bounce = 6 ms)); 100 ms, 300 ms, 1 s (" in err


def test_check_prices_a_search_with_the_fewest_and_the_most_that_it_may_take(tmp_path: Path) -> None:
    """Cycles and relay operations as a range, and what they depend on; nothing is said of reliability."""
    (tmp_path / "rig.yaml").write_text(RIG, encoding="utf-8")
    searching = SCENARIO.replace("off_for: 3 s", "off_for: {search: 3 s..5 s}").replace("repeat: 2", "")
    (tmp_path / "s.yaml").write_text(searching, encoding="utf-8")
    code, out, err = said(tmp_path, tmp_path / "logs")
    assert (code, err) == (0, "")
    told = " ".join(out.split())
    assert "3 s to 5 s, searched to within 17 ms: " in told and "up to 40 where they overlap" in told
    sharp = re.search(r"6 cycles where no cut is ridden through, 12 to (\d+) where", told)
    assert sharp is not None and 14 < int(sharp[1]) < 25
    assert "one case: 6 to 40 cycles" in told and "operations 12 to 80 planned" in told
    assert "supports" not in told and "if all passes" not in told


def test_check_names_what_the_program_may_do_and_no_scenario_plays(tmp_path: Path) -> None:
    """The first lesson: M1 comes on by a held button alone, and no scenario holds one; M2 is off before no cut. It is
    told in the words of the restart matrix, with what was before: `blower off` alone was read as a failure of it."""
    lesson = DEMO.parent / "first-lesson"
    _, out, _ = said(lesson, tmp_path / "logs")
    told = out.split("What the program model may do and no scenario plays (not tried, no fault)")[1]
    assert re.search(r"power, a command held +M1 elevator comes back \(on before\)", told)
    assert re.search(r"mode, inputs at rest +M2 blower stays off \(off before\)", told)


def test_check_says_nothing_of_predictions_without_the_solver(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Predictions are an extra: whoever has not installed it is not bothered."""
    monkeypatch.setitem(sys.modules, "pysat.solvers", None)
    code, out, _ = said(DEMO.parent / "first-lesson", tmp_path / "logs")
    assert code == 0 and "program model" not in out


def test_check_does_not_wait_for_predictions() -> None:
    """Where they take longer than a moment, a line says so."""
    suite = load_suites([DEMO], cards=cards())[0]
    assert "not worked out within 0 s" in " ".join(cover_lines(suite, 100, patience_s=0.0))
    assert cover_lines(replace(suite, program=None), 100) == []
