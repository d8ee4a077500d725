"""`look`: reads a rig and shows what it reads. Writes nothing, needs no arming."""

from __future__ import annotations

import socket
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from restart_bench.cli.round_trips import keep, measured
from restart_bench.evidence.reachability import NEIGHBOUR_NS
from restart_bench.evidence.restarts import unit_ns
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.live import Reading, powered_by_proof
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Device, Identity, Point, Rig, Value
from restart_bench.model.units import parse_duration, show_duration
from restart_bench.model.verdicts import EXIT_ERROR
from restart_bench.model.wording import address_word, at_most, listed, rate_text, value_word, without_controls
from restart_bench.observer.diagnosis import (
    DeviceView,
    PointPair,
    all_well,
    pairs_of,
    unit_text,
    view_device,
)
from restart_bench.observer.handle import ObserverHandle
from restart_bench.observer.identification import Greeting, greetings, identities
from restart_bench.observer.sockets import asked_for_on
from restart_bench.report.printing import plain_table
from restart_bench.screen.console import console_for, is_console

_ONCE_NS = 3 * NS_PER_S
_CYCLE_NS = 5 * NS_PER_S  # views look back five to ten seconds
_DRAW_EVERY_S = 0.2
_JUST_NOW_NS = NS_PER_S
_ROOMY = 100  # columns
_COARSE_NS = 5 * NS_PER_S
_ALWAYS_MOVING_NS = 3 * NS_PER_S


def look_at(rig: Rig, lasting: str) -> int:
    """Looks until Ctrl-C on a console, else for `lasting` (3 s). Exit code 4 where a device does not answer.

    Raises Refused on a text that is no duration.
    """
    console = console_for(sys.stdout)
    try:
        ends_ns = parse_duration(lasting) if lasting else None
    except ValueError as problem:
        raise Refused(f"--for {lasting}: {problem}") from None
    relay = ask_relay(rig)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as scratch:
        devices, points = tuple(rig.devices.values()), tuple(rig.points.values())
        heard = greetings(devices)  # before the observer comes: some devices serve one connection alone
        with ObserverHandle(devices, points, Path(scratch)) as observing:
            looker = Looker(rig, observing, heard=heard, relay=relay)
            if is_console(sys.stdout) and ends_ns is None:
                views = _live(looker, console)
            else:
                views = _once(looker, console, now_ns() + (ends_ns or _ONCE_NS))
            doubts = looker.doubts()
    return 0 if all_well(views) and not doubts else EXIT_ERROR


def _live(looker: Looker, console: Console) -> dict[str, DeviceView]:
    with Live(console=console, screen=True, auto_refresh=False) as live:
        try:
            while True:
                looker.look_for(_DRAW_EVERY_S)
                live.update(looker.picture(console.width, footer="Ctrl-C leaves. Nothing is written."), refresh=True)
        except KeyboardInterrupt:
            pass
    console.print(looker.picture(console.width))
    return looker.views()


def _once(looker: Looker, console: Console, ends_ns: int) -> dict[str, DeviceView]:
    while now_ns() < ends_ns:
        looker.look_for(min(_DRAW_EVERY_S, max(0.01, (ends_ns - now_ns()) / NS_PER_S)))
    console.print(looker.picture(console.width))
    return looker.views()


