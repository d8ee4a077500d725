"""Worlds over real Modbus: random programs, faults and scenarios go through the runner on the simulated rig, and its
truth log takes the place of the drawn history. The oracle is the same.
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from deliveries import Delivered, Phases, Wire
from drawing import Life, World
from histories import FAR, MS, Steps
from holding import Find, compare
from oracle import Oracle
from readings import Readings

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from fault_suites import Plan, Tree, Unseen, fault
from restart_bench.archive.reader import ArchivedRun
from restart_bench.model.journal import CycleJudged, CycleRecords
from restart_bench.model.outcome import OneRun, RunOptions
from restart_bench.model.rig import Rig
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Scenario
from restart_bench.run.session import perform

STAGES = {
    "dark": "dark",
    "refusing": "refused",
    "silent": "silent",
    "busy": "busy",
    "answering": "stale",
    "running": "run",
}
OUTPUTS = ("auger", "burner", "fan")


# ---------------------------------------------------------------- drawing


def draw_plan(seed: int) -> Plan:
    """A suite of random program, faults and demands."""
    rng = random.Random(f"played/{seed}")
    faults = tuple(_fault(rng) for _ in range(rng.choice((0, 1, 1, 1, 2))))
    dips = rng.random() < 0.35
    rides = dips and rng.random() < 0.6
    boot = {name: f"{rng.randrange(10, 90)} ms" for name in ("dark", "refusing", "silent", "busy", "answering")}
    program: Tree = {
        "boot": boot,
        "rides_through": "120 ms" if rides else "0 ms",
        "memory/fan": {"retained": rng.random() < 0.6},
        "memory/burner": {"retained": rng.random() < 0.5},
    }
    proofs: list[Tree] = rng.choice(([{"rail": False}, {"uptime": "falls"}], [{"rail": False}], [{"uptime": "falls"}]))
    rig: Tree = {"ready/within": "1200 ms", "proof_of_cut": proofs}
    words = ["required", "either"] + (["none"] * 2 if {"rail": False} in proofs else [])
    scenario: Tree = {
        "cut/off_for": [f"{rng.randrange(60, 100)} ms"] if dips else [f"{rng.randrange(250, 400)} ms"],
        "after/watch": f"{rng.randrange(300, 600)} ms",
        "after/restart": rng.choice(words),
        "after/expect": {name: _demand(rng) for name in OUTPUTS} | {"batch_total": {"is": "as before"}},
        "repeat": 3,
    }
    if rng.random() < 0.3:
        first, then = rng.sample(OUTPUTS, k=2)
        scenario["after/gaps"] = [{"first": first, "then": then, "at_most": f"{rng.randrange(50, 600)} ms"}]
    return Plan(rig, program, scenario, faults)


def _demand(rng: random.Random) -> Tree:
    on = rng.random() < 0.5
    limit = f"{rng.choice((40, 60, 100))} ms"
    kind = rng.choice(("is", "is", "within", "between", "never", "stays", "returns"))
    if kind == "returns":
        return {"returns": "never"}
    if kind in ("never", "stays"):
        return {kind: on, "longer_than": limit}
    if kind == "within":
        return {"is": on, "within": f"{rng.randrange(60, 800)} ms"}
    if kind == "between":
        low = rng.randrange(20, 300)
        return {"is": on, "between": [f"{low} ms", f"{low + rng.randrange(50, 500)} ms"]}
    return {"is": on}


def _fault(rng: random.Random) -> Tree:
    """One of the ordered faults, as a program file writes it."""
    output = rng.choice(OUTPUTS)
    some = f"{rng.randrange(20, 400)} ms"
    return rng.choice((
        fault("relay-welded"),
        fault("relay-not-reclosing"),
        fault("relay-slow", by=f"{rng.randrange(20, 120)} ms", when=rng.choice(("opening", "closing", "both"))),
        fault("relay-bouncing", lasts=f"{rng.randrange(20, 80)} ms"),
        fault("rail-back-fed", controller=rng.choice(("keeps running", "loses power"))),
        fault("rail-held-up", by=f"{rng.randrange(20, 200)} ms"),
        fault("second-dip", after=some, lasts=f"{rng.randrange(30, 150)} ms"),
        fault("stale-image", lasts=some),
        fault("cleared-image", lasts=some),
        fault("image-disagrees", point=output),
        fault("point-unanswered", point=rng.choice(("batch_total", "auger"))),
        fault("pulse", point=output, scan=rng.randrange(0, 4), length=f"{rng.randrange(10, 200)} ms"),
        fault("flapping", point=output, after=some, period=f"{rng.randrange(40, 200)} ms", lasts="600 ms"),
        fault("late-start", point=output, after=some),
        fault("retained-lost"),
        fault("torn-value", point="batch_total"),
        fault("setpoint-overwritten", point="batch_total", value=7),
        fault("phantom-edge", point="start"),
        fault("panel-writes-run-bit", point="fan", after=some),
        fault("never-runs"),
        fault("runs-at-second-power-up"),
        fault("answers-before-program", by=f"{rng.randrange(50, 700)} ms"),
        fault("busy-for-long", by=f"{rng.randrange(50, 700)} ms"),
        fault("refuses-for-good"),
        fault("other-device"),
        fault("older-program"),
        fault("wire-off", point=output),
        fault("independent-on-cut-supply", boots_in=some),
        fault("command-stuck", point="start"),
    ))  # fmt: skip


# ---------------------------------------------------------------- playing


def finds_of_run(seed: int, folder: Path) -> tuple[int, list[Find]]:
    """One run played: how many cycles it cut, and where judge and truth disagree."""
    plan = draw_plan(seed)
    suite = plan.load(folder / "suite")
    options = RunOptions(logs=folder / "logs", simulated=True, seed=seed)
    (run,) = perform(suite, options, Unseen()).runs
    found: list[Find] = []
    cycles = 0
    for world, judged in worlds_of(run, suite.rig, suite.scenarios, plan.faults, seed):
        cycles += 1
        found += compare(world, Oracle(world, Readings(world)), judged)
    return cycles, found


def worlds_of(
    run: OneRun, rig: Rig, scenarios: tuple[Scenario, ...], faults: tuple[Tree, ...], seed: int
) -> Iterator[tuple[World, CycleJudged]]:
    """Every cycle of a run in which something was cut, with its truth."""
    lines = (run.folder / "simulated-truth.jsonl").read_text(encoding="utf-8").splitlines()
    log = [json.loads(line) for line in lines]
    archived = ArchivedRun.open(run.folder)
    judged = {one.cycle: one for one in run.cycles}
    (scenario,) = scenarios
    theme = " + ".join(str(one["fault"]) for one in faults) or "no fault"
    try:
        for records, samples in archived.cycles():
            number = records.started.cycle
            cut = any(one.purpose == "cut" for one in records.switchings)
            back = any(one.purpose == "restore" for one in records.switchings)
            if cut and back and number in judged and records.ended is not None and records.ended.completed:
                yield _world(rig, scenario, records, samples, log, theme, faults, seed * 100 + number), judged[number]
    finally:
        archived.close()


def _changes(log: list[Tree], what: str, name: str, until: int) -> list[tuple[int, Any]]:
    chosen = [one for one in log if one["what"] == what and one["name"] == name and one["before_ns"] < until]
    return [((one["before_ns"] + one["after_ns"]) // 2, one["value"]) for one in chosen]


def _steps(changes: list[tuple[int, Any]], first: float = 0.0) -> Steps:
    return Steps.of(first, *((at, float(value)) for at, value in changes))


def _world(
    rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples], log: list[Tree],
    theme: str, faults: tuple[Tree, ...], seed: int,
) -> World:  # fmt: skip
    """The history of one cycle out of the truth log."""
    assert records.ended is not None
    begin, end = records.started.at_ns, records.ended.at_ns
    cut, back = (
        next((one.before_ns, one.after_ns) for one in records.switchings if one.purpose == purpose)
        for purpose in ("cut", "restore")
    )
    rail = _changes(log, "rail", "rail", end)
    gone = [at for at, value in rail if not value and at >= cut[0]]
    came = [at for at, value in rail if value and at >= cut[0]]
    lost = gone[0] if gone else cut[1]
    returned = (came[-1] if came and came[-1] > gone[-1] else FAR) if gone else back[1]
    again = [at for at in gone if at > back[1] + 40 * MS]
    if again and returned < FAR:
        returned = next((at for at in came if lost < at < again[0]), returned)
    stage = _changes(log, "stage", "controller", end)
    restarted = any(value == "dark" and at >= cut[0] for at, value in stage)
    program = _changes(log, "program", "controller", end)
    world = World(
        seed, theme, rig, scenario, records.started.off_for_ns, cut, back, lost, returned, _steps(rail),
        _lives(program, begin), _phases(stage), restarted, _truth(rig, log, end), _wires(rig, samples),
        origin=0, end=end,
    )  # fmt: skip
    world.disagrees = next((one["point"] for one in faults if one["fault"] in ("wire-off", "image-disagrees")), "")
    world.spoilt = {"stuck perhaps"} if _may_leave_idle(rig, faults) else set()
    world.got = {name: _delivered(one) for name, one in samples.items()}
    for name in rig.points:
        if all(name not in one.values for one in world.got.values()):
            world.got[rig.points[name].device].values[name] = np.full(
                len(world.got[rig.points[name].device].sent), np.nan
            )
    return world


def _may_leave_idle(rig: Rig, faults: tuple[Tree, ...]) -> bool:
    """Whether a command point may stay where it should not: it sticks, or its device lost the supply and came back with
    its outputs off, where a stop button rests on."""
    kinds = {one["fault"] for one in faults}
    rests_on = any(point.writable and point.idle is True for point in rig.points.values())
    return "command-stuck" in kinds or ("independent-on-cut-supply" in kinds and rests_on)


def _lives(program: list[tuple[int, Any]], begin: int) -> tuple[Life, ...]:
    found: list[Life] = []
    for place, (at, runs) in enumerate(program):
        until = program[place + 1][0] if place + 1 < len(program) else FAR
        if runs and until > begin:
            found.append(Life(at if at > begin else -FAR, until, booted=at > begin))
    return tuple(found)


def _phases(stage: list[tuple[int, Any]]) -> Phases:
    times, names, stacks = [-FAR], ["run"], [0]
    for at, value in stage:
        stack = stacks[-1] + (value == "refusing")
        times.append(at)
        names.append(STAGES[value])
        stacks.append(stack)
    return Phases(tuple(times), tuple(names), tuple(stacks))


def _truth(rig: Rig, log: list[Tree], end: int) -> dict[str, Steps]:
    found = {}
    for name, point in rig.points.items():
        what = "image" if point.device == "controller" else "command" if point.writable else "terminal"
        changes = _changes(log, "rail" if name == "rail" else what, name, end)
        if changes:
            found[name] = _steps(changes, float(changes[0][1]))
    return found


def _wires(rig: Rig, samples: Mapping[str, DeviceSamples]) -> dict[str, Wire]:
    """Where nothing was asked for long, the bench (or its computer) stood still."""
    found = {}
    for name, device in rig.devices.items():
        sent = np.sort(samples[name].records["sent_ns"].astype(np.int64)) if name in samples else np.empty(0, np.int64)
        places = np.flatnonzero(np.diff(sent) > 4 * device.poll_ns + 60 * MS)
        stalls = tuple((int(sent[place]), int(sent[place + 1])) for place in places)
        found[name] = Wire(device.poll_ns, device.answer_within_ns, stalls=stalls)
    return found


def _delivered(one: DeviceSamples) -> Delivered:
    rows = one.records
    columns = [
        rows[name].astype(np.int64) for name in ("request", "kind", "exception", "connection", "sent_ns", "received_ns")
    ]
    got = Delivered(*columns, (columns[4] + columns[5]) // 2)
    for name, code in one.layout.points:
        value = rows[f"p:{name}"].astype(np.float64)
        if code == "b":
            value[value < 0] = np.nan
        got.values[name] = value
    return got
