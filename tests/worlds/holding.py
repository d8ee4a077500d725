"""Holds the judge against the oracle, world by world, and tells in readable words what did not agree."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from drawing import T0, World, draw, ms
from histories import FAR, MS, S, Steps
from oracle import Allowed, Invalid, Oracle
from readings import Readings, end_of

from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import CycleJudged, Finding, PointWritten, StepDone
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import Expect, Press, Step
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict

PASS, INCONCLUSIVE, FAIL, ERROR = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR


@dataclass(frozen=True)
class Find:
    """One disagreement: `sort` is false pass, false fail, shrug, missing error, error for nothing, or wrong word."""

    seed: int
    theme: str
    sort: str
    about: str
    got: str
    why: str

    def __str__(self) -> str:
        return f"seed {self.seed} ({self.theme}): {self.sort} of {self.about}: {self.got}\n      truth: {self.why}"


def world_of(seed: int) -> tuple[World, Readings]:
    """The world of a seed, played to its end."""
    world = draw(seed)
    rng = random.Random(f"{seed}/play")
    longest = max((one.window.not_after_ns or 0 for one in world.scenario.after if one.window is not None), default=0)
    world.scenario = replace(world.scenario, watch_ns=max(world.scenario.watch_ns, longest + 50 * MS))
    world.play(rng)
    readings = Readings(world)
    end = end_of(world, readings)
    if rng.random() < 0.25 and not any(end <= life.end < end + S for life in world.lives):
        end = _function_check(world, rng, end)
    world.finish(end)
    return world, Readings(world)


def _function_check(world: World, rng: random.Random, press: int) -> int:
    """A press after the watch, and what should come of it; the end of the cycle."""
    comes = press + ms(rng, 5, 300)
    lamp = world.truth["lamp_terminal"]
    later = [(at, value) for at, value in zip(lamp.times, lamp.values, strict=True) if 0 < at < press]
    world.truth["lamp_terminal"] = Steps.of(lamp.values[0], *later, (press + MS, 0.0), (comes, 1.0))
    within, steady = 150 * MS, rng.choice((0, 40 * MS))
    on = Wanted(equals=True)
    steps = (
        Step("function check", 0, Press("start_button", 20 * MS), "press"),
        Step("function check", 1, Expect((("lamp", on),), ("lamp_terminal",), within, steady), "lamp comes"),
    )
    world.scenario = replace(world.scenario, function_check=steps)
    world.look()
    begin = press + 30 * MS
    reads = Readings(world).all_good("lamp_terminal")
    shown = reads.late[(reads.early >= begin) & (reads.value == 1)]
    deadline = begin + within + steady
    world.reached = bool(len(shown) and shown[0] <= begin + within)
    done = int(shown[0]) + steady if world.reached else deadline
    world.press_at = press
    world.steps = [
        StepDone(1, "function check", 0, "press", True, T0 + press, T0 + begin),
        StepDone(1, "function check", 1, "lamp comes", world.reached, T0 + begin, T0 + done),
    ]
    world.writes += [
        PointWritten(1, "start_button", True, "press", T0 + press, T0 + press + MS),
        PointWritten(1, "start_button", False, "release", T0 + press + 20 * MS, T0 + press + 21 * MS),
    ]
    return done + 5 * MS


def finds_of(seed: int) -> list[Find]:
    """Where the judge and the truth of one world disagree."""
    world, readings = world_of(seed)
    judged = judge_cycle(world.rig, world.scenario, world.records(), world.samples)
    return list(compare(world, Oracle(world, readings), judged))


def demands(world: World, oracle: Oracle) -> Iterator[Allowed]:
    """What is allowed for every demand of a world."""
    if not world.mode:
        yield oracle.restart()
    within = world.rig.ready.within_ns
    yield oracle.ready_in_time(within, f"ready within {show_duration(within)}")
    for limit in world.scenario.times:
        yield oracle.mark(limit)
    for one in (*world.scenario.during, *world.scenario.after):
        yield oracle.expectation(one)
    for gap in world.scenario.gaps:
        yield oracle.gap(gap)
    yield from oracle.program()


def compare(
    world: World,
    oracle: Oracle,
    judged: CycleJudged,
    asked: list[Allowed] | None = None,
    invalid: list[Invalid] | None = None,
) -> Iterator[Find]:
    """Every disagreement in one judged cycle. What is allowed may have been worked out before."""
    if world.old:  # read or not, that is not to be told from a slow relay: but loss and return must leave both
        yield from _moved(world, judged)
        return
    invalid = oracle.invalid() if invalid is None else invalid
    errors = [one for one in judged.findings if one.expectation.startswith("valid: ")]
    yield from _errors(world, invalid, errors, judged)
    void = any(one.void and one.sure for one in invalid)
    if void and not errors:
        return  # told once; what else was found in a cycle that is no test is a consequence
    if not void and not world.age:
        yield from _returned(world, oracle, judged)
    if (world.age or world.theme == "network") and not void:
        return  # what lies and could not be found out can't be held against anybody
    for allowed in demands(world, oracle) if asked is None else asked:
        if oracle.unread_return and not allowed.expectation.startswith(("restart", "same program")):
            continue
        mine = [f for f in judged.findings if (f.point, f.expectation) == (allowed.point, allowed.expectation)]
        for finding in mine:
            yield from _one(world, allowed, finding, bool(errors), void)
        if not mine and not (allowed.expectation.startswith("ready within") and not world.rig.ready.when):
            yield _find(world, "missing", allowed, "no finding")
    yield from _word(world, oracle, judged)


def _moved(world: World, judged: CycleJudged) -> Iterator[Find]:
    """The bounds of loss and return hold the true ones, though all that tells of them is old."""
    for name, truly in (("cut", world.lost), ("restored", world.returned)):
        bounds = judged.mark(name)
        if (
            bounds is not None
            and not bounds.not_before_ns - world.origin <= truly <= bounds.not_after_ns - world.origin
        ):
            got = f"{_at(bounds.not_before_ns - world.origin)}..{_at(bounds.not_after_ns - world.origin)}"
            yield Find(world.seed, world.theme, "wrong bounds", name, got, f"it was {_at(truly)}")


def _returned(world: World, oracle: Oracle, judged: CycleJudged) -> Iterator[Find]:
    """The bounds that are given for the return hold the true one, wherever it was commanded or read as it was."""
    restored = judged.mark("restored")
    if restored is None or world.mode or not world.rail.spans([0.0], 0, FAR) or oracle.unread_return:
        return
    low, high = restored.not_before_ns - world.origin, restored.not_after_ns - world.origin
    dipped = any(one.expectation == "valid: second dip" for one in judged.findings)
    rises = [end for _, end in world.rail.spans([0.0], world.lost, world.returned)] if dipped else [world.returned]
    if world.returned < FAR and not any(low <= rise <= high for rise in rises):  # of several the error says so
        got = f"{_at(low)}..{_at(high)}"
        yield Find(world.seed, world.theme, "wrong bounds", "restored", got, f"it returned {_at(world.returned)}")


def _find(world: World, sort: str, allowed: Allowed, got: str) -> Find:
    about = f"{allowed.point} {allowed.expectation}".strip()
    return Find(world.seed, world.theme, sort, about, got, allowed.told())


def _one(world: World, allowed: Allowed, finding: Finding, errors: bool, void: bool) -> Iterator[Find]:
    verdicts = allowed.verdicts
    got = f"{finding.verdict.value}: {finding.reason}"
    if finding.verdict is ERROR:
        if not errors:
            yield _find(world, "error for nothing", allowed, got)
    elif finding.verdict is FAIL and (FAIL not in verdicts or void):
        yield _find(world, "false fail", allowed, got)
    elif finding.verdict is PASS and PASS not in verdicts:
        yield _find(world, "false pass", allowed, got)
    elif finding.verdict is INCONCLUSIVE and INCONCLUSIVE not in verdicts:
        yield _find(world, "shrug", allowed, got)


MEANT = {
    "contradicted": ("unproven", "off time", "dip"),
    "dip": ("off time", "dip", "early"),
    "off time": ("off time", "dip", "early"),
    "second dip": ("second dip", "off time", "early"),
}
"""Which reasons of the truth an error of the judge may stand for, where that is not the one of its own name."""


def _errors(world: World, invalid: list[Invalid], errors: list[Finding], judged: CycleJudged) -> Iterator[Find]:
    """An error that must be found and was not, and one for which nothing in the truth stands."""
    said = [one.expectation.removeprefix("valid: ") for one in errors]
    meant = {kind for one in said for kind in MEANT.get(one, (one,))}
    meant |= {"off time"} if "unproven" in said else set()  # of a cut that is not proven nobody says how long it was
    missing = [one for one in invalid if one.sure and one.kind not in meant]
    if missing:
        why = "; ".join(f"{one.kind}: {one.why}" for one in missing)
        sort = "missing error" if judged.verdict is not PASS else "false pass"
        about, got = f"the cycle ({missing[0].kind})", f"{judged.verdict.value}: {judged.reason}"
        yield Find(world.seed, world.theme, sort, about, got, why)
    true = {one.kind for one in invalid}
    for kind, error in zip(said, errors, strict=True):
        if not true & set(MEANT.get(kind, (kind,))):
            why = f"nothing of the kind was wrong ({', '.join(sorted(true)) or 'nothing at all'})"
            yield Find(world.seed, world.theme, "error for nothing", f"the cycle ({kind})", error.reason, why)


def _word(world: World, oracle: Oracle, judged: CycleJudged) -> Iterator[Find]:
    """Whether it restarted must never be told wrongly, and the cycle's verdict is the strongest of its findings."""
    for finding in judged.findings:
        said = finding.figures.get("restarted")
        if finding.verdict is ERROR or oracle.restart_doubts():
            continue
        if said is not None and said is not world.restarted:
            yield Find(
                world.seed,
                world.theme,
                "wrong word",
                "restarted",
                f"{said}: {finding.reason}",
                f"restarted: {world.restarted}",
            )
    if judged.restarted and not world.mode and not oracle.may_have_run_again():
        yield Find(world.seed, world.theme, "wrong word", "restarted", "True", "its program was not read to run again")
    words = {finding.verdict for finding in judged.findings}
    strongest = next((one for one in (FAIL, ERROR, INCONCLUSIVE, PASS) if one in words), INCONCLUSIVE)
    if judged.verdict is not strongest:
        yield Find(world.seed, world.theme, "wrong word", "the cycle", judged.verdict.value, strongest.value)


