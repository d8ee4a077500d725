"""The command `restart-bench`: words, files and exit codes. What a command does lives elsewhere, loaded when asked."""

from __future__ import annotations

import gc
import json
import os
import sys
import threading
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn, TextIO, cast

import typer

from restart_bench.cli.archive import register_archive_commands
from restart_bench.cli.common import (
    LOGS,
    MOST_CYCLES,
    ArmOption,
    ByOption,
    Ended,
    JsonOption,
    LogsOption,
    Paths,
    ProgramOption,
    RepeatOption,
    RigOption,
    RigPath,
    SeedOption,
    SimulatedOption,
    ViewOption,
    choice,
    complain,
    duration_option,
    file_for,
    folder_for,
    honest_exit,
    let_go_of_streams,
    number_from,
    picture_of,
    refusals_as_document,
    rig_file,
    run_named,
    say_left_open,
    typed_arming,
    while_read,
)
from restart_bench.model.outcome import Refused, RunOptions, RunOutcome
from restart_bench.model.verdicts import EXIT_BAD_INPUT, EXIT_ERROR, EXIT_FAIL, exit_over
from restart_bench.screen.console import answering, console_for, guessing_at, is_console, person_at, width_for

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from restart_bench.model.live import Guess, Show
    from restart_bench.suite.json_schema import FileKind
    from restart_bench.suite.loader import Suite
    from restart_bench_drivers.interface import AskPerson

app = typer.Typer(
    name="restart-bench",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # boxes around help cost more to load than all the rest of it
    help="Cuts a controller's power, watches every output come back, and says what it did, how fast and how sure. "
    "Exit codes: 0 pass, 1 a proven fail, 2 bad input or not armed (nothing moved), 3 inconclusive, "
    "4 error of rig or bench, 130 stopped by a person.",
)


def main() -> None:
    """Console script."""
    gc.set_threshold(100_000)  # what is loaded stays: looking through it again and again finds nothing to free
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")  # looking for some reads about every installed package
    for name in ("stdin", "stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started us
            setattr(sys, name, open(os.devnull, "r" if name == "stdin" else "w", encoding="utf-8"))  # noqa: PTH123, SIM115
    if sys.stdout is not None and sys.stdout is sys.__stdout__:
        sys.stdout = while_read(cast("TextIO", sys.stdout))
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError):  # a stream that can't show a letter shows "?" instead of ending us
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    _end_honestly(app)


def _end_honestly(command: Callable[[], object]) -> None:
    """1 says that a controller failed, so only a command may end with it: help that nobody reads, say, may not."""
    there = threading.enumerate()
    try:
        command()
    except Ended as end:
        _leave(end.code, there)
    except SystemExit as end:
        let_go_of_streams()
        _leave(EXIT_ERROR if end.code == EXIT_FAIL or isinstance(end.code, str) else end.code, there)
    except OSError:
        let_go_of_streams()
        _leave(EXIT_ERROR, there)
    finally:
        gc.freeze()  # the system takes all memory back at once, nothing has to be sought in it


def _leave(code: str | int | None, there: Sequence[threading.Thread]) -> NoReturn:
    """Ends the process with this code, also where somebody's driver began a thread that goes on for ever."""
    left = [one.name for one in threading.enumerate() if one not in there and not one.daemon]
    if left:
        complain(f"a driver or library goes on in {', '.join(left)}; it ends with this process")
        os._exit(code if isinstance(code, int) else 0)
    raise SystemExit(code) from None


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"restart-bench {version('restart-bench')}")
        raise typer.Exit


@app.callback()
def _begin(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and leave.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


# ---------------------------------------------------------------- begin


@app.command(short_help="Ask a few questions, write a rig and its scenarios.")
@honest_exit
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder that does not exist yet, or is empty.")],
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="Without any relay: a person switches the supply.")
    ] = False,
    points: Annotated[
        Path | None, typer.Option("--points", metavar="FILE", help="A list of the points, CSV or XLSX.")
    ] = None,
) -> int:
    """Ask a few questions, write a commented rig, a program model and two scenarios (three with a mode switch)."""
    from restart_bench.cli.new import write_suite

    return write_suite(folder, by_hand=by_hand, points=points)


@app.command(short_help="Read only: outputs, terminals, the shortest pulse to be seen.")
@honest_exit
def look(
    rig: RigPath,
    for_: Annotated[str, typer.Option("--for", metavar="TIME", help="Look so long, then leave (3 s).")] = "",
    logs: LogsOption = LOGS,
) -> int:
    """Read only: outputs beside their terminals, what moves, answer times, the shortest pulse that can be excluded."""
    from restart_bench.cli.look import look_at

    read = _load_rig(rig).rig
    code = look_at(read, for_)
    say_left_open(read, logs)
    return code


