"""The plan: what `check` promises beforehand about time, wear, sight and statistical weight."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders import MS, S, dryer_rig
from live_values import burner_scenario
from restart_bench.cli.check import free_bytes, plan_lines, planned_span
from restart_bench.cli.round_trips import RoundTrip
from restart_bench.model.rig import PointLimits, RigSupply, SupplyLimits, Wanted
from restart_bench.model.scenario import (
    Ask,
    Case,
    Demonstration,
    Expect,
    Expectation,
    ExpectationKind,
    Press,
    Step,
    Window,
)
from restart_bench.model.step_kinds import step_words
from restart_bench.suite.plan import (
    SWITCHINGS_PER_CUT,
    Span,
    SuitePlan,
    bytes_per_second,
    plan_scenario,
    plan_suite,
    support_of,
    time_left_of,
    true_off_time,
)


def plan(**changes: object) -> SuitePlan:
    rig = dryer_rig()
    return plan_suite(rig, (burner_scenario(rig, **changes),))


def text_of(made: SuitePlan, worn: int = 0) -> str:
    return "\n".join(plan_lines(made, worn, ("start_button",), 100))


def test_what_a_person_does_is_told_as_what_a_person_does() -> None:
    """Nobody holds a button for 200 ms when asked to; the switch is named as the file names it."""
    rig = dryer_rig()
    supply = RigSupply("by-hand", {"switch": "main switch Q1"}, address="by-hand switch=MAIN SWITCH Q1")
    button = dataclasses.replace(rig.points["start_button"], writable=False, by_hand="green button S1")
    rig = dataclasses.replace(rig, supply=supply, points={**rig.points, "start_button": button})
    pressed = Step("function check", 0, Press("start_button"), "press start_button for 200 ms")
    text = text_of(plan_suite(rig, (burner_scenario(rig, function_check=(pressed,)),)))
    assert text.count("a person presses briefly: green button S1") == 2  # before and after
    assert "press start_button" not in text
    assert step_words(rig, pressed) == "a person presses briefly: green button S1"  # as picture and record have it
    assert "by hand: main switch Q1" in text and "MAIN SWITCH" not in text


def test_the_timeline_counts_from_the_cut() -> None:
    """Supply off at 0, on again after `off_for`, ready and the end of the watch as early and as late as allowed."""
    case = plan().scenarios[0].cases[0]
    assert [(moment.at, moment.text) for moment in case.timeline] == [
        (None, "press start_button"),
        (None, "wait 2 s"),
        (Span(0, 0), "supply off"),
        (Span(3 * S, 3 * S), "supply on"),
        (Span(3 * S, 13 * S), "ready"),
        (Span(3 * S + 500 * MS, 13 * S + 500 * MS), "settled: from here on the settled states are judged"),
        (Span(13 * S, 23 * S), "end of the watch"),
    ]


@pytest.mark.parametrize(
    ("start", "ends", "said"),
    [
        (
            "restored",
            Span(int(4.606 * S), int(13.5 * S)),
            "not sooner than 1.606 s after the return because of: burner is on",
        ),
        ("ready", Span(int(4.606 * S), int(14.606 * S)), "1.606 s after ready because of: burner is on within 1.5 s"),
    ],
)
def test_check_says_what_sets_the_end_of_the_watch(start: str, ends: Span, said: str) -> None:
    """`watch: 500 ms` ends half a second after ready, but not before a window of 1.5 s is over (and what never came
    was read to have missed it), counted from where the window counts, however late ready comes."""
    burner = Expectation(
        "after", "burner", "burner_terminal", ExpectationKind.IS, Wanted(equals=True), Window(0, 1500 * MS), start,
        text="is on within 1.5 s",
    )  # fmt: skip
    lasts = {"restored": (500 * MS, 1606 * MS), "ready": (1606 * MS, 0)}[start]
    made = plan(after=(burner,), watch_ns=lasts[0], watch_restored_ns=lasts[1])
    (end,) = (one for one in made.scenarios[0].cases[0].timeline if one.text.startswith("end of the watch"))
    assert end.at == ends
    assert said in end.text


def test_a_cycle_lasts_as_long_as_its_parts() -> None:
    """Shortest: press 0.2 s, wait 2 s, off 3 s, watch 10 s. Longest: also twice 10 s for ready, 0.2 s for the draw."""
    assert plan().scenarios[0].cases[0].each == Span(int(15.2 * S), int(35.4 * S))


@given(
    off_for=st.integers(0, 100 * MS),
    trip=st.integers(0, 30 * MS),
    shares=st.tuples(*(st.floats(0, 1) for _ in range(4))),
)
def test_the_true_off_time_holds_whenever_a_command_is_obeyed_within_its_round_trip(
    off_for: int, trip: int, shares: tuple[float, float, float, float]
) -> None:
    """Played through: each command is answered within the round trip and obeyed before its answer, and the second one
    waits for the answer to the first."""
    supply = RigSupply("x", contact="normally-open")
    first_answered, second_answered = round(trip * shares[0]), round(trip * shares[1])
    went_off = first_answered * shares[2]
    went_on = max(off_for, first_answered) + second_answered * shares[3]
    low, high = (span := true_off_time(supply, off_for, trip)).low_ns, span.high_ns
    assert high is not None
    assert low - 1 <= went_on - went_off <= high + 1


def test_check_says_what_the_off_time_was_reckoned_with() -> None:
    """With a round trip that `look` measured it is named with its day; without one the plan says that it is not in."""
    rig = dryer_rig()
    made = plan_suite(rig, (burner_scenario(rig),), round_trip_ns=4 * MS)
    told = " ".join(" ".join(plan_lines(made, 0, (), 100, round_trip=RoundTrip(4 * MS, "2026-11-26"))).split())
    low, high = made.scenarios[0].cases[0].off_time.low_ns, made.scenarios[0].cases[0].off_time.high_ns
    without = plan().scenarios[0].cases[0].off_time
    assert (low, high) == (without.low_ns - 4 * MS, (without.high_ns or 0) + 4 * MS)
    assert "and 4 ms for a command (`look`, 2026-11-26)" in told
    assert "`look` measures it" in " ".join(text_of(plan()).split())


def test_a_step_that_asks_a_person_has_no_longest_time() -> None:
    """Nobody knows how long a person takes, so the plan names no end of it."""
    made = plan(before=(Step("before", 0, Ask("Load the hopper."), "ask"),))
    assert made.lasts.high_ns is None
    assert "or more (a person answers)" in text_of(made)


def test_an_expected_state_may_take_its_time_but_not_less_than_it_must_hold() -> None:
    """`expect` lasts from `steady` (met at once) to `within` and then `steady`."""
    step = Step("before", 0, Expect((), (), within_ns=5 * S, steady_ns=1 * S), "expect")
    made = plan_scenario(dryer_rig(), burner_scenario(before=(step,)))
    assert made.cases[0].each.low_ns == 1 * S + 3 * S + 10 * S
    assert made.cases[0].each.high_ns == 6 * S + int(0.2 * S) + 3 * S + 10 * S + 2 * 10 * S


def test_every_cut_takes_two_commands_to_the_relay() -> None:
    """Off and on each move the contact: 20 cycles are 40 operations."""
    assert plan().switchings == 20 * SWITCHINGS_PER_CUT == 40


def test_a_mode_cut_wears_no_relay() -> None:
    """Leaving run mode switches no supply."""
    assert plan(how="mode").switchings == 0


def test_sweeps_count_each_case() -> None:
    """Repeat is per case: five cases of 20 cycles are 100 cycles."""
    cases = tuple(Case(f"off_for={n} s", n * S) for n in range(2, 7))
    assert plan(cases=cases).cycles == 100


def test_cuts_per_hour_stretch_the_plan() -> None:
    """A supply that bears 10 cuts an hour can't do 20 of them in less than an hour; a simulated run does not wait."""
    rig = dryer_rig()
    supply = dataclasses.replace(rig.supply, limits=SupplyLimits(cuts_per_hour=10))  # type: ignore[type-var]
    limited = dataclasses.replace(rig, supply=supply)
    assert plan_suite(limited, (burner_scenario(),)).lasts.low_ns == 3600 * S
    assert plan_suite(limited, (burner_scenario(),), simulated=True).lasts.low_ns == 20 * int(15.2 * S)


