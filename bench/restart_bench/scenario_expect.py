"""What a scenario file demands: expectations during and after the cut, limits for marks, gaps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Literal

from restart_bench.cures import closest
from restart_bench.file_models import Ledger, Path
from restart_bench.file_points import Names, value_for, wanted_mapping, wanted_value, widened
from restart_bench.file_types import AS_BEFORE
from restart_bench.records import MARKS
from restart_bench.rig import Point, Rig, Value, Wanted
from restart_bench.scenario import Expectation, Gap, MarkLimit, Window
from restart_bench.scenario_model import ExpectationIn, MarkLimitIn, ScenarioIn
from restart_bench.scenario_steps import conditions_of, show_wanted
from restart_bench.units import show_duration

Kind = Literal["is", "never", "stays", "returns"]
DEFAULT_BLIND_NS = 1_000_000_000
IS_KEYS = ("is", "one_of", "above", "below", "change")
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
            text = f"is {show_wanted(wanted)} during the cut"
            found.append(Expectation("during", name, judged, "is", wanted, text=text, line=ledger.line(place)))
    return tuple(found)


def expectations_of(model: ScenarioIn, rig: Rig, names: Names, ledger: Ledger) -> tuple[Expectation, ...]:
    """What is demanded after the cut: a group's entry gives one expectation for each member."""
    found: list[Expectation] = []
    for written, told in model.after.expect.items():
        path: Path = ("after", "expect", written)
        for name in names.members(path, written, ledger):
            point = names.points[name]
            if isinstance(told, ExpectationIn):
                found += _written_out(path, told, point, rig, names, ledger)
            else:
                wanted = _wanted(path, told, point, ledger)
                if wanted is not None:
                    found.append(_expectation(path, "is", wanted, point, rig, ledger))
    for one in found:
        _warn_about_darkness(model, one, rig, ledger)
    # what a group and its member say alike is judged once
    return tuple({(one.point, one.text, one.blind_ns): one for one in reversed(found)}.values())[::-1]


def _wanted(path: Path, value: Value | str, point: Point, ledger: Ledger, tolerance: float = 0.0) -> Wanted | None:
    """A value or `as before`."""
    if isinstance(value, str):
        return Wanted(as_before=True, tolerance=tolerance)
    fitting = value_for(path, value, point, ledger, near=tolerance > 0)
    return None if fitting is None else Wanted(equals=fitting, tolerance=tolerance)


def _expectation(
    path: Path, kind: Kind, wanted: Wanted, point: Point, rig: Rig, ledger: Ledger, **more: Any
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
    path: Path, told: ExpectationIn, point: Point, rig: Rig, names: Names, ledger: Ledger
) -> Iterator[Expectation]:
    """The one or two expectations of a mapping."""
    kinds = _kinds(path, told, ledger)
    if not kinds:
        return
    _check_keys(path, told, kinds, ledger)
    tolerance = _tolerance(path, told, kinds, point, ledger)
    more: dict[str, Any] = {"until": told.until or "watch"}
    if "is" in kinds:
        wanted = _is_wanted(path, told, point, ledger, tolerance)
        if wanted is not None:
            start = _start(path, told, rig, names, ledger)
            blind = told.blind if told.blind is not None else DEFAULT_BLIND_NS
            yield _expectation(
                path, "is", wanted, point, rig, ledger, window=_window(told), start=start, blind_ns=blind, **more
            )
    if "never" in kinds and told.never is not None:
        wanted = wanted_value((*path, "never"), told.never, point, ledger)
        _check_possible(path, told, wanted, ledger)
        if wanted is not None:
            yield _expectation(path, "never", wanted, point, rig, ledger, longer_than_ns=told.longer_than, **more)
    if "stays" in kinds and told.stays is not None:
        wanted = _wanted((*path, "stays"), told.stays, point, ledger, tolerance)
        if wanted is not None:
            yield _expectation(path, "stays", wanted, point, rig, ledger, longer_than_ns=told.longer_than)
    if "returns" in kinds:
        if not point.is_boolean:
            ledger.fault((*path, "returns"), f"{point.name} is not off or on", "write is: or never: with a value")
            return
        yield _expectation(path, "returns", Wanted(equals=True), point, rig, ledger, until="command")


