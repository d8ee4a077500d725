"""What was tested, by whom and with what: facts from run.json and the rig file, put into lines for people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from restart_bench.model.rig import Device, Mode, Proof, Rig, RigSupply, SupplyLimits
from restart_bench.model.scenario import Scenario
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import EXIT_MEANS
from restart_bench.model.ways import BY_HAND, OF_MODE_BY_HAND, way_of
from restart_bench.model.wording import counted, listed, show_conditions, show_value
from restart_bench.report.record.data import DeviceRow, Fact, FactGroup
from restart_bench.report.record.text import number_text

if TYPE_CHECKING:
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.suite.loader import Suite


def fact_groups(run: ArchivedRun, suite: Suite) -> tuple[FactGroup, ...]:
    """All groups that have something to say, in the order in which they are shown."""
    free = (Fact(str(name).replace("_", " "), plain_text(value)) for name, value in suite.rig.record.items())
    groups = (
        FactGroup("As the rig file says", tuple(free)),
        FactGroup("Test", tuple(_test(run, suite))),
        FactGroup("What the rig file asks of every cycle", tuple(_asked_by(suite.rig))),
        FactGroup("Program under test", tuple(_program(run, suite))),
        FactGroup("Sampling", tuple(_sampling(run.run))),
        FactGroup("Bench", tuple(_bench(run.run))),
    )
    return tuple(group for group in groups if group.facts)


def moment(wall: object) -> str:
    """A moment as people read it: "2026-07-27 14:22:33 UTC"; what is no time stays as it is."""
    try:
        return f"{datetime.fromisoformat(str(wall)):%Y-%m-%d %H:%M:%S %Z}".strip()
    except ValueError:
        return str(wall)


def plain_text(value: object) -> str:
    """Free data of a file as one line: lists by semicolons, mappings as "key: value"."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key}: {plain_text(one)}" for key, one in value.items())
    if isinstance(value, list | tuple):
        return "; ".join(plain_text(one) for one in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)


def _test(run: ArchivedRun, suite: Suite) -> Iterator[Fact]:
    fields, rig = run.run, suite.rig
    ended = fields.get("ended") or {}
    yield Fact("test", run.id, code=True)
    yield Fact("rig", rig.name)
    if fields.get("anchor"):
        yield Fact("begun", moment(fields["anchor"].get("wall", "")))
    if ended:
        yield Fact("ended", f"{moment(ended.get('wall', ''))}, {ended.get('how', '')}".strip(", "))
    if fields.get("exit_code") is not None:
        yield Fact("exit code", f"{fields['exit_code']}: {EXIT_MEANS.get(int(fields['exit_code']), 'unknown')}")
    yield Fact("by", str(fields.get("by") or "not said"))
    yield Fact("seed", str(fields.get("seed", "")), code=True)
    yield Fact("planned cycles", str(fields.get("planned_cycles", "")))
    yield Fact("loads", rig.loads + _isolation(rig))
    for name, said in (fields.get("identities") or {}).items():
        yield Fact(f"{name} says it is", str(said))
    for name in fields.get("unheard_devices") or ():
        yield Fact(f"{name} says it is", "not known: it was not heard when asked")
    if fields.get("armed"):
        yield Fact("armed by naming", str(fields["armed"]))
    if fields.get("supply_left"):
        yield Fact("supply left", str(fields["supply_left"]))
    if not fields.get("simulated") and fields.get("operations") is not None:
        yield Fact("operations of the contact", str(fields["operations"]))


