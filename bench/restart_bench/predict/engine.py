"""What every output of a program does after every restart: proved where it is denied, replayed where it is claimed.

    answers = predict(program, ["fan", "burner"])

For "cannot" a question has no model from any state that may be reachable; for "can" a path from the first power-up is
looked for, made playable, and played by the exact interpreter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from restart_bench.model.program import Program, Timer
from restart_bench.plc.interpreter import driven
from restart_bench.predict.proving import parts
from restart_bench.predict.proving.cone import cone_of, groups_of, outputs_of
from restart_bench.predict.proving.parts import Part, part_for
from restart_bench.predict.proving.paths import by_hand, path_in, simplest, to_the_scan
from restart_bench.predict.proving.proofs import Certificate, Proof
from restart_bench.predict.proving.reach import Cube, GaveUp, Reachability
from restart_bench.predict.proving.recheck import broken
from restart_bench.predict.proving.standing import stands, timers_in_a_row
from restart_bench.predict.proving.systems import AFTER, around_the_cut, before_the_cut
from restart_bench.predict.questions import ABOUT_THE_FIRST, LENGTHS, PERIODS, Questions
from restart_bench.predict.traces import Cut, Hold, Played, Player, Trace

Word = Literal["off", "on", "depends", "never"]
OFF, ON, NEVER = "off", "on", "never"
DEEPEST = 11  # scans and cuts before the cut in a path that is looked for
ONCE_DEEPEST = 7  # the same, where the cut is the only one
SHORT = 3  # steps of paths that are looked for before it is asked what can be reached
TRIES = 4  # paths that are played in vain
PLAIN_ENOUGH = (0, 0, 0, 2, 1, 0)  # nothing is gained by looking for a plainer trace
MOST_SCANS = 54  # until everything has come again once
LONGEST_TAIL = 30  # scans after a restart in paths with timers
DOUBTS = 8  # states that are shown unreachable, before it is given up to show that everything settles


class ProofBroken(RuntimeError):
    """A proof did not stand up to the second solver: a fault of this program, not of anybody's file."""


@dataclass(frozen=True, slots=True)
class ClaimAnswer:
    """One claim about an output: whether it can come true, and a replayed example. `can` is None where neither could
    be shown; played is None where it can, as far as the proof sees, but no replay shows it."""

    can: bool | None
    played: Played | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What one output does after one kind of restart. settles: None where it could not be decided; first_scan: at the
    end of the first scan; begins: in memory as the first scan begins; confirmed: every claim that something can
    happen was replayed."""

    point: str
    restart: str
    start: str
    inputs: str
    findings: dict[str, ClaimAnswer] = field(default_factory=dict)

    def can(self, claim: str) -> bool | None:
        """Whether a claim can come true."""
        return self.findings[claim].can if claim in self.findings else None

    @property
    def settles(self) -> Word | None:
        """Where the output ends."""
        on, off, never = (self.can(claim) for claim in (parts.SETTLES_ON, parts.SETTLES_OFF, parts.NEVER_SETTLES))
        if never:
            return "never"
        return None if never is None else _word(on, off)

    @property
    def first_scan(self) -> Word | None:
        """What the output is at the end of the first scan."""
        return _word(self.can(parts.FIRST_ON), self.can(parts.FIRST_OFF))

    @property
    def begins(self) -> Word | None:
        """What stands in memory as the first scan begins."""
        return _word(self.can(parts.BEGINS_ON), self.can(parts.BEGINS_OFF))

    @property
    def can_pulse(self) -> bool | None:
        """Whether it can be on in some scan without staying on."""
        return self.can(parts.PULSES)

    @property
    def confirmed(self) -> bool:
        """True if everything that can happen was replayed with presses that a person can do."""
        can = [
            one.played
            for claim, one in self.findings.items()
            if one.can and claim not in (parts.BEGINS_ON, parts.BEGINS_OFF)
        ]
        return all(played is not None and played.by_hand for played in can)

    @property
    def decided(self) -> bool:
        """True if nothing was left open."""
        return None not in (self.settles, self.can_pulse, self.first_scan)

    @property
    def played(self) -> Played | None:
        """The example that says most: where the output comes on, else where it does not."""
        for claim in (parts.NEVER_SETTLES, parts.PULSES, parts.SETTLES_ON, parts.FIRST_ON, parts.SETTLES_OFF):
            finding = self.findings.get(claim)
            if finding is not None and finding.can and finding.played is not None:
                return finding.played
        return None

    @property
    def pulse_scans(self) -> int | None:
        """How many scans it is on at least in a pulse: the longest in the examples, None where none shows one."""
        played = [one.played for one in self.findings.values() if one.can and one.played is not None]
        return max((one.seen[self.point].pulse_scans for one in played), default=0) or None

    @property
    def coming(self) -> tuple[Trace | None, int]:
        """Where it comes on later than in the first scan, whatever was before: an example, and the nanoseconds that
        passed in it from the start of the program; (None, 0) elsewhere, and where sensors move meanwhile."""
        finding = self.findings.get(parts.SETTLES_ON)
        if self.first_scan != OFF or finding is None or finding.played is None or len(finding.played.trace.after) > 1:
            return None, 0
        return finding.played.trace, finding.played.seen[self.point].last_change_ns

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What the answer is about."""
        return self.point, self.restart, self.start, self.inputs

    @property
    def behaviour(self) -> tuple[Word | None, bool | None]:
        """What the words on the screen tell: where the output ends, and whether it can pulse."""
        return self.settles, self.can_pulse

    @property
    def says(self) -> tuple[Word | None, bool | None, Word | None]:
        """The answer itself: where the output ends, whether it can pulse, and the first scan."""
        return self.settles, self.can_pulse, self.first_scan


