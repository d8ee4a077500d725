"""A controller that is lost once more after the return, and what a reset, a silence and a counter say of that."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from test_restarts import rides

from evidence import MS, OFF, ON, T0, S, Story, dryer, expects, found, scenario
from restart_bench.evidence.marks import traces_of
from restart_bench.evidence.reachability import Reachability
from restart_bench.evidence.supply_off import losses_of
from restart_bench.evidence.traces import Reads
from restart_bench.judging.cycle import judge_cycle
from restart_bench.model.clock import Bounds
from restart_bench.model.rig import Proof, Ready, Rig
from restart_bench.model.samples import CONNECT, SampleKind
from restart_bench.model.scenario import Gap, MarkLimit, Window
from restart_bench.model.verdicts import Verdict

AGAIN_NS = 3_700 * MS


@dataclass
class Twice(Story):
    """The controller restarts at the cut as usual and once more later: running again from `second_ns` on."""

    second_ns: int = AGAIN_NS + 500 * MS
    first_ns: int = 0

    def __post_init__(self) -> None:
        super().__post_init__()
        first = self.first_ns = self.running_ns
        self.stages += [(AGAIN_NS, "dark"), (AGAIN_NS + 200 * MS, "refused"), (self.second_ns, "good")]
        self.truth["running"] = [(0, 1), (self.cut_ns, 0), (first, 1), (AGAIN_NS, 0), (self.second_ns, 1)]
        self.end_ns = 6 * S

    def value(self, name: str, at_ns: int) -> float:
        """Sign of life and uptime begin at 0 with each start."""
        if name == "heartbeat" and at_ns >= self.cut_ns:
            return float(max(0, at_ns - (self.first_ns if at_ns < self.second_ns else self.second_ns)) // (10 * MS))
        if name == "uptime" and at_ns >= AGAIN_NS:
            return float((at_ns - AGAIN_NS) // MS)
        return super().value(name, at_ns)


UNTOLD = dryer(
    ready=Ready(when=(("running", ON),), steady_ns=100 * MS, within_ns=1 * S),
    proof_of_cut=(Proof("value", "rail", OFF), Proof("contact lost")),
)
"""A rig on which no counter tells of a restart."""


# ---------------------------------------------------------------- lost again


def test_a_second_restart_within_the_watch_moves_ready() -> None:
    """Ready counts from the last restart: 0.7 s after the first one was ready is later than 1 s after the return."""
    story = Twice(scenario=scenario(expects("burner", "is", OFF)))
    judged = story.judge()
    ready = judged.mark("ready")
    assert ready is not None and ready.not_before_ns >= T0 + AGAIN_NS
    assert found(judged, "", "ready within").verdict is Verdict.FAIL


def test_what_had_settled_before_a_second_restart_is_no_evidence_of_the_state_after_it() -> None:
    """The fan was on before the second restart and stays off after it: `is: on` fails, `is: off` passes."""
    story = Twice(scenario=scenario(expects("fan", "is", OFF)))
    first = story.first_ns
    story.set("fan_terminal", (0, 1), (story.cut_ns + 5 * MS, 0), (first, 1), (AGAIN_NS + 5 * MS, 0))
    assert story.finding("fan").verdict is Verdict.PASS
    other = replace(story, scenario=scenario(expects("fan", "is", ON)))
    assert other.finding("fan").verdict is Verdict.FAIL


def test_a_controller_that_was_ready_and_then_only_falls_silent_is_not_blamed() -> None:
    """Silence alone may be the network's: whether it was ready in time is not shown then, but no fail either."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)))
    story.stages.append((story.running_ns + 600 * MS, "dark"))
    finding = story.finding("", "ready within")
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "fell silent" in finding.reason


