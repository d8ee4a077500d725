"""How much of a test is tried each time. The gate tries few examples of a property, other ones every time (a factor in
the environment makes many of them: `EXAMPLES_TIMES=20 pytest tests/judging`), and few of the like runs of a rig.
"""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

_TIMES = float(os.environ.get("EXAMPLES_TIMES", "1"))
COMMON = 50
"""Where a property says nothing about it."""


def examples(many: int) -> settings:
    """So many examples, or as many times more as were asked for; how long one takes says nothing about the bench."""
    return settings(max_examples=max(1, round(many * _TIMES)), deadline=None)


def seldom(first: object, *others: object, plain: int = 1) -> list[object]:
    """Values of a test that plays a rig: plain `pytest` tries the first `plain`, the slow suite the others as well."""
    return [
        value if number < plain else pytest.param(*_parts(value), marks=pytest.mark.slow)
        for number, value in enumerate((first, *others))
    ]


def _parts(value: object) -> tuple[object, ...]:
    return value if isinstance(value, tuple) else (value,)