def _word(on: bool | None, off: bool | None) -> Word | None:
    if on is None or off is None:
        return None
    return "depends" if on and off else "on" if on else "off"


def predict(
    program: Program,
    outputs: Iterable[str] | None = None,
    *,
    restarts: Sequence[tuple[str, str]] = parts.RESTARTS,
    environments: Sequence[str] = parts.ENVIRONMENTS,
    thorough: bool = True,
    rechecked: bool = True,
    proven: list[Certificate] | None = None,
) -> tuple[Answer, ...]:
    """An answer for each output (all that a coil, a set or a reset drives, unless named), restart and environment.

    thorough: False where the answer alone is wanted, without an example of all that can happen and without the second
    solver; rechecked: False where only the second solver is not wanted; proven: a list to which what was proven for the
    answers is added.

    Raises SolverMissing where python-sat is not installed, ValueError for an output that no rung drives, ProofBroken
    where a proof does not hold that was checked by other means.
    """
    wanted = tuple(outputs_of(program) if outputs is None else dict.fromkeys(outputs))
    nothing = [output for output in wanted if output not in {driven(rung) for rung in program.rungs}]
    if nothing:
        raise ValueError(f"nothing in this program drives {nothing[0]}")
    answers: dict[tuple[str, str, str, str], Answer] = {}
    certificates = [] if proven is None else proven
    for cone, members in groups_of(program, wanted):
        for group, given in _group_answers(program, cone, members, restarts, environments, thorough):
            certificates.append(certificate := group.certificate())
            if thorough and rechecked and (wrong := broken(certificate)):
                raise ProofBroken("; ".join(wrong))
            answers |= {answer.key: answer for answer in given}
    order = [(point, *restart, inputs) for point in wanted for restart in restarts for inputs in environments]
    return tuple(answers[key] for key in order)


def _group_answers(
    program: Program,
    cone: frozenset[str],
    outputs: tuple[str, ...],
    restarts: Sequence[tuple[str, str]],
    environments: Sequence[str],
    thorough: bool,
) -> Iterator[tuple[Group, list[Answer]]]:
    """The answers of outputs that are reasoned about together; apart, where the whole never stands still."""
    group = Group(part_for(program, cone, outputs), thorough)
    answers = [answer for restart in restarts for answer in group.answers(*restart, environments)]
    if all(answer.decided for answer in answers) or (len(outputs) == 1 and cone == cone_of(program, outputs)):
        yield group, answers
        return
    for output in outputs:
        yield from _group_answers(program, cone_of(program, [output]), (output,), restarts, environments, thorough)


ClaimKey = tuple[str, str, str, str, str]
"""Output, restart, start, inputs, claim."""


