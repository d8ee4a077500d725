"""Which supplies can be named in a rig file, and how one is opened by its name.

The bench's own cards are listed here; third parties add theirs through the entry-point group
`restart_bench.supplies`. No card needs the library of its driver.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from difflib import get_close_matches
from functools import lru_cache
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Any, cast

from restart_bench_drivers.by_hand import CARD as BY_HAND
from restart_bench_drivers.gpio_pin import CARD as GPIO_PIN
from restart_bench_drivers.interface import AskPerson, Supply, SupplyCard, SupplyError, SupplyLibraryMissing
from restart_bench_drivers.modbus_coil import CARD as MODBUS_COIL
from restart_bench_drivers.scpi_supply import CARD as SCPI_SUPPLY
from restart_bench_drivers.serial_board import CARD as SERIAL_BOARD
from restart_bench_drivers.settings import settled

GROUP = "restart_bench.supplies"
OWN = (MODBUS_COIL, SERIAL_BOARD, GPIO_PIN, SCPI_SUPPLY, BY_HAND)
CONTACTS = ("normally-open", "normally-closed")


def cards() -> dict[str, SupplyCard]:
    """Every card that can be named, own ones first. A third party's card that can't be used is left out."""
    return _all_cards()[0]


def left_out() -> dict[str, str]:
    """Third parties' entry points that gave no usable card, each with the reason."""
    return _all_cards()[1]


def open_supply(driver: str, settings: Mapping[str, Any], *, contact: str | None, ask: AskPerson | None) -> Supply:
    """The supply of this name, opened.

    `settings` are the card's keys (durations in ns or as text), `contact` is normally-open or normally-closed for
    relays, `ask` reaches a person. Raises SupplyError for a name or key that is not known, SupplyLibraryMissing
    with the install line, and whatever SupplyError the driver raises while it opens.
    """
    from restart_bench_drivers.in_time import opened_in_time

    card = _card(driver)
    arguments = settled(card, settings)
    if card.has_contact:
        if contact not in CONTACTS:
            raise SupplyError(f"supply driver {driver} is a relay: say `contact: normally-open` or `normally-closed`")
        arguments["contact"] = contact
    if card.needs_person:
        arguments["ask"] = ask
    module, _, name = card.load.partition(":")

    def opened() -> Supply:
        return cast(Supply, getattr(import_module(module), name)(**arguments))

    try:
        return opened() if card.needs_person else opened_in_time(opened)  # people take their time
    except ModuleNotFoundError as missing:
        raise SupplyLibraryMissing(_missing(card, missing)) from missing


def _all_cards() -> tuple[dict[str, SupplyCard], dict[str, str]]:
    found = {card.name: card for card in OWN}
    bad: dict[str, str] = {}
    for entry in _named_by_others(tuple(sys.path)):
        try:
            card = entry.load()
        except (Exception, SystemExit) as fault:  # a third party's module may raise anything; ours go on
            bad[entry.name] = f"{entry.value} could not be loaded: {fault}"
            continue
        if not isinstance(card, SupplyCard):
            bad[entry.name] = f"{entry.value} is no SupplyCard but {type(card).__name__}"
        elif card.name in found:
            bad[entry.name] = f"{entry.value} takes the name {card.name}, which is taken"
        elif card.has_levels and card.simulated_as == "relay":
            bad[entry.name] = f"{entry.value} has levels, which the relay can't play that it is simulated as"
        else:
            found[card.name] = card
    return found, bad


@lru_cache(maxsize=4)
def _named_by_others(_places: tuple[str, ...]) -> tuple[EntryPoint, ...]:
    """What is installed in these places: all packages are looked through for it, so once will do."""
    return tuple(entry_points(group=GROUP))


def _card(driver: str) -> SupplyCard:
    found, bad = _all_cards()
    if driver in found:
        return found[driver]
    near = get_close_matches(driver, found, n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    others = "".join(f"\n(left out: {name}: {reason})" for name, reason in bad.items())
    raise SupplyError(f"there is no supply driver {driver!r}{hint} Known are: {', '.join(found)}{others}")


def _missing(card: SupplyCard, missing: ModuleNotFoundError) -> str:
    cure = f"install it: {card.install}" if card.install else "install the package that brings it"
    return f"supply driver {card.name} needs the Python library {missing.name}, which is not installed; {cure}"
