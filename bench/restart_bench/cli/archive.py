"""The commands that work on archived runs: compare, report, replay, judge, logs. They never touch a rig."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, cast

import typer

from restart_bench.cli.common import (
    LOGS,
    ByOption,
    JsonOption,
    LogsOption,
    RunText,
    ViewOption,
    choice,
    file_for,
    honest_exit,
    number_from,
    picture_of,
    refusals_as_document,
    run_named,
)
from restart_bench.files.faults import FaultsFound
from restart_bench.model.outcome import Refused, RunOutcome
from restart_bench.model.verdicts import EXIT_BAD_INPUT, EXIT_ERROR
from restart_bench.screen.console import console_for, width_for

if TYPE_CHECKING:
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.compare.edits import Edit

OutOption = Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Where to write it.")]
logs_app = typer.Typer(no_args_is_help=True, help="The archive of runs: list, verify, trend, export, prune.")


def register_archive_commands(app: typer.Typer) -> None:
    """Adds the commands of this file to the console script."""
    for command in (compare, judge, report):
        app.command()(command)
    app.command(short_help="Play an archived run as a film.")(replay)
    app.add_typer(logs_app, name="logs")


@honest_exit
def compare(
    baseline: Annotated[
        str, typer.Argument(metavar="BASELINE", help='A run as for RUN, or "approved": the baseline of the rig of RUN.')
    ],
    run: RunText,
    *,
    approve: Annotated[bool, typer.Option("--approve", help="Make RUN the approved baseline of its rig.")] = False,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason of the approval.")] = "",
    by: ByOption = "",
    logs: LogsOption = LOGS,
    as_json: JsonOption = False,
) -> int:
    """What changed between two runs. Ends with 1 if something got worse, else 3 or 4 if what passed is not shown."""
    try:
        with refusals_as_document(as_json):
            return _compare(baseline, run, why if approve else None, by, logs, as_json)
    except (FaultsFound, Refused):
        if not as_json:  # the document says it
            raise
        return EXIT_BAD_INPUT


def _compare(baseline: str, run: str, approve_because: str | None, by: str, logs: Path, as_json: bool) -> int:
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.cli.logs import comparison_lines
    from restart_bench.compare.baselines import approval_lines, baseline_of, comparable_of, compare_runs
    from restart_bench.compare.baselines import approve as approve_run
    from restart_bench.compare.documents import comparison_document

    folder = run_named(run, logs)
    if baseline == "approved":
        rig = ArchivedRun.open(folder).rig_name
        approved = baseline_of(logs, rig)
        if approved is None:
            raise Refused(f"{rig} has no approved baseline; approve a run with `compare RUN RUN --approve --why TEXT`")
        baseline = approved
    folders = (folder if baseline == run else run_named(baseline, logs), folder)
    runs = [ArchivedRun.open(one) for one in folders]
    altered = [f"{one.id}: {one.altered}" for one in runs if one.altered]
    if altered and not as_json:
        print("\n".join(altered), flush=True)
    with _read_honestly(*folders):
        comparison = compare_runs(*folders)
        edit = _edit_of(*runs)
    code = EXIT_ERROR if altered else comparison.exit_code
    if not as_json:
        print("\n".join(comparison_lines(comparison, width_for(sys.stdout), edit)))
    approval = None if approve_because is None else approve_run(folder, why=approve_because, by=by)
    if as_json:
        told = comparison_document(comparison, exit_code=code, edit=edit, approval=approval, altered=altered)
        print(json.dumps(told, ensure_ascii=False, indent=2))
    elif approval is not None:
        print("\n".join(approval_lines(approval, comparable_of(ArchivedRun.open(folder)))))
    return code


def _edit_of(baseline: ArchivedRun, run: ArchivedRun) -> Edit | None:
    """What the edit of the program changes, as the archived programs behave; what was measured stands without it."""
    from restart_bench.compare.baselines import edit_of
    from restart_bench.report.explaining import BUDGET, Clock

    try:
        return edit_of(baseline, run, Clock.of(), BUDGET)
    except FaultsFound:
        return None  # files that an older bench took: they are compared as text


def _said_at_head(run: ArchivedRun) -> str:
    """Says first where a run is not as it was closed; returns what it said."""
    if run.altered:
        print(f"{run.id}: {run.altered}", flush=True)
    return run.altered


@contextmanager
def _read_honestly(*folders: Path) -> Iterator[None]:
    """What an altered archive makes of a reader is the archive's fault, and is said as such. Raises ArchiveError."""
    from restart_bench.archive.files import ArchiveError
    from restart_bench.archive.soundness import require_sound

    try:
        yield
    except (ArchiveError, FaultsFound, Refused, OSError):
        raise
    except Exception as problem:
        for folder in folders:
            require_sound(folder, f"can't be read ({type(problem).__name__})")
        raise


