"""How many examples a property is tried with. The gate tries few of them each time, other ones every time; a factor in
the environment makes many of them: `EXAMPLES_TIMES=20 pytest tests/judging`.
"""

from __future__ import annotations

import os

from hypothesis import settings

_TIMES = float(os.environ.get("EXAMPLES_TIMES", "1"))
COMMON = 50
"""Where a property says nothing about it."""


def examples(many: int) -> settings:
    """So many examples, or as many times more as were asked for; how long one takes says nothing about the bench."""
    return settings(max_examples=max(1, round(many * _TIMES)), deadline=None)
