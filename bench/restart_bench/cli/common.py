"""What all commands share: options that recur, consoles, questions to a person, and which problem ends in which code.

Light to import: nothing here loads numpy, pandas, scipy or duckdb.
"""

from __future__ import annotations

import errno
import functools
import io
import json
import math
import os
import sys
import tempfile
import textwrap
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ParamSpec, TextIO

import typer

from restart_bench.files.faults import FaultsFound
from restart_bench.model.outcome import Refused
from restart_bench.model.verdicts import EXIT_BAD_INPUT, EXIT_ERROR, EXIT_STOPPED
from restart_bench.screen.console import is_console, width_for

if TYPE_CHECKING:
    from typing_extensions import Buffer

    from restart_bench.model.rig import Rig
    from restart_bench.screen.screen import Picture

P = ParamSpec("P")
MOST_CYCLES = 1_000_000
"""More cycles of one case than a relay lives."""


def number_from(least: float, most: float = math.inf, *, whole: bool = True) -> Callable[[str], Any]:
    """Reads a number between two ends as it was typed, and says in words what else it is."""
    kind = "a whole number" if whole else "a number"
    span = f"from {least} on" if most == math.inf else f"from {least} to {most}"

    def read(text: str) -> float:
        try:
            value = int(text) if whole else float(text)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise typer.BadParameter(f"{text}: write {kind} {span}")
        return value

    return read


def choice(*words: str) -> dict[str, Any]:
    """Keys of an option that takes one of these words, and names them where it gets another one."""

    def read(text: str) -> str:
        if text not in words:
            raise typer.BadParameter(f"{text}: write {' or '.join(words)}")
        return text

    return {"parser": read, "metavar": "|".join(words), "autocompletion": lambda: list(words)}


Paths = Annotated[
    list[Path],
    typer.Argument(metavar="PATH...", help="Scenario files, or folders with a rig.yaml and scenario files."),
]
RigPath = Annotated[Path, typer.Argument(metavar="RIG", help="A rig.yaml, or the folder that it lies in.")]
RunText = Annotated[str, typer.Argument(metavar="RUN", help='Path, unique start of a run\'s id, or "last".')]
RigOption = Annotated[Path | None, typer.Option("--rig", metavar="FILE", help="Another rig file for all of PATH.")]
ProgramOption = Annotated[
    Path | None, typer.Option("--program", metavar="FILE", help="Another program model to simulate.")
]
RepeatOption = Annotated[
    int | None, typer.Option("--repeat", metavar="N", parser=number_from(1, MOST_CYCLES), help="Cycles of each case.")
]
LogsOption = Annotated[
    Path, typer.Option("--logs", metavar="DIR", help="The archive of runs.", envvar="RESTART_BENCH_LOGS")
]
ArmOption = Annotated[
    str | None, typer.Option("--arm", metavar="RIG", help="Arm the real rig by its name: it will be switched.")
]
SimulatedOption = Annotated[bool, typer.Option("--simulated", help="Run the program model, move no hardware.")]
SeedOption = Annotated[
    int | None,
    typer.Option(
        "--seed",
        metavar="N",
        parser=number_from(-(2**63), 2**63 - 1),
        help="The number of an earlier run: draws its delays and orders again.",
    ),
]
ByOption = Annotated[str, typer.Option("--by", metavar="NAME", help="Who runs this; stands in the record.")]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else there.")]
ViewOption = Annotated[
    str,
    typer.Option("--view", help="On a console: lanes over time, or tiles for a projector.", **choice("lanes", "tiles")),
]

LOGS = Path("logs")
_NO_ROOM = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_RIG_PROBLEMS = ("ObserverError", "SimulationFailed", "NotRight")  # by name: their modules are heavy


class Ended(SystemExit):
    """The end of a command with its own code. Whatever else would end this process with 1 claims no verdict."""


def complain(*words: object) -> None:
    """A line on standard error, on a console broken between words; where nobody can take it, the exit code alone has to
    tell."""
    text = " ".join(map(str, words))
    with suppress(OSError, ValueError):
        if is_console(sys.stderr):
            text = "\n".join(_wrapped(line, width_for(sys.stderr)) for line in text.splitlines())
        print(text, file=sys.stderr, flush=True)


