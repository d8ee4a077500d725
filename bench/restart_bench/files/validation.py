"""What all models of written files share: their base, a key with its help and example, and the way from what
pydantic refuses to faults with file, line and cure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, Tag, ValidationError
from pydantic.fields import FieldInfo

from restart_bench.files.cures import KEY, ON_OFF, VALUE, Refusal, closest, cure_for, cure_of, row_for
from restart_bench.files.faults import Fault, shown_path
from restart_bench.files.tree import Block, Scalar, Tree, TreeList, place_of
from restart_bench.model.units import NO_UNIT

KeyPath = tuple[str | int, ...]
_PLAIN = re.compile(r"[\w./(-](?:(?![,:#] |[{}\[\]\"]).)*")  # what YAML's short form takes for text without quotes


class Written(BaseModel):
    """A mapping as people write it: no key that is not known."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    def has(self, name: str) -> bool:
        """True if the field was written (and not left to its default)."""
        return name in self.model_fields_set


Model = TypeVar("Model", bound=Written)
Entry = TypeVar("Entry")


def key(help_text: str, example: Any, default: Any = ..., alias: str | None = None) -> Any:
    """A key of a file: its help and an example for editors, and its default (required if there is none)."""
    return Field(default, description=help_text, examples=[example], alias=alias)


@dataclass(slots=True)
class Ledger:
    """The faults and warnings of one file, each at its place. A fault at a path at, above or under one that is
    faulty already is left out: it would only follow from it."""

    tree: Block
    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)
    paths: set[KeyPath] = field(default_factory=set)
    rest: Block | None = None  # the tree without its faulty parts

    def fault(self, path: KeyPath, text: str, cure: str) -> None:
        """Notes one fault."""
        if not self.is_faulty(path):
            self.also(path, text, cure)

    def also(self, path: KeyPath, text: str, cure: str) -> None:
        """Notes a fault beside others at the same path."""
        self.faults.append(self._at(path, text, cure))
        self.paths.add(path)

    def warn(self, path: KeyPath, text: str, cure: str) -> None:
        """Notes one warning."""
        if not self.is_faulty(path):
            self.warnings.append(self._at(path, text, cure))

    def is_faulty(self, path: KeyPath) -> bool:
        """True if something is wrong at, above or under this path."""
        return any(path[: len(other)] == other or other[: len(path)] == path for other in self.paths)

    def take_back(self, path: KeyPath) -> None:
        """Takes back the faults at exactly this path: a better one follows."""
        shown = shown_path(path)
        self.faults[:] = [fault for fault in self.faults if fault.path != shown]

    def line(self, path: KeyPath) -> int:
        """The line of a value."""
        return place_of(self.tree, path)[1]

    def entries(self, path: KeyPath, found: Sequence[Entry]) -> Iterator[tuple[KeyPath, Entry]]:
        """The entries of a list with their paths in the file, faulty ones left out."""
        row = tree_at(self.rest, path) if self.rest is not None else None
        numbers = row.numbers if isinstance(row, _Rest) else range(len(found))
        for number, entry in zip(numbers, found, strict=False):
            yield (*path, number), entry

    def _at(self, path: KeyPath, text: str, cure: str) -> Fault:
        file, line = place_of(self.tree, path)
        return Fault(file, line, shown_path(path), text, cure)


class _Rest(TreeList):
    """A list from which faulty entries were taken out; `numbers` are the places of the others in the file."""

    numbers: list[int]


def validated(tree: Block, model: type[Model], ledger: Ledger, stand_ins: dict[str, Any]) -> Model | None:
    """The model of a tree. What is faulty is noted and left out, so that the rest can be checked as well.

    `stand_ins` are values for keys of the first level that are required; they only serve to go on after the fault
    was noted. None where nothing can be made of the rest.
    """
    _note_empty_values(tree, ledger, ())
    rest: Block = _copied(tree)
    ledger.rest = rest
    for _ in range(20):
        try:
            return model.model_validate(rest)
        except ValidationError as error:
            faulty = [(one, *_paths_of(one["loc"], rest)) for one in error.errors(include_url=False)]
        for one, _, path in faulty:
            _note(one, path, tree, model, ledger)
        targets = {_left_out(rest, place, one, stand_ins) for one, place, _ in faulty}
        # the deepest and last first, so that no place shifts before its turn
        removed = [_leave_out(rest, target) for target in sorted(targets, key=_depth_first, reverse=True)]
        if not any(removed):
            return None
    return None


