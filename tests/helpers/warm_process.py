"""Processes of their own that begin with the bench imported, which is most of what it costs to start one.

They are forked from a server that has imported it and done nothing else, so they share nothing with the tests. That the
bench, its rigs and observers also start from nothing is shown by all tests that use `command_line.command`.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from multiprocessing import connection, forkserver, process, reduction
from multiprocessing.context import ForkServerContext
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import IO, Any

import pytest

_HELPERS = str(Path(__file__).parent)
_COLD = "import sys; from {0} import {1}; sys.exit({1}(*sys.argv[1:]))"
_PATIENCE_S = 300
SERVER = "RESTART_BENCH_TESTS_SERVER"


def run_warm(
    call: Callable[..., object], *arguments: str, folder: Path | None = None, env: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """`call` of a module in such a process, to its end: exit code and both streams. Nobody is at its standard input.
    It starts from nothing where the system can't fork, or where the environment says what is imported.

    Raises TimeoutExpired after five minutes.
    """
    if not hasattr(os, "fork") or (env is not None and env.get("PYTHONPATH") != os.environ.get("PYTHONPATH")):
        return run_cold(call, *arguments, folder=folder, env=env)
    with TemporaryDirectory() as place:
        out, err = Path(place) / "out", Path(place) / "err"
        told = (folder or Path.cwd(), dict(os.environ if env is None else env), out, err, _warm_here(), _address())
        process = _server().Process(target=_begin, args=(call, arguments, *told), daemon=True)
        process.start()
        process.join(_PATIENCE_S)
        if process.exitcode is None:
            process.kill()
            raise subprocess.TimeoutExpired(arguments, _PATIENCE_S)
        said = [file.read_text(encoding="utf-8") if file.exists() else "" for file in (out, err)]
        return subprocess.CompletedProcess(arguments, process.exitcode, *said)


def run_cold(
    call: Callable[..., object], *arguments: str, folder: Path | None = None, env: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """The same in a process that starts from nothing."""
    env = os.environ if env is None else env
    path = os.pathsep.join([_HELPERS, *filter(None, [env.get("PYTHONPATH")])])
    return subprocess.run(
        [sys.executable, "-c", _COLD.format(call.__module__, call.__name__), *arguments],
        cwd=folder, env={**env, "PYTHONPATH": path}, stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8",
        timeout=_PATIENCE_S, check=False,
    )  # fmt: skip


class _Warm:
    """What `subprocess.Popen` is, for a process that begins with the bench imported and stands on the files it is
    given."""

    def __init__(self, begin: Callable[..., None], stderr: IO[bytes], *told: object) -> None:
        (read, self._told), (self._heard, write) = os.pipe(), os.pipe()
        handed = [_Handed(number) for number in (read, write, stderr.fileno())]
        self._process = _server().Process(target=begin, args=(*told, *handed), daemon=True)
        self._process.start()
        process._children.discard(self._process)  # type: ignore[attr-defined]  # nobody ends it who only ends himself
        self._asking = threading.Lock()  # how it ended can be read once
        os.close(read)
        os.close(write)

    @property
    def pid(self) -> int | None:
        """The number of its process."""
        return self._process.pid

    def poll(self) -> int | None:
        """How it ended, None while it lasts."""
        with self._asking:
            return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int | None:
        """The same once it has ended. Raises TimeoutExpired."""
        if not connection.wait([self._process.sentinel], timeout):
            raise subprocess.TimeoutExpired("a warm process", timeout or 0)
        return self.poll()

    def kill(self) -> None:
        """It ends at once."""
        self._process.kill()


class WarmRig(_Warm):
    """What `subprocess.Popen` is to a `Simulation`."""

    def __init__(self, _command: Sequence[str], *, stdin: int, stdout: int, stderr: IO[bytes], encoding: str) -> None:
        assert stdin == stdout == subprocess.PIPE
        super().__init__(_begin_rig, stderr)
        self.stdin = os.fdopen(self._told, "w", encoding=encoding)
        self.stdout = os.fdopen(self._heard, encoding=encoding)


class WarmObserver(_Warm):
    """What `subprocess.Popen` is to an `ObserverHandle`."""

    def __init__(
        self, _command: Sequence[str], *, stdin: int, stdout: int, stderr: IO[bytes], bufsize: int,
        start_new_session: bool,
    ) -> None:  # fmt: skip
        assert stdin == stdout == subprocess.PIPE and start_new_session
        super().__init__(_begin_observer, stderr)
        self.stdin = os.fdopen(self._told, "wb", buffering=bufsize)
        self.stdout = os.fdopen(self._heard, "rb", buffering=bufsize)


class WarmChild(_Warm):
    """What `subprocess.Popen` is to a `Child`: one of several rigs in one call."""

    def __init__(
        self, _command: Sequence[str], *, stdin: int, stdout: int, stderr: IO[bytes], encoding: str,
        start_new_session: bool, creationflags: int,
    ) -> None:  # fmt: skip
        assert stdin == stdout == subprocess.PIPE and start_new_session and not creationflags
        super().__init__(_begin_child, stderr, _warm_here(), _address())
        self.stdin = os.fdopen(self._told, "w", encoding=encoding)
        self.stdout = os.fdopen(self._heard, encoding=encoding)


WARM = {
    "restart_bench.simulated.handle": WarmRig,
    "restart_bench.observer.handle": WarmObserver,
    "restart_bench.cli.fleet.children": WarmChild,
}
"""Where the bench begins processes, and what they begin as here."""


def begin_warm(names: Iterable[str], patch: pytest.MonkeyPatch) -> None:
    """What this process begins in these modules begins with the bench imported. Nothing changes where no process can be
    forked."""
    known = {name: getattr(subprocess, name) for name in ("PIPE", "TimeoutExpired")}
    for name in names if hasattr(os, "fork") else ():
        patch.setattr(importlib.import_module(name), "subprocess", SimpleNamespace(Popen=WARM[name], **known))


def _warm_here() -> list[str]:
    return [name for name in WARM if importlib.import_module(name).subprocess is not subprocess]


class _Handed:
    """A file of this process on its way into one that is begun."""

    def __init__(self, number: int) -> None:
        self._number = number

    def __reduce__(self) -> tuple[Callable[[Any], int], tuple[object]]:
        return _taken, (reduction.DupFd(self._number),)


def _taken(handed: Any) -> int:
    return int(handed.detach())


def _begin_rig(*files: int) -> None:
    from restart_bench.simulated.__main__ import main

    _stand_on(files)
    main()


def _begin_observer(*files: int) -> None:
    from restart_bench.observer.__main__ import main

    os.setsid()
    _stand_on(files)
    code = main()
    sys.stderr.flush()
    os._exit(code)


def _begin_child(warm: Sequence[str], address: str, *files: int) -> None:
    from restart_bench.cli.fleet.__main__ import main

    os.setsid()
    _stand_on(files)
    _join(address)
    begin_warm(warm, pytest.MonkeyPatch())
    sys.exit(main())


def share_server() -> None:
    """One server for this process and those that it will start: they find it in the environment."""
    if hasattr(os, "fork"):
        os.environ[SERVER] = _address()


@cache
def _server() -> ForkServerContext:
    context = multiprocessing.get_context("forkserver")
    if address := os.environ.get(SERVER):
        _join(address)
        return context
    context.set_forkserver_preload(["warmed"])
    with pytest.MonkeyPatch.context() as patch:  # the server does not take over where this process imports from
        patch.setenv("PYTHONPATH", _HELPERS)
        forkserver.ensure_running()
    return context


def _address() -> str:
    """Where the server listens. This, and what `_join` sets, `multiprocessing` keeps to itself."""
    _server()
    return str(forkserver._forkserver._forkserver_address)


def _join(address: str) -> None:
    """What this process begins comes from that server, and is its own."""
    server: Any = forkserver._forkserver
    server._forkserver_address = address
    if server._forkserver_alive_fd is None:
        server._forkserver_alive_fd = os.open(os.devnull, os.O_RDONLY)  # it lives as long as the process that shares it
    server.ensure_running = forkserver.ensure_running = lambda: None
    process.current_process()._config["daemon"] = False


def _begin(
    call: Callable[..., object], arguments: tuple[str, ...], folder: Path, env: Mapping[str, str], out: Path, err: Path,
    warm: Sequence[str], address: str,
) -> None:  # fmt: skip
    """What stands around a process where a shell starts it; what it begins is warm as it is where this came from."""
    _join(address)
    begin_warm(warm, pytest.MonkeyPatch())
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(env)
    _stand_on([os.open(path, os.O_RDWR | os.O_CREAT) for path in (Path(os.devnull), out, err)])
    told = call(*arguments)
    sys.exit(told if isinstance(told, int) else 0)


def _stand_on(files: Sequence[int]) -> None:
    """These become standard input, output and error."""
    for number, file in enumerate(files):
        os.dup2(file, number)
        os.close(file)
    sys.stdin, sys.stdout, sys.stderr = (
        open(number, mode, encoding="utf-8", closefd=False)  # noqa: SIM115 - as long as the process lasts
        for number, mode in enumerate("rww")
    )
