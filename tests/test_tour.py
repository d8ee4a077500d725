"""DEVELOPERS.md leads where it says: every file and name in it is there, and citations in code lead to something."""

from __future__ import annotations

import ast
import re
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from test_house_rules import FLOOR_OF, FLOORS, ROOT, kept_files, room_of

BENCH = ROOT / "bench" / "restart_bench"
SOURCES = ("bench", "drivers", "tests")
IN_AN_ARCHIVE = {"run.json", "journal.jsonl", "report.html"}
"""Files that a run writes; none of them lies in the project."""


@cache
def tour() -> str:
    """The text of DEVELOPERS.md."""
    return (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    """What stands under a heading, up to the next one of its rank or a higher one."""
    mark, _, title = heading.partition(" ")
    found = re.search(
        rf"^{mark} {re.escape(title)}\n(.*?)(?=^#{{1,{len(mark)}}} |\Z)", tour(), re.DOTALL | re.MULTILINE
    )
    assert found is not None, heading
    return found[1]


@cache
def sources() -> str:
    """All that is written in code, tests, scenarios and the project's settings, without this file."""
    kept = [path for path in kept_files() if path.suffix in (".py", ".yaml", ".toml", ".html", ".css")]
    return "\n".join(path.read_text(encoding="utf-8") for path in kept if path != Path(__file__))


def place_of(name: str) -> Path | None:
    """The file or folder that a path on the page means: a room's, or one of the project."""
    places = [root / name for root in (BENCH, ROOT) if (root / name).exists()]
    return places[0] if places else None


def named_files(text: str) -> list[str]:
    """Every path in a text, in its order; `a/b.py:C.d` is the path `a/b.py`."""
    return re.findall(r"(?<![\w/.-])[\w.-]*(?:/[\w.-]+)*\.(?:py|html|css|js|toml|jsonl?|md)\b", text)


def test_every_file_of_the_tour_is_there() -> None:
    """A path in DEVELOPERS.md is that of a file, seen from the rooms or from the project's folder."""
    paths = {name for name in named_files(tour()) if name not in IN_AN_ARCHIVE}
    assert len(paths) > 60
    assert sorted(name for name in paths if place_of(name) is None) == []
    folders = set(re.findall(r"`((?:tests|drivers|bench)(?:/\w+)+)`", tour()))
    assert sorted(name for name in folders if not (ROOT / name).is_dir()) == []


@cache
def defined_in(path: Path) -> frozenset[str]:
    """Functions, classes, methods (`Class.method`) and names of the first level of a module."""
    found: set[str] = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found.add(node.name)
        if isinstance(node, ast.ClassDef):
            found |= {f"{node.name}.{one.name}" for one in node.body if isinstance(one, ast.FunctionDef)}
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {one.id for one in targets if isinstance(one, ast.Name)}
    return frozenset(found)


def test_every_name_of_the_tour_is_in_the_file_that_it_says() -> None:
    """`room/module.py:name` is a function, a class or a method that stands there."""
    pairs = re.findall(r"`([\w/]+\.py):([\w.]+)`", tour())
    assert len(pairs) > 30
    missing = []
    for file, name in pairs:
        path = place_of(file)
        if path is None or name not in defined_in(path):
            missing.append(f"{file}:{name}")
    assert missing == []


def test_every_other_name_of_the_tour_is_one_of_the_code() -> None:
    """A single word in code type (a class, a key, a marker) is written somewhere in code, tests or scenarios."""
    words = set(re.findall(r"`@?([A-Za-z_][\w.]*)(?:\(\))?:?`", tour()))
    assert sorted(word for word in words if not re.search(rf"\b{re.escape(word)}\b", sources())) == []


def test_the_drawing_shows_the_floors_that_are_held() -> None:
    """Rooms stand on the floors on which the house rules keep them, and no room is left out."""
    drawn = re.findall(r"^floor (\d)    ((?:\w+  )*\w+)", section("## The rooms"), re.MULTILINE)
    floors = {int(number): set(rooms.split()) for number, rooms in drawn}
    assert floors == {
        number: {room for room in rooms if (BENCH / room).is_dir()} for number, rooms in enumerate(FLOORS)
    }


def test_every_room_is_explained() -> None:
    """The table of rooms has a row for each, with a file to begin with that stands in it."""
    rows = re.findall(r"^\| ([\w, ]+) \| [^|]+ \| ([^|]+) \|$", section("## The rooms"), re.MULTILINE)
    begins = {room: named_files(files) for rooms, files in rows for room in rooms.split(", ") if room != "room"}
    assert set(begins) == {room for room in FLOOR_OF if (BENCH / room).is_dir()}
    strangers = [room for room, files in begins.items() if not any(one.startswith(f"{room}/") for one in files)]
    assert strangers == []


@pytest.mark.parametrize("walk", ["## From a read on the wire to a verdict", "## From a line of rig.yaml to a finding"])
def test_a_walk_goes_up_three_times_at_most(walk: str) -> None:
    """Counted over the files that the numbered steps name, in their order: one that lies on a higher floor than the
    file before it is a way up. Values of the model, which every room hands on, are no stop on the way."""
    steps = re.findall(r"^\d+\. .*?(?=^\d+\. |^\n)", section(walk), re.DOTALL | re.MULTILINE)
    assert len(steps) > 6
    rooms = [room_of("restart_bench." + name.replace("/", ".")) for step in steps for name in named_files(step)]
    floors = [FLOOR_OF[room] for room in rooms if room != "model"]
    assert sum(below < above for below, above in pairwise(floors)) <= 3


TRACERS = (
    ("### A supply driver", r"gpio[_-]pin", ("bench", "drivers")),
    ("### A key of a file", r"\binput_delay", ("bench/restart_bench/suite", "bench/restart_bench/report")),
    ("### A key of a file", r"\b(?:scenario|model)\.purpose\b|\bpurpose: Text", ("bench",)),
    ("### A step", r"\bByEye|\bby_eye\b", ("bench", "tests/helpers")),
    (
        "### An expectation kind",
        r"\"returns\"|ExpectationKind\.RETURNS|EXPECTATION_KINDS",
        ("bench", "tests/helpers/file_keys.py", "tests/worlds"),
    ),
    ("### A column of a table", r"\bat_return\b", ("bench", "tests/helpers")),
    ("### A column of a table", r"\boff_from_s\b", ("bench",)),
    ("### A way out", r"\bSIGQUIT\b|\bhears_signals\b|\bSafeEnd\b", ("bench", "tests/helpers")),
    ("### A colour", r"\bLOOKS\b", ("bench",)),
)
"""One thing that is there already for each recipe, by the word under which it is known, and where it is looked for."""


@pytest.mark.parametrize(("recipe", "word", "places"), TRACERS, ids=[word for _, word, _ in TRACERS])
def test_a_recipe_names_every_file_that_one_like_it_stands_in(recipe: str, word: str, places: tuple[str, ...]) -> None:
    """Whoever follows a recipe comes by every file in which what is there already is known by its name."""
    files = [
        path
        for path in kept_files()
        if path.suffix in (".py", ".html", ".css")
        and any(path.relative_to(ROOT).as_posix().startswith(place) for place in places)
    ]
    touched = {path for path in files if re.search(word, path.read_text(encoding="utf-8"))}
    assert touched
    named = {place_of(name) for name in named_files(section(recipe))}
    assert sorted(path.relative_to(ROOT).as_posix() for path in touched - named) == []


# ---------------------------------------------------------------- the README


def test_the_first_screen_says_what_it_is_shows_one_picture_and_one_command() -> None:
    """Before the first heading: some sentences, a picture, a command to try; how to do the same on Windows aside."""
    first = (ROOT / "README.md").read_text(encoding="utf-8").partition("\n## ")[0]
    assert len(first.splitlines()) <= 40
    assert (first.count("!["), first.count("```sh"), first.count("```powershell")) == (1, 1, 1)


def test_the_reference_stands_behind_the_first_hour() -> None:
    """Whoever begins reads downwards: the first hour, cautions, the days after it. What is looked up stands behind."""
    headings = re.findall(r"^## (.*)$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    wanted = ["The first hour", "Cautions", "Day by day", "Commands", "Verdicts", "Files", "The archive"]
    assert [one for one in headings if one in wanted] == wanted


# ---------------------------------------------------------------- citations


def written() -> list[tuple[str, str]]:
    """The text of every module with its place."""
    return [
        (path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8"))
        for path in kept_files()
        if path.suffix == ".py" and path.relative_to(ROOT).parts[0] in SOURCES and path != Path(__file__)
    ]


def test_every_rule_that_is_cited_is_written_down() -> None:
    """`rule 3` in code or tests is one of the numbered rules of judgement."""
    rules = set(re.findall(r"^(\d+)\. ", section("## Rules of judgement"), re.MULTILINE))
    cited = {
        (number, place)
        for place, text in written()
        for numbers in re.findall(r"\b[Rr]ules? (\d+(?:(?:, | and )\d+)*)", text)
        for number in re.findall(r"\d+", numbers)
    }
    assert len(cited) > 20
    assert sorted(place for number, place in cited if number not in rules) == []


def test_nobody_is_sent_to_a_page_that_the_project_does_not_have() -> None:
    """Code and tests cite README, DEVELOPERS.md and published sources, no other page; a heading of the README that is
    cited stands there."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8").lower()
    astray = []
    for place, text in written():
        astray += [f"{place}: {page}" for page in re.findall(r"\b[\w-]+\.md\b", text) if not (ROOT / page).exists()]
        astray += [f"{place}: {word}" for word in re.findall(r"\bDESIGN\b", text)]
        for quoted, plain in re.findall(r"README(?:'s|,) (?:\"([^\"]+)\"|(the archive|supplies|rig\.yaml))", text):
            if (quoted or plain).lower() not in readme:
                astray.append(f"{place}: README, {quoted or plain}")
    assert astray == []


def test_links_lead_to_headings() -> None:
    """`(#words)` and `(README.md#words)` lead to a heading of that page."""
    dead = []
    for page in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / page).read_text(encoding="utf-8")
        for target, anchor in re.findall(r"\]\(([\w.]*)#([\w-]+)\)", text):
            if anchor not in anchors(target or page):
                dead.append(f"{page}: {target}#{anchor}")
    assert dead == []


@cache
def anchors(page: str) -> frozenset[str]:
    """The anchors of a page's headings, as its hosts make them."""
    text = re.sub(r"```.*?```", "", (ROOT / page).read_text(encoding="utf-8"), flags=re.DOTALL)
    headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    return frozenset(re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-") for one in headings)
