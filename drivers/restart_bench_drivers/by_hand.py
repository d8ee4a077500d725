"""A person switches the supply. The cut is then known only between the question and the answer."""

from __future__ import annotations

from restart_bench_drivers.interface import AskPerson, Key, SupplyCard, SupplyError

CARD = SupplyCard(
    name="by-hand",
    summary="a person works a switch when asked; the cut lies between question and answer",
    load="restart_bench_drivers.by_hand:ByHand",
    keys=(
        Key("switch", "text", "the switch as it is labelled, and where it is", required=True, example="main switch Q1"),
    ),
    example="supply: {driver: by-hand, switch: main switch Q1 on the rig's front}",
    has_contact=False,
    reads_back=False,
    needs_person=True,
    address_keys=("switch",),
)


class ByHand:
    """A person at a switch. A no means "not yet": it is asked three times, and once where the third was a no before.
    Raises SupplyError when the person says no each time, or nobody can answer."""

    def __init__(self, *, switch: str, ask: AskPerson | None) -> None:
        if not switch.strip():
            raise SupplyError("supply driver by-hand: `switch:` is empty; name the switch as it is labelled")
        self._switch, self._ask = switch.strip(), ask
        self._closed = False
        self._refused = ""  # what the person said no to three times

    def on(self) -> None:
        """Ask for the supply to be switched on; returns once the person says that it is."""
        # ON already: nobody knows how it stands at first, and OFF may have been said before it was switched
        self._asked("ON", "the controller gets its power; where it is ON already leave it so and answer y")

    def off(self) -> None:
        """Ask for the supply to be switched off; returns once the person says that it is."""
        self._asked("OFF", "the controller loses its power")

    def is_on(self) -> None:
        """Nobody knows without asking."""
        return

    def close(self) -> None:
        """Nothing to let go of; the switch stays as it is."""
        self._closed = True

    def _asked(self, word: str, effect: str) -> None:
        if self._closed:
            raise SupplyError(f"the supply by hand ({self._switch}) has been closed; open the supply again")
        if self._ask is None:
            raise SupplyError(
                f"{self._switch} has to be switched {word} by hand, but nobody can answer here: run the bench at a "
                f"console, or use a supply that needs no person"
            )
        question = f"Switch {word} now: {self._switch} ({effect}). Is it {word}?"
        again = self._refused == word
        begins = (
            (f"Still not {word}; this is asked for the last time. ",)
            if again
            else ("", f"Not {word} yet. ", f"Not {word} yet; a third no counts as not done. ")
        )
        for begin in begins:
            if self._ask(f"{begin}{question}"):
                self._refused = ""
                return
        self._refused = word
        raise SupplyError(f"asked {'once more' if again else 'three times'}, it was not {word}: look at {self._switch}")