def test_starts_per_hour_stretch_the_plan() -> None:
    """S1 is pressed twice a cycle, 40 times in 20 cycles: at 6 an hour no less than 6 hours, for within any hour there
    are no more than 6 (39 // 6). An output that nobody presses starts once a cycle, as far as the plan knows."""
    rig = dryer_rig()
    limits = PointLimits(starts_per_hour=6)
    pressed = dataclasses.replace(rig.points["start_button"], limits=limits)
    seen = dataclasses.replace(rig.points["auger"], limits=limits)
    limited = dataclasses.replace(rig, points={**rig.points, "start_button": pressed, "auger": seen})
    twice = burner_scenario(before=(Step("before", 0, Press("start_button"), "press start_button"),) * 2)
    made = plan_suite(limited, (twice,))
    assert [(one.point, one.planned, one.takes_ns) for one in made.hourly] == [
        ("start_button", 40, 6 * 3600 * S),
        ("auger", 20, 3 * 3600 * S),
    ]
    assert made.lasts.low_ns == made.waits_ns == 6 * 3600 * S
    text = " ".join(text_of(made).split())
    assert "40 starts of S1 planned, at most 6 an hour: no less than 6 h" in text
    assert plan_suite(limited, (twice,), simulated=True).hourly == ()


def test_the_archive_is_held_against_the_free_disk() -> None:
    """It fits, it may not fit if the cycles last as long as they may, or it surely does not."""
    made = plan()
    low, high = made.archive_bytes.low_ns, made.archive_bytes.high_ns
    assert high is not None and 0 < low < high

    def told(free_bytes: int | None) -> str:
        return " ".join("\n".join(plan_lines(made, 0, (), 100, free_bytes=free_bytes)).split())

    assert "FULL" not in told(high) and " free" not in told(None)
    assert "FULL the archive may not fit on its disk" in told(high - 1)
    assert "FULL the archive will not fit on its disk" in told(low - 1)
    assert "; 77 GB free" in told(77_000_000_000)


