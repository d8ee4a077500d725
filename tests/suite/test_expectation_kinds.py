"""Every kind of expectation, asked everywhere where kinds differ: no place may leave one out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import pytest

from evidence import MS, S, Story, dryer, expects, scenario
from file_suites import RIG, SCENARIO, load, scenario_faults, spoilt, the_scenario, warnings
from restart_bench.judging.cycle import JUDGES, judge_cycle
from restart_bench.judging.scenario import judge_run, judge_scenario
from restart_bench.model.rig import Wanted
from restart_bench.model.scenario import EXPECTATION_KINDS, Expectation, ExpectationKind
from restart_bench.model.verdicts import Verdict
from restart_bench.suite.expectation_reader import READERS
from restart_bench.suite.plan import sights_of
from restart_bench.suite.scenario_schema import ExpectationIn

BURNER = "    burner: off\n"
STARTS_ON = "  - expect: {burner: on}\n"
BACK = 3 * S


@dataclass(frozen=True)
class Expected:
    """What is so of a kind, as the README has it: written down here a second time, by hand."""

    off: str  # an entry that a point which stays off conforms to
    text: str
    should: str
    keys: frozenset[str]
    pulses: bool
    dark: bool
    on: bool = True  # an entry with on and off exchanged demands on


EXPECTED = {
    "is": Expected(
        "is: off", "is off", "should be off", frozenset({"within", "between", "blind", "until"}), False, False
    ),
    "never": Expected(
        "never: on",
        "never on for 100 ms or longer",
        "it should never be on for 100 ms or longer",
        frozenset({"longer_than", "until"}),
        True,
        True,
        on=False,  # never off: nothing says that it was seen on
    ),
    "stays": Expected(
        "stays: off",
        "stays off, deviations shorter than 100 ms allowed",
        "it should stay off",
        frozenset({"longer_than"}),
        True,
        True,
    ),
    "returns": Expected(
        "returns: never", "never returns without a command", "once off it should stay off", frozenset(), True, True,
        on=False,
    ),
}  # fmt: skip
KEYS = {
    "longer_than": "20 ms", "within": "5 s", "between": "[1 s, 2 s]", "blind": "500 ms", "until": "command",
}  # fmt: skip
"""Keys that fit a point that is off or on; `tolerance` needs a number, `from` a window."""
each_kind = pytest.mark.parametrize("kind", EXPECTED)


def entry(kind: str, point: str = "burner", **keys: str) -> str:
    """A line of `after: expect:`."""
    written = ", ".join([EXPECTED[kind].off, *(f"{key}: {value}" for key, value in keys.items())])
    return f"    {point}: {{{written}}}\n"


def read(kind: str, point: str = "burner", **keys: str) -> Expectation:
    """The expectation that a file of this kind is read into."""
    (one,) = the_scenario(BURNER, entry(kind, point, **keys)).after
    return one


def off(kind: str, **changes: Any) -> Expectation:
    """The same expectation on the dryer of the stories."""
    one = read(kind)
    return expects("burner", kind, one.wanted, longer_than_ns=one.longer_than_ns, text=one.text, **changes)


def test_every_kind_is_asked_for_here() -> None:
    """Readers, judges, facts and this file know the same kinds."""
    assert set(EXPECTED) == set(ExpectationKind) == set(EXPECTATION_KINDS) == set(READERS) == set(JUDGES)


def test_the_files_keys_are_those_of_the_kinds() -> None:
    """What may stand in an expectation names a kind, or means something beside one; `from` goes with a window."""
    keys = {field.alias or name for name, field in ExpectationIn.model_fields.items()}
    known = {key for facts in EXPECTATION_KINDS.values() for key in (*facts.written, *facts.keys)}
    assert keys == known | {"from"}


@pytest.mark.parametrize("kind", ["flickers", "", "Never"])
def test_a_kind_that_there_is_not_is_refused(kind: str) -> None:
    """It must not be judged as if it were another one."""
    with pytest.raises(ValueError, match="ExpectationKind"):
        expects("burner", kind)


@each_kind
def test_it_is_read_and_shown_in_its_own_words(kind: str) -> None:
    """A file says it, the record shows it."""
    one = read(kind)
    assert (one.kind, one.text) == (kind, EXPECTED[kind].text)


@each_kind
@pytest.mark.parametrize("key", KEYS)
def test_it_takes_its_own_keys_and_no_others(kind: str, key: str) -> None:
    """A key that would mean nothing is told, with the kinds that it belongs to."""
    if key in EXPECTED[kind].keys:
        assert read(kind, **{key: KEYS[key]}).kind == kind
        return
    faults = scenario_faults(BURNER, entry(kind, **{key: KEYS[key]}))
    beside = " or ".join(f"{name}:" for name, other in EXPECTED.items() if key in other.keys)
    assert len(faults) == 1 and f"{key}: means nothing beside {kind}:; write it beside {beside}," in faults[0]


@each_kind
def test_a_tolerance_belongs_to_what_is_near_to_a_number(kind: str) -> None:
    """`is: 14.5` and `stays: 14.5` may be near to it, `never` and `returns` are near to nothing."""
    written = {"never": "never: 14.5", "returns": "returns: never"}.get(kind, f"{kind}: 14.5")
    faults = scenario_faults(BURNER, f"    setpoint: {{{written}, tolerance: 0.1}}\n")
    assert any("tolerance: means nothing" in fault for fault in faults) is (kind in ("never", "returns"))


@pytest.mark.parametrize(("kind", "other"), [*itertools.permutations(EXPECTED, 2)])
def test_only_is_and_never_stand_together(kind: str, other: str) -> None:
    """Where something ends, and what must not happen on the way; all else contradicts or repeats."""
    written = f"    burner: {{{EXPECTED[kind].off}, {EXPECTED[other].off}}}\n"
    if {kind, other} == {"is", "never"}:
        assert {one.kind for one in the_scenario(BURNER, written).after} == {"is", "never"}
    else:
        (fault,) = scenario_faults(BURNER, written)
        assert "do not go together" in fault


@pytest.mark.parametrize(("key", "value"), [("within", "100 s"), ("between", "[1 s, 100 s]")])
def test_a_window_lengthens_the_watch(key: str, value: str) -> None:
    """A watch that ends before the window does would show nothing."""
    windowed = [kind for kind, one in EXPECTED.items() if key in one.keys]
    assert windowed
    for kind in windowed:
        usual = the_scenario(BURNER, entry(kind)).watch_ns
        longer = the_scenario(BURNER, entry(kind, **{key: value}))
        assert usual < 100 * S < longer.watch_restored_ns < 101 * S


@each_kind
def test_the_plan_says_which_pulses_can_be_seen(kind: str) -> None:
    """A kind that counts pulses asks for a length; one that does not asks for none."""
    (sight,) = sights_of(load().rig, the_scenario(BURNER, entry(kind)))
    assert sight.asked_ns == (100 * MS if EXPECTED[kind].pulses else None)


@each_kind
def test_a_pass_says_which_pulses_are_not_excluded(kind: str) -> None:
    """The limits of a scenario name the shortest pulse for each kind that counts pulses."""
    told = scenario(off(kind))
    limits = judge_scenario(dryer(), told, [Story(scenario=told).judge()], 1).limits
    assert any("burner: pulses shorter than" in limit for limit in limits) is EXPECTED[kind].pulses


@each_kind
def test_the_controllers_own_word_is_warned_of_where_it_must_speak_in_the_dark(kind: str) -> None:
    """While it restarts it is silent, so whatever speaks of that time stays inconclusive: `check` says so before, and
    the judge finds it so."""
    suite = load(scenario=spoilt(SCENARIO, BURNER, entry(kind, "running")))
    warned = any("running is read from the controller, which is silent" in one for one in warnings(suite))
    image, terminal = (
        expects("burner", kind, read(kind).wanted, judged=name) for name in ("burner", "burner_terminal")
    )
    verdicts = [Story(scenario=scenario(one)).finding("burner", one.text).verdict for one in (image, terminal)]
    assert verdicts[1] is Verdict.PASS
    assert warned is EXPECTED[kind].dark is (verdicts[0] is Verdict.INCONCLUSIVE)


@each_kind
def test_off_on_a_channel_never_seen_on_is_an_error_and_warned_of(kind: str) -> None:
    """A dead wire conforms to every kind that wants off: the run's end says so, and `check` beforehand."""
    told = scenario(off(kind))
    dead = Story(scenario=told).set("burner_terminal", (0, 0)).judge()
    (judged,) = judge_run(dryer(), [told], [dead], {told.name: 1})
    assert judged.verdict is Verdict.ERROR and "may be dead" in judged.reason
    text = spoilt(spoilt(SCENARIO, STARTS_ON, ""), BURNER, entry(kind))
    assert any("off may mean a dead channel" in one for one in warnings(load(scenario=text)))


