"""Programs and rights that some tests need and a fresh computer may lack.

Such a test is left out by name, with the line that brings what it needs, and counted at the end of the session. Where
CI is set, everything has been installed, so a missing tool fails instead of leaving anything out.
"""

from __future__ import annotations

import os
import shutil
from collections import Counter
from collections.abc import Iterable

import pytest

INSTALL = {
    "chromium": "sudo apt-get install chromium chromium-driver",
    "chromedriver": "sudo apt-get install chromium-driver",
    "pdftotext": "sudo apt-get install poppler-utils",
    "mbpoll": "sudo apt-get install mbpoll",
    "ip": "sudo apt-get install iproute2",
    "tmux": "sudo apt-get install tmux",
}
"""Program -> the line that brings it, on Debian and its relatives."""
LACKS = "this computer lacks "


def program(*names: str) -> str:
    """Path of the first of these programs that is there; leaves the test out (under CI: fails) where none is."""
    found = next((path for name in names if (path := shutil.which(name))), None)
    if found is None:
        lacking(names[0], INSTALL[names[0]])
    return found


def lacking(what: str, cure: str) -> None:
    """Leaves the running test out because of what this computer lacks, and says how to get it; fails under CI."""
    text = f"{LACKS}{what}: {cure}"
    if os.environ.get("CI"):
        pytest.fail(f"{text} (CI installs everything, so nothing may be left out)", pytrace=False)
    pytest.skip(text)


def left_out(reasons: Iterable[str]) -> list[str]:
    """A line for each thing that was lacking: how many tests it left out, and the cure."""
    counted = Counter(LACKS + reason.partition(LACKS)[2] for reason in reasons if LACKS in reason)
    return [f"{number} test{'s' if number > 1 else ''} left out: {text}" for text, number in sorted(counted.items())]
