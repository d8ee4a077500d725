"""A plain controller, made from the README's "How a scan goes" alone: it knows no interpreter and no predictor.

Blocks hold their output first: a timer its elapsed time and the input of the scan before, a counter its count and that
input, an edge its edge memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any

from restart_bench.model.program import Bistable, Coil, Counter, Edge, Expr, Memory, Program, Reset, Rung, Set, Timer

Held = Mapping[str, Any]
LONGEST = 300  # scans until everything comes again


@dataclass(frozen=True)
class At:
    """All that a controller knows between two scans. saved: what a loss of supply leaves; first: the next scan is a
    first one."""

    live: Held
    saved: Held
    first: bool


@dataclass(frozen=True)
class Shown:
    """What an output did after a restart. ends: "on", "off", "never" settles, None where that was not awaited; longest:
    scans that a pulse lasted, as far as outputs at the end of scans show it."""

    begins: bool
    first: bool
    ends: str | None
    pulses: bool
    longest: int


class Controller:
    """Goes through a program, rung by rung."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self.rest = {one.name: one.rest for one in program.inputs}
        driven = {_driven(rung): rung for rung in program.rungs}
        self.undriven = [name for name in program.memory if name not in driven]
        self.outputs = [name for name, rung in driven.items() if isinstance(rung, Coil | Set | Reset)]
        self.coils = [name for name, rung in driven.items() if isinstance(rung, Coil)]
        self.initial = {name: self._initial(name, driven.get(name)) for name in [*driven, *self.undriven]}

    def _initial(self, name: str, rung: Rung | None) -> tuple[Any, ...]:
        initial = self.program.memory.get(name, Memory(name)).initial
        if isinstance(rung, Timer | Counter):
            return (False, int(initial), False)
        return (False, False) if isinstance(rung, Edge) else (initial,)

    # ------------------------------------------------------------ power and mode

    def power_up(self) -> At:
        """For the first time."""
        return self._started(self.initial)

    def cut(self, at: At, inputs: Held, rungs: int, *, cold: bool = False) -> At:
        """The supply is lost after some rungs of a scan, and comes back."""
        live = dict(at.live)
        for rung in self.program.rungs[:rungs]:
            self._go(rung, live, inputs, at.first)
        saved = at.saved if self.program.saved == "at scan end" else self._kept(live)
        return self._started(self.initial | ({} if cold else dict(saved)))

    def leave_run(self, at: At) -> At:
        """Run mode is left and entered again."""
        return self._passed(at.live, at.saved)

    def _started(self, live: Held) -> At:
        return self._passed(live, self._kept(live))

    def _passed(self, live: Held, saved: Held) -> At:
        """The start pass, if there is one."""
        if self.program.start_pass == "none":
            return At(live, saved, True)
        live = {**live, **dict.fromkeys(self.coils, (False,))}
        return At(live, self._kept(live) if self.program.saved == "at once" else saved, True)

    def _kept(self, live: Held) -> Held:
        return {name: values for name, values in live.items() if self.program.memory.get(name, Memory(name)).retained}

    def write(self, at: At, values: Held) -> At:
        """Somebody outside writes, between two scans."""
        live = {**at.live, **{name: (value,) for name, value in values.items()}}
        return At(live, self._kept(live) if self.program.saved == "at once" else at.saved, at.first)

    # ------------------------------------------------------------ one scan

    def scan(self, at: At, inputs: Held) -> tuple[At, list[dict[str, bool]]]:
        """A whole scan, and what the terminals show during and after it."""
        live, shown = dict(at.live), []
        for rung in self.program.rungs:
            self._go(rung, live, inputs, at.first)
            if self.program.outputs == "at once" or rung is self.program.rungs[-1]:
                shown.append({name: bool(live[name][0]) for name in self.outputs})
        return At(live, self._kept(live), False), shown

    def _go(self, rung: Rung, live: dict[str, tuple[Any, ...]], inputs: Held, first: bool) -> None:
        def on(expr: Expr | None) -> bool:
            return expr is not None and bool(_value(expr, live, self.rest | dict(inputs), first))

        name, (held, *more) = _driven(rung), live[_driven(rung)]
        match rung:
            case Coil():
                live[name] = (on(rung.when),)
            case Set() | Reset():
                live[name] = (isinstance(rung, Set) if on(rung.when) else held,)
            case Bistable(kind="SR"):
                live[name] = (on(rung.set) or (held and not on(rung.reset)),)
            case Bistable():
                live[name] = (not on(rung.reset) and (on(rung.set) or held),)
            case Edge():
                now = on(rung.when) == (rung.kind == "rising")
                live[name] = (now and not more[0], now)
            case Counter():
                now, count, step = on(rung.when), more[0], 1 if rung.kind == "CTU" else -1
                count += step if now and not more[1] else 0
                if on(rung.reset):
                    count = 0 if rung.kind == "CTU" else rung.preset
                live[name] = (count >= rung.preset if rung.kind == "CTU" else count <= 0, count, now)
            case Timer():
                passed = 0 if first else self.program.scan_ns
                live[name] = _timed(rung, bool(held), more[0] + passed, more[0], bool(more[1]), on(rung.when))

    def rested(self, at: At, inputs: Held, least: int) -> At:
        """So many scans, and on until nothing moves, or, where something always does, for long."""
        for number in range(least + LONGEST):
            before, (at, _) = at, self.scan(at, inputs)
            if number >= least and at == before:
                break
        return at

    # ------------------------------------------------------------ after a restart

    def watch(self, at: At, held: Sequence[Held]) -> dict[str, Shown]:
        """What every output does, with inputs for one scan each, the last for good."""
        begins = {name: bool(at.live[name][0]) for name in self.outputs}
        scans: list[list[dict[str, bool]]] = []
        seen: dict[Any, int] = {}
        while len(scans) < LONGEST:
            if len(scans) >= len(held) - 1:
                key = (tuple(at.live.values()), at.first)
                if key in seen:
                    break
                seen[key] = len(scans)
            at, shown = self.scan(at, held[min(len(scans), len(held) - 1)])
            scans.append(shown)
        again = scans[seen[key] :] if len(scans) < LONGEST else []
        return {name: _told(name, begins[name], scans, again) for name in self.outputs}


