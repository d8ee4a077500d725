"""Restarts that show by something else than the cut: one that comes after the return, and a counter that fell although
nothing restarted.

A wrap makes an uptime fall as well, and so do registers that are read in the wrong order. So a fall proves a restart
only where it can be one: its new value is not above the time since the cut, the controller did not go on, and no wrap
that was due explains it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from restart_bench.evidence.reachability import ConnectionOutcome, Reachability
from restart_bench.evidence.traces import STILL_NS, Flags, Instants, Reads, TraceBuilder, Values, pace_ns
from restart_bench.model.clock import FAR_NS, Bounds
from restart_bench.model.rig import Point, Proof, Rig
from restart_bench.model.units import time_unit_ns

_MODULUS = {"uint16": 2.0**16, "int16": 2.0**16, "uint32": 2.0**32, "int32": 2.0**32}
_ROUNDS = (10.0, 16.0, 100.0, 256.0, 1000.0, 1024.0, 4096.0, 10_000.0, 2.0**15, 2.0**16)
_RATE_ERROR = 0.05
"""How far the sign of life may stray from its rate before the cut and still have gone on without a pause."""

_DRIFT = 0.01
"""By so much of the time in between an uptime may go fast or slow."""

_TOLD_NS = 500_000_000
"""So soon after a short dip it is looked at whether a counter went on: before that its pace may tell nothing."""


_MOST_STEPS = 16
"""So many steps of a sign of life may lie between two reads for its step to be known."""

_KNOWN_BY = 8
"""So many moves of a counter before the cut, or more, tell its pace well enough to say that it went on later."""

_ALIKE = 10
"""So many differences of one size between reads are a step: polls are not so regular."""

_BY_CHANCE = 0.05
"""A sign of life speaks against a fall of the uptime where so few of its values, or fewer, fit one that went on."""


class GoneOn(Enum):
    """What a sign of life tells after a gap: it reads what it would had it counted on, something else, or it could
    read anything by then and tells nothing."""

    FITS = "fits"
    STRAYS = "strays"
    ANYWHERE = "anywhere"


@dataclass(frozen=True, slots=True)
class LateRestart:
    """The controller was lost (once more) after the return. `proven`: it surely restarted, where silence alone may have
    been the network's. `was_ready`: or may have been, before that. `answering`: its stack answered all through, a
    counter alone tells."""

    bounds: Bounds
    proven: bool
    was_ready: bool = False
    answering: bool = False


@dataclass(frozen=True, eq=False)
class CounterMoved:
    """Reads after the return that lie below (`falls`) or above the value before the cut, and which of them may be the
    work of a restart; `why` not, where none may. `went_on`: the controller is known not to have restarted."""

    moved: Flags
    proves: Flags
    why: str = ""
    went_on: bool = False


def unit_ns(point: Point) -> int | None:
    """How long one unit of a time is; None where the point's unit is not known or no unit of time."""
    return time_unit_ns(point.unit)


def late_restart(
    rig: Rig, builder: TraceBuilder, contact: Reachability | None, cut: Bounds, restored: Bounds
) -> LateRestart | None:
    """A restart after the return, with what came before it on the connection from before the cut."""
    fate = ConnectionOutcome(None, None, None) if contact is None else contact.fate(cut, restored)
    if contact is None or (not fate.late and fate.lost is not False):
        return None
    ended = fate.dark
    if ended is not None and went_on_over(rig, builder, cut, ended):
        ended = None
    shown = [
        one
        for proof in rig.proof_of_cut
        if (one := _shown_late(rig, builder, fate, proof, (cut, restored))) is not None
    ]
    if ended is not None:
        return LateRestart(ended, fate.lost is True or bool(shown))
    return LateRestart(min(shown, key=lambda one: one.not_after_ns), True) if shown else None


