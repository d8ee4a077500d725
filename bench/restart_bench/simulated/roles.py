"""What each point of a rig is in the simulation: the part that the rig file gives it, and the value that plays it."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from typing import Literal

from restart_bench.model.rig import Point, Rig, Value, Wanted

RoleKind = Literal[
    "program",  # driven or held by the program
    "written",  # a command point: what a client wrote last
    "terminal",  # sees the output `of`
    "sense",  # sees the command point `of`
    "alive",
    "uptime",
    "restarts",
    "supply",  # meets `wanted` while the supply is off
    "running",  # meets `wanted` while the program runs
    "out of run",  # meets `wanted` while it does not
    "steady",  # always meets `wanted`
    "pulse",  # follows the written point `of`
    "program id",
    "identity",
    "input",  # an input of the program that nobody writes
    "nothing",
]


@dataclass(frozen=True, slots=True)
class Role:
    """The part of one point."""

    kind: RoleKind
    wanted: Wanted | None = None
    of: str = ""


def role_of(rig: Rig, held: Container[str], inputs: Container[str], name: str) -> Role:
    """The part of a point. `held` are the names of the program that are no inputs. What the program drives it
    drives; then what is written or wired; then the parts that the rig file gives out."""
    point = rig.points[name]
    if name in held:
        return Role("program")
    if point.writable:
        return Role("written")
    wired = next((one for one in rig.points.values() if one.terminal == name), None)
    if wired is not None:
        return Role("sense" if wired.writable else "terminal", of=wired.name)
    return _role_given_out(rig, name) or Role("input" if name in inputs else "nothing")


def _role_given_out(rig: Rig, name: str) -> Role | None:
    if name in rig.program:
        return Role("program id")
    for point, wanted in rig.identify:
        if point == name:
            return Role("identity", wanted)
    if name == rig.ready.alive:
        return Role("alive")
    for proof in rig.proof_of_cut:
        if proof.point == name:
            kind: RoleKind = {"value": "supply", "falls": "uptime", "rises": "restarts"}[proof.kind]  # type: ignore[assignment]
            return Role(kind, proof.wanted)
    for point, wanted in rig.ready.when:
        if point == name:
            return Role("running", wanted)
    for point, wanted in rig.mode.proof if rig.mode is not None else ():
        if point == name:
            return Role("out of run", wanted)
    if rig.check_pulse is not None and rig.check_pulse.read == name:
        return Role("pulse", of=rig.check_pulse.write)
    for point, wanted in (*rig.check_channels, *rig.only_while):
        if point == name:
            return Role("steady", wanted)
    return None


def meeting(wanted: Wanted) -> Value:
    """A value that conforms."""
    if wanted.equals is not None:
        return wanted.equals
    if wanted.one_of is not None:
        return wanted.one_of[0]
    if wanted.above is not None and wanted.below is not None:
        return (wanted.above + wanted.below) / 2
    if wanted.above is not None:
        return wanted.above + 1
    return 0 if wanted.below is None or wanted.below > 0 else wanted.below - 1


def breaking(wanted: Wanted) -> Value:
    """A value that does not conform."""
    if wanted.equals is not None:
        return not wanted.equals if isinstance(wanted.equals, bool) else wanted.equals + wanted.tolerance + 1
    if wanted.one_of is not None:
        first = wanted.one_of[0]
        return not first if isinstance(first, bool) else max(float(one) for one in wanted.one_of) + 1
    if wanted.above is not None:
        return 0 if wanted.above >= 0 else wanted.above - 1
    return 2 * wanted.below + 1 if wanted.below is not None and wanted.below > 0 else 1


def supply_value(point: Point, wanted: Wanted, fraction: float, nominal_volts: float | None) -> Value:
    """What a supply proof reads at this fraction of the nominal voltage (0: no supply)."""
    off, full = meeting(wanted), breaking(wanted)
    if isinstance(off, bool) or point.is_boolean:
        return off if fraction < 0.5 else full
    if nominal_volts is not None:
        volts = nominal_volts * (1000 if point.unit.lower() == "mv" else 1)
        full = full if wanted.met_by(volts) else volts
    return off + (full - off) * fraction
