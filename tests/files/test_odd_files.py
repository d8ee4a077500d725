"""Files as disks, links and bad luck make them: each ends in faults that say so, quickly, and in nothing else."""

from __future__ import annotations

import os
import random
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from file_mutations import mutated
from file_suites import PROGRAM, RIG, SCENARIO, load_in, told
from restart_bench.files import tree
from restart_bench.files.faults import LONGEST, Fault
from restart_bench.files.tree import Files, is_file, read_bytes, read_yaml, same_file
from restart_bench.suite.loader import load_rig, load_suites
from restart_bench_drivers.registry import cards

BASE = RIG.replace("rig: bench\n", "")
on_posix = pytest.mark.skipif(
    sys.platform == "win32", reason="links and pipes need rights there that tests do not have"
)


def rig_that_extends(folder: Path, name: str) -> list[str]:
    """The faults of a rig that extends something."""
    (folder / "rig.yaml").write_text(f"rig: bench\nextends: {name}\n", encoding="utf-8")
    return told(lambda: load_rig(folder / "rig.yaml", cards=cards()))


# ---------------------------------------------------------------- extends


def link(folder: Path, name: str, to: str) -> None:
    (folder / name).symlink_to(folder / to)


@on_posix
def test_links_that_lead_to_each_other_are_no_file(tmp_path: Path) -> None:
    """`a.yaml` is a link to `b.yaml`, which is a link to `a.yaml`."""
    link(tmp_path, "a.yaml", "b.yaml")
    link(tmp_path, "b.yaml", "a.yaml")
    (line,) = rig_that_extends(tmp_path, "a.yaml")
    assert line.startswith("rig.yaml:2: extends: ")
    assert line.endswith("a.yaml is not there; write its path as seen from this file")
    assert read_yaml(tmp_path / "a.yaml").faults


@on_posix
def test_a_link_to_the_file_itself_is_a_circle(tmp_path: Path) -> None:
    """Under whatever name it comes back."""
    link(tmp_path, "again.yaml", "rig.yaml")
    assert rig_that_extends(tmp_path, "again.yaml") == [
        "rig.yaml:2: extends: again.yaml leads back to this file; break the circle: delete one extends:"
    ]


@on_posix
def test_a_link_to_a_base_is_read_through(tmp_path: Path) -> None:
    """A linked base is as good as a copy."""
    (tmp_path / "common").mkdir()
    (tmp_path / "common" / "base.yaml").write_text(BASE, encoding="utf-8")
    link(tmp_path, "base.yaml", "common/base.yaml")
    assert rig_that_extends(tmp_path, "base.yaml") == []


@pytest.mark.parametrize("way", ["rig.yaml", "./rig.yaml", "../{}/rig.yaml"])
def test_a_rig_that_extends_itself_is_a_circle(tmp_path: Path, way: str) -> None:
    """However its own path is written."""
    (line,) = rig_that_extends(tmp_path, way.format(tmp_path.name))
    assert "leads back to this file" in line


def test_a_circle_of_three_is_told_where_it_closes(tmp_path: Path) -> None:
    """rig -> b -> c -> b."""
    (tmp_path / "b.yaml").write_text("extends: c.yaml\n", encoding="utf-8")
    (tmp_path / "c.yaml").write_text("extends: b.yaml\n", encoding="utf-8")
    assert rig_that_extends(tmp_path, "b.yaml") == [
        "c.yaml:1: extends: b.yaml leads back to this file; break the circle: delete one extends:"
    ]


def test_a_row_of_files_without_end_is_refused(tmp_path: Path) -> None:
    """2,000 files that extend one another are nobody's rig, and no reason to run out of stack."""
    for n in range(2000):
        (tmp_path / f"b{n}.yaml").write_text(f"extends: b{n + 1}.yaml\n", encoding="utf-8")
    (line,) = rig_that_extends(tmp_path, "b0.yaml")
    assert "is the 20th in a row" in line


@pytest.mark.parametrize(
    "name",
    [
        "x" * 5000 + ".yaml",
        "../" * 2000 + "x.yaml",
        ".",
        "..",
        "sub",
        "{a: b}",
        "[a, b]",
        "''",
        "~",
        "/",
        "base.yaml/x",
    ],
    ids=lambda name: name[:8],
)
def test_what_extends_can_not_read_is_told_at_its_line(tmp_path: Path, name: str) -> None:
    """Names that no disk can hold, folders, and what is no name at all."""
    (tmp_path / "sub").mkdir()
    (tmp_path / "base.yaml").write_text(BASE, encoding="utf-8")
    lines = rig_that_extends(tmp_path, name)
    assert any(line.startswith("rig.yaml:2: extends: ") for line in lines), lines
    assert all(len(line) < 2000 for line in lines)