@app.command(short_help="Read the files: what would happen, how long, what it shows.")
@honest_exit
def check(
    paths: Paths,
    rig: RigOption = None,
    program: ProgramOption = None,
    repeat: RepeatOption = None,
    logs: LogsOption = LOGS,
) -> int:
    """Read the files and say what would happen: timeline, duration, wear, what it will show. Moves nothing."""
    from restart_bench.cli.check import free_bytes, plan_lines
    from restart_bench.cli.cover import cover_lines
    from restart_bench.cli.round_trips import known_round_trip
    from restart_bench.run.arming import points_named
    from restart_bench.run.usage import wear_of
    from restart_bench.suite.plan import plan_suite

    width = width_for(sys.stdout)
    for number, suite in enumerate(_load_suites(paths, rig, program, repeat)):
        worn = wear_of(logs, suite.rig).operations
        steps = [step for one in suite.scenarios for step in (*one.before, *one.function_check)]
        round_trip = known_round_trip(suite.rig)
        longest_ns = round_trip.longest_ns if round_trip is not None else 0
        plan = plan_suite(suite.rig, suite.scenarios, round_trip_ns=longest_ns)
        if number:
            print()
        writes, left_out = points_named(suite.rig, steps), cover_lines(suite, width)
        print("\n".join(plan_lines(plan, worn, writes, width, left_out, free_bytes(logs), round_trip)))
        _say_warnings(suite)
        say_left_open(suite.rig, logs)
    return 0


# ---------------------------------------------------------------- run


@app.command(short_help="Cut power or run mode, watch the outputs, judge, archive.")
@honest_exit
def run(
    paths: Paths,
    *,
    rig: RigOption = None,
    simulated: SimulatedOption = False,
    program: ProgramOption = None,
    repeat: RepeatOption = None,
    resume: Annotated[
        str | None, typer.Option("--resume", metavar="RUN", help="Go on with a run that was ended or killed.")
    ] = None,
    stop_on: Annotated[
        str | None, typer.Option("--stop-on", help="End at the first fail.", show_default=False, **choice("fail"))
    ] = None,
    rehearse: Annotated[bool, typer.Option("--rehearse", help="Steps before and function check, no cut.")] = False,
    ask_first: Annotated[
        str | None,
        typer.Option("--ask-first", metavar="NAME,NAME", help="Ask these people before each cut what will come back."),
    ] = None,
    logs: LogsOption = LOGS,
    seed: SeedOption = None,
    by: ByOption = "",
    arm: Annotated[
        list[str] | None,
        typer.Option("--arm", metavar="RIG", help="Arm the real rig by its name; once for each rig."),
    ] = None,
    junit: Annotated[
        Path | None, typer.Option("--junit", metavar="FILE", help="Also write JUnit XML for CI servers.")
    ] = None,
    view: ViewOption = "lanes",
    as_json: JsonOption = False,
) -> int:
    """Run the scenarios: bring about the state before, cut power or run mode, watch every output, judge, archive, show.
    Several rigs run at the same time."""
    from restart_bench.report.documents import junit as junit_of

    with refusals_as_document(as_json):
        if simulated and arm:
            raise Refused("--simulated moves no hardware, --arm does: name one of them; nothing was moved")
        for path in dict.fromkeys(one for one in paths if paths.count(one) > 1):
            complain(f"warning: {path} is named more than once; it is run once")
        suites = _load_suites(paths, rig, program, repeat)
        for suite in suites:
            _say_warnings(suite)
        _refuse_unwritable(junit)
        folder_for("--logs", logs)
        from restart_bench.report.record.writing import write_report

        armed = [None] * len(suites) if simulated else _armed_as([suite.rig.name for suite in suites], arm)
        options = [
            RunOptions(
                logs=logs,
                simulated=simulated,
                seed=seed,
                by=by,
                arm=name,
                stop_on_fail=stop_on == "fail",
                rehearse=rehearse,
                ask_first=_named(ask_first, "--ask-first"),
                resume=resume,
                repeat=repeat,
                record=write_report,
            )
            for name in armed
        ]
        if len(suites) > 1:
            return _perform_together(suites, options, program, junit, view, as_json=as_json)
        outcome = _perform(suites[0], options[0], as_json, view)
    if not _write_junit(junit, lambda: junit_of(outcome)):
        outcome = replace(outcome, exit_code=exit_over([outcome.exit_code, EXIT_ERROR]))
    try:
        _show_outcome(outcome, as_json)
    except BrokenPipeError:  # who read our output is gone; the verdict stands
        pass
    except OSError as problem:
        complain(f"the result could not be shown ({problem}); the run itself is in the archive")
        return exit_over([outcome.exit_code, EXIT_ERROR])
    return outcome.exit_code


