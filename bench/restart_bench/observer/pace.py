"""When a device is polled: rounds begin at absolute deadlines, and deadlines that pass are counted, never caught up."""

from __future__ import annotations


class Pace:
    """The rounds of one device. A round goes through `reads` requests; the grid of deadlines never drifts."""

    __slots__ = ("_held_up", "_period_ns", "_place", "_reads", "deadline_ns", "missed", "waited")

    def __init__(self, period_ns: int, reads: int) -> None:
        self.deadline_ns = 0  # the next round begins here
        self.missed = 0  # deadlines without a round although every request was answered in time
        self.waited = 0  # deadlines without a round while an answer was awaited in vain
        self._period_ns = period_ns
        self._reads = reads
        self._place = reads
        self._held_up = False

    def next_read(self, now_ns: int) -> int | None:
        """Number of the read that is due, None until the next deadline. Each one is given out once a round."""
        if self._place >= self._reads:
            if now_ns < self.deadline_ns:
                return None
            self._begin(now_ns)
        self._place += 1
        return self._place - 1

    def held_up(self) -> None:
        """A request of this round got no answer in time: what it makes late is not the sampler's fault."""
        self._held_up = True

    def resume(self, deadline_ns: int, done: int | None = None) -> None:
        """Begin anew: the next round at `deadline_ns`; before it what follows read `done` of a round under way."""
        self.deadline_ns = deadline_ns
        self._place = self._reads if done is None else done + 1
        self._held_up = False

    def _begin(self, now_ns: int) -> None:
        passed = (now_ns - self.deadline_ns) // self._period_ns
        if self._held_up:
            self.waited += passed
        else:
            self.missed += passed
        self.deadline_ns += (passed + 1) * self._period_ns
        self._place = 0
        self._held_up = False
