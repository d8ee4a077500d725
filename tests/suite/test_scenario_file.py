"""Scenario files: steps, the cut and its cases, expectations, cycles, and what `check` refuses."""

# ruff: noqa: E501 - the sentences are asserted whole, and are easier to read in one piece

from __future__ import annotations

import pytest

from file_suites import RIG, SCENARIO, load, scenario_faults, spoilt, the_scenario, told, warnings
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import (
    Ask,
    At,
    ByEye,
    Case,
    Demonstration,
    Expect,
    Expectation,
    Gap,
    Hold,
    Level,
    MarkLimit,
    Press,
    Release,
    Scenario,
    Wait,
    Window,
    Write,
)
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

MS = 1_000_000
S = 1_000_000_000
GROUPS = spoilt(RIG, "loads: harmless", "loads: harmless\ngroups: {outputs: [burner, fan]}")
BURNER = "    burner: off\n"
BEFORE = "  - press: start\n"
MODE = spoilt(
    RIG,
    "points:\n",
    "mode: {driver: point, point: run_switch}\npoints:\n  run_switch: {device: independent, coil: 5, writable: true, idle: on}\n",
)
SCPI = "supply: {driver: scpi-supply, resource: 'TCPIP::192.0.2.40::5025::SOCKET', nominal: 24 V}\n"
WITH_LEVELS = RIG[: RIG.index("supply:\n")] + SCPI + RIG[RIG.index("points:") :]


def after(entry: str, rig: str = RIG) -> tuple[Expectation, ...]:
    """The expectations of one entry of `after: expect:`."""
    return the_scenario(BURNER, f"    {entry}\n", rig).after


# ---------------------------------------------------------------- steps


def test_every_step_becomes_its_action() -> None:
    """Press, hold, release, write, expect, wait, ask, by eye, with their own `for`, `within`, `steady` beside them."""
    steps = """\
  - press: start
  - press: start
    for: 500 ms
  - write: {setpoint: 14.5}
  - expect: {burner: on, batches: {above: 0}}
    within: 10 s
    steady: 1 s
  - wait: 2 s
  - ask: "Load the hopper: first mark."
  - by_eye: {lamp: on}
  - hold: start
  - release: start
"""
    scenario = the_scenario(BEFORE, steps)
    assert [step.action for step in scenario.before[:-1]] == [
        Press("start"),
        Press("start", 500 * MS),
        Write((("setpoint", 14.5),)),
        Expect(
            (("burner", Wanted(equals=True)), ("batches", Wanted(above=0))), ("burner_terminal", "batches"), 10 * S, S
        ),
        Wait(2 * S),
        Ask("Load the hopper: first mark."),
        ByEye((("lamp", True),)),
        Hold("start"),
        Release("start"),
    ]
    assert [step.text for step in scenario.before[1:6]] == [
        "press start for 500 ms",
        "write setpoint = 14.5",
        "expect burner on, batches above 0 within 10 s, steady for 1 s",
        "wait 2 s",
        "ask: Load the hopper: first mark.",
    ]
    assert [(step.index, step.line) for step in scenario.before[:3]] == [(0, 3), (1, 4), (2, 6)]


def test_an_expect_waits_5_s_and_asks_for_no_steadiness() -> None:
    """Defaults of a step: within 5 s, steady 0; a press lasts 200 ms."""
    scenario = the_scenario()
    assert scenario.before[0].action == Press("start", 200 * MS)
    assert scenario.before[1].action == Expect((("burner", Wanted(equals=True)),), ("burner_terminal",), 5 * S, 0)


def test_a_group_stands_for_its_members() -> None:
    """In steps and in expectations alike: one condition, one finding for each member."""
    scenario = load(
        rig=GROUPS, scenario=SCENARIO.replace("{burner: on}", "{outputs: on}").replace("burner: off", "outputs: off")
    ).scenarios[0]
    action = scenario.before[1].action
    assert isinstance(action, Expect)
    assert [name for name, _ in action.conditions] == ["burner", "fan"]
    assert [(one.point, one.judged) for one in scenario.after] == [
        ("burner", "burner_terminal"),
        ("fan", "fan_terminal"),
    ]


def test_a_member_that_is_also_named_is_judged_by_both() -> None:
    """What both say alike is judged once, what they say differently twice."""
    both = after("outputs: off\n    burner: {is: off, never: on}", GROUPS)
    assert [(one.point, one.text) for one in both] == [
        ("fan", "is off"),
        ("burner", "is off"),
        ("burner", "never on for 100 ms or longer"),
    ]


def test_the_function_check_has_steps_of_its_own() -> None:
    """Numbered from 0 in their own phase."""
    steps = the_scenario(
        "after:\n", "function_check:\n  - press: start\n  - expect: {burner: on}\nafter:\n"
    ).function_check
    assert [(step.phase, step.index) for step in steps] == [("function check", 0), ("function check", 1)]


# ---------------------------------------------------------------- the cut


def cases(text: str, rig: str = RIG) -> tuple[Case, ...]:
    """The cases of a cut."""
    return the_scenario("  off_for: 3 s\n", text, rig).cases


