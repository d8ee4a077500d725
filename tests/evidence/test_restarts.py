"""What a controller does after the return decides what counts: one that freezes, one that restarts late, an uptime
that wraps, and instruments that nobody read again. The stories are polled and judged without a wire.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import examples
from evidence import CONTROLLER, MS, OFF, ON, T0, S, Stage, Story, dryer, expects, found, scenario
from restart_bench.evidence.marks import progress_of, traces_of
from restart_bench.evidence.restarts import unit_ns
from restart_bench.model.rig import Mode, Point, Proof, Ready, Rig, Wanted
from restart_bench.model.verdicts import Verdict
from restart_bench.observer.modbus import MALFORMED, exception_of, write_answer

DIP_NS = 50 * MS
IMAGE_ON = expects("fan", "is", ON, judged="fan")


@dataclass
class Rides(Story):
    """A dip of 50 ms that is ridden through; the program stands from `frozen_ns` to `thaws_ns`; the controller
    restarts at `late_ns`; its uptime counts from `wraps_ns` on where that is set."""

    frozen_ns: int = 10**15
    thaws_ns: int = 10**15
    late_ns: int = 10**15
    wraps_ns: int | None = None
    beat_ns: int = 10 * MS
    stands: tuple[str, ...] = CONTROLLER

    def __post_init__(self) -> None:
        super().__post_init__()
        self.never_dark()
        for name in ("burner", "burner_terminal", "fan", "fan_terminal", "running"):
            self.truth[name] = [(0, 1)]
        if self.late_ns < 10**15:
            at = self.late_ns
            self.stages = [(-(10**12), "good"), (at, "dark"), (at + 200 * MS, "refused"), (at + 300 * MS, "good")]
            self.truth["running"] = [(0, 1), (at, 0), (at + 350 * MS, 1)]

    def value(self, name: str, at_ns: int) -> float:
        """What a client gets."""
        if name in self.stands and at_ns >= self.frozen_ns:
            at_ns = self.frozen_ns if at_ns < self.thaws_ns else at_ns
        booted = max(0, at_ns - self.late_ns - 350 * MS)
        if name == "heartbeat":
            return float((at_ns // self.beat_ns if at_ns < self.late_ns else booted // self.beat_ns) % 65536)
        if name == "uptime":
            if self.wraps_ns is not None and self.wraps_ns <= at_ns < self.late_ns:
                return float((at_ns - self.wraps_ns) // MS)
            return float(60_000 + at_ns // MS if at_ns < self.late_ns else (at_ns - self.late_ns) // MS)
        return super().value(name, at_ns)


def rides(**changes: object) -> Rides:
    """Such a story, with `restart: either` unless it says otherwise."""
    told = {"off_ns": DIP_NS, "scenario": scenario(IMAGE_ON, restart="either"), **changes}
    return Rides(**told)  # type: ignore[arg-type]


def back_of(story: Story) -> int:
    """When the supply is commanded back."""
    return story.cut_ns + story.off_ns


# ---------------------------------------------------------------- frozen


@examples(15)
@given(frozen_ms=st.integers(-40, 0), beat_ms=st.sampled_from([10, 30, 100]), seed=st.integers(0, 99))
def test_changes_of_alive_from_before_the_return_do_not_count_after_it(frozen_ms: int, beat_ms: int, seed: int) -> None:
    """The link lives on and the image stands as it was: nothing after the return counts, on no connection."""
    story = rides(seed=seed, beat_ns=beat_ms * MS, frozen_ns=2 * S + DIP_NS + frozen_ms * MS)
    judged = story.judge()
    assert found(judged, "", "ready within").verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE)
    assert found(judged, "fan").verdict is Verdict.INCONCLUSIVE
    trace = traces_of(story.rig, story.records(), story.samples(), {"fan"})["fan"]
    assert not trace.counts[trace.sent_ns >= T0 + back_of(story)].any()


def test_reads_count_from_the_second_change_after_the_return() -> None:
    """A controller that goes on counts again after two beats, on the connection that it kept."""
    story = rides(beat_ns=100 * MS)
    trace = traces_of(story.rig, story.records(), story.samples(), {"heartbeat"})["heartbeat"]
    after = trace.sent_ns >= T0 + back_of(story)
    first = trace.sent_ns[after & trace.counts][0] - T0 - back_of(story)
    assert 100 * MS < first <= 220 * MS
    assert story.finding("fan").verdict is Verdict.PASS


@examples(15)
@given(frozen_ms=st.integers(200, 700), thaws_ms=st.none() | st.integers(1300, 1500), seed=st.integers(0, 99))
def test_reads_stop_counting_while_alive_stands(frozen_ms: int, thaws_ms: int | None, seed: int) -> None:
    """What was read since it began to stand proves nothing; two changes later reads count again."""
    story = rides(seed=seed, frozen_ns=2 * S + DIP_NS + frozen_ms * MS)
    thaws_ns = 10**12 if thaws_ms is None else 2 * S + DIP_NS + thaws_ms * MS
    story.thaws_ns = thaws_ns
    trace = traces_of(story.rig, story.records(), story.samples(), {"fan"})["fan"]
    sent = trace.sent_ns - T0
    assert trace.counts[(sent > back_of(story) + 60 * MS) & (sent < story.frozen_ns - 20 * MS)].all()
    assert not trace.counts[(sent > story.frozen_ns + 20 * MS) & (sent < thaws_ns)].any()
    assert trace.counts[sent > thaws_ns + 60 * MS].all()


def test_a_silence_before_the_cut_does_not_slow_the_pace() -> None:
    """A controller that said nothing for a second, as its identification was asked for, beat no slower: once it stands
    still its image is no evidence."""
    demand = scenario(IMAGE_ON, restart="either", watch_ns=3 * S)
    story = rides(scenario=demand, frozen_ns=2_500 * MS).hide("controller", 500 * MS, 1_800 * MS)
    assert story.finding("fan").verdict is Verdict.INCONCLUSIVE


def test_a_late_scan_is_no_standstill() -> None:
    """A stand of 80 ms is not clearly longer than any pace."""
    story = rides(frozen_ns=2_500 * MS, thaws_ns=2_580 * MS)
    assert story.finding("fan").verdict is Verdict.PASS


def test_a_program_that_hangs_after_ready_is_told_beside_the_verdict() -> None:
    """Its terminals stay as demanded, so that the cycle passes: nobody shall take that for a controller that runs."""
    demand = scenario(expects("fan", "is", ON), restart="either")
    hung = rides(scenario=demand, frozen_ns=2_700 * MS).judge()
    assert hung.verdict is Verdict.PASS
    assert [note for note in hung.notes if "heartbeat stood still from" in note], hung.notes
    assert not [note for note in rides(scenario=demand).judge().notes if "stood still" in note]


def test_silence_shortly_after_a_dip_leaves_ready_as_early_as_the_return() -> None:
    """The program runs on all through with a slow sign of life; a link that is gone for a moment need be no start."""
    rig = dryer(
        ready=Ready((("running", ON),), 100 * MS, "heartbeat", 3 * S), proof_of_cut=(Proof("value", "rail", OFF),)
    )
    story = rides(rig=rig, beat_ns=300 * MS, end_ns=9 * S)
    story.stages = [(-(10**12), "good"), (2_260 * MS, "dark"), (2_410 * MS, "good")]
    ready = progress_of(story.rig, story.scenario, story.records(), story.samples()).marks["ready"]
    assert ready.not_before_ns <= T0 + back_of(story) + MS < T0 + 2_410 * MS <= ready.not_after_ns


@pytest.mark.parametrize(("beat_ms", "runs"), [(100, True), (150, True), (100, False)])
def test_a_program_that_hangs_after_few_slow_beats_may_have_been_ready(beat_ms: int, runs: bool) -> None:
    """It ran for longer than `steady`, and the reads that count show less; one that says that it did not run tells."""
    rig = dryer(ready=Ready((("running", ON),), 250 * MS, "heartbeat", 500 * MS))
    story = rides(rig=rig, beat_ns=beat_ms * MS, frozen_ns=2_390 * MS, end_ns=8 * S)
    story.set("running", (0, int(runs)))
    assert story.finding("", "ready within").verdict is (Verdict.INCONCLUSIVE if runs else Verdict.FAIL)


def test_terminals_count_while_the_controller_stands() -> None:
    """Independent reads count throughout: the fan that dropped out is a fail."""
    story = rides(scenario=scenario(expects("fan", "is", ON), restart="either"), frozen_ns=2_045 * MS)
    story.set("fan_terminal", (0, 1), (2_060 * MS, 0))
    assert story.finding("fan").verdict is Verdict.FAIL


@pytest.mark.parametrize(("thaws_ns", "verdict"), [(3_100 * MS, Verdict.PASS), (10**12, Verdict.INCONCLUSIVE)])
def test_in_a_mode_cut_alive_has_to_move_again_after_the_return(thaws_ns: int, verdict: Verdict) -> None:
    """While run mode is left the program stands and reads go on counting; after the return it has to move."""
    rig = dryer(mode=Mode("by-hand", proof=(("running", OFF),)))
    story = Rides(rig=rig, scenario=scenario(IMAGE_ON, how="mode"), frozen_ns=2_010 * MS, end_ns=6 * S)
    story.thaws_ns, story.stands = thaws_ns, ("heartbeat",)
    story.set("running", (0, 1), (2_020 * MS, 0), (3_030 * MS, 1))
    assert story.finding("fan").verdict is verdict
    trace = traces_of(story.rig, story.records(), story.samples(), {"fan"})["fan"]
    sent = trace.sent_ns - T0
    assert trace.counts[(sent > 1 * S) & (sent < back_of(story))].all()
    marks = progress_of(story.rig, story.scenario, story.records(), story.samples()).marks
    assert ("ready" in marks) is (verdict is Verdict.PASS)


# ---------------------------------------------------------------- late


@examples(15)
@given(late_ms=st.integers(150, 900), seed=st.integers(0, 99))
def test_marks_count_from_a_late_restart(late_ms: int, seed: int) -> None:
    """Alive, ready, settled and the watch follow the true start; what was settled before is no evidence."""
    story = rides(seed=seed, late_ns=2 * S + DIP_NS + late_ms * MS, end_ns=6 * S)
    runs_ns = T0 + story.late_ns + 350 * MS
    progress = progress_of(story.rig, story.scenario, story.records(), story.samples())
    ready = progress.marks["ready"]
    assert progress.late is not None and progress.late.proven
    assert progress.late.bounds.not_before_ns <= T0 + story.late_ns <= progress.late.bounds.not_after_ns
    assert ready.not_before_ns <= runs_ns <= ready.not_after_ns <= runs_ns + 100 * MS
    assert progress.marks["settled"].not_after_ns == ready.not_after_ns
    assert progress.watch_end_ns == ready.not_after_ns + story.scenario.watch_ns


@pytest.mark.parametrize("lasts_ms", [100, 900, 2500])
def test_a_watch_is_not_over_before_a_window_from_the_return_is(lasts_ms: int) -> None:
    """It ends `watch` after ready, or so long after the return, whichever is later: nobody waits for both."""
    story = rides(late_ns=2 * S + DIP_NS + 300 * MS, end_ns=6 * S)
    scenario = replace(story.scenario, watch_restored_ns=lasts_ms * MS)
    progress = progress_of(story.rig, scenario, story.records(), story.samples())
    assert progress.begins is not None
    from_ready = progress.marks["ready"].not_after_ns + scenario.watch_ns
    assert progress.watch_end_ns == max(from_ready, progress.begins.not_after_ns + lasts_ms * MS)


@pytest.mark.parametrize(("within_ms", "verdict"), [(500, Verdict.FAIL), (2_000, Verdict.PASS)])
def test_a_late_restart_is_held_against_ready(within_ms: int, verdict: Verdict) -> None:
    """It was surely not ready in time where its restart came after that time."""
    rig = dryer(ready=Ready((("running", ON),), 100 * MS, "heartbeat", within_ms * MS))
    story = rides(rig=rig, late_ns=2_750 * MS, end_ns=6 * S)
    assert story.finding("", "ready within").verdict is verdict


def test_a_late_restart_that_only_silence_shows_is_inconclusive() -> None:
    """A lost network looks the same: neither restarted nor ridden through is shown, and `ready` has both bounds."""
    rig = dryer(
        ready=Ready((("running", ON),), 100 * MS, "heartbeat", 500 * MS), proof_of_cut=(Proof("value", "rail", OFF),)
    )
    story = rides(rig=rig, late_ns=2_750 * MS, end_ns=6 * S, scenario=scenario(IMAGE_ON, restart="none"))
    story.stages = [(at, "dark" if stage == "refused" else stage) for at, stage in story.stages]
    judged = story.judge()
    assert found(judged, "", "restart: none").verdict is Verdict.INCONCLUSIVE
    assert found(judged, "", "ready within").verdict is Verdict.INCONCLUSIVE


def test_a_late_restart_is_a_restart() -> None:
    """`restart: none` is missed by it, whenever it came."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF),))
    story = rides(rig=rig, late_ns=2_750 * MS, end_ns=6 * S, scenario=scenario(IMAGE_ON, restart="none"))
    assert story.finding("", "restart: none").verdict is Verdict.FAIL


