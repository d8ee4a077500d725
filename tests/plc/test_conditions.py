"""Conditions in Structured Text (IEC 61131-3), read into nested tuples."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lark import Lark

from restart_bench.model.program import Expr
from restart_bench.model.units import UnitRefused
from restart_bench.plc import conditions as reading
from restart_bench.plc.conditions import compared_names, names_in, parse_condition, plain_names, show_condition

A, B, C, D = (("name", one) for one in "abcd")


@pytest.mark.parametrize(
    ("text", "expr"),
    [
        ("a", A),
        ("NOT a", ("not", A)),
        ("a AND b", ("and", A, B)),
        ("a & b", ("and", A, B)),
        ("a XOR b", ("xor", A, B)),
        ("a OR b", ("or", A, B)),
        ("TRUE", ("const", True)),
        ("false", ("const", False)),
        (
            "(start_button OR auger) AND stop_button",
            ("and", ("or", ("name", "start_button"), ("name", "auger")), ("name", "stop_button")),
        ),
        ("a >= 5", (">=", A, ("const", 5))),
        ("-3 < a", ("<", ("const", -3), A)),
        ("a <> b", ("<>", A, B)),
        ("a = 16#FF", ("=", A, ("const", 255))),
        ("a = 2#1010_1010", ("=", A, ("const", 170))),
        ("a = 1_000", ("=", A, ("const", 1000))),
    ],
)
def test_each_operator_makes_its_tuple(text: str, expr: Expr) -> None:
    """The forms of the README's program model; integer literals as IEC 61131-3 writes them (underscores, bases)."""
    assert parse_condition(text) == expr


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("a OR b XOR c", "a OR (b XOR c)"),
        ("a XOR b AND c", "a XOR (b AND c)"),
        ("a OR b AND c", "a OR (b AND c)"),
        ("NOT a AND b", "(NOT a) AND b"),
        ("NOT a OR b", "(NOT a) OR b"),
        ("a = 3 AND b", "(a = 3) AND b"),
        ("a AND b = 3", "a AND (b = 3)"),
        ("NOT NOT a", "NOT (NOT a)"),
        ("a AND b AND c", "(a AND b) AND c"),
        ("NOT (a = 3)", "NOT ((a) = (3))"),
        ("a or B And c", "A OR b AND C"),
    ],
)
def test_precedence_is_that_of_the_standard(text: str, same: str) -> None:
    """IEC 61131-3, operators of the ST language by precedence (from memory; table number not checked): parentheses,
    negation, comparison, AND, XOR, OR; equal ones from the left. Case does not matter."""
    assert parse_condition(text) == parse_condition(same)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("NOT a = 3", "NOT binds tighter than =, so this compares NOT a; write NOT (a = 3)"),
        ("a && b", "&& is not a sign of a condition; write AND"),
        ("a || b", "|| is not a sign of a condition; write OR"),
        ("!a", "! is not a sign of a condition; write NOT"),
        ("a == 3", "== is not a sign of a condition; write = (one sign)"),
        ("a != 3", "!= is not a sign of a condition; write <>"),
        ("a := b", ":= is not a sign of a condition; write = to compare; a condition assigns nothing"),
        ("(a", "the parentheses do not pair; close each one that opens"),
        ("a AND", "the condition ends too early; write the name that is missing at its end"),
        ("", "there is no condition; write one, like start_button AND NOT stop_button"),
        ("5", "5 is a number, not a condition; compare it, like batch_count >= 5"),
        ("a AND 1", "1 is a number, not a condition; write TRUE"),
        ("NOT 0", "0 is a number, not a condition; write FALSE"),
        ("a = TRUE", "TRUE can't be compared; write a instead"),
        ("a = FALSE", "FALSE can't be compared; write NOT a instead"),
        ("on", "on is no word of Structured Text; write TRUE, or a name, or NOT and a name"),
        ("(a AND b) > 3", "a AND b is off or on and can't be compared by >; compare a name with a name or an integer"),
        ("AND", "AND has nothing to join; write a name or a condition on both sides of it"),
        (
            "a b",
            "b was not expected at character 3; join names with AND, OR, XOR and NOT, "
            "like (start_button OR auger) AND stop_button",
        ),
        (
            "a AND valve_delay.Q",
            ".Q was not expected at character 18; a timer's bare name is its Q: write valve_delay",
        ),
        (
            "(" * 60 + "a" + ")" * 60,
            "the parentheses are nested too deeply; split the condition with a coil for each part",
        ),
        ("&".join("a" * 1999), "the condition has 1999 words; split it with a coil for each part"),
        ("a OR " * 1000 + "a", "the condition has 5001 characters; split it with a coil for each part"),
    ],
)
def test_what_is_no_condition_is_refused_with_its_cure(text: str, says: str) -> None:
    """Signs of other languages, numbers, open parentheses: each says what to write."""
    with pytest.raises(UnitRefused) as refused:
        parse_condition(text)
    assert str(refused.value) == says


