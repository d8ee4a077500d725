"""What a link asks for and what it tells. Tuples rather than dataclasses, because thousands are made a second."""

from __future__ import annotations

from typing import NamedTuple

from restart_bench.records import SampleKind


class Open(NamedTuple):
    """Begin a connect."""

    connection: int


class Send(NamedTuple):
    """Send these bytes on an accepted connection."""

    connection: int
    data: bytes


class Close(NamedTuple):
    """Let go of a connection or an attempt; nothing more is heard of it."""

    connection: int


Action = Open | Send | Close


class Sample(NamedTuple):
    """What came of one request. `values` are those of the request's points, () unless the kind is good."""

    request: int
    kind: SampleKind
    exception: int
    connection: int
    sent_ns: int
    received_ns: int
    values: tuple[float, ...]


class Outcome(NamedTuple):
    """What came of a write that was asked for: `problem` is "" when the device confirmed it."""

    ticket: int
    sent_ns: int
    received_ns: int
    problem: str


Meaning = tuple[int, tuple[float, ...]]
"""Exception code (0: none, MALFORMED: makes no sense) and values of a reply."""

NO_CONTACT, SILENT, RESET = "no contact", "silent", "reset"
"""Problems of writes; any other is "exception N"."""
