"""JSON Schemas for editors: they take every file that the bench takes, and refuse what an editor should mark red.

Validated with the general-purpose library `jsonschema`, which knows nothing of this bench.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Literal

import pytest
import yaml
from jsonschema import Draft202012Validator
from test_file_keys import FIRST_WORDS, FREE

from file_keys import BASES, EVERY_ROW, MODELS, ROWS, CardRow, card_rows
from file_suites import PROGRAM, RIG, SCENARIO
from placed_keys import FAST_DUMPER, document, loaded, parts_of
from restart_bench.cli.new import Answers, files_for
from restart_bench.model.fault_catalogue import FAULTS
from restart_bench.model.units import parse_duration
from restart_bench.suite.json_schema import schema_for
from restart_bench_drivers.registry import OWN, cards

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "scenarios" / "grain-dryer"
Kind = Literal["rig", "scenario", "program"]
CARDS = cards()
CARD_ROWS = card_rows({card.name: card for card in OWN}, FAULTS)


FAST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class LikeAnEditor(FAST):
    """Dates as text, as editors hand them to a schema."""


LikeAnEditor.add_constructor("tag:yaml.org,2002:timestamp", yaml.SafeLoader.construct_yaml_str)


@cache
def validator(kind: str) -> Draft202012Validator:
    """The validator of a kind of file."""
    return Draft202012Validator(schema_for(kind, CARDS))  # type: ignore[arg-type]


def faults_of(kind: str, text: str) -> list[str]:
    """What an editor would mark, each with its place."""
    tree = yaml.load(text, Loader=LikeAnEditor)
    return [f"{'.'.join(map(str, one.absolute_path))}: {one.message}" for one in validator(kind).iter_errors(tree)]


def places(schema: Any, path: str = "") -> list[tuple[str, dict[str, Any]]]:
    """Every key of a schema with what the schema says of it."""
    found: list[tuple[str, dict[str, Any]]] = []
    parts = {path: schema, **{f"{path}{name}": part for name, part in schema.get("$defs", {}).items()}}
    for name, part in parts.items():
        found += [(f"{name}.{key}", told) for key, told in part.get("properties", {}).items()]
        for follows in part.get("allOf", []):
            ((key, named),) = follows["if"]["properties"].items()
            then = follows["then"].get("properties", {})
            found += [(f"{name}.{key}={named['const']}.{inner}", told) for inner, told in then.items()]
    return found


@pytest.mark.parametrize("kind", list(MODELS))
def test_a_schema_is_a_schema(kind: Kind) -> None:
    """Valid by its own dialect, which it names."""
    schema = schema_for(kind, CARDS)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"] == f"{kind} file of restart-bench"


def test_there_are_schemas_of_three_kinds() -> None:
    """Any other name is refused with the names that there are."""
    with pytest.raises(ValueError, match="recipe is no kind of file; write one of: rig, scenario, program"):
        schema_for("recipe", CARDS)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", list(MODELS))
def test_every_key_of_a_schema_has_help_and_an_example(kind: Kind) -> None:
    """What the editor shows while one types."""
    told = places(schema_for(kind, CARDS))
    assert len(told) > 40
    assert [path for path, one in told if not one.get("description") or not one.get("examples")] == []


@pytest.mark.parametrize("kind", list(MODELS))
def test_every_example_is_valid_in_its_own_place(kind: Kind) -> None:
    """An example that the schema itself would mark red teaches nothing."""
    schema = schema_for(kind, CARDS)
    bad = []
    for path, one in places(schema):
        inner = Draft202012Validator({**one, "$defs": schema.get("$defs", {})})
        bad += [f"{path}: {fault.message}" for example in one["examples"] for fault in inner.iter_errors(example)]
    assert bad == []


@pytest.mark.parametrize("kind", list(MODELS))
def test_defaults_are_told_as_people_write_them(kind: Kind) -> None:
    """`10 ms`, not ten million nanoseconds; `off`, not false; each valid in its place."""
    schema = schema_for(kind, CARDS)
    found = 0
    for path, one in places(schema):
        if "default" not in one:
            continue
        found += 1
        inner = Draft202012Validator({**one, "$defs": schema.get("$defs", {})})
        assert list(inner.iter_errors(one["default"])) == [], path
        if "min|h|d" in str(one):
            parse_duration(str(one["default"]))
    assert found > 3


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.yaml")), ids=lambda path: path.name)
def test_the_demo_is_valid(path: Path) -> None:
    """Every file of the demo, by the schema of its kind."""
    text = path.read_text(encoding="utf-8")
    kind = next(iter(yaml.safe_load(text)))
    assert faults_of(kind, text) == []


@pytest.mark.parametrize("by_hand", [False, True])
def test_what_new_writes_is_valid(by_hand: bool) -> None:
    """The files that a newcomer begins with are not marked red."""
    answers = Answers("my-rig", ("auger", "burner"), ("fan",))
    files = files_for(answers, by_hand)
    assert {"rig.yaml", "program.yaml"} < set(files)
    for name, text in files.items():
        assert faults_of(next(iter(yaml.safe_load(text))), text) == [], name


def test_the_files_of_the_loaders_tests_are_valid() -> None:
    """What the loader takes in its own tests."""
    assert [faults_of(kind, text) for kind, text in (("rig", RIG), ("scenario", SCENARIO), ("program", PROGRAM))] == [
        [], [], [],
    ]  # fmt: skip


@pytest.mark.parametrize(("kind", "key"), EVERY_ROW, ids=[key for _, key in EVERY_ROW])
def test_an_editor_takes_what_the_bench_takes_at_every_key(kind: str, key: str) -> None:
    """The right use of each key is valid; the same key misspelt, and a list of lists in its place, are not."""
    row = ROWS[kind][key]
    beside = {place: text for place, text in row.beside.items() if place != row.path}
    assert faults_of(kind, document(BASES[kind], {**beside, row.path: row.right})) == []
    free = key in FREE or key == "Supply.driver" or parts_of(row.path)[-1] != key.partition(".")[2]
    if not free and key not in FIRST_WORDS:
        assert faults_of(kind, document(BASES[kind], {**beside, f"{row.path}x": row.right})) != []
    if key not in FREE:
        assert faults_of(kind, document(BASES[kind], {**beside, row.path: "[[1], [2]]"})) != []


@pytest.mark.parametrize("word", ["on", "Off", "YES", "no", "True", "false"])
def test_an_editor_of_yaml_1_2_takes_on_and_off_as_text(word: str) -> None:
    """There `on` is a word, and the schema takes it as one."""
    tree = yaml.load(RIG, Loader=LikeAnEditor)
    tree["points"]["start"]["writable"] = word
    assert list(validator("rig").iter_errors(tree)) == []


def test_a_scenario_without_its_cut_is_marked() -> None:
    """What is required is required in the editor too."""
    assert faults_of("scenario", "scenario: s\n") == [": 'cut' is a required property"]


# ---------------------------------------------------------------- what follows a driver or a fault


def _in_one_line(value: object) -> str:
    return str(yaml.dump(value, Dumper=FAST_DUMPER, default_flow_style=True, width=1000))


def with_key(row: CardRow, text: str, path: str = "") -> str:
    """The base file with the driver's or the fault's example, and a text at the key's place."""
    ((part, example),) = yaml.safe_load(row.base).items()
    placed = {part: _in_one_line(example)}
    return document(BASES[row.file], {**placed, path or row.path: text})


