"""A rig file as people write it. `rig_reader` makes the bench's own values of it."""

from typing import Annotated, Any, Literal, TypeVar

from pydantic import ConfigDict, Discriminator, Tag

from restart_bench.files.kinds import (
    AddressText,
    Count,
    Duration,
    Host,
    Number,
    OneValue,
    OnOff,
    PlainName,
    PointName,
    PointRef,
    PositiveDuration,
    ProofValue,
    Text,
    Volts,
    whole,
    word,
)
from restart_bench.files.validation import Written, key


def _is_mapping(value: Any) -> str:
    return "<mapping>" if isinstance(value, dict) else "<value>"


class TestIn(Written):
    """A test of one value, written out."""

    is_: OneValue | None = key("the value that must be read", "on", None, alias="is")
    one_of: list[OneValue] | None = key("one of these values must be read", [0, 3], None)
    above: Number | None = key("the value must be above this", 0, None)
    below: Number | None = key("the value must be below this", 5000, None)
    tolerance: Number | None = key("how far from `is` the value may lie", 0.05, None)


V = TypeVar("V")
M = TypeVar("M")
ValueOr = Annotated[Annotated[V, Tag("<value>")] | Annotated[M, Tag("<mapping>")], Discriminator(_is_mapping)]
"""One value, or all that can be said of it in a mapping."""
ConditionIn = ValueOr[OneValue, TestIn]
ConditionsIn = dict[str, ConditionIn]


class DeviceIn(Written):
    """One Modbus TCP server."""

    host: Host = key("IP address in numbers", "192.0.2.10")
    link: Annotated[Literal["modbus-tcp"], word("modbus-tcp")] = key(
        "how the device is reached", "modbus-tcp", "modbus-tcp"
    )
    port: Annotated[int, whole(1, 65535)] = key("TCP port", 502, 502)
    unit: Annotated[int, whole(0, 255)] = key("unit identifier of the requests", 1, 1)
    poll: PositiveDuration = key("time from one read of its points to the next", "10 ms", 10_000_000)
    answer_within: PositiveDuration = key("an answer later than this counts as silence", "100 ms", 100_000_000)
    input_delay: Duration = key("filter of its inputs: a shorter pulse never reaches it", "1 ms", 0)
    image_lag: Duration = key("its answers may be this old: moves the lower bounds of changes earlier", "5 ms", 0)
    connections: Annotated[int, whole(1, 16)] = key(
        "connections that the bench may hold at one time, attempts included", 2, 2
    )
    max_bits: Annotated[int, whole(1, 2000)] = key("bits that it gives in one answer", 2000, 2000)
    max_registers: Annotated[int, whole(1, 125)] = key("registers that it gives in one answer", 125, 125)
    powered_by: Annotated[Literal["supply"], word("supply")] | None = key(
        "`supply` for the controller, which goes dark when the supply is cut; leave it out for independent I/O",
        "supply",
        None,
    )


class LevelsIn(Written):
    """A register read as off or on."""

    off_below: Number = key("up to this value it is off", 5)
    on_above: Number = key("from this value it is on; between the two it is neither", 15)


class PointLimitsIn(Written):
    """What the load on a point can bear."""

    starts_per_hour: Count | None = key("changes to on within any hour", 10, None)
    off_at_least: Duration = key("pause before it may come on again", "60 s", 0)


class DatumIn(Written):
    """Where a datum lies, and how its registers are read."""

    coil: AddressText | None = key("address of a coil, counted from 0", 0, None)
    discrete_input: AddressText | None = key("address of a discrete input, counted from 0", 0, None)
    input_register: AddressText | None = key("address of an input register, counted from 0", 0, None)
    holding_register: AddressText | None = key("address of a holding register, counted from 0", 0, None)
    device: PointRef | None = key("the device that has it", "controller", None)
    type: (
        Annotated[
            Literal["bool", "int16", "uint16", "int32", "uint32", "float32"],
            word("bool", "int16", "uint16", "int32", "uint32", "float32"),
        ]
        | None
    ) = key("how its registers are read (default uint16)", "uint32", None)
    words: Annotated[Literal["big", "little"], word("big", "little")] | None = key(
        "which of two registers holds the higher half (default big: the first)", "big", None
    )
    scale: Number | None = key("the register's number is multiplied by this", 0.1, None)
    unit: Text | None = key("unit of the scaled value", "%", None)
    levels: LevelsIn | None = key("reads a register as off or on", {"off_below": 5, "on_above": 15}, None)
    label: Text | None = key("what screen and record show, in any language", "S1", None)
    proven: Text | None = key("when and how the channel was seen to work", "lamp test 2026-07-20", None)