def _asked_by(rig: Rig) -> Iterator[Fact]:
    """When the controller counts as running, what proves the cut, what must hold: under these terms it was tested."""
    ready = rig.ready
    within = f"unbroken for {show_duration(ready.steady_ns)}, within {show_duration(ready.within_ns)}"
    alive = f"; alive by {ready.alive}" if ready.alive is not None else ""
    yield Fact("ready", f"{show_conditions(ready.when) or 'not said'}, {within}{alive}")
    yield Fact("proof of the cut", listed(_proof_words(proof) for proof in rig.proof_of_cut))
    demands = (("check channels", rig.check_channels), ("only while", rig.only_while), ("identity", rig.identify))
    yield from (Fact(name, show_conditions(conditions)) for name, conditions in demands if conditions)
    if rig.check_pulse is not None:
        pulse = rig.check_pulse
        yield Fact("check pulse", f"{pulse.write} for {show_duration(pulse.length_ns)}, seen in {pulse.read}")
    if rig.mode is not None:
        yield Fact("run mode", _mode_words(rig.mode))
    if rig.survey_press:
        yield Fact("a survey may press", listed(rig.survey_press))


def _proof_words(proof: Proof) -> str:
    if proof.kind == "contact lost" or proof.point is None:
        return "the controller falls silent"
    return show_conditions(((proof.point, proof.wanted),)) if proof.wanted else f"{proof.point} {proof.kind}"


def _mode_words(mode: Mode) -> str:
    proven = f"; left: {show_conditions(mode.proof)}" if mode.proof else ""
    by_hand = f"by hand, {mode.switch}" if mode.switch else "by hand"
    return f"{by_hand if mode.point is None else f'{mode.point} is {show_value(mode.run)}'}{proven}"


def _isolation(rig: Rig) -> str:
    if rig.isolation is None:
        return ""
    return f"; isolated by {rig.isolation.by}, {rig.isolation.how}, until {rig.isolation.until}"


def _program(run: ArchivedRun, suite: Suite) -> Iterator[Fact]:
    identity = run.run.get("program_identity") or {}
    for point in suite.rig.program:
        values = identity.get(point) or []
        words = [number_text(float(value)) for value in values]
        read = ", then ".join(words) or "not read"
        yield Fact(suite.rig.points[point].shown, f"read as {read}", code=True)
    if not suite.rig.program:
        yield Fact("identity", "the rig file names no point that identifies the program: not shown by the controller")
    if run.run.get("simulated") and suite.program is not None:
        yield Fact("simulated program", suite.program.name)


def program_words(run: ArchivedRun, suite: Suite) -> str:
    """Which program was tested, in short: what its identifying points read, else what is known of it."""
    identity = run.run.get("program_identity") or {}
    read = []
    for point in suite.rig.program:
        words = ", then ".join(number_text(float(value)) for value in identity.get(point) or [])
        read.append(f"{suite.rig.points[point].shown} {words or 'not read'}")
    if run.run.get("simulated") and suite.program is not None:
        read.insert(0, suite.program.name)
    return ", ".join(read) or "not identified by the rig"


def switched_words(run: ArchivedRun, suite: Suite) -> str:
    """What was switched, and how, in short: "supply by modbus-coil, run mode by hand"."""
    simulated = bool(run.run.get("simulated"))
    ways = (_switched(suite.rig, scenario, simulated) for scenario in suite.scenarios)
    return ", ".join(dict.fromkeys(ways)) or "nothing"


def _switched(rig: Rig, scenario: Scenario, simulated: bool) -> str:
    way = way_of(rig, scenario)
    if scenario.how == "mode":
        return f"{way.switched} by {'hand' if way is OF_MODE_BY_HAND else 'a point'}"
    if simulated:
        return f"{way.switched} by a simulated relay"
    if rig.supply is None:
        return f"{way.switched} not by the bench"
    return f"{way.switched} by {'hand' if way is BY_HAND else rig.supply.driver}"


def _sampling(fields: Mapping[str, Any]) -> Iterator[Fact]:
    observer = fields.get("observer") or {}
    for name, device in (observer.get("devices") or {}).items():
        gap = device.get("gap_ns")
        if gap:
            yield Fact(
                f"gaps of {name}",
                f"median {_ms(gap['p50'])}, 99 % {_ms(gap['p99'])}, 99.9 % {_ms(gap['p99.9'])}, largest "
                f"{_ms(gap['max'])}; {gap['count']} gaps, {device.get('missed', 0)} deadlines missed",
            )
        kinds = {kind: number for kind, number in (device.get("kinds") or {}).items() if number}
        if kinds:
            yield Fact(f"samples of {name}", ", ".join(f"{number} {kind}" for kind, number in kinds.items()))
    if observer:
        yield Fact("repeated writes", str(observer.get("write_retries", 0)))


