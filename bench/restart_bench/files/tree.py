"""Suite files as a tree that knows where each value stands: file, line, and the text as it was written.

Read with PyYAML's safe loader (YAML 1.1). Refused: repeated keys, aliases that grow without measure, files over
1 MiB, encodings other than UTF-8, tags.
"""

from __future__ import annotations

import codecs
import os
import re
import stat
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from restart_bench.files.cures import SYNTAX, VALUE, Refusal, closest, cure_for
from restart_bench.files.faults import Fault, shown_path

LARGEST_BYTES = 1 << 20
MOST_NODES = 50_000
DEEPEST = 40

_UNSHOWABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")
_FAST_LOADER: Any = getattr(yaml, "CSafeLoader", None)  # not everywhere installed with PyYAML
_ORDINARY = re.compile("[\n ->@-~\xa0-\u2027\u202a-\ud7ff]*")  # no tab, no question mark, no other end of a line
_PLAIN_TAGS = {f"tag:yaml.org,2002:{name}" for name in ("null", "bool", "int", "float", "timestamp", "str", "value")}
_MERGE = "tag:yaml.org,2002:merge"
_BLOCK = "tag:yaml.org,2002:map"
_ROW = "tag:yaml.org,2002:seq"


@dataclass(frozen=True, slots=True)
class Scalar:
    """One value: as YAML reads it, and as it was written. `plain`: without quotes."""

    value: Any
    text: str
    plain: bool
    file: str
    line: int

    def __str__(self) -> str:
        return self.text


class Block(dict[str, Any]):
    """A mapping with the places of its keys. Keys are text as written; values are Block, Row or Scalar."""

    def __init__(self, file: str, line: int) -> None:
        super().__init__()
        self.file = file
        self.line = line
        self.keys_at: dict[str, tuple[str, int]] = {}
        self.bare: set[str] = set()  # keys without a colon: in short form YAML takes `{a: x, y}` for keys a and y

    def put(self, key: str, value: Tree, file: str, line: int) -> None:
        """Adds one key with its place."""
        self[key] = value
        self.keys_at[key] = (file, line)


class TreeList(list[Any]):
    """A list with its place."""

    def __init__(self, file: str, line: int) -> None:
        super().__init__()
        self.file = file
        self.line = line


Tree = Block | TreeList | Scalar


@dataclass(slots=True)
class ReadFile:
    """What was read of one file: its tree (None where nothing could be read), its bytes and its faults."""

    path: Path
    content: bytes = b""
    tree: Block | None = None
    faults: list[Fault] = field(default_factory=list)

    @property
    def kind(self) -> str:
        """First key of the file, "" where there is none."""
        return next(iter(self.tree), "") if self.tree else ""


class Files:
    """The files of one call, each read once: what was checked is what is archived, whoever saves it meanwhile."""

    def __init__(self) -> None:
        self._read: dict[str, ReadFile] = {}

    def read(self, path: Path) -> ReadFile:
        """The file at a path, as it was when it was first asked for."""
        place = os.path.abspath(path)  # noqa: PTH100 - Path.resolve would follow links, and `extends` would then start elsewhere
        if place not in self._read:
            self._read[place] = read_yaml(path)
        return self._read[place]


def is_file(path: Path) -> bool:
    """True if there is such a file; names that no file system could hold, and links that lead nowhere, are none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def is_folder(path: Path) -> bool:
    """True if there is such a folder; names that no file system could hold are none."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def same_file(path: Path) -> Path:
    """What two paths to one file have in common. Never raises, whatever stands in the path."""
    try:
        return path.resolve()
    except (OSError, ValueError, RuntimeError):  # a name too long, a zero byte, a link that leads to itself
        return path.absolute()


def read_yaml(path: Path) -> ReadFile:
    """Reads one file. Never raises for what stands in it."""
    name = str(path)
    try:
        told = path.stat()
        if stat.S_ISDIR(told.st_mode):
            return _refused(path, name, "is a folder, not a file", "name the file in it")
        if not stat.S_ISREG(told.st_mode):  # a pipe or a device may never end
            return _refused(path, name, "is no ordinary file", "save it as a file, and name that")
        if told.st_size > LARGEST_BYTES:
            return _refused(path, name, "is larger than 1 MiB", "a suite file is a few kilobytes; is it the right one?")
        content = path.read_bytes()
    except FileNotFoundError:
        missing = "there is no such file" if path.suffix else "there is no such file or folder"
        return _refused(path, name, missing, _cure_missing_file(path))
    except OSError as error:
        return _refused(path, name, f"can't be read ({error.strerror})", "check its name and the rights on it")
    except ValueError as error:
        return _refused(path, name, f"is no name of a file ({error})", "check its name")
    return read_bytes(content, path, name)


