"""Scenarios and runs over their cycles: rule 10's order, dead channels (rule 9), demonstrations, and the limits of
what was shown (rule 13)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from restart_bench.campaigns.reliability import CONFIDENCE, reliability_shown
from restart_bench.evidence.restarts import unit_ns
from restart_bench.judging.campaign.ride_through import found_text, is_left_out, search_found, search_limits
from restart_bench.judging.summary import as_read
from restart_bench.model.journal import CycleJudged, Finding, FindingKind, ScenarioJudged
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Case, Scenario, off_expectations, proven_channel
from restart_bench.model.units import show_duration
from restart_bench.model.verdicts import Verdict
from restart_bench.model.ways import way_of
from restart_bench.model.wording import ONLY_THE_LINK, at_most, counted, listed, numbers_text, shown, some, span_text


def judge_run(
    rig: Rig,
    scenarios: Sequence[Scenario],
    cycles: Sequence[CycleJudged],
    planned: Mapping[str, int] | None = None,
) -> list[ScenarioJudged]:
    """Every scenario over its cycles, and the channels that were never seen on in the whole run (rule 9).

    `planned` gives the cycles planned for each scenario by name; without it the file's own number.
    """
    judged = []
    for scenario in scenarios:
        own = [cycle for cycle in cycles if cycle.scenario == scenario.name]
        number = None if planned is None else planned.get(scenario.name)
        concluded = judge_scenario(rig, scenario, own, planned_cycles(scenario) if number is None else number)
        cut = any(cycle.mark("restored") for cycle in own)  # where nothing was cut, nothing was judged off
        judged.append(_with_dead_channels(rig, scenario, concluded, cycles) if cut else concluded)
    return judged


def planned_cycles(scenario: Scenario) -> int:
    """Cycles of all cases, as the file says."""
    return scenario.repeat * len(scenario.cases)


def judge_scenario(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged], planned: int) -> ScenarioJudged:
    """Rule 10: fail if any cycle failed (errors reported beside it), else error, else inconclusive, else pass."""
    counted = {word.value: sum(cycle.verdict is word for cycle in cycles) for word in Verdict}
    verdict, why = _verdict(scenario, cycles, planned)
    limits = tuple(_limits(rig, scenario, cycles))
    return ScenarioJudged(
        scenario.name, verdict, why.whole, len(cycles), counted, limits, head=why.head, begun=why.begun
    )


@dataclass(frozen=True, slots=True)
class _Why:
    """A reason in the three lengths of `ScenarioJudged`."""

    whole: str
    head: str = ""
    begun: str = ""


def _verdict(scenario: Scenario, cycles: Sequence[CycleJudged], planned: int) -> tuple[Verdict, _Why]:
    of = counted(len(cycles), "cycle")
    failed = _with(cycles, Verdict.FAIL)
    found = search_found(scenario, cycles)
    answered = found is not None and found.answered
    invalid = [one for one in _with(cycles, Verdict.ERROR) if not (answered and is_left_out(one))]
    if failed:
        also = [(f"beside that {counted(len(invalid), 'cycle')} not valid", invalid)] if invalid else []
        return Verdict.FAIL, _of_cycles([(f"{len(failed)} of {of} failed", failed), *also])
    if invalid:
        return Verdict.ERROR, _beside_the_answer(scenario, cycles, [(f"{len(invalid)} of {of} not valid", invalid)])
    too_few = _too_few_shown(scenario, cycles, planned)
    doubtful = [*([too_few.whole] if too_few else []), *_not_reached(scenario, cycles)]
    if doubtful:
        return Verdict.INCONCLUSIVE, replace(too_few or _Why(""), whole=some(doubtful))
    passed = f"all expectations shown in {len(_with(cycles, Verdict.PASS))} of {of}"
    if found is not None and found.late:
        passed += f", {found.late} left out since relay or computer were late"
    return Verdict.PASS, _Why(passed if found is None else f"{found_text(found)}; {passed}")


def _of_cycles(groups: Sequence[tuple[str, Sequence[CycleJudged]]]) -> _Why:
    """What is so of some cycles, and their reasons: `2 of 9 cycles failed: cycle 3: ...; cycle 5: ...`."""
    whole = "; ".join(f"{head}: {_reasons(cycles)}" for head, cycles in groups)
    begun: list[str] = []
    for head, cycles in groups:
        begun.append(f"{head}: {_reason_of(cycles[0])}")
        if len(cycles) > 1:
            return _Why(whole, groups[0][0], "; ".join(begun))
    return _Why(whole, groups[0][0])


def _beside_the_answer(
    scenario: Scenario, cycles: Sequence[CycleJudged], groups: Sequence[tuple[str, Sequence[CycleJudged]]]
) -> _Why:
    """The same of a search that found what it looked for in its other cycles: that is told first. It passes no more
    for it (rule 11): cycles that show nothing were asked for again."""
    found = search_found(scenario, cycles)
    if found is None or not found.answered:
        return _of_cycles(groups)
    (head, mine), *others = groups
    return _of_cycles([(f"{found_text(found)}; beside that {head}", mine), *others])


def _with(cycles: Sequence[CycleJudged], verdict: Verdict) -> list[CycleJudged]:
    return [cycle for cycle in cycles if cycle.verdict is verdict]


def _reasons(cycles: Sequence[CycleJudged]) -> str:
    return some([_reason_of(cycle) for cycle in cycles], 2)


def _reason_of(cycle: CycleJudged) -> str:
    return f"cycle {cycle.cycle}: {cycle.reason}"


def _too_few_shown(scenario: Scenario, cycles: Sequence[CycleJudged], planned: int) -> _Why | None:
    """More inconclusive cycles than allowed, or fewer cycles done than planned."""
    unclear = _with(cycles, Verdict.INCONCLUSIVE)
    if len(unclear) > _allowed(scenario):
        told = (f"{len(unclear)} of {counted(len(cycles), 'cycle')} not shown either way", unclear)
        return _beside_the_answer(scenario, cycles, [told])
    found = search_found(scenario, cycles)
    if found is not None:
        return None if found.answered else _Why(found_text(found))
    if len(cycles) < planned:
        return _Why(f"only {len(cycles)} of {counted(planned, 'planned cycle')} done")
    return None


def _allowed(scenario: Scenario) -> int:
    """Inconclusive cycles that the whole scenario may have: per case, in a demonstration."""
    if scenario.demonstrate is not None:
        return scenario.demonstrate.inconclusive_at_most * max(1, len(scenario.cases))
    return scenario.inconclusive_at_most


# ---------------------------------------------------------------- demonstrations


def _not_reached(scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """Demonstrations that were not reached, case by case; inconclusive cycles count as failures."""
    wanted = scenario.demonstrate
    if wanted is None:
        return
    for case in scenario.cases:
        own = _of_case(cycles, case)
        misses = sum(cycle.verdict is not Verdict.PASS for cycle in own)
        reached = reliability_shown(misses, len(own), wanted.confidence)
        name = f" ({case.name})" if case.name else ""
        if misses > wanted.inconclusive_at_most:
            yield f"demonstration{name}: {misses} cycles without a pass, {wanted.inconclusive_at_most} allowed"
        elif reached < wanted.reliability and not _is_enough(reached, wanted.reliability):
            yield (
                f"demonstration{name} not reached: {counted(len(own), 'cycle')} with {misses} not passed show "
                f"{_percent(reached)} at {_percent(wanted.confidence)} confidence, {_percent(wanted.reliability)} asked"
            )


def _is_enough(reached: float, asked: float) -> bool:
    """A size that meets the limit exactly is enough, whatever the last bit of a float says."""
    return abs(reached - asked) <= 1e-12


def _of_case(cycles: Sequence[CycleJudged], case: Case) -> list[CycleJudged]:
    return [cycle for cycle in cycles if cycle.case == case.name]


def _percent(fraction: float) -> str:
    """Rounded down to what is surely shown: `95 %`, `86.08 %`."""
    text = f"{int(fraction * 10_000 + 1e-6) / 100:.2f}".rstrip("0").rstrip(".")
    return f"{text} %"


# ---------------------------------------------------------------- limits


def _limits(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged], *, dead: bool = False) -> Iterator[str]:
    """What was not shown (rule 13), in sentences. dead: a channel may be, and nothing is sure that was read by it."""
    valid = [cycle for cycle in cycles if cycle.verdict is not Verdict.ERROR]
    if not valid:
        return
    found = search_found(scenario, cycles)
    if found is not None:
        yield from search_limits(found)
    elif not dead:
        yield from _confidence(scenario, valid)
    yield from _pulses(rig, scenario, valid)
    yield from _blind_spans(rig, valid)
    yield from _dark(rig, scenario, valid)
    if found is None:
        yield from _off_times(rig, scenario, valid)
    yield from _proven_otherwise(rig, scenario)
    yield from _taken_on_trust(rig, scenario, cycles)
    yield from _watched(scenario, valid)
    retries = sum(int(cycle.figures.get("retries", 0)) for cycle in cycles)
    if retries:
        yield f"The bench repeated {counted(retries, 'command')} of its own before it was answered."
    notes = dict.fromkeys(note for cycle in cycles for note in cycle.notes)
    yield from list(notes)[:10]


def _confidence(scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    confidence = scenario.demonstrate.confidence if scenario.demonstrate else CONFIDENCE
    for case in scenario.cases:
        own = _of_case(cycles, case)
        if not own or all(cycle.verdict is not Verdict.PASS for cycle in own):
            continue
        misses = sum(cycle.verdict is not Verdict.PASS for cycle in own)
        name = f"{case.name}: " if case.name else ""
        without = "without a deviation" if misses == 0 else f"with {misses} not passed"
        show = "shows" if len(own) == 1 else "show"
        shown_by = _percent(reliability_shown(misses, len(own), confidence))
        yield (
            f"{name}{counted(len(own), 'cycle')} {without} {show} a reliability of at least {shown_by} at a "
            f"confidence of {_percent(confidence)}, for this rig, this program and these off times."
        )


def _pulses(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """The shortest pulse that the run excludes, for each point of an expectation that counts pulses."""
    named = {demand.point for demand in scenario.after if demand.kind.facts.counts_pulses}
    worst: dict[str, int] = {}
    shorter: dict[str, tuple[int, int]] = {}
    for cycle in cycles:
        for finding in cycle.findings:
            excluded = finding.figures.get("shortest_excluded_ns")
            if finding.point in named and finding.verdict is Verdict.PASS and excluded is not None:
                worst[finding.point] = max(worst.get(finding.point, 0), int(excluded))
                if pulses := finding.figures.get("pulses"):
                    longest_ns = int(finding.figures["on_for_ns"][1])
                    most, longest = shorter.get(finding.point, (0, 0))
                    shorter[finding.point] = max(most, int(pulses)), max(longest, longest_ns)
    for name, excluded_ns in worst.items():
        judged = rig.points[rig.judged_point(name)]
        delay_ns = rig.devices[judged.device].input_delay_ns
        gap, delay = at_most(excluded_ns - delay_ns), at_most(delay_ns)
        made = (
            f" (longest gap between reads {gap}, input delay {delay})" if delay_ns else " (longest gap between reads)"
        )
        pulses, longest_ns = shorter.get(name, (0, 0))
        many = "1 allowed pulse was" if pulses == 1 else f"up to {pulses} allowed pulses were"
        seen = f"; {many} read in a cycle, of {at_most(longest_ns)} at most" if pulses else ""
        yield f"{shown(rig, name)}: pulses shorter than {at_most(excluded_ns)}{made} are not excluded{seen}."


def _blind_spans(rig: Rig, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """Blind gaps that passes tolerated, and which demand's span they lay in: in that of another one they may have been
    longer."""
    worst: dict[str, tuple[int, str]] = {}
    for cycle in cycles:
        for finding in cycle.findings:
            if finding.point and finding.verdict is Verdict.PASS:
                for begin, end in finding.figures.get("gaps", ()):
                    longer = (end - begin, finding.expectation)
                    worst[finding.point] = max(worst.get(finding.point, longer), longer, key=lambda one: one[0])
    for name, (gap, demand) in worst.items():
        yield (
            f"{shown(rig, name)}: in the span of `{demand}` not read for up to {at_most(gap)} at a time; what it did "
            "then is not known."
        )


def _dark(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """How long the controller's own reads say nothing."""
    longest = 0
    for cycle in cycles:
        cut, ready = cycle.mark("cut"), cycle.mark("alive") or cycle.mark("good")
        if cut is not None and ready is not None and scenario.how == "supply":
            longest = max(longest, ready.not_after_ns - cut.not_before_ns)
    controller = rig.controller
    if longest and controller is not None and any(cycle.figures.get("contact_lost") for cycle in cycles):
        span = f"from the cut until its reads count again (up to {at_most(longest)})"
        yield f"What {controller.name} says of itself shows nothing {span}."