def test_what_is_free_is_asked_of_the_disk_on_which_the_archive_would_lie(tmp_path: Path) -> None:
    """Also where the folder is not there yet."""
    assert free_bytes(tmp_path / "not" / "there") == pytest.approx(shutil.disk_usage(tmp_path).free, rel=0.1)


@pytest.mark.parametrize(
    ("cycles", "says"),
    [
        (1, "every second time may be missed; 59 cycles of each case would show one time in 20"),
        (20, "one time in 7 is seen (95 % sure); 59 cycles of each case would show one time in 20"),
        (59, "with 59 cycles of the case that is tried least a fault that comes up by chance one time in 20 is seen "
             "(95 % sure) Nothing was moved."),
    ],
)  # fmt: skip
def test_the_plan_says_how_rare_a_fault_would_be_seen_if_all_goes_well(cycles: int, says: str) -> None:
    """Success run: n = ln 0.05 / ln(1 - 1/N), rounded up: 20 cycles for one in 7 (19.4), 59 for one in 20."""
    assert says in " ".join(text_of(plan(repeat=cycles)).split())


@given(
    st.sampled_from(["normally-open", "normally-closed"]),
    *(st.integers(0, 50 * MS) for _ in range(3)),
    st.integers(60 * MS, 10 * S),
)
def test_the_true_off_time_lies_around_the_one_asked(
    contact: str, operate: int, release: int, bounce: int, off_for: int
) -> None:
    """Contacts open late and close late: the true off time is as uncertain as their data sheet makes it."""
    supply = RigSupply("x", contact=contact, operate_ns=operate, release_ns=release, bounce_ns=bounce)  # type: ignore[arg-type]
    off = true_off_time(supply, off_for)
    assert off.high_ns is not None
    assert 0 <= off.low_ns <= off_for <= off.high_ns
    assert off.high_ns - off.low_ns <= operate + release + 2 * bounce