def _perform_together(
    suites: Sequence[Suite],
    options: Sequence[RunOptions],
    program: Path | None,
    junit: Path | None,
    view: str,
    *,
    as_json: bool,
) -> int:
    """Several rigs at the same time: one table, one document, one exit code. Raises Refused before anything moves."""
    from restart_bench.cli.fleet.performing import Asked, perform_together
    from restart_bench.cli.fleet.picture import print_end
    from restart_bench.cli.fleet.rows import document_over, exit_code_over, junit_over

    performed = perform_together(suites, options, Asked(program, as_json, junit is not None, view))
    code = exit_code_over(performed.rows)
    if not _write_junit(junit, lambda: junit_over(performed.rows)):
        code = exit_over([EXIT_ERROR if code == EXIT_BAD_INPUT else code, EXIT_ERROR])
    try:
        if as_json:
            print(json.dumps(document_over(performed.rows), ensure_ascii=False, indent=2))
        else:
            print_end(performed.rows, console_for(sys.stdout), str(performed.output))
    except BrokenPipeError:  # who read our output is gone; the verdicts stand
        pass
    return code


_UNARMED = "To try it without any hardware: --simulated."


def _armed_as(rigs: Sequence[str], armed: Sequence[str] | None) -> list[str | None]:
    """What each rig is armed as: by its own name among those given, or typed. Raises Refused on a name of none."""
    if armed is None:
        return [typed_arming(rig, complain, _UNARMED) for rig in rigs]
    spare = [name for name in armed if name not in rigs]
    if spare and len(rigs) > 1:
        raise Refused(f"--arm {spare[0]}: none of these rigs is called so ({', '.join(rigs)}); nothing was moved")
    return [rig if rig in armed else next(iter(spare), None) for rig in rigs]


def _named(written: str | None, option: str) -> tuple[str, ...]:
    """The names of people after an option. Raises Refused where there is none, or one twice."""
    names = [name.strip() for name in written.split(",")] if written is not None else []
    if not all(names) or len(set(names)) != len(names):
        raise Refused(
            f"{option} {written or '(nothing)'}: names with commas between them, each once; nothing was moved"
        )
    return tuple(names)


def _refuse_unwritable(file: Path | None) -> None:
    """Raises Refused where the JUnit file could not be written, before anything moves; leaves nothing behind."""
    if file is None:
        return
    file_for("--junit", file, "results.xml")
    try:
        was_there = file.exists()
        with file.open("ab"):
            pass
        if not was_there:
            file.unlink()
    except OSError as problem:
        raise Refused(
            f"--junit {file}: can't be written ({problem}); nothing was moved. Choose another file."
        ) from None


def _perform(suite: Suite, options: RunOptions, as_json: bool, view: str = "lanes") -> RunOutcome:
    from restart_bench.run.session import perform

    show, ask, guess = _show_for(suite, options, as_json, view)
    try:
        if options.ask_first:
            options = replace(options, guess=_insist_on(guess))
        return perform(suite, options, show, ask)
    finally:
        show.close()


def _insist_on(guess: Guess | None) -> Guess:
    if guess is None:
        raise Refused("--ask-first: nobody can answer here, standard input is no console; nothing was moved")
    return guess


def _show_for(
    suite: Suite, options: RunOptions, as_json: bool, view: str
) -> tuple[Show, AskPerson | None, Guess | None]:
    """The live screen where somebody watches, else plain lines; with --json both go to standard error."""
    stream = sys.stderr if as_json else sys.stdout
    console = console_for(stream)
    if not is_console(stream):
        from restart_bench.screen.outlet import Outlet
        from restart_bench.screen.plain import PlainShow

        outlet = Outlet(stream)
        person = person_at(console, before=outlet.drain), guessing_at(console, before=outlet.drain)
        return PlainShow(outlet, rehearsal=options.rehearse), *person
    from restart_bench.screen.screen import LiveScreen

    screen = LiveScreen(
        suite.rig,
        suite.scenarios,
        console,
        simulated=options.simulated,
        rehearsal=options.rehearse,
        asks_first=bool(options.ask_first),
        program=suite.program.name if options.simulated and suite.program is not None else "",
        picture=picture_of(view),
    )
    if not sys.stdin.isatty():
        return screen, None, None
    return screen, answering(screen.ask), answering(screen.guess)


