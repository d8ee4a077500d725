"""What a scenario file demands: expectations during and after the cut, limits for marks, gaps."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import permutations
from typing import Any

from restart_bench.files.cures import closest
from restart_bench.files.kinds import AS_BEFORE
from restart_bench.files.validation import KeyPath, Ledger
from restart_bench.model.clock import BLIND_NS
from restart_bench.model.rig import Point, Rig, Value, Wanted
from restart_bench.model.scenario import EXPECTATION_KINDS, MARKS, Expectation, ExpectationKind, Gap, MarkLimit, Window
from restart_bench.model.units import show_duration
from restart_bench.model.wording import show_expectation, show_limits, show_wanted, show_window
from restart_bench.suite.names import Names, rounding_of, value_for, wanted_mapping, wanted_value, widened
from restart_bench.suite.scenario_schema import ExpectationIn, MarkLimitIn, ScenarioIn
from restart_bench.suite.steps_reader import conditions_of

TIMED_MARKS = tuple(mark for mark in MARKS if mark not in ("cut", "dark", "restored", "settled", "end"))


def during_of(model: ScenarioIn, rig: Rig, names: Names, ledger: Ledger) -> tuple[Expectation, ...]:
    """What has to come true while the supply is off: read on independent points or terminals."""
    found: list[Expectation] = []
    for path, told in ledger.entries(("during",), model.during):
        for name, wanted in conditions_of((*path, "expect"), told.expect, names, ledger):
            judged = rig.judged_point(name)
            place = (*path, "expect", name)
            if model.cut.how == "supply" and not rig.is_independent(judged):
                cure = "give it a terminal: on an independent device, or name an independent point"
                ledger.fault(place, "is read from the controller, which is dark now", cure)
                continue
            if model.cut.how == "mode" and rig.tells_memory(name):
                text = f"only the controller tells of {name}, out of run mode of its memory: on stays inconclusive"
                ledger.warn(place, text, "give it a terminal: on an independent device")
            text = f"is {show_wanted(wanted)} during the cut"
            found.append(
                Expectation("during", name, judged, ExpectationKind.IS, wanted, text=text, line=ledger.line(place))
            )
    return tuple(found)


def expectations_of(model: ScenarioIn, rig: Rig, names: Names, ledger: Ledger) -> tuple[Expectation, ...]:
    """What is demanded after the cut: a group's entry gives one expectation for each member."""
    found: list[Expectation] = []
    for written, told in model.after.expect.items():
        path: KeyPath = ("after", "expect", written)
        for name in names.members(path, written, ledger):
            point = names.points[name]
            if isinstance(told, ExpectationIn):
                found += _written_out(path, told, point, rig, names, ledger)
            else:
                wanted = _wanted(path, told, point, ledger)
                if wanted is not None:
                    found.append(_expectation(path, ExpectationKind.IS, wanted, point, rig, ledger))
    for one in found:
        _warn_about_darkness(model, one, rig, ledger)
    # what a group and its member say alike is judged once
    return tuple({(one.point, one.text, one.blind_ns): one for one in reversed(found)}.values())[::-1]


def _wanted(path: KeyPath, value: Value | str, point: Point, ledger: Ledger, tolerance: float = 0.0) -> Wanted | None:
    """A value or `as before`."""
    if isinstance(value, str):
        return Wanted(as_before=True, tolerance=tolerance, rounding=rounding_of(point))
    fitting = value_for(path, value, point, ledger, near=tolerance > 0)
    return None if fitting is None else Wanted(equals=fitting, tolerance=tolerance, rounding=rounding_of(point))


def _expectation(
    path: KeyPath, kind: ExpectationKind, wanted: Wanted, point: Point, rig: Rig, ledger: Ledger, **more: Any
) -> Expectation:
    longer_than = more.pop("longer_than_ns", None) or rig.defaults.longer_than_ns
    one = Expectation(
        "after",
        point.name,
        rig.judged_point(point.name),
        kind,
        wanted,
        longer_than_ns=longer_than,
        line=ledger.line(path),
        **more,
    )
    return replace(one, text=show_expectation(one))


def _written_out(
    path: KeyPath, told: ExpectationIn, point: Point, rig: Rig, names: Names, ledger: Ledger
) -> Iterator[Expectation]:
    """The one or two expectations of a mapping."""
    kinds = _kinds(path, told, ledger)
    if not kinds:
        return
    _check_keys(path, told, kinds, ledger)
    tolerance = _tolerance(path, told, kinds, point, ledger)
    for kind in kinds:
        read = READERS[kind](_Told(path, told, point, rig, names, ledger, tolerance))
        if read is not None:
            wanted, more = read
            yield _expectation(path, kind, wanted, point, rig, ledger, **more)


@dataclass(frozen=True, slots=True)
class _Told:
    """A mapping that demands something of a point, with all that it is read by."""

    path: KeyPath
    written: ExpectationIn
    point: Point
    rig: Rig
    names: Names
    ledger: Ledger
    tolerance: float


