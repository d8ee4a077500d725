"""`look`: what it finds in samples, what it says when nothing answers, and the picture of a rig that runs."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from builders import MS, S, dryer_program, dryer_rig
from restart_bench.cli.common import run_named, say_left_open
from restart_bench.cli.look import Looker, ask_relay, coarse_times, perhaps_swapped
from restart_bench.cli.round_trips import known_round_trip
from restart_bench.model.rig import Device, Rig, Wanted
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind, SampleLayout
from restart_bench.model.wording import rate_text
from restart_bench.observer.diagnosis import all_well, diagnose, pairs_of, unit_text, view_device
from restart_bench.observer.handle import ObserverHandle
from restart_bench.observer.identification import greetings
from restart_bench.simulated.handle import Simulation

INDEPENDENT = Device("independent", "192.0.2.20", poll_ns=2 * MS, input_delay_ns=1 * MS)
Row = tuple[int, int, SampleKind, int]  # sent, received, kind, exception


def samples(*rows: Row, request: int = 0) -> DeviceSamples:
    layout = SampleLayout("independent", ("read discrete inputs 0..2", "read coils 0..1"), (("rail", "b"),))
    records = np.zeros(len(rows), layout.dtype())
    for row, (sent, received, kind, exception) in zip(records, rows, strict=True):
        row["sent_ns"], row["received_ns"], row["kind"], row["exception"] = sent, received, kind, exception
        row["request"] = request
    return DeviceSamples(layout, records)


def good(*instants: int) -> DeviceSamples:
    return samples(*((at, at + MS // 2, SampleKind.GOOD, 0) for at in instants))


def said(*rows: Row, own: str | None = "192.0.2.1", request: int = 0) -> str:
    return diagnose(INDEPENDENT, [samples(*rows, request=request)], own)


# ---------------------------------------------------------------- what can be seen


def test_the_pulse_that_can_be_seen_comes_from_the_rigs_own_largest_gap() -> None:
    """From the sending of a good read to the reply of the next one a pulse can hide; the input's delay is added."""
    view = view_device(INDEPENDENT, [good(0, 2 * MS, 9 * MS, 11 * MS)], 12 * MS, None)
    assert view.excludes_ns == 7 * MS + MS // 2 + 1 * MS


def test_gaps_are_those_of_one_request() -> None:
    """Another request in between does not look at this one's points, so it closes no gap."""
    coils = samples((1 * MS, 2 * MS, SampleKind.GOOD, 0), request=1)
    view = view_device(INDEPENDENT, [good(0), coils, good(4 * MS)], 5 * MS, None)
    assert view.excludes_ns == 4 * MS + MS // 2 + 1 * MS


def test_a_silence_that_still_lasts_is_a_gap() -> None:
    """A device that fell silent is not praised for the gaps that it had before."""
    view = view_device(INDEPENDENT, [good(0, 2 * MS)], 10 * S, None)
    assert view.excludes_ns == 10 * S - 2 * MS + 1 * MS


def test_answer_times_are_of_good_replies_only() -> None:
    """Silence and exceptions are counted, and no time is made of them."""
    rows = samples((0, 4 * MS, SampleKind.GOOD, 0), (10 * MS, 110 * MS, SampleKind.SILENT, 0))
    view = view_device(INDEPENDENT, [rows], S, None)
    assert (view.good, view.bad) == (1, 1)
    assert view.answer_median_ns == view.answer_longest_ns == 4 * MS


@pytest.mark.parametrize(
    ("exceptions", "reads", "hinted"),
    [(("controller",), {"always_on": False}, True), (("controller",), {"always_on": True}, False), ((), {}, False)],
)
def test_two_devices_that_answer_as_if_they_were_others_may_have_changed_places(
    exceptions: tuple[str, ...], reads: dict[str, bool], hinted: bool
) -> None:
    """Addresses that one does not know and a check channel of the other that reads wrong; one of both is no sign."""
    rig = dryer_rig()
    rig = dataclasses.replace(rig, check_channels=(("always_on", Wanted(equals=True)),))
    wrong = samples((0, MS, SampleKind.EXCEPTION, 2))
    views = {
        name: view_device(rig.devices[name], [wrong if name in exceptions else good(0)], S, "192.0.2.1")
        for name in ("controller", "independent")
    }
    hint = perhaps_swapped(rig, views, lambda point: reads.get(point.name))
    assert bool(hint) is hinted and ("have they changed places?" in hint) is hinted


