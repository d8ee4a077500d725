"""Evidence by hand: a cycle is told as a story (what was true, and when), polled as the bench polls, and judged.

All times of a story are nanoseconds from its own start. The dryer of these tests has a burner and a fan with
terminals, a running light, a heartbeat and an uptime; its supply is seen by `rail`.
"""

from __future__ import annotations

import bisect
import dataclasses
import random
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from restart_bench.evidence.marks import traces_of
from restart_bench.evidence.traces import Trace
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import (
    Answered,
    CycleEnded,
    CycleJudged,
    CycleRecords,
    CycleStarted,
    Finding,
    PointWritten,
    StepDone,
    Switching,
    Trouble,
)
from restart_bench.model.rig import CheckPulse, Device, Levels, Point, Proof, Ready, Rig, RigSupply, Value, Wanted
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind, SampleLayout
from restart_bench.model.scenario import Case, Expectation, Scenario, Window

MS = 1_000_000
S = 1_000_000_000
T0 = 1_000 * S
ON, OFF = Wanted(equals=True), Wanted(equals=False)
Stage = Literal["good", "stale", "dark", "refused", "accepted", "busy"]

CONTROLLER = ("burner", "fan", "running", "heartbeat", "uptime", "batch_count", "program_id", "device_code")
INDEPENDENT = (
    "start_button", "spare_out", "burner_terminal", "fan_terminal", "rail", "always_on", "spare_in", "guard_closed",
    "rail_mv",
)  # fmt: skip


def dryer(**changes: Any) -> Rig:
    """The rig of these tests; `changes` are fields of `Rig`."""
    coils = [
        Point(name, "controller", "coil", place, terminal=f"{name}_terminal")
        for place, name in enumerate(("burner", "fan"))
    ]
    registers = ("heartbeat", "uptime", "batch_count", "program_id", "device_code")
    points = [
        Point("start_button", "independent", "coil", 0, writable=True, idle=False),
        Point("spare_out", "independent", "coil", 1, writable=True, idle=False),
        *coils,
        Point("burner_terminal", "independent", "discrete_input", 0),
        Point("fan_terminal", "independent", "discrete_input", 1),
        Point("running", "controller", "discrete_input", 0),
        *(Point(name, "controller", "input_register", place, type="uint16") for place, name in enumerate(registers)),
        Point("rail", "independent", "discrete_input", 8),
        Point("always_on", "independent", "discrete_input", 9),
        Point("spare_in", "independent", "discrete_input", 10),
        Point("guard_closed", "independent", "discrete_input", 11),
        Point("rail_mv", "independent", "input_register", 0, type="uint16", levels=Levels(5_000, 19_000)),
    ]
    rig = Rig(
        name="grain-dryer-trainer",
        loads="harmless",
        devices={
            "controller": Device("controller", "192.0.2.10", answer_within_ns=50 * MS, powered_by_supply=True),
            "independent": Device("independent", "192.0.2.20", poll_ns=4 * MS, answer_within_ns=50 * MS),
        },
        points={point.name: point for point in points},
        supply=RigSupply("modbus-coil", contact="normally-open", operate_ns=2 * MS, release_ns=2 * MS),
        ready=Ready(when=(("running", ON),), steady_ns=100 * MS, alive="heartbeat", within_ns=1 * S),
        proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "uptime")),
    )
    return replace(rig, **changes)


def scenario(*after: Expectation, **changes: Any) -> Scenario:
    """A scenario with these expectations; `changes` are fields of `Scenario`."""
    told = Scenario("burner-stays-shut", "supply", (Case("", 1 * S),), after=tuple(after), watch_ns=1 * S)
    return replace(told, **changes)


def expects(point: str, kind: str, wanted: Wanted = ON, *, judged: str = "", **changes: Any) -> Expectation:
    """An expectation of a point, judged at its terminal where it has one."""
    terminal = f"{point}_terminal" if point in ("burner", "fan") else point
    within = changes.pop("within", None)
    window = Window(*within) if within is not None else None
    text = f"{kind} {'on' if wanted == ON else 'off' if wanted == OFF else 'so'}"
    one = Expectation("after", point, judged or terminal, kind, wanted, window=window, text=text)  # type: ignore[arg-type]
    return replace(one, **changes)


