"""How long the supply's hardware takes to answer: measured by `look`, kept in the user's state folder by the supply's
address, used by `check` for the true off time. A line a look; the last one of an address holds."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime

from restart_bench.archive.files import ArchiveError, append_line, to_bytes, to_json
from restart_bench.archive.known_archives import state_folder
from restart_bench.model.clock import now_ns
from restart_bench.model.rig import Rig

FILE = "round_trips.jsonl"
TIMES = 5


@dataclass(frozen=True, slots=True)
class RoundTrip:
    """The longest answer time of a look, and its day (ISO 8601)."""

    longest_ns: int
    day: str


def measured(ask: Callable[[], object]) -> int:
    """The longest of a few answer times, in nanoseconds. Raises what `ask` raises."""
    longest = 0
    for _ in range(TIMES):
        before = now_ns()
        ask()
        longest = max(longest, now_ns() - before)
    return longest


def keep(rig: Rig, longest_ns: int) -> str:
    """Keeps it for the rig's supply address. Returns what kept it from that, "" for nothing."""
    if rig.supply is None or not rig.supply.address:
        return ""
    told = {
        "supply": rig.supply.address,
        "longest_ns": longest_ns,
        "at": datetime.now(tz=UTC).isoformat("T", "seconds"),
    }
    try:
        state_folder().mkdir(parents=True, exist_ok=True)
        append_line(state_folder() / FILE, to_bytes(to_json(told)))
    except (ArchiveError, OSError, RuntimeError) as problem:  # RuntimeError: this user has no home
        return f"It could not be kept for `check`: {problem}"
    return ""


def known_round_trip(rig: Rig) -> RoundTrip | None:
    """What was last measured at this rig's supply address; None where nothing was."""
    found = None
    with suppress(OSError, RuntimeError):
        for line in (state_folder() / FILE).read_text(encoding="utf-8", errors="replace").splitlines():
            with suppress(ValueError, TypeError, KeyError, RecursionError):
                told = json.loads(line)
                if rig.supply is not None and told["supply"] == rig.supply.address and int(told["longest_ns"]) >= 0:
                    found = RoundTrip(int(told["longest_ns"]), str(told["at"])[:10])
    return found
