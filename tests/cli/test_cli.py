"""The command line: exit codes, what stands on which stream, faults, light help, and a README that knows it all."""

from __future__ import annotations

import json
import os
import re
import shlex
import signal
import subprocess
import sys
import time
from functools import reduce
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from command_line import MAIN, bench
from drawn import seldom
from restart_bench.cli.common import file_for, folder_for, honest_exit
from restart_bench.cli.main import app
from restart_bench.cli.new import Answers, files_for
from restart_bench.files.faults import Fault, FaultsFound
from restart_bench.model.outcome import Refused
from restart_bench_drivers.interface import SupplyError
from restart_bench_drivers.registry import OWN

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("numpy", "pandas", "scipy", "duckdb", "pyarrow", "pymodbus")
NOT_FOR_A_PLAN = ("restart_bench.model.journal", "restart_bench.predict.why", "rich", "jinja2", *HEAVY)


def typed(*arguments: object) -> tuple[int, str, str]:
    """A command in this process: exit code, standard output, standard error."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    return result.exit_code, result.stdout, result.stderr


def new_suite(folder: Path) -> Path:
    """A new suite as `new` writes it, but of one short cycle a scenario and fewer reads, and with pulses
    that a busy computer does not overlook (it may look away for 100 ms, which would be inconclusive and rightly so)."""
    folder.mkdir()
    less = {
        "repeat: 3": "repeat: 1", "longer_than: 100 ms": "longer_than: 1 s", "poll: 2 ms": "poll: 8 ms",
        "wait: 1 s": "wait: 200 ms", "off_for: 3 s": "off_for: 700 ms", "watch: 3 s": "watch: 1 s",
        "off_at_least: 2 s, on_at_least: 2 s": "off_at_least: 500 ms, on_at_least: 500 ms",
    }  # fmt: skip
    for name, text in files_for(Answers("drum"), by_hand=False).items():
        shorter = reduce(lambda so_far, change: so_far.replace(*change), less.items(), text)
        (folder / name).write_text(shorter, encoding="utf-8")
    return folder


@pytest.fixture
def suite(tmp_path: Path) -> Path:
    """A new suite of one cycle a scenario."""
    return new_suite(tmp_path / "suite")


def broken(folder: Path) -> Path:
    """The same suite with two faults in its rig file."""
    rig = folder / "rig.yaml"
    text = rig.read_text(encoding="utf-8").replace("poll: 10 ms", "poll: 10").replace("coil: 0\n", "coil: 70000\n", 1)
    rig.write_text(text, encoding="utf-8")
    return folder


# ---------------------------------------------------------------- help


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["check", "--help"], ["logs", "--help"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """`--help` answers at once: it loads none of the libraries that take seconds on a slow laptop."""
    code = (
        "import sys\nfrom restart_bench.cli.main import app\n"
        f"try:\n    app({arguments!r})\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120)
    assert done.stderr.strip() == "[]"
    assert "Usage" in done.stdout


def test_check_loads_no_more_than_a_plan_needs(suite: Path) -> None:
    """A plan without a demonstration is plain arithmetic, printed as plain text: no numbers in bulk, no journal, no
    reasons."""
    code = (
        "import sys\nfrom restart_bench.cli.main import app\n"
        f"try:\n    app(['check', {str(suite)!r}])\nexcept SystemExit as end:\n    assert not end.code\n"
        f"print([name for name in {NOT_FOR_A_PLAN!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120)
    assert done.stderr.strip() == "[]"


def commands() -> list[str]:
    """Every command, those of `logs` with their own names."""
    names = []
    for name, command in get_command(app).commands.items():  # type: ignore[attr-defined]
        if command.hidden:
            continue
        names += [f"{name} {inner}" for inner in getattr(command, "commands", {})] or [name]
    return names


def test_every_command_and_option_is_in_the_readme() -> None:
    """The README names every command, and every option of `run`."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    table = readme[readme.index("## Commands") : readme.index("## Verdicts")]
    missing = [name for name in commands() if not all(re.search(rf"\b{word}\b", table) for word in name.split())]
    assert missing == []
    options = [option for one in get_command(app).commands["run"].params for option in one.opts]  # type: ignore[attr-defined]
    assert [option for option in options if option.startswith("--") and option not in table] == []


def test_every_command_of_the_readme_exists() -> None:
    """The README promises no command that is not there."""
    table = (ROOT / "README.md").read_text(encoding="utf-8").split("## Commands")[1].split("## Verdicts")[0]
    promised = set(re.findall(r"^\| `restart-bench ([a-z]+)", table, re.MULTILINE))
    assert promised == {name.split()[0] for name in commands()}


