"""Several armed rigs at once: whoever ends the parent or one child, every supply goes to rest, and nobody is touched by
the end of another."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from command_line import command
from raw_modbus import wait_until
from safety_rig import SCENARIO, ArmedRig, armed_rig, nothing_pressed, told_of

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")
NAMES = ("north", "south")


@contextlib.contextmanager
def two_armed_rigs(folder: Path) -> Iterator[tuple[ArmedRig, ArmedRig]]:
    """Two rigs of loopback ports in one archive, each with many cycles to do."""
    with contextlib.ExitStack() as stack:
        rigs = []
        for name in NAMES:
            (folder / name).mkdir()
            scenario = SCENARIO.replace("off_for: 350 ms", "off_for: 700 ms")
            rig = stack.enter_context(armed_rig(folder / name, repeat=50, scenario=scenario))
            file = rig.folder / "rig.yaml"
            file.write_text(file.read_text("utf-8").replace("rig: lamp-trainer", f"rig: {name}"), "utf-8")
            rig.logs = folder / "logs"
            rigs.append(rig)
        yield rigs[0], rigs[1]


@contextlib.contextmanager
def both_running(rigs: tuple[ArmedRig, ArmedRig], *options: object) -> Iterator[subprocess.Popen[str]]:
    """`run` on both, until the supply of each was off once."""
    arming = itertools.chain.from_iterable(("--arm", name) for name in NAMES)
    asked = ["run", *(rig.folder for rig in rigs), *arming, "--logs", rigs[0].logs, *options]
    with subprocess.Popen(
        command(*asked), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8"
    ) as process:
        try:
            wait_until(
                lambda: all(_was_off(rig) for rig in rigs) or process.poll() is not None, "both off", within_s=60
            )
            assert process.poll() is None, process.communicate()
            yield process
        finally:
            process.kill()


def _was_off(rig: ArmedRig) -> bool:
    return any(not line["value"] for line in rig.truth("supply")[1:])


def closed(rig: ArmedRig, name: str) -> Path:
    """The folder of its only run, once that is closed."""
    pattern = f"rig={name}/date=*/run=*/SHA256SUMS"
    wait_until(lambda: len(list(rig.logs.glob(pattern))) == 1, "closed", within_s=60)
    return next(rig.logs.glob(pattern)).parent


def test_when_the_parent_is_killed_each_child_goes_its_way_out(tmp_path: Path) -> None:
    """`kill -9` of the parent: both runs are stopped, both supplies are on again, nothing stays pressed."""
    with two_armed_rigs(tmp_path) as rigs:
        with both_running(rigs) as process:
            process.send_signal(signal.SIGKILL)
        for rig, name in zip(rigs, NAMES, strict=True):
            ended = told_of(closed(rig, name))
            assert ended["ended"]["how"] == "stopped"
            assert "the end of the bench that had started it" in ended["ended"]["reason"]
            assert rig.supply_is_on
            nothing_pressed(rig)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda one: one.name)
def test_a_signal_to_the_parent_reaches_every_way_out_and_is_waited_for(number: signal.Signals, tmp_path: Path) -> None:
    """When the parent has ended, with 130, both archives are closed and both supplies are at rest already; a second
    signal hurries nobody."""
    with two_armed_rigs(tmp_path) as rigs:
        with both_running(rigs, "--json") as process:
            process.send_signal(number)
            process.send_signal(number)
            said, _ = process.communicate(timeout=60)
            assert process.returncode == 130
            for rig, name in zip(rigs, NAMES, strict=True):
                assert len(list(rig.logs.glob(f"rig={name}/date=*/run=*/SHA256SUMS"))) == 1
                assert rig.supply_is_on
                nothing_pressed(rig)
        told = json.loads(said)
        assert [run["how"] for run in told["runs"]] == ["stopped", "stopped"]


@pytest.mark.slow
def test_a_child_that_is_killed_touches_no_other(tmp_path: Path) -> None:
    """One child is killed, the other goes on until it is stopped; the killed one is told, with what is to be done."""
    with two_armed_rigs(tmp_path) as rigs:
        with both_running(rigs, "--json") as process:
            first, second = children_of(process.pid)
            os.kill(first, signal.SIGKILL)
            more = len(rigs[1].off_times()) + 2
            wait_until(lambda: len(rigs[1].off_times()) >= more, "cuts", within_s=60)
            os.kill(second, 0)
            process.send_signal(signal.SIGINT)
            said, _ = process.communicate(timeout=60)
        told = json.loads(said)
        assert process.returncode == 130
        assert [run["rig"] for run in told["runs"]] == ["south"]
        assert [fault["path"] for fault in told["faults"]] == ["north"]
        assert "restart-bench park" in told["faults"][0]["text"]
        assert rigs[1].supply_is_on


def children_of(pid: int) -> list[int]:
    """Process ids of the children, in the order in which they were started."""
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text("utf-8").split()]


@pytest.mark.slow
def test_two_rigs_on_one_relay_are_refused_before_anything_moves(tmp_path: Path) -> None:
    """The same coil in both rig files: exit code 2, no relay was written to."""
    with two_armed_rigs(tmp_path) as (north, south):
        file = south.folder / "rig.yaml"
        ports = (f"port: {rig.door.port}" for rig in (south, north))
        file.write_text(file.read_text("utf-8").replace(*ports), "utf-8")
        code, said = north.said_by(
            "run", north.folder, south.folder, "--arm", "north", "--arm", "south", "--logs", north.logs
        )
        assert (code, "north and south name the same supply" in said) == (2, True), said
        assert north.written() == set()