_CUT_IN_TWO = ("decimal comma", "list without brackets", "comma in unquoted text")
"""Cures of a value whose second half was taken for a key."""


def unknown_key(path: KeyPath, known: Iterable[str], ledger: Ledger) -> None:
    """Notes the key at the end of `path` as unknown, with what was probably meant."""
    block = tree_at(ledger.tree, path[:-1])
    name = str(path[-1])
    before = None
    bare = False
    if isinstance(block, Block) and name in block:
        bare = name in block.bare
        keys = list(block)
        front = keys[max(keys.index(name) - 1, 0)]
        if front != name and isinstance(block[front], Scalar):
            before = (front, str(block[front].text))
    refusal = Refusal(KEY, "key", name, known=tuple(known), before=before, no_value=bare)
    row = row_for(refusal)
    cure = cure_of(row, refusal)
    if bare and before is not None and row is not None and row.name in _CUT_IN_TWO:
        at = (*path[:-1], before[0])
        ledger.take_back(at)
        ledger.also(at, f"{before[1]}, {name} is cut in two at the comma", cure)
        ledger.paths.add(path)
    else:
        ledger.fault(path, "unknown key", cure)


def tree_at(tree: Tree | None, path: KeyPath) -> Any:
    """What stands at a path, None where nothing does."""
    at: Any = tree
    for part in path:
        if isinstance(at, Block) and part in at:
            at = at[str(part)]
        elif isinstance(at, TreeList) and isinstance(part, int) and part < len(at):
            at = at[part]
        else:
            return None
    return at


def keys_of(model: type[Written]) -> tuple[str, ...]:
    """The keys of a model as they are written."""
    return tuple(info.alias or name for name, info in model.model_fields.items())


def field_of(model: type[Written], written: str) -> FieldInfo | None:
    """The field of a key as it is written."""
    return next((info for name, info in model.model_fields.items() if (info.alias or name) == written), None)


def flow(value: Any) -> str:
    """A value in YAML's short form, as examples show it."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name}: {flow(one)}" for name, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(one) for one in value) + "]"
    if isinstance(value, bool):
        return "on" if value else "off"
    text = str(value)
    return text if _PLAIN.fullmatch(text) else f'"{text}"'


def _copied(tree: Any) -> Any:
    """Blocks and lists anew (scalars shared), so that parts can be left out without touching the tree."""
    if isinstance(tree, Block):
        block = Block(tree.file, tree.line)
        for name, value in tree.items():
            block.put(name, _copied(value), *tree.keys_at[name])
        block.bare = tree.bare
        return block
    if isinstance(tree, TreeList):
        row = _Rest(tree.file, tree.line)
        row.extend(_copied(value) for value in tree)
        row.numbers = list(range(len(row)))
        return row
    return tree


def _paths_of(loc: tuple[str | int, ...], rest: Tree) -> tuple[KeyPath, KeyPath]:
    """The path of an error in the rest and in the file: pydantic's location without the marks of its unions."""
    place: list[str | int] = []
    path: list[str | int] = []
    at: Any = rest
    for number, part in enumerate(loc):
        is_mark = part == "[key]" or (isinstance(part, str) and part.startswith("<") and part.endswith(">"))
        if is_mark and not (isinstance(at, Block) and part in at):
            continue
        in_row = isinstance(at, _Rest) and isinstance(part, int) and part < len(at)
        in_block = isinstance(at, Block) and part in at
        if in_row or in_block or number == len(loc) - 1:
            place.append(part)
            path.append(at.numbers[part] if in_row else part)
            at = at[part] if in_row or in_block else None
    return tuple(place), tuple(path)