def _typed_in_the_readme() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    lines = [line for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL) for line in block.splitlines()]
    told = [line.split("  #")[0].strip() for line in lines if line.startswith("restart-bench ")]
    return told + re.findall(r"`(restart-bench [a-z][^`]*)`", text.split("## Commands")[0])


@pytest.mark.parametrize("line", _typed_in_the_readme())
def test_every_command_of_the_readme_is_understood(line: str) -> None:
    """What the README says to type has the commands, options and arguments that there are."""
    group, words = get_command(app), shlex.split(line)[1:]
    while hasattr(group, "commands"):
        command = group.commands[words.pop(0)]
        if not hasattr(command, "commands"):
            break
        group = command
    command.make_context("restart-bench", words)


def test_every_command_says_what_it_does() -> None:
    """No command stands in the help without a sentence."""
    mute = [name for name, one in get_command(app).commands.items() if not (one.hidden or one.help or one.short_help)]  # type: ignore[attr-defined]
    assert mute == []


def test_every_key_of_the_files_is_in_the_readme() -> None:
    """Whatever a rig, scenario or program file may hold is shown on the README's page."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    known: set[str] = set()
    for kind in ("rig", "scenario", "program"):
        code, out, _ = typed("schema", kind)
        assert code == 0
        known |= _keys(json.loads(out))
    assert len(known) > 80
    assert sorted(name for name in known if not re.search(rf"\b{re.escape(name)}\b", readme)) == []


def _keys(schema: object) -> set[str]:
    found: set[str] = set()
    if isinstance(schema, dict):
        properties = schema.get("properties", {})
        found |= set(properties) if isinstance(properties, dict) else set()
        for value in schema.values():
            found |= _keys(value)
    elif isinstance(schema, list):
        for value in schema:
            found |= _keys(value)
    return found


# ---------------------------------------------------------------- which end has which code


@pytest.mark.parametrize(
    ("problem", "code"),
    [
        (FaultsFound([Fault("rig.yaml", 3, "rig", "is missing", "write it")]), 2),
        (Refused("not armed"), 2),
        (SupplyError("no answer"), 4),
        (KeyboardInterrupt(), 130),
        (RuntimeError("something unforeseen"), 4),
        (AssertionError(), 4),
    ],
)
def test_no_problem_of_the_bench_looks_like_a_fail(
    problem: BaseException, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1 says that a controller failed; whatever goes wrong in the bench itself ends with another code."""

    def command() -> int:
        raise problem

    with pytest.raises(SystemExit) as end:
        honest_exit(command)()
    assert end.value.code == code
    assert capsys.readouterr().err


def test_what_only_developers_can_read_goes_into_a_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the bench itself fails a person reads one sentence, and which file to send."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def command() -> int:
        raise RuntimeError("something unforeseen")

    with pytest.raises(SystemExit):
        honest_exit(command)()
    said = capsys.readouterr().err
    (kept,) = tmp_path.iterdir()
    assert said.count("\n") == 1 and str(kept) in said
    assert "something unforeseen" not in said
    assert "RuntimeError: something unforeseen" in kept.read_text(encoding="utf-8")


@pytest.mark.parametrize("arguments", [["nothing"], ["run"], ["run", "--repeat", "0", "x"], ["schema", "house"]])
def test_a_wrong_command_line_is_bad_input(arguments: list[str]) -> None:
    """Typing errors end with 2 and say what is wrong on standard error."""
    code, out, err = typed(*arguments)
    assert (code, out) == (2, "")
    assert err


def test_all_faults_come_at_once_and_nothing_moves(suite: Path, tmp_path: Path) -> None:
    """Both faults of the file are told with file, line and cure, on standard error; no archive is begun."""
    code, out, err = typed("run", broken(suite), "--simulated", "--logs", tmp_path / "logs")
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert len(lines) == 2
    assert all(re.match(r".*rig\.yaml:\d+: .+; .+", line) for line in lines)
    assert not (tmp_path / "logs").exists()


def test_faults_as_json_stand_alone_on_standard_output(suite: Path) -> None:
    """With --json the faults are also in the one document, and the lines stay on standard error."""
    code, out, err = typed("run", broken(suite), "--simulated", "--json")
    told = json.loads(out)
    assert (code, told["exit_code"], told["verdict"]) == (2, 2, None)
    assert len(told["faults"]) == len(err.splitlines()) == 2
    assert all(one["line"] and one["cure"] for one in told["faults"])


