"""Dataclasses as JSON and back: the one codec of journal, approvals, supply cards and what child processes are given.

pydantic reads them (it is there for the files that people write): strict about types, so that a damaged archive is
told as such instead of being taken for something else. Its adapters are made when first needed, and imported by
nobody who only writes.
"""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING, Any, TypeVar

from restart_bench.model import journal as records
from restart_bench.model.journal import FindingKind, Record

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T")
KIND = "record"
"""The key under which a line of the journal names its record."""


def to_line(record: Record) -> str:
    """One JSON line of the journal, without line end; the kind stands under "record"."""
    return json.dumps({KIND: record.__class__.__name__, **dataclasses.asdict(record)}, ensure_ascii=False)


def from_line(line: str) -> Record:
    """The record that a line of the journal tells. Raises ValueError on a line that is torn or unknown."""
    fields = json.loads(line, parse_int=records.table_number)
    kind = fields.get(KIND) if isinstance(fields, dict) else None
    if kind not in records.RECORD_TYPES:
        raise ValueError("no known record on this line")
    if _completed(fields):
        line = json.dumps(fields)
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


# ---------------------------------------------------------------- journals from before findings had kinds


def _completed(fields: dict[str, Any]) -> bool:
    """Gives what an older journal says of findings and scenarios the fields that it lacks, as its words tell them; True
    where it did. This is the only place that reads them out of words."""
    if fields[KIND] == "CycleJudged":
        return _completed_cycle(fields)
    return fields[KIND] == "ScenarioJudged" and _completed_scenario(fields)


def _completed_cycle(fields: dict[str, Any]) -> bool:
    older = [one for one in _mappings(fields, "findings") if "kind" not in one]
    was_cut = any(mark.get("name") == "cut" for mark in _mappings(fields, "marks"))
    limits_ready = False
    for finding in older:
        kind, subject = _about(str(finding.get("point")), str(finding.get("expectation")), was_cut=was_cut)
        if (kind, subject) == (FindingKind.MARK, "ready") and not limits_ready:
            kind, limits_ready = FindingKind.READY, True  # the rig's own limit comes before those of `times:`
        finding |= {"kind": kind, "subject": subject}
    return bool(older)


def _completed_scenario(fields: dict[str, Any]) -> bool:
    older, reason = [one for one in _mappings(fields, "late_findings") if "kind" not in one], fields.get("reason")
    for finding in older:
        finding |= {"kind": FindingKind.CHANNEL, "subject": finding.get("point")}
    if "head" in fields or not isinstance(reason, str):
        return bool(older)
    head, begun = reason.split(": cycle ")[0], reason.split("; cycle ", maxsplit=1)[0]
    fields |= {"head": "" if head == reason else head, "begun": "" if begun == reason else begun}
    return True


def _mappings(fields: dict[str, Any], name: str) -> list[dict[str, Any]]:
    """The mappings in a list; what else stands there is told when the whole is read."""
    found = fields.get(name)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


_OF_A_CYCLE = {
    "restart: ": FindingKind.RESTART,
    "valid: ": FindingKind.VALIDITY,
    "all phases done": FindingKind.COMPLETION,
    "before: ": FindingKind.REHEARSAL_STEP,
    "function check: ": FindingKind.FUNCTION_CHECK,
}
_OF_A_POINT = {
    "same program as before": FindingKind.PROGRAM,
    "same device as before": FindingKind.DEVICE,
    "check channel holds": FindingKind.CHECK_CHANNEL,
    "only_while held": FindingKind.ONLY_WHILE,
}
_WITH_SUBJECT = (FindingKind.VALIDITY, FindingKind.REHEARSAL_STEP, FindingKind.FUNCTION_CHECK)


def _about(point: str, expectation: str, *, was_cut: bool) -> tuple[FindingKind, str]:
    """Kind and subject of a finding of a cycle, from its words. Only a rehearsal checks functions without a cut."""
    if point:
        between, _, first = expectation.rpartition(" after ")
        if between.startswith(f"{point} "):
            return FindingKind.GAP, first
        return _OF_A_POINT.get(expectation, FindingKind.EXPECTATION), point
    for begins, kind in _OF_A_CYCLE.items():
        if expectation.startswith(begins):
            subject = expectation.removeprefix(begins) if kind in _WITH_SUBJECT else ""
            rehearsed = kind is FindingKind.FUNCTION_CHECK and not was_cut
            return FindingKind.REHEARSAL_STEP if rehearsed else kind, subject
    return FindingKind.MARK, expectation.split(" ", maxsplit=1)[0]