class Looker:
    """Gathers what the observer reads. `own_address` tells this computer's address on the way to a host, `heard` what
    the devices answered when they were asked who they are, `relay` what the relay did."""

    def __init__(
        self,
        rig: Rig,
        observing: ObserverHandle,
        own_address: Callable[[str], str | None] | None = None,
        heard: Mapping[str, Greeting] | None = None,
        relay: RelayView | None = None,
    ) -> None:
        self._rig = rig
        self._observing = observing
        ask = own_address if own_address is not None else own_address_towards
        read = {point.device for point in rig.points.values()}
        self._devices = tuple(device for device in rig.devices.values() if device.name in read)
        self._heard = heard or {}
        self._relay = relay
        self._contrary: str | None = None
        self._clocks = {name: (rig.points[name], unit) for name, unit in _times(rig)}
        self._rose: dict[str, tuple[Reading, Reading]] = {}
        self._own_address = {device.name: ask(device.host) for device in self._devices}
        self._moves: dict[str, list[int]] = {}
        self._cycle = 1
        self._cycle_began_ns = now_ns()
        observing.set_cycle(self._cycle)

    def look_for(self, seconds: float) -> None:
        """Lets time pass and takes in what moved. Raises Refused where the observer failed."""
        deadline = now_ns() + round(seconds * NS_PER_S)
        while (left := deadline - now_ns()) > 0:
            self._observing.wait_news(left / NS_PER_S)
            for move in self._observing.moved():
                moves = self._moves.setdefault(move.point, [])
                moves.append(move.received_ns)
                del moves[:-50]
        self._note_times()
        if self._observing.failed:
            raise Refused(f"the observer failed: {self._observing.failed}")
        if now_ns() - self._cycle_began_ns > _CYCLE_NS:
            self._cycle += 1
            self._cycle_began_ns = now_ns()
            self._observing.set_cycle(self._cycle)

    def _note_times(self) -> None:
        for name in self._clocks:
            reading = self._observing.latest(name)
            if reading is None or reading.value is None:
                continue
            first = self._rose.get(name, (reading, reading))[0]
            began_anew = first.value is None or reading.value < first.value
            self._rose[name] = (reading if began_anew else first, reading)

    def doubts(self) -> list[str]:
        """What is odd although values come: another unit answers, a time does not rise as times do, no relay."""
        devices = {device.name: device for device in self._devices}
        found = [f"{name}: {text}" for name, one in self._heard.items() if (text := unit_text(devices[name], one.unit))]
        for name, (first, last) in self._rose.items():
            point, unit_ns = self._clocks[name]
            rose_s = (float(last.value or 0) - float(first.value or 0)) * unit_ns / NS_PER_S
            if text := rate_text(point, rose_s, (last.received_ns - first.received_ns) / NS_PER_S):
                found.append(text)
        if self._relay is not None and self._relay.problem:
            found.append(self._relay.problem)
        if self._contrary is None:
            self._contrary = self._relay_against_rail()
        return [*found, *([self._contrary] if self._contrary else [])]

    def _relay_against_rail(self) -> str | None:
        """A relay that says the contrary of what the first supply proof reads first: a run would move nothing then. ""
        where they agree, None before both are known (what is switched later contradicts nothing)."""
        says = self._relay.is_on if self._relay is not None else None
        readings = {name: one for name in self._rig.supply_points if (one := self._observing.latest(name)) is not None}
        shown = powered_by_proof(self._rig.proof_of_cut, readings)
        if says is None or shown is None:
            return None
        name, reading = next(iter(readings.items()))
        if says is shown or reading.value is None:
            return ""
        from restart_bench.run.actuators import relay_against_rail

        return relay_against_rail(self._rig, says, f"{name} reads {value_word(reading.value)}")

    def views(self) -> dict[str, DeviceView]:
        """Every device as it answered in the last seconds."""
        kept = [self._observing.samples(cycle) for cycle in (self._cycle - 1, self._cycle) if cycle > 0]
        return {
            device.name: view_device(
                device,
                [one[device.name] for one in kept if device.name in one],
                now_ns(),
                self._own_address[device.name],
            )
            for device in self._devices
        }

    def picture(self, width: int, footer: str = "") -> RenderableType:
        """Points and devices as tables."""
        parts: list[RenderableType] = [
            Text(without_controls(self._rig.name), style="bold"),
            self._points(width),
            self._device_table(width),
        ]
        parts += self._what_is_wrong()
        parts += self._what_they_are()
        if footer:
            parts.append(Text(footer, style="dim"))
        return Group(*parts)

    def _points(self, width: int) -> Table:
        table = plain_table("point", "reads", "terminal", "moved", gap=2)
        if width >= 110:
            table.add_column("where", style="dim")
        for pair in pairs_of(self._rig):
            cells = [Text(without_controls(pair.point.shown)), self._value(pair.point), *self._terminal(pair)]
            cells.append(Text(self._moved(pair)))
            if width >= 110:
                cells.append(Text(f"{pair.point.device}: {address_word(pair.point)}"))
            table.add_row(*cells)
        return table

    def _terminal(self, pair: PointPair) -> list[Text]:
        if pair.terminal is None:
            return [Text()]
        text = self._value(pair.terminal)
        said, seen = self._read(pair.point), self._read(pair.terminal)
        if said is not None and seen is not None and bool(said) != bool(seen):
            text.append("  differs", style="bold red")
        return [text]

    def _value(self, point: Point) -> Text:
        value = self._read(point)
        if value is None:
            return Text("no reading", style="dim")
        word = value_word(bool(value) if point.is_boolean else value)
        return Text(f"{word} {point.unit}".rstrip(), style="bold green" if point.is_boolean and value else "")

    def _read(self, point: Point) -> Value | None:
        reading = self._observing.latest(point.name)
        return None if reading is None else reading.value

    def _moved(self, pair: PointPair) -> str:
        names = [pair.point.name, *([pair.terminal.name] if pair.terminal is not None else [])]
        moves = sorted(move for name in names for move in self._moves.get(name, ()))
        if not moves:
            return ""
        ago = now_ns() - moves[-1]
        if len(moves) >= 10 and moves[-1] - moves[-10] < _ALWAYS_MOVING_NS:
            return "all the time"
        return "NOW" if ago < _JUST_NOW_NS else f"{show_duration(ago // NS_PER_S * NS_PER_S)} ago"

    def _device_table(self, width: int) -> Table:
        heads = ("device", "at", "answers", "none", "median", "longest", "sees pulses of")
        table = plain_table(*heads, gap=2 if width >= _ROOMY else 1, overflow="fold", unbroken=("at",))
        for view in self.views().values():
            times = [_ms(view.answer_median_ns), _ms(view.answer_longest_ns), _ms(view.excludes_ns)]
            table.add_row(view.name, view.where, str(view.good), str(view.bad or ""), *times)
        return table

    def _what_they_are(self) -> list[RenderableType]:
        """What the devices say of themselves; a simulated rig first of all."""
        identity_lines = [
            Text(f"{name} says it is: {without_controls(one.shown)}", style="dim") for name, one in self._said()
        ]
        if any(one.is_simulated for _, one in self._said()):
            return [Text("SIMULATED RIG: no hardware stands at these addresses.", style="bold yellow"), *identity_lines]
        return [*identity_lines]

    def _said(self) -> list[tuple[str, Identity]]:
        return [(name, one) for name, one in identities(self._heard).items() if one.shown]

    def _what_is_wrong(self) -> list[RenderableType]:
        wrong = [f"{view.name}: {view.wrong}" for view in self.views().values() if view.wrong]
        swapped = perhaps_swapped(self._rig, self.views(), self._read)
        said = [*wrong, *self.doubts(), *([swapped] if swapped else [])]
        problems = [Text(without_controls(text), style="bold red") for text in said]
        silent = [device for device in self._devices if not self.views()[device.name].good]
        told = [*forgotten_addresses(silent), *coarse_times(self._rig)]
        notes = [Text(without_controls(text), style="yellow") for text in told]
        relay = [Text(self._relay.says, style="dim")] if self._relay is not None and self._relay.says else []
        return [*relay, *([] if wrong else [Text("All devices answer.", style="green")]), *problems, *notes]


