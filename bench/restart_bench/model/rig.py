"""What a rig is, once its file has been read: devices, points, supply, and what is demanded of them all through.

These are plain values in the bench's own units (nanoseconds, 0-based PDU addresses). `suite/rig_reader`
reads them from YAML; everything else only sees what stands here.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any, Literal

Value = bool | int | float
Table = Literal["coil", "discrete_input", "input_register", "holding_register"]
PointType = Literal["bool", "int16", "uint16", "int32", "uint32", "float32"]
BIT_TABLES: tuple[Table, ...] = ("coil", "discrete_input")
REGISTERS_OF: dict[PointType, int] = {"bool": 1, "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
WHOLE_RANGES: dict[PointType, tuple[int, int]] = {
    "int16": (-(1 << 15), (1 << 15) - 1),
    "uint16": (0, (1 << 16) - 1),
    "int32": (-(1 << 31), (1 << 31) - 1),
    "uint32": (0, (1 << 32) - 1),
}


HALF_A_SINGLE = 6e-8
"""A number of a float32 register differs from the one it stands for by this part of itself at most (2**-24, and what
double precision loses beside)."""


def as_single(number: float) -> float:
    """The number of single precision (IEEE 754 binary32) that is nearest. Raises OverflowError where there is none."""
    single: float = struct.unpack("f", struct.pack("f", number))[0]
    return single


@dataclass(frozen=True, slots=True)
class Device:
    """One Modbus TCP server that the bench reads."""

    name: str
    host: str
    port: int = 502
    unit: int = 1
    poll_ns: int = 10_000_000
    answer_within_ns: int = 100_000_000
    input_delay_ns: int = 0  # filter of its inputs: a shorter pulse never reaches its image
    image_lag_ns: int = 0  # its image may be this old: moves lower bounds of changes earlier
    connections: int = 2  # all that the bench may hold at one time, attempts included
    max_bits: int = 2000
    max_registers: int = 125
    powered_by_supply: bool = False  # the controller; a device without it is independent I/O


@dataclass(frozen=True, slots=True)
class Levels:
    """A register read as a Boolean: at most `off_below` is off, at least `on_above` is on, between is undefined."""

    off_below: float
    on_above: float


@dataclass(frozen=True, slots=True)
class PointLimits:
    """What the load on a point can bear, over all runs."""

    starts_per_hour: int | None = None
    off_at_least_ns: int = 0


@dataclass(frozen=True, slots=True)
class Point:
    """One named datum on a device. `terminal` names the point that sees its screw terminal (or its sense input)."""

    name: str
    device: str
    table: Table
    address: int  # 0-based PDU address; item number = address + 1
    type: PointType = "bool"
    words: Literal["big", "little"] = "big"
    scale: float = 1.0
    unit: str = ""
    levels: Levels | None = None
    writable: bool = False
    idle: Value | None = None
    label: str = ""
    terminal: str | None = None
    by_hand: str | None = None  # how a person is asked to work it: "green button S1"
    proven: str | None = None  # "lamp test 2026-07-20": the channel was seen to work
    limits: PointLimits | None = None
    inline_terminal: bool = False  # made by the loader from `terminal: {...}`

    @property
    def shown(self) -> str:
        """What screen and record call it."""
        return self.label or self.name

    @property
    def is_boolean(self) -> bool:
        """True where the point is off or on: a bit, or a register with levels."""
        return self.type == "bool" or self.levels is not None

    @property
    def width(self) -> int:
        """Addresses of its table that it takes: 1 for a bit, 1 or 2 for registers."""
        return 1 if self.table in BIT_TABLES else REGISTERS_OF[self.type]

    @property
    def at_rest(self) -> Value:
        """Its value at idle; off where the file names none."""
        return False if self.idle is None else self.idle


@dataclass(frozen=True, slots=True)
class Wanted:
    """A test of one value. Exactly one of the groups is set.

    `equals` (with `tolerance`), `one_of`, `above`/`below` (both exclusive), `as_before`, or `change` (bounds,
    both included, of after minus before). `rounding`: the part of itself by which each of two values may be rounded
    where they lie apart by a tolerance or a change.
    """

    equals: Value | None = None
    tolerance: float = 0.0
    one_of: tuple[Value, ...] | None = None
    above: float | None = None
    below: float | None = None
    as_before: bool = False
    change: tuple[float, float] | None = None
    rounding: float = 0.0

    def lost(self, value: float, other: float) -> float:
        """How much further apart, or nearer, these two may be than what they stand for; 0 of what is no number."""
        lost = self.rounding * (abs(value) + abs(other))
        return lost if math.isfinite(lost) else 0.0

    def met_by(self, value: Value, before: Value | None = None) -> bool:
        """True if `value` conforms. `before` is the last good value before the cut.

        Raises ValueError where the test needs a value before the cut and there is none.
        """
        if self.as_before or self.change is not None:
            if before is None:
                raise ValueError("no value before the cut is known")
            if self.change is not None:
                low, high = self.change
                lost = self.lost(value, before)
                return low - (lost if low else 0) <= value - before <= high + (lost if high else 0)
            return value == before or self._near(value, before)
        if self.one_of is not None:
            return any(value == one for one in self.one_of)
        if self.equals is not None:
            return self._near(value, self.equals)
        if self.above is not None and not value > self.above:
            return False
        return not (self.below is not None and not value < self.below)

    def _near(self, value: Value, other: Value) -> bool:
        apart = abs(float(value) - float(other))
        return apart <= (self.tolerance + self.lost(value, other) if self.tolerance else 0)


@dataclass(frozen=True, slots=True)
class Proof:
    """One proof of the cut.

    kind `value`: `point` meets `wanted` while the supply is off and no longer once it is back (a supply proof).
    kinds `falls`, `rises`: the value of `point` after the restart against that before the cut (restart proofs).
    kind `contact lost`: the controller fell silent (a restart proof, `point` is None).
    """

    kind: Literal["value", "falls", "rises", "contact lost"]
    point: str | None = None
    wanted: Wanted | None = None

    @property
    def of_supply(self) -> bool:
        """True where the proof speaks of the supply, false where it speaks of the restart."""
        return self.kind == "value"


@dataclass(frozen=True, slots=True)
class Ready:
    """When the controller counts as running: every condition unbroken for `steady_ns`, read by counting reads."""

    when: tuple[tuple[str, Wanted], ...] = ()
    steady_ns: int = 500_000_000
    alive: str | None = None  # a point that moves in every scan or so
    within_ns: int = 60_000_000_000


@dataclass(frozen=True, slots=True)
class CheckPulse:
    """The bench writes a pulse of this length in every cycle and must see it."""

    write: str
    read: str
    length_ns: int


BY_HAND_DRIVER = "by-hand"
"""What a supply and run mode call a person who works them."""


@dataclass(frozen=True, slots=True)
class Mode:
    """How run mode is left and entered."""

    driver: Literal["point", "by-hand"]
    point: str | None = None
    run: Value = True
    proof: tuple[tuple[str, Wanted], ...] = ()
    switch: str = ""  # that a person turns, as it is labelled

    @property
    def by_hand(self) -> bool:
        """True where a person changes it when asked."""
        return self.driver == BY_HAND_DRIVER


SIMULATED_VENDOR, SIMULATED_PRODUCT = "restart-bench", "simulated rig"
"""What every device of a simulated rig says of itself on the wire, so that nobody takes it for hardware."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What a device says it is (Modbus function 43 / 14)."""

    vendor: str
    product: str
    revision: str

    @property
    def is_simulated(self) -> bool:
        """True of a device of a simulated rig."""
        return (self.vendor, self.product) == (SIMULATED_VENDOR, SIMULATED_PRODUCT)

    @property
    def shown(self) -> str:
        """For people: `restart-bench simulated rig 0.1.0`."""
        return " ".join(part for part in (self.vendor, self.product, self.revision) if part)


