"""Rig files: read, laid on what they extend, checked, and made into a `Rig`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from restart_bench.files.faults import Fault
from restart_bench.files.tree import Block, Files, ReadFile, Scalar, is_file, merged, plain, same_file
from restart_bench.files.validation import KeyPath, Ledger, validated
from restart_bench.model.rig import (
    CheckPulse,
    Defaults,
    Isolation,
    Mode,
    Point,
    Proof,
    Ready,
    Rig,
    Wanted,
    first_supplied,
    last_instant,
)
from restart_bench.model.wording import listed
from restart_bench.suite.names import Names, conditions_in, may_be_pressed, value_for, wanted_value
from restart_bench.suite.rig_points import devices_of, points_of
from restart_bench.suite.rig_schema import ModeIn, RigIn
from restart_bench.suite.supply_address import at_its_controller
from restart_bench.suite.supply_reader import supply_of
from restart_bench_drivers.interface import SupplyCard

RIG_STAND_INS: dict[str, Any] = {"rig": "rig", "loads": "harmless", "devices": {}, "points": {}}
SUPPLY_BROKEN, MODE_BROKEN = "<supply>", "<mode>"
LONGEST_CHAIN = 20  # of files that extend one another
CONTACT_LOST = Proof(kind="contact lost")


@dataclass(slots=True)
class RigRead:
    """What was read of a rig file: the rig (None where nothing can be made of it), the files it consists of, faults
    and warnings. `broken` are names of points and groups that are there but faulty."""

    files: list[ReadFile]
    rig: Rig | None = None
    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)
    broken: frozenset[str] = frozenset()


def read_rig(read: ReadFile, cards: Mapping[str, SupplyCard], files: Files | None = None) -> RigRead:
    """The rig of a file that was read, and of those that it extends. Never raises for what stands in them."""
    result = RigRead(files=[read], faults=list(read.faults))
    if read.tree is None:
        return result
    tree = _extended(read, result, files or Files(), (same_file(read.path),))
    if tree is None:  # what the base would have held is not known, and half a rig would only breed other faults
        return result
    ledger = Ledger(tree)
    model = validated(tree, RigIn, ledger, RIG_STAND_INS)
    if model is not None:
        result.rig = _rig(model, str(read.path), cards, ledger)
        result.broken = _broken(tree, result.rig, ledger)
    result.faults += ledger.faults
    result.warnings += ledger.warnings
    return result


def _extended(read: ReadFile, result: RigRead, files: Files, chain: tuple[Path, ...]) -> Block | None:
    """The tree of a file laid on that of the file it extends; None, with a fault, where that can't be read."""
    tree = read.tree
    assert tree is not None
    told = tree.get("extends")
    if not isinstance(told, Scalar) or told.value is None:
        return tree
    path = read.path.parent / told.text.strip()
    file, line = tree.keys_at["extends"]

    def fault(text: str, cure: str) -> Block | None:
        result.faults.append(Fault(file, line, "extends", text, cure))
        return None

    if same_file(path) in chain:
        return fault(f"{told.text} leads back to this file", "break the circle: delete one extends:")
    if len(chain) > LONGEST_CHAIN:
        return fault(f"is the {LONGEST_CHAIN}th in a row", "put what these files say into fewer of them")
    if not is_file(path):
        return fault(f"{path} is not there", "write its path as seen from this file")
    base = files.read(path)
    result.files.append(base)
    result.faults += base.faults
    if base.tree is None:
        return None
    if base.kind in ("scenario", "program"):
        return fault(f"{told.text} is a {base.kind}", "name a rig file")
    under = _extended(base, result, files, (*chain, same_file(path)))
    return merged(under, tree) if under is not None else None


def _rig(model: RigIn, path: str, cards: Mapping[str, SupplyCard], ledger: Ledger) -> Rig:
    devices = devices_of(model, ledger)
    points = points_of(model, devices, ledger)
    groups = _groups(model, points, ledger)
    broken = frozenset(_named(ledger.tree, "points") - set(points)) | frozenset(_named(ledger.tree, "groups"))
    dark = frozenset(device.name for device in devices.values() if device.powered_by_supply)
    names = Names(points, groups, broken - frozenset(groups), dark)
    rig = Rig(
        name=model.rig,
        loads=model.loads,
        devices=devices,
        points=points,
        supply=at_its_controller(supply_of(model, cards, ledger), first_supplied(devices)),
        ready=_ready(model, names, ledger),
        proof_of_cut=_proofs(model, names, ledger),
        check_channels=tuple(conditions_in(("check_channels",), model.check_channels, names, ledger)),
        check_pulse=_check_pulse(model, names, ledger),
        only_while=tuple(conditions_in(("only_while",), model.only_while, names, ledger)),
        identify=tuple(conditions_in(("identify",), model.identify, names, ledger)),
        program=_program_points(model, names, ledger),
        groups=groups,
        defaults=Defaults(
            model.defaults.settle, model.defaults.watch, model.defaults.longer_than, model.defaults.repeat
        ),
        survey_press=_survey_press(model, names, ledger),
        isolation=_isolation(model, ledger),
        record=plain(model.record),
        simulation=model.simulation,
        path=path,
    )
    rig_with_mode = replace(rig, mode=_mode(model.mode, rig, names, ledger))
    _check_independence(rig, ledger)
    _check_addresses(rig, ledger)
    _warn_about_ready(model, rig, ledger)
    _warn_about_counters(rig, ledger)
    _warn_about_contact(rig, ledger)
    return rig_with_mode


