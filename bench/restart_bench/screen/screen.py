"""The live screen: draws the run for people who stand away from the computer, and never makes the runner wait.

A thread of its own draws, at most ten times a second and not shortly before a command is due; what it raises ends
the drawing, not the run. Without a console use `plain` instead.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping
from functools import partial
from typing import TypeVar

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from restart_bench.model.clock import NS_PER_MS, NS_PER_S, now_ns
from restart_bench.model.journal import Record, RunEnded, Trouble
from restart_bench.model.live import LiveState
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.wording import without_controls
from restart_bench.screen.console import GUESSES, NOT_TAKEN, YES_OR_NO, ask_on, asked_for, guess_on, please
from restart_bench.screen.frame import frame
from restart_bench.screen.keyboard import Keyboard, forget_typed, has_keyboard
from restart_bench.screen.screen_state import Gathered
from restart_bench.screen.strips import ASCII, UNICODE, Glyphs
from restart_bench.screen.tiles import tiles

Picture = Callable[[Gathered, int, int, Glyphs], list[Text]]
"""Draws what was gathered into so many columns and rows."""

A = TypeVar("A")

_DRAW_EVERY_NS = 100 * NS_PER_MS
_QUIET_NS = 30 * NS_PER_MS  # a picture takes some milliseconds: none is begun so shortly before a command
_LEAVE_WITHIN_S = 2.0
_LOOK_EVERY_S = 0.2  # while somebody thinks: the window may be made larger meanwhile
_LONGEST_ANSWER = 20
_MOST_WAITING = 1000  # records and states: more than a minute of them


_AGAIN = "The result on tiles: `restart-bench replay last --view tiles`, then `f` (a failure) or `e` (the end)."
"""Tiles are left when the run ends: how they are seen again."""


def glyphs_for(console: Console) -> Glyphs:
    """Block characters where the console can show them, else plain ASCII."""
    return ASCII if console.options.ascii_only or console.legacy_windows else UNICODE


class LiveScreen:
    """Implements `live.Show`. Use as a context manager, or `close()`; both may be done twice.

    `program` is the name of the model that is played. `quiet_before_commands=False` draws also shortly before a phase
    ends; `rehearsal` says that nothing will be cut, `asks_first` that people say before each cut what they expect;
    `picture` is how it looks. On closing it tells how the rig was left.
    """

    def __init__(
        self,
        rig: Rig,
        scenarios: tuple[Scenario, ...],
        console: Console,
        *,
        simulated: bool,
        quiet_before_commands: bool = True,
        rehearsal: bool = False,
        asks_first: bool = False,
        program: str = "",
        picture: Picture = frame,
    ) -> None:
        self._console = console
        self._glyphs = glyphs_for(console)
        self._picture = picture
        self._gathered = Gathered(
            rig, scenarios, simulated, rehearsal=rehearsal, asks_first=asks_first, program=program
        )
        self._simulated = simulated
        self._quiet = quiet_before_commands
        self._waiting: deque[Record | LiveState] = deque()
        self._news = threading.Event()
        self._pen = threading.Lock()  # held while a picture is drawn or a person is asked
        self._parting: list[str] = []
        self._closing = False
        self._live: Live | None = None
        self.problem = ""
        self._typed_on = False  # more was typed than answered the last question
        self.drawn = 0
        self._thread = threading.Thread(target=self._draw_on, name="screen", daemon=True)
        self._thread.start()

    def record(self, record: Record) -> None:
        """Takes a saved record; returns at once."""
        self._parting += _parting_words(record, self._simulated)
        if not self.problem:
            self._waiting.append(record)
            self._keep_bounded()

    def live(self, state: LiveState) -> None:
        """Takes a state and wakes the pen; returns at once."""
        if not self.problem:
            self._waiting.append(state)
            self._keep_bounded()
            self._news.set()

    def _keep_bounded(self) -> None:
        """A console that takes nothing (stopped by Ctrl-S, say) may wait; the oldest of what it misses is dropped."""
        while len(self._waiting) > _MOST_WAITING:
            self._waiting.popleft()

    def ask(self, question: str) -> bool:
        """Puts a question to the person at the console and waits for yes or no. It stands in the picture, which stays.
        What was typed before it stood there does not answer it: power may hang on it.

        Raises EOFError where the input has ended, KeyboardInterrupt at Ctrl-C.
        """
        return self._answer(question, YES_OR_NO, partial(ask_on, anew=True))

    def guess(self, question: str) -> bool | None:
        """The same for what a person expects; None where he does not know."""
        return self._answer(question, GUESSES, guess_on)

    def _answer(self, question: str, answers: Mapping[str, A], plain: Callable[[Console, str], A]) -> A:
        """In the picture where single keys can be read and a picture can be drawn; else below it, by `plain`."""
        if self.problem or not has_keyboard():
            with self._pen:
                self._stop_live()
                return plain(self._console, question)
        try:
            with Keyboard() as keyboard:
                told = asked_for(question, answers)
                self._draw_question(told, "")
                if forget_typed() or self._typed_on:
                    told = f"{NOT_TAKEN} {told}"
                while (answer := self._line(keyboard, told).strip().lower()) not in answers:
                    told = f"{please(answers)} {asked_for(question, answers)}"
                self._typed_on = keyboard.has_more
                return answers[answer]
        finally:
            self._draw_question("", "")

    def _line(self, keyboard: Keyboard, question: str) -> str:
        """What somebody types behind a question, up to Enter. Raises EOFError where the input has ended."""
        typed = ""
        while True:
            self._draw_question(question, typed)
            for key in keyboard.keys(_LOOK_EVERY_S):
                if key == "enter":
                    return typed
                if key == "end of input" and not typed:
                    raise EOFError
                typed = _typed(typed, key)

    def _draw_question(self, question: str, typed: str) -> None:
        """What is drawn wrong ends the picture and not the run: the question is then asked again, below it."""
        with self._pen:
            self._gathered.question, self._gathered.typed = question, typed
            try:
                self._draw_once(asking=bool(question))
            except Exception as problem:
                self.problem = str(problem) or "no reason given"

    def close(self) -> None:
        """Gives the console back. What went wrong while drawing is said once."""
        if self._closing:
            return
        self._closing = True
        self._news.set()
        self._thread.join(_LEAVE_WITHIN_S)
        if not self._pen.acquire(timeout=_LEAVE_WITHIN_S):
            return  # the console takes nothing: the picture stays where it is, and so does its thread
        try:
            self._stop_live()
        finally:
            self._pen.release()
        if self._picture is tiles and self.drawn:
            self._parting.append(_AGAIN)
        for line in self._parting:
            self._console.print(without_controls(line), markup=False, highlight=False)
        if self.problem:
            self._console.print(f"the live screen stopped: {self.problem} (the run went on)", markup=False)

    def __enter__(self) -> LiveScreen:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ the thread

    def _draw_on(self) -> None:
        last_ns = 0
        while not self._closing:
            self._news.wait()
            self._news.clear()
            pause_ns = last_ns + _DRAW_EVERY_NS - now_ns()
            if pause_ns > 0:
                threading.Event().wait(pause_ns / NS_PER_S)
            if self._closing:
                return
            last_ns = now_ns()
            try:
                with self._pen:
                    self._draw_once()
            except Exception as problem:  # a broken picture must not end a run
                self.problem = str(problem) or "no reason given"
                return

    def _draw_once(self, *, asking: bool = False) -> None:
        self._take_in()
        state = self._gathered.state
        if not asking and (state is None or self._too_close_to_a_command(state)):
            return
        if self._live is None:
            self._live = Live(console=self._console, screen=True, auto_refresh=False)
            self._live.start()
        width, height = self._console.size
        lines = self._picture(self._gathered, width, height, self._glyphs)
        self._live.update(Group(*lines), refresh=True)
        self.drawn += 1

    def _take_in(self) -> None:
        while self._waiting:
            one = self._waiting.popleft()
            if isinstance(one, LiveState):
                self._gathered.live(one)
            else:
                self._gathered.record(one)

    def _too_close_to_a_command(self, state: LiveState) -> bool:
        if not self._quiet or state.phase_ends_ns is None:
            return False
        return 0 <= state.phase_ends_ns - now_ns() < _QUIET_NS

    def _stop_live(self) -> None:
        live, self._live = self._live, None
        if live is None:
            return
        try:
            live.stop()
        except Exception as problem:  # a console that is gone can't be given back
            self.problem = self.problem or str(problem) or "no reason given"


def _typed(typed: str, key: str) -> str:
    """What stands behind the question after one more key."""
    if key == "backspace":
        return typed[:-1]
    return typed + key if len(key) == 1 and len(typed) < _LONGEST_ANSWER else typed


def _parting_words(record: Record, simulated: bool) -> list[str]:
    """What a person wants to know of the rig once the picture is gone."""
    if isinstance(record, Trouble) and record.kind == "way out":
        return [record.text]
    if isinstance(record, RunEnded) and record.supply_left:
        kind = "simulated supply" if simulated else "supply"
        if not simulated or record.how != "completed":
            return [f"The run has ended ({record.how}). The {kind} was left {record.supply_left}."]
    return []
