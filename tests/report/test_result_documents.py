"""The results for machines: the JSON document and JUnit XML say neither more nor less than the verdicts."""

from __future__ import annotations

import json
import math
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from hypothesis import given
from hypothesis import strategies as st

from live_values import RUN_ID, burner_finding, judged_cycle, one_run
from restart_bench.files.faults import Fault
from restart_bench.model.journal import Finding
from restart_bench.model.outcome import RunOutcome
from restart_bench.model.verdicts import EXIT_MEANS, Verdict, exit_of, exit_over
from restart_bench.report.documents import document, faults_document, junit, refusal_document

RUN = one_run(
    judged_cycle(1, burner_finding(1, Verdict.PASS)),
    judged_cycle(2, burner_finding(2, Verdict.FAIL, "was on for 196 .. 204 ms", on_for_ns=[196_000_000, 204_000_000])),
    judged_cycle(3, burner_finding(3, Verdict.INCONCLUSIVE, "a gap of 40 ms")),
    judged_cycle(4, verdict=Verdict.ERROR, reason="no proof of the cut held"),
    verdict=Verdict.FAIL,
    reason="cycle 2 failed",
)
OUTCOME = RunOutcome(1, Verdict.FAIL, (RUN,))


def test_the_document_holds_runs_scenarios_cases_and_findings() -> None:
    """Verdict and exit code stand at the top; each finding is found under run, scenario and case."""
    told = document(OUTCOME)
    assert (told["verdict"], told["exit_code"], told["faults"]) == ("fail", 1, [])
    run = told["runs"][0]
    assert (run["id"], run["rig"]) == (RUN_ID, "grain-dryer-trainer")
    assert Path(run["folder"]).name == f"run={RUN_ID}"
    case = run["scenarios"][0]["cases"][0]
    assert case["cycles"] == 4
    assert [one["verdict"] for one in case["findings"]] == ["pass", "fail", "inconclusive"]
    assert case["findings"][1]["figures"]["on_for_ns"] == [196_000_000, 204_000_000]
    assert case["errors"] == [{"cycle": 4, "reason": "no proof of the cut held"}]


def test_findings_made_at_the_runs_end_are_in_the_document() -> None:
    """A dead channel is only seen at the end (rule 9); its finding is not lost."""
    late = Finding("burner-stays-shut", "", 0, "burner", "is off", Verdict.ERROR, "the channel may be dead")
    told = document(RunOutcome(4, Verdict.ERROR, (one_run(verdict=Verdict.ERROR, late=(late,)),)))
    findings = told["runs"][0]["scenarios"][0]["cases"][0]["findings"]
    assert [one["reason"] for one in findings] == ["the channel may be dead"]


@given(st.recursive(st.floats() | st.none() | st.text(), st.lists, max_leaves=8))
def test_the_document_is_json_whatever_the_figures(figure: object) -> None:
    """JSON has no NaN and no infinity: what is not finite becomes null, all else stays."""
    run = one_run(judged_cycle(1, burner_finding(1, Verdict.FAIL, "because", odd=figure)), verdict=Verdict.FAIL)
    text = json.dumps(document(RunOutcome(1, Verdict.FAIL, (run,))), allow_nan=False)
    told = json.loads(text)["runs"][0]["scenarios"][0]["cases"][0]["findings"][0]["figures"]["odd"]
    assert told == _finite(figure)


def _finite(figure: object) -> object:
    if isinstance(figure, list):
        return [_finite(one) for one in figure]
    return None if isinstance(figure, float) and not math.isfinite(figure) else figure


def test_faults_stand_in_the_document_with_file_line_and_cure() -> None:
    """Where nothing could begin there is no verdict, and each fault is there in parts."""
    told = faults_document([Fault("rig.yaml", 7, "points.fan.coil", "70000 is too large", "write 0 to 65535")], 2)
    assert (told["verdict"], told["exit_code"], told["runs"]) == (None, 2, [])
    assert told["faults"] == [
        {
            "file": "rig.yaml",
            "line": 7,
            "path": "points.fan.coil",
            "text": "70000 is too large",
            "cure": "write 0 to 65535",
        }
    ]


