"""What a world's instruments had to tell: the reads of a point that count beyond doubt by the rules' text, the spans
that an expectation surely and possibly speaks of, and when the cycle ends.

Rule 3 is taken with a change of `alive` to spare, so that what is called sure here counts for every reader of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from deliveries import EXCEPTION, GOOD, RESET, SILENT
from drawing import GLOW, Life, World
from histories import FAR, MS, S

from restart_bench.model.samples import CONNECT

Instants = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Reading:
    """Good reads of one point: the terminal had `value` at some instant in [early, late]."""

    early: Instants
    late: Instants
    value: npt.NDArray[np.float64]
    looked: Instants

    def within(self, low: int, high: int) -> Reading:
        """Those that surely lie in a span."""
        return self.only((self.early >= low) & (self.late <= high))

    def only(self, chosen: npt.NDArray[np.bool_]) -> Reading:
        return Reading(self.early[chosen], self.late[chosen], self.value[chosen], self.looked[chosen])

    def longest_gap(self, low: int, high: int) -> int:
        """Longest time in [low, high] in which something could hide between two reads."""
        if high <= low:
            return 0
        touch = (self.late > low) & (self.early < high)
        early, late = self.early[touch], self.late[touch]
        before, after = self.early[self.late <= low], self.late[self.early >= high]
        first = int(before[-1]) if len(before) else low
        last = int(after[0]) if len(after) else high
        begins = np.concatenate(([first], early)).clip(low, high)
        ends = np.concatenate((late, [last])).clip(low, high)
        return int((ends - begins).max())

    def gap_around(self, instant: int) -> int:
        """How far the reads on both sides of an instant are apart."""
        before, after = self.early[self.late <= instant], self.late[self.early >= instant]
        return (int(after[0]) if len(after) else FAR) - (int(before[-1]) if len(before) else -FAR)


class Readings:
    """All reads of one world, sorted out by point."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._good: dict[str, Reading] = {}
        self._sure: dict[tuple[str, Life | None], Reading] = {}

    # ------------------------------------------------------------ reads

    def all_good(self, name: str) -> Reading:
        """Every good reply, whatever it is worth."""
        if name not in self._good:
            self._good[name] = self._all_good(name)
        return self._good[name]

    def _all_good(self, name: str) -> Reading:
        device = self.world.rig.points[name].device
        got = self.world.got[device]
        value = got.values[name]
        chosen = (got.kind == GOOD) & ~np.isnan(value)
        one = self.world.rig.devices[device]
        lag = one.input_delay_ns + one.image_lag_ns
        looked = got.looked[chosen] - (self.world.image if device == "controller" else 0)
        return Reading(got.sent[chosen] - lag, got.received[chosen], value[chosen], looked)

    def possible(self, name: str) -> Reading:
        """Those that may count by anybody's reading of rule 3: the controller's after the return only from a second
        change of `alive` on, on their own connection."""
        reads, world = self.all_good(name), self.world
        alive = world.rig.ready.alive
        if world.rig.is_independent(name) or alive is None or world.mode:
            return reads
        got = world.got["controller"]
        back = world.returned - 100 * MS if read_back_early(world, self) else world.back[0]
        lag = world.rig.devices["controller"].image_lag_ns
        signs = (got.kind == GOOD) & (got.sent - lag >= back) & ~np.isnan(got.values[alive])
        rows = (got.kind == GOOD) & ~np.isnan(got.values[name])
        counts = reads.early < back
        for link in set(got.connection[signs].tolist()):
            mine = signs & (got.connection == link)
            moves = np.flatnonzero(np.diff(got.values[alive][mine])) + 1
            if len(moves) >= 2:
                counts |= (got.connection[rows] == link) & (reads.early + lag >= got.sent[mine][moves[1]])
        for life in world.lives:  # what stands for clearly longer than its pace proves nothing any more
            counts &= (reads.looked < life.stands + 4 * world.pace + 150 * MS) | (reads.looked >= life.end)
        return reads.only(counts)

    def sure(self, name: str, life: Life | None) -> Reading:
        """Those that count beyond doubt: all of the independent I/O; the controller's before the loss, and after the
        return in its last life, while that was alive."""
        reads = self.all_good(name)
        if self.world.rig.is_independent(name):
            return reads
        if (name, life) not in self._sure:
            self._sure[name, life] = reads.only(self._counting(name, reads, life))
        return self._sure[name, life]

    def _counting(self, name: str, reads: Reading, life: Life | None) -> npt.NDArray[np.bool_]:
        world = self.world
        got = world.got["controller"]
        rows = (got.kind == GOOD) & ~np.isnan(got.values[name])
        connection = got.connection[rows]
        live = world.live_at(reads.looked) & ~self._standing_by_then(reads.looked)
        before = (reads.late <= min(world.lost, world.cut[0])) & live
        first = connection == self.first_connection
        if world.mode:
            return live & (before | first)
        back = min(world.back[0], restored_bounds(world, self)[0])  # none counts from its earliest instant on
        unbroken = live & (reads.looked < min(back, world.lost if world.restarted else FAR)) & first
        after = np.zeros(len(reads.early), dtype=bool)
        if life is not None:
            begins = self.counting_from(life)
            start = np.array([begins.get(int(one), FAR) for one in connection], dtype=np.int64)
            after = (
                (reads.early >= start) & (reads.looked >= life.start) & (reads.late < min(life.end, life.stands)) & live
            )
        return before | unbroken | after

    def _standing_by_then(self, looked: Instants) -> npt.NDArray[np.bool_]:
        """Which reads came after the last beat of a life that froze, when its program still ran: from there on its sign
        of life stands, and nobody can tell what was read before it froze from what was read after it."""
        found = np.zeros(len(looked), dtype=bool)
        if self.world.rig.ready.alive is None:
            return found
        for life in self.world.lives:
            if life.stands < life.end:
                begun = max(0, life.start)
                last = begun + (life.stands - begun) // self.world.pace * self.world.pace
                found |= (looked >= last) & (looked < life.end)
        return found

    def counting_from(self, life: Life) -> dict[int, int]:
        """For each connection, when three changes of `alive` had been read on it in this life after the return."""
        world = self.world
        got = world.got["controller"]
        begin = max(life.start, world.back[0]) + world.rig.devices["controller"].image_lag_ns
        alive = world.rig.ready.alive
        if alive is None:
            rows = (got.kind == GOOD) & (got.sent >= begin)
            return {int(one): int(got.received[rows & (got.connection == one)][0]) for one in set(got.connection[rows])}
        rows = (got.kind == GOOD) & (got.sent >= begin) & ~np.isnan(got.values[alive])
        found: dict[int, int] = {}
        for number in set(got.connection[rows].tolist()):
            mine = rows & (got.connection == number)
            value, received = got.values[alive][mine], got.received[mine]
            moves = np.flatnonzero(value[1:] != value[:-1]) + 1
            if len(moves) >= 3:
                found[number] = int(received[moves[2]])
        return found

    @property
    def first_connection(self) -> int:
        """The connection that was in use before the cut."""
        got = self.world.got["controller"]
        used = got.connection[(got.kind == GOOD) & (got.received <= self.world.cut[0])]
        return int(used[-1]) if len(used) else -1

    # ------------------------------------------------------------ contact

    def contact_losses(self, low: int, high: int) -> Instants:
        """When contact with the controller was lost between two instants: a connection that had been answered after
        the first of them was never answered again, and others were tried (or it was reset)."""
        got = self.world.got["controller"]
        answered = np.isin(got.kind, (GOOD, EXCEPTION, 5)) & (got.sent > low)
        odd = np.flatnonzero((got.request == CONNECT) | (got.kind == RESET))
        found = []
        for link in set(got.connection[answered].tolist()):
            last = int(np.flatnonzero(answered & (got.connection == link))[-1])
            later = odd[odd > last]
            if len(later) and got.sent[last] < high:
                found.append(int(got.received[later[0]]))
        return np.array(sorted(found), dtype=np.int64)

    def signs_against(self, before: int) -> int:
        """The latest instant before another at which something said that the controller did not run (0: none). Of the
        requests that stay silent the last says nothing: it may have been lost on its way (rule 2)."""
        got = self.world.got["controller"]
        silent_connect = (got.request == CONNECT) & (got.kind == SILENT)
        ended = [life.end for life in self.world.lives if self.world.back[0] < life.end <= before]
        old = np.isin(got.connection, got.connection[got.sent < max([self.world.back[0], *ended])])
        stale_reset = (got.kind == RESET) & old  # the word of a stack that may well serve others already
        odd = np.isin(got.kind, (SILENT, EXCEPTION, RESET, 3)) & ~silent_connect & ~stale_reset
        odd &= got.received <= before
        silent = np.flatnonzero(odd & (got.kind == SILENT))
        odd[silent[np.argsort(got.sent[silent])][-1:]] = False
        return int(got.sent[odd].max()) if bool(odd.any()) else 0