def _write_junit(file: Path | None, text: Callable[[], str]) -> bool:
    if file is None:
        return True
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text(), encoding="utf-8")
    except OSError as problem:
        complain(f"{file} could not be written ({problem}); the run itself is in the archive")
        return False
    return True


def _show_outcome(outcome: RunOutcome, as_json: bool) -> None:
    if is_console(sys.stdout):
        _print_outcome(outcome, as_json, sys.stdout)
        sys.stdout.flush()
        return
    from restart_bench.screen.outlet import Outlet
    from restart_bench.screen.plain import LEAVE_WITHIN_S

    outlet = Outlet(sys.stdout, whole=True)
    _print_outcome(outcome, as_json, cast("TextIO", outlet))
    stopped = any(run.how == "stopped" for run in outcome.runs)
    outlet.drain(LEAVE_WITHIN_S if stopped else None)


def _print_outcome(outcome: RunOutcome, as_json: bool, stream: TextIO) -> None:
    if as_json:
        from restart_bench.report.documents import document

        print(json.dumps(document(outcome), ensure_ascii=False, indent=2), file=stream)
        return
    from restart_bench.report.console import print_outcome

    print_outcome(outcome, console_for(stream), explain=True)


@app.command(short_help="Points to idle, supply to its end, open runs closed.")
@honest_exit
def park(rig: RigPath, arm: ArmOption = None, logs: LogsOption = LOGS) -> int:
    """Return pressed points to idle, bring the supply to its normal end, close runs that were left open."""
    from restart_bench.report.record.writing import write_report
    from restart_bench.run.park import park as put_to_rest

    loaded = _load_rig(rig).rig
    if arm is None:
        arm = typed_arming(loaded.name, complain)
    from restart_bench.screen.outlet import Outlet

    outlet = Outlet(sys.stdout)  # whoever does not read may not keep the rig from its rest
    ask = person_at(console_for(sys.stderr), before=outlet.drain)

    def say(text: str) -> None:
        print(text, file=cast("TextIO", outlet))

    parked = put_to_rest(loaded, logs=logs, arm=arm, ask=ask, say=say, record=write_report)
    outlet.drain()
    for folder in parked.closed:
        print(f"closed: {folder}")
    print(f"supply: {parked.supply}")
    if parked.not_idle:
        print(f"NOT SHOWN AT IDLE: {', '.join(parked.not_idle)}; go to the rig and look")
    return 0 if parked.well else EXIT_ERROR


@app.command(short_help="Find out what every output does, draft scenarios.")
@honest_exit
def survey(
    rig: RigPath,
    *,
    simulated: SimulatedOption = False,
    program: ProgramOption = None,
    repeat: Annotated[
        int, typer.Option("--repeat", metavar="N", parser=number_from(1, MOST_CYCLES), help="Cycles of each cut.")
    ] = 3,
    wait: Annotated[
        str, typer.Option("--wait", metavar="TIME", help="How long after each press the outputs may take.")
    ] = "2 s",
    drafts: Annotated[
        Path | None, typer.Option("--drafts", metavar="FOLDER", help="Where drafts go (drafts/ and the rig's name).")
    ] = None,
    logs: LogsOption = LOGS,
    seed: SeedOption = None,
    by: ByOption = "",
    arm: ArmOption = None,
    as_json: JsonOption = False,
) -> int:
    """Find out and tabulate what every output does when power or run mode goes; write drafts of scenarios."""
    with refusals_as_document(as_json):
        return _survey(rig, RunOptions(logs, simulated, seed, by, arm), program, repeat, wait, drafts, as_json)


def _survey(
    rig: Path, options: RunOptions, program: Path | None, repeat: int, wait: str, drafts: Path | None, as_json: bool
) -> int:
    from restart_bench.cli.survey import print_survey, refuse_drafts, survey_document, write_drafts
    from restart_bench.report.record.writing import write_report
    from restart_bench.run.inquiry.survey import survey as find_out
    from restart_bench_drivers.registry import cards

    suite = _load_rig(rig, program)
    wait_ns = duration_option("--wait", wait)
    folder = drafts if drafts is not None else Path("drafts") / suite.rig.name
    refuse_drafts(folder)
    if not options.simulated and options.arm is None:
        options = replace(options, arm=typed_arming(suite.rig.name, complain, _UNARMED))
    found = find_out(
        suite,
        replace(options, record=write_report),
        lambda part, how: _perform(part, how, as_json),
        cards=cards(),
        wait_ns=wait_ns,
        repeat=repeat,
        asks=sys.stdin.isatty(),
    )
    written = write_drafts(found, folder)
    if as_json:
        print(json.dumps(survey_document(found, written), ensure_ascii=False, indent=2))
    else:
        print_survey(found, written, console_for(sys.stdout))
    return found.exit_code


