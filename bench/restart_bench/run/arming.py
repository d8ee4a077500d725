"""What stands before anything real is switched: arming, isolation, the lock, the supply's limits, and staying awake.

The bench is not a safety function and not an isolator. These checks keep it from moving what nobody meant to move;
they do not make a machine safe to stand at.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path

from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Rig, RigSupply, last_instant
from restart_bench.model.scenario import Step
from restart_bench.model.step_kinds import facts_of
from restart_bench.suite.supply_address import addresses_now


def require_arming(rig: Rig, armed_as: str | None, *, now: datetime) -> None:
    """Refuses unless the rig was armed by its own name and, for a machine, isolation is stated and not past.

    Raises Refused, with what is missing and how to get on.
    """
    if armed_as is None:
        raise Refused(
            f"{rig.name} is not armed: nothing was moved. `--simulated` plays its program model; arm the real rig with "
            f"`--arm {rig.name}` once nobody can be hurt by what its outputs do."
        )
    if armed_as != rig.name:
        raise Refused(
            f"armed was '{armed_as}', but this rig is called '{rig.name}': nothing was moved. "
            f"Type the name of the rig that stands before you: `--arm {rig.name}`."
        )
    if rig.loads != "machine":
        return
    if rig.isolation is None:
        raise Refused(
            f"{rig.name} drives a machine and its file states no isolation: nothing was moved. "
            "Isolate the loads, then write `isolation: {by: ..., how: ..., until: ...}`."
        )
    if isolation_is_past(rig.isolation.until, now):
        raise Refused(
            f"the isolation of {rig.name} held until {rig.isolation.until}, which is past: nothing was moved. "
            "Make sure of the isolation again and write its new `until`."
        )
    if rig.supply is not None and rig.supply.after_trouble == "on":
        raise Refused(
            f"{rig.name} drives a machine, and `after_trouble: on` would bring it back by itself after an error: "
            "nothing was moved. Write `after_trouble: off` or `as it is`."
        )


def isolation_is_past(until: str, now: datetime) -> bool:
    """True if `until` (ISO date, valid through that day, or date and time) lies before `now`; text that is
    neither counts as past, because nobody can rely on it."""
    try:
        return last_instant(until, now.tzinfo) < now
    except (ValueError, OverflowError):
        return True


class SupplyLock:
    """One bench per supply on the whole machine: an OS lock on a file named after the supply's address, in a place that
    is every user's. Freed by the OS if we die."""

    def __init__(self, supply: RigSupply, holder: Callable[[], str] = str) -> None:
        self._supply = supply
        self._holder = holder  # asked only where the lock is held
        self._stack = ExitStack()

    def __enter__(self) -> SupplyLock:
        with ExitStack() as stack:
            for address in addresses_now(self._supply.address or self._supply.driver):
                digest = hashlib.sha256(address.encode()).hexdigest()[:16]
                self._take(lock_folder() / f"restart-bench-{digest}.lock", stack)
            self._stack = stack.pop_all()
        return self

    def _take(self, file: Path, stack: ExitStack) -> None:
        from filelock import FileLock, Timeout

        lock = FileLock(file, mode=0o666)  # so that other users can see it held, and take it afterwards
        try:
            lock.acquire(timeout=0)
        except Timeout:
            raise Refused(
                f"the supply {self._shown} is held by another bench on this computer{self._holder()}: "
                "nothing was moved. Wait until that run has ended, or end it."
            ) from None
        except OSError as problem:
            raise Refused(
                f"whether another bench holds the supply {self._shown} can't be told: "
                f"its lock {file}{_owned_by(file)} can't be taken ({problem.strerror or problem}). Nothing was moved. "
                "If no other user's bench is running, have that user or an administrator delete the file."
            ) from None
        stack.callback(lock.release)

    @property
    def _shown(self) -> str:
        """The supply in the words of whoever has to find it."""
        if self._supply.by_hand and "switch" in self._supply.settings:
            return f"that is switched by hand at {self._supply.settings['switch']}"
        return self._supply.address or self._supply.driver

    def __exit__(self, *_: object) -> None:
        self._stack.close()


def lock_folder() -> Path:
    """Where locks lie: one place for all users of this machine, whatever their TMPDIR says."""
    if sys.platform == "win32":
        shared = Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")) / "restart-bench"
        shared.mkdir(parents=True, exist_ok=True)
        return shared
    for folder in (Path("/run/lock"), Path("/var/lock")):
        if folder.is_dir() and folder.stat().st_mode & 0o1777 == 0o1777:  # everybody's, by the same test for everybody
            return folder
    return Path("/tmp")


def _owned_by(file: Path) -> str:
    try:
        return f", which belongs to {file.owner()}," if file.exists() else ""
    except (OSError, KeyError, NotImplementedError):
        return ""


def points_named(rig: Rig, steps: Iterable[Step]) -> frozenset[str]:
    """The allow-list: writable points that the given steps, `mode` and `check_pulse` name. Nothing else is written."""
    names: set[str] = set()
    for step in steps:
        names.update(facts_of(step.action).moves(step.action))
    if rig.mode is not None and rig.mode.point is not None:
        names.add(rig.mode.point)
    if rig.check_pulse is not None:
        names.add(rig.check_pulse.write)
    return frozenset(name for name in names if name in rig.points and rig.points[name].writable)


def manual_step(wish: str, rig: Rig | None) -> str:
    """What a person has to do where the bench can't bring the supply to `wish` (on, off, as it is)."""
    if rig is not None and rig.supply is not None and rig.supply.by_hand:
        hand = "leave it as it is" if wish == "as it is" else f"switch it {wish.upper()}"
        return (
            f"go to {rig.supply.settings.get('switch', 'the switch')} and {hand}; then `restart-bench park "
            f"{Path(rig.path).parent if rig.path else rig.name} --arm {rig.name}` closes this run"
        )
    hand = "leave it as it is" if wish == "as it is" else f"bring it {wish} by hand"
    return f"go to the rig: look at the supply's switch and {hand}; then `restart-bench park` once the relay answers"


Say = Callable[[str], None]
