"""Steps of a scenario file: what each becomes, how it is shown, and what it needs of its points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from restart_bench.files.validation import Ledger, Path
from restart_bench.model.rig import Rig, Value, Wanted
from restart_bench.model.scenario import Action, Ask, ByEye, Expect, Hold, Phase, Press, Release, Step, Wait, Write
from restart_bench.model.wording import show_action
from restart_bench.suite.names import Names, may_be_pressed, value_for, wanted_value
from restart_bench.suite.scenario_schema import AskIn, ByEyeIn, ExpectIn, HoldIn, PressIn, ReleaseIn, WaitIn, WriteIn


def steps_of(key: str, told: Sequence[Any], rig: Rig, names: Names, ledger: Ledger, held: set[str]) -> tuple[Step, ...]:
    """The steps of `before` or `function_check`. `held` are the points that earlier steps hold; it is kept up."""
    phase: Phase = "before" if key == "before" else "function check"
    found: list[Step] = []
    for path, one in ledger.entries((key,), told):
        for action in _actions(path, one, rig, names, ledger, held):
            found.append(Step(phase, len(found), action, show_action(action), ledger.line(path)))
    return tuple(found)


def _actions(path: Path, told: Any, rig: Rig, names: Names, ledger: Ledger, held: set[str]) -> Iterator[Action]:
    """What one entry does; an entry that works a group makes one action for each member."""
    if isinstance(told, PressIn):
        for name in _pressed((*path, "press"), told.press, rig, names, ledger):
            if name in held:
                ledger.fault((*path, "press"), f"{name} is held already", "release it first")
            yield Press(name, told.for_)
    elif isinstance(told, HoldIn):
        for name in _pressed((*path, "hold"), told.hold, rig, names, ledger):
            if name in held:
                ledger.fault((*path, "hold"), f"{name} is held already", "release it first, or delete this step")
            held.add(name)
            yield Hold(name)
    elif isinstance(told, ReleaseIn):
        for name in _pressed((*path, "release"), told.release, rig, names, ledger):
            if name not in held and not ledger.faults:
                ledger.fault((*path, "release"), f"{name} is not held", "hold it first, or delete this step")
            held.discard(name)
            yield Release(name)
    elif isinstance(told, WriteIn):
        values = tuple(_written((*path, "write"), told.write, rig, names, ledger))
        if not told.write:
            ledger.fault((*path, "write"), "is empty", "name a point and its value, like {moisture_setpoint: 14.5}")
        if values:
            yield Write(values)
    elif isinstance(told, ExpectIn):
        conditions = conditions_of((*path, "expect"), told.expect, names, ledger)
        if conditions:
            judged = tuple(rig.judged_point(name) for name, _ in conditions)
            yield Expect(conditions, judged, told.within, told.steady)
    elif isinstance(told, WaitIn):
        yield Wait(told.wait)
    elif isinstance(told, AskIn):
        yield Ask(told.ask)
    elif isinstance(told, ByEyeIn):
        if not told.by_eye:
            ledger.fault((*path, "by_eye"), "is empty", "name what the person should see, like {lamp: on}")
        else:
            yield ByEye(tuple(told.by_eye.items()))


def conditions_of(path: Path, told: dict[str, Any], names: Names, ledger: Ledger) -> tuple[tuple[str, Wanted], ...]:
    """The conditions of an `expect`, one for each member of a group."""
    if not told:
        ledger.fault(path, "is empty", "name a point and what it should be, like {burner: on}")
    found: list[tuple[str, Wanted]] = []
    for written, test in told.items():
        place = (*path, written)
        for name in names.members(place, written, ledger):
            wanted = wanted_value(place, test, names.points[name], ledger)
            if wanted is not None:
                found.append((name, wanted))
    return tuple(found)


def _pressed(path: Path, written: str, rig: Rig, names: Names, ledger: Ledger) -> Iterator[str]:
    for name in names.members(path, written, ledger):
        if rig.mode is not None and rig.mode.point == name:
            ledger.fault(path, f"{name} selects run mode", "write cut: {how: mode} to leave run mode")
        elif may_be_pressed(path, names.points[name], ledger):
            yield name


def _written(path: Path, told: dict[str, Value], rig: Rig, names: Names, ledger: Ledger) -> Iterator[tuple[str, Value]]:
    for written, value in told.items():
        place = (*path, written)
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


# ---------------------------------------------------------------- how steps and values are shown
