"""What of the supply's life and of the limits is used up, over all runs: counted from what the archive remembers.

The archive is the bench's only memory from run to run; a fact is written by the run that ends (or its journal tells it,
where it was killed) and read by those to come:

    operations               how often the contact moved: its wear              `wear_of`
    limits_used              cuts, starts and falls of the last hour or pause   `used_lately`
    armed, supply_address    a run that was not closed: what it left            `recovery.left_open`
    resumes, seed, inputs    what a run goes on with, and with which files      `resume`, `archive.earlier`
    baselines.jsonl          the runs that others are held against              `compare.baselines`
    moved.jsonl              wear and limits of runs that were moved away       `_runs`, `archive.moving`

Wear and limits belong to the supply's address (over all archives of this user, `archive.known_archives`) and to the
points of a rig of one name; what a simulated run did counts for nothing.

A start of a point that the bench works is a command out of idle; a start of an output is a rise that was seen. An
operation of the contact is a movement of it: each off and each on counts, so a data sheet that counts the pair as one
is met with a factor of two to spare.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from restart_bench.archive.files import ArchiveError
from restart_bench.archive.known_archives import archives_of, moved_runs
from restart_bench.model.clock import HOUR_NS, NS_PER_S, Anchor, anchor, now_ns, passed_ns
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import PointLimits, Rig, RigSupply

if TYPE_CHECKING:
    from restart_bench.model.journal import Record


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

    def forget(self, until_ns: int) -> None:
        """Cuts and starts up to then count no more."""
        self.cuts = [at for at in self.cuts if at > until_ns]
        self.starts = {name: [at for at in starts if at > until_ns] for name, starts in self.starts.items()}

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
    return max([HOUR_NS, *pauses])


def used_in(records: Iterable[Record], rig: Rig) -> Used:
    """Cuts and starts that a journal names, on the clock of its run. Commands without an answer count."""
    from restart_bench.model.journal import CutAnnounced, PointWritten, Switching

    used = Used()
    limited = limited_points(rig)
    for record in records:
        if isinstance(record, CutAnnounced) and record.how == "supply":
            used.cuts.append(record.at_ns)  # a killed run may not have come to tell of the command itself
        elif isinstance(record, Switching) and record.what == "supply":
            if record.to != "on" or not record.problem:
                used.switched("on" if record.to == "on" else "off", record.after_ns)
        elif isinstance(record, PointWritten) and record.point in limited and record.purpose != "write":
            if record.value == rig.points[record.point].at_rest:
                used.stopped(record.point, record.received_ns)
            else:
                used.started(record.point, record.sent_ns)
    return used


def usage_facts(used: Used, moment: Anchor) -> dict[str, Any]:
    """What run.json says of it: instants as wall clock, ISO 8601, and what that clock was held against."""

    def label(at_ns: int) -> str:
        return moment.label(at_ns).isoformat(timespec="milliseconds")

    return {
        "cuts": [label(at) for at in used.cuts],
        "starts": {name: [label(at) for at in starts] for name, starts in used.starts.items()},
        "fell": {name: label(at) for name, at in used.fell.items()},
        "supply": {to: label(at) for to, at in used.supply.items()},
        "anchor": asdict(moment),
    }


def read_usage_facts(value: object) -> Used:
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


def as_of_now(used: Used, written: object, now: Anchor) -> Used:
    """What an archive says was used (ns of the wall clock as it was then), on the wall clock of `now`. `written` is
    the anchor of those labels. Within one boot the monotonic clock tells how long ago it was, whatever was done to the
    wall clock since. Nothing lies in the future: what seems to was carried out just now, which waits longest."""
    right = Used()
    right.add(used, _wall_was_wrong_by_ns(written, now))
    now_ns = _wall_ns(now)
    right.cuts = [min(at, now_ns) for at in right.cuts]
    right.starts = {name: [min(at, now_ns) for at in starts] for name, starts in right.starts.items()}
    right.fell = {name: min(at, now_ns) for name, at in right.fell.items()}
    ahead_ns = max([0, *(at - now_ns for at in right.supply.values())])  # of both alike: which came last stays so
    right.supply = {to: at - ahead_ns for to, at in right.supply.items()}
    return right


def _wall_was_wrong_by_ns(written: object, now: Anchor) -> int:
    try:
        then = Anchor(**written) if isinstance(written, Mapping) else None
        passed = None if then is None else passed_ns(then, now)
        return 0 if then is None or passed is None else _wall_ns(now) - passed - _wall_ns(then)
    except (TypeError, ValueError):
        return 0


def _wall_ns(moment: Anchor) -> int:
    return round(datetime.fromisoformat(moment.wall).timestamp() * NS_PER_S)


def _items(value: object) -> list[tuple[str, Any]]:
    return [(str(name), entry) for name, entry in value.items()] if isinstance(value, Mapping) else []


def _instants(values: object) -> list[int]:
    found: list[int] = []
    for text in values if isinstance(values, list) else []:
        try:
            found.append(int(datetime.fromisoformat(str(text)).timestamp() * NS_PER_S))
        except ValueError:
            continue
    return found


@dataclass(frozen=True, slots=True)
class Worn:
    """What a supply's contact has done so far: operations over all archived runs."""

    operations: int = 0


WEAR_WARNING = 0.8
"""Share of the rated operations from which on every run warns."""