def read_bytes(content: bytes, path: Path, shown: str | None = None) -> ReadFile:
    """The same for bytes that were read already; faults name the file as `shown` (default: the path)."""
    name = shown or str(path)
    result = ReadFile(path=path, content=content)
    if len(content) > LARGEST_BYTES:
        return _refused(path, name, "is larger than 1 MiB", "a suite file is a few kilobytes; is it the right one?")
    text = _decoded(content, name, result.faults)
    if text is None:
        return result
    try:
        node = composed(text)
    except yaml.YAMLError as error:
        result.faults.append(_syntax_fault(error, text, name))
        return result
    except RecursionError:
        result.faults.append(Fault(name, 1, "", "is nested too deeply", "write it with fewer brackets"))
        return result
    if node is None:
        result.faults.append(Fault(name, 1, "", "is empty", "begin it with rig:, scenario: or program:"))
        return result
    reader = _Reader(name, result.faults)
    tree = reader.read(node, (), ())
    if isinstance(tree, Block) and not reader.has_holes:
        result.tree = tree
    elif not reader.has_holes:
        line = node.start_mark.line + 1
        result.faults.append(
            Fault(name, line, "", "does not begin with a key", "begin it with rig:, scenario: or program:")
        )
    return result


def composed(text: str) -> yaml.Node | None:
    """The nodes of a text. The library in C reads several times as fast, and reads ordinary text alike; what it
    refuses, and text with signs that the two take differently, is left to the one whose words our cures know. Raises
    YAMLError."""
    if _FAST_LOADER is not None and _ORDINARY.fullmatch(text):
        with suppress(yaml.YAMLError):
            return yaml.compose(text, Loader=_FAST_LOADER)
    return yaml.compose(text, Loader=yaml.SafeLoader)


def place_of(tree: Tree, path: tuple[str | int, ...]) -> tuple[str, int]:
    """File and line of the deepest part of `path` that exists; of a key, the line of the key."""
    at: Any = tree
    place = (tree.file, tree.line)
    for part in path:
        if isinstance(at, Block) and part in at:
            place = at.keys_at[str(part)]
            at = at[str(part)]
        elif isinstance(at, TreeList) and isinstance(part, int) and part < len(at):
            at = at[part]
            place = (at.file, at.line)
        else:
            break
    return place


def plain(tree: Any) -> Any:
    """The tree as ordinary Python values, dates as text."""
    if isinstance(tree, dict):
        return {key: plain(value) for key, value in tree.items()}
    if isinstance(tree, list):
        return [plain(value) for value in tree]
    if isinstance(tree, Scalar):
        return tree.value if isinstance(tree.value, bool | int | float | str | None) else tree.text
    return tree


def merged(base: Block, over: Block) -> Block:
    """`over` laid on `base`: mappings key by key, all else replaced, as is a mapping that names another driver, whose
    keys are its own. Each value keeps its own place."""
    result = Block(over.file, over.line)
    result.bare = base.bare | over.bare
    for key, value in base.items():
        result.put(key, value, *base.keys_at[key])
    for key, value in over.items():
        under = result.get(key)
        if isinstance(under, Block) and isinstance(value, Block) and not _of_another_driver(under, value):
            value = merged(under, value)  # noqa: PLW2901
        result.put(key, value, *over.keys_at[key])
    return result


def _of_another_driver(base: Block, over: Block) -> bool:
    told, now = base.get("driver"), over.get("driver")
    return isinstance(told, Scalar) and isinstance(now, Scalar) and told.text.strip() != now.text.strip()


