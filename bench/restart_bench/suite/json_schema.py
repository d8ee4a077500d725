"""JSON Schemas of the files that people write, for editors: every key with its help and an example.

What follows a driver or a fault is told by the card of that name; what a file lacks may stand in the one it extends.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any, Literal

from restart_bench.files.key_cards import shapes_of
from restart_bench.files.validation import Written, keys_of
from restart_bench.model.fault_catalogue import FAULTS
from restart_bench.model.units import show_duration
from restart_bench.suite.program_schema import FaultIn, ProgramIn
from restart_bench.suite.rig_schema import RigIn, SupplyIn
from restart_bench.suite.scenario_schema import ScenarioIn
from restart_bench.suite.supply_reader import RELAY_KEYS, places_of
from restart_bench_drivers.interface import SupplyCard

FileKind = Literal["rig", "scenario", "program"]
MODELS: dict[str, type[Written]] = {"rig": RigIn, "scenario": ScenarioIn, "program": ProgramIn}
DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]


def schema_for(kind: FileKind, cards: Mapping[str, SupplyCard]) -> Schema:
    """The JSON Schema of a rig, scenario or program file, with the keys of these drivers. Raises ValueError for any
    other kind."""
    model = MODELS.get(kind)
    if model is None:
        raise ValueError(f"{kind} is no kind of file; write one of: {', '.join(MODELS)}")
    schema: Schema = copy.deepcopy(model.model_json_schema(by_alias=True))
    for part in (schema, *schema.get("$defs", {}).values()):
        _tidy(part)
    if kind == "rig":
        _add_drivers(schema, cards)
    if kind == "program":
        _add_faults(schema["$defs"]["FaultIn"])
    title = f"{kind} file of restart-bench"
    return {"$schema": DIALECT, **schema, "title": title}


# ---------------------------------------------------------------- keys that follow a name


def _add_drivers(schema: Schema, cards: Mapping[str, SupplyCard]) -> None:
    """The keys of each driver where its name stands; what is required, unless another file may say it."""
    supply = schema["$defs"]["SupplyIn"]
    del supply["additionalProperties"]
    supply["properties"]["driver"].update(type="string", enum=list(cards))
    supply["allOf"] = [_follows("driver", name, _keys_of_driver(card)) for name, card in cards.items()]
    needed = {
        "required": supply.pop("required"),
        "allOf": [_follows("driver", name, _needed_by(card)) for name, card in cards.items()],
    }
    whole = {"required": schema.pop("required"), "properties": {"supply": needed}}
    schema.update({"if": {"required": ["extends"]}, "else": whole})


def _keys_of_driver(card: SupplyCard) -> Schema:
    common = [name for name in keys_of(SupplyIn) if card.has_contact or name != "contact"]
    return _closed(common, shapes_of(card.keys))


def _needed_by(card: SupplyCard) -> Schema:
    needed: Schema = {"required": [key.name for key in card.keys if key.required]}
    if card.has_contact:
        needed["required"] += ["contact", *RELAY_KEYS]
    if places := places_of(card):
        needed["anyOf"] = [{"required": [name]} for name in places]
    return needed


def _add_faults(fault: Schema) -> None:
    del fault["additionalProperties"]
    fault["properties"]["fault"].update(type="string", enum=list(FAULTS))
    for name, card in FAULTS.items():
        required = [key.name for key in card.keys if key.required]
        then = {**_closed(keys_of(FaultIn), shapes_of(card.all_keys)), "required": required, "description": card.does}
        fault.setdefault("allOf", []).append(_follows("fault", name, then))


def _follows(key: str, name: str, then: Schema) -> Schema:
    """What holds where a key has this value."""
    return {"if": {"properties": {key: {"const": name}}, "required": [key]}, "then": then}


def _closed(common: list[str] | tuple[str, ...], properties: Schema) -> Schema:
    """These properties, and no key beside them but the common ones."""
    return {"properties": properties, "propertyNames": {"enum": [*common, *properties]}}


# ---------------------------------------------------------------- as people write


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
