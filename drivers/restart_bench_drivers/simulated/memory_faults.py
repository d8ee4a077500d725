"""What ordered faults do to the memory of the controller when its power comes back."""

from __future__ import annotations

from restart_bench.rig import Point, Value
from restart_bench.scan import Interpreter, State
from restart_bench_drivers.simulated.faults import Playing
from restart_bench_drivers.simulated.tables import registers_of, value_of, width
from restart_bench_drivers.simulated.wiring import Wiring


def restarted(wiring: Wiring, state: State) -> State:
    """Memory after the return of power, up to the program's first scan."""
    machine, faults = wiring.machine, wiring.facts.of_restart
    if any(fault["point"] is None for fault in faults.all("retained-lost")):
        return machine.restart(state, cold=True)
    fresh = machine.first_power_up()
    for fault in faults.all("retained-lost"):
        if machine.is_retained(fault["point"]):
            state = machine.write_saved(state, fault["point"], machine.number(fresh, fault["point"]))
    for fault in faults.all("torn-value"):
        name, point = fault["point"], wiring.rig.points.get(fault["point"])
        if point is not None and width(point) == 2 and machine.is_retained(name):
            torn = _torn(point, machine.saved_number(state, name), machine.number(fresh, name), fault["word"])
            state = machine.write_saved(state, name, torn)
    return machine.restart(state)


def after_first_scan(machine: Interpreter, state: State, faults: Playing) -> State:
    """What a faulty program has written by the end of its first scan."""
    for fault in faults.all("setpoint-overwritten"):
        state = machine.write(state, fault["point"], fault["value"])
    return state


def _torn(point: Point, saved: Value, initial: Value, word: str) -> Value:
    """The saved value with one of its two registers taken from the initial one."""
    good, lost = registers_of(point, saved), registers_of(point, initial)
    high_place = 0 if point.words == "big" else 1
    place = high_place if word == "high" else 1 - high_place
    return value_of(point, (lost[at] if at == place else good[at] for at in (0, 1)))