def _groups(model: RigIn, points: dict[str, Point], ledger: Ledger) -> dict[str, tuple[str, ...]]:
    names = Names(points, {}, frozenset(_named(ledger.tree, "points") - set(points)))
    found: dict[str, tuple[str, ...]] = {}
    for group, told in model.groups.items():
        path: KeyPath = ("groups", group)
        if group in points:
            ledger.fault(path, "is the name of a point as well", "give the group another name")
            continue
        members: list[str] = []
        for place, name in ledger.entries(path, told):
            if name in model.groups:
                ledger.fault(place, f"{name} is a group", "name its points; groups hold points only")
                continue
            member = names.one(place, name, ledger)
            if member is not None and member in members:
                ledger.fault(place, f"{name} stands twice", "delete one of the two")
            elif member is not None:
                members.append(member)
        if not told:
            ledger.fault(path, "is empty", "name its points, or delete the group")
        found[group] = tuple(members)
    return found


def _ready(model: RigIn, names: Names, ledger: Ledger) -> Ready:
    told = model.ready
    if told is None:
        return Ready()
    when = tuple(conditions_in(("ready", "when"), told.when, names, ledger))
    alive = names.one(("ready", "alive"), told.alive, ledger) if told.alive is not None else None
    return Ready(when, told.steady, alive, told.within)


def _proofs(model: RigIn, names: Names, ledger: Ledger) -> tuple[Proof, ...]:
    if model.proof_of_cut is None:
        return (CONTACT_LOST,)
    found: list[Proof] = []
    for place, told in ledger.entries(("proof_of_cut",), model.proof_of_cut):
        for written, test in told.items():
            proof = _proof((*place, written), written, test, names, ledger)
            if proof is not None:
                found.append(proof)
    if not model.proof_of_cut and not ledger.is_faulty(("proof_of_cut",)):
        ledger.fault(("proof_of_cut",), "is empty", "delete it (contact: lost is the default), or add a proof")
    return tuple(found) or (CONTACT_LOST,)


def _proof(path: KeyPath, written: str, test: Any, names: Names, ledger: Ledger) -> Proof | None:
    if (written == "contact") != (test == "lost" and isinstance(test, str)):
        cure = "write contact: lost" if written == "contact" else "write a value, a limit, falls or rises"
        ledger.fault(path, "can't prove a cut", cure)
        return None
    if written == "contact":
        return CONTACT_LOST
    name = names.one(path, written, ledger)
    if name is None:
        return None
    point = names.points[name]
    if test in ("falls", "rises") and isinstance(test, str):
        if point.is_boolean:
            ledger.fault(path, f"{name} is off or on and never {test}", "name a register that counts")
            return None
        if point.device not in names.dark_devices:
            ledger.fault(path, f"{name} is not read from the controller", "name a point of the controller")
        return Proof("falls" if test == "falls" else "rises", name)
    if point.device in names.dark_devices:
        text = f"is read on {point.device}, which goes dark with the supply and can't prove that it is off"
        ledger.fault(path, text, "name a point of an independent device, or write falls or rises")
    wanted = wanted_value(path, test, point, ledger)
    return None if wanted is None else Proof("value", name, wanted)


def _check_pulse(model: RigIn, names: Names, ledger: Ledger) -> CheckPulse | None:
    told = model.check_pulse
    if told is None:
        return None
    path: KeyPath = ("check_pulse",)
    write = names.one((*path, "write"), told.write, ledger)
    read = names.one((*path, "read"), told.read, ledger)
    if write is not None and not names.points[write].writable:
        ledger.fault((*path, "write"), f"{write} is not writable", "add writable: yes to the point")
    for key, name in (("write", write), ("read", read)):
        if name is not None and not names.points[name].is_boolean:
            ledger.fault((*path, key), f"{name} is not off or on", "name a coil or a discrete input")
    return None if write is None or read is None else CheckPulse(write, read, told.length)


