"""`run --resume`: an earlier run that was ended early or killed is gone on with, and stays as it is itself."""

from __future__ import annotations

import contextlib
import os
import random
import re
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from pymodbus.client import ModbusTcpClient

from archive_builders import begin, load, told_run, with_program, write_suite
from evidence import Story
from raw_modbus import wait_until
from restart_bench.archive.earlier import Earlier
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.reader import ArchivedRun, gone_on_with
from restart_bench.archive.rejudging import judge_again
from restart_bench.archive.soundness import verify
from restart_bench.compare.baselines import approve
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import CycleJudged, CycleStarted, Record
from restart_bench.model.outcome import Refused, RunOptions, RunOutcome
from restart_bench.model.verdicts import EXIT_PASS, EXIT_STOPPED, Verdict
from restart_bench.run.resume import OpenCut, over_already
from restart_bench.run.session import SessionPlan
from restart_bench.suite.loader import Suite
from safety_rig import MS, SCENARIO, ArmedRig, Seen, armed_rig, never_on_too_early, nothing_pressed, told_of

LONG_MS = 6000  # a resume that begins within a tenth and 2 s more still finds it; a busy machine begins late
LONG = SCENARIO.replace("off_for: 350 ms", f"off_for: {LONG_MS} ms")


class StopsInCycle(Seen):
    """A person presses Ctrl-C when a cycle begins."""

    def __init__(self, cycle: int) -> None:
        super().__init__()
        self._cycle = cycle

    def record(self, record: Record) -> None:
        super().record(record)
        if isinstance(record, CycleStarted) and record.cycle == self._cycle:
            os.kill(os.getpid(), 2)


def why(outcome: RunOutcome) -> str:
    """What it says for itself."""
    return "; ".join([outcome.runs[0].reason, *(one.reason for one in outcome.runs[0].cycles)])


def numbers_of(folder: Path) -> list[int]:
    """Cycles of a run."""
    return sorted(ArchivedRun.open(folder).cycle_records)


def test_only_the_cycles_that_are_left_are_done_and_all_count(tmp_path: Path) -> None:
    """Stopped in the third of four: the second run does two, and its conclusion speaks of four."""
    with armed_rig(tmp_path, repeat=4) as rig:
        assert rig.perform(StopsInCycle(3), by="Ada").exit_code == EXIT_STOPPED
        (first,) = rig.runs()
        before = {path.name: path.read_bytes() for path in first.iterdir() if path.is_file()}
        show = Seen()
        outcome = rig.perform(show, resume="last")
        assert outcome.exit_code == EXIT_PASS, why(outcome)
        second = rig.runs()[1]
        assert numbers_of(second) == [4, 5]
        (scenario,) = outcome.runs[0].scenarios
        assert (scenario.cycles, scenario.counted["pass"]) == (4, 4)
        assert told_of(second)["resumes"] == {"run": told_of(first)["run"]}
        assert told_of(second)["by"] == "Ada"  # of the first run, where nobody else is named
        shown = show.newest
        assert shown is not None
        assert (shown.cycle, shown.of_cycles) == (5, 5)
        assert {path.name: path.read_bytes() for path in first.iterdir() if path.is_file()} == before
        (again,) = judge_again(ArchivedRun.open(second)).runs[0].scenarios
        assert again == scenario


def cycle_of(verdict: Verdict) -> CycleJudged:
    """A cycle that counts."""
    return CycleJudged(1, "stays", "", verdict, "", (), ())


def test_a_cycle_that_was_an_error_counts_and_it_is_said_why() -> None:
    """It is a result (rule 11)."""
    one, other = Earlier((cycle_of(Verdict.PASS),), frozenset(), 3), (cycle_of(Verdict.ERROR),)
    assert one.told == "1 cycle of it counted as done"
    with_error = Earlier((*one.counted, *other), frozenset(), 2)
    assert with_error.told == (
        "2 cycles of it counted as done (one that was an error too: it is a result, and no later try hides it: "
        "a run without `--resume` begins anew)"
    )