@on_posix
@pytest.mark.parametrize("make", [os.mkfifo, lambda path: path.symlink_to("/dev/zero")])
def test_what_may_never_end_is_not_read(tmp_path: Path, make: Callable[[Path], None]) -> None:
    """A pipe, a device: opening them could wait or read for ever."""
    make(tmp_path / "endless.yaml")
    (line,) = rig_that_extends(tmp_path, "endless.yaml")
    assert "is not there" in line
    (fault,) = read_yaml(tmp_path / "endless.yaml").faults
    assert fault.text == "is no ordinary file"


# ---------------------------------------------------------------- paths


@pytest.mark.parametrize("path", [Path("a\0b"), Path("x" * 5000), Path("a/" * 3000)], ids=["zero byte", "long", "deep"])
def test_no_path_makes_reading_raise(path: Path) -> None:
    """Each is a fault of the file, or no file."""
    assert read_yaml(path).faults
    assert not is_file(path)
    assert same_file(path)


def test_a_folder_in_place_of_a_file_is_told(tmp_path: Path) -> None:
    """`--rig` and `--program` can be given anything."""
    (tmp_path / "s.yaml").write_text(SCENARIO, encoding="utf-8")
    (tmp_path / "rig.yaml").write_text(RIG, encoding="utf-8")
    for more in ({"rig": tmp_path}, {"program": tmp_path}):
        lines = told(lambda more=more: load_suites([tmp_path], cards=cards(), **more))  # type: ignore[misc]
        assert any("is a folder, not a file; name the file in it" in line for line in lines), lines


def test_a_file_is_read_once_in_a_call(tmp_path: Path) -> None:
    """What was checked is what is archived, also where an editor saves in between."""
    path = tmp_path / "rig.yaml"
    path.write_text("rig: one\n", encoding="utf-8")
    files = Files()
    first = files.read(path)
    path.write_text("rig: two\n", encoding="utf-8")
    assert files.read(path) is first
    assert str(files.read(tmp_path / "." / "rig.yaml").tree["rig"]) == "one"  # type: ignore[index]


# ---------------------------------------------------------------- what stands in them


def said_of(text: str) -> list[str]:
    """What is said of a file with this text."""
    return [str(fault) for fault in read_bytes(text.encode(), Path("a.yaml")).faults]


def test_blocks_nested_beyond_measure_are_refused() -> None:
    """Nothing in a suite file is deeper than a dozen levels."""
    deep = "".join(f"{' ' * n}a:\n" for n in range(60)) + " " * 60 + "b"
    assert said_of(deep) == ["a.yaml:42: a.a.a.a: is nested too deeply; write it with fewer levels"]
    assert said_of("a: " + "{a: " * 3000)[0].startswith("a.yaml:1: is nested too deeply")


def test_merge_keys_grow_no_bomb() -> None:
    """`<<` repeats like an alias, and is counted like one."""
    lines = ["a0: &a0 {k: [1, 2, 3, 4, 5, 6, 7, 8, 9]}"]
    lines += [f"a{n}: &a{n} {{x: {{<<: *a{n - 1}}}, y: {{<<: *a{n - 1}}}}}" for n in range(1, 25)]
    assert any("aliases grow it beyond all measure" in line for line in said_of("\n".join(lines)))


@pytest.mark.parametrize(
    ("text", "code"), [(r'"a\0b"', "0000"), (r'"\ud800"', "D800"), (r'"\e[2J"', "001B"), (r'"\x7f"', "007F")]
)
def test_characters_that_nothing_can_show_are_refused(text: str, code: str) -> None:
    """Escapes bring in what no editor shows: zero bytes, halves of characters, orders to a console."""
    for file in (f"scenario: {text}", f"{text}: 1", f"a: [{text}]"):
        (line,) = said_of(file)
        assert f"holds a character that can't be shown (code {code})" in line


def test_tags_leave_no_hole_behind() -> None:
    """A tagged list entry once left a gap that later checks fell into."""
    assert len(said_of("rig: x\nproof_of_cut: [!!set {a}]\ndevices: !!binary aGk=\n")) == 2


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_alike_whatever_ends_them(tmp_path: Path, end: str) -> None:
    """Files from Windows and from old editors name the same lines."""
    (tmp_path / "rig.yaml").write_bytes(RIG.replace("\n", end).encode())
    (tmp_path / "s.yaml").write_bytes(SCENARIO.replace("off_for: 3 s", "off_for: 3").replace("\n", end).encode())
    lines = told(lambda: load_suites([tmp_path], cards=cards()))
    assert lines == ["s.yaml:6: cut.off_for: 3 has no unit; write 3 s if seconds are meant"]


def test_a_scenario_beside_a_spoilt_one_is_checked_too(tmp_path: Path) -> None:
    """One file that can't be read hides no fault of another."""
    lines = told(lambda: load_in(tmp_path, RIG, SCENARIO.replace("off_for: 3 s", "off_for: 3"), other="a: [\n"))
    assert [line.split(":")[0] for line in lines] == ["other.yaml", "scenario.yaml"] or [
        line.split(":")[0] for line in lines
    ] == ["scenario.yaml", "other.yaml"]