def test_a_refusal_stands_in_the_document() -> None:
    """Not armed is no verdict either: the reason is there, the verdict is null."""
    told = refusal_document("not armed", 2)
    assert told["verdict"] is None
    assert told["faults"][0]["text"] == "not armed"


# ---------------------------------------------------------------- JUnit


def test_only_a_pass_is_green() -> None:
    """Fail is a failure; error and inconclusive are errors of that type: JUnit has no word for "not shown"."""
    root = Xml.fromstring(junit(OUTCOME))
    cases = {case.get("name"): case for case in root.iter("testcase")}
    burner = cases["burner never on for 20 ms or longer"]
    assert [child.tag for child in burner] == ["failure"]
    assert "cycle 2: fail: was on for 196 .. 204 ms" in (burner[0].text or "")
    for verdict, tag in ((Verdict.FAIL, "failure"), (Verdict.ERROR, "error"), (Verdict.INCONCLUSIVE, "error")):
        run = one_run(judged_cycle(1, burner_finding(1, verdict, "because")), verdict=verdict, reason="because")
        for case in Xml.fromstring(junit(RunOutcome(3, verdict, (run,)))).iter("testcase"):
            assert [(child.tag, child.get("type")) for child in case] == [(tag, verdict.value)]


def test_a_pass_has_neither_failure_nor_error() -> None:
    """A scenario that passed is green as a whole and in each expectation, with its limits beside it."""
    run = one_run(judged_cycle(1, burner_finding(1, Verdict.PASS)), verdict=Verdict.PASS)
    root = Xml.fromstring(junit(RunOutcome(0, Verdict.PASS, (run,))))
    assert [child.tag for case in root.iter("testcase") for child in case if child.tag != "system-out"] == []
    assert "limit: the shortest pulse" in "".join(root.itertext())
    assert (root.get("failures"), root.get("errors")) == ("0", "0")


def test_totals_are_those_of_the_cases() -> None:
    """The counts that CI servers show are counted, not claimed."""
    root = Xml.fromstring(junit(OUTCOME))
    cases = list(root.iter("testcase"))
    assert int(root.get("tests", "")) == len(cases) == 2
    assert int(root.get("failures", "")) == len(list(root.iter("failure"))) == 2
    assert int(root.get("errors", "")) == len(list(root.iter("error"))) == 0


@given(st.text(max_size=60))
def test_any_text_makes_whole_xml(reason: str) -> None:
    """Control characters that XML 1.0 forbids (production Char) do not make the file unreadable."""
    run = one_run(judged_cycle(1, burner_finding(1, Verdict.FAIL, reason)), verdict=Verdict.FAIL, reason=reason)
    Xml.fromstring(junit(RunOutcome(1, Verdict.FAIL, (run,))).encode("utf-8", errors="replace"))


# ---------------------------------------------------------------- exit codes


@given(st.lists(st.sampled_from([0, 1, 3, 4, 130])))
def test_a_proven_fail_beats_everything(codes: list[int]) -> None:
    """Over all scenarios and rigs 1 beats 130 beats 4 beats 3 beats 0."""
    expected = next((code for code in (1, 130, 4, 3) if code in codes), 0)
    assert exit_over(codes) == expected


@pytest.mark.parametrize(
    ("verdict", "code"), [(Verdict.PASS, 0), (Verdict.FAIL, 1), (Verdict.INCONCLUSIVE, 3), (Verdict.ERROR, 4)]
)
def test_each_verdict_has_its_exit_code(verdict: Verdict, code: int) -> None:
    """Scripts tell the four verdicts apart by the exit code alone, and each code has its words."""
    assert exit_of(verdict) == code
    assert EXIT_MEANS[code]


def test_two_is_no_code_of_a_run() -> None:
    """Bad input ends before a run begins, so it can't stand among the codes of runs."""
    with pytest.raises(ValueError, match="no exit code of a run"):
        exit_over([0, 2])