@dataclass(frozen=True, slots=True)
class SupplyLimits:
    """What the supply and its contact may do, whatever a scenario asks."""

    dips_up_to_ns: int | None = None
    off_at_least_ns: int = 2_000_000_000
    on_at_least_ns: int = 2_000_000_000
    cuts_per_hour: float | None = None
    operations: int | None = None

    def on_not_before_ns(self, off_since_ns: int | None) -> int:
        """The instant before which the supply may not go on (`off_at_least`); 0 where it was not seen to go off."""
        return 0 if off_since_ns is None else off_since_ns + self.off_at_least_ns

    def cut_not_before_ns(self, on_since_ns: int | None) -> int:
        """The instant before which the supply may not be cut (`on_at_least`); 0 where it was not seen to go on."""
        return 0 if on_since_ns is None else on_since_ns + self.on_at_least_ns


@dataclass(frozen=True, slots=True)
class RigSupply:
    """What switches the controller's power. `settings` are the driver's own keys as the file gives them."""

    driver: str
    settings: dict[str, Any] = field(default_factory=dict)
    contact: Literal["normally-open", "normally-closed"] | None = None
    operate_ns: int = 0
    release_ns: int = 0
    bounce_ns: int = 0
    at_end: Literal["on", "off", "as it is"] = "on"
    after_trouble: Literal["on", "off", "as it is"] = "on"
    fallback: str | None = None
    limits: SupplyLimits = SupplyLimits()
    nominal_volts: float | None = None
    address: str = ""  # what the lock and the wear count go by
    simulated_as: Literal["relay", "programmable supply"] = "relay"  # by its driver's card

    @property
    def by_hand(self) -> bool:
        """True where a person switches it when asked."""
        return self.driver == BY_HAND_DRIVER

    @property
    def opening_ns(self) -> int:
        """Longest delay from the command to the supply being off, without bounce."""
        return self.operate_ns if self.contact == "normally-closed" else self.release_ns

    @property
    def closing_ns(self) -> int:
        """Longest delay from the command to the supply being on, without bounce."""
        return self.release_ns if self.contact == "normally-closed" else self.operate_ns


