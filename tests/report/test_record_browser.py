"""The record in a real browser: nothing loaded, nothing complained of, figures drawn where they belong, and paper.

Needs Chromium and its driver (Debian: chromium, chromium-driver) and, for paper, pdftotext and pdftoppm
(poppler-utils).
"""

from __future__ import annotations

import base64
import json
import re
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from selenium.common.exceptions import WebDriverException
from selenium.webdriver import ActionChains, Chrome, ChromeOptions, Keys
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

from drawn import seldom
from record_values import HOSTILE, LANES, diagram, hostile_values, matrix_line, record_values
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record import drawing
from restart_bench.report.record.data import RecordData
from restart_bench.report.record.rendering import render, render_page
from restart_bench.report.sheet import MOST_LEARNERS, WAYS, Question, Sheet, render_sheet
from tools import program

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """One headless browser with a profile of its own."""
    options = ChromeOptions()
    options.binary_location = program("chromium", "chromium-browser", "google-chrome")
    for flag in FLAGS:
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = Chrome(options=options, service=Service(program("chromedriver")))
    try:
        driver.get("about:blank")
        yield driver
    finally:
        driver.quit()


class Shown:
    """A record shown in the browser."""

    def __init__(self, browser: Chrome, path: Path) -> None:
        self.browser = browser
        self.path = path
        for log in ("browser", "performance"):
            browser.get_log(log)  # what came before belongs to somebody else
        self.size(1280, 800)
        browser.get(path.as_uri())

    def size(self, width: int, height: int) -> None:
        """Size of the window."""
        told = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", told)

    def dark(self, dark: bool) -> None:
        """What the reader's system asks for."""
        feature = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})

    def one(self, selector: str) -> WebElement:
        """The first element that a selector finds."""
        return self.browser.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[WebElement]:
        """All of them."""
        return self.browser.find_elements(By.CSS_SELECTOR, selector)

    def click(self, selector: str) -> None:
        """Brings an element to the middle of the window, out from under the bar of links, and clicks it."""
        element = self.one(selector)
        self.run("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", element)
        element.click()

    def run(self, script: str, *arguments: object) -> Any:
        """What a script in the page returns."""
        return self.browser.execute_script(script, *arguments)

    def settled(self, script: str) -> Any:
        """The same once two looks show the same: a busy computer may lay a page out more than once."""
        looks = [None, self.run(script)]

        def alike(_: Chrome) -> bool:
            looks[:] = [looks[1], self.run(script)]
            return looks[0] == looks[1]

        WebDriverWait(self.browser, 20, poll_frequency=0.2).until(alike)
        return looks[1]

    def named(self) -> set[tuple[str, str]]:
        """Role and name of everything that a screen reader finds. The browser makes that tree after the page is
        loaded, when somebody asks, and answers with its root alone until then: asked until a heading is in."""

        def grown(browser: Chrome) -> set[tuple[str, str]]:
            nodes = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
            found = {(node["role"]["value"], node.get("name", {}).get("value", "")) for node in nodes if "role" in node}
            return found if any(role == "heading" for role, _ in found) else set()

        self.browser.execute_cdp_cmd("Accessibility.enable", {})
        return WebDriverWait(self.browser, 20).until(grown)

    def ink(self, selector: str) -> dict[str, str]:
        """Attribute `d` of the paths of each lane, by class."""
        found: dict[str, str] = self.run(
            "return Object.fromEntries([...document.querySelectorAll(arguments[0] + ' path')]"
            ".map((path) => [path.getAttribute('class'), path.getAttribute('d')]))", selector,
        )  # fmt: skip
        return found

    def where(self, selector: str) -> tuple[float, float]:
        """Left and right end of an element, in units of the drawing."""
        left, right = self.run(
            "const box = document.querySelector(arguments[0]).getBoundingClientRect(),"
            " svg = document.querySelector('svg.panel').getBoundingClientRect(), unit = 1000 / svg.width;"
            " return [(box.left - svg.left) * unit, (box.right - svg.left) * unit]", selector,
        )  # fmt: skip
        return left, right

    @property
    def view(self) -> tuple[float, float]:
        """The span in view in milliseconds, from the transform of the drawing."""
        move, stretch = self.run(
            "const parts = document.querySelector('.time').getAttribute('transform').match(/-?[\\d.]+/g).map(Number);"
            " return [parts[0], parts[2]]"
        )
        return (206 - move) / stretch, (990 - move) / stretch

    @property
    def chosen(self) -> str:
        """What is said of the cycle drawn strongly."""
        return " ".join(self.one(".chosen").text.split())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the pages lie."""
    made = tmp_path_factory.mktemp("records")
    (made / "plain.html").write_text(render(record_values()), encoding="utf-8")
    (made / "hostile.html").write_text(render(hostile_values()), encoding="utf-8")
    return made


@pytest.fixture
def shown(browser: Chrome, folder: Path) -> Shown:
    """The record of the grain dryer."""
    return Shown(browser, folder / "plain.html")


def test_the_page_loads_nothing_and_complains_of_nothing(shown: Shown) -> None:
    """One request, for the page itself; nothing in the console, also after using it."""
    for name in ("next", "in", "left", "right", "out", "whole", "first", "previous"):
        shown.click(f"button[data-do={name}]")
    events = [json.loads(entry["message"])["message"] for entry in shown.browser.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert [url for url in asked if not url.startswith("data:")] == [shown.path.as_uri()]
    assert shown.browser.get_log("browser") == []


def test_script_and_file_draw_the_same(browser: Chrome, folder: Path) -> None:
    """The page as written and the page after its script drew the same cycle: same paths, names, ticks and values."""
    read = (
        "return [...document.querySelectorAll('svg.panel path:not(.overlay):not(.mark-overlay)')]"
        ".map((path) => [path.getAttribute('class'), path.getAttribute('d')])"
        ".concat([...document.querySelectorAll('svg.panel text')]"
        ".map((text) => [text.textContent, Number(text.getAttribute('x')), Number(text.getAttribute('y'))]))"
    )
    page = (folder / "plain.html").read_text(encoding="utf-8")
    (folder / "still.html").write_text(re.sub(r"script-src '[^']*'", "script-src 'none'", page), encoding="utf-8")
    still = Shown(browser, folder / "still.html").settled(read)
    alive = Shown(browser, folder / "plain.html").settled(read)
    assert len(alive) > 100
    same = [(a, b) for a, b in zip(alive, still, strict=True) if a[1] is not None]
    for one, other in same:
        assert (one[0], _letters(one)) == (other[0], _letters(other))
        assert _numbers(one) == pytest.approx(_numbers(other), abs=0.01)


def test_script_and_file_lay_out_every_view_alike(shown: Shown) -> None:
    """Ticks, names of marks and numbers of a zoomed view stand where they would stand if it were the first."""
    panels, case = shown.one(".panels"), record_values().diagrams[0]
    lane = next(place for place, lane in enumerate(LANES) if not lane.boolean)
    marks = drawing.pack_marks(case.cycles[6].marks)
    names = {mark.name: drawing.mark_name(mark.name, case.large) for mark in case.cycles[6].marks}
    words = drawing.Texts()
    read = (
        "return [...document.querySelectorAll(arguments[0])].map((text) =>"
        " [text.textContent, Number(text.getAttribute('x')), text.getAttribute('text-anchor')])"
    )
    packed = drawing.pack(case.cycles[6].pieces[lane], LANES[lane], words)
    for keys in ("w", "+", "++", "++++", "+++++", "++++++"):
        panels.send_keys(keys)
        texts = {kind: shown.run(read, f".{kind} text") for kind in ("ticks", "mark-names", "values")}
        expected = {
            "ticks": drawing.ticks(shown.view),
            "mark-names": [mark.label for mark in drawing.place_marks(marks, shown.view, 0, names) if mark.shown],
            "values": drawing.value_labels(packed, words.with_widths, shown.view),
        }
        for kind, placed in expected.items():
            assert [(text, anchor) for text, _, anchor in texts[kind]] == [(one.text, one.anchor) for one in placed]
            assert [x for _, x, _ in texts[kind]] == pytest.approx([one.x for one in placed], abs=0.1)


def _letters(drawn: list[Any]) -> str:
    return re.sub(r"[-\d.]+", " ", str(drawn[1:]))


def _numbers(drawn: list[Any]) -> list[float]:
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", str(drawn[1:]))]


def test_lanes_and_marks_stand_where_the_figures_say(shown: Shown) -> None:
    """Measured on the screen: the fan's terminal, the blind span and the bounds of `ready` of cycle 7."""
    first, last = shown.view
    scale = 784 / (last - first)
    cycle = record_values().diagrams[0].cycles[6]

    def units(ns: int) -> float:
        return 206 + (ns / 1e6 - first) * scale

    fan = next(index for index, lane in enumerate(LANES) if lane.point == "fan_terminal")
    on = next(piece for piece in cycle.pieces[fan] if piece.kind == "change" and piece.value == 1.0)
    assert shown.where(f"[data-lane='{fan}'] .p-edge")[1] == pytest.approx(units(on.to_ns), abs=2)
    auger = next(index for index, lane in enumerate(LANES) if lane.point == "auger")
    blind = next(piece for piece in cycle.pieces[auger] if piece.kind == "blind")
    assert shown.where(f"[data-lane='{auger}'] .p-blind") == pytest.approx(
        (units(blind.from_ns), units(blind.to_ns)), abs=2
    )
    ready = next(mark for mark in cycle.marks if mark.name == "ready")
    assert shown.where("[data-mark=ready]") == pytest.approx(
        (units(ready.not_before_ns), units(ready.not_after_ns)), abs=2
    )


