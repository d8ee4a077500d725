"""What a reader of the record may otherwise take for tested."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

from restart_bench.judging.campaign.coverage import coverage_of, left_out_words
from restart_bench.model.journal import CycleJudged
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.units import show_duration
from restart_bench.model.wording import listed, searched_words

if TYPE_CHECKING:
    from restart_bench.suite.loader import Suite


def not_tested(suite: Suite, cycles: Sequence[CycleJudged]) -> Iterator[str]:
    """One sentence for each thing: cycles not done, outputs nobody asks about, evidence that is missing."""
    done = {(cycle.scenario, cycle.case) for cycle in cycles if cycle.is_test}
    scenarios = [one for one in suite.scenarios if any(name == one.name for name, _ in done)]
    yield from _not_done(suite.scenarios, done)
    if scenarios:
        yield from _outputs(suite.rig, scenarios)
        left = left_out_words(coverage_of(suite.scenarios))
        if left:
            yield left
        yield _other_losses(scenarios)


def _not_done(scenarios: Sequence[Scenario], done: Collection[tuple[str, str]]) -> Iterator[str]:
    for scenario in scenarios:
        missing = [case for case in scenario.cases if (scenario.name, case.name) not in done]
        if len(missing) == len(scenario.cases):
            yield f"{scenario.name}: no valid cycle of it was done."
        else:
            yield from (f"{scenario.name}, {case.name}: no valid cycle of this case was done." for case in missing)


def _outputs(rig: Rig, done: Sequence[Scenario]) -> Iterator[str]:
    expected = {one.point for scenario in done for one in (*scenario.during, *scenario.after)}
    expected |= {name for scenario in done for gap in scenario.gaps for name in (gap.first, gap.then)}
    unnamed = [point.shown for point in rig.outputs() if point.name not in expected]
    if unnamed:
        them = "it" if len(unnamed) == 1 else "them"
        yield f"{listed(unnamed)}: no scenario expects anything of {them} after the restart."
    own_word = [
        point.shown
        for point in rig.outputs()
        if point.name in expected and not rig.is_independent(rig.judged_point(point.name))
    ]
    if own_word and any(scenario.how == "supply" for scenario in done):
        yield (
            f"{listed(own_word)} while the controller is dark: judged by the controller's own reads only, "
            "there is no terminal on independent I/O."
        )


def _other_losses(done: Sequence[Scenario]) -> str:
    cut = [scenario for scenario in done if scenario.how == "supply"]
    cases = [case for scenario in cut for case in scenario.cases]
    times = sorted({case.off_for_ns for scenario in cut if scenario.search is None for case in scenario.cases})
    searched = [searched_words(scenario.search) for scenario in cut if scenario.search is not None]
    parts = [_other_times(times)] if times else []
    parts += [f"off times beyond those of the search ({listed(searched)})"] if searched else []
    parts = parts or ["losses of the supply"]
    if cases and not any(case.level is not None for case in cases):
        parts.append("dips to a part of the voltage")
    if not any(scenario.how == "mode" for scenario in done):
        parts.append("leaving and entering run mode")
    text = listed(parts)
    return f"{text[0].upper()}{text[1:]}."


def _other_times(times_ns: Sequence[int]) -> str:
    if len(times_ns) <= 6:
        return f"off times other than {listed(show_duration(one) for one in times_ns)}"
    span = f"{show_duration(times_ns[0])} to {show_duration(times_ns[-1])}"
    return f"off times other than the {len(times_ns)} from {span}"
