"""Several editions of a program side by side, and what an edit changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from restart_bench.predict.engine import Answer

Key = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class ChangedAnswer:
    """An answer that another edition of the program changed; None where that edition has no such output."""

    key: Key
    old: Answer | None
    new: Answer | None


def by_key(answers: Sequence[Answer]) -> dict[Key, Answer]:
    """Answers by what they are about."""
    return {answer.key: answer for answer in answers}


def differences(old: Sequence[Answer], new: Sequence[Answer]) -> tuple[ChangedAnswer, ...]:
    """Every answer that differs, in the order of the new edition; outputs that only one of them has come too, and those
    that the same presses bring on at another time."""
    before, after = by_key(old), by_key(new)
    keys = [*after, *(key for key in before if key not in after)]
    return tuple(
        ChangedAnswer(key, before.get(key), after.get(key)) for key in keys if _differ(before.get(key), after.get(key))
    )


def _differ(old: Answer | None, new: Answer | None) -> bool:
    if old is None or new is None:
        return old is not new
    (one, early), (other, late) = old.coming, new.coming
    return old.says != new.says or (one is not None and one == other and early != late)


def side_by_side(editions: Mapping[str, Sequence[Answer]]) -> dict[Key, tuple[Answer | None, ...]]:
    """What every edition says of each output, restart and kind of inputs that any of them has, in their order."""
    known = [by_key(answers) for answers in editions.values()]
    keys = dict.fromkeys(key for answers in known for key in answers)
    return {key: tuple(answers.get(key) for answers in known) for key in keys}