def _note(error: Any, path: KeyPath, tree: Block, model: type[Written], ledger: Ledger) -> None:
    """One pydantic error as a fault."""
    kind = error["type"]
    context = error.get("ctx") or {}
    found = tree_at(tree, path)
    if kind == "extra_forbidden":
        inside = _model_at(model, error["loc"][:-1])
        unknown_key(path, keys_of(inside) if inside is not None else (), ledger)
    elif kind == "missing":
        inside = _model_at(model, error["loc"][:-1])
        misspelt = _misspelt(tree_at(tree, path[:-1]), str(path[-1]), keys_of(inside)) if inside is not None else ""
        if misspelt and inside is not None and inside.model_config.get("extra") != "forbid":
            unknown_key((*path[:-1], misspelt), keys_of(inside), ledger)
        if misspelt:
            return
        example = _example_at(model, (*error["loc"][:-1], path[-1]))
        ledger.fault(path, "is missing", f"add it, like {path[-1]}: {example}" if example else "add it")
    elif kind == "fault":
        text = context.get("text") or (found.text if isinstance(found, Scalar) else "")
        refusal = Refusal(
            VALUE, context.get("expected", ""), text, known=context.get("known", ()), default=context.get("cure", "")
        )
        if path and str(path[-1]).lower() in ON_OFF:
            unknown_key(path, (), ledger)
            return
        if (colon := _colon_forgotten(tree, path)) is not None:
            ledger.fault(path, "has no colon", f"write a colon and a space: {colon}")
            return
        cure = cure_for(refusal)
        if context["what"].endswith(NO_UNIT):
            cure = _in_usual_unit(text.strip(), _example_at(model, error["loc"])) or cure
        ledger.fault(path, context["what"], cure)
    elif kind in ("model_type", "model_attributes_type", "dict_type"):
        example = _example_at(model, (*error["loc"][:-1], *path[-1:])) or "{name: value}"
        ledger.fault(path, f"{_text(found)} stands where a mapping is due", f"write it like {example}")
    elif kind in ("list_type", "tuple_type"):
        example = _example_at(model, (*error["loc"][:-1], *path[-1:]))
        cure = f"write it {f'like {example}' if example else 'in brackets'}, or one entry a line with -"
        ledger.fault(path, f"{_text(found)} stands where a list is due", cure)
    elif kind == "too_short":
        ledger.fault(path, "is empty", "write at least one entry, or delete the key")
    else:
        ledger.fault(path, f"{_text(found)} can't be read ({error['msg']})", "restart-bench schema shows examples")


def _colon_forgotten(tree: Block, path: KeyPath) -> str | None:
    """`pump: on` where `{pump on, auger: on}` was written; None where the key has its colon."""
    around = tree_at(tree, path[:-1])
    if not isinstance(around, Block) or path[-1] not in around.bare:
        return None
    name, _, value = str(path[-1]).partition(" ")
    return f"{name}: {value.strip()}" if value.strip() else None


def _example_at(model: type[Written], loc: tuple[str | int, ...]) -> str:
    """The example of the key at a location, as a file has it; "" where it has none."""
    inside = _model_at(model, loc[:-1])
    info = field_of(inside, str(loc[-1])) if inside is not None and loc else None
    return flow(info.examples[0]) if info is not None and info.examples else ""


def _in_usual_unit(number: str, example: str) -> str:
    """A bare number in the unit that its key usually has: `poll: 10` means milliseconds; "" where that is seconds."""
    unit = example.rpartition(" ")[2]
    return f"write {number} {unit}, or {number} s if seconds are meant" if unit in ("us", "ms") else ""


def _misspelt(block: Any, name: str, known: tuple[str, ...]) -> str:
    """The unknown key that is probably the one that is missing, "" where there is none: it is told as unknown."""
    if not isinstance(block, Block):
        return ""
    return next((key for key in block if key not in known and closest(key, known) == name), "")


