"""Dataclasses as JSON and back: the one codec of journal, approvals, supply cards and what child processes are given.

pydantic reads them (it is there for the files that people write): strict about types, so that a damaged archive is
told as such instead of being taken for something else. Its adapters are made when first needed, and imported by
nobody who only writes.
"""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING, Any, TypeVar

from restart_bench import records
from restart_bench.records import Record

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T")
KIND = "record"
"""The key under which a line of the journal names its record."""


def to_line(record: Record) -> str:
    """One JSON line of the journal, without line end; the kind stands under "record"."""
    return json.dumps({KIND: type(record).__name__, **dataclasses.asdict(record)}, ensure_ascii=False)


def from_line(line: str) -> Record:
    """The record that a line of the journal tells. Raises ValueError on a line that is torn or unknown."""
    fields = json.loads(line, parse_int=records.whole_number)
    kind = fields.get(KIND) if isinstance(fields, dict) else None
    if kind not in records.RECORD_TYPES:
        raise ValueError("no known record on this line")
    record: Record = _adapter(records.RECORD_TYPES[kind]).validate_json(line, strict=True)
    return record


def from_fields(kind: type[T], fields: Any) -> T:
    """A value of this class from its JSON form. Raises ValueError where a field is missing or of another type."""
    return _adapter(kind).validate_json(json.dumps(fields), strict=True)


_adapters: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(kind: type[T]) -> TypeAdapter[T]:
    if kind not in _adapters:
        from pydantic import TypeAdapter

        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]
