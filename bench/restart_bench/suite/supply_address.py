"""One spelling for the address of a supply, whatever a rig file writes: the lock, the wear and the limits go by it."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from restart_bench.model.rig import Device, RigSupply
from restart_bench_drivers.interface import Key, SupplyCard

# Pins of the 40-pin header by their number there (Raspberry Pi documentation, "GPIO and the 40-pin header").
_BOARD = {
    3: 2, 5: 3, 7: 4, 8: 14, 10: 15, 11: 17, 12: 18, 13: 27, 15: 22, 16: 23, 18: 24, 19: 10, 21: 9, 22: 25, 23: 11,
    24: 8, 26: 7, 27: 0, 28: 1, 29: 5, 31: 6, 32: 12, 33: 13, 35: 19, 36: 16, 37: 26, 38: 20, 40: 21,
}  # fmt: skip


def address_of(card: SupplyCard, settings: Mapping[str, Any]) -> str:
    """The driver, and the keys that tell its hardware from any other, each in its one spelling."""
    keys = {key.name: key for key in card.keys}
    values = {name: settings.get(name, keys[name].default) for name in card.address_keys if name in keys}
    told = (f"{name}={_spelled(keys[name], value)}" for name, value in values.items() if value is not None)
    return " ".join([card.name, *told])


def at_its_controller(supply: RigSupply | None, controller: Device | None) -> RigSupply | None:
    """A switch has no address, and rigs may label theirs alike: one that a person works is told from others by the
    controller that it feeds, too."""
    if supply is None or controller is None or not supply.by_hand:
        return supply
    where = f"{_host(controller.host)}:{controller.port} unit {controller.unit}"
    return replace(supply, address=f"{supply.address} controller={where}")


def addresses_now(address: str) -> tuple[str, ...]:
    """The address, and the same with a device's file as its links lead now: two names may be one port."""
    resolved = re.sub(r"(?<==)/\S+", lambda found: str(Path(found[0]).resolve()), address)
    return tuple(sorted({address, resolved}))


def _spelled(key: Key, value: Any) -> str:
    if key.kind == "bytes":
        with suppress(ValueError, TypeError):
            return (value if isinstance(value, bytes) else bytes.fromhex(str(value))).hex().upper()
    text = " ".join(str(value).split())
    if key.kind == "host":
        return _host(text)
    if key.kind == "pin":
        return _pin(text)
    if key.kind != "text" or text.startswith("/"):
        return text
    return text.upper().removeprefix("\\\\.\\")  # names of ports, resources and switches: case tells nothing


def _host(text: str) -> str:
    name = text.lower().rstrip(".").strip("[]")
    if name in ("localhost", "localhost.localdomain", "ip6-localhost"):
        return "127.0.0.1"
    with suppress(ValueError):
        address = ipaddress.ip_address(name)
        mapped = getattr(address, "ipv4_mapped", None)
        return str(mapped or address)
    return name


def _pin(text: str) -> str:
    found = re.fullmatch(r"(GPIO|BCM|BOARD|J8:)?0*(\d+)", text.upper())
    if found is None:
        return text.upper()
    number = int(found[2])
    return str(_BOARD.get(number, f"BOARD{number}")) if found[1] in ("BOARD", "J8:") else str(number)
