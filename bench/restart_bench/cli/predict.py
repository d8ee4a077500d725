"""`predict`: what the program model says each output will do, whether it can be otherwise, and why."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from restart_bench.cli.common import file_for, folder_for, make_folder, rig_file
from restart_bench.model.outcome import Refused
from restart_bench.model.program import Program
from restart_bench.model.rig import Rig
from restart_bench.model.verdicts import EXIT_ERROR, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from restart_bench.model.wording import COMES_BACK_MEANS, hanging
from restart_bench.screen.console import width_for

if TYPE_CHECKING:
    from restart_bench.model.scenario import Scenario
    from restart_bench.predict.engine import Answer
    from restart_bench.report.sheet import Question

    _Seen = tuple[Mapping[tuple[str, str], str], Mapping[str, str]]  # what was seen of outputs, and why not

OFF_FOR = "2 s"
_INDENT = 18
RESTART_WORDS = {"supply": "loss of supply", "mode": "mode change"}
NOTHING_CHANGES = "nothing changes: after each restart every output does the same in both"
NO_CHANGE_SEEN = "no change was found, but not everything is decided"
AS_A_MODEL = "This is what the program model does. A real controller is tested, not predicted: see `run`."


@dataclass(frozen=True, slots=True)
class Edition:
    """One program on its rig, and what is predicted of it."""

    name: str
    rig: Rig
    program: Program
    answers: tuple[Answer, ...]
    text: str = ""  # of the program's file
    named: Path | None = None  # the program's file, where that was named in place of its rig

    @property
    def decided(self) -> bool:
        """True where every question has an answer."""
        return all(answer.decided for answer in self.answers)

    @property
    def labels(self) -> dict[str, str]:
        """What people call the outputs."""
        return {point.name: point.shown for point in self.rig.points.values()}


@dataclass(frozen=True, slots=True)
class SheetAsked:
    """A page of questions that is to be written. seen: the folder of a test whose results stand on it."""

    file: Path
    learners: tuple[str, ...] = ()
    seen: Path | None = None


def predict_paths(
    paths: Sequence[Path], against: Path | None, folder: Path | None, sheet: SheetAsked | None = None, *, as_json: bool
) -> int:
    """Predicts, prints, and writes scenarios into `folder` and a page of questions. Raises Refused, FaultsFound."""
    editions = _named_apart([_edition(path) for path in paths])
    old = _edition(against, beside=paths[0]) if against is not None else None
    for option, asked in (("--write makes the scenarios", folder), ("--sheet makes the page", sheet)):
        if asked is not None and len(editions) > 1:
            raise Refused(f"{option} of one program; name one")
    changed = [_changed(old, one) for one in editions] if old is not None else None
    decided = all(one.decided for one in [*editions, *([old] if old is not None else [])])
    written = ["", *_written(editions[0], folder)] if folder is not None else []
    altered = _write_sheet(editions[0], sheet) if sheet is not None else ""
    if altered and not as_json:
        print(altered)
    if sheet is not None:
        written += ["", f"wrote {sheet.file}"]
    if as_json:
        print(json.dumps(_document(editions, changed), ensure_ascii=False, indent=2))
    else:
        told = None if old is None or changed is None else list(_told_of_changes(old, editions, changed))
        shown = _lines(editions, told) if sheet is None or told else ()  # what a page hides is not printed beside it
        as_a_model = hanging("", AS_A_MODEL, width_for(sys.stdout), 0)
        print("\n".join([*shown, *written, "", *as_a_model]).strip())
    if altered:
        return EXIT_ERROR
    return EXIT_FAIL if any(changed or ()) else EXIT_PASS if decided else EXIT_INCONCLUSIVE


def _told_of_changes(old: Edition, editions: Sequence[Edition], changed: Sequence[list[str]]) -> Iterator[str]:
    """What each program changes, and why it does so now; of several each stands below its name."""
    inset = "  " if len(editions) > 1 else ""
    for one, lines in zip(editions, changed, strict=True):
        if inset:
            yield f"{one.name} against {old.name}:"
        nothing = NOTHING_CHANGES if one.decided and old.decided else NO_CHANGE_SEEN
        yield from (f"{inset}{line}" for line in lines or [nothing])
        yield from (f"{inset}{line}".rstrip() for line in _why_changed(old, one, width_for(sys.stdout) - len(inset)))


def _why_changed(old: Edition, new: Edition, width: int) -> Iterator[str]:
    """Why the newer program does what it does, of the answers at rest that differ and that it has."""
    from restart_bench.predict.editions import differences

    keys = {one.key for one in differences(old.answers, new.answers) if one.new is not None}
    told = list(_because(new, [answer for answer in new.answers if answer.key in keys], width))
    yield from ["", f"Why, in {new.name}", *told] if told else ()


def _document(editions: Sequence[Edition], changed: Sequence[list[str]] | None) -> dict[str, Any]:
    """The JSON document; why is worked out for it alone. Each program has what it changes beside its outputs."""
    found: list[dict[str, Any]] = [{"outputs": _documents(one)} for one in editions]
    if changed is not None:
        found = [{"changed": lines} | one for lines, one in zip(changed, found, strict=True)]
    if len(editions) == 1:
        return found[0]
    return {"programs": [{"name": edition.name} | one for edition, one in zip(editions, found, strict=True)]}


def _lines(editions: Sequence[Edition], changed: list[str] | None) -> Iterator[str]:
    """The same for people: what changed, editions one below the other, or one program with why."""
    yield from changed or ()
    if len(editions) > 1:
        yield from [""] if changed else []
        yield from _below_each_other(editions)
        rest = "What else there is to why" if changed else "Why"
        yield from ["", f"{rest}, and what a cold start does, is said of one program alone."]
    elif changed is None:
        yield from _alone(editions[0], width_for(sys.stdout))


# ---------------------------------------------------------------- what is predicted


def _edition(path: Path, beside: Path | None = None) -> Edition:
    """The program of a suite, a rig, or a program file with the rig.yaml beside it (or beside another path)."""
    from restart_bench.files.tree import read_yaml
    from restart_bench.predict.engine import predict
    from restart_bench.predict.proving.solver import SolverMissing
    from restart_bench.suite.loader import load_rig
    from restart_bench_drivers.registry import cards

    is_program = path.is_file() and read_yaml(path).kind == "program"
    place = path.parent if is_program else path
    if is_program and not (place / "rig.yaml").is_file() and beside is not None:
        place = beside.parent if beside.is_file() else beside
    if is_program and not (place / "rig.yaml").is_file():
        raise Refused(
            f"{path} needs the rig.yaml of its rig beside it; copy that too, or leave the program in its folder"
        )
    suite = load_rig(rig_file(place), cards=cards(), program=path if is_program else None)
    if suite.program is None:
        raise Refused(f"{path}: the rig names no `simulation:` program, so there is nothing to predict")
    outputs = [point.name for point in suite.rig.outputs() if point.name in _driven(suite.program)]
    if not outputs:
        raise Refused(f"{path}: the program drives none of the rig's outputs")
    try:
        answers = predict(suite.program, outputs)
    except SolverMissing as missing:
        raise Refused(str(missing)) from None
    text = next((one.content.decode("utf-8") for one in suite.files if one.kind == "program"), "")
    return Edition(suite.program.name, suite.rig, suite.program, answers, text, path if is_program else None)


def _driven(program: Program) -> frozenset[str]:
    from restart_bench.plc.interpreter import driven

    return frozenset(driven(rung) for rung in program.rungs)


def _named_apart(editions: Sequence[Edition]) -> list[Edition]:
    """Editions whose programs bear the same name are told apart by number."""
    names = [one.name for one in editions]
    return [
        Edition(f"{one.name} ({number})", one.rig, one.program, one.answers) if names.count(one.name) > 1 else one
        for number, one in enumerate(editions, start=1)
    ]


# ---------------------------------------------------------------- what is said


def _whys(edition: Edition, answers: Sequence[Answer]) -> dict[Any, Any]:
    """Why, for those of an edition's answers that have the inputs at rest."""
    from restart_bench.predict.proving.parts import REST
    from restart_bench.predict.why import explain

    return {
        answer.key: explain(edition.program, answer, edition.answers, edition.labels.get(answer.point))
        for answer in answers
        if answer.inputs == REST
    }


