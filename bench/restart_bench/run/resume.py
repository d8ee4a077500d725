"""Going on with an earlier run that was ended early or killed: what of it counts, and what of it goes on.

The earlier run stays as it is; the new one does the cycles that are left and counts those that were done. A cycle
that was broken off is done again, with one exception: where the bench was killed while the supply was off, and the
off time can still be kept, that very cycle goes on, with its records and samples of before the cut (an off time of days
would be lost otherwise). Across a restart of the computer the off time is counted by the wall clock.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from restart_bench.archive.files import ArchiveError, is_going_on
from restart_bench.archive.reader import ArchivedRun, altered_but_for_open, find_run, read_journal
from restart_bench.archive.writer import samples_of_killed
from restart_bench.evidence.supply_off import asked_off_time
from restart_bench.model.clock import NS_PER_S, Anchor, passed_ns
from restart_bench.model.condensing import Records
from restart_bench.model.journal import (
    CycleEnded,
    CycleRecords,
    PointWritten,
    Record,
    Switching,
    cycle_records,
    supply_commands,
)
from restart_bench.model.outcome import Refused, RunOptions
from restart_bench.model.rig import Rig, Value
from restart_bench.model.scenario import Scenario
from restart_bench.model.units import show_duration
from restart_bench.model.wording import about, counted
from restart_bench.run.recovery import out_of_idle
from restart_bench.suite.loader import Suite

_INSTANTS = (
    "at_ns", "before_ns", "after_ns", "sent_ns", "received_ns", "started_ns", "ended_ns", "asked_ns", "answered_ns",
)  # fmt: skip
_SAME_BOOT_NS = 5 * NS_PER_S  # the two anchors agree so far: the clock has run through
_OTHER_CONNECTIONS = 1 << 30  # connections of the earlier run are none of those to come
_UNTIL_BACK_NS = 2 * NS_PER_S  # from here until the bench reads the rig and can give the power back


@dataclass(frozen=True, slots=True)
class OpenCut:
    """A cut that a killed run left behind: its cycle's records on the clock of this run and under its new number,
    what was held for it, the number it had, and what was added to its instants."""

    records: tuple[Record, ...]
    cycle: CycleRecords
    cut: Switching
    left: dict[str, Value]  # out of idle, with the value to go back to
    held: tuple[str, ...]  # those of them that a `hold:` of the scenario keeps there
    old_cycle: int
    shift_ns: int
    by_wall_clock: bool

    @property
    def place(self) -> tuple[str, str, int]:
        """Scenario, case and number within the case."""
        started = self.cycle.started
        return started.scenario, started.case, started.number


def find_earlier(text: str, suite: Suite, options: RunOptions) -> ArchivedRun:
    """The run to go on with. Raises Refused, before anything moves, where that can't be."""
    try:
        folder = find_run(text, options.logs, suite.rig.name)
        run = ArchivedRun.open(folder)
        facts = run.run
    except ArchiveError as problem:
        raise Refused(f"--resume {text}: {problem}") from None
    if is_going_on(folder):
        raise Refused(f"--resume {text}: {run.id} is still going on; end it first")
    if run.rig_name != suite.rig.name:
        raise Refused(f"--resume {text}: {run.id} was run on {run.rig_name}, not on {suite.rig.name}")
    if facts.get("rehearsal") or options.rehearse:
        raise Refused(f"--resume {text}: a rehearsal is not gone on with; do it again")
    if bool(facts.get("simulated")) is not options.simulated:
        kind = "simulated" if facts.get("simulated") else "run on the real rig"
        raise Refused(f"--resume {text}: {run.id} was {kind}; go on in the same way")
    if (facts.get("ended") or {}).get("how") == "completed":
        raise Refused(f"--resume {text}: {run.id} was completed; start a new run")
    if options.seed is not None and options.seed != facts.get("seed"):
        raise Refused(f"--resume {text}: {run.id} was drawn from seed {facts.get('seed')}; leave --seed out")
    if altered := altered_but_for_open(run):
        raise Refused(f"--resume {text}: {run.id}: {altered}; start a new run")
    _same_files(text, run, suite)
    return run


def _same_files(text: str, run: ArchivedRun, suite: Suite) -> None:
    import hashlib

    then = sorted((str(file["kind"]), str(file["sha256"])) for file in run.run["inputs"])
    now = sorted((file.kind, hashlib.sha256(file.content).hexdigest()) for file in suite.files)
    changed = sorted({kind for kind, _ in set(then) ^ set(now)})
    if changed:
        kinds = " and ".join(changed)
        raise Refused(
            f"--resume {text}: the {kinds} files are not those of {run.id} any more, so its cycles do not count for "
            "them; start a new run"
        )


def as_planned(earlier: ArchivedRun, suite: Suite, options: RunOptions) -> Suite:
    """The suite with as many cycles of each case as the earlier run had planned, whatever its files say. Raises
    Refused where another number is asked for."""
    scenarios = tuple(replace(one, repeat=_repeat_of(earlier, one)) for one in suite.scenarios)
    repeated = [one for one in scenarios if one.search is None]
    other = next((one for one in repeated if options.repeat not in (None, one.repeat)), None)
    if other is not None:
        raise Refused(
            f"--resume {options.resume}: {earlier.id} was asked for {counted(other.repeat, 'cycle')} of each case of "
            f"{other.name}, not for {options.repeat}; leave --repeat out, or start a new run"
        )
    return replace(suite, scenarios=scenarios)


