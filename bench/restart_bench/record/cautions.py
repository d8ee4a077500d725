"""The cautions that stand in every record. They defer to local codes and to licensed practice."""

from __future__ import annotations

CAUTIONS = (
    "The bench is not a safety function and not an isolator. Its interlock condition is polled and is no interlock.",
    "This record says what was read during the cycles listed in it. It does not certify a machine, a controller or "
    "a program, and it does not replace a risk assessment.",
    "Whether an output may come back by itself, must come back or must not is for the risk assessment, the "
    "applicable standards and local codes to say.",
    "Work on supplies and machines belongs to people who are qualified and, where the law asks for it, licensed. "
    "Isolate and lock out as local rules demand before anyone reaches in.",
    "A change of program, firmware, parameters, wiring or supply makes a new test necessary.",
)
