"""Boolean conditions as IEC 61131-3 Structured Text writes them, read into nested tuples (`program.Expr`).

Precedence, highest first (IEC 61131-3, table of the operators of the ST language): parentheses, NOT, comparison
(`<`, `>`, `<=`, `>=`), equality (`=`, `<>`), AND (`&`), XOR, OR. Case does not matter.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from restart_bench.model.program import Expr
from restart_bench.model.units import UnitRefused

LONGEST_CHARACTERS = 4000
MOST_WORDS = 200  # each joins one level deeper, and whoever walks the tuples goes as deep
DEEPEST_PARENTHESES = 50
COMPARISONS = ("=", "<>", "<", "<=", ">", ">=")

_OPERAND = re.compile(
    r"""\s*(?:(?P<integer>[-+]?(?:2\#[01](?:_?[01])*|8\#[0-7](?:_?[0-7])*|16\#[0-9a-fA-F](?:_?[0-9a-fA-F])*
    |[0-9](?:_?[0-9])*)(?![\w\#.]))|(?P<name>[A-Za-z][A-Za-z0-9_]*)|(?P<parenthesis>\())""",
    re.VERBOSE,
)
_OPERATOR = re.compile(r"\s*(<>|<=|>=|[=<>&]|AND|XOR|OR)", re.IGNORECASE)
_BINDS = {"or": 1, "xor": 2, "and": 3, "=": 4, "<>": 4, "<": 5, "<=": 5, ">": 5, ">=": 5}  # 6: NOT

_FOREIGN = (
    ("&&", "write AND"),
    ("||", "write OR"),
    ("==", "write = (one sign)"),
    ("!=", "write <>"),
    (":=", "write = to compare; a condition assigns nothing"),
    ("!", "write NOT"),
    ("|", "write OR"),
    ("^", "write XOR"),
    ("~", "write NOT"),
    ("*", "write AND; conditions do not calculate"),
    ("+", "write OR; conditions do not calculate"),
    ("/", "write NOT; conditions do not calculate"),
)


def parse_condition(text: str) -> Expr:
    """The condition as a nested tuple; names are lower case.

    Raises Refused (a ValueError with a cure) where the text is no condition, and where a comparison stands
    between anything but names and integers.
    """
    if not text.strip():
        raise UnitRefused("there is no condition", "write one, like start_button AND NOT stop_button")
    if len(text) > LONGEST_CHARACTERS:
        raise UnitRefused(f"the condition has {len(text)} characters", "split it with a coil for each part")
    words = len(re.findall(r"[\w#]+", text))
    if words > MOST_WORDS:
        raise UnitRefused(f"the condition has {words} words", "split it with a coil for each part")
    if _depth(text) > DEEPEST_PARENTHESES:
        raise UnitRefused("the parentheses are nested too deeply", "split the condition with a coil for each part")
    expr = _Reading(text).whole()
    if expr[0] == "const" and not isinstance(expr[1], bool):
        raise UnitRefused(f"{text.strip()} is a number, not a condition", "compare it, like batch_count >= 5")
    _refuse_numbers_as_conditions(expr)
    return expr


def names_in(expr: Expr) -> Iterator[str]:
    """Every name of a condition, in the order in which they stand there."""
    if expr[0] == "name":
        yield expr[1]
        return
    for part in expr[1:]:
        if isinstance(part, tuple):
            yield from names_in(part)


def compared_names(expr: Expr) -> Iterator[str]:
    """Every name that stands on a side of a comparison."""
    for part in expr[1:]:
        if isinstance(part, tuple):
            if expr[0] in COMPARISONS and part[0] == "name":
                yield part[1]
            yield from compared_names(part)


def plain_names(expr: Expr) -> Iterator[str]:
    """Every name that is taken as off or on."""
    if expr[0] == "name":
        yield expr[1]
    elif expr[0] not in COMPARISONS:
        for part in expr[1:]:
            if isinstance(part, tuple):
                yield from plain_names(part)


def show_condition(expr: Expr) -> str:
    """The condition as Structured Text, with parentheses wherever one operation stands within another."""
    kind = expr[0]
    if kind == "const":
        return str(expr[1]).upper()
    if kind == "name":
        return str(expr[1])
    parts = [show_condition(part) if part[0] in ("const", "name") else f"({show_condition(part)})" for part in expr[1:]]
    return f"NOT {parts[0]}" if kind == "not" else f"{parts[0]} {kind.upper()} {parts[1]}"


class _Reading:
    """A condition under way, from left to right. What is written by hand here costs nothing to load."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0

    def whole(self) -> Expr:
        """All of the text."""
        expr = self._joined(1)
        if self.text[self.at :].strip():
            raise self._refusal()
        return _bare(expr)

    def _joined(self, loosest: int) -> Expr:
        """Operands with all operators between them that bind at least so tightly, the leftmost first."""
        left = self._operand()
        while (found := _OPERATOR.match(self.text, self.at)) is not None:
            sign = {"&": "and"}.get(found[1], found[1].lower())
            binds = _BINDS[sign]
            if binds < loosest:
                break
            self.at = found.end()
            right = self._joined(binds + 1)
            left = _comparison(sign, left, right) if sign in COMPARISONS else (sign, _bare(left), _bare(right))
        return left

    def _operand(self) -> Expr:
        """A name, a constant, what parentheses hold, or NOT and one of them."""
        found = _OPERAND.match(self.text, self.at)
        if found is None:
            raise self._refusal()
        self.at = found.end()
        if found["integer"]:
            return ("const", _integer(found["integer"]))
        if found["name"]:
            return ("not", _bare(self._operand())) if found["name"].upper() == "NOT" else _named(found["name"])
        inner = self._joined(1)
        if self.text[self.at :].lstrip()[:1] != ")":
            raise self._refusal()
        self.at = self.text.index(")", self.at) + 1
        return ("parenthesis", _bare(inner))

    def _refusal(self) -> UnitRefused:
        """What is wrong where the reading stopped, and the cure."""
        for sign, cure in _FOREIGN:
            if sign in self.text:
                return UnitRefused(f"{sign} is not a sign of a condition", cure)
        if self.text.count("(") != self.text.count(")"):
            return UnitRefused("the parentheses do not pair", "close each one that opens")
        rest = self.text[self.at :].split()
        if not rest:
            return UnitRefused("the condition ends too early", "write the name that is missing at its end")
        return UnitRefused(
            f"{rest[0]} was not expected at character {self.text.index(rest[0], self.at) + 1}",
            "join names with AND, OR, XOR and NOT, like (start_button OR auger) AND stop_button",
        )


def _named(word: str) -> Expr:
    """A name, or one of the two constants that are written as words."""
    if word.upper() in ("TRUE", "FALSE"):
        return ("const", word.upper() == "TRUE")
    if word.upper() in ("AND", "OR", "XOR"):
        raise UnitRefused(f"{word} has nothing to join", "write a name or a condition on both sides of it")
    if word.lower() in ("on", "off", "yes", "no"):
        constant = "TRUE" if word.lower() in ("on", "yes") else "FALSE"
        raise UnitRefused(f"{word} is no word of Structured Text", f"write {constant}, or a name, or NOT and a name")
    return ("name", word.lower())


def _bare(expr: Expr) -> Expr:
    """The expression without the parentheses around it."""
    return expr[1] if expr[0] == "parenthesis" else expr


def _comparison(sign: str, left: Expr, right: Expr) -> Expr:
    """A comparison of names and integers; anything else is refused with its cure."""
    for side in (_bare(left), _bare(right)):
        if side[0] == "not" and side is left:
            inner = show_condition(side[1])
            raise UnitRefused(
                f"NOT binds tighter than {sign}, so this compares NOT {inner}",
                f"write NOT ({inner} {sign} {show_condition(_bare(right))})",
            )
        if side[0] == "const" and isinstance(side[1], bool):
            other = show_condition(_bare(right if side is _bare(left) else left))
            wanted = side[1] if sign == "=" else not side[1]
            raise UnitRefused(
                f"{show_condition(side)} can't be compared", f"write {other if wanted else f'NOT {other}'} instead"
            )
        if side[0] not in ("name", "const"):
            raise UnitRefused(
                f"{show_condition(side)} is off or on and can't be compared by {sign}",
                "compare a name with a name or an integer",
            )
    return (sign, _bare(left), _bare(right))


def _refuse_numbers_as_conditions(expr: Expr) -> None:
    """An integer stands only beside a comparison sign."""
    if expr[0] in COMPARISONS:
        return
    for part in expr[1:]:
        if not isinstance(part, tuple):
            continue
        if part[0] == "const" and not isinstance(part[1], bool):
            cure = {0: "write FALSE", 1: "write TRUE"}.get(part[1], "compare it, like batch_count >= 5")
            raise UnitRefused(f"{part[1]} is a number, not a condition", cure)
        _refuse_numbers_as_conditions(part)


def _integer(text: str) -> int:
    """Integer literals of IEC 61131-3: decimal, or with base 2, 8 or 16, underscores between the digits."""
    sign = -1 if text.startswith("-") else 1
    digits = text.lstrip("+-").replace("_", "")
    if "#" in digits:
        base, digits = digits.split("#")
        return sign * int(digits, int(base))
    if len(digits) > 19:
        raise UnitRefused(f"{text} is too large", "write an integer of at most 19 digits")
    return sign * int(digits)


def _depth(text: str) -> int:
    """Deepest nesting of parentheses, chains of NOT counted too."""
    depth = deepest = 0
    for sign in text:
        depth += (sign == "(") - (sign == ")")
        deepest = max(deepest, depth)
    return max(deepest, len(re.findall(r"(?i)\bNOT\b", text)) // 4)