def test_a_fail_that_was_proven_before_still_stands(tmp_path: Path) -> None:
    """A later attempt never hides an earlier one (rule 11), and shows nothing once the earlier one's sums are gone."""
    with armed_rig(tmp_path, repeat=3) as rig:
        fault = {"point": "fan", "one_in": 1, "from_cut": 1, "to_cut": 1}
        rig.simulation.send({"command": "fault", "name": "retained-lost", "settings": fault})
        rig.perform(StopsInCycle(2))
        outcome = rig.perform(resume="last")
        assert [one.verdict for one in outcome.runs[0].cycles] == [Verdict.PASS] * 2
        assert outcome.runs[0].scenarios[0].verdict is Verdict.FAIL
        assert outcome.exit_code == 1
        first, second = rig.runs()
        assert judge_again(ArchivedRun.open(second)).exit_code == 1
        (first / "SHA256SUMS").unlink()
        run = ArchivedRun.open(second)
        assert first.name.removeprefix("run=") in run.altered and "NOT CLOSED" in run.altered
        assert judge_again(run).exit_code == 4
        with pytest.raises(ArchiveError, match="can't be a baseline"):
            approve(second, why="as it was closed")


def test_an_unfinished_off_time_is_kept_and_its_cycle_goes_on(tmp_path: Path) -> None:
    """Killed while the supply was off: it stays off for the time asked, by the relay's truth, and that cycle is judged
    with what was read before the kill; what the scenario holds stays held."""
    with armed_rig(tmp_path, repeat=2, scenario=LONG) as rig:
        _unguarded(rig)
        rig.run_killed_at("off")
        assert not rig.supply_is_on and set(rig.pressed()) == {"jog"}
        outcome = rig.perform(resume="last")
        assert outcome.exit_code == EXIT_PASS, why(outcome)
        times = [(back - gone) / MS for gone, back in rig.off_times()]
        assert len(times) == 2 and LONG_MS - 100 <= times[0] < LONG_MS + 4000  # the slack of every off time
        killed, second = rig.runs()
        assert numbers_of(second) == [2, 3]
        assert [one.verdict for one in outcome.runs[0].cycles] == [Verdict.PASS] * 2
        assert told_of(killed)["ended"]["how"] == "killed"
        assert [verify(folder).sound for folder in (killed, second)] == [True, True]
        nothing_pressed(rig)
        (again,) = judge_again(ArchivedRun.open(second)).runs[0].scenarios
        assert again == outcome.runs[0].scenarios[0]


def test_an_off_time_that_somebody_ended_is_not_gone_on_with(tmp_path: Path) -> None:
    """The supply is on again although the killed run had left it off: that off time is not the one asked for."""
    with armed_rig(tmp_path, scenario=LONG) as rig:
        _unguarded(rig)
        rig.run_killed_at("off")
        _switch_on(rig)
        outcome = rig.perform(resume="last")
        assert outcome.exit_code == 4
        assert "somebody ended the off time" in why(outcome)


def test_an_off_time_that_nobody_guarded_is_not_kept(tmp_path: Path) -> None:
    """With `only_while` a second without a read counts as lost: the supply goes to `after_trouble`, and the cycle is
    done again."""
    with armed_rig(tmp_path, scenario=LONG) as rig:
        rig.run_killed_at("off")
        outcome = rig.perform(resume="last")
        assert outcome.exit_code == EXIT_PASS, why(outcome)
        assert len(rig.off_times()) == 2


def test_an_off_time_is_not_kept_beside_another_open_run(tmp_path: Path) -> None:
    """Putting the other right would give power in the midst of it and let go of what it holds."""
    with armed_rig(tmp_path, scenario=LONG) as rig:
        _unguarded(rig)
        _proven_by_contact(rig)  # which can't tell one off time from two
        rig.run_killed_at("off")
        journal = rig.runs()[0] / "journal.jsonl"
        first, second, _, *others = journal.read_bytes().splitlines(keepends=True)
        journal.write_bytes(b"".join([first, second, b"\0\0\0\n", *others]))  # nobody can close it any more
        parked = rig.park([])
        assert not parked.well and parked.still_open == (rig.runs()[0].name,)
        rig.run_killed_at("off")
        show = Seen()
        outcome = rig.perform(show, resume="last")
        assert outcome.exit_code == EXIT_PASS, why(outcome)
        assert "is open on this supply too and is put right first" in show.said
        gone, back = rig.off_times()[-1]
        assert back - gone >= (LONG_MS - 100) * MS


def test_an_off_time_that_is_over_is_not_kept(tmp_path: Path) -> None:
    """Who resumes later than the off time lasts gets no error of the relay: the cycle is done again, and it is said."""
    with armed_rig(tmp_path) as rig:
        _unguarded(rig)
        rig.run_killed_at("off")
        show = Seen()
        outcome = rig.perform(show, resume="last")
        assert outcome.exit_code == EXIT_PASS, why(outcome)
        assert re.search(r"the bench was dead meanwhile: off for .+s( already)? where 350 ms were asked", show.said)
        assert len(rig.off_times()) == 2 and numbers_of(rig.runs()[1]) == [2]
        never_on_too_early(rig)


