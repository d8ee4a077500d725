"""What can have an influence on an output: the smallest part of a program that explains it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from restart_bench.model.program import Coil, Program, Reset, Rung, Set
from restart_bench.plc.interpreter import conditions_read, driven, names_read


def reads_of(rung: Rung) -> frozenset[str]:
    """Every name in the conditions of a rung."""
    return frozenset(name for condition in conditions_read(rung) for name in names_read(condition))


def cone_of(program: Program, outputs: Iterable[str]) -> frozenset[str]:
    """The names that any of the outputs depends on, over any number of scans, themselves included."""
    reads: dict[str, set[str]] = {}
    for rung in program.rungs:
        reads.setdefault(driven(rung), set()).update(reads_of(rung))
    cone: set[str] = set()
    waiting = list(outputs)
    while waiting:
        name = waiting.pop()
        if name not in cone:
            cone.add(name)
            waiting += reads.get(name, ())
    return frozenset(cone)


def part_of(program: Program, names: frozenset[str]) -> tuple[Program, tuple[int, ...]]:
    """The program without what drives other names, and the number (from 0) that each of its rungs had."""
    kept = tuple(number for number, rung in enumerate(program.rungs) if driven(rung) in names)
    part = replace(
        program,
        inputs=tuple(one for one in program.inputs if one.name in names),
        memory={name: one for name, one in program.memory.items() if name in names},
        rungs=tuple(program.rungs[number] for number in kept),
        faults=(),
    )
    return part, kept


def outputs_of(program: Program) -> tuple[str, ...]:
    """Every name that a coil, a set or a reset drives, in the order of the rungs: what may be wired to a terminal."""
    return tuple(dict.fromkeys(rung.target for rung in program.rungs if isinstance(rung, Coil | Set | Reset)))


def groups_of(program: Program, outputs: Iterable[str]) -> list[tuple[frozenset[str], tuple[str, ...]]]:
    """Outputs that are reasoned about together: each with the group of the smallest cone that holds its own,
    unless that is far larger."""
    cones = {output: cone_of(program, [output]) for output in outputs}
    groups: dict[frozenset[str], list[str]] = {}
    for output in sorted(cones, key=lambda name: -len(cones[name])):
        cone = cones[output]
        hosts = [other for other in groups if cone <= other and len(other) <= 3 * len(cone) + 10]
        groups.setdefault(min(hosts, key=len) if hosts else cone, []).append(output)
    order = {output: number for number, output in enumerate(cones)}
    return [(cone, tuple(sorted(members, key=order.__getitem__))) for cone, members in groups.items()]
