"""The four verdicts: their order, their exit codes, and their sign and colour wherever they are shown."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """The four words, from TTCN-3 (ETSI ES 201 873-1)."""

    PASS = "pass"
    INCONCLUSIVE = "inconclusive"
    FAIL = "fail"
    ERROR = "error"


GLOSS: dict[Verdict, str] = {
    Verdict.PASS: "shown by what was read",
    Verdict.INCONCLUSIVE: "not shown either way",
    Verdict.FAIL: "shown to deviate",
    Verdict.ERROR: "test not valid, says nothing about the controller",
}


EXIT_PASS = 0
EXIT_FAIL = 1
EXIT_BAD_INPUT = 2  # or not armed; nothing moved
EXIT_INCONCLUSIVE = 3
EXIT_ERROR = 4
EXIT_STOPPED = 130  # by a person

EXIT_MEANS: dict[int, str] = {
    EXIT_PASS: "every scenario passed",
    EXIT_FAIL: "a proven fail",
    EXIT_BAD_INPUT: "bad input or not armed; nothing moved",
    EXIT_INCONCLUSIVE: "inconclusive",
    EXIT_ERROR: "error of rig or bench",
    EXIT_STOPPED: "stopped by a person",
}


NOT_COMPLETE = "not complete"
"""What a run is called that a person stopped, in place of a verdict: it says nothing of what was not done."""


_BEATS = (EXIT_FAIL, EXIT_STOPPED, EXIT_ERROR, EXIT_INCONCLUSIVE, EXIT_PASS)


_EXIT_OF: dict[Verdict, int] = {
    Verdict.PASS: EXIT_PASS,
    Verdict.INCONCLUSIVE: EXIT_INCONCLUSIVE,
    Verdict.FAIL: EXIT_FAIL,
    Verdict.ERROR: EXIT_ERROR,
}


def exit_of(verdict: Verdict) -> int:
    """The exit code of one scenario's verdict."""
    return _EXIT_OF[verdict]


def exit_over(codes: list[int]) -> int:
    """The one exit code over all scenarios and rigs: 1 beats 130 beats 4 beats 3 beats 0.

    Raises ValueError on a code that no run can end with.
    """
    unknown = [code for code in codes if code not in _BEATS]
    if unknown:
        raise ValueError(f"no exit code of a run: {unknown[0]}")
    return min(codes, key=_BEATS.index, default=EXIT_PASS)


@dataclass(frozen=True, slots=True)
class VerdictLook:
    """`console`: a style of the terminal. `light`, `dark`, `printed`: colours of the record's three grounds. `sign`:
    what an SVG symbol of 24 x 24 units draws in the verdict's colour."""

    console: str
    light: str
    dark: str
    printed: str
    sign: str


_RING = '<circle cx="12" cy="12" r="10" fill="none" stroke="currentColor" stroke-width="2.4"{}></circle>'
_LINE = '<path d="{}" fill="none" stroke="{}" stroke-width="{}"{}></path>'
_DOT = '<circle cx="12" cy="{}" r="1.5" fill="currentColor"></circle>'


LOOKS: dict[Verdict, VerdictLook] = {
    Verdict.PASS: VerdictLook(
        "bold green", "#0a6340", "#5ed6a0", "#0a6340",
        _RING.format("") + _LINE.format("M7 12.5l3.5 3.5 6.5-8", "currentColor", 2.8, ""),
    ),
    Verdict.INCONCLUSIVE: VerdictLook(
        "bold magenta", "#5b3f9e", "#c0a8ff", "#5b3f9e",
        _RING.format(' stroke-dasharray="4.2 3.65"')
        + _LINE.format("M8.7 9.6a3.3 3.3 0 1 1 4.9 2.9c-1.1.6-1.6 1.2-1.6 2.3", "currentColor", 2.4, "")
        + _DOT.format(17.6),
    ),
    Verdict.FAIL: VerdictLook(
        "bold red", "#a93200", "#ff9468", "#a93200",
        '<path d="M12 1l11 11-11 11L1 12z" fill="currentColor"></path>'
        + _LINE.format("M8.2 8.2l7.6 7.6M15.8 8.2l-7.6 7.6", "var(--paper)", 2.6, ""),
    ),
    Verdict.ERROR: VerdictLook(
        "bold yellow", "#7a4f00", "#ffcb5e", "#6b4500",
        _LINE.format("M12 2.2L23 21.5H1z", "currentColor", 2.2, ' stroke-linejoin="round"')
        + _LINE.format("M12 9v6", "currentColor", 2.6, "")
        + _DOT.format(18),
    ),
}  # fmt: skip


def console_style(verdict: Verdict) -> str:
    """The terminal's style of a verdict's word."""
    return LOOKS[verdict].console


def style_sheet() -> str:
    """The verdicts' colours as custom properties and classes of the record's page."""
    grounds = {
        ":root": [f"--{word}: {look.light};" for word, look in LOOKS.items()],
        "@media (prefers-color-scheme: dark) { :root": [f"--{word}: {look.dark};" for word, look in LOOKS.items()],
        "@media print { :root": [f"--{word}: {look.printed};" for word, look in LOOKS.items()],
    }
    lines = [
        f"{head} {{ {' '.join(colours)} }}" + (" }" if head.startswith("@") else "")
        for head, colours in grounds.items()
    ]
    lines += [f".v-{word} {{ --tone: var(--{word}); }}" for word in LOOKS]
    return "\n".join(lines) + "\n"


def symbols() -> str:
    """The signs as SVG symbols, to be used by `#sign-pass` and so on."""
    return "\n".join(
        f'  <symbol id="sign-{word}" viewBox="0 0 24 24">{look.sign}</symbol>' for word, look in LOOKS.items()
    )


WORST_FIRST = (Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE, Verdict.PASS)
"""A verdict overwrites those behind it in this row, never one before it."""


def worst(verdicts: Iterable[Verdict], default: Verdict = Verdict.PASS) -> Verdict:
    """The verdict over several findings, cycles, scenarios or runs; `default` where there is none."""
    return min(verdicts, key=WORST_FIRST.index, default=default)


def badness(verdict: Verdict) -> int:
    """A key to sort by: the worst comes first."""
    return WORST_FIRST.index(verdict)
