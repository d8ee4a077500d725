"""How a supply is found by its name, and how its settings are read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from restart_bench_drivers import registry
from restart_bench_drivers.contacts import coil_for, supply_for
from restart_bench_drivers.interface import Key, SupplyCard, SupplyError
from restart_bench_drivers.registry import cards, left_out, open_supply
from restart_bench_drivers.settings import in_terms_of, settled
from supply_counterparts import THIRD_PARTY, install_package

OWN = [card.name for card in registry.OWN]


def key(kind: str, **more: object) -> Key:
    """A key of this kind."""
    return Key("k", kind, "help", **more)  # type: ignore[arg-type]


def test_cards_need_no_library_and_nothing_of_the_bench() -> None:
    """`restart-bench drivers` works where pyserial, gpiozero and PyVISA are not installed, and drivers stand alone."""
    code = (
        "import sys; from restart_bench_drivers.registry import cards; names = list(cards()); "
        "heavy = {'pymodbus', 'serial', 'gpiozero', 'pyvisa', 'restart_bench'} & set(sys.modules); "
        "print(names, sorted(heavy))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)

    assert told.stdout.strip() == f"{OWN} []"


def test_an_unknown_name_is_answered_with_the_known_ones() -> None:
    """And with the nearest one."""
    with pytest.raises(SupplyError, match=r"no supply driver 'modbus-coils'; did you mean modbus-coil\?") as raised:
        open_supply("modbus-coils", {}, contact=None, ask=None)

    assert ", ".join(OWN) in str(raised.value)


@pytest.mark.parametrize("contact", [None, "open"])
def test_a_relay_without_a_contact_is_refused(contact: str | None) -> None:
    """Guessing it would turn on and off round."""
    with pytest.raises(SupplyError, match="is a relay: say `contact: normally-open` or `normally-closed`"):
        open_supply("modbus-coil", {"host": "192.0.2.30", "coil": 0}, contact=contact, ask=None)


def test_all_faults_of_the_settings_come_at_once() -> None:
    """One look at the file is enough to mend it."""
    with pytest.raises(SupplyError) as raised:
        open_supply("modbus-coil", {"hosst": "x", "port": "far"}, contact="normally-open", ask=None)

    assert str(raised.value).splitlines() == [
        "supply driver modbus-coil has no key `hosst`; did you mean `host`?",
        "supply driver modbus-coil: port: 'far' is not a whole number",
        "supply driver modbus-coil needs `coil:` (address of the coil, counted from 0 (address 0 = item 1))",
    ]


class TestThirdParties:
    """Packages of others, by the entry-point group `restart_bench.supplies`."""

    @pytest.fixture
    def site(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        folder = tmp_path / "site"
        folder.mkdir()
        monkeypatch.syspath_prepend(folder)
        return folder

    def test_a_card_joins_by_its_entry_point(self, site: Path) -> None:
        """After the bench's own."""
        install_package(site, "joining", "workshop_joining", THIRD_PARTY.replace("line-in-a-file", "joined-supply"))

        assert list(cards()) == [*OWN, "joined-supply"]
        assert left_out() == {}

    def test_a_broken_package_is_left_out_and_named(self, site: Path) -> None:
        """The own drivers go on; whoever asks for the broken one is told why it is not there."""
        install_package(site, "broken", "workshop_broken", "raise RuntimeError('no licence')")

        assert list(cards()) == OWN
        assert left_out() == {"broken": "workshop_broken:CARD could not be loaded: no licence"}
        with pytest.raises(SupplyError, match=r"left out: broken: .*no licence"):
            open_supply("broken", {}, contact=None, ask=None)

    def test_what_is_no_card_is_left_out(self, site: Path) -> None:
        """The entry point names a card, not a class."""
        install_package(site, "cardless", "workshop_cardless", "CARD = 7")

        assert left_out() == {"cardless": "workshop_cardless:CARD is no SupplyCard but int"}

    def test_a_card_with_levels_that_is_simulated_as_a_relay_is_left_out(self, site: Path) -> None:
        """A scenario's `level:` would be asked of a coil."""
        source = THIRD_PARTY.replace("    address_keys", "    has_levels=True,\n    address_keys")
        install_package(site, "levelled", "workshop_levelled", source)

        assert left_out() == {
            "levelled": "workshop_levelled:CARD has levels, which the relay can't play that it is simulated as"
        }

    def test_a_name_that_is_taken_stays_with_the_bench(self, site: Path) -> None:
        """Nobody replaces a driver of the bench by installing a package."""
        source = THIRD_PARTY.replace("line-in-a-file", "modbus-coil")
        install_package(site, "taking", "workshop_taking", source)

        assert cards()["modbus-coil"].load == "restart_bench_drivers.modbus_coil:ModbusCoil"
        assert left_out() == {"taking": "workshop_taking:CARD takes the name modbus-coil, which is taken"}


