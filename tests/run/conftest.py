"""What all tests of runs share: the simulated rigs that they are run on begin with the bench imported."""

from __future__ import annotations

import os
from collections.abc import Iterator
from types import SimpleNamespace

import pytest

from restart_bench.simulated import handle
from warm_process import WarmRig


@pytest.fixture(scope="module", autouse=True)
def warm_rigs() -> Iterator[None]:
    """A rig is the stand-in for hardware here; how it starts as a process is shown in `tests/simulated`."""
    with pytest.MonkeyPatch.context() as patch:
        if hasattr(os, "fork"):
            known = {name: getattr(handle.subprocess, name) for name in ("PIPE", "TimeoutExpired")}
            patch.setattr(handle, "subprocess", SimpleNamespace(Popen=WarmRig, **known))
        yield
