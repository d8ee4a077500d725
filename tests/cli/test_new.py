"""`new`: what it asks, what it refuses, and that what it writes is a suite that loads, checks and passes."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from drawn import seldom
from restart_bench.cli.look import Looker, all_well
from restart_bench.cli.new import Answers, ask_all, files_for, write_suite
from restart_bench.evidence.restarts import unit_ns
from restart_bench.files.faults import FaultsFound
from restart_bench.files.points_table import COLUMNS, points_table, read_points
from restart_bench.model.outcome import Refused, RunOptions
from restart_bench.model.rig import Rig
from restart_bench.model.verdicts import Verdict
from restart_bench.model.wording import RATE_OVER_S
from restart_bench.observer.handle import ObserverHandle
from restart_bench.run.session import perform
from restart_bench.screen.plain import PlainShow
from restart_bench.simulated.handle import Simulation
from restart_bench.suite.loader import Suite, load_suites
from restart_bench_drivers.registry import cards

TWO_EACH = Answers("drum", stays_off=("motor", "valve"), comes_back=("lamp", "fan"), contact="normally-closed")


def written(folder: Path, answers: Answers, by_hand: bool, repeat: int | None = None, pulse: str = "100 ms") -> Suite:
    """The suite that these answers make, loaded again from its files; with pulses of another length, if asked."""
    for name, text in files_for(answers, by_hand).items():
        (folder / name).write_text(text.replace("longer_than: 100 ms", f"longer_than: {pulse}"), encoding="utf-8")
    (suite,) = load_suites([folder], repeat=repeat, cards=cards())
    return suite


def answering(answers: Mapping[str, list[str]]) -> tuple[Callable[[str, str], str], list[str]]:
    """Answers given in turn to questions that begin so; all others take what is proposed. And what was asked."""
    asked: list[str] = []

    def ask(question: str, proposed: str) -> str:
        asked.append(question)
        left = next((given for start, given in answers.items() if question.startswith(start)), [])
        return left.pop(0) if left else proposed

    return ask, asked


# ---------------------------------------------------------------- what it writes


@pytest.mark.parametrize("by_hand", [False, True])
@pytest.mark.parametrize("answers", [Answers("drum"), TWO_EACH], ids=["one output each", "two outputs each"])
def test_what_is_written_loads_without_fault_and_without_warning(
    tmp_path: Path, answers: Answers, by_hand: bool
) -> None:
    """A new suite is a good example: nothing in it is wrong, and nothing in it is worth a warning."""
    suite = written(tmp_path, answers, by_hand)
    assert suite.warnings == ()
    assert unit_ns(suite.rig.points["uptime"]) is not None  # else a wrap is not told from a restart
    assert {one.name for one in suite.scenarios} == {"stays-off", "comes-back"}
    assert suite.program is not None
    assert suite.rig.groups == {"stays_off": answers.stays_off, "comes_back": answers.comes_back}


def test_answers_reach_the_files(tmp_path: Path) -> None:
    """Addresses, coil and contact that were answered are those of the rig."""
    answers = dataclasses.replace(
        TWO_EACH, controller_host="10.1.2.3", independent_host="10.1.2.4", relay_host="10.1.2.5", relay_coil=7
    )
    rig = written(tmp_path, answers, by_hand=False).rig
    assert (rig.devices["controller"].host, rig.devices["independent"].host) == ("10.1.2.3", "10.1.2.4")
    assert rig.supply is not None
    assert (rig.supply.settings["host"], rig.supply.settings["coil"], rig.supply.contact) == (
        "10.1.2.5",
        7,
        "normally-closed",
    )


def test_by_hand_needs_only_the_controller(tmp_path: Path) -> None:
    """Without relay and independent I/O one device is read, a person presses and a person switches."""
    rig = written(tmp_path, Answers("drum"), by_hand=True).rig
    assert list(rig.devices) == ["controller"]
    assert rig.supply is not None
    assert rig.supply.driver == "by-hand"
    assert not any(point.writable for point in rig.points.values())
    assert rig.points["start_button"].by_hand == "start button"


@pytest.mark.parametrize(("by_hand", "mode"), [(True, "by-hand"), (False, "by-hand"), (False, "point")])
def test_with_a_mode_switch_there_is_a_scenario_of_a_mode_change(tmp_path: Path, by_hand: bool, mode: str) -> None:
    """Whoever says how run mode is left gets `mode:` in the rig and a third scenario, without fault or warning."""
    suite = written(tmp_path, dataclasses.replace(TWO_EACH, mode=mode), by_hand)
    assert suite.warnings == ()
    assert suite.rig.mode is not None
    assert suite.rig.mode.driver == mode
    assert {one.name for one in suite.scenarios if one.how == "mode"} == {"mode-change"}


def test_without_a_mode_switch_there_is_none(tmp_path: Path) -> None:
    """Pressing Enter at the question about run mode leaves the rig as it always was."""
    suite = written(tmp_path, TWO_EACH, by_hand=False)
    assert suite.rig.mode is None
    assert not any(one.how == "mode" for one in suite.scenarios)


def test_an_address_may_bear_its_port(tmp_path: Path) -> None:
    """A simulated rig in the next terminal stands at ports of its own: typed behind the address they are the rig's."""
    ask, _ = answering(
        {
            "IP address of the controller": ["127.0.0.1:20001"],
            "IP address of the independent": ["127.0.0.1:20002"],
            "IP address of the relay": ["127.0.0.1:20003"],
        }
    )
    rig = written(tmp_path, ask_all(ask, "drum", by_hand=False), by_hand=False).rig
    assert {one.name: (one.host, one.port) for one in rig.devices.values()} == {
        "controller": ("127.0.0.1", 20001),
        "independent": ("127.0.0.1", 20002),
    }
    assert rig.supply is not None
    assert (rig.supply.settings["host"], rig.supply.settings["port"]) == ("127.0.0.1", 20003)


