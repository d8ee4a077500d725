"""What makes a cycle not valid (rule 8), apart from the proofs of the cut: wrong devices, broken check channels,
stuck command points, lost conditions, and what the bench itself met with."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from restart_bench.evidence.evidence import Evidence, Problem
from restart_bench.evidence.marks import switching_of
from restart_bench.evidence.traces import Reads, conforming, long_gaps
from restart_bench.model.clock import BLIND_NS
from restart_bench.model.journal import BROKEN_OFF, PointWritten, StepDone
from restart_bench.model.rig import Point, Wanted
from restart_bench.model.scenario import Expect
from restart_bench.model.wording import about, shown, value_text, wanted_text

STUCK_AFTER_NS = 500_000_000
"""How long a point may take to be read in idle after it was put back."""
OUT_OF_IDLE_NS = 50_000_000
"""How long it must be read out of idle, so that one odd read is no trouble."""
PULSE_SEEN_NS = 1_000_000_000
"""How long after a check pulse its read may come."""
OUTPUT_NS = 10_000_000
"""How long an output may take to move once its write was confirmed."""
STOPPED = "stopped"
VOIDING = frozenset({"identity", "stuck"})
ENDING = frozenset({"identity", "only_while"})


def problems_of(evidence: Evidence) -> list[Problem]:
    """All of them but the proofs', in no order. A kind that the bench itself noted is not found twice."""
    noted = list(_noted(evidence))
    kinds = {problem.kind for problem in noted}
    found = [
        *_steps_before(evidence),
        *_wrong_devices(evidence),
        *_check_channels(evidence),
        *_only_while(evidence),
        *_stuck(evidence),
        *_check_pulse(evidence),
        *_commands(evidence),
    ]
    return noted + [problem for problem in found if problem.kind not in kinds]


def _noted(evidence: Evidence) -> Iterator[Problem]:
    """Troubles of the journal. A person who stops the run makes nothing invalid."""
    for trouble in evidence.records.troubles:
        if trouble.error and trouble.kind != STOPPED:
            yield Problem(trouble.kind, trouble.text, trouble.at_ns, trouble.kind in VOIDING, trouble.kind in ENDING)


def _steps_before(evidence: Evidence) -> Iterator[Problem]:
    for step in evidence.records.steps:
        if step.phase == "before" and step.reached is not True:
            why = f": {step.reason}" if step.reason else ""
            why += _image_says_otherwise(evidence, step)
            text = f"the state before was not reached, so nothing was cut: {step.text}{why}"
            yield Problem("before", text, step.started_ns, void=True)
            return


def _image_says_otherwise(evidence: Evidence, step: StepDone) -> str:
    """A terminal that did not come to what was expected although the controller said so of its output: the wire or
    the channel may be dead (rule 9)."""
    steps = evidence.scenario.before
    action = steps[step.index].action if step.index < len(steps) else None
    images = []
    for (name, wanted), judged in (
        zip(action.conditions, action.judged, strict=True) if isinstance(action, Expect) else ()
    ):
        if judged == name or wanted.as_before or wanted.change is not None:
            continue
        image = evidence.reads(name).inside(step.started_ns, step.ended_ns)
        terminal = evidence.reads(judged).inside(step.started_ns, step.ended_ns)
        missed = len(terminal) and not bool(conforming(wanted, terminal.value).any())
        if missed and len(image) and bool(conforming(wanted, image.value[-1:])[0]):
            value = value_text(evidence.rig.points[name], float(image.value[-1]))
            images.append(f"{shown(evidence.rig, name)} {value}")
    if not images:
        return ""
    return f" (the controller itself says {', '.join(images)}: look at its output, the wire and the input channel)"


def _first_broken(evidence: Evidence, name: str, wanted: Wanted) -> tuple[int, str] | None:
    """Earliest instant at which a condition was seen not to hold, and what was read."""
    return _broken_in(evidence, name, wanted, evidence.reads(name).until(evidence.end_ns))


def _seen_wrong_last(evidence: Evidence, name: str, wanted: Wanted) -> tuple[int, str] | None:
    """The same of the last read before the cut, whether it counts or not: what was read wrong was not to be cut."""
    if evidence.cut is None:
        return None
    return _broken_in(evidence, name, wanted, evidence.trace(name).seen.before(evidence.cut.not_before_ns))


