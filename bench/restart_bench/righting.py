"""How an armed start puts right what killed runs left: first every point back to idle, where that run had it, and then
the supply to rest. A point that can't be let go of keeps the supply from going on.

The rig is taken as it was archived with the run, so that an edit of the rig file leaves nothing pressed at an address
that nobody names any more; where today's file differs is said.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from restart_bench.archive import finish_killed, give_up_cycles
from restart_bench.archive_files import ArchiveError
from restart_bench.archive_reading import ArchivedRun, readable_records
from restart_bench.file_faults import FaultsFound
from restart_bench.hands import Hands, left_well, let_go_of
from restart_bench.observing import Blind, Observing
from restart_bench.reporting import write_report
from restart_bench.rig import Point, Rig, Value
from restart_bench.safety import SupplyLock, manual_step
from restart_bench.unfinished import out_of_idle, supply_left, was_armed
from restart_bench_drivers.interface import SupplyError

Say = Callable[[str], None]


class NotRight(Exception):
    """What a killed run left could not be put right, so nothing is switched on; a person has to look at the rig."""


@dataclass(slots=True)
class _Left:
    """One killed run: its rig as archived, what it left out of idle, and by whose hands that is let go of."""

    folder: Path
    rig: Rig
    undo: dict[str, Value]
    supply: str
    differs: list[str]
    hands: Hands
    held: tuple[str, ...] = ()
    problem: str = ""  # why its supply can't be reached
    same_supply: bool = field(default=True)


def put_right(
    folders: Sequence[Path], hands: Hands, rig: Rig, *, say: Say, armed: bool, supply_problem: str = ""
) -> tuple[Path, ...]:
    """Closes killed runs; where they were armed and we are too, first lets go of their points and rests their supply.

    Says what it will do before it does it. Returns what it closed. An armed run stays open while nobody is armed, and
    where its supply can't be reached or a point can't be let go of; for the latter it raises NotRight once all is done
    that can be.
    """
    closed: list[Path] = []
    with ExitStack() as stack:
        owed: list[_Left] = []
        for folder in folders:
            if not was_armed(folder):
                _close(folder, say, closed)
            elif not armed:
                say(f"{folder.name} was killed and its rig was left as it is; an armed run or `park` puts it right")
            else:
                owed.append(_seen(folder, hands, rig, say, stack, supply_problem))
        for one in owed:
            one.hands.undo(one.undo)
            one.held = one.hands.all_to_idle(say)
        held = [f"{name} of {one.folder.name}" for one in owed for name in one.held]
        for one in owed:
            _rest(one, hands, rig, say, closed, held=held)
    if held:
        raise NotRight(
            f"{', '.join(held)} could not be shown to be back in idle, so the supply is not switched on: go to the "
            "rig, let go of it there, then `restart-bench park`"
        )
    return tuple(closed)


def _rest(one: _Left, hands: Hands, rig: Rig, say: Say, closed: list[Path], *, held: list[str]) -> None:
    supply = rig.supply if one.same_supply else one.rig.supply
    wish = supply.after_trouble if supply is not None else "as it is"
    if one.problem:
        say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {one.problem}; {manual_step(wish)}")
        give_up_cycles(one.folder, "its points were let go of while its supply could not be reached")
        return
    if held and wish != "off":
        return
    own = hands if one.same_supply else one.hands
    own.state.commanded = "unknown"
    left = own.leave_supply(wish, "park", say)
    if not held and left_well(left):
        _close(one.folder, say, closed)


def _close(folder: Path, say: Say, closed: list[Path]) -> None:
    """A log that can't be closed is said, and keeps nobody from a run."""
    try:
        finish_killed(folder, write_report)
    except ArchiveError as fault:
        say(f"{folder.name} was killed and its log could not be closed: {fault}")
    else:
        closed.append(folder)


# ---------------------------------------------------------------- the rig as that run had it


def _seen(folder: Path, hands: Hands, rig: Rig, say: Say, stack: ExitStack, supply_problem: str) -> _Left:
    """What a killed run left, told before anything is done about it."""
    old = _rig_of(folder, rig, say)
    records, damaged = readable_records(folder / "journal.jsonl")
    undo = _all_idle(old) if damaged else out_of_idle(records, old)
    one = _Left(folder, old, undo, supply_left(records), list(_differences(old, rig, undo)), hands)
    one.same_supply = old.supply is None or (rig.supply is not None and old.supply.address == rig.supply.address)
    one.problem = supply_problem if one.same_supply else ""
    supply = rig.supply if one.same_supply else old.supply
    wish = supply.after_trouble if supply is not None else "as it is"
    if damaged:
        say(f"{folder.name}: {damaged} lines of its journal are damaged, so all its command points go to idle")
    say(
        f"{folder.name} was killed (supply last commanded {one.supply}): "
        f"now {', '.join(undo) or 'no point'} back to idle, then the supply {wish}"
    )
    for difference in one.differs:
        say(f"the rig file is not that of {folder.name} any more: {difference}; it is put right where that run had it")
    if one.differs:
        _reach(one, hands, say, stack)
    return one


def _rig_of(folder: Path, rig: Rig, say: Say) -> Rig:
    try:
        return ArchivedRun.open(folder).suite().rig
    except (ArchiveError, FaultsFound, KeyError, TypeError, ValueError) as problem:
        say(f"{folder.name}: its rig file can't be read any more ({problem}), so today's is taken for it")
        return rig


def _all_idle(rig: Rig) -> dict[str, Value]:
    return {p.name: p.idle for p in rig.points.values() if p.writable and p.idle is not None and p.by_hand is None}


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


def _reach(one: _Left, hands: Hands, say: Say, stack: ExitStack) -> None:
    """Hands on the rig as it was: an observer of its own, and its own supply where that is another one."""
    old = one.rig
    scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True)))
    points = tuple(point for point in old.points.values() if point.name in one.undo or _of_proof(old, point.name))
    try:
        observing: Observing = Observing(tuple(old.devices.values()), points, scratch)
    except Exception as problem:
        say(f"{one.folder.name}: its points can't be reached: {problem}")
        observing = Blind(str(problem))
    stack.enter_context(observing)
    supply = None
    if not one.same_supply and old.supply is not None:
        from restart_bench_drivers.registry import open_supply

        try:
            stack.enter_context(SupplyLock(old.supply))
            supply = open_supply(old.supply.driver, old.supply.settings, contact=old.supply.contact, ask=None)
            stack.callback(let_go_of, supply)
        except Exception as problem:  # a driver is anybody's; a lock is another bench's
            kind = "" if isinstance(problem, SupplyError) else f"{type(problem).__name__}: "
            one.problem = f"the supply that it had can't be reached: {kind}{problem}"
    one.hands = hands.on_another(old, observing, supply)


def _of_proof(rig: Rig, name: str) -> bool:
    return any(proof.point == name for proof in rig.proof_of_cut)
