"""Program files: what they are read into, and what contradicts itself, the rig, or IEC 61131-3."""

# ruff: noqa: E501 - the sentences are asserted whole, and are easier to read in one piece

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from file_suites import PROGRAM, RIG, load, program_faults, spoilt, the_program, the_rig, told
from restart_bench.files.faults import FaultsFound
from restart_bench.model.program import Boot, Coil, Counter, Input, Memory, Program, Reset, RideThrough, Set
from restart_bench.suite.loader import load_program, load_suites
from restart_bench.suite.program_reader import program_checksum
from restart_bench_drivers.registry import cards

MS = 1_000_000
FAN = "  - {coil: fan, when: burner}\n"
INPUTS = "inputs:\n  start: {role: command, rest: off}\n"
MEMORY = "memory:\n  batches: {retained: true}\n"


def test_a_program_keeps_its_parts_in_file_order() -> None:
    """Inputs, memory and rungs with the lines on which they stand."""
    program = the_program()
    start, burner = ("name", "start"), ("name", "burner")
    assert program.inputs == (Input("start", "command", False),)
    assert program.memory == {"batches": Memory("batches", True, 0)}
    assert program.rungs == (
        Set("burner", start, 7),
        Reset("burner", ("name", "first_scan"), 8),
        Coil("fan", burner, 9),
    )


def test_what_is_left_out_takes_the_default_of_the_design() -> None:
    """Scan of 10 ms, no boot, rides through nothing, no start pass, outputs at the scan's end, saved at once."""
    program = the_program()
    assert program == Program(
        "lamp", 10 * MS, Boot(), RideThrough(), "none", "at scan end", "at once", program.inputs, program.memory,
        program.rungs, (), program.digest, program.path,
    )  # fmt: skip


def test_names_and_words_of_conditions_may_be_written_in_any_case() -> None:
    """Structured Text does not tell `Start` from `start` (IEC 61131-3, identifiers)."""
    assert the_program("when: start}", "when: Not START And fAn}").rungs[0].when == (  # type: ignore[union-attr]
        "and", ("not", ("name", "start")), ("name", "fan"),
    )  # fmt: skip


def test_a_register_begins_at_0_and_a_bit_off() -> None:
    """Where `initial:` and `rest:` are not written, the point of that name says what nothing is."""
    program = the_program(MEMORY, "memory:\n  batches: {retained: on}\n  latch: {}\n")
    assert [(one.initial, type(one.initial)) for one in program.memory.values()] == [(0, int), (False, bool)]


def test_the_first_scan_is_known_to_every_program() -> None:
    """`first_scan` needs no declaration, and nothing may drive it."""
    assert program_faults(FAN, "  - {coil: first_scan, when: burner}\n")[0].startswith(
        "program.yaml:9: rungs[2].coil: first_scan can't be a name: it is what every program knows as its first scan"
    )


def test_a_writable_point_of_the_controller_is_memory() -> None:
    """Whatever writes it over Modbus writes it: it need not be declared, and it can be compared."""
    assert program_faults(FAN, "  - {coil: fan, when: setpoint >= 5}\n") == []


