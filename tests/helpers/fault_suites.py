"""Whole runs of a simulated grain dryer on which something is wrong: suite files, one run through the runner over real
Modbus TCP, and the archive judged again.

Every run that is played here is judged a second time from its archive, and has to come out the same word for word.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pyarrow.parquet as pq
import yaml

from placed_keys import FAST_DUMPER
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.rejudging import changed_cycles, changed_findings, judge_again
from restart_bench.model.clock import FAR_NS
from restart_bench.model.codec import from_line, to_line
from restart_bench.model.journal import CycleJudged, Finding, Record, ScenarioJudged, Switching
from restart_bench.model.live import LiveState, Show
from restart_bench.model.outcome import OneRun, RunOptions, RunOutcome
from restart_bench.model.verdicts import Verdict
from restart_bench.run.session import perform
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

Tree = dict[str, Any]
GONE = object()
"""As a change: the key is taken away."""

_DIP_NS, _RELAYS_NEED_NS = 100_000_000, 20_000_000
_ATTEMPTS = 3


def _output(address: int) -> Tree:
    return {"device": "controller", "coil": address, "terminal": {"discrete_input": address}}


RIG: Tree = {
    "rig": "dryer-trainer",
    "loads": "harmless",
    "devices": {
        "controller": {"host": "192.0.2.10", "powered_by": "supply", "poll": "20 ms", "answer_within": "150 ms"},
        "independent": {"host": "192.0.2.20", "poll": "16 ms", "answer_within": "300 ms"},
    },
    "supply": {
        "driver": "modbus-coil",
        "host": "192.0.2.30",
        "coil": 0,
        "contact": "normally-open",
        "operate": "10 ms",
        "release": "10 ms",
        "bounce": "0 ms",
        "limits": {"off_at_least": "200 ms", "on_at_least": "200 ms", "dips_up_to": "150 ms"},
    },
    "points": {
        "start": {"device": "independent", "coil": 0, "writable": True, "idle": False},
        "stop": {"device": "independent", "coil": 1, "writable": True, "idle": True},
        "auger": _output(0),
        "burner": _output(1),
        "fan": _output(2),
        "running": {"device": "controller", "discrete_input": 0},
        "heartbeat": {"device": "controller", "input_register": 0},
        "uptime": {"device": "controller", "input_register": 1, "type": "uint32", "unit": "ms"},
        "program_id": {"device": "controller", "input_register": 3},
        "device_code": {"device": "controller", "input_register": 4},
        "batch_total": {"device": "controller", "holding_register": 0, "type": "uint32", "writable": True},
        "setpoint": {"device": "controller", "holding_register": 2, "type": "float32", "writable": True},
        "rail": {"device": "independent", "discrete_input": 8},
        "always_on": {"device": "independent", "discrete_input": 9},
    },
    "ready": {"when": {"running": True}, "steady": "50 ms", "alive": "heartbeat", "within": "3 s"},
    "proof_of_cut": [{"rail": False}, {"uptime": "falls"}],
    "check_channels": {"always_on": True},
    "identify": {"device_code": 4711},
    "program": "program_id",
    "simulation": "program.yaml",
}

PROGRAM: Tree = {
    "program": "grain dryer",
    "scan": "5 ms",
    "boot": {"dark": "40 ms", "refusing": "20 ms", "silent": "20 ms", "busy": "20 ms", "answering": "40 ms"},
    "rides_through": "0 ms",
    "start_pass": "clears coils",
    "inputs": {"start": {"role": "command", "rest": False}, "stop": {"role": "command", "rest": True}},
    "memory": {
        "fan": {"retained": True},
        "burner": {"retained": True},
        "batch_total": {"retained": True},
        "setpoint": {"retained": True},
    },
    "rungs": [
        {"coil": "auger", "when": "(start OR auger) AND stop"},
        {"set": "fan", "when": "start"},
        {"reset": "fan", "when": "NOT stop"},
        {"set": "burner", "when": "start"},
        {"reset": "burner", "when": "NOT stop OR first_scan"},
    ],
}

SCENARIO: Tree = {
    "scenario": "after-a-loss",
    "before": [{"press": "start", "for": "60 ms"}, {"expect": {"fan": True, "burner": True, "auger": True}}],
    "cut": {"how": "supply", "off_for": "250 ms"},
    "after": {
        "settle": "50 ms",
        "watch": "400 ms",
        "expect": {"fan": True, "burner": False, "auger": False},
    },
}


def changed(base: Mapping[str, Any], changes: Mapping[str, Any]) -> Tree:
    """A copy with other values: `{"supply/limits": ..., "points/rail": GONE}`; a path names mappings, then a key."""
    tree = copy.deepcopy(dict(base))
    for path, value in changes.items():
        *way, last = path.split("/")
        place = tree
        for name in way:
            place = place.setdefault(name, {})
        if value is GONE:
            del place[last]
        else:
            place[last] = copy.deepcopy(value)
    return tree


@dataclass(frozen=True)
class Plan:
    """What is changed of the dryer's three files, by path; and the faults that play."""

    rig: Mapping[str, Any] | None = None
    program: Mapping[str, Any] | None = None
    scenario: Mapping[str, Any] | None = None
    faults: tuple[Tree, ...] = ()

    def load(self, folder: Path) -> Suite:
        """The suite, from files in this folder. Raises FaultsFound."""
        folder.mkdir(parents=True, exist_ok=True)
        trees = {
            "rig": changed(RIG, self.rig or {}),
            "program": changed(PROGRAM, self.program or {}),
            "scenario": changed(SCENARIO, self.scenario or {}),
        }
        if self.faults:
            trees["program"]["faults"] = [dict(fault) for fault in self.faults]
        for name, tree in trees.items():
            (folder / f"{name}.yaml").write_text(yaml.dump(tree, Dumper=FAST_DUMPER, sort_keys=False), encoding="utf-8")
        (suite,) = load_suites([folder], cards=cards())
        return suite


