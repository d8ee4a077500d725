"""The record of a whole run on a simulated rig: what stands in it is what the archive says."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any

import pytest

from lamp_suites import LampSuites
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.outcome import RunOptions
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record.gathering import gather
from restart_bench.report.record.writing import write_record, write_report
from restart_bench.run.session import perform
from restart_bench.screen.plain import PlainShow
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> ArchivedRun:
    """A retained lamp that comes back, where one scenario wants it off and another one wants it on."""
    suites = LampSuites(tmp_path_factory.mktemp("record"))
    rig = suites.rig(retained=True)
    suites.scenario(rig, "shut", "off")
    suites.scenario(rig, "stays", "{is: on, within: 2 s}")
    options = RunOptions(logs=suites.folder / "logs", simulated=True, seed=4711, by="A. Tester", record=write_report)
    perform(load_suites([rig], repeat=2, cards=cards())[0], options, PlainShow())
    return ArchivedRun.open(suites.runs()[0])


@pytest.fixture(scope="module")
def page(run: ArchivedRun) -> str:
    """The record that the run left in its folder."""
    assert "report_problem" not in run.run
    return (run.folder / "report.html").read_text(encoding="utf-8")


def _diagram(page: str, number: int) -> dict[str, Any]:
    found = re.findall(r'<script type="application/json" class="case-data">(.*?)</script>', page, re.DOTALL)
    told: dict[str, Any] = json.loads(found[number])
    return told


def test_a_run_leaves_its_record_and_the_same_can_be_written_again(run: ArchivedRun, page: str, tmp_path: Path) -> None:
    """Same archive, same page."""
    write_record(run, tmp_path / "again.html")
    assert (tmp_path / "again.html").read_text(encoding="utf-8") == page


def test_verdict_seed_tester_and_digests_are_those_of_the_archive(run: ArchivedRun, page: str) -> None:
    """What identifies the run can be checked against its folder."""
    data = gather(run)
    assert (data.verdict, data.simulated, data.by, data.cycles) == (Verdict.FAIL, True, "A. Tester", 4)
    assert "4711" in page and "No hardware was tested" in page
    for file in data.files:
        content = (run.folder / "inputs" / file["name"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == file["sha256"]
        assert file["sha256"] in page


def test_the_matrix_tells_the_lamp_in_both_scenarios(run: ArchivedRun) -> None:
    """The same behaviour fails where it is not wanted and passes where it is; nobody asked about the spare output."""
    rows = {(row.scenario, row.point): row for row in gather(run).matrix}
    assert rows["shut", "lamp"].verdict is Verdict.FAIL
    assert rows["stays", "lamp"].verdict is Verdict.PASS
    assert rows["stays", "lamp"].delay_ns is not None
    assert rows["shut", "spare"].verdict is None


def test_drawn_changes_are_those_of_the_archive(run: ArchivedRun, page: str) -> None:
    """Every change that counts in changes.parquet is drawn with its bounds, and no other."""
    import duckdb

    told = _diagram(page, 0)
    lamp = next(
        n for n, lane in enumerate(told["lanes"]) if lane["label"].endswith(", terminal") and "lamp" in lane["label"]
    )
    assert len(told["cycles"]) == 2
    for cycle in told["cycles"]:
        drawn = [
            (low, high, told["texts"][place][0]) for code, low, high, place in cycle["pieces"][lamp] if code[0] in "cw"
        ]
        restored = duckdb.sql(
            f"select restored_not_before_ns from '{run.folder / 'cycles.parquet'}' where cycle = {cycle['cycle']}"
        ).fetchall()[0]
        kept = duckdb.sql(
            "select not_before_ns, not_after_ns, after from "
            f"'{run.folder / 'changes.parquet'}' where cycle = {cycle['cycle']} and counts and point = 'lamp_terminal' "
            "order by not_after_ns"
        ).fetchall()
        assert len(kept) >= 2, "off with the supply, on again"
        expected = [
            ((a - restored[0]) // 1000, -((restored[0] - b) // 1000), "on" if value else "off") for a, b, value in kept
        ]
        assert drawn == expected


def test_the_controller_is_blind_while_it_is_dark_and_its_terminal_is_not(page: str) -> None:
    """What the controller says of itself has a gap from the cut on; independent I/O has none of that length (a busy
    computer makes short ones)."""
    told = _diagram(page, 0)
    roles = [lane["label"] for lane in told["lanes"]]
    image = next(n for n, label in enumerate(roles) if "lamp" in label and "terminal" not in label)
    assert len(told["cycles"]) == 2
    for cycle in told["cycles"]:
        cut = next(low for name, low, _ in cycle["marks"] if name == "cut")
        blind = [piece for piece in cycle["pieces"][image] if piece[0] == "b"]
        assert any(low >= cut - 20_000 and high > 0 for _, low, high, _ in blind)
        gaps = [high - low for kind, low, high, _ in cycle["pieces"][image + 1] if kind == "b"]
        assert max(gaps, default=0) < max(high - low for _, low, high, _ in blind) / 4
