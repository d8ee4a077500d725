"""Rules of judging archived evidence again."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from archive_builders import RUN_ID, SCENARIO, archived, begin, comes_back, load, told_run, write_suite
from evidence import Story
from lamp_suites import LampSuites
from restart_bench.archive.files import ArchiveError
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import JudgedAgain, changed_cycles, changed_findings, judge_again, load_scenario
from restart_bench.archive.writer import RunArchive, finish_killed
from restart_bench.files.faults import FaultsFound
from restart_bench.model.journal import CycleStarted, Finding, Record, RunEnded, judged_scenarios
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import RunOptions, RunOutcome
from restart_bench.model.verdicts import Verdict
from restart_bench.run.session import perform
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

EDITION = """\
program: edition 2
scan: 10 ms
boot: {dark: 50 ms, refusing: 20 ms, answering: 20 ms}
start_pass: none
outputs: at scan end
saved: at once
inputs:
  start_button: {role: command, rest: off}
memory: {fan: {retained: false}}
rungs:
  - {coil: burner, when: start_button OR burner}
"""


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Suite:
    """The trainer's suite, from files."""
    return load(write_suite(tmp_path_factory.mktemp("suite")))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, suite: Suite) -> Path:
    """A closed run of three cycles, in the second of which the burner came back."""
    stories = [Story(seed=1), comes_back(Story(seed=2)), Story(seed=3)]
    return archived(tmp_path_factory.mktemp("logs"), suite, stories)


@pytest.fixture
def run(folder: Path) -> ArchivedRun:
    """The closed run."""
    return ArchivedRun.open(folder)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory, suite: Suite) -> ArchivedRun:
    """A closed run of three cycles that passed."""
    return ArchivedRun.open(archived(tmp_path_factory.mktemp("logs"), suite))


def judged_by(run: ArchivedRun, tmp_path: Path, text: str) -> RunOutcome:
    """The run judged by a scenario file with this text."""
    file = tmp_path / "another.yaml"
    file.write_text(text, encoding="utf-8")
    return judge_again(run, file)


def not_answered(outcome: RunOutcome) -> list[str]:
    """What old evidence can't answer."""
    head = "Not to be answered from this evidence: "
    (scenario,) = outcome.runs[0].scenarios
    return [limit.removeprefix(head).removesuffix(".") for limit in scenario.limits if limit.startswith(head)]


def verdicts(outcome: RunOutcome) -> list[Verdict]:
    """The verdict of each cycle."""
    return [cycle.verdict for cycle in outcome.runs[0].cycles]


# ---------------------------------------------------------------- by the archived scenario


def test_the_same_evidence_gives_the_same_findings(run: ArchivedRun) -> None:
    """Word for word: verdicts, reasons, figures (rule 1)."""
    outcome = judge_again(run)

    assert changed_findings(run, outcome.runs[0].cycles) == []
    assert changed_cycles(run, outcome.runs[0].cycles) == []
    assert (outcome.verdict, outcome.exit_code) == (Verdict.FAIL, 1)
    assert verdicts(outcome) == [Verdict.PASS, Verdict.FAIL, Verdict.PASS]


def test_judging_again_writes_nothing(folder: Path, run: ArchivedRun) -> None:
    """No file of the run changes, none is added."""
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    judge_again(run)

    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_a_run_without_cycles_has_nothing_to_judge(tmp_path: Path, suite: Suite) -> None:
    """An error that says so, not an empty pass."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={})
    archive.write(RunEnded(RUN_ID, "completed", Verdict.PASS, 0, "", 1, ""))
    archive.close({})

    with pytest.raises(ArchiveError, match="no cycle was run"):
        judge_again(ArchivedRun.open(archive.folder))


def test_a_rehearsal_is_no_evidence(tmp_path: Path, suite: Suite) -> None:
    """It cut nothing."""
    archive = RunArchive.create(tmp_path, run_id=RUN_ID, suite=suite, before={"rehearsal": True})
    archive.close({})

    with pytest.raises(ArchiveError, match="a rehearsal cuts nothing"):
        judge_again(ArchivedRun.open(archive.folder))


# ---------------------------------------------------------------- how it ended


@pytest.mark.parametrize("cycles", [0, 1, 3])
def test_a_killed_run_judged_again_ends_as_it_was_closed(cycles: int, tmp_path: Path, suite: Suite) -> None:
    """Killed before its first cycle, within its cycles, or before its end: never the 0 of what it had shown."""
    archive = begin(tmp_path, suite, told_run(suite)[:cycles])
    archive._journal.close()
    archive._lock.release()  # as the system does when a process is gone
    finish_killed(archive.folder)
    run = ArchivedRun.open(archive.folder)
    outcome = judge_again(run)

    assert outcome.exit_code == run.run["exit_code"] == 4
    assert outcome.runs[0].scenarios == tuple(judged_scenarios(run.records).values())


@pytest.mark.parametrize("ended", ["stopped", "error", "ended early", "killed"])
def test_how_a_run_ended_counts_as_it_did_then(ended: str, tmp_path: Path, suite: Suite) -> None:
    """Three cycles that passed, of a run that did not come to its end: the same exit code as a run that ends so."""
    cycles = told_run(suite)
    archive = begin(tmp_path, suite, cycles)
    archive.write(RunEnded(RUN_ID, ended, Verdict.ERROR, 130 if ended == "stopped" else 4, "why", 10**12, ""))
    archive.close({})
    outcome = judge_again(ArchivedRun.open(archive.folder))

    assert (outcome.exit_code, outcome.verdict) == (
        {"stopped": 130, "ended early": 0}.get(ended, 4),
        Verdict.ERROR,
    )
    assert (outcome.runs[0].how, outcome.runs[0].reason) == (ended, "why")


class Stops:
    """A person stops the run as its first or second cycle begins."""

    def __init__(self, cycle: int) -> None:
        self._cycle = cycle

    def record(self, record: Record) -> None:
        """Ctrl-C at the cycle's first record."""
        if isinstance(record, CycleStarted) and record.cycle == self._cycle:
            signal.raise_signal(signal.SIGINT)

    def live(self, state: LiveState) -> None:
        """Not watched."""

    def close(self) -> None:
        """Nothing to close."""