def _program_points(model: RigIn, names: Names, ledger: Ledger) -> tuple[str, ...]:
    told = [model.program] if isinstance(model.program, str) else model.program
    found = [names.one(("program",), name, ledger) for name in told]
    return tuple(name for name in found if name is not None)


def _survey_press(model: RigIn, names: Names, ledger: Ledger) -> tuple[str, ...]:
    """What `survey` may press: what is written; on harmless loads without it, every writable point with idle."""
    if model.survey is None:
        if model.loads == "machine":
            return ()
        points = names.points.values()
        return tuple(p.name for p in points if p.writable and p.idle is not None and p.is_boolean)
    found = []
    for place, written in ledger.entries(("survey", "press"), model.survey.press):
        for name in names.members(place, written, ledger):
            if may_be_pressed(place, names.points[name], ledger):
                found.append(name)
    return tuple(found)


def _isolation(model: RigIn, ledger: Ledger) -> Isolation | None:
    told = model.isolation
    if told is None:
        if model.loads == "machine":
            cure = "add isolation: {by: ..., how: ..., until: 2026-08-01}"
            ledger.fault(("isolation",), "is missing, and these loads are a machine", cure)
        return None
    isolation = Isolation(told.by, told.how, told.until)
    try:
        last_instant(told.until)
    except (ValueError, OverflowError):
        cure = "write year-month-day, with a time if it matters, like 2026-08-01 or 2026-08-01 16:00"
        ledger.fault(("isolation", "until"), f"{told.until} is no date", cure)
    return isolation


def _mode(told: ModeIn | None, rig: Rig, names: Names, ledger: Ledger) -> Mode | None:
    if told is None:
        return None
    proof = [
        condition
        for place, conditions in ledger.entries(("mode", "proof"), told.proof)
        for condition in conditions_in(place, conditions, names, ledger)
    ]
    if not proof:
        proof = [
            (name, Wanted(equals=not wanted.equals))
            for name, wanted in rig.ready.when
            if isinstance(wanted.equals, bool)
        ]
    if told.driver == "by-hand":
        for key in ("point", "run"):
            if getattr(told, key) is not None:
                ledger.fault(("mode", key), "a person changes the mode", f"delete {key}:, or write driver: point")
        return Mode("by-hand", proof=tuple(proof), switch=told.switch or "")
    if told.switch is not None:
        ledger.fault(("mode", "switch"), "a point changes the mode", "delete switch:, or write driver: by-hand")
    if told.point is None:
        ledger.fault(("mode", "point"), "is missing", "add the writable point that selects run mode")
        return None
    point = names.one(("mode", "point"), told.point, ledger)
    if point is None:
        return None
    if not names.points[point].writable:
        ledger.fault(("mode", "point"), f"{point} is not writable", "add writable: yes to the point")
    run = value_for(("mode", "run"), told.run if told.run is not None else True, names.points[point], ledger)
    return Mode("point", point, True if run is None else run, tuple(proof))


def _check_independence(rig: Rig, ledger: Ledger) -> None:
    """What must be seen while the controller is dark is read on a supply of its own; its life sign is not."""
    if rig.controller is None:
        if rig.devices and not ledger.is_faulty(("devices",)):
            cure = "add powered_by: supply to the controller, if it can be read"
            ledger.warn(("devices",), "none is the controller, so nothing is read from it", cure)
        return
    cure = "name a point of an independent device"
    dark = f"is read on {rig.controller.name}, which goes dark with the supply"
    for key, conditions in (("check_channels", rig.check_channels), ("only_while", rig.only_while)):
        for name, _ in conditions:
            if not rig.is_independent(name):
                ledger.fault((key, name), dark, cure)
    if rig.check_pulse is not None and not rig.is_independent(rig.check_pulse.read):
        ledger.fault(("check_pulse", "read"), dark, cure)
    if rig.ready.alive is not None and rig.is_independent(rig.ready.alive):
        ledger.fault(
            ("ready", "alive"), f"{rig.ready.alive} is not read from the controller", "name a point of the controller"
        )