def counter_shows(rig: Rig, builder: TraceBuilder, fate: ConnectionOutcome, cut: Bounds, restored: Bounds) -> bool:
    """Whether a counter shows a restart, whatever the link says."""
    told = (_moved(rig, builder, fate, proof, (cut, restored)) for proof in rig.proof_of_cut)
    return any(one is not None and bool(one[1].proves.any()) for one in told)


def _moved(
    rig: Rig, builder: TraceBuilder, fate: ConnectionOutcome, proof: Proof, span: tuple[Bounds, Bounds]
) -> tuple[Reads, CounterMoved] | None:
    """What a counter read after the return, and what that shows; None where it is none, or was not read."""
    cut, restored = span
    if proof.of_supply or proof.point is None:
        return None
    trace = builder.trace(proof.point)
    before = trace.seen.before(cut.not_before_ns)
    reads = trace.seen.inside(restored.not_before_ns, FAR_NS)
    if len(before) == 0 or len(reads) == 0:
        return None
    return reads, moved_since(rig, builder, fate, (proof, before, reads), cut)


def _shown_late(
    rig: Rig, builder: TraceBuilder, fate: ConnectionOutcome, proof: Proof, span: tuple[Bounds, Bounds]
) -> Bounds | None:
    """When a restart proof shows a restart, where it had said after the return that there was none yet."""
    told = _moved(rig, builder, fate, proof, span)
    if told is None:
        return None
    reads, found = told
    places = np.flatnonzero(found.proves)
    if len(places) == 0 or found.moved[0]:
        return None
    first = int(np.flatnonzero(found.moved)[0])
    return Bounds(int(reads.early[first - 1]), int(reads.late[int(places[0])]))


def moved_since(
    rig: Rig, builder: TraceBuilder, fate: ConnectionOutcome, counted: tuple[Proof, Reads, Reads], cut: Bounds
) -> CounterMoved:
    """Which reads of a counter show a restart, going by the last read before the cut."""
    proof, before, reads = counted
    if proof.kind == "rises":
        rose: Flags = reads.value > before.value[-1]
        return CounterMoved(rose, rose)
    assert proof.point is not None
    point = rig.points[proof.point]
    fell: Flags = reads.value < before.value[-1]
    nothing = np.zeros(len(fell), dtype=bool)
    if not bool(fell.any()):
        return CounterMoved(fell, nothing)
    unit = unit_ns(point)
    may = fell if unit is None else fell & (reads.value * unit <= (reads.late - cut.not_before_ns))
    by = int(reads.late[np.flatnonzero(fell)[0]])
    went_on = _went_on(rig, builder, fate, cut, by)
    alive = rig.ready.alive
    if went_on:
        return CounterMoved(fell, nothing, f"but {alive} went on counting without a pause, so it wrapped", went_on=True)
    if went_on is None and _fits_closely(rig, builder, fate, cut, by):
        return CounterMoved(fell, nothing, f"but {alive} reads what it would had it counted on")
    if not bool(may.any()):
        return CounterMoved(
            fell, nothing, "but that is longer than the time since the cut: a wrap, or a wrong type or unit"
        )
    if _lasted(fate, by) and went_on is None:
        return CounterMoved(fell, nothing, "but the connection from before the cut lasted, so it may have wrapped")
    proves = may & ~_explained(point, before, reads, _anew_ns(rig, fate, went_on, _lasted(fate, by)))
    return CounterMoved(fell, proves, "" if bool(proves.any()) else "but it was to wrap then, so it may have done so")


def _anew_ns(rig: Rig, fate: ConnectionOutcome, went_on: bool | None, lasted: bool) -> int:
    """By when it is known that all began anew, so that no wrap explains a fall. Where nothing reads the supply and no
    sign of life tells, a stack that refuses or resets may be that of a network card which began anew alone."""
    if went_on is None and not rig.reads_supply:
        return FAR_NS
    began = [fate.anew_ns] if went_on is None or lasted else [fate.anew_ns, fate.shown_ns]
    return min((at for at in began if at is not None), default=FAR_NS)