def _broken_in(evidence: Evidence, name: str, wanted: Wanted, reads: Reads) -> tuple[int, str] | None:
    """The same of these reads."""
    broken = np.flatnonzero(~conforming(wanted, reads.value))
    if len(broken) == 0:
        return None
    place = int(broken[0])
    earliest = int(reads.early[place - 1]) if place else int(reads.early[0])
    point = evidence.rig.points[name]
    value = value_text(point, float(reads.value[place]))
    return earliest, f"{shown(evidence.rig, name)} read {value}, not {wanted_text(point, wanted)}"


def _wrong_devices(evidence: Evidence) -> Iterator[Problem]:
    for name, wanted in evidence.rig.identify:
        broken = _first_broken(evidence, name, wanted) or _seen_wrong_last(evidence, name, wanted)
        if broken is not None:
            text = f"wrong device: {broken[1]}; look at the address and at what stands there"
            yield Problem("identity", text, broken[0], void=True, ends_run=True)
        elif evidence.cut is not None and evidence.trace(name).seen.last_until(evidence.cut.not_before_ns) is None:
            text = f"{shown(evidence.rig, name)} of `identify` was not read before the cut: any device may stand there"
            yield Problem("identity", text, evidence.records.started.at_ns, void=True, ends_run=True)


def _check_channels(evidence: Evidence) -> Iterator[Problem]:
    for name, wanted in evidence.rig.check_channels:
        broken = _first_broken(evidence, name, wanted)
        if broken is not None:
            text = f"the independent I/O can't be trusted, its check channel is wrong: {broken[1]}"
            yield Problem("check channel", text, broken[0], void=True)


def _only_while(evidence: Evidence) -> Iterator[Problem]:
    """A condition that does not hold, or was not read for a second, is lost."""
    for name, wanted in evidence.rig.only_while:
        broken = _first_broken(evidence, name, wanted)
        if broken is not None:
            yield Problem("only_while", f"`only_while` was lost: {broken[1]}", broken[0], ends_run=True)
            continue
        reads = evidence.reads(name)
        start = int(reads.early[0]) if len(reads) else evidence.records.started.at_ns
        for begin, end in long_gaps(reads, start, evidence.end_ns, BLIND_NS + 1)[:1]:
            text = f"`only_while` was lost: {shown(evidence.rig, name)} was not read for {about(end - begin)}"
            yield Problem("only_while", text, begin, ends_run=True)


# ---------------------------------------------------------------- command points


def _stuck(evidence: Evidence) -> Iterator[Problem]:
    """A command point, or its sense input, that stays out of idle although it was put back (or never moved)."""
    for point in evidence.rig.points.values():
        if point.idle is None or not (point.writable or point.by_hand):
            continue
        for name in (point.name, point.terminal):
            if name is None or name not in evidence.rig.points:
                continue
            found = _stuck_span(evidence, point, name)
            if found is not None:
                yield found
                break


def _stuck_span(evidence: Evidence, point: Point, name: str) -> Problem | None:
    assert point.idle is not None
    idle = Wanted(equals=point.idle)
    for start, end, put_back in _idle_spans(evidence, point):
        reads = evidence.reads(name).inside(start, end)
        met = conforming(idle, reads.value)
        if not put_back and not bool(met.any()):
            # It may have been left so by an earlier scenario: only a point that stays so all the time is stuck.
            if len(reads) and int(reads.late[-1]) - start >= BLIND_NS:
                return _out_of_idle(evidence, point, name, reads, "is stuck out of idle")
            continue
        first = 0 if put_back else int(np.flatnonzero(met)[0])
        out = first + np.flatnonzero(~met[first:])
        if len(out) == 0 or point.by_hand:
            continue
        low = int(out[0])
        back = np.flatnonzero(met[low:])
        part = reads.part(low, low + int(back[0]) if len(back) else len(reads))
        if int(part.early[-1]) - int(part.late[0]) >= OUT_OF_IDLE_NS:
            why = "did not stay in idle" if bool(met[:low].any()) else "is stuck out of idle"
            return _out_of_idle(evidence, point, name, part, why)
    return None


def _out_of_idle(evidence: Evidence, point: Point, name: str, reads: Reads, why: str) -> Problem:
    value = value_text(evidence.rig.points[name], float(reads.value[0]))
    moved = bool(_writes(evidence, point.name))
    wrong = f"; where it rests so, `idle: {value_text(point, float(point.idle or 0))}` is wrong"
    cure = f"{'' if moved else wrong}; `restart-bench park` writes its idle"
    text = (
        f"{point.shown} {why}: {shown(evidence.rig, name)} read {value} for "
        f"{about(int(reads.late[-1] - reads.early[0]))}, {evidence.moment(int(reads.late[0]))}, although the bench "
        f"{'had left it in idle' if moved else 'never moved it'}; look at the button, its wiring and supply, at its "
        f"address, and for others who write it{cure if point.writable else ''}"
    )
    return Problem("stuck", text, int(reads.early[0]), void=True)