def fault(name: str, **settings: Any) -> Tree:
    """One ordered fault as a program file writes it."""
    return {"fault": name, **settings}


class Unseen:
    """A show that nobody looks at: no state is made for it."""

    every_ns = FAR_NS

    def record(self, record: Record) -> None:
        """Nothing."""

    def live(self, state: LiveState) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


@dataclass(frozen=True)
class Played:
    """One run that was played, as the runner gave it back; its archive says the same."""

    outcome: RunOutcome
    run: OneRun

    @property
    def cycle(self) -> CycleJudged:
        """The only cycle."""
        (cycle,) = self.run.cycles
        return cycle

    @property
    def scenario(self) -> ScenarioJudged:
        """The only scenario."""
        (scenario,) = self.run.scenarios
        return scenario

    def finding(self, point: str = "", begins: str = "", cycle: int = 1) -> Finding:
        """The one finding of a cycle about a point, or the one whose expectation begins with a text."""
        (judged,) = (one for one in self.run.cycles if one.cycle == cycle)
        found = [one for one in judged.findings if one.point == point and one.expectation.startswith(begins)]
        assert len(found) == 1, self.told()
        return found[0]

    def verdict(self, point: str = "", begins: str = "", cycle: int = 1) -> str:
        """The word of that finding."""
        return self.finding(point, begins, cycle).verdict.value

    def truth(self, what: str, name: str) -> list[Any]:
        """The values that something truly went through."""
        lines = (self.run.folder / "simulated-truth.jsonl").read_text(encoding="utf-8").splitlines()
        told = [json.loads(line) for line in lines]
        return [one["value"] for one in told if one["what"] == what and one["name"] == name]

    def true_off_ns(self) -> tuple[int, int]:
        """How long the rail was truly off in its first cut: at least, at most."""
        lines = (self.run.folder / "simulated-truth.jsonl").read_text(encoding="utf-8").splitlines()
        rail = [one for one in map(json.loads, lines) if (one["what"], one["name"]) == ("rail", "rail")]
        off = next(place for place, one in enumerate(rail) if one["value"] is False)
        gone, back = rail[off : off + 2]
        return back["before_ns"] - gone["after_ns"], back["after_ns"] - gone["before_ns"]

    def told(self) -> str:
        """All that was judged, for a message."""
        lines = [f"run {self.run.how}: {self.run.reason}"]
        for scenario in self.run.scenarios:
            lines += [f"scenario {scenario.verdict.value}: {scenario.reason}", *scenario.limits]
            lines += [f"  late {one.point}: {one.verdict.value}: {one.reason}" for one in scenario.late_findings]
        for cycle in self.run.cycles:
            lines += [f"cycle {cycle.cycle} {cycle.verdict.value}: {cycle.reason}"]
            lines += [
                f"  {one.point} | {one.expectation} | {one.verdict.value} | {one.reason}" for one in cycle.findings
            ]
            lines += [f"  note: {note}" for note in cycle.notes]
        return "\n".join(lines)


def play(
    folder: Path,
    *faults: Tree,
    rig: Mapping[str, Any] | None = None,
    program: Mapping[str, Any] | None = None,
    scenario: Mapping[str, Any] | None = None,
    seed: int = 7,
    show: Show | None = None,
) -> Played:
    """One run with these faults. What the archive says is held against what the run said. A cut that a busy machine
    stretched is not the one that the test is about: it is played once more (but where a show has its hand in it)."""
    suite = Plan(rig, program, scenario, faults).load(folder / "suite")
    for attempt in range(_ATTEMPTS):
        options = RunOptions(logs=folder / f"logs {attempt}", simulated=True, seed=seed)
        outcome = perform(suite, options, show or Unseen())
        (run,) = outcome.runs
        played = Played(outcome, run)
        print(played.told())  # shown where a test fails
        assert_archived_alike(run)
        if show is not None or not _stretched(played, suite, faults):
            break
    return played


