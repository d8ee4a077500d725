"""What the bench says of files that people really write: file, line, path, what is wrong, and the cure."""

# ruff: noqa: E501 - the sentences are asserted whole, and are easier to read in one piece

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from file_suites import RIG, SCENARIO, load, load_in, rig_faults, scenario_faults, spoilt, told
from restart_bench.files.cures import KEY, SYNTAX, TABLE, VALUE, Refusal, closest, cure_for
from restart_bench.files.faults import Fault, FaultsFound, in_order, shown_path
from restart_bench.files.tree import LARGEST_BYTES, Block, read_bytes, read_yaml
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

OFF_FOR = "off_for: 3 s"
BURNER = "    burner: off\n"
CUT = "cut:\n  off_for: 3 s\n"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (OFF_FOR, "off_for: 1,5 s", ":6: cut.off_for: 1,5 s is not a duration; write a decimal point: 1.5 s"),
        (
            CUT,
            "cut: {off_for: 1,5 s}\n",
            ":5: cut.off_for: 1, 5 s is cut in two at the comma; write a decimal point: off_for: 1.5 s",
        ),
        (OFF_FOR, "off_for: 2 s, 3 s", ":6: cut.off_for: 2 s, 3 s is not a duration; write a list in brackets: [2 s, 3 s]"),
        (
            CUT,
            "cut: {off_for: 2 s, 3 s}\n",
            ":5: cut.off_for: 2 s, 3 s is cut in two at the comma; write a list in brackets: off_for: [2 s, 3 s]",
        ),
        (OFF_FOR, "off_for: 3", ":6: cut.off_for: 3 has no unit; write 3 s if seconds are meant"),
        (OFF_FOR, "off_for: 1:30", ":6: cut.off_for: 1:30 is read as 90 by YAML; write 1 min 30 s"),
        (OFF_FOR, "off_for: 3 sec", ":6: cut.off_for: 3 sec is not a duration; write 3 s"),
        (OFF_FOR, "off_for: 3 S", ":6: cut.off_for: 3 S is not a duration; write 3 s"),
        (
            BURNER,
            "    burner: {is: off, within 5 s}\n",
            ":9: after.expect.burner.within 5 s: unknown key; write a colon: within: 5 s",
        ),
        (
            BURNER,
            "    burner: {is:off, within: 5 s}\n",
            ":9: after.expect.burner.is:off: unknown key; write a space after the colon: is: off",
        ),
        (
            BURNER,
            "    off: burner\n",
            ":9: after.expect.off: unknown key; write the name first and the value behind the colon, like burner: off",
        ),
        (BURNER, "    bruner: off\n", ":9: after.expect.bruner: unknown point; did you mean burner?"),
        (BURNER, "    burner: offf\n", ":9: after.expect.burner: offf is not on, off, a number or as before; did you mean off?"),
        (BURNER, "    burner: 0\n", ":9: after.expect.burner: 0 for burner, which is off or on; write off"),
        (BURNER, "    batches: 012\n", ":9: after.expect.batches: 012 is read as 10 by YAML; write 12"),
        (BURNER, "    batches: 1:30\n", ":9: after.expect.batches: 1:30 is read as 90 by YAML; write the number without a colon"),
        (
            BURNER,
            '    batches: "12"\n',
            ':9: after.expect.batches: "12" is text where on, off, a number or as before is due; write it without quotes',
        ),
        (BURNER, "    burner:\n", ":9: after.expect.burner: has no value; write one, or delete the line"),
        (
            BURNER,
            "    burner: “off”\n",
            ":9: after.expect.burner: “off” is not on, off, a number or as before; use straight quotes or none: off",
        ),
        (CUT, "", ":1: cut: is missing; add it, like cut: {how: supply, off_for: 3 s}"),
        (OFF_FOR, "of_for: 3 s", ":6: cut.of_for: unknown key; did you mean off_for?"),
        (OFF_FOR, "off_for: 3 s\n  colour: red", ":7: cut.colour: unknown key; known here: how, off_for, at, level"),
        (
            "before:\n",
            "purpose: after a loss: stay shut\nbefore:\n",
            ":2: YAML can't read this line (mapping values are not allowed here); put text with a colon in quotes, "
            "and see that the lines of one block begin in the same column",
        ),
        (
            "before:\n",
            "purpose:to stay shut\nbefore:\n",
            ":2: there is no space after the colon; write purpose: to stay shut",
        ),
        (
            "before:\n",
            "purpose:to stay shut\n# not seen by YAML until the next key\nwatch: 3 s\nbefore:\n",
            ":2: there is no space after the colon; write purpose: to stay shut",
        ),
        (
            "before:\n",
            "purpose: “after a loss: shut”\nbefore:\n",
            ":2: YAML can't read this line (mapping values are not allowed here); "
            'use straight quotes: purpose: "after a loss: shut"',
        ),
        (
            "  - press: start\n",
            "\t- press: start\n",
            ":3: YAML can't read this line (found character '\\t' that cannot start any token); "
            "use spaces in place of the tab",
        ),
        (
            "before:\n",
            "purpose: {a: b\nbefore:\n",
            ":3: YAML can't read this line (expected ',' or '}', but got ':'); close the bracket opened on line 2, "
            "and put text with a colon, comma or bracket in quotes",
        ),
        (
            "before:\n",
            "purpose: {set: blower when: start}\nbefore:\n",
            ":2: YAML can't read this line (expected ',' or '}', but got ':'); a comma is missing before when:",
        ),
        (
            "before:\n",
            "cut {how: supply, off_for: 2 s}\nbefore:\n",
            ":2: YAML can't read this line (mapping values are not allowed here); write a colon after cut: cut: {",
        ),
        (
            "before:\n",
            'purpose: "abc\nbefore:\n',
            ":2: YAML can't read this line (found unexpected end of stream); close the quote or bracket opened on line 2",
        ),
        (
            "before:\n",
            "purpose: @home\nbefore:\n",
            ":2: YAML can't read this line (found character '@' that cannot start any token); "
            "put text that begins with such a sign in quotes",
        ),
        (
            "before:\n",
            "purpose: *note\nbefore:\n",
            ":2: YAML can't read this line (found undefined alias 'note'); put text that begins with such a sign in quotes",
        ),
        (
            "before:\n",
            "purpose\nbefore:\n",
            ":2: YAML can't read this line (could not find expected ':'); write a colon and a space after the key",
        ),
        (
            "before:\n",
            "---\nbefore:\n",
            ":2: YAML can't read this line (but found another document); write one file for each and delete the line with ---",
        ),
        (
            "before:\n",
            "scenario: other\nbefore:\n",
            ":2: scenario: stands twice (first on line 1); YAML would keep only the last; delete one of the two",
        ),
        (
            "before:\n",
            "purpose: !!binary aGk=\nbefore:\n",
            ":2: purpose: !!binary is a YAML tag, and suite files have none; "
            "delete it, or put quotes around text that begins with !",
        ),
        (
            "before:\n",
            "purpose: &note [*note]\nbefore:\n",
            ":2: purpose[0]: an alias stands within what it repeats; write the values out",
        ),
        (
            "before:\n  - press: start\n",
            "before:\n  - press start\n",
            ":3: before[0]: no step is named here; "
            "begin the entry with one of press:, hold:, release:, write:, expect:, wait:, ask:, by_eye:",
        ),
        ("  - press: start\n", "  - press: start\n    fr: 1 s\n", ":4: before[0].fr: unknown key; did you mean for?"),
        ("after:\n", "after: [expect]\nx:\n", ":7: after: a list stands where a mapping is due; write it like {expect: {burner: off}}"),
        (
            "before:\n  - press: start\n  - expect: {burner: on}\n",
            "before: {press: start}\n",
            ":2: before: a mapping stands where a list is due; write it like [{press: start_button}], "
            "or one entry a line with -",
        ),
    ],
)  # fmt: skip
def test_a_scenario_file_says_what_is_wrong_and_the_cure(old: str, new: str, says: str) -> None:
    """One slip, one sentence with its line, its path and what to write instead."""
    assert scenario_faults(old, new)[0] == f"scenario.yaml{says}"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "host: 192.0.2.10",
            "host: 192.0.2.10:502",
            ":4: devices.controller.host: 192.0.2.10:502 is not an IP address; write host: 192.0.2.10 and port: 502",
        ),
        (
            "host: 192.0.2.10",
            "host: dryer.local",
            ":4: devices.controller.host: dryer.local is not an IP address; write the address in numbers, "
            "like 192.0.2.10 (looking a name up can block while a cut is timed)",
        ),
        (
            "holding_register: 0}",
            "holding_register: 40001}",
            ":20: points.batches.holding_register: 40001 looks like an item number; addresses count from 0: "
            "write holding_register: 0 (if 40001 is really meant, write 0x9C41)",
        ),
        (
            "holding_register: 0}",
            "holding_register: 400012}",
            ":20: points.batches.holding_register: 400012 is outside 0..65535; addresses count from 0: "
            "write holding_register: 11",
        ),
        (
            "holding_register: 0}",
            "holding_register: 012}",
            ":20: points.batches.holding_register: 012 is read as 10 by YAML; write 12",
        ),
        ("loads: harmless\n", "", ":1: loads: is missing; add it, like loads: harmless"),
        ("loads: harmless", "loads: harmles", ":2: loads: harmles is not known here; did you mean harmless?"),
        (
            "coil: 0, writable: true",
            "coil: 0, writable: maybe",
            ":16: points.start.writable: maybe is neither on nor off; write on or off",
        ),
        (
            "  batches:",
            "  Batches:",
            ":20: points.Batches: Batches is no name for a point: a to z first, then a to z, 0 to 9 and _, "
            "32 characters at most; write batches",
        ),
        ("  batches:", "  ready:", ":20: points.ready: ready can't be a name: it is a mark of the cycle; choose another, like ready_1"),
        (
            "loads: harmless",
            "loads: harmless\nrecord: {customer: Smith, Jones}",
            ":3: record.customer: Smith, Jones is cut in two at the comma; "
            'put text with a comma in quotes: customer: "Smith, Jones"',
        ),
    ],
)  # fmt: skip
def test_a_rig_file_says_what_is_wrong_and_the_cure(old: str, new: str, says: str) -> None:
    """The same for rig files."""
    assert rig_faults(old, new) == [f"rig.yaml{says}"]


