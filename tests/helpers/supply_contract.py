"""The contract of a supply: one class of rules that every driver passes unchanged against a real counterpart.

A driver's test class inherits it and gives a fixture `counterpart`. People who write a driver of their own can
do the same against their hardware.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from importlib import import_module
from typing import Any

import pytest
import yaml

from restart_bench_drivers.interface import Supply, SupplyCard, SupplyError
from restart_bench_drivers.registry import cards, open_supply
from restart_bench_drivers.settings import in_terms_of, settled
from supply_counterparts import Counterpart

# Keys of a supply that the rig file itself has (README, rig.yaml); all others belong to the driver.
OF_THE_RIG = {"driver", "contact", "operate", "release", "bounce", "at_end", "after_trouble", "fallback", "nominal"}


class SupplyContract:
    """Rules for every supply; `counterpart` is what stands at its other end, and sees what really happened."""

    @pytest.fixture
    def card(self, counterpart: Counterpart) -> SupplyCard:
        return cards()[counterpart.driver]

    @pytest.fixture
    def contact(self, card: SupplyCard) -> str | None:
        return "normally-open" if card.has_contact else None

    @pytest.fixture
    def supply(self, counterpart: Counterpart, contact: str | None) -> Iterator[Supply]:
        opened = opened_at(counterpart, contact)
        yield opened
        opened.close()

    def test_on_gives_the_power(self, supply: Supply, counterpart: Counterpart) -> None:
        """When `on` returns, the counterpart has it on: not later."""
        supply.on()

        assert counterpart.energised is True

    def test_off_takes_the_power(self, supply: Supply, counterpart: Counterpart) -> None:
        """When `off` returns, the counterpart has it off: not later."""
        supply.on()
        supply.off()

        assert counterpart.energised is False

    def test_one_command_is_one_change(self, supply: Supply, counterpart: Counterpart) -> None:
        """No command makes the supply flicker: the counterpart's diary has one change for each."""
        for command in (supply.on, supply.off, supply.on):
            command()
            assert counterpart.energised in (True, False)  # some diaries are written by looking

        assert counterpart.changes == [True, False, True]

    def test_a_command_given_twice_changes_nothing_more(self, supply: Supply, counterpart: Counterpart) -> None:
        """On when it is on, off when it is off: harmless."""
        for command in (supply.off, supply.on, supply.on, supply.off, supply.off):
            command()
            assert counterpart.energised in (True, False)

        assert counterpart.changes == [True, False]

    def test_a_normally_closed_contact_turns_the_coil_round(self, counterpart: Counterpart, card: SupplyCard) -> None:
        """Coil off = supply on. Where there is no contact, `contact` can't be given to the driver."""
        supply = opened_at(counterpart, "normally-closed")
        supply.off()
        off = counterpart.energised
        supply.on()
        on = counterpart.energised
        supply.close()

        assert (off, on) == ((True, False) if card.has_contact else (False, True))

    def test_opening_moves_nothing_where_the_card_says_so(
        self, counterpart: Counterpart, card: SupplyCard, contact: str | None
    ) -> None:
        """A controller that runs keeps its power while the bench starts, and one that is dark stays dark."""
        kept = []
        for state in (True, False):
            if card.quiet_open:
                counterpart.force(state)
            before = counterpart.energised
            opened_at(counterpart, contact).close()
            kept.append(counterpart.energised == before)

        assert kept == [True, True]

    def test_what_is_read_is_the_counterparts_own_state(
        self, supply: Supply, counterpart: Counterpart, card: SupplyCard
    ) -> None:
        """`is_on` asks the hardware each time; where it can't, it says None and never what was last commanded."""
        said = []
        for state in (True, False):
            supply.on() if not state else supply.off()
            counterpart.force(state)
            said.append(supply.is_on())

        assert said == [True, False] or (said == [None, None] and not card.reads_back)

    def test_closing_leaves_the_state_where_the_card_says_so(
        self, supply: Supply, counterpart: Counterpart, card: SupplyCard
    ) -> None:
        """What holds after the exit holds after `close`; what does not is released."""
        supply.on()
        supply.close()

        assert counterpart.energised is card.holds_after_exit

    def test_closing_twice_is_fine(self, supply: Supply) -> None:
        """Every way out may close what another has closed."""
        supply.close()
        supply.close()

    def test_a_closed_supply_says_so(self, supply: Supply) -> None:
        """No command is swallowed."""
        supply.close()

        with pytest.raises(SupplyError, match="closed; open the supply again"):
            supply.on()
        with pytest.raises(SupplyError, match="closed; open the supply again"):
            supply.off()

    def test_a_supply_can_be_opened_again(self, supply: Supply, counterpart: Counterpart, contact: str | None) -> None:
        """The bench opens it anew to park a rig."""
        supply.close()
        again = opened_at(counterpart, contact)
        again.on()
        on = counterpart.energised
        again.close()

        assert on is True

    def test_a_supply_that_cannot_obey_raises(self, supply: Supply, counterpart: Counterpart) -> None:
        """Nothing that was not done passes for done, and the message says what to check."""
        supply.off()
        counterpart.break_down()

        with pytest.raises(SupplyError, match=r"check|look at") as raised:
            supply.on()
        assert len(str(raised.value).split()) > 8

    def test_a_wrong_key_is_named_with_the_known_ones(self, counterpart: Counterpart, contact: str | None) -> None:
        """A misspelt key is a fault, not a default."""
        with pytest.raises(SupplyError, match="no key `hue`; it knows"):
            open_supply(counterpart.driver, {**counterpart.settings, "hue": 1}, contact=contact, ask=counterpart.ask)

    def test_a_missing_key_is_named_with_its_help(
        self, counterpart: Counterpart, card: SupplyCard, contact: str | None
    ) -> None:
        """All missing keys at once."""
        with pytest.raises(SupplyError) as raised:
            open_supply(counterpart.driver, {}, contact=contact, ask=counterpart.ask)

        for key in card.keys:
            assert (f"`{key.name}:` ({key.help})" in str(raised.value)) == key.required
        assert f"supply driver {card.name}" in str(raised.value)

    def test_the_card_names_the_keys_that_the_class_takes(self, card: SupplyCard) -> None:
        """Card and class can't drift apart: same keys, same defaults."""
        module, _, name = card.load.partition(":")
        taken = dict(inspect.signature(getattr(import_module(module), name)).parameters)
        taken.pop("contact", None) if card.has_contact else None
        taken.pop("ask", None) if card.needs_person else None

        assert set(taken) == {key.name for key in card.keys}
        for key in card.keys:
            default = None if key.default is None else in_terms_of(key, key.default)
            assert taken[key.name].default == (inspect.Parameter.empty if key.required else default)

    def test_the_example_on_the_card_works(self, card: SupplyCard) -> None:
        """What `restart-bench drivers` prints can be pasted into a rig file."""
        example: dict[str, Any] = yaml.safe_load(card.example)["supply"]

        assert example["driver"] == card.name
        assert ("contact" in example) == card.has_contact
        assert settled(card, {key: value for key, value in example.items() if key not in OF_THE_RIG})

    def test_the_address_is_made_of_keys(self, card: SupplyCard) -> None:
        """Two benches on one supply are told apart by its address, so there has to be one."""
        assert card.address_keys
        assert set(card.address_keys) <= {key.name for key in card.keys}


class LevelContract:
    """Rules for a supply that can stand between on and off, on top of the contract."""

    def test_a_level_is_set(self, supply: Any, counterpart: Any) -> None:
        """Volts as asked for; the output stays on."""
        supply.on()
        supply.level(9.6)

        assert supply.is_on() is True
        assert counterpart.volts == pytest.approx(9.6, abs=0.05)

    def test_on_brings_the_full_voltage_back(self, supply: Any, counterpart: Any) -> None:
        """After a dip the controller gets what it had before, not the dip for good."""
        supply.on()
        full = counterpart.volts
        for dip in (9.6, 4.8):
            supply.level(dip)
            assert counterpart.volts == pytest.approx(dip)
        supply.on()

        assert counterpart.volts == pytest.approx(full)

    def test_a_level_out_of_range_raises(self, supply: Any) -> None:
        """A dip that was not made passes for no dip."""
        with pytest.raises(SupplyError, match="check its range"):
            supply.level(400.0)


def opened_at(counterpart: Counterpart, contact: str | None) -> Supply:
    """The driver of this counterpart, opened on it."""
    return open_supply(counterpart.driver, counterpart.settings, contact=contact, ask=counterpart.ask)
