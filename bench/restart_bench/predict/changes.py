"""Single changes of a program that can decide what an output does after a restart, or cure it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from restart_bench.model.program import Coil, Counter, Expr, Memory, Program, Reset, Rung, Timer
from restart_bench.model.program import Edge as EdgeRung
from restart_bench.plc.interpreter import FIRST_SCAN, driven
from restart_bench.predict.proving.cone import reads_of

RETAINED, PASS, INITIAL, FIRST, ORDER, RESET = "retained", "start pass", "initial", "first scan", "order", "reset"


@dataclass(frozen=True, slots=True)
class Change:
    """One change. name: the memory, where it is about one; rungs: the places (from 0) of the rungs it is about."""

    kind: str
    name: str = ""
    rungs: tuple[int, ...] = ()

    def of(self, program: Program) -> Program:
        """The program with this change."""
        if self.kind == PASS:
            return replace(program, start_pass="none" if program.start_pass == "clears coils" else "clears coils")
        if self.kind in (RETAINED, INITIAL):
            return replace(program, memory=program.memory | {self.name: self._memory(program)})
        if self.kind == FIRST:
            return _with(program, self.rungs[0], _without_first(program.rungs[self.rungs[0]]))
        if self.kind == RESET:
            return _with(program, self.rungs[0], _with_first(program.rungs[self.rungs[0]]))
        one, other = self.rungs
        return _with(_with(program, one, program.rungs[other]), other, program.rungs[one])

    def _memory(self, program: Program) -> Memory:
        memory = program.memory.get(self.name, Memory(self.name))
        if self.kind == RETAINED:
            return replace(memory, retained=not memory.retained)
        return replace(memory, initial=not memory.initial)


def all_changed(program: Program, changes: tuple[Change, ...]) -> Program:
    """The program with some changes."""
    for change in changes:
        program = change.of(program)
    return program


def that_matter(program: Program, changes: tuple[Change, ...]) -> tuple[Change, ...]:
    """Those of some changes that make another program of it: where the start pass clears coils, what a coil keeps or
    begins with is gone before the first scan."""
    clears = (program.start_pass == "clears coils") != any(change.kind == PASS for change in changes)
    if not clears:
        return changes
    coils = {rung.target for rung in program.rungs if isinstance(rung, Coil)}
    return tuple(one for one in changes if one.kind not in (RETAINED, INITIAL) or one.name not in coils)


def deciding(program: Program, near: list[str]) -> list[Change]:
    """Every single change that may decide, those of the names that are near the output first."""
    held = [name for name in near if name not in {one.name for one in program.inputs} and name != FIRST_SCAN]
    numbers = {rung.name for rung in program.rungs if isinstance(rung, Counter)}
    blocks = {rung.name for rung in program.rungs if isinstance(rung, Timer | EdgeRung)}
    plain = [
        name
        for name in held
        if name not in numbers | blocks and isinstance(program.memory.get(name, Memory(name)).initial, bool)
    ]
    return [
        *(Change(RETAINED, name) for name in held),
        Change(PASS),
        *(Change(FIRST, rungs=(place,)) for place, rung in enumerate(program.rungs) if FIRST_SCAN in reads_of(rung)),
        *(Change(INITIAL, name) for name in plain),
        *(Change(ORDER, rungs=(place, place + 1)) for place in _coupled(program)),
    ]


def curing(program: Program, output: str, near: list[str]) -> list[Change]:
    """Every single change that may keep an output off, the smallest intervention first."""
    retained = [name for name in near if name in program.memory and program.memory[name].retained]
    own = [change for name in near for change in _resets(program, name)]
    first = [change for change in own if change.name == output]
    rest = [change for change in own if change.name != output]
    passes = [Change(PASS)] if program.start_pass == "none" else []
    return [*first, *(Change(RETAINED, name) for name in retained), *rest, *passes]


def nearness(program: Program, output: str) -> list[str]:
    """The names that an output depends on, the nearest first, itself before all."""
    reads: dict[str, list[str]] = {}
    for rung in program.rungs:
        reads.setdefault(driven(rung), []).extend(sorted(reads_of(rung)))
    order = [output]
    for name in order:
        order += [read for read in dict.fromkeys(reads.get(name, ())) if read not in order]
    return order


def _resets(program: Program, name: str) -> Iterator[Change]:
    """A reset on the first scan, in the last rung that can do it."""
    places = [
        place for place, rung in enumerate(program.rungs) if driven(rung) == name and isinstance(rung, Coil | Reset)
    ]
    if places and FIRST_SCAN not in reads_of(program.rungs[places[-1]]):
        yield Change(RESET, name, (places[-1],))


def _coupled(program: Program) -> Iterator[int]:
    """Rungs that share a name with the next one, so that their order may matter."""
    for place, (rung, other) in enumerate(zip(program.rungs, program.rungs[1:], strict=False)):
        if driven(rung) in reads_of(other) | {driven(other)} or driven(other) in reads_of(rung):
            yield place


def _with(program: Program, place: int, rung: Rung) -> Program:
    rungs = list(program.rungs)
    rungs[place] = rung
    return replace(program, rungs=tuple(rungs))


def _with_first(rung: Rung) -> Rung:
    first: Expr = ("name", FIRST_SCAN)
    if isinstance(rung, Reset):
        return replace(rung, when=("or", rung.when, first))
    assert isinstance(rung, Coil)
    return replace(rung, when=("and", rung.when, ("not", first)))


def _without_first(rung: Rung) -> Rung:
    """The rung as if no scan were a first one."""
    changed: dict[str, Any] = {}
    for key in ("when", "set", "reset"):
        expr = getattr(rung, key, None)
        if expr is not None:
            changed[key] = _never_first(expr)
    return replace(rung, **changed)


def _never_first(expr: Expr) -> Expr:
    if expr == ("name", FIRST_SCAN):
        return ("const", False)
    return tuple(_never_first(part) if isinstance(part, tuple) else part for part in expr)