@dataclass(frozen=True, eq=False)
class Counted:
    """How far an uptime has counted since the read before the cut if it never stopped, as often round as there was time
    for, read by read; and how long ago that was, least and most, with what the counter may be wrong by. All in ns."""

    counted: Values
    least: Values
    most: Values
    step: float


def counted_since(point: Point, before: Reads, reads: Reads) -> Counted | None:
    """None where the width or the unit of the counter is not known, or there is nothing to compare."""
    modulus, unit = _MODULUS.get(point.type, 0.0) * point.scale, unit_ns(point)
    if not modulus or unit is None or len(before) == 0 or len(reads) == 0:
        return None
    counted: Values = (reads.value - before.value[-1]) % modulus * unit
    least = (reads.early - before.late[-1]) * (1 - _DRIFT)
    most, step = (reads.late - before.early[-1]) * (1 + _DRIFT), point.scale * unit
    rounds = np.floor((most + step - counted) / (modulus * unit)).clip(min=0)
    return Counted(counted + rounds * modulus * unit, least, most, step)


def _explained(point: Point, before: Reads, reads: Reads, anew_ns: int) -> Flags:
    """Which reads may be the work of a wrap: the counter reads no more than had it counted on (it may stand by now).
    What is seen to count on, but from a later start than that, has begun anew; so has all that is read after the
    link or the sign of life told so."""
    one = counted_since(point, before, reads)
    if one is None:
        return np.zeros(len(reads), dtype=bool)
    least = np.concatenate((one.least[:1], one.least[:-1]))  # it came to its value after the read before
    rose = np.concatenate(([False], reads.value[1:] > reads.value[:-1]))
    stays = (reads.value >= before.value[-1]) & (one.counted - one.step <= one.most) & (one.counted >= least)
    if bool((stays & (reads.late > anew_ns)).any()):
        anew_ns = FAR_NS  # it counted on over what is said to have begun anew
    anew = (rose & (one.counted < least)) | (reads.late > anew_ns)
    explained: Flags = (one.counted - one.step <= one.most) & ~np.logical_or.accumulate(anew)
    return explained


def wrapped_on(rig: Rig, builder: TraceBuilder, cut: Bounds, restored: Bounds) -> str | None:
    """The uptime that fell and at last reads what it would had it wrapped and counted on all the time: then a lost
    connection may be the network's. None: there is none."""
    for point, before, reads in _uptimes(rig, builder, cut, restored):
        one = counted_since(point, before, reads)
        if one is not None and reads.value[-1] < before.value[-1]:
            on = (one.counted - one.step <= one.most) & (one.counted + one.step >= one.least)
            if on[-1]:
                return point.name
    return None


def older_than_the_cut(rig: Rig, builder: TraceBuilder, cut: Bounds, restored: Bounds) -> str | None:
    """The uptime that fell, and yet reads longer than the time since the cut in all that was read after the return: it
    did not begin anew then, or its unit is another one. None: there is none."""
    for point, before, reads in _uptimes(rig, builder, cut, restored):
        unit = unit_ns(point)
        if unit is None or not bool((reads.value < before.value[-1]).all()):
            continue
        most = (reads.late - cut.not_before_ns) * (1 + _DRIFT) + point.scale * unit
        if bool((reads.value * unit > most).all()):
            return point.name
    return None


def _uptimes(rig: Rig, builder: TraceBuilder, cut: Bounds, restored: Bounds) -> Iterator[tuple[Point, Reads, Reads]]:
    """The uptimes that prove a restart, each with its reads before the cut and after the return, where any are."""
    for proof in rig.proof_of_cut:
        if proof.kind != "falls" or proof.point is None:
            continue
        seen = builder.trace(proof.point).seen
        before, reads = seen.before(cut.not_before_ns), seen.inside(restored.not_before_ns, FAR_NS)
        if len(before) and len(reads):
            yield rig.points[proof.point], before, reads


