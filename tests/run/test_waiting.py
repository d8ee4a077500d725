"""How a run waits for what is read: the observer is told that somebody waits, and no longer than somebody does."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from typing import Any, cast

import pytest

from evidence import MS, dryer
from restart_bench.archive.writer import RunArchive
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.live import LiveState, Show
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run import supervision
from restart_bench.run.context import Chronicle
from restart_bench.run.supervision import EndOfRun, StopRequest, Supervisor
from restart_bench.screen.plain import PlainShow


class Observer:
    """Tells news whenever it is asked for, and keeps who attends."""

    def __init__(self) -> None:
        self.failed = ""
        self.told: list[str] = []

    def look(self, now: int) -> None:
        """There is nothing to look after."""

    def wait_news(self, timeout_s: float) -> bool:
        if timeout_s:
            self.told.append("news")
        return True

    @contextlib.contextmanager
    def attended(self, until_ns: int) -> Iterator[None]:
        self.told.append("attended")
        try:
            yield
        finally:
            self.told.append("no longer")


def supervisor_of(observer: Observer, stop: StopRequest) -> Supervisor:
    """It tells nobody of anything."""
    handle = cast(ObserverHandle, cast(Any, observer))
    return Supervisor(dryer(), handle, stop=stop, note=lambda trouble: None, draw=lambda now: None)


def waiting(answers: list[bool | None], stop: StopRequest | None = None) -> tuple[list[str], bool | None]:
    """A wait of five seconds at most for the first answer: what the observer was told, and what was found."""
    observer = Observer()
    try:
        found = supervisor_of(observer, stop or StopRequest()).wait_until(now_ns() + 5000 * MS, lambda: answers.pop(0))
    except EndOfRun:
        found = None
    return observer.told, found


def test_what_is_known_already_is_not_waited_for() -> None:
    """No word goes to the observer for a question that is answered at once."""
    assert waiting([True]) == ([], True)


def test_each_piece_of_news_is_looked_at_and_the_observer_attends_meanwhile() -> None:
    """The question is asked anew with what came, and nobody attends once it is answered."""
    assert waiting([None, None, None, True]) == (["attended", "news", "news", "news", "no longer"], True)


def test_nobody_attends_behind_a_run_that_ends() -> None:
    """Whoever stops the run while it waits ends the attending too."""
    stop = StopRequest()

    class Answers(list[bool | None]):
        def pop(self, *_: Any) -> bool | None:
            stop.count += len(self)
            self.append(None)
            return None

    told, found = waiting(Answers(), stop)
    assert told[-1] == "no longer"
    assert found is None


def test_a_question_is_asked_once_more_at_the_deadline() -> None:
    """What came at the last moment still counts."""
    supervisor = supervisor_of(Observer(), StopRequest())
    deadline = now_ns() + 3 * MS
    assert supervisor.wait_until(deadline, lambda: True if now_ns() >= deadline else None) is True
    assert supervisor.wait_until(now_ns() - MS, lambda: None) is None


def test_no_state_is_made_for_a_show_that_does_not_show_it() -> None:
    """Plain lines show none, a table a few a second, a screen all that it is given."""
    made = [0]

    def state() -> LiveState:
        made[0] += 1
        return cast(LiveState, None)

    class Pictures(PlainShow):
        def live(self, state: LiveState) -> None:
            """Takes it."""

    def drawn(show: Show) -> int:
        made[0] = 0
        chronicle = Chronicle("run", cast(RunArchive, None), show)
        for _ in range(3):
            chronicle.draw(state)
        return made[0]

    seldom, always = Pictures(io.StringIO()), Pictures(io.StringIO())
    seldom.every_ns, always.every_ns = 60_000 * MS, 0
    assert [drawn(show) for show in (PlainShow(io.StringIO()), seldom, always)] == [0, 1, 3]


def test_a_question_that_did_not_hear_the_first_ctrl_c_hears_the_second(monkeypatch: pytest.MonkeyPatch) -> None:
    """An exception can get lost where nobody waits for it; a person presses again, and is not left at the question. In
    the second in which a question unwinds nothing comes in between."""
    clock = [5 * NS_PER_S]
    monkeypatch.setattr(supervision, "now_ns", lambda: clock[0])
    stop, heard = StopRequest(), []

    def deaf(question: str) -> None:
        for later_ns in (0, NS_PER_S // 2, NS_PER_S):
            clock[0] += later_ns
            try:
                stop.now("a person (Ctrl-C)")
            except KeyboardInterrupt:
                heard.append(clock[0] / NS_PER_S)
                if len(heard) == 2:
                    raise

    with pytest.raises(KeyboardInterrupt):
        stop.asks(deaf, "Is it ON?")
    assert heard == [5, 6.5] and stop.count == 3
    stop.now("a person (Ctrl-C)")  # no question is open: it only asks to stop
