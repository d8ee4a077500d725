"""A scenario file as people write it. `scenario_reader` makes the bench's own values of it."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Discriminator, Tag

from restart_bench.campaigns.durations import STANDARDS, Standard, standard
from restart_bench.files.cures import closest
from restart_bench.files.kinds import (
    SWEEP,
    As,
    AtTimes,
    Between,
    ChangeRange,
    Count,
    CountFrom0,
    Duration,
    LevelsText,
    Number,
    OneValue,
    Percentage,
    PlainName,
    PointRef,
    PositiveDuration,
    Text,
    ValueOrBefore,
    as_scalar,
    positive_duration,
    read_count,
    read_off_for,
    read_span,
    refuse,
    word,
)
from restart_bench.files.validation import Written, key
from restart_bench.model.step_kinds import STEP_KINDS
from restart_bench.model.units import UnitRefused
from restart_bench.suite.rig_schema import ConditionIn, ConditionsIn, ValueOr


def _with_verb(value: Any) -> Any:
    """Refuses an entry that names no step."""
    if not isinstance(value, dict) or not any(name in STEP_KINDS for name in value):
        keys = [str(name) for name in value] if isinstance(value, dict) else []
        near = (closest(name, STEP_KINDS) for name in keys if name != "within")  # which is near to wait
        meant = next((f"did you mean {one}? Else " for one in near if one), "")
        verbs = ", ".join(f"{verb}:" for verb in STEP_KINDS)
        raise refuse("no step is named here", f"{meant}begin the entry with one of {verbs}")
    return value


def _step_tag(value: Any) -> str:
    """Which step an entry is, by the first of the known verbs in it."""
    return next((f"<{name}>" for name in value if name in STEP_KINDS), "")


class PressIn(Written):
    """Presses a point: leaves idle, holds, returns to idle."""

    press: PointRef = key("the point (or group) that is pressed", "start_button")
    for_: PositiveDuration = key("how long it is held", "500 ms", 200_000_000, alias="for")


class HoldIn(Written):
    """Takes a point out of idle until it is released, or to the end of the watch."""

    hold: PointRef = key("the point that leaves idle", "start_button")


class ReleaseIn(Written):
    """Returns a held point to idle."""

    release: PointRef = key("the point that returns to idle", "start_button")


class WriteIn(Written):
    """Writes values; what is written stays written."""

    write: dict[str, OneValue] = key("values by point", {"moisture_setpoint": 14.5})


class ExpectIn(Written):
    """Waits until all conditions hold at one time."""

    expect: ConditionsIn = key("conditions by point or group", {"burner": "on", "batch_count": {"above": 0}})
    within: Duration = key("how long it may take", "10 s", 5_000_000_000)
    steady: Duration = key("how long they must hold unbroken", "2 s", 0)


class WaitIn(Written):
    """Lets time pass."""

    wait: Duration = key("how long", "2 s")


class AskIn(Written):
    """Asks a person to do something."""

    ask: Text = key("what the person is asked to do", "Load the hopper to the first mark.")


class ByEyeIn(Written):
    """Asks a person whether something is so."""

    by_eye: dict[str, OneValue] = key("what the person should see, by name", {"lamp": "on"})


StepIn = Annotated[
    Annotated[PressIn, Tag("<press>")]
    | Annotated[HoldIn, Tag("<hold>")]
    | Annotated[ReleaseIn, Tag("<release>")]
    | Annotated[WriteIn, Tag("<write>")]
    | Annotated[ExpectIn, Tag("<expect>")]
    | Annotated[WaitIn, Tag("<wait>")]
    | Annotated[AskIn, Tag("<ask>")]
    | Annotated[ByEyeIn, Tag("<by_eye>")],
    Discriminator(_step_tag),
    BeforeValidator(_with_verb),
]


@dataclass(frozen=True, slots=True)
class SearchIn:
    """`{search: 5 ms..200 ms, to_within: 2 ms, at_most: 40}`, in nanoseconds."""

    shortest_ns: int
    longest_ns: int
    to_within_ns: int | None = None
    at_most: int | None = None


def _read_search(value: dict[str, Any]) -> SearchIn:
    strange = [name for name in value if name not in ("search", "to_within", "at_most")]
    if strange:
        cure = "beside search: stand to_within: (how narrow a bracket is wanted) and at_most: (cycles)"
        raise refuse(f"{strange[0]} means nothing in a search", cure, "search")
    within, most = value.get("to_within"), value.get("at_most")
    return SearchIn(
        *read_span(value["search"]),
        None if within is None else positive_duration(within),
        None if most is None else read_count(most),
    )


def _read_cuts(value: Any) -> tuple[int, ...] | Standard | SearchIn:
    """Off times in nanoseconds, the list that `{durations: NAME}` names, or where to search."""
    if isinstance(value, dict) and "search" in value:
        return _read_search(value)
    if not isinstance(value, dict) or list(value) != ["durations"]:
        return read_off_for(value)
    name = as_scalar(value["durations"], "the name of a list").text
    try:
        return standard(name)
    except UnitRefused as refused:
        raise refuse(refused.what, refused.cure, "the name of a list") from None


_NAMED = {
    "type": "object",
    "properties": {"durations": {"enum": sorted(STANDARDS)}},
    "required": ["durations"],
    "additionalProperties": False,
}
_SEARCHED = {
    "type": "object",
    "properties": {
        "search": {"type": "string"},
        "to_within": {"type": "string"},
        "at_most": {"type": "integer", "minimum": 1},
    },
    "required": ["search"],
    "additionalProperties": False,
}
OffFor = Annotated[tuple[int, ...] | Standard | SearchIn, As(_read_cuts, {"anyOf": [*SWEEP, _NAMED, _SEARCHED]})]


class CutIn(Written):
    """One loss and return of supply, or one leave-and-return of run mode."""

    how: Annotated[Literal["supply", "mode"], word("supply", "mode")] = key(
        "what is cut: the supply, or run mode", "supply", "supply"
    )
    off_for: OffFor = key(
        "time between the two commands: a value, a list, A..B in N values, {durations: NAME} of a standard, or "
        "{search: A..B} for the longest cut that is ridden through",
        "3 s",
    )
    at: AtTimes = key(
        "when, counted from the end of the last step of `before`; `random A..B` draws it anew in each cycle",
        "random 0 s..200 ms",
        ((0, 0),),
    )
    level: LevelsText | None = key("voltage of a dip, in per cent of nominal or in volts", "40 %", None)


class ExpectationIn(Written):
    """What is demanded of one point, written out."""

    is_: ValueOrBefore | None = key("what must hold, unbroken to its end", "off", None, alias="is")
    one_of: list[OneValue] | None = key("one of these values must hold", [0, 3], None)
    above: Number | None = key("a value above this must hold", 0, None)
    below: Number | None = key("a value below this must hold", 100, None)
    change: ChangeRange | None = key("after minus before lies in this range, both ends included", "0..1", None)
    never: ConditionIn | None = key("what must not be seen from the cut to the end of the watch", "on", None)
    stays: ValueOrBefore | None = key("never anything else, from the cut to the end of the watch", "as before", None)
    returns: Annotated[Literal["never"], word("never")] | None = key(
        "may stay on through a dip; once off it stays off until a command", "never", None
    )
    tolerance: Number | None = key("how far a number may lie from the one wanted", 0.05, None)
    longer_than: PositiveDuration | None = key(
        "a deviation of this length or longer counts for `never` and `stays`", "20 ms", None
    )
    within: PositiveDuration | None = key("holds not later than this, then unbroken", "5 s", None)
    between: Between | None = key("holds not earlier and not later, then unbroken", ["30 s", "60 s"], None)
    from_: PointRef | None = key(
        "what `within` and `between` count from: restored, ready, or a point's first change to on",
        "ready",
        None,
        alias="from",
    )
    until: Annotated[Literal["watch", "command"], word("watch", "command")] | None = key(
        "holds to the end of the watch, or to the next command after it", "command", None
    )
    blind: Duration | None = key("blind gaps up to this length are tolerated by `is`", "500 ms", None)


class DuringStepIn(Written):
    """What has to come true while the supply is off."""

    expect: dict[str, ConditionIn] = key("conditions by point or group", {"stays_off": "off"})


def _only_expect(value: Any) -> Any:
    """Refuses steps that can't be done while the supply is off."""
    if isinstance(value, dict) and "expect" not in value:
        for name in value:
            if name in STEP_KINDS:
                raise refuse(
                    f"{name} can't be done while the supply is off", "write expect: here, and steps in before:"
                )
    return value