@pytest.mark.parametrize("word", ["on", "On", "ON", "yes", "true", "True", '"on"', "'YES'"])
def test_on_is_understood_in_every_spelling(word: str) -> None:
    """Editors speak YAML 1.2, where `on` is text: as text it counts too, in any case."""
    suite = load(rig=spoilt(RIG, "writable: true, idle: off", f"writable: {word}, idle: off"))
    assert suite.rig.points["start"].writable is True


@pytest.mark.parametrize("word", ["off", "Off", "OFF", "no", "false", '"off"'])
def test_off_is_understood_in_every_spelling(word: str) -> None:
    """The same for off."""
    scenario = load(scenario=spoilt(SCENARIO, "    burner: off", f"    burner: {word}")).scenarios[0]
    assert scenario.after[0].wanted.equals is False


def test_all_faults_of_all_files_are_told_at_once() -> None:
    """Structure, values and what contradicts another file, in the rig and in the scenario, in one go and by line."""
    rig = spoilt(RIG, "host: 192.0.2.20", "host: 192.0.2.20, pol: 2 ms").replace("rig: bench", "rig: bench\ncolour: 1")
    rig = spoilt(rig, "proof_of_cut: [{rail: off}]", "proof_of_cut: [{burner: off}]")
    scenario = spoilt(SCENARIO, "press: start", "press: stop").replace("3 s", "1 s").replace("    burner", "    bruner")
    assert [line.split(": ")[0:2] for line in told(lambda: load(rig=rig, scenario=scenario))] == [
        ["rig.yaml:2", "colour"],
        ["rig.yaml:6", "devices.independent.pol"],
        ["rig.yaml:27", "proof_of_cut[0].burner"],
        ["scenario.yaml:3", "before[0].press"],
        ["scenario.yaml:6", "cut.off_for"],
        ["scenario.yaml:9", "after.expect.bruner"],
    ]