class _Reader:
    """Makes the tree from PyYAML's nodes, counting every node as often as an alias repeats it."""

    def __init__(self, file: str, faults: list[Fault]) -> None:
        self.file = file
        self.faults = faults
        self.values = yaml.constructor.SafeConstructor()
        self.nodes = 0
        self.gave_up = False
        self.has_holes = False  # something could not be read: what is around it can't be checked either

    def read(self, node: yaml.Node, path: tuple[str | int, ...], within: tuple[int, ...]) -> Tree | None:
        self.nodes += 1
        if self.gave_up:
            return None
        if id(node) in within:
            self._give_up(node, path, "an alias stands within what it repeats", "write the values out")
            return None
        if self.nodes > MOST_NODES:
            self._give_up(node, path, "aliases grow it beyond all measure", "write the values out")
            return None
        if len(within) > DEEPEST:
            self._give_up(node, path, "is nested too deeply", "write it with fewer levels")
            return None
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, path)
        inner = (*within, id(node))
        if isinstance(node, yaml.SequenceNode) and node.tag == _ROW:
            row = TreeList(self.file, node.start_mark.line + 1)
            row.extend(self.read(item, (*path, n), inner) for n, item in enumerate(node.value))
            return row
        if isinstance(node, yaml.MappingNode) and node.tag == _BLOCK:
            return self._block(node, path, inner)
        self._tagged(node, path)
        return None

    def _block(self, node: yaml.MappingNode, path: tuple[str | int, ...], within: tuple[int, ...]) -> Block:
        block = Block(self.file, node.start_mark.line + 1)
        taken_over: list[Block] = []
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if key_node.tag == _MERGE:
                taken_over += self._taken_over(value_node, path, within)
                continue
            if not isinstance(key_node, yaml.ScalarNode) or key_node.tag not in _PLAIN_TAGS:
                self._fault(line, path, "a key must be a word", "put quotes around text that begins with a bracket")
                continue
            key = key_node.value
            if self._is_unshowable(key_node, (*path, key)):
                continue
            if key in block:
                first = block.keys_at[key][1]
                self._fault(
                    line, (*path, key), f"stands twice (first on line {first}); YAML would keep only the last",
                    "delete one of the two",
                )  # fmt: skip
                continue
            value = self.read(value_node, (*path, key), within)
            if value is not None:
                block.put(key, value, self.file, line)
            if value_node.start_mark.index == key_node.end_mark.index:
                block.bare.add(key)
        for other in taken_over:
            for key, value in other.items():
                if key not in block:
                    block.put(key, value, *other.keys_at[key])
        return block

    def _taken_over(self, node: yaml.Node, path: tuple[str | int, ...], within: tuple[int, ...]) -> list[Block]:
        """What a merge key (`<<`) takes over; the first of several mappings wins."""
        nodes = node.value if isinstance(node, yaml.SequenceNode) else [node]
        blocks = [self.read(one, path, within) for one in nodes]
        if not all(isinstance(block, Block) or block is None for block in blocks):
            self._fault(node.start_mark.line + 1, path, "<< takes over a mapping", "name one: <<: *name")
        return [block for block in blocks if isinstance(block, Block)]

    def _scalar(self, node: yaml.ScalarNode, path: tuple[str | int, ...]) -> Scalar | None:
        if node.tag not in _PLAIN_TAGS:
            self._tagged(node, path)
            return None
        if self._is_unshowable(node, path):
            return None
        is_plain = not node.style
        try:
            value = self.values.construct_object(node) if is_plain else node.value
        except (yaml.YAMLError, ValueError, OverflowError, KeyError):
            value = node.value
        return Scalar(value, node.value, is_plain, self.file, node.start_mark.line + 1)

    def _is_unshowable(self, node: yaml.ScalarNode, path: tuple[str | int, ...]) -> bool:
        """Notes a character that only an escape like "\\0" brings into text, and that no screen or file can hold."""
        found = _UNSHOWABLE.search(node.value)
        if found is None:
            return False
        self.has_holes = True
        what = f"holds a character that can't be shown (code {ord(found[0]):04X})"
        self._fault(node.start_mark.line + 1, path, what, "delete the backslash and what belongs to it")
        return True

    def _tagged(self, node: yaml.Node, path: tuple[str | int, ...]) -> None:
        tag = node.tag.replace("tag:yaml.org,2002:", "!!")
        self.has_holes = True
        self._fault(
            node.start_mark.line + 1, path, f"{tag} is a YAML tag, and suite files have none",
            "delete it, or put quotes around text that begins with !",
        )  # fmt: skip

    def _give_up(self, node: yaml.Node, path: tuple[str | int, ...], text: str, cure: str) -> None:
        self.gave_up = self.has_holes = True
        self._fault(node.start_mark.line + 1, path[:4], text, cure)

    def _fault(self, line: int, path: tuple[str | int, ...], text: str, cure: str) -> None:
        self.faults.append(Fault(self.file, line, shown_path(path), text, cure))