class TerminalIn(DatumIn):
    """The independent input that sees an output's screw terminal."""

    device: PointRef | None = key("the independent device that has it, where there are several", "independent", None)


Terminal = ValueOr[PointRef, TerminalIn]


class PointIn(DatumIn):
    """One named datum on a device."""

    writable: OnOff = key("the bench may write it", True, False)
    idle: OneValue | None = key("its value while nobody presses it", "off", None)
    by_hand: Text | None = key("a person works it; this is what the person is asked to press", "green button S1", None)
    terminal: Terminal | None = key(
        "the independent input wired to its screw terminal, or the name of that point", {"discrete_input": 0}, None
    )
    limits: PointLimitsIn | None = key("what the load can bear", {"starts_per_hour": 10, "off_at_least": "60 s"}, None)


class SupplyLimitsIn(Written):
    """What the supply and its contact may do, whatever a scenario asks."""

    dips_up_to: PositiveDuration | None = key("longest off time of a dip; without it, no dips", "50 ms", None)
    off_at_least: Duration = key("shortest off time of a real cut", "2 s", 2_000_000_000)
    on_at_least: Duration = key("shortest time on between two cuts", "2 s", 2_000_000_000)
    cuts_per_hour: Number | None = key("cuts within any hour", 120, None)
    operations: Count | None = key("operations of the contact, over its life", 100000, None)


class SupplyIn(Written):
    """What switches the controller's power. Keys of the driver stand beside these."""

    model_config = ConfigDict(extra="allow", frozen=True, arbitrary_types_allowed=True)

    driver: Text = key("a driver that `restart-bench drivers` lists; its own keys follow", "modbus-coil")
    contact: Annotated[Literal["normally-open", "normally-closed"], word("normally-open", "normally-closed")] | None = (
        key("normally-open: coil off = supply off; normally-closed: coil off = supply on", "normally-open", None)
    )
    operate: Duration | None = key("longest operate time from the relay's data sheet", "2 ms", None)
    release: Duration | None = key("longest release time from the relay's data sheet", "2 ms", None)
    bounce: Duration | None = key("longest bounce time from the relay's data sheet", "0 ms", None)
    at_end: Annotated[Literal["on", "off", "as it is"], word("on", "off", "as it is")] = key(
        "how a normal end leaves the supply", "on", "on"
    )
    after_trouble: Annotated[Literal["on", "off", "as it is"], word("on", "off", "as it is")] | None = key(
        "how an error, Ctrl-C or a kill leaves the supply; machines must write it, and not `on`", "as it is", None
    )
    fallback: Text | None = key("what the relay itself does when this computer dies", "as it is", None)
    limits: SupplyLimitsIn = key(
        "what the supply and its contact may do, whatever a scenario asks", {"off_at_least": "2 s"}, SupplyLimitsIn()
    )
    nominal: Volts | None = key("nominal voltage, for `level:` in per cent", "24 V", None)


class ReadyIn(Written):
    """When the controller counts as running."""

    when: ConditionsIn = key("all of these must hold", {"running": "on"}, {})
    steady: Duration = key("... unbroken for this long", "1 s", 500_000_000)
    alive: PointRef | None = key("a point that moves while the program runs", "heartbeat", None)
    within: PositiveDuration = key("time that it may take after the restored supply", "30 s", 60_000_000_000)


class PulseIn(Written):
    """A pulse that the bench writes and must see in every cycle."""

    write: PointRef = key("the point that is written", "spare_out")
    read: PointRef = key("the independent input that must see it", "spare_in")
    length: PositiveDuration = key("length of the pulse", "20 ms")


class ModeIn(Written):
    """How run mode is left and entered."""

    driver: Annotated[Literal["point", "by-hand"], word("point", "by-hand")] = key(
        "a point that is written, or a person", "point"
    )
    point: PointRef | None = key("the point that is written", "run_switch", None)
    run: OneValue | None = key("its value in run mode", "on", None)
    switch: Text | None = key("the mode switch that a person turns, and where it is", "key switch on the front", None)
    proof: list[ConditionsIn] = key("what shows that run mode was left", [{"running": "off"}], [])