@each_kind
def test_on_needs_no_proof_that_the_channel_works(kind: str) -> None:
    """A kind that demands on shows in its own pass that the channel works, also to the other expectations."""
    if not EXPECTED[kind].on:
        return
    on = EXPECTED[kind].off.replace("off", "on")
    text = spoilt(spoilt(SCENARIO, STARTS_ON, ""), BURNER, f"    burner: {{{on}}}\n")
    assert not any("dead channel" in one for one in warnings(load(scenario=text)))
    other = SCENARIO.replace("scenario: burner-stays-shut", "scenario: other").replace(STARTS_ON, "")
    assert not any("dead channel" in one for one in warnings(load(scenario=text, other=other)))


@each_kind
def test_a_deviation_fails_and_says_what_ought_to_have_been(kind: str) -> None:
    """On for half a second while it is watched."""
    told = scenario(off(kind))
    story = Story(scenario=told).pulse("burner_terminal", BACK + 700 * MS, 500 * MS)
    finding = story.finding("burner", told.after[0].text)
    assert finding.verdict is Verdict.FAIL and finding.reason.endswith(EXPECTED[kind].should)


@each_kind
def test_what_is_off_all_along_passes(kind: str) -> None:
    """The burner of the usual story is off from the cut on."""
    told = scenario(off(kind))
    story = Story(scenario=told)
    assert story.finding("burner", told.after[0].text).verdict is Verdict.PASS
    assert judge_cycle(story.rig, told, story.records(), story.samples()).verdict is Verdict.PASS


def test_of_what_returns_a_file_need_not_say_what() -> None:
    """It is on that must not return."""
    assert read("returns").wanted == Wanted(equals=True)
    assert expects("burner", "returns", Wanted(equals=False)).wanted == Wanted(equals=True)


def test_the_rig_of_these_files_has_what_the_kinds_are_asked_about() -> None:
    """A terminal, a point of the controller, a number."""
    assert all(name in RIG for name in ("burner:", "running:", "setpoint:"))