class Group:
    """One part of a program, with what is known of the states that it can reach, and the traces that were played."""

    def __init__(self, part: Part, thorough: bool = True) -> None:
        self.part, self.thorough = part, thorough
        self.player = Player(part)
        self.reach = Reachability(before_the_cut(part.layout))
        self.played: dict[ClaimKey, Played] = {}
        self.standing = any(isinstance(rung, Timer) for rung in part.program.rungs) and stands(part)
        self.tail = min(LONGEST_TAIL, 6 + 3 * timers_in_a_row(part.program)) if self.standing else 0
        self.plainness: dict[ClaimKey, tuple[int, ...]] = {}
        self.proofs: list[Proof] = []
        self.later_lemmas: dict[tuple[str, str, str], list[Cube]] = {}

    def answers(self, restart: str, start: str, environments: Sequence[str]) -> Iterator[Answer]:
        """Every output after one kind of restart."""
        about = Restarted(self, restart, start)
        self.play(Trace((Hold(),), Cut(restart, start)), parts.REST)
        self._play_again(restart, start)
        for inputs in environments:
            firsts = [about.first_findings(output, inputs) for output in self.part.outputs]  # while the path is short
            for output, first in zip(self.part.outputs, firsts, strict=True):
                yield Answer(output, restart, start, inputs, about.findings(output, inputs, first))

    # ------------------------------------------------------------ traces

    def play(self, trace: Trace, inputs: str) -> None:
        """Play a trace, and keep it as an example of all that it shows."""
        played = self.player.play(trace)
        if played is not None:
            self.keep(played, inputs)

    def _play_again(self, restart: str, start: str) -> None:
        """Play what was done before another kind of restart before this one too: it often shows the same."""
        nothing = (Hold(),) if start == parts.COLD else ()  # what was before is lost then
        done = dict.fromkeys(
            (inputs, replace(one.trace, steps=nothing or one.trace.steps, cut=Cut(restart, start)))
            for (*_, inputs, _), one in self.played.items()
            if start in (parts.COLD, one.trace.cut.start) and not one.trace.cut.rungs
        )
        for inputs, trace in done:
            self.play(trace, inputs)

    def keep(self, played: Played, inputs: str) -> None:
        """Keep what was played as an example of all that it shows."""
        if inputs == parts.REST and self.part.layout.sensors():
            self.keep(played, parts.SENSORS)  # sensors that may move may stay at rest too
        pressed = {name for name, _ in played.trace.after[-1]}
        plainness = _plainness(played)
        for output, seen in played.seen.items():
            if inputs in (parts.HELD, parts.DARK) and not pressed & set(self.part.commands[output]):
                continue
            for claim in seen.shows():
                key = (output, played.trace.cut.restart, played.trace.cut.start, inputs, claim)
                if key not in self.played or plainness < self.plainness[key]:
                    self.played[key] = played
                    self.plainness[key] = plainness

    # ------------------------------------------------------------ what can't be reached

    def certificate(self) -> Certificate:
        """What was proven so far."""
        later = {key: tuple(lemmas) for key, lemmas in self.later_lemmas.items()}
        return Certificate(self.part, tuple(self.reach.proven), later, tuple(self.proofs))

    def tell(self, questions: Questions) -> None:
        """Hand what was proven since to some questions."""
        for cube in self.reach.proven[questions.excluded :]:
            questions.exclude(cube)
        questions.excluded = len(self.reach.proven)


def _plainness(played: Played) -> tuple[int, ...]:
    """How far a trace is from the plainest."""
    trace = played.trace
    inexact = sum(isinstance(step, Hold) and step.scans > 0 for step in trace.steps)
    cuts = sum(isinstance(step, Cut) for step in trace.steps)
    return (not played.by_hand, cuts, trace.cut.rungs > 0, len(trace.steps), trace.presses, inexact)


