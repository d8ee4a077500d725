"""`park`: pressed points back to idle, the supply to its normal end, killed runs closed. Needs arming like a run."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from restart_bench.archive.known_archives import remember
from restart_bench.archive.writer import Report
from restart_bench.model.clock import NS_PER_S, now_ns
from restart_bench.model.journal import Record, Trouble
from restart_bench.model.outcome import Refused
from restart_bench.model.rig import Rig, Value
from restart_bench.observer.handle import Blind, ObserverHandle
from restart_bench.observer.identification import greetings, identities
from restart_bench.run.actuators import Actuators, SupplyLeft, idle_values, reach_supply
from restart_bench.run.arming import SupplyLock, manual_step, require_arming
from restart_bench.run.recovery import NotRight, holder_of, left_open, put_right, told_of_open, was_armed
from restart_bench.run.run_json import simulated_among
from restart_bench.run.supervision import Conditions, StopRequest
from restart_bench.run.usage import used_by_now
from restart_bench_drivers.interface import AskPerson

_FIRST_READ_WITHIN_NS = 3 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Parked:
    """How the rig was left: points that could not be shown at idle, the supply, and the runs that were closed."""

    not_idle: tuple[str, ...]
    supply: SupplyLeft
    closed: tuple[Path, ...]
    still_open: tuple[str, ...] = ()  # killed runs of this rig

    @property
    def well(self) -> bool:
        """True where everything was shown to be where it belongs, and no run is left open."""
        return not self.not_idle and not self.supply.trouble and not self.still_open


def park(
    rig: Rig,
    *,
    logs: Path,
    arm: str | None,
    ask: AskPerson | None,
    say: Callable[[str], None],
    record: Report | None = None,
) -> Parked:
    """Puts the rig to rest. Raises Refused where it is not armed or its supply is held by another bench."""
    try:
        require_arming(rig, arm, now=datetime.now().astimezone())
    except Refused as refused:
        left = told_of_open(logs, rig)
        raise Refused(f"{refused}\n{left}") if left else refused from None
    with ExitStack() as stack:
        if rig.supply is not None:
            stack.enter_context(SupplyLock(rig.supply, lambda: holder_of(logs, rig)))
        _say_simulated(rig, say)
        observer = stack.enter_context(_start_observer(rig, say))
        stop = StopRequest()
        supply, problem = reach_supply(rig.supply, ask, stop, stack)
        stack.enter_context(stop.hears_signals())  # it is on the way to rest: whoever hurries it gets nothing sooner

        def publish(record: Record) -> None:
            if isinstance(record, Trouble):
                say(record.text)

        actuators = Actuators(
            rig,
            observer,
            supply,
            allowed=frozenset(),
            publish=publish,
            ask=ask,
            stop=stop,
            heed_limits=True,
        )
        actuators.forbids = Conditions(rig, observer, isolation=True).forbids
        return _put_to_rest(rig, actuators, observer, logs, say, problem, record)


def _say_simulated(rig: Rig, say: Callable[[str], None]) -> None:
    """Whoever parks a simulated rig reads that no hardware is put to rest. It takes a second at most."""
    with suppress(Exception):  # nothing of this may keep the rig from its rest
        simulated = simulated_among(identities(greetings(rig.devices.values())))
        if simulated:
            say(f"SIMULATED RIG: {', '.join(simulated)} said so on the wire; no hardware is put to rest there")


def _start_observer(rig: Rig, say: Callable[[str], None]) -> ObserverHandle:
    """An observer; where none can be started the supply is put to rest all the same."""
    try:
        return ObserverHandle(tuple(rig.devices.values()), tuple(rig.points.values()), None)
    except Exception as problem:
        say(f"the observer could not be started, so no point can be written or read: {problem}")
        return Blind(str(problem))


def _put_to_rest(
    rig: Rig,
    actuators: Actuators,
    observer: ObserverHandle,
    logs: Path,
    say: Callable[[str], None],
    problem: str,
    record: Report | None,
) -> Parked:
    actuators.state.off_since_ns = used_by_now(logs, rig).off_since_ns
    if note := remember(rig, logs):
        say(note)
    held = ""
    closed: tuple[Path, ...] = ()
    try:
        closed = put_right(
            left_open(logs, rig), actuators, rig, say=say, armed=True, supply_problem=problem, record=record
        )
    except NotRight as not_right:
        held = str(not_right)
        say(held)
    pressed = pressed_points(rig, observer)
    if pressed:
        say(f"back to idle: {', '.join(pressed)}")
    dark = {name for name in pressed if _is_dark(rig, observer, name)}
    actuators.undo({name: idle for name, idle in pressed.items() if name not in dark})
    not_idle = actuators.all_to_idle(say)
    left = _supply_to_rest(rig, actuators, problem, held, say)
    if dark:  # nobody could tell what they are before: of what is silent for want of power nothing is known
        actuators.undo({name: idle for name, idle in pressed_points(rig, observer).items() if name in dark})
        not_idle = actuators.all_to_idle(say)
    still_open = tuple(path.name for path in left_open(logs, rig) if was_armed(path))
    held_on = actuators.held() if held else ()
    return Parked(not_idle or held_on, left, () if problem or held else closed, still_open)


def _supply_to_rest(rig: Rig, actuators: Actuators, problem: str, held: str, say: Callable[[str], None]) -> SupplyLeft:
    """To its normal end; where what a killed run holds could not be let go of, it may go off, but not on."""
    wish = rig.supply.at_end if rig.supply is not None else "as it is"
    if problem:
        say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {problem}; {manual_step(wish, rig)}")
        return SupplyLeft("unknown", problem)
    if held and wish != "off":
        return SupplyLeft("as it is", f"not switched on, {held}")
    if rig.supply is None:
        return SupplyLeft("none")
    say(f"the supply goes to its normal end: {wish}")
    actuators.state.commanded = "unknown"
    return actuators.leave_supply(wish, "park", say)


def _is_dark(rig: Rig, observer: ObserverHandle, name: str) -> bool:
    """Not read, on a device that has no power while the supply is off."""
    return rig.devices[rig.points[name].device].powered_by_supply and _read(observer, name) is None


def pressed_points(rig: Rig, observer: ObserverHandle) -> dict[str, Value]:
    """Writable points with an idle value that read otherwise; silent ones are taken for pressed. A number is a setting
    that somebody made and no button: only a killed run that wrote it has it put back."""
    wanted = {name: value for name, value in idle_values(rig).items() if rig.points[name].is_boolean}
    deadline = now_ns() + _FIRST_READ_WITHIN_NS
    while not observer.failed and now_ns() < deadline and not all(_read(observer, name) is not None for name in wanted):
        observer.wait_news(0.05)
    return {name: idle for name, idle in wanted.items() if _read(observer, name) != idle}


def _read(observer: ObserverHandle, name: str) -> Value | None:
    reading = observer.latest(name)
    return None if reading is None else reading.value
