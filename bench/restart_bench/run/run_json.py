"""What run.json says of a run before it begins: who, what, on what, with what."""

from __future__ import annotations

import getpass
import platform
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import cache
from typing import Any

from restart_bench.model.outcome import RunOptions
from restart_bench.model.rig import Identity
from restart_bench.suite.loader import Suite


def facts_before(
    suite: Suite,
    options: RunOptions,
    *,
    seed: int,
    planned: Mapping[str, int],
    told: Mapping[str, Any],
) -> dict[str, Any]:
    """Keys of run.json that are known before anything moves, beside those that the archive knows by itself.

    `planned`: cycles by scenario. `told`: what the devices say they are (`facts_of_devices`).
    """
    rig = suite.rig
    return {
        "by": options.by or _user(),
        "simulated": options.simulated,
        **told,
        "rehearsal": options.rehearse,
        **({"asked_first": list(options.ask_first)} if options.ask_first else {}),
        **({"survey": options.survey} if options.survey else {}),
        "armed": options.arm if not options.simulated else None,
        "seed": seed,
        "loads": rig.loads,
        "host": {"name": platform.node(), "system": platform.system(), "release": platform.release()},
        "versions": _versions(),
        "supply_address": rig.supply.address if rig.supply is not None else None,
        "planned_cycles": sum(planned.values()),
        "planned": dict(planned),
        "repeat": {s.name: s.repeat for s in suite.scenarios},
        "record": dict(rig.record),
    }  # fmt: skip


def facts_of_devices(identities: Mapping[str, Identity], unheard: Sequence[str]) -> dict[str, Any]:
    """Keys of run.json: what the devices say they are, and which of them were never heard to say anything."""
    return {
        "simulated_devices": simulated_among(identities),
        "identities": {name: one.shown for name, one in identities.items()},
        "unheard_devices": list(unheard),
    }


def simulated_among(identities: Mapping[str, Identity]) -> list[str]:
    """The devices that say of themselves that they are simulated."""
    return [name for name, one in identities.items() if one.is_simulated]


def _user() -> str:
    with suppress(Exception):  # no name for this user: the record then has none
        return getpass.getuser()
    return ""


@cache  # the files that say so are long
def _versions() -> dict[str, str]:
    from importlib.metadata import version

    names = ("restart-bench", "pymodbus", "numpy", "pyarrow", "PyYAML", "pydantic")
    return {"python": platform.python_version(), **{name: version(name) for name in names}}