def _off_times(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """The true off time of each case."""
    if scenario.how == "mode":
        return
    by_hand = rig.supply is not None and rig.supply.by_hand
    source = "between question and answer, and proofs" if by_hand else "commands, relay data and proofs"
    for case in scenario.cases:
        spans = [cycle.figures["off_time_ns"] for cycle in _of_case(cycles, case) if "off_time_ns" in cycle.figures]
        if spans:
            low, high = min(span[0] for span in spans), max(span[1] for span in spans)
            name = f"{case.name}: " if case.name else ""
            yield f"{name}true off time {span_text(low, high)} ({source}); others were not tried."


def _taken_on_trust(rig: Rig, scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """What no instrument of the rig looks at: terminals, a sign of life, the supply itself."""
    own = [
        demand
        for demand in (*scenario.during, *scenario.after)
        if not rig.is_independent(demand.judged) and not rig.points[demand.point].writable
    ]
    names = dict.fromkeys(shown(rig, demand.point) for demand in own if rig.points[demand.judged].is_boolean)
    if names:
        yield f"{', '.join(names)}: judged by what the controller says, no instrument looked at the terminal."
    if own and rig.ready.alive is None:
        yield "Without a sign of life (`alive:`), an image from before the cut would be taken for a new one."
    if scenario.how == "supply":
        for proof in rig.proof_of_cut:
            if proof.kind == "falls" and proof.point is not None and unit_ns(rig.points[proof.point]) is None:
                name = shown(rig, proof.point)
                yield f"{name} has no unit of time (`unit:`): a wrap was not told from a restart by its value."
    if rig.check_pulse is None and any(rig.is_independent(one.judged) for one in (*scenario.during, *scenario.after)):
        yield "An I/O that answers from a cache tells old values: no `check_pulse:` showed that it does not."
    unread = [cycle.cycle for cycle in cycles if cycle.figures.get("supply_unread")]
    rig = as_read(rig, cycles)
    if scenario.how == "supply" and not rig.reads_supply:
        some_only = f"Nothing read the supply in {counted(len(unread), 'cycle')} ({numbers_text(unread)})"
        said = some_only if unread else "Nothing reads the supply itself"
        yield f"{said}: that it came back then and stayed is taken from {way_of(rig, scenario).word_of}."
        if rig.counters_alone and any(cycle.restarted for cycle in cycles):
            told = listed(shown(rig, name) for name in rig.counters_alone)
            yield f"By {told} the program began anew, no more is shown: a watchdog with a stuck relay looks alike."
        if rig.link_alone:
            alive = shown(rig, rig.ready.alive) if rig.ready.alive is not None else "no sign of life"
            yield f"{ONLY_THE_LINK}; {alive} tells nothing of it."


def _watched(scenario: Scenario, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """How long was looked on."""
    if scenario.how == "supply" and any(cycle.figures.get("contact_lost") is False for cycle in cycles):
        yield "That the controller rode through is shown up to the end of the watch: it may restart later than that."
    if any(demand.until == "watch" for demand in scenario.after):
        watch = show_duration(scenario.watch_ns)
        if scenario.watch_restored_ns > scenario.watch_ns:
            watch += f" after ready and {show_duration(scenario.watch_restored_ns)} after the return"
        else:
            watch += " after ready"
        yield f"What happens later than {watch} is not shown (`watch:`, `until: command`)."


def _proven_otherwise(rig: Rig, scenario: Scenario) -> Iterator[str]:
    """Channels that are taken to work because the rig file says so."""
    known: set[str] = set()
    for demand in off_expectations(rig, scenario):
        proven = proven_channel(rig, demand)
        if proven and demand.judged not in known:
            known.add(demand.judged)
            yield f"{shown(rig, demand.point)}: that its channel works is taken from the rig file (proven: {proven})."


# ---------------------------------------------------------------- dead channels


def _with_dead_channels(
    rig: Rig, scenario: Scenario, judged: ScenarioJudged, cycles: Sequence[CycleJudged]
) -> ScenarioJudged:
    """Rule 9: never seen on in the run means that the channel may be dead: an error, unless `proven:` says more."""
    on = {seen.judged for cycle in cycles for seen in cycle.outputs if seen.seen_on}
    looked_at = {seen.judged for cycle in cycles for seen in cycle.outputs}
    found: dict[str, Finding] = {}
    for demand in off_expectations(rig, scenario):
        known = demand.judged in on or demand.judged in found or proven_channel(rig, demand)
        if known or demand.judged not in looked_at:
            continue
        channel = shown(rig, demand.judged)
        text = (
            f"{shown(rig, demand.point)}: {channel} was never seen on in this run, so the channel may be dead; let the "
            "scenario switch it on before the cut, or write `proven:` with what showed that it works"
        )
        found[demand.judged] = Finding(
            scenario.name, "", 0, demand.point, "seen on in the run", Verdict.ERROR, text,
            kind=FindingKind.CHANNEL, subject=demand.point,
        )  # fmt: skip
    if not found:
        return judged
    findings = tuple(found.values())
    own = [one for one in cycles if one.scenario == scenario.name]
    judged = replace(judged, limits=tuple(_limits(rig, scenario, own, dead=True)))
    if judged.verdict in (Verdict.FAIL, Verdict.ERROR):
        reason = f"{judged.reason}; beside that {some([finding.reason for finding in findings])}"
        return replace(judged, late_findings=findings, reason=reason)
    reason = some([finding.reason for finding in findings])
    return judged.overruled(Verdict.ERROR, reason, late_findings=findings)