@pytest.mark.parametrize(
    ("level", "limit", "warned"),
    [("80 %", 15000, True), ("40 %", 15000, False), ("80 %", 20000, False), ("16 V", 15, True)],
)
def test_a_level_that_the_only_proof_never_shows_is_told(level: str, limit: int, warned: bool) -> None:
    """80 % of 24 V is never below 15000 mV: each cycle would wear the supply and prove nothing."""
    point = "points:\n  rail_mv: {device: independent, input_register: 9}\n"
    rig = WITH_LEVELS.replace("points:\n", point, 1).replace("[{rail: off}]", f"[{{rail_mv: {{below: {limit}}}}}]")
    suite = load(rig=rig, scenario=SCENARIO.replace("  off_for: 3 s\n", f"  off_for: 3 s\n  level: {level}\n"))
    assert any("rail_mv never shows as a loss" in line for line in warnings(suite)) is warned


def test_one_value_makes_one_case_without_a_name() -> None:
    """Nothing is swept, so nothing needs a name."""
    assert cases("  off_for: 3 s\n") == (Case("", 3 * S),)


def test_a_list_and_a_range_make_a_case_for_each_value() -> None:
    """Both ends included; each case named by what is swept."""
    assert [case.name for case in cases("  off_for: [20 ms, 2 s, 1 min]\n")] == [
        "off_for=20 ms",
        "off_for=2 s",
        "off_for=1 min",
    ]
    assert [case.off_for_ns for case in cases("  off_for: 2 s..4 s in 3 values\n")] == [2 * S, 3 * S, 4 * S]


def test_swept_quantities_are_combined() -> None:
    """Each value of one with each of the others, in the order off_for, at, level."""
    swept = cases("  off_for: [2 s, 3 s]\n  at: [0, random 0 s..200 ms]\n  level: [40 %, 9.6 V]\n", WITH_LEVELS)
    assert len(swept) == 8
    assert len({case.name for case in swept}) == 8
    assert swept[0] == Case("off_for=2 s, at=0 s, level=40 %", 2 * S, At(0, 0), Level(fraction=0.4, text="40 %"))
    assert swept[-1] == Case(
        "off_for=3 s, at=random 0 s..200 ms, level=9.6 V", 3 * S, At(0, 200 * MS), Level(volts=9.6, text="9.6 V")
    )
    assert swept[-1].at.is_random


def test_a_list_of_a_standard_makes_a_case_for_each_cut_that_the_rig_can_do() -> None:
    """IEC 61000-4-11 (2004), class 3 at 50 Hz: half a cycle and 5 s; the full cycle and all dips are left out, named.
    Nothing of that list is from memory, all that NAMUR NE 21 says is."""
    rig = RIG.replace("dips_up_to: 50 ms", "dips_up_to: 15 ms")
    scenario = the_scenario("off_for: 3 s", "off_for: {durations: iec-61000-4-11 class 3 50 Hz}", rig)
    assert scenario.cases == (Case("off_for=10 ms", 10 * MS), Case("off_for=5 s", 5 * S))
    assert scenario.durations is not None
    assert (scenario.durations.source, scenario.durations.edition) == (
        "IEC 61000-4-11, up to 16 A per phase",
        "second edition, 2004",
    )
    assert scenario.durations.left_out == (
        "20 ms (shorter than the supply's off_at_least)",
        "200 ms at 40 %, 500 ms at 70 %, 5 s at 80 % (a dip, and modbus-coil can only switch off and on)",
    )
    assert cases("  off_for: {durations: namur-ne-21}\n") == (Case("", 20 * MS, from_memory=True),)


def test_dips_of_a_list_keep_their_voltage_and_nothing_goes_above_nominal() -> None:
    """IEC 61000-4-29 (2000), variations: 80 and 85 % are dips, 120 % is never set, whatever the supply could do."""
    rig = WITH_LEVELS.replace("nominal: 24 V", "nominal: 24 V, limits: {off_at_least: 1 ms}")
    scenario = the_scenario("off_for: 3 s", "off_for: {durations: iec-61000-4-29 variations}", rig)
    assert {case.level.text for case in scenario.cases if case.level is not None} == {"80 %", "85 %"}
    assert len(scenario.cases) == 10
    assert scenario.cases[0] == Case(
        "off_for=100 ms, level=80 %", 100 * MS, level=Level(fraction=0.8, text="80 %"), from_memory=False
    )
    assert scenario.durations is not None
    (above,) = scenario.durations.left_out
    assert above.startswith("100 ms at 120 %, 300 ms at 120 %,") and "above the nominal voltage" in above
    assert len({case.name for case in scenario.cases}) == 10


def test_a_list_with_voltages_of_its_own_takes_no_others_and_no_change_of_mode() -> None:
    """`level:` beside it contradicts it; run mode has no supply to lose."""
    named = "off_for: {durations: iec-61000-4-29}"
    (fault,) = scenario_faults("off_for: 3 s", f"{named}\n  level: 40 %")
    assert fault.startswith("scenario.yaml:7: cut.level: iec-61000-4-29 names its own voltages; delete level:")
    by_mode = spoilt(SCENARIO, "off_for: 3 s", f"{named}\n  how: mode")
    (fault,) = told(lambda: load(rig=MODE, scenario=by_mode))
    assert fault == (
        "scenario.yaml:6: cut.off_for: iec-61000-4-29 names losses of the supply, and a change of mode is none; "
        "write a duration"
    )