def test_the_mouse_chooses_a_cycle(shown: Shown) -> None:
    """Buttons, list and the row of cycles all choose; verdict, reason and drawing follow."""
    assert shown.chosen.startswith("fail cycle 7:")
    burner = "[data-lane='5']"
    failed = shown.ink(burner)["p-on"]
    shown.click("button[data-do=next]")
    assert shown.chosen.startswith("pass cycle 8:")
    assert shown.ink(burner)["p-on"] != failed
    shown.click(".chip[data-cycle='2']")
    assert shown.chosen.startswith("pass cycle 3:")
    assert shown.one(".chip[data-cycle='2']").get_attribute("aria-pressed") == "true"
    shown.one(".tools select").send_keys("20")
    assert shown.chosen.startswith("pass cycle 20:")
    shown.click("button[data-do=next]")
    assert shown.chosen.startswith("pass cycle 20:"), "there is no cycle after the last one"


def test_the_keyboard_chooses_zooms_and_moves(shown: Shown) -> None:
    """Arrow keys choose the cycle; + and - zoom, Shift with an arrow moves, 0 and w come back."""
    panels = shown.one(".panels")
    panels.send_keys(Keys.ARROW_LEFT)
    assert shown.chosen.startswith("pass cycle 6:")
    panels.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert shown.chosen.startswith("pass cycle 8:")
    first, last = shown.view
    panels.send_keys("+")
    near = shown.view
    assert near[1] - near[0] == pytest.approx((last - first) / 2, rel=1e-3)
    panels.send_keys(Keys.SHIFT + Keys.ARROW_RIGHT)
    assert shown.view[0] == pytest.approx(near[0] + (near[1] - near[0]) / 4, rel=1e-3)
    panels.send_keys(Keys.NULL, "-")
    assert shown.view[1] - shown.view[0] == pytest.approx(last - first, rel=1e-3)
    panels.send_keys("++0")
    assert shown.view == pytest.approx((first, last), rel=1e-3)
    panels.send_keys("w")
    assert shown.view[0] < first