def test_a_fault_does_not_breed_others() -> None:
    """What only follows from a fault already told is left out: the points of a faulty device, presses of a faulty
    point, the cut of a supply whose driver is unknown."""
    assert len(rig_faults("host: 192.0.2.10", "host: nowhere")) == 1
    assert len(rig_faults("idle: off}", "idle: maybe}")) == 1
    assert len(rig_faults("driver: modbus-coil", "driver: modbus-coyl")) == 1
    assert len(scenario_faults("off_for: 3 s", "off_for: 3")) == 1


def test_after_a_syntax_error_only_that_one_is_told() -> None:
    """Nothing behind it can be trusted."""
    faults = scenario_faults("  - press: start", "\t- press: start\n  colour: red: blue")
    assert [line.split(": ")[0] for line in faults] == ["scenario.yaml:3"]


# ---------------------------------------------------------------- files as a whole


def said_of(content: bytes) -> list[str]:
    """What is said of a file with this content."""
    return [str(fault) for fault in read_bytes(content, Path("a.yaml")).faults]


def test_utf8_is_read_with_and_without_its_mark() -> None:
    """Editors on Windows put a byte order mark in front."""
    text = "scenario: s\npurpose: Trocknung für Körner\n"
    for content in (text.encode(), b"\xef\xbb\xbf" + text.encode(), text.replace("\n", "\r\n").encode()):
        tree = read_bytes(content, Path("a.yaml")).tree
        assert tree is not None
        assert str(tree["purpose"]) == "Trocknung für Körner"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("scenario: s".encode("utf-16"), "a.yaml:1: is written in UTF-16; "),
        ("scenario: s".encode("utf-16-le"), "a.yaml:1: is written in UTF-16; "),
        ("scenario: s".encode("utf-32"), "a.yaml:1: is written in UTF-32; "),
        (
            "scenario: s\npurpose: für".encode("cp1252"),
            "a.yaml:2: is not UTF-8 (byte FC); it looks like Windows-1252 or another one-byte encoding; ",
        ),
        (b"scenario: s\nx: a\0b", "a.yaml:2: holds a zero byte; "),
    ],
)
def test_other_encodings_are_named(content: bytes, says: str) -> None:
    """Nothing is guessed: the person saves the file as UTF-8."""
    assert said_of(content) == [says + "save it as UTF-8 (in the editor: Save as, encoding UTF-8)"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "a.yaml:1: is empty; begin it with rig:, scenario: or program:"),
        (b"# nothing\n", "a.yaml:1: is empty; begin it with rig:, scenario: or program:"),
        (b"- rig\n", "a.yaml:1: does not begin with a key; begin it with rig:, scenario: or program:"),
        (b"rig", "a.yaml:1: does not begin with a key; begin it with rig:, scenario: or program:"),
        (b"a: \x07", "a.yaml:1: holds a character that YAML does not allow (code 0007); delete it; it is invisible in most editors"),
        (b"a: " + b"[" * 2000, "a.yaml:1: is nested too deeply; write it with fewer brackets"),
        (b"? [a]\n: 1\n", "a.yaml:1: a key must be a word; put quotes around text that begins with a bracket"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_suite_file_says_so(content: bytes, says: str) -> None:
    """Empty files, lists, invisible characters, brackets without end."""
    assert said_of(content)[:1] == [says]


def test_a_file_over_1_mib_is_refused_unread(tmp_path: Path) -> None:
    """The limit holds before anything is parsed."""
    path = tmp_path / "big.yaml"
    path.write_bytes(b"rig: a\n# " + b"x" * LARGEST_BYTES)
    assert [fault.text for fault in read_yaml(path).faults] == ["is larger than 1 MiB"]


def test_an_alias_bomb_is_refused() -> None:
    """Nine aliases of nine aliases of ... would fill any memory."""
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    for one, other in zip("bcdefgh", "abcdefg", strict=True):
        lines.append(f"{one}: &{one} [{', '.join([f'*{other}'] * 9)}]")
    assert "aliases grow it beyond all measure; write the values out" in said_of("\n".join(lines).encode())[-1]


def test_an_alias_may_repeat_a_value() -> None:
    """Anchors and merge keys are part of YAML 1.1; a key of one's own wins over what is taken over."""
    read = read_bytes(b"a: &a {x: 1, y: 2}\nb: {<<: *a, y: 3}\nc: *a\n", Path("a.yaml"))
    assert read.faults == []
    assert read.tree is not None
    assert {key: str(value) for key, value in read.tree["b"].items()} == {"y": "3", "x": "1"}
    assert isinstance(read.tree["c"], Block)


def test_a_second_ending_hidden_by_windows_is_told(tmp_path: Path) -> None:
    """`rig.yaml.txt` looks like `rig.yaml` in a file manager."""
    load_in(tmp_path, RIG, SCENARIO)
    (tmp_path / "rig.yaml").rename(tmp_path / "rig.yaml.txt")
    cure = "rename rig.yaml.txt to rig.yaml (Windows hides the second ending)"
    assert told(lambda: load_suites([tmp_path], cards=cards())) == [f"{tmp_path.name}:1: has no rig.yaml; {cure}"]
    (tmp_path / "rig.yaml.txt").rename(tmp_path / "rig.yaml")
    (tmp_path / "scenario.yaml").rename(tmp_path / "scenario.yaml.txt")
    cure = "rename scenario.yaml.txt to scenario.yaml (Windows hides the second ending)"
    assert f"scenario.yaml.txt:1: would not be read; {cure}" in told(lambda: load_suites([tmp_path], cards=cards()))


# ---------------------------------------------------------------- faults and cures as values


def test_a_fault_is_shown_as_file_line_path_text_cure() -> None:
    """The form that editors and people know."""
    assert str(Fault("rig.yaml", 3, "points.auger", "has no address", "add one")) == (
        "rig.yaml:3: points.auger: has no address; add one"
    )
    assert str(Fault("rig.yaml", 1, "", "is empty", "write it")) == "rig.yaml:1: is empty; write it"


def test_faults_stand_in_the_order_of_files_and_lines_and_each_once() -> None:
    """Files as they come, lines from the top, nothing twice."""
    first, second, other = (Fault(file, line, "", "x", "y") for file, line in (("b", 1), ("b", 9), ("a", 1)))
    assert in_order([second, first, other, second]) == (first, second, other)
    assert str(FaultsFound([second, first])) == "b:1: x; y\nb:9: x; y"


def test_paths_are_shown_with_dots_and_places_from_0() -> None:
    """`before[0].press`."""
    assert shown_path(("before", 0, "press")) == "before[0].press"
    assert shown_path(()) == ""


SAMPLES: dict[str, Refusal] = {
    "tab": Refusal(SYNTAX, "yaml", "found character", line="\ta: b"),
    "colon in unquoted text": Refusal(SYNTAX, "yaml", "mapping values are not allowed here", line="a: b: c"),
    "two documents": Refusal(SYNTAX, "yaml", "but found another document"),
    "sign that YAML keeps for itself": Refusal(SYNTAX, "yaml", "found character '@' that cannot start any token"),
    "no colon between a key and its brace": Refusal(SYNTAX, "yaml", "", line="cut {how: supply}"),
    "no comma between two keys": Refusal(SYNTAX, "yaml", "expected ',' or '}'", line="- {set: m when: a}"),
    "open bracket": Refusal(SYNTAX, "yaml", "expected ',' or ']'", opened=1),
    "open quote": Refusal(SYNTAX, "yaml", "found unexpected end of stream", opened=1),
    "key without colon": Refusal(SYNTAX, "yaml", "could not find expected ':'"),
    "uneven indentation": Refusal(SYNTAX, "yaml", "expected <block end>"),
    "value in front of the colon": Refusal(KEY, "key", "off"),
    "colon forgotten": Refusal(KEY, "key", "within 5 s", known=("within",), no_value=True),
    "space forgotten": Refusal(KEY, "key", "within:5 s", known=("within",), no_value=True),
    "comma in unquoted text": Refusal(KEY, "key", "Jones", before=("customer", "Smith"), no_value=True),
    "known keys": Refusal(KEY, "key", "zzzz", known=("within",)),
    "hidden ending": Refusal(VALUE, "file name", "rig.yaml.txt"),
    "duration with colons": Refusal(VALUE, "duration", "1:30"),
    "number with colons": Refusal(VALUE, "number", "1:30"),
    "leading zero": Refusal(VALUE, "number", "012"),
    "unit in other words": Refusal(VALUE, "duration", "3 minutes"),
    "item number as address": Refusal(VALUE, "address", "40001"),
    "port in the host": Refusal(VALUE, "host", "192.0.2.1:502"),
    "known words": Refusal(VALUE, "word", "zzzz", known=("required",)),
}
TWICE: dict[str, tuple[Refusal, ...]] = {
    "curly quotes": (
        Refusal(SYNTAX, "yaml", "x", line="a: “b: c”"),
        Refusal(KEY, "key", "“a”"),
        Refusal(VALUE, "word", "“a”"),
    ),
    "decimal comma": (
        Refusal(KEY, "key", "5 s", before=("off_for", "1"), no_value=True),
        Refusal(VALUE, "duration", "1,5 s"),
    ),
    "list without brackets": (
        Refusal(KEY, "key", "3 s", before=("off_for", "2 s"), no_value=True),
        Refusal(VALUE, "duration", "2 s, 3 s"),
    ),
    "misspelt": (Refusal(KEY, "key", "withn", known=("within",)), Refusal(VALUE, "word", "requird", known=("required",))),
}  # fmt: skip


def test_every_row_of_the_table_is_the_first_to_fit_its_sample() -> None:
    """No row is dead: each has a refusal that it and no earlier row takes."""
    samples = {name: [one] for name, one in SAMPLES.items()} | {name: list(some) for name, some in TWICE.items()}
    for row in (one for rows in TABLE.values() for one in rows):
        refusal = samples[row.name].pop(0)
        assert next(one for one in TABLE[refusal.stage] if one.test(refusal)) is row, row.name
        assert row.say(refusal)
    assert not any(samples.values())


def test_without_a_row_the_refusing_part_speaks_for_itself() -> None:
    """The table only improves on what the type knows."""
    assert cure_for(Refusal(VALUE, "duration", "soon", default="write it like 3 s")) == "write it like 3 s"


@pytest.mark.parametrize(("word", "meant"), [("burnr", "burner"), ("zzz", ""), ("gone", ""), ("onn", "on")])
def test_only_near_words_are_suggested(word: str, meant: str) -> None:
    """Two letters are near to almost anything, so `on` is only suggested where hardly more was written."""
    assert closest(word, ["burner", "fan", "on"]) == meant


@pytest.mark.parametrize("make", [lambda: load(rig=""), lambda: load(scenario="a: [")])
def test_faults_name_their_file(make: Callable[[], object]) -> None:
    """Also where nothing of the file could be read."""
    faults = told(make)
    assert faults and all(line.startswith(("rig.yaml:", "scenario.yaml:")) for line in faults)
    assert told(make)
