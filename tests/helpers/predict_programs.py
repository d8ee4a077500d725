"""Generated programs for the tests of predictions: small, of every kind of rung, and each with its seed."""

from __future__ import annotations

import random
from dataclasses import replace

from restart_bench.model.program import (
    Bistable,
    Coil,
    Counter,
    Edge,
    Expr,
    Input,
    Memory,
    Program,
    Reset,
    Rung,
    Set,
    Timer,
)

MS = 1_000_000


def generated(
    seed: int, rungs: int = 8, *, timers: bool = False, counters: bool = True, outside: bool = False
) -> Program:
    """A random program of about so many rungs; the same seed gives the same. outside: with a measured value, and a bit
    and a number that somebody outside writes."""
    return _Maker(random.Random(seed), rungs, timers, counters, outside).program(seed)


def made_odd(program: Program, seed: int) -> Program:
    """The same with what is seldom written: times that no number of scans makes up, counts beyond what is told apart
    one by one and from 0 down, names that are set and reset in several places, a number that a person dials."""
    draw = random.Random(seed)
    rungs = [_odd(draw, rung) for rung in program.rungs]
    pairs = [rung for rung in rungs if isinstance(rung, Set | Reset)]
    for rung in draw.sample(pairs, min(2, len(pairs))):
        when: Expr = ("and", ("name", draw.choice(program.inputs[:1]).name), (">", ("name", "dial"), ("const", 2)))
        more = draw.choice([Set, Reset])(rung.target, draw.choice([when, ("name", "first_scan"), ("const", True)]))
        rungs.insert(draw.randint(0, len(rungs)), more)
    return replace(
        program, name=f"odd {program.name}", inputs=(*program.inputs, Input("dial", "command", 2)), rungs=tuple(rungs)
    )


def _odd(draw: random.Random, rung: Rung) -> Rung:
    if isinstance(rung, Timer):
        return replace(rung, preset_ns=draw.choice([1, 5, 14, 25, 40]) * MS)
    return replace(rung, preset=draw.choice([-2, 0, 1, 15, 16, 18])) if isinstance(rung, Counter) else rung


class _Maker:
    """Draws one program."""

    def __init__(self, draw: random.Random, rungs: int, timers: bool, counters: bool, outside: bool) -> None:
        self.draw = draw
        self.commands = ["start", "stop"][: draw.randint(1, 2)]
        self.sensors = ["level"] if draw.random() < 0.5 else []
        self.outside = outside
        self.names: list[str] = ["panel"] if outside else []
        self.kinds: list[tuple[str, str]] = []
        weights = {"coil": 5, "pair": 4, "edge": 2, "bistable": 1, "counter": counters * 0.5, "timer": timers * 3}
        left = rungs
        while left > 0:
            kind = draw.choices(list(weights), list(weights.values()))[0]
            name = f"{kind[0]}{len(self.names) + 1}"
            self.names.append(name)
            self.kinds.append((kind, name))
            left -= 2 if kind == "pair" else 1

    def program(self, seed: int) -> Program:
        draw = self.draw
        rungs: list[Rung] = []
        for kind, name in self.kinds:
            rungs += self._rungs(kind, name)
        if draw.random() < 0.5:
            draw.shuffle(rungs)
        memory = {
            name: Memory(name, draw.random() < 0.6, self._initial(kind))
            for kind, name in self.kinds
            if draw.random() < 0.7
        }
        if self.outside:
            memory |= {
                "panel": Memory("panel", draw.random() < 0.5),
                "wanted": Memory("wanted", draw.random() < 0.5, 2),
            }
        inputs = [Input(name, "command", name == "stop" and draw.random() < 0.7) for name in self.commands]
        inputs += [Input(name, "sensor", draw.random() < 0.5) for name in self.sensors]
        inputs += [Input("heat", "sensor", 3)] if self.outside else []
        return Program(
            f"generated {seed}",
            scan_ns=10 * MS,
            start_pass=draw.choice(["clears coils", "none"]),
            outputs="at once" if draw.random() < 0.2 else "at scan end",
            saved="at scan end" if draw.random() < 0.3 else "at once",
            inputs=tuple(inputs),
            memory=memory,
            rungs=tuple(rungs),
        )

    def _initial(self, kind: str) -> bool | int:
        if kind == "counter":
            return self.draw.randint(0, 1)
        return kind in ("coil", "pair", "bistable") and self.draw.random() < 0.1

    def _rungs(self, kind: str, name: str) -> list[Rung]:
        when = self._condition()
        match kind:
            case "coil":
                held: Expr = ("and", ("or", when, ("name", name)), self._condition())
                return [Coil(name, held if self.draw.random() < 0.4 else when)]
            case "pair":
                return [Set(name, when), Reset(name, self._condition())]
            case "edge":
                return [Edge(name, self.draw.choice(["rising", "falling"]), when)]
            case "bistable":
                return [Bistable(name, self.draw.choice(["SR", "RS"]), when, self._condition())]
            case "counter":
                kinds = self.draw.choice(["CTU", "CTD"])
                return [Counter(name, kinds, self.draw.randint(1, 3), when, self._condition())]
        preset = self.draw.choice([10, 20, 30, 50]) * MS
        return [Timer(name, self.draw.choice(["TON", "TON", "TOF", "TP"]), preset, when)]

    def _comparison(self) -> Expr:
        """Between a number that changes, and another one or a constant."""
        draw = self.draw
        numbers = ["heat", "wanted", *(name for kind, name in self.kinds if kind == "counter")]
        one, other = draw.sample(numbers, 2)
        right: Expr = ("name", other) if draw.random() < 0.4 else ("const", draw.randint(0, 4))
        return (draw.choice([">=", "<", "=", "<>", ">", "<="]), ("name", one), right)

    def _condition(self, depth: int = 0) -> Expr:
        draw = self.draw
        if self.outside and draw.random() < 0.1:
            return self._comparison()
        if depth == 2 or draw.random() < 0.35:
            word = draw.choice([*self.commands, *self.commands, *self.sensors, *self.names, *self.names])
            if draw.random() < 0.07:
                word = "first_scan"
            counters = [name for kind, name in self.kinds if kind == "counter"]
            if counters and draw.random() < 0.08:
                return (
                    draw.choice([">=", "<", "=", ">"]),
                    ("name", draw.choice(counters)),
                    ("const", draw.randint(0, 3)),
                )
            return ("not", ("name", word)) if draw.random() < 0.35 else ("name", word)
        kind = draw.choices(["and", "or", "xor"], [5, 5, 1])[0]
        return (kind, self._condition(depth + 1), self._condition(depth + 1))
