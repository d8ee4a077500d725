"""A relay module on a GPIO pin of a single-board computer.

The pin is held by this process: when the process ends, however it ends, the pin is an input again and the
module releases its relay. So a normally-closed contact is the one that keeps a controller powered.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

from restart_bench_drivers.contacts import Relay, coil_for, supply_for
from restart_bench_drivers.interface import Key, SupplyCard, SupplyError

if TYPE_CHECKING:
    from gpiozero import DigitalOutputDevice

CARD = SupplyCard(
    name="gpio-pin",
    summary="a relay module on a GPIO pin of the computer that runs the bench",
    load="restart_bench_drivers.gpio_pin:GpioPin",
    keys=(
        Key("pin", "pin", "GPIO number, or a name of the header: 17, GPIO17, BOARD11", required=True),
        Key("active", "choice", "level of the pin that energises the relay", default="high", choices=("high", "low")),
    ),
    example="supply: {driver: gpio-pin, pin: 17, active: high, contact: normally-closed,\n"
    "         operate: 10 ms, release: 10 ms, bounce: 5 ms}",
    holds_after_exit=False,
    quiet_open=False,  # the pin becomes an output; the relay is released
    address_keys=("pin",),
    install='pip install "restart-bench[gpio]"',
)


class GpioPin(Relay):
    """A pin that drives a relay. Opening it releases the relay. Raises SupplyError where there is no such pin."""

    def __init__(self, *, contact: str, pin: str, active: str = "high") -> None:
        self._contact, self._name = contact, f"supply relay on pin {pin}"
        self._pin: DigitalOutputDevice | None = _opened(pin, active == "high")

    def is_on(self) -> bool:
        """What the level of the pin means for the supply; the relay itself is not seen."""
        return supply_for(bool(self._open_pin().value), self._contact)

    def close(self) -> None:
        """Make the pin an input again: the relay is released."""
        if self._pin is not None:
            self._pin.close()
        self._pin = None

    def _command(self, *, supply_on: bool) -> None:
        coil = coil_for(supply_on, self._contact)
        pin = self._open_pin()
        pin.value = coil
        if bool(pin.value) != coil:
            raise SupplyError(
                f"{self._name} was set {'active' if coil else 'inactive'}, but its level reads the opposite: "
                f"check for a short circuit or a second program that drives the pin"
            )

    def _open_pin(self) -> DigitalOutputDevice:
        if self._pin is None:
            raise SupplyError(f"{self._name} has been closed; open the supply again")
        return self._pin


def _opened(pin: str, active_high: bool) -> DigitalOutputDevice:
    from gpiozero import DigitalOutputDevice
    from gpiozero.exc import BadPinFactory, GPIOZeroError

    number: int | str = int(pin) if pin.isdigit() else pin
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # one for each pin library it tried; the error below says it once
            return DigitalOutputDevice(number, active_high=active_high, initial_value=False)
    except BadPinFactory as none:
        raise SupplyError(
            "supply driver gpio-pin: no GPIO pins can be driven on this computer; run the bench on the computer "
            "that has them, and check that a pin library is installed there: pip install lgpio"
        ) from none
    except (GPIOZeroError, OSError) as fault:
        raise SupplyError(
            f"pin {pin} can't be used ({fault}): check its number, the right to use the pins, and that no other "
            f"program holds it"
        ) from fault