@pytest.mark.parametrize(
    ("unit", "scale", "coarse"), [("ms", 1.0, False), ("s", 1.0, False), ("min", 1.0, True), ("s", 30.0, True)]
)
def test_an_uptime_that_hardly_moves_within_a_cycle_is_noted(unit: str, scale: float, coarse: bool) -> None:
    """Its step is longer than what most cycles run before the cut: it reads 0 there, and can't fall."""
    rig = dryer_rig()
    uptime = dataclasses.replace(rig.points["uptime"], unit=unit, scale=scale)
    told = list(coarse_times(dataclasses.replace(rig, points={**rig.points, "uptime": uptime})))
    assert bool(told) is coarse and all("proves no restart" in text for text in told)


# ---------------------------------------------------------------- what is wrong


def test_a_device_that_answers_is_not_complained_of() -> None:
    """While values come nothing is said to be wrong, a lost reply among them or not."""
    assert diagnose(INDEPENDENT, [good(0), samples((0, 1, SampleKind.SILENT, 0))], "10.0.0.1") == ""


def test_a_device_that_fell_silent_is_not_said_to_answer() -> None:
    """Answers of some seconds ago are no answers now: since when it is silent is said, and what to look at."""
    controller = Device("controller", "192.0.2.10", powered_by_supply=True)
    assert "supply on?" in view_device(controller, [good(0, 2 * MS)], 4 * S, None).wrong
    assert "not answered for 3 s" in view_device(INDEPENDENT, [good(0, 2 * MS)], 4 * S, None).wrong
    assert view_device(INDEPENDENT, [good(0, 2 * MS)], S, None).wrong == ""


def test_a_refused_connection_points_at_port_and_server() -> None:
    """A refusal comes from a living computer: look at the port and at whether its server is on (RFC 9293, 3.5.2)."""
    assert "refuses port 502" in said((0, 1, SampleKind.REFUSED, 0), request=CONNECT)


def test_accepted_but_silent_points_at_the_unit() -> None:
    """Who accepts connections and answers no request may serve another unit (Modbus TCP guide, 4.4.2.5)."""
    text = said((0, 1, SampleKind.ACCEPTED, 0), (1, 2, SampleKind.SILENT, 0))
    assert "unit 1" in text


def test_silence_in_another_network_is_said_to_be_one() -> None:
    """Where this computer would ask from an address of another network, that is named first."""
    assert "probably another network" in said((0, 1, SampleKind.SILENT, 0), own="10.0.0.5")
    assert "another network" not in said((0, 1, SampleKind.SILENT, 0), own="192.0.2.77")


def test_no_way_to_the_device_is_said() -> None:
    """A computer without any way to the device's network says so, instead of blaming the device."""
    assert "no network that leads to 192.0.2.20" in said((0, 1, SampleKind.SILENT, 0), own="")


def test_answers_that_come_too_late_are_not_blamed_on_the_unit() -> None:
    """A device slower than its `answer_within` answers: how slow it is and which key allows it is said."""
    late = (1, 260 * MS, SampleKind.LATE, 0)
    text = said((0, 1, SampleKind.ACCEPTED, 0), (1, 101 * MS, SampleKind.SILENT, 0), late)
    assert "only after up to 260 ms" in text and "`answer_within` of 100 ms" in text
    assert "unit" not in text


def test_another_unit_that_answers_is_named() -> None:
    """A gateway that passes on the wrong device is told by the unit identifier of its answers."""
    assert unit_text(INDEPENDENT, 1) == ""
    assert "asked as unit 1 and answers as unit 7" in unit_text(INDEPENDENT, 7)


def test_a_time_rises_by_a_second_a_second() -> None:
    """What rises otherwise has another unit, type or order of words; what began anew, or was seen briefly, may."""
    uptime = dryer_rig().points["uptime"]
    assert rate_text(uptime, 3.0, 3.1) == rate_text(uptime, -5.0, 3.0) == rate_text(uptime, 40.0, 0.5) == ""
    assert "rose by 0.003 s in 3 s" in rate_text(uptime, 0.003, 3.0)
    assert "`words`" in rate_text(uptime, 196_608.0, 3.0)


@pytest.mark.parametrize(
    ("code", "cure"), [(1, "function"), (2, "addresses"), (3, "max_bits"), (6, "busy"), (10, "unit"), (11, "unit")]
)
def test_exceptions_are_told_with_what_to_check(code: int, cure: str) -> None:
    """Each code of the specification (V1.1b3, 7) is told in words, with the key of the rig file to look at."""
    text = said((0, 1, SampleKind.EXCEPTION, code))
    assert f"exception {code:02d}" in text
    assert cure in text


