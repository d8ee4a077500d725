"""Several rigs on one screen: a row each while they run, and the one table at their end. No clock in here."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from restart_bench.cli.fleet.rows import RigRow, exit_code_over, verdict_over_rigs
from restart_bench.model.verdicts import (
    EXIT_MEANS,
    EXIT_STOPPED,
    GLOSS,
    WORST_FIRST,
    Verdict,
    badness,
    console_style,
)
from restart_bench.model.wording import counted, listed, without_controls
from restart_bench.report.printing import not_complete_line, plain_table, print_heading
from restart_bench.screen.cautions import ON_SCREEN_SHORT
from restart_bench.screen.frame import left_words

_AROUND = 5  # head, rule, and what stands below the rows
_ROOMY = 120


def picture(rows: Sequence[RigRow], width: int, height: int, *, simulated: bool, stopping: str) -> RenderableType:
    """What is shown while they run: at most `height` lines. Where the rows don't fit, those that go on come first."""
    room = max(1, height - _AROUND)
    ordered = rows if len(rows) <= room else sorted(rows, key=lambda row: row.end is not None)
    shown = ordered if len(rows) <= room else ordered[: room - 1]
    table = _table("rig", "scenario", "cycle", "so far", "time left", "power", wide=width >= _ROOMY)
    for row in shown:
        of = f"{row.cycle} of {row.of_cycles}" if row.of_cycles else ""
        cells = (Text(without_controls(row.rig), "bold"), Text(without_controls(row.scenario)), of, so_far(row))
        table.add_row(*cells, _left(row), Text(row.power, row.power_style))
    below = [Text(f"and {counted(len(rows) - len(shown), 'more rig')}")] if len(shown) < len(rows) else []
    foot = _foot(rows, simulated=simulated, stopping=stopping)
    said = _said(rows, room - len(shown) - len(below))
    lines = [*below, *said, foot]
    for line in lines:
        line.truncate(width, overflow="ellipsis")
    return Group(table, *lines)


def _table(*columns: str, wide: bool) -> Table:
    return plain_table(*columns, gap=2 if wide else 1, unbroken=columns)


def so_far(row: RigRow) -> Text:
    """Cycles by verdict, the worst first; before the first one what it does."""
    if not row.counted:
        return Text("" if row.end else row.phase, style="dim")
    words = [word for word in WORST_FIRST if row.counted.get(word)]
    return Text(", ").join(Text(f"{row.counted[word]} {word.value}", console_style(word)) for word in words)


def _left(row: RigRow) -> str:
    if row.end is not None:
        return row.phase
    return "" if row.left_ns is None else left_words(row.left_ns)


def _said(rows: Sequence[RigRow], room: int) -> list[Text]:
    """The newest of what did not pass, of as many rigs as there is room for."""
    told = [Text(f"{row.rig}: {row.said[-1]}".splitlines()[0], "dim") for row in rows if row.said]
    return [Text(), *told[: room - 1]] if told and room > 1 else []


def _foot(rows: Sequence[RigRow], *, simulated: bool, stopping: str) -> Text:
    over = sum(row.end is not None for row in rows)
    rigs = f"{over} of {counted(len(rows), 'rig')} done."
    if stopping:
        waits = "waiting until the last supply is at rest" if not simulated else "waiting for the last archive"
        armed = "" if simulated else "ARMED, "
        return Text(f"{armed}stopped by {stopping}: {waits}. {rigs}", style="bold yellow")
    if simulated:
        return Text(f"{rigs} SIMULATED: nothing real is switched. Ctrl-C ends all.", style="dim")
    return Text(f"{rigs} ARMED. {ON_SCREEN_SHORT} Ctrl-C ends all.", style="bold yellow")


# ---------------------------------------------------------------- the end


def print_end(rows: Sequence[RigRow], console: Console, output: str) -> None:
    """One table over all scenarios of all rigs, what did not pass and where that lies, and the exit line last."""
    table = _table("rig", "scenario", "verdict", "cycles", "supply", wide=console.width >= _ROOMY)
    for row in rows:
        _add_end(table, row)
    console.print()
    console.print(table)
    _print_not_passed(rows, console)
    console.print()
    console.print(Text(f"what each of them said, with its record and its archive: {output}"), soft_wrap=True)
    console.print(_last_line(rows))


def _add_end(table: Table, row: RigRow) -> None:
    end = row.end
    name, supply = Text(without_controls(row.rig), "bold"), f"left {row.power}" if row.power else ""
    if end is None or not end.scenarios:
        words = Text(
            "not begun" if end is not None and end.verdict is None else "no result", console_style(Verdict.ERROR)
        )
        table.add_row(name, "", words, "", supply)
        return
    for number, one in enumerate(end.scenarios):
        verdict = Verdict(one["verdict"])
        counts = [f"{count} {word}" for word, count in one["counted"].items() if count]
        word = Text(verdict.value, console_style(verdict))
        table.add_row(
            "" if number else name, Text(without_controls(one["name"])), word, listed(counts), "" if number else supply
        )


def _print_not_passed(rows: Sequence[RigRow], console: Console) -> None:
    told: list[tuple[Verdict, str]] = []
    for row in rows:
        end = row.end
        if end is None:
            continue
        if end.fault:
            told.append((Verdict.ERROR, f"{row.rig}: {end.fault}"))
        for one in end.scenarios:
            if one["verdict"] != Verdict.PASS:
                told.append((Verdict(one["verdict"]), f"{row.rig}, {one['name']}: {one['reason']} ({end.folder})"))
    if not told:
        return
    print_heading("What did not pass", console)
    for verdict, text in sorted(told, key=lambda one: badness(one[0])):
        line = Text("  ").append(verdict.value, style=console_style(verdict))
        console.print(line.append(f"  {without_controls(text)}"))


def _last_line(rows: Sequence[RigRow]) -> Text:
    code, verdict = exit_code_over(rows), verdict_over_rigs(rows)
    if code == EXIT_STOPPED:
        return not_complete_line(code)
    line = Text("result: ")
    if verdict is None:
        return line.append(f"exit code {code}: {EXIT_MEANS[code]}")
    line.append(verdict.value, style=console_style(verdict)).append(f" ({GLOSS[verdict]})")
    return line.append(f", exit code {code}: {EXIT_MEANS[code]}")
