"""JSON Schemas of the files that people write, for editors: every key with its help and an example."""

from __future__ import annotations

import copy
from typing import Any, Literal

from restart_bench.files.validation import Written
from restart_bench.model.units import show_duration
from restart_bench.suite.program_schema import ProgramIn
from restart_bench.suite.rig_schema import RigIn
from restart_bench.suite.scenario_schema import ScenarioIn

FileKind = Literal["rig", "scenario", "program"]
MODELS: dict[str, type[Written]] = {"rig": RigIn, "scenario": ScenarioIn, "program": ProgramIn}
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_for(kind: FileKind) -> dict[str, Any]:
    """The JSON Schema of a rig, scenario or program file. Raises ValueError for any other kind."""
    model = MODELS.get(kind)
    if model is None:
        raise ValueError(f"{kind} is no kind of file; write one of: {', '.join(MODELS)}")
    schema: dict[str, Any] = copy.deepcopy(model.model_json_schema(by_alias=True))
    for part in (schema, *schema.get("$defs", {}).values()):
        _tidy(part)
    title = f"{kind} file of restart-bench"
    return {"$schema": DIALECT, **schema, "title": title}


def _tidy(part: dict[str, Any]) -> None:
    """Defaults as people write them; generated titles go."""
    part.pop("title", None)
    for told in part.get("properties", {}).values():
        told.pop("title", None)
        _drop_null(told)
        default = told.get("default")
        if default is None or isinstance(default, dict | list):
            told.pop("default", None)
        elif isinstance(default, bool):
            told["default"] = "on" if default else "off"
        elif isinstance(default, int) and _is_duration(told):
            told["default"] = show_duration(default)


def _drop_null(told: dict[str, Any]) -> None:
    """A key without a value is a fault, so null is not offered."""
    for name in ("anyOf", "oneOf"):
        shapes = [shape for shape in told.get(name, []) if shape != {"type": "null"}]
        if len(shapes) == 1:
            del told[name]
            told.update({**shapes[0], **told})
        elif shapes:
            told[name] = shapes


def _is_duration(told: dict[str, Any]) -> bool:
    shapes = [told, *told.get("anyOf", [])]
    return any("min|h|d" in shape.get("pattern", "") for shape in shapes)