def _check_possible(path: Path, told: ExpectationIn, never: Wanted | None, ledger: Ledger) -> None:
    """What must be so in the end must not be what must never be."""
    ends_as = told.is_
    if never is None or ends_as is None or isinstance(ends_as, str) or not never.met_by(ends_as):
        return
    said = show_wanted(Wanted(equals=ends_as))
    text = f"is: {said} and never: {show_wanted(never)} can't both be met"
    ledger.fault((*path, "never"), text, f"delete one of them, or write what it must not be before it is {said}")


def _kinds(path: Path, told: ExpectationIn, ledger: Ledger) -> list[Kind]:
    """Which of is, never, stays, returns the mapping says; none, with a fault, where they do not go together."""
    written = [key for key in IS_KEYS if getattr(told, "is_" if key == "is" else key) is not None]
    kinds: list[Kind] = ["is"] if written else []
    others: tuple[Kind, ...] = ("never", "stays", "returns")
    kinds += [kind for kind in others if getattr(told, kind) is not None]
    if not kinds:
        keys = ", ".join(f"{key}:" for key in (*IS_KEYS, *others))
        ledger.fault(path, "demands nothing", f"write one of {keys}")
        return []
    if len(set(written) - {"below"} if "above" in written else set(written)) > 1:
        ledger.fault(path, f"{' and '.join(f'{key}:' for key in written)} do not go together", "keep one of them")
        return []
    if len(kinds) > 1 and kinds != ["is", "never"]:
        text = f"{' and '.join(f'{kind}:' for kind in kinds)} do not go together"
        ledger.fault(path, text, "keep one of them; only is: and never: may stand together")
        return []
    return kinds


def _check_keys(path: Path, told: ExpectationIn, kinds: list[Kind], ledger: Ledger) -> None:
    """Keys that only mean something beside others."""
    if told.within is not None and told.between is not None:
        cure = "delete within: (between: says it too)"
        ledger.fault((*path, "within"), "within: and between: do not go together", cure)
    needs: tuple[tuple[str, Any, tuple[Kind, ...]], ...] = (
        ("longer_than", told.longer_than, ("never", "stays")),
        ("within", told.within, ("is",)),
        ("between", told.between, ("is",)),
        ("blind", told.blind, ("is",)),
        ("until", told.until, ("is", "never")),
        ("tolerance", told.tolerance, ("is", "stays")),
    )
    for key, value, beside in needs:
        if value is not None and not any(kind in kinds for kind in beside):
            words = " or ".join(f"{kind}:" for kind in beside)
            ledger.fault((*path, key), f"means nothing beside {kinds[0]}:", f"write it beside {words}, or delete it")
    if told.from_ is not None and told.within is None and told.between is None:
        ledger.fault((*path, "from"), "has nothing to count", "write within: or between: beside it")


def _tolerance(path: Path, told: ExpectationIn, kinds: list[Kind], point: Point, ledger: Ledger) -> float:
    if told.tolerance is None:
        return 0.0
    near_to = told.is_ if "is" in kinds else told.stays
    if near_to is None or isinstance(near_to, bool) or point.is_boolean or told.tolerance < 0:
        ledger.fault((*path, "tolerance"), "has nothing to be near to", "write it beside a number, 0 or above")
        return 0.0
    return widened(told.tolerance, point) if told.tolerance else 0.0


def _is_wanted(path: Path, told: ExpectationIn, point: Point, ledger: Ledger, tolerance: float) -> Wanted | None:
    if told.is_ is not None:
        return _wanted((*path, "is"), told.is_, point, ledger, tolerance)
    if told.change is not None:
        if point.is_boolean:
            ledger.fault((*path, "change"), f"{point.name} is off or on", f"write is: {AS_BEFORE}, on or off")
            return None
        least, most = told.change
        return Wanted(change=(-widened(-least, point), widened(most, point)))
    return wanted_mapping(path, told, point, ledger, None)


