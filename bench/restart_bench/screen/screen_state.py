"""What the live screen remembers of a run: records and states go in, histories, lights and findings can be asked for.

No clock and no console in here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from restart_bench.evidence.marks import mode_proofs
from restart_bench.judging.campaign.ride_through import outcome_of_search
from restart_bench.judging.summary import without_echoes
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.journal import (
    CycleJudged,
    CycleStarted,
    Finding,
    FindingKind,
    Introduced,
    Record,
    RunEnded,
    RunStarted,
    ScenarioJudged,
    Trouble,
)
from restart_bench.model.live import LiveState, Reading
from restart_bench.model.rig import Point, Rig, Value
from restart_bench.model.scenario import Expectation, Scenario
from restart_bench.model.verdicts import NOT_COMPLETE, Verdict, worst
from restart_bench.model.ways import TO_LEVEL, Way, way_named
from restart_bench.model.wording import counted, should_text, value_word, without_controls
from restart_bench.screen.strips import History

_KEPT_FINDINGS = 30
FUNCTION_CHECK = "function check"
"""The phase of a cycle in which the bench presses: what moves there was told to, and did not start by itself."""
_BY_CHECK = ("moved by the function check", "by function check", "by check")
_ALIVE_CHANGES = 2  # of `alive`, before the controller's own reads count again
_READ_AHEAD_NS = 150_000_000  # between the observer's read and the picture
_HERE_NS = NS_PER_S  # so long after it could be seen a failure is the one here


Told = tuple[History, bool]  # what is known of a point, and whether it is a number


@dataclass(frozen=True, slots=True)
class Lane:
    """One output as the controller says it, and its terminal as independent I/O sees it (None: has none)."""

    name: str
    said: Point
    terminal: Point | None


def lanes_of(rig: Rig, scenarios: Sequence[Scenario] = ()) -> tuple[Lane, ...]:
    """The points worth a lane, in file order: every output, and what else the scenarios judge."""
    judged = {expectation.point for one in scenarios for expectation in (*one.during, *one.after)}
    outputs = {point.name for point in rig.outputs()}
    lanes = []
    for point in rig.points.values():
        if point.writable or point.inline_terminal or rig.is_terminal(point.name):
            continue
        if point.name in judged or point.name in outputs:
            terminal = rig.points[point.terminal] if point.terminal is not None else None
            lanes.append(Lane(without_controls(point.shown), point, terminal))
    return tuple(lanes)


STILL_ANSWERING = ("STILL ANSWERING", "you said OFF, but the controller still answers")
NOT_ANSWERING = (
    "NOT ANSWERING",
    "you said OUT OF RUN MODE, but nothing answers: was it the mode switch?",
)
_FOLLOWS_NS = NS_PER_S  # for what is read to follow what a person said
_MARK_OF = {"ANSWERING": "answered", "RUNNING": "ready"}
"""The mark that tells when a light came on, as it is kept: the light itself waits for `steady` and for the picture."""


@dataclass(slots=True)
class Gathered:
    """All that the picture needs to remember between two states."""

    rig: Rig
    scenarios: tuple[Scenario, ...]
    simulated: bool
    replay: str = ""  # id of the archived run that is played
    rehearsal: bool = False
    program: str = ""  # name of the program model that is played
    asks_first: bool = False  # people say before each cut what they expect
    asked_in: int = 0  # the newest cycle in which they did
    question: str = ""  # what a person is asked just now, and
    typed: str = ""  # what was typed in answer so far
    state: LiveState | None = None
    simulated_devices: tuple[str, ...] = ()  # of an armed run: they say so of themselves
    counted: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(Verdict, 0))
    notable: list[tuple[int, Finding]] = field(default_factory=list)
    verdicts: dict[tuple[str, str], dict[Verdict, int]] = field(
        default_factory=dict
    )  # of a scenario's demands by point
    trouble: str = ""
    judged: dict[str, ScenarioJudged] = field(default_factory=dict)
    ended: RunEnded | None = None
    failing: tuple[tuple[int, Finding], ...] = ()  # of a replayed cycle: what failed up to now, since when it was seen
    off_for_ns: int | None = None
    searched: bool = False  # the cycle is one of a search
    is_whole: bool = False  # of a run that was completed: how many cycles a search took is known
    done_before: int | None = None  # cycles of the runs that this one went on with; None: none was begun yet
    outcome: str = ""  # of the last cycle of a search
    histories: dict[str, History] = field(default_factory=dict)
    supply: History = field(default_factory=History)
    known: History = field(default_factory=History)  # the same as read, where it is read; else as commanded
    powered: History = field(default_factory=History)
    checking: History = field(default_factory=History)  # whether the function check was under way
    since: dict[str, int] = field(default_factory=dict)  # light -> instant it came on in this cycle
    alive_changes: int | None = None  # since the controller was last silent; None: it was not silent yet
    alive_value: Value | None = None

    def record(self, record: Record) -> None:
        """Takes in one saved record."""
        if isinstance(record, RunStarted):
            self.simulated_devices = record.simulated_devices
        elif isinstance(record, Introduced):
            if record.simulated:
                self.simulated_devices += (record.device,)
        elif isinstance(record, CycleStarted):
            self.off_for_ns, self.searched = record.off_for_ns, record.searched
            if self.done_before is None:
                self.done_before = record.cycle - 1
            self.trouble = ""
            self.since.clear()
        elif isinstance(record, CycleJudged):
            self.counted[record.verdict] += 1
            self.outcome = f"cycle {record.cycle}{outcome_of_search(record)}" if record.searched else ""
            self._count_verdicts(record)
            told = without_echoes(record).findings
            self.notable += [(record.cycle, one) for one in told if one.verdict is not Verdict.PASS]
            if record.is_error_as_a_whole:
                told_by = (record.scenario, record.case, record.cycle)
                whole = Finding(*told_by, "", "", Verdict.ERROR, record.reason, kind=FindingKind.CYCLE)
                self.notable.append((record.cycle, whole))
            del self.notable[:-_KEPT_FINDINGS]
        elif isinstance(record, ScenarioJudged):
            self.judged[record.scenario] = record
        elif isinstance(record, RunEnded):
            self.ended = None if self.rehearsal else record
        elif isinstance(record, Trouble):
            if record.kind == "asked first":
                self.asked_in = record.cycle
            elif record.error or not self.replay:  # of a note nobody need do anything in a replay
                self.trouble = record.text

    def live(self, state: LiveState) -> None:
        """Takes in one state: changes first, then what stands now."""
        if self.state is not None and state.cycle != self.state.cycle:
            self.since.clear()
        self._notice_life(state)
        for move in sorted(state.moved, key=lambda one: one.received_ns):
            self._history(move.point).note(move.received_ns, move.value if self._counts(move.point) else None)
        for name, reading in state.readings.items():
            self._history(name).note(state.at_ns, self._still_known(name, reading, state.at_ns))
        before, self.state = self.way.switched, state
        if self.way.switched != before:  # the lane is another one now
            self.supply, self.powered, self.known = History(), History(), History()
        self.supply.note(state.at_ns, self._commanded(state))
        self.powered.note(state.at_ns, self._proven(state))
        self.known.note(state.at_ns, self.is_on(state))
        self.checking.note(state.at_ns, state.phase == FUNCTION_CHECK)
        self._lights_since(state)

    def _count_verdicts(self, record: CycleJudged) -> None:
        """Of each point that something is demanded of one verdict a cycle, the worst."""
        found: dict[str, list[Verdict]] = {}
        for finding in record.findings:
            if finding.kind is FindingKind.EXPECTATION and finding.point:
                found.setdefault(finding.point, []).append(finding.verdict)
        for point in record.not_tested:
            found.setdefault(point, [record.verdict])
        for point, verdicts in found.items():
            counted = self.verdicts.setdefault((record.scenario, point), {})
            word = worst(verdicts)
            counted[word] = counted.get(word, 0) + 1

    @property
    def at_most(self) -> str:
        """What stands before the number of all cycles: a search may need fewer."""
        return "at most " if self.searched and not self.is_whole else ""

    @property
    def result(self) -> str:
        """The verdict of a run that has ended, as one word in capitals; "" before."""
        if self.ended is None:
            return ""
        return (NOT_COMPLETE if self.ended.how == "stopped" else self.ended.verdict.value).upper()

    @property
    def result_words(self) -> tuple[str, str]:
        """The verdict of a run that has ended with how many scenarios had it, and which; the same without which."""
        named = [one.scenario for one in self.judged.values() if self.ended and one.verdict is self.ended.verdict]
        many = f" ({len(named)} of {counted(len(self.judged), 'scenario')})" if named else ""
        short = f"run: {self.result}{many}"
        which = f": {', '.join(named)}" if len(named) < len(self.judged) and named else ""
        return without_controls(short + which), short

    def over_all(self, point: str) -> tuple[Verdict, tuple[str, ...]] | None:
        """The worst verdict of a point in any scenario of a run that has ended, and in which; None: judged in none."""
        found = {name: word for name in self.judged if (word := self._in_scenario(name, point)) is not None}
        word = worst(found.values())
        return (word, tuple(name for name, one in found.items() if one is word)) if found else None

    def _in_scenario(self, name: str, point: str) -> Verdict | None:
        """What a scenario says of a point. An error or a doubt that is none of a single point's is every point's."""
        judged = self.judged[name]
        own = [*self.verdicts.get((name, point), {})]
        own += [one.verdict for one in judged.late_findings if one.point == point]
        if not own and not self.demands(name, point):
            return None
        told = {word for (scenario, _), words in self.verdicts.items() if scenario == name for word in words}
        told |= {one.verdict for one in judged.late_findings}
        if judged.verdict not in told and judged.verdict is not Verdict.FAIL:
            own.append(judged.verdict)
        return worst(own) if own else None

    def demands(self, scenario: str, point: str) -> tuple[Expectation, ...]:
        """What a scenario demands of a point after the return."""
        found = (one for one in self.scenarios if one.name == scenario)
        return tuple(demand for one in found for demand in one.after if demand.point == point)

    @property
    def fails_here(self) -> Finding | None:
        """What failed at the instant that a replay shows, or shortly before."""
        at_ns = self.state.at_ns if self.state is not None else 0
        return next((one for seen_ns, one in reversed(self.failing) if at_ns - seen_ns <= _HERE_NS), None)

    def here_words(self, finding: Finding) -> str:
        """What an output is and what it should be, as far as both are known; else the reason."""
        named = [one for one in self.scenarios if one.name == finding.scenario]
        demands = [one for scenario in named for one in (*scenario.during, *scenario.after)]
        wanted = next((one for one in demands if (one.point, one.text) == (finding.point, finding.expectation)), None)
        if wanted is None:
            return finding.reason
        point = self.rig.points[finding.point]
        should = should_text(point, wanted, finding.figures.get("before"), it="")
        value = self.told(self.rig.points[self.rig.judged_point(finding.point)])[0].newest
        return f"{point.shown} {should}" if value is None else f"{point.shown} is {value_word(value)}, {should}"

    def about(self, lane: Lane) -> tuple[str, ...]:
        """What has to be known of a lane's value, the longest form first: that the function check moved it; that it is
        read from the memory of a program that stands still; why it does not count. Empty where nothing has."""
        state, point = self.state, lane.terminal or lane.said
        history = self.told(point)[0]
        if state is None:
            return ()
        if history.newest is None:
            alive = self.rig.ready.alive if self.rig.ready is not None else None
            waits = state.answering and alive is not None and not self._counts(point.name)
            return (f"not counted: {self.rig.points[alive or ''].shown} stands", "not counted") if waits else ()
        if state.phase == FUNCTION_CHECK and (history.newest_ns or 0) > state.phase_started_ns:
            return _BY_CHECK
        return ("on in memory, the terminal may be off", "on in memory", "memory") if self._is_memory(lane) else ()

    def _is_memory(self, lane: Lane) -> bool:
        """Whether an output reads as on that nobody sees at its terminal, while the program does not run: the
        controller may hold its terminals off meanwhile."""
        own = lane.terminal is None and lane.said.is_boolean and self.rig.devices[lane.said.device].powered_by_supply
        stands = self.state is not None and self.way.switched == "run mode" and self.is_on(self.state) is False
        return own and stands and bool(self.told(lane.said)[0].newest)

    def doubts(self) -> tuple[str, ...]:
        """What has to be known of values of lanes, each once, where a lane has no room for it."""
        told = [self.about(lane) for lane in lanes_of(self.rig, self.scenarios)]
        return tuple(dict.fromkeys(about[0] for about in told if about and about != _BY_CHECK))

    @property
    def keeps_answer(self) -> bool:
        """Whether people have yet to say what they expect in this cycle: what is demanded would tell them."""
        return self.asks_first and (self.state is None or self.asked_in != self.state.cycle)

    def told(self, point: Point) -> Told:
        """What is known of a point (nothing, if it was not read yet), and whether it is a number."""
        return self.histories.get(point.name, History()), not point.is_boolean

    def _notice_life(self, state: LiveState) -> None:
        """After a silence the controller's own reads prove nothing until `alive` has changed twice: its image may be
        an old or an empty one."""
        if state.answering is False:
            self.alive_changes, self.alive_value = 0, None
            return
        alive = self.rig.ready.alive if self.rig.ready is not None else None
        if self.alive_changes is None or alive is None:
            self.alive_changes = None
            return
        value = state.readings[alive].value if alive in state.readings else None
        if value is not None and value != self.alive_value:
            self.alive_changes += self.alive_value is not None
            self.alive_value = value

    def _counts(self, name: str) -> bool:
        point = self.rig.points.get(name)
        own = point is not None and self.rig.devices[point.device].powered_by_supply
        return not own or self.alive_changes is None or self.alive_changes >= _ALIVE_CHANGES

    def _still_known(self, name: str, reading: Reading, at_ns: int) -> Value | None:
        """The value, unless it does not count, or was read so long ago that the device must be silent by now: silence
        is not off."""
        point = self.rig.points.get(name)
        if point is None:
            return reading.value
        if not self._counts(name):
            return None
        device = self.rig.devices[point.device]
        old_ns = device.answer_within_ns + 2 * device.poll_ns + _READ_AHEAD_NS
        return reading.value if at_ns - reading.received_ns <= old_ns else None

    def _history(self, name: str) -> History:
        return self.histories.setdefault(name, History())

    def _lights_since(self, state: LiveState) -> None:
        for name, lit in self.lights(state):
            if lit:
                marked = state.marks_ns.get(_MARK_OF.get(name, ""))
                self.since[name] = self.since.get(name, state.at_ns) if marked is None else marked
            else:
                self.since.pop(name, None)

    @property
    def way(self) -> Way:
        """How the cycle that is shown is cut."""
        state = self.state
        if state is not None and state.supply == "level":
            return TO_LEVEL
        return way_named(self.rig, self.scenarios, state.scenario if state else "", state.case if state else "")

    def is_on(self, state: LiveState) -> bool | None:
        """Whether what is switched (the supply, run mode) is there: what a proof says, else what was commanded; None
        where neither knows, or between on and off."""
        proven = self._proven(state)
        if proven is None and self.way.switched == "run mode" and state.answering is False:
            return None
        return self._commanded(state) if proven is None else proven

    @property
    def denied(self) -> tuple[str, str] | None:
        """What stands large, and the line below it, where what a person said of supply or mode switch is denied by what
        is read; None where nothing denies it."""
        state, supply = self.state, self.rig.supply
        if state is None:
            return None
        if self.way.switched == "run mode":
            return self._mode_denied(state)
        if supply is None or not supply.by_hand or state.supply != "off" or self._proven(state) is not None:
            return None
        return STILL_ANSWERING if state.answering is True else None

    def _mode_denied(self, state: LiveState) -> tuple[str, str] | None:
        mode = self.rig.mode
        if mode is None or not mode.by_hand or state.cut_ns is None or self._commanded(state):
            return None
        proven = self._proven(state)
        if proven is None and state.answering is False:
            return NOT_ANSWERING
        if not proven or state.at_ns - state.cut_ns < _FOLLOWS_NS:
            return None
        name = next(name for name, _, _ in mode_proofs(self.rig) if name in state.readings)
        read = value_word(state.readings[name].value or False)
        return "STILL IN RUN MODE", f"you said OUT OF RUN MODE, but {self.rig.points[name].shown} still reads {read}"

    def lights(self, state: LiveState) -> tuple[tuple[str, bool | None], ...]:
        """The four lights, in the order in which a restart passes them; None where it is unknown."""
        way, there = self.way, self.is_on(state)
        return (
            (way.lost, None if there is None else not there),
            (way.back, there),
            ("ANSWERING", state.answering),
            ("RUNNING", self._runs_on(state)),
        )

    def _runs_on(self, state: LiveState) -> bool | None:
        """True where run mode was to be left and what proves that reads otherwise; else what the run says of it."""
        left = self.way.switched == "run mode" and not self._commanded(state)
        return True if left and self._proven(state) else state.running

    def _commanded(self, state: LiveState) -> bool | None:
        if self.way.switched == "run mode":
            return state.cut_ns is None or state.restored_ns is not None
        low = {"level": False} if self.way.lost == "LOW" else {}
        return {"on": True, "off": False, **low}.get(state.supply)

    def _proven(self, state: LiveState) -> bool | None:
        if self.way.lost == "LOW":
            return None  # a proof of off says nothing of a voltage that is merely lower
        if self.way.switched != "run mode":
            return state.powered
        for name, wanted, met in mode_proofs(self.rig):
            reading = state.readings.get(name)
            value = None if reading is None else self._still_known(name, reading, state.at_ns)
            if value is not None:
                return wanted.met_by(value) != met
        return None