def test_a_real_rig_is_not_touched_unless_it_is_armed(suite: Path, tmp_path: Path) -> None:
    """Without --arm and without a console to type at, a real rig ends with 2, and the way to arm it is told."""
    code, _, err = typed("run", suite, "--logs", tmp_path / "logs")
    assert code == 2
    assert "--arm drum" in err


def test_another_rigs_name_does_not_arm(suite: Path, tmp_path: Path) -> None:
    """The name that arms is that of the rig in the file, not of the one that somebody had in mind."""
    code, out, err = typed("run", suite, "--arm", "dryer", "--logs", tmp_path / "logs", "--json")
    assert code == 2
    assert "'drum'" in err
    assert json.loads(out)["faults"][0]["text"] == err.strip()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["run", "x", "--view", "tile"], "'--view': tile: write lanes or tiles"),
        (["run", "x", "--repeat", "zwei"], "'--repeat': zwei: write a whole number from 1 "),
        (["replay", "last", "--speed", "nan"], "'--speed': nan: write a number from 0.1 to 1000"),
        (["simulate", "x", "--port", "80000"], "'--port': 80000: write a whole number from 1 to 65535"),
        (["schema", "rigs"], "'KIND': rigs: write rig or scenario or program"),
    ],
)
def test_a_value_that_an_option_can_not_have_is_told_with_those_that_it_can(arguments: list[str], says: str) -> None:
    """Option, value and choices, in words of the trade and not of a library."""
    code, _, err = typed(*arguments)
    assert code == 2 and says in err


def test_an_unknown_run_is_bad_input(tmp_path: Path) -> None:
    """A run that is not there ends with 2 and says where was looked."""
    for command in (["report", "last"], ["replay", "last"], ["logs", "verify", "x"], ["compare", "a", "b"]):
        code, _, err = typed(*command, "--logs", tmp_path)
        assert code == 2
        assert str(tmp_path) in err


# ---------------------------------------------------------------- what stands where


def test_check_moves_nothing_and_says_so(suite: Path, tmp_path: Path) -> None:
    """A plan ends with 0 and leaves no trace in the archive."""
    code, out, _ = typed("check", suite, "--logs", tmp_path / "logs")
    assert code == 0
    assert out.rstrip().endswith("Nothing was moved.")
    assert not (tmp_path / "logs").exists()


def test_repeat_changes_the_plan(suite: Path) -> None:
    """`--repeat` is the number of cycles of each case, in the plan as in the run."""
    _, out, _ = typed("check", suite, "--repeat", 59)
    assert "59 cycles without a failure show 95 %" in out


def test_drivers_are_listed_with_keys_and_example() -> None:
    """What a rig can name as its supply is listed; one by name shows its keys; a wrong name is bad input."""
    code, out, _ = typed("drivers")
    assert code == 0
    for name in [card.name for card in OWN]:
        assert name in out
        code, told, _ = typed("drivers", name)
        assert code == 0
        assert f"driver: {name}" in told
    code, _, err = typed("drivers", "modbus-coill")
    assert code == 2
    assert "did you mean modbus-coil?" in err


@pytest.mark.parametrize("kind", ["rig", "scenario", "program"])
def test_schemas_are_json_schemas(kind: str) -> None:
    """Editors can be given the schema of each file as it is printed."""
    code, out, _ = typed("schema", kind)
    told = json.loads(out)
    assert code == 0
    assert kind in told["properties"]


# ---------------------------------------------------------------- a simulated run, from end to end


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str], Path]:
    """A simulated run of a new suite with --json and --junit: folder, how it ended, JUnit file."""
    folder = tmp_path_factory.mktemp("ran")
    suite = new_suite(folder / "suite")
    junit = folder / "out" / "junit.xml"
    done = bench("run", suite, "--simulated", "--logs", folder / "logs", "--json", "--junit", junit, "--by", "CI")
    return folder, done, junit


def test_json_stands_alone_on_standard_output(
    ran: tuple[Path, subprocess.CompletedProcess[str], Path],
) -> None:
    """Standard output is one JSON document; the plain lines of the run are on standard error."""
    _, done, _ = ran
    told = json.loads(done.stdout)
    assert (done.returncode, told["exit_code"], told["verdict"]) == (0, 0, "pass"), done.stderr
    assert [one["name"] for one in told["runs"][0]["scenarios"]] == ["comes-back", "stays-off"]
    assert "cycle 1: comes-back" in done.stderr
    assert "\x1b" not in done.stderr


def test_junit_of_a_run_is_green_where_it_passed(
    ran: tuple[Path, subprocess.CompletedProcess[str], Path],
) -> None:
    """The JUnit file of a passed run holds its expectations and neither failure nor error."""
    root = Xml.parse(ran[2]).getroot()
    assert int(root.get("tests", "0")) > 3
    assert (root.get("failures"), root.get("errors")) == ("0", "0")


