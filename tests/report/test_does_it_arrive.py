"""Does it arrive? Every key of a rig and of a scenario is shown in the record, or is listed here as not shown.

A key that is read and that nobody is shown is lost on the way: whoever holds the record can't see under what the
controller was tested. Each key is written as in its row of `file_keys`; the record of a cycle in which nothing was
read is made with and without it.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic.fields import FieldInfo

from file_keys import EVERY_ROW, MODE, PULSE, RIG, ROWS, SCENARIO, keys_of_all_files
from placed_keys import CARDS, document, loaded, parts_of
from restart_bench.files.kinds import KINDS
from restart_bench.files.tree import read_bytes
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import (
    CycleEnded,
    CycleRecords,
    CycleStarted,
    RunEnded,
    RunStarted,
    ScenarioJudged,
    Switching,
)
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record import gathering
from restart_bench.report.record.rendering import render
from restart_bench.suite.loader import Suite
from restart_bench.suite.scenario_reader import read_scenario

LAMP = "{device: independent, coil: 9}"
LEVELS = {"points.auger.terminal": "{input_register: 9, levels: {off_below: 1, on_above: 2}}"}
TWO_INDEPENDENTS = {
    "devices.second": "{host: 192.0.2.21}",
    "points.auger.terminal": "{device: independent, discrete_input: 0}",
    "points.burner.terminal": "{device: independent, discrete_input: 1}",
    "points.fan.terminal": "{device: independent, discrete_input: 2}",
}
SEEN_BY = {place: text for place, text in TWO_INDEPENDENTS.items() if place.startswith("points.")}
UNPOWERED = {"devices.controller": "{host: 192.0.2.10}", "ready": "{when: {running: on}}", **SEEN_BY}
HELD = "[{hold: start_button}, {release: start_button}]"
KEYS = [(kind, key) for kind, key in EVERY_ROW if kind in ("rig", "scenario")]

NOT_SHOWN: dict[str, str] = {
    "Device.link": "there is one kind of link only",
    "Rig.groups": "a group stands for its points, which are shown",
    "Defaults.longer_than": "each expectation that takes it shows it",
    "Rig.simulation": "the path; the program's name is shown where it ran",
    "Expectation.blind": "each finding lists the gaps that it tolerated",
}
"""Keys that the record does not show, and why it need not."""

INSTEAD: dict[str, tuple[str, dict[str, str], dict[str, str]]] = {
    "Device.powered_by": ("rig", UNPOWERED, {**UNPOWERED, "devices.controller.powered_by": "supply"}),
    "Device.input_delay": ("rig", {}, {"devices.independent.input_delay": "3 ms"}),
    "Point.writable": ("rig", {"points.lamp": LAMP}, {"points.lamp": LAMP, "points.lamp.writable": "yes"}),
    "Terminal.device": ("rig", TWO_INDEPENDENTS, {**TWO_INDEPENDENTS, "points.auger.terminal.device": "second"}),
    "Terminal.levels": ("rig", LEVELS, {**LEVELS, "points.auger.terminal.levels": "{off_below: 1, on_above: 3}"}),
    "Supply.driver": ("rig", {}, {"supply": "{driver: scpi-supply, host: 192.0.2.30}"}),
    "Test.is": ("rig", {"ready.when": "{stage: {is: 5}}"}, {"ready.when": "{stage: {is: 6}}"}),
    "Ready.alive": ("rig", {}, {"ready.alive": "uptime"}),
    "Pulse.write": ("rig", PULSE, {**PULSE, "check_pulse.write": "start_button"}),
    "Pulse.read": ("rig", PULSE, {**PULSE, "check_pulse.read": "guard_closed"}),
    "Mode.driver": ("rig", MODE, {"mode": "{driver: by-hand}"}),
    "Mode.point": ("rig", MODE, {**MODE, "mode.point": "stop_button"}),
    "Mode.proof": ("rig", MODE, {**MODE, "mode.proof": "[{stage: 5}]"}),
    "Survey.press": ("rig", {"survey": "{press: [start_button]}"}, {"survey": "{press: [stop_button]}"}),
    "Release.release": ("scenario", {"before": "[{hold: start_button}]"}, {"before": HELD}),
    "Expectation.returns": ("scenario", {}, {"after.expect.fan": "{returns: never}"}),
}
"""Where the right use of a row is what stands there anyway: other places, without the key and with it."""


@dataclasses.dataclass
class ToldRun:
    """A run of one cycle in which nothing was read, as `gather` asks for it."""

    rig: Rig
    scenario: Scenario
    run: dict[str, Any] = dataclasses.field(default_factory=dict)
    id: str = "20260727T142233Z-4f2a"
    altered: str = ""
    simulated: bool = False
    folder: Path = Path("run")

    @property
    def rig_name(self) -> str:
        return self.rig.name

    def suite(self) -> Suite:
        """Without the loader's warnings: that something is wrong with a key does not show its value."""
        return Suite(self.rig, (self.scenario,), None, ())

    @functools.cached_property
    def records(self) -> list[Any]:
        name, case = self.scenario.name, self.scenario.cases[0]
        started = CycleStarted(1, name, case.name, 1, 1, case.off_for_ns, 0, 0)
        what = "mode" if self.scenario.how == "mode" else "supply"
        cut = Switching(1, what, "off", "cut", 10**9, 10**9 + 1000)
        back = Switching(1, what, "on", "restore", 4 * 10**9, 4 * 10**9 + 1000)
        cycle = CycleRecords(started, switchings=(cut, back), ended=CycleEnded(1, 60 * 10**9, True))
        judged = judge_cycle(self.rig, self.scenario, cycle, {})
        return [
            RunStarted(self.id, self.rig.name, 0, "2026-07-27T14:22:33+00:00", 7, False, (name,), 1),
            started, cut, back, cycle.ended, judged,
            ScenarioJudged(name, judged.verdict, judged.reason, 1, {str(judged.verdict): 1}),
            RunEnded(self.id, "completed", Verdict.ERROR, 4, "", 61 * 10**9, "2026-07-27T14:23:33+00:00"),
        ]  # fmt: skip


