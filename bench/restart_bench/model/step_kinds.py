"""The kinds of step: all that the bench has to know of each, in one table.

A new kind is a new action (`scenario.py`), an entry here, how it is done (`run/steps.py`), how it is read
(`suite/steps_reader.py`) and its keys in the file's model (`suite/scenario_schema.py`). Tests ask for every column of
every entry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Action, Ask, ByEye, Expect, Hold, Press, Release, Step, Wait, Write
from restart_bench.model.units import show_duration
from restart_bench.model.wording import show_conditions, show_value

Names = tuple[str, ...]
Lasts = tuple[int, int | None]
"""Shortest and longest length of time in nanoseconds; None where a person has to answer."""


def _no_points(_action: Any) -> Names:
    return ()


@dataclass(frozen=True, slots=True)
class StepFacts:
    """What is so of all steps of one kind; the first columns are asked with the action itself."""

    action: type[Action]
    words: Callable[[Any], str]  # one line, as screen, journal and record show it
    lasts: Callable[[Any], Lasts] = lambda _action: (0, 0)
    moves: Callable[[Any], Names] = _no_points  # points that the bench may write for it
    reads: Callable[[Any], Names] = _no_points  # points of which it expects something
    is_command: bool = False  # what comes on after it may have been told to: `until: command` ends
    starts: bool = False  # takes its point out of idle: one more start of what the point starts
    demands: bool = False  # in a function check, shows something about the controller


def _point(action: Press | Hold | Release) -> Names:
    return (action.point,)


def _held(action: Press | Wait) -> Lasts:
    return action.for_ns, action.for_ns


def _answered(_action: Ask | ByEye) -> Lasts:
    return 0, None


def _expect_words(action: Expect) -> str:
    steady = f", steady for {show_duration(action.steady_ns)}" if action.steady_ns else ""
    return f"expect {show_conditions(action.conditions)} within {show_duration(action.within_ns)}{steady}"


def _by_eye_words(action: ByEye) -> str:
    return "by eye: " + ", ".join(f"{name} {show_value(value)}" for name, value in action.conditions)


STEP_KINDS: dict[str, StepFacts] = {
    "press": StepFacts(
        Press,
        lambda press: f"press {press.point} for {show_duration(press.for_ns)}",
        lasts=_held,
        moves=_point,
        is_command=True,
        starts=True,
    ),
    "hold": StepFacts(Hold, lambda hold: f"hold {hold.point}", moves=_point, is_command=True, starts=True),
    "release": StepFacts(Release, lambda release: f"release {release.point}", moves=_point),
    "write": StepFacts(
        Write,
        lambda write: "write " + ", ".join(f"{name} = {show_value(value)}" for name, value in write.values),
        moves=lambda write: tuple(name for name, _ in write.values),
        is_command=True,
    ),
    "expect": StepFacts(
        Expect,
        _expect_words,
        lasts=lambda expect: (expect.steady_ns, expect.within_ns + expect.steady_ns),
        reads=lambda expect: tuple(name for name, _ in expect.conditions),
        demands=True,
    ),
    "wait": StepFacts(Wait, lambda wait: f"wait {show_duration(wait.for_ns)}", lasts=_held),
    "ask": StepFacts(Ask, lambda ask: f"ask: {ask.text}", lasts=_answered, is_command=True),
    "by_eye": StepFacts(ByEye, _by_eye_words, lasts=_answered, demands=True),
}
"""By the key that names the step in a file."""
_BY_ACTION = {facts.action: facts for facts in STEP_KINDS.values()}
COMMANDS = frozenset(verb for verb, facts in STEP_KINDS.items() if facts.is_command)
"""The kinds that `until: command` ends with; a write in the journal names its kind as its purpose."""


def facts_of(action: Action) -> StepFacts:
    """All that is known of the kind of a step. Raises KeyError for a kind that there is not."""
    return _BY_ACTION[type(action)]


def starts_of(name: str, steps: Iterable[Step]) -> int:
    """How often these steps take a point out of idle."""
    kinds = ((facts_of(step.action), step.action) for step in steps)
    return sum(facts.starts and name in facts.moves(action) for facts, action in kinds)


def show_action(action: Action) -> str:
    """A step in one line, as screen, journal and record show it."""
    return facts_of(action).words(action)


def step_words(rig: Rig, step: Step) -> str:
    """The same, on this rig: a button that nothing is wired to is pressed by a person, as long as he presses."""
    pressed = rig.points[step.action.point].by_hand if isinstance(step.action, Press) else None
    return step.text if pressed is None else f"a person presses briefly: {pressed}"