def test_the_mouse_zooms_and_drags(shown: Shown) -> None:
    """Ctrl with the wheel zooms about the pointer, dragging moves along; the wheel alone scrolls the page."""
    panels = shown.one(".panels")
    shown.run("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", panels)
    first, last = shown.view
    wheel = (
        "const box = arguments[0].getBoundingClientRect();"
        " return arguments[0].dispatchEvent(new WheelEvent('wheel', {deltaY: -100, ctrlKey: arguments[1],"
        " clientX: box.left + box.width / 2, clientY: box.top + 200, bubbles: true, cancelable: true}))"
    )
    assert shown.run(wheel, panels, False) is True, "not taken: the page scrolls"
    assert shown.view == pytest.approx((first, last))
    assert shown.run(wheel, panels, True) is False
    near = shown.view
    assert near[1] - near[0] == pytest.approx((last - first) * 0.8, rel=1e-3)
    ActionChains(shown.browser).move_to_element(panels).click_and_hold().move_by_offset(-100, 0).release().perform()
    moved = 100 * 1000 / float(panels.size["width"]) / 784 * (near[1] - near[0])
    assert shown.view[0] == pytest.approx(min(near[0] + moved, shown.view[0] + 1e9), rel=0.02)
    assert shown.view[0] > near[0]