# ---------------------------------------------------------------- rigs


@app.command(short_help="Serve the simulated rig over Modbus TCP.")
@honest_exit
def simulate(
    rig: RigPath,
    program: ProgramOption = None,
    *,
    port: Annotated[
        int | None,
        typer.Option(
            "--port",
            metavar="N",
            parser=number_from(1, 65535),
            help="Port of the controller; the others take the next.",
        ),
    ] = None,
    panel: Annotated[
        bool, typer.Option("--panel", help="Work it by keyboard: buttons, supply, mode switch, faults.")
    ] = False,
    seed: Annotated[
        int,
        typer.Option(
            "--seed", metavar="N", parser=number_from(-(2**63), 2**63 - 1), help="Draws what is left to chance."
        ),
    ] = 0,
) -> int:
    """Serve the simulated rig over Modbus TCP for any client: one line a device, then until Ctrl-C."""
    from restart_bench.cli.simulate import serve_rig
    from restart_bench.suite.loader import load_program

    suite = _load_rig(rig)
    model = suite.program if program is None else load_program(program, suite.rig)
    if model is None:
        raise Refused(f"{rig}: no program to simulate; write `simulation: program.yaml` in the rig, or use --program")
    return serve_rig(suite.rig, model, console_for(sys.stdout), seed=seed, first_port=port or 0, panel=panel)


@app.command(short_help="The supplies that a rig file can name.")
@honest_exit
def drivers(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="One driver, with all its keys.")] = None,
) -> int:
    """What a rig file can name as its supply."""
    from restart_bench.cli.drivers import driver_lines

    print("\n".join(driver_lines(name, width_for(sys.stdout))))
    return 0


@app.command(short_help="JSON Schema of a file, for editors.")
@honest_exit
def schema(
    kind: Annotated[
        str,
        typer.Argument(help="rig, scenario or program.", **choice("rig", "scenario", "program") | {"metavar": "KIND"}),
    ],
) -> int:
    """JSON Schema of a file, for editors that complete and check while one types."""
    from restart_bench.suite.json_schema import schema_for
    from restart_bench_drivers.registry import cards

    print(json.dumps(schema_for(cast("FileKind", kind), cards()), ensure_ascii=False, indent=2))
    return 0


@app.command(short_help="What the program model says comes back, and why.")
@honest_exit
def predict(
    paths: Annotated[
        list[Path],
        typer.Argument(metavar="PATH...", help="Programs (program.yaml), or folders whose rig.yaml names one."),
    ],
    against: Annotated[
        Path | None,
        typer.Option("--against", metavar="PROGRAM", help="Name what changes against this program."),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FOLDER", help="Write scenarios that play every outcome."),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", metavar="FILE.html", help="Write the questions before the cut on one page to print."),
    ] = None,
    learners: Annotated[
        str | None,
        typer.Option("--learners", metavar="NAME,NAME", help="With --sheet: a column for each of these people."),
    ] = None,
    seen: Annotated[
        str | None,
        typer.Option("--seen", metavar="RUN", help="With --sheet: what this run showed, hidden until asked for."),
    ] = None,
    logs: LogsOption = LOGS,
    as_json: JsonOption = False,
) -> int:
    """Say what each output will do after a restart by the program model, whether it can be otherwise, and why."""
    from restart_bench.cli.predict import SheetAsked, predict_paths

    if sheet is None and (learners is not None or seen is not None):
        raise Refused("--learners and --seen go with --sheet FILE.html")
    asked = None
    if sheet is not None:
        folder = run_named(seen, logs) if seen is not None else None
        asked = SheetAsked(sheet, _named(learners, "--learners"), folder)
    return predict_paths(paths, against, write, asked, as_json=as_json)


register_archive_commands(app)


# ---------------------------------------------------------------- files


def _load_suites(paths: list[Path], rig: Path | None, program: Path | None, repeat: int | None) -> tuple[Suite, ...]:
    from restart_bench.suite.loader import load_suites
    from restart_bench_drivers.registry import cards

    return load_suites(paths, rig=rig, program=program, repeat=repeat, cards=cards())


def _load_rig(path: Path, program: Path | None = None) -> Suite:
    from restart_bench.suite.loader import load_rig
    from restart_bench_drivers.registry import cards

    return load_rig(rig_file(path), cards=cards(), program=program)


def _say_warnings(suite: Suite) -> None:
    for warning in suite.warnings:
        complain(f"warning: {warning}")