@dataclass(frozen=True, slots=True)
class Isolation:
    """Who isolated the loads, how, and until when that holds (ISO date or date and time)."""

    by: str
    how: str
    until: str


@dataclass(frozen=True, slots=True)
class Defaults:
    """What a scenario takes where it does not say otherwise."""

    settle_ns: int = 0
    watch_ns: int = 10_000_000_000
    longer_than_ns: int = 100_000_000
    repeat: int = 1


def first_supplied(devices: Mapping[str, Device]) -> Device | None:
    """The device that goes dark when the supply is cut."""
    return next((device for device in devices.values() if device.powered_by_supply), None)


def asks_person(rig: Rig) -> bool:
    """True where a person works the supply, the mode switch or a button."""
    hands = (rig.supply is not None and rig.supply.by_hand, rig.mode is not None and rig.mode.by_hand)
    return any(hands) or any(point.by_hand is not None for point in rig.points.values())


@dataclass(frozen=True, slots=True)
class Rig:
    """One rig. Points stand in file order; inline terminals follow the point that has them."""

    name: str
    loads: Literal["harmless", "machine"]
    devices: dict[str, Device]
    points: dict[str, Point]
    supply: RigSupply | None = None
    ready: Ready = Ready()
    proof_of_cut: tuple[Proof, ...] = (Proof(kind="contact lost"),)
    check_channels: tuple[tuple[str, Wanted], ...] = ()
    check_pulse: CheckPulse | None = None
    only_while: tuple[tuple[str, Wanted], ...] = ()
    identify: tuple[tuple[str, Wanted], ...] = ()
    program: tuple[str, ...] = ()  # points that identify the program
    mode: Mode | None = None
    groups: dict[str, tuple[str, ...]] = field(default_factory=dict)
    defaults: Defaults = Defaults()
    survey_press: tuple[str, ...] = ()
    isolation: Isolation | None = None
    record: dict[str, Any] = field(default_factory=dict)
    simulation: str | None = None  # path as written, relative to the rig file
    path: str = ""

    @property
    def controller(self) -> Device | None:
        """The device that goes dark when the supply is cut."""
        return first_supplied(self.devices)

    @property
    def independents(self) -> tuple[Device, ...]:
        """The devices on supplies of their own."""
        return tuple(device for device in self.devices.values() if not device.powered_by_supply)

    @property
    def supply_points(self) -> tuple[str, ...]:
        """The points that read the supply itself as proofs of the cut, in file order."""
        return tuple(proof.point for proof in self.proof_of_cut if proof.of_supply and proof.point is not None)

    @property
    def reads_supply(self) -> bool:
        """True where a proof of the cut reads the supply itself."""
        return any(proof.of_supply for proof in self.proof_of_cut)

    @property
    def counters_alone(self) -> tuple[str, ...]:
        """Counters that prove the cut where no proof reads the supply: a watchdog that restarts the controller beside a
        contact that sticks looks the same to them."""
        if self.reads_supply:
            return ()
        return tuple(dict.fromkeys(proof.point for proof in self.proof_of_cut if proof.point is not None))

    @property
    def link_alone(self) -> bool:
        """Whether nothing but the lost connection proves the cut, and no sign of life that counts could tell a network
        that drops from it."""
        alive = self.points.get(self.ready.alive or "")
        kinds = {proof.kind for proof in self.proof_of_cut}
        return kinds == {"contact lost"} and (alive is None or alive.is_boolean)

    def judged_point(self, name: str) -> str:
        """The point whose trace is judged for `name`: its terminal where it has one."""
        point = self.points[name]
        return point.terminal if point.terminal is not None and not point.writable else name

    def is_terminal(self, name: str) -> bool:
        """True if some output's terminal is this point."""
        return any(point.terminal == name for point in self.points.values())

    def is_independent(self, name: str) -> bool:
        """True if the point is read on a supply of its own."""
        return not self.devices[self.points[name].device].powered_by_supply

    def has_image_only(self, name: str) -> bool:
        """True of an output that nothing but the controller itself tells of."""
        judged = self.judged_point(name)
        return self.points[judged].is_boolean and not self.is_independent(judged)

    def tells_memory(self, name: str) -> bool:
        """True of an output that nothing but the controller tells of: out of run mode that is what its memory holds."""
        return self.has_image_only(name) and self.points[name] in self.outputs()

    def outputs(self) -> tuple[Point, ...]:
        """What the screen gives a lane: points with a terminal first named in the file, then controller coils
        that the bench does not write."""
        return tuple(
            point
            for point in self.points.values()
            if not point.writable
            and (point.terminal is not None or (point.table == "coil" and not self.is_independent(point.name)))
        )


def last_instant(until: str, zone: tzinfo | None = None) -> datetime:
    """The instant that an ISO date, or date and time, lasts to: the end of the day where only a date was written. Where
    no zone was written, in `zone`, or in local time. Raises ValueError or OverflowError where it is no date."""
    written = until.strip()
    instant = datetime.fromisoformat(written)
    if len(written) <= len("2026-08-01"):
        instant = instant.replace(hour=23, minute=59, second=59)
    if instant.tzinfo is not None:
        return instant
    return instant.astimezone() if zone is None else instant.replace(tzinfo=zone)


def always_moving(rig: Rig) -> frozenset[str]:
    """Registers that move all the time and so yield samples, no changes: the sign of life, and what counts up."""
    counting = {proof.point for proof in rig.proof_of_cut if proof.kind in ("falls", "rises")}
    return frozenset({name for name in (rig.ready.alive, *counting) if name is not None})