DuringIn = Annotated[DuringStepIn, BeforeValidator(_only_expect)]


class MarkLimitIn(Written):
    """When a mark has to come, counted from the restored supply."""

    within: PositiveDuration | None = key("not later than this", "10 s", None)
    between: Between | None = key("not earlier and not later", ["1 s", "10 s"], None)


class GapIn(Written):
    """Time between the first changes to on of two points after the restored supply."""

    first: PointRef = key("the point that comes first", "fan")
    then: PointRef = key("the point that follows", "auger")
    at_least: Duration | None = key("shortest gap", "5 s", None)
    at_most: PositiveDuration | None = key("longest gap", "8 s", None)


class AfterIn(Written):
    """What is demanded after the cut."""

    restart: Annotated[Literal["required", "none", "either"], word("required", "none", "either")] | None = key(
        "whether the controller has to restart: required, none (rides through), either", "required", None
    )
    settle: Duration | None = key("time from `ready` to the settled state", "500 ms", None)
    watch: PositiveDuration | None = key("time from `ready` for which the outputs are watched", "10 s", None)
    times: dict[str, MarkLimitIn] = key(
        "limits for marks, counted from the restored supply", {"ready": {"within": "10 s"}}, {}
    )
    expect: dict[str, ValueOr[ValueOrBefore, ExpectationIn]] = key(
        "what is demanded, by point or group", {"stays_off": "off"}, {}
    )
    gaps: list[GapIn] = key("times between two points", [{"first": "fan", "then": "auger", "at_least": "5 s"}], [])