_Read = tuple[Wanted, dict[str, Any]] | None
"""What is wanted, and other fields of the expectation; None with a fault where it can't be."""


def _read_is(told: _Told) -> _Read:
    wanted = _is_wanted(told.path, told.written, told.point, told.ledger, told.tolerance)
    if wanted is None:
        return None
    return wanted, {
        "window": _window(told.written),
        "start": _start(told.path, told.written, told.names, told.ledger),
        "blind_ns": told.written.blind if told.written.blind is not None else BLIND_NS,
        "until": told.written.until or "watch",
    }


def _read_never(told: _Told) -> _Read:
    assert told.written.never is not None
    wanted = wanted_value((*told.path, "never"), told.written.never, told.point, told.ledger)
    _check_possible(told.path, told.written, wanted, told.ledger)
    if wanted is None:
        return None
    return wanted, {"longer_than_ns": told.written.longer_than, "until": told.written.until or "watch"}


def _read_stays(told: _Told) -> _Read:
    assert told.written.stays is not None
    wanted = _wanted((*told.path, "stays"), told.written.stays, told.point, told.ledger, told.tolerance)
    return None if wanted is None else (wanted, {"longer_than_ns": told.written.longer_than})


def _read_returns(told: _Told) -> _Read:
    if told.point.is_boolean:
        return Wanted(equals=True), {"until": "command"}
    cure = "write is: or never: with a value"
    told.ledger.fault((*told.path, "returns"), f"{told.point.name} is not off or on", cure)
    return None


READERS: dict[ExpectationKind, Callable[[_Told], _Read]] = {
    ExpectationKind.IS: _read_is,
    ExpectationKind.NEVER: _read_never,
    ExpectationKind.STAYS: _read_stays,
    ExpectationKind.RETURNS: _read_returns,
}


def _check_possible(path: KeyPath, told: ExpectationIn, never: Wanted | None, ledger: Ledger) -> None:
    """What must be so in the end must not be what must never be."""
    ends_as = told.is_
    if never is None or ends_as is None or isinstance(ends_as, str) or not never.met_by(ends_as):
        return
    said = show_wanted(Wanted(equals=ends_as))
    text = f"is: {said} and never: {show_wanted(never)} can't both be met"
    ledger.fault((*path, "never"), text, f"delete one of them, or write what it must not be before it is {said}")


def _kinds(path: KeyPath, told: ExpectationIn, ledger: Ledger) -> list[ExpectationKind]:
    """Which kinds the mapping says; none, with a fault, where they do not go together."""
    by_kind = {
        kind: [key for key in facts.written if _value_of(told, key) is not None]
        for kind, facts in EXPECTATION_KINDS.items()
    }
    kinds = [kind for kind, written in by_kind.items() if written]
    if not kinds:
        keys = ", ".join(f"{key}:" for facts in EXPECTATION_KINDS.values() for key in facts.written)
        ledger.fault(path, "demands nothing", f"write one of {keys}")
        return []
    for written in by_kind.values():
        if len(set(written) - {"below"} if "above" in written else set(written)) > 1:
            ledger.fault(path, f"{' and '.join(f'{key}:' for key in written)} do not go together", "keep one of them")
            return []
    if any(other not in kind.facts.beside for kind, other in permutations(kinds, 2)):
        text = f"{' and '.join(f'{kind}:' for kind in kinds)} do not go together"
        ledger.fault(path, text, "keep one of them; only is: and never: may stand together")
        return []
    return kinds


def _value_of(told: ExpectationIn, key: str) -> Any:
    """What is written behind a key."""
    return getattr(told, f"{key}_" if key in ("is", "from") else key)


def _check_keys(path: KeyPath, told: ExpectationIn, kinds: list[ExpectationKind], ledger: Ledger) -> None:
    """Keys that only mean something beside others."""
    if told.within is not None and told.between is not None:
        cure = "delete within: (between: says it too)"
        ledger.fault((*path, "within"), "within: and between: do not go together", cure)
    for key in dict.fromkeys(key for facts in EXPECTATION_KINDS.values() for key in facts.keys):
        beside = [kind for kind, facts in EXPECTATION_KINDS.items() if key in facts.keys]
        if _value_of(told, key) is not None and not any(kind in kinds for kind in beside):
            words = " or ".join(f"{kind}:" for kind in beside)
            ledger.fault((*path, key), f"means nothing beside {kinds[0]}:", f"write it beside {words}, or delete it")
    if told.from_ is not None and told.within is None and told.between is None:
        ledger.fault((*path, "from"), "has nothing to count", "write within: or between: beside it")


def _tolerance(path: KeyPath, told: ExpectationIn, kinds: list[ExpectationKind], point: Point, ledger: Ledger) -> float:
    if told.tolerance is None:
        return 0.0
    near_to = told.is_ if ExpectationKind.IS in kinds else told.stays
    if near_to is None or isinstance(near_to, bool) or point.is_boolean or told.tolerance < 0:
        ledger.fault((*path, "tolerance"), "has nothing to be near to", "write it beside a number, 0 or above")
        return 0.0
    return widened(told.tolerance, point) if told.tolerance else 0.0


