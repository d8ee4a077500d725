"""The supply of a rig file: keys of every supply, keys of its driver's card, and what loads demand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from restart_bench.files.cures import closest
from restart_bench.files.key_cards import read_keys
from restart_bench.files.validation import KeyPath, Ledger, keys_of
from restart_bench.model.rig import RigSupply, SupplyLimits
from restart_bench.suite.rig_schema import RigIn, SupplyIn
from restart_bench.suite.supply_address import address_of
from restart_bench_drivers.interface import PLACE_KINDS, SupplyCard

RELAY_KEYS = ("operate", "release", "bounce")
SUPPLY_PATH: KeyPath = ("supply",)


def supply_of(model: RigIn, cards: Mapping[str, SupplyCard], ledger: Ledger) -> RigSupply | None:
    """The supply, None where the file has none or its driver is unknown."""
    told = model.supply
    if told is None:
        return None
    card = cards.get(told.driver)
    if card is None:
        near = closest(told.driver, cards)
        cure = f"did you mean {near}?" if near else f"known drivers: {', '.join(sorted(cards)) or 'none'}"
        ledger.fault((*SUPPLY_PATH, "driver"), f"{told.driver} is no supply driver", cure)
        return None
    settings = _settings(told, card, ledger)
    _check_contact(told, card, ledger)
    _check_machine(model, told, card, ledger)
    _check_hold(told, card, ledger)
    _warn_about_opening(told, card, ledger)
    _warn_about_obedience(model, told, card, ledger)
    _check_limits(told, ledger)
    limits = told.limits
    return RigSupply(
        driver=told.driver,
        settings=settings,
        contact=told.contact,
        operate_ns=told.operate or 0,
        release_ns=told.release or 0,
        bounce_ns=told.bounce or 0,
        at_end=told.at_end,
        after_trouble=told.after_trouble or "on",
        fallback=told.fallback,
        limits=SupplyLimits(
            limits.dips_up_to, limits.off_at_least, limits.on_at_least, limits.cuts_per_hour, limits.operations
        ),
        nominal_volts=told.nominal,
        address=address_of(card, settings),
        simulated_as=card.simulated_as,
    )


def _settings(told: SupplyIn, card: SupplyCard, ledger: Ledger) -> dict[str, Any]:
    """The driver's own keys, read as its card says."""
    written: dict[str, Any] = dict(told.model_extra or {})
    settings = read_keys(SUPPLY_PATH, written, card.keys, keys_of(SupplyIn), ledger)
    if card.has_levels and any(key.name == "volts" for key in card.keys) and told.nominal is not None:
        settings.setdefault("volts", told.nominal)  # what `on` brings back after a dip, a killed run's included
    places = places_of(card)
    if places and not any(name in written for name in places):
        ledger.fault(
            SUPPLY_PATH, "does not say where the supply is", f"add {' or '.join(f'{name}:' for name in places)}"
        )
    return settings


def places_of(card: SupplyCard) -> list[str]:
    """The keys of which one has to say where the supply is."""
    return [key.name for key in card.keys if key.kind in PLACE_KINDS and key.name in card.address_keys]


def _check_contact(told: SupplyIn, card: SupplyCard, ledger: Ledger) -> None:
    """A relay says how its contact switches and how fast, from its data sheet."""
    if not card.has_contact:
        if told.contact is not None:
            ledger.fault((*SUPPLY_PATH, "contact"), f"{card.name} has no contact", "delete contact:")
        return
    if told.contact is None:
        ledger.fault((*SUPPLY_PATH, "contact"), "is missing", "add contact: normally-open or normally-closed")
    for name in RELAY_KEYS:
        if getattr(told, name) is None:
            example = "5 ms" if name == "bounce" else "10 ms"
            cure = f"add the longest value from the relay's data sheet, like {name}: {example}"
            ledger.fault((*SUPPLY_PATH, name), "is missing", cure)


def _check_machine(model: RigIn, told: SupplyIn, card: SupplyCard, ledger: Ledger) -> None:
    """Machines do not come back by themselves: not after trouble, and not because a driver is opened."""
    if model.loads != "machine":
        return
    path = (*SUPPLY_PATH, "after_trouble")
    if told.after_trouble is None:
        ledger.fault(path, "is missing, and these loads are a machine", "add after_trouble: off, or: as it is")
    elif told.after_trouble == "on":
        ledger.fault(path, "on would give a machine its power back after trouble", "write off, or: as it is")
    if not card.quiet_open and told.contact == "normally-closed":
        text = f"opening {card.name} may release its relay, which gives a machine its power"
        ledger.fault(
            (*SUPPLY_PATH, "contact"), text, "wire the contact normally-open, or use a supply that opens quietly"
        )


def _check_hold(told: SupplyIn, card: SupplyCard, ledger: Ledger) -> None:
    """Where the hardware lets go when the bench ends, the supply ends as the released relay leaves it."""
    if card.holds_after_exit:
        return
    rest = "on" if told.contact == "normally-closed" else "off"
    lets_go = "it lets go of its relay when the bench ends" if card.has_contact else "it lets go when the bench ends"
    then = f"{lets_go}, and the supply is then {rest}"
    for name, wanted in (("at_end", told.at_end), ("after_trouble", told.after_trouble or "on")):
        if wanted == rest:
            continue
        other = {"on": "normally-closed", "off": "normally-open"}.get(wanted)
        rewire = f"wire the contact {other}, or " if other is not None and card.has_contact else ""
        cure = f"{rewire}write {name}: {rest}, or use a supply that holds its state"
        ledger.fault((*SUPPLY_PATH, name), f"{card.name} can't keep the supply {wanted}: {then}", cure)


def _warn_about_opening(told: SupplyIn, card: SupplyCard, ledger: Ledger) -> None:
    """A driver that moves its output while it is opened may cut the supply before the first cycle begins."""
    if not card.quiet_open and told.contact == "normally-open":
        text = f"opening {card.name} may release its relay, which would cut the supply once before anything begins"
        ledger.warn((*SUPPLY_PATH, "contact"), text, "wire the contact normally-closed if this must not be")


def _warn_about_obedience(model: RigIn, told: SupplyIn, card: SupplyCard, ledger: Ledger) -> None:
    """A supply that can't be read back is only known by what it does: a proof on an independent point shows it. A
    person at a switch sees what it does."""
    written = told.model_extra or {}
    if card.reads_back or card.needs_person or (card.reads_back_with and card.reads_back_with in written):
        return
    proofs = [test for proof in model.proof_of_cut or [] for test in proof.values()]
    if any(not isinstance(test, str) for test in proofs):
        return
    ask = f", or add {card.reads_back_with}:" if card.reads_back_with else ""
    text = f"{card.name} can't be read back, and no proof_of_cut shows whether the supply obeyed"
    ledger.warn((*SUPPLY_PATH, "driver"), text, f"add a proof of the supply, like proof_of_cut: [{{rail: off}}]{ask}")


def _check_limits(told: SupplyIn, ledger: Ledger) -> None:
    limits = told.limits
    if limits.dips_up_to is not None and limits.dips_up_to >= limits.off_at_least:
        text = "is not shorter than off_at_least, so every off time is allowed"
        ledger.fault((*SUPPLY_PATH, "limits", "dips_up_to"), text, "write the longest dip, shorter than off_at_least")
    if limits.cuts_per_hour is not None and limits.cuts_per_hour <= 0:
        ledger.fault((*SUPPLY_PATH, "limits", "cuts_per_hour"), "allows no cut at all", "write a number above 0")
