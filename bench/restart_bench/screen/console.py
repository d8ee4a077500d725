"""What a console is, how wide its lines are, and how a person is asked on it."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Protocol, TextIO, TypeVar

if TYPE_CHECKING:
    from rich.console import Console

    from restart_bench.model.live import Guess
    from restart_bench_drivers.interface import AskPerson

A = TypeVar("A")
A_co = TypeVar("A_co", covariant=True)

_PLAIN_WIDTH = 100


@cache
def _honest_console() -> type[Console]:
    """Loaded where something is printed: most of what `--help` would wait for is not."""
    from rich.console import Console

    class HonestConsole(Console):
        """Rich ends the process with 1 where a pipe is closed; here that is for the caller to decide."""

        def on_broken_pipe(self) -> None:
            """Nothing more is printed. Raises BrokenPipeError."""
            self.quiet = True
            raise BrokenPipeError

    return HonestConsole


def is_console(stream: TextIO) -> bool:
    """True where a person looks at the stream and it can be drawn on."""
    return stream.isatty() and os.environ.get("TERM") != "dumb"


def console_for(stream: TextIO) -> Console:
    """A console for tables. Off a console there is no styling, no control character, and a fixed width (that of a
    terminal which can't be drawn on)."""
    if is_console(stream):
        return _honest_console()(file=stream, highlight=False)
    return _honest_console()(
        file=stream, highlight=False, force_terminal=False, color_system=None, width=width_for(stream)
    )


def width_for(stream: TextIO) -> int:
    """Columns for lines of text on this stream."""
    if is_console(stream):
        return console_for(stream).width
    asked = os.environ.get("COLUMNS", "")
    width = int(asked) if asked.isdigit() else shutil.get_terminal_size().columns if stream.isatty() else _PLAIN_WIDTH
    return width if width >= 40 else _PLAIN_WIDTH


def person_at(console: Console, *, before: Callable[[float], object] | None = None) -> AskPerson | None:
    """Somebody who can answer at this console, None where standard input is none. `before` a question what was said
    so far is given a moment to be read."""
    return _answering_here(lambda question: ask_on(console, question, anew=True), before)


def guessing_at(console: Console, *, before: Callable[[float], object]) -> Guess | None:
    """Somebody who can say at this console what he expects, None where standard input is none."""
    return _answering_here(lambda question: guess_on(console, question), before)


def _answering_here(ask: Callable[[str], A], before: Callable[[float], object] | None) -> Asked[A] | None:
    if not sys.stdin.isatty():
        return None

    def asked(question: str) -> A:
        if before is not None:
            before(1.0)
        return ask(question)

    return answering(asked)


class Asked(Protocol[A_co]):
    """A question put to a person."""

    def __call__(self, question: str) -> A_co: ...


def answering(ask: Callable[[str], A]) -> Asked[A]:
    """The same questions, where the end of the input means that nobody can answer (SupplyError)."""
    from restart_bench_drivers.interface import SupplyError

    def asked(question: str) -> A:
        try:
            return ask(question)
        except EOFError:
            raise SupplyError(f"nobody answered: {question}") from None

    return asked


_UNSURE = ", or ? if you don't know"
YES_OR_NO: Mapping[str, bool] = {"y": True, "yes": True, "n": False, "no": False}
NOT_TAKEN = "Typed before the question: not taken."
GUESSES: Mapping[str, bool | None] = {**YES_OR_NO, "?": None}


def ask_on(console: Console, question: str, *, anew: bool = False) -> bool:
    """Asks until the answer is yes or no; `anew`: what was typed before does not answer it. Raises EOFError where the
    input has ended."""
    return _one_of(console, question, YES_OR_NO, anew=anew)


def guess_on(console: Console, question: str) -> bool | None:
    """Asks until the answer is yes, no or `?` (None); what was typed before is none. Raises EOFError where the
    input has ended."""
    return _one_of(console, question, GUESSES, anew=True)


def asked_for(question: str, answers: Mapping[str, object]) -> str:
    """The question with the letters that answer it."""
    return f"{question} [{'/'.join(one for one in answers if len(one) == 1)}]"


def please(answers: Mapping[str, object]) -> str:
    """What is said to an answer that is none."""
    return f"Please answer y for yes or n for no{_UNSURE if '?' in answers else ''}."


def _one_of(console: Console, question: str, answers: Mapping[str, A], *, anew: bool) -> A:
    from restart_bench.model.wording import without_controls
    from restart_bench.screen.keyboard import forget_typed

    if anew and forget_typed():
        console.print(NOT_TAKEN, markup=False)
    while True:
        asked = without_controls(asked_for(question, answers))
        answer = console.input(f"{asked} ", markup=False).strip().lower()
        if answer in answers:
            return answers[answer]
        console.print(please(answers), markup=False)