@functools.cache
def record_of(rig_text: str, scenario_text: str) -> str:
    """The record's page of a run of these two files, without style and script."""
    rig, faults = loaded("rig", rig_text, None)
    assert faults == []
    read = read_scenario(read_bytes(scenario_text.encode(), Path("scenario.yaml")), rig, card=CARDS[rig.supply.driver])
    assert read.faults == [] and read.scenario is not None
    page = render(gathering.gather(ToldRun(rig, read.scenario)))  # type: ignore[arg-type]
    return re.sub(r"(?s)<(style|script).*?</\1>", "", page)


@pytest.fixture(autouse=True)
def _no_diagrams(monkeypatch: pytest.MonkeyPatch) -> None:
    """Diagrams are drawn from samples, and there are none."""
    monkeypatch.setattr(gathering, "diagrams_of", lambda run, suite, cycles: ())


def pages(kind: str, key: str) -> tuple[str, str]:
    """The record without the key and with it."""
    if key in INSTEAD:
        kind, without, with_it = INSTEAD[key]
        return tuple(_page(kind, places, {}) for places in (without, with_it))  # type: ignore[return-value]
    row = ROWS[kind][key]
    beside = {place: text for place, text in row.beside.items() if place != row.path}
    return _page(kind, beside, row.rig), _page(kind, {**beside, row.path: row.right}, row.rig)


def _page(kind: str, places: Mapping[str, str], of_rig: Mapping[str, str]) -> str:
    rig, scenario = (places, {}) if kind == "rig" else (of_rig, places)
    return record_of(document(RIG, rig) if rig else RIG, document(SCENARIO, scenario))


@pytest.mark.parametrize(("kind", "key"), KEYS, ids=[key for _, key in KEYS])
def test_a_key_arrives_in_the_record_or_is_listed_as_not_shown(kind: str, key: str) -> None:
    """Another value of a key makes another record, but for those keys of which it is said here why it does not."""
    without, with_it = pages(kind, key)
    assert (without == with_it) is (key in NOT_SHOWN)