def test_ticks_keep_their_distance_when_zoomed(shown: Shown) -> None:
    """From the whole cycle down to a fraction of a millisecond there are ticks to read, in the unit that fits."""
    panels = shown.one(".panels")
    for _ in range(18):
        panels.send_keys("+")
        assert 1 <= len(shown.all(".ticks text")) <= 10
    assert all(tick.text.endswith("ms") for tick in shown.all(".ticks text"))


def test_the_table_of_changes_follows_the_cycle(shown: Shown) -> None:
    """What is drawn can also be read, by a screen reader too: the burner's pulse stands in the table of cycle 7."""
    shown.click(".as-table summary")
    rows = [row.text for row in shown.all(".as-table tbody tr")]
    pulse = [row for row in rows if "Burner valve, terminal" in row.translate({0x2068: None, 0x2069: None})]
    assert len(pulse) == 3
    shown.click("button[data-do=next]")
    rows = [row.text.translate({0x2068: None, 0x2069: None}) for row in shown.all(".as-table tbody tr")]
    assert sum("Burner valve, terminal" in row for row in rows) == 1


def test_a_screen_reader_is_told_names_and_changes(shown: Shown) -> None:
    """Controls have names, the chosen cycle is announced, drawings are images with a text of their own."""
    named = shown.named()
    for role, name in (
        ("button", "Next cycle"),
        ("button", "Zoom in"),
        ("combobox", "Cycle"),
        ("button", "Cycle 7: fail"),
    ):
        assert (role, name) in named
    assert any(role == "group" and name.startswith("Timing diagram of ") for role, name in named)
    assert any(role in {"image", "img"} and "Burner valve" in name for role, name in named)
    assert not [role for role, name in named if role in {"button", "combobox", "link"} and not name]
    assert shown.one(".chosen").get_attribute("aria-live") == "polite"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)], ids=["1280", "1920"])
def test_text_stands_out_and_nothing_sticks_out(shown: Shown, dark: bool, size: tuple[int, int]) -> None:
    """Contrast of text and of verdicts is 4.5 and more (WCAG 2.2, 1.4.3, from memory), nothing is wider than the
    window."""
    shown.size(*size)
    shown.dark(dark)
    contrasts = shown.run(
        """const light = (rgb) => rgb.map((c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
             .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
           const parts = (text) => text.match(/[\\d.]+/g).slice(0, 3).map(Number);
           const paper = light(parts(getComputedStyle(document.querySelector('section')).backgroundColor));
           return [...document.querySelectorAll('h1, .gloss, .verdict, small, dt, .hint, td, .chip, .lane-name')]
             .map((element) => getComputedStyle(element))
             .map((style) => light(parts(style.fill && style.display === 'inline' && style.fill !== 'rgb(0, 0, 0)'
               ? style.fill : style.color)))
             .map((ink) => (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05))"""
    )
    assert len(contrasts) > 50
    assert min(contrasts) >= 4.5
    assert shown.run("return document.documentElement.scrollWidth <= innerWidth")