def story(seed: int) -> str:
    """A world told so that a person can follow it."""
    world, readings = world_of(seed)
    oracle = Oracle(world, readings)
    judged = judge_cycle(world.rig, world.scenario, world.records(), world.samples)
    return "\n".join([*_told_truth(world), *_told_demands(world, oracle), *_told_verdicts(world, oracle, judged)])


def _at(instant: int | None) -> str:
    return "never" if instant is None or abs(instant) > 10**15 else f"{instant / MS:.2f}"


def _told_truth(world: World) -> Iterator[str]:
    rig, scenario, phases = world.rig, world.scenario, world.phases
    spoilt = ", ".join(sorted(world.spoilt)) or "nothing"
    yield f"world {world.seed}: {world.theme}; spoilt: {spoilt} (all times in ms)"
    commands = f"cut {_at(world.cut[0])}..{_at(world.cut[1])}, back {_at(world.back[0])}..{_at(world.back[1])}"
    yield f"  commanded: {commands}; asked {_at(world.asked)}"
    yield f"  supply lost {_at(world.lost)}, returned {_at(world.returned)}; rail {_history(world.rail)}"
    lives = [(_at(one.start), _at(one.end), _at(one.stands)) for one in world.lives]
    yield f"  lives (start, end, stands from) {lives}, restarted {world.restarted}"
    yield f"  phases {[(_at(at), name) for at, name in zip(phases.times, phases.names, strict=True)]}"
    yield f"  {rig.ready}, pace of alive {_at(world.pace)}"
    yield f"  proofs {[(one.kind, one.point) for one in rig.proof_of_cut]}, {rig.supply}"
    watch = f"settle {_at(scenario.settle_ns)}, watch {_at(scenario.watch_ns)}"
    yield f"  restart {scenario.restart}, {watch}, end {_at(world.end)}, press {_at(world.press_at)}"
    for name, wire in world.wires.items():
        yield f"  {name}: {wire}; {rig.devices[name]}"
    yield f"  delay {_at(world.delay)}, cache {_at(world.cache)}, age {_at(world.age)}"
    for name, one in world.truth.items():
        yield f"  truth {name}: {_history(one)}"