def test_what_can_be_seen_is_a_poll_and_the_input_delay() -> None:
    """A terminal polled every 2 ms through a 1 ms input filter can't show a pulse below 3 ms."""
    rig = dryer_rig()
    independent = dataclasses.replace(rig.devices["independent"], input_delay_ns=1 * MS)
    rig = dataclasses.replace(rig, devices={**rig.devices, "independent": independent})
    sight = next(one for one in plan_suite(rig, (burner_scenario(rig),)).scenarios[0].sights if one.point == "burner")
    assert (sight.judged, sight.excludes_ns, sight.asked_ns) == ("burner_terminal", 3 * MS, 20 * MS)
    assert not sight.too_coarse


def test_a_pulse_shorter_than_can_be_seen_is_warned_of() -> None:
    """Asking for pulses of 1 ms of an input polled every 2 ms can never pass, and `check` says so beforehand."""
    rig = dryer_rig()
    scenario = burner_scenario(rig)
    sharp = dataclasses.replace(scenario.after[0], longer_than_ns=1 * MS)
    made = plan_suite(rig, (dataclasses.replace(scenario, after=(sharp,)),))
    assert made.scenarios[0].sights[0].too_coarse
    assert "TOO COARSE" in text_of(made)


def test_points_on_the_controller_are_said_to_be_blind_in_the_dark() -> None:
    """An output without a terminal can't be seen while the controller is dark, and the plan says so."""
    assert "blind while it is dark" in text_of(plan())


@pytest.mark.parametrize(
    ("cycles", "shown"), [(10, "74.1"), (20, "86"), (59, "95"), (100, "97"), (299, "99"), (1000, "99.7")]
)
def test_what_cycles_without_failure_show(cycles: int, shown: str) -> None:
    """One minus the exact one-sided 95 % limit of zero failures, rounded down (Clopper-Pearson; limits 0.258866,
    0.139108, 0.049508, 0.029513, 0.009969 and 0.002991 computed with scipy's beta quantiles)."""
    made = plan(repeat=cycles)
    assert f"{cycles} cycles without a failure show {shown} %" in " ".join(text_of(made).split())


def test_a_plan_that_shows_little_names_what_would_show_more() -> None:
    """59 cycles without a failure are the smallest number that shows 95 % at 95 % confidence (success run)."""
    assert "(59 would show 95 %)" in " ".join(text_of(plan(repeat=20)).split())
    assert "would show" not in text_of(plan(repeat=59))


@pytest.mark.parametrize(
    ("missing", "cycles"), [(0, 59), (1, 93), (2, 124), (3, 153)]
)  # computed with scipy's binomial: 95 % at 95 % with so many misses allowed
def test_a_demonstration_is_reached_from_its_size_on(missing: int, cycles: int) -> None:
    """With the tabulated number of cycles a demonstration is within reach, with one cycle fewer it is not."""
    wanted = Demonstration(0.95, 0.95, missing)
    assert support_of(wanted, cycles).reached >= 0.95
    assert support_of(wanted, cycles - 1).reached < 0.95
    assert support_of(wanted, cycles).needed == cycles


def test_a_demonstration_out_of_reach_is_said_beforehand() -> None:
    """`--repeat 10` keeps the demonstration: the plan says that it can't be reached and how many cycles would do."""
    text = " ".join(text_of(plan(demonstrate=Demonstration(0.95, 0.95), repeat=10)).split())
    assert "the demonstration can't be reached; 59 cycles would do" in text


def test_wear_is_held_against_the_rated_life() -> None:
    """Planned operations and those behind the contact are added up; beyond the rated life `check` says WORN."""
    rig = dryer_rig()
    supply = dataclasses.replace(rig.supply, limits=SupplyLimits(operations=100))  # type: ignore[type-var]
    made = plan_suite(dataclasses.replace(rig, supply=supply), (burner_scenario(),))
    assert "40 planned, 12 behind it, 52 of 100 rated afterwards" in text_of(made, 12)
    assert "WORN" not in text_of(made, 60)
    assert "WORN" in text_of(made, 61)