def test_a_proof_of_the_mode_that_a_typo_elsewhere_keeps_from_being_read_is_not_called_missing() -> None:
    """It stands there word for word: the fault is where the device is, and nowhere else."""
    rig = spoilt(MODE, "{driver: point, point: run_switch}", "{driver: by-hand, proof: [{running: off}]}")
    rig = spoilt(rig, "host: 192.0.2.10,", "host: '192.0.2.10:20001',")
    faults = told(lambda: load(rig=rig, scenario=spoilt(SCENARIO, "off_for: 3 s", "off_for: 3 s\n  how: mode")))
    assert faults and all("192.0.2.10:20001" in fault for fault in faults), faults


def test_a_cut_of_run_mode_knows_no_limits_of_the_supply() -> None:
    """`how: mode` may be shorter than `off_at_least`, and reads of the controller go on, so `during` may name them."""
    cut = SCENARIO.replace("off_for: 3 s", "{how: mode, off_for: 100 ms}").replace("cut:\n  {", "cut: {")
    scenario = load(rig=MODE, scenario=cut.replace("after:", "during: [{expect: {running: off}}]\nafter:")).scenarios[0]
    assert (scenario.how, scenario.cases[0].off_for_ns) == ("mode", 100 * MS)
    assert scenario.during[0].judged == "running"


# ---------------------------------------------------------------- expectations


@pytest.mark.parametrize(
    ("entry", "kind", "wanted", "text"),
    [
        ("burner: off", "is", Wanted(equals=False), "is off"),
        ("burner: {is: on}", "is", Wanted(equals=True), "is on"),
        ("burner: as before", "is", Wanted(as_before=True), "is as before"),
        ("batches: {is: as before}", "is", Wanted(as_before=True), "is as before"),
        ("batches: {change: 0..1}", "is", Wanted(change=(0, 1)), "is changed by 0..1"),
        ("batches: {change: 2}", "is", Wanted(change=(2, 2)), "is changed by 2"),
        ("batches: {one_of: [0, 3]}", "is", Wanted(one_of=(0, 3)), "is 0 or 3"),
        ("batches: {above: 5, below: 9}", "is", Wanted(above=5, below=9), "is above 5 and below 9"),
        ("burner: {never: on, longer_than: 20 ms}", "never", Wanted(equals=True), "never on for 20 ms or longer"),
        ("burner: {never: on}", "never", Wanted(equals=True), "never on for 100 ms or longer"),
        ("batches: {never: {above: 5}}", "never", Wanted(above=5), "never above 5 for 100 ms or longer"),
        ("burner: {returns: never}", "returns", Wanted(equals=True), "never returns without a command"),
        (
            "burner: {stays: as before, longer_than: 5 ms}",
            "stays",
            Wanted(as_before=True),
            "stays as before, deviations shorter than 5 ms allowed",
        ),
        ("burner: {is: off, until: command}", "is", Wanted(equals=False), "is off until the next command"),
        ("burner: {is: on, within: 5 s}", "is", Wanted(equals=True), "is on within 5 s"),
        ("burner: {is: on, between: [3 s, 6 s]}", "is", Wanted(equals=True), "is on between 3 s and 6 s"),
        ("burner: {is: on, within: 5 s, from: ready}", "is", Wanted(equals=True), "is on within 5 s of ready"),
        ("burner: {is: on, within: 5 s, from: fan}", "is", Wanted(equals=True), "is on within 5 s of fan"),
    ],
)
def test_every_form_of_an_expectation_is_understood(entry: str, kind: str, wanted: Wanted, text: str) -> None:
    """All forms of the README's page, with the words by which they are shown and known."""
    (one,) = after(entry)
    assert (one.kind, one.wanted, one.text, one.line) == (kind, wanted, text, 9)


def test_the_keys_beside_an_expectation_are_kept() -> None:
    """Window, start, until, length of a deviation, tolerated blind gaps."""
    (one,) = after("burner: {is: on, between: [1 s, 5 s], from: fan, until: command, blind: 0}")
    assert (one.window, one.start, one.until, one.blind_ns) == (Window(S, 5 * S), "fan", "command", 0)
    (one,) = after("burner: off")
    assert (one.window, one.start, one.until, one.blind_ns) == (None, "restored", "watch", S)


def test_until_command_carries_a_never_beside_it_along() -> None:
    """`is` and `never` may stand together, and both last to the command."""
    both = after("burner: {is: off, never: on, until: command, longer_than: 20 ms}")
    assert [(one.kind, one.until) for one in both] == [("is", "command"), ("never", "command")]
    assert both[1].longer_than_ns == 20 * MS


def test_a_scaled_register_is_compared_as_it_reads() -> None:
    """146 x 0.1 is not 14.6 in floating point: the value wanted is the one that the register gives (IEEE 754)."""
    assert 146 * 0.1 != 14.6
    (one,) = after("setpoint: 14.6")
    assert one.wanted.met_by(146 * 0.1)
    assert not one.wanted.met_by(147 * 0.1)
    (one,) = after("setpoint: {is: 14.5, tolerance: 0.1}")
    assert [one.wanted.met_by(raw * 0.1) for raw in (143, 144, 145, 146, 147)] == [False, True, True, True, False]


