"""Names of points in files, and tests of their values: what both rig and scenario files refer to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass

from restart_bench.files.cures import KEY, Refusal, closest, row_for
from restart_bench.files.validation import KeyPath, Ledger, Written
from restart_bench.model.rig import HALF_A_SINGLE, WHOLE_RANGES, Point, Rig, Value, Wanted, as_single
from restart_bench.suite.rig_schema import TestIn


@dataclass(frozen=True, slots=True)
class Names:
    """The points and groups that can be named. `broken` are names whose own entry is faulty: they are told there."""

    points: Mapping[str, Point]
    groups: Mapping[str, tuple[str, ...]]
    broken: frozenset[str] = frozenset()
    dark_devices: frozenset[str] = frozenset()  # devices that go dark with the supply

    @staticmethod
    def of(rig: Rig, broken: frozenset[str] = frozenset()) -> Names:
        """The names of a rig."""
        return Names(rig.points, rig.groups, broken)

    def members(self, path: KeyPath, name: str, ledger: Ledger) -> tuple[str, ...]:
        """The points that a name stands for: itself, or a group's members; none, with a fault, if it is unknown."""
        if name in self.groups:
            return tuple(member for member in self.groups[name] if member not in self.broken)
        found = self.one(path, name, ledger)
        return (found,) if found is not None else ()

    def one(self, path: KeyPath, name: str, ledger: Ledger) -> str | None:
        """The point of this name, None where there is none."""
        if name in self.broken:
            return None
        if name in self.points:
            return name
        if name in self.groups:
            ledger.fault(path, f"{name} is a group where one point is due", f"name one of {_list(self.groups[name])}")
            return None
        known = (*self.points, *self.groups)
        near = closest(name, known)
        is_key = bool(path) and path[-1] == name
        cure = f"did you mean {near}?" if near else f"the rig has {_list(known)}"
        refusal = Refusal(KEY, "point", name, known=known)
        row = row_for(refusal) if is_key else None
        if row is not None and row.name != "known keys":
            cure = row.say(refusal)
        ledger.fault(path, "unknown point" if is_key else f"{name} is no point of the rig", cure)
        return None


def _list(names: Iterable[str]) -> str:
    return ", ".join(names) or "no points"


def value_for(path: KeyPath, value: Value, point: Point, ledger: Ledger, *, near: bool = False) -> Value | None:
    """The value if a point can have it, as the point's register would give it; None with a fault if it never can.

    `near`: a value between two steps of the register will do, for it has a tolerance.
    """
    shown = ("on" if value else "off") if isinstance(value, bool) else f"{value:g}"
    if point.is_boolean:
        if isinstance(value, bool):
            return value
        cure = f"write {'on' if value else 'off'}" if value in (0, 1) else "write on or off"
        ledger.fault(path, f"{shown} for {point.name}, which is off or on", cure)
        return None
    if isinstance(value, bool):
        cure = "write a number, or give the point levels: {off_below: ..., on_above: ...}"
        ledger.fault(path, f"{shown} for {point.name}, which holds a number", cure)
        return None
    limits = WHOLE_RANGES.get(point.type)
    if limits is not None:
        low, high = sorted((limits[0] * point.scale, limits[1] * point.scale))
        if not low <= value <= high:
            text = f"{shown} is outside what {point.name} can hold ({point.type})"
            ledger.fault(path, text, f"write {low:g} to {high:g}, or correct the point's type or scale")
            return None
    if limits is None:
        return _as_single(path, value, point, ledger)
    return value if near else _on_a_step(path, value, point, ledger)


def _as_single(path: KeyPath, value: int | float, point: Point, ledger: Ledger) -> float | None:
    """The value as a float32 register holds it: the nearest of single precision, times the scale."""
    try:
        single = as_single(value / point.scale)
    except OverflowError:
        ledger.fault(path, f"{value:g} is outside what {point.name} can hold ({point.type})", "write a smaller number")
        return None
    return single if point.scale == 1.0 else single * point.scale


def _on_a_step(path: KeyPath, value: int | float, point: Point, ledger: Ledger) -> int | float | None:
    """The value as the register's whole number times its scale gives it, so that it compares equal when read."""
    raw = value / point.scale
    step = round(raw)
    if abs(raw - step) > 1e-6:
        cure = f"write {step * point.scale:g}, or add a tolerance where it is expected"
        ledger.fault(path, f"{value:g} lies between two steps of {point.name} ({point.scale:g} each)", cure)
        return None
    return step if point.scale == 1.0 else step * point.scale


