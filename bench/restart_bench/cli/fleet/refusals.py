"""What can't be run at the same time, refused before anything moves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from restart_bench.model.outcome import Refused, RunOptions
from restart_bench.model.step_kinds import facts_of
from restart_bench.model.wording import listed
from restart_bench.run.session import SessionPlan
from restart_bench.suite.loader import Suite
from restart_bench.suite.supply_address import addresses_now


def refuse_together(suites: Sequence[Suite], options: Sequence[RunOptions], view: str) -> None:
    """Raises Refused where these rigs can't be run at the same time, or one of them can't be run at all. `options` of
    each rig, in their order."""
    for said in (_asked_of_one(options[0], view), _of_one_name(suites), _with_people(suites, options)):
        if said:
            raise Refused(f"{said} Nothing was moved.")
    plans = [SessionPlan.of(suite, asked) for suite, asked in zip(suites, options, strict=True)]
    _refuse_one_supply([plan.suite for plan in plans if plan.armed])
    for plan in plans:
        plan.try_supply()


def _asked_of_one(options: RunOptions, view: str) -> str:
    """What goes with one rig alone."""
    alone = {
        f"--resume {options.resume}": options.resume is not None,
        "--ask-first": bool(options.ask_first),
        f"--view {view}": view != "lanes",
    }
    named = [option for option, given in alone.items() if given]
    return f"{listed(named)} is for one rig, and several are named: run each by itself." if named else ""


def _of_one_name(suites: Sequence[Suite]) -> str:
    """Two rigs of one name would lie in one folder of the archive, as one rig."""
    files: dict[str, list[str]] = {}
    for suite in suites:
        files.setdefault(suite.rig.name, []).append(str(suite.rig.path))
    for name, paths in files.items():
        if len(paths) > 1:
            return (
                f"{listed(paths)} both call their rig {name}: give each its own name (`rig:`), the archive goes by it."
            )
    return ""


def _with_people(suites: Sequence[Suite], options: Sequence[RunOptions]) -> str:
    told = [f"{one.rig.name} ({why})" for one, how in zip(suites, options, strict=True) for why in _asks(one, how)]
    if not told:
        return ""
    return f"A person answers for one rig at a time: {listed(told)} asks somebody, so run it by itself."


def _asks(suite: Suite, options: RunOptions) -> Iterator[str]:
    """What of this suite a person has to do. A simulated rig works buttons, switch and mode by itself."""
    rig = suite.rig
    steps = [step.action for one in suite.scenarios for step in (*one.before, *one.function_check)]
    if any(facts_of(action).lasts(action)[1] is None for action in steps):
        yield "a step of its scenarios"
    if options.simulated:
        return
    if rig.supply is not None and _needs_person(rig.supply.driver):
        yield "its supply is switched by hand"
    if rig.mode is not None and rig.mode.by_hand:
        yield "its mode is switched by hand"
    if any(point.by_hand is not None for point in rig.points.values()):
        yield "a button is pressed by hand"


def _needs_person(driver: str) -> bool:
    from restart_bench_drivers.registry import cards

    card = cards().get(driver)
    return card is not None and card.needs_person


def _refuse_one_supply(suites: Sequence[Suite]) -> None:
    """Raises Refused where two rigs name one relay: its lock would be found held by the other."""
    holders: dict[str, str] = {}
    for suite in suites:
        supply = suite.rig.supply
        for address in addresses_now(supply.address or supply.driver) if supply is not None else ():
            other = holders.setdefault(address, suite.rig.name)
            if other != suite.rig.name:
                raise Refused(
                    f"{other} and {suite.rig.name} name the same supply, {address}: nothing was moved. Run them one "
                    "after the other, or correct the address in one of the rig files."
                )
