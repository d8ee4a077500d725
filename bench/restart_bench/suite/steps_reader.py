"""Steps of a scenario file: what each becomes, how it is shown, and what it needs of its points."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from restart_bench.files.validation import KeyPath, Ledger, Written
from restart_bench.model.rig import Rig, Value, Wanted
from restart_bench.model.scenario import Action, Ask, ByEye, Expect, Hold, Phase, Press, Release, Step, Wait, Write
from restart_bench.model.step_kinds import STEP_KINDS, show_action
from restart_bench.suite.names import Names, conditions_in, may_be_pressed, value_for
from restart_bench.suite.scenario_schema import AskIn, ByEyeIn, ExpectIn, HoldIn, PressIn, ReleaseIn, WaitIn, WriteIn


@dataclass(frozen=True, slots=True)
class _Entry:
    """One entry of a file, with all that it is read by. `held` are the points that earlier steps hold."""

    path: KeyPath
    rig: Rig
    names: Names
    ledger: Ledger
    held: set[str]


def steps_of(key: str, told: Sequence[Any], rig: Rig, names: Names, ledger: Ledger, held: set[str]) -> tuple[Step, ...]:
    """The steps of `before` or `function_check`. `held` are the points that earlier steps hold; it is kept up."""
    phase: Phase = "before" if key == "before" else "function check"
    found: list[Step] = []
    for path, written in ledger.entries((key,), told):
        verb = verb_of(written)
        for action in READERS[verb](_Entry((*path, verb), rig, names, ledger, held), written):
            found.append(Step(phase, len(found), action, show_action(action), ledger.line(path)))
    return tuple(found)


def verb_of(written: Written) -> str:
    """The key that names the step of an entry."""
    return next(name for name in type(written).model_fields if name in STEP_KINDS)


# ---------------------------------------------------------------- what an entry does: one action for each of a group


def _press(entry: _Entry, written: PressIn) -> Iterator[Action]:
    for name in _pressed(entry, written.press):
        if name in entry.held:
            entry.ledger.fault(entry.path, f"{name} is held already", "release it first")
        yield Press(name, written.for_)


def _hold(entry: _Entry, written: HoldIn) -> Iterator[Action]:
    for name in _pressed(entry, written.hold):
        if name in entry.held:
            entry.ledger.fault(entry.path, f"{name} is held already", "release it first, or delete this step")
        entry.held.add(name)
        yield Hold(name)


def _release(entry: _Entry, written: ReleaseIn) -> Iterator[Action]:
    for name in _pressed(entry, written.release):
        if name not in entry.held and not entry.ledger.faults:
            entry.ledger.fault(entry.path, f"{name} is not held", "hold it first, or delete this step")
        entry.held.discard(name)
        yield Release(name)


def _write(entry: _Entry, written: WriteIn) -> Iterator[Action]:
    values = tuple(_written(entry, written.write))
    if not written.write:
        cure = "name a point and its value, like {moisture_setpoint: 14.5}"
        entry.ledger.fault(entry.path, "is empty", cure)
    if values:
        yield Write(values)


def _expect(entry: _Entry, written: ExpectIn) -> Iterator[Action]:
    conditions = conditions_of(entry.path, written.expect, entry.names, entry.ledger)
    if conditions:
        judged = tuple(entry.rig.judged_point(name) for name, _ in conditions)
        yield Expect(conditions, judged, written.within, written.steady)


def _wait(_entry: _Entry, written: WaitIn) -> Iterator[Action]:
    yield Wait(written.wait)


def _ask(_entry: _Entry, written: AskIn) -> Iterator[Action]:
    yield Ask(written.ask)


def _by_eye(entry: _Entry, written: ByEyeIn) -> Iterator[Action]:
    if written.by_eye:
        yield ByEye(tuple(written.by_eye.items()))
    else:
        entry.ledger.fault(entry.path, "is empty", "name what the person should see, like {lamp: on}")


READERS: dict[str, Callable[[_Entry, Any], Iterator[Action]]] = {
    "press": _press,
    "hold": _hold,
    "release": _release,
    "write": _write,
    "expect": _expect,
    "wait": _wait,
    "ask": _ask,
    "by_eye": _by_eye,
}


def conditions_of(path: KeyPath, told: dict[str, Any], names: Names, ledger: Ledger) -> tuple[tuple[str, Wanted], ...]:
    """The conditions of an `expect`, one for each member of a group."""
    if not told:
        ledger.fault(path, "is empty", "name a point and what it should be, like {burner: on}")
    return tuple(conditions_in(path, told, names, ledger))


def _pressed(entry: _Entry, written: str) -> Iterator[str]:
    path, mode, ledger = entry.path, entry.rig.mode, entry.ledger
    for name in entry.names.members(path, written, ledger):
        if mode is not None and mode.point == name:
            ledger.fault(path, f"{name} selects run mode", "write cut: {how: mode} to leave run mode")
        elif may_be_pressed(path, entry.names.points[name], ledger):
            yield name


def _written(entry: _Entry, told: dict[str, Value]) -> Iterator[tuple[str, Value]]:
    rig, names, ledger = entry.rig, entry.names, entry.ledger
    for written, value in told.items():
        place = (*entry.path, written)
        for name in names.members(place, written, ledger):
            point = names.points[name]
            if not point.writable:
                ledger.fault(place, "is not writable", f"add writable: yes to the point {name}")
            elif rig.mode is not None and rig.mode.point == name:
                ledger.fault(place, "selects run mode", "write cut: {how: mode} to leave run mode")
            elif point.levels is not None:
                ledger.fault(place, "is a register with levels, and a level can't be written", "delete its levels:")
            else:
                fitting = value_for(place, value, point, ledger)
                if fitting is not None:
                    yield name, fitting
