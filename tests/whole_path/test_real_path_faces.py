"""What a run tells programs and people: exit codes over several rigs, one JSON document, JUnit, plain lines, and
another scenario's questions to the same evidence.

All of it from `restart-bench` in processes of its own, on simulated rigs.
"""

from __future__ import annotations

import json
import os
import subprocess
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from command_line import begun, bench, run_folders, stop, told
from drawn import seldom
from lamp_suites import LampSuites

OFF_FOR = "800 ms"  # long enough that a busy computer still reads the rail meanwhile
Done = subprocess.CompletedProcess[str]
ENDS = ("passes", "inconclusive", "error", "fails")
CODE = {"passes": 0, "inconclusive": 3, "error": 4, "fails": 1}


class Several(LampSuites):
    """Suites on rigs of their own, named after how they end, and runs over several of them."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        for name in ENDS:
            rig = self.rig(name)
            wanted = {"fails": "off", "inconclusive": "{never: off, longer_than: 1 ms}"}.get(name, "on")
            self.scenario(rig, f"it-{name}", wanted, off_for=OFF_FOR)
        broken = folder / "error" / "it-error.yaml"  # the state before is never reached
        text = broken.read_text(encoding="utf-8").replace("expect: {lamp: on}", "expect: {spare: on}\n    within: 0 s")
        broken.write_text(text, encoding="utf-8")
        self.scenario(self.rig("lasts"), "it-lasts", "on", off_for="30 s")
        with (folder / "passes" / "it-passes.yaml").open("a", encoding="utf-8") as file:
            file.write("function_check:\n  - press: start\n")

    def run(self, *names: str) -> Done:
        """One invocation over the suites of these names, with JSON and JUnit."""
        of_its_own = self.folder / "-".join(names)
        paths = [self.folder / name for name in names]
        junit = ["--junit", of_its_own / "junit.xml"]
        return bench("run", *paths, "--simulated", "--json", "--logs", of_its_own / "logs", *junit)

    def stopped(self, first: str) -> tuple[int, str]:
        """A suite, and beside it one that a person stops once the first has ended: exit code, and what was said."""
        paths = [self.folder / first, self.folder / "lasts"]
        logs = self.folder / f"{first}-stopped" / "logs"
        process = begun("run", *paths, "--simulated", "--logs", logs)
        assert process.stdout is not None
        said = []
        for line in process.stdout:
            said.append(line)
            if line.startswith(f"{first}: ended"):
                stop(process)
                break
        rest, _ = process.communicate(timeout=60)
        return process.returncode, "".join([*said, rest])


@pytest.fixture(scope="module")
def suites(tmp_path_factory: pytest.TempPathFactory) -> Several:
    """The suites."""
    return Several(tmp_path_factory.mktemp("faces"))


PAIRS = (("passes", "inconclusive"), ("inconclusive", "error"), ("error", "fails"))


@pytest.fixture(scope="module")
def done(suites: Several) -> dict[tuple[str, ...], Done]:
    """Invocations over two rigs each."""
    with ThreadPoolExecutor(2) as side_by_side:
        begun_runs: dict[tuple[str, ...], Future[Done]] = {
            pair: side_by_side.submit(suites.run, *pair) for pair in PAIRS
        }
        return {pair: run.result() for pair, run in begun_runs.items()}


# ---------------------------------------------------------------- exit codes


@pytest.mark.parametrize("pair", PAIRS, ids="-".join)
def test_the_worse_of_two_rigs_is_the_exit_code(done: dict[tuple[str, ...], Done], pair: tuple[str, str]) -> None:
    """1 beats 4 beats 3 beats 0, whatever the order in which the rigs were run."""
    run = done[pair]
    assert run.returncode == CODE[pair[1]], told(run)
    codes = [CODE[name] for name in pair]
    document = json.loads(run.stdout)
    assert document["exit_code"] == run.returncode
    assert [one["rig"] for one in document["runs"]] == list(pair)
    words = {0: "pass", 3: "inconclusive", 4: "error", 1: "fail"}
    assert [one["scenarios"][0]["verdict"] for one in document["runs"]] == [words[code] for code in codes]


@pytest.mark.parametrize(("first", "code"), seldom(("fails", 1), ("error", 130)))
def test_a_stop_by_a_person_lies_between_a_proven_fail_and_an_error(suites: Several, first: str, code: int) -> None:
    """Ctrl-C while the second rig's run goes on: a fail that was proven before stays 1, an error before does not hide
    the stop; both runs are in the archive."""
    ended, said = suites.stopped(first)
    assert ended == code, said
    assert len(run_folders(suites.folder / f"{first}-stopped" / "logs")) == 2


# ---------------------------------------------------------------- for programs


@pytest.mark.parametrize("pair", PAIRS, ids="-".join)
def test_standard_output_is_one_json_document_and_nothing_else(
    done: dict[tuple[str, ...], Done], pair: tuple[str, str]
) -> None:
    """One document from the first byte to the last, whatever came out; its runs lie where it says."""
    text = done[pair].stdout
    document, end = json.JSONDecoder().raw_decode(text)
    assert text[end:] == "\n"
    assert set(document) == {"verdict", "exit_code", "runs", "faults"}
    for run in document["runs"]:
        assert (Path(run["folder"]) / "SHA256SUMS").is_file()
        for scenario in run["scenarios"]:
            assert {case["cycles"] for case in scenario["cases"]} == {1}
            assert all(case["findings"] for case in scenario["cases"])


def test_junit_tells_the_four_words_apart(suites: Several, done: dict[tuple[str, ...], Done]) -> None:
    """A fail is a failure, error and inconclusive are errors of their own type, a pass is neither."""
    found: dict[str, set[tuple[str, str | None]]] = {}
    for pair in done:
        root = Xml.parse(suites.folder / "-".join(pair) / "junit.xml").getroot()
        for suite in root.iter("testsuite"):
            (whole,) = [case for case in suite.iter("testcase") if case.get("name") == "the scenario as a whole"]
            marked = {(child.tag, child.get("type")) for child in whole if child.tag in ("failure", "error")}
            found.setdefault(str(suite.get("name")), set()).update(marked)
    assert found == {
        "passes.it-passes": set(),
        "inconclusive.it-inconclusive": {("error", "inconclusive")},
        "error.it-error": {("error", "error")},
        "fails.it-fails": {("failure", "fail")},
    }


def test_no_stream_has_a_control_character_where_nobody_looks(done: dict[tuple[str, ...], Done]) -> None:
    """`run | cat`, and with --json the lines on standard error: text and line ends."""
    assert done and all(run.stdout for run in done.values())
    for run in done.values():
        for stream in (run.stdout, run.stderr):
            assert [character for character in stream if ord(character) < 32 and character != "\n"] == []


def test_a_run_into_a_pipe_has_no_control_character(suites: Several) -> None:
    """`restart-bench run ... | cat`, also where the environment speaks of a console; lines are as long as asked for."""
    logs = suites.folder / "piped"
    run = bench(
        "run", suites.folder / "fails", "--simulated", "--logs", logs,
        env={**os.environ, "TERM": "xterm-256color", "FORCE_COLOR": "", "COLUMNS": "100"},
    )  # fmt: skip
    assert run.returncode == 1, told(run)
    assert [character for character in run.stdout if ord(character) < 32 and character != "\n"] == []
    assert max(len(line) for line in run.stdout.splitlines() if "report.html" not in line) <= 100


# ---------------------------------------------------------------- other questions to the same evidence


def test_judge_says_what_old_evidence_can_not_answer(
    suites: Several, done: dict[tuple[str, ...], Done], tmp_path: Path
) -> None:
    """A point that was not wired, a step, a cut and a watch that were not performed: each is said, what was observed
    is judged, and the whole is inconclusive."""
    (folder,) = [
        one for one in run_folders(suites.folder / "passes-inconclusive" / "logs") if "rig=passes" in one.parts
    ]
    text = (suites.folder / "passes" / "it-passes.yaml").read_text(encoding="utf-8")
    text = text.replace(f"off_for: {OFF_FOR}", f"off_for: [{OFF_FOR}, 5 s]").replace(
        "lamp: on\n", "lamp: on\n    mixer: off\n"
    )
    text = text.replace("after:\n", "after:\n  watch: 20 s\n")
    scenario = tmp_path / "it-passes.yaml"
    scenario.write_text(text + "  - expect: {lamp: on}\n", encoding="utf-8")
    before = sorted((path, path.stat().st_mtime_ns) for path in folder.rglob("*"))
    judged = bench("judge", folder, "--scenario", scenario, env={**os.environ, "COLUMNS": "300"})
    assert judged.returncode == 3, told(judged)
    for said in (
        "mixer: is no point of the archived rig, so it was not observed",
        "step expect lamp on within 5 s was not performed",
        "a cut of off_for=5 s was not performed",
        "a watch of 20 s; the run watched for 400 ms",
    ):
        assert f"Not to be answered from this evidence: {said}." in judged.stdout
    assert "the watch was over, and what was read later came after a command" in judged.stdout
    assert sorted((path, path.stat().st_mtime_ns) for path in folder.rglob("*")) == before


def test_judge_finds_a_deviation_that_nobody_had_asked_about(
    suites: Several, done: dict[tuple[str, ...], Done], tmp_path: Path
) -> None:
    """The evidence of a passed run, asked the opposite: a fail, exit code 1, and which cycle was judged otherwise."""
    (folder,) = [
        one for one in run_folders(suites.folder / "passes-inconclusive" / "logs") if "rig=passes" in one.parts
    ]
    text = (suites.folder / "passes" / "it-passes.yaml").read_text(encoding="utf-8")
    scenario = tmp_path / "it-passes.yaml"
    scenario.write_text(text.replace("    lamp: on\n", "    lamp: off\n"), encoding="utf-8")
    judged = bench("judge", folder, "--scenario", scenario)
    assert judged.returncode == 1, told(judged)
    assert "cycle 1 was pass when it was run and is fail now" in judged.stdout