def _limit(value: float | None, point: Point) -> float | None:
    """A limit as the register gives it where it can have just this value, else as it is written."""
    if value is None or point.is_boolean:
        return value
    if point.type == "float32":
        with suppress(OverflowError):
            return as_single(value / point.scale) * point.scale
        return value
    step = round(value / point.scale) * point.scale
    return step if abs(value - step) <= abs(point.scale) * 1e-6 else value


def widened(amount: float, point: Point) -> float:
    """A tolerance or limit of a change, wider by what floating point loses where a register is scaled. What float32
    loses goes by the values: `rounding_of`."""
    return amount if point.scale == 1.0 or point.type == "float32" else amount + abs(point.scale) * 1e-9


def rounding_of(point: Point) -> float:
    """`Wanted.rounding` of a point."""
    return HALF_A_SINGLE if point.type == "float32" else 0.0


def wanted_value(path: KeyPath, test: Value | TestIn, point: Point, ledger: Ledger) -> Wanted | None:
    """What is wanted of a point; None with a fault where it can't be."""
    if not isinstance(test, TestIn):
        value = value_for(path, test, point, ledger)
        return None if value is None else Wanted(equals=value)
    groups = [bool(test.is_ is not None), bool(test.one_of), test.above is not None or test.below is not None]
    if sum(groups) != 1:
        what = "says nothing" if sum(groups) == 0 else "says more than one thing"
        ledger.fault(path, what, "write one of is:, one_of:, or above: and below:")
        return None
    return wanted_mapping(path, test, point, ledger, test.is_)


def conditions_in(
    path: KeyPath, told: Mapping[str, Value | TestIn], names: Names, ledger: Ledger
) -> Iterator[tuple[str, Wanted]]:
    """What is wanted of each point that the names in a mapping stand for; `path` is the mapping's."""
    for written, test in told.items():
        place = (*path, written)
        for name in names.members(place, written, ledger):
            wanted = wanted_value(place, test, names.points[name], ledger)
            if wanted is not None:
                yield name, wanted


def wanted_mapping(path: KeyPath, test: Written, point: Point, ledger: Ledger, equals: Value | None) -> Wanted | None:
    """`equals` with a tolerance, `one_of`, or `above` and `below` of a mapping that has these keys."""
    one_of: list[Value] | None = getattr(test, "one_of", None)
    above: float | None = getattr(test, "above", None)
    below: float | None = getattr(test, "below", None)
    tolerance: float | None = getattr(test, "tolerance", None)
    if tolerance is not None and (equals is None or isinstance(equals, bool) or tolerance < 0):
        ledger.fault((*path, "tolerance"), "has nothing to be near to", "write it beside a number, 0 or above")
        return None
    if equals is not None:
        value = value_for((*path, "is"), equals, point, ledger, near=bool(tolerance))
        wide = widened(tolerance, point) if tolerance else 0.0
        return None if value is None else Wanted(equals=value, tolerance=wide, rounding=rounding_of(point))
    if one_of is not None:
        values = [value_for((*path, "one_of"), value, point, ledger) for value in one_of]
        fitting = tuple(value for value in values if value is not None)
        return Wanted(one_of=fitting) if len(fitting) == len(one_of) else None
    if point.is_boolean:
        side = "above" if above is not None else "below"
        ledger.fault((*path, side), f"{point.name} is off or on", "write on or off")
        return None
    if above is not None and below is not None and above >= below:
        ledger.fault(path, f"nothing is above {above:g} and below {below:g}", "write the smaller number behind above:")
        return None
    return Wanted(above=_limit(above, point), below=_limit(below, point))


def wants_on(wanted: Wanted, point: Point) -> bool:
    """True where a Boolean point is wanted on."""
    return point.is_boolean and wanted.equals is True


def may_be_pressed(path: KeyPath, point: Point, ledger: Ledger) -> bool:
    """True if a press can be made; else a fault says what the point lacks."""
    if not point.writable and point.by_hand is None:
        cure = "add writable: yes and idle: to the point, or by_hand: if a person presses it"
        ledger.fault(path, f"{point.name} is not writable", cure)
    elif not point.is_boolean or point.type != "bool":
        ledger.fault(path, f"{point.name} is a register", "write: sets a register; press: needs a coil")
    elif point.idle is None:
        ledger.fault(
            path,
            f"{point.name} has no idle",
            f"add idle: off to the point {point.name} (idle: on for a normally-closed one)",
        )
    else:
        return True
    return False
