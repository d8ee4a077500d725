"""Devices, points and their terminals of a rig file."""

from __future__ import annotations

from dataclasses import replace

from restart_bench.files.cures import closest
from restart_bench.files.validation import KeyPath, Ledger
from restart_bench.model.rig import BIT_TABLES, REGISTERS_OF, Device, Levels, Point, PointLimits, Table
from restart_bench.suite.names import value_for
from restart_bench.suite.rig_schema import DatumIn, DeviceIn, PointIn, RigIn, TerminalIn

TABLES: tuple[Table, ...] = ("coil", "discrete_input", "input_register", "holding_register")


def devices_of(model: RigIn, ledger: Ledger) -> dict[str, Device]:
    """The devices by name. One of them at most is the controller."""
    found: dict[str, Device] = {}
    controller = ""
    for name, told in model.devices.items():
        path: KeyPath = ("devices", name)
        if name == "supply":
            ledger.fault(path, "can't be a device's name: it is the supply's own", "choose another, like relay_box")
            continue
        if told.powered_by is not None and controller:
            text = f"is powered by the supply, and so is {controller}"
            ledger.fault((*path, "powered_by"), text, "one controller is tested at a time; make a rig file for each")
        controller = controller or (name if told.powered_by is not None else "")
        found[name] = _device(name, told)
    return found


def _device(name: str, told: DeviceIn) -> Device:
    return Device(
        name=name,
        host=told.host,
        port=told.port,
        unit=told.unit,
        poll_ns=told.poll,
        answer_within_ns=told.answer_within,
        input_delay_ns=told.input_delay,
        image_lag_ns=told.image_lag,
        connections=told.connections,
        max_bits=told.max_bits,
        max_registers=told.max_registers,
        powered_by_supply=told.powered_by is not None,
    )


def points_of(model: RigIn, devices: dict[str, Device], ledger: Ledger) -> dict[str, Point]:
    """The points by name, in file order; an inline terminal follows the point that has it."""
    found: dict[str, Point] = {}
    for name, told in model.points.items():
        path: KeyPath = ("points", name)
        point = _datum(name, told, told.device, devices, path, ledger)
        if point is None:
            continue
        point = _worked(point, told, path, ledger)
        found[name] = point
        if isinstance(told.terminal, TerminalIn):
            terminal = _inline_terminal(name, told.terminal, model, devices, path, ledger)
            if terminal is None:
                del found[name]  # else it would count as an output without a terminal, and be told of as such
            else:
                found[terminal.name] = terminal
                found[name] = replace(point, terminal=terminal.name)
        elif told.terminal is not None:
            found[name] = replace(point, terminal=told.terminal)
    for name in model.points:
        if name in found:
            found[name] = _checked_terminal(found[name], model, found, devices, ledger)
    return found


def _datum(
    name: str, told: DatumIn, device: str | None, devices: dict[str, Device], path: KeyPath, ledger: Ledger
) -> Point | None:
    """Where the point lies and how it is read; None, with a fault, where that can't be told."""
    tables = [table for table in TABLES if getattr(told, table) is not None]
    if len(tables) != 1:
        if not any(ledger.is_faulty((*path, table)) for table in TABLES):
            what = "has no address" if not tables else f"has {len(tables)} addresses"
            ledger.fault(path, what, "write one of coil:, discrete_input:, input_register:, holding_register:")
        return None
    if device is None:
        ledger.fault((*path, "device"), "is missing", f"add device:, one of {', '.join(devices) or 'the devices'}")
        return None
    if device not in devices:
        if not ledger.is_faulty(("devices", device)):
            near = closest(device, devices)
            cure = f"did you mean {near}?" if near else f"the rig has {', '.join(devices) or 'no devices'}"
            ledger.fault((*path, "device"), f"{device} is no device of the rig", cure)
        return None
    table = tables[0]
    address: int = getattr(told, table)
    if table in BIT_TABLES:
        return _bit(Point(name, device, table, address, label=told.label or "", proven=told.proven), told, path, ledger)
    kind = told.type or "uint16"
    if kind == "bool":
        cure = "read it as off or on with levels: {off_below: ..., on_above: ...}"
        ledger.fault((*path, "type"), "bool is no type of a register", cure)
        return None
    if address + REGISTERS_OF[kind] > 65536:
        ledger.fault((*path, table), f"{address} leaves no room for the second register of {kind}", "65534 is the last")
        return None
    if told.words is not None and REGISTERS_OF[kind] == 1:
        ledger.fault((*path, "words"), f"{kind} has one register only", "delete words:, or correct type:")
    if told.scale == 0:
        ledger.fault((*path, "scale"), "0 makes every value 0", "write another number")
    levels = None
    if told.levels is not None:
        levels = Levels(told.levels.off_below, told.levels.on_above)
        if levels.off_below >= levels.on_above:
            ledger.fault(
                (*path, "levels"), "off_below is not below on_above", "write the lower level behind off_below:"
            )
    return Point(
        name,
        device,
        table,
        address,
        type=kind,
        words=told.words or "big",
        scale=told.scale if told.scale is not None else 1.0,
        unit=told.unit or "",
        levels=levels,
        label=told.label or "",
        proven=told.proven,
    )