@dataclass(frozen=True)
class Ready:
    """`true`: from when the controller was truly ready; `seen`: by when that was surely shown; None: not."""

    true: int | None
    seen: int | None
    life: Life | None


@dataclass(frozen=True)
class Spans:
    """Where the settled span surely and possibly begins and the watch ends; whether ready came in time (None: a limit
    lies within the bounds)."""

    start: tuple[int, int]
    end: tuple[int, int]
    in_time: bool | None


def restored_bounds(world: World, readings: Readings) -> tuple[int, int, int]:
    """Earliest instant of the return, its latest by command and data sheet, and its latest where the rail is read."""
    supply = world.rig.supply
    assert supply is not None
    low, high = world.back
    if not world.mode:
        high += supply.closing_ns + supply.bounce_ns
    rail = rail_point(world)
    if rail is not None and read_back_early(world, readings):
        reads = readings.all_good(rail)
        low = world.returned - reads.gap_around(world.returned)
        high = world.returned + reads.gap_around(world.returned) + world.delay + world.cache
        return low, high, high
    latest = high
    if rail is not None and world.returned < FAR and not world.mode and world.returned > high - 20 * MS:
        reads = readings.all_good(rail)
        on = reads.late[(reads.looked - world.delay - world.cache >= world.returned) & (reads.value > 0)]
        latest = max(high, int(on[0])) if len(on) else max(high, world.returned + S)
    return low, high, latest