def _lasted(fate: ConnectionOutcome, by_ns: int) -> bool:
    """True where the connection from before the cut still lived at an instant after the return."""
    return fate.lost is False or (fate.late and fate.dark is not None and by_ns < fate.dark.not_after_ns)


# ---------------------------------------------------------------- the sign of life


def _went_on(rig: Rig, builder: TraceBuilder, fate: ConnectionOutcome, cut: Bounds, by_ns: int) -> bool | None:
    """Whether the sign of life went on without a pause from before the cut to an instant; None: not known."""
    alive = rig.ready.alive
    if alive is None or alive not in rig.points:
        return None
    still, seen = builder.still_ns(alive), builder.trace(alive).seen
    if still is None:
        return None
    if _lasted(fate, by_ns):
        return not _stood(seen, cut, by_ns, still)
    return _counted_on(rig.points[alive], seen, cut, by_ns, still)


def counted_through(rig: Rig, builder: TraceBuilder, cut: Bounds, restored: Bounds) -> GoneOn | None:
    """Whether the sign of life reads after the return, once that can be told, what it would read had it gone on all
    the time: then a lost connection may be the network's. None: not known."""
    alive = rig.ready.alive
    if alive is None or alive not in rig.points:
        return None
    point, seen, still = rig.points[alive], builder.trace(alive).seen, builder.still_ns(alive)
    by_ns = restored.not_after_ns
    on = None if still is None else _counted_on(point, seen, cut, by_ns, still)
    if on is not None:
        return GoneOn.FITS if on else GoneOn.STRAYS
    return _fits(point, seen, cut, by_ns)[0]


def _fits_closely(rig: Rig, builder: TraceBuilder, fate: ConnectionOutcome, cut: Bounds, by_ns: int) -> bool:
    """Whether a sign of life too slow to have been seen to go on without a pause reads, behind a lost connection, what
    it would had it done so, and hardly by chance."""
    alive = rig.ready.alive
    if alive is None or alive not in rig.points or _lasted(fate, by_ns):
        return False
    found, chance = _fits(rig.points[alive], builder.trace(alive).seen, cut, by_ns)
    return found is GoneOn.FITS and chance <= _BY_CHANCE