def test_mark_limits_count_from_the_restored_supply() -> None:
    """`times:` with `within` or `between`."""
    scenario = the_scenario("after:\n", "after:\n  times: {ready: {within: 10 s}, answered: {between: [1 s, 2 s]}}\n")
    assert scenario.times == (
        MarkLimit("ready", Window(0, 10 * S), "ready within 10 s"),
        MarkLimit("answered", Window(S, 2 * S), "answered between 1 s and 2 s"),
    )


def test_gaps_lie_between_the_terminals_of_two_points() -> None:
    """`gaps:` with either limit or both."""
    scenario = the_scenario("after:\n", "after:\n  gaps: [{first: fan, then: burner, at_least: 5 s, at_most: 8 s}]\n")
    text = "burner 5 s to 8 s after fan"
    assert scenario.gaps == (Gap("fan", "burner", "fan_terminal", "burner_terminal", 5 * S, 8 * S, text),)


def test_what_comes_true_during_the_cut_is_read_at_terminals() -> None:
    """One expectation for each condition."""
    scenario = the_scenario("after:\n", "during:\n  - expect: {burner: off, rail: off}\nafter:\n")
    assert [(one.phase, one.point, one.judged, one.text) for one in scenario.during] == [
        ("during", "burner", "burner_terminal", "is off during the cut"),
        ("during", "rail", "rail", "is off during the cut"),
    ]


# ---------------------------------------------------------------- defaults, watch, cycles


def test_a_scenario_takes_the_rigs_defaults_where_it_is_silent() -> None:
    """Settle, watch, length of a pulse and repeat."""
    rig = spoilt(
        RIG, "loads: harmless", "loads: harmless\ndefaults: {settle: 1 s, watch: 7 s, longer_than: 20 ms, repeat: 3}"
    )
    silent = the_scenario(BURNER, "    burner: {never: on}\n", rig)
    assert (silent.settle_ns, silent.watch_ns, silent.repeat) == (S, 7 * S, 3)
    assert silent.after[0].longer_than_ns == 20 * MS
    own = load(rig=rig, scenario=SCENARIO.replace("after:", "repeat: 2\nafter:\n  settle: 0\n  watch: 1 s")).scenarios[
        0
    ]
    assert (own.settle_ns, own.watch_ns, own.repeat) == (0, S, 2)


READ = 130 * MS
"""A tenth of a second and three polls of 10 ms: so long has a limit to be over, or what never came is not seen to have
missed it."""


@pytest.mark.parametrize(
    ("entry", "from_ready", "from_return"),
    [
        ("burner: off", 10 * S, 0),
        ("burner: {is: on, within: 5 s}", 10 * S, 5 * S + READ),
        ("burner: {is: on, within: 12 s}", 10 * S, 12 * S + READ),
        ("burner: {is: on, within: 12 s, from: ready}", 12 * S + READ, 0),
        ("burner: {is: on, between: [30 s, 60 s]}", 10 * S, 60 * S + READ),
        ("burner: {is: on, within: 12 s, from: fan}\n    fan: {is: on, within: 5 s}", 10 * S, 17 * S + READ),
        ("burner: {is: on, within: 12 s, from: fan}\n    fan: off", 12 * S + READ, 0),
    ],
)
def test_a_window_that_ends_after_the_watch_lengthens_it(entry: str, from_ready: int, from_return: int) -> None:
    """From where the window counts, or after the window of the point that it counts from, and no longer than reads
    take to show that it is over."""
    scenario = the_scenario(BURNER, f"    {entry}\n")
    assert (scenario.watch_ns, scenario.watch_restored_ns) == (from_ready, from_return)


def test_a_watch_that_ends_before_anything_settles_is_lengthened() -> None:
    """What is settled is judged over a span, so the watch lasts beyond where that begins."""
    short = load(scenario=SCENARIO.replace("after:", "after:\n  settle: 2 s\n  watch: 1 s")).scenarios[0]
    assert 2 * S < short.watch_ns < 3 * S


def test_a_gap_that_ends_after_the_watch_lengthens_it() -> None:
    """The second point may come its whole gap after the first one's window."""
    gaps = "after:\n  gaps: [{first: fan, then: burner, at_most: 20 s}]\n"
    scenario = load(
        scenario=SCENARIO.replace("after:\n", gaps).replace(BURNER, "    fan: {is: on, within: 5 s}\n")
    ).scenarios[0]
    assert (scenario.watch_ns, scenario.watch_restored_ns) == (10 * S, 25 * S + READ)


@pytest.mark.parametrize(
    ("told_so", "cycles"),
    [
        ("reliability: 95 %, confidence: 95 %", 59),
        ("reliability: 99 %, confidence: 95 %", 299),
        ("reliability: 90 %, confidence: 90 %", 22),
        ("reliability: 99.9 %, confidence: 95 %", 2995),
        ("reliability: 95 %, confidence: 95 %, inconclusive_at_most: 1", 93),
        ("reliability: 95 %, confidence: 95 %, inconclusive_at_most: 2", 124),
    ],
)
def test_a_demonstration_computes_its_cycles(told_so: str, cycles: int) -> None:
    """Sizes of the success-run test and of Wilks' table (one-sided, orders 1 to 3), as published: see the tables of
    zero-failure sizes and of order statistics, 59/93/124 at 95/95; 2995 from the documentation of a reliability
    library."""
    scenario = the_scenario("after:\n", f"demonstrate: {{{told_so}}}\nafter:\n")
    assert scenario.repeat == cycles
    assert isinstance(scenario.demonstrate, Demonstration)
    assert scenario.inconclusive_at_most == scenario.demonstrate.inconclusive_at_most


