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
from test_file_keys import FIRST_WORDS, FREE, document, parts_of

from file_keys import BASES, EVERY_ROW, MODELS, ROWS
from file_suites import PROGRAM, RIG, SCENARIO
from restart_bench.cli.new import Answers, files_for
from restart_bench.model.units import parse_duration
from restart_bench.suite.json_schema import schema_for

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "scenarios" / "grain-dryer"
Kind = Literal["rig", "scenario", "program"]


class LikeAnEditor(yaml.SafeLoader):
    """Dates as text, as editors hand them to a schema."""


LikeAnEditor.add_constructor("tag:yaml.org,2002:timestamp", yaml.SafeLoader.construct_yaml_str)


@cache
def validator(kind: str) -> Draft202012Validator:
    """The validator of a kind of file."""
    return Draft202012Validator(schema_for(kind))  # type: ignore[arg-type]


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
    return found


@pytest.mark.parametrize("kind", list(MODELS))
def test_a_schema_is_a_schema(kind: Kind) -> None:
    """Valid by its own dialect, which it names."""
    schema = schema_for(kind)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"] == f"{kind} file of restart-bench"


def test_there_are_schemas_of_three_kinds() -> None:
    """Any other name is refused with the names that there are."""
    with pytest.raises(ValueError, match="recipe is no kind of file; write one of: rig, scenario, program"):
        schema_for("recipe")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", list(MODELS))
def test_every_key_of_a_schema_has_help_and_an_example(kind: Kind) -> None:
    """What the editor shows while one types."""
    told = places(schema_for(kind))
    assert len(told) > 40
    assert [path for path, one in told if not one.get("description") or not one.get("examples")] == []


@pytest.mark.parametrize("kind", list(MODELS))
def test_every_example_is_valid_in_its_own_place(kind: Kind) -> None:
    """An example that the schema itself would mark red teaches nothing."""
    schema = schema_for(kind)
    bad = []
    for path, one in places(schema):
        inner = Draft202012Validator({**one, "$defs": schema.get("$defs", {})})
        bad += [f"{path}: {fault.message}" for example in one["examples"] for fault in inner.iter_errors(example)]
    assert bad == []


@pytest.mark.parametrize("kind", list(MODELS))
def test_defaults_are_told_as_people_write_them(kind: Kind) -> None:
    """`10 ms`, not ten million nanoseconds; `off`, not false; each valid in its place."""
    schema = schema_for(kind)
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
    for name, text in files_for(answers, by_hand).items():
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
    if not free and not row.path.startswith(("supply.", "faults[0]")) and key not in FIRST_WORDS:
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
