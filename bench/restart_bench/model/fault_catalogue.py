"""The faults that the simulated rig plays on order: their names, their keys, and what each of them does.

A program file orders them under `faults:`, a test by `Simulation(faults=...)`. A fault plays from its first cut on
(`from_cut`, default 1; 0 means from the start of the simulation), so that good cycles can precede it. A cut is
counted when the relay is told to take the supply away, and when run mode is left.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from restart_bench.model.clock import NS_PER_MS
from restart_bench.model.program import InjectedFault
from restart_bench.model.units import UnitRefused, parse_duration

KeyKind = Literal["duration", "whole number", "value", "choice", "point"]
Among = Literal["rig", "program", "inputs"]


@dataclass(frozen=True, slots=True)
class FaultKey:
    """One key of a fault. `kind`: duration (text in a file, nanoseconds once prepared; `least` and above), whole number
    (`least` to `most`), value (of a point), choice, point (a name of the rig or of the program). A default of None:
    see `help`. `example` is what editors show where neither default nor kind is example enough."""

    name: str
    kind: KeyKind
    help: str
    required: bool = False
    default: Any = None
    choices: tuple[str, ...] = ()
    least: int = 0
    most: int = 2**31 - 1
    example: Any = None
    among: Among = "rig"


@dataclass(frozen=True, slots=True)
class FaultCard:
    """One fault: what it does, and the keys it takes beside `COMMON_KEYS`."""

    name: str
    does: str
    keys: tuple[FaultKey, ...] = ()

    @property
    def all_keys(self) -> tuple[FaultKey, ...]:
        """Its own keys, then those that every fault has."""
        return self.keys + COMMON_KEYS


COMMON_KEYS = (
    FaultKey("from_cut", "whole number", "first cut in which it plays; 0: from the start of the simulation", default=1),
    FaultKey("to_cut", "whole number", "last cut in which it plays (default: no end)"),
    FaultKey("one_in", "whole number", "plays in one of so many cuts, drawn from the seed", default=1, least=1),
)


def _point(help_text: str, among: Among = "rig") -> FaultKey:
    return FaultKey("point", "point", help_text, required=True, among=among)


def _time(key: str, help_text: str, default_ms: int) -> FaultKey:
    return FaultKey(key, "duration", help_text, default=default_ms * NS_PER_MS)


_by, _after, _lasts = (partial(_time, key) for key in ("by", "after", "lasts"))


def _card(name: str, does: str, *keys: FaultKey) -> FaultCard:
    return FaultCard(name, does, keys)


_CARDS = (
    # supply
    _card("relay-welded", "the relay answers as ever, but its contact never opens"),
    _card("relay-not-reclosing", "the contact opens and does not close again"),
    _card(
        "relay-slow",
        "the contact moves later than its data sheet says",
        _by("how much later", 50),
        FaultKey("when", "choice", "which way", default="both", choices=("opening", "closing", "both")),
    ),
    _card(
        "relay-bouncing",
        "the contact opens again several times while it closes",
        _lasts("from the first closing to the last", 60),
        FaultKey("times", "whole number", "how often it opens again", default=2, least=1),
    ),
    _card(
        "rail-back-fed",
        "the rail stays up while the contact is open, fed from elsewhere",
        FaultKey(
            "controller",
            "choice",
            "whether the controller is fed as well",
            default="keeps running",
            choices=("keeps running", "loses power"),
        ),
    ),
    _card(
        "rail-held-up", "rail and controller are held up for a while after the contact has opened", _by("how long", 200)
    ),
    _card(
        "second-dip",
        "the supply is lost a second time after it has come back",
        _after("from the returned supply to the dip", 100),
        _lasts("length of the dip", 100),
    ),
    _card(
        "supply-back-by-itself",
        "the supply comes back while the contact is open: a second feed, or a time-out of the relay",
        _after("from the opened contact to the return", 100),
    ),
    # image of the controller
    _card(
        "stale-image",
        "after the restart the controller answers with the values from before the cut",
        _lasts("how long it goes on after the program has begun to run", 200),
    ),
    _card(
        "cleared-image",
        "after the restart the controller answers with zeros",
        _lasts("how long it goes on after the program has begun to run", 200),
    ),
    _card(
        "image-disagrees",
        "the image of an output says the opposite of its terminal, from the restart on",
        _point("the output"),
    ),
    _card("point-unanswered", "requests that touch one point get no reply", _point("the point")),
    _card(
        "point-refused",
        "requests that touch one point draw an exception",
        _point("the point"),
        FaultKey("code", "whole number", "code of the exception", default=2),
    ),
    # outputs
    _card(
        "pulse",
        "an output pulses after the restart",
        _point("the output", "program"),
        FaultKey("scan", "whole number", "at the end of this scan; 0: when the supply is back", default=1),
        FaultKey("length", "duration", "length of the pulse", default=30 * NS_PER_MS),
        FaultKey("image", "choice", "whether the image shows it too", default="yes", choices=("yes", "no")),
    ),
    _card(
        "flapping",
        "an output goes on and off after the restart",
        _point("the output", "program"),
        _after("from the running program", 0),
        FaultKey("period", "duration", "on and off together", default=200 * NS_PER_MS, least=2 * NS_PER_MS),
        _lasts("how long", 2000),
    ),
    _card(
        "late-start",
        "an output comes on long after the restart and stays on",
        _point("the output", "program"),
        _after("from the running program", 15_000),
    ),
    # memory
    _card(
        "retained-lost",
        "retained memory has its initial value after the restart",
        FaultKey("point", "point", "what is lost (default: all of it)", among="program"),
    ),
    _card(
        "torn-value",
        "one of the two registers of a retained 32-bit value has its initial value after the restart",
        _point("the value", "program"),
        FaultKey("word", "choice", "which one", default="low", choices=("low", "high")),
    ),
    _card(
        "setpoint-overwritten",
        "the program writes a value over a retained one in its first scan",
        _point("the value", "program"),
        FaultKey("value", "value", "what it writes", required=True),
    ),
    _card(
        "phantom-edge",
        "in the first scan an input reads the opposite of what it is",
        _point("the input of the program", "inputs"),
    ),
    _card(
        "panel-writes-run-bit",
        "an operator panel writes a bit of the program after the restart",
        _point("the bit", "program"),
        FaultKey("value", "value", "what it writes", default=True),
        _after("from the running program", 500),
    ),
    # restart
    _card(
        "freezes",
        "the program stands still after the return, and the network answers on with the image of that instant",
        _after("from the return that was ridden through, else from the running program", 0),
        FaultKey("outputs", "choice", "what becomes of the terminals", default="stay", choices=("stay", "drop")),
    ),
    _card(
        "late-restart",
        "the controller restarts once more, some time after the supply is back",
        _after("from the returned supply", 700),
    ),
    _card(
        "uptime-wraps",
        "the uptime falls at the cut, as by a wrap, and goes on from there",
        FaultKey("to", "whole number", "what it reads at the cut, in its own units", default=0),
    ),
    # boot
    _card("never-runs", "the controller answers after the restart, but its program does not run"),
    _card("runs-at-second-power-up", "the program runs only at every second power-up"),
    _card(
        "answers-before-program",
        "the controller answers good values long before its program runs",
        _by("how much longer than in its boot", 2000),
    ),
    _card("busy-for-long", "exception 06 for long after the restart", _by("how much longer", 2000)),
    _card("refuses-for-good", "after the restart connects are refused for good"),
    _card(
        "other-device",
        "the points that identify the device say something else",
        FaultKey("value", "value", "what they say (default: one more than they should)"),
    ),
    _card(
        "older-program",
        "the points that identify the program say something else after the restart",
        FaultKey("value", "whole number", "what they say (default: another checksum)"),
    ),
    # independent I/O
    _card(
        "output-energised",
        "a terminal is on from the cut until after the return of the supply, whatever its output does",
        _point("the input, or the output whose terminal it sees"),
        _by("so long after the return", 500),
    ),
    _card(
        "wire-off",
        "the wire to an independent input is off: the input reads off, whatever is at its terminal",
        _point("the input, or the output whose terminal it sees"),
    ),
    _card(
        "independent-on-cut-supply",
        "an independent device is on the supply that is cut: it goes dark, and comes back with its outputs off",
        FaultKey("boots_in", "duration", "from the returned supply to its answers", default=300 * NS_PER_MS),
    ),
    _card(
        "channel-between-levels",
        "a register that is read as off or on stays between its two levels",
        _point("the point"),
    ),
    _card(
        "command-stuck",
        "a command point that has left idle does not return to it; the device answers as ever",
        _point("the command point"),
    ),
)

FAULTS: dict[str, FaultCard] = {card.name: card for card in _CARDS}
"""Every fault by its name."""


@dataclass(frozen=True, slots=True)
class FaultRefusal:
    """What is wrong with an ordered fault. `key` is "" where the name itself is wrong or a key is missing."""

    key: str
    what: str
    cure: str


def unknown_fault(name: str) -> FaultRefusal | None:
    """What is wrong with the name of a fault, None where there is such a fault."""
    if name in FAULTS:
        return None
    near = difflib.get_close_matches(name, FAULTS, n=1)
    cure = f"did you mean {near[0]}?" if near else f"the simulated rig knows: {', '.join(FAULTS)}"
    return FaultRefusal("", f"{name}: unknown fault", cure)


def refusals(name: str, settings: Mapping[str, Any]) -> list[FaultRefusal]:
    """All that is wrong with a fault that a program of ours orders (durations in nanoseconds or as text); a file's
    are read by the kinds of their keys. Whether a `point` exists, and whether a `value` suits it, is for the caller
    to check."""
    unknown = unknown_fault(name)
    if unknown is not None:
        return [unknown]
    card = FAULTS[name]
    known = {key.name: key for key in card.all_keys}
    found = []
    for key, value in settings.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            cure = f"did you mean {near[0]}?" if near else f"{name} takes: {', '.join(known)}"
            found.append(FaultRefusal(key, f"{key}: unknown key", cure))
        else:
            found += _value_refused(known[key], value)
    for key_card in card.keys:
        if key_card.required and key_card.name not in settings:
            found.append(FaultRefusal("", f"{name} has no {key_card.name}", f"add `{key_card.name}:`, {key_card.help}"))
    return found


def _value_refused(key: FaultKey, value: Any) -> list[FaultRefusal]:
    try:
        _converted(key, value)
    except UnitRefused as refused:
        return [FaultRefusal(key.name, refused.what, refused.cure)]
    return []


def _converted(key: FaultKey, value: Any) -> Any:
    """The value as the simulated rig takes it. Raises UnitRefused."""
    if key.kind == "duration":
        length = parse_duration(value) if isinstance(value, str) else value
        if not isinstance(length, int) or isinstance(length, bool):
            raise UnitRefused(f"{value!r} is not a duration", "write it like 200 ms")
        if length < key.least:
            raise UnitRefused(f"{value} is too short", f"{key.help}: at least {key.least / NS_PER_MS:g} ms")
        return length
    if key.kind == "whole number":
        if not isinstance(value, int) or isinstance(value, bool) or value < key.least:
            raise UnitRefused(f"{value!r} is not a whole number of {key.least} or more", key.help)
        return value
    if key.kind == "choice":
        word = {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
        if word not in key.choices:
            raise UnitRefused(f"{value!r} can't be chosen", f"write one of: {', '.join(key.choices)}")
        return word
    if key.kind == "value" and not isinstance(value, bool | int | float):
        raise UnitRefused(f"{value!r} is neither off or on nor a number", key.help)
    if key.kind == "point" and not isinstance(value, str):
        raise UnitRefused(f"{value!r} is not a name", key.help)
    return value


def prepared(fault: InjectedFault) -> InjectedFault:
    """The fault with every key filled in and every duration in nanoseconds. Raises ValueError on what `refusals`
    finds."""
    found = refusals(fault.name, fault.settings)
    if found:
        raise ValueError("; ".join(f"{one.what}; {one.cure}" for one in found))
    settings = {
        key.name: _converted(key, fault.settings[key.name]) if key.name in fault.settings else key.default
        for key in FAULTS[fault.name].all_keys
    }
    return InjectedFault(fault.name, settings, fault.line)
