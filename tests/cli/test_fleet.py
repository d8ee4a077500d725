"""Several rigs at once, without running any: what is refused, and what their ends amount to."""

from __future__ import annotations

import io
import itertools
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from xml.etree import ElementTree as Xml

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from lamp_suites import LampSuites
from restart_bench.cli.fleet import performing
from restart_bench.cli.fleet.children import Child
from restart_bench.cli.fleet.picture import picture, so_far
from restart_bench.cli.fleet.refusals import refuse_together
from restart_bench.cli.fleet.rows import RigRow, document_over, exit_code_over, junit_over, verdict_over_rigs
from restart_bench.model.outcome import Refused, RunOptions
from restart_bench.run.supervision import StopRequest
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

WORDS = {0: "pass", 1: "fail", 3: "inconclusive", 4: "error", 130: "error"}
BEATS = (1, 130, 4, 3, 0)


def ended(rig: str, code: int) -> RigRow:
    """A rig whose run ended with this code; 2: it was refused, None: its child died."""
    row = RigRow(rig, output=f"{rig}.txt")
    if code == 2:
        row.take({"tell": "refused", "text": "held by another bench"})
        return row
    scenario = {"name": "stays", "verdict": WORDS[code], "reason": "why", "counted": {WORDS[code]: 3}}
    document = {"runs": [{"rig": rig}]}
    row.take(
        {"tell": "ended", "code": code, "verdict": WORDS[code], "how": "completed", "folder": f"logs/{rig}",
         "supply_left": "on", "scenarios": [scenario], "document": document,
         "junit": f'<testsuites><testsuite name="{rig}" tests="2" failures="0" errors="0"/></testsuites>'}
    )  # fmt: skip
    return row


def died(rig: str, *, armed: bool = True) -> RigRow:
    """A rig whose child was killed."""
    row = RigRow(rig, output=f"{rig}.txt")
    row.die("signal 9", armed=armed)
    return row


@given(st.lists(st.sampled_from(BEATS), min_size=1, max_size=6))
def test_the_worst_of_the_children_is_the_exit_code(codes: list[int]) -> None:
    """1 beats 130 beats 4 beats 3 beats 0, in whatever order the rigs were named."""
    rows = [ended(f"r{number}", code) for number, code in enumerate(codes)]
    assert exit_code_over(rows) == min(codes, key=BEATS.index)


@pytest.mark.parametrize(("other", "code"), [(0, 4), (3, 4), (4, 4), (130, 130), (1, 1)])
def test_a_child_that_was_refused_or_died_is_an_error_of_the_bench(other: int, code: int) -> None:
    """It hides neither a fail nor a stop of another rig, and lets no pass of the others stand alone."""
    for lost in (ended("lost", 2), died("lost")):
        assert exit_code_over([ended("other", other), lost]) == code


def test_where_every_child_was_refused_nothing_moved() -> None:
    """Then it is 2, and there is no verdict; one that died may have moved something."""
    assert exit_code_over([ended("a", 2), ended("b", 2)]) == 2
    assert verdict_over_rigs([ended("a", 2), ended("b", 2)]) is None
    assert exit_code_over([ended("a", 2), died("b")]) == 4


def test_one_document_holds_the_runs_and_a_fault_for_each_rig_without_one() -> None:
    """In the order in which the rigs were named, as the document of one run has them."""
    told = document_over([ended("north", 0), ended("east", 2), died("south")])
    assert (told["verdict"], told["exit_code"]) == ("error", 4)
    assert [run["rig"] for run in told["runs"]] == ["north"]
    assert [fault["path"] for fault in told["faults"]] == ["east", "south"]


def test_junit_counts_all_rigs_and_shows_no_lost_one_as_green() -> None:
    """A rig without a result is an error of its own name."""
    root = Xml.fromstring(junit_over([ended("north", 0), died("south")]))
    assert dict(root.attrib) == {"name": "restart-bench", "tests": "3", "failures": "0", "errors": "1"}
    assert [suite.get("name") for suite in root] == ["north", "south"]


def test_a_child_that_died_leaves_words_on_what_is_to_be_done() -> None:
    """Where something real may be left switched a person has to look; a simulation leaves nothing."""
    real, played = died("south"), died("south", armed=False)
    assert "`restart-bench park` on south" in document_over([real])["faults"][0]["text"]
    assert "nothing real was switched" in document_over([played])["faults"][0]["text"]


@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 12), (140, 40)])
def test_the_table_fits_its_window_and_hides_no_rig_that_goes_on(width: int, height: int) -> None:
    """Whatever the number of rigs: at most so many lines, none longer than the window, those that have ended last."""
    for number in (2, 8, 40):
        rows = [ended(f"ended-{n}", 0) if n % 2 else RigRow(f"goes-on-{n}") for n in range(number)]
        rows[0].take({"tell": "note", "text": "a trouble\nof two lines"})
        console = Console(width=width, height=height, record=True, file=io.StringIO())
        console.print(picture(rows, width, height, simulated=True, stopping=""))
        lines = console.export_text().splitlines()
        assert len(lines) <= height
        assert max(map(len, lines)) <= width
        told = "\n".join(lines)
        assert number + 5 > height or all(row.rig in told for row in rows)
        assert "goes-on-0" in told