def _documents(edition: Edition) -> list[dict[str, Any]]:
    from restart_bench.predict.documents import documents

    return documents(edition.program, edition.answers, _whys(edition, edition.answers))


def _alone(edition: Edition, width: int) -> Iterator[str]:
    from restart_bench.predict.documents import table_lines

    yield f"{edition.program.name} on {edition.rig.name}, inputs at rest after the restart"
    yield ""
    yield from table_lines(edition.answers, edition.labels)
    yield from _glossed([edition])
    yield ""
    yield "Why"
    yield from _because(edition, edition.answers, width)
    yield from _otherwise(edition, width)


def _because(edition: Edition, answers: Sequence[Answer], width: int) -> Iterator[str]:
    """Why some answers of an edition are so."""
    from restart_bench.predict.documents import whys_told

    for because, restarts in whys_told(answers, _whys(edition, answers)).items():
        yield from hanging(f"  {', '.join(restarts)} ", because, width, _INDENT)


def _otherwise(edition: Edition, width: int) -> Iterator[str]:
    """What other inputs after the restart would change; what is the same for several is said once, of all of them."""
    from restart_bench.predict.documents import COLUMNS
    from restart_bench.predict.proving.parts import REST

    at_rest = {one.key[:3]: one for one in edition.answers if one.inputs == REST}
    outputs: dict[tuple[str, str], list[str]] = {}
    for answer in edition.answers:
        if word := _may(at_rest.get(answer.key[:3]), answer):
            shown = edition.labels.get(answer.point, answer.point)
            outputs.setdefault((COLUMNS[answer.restart, answer.start], answer.inputs), []).append(f"{shown} {word}")
    inputs: dict[tuple[str, str], list[str]] = {}
    for (column, given), words in outputs.items():
        inputs.setdefault((column, "; ".join(words)), []).append(given)
    columns: dict[str, list[str]] = {}
    for (column, text), given_of in inputs.items():
        columns.setdefault(f"{_any_of(given_of)}: {text}", []).append(column)
    yield from ["", "Otherwise"] if columns else []
    for line, restarts in columns.items():
        yield from hanging(f"  {', '.join(restarts)} ", line, width, _INDENT)


