"""One cycle judged from its records and samples alone: marks, findings, and the verdict over them.

Same evidence, same finding: live, replayed or judged again. Nothing here knows the time or the hardware.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from restart_bench.evidence.evidence import Evidence, Judged, Problem
from restart_bench.evidence.long_cycles import samples_to_judge
from restart_bench.evidence.marks import as_marks, ready_conditions, run_mode_shown_ns, switching_of
from restart_bench.evidence.supply_off import narrowest, off_time
from restart_bench.judging.function_check import judge_steps
from restart_bench.judging.notes import (
    contradicted_before,
    restarted_late,
    restarted_often,
    silent_again,
    stood_still,
    supply_notes,
    supply_unread,
    wrong_rates,
)
from restart_bench.judging.outputs import base_figures, output_seen
from restart_bench.judging.proofs import Proofs, judge_restart, powered_since, proof_problems, proofs_of
from restart_bench.judging.pulses import judge_pulses
from restart_bench.judging.states import judge_state
from restart_bench.judging.times import judge_gap, judge_mark, judge_ready, only_its_word
from restart_bench.judging.validity import STOPPED, problems_of
from restart_bench.model.clock import BLIND_NS, Bounds
from restart_bench.model.condensing import SampleSource
from restart_bench.model.journal import (
    BROKEN_OFF,
    WITHOUT_THE_ERROR,
    CycleJudged,
    CycleRecords,
    Finding,
    FindingKind,
    OutputSeen,
)
from restart_bench.model.rig import Rig
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Expectation, ExpectationKind, Scenario
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict, worst
from restart_bench.model.wording import about, counted, listed, shown, some, value_text

JUDGES: dict[ExpectationKind, Callable[[Evidence, Expectation], Judged]] = {
    ExpectationKind.IS: judge_state,
    ExpectationKind.NEVER: judge_pulses,
    ExpectationKind.STAYS: judge_pulses,
    ExpectationKind.RETURNS: judge_pulses,
}
"""Which judge is responsible for which kind of expectation."""


def judge_cycle(
    rig: Rig, scenario: Scenario, records: CycleRecords, samples: Mapping[str, DeviceSamples]
) -> CycleJudged:
    """Judges one cycle. A cycle in which nothing was cut has no findings but those that say why."""
    evidence = Evidence(rig, scenario, records, samples)
    proofs = Proofs()
    problems = problems_of(evidence)
    outputs = _outputs(evidence)
    judged: list[_About] = []
    if evidence.cut is not None and evidence.restored is not None and not _broken_off(evidence):
        if scenario.how == "supply":
            proofs = proofs_of(evidence)
        problems += proof_problems(evidence, proofs)
        judged = list(_all_judged(evidence, proofs, outputs))
    elif evidence.cut is not None and not problems and not _stopped(evidence):
        problems.append(Problem("not back", "the supply was not commanded back", evidence.cut.not_before_ns))
    problems.sort(key=lambda problem: problem.at_ns)
    return _conclude(evidence, proofs, outputs, judged, problems)


def judge_long_cycle(
    rig: Rig, scenario: Scenario, records: CycleRecords, sources: Mapping[str, SampleSource]
) -> CycleJudged:
    """The same of a cycle whose samples may not fit into memory; to the letter as if they did."""
    return judge_cycle(rig, scenario, records, samples_to_judge(rig, scenario, records, sources))


@dataclass(frozen=True, slots=True)
class _About:
    """A judgement with what it is about: kind, subject and point of a finding, and how it is read."""

    kind: FindingKind
    subject: str
    expectation: str
    judged: Judged
    point: str = ""


def _all_judged(evidence: Evidence, proofs: Proofs, outputs: Mapping[str, OutputSeen]) -> Iterator[_About]:
    """Every finding of a cycle that was cut, in the order in which people ask."""
    rig, scenario = evidence.rig, evidence.scenario
    rode = False
    if scenario.how == "supply":
        restart = judge_restart(evidence, proofs)
        rode = restart is not None and restart.figures["restarted"] is False
        if restart is not None:
            yield _About(FindingKind.RESTART, "", f"restart: {scenario.restart}", restart)
    ready = judge_ready(evidence, proofs)
    if ready_conditions(rig):
        yield _About(FindingKind.READY, "ready", f"ready within {show_duration(rig.ready.within_ns)}", ready)
    powered = _surely_powered(evidence, proofs, ready)
    for limit in scenario.times if not (scenario.search and rode) else ():
        text = limit.text or f"{limit.mark} in time"
        yield _About(FindingKind.MARK, limit.mark, text, judge_mark(evidence, limit, proofs))
    for demand in _demanded_of(scenario, rode=rode):
        judged = JUDGES[demand.kind](evidence, demand)
        judged = replace(judged, figures={**base_figures(outputs[demand.point]), **judged.figures})
        judged = _as_far_as_no_memory(evidence, demand, judged)
        judged = _as_far_as_shown(evidence, demand, judged, outputs[demand.point], powered)
        judged = _as_far_as_it_moves(evidence, demand, judged, proofs)
        judged = _as_far_as_a_person_says(evidence, demand, judged, proofs)
        if demand.wanted.as_before or demand.wanted.change is not None:
            judged = _as_far_as_known(evidence, demand.judged, demand.blind_ns, judged)
        judged = _with_suspects(evidence, demand, judged, outputs)
        yield _About(FindingKind.EXPECTATION, demand.point, demand.text or demand.kind.value, judged, demand.point)
    for gap in scenario.gaps if not (scenario.search and rode) else ():
        text = gap.text or f"{gap.then} after {gap.first}"
        yield _About(FindingKind.GAP, gap.first, text, judge_gap(evidence, gap), gap.then)
    for name in rig.program:
        yield _About(
            FindingKind.PROGRAM,
            name,
            "same program as before",
            _as_far_as_known(evidence, name, BLIND_NS, _same_program(evidence, name)),
            name,
        )
    yield from _vouched_for(evidence)
    for text, judged in judge_steps(evidence):
        yield _About(FindingKind.FUNCTION_CHECK, text, f"function check: {text}", judged)


def _demanded_of(scenario: Scenario, *, rode: bool) -> Iterator[Expectation]:
    """What is demanded of a cycle. A search has cuts that restart and cuts that do not: where one was ridden through,
    only what speaks of before the cut has a meaning, the rest is demanded of restarts."""
    for one in (*scenario.during, *scenario.after):
        of_before = one.wanted.as_before or one.wanted.change is not None or one.kind is ExpectationKind.RETURNS
        if scenario.search is None or not rode or of_before:
            yield one


def _with_suspects(
    evidence: Evidence, demand: Expectation, judged: Judged, outputs: Mapping[str, OutputSeen]
) -> Judged:
    """A fail whose output and terminal contradict each other names, in the same line, what else than the program may be
    behind it: the address or the wire, or a wire that changed places with another that contradicts its output too."""
    if judged.verdict is not Verdict.FAIL or demand.phase == "during" or not outputs[demand.point].disagrees:
        return judged
    others = [shown(evidence.rig, one.point) for one in outputs.values() if one.disagrees and one.point != demand.point]
    swapped = f" (do {listed(others)}, also contradicted, and this one have each other's wire?)" if others else ""
    suspects = f"the controller says otherwise of this output: first suspect its wire and its addresses{swapped}"
    return replace(judged, reason=f"{judged.reason}; {suspects}")


def _surely_powered(evidence: Evidence, proofs: Proofs, ready: Judged) -> bool:
    """False where the controller was not ready in time and nothing tells a controller without power from one that
    does not start: then the end of its time is no place to count from either."""
    if evidence.scenario.how == "mode" or proofs.back:
        return True
    return evidence.ready_in_time is not None or ready.verdict is not Verdict.INCONCLUSIVE


def _doubted(judged: Judged, why: str) -> Judged:
    """The same, no longer shown either way."""
    return replace(judged, verdict=Verdict.INCONCLUSIVE, reason=f"{judged.reason}; {why}", proven_ns=None)


def _as_far_as_no_memory(evidence: Evidence, demand: Expectation, judged: Judged) -> Judged:
    """Out of run mode a controller that alone tells of an output says what its memory holds: on is not shown by it. It
    may be out of run mode for a while after it was told to run."""
    if evidence.scenario.how != "mode" or not evidence.rig.tells_memory(demand.point):
        return judged
    if demand.phase != "during" and not _rests_on_memory(evidence, demand, judged):
        return judged
    before = evidence.before(demand.judged)
    told_on = {
        Verdict.PASS: not _conforms(demand, False, before),
        Verdict.FAIL: not _conforms(demand, True, before),
    }
    if not told_on.get(judged.verdict):
        return judged
    return _doubted(judged, "out of run mode that may be its memory, the terminal off: give it a `terminal:`")


def _rests_on_memory(evidence: Evidence, demand: Expectation, judged: Judged) -> bool:
    """Whether a demand of the time after it is decided by what read on out of run mode, and on, until the program was
    seen to run again: on in time that may have been memory, or on for too long. What comes on later comes of a scan."""
    assert evidence.restored is not None
    restored, window = evidence.restored, demand.window
    reads = evidence.reads(demand.judged)
    later = reads.inside(restored.not_after_ns, evidence.watch_end_ns)
    if not reads.value_until(restored.not_before_ns) or bool((later.value[1:] > later.value[:-1]).any()):
        return False
    runs_ns = run_mode_shown_ns(evidence.rig, evidence.builder, restored)
    if judged.verdict is Verdict.PASS:
        limit = window.not_after_ns if window is not None and demand.start == "restored" else None
        return limit is not None and runs_ns > restored.not_before_ns + limit
    on = later.late[later.value != 0]
    if demand.kind is ExpectationKind.IS:
        return window is not None and not (len(on) and on[-1] > runs_ns)
    return not len(on) or int(on[-1]) - runs_ns < demand.longer_than_ns


def _as_far_as_shown(
    evidence: Evidence, demand: Expectation, judged: Judged, seen: OutputSeen, powered: bool
) -> Judged:
    """What a dead output may mean beside a controller of which nobody knows whether it has power, and what a dead
    channel may hide (the thought of rule 9): neither way is shown then."""
    if demand.phase == "during" or not evidence.rig.points[demand.judged].is_boolean:
        return judged
    before = evidence.before(demand.judged)
    wants_off, wants_on = (_conforms(demand, value, before) for value in (False, True))
    if judged.verdict is Verdict.FAIL and not powered and wants_on and not wants_off:
        return _doubted(judged, only_its_word(evidence))
    if judged.verdict is Verdict.PASS and wants_off and not wants_on and seen.disagrees and not seen.settled:
        return _doubted(judged, f"but {seen.disagrees}, or the channel is dead and the output is on")
    return judged


def _as_far_as_it_moves(evidence: Evidence, demand: Expectation, judged: Judged, proofs: Proofs) -> Judged:
    """An output that shall be on, whose input read on all the while the supply is proven to have been off for a second
    or more, was not shown to come back: what fed the input then may feed it now (the thought of rule 9)."""
    point = evidence.rig.points[demand.judged]
    if judged.verdict is not Verdict.PASS or demand.kind is not ExpectationKind.IS or demand.phase == "during":
        return judged
    before = evidence.before(demand.judged)
    if not point.is_boolean or not _conforms(demand, True, before) or _conforms(demand, False, before):
        return judged
    if not evidence.rig.is_independent(demand.judged):  # what the controller holds up for a while is no input
        return judged
    off = [(one.fell, one.rose) for one in proofs.supply if one.fell is not None and one.rose is not None]
    for fell, rose in off:
        least_ns, _ = off_time(fell, rose)
        reads = evidence.reads(demand.judged).inside(fell.not_after_ns, rose.not_before_ns)
        if least_ns >= BLIND_NS and len(reads) > 1 and bool(reads.value.all()):
            name = shown(evidence.rig, demand.point)
            return _doubted(
                judged,
                f"but its input read on all through the {about(least_ns)} without supply, so {name} is not shown to "
                "come back: look for a back-feed, a bridge and a stuck input (where it shall stay on without supply, "
                "demand `stays: on`)",
            )
    return judged


def _as_far_as_a_person_says(evidence: Evidence, demand: Expectation, judged: Judged, proofs: Proofs) -> Judged:
    """Late only because somebody said that the supply is on before turning its switch, where nothing reads the supply:
    the controller itself was heard later than that."""
    rig, window = evidence.rig, demand.window
    if (
        judged.verdict is not Verdict.FAIL
        or demand.start != "restored"
        or window is None
        or window.not_after_ns is None
    ):
        return judged
    if "onset_ns" not in judged.figures or rig.supply is None or not rig.supply.by_hand or rig.reads_supply:
        return judged
    assert evidence.restored is not None
    since, came_ns = powered_since(evidence, proofs), judged.figures["onset_ns"][0] + evidence.restored.not_after_ns
    if evidence.scenario.how == "mode" or since is None or came_ns > since + window.not_after_ns:
        return judged
    return _doubted(judged, "but it counts from when somebody said ON, and nothing reads the supply")


def _as_far_as_known(evidence: Evidence, name: str, limit_ns: int, judged: Judged) -> Judged:
    """What is compared with a value from before the cut that was last read too long before it: it may have been another
    one by then, so neither word is shown."""
    age_ns = evidence.age_before_ns(name)
    if age_ns is None or age_ns <= limit_ns or judged.verdict is Verdict.INCONCLUSIVE:
        return judged
    text = (
        f"{shown(evidence.rig, name)} was last read {about(age_ns)} before the cut, so what it was at the cut is not "
        f"known ({judged.reason})"
    )
    return replace(judged, verdict=Verdict.INCONCLUSIVE, reason=text, proven_ns=None)


def _conforms(demand: Expectation, value: bool, before: float | None) -> bool:
    """Whether a state conforms; both do where there is nothing to compare with."""
    if before is None and (demand.wanted.as_before or demand.wanted.change is not None):
        return True
    return demand.wanted.met_by(value, before) != demand.kind.facts.forbids


def _vouched_for(evidence: Evidence) -> Iterator[_About]:
    """What was not read again after the cut vouches for nothing (rule 8)."""
    assert evidence.begins is not None
    rig = evidence.rig
    asked = (
        (FindingKind.DEVICE, "same device as before", "for the device", rig.identify),
        (FindingKind.CHECK_CHANNEL, "check channel holds", "for the independent I/O", rig.check_channels),
        (FindingKind.ONLY_WHILE, "only_while held", "that it went on holding", rig.only_while),
    )
    for kind, expectation, what, conditions in asked:
        for name, _ in conditions:
            if len(evidence.reads(name).inside(evidence.begins.not_before_ns, evidence.end_ns)) == 0:
                channel = "check channel " if kind is FindingKind.CHECK_CHANNEL else ""
                since = evidence.back if evidence.late is None else "the controller was lost"
                text = f"{channel}{shown(rig, name)} was not read after {since}, so nothing vouches {what}"
                if len(evidence.trace(name).seen.inside(evidence.begins.not_before_ns, evidence.end_ns)):
                    text = (
                        f"{channel}{shown(rig, name)} was read after {since}, but none of its reads counts: the "
                        f"program was not seen to run, so nothing vouches {what}"
                    )
                yield _About(kind, name, expectation, Judged(Verdict.INCONCLUSIVE, text), name)


def _same_program(evidence: Evidence, name: str) -> Judged:
    """Another value of a point that identifies the program is a fail."""
    assert evidence.begins is not None
    point = evidence.rig.points[name]
    before = evidence.before(name)
    reads = evidence.reads(name).inside(evidence.begins.not_before_ns, evidence.end_ns)
    if before is None or len(reads) == 0:
        when = "before the cut" if before is None else f"after {evidence.back}"
        seen = evidence.trace(name).seen.inside(evidence.begins.not_before_ns, evidence.end_ns)
        if before is not None and len(seen):
            text = f"{point.shown} was read {when}, but none of its reads counts: the program was not seen to run"
            return Judged(Verdict.INCONCLUSIVE, text)
        return Judged(Verdict.INCONCLUSIVE, f"{point.shown} was not read {when}")
    others = np.flatnonzero(reads.value != before)
    if len(others):
        place = int(others[0])
        values = f"{value_text(point, before)} before, {value_text(point, float(reads.value[place]))} after"
        return Judged(
            Verdict.FAIL, f"the program is another one: {point.shown} read {values}", {}, int(reads.late[place])
        )
    return Judged(Verdict.PASS, f"{point.shown} read {value_text(point, before)} before and after")


def _outputs(evidence: Evidence) -> dict[str, OutputSeen]:
    """What each output of the rig, and each point of an expectation, did."""
    rig, scenario = evidence.rig, evidence.scenario
    names = {point.name: rig.judged_point(point.name) for point in rig.outputs()}
    names |= {demand.point: demand.judged for demand in (*scenario.during, *scenario.after)}
    order = [name for name in rig.points if name in names]
    return {name: output_seen(evidence, name, names[name]) for name in order}


# ---------------------------------------------------------------- the verdict


def _conclude(
    evidence: Evidence,
    proofs: Proofs,
    outputs: Mapping[str, OutputSeen],
    judged: list[_About],
    problems: list[Problem],
) -> CycleJudged:
    """Rule 10: findings, problems, and what stands of the findings."""
    started = evidence.records.started
    findings = [_finding(evidence, _beside(about, problems)) for about in judged]
    for problem in problems:
        error = Judged(Verdict.ERROR, problem.text)
        findings.append(_finding(evidence, _About(FindingKind.VALIDITY, problem.kind, f"valid: {problem.kind}", error)))
    unfinished = _unfinished(evidence)
    if unfinished and not problems:
        open_end = Judged(Verdict.INCONCLUSIVE, unfinished)
        findings.append(_finding(evidence, _About(FindingKind.COMPLETION, "", "all phases done", open_end)))
    verdict = _verdict(findings)
    notes = [seen.disagrees for seen in outputs.values() if seen.disagrees]
    notes += [*contradicted_before(evidence, outputs), *restarted_often(evidence), *wrong_rates(evidence)]
    notes += [*supply_notes(evidence), *restarted_late(evidence), *silent_again(evidence), *stood_still(evidence)]
    notes += [trouble.text for trouble in evidence.records.troubles if not trouble.error]
    return CycleJudged(
        cycle=started.cycle,
        scenario=started.scenario,
        case=started.case,
        verdict=verdict,
        reason=_reason(verdict, findings),
        marks=as_marks(_taken(evidence)),
        findings=tuple(findings),
        ends_run=any(problem.ends_run for problem in problems),
        outputs=tuple(outputs.values()),
        notes=tuple(notes),
        figures=_figures(evidence, proofs),
        not_tested=() if judged else _demanded(evidence.scenario),
    )


def _demanded(scenario: Scenario) -> tuple[str, ...]:
    """The points of which a scenario demands something."""
    points = [demand.point for demand in (*scenario.during, *scenario.after)] + [gap.then for gap in scenario.gaps]
    return tuple(dict.fromkeys(points))


def _taken(evidence: Evidence) -> dict[str, Bounds]:
    """The marks, without those that rest on a command which was not taken: the supply may still be off."""
    refused = _was_refused(evidence)
    return {name: mark for name, mark in evidence.marks.items() if not (refused and name in ("restored", "settled"))}


def _was_refused(evidence: Evidence) -> bool:
    """Whether the command back was not taken: nobody knows when the supply came back."""
    command = switching_of(evidence.records, "restore")
    return command is not None and bool(command.problem)


def _finding(evidence: Evidence, about: _About) -> Finding:
    started, judged = evidence.records.started, about.judged
    return Finding(
        started.scenario, started.case, started.cycle, about.point, about.expectation,
        judged.verdict, judged.reason, judged.figures, about.kind, about.subject,
    )  # fmt: skip


def _beside(about: _About, problems: list[Problem]) -> _About:
    """The judgement as it stands beside the problems of the cycle."""
    judged = about.judged
    if not problems or _stands(judged, problems):
        return about
    figures = {**judged.figures, WITHOUT_THE_ERROR: judged.verdict.value}
    reason = f"not valid ({problems[0].kind}): {judged.reason}"
    return replace(about, judged=Judged(Verdict.ERROR, reason, figures))


def _stands(judged: Judged, problems: list[Problem]) -> bool:
    """True for a deviation that was wholly seen before the earliest instant of every problem, none of which voids
    the whole cycle."""
    if judged.verdict is not Verdict.FAIL or judged.proven_ns is None:
        return False
    return not any(problem.void for problem in problems) and judged.proven_ns < problems[0].at_ns


def _verdict(findings: list[Finding]) -> Verdict:
    """A fail that stands stays one beside errors; else an error makes the cycle one; else the strongest word."""
    return worst((finding.verdict for finding in findings), Verdict.INCONCLUSIVE)


def _stopped(evidence: Evidence) -> bool:
    """A person broke the cycle off: that makes nothing invalid, it only keeps the rest from being shown."""
    return any(trouble.kind == STOPPED for trouble in evidence.records.troubles)


def _broken_off(evidence: Evidence) -> bool:
    """A person broke the question off by which the supply was to come back: nobody knows whether it did."""
    command = switching_of(evidence.records, "restore")
    return command is not None and command.problem == BROKEN_OFF


def _unfinished(evidence: Evidence) -> str:
    """Why the cycle did not go through all its phases; "" where it did."""
    ended = evidence.records.ended
    stopped = next((trouble.text for trouble in evidence.records.troubles if trouble.kind == STOPPED), "")
    if ended is not None and ended.completed:
        return ""
    where = f" in phase {ended.phase}" if ended is not None and ended.phase else ""
    return f"the cycle was not completed{where}" + (f": {stopped}" if stopped else "")


def _reason(verdict: Verdict, findings: list[Finding]) -> str:
    if verdict is Verdict.PASS:
        return f"{counted(len(findings), 'expectation')} shown"
    mine = [finding for finding in findings if finding.verdict is verdict]
    if verdict is Verdict.ERROR:
        mine = [finding for finding in mine if finding.kind is FindingKind.VALIDITY]
    if any(finding.kind is FindingKind.COMPLETION for finding in mine):  # all else comes of that
        mine = [finding for finding in mine if finding.kind is FindingKind.COMPLETION]
    text = some([finding.reason for finding in mine]) or "nothing was cut, so nothing was shown"
    if verdict is Verdict.FAIL:
        errors = [finding.reason for finding in findings if finding.kind is FindingKind.VALIDITY]
        if errors:
            text += f"; after that the test was no longer valid: {some(errors, 1)}"
    return text


def _figures(evidence: Evidence, proofs: Proofs) -> dict[str, Any]:
    """The cycle as a whole: true off time, what the proofs saw of it, retries of the bench's own I/O (rule 11)."""
    records = evidence.records
    retries = sum(write.retries for write in records.writes) + sum(command.retries for command in records.switchings)
    figures: dict[str, Any] = {"retries": retries}
    if evidence.scenario.search is not None:
        figures["off_for_ns"] = records.started.off_for_ns
    if evidence.cut is None or evidence.restored is None:
        return figures
    if not _was_refused(evidence):
        figures |= _off_time_figures(evidence, proofs)
    figures["contact_lost"] = evidence.fate.lost
    if supply_unread(evidence):
        figures["supply_unread"] = True
    figures["not_counted"] = _not_counted(evidence)
    return figures


def _not_counted(evidence: Evidence) -> int:
    """Good replies of the controller after the return that prove nothing (rule 3)."""
    assert evidence.restored is not None
    controller = evidence.rig.controller
    alive = evidence.rig.ready.alive
    if controller is None or alive is None or evidence.rig.points[alive].device != controller.name:
        return 0
    trace = evidence.trace(alive)
    after = trace.sent_ns >= evidence.restored.not_before_ns
    return trace.number(after & ~trace.counts & ~np.isnan(trace.value))


def _off_time_figures(evidence: Evidence, proofs: Proofs) -> dict[str, Any]:
    """The true off time (ns, bounds), and what a supply proof saw of it."""
    assert evidence.cut is not None and evidence.restored is not None
    commanded = off_time(evidence.cut, evidence.restored)
    seen = next((proof for proof in proofs.supply if proof.fell is not None and proof.rose is not None), None)
    if seen is None or seen.fell is None or seen.rose is None:
        return {"off_time_ns": list(commanded)}
    read = off_time(seen.fell, seen.rose)
    by = shown(evidence.rig, seen.proof.point or "")
    return {"off_time_ns": list(narrowest(commanded, read)), "off_time_seen_ns": list(read), "off_time_seen_by": by}
