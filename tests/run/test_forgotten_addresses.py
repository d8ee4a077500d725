"""A controller that stayed dark for so long that the network forgot it: what that costs is said with its cycle."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from evidence import Story
from restart_bench.cli.look import forgotten_addresses
from restart_bench.model.journal import Switching, Trouble
from restart_bench.observer import sockets
from restart_bench.run.cycle import CycleAct, Turn

# as Linux writes it (arp(7), include/uapi/linux/if_arp.h: 0x2 is a completed entry, 0x4 a permanent one)
TABLE = """\
IP address       HW type     Flags       HW address            Mask     Device
192.0.2.1        0x1         0x2         02:fc:00:00:00:05     *        eth0
192.0.2.10       0x1         {flags}         {address}     *        eth1
192.0.2.100      0x1         0x0         00:00:00:00:00:00     *        eth0
"""
UNKNOWN, KNOWN, PERMANENT = ("0x0", "00:00:00:00:00:00"), ("0x2", "02:fc:00:00:00:0a"), ("0x6", "02:fc:00:00:00:0a")


def told_of(monkeypatch: pytest.MonkeyPatch, table: Path) -> list[Trouble]:
    """What is recorded right after the supply was given back to 192.0.2.10, while the system's table reads so."""
    story, told = Story(), []
    monkeypatch.setattr(sockets, "_NEIGHBOURS", table)
    context: Any = SimpleNamespace(rig=story.rig, record=told.append)
    act = CycleAct(context, Turn(story.scenario, story.scenario.cases[0], 1, 1, 3), seed=1, rehearse=False)
    act._tell_forgotten(Switching(3, "supply", "on", "restore", 5, 7))
    return told


def test_a_forgotten_neighbour_is_said_with_what_it_costs_and_what_avoids_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A note of that cycle, no error: which address, how late its first answer may come, and the command to type."""
    table = tmp_path / "arp"
    table.write_text(TABLE.format(flags=UNKNOWN[0], address=UNKNOWN[1]), encoding="ascii")
    (note,) = told_of(monkeypatch, table)

    assert (note.cycle, note.kind, note.error, note.at_ns) == (3, "network", False, 7)
    assert "up to 1.05 s late" in note.text
    assert "`ip neigh replace 192.0.2.10 lladdr ADDRESS dev eth1 nud permanent`" in note.text


@pytest.mark.parametrize("entry", [KNOWN, PERMANENT, None], ids=["known", "permanent", "no such table"])
def test_where_the_neighbour_is_known_or_nobody_can_tell_nothing_is_said(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, entry: tuple[str, str] | None
) -> None:
    """Also not of another host whose address only begins alike."""
    table = tmp_path / "arp"
    if entry is not None:
        table.write_text(TABLE.format(flags=entry[0], address=entry[1]), encoding="ascii")

    assert told_of(monkeypatch, table) == []


@pytest.mark.parametrize(("entry", "told"), [(UNKNOWN, True), (KNOWN, False)])
def test_look_says_of_a_silent_device_that_nobody_has_its_address(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, entry: tuple[str, str], told: bool
) -> None:
    """No address on the network is another fault than a program that does not answer."""
    table = tmp_path / "arp"
    table.write_text(TABLE.format(flags=entry[0], address=entry[1]), encoding="ascii")
    monkeypatch.setattr(sockets, "_NEIGHBOURS", table)
    found = [one for one in forgotten_addresses(Story().rig.devices.values()) if "nobody on eth1" in one]
    assert [("192.0.2.10 is its address" in one and "1.05 s late" in one) for one in found] == [True] * told
