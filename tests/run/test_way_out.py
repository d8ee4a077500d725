"""The way out by itself, on a supply and a rail that are played: what a lost guard does, and what can't keep it from
its end."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from evidence import ON, dryer
from restart_bench.archive.writer import RunArchive
from restart_bench.model.clock import now_ns
from restart_bench.model.journal import Record, Switching
from restart_bench.model.live import Reading, Show
from restart_bench.model.rig import Rig, Value
from restart_bench.model.scenario import Scenario
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run import actuators as hands
from restart_bench.run.actuators import Actuators
from restart_bench.run.context import Chronicle, CycleContext
from restart_bench.run.cycle import CycleAct
from restart_bench.run.safe_end import SafeEnd
from restart_bench.run.supervision import Conditions, EndOfRun, StopRequest, Supervisor
from restart_bench_drivers.interface import Supply


class _Relay:
    """A supply that does as it is told, and a rail that follows it unless it is silent; it is the observer as well."""

    failed = ""

    def __init__(self, *, on: bool, rail: bool = True, guard: bool = True) -> None:
        self.on_now, self.rail_is_read, self.guard = on, rail, guard
        self.told: list[str] = []

    def on(self) -> None:
        self.told.append("on")
        self.on_now = True

    def off(self) -> None:
        self.told.append("off")
        self.on_now = False

    def is_on(self) -> bool:
        return self.on_now

    def latest(self, name: str) -> Reading | None:
        values: dict[str, Value | None] = {
            "rail": self.on_now if self.rail_is_read else None,
            "guard_closed": self.guard,
        }
        return Reading(values[name], now_ns(), now_ns()) if name in values else None

    def last_good_ns(self, _device: str) -> int | None:
        return None

    def wait_news(self, _timeout_s: float) -> bool:
        return False


class _Told:
    """A chronicle that keeps what is said."""

    leaving = owes_way_out = False

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)


class Way:
    """A way out over a relay that is played."""

    def __init__(self, relay: Any, *, commanded: str = "unknown", after_trouble: str = "off") -> None:
        self.relay, self.chronicle = relay, _Told()
        self.records: list[Record] = []
        base = dryer()
        assert base.supply is not None
        rig: Rig = dryer(supply=replace(base.supply, after_trouble=after_trouble), only_while=())
        observer = cast(ObserverHandle, relay)
        self.actuators = Actuators(
            rig, observer, cast(Supply, relay), allowed=frozenset(), publish=self.records.append,
            ask=None, stop=StopRequest(), heed_limits=True,
        )  # fmt: skip
        self.actuators.state.commanded = commanded
        self.actuators.state.operations = int(commanded != "unknown")
        context = SimpleNamespace(actuators=self.actuators, rig=rig, cycle=0, enter=lambda *_: None)
        self.safe_end = SafeEnd(
            cast(CycleContext, context), rig.supply, cast(Chronicle, self.chronicle), armed=True, stack=ExitStack()
        )

    def switched(self) -> list[str]:
        """What the journal tells of commands to the supply."""
        return [one.to for one in self.records if isinstance(one, Switching)]


@pytest.fixture(autouse=True)
def _no_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    for limit in ("_RAIL_WITHIN_NS", "_CONTACT_WITHIN_NS", "_IDLE_PATIENCE_NS", "_RESTORE_PAUSE_S"):
        monkeypatch.setattr(hands, limit, 0)


@pytest.mark.parametrize(
    ("commanded", "is_on", "rail", "after_trouble", "told"),
    [
        ("on", True, True, "off", ["off"]),
        ("unknown", True, True, "off", ["off"]),
        ("unknown", True, True, "on", []),
        ("unknown", False, True, "off", []),
        ("unknown", False, True, "on", []),
        ("unknown", True, False, "off", ["off"]),
        ("unknown", False, False, "on", []),
        ("off", False, True, "on", []),
        ("off", False, False, "on", []),
        ("off", False, False, "off", []),
        ("off", True, True, "off", ["off"]),
        ("off", True, True, "on", []),
        ("on", False, True, "off", []),
        ("on", True, False, "off", ["off"]),
    ],
)
def test_when_a_guard_is_lost_what_is_on_goes_to_after_trouble_and_nothing_goes_on(
    commanded: str, is_on: bool, rail: bool, after_trouble: str, told: list[str]
) -> None:
    """What the rail shows to be on is on, whatever was commanded; what nobody knows to be off goes off; nothing is told
    to go on."""
    way = Way(_Relay(on=is_on, rail=rail), commanded=commanded, after_trouble=after_trouble)
    way.safe_end.leave(trouble=True, at_once=True)
    assert way.relay.told == told
    assert way.relay.on_now is (is_on and "off" not in told)


@pytest.mark.parametrize(
    ("is_on", "after_trouble", "words"),
    [
        (False, "on", "off, as it was when `only_while` was lost; nothing is switched on then"),
        (False, "off", "off, as it was when `only_while` was lost; nothing is switched on then"),
        (True, "off", "off"),
    ],
)
def test_a_lost_guard_says_in_which_state_the_supply_was_left_and_why(
    is_on: bool, after_trouble: str, words: str
) -> None:
    """The state comes first; whoever reads it need not know what "as it is" was."""
    way = Way(_Relay(on=is_on), commanded="on" if is_on else "off", after_trouble=after_trouble)
    assert way.safe_end.leave(trouble=True, at_once=True) == ""
    assert str(way.safe_end.supply_left) == words


class _Odd(_Relay):
    """A relay whose count of retries is no number."""

    retries: Any = None


class _Broken(_Relay):
    """A relay whose count of retries can't be asked for."""

    @property
    def retries(self) -> int:
        raise RuntimeError("not connected")