def test_a_standard_is_named_with_its_edition_and_what_is_from_memory() -> None:
    """Of IEC 61000-4-29 (2000) the record says what was taken, what nobody has looked up, and what was left out."""
    rig = {"supply.limits": "{off_at_least: 50 ms}"}
    page = _page("scenario", {"cut.off_for": "{durations: iec-61000-4-29 interruptions}"}, rig).replace("\xa0", " ")
    assert "supply off for 100 ms, 300 ms and 1 s" in page
    assert "IEC 61000-4-29, first edition, 2000-08" in page
    assert "left out: 1 ms (over before the contact has opened (release + bounce = 2 ms))" in page
    dip = _page("scenario", {"cut.off_for": "{durations: namur-ne-21}"}, {"supply.limits": "{dips_up_to: 50 ms}"})
    assert "supply off for 20 ms (from memory)" in dip.replace("\xa0", " ")


def test_no_key_is_excused_that_is_not_there() -> None:
    """A list of exceptions that nobody holds against the files grows old."""
    known = {key for _, key in KEYS}
    assert (set(NOT_SHOWN) | set(INSTEAD)) - known == set()
    assert all(NOT_SHOWN.values())


HOSTILE_AT: dict[str, dict[str, str]] = {
    "rig": {
        "points.fan.label": "label", "points.current.unit": "unit", "points.reset_button.by_hand": "by-hand",
        "points.current.proven": "proven", "points.auger.terminal.label": "terminal-label",
        "points.auger.terminal.proven": "terminal-proven", "supply.fallback": "fallback",
        "mode.switch": "mode-switch", "isolation.by": "by", "isolation.how": "how", "record.customer": "customer",
        "record.order": "order",
    },
    "scenario": {"purpose": "purpose", "before[0].ask": "ask"},
}  # fmt: skip
"""Every place where people write free text, with a word by which it is found again."""


def hostile(word: str) -> str:
    """Text that a page must not take for its own."""
    return f"<img src=x onerror=alert('{word}')>\"&amp;"


def test_hostile_text_arrives_as_text() -> None:
    """What people write freely may hold signs of HTML: all of it is shown, none of it is obeyed."""
    files = {}
    for kind, base in (("rig", RIG), ("scenario", SCENARIO)):
        places = (
            {"isolation.until": "2099-01-01", "mode": "{driver: by-hand}"}
            if kind == "rig"
            else {"before": "[{ask: x}]"}
        )
        texts = {place: json.dumps(hostile(word)) for place, word in HOSTILE_AT[kind].items()}
        files[kind] = document(base, {**places, **texts})
    page = record_of(files["rig"], files["scenario"])
    assert "<img" not in page
    for word in [word for words in HOSTILE_AT.values() for word in words.values()]:
        assert f"&lt;img src=x onerror=alert(&#39;{word}&#39;)&gt;&#34;&amp;amp;" in page, word


def test_every_free_text_of_the_files_is_tried() -> None:
    """A new key of free text has its place among the hostile ones, or is read as a name or by a rule of its own."""
    free = {key for kind, key in KEYS if _is_free_text(keys_of_all_files()[key])}
    tried = {part for places in HOSTILE_AT.values() for place in places for part in [parts_of(place)[-1]]}
    assert {key for key in free if key.partition(".")[2] not in tried} == READ_BY_A_RULE


READ_BY_A_RULE = {"Supply.driver", "Rig.extends", "Rig.simulation", "Isolation.until"}
"""Texts that have to be the name of a driver, of a file, or a date."""


def _is_free_text(info: FieldInfo) -> bool:
    """True for a key of any text, whether it may be left out or not."""
    return any(one is KINDS["text"] for one in _metadata(info.annotation, info.metadata))


def _metadata(annotation: Any, beside: list[Any]) -> Iterator[Any]:
    yield from beside
    yield from getattr(annotation, "__metadata__", ())
    for part in get_args(annotation):
        yield from _metadata(part, [])