def test_repeat_on_the_command_line_overrides_the_number_and_keeps_the_demonstration() -> None:
    """`--repeat N`: fewer cycles, and the demonstration will say that it was not reached."""
    import tempfile
    from pathlib import Path

    text = SCENARIO.replace("after:", "demonstrate: {reliability: 95 %, confidence: 95 %}\nafter:")
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "rig.yaml").write_text(RIG, encoding="utf-8")
        (Path(name) / "s.yaml").write_text(text, encoding="utf-8")
        scenario = load_suites([Path(name)], repeat=4, cards=cards())[0].scenarios[0]
    assert scenario.repeat == 4
    assert scenario.demonstrate == Demonstration(0.95, 0.95)


def test_the_order_is_passed_on() -> None:
    """`order: shuffled` is drawn by the runner from the seed."""
    assert the_scenario("after:\n", "order: shuffled\nafter:\n").order == "shuffled"
    assert the_scenario().order == "as written"


def test_restart_and_purpose_are_kept() -> None:
    """The whole head of a scenario file."""
    scenario: Scenario = the_scenario("before:\n", "purpose: Stays shut.\nbefore:\n")
    assert (scenario.name, scenario.purpose, scenario.restart) == ("burner-stays-shut", "Stays shut.", "required")
    assert the_scenario("after:\n", "after:\n  restart: either\n").restart == "either"


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        # steps
        (BEFORE, "  - press: burner\n", "before[0].press: burner is not writable; add writable: yes and idle: to the point"),
        (BEFORE, "  - press: stop\n", "before[0].press: stop is no point of the rig"),
        (BEFORE, "  - press: setpoint\n", "before[0].press: setpoint is a register; write: sets a register"),
        (BEFORE, "  - write: {batches: 3}\n", "before[0].write.batches: is not writable; add writable: yes"),
        (BEFORE, "  - write: {setpoint: on}\n", "before[0].write.setpoint: on for setpoint, which holds a number"),
        (BEFORE, "  - write: {setpoint: 14.57}\n", "before[0].write.setpoint: 14.57 lies between two steps of setpoint (0.1 each); write 14.6"),
        (BEFORE, "  - write: {setpoint: 9000}\n", "before[0].write.setpoint: 9000 is outside what setpoint can hold (uint16); write 0 to 6553.5"),
        (BEFORE, "  - write: {}\n", "before[0].write: is empty"),
        (BEFORE, "  - expect: {}\n", "before[0].expect: is empty"),
        (BEFORE, "  - expect: {burner: {change: 1}}\n", "before[0].expect.burner.change: unknown key"),
        (BEFORE, "  - by_eye: {}\n", "before[0].by_eye: is empty"),
        (BEFORE, "  - release: start\n", "before[0].release: start is not held"),
        (BEFORE, "  - hold: start\n  - hold: start\n", "before[1].hold: start is held already"),
        (BEFORE, "  - press: start\n    within: 3 s\n", "before[0].within: unknown key; known here: press, for"),
        (BEFORE, "  - wait: 3\n", "before[0].wait: 3 has no unit; write 3 s"),
        (BEFORE, "  - jump: 3 s\n", "before[0]: no step is named here; begin the entry with one of press:, hold:"),
        (BEFORE, "  - pres: start\n", "before[0]: no step is named here; did you mean press? Else begin the entry with one of press:, hold:"),
        (BEFORE, "  - within: 3 s\n    expct: {burner: on}\n", "before[0]: no step is named here; did you mean expect?"),
        # the cut
        ("off_for: 3 s", "off_for: 6 ms", "cut.off_for: 6 ms is over before the contact has opened (release + bounce = 6 ms); write more than 6 ms"),
        ("off_for: 3 s", "off_for: 1 s", "cut.off_for: 1 s is shorter than the supply's off_at_least; write up to 50 ms, or 2 s or more"),
        ("off_for: 3 s", "off_for: [3 s, 60 ms]", "cut.off_for: 60 ms is shorter than the supply's off_at_least"),
        ("off_for: 3 s", "off_for: 0", "cut.off_for: 0 is no time at all"),
        ("off_for: 3 s", "off_for: [2 s, 2 s]", "cut.off_for: a value stands twice"),
        ("off_for: 3 s", "off_for: []", "cut.off_for: the list is empty"),
        ("off_for: 3 s", "off_for: 2 s..4 s", "cut.off_for: 2 s..4 s does not say how many values; write 2 s..4 s in 5 values"),
        ("off_for: 3 s", "off_for: {search: 5 ms..40 ms}", "cut.off_for: 5 ms is over before the contact has opened (release + bounce = 6 ms); write more than 6 ms"),
        ("off_for: 3 s", "off_for: {search: 15 ms..40 ms}", "cut.off_for: 15 ms may be over between two reads of the proof of the supply; write more than 16 ms, or read it more often (poll:)"),
        ("off_for: 3 s", "off_for: {search: 10 ms..200 ms}", "cut.off_for: 200 ms is shorter than the supply's off_at_least; write up to 50 ms, or 2 s or more"),
        ("off_for: 3 s", "off_for: {search: 10 ms..4 s}", "cut.off_for: the range holds off times between dips_up_to (50 ms) and off_at_least (2 s), which the limits forbid; search up to 50 ms, or from 2 s on"),
        ("off_for: 3 s", "off_for: {search: 20 ms..20 ms}", "cut.off_for: nothing lies between the two ends of 20 ms..20 ms; write the shortest and the longest, like 5 ms..200 ms"),
        ("off_for: 3 s", "off_for: {search: 40 ms..10 ms}", "cut.off_for: 40 ms..10 ms runs backwards"),
        ("off_for: 3 s", "off_for: {search: 0..40 ms}", "cut.off_for: 0 is no time at all"),
        ("off_for: 3 s", "off_for: {search: [10 ms, 40 ms]}", "cut.off_for: a list stands where a range of durations is due"),
        ("off_for: 3 s", "off_for: {search: 20 ms..40 ms, to_within: 20 ms}", "cut.off_for: to_within: 20 ms is as wide as the range; write less"),
        ("off_for: 3 s", "off_for: {search: 20 ms..40 ms, at_most: 5}", "cut.off_for: at_most: 5 is too few: both ends are confirmed six times; write 16 or more"),
        ("off_for: 3 s", "off_for: {search: 20 ms..40 ms}\nrepeat: 3", "repeat: a search repeats as often as it has to; delete repeat:, or write at_most: in the search"),
        ("off_for: 3 s", "off_for: {search: 20 ms..40 ms}\ndemonstrate: {reliability: 95 %, confidence: 95 %}", "demonstrate: a search has another off time in each cycle"),
        ("off_for: 3 s", "off_for: {search: 20 ms..40 ms}\n  at: random 0 s..1 s", "cut.at: with an instant drawn anew in each cycle nobody could tell the off time's work from the instant's; write one instant, like at: 100 ms"),
        ("off_for: 3 s", "off_for: {search: 20 ms..40 ms}\n  at: [0, 1 s]", "cut.at: a search has one instant"),
        ("off_for: 3 s", "off_for: {durations: iec-61000-4-92}", "cut.off_for: iec-61000-4-92 is no list of standard durations; write one of: iec-61000-4-29"),
        ("off_for: 3 s", "off_for: {durations: [semi-f47]}", "cut.off_for: a list stands where the name of a list is due"),
        ("off_for: 3 s", "off_for: {durations: semi-f47}", "cut.off_for: this rig can do nothing of semi-f47: 200 ms at 50 %, 500 ms at 70 %, 1 s at 80 %, 10 s at 80 % (a dip, and modbus-coil can only switch off and on)"),
        ("off_for: 3 s", "off_for: {durations: iec-61000-4-29}\n  at: 0 s..1 s in 900 values", "cut: makes 1800 cases"),
        ("off_for: 3 s", "off_for: 2 s..4 s in 900 values\n  at: 0 s..1 s in 900 values", "cut: makes 810000 cases"),
        ("off_for: 3 s", "off_for: 3 s\n  at: random 3 s", "cut.at: 3 s is not a range"),
        ("off_for: 3 s", "off_for: 3 s\n  level: 40 %", "cut.level: modbus-coil can only switch off and on"),
        ("off_for: 3 s", "off_for: 3 s\n  how: modes", "cut.how: modes is not known here; did you mean mode?"),
        ("off_for: 3 s", "off_for: 3 s\n  how: mode", "cut.how: the rig does not say how run mode is left"),
        # during
        ("after:\n", "during:\n  - press: start\nafter:\n", "during[0]: press can't be done while the supply is off; write expect: here"),
        ("after:\n", "during:\n  - expect: {running: off}\nafter:\n", "during[0].expect.running: is read from the controller, which is dark now"),
        ("after:\n", "during:\n  - expect: {rail: off}\n    within: 3 s\nafter:\n", "during[0].within: unknown key"),
        # after
        ("after:\n  expect:\n    burner: off\n", "", "after: nothing is expected, so nothing can be shown"),
        ("after:\n", "after:\n  restart: no\n", "after.restart: no is not known here; did you mean none?"),
        ("after:\n", "after:\n  times: {redy: {within: 3 s}}\n", "after.times.redy: is no mark that can be timed; did you mean ready?"),
        ("after:\n", "after:\n  times: {settled: {within: 3 s}}\n", "after.times.settled: is no mark that can be timed; marks after the restored supply are refused, accepted, answered, good, alive, ready"),
        ("after:\n", "after:\n  times: {ready: 3 s}\n", "after.times.ready: 3 s stands where a mapping is due"),
        ("after:\n", "after:\n  times: {ready: {}}\n", "after.times.ready: has no limit"),
        ("after:\n", "after:\n  gaps: [{first: fan, then: burner}]\n", "after.gaps[0]: has no limit; add at_least: or at_most:"),
        ("after:\n", "after:\n  gaps: [{first: fan, then: fan, at_least: 1 s}]\n", "after.gaps[0].then: fan is both first and then"),
        ("after:\n", "after:\n  gaps: [{first: fan, then: batches, at_least: 1 s}]\n", "after.gaps[0].then: batches is not off or on"),
        ("after:\n", "after:\n  gaps: [{first: fan, then: burner, at_least: 9 s, at_most: 1 s}]\n", "after.gaps[0]: at_most is shorter than at_least"),
        (BURNER, "    burner: {is: off, within: 5 s, between: [1 s, 2 s]}\n", "after.expect.burner.within: within: and between: do not go together"),
        (BURNER, "    burner: {is: on, between: [5 s, 1 s]}\n", "after.expect.burner.between: the window runs backwards"),
        (BURNER, "    burner: {is: on, between: 5 s}\n", "after.expect.burner.between: two durations are due; write both in brackets"),
        (BURNER, "    burner: {is: off, stays: off}\n", "after.expect.burner: is: and stays: do not go together"),
        (BURNER, "    burner: {is: off, one_of: [on]}\n", "after.expect.burner: is: and one_of: do not go together"),
        (BURNER, "    burner: {longer_than: 20 ms}\n", "after.expect.burner: demands nothing; write one of is:"),
        (BURNER, "    burner: {is: off, longer_than: 20 ms}\n", "after.expect.burner.longer_than: means nothing beside is:; write it beside never: or stays:"),
        (BURNER, "    burner: {never: on, within: 5 s}\n", "after.expect.burner.within: means nothing beside never:"),
        (BURNER, "    burner: {never: on, blind: 5 s}\n", "after.expect.burner.blind: means nothing beside never:"),
        (BURNER, "    burner: {stays: off, until: command}\n", "after.expect.burner.until: means nothing beside stays:"),
        (BURNER, "    burner: {is: off, from: ready}\n", "after.expect.burner.from: has nothing to count"),
        (BURNER, "    burner: {is: off, within: 3 s, from: fun}\n", "after.expect.burner.from: fun is no point of the rig; did you mean fan?"),
        (BURNER, "    burner: {is: off, within: 3 s, from: batches}\n", "after.expect.burner.from: batches is not off or on"),
        (BURNER, "    burner: {is: off, tolerance: 1}\n", "after.expect.burner.tolerance: has nothing to be near to"),
        (BURNER, "    burner: {change: 1}\n", "after.expect.burner.change: burner is off or on; write is: as before"),
        (BURNER, "    burner: {above: 1}\n", "after.expect.burner.above: burner is off or on"),
        (BURNER, "    burner: {returns: always}\n", "after.expect.burner.returns: always is not known here"),
        (BURNER, "    batches: {returns: never}\n", "after.expect.batches.returns: batches is not off or on"),
        (BURNER, "    batches: on\n", "after.expect.batches: on for batches, which holds a number"),
        (BURNER, "    batches: 14.5\n", "after.expect.batches: 14.5 lies between two steps of batches (1 each)"),
        # cycles
        ("after:\n", "repeat: 0\nafter:\n", "repeat: 0 is outside 1..1000000000"),
        ("after:\n", "repeat: 3\ndemonstrate: {reliability: 95 %, confidence: 95 %}\nafter:\n", "repeat: says how often, and demonstrate computes it"),
        ("after:\n", "demonstrate: {reliability: 0.95, confidence: 95 %}\nafter:\n", "demonstrate.reliability: 0.95 is not a percentage"),
        ("after:\n", "demonstrate: {reliability: 100 %, confidence: 95 %}\nafter:\n", "demonstrate.reliability: nothing can show 0 % or 100 %"),
        ("after:\n", "demonstrate: {reliability: 95 %}\nafter:\n", "demonstrate.confidence: is missing; add it, like confidence: 95 %"),
        ("after:\n", "demonstrate: {reliability: 99.9999 %, confidence: 95 %}\nafter:\n", "demonstrate: needs more cycles than a relay can do"),
        ("after:\n", "order: random\nafter:\n", "order: random is not known here; write one of: as written, shuffled"),
    ],
)  # fmt: skip
def test_a_scenario_that_can_not_be_run_or_judged_is_refused(old: str, new: str, says: str) -> None:
    """Each is told at its place, with a cure."""
    faults = scenario_faults(old, new)
    assert len(faults) == 1, faults
    assert f": {says}" in faults[0]