def test_cycles_of_a_rig_are_counted_by_verdict_with_commas_and_told_with_one_space() -> None:
    """The lines of a cycle are indented where a run stands alone; behind a name they are not."""
    row = RigRow("north")
    for cycle, verdict in enumerate(("pass", "inconclusive"), 1):
        told = {"tell": "cycle", "scenario": "stays", "cycle": cycle, "verdict": verdict, "lines": [f"  {verdict}"]}
        assert row.take(told)[0].endswith(f": stays: {verdict}")
    assert so_far(row).plain == "1 inconclusive, 1 pass"


# ---------------------------------------------------------------- what is refused


@pytest.fixture
def suites(tmp_path: Path) -> LampSuites:
    """Two rigs of one scenario each."""
    made = LampSuites(tmp_path)
    for name in ("north", "south"):
        made.scenario(made.rig(name), "stays", "on")
    return made


def loaded(suites: LampSuites) -> tuple[Suite, ...]:
    """Both as values."""
    return load_suites([suites.folder / "north", suites.folder / "south"], cards=cards())


def refused(suites: LampSuites, *, armed: tuple[str | None, str | None] = (None, None), **options: Any) -> str:
    """Why both are not run together."""
    view = options.pop("view", "lanes")
    asked = [RunOptions(suites.folder / "logs", arm=name, **options) for name in armed]
    with pytest.raises(Refused) as told:
        refuse_together(loaded(suites), asked, view)
    return str(told.value)


def test_what_is_of_one_run_is_refused_for_several(suites: LampSuites) -> None:
    """An earlier run is one rig's; people answer at one rig; tiles show one."""
    assert "--resume last" in refused(suites, simulated=True, resume="last")
    assert "--ask-first" in refused(suites, simulated=True, ask_first=("Ann",))
    assert "--view tiles" in refused(suites, simulated=True, view="tiles")


def test_a_rig_that_is_not_armed_keeps_all_from_beginning(suites: LampSuites) -> None:
    """The one that is armed is named in vain: nothing moves."""
    assert "south is not armed: nothing was moved" in refused(suites, armed=("north", None))


def test_two_rigs_of_one_name_are_refused(suites: LampSuites) -> None:
    """In the archive they would be one rig."""
    file = suites.folder / "south" / "rig.yaml"
    file.write_text(file.read_text("utf-8").replace("rig: south", "rig: north"), "utf-8")
    assert "call their rig north: give each its own name" in refused(suites, simulated=True)


def test_two_rigs_on_one_relay_are_refused_where_it_is_real(suites: LampSuites) -> None:
    """The same address in both files; a simulated relay is each rig's own."""
    assert "north and south name the same supply" in refused(suites, armed=("north", "south"))
    simulated = [RunOptions(suites.folder / "logs", simulated=True)] * 2
    refuse_together(loaded(suites), simulated, "lanes")


@pytest.mark.parametrize(
    ("old", "new"),
    [("  - press: start", "  - ask: Load.\n  - press: start"), ("expect: {lamp: on}", "by_eye: {lamp: on}")],
)
def test_rigs_where_a_person_is_asked_are_run_by_themselves(suites: LampSuites, old: str, new: str) -> None:
    """Nobody can answer in several places at once."""
    file = suites.folder / "south" / "stays.yaml"
    file.write_text(file.read_text("utf-8").replace(old, new, 1), "utf-8")
    assert "south (a step of its scenarios) asks somebody" in refused(suites, simulated=True)


def test_a_switch_that_a_person_works_is_asked_for_only_where_it_is_real(suites: LampSuites) -> None:
    """A simulated rig works it by itself."""
    north, south = loaded(suites)
    assert south.rig.supply is not None
    pair = (north, replace(south, rig=replace(south.rig, supply=replace(south.rig.supply, driver="by-hand"))))
    refuse_together(pair, [RunOptions(suites.folder / "logs", simulated=True)] * 2, "lanes")
    armed = [RunOptions(suites.folder / "logs", arm=name) for name in ("north", "south")]
    with pytest.raises(Refused, match="its supply is switched by hand"):
        refuse_together(pair, armed, "lanes")


# ---------------------------------------------------------------- beginning together


def test_once_all_rigs_are_ready_they_begin_one_after_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """None begins before the last one is ready; then each begins a little after the one before, so that their cycles
    are not in step."""
    monkeypatch.setattr(performing, "BEGIN_APART_S", 0.03)
    monkeypatch.setattr(performing, "_LOOK_S", 0.005)
    rows = [RigRow(name) for name in ("first", "second", "third")]
    parent = performing._Parent(rows, SimpleNamespace(lines=lambda *_: None), simulated=True)
    begun: list[tuple[str, float, bool]] = []

    def child(row: RigRow) -> Child:
        def go() -> None:
            begun.append((row.rig, time.monotonic(), all(one.opened for one in rows)))
            if row is rows[-1]:
                for one in rows:
                    parent._heard.put((one, {"tell": "gone", "how": "exit code 0"}))

        return cast(Child, SimpleNamespace(go=go))

    parent._children = {row.rig: child(row) for row in rows}
    for row in rows[::-1]:
        parent._heard.put((row, {"tell": "opened"}))
    parent.wait(StopRequest())
    assert [name for name, _, _ in begun] == ["first", "second", "third"]
    assert all(ready for _, _, ready in begun)
    assert all(later - earlier >= 0.03 for (_, earlier, _), (_, later, _) in itertools.pairwise(begun))
