"""`replay` as a film: the picture at any place is the same whichever way one came there, and failures are found."""

from __future__ import annotations

import io
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import pytest
from rich.console import Console

from archive_builders import archived, comes_back, load, write_suite
from evidence import S, Story
from restart_bench.archive.reader import ArchivedRun
from restart_bench.cli.replay import Reel, _last_cycle, asked_at, play
from restart_bench.model.journal import Forecast
from restart_bench.screen.film import STEP_NS, Film, advanced, film_of, pressed
from restart_bench.screen.frame import frame
from restart_bench.screen.strips import UNICODE
from restart_bench.screen.tiles import tiles


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> ArchivedRun:
    """Three cycles, in the second of which the burner comes back by itself."""
    suite = load(write_suite(tmp_path_factory.mktemp("suite")))
    stories = [Story(seed=1), comes_back(Story(seed=2)), Story(seed=3)]
    return ArchivedRun.open(archived(tmp_path_factory.mktemp("logs"), suite, stories))


def picture(reel: Reel, film: Film) -> str:
    return "\n".join(line.plain for line in tiles(reel.gathered_at(film), 140, 40, UNICODE))


def lanes(reel: Reel, film: Film) -> str:
    return "\n".join(line.plain for line in frame(reel.gathered_at(film), 80, 24, UNICODE))


def test_every_cycle_is_a_scene_and_the_failure_lies_in_its_own(run: ArchivedRun) -> None:
    """Each scene has its cut; only the second one failed, behind its cut and before its end."""
    scenes = Reel(run).scenes()
    assert [scene.cycle for scene in scenes] == [1, 2, 3]
    assert all(len(scene.cuts) == 1 for scene in scenes)
    assert [bool(scene.failures) for scene in scenes] == [False, True, False]
    assert scenes[1].cuts[0] < scenes[1].failures[0] < scenes[1].ends_ns


def test_a_jump_shows_what_one_would_have_seen_on_the_way(run: ArchivedRun) -> None:
    """Forwards step by step, or back from the end: at the same place stand the same tiles."""
    there = Reel(run)
    film = film_of(there.scenes(), 1.0)
    target = pressed(film, "f")
    while (film.scene, film.at_ns) < (target.scene, target.at_ns):
        film = advanced(
            film, min(STEP_NS, max(1, target.at_ns - film.at_ns) if film.scene == target.scene else STEP_NS)
        )
        there.gathered_at(film)
    seen = picture(there, film)
    for later in (pressed(target, "e"), replace(target, at_ns=target.scenes[target.scene].ends_ns)):
        there.gathered_at(later)
        assert picture(there, target) == seen


def test_at_the_failure_the_burner_is_on_and_at_the_cut_power_is_off(run: ArchivedRun) -> None:
    """Where one lands by a jump, what one wanted to see is on the picture."""
    reel = Reel(run)
    cut = pressed(film_of(reel.scenes(), 1.0), "c")
    assert "\N{BLACK CIRCLE} OFF" in lanes(reel, cut)
    failed = pressed(cut, "f")
    assert failed.scene == 1
    burner = next(line for line in lanes(reel, failed).splitlines() if line.startswith("burner"))
    assert burner.split()[1] == "on"


def test_the_last_picture_has_the_verdicts_of_all_cycles(run: ArchivedRun) -> None:
    """At the end stands how often it failed, of how many."""
    reel = Reel(run)
    text = picture(reel, pressed(film_of(reel.scenes(), 1.0), "e"))
    assert "1 of 3 cycles" in text
    assert "3 of 3 cycles done" in text


def test_the_result_and_the_failure_are_on_the_picture(run: ArchivedRun) -> None:
    """At the end stands how the run came out, at a failure that it is here, and before it neither."""
    reel = Reel(run)
    begun = film_of(reel.scenes(), 1.0)
    assert "run: FAIL (1 of 1 scenario)" in picture(reel, pressed(begun, "e"))
    assert "FAIL here: burner is on, should" in picture(reel, pressed(begun, "f"))
    before = picture(reel, pressed(begun, "c"))
    assert "FAIL" not in before and "run:" not in before


def test_who_leaves_keeps_the_last_picture(run: ArchivedRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """What one stopped at stands on the console afterwards, below the screen that was given back."""

    class Quits:
        """A keyboard on which somebody presses e, sees the picture, then presses q."""

        def __init__(self) -> None:
            self._keys = ["e", "q"]

        def __enter__(self) -> Quits:
            return self

        def __exit__(self, *_: object) -> None: ...

        def read(self, _wait_s: float) -> list[str]:
            return [self._keys.pop(0)]

    monkeypatch.setattr("restart_bench.cli.replay.has_keyboard", lambda: True)
    monkeypatch.setattr("restart_bench.cli.replay.Keyboard", Quits)
    stream = io.StringIO()
    play(run, Console(file=stream, force_terminal=True, width=80, height=24), 1.0, tiles)
    below = stream.getvalue().rpartition("\x1b[?1049l")[2]
    assert "3 of 3 cycles done" in below


def test_without_a_console_it_is_told_in_plain_lines(run: ArchivedRun) -> None:
    """A pipe gets each cycle as lines, at once and without a key."""
    stream = io.StringIO()
    assert play(run, Console(file=stream, force_terminal=False), 1.0, frame) == 0
    text = stream.getvalue()
    assert all(f"cycle {number}: burner-stays-shut" in text for number in (1, 2, 3))
    assert "\x1b" not in text


@pytest.mark.parametrize(("how", "last"), [("completed", 12), ("stopped", 40), (None, 40)])
def test_a_replay_of_a_search_that_was_over_early_ends_with_its_last_cycle(how: str | None, last: int) -> None:
    """Twelve of at most forty cycles were enough: the bar is full at the end. Broken off, the others were to come."""
    facts = {"planned_cycles": 40, "ended": {"how": how} if how else None}
    told = cast(ArchivedRun, SimpleNamespace(run=facts, cycle_records=dict.fromkeys(range(1, 13))))
    assert _last_cycle(told) == last


def test_a_replay_asks_again_what_people_were_asked() -> None:
    """The question stands while it was open, its answer until the next one, a second at most."""
    ada = Forecast(1, "Ada", "burner", True, False, 10 * S, 14 * S)
    ben = Forecast(1, "Ben", "burner", True, None, 14 * S, 17 * S)
    at = {9: None, 10: ada, 13: ada, 15: ben, 17: ben, 19: None}
    assert {second: asked_at([ada, ben], second * S) for second in at} == at
    last = max(second for second, one in at.items() if one is not None)
    assert asked_at([ada, ben], last * S, until_ns=last * S) is None  # POWER IS OFF, and a question whether it goes
