"""Cautions, supplies and faults on order in the README are those of the code."""

from __future__ import annotations

from pathlib import Path

import pytest

from restart_bench.cli.drivers import key_text
from restart_bench.files.key_cards import as_written
from restart_bench.model.fault_catalogue import COMMON_KEYS, FAULTS, FaultCard
from restart_bench.screen.cautions import CAUTIONS, Caution
from restart_bench.suite.loader import load_rig
from restart_bench_drivers.interface import SupplyCard
from restart_bench_drivers.registry import OWN
from restart_bench_drivers.settings import settled

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
WORDS = " ".join(README.split())

# What has to be warned of, in words that its caution must hold.
SUBJECTS = (
    "not a safety function",
    "Local codes",
    "licensed",
    "unexpected start-up",
    "gravity and stored energy",
    "un-earthed conductor, after its fuse",
    "DC rating",
    "inrush",
    "release time",
    "rated for the load, on the extra-low-voltage side",
    "plug under load",
    "feed a dead controller",
    "Emergency stop",
    "reset are never driven",
)


@pytest.mark.parametrize("caution", CAUTIONS, ids=lambda one: one.text[:30])
def test_the_readme_holds_every_caution_with_its_source(caution: Caution) -> None:
    """Whoever reads only the README is warned of the same as whoever reads screen or record."""
    assert f"{caution.text} ({caution.source})" in WORDS


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_subject_has_its_caution(subject: str) -> None:
    """A caution may be reworded, not lost."""
    assert any(subject in one.text for one in CAUTIONS)


@pytest.mark.parametrize("card", OWN, ids=lambda card: card.name)
def test_the_readme_holds_every_supply_with_its_keys_and_its_example(card: SupplyCard) -> None:
    """README and `restart-bench drivers` say the same."""
    section = README.partition("### Supplies")[2].partition(f"**{card.name}**")[2].partition("\n**")[0]

    missing = [key.name for key in card.keys if f"| `{key.name}` | {key_text(key)} |" not in section]
    assert missing == []
    assert card.example.strip() in section


@pytest.mark.parametrize("card", FAULTS.values(), ids=lambda card: card.name)
def test_the_readme_holds_every_fault_on_order_with_its_keys(card: FaultCard) -> None:
    """Whoever wants to see what the bench makes of a fault finds its name, what it does, and what it takes."""
    (row,) = [line for line in README.splitlines() if line.startswith(f"| `{card.name}` | {card.does} |")]
    assert [key.name for key in card.keys if f"`{key.name}`: {key.help}" not in row] == []
    defaults = [as_written(key, key.default) for key in card.keys if key.default is not None]
    assert [default for default in defaults if f"default {default})" not in row] == []
    common = README.partition("**Faults on order**")[2].partition("\n\n")[0].replace("\n", " ")
    assert [key.name for key in COMMON_KEYS if f"`{key.name}`: {key.help}" not in common] == []


@pytest.mark.parametrize("card", OWN, ids=lambda card: card.name)
def test_the_example_of_every_supply_is_read_in_a_rig_file(card: SupplyCard, tmp_path: Path) -> None:
    """Pasted as it stands it gives a supply with that driver's settings, and an address to lock and count by."""
    rig = tmp_path / "rig.yaml"
    device = "devices: {controller: {link: modbus-tcp, host: 192.0.2.10, powered_by: supply}}"
    rig.write_text(
        f"rig: bench\nloads: harmless\n{device}\n{card.example}\n"
        "points: {running: {device: controller, discrete_input: 0}}\nready: {when: {running: on}}\n",
        encoding="utf-8",
    )
    supply = load_rig(rig, cards={card.name: card}).rig.supply

    assert supply is not None
    assert settled(card, supply.settings)
    assert supply.address.startswith(f"{card.name} ")