def _is_wanted(path: KeyPath, told: ExpectationIn, point: Point, ledger: Ledger, tolerance: float) -> Wanted | None:
    if told.is_ is not None:
        return _wanted((*path, "is"), told.is_, point, ledger, tolerance)
    if told.change is not None:
        if point.is_boolean:
            ledger.fault((*path, "change"), f"{point.name} is off or on", f"write is: {AS_BEFORE}, on or off")
            return None
        least, most = told.change
        return Wanted(change=(-widened(-least, point), widened(most, point)), rounding=rounding_of(point))
    return wanted_mapping(path, told, point, ledger, None)


def _window(told: ExpectationIn) -> Window | None:
    if told.within is not None:
        return Window(0, told.within)
    return Window(*told.between) if told.between is not None else None


def _start(path: KeyPath, told: ExpectationIn, names: Names, ledger: Ledger) -> str:
    """What a window counts from: a mark, or the point that is read for the one named."""
    if told.from_ is None or told.from_ in ("restored", "ready"):
        return told.from_ or "restored"
    name = names.one((*path, "from"), told.from_, ledger)
    if name is None:
        return "restored"
    if not names.points[name].is_boolean:
        text = f"{name} is not off or on, so it has no first change to on"
        ledger.fault((*path, "from"), text, "name an output, ready or restored")
    return name


def _warn_about_darkness(model: ScenarioIn, one: Expectation, rig: Rig, ledger: Ledger) -> None:
    """The controller can't tell what its outputs do while it is dark."""
    if model.cut.how == "supply" and one.kind.facts.through_the_dark and not rig.is_independent(one.judged):
        text = f"{one.point} is read from the controller, which is silent while it restarts: this stays inconclusive"
        ledger.warn(("after", "expect", one.point), text, "give it a terminal: on an independent device")


# ---------------------------------------------------------------- marks and gaps


def times_of(model: ScenarioIn, rig: Rig, ledger: Ledger) -> tuple[MarkLimit, ...]:
    """Limits for marks, counted from the restored supply."""
    found: list[MarkLimit] = []
    for mark, told in model.after.times.items():
        path: KeyPath = ("after", "times", mark)
        if mark not in TIMED_MARKS:
            near = closest(mark, TIMED_MARKS)
            known = f"marks after the restored supply are {', '.join(TIMED_MARKS)}"
            ledger.fault(path, "is no mark that can be timed", f"did you mean {near}?" if near else known)
            continue
        if mark == "alive" and rig.ready.alive is None:
            ledger.fault(path, "the rig names no alive point", "add alive: to the rig's ready")
        window = _mark_window(path, told, ledger)
        if window is not None:
            text = f"{mark} {show_window(window)}"
            found.append(MarkLimit(mark, window, text))
            if mark == "ready" and window.not_after_ns is not None and window.not_after_ns > rig.ready.within_ns:
                text = f"the bench waits for ready no longer than {show_duration(rig.ready.within_ns)}"
                ledger.warn(path, text, "raise within: in the rig's ready")
    return tuple(found)


def _mark_window(path: KeyPath, told: MarkLimitIn, ledger: Ledger) -> Window | None:
    if (told.within is None) == (told.between is None):
        what = "has no limit" if told.within is None else "within: and between: do not go together"
        ledger.fault(path, what, "write within: 10 s, or between: [1 s, 10 s]")
        return None
    return Window(0, told.within) if told.within is not None else Window(*told.between) if told.between else None


def start_gaps(model: ScenarioIn, rig: Rig, names: Names, ledger: Ledger) -> tuple[Gap, ...]:
    """Times between the first changes to on of two points; groups give one gap for each pair."""
    found: list[Gap] = []
    for path, told in ledger.entries(("after", "gaps"), model.after.gaps):
        if told.at_least is None and told.at_most is None:
            ledger.fault(path, "has no limit", "add at_least: or at_most:")
            continue
        if told.at_least is not None and told.at_most is not None and told.at_most < told.at_least:
            ledger.fault(path, "at_most is shorter than at_least", "write the shorter time behind at_least:")
            continue
        for first in _switched((*path, "first"), told.first, names, ledger):
            for then in _switched((*path, "then"), told.then, names, ledger):
                if first == then:
                    ledger.fault((*path, "then"), f"{then} is both first and then", "name two points")
                    continue
                found.append(
                    Gap(
                        first,
                        then,
                        rig.judged_point(first),
                        rig.judged_point(then),
                        told.at_least,
                        told.at_most,
                        f"{then} {show_limits(told.at_least, told.at_most)} after {first}",
                    )
                )
    return tuple(found)


def _switched(path: KeyPath, written: str, names: Names, ledger: Ledger) -> Iterator[str]:
    for name in names.members(path, written, ledger):
        if names.points[name].is_boolean:
            yield name
        else:
            ledger.fault(path, f"{name} is not off or on", "name outputs")
