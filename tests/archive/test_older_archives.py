"""Archives that were written before findings had kinds: they read as if they had been written today.

`written_before.zip` holds a run of two cycles of a simulated dryer: in the first the burner deviates, in the second the
supply dips a second time. It was written by the last edition whose journal told kinds by their words alone.
"""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pytest
from rich.console import Console

from archive_builders import archived, load, write_suite
from evidence import OFF, Story, expects, scenario
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import changed_cycles, changed_findings, judge_again
from restart_bench.judging.rehearsal import judge_rehearsal
from restart_bench.judging.scenario import judge_run
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import (
    CycleJudged,
    Finding,
    FindingKind,
    Record,
    ScenarioJudged,
    judged_cycles,
    judged_scenarios,
)
from restart_bench.model.scenario import Gap, MarkLimit, Window
from restart_bench.model.verdicts import Verdict
from restart_bench.report.console import print_outcome

ZIP = Path(__file__).with_name("written_before.zip")
K = FindingKind
KINDS = [
    (K.RESTART, ""),
    (K.READY, "ready"),
    (K.MARK, "ready"),
    (K.MARK, "answered"),
    (K.EXPECTATION, "fan"),
    (K.EXPECTATION, "burner"),
    (K.EXPECTATION, "auger"),
    (K.EXPECTATION, "setpoint"),
    (K.GAP, "fan"),
    (K.PROGRAM, "program_id"),
    (K.FUNCTION_CHECK, "press start for 60 ms"),
    (K.FUNCTION_CHECK, "expect auger on within 5 s"),
]
"""What each cycle of that run was judged for, told by hand from its scenario and its rig."""


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive, unpacked."""
    folder = tmp_path_factory.mktemp("logs")
    shutil.unpack_archive(ZIP, folder)
    return folder


@pytest.fixture
def run(logs: Path) -> ArchivedRun:
    """Its only run."""
    (folder,) = logs.glob("rig=*/date=*/run=*")
    return ArchivedRun.open(folder)


def test_its_journal_really_has_no_kinds(run: ArchivedRun) -> None:
    """Otherwise nothing here would be tested."""
    text = (run.folder / "journal.jsonl").read_text(encoding="utf-8")
    assert '"findings"' in text and '"subject"' not in text and '"head"' not in text


def test_its_findings_have_kinds_and_subjects(run: ArchivedRun) -> None:
    """Every kind that the run has, in the order of the journal; the second cycle was not valid as well."""
    first, second = judged_cycles(run.records).values()
    assert [(one.kind, one.subject) for one in first.findings] == KINDS
    assert [(one.kind, one.subject) for one in second.findings] == [*KINDS, (K.VALIDITY, "second dip")]
    assert [one.voided for one in second.findings] == [True] * len(KINDS) + [False]


def _without_numbers(text: str) -> str:
    return re.sub(r"[\d.]+", "#", text)


_SPANS = ("delay_ns", "found_ns", "counted_from_ns")


def _spans(old: Finding, new: Finding) -> Iterator[tuple[Sequence[int], Sequence[int]]]:
    """What was counted from the return then, and is now; gaps have moved, and are as many as they were."""
    assert len(old.figures.get("gaps", ())) == len(new.figures.get("gaps", ()))
    for name in _SPANS:
        then, now = old.figures.get(name), new.figures.get(name)
        assert (then is None) is (now is None)
        if then is not None:
            yield then, now


def test_it_is_judged_again_to_the_same_findings(run: ArchivedRun) -> None:
    """Kind for kind, verdict for verdict and word for word, but for what counts from the return: the rail narrows it
    since, so delays lie within those of then. So is its scenario, but for limits that are in other words since."""
    again = judge_again(run).runs[0]
    for old, new in changed_findings(run, again.cycles):
        assert old is not None and new is not None
        for (least, most), (low, high) in _spans(old, new):
            assert least <= low <= high <= most
        counted = {name: old.figures[name] for name in (*_SPANS, "gaps") if name in old.figures}
        assert replace(new, reason=old.reason, figures={**new.figures, **counted}) == old
        assert _without_numbers(new.reason) == _without_numbers(old.reason)
    assert changed_cycles(run, again.cycles) == []
    (then,) = judged_scenarios(run.records).values()
    (now,) = again.scenarios
    assert replace(now, limits=then.limits, reason=then.reason) == then
    assert _without_numbers(now.reason) == _without_numbers(then.reason)
    assert [one.verdict for one in again.cycles] == [Verdict.FAIL, Verdict.ERROR]


def test_its_scenario_is_told_in_short(run: ArchivedRun) -> None:
    """The reasons of cycles stand among the findings."""
    (judged,) = judged_scenarios(run.records).values()
    assert judged.in_short == "1 of 2 cycles failed"
    assert judged.with_an_example == judged.reason


def test_its_results_tell_the_second_dip_once(run: ArchivedRun) -> None:
    """What a problem has made an error is counted, not listed."""
    stream = io.StringIO()
    print_outcome(judge_again(run), Console(file=stream, width=140))
    text = stream.getvalue()
    assert text.count("dipped a second time") == 1 and "so 12 demands could not be judged" in text
    assert "error  validity of the test: second dip" in text and "error  fan" not in text


def test_one_query_reads_older_and_newer_tables(logs: Path, tmp_path: Path) -> None:
    """The columns came to the tables' right end; by their names a fleet's archive still reads as one table."""
    both = tmp_path / "logs"
    shutil.copytree(logs, both)
    archived(both, load(write_suite(tmp_path / "suite")), [Story(seed=1)])
    tables = "read_parquet(?, hive_partitioning=true, union_by_name=true)"
    query = f"SELECT count(*), count(kind), count(DISTINCT rig) FROM {tables}"
    ((rows, kinds, rigs),) = duckdb.execute(query, [f"{both}/**/findings.parquet"]).fetchall()
    assert rigs == 2 and 0 < kinds < rows == kinds + 25


# ---------------------------------------------------------------- what words tell, against what is judged today


def as_before(record: Record) -> Record:
    """A record as it comes back from a line that was written without kinds, subjects and parts of reasons."""
    told: dict[str, Any] = json.loads(to_line(record))
    for finding in (*told.get("findings", ()), *told.get("late_findings", ())):
        del finding["kind"], finding["subject"]
    for name in ("head", "begun"):
        told.pop(name, None)
    return from_line(json.dumps(told))


def stories() -> list[Story]:
    """Cycles with findings of every kind that a cycle can have."""
    gap = Gap("burner", "fan", "burner_terminal", "fan_terminal", 0, None, "fan 0 s or more after burner")
    ready = MarkLimit("ready", Window(0, 10**9), "ready within 1 s")
    told = scenario(expects("burner", "is", OFF), gaps=(gap,), times=(ready,))
    rig = replace(
        Story().rig, program=("program_id",), identify=(("device_code", OFF),), check_channels=(("always_on", OFF),)
    )
    plain = Story(scenario=told)
    broken_off = Story(scenario=told, completed=False)
    unread = replace(Story(rig=rig, scenario=told)).hide("independent", 3_000_000_000, 10_000_000_000)
    return [plain, broken_off, unread, Story(scenario=told, switched=False)]


@pytest.mark.parametrize("number", range(4))
def test_words_tell_the_kind_that_is_judged_today(number: int) -> None:
    """A line without kinds comes back as the judge's own finding."""
    judged = stories()[number].judge()
    assert as_before(judged) == from_line(to_line(judged))


