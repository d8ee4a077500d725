"""Predictions as plain data, for `--json`, and as lines for people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from restart_bench.model.program import Program
from restart_bench.model.units import show_duration
from restart_bench.predict.editions import ChangedAnswer, side_by_side
from restart_bench.predict.engine import Answer
from restart_bench.predict.proving.parts import COLD, DARK, HELD, MODE, REST, SUPPLY, WARM
from restart_bench.predict.traces import Cut, Hold, Trace
from restart_bench.predict.why import Why, decided_words, does, show_cure

COLUMNS = {(SUPPLY, WARM): "loss of supply", (MODE, WARM): "mode change", (SUPPLY, COLD): "cold start"}
BESIDE = ((SUPPLY, WARM), (MODE, WARM))  # what editions are shown beside each other for


# ---------------------------------------------------------------- data


def documents(program: Program, answers: Iterable[Answer], whys: Mapping[Any, Why]) -> list[dict[str, Any]]:
    """One object for each output, restart, start and kind of inputs. A mode change with a cold start is the same as a
    loss of supply with one: memory takes its initial values either way."""
    told: list[dict[str, Any]] = []
    for answer in answers:
        told.append(answer_document(program, answer, whys.get(answer.key)))
        if answer.start == COLD and answer.restart == SUPPLY:
            told.append(told[-1] | {"restart": MODE})
    return told


def answer_document(program: Program, answer: Answer, why: Why | None) -> dict[str, Any]:
    """One answer."""
    played = answer.played
    return {
        "point": answer.point,
        "restart": answer.restart,
        "start": answer.start,
        "inputs": answer.inputs,
        "settles": answer.settles,
        "can_pulse": answer.can_pulse,
        "comes_on_after_ns": answer.coming[1] or None,
        "pulse_scans": answer.pulse_scans,
        "first_scan": answer.first_scan,
        "confirmed": answer.confirmed,
        "because": why.because if why is not None else None,
        "decided_by": decided_words(why, program) if why is not None else None,
        "cure": [show_cure(change, program) for change in why.cure] if why is not None else None,
        "trace": trace_document(played.trace) if played is not None else None,
    }


def trace_document(trace: Trace) -> dict[str, Any]:
    """A trace as plain data."""
    return {
        "before": [_step(step) for step in trace.steps],
        "cut": _step(trace.cut),
        "after": [dict(held) for held in trace.after],
    }


def _step(step: Hold | Cut) -> dict[str, Any]:
    if isinstance(step, Cut):
        told = {"cut": step.restart, "start": step.start, "after_rungs": step.rungs, "inputs": dict(step.inputs)}
    else:
        told = {"hold": dict(step.inputs), "scans": step.scans or "until nothing moves"}
    return told | ({"write": dict(step.writes)} if step.writes else {})


# ---------------------------------------------------------------- lines


def table_lines(answers: Sequence[Answer], labels: Mapping[str, str] | None = None) -> Iterator[str]:
    """What each output does at rest, one column for each restart."""
    restarts = [one for one in COLUMNS if any((a.restart, a.start) == one for a in answers)]
    rows = [["", *(COLUMNS[one] for one in restarts)]]
    for point in dict.fromkeys(answer.point for answer in answers):
        found = {(a.restart, a.start): a for a in answers if a.point == point and a.inputs == REST}
        rows.append([_label(point, labels), *(_cell(found[one]) if one in found else "" for one in restarts)])
    yield from _aligned(rows)


def whys_told(answers: Sequence[Answer], whys: Mapping[Any, Why]) -> dict[str, list[str]]:
    """Why, for each answer at rest that was explained, with the restarts after which it is so: each is said once."""
    said: dict[str, list[str]] = {}
    for answer in answers:
        why = whys.get(answer.key)
        if why is not None and answer.inputs == REST:
            said.setdefault(why.because, []).append(COLUMNS[answer.restart, answer.start])
    return said


def edition_lines(editions: Mapping[str, Sequence[Answer]], labels: Mapping[str, str] | None = None) -> Iterator[str]:
    """A block for each output: a row for each edition, a column for each restart, so that any number of editions fits
    on a screen."""
    found = side_by_side(editions)
    rows: list[list[str]] = []
    for point in dict.fromkeys(key[0] for key in found):
        rows.append([_label(point, labels), *(COLUMNS[one] for one in BESIDE)])
        for number, name in enumerate(editions):
            told = [found.get((point, *one, REST)) for one in BESIDE]
            rows.append([f"  {name}", *(_cell(answers[number] if answers else None) for answers in told)])
    for line, (head, *_) in zip(_aligned(rows), rows, strict=True):
        yield from ([""] if not head.startswith("  ") else [])
        yield line


def _cell(answer: Answer | None) -> str:
    return does_when(answer) if answer is not None else "no such output"


def does_when(answer: Answer) -> str:
    """What an output does, and how long after the start of the program where that is later than its first scan."""
    _, after_ns = answer.coming
    return f"{does(answer)} after {show_duration(after_ns)}" if after_ns else does(answer)


def tells_times(editions: Mapping[str, Sequence[Answer]]) -> bool:
    """True where `edition_lines` says how long after the start of the program something comes on."""
    told = (answer for answers in editions.values() for answer in answers if answer.inputs == REST)
    return any(answer.coming[1] and (answer.restart, answer.start) in BESIDE for answer in told)


def difference_lines(found: Sequence[ChangedAnswer], labels: Mapping[str, str] | None = None) -> Iterator[str]:
    """What an edit changed, one line for each answer: first where it comes to rest otherwise, there the inputs at rest
    first; then what differs in its first scan alone."""
    lines = []
    for one in found:
        point, restart, start, inputs = one.key
        old, new = (_done(answer, inputs) for answer in (one.old, one.new))
        alike = old == new
        if alike:
            old, new = (with_first_scan(word, answer) for word, answer in ((old, one.old), (new, one.new)))
        given = "inputs at rest" if inputs == REST else f"a command {HELD}" if inputs == HELD else inputs
        lines.append(
            (alike, inputs != REST, f"{_label(point, labels)}, {COLUMNS[restart, start]}, {given}: {old} -> {new}")
        )
    yield from (line for *_, line in sorted(lines, key=lambda one: one[:2]))


def _done(answer: Answer | None, inputs: str) -> str:
    """What an output does; where a command is given it is that which may bring it on, nothing comes back."""
    if answer is None:
        return "no such output"
    if answer.settles != "depends" or inputs not in (HELD, DARK):
        return does(answer)
    return MAY_BE_ON if answer.confirmed else f"{MAY_BE_ON} (not confirmed)"


def with_first_scan(word: str, answer: Answer | None) -> str:
    """What an output does, with what it is in the first scan, or when it comes on: where two answers differ in nothing
    else."""
    assert answer is not None
    _, after_ns = answer.coming
    if after_ns:
        return f"{word}, {show_duration(after_ns)} after the program starts"
    return f"{word}, {_FIRST_SCAN[answer.first_scan]}"


MAY_BE_ON = "may be on"
_FIRST_SCAN = {
    "depends": "can be on in the first scan",
    "on": "on in the first scan",
    "off": "later than the first scan",
    None: "first scan not decided",
}


def _label(point: str, labels: Mapping[str, str] | None) -> str:
    return (labels or {}).get(point, point)


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
