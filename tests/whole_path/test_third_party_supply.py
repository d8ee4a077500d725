"""Somebody else's supply, installed as a package of its own: every face of the bench knows it by its entry point."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from command_line import bench, run_folders, told
from quick_dryer import write_dryer
from supply_counterparts import install_package

PACKAGE = '''
"""A switch on a bus of its own, which has no contact that a rig file would describe."""

from restart_bench_drivers.interface import Key, SupplyCard

CARD = SupplyCard(
    name="workshop-switch",
    summary="a switch on the workshop's own bus",
    load="workshop_switch:WorkshopSwitch",
    keys=(
        Key("host", "text", "name of the switch on its bus", required=True, example="Cabinet 3"),
        Key("lane", "whole number", "which of its lanes", default=1, least=1, most=8),
        Key("pause", "duration", "pause between two orders", default="20 ms"),
    ),
    example="supply: {driver: workshop-switch, host: Cabinet 3, lane: 2}",
    has_contact=False,
    address_keys=("host", "lane"),
)
'''
SUPPLY = "{driver: workshop-switch, host: Cabinet 3, lane: 2, limits: {off_at_least: 200 ms, on_at_least: 200 ms}}"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The package in a folder on the path, as an installer leaves it: the environment of a process that finds it."""
    folder = tmp_path_factory.mktemp("third") / "site"
    install_package(folder, "workshop-supplies", "workshop_switch", PACKAGE)
    path = os.pathsep.join(filter(None, (str(folder), os.environ.get("PYTHONPATH", ""))))
    return {**os.environ, "PYTHONPATH": path}


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The dryer on such a switch."""
    folder = write_dryer(tmp_path_factory.mktemp("third") / "suite", ())
    rig = yaml.safe_load((folder / "rig.yaml").read_text(encoding="utf-8"))
    rig["supply"] = yaml.safe_load(SUPPLY)
    (folder / "rig.yaml").write_text(yaml.safe_dump(rig, sort_keys=False), encoding="utf-8")
    scenario = "scenario: comes-back\ncut: {off_for: 500 ms}\nafter: {times: {ready: {within: 20 s}}, watch: 200 ms}\n"
    (folder / "comes-back.yaml").write_text(scenario, encoding="utf-8")
    return folder


def test_the_drivers_command_lists_it_with_its_keys(site: dict[str, str]) -> None:
    """After the bench's own, and by its name with what each key is."""
    listed = bench("drivers", env=site)
    named = bench("drivers", "workshop-switch", env=site)
    assert (listed.returncode, named.returncode) == (0, 0), told(listed) + told(named)
    assert "a switch on the workshop's own bus" in listed.stdout
    assert "which of its lanes (whole number, default 1)" in " ".join(named.stdout.split())


def test_the_schema_of_a_rig_knows_its_keys(site: dict[str, str], suite: Path) -> None:
    """An editor takes the rig, and marks a misspelt key and a lane that there is none of; without the package it marks
    the driver's name."""
    rig = yaml.safe_load((suite / "rig.yaml").read_text(encoding="utf-8"))
    validator = Draft202012Validator(json.loads(bench("schema", "rig", env=site).stdout))
    assert list(validator.iter_errors(rig)) == []
    for more in ({"lanes": 2}, {"lane": 9}):
        assert list(validator.iter_errors({**rig, "supply": {**rig["supply"], **more}})), more
    without = Draft202012Validator(json.loads(bench("schema", "rig").stdout))
    assert [one.message for one in without.iter_errors(rig) if "is not one of" in one.message]


def test_check_reads_its_keys_by_their_kinds(site: dict[str, str], suite: Path) -> None:
    """Sound keys pass, bounds are held, and without the package the driver is unknown; nothing moves."""
    sound = bench("check", suite, env=site)
    assert sound.returncode == 0, told(sound)
    text = (suite / "rig.yaml").read_text(encoding="utf-8")
    wrong = suite / "wrong.yaml"
    wrong.write_text(text.replace("lane: 2", "lane: 9"), encoding="utf-8")
    refused = bench("check", suite / "comes-back.yaml", "--rig", wrong, env=site)
    wrong.unlink()
    assert (refused.returncode, "supply.lane: 9 is outside 1..8" in refused.stderr) == (2, True), told(refused)
    missing = bench("check", suite)
    assert (missing.returncode, "workshop-switch is no supply driver" in missing.stderr) == (2, True), told(missing)


def test_a_simulated_run_plays_it_as_its_card_says(site: dict[str, str], suite: Path, tmp_path: Path) -> None:
    """A switch without a contact is played by a relay; the record names the driver, and the archive is read where the
    package is not installed."""
    logs, record = tmp_path / "logs", tmp_path / "record.html"
    ran = bench("run", suite, "--simulated", "--logs", logs, env=site)
    assert ran.returncode == 0, told(ran)
    (folder,) = run_folders(logs)
    reported = bench("report", folder, "--out", record, "--logs", logs)
    assert reported.returncode == 0, told(reported)
    assert "workshop-switch" in record.read_text(encoding="utf-8")
    again = bench("judge", folder, "--logs", logs)
    assert again.returncode == 0, told(again)