def refuse_worn(supply: RigSupply, worn: Worn, planned_operations: int) -> str:
    """A warning ("" for none) about the contact's wear. Raises Refused where the plan goes beyond its rated life."""
    rated = supply.limits.operations
    if rated is None:
        return ""
    after = worn.operations + planned_operations
    if after > rated:
        raise Refused(
            f"the contact of {supply.address or supply.driver} has {worn.operations} of {rated} rated operations "
            f"behind it and this run would add {planned_operations}: nothing was moved. Change the relay and raise "
            "`limits: operations`, or plan fewer cycles."
        )
    if after > WEAR_WARNING * rated:
        return f"the contact has {worn.operations} of {rated} rated operations behind it; plan its replacement"
    return ""


def wear_of(logs: Path, rig: Rig) -> Worn:
    """Operations of the contact of this rig's supply over all archived runs, read from run.json; from the journal
    where a run was killed and not closed yet."""
    operations = 0
    address = rig.supply.address if rig.supply is not None else None
    for folder, facts in _runs(archives_of(rig, logs)):
        if address is None or facts.get("supply_address") != address or facts.get("simulated"):
            continue
        if facts.get("operations") is None:
            operations += _operations_of(folder)
        else:
            with suppress(TypeError, ValueError):
                operations += int(facts["operations"])
    return Worn(operations)


def used_lately(logs: Path, rig: Rig) -> Used:
    """Cuts of this supply and starts of this rig's points over all archived runs, in ns of the wall clock; from the
    journal where a run was killed."""
    used, now = Used(), anchor()
    address = rig.supply.address if rig.supply is not None else None
    since = time.time() - longest_limit_ns(rig) / NS_PER_S
    for folder, facts in _runs(archives_of(rig, logs), since):
        if facts.get("simulated"):
            continue
        of_run = _used_by(folder, facts, rig, now)
        if facts.get("rig") != rig.name:  # another rig's points, but perhaps the same relay
            of_run.starts, of_run.fell = {}, {}
        if address is None or facts.get("supply_address") != address:
            of_run.cuts, of_run.supply = [], {}
        used.add(of_run)
    return used


def used_by_now(logs: Path, rig: Rig) -> Used:
    """The same on the bench's clock."""
    used = Used()
    used.add(used_lately(logs, rig), shift_ns=now_ns() - time.time_ns())
    return used


def _used_by(folder: Path, facts: dict[str, Any], rig: Rig, now: Anchor) -> Used:
    if "limits_used" in facts:
        noted = facts["limits_used"]
        return as_of_now(read_usage_facts(noted), noted.get("anchor") if isinstance(noted, Mapping) else None, now)
    from restart_bench.archive.killed import cut_was_due

    used = Used()
    with suppress(KeyError, TypeError, ValueError, OverflowError):
        moment = Anchor(**facts["anchor"])
        records = journal_of(folder)
        used.add(used_in(records, rig), _wall_ns(moment) - moment.clock_ns)
        used = as_of_now(used, facts["anchor"], now)
        if cut_was_due(records):  # it may have been carried out just now
            used.switched("off", _wall_ns(now))
    return used


def _runs(archives: Sequence[Path], since: float = 0.0) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every run of these archives whose run.json or journal was written since then (s of the wall clock), with its
    run.json; then what is remembered of runs that were moved away, each once. A run that is there outranks its line."""
    seen: set[str] = set()
    for path in (path for logs in archives for path in logs.glob("rig=*/date=*/run=*/run.json")):
        if since and max(_written(path), _written(path.with_name("journal.jsonl"))) < since:
            seen.add(path.parent.name.removeprefix("run="))
            continue
        facts = run_json_of(path.parent)
        if facts:  # nothing was read of one that is moved away just now: then its line counts
            seen.add(path.parent.name.removeprefix("run="))
        yield path.parent, facts
    for logs in archives:
        for folder, facts in moved_runs(logs):
            if facts["run"] not in seen:
                seen.add(facts["run"])
                yield folder, facts


def memory_of(folder: Path) -> dict[str, Any]:
    """What later runs have to know of a closed run once it is moved away: `wear_of` and `used_lately` ask for nothing
    else. Of cuts and starts only the last hour before its end can ever matter, of the rest the last instant."""
    facts = run_json_of(folder)
    kept = {name: facts.get(name) for name in ("run", "rig", "supply_address", "simulated", "operations")}
    if kept["operations"] is None:
        kept["operations"] = _operations_of(folder)
    if isinstance(facts.get("limits_used"), Mapping):
        kept["limits_used"] = _last_hour(facts["limits_used"])
    return kept


def _last_hour(limits_used: Mapping[str, Any]) -> dict[str, Any]:
    starts = {name: _late(times) for name, times in _items(limits_used.get("starts"))}
    return {**limits_used, "cuts": _late(limits_used.get("cuts")), "starts": starts}


def _late(texts: object) -> list[Any]:
    """Of instants as run.json has them those of the hour before the last one."""
    latest = max(_instants(texts), default=0)
    return [text for text in texts if _instants([text]) > [latest - HOUR_NS]] if isinstance(texts, list) else []


def _written(path: Path) -> float:
    with suppress(OSError):
        return path.stat().st_mtime
    return 0.0


def run_json_of(folder: Path) -> dict[str, Any]:
    """run.json, whatever wrote it; nothing where it can't be read."""
    with suppress(OSError, ValueError, RecursionError):
        facts = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        if isinstance(facts, dict):
            return facts
    return {}


def journal_of(folder: Path) -> list[Record]:
    """The journal; nothing where it can't be read. Few runs are killed, so `check` need not know how it is read."""
    from restart_bench.archive.reader import read_journal

    with suppress(ArchiveError):
        return read_journal(folder / "journal.jsonl")
    return []


def _operations_of(folder: Path) -> int:
    from restart_bench.archive.killed import operations_in

    return operations_in(journal_of(folder))
