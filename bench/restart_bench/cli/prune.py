"""`logs prune`: old runs go to another folder, once somebody has agreed; what others still need stays."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from restart_bench.archive.files import rig_of, run_folders, run_id_of
from restart_bench.archive.moving import Moves, clear_leftovers, move_outputs, move_run, plan_moves
from restart_bench.cli.common import duration_option
from restart_bench.compare.baselines import approvals
from restart_bench.model.clock import NS_PER_S
from restart_bench.model.outcome import Refused
from restart_bench.model.wording import counted
from restart_bench.run.usage import doubtful_dates, memory_of
from restart_bench.screen.console import ask_on, console_for


def prune(logs: Path, *, older_than: str, to: Path, rig: str | None = None, agreed: bool = False) -> int:
    """Moves runs. Raises Refused where nobody agreed or the folder can't be one, ArchiveError where a move fails."""
    age = timedelta(seconds=duration_option("--older-than", older_than) / NS_PER_S)
    _usable(logs, to)
    before = datetime.now(tz=UTC) - age
    moves = [_of_rig(logs, name, before) for name in _rigs(logs, rig)]
    for line in _told(moves, to):
        print(line)
    leaving = [folder for one in moves for folder in one.leaving]
    if not leaving:
        print(f"no run is older than {older_than} and free to go: nothing was moved")
        return 0
    if not agreed and not _asked(f"Move {counted(len(leaving), 'run')} to {to}?"):
        print("nothing was moved")
        return 0
    clear_leftovers(logs)
    for folder in leaving:
        print(f"moved to {move_run(folder, to, memory_of(folder))}", flush=True)
    for folder in move_outputs(logs, to, before=before):
        print(f"moved along to {folder}: what the rigs of one call said")
    print(f"{counted(len(leaving), 'run')} moved; wear and limits of them still count here (moved.jsonl)")
    return 0


def _usable(logs: Path, to: Path) -> None:
    here, there = logs.resolve(), to.resolve()
    if to.exists() and not to.is_dir():
        raise Refused(f"--to {to} is a file; name a folder; nothing was moved")
    if there == here or any(part.name.startswith("rig=") for part in (there, *there.parents)):
        raise Refused(f"--to {to} is an archive's own folder; name another one; nothing was moved")


def _rigs(logs: Path, rig: str | None) -> list[str]:
    names = sorted({rig_of(folder) for folder in run_folders(logs)})
    if rig is not None and rig not in names:
        raise Refused(f"--rig {rig}: {logs} has runs of {', '.join(names) or 'no rig'}; nothing was moved")
    return [rig] if rig is not None else names


def _of_rig(logs: Path, rig: str, before: datetime) -> Moves:
    needed = {one.run: "was approved as a baseline" for one in approvals(logs, rig)}
    return plan_moves(logs, rig, before=before, needed=needed, doubtful=doubtful_dates(logs, rig, before))


def _told(moves: list[Moves], to: Path) -> Iterator[str]:
    for one in moves:
        yield from (f"to {to}: {run_id_of(folder)}" for folder in reversed(one.leaving))
        yield from (f"stays: {name}: {reason}" for name, reason in one.staying)


def _asked(question: str) -> bool:
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise Refused(f"{question} Nobody is there to be asked: add --yes; nothing was moved")
    return ask_on(console_for(sys.stdout), question)