def test_a_restart_after_the_watch_moves_no_mark() -> None:
    """What comes later than the watch is outside of what is said."""
    story = rides(late_ns=4_500 * MS, end_ns=6 * S)
    progress = progress_of(story.rig, story.scenario, story.records(), story.samples())
    assert progress.late is None and progress.marks["ready"].not_after_ns < T0 + 2_200 * MS
    assert story.finding("fan").verdict is Verdict.PASS


# ---------------------------------------------------------------- an uptime that wraps


def test_a_wrap_beside_an_alive_that_went_on_proves_no_restart() -> None:
    """On a link that was never lost."""
    story = rides(wraps_ns=2_020 * MS, scenario=scenario(IMAGE_ON, restart="required"))
    restart = story.finding("", "restart: required")
    assert restart.verdict is Verdict.FAIL and "went on counting without a pause" in restart.reason


@pytest.mark.parametrize(("unit", "verdict"), [("s", Verdict.ERROR), ("ms", Verdict.PASS), ("", Verdict.PASS)])
def test_an_uptime_above_the_time_since_the_cut_proves_nothing(unit: str, verdict: Verdict) -> None:
    """The register counts milliseconds: told as seconds, its value after the restart is too long to be one."""
    rig = dryer(proof_of_cut=(Proof("falls", "uptime"),))
    points = {**rig.points, "uptime": replace(rig.points["uptime"], unit=unit)}
    assert Story(rig=replace(rig, points=points)).finding("", "restart: required").verdict is verdict