def test_none_needs_a_proof_of_the_supply() -> None:
    """Without one, nothing would show that there was a cut at all."""
    rig = spoilt(RIG, "proof_of_cut: [{rail: off}]", "proof_of_cut: [{uptime: falls}]")
    faults = told(lambda: load(rig=rig, scenario=SCENARIO.replace("after:", "after:\n  restart: none")))
    assert faults == [
        "scenario.yaml:8: after.restart: none can't be shown without a proof that the supply was cut; "
        "add a proof of the supply to the rig, like proof_of_cut: [{rail: off}]"
    ]
    assert told(lambda: load(scenario=SCENARIO.replace("after:", "after:\n  restart: none"))) == []


def test_a_normally_closed_contact_opens_by_operating() -> None:
    """The off time must exceed `operate` + `bounce` there, `release` + `bounce` of a normally-open one."""
    closed = spoilt(RIG, "normally-open", "normally-closed")
    dip = SCENARIO.replace("3 s", "11 ms")
    assert "(operate + bounce = 11 ms)" in told(lambda: load(rig=closed, scenario=dip))[0]
    assert told(lambda: load(rig=RIG, scenario=dip)) == []


def test_limits_of_the_off_time_include_their_ends() -> None:
    """Up to `dips_up_to`, and from `off_at_least`."""
    for off_for in ("50 ms", "2 s"):
        assert scenario_faults("3 s", off_for) == []