def test_names_fit_into_their_column(shown: Shown) -> None:
    """No name of a lane begins left of the drawing."""
    assert all(
        shown.run("return [...document.querySelectorAll('.lane-name, .lane-place')].map((one) => one.getBBox().x >= 0)")
    )


def test_a_hostile_text_stays_text(browser: Chrome, folder: Path) -> None:
    """Markup, scripts and direction marks in labels, reasons and purposes are shown, never obeyed."""
    shown = Shown(browser, folder / "hostile.html")
    shown.click("button[data-do=next]")
    shown.click(".as-table summary")
    assert shown.browser.title != "broken"
    assert shown.all("img") == []
    assert shown.browser.get_log("browser") == []
    assert "<script>" in shown.one(".why").text
    assert "<script>" in shown.one(".as-table tbody").text
    assert HOSTILE.split("\u202e")[0] in shown.one(".chosen-text").get_attribute("textContent")


# ---------------------------------------------------------------- paper


def _print(shown: Shown, width: float, height: float) -> Path:
    told = {"printBackground": False, "preferCSSPageSize": True, "paperWidth": width, "paperHeight": height}
    printing = WebDriverWait(shown.browser, 20, ignored_exceptions=(WebDriverException,))  # "Printing failed", at times
    made = printing.until(lambda browser: browser.execute_cdp_cmd("Page.printToPDF", told))
    path = shown.path.with_suffix(".pdf")
    path.write_bytes(base64.b64decode(made["data"]))
    return path


def _pages(pdf: Path) -> list[str]:
    told = subprocess.run([program("pdftotext"), "-layout", pdf, "-"], capture_output=True, check=True, text=True)
    return told.stdout.split("\f")[:-1]


A4, LETTER = (8.27, 11.69), (8.5, 11.0)


def test_page_one_on_paper_holds_what_is_signed(shown: Shown) -> None:
    """Verdict with its gloss, limits, matrix, what was not tested and the lines to sign on: all on page 1, no more."""
    pages = _pages(_print(shown, *A4))
    first = " ".join(pages[0].split())
    for words in ("fail", "shown to deviate", "Limits of what was shown", "Restart matrix", "Not tested",
                  "Tested by", "Witnessed by", "Date", "Burner valve", "inconclusive"):  # fmt: skip
        assert words in first
    assert "What was tested" in pages[1] and "What was tested" not in pages[0]
    assert "page 1 of" in first


@pytest.mark.parametrize("paper", seldom(A4, (LETTER,)), ids=["A4", "letter"])
def test_a_full_page_one_still_holds_the_sign_off(browser: Chrome, folder: Path, paper: tuple[float, float]) -> None:
    """However much there is to say, page 1 says what it leaves out and ends with the lines to sign on."""
    plain = record_values(cycles=1)
    rows = tuple(
        matrix_line(f"scenario-{n // 3}", "", f"Output {n}", f"output_{n}", "on", "off within 4 ms",
                  "pulse, then off", (900_000_000, 903_000_000), Verdict.FAIL,
                  "In cycle 7 it was on for 134 .. 143 ms after the return of the supply.")
        for n in range(90)
    )  # fmt: skip
    said = plain.scenarios[0]
    scenarios = tuple(
        replace(said, name=f"scenario-{n}", limits=tuple(f"{n}: {text}" for text in said.limits)) for n in range(30)
    )
    lists = tuple(f"output_{n}: no scenario expects anything of it after the restart." for n in range(60))
    full = replace(
        plain, matrix=rows, scenarios=scenarios, not_tested=lists, diagrams=(), reason=f"{plain.reason} " * 3
    )
    (folder / "full.html").write_text(render(full), encoding="utf-8")
    pages = _pages(_print(Shown(browser, folder / "full.html"), *paper))
    assert "Witnessed by" in pages[0]
    assert pages[0].count("Output ") >= 3
    assert "more rows" in pages[0] and "more limits" in pages[0] and "more entries" in pages[0]