def test_one_table_that_is_refused_is_named() -> None:
    """When one request is answered and another always draws an exception, the refused one is named."""
    refused = samples((0, 1, SampleKind.EXCEPTION, 2), request=1)
    assert diagnose(INDEPENDENT, [good(0), refused], None).startswith("read coils 0..1: it answers with exception 02")


def test_every_point_is_listed_once() -> None:
    """Outputs stand beside their terminals, all else by itself; nothing twice, nothing left out."""
    rig = dryer_rig()
    pairs = pairs_of(rig)
    names = [pair.point.name for pair in pairs] + [pair.terminal.name for pair in pairs if pair.terminal is not None]
    assert sorted(names) == sorted(rig.points)


# ---------------------------------------------------------------- a rig that runs


def picture(rig: Rig, folder: Path, seconds: float = 1.0, press: str | None = None) -> tuple[str, bool]:
    stream = io.StringIO()
    heard = greetings(rig.devices.values())
    with ObserverHandle(tuple(rig.devices.values()), tuple(rig.points.values()), folder) as observing:
        looker = Looker(rig, observing, own_address=lambda host: host, heard=heard, relay=ask_relay(rig))
        looker.look_for(seconds)
        if press is not None:
            observing.write(press, True, "test")
            looker.look_for(0.3)
        Console(file=stream, width=120, color_system=None).print(looker.picture(120))
        return stream.getvalue(), all_well(looker.views())


def another_address(rig: Rig) -> Rig:
    """The same rig with its relay elsewhere."""
    assert rig.supply is not None
    return dataclasses.replace(
        rig, supply=dataclasses.replace(rig.supply, address=f"{rig.supply.address} of another box")
    )


def test_a_rig_that_runs_is_shown_with_its_values(tmp_path: Path) -> None:
    """Values, answer times and addresses with item numbers of the simulated dryer, and that all devices answer. How
    long the relay takes is kept for `check`, for this relay alone."""
    with Simulation(dryer_rig(), dryer_program(), truth=None) as simulation:
        text, well = picture(simulation.rig, tmp_path, press="start_button")
        known = known_round_trip(simulation.rig)
        elsewhere = known_round_trip(another_address(simulation.rig))
    assert well
    assert "All devices answer." in text
    assert "The relay says that the supply is on. It answers within" in text
    assert known is not None and known.longest_ns > 0 and elsewhere is None
    assert "SIMULATED RIG: no hardware stands at these addresses." in text
    assert "controller says it is: restart-bench simulated rig" in text
    fan = next(line for line in text.splitlines() if line.startswith("fan "))
    assert fan.split()[1:3] == ["on", "on"]
    assert "NOW" in fan
    assert "coil, address 2 = item 3" in fan


def test_a_rig_that_does_not_answer_is_shown_as_such(tmp_path: Path) -> None:
    """Points of a silent device have no reading, and what is wrong with it stands below."""
    with Simulation(dryer_rig(), dryer_program(), truth=None) as simulation:
        rig = simulation.rig
        dead = dataclasses.replace(rig.devices["controller"], port=1)
        text, well = picture(dataclasses.replace(rig, devices={**rig.devices, "controller": dead}), tmp_path)
    assert not well
    auger = next(line for line in text.splitlines() if line.startswith("auger "))
    assert "no reading" in auger
    assert "controller: the computer is there but refuses port 1" in text


def test_runs_that_can_not_be_read_are_a_warning_and_end_no_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was looked at is shown already; another user's archive takes neither that nor the exit code."""

    def unreadable(*_: object) -> str:
        raise PermissionError(13, "Permission denied", "run.json")

    run = tmp_path / "rig=other" / "date=2026-11-27" / "run=20261127T003820Z-4a73"
    run.mkdir(parents=True)
    (run / "run.json").touch()
    monkeypatch.setattr("restart_bench.run.recovery.told_of_open", unreadable)
    say_left_open(dryer_rig(), tmp_path)
    assert "warning: whether a killed run left something out of idle can't be told" in capsys.readouterr().err


def test_what_is_called_last_in_this_folder_names_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link to a run that somebody calls `last` is that run, as it was typed."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run=20261127T003820Z-4a73").mkdir()
    (tmp_path / "run=20261127T003820Z-4a73" / "run.json").write_text("{}", encoding="utf-8")
    (tmp_path / "last").symlink_to(tmp_path / "run=20261127T003820Z-4a73")
    assert run_named("last", tmp_path / "logs") == Path("last")
