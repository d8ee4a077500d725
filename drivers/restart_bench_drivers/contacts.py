"""What a relay's coil has to do for the supply to be on, and the way back."""

from __future__ import annotations


def coil_for(supply_on: bool, contact: str) -> bool:
    """The state of the coil that puts the supply into the state asked.

    `contact` is normally-open (coil off = supply off) or normally-closed (coil off = supply on).
    """
    return supply_on != (contact == "normally-closed")


def supply_for(coil_on: bool, contact: str) -> bool:
    """The state of the supply that a coil in this state means: `coil_for` is its own inverse."""
    return coil_for(coil_on, contact)


class Relay:
    """A supply that a relay switches: either verb is one command to it."""

    def on(self) -> None:
        """Give the controller its power."""
        self._command(supply_on=True)

    def off(self) -> None:
        """Take the controller's power away."""
        self._command(supply_on=False)

    def _command(self, *, supply_on: bool) -> None:
        raise NotImplementedError
