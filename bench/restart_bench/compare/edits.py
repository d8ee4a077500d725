"""Which outputs an edit of the program lets restart otherwise, and why, as the two program models behave.

Pure: two programs in, differences out. Nothing here says why what was measured differs.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from restart_bench.model.program import Program, Rung
from restart_bench.plc.interpreter import driven
from restart_bench.predict.documents import COLUMNS, difference_lines, with_first_scan
from restart_bench.predict.editions import differences
from restart_bench.predict.engine import Answer, predict
from restart_bench.predict.explaining import IN_VAIN, in_vain
from restart_bench.predict.proving.cone import cone_of, part_of
from restart_bench.predict.proving.parts import REST
from restart_bench.predict.proving.patience import Patience, within
from restart_bench.predict.why import does, explain

SETTINGS = ("start_pass", "outputs", "saved", "scan_ns")
NO_SUCH = "no such output"


@dataclass(frozen=True, slots=True)
class Side:
    """The program of one of the two runs. file: its name there; labels: what people call the outputs."""

    file: str
    program: Program
    labels: Mapping[str, str]

    @property
    def outputs(self) -> list[str]:
        """The outputs of the rig that the program drives."""
        drives = {driven(rung) for rung in self.program.rungs}
        return [name for name in self.labels if name in drives]


@dataclass(frozen=True, slots=True)
class OutputChange:
    """One output that restarts otherwise after an edit, inputs at rest. old_lines, new_lines: where the rungs that it
    depends on differ; names: memory, inputs and settings of it that differ."""

    label: str
    restart: str
    before: str
    after: str
    why_before: str
    why_after: str
    old_lines: tuple[int, ...]
    new_lines: tuple[int, ...]
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Edit:
    """What an edit changes. others: what it changes with other inputs only, one line each; missing: what could not be
    worked out ("" where all was)."""

    old: str
    new: str
    editions: tuple[str, str]
    changes: tuple[OutputChange, ...] = ()
    others: tuple[str, ...] = ()
    missing: str = ""


def edit_between(old: Side, new: Side, patience: Patience, budget: str) -> Edit:
    """What the step from one program to the other changes. budget: the time that `patience` gives, as it is told."""
    edit = Edit(old.file, new.file, (old.program.name, new.program.name))
    try:
        with within(patience):
            answers = predict(old.program, old.outputs), predict(new.program, new.outputs)
        found = differences(*answers)
        at_rest = [one for one in found if one.key[3] == REST]
        points = {one.key[0] for one in at_rest}
        others = [one for one in found if one.key[3] != REST and one.key[0] not in points]
        changes = []
        for left, one in zip(range(len(at_rest), 0, -1), at_rest, strict=True):
            with within(patience.share(left)):
                changes.append(_change(old, new, answers, (one.old, one.new)))
        return replace(edit, changes=tuple(changes), others=tuple(difference_lines(others, new.labels)))
    except IN_VAIN as problem:
        return replace(edit, missing=in_vain(problem, budget))


def _change(
    old: Side, new: Side, answers: tuple[tuple[Answer, ...], ...], pair: tuple[Answer | None, Answer | None]
) -> OutputChange:
    point, restart, start, _ = next(one.key for one in pair if one is not None)
    label = new.labels.get(point, old.labels.get(point, point))
    said = [NO_SUCH if one is None else does(one) for one in pair]
    if said[0] == said[1]:  # only the first scan differs
        said = [with_first_scan(word, one) for word, one in zip(said, pair, strict=True)]
    whys = [
        "" if one is None else explain(side.program, one, given, label).because
        for side, one, given in zip((old, new), pair, answers, strict=True)
    ]
    old_lines, new_lines = _rungs_that_differ(old.program, new.program, point)
    return OutputChange(
        label=label,
        restart=COLUMNS[restart, start],
        before=said[0],
        after=said[1],
        why_before=whys[0],
        why_after=whys[1],
        old_lines=old_lines,
        new_lines=new_lines,
        names=tuple(_names_that_differ(old.program, new.program, point)),
    )


def _rungs_that_differ(old: Program, new: Program, point: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The lines, in both files, of the rungs that an output depends on and that the other file has not."""
    parts = [part_of(one, cone_of(one, [point]))[0].rungs for one in (old, new)]
    texts = [[repr(replace(rung, line=0)) for rung in part] for part in parts]
    steps = difflib.SequenceMatcher(None, texts[0], texts[1], autojunk=False).get_opcodes()
    lines: tuple[list[int], list[int]] = [], []
    for word, *ends in steps:
        if word != "equal":
            lines[0].extend(_lines(parts[0][slice(*ends[:2])]))
            lines[1].extend(_lines(parts[1][slice(*ends[2:])]))
    return tuple(lines[0]), tuple(lines[1])


def _lines(rungs: tuple[Rung, ...]) -> Iterator[int]:
    return (rung.line for rung in rungs if rung.line)


def _names_that_differ(old: Program, new: Program, point: str) -> Iterator[str]:
    cone = cone_of(old, [point]) | cone_of(new, [point])
    yield from (name.removesuffix("_ns") for name in SETTINGS if getattr(old, name) != getattr(new, name))
    inputs = [{one.name: one for one in program.inputs} for program in (old, new)]
    for name in sorted(cone):
        if old.memory.get(name) != new.memory.get(name) or inputs[0].get(name) != inputs[1].get(name):
            yield name