def valve_again(second: Twice, *changes: tuple[int, float], start: str = "restored") -> Verdict:
    """`is: off, within: 2 s` of a controller's own point that was on up to a second restart; `changes` count from when
    it runs after that."""
    second.scenario = scenario(expects("burner", "is", OFF, judged="burner", within=(0, 2 * S), start=start))
    second.set("burner", (0, 1), (AGAIN_NS, 0), *((second.second_ns + at * MS, value) for at, value in changes))
    return second.finding("burner").verdict


def test_off_as_a_second_restart_leaves_it_is_no_change_before_it_was_on_again() -> None:
    """Off as read first after that restart, on and off again in time: that is the change, and no relapse."""
    assert valve_again(Twice(), (300, 1), (400, 0)) is Verdict.PASS
    assert valve_again(Twice(), (300, 1), (1_200, 0)) is Verdict.FAIL


def test_off_that_came_after_a_second_restart_and_did_not_last_is_a_fail() -> None:
    """It was read on after that restart, then off, and on again."""
    assert valve_again(Twice(), (0, 1), (200, 0), (300, 1), (400, 0)) is Verdict.FAIL


def test_off_that_was_read_on_between_a_second_restart_and_ready_has_come() -> None:
    """Counted from ready: off as that restart left it is no change, off after on is one that did not last."""
    story = Twice(rig=dryer(ready=replace(dryer().ready, within_ns=3 * S)))
    story.truth["running"][-1] = (story.second_ns + 150 * MS, 1)
    assert valve_again(story, (300, 1), (400, 0), start="ready") is Verdict.PASS
    assert valve_again(story, (0, 1), (100, 0), (300, 1), (400, 0), start="ready") is Verdict.FAIL


def test_off_that_had_come_before_a_second_restart_and_not_lasted_until_it_is_a_fail() -> None:
    """What deviated before that restart is none of its work."""
    story = Twice(scenario=scenario(expects("burner", "is", OFF, judged="burner", within=(0, 2 * S))))
    first = story.first_ns
    story.set("burner", (0, 1), (first + 50 * MS, 0), (first + 80 * MS, 1), (AGAIN_NS, 0))
    assert story.finding("burner").verdict is Verdict.FAIL


def test_where_silence_alone_tells_of_a_restart_off_may_have_come_before_it() -> None:
    """Then what was on after it may be a relapse."""
    story = Twice(rig=UNTOLD)
    story.stages = [one for one in story.stages if one[0] < AGAIN_NS or one[1] != "refused"]
    assert valve_again(story, (300, 1), (400, 0)) is Verdict.INCONCLUSIVE


def test_a_controller_that_falls_silent_while_it_may_be_getting_ready_is_not_blamed() -> None:
    """It read ready for less than `steady`: silence alone may be the network's, and no sign that it is not ready."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)), end_ns=6 * S)
    story.stages.append((story.running_ns + 90 * MS, "dark"))
    finding = story.finding("", "ready within")
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "fell silent" in finding.reason


def test_a_controller_that_is_read_not_ready_on_both_sides_of_a_silence_is_blamed() -> None:
    """A short silence hides nothing: `running` read off before it and after it, to the end of its time."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)), end_ns=6 * S)
    silent, running = story.running_ns + 90 * MS, story.running_ns + 290 * MS
    story.stages += [(silent, "dark"), (running, "good")]
    finding = story.set("running", (0, 1), (story.cut_ns, 0)).finding("", "ready within")
    assert finding.verdict is Verdict.FAIL


# ---------------------------------------------------------------- resets


def test_a_reset_on_the_old_connection_is_no_sign_against_answers_on_a_new_one() -> None:
    """The stack that resets a dead connection may have served others for long: only what is asked of it tells."""
    kinds = [SampleKind.GOOD, SampleKind.SILENT, SampleKind.RESET, SampleKind.ACCEPTED, SampleKind.GOOD]
    sent = np.array([0, 100, 800, 800, 805]) * MS
    contact = Reachability(
        sent,
        sent + MS,
        np.array(kinds, dtype=np.uint8),
        np.array([0, CONNECT, 0, CONNECT, 0]) == CONNECT,
        np.array([1, 2, 1, 3, 3], dtype=np.uint32),
    )
    answered = contact.first((SampleKind.GOOD,), 50 * MS, (SampleKind.RESET, SampleKind.REFUSED))
    assert answered == Bounds(50 * MS, 806 * MS)


