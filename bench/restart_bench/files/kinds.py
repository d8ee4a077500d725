"""The kinds of value that suite files hold, as pydantic types: each reads one `Scalar` and tells editors its shape.

A value that can't be read raises the pydantic error "fault", with what was expected and the type's own cure in
its context; `validation` looks the better cure up in the one table.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeVar

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from restart_bench.files.tree import Scalar
from restart_bench.model import units
from restart_bench.model.rig import Value
from restart_bench.model.scenario import Level
from restart_bench.model.units import UnitRefused

AS_BEFORE: Literal["as before"] = "as before"

_ST_WORDS = """
 abs action and any array at bool by byte case char configuration const constant ctd ctu ctud date do dint dt dword
 else elsif en end_action end_case end_for end_function end_function_block end_if end_program end_repeat end_step
 end_struct end_transition end_type end_var end_while eno exit f_edge f_trig false for from function
 function_block if initial_step int interval interface len limit lint lreal lword max method min mod move mux
 namespace non_retain not of or priority program r_edge r_trig real repeat resource retain return rs rtc sel
 single sint sqrt sr step string struct super task then this time to tod tof ton tp transition true type udint uint
 ulint until usint var var_access var_config var_external var_global var_in_out var_input var_output var_temp
 while with word wstring xor
"""
_YAML_WORDS = "y n yes no on off true false null"
_COLUMNS = """
 cycle request sent_ns received_ns kind exception connection scenario case point before after not_before_ns
 not_after_ns counts verdict reason expectation figures rig date run
"""
_MARKS = "cut dark restored refused accepted answered good alive ready settled end"
_FILE_SYSTEMS = "con prn aux nul " + " ".join(f"com{n} lpt{n}" for n in range(10))

RESERVED: dict[str, str] = {
    **dict.fromkeys(_FILE_SYSTEMS.split(), "a name that Windows keeps for itself"),
    **dict.fromkeys(_COLUMNS.split(), "a column of the archive"),
    **dict.fromkeys(_YAML_WORDS.split(), "a word of YAML"),
    **dict.fromkeys(_ST_WORDS.split(), "a word of Structured Text"),
    **dict.fromkeys(_MARKS.split(), "a mark of the cycle"),
    "first_scan": "what every program knows as its first scan",
    "contact": "a word of proof_of_cut",
}

T = TypeVar("T")


def refuse(what: str, cure: str = "", expected: str = "", known: tuple[str, ...] = (), text: str = "") -> Exception:
    """The error that a validator raises for one value."""
    context = {"what": what, "cure": cure, "expected": expected, "known": known, "text": text}
    return PydanticCustomError("fault", "{what}", context)


def as_scalar(value: Any, expected: str) -> Scalar:
    """The value as a Scalar; plain Python values are taken as if written without quotes."""
    if isinstance(value, Scalar):
        return value
    if isinstance(value, dict):
        raise refuse(f"a mapping stands where {expected} is due", f"write {expected} alone", expected)
    if isinstance(value, list | tuple):
        raise refuse(f"a list stands where {expected} is due", f"write {expected} alone, without brackets", expected)
    return Scalar(value, "" if value is None else str(value), True, "", 0)


def _read(value: Any, expected: str, read: Callable[[str], T]) -> T:
    """Reads a text with one of the functions of `units`."""
    scalar = as_scalar(value, expected)
    try:
        return read(scalar.text)
    except UnitRefused as refused:
        raise refuse(refused.what, refused.cure, expected, text=scalar.text) from None


def read_number(value: Any, expected: str = "a number") -> int | float:
    """A number as it was written; what YAML would silently turn into another one is refused."""
    scalar = as_scalar(value, expected)
    text = scalar.text.strip()
    if isinstance(scalar.value, bool):
        raise refuse(f"{text} is off or on where {expected} is due", "write a number", expected)
    if not scalar.plain:
        raise refuse(f'"{text}" is text where {expected} is due', "write it without quotes", expected, text=text)
    if re.fullmatch(r"[-+]?0[0-9_]+|[-+]?[0-9]+(:[0-9]{1,2})+(\.[0-9]*)?", text):
        read = scalar.value if isinstance(scalar.value, int | float) else "text"
        raise refuse(f"{text} is read as {read} by YAML", "write the number without it", "number", text=text)
    if isinstance(scalar.value, int) and not scalar.text[:1].isalpha() and text.lower().startswith(("0x", "0b")):
        return scalar.value
    try:
        return units.parse_number(text.replace("_", "") if isinstance(scalar.value, int | float) else text)
    except UnitRefused as refused:
        if expected == "an address":
            cure = "an address is a whole number from 0 to 65535, counted from 0"
            raise refuse(f"{text.strip()} is not an address", cure, "address", text=text) from None
        raise refuse(refused.what, refused.cure, expected, text=text) from None


def whole_number(low: int, high: int, expected: str = "a whole number") -> Callable[[Any], int]:
    """A reader of whole numbers from `low` to `high`, both included."""

    def read(value: Any) -> int:
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        number = read_number(value, expected)
        text = str(value).strip()
        kind = "address" if expected == "an address" else expected
        if number != int(number):
            raise refuse(f"{text} is not {expected}", "write it without decimals", kind, text=text)
        if not low <= number <= high:
            raise refuse(f"{text} is outside {low}..{high}", f"write {expected} from {low} to {high}", kind, text=text)
        return int(number)

    return read


def read_address(value: Any) -> int:
    """A 0-based PDU address. From 40001 on it is in all likelihood an item number of the older notation, and must
    be written as hexadecimal if it is not."""
    address = whole_number(0, 65535, "an address")(value)
    if address >= 40001 and isinstance(value, Scalar) and not value.text.lower().startswith("0x"):
        raise refuse(f"{address} looks like an item number", "addresses count from 0", "address", text=str(address))
    return address


def read_on_off(value: Any) -> bool:
    """off or on, also as text and in any case; yes, no, true, false likewise."""
    scalar = as_scalar(value, "on or off")
    if isinstance(scalar.value, bool):
        return scalar.value
    word = scalar.text.strip().lower()
    if word in ("on", "yes", "true"):
        return True
    if word in ("off", "no", "false"):
        return False
    cure = {"0": "write off", "1": "write on"}.get(word, "write on or off")
    raise refuse(f"{scalar.text.strip()} is neither on nor off", cure, "on or off", text=scalar.text)


def read_value(value: Any) -> Value:
    """off, on or a number."""
    return _value(value, "on, off or a number", ("on", "off"))


def _value(value: Any, expected: str, known: tuple[str, ...]) -> Value:
    scalar = as_scalar(value, expected)
    text = scalar.text.strip()
    if isinstance(scalar.value, bool) or text.lower() in ("on", "off", "yes", "no", "true", "false"):
        return read_on_off(scalar)
    if not any(sign.isdigit() for sign in text):
        raise refuse(f"{text} is not {expected}", f"write {expected}", expected, known, text)
    return read_number(scalar, expected)


def read_proof(value: Any) -> Value:
    """A value that proves a cut; the words that may stand in its place are told where it can't be read."""
    return _value(value, "on, off, a number, falls, rises or lost", ("on", "off", "falls", "rises", "lost"))