class DemonstrateIn(Written):
    """How sure the cycles have to make us."""

    reliability: Percentage = key("share of restarts that go well", "95 %")
    confidence: Percentage = key("how sure this has to be", "95 %")
    inconclusive_at_most: CountFrom0 = key("inconclusive cycles that are allowed; they count as failures", 1, 0)


class ScenarioIn(Written):
    """A scenario file."""

    scenario: PlainName = key("name of the scenario", "burner-stays-shut")
    purpose: Text | None = key("what it is to show, in one sentence", "The burner valve stays shut.", None)
    before: list[StepIn] = key("steps to the state in which the cut falls", [{"press": "start_button"}], [])
    cut: CutIn = key("the cut", {"how": "supply", "off_for": "3 s"})
    during: list[DuringIn] = key(
        "what has to come true while the supply is off", [{"expect": {"stays_off": "off"}}], []
    )
    after: AfterIn = key("what is demanded afterwards", {"expect": {"burner": "off"}}, AfterIn())
    function_check: list[StepIn] = key("steps that show that the program still works", [{"press": "start_button"}], [])
    repeat: Count | None = key("cycles of each case", 20, None)
    demonstrate: DemonstrateIn | None = key(
        "computes the cycles from what has to be shown", {"reliability": "95 %", "confidence": "95 %"}, None
    )
    order: Annotated[Literal["as written", "shuffled"], word("as written", "shuffled")] = key(
        "order of cases and cycles; shuffled by the seed", "shuffled", "as written"
    )