def test_a_counter_is_its_output_and_compared_its_count() -> None:
    """The standard's Q and CV under one name."""
    counter = "  - {counter: batches, kind: CTU, when: start, preset: 5}\n"
    program = the_program(FAN, f"{counter}  - {{coil: fan, when: batches OR batches > 2}}\n")
    assert isinstance(program.rungs[2], Counter)
    assert program_faults(FAN, counter + FAN) == []


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        # what drives a name
        (FAN, "  - {coil: burner, when: start}\n", "rungs[2].coil: burner is driven by set and reset on line 7 and by a plain coil here; drive it by a plain coil or by set and reset, not by both"),
        (FAN, f"{FAN}  - {{coil: fan, when: start}}\n", "rungs[3].coil: fan is driven twice (first on line 9); join the two conditions with OR, or use two names"),
        (FAN, f"{FAN}  - {{timer: fan, kind: TON, preset: 1 s, when: start}}\n", "rungs[3].timer: fan is driven by a plain coil on line 9 and by a timer here"),
        (FAN, "  - {coil: start, when: burner}\n", "rungs[2].coil: start is an input and can't be driven; drive another name"),
        (FAN, "  - {coil: rail, when: burner}\n", "rungs[2].coil: rail is a point of independent, not of the controller; drive another name"),
        (FAN, "  - {coil: batches, when: burner}\n", "rungs[2].coil: batches holds a number and can't be driven off and on; name a coil, or another name (a register shows the count of a counter)"),
        (FAN, "  - {timer: batches, kind: TON, preset: 1 s, when: start}\n", "rungs[2].timer: batches holds a number"),
        # what a condition reads
        (FAN, "  - {coil: fan, when: burnr}\n", "rungs[2].when: nothing ever writes burnr; did you mean burner?"),
        (FAN, "  - {coil: fan, when: door}\n", "rungs[2].when: nothing ever writes door; declare it under inputs: or memory:, or drive it"),
        (FAN, "  - {coil: fan, when: burner > 3}\n", "rungs[2].when: burner is off or on and can't be compared; give it a number under memory:, like burner: {initial: 0}"),
        (FAN, "  - {coil: fan, when: batches}\n", "rungs[2].when: batches is a number, not a condition; compare it, like batches >= 1"),
        (FAN, "  - {timer: purge, kind: TON, preset: 1 s, when: start}\n  - {coil: fan, when: purge > 3}\n", "rungs[3].when: purge is off or on and can't be compared; take its output alone"),
        (FAN, "  - {coil: fan, when: NOT batches = 3}\n", "rungs[2].when: NOT binds tighter than =, so this compares NOT batches; write NOT (batches = 3)"),
        # blocks
        (FAN, "  - {counter: count, kind: CTU, when: start, preset: 5, load: burner}\n", "rungs[2].load: is no input of a CTU; write clear:"),
        (FAN, "  - {counter: count, kind: CTD, when: start, preset: 5, clear: burner}\n", "rungs[2].clear: is no input of a CTD; write load:"),
        (FAN, "  - {timer: purge, preset: 1 s, when: start}\n", "rungs[2].kind: is missing; add it, like kind: TON"),
        (FAN, "  - {timer: purge, kind: TON, when: start}\n", "rungs[2].preset: is missing; add it, like preset: 2 s"),
        (FAN, "  - {coil: fan}\n", "rungs[2].when: is missing; add it, like when: (start_button OR auger) AND stop_button"),
        (FAN, "  - {bistable: latch, kind: SR, set: start}\n", "rungs[2].reset: is missing"),
        (FAN, "  - {coil: fan, timer: purge, when: start}\n", "rungs[2].timer: unknown key; known here: coil, when"),
        (FAN, "  - {coil: fan, when: start, kind: TON}\n", "rungs[2].kind: unknown key"),
        # inputs and memory
        (INPUTS, "inputs:\n  start: {role: command, rest: on}\n", "inputs.start.rest: differs from the point's idle in the rig, which is off; write rest: off, or correct idle:"),
        (INPUTS, "inputs:\n  start: {role: command, rest: 7}\n", "inputs.start.rest: 7 for start, which is off or on"),
        (INPUTS, "inputs:\n  start: {rest: off}\n", "inputs.start.role: is missing; add it, like role: command"),
        (MEMORY, "memory:\n  start: {retained: true}\n", "memory.start: is an input; delete it here or there"),
        (MEMORY, "memory:\n  batches: {initial: on}\n", "memory.batches.initial: on for batches, which holds a number"),
        (MEMORY, "memory:\n  batches: {initial: 70000}\n", "memory.batches.initial: 70000 is outside what batches can hold (uint16)"),
        (f"{MEMORY}rungs:\n", "memory:\n  purge: {initial: on}\nrungs:\n  - {timer: purge, kind: TON, preset: 1 s, when: start}\n", "memory.purge.initial: a timer or an edge has no initial value; delete initial:"),
        (f"{MEMORY}rungs:\n", "memory:\n  count: {initial: 1.5}\nrungs:\n  - {counter: count, kind: CTU, preset: 1, when: start}\n", "memory.count.initial: a counter counts whole numbers; write a whole number"),
        # the whole
        ("program: lamp\n", "program: lamp\nrides_through: {middle: 1 ms, spread: 2 ms}\n", "rides_through.spread: is more than the middle; write a smaller spread"),
        ("program: lamp\n", "program: lamp\nscan: 0\n", "scan: 0 is no time at all; write a duration above 0"),
        ("program: lamp\n", "program: lamp\nfaults: [{fault: retained-lost, point: batchs}]\n", "faults[0].point: batchs is no point of the rig or the program; did you mean batches?"),
        ("program: lamp\n", "program: lamp\nfaults: [{fault: late-reply, colour: red}]\n", "faults[0]"),
        ("program: lamp\n", "program: lamp\nfaults: [{fault: stale-imag}]\n", "faults[0].fault: stale-imag: unknown fault; did you mean stale-image?"),
    ],
)  # fmt: skip
def test_a_program_that_can_not_be_interpreted_is_refused(old: str, new: str, says: str) -> None:
    """Each contradiction is told once, at its place, with a cure."""
    faults = program_faults(old, new)
    assert len(faults) == 1, faults
    assert f": {says}" in faults[0], faults
    assert faults[0].startswith("program.yaml:")