def _decoded(content: bytes, name: str, faults: list[Fault]) -> str | None:
    """The text of a UTF-8 file, with or without a byte order mark; None with a fault for any other encoding."""
    cure = "save it as UTF-8 (in the editor: Save as, encoding UTF-8)"
    marks = ((codecs.BOM_UTF32_LE, "UTF-32"), (codecs.BOM_UTF32_BE, "UTF-32"), (codecs.BOM_UTF16_LE, "UTF-16"),
             (codecs.BOM_UTF16_BE, "UTF-16"))  # fmt: skip
    for mark, encoding in marks:
        if content.startswith(mark):
            faults.append(Fault(name, 1, "", f"is written in {encoding}", cure))
            return None
    if b"\0" in content:
        line = content[: content.index(b"\0")].count(b"\n") + 1
        guess = "is written in UTF-16" if content.count(b"\0") > len(content) // 4 else "holds a zero byte"
        faults.append(Fault(name, line, "", guess, cure))
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        text = (
            f"is not UTF-8 (byte {content[error.start]:02X}); it looks like Windows-1252 or another one-byte encoding"
        )
        faults.append(Fault(name, line, "", text, cure))
        return None


def _key_without_space(lines: list[str], refused: int) -> int | None:
    """The line at or last before a refused one if it is `key:value`, which YAML reads on as text; counted from 0."""
    for index in range(refused, -1, -1):
        told = lines[index].split(" #")[0].strip()
        if told and not told.startswith("#"):
            if re.fullmatch(r"(- )?\w+:[^\s:/]\S*.*", told):
                return index
            if index < refused:
                return None
    return None


def _syntax_fault(error: yaml.YAMLError, text: str, name: str) -> Fault:
    """The one fault of a file that is no YAML."""
    lines = text.splitlines() or [""]
    if isinstance(error, yaml.reader.ReaderError):
        line = text[: error.position].count("\n") + 1
        what = f"holds a character that YAML does not allow (code {error.character:04X})"
        return Fault(name, line, "", what, "delete it; it is invisible in most editors")
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    problem = getattr(error, "problem", None) or getattr(error, "context", None) or "is no YAML"
    context = getattr(error, "context_mark", None)
    if context is not None and ("could not find expected ':'" in problem or "stream" in problem):
        mark = context  # seen only later, but begun here
    line = min(mark.line + 1, len(lines)) if mark is not None else 1
    colon = "mapping values" in problem or "expected ':'" in problem
    if colon and (glued := _key_without_space(lines, line - 1)) is not None:
        key, value = lines[glued].strip().removeprefix("- ").split(":", 1)
        return Fault(name, glued + 1, "", "there is no space after the colon", f"write {key}: {value}")
    refusal = Refusal(
        stage=SYNTAX, expected="yaml", text=str(problem), line=lines[line - 1],
        opened=context.line + 1 if context is not None else None,
    )  # fmt: skip
    return Fault(name, line, "", f"YAML can't read this line ({problem})", cure_for(refusal))


def _cure_missing_file(path: Path) -> str:
    """What to do where a file is not there: a second ending is what Windows hides."""
    double = path.with_name(path.name + ".txt")
    if double.exists():
        return cure_for(Refusal(stage=VALUE, expected="file name", text=double.name))
    near = closest(path.name, (name for name in _beside(path) if name != path.name))
    return f"did you mean {path.with_name(near)}?" if near else "check its name and folder"


def _beside(path: Path) -> list[str]:
    try:
        return sorted(os.listdir(path.parent))  # noqa: PTH208 - names alone are asked for
    except OSError:
        return []


def _refused(path: Path, name: str, text: str, cure: str) -> ReadFile:
    return ReadFile(path=path, faults=[Fault(name, 0, "", text, cure)])