# ---------------------------------------------------------------- counters


def test_a_wrap_says_nothing_of_a_restart_that_comes_later() -> None:
    """The uptime wraps while the dip is ridden through, and falls again when the controller restarts 0.3 s later."""
    story = rides(wraps_ns=2 * S + 20 * MS, late_ns=2_400 * MS, end_ns=6 * S)
    story.scenario = replace(story.scenario, restart="none")
    restart = found(story.judge(), "", "restart")
    assert restart.verdict is not Verdict.PASS
    assert restart.figures["restarted"] is not False


# ---------------------------------------------------------------- losses


def test_a_read_under_way_at_the_cut_that_shows_off_already_belongs_to_it() -> None:
    """It was sent before the command and received after it: the loss lies between the read before and that one."""
    early, late = np.array([0, 10, 20, 30, 40]) * MS, np.array([1, 13, 21, 31, 41]) * MS
    off = np.array([False, True, True, False, False])
    (loss,) = losses_of(Reads(early, late, np.where(off, 0.0, 1.0)), off, Bounds(11 * MS, 12 * MS), 25 * MS)
    assert loss.fell == Bounds(11 * MS, 13 * MS)
    assert loss.rose == Bounds(20 * MS, 31 * MS)


def test_a_loss_that_one_read_shows_was_not_over_before_the_cut() -> None:
    """A read under way at the cut that alone says off: the supply rose after the cut, whatever the image may lag."""
    early = np.array([0, 10, 20, 30]) * MS
    off = np.array([False, True, False, False])
    (loss,) = losses_of(Reads(early, early + 8 * MS, np.where(off, 0.0, 1.0)), off, Bounds(15 * MS, 16 * MS), 40 * MS)
    assert loss.rose == Bounds(15 * MS, 28 * MS)


def test_what_was_off_before_the_cut_is_no_loss_of_it() -> None:
    """A row of off reads that had begun when the cut was commanded."""
    early = np.array([0, 10, 20, 30]) * MS
    off = np.array([True, True, True, False])
    reads = Reads(early, early + MS, np.where(off, 0.0, 1.0))
    assert losses_of(reads, off, Bounds(15 * MS, 16 * MS), 25 * MS) == []


# ---------------------------------------------------------------- first changes


def test_what_a_read_under_way_at_the_return_shows_first_came_with_it() -> None:
    """An output that comes on at once and is read by a slow instrument whose image lags: its first change is that one,
    not the one after it has been off again."""
    story = Story()
    device = replace(story.rig.devices["independent"], image_lag_ns=20 * MS)
    rig = replace(story.rig, devices={**story.rig.devices, "independent": device})
    gap = Gap("fan", "burner", "fan_terminal", "burner_terminal", 100 * MS, 400 * MS, "burner after fan")
    story = Story(rig=rig, scenario=scenario(gaps=(gap,)))
    back = story.back_ns
    story.set("fan_terminal", (0, 0), (back + 3 * MS, 1), (back + 400 * MS, 0), (back + 700 * MS, 1))
    story.set("burner_terminal", (0, 0), (back + 250 * MS, 1))
    assert story.finding("burner", "burner after").verdict is Verdict.PASS


# ---------------------------------------------------------------- the supply, where its loss was not read