def _stretched(played: Played, suite: Suite, faults: tuple[Tree, ...]) -> bool:
    """Whether the supply was told to come back far later than asked; or, of a dip that no fault of the supply was to
    spoil, whether it was truly longer than asked by more than relays need."""
    asked = suite.scenarios[0].cases[0].off_for_ns
    told = [one for one in ArchivedRun.open(played.run.folder).records if isinstance(one, Switching)]
    cut, back = (next((one for one in told if one.purpose == word), None) for word in ("cut", "restore"))
    if (
        cut is not None
        and back is not None
        and back.before_ns - cut.after_ns > asked + max(_RELAYS_NEED_NS, asked // 5)
    ):
        return True
    spoilt = any(one["fault"].startswith(("relay", "rail", "supply")) for one in faults)
    return asked <= _DIP_NS and not spoilt and played.true_off_ns()[0] > asked + _RELAYS_NEED_NS


# ---------------------------------------------------------------- the archive


def assert_archived_alike(run: OneRun) -> None:
    """Journal, tables, and the evidence judged again say what the run said: verdicts, reasons, figures, marks."""
    archived = ArchivedRun.open(run.folder)
    live = [_as_kept(cycle) for cycle in run.cycles]
    assert [one for one in archived.records if isinstance(one, CycleJudged)] == live
    assert [one for one in archived.records if isinstance(one, ScenarioJudged)] == [
        from_line(to_line(one)) for one in run.scenarios
    ]
    _assert_tables(run)
    if run.cycles:
        again = judge_again(archived).runs[0]
        assert changed_cycles(archived, again.cycles) == []
        assert changed_findings(archived, again.cycles) == []
        assert [_as_kept(cycle) for cycle in again.cycles] == live
        assert again.scenarios == run.scenarios
    archived.close()


def _as_kept(cycle: CycleJudged) -> Record:
    return from_line(to_line(cycle))


def _assert_tables(run: OneRun) -> None:
    findings = pq.read_table(run.folder / "findings.parquet").to_pylist()
    late = [one for scenario in run.scenarios for one in scenario.late_findings]
    wanted = [_row(one) for one in (*(one for cycle in run.cycles for one in cycle.findings), *late)]
    kept = [
        (row["cycle"], row["point"], row["expectation"], row["verdict"], row["reason"], json.loads(row["figures"]))
        for row in findings
    ]
    assert sorted(kept, key=_order) == sorted(wanted, key=_order)
    cycles = pq.read_table(run.folder / "cycles.parquet").to_pylist()
    assert [(row["cycle"], row["verdict"], row["reason"]) for row in cycles] == [
        (one.cycle, one.verdict.value, one.reason) for one in run.cycles
    ]
    for row, one in zip(cycles, run.cycles, strict=True):
        for mark in one.marks:
            bounds = (row[f"{mark.name}_not_before_ns"], row[f"{mark.name}_not_after_ns"])
            assert bounds == (mark.bounds.not_before_ns, mark.bounds.not_after_ns)


def _row(one: Finding) -> tuple[Any, ...]:
    figures = json.loads(json.dumps(one.figures))
    return (one.cycle, one.point, one.expectation, one.verdict.value, one.reason, figures)


def _order(row: tuple[Any, ...]) -> tuple[Any, ...]:
    return row[:5]


def words(played: Played) -> set[Verdict]:
    """The verdicts of all findings."""
    return {one.verdict for cycle in played.run.cycles for one in cycle.findings}


# ---------------------------------------------------------------- which faults are played


PLAYED: set[str] = set()
"""Ordered faults that some test plays through the runner."""

T = TypeVar("T", bound=Callable[..., None])


def plays(*names: str) -> Callable[[T], T]:
    """Marks a test with the ordered faults that it plays."""

    def marked(test: T) -> T:
        PLAYED.update(names)
        return test

    return marked


# ---------------------------------------------------------------- instruments that are missing

NO_RAIL: Tree = {"points/rail": GONE, "proof_of_cut": [{"uptime": "falls"}]}
ONLY_CONTACT: Tree = {"points/rail": GONE, "points/uptime": GONE, "proof_of_cut": GONE}
NO_ALIVE: Tree = {"ready/alive": GONE}
SOON: Tree = {"ready/within": "1500 ms"}
"""For a controller that never gets ready: so long is waited for it."""


def no_terminal(*outputs: str) -> Tree:
    """The rig without independent I/O at these outputs."""
    return {f"points/{output}/terminal": GONE for output in outputs}


def expecting(**expect: Any) -> Tree:
    """The scenario with other expectations."""
    return {"after/expect": expect}


NEVER_ON: Tree = {"is": False, "never": True, "longer_than": "100 ms"}
ALL_ON: Tree = {"fan": True, "burner": True, "auger": True}
BURNER_KEPT: Tree = {
    "rungs": [
        {"coil": "auger", "when": "(start OR auger) AND stop"},
        {"set": "fan", "when": "start"},
        {"set": "burner", "when": "start"},
        {"reset": "burner", "when": "NOT stop"},
    ]
}
"""The program in which somebody has taken the first-scan contact out of the burner's reset rung: it comes back."""