def test_per_cent_of_nothing_is_refused() -> None:
    """`level: 40 %` needs the supply's nominal voltage."""
    rig = spoilt(WITH_LEVELS, ", nominal: 24 V", "")
    faults = told(lambda: load(rig=rig, scenario=SCENARIO.replace("off_for: 3 s", "off_for: 3 s\n  level: 40 %")))
    assert [line for line in faults if "cut.level: per cent of what?" in line]


def test_restart_says_nothing_about_a_change_of_mode() -> None:
    """`restart:` and `level:` do not apply to `how: mode`."""
    cut = SCENARIO.replace("  off_for: 3 s", "  how: mode\n  off_for: 3 s\n  level: 40 %").replace(
        "after:", "after:\n  restart: none"
    )
    faults = told(lambda: load(rig=MODE, scenario=cut))
    assert [line.split(": ")[1] for line in faults] == ["cut.level", "after.restart"]


def test_the_point_that_selects_run_mode_is_not_pressed_or_written() -> None:
    """Run mode is left by `cut: {how: mode}` alone."""
    text = SCENARIO.replace(BEFORE, "  - press: run_switch\n  - write: {run_switch: off}\n")
    faults = told(lambda: load(rig=MODE, scenario=text))
    assert [line.split(": ")[1] for line in faults] == ["before[0].press", "before[1].write.run_switch"]


