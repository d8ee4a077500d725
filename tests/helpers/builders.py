"""A grain dryer trainer as plain values: the rig and the program that many tests share.

The dryer: an auger sealed in by its own contact through a plain coil, a burner and a fan driven by set and reset
(both retained), a batch counter, and a purge timer. `edited=True` is the program after somebody has taken the
first-scan contact out of the burner's reset rung: the burner then comes back by itself.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from restart_bench.model.program import (
    Boot,
    Coil,
    Counter,
    Edge,
    Expr,
    Input,
    Memory,
    Program,
    Reset,
    RideThrough,
    Set,
    Timer,
)
from restart_bench.model.rig import (
    CheckPulse,
    Defaults,
    Device,
    Mode,
    Point,
    Proof,
    Ready,
    Rig,
    RigSupply,
    SupplyLimits,
    Wanted,
)

MS = 1_000_000
S = 1_000_000_000


def name(text: str) -> Expr:
    """A bare name in a condition."""
    return ("name", text)


def negated(expression: Expr) -> Expr:
    """NOT."""
    return ("not", expression)


def either(*expressions: Expr) -> Expr:
    """OR over all of them."""
    first, *rest = expressions
    for one in rest:
        first = ("or", first, one)
    return first


def both(*expressions: Expr) -> Expr:
    """AND over all of them."""
    first, *rest = expressions
    for one in rest:
        first = ("and", first, one)
    return first


def _output(point: str, address: int) -> tuple[Point, Point]:
    terminal = f"{point}_terminal"
    return (
        Point(point, "controller", "coil", address, terminal=terminal),
        Point(terminal, "independent", "discrete_input", address, inline_terminal=True),
    )


def dryer_points() -> dict[str, Point]:
    """Points of the trainer in file order."""
    points = (
        Point("start_button", "independent", "coil", 0, writable=True, idle=False, label="S1"),
        Point("stop_button", "independent", "coil", 1, writable=True, idle=True, label="S2"),
        Point("reset_button", "independent", "coil", 2, writable=True, idle=False),
        Point("hopper_full", "independent", "coil", 3, writable=True, idle=False),
        *_output("auger", 0),
        *_output("burner", 1),
        *_output("fan", 2),
        Point("running", "controller", "discrete_input", 0),
        Point("purge", "controller", "discrete_input", 1),
        Point("heartbeat", "controller", "input_register", 0, type="uint16"),
        Point("uptime", "controller", "input_register", 1, type="uint32", unit="ms"),
        Point("program_id", "controller", "input_register", 3, type="uint16"),
        Point("device_code", "controller", "input_register", 4, type="uint16"),
        Point("batch_count", "controller", "input_register", 5, type="uint16"),
        Point("moisture_setpoint", "controller", "holding_register", 0, type="float32", writable=True, unit="%"),
        Point("run_switch", "independent", "coil", 9, writable=True, idle=True),
        Point("rail", "independent", "discrete_input", 8),
        Point("always_on", "independent", "discrete_input", 9),
        Point("spare_out", "independent", "coil", 8, writable=True, idle=False),
        Point("spare_in", "independent", "discrete_input", 10),
        Point("guard_closed", "independent", "discrete_input", 11),
    )
    return {point.name: point for point in points}


def dryer_rig(**changes: Any) -> Rig:
    """The trainer's rig; `changes` are fields of `Rig`. Its hosts are documentation addresses (RFC 5737)."""
    rig = Rig(
        name="grain-dryer-trainer",
        loads="harmless",
        devices={
            "controller": Device("controller", "192.0.2.10", powered_by_supply=True),
            "independent": Device("independent", "192.0.2.20", poll_ns=2 * MS),
        },
        points=dryer_points(),
        supply=RigSupply(
            driver="modbus-coil",
            settings={"host": "192.0.2.30", "coil": 0},
            contact="normally-open",
            operate_ns=2 * MS,
            release_ns=2 * MS,
            bounce_ns=0,
            limits=SupplyLimits(dips_up_to_ns=50 * MS, off_at_least_ns=2 * S, on_at_least_ns=2 * S),
            nominal_volts=24.0,
            address="192.0.2.30",
        ),
        ready=Ready(when=(("running", Wanted(equals=True)),), steady_ns=100 * MS, alive="heartbeat", within_ns=10 * S),
        proof_of_cut=(
            Proof("value", "rail", Wanted(equals=False)),
            Proof("falls", "uptime"),
        ),
        check_channels=(("always_on", Wanted(equals=True)),),
        check_pulse=CheckPulse("spare_out", "spare_in", 20 * MS),
        only_while=(("guard_closed", Wanted(equals=True)),),
        identify=(("device_code", Wanted(equals=4711)),),
        program=("program_id",),
        mode=Mode("point", "run_switch", True, (("running", Wanted(equals=False)),)),
        groups={"stays_off": ("auger", "burner"), "comes_back": ("fan",)},
        defaults=Defaults(settle_ns=100 * MS, watch_ns=1 * S, longer_than_ns=20 * MS),
        simulation="program.yaml",
    )
    return dataclasses.replace(rig, **changes)


def dryer_program(edited: bool = False, **changes: Any) -> Program:
    """The trainer's program; `changes` are fields of `Program`. Its boot is short, so that tests are."""
    start, stop = name("start_button"), name("stop_button")
    stopped = negated(stop)
    program = Program(
        name="grain dryer, edition 8" if edited else "grain dryer, edition 7",
        scan_ns=10 * MS,
        boot=Boot(dark_ns=80 * MS, refusing_ns=60 * MS, silent_ns=60 * MS, busy_ns=60 * MS, answering_ns=80 * MS),
        rides_through=RideThrough(middle_ns=15 * MS),
        start_pass="clears coils",
        outputs="at scan end",
        saved="at once",
        inputs=(
            Input("start_button", "command", False),
            Input("stop_button", "command", True),
            Input("reset_button", "command", False),
            Input("hopper_full", "sensor", False),
        ),
        memory={
            "fan": Memory("fan", retained=True),
            "burner": Memory("burner", retained=True),
            "batch_count": Memory("batch_count", retained=True, initial=0),
            "moisture_setpoint": Memory("moisture_setpoint", retained=True, initial=14.5),
        },
        rungs=(
            Coil("auger", both(either(start, name("auger")), stop)),
            Set("fan", start),
            Reset("fan", stopped),
            Set("burner", start),
            Reset("burner", stopped if edited else either(stopped, name("first_scan"))),
            Timer("purge", "TON", 300 * MS, name("fan")),
            Edge("full_edge", "rising", name("hopper_full")),
            Counter("batch_count", "CTU", 500, name("full_edge"), name("reset_button")),
        ),
        digest=42118 if edited else 17042,
    )
    return dataclasses.replace(program, **changes)
