"""What a program model is, once its file has been read: what `--simulated` runs and `predict` reasons about.

`suite/program_reader` reads these values from YAML; `plc/interpreter` goes through them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Expr = tuple[Any, ...]
"""A condition as a nested tuple:

("const", value) | ("name", name) | ("not", e) | ("and"|"or"|"xor", a, b)
| ("="|"<>"|"<"|"<="|">"|">=", a, b) with names or integer constants on both sides. Names are lower case.
"""


@dataclass(frozen=True, slots=True)
class Boot:
    """What a client meets after the supply is back, stage by stage, in nanoseconds each."""

    dark_ns: int = 0
    refusing_ns: int = 0
    silent_ns: int = 0
    busy_ns: int = 0
    answering_ns: int = 0  # good replies with the image as it is, the program does not run yet

    @property
    def total_ns(self) -> int:
        """From the restored supply to the running program."""
        return self.dark_ns + self.refusing_ns + self.silent_ns + self.busy_ns + self.answering_ns


@dataclass(frozen=True, slots=True)
class Input:
    """One input of the program."""

    name: str
    role: Literal["command", "sensor"]
    rest: bool | int | float = False


@dataclass(frozen=True, slots=True)
class Memory:
    """Retention and initial value of a bit, a value or a block instance."""

    name: str
    retained: bool = False
    initial: bool | int | float = False


@dataclass(frozen=True, slots=True)
class Coil:
    """A plain coil: copies its condition in every scan."""

    target: str
    when: Expr
    line: int = 0


@dataclass(frozen=True, slots=True)
class Set:
    """Sets while its condition is true."""

    target: str
    when: Expr
    line: int = 0


@dataclass(frozen=True, slots=True)
class Reset:
    """Resets while its condition is true."""

    target: str
    when: Expr
    line: int = 0


@dataclass(frozen=True, slots=True)
class Timer:
    """TON, TOF or TP."""

    name: str
    kind: Literal["TON", "TOF", "TP"]
    preset_ns: int
    when: Expr
    line: int = 0


@dataclass(frozen=True, slots=True)
class Counter:
    """CTU (counts up, `clear`) or CTD (counts down from `preset`, `load`)."""

    name: str
    kind: Literal["CTU", "CTD"]
    preset: int
    when: Expr
    reset: Expr | None = None  # `clear:` of a CTU, `load:` of a CTD
    line: int = 0


@dataclass(frozen=True, slots=True)
class Edge:
    """True for one evaluation after its condition rose (`rising`) or fell (`falling`)."""

    name: str
    kind: Literal["rising", "falling"]
    when: Expr
    line: int = 0


@dataclass(frozen=True, slots=True)
class Bistable:
    """SR (set dominant) or RS (reset dominant)."""

    name: str
    kind: Literal["SR", "RS"]
    set: Expr
    reset: Expr
    line: int = 0


Rung = Coil | Set | Reset | Timer | Counter | Edge | Bistable


@dataclass(frozen=True, slots=True)
class InjectedFault:
    """A fault that the simulated rig plays on order: its name and its own keys."""

    name: str
    settings: dict[str, Any] = field(default_factory=dict)
    line: int = 0


@dataclass(frozen=True, slots=True)
class RideThrough:
    """Longest loss that the controller does not notice: drawn around `middle_ns`, at most `spread_ns` off."""

    middle_ns: int = 0
    spread_ns: int = 0


@dataclass(frozen=True, slots=True)
class Program:
    """One program model. `digest` is a checksum of the file, 0..65535, played by the rig's `program` point."""

    name: str
    scan_ns: int = 10_000_000
    boot: Boot = Boot()
    rides_through: RideThrough = RideThrough()
    start_pass: Literal["clears coils", "none"] = "none"
    outputs: Literal["at scan end", "at once"] = "at scan end"
    saved: Literal["at scan end", "at once"] = "at once"
    inputs: tuple[Input, ...] = ()
    memory: dict[str, Memory] = field(default_factory=dict)
    rungs: tuple[Rung, ...] = ()
    faults: tuple[InjectedFault, ...] = ()
    digest: int = 0
    path: str = ""