# ---------------------------------------------------------------- how faults are shown


def test_a_fault_is_one_line_whatever_it_quotes() -> None:
    """Line ends and invisible characters are told by their codes; right-to-left marks could turn the line round."""
    text = str(Fault("a.yaml", 1, "x\u2028y", "b\x85c\u202ed", "e\nf"))
    assert text == r"a.yaml:1: x\u2028y: b\x85c\u202ed; e\nf"
    assert str(Fault("a.yaml", 1, "x", "Körner 穀物", "ok")) == "a.yaml:1: x: Körner 穀物; ok"


def test_a_fault_quotes_a_long_value_by_its_ends() -> None:
    """A value can be as long as its file; what is wrong stands behind it."""
    text = str(Fault("a.yaml", 1, "x", "a" * 100_000 + " is not a duration", "write 3 s"))
    assert len(text) < LONGEST + 100
    assert text.endswith("a is not a duration; write 3 s")


# ---------------------------------------------------------------- what stands in a suite and is no file


def _dangling(path: Path) -> None:
    path.symlink_to(path.parent / "gone.yaml")


ODD_ENTRIES: dict[str, tuple[Callable[[Path], None], str]] = {
    "dangling link": (_dangling, "there is no such file"),
    "pipe": (os.mkfifo, "is no ordinary file") if hasattr(os, "mkfifo") else (Path.mkdir, "is a folder"),
    "folder": (Path.mkdir, "is a folder, not a file"),
}


@on_posix
@pytest.mark.parametrize("odd", ODD_ENTRIES)
def test_no_scenario_vanishes_without_a_word(tmp_path: Path, odd: str) -> None:
    """A name that ends like a scenario's and leads to no file is told, beside the scenario that is there."""
    make, says = ODD_ENTRIES[odd]
    (tmp_path / "rig.yaml").write_text(RIG, encoding="utf-8")
    (tmp_path / "good.yaml").write_text(SCENARIO, encoding="utf-8")
    make(tmp_path / "second.yaml")
    lines = told(lambda: load_suites([tmp_path], cards=cards()))
    assert [says in line and "second.yaml" in line for line in lines] == [True], lines


@on_posix
@pytest.mark.parametrize("odd", ODD_ENTRIES)
@pytest.mark.parametrize("load", [load_suites, load_rig])
def test_a_rig_file_that_is_none_is_told_as_what_it_is(tmp_path: Path, odd: str, load: Callable[..., object]) -> None:
    """A folder, a pipe or a link to nowhere under the name of rig.yaml is not `no rig.yaml`."""
    make, says = ODD_ENTRIES[odd]
    make(tmp_path / "rig.yaml")
    (tmp_path / "good.yaml").write_text(SCENARIO, encoding="utf-8")
    lines = told(lambda: load([tmp_path] if load is load_suites else tmp_path, cards=cards()))
    assert any(says in line and "rig.yaml" in line for line in lines), lines
    assert not any("has no rig.yaml" in line for line in lines)


# ---------------------------------------------------------------- two libraries that read YAML


@pytest.mark.parametrize("part", range(4))
def test_a_file_is_read_alike_by_either_library(part: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sound and spoilt files give the same tree, lines and faults, whether YAML's library in C is installed or not."""
    for seed in range(part * 60, part * 60 + 60):
        dice = random.Random(seed)
        content = mutated(dice.choice((RIG, SCENARIO, PROGRAM)), dice)
        read = []
        for loader in (getattr(yaml, "CSafeLoader", None), None):
            monkeypatch.setattr(tree, "_FAST_LOADER", loader)
            found = read_bytes(content, Path("f.yaml"))
            read.append((placed(found.tree), [str(fault) for fault in found.faults]))
        assert read[0] == read[1], seed


def placed(value: object) -> object:
    """A tree with the line of everything in it."""
    if isinstance(value, tree.Block):
        return (
            value.line,
            sorted(value.bare),
            [(key, value.keys_at[key], placed(inner)) for key, inner in value.items()],
        )
    if isinstance(value, tree.TreeList):
        return value.line, [placed(inner) for inner in value]
    return (repr(value.value), value.text, value.plain, value.line) if isinstance(value, tree.Scalar) else value


def test_what_is_not_there_has_no_line_and_its_nearest_name_is_offered(tmp_path: Path) -> None:
    """A misspelt folder has no line 1, and what stands beside it under a like name was probably meant."""
    (tmp_path / "grain-dryer").mkdir()
    (line,) = told(lambda: load_suites([tmp_path / "grain-dyer"], cards=cards()))
    assert line == f"grain-dyer: there is no such file or folder; did you mean {tmp_path / 'grain-dryer'}?"
