"""Archived runs, their soundness, trends and comparisons, as people read them on a console."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from restart_bench.model.verdicts import EXIT_STOPPED, GLOSS, NOT_COMPLETE, Verdict, console_style
from restart_bench.model.wording import bounds_text, case_name, counted, hanging, listed, without_controls
from restart_bench.report.record.text import shortened

if TYPE_CHECKING:
    from rich.console import Console

    from restart_bench.archive.drifts import DriftRow
    from restart_bench.archive.queries import RunRow, TrendRow
    from restart_bench.archive.soundness import Verified
    from restart_bench.compare.comparison import Comparison, Difference, NotCompared
    from restart_bench.compare.edits import Edit, OutputChange

_GAP, _BELOW = "  ", "    "  # of the list of runs: between its columns, before a second line
_SHORTEST_RIG = 8
_MOST_OTHERS = 6
_TITLES = ("WORSE", "different", "NOT SHOWN", "better")
_HUNK = re.compile(r"@@ -(\d+)(?:,(\d+))? \+(\d+)(?:,(\d+))? @@")
_WORDS = {verdict.value: verdict for verdict in Verdict}


def print_runs(rows: Sequence[RunRow], console: Console) -> None:
    """A line a run, a second one where it has more to say than has room; what is not closed or damaged says why."""
    if not rows:
        console.print("no runs yet: make one with `restart-bench run`", markup=False)
        return
    rigs = [without_controls(row.rig) for row in rows]
    verdicts = [Text("nothing cut", style="dim") if row.rehearsal else verdict_text(_word_of(row)) for row in rows]
    wide = {
        "run": max(cell_len(row.id) for row in rows),
        "kind": max(cell_len(word) for word in ("kind", *(row.kind for row in rows))),
        "verdict": max(cell_len(word) for word in ("verdict", *(one.plain for one in verdicts))),
    }
    room = max(_SHORTEST_RIG, console.width - sum(wide.values()) - 3 * len(_GAP))
    wide["rig"] = min(room, max(cell_len(word) for word in ("rig", *rigs)))
    for head in ("run", "rig", "kind", "verdict"):
        console.print(Text(set_cell_size(head, wide[head]) + _GAP, style="bold"), end="")
    console.print(Text("cycles", style="bold"), soft_wrap=True)
    left = console.width - sum(wide.values()) - 4 * len(_GAP)
    for row, rig, verdict in zip(rows, rigs, verdicts, strict=True):
        beside, below = _placed(_told_of(row), left, console.width - len(_BELOW))
        shown = rig if cell_len(rig) <= wide["rig"] else set_cell_size(rig, wide["rig"] - 1) + "…"
        line = Text(_GAP.join((set_cell_size(row.id, wide["run"]), set_cell_size(shown, wide["rig"]))) + _GAP)
        line.append(set_cell_size(row.kind, wide["kind"]) + _GAP).append(verdict)
        if beside:
            line.append(" " * (wide["verdict"] - verdict.cell_len) + _GAP + beside)
        console.print(line, soft_wrap=True)
        if below:
            console.print(Text(_BELOW + below), soft_wrap=True)
    _print_gloss(console, [_word_of(row) for row in rows if not row.rehearsal])
    console.print("as run.json says; not verified: see `restart-bench logs verify`", style="dim", markup=False)


def _told_of(row: RunRow) -> list[str]:
    """What the list says of a run behind its verdict; that it was completed goes without saying."""
    cycles = listed(f"{count} {word}" for word, count in (row.cycles or {}).items() if count)
    ended = row.how if row.state == "closed" else row.state
    if row.reason:
        ended = row.reason if row.reason.startswith(ended) else f"{ended}: {row.reason}"
    told = (
        "" if row.rehearsal else cycles,
        f"survey, {row.survey}" if row.survey else "rehearsal" if row.rehearsal else "",
        "" if ended == "completed" else ended,
        "" if row.reason or row.rehearsal else row.because,
    )
    return [without_controls(text) for text in told if text]


def _placed(told: list[str], beside: int, below: int) -> tuple[str, str]:
    """The texts in at most two lines: as many beside the verdict as have room there, the others below."""
    first = len(told)
    while first and cell_len("; ".join(told[:first])) > beside:
        first -= 1
    return "; ".join(told[:first]), shortened("; ".join(told[first:]), below)


def _word_of(row: RunRow) -> str:
    """As the run's own last line calls it: one that a person stopped has no verdict but a fail that was shown."""
    return NOT_COMPLETE if row.exit_code == EXIT_STOPPED else row.verdict


def _print_gloss(console: Console, words: Sequence[str]) -> None:
    shown = [_WORDS[word] for word in dict.fromkeys(words) if word in _WORDS]
    if shown:
        console.print("; ".join(f"{one.value}: {GLOSS[one]}" for one in shown), style="dim", markup=False)


