"""What a simulated rig is started with, and the one line of JSON in which it travels to its process.

Values are written with the name of their class and their fields, tuples as lists; so every dataclass of `rig` and
`program` comes back as it was, without a schema. This is no file format: both ends are always of the same version.
"""

from __future__ import annotations

import dataclasses
import json
import sys
from dataclasses import dataclass
from typing import Any

from restart_bench.model.program import InjectedFault, Program
from restart_bench.model.rig import Rig, RigSupply

_CLASS = "class"
NOMINAL_VOLTS = 24.0


@dataclass(frozen=True, slots=True)
class SimulationSetup:
    """Rig (ports and hosts do not matter), program, the seed of all that is drawn, faults beside the program's own,
    the path of the truth log ("": none is kept), and the port of the first device, behind which the others follow
    (0: free ones)."""

    rig: Rig
    program: Program
    seed: int = 0
    faults: tuple[InjectedFault, ...] = ()
    truth: str = ""
    first_port: int = 0


def is_programmable(supply: RigSupply) -> bool:
    """True where the simulated rig plays the supply by one that speaks SCPI and can go to a level, as the driver's
    card says. A supply that people work gets a relay in their place."""
    return supply.simulated_as == "programmable supply"


def full_volts(supply: RigSupply) -> float:
    """Its voltage while it is fully on: nominal, else what its own driver is told, else 24 V."""
    return supply.nominal_volts or float(supply.settings.get("volts") or NOMINAL_VOLTS)


def _classes_beside(one: type[Any]) -> dict[str, type[Any]]:
    """The dataclasses of the module that defines this one."""
    found = vars(sys.modules[one.__module__])
    return {name: it for name, it in found.items() if isinstance(it, type) and dataclasses.is_dataclass(it)}


_CLASSES: dict[str, type[Any]] = {
    **_classes_beside(Rig),
    **_classes_beside(Program),
    SimulationSetup.__name__: SimulationSetup,
}


def setup_line(setup: SimulationSetup) -> str:
    """One line of JSON, without line end."""
    return json.dumps(_plain(setup))


def setup_from_line(line: str) -> SimulationSetup:
    """The setup that a line tells. Raises ValueError on anything else."""
    try:
        told = _value(json.loads(line))
    except (KeyError, TypeError) as problem:
        raise ValueError(f"this is no setup of a simulated rig: {problem}") from problem
    if not isinstance(told, SimulationSetup):
        raise ValueError("this is no setup of a simulated rig")
    return told


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
        return {_CLASS: type(value).__name__, **fields}
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    return value


def _value(told: Any) -> Any:
    if isinstance(told, list):
        return tuple(_value(one) for one in told)
    if not isinstance(told, dict):
        return told
    fields = {key: _value(one) for key, one in told.items() if key != _CLASS}
    return _CLASSES[told[_CLASS]](**fields) if _CLASS in told else fields