@pytest.mark.parametrize("kind", [_Odd, _Broken])
def test_a_command_is_told_whatever_the_driver_says_of_its_retries(kind: type[_Relay]) -> None:
    """The command was carried out, so the journal has it."""
    way = Way(kind(on=True), commanded="on")
    way.actuators.switch("off", "cut")
    assert way.switched() == ["off"]
    assert way.actuators.state.commanded == "off"


@pytest.mark.parametrize("raised", [KeyboardInterrupt(), SystemExit(0), RuntimeError("a fault of ours")])
def test_what_escapes_on_the_way_to_the_supply_does_not_keep_it_from_its_rest(
    raised: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is tried all the same; where that raises again it is said with the manual step, and the run is unsafe."""
    way, once = Way(_Relay(on=True)), [raised]
    contrary = way.actuators.contrary
    monkeypatch.setattr(way.actuators, "contrary", lambda: _raise(once.pop()) if once else contrary())
    assert way.safe_end.leave(trouble=True, at_once=False) == ""
    assert way.relay.told == ["off"]
    way = Way(_Relay(on=True))
    monkeypatch.setattr(way.actuators, "contrary", lambda: _raise(raised))
    assert "could not be brought off" in way.safe_end.leave(trouble=True, at_once=False)
    assert any("THE SUPPLY MAY NOT BE OFF" in text for text in way.chronicle.said), way.chronicle.said
    way, once = Way(_Relay(on=True)), [raised]
    rail = way.actuators.rail
    monkeypatch.setattr(way.actuators, "rail", lambda since_ns=0: _raise(once.pop()) if once else rail(since_ns))
    way.safe_end.leave(trouble=True, at_once=True)
    assert way.relay.told == ["off"]


def _raise(problem: BaseException) -> Any:
    raise problem


class _Folder:
    """An archive that keeps how it was ended."""

    def __init__(self) -> None:
        self.ended = ""

    def write(self, _record: Record) -> None:
        """Takes it."""

    def close(self, *_: Any) -> None:
        self.ended = "closed"

    def leave_open(self, _facts: dict[str, Any]) -> None:
        self.ended = "left open"


@pytest.mark.parametrize(("comes_to_its_end", "ended"), [(True, "closed"), (False, "left open")])
def test_a_run_whose_way_out_did_not_come_to_its_end_is_not_sealed(
    comes_to_its_end: bool, ended: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next armed start finds it and puts right what was left."""
    folder, way = _Folder(), Way(_Relay(on=True))
    chronicle = Chronicle("run", cast(RunArchive, folder), cast(Show, SimpleNamespace(record=lambda _: None)))
    way.safe_end._chronicle = chronicle
    if not comes_to_its_end:
        monkeypatch.setattr(way.actuators, "tell_of_the_mode", lambda _: _raise(RuntimeError("a fault of ours")))
    with suppress(RuntimeError):
        way.safe_end.leave(trouble=True, at_once=False)
    chronicle.last_resort()
    assert folder.ended == ended
    assert way.relay.told == ["off"]


def test_a_run_that_could_not_begin_is_closed() -> None:
    """It owes nobody a way out."""
    folder = _Folder()
    Chronicle(
        "run", cast(RunArchive, folder), cast(Show, SimpleNamespace(record=lambda _: None))
    ).last_resort()  # fmt: skip
    assert folder.ended == "closed"


# ---------------------------------------------------------------- a guard that opens for a moment


class _Guarded(_Relay):
    """The guard reads closed now; what was read meanwhile is known once it is taken in."""

    def __init__(self, *meanwhile: bool) -> None:
        super().__init__(on=False)
        self.meanwhile = meanwhile
        self.known: list[bool] = []

    def watch(self, _name: str) -> None:
        self.known.clear()

    def take_in(self) -> None:
        self.known += self.meanwhile

    def every_value(self, _name: str) -> list[Reading]:
        told = [Reading(value, now_ns(), now_ns()) for value in self.known]
        self.known.clear()
        return told

    def look(self, _now: int) -> None:
        """There is nothing to look after."""


@pytest.mark.parametrize(("meanwhile", "told"), [((True,), ["on"]), ((), ["on"]), ((True, False, True), [])])
def test_the_supply_is_not_given_back_where_the_guard_read_open_since_the_last_look(
    meanwhile: tuple[bool, ...], told: list[str]
) -> None:
    """What the observer read to the very command is asked for, not only what it had told already."""
    relay = _Guarded(*meanwhile)
    way = Way(relay, commanded="off")
    rig = dryer(only_while=(("guard_closed", ON),))
    supervisor = Supervisor(
        rig, cast(ObserverHandle, cast(Any, relay)), stop=StopRequest(), note=lambda _: None, draw=lambda _: None
    )
    supervisor.conditions.watch()
    act = object.__new__(CycleAct)
    act._scenario = cast(Scenario, SimpleNamespace(how="supply"))
    act._context = cast(CycleContext, SimpleNamespace(supervisor=supervisor, actuators=way.actuators, rig=rig))
    with suppress(EndOfRun):
        act._command_restore()
    assert relay.told == told


@pytest.mark.parametrize(("meanwhile", "forbidden"), [((True,), False), ((True, False, True), True)])
def test_on_the_way_out_too_a_guard_that_opened_for_a_moment_forbids_power(
    meanwhile: tuple[bool, ...], forbidden: bool
) -> None:
    """It counts from when the guard is watched."""
    relay = _Guarded(*meanwhile)
    conditions = Conditions(
        dryer(only_while=(("guard_closed", ON),)), cast(ObserverHandle, cast(Any, relay)), isolation=False
    )
    assert bool(conditions.forbids()) is forbidden