def test_what_words_can_be_confused_is_told_apart() -> None:
    """The rig's own limit of ready, the same limit in `times:`, and a rehearsal's function check."""
    for kind, subject, point, expectation in (
        (K.GAP, "is on after", "is", "is 5 s or more after is on after"),
        (K.EXPECTATION, "fan", "fan", "is on within 5 s of ready"),
        (K.ONLY_WHILE, "guard", "guard", "only_while held"),
        (K.COMPLETION, "", "", "all phases done"),
        (K.MARK, "answered", "", "answered between 1 s and 2 s"),
    ):
        finding = Finding("s", "", 1, point, expectation, Verdict.PASS, "", {}, kind, subject)
        cycle = CycleJudged(1, "s", "", Verdict.PASS, "", (), (finding,))
        assert as_before(cycle) == cycle


def test_a_rehearsals_steps_are_told_by_their_words() -> None:
    """Steps before the cut's place and behind it; nothing was cut."""
    story = Story().step("before", 0, True, (0, 1), "press start").step("function check", 0, True, (2, 3), "press stop")
    judged = judge_rehearsal(story.scenario, story.records())
    assert [(one.kind, one.subject) for one in judged.findings] == [
        (K.REHEARSAL_STEP, "press start"),
        (K.REHEARSAL_STEP, "press stop"),
    ]
    assert as_before(judged) == judged


@pytest.mark.parametrize(
    "words", ["f", "ff", "fff", "fe", "ffe", "fee", "e", "ee", "i", "ii", "iii", "p", "pi", "", "di"]
)
def test_a_scenarios_reason_has_the_parts_that_its_words_tell(words: str) -> None:
    """Over cycles that failed, were not valid, or not shown either way, in all their orders; a dead channel beside."""
    of = {"f": Verdict.FAIL, "e": Verdict.ERROR, "i": Verdict.INCONCLUSIVE, "p": Verdict.PASS, "d": Verdict.PASS}
    told = scenario(expects("burner", "is", OFF))
    cycles = [
        replace(Story(scenario=told).judge(), cycle=n, verdict=of[w], reason=f"so {w}") for n, w in enumerate(words, 1)
    ]
    if "d" in words:
        cycles = [
            replace(cycle, outputs=tuple(replace(one, seen_on=False) for one in cycle.outputs)) for cycle in cycles
        ]
    (judged,) = judge_run(Story().rig, [told], cycles, {told.name: len(words) + ("p" in words)})
    assert isinstance(judged, ScenarioJudged)
    assert as_before(judged) == from_line(to_line(judged))
    assert judged.in_short == judged.reason.split(": cycle ")[0]