@dataclass
class Story:
    """What was true in one cycle. The default: cut at 2 s for 1 s, the controller runs 0.5 s after the return,
    burner and fan were on and stay off, the watch ends 1 s after ready."""

    rig: Rig = field(default_factory=dryer)
    scenario: Scenario = field(default_factory=scenario)
    cut_ns: int = 2 * S
    off_ns: int = 1 * S
    end_ns: int = 4_900 * MS
    seed: int = 1
    stages: list[tuple[int, Stage]] = field(default_factory=list)
    truth: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    hidden: list[tuple[str, int, int]] = field(default_factory=list)
    steps: list[StepDone] = field(default_factory=list)
    writes: list[PointWritten] = field(default_factory=list)
    answers: list[Answered] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    switched: bool = True
    completed: bool = True
    restarts: bool = True
    command: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("stages", "hidden", "steps", "writes", "answers", "troubles"):
            setattr(self, name, list(getattr(self, name)))  # a story made from another one goes its own way
        back = self.back_ns
        if not self.stages:
            self.boot(dark=200 * MS, refused=100 * MS, accepted=50 * MS, busy=50 * MS, stale=100 * MS)
        running = self.running_ns
        usual: dict[str, list[tuple[int, float]]] = {
            "burner": [(0, 1), (self.cut_ns, 0)],
            "burner_terminal": [(0, 1), (self.cut_ns + 5 * MS, 0)],
            "fan": [(0, 1), (self.cut_ns, 0)],
            "fan_terminal": [(0, 1), (self.cut_ns + 5 * MS, 0)],
            "running": [(0, 1), (self.cut_ns, 0), (running, 1)],
            "batch_count": [(0, 41)],
            "program_id": [(0, 17042)],
            "device_code": [(0, 4711)],
            "rail": [(0, 1), (self.cut_ns + MS, 0), (back + MS, 1)],
            "rail_mv": [(0, 24_000), (self.cut_ns + MS, 0), (back + MS, 24_000)],
            "always_on": [(0, 1)],
            "guard_closed": [(0, 1)],
        }
        self.truth = {**usual, **self.truth}

    # ------------------------------------------------------------ telling

    @property
    def back_ns(self) -> int:
        """When the supply is commanded back."""
        return self.cut_ns + self.off_ns

    @property
    def running_ns(self) -> int:
        """When the program runs again."""
        return next(at for at, stage in reversed(self.stages) if stage == "good")

    def boot(self, **lengths: int) -> Story:
        """What a client meets after the return, stage by stage; then the program runs."""
        at = self.back_ns + 2 * MS
        self.stages = [(-(10**12), "good"), (self.cut_ns + MS, "dark")]
        for stage, length in lengths.items():
            self.stages.append((at, stage))  # type: ignore[arg-type]
            at += length
        self.stages.append((at, "good"))
        return self

    def never_dark(self) -> Story:
        """The controller rides through."""
        self.stages = [(-(10**12), "good")]
        self.restarts = False
        self.truth["running"] = [(0, 1)]
        return self

    def set(self, name: str, *changes: tuple[int, float]) -> Story:
        """The value of a point from each of these instants on (off before the first)."""
        self.truth[name] = list(changes)
        return self

    def pulse(self, name: str, at_ns: int, length_ns: int) -> Story:
        """A pulse on top of what the point does otherwise (it is off around it)."""
        kept = [change for change in self.truth[name] if change[0] < at_ns]
        self.truth[name] = [*kept, (at_ns, 1), (at_ns + length_ns, 0)]
        return self

    def hide(self, device: str, from_ns: int, to_ns: int) -> Story:
        """Nobody asks this device between two instants: no samples at all."""
        self.hidden.append((device, from_ns, to_ns))
        return self

    def step(
        self, phase: str, index: int, reached: bool | None, at: tuple[int, int], text: str = "", reason: str = ""
    ) -> Story:
        """A step was done."""
        self.steps.append(StepDone(1, phase, index, text, reached, T0 + at[0], T0 + at[1], reason))
        return self

    def write(self, point: str, value: Value, purpose: str, at_ns: int) -> Story:
        """A command to a point was taken within a millisecond."""
        self.writes.append(PointWritten(1, point, value, purpose, T0 + at_ns, T0 + at_ns + MS))
        return self

    def trouble(self, kind: str, at_ns: int, text: str = "so it was", error: bool = True) -> Story:
        """The bench noted a trouble."""
        self.troubles.append(Trouble(1, kind, text, T0 + at_ns, error))
        return self

    # ------------------------------------------------------------ evidence

    def value(self, name: str, at_ns: int) -> float:
        """What is true at an instant."""
        if name == "heartbeat":
            back = self.running_ns
            since = at_ns if at_ns < self.cut_ns or not self.restarts else max(0, at_ns - back) + 7 * S
            return float(since // (10 * MS) % 65536)
        if name == "uptime":
            return float(
                (at_ns + 60 * S if at_ns < self.cut_ns or not self.restarts else at_ns - self.back_ns) // MS % 65536
            )
        changes = self.truth.get(name, [])
        place = bisect.bisect_right([at for at, _ in changes], at_ns) - 1
        return float(changes[place][1]) if place >= 0 else 0.0

    def values_at(self, name: str, at_ns: np.ndarray) -> np.ndarray:
        """The same at many instants; one by one where a story has a word of its own for it."""
        if getattr(self.value, "__func__", None) is not Story.value:
            return np.array([self.value(name, at) for at in at_ns.tolist()], dtype=float)
        lives_on = np.full(at_ns.shape, True) if not self.restarts else at_ns < self.cut_ns
        if name == "heartbeat":
            anew = np.maximum(0, at_ns - self.running_ns) + 7 * S
            return (np.where(lives_on, at_ns, anew) // (10 * MS) % 65536).astype(float)
        if name == "uptime":
            return (np.where(lives_on, at_ns + 60 * S, at_ns - self.back_ns) // MS % 65536).astype(float)
        changes = self.truth.get(name, [])
        states = np.array([0, *(value for _, value in changes)], dtype=float)
        return states[np.searchsorted(np.array([at for at, _ in changes], dtype=np.int64), at_ns, side="right")]

    def stage(self, at_ns: int) -> Stage:
        """What a client of the controller meets at an instant."""
        return next(stage for at, stage in reversed(self.stages) if at <= at_ns)

    def records(self) -> CycleRecords:
        """The journal of the cycle."""
        switchings = ()
        if self.switched:
            what = "mode" if self.scenario.how == "mode" else "supply"
            words = ("stop", "run") if what == "mode" else ("off", "on")
            switchings = tuple(
                Switching(1, what, to, purpose, T0 + at, T0 + at + MS, **self.command.get(purpose, {}))  # type: ignore[arg-type]
                for to, purpose, at in ((words[0], "cut", self.cut_ns), (words[1], "restore", self.back_ns))
            )
        return CycleRecords(
            started=CycleStarted(1, self.scenario.name, "", 1, 1, self.off_ns, 0, T0),
            steps=tuple(self.steps),
            switchings=switchings,
            writes=tuple(self.writes),
            answers=tuple(self.answers),
            troubles=tuple(self.troubles),
            ended=CycleEnded(1, T0 + self.end_ns, self.completed),
        )

    def samples(self) -> dict[str, DeviceSamples]:
        """What the bench read."""
        random_latency = random.Random(self.seed)
        return {
            "controller": _controller_samples(self, random_latency),
            "independent": _independent_samples(self, random_latency),
        }

    def judge(self) -> CycleJudged:
        """The cycle judged."""
        return judge_cycle(self.rig, self.scenario, self.records(), self.samples())

    def finding(self, point: str = "", text: str = "") -> Finding:
        """The finding about a point, or the one whose expectation begins with a text."""
        return found(self.judge(), point, text)


def found(judged: CycleJudged, point: str = "", text: str = "") -> Finding:
    """The one finding of a judged cycle about a point, or the one whose expectation begins with a text."""
    mine = [one for one in judged.findings if one.point == point and one.expectation.startswith(text)]
    assert len(mine) == 1, [(one.point, one.expectation, one.verdict.value, one.reason) for one in judged.findings]
    return mine[0]


# ---------------------------------------------------------------- polling

_TABLES = {"coil": 0, "discrete_input": 1, "input_register": 2, "holding_register": 3}


class _Rows:
    """Rows of one device, turned into samples at the end; what was true is looked up for all of a request at once."""

    def __init__(self, story: Story, device: str, names: tuple[str, ...]) -> None:
        points = [story.rig.points[name] for name in names if name in story.rig.points]
        tables = sorted({point.table for point in points}, key=lambda table: _TABLES[table])
        self.groups = [[point.name for point in points if point.table == table] for table in tables]
        codes = tuple(
            (point.name, "b" if point.type == "bool" and point.table in ("coil", "discrete_input") else "d")
            for point in points
        )
        self.layout = SampleLayout(device, tuple(f"read {table}s" for table in tables), codes)  # type: ignore[arg-type]
        self.rows: list[tuple[int, int, int, int, int, int]] = []
        self.more = np.empty((0, 6), dtype=np.int64)
        self._story = story

    def add(
        self, request: int, kind: SampleKind, link: int, sent: int, received: int, shown: int | None = None
    ) -> None:
        """One sample; `shown` is the instant whose values a good one tells."""
        self.rows.append((request, _KINDS[kind], link, sent, received, _NOTHING if shown is None else shown))

    def samples(self) -> DeviceSamples:
        """In order of receipt."""
        told = np.concatenate([np.array(self.rows, dtype=np.int64).reshape(-1, 6), self.more])
        told = told[np.argsort(told[:, 4], kind="stable")]
        records = np.zeros(len(told), dtype=self.layout.dtype())
        records["cycle"] = 1
        for place, name in enumerate(("request", "kind", "connection")):
            records[name] = told[:, place]
        records["sent_ns"], records["received_ns"] = T0 + told[:, 3], T0 + told[:, 4]
        for name, code in self.layout.points:
            records[f"p:{name}"] = -1 if code == "b" else np.nan
        for request, names in enumerate(self.groups):
            good = (told[:, 0] == request) & (told[:, 5] != _NOTHING)
            for name in names:
                records[f"p:{name}"][good] = self._story.values_at(name, told[good, 5])
        return DeviceSamples(self.layout, records)


_KINDS = {kind: kind.value for kind in SampleKind}
_NOTHING = -(1 << 62)


_LEAST_NS, _SPREAD_NS = 200_000, 400_000


def _latency(rng: random.Random) -> int:
    """`rng.randrange(200_000, 600_000)`, drawn alike and in a third of its time: there are millions of them."""
    drawn = rng.getrandbits(19)
    while drawn >= _SPREAD_NS:
        drawn = rng.getrandbits(19)
    return _LEAST_NS + drawn


def _latencies(rng: random.Random, count: int) -> np.ndarray:
    """So many of them, as that generator would draw them; it is not moved on."""
    version, (*words, place), _ = rng.getstate()
    assert version == 3
    bits = np.random.MT19937()
    bits.state = {"bit_generator": "MT19937", "state": {"key": np.array(words, dtype=np.uint32), "pos": place}}
    drawn = bits.random_raw(2 * count + 100) >> np.uint64(32 - 19)
    return _LEAST_NS + drawn[drawn < _SPREAD_NS].astype(np.int64)[:count]


def _independent_samples(story: Story, rng: random.Random) -> DeviceSamples:
    rows = _Rows(story, "independent", INDEPENDENT)
    poll = story.rig.devices["independent"].poll_ns
    at = rng.randrange(poll)
    hidden = [(begin, to) for device, begin, to in story.hidden if device == "independent"]
    polls = []
    while at < story.end_ns:
        over = next((to for begin, to in hidden if begin <= at < to), None)
        if over is None:
            polls.append(at)
            at += poll
        else:
            at = over
    groups = len(rows.groups)
    latencies = _latencies(rng, len(polls) * groups).reshape(len(polls), groups)
    sent = np.array(polls)[:, None] + np.cumsum(latencies, axis=1) - latencies
    good = np.full(sent.shape, SampleKind.GOOD.value)
    columns = (np.arange(groups) + 0 * sent, good, 1 + 0 * sent, sent, sent + latencies, sent + latencies // 2)
    rows.more = np.stack(columns, axis=-1).reshape(-1, 6)
    return rows.samples()


def _controller_samples(story: Story, rng: random.Random) -> DeviceSamples:
    """Polls while it answers; connects every 25 ms, each given up after 60 ms, while it does not."""
    rows = _Rows(story, "controller", CONTROLLER)
    device = story.rig.devices["controller"]
    link, in_contact = 1, True
    at = rng.randrange(device.poll_ns)
    while at < story.end_ns:
        hidden = next((to for name, begin, to in story.hidden if name == "controller" and begin <= at < to), None)
        if hidden is not None:
            at = hidden
        elif in_contact:
            failed_ns = _poll(story, rows, link, at, rng)
            in_contact = failed_ns is None
            at = at + device.poll_ns if failed_ns is None else failed_ns
        elif story.stage(at) in ("dark", "refused"):
            refused = story.stage(at) == "refused"
            kind, lasts = (SampleKind.REFUSED, MS) if refused else (SampleKind.SILENT, 60 * MS)
            rows.add(CONNECT, kind, link + 1, at, at + lasts)
            at += 25 * MS
        else:
            link += 1
            rows.add(CONNECT, SampleKind.ACCEPTED, link, at, at + MS)
            at, in_contact = at + 2 * MS, True
    return rows.samples()


def _poll(story: Story, rows: _Rows, link: int, at: int, rng: random.Random) -> int | None:
    """One round of reads; the instant at which it failed, None where all were answered.

    While the image is stale it shows what was true before the cut, and the heartbeat stands.
    """
    sent = at
    for request in range(len(rows.groups)):
        latency = _latency(rng)
        when = sent + latency // 2
        stage = story.stage(when)
        if stage == "busy":
            rows.add(request, SampleKind.EXCEPTION, link, sent, sent + latency)
        elif stage in ("good", "stale"):
            shown = story.cut_ns - MS if stage == "stale" else when
            rows.add(request, SampleKind.GOOD, link, sent, sent + latency, shown)
        else:
            limit = sent + story.rig.devices["controller"].answer_within_ns
            rows.add(request, SampleKind.SILENT, link, sent, limit)
            return limit
        sent += latency
    return None


# ---------------------------------------------------------------- changing evidence


def traces_before_a_cut(
    rig: Rig, samples: Mapping[str, DeviceSamples], points: Collection[str] | None = None
) -> dict[str, Trace]:
    """Traces where nothing was cut: which reads count goes by the connection alone."""
    return traces_of(rig, CycleRecords(CycleStarted(1, "", "", 1, 1, S, 0, T0)), samples, points)


def thinned(samples: Mapping[str, DeviceSamples], keep: Callable[[str, int], bool]) -> dict[str, DeviceSamples]:
    """The samples without some rows: `keep` is asked with device and row number."""
    return {
        name: replace(one, records=one.records[[row for row in range(len(one.records)) if keep(name, row)]])
        for name, one in samples.items()
    }


def moved(
    records: CycleRecords, samples: Mapping[str, DeviceSamples], by_ns: int
) -> tuple[CycleRecords, dict[str, DeviceSamples]]:
    """The same cycle at another time."""
    later = dataclasses.replace(
        records,
        started=replace(records.started, at_ns=records.started.at_ns + by_ns),
        steps=tuple(replace(s, started_ns=s.started_ns + by_ns, ended_ns=s.ended_ns + by_ns) for s in records.steps),
        switchings=tuple(
            replace(s, before_ns=s.before_ns + by_ns, after_ns=s.after_ns + by_ns) for s in records.switchings
        ),
        writes=tuple(replace(w, sent_ns=w.sent_ns + by_ns, received_ns=w.received_ns + by_ns) for w in records.writes),
        troubles=tuple(replace(t, at_ns=t.at_ns + by_ns) for t in records.troubles),
        ended=replace(records.ended, at_ns=records.ended.at_ns + by_ns) if records.ended else None,
    )
    shifted = {}
    for name, one in samples.items():
        rows = one.records.copy()
        rows["sent_ns"] += by_ns
        rows["received_ns"] += by_ns
        shifted[name] = replace(one, records=rows)
    return later, shifted


def with_check_pulse(rig: Rig) -> Rig:
    """The rig with a check pulse of 20 ms."""
    return replace(rig, check_pulse=CheckPulse("spare_out", "spare_in", 20 * MS))