def went_on_over(rig: Rig, builder: TraceBuilder, cut: Bounds, lost: Bounds) -> str:
    """The counter, sign of life or uptime, that reads after a loss of contact what it would had it gone on, and more
    than it could had it begun anew then: nothing restarted, whatever ended the connection. "" where none tells so."""
    uptimes = [one.point for one in rig.proof_of_cut if one.kind == "falls" and not one.of_supply]
    for name in (rig.ready.alive, *uptimes):
        if name is None or name not in rig.points:
            continue
        trace = builder.trace(name)
        seen = trace.reads  # an old image, which does not move, may by chance read as if it had gone on
        known, last = seen.until(cut.not_before_ns), seen.last_until(lost.not_before_ns)
        pace, usual = pace_of(rig.points[name], known), pace_ns(known.early + trace.lag_ns, known.late, known.value)
        if last is None or pace is None or usual is None:
            continue
        still = max(2 * usual, STILL_NS)
        first = int(np.searchsorted(seen.early, lost.not_after_ns + 5 * still // 2, side="left"))
        if first < len(seen) and pace.went_on(seen, last, first, still):
            return name
    return ""


def _stood(seen: Reads, cut: Bounds, by_ns: int, still_ns: int) -> bool:
    """True where it stood for clearly longer than its pace at some time between the cut and an instant (and on)."""
    moves = np.flatnonzero(seen.value[1:] != seen.value[:-1]) + 1
    first, last = np.append(0, moves), np.append(moves - 1, len(seen) - 1)
    apart: Instants = seen.early[last] - seen.late[first]
    concerns = (seen.late[last] >= cut.not_before_ns) & (seen.early[first] <= by_ns)
    return bool((concerns & (apart >= still_ns)).any())


def _counted_on(point: Point, seen: Reads, cut: Bounds, by_ns: int, still_ns: int) -> bool | None:
    """A counter that reads after a break what it would read had it gone on at its rate has gone on, one that doesn't
    has not. A bit, one that may have gone round in between, and one whose pace is known no more finely than the time
    since the cut tell nothing: what began anew may read the same. One that takes great steps tells where few of its
    values fit."""
    if takes_great_steps(point, seen.until(cut.not_before_ns)):
        found, chance = _fits(point, seen, cut, by_ns)
        return None if found is None or chance > _BY_CHANCE else found is GoneOn.FITS
    one = _strayed(point, seen, cut, by_ns, still_ns)
    if one is None or one.elapsed * one.rate > one.modulus / 2:
        return None
    return abs(one.missing) <= one.spare


@dataclass(frozen=True, eq=False)
class _Steps:
    """One way to read how a sign of life counted before the cut: by `step` at a time, in a round of `values`, so often
    per ns, least and most; `apart`: the most steps between two reads."""

    step: int
    values: int
    slow: float
    fast: float
    apart: int

    def fits(self, by: Values, least_ns: Values, most_ns: Values) -> tuple[Flags, float]:
        """Which reads fit a counter that went on: by how much each reads more than the last one before the cut, and
        how long after it. And which part of all its values would fit as well (1: any)."""
        spare = self.fast * STILL_NS + self.apart
        low = np.ceil(least_ns * self.slow * (1 - _RATE_ERROR) - spare).clip(min=0)
        high = np.floor(most_ns * self.fast * (1 + _RATE_ERROR) + spare)
        places = self.values // int(np.gcd(self.step, self.values))
        chance = min(1.0, float((high - low + 1).max()) / places)
        if chance > 0.5:
            return np.zeros(len(by), dtype=bool), 1.0
        if self.step == 1:
            return np.asarray((by - low) % self.values <= high - low), chance
        on = [
            int(one) in {steps * self.step % self.values for steps in range(int(least), int(most) + 1)}
            for one, least, most in zip(by.tolist(), low.tolist(), high.tolist(), strict=True)
        ]
        return np.array(on, dtype=bool), chance


def _fits(point: Point, seen: Reads, cut: Bounds, by_ns: int) -> tuple[GoneOn | None, float]:
    """Whether a sign of life reads from an instant on, for a while, what it would had it gone on at the pace that was
    seen before the cut, and by what chance one that began anew reads so. Nothing is known (None) of one that was not
    seen to move, or not read on both sides."""
    last, first = seen.last_until(cut.not_before_ns), int(np.searchsorted(seen.late, by_ns, side="left"))
    modulus = int(_MODULUS.get(point.type, 0))
    if last is None or first >= len(seen):
        return None, 1.0
    if not modulus:  # a bit, which reads so half of the time
        return (GoneOn.ANYWHERE if point.is_boolean else None), 1.0
    value: npt.NDArray[np.int64] = np.rint(seen.value / point.scale).astype(np.int64)
    until = int(np.searchsorted(seen.early, seen.late[first] + _TOLD_NS, side="right"))
    values = _values_of(value[: last + 1], value[first:], modulus)
    told, chances = [], []
    later = slice(first, max(first + 1, until))
    for one in _ways(value[: last + 1], seen, values):
        by = ((value[later] - value[last]) % values).astype(np.float64)
        least, most = seen.early[later] - seen.late[last], seen.late[later] - seen.early[last]
        fits, chance = one.fits(by, least.astype(np.float64), most.astype(np.float64))
        told.append(GoneOn.ANYWHERE if chance == 1.0 else GoneOn.FITS if bool(fits.all()) else GoneOn.STRAYS)
        chances.append(chance)
    for best in GoneOn:
        if best in told:
            return best, min(chance for found, chance in zip(told, chances, strict=True) if found is best)
    return None, 1.0


def _ways(known: npt.NDArray[np.int64], seen: Reads, values: int) -> Iterator[_Steps]:
    """The ways to read how a counter went: by steps of the usual size, or by any number of ones from read to read."""
    if not bool((known[1:] != known[:-1]).any()):
        return
    last, usual = len(known) - 1, _usual_step(known, values)
    for step in (usual,) if _steps_far(known, usual, values) else sorted({usual, 1}):
        counts = _counts(known, step, values)
        if counts is None:
            continue
        moves = np.flatnonzero(counts) + 1
        inner = float(counts[moves[1:] - 1].sum())
        most = float(seen.late[moves[-1]] - seen.early[moves[0] - 1])
        least = float(seen.early[moves[-1] - 1] - seen.late[moves[0]])
        lasted, all_of = float(seen.early[last] - seen.late[0]), float(counts.sum())
        widest = float(counts.max())
        fast = (all_of + widest) / max(lasted, 1.0)
        fast = min(fast, inner / least) if inner and least > 0 else fast
        yield _Steps(step, values, inner / most, fast, int(widest))


def takes_great_steps(point: Point, known: Reads) -> bool:
    """Whether a counter was surely seen to count by more than one at a time."""
    value: npt.NDArray[np.int64] = np.rint(known.value / point.scale).astype(np.int64)
    values = int(_MODULUS.get(point.type, 0))
    if not values or not len(value):
        return False
    apart = (value[1:] - value[:-1]) % values
    apart = apart[apart > 0]
    shared = len(apart) >= _ALIKE and int(np.gcd.reduce(apart)) > _MOST_STEPS
    return shared or _steps_far(value, _usual_step(value, values), values)


def _steps_far(known: npt.NDArray[np.int64], step: int, values: int) -> bool:
    """Whether a counter surely takes steps of more than one at a time: so many ones hardly lie between two polls, and
    these are not always as many. A few may: regular polls find a fast one two further each time."""
    counts = _counts(known, step, values)
    return step > _MOST_STEPS and counts is not None and (len(np.unique(counts)) > 1 or len(counts) >= _ALIKE)


def _usual_step(known: npt.NDArray[np.int64], values: int) -> int:
    """By how much a counter counts at a time: the difference between reads that comes most often, or what all of them
    have in common where that one is several steps already."""
    steps = (known[1:] - known[:-1]) % values
    sizes, often = np.unique(steps[steps > 0], return_counts=True)
    if not len(sizes):
        return 1
    usual, shared = int(sizes[often.argmax()]), int(np.gcd.reduce(sizes))
    return shared if 1 < shared < usual and int(sizes.max()) <= _MOST_STEPS * shared else usual


def _counts(known: npt.NDArray[np.int64], step: int, values: int) -> npt.NDArray[np.int64] | None:
    """How many steps lie between two reads each; None where one of them is no small number of steps. Ones: any."""
    apart: npt.NDArray[np.int64] = (known[1:] - known[:-1]) % values
    if step == 1:
        return apart
    number = {many * step % values: many for many in range(_MOST_STEPS, -1, -1)}
    found = [number.get(int(one), -1) for one in apart.tolist()]
    return None if -1 in found else np.array(found, dtype=np.int64)


def _values_of(before: npt.NDArray[np.int64], after: npt.NDArray[np.int64], modulus: int) -> int:
    """How many values a counter has: as its type says, or as it was seen to go round on either side of the gap, in a
    usual number of them that leaves each step small."""
    wrapped = bool((before[1:] < before[:-1]).any())
    if not wrapped and not bool((after[1:] < after[:-1]).any()):
        return modulus
    both = np.concatenate((before, after)) if not wrapped else before
    widest = int(both.max() - both.min())
    for values in (*(int(one) for one in _ROUNDS if widest < one < modulus), modulus):
        step = _usual_step(before, values)
        sides = (before,) if wrapped else (before, after)
        if all((_counts(one, step, values) if step > 1 else _by_ones(one, values)) is not None for one in sides):
            return values
    return min(modulus, int(_round_of(float(widest)))) if wrapped else modulus


def _by_ones(known: npt.NDArray[np.int64], values: int) -> npt.NDArray[np.int64] | None:
    apart: npt.NDArray[np.int64] = (known[1:] - known[:-1]) % values
    return apart if bool((4 * apart < values).all()) else None


@dataclass(frozen=True, slots=True)
class _Strayed:
    """By how much (`missing`, ns) a counter reads less after a break than had it gone on at its `rate`, and by how much
    it may (`spare`), in a round of `modulus`."""

    missing: float
    spare: float
    elapsed: int
    rate: float
    modulus: float


def _strayed(point: Point, seen: Reads, cut: Bounds, by_ns: int, still_ns: int) -> _Strayed | None:
    """None where nothing can be told: not read on both sides, a bit, no pace, or a break too short for it."""
    by_ns = max(by_ns, cut.not_after_ns + min(5 * still_ns // 2, _TOLD_NS))
    last, first = seen.last_until(cut.not_before_ns), int(np.searchsorted(seen.late, by_ns, side="left"))
    if last is None or first >= len(seen) or (pace := pace_of(point, seen.part(0, last + 1))) is None:
        return None
    missing, elapsed = pace.missing(seen, last, first)
    spare = still_ns + pace.error * elapsed
    if 2 * spare > by_ns - cut.not_after_ns:
        return None
    return _Strayed(missing, spare, elapsed, pace.rate, pace.modulus)


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast a counter counts (its `rate` a ns), after how many it goes round, and whether that was seen; in so many
    `moves` it was."""

    rate: float
    modulus: float
    wrapped: bool
    moves: int

    @property
    def error(self) -> float:
        """By which part of it the rate may be wrong: a few moves may have been one more, or one less, in their time."""
        return max(_RATE_ERROR, 1.5 / self.moves)

    def missing(self, seen: Reads, last: int, first: int) -> tuple[float, int]:
        """By how much (ns) a read counts less than had it gone on since another one, and how long that was ago."""
        elapsed = int(seen.late[first] - seen.late[last])
        return elapsed - float((seen.value[first] - seen.value[last]) % self.modulus) / self.rate, elapsed

    def went_on(self, seen: Reads, last: int, first: int, still_ns: int) -> bool:
        """Whether one read counts what it would had it gone on since another one, more than it could had it begun anew
        between them, and hardly by chance."""
        missing, elapsed = self.missing(seen, last, first)
        if self.moves < _KNOWN_BY:
            return False
        spare = still_ns + self.error * elapsed
        period = self.modulus / self.rate
        if abs(missing) > spare or 2 * elapsed > period or 2 * spare > _BY_CHANCE * period:
            return False
        return bool(seen.value[first] > self.rate * (elapsed + spare + still_ns))


def pace_of(point: Point, known: Reads) -> Pace | None:
    """The pace of a counter by reads before the cut; None for a bit, and where it is not known."""
    modulus = _MODULUS.get(point.type, 0.0) * point.scale
    if not modulus or len(known) < 2:
        return None
    wrapped = bool((known.value[1:] < known.value[:-1]).any())
    if wrapped:
        widest = float(known.value.max() - known.value.min())
        modulus = min(modulus, _round_of(widest / point.scale) * point.scale)
    steps: Values = (known.value[1:] - known.value[:-1]) % modulus
    lasted = int(known.late[-1] - known.late[0])
    rate = float(steps.sum()) / lasted if lasted else 0.0
    return Pace(rate, modulus, wrapped, int(np.count_nonzero(steps))) if rate > 0 else None


def _round_of(widest: float) -> float:
    """How many values a counter has that was seen to wrap, going by the widest difference: a usual number of them where
    that is close by (polls may have left out its last one)."""
    return next((one for one in _ROUNDS if 0.9 * one <= widest + 1 <= one), widest + 1)