def _may(at_rest: Answer | None, answer: Answer) -> str:
    """What an output does with other inputs than at rest, "" where that is the same."""
    from restart_bench.predict.documents import MAY_BE_ON
    from restart_bench.predict.why import does

    if at_rest is None or at_rest.behaviour == answer.behaviour:
        return ""
    if answer.settles == "depends" and at_rest.settles in ("off", "on"):  # on which command, or on what was before
        word = MAY_BE_ON if at_rest.settles == "off" else "may be off"
        return word if answer.confirmed else f"{word} (not confirmed)"
    return does(answer)


def _any_of(inputs: Sequence[str]) -> str:
    """`a command held through the restart or pressed meanwhile`."""
    from restart_bench.predict.proving.parts import DARK, HELD

    commands = {HELD: "held through the restart", DARK: "pressed meanwhile"}
    held = [commands[one] for one in inputs if one in commands]
    others = [_given(one) for one in inputs if one not in commands]
    return " or ".join([*others, *([f"a command {' or '.join(held)}"] if held else [])])


def _given(inputs: str) -> str:
    from restart_bench.predict.proving.parts import HELD

    words = {HELD: "a command held through the restart", "sensors free": "sensors as they may be"}
    return words.get(inputs, f"a command {inputs}")


def _below_each_other(editions: Sequence[Edition]) -> Iterator[str]:
    from restart_bench.predict.documents import edition_lines, tells_times

    answers = {one.name: one.answers for one in editions}
    yield "Inputs at rest after the restart"
    if tells_times(answers):
        yield "after ...: from the start of the program, as an example was played exactly"
    yield from edition_lines(answers, editions[0].labels)
    yield from _glossed(editions)


def _glossed(editions: Sequence[Edition]) -> Iterator[str]:
    """What the tables mean by a word that the survey and the matrix use of what was on before."""
    from restart_bench.predict.proving.parts import REST

    told = (answer for one in editions for answer in one.answers if answer.inputs == REST)
    yield from ["", COMES_BACK_MEANS] if any(answer.settles == "depends" for answer in told) else []


def _changed(old: Edition, new: Edition) -> list[str]:
    from restart_bench.predict.documents import difference_lines
    from restart_bench.predict.editions import differences

    return list(difference_lines(differences(old.answers, new.answers), new.labels))


def _written(edition: Edition, folder: Path) -> Iterator[str]:
    """A small suite in which every predicted outcome that a rig can show is played once, and why it lacks the rest."""
    from restart_bench.predict.scripts import small_suite, why_not_played

    scripts, missing = small_suite(edition.program, edition.answers, OFF_FOR)
    make_folder("--write", folder_for("--write", folder))
    for script in scripts:
        path = folder / f"{script.name}.yaml"
        if path.exists():
            raise Refused(f"{path} is there already; name a new folder")
    for script in scripts:
        path = folder / f"{script.name}.yaml"
        path.write_text(script.text, encoding="utf-8")
        yield f"wrote {path}"
    program = "" if edition.named is None else f" --program {edition.named}"
    yield f"run them with: restart-bench run {folder} --rig {edition.rig.path}{program} --simulated"
    reasons: dict[str, dict[str, list[str]]] = {}
    for outcome in missing:
        point, restart, inputs, end = outcome
        when = f"{RESTART_WORDS[restart]}, {_given(inputs) if inputs != 'rest' else 'inputs at rest'}"
        named = reasons.setdefault(why_not_played(edition.answers, outcome, scripts), {}).setdefault(when, [])
        named.append(f"{edition.labels.get(point, point)} {end}")
    width = width_for(sys.stdout)
    for why, outcomes in reasons.items():
        yield ""
        yield from hanging("No scenario plays the following:", why, width, 4)
        for when, named in outcomes.items():
            yield from hanging(f"  {when}:", "; ".join(named), width, 4)


