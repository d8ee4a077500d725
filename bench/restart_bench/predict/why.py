"""Why an output does what it does after a restart, in the words of the trade; everything it names was tried out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from restart_bench.model.program import Coil, Memory, Program, Reset, Rung, Set, Timer
from restart_bench.model.units import show_duration
from restart_bench.model.wording import COMES_BACK, COMES_ON, STAYS_OFF, counted, listed
from restart_bench.plc.conditions import show_condition
from restart_bench.plc.interpreter import driven
from restart_bench.predict.changes import (
    FIRST,
    INITIAL,
    ORDER,
    PASS,
    RESET,
    RETAINED,
    Change,
    all_changed,
    curing,
    deciding,
    nearness,
    that_matter,
)
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.proving.cone import cone_of, part_of, reads_of
from restart_bench.predict.proving.parts import MODE, WARM
from restart_bench.predict.proving.patience import TimeIsUp
from restart_bench.predict.unmoved import TOLD, NotTold, keeping_off, unmoved

MOST_TOGETHER = 3
PATIENCE = 400  # programs that are tried for one answer, fewer of large ones
LARGE = 8000  # rungs in all of them
NOTHING = Coil("", ("const", False))
INPUTS = "inputs at that moment"


@dataclass(frozen=True, slots=True)
class Why:
    """because: one line; decided_by: what has to change for another answer, each alone, or, if `together`, all of
    it, because each part is enough for this answer; by_inputs: other inputs at that moment give another answer; cure:
    what keeps the output off, all of it together; searched: False where the search was given up before its end."""

    because: str
    decided_by: tuple[Change, ...] = ()
    together: bool = False
    by_inputs: bool = False
    cure: tuple[Change, ...] = ()
    searched: bool = True


@dataclass(slots=True)
class _Trials:
    """Programs that were tried for one answer."""

    program: Program
    numbers: tuple[int, ...]
    answer: Answer
    left: int
    done: dict[tuple[Change, ...], Answer | None] = field(default_factory=dict)

    def with_(self, changes: tuple[Change, ...]) -> Answer | None:
        """The answer for the changed program, None once the patience is over."""
        changes = that_matter(self.program, changes)
        if not changes:
            return self.answer
        if changes not in self.done:
            if self.left <= 0:
                return None
            self.left -= 1
            try:
                self.done[changes] = self.asked(changes)
            except TimeIsUp:
                self.left = 0
                return None
        return self.done[changes]

    def asked(self, changes: tuple[Change, ...], thorough: bool = False) -> Answer:
        """The answer for the changed program, whatever the patience."""
        return answer_for(all_changed(self.program, changes), self.answer, thorough)

    def differs(self, changes: tuple[Change, ...]) -> bool:
        """True if the changes surely change the answer, also where not all of the other one is decided."""
        other = self.with_(changes)
        if other is None or other.decided:
            return other is not None and other.behaviour != self.answer.behaviour
        return any({self.answer.can(claim), other.can(claim)} == {True, False} for claim in TOLD)

    def turns(self, changes: tuple[Change, ...]) -> bool:
        """True if the changes keep off what comes on, or let come on or pulse what stays off."""
        return self.differs(changes) if stays_off(self.answer) else self.cures(changes)

    def keeps(self, changes: tuple[Change, ...]) -> bool:
        """True if the changes surely leave the answer as it is."""
        other = self.with_(changes)
        return other is not None and other.decided and other.behaviour == self.answer.behaviour

    def cures(self, changes: tuple[Change, ...]) -> bool:
        """True if the output stays off with the changes."""
        other = self.with_(changes)
        return other is not None and stays_off(other)


def answer_for(program: Program, like: Answer, thorough: bool = True) -> Answer:
    """The answer of another program to the same question."""
    restarts, environments = [(like.restart, like.start)], [like.inputs]
    return predict(program, [like.point], restarts=restarts, environments=environments, thorough=thorough)[0]


def stays_off(answer: Answer) -> bool:
    """True if an output surely stays off, without a pulse."""
    return answer.settles == "off" and answer.can_pulse is False


def explain(program: Program, answer: Answer, others: Iterable[Answer] = (), label: str | None = None) -> Why:
    """Why an answer is what it is. `others`: the answers for other inputs after the same restart; label: what
    people call the output."""
    part, numbers = _part(program, answer.point)
    trials = _Trials(part, numbers, answer, min(PATIENCE, max(1, LARGE // max(1, len(numbers)))))
    near = nearness(part, answer.point)
    cures = [] if stays_off(answer) else curing(part, answer.point, near)
    decided, cure = _decided_and_cured(trials, deciding(part, near), cures)
    together = len(decided) > 1 and not trials.differs(decided[:1])
    by_inputs = any(other.behaviour != answer.behaviour for other in others if other.key[:3] == answer.key[:3])
    why = Why("", decided, together, by_inputs, cure, trials.left > 0)
    line = _line(trials, why, label or answer.point)
    return replace(why, because=line, decided_by=_named(trials, decided), cure=_named(trials, cure))


def _part(program: Program, output: str) -> tuple[Program, tuple[int, ...]]:
    """The rungs that have an influence on an output, and their places. Where outputs are written at once, it shows what
    is in memory as soon as any rung is done: one that does nothing stands for those before."""
    part, numbers = part_of(program, cone_of(program, [output]))
    if program.outputs != "at once" or numbers[0] == 0:
        return part, numbers
    return replace(part, rungs=(NOTHING, *part.rungs)), (0, *numbers)


def _named(trials: _Trials, changes: tuple[Change, ...]) -> tuple[Change, ...]:
    """Changes with the rungs as they are counted in the whole program."""
    return tuple(
        Change(change.kind, change.name, tuple(trials.numbers[place] for place in change.rungs)) for change in changes
    )


# ---------------------------------------------------------------- what decides, what cures


def _decided_and_cured(
    trials: _Trials, changes: Sequence[Change], cures: Sequence[Change]
) -> tuple[tuple[Change, ...], tuple[Change, ...]]:
    """All changes that alone give another answer, or the smallest set that turns it together; and the smallest set with
    which the output stays off. What is small is tried first, in case the patience ends."""
    for change in _unmoved(trials, changes):
        trials.done[change,] = trials.answer
    decided = tuple(change for change in changes if trials.differs((change,)))
    cure = _first(trials.cures, cures, 1)
    together = _together(trials, changes) if not decided and trials.left > 0 else ()
    for size in range(2, MOST_TOGETHER + 1):
        if together is None and not decided and trials.left > 0:
            decided = _first(trials.turns, changes, size)
        if not cure and trials.left > 0:
            cure = _first(trials.cures, cures, size)
    return decided or together or (), cure


def _unmoved(trials: _Trials, changes: Sequence[Change]) -> frozenset[Change]:
    """The changes that need not be tried."""
    try:
        return unmoved(trials.program, trials.answer, [one for one in changes if that_matter(trials.program, (one,))])
    except TimeIsUp:
        return frozenset()


def _together(trials: _Trials, changes: Sequence[Change]) -> tuple[Change, ...] | None:
    """The smallest set that keeps off together what can be on, () where there is none; None where sets have to be tried
    one by one."""
    if stays_off(trials.answer):
        return None
    try:
        return keeping_off(trials.program, trials.answer, changes, range(2, MOST_TOGETHER + 1), trials.cures)
    except NotTold:
        return None
    except TimeIsUp:
        trials.left = 0
        return ()


def _first(does_it: Callable[[tuple[Change, ...]], bool], changes: Sequence[Change], size: int) -> tuple[Change, ...]:
    """The first set of so many changes that does it, () where none does, or none was tried."""
    return next((some for some in combinations(changes, size) if does_it(some)), ())


# ---------------------------------------------------------------- words


def does(answer: Answer) -> str:
    """What an output does, in the words of the screen."""
    if not answer.decided:
        return "not decided"
    words = {"off": STAYS_OFF, "on": COMES_ON, "depends": COMES_BACK, "never": "does not settle"}
    word = words[answer.settles or "off"]
    if answer.can_pulse and answer.settles != "never":
        word = "can pulse" if answer.settles == "off" else f"{word}, can pulse"
    return word if answer.confirmed else f"{word} (not confirmed)"


def show(change: Change, program: Program) -> str:
    """What a change is about, as it is now in the program."""
    memory = program.memory.get(change.name, Memory(change.name))
    if change.kind == RETAINED:
        return f"{change.name}: retained" if memory.retained else f"{change.name}: not retained"
    if change.kind == PASS:
        return f"start pass: {program.start_pass}"
    if change.kind == INITIAL:
        return f"{change.name}: initial {'on' if memory.initial else 'off'}"
    if change.kind == FIRST:
        return f"first_scan in {_rung(program, change.rungs[0])}"
    if change.kind == ORDER:
        return f"order of {_rung(program, change.rungs[0])} and {_rung(program, change.rungs[1])}"
    return f"{change.name}: a reset on the first scan in {_rung(program, change.rungs[0])}"


def show_cure(change: Change, program: Program) -> str:
    """What would have to be changed."""
    if change.kind == RETAINED:
        return f"`{change.name}` not retained"
    if change.kind == PASS:
        return "a start pass that clears coils"
    assert change.kind == RESET
    word = "OR first_scan" if isinstance(program.rungs[change.rungs[0]], Reset) else "AND NOT first_scan"
    return f"a reset of `{change.name}` on the first scan ({word} in {_rung(program, change.rungs[0])})"


def decided_words(why: Why, program: Program) -> list[str]:
    """What decides, as text."""
    return [*(show(change, program) for change in why.decided_by), *([INPUTS] if why.by_inputs else [])]


PLACE = re.compile(r"rung (\d+), line (\d+)")
"""How a rung of a file is named in a line: its number, and its line in the file."""


def lines_named(because: str, program: Program) -> tuple[int, ...]:
    """The lines of the program's file that a line of why names, in their order."""
    places = [(int(number), int(line)) for number, line in PLACE.findall(because)]
    own = {(place, rung.line) for place, rung in enumerate(program.rungs, start=1)}
    return tuple(sorted({line for number, line in places if (number, line) in own}))