@pytest.mark.parametrize(
    ("off_for_s", "dead_s", "said"),
    [
        (3, 6.5, "off for 6.5 s where 3 s were asked; this cycle is done again"),
        (3, 2.9, "off for 2.9 s already where 3 s were asked"),
        (3, 0.2, ""),
        (86_400, 3600, ""),
        (86_400, 86_400 + 8000, ""),
        (86_400, 86_400 + 9000, "this cycle is done again"),
    ],
)
def test_an_off_time_is_kept_while_its_tenth_more_still_allows_it(off_for_s: float, dead_s: float, said: str) -> None:
    """A tenth more than asked is no error; the two seconds until the bench can switch count as well."""
    story = Story(off_ns=round(off_for_s * NS_PER_S))
    records = story.records()
    cut = records.switchings[0]
    left = OpenCut((), records, cut, {}, (), 1, 0, False)
    found = over_already(left, story.rig, cut.after_ns + round(dead_s * NS_PER_S))
    assert said in found and bool(said) is bool(found)


def _unguarded(rig: ArmedRig) -> None:
    path = rig.folder / "rig.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("only_while: {guard_closed: on}\n", ""), encoding="utf-8")


def _proven_by_contact(rig: ArmedRig) -> None:
    path = rig.folder / "rig.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("proof_of_cut: [{rail: off}]", "proof_of_cut: [{contact: lost}]"), encoding="utf-8")


def _switch_on(rig: ArmedRig) -> None:
    with ModbusTcpClient("127.0.0.1", port=rig.simulation.ports["supply"]) as client:
        client.write_coil(0, True, device_id=1)
    time.sleep(0.3)


def test_without_resume_the_off_time_of_a_killed_run_is_not_kept(tmp_path: Path) -> None:
    """`--resume` alone keeps it: any other armed start brings the supply to `after_trouble`."""
    with armed_rig(tmp_path, scenario=LONG) as rig:
        rig.run_killed_at("off")
        assert rig.perform(rehearse=True).exit_code == EXIT_PASS
        assert rig.supply_is_on


REFUSED: dict[str, dict[str, Any]] = {
    "no run starts so": {"resume": "20990101"},
    "a rehearsal is not gone on with": {"resume": "last", "rehearse": True},
    "was drawn from seed 1": {"resume": "last", "seed": 7},
    "go on in the same way": {"resume": "last", "simulated": True, "arm": None},
}


def test_what_can_not_be_gone_on_with_is_refused_unmoved(tmp_path: Path) -> None:
    """Exit code 2: nothing is switched or written, and no run is made."""
    with armed_rig(tmp_path, repeat=2) as rig:
        rig.perform(StopsInCycle(2))
        moved = len(rig.truth("write"))
        for says, change in REFUSED.items():
            with pytest.raises(Refused, match=says):
                rig.perform(**change)
            assert len(rig.truth("write")) == moved and len(rig.runs()) == 1


def test_other_files_or_a_completed_run_are_refused(tmp_path: Path) -> None:
    """Cycles count only for the files they were made with; what is complete needs no going on."""
    with armed_rig(tmp_path, repeat=2) as rig:
        rig.perform(StopsInCycle(2))
        path = rig.folder / "stays.yaml"
        path.write_text(path.read_text() + "# another edition\n")
        with pytest.raises(Refused, match="the scenario files are not those of"):
            rig.perform(resume="last")
        assert rig.perform().exit_code == EXIT_PASS
        with pytest.raises(Refused, match="was completed"):
            rig.perform(resume="last")


@pytest.fixture(params=["repeat", "planned"])
def one_cycle_asked(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Suite, Path]:
    """A suite whose scenario asks for three cycles, and the archive of a run of it with `--repeat 1` that was killed;
    an old one tells only how many cycles it had planned in all."""
    folder = tmp_path_factory.mktemp("one")
    suite = load(with_program(write_suite(folder)))
    archive = begin(folder / "logs", suite, told_run(suite, [Story(seed=1)]))
    archive.leave_open({request.param: {"burner-stays-shut": 1}})
    return suite, folder / "logs"


