"""The function check, judged again from the reads: a missed step is a fail where it was seen to be missed."""

from __future__ import annotations

from collections.abc import Iterator

from restart_bench.evidence.evidence import Evidence, Judged
from restart_bench.evidence.marks import Held, held_spans, held_together
from restart_bench.evidence.traces import long_gaps
from restart_bench.model.clock import BLIND_NS
from restart_bench.model.journal import StepDone
from restart_bench.model.scenario import ByEye, Expect, Step, Wait
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import shown, some, value_text


def judge_steps(evidence: Evidence) -> Iterator[tuple[str, Judged]]:
    """A finding for each step of the function check: how it is called, and what became of it."""
    done = {step.index: step for step in evidence.records.steps if step.phase == "function check"}
    for step in evidence.scenario.function_check:
        record = done.get(step.index)
        if record is None:
            blocked = any(earlier.reached is None for earlier in done.values())
            why = "a step before it could not be done" if blocked else "the cycle ended before"
            yield step.text, Judged(Verdict.INCONCLUSIVE, f"{step.text}: not done, {why}")
        else:
            yield step.text, _judge_step(evidence, step, record)


def _judge_step(evidence: Evidence, step: Step, record: StepDone) -> Judged:
    if record.reached is True and isinstance(step.action, Expect):
        return _came(evidence, step, step.action, record)
    if record.reached is True:
        return Judged(Verdict.PASS, f"{step.text}: done")
    why = f": {record.reason}" if record.reason else ""
    if isinstance(step.action, Expect) and record.reached is False:
        return _missed(evidence, step.action, record)
    if isinstance(step.action, ByEye) and record.reached is False:
        return Judged(Verdict.FAIL, f"{step.text}: a person said no{why}", {}, record.ended_ns)
    return Judged(Verdict.INCONCLUSIVE, f"{step.text}: could not be done{why}")


def _came(evidence: Evidence, step: Step, action: Expect, record: StepDone) -> Judged:
    """What was expected came, as the runner saw it: a pass where the reads that count show it, in time and for as long
    as asked."""
    common = _all_held(evidence, action, record)
    limit = record.started_ns + action.within_ns
    if any(
        held.since.not_before_ns <= limit and held.until_ns - held.since.not_after_ns >= action.steady_ns
        for held in common
    ):
        acted = _so_before(evidence, step, action)
        if acted is not None:
            return Judged(
                Verdict.PASS, f"{step.text}: it was so before {acted.text} already, which may have done nothing"
            )
        return Judged(Verdict.PASS, f"{step.text}: it came true")
    return Judged(Verdict.INCONCLUSIVE, f"{step.text}: it came true, but the reads that count do not show it")


def _so_before(evidence: Evidence, step: Step, action: Expect) -> Step | None:
    """The step that was to bring about what is expected, where all of it was read to be so when that began."""
    before = (one for one in evidence.scenario.function_check if one.index < step.index)
    acts = [one for one in before if not isinstance(one.action, Expect | ByEye | Wait)]
    began = {one.index: one.started_ns for one in evidence.records.steps if one.phase == "function check"}
    if not acts or acts[-1].index not in began:
        return None
    for judged, (_, wanted) in zip(action.judged, action.conditions, strict=True):
        value = evidence.reads(judged).value_until(began[acts[-1].index])
        if value is None or not wanted.met_by(value, None):
            return None
    return acts[-1]


def _all_held(evidence: Evidence, action: Expect, record: StepDone) -> list[Held]:
    """Spans of the step in which all conditions held together, as the reads that count show."""
    common: list[Held] | None = None
    for judged, (_, wanted) in zip(action.judged, action.conditions, strict=True):
        reads = evidence.reads(judged).inside(record.started_ns, record.ended_ns)
        spans = held_spans(reads, wanted, record.started_ns)
        common = spans if common is None else held_together(common, spans)
    return common or []


def _missed(evidence: Evidence, action: Expect, record: StepDone) -> Judged:
    """What was expected did not come: a fail where the reads, without a blind second, show that it did not."""
    missed: list[str] = []
    blind = False
    for judged, (name, wanted) in zip(action.judged, action.conditions, strict=True):
        known = evidence.reads(judged)
        reads = known.inside(record.started_ns, record.ended_ns)
        if len(reads) == 0:
            missed.append(f"{shown(evidence.rig, name)} was not read")
            blind = True
            continue
        spans = held_spans(reads, wanted, record.started_ns)
        blind |= bool(long_gaps(known, record.started_ns, record.ended_ns, BLIND_NS + 1))
        if not spans or spans[-1].until_ns != int(reads.early[-1]):
            value = value_text(evidence.rig.points[judged], float(reads.value[-1]))
            missed.append(f"{shown(evidence.rig, name)} read {value}")
    reason = f"function check missed: {some(missed) or record.reason or 'not in time, or not for long enough'}"
    limit = record.started_ns + action.within_ns
    might = [
        span
        for span in _all_held(evidence, action, record)
        if span.since.not_before_ns <= limit and span.until_ns - span.since.not_before_ns >= action.steady_ns
    ]
    if blind or might:
        return Judged(Verdict.INCONCLUSIVE, f"{reason}; the reads do not show that it was missed all through")
    return Judged(Verdict.FAIL, reason, {}, record.ended_ns)
