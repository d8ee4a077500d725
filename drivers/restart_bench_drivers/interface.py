"""What a supply driver is: four verbs, and a card that says what it needs and what it can hold.

A driver imports nothing from `restart_bench`. Third parties add theirs through the entry-point group
`restart_bench.supplies`; the entry point names a `SupplyCard`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, Protocol, runtime_checkable


class SupplyError(Exception):
    """The supply did not do as told. The message says what was tried, what came, and what to check."""


class SupplyLibraryMissing(SupplyError):
    """A library that the driver needs is not installed; the message holds the install line."""


class AskPerson(Protocol):
    """Asks a person a question and returns True for yes. Raises SupplyError where nobody can answer."""

    def __call__(self, question: str) -> bool: ...


KeyKind = Literal[
    "text", "host", "pin", "address", "whole number", "number", "duration", "bytes", "choice", "yes or no"
]
"""What the value of a key is: this alone says how it is read, whatever the key is called. `host`: an IP address in
numbers; `pin`: a pin of the computer's header; `address`: of a coil or register, counted from 0."""
SimulatedAs = Literal["relay", "programmable supply"]
PLACE_KINDS: tuple[KeyKind, ...] = ("text", "host", "pin")
"""Kinds of value that can say where a supply is."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a driver in a rig file. `choices` are the words of a choice, `least` and `most` bound a whole number;
    `example` is what editors show where neither default nor kind is example enough."""

    name: str
    kind: KeyKind
    help: str
    required: bool = False
    default: Any = None
    choices: tuple[str, ...] = ()
    least: int = 0
    most: int = 2**31 - 1
    example: Any = None


@dataclass(frozen=True, slots=True)
class SupplyCard:
    """What `restart-bench drivers` and `check` know of a driver without importing its library.

    `load` is "module:Class"; the class is called with keyword arguments named after the keys (durations as
    nanoseconds, `contact` added where `has_contact`). `holds_after_exit`: the hardware keeps the state when this
    process ends. `quiet_open`: opening the driver moves nothing. `has_contact`: a relay, so `contact`,
    `operate`, `release`, `bounce` are asked for. `reads_back_with`: the key that makes a supply tell its state that
    otherwise does not. `address_keys`: the keys that make the lock's address. `simulated_as`: what plays it where a
    rig is simulated, a relay's coil or a supply that can be set to a voltage; one with levels is always the latter.
    """

    name: str
    summary: str
    load: str
    keys: tuple[Key, ...]
    example: str
    has_contact: bool = True
    holds_after_exit: bool = True
    quiet_open: bool = True
    has_levels: bool = False
    reads_back: bool = True
    reads_back_with: str = ""
    needs_person: bool = False
    address_keys: tuple[str, ...] = ()
    install: str = ""
    simulated_as: SimulatedAs = "relay"


class Supply(Protocol):
    """A supply that has been opened. `on`, `off` return once the command was taken (and read back where the
    hardware can); they raise SupplyError otherwise. `close` may be called twice and moves nothing by itself."""

    def on(self) -> None:
        """Give the controller its power."""

    def off(self) -> None:
        """Take the controller's power away."""

    def is_on(self) -> bool | None:
        """What the hardware itself says: True on, False off, None where it can't be read."""

    def close(self) -> None:
        """Let go of the hardware."""


@runtime_checkable
class LevelSupply(Supply, Protocol):
    """A supply that can also stand between on and off."""

    def level(self, volts: float) -> None:
        """Go to this voltage."""