@pytest.mark.parametrize("key", CARD_ROWS)
def test_editor_and_bench_agree_on_every_key_of_a_driver_and_of_a_fault(key: str) -> None:
    """The right uses are taken by both; wrong ones are refused by the bench, and marked where a schema can see them; a
    misspelt key is refused by both."""
    row = CARD_ROWS[key]
    for text in row.right:
        whole = with_key(row, text)
        assert (faults_of(row.file, whole), loaded(row.file, whole, None)[1]) == ([], []), text
    for text, seen in row.wrong:
        whole = with_key(row, text)
        told = [fault for fault in loaded(row.file, whole, None)[1] if fault.path == row.path]
        assert told and told[0].cure, text
        assert not seen or faults_of(row.file, whole), text
    misspelt = with_key(row, row.right[0], f"{row.path}x")
    assert faults_of(row.file, misspelt)
    (fault,) = loaded(row.file, misspelt, None)[1]
    assert (fault.path, fault.text) == (f"{row.path}x", "unknown key")
    assert fault.cure == f"did you mean {row.path.rpartition('.')[2]}?"


def test_rows_hold_every_driver_and_every_fault() -> None:
    """None is left out because a kind of value is missing here."""
    assert {key.partition(".")[0] for key in CARD_ROWS} == {card.name for card in OWN if card.keys} | set(FAULTS)


@pytest.mark.parametrize("card", OWN, ids=lambda card: card.name)
def test_what_a_driver_needs_is_required_in_the_editor(card: Any) -> None:
    """Every key that the bench misses is missed by the schema; and neither misses anything in the card's example, nor
    where the file extends another."""
    (example,) = yaml.safe_load(card.example).values()
    for left_out in [*example, ""]:
        rest = {name: value for name, value in example.items() if name != left_out}
        text = document(BASES["rig"], {"supply": _in_one_line(rest)})
        assert bool(faults_of("rig", text)) == bool(loaded("rig", text, None)[1]), left_out
        assert faults_of("rig", f"extends: base.yaml\n{text}") == []
    contact = document(BASES["rig"], {"supply": _in_one_line(example), "supply.contact": "normally-open"})
    assert bool(faults_of("rig", contact)) is not card.has_contact


@pytest.mark.parametrize(("file", "text"), [
    ("rig", "supply: {driver: modbus-coyl, host: 192.0.2.1}"), ("program", "faults: [{fault: stale-imag}]"),
])  # fmt: skip
def test_names_that_nobody_knows_are_marked(file: str, text: str) -> None:
    """A driver or a fault that there is none of."""
    ((part, told),) = yaml.safe_load(text).items()
    whole = document(BASES[file], {part: _in_one_line(told)})
    assert [fault for fault in faults_of(file, whole) if "is not one of" in fault]


def test_a_fault_without_its_point_is_marked() -> None:
    """The required keys of each fault are required in the editor, and by the bench at the key's own place."""
    whole = document(BASES["program"], {"faults": "[{fault: pulse}]"})
    assert faults_of("program", whole) == ["faults.0: 'point' is a required property"]
    assert [(one.path, one.text) for one in loaded("program", whole, None)[1]] == [("faults[0].point", "is missing")]
