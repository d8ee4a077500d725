"""Words large enough to be read from the back of a classroom: letters five rows high, drawn by hand."""

from __future__ import annotations

ROWS = 5
_WORD_GAP = 3

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
}


def block_letters(text: str, ink: str = "█", across: int = 1) -> list[str]:
    """Five lines that show `text`; `across` widens each dot. All lines are equally long.

    Raises KeyError on a letter that has not been drawn.
    """
    words = [[_FONT[letter] for letter in word] for word in text.upper().split()]
    lines = []
    for row in range(ROWS):
        dots = (" " * _WORD_GAP).join(" ".join(letter[row] for letter in word) for word in words)
        lines.append("".join((ink if dot == "#" else " ") * across for dot in dots))
    return lines


def largest_that_fits(text: str, width: int, height: int, ink: str = "█") -> list[str]:
    """`text` in the largest block letters that fit (dots twice as wide, also twice as high); plain where none do."""
    for across, down in ((2, 2), (2, 1), (1, 1)):
        lines = block_letters(text, ink, across)
        if len(lines[0]) <= width and ROWS * down <= height:
            return [line for line in lines for _ in range(down)]
    return [text.upper()]