def _wrapped(line: str, width: int) -> str:
    return textwrap.fill(line, width, break_long_words=False, break_on_hyphens=False)


def run_named(text: str, logs: Path) -> Path:
    """The folder of a run; of "last" it is said which one that is, where nothing else would name its rig."""
    from restart_bench.archive.files import rig_of, run_id_of
    from restart_bench.archive.reader import find_run

    folder = find_run(text, logs)
    if text == "last" and folder.name.startswith("run="):  # what is called so in this folder names itself
        complain(f"last is {run_id_of(folder)} on {rig_of(folder)}")
    return folder


def say_left_open(rig: Rig, logs: Path) -> None:
    """Says what killed runs left out of idle on this rig, where a command reads and touches nothing."""
    from restart_bench.archive.files import ArchiveError, is_closed, run_folders
    from restart_bench.archive.known_archives import archives_of

    try:
        if all(is_closed(folder) for archive in archives_of(rig, logs) for folder in run_folders(archive)):
            return  # nearly always, and what reads an open run takes its time to be imported
        from restart_bench.run.recovery import told_of_open

        if left := told_of_open(logs, rig):
            complain(f"warning: {left}")
    except (ArchiveError, OSError) as problem:
        complain(f"warning: whether a killed run left something out of idle can't be told: {problem}")


def honest_exit(command: Callable[P, int | None]) -> Callable[P, None]:
    """Makes a command end with the exit codes of this bench: what it returns; 2 for faults, refusals and unknown
    runs; 130 after Ctrl-C; 4 for anything unforeseen (never 1, which says that a controller failed)."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
        except FaultsFound as found:
            for fault in found.faults:
                complain(fault)
            code = EXIT_BAD_INPUT
        except Refused as refused:
            complain(refused)
            code = EXIT_BAD_INPUT
        except KeyboardInterrupt:
            complain("stopped")
            code = EXIT_STOPPED
        except BrokenPipeError:
            code = EXIT_ERROR
        except Ended:
            raise
        except (Exception, SystemExit) as problem:  # a library's own end claims nothing of a controller
            code = _told(problem)
        let_go_of_streams()
        raise Ended(code or 0)

    return run


@contextmanager
def refusals_as_document(as_json: bool) -> Iterator[None]:
    """Faults and refusals stand on standard output too, where one JSON document is asked for; they are raised on."""
    try:
        yield
    except (FaultsFound, Refused) as problem:
        if as_json:
            from restart_bench.report.documents import faults_document, refusal_document

            if isinstance(problem, FaultsFound):
                told = faults_document(problem.faults, EXIT_BAD_INPUT)
            else:
                told = refusal_document(str(problem), EXIT_BAD_INPUT)
            print(json.dumps(told, ensure_ascii=False, indent=2))
        raise


class _WhileRead(io.FileIO):
    """Standard output that may lose its reader: from then on what is written goes nowhere, and the command ends with
    the code that it has to end with (of an altered archive not with 0, of a `check` that was piped into `head` not
    with an error)."""

    def write(self, data: Buffer, /) -> int:
        """As the system does, until the reader is gone."""
        try:
            return super().write(data)
        except OSError as gone:
            if gone.errno != errno.EPIPE and not (os.name == "nt" and gone.errno == errno.EINVAL):
                raise
            os.dup2(os.open(os.devnull, os.O_WRONLY), self.fileno())
            return memoryview(data).nbytes


def while_read(stream: TextIO) -> TextIO:
    """The same stream, which nobody has to read to its end; a console as it is."""
    try:
        number, on_console = stream.fileno(), stream.isatty()
    except (OSError, ValueError):  # of a test, say
        return stream
    if on_console:
        return stream
    raw = io.BufferedWriter(_WhileRead(number, "w", closefd=False))
    return io.TextIOWrapper(raw, stream.encoding, "replace", line_buffering=bool(stream.line_buffering))


def let_go_of_streams() -> None:
    """What is still buffered goes out; where nobody takes it any more it goes nowhere, so that the end of the
    interpreter has nothing to complain of (it would put its own exit code in place of ours)."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _told(problem: BaseException) -> int:
    from restart_bench.archive.files import ArchiveError
    from restart_bench_drivers.interface import SupplyError

    if isinstance(problem, ArchiveError):
        complain(problem)
        return EXIT_BAD_INPUT
    if isinstance(problem, SupplyError) or type(problem).__name__ in _RIG_PROBLEMS:
        complain(problem)
    elif isinstance(problem, OSError) and problem.errno in _NO_ROOM:
        complain(f"nothing more can be written ({problem.strerror}); make room where standard output or {LOGS} lies")
    else:
        complain(f"The bench itself failed; this says nothing about the controller. {_kept(problem)}")
    return EXIT_ERROR


