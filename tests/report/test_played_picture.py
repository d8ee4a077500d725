"""The picture of what was played: a grid with a place for each start state and cut, in the record of a run."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from record_values import record_values
from restart_bench.judging.campaign.coverage import Coverage, Cut, Played, Start
from restart_bench.model.scenario import At
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record.played_picture import LEFT, MOST_ROWS, WIDTH, picture_of_played
from restart_bench.report.record.rendering import render

MS = 1_000_000
ONCE, LATER = At(), At(0, 50 * MS)


def grid(states: int, cuts: int, played: dict[tuple[int, int], Played], *, at: tuple[At, ...] = (ONCE,)) -> Coverage:
    """So many start states and off times; every state with each instant."""
    starts = tuple(Start(f"state {number}", instant) for number in range(states) for instant in at)
    return Coverage(starts, tuple(Cut("supply", n * 10 * MS, None, None) for n in range(1, cuts + 1)), played)


PASSED, FAILED = Played(3, 3, {Verdict.PASS: 3}), Played(3, 2, {Verdict.FAIL: 1, Verdict.PASS: 1})
UNPLAYED = Played(3, 0, {})


@given(st.integers(1, 60), st.integers(1, 80), st.data())
def test_every_place_that_is_asked_for_is_drawn_once_inside_the_picture_and_none_over_another(
    states: int, cuts: int, data: st.DataObject
) -> None:
    """However many there are, unless it says what it has no room for."""
    places = st.tuples(st.integers(0, states - 1), st.integers(0, cuts - 1))
    found = data.draw(st.dictionaries(places, st.sampled_from([PASSED, FAILED, UNPLAYED]), min_size=2, max_size=30))
    picture = picture_of_played(grid(states, cuts, found))
    assert picture is not None
    drawn = [place for place in picture.places if place.is_asked]
    rows = {row for row, _ in found}
    assert bool(picture.left_out) is (len(rows) > MOST_ROWS)
    assert len(drawn) == len(found) or picture.left_out
    corners = [(place.x, place.y) for place in picture.places]
    assert len(set(corners)) == len(corners)
    for place in picture.places:
        assert place.x >= LEFT and place.x + picture.across <= WIDTH + 0.2
        assert place.y >= 0 and place.y + picture.high <= picture.height


def test_it_is_drawn_with_the_signs_and_colours_of_the_verdicts_and_told_to_who_can_not_see_it() -> None:
    """The worst verdict of each place; what is asked for and not whole is marked, what nobody asks for is a dot."""
    coverage = grid(1, 3, {(0, 0): PASSED, (0, 1): FAILED, (1, 1): UNPLAYED}, at=(ONCE, LATER))
    page = render(replace(record_values(), played=picture_of_played(coverage)))
    (text,) = re.findall(r'<svg class="panel played".*?</svg>', page, re.DOTALL)
    drawn = ElementTree.fromstring(text)
    name = "{http://www.w3.org/2000/svg}"
    places = [
        (one.get("class"), [rect.get("class") for rect in one.iter(f"{name}rect")]) for one in drawn.iter(f"{name}g")
    ]
    dot: list[str | None] = []
    assert places == [
        ("v-pass", ["place"]), ("v-fail", ["place part"]), ("v-none", dot),
        ("v-none", dot), ("v-none", ["place part"]), ("v-none", dot),
    ]  # fmt: skip
    assert [one.get("href") for one in drawn.iter(f"{name}use")] == ["#sign-pass", "#sign-fail"]
    assert all(f'id="sign-{word}"' in page and f".v-{word} " in page for word in ("pass", "fail"))
    assert drawn.get("role") == "img" and drawn.get("aria-labelledby") == "played-title played-told"
    (told,) = [one.text or "" for one in drawn.iter(f"{name}desc") if one.get("id") == "played-told"]
    assert "state 0, at once: off 20 ms: 2 of 3 valid cycles, 1 fail, 1 pass" in told
    assert "state 0, 0 s to 50 ms later, drawn: off 20 ms: 0 of 3 valid cycles, not played" in told


def test_what_there_is_no_room_for_is_said() -> None:
    """Forty starts fill a page, and so do six bands of 32 cuts."""
    picture = picture_of_played(grid(50, 193, {(row, row): PASSED for row in range(50)}))
    assert picture is not None
    assert picture.left_out == "There is no room here for 10 more starts and 1 more cut: they are told below."


def test_one_combination_is_no_map() -> None:
    """There is nothing to see at a glance in one place."""
    assert picture_of_played(grid(1, 1, {(0, 0): PASSED})) is None
    assert '<svg class="panel played"' not in render(record_values())


def test_what_a_file_says_of_a_start_state_is_text_and_nothing_else() -> None:
    """A step's words may hold anything."""
    coverage = replace(
        grid(2, 1, {(0, 0): PASSED, (1, 0): PASSED}), starts=(Start("</svg><script>x()", ONCE), Start("b", ONCE))
    )
    page = render(replace(record_values(), played=picture_of_played(coverage)))
    assert "<script>x()" not in page and "&lt;script&gt;x()" in page