def test_a_dip_after_the_return_is_noticed_although_the_loss_before_it_was_not_read() -> None:
    """The instrument came back after the return, read on, then off, then on: the supply dipped a second time."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)))
    back = story.back_ns
    story.set("rail", (0, 1), (story.cut_ns + MS, 0), (back + MS, 1), (back + 700 * MS, 0), (back + 800 * MS, 1))
    story.hide("independent", story.cut_ns, back + 300 * MS)
    assert "dipped a second time" in story.finding("", "valid: second dip").reason


def blind_to(read_again_ms: int, on_again_ms: int) -> Story:
    """The rail is not read from the cut to some time after the return, then off until another time after it."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)))
    back = story.back_ns
    off_again, on_again = back + (read_again_ms - 20) * MS, back + on_again_ms * MS
    story.set("rail", (0, 1), (story.cut_ns + MS, 0), (back + MS, 1), (off_again, 0), (on_again, 1))
    story.hide("independent", story.cut_ns, back + read_again_ms * MS)
    return story


@pytest.mark.parametrize("seen_lost", [False, True])
def test_the_end_of_a_second_dip_is_not_taken_for_a_return_that_nobody_read(seen_lost: bool) -> None:
    """Where the rail was blind at the return, an off read after it may be a second dip: the return reaches back to the
    command. That long after it, it is an error whichever it was."""
    story = blind_to(400, 500)
    if seen_lost:
        story.hidden = [("independent", story.cut_ns + 300 * MS, story.back_ns + 400 * MS)]
    judged = story.judge()
    restored = judged.mark("restored")
    assert restored is not None and restored.not_before_ns <= T0 + story.back_ns + MS
    assert judged.verdict is Verdict.ERROR, judged.reason


def test_off_reads_soon_after_a_return_that_nobody_read_leave_open_when_it_was() -> None:
    """Up to 100 ms beyond the relay's data it may be a slow relay: no error, and bounds that hold either."""
    story = blind_to(80, 95)
    judged = story.judge()
    restored = judged.mark("restored")
    assert restored is not None
    assert restored.not_before_ns <= T0 + story.back_ns + MS and restored.not_after_ns >= T0 + story.back_ns + 95 * MS
    assert judged.verdict is not Verdict.ERROR, judged.reason


