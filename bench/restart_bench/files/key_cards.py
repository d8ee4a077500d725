"""Keys that cards describe, those of a supply's driver and those of an ordered fault: read, and told to editors.

A card says of each key what kind its value is; the kinds themselves stand in one table, for these keys and for those
of the bench's own files.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

from pydantic_core import PydanticCustomError

from restart_bench.files.cures import VALUE, Refusal, closest, cure_for
from restart_bench.files.kinds import KINDS, As, lasting, whole, word
from restart_bench.files.tree import Scalar
from restart_bench.files.validation import KeyPath, Ledger, unknown_key
from restart_bench.model.units import show_duration


class KeyCard(Protocol):
    """What a card says of one key. `least` and `most` bound a whole number, `least` a duration too."""

    @property
    def name(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def help(self) -> str: ...
    @property
    def required(self) -> bool: ...
    @property
    def default(self) -> Any: ...
    @property
    def choices(self) -> tuple[str, ...]: ...
    @property
    def least(self) -> int: ...
    @property
    def most(self) -> int: ...
    @property
    def example(self) -> Any: ...


def kind_of(key: KeyCard) -> As:
    """How the value of a key is read, and its shape. Raises ValueError for a kind that is not known."""
    if key.kind == "choice":
        return word(*key.choices)
    if key.kind == "whole number":
        return whole(key.least, key.most)
    if key.kind == "duration":
        return lasting(key.least)
    if key.kind not in KINDS:
        raise ValueError(f"{key.name}: {key.kind} is no kind of value; known are {', '.join(KINDS)}")
    return KINDS[key.kind]


def read_keys(
    path: KeyPath, written: Mapping[str, Any], keys: Sequence[KeyCard], beside: Iterable[str], ledger: Ledger
) -> dict[str, Any]:
    """The values of the keys written in a block; what is wrong goes to the ledger. `beside`: the keys that the block
    has whatever its card says."""
    known = {key.name: key for key in keys}
    values: dict[str, Any] = {}
    for name, value in written.items():
        if name not in known:
            unknown_key((*path, name), (*known, *beside), ledger)
            continue
        try:
            values[name] = kind_of(known[name]).read(value)
        except PydanticCustomError as error:
            _note((*path, name), value, error, ledger)
    for key in keys:
        misspelt = any(closest(name, known) == key.name for name in written if name not in known)
        if key.required and key.name not in written and not misspelt:
            ledger.fault((*path, key.name), "is missing", f"add it: {key.help}")
    return values


def _note(path: KeyPath, value: Any, error: PydanticCustomError, ledger: Ledger) -> None:
    context: dict[str, Any] = dict(error.context or {})
    text = context["text"] or (value.text if isinstance(value, Scalar) else "")
    refusal = Refusal(VALUE, context["expected"], text, known=context["known"], default=context["cure"])
    ledger.fault(path, context["what"], cure_for(refusal))


def shapes_of(keys: Iterable[KeyCard]) -> dict[str, dict[str, Any]]:
    """The keys as the properties of a JSON Schema, each with its help and an example."""
    return {key.name: _shape(key) for key in keys}


def _shape(key: KeyCard) -> dict[str, Any]:
    kind, default = kind_of(key), as_written(key, key.default)
    example = key.example if key.example is not None else default if default is not None else kind.example
    told = {**kind.shape, "description": key.help, "examples": [example]}
    return told if default is None else {**told, "default": default}


def as_written(key: KeyCard, value: Any) -> Any:
    """A value of a card as people write it: durations with their unit, off and on as words."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return show_duration(value) if key.kind == "duration" and isinstance(value, int) else value