def _rung(program: Program, place: int) -> str:
    line = program.rungs[place].line
    return f"rung {place + 1}, line {line}" if line else f"rung {place + 1}"


def _line(trials: _Trials, why: Why, label: str) -> str:
    """The one line: what it does, the facts that decide, the rungs that drive it, and the cure."""
    answer, whole = trials.answer, _whole(trials)
    facts = [_fact(trials, whole, change) for change in why.decided_by]
    if len(facts) > 1:
        facts = [listed(facts), _weight(trials, why)]
    if answer.restart == MODE and answer.settles == "depends" and not facts:
        facts.append("memory outlives a mode change")
    facts += _driven_by(trials, whole)
    if answer.pulse_scans and answer.can_pulse and answer.settles != "never":
        facts.append(f"on for {counted(answer.pulse_scans, 'scan')} in the longest pulse that was played")
    if why.by_inputs:
        facts.append("with other inputs at that moment it may do otherwise")
    if not why.searched:
        facts.append("not everything was tried out")
    said = f"{label} {does(answer)}: {'; '.join(facts)}." if facts else f"{label} {does(answer)}."
    if why.cure:
        cures = [show_cure(change, whole) for change in _named(trials, why.cure)]
        together = " together with ".join(cures)
        said += f" {together[0].upper()}{together[1:]} would keep it off."
    return said