def verdict_text(word: str) -> Text:
    """The word in its style, empty where there is none."""
    verdict = _WORDS.get(word)
    style = Verdict.ERROR if word == NOT_COMPLETE else verdict
    return Text(word, style=console_style(style) if style is not None else "")


def verified_lines(verified: Verified) -> Iterator[str]:
    """Whether a run is as it was closed, and what is not."""
    from restart_bench.archive.files import run_id_of

    folder = run_id_of(verified.folder)
    if not verified.closed and not verified.mixed:
        why = "the bench was killed, its rig is still to be put right, or the run goes on"
        yield f"{folder}: not closed, so it has no sums ({why})"
        return
    if verified.sound:
        yield f"{folder}: sound, {verified.checked} files as they were closed"
        return
    yield f"{folder}: NOT AS IT WAS CLOSED"
    for what, names in (("altered", verified.altered), ("lost", verified.lost), ("added", verified.added)):
        yield from (f"  {what}: {without_controls(name)}" for name in names)
    yield from (f"  {without_controls(text)}" for text in verified.mixed)


def print_trend(rows: Sequence[TrendRow], console: Console) -> None:
    """Fail rate and boot time, a line a row; a rig's name has a line of its own above, so that it is whole."""
    if not rows:
        console.print("no judged cycles yet", markup=False)
        return
    lines = [("period", "kind", "fail rate", "boot")]
    for row in rows:
        rate = "-" if row.fail_rate is None else f"{row.fail_rate * 100:.1f} %"
        boot = "-"
        if row.boot_from_s is not None and row.boot_to_s is not None:
            boot = f"{row.boot_from_s:.3f} .. {row.boot_to_s:.3f} s"
        lines.append((row.period, "simulated" if row.simulated else "real", rate, boot))
    wide = [max(map(len, column)) for column in zip(*lines, strict=True)]
    heads, *shown = (_GAP + _GAP.join(map(str.ljust, line, wide)) for line in lines)
    console.print(Text(f"{heads}{_GAP}cycles", style="bold"), soft_wrap=True)
    rig = ""
    for row, line in zip(rows, shown, strict=True):
        if row.rig != rig:
            rig = row.rig
            console.print(Text(without_controls(rig), style="bold"), soft_wrap=True)
        counts = (row.passed, row.inconclusive, row.failed, row.errors)
        told = [f"{count} {verdict.value}" for count, verdict in zip(counts, Verdict, strict=True) if count]
        beside, below = _placed([listed(told) or "0"], console.width - len(line + _GAP), console.width - len(_BELOW))
        console.print(Text(f"{line}{_GAP}{beside}" if beside else f"{line}\n{_BELOW}{below}"), soft_wrap=True)
    console.print(
        "boot: median from the restored supply to ready where the controller restarted, with bounds",
        style="dim",
        markup=False,
    )


def drift_lines(rows: Sequence[DriftRow], width: int) -> Iterator[str]:
    """Which rigs, programs and controllers get slower or faster from cycle to cycle, and over how many it was asked."""
    sure = [row for row in rows if row.is_sure]
    for row in sure:
        rig = f"{row.rig} (simulated)" if row.simulated else row.rig
        tested = ", ".join(part for part in (rig, row.program, row.controller) if part)
        low, high = row.drift.low, row.drift.high
        if high < 0:
            low, high = -high, -low
        moves = f"{bounds_text((round(low), round(high)))} {'shorter' if row.drift.high < 0 else 'longer'} a cycle"
        case = case_name(row.scenario, row.case)
        over = f"over {counted(row.boots, 'boot')} in {counted(row.runs, 'run')}"
        yield from hanging("drifts:", without_controls(f"{tested}: boot gets {moves} ({case}, {over})"), width, 8)
    if rows and not sure:
        yield f"no boot time drifts, of {counted(len(rows), 'case')} by rig, program and controller"


# ---------------------------------------------------------------- comparison


def comparison_lines(comparison: Comparison, width: int, edit: Edit | None = None) -> list[str]:
    """What changed, the worse first; what could not be compared; what chance can explain; the diffs of the files, the
    program's with what its edit changes."""
    return [without_controls(line) for line in _comparison(comparison, width, edit)]


def _comparison(comparison: Comparison, width: int, edit: Edit | None) -> Iterator[str]:
    yield f"{comparison.baseline} (baseline) against {comparison.run}"
    yield from hanging("program:", _program(comparison), width, 9)
    if not comparison.differences:
        apart = "; what lies apart below has too few cycles to be called one" if comparison.apart else ""
        yield f"No difference was shown{apart}."
    titled = [(_title(difference), difference) for difference in comparison.differences]
    for title in _TITLES:
        for difference in (one for told, one in titled if told == title):
            yield from hanging(f"{title}:", difference.text, width, 11)
    if comparison.apart:
        yield "Side by side (too few cycles to call it a difference):"
        shown = [one for one in comparison.apart if one.mark in ("", "ready")] or comparison.apart[:1]
        for one in shown:  # few look for the times on the way to ready beside it
            yield from hanging(" ", one.text, width, 2)
        if more := len(comparison.apart) - len(shown):
            yield f"  {counted(more, 'more time')} on the way to ready: see --json"
    for text in _by_reason(comparison.not_compared):
        yield from hanging("not compared:", text, width, 14)
    for text in comparison.notes:
        yield from hanging("note:", text, width, 6)
    for name, diff in comparison.diffs.items():
        if edit is not None and name in (edit.new, f"{edit.old} -> {edit.new}"):
            yield from edit_lines(diff, edit, width)
        else:
            yield from diff.splitlines()


