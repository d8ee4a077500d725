"""What makes a cycle not valid (rule 8), apart from the proofs of the cut: wrong devices, broken check channels,
stuck command points, lost conditions, and what the bench itself met with."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from restart_bench.evidence import Evidence, Problem
from restart_bench.marks import switching_of
from restart_bench.reasons import about, shown, value_text, wanted_text
from restart_bench.records import PointWritten
from restart_bench.rig import Point, Wanted
from restart_bench.traces import BLIND_NS, conforming, long_gaps

STUCK_AFTER_NS = 500_000_000
"""How long a point may take to be read in idle after it was put back."""
PULSE_SEEN_NS = 1_000_000_000
"""How long after a check pulse its read may come."""
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
    for one in evidence.records.troubles:
        if one.error and one.kind != STOPPED:
            yield Problem(one.kind, one.text, one.at_ns, one.kind in VOIDING, one.kind in ENDING)


def _steps_before(evidence: Evidence) -> Iterator[Problem]:
    for step in evidence.records.steps:
        if step.phase == "before" and step.reached is not True:
            why = f": {step.reason}" if step.reason else ""
            text = f"the state before was not reached, so nothing was cut: {step.text}{why}"
            yield Problem("before", text, step.started_ns, void=True)
            return


def _first_broken(evidence: Evidence, name: str, wanted: Wanted) -> tuple[int, str] | None:
    """Earliest instant at which a condition was seen not to hold, and what was read."""
    reads = evidence.reads(name).until(evidence.end_ns)
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
        broken = _first_broken(evidence, name, wanted)
        if broken is not None:
            text = f"wrong device: {broken[1]}; look at the address and at what stands there"
            yield Problem("identity", text, broken[0], void=True, ends_run=True)


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
    for start, end in _idle_spans(evidence, point):
        reads = evidence.reads(name).inside(start, end)
        if len(reads) == 0 or int(reads.late[-1]) - start < BLIND_NS:
            continue
        if not bool(conforming(idle, reads.value).any()):
            value = value_text(evidence.rig.points[name], float(reads.value[0]))
            text = (
                f"{point.shown} is stuck out of idle: {shown(evidence.rig, name)} read {value} for "
                f"{about(int(reads.late[-1] - reads.early[0]))}; look at the button and its wiring"
            )
            return Problem("stuck", text, int(reads.early[0]), void=True)
    return None


def _idle_spans(evidence: Evidence, point: Point) -> Iterator[tuple[int, int]]:
    """Spans in which the point should be in idle: all but those from a write out of idle to the write back.

    A point that people work is only known to be stuck where it was never in idle.
    """
    if point.by_hand:
        yield evidence.records.started.at_ns, evidence.end_ns
        return
    start: int | None = evidence.records.started.at_ns
    for write in _writes(evidence, point.name):
        out_of_idle = write.value != point.idle
        if out_of_idle and start is not None:
            yield start, write.sent_ns
            start = None
        elif not out_of_idle and not write.problem:
            start = write.received_ns + STUCK_AFTER_NS
    if start is not None and start < evidence.end_ns:
        yield start, evidence.end_ns


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


def _commands(evidence: Evidence) -> Iterator[Problem]:
    """Commands to the supply or the mode that were not taken."""
    for purpose, text in (("cut", "the command to cut"), ("restore", "the command to restore")):
        command = switching_of(evidence.records, purpose)
        if command is not None and command.problem:
            yield Problem("relay", f"{text} was not taken: {command.problem}", command.before_ns, purpose == "cut")
