"""The distribution of times of which only bounds are known, from the bounds alone: Turnbull's estimate.

Turnbull 1976, J. R. Stat. Soc. B 38:290-295. An observation (after, until) lies later than `after` and not later than
`until`, which may be infinite (it had not happened when the watch ended); both equal is an instant known exactly.
`closed` takes the earlier end as possible too; that is another estimate, so say which one is meant.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GAP = 1e-8
"""The search ends where no other distribution can have a log-likelihood that is better by more than this."""
MOST_STEPS = 500


@dataclass(frozen=True, slots=True)
class Mass:
    """A share of all times that lies within these ends; where in between the observations can't tell."""

    after: float
    until: float
    share: float


@dataclass(frozen=True, slots=True)
class Censored:
    """The most likely distribution: its masses in order, those that are nothing left out."""

    masses: tuple[Mass, ...]
    log_likelihood: float

    def share_until(self, time: float) -> tuple[float, float]:
        """Smallest and largest share of times that are over by `time`."""
        sure = math.fsum(mass.share for mass in self.masses if mass.until <= time)
        possible = math.fsum(mass.share for mass in self.masses if mass.after < time or mass.until <= time)
        return min(1.0, sure), min(1.0, possible)


def turnbull(observations: Sequence[tuple[float, float]], *, closed: bool = False) -> Censored:
    """The nonparametric maximum-likelihood estimate. Raises ValueError where there is nothing, or ends are reversed."""
    if not observations:
        raise ValueError("there is no observation")
    for after, until in observations:
        if not after <= until:
            raise ValueError(f"an observation from {after} to {until} can't be")
    places = _innermost(observations, closed)
    holds = np.array([[_holds(one, place, closed) for place in places] for one in observations], dtype=float)
    shares = _most_likely(holds)
    masses = (Mass(left, right, float(share)) for (left, right), share in zip(places, shares, strict=True))
    return Censored(tuple(mass for mass in masses if mass.share > 0), _likelihood(holds, shares))


def _innermost(observations: Sequence[tuple[float, float]], closed: bool) -> list[tuple[float, float]]:
    """Where mass can lie: from a left end to a right end with no other end between them. Of ends at one place, a
    right end comes before the left end of what only begins after it; an exact or closed one holds its place."""
    ends: set[tuple[float, int]] = set()
    for after, until in observations:
        begins_after = not closed and after < until
        ends |= {(after, 2 if begins_after else 0), (until, 1)}
    ordered = sorted(ends)
    return [(left, right) for (left, which), (right, other) in itertools.pairwise(ordered) if which != 1 and other == 1]


def _holds(observation: tuple[float, float], place: tuple[float, float], closed: bool) -> bool:
    """Whether mass at that place agrees with the observation."""
    (after, until), (left, right) = observation, place
    return after <= left and right <= until and (closed or after == until or right > after)


def _most_likely(holds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of the places by the constrained Newton method (Wang 2007, J. R. Stat. Soc. B 69:185-198): each step
    solves for the quadratic that touches the likelihood, with shares not below 0, and goes as far as it improves."""
    from scipy.optimize import nnls

    count, places = holds.shape
    shares = np.full(places, 1.0 / places)
    for _ in range(MOST_STEPS):
        slopes = holds / (holds @ shares)[:, np.newaxis]
        if float(slopes.sum(axis=0).max()) - count <= GAP:
            break
        sides = np.vstack([slopes, np.full(places, float(count))])
        towards, _ = nnls(sides, np.append(np.full(count, 2.0), float(count)))
        stepped = _step(holds, shares, towards / towards.sum())
        if stepped is shares:
            break
        shares = stepped
    return shares


def _step(holds: NDArray[np.float64], shares: NDArray[np.float64], towards: NDArray[np.float64]) -> NDArray[np.float64]:
    """The farthest of halved steps that is better, else the shares as they are: no float is better."""
    now, length = _likelihood(holds, shares), 1.0
    while length > 1e-12:
        tried = shares + length * (towards - shares)
        if _likelihood(holds, tried) > now:
            return tried
        length /= 2
    return shares


def _likelihood(holds: NDArray[np.float64], shares: NDArray[np.float64]) -> float:
    chances = holds @ shares
    return float(np.log(chances).sum()) if (chances > 0).all() else -math.inf