# ---------------------------------------------------------------- the page of questions


def _write_sheet(edition: Edition, asked: SheetAsked) -> str:
    """Writes the page; returns what is not as it was closed in the test whose results stand on it.

    Raises Refused where the file would lie in a run's own folder, ArchiveError where the disk does not take it.
    """
    from restart_bench.archive.files import run_id_of, write_whole
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.report.sheet import (
        Sheet,
        render_sheet,
        restart_part,
        seen_in,
        sheet_notes,
        unseen_in,
    )

    notes: tuple[str, ...] = ()
    seen: dict[bool, _Seen] = {True: ({}, {}), False: ({}, {})}  # by what an output was before the cut
    told = altered = ""
    if asked.seen is not None:
        run = ArchivedRun.open(asked.seen)
        suite, altered = run.suite(), run.altered
        seen = {on: (seen_in(run, suite, on=on), unseen_in(run, suite, on=on)) for on in (True, False)}
        told = f"test {run.id} ({'simulated' if run.simulated else 'on the rig'})"
        notes = tuple(sheet_notes(run, suite, edition.rig.name, edition.program.name))
    questions = _questions(edition, *seen[True]) | _questions_from_off(edition, _beside(edition.rig), *seen[False])
    program = restart_part(edition.text)
    sheet = Sheet(edition.rig.name, edition.program.name, asked.learners, questions, told, notes, program)
    if asked.seen is not None and asked.seen.resolve() in asked.file.resolve().parents:
        raise Refused(f"{asked.file} lies in the run's own folder, which is never written to again; choose another")
    write_whole(file_for("--sheet", asked.file, "sheet.html"), render_sheet(sheet).encode("utf-8"))
    return f"{run_id_of(asked.seen)}: {altered}" if altered and asked.seen is not None else ""


def _questions(
    edition: Edition, seen: Mapping[tuple[str, str], str], unseen: Mapping[str, str]
) -> dict[str, tuple[Question, ...]]:
    """The outputs in each way of the cut, with what the program says of them at rest, and what was seen, or why
    nothing was."""
    from restart_bench.predict.documents import does_when
    from restart_bench.predict.proving.parts import REST, WARM
    from restart_bench.report.sheet import WAYS, Question

    return {
        words: tuple(
            Question(
                edition.labels.get(one.point, one.point),
                does_when(one),
                seen.get((one.point, way), unseen.get(way, "")),
            )
            for one in edition.answers
            if (one.restart, one.start, one.inputs) == (way, WARM, REST)
        )
        for way, words in WAYS.items()
    }


def _beside(rig: Rig) -> tuple[Scenario, ...]:
    """The scenarios that a run of this rig would play; none where they are faulty, which is for `check` to say."""
    from restart_bench.files.faults import FaultsFound
    from restart_bench.suite.loader import load_suites
    from restart_bench_drivers.registry import cards

    try:
        return tuple(one for suite in load_suites([Path(rig.path)], cards=cards()) for one in suite.scenarios)
    except FaultsFound:
        return ()


def _questions_from_off(
    edition: Edition, scenarios: Sequence[Scenario], seen: Mapping[tuple[str, str], str], unseen: Mapping[str, str]
) -> dict[str, tuple[Question, ...]]:
    """What the scenarios beside the rig cut while it is off, of which `--ask-first` asks too: by the way of the cut,
    with what the program does as their steps are played on it."""
    from restart_bench.model.wording import restart_word
    from restart_bench.predict.plays import ends_of, plays_of
    from restart_bench.report.sheet import WAYS_FROM_OFF, Question
    from restart_bench.run.inquiry.forecasts import asked_about

    ends: dict[tuple[str, str], set[bool]] = {}
    plays = plays_of(edition.rig, edition.program, scenarios)
    for scenario in scenarios:
        for point in asked_about(edition.rig, scenario):
            ways = [way for way in plays[scenario.name].ways if point.name not in way.before]
            if ways:
                ends.setdefault((scenario.how, point.name), set()).update(ends_of(ways, point.name))
    found: dict[str, tuple[Question, ...]] = {}
    for (way, name), comes in ends.items():
        says = "depends" if len(comes) > 1 else restart_word(False, ends_on=True in comes)
        asked = Question(edition.labels.get(name, name), says, seen.get((name, way), unseen.get(way, "")))
        found[WAYS_FROM_OFF[way]] = (*found.get(WAYS_FROM_OFF[way], ()), asked)
    return found
