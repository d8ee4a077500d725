"""What each verdict becomes in pytest: one session on five rigs, of which each test looks at one."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as Xml

import pytest

from pytest_suites import Suite, Told
from restart_bench.pytest_plugin.items import Error, RigRun

RIGS = ("passes", "shut", "doubt", "never-lit", "dead")


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Suite:
    """Five rigs: one that does as demanded, and four that each end otherwise."""
    suite = Suite(tmp_path_factory.mktemp("suites"))
    rigs = {name: suite.rig(name) for name in RIGS}
    suite.scenario(rigs["passes"], "stays", "on", off_for="[250 ms, 300 ms]")
    suite.scenario(rigs["shut"], "shut", "off")
    suite.scenario(rigs["doubt"], "own-word", "{never: off, longer_than: 1 ms}")
    suite.scenario(rigs["never-lit"], "never-lit", "on")
    path = rigs["never-lit"] / "never-lit.yaml"
    text = path.read_text(encoding="utf-8").replace("expect: {lamp: on}", "expect: {spare: on}\n    within: 200 ms")
    path.write_text(text, encoding="utf-8")
    suite.scenario(rigs["dead"], "dead", "off", point="spare")
    return suite


@pytest.fixture(scope="module")
def told(suite: Suite) -> Told:
    """What pytest said of all of them."""
    return suite.pytest(*RIGS, "--restart-simulated", "-v", "--junitxml", "out.xml")


def cases_of(suite: Suite, rig: str) -> list[Xml.Element]:
    """The test cases of one rig in the JUnit XML."""
    cases = Xml.parse(suite.folder / "out.xml").getroot().iter("testcase")
    return [case for case in cases if str(case.get("classname")).startswith(f"{rig}.")]


def troubles_of(case: Xml.Element) -> list[str]:
    """Its failures and errors."""
    return [child.tag for child in case if child.tag in {"failure", "error"}]


def run_of(suite: Suite, rig: str) -> Path:
    """The one run of a rig."""
    (run,) = (run for run in suite.runs() if f"rig={rig}" in run.parts)
    return run


def test_a_case_that_passes_is_a_passed_test_with_its_limits(suite: Suite, told: Told) -> None:
    """One item for each case; the limits of what was shown stand in the JUnit XML; one run holds all of it."""
    assert "stays[off_for=250 ms] PASSED" in told.text and "stays[off_for=300 ms] PASSED" in told.text
    run = run_of(suite, "passes")
    assert (run / "SHA256SUMS").is_file() and (run / "report.html").is_file()
    cases = cases_of(suite, "passes")
    assert len(cases) == 2
    for case in cases:
        told_of = [(one.get("name"), one.get("value")) for one in case.iter("property")]
        assert troubles_of(case) == [] and ("verdict", "pass") in told_of
        assert any(name == "limit" for name, _ in told_of)


def test_a_fail_is_a_failure_with_reasons_and_no_traceback(suite: Suite, told: Told) -> None:
    """The text says point, expectation, reason and cycle, and where the evidence lies."""
    assert told.code == pytest.ExitCode.TESTS_FAILED
    assert "Fail: shown to deviate: " in told.line("FAILED shut/")
    assert "cycle 1: fail: lamp is off" in told.text
    assert any("archive:" in line and run_of(suite, "shut").name in line for line in told.text.splitlines())
    assert "pytest_items.py" not in told.text and "Traceback" not in told.text
    (case,) = cases_of(suite, "shut")
    assert troubles_of(case) == ["failure"]


def test_an_inconclusive_case_fails_by_its_own_name(told: Told) -> None:
    """Not shown either way is no pass; the heading says that it is no evidence against the controller."""
    assert "Inconclusive: not shown either way: " in told.line("FAILED doubt/")


def test_a_test_that_was_not_valid_is_an_error_of_the_set_up(suite: Suite, told: Told) -> None:
    """The state before was not reached: nothing was cut, nothing is said about the controller."""
    assert "Error: test not valid, says nothing about the controller: " in told.line("ERROR never-lit/")
    assert "FAILED never-lit/" not in told.text
    (case,) = cases_of(suite, "never-lit")
    assert troubles_of(case) == ["error"]


def test_what_only_the_end_of_the_run_tells_is_an_error_too(suite: Suite, told: Told) -> None:
    """An output that was never seen on may have a dead channel: the rig's last item says so at its tear-down."""
    assert "seen at the end of the run" in told.line("ERROR dead/")
    assert any("spare" in (child.text or "") for case in cases_of(suite, "dead") for child in case.iter("error"))
    assert "FAILED dead/" not in told.text and "2 failed, 3 passed, 2 errors" in told.summary


def test_a_case_that_was_broken_off_is_not_run_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A time limit of pytest struck in it: whoever asks again gets the same error, and nothing is switched."""
    done: list[str] = []

    def struck(_self: RigRun, item: Any) -> Any:
        done.append(item.case.name)
        pytest.fail("longer than 60 s")

    monkeypatch.setattr(RigRun, "_perform", struck)
    item: Any = SimpleNamespace(scenario=SimpleNamespace(name="first"), case=SimpleNamespace(name="a"))
    run = RigRun(SimpleNamespace(getoption=lambda _name: "no"), [item])  # type: ignore[arg-type]
    with pytest.raises(pytest.fail.Exception):
        run.perform(item)
    with pytest.raises(Error, match="broken off by Failed: longer than 60 s"):
        run.perform(item)
    assert done == ["a"]