@dataclass(frozen=True, slots=True)
class RelayView:
    """What the supply's hardware says of itself: how it stands, or what is wrong with it."""

    says: str = ""
    problem: str = ""
    is_on: bool | None = None


def ask_relay(rig: Rig) -> RelayView | None:
    """How the supply stands, where it can be asked and asking moves nothing; None where it can't. How long it takes
    to answer is kept for `check`."""
    from restart_bench.run.arming import SupplyLock
    from restart_bench_drivers.interface import SupplyError
    from restart_bench_drivers.registry import cards, open_supply

    card = cards().get(rig.supply.driver) if rig.supply is not None else None
    if rig.supply is None or card is None or card.needs_person or not (card.quiet_open and card.reads_back):
        return None
    try:
        with ExitStack() as stack:
            stack.enter_context(SupplyLock(rig.supply))
            supply = open_supply(rig.supply.driver, rig.supply.settings, contact=rig.supply.contact, ask=None)
            stack.callback(supply.close)
            is_on = supply.is_on()
            stands = {True: "on", False: "off", None: "in a state that it does not tell"}[is_on]
            longest_ns = measured(supply.is_on)
            told = f"The relay says that the supply is {stands}. It answers within {_ms(longest_ns)}."
            return RelayView(" ".join(filter(None, (told, keep(rig, longest_ns)))), is_on=is_on)
    except Refused:
        return RelayView(says="The relay was not asked: another bench holds it.")
    except SupplyError as problem:
        return RelayView(problem=str(problem))


