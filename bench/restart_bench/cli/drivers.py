"""The supplies that a rig file can name, in lines for people (`drivers`)."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

from restart_bench.model.outcome import Refused
from restart_bench.model.wording import hanging, listed, without_controls
from restart_bench_drivers.interface import Key, SupplyCard
from restart_bench_drivers.registry import cards, left_out

_INDENT = 16


def driver_lines(name: str | None, width: int) -> list[str]:
    """All drivers in a line each, or one with its keys and an example. Raises Refused on a name that is not known."""
    known = cards()
    if name is None:
        lines = [line for card in known.values() for line in hanging(card.name, card.summary, width, _INDENT)]
        lines += [f"left out: {entry}: {reason}" for entry, reason in left_out().items()]
        lines.append("Keys and an example: restart-bench drivers NAME")
        return [without_controls(line) for line in lines]
    if name not in known:
        near = get_close_matches(name, known, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise Refused(f"no supply driver is called {name}; {hint}Known are: {', '.join(known)}.")
    return [without_controls(line) for line in _card_lines(known[name], width)]


def _card_lines(card: SupplyCard, width: int) -> Iterator[str]:
    yield from hanging(f"{card.name}:", card.summary, width, len(card.name) + 2)
    for key in card.keys:
        yield from hanging(f"  {key.name}", key_text(key), width, _INDENT)
    if card.has_contact:
        yield from hanging("  also", "contact, operate, release, bounce (it is a relay: see its data sheet)", width, 16)
    if card.install:
        yield from hanging("  needs", card.install, width, _INDENT)
    for fact in _facts(card):
        yield from hanging("", fact, width, _INDENT)
    yield ""
    yield from card.example.strip().splitlines()


def key_text(key: Key) -> str:
    """What a key is, as `drivers` and README say it."""
    kind = listed(key.choices).replace(" and ", " or ") if key.choices else key.kind
    need = "required" if key.required else f"default {key.default}" if key.default is not None else "optional"
    return f"{key.help} ({kind}, {need})"


def _facts(card: SupplyCard) -> Iterator[str]:
    if not card.holds_after_exit:
        yield "Its output does not stay as it is when the bench ends: what it then does is up to the hardware."
    if not card.quiet_open:
        yield "Opening it may already move the output."
    if not card.reads_back:
        yield "It can't be read back: only a proof of the cut shows that it obeyed."
    if card.has_levels:
        yield "It can also stand between on and off (`level:`)."
    if card.needs_person:
        yield "A person switches and answers at the console."
