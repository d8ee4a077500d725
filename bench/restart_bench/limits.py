"""What the supply and single points may do within an hour, over all runs: counted from the archive, waited for here.

A start of a point that the bench works is a command out of idle; a start of an output is a rise that was seen. An
operation of the contact is a movement of it: each off and each on counts, so a data sheet that counts the pair as one
is met with a factor of two to spare.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from restart_bench.clock import NS_PER_S, Anchor
from restart_bench.records import CutAnnounced, PointWritten, Record, Switching
from restart_bench.rig import PointLimits, Rig

HOUR_NS = 3600 * NS_PER_S


@dataclass(slots=True)
class Used:
    """Cuts, starts and last falls that count, and when the supply last went on and off, as instants in ns (of the
    bench's clock, or of the wall)."""

    cuts: list[int] = field(default_factory=list)
    starts: dict[str, list[int]] = field(default_factory=dict)
    fell: dict[str, int] = field(default_factory=dict)
    supply: dict[str, int] = field(default_factory=dict)  # by "on" and "off"

    def switched(self, to: str, at_ns: int) -> None:
        """The supply went on or off (a level counts as off). Going on again while it is on changes nothing."""
        if to == "on" and self.supply.get("on", at_ns) > self.supply.get("off", at_ns):
            return
        self.supply[to] = max(at_ns, self.supply.get(to, at_ns))

    def started(self, name: str, at_ns: int) -> None:
        """A start of this point."""
        self.starts.setdefault(name, []).append(at_ns)

    def stopped(self, name: str, at_ns: int) -> None:
        """The point went off (or back to idle)."""
        self.fell[name] = max(at_ns, self.fell.get(name, at_ns))

    @property
    def off_since_ns(self) -> int | None:
        """When the supply was last taken away; None where it was given back since, or never taken."""
        went_off = self.supply.get("off")
        return None if went_off is None or self.supply.get("on", went_off) > went_off else went_off

    @property
    def on_since_ns(self) -> int | None:
        """When the supply was last given back; None where it was taken away since, or nothing is known."""
        return None if self.off_since_ns is not None else self.supply.get("on")

    def add(self, other: Used, shift_ns: int = 0) -> None:
        """Takes over what another one holds, its instants moved by `shift_ns`."""
        self.cuts += [at + shift_ns for at in other.cuts]
        for name, starts in other.starts.items():
            self.starts.setdefault(name, []).extend(at + shift_ns for at in starts)
        for name, at in other.fell.items():
            self.stopped(name, at + shift_ns)
        for to, at in other.supply.items():
            self.supply[to] = max(at + shift_ns, self.supply.get(to, at + shift_ns))


def limited_points(rig: Rig) -> dict[str, PointLimits]:
    """The points that carry limits, by name."""
    return {name: point.limits for name, point in rig.points.items() if point.limits is not None}


def longest_limit_ns(rig: Rig) -> int:
    """How far back cuts and starts can still matter: the hour of the hourly limits, or a longer pause."""
    pauses = [limits.off_at_least_ns for limits in limited_points(rig).values()]
    if rig.supply is not None:
        pauses += [rig.supply.limits.off_at_least_ns, rig.supply.limits.on_at_least_ns]
    return max(HOUR_NS, *pauses)


def used_in(records: Iterable[Record], rig: Rig) -> Used:
    """Cuts and starts that a journal names, on the clock of its run. Commands without an answer count."""
    used = Used()
    limited = limited_points(rig)
    for record in records:
        if isinstance(record, CutAnnounced) and record.how == "supply":
            used.cuts.append(record.at_ns)  # a killed run may not have come to tell of the command itself
        elif isinstance(record, Switching) and record.what == "supply":
            if record.to != "on" or not record.problem:
                used.switched("on" if record.to == "on" else "off", record.after_ns)
        elif isinstance(record, PointWritten) and record.point in limited and record.purpose != "write":
            if record.value == _idle(rig, record.point):
                used.stopped(record.point, record.received_ns)
            else:
                used.started(record.point, record.sent_ns)
    return used


def _idle(rig: Rig, name: str) -> object:
    idle = rig.points[name].idle
    return False if idle is None else idle


def told(used: Used, anchor: Anchor) -> dict[str, Any]:
    """What run.json says of it: instants as wall clock, ISO 8601."""

    def label(at_ns: int) -> str:
        return anchor.label(at_ns).isoformat(timespec="milliseconds")

    return {
        "cuts": [label(at) for at in used.cuts],
        "starts": {name: [label(at) for at in starts] for name, starts in used.starts.items()},
        "fell": {name: label(at) for name, at in used.fell.items()},
        "supply": {to: label(at) for to, at in used.supply.items()},
    }


def read_told(value: object) -> Used:
    """The same back, as ns of the wall clock; what can't be read is left out."""
    used = Used()
    if not isinstance(value, Mapping):
        return used
    used.cuts = _instants(value.get("cuts"))
    for name, starts in _items(value.get("starts")):
        used.starts[name] = _instants(starts)
    for kind, kept in (("fell", used.fell), ("supply", used.supply)):
        for name, at in _items(value.get(kind)):
            found = _instants([at])
            if found:
                kept[name] = found[0]
    return used


def _items(value: object) -> list[tuple[str, Any]]:
    return [(str(name), one) for name, one in value.items()] if isinstance(value, Mapping) else []


def _instants(values: object) -> list[int]:
    found: list[int] = []
    for text in values if isinstance(values, list) else []:
        try:
            found.append(int(datetime.fromisoformat(str(text)).timestamp() * NS_PER_S))
        except ValueError:
            continue
    return found


def wait_for_point_ns(
    name: str, limits: PointLimits, used: Used, *, now_ns: int, starts_to_come: int
) -> tuple[int, str]:
    """How long to wait, and why, before this point may start `starts_to_come` more times: (0, "") if at once."""
    waits = [(0, "")]
    if limits.off_at_least_ns and name in used.fell:
        left = used.fell[name] + limits.off_at_least_ns - now_ns
        waits.append((left, f"{name} must stay off for its off_at_least"))
    if limits.starts_per_hour:
        left = wait_for_room_ns(used.starts.get(name, ()), limits.starts_per_hour, starts_to_come, now_ns)
        waits.append((left, f"{name} may start no more than {limits.starts_per_hour} times an hour"))
    longest = max(waits, key=lambda wait: wait[0])
    return longest if longest[0] > 0 else (0, "")


def wait_for_room_ns(starts: Sequence[int], allowed: int, to_come: int, now_ns: int) -> int:
    """How long until so many of the last hour's starts (or cuts) are past that those to come fit; 0: at once."""
    recent = sorted(at for at in starts if at > now_ns - HOUR_NS)
    too_many = len(recent) + min(to_come, allowed) - allowed
    return recent[too_many - 1] + HOUR_NS - now_ns if too_many > 0 else 0
