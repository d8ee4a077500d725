"""How long a prediction may go on, as whoever asks for it says: a clock, or a count; nothing here knows which."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_OVER: ContextVar[Callable[[], bool] | None] = ContextVar("_OVER", default=None)


class TimeIsUp(RuntimeError):
    """The time that was given is over before there was an answer."""


@contextmanager
def given_up_once(over: Callable[[], bool]) -> Iterator[None]:
    """Whatever is predicted in here ends with TimeIsUp once `over()` is true."""
    token = _OVER.set(over)
    try:
        yield
    finally:
        _OVER.reset(token)


def go_on() -> None:
    """Raises TimeIsUp where the time is over. Asked before every question to a solver and every play of a trace."""
    over = _OVER.get()
    if over is not None and over():
        raise TimeIsUp
