"""Archived runs made of stories (see `evidence`): real files of a suite, real samples, judged and closed."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evidence import S, Story, moved
from restart_bench.archive.writer import RunArchive
from restart_bench.judging.cycle import judge_cycle
from restart_bench.judging.scenario import judge_run
from restart_bench.model.journal import CycleJudged, CycleRecords, Record, RunEnded, RunStarted
from restart_bench.model.samples import DeviceSamples, SampleLayout
from restart_bench.model.verdicts import Verdict
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

RIG = """\
rig: grain-dryer-trainer
extends: ../common.yaml
supply:
  {driver: modbus-coil, host: 192.0.2.30, coil: 0, contact: normally-open, operate: 2 ms, release: 2 ms, bounce: 0,
   limits: {off_at_least: 1 s}}
points:
  start_button: {device: independent, coil: 0, writable: true, idle: off}
  spare_out: {device: independent, coil: 1, writable: true, idle: off}
  burner: {device: controller, coil: 0, terminal: {discrete_input: 0}}
  fan: {device: controller, coil: 1, terminal: {discrete_input: 1}}
  running: {device: controller, discrete_input: 0}
  heartbeat: {device: controller, input_register: 0}
  uptime: {device: controller, input_register: 1}
  batch_count: {device: controller, input_register: 2}
  program_id: {device: controller, input_register: 3}
  device_code: {device: controller, input_register: 4}
  rail: {device: independent, discrete_input: 8}
  always_on: {device: independent, discrete_input: 9}
  spare_in: {device: independent, discrete_input: 10}
ready: {when: {running: on}, steady: 100 ms, alive: heartbeat, within: 1 s}
proof_of_cut: [{rail: off}, {uptime: falls}]
program: program_id
"""
COMMON = """\
loads: harmless
devices:
  controller: {host: 192.0.2.10, poll: 10 ms, answer_within: 50 ms, powered_by: supply}
  independent: {host: 192.0.2.20, poll: 4 ms, answer_within: 50 ms}
"""
SCENARIO = """\
scenario: burner-stays-shut
purpose: After a loss of supply nothing comes back by itself.
cut: {how: supply, off_for: 1 s}
after:
  watch: 1 s
  expect:
    burner: {is: off, never: on, longer_than: 50 ms}
    fan: off
    batch_count: {is: as before}
repeat: 3
"""
RIG_NAME = "grain-dryer-trainer"
RUN_ID = "20260727T142233Z-4f2a"


def write_suite(folder: Path) -> Path:
    """The files of the suite, one of them outside its folder. Returns the suite's folder."""
    suite = folder / "grain-dryer"
    suite.mkdir(parents=True)
    (folder / "common.yaml").write_text(COMMON, encoding="utf-8")
    (suite / "rig.yaml").write_text(RIG, encoding="utf-8")
    (suite / "burner-stays-shut.yaml").write_text(SCENARIO, encoding="utf-8")
    return suite


PROGRAM = """\
program: grain dryer, edition 7
scan: 10 ms
start_pass: clears coils
inputs:
  start_button: {role: command, rest: off}
memory:
  burner: {retained: true}
rungs:
  - {set: burner, when: start_button}
  - {reset: burner, when: first_scan}
  - {coil: fan, when: burner}
"""


def with_program(suite: Path, text: str = PROGRAM) -> Path:
    """The same suite with a program model beside its rig."""
    (suite / "rig.yaml").write_text(RIG + "simulation: program.yaml\n", encoding="utf-8")
    (suite / "program.yaml").write_text(text, encoding="utf-8")
    return suite


def load(folder: Path) -> Suite:
    """The suite in a folder."""
    (suite,) = load_suites([folder], cards=cards())
    return suite


def comes_back(story: Story) -> Story:
    """The burner comes back by itself, as after a bad edit of the program."""
    back = story.running_ns
    story.set("burner", (0, 1), (story.cut_ns, 0), (back, 1))
    return story.set("burner_terminal", (0, 1), (story.cut_ns, 0), (back, 1))


def part_bytes(layout: SampleLayout, samples: Sequence[DeviceSamples]) -> bytes:
    """Content of a `.part` file."""
    return layout.header() + b"".join(one.records.tobytes() for one in samples)


@dataclasses.dataclass(frozen=True)
class Cycle:
    """One cycle of a run: its journal, its samples, its judgement."""

    records: CycleRecords
    samples: dict[str, DeviceSamples]
    judged: CycleJudged

    @property
    def journal(self) -> list[Record]:
        """Records in the order in which a run writes them, without the judgement."""
        told = [*self.records.switchings, *self.records.steps, *self.records.writes, *self.records.troubles]
        return [self.records.started, *told, *([self.records.ended] if self.records.ended else [])]