def _told_demands(world: World, oracle: Oracle) -> Iterator[str]:
    scenario, spans = world.scenario, oracle.spans
    yield f"  ready truly {_at(oracle.ready.true)}, surely seen {_at(oracle.ready.seen)}, in time {spans.in_time}"
    yield f"  settled from {_at(spans.start[0])}..{_at(spans.start[1])} to {_at(spans.end[0])}..{_at(spans.end[1])}"
    yield f"  contact lost {[_at(int(one)) for one in oracle.glitches]}"
    for one in (*scenario.during, *scenario.after, *scenario.times, *scenario.gaps):
        yield f"  demanded: {one}"


def _told_verdicts(world: World, oracle: Oracle, judged: CycleJudged) -> Iterator[str]:
    for mark in judged.marks:
        low, high = mark.bounds.not_before_ns - T0, mark.bounds.not_after_ns - T0
        yield f"  mark {mark.name} {_at(low)}..{_at(high)}"
    yield f"  judged {judged.verdict.value}: {judged.reason}"
    for finding in judged.findings:
        yield f"    {finding.verdict.value:12} {finding.point} {finding.expectation}: {finding.reason}"
    for one in demands(world, oracle):
        words = "/".join(sorted(word.value for word in one.verdicts))
        yield f"    allowed {words} for {one.point} {one.expectation}: {one.told()}"
    for invalid in oracle.invalid():
        yield f"    {invalid}"
    for find in compare(world, oracle, judged):
        yield f"  FIND {find}"


def _history(steps: Steps) -> str:
    return ", ".join(
        f"{value:g}" if abs(at) > 10**15 else f"{value:g} from {at / MS:.2f}"
        for at, value in zip(steps.times, steps.values, strict=True)
    )
