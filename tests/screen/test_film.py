"""Replay as a film: what each key does, that time runs as it says, and where one lands by a jump."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders import MS, S
from live_values import burner_finding, judged_cycle
from restart_bench.model.verdicts import Verdict
from restart_bench.screen.film import (
    FASTEST,
    SLOWEST,
    STEP_NS,
    Film,
    Scene,
    advanced,
    failures_in,
    film_line,
    film_of,
    pressed,
)

SCENES = (
    Scene(1, 10 * S, 20 * S, cuts=(12 * S,)),
    Scene(2, 100 * S, 108 * S, cuts=(101 * S,), failures=(104 * S, 106 * S)),
)


def film(speed: float = 1.0) -> Film:
    return film_of(SCENES, speed)


def after(*keys: str, begun: Film | None = None) -> Film:
    made = begun or film()
    for key in keys:
        made = pressed(made, key)
    return made


def test_a_film_goes_on_with_the_clock_at_its_speed() -> None:
    """Twice as fast, a second of watching is two of the run; while it is paused, none."""
    assert advanced(film(), S).at_ns == 11 * S
    assert advanced(film(2.0), S).at_ns == 12 * S
    assert advanced(after(" "), S).at_ns == 10 * S


def test_the_time_between_two_cycles_is_left_out() -> None:
    """What lay between the scenes is not waited for: behind the end of one the next one begins."""
    made = advanced(film(), 11 * S)
    assert (made.scene, made.at_ns) == (1, 101 * S)


def test_the_last_picture_stays() -> None:
    """At its end the film stands still, and nobody is thrown out; the pause key plays it once more."""
    made = advanced(film(), 1000 * S)
    assert (made.scene, made.at_ns, made.going, made.left, made.over) == (1, 108 * S, False, False, True)
    again = pressed(made, " ")
    assert (again.scene, again.at_ns, again.going) == (0, 10 * S, True)


def test_the_pause_key_pauses_and_goes_on() -> None:
    """One key for both, as everywhere."""
    assert not after(" ").going
    assert after(" ", " ").going


def test_a_step_pauses_and_goes_one_picture() -> None:
    """Step by step forwards and backwards, also from one cycle into the other, and never beyond either end."""
    assert (after("right").at_ns, after("right").going) == (10 * S + STEP_NS, False)
    assert after("right", "left").at_ns == 10 * S
    assert after("left").at_ns == 10 * S
    over = after("right", begun=Film(SCENES, 0, 20 * S, going=False))
    assert (over.scene, over.at_ns) == (1, 100 * S + STEP_NS)
    back = after("left", begun=over)
    assert back.at_ns in (20 * S, 100 * S)
    assert after("right", begun=after("end")).over


@pytest.mark.parametrize(("key", "factor"), [("+", 2.0), ("=", 2.0), ("-", 0.5)])
def test_faster_and_slower_double_and_halve(key: str, factor: float) -> None:
    """So many times as fast each time, within limits that still make sense."""
    assert after(key).speed == factor
    assert SLOWEST <= after(*[key] * 40).speed <= FASTEST


def test_c_jumps_from_cut_to_cut_and_begins_again_behind_the_last() -> None:
    """Each jump stands at the picture that first shows the cut."""
    first, second, third = after("c"), after("c", "c"), after("c", "c", "c")
    assert (first.scene, first.at_ns, first.going) == (0, 12 * S + STEP_NS, False)
    assert (second.scene, second.at_ns) == (1, 101 * S + STEP_NS)
    assert (third.scene, third.at_ns) == (first.scene, first.at_ns)


def test_f_jumps_to_what_failed() -> None:
    """From failure to failure, in whatever cycle it lies."""
    assert [(one.scene, one.at_ns) for one in (after("f"), after("f", "f"))] == [
        (1, 104 * S + STEP_NS),
        (1, 106 * S + STEP_NS),
    ]


def test_where_there_is_nothing_to_jump_to_the_film_says_so() -> None:
    """A run without a failure stays where it is, and the line below tells why."""
    made = pressed(film_of((Scene(1, 0, S),), 1.0), "f")
    assert made.at_ns == 0
    assert "nothing failed" in film_line(made, 80).plain
    assert "nothing failed" not in film_line(pressed(made, " "), 80).plain
    doubtful = replace(made, without_failure="nothing failed; scenarios: 1 inconclusive")
    assert "1 inconclusive" in film_line(pressed(doubtful, "f"), 80).plain


def test_begin_and_end_have_keys_of_their_own() -> None:
    """To the first picture and to the last."""
    assert after("e").over
    assert after("e", "b").at_ns == 10 * S
    assert after("q").left


@given(
    st.lists(st.sampled_from([" ", "left", "right", "c", "f", "b", "e", "+", "-", "x"]) | st.integers(0, 30 * S)),
)
def test_whatever_is_pressed_the_film_stands_inside_a_scene(does: list[str | int]) -> None:
    """No key and no time leads out of the run."""
    made = film()
    for one in does:
        made = advanced(made, one) if isinstance(one, int) else pressed(made, one)
        scene = made.scenes[made.scene]
        assert scene.begins_ns <= made.at_ns <= scene.ends_ns


def test_behind_the_last_failure_the_jump_to_the_first_is_said() -> None:
    """Who looks for the next failure and lands at the first again is told that there is no other."""
    last = after("f", "f")
    assert (last.at_ns, last.said) == (106 * S + STEP_NS, "")
    again = pressed(last, "f")
    assert (again.at_ns, again.said) == (104 * S + STEP_NS, "from the beginning again")


def test_a_failure_is_where_it_could_first_be_seen() -> None:
    """Figures count from the restored supply; what has none is shown at the end of the cycle, and only what failed."""
    pulse = burner_finding(1, Verdict.FAIL, begun_ns=[500 * MS, 540 * MS])
    missing = burner_finding(1, Verdict.FAIL, delay_ns=[5 * S, 6 * S], found_ns=[S, S + 10 * MS])
    assert failures_in(judged_cycle(1, missing), 9 * S) == ((4 * S + 10 * MS, missing),)  # where it was due
    silent = burner_finding(1, Verdict.FAIL)
    passed = burner_finding(1, Verdict.PASS, delay_ns=[1, 2])
    assert failures_in(judged_cycle(1, silent, pulse, passed), 9 * S) == (
        (3 * S + 540 * MS, pulse),
        (9 * S, silent),
    )
    assert failures_in(judged_cycle(1, passed), 9 * S) == ()


@pytest.mark.parametrize("width", [60, 80, 140])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_the_keys_stand_below_the_picture(width: int, ascii_only: bool) -> None:
    """Pause, step, speed, cut, failure and the way out are named in every window, in one line."""
    line = film_line(film(4.0), width, ascii_only=ascii_only).plain
    assert len(line) <= width
    assert line.startswith("PLAY x4 cycle 1, 0.0 s" if width >= 70 else "PLAY x4")
    for told in ("Space", "pause", "step", "cut", "fail", "quit"):
        assert told in line
    assert line.isascii() or not ascii_only