class SurveyIn(Written):
    """What a survey may do."""

    press: list[PointRef] = key("the points that it may press", ["start_button", "stop_button"])


class IsolationIn(Written):
    """How a machine's loads are isolated while its controller is cut."""

    by: Text = key("who isolated the loads", "M. Jensen")
    how: Text = key("how they are isolated", "main switch Q1 locked out")
    until: Text = key("until when that holds: a date, or a date and a time", "2026-08-01")


class DefaultsIn(Written):
    """What scenarios take where they do not say otherwise."""

    settle: Duration = key("time from `ready` to the settled state", "500 ms", 0)
    watch: PositiveDuration = key("time from `ready` for which outputs are watched", "10 s", 10_000_000_000)
    longer_than: PositiveDuration = key(
        "length from which a pulse counts for `never` and `stays`", "20 ms", 100_000_000
    )
    repeat: Count = key("cycles of each case", 20, 1)


ProofWord = Annotated[Literal["falls", "rises", "lost"], word("falls", "rises", "lost")]
ProofTest = Annotated[
    Annotated[ProofWord, Tag("<word>")] | Annotated[ProofValue, Tag("<value>")] | Annotated[TestIn, Tag("<mapping>")],
    Discriminator(lambda value: "<word>" if str(value) in ("falls", "rises", "lost") else _is_mapping(value)),
]


class RigIn(Written):
    """A rig file."""

    rig: PlainName = key("name of the rig", "grain-dryer-trainer")
    loads: Annotated[Literal["harmless", "machine"], word("harmless", "machine")] = key(
        "what hangs on the outputs: lamps and dummy loads, or a machine", "harmless"
    )
    devices: dict[PlainName, DeviceIn] = key(
        "what the bench reads, by name", {"controller": {"host": "192.0.2.10", "powered_by": "supply"}}
    )
    points: dict[PointName, PointIn] = key("named data, by name", {"auger": {"device": "controller", "coil": 0}})
    extends: Text | None = key("another rig file that holds everything but what differs", "../common.yaml", None)
    supply: SupplyIn | None = key(
        "what switches the controller's power",
        {
            "driver": "modbus-coil",
            "host": "192.0.2.30",
            "coil": 0,
            "contact": "normally-open",
            "operate": "2 ms",
            "release": "2 ms",
            "bounce": "0 ms",
        },
        None,
    )
    groups: dict[PointName, list[PointRef]] = key(
        "names for several points, usable wherever a point is expected", {"stays_off": ["auger", "burner"]}, {}
    )
    defaults: DefaultsIn = key(
        "what scenarios take where they do not say otherwise", {"settle": "500 ms", "watch": "10 s"}, DefaultsIn()
    )
    ready: ReadyIn | None = key(
        "when the controller counts as running", {"when": {"running": "on"}, "alive": "heartbeat"}, None
    )
    proof_of_cut: list[dict[str, ProofTest]] | None = key(
        "what shows that the supply was lost, or that the controller restarted", [{"rail": "off"}], None
    )
    check_channels: ConditionsIn = key("must hold all through, else the independent I/O fails", {"always_on": "on"}, {})
    check_pulse: PulseIn | None = key(
        "a pulse that must be seen in every cycle",
        {"write": "spare_out", "read": "spare_in", "length": "20 ms"},
        None,
    )
    only_while: ConditionsIn = key("must hold all through, else the run stops", {"guard_closed": "on"}, {})
    identify: ConditionsIn = key("anything else read here: the wrong device", {"device_code": 4711}, {})
    program: Annotated[
        Annotated[PointRef, Tag("<value>")] | Annotated[list[PointRef], Tag("<list>")],
        Discriminator(lambda value: "<list>" if isinstance(value, list) else "<value>"),
    ] = key("point or points that identify the program", "program_id", [])
    mode: ModeIn | None = key("how run mode is left and entered", {"driver": "point", "point": "run_switch"}, None)
    survey: SurveyIn | None = key("what `survey` may do; machines must write it", {"press": ["start_button"]}, None)
    isolation: IsolationIn | None = key(
        "required for machines: how the loads are isolated",
        {"by": "M. Jensen", "how": "main switch Q1 locked out", "until": "2026-08-01"},
        None,
    )
    record: dict[str, Any] = key("free text for the record", {"customer": "our own workshop"}, {})
    simulation: Text | None = key("what `--simulated` runs in place of the hardware", "program.yaml", None)
