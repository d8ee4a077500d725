"""The one clock of the bench: nanoseconds of `perf_counter_ns`, the same in every process of one machine.

Wall clock only labels; every width and every limit is counted on this clock.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000
FAR_NS = 1 << 62
"""An instant that never comes."""
BLIND_NS = NS_PER_S
"""A condition that was not read for longer than this is not known to have held (default of `blind:`)."""

now_ns = time.perf_counter_ns


def resolution_ns() -> int:
    """Resolution of the clock in nanoseconds, at least 1; no width below it is claimed."""
    return max(1, round(time.get_clock_info("perf_counter").resolution * NS_PER_S))


def counts_sleep_ns() -> int | None:
    """A clock that goes on while the computer sleeps (Linux CLOCK_BOOTTIME), or None where there is none."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    if boottime is None:
        return None
    return time.clock_gettime_ns(boottime)


def boot_identity() -> str:
    """What the system calls this boot of the computer; "" where it has no name for it."""
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return ""


@dataclass(frozen=True, slots=True)
class Anchor:
    """One instant on both clocks, so that a label in wall time can be put beside any instant of a run; of which boot,
    and how long the computer had slept in it until then (None: not known)."""

    clock_ns: int
    wall: str  # RFC 3339, UTC, microseconds
    boot: str = ""
    slept_ns: int | None = None

    def label(self, instant_ns: int) -> datetime:
        """Wall time (UTC) of an instant of this run: a label, never a measure."""
        base = datetime.fromisoformat(self.wall)
        return datetime.fromtimestamp(base.timestamp() + (instant_ns - self.clock_ns) / NS_PER_S, tz=UTC)


def anchor() -> Anchor:
    """The anchor of this moment."""
    clock_ns, with_sleep = now_ns(), counts_sleep_ns()
    slept_ns = None if with_sleep is None else with_sleep - clock_ns
    return Anchor(clock_ns, datetime.now(tz=UTC).isoformat(timespec="microseconds"), boot_identity(), slept_ns)


def passed_ns(then: Anchor, now: Anchor) -> int | None:
    """How long after `then` was `now`, within one boot, with what the computer slept (a second or more) and whatever
    was done to the wall clock; None where the system does not name both boots alike."""
    if not then.boot or then.boot != now.boot:
        return None
    slept_ns = 0 if then.slept_ns is None or now.slept_ns is None else now.slept_ns - then.slept_ns
    return now.clock_ns - then.clock_ns + (slept_ns if slept_ns >= NS_PER_S else 0)


@dataclass(frozen=True, slots=True)
class Bounds:
    """An instant: not before, and not after. Never a single number."""

    not_before_ns: int
    not_after_ns: int

    def __post_init__(self) -> None:
        if self.not_after_ns < self.not_before_ns:
            raise ValueError(f"bounds turned round: {self.not_before_ns} is after {self.not_after_ns}")

    def later_by(self, ns: int) -> Bounds:
        """The instant that lies so long after this one."""
        return Bounds(self.not_before_ns + ns, self.not_after_ns + ns)

    def since(self, start: Bounds) -> tuple[int, int]:
        """Shortest and longest time from `start` to this instant, in nanoseconds."""
        return self.not_before_ns - start.not_after_ns, self.not_after_ns - start.not_before_ns


HOUR_NS = 3600 * NS_PER_S
