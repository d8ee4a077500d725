"""What of the supply's life and of the limits is used up, over all runs: counted from what the archive remembers.

The archive is the bench's only memory from run to run; a fact is written by the run that ends (or its journal tells it,
where it was killed) and read by those to come:

    operations               how often the contact moved: its wear              `wear_of`
    limits_used              cuts, starts and falls of the last hour or pause   `used_lately`
    order, anchor            which run came after which, when it began          `moved_by`
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

import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from restart_bench.archive.files import ArchiveError, run_folders, run_id_of, run_json_of
from restart_bench.archive.known_archives import archives_of, moved_runs
from restart_bench.model.clock import HOUR_NS, NS_PER_S, Anchor, anchor, now_ns, passed_ns
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import PointLimits, Rig, RigSupply

if TYPE_CHECKING:
    from restart_bench.model.journal import Record


CLOCKS_DIFFER_NS = 60 * NS_PER_S
"""A wall clock is set back by so much, now and then, without having been wrong."""


@dataclass(slots=True)
class Used:
    """Cuts, starts and last falls that count, and when the supply last went on and off, as instants in ns (of the
    bench's clock, or of the wall). `order`: of the last armed run that is known of."""

    cuts: list[int] = field(default_factory=list)
    starts: dict[str, list[int]] = field(default_factory=dict)
    fell: dict[str, int] = field(default_factory=dict)
    supply: dict[str, int] = field(default_factory=dict)  # by "on" and "off"
    order: int = 0

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
        self.order = max(self.order, other.order)


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


def as_of_now(used: Used, moved_by_ns: int, now: Anchor) -> Used:
    """What an archive says was used (ns of the wall clock as it was then), on the wall clock of `now`. Nothing lies in
    the future: what seems to was carried out just now, which waits longest."""
    right = Used()
    right.add(used, moved_by_ns)
    now_ns = _wall_ns(now)
    right.cuts = [min(at, now_ns) for at in right.cuts]
    right.starts = {name: [min(at, now_ns) for at in starts] for name, starts in right.starts.items()}
    right.fell = {name: min(at, now_ns) for name, at in right.fell.items()}
    ahead_ns = max([0, *(at - now_ns for at in right.supply.values())])  # of both alike: which came last stays so
    right.supply = {to: at - ahead_ns for to, at in right.supply.items()}
    return right


@dataclass(frozen=True, slots=True)
class Noted:
    """When a run was, ns of the wall clock as that was then. `written`: the anchor that its instants were labelled by,
    None where none was noted. `order`: one more than that of any armed run that was known when it began; 0: not noted,
    as by earlier versions."""

    begun_ns: int
    ended_ns: int
    written: Anchor | None = None
    order: int = 0


def moved_by(runs: Sequence[Noted], now: Anchor) -> list[int]:
    """What to add to the instants of each run to have them on the wall clock of `now`, ns.

    Within one boot the monotonic clock tells how far apart two anchors are: the newest of that boot, or `now` itself,
    is the one whose wall clock is believed. A run of another boot that was labelled as later than now, or as earlier
    than one that began before it, had a wrong clock: it counts as late as it can have been, when the next one began."""
    written = (run.written for run in runs if run.written is not None)
    newest = {anchor.boot: anchor for anchor in sorted(written, key=lambda anchor: anchor.clock_ns)}
    newest[now.boot] = now
    moves = [0 if run.written is None else _wrong_by_ns(run.written, newest[run.written.boot]) for run in runs]
    in_order = sorted(range(len(runs)), key=lambda place: (runs[place].order, runs[place].begun_ns + moves[place]))
    wrong, latest_ns, now_ns = set(), 0, _wall_ns(now)
    for place in in_order:
        run, begun_ns = runs[place], runs[place].begun_ns + moves[place]
        is_sure = run.written is not None and bool(now.boot) and run.written.boot == now.boot
        if not is_sure and (run.ended_ns + moves[place] > now_ns or begun_ns < latest_ns - CLOCKS_DIFFER_NS):
            wrong.add(place)
        if begun_ns <= now_ns:
            latest_ns = max(latest_ns, begun_ns)
    next_ns = now_ns
    for place in reversed(in_order):
        if place in wrong:
            moves[place] = next_ns - runs[place].ended_ns
        if runs[place].order:
            next_ns = min(next_ns, runs[place].begun_ns + moves[place])
    return moves


def _wrong_by_ns(then: Anchor, right: Anchor) -> int:
    passed = passed_ns(then, right)
    return 0 if passed is None else _wall_ns(right) - passed - _wall_ns(then)


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
    journal where a run was killed. When a file was written plays no part."""
    used, now = Used(), anchor()
    since_ns = _wall_ns(now) - longest_limit_ns(rig)
    address = rig.supply.address if rig.supply is not None else None
    told: list[_Told] = []
    for folder, facts in _runs(archives_of(rig, logs)):
        if facts.get("simulated"):
            continue
        used.order = max(used.order, _order_of(facts))
        of_rig, of_supply = facts.get("rig") == rig.name, address is not None and facts.get("supply_address") == address
        if of_rig or of_supply:
            told.append(_told_by(folder, facts, of_rig=of_rig, of_supply=of_supply))
    for one, moved in zip(told, moved_by([one.noted for one in told], now), strict=True):
        if one.noted.ended_ns + moved >= since_ns:
            used.add(one.used(rig, moved, now))
    return used


def doubtful_dates(logs: Path, rig: str, before: datetime) -> dict[str, str]:
    """Runs of a rig that may have ended after this instant though their date says otherwise, and those dated a time to
    come: the run's id, and what is wrong with its date."""
    now, known = anchor(), [(at, facts) for at, facts in _runs([logs]) if facts.get("rig") == rig]
    noted = [_told_by(folder, facts, of_rig=True, of_supply=True).noted for folder, facts in known]
    before_ns, now_at_ns = round(before.timestamp() * NS_PER_S), _wall_ns(now)
    found: dict[str, str] = {}
    for (folder, _), one, moved in zip(known, noted, moved_by(noted, now), strict=True):
        if one.ended_ns > now_at_ns + CLOCKS_DIFFER_NS:
            text = "a time that is still to come: a clock was wrong, so its age is not known"
        elif moved > CLOCKS_DIFFER_NS and one.ended_ns < before_ns <= one.ended_ns + moved:
            latest = _minute(one.ended_ns + moved)
            text = f"but by the order of the runs, or the clock that nobody sets, it may be of {latest}"
        else:
            continue
        found[run_id_of(folder)] = f"is dated {_minute(one.ended_ns)}, {text}"
    return found


def _minute(wall_ns: int) -> str:
    with suppress(ValueError, OverflowError, OSError):
        return f"{datetime.fromtimestamp(wall_ns / NS_PER_S, UTC):%Y-%m-%d %H:%M}Z"
    return "no year that there is"


def used_by_now(logs: Path, rig: Rig) -> Used:
    """The same on the bench's clock."""
    used = Used()
    used.add(used_lately(logs, rig), shift_ns=now_ns() - time.time_ns())
    return used


@dataclass(frozen=True, slots=True)
class _Told:
    """A run that was on this rig, or on its supply, and what its run.json says that it used (None: its journal tells).
    When it was is told by what run.json says last of it."""

    folder: Path
    noted: Noted
    limits_used: Any
    of_rig: bool
    of_supply: bool

    def used(self, rig: Rig, moved_by_ns: int, now: Anchor) -> Used:
        """What counts of it, ns of the wall clock of `now`."""
        cut_was_due = False
        if self.limits_used is not None:
            used = read_usage_facts(self.limits_used)
        else:
            from restart_bench.archive.killed import cut_was_due as was_due

            used, records = Used(), journal_of(self.folder)
            if (moment := self.noted.written) is not None:
                used.add(used_in(records, rig), _wall_ns(moment) - moment.clock_ns)
                cut_was_due = was_due(records)
        used = as_of_now(used, moved_by_ns, now)
        if cut_was_due:  # it may have been carried out just now
            used.switched("off", _wall_ns(now))
        if not self.of_rig:  # another rig's points, but the same relay
            used.starts, used.fell = {}, {}
        if not self.of_supply:
            used.cuts, used.supply = [], {}
        return used


def _told_by(folder: Path, facts: Mapping[str, Any], *, of_rig: bool, of_supply: bool) -> _Told:
    noted = facts.get("limits_used")
    begun = _anchor_of(facts.get("anchor"))
    if noted is not None:
        when = _noted(begun, _anchor_of(noted.get("anchor")) if isinstance(noted, Mapping) else None)
        if when.written is None:
            used = read_usage_facts(noted)
            starts = [at for times in used.starts.values() for at in times]
            ended_ns = max([*used.cuts, *used.fell.values(), *used.supply.values(), *starts], default=when.ended_ns)
            when = replace(when, begun_ns=when.begun_ns or ended_ns, ended_ns=ended_ns)
    else:
        when = _noted(begun, begun)
        if begun is not None:
            when = replace(when, ended_ns=_wall_ns(begun) + _ended_at_ns(folder, facts) - begun.clock_ns)
    return _Told(folder, replace(when, order=_order_of(facts)), noted, of_rig, of_supply)


def _noted(begun: Anchor | None, written: Anchor | None) -> Noted:
    """`written`: the last anchor of the run, which came right with a clock that was set while it went on."""
    if written is None:
        return Noted(0, 0) if begun is None else Noted(_wall_ns(begun), _wall_ns(begun))
    passed = None if begun is None else passed_ns(begun, written)
    return Noted(_wall_ns(written) - (passed or 0), _wall_ns(written), written)


def _ended_at_ns(folder: Path, facts: Mapping[str, Any]) -> int:
    """On the clock of the run: as its run.json says, else its newest record."""
    with suppress(KeyError, TypeError, ValueError):
        return int(facts["ended"]["at_ns"])
    from restart_bench.archive.killed import newest_instant

    return newest_instant(journal_of(folder))


def _order_of(facts: Mapping[str, Any]) -> int:
    order = facts.get("order")
    return order if isinstance(order, int) and order > 0 else 0


def _anchor_of(value: object) -> Anchor | None:
    with suppress(TypeError, ValueError):
        found = Anchor(**value) if isinstance(value, Mapping) else None
        if found is not None and isinstance(found.clock_ns, int) and _wall_ns(found):
            return found
    return None


def _runs(archives: Sequence[Path]) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every run of these archives with its run.json; then what is remembered of runs that were moved away, each once. A
    run that is there outranks its line."""
    seen: set[str] = set()
    for folder in (folder for logs in archives for folder in run_folders(logs)):
        facts = run_json_of(folder)
        if facts:  # nothing was read of one that is moved away just now: then its line counts
            seen.add(run_id_of(folder))
        yield folder, facts
    for logs in archives:
        for folder, facts in moved_runs(logs):
            if facts["run"] not in seen:
                seen.add(facts["run"])
                yield folder, facts


def memory_of(folder: Path) -> dict[str, Any]:
    """What later runs have to know of a closed run once it is moved away: `wear_of` and `used_lately` ask for nothing
    else. Of cuts and starts only the last hour before its end can ever matter, of the rest the last instant."""
    facts = run_json_of(folder)
    names = ("run", "rig", "supply_address", "simulated", "operations", "order", "anchor", "ended")
    kept = {name: facts.get(name) for name in names}
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


def journal_of(folder: Path) -> list[Record]:
    """The journal; nothing where it can't be read. Few runs are killed, so `check` need not know how it is read."""
    from restart_bench.archive.reader import read_journal

    with suppress(ArchiveError):
        return read_journal(folder / "journal.jsonl")
    return []


def _operations_of(folder: Path) -> int:
    from restart_bench.archive.killed import operations_in

    return operations_in(journal_of(folder))
