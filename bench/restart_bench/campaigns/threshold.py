"""How long a cut is ridden through: brackets, and a fitted threshold where outcomes overlap.

Off times are known by their bounds only, so a trial is (low, high) and whether the controller restarted. Where every
cut that was ridden through is shorter than every one that was not, the answer is the bracket between them, for every
off time within the bounds. Where outcomes overlap the chance of a restart is taken to grow with the off time like a
normal distribution (probit); its middle is the threshold, with the interval of its profile likelihood.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from restart_bench.campaigns.reliability import check_fraction

Floats = NDArray[np.float64]

PLACES, SPREADS = 120, 16
"""Fineness of the grid on which the likelihood is looked at; ends of an interval are interpolated on it."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A cut whose true off time lies from `low` to `high`, and what came of it."""

    low: float
    high: float
    restarted: bool

    @property
    def middle(self) -> float:
        """The off time as one number, where one is needed to go on."""
        return (self.low + self.high) / 2


@dataclass(frozen=True, slots=True)
class Bracket:
    """Bounds of the longest cut that was ridden through and of the shortest that restarted; None where there was none.
    `overlap`: some cut was surely not shorter than another that restarted, and was ridden through."""

    rides_through: tuple[float, float] | None
    restarts: tuple[float, float] | None
    overlap: bool


@dataclass(frozen=True, slots=True)
class Threshold:
    """Off time at which half of the cuts restart, and the spread around it (standard deviation). `low` and `high` are
    the ends of the interval at `confidence`, for every off time within the bounds; None where the trials set no end."""

    middle: float
    spread: float
    low: float | None
    high: float | None
    confidence: float


def bracket(trials: Sequence[Trial]) -> Bracket:
    """What was ridden through and what was not, at the most telling ends."""
    ridden = max((one for one in trials if not one.restarted), key=lambda one: (one.low, one.high), default=None)
    restarted = min((one for one in trials if one.restarted), key=lambda one: (one.high, one.low), default=None)
    return Bracket(
        None if ridden is None else (ridden.low, ridden.high),
        None if restarted is None else (restarted.low, restarted.high),
        ridden is not None and restarted is not None and ridden.low >= restarted.high,
    )


# ---------------------------------------------------------------- fitting


def fit(trials: Sequence[Trial], confidence: float = 0.95) -> Threshold | None:
    """The fitted threshold; None where outcomes do not surely overlap (then the bracket is the answer)."""
    check_fraction("confidence", confidence)
    if not bracket(trials).overlap:
        return None
    low, high = (_Likelihood([(getattr(one, end), one.restarted) for one in trials]) for end in ("low", "high"))
    middle = _Likelihood([(one.middle, one.restarted) for one in trials])
    place, spread = middle.best()
    return Threshold(place, spread, low.end(confidence, -1), high.end(confidence, 1), confidence)


def roughly(trials: Sequence[Trial]) -> tuple[float, float]:
    """Threshold and spread as well as few trials tell them, in a hundredth of the time."""
    return _Likelihood([(one.middle, one.restarted) for one in trials]).roughly()


class _Likelihood:
    """The log-likelihood of threshold and spread, on a grid around the trials."""

    def __init__(self, outcomes: list[tuple[float, bool]]) -> None:
        counted = Counter(outcomes)
        self._count = len(outcomes)
        self._at = np.array([at for at, _ in counted], dtype=float)
        self._sign = np.array([1.0 if restarted else -1.0 for _, restarted in counted])
        self._often = np.array(list(counted.values()), dtype=float)
        least, most = float(self._at.min()), float(self._at.max())
        reach = most - least or 1.0  # all cuts may be alike
        self._places = np.linspace(least - reach, most + reach, PLACES)
        self._spreads = np.geomspace(reach / 200, reach * 3, SPREADS)
        self._profile = self._told(self._places[:, np.newaxis], self._spreads[np.newaxis, :]).max(axis=1)

    def _told(self, place: Floats, spread: Floats) -> Floats:
        from scipy.special import log_ndtr

        away = (self._at - place[..., np.newaxis]) / spread[..., np.newaxis]
        told: Floats = (log_ndtr(self._sign * away) * self._often).sum(axis=-1)
        return told

    def roughly(self) -> tuple[float, float]:
        """Most likely threshold and spread, as fine as the grid."""
        place = self._places[int(self._profile.argmax())]
        spreads = self._told(np.full(SPREADS, place), self._spreads)
        return float(place), float(self._spreads[int(spreads.argmax())])

    def best(self) -> tuple[float, float]:
        """Most likely threshold and spread."""
        from scipy.optimize import minimize

        place = self._places[int(self._profile.argmax())]
        spreads = self._told(np.full(SPREADS, place), self._spreads)
        start = np.array([place, math.log(self._spreads[int(spreads.argmax())])])
        found = minimize(
            self._against,
            start,
            method="Nelder-Mead",
            # where longer cuts restart less often than shorter ones, the best curve is flat and lies nowhere
            bounds=[(self._places[0], self._places[-1]), (None, math.log(self._spreads[-1]))],
            options={"xatol": 1e-7 * float(self._spreads[0]), "fatol": 1e-10, "maxiter": 2000},
        )
        return float(found.x[0]), math.exp(float(found.x[1]))

    def _against(self, at: Floats) -> float:
        """What is made small: of the threshold, and of the logarithm of the spread, which is then never below 0."""
        return -float(self._told(at[:1], np.exp(at[1:]))[0])

    def end(self, confidence: float, side: int) -> float | None:
        """Where the profile has fallen so far to one side that a threshold beyond is rejected. The quantile is that of
        Student's distribution: few trials tell the spread badly, and the interval has to be the wider for it."""
        from scipy.special import stdtrit

        quantile = float(stdtrit(max(1, self._count - 2), 0.5 + confidence / 2))
        least = float(self._profile.max()) - quantile * quantile / 2
        place = int(self._profile.argmax())
        while 0 <= place < PLACES and self._profile[place] >= least:
            place += side
        if not 0 <= place < PLACES:
            return None
        outside, inside = float(self._profile[place]), float(self._profile[place - side])
        share = (least - outside) / (inside - outside)
        return float(self._places[place] + share * (self._places[place - side] - self._places[place]))


# ---------------------------------------------------------------- without a curve


def sharp_interval(trials: Sequence[Trial], confidence: float = 0.95) -> tuple[float | None, float | None]:
    """Ends of the threshold's interval that assume no curve, only that longer cuts restart more often. Cuts beyond a
    threshold restart at least as often as a coin falls: a threshold is rejected where none of the next n longer ones
    restarted, or all of the next n shorter ones did, with n so large that coins do that too rarely (6 at 95 %). None
    where there are not so many in a row."""
    check_fraction("confidence", confidence)
    row = math.ceil(math.log2(2 / (1 - confidence)) - 1e-9)
    low = _last_of_a_row(sorted((one.low, one.restarted) for one in trials), row)
    high = _last_of_a_row(sorted((-one.high, not one.restarted) for one in trials), row)
    return low, None if high is None else -high


def _last_of_a_row(ordered: Sequence[tuple[float, bool]], row: int) -> float | None:
    """The last place, from the start on without a break, from which so many in a row did not happen."""
    last = None
    for place in range(len(ordered) - row + 1):
        if any(happened for _, happened in ordered[place : place + row]):
            break
        last = ordered[place][0]
    return last