@pytest.mark.parametrize(("every_s", "days"), [(60, 69.4), (10, 11.6)])
def test_a_small_relays_life_is_priced_in_days(every_s: int, days: float) -> None:
    """100,000 operations, the least electrical life of a small relay with 5 A contacts on DC (a maker's data sheet,
    from memory), last 69.4 days at one cut a minute and 11.6 at one every 10 s (arithmetic: 10^5 x 60 s / 86,400 s a
    day). The plan says so, and counts the opening and the closing of each cut: to it that life is over at half of them.
    """
    rig = dryer_rig()
    half = every_s * S // 2
    limits = SupplyLimits(on_at_least_ns=half, operations=100_000)
    supply = dataclasses.replace(rig.supply, limits=limits)  # type: ignore[type-var]
    quick = burner_scenario(before=(), cases=(Case("", half),), watch_ns=0, function_check=(), repeat=100_000)
    made = plan_suite(dataclasses.replace(rig, supply=supply), (quick,))
    assert made.lasts.low_ns / (86_400 * S) == pytest.approx(days, abs=0.05)
    assert made.switchings == 200_000 and "WORN" in text_of(made)


def test_addresses_are_shown_with_their_item_number() -> None:
    """Who counts from 1 and who counts from 0 read the same line: "address 1 = item 2"."""
    text = " ".join(text_of(plan()).split())
    assert "discrete input, address 1 = item 2" in text
    assert "coil, address 0 = item 1" in text


def test_only_what_this_suite_writes_is_listed() -> None:
    """Points that may be written but that no step names are not on the list of what will be written."""
    text = text_of(plan())
    assert "S1" in text
    assert "hopper_full" not in text
    assert "This suite writes nothing" in plan_lines(plan(), 0, (), 80)


def test_the_archive_grows_with_time_and_points() -> None:
    """The estimate rises with the poll rate and is zero where nothing is read."""
    rig = dryer_rig()
    fast = dataclasses.replace(rig.devices["independent"], poll_ns=1 * MS)
    assert bytes_per_second(dataclasses.replace(rig, devices={**rig.devices, "independent": fast})) > bytes_per_second(
        rig
    )
    assert bytes_per_second(dataclasses.replace(rig, points={})) == 0


def test_the_plan_moves_nothing_and_says_so() -> None:
    """The last line of a plan says that nothing was moved."""
    assert plan_lines(plan(), 0, (), 80)[-1] == "Nothing was moved."


@given(st.integers(0, 10**15), st.integers(0, 10**15))
def test_a_length_of_time_reads_as_a_range(low: int, more: int) -> None:
    """Shortest and longest are both named, unless they read the same."""
    text = planned_span(Span(low, low + more))
    assert (" to " in text) == (planned_span(Span(low, low)) != planned_span(Span(low + more, low + more)))


def test_every_expectation_is_listed() -> None:
    """Before anything moves one can read what will be judged, word by word."""
    rig = dryer_rig()
    scenario = burner_scenario(rig)
    text = text_of(plan_suite(rig, (scenario,)))
    assert scenario.after
    for one in scenario.after:
        assert f"{one.point} {one.text}" in text


def test_what_is_left_of_a_run_knows_which_instants_are_drawn() -> None:
    """The cut falls within 200 ms, anew in each cycle; what a cycle drew beside its 20 s is not expected of the last
    one: 2 % less with no wait at all, 2 % more with a whole one. A rehearsal cuts nothing."""
    place = ("burner-stays-shut", "")
    left = time_left_of(plan())
    assert (left.drawn, left.to_come) == ({place: (0, S // 5)}, {place: 20})
    for _ in range(19):
        left.cycle_took(place, 20 * S + S // 5, S // 5)
    assert left.left() == (20 * S - 400 * MS, 20 * S + 100 * MS, 20 * S + 600 * MS)
    assert time_left_of(plan(), rehearse=True).drawn == {}