def read_value_or_before(value: Any) -> Value | Literal["as before"]:
    """off, on, a number, or `as before`."""
    if value == AS_BEFORE or (isinstance(value, Scalar) and " ".join(value.text.split()) == AS_BEFORE):
        return AS_BEFORE
    return _value(value, "on, off, a number or as before", ("on", "off", AS_BEFORE))


def read_text(value: Any) -> str:
    """Text as it was written, whatever YAML takes it for."""
    text = as_scalar(value, "text").text.strip()
    if not text:
        raise refuse("there is no text", "write some, or delete the line", "text")
    return text


def _name(value: Any, pattern: str, kind: str, signs: str, reserved: bool) -> str:
    text = as_scalar(value, "a name").text.strip()
    if not re.fullmatch(pattern, text):
        lowered = re.sub(r"[^a-z0-9_]+", "_", text.lower()).strip("_")
        hint = f"write {lowered}" if re.fullmatch(r"[a-z][a-z0-9_]{0,31}", lowered) else "choose a shorter one"
        what = f"{text} is no name for a {kind}: a to z first, then {signs}, 32 characters at most"
        raise refuse(what, hint, "name", text=text)
    why = RESERVED.get(text)
    if why is not None and (reserved or text in _FILE_SYSTEMS.split()):
        raise refuse(f"{text} can't be a name: it is {why}", f"choose another, like {text}_1", "name")
    return text


def read_point_name(value: Any) -> str:
    """Name of a point, a group or program memory."""
    return _name(value, r"[a-z][a-z0-9_]{0,31}", "point", "a to z, 0 to 9 and _", True)