def _bit(point: Point, told: DatumIn, path: KeyPath, ledger: Ledger) -> Point:
    """A coil or discrete input is off or on, and nothing else about its reading can be said."""
    for name in ("words", "scale", "unit", "levels"):
        if getattr(told, name) is not None:
            ledger.fault((*path, name), f"a {_spoken(point.table)} is off or on", f"delete {name}:, or name a register")
    if told.type not in (None, "bool"):
        text = f"{told.type} is no type of a {_spoken(point.table)}"
        ledger.fault((*path, "type"), text, "delete type:, or name a register")
    return point


def _worked(point: Point, told: PointIn, path: KeyPath, ledger: Ledger) -> Point:
    """What the bench or a person does with the point."""
    if told.writable and point.table not in ("coil", "holding_register"):
        cure = "delete writable:, or name a coil or a holding register"
        ledger.fault((*path, "writable"), f"a {_spoken(point.table)} can't be written", cure)
    if told.writable and told.by_hand is not None:
        ledger.fault((*path, "by_hand"), "a person works it, and the bench writes it", "delete by_hand: or writable:")
    if told.by_hand is not None and told.idle is None:
        ledger.fault((*path, "idle"), "is missing", "add what it reads while nobody presses, like idle: off")
    idle = told.idle
    if idle is not None:
        idle = value_for((*path, "idle"), idle, point, ledger)
        unsure = ledger.is_faulty((*path, "writable")) or ledger.is_faulty((*path, "by_hand"))
        if not told.writable and told.by_hand is None and not unsure:
            cure = "add writable: yes, or by_hand:, or delete idle:"
            ledger.fault((*path, "idle"), "nobody works this point", cure)
    limits = None
    if told.limits is not None:
        limits = PointLimits(told.limits.starts_per_hour, told.limits.off_at_least)
    return replace(point, writable=told.writable, idle=idle, by_hand=told.by_hand, limits=limits)


def _inline_terminal(
    owner: str, told: TerminalIn, model: RigIn, devices: dict[str, Device], path: KeyPath, ledger: Ledger
) -> Point | None:
    """The point that a `terminal: {...}` makes."""
    path = (*path, "terminal")
    device = told.device
    independents = [one.name for one in devices.values() if not one.powered_by_supply]
    if device is None:
        if len(independents) != 1:
            if ledger.is_faulty(("devices",)):
                return None
            what = "no independent device can see it" if not independents else "which independent device sees it?"
            cure = "add a device without powered_by" if not independents else f"add device: {' or '.join(independents)}"
            ledger.fault((*path, "device"), what, cure)
            return None
        device = independents[0]
    name = f"{owner}_terminal"
    if name in model.points:
        ledger.fault(path, f"makes the point {name}, which is there already", f"write terminal: {name}")
        return None
    point = _datum(name, told, device, devices, path, ledger)
    return None if point is None else replace(point, inline_terminal=True)


def _checked_terminal(
    point: Point, model: RigIn, points: dict[str, Point], devices: dict[str, Device], ledger: Ledger
) -> Point:
    """The point, without its terminal where that can't serve as one."""
    path: KeyPath = ("points", point.name, "terminal")
    if point.terminal is None:
        return point
    terminal = points.get(point.terminal)
    if terminal is None:
        if point.terminal not in model.points and not ledger.is_faulty(("points", point.terminal)):
            near = closest(point.terminal, points)
            cure = f"did you mean {near}?" if near else "name a point, or write {discrete_input: ADDRESS}"
            ledger.fault(path, f"{point.terminal} is no point of the rig", cure)
        return replace(point, terminal=None)
    if terminal.name == point.name:
        ledger.fault(path, "a point can't be its own terminal", "name the independent input that is wired to it")
        return replace(point, terminal=None)
    if devices[terminal.device].powered_by_supply:
        cure = "name an independent device: it has to see the output while the controller is dark"
        ledger.fault(path, f"is read on {terminal.device}, which goes dark with the supply", cure)
        return replace(point, terminal=None)
    if terminal.is_boolean != point.is_boolean:
        words = {True: "off or on", False: "a number"}
        text = f"{terminal.name} is {words[terminal.is_boolean]}, and {point.name} is {words[point.is_boolean]}"
        ledger.fault(path, text, "give the register levels: {off_below: ..., on_above: ...}")
        return replace(point, terminal=None)
    if point.writable and devices[point.device].powered_by_supply:
        text = "the bench may write this output of the controller"
        ledger.warn((*path[:-1], "writable"), text, "delete writable: unless a scenario has to write it")
    return point


def _spoken(table: Table) -> str:
    return table.replace("_", " ")