def test_a_wrap_without_a_sign_of_life_proves_no_restart_on_a_link_that_lasted() -> None:
    """The connection from before the cut was answered on: the relay may never have opened."""
    rig = dryer(proof_of_cut=(Proof("falls", "uptime"),), ready=Ready((("running", ON),), 100 * MS, None, S))
    story = rides(rig=rig, wraps_ns=2_020 * MS, scenario=scenario(IMAGE_ON))
    assert story.judge().verdict is Verdict.ERROR
    assert "the cut is not proven: uptime fell" in story.judge().reason


class CountsOn(Story):
    """Its uptime falls and its link is lost, but its heartbeat goes on: a wrap, and a network that was away."""

    def value(self, name: str, at_ns: int) -> float:
        return float(at_ns // (10 * MS)) if name == "heartbeat" else super().value(name, at_ns)


@pytest.mark.parametrize(("story", "verdict"), [(CountsOn, Verdict.FAIL), (Story, Verdict.PASS)])
def test_a_sign_of_life_that_went_on_behind_a_lost_link_shows_that_the_uptime_wrapped(
    story: type[Story], verdict: Verdict
) -> None:
    """It reads what it would read had it gone on at its rate; one that began anew doesn't."""
    assert story(scenario=scenario(restart="required")).finding("", "restart: required").verdict is verdict


@pytest.mark.parametrize("off_ns", [DIP_NS, 1 * S])
@pytest.mark.parametrize("restart", ["required", "none"])
def test_a_network_that_was_away_about_the_cut_is_no_restart_where_the_sign_of_life_went_on(
    restart: str, off_ns: int
) -> None:
    """The controller rides through while nobody reaches it: a lost connection alone shows a restart, but not against a
    heartbeat that reads as if it had gone on all the time."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF), Proof("contact lost")))
    told = Story(rig=rig, off_ns=off_ns, scenario=scenario(IMAGE_ON, restart=restart)).never_dark()
    lost = replace(told, stages=[*told.stages, (told.cut_ns + MS, "dark"), (told.back_ns + 300 * MS, "good")])
    assert told.finding("", f"restart: {restart}").verdict is (Verdict.FAIL if restart == "required" else Verdict.PASS)
    assert lost.finding("", f"restart: {restart}").verdict is Verdict.INCONCLUSIVE
    alone = replace(lost, rig=replace(rig, proof_of_cut=(Proof("contact lost"),))).judge()
    assert alone.verdict is Verdict.ERROR and "the cut is not proven" in alone.reason


def _only_its_network_part(**changes: object) -> Story:
    """Nothing but the link proves the cut; the contact is welded, the controller's network part goes and refuses."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),), ready=Ready((("running", ON),), 100 * MS, None, S))
    told = Story(**{"rig": rig, "scenario": scenario(restart="required"), **changes}).never_dark()  # type: ignore[arg-type]
    told.stages += [
        (told.cut_ns + MS, "dark"), (told.cut_ns + 500 * MS, "refused"), (told.back_ns + 300 * MS, "good"),
    ]  # fmt: skip
    return told.set("burner_terminal", (0, 1)).set("fan_terminal", (0, 1))


def test_outputs_that_all_stayed_on_through_the_cut_speak_against_a_lost_connection() -> None:
    """Without its supply a controller lets go of its outputs. One alone may be stuck; what shall stay on says nothing;
    and one that was off, or went off at any time, leaves the link its word."""
    judged = _only_its_network_part().judge()
    assert judged.verdict is Verdict.ERROR and "stayed on all through the cut" in judged.reason
    assert all(one.verdict is Verdict.ERROR for one in judged.findings)
    assert found(judged, "", "restart").figures["restarted"] is None
    stuck = _only_its_network_part().set("fan_terminal", (0, 1), (2_050 * MS, 0))
    assert stuck.finding("", "restart: required").verdict is Verdict.PASS
    off = _only_its_network_part().set("fan_terminal", (0, 0))
    assert off.finding("", "restart: required").verdict is Verdict.PASS
    shall = replace(scenario(expects("burner", "stays", ON)), restart="required")
    assert _only_its_network_part(scenario=shall).finding("", "restart: required").verdict is Verdict.PASS
    unread = _only_its_network_part()
    unread.hide("independent", unread.cut_ns + 600 * MS, unread.back_ns + 500 * MS)  # off and on again may lie in it
    assert "stayed on" not in unread.judge().reason


class _ByteStory(Story):
    """Its sign of life counts in a byte, and goes round half a second before the cut."""

    def value(self, name: str, at_ns: int) -> float:
        value = super().value(name, at_ns)
        return (value + 106) % 256 if name == "heartbeat" else value


@pytest.mark.parametrize("off_ns", [1 * S, 2_500 * MS])
def test_a_sign_of_life_that_goes_round_in_a_byte_speaks_against_a_lost_connection(off_ns: int) -> None:
    """It was seen to wrap, and reads what it would had it gone on, however often round: so nothing shows a restart.
    Where it reads otherwise the link has its word."""
    rig = dryer(proof_of_cut=(Proof("contact lost"),))
    told = _ByteStory(rig=rig, off_ns=off_ns, end_ns=7 * S, scenario=scenario(restart="required"))
    assert told.finding("", "restart: required").verdict is Verdict.PASS
    told.never_dark().stages += [(told.cut_ns + MS, "dark"), (told.back_ns + 300 * MS, "good")]
    judged = told.judge()
    assert judged.verdict is Verdict.ERROR and "heartbeat went on counting" in judged.reason


@dataclass
class _Stepping(Story):
    """Its sign of life adds `step` every `every_ns` to a register of `values`, from 40,000 on (or what these leave)."""

    step: int = 1
    every_ns: int = 10 * MS
    values: int = 65536

    def value(self, name: str, at_ns: int) -> float:
        """What a client gets."""
        if name != "heartbeat":
            return super().value(name, at_ns)
        anew = self.restarts and at_ns >= self.cut_ns
        counted = max(0, at_ns - self.running_ns) if anew else at_ns
        return float(((0 if anew else 40_000) + counted // self.every_ns * self.step) % self.values)

    def out_of_reach(self, to_ns: int) -> Story:
        """The contact is welded, the program runs on, and the network is away from the cut until an instant."""
        self.never_dark().stages += [(self.cut_ns + MS, "dark"), (to_ns, "good")]
        return self


STEPPING = [
    (1, 700, 65536),
    (1, 1300, 65536),
    (1, 1300, 2**32),
    (1000, 10, 65536),
    (9973, 10, 65536),
    (1, 700, 256),
    (1000, 6, 65536),
]


def _steps(told: tuple[int, int, int], proof: Proof) -> _Stepping:
    step, every_ms, values = told
    rig = dryer(proof_of_cut=(proof,))
    kind = "uint32" if values > 65536 else "uint16"
    points = {**rig.points, "heartbeat": replace(rig.points["heartbeat"], type=kind)}
    points["uptime"] = replace(rig.points["uptime"], unit="ms")
    ready = replace(rig.ready, within_ns=4 * S)
    return _Stepping(
        rig=replace(rig, points=points, ready=ready), step=step, every_ns=every_ms * MS, values=values, cut_ns=4 * S,
        off_ns=1_500 * MS, end_ns=14 * S, scenario=scenario(restart="required", watch_ns=3 * S),
    )  # fmt: skip


@pytest.mark.parametrize("told", STEPPING)
def test_a_sign_of_life_that_reads_what_it_would_had_it_gone_on_speaks_against_a_lost_connection(
    told: tuple[int, int, int],
) -> None:
    """However slow it is, and however far it steps: its pace was seen before the cut. One that began anew reads
    otherwise, and the link has its word."""
    judged = _steps(told, LOST).out_of_reach(6_700 * MS).judge()
    assert judged.verdict is Verdict.ERROR and "heartbeat went on counting" in judged.reason
    assert _steps(told, LOST).finding("", "restart: required").verdict is Verdict.PASS


def test_a_sign_of_life_that_could_read_anything_tells_nothing_and_it_is_said_so() -> None:
    """In half a minute a byte goes round so often that its pace, known by a few hundredths, leaves each of its values:
    it takes nothing from a lost connection and gives nothing to it."""
    told = _steps((1, 10, 256), LOST)
    told = replace(told, off_ns=30 * S, end_ns=42 * S, stages=[])
    restart = told.finding("", "restart: required")
    assert restart.verdict is Verdict.PASS and "heartbeat could read anything by then" in restart.reason


@pytest.mark.parametrize("told", STEPPING[:3])
def test_an_uptime_that_was_read_low_beside_a_slow_sign_of_life_that_fits_proves_no_restart(
    told: tuple[int, int, int],
) -> None:
    """Its high byte was lost while the network came back: nothing shows a cut."""

    class Torn(_Stepping):
        def value(self, name: str, at_ns: int) -> float:
            if name == "uptime":
                return float((at_ns + 20 * S) // MS % (256 if self.back_ns < at_ns < 12 * S else 65536))
            return super().value(name, at_ns)

    one = _steps(told, FALLS)
    torn = Torn(**{name: getattr(one, name) for name in one.__dataclass_fields__}).out_of_reach(6_700 * MS)
    judged = torn.judge()
    assert judged.verdict is Verdict.ERROR and "count" in judged.reason and "came back by itself" not in judged.reason
    assert one.finding("", "restart: required").verdict is Verdict.PASS


@pytest.mark.parametrize("away_ms", [5, 150, 400])
def test_a_connection_that_was_lost_before_the_cut_shows_no_restart(away_ms: int) -> None:
    """The network was away from before the cut to shortly after it, or after the return, and nothing else tells: the
    cut has no part in that loss."""
    rig = dryer(
        proof_of_cut=(Proof("value", "rail", OFF), Proof("contact lost")),
        ready=Ready((("running", ON),), 100 * MS, None, S),
    )
    told = Story(rig=rig, off_ns=DIP_NS, scenario=scenario(restart="required")).never_dark()
    told.stages += [(told.cut_ns - 200 * MS, "dark"), (told.cut_ns + away_ms * MS, "good")]
    assert told.finding("", "restart: required").verdict is Verdict.INCONCLUSIVE


def test_a_wrap_shortly_after_a_dip_is_told_from_a_restart_by_what_is_read_somewhat_later() -> None:
    """So soon after it the pace of the heartbeat tells nothing; a quarter of a second after the dip it does."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "uptime")))
    told = rides(rig=rig, wraps_ns=2_010 * MS, scenario=scenario(restart="required"))
    told.stages = [(-(10**12), "good"), (2_001 * MS, "dark"), (2_130 * MS, "good")]
    assert told.finding("", "restart: required").verdict is Verdict.FAIL


@dataclass
class SlowBeat(Story):
    """Its sign of life moves every 600 ms, and begins anew with the program."""

    def value(self, name: str, at_ns: int) -> float:
        """What a client gets."""
        if name == "heartbeat":
            since = at_ns + 50 * S if at_ns < self.cut_ns else max(0, at_ns - self.running_ns)
            return float(since // (600 * MS))
        return super().value(name, at_ns)


@pytest.mark.parametrize(("restart", "verdict"), [("required", Verdict.PASS), ("forbidden", Verdict.FAIL)])
def test_a_sign_of_life_slower_than_the_cut_is_long_speaks_against_no_restart(restart: str, verdict: Verdict) -> None:
    """It moves twice as rarely as the cut of 300 ms is long: where it should stand by then is known no more finely than
    that, so that it neither went on nor strayed, and the lost connection keeps its word."""
    rig = dryer(proof_of_cut=(LOST,), ready=Ready((("running", ON),), 100 * MS, "heartbeat", 5 * S))
    story = SlowBeat(seed=1, rig=rig, scenario=scenario(restart=restart), off_ns=300 * MS)
    assert story.finding("", f"restart: {restart}").verdict is verdict


MILLISECONDS = replace(dryer().points["uptime"], unit="ms")


def wraps(*proofs: Proof, alive: str | None = None) -> Rig:
    """A rig whose uptime counts milliseconds in 16 bits, with no sign of life unless one is named."""
    points = {**dryer().points, "uptime": MILLISECONDS}
    return dryer(points=points, proof_of_cut=proofs, ready=Ready((("running", ON),), 100 * MS, alive, S))


FALLS, RAIL, LOST = Proof("falls", "uptime"), Proof("value", "rail", OFF), Proof("contact lost")


@dataclass
class Wraps(Rides):
    """Its uptime is full at `full_ns`, as it has to be once in 65.536 s; it counts anew from `begun_ns` on."""

    full_ns: int = 2_010 * MS
    begun_ns: int = 10**15

    def value(self, name: str, at_ns: int) -> float:
        """What a client gets."""
        if name == "uptime":
            at_ns = min(at_ns, self.frozen_ns)
            return float((at_ns - (self.begun_ns if at_ns >= self.begun_ns else self.full_ns)) // MS % 65536)
        return super().value(name, at_ns)


def said_early(story: Story) -> bool:
    """Whether it is said that the supply came back by itself."""
    return any("came back by itself" in one.reason for one in story.judge().findings)


def away(story: Wraps, since_ns: int, to_ns: int, *, refuses: bool = False) -> Wraps:
    """The story with a link that is silent for a while; a stack that has begun anew then refuses for 50 ms."""
    again: list[tuple[int, Stage]] = [(to_ns - 50 * MS, "refused")] if refuses else []
    story.stages = [(-(10**12), "good"), (since_ns, "dark"), *again, (to_ns, "good")]
    return story


def test_a_wrap_before_the_program_froze_is_no_supply_that_came_back_by_itself() -> None:
    """The link lives on; the uptime wrapped 10 ms after the cut and stands 20 ms later, as everything does."""
    told = Wraps(rig=wraps(RAIL, FALLS, alive="heartbeat"), off_ns=DIP_NS, scenario=scenario(restart="none"))
    told.frozen_ns, told.beat_ns = 2_030 * MS, 100 * MS  # no beat came after the wrap
    assert not said_early(told)
    assert told.finding("", "restart: none").verdict is Verdict.PASS


def test_a_wrap_read_before_the_controller_fell_silent_is_no_restart_before_the_return() -> None:
    """Its stored energy lasts for 30 ms after the cut; the restart itself shows after the return."""
    told = Wraps(rig=wraps(RAIL, FALLS), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.begun_ns = 3_100 * MS
    away(told, 2_030 * MS, 3_300 * MS, refuses=True).set("running", (0, 1), (2_030 * MS, 0), (3_300 * MS, 1))
    assert not said_early(told)
    assert told.finding("", "restart: required").verdict is Verdict.PASS


@pytest.mark.parametrize("proofs", [(FALLS,), (FALLS, LOST), (RAIL, FALLS)])
@pytest.mark.parametrize("full_ms", [2_100, 2_900])
def test_a_wrap_while_the_network_was_away_about_the_cut_shows_neither_restart_nor_early_supply(
    proofs: tuple[Proof, ...], full_ms: int
) -> None:
    """It rode through, or restarted just when its uptime was to wrap: neither is shown, and no cut by that alone."""
    told = Wraps(rig=wraps(*proofs), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns = full_ms * MS
    away(told, 2_001 * MS, 3_300 * MS)
    assert not said_early(told)
    judged = told.judge()
    if RAIL in proofs:
        assert found(judged, "", "restart: required").verdict is Verdict.INCONCLUSIVE
    else:
        assert judged.verdict is Verdict.ERROR and "the cut is not proven" in judged.reason


@pytest.mark.parametrize(("full_ms", "refuses"), [(2_010, False), (2_010, True)])
def test_a_wrap_hides_no_supply_that_came_back_by_itself(full_ms: int, refuses: bool) -> None:
    """The controller restarted 0.4 s into a cut of 1 s: its uptime counts from there and not from the wrap."""
    told = Wraps(rig=wraps(FALLS, LOST), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns, told.begun_ns = full_ms * MS, 2_400 * MS
    away(told, 2_005 * MS, 3_300 * MS, refuses=refuses)
    assert said_early(told)
    away(told, 2_005 * MS, 2_600 * MS, refuses=refuses)
    assert said_early(told)


@pytest.mark.parametrize("full_ms", [2_400, 3_100, 4_000])
@pytest.mark.parametrize("proofs", [(FALLS,), (FALLS, LOST)])
def test_a_network_card_that_begins_anew_as_the_uptime_wraps_proves_no_cut(
    proofs: tuple[Proof, ...], full_ms: int
) -> None:
    """The contact is welded and the program runs on; only the link was silent and refused. The wrap lies before or
    after the command back, or in the watch, when the uptime had been read to go on."""
    told = Wraps(rig=wraps(*proofs), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns = full_ms * MS
    judged = away(told, 2_005 * MS, 3_300 * MS, refuses=True).judge()
    assert judged.verdict is Verdict.ERROR if proofs == (FALLS,) or full_ms < 4_000 else judged.verdict.value != "pass"


def test_an_uptime_older_than_the_cut_speaks_against_a_lost_connection() -> None:
    """A high word that reads 0 for a while: the uptime fell, and yet began before the cut."""
    told = Wraps(rig=wraps(FALLS, LOST), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns = -40_000 * MS
    away(told, 2_005 * MS, 3_300 * MS).set("burner_terminal", (0, 0)).set("fan_terminal", (0, 0))
    counted = told.value
    told.value = lambda name, at: (
        counted(name, at)
        - (  # type: ignore[method-assign]
            20_000 if name == "uptime" and at > 2_005 * MS else 0
        )
    )
    judged = told.judge()
    assert judged.verdict is Verdict.ERROR and "reads longer than the time since the cut" in judged.reason


def test_a_bit_tells_nothing_of_a_lost_connection_and_it_is_said_so() -> None:
    """It reads alike half of the time, whether it went on or began anew."""
    rig = wraps(LOST, alive="running")
    told = away(Wraps(rig=rig, off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S), 2_005 * MS, 3_300 * MS)
    told.set("running", *((at * MS, at // 100 % 2) for at in range(0, 6_000, 100)))
    told.set("burner_terminal", (0, 0)).set("fan_terminal", (0, 0))
    assert "tells nothing of it" in told.finding("", "restart: required").reason


def test_a_restart_that_comes_just_when_the_uptime_was_to_wrap_shows_by_a_stack_that_refuses() -> None:
    """Where the link only fell silent, it would not."""
    told = Wraps(rig=wraps(RAIL, FALLS), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns = told.begun_ns = 3_100 * MS
    assert away(told, 2_005 * MS, 3_300 * MS).finding("", "restart: required").verdict is Verdict.INCONCLUSIVE
    again = away(told, 2_005 * MS, 3_300 * MS, refuses=True).finding("", "restart: required")
    assert again.verdict is Verdict.PASS and "uptime fell" in again.reason


def test_a_network_card_that_begins_anew_beside_a_wrap_is_no_restart_that_is_shown() -> None:
    """Nothing restarted, and nothing proves the cut; the program hangs, so that its uptime stands at last."""
    told = Wraps(rig=wraps(FALLS), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns, told.frozen_ns = 3_100 * MS, 4 * S
    away(told, 2_005 * MS, 3_300 * MS, refuses=True).set("burner_terminal", (0, 0)).set("fan_terminal", (0, 0))
    assert found(told.judge(), "", "restart: required").figures["restarted"] is None


def test_a_sign_of_life_that_began_anew_tells_a_restart_from_a_wrap() -> None:
    """The same over a link that only fell silent, where the fall alone proves the cut: the heartbeat does not read
    as if it had gone on."""
    told = Wraps(rig=wraps(FALLS, alive="heartbeat"), off_ns=S, scenario=scenario(restart="required"), end_ns=6 * S)
    told.full_ns = told.begun_ns = 3_100 * MS
    told.late_ns = 2_750 * MS  # so that the heartbeat begins at 3.1 s
    assert away(told, 2_005 * MS, 3_300 * MS).finding("", "restart: required").verdict is Verdict.PASS


@given(
    st.sampled_from([("s", S), ("ms", MS), ("min", 60 * S), ("Seconds", S), ("h", 3600 * S), ("%", None), ("", None)])
)
def test_units_of_time_are_known_by_their_names(told: tuple[str, int | None]) -> None:
    """Anything else is no unit of time, and then the value of an uptime says nothing."""
    assert unit_ns(Point("uptime", "controller", "input_register", 0, unit=told[0])) == told[1]


# ---------------------------------------------------------------- nothing vouches


@pytest.mark.parametrize(("part", "device", "expectation"), [
    ({"identify": (("device_code", 4711),)}, "controller", "same device"),
    ({"program": ("program_id",)}, "controller", "same program"),
    ({"check_channels": (("always_on", True),)}, "independent", "check channel"),
    ({"only_while": (("guard_closed", True),)}, "independent", "only_while"),
])  # fmt: skip
def test_what_is_not_read_after_the_return_leaves_the_cycle_inconclusive(
    part: dict[str, tuple[object, ...]], device: str, expectation: str
) -> None:
    """An instrument that fell silent at the cut vouches for nothing after it."""
    told = {
        key: tuple((one[0], Wanted(equals=one[1])) if isinstance(one, tuple) else one for one in value)
        for key, value in part.items()
    }
    rig = dryer(**told, proof_of_cut=(Proof("value", "rail", OFF), Proof("falls", "uptime")))
    story = Story(rig=rig, end_ns=3_900 * MS).hide(device, 2_995 * MS, 10 * S)
    mine = [one for one in story.judge().findings if one.expectation.startswith(expectation)]
    assert [one.verdict for one in mine] == [Verdict.INCONCLUSIVE]
    assert story.judge().verdict is not Verdict.PASS


def test_an_identity_that_was_never_read_before_the_cut_voids_the_cycle() -> None:
    """Nobody knows what was cut."""
    rig = dryer(identify=(("device_code", Wanted(equals=4711)),))
    judged = Story(rig=rig).hide("controller", 0, 2 * S).judge()
    assert judged.verdict is Verdict.ERROR and judged.ends_run
    assert any(one.expectation == "valid: identity" for one in judged.findings)


# ---------------------------------------------------------------- exception code 0


@given(st.integers(1, 127), st.integers(0, 255))
def test_a_reply_with_the_error_bit_is_never_good(function: int, code: int) -> None:
    """MODBUS Application Protocol V1.1b3, 7: codes begin with 01; one of 0 is a reply that makes no sense."""
    said = exception_of(function, bytes([function | 0x80, code]))
    assert said == (code or MALFORMED)


def test_an_exception_of_code_0_confirms_no_write() -> None:
    """Only the echo does."""
    write = b"\x05\x00\x00\xff\x00"
    assert write_answer(write, write) == 0
    assert write_answer(write, b"\x85\x00") == MALFORMED