def test_a_supply_that_reads_off_to_the_end_did_not_return_although_its_loss_was_not_read() -> None:
    """It was read on before the cut and off ever after the return."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)))
    story.stages = [(-(10**12), "good"), (story.cut_ns + MS, "dark")]
    story.set("rail", (0, 1), (story.cut_ns + MS, 0))
    story.hide("independent", story.cut_ns, story.back_ns + 300 * MS)
    assert "did not return" in found(story.judge(), "", "valid: not back").reason


def test_a_mark_that_is_missed_after_a_mere_silence_is_not_blamed_on_the_controller() -> None:
    """It had answered after the return and then fell silent for good, as where the network is lost."""
    limit = MarkLimit("answered", Window(0, 800 * MS), "answered in time")
    story = Story(scenario=scenario(expects("burner", "is", OFF), times=(limit,)))
    story.stages.append((story.running_ns + 600 * MS, "dark"))
    assert story.finding("", "answered in time").verdict is Verdict.INCONCLUSIVE


# ---------------------------------------------------------------- the read before a loss


def test_the_last_read_before_a_loss_is_no_sign_of_the_life_after_it() -> None:
    """The second change of alive is shown by the last answer before the second loss: alive and ready count from the
    answers of the next life alone."""
    for last_ms in range(12, 42):
        story = Twice(scenario=scenario(expects("burner", "is", OFF)))
        at = story.first_ns + last_ms * MS
        story.stages = [one if one[0] != AGAIN_NS else (at, "dark") for one in story.stages]
        judged = story.judge()
        for name in ("alive", "ready"):
            mark = judged.mark(name)
            assert mark is not None and mark.not_after_ns >= T0 + story.second_ns, (last_ms, name)


# ---------------------------------------------------------------- answers


def test_a_request_that_nobody_answered_is_a_sign_against_an_answer_before_it() -> None:
    """The controller accepts connections for long before it answers: it answered after the last unanswered request."""
    story = Story(scenario=scenario(expects("burner", "is", OFF)))
    story.boot(dark=100 * MS, accepted=400 * MS, busy=50 * MS)
    answered = story.judge().mark("answered")
    assert answered is not None
    assert answered.not_before_ns >= T0 + story.back_ns + 350 * MS


def link(*rows: tuple[SampleKind, int, int, bool]) -> Reachability:
    """Requests and connects (True) of one connection: kind, sent and received in ms."""
    kinds = np.array([one[0] for one in rows], np.uint8)
    sent, received = (np.array([one[place] for one in rows], np.int64) * MS for place in (1, 2))
    return Reachability(sent, received, kinds, np.array([one[3] for one in rows]), np.ones(len(rows), np.uint32))


REPLIED = (SampleKind.GOOD,)
AGAINST = (SampleKind.REFUSED, SampleKind.SILENT, SampleKind.RESET)


def test_a_single_request_that_stays_silent_shows_nothing_against_an_answer_before_it() -> None:
    """It may have been lost on its way: the answer came after the port was last closed."""
    refused, accepted = (SampleKind.REFUSED, 30, 31, True), (SampleKind.ACCEPTED, 55, 56, True)
    lost, good = (SampleKind.SILENT, 57, 107, False), (SampleKind.GOOD, 108, 109, False)
    seen = link(refused, accepted, lost, good)
    assert seen.first(REPLIED, 10 * MS, AGAINST) == Bounds(30 * MS, 109 * MS)


def test_of_two_requests_that_stay_silent_the_first_shows_that_nobody_answered_yet() -> None:
    """Not the last, which may have been lost on its way when the controller answered already."""
    silent = [(SampleKind.SILENT, at, at + 50, False) for at in (57, 108, 159)]
    seen = link((SampleKind.REFUSED, 30, 31, True), *silent, (SampleKind.GOOD, 210, 211, False))
    assert seen.first(REPLIED, 10 * MS, AGAINST) == Bounds(108 * MS, 211 * MS)


@pytest.mark.parametrize(
    ("silent", "shown_ms"),
    [((), 121), ((20,), 121), ((20, 71), 121), ((20, 71, 122), 121)],
    ids=["none", "one", "two", "three"],
)
def test_a_loss_is_shown_by_two_requests_that_stay_silent_not_by_one(silent: tuple[int, ...], shown_ms: int) -> None:
    """The first may have been lost on its way when the controller lived still; a closed port shows it alone."""
    rows = [(SampleKind.GOOD, 10, 11, False), *((SampleKind.SILENT, at, at + 50, False) for at in silent)]
    rows.append((SampleKind.REFUSED, 120, 121, True) if len(silent) < 2 else (SampleKind.REFUSED, 180, 181, True))
    fate = link(*rows, (SampleKind.REFUSED, 200, 201, True)).fate(Bounds(15 * MS, 16 * MS), Bounds(900 * MS, 901 * MS))
    assert fate.dark == Bounds(15 * MS, shown_ms * MS)


def test_a_loss_after_the_return_is_shown_by_two_requests_that_stay_silent_too() -> None:
    """The same of a controller that rode through, or was lost once more."""
    replied = [(SampleKind.GOOD, 1, 2, False), (SampleKind.GOOD, 10, 11, False)]
    silent = [(SampleKind.SILENT, 20, 70, False), (SampleKind.SILENT, 71, 121, False)]
    seen = link(*replied, *silent, (SampleKind.REFUSED, 130, 131, True))
    late, again = seen.fate(Bounds(3 * MS, 4 * MS), Bounds(5 * MS, 6 * MS)), seen.lost_again(5 * MS, 900 * MS)
    assert late.late and len(again) == 1
    assert late.dark == again[0].bounds == Bounds(10 * MS, 121 * MS)


def test_a_connection_that_ends_with_one_silent_request_shows_no_restart() -> None:
    """A device that is asked one thing at a time is given up after one lost reply, and answers the next connection."""
    proofs = (Proof("value", "rail", OFF), Proof("contact lost"))
    asked = Ready(when=(("running", ON),), steady_ns=100 * MS, within_ns=1 * S)
    story = Story(rig=dryer(proof_of_cut=proofs, ready=asked), scenario=scenario(restart="none")).never_dark()
    samples = story.samples()
    rows = samples["controller"].records.copy()
    place = int(np.searchsorted(rows["sent_ns"], T0 + story.cut_ns + 5 * MS))
    rows["kind"][place] = SampleKind.SILENT
    rows["connection"][place + 1 :] += 1
    told = {**samples, "controller": replace(samples["controller"], records=rows)}
    judged = judge_cycle(story.rig, story.scenario, story.records(), told)
    assert found(judged, "", "restart").verdict is Verdict.INCONCLUSIVE


def test_what_stands_beside_an_exception_reply_is_no_value() -> None:
    """Rule 2: an exception reply is an answer, not a value, whatever its row holds."""
    story = Story()
    samples = story.samples()
    rows = samples["independent"].records.copy()
    told = replace(samples["independent"], records=rows)
    rows["kind"][rows["request"] == 1] = SampleKind.EXCEPTION
    reads = traces_of(story.rig, story.records(), {**samples, "independent": told}, ["rail", "start_button"])
    assert len(reads["rail"].reads) == 0 and len(reads["start_button"].reads) > 0


# ---------------------------------------------------------------- what the link does not show, or shows alone


def test_a_late_restart_behind_a_gateway_shows_in_the_uptime_alone() -> None:
    """The link lives on while the controller behind it restarts 0.4 s after the return: ready counts from there."""
    story = rides(late_ns=2_450 * MS, end_ns=6 * S)
    story.stages = [(-(10**12), "good")]
    ready = story.judge().mark("ready")
    assert ready is not None and ready.not_before_ns >= T0 + 2_400 * MS


def test_where_silence_alone_tells_of_a_restart_ready_may_have_come_before_it() -> None:
    """It fell silent, and a new connection was taken 0.5 s later: the bounds of ready hold both readings."""
    story = Twice(rig=UNTOLD, scenario=scenario(expects("burner", "is", OFF)))
    story.stages = [one for one in story.stages if one[0] < AGAIN_NS or one[1] != "refused"]
    ready = story.judge().mark("ready")
    assert ready is not None
    assert ready.not_before_ns <= T0 + story.first_ns and ready.not_after_ns >= T0 + story.second_ns


# ---------------------------------------------------------------- once more, without a silence


@dataclass
class AtOnce(Story):
    """The controller restarts at the cut, and `after_ns` after its start once more without falling silent: its program
    runs again 0.5 s later. `tells`: the counters that begin anew, or rise, with that; the others count on."""

    after_ns: int = 300 * MS
    tells: tuple[str, ...] = ("uptime", "heartbeat", "batch_count")
    torn_ns: int = 0
    first_ns: int = 0

    def __post_init__(self) -> None:
        super().__post_init__()
        self.first_ns = self.running_ns
        self.truth["running"] = [(0, 1), (self.cut_ns, 0), (self.first_ns, 1), (self.again_ns, 0), (self.runs_ns, 1)]
        self.truth["batch_count"] = [(0, 41), (self.first_ns, 42)]
        if "batch_count" in self.tells:
            self.truth["batch_count"].append((self.again_ns, 43))
        self.end_ns = 6 * S

    @property
    def again_ns(self) -> int:
        return self.first_ns + self.after_ns

    @property
    def runs_ns(self) -> int:
        return self.again_ns + 500 * MS

    def value(self, name: str, at_ns: int) -> float:
        """Counters begin at 0 with each start; for `torn_ns` one that tells nothing reads lower all the same."""
        if name not in ("uptime", "heartbeat") or at_ns < self.back_ns:
            return super().value(name, at_ns)
        unit, origin = (MS, self.back_ns) if name == "uptime" else (10 * MS, self.first_ns)
        if name in self.tells and at_ns >= self.again_ns:
            origin = self.again_ns
        value = max(0, at_ns - origin) // unit
        torn = self.torn_ns and 0 <= at_ns - self.again_ns < self.torn_ns
        return float(value % 16 if torn else value)


def counting_rig(*proofs: Proof) -> Rig:
    """The dryer whose uptime has its unit, with a rail and these proofs."""
    rig = dryer(proof_of_cut=(Proof("value", "rail", OFF), *proofs))
    return replace(rig, points={**rig.points, "uptime": replace(rig.points["uptime"], unit="ms")})


FELL, ROSE = Proof("falls", "uptime"), Proof("rises", "batch_count")


@pytest.mark.parametrize(
    ("proofs", "tells"),
    [
        ((FELL, ROSE), ("uptime", "heartbeat", "batch_count")),
        ((FELL,), ("uptime",)),
        ((), ("heartbeat",)),
        ((ROSE,), ("batch_count",)),
    ],
    ids=["all", "uptime", "sign of life", "count of starts"],
)
def test_a_second_restart_without_a_silence_moves_ready(proofs: tuple[Proof, ...], tells: tuple[str, ...]) -> None:
    """Marks count from the last restart that a counter shows, though the link answered through it."""
    rig = counting_rig(*proofs)
    if "heartbeat" not in tells:
        rig = replace(rig, ready=replace(rig.ready, alive=None))
    story = AtOnce(rig=rig, scenario=scenario(expects("burner", "is", OFF)), tells=tells)
    judged = story.judge()
    ready = judged.mark("ready")
    assert ready is not None
    assert T0 + story.again_ns <= ready.not_before_ns <= T0 + story.runs_ns <= ready.not_after_ns
    assert found(judged, "", "ready within").verdict is Verdict.FAIL


def test_what_had_settled_before_a_second_restart_without_a_silence_is_no_evidence_of_the_state_after_it() -> None:
    """The fan was on up to it and stays off after it."""
    story = AtOnce(rig=counting_rig(FELL), scenario=scenario(expects("fan", "is", ON)))
    story.set("fan_terminal", (0, 1), (story.cut_ns + 5 * MS, 0), (story.first_ns, 1), (story.again_ns, 0))
    assert story.finding("fan").verdict is Verdict.FAIL


@pytest.mark.parametrize("proofs", [(FELL,), (ROSE,), (FELL, ROSE)])
def test_counters_that_count_on_after_the_return_show_no_second_restart(proofs: tuple[Proof, ...]) -> None:
    """Nor does one that reads lower for a moment, as where a word of it is torn."""
    for torn_ns in (0, 15 * MS, 40 * MS):
        story = AtOnce(rig=counting_rig(*proofs), tells=(), torn_ns=torn_ns)
        story.truth["running"] = story.truth["running"][:3]
        ready = story.judge().mark("ready")
        assert ready is not None and ready.not_after_ns < T0 + story.again_ns


def test_an_uptime_that_falls_beside_a_sign_of_life_that_goes_on_shows_no_second_restart() -> None:
    """As where it is set to 0 by a button: nothing restarted."""
    story = AtOnce(rig=counting_rig(FELL), tells=("uptime",))
    story.truth["running"] = story.truth["running"][:3]
    ready = story.judge().mark("ready")
    assert ready is not None and ready.not_after_ns < T0 + story.again_ns


def test_a_stack_that_answers_through_a_second_restart_had_answered_before_it() -> None:
    """Only what the program does counts from there."""
    limit = MarkLimit("answered", Window(0, 500 * MS), "answered in time")
    story = AtOnce(rig=counting_rig(FELL), scenario=scenario(expects("burner", "is", OFF), times=(limit,)))
    assert story.finding("", "answered in time").verdict is Verdict.PASS