def test_several_set_and_reset_rungs_may_drive_one_name() -> None:
    """Only plain coils and blocks stand alone."""
    more = "  - {set: burner, when: fan}\n  - {reset: burner, when: NOT start}\n"
    assert program_faults(FAN, FAN + more) == []


def test_faults_of_a_rig_do_not_breed_faults_of_its_program() -> None:
    """A point whose own entry is faulty is not also unknown to the program."""
    rig = spoilt(RIG, "setpoint: {device: controller", "setpoint: {device: controler")
    program = spoilt(PROGRAM, FAN, "  - {coil: fan, when: setpoint > 3}\n")
    (line,) = told(lambda: load(rig=rig, program=program))
    assert line.startswith("rig.yaml:17: points.setpoint.device: ")


# ---------------------------------------------------------------- where programs come from


def test_the_digest_is_the_low_half_of_the_crc_and_knows_no_line_ends() -> None:
    """CRC-32 as zlib computes it; the same file saved on Windows is the same program (check value of CRC-32 over
    "123456789": CBF43926, so 0x3926 here)."""
    assert program_checksum(b"123456789") == 0x3926
    assert program_checksum(b"a\r\nb\r\n") == program_checksum(b"a\nb\n") == zlib.crc32(b"a\nb\n") & 0xFFFF
    assert the_program().digest != the_program("program: lamp", "program: lamp, edited").digest


def test_a_program_file_is_loaded_on_a_rig(tmp_path: Path) -> None:
    """`--program FILE`; anything that is no program is refused."""
    (tmp_path / "p.yaml").write_text(PROGRAM, encoding="utf-8")
    program = load_program(tmp_path / "p.yaml", the_rig())
    assert (program.name, program.path) == ("lamp", str(tmp_path / "p.yaml"))
    assert (program.scan_ns, program.boot.total_ns) == (10_000_000, 0)
    (tmp_path / "r.yaml").write_text(RIG, encoding="utf-8")
    assert told(lambda: load_program(tmp_path / "r.yaml", the_rig())) == [
        "r.yaml:1: is a rig, where a program is due; name a program file"
    ]


def test_the_rigs_simulation_is_found_beside_the_file_that_names_it(tmp_path: Path) -> None:
    """Also where that file is one that the rig extends; `--program` goes before it."""
    (tmp_path / "suite").mkdir()
    (tmp_path / "base.yaml").write_text(RIG.replace("rig: bench\n", "") + "simulation: p.yaml\n", encoding="utf-8")
    (tmp_path / "p.yaml").write_text(PROGRAM, encoding="utf-8")
    (tmp_path / "other.yaml").write_text(PROGRAM.replace("program: lamp", "program: other"), encoding="utf-8")
    (tmp_path / "suite" / "rig.yaml").write_text("rig: bench\nextends: ../base.yaml\n", encoding="utf-8")
    (tmp_path / "suite" / "s.yaml").write_text(
        "scenario: s\ncut: {off_for: 3 s}\nafter: {expect: {burner: off}}\n", encoding="utf-8"
    )
    for program, name in ((None, "lamp"), (tmp_path / "other.yaml", "other")):
        (suite,) = load_suites([tmp_path / "suite"], program=program, cards=cards())
        assert suite.program is not None
        assert suite.program.name == name
        assert [one.kind for one in suite.files] == ["rig", "rig", "scenario", "program"]


def test_a_simulation_that_is_not_there_is_told_at_its_line() -> None:
    """The rig names a file; where it is not, nothing could be simulated."""
    assert told(lambda: load(rig=f"{RIG}simulation: nowhere.yaml\n")) == [
        "rig.yaml:27: simulation: nowhere.yaml is not there; write its path as seen from this file"
    ]


# ---------------------------------------------------------------- the program of another rig

LESSON = Path(__file__).parents[2] / "scenarios/first-lesson"


def test_a_program_that_drives_nothing_of_the_rig_is_another_rigs() -> None:
    """It is refused with the outputs that it does not drive, before three cycles are waited for in vain."""
    with pytest.raises(FaultsFound) as found:
        load_suites([LESSON], program=LESSON.parent / "grain-dryer/program.yaml", cards=cards())
    (fault,) = found.value.faults
    assert fault.text == "grain dryer, edition 7 drives none of the outputs of first-lesson (elevator, blower)"


def test_an_output_that_is_expected_and_that_no_rung_drives_is_told(tmp_path: Path) -> None:
    """Where the scenarios expect nothing of it, or it is memory, nothing is said."""
    text = (LESSON / "edition-4.yaml").read_text(encoding="utf-8")
    for other, warned in (("blowr", ["blower"]), ("blower", [])):
        program = tmp_path / f"{other}.yaml"
        program.write_text(text.replace("blower", other), encoding="utf-8")
        (suite,) = load_suites([LESSON], program=program, cards=cards())
        assert [one.text.split()[0] for one in suite.warnings] == warned
