"""The words of each way in which a controller is made to restart: what was switched, what the marks are called, since
when is counted, whose word is taken where nothing else says so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Case, Scenario


@dataclass(frozen=True, slots=True)
class Way:
    """One way to cut. `lost` and `back` name the two marks, `letters` what stands large while it lasts and else."""

    switched: str  # supply, run mode
    lost: str
    back: str
    letters_lost: str
    letters_back: str
    phase: str  # from the cut to the return
    returned: str  # "0.3 s after ..."
    can_be_lost: str  # "the earliest instant at which ..."
    can_be_back: str
    word_of: str  # whose word it is that it was switched
    what: str = "the supply"  # "the supply was lost 0.3 s after the command"
    fell: str = "was lost"
    after: str = "after the command"
    before: str = "before the command"
    look: str = "look at the relay and its data sheet, at what holds the supply up"


_OFF = {"can_be_lost": "the supply can have been lost", "can_be_back": "the supply can have been back"}
_POWER = ("POWER IS OFF", "POWER IS ON", "power is off", "the restored supply")
_RUN = ("OUT OF RUN MODE", "IN RUN MODE", "out of run mode", "the return to run mode")
_OUT = {"can_be_lost": "run mode can have been left", "can_be_back": "run mode can have been back"}

BY_RELAY = Way("supply", "OFF", "ON", *_POWER, word_of="the relay's command", **_OFF)
BY_HAND = Way(
    "supply", "OFF", "ON", *_POWER, word_of="the answer of the person who switched it", **_OFF,
    after="after the answer that it was done", before="before anybody was asked to",
    look="look whether it was switched before the answer, at what holds the supply up",
)  # fmt: skip
OF_MODE = Way("run mode", "OUT OF RUN MODE", "IN RUN MODE", *_RUN, word_of="the command to the mode", **_OUT)
OF_MODE_BY_HAND = Way(
    "run mode", "OUT OF RUN MODE", "IN RUN MODE", *_RUN, word_of="the answer of the person who switched it", **_OUT
)
TO_LEVEL = Way(
    "supply", "LOW", "FULL", "POWER IS LOW", "POWER IS ON", "power is low", "the restored voltage",
    "the voltage can have fallen", "the voltage can have been back", "the command to the supply", what="the voltage",
    fell="fell", look="look at the supply and its data sheet, at what holds the voltage up",
)  # fmt: skip


def way_of(rig: Rig, scenario: Scenario, case: Case | None = None) -> Way:
    """How this case is cut; without a case, how the first of the scenario is."""
    if scenario.how == "mode":
        by_hand = rig.mode is not None and rig.mode.by_hand
        return OF_MODE_BY_HAND if by_hand else OF_MODE
    case = case or next(iter(scenario.cases), None)
    if case is not None and case.level is not None:
        return TO_LEVEL
    return BY_HAND if rig.supply is not None and rig.supply.by_hand else BY_RELAY


def way_named(rig: Rig, scenarios: Iterable[Scenario], scenario: str, case: str) -> Way:
    """The same for a scenario and a case by name; where there is none of that name, as the rig's supply is cut."""
    found = next((one for one in scenarios if one.name == scenario), None)
    if found is None:
        return BY_HAND if rig.supply is not None and rig.supply.by_hand else BY_RELAY
    return way_of(rig, found, next((one for one in found.cases if one.name == case), None))


AS_TOLD, AS_READ = "as told", "as read"
"""How supply or run mode are known where they are drawn: what relay, device or person were told, and what a proof of
the cut reads."""


def command_words(what: str, to: str) -> str:
    """What was done by a command: `supply off`, `run mode left`."""
    return f"run mode {'left' if to == 'stop' else 'entered'}" if what == "mode" else f"{what} {to}"


def way_back(what: str, to: str) -> Way:
    """The way of a command to cut, where only the journal is at hand."""
    return OF_MODE if what == "mode" else TO_LEVEL if to == "level" else BY_RELAY