def test_a_resumed_run_finishes_what_was_asked_not_what_the_file_says(one_cycle_asked: tuple[Suite, Path]) -> None:
    """The rig is not cut more often than somebody asked for: the plan is that of the earlier run."""
    suite, logs = one_cycle_asked
    assert suite.scenarios[0].repeat == 3
    for repeat in (None, 1):
        plan = SessionPlan.of(suite, RunOptions(logs, simulated=True, resume="last", repeat=repeat))
        assert plan.cycles() == {"burner-stays-shut": 1}


def test_going_on_with_the_last_run_means_the_last_of_this_rig(one_cycle_asked: tuple[Suite, Path]) -> None:
    """What another rig did since is not what somebody goes on with who names this one."""
    suite, logs = one_cycle_asked
    (own,) = logs.glob("rig=*/date=*/run=*")
    elsewhere = logs / "rig=another" / own.parent.name / "run=20991231T235959Z-ffff"
    shutil.copytree(own, elsewhere)
    plan = SessionPlan.of(suite, RunOptions(logs, simulated=True, resume="last"))
    assert plan.earlier is not None and plan.earlier.folder == own


def test_another_number_of_cycles_is_refused(one_cycle_asked: tuple[Suite, Path]) -> None:
    """`--repeat` beside `--resume` either says what the earlier run was asked for, or is refused with the cure."""
    suite, logs = one_cycle_asked
    with pytest.raises(Refused, match=r"was asked for 1 cycle of each case .* not for 3; leave --repeat out"):
        SessionPlan.of(suite, RunOptions(logs, simulated=True, resume="last", repeat=3))


# ---------------------------------------------------------------- killed again and again

SWEPT = SCENARIO.replace("off_for: 350 ms", "off_for: [350 ms, 600 ms], at: random 0 s..200 ms") + "order: shuffled\n"
KILLS = 6
Told = tuple[Any, ...]


def told_by_place(folder: Path) -> dict[tuple[str, str, int], Told]:
    """What a run, with those that it went on with, shows of each of its cycles, all but times: how it was cut, its
    verdict, and each finding's."""
    run: ArchivedRun | None = ArchivedRun.open(folder)
    found: dict[tuple[str, str, int], Told] = {}
    while run is not None:
        for judged in (record for record in run.records if isinstance(record, CycleJudged)):
            records = run.cycle_records[judged.cycle]
            if records.ended is None or not records.ended.completed:
                continue  # broken off, and done again
            begun = records.started
            findings = sorted((one.kind, one.point, one.expectation, one.verdict) for one in judged.findings)
            place = (begun.scenario, begun.case, begun.number)
            assert place not in found, f"{place} was done twice"
            found[place] = (begun.of, begun.off_for_ns, begun.cut_delay_ns, judged.verdict, judged.restarted, findings)
        run = gone_on_with(run)
    return found


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_killed_at_random_instants_and_resumed_it_tells_what_an_unbroken_run_tells(seed: int, tmp_path: Path) -> None:
    """Six kills in eight cycles of two cases, shuffled, with random instants of the cut: the same cycles, drawn alike,
    with the same verdicts and findings, and the same verdict, counts and limits of the whole."""
    drawn = random.Random(seed)
    (tmp_path / "unbroken").mkdir()
    (tmp_path / "killed").mkdir()
    with armed_rig(tmp_path / "unbroken", repeat=4, scenario=SWEPT) as rig:
        assert rig.perform().exit_code == EXIT_PASS
        (unbroken,) = rig.runs()
    with armed_rig(tmp_path / "killed", repeat=4, scenario=SWEPT) as rig:
        run = ("run", rig.folder, "--arm", told_of(unbroken)["rig"], "--logs", rig.logs)
        for number in range(KILLS):
            begins = ("--resume", "last") if number else ("--seed", 1)
            with rig.command(*run, *begins) as process:
                wait_until(lambda known=number: len(list(rig.logs.rglob("run.json"))) > known, "a run", within_s=60)  # type: ignore[misc]
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.communicate(timeout=drawn.uniform(0.5, 7))
                    break
                process.kill()
        code, said = (0, "") if process.returncode == 0 else rig.said_by(*run, "--resume", "last")
        assert code == EXIT_PASS or "was completed" in said, said  # the last kill came when all was done
        last = rig.runs()[-1]
        assert len(rig.runs()) > 2
        nothing_pressed(rig)
    assert told_by_place(last) == told_by_place(unbroken)
    assert [(one["verdict"], one["cycles"], one["counted"]) for one in told_of(last)["scenarios"]] == [
        (one["verdict"], one["cycles"], one["counted"]) for one in told_of(unbroken)["scenarios"]
    ]