class Restarted:
    """One kind of restart of one group, with each kind of inputs after it."""

    def __init__(self, group: Group, restart: str, start: str) -> None:
        self.group, self.part = group, group.part
        self.restart, self.start = restart, start
        self._questions: dict[str, Questions] = {}
        self._laters: dict[str, Questions] = {}
        self._reaches: dict[str, Reachability] = {}
        self._turns: dict[tuple[str, str], tuple[bool, bool]] = {}

    # ------------------------------------------------------------ questions

    def first_findings(self, output: str, inputs: str) -> dict[str, ClaimAnswer]:
        """Every claim about one output in the first scan."""
        inputs = self._same_as(output, inputs)
        questions = self._asked(inputs)
        return self._findings_of(output, inputs, questions.first_claims(output))

    def findings(self, output: str, inputs: str, first: dict[str, ClaimAnswer]) -> dict[str, ClaimAnswer]:
        """Every claim about one output, of which those about the first scan are known."""
        inputs = self._same_as(output, inputs)
        questions = self._asked(inputs)
        asked = {claim: literal for claim, literal in questions.claims(output).items() if claim not in first}
        findings = first | self._findings_of(output, inputs, asked)
        if questions.settling is None:
            environment = questions.environment(output, inputs) or []
            findings |= self._restless(questions, output, inputs, environment, findings)
        return findings

    def _findings_of(self, output: str, inputs: str, claims: dict[str, int]) -> dict[str, ClaimAnswer]:
        questions = self._asked(inputs)
        environment = questions.environment(output, inputs) or []
        return {
            claim: self._finding(questions, output, inputs, claim, [claims[claim], *environment])
            for claim in parts.CLAIMS
            if claim in claims
        }

    def _same_as(self, output: str, inputs: str) -> str:
        """The plainer environment that is the same for an output without such inputs."""
        if inputs == parts.SENSORS and not self.part.layout.sensors():
            return parts.REST
        return parts.REST if inputs in (parts.HELD, parts.DARK) and not self.part.commands[output] else inputs

    def _asked(self, inputs: str) -> Questions:
        kind = parts.HELD if inputs == parts.DARK else inputs
        if kind not in self._questions:
            questions = self._questions[kind] = Questions(self.part, self.restart, self.start, kind)
            self._settle(questions)
        return self._questions[kind]

    def _settle(self, questions: Questions) -> None:
        """After how many scans everything stands still, or comes again."""
        if self.group.standing:
            questions.settling, questions.standing = (self.group.tail, 1), True
            self._note(questions, "", questions.inputs, parts.UNSETTLED)
            return
        for scans in LENGTHS:
            if self._ask(questions, [questions.unsettled(scans, 1)], doubts=DOUBTS if scans >= 3 else 0) is None:
                questions.settling = (scans, 1)
                self._note(questions, "", questions.inputs, parts.UNSETTLED)
                return
            if scans in (6, 16, LENGTHS[-1]):
                for period in PERIODS:
                    if questions.has_timers() or self.part.layout.compares_counts or scans + period > MOST_SCANS:
                        continue  # what is left open may be another way in the next period
                    if self._ask(questions, [questions.unsettled(scans, period)]) is None:
                        questions.settling = (scans, period)
                        self._note(questions, "", questions.inputs, parts.UNSETTLED)
                        return

    def _ask(self, questions: Questions, assumed: Sequence[int], doubts: int = 0) -> list[int] | None:
        """A model from a state that may be reachable; so many states are looked at more closely."""
        self.group.tell(questions)
        model = questions.ask(assumed)
        while model is not None and doubts > 0 and questions.origin:
            doubts -= 1
            if not self._excludes(questions.origin_of(model, assumed)):
                return model
            self.group.tell(questions)
            model = questions.ask(assumed)
        return model

    def _excludes(self, cube: Cube) -> bool:
        """True once no state of a cube can come about, whatever is pressed later."""
        try:
            return self.group.reach.cannot_reach(tuple(bit for bit in cube if bit[0] in self.group.reach.system.bits))
        except GaveUp:
            return False

    # ------------------------------------------------------------ one claim

    def _restless(
        self, questions: Questions, output: str, inputs: str, environment: list[int], known: dict[str, ClaimAnswer]
    ) -> dict[str, ClaimAnswer]:
        """Claims about the end where not everything stands still: shown by a replay, or by what no scan ever does."""
        about = (output, self.restart, self.start, inputs)
        for steps in range(3 if questions.origin else 1):
            if (*about, parts.NEVER_SETTLES) in self.group.played:
                break
            for restless in (questions.swings(output, 8), questions.unsettled(8, 1)):
                if (*about, parts.NEVER_SETTLES) not in self.group.played:
                    self._try(questions, (*about, parts.NEVER_SETTLES), [restless, *environment], steps)
        claims = (parts.SETTLES_ON, parts.SETTLES_OFF, parts.NEVER_SETTLES, parts.PULSES)
        seen = {claim: self.group.played.get((*about, claim)) for claim in claims}
        findings = {claim: ClaimAnswer(True if played else None, played) for claim, played in seen.items()}
        falls, rises = self._changes(output, inputs)
        if not falls or not rises:
            findings[parts.NEVER_SETTLES] = ClaimAnswer(False)
        if not falls:
            findings[parts.PULSES] = ClaimAnswer(False)
        if not falls and not known[parts.FIRST_OFF].can:
            findings[parts.SETTLES_OFF] = ClaimAnswer(False)
        if not rises and not known[parts.FIRST_ON].can:
            findings[parts.SETTLES_ON] = findings[parts.PULSES] = ClaimAnswer(False)
        return findings

    def _changes(self, output: str, inputs: str) -> tuple[bool, bool]:
        """Whether an output can fall, and rise, after the first scan, in whatever state the rest may be."""
        later = self._asked_later(inputs)
        falls, rises = later.changes(output)
        environment = later.environment(output, inputs) or []
        if self.part.program.outputs == "at once":
            return True, True
        found = {
            parts.FALLS: self._ask(later, [falls, *environment]) is not None,
            parts.RISES: self._ask(later, [rises, *environment]) is not None,
        }
        for claim, can in found.items():
            if not can:
                self._note(later, output, inputs, claim)
        return found[parts.FALLS], found[parts.RISES]

    def _finding(self, questions: Questions, output: str, inputs: str, claim: str, assumed: list[int]) -> ClaimAnswer:
        key = (output, self.restart, self.start, inputs, claim)
        known = self.group.played.get(key)
        if known is not None and _plainness(known) <= PLAIN_ENOUGH:
            return ClaimAnswer(True, known)
        least = self._least_steps(questions, assumed) if known is None else 0
        if least is None:
            return self._proved(questions, output, inputs, claim)
        if not self.group.thorough:
            return ClaimAnswer(True, known)
        self._search(questions, key, assumed, least)
        return ClaimAnswer(True, self.group.played.get(key))

    def _least_steps(self, questions: Questions, assumed: list[int]) -> int | None:
        """How many steps a path to what is asked has at least; None if no reachable state shows it. Short paths are
        tried before states are looked into."""
        if self._ask(questions, assumed) is None:
            return None
        if not questions.origin:
            return 0
        for steps in range(SHORT):
            if questions.ask([*assumed, questions.within(steps)]):
                return steps
        while (model := self._ask(questions, assumed)) is not None:
            if not self._excludes(questions.origin_of(model, assumed)):
                return SHORT
        return None

    def _search(self, questions: Questions, key: ClaimKey, assumed: list[int], least: int) -> None:
        """Look for an example that a person can play, as short as can be but with so many steps at least; better one
        with a cut at any time than one with a cut within a scan."""
        if not questions.origin:
            self._try(questions, key, assumed, 0)
            return
        between = [-literal for _, literal in questions.ahead.done]
        ways = [(between, True), ([], True), ([], False)] if between else [([], True), ([], False)]
        for extra, once in ways:
            known = self.group.played.get(key)
            shown = known is not None and not known.trace.cut.rungs
            if extra and not shown and self._ask(questions, [*assumed, *extra]) is None:
                continue
            self._deepen(questions, key, [*assumed, *extra], once, least)
            known = self.group.played.get(key)
            if known is not None and known.by_hand:
                return

    def _deepen(self, questions: Questions, key: ClaimKey, assumed: list[int], once: bool, least: int) -> None:
        """Look for longer and longer paths. `once`: the supply is lost, or run mode left, only at their end."""
        tries = 0
        for steps in range(least, ONCE_DEEPEST if once else DEEPEST):
            known = self.group.played.get(key)
            if known is not None and known.by_hand and steps + 1 >= len(known.trace.steps):
                return
            tries += self._try(questions, key, assumed, steps, once)
            if tries == TRIES:
                return

    def _try(self, questions: Questions, key: ClaimKey, assumed: list[int], steps: int, once: bool = False) -> bool:
        """Look for a path of so many steps and play it; False if there is none."""
        here = [*assumed, questions.within(steps)] if questions.origin else assumed
        if once:
            here += [-literal for frame in questions.frames[:steps] for literal in (frame.cut, frame.mode)]
        model = questions.ask(here)
        if model is None:
            return False
        inputs = key[3]
        path = path_in(questions, simplest(questions, model, here, steps), steps)
        for before in by_hand(path, held=inputs == parts.HELD):
            for played in self.group.player.plays(before, path.cut, path.after):
                self.group.keep(played, inputs)
                if key in self.group.played and self.group.played[key].by_hand:
                    return True
        self.group.play(to_the_scan(path), inputs)
        return True

    def _proved(self, questions: Questions, output: str, inputs: str, claim: str) -> ClaimAnswer:
        """A claim without a model. While sensors are free or timers run, paths of some length are not all there are:
        it has to be shown for any time after the restart too; so is what shows within scans that only wait."""
        self._note(questions, output, inputs, claim)
        dips = claim == parts.PULSES and questions.has_timers() and self.part.program.outputs == "at once"
        if claim in ABOUT_THE_FIRST or not (inputs == parts.SENSORS or questions.standing or dips):
            return ClaimAnswer(False)
        return ClaimAnswer(self._later(output, inputs, claim))

    def _later(self, output: str, inputs: str, claim: str) -> bool | None:
        """Whether something can come about in any scan after the first."""
        later = self._asked_later(inputs)
        literal = later.claims(output).get(claim)
        if literal is None:
            return None
        if self._never_turns(output, inputs, claim):
            return False
        wanted = [literal, *(later.environment(output, inputs) or [])]
        while (model := self._ask(later, wanted)) is not None:
            answer = self._excludes_after(later, later.origin_of(model, wanted))
            if answer is not True:
                return None if answer is None else True
        self._note(later, output, inputs, claim)
        return False

    def _never_turns(self, output: str, inputs: str, claim: str) -> bool:
        """True where one scan tells: what never falls doesn't pulse, nor end off unless it was so after the first
        scan already; what never rises doesn't end on, nor pulse, unless it was on already."""
        if claim == parts.NEVER_SETTLES or self.part.program.outputs == "at once":
            return False
        about = (output, inputs)
        if about not in self._turns:
            self._turns[about] = self._changes(output, inputs)
        falls, rises = self._turns[about]
        if (
            claim in (parts.SETTLES_ON, parts.PULSES)
            and not rises
            and self._first_cannot(output, inputs, parts.FIRST_ON)
        ):
            return True
        if claim == parts.SETTLES_ON:
            return False
        return not falls and (claim == parts.PULSES or self._first_cannot(output, inputs, parts.FIRST_OFF))

    def _first_cannot(self, output: str, inputs: str, claim: str) -> bool:
        questions = self._asked(inputs)
        if self._ask(questions, [questions.claims(output)[claim], *(questions.environment(output, inputs) or [])]):
            return False
        self._note(questions, output, inputs, claim)
        return True

    def _asked_later(self, inputs: str) -> Questions:
        kind = parts.HELD if inputs == parts.DARK else inputs
        if kind not in self._laters:
            self._laters[kind] = Questions(self.part, self.restart, parts.LATER, kind)
            if self.group.standing or kind == parts.SENSORS or self.part.program.outputs == "at once":
                self._settle(self._laters[kind])
        return self._laters[kind]

    def _note(self, questions: Questions, output: str, inputs: str, claim: str) -> None:
        """Keep what was shown, for the check by other means."""
        later, settling = questions.start == parts.LATER, questions.settling
        self.group.proofs.append(
            Proof(self.restart, self.start, later, inputs, settling, questions.standing, output, claim)
        )

    def _excludes_after(self, later: Questions, cube: Cube) -> bool | None:
        """True once no state after this restart lies in a cube, False if one does, None if that stayed open."""
        kind = later.inputs
        if kind not in self._reaches:
            restart = parts.COLD if self.start == parts.COLD else self.restart
            system = around_the_cut(
                self.part.layout, restart, sensors=kind == parts.SENSORS, commands=tuple(later.pressed)
            )
            self._reaches[kind] = Reachability(system)
        reach = self._reaches[kind]
        after = () if self.start == parts.COLD else ((AFTER, True),)
        known = len(reach.proven)
        try:
            if not reach.cannot_reach((*cube, *after)):
                return False
        except GaveUp:
            return None
        self.group.later_lemmas[self.restart, self.start, kind] = reach.proven
        for lemma in reach.proven[known:]:
            later.exclude_later(lemma)
        return True