@pytest.mark.parametrize("made", [render, render_page], ids=["record", "hand-out"])
def test_on_a_telephone_nothing_is_cut_off_and_the_verdict_stands_below_the_output(
    browser: Chrome, folder: Path, made: Callable[[RecordData], str]
) -> None:
    """At 400 px: each row of the matrix below the other with its verdict first, and lines that one can sign on."""
    (folder / "narrow.html").write_text(made(record_values(cycles=1)), encoding="utf-8")
    shown = Shown(browser, folder / "narrow.html")
    shown.size(400, 800)
    outside = "return [...document.querySelector(arguments[0]).querySelectorAll('td, th, b, h1, p')].filter((one) => { const box = one.getBoundingClientRect(); return box.width && (box.right > 400 || box.left < 0); }).map((one) => one.textContent)"  # noqa: E501
    assert shown.run(outside, "section") == []
    tops = "return [...document.querySelectorAll('.matrix tr:not(.group)')].filter((row) => row.querySelector('td')).map((row) => ['th', '.judged', '.reason', '[data-of]'].map((one) => row.querySelector(one).getBoundingClientRect().top))"  # noqa: E501
    rows = shown.run(tops)
    assert rows and all(row == sorted(row) and row[0] < row[1] for row in rows), rows
    lines = [line.size["width"] for line in shown.all(".sign-off b")]
    assert len(lines) == 3 and min(lines) > 250, lines


def test_headings_of_the_facts_begin_on_one_line(browser: Chrome, folder: Path) -> None:
    """Those of the first group in each of the two columns."""
    (folder / "facts.html").write_text(render(record_values(cycles=1)), encoding="utf-8")
    shown = Shown(browser, folder / "facts.html")
    boxes = [one.rect for one in shown.all(".facts h3")]
    columns = {round(box["x"]): [one["y"] for one in boxes if round(one["x"]) == round(box["x"])] for box in boxes}
    assert len(columns) == 2
    assert len({round(min(tops)) for tops in columns.values()}) == 1, columns


def test_the_hand_out_is_one_page_however_much_there_is_to_say(browser: Chrome, folder: Path) -> None:
    """Ninety rows, thirty scenarios and long reasons: one A4 page with a diagram, and the lines to sign on."""
    rows = tuple(
        matrix_line(f"scenario-{n // 3}", "", f"Output {n}", f"output_{n}", "on", "off within 4 ms",
                  "pulse, then off", (900_000_000, 903_000_000), Verdict.FAIL,
                  "In cycle 7 it was on for 134 .. 143 ms after the return of the supply.", image_only=True)
        for n in range(90)
    )  # fmt: skip
    plain = record_values(cycles=3)
    scenarios = tuple(replace(plain.scenarios[0], name=f"scenario-{n}") for n in range(30))
    short = tuple(
        f"{word}: a sentence that is about as long as such sentences are, with a name in it." for word in "abc"
    )
    full = replace(
        plain, matrix=rows, scenarios=scenarios, limits_in_short=short, simulated=True, reason=f"{plain.reason} " * 3
    )
    (folder / "page.html").write_text(render_page(full), encoding="utf-8")
    shown = Shown(browser, folder / "page.html")
    (page,) = _pages(_print(shown, *A4))
    for words in ("Witnessed by", "shown to deviate", "more rows", "more scenarios", "What this does not show", *short):
        assert words in " ".join(page.split()), words
    assert page.count("Output ") >= 3 and len(shown.all("svg.panel")) == 1


def test_no_diagram_is_cut_by_the_end_of_a_page(browser: Chrome, folder: Path) -> None:
    """Every drawing has its marks, its lanes and its time axis on one page, however many there are."""
    plain = record_values(cycles=2)
    drawn = [replace(diagram(2, bad=(2,)), scenario=f"part-{n}") for n in range(5)]
    (folder / "many.html").write_text(render(replace(plain, diagrams=tuple(drawn))), encoding="utf-8")
    pages = _pages(_print(Shown(browser, folder / "many.html"), *A4))
    counts = [
        (
            len(re.findall(r"RUNNING(?! is)", page)),
            page.count("as commanded"),
            len(re.findall(r"\bS1\b", page)),
            len(re.findall(r"12 s\b", page)),
        )
        for page in pages
    ]
    assert sum(lanes for _, lanes, _, _ in counts) == 5
    assert all(running == lanes == last == axis for running, lanes, last, axis in counts), counts