def _weight(trials: _Trials, why: Why) -> str:
    """What several facts count for: each alone is enough for the answer, or all of them are needed."""
    several, each = ("both", "either") if len(why.decided_by) == 2 else ("all of these", "any one of these")
    if not why.together:
        return f"{several} are needed"
    try:
        otherwise = trials.asked(why.decided_by, thorough=True)  # whether it is confirmed is said
    except TimeIsUp:
        otherwise = trials.with_(why.decided_by) or trials.answer  # they were found by trying that
    if not otherwise.decided:
        return f"with {several} changed it does otherwise"
    becomes = does(otherwise).replace(" (not confirmed)", ", not confirmed")
    parts = (some for size in range(1, len(why.decided_by)) for some in combinations(why.decided_by, size))
    if not all(trials.keeps(some) for some in parts):
        return f"with {several} changed it {becomes}"
    enough = "keeps it off" if stays_off(trials.answer) else "is enough"
    return f"{each} alone {enough} ({several} must change before it {becomes})"


def _whole(trials: _Trials) -> Program:
    """The part with its rungs at the places of the whole program, for what is shown."""
    last = max(trials.numbers, default=-1)
    rungs: list[Rung] = [NOTHING] * (last + 1)
    for number, rung in zip(trials.numbers, trials.program.rungs, strict=True):
        rungs[number] = rung
    return replace(trials.program, rungs=tuple(rungs))