def _title(difference: Difference) -> str:
    if difference.unshown is not None:
        return "NOT SHOWN"
    return {True: "WORSE", False: "better", None: "different"}[difference.worse]


def _by_reason(left_out: Sequence[NotCompared]) -> Iterator[str]:
    """What could not be compared, each reason once, with the number of times that it holds for; a scenario that is in
    one run only says so for its cases too."""
    found: dict[str, list[str]] = {}
    times: dict[str, Counter[str]] = {}
    only = {one.scenario for one in left_out if one.kind == "scenario"}
    for one in left_out:
        if one.kind == "time":
            times.setdefault(one.reason, Counter())[case_name(one.scenario, one.case)] += 1
        elif one.kind != "case" or one.scenario not in only:
            found.setdefault(one.reason, []).append(one.what)
    for reason, places in times.items():
        spread = listed(f"{count} of {place}" for place, count in places.items())
        yield f"{reason}: {counted(places.total(), 'time')}, {spread} (each by name: see --json)"
    for reason, whats in found.items():
        yield f"{reason}: {listed(whats)}"


def _program(comparison: Comparison) -> str:
    before, after = comparison.program
    if comparison.program_changed is None:
        return "not known in both runs, so nobody can say whether it changed"
    return f"changed, {before} -> {after}" if comparison.program_changed else f"the same, {after}"


# ---------------------------------------------------------------- the edit of a program


def edit_lines(diff: str, edit: Edit, width: int) -> Iterator[str]:
    """The diff of a program, with the outputs that restart otherwise, as the models behave: each below the last hunk
    that has a part in it, for all of them may be needed for it."""
    hunks = list(_hunks(diff))
    last = {
        change: max((n for n, hunk in enumerate(hunks) if _touches(hunk, change)), default=-1)
        for change in edit.changes
    }
    for number, hunk in enumerate(hunks):
        yield from hunk
        yield from _changed_here([change for change in edit.changes if last[change] == number], edit, width)
    yield from _changed_here([change for change in edit.changes if last[change] < 0], edit, width)
    told = f"as {edit.editions[0]} and {edit.editions[1]} behave"
    if edit.missing:
        yield from hanging(">", f"what this edit changes, {told}: {edit.missing}", width, 2)
    elif not edit.changes and not edit.others:
        yield from hanging(">", f"{told}, this edit changes no output's restart", width, 2)
    if edit.others:
        yield from hanging(">", f"{told}, this edit changes with other inputs:", width, 2)
    for line in edit.others[:_MOST_OTHERS]:
        yield from hanging("", line, width, 4)
    if len(edit.others) > _MOST_OTHERS:
        yield f"    and {len(edit.others) - _MOST_OTHERS} more: see `restart-bench predict --against`"


def _changed_here(changes: Sequence[OutputChange], edit: Edit, width: int) -> Iterator[str]:
    if not changes:
        return
    outputs = listed(dict.fromkeys(change.label for change in changes))
    yield from hanging(
        ">", f"as the program models behave, this changes {outputs} (inputs at rest after the restart):", width, 2
    )
    for change in changes:
        yield from hanging(f"    {change.restart}", f"{change.label}: {change.before} -> {change.after}", width, 20)
        for edition, because in zip(edit.editions, (change.why_before, change.why_after), strict=True):
            if because:
                yield from hanging("", f"as {edition} behaves: {because}", width, 20)


def _hunks(diff: str) -> Iterator[list[str]]:
    """The lines of a diff, hunk by hunk; the first has the head of the diff before it."""
    hunk: list[str] = []
    for line in diff.splitlines():
        if line.startswith("@@") and any(one.startswith("@@") for one in hunk):
            yield hunk
            hunk = []
        hunk.append(line)
    yield hunk


def _touches(hunk: Sequence[str], change: OutputChange) -> bool:
    """True where a hunk holds a rung of the change, or writes a name of it."""
    head = next((found for line in hunk if (found := _HUNK.match(line))), None)
    if head is None:
        return False
    for lines, first, length in ((change.old_lines, head[1], head[2]), (change.new_lines, head[3], head[4])):
        if any(int(first) <= line < int(first) + int(length or 1) for line in lines):
            return True
    written = " ".join(line[1:] for line in hunk if line[:1] in "+-" and line[:3] not in ("+++", "---"))
    return any(re.search(rf"\b{re.escape(name)}\b", written) for name in change.names)
