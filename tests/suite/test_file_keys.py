"""Every key of rig, scenario and program files: read into the right value, with an example, refused if misused.

The keys are found in the models themselves: a new one without a row in `file_keys` fails here.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from file_keys import BASES, EVERY_ROW, MODELS, RIG, ROWS, Row, keys_of_all_files
from placed_keys import document, loaded, parts_of
from restart_bench.files.faults import Fault
from restart_bench.files.validation import flow

ROOT = Path(__file__).resolve().parents[2]
SECTIONS = {
    "rig": ("### rig.yaml", "### Supplies"),
    "scenario": ("### Scenario", "### Program model"),
    "program": ("### Program model", "## Evidence in your program"),
}
FREE = {"Rig.record", "ByEye.by_eye"}  # any mapping is right there
FIRST_WORDS = {
    "Press.press", "Hold.hold", "Release.release", "Write.write", "Expect.expect", "Wait.wait", "Ask.ask",
    "ByEye.by_eye",
    "DuringStep.expect", "Coil.coil", "Set.set", "Reset.reset", "Timer.timer", "Counter.counter", "Rising.rising",
    "Falling.falling", "Bistable.bistable", "Fault.fault",
}  # fmt: skip
"""Keys that say what their entry is: without them nothing else there means anything."""
EXAMPLES_FOLLOW = {"Rig.devices", "Rig.points", "Rig.groups", "Program.inputs", "Program.memory"}
"""Keys whose row names one entry of a mapping by a name of its own: the example shows the whole mapping."""


# ---------------------------------------------------------------- putting text in its place


def with_text(kind: str, row: Row, text: str, path: str = "") -> tuple[Any, list[Fault], int]:
    """What comes of some text in the place of a row, and the line in which it stands."""
    at = path or row.path
    places = {place: told for place, told in row.beside.items() if place != at}
    marked = document(BASES[kind], {**places, at: "HERE"})
    line = next(n for n, one in enumerate(marked.splitlines(), 1) if "HERE" in one)
    whole = marked.replace(" HERE", f" {text}" if text else "")
    read, faults = loaded(kind, whole, row)
    return read, faults, line


def every_row() -> Any:
    """One case for each key."""
    return pytest.mark.parametrize(("kind", "key"), EVERY_ROW, ids=[key for _, key in EVERY_ROW])


# ---------------------------------------------------------------- the rules


def test_every_key_of_the_models_has_a_row_and_every_row_a_key() -> None:
    """A new key comes with a right use, a misuse and an example, or not at all."""
    assert {key for rows in ROWS.values() for key in rows} == set(keys_of_all_files())
    assert [key for rows in ROWS.values() for key, row in rows.items() if not row.wrong] == []


@every_row()
def test_a_key_is_read_into_its_value(kind: str, key: str) -> None:
    """What stands in the file is what the bench works with."""
    row = ROWS[kind][key]
    read, faults, _ = with_text(kind, row, row.right)
    assert faults == []
    assert row.value(read) == row.read


@every_row()
def test_the_example_of_a_key_loads(kind: str, key: str) -> None:
    """Every key has a help text and an example, and the example can be written as it stands."""
    row, info = ROWS[kind][key], keys_of_all_files()[key]
    assert info.description
    assert info.examples
    path = row.path.rpartition(".")[0] if key in EXAMPLES_FOLLOW and "." in row.path else row.path
    for example in info.examples:
        name, inner = (path, example)
        if key in EXAMPLES_FOLLOW:
            ((last, inner),) = example.items() if len(example) == 1 else [next(iter(example.items()))]
            name = f"{parts_of(row.path)[0]}.{last}"
        _, faults, _ = with_text(kind, row, flow(inner), name)
        assert faults == [], key


@every_row()
def test_a_misused_key_is_told_with_file_line_path_value_and_cure(kind: str, key: str) -> None:
    """Wrong unit, wrong type, a name that is not there: each at its place, with what to write instead."""
    row = ROWS[kind][key]
    assert row.wrong
    for text, says in row.wrong:
        _, faults, line = with_text(kind, row, text)
        assert faults, (key, text)
        told = [fault for fault in faults if says in f"{fault.text}; {fault.cure}"]
        assert told, (key, text, [str(fault) for fault in faults])
        fault = told[0]
        assert Path(fault.file).name == f"{kind}.yaml"
        assert fault.line == line, (key, text, str(fault))
        assert fault.path.startswith(row.path), (key, text, str(fault))
        assert fault.cure
        assert len(faults) == 1, (key, text, [str(fault) for fault in faults])


@every_row()
@pytest.mark.parametrize("text", ["[[1, 2], [3]]", "{zz: 1}", ""], ids=["a list", "a mapping", "nothing"])
def test_no_key_takes_what_is_of_another_kind(kind: str, key: str, text: str) -> None:
    """A list of lists, a mapping of something unheard of, and nothing at all are refused at every key."""
    row = ROWS[kind][key]
    if key in FREE and text.startswith("{"):
        assert with_text(kind, row, text)[1] == []
        return
    _, faults, line = with_text(kind, row, text)
    assert faults, (key, text)
    assert any(fault.path.startswith(row.path) and fault.line >= line and fault.cure for fault in faults), (
        [str(fault) for fault in faults]
    )  # fmt: skip


@every_row()
def test_a_misspelt_key_is_told_with_what_was_meant(kind: str, key: str) -> None:
    """One letter too many is no other key, and no free text."""
    row = ROWS[kind][key]
    name = key.partition(".")[2]
    if parts_of(row.path)[-1] != name:  # the row names an entry of the mapping
        row = Row(name, "{}", row.value, row.read, row.wrong, {}, {})
    elif key in FIRST_WORDS:
        _told_as_missing_or_unknown(kind, row, name)
        return
    _, faults, line = with_text(kind, row, row.right, f"{row.path}x")
    told = [fault for fault in faults if fault.path == f"{row.path}x"]
    assert told, [str(fault) for fault in faults]
    assert told[0].line == line
    assert told[0].text == "unknown key"
    assert told[0].cure == f"did you mean {name}?"


def _told_as_missing_or_unknown(kind: str, row: Row, name: str) -> None:
    """Without its first word nobody knows what an entry is: then the words that could stand there are told."""
    places = {path: text.replace(f"{name}: ", f"{name}x: ") for path, text in row.beside.items()}
    assert places != row.beside or not row.beside
    spoilt = Row(row.path, row.right, row.value, row.read, row.wrong, places, row.rig)
    _, faults, _ = with_text(kind, spoilt, row.right, f"{row.path}x")
    parent = row.path.rpartition(".")[0]
    assert any(fault.path.startswith(parent) and fault.cure for fault in faults), [str(fault) for fault in faults]


@pytest.mark.parametrize("kind", list(MODELS))
def test_keys_of_other_places_are_unknown_at_the_top(kind: str) -> None:
    """`press:` in a rig, `coil:` in a scenario: every key of every model but the file's own, all told at once."""
    own = {info.alias or name for name, info in MODELS[kind].model_fields.items()}
    others = sorted({key.partition(".")[2] for key in keys_of_all_files()} - own)
    text = BASES[kind] + "".join(f"{name}: x\n" for name in others)
    _, faults = loaded(kind, text, None)
    assert sorted(fault.path for fault in faults) == others
    assert {fault.text for fault in faults} == {"unknown key"}


def test_every_key_stands_in_the_readme() -> None:
    """Whoever looks for a key finds it used there, in the section of its file."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for kind, rows in ROWS.items():
        begin, end = SECTIONS[kind]
        section = readme[readme.index(begin) : readme.index(end)]
        assert [key for key in rows if not re.search(rf"\b{re.escape(key.partition('.')[2])}:", section)] == []


def test_a_required_key_that_is_misspelt_hides_nothing() -> None:
    """Where keys of a driver or of a fault may stand too, a misspelt `driver:` or `fault:` is still told as such."""
    text = document(RIG, {}).replace("  driver: modbus-coil", "  drivr: modbus-coil")
    assert [(one.path, one.cure) for one in loaded("rig", text, None)[1]] == [("supply.drivr", "did you mean driver?")]
    text = document(BASES["program"], {"faults": "[{fault: stale-image}]"}).replace("- fault:", "- falt:")
    assert [(one.path, one.cure) for one in loaded("program", text, None)[1]] == [
        ("faults[0].falt", "did you mean fault?")
    ]
