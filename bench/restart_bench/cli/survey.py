"""`survey`: what it found as people and as machines read it, and the files that it writes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from restart_bench.cli.common import make_folder
from restart_bench.judging.inquiry.drafts import NOT_WANTED
from restart_bench.judging.inquiry.presses import Start
from restart_bench.judging.inquiry.survey import MEANING, CutKind, SurveyRow, ValueRow, explanation
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Rig
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict, console_style
from restart_bench.model.wording import at_most, bounds_text, counted, listed, value_text, without_controls
from restart_bench.report.foretold import Foretold, foretell, foretold_document, print_foretold
from restart_bench.report.printing import plain_table, print_bullets, print_heading
from restart_bench.run.inquiry.survey import Surveyed

_DANGEROUS = ("comes on", "pulses", "by start", "unsteady")


def refuse_drafts(folder: Path) -> None:
    """Raises Refused where drafts would stand beside files that somebody may have worked on."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(
            f"--drafts {folder}: is not an empty folder, and a draft that somebody has worked on is not written over; "
            "nothing was moved. Name another folder."
        )


def write_drafts(found: Surveyed, folder: Path) -> tuple[Path, ...]:
    """Writes the drafts, if there are any. Returns their paths."""
    if not found.drafts:
        return ()
    make_folder("drafts", folder)
    for draft in found.drafts:
        (folder / draft.name).write_text(draft.text, encoding="utf-8")
    return tuple(folder / draft.name for draft in found.drafts)


# ---------------------------------------------------------------- for people


def print_survey(found: Surveyed, drafts: Sequence[Path], console: Console) -> None:
    """The tables, what behaves like that, what was not reached, and where the drafts are."""
    rig = found.rig
    print_heading(f"survey of {without_controls(rig.name)}: {_runs(found)}", console)
    if found.reason:
        console.print(Text(without_controls(found.reason), style=console_style(Verdict.ERROR)))
    _lines(console, "Cut from", [_start_line(rig, start) for start in found.search.starts])
    if found.rows:
        console.print(_outputs_table(found.rows))
        for word in dict.fromkeys(row.behaviour for row in found.rows):
            console.print(Padding(Text(f"{word}: {MEANING[word]}", style="dim"), (0, 0, 0, 2)))
        _lines(console, "What behaves like that (not the cause: other programs do the same)", _explained(found))
    foretold = _foretold(found)
    if foretold is not None:
        print_foretold(foretold, console)
    _lines(console, "Worth a look", [*_notes(found.rows), *_not_reached(found)])
    _lines(console, "Values", _by_kind((row.shown, row.kind, _value_text(rig, row)) for row in found.values))
    _lines(console, "Times since the supply, or run mode, was restored", _time_lines(found))
    _lines(console, "Cycles that show nothing", found.not_valid)
    _lines(console, "What this does not show", _limits(found) if found.rows else [])
    _print_drafts(rig, drafts, console)


def _foretold(found: Surveyed) -> Foretold | None:
    """The program model beside the cuts of the survey."""
    return foretell(found.runs[-1]) if found.rows else None


def _runs(found: Surveyed) -> str:
    cycles = max((row.cycles for row in found.rows), default=0)
    runs = " and ".join(run.id for run in found.runs)
    return f"up to {counted(cycles, 'cycle')} of each cut, archived as {runs}"


