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