def test_a_stopped_run_judged_again_ends_as_it_did_with_what_was_never_begun(tmp_path: Path) -> None:
    """Two scenarios, stopped in the first: 130 then, 130 now, and the second one is not dropped."""
    suites = LampSuites(tmp_path)
    rig = suites.rig()
    suites.scenario(rig, "first", "on")
    suites.scenario(rig, "second", "on")
    options = RunOptions(logs=tmp_path / "logs", simulated=True)
    outcome = perform(load_suites([rig], cards=cards())[0], options, Stops(1))
    again = judge_again(ArchivedRun.open(outcome.runs[0].folder))

    assert (outcome.exit_code, again.exit_code) == (130, 130)
    assert [one.scenario for one in again.runs[0].scenarios] == ["first", "second"]
    assert again.runs[0].scenarios == outcome.runs[0].scenarios


# ---------------------------------------------------------------- by another scenario


def test_a_new_expectation_is_judged_from_old_evidence(run: ArchivedRun, tmp_path: Path) -> None:
    """Wanted on, the burner fails in the two cycles in which it stayed off, and passes in the third."""
    outcome = judged_by(run, tmp_path, SCENARIO.replace("{is: off, never: on, longer_than: 50 ms}", "on"))

    assert verdicts(outcome) == [Verdict.FAIL, Verdict.PASS, Verdict.FAIL]
    assert not_answered(outcome) == []
    assert [(number, then, now) for number, then, now in changed_cycles(run, outcome.runs[0].cycles)] == [
        (1, Verdict.PASS, Verdict.FAIL),
        (2, Verdict.FAIL, Verdict.PASS),
        (3, Verdict.PASS, Verdict.FAIL),
    ]


def test_findings_that_changed_are_told_as_pairs(run: ArchivedRun, tmp_path: Path) -> None:
    """What is only in the archive has no new side, and the other way round."""
    outcome = judged_by(run, tmp_path, SCENARIO.replace("    fan: off\n", "    fan: {never: on, longer_than: 60 ms}\n"))
    pairs = changed_findings(run, outcome.runs[0].cycles)

    def told(one: Finding | None) -> str | None:
        return None if one is None else f"{one.point} {one.expectation}"

    assert {(told(old), told(new)) for old, new in pairs} == {
        ("fan is off", None),
        (None, "fan never on for 60 ms or longer"),
    }


def test_another_name_is_judged_by_the_cycles_that_were_done_alike(run: ArchivedRun, tmp_path: Path) -> None:
    """Same steps, same cut: the file need not bear the archived name."""
    outcome = judged_by(run, tmp_path, SCENARIO.replace("scenario: burner-stays-shut", "scenario: all-stay-off"))

    assert outcome.runs[0].scenarios[0].scenario == "all-stay-off"
    assert verdicts(outcome) == [Verdict.PASS, Verdict.FAIL, Verdict.PASS]


def test_a_point_that_the_old_rig_lacks_is_said_and_keeps_the_scenario_from_passing(
    clean: ArchivedRun, tmp_path: Path
) -> None:
    """Everything else is judged and passes; what was not observed is no pass."""
    outcome = judged_by(clean, tmp_path, SCENARIO.replace("    fan: off\n", "    fan: off\n    pump: off\n"))

    assert not_answered(outcome) == ["pump: is no point of the archived rig, so it was not observed"]
    assert outcome.verdict is Verdict.INCONCLUSIVE
    assert verdicts(outcome) == [Verdict.PASS] * 3
    assert {one.point for cycle in outcome.runs[0].cycles for one in cycle.findings} >= {"fan", "batch_count"}


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ("start_button, start_button", ()),
        ("start_button", ("the run also did `press start_button for 200 ms` before the cut",)),
        ("start_button, start_button, start_button", ("step press start_button for 200 ms was not performed",)),
    ],
)
def test_a_step_counts_as_often_as_it_was_performed(steps: str, said: tuple[str, ...], tmp_path: Path) -> None:
    """To press once is not to press twice: what toggles would be the other way round."""

    def pressing(names: str) -> str:
        return SCENARIO.replace(
            "cut:", f"before: [{', '.join(f'{{press: {name}}}' for name in names.split(', '))}]\ncut:"
        )

    where = write_suite(tmp_path)
    (where / "burner-stays-shut.yaml").write_text(pressing("start_button, start_button"), encoding="utf-8")
    run = ArchivedRun.open(archived(tmp_path / "logs", load(where)))
    told = [one for one in not_answered(judged_by(run, tmp_path, pressing(steps))) if "press" in one]
    assert len(told) == len(said) and all(one.startswith(text) for one, text in zip(told, said, strict=True))


