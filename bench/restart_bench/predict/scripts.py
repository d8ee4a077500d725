"""Traces as scenario files that the bench runs, and a small suite that plays every predicted outcome once."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from restart_bench.model.program import Program
from restart_bench.model.wording import listed, show_value
from restart_bench.plc.interpreter import State
from restart_bench.predict.engine import Answer
from restart_bench.predict.proving import parts
from restart_bench.predict.proving.cone import cone_of
from restart_bench.predict.proving.parts import Part, part_for
from restart_bench.predict.traces import PRESS_NS, Cut, Held, Hold, Played, Player, Seen, Trace

MS, S = 1_000_000, 1_000_000_000
SLACK_NS = 300 * MS  # the bench is not as quick as a scan
LATE_NS = 200 * MS  # what changes later than this after the start of the program is given time
PHASES = 16  # scans more, and as many again behind the bench's own slack, with which a trace is tried
MOST_PRESSES = 2  # that bring a controller to where a trace begins

Outcome = tuple[str, str, str, str]
"""Output, restart, inputs, and what it does: "on", "off", "pulses"."""
CLAIM_OF = {"on": parts.SETTLES_ON, "off": parts.SETTLES_OFF, "pulses": parts.PULSES}
"""The claim of an answer that says so."""


class NotForTheRig(ValueError):
    """A trace that no scenario file can hold. The text says why."""


@dataclass(frozen=True, slots=True)
class Script:
    """A scenario file. shows: the outcomes that it plays; expects: the outputs of which it expects something."""

    name: str
    text: str
    shows: frozenset[Outcome]
    expects: frozenset[str] = frozenset()


# ---------------------------------------------------------------- one scenario


def scenario_text(
    program: Program,
    played: Played,
    *,
    name: str,
    purpose: str,
    outputs: Sequence[str] | None = None,
    off_for: str = "2 s",
) -> str:
    """A trace as a scenario file: its presses, its cut, and what each output is predicted to do.

    Raises NotForTheRig for what a scenario can't hold: a cold start, an earlier cut, presses too short for a hand, an
    output that never settles.
    """
    trace = played.trace
    if against := _against(played):
        raise NotForTheRig(against)
    wanted = [output for output in (played.seen if outputs is None else outputs) if _tellable(played.seen[output])]
    if not wanted:
        raise NotForTheRig("no output settles after this restart, so nothing can be expected")
    part = part_for(program, cone_of(program, wanted), tuple(wanted))
    before = _before(part, played, program, wanted)
    cut = f"{{how: {'mode' if trace.cut.restart == parts.MODE else 'supply'}, off_for: {off_for}}}"
    lines = [f"scenario: {name}", f"purpose: {_quoted(purpose)}"]
    lines += ["before:", *before] if before else []
    lines += [f"cut: {cut}"]
    lines += ["after:", "  expect:", *_expectations(program, played, wanted)]
    return "\n".join(lines) + "\n"


def _against(played: Played) -> str:
    """What keeps a trace from a scenario file; "" where nothing does."""
    trace = played.trace
    if trace.cut.start == parts.COLD:
        return "a cold start needs memory that was lost, which the bench can't bring about"
    if any(isinstance(step, Cut) for step in trace.steps):
        return "it needs an earlier cut, and a scenario has one"
    if not played.by_hand:
        return "it needs presses that are shorter than anybody can press"
    if trace.cut.rungs:
        return "it needs a cut between two rungs of one scan, which only chance brings about"
    if len(trace.after) > 1:
        return "it needs sensors that move within the first scans"
    held = next((step.inputs for step in reversed(trace.steps) if isinstance(step, Hold)), ())  # as the cut comes
    if dict(trace.after[-1]) != dict(held):
        away = "it is out of run mode" if trace.cut.restart == parts.MODE else "the controller is dark"
        return f"it needs inputs that change while {away}, when the bench presses nothing"
    return ""


def _tellable(seen: Seen) -> bool:
    return seen.repeats and seen.settles is not None


def _before(part: Part, played: Played, program: Program, outputs: Sequence[str]) -> list[str]:
    """Presses before the cut, and what stands then."""
    trace = played.trace
    lasting = Player(part).lasting_ns(_of_part(trace, part))
    rest = {one.name: one.rest for one in program.inputs}
    lines: list[str] = []
    held: Held = ()
    steps = [step for step in trace.steps if isinstance(step, Hold)]
    for number, step in enumerate(steps):
        if number == 0 and not step.inputs and not step.writes:
            continue  # every cycle begins at rest
        lines += [f"  - write: {{{name}: {show_value(value)}}}" for name, value in step.writes]
        if not held and _is_press(steps, number):
            longer = f"\n    for: {_duration(lasting[number] + SLACK_NS)}" if lasting[number] > PRESS_NS else ""
            lines.append(f"  - press: {step.inputs[0][0]}{longer}")
            continue
        lines += [*_moved(held, step.inputs, rest), f"  - wait: {_duration(lasting[number] + SLACK_NS)}"]
        held = step.inputs
    on = [output for output in outputs if output in played.before]
    return [*lines, f"  - expect: {{{', '.join(f'{output}: on' for output in on)}}}"] if on else lines


def _is_press(steps: Sequence[Hold], number: int) -> bool:
    """True for one input that leaves rest and returns to it."""
    step, last = steps[number], number + 1 == len(steps)
    single = len(step.inputs) == 1 and isinstance(step.inputs[0][1], bool)
    return single and not last and not steps[number + 1].inputs


def _of_part(trace: Trace, part: Part) -> Trace:
    """The trace with the inputs that a part has."""
    known = part.layout.inputs

    def mine(held: Held) -> Held:
        return tuple(one for one in held if one[0] in known)

    steps = tuple(
        Hold(mine(step.inputs), step.writes, step.scans) if isinstance(step, Hold) else step for step in trace.steps
    )
    return Trace(steps, trace.cut, tuple(mine(held) for held in trace.after))


def _moved(before: Held, now: Held, rest: dict[str, bool | int | float]) -> Iterator[str]:
    """Steps that move inputs from one setting to the next: what goes back first."""
    old, new = dict(before), dict(now)
    for name in old:
        if name not in new:
            yield f"  - release: {name}" if isinstance(rest[name], bool) else f"  - write: {{{name}: {rest[name]}}}"
    for name, value in new.items():
        if old.get(name) != value:
            yield f"  - hold: {name}" if isinstance(value, bool) else f"  - write: {{{name}: {show_value(value)}}}"


def _expectations(program: Program, played: Played, outputs: Iterable[str]) -> Iterator[str]:
    for output in outputs:
        seen = played.seen[output]
        wanted = "on" if seen.settles else "off"
        keys = [f"is: {wanted}"]
        if seen.last_change_ns > LATE_NS:
            boot = 0 if played.trace.cut.restart == parts.MODE else program.boot.total_ns
            keys.append(f"within: {_duration(boot + seen.last_change_ns + 2 * S)}")
        elif not seen.settles and not seen.pulses:
            keys.append("never: on")
        yield f"    {output}: {{{', '.join(keys)}}}" + ("  # after a pulse" if seen.pulses else "")


def _duration(ns: int) -> str:
    whole_ms = -(-ns // MS)
    return f"{whole_ms // 1000} s" if whole_ms % 1000 == 0 else f"{whole_ms} ms"


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def random_cuts_needed(program: Program) -> int:
    """How many cuts at random, within two scans from a press, meet a place between two given rungs once with 95 %
    confidence: each rung takes its share of a scan."""
    chance = 1 / (2 * max(1, len(program.rungs)))
    return math.ceil(math.log(0.05) / math.log(1 - chance))


# ---------------------------------------------------------------- a small suite


def outcomes_of(answer: Answer) -> Iterator[Outcome]:
    """What an answer says may happen, as far as a rig can show it."""
    if answer.start == parts.COLD:
        return
    ends = {"off": ("off",), "on": ("on",), "depends": ("on", "off")}.get(answer.settles or "", ())
    for end in ends:
        yield answer.point, answer.restart, answer.inputs, end
    if answer.can_pulse:
        yield answer.point, answer.restart, answer.inputs, "pulses"


def small_suite(
    program: Program, answers: Sequence[Answer], off_for: str = "2 s"
) -> tuple[list[Script], list[Outcome]]:
    """Scenarios that together play every predicted outcome once, and the outcomes that no scenario can play
    (`why_not_played` says why). A greedy choice among the traces of the answers, without those that others make
    needless: few, but not surely the fewest. One is added for each output that none of them shows on; of an output
    that none can show on nothing is expected."""
    outputs = tuple(dict.fromkeys(answer.point for answer in answers))
    wanted = {outcome for answer in answers for outcome in outcomes_of(answer)}
    part = part_for(program, cone_of(program, outputs), outputs)
    player = Player(part)
    candidates: Chosen = []
    for trace, inputs in _traces(answers):
        played = _as_met(player, trace)
        if played is not None and not _against(played):
            shows = frozenset(_shown(part, played, inputs)) & wanted
            candidates.append((played, shows))
    chosen = _cover(candidates, wanted)
    chosen += _shown_alive(
        player, [played for played, _ in candidates], {name for one, _ in chosen for name in _on(one)}
    )
    alive = {name for played, _ in chosen for name in _on(played)}
    scripts: list[Script] = []
    for played, shows in in_order(player, list(from_anywhere(player, chosen))):
        shown = frozenset(outcome for outcome in shows if outcome[0] in alive)
        script = _script(program, played, shown, alive, len(scripts) + 1, off_for)
        if script is not None:
            scripts.append(script)
    return scripts, sorted(wanted.difference(*(script.shows for script in scripts)))


def _as_met(player: Player, trace: Trace) -> Played | None:
    """A trace played as a bench meets it, which counts no scans: where it waits for so many, or the program never
    stands still at rest, a little more has to come out the same. None where it does not."""
    played = player.play(trace)
    if played is None:
        least = -(-PRESS_NS // player.part.program.scan_ns)
        trace = replace(trace, steps=(Hold(scans=least), *trace.steps[1:]))
        played = player.play(trace)
    if played is None or not any(isinstance(step, Hold) and step.scans for step in trace.steps):
        return played
    slack = SLACK_NS // player.part.program.scan_ns
    more = [player.play(_longer(trace, scans)) for scans in (*range(1, PHASES), *range(slack, slack + PHASES))]
    played = replace(played, before=played.before.intersection(*(one.before for one in more if one is not None)))
    return played if all(_the_same(one, played) for one in more) else None


def _longer(trace: Trace, scans: int) -> Trace:
    """The same with more scans wherever scans are counted."""
    steps = (
        replace(step, scans=step.scans + scans) if isinstance(step, Hold) and step.scans else step
        for step in trace.steps
    )
    return replace(trace, steps=tuple(steps))


Chosen = list[tuple[Played, frozenset[Outcome]]]
"""Traces with the outcomes that they play."""


def why_not_played(answers: Iterable[Answer], outcome: Outcome, scripts: Iterable[Script] = ()) -> str:
    """Why no scenario of a suite plays an outcome, in words."""
    point, restart, inputs, end = outcome
    found = [answer for answer in answers if answer.key == (point, restart, parts.WARM, inputs)]
    played = found[0].findings[CLAIM_OF[end]].played if found else None
    if played is None:
        return "no example of it could be played on the model, so it is not confirmed"
    if against := _against(played):
        return against
    if not _tellable(played.seen[point]):
        return "it never comes to a stand, so nothing can be expected"
    if any(point in script.expects for script in scripts):
        return "it hangs on the very scan of the cut, or begins where no two presses lead and no other scenario ends"
    return "no scenario shows the output on for long, and an off of what was never seen on would prove nothing"


def _cover(candidates: Chosen, wanted: set[Outcome]) -> Chosen:
    """As few traces as a greedy choice finds that play all that is wanted, as far as any does."""
    left, missing = list(candidates), set(wanted)
    chosen: Chosen = []
    while left:
        played, shows = max(left, key=lambda one: (len(one[1] & missing), -len(one[0].trace.steps)))
        if not shows & missing:
            break
        left.remove((played, shows))
        chosen.append((played, shows))
        missing -= shows
    for one in list(chosen):  # what was chosen early may have become needless since
        others = set().union(*(shows for other, shows in chosen if other is not one[0]))
        if one[1] <= others:
            chosen.remove(one)
    return chosen


def _on(played: Played) -> set[str]:
    """Outputs that a trace shows on for long, before the cut or in the end."""
    settled = {name for name, seen in played.seen.items() if seen.settles}
    return settled | (played.before & set(played.seen))


def _shown_alive(player: Player, others: Sequence[Played], alive: set[str]) -> Chosen:
    """Traces in which outputs are on that no other shows on: nobody believes an off of a channel that was never seen
    on."""
    held = [((one.name, not one.rest),) for one in player.part.program.inputs if isinstance(one.rest, bool)]
    rest = [Trace((Hold(), Hold(one)), Cut(parts.MODE), (one,)) for one in held]
    more = [*others, *(played for trace in rest if (played := player.play(trace)) is not None)]
    added: Chosen = []
    for output in player.part.outputs:
        found = next((one for one in more if output in _on(one) - alive), None)
        if found is not None:
            added.append((found, frozenset()))
            alive |= _on(found)
    return added


def from_anywhere(player: Player, chosen: Chosen) -> Iterator[tuple[Played, frozenset[Outcome]]]:
    """The chosen traces with the presses in front that make them come out the same whichever was played before: no
    scenario begins with a controller that has never run."""
    left = [player.left_by(played.trace) for played, _ in chosen]
    starts = list(dict.fromkeys(state for state in left if state is not None))
    for played, shows in chosen:
        for presses in _presses(player.part.program):
            steps = [Hold()]
            for name, value in presses:
                steps += [Hold(((name, value),)), Hold()]
            own = played.trace.steps
            trace = replace(played.trace, steps=(*steps, *(own[1:] if own and own[0] == Hold() else own)))
            if all(_the_same(player.play(trace, start), played) for start in (None, *starts)):
                yield replace(played, trace=trace), shows
                break
        else:
            yield played, shows


def in_order(player: Player, chosen: Chosen) -> Iterator[tuple[Played, frozenset[Outcome]]]:
    """The same in an order in which each comes out as it should from what the one before leaves behind, those first
    that do so from few states. What has no place in it is left out."""
    states = [None, *(player.left_by(played.trace) for played, _ in chosen)]
    left = sorted(chosen, key=lambda one: sum(_the_same(player.play(one[0].trace, start), one[0]) for start in states))
    state: State | None = None
    while left:
        at = next((one for one in left if _the_same(player.play(one[0].trace, state), one[0])), None)
        if at is None:
            return
        left.remove(at)
        state = player.left_by(at[0].trace, state) or state
        yield at


def _presses(program: Program) -> Iterator[Held]:
    """Presses one after the other, few first."""
    every = [(one.name, not one.rest) for one in program.inputs if isinstance(one.rest, bool)]
    for number in range(MOST_PRESSES + 1):
        yield from permutations(every, number)


def _the_same(one: Played | None, other: Played) -> bool:
    """True if a play comes out as another, for a scenario that was written of that: what it expects before the cut and
    after it is so."""
    if one is None or not other.before <= one.before:
        return False
    expected = [name for name, seen in other.seen.items() if _tellable(seen)]
    return all(
        (one.seen[name].settles, one.seen[name].pulses) == (other.seen[name].settles, other.seen[name].pulses)
        for name in expected
    )


def _traces(answers: Iterable[Answer]) -> Iterator[tuple[Trace, str]]:
    """Every trace of every answer that a rig can play, once."""
    seen: set[tuple[Trace, str]] = set()
    for answer in answers:
        for finding in answer.findings.values():
            if finding.played is None:
                continue
            trace = finding.played.trace
            if answer.inputs == parts.SENSORS:  # what sensors are to be afterwards they are already before
                trace = replace(trace, steps=(*trace.steps, Hold(trace.after[-1])), after=trace.after[-1:])
            if trace.steps[:1] != (Hold(),):  # no scenario begins with a controller that has never run
                trace = replace(trace, steps=(Hold(), *trace.steps))
            key = (trace, answer.inputs)
            if key not in seen:
                seen.add(key)
                yield key


def _shown(part: Part, played: Played, inputs: str) -> Iterator[Outcome]:
    pressed = {name for name, _ in played.trace.after[-1]}
    for output, seen in played.seen.items():
        if inputs in (parts.HELD, parts.DARK) and not pressed & set(part.commands[output]):
            continue
        if _tellable(seen):
            yield output, played.trace.cut.restart, inputs, "on" if seen.settles else "off"
            if seen.pulses:
                yield output, played.trace.cut.restart, inputs, "pulses"
            if inputs == parts.REST:
                yield output, played.trace.cut.restart, parts.SENSORS, "on" if seen.settles else "off"


def _script(
    program: Program, played: Played, shows: frozenset[Outcome], alive: set[str], number: int, off_for: str
) -> Script | None:
    name = f"predicted-{number:02}"
    outputs = [output for output in played.seen if output in alive]
    if not outputs:
        return None
    asked = sorted({outcome[0] for outcome in shows}) or outputs
    purpose = f"{_asked_after(played)}: what will {listed(asked)} do?"
    try:
        text = scenario_text(program, played, name=name, purpose=purpose, outputs=outputs, off_for=off_for)
        return Script(name, text, shows, frozenset(outputs))
    except NotForTheRig:
        return None


def _asked_after(played: Played) -> str:
    """The restart with what tells it from others: what was on as it came, and what is pressed as it ends."""
    mode = played.trace.cut.restart == parts.MODE
    on, pressed = sorted(played.before & set(played.seen)), sorted({name for name, _ in played.trace.after[-1]})
    state = f"{listed(on)} {'is' if len(on) == 1 else 'are'} on" if on else "nothing is on"
    ends = f" with {listed(pressed)} pressed" if pressed else ""
    goes, comes = ("Run mode is left", "entered again") if mode else ("Power goes", "comes back")
    return f"{goes} while {state}, and {'is ' * mode}{comes}{ends}"
