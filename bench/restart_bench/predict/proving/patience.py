"""How long a prediction may go on, as whoever asks for it says: by a clock, or a count; nothing here knows which."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol


class Patience(Protocol):
    """The time that is given."""

    def over(self) -> bool:
        """True once nothing of it is left."""

    def share(self, of: int) -> Patience:
        """One of so many equal parts of what is left."""


_PATIENCE: ContextVar[Patience | None] = ContextVar("_PATIENCE", default=None)


class TimeIsUp(RuntimeError):
    """The time that was given is over before there was an answer."""


@contextmanager
def within(patience: Patience) -> Iterator[None]:
    """Whatever is predicted in here ends with TimeIsUp once the patience is over."""
    token = _PATIENCE.set(patience)
    try:
        yield
    finally:
        _PATIENCE.reset(token)


def go_on() -> None:
    """Raises TimeIsUp where the time is over. Asked before every question to a solver and every play of a trace."""
    patience = _PATIENCE.get()
    if patience is not None and patience.over():
        raise TimeIsUp