def _fact(trials: _Trials, whole: Program, change: Change) -> str:
    """What decides, as it is."""
    program = trials.program
    memory = program.memory.get(change.name, Memory(change.name))
    if change.kind == RETAINED:
        return f"`{change.name}` is retained" if memory.retained else f"`{change.name}` is not retained"
    if change.kind == PASS:
        pass_ = "no start pass" if program.start_pass == "none" else "the start pass"
        return f"{pass_} clears plain coils before the first scan"
    if change.kind == INITIAL:
        return f"`{change.name}` begins {'on' if memory.initial else 'off'}"
    places = [trials.numbers[place] for place in change.rungs]
    if change.kind == FIRST:
        rung = whole.rungs[places[0]]
        verb = {Set: "sets", Reset: "resets"}.get(type(rung), "counts for")
        return f"the first scan {verb} `{driven(rung)}` ({_rung(whole, places[0])})"
    return _order(whole, *places)


def _order(whole: Program, first: int, second: int) -> str:
    """What the order of two rungs comes to."""
    one, other = whole.rungs[first], whole.rungs[second]
    if driven(one) == driven(other):
        return f"{_rung(whole, second)} has the last word on `{driven(one)}`, after {_rung(whole, first)}"
    if driven(one) in reads_of(other):
        return f"{_rung(whole, second)} reads `{driven(one)}` after {_rung(whole, first)} has worked it out"
    return f"{_rung(whole, first)} reads `{driven(other)}` before {_rung(whole, second)} works it out"


def _driven_by(trials: _Trials, whole: Program) -> list[str]:
    """The rungs that drive the output: what resets it where it can be on, else what sets it."""
    sets, resets = [], []
    for place in trials.numbers:
        rung = whole.rungs[place]
        if driven(rung) != trials.answer.point:
            continue
        if isinstance(rung, Set):
            sets.append(f"`{show_condition(rung.when)}` sets it ({_rung(whole, place)})")
        elif isinstance(rung, Reset):
            resets.append(f"`{show_condition(rung.when)}` resets it ({_rung(whole, place)})")
        elif isinstance(rung, Coil):
            sets.append(f"it follows `{show_condition(rung.when)}` ({_rung(whole, place)})")
    can_stay = trials.answer.settles in ("on", "depends")
    if can_stay and len(resets) == 1:
        return [f"only {resets[0]}"]
    return ((resets or sets) if can_stay else (sets or resets)) + list(_timed_by(trials, whole))


def _timed_by(trials: _Trials, whole: Program) -> Iterator[str]:
    """The timers of coils that drive the output: what comes later by how much."""
    rungs = [(place, whole.rungs[place]) for place in trials.numbers]
    read = {name for _, rung in rungs if isinstance(rung, Coil) and driven(rung) == trials.answer.point
            for name in reads_of(rung)}  # fmt: skip
    for place, rung in rungs:
        if isinstance(rung, Timer) and rung.name in read:
            yield f"`{rung.name}` {_times(rung)} ({_rung(whole, place)}) and {_through(trials.answer, whole, rung)}"


def _through(answer: Answer, whole: Program, timer: Timer) -> str:
    """What a restart makes of what a timer has timed (README: the controller's model, rule 5)."""
    if answer.restart == MODE:
        return "keeps its time through a mode change"
    if answer.start == WARM and whole.memory.get(timer.name, Memory(timer.name)).retained:
        return "is retained with its time"
    return "times anew after the restart"


def _times(timer: Timer) -> str:
    """What a timer makes of its condition."""
    when, preset = f"`{show_condition(timer.when)}`", show_duration(timer.preset_ns)
    words = {
        "TON": f"is on once {when} was on for {preset}",
        "TOF": f"stays on for {preset} after {when}",
        "TP": f"is on for {preset} from when {when} comes on",
    }
    return words[timer.kind]