def test_a_rig_without_a_supply_can_not_be_cut() -> None:
    """Such a rig is for looking, or for changes of mode."""
    rig = RIG[: RIG.index("supply:\n")] + RIG[RIG.index("points:") :]
    assert told(lambda: load(rig=rig)) == [
        "scenario.yaml:5: cut.how: the rig has no supply that can be cut; add supply: to the rig, or write how: mode"
    ]


# ---------------------------------------------------------------- warnings


def test_off_on_a_channel_that_is_never_expected_on_is_warned_about() -> None:
    """Rule 9: off may mean a dead wire. A step that expects it on, in any scenario of the suite, takes the warning away,
    and so does `proven:`."""
    dark = spoilt(SCENARIO, "  - expect: {burner: on}\n", "")
    says = "scenario.yaml:8: after.expect.burner: burner_terminal is never expected on in this suite, so off may mean a dead channel; expect burner on in a step before, or write proven: to burner_terminal"
    assert warnings(load(scenario=dark)) == [says]
    assert warnings(load(scenario=dark.replace("burner: off", "burner: {never: on}"))) == [says]
    assert warnings(load(scenario=dark.replace("burner: off", "burner: {stays: off}"))) == [says]
    assert warnings(load(scenario=dark.replace("burner: off", "burner: on"))) == []
    other = SCENARIO.replace("scenario: burner-stays-shut", "scenario: other")
    assert warnings(load(scenario=dark, other=other)) == []
    proven = spoilt(RIG, "{discrete_input: 0}", "{discrete_input: 0, proven: lamp test 2026-07-20}")
    assert warnings(load(rig=proven, scenario=dark)) == []


def test_never_on_the_controllers_own_word_is_warned_about() -> None:
    """It can't speak while it restarts, so `never` and `stays` stay inconclusive."""
    suite = load(scenario=spoilt(SCENARIO, BURNER, "    running: {never: off}\n"))
    assert any("running is read from the controller, which is silent while it restarts" in w for w in warnings(suite))


def test_out_of_run_mode_the_controllers_own_word_of_an_output_is_warned_about() -> None:
    """It is what its memory holds; of a state of the controller itself, and of an output with a terminal, it serves."""
    rig = spoilt(
        RIG,
        "points:\n",
        "mode: {driver: by-hand, proof: [{running: off}]}\npoints:\n  bare: {device: controller, coil: 60}\n",
    )
    mode = spoilt(SCENARIO, "off_for: 3 s", "off_for: 3 s\n  how: mode").replace(
        "after:", "during:\n  - expect: {bare: off}\nafter:"
    )
    says = "only the controller tells of bare, out of run mode of its memory: on stays inconclusive"
    assert any(says in one for one in warnings(load(rig=rig, scenario=mode)))
    for other in ("running", "burner"):
        assert not any(
            "its memory" in one for one in warnings(load(rig=rig, scenario=mode.replace("bare:", f"{other}:")))
        )


def test_a_limit_that_the_bench_does_not_wait_for_is_warned_about() -> None:
    """`ready` is waited for as long as the rig says."""
    suite = load(scenario=SCENARIO.replace("after:", "after:\n  times: {ready: {within: 90 s}}"))
    assert any("after.times.ready: the bench waits for ready no longer than 1 min" in line for line in warnings(suite))