def value_of(expr: Expr, values: Mapping[str, bool]) -> bool:
    """The condition's value, worked out here once more and as simply as possible."""
    kind = expr[0]
    if kind == "const":
        return bool(expr[1])
    if kind == "name":
        return values[expr[1]]
    parts = [value_of(part, values) for part in expr[1:]]
    return {"not": not parts[0], "and": all(parts), "or": any(parts), "xor": parts[0] != parts[-1]}[kind]


conditions = st.recursive(
    st.sampled_from("abcd"),
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from(["AND", "OR", "XOR"]), inner).map(" ".join),
        inner.map(lambda one: f"({one})"),
        inner.map(lambda one: f"NOT {one}"),
    ),
    max_leaves=12,
)


@given(conditions, st.fixed_dictionaries(dict.fromkeys("abcd", st.booleans())))
def test_a_condition_means_what_python_makes_of_the_same_words(text: str, values: dict[str, bool]) -> None:
    """Outside check: Python's ~, &, ^ and | bind in the order that the standard gives NOT, AND, XOR and OR."""
    python = text.replace("AND", "&").replace("XOR", "^").replace("OR", "|").replace("NOT", "~")
    wide = {name: -1 if value else 0 for name, value in values.items()}  # all bits alike, so that ~ is NOT
    assert value_of(parse_condition(text), values) is bool(eval(python, {}, wide))


@given(conditions)
def test_a_shown_condition_reads_back_as_itself(text: str) -> None:
    """Showing loses nothing."""
    expr = parse_condition(text)
    assert parse_condition(show_condition(expr)) == expr


WORDS = "a b and AND OR XOR NOT ( ) ( ) = <> < <= >= & 5 2#101 TRUE false on . é"
words = st.lists(st.sampled_from(WORDS.split()), max_size=12).map(" ".join)


@pytest.fixture(scope="module")
def of_the_grammar() -> Lark:
    """The parser without the table that is kept of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "kept_table", lambda: {"made_of": None})
        return reading._parser.__wrapped__()


def _read_or_refused(text: str) -> Expr | str:
    try:
        return parse_condition(text)
    except UnitRefused as refused:
        return str(refused)


@given(st.one_of(conditions, words))
def test_the_table_of_the_parser_is_that_of_its_grammar(of_the_grammar: Lark, text: str) -> None:
    """Whatever is written: the same condition, or the same words about what is wrong with it. Where this fails,
    `python tests/helpers/condition_table.py` writes the table anew."""
    assert reading.made_of() == reading.kept_table()["made_of"]
    by_table = _read_or_refused(text)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "_parser", lambda: of_the_grammar)
        assert _read_or_refused(text) == by_table


@given(st.text(alphabet="abAND ORXT()=<>&19#_-.é\n", max_size=40))
def test_any_text_is_a_condition_or_refused(text: str) -> None:
    """No text makes the reader fail otherwise."""
    with suppress(UnitRefused):
        parse_condition(text)


def test_names_are_told_by_how_they_are_used() -> None:
    """A name beside a comparison sign is a number, any other is off or on."""
    expr = parse_condition("a AND NOT (b > 3 OR c = b) XOR d")
    assert sorted(set(names_in(expr))) == ["a", "b", "c", "d"]
    assert set(compared_names(expr)) == {"b", "c"}
    assert set(plain_names(expr)) == {"a", "d"}
