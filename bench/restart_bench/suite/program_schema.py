"""A program file as people write it. `program_reader` makes the bench's own values of it."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Discriminator, Tag

from restart_bench.files.kinds import Duration, OneValue, OnOff, PointName, PositiveDuration, Text, refuse, whole, word
from restart_bench.files.validation import Written, key
from restart_bench.suite.rig_schema import ValueOr

BLOCKS = ("coil", "timer", "counter", "rising", "falling", "bistable", "set", "reset")
ConditionText = Text


class BootIn(Written):
    """What a client meets after the supply is back, stage by stage."""

    dark: Duration = key("no answer at all", "300 ms", 0)
    refusing: Duration = key("connects are refused", "200 ms", 0)
    silent: Duration = key("connects are accepted, nobody answers", "100 ms", 0)
    busy: Duration = key("exception 06", "100 ms", 0)
    answering: Duration = key("good replies, the program does not run yet", "200 ms", 0)


class RideThroughIn(Written):
    """Longest loss that the controller does not notice."""

    middle: Duration = key("middle of the longest loss", "15 ms")
    spread: Duration = key("how far a single one may be off", "1 ms", 0)


class InputIn(Written):
    """One input of the program."""

    role: Annotated[Literal["command", "sensor"], word("command", "sensor")] = key(
        "command: a person gives it; sensor: the process does", "command"
    )
    rest: OneValue = key("its value while nothing happens", "off", False)


class MemoryIn(Written):
    """Retention and initial value of a bit, a value or a block."""

    retained: OnOff = key("keeps its value without power", True, False)
    initial: OneValue = key("value after a cold restart, and after every one if not retained", "off", False)


class CoilIn(Written):
    """Copies its condition in every scan."""

    coil: PointName = key("what it drives", "auger")
    when: ConditionText = key("condition in Structured Text", "(start_button OR auger) AND stop_button")


class SetIn(Written):
    """Sets while its condition is true."""

    set: PointName = key("what it sets", "fan")
    when: ConditionText = key("condition in Structured Text", "start_button")


class ResetIn(Written):
    """Resets while its condition is true."""

    reset: PointName = key("what it resets", "fan")
    when: ConditionText = key("condition in Structured Text", "NOT stop_button")


class TimerIn(Written):
    """TON, TOF or TP; its bare name is its output."""

    timer: PointName = key("its name", "purge")
    kind: Annotated[Literal["TON", "TOF", "TP"], word("TON", "TOF", "TP")] = key("on-delay, off-delay or pulse", "TON")
    preset: PositiveDuration = key("its time", "2 s")
    when: ConditionText = key("its input", "fan")


class CounterIn(Written):
    """CTU or CTD; its bare name is its output, compared it is its count."""

    counter: PointName = key("its name", "batch_count")
    kind: Annotated[Literal["CTU", "CTD"], word("CTU", "CTD")] = key("counts up or down", "CTU")
    when: ConditionText = key("counts when this rises", "hopper_full")
    preset: Annotated[int, whole(-32768, 32767)] = key(
        "its output is on from this count (CTU) or starts there (CTD)", 500
    )
    clear: ConditionText | None = key("sets a CTU to 0", "reset_button", None)
    load: ConditionText | None = key("sets a CTD to its preset", "reset_button", None)


class RisingIn(Written):
    """On for one scan after its condition rose."""

    rising: PointName = key("its name", "start_edge")
    when: ConditionText = key("condition in Structured Text", "start_button")


class FallingIn(Written):
    """On for one scan after its condition fell."""

    falling: PointName = key("its name", "stop_edge")
    when: ConditionText = key("condition in Structured Text", "stop_button")


class BistableIn(Written):
    """SR (set dominant) or RS (reset dominant)."""

    bistable: PointName = key("its name", "purge_request")
    kind: Annotated[Literal["SR", "RS"], word("SR", "RS")] = key("set or reset dominant", "RS")
    set: ConditionText = key("sets it", "start_edge")
    reset: ConditionText = key("resets it", "NOT stop_button")


def _with_block(value: Any) -> Any:
    if not isinstance(value, dict) or not any(name in BLOCKS for name in value):
        blocks = ", ".join(f"{name}:" for name in BLOCKS)
        raise refuse("no coil or block is named here", f"begin the entry with one of {blocks}")
    return value


def _rung_tag(value: Any) -> str:
    """Which rung an entry is. A bistable has keys `set` and `reset` too, so those come last."""
    return next((f"<{name}>" for name in BLOCKS if name in value), "")


RungIn = Annotated[
    Annotated[CoilIn, Tag("<coil>")]
    | Annotated[SetIn, Tag("<set>")]
    | Annotated[ResetIn, Tag("<reset>")]
    | Annotated[TimerIn, Tag("<timer>")]
    | Annotated[CounterIn, Tag("<counter>")]
    | Annotated[RisingIn, Tag("<rising>")]
    | Annotated[FallingIn, Tag("<falling>")]
    | Annotated[BistableIn, Tag("<bistable>")],
    Discriminator(_rung_tag),
    BeforeValidator(_with_block),
]


class FaultIn(Written):
    """A fault that the simulated rig plays on order. The fault's own keys stand beside its name."""

    model_config = ConfigDict(extra="allow", frozen=True, arbitrary_types_allowed=True)

    fault: Text = key("its name; its own keys follow", "retained-lost")


StartPass = Literal["clears coils", "none"]
When = Literal["at scan end", "at once"]


class ProgramIn(Written):
    """A program file."""

    program: Text = key("name of the program and its edition", "grain dryer, edition 7")
    scan: PositiveDuration = key("time of one scan", "10 ms", 10_000_000)
    boot: BootIn = key("stages between the restored supply and the running program", {"dark": "300 ms"}, BootIn())
    rides_through: ValueOr[Duration, RideThroughIn] = key(
        "longest loss that the controller does not notice: a duration, or middle and spread",
        {"middle": "15 ms", "spread": "1 ms"},
        0,
    )
    start_pass: Annotated[StartPass, word("clears coils", "none")] = key(
        "whether plain coils are written false before the first scan", "clears coils", "none"
    )
    outputs: Annotated[When, word("at scan end", "at once")] = key(
        "when outputs are written", "at scan end", "at scan end"
    )
    saved: Annotated[When, word("at once", "at scan end")] = key("when retained memory is saved", "at once", "at once")
    inputs: dict[PointName, InputIn] = key("inputs by name", {"start_button": {"role": "command"}}, {})
    memory: dict[PointName, MemoryIn] = key(
        "retention and initial values by name; unlisted: not retained, off or 0", {"fan": {"retained": True}}, {}
    )
    rungs: list[RungIn] = key("the program, in order", [{"coil": "auger", "when": "start_button"}], [])
    faults: list[FaultIn] = key(
        "faults that the simulated rig plays", [{"fault": "retained-lost", "point": "batch_count"}], []
    )
