"""The steps of a scenario, played on the program model: what it says of the very cycles that are run."""

from __future__ import annotations

from pathlib import Path

import pytest

from predict_programs import generated
from predict_rigs import MS, rig_for, scenario_of, write_rig
from predict_small import SMALL
from restart_bench.model.program import Program
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import Action, Ask, At, Case, Expect, ExpectationKind, Hold, Press, Step, Wait
from restart_bench.predict import plays as playing
from restart_bench.predict.engine import predict
from restart_bench.predict.plays import Plays, ends_of, plays_of
from restart_bench.predict.proving.cone import outputs_of
from restart_bench.predict.proving.parts import HELD, REST, SENSORS
from restart_bench.predict.scripts import small_suite
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

START, STOP = Press("start", 200 * MS), Press("stop", 200 * MS)
ON, OFF = Wanted(equals=True), Wanted(equals=False)


def played(program: Program, *actions: Action, output: str = "m", **more: object) -> Plays:
    """The ways of one scenario on a small program."""
    rig = rig_for(program, [output])
    scenario = scenario_of(*actions, **more)  # type: ignore[arg-type]
    return plays_of(rig, program, [scenario])[scenario.name]


@pytest.mark.parametrize(
    ("name", "how", "ends"),
    [
        ("held by its own contact", "supply", OFF),
        ("set and reset", "supply", ON),
        ("reset on the first scan", "supply", OFF),
        ("not retained", "supply", OFF),
        ("not retained", "mode", ON),
        ("held by its own contact", "mode", OFF),
    ],
)
def test_a_press_and_a_cut_end_as_on_the_bench(name: str, how: str, ends: Wanted) -> None:
    """Source of the table: measured on the simulated rig by hand, by loss of supply and by mode change."""
    found = played(SMALL[name], START, how=how)
    assert ends_of(found.ways, "m") == {ends.equals}
    assert all("m" in way.before for way in found.ways)


def test_a_command_that_stays_away_from_rest_is_told() -> None:
    """A held button, and a sensor that is not as at rest, are other questions than inputs at rest."""
    assert played(SMALL["set and reset"], Hold("start")).inputs == HELD
    assert played(SMALL["automatic with a sensor"], Hold("level_low")).inputs == SENSORS
    assert played(SMALL["set and reset"], START).inputs == REST


def test_where_the_moment_of_the_cut_decides_both_ends_are_told() -> None:
    """A request that a timer takes back: cut before or after it."""
    slow = SMALL["timer"]  # `m` follows 500 ms after `go`; a reset by stop takes `go` back
    watched = 300 * MS
    found = played(slow, STOP, START, cases=(Case("", 1000 * MS, At(0, 2000 * MS)),), watch_ns=watched)
    assert {("m" in way.before) for way in found.ways} == {True, False}
    assert ends_of(found.ways, "m") == {True, False}  # the watch ends about as the timer does


def test_a_cut_may_come_a_little_later_than_the_last_step() -> None:
    """The bench takes its time: a timer that runs out a moment after the last step may be over as the cut comes."""
    found = played(SMALL["timer"], STOP, START, Wait(220 * MS))
    assert {("m" in way.before) for way in found.ways} == {True, False}


def test_a_scenario_begins_where_another_left_the_controller() -> None:
    """Nothing is pressed, so it depends on what ran before: a retained pair may be on or off."""
    pair = SMALL["set and reset"]
    pressing, idle = scenario_of(START), scenario_of(name="idle")
    found = plays_of(rig_for(pair, ["m"]), pair, [pressing, idle])
    assert ends_of(found["idle"].ways, "m") == {True, False}
    assert ends_of(found["idle"].fitting({"m": False}), "m") == {False}
    assert ends_of(plays_of(rig_for(pair, ["m"]), pair, [idle])["idle"].ways, "m") == {False}


def test_a_lamp_before_the_reset_pulses() -> None:
    """On in the first scan, off in the second: the fourth of the small programs, as every practitioner has it."""
    found = played(SMALL["a lamp before the reset"], START, output="lamp")
    assert [(way.pulsed, way.on) for way in found.ways] == [({"lamp"}, frozenset())]


def test_the_cut_falls_after_any_rung() -> None:
    """Memory that only a cut after the second rung leaves behind is among the ways: b is set, a not yet reset."""
    program = SMALL["between two rungs"]
    rig = rig_for(program, ["m"])
    desk = playing._Desk(rig, program)
    state = desk._pass(playing._Moment(desk.machine.first_power_up(), (("start", True),)), 100 * MS).state
    moment = playing._Moment(state, (("swap", True),))
    after = {
        frozenset(n for n in ("a", "b") if desk.machine.value(one, n)) for one in desk._restarted(moment, "supply")
    }
    assert after == {frozenset({"a"}), frozenset({"a", "b"}), frozenset({"b"})}


@pytest.mark.parametrize(
    ("action", "more", "why"),
    [
        (Ask("turn the switch"), {}, "a person"),
        (Expect((("m", ON),), ("m_terminal",), 500 * MS), {}, "does not come to the state"),
        (START, {"restart": "none"}, "ride through"),
    ],
)
def test_what_can_not_be_played_says_why(action: Action, more: dict[str, object], why: str) -> None:
    """Nothing is guessed: no way, and the reason."""
    found = played(SMALL["set and reset"], action, **more)
    assert found.ways == () and why in found.why_not


def test_a_function_check_may_ask_for_what_was_before() -> None:
    """Of what a scenario leaves behind that says nothing, so it is passed over; its presses count."""
    kept = Expect((("m", Wanted(as_before=True)),), ("m_terminal",), 500 * MS)
    checked = tuple(Step("function check", number, one, "") for number, one in enumerate((kept, STOP)))
    pair, rig = SMALL["set and reset"], rig_for(SMALL["set and reset"], ["m"])
    desk = playing._Desk(rig, pair)
    (left,) = desk.left_by(scenario_of(START, function_check=checked), desk.machine.first_power_up())
    assert desk.machine.value(left, "m") is False


def test_playing_ends_with_its_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program too large to be played in a moment is not played at all."""
    monkeypatch.setattr(playing, "PATIENCE", 50)
    assert "too much" in played(SMALL["timer"], START, Wait(3000 * MS)).why_not


@pytest.mark.parametrize("seed", [1, 2, 3, 6, 74, 91, 99])
def test_written_scenarios_come_out_one_after_the_other(seed: int, tmp_path: Path) -> None:
    """The prover's traces, written as files and read again, reach their state and end as expected on the model: each
    from what the one before left behind. In 91 no press brings back what the first scan after a loss sets; 74 and 99
    never stand still, and the bench counts no scans."""
    program = generated(seed, 6, timers=seed % 2 == 1, counters=False)
    outputs = outputs_of(program)
    write_rig(tmp_path, program, outputs)
    scripts, _ = small_suite(program, predict(program, environments=[REST]), "300 ms")
    for script in scripts:
        (tmp_path / f"{script.name}.yaml").write_text(script.text, encoding="utf-8")
    suite = load_suites([tmp_path], cards=cards())[0]
    assert suite.program is not None and len(suite.scenarios) > 1
    desk = playing._Desk(suite.rig, suite.program)
    state = desk.machine.first_power_up()
    for scenario in suite.scenarios:
        found = desk.plays(scenario, [state])
        assert found.ways, (scenario.name, found.why_not)
        for one in scenario.after:
            if one.kind is ExpectationKind.IS and one.window is None:
                assert one.wanted.equals in ends_of(found.ways, one.point), (scenario.name, one.point)
        state = next(iter(desk.left_by(scenario, state)))