def _timed(rung: Timer, on: bool, later: int, passed: int, before: bool, now: bool) -> tuple[bool, int, bool]:
    """A timer after a scan. later: its time if it ran in this scan."""
    if rung.kind == "TON":
        time = min(rung.preset_ns, later) if now and before else 0
        return now and time >= rung.preset_ns, time, now
    if rung.kind == "TOF":
        time = 0 if now or before or not on else min(rung.preset_ns, later)
        return now or (on and time < rung.preset_ns), time, now
    time = min(rung.preset_ns, later) if on else 0 if now and not before else passed
    lasts = time < rung.preset_ns if on else now and not before
    return lasts, time if lasts or now else 0, now


def _value(expr: Expr, live: Held, inputs: Held, first: bool) -> Any:
    word, *parts = expr
    if word == "const":
        return parts[0]
    if word == "name":
        name = parts[0]
        return first if name == "first_scan" else inputs[name] if name in inputs else live[name][0]
    if word == "not":
        return not _value(parts[0], live, inputs, first)
    if word in ("and", "or", "xor"):
        left, right = (bool(_value(part, live, inputs, first)) for part in parts)
        return (left and right) if word == "and" else (left or right) if word == "or" else left != right
    left, right = (_number(part, live, inputs) for part in parts)
    signs = {"=": left == right, "<>": left != right, "<": left < right, "<=": left <= right}
    return (signs | {">": left > right, ">=": left >= right})[word]


def _number(expr: Expr, live: Held, inputs: Held) -> Any:
    """A side of a comparison; a counter is its count."""
    word, what = expr
    if word == "const" or what in inputs:
        return what if word == "const" else inputs[what]
    return live[what][1] if len(live[what]) == 3 else live[what][0]


def _told(name: str, begins: bool, scans: list[list[dict[str, bool]]], again: list[list[dict[str, bool]]]) -> Shown:
    line = [one[name] for shown in [*scans, *again] for one in shown]
    pulses = any(one and not other for one, other in pairwise(line))
    lasting = {one[name] for shown in again for one in shown}
    ends = None if not again else "never" if len(lasting) > 1 else "on" if True in lasting else "off"
    runs = [(on, len(list(run))) for on, run in groupby(one[-1][name] for one in [*scans, *again])]
    longest = max((length for on, length in runs[:-1] if on), default=0)
    return Shown(begins, scans[0][-1][name], ends, pulses, longest)


def _driven(rung: Rung) -> str:
    return rung.target if isinstance(rung, Coil | Set | Reset) else rung.name