def _repeat_of(earlier: ArchivedRun, scenario: Scenario) -> int:
    told, planned = earlier.run.get("repeat") or {}, earlier.run.get("planned") or {}
    if scenario.name in told:
        return int(told[scenario.name])
    return int(planned[scenario.name]) // len(scenario.cases) if scenario.name in planned else scenario.repeat


# ---------------------------------------------------------------- an off time that was not over


def open_cut_of(run: ArchivedRun, rig: Rig, *, number: int, now: Anchor) -> OpenCut | None:
    """The cut that a killed run left the supply off in, renumbered and put on this run's clock; None where there is
    none. Nothing is moved or written. Raises ArchiveError."""
    journal = read_journal(run.folder / "journal.jsonl")
    cut = _last_cut(journal)
    if cut is None:
        return None
    own = [record for record in journal if getattr(record, "cycle", 0) == cut.cycle]
    shift, by_wall = _shift(Anchor(**run.run["anchor"]), now)
    moved = tuple(_moved(record, number, shift) for record in own)
    switched = next(record for record in moved if isinstance(record, Switching) and record.purpose == "cut")
    return OpenCut(
        moved,
        cycle_records(list(moved))[number],
        switched,
        out_of_idle(journal, rig),
        _held(own),
        cut.cycle,
        shift,
        by_wall,
    )


def over_already(left: OpenCut, rig: Rig, now: int) -> str:
    """Why the off time of a cut can't be kept any more, "" where it can: it would end too late for what was asked, as
    the judge sees it. A person who switches is held to no time. now: ns of this run's clock."""
    off_ns, asked_ns = now - left.cut.after_ns, left.cycle.started.off_for_ns
    back = now + _UNTIL_BACK_NS
    restore = Switching(left.cut.cycle, "supply", "on", "restore", back, back)
    if not asked_off_time(rig, left.cycle, left.cut, restore).clearly_more((back - left.cut.after_ns,) * 2):
        return ""
    so_far = f"off for {about(off_ns)}{'' if off_ns > asked_ns else ' already'}"
    return (
        f"the bench was dead meanwhile: {so_far} where {show_duration(asked_ns)} were asked; this cycle is done again"
    )


def _last_cut(records: Sequence[Record]) -> Switching | None:
    """The last command to the supply, where that was a cut whose cycle did not end."""
    switched = supply_commands(records)
    if not switched or switched[-1].purpose != "cut" or switched[-1].problem:
        return None
    number = switched[-1].cycle
    if any(isinstance(record, CycleEnded) and record.cycle == number for record in records):
        return None
    return switched[-1]


def bring_samples(run: ArchivedRun, left: OpenCut, folder: Path) -> None:
    """Writes the samples of the killed run's open cycle to `<folder>/<device>.part`, where the observer goes on. The
    killed run stays open: what it holds is not forgotten before it is in somebody's actuators. Raises ArchiveError,
    OSError."""
    with samples_of_killed(run.folder, left.old_cycle) as sources:
        for device, source in sources.items():
            with (folder / f"{device}.part").open("xb") as file:
                file.write(source.layout.header())
                for piece in source.pieces():
                    file.write(_taken_over(piece, left).tobytes())


def _taken_over(piece: Records, left: OpenCut) -> Records:
    records = piece.copy()
    records["cycle"] = left.cycle.started.cycle
    records["sent_ns"] += left.shift_ns
    records["received_ns"] += left.shift_ns
    records["connection"] |= _OTHER_CONNECTIONS
    return records


def _shift(then: Anchor, now: Anchor) -> tuple[int, bool]:
    """What to add to the earlier run's instants, and whether that is by the wall clock: nothing while the computer's
    clock has run through, but for the time that the computer slept. A wall clock that was set says nothing where the
    system names its boots."""
    if (passed := passed_ns(then, now)) is not None:
        return now.clock_ns - then.clock_ns - passed, False
    wall_ns = (datetime.fromisoformat(now.wall) - datetime.fromisoformat(then.wall)).total_seconds() * NS_PER_S
    shift = round((now.clock_ns - then.clock_ns) - wall_ns)
    if not (then.boot and now.boot) and abs(shift) < _SAME_BOOT_NS:
        return 0, False
    return shift, True


def _moved(record: Record, number: int, shift: int) -> Record:
    names = {field.name for field in dataclasses.fields(record)}
    changed: dict[str, Any] = {name: getattr(record, name) + shift for name in _INSTANTS if name in names}
    changed["cycle"] = number
    moved: Record = dataclasses.replace(record, **changed)
    return moved


def _held(records: Sequence[Record]) -> tuple[str, ...]:
    """Points that a `hold` of this cycle took out of idle and nobody let go of."""
    held: dict[str, None] = {}
    for record in records:
        if isinstance(record, PointWritten) and record.purpose == "hold":
            held[record.point] = None
        elif isinstance(record, PointWritten) and record.purpose in ("release", "idle"):
            held.pop(record.point, None)
    return tuple(held)