def _times(rig: Rig) -> Iterator[tuple[str, int]]:
    """Points that tell how long the controller has run, with the length of their unit."""
    for proof in rig.proof_of_cut:
        if proof.kind == "falls" and proof.point is not None and (unit := unit_ns(rig.points[proof.point])):
            yield proof.point, unit


def perhaps_swapped(rig: Rig, views: Mapping[str, DeviceView], read: Callable[[Point], Value | None]) -> str:
    """A hint that devices may have changed places; "" where fewer than two of them look like another one: requests that
    draw an exception each time, an identity or a check channel that reads otherwise than the rig file says."""
    strange = {name for name, view in views.items() if "answers with exception" in view.wrong}
    for name, wanted in (*rig.identify, *rig.check_channels):
        value = read(rig.points[name])
        if value is not None and not wanted.met_by(value):
            strange.add(rig.points[name].device)
    if len(strange) < 2:
        return ""
    places = listed(f"{name} ({rig.devices[name].host}:{rig.devices[name].port})" for name in sorted(strange))
    return f"{places} all answer as if they were others: have they changed places? Look at `host:` and `port:` of each"


def forgotten_addresses(devices: Iterable[Device]) -> Iterator[str]:
    """Of devices that do not answer: whose network address this computer does not know, which no program of theirs
    decides."""
    for device in devices:
        if cable := asked_for_on(device.host):
            yield (
                f"{device.name}: nobody on {cable} says that {device.host} is its address (asked for once a second): "
                "it is off, on another network, or has another address. Back from the dark its first answer may come "
                f"up to {at_most(NEIGHBOUR_NS)} late for that"
            )


def coarse_times(rig: Rig) -> Iterator[str]:
    """Times of `proof_of_cut: falls` whose one step is longer than most cycles: from 0 nothing falls."""
    for name, unit in _times(rig):
        point = rig.points[name]
        step_ns = round(unit * abs(point.scale)) if point.type != "float32" else 0
        if step_ns >= _COARSE_NS:
            yield (
                f"{point.shown} tells whole steps of {show_duration(step_ns)}: in a cycle with less than that before "
                "the cut it reads 0, from which nothing falls, so it proves no restart there"
            )


def _ms(ns: int | None) -> str:
    if ns is None:
        return "-"
    return f"{ns / 1e6:.1f} ms" if ns < NS_PER_S else f"{ns / NS_PER_S:.1f} s"


def own_address_towards(host: str) -> str | None:
    """This computer's own address on the way to `host`; "" where no way leads there, None where nobody can tell.

    A connected UDP socket sends nothing: it only asks the routing table.
    """
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
            asker.connect((host, 9))
            return str(asker.getsockname()[0])
    except socket.gaierror:
        return None
    except OSError:
        return ""
