"""What the numbers of a sample mean, in one place for all who read samples: the judge, the live screen, the replay."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from restart_bench.rig import BIT_TABLES, Point, Value


def decoded(point: Point, raw: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
    """The column of a point as values: off and on are 0 and 1, NaN is blind (not read, no number, between levels)."""
    value = raw.astype(np.float64)
    if point.table in BIT_TABLES:
        value[value < 0] = np.nan
    if point.levels is None:
        return value
    levels = np.full(len(value), np.nan)
    levels[value <= point.levels.off_below] = 0.0
    levels[value >= point.levels.on_above] = 1.0
    return levels


def as_value(point: Point, number: float) -> Value | None:
    """One decoded number in the point's own type; None where it is blind."""
    if np.isnan(number):
        return None
    if point.is_boolean:
        return number != 0
    return int(number) if point.type != "float32" and point.scale == 1.0 else number