def read_plain_name(value: Any) -> str:
    """Name of a rig, a scenario or a device."""
    return _name(value, r"[a-z][a-z0-9_-]{0,31}", "rig, scenario or device", "a to z, 0 to 9, _ and -", False)


def read_pin(value: Any) -> str:
    """A pin of the computer's header, by its number or by a name of it."""
    text = read_text(value)
    if not re.fullmatch(r"[A-Za-z0-9]+([:_-][A-Za-z0-9]+)*", text):
        raise refuse(f"{text} is no pin", "write its GPIO number, or a name of the header: 17, GPIO17, BOARD11", "pin")
    return text


def read_bytes_text(value: Any) -> str:
    """A row of bytes as data sheets write them."""
    text = read_text(value)
    try:
        bytes.fromhex(text)
    except ValueError:
        raise refuse(f"{text} is no row of bytes", "write two hexadecimal digits each, in quotes: '3C 05'") from None
    return text


def read_host(value: Any) -> str:
    """An IP address in numbers: looking names up can block for seconds while the controller boots."""
    text = as_scalar(value, "an IP address").text.strip()
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        cure = "write the address in numbers, like 192.0.2.10 (looking a name up can block while a cut is timed)"
        raise refuse(f"{text} is not an IP address", cure, "host", text=text) from None


def read_duration(value: Any) -> int:
    """A duration in nanoseconds."""
    scalar = as_scalar(value, "a duration")
    if isinstance(value, int) and not isinstance(value, bool):
        return value  # nanoseconds already: what stands in a file comes as a Scalar
    try:
        return units.parse_duration(scalar.text)
    except UnitRefused as refused:
        what = refused.what
        if scalar.plain and re.fullmatch(r"[0-9]+(:[0-9]{1,2})+", scalar.text) and isinstance(scalar.value, int):
            what = f"{scalar.text} is read as {scalar.value} by YAML"
        raise refuse(what, refused.cure, "duration", text=scalar.text) from None


def positive_duration(value: Any) -> int:
    """A duration above 0."""
    ns = read_duration(value)
    if ns == 0:
        raise refuse("0 is no time at all", "write a duration above 0", "duration")
    return ns


def _each(value: Any, expected: str, one: Callable[[Scalar], tuple[T, ...]]) -> tuple[T, ...]:
    """The values of a scalar or of a list of scalars."""
    items = list(value) if isinstance(value, list | tuple) else [value]
    if not items:
        raise refuse("the list is empty", "write at least one value", expected)
    found: tuple[T, ...] = ()
    for item in items:
        found += one(as_scalar(item, expected))
        if len(found) > units.MOST_VALUES:
            raise refuse(f"makes more than {units.MOST_VALUES} values", "write fewer of them", expected)
    if len(set(found)) != len(found):
        raise refuse("a value stands twice", "write each value once (repeat: says how often)", expected)
    return found


def read_off_for(value: Any) -> tuple[int, ...]:
    """The off times of a cut in nanoseconds: a value, a list, or `A..B in N values`."""
    if isinstance(value, dict):
        raise refuse("a mapping stands where a duration is due", "write a duration, a list, or A..B in N values")

    def one(scalar: Scalar) -> tuple[int, ...]:
        if ".." not in scalar.text:
            return (positive_duration(scalar),)
        found = _read(scalar, "duration", lambda text: units.parse_values(text, units.parse_duration, units.spaced_ns))
        return tuple(positive_duration(Scalar(ns, f"{ns // 1000} us", True, "", 0)) if ns == 0 else ns for ns in found)

    return _each(value, "a duration", one)


def read_span(value: Any) -> tuple[int, int]:
    """`5 ms..200 ms`: two durations in nanoseconds, the shorter one first."""
    scalar = as_scalar(value, "a range of durations")
    if ".." not in scalar.text:
        raise refuse(f"{scalar.text} is no range", "write the shortest and the longest, like 5 ms..200 ms", "duration")
    low, high = _read(scalar, "duration", lambda text: units.parse_range(text, units.parse_duration))
    if low in (0, high):
        what = "0 is no time at all" if low == 0 else f"nothing lies between the two ends of {scalar.text}"
        raise refuse(what, "write the shortest and the longest, like 5 ms..200 ms", "duration")
    return low, high


read_count = whole_number(1, 1000)


