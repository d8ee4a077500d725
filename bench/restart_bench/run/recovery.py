"""Runs that were killed: where they are, what they left out of idle, and how an armed start puts that right.

A killed run's rig is touched only by an armed run, survey, pytest or `park` on that rig, which says first what it
will do (rules of safety, DEVELOPERS.md): every point back to idle, where that run had it, and then the supply to rest.
A point that can't be let go of keeps the supply from going on. Simulated runs left nothing behind: their rig ended with
them.

The rig is taken as it was archived with the run, so that an edit of the rig file leaves nothing pressed at an address
that nobody names any more; where today's file differs is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from restart_bench.archive.files import ArchiveError, is_closed, is_going_on, run_folders, run_json_of
from restart_bench.archive.known_archives import archives_of
from restart_bench.archive.reader import ArchivedRun, readable_records, whole_lines
from restart_bench.archive.writer import Report, finish_killed, give_up_cycles, unfinished
from restart_bench.model.codec import from_line
from restart_bench.model.journal import PointWritten, Record, RunEnded, WriteAnnounced, supply_commands
from restart_bench.model.rig import Point, Rig, Value
from restart_bench.observer.handle import Blind, ObserverHandle
from restart_bench.run.actuators import Actuators, idle_values, reach_supply
from restart_bench.run.arming import Say, SupplyLock, manual_step
from restart_bench.run.supervision import StopRequest
from restart_bench.run.usage import used_by_now
from restart_bench.suite.supply_address import addresses_now


def left_open(logs: Path, rig: Rig) -> list[Path]:
    """Folders of runs that were never closed, oldest first: of this rig, and armed ones on its supply, whatever their
    rig is called and in whichever archive of this user they lie."""
    found = dict.fromkeys(path.resolve() for path in unfinished(logs, rig.name))
    for archive in archives_of(rig, logs) if rig.supply is not None else ():
        for path in unfinished(archive, "*"):
            facts = run_json_of(path)
            if facts.get("armed") and _on_its_supply(facts, rig):
                found[path.resolve()] = None
    return sorted(found, key=lambda path: path.name)


def holder_of(logs: Path, rig: Rig) -> str:
    """Which run has the supply of this rig now, or that none was found, in words that go on after "another bench"."""
    with suppress(ArchiveError, OSError):  # that the supply is held is what matters
        for archive in archives_of(rig, logs):
            for folder in reversed(run_folders(archive)):
                facts = {} if is_closed(folder) else run_json_of(folder)
                if facts.get("armed") and _on_its_supply(facts, rig) and is_going_on(folder):
                    by = f", by {facts['by']}" if facts.get("by") else ""
                    return f" (run {facts.get('run')} on {facts.get('rig')}{by})"
    return f" (which of its runs on {rig.name} that is was not found)"


def _on_its_supply(facts: Mapping[str, Any], rig: Rig) -> bool:
    """Whether a run was on the supply of this rig, whatever names of one port they use."""
    there = facts.get("supply_address")
    if rig.supply is None or not isinstance(there, str):
        return False
    return not set(addresses_now(rig.supply.address)).isdisjoint(addresses_now(there))


def was_armed(folder: Path) -> bool:
    """True where the run switched something real, or where nobody can tell."""
    facts = run_json_of(folder)
    return bool(facts.get("armed")) or not facts


def how_it_ended(folder: Path) -> str:
    """Why a run that is not closed is open, in words."""
    facts = run_json_of(folder)
    if facts.get("state") != "left open":
        over = "came to its end and was killed, or its disk was full, before it was closed"
        return over if _told_its_end(folder) else "was killed"
    return f"ended by itself and was left open ({facts.get('left_open') or 'its way out is not finished'})"


def _told_its_end(folder: Path) -> bool:
    """True where the journal ends as that of a run that was over."""
    with suppress(OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        lines, _ = whole_lines((folder / "journal.jsonl").read_bytes())
        return bool(lines) and isinstance(from_line(lines[-1].decode("utf-8")), RunEnded)
    return False


def told_of_open(logs: Path, rig: Rig) -> str:
    """What open runs of this rig left, for whoever may not touch it; "" where there are none."""
    told = [_left_by(folder, rig) for folder in left_open(logs, rig) if was_armed(folder)]
    if not told:
        return ""
    cure = f"`restart-bench park {rig.path or 'RIG'} --arm {rig.name}` puts it right; so does the next armed run"
    return f"{'; '.join(told)}. {cure}"


def _left_by(folder: Path, rig: Rig) -> str:
    records, damaged = _journal_of(folder)
    held = idle_values(rig) if damaged else {**out_of_idle(records, rig), **dict.fromkeys(_held_of(folder), False)}
    supply = supply_left(records).upper()
    out = f", and may have left {', '.join(held)} out of idle" if held else ""
    return f"{folder.name} {how_it_ended(folder)}: it last commanded THE SUPPLY {supply}{out}"


def _journal_of(folder: Path) -> tuple[list[Record], str]:
    """What can be read of a journal, and what is wrong with it, "" for nothing."""
    try:
        records, damaged = readable_records(folder / "journal.jsonl")
    except ArchiveError as problem:
        return [], f"its journal can't be read ({problem})"
    return records, f"{damaged} lines of its journal are damaged" if damaged else ""


def _held_of(folder: Path) -> tuple[str, ...]:
    """Points that a run itself said it could not bring to idle."""
    return tuple(str(name) for name in run_json_of(folder).get("held") or ())


def out_of_idle(records: list[Record], rig: Rig) -> dict[str, Value]:
    """Points that a journal leaves out of idle, with the value to go back to.

    A command that drew no answer counts as carried out: it may have been.
    """
    left: dict[str, Value] = {}
    for record in records:
        if not isinstance(record, PointWritten | WriteAnnounced) or record.purpose == "write":
            continue
        point = rig.points.get(record.point)
        if point is None or not point.writable:
            continue
        rest = _rest_value(rig, record.point)
        if record.value == rest and isinstance(record, PointWritten) and not record.problem:
            left.pop(record.point, None)
        elif record.value != rest:
            left[record.point] = rest
    return left


def _rest_value(rig: Rig, name: str) -> Value:
    if rig.mode is not None and rig.mode.point == name:
        return rig.mode.run
    return rig.points[name].at_rest


def supply_left(records: list[Record]) -> str:
    """What the last command to the supply was: on, off, to a level, or unknown."""
    switched = supply_commands(records)
    if not switched:
        return "unknown"
    return "to a level" if switched[-1].to == "level" else switched[-1].to


# ---------------------------------------------------------------- putting it right


class NotRight(Exception):
    """What a killed run left could not be put right, or not be told, so nothing is begun; a person has to look."""


@dataclass(slots=True)
class _KilledRun:
    """One killed run: its rig as archived, what it left out of idle, and the actuators that let go of that."""

    folder: Path
    rig: Rig
    undo: dict[str, Value]
    supply: str
    differs: list[str]
    actuators: Actuators
    held: tuple[str, ...] = ()
    problem: str = ""  # why its supply can't be reached
    same_supply: bool = field(default=True)


def put_right(
    folders: Sequence[Path],
    actuators: Actuators,
    rig: Rig,
    *,
    say: Say,
    armed: bool,
    supply_problem: str = "",
    record: Report | None = None,
) -> tuple[Path, ...]:
    """Closes killed runs; where they were armed and we are too, first lets go of their points and rests their supply.

    Says what it will do before it does it. Returns what it closed. An armed run stays open while nobody is armed, and
    where its supply can't be reached or a point can't be let go of; for the latter it raises NotRight once all is done
    that can be.
    """
    closed: list[Path] = []
    with ExitStack() as stack:
        owed: list[_KilledRun] = []
        for folder in folders:
            if not was_armed(folder):
                closed += close_killed(folder, say, record)
            elif not armed:
                left = f"{folder.name} {how_it_ended(folder)}, and its rig was left as it is"
                say(f"{left}; an armed run or `park` puts it right")
            else:
                owed.append(_seen(folder, actuators, rig, say, stack, supply_problem))
        for killed in owed:
            killed.actuators.undo(killed.undo)
            killed.held = killed.actuators.all_to_idle(say)
        held = [f"{name} of {killed.folder.name}" for killed in owed for name in killed.held]
        for killed in owed:
            _rest(killed, actuators, rig, say, closed, held=held, record=record)
    insist_on_idle(held)
    return tuple(closed)


def insist_on_idle(held: Iterable[str]) -> None:
    """Raises NotRight where something could not be let go of."""
    if names := ", ".join(held):
        raise NotRight(
            f"{names} could not be shown to be back in idle, so the supply is not switched on: go to the rig, let go "
            "of it there, then `restart-bench park`"
        )


def _rest(
    killed: _KilledRun,
    actuators: Actuators,
    rig: Rig,
    say: Say,
    closed: list[Path],
    *,
    held: list[str],
    record: Report | None,
) -> None:
    supply = rig.supply if killed.same_supply else killed.rig.supply
    wish = supply.after_trouble if supply is not None else "as it is"
    if killed.problem:
        say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {killed.problem}; {manual_step(wish, rig)}")
        try:
            give_up_cycles(killed.folder, "its points were let go of while its supply could not be reached")
        except Exception as fault:
            say(f"{killed.folder.name}: it can't be noted that its open cycle was given up: {_told(fault)}")
        return
    if held and wish != "off":
        return
    own = actuators if killed.same_supply else killed.actuators
    own.state.commanded = "unknown"
    left = own.leave_supply(wish, "park", say)
    if not held and not left.trouble:
        closed += close_killed(killed.folder, say, record)


def close_killed(folder: Path, say: Say, record: Report | None) -> list[Path]:
    """Closes a killed run and returns it. A log that can't be closed, whatever is wrong with it, is said, and keeps
    nobody from a run."""
    try:
        finish_killed(folder, record)
    except Exception as fault:
        say(
            f"{folder.name} {how_it_ended(folder)} and its log could not be closed: {_told(fault)}; it stays open: "
            "look at the rig, then move that folder out of the archive"
        )
        return []
    return [folder]


def _told(fault: Exception) -> str:
    """What is wrong with an archive: ours say it themselves, of others their kind helps."""
    return str(fault) if isinstance(fault, ArchiveError) else f"{type(fault).__name__}: {fault}"


# ---------------------------------------------------------------- the rig as that run had it


def _seen(folder: Path, actuators: Actuators, rig: Rig, say: Say, stack: ExitStack, supply_problem: str) -> _KilledRun:
    """What a killed run left, told before anything is done about it."""
    old = _rig_of(folder, rig, say)
    records, damaged = _journal_of(folder)
    undo = idle_values(old) if damaged else out_of_idle(records, old)
    undo |= {name: _rest_value(old, name) for name in _held_of(folder) if name in old.points}
    killed = _KilledRun(folder, old, undo, supply_left(records), list(_differences(old, rig, undo)), actuators)
    killed.same_supply = old.supply is None or (rig.supply is not None and old.supply.address == rig.supply.address)
    killed.problem = supply_problem if killed.same_supply else ""
    supply = rig.supply if killed.same_supply else old.supply
    wish = supply.after_trouble if supply is not None else "as it is"
    if damaged:
        say(f"{folder.name}: {damaged}, so all its command points go to idle")
    to_come = [f"{', '.join(undo)} back to idle"] if undo else []
    to_come += (
        [] if supply is None else ["the supply stays as it is" if wish == "as it is" else f"the supply goes {wish}"]
    )
    say(
        f"{folder.name} {how_it_ended(folder)}; it last commanded the supply {killed.supply}. "
        f"It is put right now: {', then '.join(to_come) or 'nothing is left to do'}"
    )
    for difference in killed.differs:
        say(f"the rig file is not that of {folder.name} any more: {difference}; it is put right where that run had it")
    if killed.differs:
        _reach(killed, actuators, say, stack)
    return killed


def _rig_of(folder: Path, rig: Rig, say: Say) -> Rig:
    try:
        return ArchivedRun.open(folder).suite().rig
    except Exception as problem:
        say(f"{folder.name}: its rig file can't be read any more ({_told(problem)}), so today's is taken for it")
        return rig


def _differences(old: Rig, new: Rig, names: dict[str, Value]) -> Iterator[str]:
    for name in names:
        then, now = _place(old, old.points[name]), _place(new, new.points.get(name))
        if then != now:
            yield f"{name} was {then} and is {now}"
    if old.supply is not None and (new.supply is None or new.supply.address != old.supply.address):
        now = "none" if new.supply is None else new.supply.address
        yield f"the supply was {old.supply.address} and is {now}"


def _place(rig: Rig, point: Point | None) -> str:
    if point is None:
        return "not in the file"
    device = rig.devices[point.device]
    kind = point.table.replace("_", " ")
    return f"{kind} {point.address} (item {point.address + 1}) at {device.host}:{device.port}, unit {device.unit}"


def _reach(killed: _KilledRun, actuators: Actuators, say: Say, stack: ExitStack) -> None:
    """Actuators on the rig as it was: an observer of its own, and its own supply where that is another one."""
    old = killed.rig
    asked = {*killed.undo, *(proof.point for proof in old.proof_of_cut), *(name for name, _ in old.only_while)}
    points = tuple(point for point in old.points.values() if point.name in asked)
    try:
        observer: ObserverHandle = ObserverHandle(tuple(old.devices.values()), points, None)
    except Exception as problem:
        say(f"{killed.folder.name}: its points can't be reached: {problem}")
        observer = Blind(str(problem))
    stack.enter_context(observer)
    supply = None
    if not killed.same_supply and old.supply is not None:
        try:
            stack.enter_context(SupplyLock(old.supply))
            supply, why = reach_supply(old.supply, None, StopRequest(), stack)
        except Exception as held:  # a lock is another bench's
            why = f"{type(held).__name__}: {held}"
        killed.problem = f"the supply that it had can't be reached: {why}" if why else ""
    used = used_by_now(killed.folder.parents[2], killed.rig)
    killed.actuators = actuators.on_another(old, observer, supply, off_since_ns=used.off_since_ns)