def read_back_early(world: World, readings: Readings) -> bool:
    """Whether the rail was read on between its true return and the command: what it shows outranks what the relay was
    told."""
    rail = rail_point(world)
    if rail is None or not world.lost < world.returned < world.back[0] or world.mode:
        return False
    reads = readings.all_good(rail)
    gone = (reads.early >= world.cut[0]) & (reads.late < world.back[0]) & (reads.value == 0)
    shown = (reads.early > world.returned) & (reads.late < world.back[0]) & (reads.value > 0)
    return bool(gone.any()) and bool(shown.any())


def rail_point(world: World) -> str | None:
    """The point of the rig's supply proof."""
    return next((proof.point for proof in world.rig.proof_of_cut if proof.kind == "value"), None)


def ready_of(world: World, readings: Readings, life: Life) -> Ready:
    """When the controller was ready in one of its lives, and by when reads that count showed it."""
    begin = max(life.start, world.returned, 0 if read_back_early(world, readings) else world.back[0])
    until = min(life.end, life.stands)
    true: int | None = begin
    if world.rig.ready.when:
        spans = world.truth[world.rig.ready.when[0][0]].spans([1.0], begin, min(until, FAR))
        true = next((low for low, high in spans if high - low >= world.rig.ready.steady_ns), None)
    if true is None or true >= until or world.returned >= FAR:
        return Ready(None, None, life)
    true = max(true, last_exception(world, life))
    name = world.rig.ready.when[0][0] if world.rig.ready.when else world.rig.ready.alive or "lamp"
    reads = readings.sure(name, life)
    losses = readings.contact_losses(true, min(until, world.end or FAR))
    losses = losses[losses < until]
    after = max(true, int(losses[-1]) if len(losses) else true)
    if world.mode and world.rig.ready.alive is not None:  # its sign of life has to move again
        after = max(after, min(readings.counting_from(life).values(), default=FAR))
    until = FAR
    if life.stands < FAR:  # what is read after the last change of alive, while it stands, proves nothing
        until = life.stands - world.pace - 2 * world.rig.devices["controller"].poll_ns
    return Ready(true, _shown_steadily(reads.only(reads.early >= after), until, world.rig.ready.steady_ns), life)


def _shown_steadily(reads: Reading, until: int, steady: int) -> int | None:
    """By when reads that count showed what holds for so long, with no second between them that went by unread."""
    if not len(reads.early):
        return None
    runs = np.split(np.arange(len(reads.early)), np.flatnonzero(np.diff(reads.early) > S) + 1)
    shown = ((int(reads.late[run[0]]), min(until, int(reads.early[run[-1]]))) for run in runs)
    return next((first for first, last in shown if last >= first + steady), None)


def _hardly_ready(world: World, life: Life) -> bool:
    """Whether it held for nearly as long as it has to until its program froze: two polls and a beat may be read on."""
    if not world.rig.ready.when or life.stands >= FAR:
        return False
    spans = world.truth[world.rig.ready.when[0][0]].spans([1.0], max(life.start, world.returned), life.stands)
    spare = 2 * world.rig.devices["controller"].poll_ns + world.pace
    return any(high - low + spare >= world.rig.ready.steady_ns for low, high in spans)


