"""Single keys from the terminal, for screens that are worked by them; which key it is, a pure function says.

A key's name is its character, or up, down, left, right, home, end, enter, escape, backspace. Ctrl-C stays what it is.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import suppress

_SEQUENCES = {
    "\x1b[A": "up", "\x1b[B": "down", "\x1b[C": "right", "\x1b[D": "left", "\x1b[H": "home", "\x1b[F": "end",
    "\x1bOA": "up", "\x1bOB": "down", "\x1bOC": "right", "\x1bOD": "left", "\x1bOH": "home", "\x1bOF": "end",
    "\x1b[1~": "home", "\x1b[4~": "end",
}  # fmt: skip
_SINGLE = {
    "\r": "enter",
    "\n": "enter",
    "\x1b": "escape",
    "\x7f": "backspace",
    "\b": "backspace",
    "\x04": "end of input",
}
_ON_WINDOWS = {"H": "up", "P": "down", "M": "right", "K": "left", "G": "home", "O": "end"}
_LONGEST = 8  # characters of a sequence; what is longer was none


def keys_of(text: str) -> tuple[list[str], str]:
    """The keys that a terminal's characters tell, and what may be the beginning of one more. Sequences that mean
    nothing here are swallowed whole."""
    keys: list[str] = []
    while text:
        sequence = next((one for one in _SEQUENCES if text.startswith(one)), None)
        if sequence is not None:
            keys.append(_SEQUENCES[sequence])
            text = text[len(sequence) :]
        elif text[0] == "\x1b" and text[1:2] in ("[", "O"):
            ends = next((place for place, one in enumerate(text[2:], 2) if "@" <= one <= "~"), None)
            if ends is None and len(text) < _LONGEST:
                return keys, text
            text = text[(ends if ends is not None else len(text) - 1) + 1 :]
        else:
            if text[0] in _SINGLE:
                keys.append(_SINGLE[text[0]])
            elif text[0].isprintable():
                keys.append(text[0])
            text = text[1:]
    return keys, ""


def has_keyboard() -> bool:
    """True where somebody can type single keys: standard input is a terminal that can be told so."""
    if not sys.stdin.isatty():
        return False
    try:
        sys.stdin.fileno()
    except (OSError, ValueError):
        return False
    return True


if sys.platform == "win32":
    import msvcrt
    import time

    class Keyboard:
        """The console's keys while it is open (a context manager)."""

        def __enter__(self) -> Keyboard:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def read(self, within_s: float) -> list[str]:
            """The keys that were pressed, at the latest after so long; none is an empty list."""
            until = time.monotonic() + within_s
            while not msvcrt.kbhit():
                if time.monotonic() >= until:
                    return []
                time.sleep(0.01)
            character = msvcrt.getwch()
            if character in ("\x00", "\xe0"):
                return [one] if (one := _ON_WINDOWS.get(msvcrt.getwch(), "")) else []
            if character == "\x03":
                raise KeyboardInterrupt
            return keys_of(character)[0]

        def keys(self, within_s: float) -> Iterator[str]:
            """The same one by one."""
            yield from self.read(within_s)

        has_more = False  # of what was read, nothing waits

    def forget_typed() -> bool:
        """What was typed so far answers nothing that is asked from now on; False where nothing was."""
        found = msvcrt.kbhit()
        while msvcrt.kbhit():
            msvcrt.getwch()
        return found

else:
    import select
    import termios
    import tty

    class Keyboard:
        """The terminal's keys while it is open (a context manager): single, not echoed. Its settings come back."""

        def __init__(self) -> None:
            self._descriptor = sys.stdin.fileno()
            self._before: list[object] | None = None
            self._begun = ""
            self._left: list[str] = []

        def __enter__(self) -> Keyboard:
            self._before = termios.tcgetattr(self._descriptor)
            tty.setcbreak(self._descriptor, termios.TCSANOW)  # what is typed already is kept
            return self

        def __exit__(self, *_: object) -> None:
            if self._before is not None:
                termios.tcsetattr(self._descriptor, termios.TCSANOW, self._before)  # type: ignore[arg-type]

        def read(self, within_s: float) -> list[str]:
            """The keys that were pressed, at the latest after so long; none is an empty list. Raises EOFError where the
            terminal is gone."""
            if not select.select([self._descriptor], [], [], within_s)[0]:
                self._begun = ""
                return []
            told = os.read(self._descriptor, 1024)
            if not told:
                raise EOFError
            keys, self._begun = keys_of(self._begun + told.decode(errors="ignore"))
            return keys

        def keys(self, within_s: float) -> Iterator[str]:
            """The same one by one; what is not taken is there at the next call."""
            self._left = self._left or self.read(within_s)
            while self._left:
                yield self._left.pop(0)

        @property
        def has_more(self) -> bool:
            """True where more was read than was taken."""
            return bool(self._left)

    def forget_typed() -> bool:
        """What was typed so far answers nothing that is asked from now on; False where nothing was."""
        with suppress(termios.error, OSError, ValueError):  # standard input is no terminal
            termios.tcgetattr(sys.stdin.fileno())
            found = bool(select.select([sys.stdin], [], [], 0)[0])
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
            return found
        return False
