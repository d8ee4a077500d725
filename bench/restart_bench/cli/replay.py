"""`replay`: an archived run as a film on the live screen, or told in plain lines where there is no console."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from contextlib import nullcontext, suppress
from dataclasses import replace

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from restart_bench.archive.reader import ArchivedRun
from restart_bench.evidence.marks import switching_of
from restart_bench.judging.inquiry.forecasts import question_of
from restart_bench.model.clock import FAR_NS, NS_PER_MS, NS_PER_S
from restart_bench.model.journal import CycleRecords, Finding, Forecast, Record, ScenarioJudged, judged_cycles
from restart_bench.model.live import LiveState
from restart_bench.model.outcome import Refused
from restart_bench.model.verdicts import Verdict
from restart_bench.screen.film import STEP_NS, Film, Scene, advanced, failures_in, film_line, film_of, pressed
from restart_bench.screen.keyboard import Keyboard, has_keyboard
from restart_bench.screen.plain import PlainShow
from restart_bench.screen.replay import PlayedCycle, around_cycles, ends_ns, played_cycle
from restart_bench.screen.screen import Picture, glyphs_for
from restart_bench.screen.screen_state import Gathered
from restart_bench.screen.strips import ASCII

_DRAWN_EVERY_S = 0.1
_MOST_PICTURES = 400  # from which one is put together after a jump: what moved between two of them is kept


def play(run: ArchivedRun, console: Console, speed: float, picture: Picture) -> int:
    """Plays all cycles, `speed` times as fast as they were. Ctrl-C leaves. Raises Refused for a run without cycles."""
    if not run.cycle_records:
        raise Refused(f"{run.id}: no cycle was begun in this run, so there is nothing to play")
    if not console.is_terminal:
        _tell(run, PlainShow(console.file))
        return 0
    with suppress(KeyboardInterrupt):
        _show(Reel(run), console, speed, picture)
    return 0


# ---------------------------------------------------------------- a film


class Reel:
    """The run from which any picture can be put together."""

    def __init__(self, run: ArchivedRun) -> None:
        self._run = run
        self._suite = run.suite()
        self._records = [*run.cycle_records.values()]
        self._judged = judged_cycles(run.records)
        self._forecasts = [one for one in run.records if isinstance(one, Forecast)]
        self._of_cycles = _last_cycle(run)
        self._scene: tuple[int, PlayedCycle] | None = None
        self._gathered: Gathered | None = None
        self._at_ns: int | None = None

    def scenes(self) -> tuple[Scene, ...]:
        """One for each cycle that was begun."""
        return tuple(self._scene_of(one) for one in self._records)

    def _scene_of(self, records: CycleRecords) -> Scene:
        ends = ends_ns(records)
        judged = self._judged.get(records.started.cycle)
        cuts = tuple(one.after_ns for one in records.switchings if one.purpose == "cut" and not one.problem)
        mark = judged.mark("cut") if judged is not None else None
        if mark is not None and cuts:
            cuts = (max(cuts[0], mark.not_after_ns),)
        failures = tuple(dict.fromkeys(at_ns for at_ns, _ in self._failed(records)))
        return Scene(records.started.cycle, records.started.at_ns, ends, cuts, failures)

    def _failed(self, records: CycleRecords) -> tuple[tuple[int, Finding], ...]:
        judged = self._judged.get(records.started.cycle)
        return failures_in(judged, ends_ns(records)) if judged is not None else ()

    def without_failure(self) -> str:
        """What did happen in a run in which nothing failed."""
        counts = Counter(one.verdict for one in self._run.records if isinstance(one, ScenarioJudged))
        told = [f"{count} {word}" for word, count in counts.items() if word is not Verdict.PASS]
        return f"nothing failed; scenarios: {', '.join(told)} (e: the end)" if told else "nothing failed in this run"

    def gathered_at(self, film: Film) -> Gathered:
        """All that the picture at this place is drawn from."""
        again = self._scene is None or self._scene[0] != film.scene or (self._at_ns or 0) > film.at_ns
        if again or self._gathered is None or self._scene is None:
            self._begin(film.scene)
        assert self._gathered is not None and self._scene is not None
        scene = self._scene[1]
        if self._at_ns != film.at_ns:
            span = film.at_ns - (scene.begins_ns if self._at_ns is None else self._at_ns)
            step = max(STEP_NS, span // _MOST_PICTURES)
            for played in scene.between(self._at_ns, film.at_ns, step):
                self._take(played.shown)
            self._at_ns = film.at_ns
            if film.over:
                for record in around_cycles(self._run.records)[1]:
                    self._gathered.record(record)
            failed = self._failed(self._records[film.scene])
            self._gathered.failing = tuple(one for one in failed if one[0] <= film.at_ns)
            self._ask_again(film)
        return self._gathered

    def _ask_again(self, film: Film) -> None:
        """The question that stood in the picture at this instant, before the cut, and what was answered."""
        assert self._gathered is not None
        started = self._records[film.scene].started
        cut = switching_of(self._records[film.scene], "cut")
        until_ns = FAR_NS if cut is None else cut.before_ns
        asked = asked_at([one for one in self._forecasts if one.cycle == started.cycle], film.at_ns, until_ns)
        self._gathered.question = self._gathered.typed = ""
        if asked is None:
            return
        how = next((one.how for one in self._suite.scenarios if one.name == started.scenario), "supply")
        point = self._suite.rig.points[asked.point]
        self._gathered.question = f"{question_of(point, now_on=asked.now_on, how=how, learner=asked.learner)} [y/n/?]"
        if film.at_ns >= asked.answered_ns:
            self._gathered.typed = {True: "y", False: "n", None: "?"}[asked.answer]

    def _take(self, shown: Record | LiveState) -> None:
        assert self._gathered is not None
        if isinstance(shown, LiveState):
            self._gathered.live(shown)
        else:
            self._gathered.record(shown)

    def _begin(self, number: int) -> None:
        """From the beginning of the run to that of a scene, without its pictures."""
        run = self._run
        named = f"{run.id}, NOT AS IT WAS CLOSED" if run.altered else run.id
        rig, scenarios = self._suite.rig, self._suite.scenarios
        model = self._suite.program
        program = model.name if run.simulated and model is not None and not run.run.get("simulated_devices") else ""
        whole = _was_completed(run)
        self._gathered = Gathered(rig, scenarios, run.simulated, named, program=program, is_whole=whole)
        self._gathered.asks_first = bool(self._forecasts)
        for record in around_cycles(run.records)[0]:
            self._gathered.record(record)
        for records in self._records[:number]:
            self._gathered.record(records.started)
            if (judged := self._judged.get(records.started.cycle)) is not None:
                self._gathered.record(judged)
        if self._scene is None or self._scene[0] != number:
            cycle = self._records[number].started.cycle
            judged, samples = self._judged.get(cycle), run.samples(cycle)
            played = PlayedCycle(rig, self._records[number], judged, samples, of_cycles=self._of_cycles)
            self._scene = (number, played)
        self._at_ns = None


def asked_at(forecasts: Sequence[Forecast], at_ns: int, until_ns: int = FAR_NS) -> Forecast | None:
    """What people were asked at this instant; the answer stays until the next question, a second at most, and not
    beyond the cut (`until_ns`)."""
    asked = [one for one in forecasts if one.asked_ns <= at_ns <= one.answered_ns + NS_PER_S and at_ns < until_ns]
    return max(asked, key=lambda one: one.asked_ns, default=None)


def _last_cycle(run: ArchivedRun) -> int:
    """The number of the last cycle: as planned, but where the run was completed the last one that there was (a search
    may need fewer)."""
    last = max(run.cycle_records)
    return last if _was_completed(run) else max(last, int(run.run.get("planned_cycles") or 0))


def _was_completed(run: ArchivedRun) -> bool:
    return (run.run.get("ended") or {}).get("how") == "completed"


def _show(reel: Reel, console: Console, speed: float, picture: Picture) -> None:
    """Draws until somebody leaves, or until the end where nobody can. The last picture stays on the console."""
    film = replace(film_of(reel.scenes(), speed), without_failure=reel.without_failure())
    keyed = has_keyboard()
    lines: list[Text] = []
    glyphs = glyphs_for(console)
    live = Live(console=console, screen=True, auto_refresh=False)
    with Keyboard() if keyed else nullcontext() as keyboard, live:
        seen_s = time.monotonic()
        while not film.left:
            width, height = console.size
            lines = picture(reel.gathered_at(film), width, height - 1, glyphs)
            lines += [Text()] * (height - 1 - len(lines))
            live.update(Group(*lines, film_line(film, width, ascii_only=glyphs is ASCII)), refresh=True)
            if keyboard is None:
                if film.over:
                    break
                time.sleep(_DRAWN_EVERY_S)
            for key in keyboard.read(_DRAWN_EVERY_S) if keyboard is not None else ():
                film = pressed(film, key)
            now_s = time.monotonic()
            film, seen_s = advanced(film, round((now_s - seen_s) * NS_PER_S)), now_s
    console.print(Group(*lines))


# ---------------------------------------------------------------- plain lines


def _tell(run: ArchivedRun, show: PlainShow) -> None:
    """All that happened, as fast as it can be told."""
    rig = run.suite().rig
    begin, end = around_cycles(run.records)
    for record in begin:
        show.record(record)
    judged = judged_cycles(run.records)
    of_cycles = _last_cycle(run)
    for records, samples in run.cycles():
        cycle = judged.get(records.started.cycle)
        step_ns = 100_000 * NS_PER_MS
        for played in played_cycle(rig, records, cycle, samples, of_cycles=of_cycles, step_ns=step_ns):
            if not isinstance(played.shown, LiveState):
                show.record(played.shown)
    for record in end:
        show.record(record)
    show.close()
