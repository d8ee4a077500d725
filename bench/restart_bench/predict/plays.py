"""What the program model says of the very cycles that a scenario runs: its steps, played by the interpreter.

`predict` asks what may happen after any past, and proves it; this plays what the scenario does before its cut, from
the first power-up and from what the suite's scenarios leave behind, with the cut a little earlier or later and after
each rung. It needs no solver, and it is no proof: what no play shows may happen all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from restart_bench.model.program import Program
from restart_bench.model.rig import Rig, Wanted
from restart_bench.model.scenario import (
    Action,
    Ask,
    At,
    ByEye,
    Expect,
    Hold,
    Press,
    Release,
    Scenario,
    Step,
    Wait,
    Write,
)
from restart_bench.plc.blocks import SlotValue
from restart_bench.plc.interpreter import Interpreter, State, driven
from restart_bench.predict.proving.parts import HELD, MODE, REST, SENSORS, SUPPLY

MS = 1_000_000
STEP_NS = 30 * MS  # what the bench takes from one step to the next
LATER_NS = (0, 250 * MS)  # how much later than the last step a cut may come beside what `at:` says
AFTERWARDS_NS = 1_000 * MS  # the end of the watch is not known more exactly
MOST_STARTS = 6  # states from which a scenario is played
PATIENCE = 1_500_000  # rungs that are gone through for one suite


class NotPlayed(Exception):
    """Steps that no interpreter can play. The text says why."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which a cycle may go. before: the outputs that are on as the cut comes; on, off: those that are so at
    some instant about the end of the watch (both, where they still move); pulsed: those that came on and went off
    again."""

    before: frozenset[str]
    on: frozenset[str]
    off: frozenset[str]
    pulsed: frozenset[str]


@dataclass(frozen=True, slots=True)
class Plays:
    """All ways of one scenario. restart: "supply" or "mode"; inputs: "rest", "held" where a command stays away from
    rest after the cut, "sensors free" where a sensor does, or both; why_not: why there are none, where there are
    none; may_ride: the loss is so short that the controller may not notice it; searches: cuts get longer until they
    restart."""

    restart: str
    inputs: str
    ways: tuple[Way, ...] = ()
    why_not: str = ""
    may_ride: bool = False
    searches: bool = False

    def fitting(self, before: Mapping[str, bool]) -> tuple[Way, ...]:
        """The ways on which these outputs were so before the cut."""
        return tuple(way for way in self.ways if all((name in way.before) is was_on for name, was_on in before.items()))


def ends_of(ways: Iterable[Way], output: str) -> frozenset[bool]:
    """What an output may be at the end of the watch."""
    found = list(ways)
    return frozenset([*(True for way in found if output in way.on), *(False for way in found if output in way.off)])


def plays_of(rig: Rig, program: Program, scenarios: Sequence[Scenario]) -> dict[str, Plays]:
    """The ways of each scenario of a suite, by its name."""
    desk = _Desk(rig, program)
    first = desk.machine.first_power_up()
    starts = dict.fromkeys([first])
    for scenario in scenarios:
        for state in desk.left_by(scenario, first):
            if len(starts) < MOST_STARTS:
                starts[state] = None
    return {scenario.name: desk.plays(scenario, list(starts)) for scenario in scenarios}


@dataclass(frozen=True, slots=True)
class _Moment:
    """A controller in run, and the inputs that are not at rest."""

    state: State
    inputs: tuple[tuple[str, SlotValue], ...] = ()

    def with_input(self, name: str, value: SlotValue, rest: SlotValue) -> _Moment:
        """The same with one input moved."""
        others = tuple(one for one in self.inputs if one[0] != name)
        return _Moment(self.state, others if value == rest else (*others, (name, value)))


class _Missed(Exception):
    """The state that a step expects is not reached, so nothing would be cut."""


class _Desk:
    """One program on its rig, with the patience for all that is played on it."""

    def __init__(self, rig: Rig, program: Program) -> None:
        self.rig, self.program = rig, program
        points = rig.points.values()
        self.machine = Interpreter(
            program, [one.name for one in points if one.writable and not rig.is_independent(one.name)]
        )
        self.outputs = outputs_on(rig, program)
        self._roles: dict[str, str] = {one.name: one.role for one in program.inputs}
        self._left = PATIENCE
        self._on_with: dict[tuple[bool, ...], frozenset[str]] = {}  # by the outputs of a state
        self._scanned: dict[tuple[State, tuple[tuple[str, SlotValue], ...]], State] = {}  # scenarios begin alike

    # ------------------------------------------------------------ a scenario

    def plays(self, scenario: Scenario, starts: Sequence[State]) -> Plays:
        """Every way of a scenario, from each of these states."""
        inputs = REST
        try:
            ways: dict[Way, None] = {}
            for moment in self._at_the_cut(scenario, starts):
                inputs = self._kind_of(moment)
                for state in self._restarted(moment, scenario.how):
                    ways[self._watched(moment, state, scenario)] = None
        except NotPlayed as problem:
            return Plays(scenario.how, inputs, why_not=str(problem))
        why_not = "" if ways else "the program model does not come to the state that the scenario expects"
        may_ride, searches = self._may_ride(scenario), scenario.search is not None
        return Plays(scenario.how, inputs, tuple(ways), why_not, may_ride, searches)

    def _kind_of(self, moment: _Moment) -> str:
        roles = {self._roles[name] for name, _ in moment.inputs}
        return {frozenset(): REST, frozenset({"command"}): HELD, frozenset({"sensor"}): SENSORS}.get(
            frozenset(roles), f"{HELD}, {SENSORS}"
        )

    def left_by(self, scenario: Scenario, start: State) -> Iterator[State]:
        """What a scenario leaves behind; nothing where it can't be played."""
        try:
            for moment in self._at_the_cut(scenario, [start]):
                state = next(iter(self._restarted(moment, scenario.how)))
                after = self._pass(_Moment(state, moment.inputs), scenario.watch_ns)
                yield self._pass(_Moment(self._stepped(after, scenario.function_check).state), AFTERWARDS_NS).state
        except (NotPlayed, _Missed):
            return

    def _at_the_cut(self, scenario: Scenario, starts: Sequence[State]) -> list[_Moment]:
        """The controller as the cut may meet it."""
        self._refuse(scenario)
        met: dict[_Moment, None] = {}
        for start in starts:
            try:
                ready = self._stepped(self._pass(_Moment(start), AFTERWARDS_NS), scenario.before)
            except _Missed:
                continue
            for delay in _delays(case.at for case in scenario.cases):
                met[self._pass(ready, delay)] = None
        return list(met)

    def _refuse(self, scenario: Scenario) -> None:
        """Raises NotPlayed for what no play can tell."""
        if any(case.level is not None for case in scenario.cases):
            raise NotPlayed("a lower voltage is nothing that the program model knows")
        if scenario.restart == "none":
            raise NotPlayed("the controller is to ride through")

    def _may_ride(self, scenario: Scenario) -> bool:
        dips = self.rig.supply.limits.dips_up_to_ns if self.rig.supply is not None else None
        return scenario.how == SUPPLY and any(case.off_for_ns <= (dips or 0) for case in scenario.cases)

    def _restarted(self, moment: _Moment, how: str) -> Iterator[State]:
        """What memory may be after the restart: the cut falls after any of the rungs."""
        machine, inputs = self.machine, dict(moment.inputs)
        if how == MODE:
            yield machine.enter_run(machine.leave_run(moment.state))
            return
        seen: set[State] = set()
        for rungs in range(len(self.program.rungs) + 1):
            self._spend(rungs + 1)
            cut = machine.scan(moment.state, inputs, self.program.scan_ns, stop_after=rungs)
            state = machine.restart(cut)
            if state not in seen:
                seen.add(state)
                yield state

    def _watched(self, moment: _Moment, state: State, scenario: Scenario) -> Way:
        """What comes of a restart, up to the end of the watch."""
        before = self._on(moment.state)
        inputs, scan_ns = moment.inputs, self.program.scan_ns
        now_on: frozenset[str] = frozenset()
        pulsed: set[str] = set()
        on, off = set[str](), set[str]()
        end_ns = scenario.watch_ns + self.rig.ready.steady_ns + AFTERWARDS_NS
        for number in range(1, end_ns // scan_ns + 1):
            was, state, last_on = state, self._scan(state, inputs), now_on
            now_on = self._on(state)
            pulsed |= last_on - now_on
            still = state == was
            if still or number * scan_ns >= scenario.watch_ns:
                on |= now_on
                off |= self.outputs - now_on
            if still:
                break
        return Way(before, frozenset(on), frozenset(off), frozenset(pulsed))

    # ------------------------------------------------------------ steps

    def _stepped(self, moment: _Moment, steps: Iterable[Step]) -> _Moment:
        for step in steps:
            moment = self._pass(self._step(moment, step.action), STEP_NS)
        return moment

    def _step(self, moment: _Moment, action: Action) -> _Moment:
        match action:
            case Press():
                return self._moved(self._pass(self._away(moment, action.point), action.for_ns), action.point, None)
            case Hold():
                return self._away(moment, action.point)
            case Release():
                return self._moved(moment, action.point, None)
            case Write():
                for name, value in action.values:
                    moment = self._moved(moment, name, value)
                return moment
            case Wait():
                return self._pass(moment, action.for_ns)
            case Expect():
                return self._awaited(moment, action)
            case ByEye():
                return moment
            case Ask():
                raise NotPlayed("a person is asked to do something that the program model does not know")

    def _away(self, moment: _Moment, name: str) -> _Moment:
        idle = self.rig.points[name].idle
        return self._moved(moment, name, not (self._rest(name) if idle is None else idle))

    def _moved(self, moment: _Moment, name: str, value: SlotValue | None) -> _Moment:
        """A point written; None: back to where it rests."""
        if self.rig.mode is not None and name == self.rig.mode.point:
            raise NotPlayed("run mode is left by a step")
        if name in self.machine.inputs:
            rest = self._rest(name)
            return moment.with_input(name, rest if value is None else value, rest)
        if name not in self.machine.names:
            return moment
        if self.rig.is_independent(name):
            raise NotPlayed(f"{name} is no input of the program model")
        idle = self.rig.points[name].idle
        written = value if value is not None else bool(idle)
        return _Moment(self.machine.write(moment.state, name, written), moment.inputs)

    def _rest(self, name: str) -> SlotValue:
        return self.machine.inputs.get(name, False)

    def _awaited(self, moment: _Moment, expect: Expect) -> _Moment:
        """Until all is so that is waited for. What the program does not know is taken to be so."""
        scan_ns = self.program.scan_ns
        for _ in range(max(1, expect.within_ns // scan_ns)):
            if all(self._is_so(moment.state, name, wanted) for name, wanted in expect.conditions):
                return self._pass(moment, expect.steady_ns)
            was, moment = moment, self._pass(moment, scan_ns)
            if was == moment:
                break
        raise _Missed

    def _is_so(self, state: State, name: str, wanted: Wanted) -> bool:
        if wanted.as_before or wanted.change is not None:
            return True  # of a function check, which only tells what is left behind
        if name in self.outputs:
            return wanted.met_by(self.machine.output(state, name))
        if name not in self.machine.names:
            return True
        number = self.machine.number(state, name)
        return wanted.met_by(int(number) // MS if self.machine.is_timer(name) else number)

    # ------------------------------------------------------------ time

    def _pass(self, moment: _Moment, ns: int) -> _Moment:
        """So much time, or until nothing moves any more."""
        state, inputs = moment.state, moment.inputs
        for _ in range(-(-ns // self.program.scan_ns)):
            was, state = state, self._scan(state, inputs)
            if was == state:
                break
        return _Moment(state, inputs)

    def _scan(self, state: State, inputs: tuple[tuple[str, SlotValue], ...]) -> State:
        after = self._scanned.get((state, inputs))
        self._spend(len(self.program.rungs) if after is None else 1)
        if after is None:
            after = self._scanned[state, inputs] = self.machine.scan(state, dict(inputs), self.program.scan_ns)
        return after

    def _spend(self, rungs: int) -> None:
        self._left -= rungs
        if self._left < 0:
            raise NotPlayed("too much to play in a moment")

    def _on(self, state: State) -> frozenset[str]:
        if state.outputs not in self._on_with:
            on = (name for name in self.outputs if self.machine.output(state, name))
            self._on_with[state.outputs] = frozenset(on)
        return self._on_with[state.outputs]


def outputs_on(rig: Rig, program: Program) -> frozenset[str]:
    """The rig's outputs that the program drives."""
    drives = {driven(rung) for rung in program.rungs}
    return frozenset(point.name for point in rig.outputs() if point.is_boolean and point.name in drives)


def _delays(ats: Iterable[At]) -> list[int]:
    """How long after the last step the cut may come."""
    places = {ns for at in ats for ns in (at.low_ns, (at.low_ns + at.high_ns) // 2, at.high_ns)}
    return sorted({ns + later for ns in places for later in LATER_NS})