class TestSettings:
    """Values as a rig file gives them, in the driver's terms."""

    @given(st.binary(max_size=20))
    def test_bytes_are_written_as_on_a_data_sheet(self, data: bytes) -> None:
        """Two hexadecimal digits each, with spaces, in any case."""
        assert in_terms_of(key("bytes"), data.hex(" ").upper()) == data

    @pytest.mark.parametrize("given_value", [10, "3C 1", "0x3C", "relay on", True])
    def test_what_is_no_row_of_bytes_is_refused(self, given_value: object) -> None:
        """YAML makes a number of an unquoted `10`; guessing would send a wrong byte to a relay."""
        with pytest.raises(ValueError, match="two hexadecimal digits each, in quotes"):
            in_terms_of(key("bytes"), given_value)

    @given(st.integers(0, 10**12))
    def test_whole_durations_are_nanoseconds_already(self, ns: int) -> None:
        """As the rig's reader hands them over."""
        assert in_terms_of(key("duration"), ns) == ns

    @pytest.mark.parametrize(
        ("text", "ns"), [("250 us", 250_000), ("20ms", 20_000_000), ("1.5 s", 1_500_000_000), ("2 min", 120 * 10**9)]
    )
    def test_durations_are_read_as_text_too(self, text: str, ns: int) -> None:
        """For callers without a rig file, and for defaults on the card."""
        assert in_terms_of(key("duration"), text) == ns

    @pytest.mark.parametrize(
        ("kind", "bad", "says"),
        [
            ("duration", "1,5 s", "write it like `200 ms`"),
            ("duration", True, "write it like `200 ms`"),
            ("whole number", 1.5, "not a whole number"),
            ("whole number", True, "not a whole number"),
            ("number", "much", "not a number"),
            ("text", True, "put it in quotes"),
            ("text", ["a"], "put it in quotes"),
            ("yes or no", "perhaps", "neither yes nor no"),
        ],
    )
    def test_a_value_of_the_wrong_kind_is_refused(self, kind: str, bad: object, says: str) -> None:
        """With what it should have been."""
        with pytest.raises(ValueError, match=says):
            in_terms_of(key(kind), bad)

    def test_a_choice_names_what_can_be_chosen(self) -> None:
        """All of it."""
        with pytest.raises(ValueError, match="'up' is none of high, low"):
            in_terms_of(key("choice", choices=("high", "low")), "up")

    @pytest.mark.parametrize(("given_value", "wanted"), [(True, True), ("on", True), ("No", False), ("false", False)])
    def test_yes_and_no_are_read_as_yaml_and_people_write_them(self, given_value: object, wanted: bool) -> None:
        """`on`, `off`, `yes`, `no`, `true`, `false`, in any case."""
        assert in_terms_of(key("yes or no"), given_value) is wanted

    def test_a_number_keeps_its_value(self) -> None:
        """Whole or not."""
        assert (in_terms_of(key("number"), 2), in_terms_of(key("number"), 2.5)) == (2.0, 2.5)

    def test_what_is_not_given_takes_its_default(self) -> None:
        """In the driver's terms as well."""
        card = SupplyCard(
            name="x",
            summary="",
            load="",
            example="",
            keys=(key("duration", default="500 ms"), Key("other", "text", "")),
        )

        assert settled(card, {}) == {"k": 500_000_000, "other": None}


@given(st.booleans(), st.sampled_from(["normally-open", "normally-closed"]))
def test_coil_and_supply_are_each_others_inverse(state: bool, contact: str) -> None:
    """README, supplies: normally-open: coil off = supply off; normally-closed: coil off = supply on."""
    assert supply_for(coil_for(state, contact), contact) is state
    assert coil_for(False, "normally-open") is False
    assert coil_for(True, "normally-closed") is False
