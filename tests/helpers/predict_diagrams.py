"""A third engine for the tests of predictions: decision diagrams over all states, without timers and counters."""

from __future__ import annotations

from typing import Any

from restart_bench.model.program import Bistable, Coil, Edge, Expr, Memory, Program, Reset, Set
from restart_bench.plc.interpreter import conditions_read, driven, names_read


class Diagrams:
    """Sets of states of one program, as functions of one Boolean variable for each bit."""

    def __init__(self, program: Program, diagrams: Any) -> None:
        self.program, self.bdd = program, diagrams
        inputs = [one.name for one in program.inputs]
        met = [*program.memory]
        for rung in program.rungs:
            met += [driven(rung), *(name for condition in conditions_read(rung) for name in names_read(condition))]
        names = [name for name in dict.fromkeys(met) if name not in {*inputs, "first_scan"}]
        edges = [rung.name for rung in program.rungs if isinstance(rung, Edge)]
        self.bits = [*names, *(f"{name}__was" for name in edges)]
        for bit in [*self.bits, *inputs, "first_scan"]:
            diagrams.declare(bit)
        for bit in [*self.bits, "first_scan"]:
            diagrams.declare(f"{bit}__next")
        self.inputs = inputs
        self.initial = {bit: bool(program.memory.get(bit, Memory(bit)).initial) for bit in self.bits}
        self.plain = {rung.target for rung in program.rungs if isinstance(rung, Coil)}
        self.stages = self._stages()
        self.reached = self._reached()

    def says(self, output: str) -> tuple[bool, bool, bool]:
        """Whether it can be on after the first scan, and whether it surely ends off, or on, with inputs at rest."""
        rest = {one.name: bool(one.rest) for one in self.program.inputs}
        now = self._image(self.reached, self._lost())
        scan = self._relation(self.stages[-1], False)
        scan &= self._all(rest)
        now = self._image(now, scan)
        first = now & self.bdd.var(output) != self.bdd.false
        seen = []
        while now not in seen:
            seen.append(now)
            now = self._image(now, scan)
        lasting = seen[seen.index(now) :]
        on = any(one & self.bdd.var(output) != self.bdd.false for one in lasting)
        off = any(one & ~self.bdd.var(output) != self.bdd.false for one in lasting)
        return first, not on, not off

    # ------------------------------------------------------------ sets

    def _reached(self) -> Any:
        begin = {bit: self._at_start(bit, self.initial[bit]) for bit in self.bits}
        reached = self._all(begin) & self.bdd.var("first_scan")
        steps = self._relation(self.stages[-1], False) | self._lost() | self._mode()
        while (more := reached | self._image(reached, steps)) != reached:
            reached = more
        return reached

    def _image(self, states: Any, relation: Any) -> Any:
        every = [*self.bits, *self.inputs, "first_scan"]
        after = self.bdd.exist(every, states & relation)
        return self.bdd.let({f"{bit}__next": bit for bit in [*self.bits, "first_scan"]}, after)

    def _relation(self, values: dict[str, Any], first: bool) -> Any:
        relation = self.bdd.var("first_scan__next") if first else ~self.bdd.var("first_scan__next")
        for bit, value in values.items():
            relation &= self.bdd.apply("equiv", self.bdd.var(f"{bit}__next"), value)
        return relation

    def _lost(self) -> Any:
        """A loss of supply after any rung."""
        stages = self.stages if self.program.saved == "at once" else self.stages[:1]
        relation = self.bdd.false
        for stage in stages:
            relation |= self._relation({bit: self._after_loss(bit, stage[bit]) for bit in self.bits}, True)
        return relation

    def _mode(self) -> Any:
        stage = self.stages[0]
        return self._relation({bit: self._cleared(bit, stage[bit]) for bit in self.bits}, True)

    def _after_loss(self, bit: str, value: Any) -> Any:
        memory = self.program.memory.get(bit.removesuffix("__was"))
        kept = value if memory is not None and memory.retained else self._constant(self.initial[bit])
        return self._cleared(bit, kept)

    def _cleared(self, bit: str, value: Any) -> Any:
        clears = self.program.start_pass == "clears coils" and bit in self.plain
        return self.bdd.false if clears else value

    def _at_start(self, bit: str, value: bool) -> bool:
        return value and not (self.program.start_pass == "clears coils" and bit in self.plain)

    def _all(self, values: dict[str, bool]) -> Any:
        cube = self.bdd.true
        for bit, value in values.items():
            cube &= self.bdd.var(bit) if value else ~self.bdd.var(bit)
        return cube

    def _constant(self, value: bool) -> Any:
        return self.bdd.true if value else self.bdd.false

    # ------------------------------------------------------------ one scan

    def _stages(self) -> list[dict[str, Any]]:
        """Each bit after 0, 1, 2 ... all rungs, as a function of the state before and of the inputs."""
        now = {bit: self.bdd.var(bit) for bit in self.bits}
        stages = [dict(now)]
        for rung in self.program.rungs:
            match rung:
                case Coil():
                    now[rung.target] = self._of(rung.when, now)
                case Set():
                    now[rung.target] |= self._of(rung.when, now)
                case Reset():
                    now[rung.target] &= ~self._of(rung.when, now)
                case Edge():
                    level = self._of(rung.when, now)
                    level = level if rung.kind == "rising" else ~level
                    now[rung.name], now[f"{rung.name}__was"] = level & ~now[f"{rung.name}__was"], level
                case Bistable():
                    made, gone, held = self._of(rung.set, now), self._of(rung.reset, now), now[rung.name]
                    now[rung.name] = made | (~gone & held) if rung.kind == "SR" else ~gone & (made | held)
                case _:
                    raise AssertionError(rung)
            stages.append(dict(now))
        return stages

    def _of(self, expr: Expr, now: dict[str, Any]) -> Any:
        word, *parts = expr
        if word == "const":
            return self._constant(bool(parts[0]))
        if word == "name":
            return now[parts[0]] if parts[0] in now else self.bdd.var(parts[0])
        if word == "not":
            return ~self._of(parts[0], now)
        return self.bdd.apply(word, self._of(parts[0], now), self._of(parts[1], now))