def _kept(problem: BaseException) -> str:
    """Puts what only a developer can read into a file, and says where; shows it where no file can be written."""
    trace = "".join(traceback.format_exception(problem))
    try:
        number, name = tempfile.mkstemp(prefix="restart-bench-", suffix=".txt")
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write(trace)
    except OSError:
        return f"Please report this:\n{trace}"
    return f"Please report it with the file {name}"


def rig_file(path: Path) -> Path:
    """The rig file that a person means: the file, or the rig.yaml in the folder."""
    from restart_bench.files.tree import is_folder

    return path / "rig.yaml" if is_folder(path) else path


def picture_of(view: str) -> Picture:
    """How the live screen looks in this view."""
    from restart_bench.screen.tiles import lanes_if_wide, tiles

    return tiles if view == "tiles" else lanes_if_wide


def file_for(option: str, file: Path, like: str) -> Path:
    """A file that is to be written: its folder is made. Raises Refused where a folder stands in its place, or a file
    where its folder has to be. `like`: a name that it might have."""
    if file.is_dir() or not file.name:
        raise Refused(f"{option} {file}: is a folder; name a file, like {file / like}; nothing was moved")
    _refuse_file_among(option, file, file.parents)
    make_folder(option, file.parent)
    if file.exists() and not file.is_file():
        raise Refused(f"{option} {file}: is no ordinary file, and would be replaced; name a file; nothing was moved")
    return file


def make_folder(option: str, folder: Path) -> None:
    """Makes a folder that may be there. Raises Refused where it can't be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        why = f"can't be made ({problem.strerror}); choose another place"
        raise Refused(f"{option} {folder}: the folder {why}; nothing was moved") from None


def folder_for(option: str, folder: Path) -> Path:
    """A folder that may be made. Raises Refused where a file stands there."""
    _refuse_file_among(option, folder, (folder, *folder.parents))
    return folder


def _refuse_file_among(option: str, named: Path, folders: Iterable[Path]) -> None:
    for place in folders:
        if place.exists() and not place.is_dir():
            raise Refused(f"{option} {named}: {place} is a file; name a folder; nothing was moved")


def duration_option(option: str, written: str) -> int:
    """A time as it was typed, in nanoseconds. Raises Refused on a text that is none."""
    from restart_bench.model.units import parse_duration

    try:
        return parse_duration(written)
    except ValueError as problem:
        raise Refused(f"{option} {written}: {problem}; nothing was moved") from None


def typed_arming(rig: str, said: Callable[[str], None], instead: str = "") -> str | None:
    """Asks for the rig's name where a person sits at the console; `instead`: what else one may have meant. Returns what
    was typed, None for nothing."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None
    from restart_bench.screen.cautions import ON_SCREEN

    caution = (
        f"{rig} is a real rig: its supply will be switched, by a relay or by whoever is asked, and points that its "
        f"files name may be written. Nobody may be hurt by what its outputs then do. {ON_SCREEN} {instead}"
    )
    for line in textwrap.wrap(caution, min(100, width_for(sys.stderr))):
        said(line)
    print("Type its name to arm it, or press Enter to leave: ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip() or None
