"""A restart and the scans after it as gates, from any state that may stand before it.

    origin --(one whole scan, for pressed commands)--> state at the cut --(cut)--> restart --scan--> scan --> ...

A question is a literal; a model of it is a path that shows it. The path begins at `origin`, which may be any state
that `Reachability` has not excluded, or, with `within(n)`, one that n steps from the first power-up lead to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from restart_bench.predict.changes import Change
from restart_bench.predict.proving import parts
from restart_bench.predict.proving.circuit import FALSE, TRUE, Circuit
from restart_bench.predict.proving.layout import VALUE
from restart_bench.predict.proving.parts import Part
from restart_bench.predict.proving.patience import go_on
from restart_bench.predict.proving.reach import Cube
from restart_bench.predict.proving.solver import FAST, new_solver
from restart_bench.predict.proving.symbolic import Bits, Scanned, Scanner
from restart_bench.predict.proving.systems import AFTER, FIRST, Move, initial_state, move, pressed_slot
from restart_bench.predict.proving.systems import DARK as DARK_SLOT

ABOUT_THE_FIRST = (parts.FIRST_ON, parts.FIRST_OFF, parts.BEGINS_ON, parts.BEGINS_OFF)
FREE_SCANS = 3  # scans in which sensors still move, in paths that are to be played
LONGEST = 48
LENGTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, LONGEST)
PERIODS = (2, 3, 4, 6, 12, 5, 8, 10, 7, 9, 14, 15, 16, 20, 24, 30)


@dataclass(slots=True)
class Ahead:
    """The step into the cut: what a scan before it read, and the scan within which the supply was lost."""

    whole: Bits | None = None  # inputs of the whole scan before, for pressed commands
    whole_written: Bits = field(default_factory=dict)
    inputs: Bits | None = None  # inputs of the scan that was cut short
    written: Bits = field(default_factory=dict)
    done: list[tuple[int, int]] = field(default_factory=list)


class Questions:
    """All that can be asked of one kind of restart with one kind of inputs after it.

    settling: after how many scans everything stands still or repeats, and with which period; None where that could
    not be shown. standing: everything surely comes to a stand, though a timer may take its time; what is claimed of
    the end is then claimed of paths that have come to it. excluded: how many of the proven lemmas were taken in.
    """

    def __init__(
        self, part: Part, restart: str, start: str, inputs: str, solver: str = FAST, changes: Sequence[Change] = ()
    ) -> None:
        self.part, self.restart, self.start, self.inputs = part, restart, start, inputs
        self.circuit = Circuit()
        self.scanner = Scanner(self.circuit, part.layout, changes)
        self.origin: Bits = {}
        self.ahead = Ahead()
        self.pressed: dict[str, int] = {}
        self.held, self.dark = FALSE, FALSE
        self.demands: list[int] = []
        self.settling: tuple[int, int] | None = None
        self.standing = False
        self.excluded = 0
        self.frames: list[Move] = []
        self._frame_states: list[Bits] = []
        self._within: dict[int, int] = {}
        self._solver: Any = new_solver(name=solver)
        self._loaded = 0
        self._claims: dict[str, dict[str, int]] = {}
        self._unsettled: dict[tuple[int, int], int] = {}
        self.after_inputs: list[Bits] = []
        self.states: list[Bits] = [self._restart()]
        self._scans: list[Scanned] = []
        self._first_scan()

    # ------------------------------------------------------------ the path

    def _restart(self) -> Bits:
        """The state before the first scan."""
        layout = self.part.layout
        if self.inputs not in (parts.REST, parts.SENSORS):
            names = dict.fromkeys(name for names in self.part.commands.values() for name in names)
            self.pressed = {name: self.circuit.fresh() for name in names}
            self.held, self.dark = self.circuit.fresh(), self.circuit.fresh()
        if self.start == parts.COLD:
            return self.scanner.restarted(None)
        self.origin = self.scanner.fresh_state() | {FIRST: self.circuit.fresh()}
        if self.start == parts.LATER:
            self.demands.append(-self.origin[FIRST])
            self.origin |= {pressed_slot(name): literal for name, literal in self.pressed.items()}
            self.origin |= {DARK_SLOT: self.dark} if self.pressed else {}
            return {slot: self.origin[slot] for slot in layout.slots}
        state = {slot: self.origin[slot] for slot in layout.slots}
        first = self.origin[FIRST]
        if self.pressed:
            self.ahead.whole_written = self.scanner.written(state)
            self.ahead.whole = self._inputs_before()
            state, first = self.scanner.scan(self.ahead.whole_written, first, self.ahead.whole).after, FALSE
        self.ahead.written = self.scanner.written(state)
        if self.restart == parts.MODE:
            return self.scanner.passed(self.ahead.written)
        self.ahead.inputs = self._inputs_before()
        scanned = self.scanner.scan(self.ahead.written, first, self.ahead.inputs)
        kept, self.ahead.done = self.scanner.saved(state, scanned)
        return self.scanner.restarted(kept)

    def _inputs_before(self) -> Bits:
        """Any inputs; those that are pressed afterwards are pressed already, or still at rest, as was asked."""
        bits = self.scanner.fresh_inputs()
        for name, pressed in self.pressed.items():
            away = self._away(name, bits)
            self.circuit.clauses += [[-self.held, -pressed, away], [-self.dark, -pressed, -away]]
        return bits

    def _away(self, name: str, bits: Bits) -> int:
        """True where a command is not at rest."""
        slot = (name, VALUE)
        return -bits[slot] if self.part.layout.rest[slot] else bits[slot]

    def _inputs_after(self) -> Bits:
        bits = self.scanner.constant(self.part.layout.rest)
        for name, pressed in self.pressed.items():
            bits[name, VALUE] = -pressed if self.part.layout.rest[name, VALUE] else pressed
        if self.inputs == parts.SENSORS:
            bits = self.scanner.fresh_inputs(self.part.layout.sensors())
        return bits

    def _first_scan(self) -> None:
        if self.inputs == parts.SENSORS and self.start != parts.LATER:
            for _ in range(FREE_SCANS - 1):
                self._scan(self._inputs_after())
        self._still = self._inputs_after()
        self._scan(self._still)
        self._quiet_from = len(self._scans)

    def _scan(self, inputs: Bits) -> None:
        first = FALSE if self._scans or self.start == parts.LATER else TRUE
        scanned = self.scanner.scan(self.states[-1], first, inputs, as_before=self._as_before(inputs))
        self.after_inputs.append(inputs)
        self._scans.append(scanned)
        self.states.append(scanned.after)

    def _as_before(self, inputs: Bits) -> bool:
        """True if no input moved since the last scan after the restart."""
        return bool(self.after_inputs) and self.after_inputs[-1] is inputs

    def _extend(self, scans: int) -> None:
        """So many scans with inputs that stand still. Where timers run, scans that change nothing are left out, for
        they only wait: each scan changes something, or nothing will ever change again."""
        while len(self._scans) < self._quiet_from + scans:
            self._scan(self._still)
            if self.has_timers():
                moved = self._moved(len(self.states) - 2, len(self.states) - 1)
                if moved != FALSE and self._scans[-1].pending:
                    self.demands.append(self.circuit.or_(moved, -self.circuit.some(self._scans[-1].pending)))

    def _moved(self, one: int, other: int) -> int:
        return self.circuit.differ(
            (self.states[one][slot], self.states[other][slot]) for slot in self.part.layout.slots
        )

    def has_timers(self) -> bool:
        """True if some timer may be running in some scan."""
        return any(scanned.pending for scanned in self._scans)

    # ------------------------------------------------------------ settling

    def unsettled(self, scans: int, period: int) -> int:
        """True where so many scans after the inputs stand still, memory does not repeat with this period, or a timer
        still runs."""
        self._extend(scans + period)
        return self._unsettled_at(self._quiet_from + scans, period)

    def swings(self, output: str, scans: int) -> int:
        """True where an output changes in one of as many scans more, so many after the inputs stand still."""
        self._extend(2 * scans)
        begins = self._quiet_from + scans
        values = [state[output, VALUE] for state in self.states[begins : begins + scans + 1]]
        return self.circuit.differ(pairwise(values))

    def _unsettled_at(self, last: int, period: int) -> int:
        if (last, period) not in self._unsettled:
            literals = [self._moved(last, last + period)]
            literals += [pending for scanned in self._scans[last : last + period] for pending in scanned.pending]
            self._unsettled[last, period] = self.circuit.some(literals)
        return self._unsettled[last, period]

    # ------------------------------------------------------------ what is asked

    def claims(self, output: str) -> dict[str, int]:
        """A literal for each claim about an output; those of settling only once `settling` is known."""
        if output not in self._claims:
            self._claims[output] = self.first_claims(output)
            if self._claims[output] and self.settling is not None:
                self._claims[output] |= self._claims_of_the_end(output, *self.settling)
        return self._claims[output]

    def first_claims(self, output: str) -> dict[str, int]:
        """Those about the first scan, which need no other; none for a number."""
        slot = (output, VALUE)
        if slot not in self.states[0]:
            return {}
        first, begins = self.states[1][slot], self.states[0][slot]
        return {parts.FIRST_ON: first, parts.FIRST_OFF: -first, parts.BEGINS_ON: begins, parts.BEGINS_OFF: -begins}

    def _claims_of_the_end(self, output: str, scans: int, period: int) -> dict[str, int]:
        if self.standing and self.start == parts.LATER:
            last, stand = 0, -self._unsettled_at(0, 1)
        else:
            last = self._quiet_from + scans
            self._extend(scans + period)
            stand = -self.unsettled(scans, period) if self.standing else TRUE
        seen, pulses = self.states[0][output, VALUE] if self.start == parts.LATER else FALSE, FALSE
        for number in range(last + period):
            for value in self._visible(output, number):
                pulses = self.circuit.or_(pulses, self.circuit.and_(seen, -value))
                seen = self.circuit.or_(seen, value)
        window = [value for number in range(last, last + period) for value in self._visible(output, number)]
        on, off = self.circuit.every([stand, *window]), self.circuit.every([stand, *(-value for value in window)])
        never = self.circuit.every([stand, -on, -off])
        pulses = self.circuit.or_(pulses, never)
        return {parts.SETTLES_ON: on, parts.SETTLES_OFF: off, parts.NEVER_SETTLES: never, parts.PULSES: pulses}

    def denied(self, output: str, inputs: str, claim: str) -> list[int]:
        """What has to have no model for a claim to be impossible."""
        if claim == parts.UNSETTLED:
            assert self.settling is not None
            return [self.unsettled(*self.settling)]
        environment = self.environment(output, inputs) or []
        if claim in (parts.FALLS, parts.RISES):
            return [self.changes(output)[claim == parts.RISES], *environment]
        claims = self.first_claims(output) if claim in ABOUT_THE_FIRST else self.claims(output)
        return [claims[claim], *environment]

    def changes(self, output: str) -> tuple[int, int]:
        """Whether an output falls, and whether it rises, in the first of the scans."""
        before, after = self.states[0][output, VALUE], self.states[1][output, VALUE]
        return self.circuit.and_(before, -after), self.circuit.and_(-before, after)

    def _visible(self, output: str, number: int) -> list[int]:
        """What stands at the terminal during and after a scan, in order."""
        scanned = self._scans[number]
        slot = (output, VALUE)
        shown = []
        if self.part.program.outputs == "at once":
            if self.part.shows_before(output):
                shown.append(scanned.before[slot])
            shown += [value for _, written, value in scanned.writes if written == slot]
        return [*shown, scanned.after[slot]]

    def environment(self, output: str, inputs: str) -> list[int] | None:
        """What has to be assumed for some inputs after the restart; None if the output depends on no command."""
        if inputs not in (parts.HELD, parts.DARK):
            return []
        names = self.part.commands[output]
        if not names:
            return None
        literal = self.circuit.some(self.pressed[name] for name in names)
        others = [-self.pressed[name] for name in self.pressed if name not in names]
        return [
            literal,
            *others,
            self.held if inputs == parts.HELD else -self.held,
            self.dark if inputs == parts.DARK else -self.dark,
        ]

    # ------------------------------------------------------------ asking

    def exclude(self, cube: Cube) -> None:
        """No origin lies in a cube that is proven unreachable."""
        if self.origin and all(slot in self.origin for slot, _ in cube):
            self._load()
            self._solver.add_clause([-self.origin[slot] if value else self.origin[slot] for slot, value in cube])

    def exclude_later(self, lemma: Cube) -> None:
        """The same for a lemma about states around the cut, as far as it speaks of those after it."""
        if (AFTER, False) not in lemma:
            self.exclude(tuple(bit for bit in lemma if bit[0] != AFTER))

    def ask(self, assumed: Sequence[int]) -> list[int] | None:
        """A model in which all of these hold, None if there is none."""
        go_on()
        self._load()
        if FALSE in assumed or not self._solver.solve(assumptions=[*self.demands, *assumed]):
            return None
        model: list[int] = self._solver.get_model()
        missing = self.circuit.count - len(model)
        return model + [-(len(model) + 1 + number) for number in range(missing)]

    def not_all(self, goals: Sequence[int]) -> int:
        """A literal that holds only where a goal is missed; for once, as an assumption."""
        guard = self.circuit.mark()
        self.circuit.clauses.append([-guard, *(-literal for literal in (*self.demands, *goals) if literal != TRUE)])
        return guard

    def core(self) -> set[int]:
        """Those of the last assumptions that together had no model."""
        return set(self._solver.get_core() or ())

    def origin_of(self, model: list[int], assumed: Sequence[int]) -> Cube:
        """The bits of the origin because of which a path shows what was asked, whatever the others are."""
        state = {self._in(model, literal): slot for slot, literal in self.origin.items()}
        own = {abs(literal) for literal in state}
        choices = [self._in(model, literal) for literal in self.circuit.open if literal not in own]
        guard = self.circuit.mark()
        goals = [literal for literal in (*self.demands, *assumed) if literal != TRUE]
        self._load()
        self._solver.add_clause([-guard, *(-literal for literal in goals)])
        assert not self._solver.solve(assumptions=[guard, *choices, *state])
        core = set(self._solver.get_core())
        self._solver.add_clause([-guard])
        return tuple((slot, literal > 0) for literal, slot in state.items() if literal in core)

    def within(self, steps: int) -> int:
        """True where the origin is a state that so many steps from the first power-up lead to."""
        if not self._frame_states:
            self._frame_states.append(initial_state(self.scanner))
        while len(self.frames) < steps:
            self.frames.append(move(self.scanner, self._frame_states[-1]))
            self._frame_states.append(self.frames[-1].after)
        if steps not in self._within:
            reached = self._within[steps] = self.circuit.mark()
            for slot, literal in self._frame_states[steps].items():
                here = self.origin[slot]
                self.circuit.clauses += [[-reached, -here, literal], [-reached, here, -literal]]
        return self._within[steps]

    def states_within(self, steps: int) -> list[Bits]:
        """The states of the path from the first power-up, as many as steps lead from one to the next."""
        return self._frame_states[:steps]

    @property
    def free_scans(self) -> int:
        """In how many scans after the restart sensors may still move; what they are in the last of them stays."""
        return self._quiet_from

    def _in(self, model: list[int], literal: int) -> int:
        return literal if (model[abs(literal) - 1] > 0) == (literal > 0) else -literal

    def _load(self) -> None:
        fresh = self.circuit.clauses[self._loaded :]
        if fresh:
            self._solver.append_formula(fresh)
            self._loaded = len(self.circuit.clauses)


def true_in(model: list[int], literal: int) -> bool:
    """What a literal is in a model."""
    return (model[abs(literal) - 1] > 0) == (literal > 0)
