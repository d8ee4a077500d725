"""Coils, timers, counters, edges, bistables and conditions of IEC 61131-3, as functions of a list of slots.

Each function here makes a condition (a `Test`) or a rung (a `Run`) out of places in that list; `interpreter` lays the
list out. A block takes its places in a row: its output first, then what it remembers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

SlotValue = bool | int | float
Slots = list[Any]
ConditionTest = Callable[[Slots], Any]
Run = Callable[[Slots, int], None]
"""A rung: slots, and the nanoseconds since the scan before."""

COUNT_MAX = 32767  # CV of CTU and CTD is an INT
COUNT_MIN = -32768


# ---------------------------------------------------------------- conditions


def constant(value: SlotValue) -> ConditionTest:
    """TRUE, FALSE or a number."""
    return lambda slots: value


def read(place: int) -> ConditionTest:
    """What stands at a place."""
    return lambda slots: slots[place]


def negation(inner: ConditionTest) -> ConditionTest:
    """NOT."""
    return lambda slots: not inner(slots)


def comparison(compare: Callable[[Any, Any], bool], left: ConditionTest, right: ConditionTest) -> ConditionTest:
    """One of `COMPARE`, between two numbers."""
    return lambda slots: compare(left(slots), right(slots))


LOGIC: dict[str, Callable[[ConditionTest, ConditionTest], ConditionTest]] = {
    "and": lambda left, right: lambda slots: bool(left(slots)) and bool(right(slots)),
    "or": lambda left, right: lambda slots: bool(left(slots)) or bool(right(slots)),
    "xor": lambda left, right: lambda slots: bool(left(slots)) != bool(right(slots)),
}
COMPARE: dict[str, Callable[[Any, Any], bool]] = {
    "=": lambda left, right: left == right,
    "<>": lambda left, right: left != right,
    "<": lambda left, right: left < right,
    "<=": lambda left, right: left <= right,
    ">": lambda left, right: left > right,
    ">=": lambda left, right: left >= right,
}


# ---------------------------------------------------------------- coils (IEC 61131-3, table of coils)


def coil(place: int, when: ConditionTest) -> Run:
    """( ): copies its condition at every evaluation."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        slots[place] = bool(when(slots))

    return run


def latch(place: int, when: ConditionTest, value: bool) -> Run:
    """(S), (R): takes `value` while its condition is true, otherwise leaves its target as it is."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        if when(slots):
            slots[place] = value

    return run


# ---------------------------------------------------------------- timers: output, elapsed, input of the scan before


def on_delay(place: int, when: ConditionTest, preset_ns: int) -> Run:
    """TON: on once the input has been true for the preset; elapsed time is 0 in the scan in which it rises."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        now, before = bool(when(slots)), slots[place + 2]
        passed = min(preset_ns, slots[place + 1] + elapsed_ns) if now and before else 0
        slots[place : place + 3] = [now and passed >= preset_ns, passed, now]

    return run


def off_delay(place: int, when: ConditionTest, preset_ns: int) -> Run:
    """TOF: on with the input, off once the input has been false for the preset."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        on, passed, before = slots[place : place + 3]
        now = bool(when(slots))
        if now:
            on, passed = True, 0
        elif on:
            passed = 0 if before else min(preset_ns, passed + elapsed_ns)
            on = passed < preset_ns
        slots[place : place + 3] = [on, passed, now]

    return run


def pulse(place: int, when: ConditionTest, preset_ns: int) -> Run:
    """TP: one pulse of the preset's length from a rise of the input, whatever the input does meanwhile. A rise in
    the scan that ends the pulse still falls into it."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        on, passed, before = slots[place : place + 3]
        now = bool(when(slots))
        if on:
            passed = min(preset_ns, passed + elapsed_ns)
            on = passed < preset_ns
        elif now and not before:
            on, passed = preset_ns > 0, 0
        if not on and not now:
            passed = 0
        slots[place : place + 3] = [on, passed, now]

    return run


# ---------------------------------------------------------------- counters: output, count, input of the scan before


def count_up(place: int, when: ConditionTest, clear: ConditionTest, preset: int) -> Run:
    """CTU: `clear` wins; else one more at each rise, up to the largest INT. On when the count reaches the preset."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        count, before = slots[place + 1 : place + 3]
        now = bool(when(slots))
        if clear(slots):
            count = 0
        elif now and not before and count < COUNT_MAX:
            count += 1
        slots[place : place + 3] = [count >= preset, count, now]

    return run


def count_down(place: int, when: ConditionTest, load: ConditionTest, preset: int) -> Run:
    """CTD: `load` wins; else one less at each rise, down to the smallest INT. On when the count is 0 or less."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        count, before = slots[place + 1 : place + 3]
        now = bool(when(slots))
        if load(slots):
            count = preset
        elif now and not before and count > COUNT_MIN:
            count -= 1
        slots[place : place + 3] = [count <= 0, count, now]

    return run


# ---------------------------------------------------------------- edges and bistables


def edge(place: int, when: ConditionTest, *, rising: bool) -> Run:
    """R_TRIG: Q = CLK AND NOT M, M := CLK. F_TRIG: the same with NOT CLK. M starts false."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        now = bool(when(slots)) is rising
        slots[place : place + 2] = [now and not slots[place + 1], now]

    return run


def set_dominant(place: int, set_: ConditionTest, reset: ConditionTest) -> Run:
    """SR: Q1 = S1 OR (NOT R AND Q1)."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        slots[place] = bool(set_(slots)) or (not reset(slots) and slots[place])

    return run


def reset_dominant(place: int, set_: ConditionTest, reset: ConditionTest) -> Run:
    """RS: Q1 = NOT R1 AND (S OR Q1)."""

    def run(slots: Slots, elapsed_ns: int) -> None:
        slots[place] = not reset(slots) and (bool(set_(slots)) or slots[place])

    return run


TIMERS: dict[str, Callable[[int, ConditionTest, int], Run]] = {"TON": on_delay, "TOF": off_delay, "TP": pulse}
COUNTERS: dict[str, Callable[[int, ConditionTest, ConditionTest, int], Run]] = {"CTU": count_up, "CTD": count_down}
BISTABLES: dict[str, Callable[[int, ConditionTest, ConditionTest], Run]] = {"SR": set_dominant, "RS": reset_dominant}
