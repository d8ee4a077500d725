"""The cautions that README, screen and record show, each with where it comes from.

They defer to local codes and to licensed practice. "From memory" marks what nobody looked up: do so before relying
on it.
"""

from __future__ import annotations

from dataclasses import dataclass

ON_SCREEN = "The bench is not a safety function and not an isolator. Local codes and licensed practice come first."
ON_SCREEN_SHORT = "No safety function, no isolator; local codes, licensed practice first."


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution in a sentence or two, and its source: a standard with its edition, or that there is none."""

    text: str
    source: str


CAUTIONS = (
    Caution(
        "The bench is not a safety function, not an isolator, and no interlock: `only_while` is polled; it ends a test "
        "and protects nobody.",
        "how the bench works",
    ),
    Caution(
        "Local codes, the risk assessment and the machine's own instructions come before anything said here. Work on "
        "supplies and machines belongs to people who are qualified and, where the law asks for it, licensed.",
        "EN 50110-1:2013, from memory; local law",
    ),
    Caution(
        "Expect an unexpected start-up: outputs move when power returns, that is what is tested. Keep people, tools "
        "and product away from whatever the controller drives, or replace the loads by lamps.",
        "ISO 12100:2010, 3.31; ISO 14118:2017; Directive 2006/42/EC, Annex I, 1.2.6",
    ),
    Caution(
        "Isolate the loads of a machine by other means and lock them out, gravity and stored energy too: raised parts, "
        "springs, pressure, charged capacitors, heat.",
        "ISO 14118:2017; IEC 60204-1:2016, 5.4, from memory; 29 CFR 1910.147, from memory",
    ),
    Caution(
        "Whether an output may, must or must not come back by itself is for the risk assessment, the standards that "
        "apply and local codes to say.",
        "Directive 2006/42/EC, Annex I, 1.2.3; IEC 60204-1:2016, 7.5, from memory",
    ),
    Caution(
        "Emergency stop and guards work independently of the bench, this computer and the controller under test. "
        "Safety functions and their reset are never driven by the bench.",
        "ISO 13850:2015, from memory",
    ),
    Caution(
        "Cut the un-earthed conductor, after its fuse, on the extra-low-voltage side.",
        "IEC 60204-1:2016, 9.4.3, from memory; common practice",
    ),
    Caution(
        "Choose the contact by its DC rating and by the inrush of what it closes on. Suppression across a DC coil "
        "lengthens the release time, several times over with a plain diode: write into `release:` what holds with it.",
        "relay makers' data pages; terms of IEC 61810-1, from memory; effect of suppression from memory",
    ),
    Caution(
        "A cut before a power supply reaches the controller late, by its hold-up, and the return by its start-up: cut "
        "behind it, or prove the cut at the controller's own terminals.",
        "manuals of two 24 V supplies",
    ),
    Caution(
        "By hand: a switch that is rated for the load, on the extra-low-voltage side. Never pull a plug under load.",
        "common practice, no source",
    ),
    Caution(
        "Contacts of the bench must not feed a dead controller through its inputs: take their supply from behind the "
        "cut, and leave no other way in.",
        "common practice, no source",
    ),
    Caution(
        "A pass says what was read in the cycles listed with it, no more. It certifies no machine and replaces no risk "
        "assessment. A change of program, firmware, parameters, wiring or supply makes a new test necessary.",
        "how the bench judges",
    ),
)