def told_cycle(suite: Suite, story: Story, number: int) -> Cycle:
    """A story as cycle `number` of a run, a minute after the one before."""
    (scenario,) = suite.scenarios
    story.rig, story.scenario = suite.rig, scenario
    records, samples = moved(story.records(), story.samples(), number * 60 * S)

    def renumbered(record: object) -> object:
        return dataclasses.replace(record, cycle=number)  # type: ignore[type-var]

    records = CycleRecords(
        renumbered(dataclasses.replace(records.started, number=number, of=scenario.repeat)),  # type: ignore[arg-type]
        *(
            tuple(renumbered(one) for one in group)  # type: ignore[misc]
            for group in (records.steps, records.switchings, records.writes, records.answers, records.troubles)
        ),
        ended=renumbered(records.ended) if records.ended else None,  # type: ignore[arg-type]
    )
    for device in samples.values():
        device.records["cycle"] = number
    return Cycle(records, samples, judge_cycle(suite.rig, scenario, records, samples))


def told_run(suite: Suite, stories: Sequence[Story] | None = None) -> list[Cycle]:
    """The cycles of a run, three of the usual story by default."""
    stories = stories if stories is not None else [Story(seed=seed) for seed in (1, 2, 3)]
    return [told_cycle(suite, story, number) for number, story in enumerate(stories, start=1)]


def started(suite: Suite, planned: int, run_id: str = RUN_ID) -> RunStarted:
    """The first record of a run."""
    names = tuple(scenario.name for scenario in suite.scenarios)
    return RunStarted(run_id, suite.rig.name, 1, "2026-07-27T14:22:33.000+00:00", 7, True, names, planned)


def begin(
    logs: Path, suite: Suite, cycles: Sequence[Cycle], run_id: str = RUN_ID, *, simulated: bool = True
) -> RunArchive:
    """A run that has performed and judged all its cycles, and has not ended."""
    before = {"by": "R. Miller", "simulated": simulated, "seed": 7, "planned": {"burner-stays-shut": len(cycles)}}
    archive = RunArchive.create(logs, run_id=run_id, suite=suite, before=before)
    archive.write(started(suite, len(cycles), run_id))
    for cycle in cycles:
        for record in cycle.journal:
            archive.write(record)
        archive.sync()
        archive.write(cycle.judged)
    write_parts(archive.samples_folder, cycles)
    return archive


def write_parts(folder: Path, cycles: Sequence[Cycle]) -> None:
    """What the observer would have written for these cycles."""
    for device in cycles[0].samples if cycles else ():
        samples = [cycle.samples[device] for cycle in cycles]
        (folder / f"{device}.part").write_bytes(part_bytes(samples[0].layout, samples))


def end(archive: RunArchive, suite: Suite, cycles: Sequence[Cycle], run_id: str = RUN_ID) -> Path:
    """Judge the scenarios and close the run."""
    judged = judge_run(suite.rig, suite.scenarios, [cycle.judged for cycle in cycles])
    for scenario in judged:
        archive.write(scenario)
    worst = Verdict.FAIL if any(one.verdict is Verdict.FAIL for one in judged) else Verdict.PASS
    archive.write(RunEnded(run_id, "completed", worst, int(worst is Verdict.FAIL), "", 10**12, "2026-07-27", "on"))
    told = [{"name": one.scenario, "verdict": one.verdict, "counted": one.counted} for one in judged]
    archive.close({"ended": {"how": "completed", "reason": ""}, "verdict": worst, "exit_code": 0, "scenarios": told})
    return archive.folder


def archived(
    logs: Path, suite: Suite, stories: Sequence[Story] | None = None, run_id: str = RUN_ID, *, simulated: bool = True
) -> Path:
    """A closed run; returns its folder."""
    cycles = told_run(suite, stories)
    return end(begin(logs, suite, cycles, run_id, simulated=simulated), suite, cycles, run_id)


def same_samples(left: DeviceSamples, right: DeviceSamples) -> bool:
    """True where layout and every byte of the records agree (NaN too)."""
    return left.layout == right.layout and np.array_equal(
        left.records.view("u1").reshape(-1) if len(left.records) else left.records,
        np.ascontiguousarray(right.records).view("u1").reshape(-1) if len(right.records) else right.records,
    )