def _window(told: ExpectationIn) -> Window | None:
    if told.within is not None:
        return Window(0, told.within)
    return Window(*told.between) if told.between is not None else None


def _start(path: Path, told: ExpectationIn, rig: Rig, names: Names, ledger: Ledger) -> str:
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
    if model.cut.how == "supply" and one.kind in ("never", "stays") and not rig.is_independent(one.judged):
        text = f"{one.point} is read from the controller, which is silent while it restarts: this stays inconclusive"
        ledger.warn(("after", "expect", one.point), text, "give it a terminal: on an independent device")


# ---------------------------------------------------------------- marks and gaps


def times_of(model: ScenarioIn, rig: Rig, ledger: Ledger) -> tuple[MarkLimit, ...]:
    """Limits for marks, counted from the restored supply."""
    found: list[MarkLimit] = []
    for mark, told in model.after.times.items():
        path: Path = ("after", "times", mark)
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
            found.append(MarkLimit(mark, window, text, ledger.line(path)))
            if mark == "ready" and window.not_after_ns is not None and window.not_after_ns > rig.ready.within_ns:
                text = f"the bench waits for ready no longer than {show_duration(rig.ready.within_ns)}"
                ledger.warn(path, text, "raise within: in the rig's ready")
    return tuple(found)


def _mark_window(path: Path, told: MarkLimitIn, ledger: Ledger) -> Window | None:
    if (told.within is None) == (told.between is None):
        what = "has no limit" if told.within is None else "within: and between: do not go together"
        ledger.fault(path, what, "write within: 10 s, or between: [1 s, 10 s]")
        return None
    return Window(0, told.within) if told.within is not None else Window(*told.between) if told.between else None


def gaps_of(model: ScenarioIn, rig: Rig, names: Names, ledger: Ledger) -> tuple[Gap, ...]:
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
                        f"{then} {_show_limits(told.at_least, told.at_most)} after {first}",
                        ledger.line(path),
                    )
                )
    return tuple(found)


def _switched(path: Path, written: str, names: Names, ledger: Ledger) -> Iterator[str]:
    for name in names.members(path, written, ledger):
        if names.points[name].is_boolean:
            yield name
        else:
            ledger.fault(path, f"{name} is not off or on", "name outputs")


# ---------------------------------------------------------------- how it is shown


def show_expectation(one: Expectation) -> str:
    """How an expectation is shown and known: `is off`, `never on for 20 ms or longer`, `is on within 5 s`."""
    if one.kind == "returns":
        return "never returns without a command"
    wanted = show_wanted(one.wanted)
    if one.kind in ("never", "stays"):
        until = " until the next command" if one.until == "command" else ""
        length = show_duration(one.longer_than_ns)
        if one.kind == "never":
            return f"never {wanted} for {length} or longer{until}"
        return f"stays {wanted}, deviations shorter than {length} allowed"
    text = f"is {wanted}"
    if one.window is not None:
        text += f" {show_window(one.window)}"
        text += f" of {one.start}" if one.start != "restored" else ""
    return text + (" until the next command" if one.until == "command" else "")


def show_window(window: Window) -> str:
    """`within 5 s`, `between 30 s and 60 s`."""
    last = show_duration(window.not_after_ns) if window.not_after_ns is not None else ""
    if window.not_before_ns == 0:
        return f"within {last}"
    return f"between {show_duration(window.not_before_ns)} and {last}"


def _show_limits(at_least: int | None, at_most: int | None) -> str:
    if at_least is not None and at_most is not None:
        return f"{show_duration(at_least)} to {show_duration(at_most)}"
    if at_least is not None:
        return f"{show_duration(at_least)} or more"
    return f"{show_duration(at_most or 0)} at most"
