"""One armed run by the command line: it switches the rig, is never archived as real, and what then reads it writes
nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from restart_bench.model.verdicts import EXIT_PASS
from safety_rig import NAME, SCENARIO, ArmedRig, armed_rig, told_of


@dataclass(frozen=True)
class Ran:
    """A rig after its run, with the exit code and what was said."""

    rig: ArmedRig
    code: int
    said: str


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ran]:
    """`run --arm` with the right name."""
    with armed_rig(tmp_path_factory.mktemp("armed")) as rig:
        yield Ran(rig, *rig.said_by("run", rig.folder, "--logs", rig.logs, "--arm", NAME))


def test_armed_by_name_the_command_line_switches_the_rig(ran: Ran) -> None:
    """The counterpart of all refusals: `--arm` with the right name cuts, once, and puts everything back."""
    assert ran.code == EXIT_PASS, ran.said
    assert len(ran.rig.off_times()) == 1 and ran.rig.pressed() == {} and ran.rig.supply_is_on


def test_an_armed_run_against_a_simulated_rig_is_never_archived_as_real(ran: Ran) -> None:
    """The devices say on the wire that they are simulated: run.json names them, the plain lines say so at once, the
    record has its banner, and the list and the table of cycles count the run as simulated."""
    assert "ARMED, but SIMULATED: " in ran.said.splitlines()[0]
    (folder,) = ran.rig.runs()
    told = told_of(folder)
    assert told["simulated"] is False and set(told["simulated_devices"]) >= {"controller", "independent"}
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<b>Simulated rig.</b> No hardware was tested" in page and "told on the wire to be simulated" in page
    listed = ran.rig.said_by("logs", "list", "--logs", ran.rig.logs)[1]
    assert "simulated" in listed and "real" not in listed
    assert set(pq.read_table(folder / "cycles.parquet").column("simulated").to_pylist()) == {True}


def test_look_check_logs_judge_and_all_that_reads_write_nothing(ran: Ran) -> None:
    """After a run every reading command is given; the servers are not asked to write once, by any of them."""
    rig = ran.rig
    before = len(rig.truth("write")), len(rig.truth("supply"))
    assert min(before) > 1, "the run itself wrote and switched"
    commands: list[list[object]] = [
        ["check", rig.folder],
        ["look", rig.folder, "--for", "1 s"],
        ["logs", "list"],
        ["logs", "verify"],
        ["judge", "last"],
        ["report", "last", "--out", rig.folder.parent / "record.html"],
    ]
    for command in commands:
        code, said = rig.said_by(*command, "--logs", rig.logs)
        assert code == EXIT_PASS, (command, said)
    assert (len(rig.truth("write")), len(rig.truth("supply"))) == before


@pytest.mark.parametrize(
    ("checked", "at_end", "says"),
    [(False, "on", True), (False, "as it is", True), (True, "on", False), (False, "off", False)],
)
def test_what_a_run_leaves_on_is_said_at_its_end(checked: bool, at_end: str, says: bool, tmp_path: Path) -> None:
    """The fan came back and nothing stopped it: whoever goes to the rig next reads so. Not where the function check has
    stopped it, nor where the supply goes off."""
    scenario = SCENARIO if checked else SCENARIO.partition("function_check:")[0] + "repeat: REPEAT\n"
    with armed_rig(tmp_path, scenario=scenario, at_end=at_end) as rig:
        code, said = rig.said_by("run", rig.folder, "--logs", rig.logs, "--arm", NAME)
        assert code == EXIT_PASS, said
        assert ("still on as the run ends: fan; the bench stops no output" in said) is says, said