def _lines(console: Console, head: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    print_heading(head, console)
    print_bullets(lines, console)


def _start_line(rig: Rig, start: Start) -> str:
    presses = listed(rig.points[name].shown for name in start.presses) or "nothing"
    lit, dark = (
        listed(rig.points[name].shown for name, state in start.states.items() if state is wanted)
        for wanted in (True, False)
    )
    states = [f"{names} {word}" for names, word in ((lit, "on"), (dark, "off")) if names]
    return f"{presses} pressed: {', '.join(states) or 'as it is'}"


def _outputs_table(rows: Sequence[SurveyRow]) -> Table:
    table = plain_table("output", "cut", "seen", "from on", "from off", "delay", "pulse excluded")
    last = ""
    for row in rows:
        name = "" if row.point == last else without_controls(row.shown)
        last = row.point
        style = "bold red" if row.behaviour in _DANGEROUS else "dim" if row.behaviour == "not seen" else "bold"
        delay = bounds_text(row.delay_ns) if row.delay_ns is not None else "-"
        excluded = at_most(row.excluded_ns) if row.cycles > row.blind else "-"
        seen = Text(row.behaviour, style=style)
        table.add_row(name, kind_text(row.kind), seen, str(row.from_on), str(row.from_off), delay, excluded)
    return table


def kind_text(kind: CutKind) -> str:
    """`power 2 s`, `mode 1 s`, `dip 50 ms`."""
    word = "dip" if kind.dip else "power" if kind.restart == "supply" else "mode"
    return f"{word} {show_duration(kind.off_for_ns)}"


def _explained(found: Surveyed) -> list[str]:
    lines = []
    for name in dict.fromkeys(row.point for row in found.rows):
        mine = [row for row in found.rows if row.point == name]
        if text := explanation(mine, _ready_ns(found)):
            lines.append(f"{mine[0].shown} behaves {text}")
    return lines


def _ready_ns(found: Surveyed) -> tuple[int, int] | None:
    return next((marks.get("ready") for kind, marks in found.marks.items() if kind.restart == "supply"), None)


def _by_kind(lines: Iterable[tuple[str, CutKind, str]]) -> list[str]:
    """What is said of a point, once, with all the kinds of cut of which it holds."""
    kinds: dict[tuple[str, str], list[str]] = {}
    for shown, kind, text in lines:
        kinds.setdefault((shown, text), []).append(kind_text(kind))
    return [f"{shown}, {listed(of)}: {text}" for (shown, text), of in kinds.items()]


def _notes(rows: Sequence[SurveyRow]) -> Iterator[str]:
    yield from _by_kind((row.shown, row.kind, f"{row.behaviour}, {note}") for row in rows for note in row.notes)
    for row in rows:
        for pulse in row.pulses[:3]:
            begun, lasted = bounds_text(pulse.begun_ns), bounds_text(pulse.lasted_ns)
            yield f"{row.shown}, {kind_text(row.kind)}: on for {lasted}, from {begun} after it was restored"
        if row.blind:
            yield f"{row.shown}, {kind_text(row.kind)}: blind in {counted(row.blind, 'cycle')} of {row.cycles}"


def _not_reached(found: Surveyed) -> Iterator[str]:
    for name, state in found.search.missing:
        shown = found.rig.points[name].shown
        word = "on" if state else "off"
        more = ", it was so only for a while" if name in found.search.passing else ""
        yield f"no press, and no pair of presses, brought {shown} {word} each time that it was tried{more}"


def _value_text(rig: Rig, row: ValueRow) -> str:
    point = rig.points[row.point]
    pairs = [f"{value_text(point, before)} before, {value_text(point, after)} after" for before, after in row.seen[:3]]
    if row.kept == row.cycles:
        counts = f"as before in {counted(row.kept, 'cycle')} ({'; '.join(pairs)})" if pairs else "not read"
    else:
        counts = f"as before in {row.kept} of {counted(row.cycles, 'cycle')} ({'; '.join(pairs)})"
    return "; ".join([counts, *row.notes])


def _time_lines(found: Surveyed) -> list[str]:
    return [
        f"{kind_text(kind)}: " + ", ".join(f"{name} {bounds_text(span)}" for name, span in marks.items())
        for kind, marks in found.marks.items()
        if marks
    ]


def _limits(found: Surveyed) -> list[str]:
    watch = show_duration(found.rig.defaults.watch_ns)
    longest = max(row.excluded_ns for row in found.rows)
    return [
        f"what happens later than {watch} after the controller is ready was not watched",
        f"pulses shorter than those in the table ({at_most(longest)} at most) are not excluded",
        "only presses, one or two of them, came before each cut: sensors, sequences and set-points were left alone",
        f"{counted(max(row.cycles for row in found.rows), 'cycle')} of each cut show what is usual, not what is rare",
    ]


def _print_drafts(rig: Rig, drafts: Sequence[Path], console: Console) -> None:
    if not drafts:
        return
    console.print()
    head = f"{counted(len(drafts), 'draft')} of scenarios, for you to say what is wanted: {drafts[0].parent}"
    console.print(Text(head), soft_wrap=True)
    command = f"restart-bench check {drafts[0].parent} --rig {rig.path}"
    console.print(Text(command), soft_wrap=True)
    console.print(Text(NOT_WANTED, style="bold"))


# ---------------------------------------------------------------- for machines


def survey_document(found: Surveyed, drafts: Sequence[Path]) -> dict[str, Any]:
    """The JSON document of `survey --json`."""
    return {
        "exit_code": found.exit_code,
        "reason": found.reason,
        "rig": found.rig.name,
        "runs": [{"id": run.id, "folder": str(run.folder), "how": run.how} for run in found.runs],
        "starts": [{"presses": list(one.presses), "states": dict(one.states)} for one in found.search.starts],
        "not_reached": [{"point": name, "state": state} for name, state in found.search.missing],
        "outputs": [_row_document(found, row) for row in found.rows],
        **foretold_document(_foretold(found)),
        "values": [_value_document(row) for row in found.values],
        "marks": [
            {
                "restart": kind.restart,
                "off_for": show_duration(kind.off_for_ns),
                "since_restored_ns": {name: list(span) for name, span in marks.items()},
            }
            for kind, marks in found.marks.items()
        ],
        "not_valid": list(found.not_valid),
        "drafts": [str(path) for path in drafts],
        "faults": [],
    }


def _row_document(found: Surveyed, row: SurveyRow) -> dict[str, Any]:
    mine = [one for one in found.rows if one.point == row.point]
    return {
        "point": row.point,
        "restart": row.kind.restart,
        "off_for": show_duration(row.kind.off_for_ns),
        "class": row.behaviour,
        "cycles": row.cycles,
        "from_on": row.from_on,
        "from_off": row.from_off,
        "blind": row.blind,
        "pulses": [{"begun_ns": list(one.begun_ns), "lasted_ns": list(one.lasted_ns)} for one in row.pulses],
        "delay_ns": list(row.delay_ns) if row.delay_ns is not None else None,
        "shortest_excluded_ns": row.excluded_ns if row.cycles > row.blind else None,
        "behaves": explanation(mine, _ready_ns(found)),
        "notes": list(row.notes),
    }


def _value_document(row: ValueRow) -> dict[str, Any]:
    return {
        "point": row.point,
        "restart": row.kind.restart,
        "off_for": show_duration(row.kind.off_for_ns),
        "cycles": row.cycles,
        "as_before": row.kept,
        "seen": [list(pair) for pair in row.seen],
        "notes": list(row.notes),
    }
