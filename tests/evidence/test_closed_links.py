"""A connection that ends while the controller lives on: closed in good order by a server or a gateway, or reset by
something between. No power loss closes anything in good order, and a counter that went on outweighs a reset.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evidence import MS, OFF, ON, T0, S, Story, dryer, expects, found, scenario
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.journal import CycleJudged
from restart_bench.model.rig import Proof, Ready, Rig, SupplyLimits
from restart_bench.model.samples import CONNECT, DeviceSamples, SampleKind
from restart_bench.model.scenario import Case
from restart_bench.model.verdicts import Verdict

RAIL, UPTIME, CONTACT = Proof("value", "rail", OFF), Proof("falls", "uptime"), Proof("contact lost")
DIP_NS = 50 * MS


def ended(one: DeviceSamples, kind: SampleKind, at_ns: int) -> DeviceSamples:
    """The connection ends so at an instant; the bench's next one is taken up within a millisecond, and answers."""
    later = one.records["sent_ns"] >= T0 + at_ns
    rows = one.records[~later]
    news = np.zeros(2, dtype=rows.dtype)
    for name in rows.dtype.names:
        news[name] = rows[name][-1]
        if name.startswith("p:"):
            news[name] = -1 if rows.dtype[name].kind == "i" else np.nan
    news["request"], news["kind"], news["connection"] = CONNECT, (kind, SampleKind.ACCEPTED), (1, 2)
    news["sent_ns"] = rows["received_ns"][-1], T0 + at_ns - MS // 2
    news["received_ns"] = T0 + at_ns - MS // 2, T0 + at_ns - 1000
    after = one.records[later].copy()
    after["connection"] = 2
    return replace(one, records=np.concatenate((rows, news, after)))


def rides(
    kind: SampleKind, *proofs: Proof, alive: str | None = "heartbeat", restart: str = "none", beats: int = 1
) -> CycleJudged:
    """A dip that is ridden through; 300 ms after the return the connection ends. The sign of life `beats` so often
    from poll to poll."""
    ready = Ready(when=(("running", ON),), steady_ns=50 * MS, alive=alive, within_ns=1 * S)
    rig = dryer(ready=ready, proof_of_cut=(RAIL, *proofs))
    assert rig.supply is not None
    rig = replace(rig, supply=replace(rig.supply, limits=SupplyLimits(dips_up_to_ns=100 * MS)))
    demand = scenario(expects("burner", "is", ON), restart=restart, cases=(Case("", DIP_NS),))
    story = Story(rig=rig, scenario=demand, off_ns=DIP_NS, end_ns=4 * S).never_dark()
    story.set("burner", (0, 1)).set("burner_terminal", (0, 1))
    told = story.value
    story.value = lambda name, at: told(name, at) * (beats if name == "heartbeat" else 1)  # type: ignore[method-assign]
    samples = story.samples()
    samples["controller"] = ended(samples["controller"], kind, 2 * S + DIP_NS + 300 * MS)
    return judge_cycle(rig, demand, story.records(), samples)


ENDS = [SampleKind.CLOSED, SampleKind.RESET]


@pytest.mark.parametrize("kind", ENDS)
@pytest.mark.parametrize("proofs", [(), (UPTIME,), (CONTACT,), (UPTIME, CONTACT)])
def test_a_counter_that_went_on_outweighs_the_end_of_a_connection(kind: SampleKind, proofs: tuple[Proof, ...]) -> None:
    """A controller that rode through did so, whatever closed or reset its connection 300 ms later."""
    judged = rides(kind, *proofs)
    assert found(judged, "", "restart").verdict is Verdict.PASS, found(judged, "", "restart").reason
    ready = judged.mark("ready")
    assert ready is not None and ready.not_after_ns < T0 + 2 * S + DIP_NS + 300 * MS
    assert judged.verdict is Verdict.PASS


@pytest.mark.parametrize("kind", ENDS)
def test_a_sign_of_life_that_every_poll_finds_two_further_outweighs_it_as_well(kind: SampleKind) -> None:
    """It may count by two at a time, or twice from poll to poll: it went on either way."""
    judged = rides(kind, beats=2)
    assert found(judged, "", "restart").verdict is Verdict.PASS, found(judged, "", "restart").reason


def test_a_counter_that_reads_no_more_than_it_could_had_it_begun_anew_outweighs_nothing() -> None:
    """A sign of life that had begun just before its connection was reset reads alike either way."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)), end_ns=6 * S)
    begun = story.running_ns
    reset = begun + 100 * MS
    story.value = lambda name, at: (  # type: ignore[method-assign]
        float(max(0, at - begun) // (10 * MS))
        if name == "heartbeat" and at >= story.cut_ns
        else Story.value(story, name, at)
    )
    story.rig = replace(story.rig, proof_of_cut=(RAIL,))
    samples = story.samples()
    samples["controller"] = ended(samples["controller"], SampleKind.RESET, reset)
    ready = judge_cycle(story.rig, story.scenario, story.records(), samples).mark("ready")
    assert ready is not None and ready.not_after_ns > T0 + reset


@pytest.mark.parametrize("kind", ENDS)
def test_an_uptime_alone_outweighs_the_end_of_a_connection(kind: SampleKind) -> None:
    """Without a sign of life too."""
    assert found(rides(kind, UPTIME, alive=None), "", "restart").verdict is Verdict.PASS


def test_a_connection_closed_in_good_order_shows_no_restart_where_no_counter_tells() -> None:
    """Nor that there was none."""
    finding = found(rides(SampleKind.CLOSED, CONTACT, alive=None), "", "restart")
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "closed" in finding.reason
    assert found(rides(SampleKind.CLOSED, alive=None, restart="required"), "", "restart").verdict is not Verdict.PASS


def welded(kind: SampleKind, alive: str | None, before_ns: int = 60 * MS) -> CycleJudged:
    """The contact never opens; the connection ends shortly before the command back, and nothing but it is a proof."""
    ready = Ready(when=(("running", ON),), steady_ns=50 * MS, alive=alive, within_ns=1 * S)
    rig: Rig = dryer(ready=ready, proof_of_cut=(CONTACT,))
    demand = scenario(expects("burner", "is", ON))
    story = Story(rig=rig, scenario=demand, end_ns=5 * S).never_dark()
    story.set("burner", (0, 1)).set("burner_terminal", (0, 1)).set("fan_terminal", (0, 0))
    samples = story.samples()
    samples["controller"] = ended(samples["controller"], kind, story.back_ns - before_ns)
    return judge_cycle(rig, demand, story.records(), samples)


@pytest.mark.parametrize("alive", ["heartbeat", None])
@pytest.mark.parametrize("before_ms", [60, 500, 950])
def test_a_connection_closed_in_good_order_proves_no_cut(alive: str | None, before_ms: int) -> None:
    """Who loses its supply closes nothing in good order."""
    judged = welded(SampleKind.CLOSED, alive, before_ms * MS)
    assert judged.verdict is Verdict.ERROR
    assert "the cut is not proven" in judged.reason