def test_steps_in_another_order_were_not_performed(tmp_path: Path) -> None:
    """Pressed and then waited is not waited and then pressed."""
    both = "before: [{press: start_button}, {wait: 1 s}]\ncut:", "before: [{wait: 1 s}, {press: start_button}]\ncut:"
    one, other = (SCENARIO.replace("cut:", before) for before in both)
    where = write_suite(tmp_path)
    (where / "burner-stays-shut.yaml").write_text(one, encoding="utf-8")
    run = ArchivedRun.open(archived(tmp_path / "logs", load(where)))
    assert not [text for text in not_answered(judged_by(run, tmp_path, one)) if "order" in text]
    assert [text for text in not_answered(judged_by(run, tmp_path, other)) if "performed in another order" in text]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "cut:",
            "before: [{press: start_button}]\ncut:",
            "step press start_button for 200 ms was not performed before the cut",
        ),
        (
            "repeat:",
            "function_check: [{press: start_button}]\nrepeat:",
            "step press start_button for 200 ms was not performed",
        ),
        ("watch: 1 s", "watch: 20 s", "a watch of 20 s; the run watched for 1 s"),
        ("off_for: 1 s", "off_for: [1 s, 5 s]", "a cut of off_for=5 s was not performed"),
        ("repeat: 3", "repeat: 20", "3 cycles of 20 were performed"),
    ],
)
def test_what_was_not_performed_is_said(clean: ArchivedRun, tmp_path: Path, old: str, new: str, said: str) -> None:
    """A step, a longer watch, another cut, more cycles: each is named, and what passed before is inconclusive."""
    assert judged_by(clean, tmp_path, SCENARIO).verdict is Verdict.PASS
    outcome = judged_by(clean, tmp_path, SCENARIO.replace(old, new))

    assert said in not_answered(outcome)
    assert (outcome.verdict, outcome.exit_code) == (Verdict.INCONCLUSIVE, 3)


def test_old_evidence_without_the_cut_that_is_asked_leaves_nothing_to_judge(run: ArchivedRun, tmp_path: Path) -> None:
    """Only a cut of 5 s is asked, and none was performed."""
    with pytest.raises(ArchiveError, match=r"a cut of 5 s was not performed.*nothing is left to judge"):
        judged_by(run, tmp_path, SCENARIO.replace("off_for: 1 s", "off_for: 5 s"))


def test_faults_of_the_new_file_are_told_as_always(run: ArchivedRun, tmp_path: Path) -> None:
    """File, line, path and cure; unknown points beside them change nothing."""
    with pytest.raises(FaultsFound) as found:
        judged_by(run, tmp_path, SCENARIO.replace("watch: 1 s", "watch: 1,5 s").replace("fan: off", "pump: off"))

    assert any("another.yaml:5" in str(fault) for fault in found.value.faults)


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00 no text", b"scenario: a\0b\n", b"scenario: [open\n"])
def test_a_file_that_can_not_be_read_is_told_as_one_that_is_checked(
    run: ArchivedRun, tmp_path: Path, content: bytes | None
) -> None:
    """A mistyped name is the likeliest mistake of all, and nothing failed but the typing."""
    file = tmp_path / "mistyped.yaml"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(FaultsFound, match=r"mistyped\.yaml"):
        load_scenario(run, file)


@pytest.mark.parametrize("scenario", [SCENARIO, SCENARIO.replace("fan: off", "pump: off")], ids=["known", "unknown"])
def test_a_run_of_another_program_is_judged_by_a_file_as_any_other(tmp_path: Path, scenario: str) -> None:
    """What the archived rig names under `simulation:` lies in no archive where `--program` took its place."""
    folder = write_suite(tmp_path)
    rig = folder / "rig.yaml"
    rig.write_text(rig.read_text(encoding="utf-8") + "simulation: program.yaml\n", encoding="utf-8")
    edition = tmp_path / "edition-2.yaml"
    edition.write_text(EDITION, encoding="utf-8")
    (suite,) = load_suites([folder], program=edition, cards=cards())
    logs = tmp_path / "logs"
    logs.mkdir()
    run = ArchivedRun.open(archived(logs, suite))

    outcome = judged_by(run, tmp_path, scenario)

    program = JudgedAgain(run, outcome, tmp_path / "another.yaml").suite().program
    assert verdicts(outcome) == [Verdict.PASS] * 3
    assert program is not None
    assert program.name == "edition 2"