def _idle_spans(evidence: Evidence, point: Point) -> Iterator[tuple[int, int, bool]]:
    """Spans in which the point should be in idle, and whether the bench put it there: all but those from a write out
    of idle to the write back.

    A point that people work is only known to be stuck where it was never in idle.
    """
    if point.by_hand:
        yield evidence.records.started.at_ns, evidence.end_ns, False
        return
    start: int | None = evidence.records.started.at_ns
    put_back = False
    for write in _writes(evidence, point.name):
        out_of_idle = write.value != point.idle
        if out_of_idle and start is not None:
            yield start, write.sent_ns, put_back
            start = None
        elif not out_of_idle and not write.problem:
            if start is not None:
                yield start, write.sent_ns, put_back
            start, put_back = write.received_ns + STUCK_AFTER_NS, True
    pressed = [one.at_ns for one in evidence.records.unanswered if one.point == point.name]
    end_ns = min([evidence.end_ns, *pressed])
    if start is not None and start < end_ns:
        yield start, end_ns, put_back


def _writes(evidence: Evidence, name: str) -> list[PointWritten]:
    return [write for write in evidence.records.writes if write.point == name]


def _check_pulse(evidence: Evidence) -> Iterator[Problem]:
    """The bench shows in every cycle that it would have seen such a pulse."""
    pulse = evidence.rig.check_pulse
    if pulse is None or evidence.cut is None:
        return
    given = [write for write in _writes(evidence, pulse.write) if write.purpose == "check pulse"]
    length = about(pulse.length_ns)
    if not given:
        yield Problem("check pulse", f"no check pulse of {length} was given", evidence.records.started.at_ns)
        return
    start, end = given[0].sent_ns, given[-1].received_ns + PULSE_SEEN_NS
    reads = evidence.reads(pulse.read).until(min(end, evidence.end_ns))
    name = shown(evidence.rig, pulse.read)
    if reads.value_until(start) == float(given[0].value):
        yield Problem("check pulse", f"{name} was on before the check pulse began, so it shows nothing", start)
        return
    shown_on = (reads.value == float(given[0].value)) & (reads.late > start)
    if not bool(shown_on.any()):
        text = f"the check pulse of {length} was not seen at {name}, so such a pulse at an output may be missed as well"
        yield Problem("check pulse", text, start)
        return
    old_ns = older_copy_ns(evidence)
    if old_ns:
        text = (
            f"the I/O answers from an older copy (at least {about(old_ns)} older than the rig file says): {name} told "
            "of the check pulse later than an output, `input_delay` and `image_lag` explain, and all that was read "
            "there may be as old; see what copies or filters its inputs, or give the device an `image_lag` that covers "
            "it"
        )
        yield Problem("check pulse", text, start, void=True)


def older_copy_ns(evidence: Evidence) -> int:
    """By how much the answers at the check pulse's input were surely older than the rig file says; 0: nothing shows
    that. What was asked for after a write was confirmed, and answers with the state from before it, is old: so the gap
    between two reads makes nothing older."""
    pulse = evidence.rig.check_pulse
    if pulse is None:
        return 0
    reads, oldest_ns = evidence.reads(pulse.read).until(evidence.end_ns), 0
    for write in _writes(evidence, pulse.write):
        if write.purpose != "check pulse" or write.problem:
            continue
        told = np.flatnonzero((reads.value == float(write.value)) & (reads.late > write.sent_ns))
        if len(told) == 0 or reads.late[told[0]] > write.received_ns + PULSE_SEEN_NS or told[0] == 0:
            continue
        oldest_ns = max(oldest_ns, int(reads.early[told[0] - 1]) - write.received_ns - OUTPUT_NS)
    return oldest_ns


def _commands(evidence: Evidence) -> Iterator[Problem]:
    """Commands to the supply or the mode that were not taken."""
    for purpose, text in (("cut", "the command to cut"), ("restore", "the command to restore")):
        command = switching_of(evidence.records, purpose)
        if command is not None and command.problem not in ("", BROKEN_OFF):
            yield Problem("relay", f"{text} was not taken: {command.problem}", command.before_ns, purpose == "cut")