def _model_at(model: type[Written], loc: tuple[str | int, ...]) -> type[Written] | None:
    """The model whose keys stand at a location of pydantic's."""
    at: Any = model
    for part in loc:
        if isinstance(at, type) and issubclass(at, Written):
            info = field_of(at, str(part))
            at = info.annotation if info is not None else None
        elif isinstance(part, str) and part.startswith("<"):
            at = _tagged(at, part)
        else:
            at = _inner(at)
        at = _unwrapped(at)
    return at if isinstance(at, type) and issubclass(at, Written) else None


def _unwrapped(annotation: Any) -> Any:
    """The annotation without what stands around it: Annotated, and `| None`."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
            continue
        arguments = get_args(annotation)
        some = [one for one in arguments if one is not type(None)]
        if type(None) in arguments and len(some) == 1:
            annotation = some[0]
            continue
        return annotation


def _inner(annotation: Any) -> Any:
    """The type of the entries of a list or of the values of a mapping."""
    arguments = [one for one in get_args(annotation) if one is not Ellipsis]
    return arguments[-1] if arguments else None


def _tagged(annotation: Any, tag: str) -> Any:
    """The member of a union that bears a tag."""
    for member in get_args(annotation):
        if get_origin(member) is Annotated and any(isinstance(one, Tag) and one.tag == tag for one in get_args(member)):
            return member
    return None


def _text(found: Any) -> str:
    if isinstance(found, Block):
        return "a mapping"
    if isinstance(found, TreeList):
        return "a list"
    return str(found.text).strip() if isinstance(found, Scalar) else "nothing"


def _note_empty_values(tree: Any, ledger: Ledger, path: KeyPath) -> None:
    """A key with nothing behind its colon; free text of the record may stay empty."""
    items: Iterable[tuple[str | int, Any]] = ()
    if isinstance(tree, Block):
        items = tree.items()
    elif isinstance(tree, TreeList):
        items = enumerate(tree)
    for name, value in items:
        if isinstance(value, Scalar) and value.value is None:
            in_record = path[:1] == ("record",)
            if isinstance(tree, Block) and name in tree.bare:  # probably the rest of a text cut at a comma
                if in_record:
                    unknown_key((*path, name), (), ledger)
            elif not in_record:
                ledger.fault((*path, name), "has no value", "write one, or delete the line")
        else:
            _note_empty_values(value, ledger, (*path, name))


def _left_out(rest: Block, place: KeyPath, error: Any, stand_ins: dict[str, Any]) -> KeyPath:
    """What has to go: the faulty value itself, or the block in which something is missing; () for nothing. Where the
    key says what its block is, as `press:` does, the rest of the block means nothing without it."""
    missing = error["type"] == "missing"
    if error["loc"][-2:-1] == (f"<{error['loc'][-1]}>",):
        return place[:-1]
    if missing and len(place) == 1 and place[0] in stand_ins:
        rest.put(str(place[0]), stand_ins[str(place[0])], rest.file, rest.line)
        return place
    place = place[:-1] if missing else place
    while place and tree_at(rest, place) is None:
        place = place[:-1]
    return place


def _depth_first(place: KeyPath) -> tuple[int, list[tuple[int, str]]]:
    """Sorts places by depth, then list places by number."""
    return len(place), [(part, "") if isinstance(part, int) else (-1, part) for part in place]


def _leave_out(rest: Block, place: KeyPath) -> bool:
    """Takes one part out; False where nothing is left to take."""
    if not place:
        return False
    around = tree_at(rest, place[:-1])
    last = place[-1]
    if isinstance(around, Block) and last in around:
        if isinstance(around[str(last)], Block | TreeList | Scalar):  # not what stands in for a missing key
            del around[str(last)]
    elif isinstance(around, _Rest) and isinstance(last, int) and last < len(around):
        del around[last]
        del around.numbers[last]
    return True