def test_paper_shows_the_diagram_as_at_first(shown: Shown) -> None:
    """Zooming on screen changes nothing on paper; afterwards the screen is as it was."""
    panels = shown.one(".panels")
    panels.send_keys("+++")
    near = shown.view
    pages = _pages(_print(shown, *A4))
    axis = next(line for page in pages for line in page.splitlines() if re.search(r"\d s\s+.*12 s", line))
    assert "0 s" in axis and "10 s" in axis
    assert shown.view == pytest.approx(near)


# ---------------------------------------------------------------- the page of questions

ONE_PAGE = 14  # outputs that fit on one A4 page, in both ways


def _sheet(outputs: int, learners: int, note: str) -> Sheet:
    said = Question("M1 elevator of the long drying line", "can pulse (not confirmed)", "comes back 12, stays off 8")
    questions = dict.fromkeys(WAYS.values(), (said,) * outputs)
    return Sheet("trainer", "edition 7", ("Benjamin",) * learners, questions, "test 7", (note,) if note else ())


@pytest.mark.parametrize("learners", seldom(MOST_LEARNERS, 0))
def test_the_questions_for_fourteen_outputs_are_one_page(browser: Chrome, folder: Path, learners: int) -> None:
    """On A4, with names as long as they are shown; answers that were chosen and what is hidden print as they stand."""
    (folder / "sheet.html").write_text(render_sheet(_sheet(ONE_PAGE, learners, "altered" * 9)), encoding="utf-8")
    shown = Shown(browser, folder / "sheet.html")
    (page,) = _pages(_print(shown, *A4))
    assert page.count("M1 elevator") == 2 * ONE_PAGE and "Show what" not in page
    assert "can pulse" not in page and "comes back" not in page
    shown.run("for (const box of document.querySelectorAll('.show')) box.click()")
    (page,) = _pages(_print(shown, *A4))
    assert page.count("can pulse") == page.count("comes back 12") == 2 * ONE_PAGE


@pytest.mark.parametrize("rows", [1, 3])
def test_a_program_that_fits_below_the_questions_does(browser: Chrome, folder: Path, rows: int) -> None:
    """As many lines as the page says that it has room for: one page, and the last line is on it."""
    most = next(n for n in range(60, 0, -1) if replace(_sheet(rows, 2, "altered"), program=("x",) * n).fitting)
    lines = tuple(f"  - {{coil: output_{n}, when: start_button}}" for n in range(1, most + 1))
    (folder / "sheet.html").write_text(
        render_sheet(replace(_sheet(rows, 2, "altered"), program=lines)), encoding="utf-8"
    )
    (page,) = _pages(_print(Shown(browser, folder / "sheet.html"), *A4))
    assert f"output_{most}," in page and most > 15


def test_what_is_hidden_does_not_show_by_its_length(browser: Chrome, folder: Path) -> None:
    """Rows are as high whether a long or a short answer waits in them, before and after it is shown."""
    long, short = (
        Question("M1", "can pulse (not confirmed)", "comes back 12, stays off 8 (20 cycles)"),
        Question("M2", ""),
    )
    sheet = Sheet("trainer", "edition 7", ("Ada",), {"Power goes and returns": (long, short)}, "test 7")
    (folder / "rows.html").write_text(render_sheet(sheet), encoding="utf-8")
    shown = Shown(browser, folder / "rows.html")
    heights = "return [...document.querySelectorAll('tbody tr')].map(row => row.offsetHeight)"
    before = shown.run(heights)
    shown.run("document.querySelector('#show-seen-1').click()")
    assert max(before) - min(before) <= 1  # borders that two rows share
    assert shown.run(heights) == before