def _check_addresses(rig: Rig, ledger: Ledger) -> None:
    """An output is not what says that the controller runs, and has a terminal to itself: else one is judged by what
    the other does."""
    signs = dict.fromkeys(name for name, _ in (*rig.ready.when, *rig.identify))
    signs |= dict.fromkeys(name for name in (rig.ready.alive, *rig.program) if name is not None)
    outputs = [point for point in rig.outputs() if point.terminal is not None]
    seen_by: dict[tuple[str, str, int], str] = {}
    driven: dict[tuple[str, str, int], str] = {}
    for point in rig.outputs():
        other = driven.setdefault(_place(rig, point.name), point.name)
        if other != point.name:
            text = f"{point.name} has the address of {other}, so both are one and the same to this bench"
            ledger.warn(("points", point.name, point.table), text, "correct one of the two addresses")
    for point in outputs:
        sign = next((name for name in signs if _place(rig, name) == _place(rig, point.name)), None)
        if sign is not None and sign != point.name:
            text = f"{point.name} has the address of {sign}, which shows the controller's own state"
            ledger.fault(("points", point.name, point.table), text, "correct one of the two addresses")
        terminal = _place(rig, point.terminal or "")
        other = seen_by.setdefault(terminal, point.name)
        if other != point.name:
            text = f"sees the same input as the terminal of {other}, so one would be judged by what the other does"
            ledger.fault(("points", point.name, "terminal"), text, "correct one of the two addresses")


def _place(rig: Rig, name: str) -> tuple[str, str, int]:
    point = rig.points[name]
    return point.device, point.table, point.address


def _warn_about_ready(model: RigIn, rig: Rig, ledger: Ledger) -> None:
    if model.ready is None or not model.ready.when:
        path: KeyPath = ("ready", "when") if model.ready is not None else ("ready",)
        text = "without a condition the controller counts as running from its first good reply"
        ledger.warn(path, text, "add ready: {when: {running: on}}")
    if rig.controller is not None and (model.ready is None or model.ready.alive is None):
        text = "without alive the controller's reads count from its first good reply, which may be a stale image"
        ledger.warn(
            ("ready", "alive") if model.ready is not None else ("ready",),
            text,
            "name a point that moves while the program runs",
        )


def _warn_about_counters(rig: Rig, ledger: Ledger) -> None:
    """Counters beside which nothing reads the supply; a switch that a person works does not stick unnoticed, so beside
    a connection that has to be lost as well they will do there."""
    others = len(rig.counters_alone) < len(rig.proof_of_cut)
    if not rig.counters_alone or (others and rig.supply is not None and rig.supply.by_hand):
        return
    falls = [proof.point for proof in rig.proof_of_cut if proof.kind == "falls"]
    tell = "tell" if len(rig.counters_alone) > 1 else "tells"
    text = (
        f"{listed(rig.counters_alone)} {tell} that the program began anew, no more (a watchdog beside a relay that "
        "sticks looks the same), and nothing else proves the cut"
    )
    if len(falls) == len(rig.proof_of_cut):
        text = f"{falls[0]} falls when it wraps as well, or where its words are swapped, and {text}"
    ledger.warn(("proof_of_cut",), text, "add a proof that reads the supply, like rail: off")


def _warn_about_contact(rig: Rig, ledger: Ledger) -> None:
    """A lost connection that is the only proof, beside a sign of life that can't speak against it."""
    alive = rig.points.get(rig.ready.alive or "")
    counts = alive is not None and alive.type not in ("bool", "float32")
    if rig.proof_of_cut and all(proof.kind == "contact lost" for proof in rig.proof_of_cut):
        beside = (
            f"; only {alive.shown} speaks against that, if it takes longer than the cut to go round (not a byte)"
            if alive is not None and counts
            else ""
        )
        text = f"a network that drops loses contact as well, and nothing else proves the cut{beside}"
        cure = (
            "add a proof that reads the supply, like rail: off; a counter, like uptime: falls or boots: rises, shows "
            "at least that the program began anew"
        )
        ledger.warn(("proof_of_cut",), text, cure)


def _named(tree: Block, key: str) -> set[str]:
    told = tree.get(key)
    return set(told) if isinstance(told, Block) else set()


def _broken(tree: Block, rig: Rig, ledger: Ledger) -> frozenset[str]:
    """Names whose own entry is faulty or did not become a point or group, their terminals, and what stands for a supply
    or a mode that could not be read as it is written."""
    found: set[str] = set()
    for key, known in (("points", set(rig.points)), ("groups", set(rig.groups))):
        found |= {name for name in _named(tree, key) if name not in known or ledger.is_faulty((key, name))}
    found |= {f"{name}_terminal" for name in found}
    if "supply" in tree and (rig.supply is None or ledger.is_faulty(("supply",))):
        found.add(SUPPLY_BROKEN)
    if "mode" in tree and (rig.mode is None or (not rig.mode.proof and ("proof" in _named(tree, "mode") or found))):
        found.add(MODE_BROKEN)
    return frozenset(found)