def _ms(ns: float) -> str:
    return f"{ns / 1e6:.2f} ms"


def _bench(fields: Mapping[str, Any]) -> Iterator[Fact]:
    host = fields.get("host") or {}
    if host:
        yield Fact("computer", " ".join(str(host.get(key, "")) for key in ("name", "system", "release")).strip())
    clock = fields.get("clock") or {}
    if clock:
        yield Fact("clock", f"{clock.get('name', '')}, resolution {clock.get('resolution_ns', '?')} ns")
    for name, version in (fields.get("versions") or {}).items():
        yield Fact(str(name), str(version), code=True)


# ---------------------------------------------------------------- devices


def devices(rig: Rig) -> tuple[DeviceRow, ...]:
    """Devices of the rig and its supply, as the rig file describes them."""
    rows = [
        DeviceRow(
            device.name,
            "controller, powered by the supply" if device.powered_by_supply else "independent I/O",
            f"{device.host}:{device.port}, unit {device.unit}",
            ", ".join(_device_details(device)),
        )
        for device in rig.devices.values()
    ]
    if rig.supply is not None:
        rows.append(DeviceRow("supply", "switches the controller's power", *_supply_details(rig.supply)))
    return tuple(rows)


def _device_details(device: Device) -> Iterator[str]:
    yield f"polled every {show_duration(device.poll_ns)}"
    yield f"answer within {show_duration(device.answer_within_ns)}"
    if device.input_delay_ns:
        yield f"input delay {show_duration(device.input_delay_ns)}"
    if device.image_lag_ns:
        yield f"image lag {show_duration(device.image_lag_ns)}"
    yield f"at most {counted(device.connections, 'connection')}"
    yield f"{device.max_bits} bits or {device.max_registers} registers in one answer"


def _supply_details(supply: RigSupply) -> tuple[str, str]:
    settings = ", ".join(f"{key} {plain_text(value)}" for key, value in supply.settings.items())
    return settings, ", ".join(_supply_words(supply))


def _supply_words(supply: RigSupply) -> Iterator[str]:
    yield f"driver {supply.driver}"
    if supply.contact is not None:
        yield f"{supply.contact} contact"
        for name, ns in (("operate", supply.operate_ns), ("release", supply.release_ns), ("bounce", supply.bounce_ns)):
            yield f"{name} {show_duration(ns)}"
    if supply.nominal_volts is not None:
        yield f"nominal {supply.nominal_volts:g} V"
    yield f"at end {supply.at_end}, after trouble {supply.after_trouble}"
    if supply.fallback is not None:
        yield f"fallback {supply.fallback}"
    yield from _limit_words(supply.limits)


def _limit_words(limits: SupplyLimits) -> Iterator[str]:
    if limits.dips_up_to_ns is not None:
        yield f"dips up to {show_duration(limits.dips_up_to_ns)}"
    yield f"off for at least {show_duration(limits.off_at_least_ns)}, on for {show_duration(limits.on_at_least_ns)}"
    if limits.cuts_per_hour is not None:
        yield f"at most {limits.cuts_per_hour:g} cuts an hour"
    if limits.operations is not None:
        yield f"at most {limits.operations} operations"


def record_notes(run: ArchivedRun, suite: Suite) -> tuple[str, ...]:
    """What run.json has to say of the archive itself, and the loader's warnings."""
    return tuple(_notes(run.run, (str(fault) for fault in suite.warnings)))


def _notes(fields: Mapping[str, Any], warnings: Iterable[str]) -> Iterator[str]:
    for name, count in (fields.get("torn_bytes") or {}).items():
        if count:
            yield f"{name}: {count} torn bytes at its end were left out (the bench or its computer was stopped)."
    for name in fields.get("unreadable_samples") or ():
        yield f"The samples of {plain_text(name)} could not be read."
    for text in warnings:
        yield f"From the files: {text}"
