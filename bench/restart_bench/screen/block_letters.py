"""Words large enough to be read from the back of a classroom: letters five rows high, drawn by hand."""

from __future__ import annotations

ROWS = 5
_WORD_GAPS = (3, 2)  # the narrower one only where the wider does not fit

_FONT: dict[str, tuple[str, str, str, str, str]] = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "F": ("#####", "#    ", "#### ", "#    ", "#    "),
    "I": ("###", " # ", " # ", " # ", "###"),
    "K": ("#   #", "#  # ", "###  ", "#  # ", "#   #"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    "B": ("#### ", "#   #", "#### ", "#   #", "#### "),
    "C": (" ####", "#    ", "#    ", "#    ", " ####"),
    "G": (" ####", "#    ", "#  ##", "#   #", " ####"),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "J": ("   ##", "    #", "    #", "#   #", " ### "),
    "Q": (" ### ", "#   #", "#   #", "#  # ", " ## #"),
    "V": ("#   #", "#   #", "#   #", " # # ", "  #  "),
    "X": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
    "Z": ("#####", "   # ", "  #  ", " #   ", "#####"),
    "0": (" ### ", "#  ##", "# # #", "##  #", " ### "),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("#### ", "    #", " ### ", "#    ", "#####"),
    "3": ("#### ", "    #", " ### ", "    #", "#### "),
    "4": ("#   #", "#   #", "#####", "    #", "    #"),
    "5": ("#####", "#    ", "#### ", "    #", "#### "),
    "6": (" ### ", "#    ", "#### ", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", " ### ", "#   #", " ### "),
    "9": (" ### ", "#   #", " ####", "    #", " ### "),
    "?": (" ### ", "#   #", "  ## ", "     ", "  #  "),
    "-": ("     ", "     ", "#####", "     ", "     "),
    ".": ("  ", "  ", "  ", "  ", "# "),
}


def block_letters(text: str, ink: str = "█", across: int = 1, word_gap: int = _WORD_GAPS[0]) -> list[str]:
    """Five lines that show `text`; `across` widens each dot. All lines are equally long.

    Raises KeyError on a letter that has not been drawn.
    """
    words = [[_FONT[letter] for letter in word] for word in text.upper().split()]
    lines = []
    for row in range(ROWS):
        dots = (" " * word_gap).join(" ".join(letter[row] for letter in word) for word in words)
        lines.append("".join((ink if dot == "#" else " ") * across for dot in dots))
    return lines


def can_be_drawn(text: str) -> bool:
    """True where every letter has been drawn, and there is one."""
    return bool(text.strip()) and all(letter in _FONT for letter in text.upper() if letter != " ")


def largest_that_fits(text: str, width: int, height: int, ink: str = "█") -> list[str]:
    """`text` in the largest block letters that fit: dots twice as wide, also twice as high; the first word above the
    others where that makes them larger. Plain where none fits."""
    first, _, rest = text.partition(" ")
    candidates = [[line for line in block_letters(text, ink, 2) for _ in range(2)]]
    if rest:
        candidates.append([*_centred(block_letters(first, ink, 2), block_letters(rest, ink, 2))])
    candidates.append(block_letters(text, ink, 2))
    candidates += [block_letters(text, ink, 1, gap) for gap in _WORD_GAPS]
    fitting = (lines for lines in candidates if len(lines[0]) <= width and len(lines) <= height)
    return next(fitting, [text.upper()])


def _centred(upper: list[str], lower: list[str]) -> list[str]:
    """One word above the other, with an empty line between."""
    across = max(len(upper[0]), len(lower[0]))
    return [line.center(across) for line in (*upper, "", *lower)]
