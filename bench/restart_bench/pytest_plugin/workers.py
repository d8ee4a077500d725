"""With pytest-xdist: all items of one rig on one worker, whatever `--dist` says of all other tests."""

from __future__ import annotations

from typing import Any

import pytest
from xdist.scheduler import LoadFileScheduling, LoadGroupScheduling, LoadScopeScheduling

_BY_DIST: dict[str, type[LoadScopeScheduling]] = {
    "loadscope": LoadScopeScheduling,
    "loadfile": LoadFileScheduling,
    "loadgroup": LoadGroupScheduling,
}


def scheduler_for(config: pytest.Config, log: Any) -> LoadScopeScheduling:
    """A scheduler that keeps rigs together: as `--dist` has it for other tests (`load` and `worksteal`: each alone).

    A simulated rig is known by the folder of its files; with an armed rig all scenario files stay together, because
    two folders may describe one supply.
    """
    armed = bool(config.getoption("--restart-arm"))
    base = _BY_DIST.get(config.getoption("dist"), LoadScopeScheduling)
    alone = base is LoadScopeScheduling and config.getoption("dist") != "loadscope"

    class KeepRigsTogether(base):  # type: ignore[valid-type,misc]
        """Scopes of scenario items are their rigs."""

        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.split("::", 1)[0]
            if file.endswith((".yaml", ".yml")):
                return "armed rig" if armed else f"rig {file.rpartition('/')[0]}"
            return nodeid if alone else str(super()._split_scope(nodeid))

    return KeepRigsTogether(config, log)