def read_at(value: Any) -> tuple[tuple[int, int], ...]:
    """When the cut falls: pairs of shortest and longest delay in nanoseconds, equal where nothing is drawn."""

    def one(scalar: Scalar) -> tuple[tuple[int, int], ...]:
        drawn = _read(scalar, "duration", units.parse_random)
        if drawn is not None:
            return (drawn,)
        if ".." not in scalar.text:
            ns = read_duration(scalar)
            return ((ns, ns),)
        found = _read(scalar, "duration", lambda text: units.parse_values(text, units.parse_duration, units.spaced_ns))
        return tuple((ns, ns) for ns in found)

    return _each(value, "a duration", one)


def read_level(value: Any) -> tuple[Level, ...]:
    """Levels of a dip: percentages of nominal or volts."""

    def one(scalar: Scalar) -> tuple[Level, ...]:
        if "%" in scalar.text:
            shares = _read(scalar, "level", lambda text: units.parse_values(text, units.parse_percentage, units.spaced))
            return tuple(Level(fraction=share, text=f"{share * 100:g} %") for share in shares)
        volts = _read(scalar, "level", lambda text: units.parse_values(text, units.parse_volts, units.spaced))
        return tuple(Level(volts=volt, text=f"{volt:g} V") for volt in volts)

    return _each(value, "a level", one)


def read_window(value: Any) -> tuple[int, int]:
    """`[30 s, 60 s]`: not earlier than the first, not later than the second, in nanoseconds."""
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise refuse("two durations are due", "write both in brackets, like [30 s, 60 s]", "window")
    low, high = read_duration(value[0]), read_duration(value[1])
    if high <= low:
        raise refuse("the window runs backwards", "write the earlier time first", "window")
    return low, high


def read_change(value: Any) -> tuple[float, float]:
    """`0..1` or `2`: the least and the largest change, both included."""
    scalar = as_scalar(value, "a range of numbers")
    if ".." in scalar.text:
        return _read(scalar, "number", lambda text: units.parse_range(text, units.parse_number))
    number = read_number(scalar)
    return number, number


def read_percentage(value: Any) -> float:
    """A fraction above 0 and below 1, written as a percentage."""
    fraction: float = _read(value, "percentage", units.parse_percentage)
    if not 0 < fraction < 1:
        raise refuse("nothing can show 0 % or 100 %", "write a percentage between them, like 95 %", "percentage")
    return fraction


def read_volts(value: Any) -> float:
    """Volts above 0."""
    volts: float = _read(value, "voltage", units.parse_volts)
    if volts <= 0:
        raise refuse("0 V is no voltage", "write it like 24 V", "voltage")
    return volts


def choice(*words: str) -> Callable[[Any], str]:
    """A reader of one of some words; `on` and `off`, or `yes` and `no`, also in YAML's other spellings."""

    def read(value: Any) -> str:
        scalar = as_scalar(value, "a word")
        text = " ".join(scalar.text.split())
        if text in words:
            return text
        if isinstance(scalar.value, bool) or text.lower() in ("on", "off", "yes", "no", "true", "false"):
            pair = ("on", "yes") if read_on_off(scalar) else ("off", "no")
            if (word := next((one for one in pair if one in words), None)) is not None:
                return word
        raise refuse(f"{text} is not known here", f"write one of: {', '.join(words)}", "word", words, text)

    return read


@dataclass(frozen=True, eq=False)
class As:
    """How a value is read, the shape that editors are told, and an example: metadata of an annotated type."""

    read: Callable[[Any], Any]
    shape: dict[str, Any]
    example: Any = None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_before_validator_function(self.read, handler(source))

    def __get_pydantic_json_schema__(self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler) -> Any:
        return dict(self.shape)


_ON_OFF = {
    "type": "string",
    "pattern": "^([Oo][Nn]|[Oo][Ff][Ff]|[Yy][Ee][Ss]|[Nn][Oo]|[Tt][Rr][Uu][Ee]|[Ff][Aa][Ll][Ss][Ee])$",
}
_ONE_VALUE: list[Any] = [{"type": ["boolean", "number"]}, _ON_OFF]
_DURATION = {"type": "string", "pattern": r"^\s*([0-9]+(\.[0-9]+)?\s*(us|µs|ms|s|min|h|d)\s*)+$"}
_OR_0: list[Any] = [_DURATION, {"const": 0}]
_TIME: dict[str, Any] = {"anyOf": [{"type": "string"}, {"const": 0}]}
_SWEEP_OR_0: list[Any] = [_TIME, {"type": "array", "items": _TIME, "minItems": 1}]
SWEEP: list[Any] = [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]
_BYTES = {"type": ["string", "integer"], "pattern": r"^\s*([0-9A-Fa-f]{2}\s*)+$", "minimum": 0}