def test_the_archive_commands_read_what_a_run_wrote(
    ran: tuple[Path, subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    """The run is listed, sound, in the trend, exported, reported, replayed, and no different from itself."""
    logs = ran[0] / "logs"
    for arguments, expected in (
        (["logs", "list"], "drum"),
        (["logs", "verify"], "sound"),
        (["logs", "trend"], "drum"),
        (["logs", "export", "last", "--out", tmp_path / "cycles.csv"], "2 rows"),
        (["report", "last", "--out", tmp_path / "record.html"], "record.html"),
        (["replay", "last"], "cycle 2: stays-off"),
        (["compare", "last", "last"], "No difference was shown."),
    ):
        code, out, err = typed(*arguments, "--logs", logs)
        assert code == 0, (arguments, err)
        assert expected in out
        if "last" in arguments:  # on which rig that was is said once, beside the output or in its head
            assert (out + err).count(" on drum") == 1, (arguments, out, err)
    assert "<html" in (tmp_path / "record.html").read_text(encoding="utf-8")[:2000]


def test_judging_again_gives_what_was_judged(ran: tuple[Path, subprocess.CompletedProcess[str], Path]) -> None:
    """The same evidence by the same scenarios gives the same findings as when it was run (rule 1)."""
    code, out, err = typed("judge", "last", "--logs", ran[0] / "logs", "--json")
    assert code == 0, err
    then, now = json.loads(ran[1].stdout), json.loads(out)
    assert now["runs"][0]["scenarios"] == then["runs"][0]["scenarios"]


def test_another_scenario_can_judge_the_same_evidence(
    ran: tuple[Path, subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    """Evidence of a lamp that came back fails a scenario of the same name that wants it off; the archive stays."""
    wanted = (ran[0] / "suite" / "comes-back.yaml").read_text(encoding="utf-8")
    (tmp_path / "comes-back.yaml").write_text(wanted.replace("{is: on, within: 5 s}", "off"), encoding="utf-8")
    code, out, err = typed("judge", "last", "--scenario", tmp_path / "comes-back.yaml", "--logs", ran[0] / "logs")
    assert code == 1, err
    assert "was pass when it was run and is fail now" in out
    assert typed("logs", "verify", "--logs", ran[0] / "logs")[0] == 0


def test_a_judgement_by_another_scenario_points_to_no_record_but_its_own(
    ran: tuple[Path, subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    """Judged to fail, it does not print the link to the archived record that says pass; `--out` writes one that fails,
    names the file that was judged by, and draws the cycles."""
    wanted = (ran[0] / "suite" / "comes-back.yaml").read_text(encoding="utf-8")
    file, out = tmp_path / "stricter.yaml", tmp_path / "records" / "stricter.html"
    file.write_text(wanted.replace("{is: on, within: 5 s}", "off"), encoding="utf-8")
    again = ("judge", "last", "--scenario", file, "--logs", ran[0] / "logs")
    code, said, err = typed(*again)
    assert code == 1, err
    assert "report.html" not in said and "--out FILE" in said
    code, said, err = typed(*again, "--out", out)
    assert code == 1, err
    assert f"record: {out}" in said
    page = out.read_text(encoding="utf-8")
    assert "<title>fail: " in page and "Judged again" in page and "stricter.yaml" in page and "<svg" in page
    (folder,) = (ran[0] / "logs").glob("rig=*/date=*/run=*")
    code, _, err = typed(*again, "--out", folder / "again.html")
    assert code == 2 and "never written to again" in err
    assert typed("judge", "last", "--logs", ran[0] / "logs", "--out", out)[0] == 2


def test_a_closed_run_is_not_written_into(ran: tuple[Path, subprocess.CompletedProcess[str], Path]) -> None:
    """A record may be written anywhere but into the folder of a closed run."""
    (folder,) = (ran[0] / "logs").glob("rig=*/date=*/run=*")
    code, _, err = typed("report", "last", "--logs", ran[0] / "logs", "--out", folder / "again.html")
    assert code == 2
    assert "never written to again" in err
    assert not (folder / "again.html").exists()


def test_what_contradicts_or_is_named_twice_is_said_before_anything_moves() -> None:
    """`--simulated` moves no hardware and `--arm` does; a rig that is named twice is run once."""
    code, _, err = typed("run", "north", "--simulated", "--arm", "north")
    assert code == 2 and "--simulated moves no hardware" in err
    assert "warning: north is named more than once; it is run once" in typed("run", "north", "north", "--simulated")[2]
    assert "more than once" not in typed("run", "north", "south", "--simulated")[2]


def test_an_approved_run_is_the_baseline(ran: tuple[Path, subprocess.CompletedProcess[str], Path]) -> None:
    """After `--approve --why` the run is found under the name `approved`; before, that name is refused."""
    logs = ran[0] / "logs"
    assert typed("compare", "approved", "last", "--logs", logs)[0] == 2
    code, out, _ = typed("compare", "last", "last", "--approve", "--why", "first run", "--logs", logs)
    assert code == 0 and "is the baseline now; it ended with pass" in out
    assert typed("compare", "approved", "last", "--logs", logs)[0] == 0


@pytest.mark.parametrize("library", seldom("duckdb", "pandas", "dask"))
def test_reading_lines_of_the_readme_work(
    ran: tuple[Path, subprocess.CompletedProcess[str], Path], library: str
) -> None:
    """The README's one-line reads do read an archive, as the README writes them, in a shell."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (line,) = [
        one
        for one in re.findall(r"^python -c .*$", readme, re.MULTILINE)
        if f"import {library}" in one or f", {library} as" in one
    ]
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        line, shell=True, cwd=ran[0], capture_output=True, text=True, check=False, timeout=120,
        env={**os.environ, "PATH": path},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "stays-off" in done.stdout and "comes-back" in done.stdout
    assert "pass" in done.stdout


def test_a_program_that_was_edited_fails_with_one(suite: Path, tmp_path: Path) -> None:
    """A motor that comes back by itself ends the run with 1, with plain lines that say which output did what."""
    program = suite / "program.yaml"
    text = program.read_text(encoding="utf-8")
    text = text.replace("start_pass: clears coils", "start_pass: none")
    text = text.replace("memory:\n", "memory:\n  motor: {retained: true}\n")
    program.write_text(text, encoding="utf-8")
    done = bench("run", suite / "stays-off.yaml", "--simulated", "--logs", tmp_path / "logs")
    assert done.returncode == 1, done.stdout + done.stderr
    assert "fail (shown to deviate)" in done.stdout
    assert "motor" in done.stdout
    assert not any(ord(character) < 32 and character != "\n" for character in done.stdout)


def test_ctrl_c_ends_a_run_with_its_archive(suite: Path, tmp_path: Path) -> None:
    """Ctrl-C ends with 130 and leaves a closed archive that says that a person stopped it."""
    arguments = ["run", str(suite), "--simulated", "--logs", str(tmp_path / "logs")]
    process = subprocess.Popen(
        [sys.executable, "-c", MAIN, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
    )
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("cycle 1"):
            break
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 130, said
    code, out, _ = typed("logs", "list", "--logs", tmp_path / "logs")
    assert code == 0
    assert "stopped" in out


def test_a_simulated_rig_serves_other_clients(suite: Path) -> None:
    """`simulate` prints one line a device, controller first and the relay last, and serves until it is stopped."""
    process = subprocess.Popen(
        [sys.executable, "-c", MAIN, "simulate", str(suite)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    try:
        assert process.stdout is not None
        lines = [process.stdout.readline().split() for _ in range(3)]
        assert [line[0] for line in lines] == ["controller", "independent", "supply"]
        assert all(re.fullmatch(r"127\.0\.0\.1:\d+", line[1]) for line in lines)
        time.sleep(0.2)
        assert process.poll() is None
    finally:
        process.terminate()
        process.wait(timeout=20)


def test_a_folder_where_a_file_is_due_and_the_other_way_round_are_refused(tmp_path: Path) -> None:
    """What is named after an option that writes: said with what stands there, and with what to name."""
    file = tmp_path / "notes"
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(Refused, match=r"--out .*: is a folder; name a file, like .*record.html"):
        file_for("--out", tmp_path, "record.html")
    with pytest.raises(Refused, match=r"--out \.: is a folder; name a file, like record.html"):
        file_for("--out", Path(), "record.html")
    for refused in (file / "record.html", file / "deep" / "record.html"):
        with pytest.raises(Refused, match=r"--out .*notes is a file; name a folder"):
            file_for("--out", refused, "record.html")
    assert file_for("--out", file, "record.html") == file  # an older one is replaced
    with pytest.raises(Refused, match=r"--out .*: is no ordinary file, and would be replaced"):
        file_for("--out", Path(os.devnull), "record.html")
    made = file_for("--out", tmp_path / "new" / "record.html", "record.html")
    assert made.parent.is_dir() and not made.exists()
    with pytest.raises(Refused, match=r"--logs .*notes is a file; name a folder"):
        folder_for("--logs", file)
    assert not folder_for("--logs", tmp_path / "logs").exists()
