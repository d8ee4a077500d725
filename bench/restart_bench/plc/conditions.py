"""Boolean conditions as IEC 61131-3 Structured Text writes them, read into nested tuples (`program.Expr`).

Precedence, highest first (IEC 61131-3, table of the operators of the ST language): parentheses, NOT, comparison
(`<`, `>`, `<=`, `>=`), equality (`=`, `<>`), AND (`&`), XOR, OR. Case does not matter.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from restart_bench.model.program import Expr
from restart_bench.model.units import UnitRefused

if TYPE_CHECKING:
    from lark import Lark

LONGEST_CHARACTERS = 4000
MOST_WORDS = 200  # each joins one level deeper, and whoever walks the tuples goes as deep
DEEPEST_PARENTHESES = 50
COMPARISONS = ("=", "<>", "<", "<=", ">", ">=")

GRAMMAR = r"""
?start: or
?or: xor | or "OR"i xor -> or_
?xor: and | xor "XOR"i and -> xor_
?and: equality | and ("AND"i | "&") equality -> and_
?equality: comparison | equality EQUALITY comparison -> compared
?comparison: unary | comparison ORDER unary -> compared
?unary: atom | "NOT"i unary -> not_
?atom: NAME -> name | INTEGER -> integer | "TRUE"i -> true | "FALSE"i -> false | "(" or ")" -> parenthesis
EQUALITY: "<>" | "="
ORDER: "<=" | ">=" | /<(?!>)/ | ">"
INTEGER: /[-+]?(2#[01](_?[01])*|8#[0-7](_?[0-7])*|16#[0-9a-fA-F](_?[0-9a-fA-F])*|[0-9](_?[0-9])*)(?![\w#.])/
NAME: /[A-Za-z][A-Za-z0-9_]*/
%ignore /\s+/
"""

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
    from lark.exceptions import UnexpectedInput, VisitError

    if not text.strip():
        raise UnitRefused("there is no condition", "write one, like start_button AND NOT stop_button")
    if len(text) > LONGEST_CHARACTERS:
        raise UnitRefused(f"the condition has {len(text)} characters", "split it with a coil for each part")
    words = len(re.findall(r"[\w#]+", text))
    if words > MOST_WORDS:
        raise UnitRefused(f"the condition has {words} words", "split it with a coil for each part")
    if _depth(text) > DEEPEST_PARENTHESES:
        raise UnitRefused("the parentheses are nested too deeply", "split the condition with a coil for each part")
    try:
        parsed: Any = _parser().parse(text)
    except VisitError as error:
        if isinstance(error.orig_exc, UnitRefused):
            raise error.orig_exc from None
        raise
    except UnexpectedInput as error:
        raise _refusal(text, error) from None
    expr = _bare(parsed)
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


def comparisons_in(expr: Expr) -> Iterator[Expr]:
    """Every comparison of a condition."""
    if expr[0] in COMPARISONS:
        yield expr
        return
    for part in expr[1:]:
        if isinstance(part, tuple):
            yield from comparisons_in(part)


def compared_names(expr: Expr) -> Iterator[str]:
    """Every name that stands on a side of a comparison."""
    return (side[1] for one in comparisons_in(expr) for side in one[1:] if side[0] == "name")


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


@cache
def _parser() -> Lark:
    """The parser, loaded at first use; made of the grammar where the table is of another one, or another library's."""
    from lark import Lark, Transformer, v_args

    @v_args(inline=True)
    class Tuples(Transformer[Any, Any]):
        """Makes tuples bottom-up while parsing, so that no depth of nesting can exhaust the stack."""

        def or_(self, left: Expr, right: Expr) -> Expr:
            return ("or", _bare(left), _bare(right))

        def xor_(self, left: Expr, right: Expr) -> Expr:
            return ("xor", _bare(left), _bare(right))

        def and_(self, left: Expr, right: Expr) -> Expr:
            return ("and", _bare(left), _bare(right))

        def not_(self, operand: Expr) -> Expr:
            return ("not", _bare(operand))

        def compared(self, left: Expr, sign: str, right: Expr) -> Expr:
            return _comparison(str(sign), left, right)

        def parenthesis(self, inner: Expr) -> Expr:
            return ("parenthesis", _bare(inner))

        def name(self, token: str) -> Expr:
            if token.upper() in ("AND", "OR", "XOR", "NOT"):
                raise UnitRefused(f"{token} has nothing to join", "write a name or a condition on both sides of it")
            if token.lower() in ("on", "off", "yes", "no"):
                word = "TRUE" if token.lower() in ("on", "yes") else "FALSE"
                raise UnitRefused(
                    f"{token} is no word of Structured Text", f"write {word}, or a name, or NOT and a name"
                )
            return ("name", str(token).lower())

        def integer(self, token: str) -> Expr:
            return ("const", _integer(str(token)))

        def true(self) -> Expr:
            return ("const", True)

        def false(self) -> Expr:
            return ("const", False)

    kept = kept_table()
    if made_of() == kept.pop("made_of"):
        library: Any = Lark
        parser: Lark = library._load_from_dict(**kept, transformer=Tuples())
        return parser
    return Lark(GRAMMAR, parser="lalr", transformer=Tuples(), maybe_placeholders=False)


def made_of() -> list[str | int]:
    """What a table of the parser depends on: the library's version, and the grammar."""
    import lark

    return [lark.__version__, zlib.crc32(GRAMMAR.encode())]


def kept_table() -> dict[Any, Any]:
    """What the library makes of the grammar, which takes it some time, and `made_of` for this table. Written by
    tests/helpers/condition_table.py."""
    text = Path(__file__).with_name("condition_table.json").read_text(encoding="utf-8")
    kept: dict[Any, Any] = json.loads(
        text, object_hook=lambda told: {int(key) if key.isdecimal() else key: value for key, value in told.items()}
    )
    return kept


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


def _refusal(text: str, error: Any) -> UnitRefused:
    """What is wrong where the parser stopped, and the cure."""
    for sign, cure in _FOREIGN:
        if sign in text:
            return UnitRefused(f"{sign} is not a sign of a condition", cure)
    if text.count("(") != text.count(")"):
        return UnitRefused("the parentheses do not pair", "close each one that opens")
    place = error.pos_in_stream if error.pos_in_stream is not None else len(text)
    rest = text[place:].split()
    if not rest or place < 0 or getattr(getattr(error, "token", None), "type", "") == "$END":
        return UnitRefused("the condition ends too early", "write the name that is missing at its end")
    member = re.search(r"(\w+)\.Q\Z", text[: place + 2], re.IGNORECASE)
    if member is not None:  # as Structured Text has it
        cure = f"a timer's bare name is its Q: write {member[1]}"
        return UnitRefused(f".Q was not expected at character {place + 1}", cure)
    return UnitRefused(
        f"{rest[0]} was not expected at character {place + 1}",
        "join names with AND, OR, XOR and NOT, like (start_button OR auger) AND stop_button",
    )
