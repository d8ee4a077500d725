"""`off_for: {search: A..B}`: what it becomes, and what does not go with it."""

from __future__ import annotations

from collections.abc import Callable

from restart_bench.files.validation import Ledger
from restart_bench.model.clock import NS_PER_MS
from restart_bench.model.rig import Rig, RigSupply
from restart_bench.model.scenario import Search
from restart_bench.model.units import UnitRefused, show_duration
from restart_bench.suite.scenario_schema import ScenarioIn, SearchIn

MOST_CYCLES = 40
"""Cycles of a search, unless `at_most:` says another number: twice and more what a sharp threshold takes."""
FEWEST_CYCLES = 16
FINEST_NS = NS_PER_MS
FINEST_SHARE = 200
"""No bracket finer than this, and than one part in so many of the range, is looked for unless `to_within:` asks."""

Refusing = Callable[[int, RigSupply], UnitRefused | None]


def search_of(told: SearchIn, rig: Rig) -> Search:
    """The search, as fine as asked, or as the rig can tell off times apart."""
    finest = max(resolves_ns(rig), (told.longest_ns - told.shortest_ns) // FINEST_SHARE)
    return Search(told.shortest_ns, told.longest_ns, told.to_within_ns or finest, told.at_most or MOST_CYCLES)


def resolves_ns(rig: Rig) -> int:
    """How well a true off time is known: by the relay's data, or by two reads of what proves the supply."""
    supply = rig.supply
    widths = [
        2 * rig.devices[rig.points[one.point].device].poll_ns
        for one in rig.proof_of_cut
        if one.of_supply and one.point in rig.points
    ]
    if supply is not None and supply.contact is not None:
        widths.append(supply.opening_ns + supply.closing_ns + 2 * supply.bounce_ns)
    return max(FINEST_NS, min(widths, default=FINEST_NS))


def check_search(model: ScenarioIn, told: SearchIn, rig: Rig, ledger: Ledger, refused_off_for: Refusing) -> None:
    """Faults of a search: what the supply can't do, and keys that ask for something else in every cycle."""
    supply, cut = rig.supply, ("cut", "off_for")
    assert supply is not None
    if supply.by_hand:
        text = "a person can't time cuts finely enough to search with them"
        ledger.fault(cut, text, "write off times, or use a supply that the bench switches")
        return
    for off_for in (told.shortest_ns, told.longest_ns):
        refused = refused_off_for(off_for, supply)
        if refused is not None:
            ledger.fault(cut, f"{show_duration(off_for)} is {refused.what}", refused.cure)
    limits = supply.limits
    if not ledger.is_faulty(cut) and told.shortest_ns < limits.off_at_least_ns <= told.longest_ns:
        dips, least = show_duration(limits.dips_up_to_ns or 0), show_duration(limits.off_at_least_ns)
        text = (
            f"the range holds off times between dips_up_to ({dips}) and off_at_least ({least}), which the limits forbid"
        )
        ledger.fault(cut, text, f"search up to {dips}, or from {least} on")
    _check_proof(told, rig, ledger)
    if told.to_within_ns is not None and told.to_within_ns >= told.longest_ns - told.shortest_ns:
        ledger.fault(cut, f"to_within: {show_duration(told.to_within_ns)} is as wide as the range", "write less")
    if told.at_most is not None and told.at_most < FEWEST_CYCLES:
        text = f"at_most: {told.at_most} is too few: both ends are confirmed six times"
        ledger.fault(cut, text, f"write {FEWEST_CYCLES} or more")
    _check_company(model, ledger)


def _check_proof(told: SearchIn, rig: Rig, ledger: Ledger) -> None:
    """A cut that was ridden through is shown by the supply's proof alone: that has to be read while it is off."""
    cut, supply = ("cut", "off_for"), rig.supply
    proofs = [one for one in rig.proof_of_cut if one.of_supply and one.point in rig.points]
    if not proofs or supply is None:
        cure = "add a proof of the supply to the rig, like proof_of_cut: [{rail: off}]"
        ledger.fault(cut, "what is ridden through can't be shown without a proof that the supply was cut", cure)
        return
    poll_ns = min(rig.devices[rig.points[one.point or ""].device].poll_ns for one in proofs)
    least = poll_ns + supply.opening_ns + supply.bounce_ns
    if told.shortest_ns <= least:
        text = f"{show_duration(told.shortest_ns)} may be over between two reads of the proof of the supply"
        ledger.fault(cut, text, f"write more than {show_duration(least)}, or read it more often (poll:)")


def _check_company(model: ScenarioIn, ledger: Ledger) -> None:
    if model.repeat is not None:
        ledger.fault(
            ("repeat",), "a search repeats as often as it has to", "delete repeat:, or write at_most: in the search"
        )
    if model.demonstrate is not None:
        text = "a search has another off time in each cycle, so nothing is demonstrated of one"
        ledger.fault(("demonstrate",), text, "delete it, and demonstrate in a scenario with one off time")
    if any(high > low for low, high in model.cut.at):
        text = "with an instant drawn anew in each cycle nobody could tell the off time's work from the instant's"
        ledger.fault(("cut", "at"), text, "write one instant, like at: 100 ms")
    elif len(model.cut.at) > 1:
        ledger.fault(
            ("cut", "at"), "a search has one instant", "write one value; a scenario file for each other instant"
        )
    if model.cut.level is not None and len(model.cut.level) > 1:
        ledger.fault(
            ("cut", "level"), "a search has one level", "write one value; a scenario file for each other level"
        )
    if model.after.restart in ("required", "none"):
        text = f"{model.after.restart} can't be demanded of cuts of which some restart and some do not"
        ledger.fault(("after", "restart"), text, "delete restart: (a search takes either)")