@honest_exit
def judge(
    run: RunText,
    scenario: Annotated[
        Path | None, typer.Option("--scenario", metavar="FILE", help="Judge by this file instead of the archived one.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="With --scenario: the HTML record of this judgement.")
    ] = None,
    logs: LogsOption = LOGS,
    as_json: JsonOption = False,
) -> int:
    """Judge archived evidence again. Writes nothing into the archive; ends as `run` would."""
    from restart_bench.archive.reader import ArchivedRun, find_run
    from restart_bench.archive.rejudging import judge_again
    from restart_bench.report.console import print_outcome
    from restart_bench.report.documents import document

    archived = ArchivedRun.open(find_run(run, logs))
    with _read_honestly(archived.folder):
        outcome = judge_again(archived, scenario)
        if scenario is not None:
            outcome = _with_own_record(archived, outcome, scenario, out)
        elif out is not None:
            raise Refused("--out goes with --scenario; `report RUN --out FILE` writes the run's own record")
    with suppress(BrokenPipeError):  # who read our output is gone; the verdict stands
        if as_json:
            print(json.dumps(document(outcome), ensure_ascii=False, indent=2), flush=True)
        else:
            print_outcome(outcome, console_for(sys.stdout))
            _print_changes(archived, outcome, by_archived=scenario is None)
    return outcome.exit_code


def _with_own_record(archived: ArchivedRun, outcome: RunOutcome, scenario: Path, out: Path | None) -> RunOutcome:
    """The record in the archive tells another judgement: this one gets its own, where it was asked for."""
    from restart_bench.archive.rejudging import JudgedAgain
    from restart_bench.report.record.writing import write_record

    record = "none of this judgement, the one in the archive tells another; `--out FILE` writes one"
    if out is not None:
        _outside(archived, out)
        write_record(JudgedAgain(archived, outcome, scenario), out)
        record = str(out)
    return replace(outcome, runs=tuple(replace(one, record=record) for one in outcome.runs))


def _outside(archived: ArchivedRun, file: Path) -> None:
    """Makes the folder of a file that is to be written. Raises Refused where it lies in the run's own folder."""
    if archived.folder.resolve() in file.resolve().parents:
        raise Refused(f"{file} lies in the run's own folder, which is never written to again; choose another --out")
    file_for("--out", file, "record.html")


def _print_changes(archived: ArchivedRun, outcome: RunOutcome, *, by_archived: bool) -> None:
    """Where the judgement is another one than the archive holds."""
    from restart_bench.archive.rejudging import changed_cycles, changed_findings

    again = outcome.runs[0].cycles
    for cycle, then, now in changed_cycles(archived, again):
        print(f"cycle {cycle} was {then.value} when it was run and is {now.value} now")
    differ = len(changed_findings(archived, again))
    if by_archived:
        print(f"{differ} findings differ from those in the archive" if differ else "all findings are as in the archive")
    sys.stdout.flush()


@honest_exit
def report(
    run: RunText,
    *,
    page: Annotated[bool, typer.Option("--page", help="One A4 page to hand out and sign.")] = False,
    out: OutOption = None,
    logs: LogsOption = LOGS,
) -> int:
    """Write the HTML record of a run."""
    from restart_bench.archive.reader import ArchivedRun
    from restart_bench.report.record.writing import write_page, write_record

    archived = ArchivedRun.open(run_named(run, logs))
    file = out if out is not None else Path(f"{archived.id}{'-page' if page else ''}.html")
    _outside(archived, file)
    altered = _said_at_head(archived)
    with _read_honestly(archived.folder):
        (write_page if page else write_record)(archived, file)
    print(file)
    return EXIT_ERROR if altered else 0


@honest_exit
def replay(
    run: RunText,
    speed: Annotated[
        float, typer.Option("--speed", metavar="N", parser=number_from(0.1, 1000, whole=False), help="N times as fast.")
    ] = 1.0,
    view: ViewOption = "lanes",
    logs: LogsOption = LOGS,
) -> int:
    """Play an archived run on the live screen, as a film with keys; without a console in plain lines."""
    from restart_bench.archive.reader import ArchivedRun, find_run
    from restart_bench.cli.replay import play

    archived = ArchivedRun.open(find_run(run, logs))
    altered = _said_at_head(archived)
    with _read_honestly(archived.folder):
        code = play(archived, console_for(sys.stdout), speed, picture_of(view))
    return EXIT_ERROR if altered else code


# ---------------------------------------------------------------- logs


def _require_folder(logs: Path) -> None:
    """Raises Refused where a folder was named that is not there: it is mistyped, not empty."""
    if logs != LOGS and not logs.exists():
        raise Refused(f"{logs}: there is no such folder; check --logs (or RESTART_BENCH_LOGS)")


@logs_app.command("list")
@honest_exit
def list_(
    rig: Annotated[str | None, typer.Option("--rig", metavar="NAME", help="Only this rig.")] = None,
    logs: LogsOption = LOGS,
) -> int:
    """All runs, oldest first."""
    _require_folder(logs)
    from restart_bench.archive.queries import list_runs
    from restart_bench.cli.logs import print_runs

    print_runs(list_runs(logs, rig), console_for(sys.stdout))
    return 0


@logs_app.command()
@honest_exit
def verify(
    run: Annotated[str | None, typer.Argument(metavar="[RUN]", help="One run; without it, all of them.")] = None,
    logs: LogsOption = LOGS,
) -> int:
    """Check that every file of closed runs is as it was closed."""
    _require_folder(logs)
    from restart_bench.archive.files import run_folders
    from restart_bench.archive.soundness import verify as hold_against_sums
    from restart_bench.cli.logs import verified_lines

    folders = [run_named(run, logs)] if run is not None else run_folders(logs)
    checked = [hold_against_sums(folder) for folder in folders]
    for verified in checked:
        print("\n".join(verified_lines(verified)))
    if not checked:
        print(f"no run in {logs}")
    return 0 if all(verified.sound for verified in checked) else EXIT_ERROR


@logs_app.command(short_help="Fail rate and boot time, and what drifts.")
@honest_exit
def trend(
    rig: Annotated[str | None, typer.Option("--rig", metavar="NAME", help="Only this rig.")] = None,
    scenario: Annotated[str | None, typer.Option("--scenario", metavar="NAME", help="Only this scenario.")] = None,
    by: Annotated[str, typer.Option("--by", help="One row for each.", **choice("run", "day", "rig"))] = "run",
    logs: LogsOption = LOGS,
) -> int:
    """Fail rate and boot time over the archive, and which rig, program and controller drift."""
    _require_folder(logs)
    from restart_bench.archive.drifts import drifts
    from restart_bench.archive.queries import altered_tables
    from restart_bench.archive.queries import trend as trend_over
    from restart_bench.cli.logs import drift_lines, print_trend

    altered = altered_tables(logs, rig)
    for text in altered:
        print(text)
    console = console_for(sys.stdout)
    print_trend(trend_over(logs, rig=rig, scenario=scenario, by=cast("Literal['run', 'day', 'rig']", by)), console)
    print("\n".join(drift_lines(drifts(logs, rig=rig, scenario=scenario), console.width)))
    return EXIT_ERROR if altered else 0


@logs_app.command(short_help="Tables for a spreadsheet: CSV or XLSX.")
@honest_exit
def export(
    run: RunText,
    out: OutOption = None,
    separator: Annotated[str, typer.Option("--separator", help='";" suits spreadsheets in many languages.')] = ",",
    decimal: Annotated[str, typer.Option("--decimal", help='Decimal sign, "." or ",".')] = ".",
    table: Annotated[
        str,
        typer.Option(
            "--table",
            help="Of a CSV: a row a cycle, the restart matrix, or the rig's list of points.",
            **choice("cycles", "matrix", "points"),
        ),
    ] = "cycles",
    logs: LogsOption = LOGS,
) -> int:
    """A run for a spreadsheet: CSV, or a workbook with all tables where FILE ends in .xlsx."""
    from restart_bench.archive.files import is_going_on, run_id_of
    from restart_bench.archive.spreadsheets import export_run

    if len(separator) != 1 or decimal not in (".", ",") or separator == decimal:
        raise Refused("--separator is one character and --decimal is . or , and they must differ")
    folder = run_named(run, logs)
    own = "" if table == "cycles" else f"-{table}"
    default = f"{run_id_of(folder)}{own}.csv"
    file = file_for("--out", out if out is not None else Path(default), default)
    with _read_honestly(folder):
        exported = export_run(
            folder,
            file,
            table=cast("Literal['cycles', 'matrix', 'points']", table),
            separator=separator,
            decimal=decimal,
        )
    if exported.altered:
        print(exported.altered)
    if is_going_on(folder):
        print(f"{run_id_of(folder)}: this run is still going on; what comes later is not in the table")
    print(f"{exported.path}: {exported.rows} rows, {exported.columns} columns")
    return EXIT_ERROR if exported.altered else 0


@logs_app.command()
@honest_exit
def prune(
    older_than: Annotated[str, typer.Option("--older-than", metavar="TIME", help="Runs that ended longer ago: 90d.")],
    to: Annotated[
        Path, typer.Option("--to", metavar="FOLDER", help="Where they go; it is an archive of its own then.")
    ],
    *,
    rig: Annotated[str | None, typer.Option("--rig", metavar="NAME", help="Only this rig.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    logs: LogsOption = LOGS,
) -> int:
    """Move old closed runs to another folder. What later runs have to know of them stays."""
    _require_folder(logs)
    from restart_bench.cli.prune import prune as move_old_runs

    return move_old_runs(logs, older_than=older_than, to=to, rig=rig, agreed=yes)
