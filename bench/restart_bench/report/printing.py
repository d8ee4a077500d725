"""What everything that is printed on a console is made of: headings, plain tables, bullets."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Literal

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from restart_bench.model.verdicts import EXIT_MEANS, NOT_COMPLETE, Verdict, console_style
from restart_bench.model.wording import without_controls


def print_heading(text: str, console: Console) -> None:
    """A bold line below an empty one."""
    console.print()
    console.print(Text(text, style="bold"))


def plain_table(
    *columns: str,
    gap: int = 1,
    title: str | None = None,
    unbroken: Collection[str] = (),
    overflow: Literal["ellipsis", "fold"] = "ellipsis",
) -> Table:
    """A table with no lines but the one below its heads, and `gap` blanks between its columns; the cells of those
    named in `unbroken` stay on one line."""
    table = Table(
        box=SIMPLE_HEAD, pad_edge=False, padding=(0, gap, 0, 0), show_edge=False, title=title, title_justify="left"
    )
    for column in columns:
        table.add_column(column, overflow=overflow, no_wrap=column in unbroken)
    return table


def print_bullets(texts: Iterable[str], console: Console) -> None:
    """A line each, its further lines below its first."""
    for text in texts:
        table = Table.grid(padding=(0, 1))
        table.add_row("  -", Text(without_controls(text)))
        console.print(table)


def not_complete_line(code: int) -> Text:
    """The last line of what a person stopped."""
    line = Text("result: ").append(NOT_COMPLETE, style=console_style(Verdict.ERROR))
    return line.append(f", exit code {code}: {EXIT_MEANS[code]}")