@pytest.mark.parametrize(
    ("question", "answer", "says"),
    [
        ("IP address of the controller", "127.0.0.1:", "no port"),
        ("IP address of the controller", "127.0.0.1:70000", "no port"),
        ("Shall run mode", "maybe", "write no or yes"),
    ],
)
def test_a_useless_port_or_mode_is_asked_for_again(
    question: str, answer: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can't be used is told with what could be, and asked for once more."""
    ask, asked = answering({question: [answer]})
    ask_all(ask, "drum", by_hand=True)
    assert len([one for one in asked if one.startswith(question)]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize("by_hand", seldom(False, True))
def test_what_is_written_passes_on_its_simulated_rig(
    tmp_path: Path, by_hand: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first run of a new suite, still without any hardware, is a pass of both scenarios."""
    folder = tmp_path / "suite"
    folder.mkdir()
    # Pulses of 1 s: a busy computer may look away for 100 ms, which would be inconclusive and rightly so.
    suite = written(folder, TWO_EACH, by_hand, repeat=1, pulse="1 s")
    outcome = perform(suite, RunOptions(tmp_path / "logs", simulated=True), PlainShow(), None)
    verdicts = {one.scenario: one.verdict for one in outcome.runs[0].scenarios}
    assert verdicts == {"stays-off": Verdict.PASS, "comes-back": Verdict.PASS}, capsys.readouterr().out
    assert outcome.exit_code == 0


@pytest.mark.parametrize("by_hand", [False, True])
def test_what_is_written_is_served_as_it_is_written(tmp_path: Path, by_hand: bool) -> None:
    """`new`, then `simulate`, then `look`: the rig reads right from the first second on, its uptime too."""
    suite = written(tmp_path, Answers("drum"), by_hand)
    assert suite.program is not None
    with Simulation(suite.rig, suite.program, truth=None) as simulation:
        rig = simulation.rig
        with ObserverHandle(tuple(rig.devices.values()), tuple(rig.points.values()), tmp_path) as observing:
            looker = Looker(rig, observing, own_address=lambda host: host, heard={}, relay=None)
            looker.look_for(RATE_OVER_S + 1)
            stream = io.StringIO()
            Console(file=stream, width=200, color_system=None).print(looker.picture(200))
            assert all_well(looker.views()), stream.getvalue()
            assert "a time rises by a second a second" not in stream.getvalue()
            uptime = observing.latest("uptime")
    assert uptime is not None and uptime.value is not None
    assert 3600 <= float(uptime.value) < 3700  # running for an hour when it is first seen, in seconds


# ---------------------------------------------------------------- what it asks


@pytest.mark.parametrize(
    ("answer", "mode"), [("yes", "by-hand"), ("by-hand", "by-hand"), ("no", "none"), ("none", "none")]
)
def test_a_person_who_turns_the_mode_switch_is_a_yes(answer: str, mode: str) -> None:
    """The question asks yes or no; the words of the rig file are taken as well."""
    ask, asked = answering({"Shall run mode": [answer]})
    assert ask_all(ask, "drum", by_hand=True).mode == mode
    assert len([one for one in asked if one.startswith("Shall run mode")]) == 1


def test_letters_that_no_name_may_hold_are_spelt_out_and_it_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody looks for a point under a name that was never told."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\nFörderer, Größe é\nM1 Lüfter\n"))
    write_suite(tmp_path / "desk", by_hand=True)
    said = capsys.readouterr().out
    for told in ("Förderer is called foerderer", "Größe é is called groesse_e", "M1 Lüfter is called m1_luefter"):
        assert f"{told} in the files" in said


def test_without_a_relay_nobody_is_asked_about_one() -> None:
    """`--by-hand` asks for the rig's name, its outputs, the controller and its mode, and for nothing else."""
    ask, asked = answering({})
    ask_all(ask, "my-rig", by_hand=True)
    assert len(asked) == 5
    assert not any("relay" in question.lower() or "independent" in question for question in asked)


def test_a_useless_answer_is_asked_for_again(capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong address is told with its cure and asked for again; it does not end the conversation."""
    ask, asked = answering({"IP address of the controller": ["192.168.0", "192.168.0.10"]})
    assert ask_all(ask, "my-rig", by_hand=True).controller_host == "192.168.0.10"
    assert asked.count("IP address of the controller") == 2
    assert "write it like 192.168.0.10" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["start_button", "lamp, lamp", "Lamp, lamp", "and", "1", "電機", ""])
def test_names_that_can_not_be_points_are_refused(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Names of outputs follow the rule for points, and none may be taken twice."""
    ask, _ = answering({"Outputs that stay off": [name, "motor"]})
    assert ask_all(ask, "my-rig", by_hand=True).stays_off == ("motor",)
    assert capsys.readouterr().err


@pytest.mark.parametrize("by_hand", [False, True])
def test_words_that_people_use_become_a_name_and_a_label(tmp_path: Path, by_hand: bool) -> None:
    """Nobody has to know how a point may be named: what is on the drawing becomes the label, its letters the name."""
    ask, _ = answering({"Outputs that stay off": ['M1 Förder "A", Y1: valve']})
    answers = ask_all(ask, "my-rig", by_hand=by_hand)
    assert answers.stays_off == ("m1_foerder_a", "y1_valve")
    points = written(tmp_path, answers, by_hand).rig.points
    assert [points[name].shown for name in answers.stays_off] == ['M1 Förder "A"', "Y1: valve"]


def test_by_hand_nothing_is_demanded_that_a_hand_can_not_show(tmp_path: Path) -> None:
    """By hand the cut lies between question and answer, so no limit in the new scenarios counts from it."""
    suite = written(tmp_path, Answers("drum"), by_hand=True)
    assert "within" not in " ".join(one.text for scenario in suite.scenarios for one in scenario.after)
    assert suite.scenarios and all(not scenario.times for scenario in suite.scenarios)


def test_an_output_can_not_both_stay_off_and_come_back(capsys: pytest.CaptureFixture[str]) -> None:
    """What was named under "stay off" is taken when asked for what comes back."""
    ask, _ = answering({"Outputs that stay off": ["drum"], "Outputs that come back": ["drum", "lamp"]})
    assert ask_all(ask, "my-rig", by_hand=True).comes_back == ("lamp",)
    assert "taken" in capsys.readouterr().err


@given(st.text(max_size=40))
def test_any_folder_name_makes_a_rig_name(folder: str) -> None:
    """The proposed name of the rig is always one that a rig may have."""
    answers = ask_all(lambda _, proposed: proposed, folder, True)
    assert answers.rig
    assert set(answers.rig) <= set("abcdefghijklmnopqrstuvwxyz0123456789_-")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    """A folder that holds anything is left as it is."""
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(Refused, match="not empty"):
        write_suite(tmp_path, by_hand=False)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_the_next_steps_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who has a new suite reads what to type next: check, then the simulated run, then look."""
    monkeypatch.setattr("sys.stdin", io.StringIO())
    write_suite(tmp_path / "my-rig", by_hand=False)
    said = capsys.readouterr().out
    for command in ("restart-bench check", "--simulated", "restart-bench look"):
        assert command in said
    assert f"restart-bench simulate {tmp_path / 'my-rig'} --port 20001 --panel" in said
    assert "host: 127.0.0.1, port: 20001" in said and "20003 at the relay" in said


def test_who_switches_by_hand_is_shown_the_panel(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without any hardware a rig worked by hand is one worked at the panel, and where it stands is said."""
    monkeypatch.setattr("sys.stdin", io.StringIO())
    folder = tmp_path / "my-desk"
    write_suite(folder, by_hand=True)
    said = capsys.readouterr().out
    assert f"restart-bench simulate {folder} --port 20001 --panel" in said
    assert "`host: 127.0.0.1, port: 20001` at the controller in rig.yaml" in said


def test_the_panel_stands_at_the_port_that_was_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is printed can be typed as it stands: rig and bench meet."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\n\n\n127.0.0.1:26001\n"))
    folder = tmp_path / "my-desk"
    write_suite(folder, by_hand=True)
    said = capsys.readouterr().out
    assert f"restart-bench simulate {folder} --port 26001 --panel" in said
    assert "20001" not in said


# ---------------------------------------------------------------- answers from a pipe


def piped(folder: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> int:
    """`new` with these lines on its standard input, which is no console."""
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    return write_suite(folder, by_hand=False)


def test_answers_from_a_pipe_are_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever pipes answers in gets the rig that they describe, and sees each question with its answer."""
    assert piped(tmp_path / "drum", "trommel\nmotor, valve\n\n192.0.2.77\n", monkeypatch) == 0
    rig = (tmp_path / "drum" / "rig.yaml").read_text(encoding="utf-8")
    assert "rig: trommel\n" in rig and "host: 192.0.2.77" in rig and "valve" in rig
    assert "Name of the rig: trommel" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Trommel 1\n", "Trommel 1 can't name a rig"),
        ("drum\nmotor\nlamp\n192.0.2.300\n", "192.0.2.300 is no IP address"),
        ("\n" * 9 + "and one more\n", "and one more: an answer more than there are questions"),
    ],
)
def test_a_useless_answer_from_a_pipe_is_refused_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, says: str
) -> None:
    """Nobody can be asked again, and taking what was proposed would make another rig than the one described."""
    with pytest.raises(Refused, match=says):
        piped(tmp_path / "drum", text, monkeypatch)
    assert not (tmp_path / "drum").exists()


# ---------------------------------------------------------------- a list of points

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"
LIST = """\
Name;Address;Label;Terminal address
M1 Auger;coil 4;;7
burner;coil 5;Y1 burner valve;discrete_input 8
rail;discrete input 12;24 V rail;
batches;holding_register 3;;
"""


def listed(folder: Path, text: str, by_hand: bool = False, name: str = "points.csv") -> Suite:
    """The suite that `new` makes of this list, with all answers as proposed."""
    (folder / name).write_text(text, encoding="utf-8")
    write_suite(folder / "drum", by_hand=by_hand, points=folder / name)
    (suite,) = load_suites([folder / "drum"], cards=cards())
    return suite


@pytest.fixture(autouse=True)
def nobody_at_the_console(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every question takes what is proposed."""
    monkeypatch.setattr("sys.stdin", io.StringIO())


def test_a_list_of_points_becomes_the_points_of_the_rig(tmp_path: Path) -> None:
    """Names, addresses, labels and terminals are those of the list, also of a point that every new rig has."""
    rig = listed(tmp_path, LIST).rig
    auger, burner = rig.points["m1_auger"], rig.points["burner"]
    assert (auger.table, auger.address, auger.shown) == ("coil", 4, "M1 Auger")
    assert (burner.address, burner.shown) == (5, "Y1 burner valve")
    assert [rig.points[f"{name}_terminal"].address for name in ("m1_auger", "burner")] == [7, 8]
    assert (rig.points["rail"].address, rig.points["rail"].device) == (12, "independent")
    assert (rig.points["batches"].table, rig.points["batches"].address) == ("holding_register", 3)
    assert rig.groups == {"stays_off": ("m1_auger", "burner")}


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
@pytest.mark.parametrize("suite", ["first-lesson", "grain-dryer"])
def test_the_list_of_a_rig_makes_a_rig_with_the_same_points(tmp_path: Path, suite: str, kind: str) -> None:
    """What goes out as a table comes back: places, labels, terminals, idle values and kinds of numbers."""
    import openpyxl

    (first, *_) = load_suites([SCENARIOS / suite], cards=cards())
    file = tmp_path / f"points.{kind}"
    rows = [list(COLUMNS), *([row[column] for column in COLUMNS] for row in points_table(first.rig))]
    if kind == "csv":
        with file.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows(rows)
    else:
        book = openpyxl.Workbook()
        book.create_sheet("points")
        for row in rows:
            book["points"].append(row)
        book.save(file)
    write_suite(tmp_path / "again", by_hand=False, points=file)
    (again,) = load_suites([tmp_path / "again"], cards=cards())
    assert facts(again.rig) == facts(first.rig)


def facts(rig: Rig) -> dict[str, tuple[object, ...]]:
    """What a list tells of each point."""
    return {
        name: (one.device, one.table, one.address, one.label, one.terminal, one.idle, one.type, one.scale, one.unit)
        for name, one in rig.points.items()
        if name not in ("start_button", "stop_button") or one.label
    }


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("auger;coil x;;", "points.csv:2: column address: coil x is no address; write one of coil"),
        ("auger;70000;;", "points.csv:2: column address: 70000 is no address"),
        (";coil 1;;", "points.csv:2: column name: is empty; give"),
        ("while;coil 1;;", "points.csv:2: column name: "),
        ("auger;coil 1;;coil q", "points.csv:2: column terminal: coil q is no address"),
        ("auger;coil 1;;discrete_input 30", "points.csv:2: column terminal: discrete_input 30 of independent is where"),
        ("auger;coil 1;;\nauger;coil 2;;", "points.csv:3: column name: auger stands in row 2 already"),
        ("auger;coil 1;;3\nburner;coil 2;;3", "points.csv:3: column terminal: "),
        ("rail;input_register 3;;", "points.csv:2: column address: input_register of independent can't be rail"),
        ("auger;holding_register 1;;3", "points.csv:2: column terminal: "),
        ("count;holding_register 1;;", "points.csv:1: names no output"),
    ],
)
def test_a_list_that_makes_no_rig_is_refused_with_row_and_column(tmp_path: Path, row: str, says: str) -> None:
    """Where it stands, what is wrong, how to put it right; and nothing is written."""
    with pytest.raises(FaultsFound) as found:
        listed(tmp_path, f"name;address;label;terminal\n{row}\n")
    assert any(says in str(fault) for fault in found.value.faults), str(found.value)
    assert not (tmp_path / "drum").exists()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("points.csv", b"name;adress\nauger;1\n", "column adress: is not known; did you mean address?"),
        ("points.csv", b"name\nauger\n", "column address: is missing"),
        ("points.csv", "name;address;label\nauger;1;Förder".encode("latin-1"), "is no text in UTF-8; save"),
        ("points.xlsx", b"PK\x03\x04 and no workbook", "is no sound workbook"),
        ("points.csv", b"", "column name: is missing"),
    ],
)
def test_a_file_that_is_no_list_of_points_is_refused(tmp_path: Path, name: str, content: bytes, says: str) -> None:
    """Whatever a spreadsheet program left in place of a list is told with its cure."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FaultsFound) as found:
        read_points(tmp_path / name)
    assert says in str(found.value)


@pytest.mark.parametrize("with_list", [False, True])
def test_the_same_questions_are_asked_with_a_list_and_without(tmp_path: Path, with_list: bool) -> None:
    """Answers that are piped in mean the same: the list proposes its outputs, and takes no question away."""
    (tmp_path / "points.csv").write_text(LIST, encoding="utf-8")
    given = tuple(one for one in read_points(tmp_path / "points.csv") if one.name == "burner") if with_list else ()
    given = tuple(dataclasses.replace(one, device="controller") for one in given)
    ask, asked = answering({"Outputs that stay off": ["none"] if with_list else ["motor"]})
    answers = ask_all(ask, "drum", by_hand=False, listed=given)
    starts = ["Name", "Outputs that stay off", "Outputs that come back", "IP address of the controller"]
    assert [question.startswith(start) for question, start in zip(asked, starts, strict=False)] == [True] * 4
    assert not with_list or (answers.stays_off, answers.comes_back) == ((), ("burner",))


def test_by_hand_terminals_and_independent_points_of_a_list_are_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without independent I/O nobody reads them; that is said, and the outputs are those of the list."""
    rig = listed(tmp_path, LIST.replace("\nrail", "\nS9;coil 3;;\nrail"), by_hand=True).rig
    assert [rig.points[name].terminal for name in ("m1_auger", "burner", "s9")] == [None, None, None]
    assert "rail" not in rig.points
    assert "by hand there is no independent I/O" in capsys.readouterr().out