def last_exception(world: World, life: Life) -> int:
    """The last exception with which a running controller answered before it first gave values: it was not ready yet
    (0: there was none)."""
    got = world.got["controller"]
    since = max([world.returned, *(one.end for one in world.lives if one.end <= life.start)])
    good = got.received[(got.kind == GOOD) & (got.sent >= since)]
    first = int(good[0]) if len(good) else FAR
    odd = got.looked[(got.kind == EXCEPTION) & (got.looked >= life.start) & (got.received < first)]
    return int(odd[-1]) if len(odd) else 0


def spans_of(world: World, readings: Readings) -> tuple[Ready, Spans]:
    """The last life that the cycle saw, and the spans that count from it."""
    _, high, latest = restored_bounds(world, readings)
    within, settle, watch = world.rig.ready.within_ns, world.scenario.settle_ns, world.scenario.watch_ns
    deadlines = (high + within, latest + within)
    last = Ready(None, None, None)
    earlier = False
    for life in world.lives:
        if life.end <= world.back[0] and not (life.end > world.returned):
            continue
        if world.end and life.start > world.end:
            break
        if life.end < (world.end or FAR) and life is not world.lives[-1]:
            earlier = True
            continue
        last = ready_of(world, readings, life)
    if last.true is None:
        in_time: bool | None = False
    elif last.true > deadlines[1]:
        in_time = False
    elif last.seen is not None and last.seen <= deadlines[0]:
        in_time = True
    else:
        in_time = None
    seen = last.seen if last.seen is not None else FAR
    true = last.true if last.true is not None else FAR
    if last.true is None and last.life is not None and _hardly_ready(world, last.life):
        in_time, true = None, max(last.life.start, world.returned)
    losses = readings.contact_losses(high, world.end) if world.end else np.empty(0, np.int64)
    anew = int(losses[-1]) + within if len(losses) else 0  # contact that is lost begins it anew
    if in_time is True:
        begins = (true, max(seen, latest))  # ready comes no sooner than the return: as late as that was read
    elif in_time is False and not (earlier and true < FAR):
        begins = (deadlines[0], max(deadlines[1], anew))
    else:
        begins = (min(deadlines[0], true), max(deadlines[1], anew, seen if seen < FAR else deadlines[1]))
    if in_time is None and earlier and last.true is None:
        begins = (deadlines[0], FAR)
    lasting = world.scenario.watch_restored_ns  # from the return, or from a restart that came later
    latest_begin = max(latest, world.lives[-1].start if world.lives[-1].start < FAR else 0)
    ends = (max(begins[0] + watch, high + lasting), max(begins[1] + watch, latest_begin + lasting))
    return last, Spans((begins[0] + settle, begins[1] + settle), ends, in_time)


def end_of(world: World, readings: Readings) -> int:
    """The end of the cycle as the runner sets it: when the watch is over that counts from the last `ready`; restarts
    within it begin it anew."""
    _, _, latest = restored_bounds(world, readings)
    deadline = latest + world.rig.ready.within_ns
    glow = GLOW + 3 * max(one.poll_ns + one.image_lag_ns for one in world.rig.devices.values())
    watch = world.scenario.watch_ns
    end = deadline + watch + glow
    lasting = world.scenario.watch_restored_ns
    first = next((life for life in world.lives if life.end > max(world.returned, world.back[0])), None)
    if first is not None and len(readings.contact_losses(max(world.returned, world.back[1]), first.start)):
        first = None  # its time counts from a later loss
    for life in world.lives:
        ready = ready_of(world, readings, life)
        if ready.seen is not None and ready.true is not None and ready.true <= deadline:
            end = ready.seen + watch + glow
            if life.end > ready.true + watch:
                end = min(end, life.end - MS)
                break
        elif ready.true is not None and life is first and life.end > max(deadline + watch, latest + lasting):
            end = min(end, life.end - MS)  # too late, and no more is waited for
            break
        elif ready.seen is not None and len(world.lives) > 1:
            end = max(end, ready.seen + watch + glow)
    for _ in range(5):  # contact that is lost within the watch begins it anew
        losses = readings.contact_losses(max(world.back[1], world.returned if world.returned < FAR else 0), end - glow)
        later = [int(one) for one in losses if one > (world.lives[-1].start if len(world.lives) > 1 else 0)]
        if not later or len(world.lives) > 2 or (end < deadline and len(world.lives) > 1):
            break
        longer = later[-1] + world.rig.ready.within_ns + watch + glow
        if longer <= end:
            break
        end = longer
    return end