KINDS: dict[str, As] = {
    "text": As(read_text, {"type": ["string", "number", "boolean"], "minLength": 1}, "as it is labelled"),
    "host": As(read_host, {"type": "string"}, "192.0.2.10"),
    "pin": As(read_pin, {"type": ["string", "integer"]}, 17),
    "point": As(read_text, {"type": "string", "pattern": "^[a-z][a-z0-9_-]*$"}, "auger"),
    "address": As(read_address, {"type": "integer", "minimum": 0, "maximum": 65535}, 0),
    "number": As(read_number, {"type": "number"}, 5),
    "value": As(read_value, {"anyOf": _ONE_VALUE}, "on"),
    "yes or no": As(read_on_off, {"anyOf": [{"type": "boolean"}, _ON_OFF]}, "yes"),
    "duration": As(read_duration, {"anyOf": _OR_0}, "200 ms"),
    "bytes": As(read_bytes_text, _BYTES, "3C 05 01 38"),
}
"""The kinds of value by the names that cards of drivers and of faults use; keys of our own files have them too."""

Text = Annotated[str, KINDS["text"]]
PointName = Annotated[str, As(read_point_name, {"type": "string", "pattern": "^[a-z][a-z0-9_]{0,31}$"})]
PlainName = Annotated[str, As(read_plain_name, {"type": "string", "pattern": "^[a-z][a-z0-9_-]{0,31}$"})]
PointRef = Annotated[str, KINDS["point"]]
Host = Annotated[str, KINDS["host"]]
Duration = Annotated[int, KINDS["duration"]]
PositiveDuration = Annotated[int, As(positive_duration, _DURATION)]
OnOff = Annotated[bool, KINDS["yes or no"]]
OneValue = Annotated[bool | int | float, KINDS["value"]]
ProofValue = Annotated[bool | int | float, As(read_proof, {"anyOf": _ONE_VALUE})]
ValueOrBefore = Annotated[
    bool | int | float | Literal["as before"],
    As(read_value_or_before, {"anyOf": [*_ONE_VALUE, {"const": AS_BEFORE}]}),
]
Number = Annotated[float, KINDS["number"]]
AddressText = Annotated[int, KINDS["address"]]
Count = Annotated[int, As(whole_number(1, 1_000_000_000), {"type": "integer", "minimum": 1})]
CountFrom0 = Annotated[int, As(whole_number(0, 1_000_000_000), {"type": "integer", "minimum": 0})]
Percentage = Annotated[float, As(read_percentage, {"type": "string", "pattern": r"^[0-9.]+\s*%$"})]
Volts = Annotated[float, As(read_volts, {"type": "string", "pattern": r"^[0-9.]+\s*m?V$"})]
AtTimes = Annotated[tuple[tuple[int, int], ...], As(read_at, {"anyOf": _SWEEP_OR_0})]
LevelsText = Annotated[tuple[Any, ...], As(read_level, {"anyOf": SWEEP})]
Between = Annotated[
    tuple[int, int], As(read_window, {"type": "array", "items": {"anyOf": _OR_0}, "minItems": 2, "maxItems": 2})
]
ChangeRange = Annotated[tuple[float, float], As(read_change, {"anyOf": [{"type": "number"}, {"type": "string"}]})]


def word(*known: str) -> As:
    """One of some words."""
    spellings: list[Any] = [*known]
    spellings += [True] if {"on", "yes"} & set(known) else []
    spellings += [False] if {"off", "no"} & set(known) else []
    return As(choice(*known), {"enum": spellings}, known[0])


def whole(low: int, high: int) -> As:
    """A whole number from `low` to `high`."""
    return As(whole_number(low, high), {"type": "integer", "minimum": low, "maximum": high}, low)


def lasting(least: int) -> As:
    """A duration of at least so many nanoseconds."""

    def read(value: Any) -> int:
        ns = read_duration(value)
        if ns < least:
            raise refuse("is too short", f"write at least {units.show_duration(least)}", "duration", text=str(value))
        return ns

    return As(read, KINDS["duration"].shape if least == 0 else _DURATION, units.show_duration(max(least, 200_000_000)))
